"""An answer in the units a site shows, spelled as they are read; the JSON answer keeps the units
of the contract, in the letters a plan writes them with."""

from __future__ import annotations

import re
from typing import Any

from eo_risk.output.numbers import known, shown_unit
from eo_risk.plan.site_entries import UnitsShown

_NUMBER = r"(?<![\w.])-?\d+(?:\.\d+)?"
# Numbers the answer's sentences hold: one or a range, then a unit that is not part of another.
_SAID = re.compile(
    rf"({_NUMBER})(?: to ({_NUMBER}))? (C|kPa|bar|mm|g|L)(?![\w/])(?: (absolute|gauge)\b)?"
)


def known_in(shown: UnitsShown, value: float | None, unit: str) -> str:
    """Write a plan field in the unit the site shows; a blank says unknown."""
    return known(*((None,) if value is None else shown.shown(value, unit)))


def text_in(text: str, shown: UnitsShown) -> str:
    """Write a sentence of the answer with its numbers in the units the site shows, C as °C."""

    def turned(said: re.Match) -> str:
        first, last, plain, reading = said.groups()
        unit = f"{plain} {reading}" if reading else plain
        if shown.unit(unit) == unit:
            return said[0].replace(unit, shown_unit(unit)) if unit == "C" else said[0]
        numbers = [f"{shown.shown(float(n), unit)[0]:.4g}" for n in (first, last) if n]
        return f"{' to '.join(numbers)} {shown_unit(shown.unit(unit))}"

    return _SAID.sub(turned, text)


def _beside_names(shown: UnitsShown) -> UnitsShown:
    """Keep the units a sentence with names may be turned into.

    Many names hold a length, as in ``3 mm tube``; hardly one holds a temperature or pressure.
    """
    return UnitsShown(temperature=shown.temperature, pressure=shown.pressure)


def _assumed(row: dict, shown: UnitsShown) -> dict:
    ends = {key: shown.shown(row[key], row["unit"])[0] for key in ("low", "high")}
    return row | ends | {"unit": shown.unit(row["unit"])}


def _action(action: dict, shown: UnitsShown) -> dict:
    changed = action | {"detail": text_in(action["detail"], _beside_names(shown))}
    if action["amount"] is None:
        return changed
    amount, unit = shown.shown(action["amount"], action["unit"])
    return changed | {"amount": amount, "unit": unit}


def _cautions(cautions: list[dict], shown: UnitsShown) -> list[dict]:
    named = _beside_names(shown)
    return [
        caution | {key: text_in(caution[key], named) for key in ("where", "text", "action")}
        for caution in cautions
    ]


def _item(item: dict, shown: UnitsShown) -> dict:
    question = item["question"]
    return item | {
        **{key: [text_in(text, _beside_names(shown)) for text in item[key]]
           for key in ("reasons", "causes")},
        "actions": [_action(action, shown) for action in item["actions"]],
        "cautions": _cautions(item["cautions"], shown),
        "assumed": [_assumed(row, shown) for row in item["assumed"]],
        "question": question and question | {"text": text_in(question["text"], shown)},
    }


def answer_in(answer: dict[str, Any], shown: UnitsShown) -> dict[str, Any]:
    """Turn the answer of ``check`` into the units a site shows, for reading.

    Parameters
    ----------
    answer : dict
        The answer in the units of the contract.
    shown : UnitsShown
        The site's choice; without a choice numbers keep the units of the contract.

    Returns
    -------
    dict
        A new answer. Amounts of residue and water keep the unit of their limit; names are
        never touched.
    """
    return answer | {
        "items": [_item(item, shown) for item in answer["items"]],
        "load": answer["load"]
        | {"assumed": [_assumed(row, shown) for row in answer["load"]["assumed"]]},
        "cautions": _cautions(answer["cautions"], shown),
    }
