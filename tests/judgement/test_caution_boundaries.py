"""Where a caution has a figure: it does not stand on the boundary and stands just beyond it.

The boundaries are the project's own table of cautions; what is on which side of them follows
from the words of each trigger ("above" is greater than, "below" less than).
"""

import copy
import json
from datetime import timedelta

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan


@pytest.fixture
def raw(demo):
    """A dry steel tube with no caution that blocks or warns."""
    found = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    found["items"] = found["items"][2:3]
    return found


def checked(raw):
    return check_plan(read_plan(raw), samples=64, advise=False)


def stands(raw, code):
    return code in {c.code for c in checked(raw).items[0].cautions}


def silicone_tube(grams):
    return {"name": "tube", "material": "silicone", "shape": "tube", "mass_g": grams,
            "wall_mm": 1.0, "outer_diameter_mm": 6.0}  # fmt: skip


# code, block of the first item (or of the plan), fields on the boundary and just beyond it
EDGES = [
    ("aeration_below_required", "instructions",
     {"aeration_h": 14, "aeration_temperature_c": "none"},
     {"aeration_h": 14.01, "aeration_temperature_c": "none"}),
    # Two of the fourteen hours are at 21 C: they do not count towards hours at 50 C.
    ("aeration_below_required", "instructions",
     {"aeration_h": 12, "aeration_temperature_c": 50},
     {"aeration_h": 12.01, "aeration_temperature_c": 50}),
    ("aeration_below_required", "instructions",
     {"aeration_h": 12, "aeration_temperature_c": 50},
     {"aeration_h": 12, "aeration_temperature_c": 50.1}),
    ("instructions_exceeded", "instructions",
     {"highest_temperature_c": 55}, {"highest_temperature_c": 54.9}),
    ("instructions_exceeded", "instructions",
     {"highest_air_pressure_gauge_bar": 1.0}, {"highest_air_pressure_gauge_bar": 0.99}),
    ("instructions_exceeded", "instructions", {"eo_mg_per_l_low": 600}, {"eo_mg_per_l_low": 601}),
    ("instructions_exceeded", "instructions",
     {"eo_mg_per_l_high": 600}, {"eo_mg_per_l_high": 599}),
    ("liquid_seen", "lumen", {"droplets_counted": 0}, {"droplets_counted": 1}),
    ("desiccated", "lumen",
     {"drying": [{"method": "vacuum", "minutes": 60, "air_temperature_c": 49.9, "vacuum_kpa": 2}]},
     {"drying": [{"method": "vacuum", "minutes": 60, "air_temperature_c": 50, "vacuum_kpa": 2}]}),
    ("humidity_too_low", "cycle",
     {"conditioning_rh_percent": 40}, {"conditioning_rh_percent": 39.9}),
    ("humidity_too_high", "cycle",
     {"conditioning_rh_percent": 80}, {"conditioning_rh_percent": 80.1}),
]  # fmt: skip


def edited(raw, block, fields):
    changed = copy.deepcopy(raw)
    item = changed["items"][0]
    {"instructions": item["instructions"], "lumen": item["lumens"][0],
     "cycle": changed["cycle"]}[block].update(fields)  # fmt: skip
    return changed


@pytest.mark.parametrize(("code", "block", "on", "beyond"), EDGES)
def test_a_figure_of_the_plan(raw, code, block, on, beyond):
    assert not stands(edited(raw, block, on), code)
    assert stands(edited(raw, block, beyond), code)


@pytest.mark.parametrize(("field", "code"), [("site_minimum_aeration_h", "plan"),
                                             ("laboratory_release_h", "item")])  # fmt: skip
def test_hours_of_the_site_and_of_the_laboratory(raw, field, code):
    where = raw if code == "plan" else raw["items"][0]
    raw["items"][0]["laboratory_temperature_c"] = 20  # every planned hour counts
    where[field] = 14
    assert not stands(raw, "aeration_below_required")
    where[field] = 14.01
    assert stands(raw, "aeration_below_required")


def test_needed_at_the_earliest_time_out_and_a_minute_before(raw):
    out = checked(raw).load.earliest_out
    raw["items"][0]["needed_by"] = out.isoformat()
    assert not stands(raw, "needed_too_soon")
    raw["items"][0]["needed_by"] = (out - timedelta(minutes=1)).isoformat()
    assert stands(raw, "needed_too_soon")
    raw["cycle_start"] = None
    # A time out that is not known is no good news; it is said when the item is wanted.
    said = next(c for c in checked(raw).items[0].cautions if c.code == "needed_too_soon")
    wanted = f"{out - timedelta(minutes=1):%Y-%m-%d %H:%M}"
    assert said.where == f"needed {wanted}, the time out is not known"


def test_mass_and_size_thirty_percent_apart(raw):
    item = raw["items"][0]
    item["lumens"][0] |= {"wall_part": "tube", "bore_mm": 4.0}
    density = reference.record("silicone.density").value_si / 1e6  # g per mm3
    by_size = np.pi * 1.0 * (6.0 - 1.0) * item["lumens"][0]["length_mm"] * density
    for ratio, said in ((1.299, False), (1.301, True), (1 / 1.299, False), (1 / 1.301, True)):
        item["parts"] = [silicone_tube(float(by_size * ratio))]
        assert stands(raw, "mass_geometry_differ") is said, ratio


def test_hours_beyond_the_cap_of_the_site(raw):
    item = raw["items"][0]
    item["lumens"] = []
    item["parts"] = [{"name": "mask", "material": "pvc_plasticised", "shape": "sheet",
                      "mass_g": 50, "thickness_mm": 3, "faces": 2}]  # fmt: skip
    needed_h = checked(raw).items[0].aeration.required_s / 3600.0
    assert 15.0 < needed_h < 160.0
    for factor, said in ((1.01, False), (0.99, True)):  # the far times hang on the cap
        raw["rules"]["beyond_cap_h"] = needed_h * factor
        assert stands(raw, "beyond_cap") is said, factor


def test_glycol_just_around_its_reference(raw):
    item = raw["items"][0]
    item["lumens"][0] |= {"measured_mg": 400, "scale_error_mg": 1}
    item["patient"] |= {"body_mass_kg": 3, "body_mass_reason": "lightest"}
    row = next(r for r in checked(raw).items[0].residues
               if r.substance == "EG" and r.model == "film")  # fmt: skip
    per_kg = row.limit / 3.0  # the reference grows with body mass
    for factor, said in ((1 + 1e-6, False), (1 - 1e-6, True)):
        item["patient"]["body_mass_kg"] = row.band.p95 / per_kg * factor
        assert stands(raw, "glycol_above_reference") is said, factor


def test_a_material_at_the_end_of_its_range(raw):
    item = raw["items"][0]
    item["parts"] = [{"name": "tube", "material": "pvc_plasticised", "shape": "sheet",
                      "mass_g": 20, "thickness_mm": 2, "faces": 2}]  # fmt: skip
    highest_c = reference.record("pvc_plasticised.diffusivity").valid_high_c
    for celsius, said in ((highest_c, False), (highest_c + 1.0, True)):
        raw["aeration"][0]["temperature_c"] = celsius
        assert stands(raw, "outside_material_range") is said, celsius


@pytest.fixture
def mixed(demo):
    return json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))


def load_codes(result):
    return {c.code for c in result.cautions}


def test_a_load_that_takes_up_more_than_a_tenth_of_the_charge(mixed):
    sides = set()
    for pieces in (2, 20, 30, 40, 50, 60):
        mixed["items"][1]["quantity"] = pieces
        result = checked(mixed)
        over = result.load.eo_taken_up_kg > 0.1 * result.load.eo_charge_kg
        assert ("load_depletes_eo" in load_codes(result)) is over, pieces
        sides.add(over)
    assert sides == {False, True}


def test_more_water_than_the_gas_of_the_chamber_holds(raw):
    raw["chamber"]["load_temperature_start_c"] = 50
    raw["items"][0]["parts"][0]["mass_g"] = 40_000
    sides = set()
    for water_mg in (1_000, 5_000, 20_000, 40_000):
        raw["items"][0]["external_water"] = {"area_cm2": 100, "measured_mg": water_mg}
        result = checked(raw)
        over = result.load.water_released_kg > result.load.water_capacity_kg
        assert ("chamber_water_saturated" in load_codes(result)) is over, water_mg
        sides.add(over)
    assert sides == {False, True}


def test_a_load_at_the_dew_point_of_the_chamber(raw):
    """60 % of saturation at 55 C is that at 44.7 C (steam tables: 15.76, at 45 C 9.59 kPa)."""
    for celsius, said in ((46.5, False), (43.5, True)):
        raw["chamber"]["load_temperature_start_c"] = celsius
        cautions = {c.code: c.where for c in checked(raw).cautions}
        assert ("load_cold" in cautions) is said, celsius
    assert cautions["load_cold"] == "43.5 C at the start; dew point of the chamber 44.7 C"


def test_a_load_whose_temperature_nobody_gave_is_taken_as_cold(raw):
    raw["chamber"]["load_temperature_start_c"] = None
    where = {c.code: c.where for c in checked(raw).cautions}["load_cold"]
    assert where.endswith("assumed; dew point of the chamber 44.7 C")


def test_full_loads_where_site_or_jurisdiction_ask_for_them_and_the_hours_differ(mixed):
    """40 CFR 63.10390 asks for full loads in the United States."""
    for place, rule, kept, said in (("eu", "on", 3, True), ("eu", "off", 3, False),
                                    ("eu", "on", 1, False), ("us", "off", 3, True)):  # fmt: skip
        changed = copy.deepcopy(mixed)
        changed["rules"] |= {"jurisdiction": place, "full_load": rule}
        changed["items"] = changed["items"][:kept]
        assert ("full_load" in load_codes(checked(changed))) is said, (place, rule, kept)


FULL_MG = 986e-3 * np.pi / 4.0 * 3.0**2 * 700.0  # of a bore of 3 mm by 700 mm, at 55 C


@pytest.mark.parametrize(
    ("code", "edge_mg"),
    [
        # 1/K: 0.058 mol/(m3 Pa) at 25 C falls by exp(-3200 K (1/298 - 1/328)), times R T: 59.
        ("eo_starvation", FULL_MG / 59.0),
        # Twice 2 sqrt(D t / pi), D = 3.1e-9 m2/s at 55 C, for 3 h and the injection.
        ("plug_beyond_penetration", FULL_MG * 4.0 * (3.1e-9 * 11400.0 / np.pi) ** 0.5 / 0.7),
    ],
)
def test_a_plug_just_below_and_above_its_edge(demo, code, edge_mg):
    """Closer than a tenth on either side, by the water that is there when EO comes."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][1:]
    raw["chamber"]["load_temperature_start_c"] = 55
    lumen = raw["items"][0]["lumens"][0]
    assert (lumen["bore_mm"], lumen["length_mm"], raw["cycle"]["exposure_h"]) == (3.0, 700, 3)
    shares = []
    for share, said in ((0.95, False), (1.15, True)):
        lumen |= {"measured_mg": share * edge_mg, "scale_error_mg": 0, "drying": []}
        item = checked(raw).items[0]
        assert (code in {c.code for c in item.cautions}) is said, share
        (place,) = (p for p in item.water_by_place if p.place == "plug")
        shares.append(1e6 * place.at_injection.p50 / edge_mg)
    assert 0.85 < shares[0] < 1.0 < shares[1] < 1.1
