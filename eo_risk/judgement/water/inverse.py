"""The other way round: how much leftover water, and how much air, keeps glycol below its reference.

The film value of EG is compared at 95 %, as in the answer itself; the water is taken as weighed
once the item is dried, spread over outside and lumens as the estimate spreads it and laid there as
a plan lays what was weighed: what is promised is what a check of that plan finds. Every answer here
ends with looking again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.change.search import largest_below, smallest
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.limits import Limit
from eo_risk.judgement.result import WaterAllowed
from eo_risk.judgement.water.drying_steps import (
    aired_further,
    blown_further,
    weighed_outside,
    with_beside,
)
from eo_risk.judgement.water.water_bodies import added
from eo_risk.judgement.water.wetness import DriedItem, ItemWater, wet_places
from eo_risk.physics import properties
from eo_risk.physics.water import bore_volume_m3
from eo_risk.plan.fields import named
from eo_risk.plan.load_plan import Item

LOOK_AGAIN = "then look again"
_QUANTILE = 0.95


def _glycol_kg(eo_kg: np.ndarray) -> float:
    """Return the 95 % point of the EG that so much EO turned into. [kg]"""
    return float(np.quantile(eo_kg * properties.glycol_per_eo(), _QUANTILE))


@dataclass(frozen=True)
class GlycolProblem:
    """The leftover water of one item and the EG it must not pass.

    `beside_kg` is the EO that turned into glycol in the material itself, shape (samples,). [kg]
    """

    item: Item
    water: ItemWater
    beside_kg: np.ndarray
    reference_kg: float
    basis: str
    ambient_pa: float

    @property
    def now_kg(self) -> float:
        """The 95 % point of EG as the plan stands. [kg]"""
        return _glycol_kg(self.water.film.glycol[-1])

    def glycol_kg(self, dried: DriedItem) -> float:
        """Return the 95 % point of EG, all water as film, at the end of the aeration. [kg]"""
        places = wet_places(dried, self.water.path, as_plug=False)
        film = reduce(added, (place.film for place in places))
        return _glycol_kg(film.glycol[-1] + self.beside_kg)

    def places(self) -> list[tuple[str, str]]:
        """Name the places water can be weighed in: the outside with its joints, every lumen."""
        lumens = [("plug", at.lumen.name) for at in self.water.dried.lumens]
        return [("outside", ""), *lumens]

    def shares(self) -> np.ndarray:
        """Return how the estimate spreads the water over `places`; sums to 1. [-]"""
        dried = self.water.dried
        masses = [dried.outside.total_kg, *(at.dried_kg for at in dried.lumens)]
        medians = np.array([float(np.median(mass)) for mass in masses])
        if not medians.any():
            # Nothing is left anywhere: water found after all is taken where it hides best.
            medians = np.array([0.0, *np.ones(len(dried.lumens))])
            medians[0] = 0.0 if dried.lumens else 1.0
        return medians / medians.sum()

    def holding(self, water_kg: float) -> DriedItem:
        """Return the item with a known mass of water in place of the estimate."""
        dried, inputs = self.water.dried, self.water.path.inputs.aside()
        outside_kg, *shares = water_kg * self.shares()
        outside = with_beside(self.item, inputs, weighed_outside(
            self.item, inputs, np.full(inputs.samples, outside_kg)))  # fmt: skip
        lumens = []
        for at, share in zip(dried.lumens, shares, strict=True):
            full = bore_volume_m3(at.bore_m, at.length_m) * self.water.path.density
            left = np.minimum(share, full)
            lumens.append(replace(at, dried_kg=left, start_kg=left))
        return DriedItem(outside, outside, tuple(lumens))

    def after_air(self, minutes: float, *, lumens: bool, outside: bool) -> DriedItem:
        """Return the item after more minutes of air through its lumens or around it."""
        dried, path = self.water.dried, self.water.path
        inputs = ItemInputs(path.inputs.draw)  # what it assumes is no assumption of the item
        allowed = named(self.item.instructions.highest_air_pressure_gauge_bar)
        through = dried.lumens
        if lumens:
            through = tuple(
                blown_further(at, i, minutes, allowed, inputs, path.fluids, self.ambient_pa)
                for i, at in enumerate(dried.lumens)
            )
        around = dried.outside
        if outside:
            around = aired_further(self.item, around, minutes, inputs, path.fluids, path.area_m2,
                                   self.ambient_pa)  # fmt: skip
        return DriedItem(dried.start, around, through)


def glycol_problem(
    item: Item, water: ItemWater, limits: Sequence[Limit], ambient_pa: float
) -> GlycolProblem | None:
    """Ask for the water of one item; None where no reference of EG has a figure."""
    row = next((limit for limit in limits if limit.substance == "EG" and limit.limit_si), None)
    if row is None:
        return None
    beside = np.zeros(water.path.inputs.samples)
    if water.sorbed is not None:
        beside = beside + water.sorbed.reacted[-1]
    return GlycolProblem(item, water, beside, row.limit_si, row.basis, ambient_pa)


def _air(problem: GlycolProblem) -> tuple[float | None, str]:
    """Return the fewest whole minutes of air that keep EG below, and which air. [min]

    Through the lumens where air passes every one of them, else (or also, where that is not
    enough) around the item.
    """
    longest = round(units.from_si(reference.record("advice.longest_drying").value_si, "min"))
    lumens = problem.water.dried.lumens
    passes = bool(lumens) and all(at.ways.passes_air for at in lumens)
    blow, lie = "compressed air through each lumen", "air around the item"
    ways = [(False, True, lie)]
    if passes:
        ways = [(True, False, blow), (True, True, f"{blow} and {lie}")]
    if problem.now_kg <= problem.reference_kg:
        return 0.0, ways[0][2]
    for through, around, words in ways:

        def enough(minutes: int, through: bool = through, around: bool = around) -> bool:
            dried = problem.after_air(float(minutes), lumens=through, outside=around)
            return problem.glycol_kg(dried) <= problem.reference_kg

        minutes = smallest(0, longest, enough)
        if minutes is not None:
            return float(minutes), words
    return None, ways[-1][2]


def water_allowed(problem: GlycolProblem) -> WaterAllowed:
    """Return the largest leftover water below the reference, and the air that reaches it."""
    largest = largest_below(lambda kg: problem.glycol_kg(problem.holding(kg)),
                            problem.reference_kg, units.to_si(1.0, "g"))  # fmt: skip
    minutes, air = _air(problem)
    longest = units.from_si(reference.record("advice.longest_drying").value_si, "min")
    without_kg = problem.glycol_kg(problem.holding(0.0))
    rules = without_kg > 0.5 * problem.reference_kg
    if largest is None:
        note = ("even without leftover water: condensate on a cold load or water in the material "
                f"passes it; warm the load up before the cycle, {LOOK_AGAIN}")  # fmt: skip
    elif rules:
        further = f" and dry it {minutes:g} min more by {air}" if minutes else ""
        note = ("condensate on a cold load or water in the material makes most of it; warm the "
                f"load up before the cycle{further}, {LOOK_AGAIN}")  # fmt: skip
    elif minutes is None:
        note = f"{longest:g} min of {air} do not reach it: dry it another way, {LOOK_AGAIN}"
    elif minutes == 0.0:
        note = f"the estimate is below it as planned: {LOOK_AGAIN}"
    else:
        note = f"{minutes:g} min more of {air}, {LOOK_AGAIN}"
    spread = ()
    if largest is not None and np.isfinite(largest):
        spread = tuple(
            (place, lumen, float(share * largest))
            for (place, lumen), share in zip(problem.places(), problem.shares(), strict=True)
            if share > 0.0
        )
    reached = 0.0 if largest is None else largest
    return WaterAllowed(
        problem.reference_kg, problem.basis, reached if np.isfinite(reached) else None, spread,
        minutes, air, note, rules,
    )  # fmt: skip
