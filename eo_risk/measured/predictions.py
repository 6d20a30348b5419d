"""Measured residues beside what a check predicted for the item."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from eo_risk.errors import Fault, InputError, unknown_name
from eo_risk.measured.device_amounts import DeviceAmount

_OF_THE_WHOLE = "; the prediction is of the whole residue, of which simulated use finds a part"


@dataclass(frozen=True)
class Beside:
    """Results of one substance at one hour beside its prediction, mg per device.

    Prediction and comparison are None where the check holds none for that hour;
    `inside_band` tells whether the geometric mean lies between the 5 and 95 % points, None
    also when a result below detection leaves that open.
    """

    substance: str
    hours: float
    n: int
    mean_mg: float
    highest_mg: float
    below: int
    p05: float | None
    p50: float | None
    p95: float | None
    inside_band: bool | None
    ratio: float | None
    text: str


def predicted_item(answer: Mapping[str, Any], name: str | None) -> Mapping[str, Any]:
    """Find an item in an answer of ``check``.

    Raises
    ------
    InputError
        When the answer is none, or the name is missing or unknown.
    """
    items = answer.get("items") if isinstance(answer, Mapping) else None
    if not items:
        raise InputError([Fault("--predicted", "no items", "",
                                "an answer of `eo-risk check --json`",
                                "Save that answer and name the file here.")])  # fmt: skip
    names = [str(item.get("name")) for item in items]
    if name is None and len(names) == 1:
        return items[0]
    if name not in names:
        raise InputError([unknown_name("--item", str(name), names, "Name an item of the answer.")])
    return items[names.index(name)]


def _of_curve(item: Mapping[str, Any], hours: float) -> dict[str, float] | None:
    curve = item.get("curve") or {}
    at = curve.get("hours") or []
    if not at or not at[0] <= hours <= at[-1]:
        return None
    return {key: float(np.interp(hours, at, curve["eo_mg"][key])) for key in ("p05", "p50", "p95")}


def _of_residue(item: Mapping[str, Any], substance: str) -> dict[str, float] | None:
    rows = [
        row for row in item.get("residues", [])
        if row["substance"] == substance and row["quantity"] == "mg_per_device"
        and row["model"] != "ceiling"
    ]  # fmt: skip
    # The row the verdict uses; among equals the one that leaves most.
    rows.sort(key=lambda row: (row["used_for_verdict"], row["p95"]))
    return {key: float(rows[-1][key]) for key in ("p05", "p50", "p95")} if rows else None


def _beside(
    substance: str, hours: float, found: Sequence[DeviceAmount], band: dict[str, float] | None,
    note: str,
) -> Beside:  # fmt: skip
    amounts = np.array([a.amount_mg for a in found])
    below = sum(a.below for a in found)
    mean = float(np.exp(np.log(amounts).mean()))
    if band is None:
        why = "no prediction for this hour: check a plan aerated that long"
        return Beside(substance, hours, len(found), mean, float(amounts.max()), below, None, None,
                      None, None, None, why)  # fmt: skip
    inside: bool | None = band["p05"] <= mean <= band["p95"]
    if below and mean > band["p05"]:
        inside = None
    words = {True: "inside the predicted band", None: "results below detection leave it open",
             False: "above" if mean > band["p95"] else "below"}[inside]  # fmt: skip
    text = f"{words}{' the predicted band' if inside is False else ''}{note}"
    ratio = None if below or band["p50"] <= 0.0 else mean / band["p50"]
    return Beside(substance, hours, len(found), mean, float(amounts.max()), below, **band,
                  inside_band=inside, ratio=ratio, text=text)  # fmt: skip


def beside_prediction(
    amounts: Sequence[DeviceAmount], item: Mapping[str, Any]
) -> tuple[Beside, ...]:
    """Put every substance and hour of the results beside the prediction of a check.

    Parameters
    ----------
    amounts : sequence of DeviceAmount
        Results of any substance.
    item : mapping
        One item of an answer of ``check``, in user units.

    Returns
    -------
    tuple of Beside
        EO is compared at its hour along the predicted curve; ECH and EG with the prediction
        at the end of the planned aeration, which says so.
    """
    found = []
    for substance in sorted({a.row.substance for a in amounts}):
        for hours in sorted({a.row.aeration_h for a in amounts if a.row.substance == substance}):
            chosen = [a for a in amounts
                      if a.row.substance == substance and a.row.aeration_h == hours]  # fmt: skip
            if substance == "EO":
                partial = any(a.row.extraction == "simulated_use" for a in chosen)
                band, note = _of_curve(item, hours), _OF_THE_WHOLE if partial else ""
            else:
                band = _of_residue(item, substance)
                note = "; the prediction is for the end of the planned aeration"
            found.append(_beside(substance, hours, chosen, band, note))
    return tuple(found)
