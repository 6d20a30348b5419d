"""Many stages, faces and outputs of one layer, against finite elements and its own symmetries."""

import multiprocessing
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
import skfem
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import eigh
from scipy.special import erfc
from skfem.helpers import dot, grad

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.layer_stages import joined

D, A = 1e-11, 1e-3  # diffusivity [m2/s]; thickness or radius [m]
SCALE_S = A**2 / D
POWER = {"sheet": 0, "tube": 1, "rod": 1, "sphere": 2}


class FiniteElements:
    """Second opinion: scikit-fem, quadratic elements on its own mesh, exact in time.

    Each stage is an eigenproblem of its own, with its own resistances at the faces.
    """

    def __init__(self, shape, outer_radius_m=None):
        inner = outer_radius_m / A - 1.0 if shape == "tube" else 0.0
        ends = np.concatenate([[0.0], np.geomspace(1e-4, 0.5, 60)])
        mesh = skfem.MeshLine(np.unique(np.concatenate([ends, 1.0 - ends])))
        self.basis = skfem.Basis(mesh, skfem.ElementLineP2(), intorder=6)
        power = POWER[shape]

        def weight(w):
            return (inner + w.x[0]) ** power

        @skfem.BilinearForm
        def mass(u, v, w):
            return weight(w) * u * v

        @skfem.BilinearForm
        def stiffness(u, v, w):
            return weight(w) * dot(grad(u), grad(v))

        @skfem.LinearForm
        def load(v, w):
            return weight(w) * v

        self.mass = mass.assemble(self.basis).toarray()
        self.stiffness = stiffness.assemble(self.basis).toarray()
        self.load = load.assemble(self.basis)
        self.ends = [int(np.argmin(np.abs(self.basis.doflocs[0] - x))) for x in (0.0, 1.0)]
        self.area = [inner**power if power else 1.0, (inner + 1.0) ** power]
        self.volume = float(np.sum(self.load))

    def mean(self, c):
        return float(self.load @ c) / self.volume

    def run(self, stages, start=0.0):
        """Means at the stage ends; rows of duration, D, ratio, gas, h inner, h outer, loss."""
        c = np.full(self.load.size, start)
        found = []
        for duration, d, ratio, gas, h_inner, h_outer, loss in stages:
            matrix, right = d / A**2 * self.stiffness + loss * self.mass, np.zeros_like(c)
            for node, area, h in zip(self.ends, self.area, (h_inner, h_outer), strict=True):
                matrix = matrix.copy()
                matrix[node, node] += area * h / ratio / A
                right[node] += area * h * gas / A
            rate, modes = eigh(matrix, self.mass)
            amount, drive = modes.T @ self.mass @ c, modes.T @ right
            rate = np.maximum(rate, 0.0)
            with np.errstate(invalid="ignore", divide="ignore"):
                grown = np.where(rate > 0, -np.expm1(-rate * duration) / rate, duration)
            c = modes @ (amount * np.exp(-rate * duration) + drive * grown)
            found.append(self.mean(c))
        return np.array(found)


# duration [s], D [m2/s], ratio, gas [kg/m3], h at the inner and outer face [m/s], loss [1/s]:
# evacuation, exposure, two washes, two aerations, each with its own resistances.
CYCLE = [
    (600, 1e-11, 18.0, 0.0, 2e-6, 1e-4, 0.0),
    (10800, 1.2e-11, 15.0, 0.6, 3e-7, 6e-4, 1e-6),
    (900, 1.1e-11, 16.0, 0.06, 1e-6, 4e-4, 0.0),
    (900, 1.0e-11, 17.0, 0.01, 1e-5, 4e-4, 0.0),
    (20000, 9e-12, 20.0, 0.0, 1e-9, 1e-3, 2e-6),
    (80000, 2e-11, 12.0, 0.0, 1e-6, 2e-6, 0.0),
]


@pytest.mark.parametrize("shape", ["sheet", "tube", "rod", "sphere"])
def test_a_whole_cycle_against_finite_elements(shape):
    body = Body(shape, A, 2.6 * A)
    inner_open = shape in ("sheet", "tube")
    rows = [(t, d, k, g, i if inner_open else 0.0, o, loss) for t, d, k, g, i, o, loss in CYCLE]
    run = run_layer(
        body, [Stage(t, d, k, g, None, o, i, loss) for t, d, k, g, i, o, loss in rows],
        start_kg_per_m3=0.1,
    )  # fmt: skip
    expected = FiniteElements(shape, 2.6 * A).run(rows, start=0.1)
    # The elements' own error; asked of the engine: 1e-6 of the largest amount.
    assert run.mean_kg_per_m3[1:, 0] == pytest.approx(expected, abs=1e-6 * expected.max())


def random_cycle(seed):
    """Stage lists over Fourier numbers 1e-4 to 10 and Biot numbers 1e-3 to 1e4."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(rng.integers(2, 6)):
        d = D * 10 ** rng.uniform(-0.5, 0.5)
        h = [10 ** rng.uniform(-3, 4) * D / A for _ in range(2)]
        gas = 1.0 if k == 0 else rng.random() * (rng.random() < 0.5)
        rows.append((10 ** rng.uniform(-3.5, 0.5) * SCALE_S, d, 10 ** rng.uniform(0, 2), gas, *h,
                     1e-7 * rng.random()))  # fmt: skip
    return rows


@pytest.mark.parametrize("shape", ["sheet", "tube", "sphere"])
def test_random_stage_lists_against_finite_elements(shape):
    for seed in range(6):
        rows = random_cycle(seed)
        if shape == "sphere":
            rows = [(*row[:4], 0.0, *row[5:]) for row in rows]
        stages = [Stage(t, d, k, g, None, o, i, loss) for t, d, k, g, i, o, loss in rows]
        run = run_layer(Body(shape, A, 1.7 * A), stages)
        expected = FiniteElements(shape, 1.7 * A).run(rows)
        assert run.mean_kg_per_m3[1:, 0] == pytest.approx(expected, abs=1e-6 * expected.max())


@pytest.mark.parametrize("shape", ["sheet", "tube", "rod", "sphere", "lumped"])
def test_nothing_is_lost(shape):
    """Mean - start = gained outside + gained inside - reacted, to 1e-9 of the largest amount."""
    for seed in range(8):
        rows = random_cycle(seed)
        stages = [
            Stage(t, d, k, g, 0.3, o, i, 30 * loss, (0.1 * t, 0.5 * t, 0.7 * t))
            for t, d, k, g, i, o, loss in rows
        ]
        walls = A * np.array([0.5, 1.0, 1.9])
        run = run_layer(Body(shape, walls, 2 * A), stages, start_kg_per_m3=0.2)
        balance = (
            run.mean_kg_per_m3 - run.mean_kg_per_m3[0] + run.product_kg_per_m3
            - run.gained_outer_kg_per_m3 - run.gained_inner_kg_per_m3
        )  # fmt: skip
        assert np.abs(balance).max() <= 1e-9 * run.mean_kg_per_m3.max()
        assert run.product_kg_per_m3[-1].min() > 0.0


def finite_volumes(cells, seconds, biot):
    """Uptake of a sheet closed behind by uniform finite volumes, exact in time.

    Central differences: their error falls with the square of the cell (any textbook).
    """
    rate = np.zeros((cells, cells))
    for i in range(cells - 1):
        rate[i, i] -= cells**2
        rate[i, i + 1] += cells**2
        rate[i + 1, i + 1] -= cells**2
        rate[i + 1, i] += cells**2
    edge = cells / (0.5 / cells + 1.0 / biot)
    rate[-1, -1] -= edge
    values, vectors = np.linalg.eigh(rate)
    left = vectors @ (np.exp(values * seconds * D / A**2) * vectors.sum(axis=0))
    return 1.0 - left.mean()


def test_finite_volumes_close_in_with_their_second_order():
    biot, seconds = 10.0, 0.05 * SCALE_S
    h = biot * D / A
    run = run_layer(Body("sheet", A, open_faces="outer"),
                    [Stage(seconds, D, 1.0, 1.0, None, h)])  # fmt: skip
    errors = [finite_volumes(n, seconds, biot) - run.mean_kg_per_m3[-1, 0] for n in (40, 80, 160)]
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.02)
    assert errors[1] / errors[2] == pytest.approx(4.0, rel=0.02)


def test_outputs_change_nothing_however_they_are_given():
    times = np.array([1.0, 40.0, 300.0, 2e3, 4e3, 9e3, 1e4])
    diffusivity = np.array([1e-11, 3e-12, 8e-13])
    body = Body("tube", A, 3 * A, "outer")

    def run(listed):
        stages = [Stage(1e4, diffusivity, 5.0, 1.0, 0.4, 1e-7, output_times_s=listed),
                  Stage(1e4, diffusivity, 5.0, 0.0)]  # fmt: skip
        return run_layer(body, stages)

    plain, shared = run(()), run(tuple(times))
    assert shared.stage_index == (0,) * 9 + (1,)
    assert shared.time_s[1:8, 0] == pytest.approx(times)
    assert shared.mean_kg_per_m3[-1] == pytest.approx(plain.mean_kg_per_m3[-1], rel=1e-6)
    per_sample = run(np.repeat(times[:, None], 3, axis=1) * [1.0, 1.0, 1.0 - 1e-6])
    assert per_sample.mean_kg_per_m3 == pytest.approx(shared.mean_kg_per_m3, rel=1e-5)
    one_by_one = [Stage(t, diffusivity, 5.0, 1.0, 1.0 - 0.6 * t / 1e4, 1e-7) for t in times]
    for row, stage in enumerate(one_by_one, start=1):
        alone = run_layer(body, [stage]).mean_kg_per_m3[-1]
        assert shared.mean_kg_per_m3[row] == pytest.approx(alone, rel=2e-6)


def test_flux_is_the_slope_of_the_amount():
    step = 1e-4
    times = np.array([1e3, 1e3 * (1 + step), 2e4, 2e4 * (1 + step)])
    stage = Stage(3e4, D, 4.0, 0.0, None, 1e-7, 3e-8, output_times_s=tuple(times))
    for body, outer, inner in (
        (Body("sheet", A), 1.0, 1.0),
        (Body("tube", A, 2 * A), 4.0 / 3.0, 2.0 / 3.0),
    ):
        run = run_layer(body, [stage], start_kg_per_m3=1.0, with_flux=True)
        given = run.flux_outer_kg_per_m2_s * outer + run.flux_inner_kg_per_m2_s * inner
        for row in (1, 3):
            fall = run.mean_kg_per_m3[row, 0] - run.mean_kg_per_m3[row + 1, 0]
            middle = 0.5 * (given[row, 0] + given[row + 1, 0]) / A
            assert fall == pytest.approx(middle * (times[row] - times[row - 1]), rel=1e-6)


def test_profiles_of_a_sheet():
    """Two faces at one level: series of Crank 1975, ch. 4; one face, early: eq 3.13."""
    x = np.linspace(0.0, 1.0, 9)
    one_side = 1.0 - x - 2.0 / np.pi * sum(
        np.sin(n * np.pi * x) / n * np.exp(-(n**2) * np.pi**2 * 0.02) for n in range(1, 40)
    )  # fmt: skip
    both = run_layer(Body("sheet", A), [Stage(0.02 * SCALE_S, D, 1.0, 1.0)], profile_at=x)
    profile = both.profile_kg_per_m3[-1, :, 0]
    assert profile == pytest.approx(one_side + one_side[::-1], abs=1e-5)
    assert profile == pytest.approx(profile[::-1], rel=1e-12)
    one = run_layer(Body("sheet", A, open_faces="inner"), [Stage(0.002 * SCALE_S, D, 1.0, 1.0)],
                    profile_at=x)  # fmt: skip
    assert one.profile_kg_per_m3[-1, :, 0] == pytest.approx(
        erfc(x / 2.0 / np.sqrt(0.002)), abs=1e-5
    )


@pytest.mark.parametrize("shape", ["sheet", "tube", "rod", "sphere"])
def test_profiles_average_to_the_mean(shape):
    nodes, weights = np.polynomial.legendre.leggauss(40)
    x = 0.5 * (nodes + 1.0)
    inner = {"sheet": 1.0, "tube": 1.5, "rod": 0.0, "sphere": 0.0}[shape]
    share = weights * (inner + x) ** POWER[shape]
    stages = [Stage(2e4, D, 3.0, 1.0, None, 1e-6, 1e-8), Stage(1e4, D, 3.0, 0.0, None, 1e-6, 1e-8)]
    run = run_layer(Body(shape, A, 2.5 * A), stages, profile_at=x)
    means = np.einsum("p,tps->ts", share / share.sum(), run.profile_kg_per_m3)
    assert means == pytest.approx(run.mean_kg_per_m3, rel=1e-5)


@pytest.mark.parametrize("fourier", [1e-3, 1e-2, 0.03])
def test_profiles_reach_the_middle_of_a_sphere(fourier):
    """Crank 1975, eqs 6.18 and 6.19."""
    x, n = np.array([1e-6, 0.01, 0.1, 0.5, 0.9]), np.arange(1, 300)
    terms = (-1.0) ** n * np.sinc(n * x[:, None]) * np.exp(-((n * np.pi) ** 2) * fourier)
    run = run_layer(Body("sphere", A), [Stage(fourier * SCALE_S, D, 1.0, 1.0)], profile_at=x)
    assert run.profile_kg_per_m3[-1, :, 0] == pytest.approx(1.0 + 2.0 * terms.sum(axis=1), abs=5e-6)


@pytest.mark.parametrize("bore", [5e-4, 2e-5])
def test_a_profile_does_not_change_a_wall_with_hardly_a_bore(bore):
    body = Body("tube", A, A / (1.0 - bore), "outer")
    stages = [Stage(0.01 * SCALE_S, D, 1.0, 1.0), Stage(0.1 * SCALE_S, D, 1.0)]
    with_profile = run_layer(body, stages, profile_at=[0.5]).mean_kg_per_m3
    assert with_profile == pytest.approx(run_layer(body, stages).mean_kg_per_m3, abs=1e-7)


@pytest.mark.parametrize("shape", ["sheet", "tube", "rod", "sphere"])
def test_only_fourier_and_biot_numbers_count(shape):
    """Similarity of the diffusion equation (Crank 1975, ch. 1 and 4).

    Twice the size at four times the duration and half the transfer; ratio times transfer."""
    for size, ratio in ((2.0, 1.0), (1.0, 7.0), (3.0, 20.0)):
        runs = [
            run_layer(
                Body(shape, s * A, 2 * s * A, "outer"),
                [Stage(s**2 * t, D, k, gas, None, 1e-7 * k / s) for t, gas in ((1e4, 1), (5e4, 0))],
            ).mean_kg_per_m3[:, 0] / k
            for s, k in ((1.0, 1.0), (size, ratio))
        ]  # fmt: skip
        assert runs[1] == pytest.approx(runs[0], rel=1e-9)


def test_a_sheet_of_two_like_faces_is_two_halves():
    stages = [Stage(2e4, D, 3.0, 1.0, 0.5, 1e-7, 1e-7), Stage(1e4, D, 3.0, 0.0, None, 1e-6, 1e-6)]
    whole = run_layer(Body("sheet", 2 * A), stages)
    half = run_layer(Body("sheet", A, open_faces="outer"), stages)
    # The same numbers in two arrays, nearly: then both faces are carried apart.
    apart = [Stage(s.duration_s, D, 3.0, s.gas_start_kg_per_m3, s.gas_end_kg_per_m3,
                   s.transfer_outer_m_per_s, s.transfer_outer_m_per_s * (1 + 1e-12))
             for s in stages]  # fmt: skip
    two = run_layer(Body("sheet", 2 * A), apart)
    assert half.mean_kg_per_m3 == pytest.approx(whole.mean_kg_per_m3, rel=1e-9)
    assert two.mean_kg_per_m3 == pytest.approx(whole.mean_kg_per_m3, rel=1e-6)
    assert two.gained_outer_kg_per_m3 == pytest.approx(two.gained_inner_kg_per_m3, rel=1e-6)


def test_what_does_not_move_stays():
    closed = run_layer(Body("sheet", A), [Stage(1e5, D, 3.0, 1.0, None, 0.0, 0.0)],
                       start_kg_per_m3=0.7)  # fmt: skip
    assert closed.mean_kg_per_m3[:, 0] == pytest.approx([0.7, 0.7], rel=1e-12)
    # One sample that cannot diffuse, one that can, one behind a closed face.
    run = run_layer(
        Body("sheet", A, open_faces="outer"),
        [Stage(1e5, np.array([0.0, D, D]), 3.0, 1.0, None, np.array([np.inf, np.inf, 0.0]))],
        start_kg_per_m3=0.7,
    )
    assert run.mean_kg_per_m3[-1, [0, 2]] == pytest.approx([0.7, 0.7], rel=1e-9)
    assert run.mean_kg_per_m3[-1, 1] > 2.0


stage_rows = st.lists(
    st.tuples(
        st.floats(-4.0, 1.0), st.floats(-1.0, 1.0), st.floats(-3.0, 4.0),
        st.sampled_from([0.0, 0.2, 1.0]),
    ),
    min_size=1, max_size=4,
)  # fmt: skip
bodies = st.sampled_from(
    [Body("sheet", A), Body("sheet", A, open_faces="inner"), Body("tube", A, 1.3 * A, "outer"),
     Body("tube", A, 4 * A, "both"), Body("rod", A), Body("sphere", A), Body("lumped", A)]
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(bodies, stage_rows, st.floats(0.0, 3.0))
def test_never_below_nothing_nor_above_the_highest_level(body, rows, start):
    stages = [
        Stage(10**f * SCALE_S, D * 10**d, 3.0, gas, None, 10**b * D / A, 10**b * D / A,
              output_times_s=(0.02 * 10**f * SCALE_S, 0.5 * 10**f * SCALE_S))
        for f, d, b, gas in rows
    ]  # fmt: skip
    mean = run_layer(body, stages, start_kg_per_m3=start).mean_kg_per_m3
    most = max(start, *(3.0 * gas for _, _, _, gas in rows))
    assert mean.min() >= 0.0
    assert mean.max() <= most + 1e-9 * max(most, 1.0)
    row = 0
    for _, _, _, gas in rows:
        # Towards the level of its gas, never away from it.
        steps = np.diff(mean[row : row + 4, 0])
        if gas == 0.0:
            assert steps.max() <= 1e-9
        if gas == 1.0:
            assert steps.min() >= -1e-9 or start > 3.0
        row += 3


@settings(max_examples=30, deadline=None)
@given(bodies, stage_rows)
def test_splitting_a_stage_changes_nothing(body, rows):
    def stage(f, d, b, gas, part, nearly=0.0):
        h = 10**b * D / A
        return Stage(part * 10**f * SCALE_S, D * 10**d * (1.0 + nearly), 3.0, gas, None, h, h)

    whole = run_layer(body, [stage(*row, 1.0) for row in rows]).mean_kg_per_m3
    most = max(3.0 * row[3] for row in rows)
    # Stages that are alike are joined again; nearly alike, the profile is carried over.
    for nearly in (0.0, 1e-12):
        parts = [stage(*row, *part) for row in rows for part in ((0.3,), (0.7, nearly))]
        split = run_layer(body, parts).mean_kg_per_m3
        assert split[::2] == pytest.approx(whole, abs=1e-6 * most + 1e-15)


def test_stages_that_are_alike_are_joined_and_their_outputs_stay():
    """Where gas, temperature or a branch sets them apart they are not."""
    rise = np.array([1.0, 2.0])
    stages = [
        Stage(10.0 * rise, D, 3.0, 1.0),
        Stage(20.0 * rise, D, 3.0, 1.0, 1.0, output_times_s=(5.0,)),
        Stage(30.0, D, 3.0, 1.0, 0.0), Stage(40.0, D, 3.0), Stage(50.0, D, 3.0),
        Stage(60.0, D, 3.0), Stage(70.0, 2 * D, 3.0), Stage(80.0, 2 * D, 3.0, after=4),
        Stage(90.0, 2 * D, 3.0),
    ]  # fmt: skip
    (found,) = joined(stages)
    assert [s.after for s in found] == [None, None, None, None, None, 2]
    assert [len(s.output_times_s) for s in found] == [2, 0, 1, 0, 0, 1]
    assert found[0].duration_s == pytest.approx(30.0 * rise)
    ends = np.stack([10.0 * rise, 10.0 * rise + 5.0])
    assert np.stack(found[0].output_times_s) == pytest.approx(ends)
    assert [s.duration_s for s in found[1:]] == [30.0, 90.0, 60.0, 70.0, 170.0]
    nearly = [replace(s, diffusivity_m2_per_s=s.diffusivity_m2_per_s * (1.0 + i * 1e-12))
              for i, s in enumerate(stages)]  # fmt: skip
    body = Body("tube", A, 1.3 * A, "outer")
    whole, apart = (run_layer(body, s) for s in (stages, nearly))
    assert whole.stage_index == (0, 0, 1, 1, 2, 3, 4, 5, 6, 7, 8)
    for name in ("time_s", "mean_kg_per_m3", "gained_outer_kg_per_m3"):
        assert getattr(whole, name) == pytest.approx(getattr(apart, name), rel=1e-6)


@settings(max_examples=30, deadline=None)
@given(bodies, stage_rows, st.floats(-2.0, 3.0))
def test_linear_in_the_ratio_at_one_biot_number(body, rows, power):
    """Twice the ratio and twice the transfer: twice as much everywhere (Crank 1975, ch. 3)."""

    def run(ratio):
        stages = [
            Stage(10**f * SCALE_S, D * 10**d, ratio, gas, None, *[10**b * D / A * ratio] * 2)
            for f, d, b, gas in rows
        ]  # fmt: skip
        return run_layer(body, stages).mean_kg_per_m3 / ratio

    assert run(10**power) == pytest.approx(run(1.0), rel=1e-9, abs=1e-12)


def test_runs_side_by_side_equal_runs_in_turn():
    """The same bits whoever else runs at the time; also in a process that was forked."""
    samples = 3000
    d = D * np.random.default_rng(2).lognormal(0.0, 0.5, samples)
    bodies = [Body("sheet", A * (1.0 + 0.1 * i)) for i in range(6)]
    stages = [Stage(2e4, d, 3.0, 1.0), Stage(3e4, d, 4.0, 0.0)]

    def last(body):
        return run_layer(body, stages).mean_kg_per_m3[-1].tobytes()

    in_turn = [last(body) for body in bodies]
    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(last, bodies)) == in_turn
    with multiprocessing.get_context("fork").Pool(1) as pool:
        found = pool.apply_async(run_layer, (bodies[0], stages)).get(timeout=60)
    assert found.mean_kg_per_m3[-1].tobytes() == in_turn[0]


def random_stages(rng, d, *, apart):
    """Some stages of Fourier numbers 1e-4 to 10 and Biot numbers 1e-3 to infinity."""
    stages = []
    for k in range(rng.integers(1, 7)):
        seconds = 10 ** rng.uniform(-4.0, 1.0) * A**2 / np.median(d)
        biot = np.inf if rng.random() < 0.2 else 10 ** rng.uniform(-3.0, 5.0)
        h = biot * d / A
        gas = 0.6 if k == 0 else rng.choice([0.0, 0.0, 0.6])
        loss = 0.0 if rng.random() < 0.8 else 10 ** rng.uniform(-2.0, 1.0) / seconds
        stages.append(Stage(
            seconds, d * 10 ** rng.uniform(-0.5, 0.5), rng.uniform(1.0, 30.0), gas,
            None if rng.random() < 0.6 else 0.3 * gas, h,
            h * 10 ** rng.uniform(-2.0, 2.0) if apart else h, loss,
            tuple(seconds * np.array([0.01, 0.1, 0.5])),
        ))  # fmt: skip
    return stages


@pytest.mark.slow
def test_few_modes_err_as_little_as_asked_on_any_way():
    """Beside the many modes that profiles take, each output by poles of its own.

    At most 1e-6 of the largest amount, and 1e-3 of what is left down to 1e-6 of that.
    """
    rng = np.random.default_rng(20261129)
    bodies = [Body("sheet", A), Body("sheet", A, open_faces="outer"), Body("rod", A),
              Body("sphere", A), Body("tube", A, 1.02 * A, "outer"), Body("tube", A, 3 * A),
              Body("tube", A, 30 * A, "both")]  # fmt: skip
    for case in range(42):
        body = bodies[case % len(bodies)]
        spread = 2.5 if case % 2 else 0.3  # of D, in decades
        d = 10 ** (rng.uniform(-14.0, -9.0) + spread * rng.uniform(-1.0, 1.0, 12))
        stages = random_stages(rng, d, apart=body.open_faces == "both")
        few = run_layer(body, stages).mean_kg_per_m3
        many = run_layer(body, stages, profile_at=[0.5]).mean_kg_per_m3
        most = many.max(axis=0)
        assert np.max(np.abs(few - many) / most) < 1e-6
        some = many > 1e-6 * most
        assert np.max(np.abs(few[some] / many[some] - 1.0)) < 1e-3
