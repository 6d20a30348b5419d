"""Write out what a plan names from the site file.

A plan names entries (``"device": "..."``, ``"cycle": "..."``) and overrides single fields;
the resolved plan, and so its fingerprint, holds values, never names. A field the plan
leaves unknown takes the entry's value; parts and lumens are matched by their names, or by
their place where a plan gives no name, other lists are replaced as a whole.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from eo_risk import reference
from eo_risk.errors import NOTHING, Fault, InputError, unknown_name
from eo_risk.plan.clock import first_after, is_time_of_day, moment_of, with_offset
from eo_risk.plan.fields import is_unknown
from eo_risk.plan.load_plan import SCHEMA_VERSION, LoadPlan, read_plan
from eo_risk.plan.own_numbers import OwnRecord
from eo_risk.plan.site_entries import Site
from eo_risk.plan.site_file import default_site_path, parse_site, read_site
from eo_risk.plan.starting_types import fill_from_type

__all__ = ["Site", "default_site_path", "named_plan", "parse_site", "plan_from_items", "plan_of",
           "read_site", "resolve", "with_usual"]  # fmt: skip

_LIGHTEST_REASON = "lightest patient of this device in the site file"


def merged(base: Any, over: Any) -> Any:
    """Lay a plan's own values over an entry's; unknown values change nothing.

    Blocks merge field by field; parts and lumens by name, or by their place when the plan
    gives them none; any other value of the plan replaces the entry's.
    """
    if is_unknown(over):
        return base
    if isinstance(base, dict) and isinstance(over, dict):
        both = dict(base)
        for key, value in over.items():
            both[key] = merged(base.get(key), value)
        return both
    if _blocks(base) and any("name" in b for b in base) and _blocks(over):
        both = list(base)
        names = [block.get("name") for block in base]
        for i, block in enumerate(over):
            at = names.index(block["name"]) if block.get("name") in names else len(both)
            if is_unknown(block.get("name")):
                at = i
            both[at : at + 1] = [merged(both[at] if at < len(both) else None, block)]
        return both
    return over


def _blocks(value: Any) -> bool:
    listed = isinstance(value, (list, tuple)) and bool(value)
    return listed and all(isinstance(block, dict) for block in value)


class _Resolver:
    """Resolves one plan, collecting every fault."""

    def __init__(self, site: Site):
        self.site = site
        self.faults: list[Fault] = []
        self.built: dict[str, set[str]] = {}  # device: names of the items made of it

    def _try(self, look_up: Callable[[], Any], otherwise: Any) -> Any:
        try:
            return look_up()
        except InputError as error:
            self.faults += error.faults
            return otherwise

    def _entry(self, kind: str, name: Any, where: str) -> dict[str, Any]:
        return self._try(lambda: self.site.entry(kind, str(name), where), {})

    def block(self, kind: str, raw: Any, where: str) -> Any:
        """Resolve a block that is a name, or a block with a name and overrides."""
        if isinstance(raw, str) and not is_unknown(raw):
            raw = {"name": raw}
        if not isinstance(raw, dict) or is_unknown(raw.get("name")):
            return raw
        own = {key: value for key, value in raw.items() if key != "name"}
        return merged(self._entry(kind, raw["name"], f"{where}.name"), own)

    def step(self, raw: Any, where: str) -> Any:
        """Resolve one aeration step that may name an aerator."""
        if not isinstance(raw, dict):
            return raw
        own = {key: value for key, value in raw.items() if key != "aerator"}
        name = raw.get("aerator")
        if is_unknown(name) or name == "":
            return own
        return merged(self._entry("aerator", name, f"{where}.aerator"), own)

    def aeration(self, raw: Any) -> Any:
        """Resolve the aeration: a name, a name with steps that override, or steps."""
        if isinstance(raw, str) and not is_unknown(raw):
            raw = {"name": raw}
        if isinstance(raw, dict) and "name" in raw:
            base = self._entry("aeration", raw["name"], "aeration.name").get("steps", [])
            own = raw.get("steps") or []
            unknown = sorted(set(raw) - {"name", "steps"})
            if unknown or not isinstance(own, list):
                self.faults.append(
                    Fault("aeration", repr(unknown[0] if unknown else own)[:60], "",
                          "name and steps", "Override fields of a step within steps.")
                )  # fmt: skip
                own = []
            longer = max(len(base), len(own))
            padded = [list(steps) + [None] * (longer - len(steps)) for steps in (base, own)]
            raw = [merged(b, o) for b, o in zip(*padded, strict=True)]
        if not isinstance(raw, (list, tuple)):
            return raw
        return [self.step(step, f"aeration[{i}]") for i, step in enumerate(raw)]

    def item(self, raw: Any, where: str) -> Any:
        """Resolve one item: its device, its starting type, its packaging's own name."""
        if not isinstance(raw, dict):
            return raw
        raw = dict(raw)
        device = raw.pop("device", None)
        lightest = None
        if not is_unknown(device):
            entry = self._entry("device", device, f"{where}.device")
            lightest = entry.pop("lightest_patient_kg", None)
            raw = merged(entry, {"name": str(device)} | _known(raw))
            self.built.setdefault(str(device), set()).add(str(raw["name"]))
        if not is_unknown(raw.get("starting_type")) and raw["starting_type"]:
            raw = self._try(lambda: fill_from_type(raw, where), raw)
        patient = raw.get("patient") or {}
        if lightest is not None and isinstance(patient, dict):
            if is_unknown(patient.get("body_mass_kg")):
                given = {"body_mass_kg": lightest, "body_mass_reason": _LIGHTEST_REASON}
                raw["patient"] = patient | given
        packaging = {entry.name: entry.packaging for entry in self.site.packaging}
        name, known = raw.get("packaging"), [*packaging, *reference.packagings()]
        if isinstance(name, str) and name in packaging:
            raw["packaging"] = packaging[name]
        elif isinstance(name, str) and name and not is_unknown(name) and name not in known:
            place = f"{where}.packaging"
            self.faults.append(unknown_name(place, name, known, "Use one of these names."))
        return raw

    def moments(self, plan: dict[str, Any]) -> None:
        """Give local times their offset, and bare times of day their date.

        A time without an offset is read in the site's time zone; ``15:00`` is the first
        15:00 after the cycle starts.
        """
        rules = plan.get("rules")
        given = rules.get("time_zone") if isinstance(rules, dict) else None
        time_zone = "" if is_unknown(given) else str(given)

        def whole(text: Any, where: str) -> Any:
            if is_unknown(text) or not isinstance(text, str):
                return text
            if is_time_of_day(text) and unstarted:
                self.faults.append(_without_start(text, where))
                return text
            if is_time_of_day(text):
                if start is None:  # the fault of the start is told, and no other for it
                    return None
                return self._try(lambda: first_after(text, start, time_zone, where), text)
            if time_zone:
                return self._try(lambda: with_offset(text, time_zone, where), text)
            return text

        start, unstarted = None, True
        if not is_unknown(plan.get("cycle_start")):
            plan["cycle_start"] = whole(plan["cycle_start"], "cycle_start")
            start, unstarted = moment_of(plan["cycle_start"]), False
        items = plan["items"] if isinstance(plan.get("items"), list) else []
        for i, item in enumerate(items):
            if isinstance(item, dict) and "needed_by" in item:
                item["needed_by"] = whole(item["needed_by"], f"items[{i}].needed_by")

    def _named(self, record: OwnRecord) -> OwnRecord:
        """Let a record of a device hold for the items built of it under other names."""
        names = {name for device in record.items for name in self.built.get(device, ())}
        return record.model_copy(update={"items": tuple(sorted({*record.items, *names}))})

    def own_numbers(self, plan: dict[str, Any]) -> None:
        """Add the site's own records of the materials in the load, and its own limits."""
        used = _materials(plan.get("items"))
        items = plan["items"] if isinstance(plan.get("items"), list) else []
        names = {str(item.get("name")) for item in items if isinstance(item, dict)}
        named = [self._named(r) for r in self.site.material_record if r.material in used]
        records = [r for r in named if not r.items or names & set(r.items)]
        for key, entries in (("own_records", records), ("own_limits", self.site.limit)):
            if entries and not plan.get(key):  # an empty list says nothing
                plan[key] = [entry.model_dump(mode="json") for entry in entries]
        # A broken number of one's own could hide a stricter limit or a slower material.
        for broken in self.site.broken:
            if broken.kind in ("limit", "material_record"):
                self.faults += broken.faults


def _without_start(text: str, where: str) -> Fault:
    allowed = "a time of day, once the cycle start is known"
    todo = "Give the cycle start (on a command line --cycle-start), or the date as well."
    if where == "cycle_start":
        allowed, todo = "date and time, such as 2026-03-12T06:30", "Add the date."
    return Fault(where, f"{text!r}, without a date", "", allowed, todo)


def _known(raw: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in raw.items() if not is_unknown(value)}


def _materials(items: Any) -> set[str]:
    found: set[str] = set()
    for item in items if isinstance(items, list) else ():
        parts = item.get("parts") if isinstance(item, dict) else None
        for part in parts if isinstance(parts, (list, tuple)) else ():
            if isinstance(part, dict):
                found.add(str(part.get("material")))
                coating = part.get("coating")
                found |= {str(coating.get("material"))} if isinstance(coating, dict) else set()
    members = (reference.materials()[m].members for m in found if m in reference.materials())
    return found.union(*members)


def resolve(raw: object, site: Site) -> object:
    """Write out everything a raw plan names from the site file or from starting types.

    Parameters
    ----------
    raw : object
        A decoded JSON plan; what is no plan at all is returned for `read_plan` to refuse.
    site : Site
        The site file, as `read_site` gives it; an empty one is legal.

    Returns
    -------
    dict
        A plan that `read_plan` reads without the site file, with the same fingerprint.

    Raises
    ------
    InputError
        With every name that is not in the site file (nearest offered) or is broken there.
    """
    if not isinstance(raw, dict):
        return raw
    plan, faults = _resolved(raw, site)
    if faults:
        raise InputError(faults)
    return plan


def _resolved(raw: dict[str, Any], site: Site) -> tuple[dict[str, Any], list[Fault]]:
    """Write out what a plan names, as far as the names are known, and list the faults."""
    plan, work = dict(raw), _Resolver(site)
    cycle = work.block("cycle", plan.get("cycle"), "cycle")
    if isinstance(cycle, dict) and "steriliser" in cycle:
        cycle = dict(cycle)
        name = cycle.pop("steriliser")
        if is_unknown(plan.get("steriliser")) or plan["steriliser"] == "":
            plan["steriliser"] = name
        if is_unknown(plan.get("chamber")) and name:
            plan["chamber"] = name
    for key, value in (
        ("cycle", cycle),
        ("chamber", work.block("steriliser", plan.get("chamber"), "chamber")),
        ("room", work.block("room", plan.get("room"), "room")),
        ("aeration", work.aeration(plan.get("aeration"))),
    ):
        if value is not None:
            plan[key] = value
    if isinstance(plan.get("items"), (list, tuple)):
        plan["items"] = [work.item(item, f"items[{i}]") for i, item in enumerate(plan["items"])]
    if site.rules is not None:
        standing = site.rules.model_dump(mode="json", exclude_unset=True)
        plan["rules"] = merged(standing, plan.get("rules"))
    if is_unknown(plan.get("site_minimum_aeration_h")):
        plan["site_minimum_aeration_h"] = site.site_minimum_aeration_h
    work.moments(plan)
    work.own_numbers(plan)
    return plan, work.faults


def plan_of(raw: object, site: Site) -> LoadPlan:
    """Read a plan that may name entries of the site file.

    Raises
    ------
    InputError
        With every fault: of the names, as `resolve`, and of what stands beside them, as
        `read_plan`.
    """
    if not isinstance(raw, dict):
        return read_plan(raw)
    plan, faults = _resolved(raw, site)
    try:
        found = read_plan(plan)
    except InputError as error:
        known = {fault.where for fault in faults}
        unnamed = [w.rpartition(".")[0] for w in known if w.rpartition(".")[2] in _NAMING]
        faults += [fault for fault in error.faults
                   if fault.where not in known and not _follows(fault, unnamed)]  # fmt: skip
    if faults:
        raise InputError(faults)
    return found


_NAMING = ("name", "device", "starting_type", "aerator")  # keys that name an entry or a type


def _follows(fault: Fault, unnamed: Iterable[str]) -> bool:
    """Tell whether something is missing only because the entry that would give it is unknown."""
    missing = fault.given == NOTHING or fault.where.endswith(".wall_part")
    return missing and any(f"{fault.where}.".startswith(f"{block}.") for block in unnamed)


def with_usual(items: Iterable[dict[str, Any]], site: Site) -> list[dict[str, Any]]:
    """Fill what new items and their devices leave unknown with what is usual at the site.

    Only for items on their way into a plan: in a plan an unknown stays unknown.
    """
    devices = {entry.name: entry for entry in site.device}
    filled = []
    for item in items:
        device = devices.get(str(item.get("device")))
        known = _known(item) | ({} if device is None else _known(dict(device)))
        filled.append(item | {k: v for k, v in _known(dict(site.usual)).items() if k not in known})
    return filled


def named_plan(
    items: Iterable[dict[str, Any]], cycle_name: str, aeration_name: str, site: Site, **others: Any
) -> dict[str, Any]:
    """Make a plan of a list of items that names a cycle and an aeration of the site file.

    Parameters
    ----------
    items : iterable of dict
        Items as `read_items` gives them.
    cycle_name, aeration_name : str
        Entries of the site file.
    site : Site
        The site file.
    **others
        Further keys of the plan, such as ``cycle_start`` or ``load_number``; None is left out.
    """
    raw = {
        "schema_version": SCHEMA_VERSION,
        "name": "items from a list",
        "cycle": cycle_name,
        "aeration": aeration_name,
        "items": with_usual(items, site),
    } | {key: value for key, value in others.items() if value is not None}
    if len(site.room) == 1 and "room" not in raw:
        raw["room"] = site.room[0].name
    return raw


def plan_from_items(
    items: Iterable[dict[str, Any]], cycle_name: str, aeration_name: str, site: Site, **others: Any
) -> dict[str, Any]:
    """Make a plan as `named_plan` and resolve it; raises as `resolve`."""
    return resolve(named_plan(items, cycle_name, aeration_name, site, **others), site)
