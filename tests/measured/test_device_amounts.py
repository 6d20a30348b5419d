"""Units of results: amount = concentration x volume, x device mass / sample mass for a part.

Formulas as for ISO 10993-7:2008 in secondary sources (the standard was not read).
"""

from dataclasses import replace

import pytest

from eo_risk.errors import InputError
from eo_risk.measured.device_amounts import device_amounts
from eo_risk.measured.results_table import LabRow

ROW = LabRow(2, "A", 12.0, "EO", 5.0, False, "mg/device")


def amount(**changes):
    (found,) = device_amounts([replace(ROW, **changes)])
    return found.amount_mg


@pytest.mark.parametrize(
    ("changes", "mg"),
    [
        ({}, 5.0),
        ({"unit": "ug/device"}, 0.005),
        ({"unit": "ug/mL", "extract_volume_ml": 100.0}, 0.5),
        ({"unit": "ug/mL", "extract_volume_ml": 100.0, "sample_mass_g": 2.0,
          "device_mass_g": 50.0}, 12.5),
        ({"unit": "ug/g", "device_mass_g": 40.0}, 0.2),
        ({"unit": "ug/cm2", "area_cm2": 300.0}, 1.5),
    ],
)  # fmt: skip
def test_conversion_by_hand(changes, mg):
    assert amount(**changes) == pytest.approx(mg, rel=1e-12)


@pytest.mark.parametrize(
    ("changes", "named"),
    [({"unit": "ug/mL"}, "extract_volume_ml"), ({"unit": "ug/g"}, "device_mass_g"),
     ({"unit": "ug/cm2"}, "area_cm2"),
     ({"unit": "ug/mL", "extract_volume_ml": 10.0, "sample_mass_g": 1.0}, "device_mass_g")],
)  # fmt: skip
def test_a_unit_that_cannot_be_turned_is_refused_with_its_row(changes, named):
    with pytest.raises(InputError) as caught:
        amount(**changes)
    (fault,) = caught.value.faults
    assert fault.where == "row 2, column unit"
    assert named in fault.do


def test_mass_beside_the_table_fills_rows_and_must_agree_with_them():
    row = replace(ROW, unit="ug/g")
    assert device_amounts([row], device_mass_g=40.0)[0].amount_mg == pytest.approx(0.2)
    with pytest.raises(InputError, match="device_mass_g"):
        device_amounts([replace(row, device_mass_g=41.0)], device_mass_g=40.0)


def test_a_sample_heavier_than_its_device():
    with pytest.raises(InputError, match="sample_mass_g"):
        amount(unit="ug/mL", extract_volume_ml=1.0, sample_mass_g=3.0, device_mass_g=2.0)


def test_a_censored_result_stays_one():
    assert device_amounts([replace(ROW, below=True)])[0].below
