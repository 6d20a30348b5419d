"""Laboratory results in one unit: mg per device, only where mass, volume or area are given.

A concentration in the extract is neither one in the device nor an amount per device; a
number that cannot be turned is refused, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from eo_risk.errors import Fault, InputError
from eo_risk.measured.results_table import LabRow
from eo_risk.spreadsheet import place
from eo_risk.units import convert

# What a unit needs besides the number itself.
_NEEDS = {
    "mg/device": (),
    "ug/device": (),
    "ug/mL": ("extract_volume_ml",),
    "ug/g": ("device_mass_g",),
    "ug/cm2": ("area_cm2",),
}
# How a user gives it.
_HOW = {
    "extract_volume_ml": "column extract_volume_ml",
    "device_mass_g": "--device-mass-g, or column device_mass_g",
    "area_cm2": "--area-cm2, or column area_cm2",
}


@dataclass(frozen=True)
class DeviceAmount:
    """One result as mg per device: the amount, or the amount it lies below."""

    row: LabRow
    amount_mg: float
    below: bool


def _needed(row: LabRow) -> tuple[str, ...]:
    partial = row.unit == "ug/mL" and row.sample_mass_g is not None
    return _NEEDS[row.unit] + (("device_mass_g",) if partial else ())


def _amount_mg(row: LabRow) -> float:
    if row.unit == "mg/device":
        return row.result
    factor = {
        "ug/device": 1.0,
        "ug/mL": row.extract_volume_ml,
        "ug/g": row.device_mass_g,
        "ug/cm2": row.area_cm2,
    }[row.unit]
    amount_mg = convert(row.result * factor, "ug", "mg")
    if row.unit == "ug/mL" and row.sample_mass_g is not None:
        amount_mg *= row.device_mass_g / row.sample_mass_g
    return amount_mg


def device_amounts(
    rows: Iterable[LabRow],
    *,
    device_mass_g: float | None = None,
    area_cm2: float | None = None,
) -> tuple[DeviceAmount, ...]:
    """Turn results into mg per device.

    Parameters
    ----------
    rows : iterable of LabRow
        Results as reported.
    device_mass_g, area_cm2 : float, optional
        Mass and contact area of the whole device, where the rows do not say. [g], [cm2]

    Returns
    -------
    tuple of DeviceAmount

    Raises
    ------
    InputError
        When mass, volume or area is missing, differs from that of the row, or is less than
        the mass extracted.

    Notes
    -----
    Amount = concentration times volume, for a part of a device times device mass over
    sample mass, as the summing of extracts is described for ISO 10993-7:2008 (secondary
    sources; the standard itself was not read).
    """
    given = {"device_mass_g": device_mass_g, "area_cm2": area_cm2}
    faults, found = [], []
    for row in rows:
        for name, value in given.items():
            own = getattr(row, name)
            if value is not None and own is not None and own != value:
                faults.append(Fault(place(row.row, name), f"{own:g}", "", f"{value:g}, as given "
                                    "beside the table", "Give it once."))  # fmt: skip
        filled = replace(row, **{n: v for n, v in given.items() if getattr(row, n) is None})
        missing = [name for name in _needed(filled) if getattr(filled, name) is None]
        for name in missing:
            faults.append(
                Fault(place(row.row, "unit"), repr(row.unit), "",
                      f"mg/device, or {row.unit} with {name}",
                      f"Give {_HOW[name]}: a limit in mg per device is no limit in {row.unit}.")
            )  # fmt: skip
        if not missing and filled.sample_mass_g and filled.device_mass_g:
            if filled.sample_mass_g > filled.device_mass_g * (1.0 + 1e-9):
                faults.append(Fault(place(row.row, "sample_mass_g"), f"{filled.sample_mass_g:g}",
                                    "g", f"up to the device mass, {filled.device_mass_g:g} g",
                                    "Correct one of them."))  # fmt: skip
        if not missing:
            found.append(DeviceAmount(filled, _amount_mg(filled), filled.below))
    if faults:
        raise InputError(faults)
    return tuple(found)
