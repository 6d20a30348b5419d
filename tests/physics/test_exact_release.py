"""The layer engine against exact series, an independent discretisation and its own laws."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.two_layers import run_two_layers

# Crank, The Mathematics of Diffusion, 2nd ed., 1975, plane sheet, cylinder and sphere with and
# without surface resistance; numbers from 40-digit arithmetic with mpmath, 60 terms.
TABLE = json.loads(
    (Path(__file__).resolve().parents[1] / "data" / "exact_release.json").read_text()
)
D, A = 1e-11, 1e-3  # diffusivity [m2/s] and half thickness or radius [m] of the table's cases


def body(shape):
    return Body(shape, 2 * A if shape == "sheet" else A)


@pytest.mark.parametrize("case", TABLE["cases"], ids=lambda c: f"{c['shape']}-{c['biot']}")
def test_release_equals_the_exact_series(case):
    h = np.inf if case["biot"] == "inf" else case["biot"] * D / A
    times = np.array(TABLE["fourier"]) * A**2 / D
    stage = Stage(times[-1], D, 1.0, transfer_outer_m_per_s=h, transfer_inner_m_per_s=h,
                  output_times_s=tuple(times[:-1]))  # fmt: skip
    run = run_layer(body(case["shape"]), [stage], start_kg_per_m3=1.0)
    assert 1.0 - run.mean_kg_per_m3[1:, 0] == pytest.approx(case["released"], abs=1e-6)


def test_exposure_then_aeration():
    # Plane sheet, Biot 10, 3 h at one, 12 h at zero: Crank 1975, eq 4.53, the aeration laid over
    # the exposure that goes on; mpmath, 30 digits.
    h = 10 * D / A
    stages = [Stage(3 * 3600, D, 1.0, 1.0, None, h, h), Stage(12 * 3600, D, 1.0, 0.0, None, h, h)]
    run = run_layer(body("sheet"), stages)
    assert run.mean_kg_per_m3[-1, 0] == pytest.approx(0.0716424823309221, abs=1e-9)


def test_reaction_inside():
    # Plane sheet with first-order loss, Thiele modulus 1, surface stepped to one: Danckwerts'
    # solution (Crank 1975, ch. 14), its series to 15 digits.
    stage = Stage(86400, D, 1.0, 1.0, loss_per_s=1e-5, output_times_s=(3600, 21600))
    run = run_layer(body("sheet"), [stage])
    level = [0.21155326573552, 0.48827538723306, 0.73275706139736]
    made = [0.00510156535967012, 0.0723790103484639, 0.495524074267706]
    assert run.mean_kg_per_m3[1:, 0] == pytest.approx(level, abs=1e-6)
    assert run.product_kg_per_m3[1:, 0] == pytest.approx(made, abs=1e-6)
    gained = run.gained_outer_kg_per_m3 + run.gained_inner_kg_per_m3
    balance = run.mean_kg_per_m3 + run.product_kg_per_m3 - gained
    assert np.abs(balance).max() < 1e-9
    # At last as much comes in as reacts: tanh(1) / 1 of the level outside (Crank 1975, ch. 14).
    settled = run_layer(body("sheet"), [Stage(1e8, D, 1.0, 1.0, loss_per_s=1e-5)])
    assert settled.mean_kg_per_m3[-1, 0] == pytest.approx(np.tanh(1.0), abs=1e-8)


def test_two_layers():
    # Core 1 mm (D 1e-11, ratio 1), skin 0.2 mm (D 1e-12, ratio 0.5): composite slab (Carslaw and
    # Jaeger, Conduction of Heat in Solids, 2nd ed. 1959, ch. 12), roots of tan(l L1 / D1^0.5)
    # tan(l L2 / D2^0.5) = K2 D2^0.5 / (K1 D1^0.5), 60 modes; finite volumes of 420 and 840 cells
    # come to the same seven digits.
    times = np.array([1, 6, 12, 48, 168]) * 3600.0
    skin = [Stage(times[-1], 1e-12, 0.5, output_times_s=tuple(times[:-1]))]
    core = [Stage(times[-1], 1e-11, 1.0)]
    run = run_two_layers(
        Body("sheet", 2e-4), Body("sheet", 1e-3, open_faces="outer"), skin, core,
        start_outer_kg_per_m3=0.5, start_inner_kg_per_m3=1.0,
    )  # fmt: skip
    held = run.outer_kg_per_m3 * 2e-4 + run.inner_kg_per_m3 * 1e-3
    expected = [0.03077400401854, 0.0782321196136, 0.1223902119998, 0.3436592584282,
                0.750717161343]  # fmt: skip
    assert 1.0 - held[1:, 0] / held[0, 0] == pytest.approx(expected, abs=1e-7)
    balance = held - held[0] - run.gained_outer_kg_per_m3 * 2e-4
    assert np.abs(balance).max() < 1e-9 * held[0, 0]


def exact_left(fourier_in, fourier_out, biot, terms=3000):
    """Left in a sheet after an exposure from clean and an aeration (Crank 1975, series)."""
    k = np.arange(terms)
    if biot == np.inf:
        b = (k + 0.5) * np.pi
        weight = 2.0 / b**2
    else:
        b = np.array([
            brentq(lambda x: x * np.sin(x) - biot * np.cos(x), i * np.pi + 1e-12,
                   (i + 0.5) * np.pi)
            for i in k
        ])  # fmt: skip
        weight = 2.0 * biot**2 / (b**2 * (b**2 + biot**2 + biot))
    return float(np.sum(weight * -np.expm1(-(b**2) * fourier_in) * np.exp(-(b**2) * fourier_out)))


@pytest.mark.parametrize("biot", [1e-2, pytest.param(1.0, marks=pytest.mark.slow), 30.0, np.inf])
@pytest.mark.parametrize("exposed", [1e-4, pytest.param(1e-2, marks=pytest.mark.slow), 1.0])
def test_accuracy_over_five_decades(exposed, biot):
    """At most 1e-6 of the largest amount, and 1e-3 relative where more than 1e-6 remains."""
    out = np.array([1e-4, 1e-3, 1e-2, 0.1, 1.0, 10.0])
    h = np.inf if biot == np.inf else biot * D / A
    scale = A**2 / D
    stages = [
        Stage(exposed * scale, D, 1.0, 1.0, None, h, h),
        Stage(10.0 * scale, D, 1.0, 0.0, None, h, h, output_times_s=tuple(out[:-1] * scale)),
    ]
    got = run_layer(body("sheet"), stages).mean_kg_per_m3[2:, 0]
    expected = np.array([exact_left(exposed, f, biot) for f in out])
    largest = exact_left(exposed, 0.0, biot)
    assert np.abs(got - expected).max() <= 1e-6 * largest
    some = expected > 1e-6 * largest
    assert np.abs(got / expected - 1.0)[some].max() <= 1e-3


def test_a_skin_empties_by_its_law():
    """sqrt(1+s) - sqrt(s) left of a skin (Crank 1975, eq 3.15, two laid over each other)."""
    # Dry polyamide at 50 C: a skin of a few micrometres in a 3 mm sheet.
    run = run_layer(Body("sheet", 3e-3), [Stage(10800, 2e-15, 5.0, 1.0),
                                          Stage(43200, 2e-15, 5.0, 0.0)])  # fmt: skip
    left = run.mean_kg_per_m3[2, 0] / run.mean_kg_per_m3[1, 0]
    assert left == pytest.approx(np.sqrt(5.0) - 2.0, rel=1e-3)
    loaded = 2.0 * 5.0 * 2.0 * np.sqrt(2e-15 * 10800 / np.pi) / 3e-3
    assert run.mean_kg_per_m3[1, 0] == pytest.approx(loaded, rel=1e-3)  # square-root law


def half_time(thickness, exposure_s):
    """Time until half of what it held at the start of the aeration is left."""
    times = np.geomspace(1e2, 1e8, 400)
    aeration = Stage(times[-1], D, 1.0, 0.0, output_times_s=tuple(times[:-1]))
    if exposure_s is None:
        run = run_layer(Body("sheet", thickness), [aeration], start_kg_per_m3=1.0)
        left = run.mean_kg_per_m3[1:, 0]
    else:
        run = run_layer(Body("sheet", thickness), [Stage(exposure_s, D, 1.0, 1.0), aeration])
        left = run.mean_kg_per_m3[2:, 0] / run.mean_kg_per_m3[1, 0]
    return float(np.exp(np.interp(-0.5, -left, np.log(times))))


def test_thickness_squared_holds_from_an_even_start_only():
    """Crank 1975, eq 4.18: time counts as D t / l^2 only. A skin knows no thickness, eq 3.15."""
    assert half_time(2e-3, None) / half_time(1e-3, None) == pytest.approx(4.0, rel=1e-2)
    # After a short exposure only a skin is loaded, and thickness hardly matters.
    assert half_time(2e-3, 3600.0) / half_time(1e-3, 3600.0) == pytest.approx(1.0, rel=0.02)


def late_rate(shape_body):
    times = (2e5, 3e5)
    run = run_layer(shape_body, [Stage(times[1], D, 1.0, output_times_s=times[:1])],
                    start_kg_per_m3=1.0)  # fmt: skip
    first, last = run.mean_kg_per_m3[1:, 0]
    return np.log(first / last) / (times[1] - times[0])


def test_a_tube_empties_through_its_outer_face_faster_than_a_sheet():
    """Outer over inner diameter 2: first root of the annulus (Crank 1975, hollow cylinder)."""
    sheet = late_rate(Body("sheet", 1e-3, open_faces="outer"))
    outer = late_rate(Body("tube", 1e-3, 2e-3, "outer"))
    inner = late_rate(Body("tube", 1e-3, 2e-3, "inner"))
    assert outer / sheet == pytest.approx(1.30, rel=0.02)
    assert inner / sheet == pytest.approx(0.75, rel=0.02)


def finite_volume_tube(inner_m, wall_m, stages, cells=400):
    """Independent second opinion: finite volumes in the radius and a general ODE solver."""
    edges = np.linspace(inner_m, inner_m + wall_m, cells + 1)
    middle, width = 0.5 * (edges[1:] + edges[:-1]), np.diff(edges)
    volume = np.pi * (edges[1:] ** 2 - edges[:-1] ** 2)
    c = np.zeros(cells)
    means = []
    for seconds, d, ratio, gas, h_out, h_in in stages:

        def slope(_, c, d=d, ratio=ratio, gas=gas, h_out=h_out, h_in=h_in):
            flux = np.zeros(cells + 1)
            flux[1:-1] = -d * np.diff(c) / np.diff(middle)
            for end, h, sign in ((0, h_in, 1.0), (-1, h_out, -1.0)):
                total = 0.5 * width[end] / d + ratio / h
                flux[end] = sign * (ratio * gas - c[end]) / total
            return (flux[:-1] * edges[:-1] - flux[1:] * edges[1:]) * 2 * np.pi / volume

        c = solve_ivp(slope, (0, seconds), c, method="BDF", rtol=1e-8, atol=1e-10).y[:, -1]
        means.append(float(np.sum(c * volume) / np.sum(volume)))
    return means


def test_a_tube_with_both_faces_against_finite_volumes():
    given = [(3600, 2e-11, 18.0, 0.6, 6e-4, 1e-5), (1800, 2e-11, 18.0, 0.05, 6e-4, 1e-5),
             (20000, 1e-11, 25.0, 0.0, 1e-3, 1e-6)]  # fmt: skip
    stages = [Stage(s, d, k, g, None, o, i) for s, d, k, g, o, i in given]
    run = run_layer(Body("tube", 0.8e-3, 2e-3, "both"), stages)
    expected = finite_volume_tube(1.2e-3, 0.8e-3, given)
    assert run.mean_kg_per_m3[1:, 0] == pytest.approx(expected, rel=2e-4)


def test_many_tubes_at_once_equal_each_alone():
    walls, radii = np.array([0.2e-3, 0.7e-3, 1.5e-3]), np.array([3e-3, 1e-3, 1.6e-3])
    stages = [Stage(3600, D, 5.0, 1.0), Stage(36000, D, 5.0, 0.0)]
    together = run_layer(Body("tube", walls, radii, "outer"), stages).mean_kg_per_m3[-1]
    alone = [run_layer(Body("tube", w, r, "outer"), stages).mean_kg_per_m3[-1, 0]
             for w, r in zip(walls, radii, strict=True)]  # fmt: skip
    assert together == pytest.approx(alone, rel=1e-6)


stage_lists = st.lists(
    st.tuples(st.floats(1e2, 1e5), st.floats(1e-13, 1e-9),
              st.floats(0.0, 1.0, allow_subnormal=False)),
    min_size=1, max_size=4,
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(stage_lists, st.floats(1e-9, 1e-3))
def test_bounded_linear_and_indifferent_to_splitting(listed, h):
    whole = [Stage(s, d, 3.0, g, None, h, h) for s, d, g in listed]
    run = run_layer(Body("sheet", 1e-3), whole)
    most = 3.0 * max(g for _, _, g in listed)
    assert np.all(run.mean_kg_per_m3 >= -1e-9 * (most + 1e-30))
    assert np.all(run.mean_kg_per_m3 <= most * (1 + 1e-9))
    double = run_layer(Body("sheet", 1e-3),
                       [Stage(s, d, 3.0, 2 * g, None, h, h) for s, d, g in listed])  # fmt: skip
    assert double.mean_kg_per_m3 == pytest.approx(2 * run.mean_kg_per_m3, rel=1e-9, abs=1e-12)
    halves = [Stage(s / 2, d * (1.0 + i * 1e-12), 3.0, g, None, h, h)  # not alike: carried over
              for s, d, g in listed for i in range(2)]  # fmt: skip
    again = run_layer(Body("sheet", 1e-3), halves)
    assert again.mean_kg_per_m3[-1] == pytest.approx(
        run.mean_kg_per_m3[-1], abs=1e-7 * most + 1e-15
    )


@settings(max_examples=20, deadline=None)
@given(st.floats(1e-13, 1e-9), st.floats(1e-8, 1e-3))
def test_release_into_clean_air_never_turns_back(d, h):
    times = tuple(np.geomspace(10, 1e6, 30))
    run = run_layer(Body("sheet", 1e-3), [Stage(1e6 + 1, d, 2.0, 0.0, None, h, h, 0.0, times)],
                    start_kg_per_m3=1.0, profile_at=np.linspace(0, 1, 21))  # fmt: skip
    # A step errs by 3e-12 of its start (`rational_exponential`), whatever is left.
    assert np.all(np.diff(run.mean_kg_per_m3[:, 0]) <= 1e-11)
    profile = run.profile_kg_per_m3[..., 0]
    assert profile == pytest.approx(profile[:, ::-1], abs=1e-9)  # equal faces, equal halves


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (lambda: run_layer(Body("sheet", 0.0), [Stage(1, D, 1.0)]), "thickness_m = 0"),
        (lambda: run_layer(Body("sheet", A), [Stage(1, -D, 1.0)]), "diffusivity_m2_per_s"),
        (lambda: run_layer(Body("sheet", A), [Stage(-1, D, 1.0)]), "duration_s = -1"),
        (lambda: run_layer(Body("sheet", A), [Stage(1, D, 0.0)]), "gas_ratio = 0"),
        (lambda: run_layer(Body("tube", A, 0.5 * A), [Stage(1, D, 1.0)]), "too thick"),
        (lambda: run_layer(Body("sheet", np.nan), [Stage(1, D, 1.0)]), "thickness_m = nan"),
    ],
)
def test_impossible_numbers_are_refused(wrong, message):
    with pytest.raises(ValueError, match=message):
        wrong()
