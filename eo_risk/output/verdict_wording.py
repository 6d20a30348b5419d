"""Why an item has its verdict, in words: its residues against their limits, and its reasons.

One residue decides, whoever reads it.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator

from eo_risk.output.numbers import band_text, printable, with_unit
from eo_risk.units import percent

QUANTITY = {
    "mg_per_device": "per piece",
    "ug_per_cm2": "per contact area",
    "ug_per_lens": "per lens",
}
PERIOD = {
    "day": "average per day",
    "24h": "first 24 h",
    "30d": "first 30 days",
    "lifetime": "lifetime",
    "total": "in total",
    "contact": "at contact",
}
MODEL = {
    "whole": "whole item",
    "film": "water as film",
    "plug": "water as plug",
    "ceiling": "ceiling: all water reacts",
    "wet_spot": "wet spot",
}
RESIDUE_HEADER = ("Substance", "Compared", "Left (5 to 95 %)", "Against", "Stands", "Chance over")

_EDITION = "ISO 10993-7"
_GLYCOL = "glycol_above_reference"  # the caution


def _urgency(row: dict) -> tuple[bool, float]:
    """Rank a residue: what holds an item comes first, then the furthest over its limit."""
    return row["p05"] > row["limit"], row["p95"] / row["limit"]


def _worst_rows(item: dict) -> list[dict]:
    """List the residue that decides for each substance, the one that decides for all in front."""
    worst: dict[str, dict] = {}
    for row in item["residues"]:
        if row["used_for_verdict"] and row["limit"]:
            worst[row["substance"]] = max(worst.get(row["substance"], row), row, key=_urgency)
    return sorted(worst.values(), key=_urgency, reverse=True)


def ruling_residue(item: dict) -> dict | None:
    """Find the residue that decides: above its limit at 5 %, else nearest to or furthest over."""
    used = (row for row in item["residues"] if row["used_for_verdict"])
    return next(iter(_worst_rows(item)), None) or next(used, None)


def limit_text(row: dict) -> str:
    """Write a limit or screening reference with what it stands for."""
    word = "limit" if row["kind"] == "limit" else "screening reference"
    if row["limit"] is None:
        return f"no figure for the {word}"
    period = PERIOD.get(row["period"], row["period"])
    basis = printable(row["basis"])
    if basis.startswith(_EDITION):  # the edition stands once on the sheet, not in every line
        basis = basis.partition(": ")[2]
    about = ", ".join(filter(None, (period, basis)))
    return f"{word} {with_unit(row['limit'], row['unit'])} ({about})"


def residue_text(row: dict, *, brief: bool = False) -> str:
    """Write a residue with its band and limit: ``EO 6.1 mg (3.9 to 9.8), limit 4 mg (...)``.

    `brief` leaves out what the limit stands for.
    """
    band = band_text(row, row["unit"], row["limit"])
    spot = " in a wet spot" if row["model"] == "wet_spot" else ""
    against = limit_text(row).partition(" (")[0] if brief else limit_text(row)
    chance = f", {percent(row['probability_over'])} chance of being over" if _doubtful(row) else ""
    return f"{row['substance']} {band}{spot}, {against}{chance}"


def _doubtful(row: dict) -> bool:
    """Tell whether the limit lies inside the band, so that the chance of being over matters."""
    return row["probability_over"] is not None and row["p05"] <= row["limit"] < row["p95"]


def ruling_text(item: dict) -> str:
    """Write the residue that decides against its limit, and EG where it stands against the item."""
    row = ruling_residue(item)
    decides = residue_text(row) if row else "no residue computed"
    return "; ".join([decides, *(residue_text(eg, brief=True) for eg in _glycol_over(item))])


def causes(item: dict) -> list[str]:
    """List the reasons that are no residue; residues are said by `residue_text`."""
    return [printable(cause) for cause in item["causes"]]


def _short_causes(item: dict, *, said_by_number: Container[str] = ()) -> Iterator[str]:
    """Say what blocks by its first sentence and its places, then what else was found.

    Without the cautions whose codes are among those said by a number.
    """
    places: dict[str, list[str]] = {}
    in_full = set()
    for caution in item["cautions"]:
        text, where = printable(caution["text"]), printable(caution["where"])
        if caution["level"] != "block":
            continue
        in_full.add(f"{text} ({where})" if where else text)
        if caution["code"] not in said_by_number:
            places.setdefault(text.partition(". ")[0].removesuffix("."), []).append(where)
    for text, where in places.items():
        said = ", ".join(filter(None, where))
        yield f"{text} ({said})" if said else text
    yield from (cause for cause in causes(item) if cause not in in_full)


def _over(item: dict) -> list[dict]:
    """List the residue that decides for each substance that is over a limit at 95 %."""
    return [row for row in _worst_rows(item) if row["p95"] > row["limit"]]


def _glycol_over(item: dict) -> list[dict]:
    """List the EG that a caution speaks of: no limit decides over it, yet it holds the item."""
    if not any(caution["code"] == _GLYCOL for caution in item["cautions"]):
        return []
    return [
        row for row in item["residues"]
        if row["substance"] == "EG" and row["model"] in ("whole", "film")
        and row["limit"] and row["p95"] > row["limit"]
    ]  # fmt: skip


def _without_figure(item: dict) -> Iterator[str]:
    rows = (row for row in item["residues"] if row["used_for_verdict"] and row["limit"] is None)
    for substance in dict.fromkeys(row["substance"] for row in rows):
        yield f"no figure for a limit of {substance}"


def one_line(reasons: Iterable[str]) -> str:
    """Put reasons behind one another."""
    return "; ".join(reason.removesuffix(".") for reason in reasons)


def short_reason(item: dict) -> str:
    """Say why in a few words: everything that was found, and which residues are over a limit."""
    found = [*_short_causes(item), *_without_figure(item)]
    if ruling_residue(item) is None:
        found.append("no residue could be compared with a limit")
    found += [f"{row['substance']} {standing_text(row)} its limit" for row in _over(item)]
    return one_line(found) or "the 95 % bound is inside every limit"


def reason_with_number(item: dict) -> str:
    """Say why in a few words, with the number of each substance that is over or decides."""
    glycol = _glycol_over(item)
    rows = [*glycol, *_over(item)] or _worst_rows(item)[:1]
    numbers = (residue_text(row, brief=True) for row in rows)
    others = _short_causes(item, said_by_number=(_GLYCOL,) if glycol else ())
    return one_line([*others, *_without_figure(item), *numbers])


def why(item: dict) -> list[str]:
    """List every reason: what was found, then each residue over a limit or nearest to it."""
    over = [
        row for row in item["residues"]
        if row["used_for_verdict"] and row["limit"] and row["p95"] > row["limit"]
    ]  # fmt: skip
    over += _glycol_over(item)
    return [*causes(item), *(map(residue_text, over) if over else [ruling_text(item)])]


def verdict_line(item: dict) -> str:
    """Say the verdict of an item in one line: word, number against limit, reason."""
    return " - ".join([item["verdict"], ruling_text(item), *causes(item)[:1]])


def model_text(row: dict) -> str:
    """Say what a residue row compares: period, quantity, model and buffering."""
    words = (
        QUANTITY.get(row["quantity"], row["quantity"]),
        PERIOD.get(row["period"], row["period"]),
        MODEL.get(row["model"], row["model"]),
        row["buffering"],
    )
    return ", ".join(filter(None, words))


def standing_text(row: dict) -> str:
    """Say how a residue stands to its limit or reference, in words that fit its kind."""
    if row["limit"] is None:
        return "no figure"
    above, inside = row["p05"] > row["limit"], row["p95"] <= row["limit"]
    if row["kind"] == "screening":
        place = "below" if inside else "above" if above else "around"
        # What cannot be is no reason, and must not read as one beside an item that is Within.
        aside = "; a ceiling, not used for the verdict" if row["model"] == "ceiling" else ""
        return f"{place} the reference{aside}"
    return "inside" if inside else "above" if above else "may be above"
