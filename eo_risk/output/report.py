"""The report: a load sheet to sign, a page per item, and what the answer stands on."""

from __future__ import annotations

from datetime import datetime

from eo_risk.output.html import Markup, bullets, escaped, facts, page, tag
from eo_risk.output.item_page import item_page
from eo_risk.output.load_sheet import load_number, load_sheet
from eo_risk.output.numbers import hours_up, known, moment_text, printable, significant, with_unit
from eo_risk.output.shown import answer_in
from eo_risk.output.style import style
from eo_risk.output.wording import (
    assumed_line,
    difference_text,
    edition_text,
    load_cautions,
    load_hours,
)
from eo_risk.plan.load_plan import LoadPlan
from eo_risk.plan.site_entries import UnitsShown

_UNSCALED = 1e5  # mg above which an amount reads better in g


def _amount(milligrams: float, shown: UnitsShown) -> str:
    if milligrams >= _UNSCALED:
        return with_unit(*shown.shown(milligrams / 1e3, "g"))
    return with_unit(milligrams, "mg")


def _groups(load: dict) -> Markup | None:
    if len(load["groups"]) < 2:
        return None
    lines = [f"{hours_up(group['aeration_h_p95'])}: {', '.join(map(printable, group['items']))}"
             for group in load["groups"]]  # fmt: skip
    return escaped([tag("h3", "Items that share an aeration time"), bullets(lines)])


def _load_section(answer: dict, shown: UnitsShown) -> Markup:
    load = answer["load"]
    peak = load.get("aerator_air_peak_mg_per_m3")
    depleted = load["depleted_eo_mg_per_l"]
    rows = [
        ("Slowest item", known(load["slowest_item"])),
        ("Aeration at 95 %", hours_up(load["aeration_h_p95"])),
        ("Aeration needed", load_hours(answer)),
        ("EO taken up", f"{_amount(load['eo_taken_up_mg'], shown)} of a charge of "
                        f"{_amount(load['eo_charge_mg'], shown)}"),
        ("EO left in the gas as the exposure ends, if none is made up",
         None if depleted is None else with_unit(depleted, "mg/L")),
        ("Water given off", f"{_amount(load['water_released_mg'], shown)}; the chamber gas holds "
                            f"{_amount(load['water_capacity_mg'], shown)}"),
        ("Aerator air, highest", None if peak is None else with_unit(peak, "mg/m3")),
    ]  # fmt: skip
    return tag(
        "section",
        tag("h2", "The load as a whole"),
        bullets(load_cautions(answer)) or tag("p", "No caution stands at the load."),
        facts([(name, value) for name, value in rows if value is not None]),
        _groups(load),
        [tag("h3", "Assumed values"), bullets(map(assumed_line, load["assumed"]))]
        if load["assumed"] else None,
        class_="item",
    )


def _run_section(answer: dict) -> Markup | None:
    """List what differs between the plan and its run; None for a plan that has not run."""
    rows = answer.get("differences")
    if not rows:
        return None
    return tag("section", tag("h2", "As run: what differs from the plan"),
               bullets(map(difference_text, rows)), class_="item")  # fmt: skip


def _ground(answer: dict, plan: LoadPlan, created: datetime | None) -> Markup:
    """Build the section that says what the answer stands on."""
    rows = [
        ("Version", answer["version"]),
        ("Seed", str(answer["seed"])),
        ("Samples", significant(answer["samples"], 6)),
        ("Plan fingerprint", answer["plan_sha256"]),
        ("Plan", known(plan.name)),
        ("Note", known(plan.note)),
        ("Edition", f"{answer['edition']}; {edition_text(answer)}"),
        ("Made", moment_text(created)),
    ]
    return tag(
        "section",
        tag("h2", "What this stands on"),
        tag("p", answer["notice"], class_="notice"),
        facts(rows),
        tag("h3", "Sources used"),
        bullets(answer["sources"]) or tag("p", "None."),
        class_="item ground",
    )


def _foot(answer: dict, plan: LoadPlan) -> str:
    plan_id = answer["plan_sha256"][:12]
    return f"EO load {load_number(plan)}, plan {plan_id}, estimate: it releases no load"


def sheet_html(
    answer: dict, plan: LoadPlan, created: datetime | None, shown: UnitsShown | None = None
) -> str:
    """Write the load sheet alone, to print and sign; arguments as `report_html`."""
    shown = shown or UnitsShown()
    body = load_sheet(answer_in(answer, shown), plan, created, shown)
    title = f"EO load {load_number(plan)}: {answer['verdict']}"
    return page(title, style(_foot(answer, plan)), body)


def report_html(
    answer: dict, plan: LoadPlan, created: datetime | None, shown: UnitsShown | None = None
) -> str:
    """Write the report of one check as one self-contained HTML file.

    Parameters
    ----------
    answer : dict
        The answer of ``check``, in user units.
    plan : LoadPlan
        The plan that was checked.
    created : datetime or None
        When the report is made; None leaves it out.
    shown : UnitsShown, optional
        The units the site shows; else those of the contract.

    Returns
    -------
    str
        HTML with inline style and pictures; nothing is fetched and no script runs.
    """
    shown = shown or UnitsShown()
    answer = answer_in(answer, shown)
    planned = dict(enumerate(plan.items, 1))
    body = escaped(
        [
            load_sheet(answer, plan, created, shown),
            [item_page(n, item, planned.get(n), plan, answer["samples"])
             for n, item in enumerate(answer["items"], 1)],
            _load_section(answer, shown),
            _run_section(answer),
            _ground(answer, plan, created),
        ]
    )  # fmt: skip
    title = f"EO load {load_number(plan)}: {answer['verdict']}"
    return page(title, style(_foot(answer, plan)), body)
