"""Every caution about sterility and water follows from a plan, and goes when its cause goes."""

import copy
import json

import pytest

from eo_risk import reference
from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.plan.load_plan import read_plan

HOT_VACUUM = {"method": "vacuum", "minutes": 60, "air_temperature_c": 70, "vacuum_kpa": 5}


@pytest.fixture
def raw(demo):
    return json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))


def assessed(raw, *, item=None, lumen=None, cycle=None, instructions=None):
    """Check the sheath alone after a change."""
    raw = copy.deepcopy(raw)
    found = raw["items"][1]
    found |= item or {}
    found["lumens"][0] |= {"blocked": "no", "drying": []} | (lumen or {})
    found["instructions"] |= instructions or {}
    raw["cycle"] |= cycle or {}
    raw["items"] = [found]
    return check_plan(read_plan(raw), samples=64, advise=False)


def levels(result, code):
    return {c.level for c in result.items[0].cautions if c.code == code}


# A full lumen of 3 mm x 700 mm is 4.9 g; EO comes 6.5 mm deep in 3 h at 55 C.
FULL, DRY = {"measured_mg": 4500}, {"measured_mg": 0}


def again(*case):
    """A caution that test_verdict_table.py or test_caution_boundaries.py tries in other numbers."""
    return pytest.param(*case, marks=pytest.mark.slow)


@pytest.mark.parametrize(
    ("code", "level", "with_it", "without_it"),
    [
        ("plug_beyond_penetration", "warn", {"lumen": FULL}, {"lumen": DRY}),
        ("plug_beyond_penetration", "block", {"lumen": FULL | {"open_ends": 1}},
         {"lumen": DRY | {"open_ends": 1}}),
        # 1/K is 2 % of the bore at 55 C: 100 mg of 4.9 g.
        ("eo_starvation", "warn", {"lumen": {"measured_mg": 150}}, {"lumen": {"measured_mg": 50}}),
        ("lumen_closed", "block", {"lumen": {"open_ends": 0}}, {}),
        ("channel_blocked", "block", {"lumen": {"blocked": "yes"}}, {}),
        ("gas_access_doubtful", "block", {"lumen": {"open_ends": "unknown"}}, {}),
        again("humidity_too_low", "block", {"cycle": {"conditioning_rh_percent": 39}},
         {"cycle": {"conditioning_rh_percent": 40}}),
        ("humidity_too_low", "block", {"cycle": {"conditioning_rh_percent": "unknown"}}, {}),
        again("humidity_too_high", "warn", {"cycle": {"conditioning_rh_percent": 81}},
         {"cycle": {"conditioning_rh_percent": 80}}),
        ("desiccated", "warn", {"lumen": {"drying": [HOT_VACUUM]}},
         {"lumen": {"drying": [HOT_VACUUM | {"method": "cabinet"}]}}),
        again("oil_lubricant", "block", {"item": {"lubricant": "oil"}},
         {"item": {"lubricant": "water_based"}}),
        again("salt_left", "block", {"item": {"rinse_water": "saline"}},
         {"item": {"rinse_water": "treated"}}),
        again("tap_rinse", "inform", {"item": {"rinse_water": "tap"}},
         {"item": {"rinse_water": "treated"}}),
        ("salt_takes_up_water", "warn",
         {"item": {"rinse_water": "tap"}, "cycle": {"conditioning_rh_percent": 78}},
         {"item": {"rinse_water": "tap"}, "cycle": {"conditioning_rh_percent": 70}}),
        again("moisten_for_steam", "warn", {"instructions": {"moisten_for_steam": "yes"}},
         {"instructions": {"moisten_for_steam": "no"}}),
        ("wet_neighbour", "warn", {"item": {"beside": [{"kind": "tray"}]}},
         {"item": {"beside": [{"kind": "tray", "state": "dry"}]}}),
        again("liquid_seen", "block", {"lumen": {"droplets_seen": "yes"}},
         {"lumen": {"droplets_seen": "no"}}),
        ("liquid_seen", "block", {"lumen": {"droplets_seen": "no", "droplets_counted": 3}},
         {"lumen": {"droplets_seen": "no"}}),
        ("instructions_exceeded", "block",
         {"instructions": {"highest_air_pressure_gauge_bar": 0.5},
          "lumen": {"drying": [{"method": "compressed_air", "minutes": 1,
                                "pressure_gauge_bar": 1.0}]}}, {}),
    ],
)  # fmt: skip
def test_a_caution_stands_with_its_cause_and_goes_without(raw, code, level, with_it, without_it):
    assert levels(assessed(raw, **with_it), code) == {level}
    assert levels(assessed(raw, **without_it), code) == set()
    rule = reference.caution_rules()[code]
    assert rule.text
    assert rule.action


def test_wet_neighbours_stand_at_the_load_too(raw):
    raw["items"][0]["beside"] = [{"kind": "textile", "state": "soaked", "dry_mass_g": 80}]
    result = check_plan(read_plan(raw), samples=64, advise=False)
    assert "wet_neighbour" in {caution.code for caution in result.cautions}


@pytest.mark.parametrize(
    ("where", "change", "given", "allowed"),
    [
        ("lumens[0].bore_mm", {"bore_mm": 0}, "0", "0.01 to 100 mm"),
        ("lumens[0].drying[0].minutes", {"drying": [{"method": "bench", "minutes": -1}]}, "-1",
         "0 to 100000 min"),
        ("lumens[0].drying[0].pressure_gauge_bar",
         {"drying": [{"method": "compressed_air", "pressure_gauge_bar": 10.5}]}, "10.5",
         "0 to 10 bar gauge"),
        ("lumens[0].emptied.pressure_gauge_bar", {"emptied": {"how": "air",
                                                              "pressure_gauge_bar": 11}}, "11",
         "0 to 10 bar gauge"),
        ("lumens[0].drying[0].air_rh_percent", {"drying": [{"method": "bench",
                                                            "air_rh_percent": 101}]}, "101",
         "0 to 100 %"),
        ("lumens[0].measured_mg", {"measured_mg": 5000}, "5000", "up to 4948 mg"),
    ],
)  # fmt: skip
def test_bad_numbers_of_water_name_path_value_and_range(raw, where, change, given, allowed):
    with pytest.raises(InputError) as caught:
        assessed(raw, lumen=change)
    (fault,) = caught.value.faults
    assert fault.where == f"items[0].{where}"
    assert fault.given.startswith(given)
    assert fault.allowed == allowed
    assert fault.do


def test_chamber_humidity_above_100_percent_is_refused(raw):
    with pytest.raises(InputError) as caught:
        assessed(raw, cycle={"conditioning_rh_percent": 100.5})
    assert caught.value.faults[0].where == "cycle.conditioning_rh_percent"
    assert caught.value.faults[0].allowed == "0 to 100 %"


MIXTURE = {"total_pressure_kpa": 460, "gas": {"eo_mass_percent": 8.5, "balance": "co2"}}


@pytest.mark.parametrize(
    ("highest_kpa", "pressure_kpa", "code"),
    [(460, 460, None), (459, 460, "instructions_exceeded"), (700, None, "instructions_exceeded"),
     ("none", 460, None), (None, 460, "requirement_unknown"), (None, None, "requirement_unknown")],
)  # fmt: skip
def test_the_chamber_has_a_limit_of_its_own(raw, highest_kpa, pressure_kpa, code):
    """The limit of drying air, 1.5 bar gauge here, is none of the chamber."""
    found = assessed(raw, instructions={"highest_air_pressure_gauge_bar": 1.5,
                                        "highest_chamber_kpa": highest_kpa},
                     cycle=MIXTURE | {"total_pressure_kpa": pressure_kpa})  # fmt: skip
    for one in ("instructions_exceeded", "requirement_unknown"):
        assert levels(found, one) == ({"block"} if one == code else set())


def test_a_chamber_below_ambient_asks_for_no_limit(raw):
    found = assessed(raw, cycle={"total_pressure_kpa": 101})
    assert levels(found, "requirement_unknown") == set()
    found = assessed(raw, cycle={"total_pressure_kpa": 102})
    assert levels(found, "requirement_unknown") == {"block"}


@pytest.mark.parametrize(("changes", "said"), [(0, True), (0.1, False), (None, False)])
def test_an_aeration_without_a_change_of_air_is_warned_of(raw, changes, said):
    raw["aeration"][0]["air_changes_per_h"] = changes
    cautions = check_plan(read_plan(raw), samples=16, advise=False).cautions
    where = [(c.level, c.where) for c in cautions if c.code == "no_air_changes"]
    assert where == ([("warn", "aeration 1")] if said else [])
