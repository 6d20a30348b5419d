"""Which field an unknown key or header may mean: by its unit, its words and like words.

Lists come from spreadsheets and carry the words of whoever made them. A hint asks and never
says for certain; where no word tells, the fields that take the unit are listed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from difflib import SequenceMatcher
from functools import lru_cache
from itertools import islice, product

from eo_risk.errors import SHORT_LIST, Fault, nearest
from eo_risk.units import unit_named, units_like

# What people write, and the words of the fields it may stand for.
_MEANT = {
    **dict.fromkeys(("inner diameter", "inside diameter", "internal diameter", "inner dia",
                     "lumen diameter", "channel diameter"), ("bore",)),
    "id": ("bore", "name", "set number"),
    **dict.fromkeys(("outside diameter", "external diameter", "outer dia", "od"),
                    ("outer diameter",)),
    **dict.fromkeys(("diameter", "dia"), ("bore", "outer diameter")),
    **dict.fromkeys(("wall", "wall thickness"), ("wall", "thickness")),
    "thickness": ("wall",),
    **dict.fromkeys(("weight", "wt"), ("mass", "body mass", "dry mass")),
    "patient weight": ("body mass",),
    **dict.fromkeys(("temp", "degrees"), ("temperature",)),
    **dict.fromkeys(("humidity", "relative humidity"), ("rh",)),
    **dict.fromkeys(("concentration", "gas concentration", "eo concentration", "eto",
                     "eto concentration", "ethylene oxide", "ethylene oxide concentration"),
                    ("eo",)),
    **dict.fromkeys(("duration", "time"),
                    ("hours", "minutes", "seconds", "exposure", "aeration", "drying", "length",
                     "duration", "start")),
    **dict.fromkeys(("contact duration", "contact time"), ("duration",)),
    **dict.fromkeys(("wrap", "wrapping", "package", "packing", "pack", "pouch"), ("packaging",)),
    "type": ("starting type", "material", "shape", "kind", "method"),
    **dict.fromkeys(("item type", "device type"), ("starting type", "device")),
    **dict.fromkeys(("polymer", "plastic", "material name", "material type"), ("material",)),
    **dict.fromkeys(("count", "number", "pieces", "qty", "amount"), ("quantity", "count")),
    **dict.fromkeys(("item", "item name", "description", "instrument"), ("name", "device")),
    **dict.fromkeys(("hinge", "hinges"), ("joints",)),
    **dict.fromkeys(("area", "surface"), ("area", "surface area", "contact area")),
    **dict.fromkeys(("water", "residual water", "leftover water"),
                    ("measured", "water in lumen", "surface water")),
    **dict.fromkeys(("flow rate", "flowrate", "air flow", "airflow"), ("flow",)),
    "vacuum": ("vacuum", "evacuation"),
    **dict.fromkeys(("air exchanges", "ach", "ventilation"), ("air changes",)),
    **dict.fromkeys(("max", "maximum"), ("highest",)),
    "minimum": ("lowest", "minimum"),
    **dict.fromkeys(("batch", "batch number", "lot number"), ("lot",)),
    **dict.fromkeys(("comment", "comments", "remark", "remarks"), ("note",)),
}  # fmt: skip

# Sizes and likenesses of the search, the latter from 0 to 1; no numbers of the model.
_LONGEST_PHRASE = max(len(phrase.split()) for phrase in _MEANT)
_LONGEST_UNIT = 3  # words, as in mg per L
_MOST_READINGS = 30
_SAME_WORD = 0.8
_CONTAINED = 0.62  # every word written is one of the field's
_BY_MEANING = 0.05  # taken off where another word stands for the one written
_OTHER_UNIT = 0.2  # taken off where the unit is of another kind
_ENOUGH, _ENOUGH_ELSEWHERE = 0.6, 0.8
_NEAR_THE_BEST = 0.19  # what is less near than this below the best is no rival of it
_MOST = 3

_kept = lru_cache(maxsize=10_000)


def unknown_key(
    where: str, given: str, key: str, fields: Iterable[str], do: str,
    elsewhere: Mapping[str, Iterable[str]] | None = None,
) -> Fault:  # fmt: skip
    """Build the fault for a key or header that is not known, with what it may mean.

    Parameters
    ----------
    where, given, do : str
        As of a `Fault`.
    key : str
        The key or header as written; its unit may stand at its end or in brackets.
    fields : iterable of str
        The fields of the block it stands in.
    elsewhere : mapping, optional
        Fields of other blocks by the name of the block, asked of where no field here is near.
    """
    key, fields = str(key)[:80], tuple(fields)
    blocks = tuple((block, tuple(names)) for block, names in (elsewhere or {}).items())
    here = _here(key, fields)
    meant = [_said(key, name) for name in here] or _there(key, blocks)
    # What may be any of many is not asked.
    asked = f" Did you mean {_either(meant)}?" if 0 < len(meant) <= _MOST else ""
    return Fault(where, given, "", _allowed(key, fields, here), f"{do}{asked}")


def _allowed(key: str, fields: tuple[str, ...], here: list[str]) -> str:
    """Say which fields there are: a short list whole, of a long one those that take the unit."""
    unit = _split(key)[1]
    like = [field for field in fields if unit and _kind(_split(field)[1]) == _kind(unit)]
    if len(fields) <= SHORT_LIST or not like:
        return nearest(here[0] if here else key, fields)
    return f"fields in {unit} or a unit like it: {', '.join(like)}"


@_kept
def _here(key: str, fields: tuple[str, ...]) -> list[str]:
    """List the fields of its own block a key may mean."""
    return _closest({name: _score(key, name) for name in fields}, _ENOUGH)


@_kept
def _there(key: str, blocks: tuple[tuple[str, tuple[str, ...]], ...]) -> list[str]:
    """Say which fields of other blocks a key may mean, each with its blocks."""
    scores = {
        (block, name): max(_score(key, name), _score(key, f"{block}_{name}"))
        for block, names in blocks
        for name in names
    }
    under: dict[str, list[str]] = {}
    for block, name in _closest(scores, _ENOUGH_ELSEWHERE):
        under.setdefault(name, []).append(block)
    return [f"{_said(key, name)} of {_either(found)}" for name, found in under.items()]


def _closest(scores: Mapping, enough: float) -> list:
    """List what is near enough, the likeliest first; beside the very words nothing else."""
    best = max(scores.values(), default=0.0)
    least = max(enough, best if best >= 1.0 else best - _NEAR_THE_BEST)
    return sorted((name for name in scores if scores[name] >= least), key=lambda n: -scores[n])


def _score(key: str, field: str) -> float:
    """Tell how likely a key means a field; 1 where its words are the same."""
    (words, unit), (own, own_unit) = _split(key), _split(field)
    other = unit and _kind(unit) != _kind(own_unit)
    readings = _readings(words)
    written = {word for meant, _ in readings for word in meant}
    if not any(_likeness(word, name) >= _SAME_WORD for word in written for name in own):
        return 0.0
    scores = [0.0]
    for meant, stands_in in readings:
        # Another word and another unit at once: nothing of the key is left.
        if not (stands_in and other and own_unit):
            scores.append(_alike(meant, own) - _BY_MEANING * stands_in)
    return max(scores) - _OTHER_UNIT * bool(other)


@_kept
def _readings(words: tuple[str, ...]) -> tuple[tuple[tuple[str, ...], bool], ...]:
    """Return what words may mean, and whether other words stand in for those written."""
    pieces: list[tuple[str, ...]] = []
    place = 0
    while place < len(words):
        for size in range(min(_LONGEST_PHRASE, len(words) - place), 0, -1):
            phrase = " ".join(words[place : place + size])
            if phrase in _MEANT or size == 1:
                own = (phrase,) if size == 1 else ()
                pieces.append((*_MEANT.get(phrase, ()), *own))
                place += size
                break
    # Where some words mean something only together, they are not read one by one.
    as_written = [(words, False)] if len(pieces) == len(words) else []
    chosen = islice(product(*pieces), _MOST_READINGS)
    meant = (tuple(dict.fromkeys(" ".join(phrases).split())) for phrases in chosen)
    return (*as_written, *((other, True) for other in meant))


def _alike(one: tuple[str, ...], other: tuple[str, ...]) -> float:
    """Return how far the words of two names are the same ones, from 0 to 1."""
    left, same, found = list(other), 0.0, 0
    for word in one:
        best = max(left, key=lambda w: _likeness(word, w), default="")
        if _likeness(word, best) >= _SAME_WORD:
            left.remove(best)
            same, found = same + _likeness(word, best), found + 1
    contained = _CONTAINED if one and found == len(one) else 0.0
    return max(2.0 * same / (len(one) + len(other)), contained)


@_kept
def _likeness(word: str, other: str) -> float:
    return SequenceMatcher(None, word, other).ratio()


@_kept
def _split(name: str) -> tuple[tuple[str, ...], str]:
    """Split a name into its words and the unit it names, which is empty where it has none."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])", " ", name).replace("²", "2").replace("³", "3")
    spaced = spaced.replace("/", " per ").replace("%", " percent ")
    words = tuple(re.findall(r"[a-z0-9µμ]+", spaced.lower()))
    for size in range(_LONGEST_UNIT, 0, -1):
        for start in range(len(words) - size, -1, -1):
            unit = _unit(words[start : start + size])
            before, after = words[:start], words[start + size :]
            if unit == "in" and after:
                continue  # water in a lumen is no inch
            if unit and "per" not in (before[-1:] + after[:1]):
                # A field called by its unit alone, such as hours, keeps it as its word.
                return before + after or words, unit
    if "per" in words:  # a unit of its own, which no field takes
        return words[: max(words.index("per") - 1, 0)], ""
    return words, ""


def _unit(words: tuple[str, ...]) -> str:
    reading = words[0] if words[0] in ("gauge", "absolute") else ""
    rest = words[1:] if reading else words
    spelled = "".join("/" if word == "per" else word for word in rest)
    unit = unit_named(spelled) or (unit_named("/".join(rest)) if len(rest) == 2 else None)
    if unit is None:
        return ""
    return f"{unit} {reading}".strip() if not reading or unit in units_like("kPa") else ""


def _kind(unit: str) -> str:
    """Return one unit that stands for all of its kind."""
    plain = unit.partition(" ")[0]
    return units_like(plain)[0] if plain else ""


def _said(key: str, field: str) -> str:
    """Name a field, with its unit where the key names another or none."""
    unit, own_unit = _split(key)[1], _split(field)[1]
    if unit == own_unit:
        return field
    if not own_unit:
        return f"{field} (without a unit)"
    return f"{field} (in {own_unit})"


def _either(names: list[str]) -> str:
    return " or ".join(filter(None, (", ".join(names[:-1]), *names[-1:])))
