"""One published figure, for another patient and another number of devices.

ISO 10993-7:2008/Amd 1:2019 wants the figure of the adult scaled by body mass. The general route
of ISO 10993-17:2002 starts from a tolerable intake. Both are computed; the stricter stands. A
patient heavier than the adult and fewer devices than usual never raise a figure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from eo_risk import units


def intake_limit_mg(
    intake_mg_per_kg_d: float, body_mass_kg: float, factor: float | None
) -> float:
    """Return what one device may give per day by the intake route. [mg]

    Parameters
    ----------
    intake_mg_per_kg_d : float
        Tolerable intake, the sum over all devices. [mg/kg/d]
    body_mass_kg : float
        Of the patient. [kg]
    factor : float
        Concomitant factor: the share one device may use, one over their number. [-]

    Raises
    ------
    ValueError
        Without the factor: a tolerable intake is never the limit of one device.

    References
    ----------
    ISO 10993-17:2002, tolerable exposure = intake x body mass x utilisation factor.
    """
    if factor is None or not 0.0 < factor <= 1.0:
        raise ValueError(
            "a tolerable intake needs the concomitant factor (0.2 by default, 1/n for n devices)"
        )
    return intake_mg_per_kg_d * body_mass_kg * factor


def intake_of(row: Mapping[str, Any], intakes: Sequence[Mapping[str, Any]]) -> Mapping | None:
    """Find the tolerable intake behind a figure; None when there is none to use."""
    for intake in intakes:
        if (intake["substance"], intake["period"]) == (row["substance"], row["period"]):
            return intake
    return None


def allowed(
    row: Mapping[str, Any], head: Mapping[str, Any], intake: Mapping | None, body_mass_kg: float,
    devices: int | None,
) -> tuple[float, str]:  # fmt: skip
    """Carry one figure to a patient and a number of devices; never above the figure.

    Parameters
    ----------
    row : mapping
        One row of a file of limits: ``limit``, ``unit``, ``quantity`` and the ``body_mass_kg``
        it is made for, that of `head` without.
    head : mapping
        ``body_mass_kg`` and ``devices_default`` of the edition.
    intake : mapping or None
        The tolerable intake behind this figure. [mg/kg/d]
    body_mass_kg : float
        Of the patient. [kg]
    devices : int or None
        EO-sterilised devices used together, `devices_default` when unknown.

    Returns
    -------
    (float, str)
        The figure in the unit of the row, and how it was made.
    """
    figure, unit, usual = float(row["limit"]), row["unit"], head["devices_default"]
    adult = row.get("body_mass_kg") or head["body_mass_kg"]
    count = usual if devices is None else devices
    # What is meant per area or per lens acts where it lies: no body mass, no sum over devices.
    local = row["quantity"] != "mg_per_device"
    if local or (body_mass_kg >= adult and count <= usual):
        return figure, "published figure" if local else f"published figure, {adult:g} kg"
    mass = min(body_mass_kg, adult)
    value, how = figure * mass / adult, f"{figure:g} {unit} x {mass:g}/{adult:g} kg"
    if intake is None:
        if count > usual:
            value, how = value * usual / count, f"{how} x {usual}/{count} devices"
        return value, how
    by_intake = units.convert(intake_limit_mg(intake["value"], mass, 1.0 / count), "mg", unit)
    if by_intake < value:
        how = f"tolerable intake {intake['value']:g} mg/kg/d x {mass:g} kg x 1/{count} devices"
        return by_intake, f"{how}, stricter than {value:.4g} {unit} by body mass"
    return value, f"{how}, stricter than {by_intake:.4g} {unit} by tolerable intake"
