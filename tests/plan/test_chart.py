"""Charts and plans as run: what is taken from a chart, what is refused. Invented charts."""

from datetime import datetime, timedelta

import pytest

from eo_risk.errors import InputError
from eo_risk.plan.as_run import (
    NOT_MEASURED,
    AsRun,
    as_run,
    measured_from_bytes,
    values_of_chart,
)
from eo_risk.plan.chart import chart_from_bytes, read_chart
from eo_risk.plan.load_plan import load_plan

HEADER = "time,stage,temperature_c,pressure_kpa,rh_percent,eo_mg_per_l"


def rows(*stages, start="2026-04-14T06:30+02:00", step_min=5):
    """Write rows: each stage with its number of rows and the cells after it."""
    moment, lines = datetime.fromisoformat(start), []
    for stage, count, cells in stages:
        for i in range(count):
            cell = cells[i % len(cells)] if isinstance(cells, list) else cells
            lines.append(f"{moment.isoformat(timespec='minutes')},{stage},{cell}")
            moment += timedelta(minutes=step_min)
    return lines


CYCLE = (
    ("evacuation", 3, ["30,60,,", "35,20,,", "40,8.5,,"]),
    ("conditioning", 6, "54,9,55,"),
    ("injection", 2, "55,30,,300"),
    ("exposure", 36, ["54,58,,590", "55,60,,570"]),
    ("wash", 12, ["55,30,,", "55,8,,", "55,50,,", "55,94,,"]),
    ("transfer", 2, ",,,"),
    ("aeration", 24, "50,,,"),
    ("interrupted", 6, "30,,,"),
    ("aeration", 24, "52,,,"),
    ("transfer", 0, ",,,"),
    ("aeration 2", 13, "21,,,"),
)


def read(lines, header=HEADER, time_zone="", **options):
    text = "\n".join([header, *lines]) + "\n"
    return chart_from_bytes(text.encode(), "chart.csv", time_zone, **options)


def faults(lines, header=HEADER, time_zone=""):
    with pytest.raises(InputError) as caught:
        read(lines, header, time_zone)
    return {fault.where: str(fault) for fault in caught.value.faults}


@pytest.fixture
def plan(demo):
    return load_plan(demo / "dry_steel_set.json")


def test_measured_values_are_taken_from_the_stages():
    values = values_of_chart(read(rows(*CYCLE)))
    cycle = values.cycle
    assert values.cycle_start == datetime.fromisoformat("2026-04-14T06:30+02:00")
    assert (cycle.evacuation_min, cycle.evacuation_kpa) == (15.0, 8.5)
    assert (cycle.conditioning_min, cycle.conditioning_rh_percent) == (30.0, 55.0)
    assert cycle.injection_min == 10.0
    assert cycle.exposure_h == pytest.approx(3.0)
    assert cycle.temperature_c == pytest.approx(54.5)
    assert cycle.eo_mg_per_l == pytest.approx(580.0)
    assert cycle.total_pressure_kpa == pytest.approx(59.0)
    assert cycle.washes.count == 3
    assert (cycle.washes.low_kpa, cycle.washes.high_kpa) == (8.0, 94.0)
    assert cycle.washes.minutes_each == pytest.approx(20.0)
    assert cycle.length_h == pytest.approx(59 / 12)
    assert cycle.transfer_min == 10.0


def test_interruptions_count_for_the_clock_and_not_as_aeration(plan):
    run, differences = as_run(plan, read(rows(*CYCLE)))
    assert run.status == "as_run"
    first, second = run.aeration
    assert (first.hours, first.interrupted_h) == (pytest.approx(4.0), pytest.approx(0.5))
    assert first.temperature_c == pytest.approx(51.0)
    assert (first.place, first.air_changes_per_h) == ("cabinet", 30.0)
    assert (second.hours, second.interrupted_h) == (pytest.approx(1.0), None)
    assert run.lost_time == timedelta(minutes=30)
    assert run.items == plan.items
    changed = {d.field: d for d in differences if not d.note}
    hours = changed["aeration[0].hours"]
    assert (hours.planned, hours.as_run) == (12.0, pytest.approx(4.0))
    assert changed["cycle.washes.count"].as_run == 3
    kept = {d.field for d in differences if d.note == NOT_MEASURED}
    assert "aeration[0].air_changes_per_h" in kept
    assert not kept & set(changed)


def test_the_demo_chart_runs_through(demo, plan):
    run, differences = as_run(plan, read_chart(demo / "chart_dry_steel_set.csv"))
    assert run.aeration[0].hours == pytest.approx(12.0)
    assert run.lost_time == timedelta(minutes=30)
    assert run.cycle.washes.count == 5
    assert any(d.field == "cycle_start" and d.as_run.startswith("2026-04-14T06:32")
               for d in differences)  # fmt: skip


def test_what_a_chart_does_not_show_stays_as_planned(plan):
    lines = [line.rsplit(",", 3)[0] for line in rows(*CYCLE)]  # time, stage, temperature
    run, differences = as_run(plan, read(lines, "time,stage,temperature_c"))
    assert run.cycle.conditioning_rh_percent == plan.cycle.conditioning_rh_percent
    assert run.cycle.washes == plan.cycle.washes
    kept = {d.field for d in differences if d.note == NOT_MEASURED}
    assert {"cycle.conditioning_rh_percent", "cycle.washes.count", "cycle.evacuation_kpa"} <= kept


def test_units_and_readings_of_the_header_are_honoured():
    lines = [f"2026-04-14T06:3{i}+02:00;evacuation;131;27 inHg vacuum" for i in range(4)]
    chart = read(lines, "time;stage;temperature [F];pressure [mbar]", ambient_pa=101_300.0)
    (span,) = chart.spans
    assert span.mean("temperature_c") == pytest.approx(55.0)
    # 101.3 kPa - 27 inHg x 3.386389 kPa/inHg (NIST SP 811 appendix B)
    assert span.mean("pressure_kpa") == pytest.approx(9.87, rel=1e-3)
    found = faults(["2026-04-14T06:30+02:00,evacuation,500 mbar"] * 2, "time,stage,pressure_kpa")
    assert "absolute, gauge or vacuum" in found["row 2, column pressure_kpa"]


def test_a_gap_is_refused_and_named():
    lines = rows(*CYCLE)
    found = faults(lines[:20] + lines[26:])
    assert list(found) == ["row 22, column time"]
    assert "35 min after the row before" in found["row 22, column time"]
    assert "about 5 min" in found["row 22, column time"]


def test_a_clock_set_back_or_forward_is_refused():
    # Local times written with a fixed offset while the clock itself was changed.
    back = rows(("exposure", 6, "55,60,,600")) + rows(
        ("exposure", 6, "55,60,,600"), start="2026-04-14T06:00+02:00"
    )
    found = faults(back)
    assert "set back" in found["row 8, column time"]
    forward = rows(("exposure", 6, "55,60,,600")) + rows(
        ("exposure", 6, "55,60,,600"), start="2026-04-14T08:00+02:00"
    )
    assert "set forward" in faults(forward)["row 8, column time"]


# In 2026 the clocks of Berlin go forward on 29 March and back on 25 October (IANA tz data).
def test_local_times_over_a_clock_change():
    spring = ["2026-03-29T01:50", "2026-03-29T01:55", "2026-03-29T03:00", "2026-03-29T03:05"]
    lines = [f"{time},exposure,55,60,,600" for time in spring]
    (span,) = read(lines, time_zone="Europe/Berlin").spans
    assert span.length == timedelta(minutes=15)
    autumn = [f"2026-10-25T02:{m:02d},exposure,55,60,,600" for m in (0, 5, 10)]
    assert "show twice" in faults(autumn, time_zone="Europe/Berlin")["row 2, column time"]
    standard = [f"2026-03-29T02:{m:02d},exposure,55,60,,600" for m in (0, 5, 10)]
    assert "skip" in faults(standard, time_zone="Europe/Berlin")["row 2, column time"]
    assert "offset" in faults(standard)["row 2, column time"]


def test_every_fault_of_a_chart_is_named():
    found = faults([
        "2026-04-14T06:30+02:00,exposure,55,60,,600",
        "yesterday,exposure,155,60,,600",
        "2026-04-14T06:40+02:00,exposer,55,wet,101,600",
        "2026-04-14T06:45+02:00,exposure 2,55,60,,600",
    ])  # fmt: skip
    assert set(found) == {
        "row 3, column time", "row 3, column temperature_c", "row 4, column stage",
        "row 4, column pressure_kpa", "row 4, column rh_percent", "row 5, column stage",
    }  # fmt: skip
    assert "exposure" in found["row 4, column stage"]
    assert "-20 to 120 C" in found["row 3, column temperature_c"]


def test_a_row_without_a_stage_goes_on_with_the_one_above():
    full = rows(*CYCLE)
    sparse, last = [], ""
    for line in full:  # as a recorder writes it, with the stages added where they begin
        moment, stage, rest = line.split(",", 2)
        sparse.append(f"{moment},{'' if stage == last else stage},{rest}")
        last = stage
    assert sum(",," in line[:28] for line in sparse) > 100
    assert values_of_chart(read(sparse)) == values_of_chart(read(full))
    assert "where it begins" in faults([sparse[1], *sparse[2:]])["row 2, column stage"]


def test_stages_are_never_guessed_and_must_be_in_order():
    lines = ["2026-04-14T06:30+02:00,55", "2026-04-14T06:35+02:00,55"]
    assert "not guessed" in faults(lines, "time,temperature_c")["column 'stage'"]
    mixed = rows(("exposure", 4, "55,60,,"), ("conditioning", 4, "55,60,,"))
    assert "order" in faults(mixed)["row 6, column stage"]
    twice = rows(("exposure", 4, ",,,"), ("wash", 4, ",,,"), ("exposure", 4, ",,,"))
    assert "order" in faults(twice)["row 10, column stage"]
    assert "two rows" in faults(mixed[:1])["rows"]


def test_values_given_by_hand_are_laid_over_the_plan(plan):
    values = AsRun.model_validate({
        "cycle": {"temperature_c": "128 F", "washes": {"count": 2}},
        "aeration": [
            {"start": "2026-04-14T11:30+02:00", "stop": "2026-04-14T23:30+02:00",
             "interruptions": [{"start": "2026-04-14T15:00+02:00",
                                "stop": "2026-04-14T15:45+02:00"}]},
            {"step": 2, "start": "2026-04-14T23:45+02:00", "stop": "2026-04-15T02:45+02:00"},
        ],
    })  # fmt: skip
    run, _ = as_run(plan, values)
    assert run.cycle.temperature_c == pytest.approx(53.333, abs=1e-3)
    assert (run.cycle.washes.count, run.cycle.washes.low_kpa) == (2, 8.0)
    assert run.aeration[0].hours == pytest.approx(11.25)
    assert (run.aeration[1].hours, run.aeration[1].interrupted_h) == (3.0, 0.25)
    assert run.lost_time == timedelta(hours=1)
    assert run.cycle_start == plan.cycle_start


@pytest.mark.parametrize(
    ("aeration", "where"),
    [
        ([{"start": "2026-04-14T11:30+02:00"}], "aeration[0]"),
        ([{"start": "2026-04-14T11:30Z", "stop": "2026-04-14T11:00Z"}], "aeration[0].stop"),
        ([{"step": 3, "start": "2026-04-14T11:30Z", "stop": "2026-04-14T12:00Z"}],
         "aeration[0].step"),
        ([{"start": "2026-04-14T11:30Z", "stop": "2026-04-14T12:00Z",
           "interruptions": [{"start": "2026-04-14T11:00Z", "stop": "2026-04-14T11:40Z"}]}],
         "aeration[0].interruptions"),
        ([{"start": "2026-04-14T11:30Z", "stop": "2026-04-14T12:00Z"},
          {"step": 2, "start": "2026-04-14T11:50Z", "stop": "2026-04-14T13:00Z"}], "aeration[1]"),
    ],
)  # fmt: skip
def test_times_that_do_not_fit_are_refused(plan, aeration, where):
    with pytest.raises(InputError) as caught:
        as_run(plan, AsRun.model_validate({"aeration": aeration}))
    assert [fault.where for fault in caught.value.faults] == [where]


def test_a_file_of_values_or_a_chart_is_read_with_the_rules_of_the_plan(plan, demo):
    chart = (demo / "chart_dry_steel_set.csv").read_bytes()
    assert measured_from_bytes(plan, chart, "chart.csv").cycle.washes.count == 5
    values = measured_from_bytes(plan, b'{"cycle": {"evacuation_kpa": "27 inHg vacuum"}}', "a.json")
    assert values.cycle.evacuation_kpa == pytest.approx(9.9, rel=0.01)
    with pytest.raises(InputError) as caught:
        measured_from_bytes(plan, b'{"cycle": {"temperatur_c": 3}, "aeration": [{"step": 0}]}',
                            "a.json")  # fmt: skip
    assert [fault.where for fault in caught.value.faults] == [
        "cycle.temperatur_c", "aeration[0].step",
    ]  # fmt: skip
    for content in (b"[", b"[]", b"NaN"):
        with pytest.raises(InputError):
            measured_from_bytes(plan, content, "a.json")
