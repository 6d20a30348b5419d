"""The load sheet: a verdict, reason and action per item, on one printed page where they fit.

What is to be done is never cut: a full sheet leaves out figures first, then takes a second page,
where nothing needs to be cut.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime

from eo_risk.output.html import Markup, bullets, escaped, facts, table, tag
from eo_risk.output.numbers import UNKNOWN, known, moment_text, printable, shorten
from eo_risk.output.shown import known_in
from eo_risk.output.verdict_wording import reason_with_number
from eo_risk.output.wording import (
    caution_groups,
    edition_text,
    grouped_cautions,
    load_cautions,
    load_hours,
    main_action,
    more_to_do,
    required_hours,
    short_water,
    where_text,
)
from eo_risk.plan.load_plan import AerationStep, LoadPlan
from eo_risk.plan.site_entries import UnitsShown

_GROUPS_IN_FULL = 4
# Letters that fit on one printed line of item, reason and action and across the page, in a wide
# typeface, and lines of table and cautions that leave room for the rest of one Letter page.
_LETTERS_PER_LINE = (19, 33, 29)
_LETTERS_ACROSS = 105
_LINES_ON_THE_PAGE = 38
# Counted like that, so many lines still fit one page more often than not; more never do.
_MOST_LINES_ON_THE_PAGE = 45
_FEWEST_LINES, _MOST_LINES = 2, 20  # of a reason
_INSIDE = "inside every limit"
_REST = " see report"

# A sign of its own shape for every verdict; the colour only repeats it.
_SIGNS = {
    "Hold": ("hold", "polygon", {"points": "5,1 11,1 15,5 15,11 11,15 5,15 1,11 1,5"}, "M4.5 8h7"),
    "Not assessed": ("unassessed", "circle", {"cx": 8, "cy": 8, "r": 6.6}, "M4.5 8h7"),
    "Close": ("close", "polygon", {"points": "8,1.5 15.2,14.5 0.8,14.5"}, "M8 6v4.4M8 12v1.2"),
    "Within": ("within", "rect", {"x": 1.4, "y": 1.4, "width": 13.2, "height": 13.2},
               "M4 8.4l2.8 2.8L12 5"),
}  # fmt: skip


def verdict_mark(verdict: str) -> Markup:
    """Build the sign and word of a verdict."""
    name, shape, attributes, stroke = _SIGNS[verdict]
    sign = tag("svg", tag(shape, class_="shape", **attributes), tag("path", d=stroke),
               viewBox="0 0 16 16", class_=f"sign {name}", aria_hidden="true")  # fmt: skip
    return tag("span", sign, " ", tag("b", verdict), class_="verdict")


def load_number(plan: LoadPlan) -> str:
    """Write the number of a load; a load without one has none."""
    return printable(plan.load_number or "(no number)")


def cycle_text(plan: LoadPlan, shown: UnitsShown) -> str:
    """Say the cycle in one line, in the units the site shows."""
    cycle = plan.cycle
    washes = "no air wash" if cycle.washes.count == 0 else f"{known(cycle.washes.count)} air washes"
    return ", ".join(
        (
            f"temperature {known_in(shown, cycle.temperature_c, 'C')}",
            f"EO {known(cycle.eo_mg_per_l, 'mg/L')}",
            f"exposure {known(cycle.exposure_h, 'h')}",
            washes,
        )
    )


def _step_text(step: AerationStep, shown: UnitsShown) -> str:
    hours = f"{known(step.hours, 'h')} at {known_in(shown, step.temperature_c, 'C')}"
    return f"{hours} in the {step.place}" if step.place else f"{hours}, place {UNKNOWN}"


def aeration_text(plan: LoadPlan, shown: UnitsShown) -> str:
    """Say the planned aeration in one line, in the units the site shows."""
    return ", then ".join(_step_text(step, shown) for step in plan.aeration) or "none planned"


def planned_hours(plan: LoadPlan) -> float | None:
    """Add up the planned aeration; None when a step has no hours. [h]"""
    hours = [step.hours for step in plan.aeration]
    return None if None in hours else float(sum(hours))


def item_title(number: int, item: dict) -> str:
    """Name an item with its number and how many pieces share its description."""
    return f"{number}. {item['name']}" + (f" ×{item['quantity']}" if item["quantity"] > 1 else "")


def _earliest_out(load: dict) -> Markup:
    out = load["earliest_out"]
    note = f" {shorten(load['time_note'], 2 * _LETTERS_ACROSS)}" if load["time_note"] else None
    return escaped([tag("b", moment_text(out) if out else "not known"), note])


def _head(answer: dict, plan: LoadPlan, shown: UnitsShown) -> Markup:
    load = answer["load"]
    status = "as run" if plan.status == "as_run" else known(plan.status)
    required = f"{load_hours(answer)}; {status} {aeration_text(plan, shown)}"
    return tag(
        "header",
        tag("h1", "EO load sheet"),
        facts(
            (
                ("Load number", tag("b", load_number(plan))),
                ("Steriliser", tag("b", known(plan.steriliser))),
                ("Load", verdict_mark(answer["verdict"])),
                ("Status", status),
            ),
            "facts across",
        ),
        facts(
            (
                ("Cycle", cycle_text(plan, shown)),
                ("Start", moment_text(plan.cycle_start)),
                ("Earliest out", _earliest_out(load)),
                ("Aeration needed", shorten(required, 2 * _LETTERS_ACROSS)),
            )
        ),
    )


def _texts(
    number: int, item: dict, *, figures: bool, elsewhere: str = "see report"
) -> tuple[str, str, str]:
    action = main_action(item, elsewhere) + short_water(item)
    plain = item["verdict"] == "Within" and not figures
    return item_title(number, item), _INSIDE if plain else reason_with_number(item), action


def _lines(text: str, letters: int) -> int:
    return math.ceil(len(text) / letters)


def _reason_lines(rows: Sequence[Sequence[str]], lines_below: int) -> int | None:
    """Return the lines a reason may take for the sheet to stay one page; None where it cannot."""
    needed = [[_lines(text, letters) for text, letters in zip(row, _LETTERS_PER_LINE, strict=True)]
              for row in rows]  # fmt: skip
    for most in range(_MOST_LINES, _FEWEST_LINES - 1, -1):
        lines = lines_below + sum(max(title, min(reason, most), action)
                                  for title, reason, action in needed)  # fmt: skip
        if lines <= _LINES_ON_THE_PAGE:
            return most
    return _FEWEST_LINES if lines <= _MOST_LINES_ON_THE_PAGE else None


def _fitted(text: str, letters: int) -> str:
    """Cut a text that is too long for its cell, and say where the rest stands."""
    return text if len(text) <= letters else shorten(text, letters - len(_REST)) + _REST


def _items_on_a_page(answer: dict, lines_below: int) -> list[tuple[str, str, str]] | None:
    """Return title, reason and action of every item, reasons cut to one page; None if too full."""
    for figures in (True, False):
        texts = [_texts(number, item, figures=figures)
                 for number, item in enumerate(answer["items"], 1)]  # fmt: skip
        most = _reason_lines(texts, lines_below)
        if most is not None and most > _FEWEST_LINES:
            break
    if most is None:
        return None
    rows = []
    for title, reason, action in texts:
        # A reason may fill what its action needs anyway, less a line for words that do not fit.
        lines = max(most, _lines(action, _LETTERS_PER_LINE[2]) - 1)
        title, reason = (_fitted(text, letters * lines) for text, letters
                         in zip((title, reason), _LETTERS_PER_LINE, strict=False))  # fmt: skip
        rows.append((title, reason, action))
    return rows


def _items_in_full(answer: dict) -> list[tuple[str, str, str]]:
    return [_texts(number, item, figures=False, elsewhere="below")
            for number, item in enumerate(answer["items"], 1)]  # fmt: skip


def _items(answer: dict, texts: Sequence[tuple[str, str, str]]) -> Markup:
    rows = [[title, verdict_mark(item["verdict"]), reason, action, required_hours(item)]
            for (title, reason, action), item in zip(texts, answer["items"], strict=True)
            ]  # fmt: skip
    header = ("Item", "Verdict", "Reason", "Action", "Hours needed")
    return table(header, rows, class_="items")


def _with_action(caution: dict, letters: int) -> str:
    """Say a caution in so many letters and what to do in full."""
    action = caution["action"]
    return f"{shorten(caution['text'], max(letters - len(action), letters // 2))} {action}"


def _blocking_lines(answer: dict, lines_each: int) -> list[tuple[str, str]]:
    """List what blocks, as where and what; beyond a few kinds their names alone."""
    letters = lines_each * _LETTERS_ACROSS
    groups = caution_groups(answer, "block")
    lines = [
        (where_text(numbers), _with_action(caution, letters))
        for caution, numbers in groups[:_GROUPS_IN_FULL]
    ]
    rest = [
        f"{caution['code'].replace('_', ' ')} ({where_text(numbers)})"
        for caution, numbers in groups[_GROUPS_IN_FULL:]
    ]
    if rest:
        lines.append(("also", shorten("; ".join(rest), letters)))
    return lines


def _all_cautions(answer: dict) -> tuple[list, list, int]:
    """Return what blocks, the other cautions, and the lines both take; shorter on a full page."""
    warned = {number for _, numbers in caution_groups(answer, "warn") for number in numbers}
    others = _load_lines(answer)
    others += [(where_text(sorted(warned)), "warnings, see report")] if warned else []
    for lines_each in (2, 1):
        blocking = _blocking_lines(answer, lines_each)
        lines = bool(others) + sum(_lines(f"{where}: {text}", _LETTERS_ACROSS)
                                   for where, text in (*blocking, *others))  # fmt: skip
        if _FEWEST_LINES * len(answer["items"]) + lines <= _LINES_ON_THE_PAGE:
            break
    return blocking, others, lines


def _load_lines(answer: dict) -> list[tuple[str, str]]:
    return [("whole load", said) for said in load_cautions(answer)]


def _more_to_do(answer: dict) -> Markup | None:
    """List the other actions of every item, for a sheet that has the room."""
    lines = more_to_do(answer)
    if not lines:
        return None
    return tag("div", tag("b", "More to do"), _listed(lines), class_="blocking")


def _listed(lines: Sequence[tuple[str, str]]) -> Markup:
    return bullets(escaped([tag("b", where, ": "), text]) for where, text in lines)


def _cautions(blocking: Sequence[tuple[str, str]], others: Sequence[tuple[str, str]]) -> Markup:
    return tag(
        "div",
        tag("b", "Blocking cautions") if blocking else [tag("b", "Blocking cautions:"), " none."],
        _listed(blocking),
        tag("p", tag("b", "Other cautions")) if others else None,
        _listed(others),
        class_="blocking",
    )


def assumed_text(answer: dict) -> str:
    """Count the assumed values, in all and by item, and name what stands from starting types."""
    counts = [("load", len(answer["load"]["assumed"]))]
    counts += [(f"item {n}", len(item["assumed"])) for n, item in enumerate(answer["items"], 1)]
    typed = [n for n, item in enumerate(answer["items"], 1) if item["starting_type"]]
    total = sum(count for _, count in counts)
    where = _whole_ones([f"{what}: {count}" for what, count in counts if count], 110)
    said = (f"{total} ({where}); listed with each" if total
            else "none: every number of the plan was given")  # fmt: skip
    return f"{said}; from starting type: {where_text(typed)}" if typed else said


def _whole_ones(names: Sequence[str], letters: int) -> str:
    """Put as many names behind one another as fit, and count the rest."""
    shown = list(names)
    while len(", ".join(shown)) > letters:
        shown.pop()
    rest = len(names) - len(shown)
    return ", ".join(shown) + (f" and {rest} more" if rest else "")


def _foot(answer: dict, created: datetime | None) -> Markup:
    blanks = [tag("div", tag("span", word), tag("i"), class_="line")
              for word in ("Name", "Date", "Signature")]  # fmt: skip
    made = f"{answer['version']}, plan {answer['plan_sha256'][:12]}, seed {answer['seed']}"
    printed = f"; made {moment_text(created)}" if created else ""
    return tag(
        "footer",
        facts(
            (
                ("Assumed values", assumed_text(answer)),
                ("Limits", shorten(edition_text(answer), 220)),
                ("Record", f"version {made}{printed}"),
            )
        ),
        tag("p", answer["notice"], class_="notice"),
        tag("div", blanks, class_="signatures"),
    )


def load_sheet(answer: dict, plan: LoadPlan, created: datetime | None, shown: UnitsShown) -> Markup:
    """Build the sheet; a usual load of fourteen items fits one printed page of A4 or Letter.

    The answer is in the units shown, as `answer_in` gives it.
    """
    blocking, others, lines = _all_cautions(answer)
    texts, more = _items_on_a_page(answer, lines), None
    if texts is None:
        texts, more = _items_in_full(answer), _more_to_do(answer)
        blocking = grouped_cautions(answer, "block")
        others = _load_lines(answer) + grouped_cautions(answer, "warn")
    return tag(
        "section",
        _head(answer, plan, shown),
        _items(answer, texts),
        _cautions(blocking, others),
        more,
        _foot(answer, created),
        class_="sheet",
    )
