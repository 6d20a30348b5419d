"""Read the site file: the standing list of what a site owns and how it works.

An entry that is broken is named and left out, the others stay usable.
"""

from __future__ import annotations

import os
import sys
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from eo_risk.errors import Fault, InputError
from eo_risk.files import read_text, refuse
from eo_risk.key_hints import unknown_key
from eo_risk.plan.fields import Block, faults_of
from eo_risk.plan.load_plan import known_fields, validation_context
from eo_risk.plan.plausible import plan_faults
from eo_risk.plan.site_entries import COMMON, KINDS, BrokenEntry, Device, Site, UnitsShown, Usual

FILLED_BY_USER = "iso10993-7:2026"


def default_site_path(
    environment: Mapping[str, str] | None = None, platform: str = sys.platform
) -> Path:
    """Return where the user's own site file is looked for."""
    environment = os.environ if environment is None else environment
    if platform == "win32" and environment.get("APPDATA"):
        folder = Path(environment["APPDATA"])
    elif environment.get("XDG_CONFIG_HOME"):
        folder = Path(environment["XDG_CONFIG_HOME"])
    else:
        folder = Path(environment.get("HOME") or Path.home()) / ".config"
    return folder / "eo-risk" / "site.toml"


def _under(where: str, faults: Iterable[Fault]) -> list[Fault]:
    """Put the place of an entry before the path of each of its faults."""
    return [replace(fault, where=f"{where} {fault.where}") for fault in faults]


def _entry(kind: str, raw: Any, context: dict) -> tuple[Block | None, list[Fault]]:
    try:
        entry = KINDS[kind].model_validate(raw, context=context)
    except ValidationError as error:
        fields = {**known_fields(), "": list(KINDS[kind].model_fields), "steps": ["aerator"]}
        return None, faults_of(error, fields)
    faults: list[Fault] = []
    if isinstance(entry, Device):
        found = plan_faults({"items": [entry.model_dump(mode="json")]})
        inside = [replace(f, where=f.where.removeprefix("items[0].")) for f in found]
        # Parts may come from a starting type, or from the plan that names the device.
        faults = [f for f in inside if f.where != "parts" or entry.parts]
    return (None if faults else entry), faults


def _read_kind(
    kind: str, listed: Any, context: dict, packagings: Mapping[str, str]
) -> tuple[tuple[Block, ...], list[BrokenEntry]]:
    good: dict[str, Block] = {}
    broken: list[BrokenEntry] = []
    for index, block in enumerate(listed if isinstance(listed, list) else [listed]):
        if kind == "device" and isinstance(block, dict):
            wrap = block.get("packaging")
            if isinstance(wrap, str) and wrap in packagings:
                block = block | {"packaging": packagings[wrap]}
        given = block.get("name", block.get("id")) if isinstance(block, dict) else None
        name = str(given)[:80] if given else f"number {index + 1}"
        entry, faults = _entry(kind, block, context)
        if entry is not None and name in good:
            faults = [Fault("name", repr(name), "", "a name used once",
                            "The first entry of this name is used.")]  # fmt: skip
        if faults or entry is None:
            where = f"site file, {kind} {name!r}:"
            broken.append(BrokenEntry(kind=kind, name=name, faults=tuple(_under(where, faults))))
        else:
            good[name] = entry
    return tuple(good.values()), broken


def _read_entries(raw: dict, context: dict) -> dict[str, tuple]:
    found: dict[str, tuple] = {}
    broken: list[BrokenEntry] = []
    packagings: dict[str, str] = {}
    for kind in sorted(KINDS, key=lambda kind: kind != "packaging"):  # devices may use its names
        found[kind], failed = _read_kind(kind, raw.get(kind, []), context, packagings)
        broken += failed
        if kind == "packaging":
            packagings = {entry.name: entry.packaging for entry in found[kind]}
    return found | {"broken": tuple(broken)}


def _with_limits_file(raw: dict, folder: Path) -> dict:
    """Add the limits of the file a site names beside its own; raises InputError."""
    name = raw.get("limits_file")
    if name is None:
        return raw
    if not isinstance(name, str):
        raise refuse("site file, limits_file", repr(name)[:40], "a file name", "Correct it.")
    content = _toml(read_text(folder / name, "file of limits"), name)
    edition = content.get("edition")
    named = edition.get("id", "") if isinstance(edition, dict) else ""
    if named not in ("", FILLED_BY_USER):
        allowed = f"{FILLED_BY_USER}, the edition without figures, or no [edition]"
        raise refuse(f"{name}, edition.id", repr(named)[:40], allowed, "Correct or remove it.")
    fills = named == FILLED_BY_USER
    rows = content.get("limit", [])
    if not isinstance(rows, list) or not rows:
        raise refuse(name, "no limit", "[[limit]] entries", "Start from the shipped format.")
    added = [
        row | ({"edition": edition["id"]} if fills else {}) if isinstance(row, dict) else row
        for row in rows
    ]
    own = raw.get("limit", [])
    return raw | {"limit": [*(own if isinstance(own, list) else [own]), *added]}


def _toml(text: str, where: str) -> dict:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise refuse(where, str(error)[:100], "TOML text", "Correct the file.") from None


def parse_site(text: str, folder: Path | None = None) -> Site:
    """Read a site file from TOML text; a file of limits it names is looked for in `folder`.

    Raises
    ------
    InputError
        If the text is no TOML, or what holds for every load (rules, minimum hours, units,
        unknown tables) is faulty: nothing there can be left out unnoticed.
    """
    raw = _with_limits_file(_toml(text, "site file"), folder or Path())
    top = [*KINDS, *COMMON]
    faults = [
        unknown_key(f"site file, {key}", "an unknown table or key", key, top,
                    "Correct or remove it.")
        for key in raw
        if key not in top
    ]  # fmt: skip
    if raw.get("schema_version", 1) != 1:
        faults.append(Fault("site file, schema_version", str(raw["schema_version"])[:20], "", "1",
                            "This version reads site files of version 1."))  # fmt: skip
    context = validation_context(raw)
    entries = _read_entries(raw, context)
    common = {key: raw[key] for key in COMMON[1:] if key in raw}
    try:
        site = Site.model_validate(common, context=context)
    except ValidationError as error:
        fields = known_fields() | {"": list(COMMON), "units_shown": list(UnitsShown.model_fields),
                                   "usual": list(Usual.model_fields)}  # fmt: skip
        faults += _under("site file,", faults_of(error, fields))
    if faults:
        raise InputError(faults)
    return site.model_copy(update=entries)


def read_site(path: Path | None = None) -> Site:
    """Read a site file; without a path the user's own, or an empty one if there is none.

    Raises
    ------
    InputError
        If a named file cannot be read, or as `parse_site`.
    """
    chosen = default_site_path() if path is None else path
    if path is None and not chosen.is_file():
        return Site()
    return parse_site(read_text(chosen, "site file"), chosen.parent)


def with_material_records(text: str, records: str, folder: Path | None = None) -> str:
    """Add ``[[material_record]]`` blocks to the text of a site file, the rest as it stands.

    `folder` is where a file of limits that the site file names is looked for.

    Raises
    ------
    InputError
        If the text is no site file, an id is there already, or a record cannot be read.
    """
    there = {r.get("id") for r in _listed(text) if isinstance(r, dict)}
    taken = [str(r["id"]) for r in _listed(records) if r["id"] in there]
    if taken:
        raise refuse("site file, material_record", repr(taken[0]), "an id used once",
                     "Remove the old record, or give another --record-id.")  # fmt: skip
    joined = "\n\n".join(filter(None, (text.rstrip(), records)))
    new = {r["id"] for r in _listed(records)}
    broken = [b for b in parse_site(joined, folder).broken
              if b.kind == "material_record" and b.name in new]  # fmt: skip
    if broken:
        raise InputError([fault for entry in broken for fault in entry.faults])
    return joined


def _listed(text: str) -> list:
    found = _toml(text, "site file").get("material_record", [])
    return found if isinstance(found, list) else [found]
