"""Command `water`: the contract of its answer, cases by hand, and how bad input is refused."""

import json

import pytest

from eo_risk.cli import main
from eo_risk.physics.properties import water_saturation_pa

DRY_AIR = ("--air-temperature-c", "20", "--air-rh-percent", "0")
CHANNEL = ("--bore-mm", "3", "--length-mm", "2000")


def answer(capsys, *argv):
    code = main(["water", *argv, "--json"])
    printed = json.loads(capsys.readouterr().out)
    assert code == 0, printed
    return printed


def errors(capsys, *argv):
    code = main(["water", *argv, "--json"])
    printed = json.loads(capsys.readouterr().out)
    assert code == 2
    return {fault["where"]: fault for fault in printed["errors"]}


def lumen(capsys, *argv):
    return answer(capsys, "lumen", *argv)


def test_saturated_vapour_at_55_c():
    # 15.76 kPa and 104.1 mg/L (Buck, J. Appl. Meteorol. 1981;20:1527).
    full_pa = float(water_saturation_pa(328.15))
    assert full_pa == pytest.approx(15.76e3, rel=0.01)
    assert full_pa * 0.018015 / (8.314463 * 328.15) == pytest.approx(104.1e-3, rel=0.01)


@pytest.mark.parametrize(
    ("celsius", "pascal"), [(20, 2339), (37, 6282), (50, 12352), (55, 15762)]
)  # fmt: skip
def test_saturation_pressure(celsius, pascal):
    # CoolProp 8.0.0 and chemicals 1.5.2, PropsSI('P','T',T,'Q',0,'Water').
    assert float(water_saturation_pa(celsius + 273.15)) == pytest.approx(pascal, rel=0.003)


def test_worked_example_of_a_lumen(capsys):
    # By hand in tests/physics/test_drying.py; 1.5 to 2 times longer is common practice, no source.
    # 1.0 mL in 3 mm x 2 m at 1 bar of dry air at 20 C, outer diameter 12 mm: 46.7 NL/min,
    # 322 mg/min adiabatic to 422 mg/min with 0.75 W/K through the wall; 3.1 to 2.4 min ideal,
    # 1.5 to 2 times that in practice.
    found = lumen(
        capsys, *CHANNEL, "--water-mg", "1000", "--air-pressure-gauge-bar", "1", *DRY_AIR,
        "--outer-diameter-mm", "12",
    )  # fmt: skip
    assert found["water_mg"]["p50"] == pytest.approx(1000.0)
    assert found["air_flow_nl_per_min"] == pytest.approx(46.7, rel=0.03)
    assert 322.0 < found["evaporation_mg_per_min"] < 422.0
    assert 2.4 < found["dry_after_min"]["p50"] < found["dry_after_min"]["p95"] < 2.0 * 3.2


def test_measured_flow_is_preferred_and_loses_nothing(capsys):
    pressed = lumen(capsys, *CHANNEL, "--water-mg", "1000", "--air-pressure-gauge-bar", "1",
                    *DRY_AIR)  # fmt: skip
    measured = lumen(capsys, *CHANNEL, "--water-mg", "1000", "--air-flow-nl-per-min", "46.7",
                     *DRY_AIR)  # fmt: skip
    assert measured["air_flow_nl_per_min"] == pytest.approx(46.7)
    assert measured["dry_after_min"]["p95"] < pressed["dry_after_min"]["p95"]


def test_minutes_of_air_lower_the_water_and_the_rest_of_the_time(capsys):
    given = (*CHANNEL, "--water-mg", "1000", "--air-pressure-gauge-bar", "1", *DRY_AIR)
    before, after = lumen(capsys, *given), lumen(capsys, *given, "--minutes", "2")
    for point in ("p05", "p50", "p95"):
        assert 0.0 <= after["water_mg"][point] < before["water_mg"][point]
    for point in ("p50", "p95"):
        rest = before["dry_after_min"][point] - 2.0
        assert after["dry_after_min"][point] == pytest.approx(rest, abs=1e-6)
    dry = lumen(capsys, *given, "--minutes", "60")
    assert dry["water_mg"] == {"p05": 0.0, "p50": 0.0, "p95": 0.0}
    assert dry["dry_after_min"] == {"p50": 0.0, "p95": 0.0}


def test_one_push_of_a_syringe_leaves_about_an_eighth(capsys):
    # Hold-up of an air finger at 1 m/s: 12 to 13 % of the bore (Aussillous and Quere 2000).
    found = lumen(capsys, "--bore-mm", "3", "--length-mm", "700", "--emptied", "syringe",
                  "--pushes", "1")  # fmt: skip
    assert found["water_mg"]["p50"] == pytest.approx(0.125 * 4948.0, rel=0.15)
    more = lumen(capsys, "--bore-mm", "3", "--length-mm", "700", "--emptied", "syringe",
                 "--pushes", "3")  # fmt: skip
    assert more["water_mg"]["p50"] < found["water_mg"]["p50"]
    hung = lumen(capsys, "--bore-mm", "3", "--length-mm", "700", "--emptied", "hung")
    assert hung["water_mg"]["p50"] > found["water_mg"]["p50"]
    assert [c["code"] for c in hung["cautions"]] == ["eo_starvation"]


def test_wide_bores_drain(capsys):
    narrow = lumen(capsys, "--bore-mm", "4.5", "--length-mm", "300", "--emptied", "hung")
    wide = lumen(capsys, "--bore-mm", "6", "--length-mm", "300", "--emptied", "hung")
    assert wide["water_mg"]["p50"] < 0.2 * narrow["water_mg"]["p50"]


@pytest.mark.parametrize(
    ("flags", "code"),
    [(("--open-ends", "0"), "lumen_closed"), (("--blocked",), "channel_blocked")],
)
def test_closed_and_blocked_lumens_do_not_dry(capsys, flags, code):
    found = lumen(capsys, *CHANNEL, "--emptied", "air", "--air-pressure-gauge-bar", "1",
                  "--minutes", "30", *DRY_AIR, *flags)  # fmt: skip
    assert found["dry_after_min"] == {"p50": None, "p95": None}
    assert found["air_flow_nl_per_min"] == found["evaporation_mg_per_min"] == 0.0
    assert found["water_mg"]["p50"] > 0.5 * 14_000.0
    assert code in {caution["code"] for caution in found["cautions"]}


def test_unknown_air_is_assumed_and_said(capsys):
    found = lumen(capsys, "--bore-mm", "3", "--length-mm", "700", "--emptied", "syringe")
    fields = {entry["field"] for entry in found["assumed"]}
    assert {"--air-temperature-c", "--air-rh-percent", "--air-pressure-gauge-bar"} <= fields


def test_the_seed_repeats_and_another_differs(capsys):
    given = ("--bore-mm", "2", "--length-mm", "400", "--emptied", "suction", "--samples", "256")
    first, again = lumen(capsys, *given, "--seed", "3"), lumen(capsys, *given, "--seed", "3")
    other = lumen(capsys, *given, "--seed", "4")
    assert first == again
    assert first["water_mg"] != other["water_mg"]


def test_surface(capsys):
    # 10 um on 100 cm2 is 100 mg; 3 cm of low edge at 48 mg/cm are 143 mg (Konishi et al. 1974).
    found = answer(capsys, "surface", "--area-cm2", "100", "--state", "drained",
                   "--low-edge-cm", "3", "--joints", "2")  # fmt: skip
    places = found["water_by_place_mg"]
    assert places["film"]["p50"] == pytest.approx(100.0, rel=0.05)
    assert places["low edge"]["p50"] == pytest.approx(143.0, rel=0.05)
    assert places["joints"]["p50"] == pytest.approx(2 * 20.0, rel=0.05)
    assert found["water_mg"]["p05"] < found["water_mg"]["p50"] < found["water_mg"]["p95"]
    wiped = answer(capsys, "surface", "--area-cm2", "100", "--state", "wiped", "--joints", "2")
    assert wiped["water_by_place_mg"]["low edge"]["p95"] == 0.0
    # Wiping does not reach the joints.
    assert wiped["water_by_place_mg"]["joints"] == places["joints"]


def test_answers_fit_their_schema(capsys):
    from jsonschema import Draft202012Validator

    from eo_risk.commands.schemas import schema_of

    schema = Draft202012Validator(schema_of("water"))
    assert schema.is_valid(lumen(capsys, *CHANNEL, "--emptied", "air"))
    assert schema.is_valid(answer(capsys, "surface", "--area-cm2", "50", "--state", "blown"))


def test_every_fault_of_a_lumen_is_named(capsys):
    found = errors(
        capsys, "lumen", "--bore-mm", "0", "--length-mm", "inf", "--emptied", "syrnge",
        "--minutes", "-1", "--air-pressure-gauge-bar", "11", "--air-rh-percent", "101",
        "--open-ends", "1.5", "--samples", "nan",
    )  # fmt: skip
    assert found["--bore-mm"]["allowed"] == "from 0.01 to 100 mm"
    assert found["--bore-mm"]["given"] == "0"
    assert found["--bore-mm"]["unit"] == "mm"
    assert found["--minutes"]["allowed"] == "from 0 to 100000 min"
    assert found["--air-pressure-gauge-bar"]["allowed"] == "from 0 to 10 bar gauge"
    assert found["--air-rh-percent"]["allowed"] == "from 0 to 100 %"
    assert "syringe" in found["--emptied"]["allowed"]
    assert {"--length-mm", "--open-ends", "--samples"} <= set(found)


def test_more_water_than_the_lumen_holds_is_refused(capsys):
    # 3 mm x 100 mm hold 707 mg.
    found = errors(capsys, "lumen", "--bore-mm", "3", "--length-mm", "100", "--water-mg", "720")
    assert found["--water-mg"]["allowed"] == "0 to 707 mg, the full lumen"
    assert found["--water-mg"]["given"] == "720"


def test_missing_and_contradicting_flags_are_refused(capsys):
    found = errors(capsys, "lumen", "--air-pressure-gauge-bar", "1", "--air-flow-nl-per-min", "9")
    assert {"--bore-mm", "--length-mm", "--emptied", "--air-flow-nl-per-min"} == set(found)
    outer = errors(capsys, "lumen", *CHANNEL, "--emptied", "air", "--outer-diameter-mm", "2.5")
    assert outer["--outer-diameter-mm"]["allowed"] == "more than the bore, 3 mm"
    assert set(errors(capsys, "surface", "--state", "damp")) == {"--area-cm2", "--state"}


def test_text_ends_with_look_again_and_the_notice(capsys):
    assert main(["water", "lumen", *CHANNEL, "--emptied", "syringe", *DRY_AIR]) == 0
    printed = capsys.readouterr().out
    assert "then look again" in printed
    assert "does not release a load" in printed


@pytest.mark.parametrize(
    ("flags", "why"),
    [
        (("--air-pressure-gauge-bar", "1", "--air-rh-percent", "100"), "saturated"),
        (("--air-pressure-gauge-bar", "0", "--air-rh-percent", "0"), "no air flows"),
        (("--air-pressure-gauge-bar", "1", "--air-rh-percent", "0", "--blocked"), "no air passes"),
        (("--air-pressure-gauge-bar", "1", "--air-rh-percent", "0"), None),
    ],
)
def test_why_a_lumen_does_not_dry_is_said(capsys, flags, why):
    given = (*CHANNEL, "--emptied", "syringe", "--air-temperature-c", "20", *flags)
    found = lumen(capsys, *given)
    assert (found["dry_after_min"]["p50"] is None) == (why is not None)
    main(["water", "lumen", *given])
    printed = capsys.readouterr().out
    if why is None:
        assert found["cannot_dry"] is None
        assert "does not dry" not in printed
    else:
        assert why in found["cannot_dry"]
        assert f"{found['cannot_dry']}: it does not dry this way" in printed


def test_minutes_to_a_target_leave_no_more_than_it(capsys):
    given = (*CHANNEL, "--water-mg", "1000", "--air-pressure-gauge-bar", "1", *DRY_AIR)
    asked = lumen(capsys, *given, "--target-mg", "300")["target_after_min"]
    assert 0.0 < asked["p50"] <= asked["p95"]
    after = lumen(capsys, *given, "--minutes", str(asked["p95"]), "--target-mg", "300")
    assert after["water_mg"]["p95"] == pytest.approx(300.0, rel=0.02)
    assert after["target_after_min"]["p95"] == pytest.approx(0.0, abs=0.02)
    assert lumen(capsys, *given)["target_after_min"] is None
    assert main(["water", "lumen", *given, "--target-mg", "300"]) == 0
    line = next(x for x in capsys.readouterr().out.splitlines() if x.startswith("down to 300 mg"))
    assert line.endswith("then look again")


def test_air_when_emptied_by_pressure_or_by_measured_flow(capsys):
    # 29.2 NL/min go through 3 mm x 2 m at 0.5 bar (isothermal flow, library friction).
    given = (*CHANNEL, "--emptied", "air", "--emptied-seconds", "30", *DRY_AIR)
    pressed = lumen(capsys, *given, "--emptied-pressure-gauge-bar", "0.5")
    measured = lumen(capsys, *given, "--emptied-flow-nl-per-min", "29.2")
    for point in ("p05", "p50", "p95"):
        assert measured["water_mg"][point] == pytest.approx(pressed["water_mg"][point], rel=0.02)
    weak = lumen(capsys, *given, "--emptied-flow-nl-per-min", "0")
    # No air moves no water: the 14.1 g of the full bore stay.
    assert weak["water_mg"]["p50"] == pytest.approx(14.1e3, rel=0.02)
    assert "--emptied-flow-nl-per-min" in errors(
        capsys, "lumen", *given, "--emptied-flow-nl-per-min", "-1"
    )
