"""One layer against exact laws of diffusion, over bodies, Biot and Fourier numbers."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import erfcx, j0, j1, jn_zeros, y0, y1

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.layer_basis import basis_for

D, A = 1e-11, 1e-3  # diffusivity [m2/s]; thickness or radius [m]
SCALE_S = A**2 / D
TERMS = 2500


def roots(shape, biot):
    """Roots of a sheet closed behind, a rod and a sphere (Crank 1975, ch. 4 to 6)."""
    k = np.arange(TERMS)
    if shape == "sheet":
        if biot == np.inf:
            return (k + 0.5) * np.pi
        ends = k * np.pi + 1e-13, (k + 0.5) * np.pi

        def law(b):
            return b * np.sin(b) - biot * np.cos(b)

    elif shape == "sphere":
        if biot == np.inf:
            return (k + 1) * np.pi
        ends = k * np.pi + 1e-9, (k + 1) * np.pi - 1e-12

        def law(b):
            return b * np.cos(b) - (1.0 - biot) * np.sin(b)

    else:
        if biot == np.inf:
            return jn_zeros(0, TERMS)
        ends = np.concatenate([[1e-9], jn_zeros(1, TERMS - 1)]), jn_zeros(0, TERMS)

        def law(b):
            return b * j1(b) - biot * j0(b)

    return np.array([brentq(law, a, b, xtol=1e-14, rtol=1e-14) for a, b in zip(*ends, strict=True)])


def weights(shape, biot, b):
    """Weight of each term in the mean of a body that starts even; they add up to 1."""
    space = {"sheet": 1, "rod": 2, "sphere": 3}[shape]
    if biot == np.inf:
        return 2.0 * space / b**2
    return 2.0 * space * biot**2 / (b**2 * (b**2 + biot**2 + biot * (2 - space)))


BIOTS = [1e-3, 0.05, 1.0, 20.0, 1e3, np.inf]
FOURIER = np.array([1e-4, 3e-4, 1e-3, 1e-2, 0.05, 0.3, 1.0, 3.0, 10.0])


# Crank, The Mathematics of Diffusion, 2nd ed. 1975: series of the plane sheet, cylinder and
# sphere with and without surface resistance (eqs 4.18, 4.53, 5.23, 5.49, 6.20, 6.43).
@pytest.mark.parametrize("biot", BIOTS)
@pytest.mark.parametrize("shape", ["sheet", "rod", "sphere"])
def test_exposure_and_aeration_equal_the_series(shape, biot):
    b = roots(shape, biot)
    w = weights(shape, biot, b)
    h = np.inf if biot == np.inf else biot * D / A
    exposures = np.array([1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0])
    stages = [
        Stage(exposures * SCALE_S, D, 1.0, 1.0, None, h, h),
        Stage(FOURIER[-1] * SCALE_S, D, 1.0, 0.0, None, h, h,
              output_times_s=tuple(FOURIER[:-1] * SCALE_S)),
    ]  # fmt: skip
    got = run_layer(Body(shape, A, open_faces="outer"), stages).mean_kg_per_m3
    decays = np.exp(-np.outer(np.concatenate([[0.0], FOURIER]), b**2))
    for i, exposed in enumerate(exposures):
        left = decays @ (w * -np.expm1(-(b**2) * exposed))
        left[0] = 1.0 - np.sum(w * np.exp(-(b**2) * exposed))
        error = np.abs(got[1:, i] - left)
        assert error.max() <= 1e-6 * left[0]
        some = left > 1e-6 * left[0]
        assert (error[some] / left[some]).max() <= 1e-3


@pytest.mark.parametrize("fourier", [1e-12, 1e-9, 1e-6])
@pytest.mark.parametrize("shape", ["sheet", "rod", "sphere"])
def test_a_skin_of_a_thick_part(shape, fourier):
    """Short-time forms: Crank 1975, eqs 4.20 and 6.22; the rod to the same order.

    m sqrt(Fo) 2 / sqrt(pi) less the curvature, m the space dimension.
    """
    space = {"sheet": 1, "rod": 2, "sphere": 3}[shape]
    run = run_layer(Body(shape, A, open_faces="outer"), [Stage(fourier * SCALE_S, D, 1.0, 1.0)])
    taken = 2.0 * space * np.sqrt(fourier / np.pi) - 0.5 * space * (space - 1) * fourier
    assert run.mean_kg_per_m3[-1, 0] == pytest.approx(taken, rel=2e-6)


@pytest.mark.parametrize("shape", ["sheet", "tube", "rod", "sphere"])
def test_the_skin_law(shape):
    """What is left of a thin skin is sqrt(1 + s) - sqrt(s), 0.2361 at s = 4.

    Two exposures of a half space (Crank 1975, eq 3.15) laid over each other.
    """
    body = Body(shape, 3e-3, 9e-3, "outer")
    # A few micrometres in 3 mm: dry polyamide at 50 C, 3 h and 12 h. Round bodies differ by
    # the curvature of the skin, its depth over the radius.
    run = run_layer(body, [Stage(10800, 2e-15, 5.0, 1.0), Stage(43200, 2e-15, 5.0, 0.0)])
    left = run.mean_kg_per_m3[2, 0] / run.mean_kg_per_m3[1, 0]
    depth = np.sqrt(2e-15 * 54000) / 3e-3
    assert left == pytest.approx(np.sqrt(5.0) - 2.0, rel=1e-6 if shape == "sheet" else 2 * depth)


@pytest.mark.parametrize("transfer", [1e-12, 1e-10, 1e-8, 1e-6])
def test_a_skin_behind_a_resistance(transfer):
    """Half space with surface resistance: Crank 1975, eq 3.36, per unit of outside level."""
    d, seconds = 1e-15, 5000.0
    x = transfer * np.sqrt(seconds / d)
    taken = d / transfer * (erfcx(x) - 1.0 + 2.0 * x / np.sqrt(np.pi)) / A
    run = run_layer(
        Body("sheet", A, open_faces="outer"),
        [Stage(seconds, d, 1.0, 1.0, transfer_outer_m_per_s=transfer)],
    )
    assert run.mean_kg_per_m3[-1, 0] == pytest.approx(taken, rel=1e-6)


def test_gas_that_rises_evenly():
    """Sheet with surface level k t: exact series (Crank 1975, eq 4.27, mean of the sheet)."""
    fourier = 0.3
    n = np.arange(4000)
    b = (n + 0.5) * np.pi
    mean = fourier - np.sum(2.0 / b**4 * -np.expm1(-(b**2) * fourier))
    stage = Stage(fourier * SCALE_S, D, 2.0, 0.0, fourier,
                  output_times_s=(0.5 * fourier * SCALE_S,))  # fmt: skip
    run = run_layer(Body("sheet", A, open_faces="outer"), [stage])
    assert run.mean_kg_per_m3[-1, 0] == pytest.approx(2.0 * mean, rel=1e-7)
    half = 0.5 * fourier - np.sum(2.0 / b**4 * -np.expm1(-(b**2) * 0.5 * fourier))
    assert run.mean_kg_per_m3[1, 0] == pytest.approx(2.0 * half, rel=1e-7)


def test_a_lumped_body_is_one_exponential():
    """Well mixed: c' = h A / V (K gas - c) / K - k c, closed form."""
    h, size, ratio, loss, seconds = 2e-6, 4e-3, 30.0, 1e-5, 3e4
    run = run_layer(Body("lumped", size),
                    [Stage(seconds, 0.0, ratio, 0.5, None, h, loss_per_s=loss)])  # fmt: skip
    rate = h / size / ratio + loss
    level = 0.5 * h / size / rate
    assert run.mean_kg_per_m3[-1, 0] == pytest.approx(level * -np.expm1(-rate * seconds), rel=1e-9)
    at_once = run_layer(Body("lumped", size), [Stage(1.0, 0.0, ratio, 0.5)])
    assert at_once.mean_kg_per_m3[-1, 0] == pytest.approx(15.0, rel=1e-9)


TUBES = json.loads((Path(__file__).resolve().parents[1] / "data" / "layer_tubes.json").read_text())


# Hollow cylinder (Crank 1975, ch. 5), its transform inverted with 25 digits by mpmath; the
# call stands in the file.
@pytest.mark.parametrize(
    "case", TUBES["cases"], ids=lambda c: f"{c['faces']}-{c['inner_over_outer']}"
)
def test_tube_walls_equal_the_hollow_cylinder(case):
    times = np.array(TUBES["fourier"]) * SCALE_S
    stage = Stage(times[-1], D, 1.0, 1.0, transfer_inner_m_per_s=TUBES["inner_biot"] * D / A,
                  output_times_s=tuple(times[:-1]))  # fmt: skip
    # Many curvatures at once, as in a sampled run, and the one asked for among them; and alone.
    inner = np.array([case["inner_over_outer"], 0.3, 0.77])
    together = run_layer(Body("tube", A, A / (1.0 - inner), case["faces"]), [stage])
    alone = run_layer(Body("tube", A, A / (1.0 - inner[0]), case["faces"]), [stage])
    for run in (together, alone):
        assert run.mean_kg_per_m3[1:, 0] == pytest.approx(case["taken_up"], abs=1e-7)


def _bore_roots(inner, outer, count):
    """Roots of the annulus that is at zero inside and closed outside."""

    def seen(root):
        return j0(root * inner) * y1(root * outer) - y0(root * inner) * j1(root * outer)

    grid = np.arange(1e-3, 4.0 * count, 0.02)
    change = np.flatnonzero(np.diff(np.sign(seen(grid))))[:count]
    return np.array([brentq(seen, grid[i], grid[i + 1], xtol=1e-14) for i in change])


@pytest.mark.parametrize("inner_over_outer", [0.07, 0.015, 0.006, 0.0025, 0.0015])
def test_what_a_narrow_bore_lets_out(inner_over_outer):
    """No resistance in the bore: Bessel series of the annulus (Crank 1975, ch. 5), 12 roots."""
    outer = 1.0 / (1.0 - inner_over_outer)
    inner, fourier = outer - 1.0, np.array([0.1, 1.0, 10.0])
    root = _bore_roots(inner, outer, 12)
    share = j1(root * outer) ** 2 / (j0(root * inner) ** 2 - j1(root * outer) ** 2)
    share *= 4.0 / (root**2 * (outer**2 - inner**2))
    left = np.exp(-np.outer(fourier, root**2)) @ share
    times = fourier * SCALE_S
    stage = Stage(times[-1], D, 1.0, output_times_s=tuple(times[:-1]))
    for radius in (outer, np.array([outer, 1.3, 4.0])):
        run = run_layer(Body("tube", A, A * radius, "inner"), [stage], start_kg_per_m3=1.0)
        assert run.mean_kg_per_m3[1:, 0] == pytest.approx(left, abs=1e-6)


@pytest.mark.parametrize(("faces", "ratio"), [("outer", 1.30), ("inner", 0.75)])
def test_first_rate_of_a_tube_open_on_one_face(faces, ratio):
    """Outer over inner diameter 2, against the sheet of the wall: first root of the annulus.

    J and Y of order 0 and 1 (Crank 1975, ch. 5, hollow cylinder), solved here: 1.30 and 0.75.
    """
    times = (0.8 * SCALE_S, 1.2 * SCALE_S)
    rates = []
    for body in (Body("tube", A, 2 * A, faces), Body("sheet", A, open_faces=faces)):
        stage = Stage(times[1], D, 1.0, output_times_s=times[:1])
        first, last = run_layer(body, [stage], start_kg_per_m3=1.0).mean_kg_per_m3[1:, 0]
        rates.append(np.log(first / last))
    assert rates[0] / rates[1] == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize("curvature", [0.999, 0.9999, 1.0])
def test_a_tube_of_hardly_a_bore_is_a_rod(curvature):
    """The bore that is missing is at most a millionth of the volume."""
    stages = [Stage(10800.0, 1e-11, 18.0, 0.0, 0.6, 1e-3),
              Stage(4e4, 1e-11, 20.0, transfer_outer_m_per_s=1e-3)]  # fmt: skip
    rod = run_layer(Body("rod", 2e-3), stages).mean_kg_per_m3
    tube = run_layer(Body("tube", curvature * 2e-3, 2e-3, "outer"), stages).mean_kg_per_m3
    assert tube == pytest.approx(rod, rel=3e-6)


@pytest.mark.parametrize("faces", ["outer", "both"])
def test_tubes_of_many_sizes_and_speeds_equal_each_alone(faces):
    """A skin of a glass beside a rubber that is empty at once, over eight decades."""
    samples = 60
    rng = np.random.default_rng(6)
    d = np.geomspace(1e-17, 1e-9, samples)
    wall, curvature = 1e-3 * rng.uniform(0.5, 2.0, samples), rng.uniform(0.03, 0.97, samples)
    h = 10 ** rng.uniform(-1.0, 4.0, samples) * d / wall

    def run(here):
        stages = [Stage(seconds, d[here], 3.0, gas, None, h[here], 0.3 * h[here],
                        output_times_s=(0.01 * seconds,))
                  for seconds, gas in ((10800.0, 0.6), (600.0, 0.05), (4e5, 0.0))]  # fmt: skip
        body = Body("tube", wall[here], wall[here] / curvature[here], faces)
        return run_layer(body, stages).mean_kg_per_m3

    together = run(slice(None))
    for sample in range(0, samples, 4):
        alone = run(sample)[:, 0]
        assert together[:, sample] == pytest.approx(alone, abs=1e-6 * alone.max())


@pytest.mark.parametrize("slowest", [1e-10, 1e-12, 1e-14, 1e-18])
@pytest.mark.parametrize(("shape", "faces"), [("sheet", "outer"), ("sheet", "both"),
                                              ("tube", "both")])  # fmt: skip
def test_a_fast_sample_keeps_its_digits_beside_a_slow_one(shape, faces, slowest):
    """Samples do not know of each other (no source needed), whatever they differ by."""

    def run(share):
        d = D * np.asarray(share)
        stages = [Stage(fourier * SCALE_S, d, 5.0, gas, None, 1e4 * d / A, inner * d / A)
                  for fourier, gas, inner in ((1e-4, 1.0, 2.0), (1e-2, 0.0, 2.0), (1.0, 0.0, 1e6))
        ]  # fmt: skip
        return run_layer(Body(shape, A, 2.0 * A, faces), stages).mean_kg_per_m3[:, 0]

    alone = run([1.0])
    assert run([1.0, 1e4 * slowest]) == pytest.approx(alone, abs=1e-6 * alone.max())


# Of sixteen decades the rounding of the fastest modes leaves the slow ones two digits.
@pytest.mark.parametrize(("first", "error"), [(1e-8, 1e-7), (1e-10, 1e-7), (1e-12, 1e-6),
                                              (1e-14, 0.02), (1e-16, 0.02)])  # fmt: skip
def test_tubes_with_a_bore_have_modes_over_any_range_of_times(first, error):
    """Sum of the squares at the outer face over rate + p: what holds back a flux at one rate.

    As from the modes of a short range of times, for p of one.
    """
    for curvature in np.linspace(0.05, 0.95, 10):
        wide, short = (
            basis_for("tube", ("outer", "inner"), low, 3.0, curvature=np.array([curvature]))
            for low in (first, 1e-5)
        )
        held = [np.sum(b.outer**2 / (b.rate + 1.0)) for b in (wide, short)]
        assert held[0] == pytest.approx(held[1], rel=error)
