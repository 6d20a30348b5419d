"""Salt left on a dry item: brine in damp air, and chlorohydrin of it; nothing in drier air."""

import json

import pytest

from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan

TUBE = 2  # of the dry steel set: blown dry, 4 mm x 220 mm


@pytest.fixture
def steel(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][TUBE]]
    raw["chamber"]["load_temperature_start_c"] = 55  # as warm as the gas: nothing condenses
    return raw


def checked(raw, percent, rinse="saline"):
    raw["cycle"]["conditioning_rh_percent"] = percent
    raw["items"][0]["rinse_water"] = rinse
    return check_plan(read_plan(raw), samples=256, advise=False).items[0]


def chlorohydrin_mg(item):
    rows = [r for r in item.residues if r.substance == "ECH" and r.quantity == "mg_per_device"]
    return max(row.band.p95 for row in rows) * 1e6


def test_dry_salt_makes_chlorohydrin_only_above_its_own_humidity(steel):
    """Sodium chloride takes up water above about 75 % RH (from memory)."""
    assert chlorohydrin_mg(checked(steel, 60)) == 0.0
    damp = chlorohydrin_mg(checked(steel, 80))
    # All of the saline of a full bore, 0.154 mol/L, with 80.5 g ECH per mol (stoichiometry).
    bore_ml = 3.1416 / 4 * 0.4**2 * 22.0
    assert 0.05 < damp < bore_ml * 0.154 * 80.5
    assert 0.0 < chlorohydrin_mg(checked(steel, 80, "tap")) < 0.1 * damp
    assert chlorohydrin_mg(checked(steel, 80, "treated")) == 0.0


def test_a_cool_item_meets_the_salt_humidity_in_drier_gas(steel):
    """72 % of 55 C air is above 75 % at a surface that is a degree cooler.

    15.76 and 15.02 kPa at 55 and 54 C (steam table).
    """
    warm = chlorohydrin_mg(checked(steel, 72))
    steel["chamber"]["load_temperature_start_c"] = 52  # above the dew point of 48 C
    assert chlorohydrin_mg(checked(steel, 72)) > 0.05 > warm == 0.0


def test_salt_holds_the_item_either_way(steel):
    for percent in (60, 80):
        item = checked(steel, percent)
        assert item.verdict == "Hold"
        assert any(c.code == "salt_left" and "Rewash" in c.action for c in item.cautions)


def place_of(item, kind):
    (place,) = (p for p in item.water_by_place if p.place == kind)
    return place


def test_salt_in_dry_joints_makes_brine_too(steel):
    """A joint dried for two days holds its salt: brine and chlorohydrin in damp air, else none."""
    steel["items"][0] |= {"joints": 2, "lumens": []}
    steel["items"][0]["external_water"] = {
        "state": "wiped", "area_cm2": 1,
        "drying": [{"method": "cabinet", "minutes": 2880, "air_temperature_c": 60,
                    "air_rh_percent": 5}],
    }  # fmt: skip
    dry, damp, treated = (checked(steel, 60), checked(steel, 80), checked(steel, 80, "treated"))
    for item in (dry, damp, treated):
        assert place_of(item, "crevice").after_drying.p95 == 0.0
    assert place_of(damp, "crevice").at_injection.p05 > 0.0
    assert place_of(dry, "crevice").at_injection.p95 == 0.0
    assert place_of(treated, "crevice").at_injection.p95 == 0.0
    # The outside alone, a square centimetre wiped, holds less salt than two joints.
    steel["items"][0]["joints"] = 0
    assert chlorohydrin_mg(damp) > 1.5 * chlorohydrin_mg(checked(steel, 80))
    assert chlorohydrin_mg(dry) == 0.0


def test_brine_of_a_lumen_is_followed_to_the_end(steel):
    """What salt draws in the chamber dries from there: deep in a long bore not within an hour."""
    steel["items"][0]["lumens"][0] |= {"length_mm": 900, "bore_mm": 2}
    steel["aeration"] = [steel["aeration"][0] | {"hours": 0.1}]
    lumen = place_of(checked(steel, 80), "plug")
    assert lumen.after_drying.p95 == 0.0
    assert lumen.at_injection.p05 > 0.0
    assert 0.0 < lumen.after_aeration.p95 <= lumen.at_injection.p95
