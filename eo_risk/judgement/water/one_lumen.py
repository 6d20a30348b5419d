"""One lumen by itself, as a command is told of it: its water, its air, and how that dries it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from eo_risk import reference
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.water import leftover
from eo_risk.physics.drying import LumenDrying
from eo_risk.physics.properties import water_density_kg_per_m3
from eo_risk.physics.water import bore_volume_m3
from eo_risk.units import STANDARD_ATMOSPHERE_PA, to_si


def most_water_kg(bore_mm: float, length_mm: float) -> float:
    """Return the water that fills a bore where it is densest. [kg]"""
    volume_m3 = bore_volume_m3(to_si(bore_mm, "mm"), to_si(length_mm, "mm"))
    densest_k = reference.record("liquid_water.densest_temperature").value_si
    return float(volume_m3 * water_density_kg_per_m3(densest_k))


@dataclass(frozen=True)
class LumenTold:
    """What is told of a lumen, in the units of the flags; None is unknown.

    A weighed `water_mg` stands in for how it was emptied, a measured flow for a pressure.
    """

    bore_mm: float
    length_mm: float
    open_ends: int = 2
    blocked: bool = False
    how: str | None = None
    pushes: int | None = None
    emptied_seconds: float | None = None
    emptied_bar: float | None = None
    emptied_flow: float | None = None
    orientation: str | None = None
    hubs: int = 0
    water_mg: float | None = None
    scale_error_mg: float = 0.0
    pressure_bar: float | None = None
    flow_nl_per_min: float | None = None
    minutes: float = 0.0
    target_mg: float | None = None
    air_c: float | None = None
    air_rh_percent: float | None = None
    outer_diameter_mm: float | None = None


class OneLumen:
    """One lumen as told, with every unknown drawn from its assumed range. SI."""

    def __init__(self, told: LumenTold, samples: int, seed: int):
        self.told = told
        self.draw = Draw(seed, samples).item("lumen")
        self.inputs = ItemInputs(self.draw)
        self.numbers = leftover.fluids(self.draw)
        self.bore_m, self.length_m = (
            np.full(samples, to_si(told_mm, "mm")) for told_mm in (told.bore_mm, told.length_mm)
        )
        self.air_k = self.inputs.number(
            "--air-temperature-c", told.air_c, "C", "assumed.air_temperature"
        )
        self.humidity = self.inputs.number(
            "--air-rh-percent", told.air_rh_percent, "%", "assumed.compressed_air_rh"
        )
        self.passes_air = told.open_ends == 2 and not told.blocked
        self.seconds = to_si(told.minutes, "min")

    @property
    def full_kg(self) -> np.ndarray:
        """Water that fills the bore. [kg]"""
        density = self.numbers.water_density_kg_per_m3(self.air_k)
        return bore_volume_m3(self.bore_m, self.length_m) * density

    def start_kg(self) -> np.ndarray:
        """Water before the drying air. [kg]"""
        told = self.told
        if told.water_mg is not None:
            return self.inputs.weighed("--water-mg", told.water_mg, "--scale-error-mg",
                                       told.scale_error_mg)  # fmt: skip
        pressure = leftover.emptying_pressure_pa(
            self.draw, self.numbers, self.bore_m, self.length_m, told.emptied_flow,
            told.emptied_bar, air_k=self.air_k, ambient_pa=STANDARD_ATMOSPHERE_PA,
        )  # fmt: skip
        emptying = leftover.Emptying(
            told.how, told.pushes, told.emptied_seconds, pressure, told.orientation
        )
        return leftover.lumen_start_kg(
            self.draw, self.bore_m, self.length_m, emptying, open_ends=told.open_ends,
            blocked=told.blocked, hubs=told.hubs, temperature_k=self.air_k,
        )  # fmt: skip

    def blown_kg(self, start_kg: np.ndarray) -> np.ndarray:
        """Water once the first seconds of drying air have thrown out what moves. [kg]

        Credited to an estimate only, and only to air whose pressure or flow was told.
        """
        told = self.told
        air_told = told.pressure_bar is not None or told.flow_nl_per_min is not None
        if told.water_mg is not None or not air_told or not self.passes_air:
            return start_kg
        return leftover.blown_out_kg(self.draw, start_kg, self.full_kg)

    def flow_kg_per_s(self) -> np.ndarray:
        """Flow as measured, or as the pressure drives it without losses. [kg/s]"""
        measured = self.told.flow_nl_per_min
        if measured is not None:
            return leftover.normal_flow_kg_per_s(self.draw, to_si(measured, "NL/min"))
        gauge_pa = self.inputs.number(
            "--air-pressure-gauge-bar", self.told.pressure_bar, "bar", "assumed.air_pressure"
        )
        return leftover.pressure_flow_kg_per_s(
            self.draw, self.numbers, self.bore_m, self.length_m, gauge_pa, air_k=self.air_k,
            ambient_pa=STANDARD_ATMOSPHERE_PA,
        )  # fmt: skip

    def outer_diameter_m(self) -> np.ndarray:
        """Outer diameter of the tube; a wall is assumed where it is unknown. [m]"""
        told = self.told.outer_diameter_mm
        if told is not None:
            return np.full(self.draw.samples, to_si(told, "mm"))
        wall_m = self.inputs.number("wall of the lumen", None, "mm", "assumed.wall")
        return self.bore_m + 2.0 * wall_m

    def drying(self, start_kg: np.ndarray, *, losses: bool = True) -> LumenDrying:
        """Return how its air dries it; without `losses` all of the flow is at work."""
        measured = self.told.flow_nl_per_min is not None
        return leftover.air_drying(
            self.draw, self.numbers, self.blown_kg(start_kg), self.bore_m, self.length_m,
            self.flow_kg_per_s(), flow_measured=measured or not losses, air_k=self.air_k,
            relative_humidity=self.humidity, ambient_pa=STANDARD_ATMOSPHERE_PA,
            outer_diameter_m=self.outer_diameter_m(), passes_air=self.passes_air,
        )  # fmt: skip

    def seconds_to(self, target_mg: float, drying: LumenDrying) -> np.ndarray:
        """Return how much longer that air must flow until no more than this is left. [s]"""
        return np.maximum(drying.seconds_to(to_si(target_mg, "mg")) - self.seconds, 0.0)
