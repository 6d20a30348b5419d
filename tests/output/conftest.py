"""Invented answers for the report: every kind of row, none of them a claim about physics."""

import json
from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest

from eo_risk.judgement.result import (
    Action,
    AerationTime,
    Assessment,
    Assumed,
    Band,
    BandLine,
    Caution,
    Curve,
    Influence,
    ItemResult,
    LoadGroup,
    LoadResult,
    PartHold,
    Question,
    Residue,
    WaterPlace,
)
from eo_risk.output.answer import check_answer
from eo_risk.plan.load_plan import LoadPlan

MG = 1e-6
VERDICTS = ("Hold", "Within", "Close", "Not assessed")


def around(middle, factor=1.6):
    return Band(middle / factor, middle, middle * factor)


def residues(eo_mg, limit_mg=4.0):
    over = float(eo_mg > limit_mg)
    basis = "70 kg, up to five devices"
    eo = Residue("EO", "mg_per_device", "24h", "whole", around(eo_mg * MG), limit_mg * MG, "mg",
                 "limit", basis, True, clause="4.3.2", confidence="high",
                 probability_over=0.2 + 0.6 * over, probability_error=0.009)  # fmt: skip
    area = Residue("EO", "ug_per_cm2", "contact", "wet_spot", around(3e-5), 1e-4, "ug/cm2",
                   "limit", "10 µg/cm2 at the skin", True, probability_over=0.0,
                   probability_error=0.0)  # fmt: skip
    ech = Residue("ECH", "mg_per_device", "24h", "film", around(0.02 * MG), 9e-6, "mg", "limit",
                  basis, True, "buffered", probability_over=0.0, probability_error=0.0)  # fmt: skip
    glycol = [
        Residue("EG", "mg_per_device", "day", model, around(mg * MG), 6.2e-6, "mg", "screening",
                "ich_q3c, 50 kg", False)
        for model, mg in (("film", 40.0), ("plug", 2.0), ("ceiling", 900.0))
    ]  # fmt: skip
    return (eo, area, ech, *glycol)


def curve(eo_mg):
    hours = np.linspace(0.0, 24.0, 49)
    left = eo_mg * MG * 8.0 * np.exp(-hours / 7.0)
    line = BandLine(tuple(left / 1.6), tuple(left), tuple(left * 1.6))
    level = BandLine(*(tuple(np.full(hours.size, mg * MG)) for mg in (30.0, 40.0, 50.0)))
    return Curve(tuple(hours * 3600.0), line, line, level)


def cautions(count):
    known = (
        ("liquid_seen", "block", "Liquid water was seen. It blocks the gas and holds EO."),
        ("use_unknown", "block", "It is not known whether the instructions for use allow EO."),
        ("load_cold", "warn", "The load is so cool that water condenses on it."),
        ("mass_geometry_differ", "warn", "Mass and dimensions do not fit together."),
        ("earlier_cycles", "inform", "No build-up was seen over repeated cycles."),
    )
    return tuple(Caution(c, level, text, "Dry again, then look again.", "channel")
                 for c, level, text in known[:count])  # fmt: skip


def item_result(planned, number):
    verdict = VERDICTS[number % 4]
    eo_mg = {"Hold": 6.1, "Within": 1.2, "Close": 3.4, "Not assessed": 2.0}[verdict]
    water = around(380.0 * MG)
    return ItemResult(
        name=planned.name,
        quantity=planned.quantity or 1,
        verdict=verdict,
        causes=("droplets were seen in the channel after drying and nobody has looked again since",
                "EO may be above the limit of 4 mg in 24 h"),
        residue_reasons=(),
        actions=(
            Action("dry again", "blow the channel with compressed air for 12 min", 12.0, "min",
                   "Within", 20.0),
            Action("aerate longer", "at 50 C in the cabinet", 6.0, "h", "Close", 360.0),
        ) if verdict != "Within" else (),
        cautions=cautions(5 if verdict == "Hold" else 0),
        assumed=(Assumed("parts[0].thickness_mm", 0.5, 8.0, "mm"),
                 Assumed("parts[0].mass_g", 5.0, 900.0, "g", "from starting type")),
        question=Question("parts[0].thickness_mm", "How thick is the wall, in mm?"),
        water_after_drying=water, water_at_injection=water, water_after_aeration=around(4.0 * MG),
        water_by_place=(WaterPlace("film", "channel", water, water, around(2.0 * MG)),
                        WaterPlace("outside", "", water, water, around(2.0 * MG))),
        residues=residues(eo_mg),
        parts=(PartHold("sheath", "polyurethane_soft", around(eo_mg * MG), around(50e3), "C"),),
        curve=curve(eo_mg),
        aeration=AerationTime(40e3, 61.2e3, 61.2e3, "estimate at 95 %", False),
        matters_most=tuple(
            Influence(name, share, "EG", f"{name} explains {100 * share:.0f} % of the spread of EG")
            for name, share in (("leftover water in the channel", 0.7), ("wall", 0.2),
                                ("temperature", 0.05), ("a fourth input", 0.01))
        ),
        records=(("polyurethane_soft.diffusivity", "C"),),
        data_class="C",
    )  # fmt: skip


def assessment(plan):
    items = tuple(item_result(item, n) for n, item in enumerate(plan.items))
    load = LoadResult(
        61.2e3, 61.2e3, datetime.fromisoformat("2026-04-15T04:25+02:00"),
        "offset of the cycle start kept", items[0].name,
        (LoadGroup((items[0].name,), 61.2e3), LoadGroup(tuple(i.name for i in items[1:]), 4e4)),
        0.4e-3, 81.6e-3, 2e-3, 9e-3,
    )  # fmt: skip
    return Assessment(
        "Hold", items, load, cautions(3)[2:], "iso10993-7:2008+A1",
        "replaced by a third edition in April 2026; ask which edition applies to you",
        7, 2048, "0.1.0", plan.sha256,
        ("Crank J. The Mathematics of Diffusion. 2nd ed. 1975", "common practice, no source"),
    )  # fmt: skip


@pytest.fixture(scope="session")
def plan(demo):
    """The demo plan with fourteen items."""
    raw = json.loads((demo / "full_morning_load.json").read_text(encoding="utf-8"))
    found = LoadPlan.model_validate(raw)
    assert len(found.items) == 14
    return found


@pytest.fixture
def answer(plan):
    """An invented answer for that plan."""
    return check_answer(assessment(plan))


@pytest.fixture(scope="session")
def assess_invented():
    """Make an invented assessment for any plan."""
    return assessment


@pytest.fixture(scope="session")
def replaced():
    """Return `dataclasses.replace`, for tests that change one field of a result."""
    return replace
