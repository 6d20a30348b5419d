"""What a site file may hold: own devices, cycles, aerators, rooms, rules, own numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from eo_risk.errors import Fault, InputError, nearest
from eo_risk.plan.fields import Block, Text, YesNo, number, word
from eo_risk.plan.load_plan import (
    AerationStep,
    Chamber,
    Cycle,
    Item,
    Name,
    Part,
    Room,
    Rules,
)
from eo_risk.plan.own_numbers import OwnLimit, OwnRecord
from eo_risk.units import convert, tidy


class UnitsShown(Block):
    """The units the screens and the sheet show; files always say their own.

    A kind without a choice is shown in the unit of its field.
    """

    temperature: word(Literal["C", "F"]) = None
    pressure: word(Literal["kPa", "mbar", "bar", "psi", "inHg", "mmHg"]) = None
    length: word(Literal["mm", "in"]) = None
    mass: word(Literal["g", "oz"]) = None
    volume: word(Literal["L", "mL"]) = None

    def unit(self, unit: str) -> str:
        """Name the unit shown for the unit of a field.

        A pressure keeps its reading: ``bar gauge`` becomes ``psi gauge``.
        """
        plain, _, reading = unit.partition(" ")
        chosen = {
            "C": self.temperature, "kPa": self.pressure, "bar": self.pressure,
            "mm": self.length, "g": self.mass, "L": self.volume,
        }.get(plain) or plain  # fmt: skip
        return f"{chosen} {reading}".strip()

    def shown(self, value: float, unit: str) -> tuple[float, str]:
        """Turn a value of a field into the site's unit; one it has no choice for stays."""
        to = self.unit(unit)
        return _converted(value, unit, to), to

    def entered(self, value: float, unit: str) -> float:
        """Turn a value entered in the site's unit into the unit of its field."""
        return tidy(_converted(value, self.unit(unit), unit))


def _converted(value: float, unit: str, to: str) -> float:
    plain, plain_to = (name.partition(" ")[0] for name in (unit, to))
    return value if plain == plain_to else convert(value, plain, plain_to)


class Usual(Block):
    """What holds for every new item of the site that leaves it unknown, as its device does."""

    rinse_water: word(Literal["treated", "tap", "saline"]) = None
    lubricant: word(Literal["none", "water_based", "oil"]) = None
    irradiated_before: YesNo = None


class Device(Item):
    """One of the site's own devices: an item as a plan describes it."""

    parts: tuple[Part, ...] = ()
    lightest_patient_kg: number("kg", 0.0, 400.0, above=True) = None


class Steriliser(Chamber):
    """A chamber of the site."""

    name: Name


class SiteCycle(Cycle):
    """A cycle of the site; `steriliser` names the chamber it runs in."""

    name: Name
    steriliser: Text = ""


class Aerator(Block):
    """An aerator of the site, or the room that serves as one."""

    name: Name
    place: word(Literal["chamber", "cabinet", "room"]) = None
    temperature_c: number("C", -20.0, 120.0) = None
    air_changes_per_h: number("1/h", 0.0, 10_000.0) = None
    free_volume_l: number("L", 0.0, 1e7, above=True) = None
    holds_other_load: YesNo = None


class SiteStep(AerationStep):
    """One step of a named aeration; `aerator` names where it happens."""

    aerator: Text = ""


class SiteAeration(Block):
    """A usual aeration of the site: steps in order."""

    name: Name
    steps: tuple[SiteStep, ...]


class SiteRoom(Room):
    """A room of the site."""

    name: Name


class SitePackaging(Block):
    """The site's own name for one of the packagings."""

    name: Name
    packaging: Name
    note: Text = ""


KINDS: dict[str, type[Block]] = {
    "device": Device,
    "steriliser": Steriliser,
    "cycle": SiteCycle,
    "aerator": Aerator,
    "aeration": SiteAeration,
    "room": SiteRoom,
    "packaging": SitePackaging,
    "material_record": OwnRecord,
    "limit": OwnLimit,
}
# Keys that hold for every load.
COMMON = (
    "schema_version", "name", "note", "site_minimum_aeration_h", "rules", "units_shown",
    "usual", "limits_file",
)  # fmt: skip


@dataclass(frozen=True)
class BrokenEntry:
    """An entry that could not be read: what it was and every fault in it."""

    kind: str
    name: str
    faults: tuple[Fault, ...]


class Site(Block):
    """Everything a site file says; an empty one is legal."""

    name: Text = ""
    note: Text = ""
    site_minimum_aeration_h: number("h", 0.0, 2000.0) = None
    rules: Rules | None = None
    units_shown: UnitsShown = UnitsShown()
    usual: Usual = Usual()
    limits_file: Text = ""
    device: tuple[Device, ...] = ()
    steriliser: tuple[Steriliser, ...] = ()
    cycle: tuple[SiteCycle, ...] = ()
    aerator: tuple[Aerator, ...] = ()
    aeration: tuple[SiteAeration, ...] = ()
    room: tuple[SiteRoom, ...] = ()
    packaging: tuple[SitePackaging, ...] = ()
    material_record: tuple[OwnRecord, ...] = ()
    limit: tuple[OwnLimit, ...] = ()
    broken: tuple[BrokenEntry, ...] = ()

    @property
    def broken_faults(self) -> tuple[Fault, ...]:
        """Every fault of every broken entry, to be named beside an answer."""
        return tuple(fault for entry in self.broken for fault in entry.faults)

    @property
    def aerators(self) -> dict[str, AerationStep]:
        """Return the aerators by name, as aeration steps without hours."""
        return {
            entry.name: AerationStep(**entry.model_dump(exclude={"name"}))
            for entry in self.aerator
        }

    def names(self, kind: str) -> list[str]:
        """List the usable entries of one kind by name."""
        return [entry.name for entry in getattr(self, kind)]

    def entry(self, kind: str, name: str, where: str) -> dict[str, Any]:
        """Return what an entry says, as a plan would write it.

        Parameters
        ----------
        kind : str
            One of `KINDS`.
        name : str
            Name of the entry.
        where : str
            Path of the field that names it, for the error.

        Returns
        -------
        dict
            The fields that were given, without the entry's name.

        Raises
        ------
        InputError
            If there is no such entry, with the nearest names, or if it is broken.
        """
        for entry in getattr(self, kind):
            if entry.name == name:
                return entry.model_dump(mode="json", exclude_unset=True, exclude={"name"})
        if any(b.kind == kind and b.name == name for b in self.broken):
            raise InputError(
                [Fault(where, repr(name), "", f"a {kind} that can be read",
                       "Correct this entry of the site file.")]
            )  # fmt: skip
        names = self.names(kind)
        if names:
            allowed, do = nearest(name, names), "Name an entry of the site file."
        else:
            allowed = f"none: the site file has no {kind}"
            do = "Name a site file that has it (--site)."
        raise InputError([Fault(where, repr(name), "", allowed, do)])
