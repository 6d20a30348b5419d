"""One plan per row of the verdict table and per boundary; every caution from a plan.

The table is the project's own rule, first match wins: Hold (a caution blocks, or the 5 % bound
is above a limit), Not assessed (no figure), Close (a limit lies inside the band), Within.
"""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from eo_risk import reference
from eo_risk.judgement.allowed.residues import decide
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.cautions import caution
from eo_risk.judgement.result import Band, Residue
from eo_risk.plan.load_plan import read_plan

LIMIT = 4.0
ABOVE, BELOW = LIMIT * (1 + 1e-12), LIMIT * (1 - 1e-12)


def row(p05, p95, limit=LIMIT, **over):
    plain = Residue("EO", "mg_per_device", "24h", "whole", Band(p05, (p05 + p95) / 2, p95), limit,
                    "mg", "limit", "test", True)  # fmt: skip
    return replace(plain, **over)


@pytest.mark.parametrize(
    ("p05", "p95", "verdict"),
    [
        (0.0, BELOW, "Within"),
        (0.0, LIMIT, "Within"),  # inside means not greater than
        (LIMIT, LIMIT, "Within"),
        (0.0, ABOVE, "Close"),
        (LIMIT, ABOVE, "Close"),  # above means greater than
        (ABOVE, 2 * LIMIT, "Hold"),
    ],
)
def test_boundaries_of_one_limit(p05, p95, verdict):
    assert decide([row(p05, p95)], (), ()) == verdict


@pytest.mark.parametrize(
    ("rows", "cautions", "missing", "verdict"),
    [
        ([row(0, 1)], ["use_not_allowed"], [], "Hold"),
        ([row(0, 1)], ["use_not_allowed"], ["no body mass"], "Hold"),
        ([row(5, 9)], [], ["no body mass"], "Hold"),
        ([row(0, 1)], [], ["no body mass"], "Not assessed"),
        ([row(0, 9)], [], ["no body mass"], "Not assessed"),
        ([row(0, 1, limit=None)], [], [], "Not assessed"),
        ([row(0, 1), row(0, 1, limit=None)], [], [], "Not assessed"),
        ([], [], [], "Not assessed"),
        ([row(0, 1), row(0, 9)], [], [], "Close"),
        ([row(0, 1), row(5, 9)], [], [], "Hold"),
        ([row(0, 1), row(5, 9, used_for_verdict=False)], [], [], "Within"),
        ([row(0, 1)], ["eo_starvation", "tap_rinse"], [], "Within"),
    ],
)
def test_the_first_row_that_matches_wins(rows, cautions, missing, verdict):
    assert decide(rows, tuple(caution(code) for code in cautions), missing) == verdict


def raw_of(demo, name, *picked):
    raw = json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][i] for i in picked] if picked else raw["items"]
    return raw


def checked(raw, samples=64):
    return check_plan(read_plan(raw), samples=samples, advise=False)


@pytest.mark.parametrize(
    ("name", "index", "edit", "verdict"),
    [
        ("dry_steel_set", 0, {}, "Within"),
        ("small_patient", 1, {}, "Close"),
        ("mixed_load_thick_pvc", 1, {}, "Hold"),  # 5 % bound above the limit
        ("dry_steel_set", 0, {"instructions": {"eo_allowed": "no"}}, "Hold"),  # a caution
        ("dry_steel_set", 0, {"patient": {"duration": None}}, "Not assessed"),
    ],
)
def test_one_plan_per_row(demo, name, index, edit, verdict):
    raw = raw_of(demo, name, index)
    for block, fields in edit.items():
        raw["items"][0][block] |= fields
    result = checked(raw, 256)
    assert [i.verdict for i in result.items] == [result.verdict] == [verdict]


@pytest.mark.parametrize(
    ("bound", "factor", "verdict"),
    [("p95", 1 + 1e-5, "Within"), ("p95", 1 - 1e-5, "Close"),
     ("p05", 1 + 1e-5, "Close"), ("p05", 1 - 1e-5, "Hold")],
)  # fmt: skip
def test_one_plan_per_boundary(demo, bound, factor, verdict):
    """A site's own limit is laid just beside a bound of the EO of a tube.

    After 8 h even its 5 % bound is more than nothing, and it gives off so much more than the air
    around it holds that the air, which is looked at for the limit, moves the bound by 4e-6.
    """
    raw = raw_of(demo, "small_patient", 0)
    raw["items"][0]["instructions"]["aeration_h"] = raw["site_minimum_aeration_h"] = 0
    raw["items"][0]["patient"]["contact_area_cm2"] = 1000  # the amount decides, not the area
    raw["aeration"] = [raw["aeration"][0] | {"hours": 8}]
    eo = next(r for r in checked(raw).items[0].residues
              if r.substance == "EO" and r.period == "24h" and r.used_for_verdict)  # fmt: skip
    limit_mg = 1e6 * getattr(eo.band, bound) * factor
    assert limit_mg > 0.0
    raw["own_limits"] = [{"category": "limited", "substance": "EO", "quantity": "mg_per_device",
                          "period": "24h", "limit": limit_mg, "unit": "mg",
                          "source": "invented for the boundary", "clause": "1"}]  # fmt: skip
    assert checked(raw).items[0].verdict == verdict


@pytest.mark.parametrize(
    ("spoilt", "verdict"),
    [((), "Within"), (("Close",), "Close"), (("Close", "Not assessed"), "Not assessed"),
     (("Close", "Not assessed", "Hold"), "Hold")],
)  # fmt: skip
def test_the_load_has_the_worst_verdict_of_its_items(demo, spoilt, verdict):
    raw = raw_of(demo, "dry_steel_set")
    raw["aeration"] = raw_of(demo, "small_patient")["aeration"]
    for kind in spoilt:
        item = raw_of(demo, "dry_steel_set", 1)["items"][0] | {"name": kind}
        if kind == "Close":
            item = raw_of(demo, "small_patient", 1)["items"][0] | {"name": kind}
        elif kind == "Hold":
            item = item | {"lubricant": "oil"}
        else:
            item = item | {"patient": item["patient"] | {"duration": None}}
        raw["items"].append(item)
    result = checked(raw, 256)
    assert [i.verdict for i in result.items] == ["Within"] * 3 + list(spoilt)
    assert result.verdict == verdict


# What makes each caution stand on a dry steel tube that has none that blocks or warns:
# block of the plan, fields; the level that stands in the table of cautions.
ITEM = {
    "liquid_seen": {"droplets_seen": "yes"},
    "salt_left": {"rinse_water": "saline"},
    "rinse_water_unknown": {"rinse_water": None},
    "oil_lubricant": {"lubricant": "oil"},
    "lubricant_unknown": {"lubricant": None},
    "pack_not_permeable": {"packaging": "foil"},
    "packaging_unknown": {"packaging": ""},
    "not_looked_outside": {"droplets_seen": "not_looked"},
    "tap_rinse": {"rinse_water": "tap"},
    "earlier_cycles": {"earlier_eo_cycles": 2},
    "earlier_cycles_unfollowed": {"earlier_eo_cycles": 200, "part": {
        "material": "pmma", "shape": "sheet", "mass_g": 20, "thickness_mm": 8, "faces": 2}},
    "slows_as_it_empties": {"part": {"material": "pet", "shape": "sheet", "mass_g": 2,
                                     "thickness_mm": 1, "faces": 2}},
    "needed_too_soon": {"needed_by": "2026-04-14T09:00+02:00"},
    "use_not_allowed": {"instructions": {"eo_allowed": "no"}},
    "use_unknown": {"instructions": {"eo_allowed": None}},
    "requirement_unknown": {"instructions": {"highest_temperature_c": None}},
    "moisten_for_steam": {"instructions": {"moisten_for_steam": "yes"}},
    "instructions_exceeded": {"instructions": {"highest_temperature_c": 50}},
    "aeration_below_required": {"instructions": {"aeration_h": 30}},
    "not_looked": {"lumen": {"droplets_seen": "not_looked"}},
    "channel_blocked": {"lumen": {"blocked": "yes"}},
    "lumen_closed": {"lumen": {"open_ends": 0}},
    "gas_access_doubtful": {"lumen": {"open_ends": None}},
    "eo_starvation": {"lumen": {"measured_mg": 400, "scale_error_mg": 1}},
    "desiccated": {"external_water": {"drying": [{"method": "vacuum", "minutes": 60,
                                                  "air_temperature_c": 50, "vacuum_kpa": 2}]}},
    "mass_geometry_differ": {"part": {"material": "silicone", "shape": "tube", "mass_g": 200,
                                      "wall_mm": 1, "outer_diameter_mm": 6, "name": "tube"}},
    "glycol_in_hydrogel": {"part": {"material": "hydrogel", "shape": "sheet", "mass_g": 2,
                                    "thickness_mm": 1}},
    "slow_tail": {"part": {"material": "pvc_plasticised", "shape": "sheet", "mass_g": 20,
                           "thickness_mm": 2, "faces": 2}},
    "estimated_material": {"part": {"material": "epdm", "shape": "sheet", "mass_g": 20,
                                    "thickness_mm": 1, "faces": 2}},
    "beyond_cap": {"part": {"material": "pvc_plasticised", "shape": "sheet", "mass_g": 200,
                            "thickness_mm": 6, "faces": 1}},
}  # fmt: skip
PLAN = {
    "humidity_too_low": {"conditioning_rh_percent": 39},
    "humidity_too_high": {"conditioning_rh_percent": 81},
}


def tube(demo):
    return raw_of(demo, "dry_steel_set", 2)


def spoilt(demo, code):
    raw = tube(demo)
    item = raw["items"][0]
    for key, value in ITEM[code].items():
        if key == "lumen":
            item["lumens"][0] |= value
        elif key == "part":
            item["parts"][0] = {"name": item["parts"][0]["name"]} | value
            item["lumens"][0]["wall_part"] = item["parts"][0]["name"]
        elif isinstance(value, dict):
            item[key] |= value
        else:
            item[key] = value
    return raw


def levels(raw):
    return {c.code: c.level for c in checked(raw).items[0].cautions}


@pytest.fixture(scope="module")
def unspoilt(demo):
    found = levels(tube(demo))
    assert set(found.values()) <= {"inform"}
    return found


@pytest.mark.parametrize("code", ITEM)
def test_a_caution_stands_when_its_plan_says_so(demo, unspoilt, code):
    result = checked(spoilt(demo, code))
    rule = reference.caution_rules()[code]
    assert {c.code: c.level for c in result.items[0].cautions}.get(code) == rule.level
    assert code not in unspoilt
    if rule.level == "block":
        assert result.verdict == "Hold"


@pytest.mark.parametrize("code", PLAN)
def test_a_caution_of_the_chamber(demo, code):
    raw = tube(demo)
    raw["cycle"] |= PLAN[code]
    assert levels(raw).get(code) == reference.caution_rules()[code].level
    edge = reference.record(f"decision.humidity_{code.rsplit('_', 1)[-1]}").value
    raw["cycle"]["conditioning_rh_percent"] = edge
    assert code not in levels(raw)


@pytest.mark.parametrize(
    ("rule", "before", "expected"),
    [("stop", "yes", ("irradiated_chlorinated", "block")),
     ("warn", "yes", ("irradiated_chlorinated", "warn")), ("off", "yes", None),
     ("stop", None, ("irradiation_unknown", "block")),
     ("warn", None, ("irradiation_unknown", "inform")), ("stop", "no", None)],
)  # fmt: skip
def test_irradiated_chlorinated_plastic_by_the_rule_of_the_site(demo, rule, before, expected):
    raw = raw_of(demo, "small_patient", 0)
    raw["rules"]["irradiated_chlorinated"] = rule
    raw["items"][0]["irradiated_before"] = before
    found = {c: v for c, v in levels(raw).items() if c.startswith("irradi")}
    assert found == ({} if expected is None else dict([expected]))


@pytest.mark.parametrize("level", ["block", "warn"])
def test_glycol_above_its_reference_by_the_rule_of_the_site(demo, level):
    raw = tube(demo)
    raw["rules"]["glycol_above_reference"] = level
    raw["items"][0]["lumens"][0] |= {"measured_mg": 400, "scale_error_mg": 1}
    raw["items"][0]["patient"] |= {"body_mass_kg": 3, "body_mass_reason": "lightest"}
    assert levels(raw)["glycol_above_reference"] == level


@pytest.mark.parametrize(("open_ends", "level"), [(1, "block"), (2, "warn")])
def test_a_long_plug_blocks_when_it_is_the_only_gas_path(demo, open_ends, level):
    raw = tube(demo)
    raw["items"][0]["lumens"][0] |= {"measured_mg": 1500, "scale_error_mg": 1,
                                     "open_ends": open_ends}  # fmt: skip
    assert levels(raw)["plug_beyond_penetration"] == level


def test_an_outside_left_dripping_is_liquid_seen(demo):
    raw = raw_of(demo, "dry_steel_set", 0)
    raw["items"][0]["external_water"] = {"area_cm2": 100, "state": "dripping"}
    assert checked(raw).items[0].verdict == "Hold"
    assert levels(raw)["liquid_seen"] == "block"


def test_a_material_outside_the_range_of_its_records(demo):
    raw = spoilt(demo, "slow_tail")
    raw["items"][0]["instructions"]["highest_temperature_c"] = 90
    raw["aeration"][0]["temperature_c"] = 85
    assert levels(raw)["outside_material_range"] == "warn"


def load_levels(raw):
    return {c.code: c.level for c in checked(raw).cautions}


def test_cautions_of_the_load(demo):
    raw = raw_of(demo, "dry_steel_set")
    raw["chamber"]["load_temperature_start_c"] = 2
    assert load_levels(raw).get("load_cold") == "warn"
    raw["items"][0]["external_water"] = {"area_cm2": 100, "textile_g": 200}
    assert load_levels(raw).get("wet_neighbour") == "warn"
    raw = raw_of(demo, "mixed_load_thick_pvc")
    assert "load_depletes_eo" not in load_levels(raw)
    raw["items"][1]["quantity"] = 60
    assert load_levels(raw).get("load_depletes_eo") == "warn"
    raw = raw_of(demo, "mixed_load_thick_pvc")
    doubt = "not known whether "
    for held, place, said in (("no", "cabinet", []), ("yes", "cabinet", [""]),
                              (None, "cabinet", [doubt]), (None, None, [doubt]),
                              ("yes", "room", [])):  # fmt: skip
        raw["aeration"][0] |= {"holds_other_load": held, "place": place}
        found = [c for c in checked(raw).cautions if c.code == "other_load_in_aerator"]
        assert [c.where for c in found] == [f"aeration 1, {words}another load is in it"
                                            for words in said]  # fmt: skip
        assert all(c.level == "warn" for c in found)
    raw = raw_of(demo, "mixed_load_thick_pvc")
    raw["rules"]["full_load"] = "on"
    assert load_levels(raw).get("full_load") == "inform"
    raw = raw_of(demo, "wet_lumen")
    raw["items"][0]["quantity"] = 1
    raw["items"][0]["external_water"] = {"area_cm2": 100, "measured_mg": 40_000}
    raw["items"][0]["parts"][0]["mass_g"] = 40_000
    raw["chamber"]["load_temperature_start_c"] = 50
    assert load_levels(raw).get("chamber_water_saturated") == "warn"


def test_every_caution_of_the_table_is_tried_here_or_in_a_test_of_its_own():
    tried = {*ITEM, *PLAN, "irradiated_chlorinated", "irradiation_unknown",
             "glycol_above_reference", "plug_beyond_penetration", "outside_material_range",
             "load_cold", "other_load_in_aerator", "wet_neighbour", "load_depletes_eo",
             "full_load", "chamber_water_saturated", "salt_takes_up_water"}  # fmt: skip
    elsewhere = {"correlation_only": "test_last_resort.py",
                 "glycol_removal_credited": "test_glycol_credit.py",
                 "start_level_elsewhere": "test_start_level.py",
                 "no_air_changes": "test_sterility_cautions.py"}  # fmt: skip
    assert not tried & set(elsewhere)
    for code, name in elsewhere.items():
        assert code in (Path(__file__).parent / name).read_text(encoding="utf-8")
    assert set(reference.caution_rules()) == tried | set(elsewhere)


def test_salt_takes_up_water_above_its_humidity(demo):
    raw = tube(demo)
    raw["items"][0]["rinse_water"] = "tap"
    edge = reference.record("decision.salt_humidity").value
    for humidity, stands in ((edge, False), (edge + 1, True)):
        raw["cycle"]["conditioning_rh_percent"] = humidity
        assert ("salt_takes_up_water" in levels(raw)) == stands


def test_worst_first(demo):
    raw = spoilt(demo, "tap_rinse")
    raw["items"][0] |= {"droplets_seen": "not_looked", "lubricant": "oil"}
    raw["items"][0]["instructions"]["moisten_for_steam"] = "yes"
    order = [c.level for c in checked(raw).items[0].cautions]
    assert order == sorted(order, key=["block", "warn", "inform"].index)
    assert order[0] == "block"
    assert order[-1] == "inform"
