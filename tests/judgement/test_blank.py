"""No blank turns another verdict into Within: every field of every demo plan, one at a time.

Covered: fields that block or are asked for when blank, and the contact area, whose blank is no
better news than the least area of its range, at any residue. Whatever number is blank, the answer
names it with what it was taken as. Not covered by a proof: another
unknown number (wall, bore, mass ...) is sampled over its range, so that its blank answers for the
range, and close to a limit one bad value inside it can still be worse news than the blank.
"""

import json

import pytest

from eo_risk import reference
from eo_risk.errors import InputError
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.cautions import ItemFacts, item_cautions
from eo_risk.judgement.reasons import question
from eo_risk.judgement.result import Influence
from eo_risk.output.answer import check_answer
from eo_risk.plan.load_plan import read_plan


def fields(node, path=()):
    if isinstance(node, dict):
        for key, value in node.items():
            yield from fields(value, (*path, key))
    elif isinstance(node, list):
        for index, value in enumerate(node):
            yield from fields(value, (*path, index))
    else:
        yield path


def blanked(raw, path):
    changed = json.loads(json.dumps(raw))
    node = changed
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = "unknown"
    return changed


def verdicts(raw, samples=256):
    result = check_plan(read_plan(raw), samples=samples, advise=False)
    return [item.verdict for item in result.items]


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["dry_steel_set", "full_morning_load", "mixed_load_thick_pvc", "small_patient",
             "unknown_grade", "unlisted_material", "wet_lumen"],
)  # fmt: skip
def test_no_blank_makes_an_item_within(demo, name):
    """Every field of every demo plan without exception, each item as a load of its own."""
    raw = json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
    tried = 0
    for item in raw["items"]:
        one = raw | {"items": [item]}
        (before,) = verdicts(one, 64)
        for path in fields(one):
            try:
                (after,) = verdicts(blanked(one, path), 64)
            except InputError:
                continue  # a name that must be there
            tried += 1
            assert before == "Within" or after != "Within", (item["name"], path)
    assert tried > 50 * len(raw["items"])


ITEM = ("items", 0)
LUMEN = (*ITEM, "lumens", 0)
# A dry steel tube is Within; each of these alone holds it. Blanked, it must not be Within.
HOLDS = [
    ((*LUMEN, "droplets_seen"), "yes"),
    ((*LUMEN, "droplets_seen"), "not_looked"),
    ((*LUMEN, "blocked"), "yes"),
    ((*LUMEN, "open_ends"), 0),
    ((*ITEM, "joints"), 2),  # nobody has looked into them
    ((*ITEM, "rinse_water"), "saline"),
    ((*ITEM, "lubricant"), "oil"),
    ((*ITEM, "packaging"), "foil"),
    ((*ITEM, "instructions", "eo_allowed"), "no"),
    ((*ITEM, "patient", "body_mass_kg"), 0.3),
    (("cycle", "conditioning_rh_percent"), 25),
    (("cycle", "temperature_c"), 63),  # the instructions allow 60 C; unknown, it may be 63 C
    (("aeration", 0, "hours"), 1),
    (("aeration", 0, "temperature_c"), 30),
    (("aeration", 0, "temperature_c"), 70),
    ((*ITEM, "instructions", "highest_temperature_c"), 50),
    ((*ITEM, "instructions", "highest_air_pressure_gauge_bar"), 0.5),
    ((*ITEM, "instructions", "aeration_h"), 30),
    ((*ITEM, "instructions", "aeration_temperature_c"), 55),
    ((*ITEM, "instructions", "eo_mg_per_l_low"), 601),
    ((*ITEM, "instructions", "eo_mg_per_l_high"), 599),
]

# What instructions that were read may ask for: one value that holds any demo plan.
REQUIREMENTS = {"highest_temperature_c": 20, "highest_air_pressure_gauge_bar": 0.0,
                "aeration_h": 1000, "aeration_temperature_c": 99, "eo_mg_per_l_low": 1700,
                "eo_mg_per_l_high": 1}  # fmt: skip


def changed(raw, path, value):
    plan = json.loads(json.dumps(raw))
    node = plan
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = value
    return plan


@pytest.fixture(scope="module")
def dry_tube(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][2:]
    assert verdicts(raw, 64) == ["Within"]
    return json.dumps(raw)


@pytest.fixture
def tube(dry_tube):
    return json.loads(dry_tube)


@pytest.mark.parametrize(("path", "value"), HOLDS, ids=lambda v: str(v))
def test_what_holds_an_item_holds_or_asks_when_blank(tube, path, value):
    if path[-1] == "joints":
        tube["items"][0]["droplets_seen"] = "not_looked"
    known = changed(tube, path, value)
    assert verdicts(known, 64) != ["Within"]
    assert verdicts(blanked(known, path), 64) != ["Within"]


@pytest.mark.parametrize("key", REQUIREMENTS)
def test_a_blank_number_of_instructions_that_were_read_holds_every_item_of_every_demo_plan(
    demo, key
):
    """Whatever number would have held an item stood there: a blank holds it and names itself."""
    said = {"highest_temperature_c": "highest temperature", "aeration_h": "hours of aeration",
            "highest_air_pressure_gauge_bar": "highest air pressure",
            "aeration_temperature_c": "temperature of the aeration",
            "eo_mg_per_l_low": "lowest EO concentration",
            "eo_mg_per_l_high": "highest EO concentration"}[key]  # fmt: skip
    tried = 0
    for file in demo.glob("*.json"):
        raw = json.loads(file.read_text(encoding="utf-8"))
        for item in raw["items"]:
            item["instructions"][key] = REQUIREMENTS[key]
        plan = read_plan(raw)
        for item in raw["items"]:
            item["instructions"][key] = "unknown"
        blank = read_plan(raw)
        for known, asked in zip(plan.items, blank.items, strict=True):
            before, after = (
                {c.code: c for c in item_cautions(i, p, ItemFacts()) if c.level == "block"}
                for i, p in ((known, plan), (asked, blank))
            )
            if {"instructions_exceeded", "aeration_below_required"} & set(before):
                tried += 1
                assert said in after["requirement_unknown"].where, (file.name, known.name)
                assert "enter the number" in after["requirement_unknown"].action
    assert tried >= 7


@pytest.mark.parametrize("key", REQUIREMENTS)
def test_none_named_is_an_answer(tube, key):
    tube["items"][0]["instructions"][key] = "none"
    assert verdicts(tube, 64) == ["Within"]
    assert getattr(read_plan(tube).items[0].instructions, key) == "none"


def test_only_what_the_plan_does_is_asked_of_the_instructions(demo, tube):
    """No air is blown at forceps, and hours that are none have no temperature."""
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][:1]
    raw["items"][0]["instructions"]["highest_air_pressure_gauge_bar"] = "unknown"
    assert verdicts(raw, 64) == ["Within"]
    tube["items"][0]["instructions"] |= {"aeration_h": "none", "aeration_temperature_c": "unknown"}
    assert verdicts(tube, 64) == ["Within"]


def test_a_laboratory_release_time_without_its_temperature_is_asked_for(tube):
    tube["items"][0] |= {"laboratory_release_h": 10, "laboratory_temperature_c": 50}
    assert verdicts(tube, 64) == ["Within"]
    tube["items"][0]["laboratory_temperature_c"] = 55  # the cabinet has 50 C: none of it counts
    assert verdicts(tube, 64) == ["Hold"]
    tube["items"][0]["laboratory_temperature_c"] = "unknown"
    assert verdicts(tube, 64) == ["Hold"]


@pytest.mark.parametrize("key", ["highest_temperature_c", "highest_air_pressure_gauge_bar",
                                 "aeration_h", "eo_mg_per_l_high"])  # fmt: skip
def test_instructions_nobody_read_hold_whatever_they_would_have_said(tube, key):
    """`eo_allowed` says that someone read them for this cycle.

    Blank, it holds the item, and so does a blank block, whatever number stood in it.
    """
    tube["items"][0]["instructions"][key] = 1e-3 if key != "aeration_h" else 100
    assert verdicts(tube, 64) == ["Hold"]
    tube["items"][0]["instructions"] = "unknown"
    assert verdicts(tube, 64) == ["Hold"]


@pytest.mark.parametrize(
    ("path", "record"),
    [(("cycle", "temperature_c"), "assumed.cycle_temperature"),
     (("cycle", "eo_mg_per_l"), "assumed.eo_concentration"),
     ((*LUMEN, "drying", 0, "pressure_gauge_bar"), "assumed.air_pressure")],
)  # fmt: skip
def test_an_unknown_setting_counts_as_the_end_of_its_range_against_instructions(
    tube, path, record
):
    instructions = tube["items"][0]["instructions"]
    key = {"temperature_c": "highest_temperature_c", "eo_mg_per_l": "eo_mg_per_l_high",
           "pressure_gauge_bar": "highest_air_pressure_gauge_bar"}[path[-1]]  # fmt: skip
    end = reference.record(record).high
    for highest, held in ((0.99 * end, True), (end, False)):
        instructions[key] = highest
        cautions = check_plan(read_plan(blanked(tube, path)), samples=64, advise=False).items[
            0
        ].cautions
        where = [c.where for c in cautions if c.code == "instructions_exceeded"]
        assert bool(where) == held
        assert all("not known" in text for text in where)


def test_unknowns_without_a_range_block_or_are_not_assessed(demo):
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    for block, key, expected in (
        ("instructions", "eo_allowed", "Hold"),
        ("patient", "duration", "Not assessed"),
        ("patient", "body_mass_kg", "Not assessed"),
    ):
        changed = json.loads(json.dumps(raw))
        changed["items"][0][block][key] = "unknown"
        assert verdicts(changed)[0] == expected


def test_an_unknown_number_is_assumed_and_said(demo):
    raw = json.loads((demo / "small_patient.json").read_text(encoding="utf-8"))
    raw["items"][1]["parts"][0]["wall_mm"] = None
    raw["items"][1]["lumens"][0]["wall_part"] = None  # else its bore tells the wall
    result = check_plan(read_plan(raw), samples=256, advise=False).items[1]
    assumed = {a.field: a for a in result.assumed}
    assert assumed["parts[0].wall_mm"].unit == "mm"
    assert result.verdict != "Within"
    assert result.question is not None
    assert result.question.field == "parts[0].wall_mm"


def test_joints_nobody_counted_are_assumed_said_and_asked_for(demo):
    """Where their number is among the strongest inputs it is the question."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][:1]
    raw["items"][0]["joints"] = "unknown"
    (result,) = check_plan(read_plan(raw), samples=256, advise=False).items
    (said,) = (a for a in result.assumed if a.field == "joints")
    record = reference.record("assumed.joints")
    assert (said.low, said.high, said.unit) == (record.low, record.high, "joints")
    asked = question((), result.assumed, [Influence("joints", 0.5, "EG", "")])
    assert asked.text == "What is the number of joints? Taken as 0 to 4 joints."


def test_a_missing_contact_area_is_a_range_and_the_first_question(demo):
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    del raw["items"][1]["patient"]["contact_area_cm2"]
    result = check_plan(read_plan(raw), samples=256, advise=False).items[1]
    assert result.assumed[0].field == result.question.field == "patient.contact_area_cm2"
    assert any(r.quantity == "ug_per_cm2" and r.substance == "EO" for r in result.residues)


def sheath_near_its_limit(demo):
    """The sheath of the wet demo, dried, at hours that leave about its EO limit per area."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][1:]
    raw["items"][0]["lumens"][0]["droplets_seen"] = "no"
    raw["items"][0]["lumens"][0]["drying"][0]["minutes"] = 6
    return raw


@pytest.mark.parametrize(
    "hours",
    [pytest.param(25, marks=pytest.mark.slow), 33.4, 45, pytest.param(60, marks=pytest.mark.slow)],
)
def test_a_blank_contact_area_is_no_better_news_than_any_area_of_its_range(demo, hours):
    """Its 95 % point is that of the least area, its 5 % point above that of the largest."""
    raw = sheath_near_its_limit(demo)
    raw["aeration"][0]["hours"] = hours
    record = reference.record("assumed.contact_share")

    def checked(area_cm2):
        raw["items"][0]["patient"]["contact_area_cm2"] = area_cm2
        (item,) = check_plan(read_plan(raw), samples=512, advise=False).items
        row = next(r for r in item.residues if r.substance == "EO" and r.used_for_verdict
                   and (r.quantity, r.model) == ("ug_per_cm2", "film"))  # fmt: skip
        return item, row.band

    outside_cm2 = raw["items"][0]["external_water"]["area_cm2"]
    (blank, band), (least, worst), (most, best) = (
        checked(cm2) for cm2 in (None, record.low * outside_cm2, record.high * outside_cm2)
    )
    assert band.p95 == pytest.approx(worst.p95, rel=1e-9)
    assert best.p05 < band.p05 < worst.p05
    order = ["Hold", "Not assessed", "Close", "Within"]
    assert order.index(blank.verdict) <= order.index(most.verdict)
    assert blank.verdict != "Within" or least.verdict == "Within"
    assert blank.aeration.p95_s == pytest.approx(least.aeration.p95_s, rel=1e-9)
    (said,) = (a for a in blank.assumed if a.field == "patient.contact_area_cm2")
    assert (said.low, said.high, said.unit) == (record.low, record.high, "of the outside")


# Blanks that are no missing data: the count of pieces is one and printed so, a site without a
# minimum asks for none, and a density that is not given is a record, listed with the item.
ANSWERED = {"quantity", "site_minimum_aeration_h", "density_g_per_cm3"}


def numbers(raw):
    for path in fields(raw):
        node = raw
        for step in path:
            node = node[step]
        counted = isinstance(node, int | float) and not isinstance(node, bool)
        if counted and path[0] != "schema_version" and path[-1] not in ANSWERED:
            yield path


def dotted(path):
    return "".join(f"[{s}]" if isinstance(s, int) else f".{s}" for s in path)[1:]


def silent_blanks(raw, samples=32):
    """Name the numbers whose blank moves the answer without a word; returns them and all tried."""

    def answer(changed):
        return check_answer(check_plan(read_plan(changed), samples=samples, advise=False))

    def results(found):
        kept = ("assumed", "plan_sha256", "cautions", "question")
        return json.dumps({**found, "items": [{k: v for k, v in item.items() if k not in kept}
                                              for item in found["items"]],
                           **dict.fromkeys(kept)})  # fmt: skip

    def cautions(found):
        return {(c["code"], c["where"]) for c in found["items"][0]["cautions"] + found["cautions"]}

    before, silent, tried = answer(raw), [], 0
    for path in numbers(raw):
        try:
            after = answer(blanked(raw, path))
        except InputError:
            continue  # refused, by name
        tried += 1
        own = dotted(path[2:] if path[0] == "items" else path)
        (item,), load = after["items"], after["load"]
        named = {row["field"] for row in (*item["assumed"], *load["assumed"])}
        asked = item["question"] and item["question"]["field"]
        said = own in named or own == asked or cautions(after) - cautions(before)
        if not said and results(after) != results(before):
            silent.append(own)
    return silent, tried


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["dry_steel_set", "mixed_load_thick_pvc", "small_patient", "unknown_grade",
             "unlisted_material", "wet_lumen"],
)  # fmt: skip
def test_no_blank_number_of_a_demo_plan_is_passed_over(demo, name):
    raw = json.loads((demo / f"{name}.json").read_text(encoding="utf-8"))
    for item in raw["items"]:
        silent, tried = silent_blanks(raw | {"items": [item]})
        assert (silent, tried > 30) == ([], True), item["name"]


SOFT_TUBE = {"name": "tube", "material": "pvc_plasticised", "shape": "tube", "wall_mm": 0.6,
             "outer_diameter_mm": 5.2, "mass_g": 7.0, "plasticiser_percent": 40}  # fmt: skip
EMPTIED = {"blown": {"how": "air", "seconds": 40, "pressure_gauge_bar": 1.0},
           "sucked": {"how": "suction", "seconds": 90},
           "pushed": {"how": "syringe", "pushes": 5}}  # fmt: skip


@pytest.mark.slow
def test_no_blank_number_is_passed_over(demo):
    """What moves the answer when it is blank is named: as assumed, by a caution, or refused."""
    raw = json.loads((demo / "wet_lumen.json").read_text(encoding="utf-8"))
    raw["items"] = raw["items"][1:]
    raw["aeration"][0]["free_volume_l"] = 300
    raw["rules"]["ambient_kpa"] = 98
    item, lumen = raw["items"][0], raw["items"][0]["lumens"][0]
    item["parts"] = [SOFT_TUBE]
    item["earlier_eo_cycles"] = 3
    item["beside"] = [{"kind": "tray", "state": "drained", "area_cm2": 900}]
    item["lumens"] = [
        lumen | {"name": name, "wall_part": "", "drying": [], "hubs": 2, "emptied": emptied}
        for name, emptied in EMPTIED.items()
    ]
    silent, tried = silent_blanks(raw, samples=16)
    assert (silent, tried > 50) == ([], True)


@pytest.mark.parametrize("key", ["evacuation_min", "conditioning_min", "injection_min",
                                 "transfer_min"])  # fmt: skip
def test_a_blank_time_of_the_cycle_never_brings_the_time_out_forward(tube, key):
    """It counts as the longest of its range, and the answer says so."""
    field = f"cycle.{key}"
    record = reference.record({
        "evacuation_min": "assumed.evacuation_time", "transfer_min": "assumed.transfer_time",
        "conditioning_min": "assumed.conditioning_time",
        "injection_min": "assumed.injection_time"}[key])  # fmt: skip

    def load(raw):
        return check_plan(read_plan(raw), samples=64, advise=False).load

    longest = load(changed(tube, ("cycle", key), record.high))
    blank = load(blanked(tube, ("cycle", key)))
    assert blank.earliest_out == longest.earliest_out
    assert f"counted as the longest: {field} ({record.high:g} min)" in blank.time_note
    assert field not in longest.time_note
    tube["cycle"]["length_h"] = 5  # then only the way to the aerator is still to be told
    assert (field in load(blanked(tube, ("cycle", key))).time_note) == (key == "transfer_min")


@pytest.mark.parametrize(("path", "place"), [
    ((*LUMEN, "measured_mg"), "lumens[0]"),
    ((*ITEM, "external_water", "measured_mg"), "external_water"),
    ((*ITEM, "beside", 0, "measured_mg"), "beside[0]"),
])  # fmt: skip
def test_a_scale_whose_error_nobody_knows_is_not_exact(tube, path, place):
    """It has the range of its record: no scale without a word weighs to the last digit."""
    if "beside" in path:
        tube["items"][0]["beside"] = [{"kind": "tray"}]
    tube = changed(tube, path, 100)
    record = reference.record("assumed.scale_error")

    def checked(error_mg):
        plan = read_plan(changed(tube, (*path[:-1], "scale_error_mg"), error_mg))
        (item,) = check_plan(plan, samples=256, advise=False).items
        water = item.water_after_drying
        return item, water.p95 - water.p50

    (exact, _), (blank, spread), (_, widest) = map(checked, (0, None, record.high))
    field = f"{place}.scale_error_mg"
    (said,) = (a for a in blank.assumed if a.field == field)
    assert (said.low, said.high, said.unit) == (record.low, record.high, "mg")
    assert field not in {a.field for a in exact.assumed}
    _, least = checked(record.low)
    assert least < spread < widest


def test_hubs_nobody_counted_are_not_counted_as_none(tube):
    record = reference.record("assumed.hubs")
    tube["items"][0]["lumens"][0] |= {"drying": [], "emptied": {"how": "syringe", "pushes": 5}}

    def checked(hubs):
        plan = read_plan(changed(tube, (*LUMEN, "hubs"), hubs))
        (item,) = check_plan(plan, samples=256, advise=False).items
        return item, item.water_after_drying

    (_, none), (item, blank), (_, most) = map(checked, (0, None, int(record.high)))
    assert none.p50 < blank.p50 < most.p50
    assert none.p95 < blank.p95 <= most.p95
    (said,) = (a for a in item.assumed if a.field == "lumens[0].hubs")
    assert (said.low, said.high, said.unit) == (record.low, record.high, "hubs")
