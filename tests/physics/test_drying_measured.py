"""Measured drying beside the model: facts as records with their source, directions as checks."""

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.water import leftover
from eo_risk.physics.water import bore_volume_m3
from eo_risk.units import STANDARD_ATMOSPHERE_PA, to_si

DRAW = Draw(1, 512)


def dried(bore_mm, length_m, share, gauge_bar, minutes):
    """Return the water left of a share of the bore after dry air at 20 C. [kg]"""
    full = np.ones(DRAW.samples)
    bore, length, air_k = bore_mm * 1e-3 * full, length_m * full, 293.15 * full
    numbers = leftover.fluids(DRAW)
    flow = leftover.pressure_flow_kg_per_s(
        DRAW, numbers, bore, length, to_si(gauge_bar, "bar"), air_k=air_k,
        ambient_pa=STANDARD_ATMOSPHERE_PA,
    )  # fmt: skip
    water = share * 998.0 * bore_volume_m3(bore, length)
    result = leftover.air_drying(
        DRAW, numbers, water, bore, length, flow, flow_measured=False, air_k=air_k,
        relative_humidity=0.0 * full, ambient_pa=STANDARD_ATMOSPHERE_PA, outer_diameter_m=bore,
    )  # fmt: skip
    return result.left_kg(60.0 * minutes)


@pytest.mark.parametrize(
    ("name", "value", "unit", "source"),
    [
        ("endoscopes_wet.share", 22 / 45, "-", "ofstead2018"),
        ("hot_cabinet.metal.time", 60, "min", "lumen_drying2018"),
        ("hot_cabinet.glass.time", 180, "min", "lumen_drying2018"),
        ("hot_cabinet.silicone.time", 300, "min", "lumen_drying2018"),
        ("pressure_gun.time", 0.5, "min", "lumen_drying2018"),
        ("forced_air.time", 10, "min", "nerandzic2021"),
    ],
)
def test_measured_drying_is_on_record_with_its_source(name, value, unit, source):
    record = reference.record(f"measured.{name}")
    assert record.value == pytest.approx(value, rel=1e-3)
    assert (record.unit, record.source, record.status) == (unit, source, "measured")
    assert source in reference.sources()


def test_a_pressure_gun_dries_a_simple_lumen_in_its_measured_time():
    # Simple lumens dry after half a minute; 3 mm x 300 mm, 2 bar and a twentieth of the bore
    # left by the first burst are assumed.
    minutes = reference.record("measured.pressure_gun.time").value
    assert np.median(dried(3.0, 0.3, 0.05, 2.0, minutes)) == 0.0


def test_ten_minutes_of_air_leave_narrow_channels_wet_and_a_wide_one_dry():
    # Direction only: narrow channels last (channels, pressures and hold-up are assumed).
    minutes = reference.record("measured.forced_air.time").value
    assert np.median(dried(3.8, 3.0, 0.05, 0.5, minutes)) == 0.0
    assert np.median(dried(1.2, 3.0, 0.10, 0.5, minutes)) > 0.0
