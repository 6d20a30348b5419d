"""Limits of every contact, patient and edition against the published table and its routes.

Figures: GOST ISO 10993-7-2016, identical to ISO 10993-7:2008, table C.1 (page read). Scaling by
body mass and tolerable intakes 0.3 and 0.64 mg/kg/d: ISO 10993-7:2008/Amd 1:2019 as quoted in a
quality forum. Relation of intake and limit: ISO 10993-17:2002. Tolerance 0.5 %.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from eo_risk import reference, units
from eo_risk.errors import InputError
from eo_risk.judgement.allowed.allowance import intake_limit_mg
from eo_risk.judgement.allowed.contact_area import ContactArea
from eo_risk.judgement.allowed.residues import Amounts, decide, residue_rows
from eo_risk.judgement.limits import (
    DURATIONS,
    EDITIONS,
    SPECIALS,
    limits_for,
    population_fault,
    screening,
    screening_by_id,
)

NOW = "iso10993-7:2008+A1"
LARGE_CM2 = 1e4  # large enough for the contact limit of EO not to rule


def value(found, substance, period, quantity="mg_per_device"):
    key = (substance, period, quantity)
    rows = [x for x in found.limits if (x.substance, x.period, x.quantity) == key]
    assert len(rows) == 1, rows
    return rows[0].limit


def governing(found):
    return {limit.substance: limit for limit in found.governing}


def verdict(found, eo_mg, ech_mg, area_cm2=LARGE_CM2, shares=None):
    """Judge known amounts by the rows and rules that judge every item."""
    def one(mg):
        return np.array([units.to_si(mg, "mg")])

    amounts = Amounts(
        eo={"whole": one(eo_mg)}, ech={("whole", None): one(ech_mg)}, eg={"whole": one(0.0)},
        dose_share={k: np.array([v]) for k, v in (shares or {}).items()}, days=found.days,
    )  # fmt: skip
    area_m2 = np.array([units.to_si(area_cm2, "cm2")])
    rows = residue_rows(found.limits, amounts, ContactArea(area_m2, area_m2))
    over = {(r.substance, r.period) for r in rows if r.probability_over}
    return decide(rows, (), [found.empty_reason] if found.empty_reason else []), over


# Table C.1 for 24 h, 30 d and lifetime; daily averages from a laboratory's table of both editions.
TABLE = {
    "limited": {("EO", "24h"): 4, ("ECH", "24h"): 9},
    "prolonged": {("EO", "24h"): 4, ("ECH", "24h"): 9, ("EO", "30d"): 60, ("ECH", "30d"): 60,
                  ("EO", "day"): 2, ("ECH", "day"): 2},
    "permanent": {("EO", "24h"): 4, ("ECH", "24h"): 9, ("EO", "30d"): 60, ("ECH", "30d"): 60,
                  ("EO", "lifetime"): 2500, ("ECH", "lifetime"): 10_000, ("EO", "day"): 0.1,
                  ("ECH", "day"): 0.4},
}  # fmt: skip


@pytest.mark.parametrize("duration", DURATIONS)
def test_adult_figures_of_every_contact_stand_together(duration):
    found = limits_for(NOW, duration, 70.0, 5)
    per_device = {(x.substance, x.period): x.limit for x in found.limits
                  if x.quantity == "mg_per_device"}  # fmt: skip
    assert per_device == TABLE[duration]
    assert value(found, "EO", "contact", "ug_per_cm2") == 10.0
    assert value(found, "ECH", "contact", "ug_per_cm2") == 5000.0
    assert found.edition_note == (
        "replaced by a third edition in April 2026; ask which edition applies to you"
    )
    assert found.empty_reason == ""
    for limit in found.limits:
        assert limit.source in reference.sources()
        assert limit.clause
        assert limit.confidence in ("A", "B")


def test_daily_averages_give_the_longer_figures():
    """2 mg x 30 d = 60 mg, 0.1 mg x 25 000 d = 2.5 g, 0.4 mg x 25 000 d = 10 g (table C.1)."""
    for duration, period in (("prolonged", "30d"), ("permanent", "lifetime")):
        found = limits_for(NOW, duration)
        for substance in ("EO", "ECH"):
            total = value(found, substance, "day") * found.days["day"]
            assert total == pytest.approx(value(found, substance, period))


def test_adult_limited_device():
    """3.9 mg EO and 8.9 mg ECH are inside, 4.01 mg EO is not (table C.1)."""
    found = limits_for(NOW, "limited", 70.0)
    assert verdict(found, 3.9, 8.9) == ("Within", set())
    assert verdict(found, 4.01, 1.0) == ("Hold", {("EO", "24h")})
    assert verdict(found, 4.0, 9.0)[0] == "Within"  # at the limit is not above it


# Amd 1:2019: figure x mass/70 (0.5714, 1.2857; 0.2000, 0.4500) against intake x mass x 0.2
# (0.600, 1.280; 0.210, 0.448); the stricter of each.
@pytest.mark.parametrize(
    ("mass", "eo", "ech", "ech_route"),
    [(10.0, 0.5714, 1.280, "tolerable intake"), (3.5, 0.2000, 0.448, "tolerable intake")],
)
@pytest.mark.parametrize("devices", [None, 5])
def test_small_patients_take_the_stricter_route(mass, eo, ech, ech_route, devices):
    found = limits_for(NOW, "limited", mass, devices, LARGE_CM2)
    rules = governing(found)
    assert rules["EO"].limit == pytest.approx(eo, rel=0.005)
    assert rules["ECH"].limit == pytest.approx(ech, rel=0.005)
    assert f"{mass:g}/70 kg" in rules["EO"].basis
    assert "by tolerable intake" in rules["EO"].basis
    assert ech_route in rules["ECH"].basis
    assert "by body mass" in rules["ECH"].basis


@pytest.mark.parametrize("mass", [70.0, 70.1, 80.0, 200.0])
@pytest.mark.parametrize("devices", [None, 1, 5])
def test_heavier_patient_or_fewer_devices_keep_the_published_figure(mass, devices):
    found = limits_for(NOW, "limited", mass, devices)
    assert (value(found, "EO", "24h"), value(found, "ECH", "24h")) == (4.0, 9.0)


def test_published_figures_follow_from_the_intakes():
    """0.3 x 70 x 0.2 = 4.2 rounds to 4; 0.64 x 70 x 0.2 = 8.96 rounds to 9 (Amd 1, table C.1)."""
    intakes = {i["substance"]: i["value"]
               for i in reference.document("limits/iso10993_7_2008_a1")["intake"]}  # fmt: skip
    assert intake_limit_mg(intakes["EO"], 70.0, 0.2) == pytest.approx(4.2)
    assert intake_limit_mg(intakes["ECH"], 70.0, 0.2) == pytest.approx(8.96)
    for substance, published in (("EO", 4), ("ECH", 9)):
        assert round(intake_limit_mg(intakes[substance], 70.0, 0.2)) == published


@pytest.mark.parametrize("factor", [None, 0.0, -0.2, 1.01, float("nan")])
def test_an_intake_is_never_a_limit_of_one_device(factor):
    with pytest.raises(ValueError, match="concomitant factor"):
        intake_limit_mg(0.3, 70.0, factor)


def test_devices_used_together_share_the_intake():
    """Five devices of 4 mg give 20 mg, inside 0.3 x 70 = 21 mg a day; six give 24 mg, over it:
    the factor becomes 1/6, 3.5 mg each (ISO 10993-17:2002, Amd 1)."""
    five, six = limits_for(NOW, "limited", 70.0, 5), limits_for(NOW, "limited", 70.0, 6)
    intake = intake_limit_mg(0.3, 70.0, 1.0)
    assert 5 * value(five, "EO", "24h") < intake < 6 * value(five, "EO", "24h")
    assert value(six, "EO", "24h") == pytest.approx(3.5)
    assert 6 * value(six, "EO", "24h") == pytest.approx(intake)


def test_contact_limit_of_a_drape_and_of_a_small_implant():
    """10 ug/cm2 and 5 mg/cm2: 50 cm2 give 500 ug EO and 250 mg ECH, 1 cm2 gives 10 ug EO."""
    drape = governing(limits_for(NOW, "limited", 70.0, 5, 50.0, "drape"))
    assert drape["EO"].limit == pytest.approx(0.5)
    assert drape["ECH"].limit == pytest.approx(250.0)
    implant = governing(limits_for(NOW, "permanent", 70.0, 5, 1.0))["EO"]
    assert units.from_si(implant.limit_si, "ug") == pytest.approx(10.0)


def test_mask_is_ruled_by_its_contact_area():
    found = limits_for(NOW, "limited", 70.0, 5, 60.0)
    rule = governing(found)["EO"]
    assert rule.limit == pytest.approx(0.6)
    assert (rule.unit, rule.quantity, rule.period) == ("mg", "mg_per_device", "contact")
    assert "10 ug/cm2 x 60 cm2" in rule.basis
    assert value(found, "EO", "24h") == 4.0
    assert verdict(found, 0.61, 0.0, 60.0) == ("Hold", {("EO", "contact")})
    assert verdict(found, 0.59, 0.0, 60.0) == ("Within", set())


def test_contact_limit_of_eo_is_the_stricter_below_400_cm2():
    """4 mg / 10 ug/cm2 = 400 cm2 (table C.1)."""
    assert governing(limits_for(NOW, "limited", 70.0, 5, 399.0))["EO"].period == "contact"
    assert governing(limits_for(NOW, "limited", 70.0, 5, 401.0))["EO"].period == "24h"


def test_missing_area_keeps_the_contact_limit_and_asks():
    found = limits_for(NOW, "limited", 70.0)
    row = next(x for x in found.limits if (x.substance, x.quantity) == ("EO", "ug_per_cm2"))
    assert row.limit == 10.0
    assert row.mass_equivalent_mg is None
    assert "below 400 cm2" in governing(found)["EO"].basis
    assert "area" in found.area_question
    assert limits_for(NOW, "limited", 70.0, None, 60.0).area_question == ""


def test_assumed_area_rules_by_its_low_end_and_is_marked():
    found = limits_for(NOW, "limited", 70.0, None, (40.0, 90.0))
    rule = governing(found)["EO"]
    assert rule.limit == pytest.approx(0.4)
    assert "assumed, 40 to 90 cm2" in rule.basis
    assert "area" in found.area_question
    # Far above the crossing area the range decides nothing, so nothing is asked.
    assert limits_for(NOW, "limited", 70.0, None, (900.0, 1e4)).area_question == ""


def test_permanent_contact_meets_all_periods_at_once():
    """3 mg on day 1, 40 mg in 30 d, 2.4 g in a lifetime are inside; 2.6 g are not (table C.1)."""
    found = limits_for(NOW, "permanent", 70.0)
    for total, expected in ((2400.0, ("Within", set())),
                            (2600.0, ("Hold", {("EO", "lifetime"), ("EO", "day")}))):  # fmt: skip
        shares = {"24h": 3.0 / total, "30d": 40.0 / total}
        assert verdict(found, total, 0.0, 1e6, shares) == expected
    # Without a desorption curve the whole counts on the first day.
    assert ("EO", "24h") in verdict(found, 5.0, 0.0)[1]


def test_intraocular_lens_fails_on_its_total():
    """0.5 ug a day and 1.25 ug in all (table C.1; that 1.25 is a total of EO is from memory)."""
    found = limits_for(NOW, "permanent", 70.0, None, 1.0, "intraocular_lens")
    total, day = units.from_si(units.to_si(1.3, "ug"), "mg"), 0.4 / 1.3
    answer, over = verdict(found, total, 0.0, 1.0, {"24h": day})
    assert answer == "Hold"
    assert over == {("EO", "total")}
    assert verdict(found, total * 1.2 / 1.3, 0.0, 1.0, {"24h": day})[1] == set()
    assert governing(found)["EO"].limit == pytest.approx(0.0005)
    # The table gives no figure of ECH for a lens: not assessed, never zero.
    assert governing(found)["ECH"].limit is None
    assert verdict(found, total / 2.0, 0.0, 1.0, {"24h": day})[0] == "Not assessed"


SPECIAL = {  # table C.1, special situations
    "apheresis": (10, 22), "oxygenator": (60, 45), "bypass": (20, 9),
    "blood_purification": (4.6, 4.6),
}  # fmt: skip


@pytest.mark.parametrize("special", SPECIAL)
def test_special_situations_take_the_place_of_the_first_day(special):
    found = limits_for(NOW, "limited", 70.0, None, None, special)
    assert (value(found, "EO", "total"), value(found, "ECH", "total")) == SPECIAL[special]
    assert not [x for x in found.limits if x.period == "24h"]
    assert value(found, "EO", "contact", "ug_per_cm2") == 10.0


def test_oxygenator_overrides_the_ordinary_limits():
    """55 mg EO and 40 mg ECH are inside as an oxygenator, not as a limited device (table C.1)."""
    area = 2e4  # so large that the contact limit does not rule
    as_oxygenator = limits_for(NOW, "limited", 70.0, None, area, "oxygenator")
    assert verdict(as_oxygenator, 55.0, 40.0, area) == ("Within", set())
    ordinary = limits_for(NOW, "limited", 70.0, None, area)
    assert verdict(ordinary, 55.0, 40.0, area) == ("Hold", {("EO", "24h"), ("ECH", "24h")})
    # The longer periods still hold: whether they are lifted was not read.
    assert value(limits_for(NOW, "prolonged", special="oxygenator"), "EO", "30d") == 60.0


def test_edition_of_1995_is_history_and_gives_no_verdict():
    """20 and 12 mg in 24 h (a laboratory's table of both editions)."""
    found = limits_for("iso10993-7:1995", "limited", 70.0)
    assert (value(found, "EO", "24h"), value(found, "ECH", "24h")) == (20.0, 12.0)
    assert "never used for a verdict" in found.edition_note
    assert all("history only" in x.basis for x in (*found.limits, *found.governing))
    assert verdict(found, 1.0, 1.0)[0] == "Not assessed"
    assert verdict(found, 100.0, 100.0)[0] == "Not assessed"


@pytest.mark.parametrize("duration", DURATIONS)
def test_empty_edition_is_not_assessed_with_its_reason(duration):
    found = limits_for("iso10993-7:2026", duration, 70.0, 5, 60.0)
    assert {x.substance for x in found.limits} == {"EO", "ECH"}
    assert {x.quantity for x in found.limits} == {"mg_per_device", "ug_per_cm2"}
    assert all(x.limit is None for x in (*found.limits, *found.governing))
    assert "your own copy" in found.empty_reason
    assert verdict(found, 0.001, 0.001)[0] == "Not assessed"


def test_special_situation_an_edition_does_not_hold_is_not_assessed():
    found = limits_for("iso10993-7:1995", "limited", special="oxygenator")
    assert "oxygenator" in found.empty_reason
    assert all(x.limit is None for x in found.governing)


# --- screening references of glycol -------------------------------------------------------------

# ICH Q3C (cover statement 2019) 6.2 mg/d; California 8.7 mg/d; Health Canada 0.05, SCF/EFSA 0.5,
# ATSDR 0.8 (from memory) and EPA 2 mg/kg/d; for 70 kg:
FOR_70_KG = {"ich_q3c": 6.2, "ca_madl": 8.7, "health_canada": 3.5, "efsa_group": 35.0,
             "atsdr_acute": 56.0, "epa_rfd": 140.0}  # fmt: skip


def test_screening_references_for_an_adult():
    assert {name: screening_by_id(name, 70.0).limit for name in FOR_70_KG} == pytest.approx(
        FOR_70_KG
    )
    assert len(screening()) == len(FOR_70_KG)


@pytest.mark.parametrize("name", FOR_70_KG)
def test_screening_scales_down_for_a_child_and_fixed_values_never_up(name):
    child, adult, heavy = (screening_by_id(name, mass).limit for mass in (3.5, 70.0, 140.0))
    assert child < adult
    assert child <= adult * 3.5 / 50.0 * (1.0 + 1e-12)
    if name in ("ich_q3c", "ca_madl"):
        assert heavy == adult


def test_screening_is_labelled_and_never_a_limit():
    for row in screening(12.0):
        assert (row.kind, row.substance, row.for_verdict) == ("screening", "EG", False)
        assert "says nothing about local irritation" in row.basis
        assert row.source in reference.sources()
    for edition in EDITIONS:
        for duration in DURATIONS:
            found = limits_for(edition, duration)
            assert "EG" not in {x.substance for x in (*found.limits, *found.governing)}


def test_glycol_never_decides_as_a_limit():
    far_over = Amounts(eo={"whole": np.zeros(4)}, ech={("whole", None): np.zeros(4)},
                       eg={"whole": np.full(4, 1e-3)}, days={"day": 1.0})  # fmt: skip
    rows = residue_rows(screening(70.0), far_over, ContactArea(np.ones(4), np.ones(4)))
    assert {r.kind for r in rows} == {"screening"}
    assert {r.probability_over for r in rows} == {None}
    assert not any(r.used_for_verdict for r in rows)


def test_full_conversion_of_water_against_the_reference():
    """0.1 g of water can become 344.5 mg EG from 244.5 mg EO, 55.6 times 6.2 mg; 1.80 mg of
    water suffice for 6.2 mg (molar masses of the elements, IUPAC; ICH Q3C)."""
    eg, eo, water = (reference.record(f"{s}.molar_mass").value for s in ("eg", "eo", "water"))
    ich = screening_by_id("ich_q3c", 70.0).limit
    assert 100.0 * eg / water == pytest.approx(344.5, rel=0.005)
    assert 100.0 * eo / water == pytest.approx(244.5, rel=0.005)
    assert 100.0 * eg / water / ich == pytest.approx(55.6, rel=0.005)
    assert ich * water / eg == pytest.approx(1.80, rel=0.005)


# --- questions and bad input --------------------------------------------------------------------


def test_a_population_never_chooses_a_mass():
    """3.5 kg in ISO 10993-17:2002, 6.2.2, and 0.5 kg in ISO 18562-1:2017 for the same word."""
    fault = population_fault("neonate")
    assert "body mass in kg" in fault.allowed
    assert "justification" in fault.allowed
    assert not any(char.isdigit() for char in str(fault))


@pytest.mark.parametrize(
    ("given", "where", "allowed"),
    [
        ({"special": "oxigenator"}, "special", "oxygenator"),
        ({"edition": "iso10993-7:2019"}, "edition", "iso10993-7:2026"),
        ({"duration": "permanant"}, "duration", "permanent"),
        ({"body_mass_kg": 0.0}, "body_mass_kg", "more than 0 to 400 kg"),
        ({"body_mass_kg": float("nan")}, "body_mass_kg", "more than 0"),
        ({"body_mass_kg": float("inf")}, "body_mass_kg", "more than 0"),
        ({"area_cm2": -1.0}, "area_cm2", "more than 0"),
        ({"area_cm2": (0.0, 4.0)}, "area_cm2", "more than 0"),
        ({"area_cm2": (9.0, 4.0)}, "area_cm2", "low before high"),
        ({"devices": 0}, "devices", "from 1 to 100"),
        ({"devices": 2.5}, "devices", "a whole number"),
    ],
)
def test_bad_input_names_the_place_and_the_nearest(given, where, allowed):
    with pytest.raises(InputError) as caught:
        limits_for(**({"edition": NOW, "duration": "limited"} | given))
    (fault,) = caught.value.faults
    assert fault.where == where
    assert allowed in fault.allowed
    assert fault.do


def test_every_fault_is_collected():
    with pytest.raises(InputError) as caught:
        limits_for("none", "none", 0.0, 0, -1.0, "none")
    assert len(caught.value.faults) == 6


def test_unknown_reference_offers_the_nearest():
    with pytest.raises(InputError, match="ich_q3c"):
        screening_by_id("ich_q3", 70.0)
    with pytest.raises(InputError, match="body_mass_kg"):
        screening(0.0)


# --- properties ---------------------------------------------------------------------------------

masses = st.one_of(st.just(70.0), st.floats(0.3, 400.0))
counts = st.one_of(st.none(), st.integers(1, 100))
areas = st.floats(0.1, 1e5)
specials = st.sampled_from([None, *SPECIALS])
editions = st.sampled_from([NOW, "iso10993-7:1995"])


def allowances(*args):
    """Every allowance by what it is compared with, the governing ones among them."""
    found = limits_for(*args)
    keyed = {(x.substance, x.quantity, x.period): x.limit for x in found.limits}
    ruling = {("rules", x.substance): x.limit for x in found.governing}
    return {key: x for key, x in (keyed | ruling).items() if x is not None}


def assert_never_raised(stricter, looser):
    for key in stricter.keys() & looser.keys():
        assert stricter[key] <= looser[key] * (1.0 + 1e-12), key


@given(editions, st.sampled_from(DURATIONS), masses, masses, counts, areas, specials)
def test_smaller_patient_never_raises_an_allowance(edition, duration, one, other, n, area, special):
    small, large = sorted((one, other))
    assert_never_raised(allowances(edition, duration, small, n, area, special),
                 allowances(edition, duration, large, n, area, special))  # fmt: skip


@given(st.sampled_from(DURATIONS), masses, st.integers(1, 100), st.integers(1, 100), specials)
def test_more_devices_never_raise_an_allowance(duration, mass, one, other, special):
    few, many = sorted((one, other))
    fewer = allowances(NOW, duration, mass, few, 50.0, special)
    assert_never_raised(allowances(NOW, duration, mass, many, 50.0, special), fewer)
    if few <= 5:
        assert_never_raised(allowances(NOW, duration, mass, None, 50.0, special), fewer)


@given(editions, st.sampled_from([0, 1]), masses, counts, areas, specials)
def test_longer_contact_never_raises_or_drops_the_allowance_of_a_period(
    edition, shorter, mass, n, area, special
):
    short = allowances(edition, DURATIONS[shorter], mass, n, area, special)
    long = allowances(edition, DURATIONS[shorter + 1], mass, n, area, special)
    assert_never_raised(long, short)
    assert short.keys() <= long.keys()


@given(st.sampled_from(DURATIONS), masses, counts, specials)
def test_no_patient_raises_a_published_figure(duration, mass, n, special):
    assert_never_raised(allowances(NOW, duration, mass, n, 50.0, special),
                 allowances(NOW, duration, 70.0, 5, 50.0, special))  # fmt: skip


@given(masses, st.sampled_from(list(FOR_70_KG)))
def test_screening_never_rises_for_a_lighter_patient(mass, name):
    heavier = screening_by_id(name, min(mass * 1.5, 400.0)).limit
    assert screening_by_id(name, mass).limit <= heavier
