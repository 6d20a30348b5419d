"""Dated exposure figures and rules by jurisdiction, and how a level stands to them."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from eo_risk import reference, units
from eo_risk.errors import InputError
from eo_risk.judgement.allowed.exposure import (
    exposure_limits_for,
    limit_ppm,
    rules_for,
    state,
    state_text,
    time_weighted_average,
)
from eo_risk.physics.gas import density_kg_per_m3

JURISDICTIONS = ("us", "eu", "uk", "de", "fr", "ca", "jp", "kr")


def test_every_figure_and_rule_is_dated_and_sourced():
    entries = [*reference.exposure_limits().values(), *reference.workplace_rules().values()]
    assert len(entries) > 25
    for entry in entries:
        assert entry.source in reference.sources(), entry.id
        assert entry.jurisdiction in (*JURISDICTIONS, "any"), entry.id
        if entry.confidence == "C":
            assert "memory" in entry.locator + entry.note, entry.id
    places = reference.document("exposure")["jurisdictions"]
    assert set(places) == {*JURISDICTIONS, "any"}


@pytest.mark.parametrize("date", ["", "soon", "2025-1", "12.12.2017"])
def test_a_figure_without_a_date_is_refused(date):
    row = dict(reference.exposure_limits()["us.osha.pel"])
    reference.ExposureLimit.model_validate(row)
    with pytest.raises(ValidationError, match="date"):
        reference.ExposureLimit.model_validate(row | {"date": date})


# 29 CFR 1910.1047; NIOSH 75-21-8; TRGS 910; the others as their records say.
FIGURES = {
    ("us", "us.osha.pel"): (1.0, "8h"), ("us", "us.osha.action_level"): (0.5, "8h"),
    ("us", "us.osha.excursion"): (5.0, "15min"), ("us", "us.niosh.rel"): (0.1, "8h"),
    ("us", "us.niosh.ceiling"): (5.0, "10min"), ("us", "us.niosh.idlh"): (800.0, "peak"),
    ("us", "us.epa.health_care"): (0.1, "8h"), ("eu", "eu.directive"): (1.0, "8h"),
    ("uk", "uk.wel"): (1.0, "8h"), ("de", "de.acceptance"): (0.2, "8h"),
    ("de", "de.tolerance"): (2.0, "8h"), ("jp", "jp.oel"): (1.0, "8h"),
    ("kr", "kr.oel"): (1.0, "8h"), ("fr", "eu.directive"): (1.0, "8h"),
    ("de", "eu.directive"): (1.0, "8h"),
}  # fmt: skip


@pytest.mark.parametrize(("place", "name"), FIGURES)
def test_figures_of_each_jurisdiction(place, name):
    found = {limit.id: limit for limit in exposure_limits_for(place)}
    assert (found[name].value, found[name].averaging) == FIGURES[(place, name)]


def test_a_figure_never_stands_in_for_another_jurisdiction():
    for place in JURISDICTIONS:
        allowed = {place, "any", *({"eu"} if place in ("de", "fr") else ())}
        assert {limit.jurisdiction for limit in exposure_limits_for(place)} <= allowed
    assert state_text(0.01, exposure_limits_for("ca"), "8h").startswith("Not assessed")


def test_figures_begin_on_their_day():
    def commercial(on):
        found = exposure_limits_for("us", setting="commercial", on=on)
        return {limit.value for limit in found if limit.id.startswith("us.epa")}

    assert commercial("2026-11-25") == set()
    assert commercial("2028-01-01") == {0.5}
    assert commercial("2030-06-01") == {0.5, 0.25}
    assert commercial("") == {0.5, 0.25, 0.1}
    health_care = {limit.id for limit in exposure_limits_for("us", on="2026-11-25")}
    assert "us.epa.health_care" in health_care
    assert not [name for name in health_care if "commercial" in name]


def test_full_load_rule_and_its_exception():
    """40 CFR 63.10390: full loads with a common aeration time unless medically necessary."""
    rule = {r.id: r for r in rules_for("us")}["us.full_load"]
    assert "common aeration time" in rule.text
    assert "medically necessary" in rule.exception
    assert rule.plan_field == "rules.full_load"
    assert "us.full_load" not in {r.id for r in rules_for("eu")}
    assert "us.full_load" not in {r.id for r in rules_for("us", setting="commercial")}


def test_rules_a_site_chooses_have_the_words_of_the_plan():
    from eo_risk.plan.load_plan import Rules

    chosen = [r for r in reference.workplace_rules().values() if r.plan_field]
    assert {r.plan_field for r in chosen} == {"rules.full_load", "rules.irradiated_chlorinated"}
    for rule in chosen:
        field = rule.plan_field.removeprefix("rules.")
        for word in rule.choices:
            assert getattr(Rules.model_validate({field: word}), field) == word
        with pytest.raises(ValidationError):
            Rules.model_validate({field: "sometimes"})


def test_ppm_as_mass_per_volume():
    """1 ppm EO = 1.80 mg/m3 at 25 C and 101.325 kPa (IARC 100F), 1.83 at 20 C (ideal gas)."""
    molar_mass = reference.record("eo.molar_mass").value_si

    def mg_per_m3(ppm, celsius):
        pressure = units.to_si(ppm, "ppm") * units.STANDARD_ATMOSPHERE_PA
        density = density_kg_per_m3(pressure, units.celsius_to_kelvin(celsius), molar_mass)
        return units.from_si(float(density), "mg/m3")

    assert mg_per_m3(1.0, 25.0) == pytest.approx(1.80, rel=0.005)
    assert mg_per_m3(1.0, 20.0) == pytest.approx(1.83, rel=0.005)
    assert mg_per_m3(5.0, 25.0) == pytest.approx(9.0, rel=0.005)
    german = {limit.id: limit_ppm(limit) for limit in exposure_limits_for("de")}
    assert mg_per_m3(german["de.tolerance"], 25.0) == pytest.approx(2.0, rel=1e-9)
    assert german["de.acceptance"] == pytest.approx(0.111, rel=0.005)


def test_quarter_hour_at_the_excursion_limit():
    """15 min at 5 ppm and the rest at zero is 0.156 ppm over 8 h: under the action level, at the
    excursion limit (29 CFR 1910.1047)."""
    hours8 = units.to_si(8.0, "h")
    average = float(time_weighted_average([5.0], [units.to_si(15.0, "min")], hours8))
    assert average == pytest.approx(0.156, rel=0.005)
    limits = exposure_limits_for("us")
    assert "below OSHA action level" in state_text(average, limits, "8h")
    assert state_text(5.0, limits, "15min") == "at OSHA excursion limit"


@pytest.mark.parametrize(
    ("ppm", "said"),
    [
        (1.0, ["at OSHA permissible exposure limit"]),
        (0.5, ["at OSHA action level", "below OSHA permissible exposure limit"]),
        (0.12, ["above NIOSH", "EPA health-care trigger", "below OSHA action level"]),
        (0.05, ["below NIOSH"]),
        (1.01, ["above OSHA permissible exposure limit"]),
    ],
)
def test_a_level_beside_the_figures(ppm, said):
    """29 CFR 1910.1047; EPA interim decision of January 2025 as read in a trade article."""
    text = state_text(ppm, exposure_limits_for("us"), "8h")
    for part in said:
        assert part in text


@given(st.floats(1e-3, 10.0), st.floats(1e-3, 10.0))
def test_state_is_ordered(one, other):
    order = ["below", "at", "above"]
    low, high = sorted((one, other))
    assert order.index(state(low, 1.0)) <= order.index(state(high, 1.0))


@given(st.lists(st.tuples(st.floats(0.0, 100.0), st.floats(0.0, 3600.0)), min_size=1, max_size=8))
def test_average_conserves_what_was_breathed(intervals):
    level, duration = np.array(intervals).T
    average = time_weighted_average(level, duration, 28_800.0)
    assert average * 28_800.0 == pytest.approx(float(level @ duration), abs=1e-9)
    assert average <= level.max() + 1e-12


def test_average_of_samples_and_bad_input():
    both = time_weighted_average([[1.0, 2.0], [3.0, 0.0]], [10.0, 30.0], 40.0)
    assert both == pytest.approx([2.5, 0.5])
    with pytest.raises(ValueError, match="do not fit"):
        time_weighted_average([1.0], [50.0], 40.0)
    with pytest.raises(ValueError, match="negative"):
        time_weighted_average([-1.0], [5.0], 40.0)


def test_unknown_jurisdiction_offers_the_nearest():
    with pytest.raises(InputError) as caught:
        exposure_limits_for("usa")
    assert "us" in caught.value.faults[0].allowed
    with pytest.raises(InputError):
        rules_for("")


def test_glycol_in_air_says_nothing_about_a_device():
    (limit,) = exposure_limits_for("us", "EG")
    assert "nothing about a device" in limit.note
