"""A site's own records in the place of shipped ones: for which item, and at which temperature."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from eo_risk import reference
from eo_risk.judgement.result import OwnRecordUse
from eo_risk.physics import properties
from eo_risk.plan.own_numbers import CARRIED, OwnRecord
from eo_risk.units import celsius_to_kelvin


def own_records(records: Iterable[OwnRecord], item: str | None = None) -> dict[str, OwnRecord]:
    """Choose the own records that hold for an item, by the id of the shipped one they replace.

    One written for this item wins over one for every item; without an item only the latter.
    """
    ordered = sorted(records, key=lambda record: bool(record.items))
    return {r.replaces: r for r in ordered if not r.items or item in r.items}


def as_records(
    records: Iterable[OwnRecord], item: str | None = None
) -> dict[str, reference.Record]:
    """Return the own records of an item as records, by the id they replace."""
    return {name: own.as_record() for name, own in own_records(records, item).items()}


def own_record_uses(
    records: Iterable[OwnRecord], item: str, used: Iterable[str]
) -> tuple[OwnRecordUse, ...]:
    """List the own records among the records an item used."""
    chosen = own_records(records, item)
    found = []
    for name in used:
        if name in chosen:
            own = chosen[name].as_record()
            found.append(OwnRecordUse(own.id, name, own.quantity, own.value, own.low, own.high,
                                      own.unit, own.temperature_c, own.data_class, own.source,
                                      own.locator, chosen[name].said))  # fmt: skip
    return tuple(found)


def carried(
    record_id: str, own: reference.Record, samples: np.ndarray, draw: Callable[[str], np.ndarray]
) -> np.ndarray:
    """Carry samples of an own rate to the temperature the shipped record refers to.

    The activation energy drawn for each sample carries it there and, in the model, back: at
    the temperature it was measured at it is what was measured, with no spread added.
    """
    material, _, quantity = record_id.partition(".")
    if quantity not in CARRIED or own.temperature_c is None:
        return samples
    shipped = reference.record(reference.shipped_id(record_id))
    energy = draw(f"{material}.activation")
    there, here = (
        properties.arrhenius(1.0, energy, celsius_to_kelvin(celsius))
        for celsius in (shipped.temperature_c, own.temperature_c)
    )
    faster = there / here
    return samples * faster if CARRIED[quantity] == "rate" else samples / faster
