"""Two layers face to face, and layers that share their air, against exact solutions."""

import numpy as np
import pytest
from scipy.linalg import expm

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.shared_air import SharedAir, SharedPart, run_shared_air
from eo_risk.physics.two_layers import run_two_layers

D, A = 1e-11, 1e-3  # diffusivity [m2/s]; thickness [m]
SCALE_S = A**2 / D


def volumes(shape, outer_radius, first, second):
    """Volumes of an outer and an inner layer, in any unit."""
    if shape == "sheet":
        return np.array([first, second])
    edges = outer_radius - np.array([0.0, first, first + second])
    return edges[:-1] ** 2 - edges[1:] ** 2


@pytest.mark.parametrize("shape", ["sheet", "tube"])
@pytest.mark.parametrize("cut", [0.05, 0.5])
def test_two_layers_of_one_material_are_one_layer(shape, cut):
    rows = [(2e4, 2.0, 1.0, 1e-6, 3e-8, 1e-5), (8e4, 3.0, 0.0, 1e-7, 1e-6, 2e-6)]
    stages = [Stage(t, D, k, g, 0.5 * g, o, i, loss, (0.1 * t, 0.6 * t))
              for t, k, g, o, i, loss in rows]  # fmt: skip
    radius, first = 2.2 * A, cut * A
    one = run_layer(Body(shape, A, radius), stages, start_kg_per_m3=0.1)
    two = run_two_layers(
        Body(shape, first, radius), Body(shape, A - first, radius - first), stages, stages,
        start_outer_kg_per_m3=0.1, start_inner_kg_per_m3=0.1,
    )  # fmt: skip
    share = volumes(shape, radius, first, A - first)
    share = share / share.sum()
    held = share[0] * two.outer_kg_per_m3 + share[1] * two.inner_kg_per_m3
    made = share[0] * two.outer_product_kg_per_m3 + share[1] * two.inner_product_kg_per_m3
    most = one.mean_kg_per_m3.max()
    assert held == pytest.approx(one.mean_kg_per_m3, abs=1e-6 * most)
    assert made == pytest.approx(one.product_kg_per_m3, abs=1e-6 * most)
    assert share[0] * two.gained_outer_kg_per_m3 == pytest.approx(
        one.gained_outer_kg_per_m3, abs=1e-6 * most
    )


@pytest.mark.parametrize("shape", ["sheet", "tube"])
def test_two_layers_lose_nothing(shape):
    rng = np.random.default_rng(3)
    d = D * np.exp(rng.normal(0.0, 1.0, (2, 5)))
    ratio = np.exp(rng.normal(1.0, 1.0, (2, 5)))
    seconds, gas = (2e4, 5e4), (1.0, 0.0)
    stages = [
        [Stage(t, d[i], ratio[i], g, None, 1e-6, 1e-8, 1e-6, (0.4 * t,))
         for t, g in zip(seconds, gas, strict=True)]
        for i in range(2)
    ]  # fmt: skip
    radius, walls = 4 * A, (0.3 * A, 1.5 * A)
    run = run_two_layers(
        Body(shape, walls[0], radius), Body(shape, walls[1], radius - walls[0]), *stages,
        interface_transfer_m_per_s=1e-7, start_inner_kg_per_m3=0.5,
    )  # fmt: skip
    outer = run.outer_kg_per_m3 + run.outer_product_kg_per_m3 - run.gained_outer_kg_per_m3
    inner = (
        run.inner_kg_per_m3 + run.inner_product_kg_per_m3
        - run.gained_inner_kg_per_m3 - run.passed_kg_per_m3
    )  # fmt: skip
    # What the inner layer took, the outer one gave: checked on the whole.
    share = volumes(shape, radius, *walls)
    whole = share[0] * outer + share[1] * (inner + run.passed_kg_per_m3)
    most = (share[0] * run.outer_kg_per_m3 + share[1] * run.inner_kg_per_m3).max()
    assert np.abs(inner - inner[0]).max() <= 1e-9 * run.inner_kg_per_m3.max()
    assert np.abs(whole - whole[0]).max() <= 1e-9 * most


def test_a_coating_that_only_resists():
    """A thin skin that holds nothing is a resistance of thickness / (D ratio) on the gas side
    (layers in series: Crank 1975, ch. 12)."""
    thin, d_skin, ratio_skin = 1e-6, 1e-11, 1e-5
    h = d_skin * ratio_skin / thin
    core = [Stage(5e4, D, 2.0, 1.0)]
    two = run_two_layers(Body("sheet", thin), Body("sheet", A, open_faces="outer"),
                         [Stage(5e4, d_skin, ratio_skin, 1.0)], core)  # fmt: skip
    one = run_layer(Body("sheet", A, open_faces="outer"), [Stage(5e4, D, 2.0, 1.0, None, h)])
    assert two.inner_kg_per_m3[-1] == pytest.approx(one.mean_kg_per_m3[-1], rel=1e-5)


def test_an_interface_may_resist_or_close():
    core = [Stage(5e4, D, 2.0, 1.0)]
    skin = [Stage(5e4, 1e-6, 2.0, 1.0)]
    h = 3e-9

    def inner_level(transfer):
        run = run_two_layers(
            Body("sheet", 1e-6), Body("sheet", A, open_faces="outer"), skin, core,
            interface_transfer_m_per_s=transfer,
        )  # fmt: skip
        return run.inner_kg_per_m3[-1, 0]

    one = run_layer(Body("sheet", A, open_faces="outer"), [Stage(5e4, D, 2.0, 1.0, None, h)])
    assert inner_level(h) == pytest.approx(one.mean_kg_per_m3[-1, 0], rel=1e-6)
    assert inner_level(0.0) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("share", [0.1, 0.47, 0.9])
def test_a_column_filled_part_way(share):
    """A column filled from its mouth to a share of it, closed behind, then open to clean air.

    Exact: cosine series of the step, each term dying with its own rate (Crank 1975, ch. 2).
    """
    n = np.arange(3000)
    b = (n + 0.5) * np.pi
    # Distance x from the closed end; filled from 1 - share to 1, open at 1.
    amount = 2.0 / b * (np.sin(b) - np.sin(b * (1.0 - share)))
    times = np.array([0.01, 0.1, 0.5]) * SCALE_S
    expected = [
        np.sum(amount * np.sin(b) / b * np.exp(-(b**2) * t / SCALE_S)) for t in times
    ]  # fmt: skip
    column = [Stage(times[-1], D, 1.0, 0.0, output_times_s=tuple(times[:-1]))]
    run = run_two_layers(
        Body("sheet", A), Body("sheet", A, open_faces="outer"), column, [Stage(times[-1], D, 1.0)],
        interface_transfer_m_per_s=0.0, start_outer_kg_per_m3=1.0, outer_start_share=share,
    )  # fmt: skip
    assert run.outer_kg_per_m3[0] == pytest.approx(share, abs=1e-9)
    assert run.outer_kg_per_m3[1:, 0] == pytest.approx(expected, abs=2e-6)


def test_part_and_air_are_two_boxes():
    """A well-mixed part in well-mixed air: matrix exponential of two boxes (scipy).

    A third row sums the level of the air over the time.
    """
    volume, free, ratio, h, size = 1e-3, 0.1, 20.0, 1e-5, 1e-3
    times = np.array([100.0, 1000.0, 3600.0])
    for changes in (0.0, 2 / 3600, 0.1):
        out = h / size * np.array([1.0 / ratio, -1.0])
        matrix = np.zeros((3, 3))
        matrix[:2, :2] = -out, volume / free * out - np.array([0.0, changes])
        matrix[2, 1] = 1.0
        stage = Stage(times[-1], 0.0, ratio, transfer_outer_m_per_s=h,
                      output_times_s=tuple(times[:-1]))  # fmt: skip
        run = run_shared_air([SharedPart(Body("lumped", size), [stage], volume, 5.0)],
                             [SharedAir(free, changes, 0.0)])  # fmt: skip
        expected = np.array([expm(matrix * t) @ [5.0, 0.0, 0.0] for t in times])
        assert run.mean_kg_per_m3[0, 1:, 0] == pytest.approx(expected[:, 0], rel=1e-8)
        assert run.air_kg_per_m3[1:, 0] == pytest.approx(expected[:, 1], rel=1e-8)
        assert run.air_total_kg_s_per_m3[1:, 0] == pytest.approx(expected[:, 2], rel=1e-8)


def load(samples=4):
    """A few unlike parts through an exposure, a wash and two aerations. Invented."""
    rng = np.random.default_rng(1)
    parts = []
    for shape, volume in (("sheet", 1e-4), ("tube", 4e-4), ("rod", 2e-5), ("lumped", 1e-4)):
        d = D * np.exp(rng.normal(0.0, 1.0, samples))
        ratio, h = 20.0 * np.exp(rng.normal(0.0, 0.3, samples)), 1e-4
        stages = [Stage(10800, d, ratio, 0.6, None, h, h), Stage(600, d, ratio, 0.1, 0.0, h, h)]
        stages += [Stage(4 * 3600, d, 1.3 * ratio, 0.0, None, h, h, 0.0, (3600.0, 7200.0))] * 2
        parts.append(SharedPart(Body(shape, A, 3 * A, "outer"), stages, volume))
    return parts


def test_what_leaves_the_parts_is_in_the_air_or_carried_out():
    parts = load()
    run = run_shared_air(parts, [None, None, SharedAir(0.3, 2 / 3600, 0.0), SharedAir(0.3, 0.0)])
    held = sum(m * p.volume_m3 for m, p in zip(run.mean_kg_per_m3, parts, strict=True))
    whole = held + 0.3 * run.air_kg_per_m3 + run.carried_out_kg
    assert np.abs(whole[2:] / whole[2] - 1.0).max() <= 1e-9
    # The prescribed stages are those of each part alone.
    for mean, part in zip(run.mean_kg_per_m3, parts, strict=True):
        alone = run_layer(part.body, part.stages[:2]).mean_kg_per_m3
        assert mean[:3] == pytest.approx(alone, rel=1e-6)
    # Without fresh air nothing more is carried out, and the air only fills.
    assert run.carried_out_kg[5:] == pytest.approx(run.carried_out_kg[5:6].repeat(4, axis=0))
    assert np.all(np.diff(run.air_kg_per_m3[5:], axis=0) > 0.0)


def test_much_fresh_air_is_clean_air():
    parts = load()
    run = run_shared_air(parts, [None, None, *[SharedAir(0.3, 1e6, 0.0)] * 2])
    for mean, part in zip(run.mean_kg_per_m3, parts, strict=True):
        alone = run_layer(part.body, part.stages).mean_kg_per_m3
        assert mean == pytest.approx(alone, abs=1e-6 * alone.max())


def test_still_air_ends_in_equilibrium():
    """At last every part and the air agree: the level follows from capacities alone (balance)."""
    ratios, sizes, free, start = (20.0, 3.0), (1e-4, 5e-4), 0.02, 2.0
    parts = [
        SharedPart(Body("sheet", A), [Stage(1e9, D, k, 0.0, None, 1e-6, 1e-6)], v, start)
        for k, v in zip(ratios, sizes, strict=True)
    ]
    run = run_shared_air(parts, [SharedAir(free, 0.0, 0.0)])
    level = start * sum(sizes) / (free + sum(k * v for k, v in zip(ratios, sizes, strict=True)))
    assert run.air_kg_per_m3[-1, 0] == pytest.approx(level, rel=1e-8)
    for mean, k in zip(run.mean_kg_per_m3, ratios, strict=True):
        assert mean[-1, 0] == pytest.approx(k * level, rel=1e-8)


def test_a_heavy_part_slows_its_neighbours_and_draws_a_chamber_down():
    light, *_ = load()
    heavy = SharedPart(light.body, light.stages, 2e-2)
    airs = [SharedAir(0.14, 0.0, 0.6), None, *[SharedAir(0.3, 0.5 / 3600, 0.0)] * 2]
    alone, beside = run_shared_air([light], airs), run_shared_air([light, heavy], airs)
    # In the chamber the heavy part takes gas away from the light one ...
    assert np.all(beside.air_kg_per_m3[1] < 0.9 * alone.air_kg_per_m3[1])
    assert np.all(beside.mean_kg_per_m3[0, 1] < alone.mean_kg_per_m3[0, 1])
    # ... and in the aerator it holds the light one back.
    left = [r.mean_kg_per_m3[0, -1] / r.mean_kg_per_m3[0, 2] for r in (alone, beside)]
    assert np.all(left[1] > 1.1 * left[0])


SHAPES = [Body("sheet", 0.9 * A, open_faces="outer"), Body("tube", 0.9 * A, 2 * A, "both")]


def coated(core, ratio, coat_ratio, samples=3):
    """A part under a thin coat through an exposure and two aerations. Invented."""
    first = 0.1 * A
    outer = None if core.outer_radius_m is None else core.outer_radius_m + first
    rng = np.random.default_rng(5)
    d = D * np.exp(rng.normal(0.0, 1.0, samples))

    def stages(k):
        return [Stage(10800, d, k, 0.6, None, 1e-4, 1e-6),
                *[Stage(4 * 3600, d, 1.3 * k, 0.0, None, 1e-4, 1e-6)] * 2]  # fmt: skip

    volume = 1e-4 * volumes(core.shape, outer, first, core.thickness_m) / A**2
    if core.shape == "sheet":
        volume = 1e-4 * np.array([first, core.thickness_m]) / A
    coat = SharedPart(Body(core.shape, first, outer), stages(coat_ratio), volume[0])
    return SharedPart(core, stages(ratio), volume[1], coat=coat)


@pytest.mark.parametrize("core", SHAPES)
def test_a_coat_of_its_own_material_shares_its_air_as_a_thicker_part(core):
    part = coated(core, 20.0, 20.0)
    outer = None if core.outer_radius_m is None else core.outer_radius_m + 0.1 * A
    whole = SharedPart(Body(core.shape, A, outer, core.open_faces), part.stages,
                       part.volume_m3 + part.coat.volume_m3)  # fmt: skip
    light, *_ = load(3)
    light = SharedPart(light.body, [light.stages[0], *light.stages[2:]], light.volume_m3)
    airs = [None, SharedAir(0.03, 0.5 / 3600, 0.0), SharedAir(0.03, 0.0)]
    found, expected = (run_shared_air([light, p, light], airs) for p in (part, whole))
    assert found.air_kg_per_m3[2:] == pytest.approx(expected.air_kg_per_m3[2:], rel=1e-6)
    held = found.mean_kg_per_m3[1] * part.volume_m3 + found.mean_kg_per_m3[2] * part.coat.volume_m3
    assert held == pytest.approx(expected.mean_kg_per_m3[1] * whole.volume_m3, rel=1e-6)
    assert found.mean_kg_per_m3[3] == pytest.approx(expected.mean_kg_per_m3[2], rel=1e-6)


@pytest.mark.parametrize("core", SHAPES)
def test_coat_and_core_lose_nothing_to_their_air_but_what_it_holds(core):
    parts = [coated(core, 3.0, 40.0), coated(core, 40.0, 3.0)]
    run = run_shared_air(parts, [None, SharedAir(0.03, 2 / 3600, 0.0), SharedAir(0.03, 0.0)])
    layers = [layer for part in parts for layer in (part, part.coat)]
    held = sum(m * p.volume_m3 for m, p in zip(run.mean_kg_per_m3, layers, strict=True))
    whole = held + 0.03 * run.air_kg_per_m3 + run.carried_out_kg
    assert np.abs(whole[1:] / whole[1] - 1.0).max() <= 1e-9
    # In given gas a coated part is what two layers are by themselves.
    alone = run_two_layers(parts[0].coat.body, parts[0].body, parts[0].coat.stages[:1],
                           parts[0].stages[:1])  # fmt: skip
    assert run.mean_kg_per_m3[0, :2] == pytest.approx(alone.inner_kg_per_m3, rel=1e-6)
    assert run.mean_kg_per_m3[1, :2] == pytest.approx(alone.outer_kg_per_m3, rel=1e-6)
