"""The still gas in the bore of a tube: what it lets through of what its wall gives off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.physics import properties
from eo_risk.physics.layer import Body
from eo_risk.plan.load_plan import Lumen
from eo_risk.units import STANDARD_ATMOSPHERE_PA


def bore_transfer_m_per_s(
    bore_m: np.ndarray, length_m: np.ndarray | float, gas_diffusivity_m2_per_s: np.ndarray
) -> np.ndarray:
    """Return the transfer coefficient through the still gas of a bore open at both ends. [m/s]

    The wall gives into the bore all along; the slowest profile of the gas in it lets pi^2 D / L^2
    of its content through per time, over the bore's wall d / 4 times that (Crank 1975, ch. 2).
    """
    return np.pi**2 * gas_diffusivity_m2_per_s * bore_m / (4.0 * length_m**2)


@dataclass(frozen=True)
class Bore:
    """Diameter and length of a bore that nobody flushes. [m], numbers or shape (samples,)"""

    bore_m: np.ndarray
    length_m: np.ndarray | float

    def transfer_m_per_s(self, kelvin: np.ndarray, inputs: ItemInputs) -> np.ndarray:
        """Return what its gas lets through at a temperature, at rest in air. [m/s]"""
        through = properties.gas_diffusivity_m2_per_s("eo", kelvin, STANDARD_ATMOSPHERE_PA,
                                                      inputs.draw)  # fmt: skip
        return bore_transfer_m_per_s(self.bore_m, self.length_m, through)


def bore_of(body: Body, length_m: np.ndarray | float) -> Bore:
    """Return the bore of a tube."""
    return Bore(2.0 * (np.asarray(body.outer_radius_m) - body.thickness_m), length_m)


def still_bore(body: Body, volume_m3: np.ndarray, lumen: Lumen | None) -> Bore | None:
    """Return the bore of a tube whose inner face counts as open, unless air is led through it.

    The tube is as long as its volume makes it.
    """
    if body.shape != "tube" or body.open_faces == "outer":
        return None
    if lumen is not None and lumen.aeration_flow_nl_per_min:
        return None
    outer, wall = np.asarray(body.outer_radius_m), np.asarray(body.thickness_m)
    section_m2 = np.pi * (outer**2 - (outer - wall) ** 2)
    return bore_of(body, volume_m3 / section_m2)
