"""The answer as text for a terminal: never wider than 100 columns."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Sequence

from eo_risk.output.load_sheet import (
    aeration_text,
    assumed_text,
    cycle_text,
    item_title,
    load_number,
)
from eo_risk.output.numbers import known, moment_text, printable
from eo_risk.output.shown import answer_in
from eo_risk.output.verdict_wording import ruling_text, short_reason
from eo_risk.output.wording import (
    SPLIT,
    allowed_water,
    caution_text,
    edition_text,
    following,
    found_wet,
    grouped_cautions,
    load_cautions,
    load_hours,
    main_action,
    more_to_do,
    own_record_line,
    required_hours,
    slow_tail_hours,
    slow_tail_note,
    split_text,
    where_text,
)
from eo_risk.plan.load_plan import LoadPlan
from eo_risk.plan.site_entries import UnitsShown

WIDTH = 100
# A sign of its own for every verdict; it says no more than the word beside it.
_SIGN = {"Hold": "[X]", "Not assessed": "[?]", "Close": "[~]", "Within": "[=]"}
_COLUMNS = (("Item", 24), ("Verdict", 16), ("Reason", 30), ("Action", 23))
_GAP = "  "


def _width(text: str) -> int:
    """Count the columns a terminal gives to text."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _cut(word: str, width: int) -> Iterator[str]:
    """Cut a word that is too long for a line."""
    piece = ""
    for sign in word:
        if _width(piece + sign) > width:
            yield piece
            piece = ""
        piece += sign
    yield piece


def wrap(text: str, width: int) -> list[str]:
    """Break text into lines of at most `width` columns, at blanks where possible."""
    lines = [""]
    for word in printable(text).split():
        for piece in _cut(word, width):
            joined = f"{lines[-1]} {piece}".strip()
            if _width(joined) <= width:
                lines[-1] = joined
            else:
                lines.append(piece)
    return lines


def _side_by_side(cells: Sequence[str]) -> Iterator[str]:
    columns = [wrap(cell, width) for cell, (_, width) in zip(cells, _COLUMNS, strict=True)]
    for k in range(max(map(len, columns))):
        parts = [column[k] if k < len(column) else "" for column in columns]
        padded = [part + " " * (width - _width(part))
                  for part, (_, width) in zip(parts, _COLUMNS, strict=True)]  # fmt: skip
        yield _GAP.join(padded).rstrip()


def _labelled(label: str, text: str) -> list[str]:
    indent = 17
    return [f"{label if k == 0 else '':<{indent}}{line}"
            for k, line in enumerate(wrap(text, WIDTH - indent))]  # fmt: skip


def _head(answer: dict, plan: LoadPlan, shown: UnitsShown) -> Iterator[str]:
    load = answer["load"]
    out = moment_text(load["earliest_out"]) if load["earliest_out"] else "not known"
    note = f" ({load['time_note']})" if load["time_note"] else ""
    number = f"{load_number(plan)}, steriliser {known(plan.steriliser)}"
    yield from _labelled("Load", number)
    yield from _labelled("Verdict", f"{_SIGN[answer['verdict']]} {answer['verdict']}")
    yield from _labelled("Cycle", cycle_text(plan, shown))
    word = "As run" if plan.status == "as_run" else "Planned"
    yield from _labelled(word, aeration_text(plan, shown))
    yield from _labelled("Start", moment_text(plan.cycle_start))
    yield from _labelled("Earliest out", out + note)
    needed = f"{load_hours(answer)}, slowest: {known(load['slowest_item'])}"
    yield from _labelled("Aeration needed", needed)


def _items(items: Iterable[dict]) -> Iterator[str]:
    yield _GAP.join(title.ljust(width) for title, width in _COLUMNS).rstrip()
    yield _GAP.join("-" * width for _, width in _COLUMNS)
    for number, item in enumerate(items, 1):
        verdict = f"{_SIGN[item['verdict']]} {item['verdict']}"
        cells = (item_title(number, item), verdict, short_reason(item), main_action(item, "below"))
        yield from _side_by_side(cells)
        said = f"{ruling_text(item)}; needs {required_hours(item)}"
        for line in wrap(said, WIDTH - 4):
            yield f"    {line}"


def _cautions(answer: dict) -> Iterator[str]:
    """Say what blocks and what warns, beside which items, and all that stands at the load."""
    for level, label in (("block", "Blocks"), ("warn", "Warns")):
        for where, said in grouped_cautions(answer, level):
            yield from _labelled(label, f"{where}: {said}")
    for said in load_cautions(answer):
        yield from _labelled("Whole load", said)


def _more_to_do(answer: dict) -> Iterator[str]:
    """List the other actions of items whose first one does not give Within."""
    for where, said in more_to_do(answer):
        yield from _labelled("More to do", f"{where}: {said}")


def _splits(answer: dict) -> Iterator[str]:
    """Say which items go into which load where a split would help, if it is not said yet."""
    for number, item in enumerate(answer["items"], 1):
        said = any(a["action"] == SPLIT for a in following(item))
        if split_text(item) and not said:
            yield from _labelled("Split", f"{where_text([number])}: {split_text(item)}")


def _slow_tails(answer: dict) -> Iterator[str]:
    """Show the hours of every item with a slow pool beside those without."""
    hours = [(number, slow_tail_hours(item)) for number, item in enumerate(answer["items"], 1)]
    said = "; ".join(f"item {number}: {text}" for number, text in hours if text)
    if said:
        note = slow_tail_note(answer["items"])
        yield from _labelled("Slow tail", f"{note} {said[0].upper()}{said[1:]}.")


def _own_records(answer: dict) -> Iterator[str]:
    """Name the site's own records once each, with the items that used them."""
    users: dict[str, list[int]] = {}
    for number, item in enumerate(answer["items"], 1):
        for row in item["own_records"]:
            users.setdefault(own_record_line(row), []).append(number)
    for line, numbers in users.items():
        yield from _labelled("Own record", f"{where_text(numbers)}: {line}")
    for number, item in enumerate(answer["items"], 1):
        for caution in item["cautions"]:
            if caution["code"] == "start_level_elsewhere":
                said = f"{where_text([number])}: {caution_text(caution)}"
                yield from _labelled("Not used", said)


def _water_that_may_stay(answer: dict) -> Iterator[str]:
    """Say, for items found wet, the water that may stay and the air that reaches it."""
    for number, item in enumerate(answer["items"], 1):
        if found_wet(item) and item.get("water_allowed"):
            yield from _labelled("Leftover water", f"{where_text([number])}: {allowed_water(item)}")


def terminal_table(answer: dict, plan: LoadPlan, shown: UnitsShown | None = None) -> str:
    """Write the answer of ``check`` for a terminal of 100 columns.

    Parameters
    ----------
    answer : dict
        The answer of ``check``, in user units.
    plan : LoadPlan
        The plan that was checked.
    shown : UnitsShown, optional
        The units the site shows; else those of the contract.

    Returns
    -------
    str
        Lines of at most 100 columns, wide signs counted as two.
    """
    shown = shown or UnitsShown()
    answer = answer_in(answer, shown)
    lines = [
        *_head(answer, plan, shown),
        "",
        *_items(answer["items"]),
        "",
        *_cautions(answer),
        *_more_to_do(answer),
        *_splits(answer),
        *_labelled("Assumed values", assumed_text(answer)),
        *_slow_tails(answer),
        *_own_records(answer),
        *_water_that_may_stay(answer),
        *_labelled("Limits", edition_text(answer)),
        *_labelled("Seed", f"{answer['seed']}, {answer['samples']} samples, "
                           f"plan {answer['plan_sha256'][:12]}"),
        "",
        *wrap(answer["notice"], WIDTH),
    ]  # fmt: skip
    return "\n".join(lines)
