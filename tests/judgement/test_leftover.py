"""Leftover water with its numbers drawn from the records."""

import json

import numpy as np
import pytest

from eo_risk import reference
from eo_risk.judgement.assess import check_plan
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.water import leftover
from eo_risk.physics.moist_air import wet_bulb_k
from eo_risk.plan.load_plan import read_plan

SAMPLES = 1024
ROOM_K = np.full(SAMPLES, 293.15)


@pytest.fixture(scope="module")
def draw():
    return Draw(1, SAMPLES)


def start(draw, how, bore_mm=3.0, length_m=0.7, open_ends=2, **known):
    lumen = {key: known.pop(key) for key in ("blocked", "hubs") if key in known}
    return leftover.lumen_start_kg(
        draw, np.full(SAMPLES, bore_mm * 1e-3), np.full(SAMPLES, length_m),
        leftover.Emptying(how, **known), open_ends=open_ends, temperature_k=ROOM_K, **lumen,
    )  # fmt: skip


def high(samples):
    return np.quantile(samples, 0.95)


def test_the_better_it_was_emptied_the_less_is_left(draw):
    order = [
        start(draw, "none"),
        start(draw, "hung"),
        start(draw, "syringe", pushes=1),
        start(draw, "syringe", pushes=3),
        start(draw, "air", seconds=45.0),
    ]
    medians = [np.median(left) for left in order]
    assert medians == sorted(medians, reverse=True)
    assert np.all(np.diff(medians) < 0.0)


def test_an_unknown_never_leaves_less_than_any_known_answer_at_95_percent(draw):
    known = [start(draw, how) for how in ("hung", "syringe", "suction", "air")]
    unknown = start(draw, None)
    assert all(high(unknown) >= high(left) for left in known)
    # A lumen nobody emptied is full or half full; a blank must come within 3 % of that.
    assert high(unknown) >= 0.97 * high(start(draw, "none"))
    for how, extra in (("syringe", {"pushes": 5}), ("suction", {"seconds": 90.0}),
                       ("air", {"seconds": 60.0})):  # fmt: skip
        assert high(start(draw, how)) > high(start(draw, how, **extra))
        assert high(start(draw, how, open_ends=None)) >= high(start(draw, how, open_ends=2))


def test_known_air_follows_the_film_laws_and_stays_near_the_table(draw):
    # Same lumen blown for 45 s: the laws (slug film, shear, pinned drops) and the table of
    # hold-ups are two estimates of one thing; they must agree within the factor of 3 the table
    # claims.
    table = np.median(start(draw, "air", seconds=45.0))
    laws = np.median(start(draw, "air", seconds=45.0, pressure_pa=0.5e5))
    assert 1.0 / 3.0 < laws / table < 3.0
    # A fast push that stops at once leaves a thick film that nothing thins.
    short = np.median(start(draw, "air", seconds=0.01, pressure_pa=0.5e5))
    assert short > 2.0 * laws


def test_blocked_and_hubs(draw):
    assert np.median(start(draw, "air", seconds=60.0, blocked=True)) > np.median(
        start(draw, "hung")
    )
    more = start(draw, "air", hubs=2) - start(draw, "air")
    assert np.median(more) == pytest.approx(
        2.0 * reference.record("water.hub.kg").value_si, rel=0.02
    )


def test_drying_air_at_the_ends_of_the_plan(draw):
    numbers = leftover.fluids(draw)
    for celsius, humidity in ((-20.0, 0.0), (0.5, 0.0), (100.0, 1.0), (120.0, 0.0)):
        bulb_k = wet_bulb_k(numbers.air(celsius + 273.15, humidity, 101325.0))
        assert np.all(np.isfinite(bulb_k))
        assert np.all(bulb_k <= celsius + 273.15 + 1e-9)


def test_measured_flow_of_a_normal_litre(draw):
    # 46.7 NL/min at 20 C and 1 atm are 9.36e-4 kg/s (ideal gas, 28.965 g/mol).
    flow = leftover.normal_flow_kg_per_s(draw, 46.7e-3 / 60.0)
    assert flow == pytest.approx(9.36e-4, rel=0.005)


def test_outside_by_state(draw):
    def outside(state, joints=0):
        return leftover.outside_start(
            draw, np.full(SAMPLES, 0.02), state, np.full(SAMPLES, 0.03), joints, ROOM_K
        )

    totals = [high(outside(s).total_kg) for s in ("dripping", "drained", "blown", "wiped")]
    assert totals == sorted(totals, reverse=True)
    assert high(outside(None).total_kg) > totals[1]
    assert np.all(outside("wiped").bead_kg == 0.0)
    assert np.median(outside("wiped", joints=4).joints_kg) == pytest.approx(80e-6, rel=0.05)


def test_every_share_of_a_bore_is_a_share():
    keys = [key for key in reference.records() if key.startswith("water.lumen.")]
    assert len(keys) >= 8
    for key in keys:
        record = reference.record(key)
        assert 0.0 < record.low_si <= record.high_si <= 1.0


@pytest.mark.bench
def test_water_and_drying_of_twenty_lumens(benchmark):
    sampler = Draw(1, 2048)
    numbers = leftover.fluids(sampler)
    room_k, ones = sampler("room.temperature"), np.ones(2048)

    def run():
        left = []
        for index in range(20):
            bore_m, length_m = ones * (1.0 + 0.2 * index) * 1e-3, ones * (0.2 + 0.15 * index)
            water_kg = leftover.lumen_start_kg(
                sampler, bore_m, length_m, leftover.Emptying("syringe", 1), open_ends=2, hubs=1,
                temperature_k=room_k,
            )  # fmt: skip
            flow = leftover.pressure_flow_kg_per_s(
                sampler, numbers, bore_m, length_m, sampler("assumed.air_pressure"),
                air_k=room_k, ambient_pa=101325.0,
            )  # fmt: skip
            dried = leftover.air_drying(
                sampler, numbers, water_kg, bore_m, length_m, flow, flow_measured=False,
                air_k=room_k, relative_humidity=sampler("assumed.compressed_air_rh"),
                ambient_pa=101325.0, outer_diameter_m=1.5 * bore_m,
            )  # fmt: skip
            left.append(dried.left_kg(60.0))
        return np.array(left)

    left = benchmark(run)
    assert left.shape == (20, 2048)
    assert np.all(left >= 0.0)
    assert benchmark.stats.stats.median < 0.3


def test_water_weighed_outside_may_sit_in_the_joints(demo):
    """A scale tells a mass and no place; what joints can hold of it dries last."""
    raw = json.loads((demo / "dry_steel_set.json").read_text(encoding="utf-8"))
    item = raw["items"][0]
    raw["items"] = [item]
    raw["chamber"]["load_temperature_start_c"] = 50  # warm: nothing condenses
    item["external_water"] = {"area_cm2": 110, "measured_mg": 100, "scale_error_mg": 0}

    def found(joints, weighed_mg=100):
        item["joints"], item["external_water"]["measured_mg"] = joints, weighed_mg
        (checked,) = check_plan(read_plan(raw), samples=256, advise=False).items
        return {p.place: p for p in checked.water_by_place}, checked

    none, few, many = (found(joints)[0] for joints in (0, 2, 50))
    assert none["crevice"].after_drying.p95 == 0.0
    assert 0.0 < few["crevice"].after_drying.p50 < many["crevice"].after_drying.p50 == (
        pytest.approx(100e-6)
    )
    for places in (none, few, many):
        assert sum(places[key].after_drying.p50 for key in ("outside", "crevice")) == (
            pytest.approx(100e-6, rel=0.05)
        )
    assert many["crevice"].at_injection.p95 > 1e-6 > none["outside"].at_injection.p95
    unknown = found("unknown")[0]
    assert 0.0 < unknown["crevice"].after_drying.p95 <= 100e-6 * (1 + 1e-9)
    assert found(50, 0)[1].water_after_drying.p95 == 0.0
