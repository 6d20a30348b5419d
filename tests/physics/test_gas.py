"""The gas of the chamber and the temperature of the load in it."""

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk.physics import gas, properties
from eo_risk.physics.properties import central
from eo_risk.units import GAS_CONSTANT_J_PER_MOL_K, celsius_to_kelvin


def at(celsius):
    return celsius_to_kelvin(float(celsius))


def eo_mg_per_l(pressure_pa, celsius):
    return float(gas.density_kg_per_m3(pressure_pa, at(celsius), central("eo.molar_mass"))) * 1e3


@pytest.mark.parametrize(
    ("celsius", "mg_per_l_per_kpa"), [(37, 17.08), (50, 16.40), (55, 16.15), (60, 15.90)]
)
def test_concentration_and_pressure(celsius, mg_per_l_per_kpa):
    # Ideal gas: C [mg/L] = 5298.3 p [kPa] / T [K].
    assert eo_mg_per_l(1e3, celsius) == pytest.approx(mg_per_l_per_kpa, rel=1e-3)
    back = gas.partial_pressure_pa(mg_per_l_per_kpa * 1e-3, at(celsius), central("eo.molar_mass"))
    assert float(back) == pytest.approx(1e3, rel=1e-3)


def test_worked_concentrations():
    # 42.44 kPa at 37 C is 725 mg/L; 600 mg/L at 54.4 C is 37.1 kPa; pure EO at one atmosphere
    # and 55 C is 1636 mg/L (ideal gas).
    assert eo_mg_per_l(42.44e3, 37) == pytest.approx(725, rel=5e-3)
    found = gas.partial_pressure_pa(0.6, at(54.4), central("eo.molar_mass"))
    assert float(found) == pytest.approx(37.1e3, rel=5e-3)
    assert eo_mg_per_l(101325.0, 55) == pytest.approx(1636, rel=5e-3)


def test_real_gas_departs_by_less_than_the_ideal_law_is_used_for(root):
    """CoolProp, PropsSI('Z', ...): 0.9 % at 50 kPa and 1.8 % at one atmosphere and 55 C."""
    path = root / "tests" / "data" / "properties_library_values.json"
    library = json.loads(path.read_text(encoding="utf-8"))["eo_compressibility"]
    for pressure, z in zip(library["pressure_pa"], library["values"], strict=True):
        real = pressure * central("eo.molar_mass") / (z * GAS_CONSTANT_J_PER_MOL_K * 328.15)
        assert eo_mg_per_l(pressure, 55) == pytest.approx(real * 1e3, rel=0.02)


@pytest.mark.parametrize(("celsius", "mg_per_m3"), [(25, 1.80), (20, 1.83)])
def test_one_ppm_of_eo(celsius, mg_per_m3):
    # 1.80 mg/m3 at 25 C (IARC Monographs 100F; ideal gas), 1.83 at 20 C.
    assert eo_mg_per_l(101325e-6, celsius) * 1e3 == pytest.approx(mg_per_m3, rel=5e-3)


@pytest.mark.parametrize(
    ("percent", "celsius", "co2_kpa"), [(8.5, 55, 400), (20, 55, 149), (8.5, 37, 378)]
)
def test_carbon_dioxide_that_comes_with_a_mixture(percent, celsius, co2_kpa):
    # 600 mg/L of EO from 8.5/91.5 and 20/80 by mass: published mixtures, ideal gas.
    eo, co2 = central("eo.molar_mass"), central("co2.molar_mass")
    share = float(gas.mole_fraction(percent / 100.0, eo, co2))
    eo_pa = float(gas.partial_pressure_pa(0.6, at(celsius), eo))
    assert eo_pa * (1.0 - share) / share == pytest.approx(co2_kpa * 1e3, rel=0.01)
    assert float(gas.mole_fraction(1.0, eo, co2)) == 1.0


def test_air_washes():
    # Ideal mixing, (p low / p high)^n: 10/90 kPa three times, 5/95 four times, 13/101 twice.
    assert float(gas.wash_fraction_left(10, 90, 3)) == pytest.approx(1.37e-3, rel=0.01)
    assert float(gas.wash_fraction_left(5, 95, 4)) == pytest.approx(7.7e-6, rel=0.01)
    assert float(gas.wash_fraction_left(13, 101, 2)) == pytest.approx(1.66e-2, rel=0.01)
    assert float(gas.wash_fraction_left(90, 10, 3)) == 1.0
    assert float(gas.wash_fraction_left(10, 90, 0)) == 1.0


def test_humidity_that_leftover_water_adds():
    # Buck, J. Appl. Meteorol. 1981;20:1527: 15.76 kPa, 104.1 mg/L at 55 C; 1 mL in 136 L is 7.1 %.
    full, molar = float(properties.water_saturation_pa(at(55))), central("water.molar_mass")
    assert float(gas.density_kg_per_m3(full, at(55), molar)) * 1e3 == pytest.approx(104.1, rel=0.01)
    added = gas.added_humidity(1e-3, 136e-3, at(55), full, molar)
    assert float(added) == pytest.approx(0.071, rel=0.03)


def test_flow_towards_an_absorbing_face():
    # -ln(1 - y) / y: 1.56 at 0.62, 1.12 at 0.2 (Stefan flow; Bird, Stewart and Lightfoot, ch. 18).
    found = gas.bulk_flow_factor(np.array([0.62, 0.2, 1e-9, 0.0]))
    assert found == pytest.approx([1.56, 1.12, 1.0, 1.0], rel=5e-3)


@pytest.mark.parametrize(("lag_h", "effective_h"), [(1.0, 10.6), (2.0, 9.2), (3.0, 7.9)])
def test_a_load_that_warms_up_airs_for_fewer_hours(lag_h, effective_h):
    """From 20 to 55 C at 55 kJ/mol, 12 h: hours at 55 C that give the same diffusion.

    Newton's law of cooling under Arrhenius's, integrated apart from the package.
    """
    load_k, effective, parts = at(20), 0.0, 240
    for _ in range(parts):
        mean_k, load_k = gas.lagged_temperature_k(load_k, at(55), 12 * 3600 / parts, lag_h * 3600)
        inverse = 1.0 / float(mean_k) - 1.0 / at(55)
        effective += 12 / parts * np.exp(-55e3 / GAS_CONSTANT_J_PER_MOL_K * inverse)
    assert effective == pytest.approx(effective_h, abs=0.06)


@given(
    start=st.floats(270, 340), around=st.floats(270, 340), hours=st.floats(0, 50),
    lag=st.floats(0.1, 5), share=st.floats(0, 1),
)  # fmt: skip
def test_cutting_a_stage_changes_no_temperature(start, around, hours, lag, share):
    mean, end = gas.lagged_temperature_k(start, around, hours * 3600, lag * 3600)
    mean_a, middle = gas.lagged_temperature_k(start, around, hours * share * 3600, lag * 3600)
    mean_b, end_b = gas.lagged_temperature_k(
        middle, around, hours * (1.0 - share) * 3600, lag * 3600
    )
    assert float(end_b) == pytest.approx(float(end), abs=1e-6)
    joined = float(mean_a) * share + float(mean_b) * (1.0 - share)
    assert joined == pytest.approx(float(mean) if hours > 1e-9 else joined, abs=1e-4)
    assert min(start, around) - 1e-9 <= float(mean) <= max(start, around) + 1e-9
