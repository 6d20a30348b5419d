"""The hours named are those of the plan lengthened so far: inside with them, not before."""

import json

import numpy as np
import pytest

from eo_risk import units
from eo_risk.judgement.allowed.residues import inside_from, quantile_s
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.hours import lengthened_step
from eo_risk.plan.load_plan import load_plan, read_plan

SAMPLES = 512
JOINTED = 0  # forceps of the wet demo: the last of their EO goes as their joints dry up


def test_a_sample_that_falls_exponentially_is_inside_when_its_closed_form_says():
    rate = np.array([0.5, 0.1, 1.0, 1e-3])
    time_s = np.array([0.0, 1.0, 3.0, 10.0, 60.0])
    start = np.array([8.0, 5.0, 0.5, 5.0])
    found = inside_from(time_s, start * np.exp(-rate * time_s[:, None]), 1.0)
    assert found[:2] == pytest.approx(np.log(start[:2]) / rate[:2], rel=1e-12)
    assert found[2] == 0.0
    assert np.isinf(found[3])


@pytest.mark.parametrize("ratio", [1.25, 1.5])
def test_between_two_times_a_sample_falls_as_a_sheet_does(ratio):
    """Sheet of even start, half thickness and diffusivity 1, both faces open: Crank 1975, 4.18.

    Half of the samples hold a tenth in a pool that gives off next to nothing, which bends the
    course sharply: what is left of the rest is 2 % at the last time looked for.
    """
    odd = 2 * np.arange(2000) + 1

    def left(time, pool):
        free = np.sum(8 / (np.pi * odd) ** 2 * np.exp(-((odd * np.pi / 2) ** 2) * time))
        return pool * np.exp(-1e-3 * time) + (1 - pool) * free

    time = 1e-3 * ratio ** np.arange(np.ceil(np.log(1e4) / np.log(ratio)))
    wanted = np.array([*np.geomspace(2e-3, 1.5, 40)] * 2)
    pool = np.repeat([0.0, 0.1], 40)
    limit = np.array([left(*pair) for pair in zip(wanted, pool, strict=True)])
    amount = np.array([[left(t, share) for share in pool] for t in time])
    found = inside_from(time, amount, limit)
    assert found[:40] == pytest.approx(wanted[:40], rel=0.001)
    assert found[40:] == pytest.approx(wanted[40:], rel=0.005)


def test_a_sample_that_rises_again_is_inside_after_its_last_time_above():
    amount = np.array([2.0, 0.5, 8.0, 2.0, 0.5, 0.125])[:, None]
    assert inside_from(np.arange(6.0), amount, 1.0) == pytest.approx([3.5])


def test_a_quantile_is_none_where_it_lies_among_samples_that_never_come_inside():
    times = np.array([*np.arange(90.0), *[np.inf] * 10])
    assert quantile_s(times, 0.5) == pytest.approx(49.5)
    assert quantile_s(times, 0.5, at_once=True) == 50.0
    assert quantile_s(times, 0.95) is None


def one_item(demo, name, index, step_h=None):
    raw = load_plan(demo / f"{name}.json").model_dump(mode="json")
    raw["items"] = [raw["items"][index]]
    for lumen in raw["items"][0]["lumens"]:
        lumen["droplets_seen"] = "no"
    if step_h is not None:
        raw["aeration"][lengthened_step(read_plan(raw))]["hours"] = step_h
    return raw


def lengthened_to(raw, hours):
    raw = json.loads(json.dumps(raw))
    step = lengthened_step(read_plan(raw))
    others = sum(s["hours"] or 0.0 for i, s in enumerate(raw["aeration"]) if i != step)
    raw["aeration"][step]["hours"] = hours - others
    return raw


def checked(raw):
    (item,) = check_plan(read_plan(raw), samples=SAMPLES, advise=False).items
    return item


def times_the_limit(item):
    return max(r.band.p95 / r.limit for r in item.residues if r.used_for_verdict and r.limit)


def with_pool(raw):
    raw["rules"]["slow_pool"] = "on"
    return raw


@pytest.mark.parametrize(
    ("name", "index", "step_h", "pool"),
    [("wet_lumen", 1, 12, False), ("wet_lumen", 1, 32.2, False), ("wet_lumen", 1, 12, True),
     ("mixed_load_thick_pvc", 1, None, False), ("small_patient", 1, 4, False),
     ("wet_lumen", JOINTED, 1, False),
     pytest.param("small_patient", 0, 1, False, marks=pytest.mark.slow),
     pytest.param("full_morning_load", 7, 2, False, marks=pytest.mark.slow),
     pytest.param("full_morning_load", 13, 20, False, marks=pytest.mark.slow)],
)  # fmt: skip
def test_a_plan_lengthened_to_the_hours_named_is_inside_and_a_hundredth_less_is_not(
    demo, name, index, step_h, pool
):
    """With a cabinet before a room, too: the cabinet is lengthened and the room follows.

    With a slow pool as well, where the water rules as a film early and as a plug late.
    """
    raw = one_item(demo, name, index, step_h)
    raw = with_pool(raw) if pool else raw
    item = checked(raw)
    assert times_the_limit(item) > 1.0
    needed_h = item.aeration.p95_s / 3600.0
    assert needed_h > sum(step["hours"] for step in raw["aeration"])
    named_h = float(units.hours_text(needed_h).removesuffix(" h"))
    assert times_the_limit(checked(lengthened_to(raw, named_h))) <= 1.0
    # What dries up does so at the later of two samples: a little more of chance.
    near = 0.02 if (name, index) == ("wet_lumen", JOINTED) else 0.01
    short_h = needed_h - max(0.1, near * needed_h)
    assert times_the_limit(checked(lengthened_to(raw, short_h))) > 1.0


def then_in_a_room(raw, hours):
    raw["aeration"][1]["hours"] = hours
    return raw


def beside_masks(demo, count, changes, hours):
    """A thin drain beside heavy masks, in air that few changes carry away."""
    raw = load_plan(demo / "mixed_load_thick_pvc.json").model_dump(mode="json")
    raw["items"] = raw["items"][1:]
    raw["items"][0]["quantity"] = count
    raw["aeration"] = [{"hours": hours, "temperature_c": 50, "air_changes_per_h": changes,
                        "place": "cabinet", "free_volume_l": 200}]  # fmt: skip
    return raw


@pytest.mark.parametrize(
    "raw_of",
    [lambda demo: one_item(demo, "small_patient", 1, 30),
     lambda demo: one_item(demo, "wet_lumen", JOINTED, 12),
     lambda demo: one_item(demo, "full_morning_load", 12, 200),
     lambda demo: with_pool(one_item(demo, "full_morning_load", 10, 200)),
     lambda demo: then_in_a_room(one_item(demo, "small_patient", 1, 4), 200),
     lambda demo: beside_masks(demo, 40, 2, 30),
     lambda demo: beside_masks(demo, 20, 0.5, 200),
     pytest.param(lambda demo: one_item(demo, "small_patient", 1, 168), marks=pytest.mark.slow),
     pytest.param(lambda demo: one_item(demo, "full_morning_load", 8, 72), marks=pytest.mark.slow),
     pytest.param(lambda demo: with_pool(one_item(demo, "wet_lumen", 1, 120)),
                  marks=pytest.mark.slow)],
    ids=["newborn_30h", "forceps", "guide_200h", "grip_pool_200h", "room_200h", "air_30h",
         "air_200h", "newborn_168h", "cable_72h", "sheath_pool_120h"],
)  # fmt: skip
def test_hours_inside_the_plan_do_not_hang_on_where_it_is_looked_at(demo, raw_of, monkeypatch):
    """Against the same plan looked at so often that each time is 6 % later than the last.

    With a slow pool, in a room afterwards, and in air that heavy masks load, too.
    """
    from eo_risk.judgement import timeline

    def hours():
        items = check_plan(read_plan(raw_of(demo)), samples=SAMPLES, advise=False).items
        return np.array([[item.aeration.p50_s, item.aeration.p95_s] for item in items])

    few = hours()
    many = tuple(np.geomspace(1e-4, 1.0, 151))
    monkeypatch.setattr(timeline, "_cuts", lambda duration_s, *, first: many)
    assert few == pytest.approx(hours(), rel=0.005)


ROOM, CABINET = ({"hours": h, "temperature_c": c, "place": p, "air_changes_per_h": 10}
                 for h, c, p in ((2, 21, "room"), (12, 50, "cabinet")))  # fmt: skip


@pytest.mark.parametrize(
    ("steps", "lowest_c", "needed_h"),
    [([CABINET, ROOM], 50, 12), ([ROOM, CABINET], 50, 14), ([ROOM, CABINET], "none", 12),
     ([ROOM, CABINET | {"hours": 4}], 50, 14), ([ROOM, CABINET | {"temperature_c": 49}], 50, 12)],
)  # fmt: skip
def test_hours_asked_for_end_when_as_many_have_passed_warm_enough(demo, steps, lowest_c, needed_h):
    """Two hours in a room first are no part of 12 h at 50 C: they come on top."""
    raw = one_item(demo, "dry_steel_set", 2)
    raw["site_minimum_aeration_h"] = 0
    raw["items"][0]["instructions"] |= {"aeration_h": 12, "aeration_temperature_c": lowest_c}
    raw["aeration"] = steps
    needed = checked(raw).aeration
    assert needed.governed_by == "instructions"
    assert needed.required_s == pytest.approx(needed_h * 3600.0)
