"""Predictions from the records against published residues, with the tolerance of each source.

Thicknesses were seldom published: where a source does not state one, the range assumed is in
the test. Cases the records miss stand at the end, each as a failure that is expected: it is
listed by every run, and the run fails when one of them is met.
"""

import json

import numpy as np
import pytest

from eo_risk.judgement.assess import check_plan, in_own_air
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_context import load_context
from eo_risk.judgement.material.parts import layer_stages, packaging_transfer, part_model
from eo_risk.judgement.risk import Draw
from eo_risk.physics import properties
from eo_risk.physics.layer import Body, Stage, run_layer
from eo_risk.physics.properties import central
from eo_risk.plan.load_plan import read_plan
from eo_risk.units import celsius_to_kelvin

HOUR = 3600.0
SAMPLES = 2048


def at(celsius):
    return celsius_to_kelvin(float(celsius))


def stage(material, celsius, hours, draw, gas=0.0, transfer=np.inf, outputs=()):
    kelvin = at(celsius)
    return Stage(
        hours * HOUR, properties.diffusivity_m2_per_s(material, kelvin, draw),
        properties.gas_ratio(material, kelvin, draw), gas, None, transfer, transfer,
        output_times_s=tuple(np.asarray(outputs) * HOUR),
    )  # fmt: skip


def uniform(draw, name, low, high):
    return draw.own(name, "uniform", 0.5 * (low + high), low, high, "-")


def level_ug_per_g(run, material, draw):
    return run.mean_kg_per_m3 / draw(f"{material}.density") * 1e6


def test_soft_pvc_tubing_at_room_temperature():
    """8954 to 33 ug/g in 48 h, below 10 at 96 h (Bogdansky and Lehn 1974); wall 0.8 to 1.6 mm.

    Circular, so no evidence: the record was made from this case.
    """
    draw = Draw(1, SAMPLES).item("tubing")
    wall = uniform(draw, "wall", 0.8e-3, 1.6e-3)
    step = stage("pvc_plasticised", 23, 96, draw, outputs=[48])
    run = run_layer(Body("sheet", wall), [step], start_kg_per_m3=1.0)
    left = 8954 * run.mean_kg_per_m3
    low, high = np.quantile(left[1], (0.05, 0.95))
    assert low < 33 < high
    assert np.quantile(left[2], 0.05) < 10
    # Late rate 0.112 1/h, inside 40 % for some wall in the range, with the record's own value.
    rates = [np.pi**2 * float(properties.diffusivity_m2_per_s("pvc_plasticised", at(23))) / w**2
             * HOUR for w in (0.8e-3, 1.6e-3)]  # fmt: skip
    assert min(rates) < 0.112 * 1.4
    assert max(rates) > 0.112 * 0.6


def hours_to(material, thickness, celsius, share):
    times = np.geomspace(1e-3, 1e4, 500)
    step = stage(material, celsius, times[-1] + 1, central, outputs=times)
    left = run_layer(Body("sheet", thickness), [step], start_kg_per_m3=1.0).mean_kg_per_m3[1:-1, 0]
    return float(np.exp(np.interp(-np.log(share), -np.log(np.maximum(left, 1e-200)),
                                  np.log(times))))  # fmt: skip


def test_thin_latex_glove():
    """100 ug/g after 1 h at 25 C in 0.24 mm (Oba et al. 1982); start 2000 to 10000 assumed.

    Half circular: the record rests on this case and on the size of the molecule.
    """
    slow = hours_to("natural_rubber_latex", 0.24e-3, 25, 100 / 10000)
    fast = hours_to("natural_rubber_latex", 0.24e-3, 25, 100 / 2000)
    assert fast < 2.0  # factor 2 in time
    assert slow > 0.5


def test_silicone_against_pvc_tubing():
    """Silicone empty in 2 h, PVC in 7 to 8 h, same size (McGunnigle et al. 1975); 1 mm assumed."""
    silicone, pvc = (hours_to(m, 1e-3, 25, 0.01) for m in ("silicone", "pvc_plasticised"))
    assert silicone < 2.0
    assert pvc / silicone > 3.5


def test_silicone_starts_far_lower_after_the_washes():
    """Silicone tubing held 85 % less EO than PVC after the cycle (McGunnigle et al. 1975).

    Not for want of uptake: it empties in the washes. Cycle of 600 mg/L, 55 C, 3 h, four washes
    of 10 min and 1 mm walls assumed.
    """
    level = {}
    for material in ("silicone", "pvc_plasticised"):
        run = run_layer(Body("sheet", 1e-3), [stage(material, 55, 3, central, gas=0.6),
                                              stage(material, 55, 4 / 6, central)])  # fmt: skip
        level[material] = level_ug_per_g(run, material, central)[1:, 0]
    assert level["silicone"][0] > 0.5 * level["pvc_plasticised"][0]
    assert level["silicone"][1] < 0.15 * level["pvc_plasticised"][1]


def test_a_warm_aerator_is_faster_than_a_shelf():
    """4 to 10 times from 25 C standing to 50 to 60 C (Oba et al. 1982); rubbers of the records."""
    factors = [hours_to(m, 1e-3, 25, 0.1) / hours_to(m, 1e-3, 55, 0.1)
               for m in ("pvc_plasticised", "nitrile", "epdm", "neoprene")]  # fmt: skip
    assert all(4.0 < f < 10.0 for f in factors)


def test_rank_of_three_polymers_straight_after_a_cycle():
    """ABS 632, polyurethane 578, PVC 525 ug/g: rank, and highest over lowest 1.2 (2024 study).

    Half circular: the record of ABS was put above the others by it.
    """
    uptake = {m: central(f"{m}.uptake") for m in ("abs", "polyurethane_soft", "pvc_plasticised")}
    assert uptake["abs"] > uptake["polyurethane_soft"] > uptake["pvc_plasticised"]
    assert 1.0 < uptake["abs"] / uptake["pvc_plasticised"] < 2.4


@pytest.mark.parametrize("material", ["silicone", "ldpe"])
def test_fast_polymers_are_empty_after_three_days(material):
    """Below detection after 72 h at room temperature (Jordy and Suhr 1973); 1 mm assumed."""
    draw = Draw(1, SAMPLES).item(material)
    run = run_layer(Body("sheet", 1e-3), [stage(material, 55, 3, draw, gas=0.6),
                                          stage(material, 23, 72, draw)])  # fmt: skip
    assert np.median(level_ug_per_g(run, material, draw)[-1]) < 2.0


def after_two_to_three_days(material, low_m, high_m):
    """Level of a wall after 600 mg/L, 55 C, 3 h and 48, 60 and 72 h at 25 C. [ug/g]"""
    draw = Draw(1, SAMPLES).item(material)
    wall = uniform(draw, "wall", low_m, high_m)
    run = run_layer(Body("sheet", wall),
                    [stage(material, 55, 3, draw, gas=0.6),
                     stage(material, 25, 72, draw, outputs=[48, 60])])  # fmt: skip
    return level_ug_per_g(run, material, draw)[-3:]


CARDIAC, FOLEY = (420, 460), (80, 170)  # ug/g at 48 to 72 h


@pytest.mark.parametrize(
    ("material", "walls", "measured", "factor"),
    [("polyurethane_hard", (0.5e-3, 1.5e-3), CARDIAC, 3),
     ("natural_rubber_latex", (1e-3, 3e-3), FOLEY, 2)],
)  # fmt: skip
def test_catheters_after_two_to_three_days(material, walls, measured, factor):
    """Inside the band from 48 to 72 h; at 60 h the median within the factor of the uptake.

    That is 2 for rubbers, 3 for others; the bands alone say little, for they reach over two
    decades. Results of 1968 in a quotation at second hand (Matsumoto et al., Arch Surg
    1968;96:464-470). Polymers, walls, cycle and temperature afterwards are assumed.
    """
    low, high = measured
    p5, p50, p95 = np.quantile(after_two_to_three_days(material, *walls), (0.05, 0.5, 0.95), axis=1)
    assert np.all(p5 < low)
    assert np.all(p95 > high)
    assert low / factor < p50[1] < high * factor


@pytest.mark.parametrize("thickness", [2e-3, 2.5e-3, 3e-3, 3.5e-3, 4e-3])
def test_thick_soft_pvc_needs_more_than_half_a_day(thickness):
    """2 to 4 mm, 500 mg/L, 57.5 C, 2 h: 12 h leave over 50 ug/g (Furuhashi and Miyamae 1982).

    24 h, which they ask for at least, leave less than half of that; their criterion was not read.
    """
    run = run_layer(Body("sheet", thickness),
                    [stage("pvc_plasticised", 57.5, 2, central, gas=0.5),
                     stage("pvc_plasticised", 57.5, 24, central, outputs=[12])])  # fmt: skip
    half, whole = level_ug_per_g(run, "pvc_plasticised", central)[-2:, 0]
    assert half > 50
    assert whole < 0.5 * half


def test_mass_balance_over_a_whole_cycle(demo):
    """What came in through the faces is what is there, to 1e-9, over all stages of a plan."""
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    context = load_context(read_plan(raw), 64, 1, follow=False)
    timeline = context.timeline
    stages = timeline.chamber[timeline.exposure_first :] + timeline.aeration
    for item in context.plan.items[1:]:
        inputs = ItemInputs(context.draw.item(item.name))
        model = part_model(item, 0, inputs, packaging_transfer(item, inputs))
        run = run_layer(model.body, layer_stages(model, stages, inputs))
        gained = run.gained_outer_kg_per_m3 + run.gained_inner_kg_per_m3
        largest = run.mean_kg_per_m3.max(axis=0)
        assert np.max(np.abs(run.mean_kg_per_m3 - gained) / largest) < 1e-9


def late_profile_ratio(material, first_root, size, celsius, days):
    """Share left when only the slowest profile is left at the start."""
    rate = first_root**2 * float(properties.diffusivity_m2_per_s(material, at(celsius))) / size**2
    return float(np.exp(-rate * days * 24 * HOUR))


def test_the_record_of_hard_polyurethane_gives_back_the_case_it_was_made_from():
    """41 ug/g at 2 d, 26 +/- 3 at 7 d (Ferrell et al. 1997): circular, so no evidence.

    A rod of 1 mm radius in hard polyurethane and 25 C are assumed. What was measured lies between
    the skin that one cycle leaves and the last, slowest profile.
    """
    cycle = [stage("polyurethane_hard", 55, 3, central, gas=0.6),
             stage("polyurethane_hard", 25, 7 * 24, central, outputs=[2 * 24])]  # fmt: skip
    run = run_layer(Body("rod", 1e-3), cycle)
    skin = float(run.mean_kg_per_m3[-1, 0] / run.mean_kg_per_m3[-2, 0])
    # First zero of J0: 2.405 (Crank 1975, ch. 5).
    late = late_profile_ratio("polyurethane_hard", 2.405, 1e-3, 25, 5)
    assert late == pytest.approx(0.78, abs=0.01)
    assert skin < 26 / 41 < late


def test_a_polyethylene_insert_after_its_cycle():
    """23 ug/g at 3 d, 15 at 5 d (knee insert study), factor 1.25 on the ratio 0.65.

    8 to 10 mm, 23 C and a cycle of 600 mg/L, 55 C, 3 h are assumed.
    """
    for thickness in (8e-3, 10e-3):
        run = run_layer(Body("sheet", thickness), [
            stage("uhmwpe", 55, 3, central, gas=0.6),
            stage("uhmwpe", 23, 5 * 24, central, outputs=[3 * 24]),
        ])  # fmt: skip
        ratio = float(run.mean_kg_per_m3[-1, 0] / run.mean_kg_per_m3[-2, 0])
        assert 0.65 / 1.25 < ratio < 0.65 * 1.25


@pytest.mark.parametrize(("material", "thickness"), [("ptfe", 0.3e-3), ("pa12", 0.1e-3)])
def test_films_are_empty_after_three_days(material, thickness):
    """PTFE and nylon below detection after 72 h at room temperature (Jordy and Suhr 1973).

    Met as film; a detection limit of 2 ug/g is assumed.
    """
    run = run_layer(Body("sheet", thickness), [stage(material, 55, 3, central, gas=0.6),
                                               stage(material, 23, 72, central)])  # fmt: skip
    assert level_ug_per_g(run, material, central)[-1, 0] < 2.0


FIVE_PPM = 9.0e-6  # kg/m3 of EO at 25 C and 1 atm: 44.05 g/mol in 24.47 L/mol, ideal gas


@pytest.mark.parametrize(("pieces", "changes"), [(2, 30), (10, 30), (10, 10)])
def test_outlet_air_at_5_ppm_is_never_within(demo, pieces, changes):
    """Soft PVC still held over 5000 ug/g when outlet air was at 5 ppm (Furuhata et al. 1995).

    Here a load of soft masks is taken out just when the air of its aerator comes down to 5 ppm.
    """
    raw = json.loads((demo / "mixed_load_thick_pvc.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][1] | {"quantity": pieces}]
    step = {"hours": 400, "temperature_c": 25, "air_changes_per_h": changes, "place": "cabinet",
            "free_volume_l": 200}  # fmt: skip
    raw["aeration"] = [raw["aeration"][0] | step]
    context = load_context(read_plan(raw), 64, 1, follow=False)
    _, level = in_own_air(context, [context.parts(0)])
    hours = np.cumsum([0.0, *(s.duration_s[0] / HOUR for s in context.timeline.aeration)])
    air = np.median(level[: hours.size], axis=1)
    assert air.max() > FIVE_PPM > air[-1]
    last = np.flatnonzero(air > FIVE_PPM)[-1]
    raw["aeration"][0]["hours"] = float(
        np.interp(-FIVE_PPM, -air[last : last + 2], hours[last : last + 2])
    )
    assert check_plan(read_plan(raw), samples=64, advise=False).verdict != "Within"


def test_a_flexible_endoscope_is_never_reported_empty(demo):
    """66.2 ppm on average after the standard degassing time (CDC guideline 2008)."""
    raw = json.loads((demo / "unknown_grade.json").read_text(encoding="utf-8"))
    raw["items"] = [raw["items"][0]]
    shaft = raw["items"][0]["parts"][0]
    shaft |= {"material": "polyurethane_soft", "wall_mm": 1.5, "outer_diameter_mm": 10.0,
              "mass_g": 60.0}  # fmt: skip
    raw["items"][0]["lumens"] = []
    found = check_plan(read_plan(raw), samples=256, seed=1, advise=False).items[0]
    eo = next(r.band for r in found.residues if r.substance == "EO")
    assert eo.p50 > 0.0
    assert eo.p95 > eo.p50


def miss(*case, found):
    """One published case the records miss, with what they give instead."""
    mark = pytest.mark.xfail(raises=AssertionError, reason=f"a miss: {found}")
    return pytest.param(*case, marks=mark)


@pytest.mark.parametrize(
    "material",
    [miss(m, found="31 h, 5 to 95 % from 10 to 190 h; 5.6 h if it was at 50 C")
     for m in ("pvc_plasticised", "polyurethane_soft")],
)  # fmt: skip
def test_soft_tubing_is_empty_within_a_factor_of_two(material):
    """7 to 8 h, same size, same cycle (McGunnigle et al. 1975).

    Wall, end point and temperature are not in the abstract: 1 mm, 1 % of the start and 25 C are
    assumed.
    """
    assert 7.5 / 2.0 < hours_to(material, 1e-3, 25, 0.01) < 7.5 * 2.0


@pytest.mark.parametrize("material", [miss("polyurethane_soft", found="0.7 ug/g")])
def test_cardiac_catheters_if_of_soft_polyurethane(material):
    """420 to 460 ug/g (as above), if the catheter was of the softer grade."""
    found = np.median(after_two_to_three_days(material, 0.5e-3, 1.5e-3)[1])
    assert CARDIAC[0] / 3 < found < CARDIAC[1] * 3


@pytest.mark.parametrize("thickness", [miss(1.2e-3, found="431 ug/g")])
def test_what_soft_pvc_holds_when_outlet_air_is_at_5_ppm(thickness):
    """Over 5000 ug/g (Furuhata et al. 1995); when the air was at 5 ppm is not stated.

    Assumed: a cabinet of 1 m3 with 10 air changes an hour, 2 kg of 1.2 mm soft PVC at 25 C, and
    the hour at which the air comes down to 5 ppm.
    """
    times = np.arange(1.0, 400.0, 1.0)
    run = run_layer(Body("sheet", thickness),
                    [stage("pvc_plasticised", 55, 3, central, gas=0.6),
                     stage("pvc_plasticised", 25, 400, central, outputs=times)])  # fmt: skip
    level = level_ug_per_g(run, "pvc_plasticised", central)[2:, 0]
    held_kg = level * 1e-6 * 2.0
    air = -np.gradient(held_kg) / 10.0  # given off per hour over air led through
    assert level[np.flatnonzero(air < FIVE_PPM)[0]] > 5000.0


@pytest.mark.parametrize("thickness", [miss(8e-3, found="0.89 of it"), miss(10e-3, found="0.93")])
def test_a_polyethylene_insert_if_only_its_slowest_profile_is_left(thickness):
    """23 ug/g at 3 d, 15 at 5 d (knee insert study), factor 1.25 on the ratio 0.65."""
    late = late_profile_ratio("uhmwpe", np.pi, thickness, 23, 2)
    assert 0.65 / 1.25 < late < 0.65 * 1.25


@pytest.mark.parametrize(
    ("material", "thickness"),
    [miss("ptfe", 1e-3, found="33 ug/g"), miss("pa12", 1e-3, found="330 ug/g"),
     miss("hdpe", 1e-3, found="2.9 ug/g"), miss("pa6", 0.1e-3, found="105 ug/g"),
     miss("pa6", 1e-3, found="10 ug/g")],
)  # fmt: skip
def test_parts_are_empty_after_three_days(material, thickness):
    """Below detection after 72 h at room temperature (Jordy and Suhr 1973), as films above."""
    run = run_layer(Body("sheet", thickness), [stage(material, 55, 3, central, gas=0.6),
                                               stage(material, 23, 72, central)])  # fmt: skip
    assert level_ug_per_g(run, material, central)[-1, 0] < 2.0


# No case to fail: no chlorohydrin in fresh soft PVC of one study, 35 ug/g in another. The model
# gives the second, its band reaches down to a twentieth of it.
