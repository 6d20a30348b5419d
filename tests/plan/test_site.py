"""The site file: names become values, single fields are overridden, broken entries named."""

import json

import pytest

from eo_risk.errors import InputError
from eo_risk.judgement.limits import limits_for
from eo_risk.plan.load_plan import plan_json, read_plan
from eo_risk.plan.own_numbers import own_edition
from eo_risk.plan.site import (
    Site,
    default_site_path,
    merged,
    parse_site,
    plan_from_items,
    plan_of,
    read_site,
    resolve,
)
from eo_risk.plan.tables import read_items


@pytest.fixture(scope="module")
def site(demo):
    return read_site(demo / "site.toml")


@pytest.fixture
def named(demo):
    return json.loads((demo / "by_names" / "dry_steel_set.json").read_text(encoding="utf-8"))


@pytest.fixture
def full(demo):
    return json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))


def refused(raw, site):
    with pytest.raises(InputError) as caught:
        resolve(raw, site)
    return {fault.where: fault for fault in caught.value.faults}


def test_names_and_values_written_out_are_one_plan(named, full, site):
    by_names = read_plan(resolve(named, site))
    written_out = read_plan(resolve(full, site))
    assert by_names.sha256 == written_out.sha256
    saved = plan_json(by_names)
    assert "device" not in json.loads(saved)["items"][0]
    # What was saved needs no site file, and the site file does not change it.
    assert read_plan(json.loads(saved)).sha256 == by_names.sha256
    assert read_plan(resolve(json.loads(saved), site)).sha256 == by_names.sha256
    changed = site.model_copy(update={"site_minimum_aeration_h": 99.0, "device": ()})
    assert read_plan(resolve(json.loads(saved), changed)).sha256 == by_names.sha256


def test_the_demo_site_has_no_broken_entry(site):
    assert site.broken_faults == ()
    assert site.name.endswith("(invented)")


def test_single_fields_override_and_the_rest_stays(named, site):
    named["cycle"] = {"name": "warm 55", "exposure_h": 4, "washes": {"count": 6}}
    named["aeration"] = {"name": "cabinet 12 h", "steps": [{"hours": 14}]}
    named["room"] = {"name": "sterile processing", "air_changes_per_h": 12}
    named["rules"] = {"jurisdiction": "de"}
    named["items"][2]["lumens"][0] |= {"bore_mm": 3.5, "length_mm": "unknown"}
    named["items"].append({"device": "retractor frame", "name": "second frame", "joints": 3})
    plan = read_plan(resolve(named, site))
    assert (plan.cycle.exposure_h, plan.cycle.temperature_c) == (4.0, 55.0)
    assert (plan.cycle.washes.count, plan.cycle.washes.low_kpa) == (6, 8.0)
    assert [step.hours for step in plan.aeration] == [14.0, 2.0]
    assert plan.aeration[0].temperature_c == 50.0
    assert (plan.room.volume_m3, plan.room.air_changes_per_h) == (30.0, 12.0)
    assert (plan.rules.jurisdiction, plan.rules.time_zone) == ("de", "Europe/Berlin")
    assert plan.steriliser == "EO-1"
    assert plan.chamber.volume_l == 136.0
    assert plan.site_minimum_aeration_h == 12.0
    lumen = plan.items[2].lumens[0]
    assert (lumen.bore_mm, lumen.length_mm, lumen.droplets_seen) == (3.5, 220.0, "no")
    assert (plan.items[3].name, plan.items[3].joints) == ("second frame", 3)
    assert plan.items[3].parts[0].material == "stainless_steel"


def test_steps_may_name_aerators_one_by_one(named, site):
    named["aeration"] = [
        {"aerator": "cool cabinet", "hours": 10, "holds_other_load": "yes"},
        {"hours": 1, "temperature_c": 21},
    ]
    first, second = read_plan(resolve(named, site)).aeration
    assert (first.hours, first.temperature_c, first.place) == (10.0, 38.0, "cabinet")
    assert first.holds_other_load == "yes"
    assert (second.hours, second.place) == (1.0, None)


def test_local_times_take_the_sites_time_zone(named, site):
    named["items"][0]["needed_by"] = "2026-04-14T15:00"
    plan = read_plan(resolve(named, site))
    assert plan.cycle_start.isoformat() == "2026-04-14T06:30:00+02:00"
    assert plan.items[0].needed_by.isoformat() == "2026-04-14T15:00:00+02:00"
    named["items"][0]["needed_by"] = "03:00"
    plan = read_plan(resolve(named, site))
    assert plan.items[0].needed_by.isoformat() == "2026-04-15T03:00:00+02:00"
    named["cycle_start"] = "2026-03-29T02:30"
    assert "skip" in str(refused(named, site)["cycle_start"])
    named["items"][0]["packaging"] = "blue wrp"
    with pytest.raises(InputError) as caught:
        plan_of(named, site)
    # A time of day is no fault beside that of the start it counts from; own names are offered.
    wrap, start = caught.value.faults
    assert (wrap.where, start.where) == ("items[0].packaging", "cycle_start")
    assert wrap.allowed.startswith("closest: blue wrap, ")
    del named["items"][0]["packaging"]
    named |= {"cycle_start": "2026-03-29"}
    named["items"][0]["needed_by"] = "2026-03-30"
    with pytest.raises(InputError) as caught:
        plan_of(named, site)
    assert [(fault.where, fault.do) for fault in caught.value.faults] == [
        ("cycle_start", "Add the time of day."), ("items[0].needed_by", "Add the time of day."),
    ]  # fmt: skip


def test_a_time_of_day_needs_the_start_of_the_cycle(named, site):
    named["items"][0]["needed_by"] = "15:00"
    named["cycle_start"] = "unknown"
    found = refused(named, site)
    assert list(found) == ["items[0].needed_by"]
    assert "--cycle-start" in found["items[0].needed_by"].do
    named["cycle_start"] = "06:30"
    assert refused(named, site)["cycle_start"].do == "Add the date."


def test_own_packaging_names_and_the_lightest_patient(site, named):
    named["items"] = [{"device": "thick soft mask"}, {"device": "thick soft mask", "name": "own",
                      "packaging": "blue wrap", "patient": {"body_mass_kg": 40}}]  # fmt: skip
    mask, own = read_plan(resolve(named, site)).items
    assert mask.starting_type == "mask_thick_soft"
    assert mask.parts[0].material == "pvc_plasticised"
    assert mask.patient.body_mass_kg == 12.0
    assert "lightest patient" in mask.patient.body_mass_reason
    assert own.packaging == "nonwoven_wrap"
    assert (own.patient.body_mass_kg, own.patient.body_mass_reason) == (40.0, "")
    assert own.patient.devices_used_together == 2


def test_what_is_usual_fills_only_what_a_new_item_and_its_device_leave_unknown():
    site = parse_site(
        '[usual]\nrinse_water = "treated"\nlubricant = "none"\n'
        '[[device]]\nname = "scope"\nlubricant = "water_based"\n'
        'parts = [{ name = "sheath", material = "silicone" }]\n'
        '[[cycle]]\nname = "c"\n[[aeration]]\nname = "a"\nsteps = [{ hours = 12 }]\n'
    )
    parts = [{"name": "body", "material": "silicone"}]
    listed = [
        {"device": "scope"}, {"name": "a", "parts": parts, "rinse_water": "tap"},
        {"name": "b", "parts": parts, "lubricant": "unknown"},
    ]  # fmt: skip
    raw = plan_from_items(listed, "c", "a", site)
    items = read_plan(raw).items
    assert [(i.rinse_water, i.lubricant, i.irradiated_before) for i in items] == [
        ("treated", "water_based", None), ("tap", "none", None), ("treated", "none", None),
    ]  # fmt: skip
    raw["items"][1]["rinse_water"] = "unknown"  # in a plan an unknown stays unknown
    assert read_plan(resolve(raw, site)).items[1].rinse_water is None
    with pytest.raises(InputError, match="treated"):
        parse_site('[usual]\nrinse_water = "treatd"\n')
    with pytest.raises(InputError, match="lubricant"):
        parse_site('[usual]\nlubricants = "none"\n')


def test_every_name_that_is_not_there_is_reported_with_the_nearest(named, site):
    named["cycle"] = "warm 56"
    named["aeration"] = "cabinet 13 h"
    named["room"] = {"name": "kitchen"}
    named["items"][0]["device"] = "curved forceps"
    named["items"][1] = {"name": "x", "starting_type": "forcep"}
    found = refused(named, site)
    assert set(found) == {
        "cycle.name", "aeration.name", "room.name", "items[0].device", "items[1].starting_type",
    }  # fmt: skip
    assert "warm 55" in found["cycle.name"].allowed
    assert "cabinet 12 h" in found["aeration.name"].allowed
    assert "sterile processing" in found["room.name"].allowed
    assert "set of six" in found["items[0].device"].allowed
    assert "forceps" in found["items[1].starting_type"].allowed
    assert "has no cycle" in refused(named, Site())["cycle.name"].allowed


BROKEN = """
[[device]]
name = "good"
parts = [{ name = "body", material = "silicone", mass_g = 10 }]
[[device]]
name = "bad"
parts = [{ name = "body", material = "silicon", mass_g = -1 }]
colour = "blue"
[[device]]
name = "good"
parts = []
[[cycle]]
temperature_c = 55
[[room]]
name = "r"
volume_m3 = "30 kg"
[[aerator]]
name = "a"
air_changes_per_h = 30
"""


def test_one_broken_entry_leaves_the_rest_usable_and_is_named(named):
    site = parse_site(BROKEN)
    assert site.names("device") == ["good"]
    assert site.names("aerator") == ["a"]
    assert [(b.kind, b.name) for b in site.broken] == [
        ("device", "bad"), ("device", "good"), ("cycle", "number 1"), ("room", "r"),
    ]  # fmt: skip
    text = "\n".join(str(fault) for fault in site.broken_faults)
    assert "site file, device 'bad': parts[0].mass_g" in text
    assert "site file, device 'bad': colour" in text
    assert "site file, room 'r': volume_m3: '30 kg'" in text
    named["items"] = [{"device": "good"}]
    for key in ("cycle", "aeration", "room"):
        named.pop(key)
    assert resolve(named, site)["items"][0]["parts"][0]["material"] == "silicone"
    named["items"] = [{"device": "bad"}]
    assert "Correct this entry" in refused(named, site)["items[0].device"].do


@pytest.mark.parametrize(
    "text",
    [
        '[[device]]\nname = "unknown"',
        '[[device]]\nname = "d"\npackaging = []',
        '[[device]]\nname = "d"\nquantity = inf',
        '[[device]]\nname = ["d"]\nparts = "steel"',
        'device = 3',
        '[[limit]]\nsubstance = "EG"',
    ],
)
def test_any_broken_entry_is_named_and_never_a_crash(text):
    site = parse_site(text)
    assert len(site.broken) == 1
    assert site.broken_faults[0].where.startswith(f"site file, {site.broken[0].kind} ")


def test_an_unknown_material_breaks_its_device_only():
    site = parse_site(
        '[[device]]\nname = "d"\nparts = [{ name = "b", material = "silicon" }]\n'
        '[[device]]\nname = "e"\nparts = [{ name = "b", material = "silicone" }]\n'
    )
    assert site.names("device") == ["e"]
    assert "silicone" in site.broken_faults[0].allowed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[device", "TOML"),
        ("[[devise]]\nname = 'x'", "device"),
        ("schema_version = 2", "version 1"),
        ("site_minimum_aeration_h = -1", "0 to 2000 h"),
        ("[rules]\nedition = 'iso'", "iso10993-7"),
        ("[rules]\ntime_zon = 'UTC'", "time_zone"),
        ("[units_shown]\ntemperature = 'K'", "C, F"),
        ("room = 'kitchen'", "site file, room"),
    ],
)
def test_what_holds_for_every_load_is_never_left_out(text, said):
    if text.startswith("room"):
        assert said in str(parse_site(text).broken_faults[0])
        return
    with pytest.raises(InputError, match=said):
        parse_site(text)


def test_gauge_and_vacuum_readings_take_the_sites_ambient_pressure(named):
    text = '[rules]\nambient_kpa = 84\n[[cycle]]\nname = "c"\nevacuation_kpa = "20 inHg vacuum"\n'
    # 1 inHg = 3.386389 kPa (NIST SP 811 appendix B): 84 - 20 x 3.386389 = 16.27 kPa.
    assert parse_site(text).cycle[0].evacuation_kpa == pytest.approx(16.27, rel=1e-3)


OWN = """
[[material_record]]
id = "site-silicone-D"
material = "silicone"
quantity = "diffusivity"
value = 2e-6
low = 1e-6
high = 4e-6
unit = "cm2/s"
status = "measured"
source = "own dissipation study (invented)"
locator = "table 1"
[[limit]]
category = "limited"
substance = "EO"
quantity = "mg_per_device"
period = "24h"
limit = 2
unit = "mg"
source = "site rule (invented)"
"""


def test_own_records_and_limits_stand_in_the_resolved_plan(named, site):
    own = parse_site(OWN)
    assert own.broken_faults == ()
    both = site.model_copy(update={"material_record": own.material_record, "limit": own.limit})
    steel_only = read_plan(resolve(named, both))
    assert steel_only.own_records == ()
    assert steel_only.own_limits[0].limit == 2.0
    assert steel_only.sha256 != read_plan(resolve(named, site)).sha256
    named["items"].append({"name": "tube", "starting_type": "silicone_tube_thin"})
    record = read_plan(resolve(named, both)).own_records[0]
    assert record.replaces == "silicone.diffusivity"
    assert record.as_record().data_class == "A"
    assert record.as_record().value_si == pytest.approx(2e-10)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"silicone"', '"silicon"', "closest: silicone"),
        ('"diffusivity"', '"diffusion"', "one of: diffusivity, "),
        ("low = 1e-6", "low = 3e-6", "low <= value <= high"),
        ('unit = "cm2/s"', 'unit = "mg"', "cm2/s, as this"),
        ('source = "own dissipation study (invented)"\n', "", "source"),
        ('source = "site rule (invented)"\n', "", "source"),
        ("limit = 2", "limit = 0", "more than 0"),
        ('status = "measured"\n', "", "status"),
        ('unit = "mg"', 'unit = "ug/cm2"', "a unit of mg_per_device"),
        ('category = "limited"', 'category = "special"', "special: nothing is given"),
    ],
)
def test_a_broken_number_of_ones_own_stops_the_check(named, old, new, said):
    site = parse_site(OWN.replace(old, new, 1))
    assert said in str(site.broken_faults[0])
    for key in ("cycle", "aeration", "room"):
        named.pop(key)
    named["items"] = [{"name": "x", "starting_type": "silicone_tube_thin"}]
    with pytest.raises(InputError, match="site file"):
        resolve(named, site)


def test_a_list_and_the_site_file_make_a_plan(demo, site):
    table = read_items(demo / "items_morning.csv")
    raw = plan_from_items(
        table.items, "warm 55", "cabinet 12 h", site,
        cycle_start="2026-04-14T06:30", load_number=None,
    )  # fmt: skip
    plan = read_plan(raw)
    assert len(plan.items) == 14
    assert plan.room.volume_m3 == 30.0
    assert plan.load_number == ""
    assert plan.items[11].needed_by.isoformat() == "2026-04-14T15:00:00+02:00"
    assert plan.items[2].lumens[0].drying[0].minutes == 5.0
    assert [lumen.name for lumen in plan.items[2].lumens] == ["bore"]
    with pytest.raises(InputError, match="warm 55"):
        plan_from_items(table.items, "warm", "cabinet 12 h", site)


def test_where_the_users_own_file_is_looked_for(tmp_path, monkeypatch):
    assert default_site_path({"XDG_CONFIG_HOME": "/x", "HOME": "/h"}, "linux").as_posix() == (
        "/x/eo-risk/site.toml"
    )
    assert default_site_path({"HOME": "/h"}, "linux").as_posix() == "/h/.config/eo-risk/site.toml"
    windows = default_site_path({"APPDATA": "C:/a", "HOME": "/h"}, "win32")
    assert windows.as_posix() == "C:/a/eo-risk/site.toml"
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    assert read_site() == Site()
    (tmp_path / "eo-risk").mkdir()
    (tmp_path / "eo-risk" / "site.toml").write_text('name = "mine"\n', encoding="utf-8")
    assert read_site().name == "mine"
    with pytest.raises(InputError, match=r"absent\.toml"):
        read_site(tmp_path / "absent.toml")


def test_merging_never_lets_an_unknown_replace_a_value():
    base = {"a": 1, "b": {"c": 2}, "l": [{"name": "x", "v": 1}, {"name": "y", "v": 2}], "s": [1]}
    over = {"a": None, "b": {"c": "unknown", "d": 3}, "l": [{"name": "y", "v": 5}], "s": [7]}
    assert merged(base, over) == {
        "a": 1, "b": {"c": 2, "d": 3}, "s": [7],
        "l": [{"name": "x", "v": 1}, {"name": "y", "v": 5}],
    }  # fmt: skip
    by_place = merged(base, {"l": [{"v": 8}, {"name": "z"}]})["l"]
    assert by_place == [{"name": "x", "v": 8}, {"name": "y", "v": 2}, {"name": "z"}]
    assert merged(base, {"l": []})["l"] == []
    assert base["b"] == {"c": 2}


@pytest.mark.parametrize(
    "raw",
    [
        [],
        "plan",
        7,
        {"items": 3, "cycle": 4, "aeration": "unknown"},
        {"items": [1], "aeration": {"name": "cabinet 12 h", "x": 1}},
        {"items": [{"name": "x", "quantity": float("inf"), "packaging": []}]},
        {"items": [{"device": [1], "starting_type": {}}], "cycle": {"name": []}},
    ],
)
def test_what_is_no_plan_is_refused_not_crashed_on(raw, site):
    with pytest.raises(InputError):
        read_plan(resolve(raw, site))
    with pytest.raises(InputError):
        plan_of(raw, site)


def test_unknown_names_and_other_faults_are_told_in_one_round(site):
    raw = {
        "schema_version": 1, "cycle": "warm", "aeration": "cabinet",
        "items": [
            {"device": "retractor fram", "parts": [{"name": "frame", "mass_g": -1}],
             "lumens": [{"name": "bore", "wall_part": "frame"}]},
            {"name": "cable", "starting_type": "cabl", "quantity": 0},
            {"name": "probe", "parts": [{"name": "tip", "material": "peeek"}]},
        ],
    }  # fmt: skip
    with pytest.raises(InputError) as caught:
        plan_of(raw, site)
    # What is missing only because a name is unknown is no fault of its own.
    assert [fault.where for fault in caught.value.faults] == [
        "cycle.name", "aeration.name", "items[0].device", "items[1].starting_type",
        "items[0].parts[0].mass_g", "items[1].quantity", "items[2].parts[0].material",
    ]  # fmt: skip


def test_the_site_chooses_the_units_shown():
    shown = parse_site('[units_shown]\ntemperature = "F"\npressure = "psi"\n').units_shown.shown
    assert shown(55.0, "C") == (pytest.approx(131.0), "F")
    # NIST SP 811 (2008) appendix B: 1 psi = 6.894757 kPa, so 1 bar = 14.50377 psi.
    assert shown(1.0, "bar gauge") == (pytest.approx(14.50377, rel=1e-6), "psi gauge")
    assert shown(6.894757, "kPa") == (pytest.approx(1.0, rel=1e-6), "psi")
    assert shown(3.0, "mm") == (3.0, "mm")
    assert shown(12.0, "mg/L") == (12.0, "mg/L")


def test_own_limits_reach_the_limits_of_a_contact(tmp_path):
    path = tmp_path / "site.toml"
    path.write_text('limits_file = "own.toml"\n' + OWN[OWN.index("[[limit]]") :], encoding="utf-8")
    (tmp_path / "own.toml").write_text(
        '[edition]\nid = "iso10993-7:2026"\nsource = "own copy (invented)"\n'
        '[[limit]]\ncategory = "limited"\nsubstance = "EO"\nquantity = "mg_per_device"\n'
        'period = "24h"\nlimit = 3\nunit = "mg"\nsource = "own copy (invented)"\n',
        encoding="utf-8",
    )
    site = read_site(path)
    assert site.broken_faults == ()

    def figures(edition):
        found = limits_for(edition, "limited", own=own_edition(site.limit, edition)).limits
        return {limit.limit for limit in found if (limit.substance, limit.period) == ("EO", "24h")}

    # 4 mg in 24 h: ISO 10993-7:2008 for limited contact, table C.1.
    assert figures("iso10993-7:2008+A1") == {4.0, 2.0}
    assert figures("iso10993-7:2026") == {2.0, 3.0}
    assert own_edition((), "iso10993-7:2026") is None
    (tmp_path / "own.toml").write_text("[edition]\n", encoding="utf-8")
    with pytest.raises(InputError, match="no limit"):
        read_site(path)
    (tmp_path / "own.toml").unlink()
    with pytest.raises(InputError, match=r"own\.toml"):
        read_site(path)
