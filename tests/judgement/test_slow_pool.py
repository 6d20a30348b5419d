"""A slow tail of bound EO: off by default, then its hours stand beside the others."""

import json

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan, load_context
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.slow_pool import kept_from_before, with_slow_pool
from eo_risk.judgement.simulate import item_parts, simulate
from eo_risk.output.answer import check_answer
from eo_risk.output.numbers import hours_up
from eo_risk.output.report import report_html
from eo_risk.output.terminal import terminal_table
from eo_risk.output.wording import slow_tail_hours, slow_tail_note
from eo_risk.plan.load_plan import read_plan
from eo_risk.plan.own_numbers import OwnRecord


@pytest.fixture(scope="module")
def raw(demo):
    return json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def off(raw):
    return check_answer(check_plan(read_plan(raw), samples=256, seed=1, advise=False))


def test_off_by_default_its_hours_stand_beside(raw, off):
    plan = read_plan(raw)
    assert plan.rules.slow_pool == "off"
    steel, mask, drain = off["items"]
    assert steel["aeration_h"]["with_slow_pool_p95"] is None
    for item in (mask, drain):
        hours = item["aeration_h"]
        assert hours["with_slow_pool_p95"] >= hours["p95"] == hours["required"] or (
            hours["governed_by"] != "estimate at 95 %"
        )
    # The mask is thick: a share of it in a slow pool asks for much longer, beyond the plan.
    assert mask["aeration_h"]["with_slow_pool_p95"] > 1.3 * mask["aeration_h"]["p95"]
    with_it, without = (mask["aeration_h"][key] for key in ("with_slow_pool_p95", "p95"))
    assert slow_tail_hours(mask) == (
        f"estimate {hours_up(with_it)} with the slow pool, {hours_up(without)} without"
    )
    assert slow_tail_note(off["items"]).endswith("in a slow pool.")
    # The numbers stand in the answer, their words in one place.
    assert [c["where"] for c in mask["cautions"] if c["code"] == "slow_tail"] == [""]


def test_report_and_terminal_show_both_with_the_source(raw, off):
    plan = read_plan(raw)
    pages = (report_html(off, plan, None), " ".join(terminal_table(off, plan).split()))
    for text in pages:
        assert "with the slow pool" in text
        assert text.count(hours_up(off["items"][1]["aeration_h"]["with_slow_pool_p95"])) == 1
        assert "A slow tail of bound EO was seen" in text
        assert "Med Tekh 1983(3):33-38" in text


def test_switched_on_it_rules(raw, off):
    on = check_answer(check_plan(
        read_plan({**raw, "rules": {**raw["rules"], "slow_pool": "on"}}),
        samples=256, seed=1, advise=False,
    ))  # fmt: skip
    assert not [c for item in on["items"] for c in item["cautions"] if c["code"] == "slow_tail"]
    mask = on["items"][1]["aeration_h"]
    assert mask["with_slow_pool_p95"] is None
    beside = off["items"][1]["aeration_h"]["with_slow_pool_p95"]
    # Not digit for digit: what the pool gives off later is also in the air of the load.
    assert mask["p95"] == pytest.approx(beside, rel=1e-3)


def test_the_pool_halves_in_its_half_life(raw):
    """Share and half-life of the records, at 25 C: once the fast part is gone, 2 to the -t / T."""
    changed = json.loads(json.dumps(raw))
    changed["items"] = changed["items"][2:]  # thin silicone: empty within an hour
    changed["aeration"] = [{"hours": hours, "temperature_c": 25.0, "place": "cabinet",
                            "air_changes_per_h": 10.0} for hours in (2000.0, 168.0)]  # fmt: skip
    context = load_context(read_plan(changed), 64, 1, follow=False)
    inputs = ItemInputs(context.draw.item("drain"))
    item = context.plan.items[0]
    parts = item_parts(item, inputs, context.timeline)
    found = simulate(context.plan, item, parts, context.planned)
    slow = with_slow_pool(found, context.timeline, inputs, everywhere=True).parts_eo[0]
    last = [s.step for s in context.timeline.aeration].count(1)
    share, half_h = inputs.draw("slow_pool.fraction"), inputs.draw("slow_pool.half_life") / 3600.0
    # In a load at 25 C throughout the second step.
    assert slow[-1] / slow[-1 - last] == pytest.approx(np.exp2(-168.0 / half_h), rel=2e-3)
    assert np.all(slow[-1] <= share * slow.max(axis=0))
    assert reference.record("slow_pool.half_life").value_si == 7 * 86400.0


def own_pool(material, items=()):
    """A measured slow pool without spread, invented."""
    common = {"material": material, "spread": "exact", "status": "measured", "source": "report 8",
              "locator": "table 1", "items": list(items)}  # fmt: skip
    rows = (("slow_pool.fraction", 0.03, "1", {}),
            ("slow_pool.half_life", 40.0, "h", {"temperature_c": 50.0}))  # fmt: skip
    return [common | {"id": q, "quantity": q, "value": v, "low": v, "high": v, "unit": u} | more
            for q, v, u, more in rows]  # fmt: skip


def test_a_measured_pool_counts_whatever_the_rule(raw):
    """Its share at the end of the last wash, and 2 to the -t / T at its own temperature."""
    changed = json.loads(json.dumps(raw))
    changed["items"] = changed["items"][2:]  # thin silicone: empty within an hour
    changed["aeration"] = [{"hours": hours, "temperature_c": 50.0, "place": "cabinet",
                            "air_changes_per_h": 10.0} for hours in (100.0, 40.0)]  # fmt: skip
    changed["own_records"] = own_pool("silicone", [changed["items"][0]["name"]])
    context = load_context(read_plan(changed), 64, 1, follow=False)
    parts = context.parts(0)
    clean = simulate(context.plan, context.plan.items[0], parts, context.planned)
    found = with_slow_pool(clean, context.timeline, parts.inputs, everywhere=False)
    slow, after = found.parts_eo[0], found.after_wash()
    last = [s.step for s in context.timeline.aeration].count(1)
    # The load has long been at 50 C when the second step of 40 h begins.
    assert slow[-1] / slow[-1 - last] == pytest.approx(0.5, rel=1e-3)
    # It comes out of the cycle a little warmer.
    fast = clean.parts_eo[0]
    assert slow[-1] / fast[after[0]] == pytest.approx(0.03 * 2 ** (-140 / 40), rel=0.02)
    assert slow[: after[0] + 1] == pytest.approx(fast[: after[0] + 1], rel=1e-12)


def drain_after(raw, cycles):
    """Thin silicone, empty within an hour, with a measured pool of 40 h at 50 C throughout."""
    changed = json.loads(json.dumps(raw))
    changed["items"] = [changed["items"][2] | {"earlier_eo_cycles": cycles}]
    changed["aeration"] = [{"hours": 36.0, "temperature_c": 50.0, "place": "cabinet",
                            "air_changes_per_h": 10.0}]  # fmt: skip
    changed["own_records"] = own_pool("silicone")
    return read_plan(changed)


def test_the_pool_gathers_over_earlier_cycles(raw):
    """One cycle after another by hand: what is bound falls by one share, then the same is added."""
    context = load_context(drain_after(raw, 0), 64, 1, follow=False)
    parts = context.parts(0)
    clean = simulate(context.plan, context.plan.items[0], parts, context.planned)
    timeline, after = context.timeline, clean.after_wash()
    pool = {"inputs": parts.inputs, "everywhere": False}
    hours = sum(stage.duration_s for stage in timeline.injected) / 3600.0
    once = with_slow_pool(clean, timeline, **pool).parts_eo[0]
    held = 0.03 * clean.parts_eo[0][after[0]]
    # The half-life is that at 50 C, and the load is a little warmer as it leaves the chamber.
    aired = once[-1] / held
    for cycles in (1, 2, 7, 200):
        bound = held
        for _ in range(cycles):
            bound = held + bound * 0.5 ** (hours / 40.0)
        kept = kept_from_before(clean, timeline, cycles=cycles, **pool)
        last = with_slow_pool(clean, timeline, kept=kept, **pool).parts_eo[0]
        assert last[-1] == pytest.approx(bound * aired, rel=0.03)
    assert kept_from_before(clean, timeline, cycles=0, **pool) == (0.0,)


def test_more_cycles_before_ask_for_longer_and_warn_of_nothing_untrue(raw):
    def found(cycles):
        return check_plan(drain_after(raw, cycles), samples=64, advise=False).items[0]

    none, few, many = (found(cycles) for cycles in (0, 3, 40))
    left = [item.parts[0].eo_kg.p50 for item in (none, few, many)]
    assert 1.5 * left[0] < left[1] < left[2]
    assert none.aeration.p95_s <= few.aeration.p95_s <= many.aeration.p95_s
    # The part itself empties each time: what the pool keeps is summed without an end.
    assert "earlier_cycles_unfollowed" not in {c.code for c in many.cautions}


def test_a_measured_pool_is_shown_and_leaves_other_items_alone(raw, off):
    mask = raw["items"][1]["name"]
    plan = read_plan({**raw, "own_records": own_pool("pvc_plasticised", [mask])})
    answer = check_answer(check_plan(plan, samples=256, seed=1, advise=False))
    steel, measured, drain = answer["items"]
    replaced = {row["replaces"]: row["source"] for row in measured["own_records"]}
    assert replaced == {"pvc_plasticised.slow_pool.fraction": "report 8",
                        "pvc_plasticised.slow_pool.half_life": "report 8"}  # fmt: skip
    assert measured["aeration_h"]["with_slow_pool_p95"] is None
    assert "slow_tail" not in {caution["code"] for caution in measured["cautions"]}
    assert measured["aeration_h"]["p95"] > off["items"][1]["aeration_h"]["p95"]
    assert "pvc_plasticised.slow_pool.fraction" in terminal_table(answer, plan)
    assert (steel["own_records"], drain["own_records"]) == ([], [])
    assert drain["aeration_h"]["p50"] == pytest.approx(off["items"][2]["aeration_h"]["p50"],
                                                       rel=0.05)  # fmt: skip


def mask_with_estimated_pool(raw, status="estimated", rule="on", **asked):
    """The mask of 300 h of aeration with a wide pool of its own, invented."""
    changed = json.loads(json.dumps(raw))
    changed["items"] = changed["items"][1:2]
    changed["aeration"][0]["hours"] = 300
    changed["rules"] |= {"slow_pool": rule, "beyond_cap_h": 2000}
    share, half_life = own_pool("pvc_plasticised")
    common = {"spread": "lognormal", "status": status}
    share |= common | {"value": 0.1, "low": 0.02, "high": 0.5}
    half_life |= common | {"value": 100, "low": 30, "high": 300}
    changed["own_records"] = [share, half_life]
    (item,) = check_answer(check_plan(read_plan(changed), samples=256, **asked))["items"]
    return item


@pytest.mark.parametrize(("status", "letter"), [("measured", "A"), ("estimated", "C")])
def test_the_class_of_a_pool_is_that_of_its_record(raw, status, letter):
    item = mask_with_estimated_pool(raw, status, advise=False)
    names = {"pvc_plasticised.slow_pool.fraction", "pvc_plasticised.slow_pool.half_life"}
    assert names <= {row["input"] for row in item["matters_most"]}
    assert {row["id"]: row["class"] for row in item["records"] if row["id"] in names} == (
        dict.fromkeys(names, letter)
    )
    assert item["class"] == max(letter, "B")  # the uptake of the material is of class B


def test_an_estimated_pool_is_none_that_was_measured(raw):
    """With the rule off it stands beside the hours, as the shipped estimate does."""
    item, measured = (mask_with_estimated_pool(raw, status, "off", advise=False)
                      for status in ("estimated", "measured"))  # fmt: skip
    hours = item["aeration_h"]
    assert hours["p95"] < measured["aeration_h"]["p95"]
    assert hours["with_slow_pool_p95"] == pytest.approx(measured["aeration_h"]["p95"], rel=1e-9)
    assert slow_tail_note([item]).endswith("in a slow pool, but for the site's own records.")
    found = [{c["code"] for c in i["cautions"]} & {"slow_tail"} for i in (item, measured)]
    assert found == [{"slow_tail"}, set()]


def test_an_estimated_pool_that_decides_is_to_be_measured_by_its_own_range(raw):
    item = mask_with_estimated_pool(raw)
    (detail,) = (a["detail"] for a in item["actions"] if a["action"] == "measure")
    assert "half-life of strongly bound EO (PVC, soft (plasticised)), 30 to 300 h" in detail


@pytest.mark.parametrize(
    ("changed", "said"),
    [({"value": 1.2, "low": 1.1, "high": 1.3}, "a share of at most 1"),
     ({"temperature_c": 50.0}, "Leave it out"), ({"unit": "d"}, "as this quantity is given")],
)  # fmt: skip
def test_a_share_that_is_none_is_refused(changed, said):
    row = own_pool("silicone")[0] | {"spread": "lognormal"}
    with pytest.raises(ValueError, match=said):
        OwnRecord(**row | changed)


@pytest.mark.parametrize("material", ["pmma", "silicone"])
def test_nothing_leaves_sooner_for_being_bound(raw, material):
    """A glass gives off more slowly than the pool does; what was bound still has to diffuse."""
    changed = json.loads(json.dumps(raw))
    part = changed["items"][1]["parts"][0]
    part |= {"material": material, "thickness_mm": 8.0}
    del part["plasticiser_percent"]
    context = load_context(read_plan(changed), 64, 1, follow=False)
    parts = context.parts(1)
    clean = simulate(context.plan, context.plan.items[1], parts, context.planned)
    slow = with_slow_pool(clean, context.timeline, parts.inputs, everywhere=True)
    assert np.all(slow.parts_eo[0] >= clean.parts_eo[0])
    result = check_plan(read_plan(changed), samples=64, advise=False).items[1].aeration
    assert result.with_slow_pool_p95_s >= result.p95_s
    assert result.with_slow_pool_unreached or not result.unreached
