"""Glycol that leaves with air: worked rates, bounds, and what can leave of what was made."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from eo_risk.physics import glycol_removal as removal
from eo_risk.physics import properties

KELVIN, EG = 328.15, 0.06207


def test_pure_glycol_leaves_an_open_film():
    # 55 C, 3e-3 m/s, 131.6 Pa (thermo 0.6.1, VaporPressure of CAS 107-21-1): 3.2 mg/cm2/h.
    vapour = removal.glycol_vapour_kg_per_m3(131.6, KELVIN, 0.0, EG)
    rate = removal.open_rate_kg_per_s(1e-4, 3e-3, 1.0, vapour)
    assert rate * 3600.0 * 1e6 == pytest.approx(3.2, rel=0.05)


def test_humid_air_holds_the_glycol_back():
    # Raoult: glycol with water in equilibrium with 60 % RH gives 40 % of its own vapour.
    dry, damp, wet = removal.glycol_vapour_kg_per_m3(131.6, KELVIN, np.array([0, 0.6, 1.0]), EG)
    assert damp == pytest.approx(0.4 * dry)
    assert wet == 0.0


@pytest.mark.parametrize(("celsius", "mg_per_min"), [(55, 3.0), (20, 0.19)])
def test_led_air_leaves_a_long_lumen_saturated(fluids, celsius, mg_per_min):
    # Air at one litre per minute carries p M / (R T), by hand with 131 Pa at 55 C and 7.5 Pa at
    # 20 C (Perry, table 2-8): 3 mg/min and 0.19 mg/min.
    kelvin = celsius + 273.15
    air = fluids.air(kelvin, 0.0, 101325.0)
    vapour = removal.glycol_vapour_kg_per_m3(
        properties.saturation_pa("eg", kelvin), kelvin, 0.0, EG
    )
    flow = 1e-3 / 60.0 * air.density_kg_per_m3
    diffusivity = properties.gas_diffusivity_m2_per_s("eg", kelvin, 101325.0)
    rate = removal.flow_rate_kg_per_s(flow, 3e-3, 2.0, air, diffusivity, vapour)
    assert rate * 60.0 * 1e6 == pytest.approx(mg_per_min, rel=0.05)
    short = removal.flow_rate_kg_per_s(flow, 3e-3, 0.02, air, diffusivity, vapour)
    assert short < 0.5 * rate


masses = arrays(float, (5, 3), elements=st.floats(0.0, 1e-3))


@given(masses, arrays(float, (4, 3), elements=st.floats(0.0, 1e-3)))
def test_no_more_leaves_than_was_made_before(steps, could):
    made = np.cumsum(steps, axis=0)
    gone = removal.carried_off_kg(made, could)
    assert np.all(np.diff(gone, axis=0) >= 0.0)
    assert np.all(gone[1:] <= made[:-1] + 1e-15)
    assert np.all(np.diff(gone, axis=0) <= could + 1e-15)


def test_what_is_made_in_a_stage_stays_in_it():
    made = np.array([[0.0], [2.0], [3.0]])
    gone = removal.carried_off_kg(made, np.array([[9.0], [9.0]]))
    assert gone.ravel() == pytest.approx([0.0, 0.0, 2.0])
