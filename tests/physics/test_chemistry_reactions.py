"""Reactions in films: exact solutions, bounds on the careful side, and what must not happen."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from eo_risk.physics import chemistry, properties
from eo_risk.physics.properties import central
from eo_risk.units import celsius_to_kelvin

HOUR = 3600.0
RATE_NAMES = ("eo.hydrolysis_neutral", "eo.hydrolysis_acid", "eo.hydrolysis_base", "eo.chloride",
              "ech.closure", "eo.chloride_acid")  # fmt: skip
MASS_RATIO = 62.0678 / 44.0526  # EG per EO reacted, stoichiometry


def at(celsius):
    return celsius_to_kelvin(float(celsius))


def rates(celsius):
    values = [properties.rate(name, at(celsius)) for name in RATE_NAMES]
    return chemistry.Rates(*values, properties.ion_product(at(celsius)))


def film(*stages):
    return chemistry.run_film([chemistry.FilmStage(*stage) for stage in stages], 1)


def test_two_losses_side_by_side():
    """Closed, 100 mol/m3, 2e-5 and 3e-5 1/s, 6 h: exponentials, by hand to 15 digits.

    The second loss is written as an escape to clean gas.
    """
    run = film((1.0, 100.0, 0.0, 0.0), (6 * HOUR, 0.0, 1.0 / 3e-5, 2e-5))
    assert run.eo_kg_per_m3[-1, 0] == pytest.approx(33.9595525644939, rel=1e-12)
    assert run.reacted_kg_per_m3[-1, 0] == pytest.approx(26.4161789742024, rel=1e-12)


def test_chloride_runs_out_under_a_constant_gas():
    """100 mol/m3 held by the gas, 2e-7 m3/(mol s), 154 mol/m3 of chloride, 2e-5 1/s, 6 h.

    By hand: 154 (1 - exp(-2e-7 x 100 t)) of chlorohydrin and 2e-5 x 100 t of glycol.
    """
    run = film((6 * HOUR, 100.0, 0.0, 2e-5, 2e-7))
    assert run.chloride_turned[-1, 0] * 154.0 == pytest.approx(54.0217559904873, rel=1e-12)
    assert run.reacted_kg_per_m3[-1, 0] == pytest.approx(43.2, rel=1e-12)
    assert run.eo_kg_per_m3[-1, 0] == 100.0


def test_both_bounds_lie_above_a_closed_film_that_uses_its_eo_up():
    """Closed, second order in chloride: 36.3642707089783 of chlorohydrin, 26.9359792591320 of
    glycol (exact quadrature, agreeing with three ODE solvers to 9 digits or more)."""
    run = film((6 * HOUR, 100.0, 0.0, 2e-5, 2e-7))
    assert run.chloride_turned[-1, 0] * 154.0 > 36.3642707089783
    assert run.reacted_kg_per_m3[-1, 0] > 26.9359792591320


@pytest.mark.parametrize(("celsius", "mg_per_ml"), [(25, 1.0), (37, 2.2), (55, 5.7)])
def test_buffered_chlorohydrin(celsius, mg_per_ml):
    # Own rates, regression: 0.9 % saline held neutral under 600 mg/L for 3 h.
    level = float(properties.water_gas_ratio(at(celsius))) * 0.6
    per_kg = float(rates(celsius).chloride) / central("eo.molar_mass")
    run = film((3 * HOUR, level, 0.0, 0.0, per_kg))
    chloride = central("saline.chloride")
    low, high = chemistry.chlorohydrin_kg(
        run.chloride_turned[-1], chloride,
        chemistry.stalled_chlorohydrin_mol_per_m3(
            rates(celsius), level / central("eo.molar_mass"), chloride),
        central("ech.molar_mass"),
    )  # fmt: skip
    assert float(high[0]) == pytest.approx(mg_per_ml, rel=0.03)
    # Buffered runs on: at 55 C about 14 times the value at which unbuffered water stalls.
    assert celsius != 55 or float(high[0] / low[0]) == pytest.approx(14, rel=0.1)


def test_unbuffered_chlorohydrin_stalls_where_the_reaction_does():
    """0.9 % saline under a constant gas at 55 C, against an ODE solution with the pH free."""
    r, chloride = rates(55), central("saline.chloride")
    eo = float(properties.water_gas_ratio(at(55))) * 0.6 / central("eo.molar_mass")

    def slope(_, y):
        hydroxide = y[0] + np.sqrt(r.ion_product)
        return [r.chloride * eo * (chloride - y[0]) - r.closure * y[0] * hydroxide]

    run = solve_ivp(slope, (0, 24 * HOUR), [0.0], method="LSODA", rtol=1e-10)
    stalled = float(chemistry.stalled_chlorohydrin_mol_per_m3(r, eo, chloride))
    # The closed form leaves out the chloride used up: it is the upper side, by half of that share.
    assert run.y[0, -1] < stalled
    assert run.y[0, -1] == pytest.approx(stalled, rel=0.03)


def test_diethylene_glycol_beside_glycol():
    """Against an ODE solution with falling EO; below 0.2 % of EG in an ordinary cycle."""
    ratio, water, k = float(properties.diethylene_glycol_ratio(at(55))), 55.3e3, 1e-5

    def slope(_, y):
        eo, eg, _deg = y
        return [-k * eo, k * eo, ratio * k / water * eo * eg]

    run = solve_ivp(slope, (0, 40 * HOUR), [800.0, 0.0, 0.0], rtol=1e-10, atol=1e-12)
    found = chemistry.diethylene_glycol_mol_per_m3(run.y[1, -1], ratio, water)
    assert float(found) == pytest.approx(run.y[2, -1], rel=1e-6)
    glycol = 5.3 / central("eg.molar_mass")  # 5.3 mg/mL: 55 C, 600 mg/L, 3 h
    share = chemistry.diethylene_glycol_mol_per_m3(glycol, ratio, water) / glycol
    assert 0.0 < float(share) < 2e-3


@pytest.mark.parametrize(("celsius", "ratio"), [(25, 1.41), (55, 1.63), (60, 1.66)])
def test_reactivity_of_glycol(celsius, ratio):
    # k2 / k1 of Altiokka and Akyalcin 2009: exp(1.95 - 480 / T).
    found = properties.diethylene_glycol_ratio(at(celsius))
    assert float(found) == pytest.approx(ratio, rel=5e-3)


@pytest.mark.parametrize(
    ("ph", "days"), [(3, 0.76), (4, 4.9), (5, 11.1), (7, 12.9), (11, 11.1), (12, 4.9)]
)
def test_half_life_over_ph(ph, days):
    """Own rates, regression, at 25 C; flat from pH 5 to 11 (Conway et al. 1983, from memory)."""
    r = rates(25)
    hydrogen = 10.0 ** (3.0 - ph)
    hydroxide = chemistry.hydroxide_mol_per_m3(r, 0.0, 0.0, hydrogen)
    k = float(chemistry.hydrolysis_per_s(r, hydrogen, hydroxide))
    assert np.log(2) / k / 86400 == pytest.approx(days, rel=0.02)


def test_alkaline_water_stays_alkaline_in_saline():
    r = rates(55)
    fresh = float(chemistry.hydroxide_mol_per_m3(r, 800.0, 0.0, r.ion_product / 10.0))
    salt = float(chemistry.hydroxide_mol_per_m3(r, 800.0, 154.0, r.ion_product / 10.0))
    assert fresh == pytest.approx(10.0)
    assert salt > fresh


def test_largest_water_below_a_reference():
    """Run again with the water it gives, the 95 % point of glycol is the reference."""
    rng = np.random.default_rng(5)
    per_kg = rng.lognormal(-5.0, 0.3, 4000)
    largest = chemistry.largest_water_kg(1e-3, per_kg * 1e-3, 3e-6)
    assert np.quantile(per_kg * largest, 0.95) == pytest.approx(3e-6, rel=1e-9)
    # By hand, 3 / 5.3 of 1 mL where nothing is uncertain.
    alike = chemistry.largest_water_kg(1e-3, np.full(8, 5.3e-6), 3e-6)
    assert alike == pytest.approx(5.66e-4, rel=0.01)


@pytest.mark.parametrize(
    ("water", "glycol", "reference", "words"),
    [(0.0, 1e-6, 1e-6, "water_kg is 0"), (1e-3, 0.0, 1e-6, "film_glycol_kg is 0"),
     (1e-3, 1e-6, -1.0, "reference_kg is -1")],
)  # fmt: skip
def test_no_largest_water_of_nothing(water, glycol, reference, words):
    with pytest.raises(ValueError, match=words):
        chemistry.largest_water_kg(water, np.full(4, glycol), reference)


def test_sorbed_water_of_cellulose():
    # Own rates, regression: 8 % moisture, 55 C, 600 mg/L, 3 h: about 0.13 mg of EG per g (0.04
    # to 0.43). Nothing was published.
    level = float(properties.water_gas_ratio(at(55))) * 0.6
    run = film((3 * HOUR, level, 0.0, float(properties.rate("eo.hydrolysis_neutral", at(55)))))
    # kg/m3 of water is mg per mL and so mg per g
    free = run.reacted_kg_per_m3[-1, 0] * MASS_RATIO * central("cotton.moisture")
    assert free * central("water.bound_factor") == pytest.approx(0.13, rel=0.05)
    from eo_risk import reference

    record = reference.record("water.bound_factor")
    assert free * record.low == pytest.approx(0.04, rel=0.1)
    assert free * record.high == pytest.approx(0.43, rel=0.03)


stage = st.tuples(st.floats(1, 2e5), st.floats(0, 200), st.floats(0, 1e5), st.floats(1e-8, 1e-3))


@given(stages=st.lists(stage, min_size=1, max_size=5))
def test_a_film_stays_between_nothing_and_what_the_gas_can_give(stages):
    run = film(*stages)
    highest = max(level for _, level, _, _ in stages)
    assert np.all(run.eo_kg_per_m3 >= 0.0)
    assert np.all(run.eo_kg_per_m3 <= highest * (1 + 1e-12))
    assert np.all(np.diff(run.reacted_kg_per_m3, axis=0) >= 0.0)
    # Nothing reacts faster than all that could ever be dissolved.
    most = np.cumsum([seconds * highest * k for seconds, _, _, k in stages])
    assert np.all(run.reacted_kg_per_m3[1:, 0] <= most * (1 + 1e-9) + 1e-12)


@given(stage=stage, cut=st.floats(0.01, 0.99))
def test_cutting_a_film_stage_changes_nothing(stage, cut):
    seconds, level, escape, k = stage
    whole = film(stage)
    halves = film((seconds * cut, level, escape, k), (seconds * (1 - cut), level, escape, k))
    for name in ("eo_kg_per_m3", "reacted_kg_per_m3"):
        expected = getattr(whole, name)[-1, 0]
        assert getattr(halves, name)[-1, 0] == pytest.approx(expected, rel=1e-9, abs=1e-12)


@given(
    celsius=st.floats(20, 60), hours=st.floats(0.1, 12), chloride=st.floats(0, 1000),
    ph=st.floats(3, 12),
)  # fmt: skip
def test_the_ceiling_is_not_below_a_film_and_its_stock(celsius, hours, chloride, ph):
    """Equal in thin water at one temperature: what reacted was replaced, and the stock is left."""
    r, ratio = rates(celsius), float(properties.water_gas_ratio(at(celsius)))
    eo = ratio * 0.6 / central("eo.molar_mass")
    hydrogen = 10.0 ** (3.0 - ph)
    hydroxide = chemistry.hydroxide_mol_per_m3(r, eo, chloride, hydrogen)
    k = float(chemistry.hydrolysis_per_s(r, hydrogen, hydroxide))
    run = film((hours * HOUR, ratio * 0.6, 0.0, k), (1e9, 0.0, 1e15, k))
    ceiling = chemistry.glycol_ceiling_kg(1e-6, ratio, 0.6, k, hours * HOUR, MASS_RATIO)
    in_film = run.reacted_kg_per_m3[-1, 0] * MASS_RATIO * 1e-6
    assert float(ceiling) == pytest.approx(in_film, rel=1e-5)


def test_escape_of_a_wetted_lumen():
    # By hand from the slowest mode of a slab with both ends open (Crank 1975, ch. 4), the store
    # of the wet share phi added: (1 + K phi / (1 - phi)) L^2 / (pi^2 D), K 51, D 1.5e-5 m2/s. A
    # lumen with one open end takes four times as long.
    for length, expected in ((1.0, (1.9, 3.8, 6.9)), (0.3, (0.17, 0.34, 0.62))):
        found = chemistry.wetted_lumen_escape_s(length, np.array([0, 0.02, 0.05]), 51.0, 1.5e-5, 2)
        assert found / HOUR == pytest.approx(expected, rel=0.03)
        one = chemistry.wetted_lumen_escape_s(length, np.array([0, 0.02, 0.05]), 51.0, 1.5e-5, 1)
        assert one == pytest.approx(4.0 * found)


@pytest.mark.parametrize(
    ("tau_h", "added_mg"), [(0.1, 0.17), (1, 1.6), (4, 5.9), (8, 10.4), (24, 21)]
)
def test_glycol_formed_while_eo_escapes(tau_h, added_mg):
    """1 mL at K 51, 600 mg/L, k 1.1e-5, by hand: K C V (M ratio) k tau / (1 + k tau), the share
    that reacts where reaction and escape, both of first order, run side by side."""
    held = (7200.0, 51 * 0.6, 0.0, 1.1e-5)
    run = film(held, (1e9, 0.0, tau_h * HOUR, 1.1e-5))
    added = run.reacted_kg_per_m3[-1, 0] - run.reacted_kg_per_m3[1, 0]
    assert added * MASS_RATIO == pytest.approx(added_mg, rel=0.03)
