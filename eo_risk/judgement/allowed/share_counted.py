"""Which share of a residue counts against the limits: the whole, or what simulated use finds."""

from __future__ import annotations

from dataclasses import dataclass

from eo_risk.units import to_si


@dataclass(frozen=True)
class Counted:
    """The share of a residue that counts against the limits, and the words that say so."""

    share: float
    text: str


def counted(how: str = "whole", share_percent: float | None = None) -> Counted:
    """Return what of a residue counts: the whole of it, or what simulated use gives off.

    Parameters
    ----------
    how : str
        ``whole`` (as exhaustive extraction finds it) or ``simulated_use``.
    share_percent : float, optional
        Share that reaches the patient in simulated use; unknown, the whole counts. [%]

    Raises
    ------
    ValueError
        For another word, or a share outside 0 to 100 %.

    References
    ----------
    ISO 10993-7:2008, 4.4: simulated use is the reference method; exhaustive extraction stands
    for the case that all of the residue could reach the patient.
    """
    if how not in ("whole", "simulated_use"):
        raise ValueError(f"residue counted {how!r}; use whole or simulated_use")
    if how == "whole":
        return Counted(1.0, "the whole residue counts (as by exhaustive extraction)")
    if share_percent is None:
        return Counted(1.0, "simulated use is named without a share: the whole residue counts")
    if not 0.0 <= share_percent <= 100.0:
        raise ValueError(f"share reaching the patient is {share_percent:g} %; use 0 to 100 %")
    text = f"{share_percent:g} % of the residue counts (simulated use)"
    return Counted(to_si(share_percent, "%"), text)
