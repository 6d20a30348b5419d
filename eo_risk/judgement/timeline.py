"""What the load meets, stage by stage: time, its own temperature, EO level, pressure.

The plan's cycle and aeration become one list of stages shared by every item. The load
follows the temperature around it with a first-order lag, so a stage that is long against
the lag is cut into sub-stages, each at the exact mean temperature of the load in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.water import leftover
from eo_risk.physics.gas import (
    lagged_temperature_k,
    mole_fraction,
    partial_pressure_pa,
    wash_fraction_left,
)
from eo_risk.physics.properties import central, water_saturation_pa
from eo_risk.plan.load_plan import AerationStep, LoadPlan

# Shares of an exposure or aeration step at which it is cut: while the load warms up the cuts
# are close, and every cut of the aeration is a point of the curves.
_EXPOSURE_CUTS = (0.1, 0.4, 1.0)
_FIRST_AERATION_CUTS = (0.02, 0.06, 0.14, 0.26, 0.42, 0.6, 0.8, 1.0)
_LATER_AERATION_CUTS = (0.15, 0.5, 1.0)
# A step that is long against the time in which the load follows the temperature around it is cut
# first at this share of that time, then each time at most so many times as late.
_EARLY = 0.25
_FIRST_RATIO, _LATER_RATIO = 1.5, 2.0
# Air washes beyond this number carry almost no EO and are run as one stage.
_WASHES_APART = 4
# Records that stand for blank minutes of the cycle, by its field.
CYCLE_MINUTES = {"evacuation_min": "assumed.evacuation_time",
                 "conditioning_min": "assumed.conditioning_time",
                 "injection_min": "assumed.injection_time",
                 "transfer_min": "assumed.transfer_time"}  # fmt: skip


@dataclass(frozen=True)
class LoadStage:
    """One stage as the load meets it; arrays have shape (samples,).

    `temperature_k` is the load's own mean temperature, `gas_temperature_k` that of the gas
    around it; EO levels are those of the gas outside the packaging, `co2_pa` the partial
    pressure of carbon dioxide during exposure.
    """

    name: str
    duration_s: np.ndarray
    temperature_k: np.ndarray
    gas_temperature_k: np.ndarray
    eo_start_kg_per_m3: np.ndarray
    eo_end_kg_per_m3: np.ndarray
    pressure_start_pa: np.ndarray
    pressure_end_pa: np.ndarray
    relative_humidity: np.ndarray
    step: int | None = None  # index of the aeration step, None in the chamber
    still_air: bool = False  # nothing moves the air around the load: a shelf, a room
    after: int | None = None  # stage it starts from, counted from the injection; None: the last


@dataclass(frozen=True)
class Timeline:
    """The chamber stages and the aeration stages of one load.

    `far` goes on from the first `branch` aeration stages, instead of those after them, far
    beyond the hours planned. Outputs are the start of the injection and the end of every
    stage from it, those of `far` last.
    """

    chamber: tuple[LoadStage, ...]
    aeration: tuple[LoadStage, ...]
    exposure_first: int  # index of the first chamber stage that holds EO
    exposure_last: int  # index of the last stage of the gas exposure
    end_temperature_k: np.ndarray  # of the load when the chamber is opened
    lag_s: np.ndarray
    far: tuple[LoadStage, ...] = ()
    branch: int = 0

    @property
    def stages(self) -> tuple[LoadStage, ...]:
        """The stages as planned."""
        return self.chamber + self.aeration

    @property
    def injected(self) -> tuple[LoadStage, ...]:
        """The stages as planned, from the injection on."""
        return self.chamber[self.exposure_first :] + self.aeration

    @property
    def followed(self) -> tuple[LoadStage, ...]:
        """Every stage from the injection on, planned or far."""
        return self.injected + self.far

    @property
    def planned_rows(self) -> np.ndarray:
        """Outputs of the plan among those of all stages."""
        return np.arange(len(self.injected) + 1)

    @property
    def far_rows(self) -> np.ndarray:
        """Outputs on the way through the far stages among those of all stages."""
        before = len(self.chamber) - self.exposure_first + self.branch
        first = len(self.injected) + 1
        return np.concatenate([np.arange(before + 1), np.arange(first, first + len(self.far))])

    def as_planned(self) -> Timeline:
        """Return the timeline without the far stages."""
        return replace(self, far=(), branch=0)

    def as_far(self) -> Timeline:
        """Return the timeline whose aeration goes through the far stages."""
        far = tuple(replace(stage, after=None) for stage in self.far)
        return replace(self, aeration=self.aeration[: self.branch] + far, far=(), branch=0)

    @property
    def ways(self) -> tuple[tuple[Timeline, np.ndarray], ...]:
        """The way as planned and, where it is followed, the one far beyond, with their outputs."""
        planned = (self.as_planned(), self.planned_rows)
        return (planned, (self.as_far(), self.far_rows)) if self.far else (planned,)


class _Walk:
    """Walks along the cycle, carrying the load's temperature and the chamber pressure."""

    def __init__(self, load_k: np.ndarray, lag_s: np.ndarray, pressure_pa: np.ndarray):
        self.load_k, self.lag_s, self.pressure_pa = load_k, lag_s, pressure_pa
        self.eo = np.zeros_like(load_k)
        self.stages: list[LoadStage] = []

    def go(
        self,
        name: str,
        duration_s: np.ndarray,
        gas_k: np.ndarray,
        *,
        eo_end: np.ndarray | None = None,
        pressure_end: np.ndarray | None = None,
        humidity: np.ndarray | float = 0.0,
        cuts: Sequence[float] = (1.0,),
        step: int | None = None,
        still_air: bool = False,
    ) -> None:
        shape = self.load_k.shape
        eo_first, pressure_first = self.eo, self.pressure_pa
        eo_last = eo_first if eo_end is None else np.broadcast_to(eo_end, shape)
        pressure_last = (
            pressure_first if pressure_end is None else np.broadcast_to(pressure_end, shape)
        )
        start = 0.0
        for cut in cuts:
            part_s = np.maximum(duration_s * (cut - start), 0.0)
            mean_k, self.load_k = lagged_temperature_k(self.load_k, gas_k, part_s, self.lag_s)
            if np.all(np.abs(mean_k - gas_k) < central("load.temperature_reached")):
                # The stages that follow are alike, and the layers take them in one step.
                mean_k = self.load_k = np.broadcast_to(gas_k, shape)
            self.stages.append(
                LoadStage(
                    name,
                    part_s,
                    mean_k,
                    np.broadcast_to(gas_k, shape),
                    eo_first + (eo_last - eo_first) * start,
                    eo_first + (eo_last - eo_first) * cut,
                    pressure_first + (pressure_last - pressure_first) * start,
                    pressure_first + (pressure_last - pressure_first) * cut,
                    np.broadcast_to(np.asarray(humidity, dtype=float), shape),
                    step,
                    still_air,
                )
            )
            start = cut
        self.eo, self.pressure_pa = eo_last, pressure_last


def ambient_pa(plan: LoadPlan) -> float:
    """Return the site's ambient pressure. [Pa]"""
    given = plan.rules.ambient_kpa
    return units.STANDARD_ATMOSPHERE_PA if given is None else units.to_si(given, "kPa")


def mixture_fraction(plan: LoadPlan) -> float:
    """Return the mole fraction of EO in the sterilant mixture. [-]"""
    gas = plan.cycle.gas
    if gas.balance == "none" or gas.eo_mass_percent == 100.0:
        return 1.0
    return float(
        mole_fraction(
            gas.eo_mass_percent / 100.0,
            central("eo.molar_mass"),
            central(f"{gas.balance}.molar_mass"),
        )
    )


def exposure_pressure_pa(
    plan: LoadPlan, evacuation_pa: np.ndarray, eo: np.ndarray, gas_k: np.ndarray
) -> np.ndarray:
    """Return the total pressure during exposure; computed where the plan does not give it."""
    if plan.cycle.total_pressure_kpa is not None:
        return np.full_like(gas_k, units.to_si(plan.cycle.total_pressure_kpa, "kPa"))
    eo_pa = partial_pressure_pa(eo, gas_k, central("eo.molar_mass"))
    return evacuation_pa + eo_pa / mixture_fraction(plan)


def _minutes(plan: LoadPlan, inputs: ItemInputs, key: str) -> np.ndarray:
    value = getattr(plan.cycle, key)
    return inputs.number(f"cycle.{key}", value, "min", CYCLE_MINUTES[key])


def _chamber(plan: LoadPlan, inputs: ItemInputs, walk: _Walk) -> tuple[int, int]:
    cycle, washes = plan.cycle, plan.cycle.washes
    gas_k = inputs.number("cycle.temperature_c", cycle.temperature_c, "C",
                          "assumed.cycle_temperature")  # fmt: skip
    low_pa = inputs.number("cycle.evacuation_kpa", cycle.evacuation_kpa, "kPa",
                           "assumed.evacuation_pressure")  # fmt: skip
    humidity = inputs.number("cycle.conditioning_rh_percent", cycle.conditioning_rh_percent, "%",
                             "assumed.chamber_rh")  # fmt: skip
    eo = inputs.number("cycle.eo_mg_per_l", cycle.eo_mg_per_l, "mg/L", "assumed.eo_concentration")
    total_pa = exposure_pressure_pa(plan, low_pa, eo, gas_k)
    if cycle.total_pressure_kpa is None:
        inputs.derived("cycle.total_pressure_kpa", units.from_si(total_pa, "kPa"), "kPa",
                       "by the evacuation and the gas let in")  # fmt: skip

    walk.go("evacuation", _minutes(plan, inputs, "evacuation_min"), gas_k,
            pressure_end=low_pa)  # fmt: skip
    dew_k = leftover.fluids(inputs.draw).boiling_k(humidity * water_saturation_pa(gas_k), gas_k)
    # Steam that condenses on a cold load warms it towards the dew point at once.
    share = inputs.draw("water.condensate.share")
    walk.load_k = walk.load_k + share * np.maximum(dew_k - walk.load_k, 0.0)
    walk.go("conditioning", _minutes(plan, inputs, "conditioning_min"), gas_k,
            humidity=humidity, cuts=(0.5, 1.0))  # fmt: skip
    first = len(walk.stages)
    walk.go("injection", _minutes(plan, inputs, "injection_min"), gas_k, eo_end=eo,
            pressure_end=total_pa, humidity=humidity)  # fmt: skip
    exposure_s = inputs.number("cycle.exposure_h", cycle.exposure_h, "h", "assumed.exposure")
    walk.go("gas exposure", exposure_s, gas_k, humidity=humidity, cuts=_EXPOSURE_CUTS)
    last = len(walk.stages) - 1
    if washes.count:
        _washes(plan, inputs, walk, gas_k)
    else:
        if washes.count is None:
            inputs.derived("cycle.washes.count", 0, "washes", "none is counted")
        # Without washes the gas is let out to ambient; none of the EO left is credited away.
        walk.go("opening", np.zeros_like(gas_k), gas_k, pressure_end=ambient_pa(plan))
    return first, last


def _washes(plan: LoadPlan, inputs: ItemInputs, walk: _Walk, gas_k: np.ndarray) -> None:
    washes = plan.cycle.washes
    low_pa = inputs.number("cycle.washes.low_kpa", washes.low_kpa, "kPa", "assumed.wash_low")
    high_pa = inputs.number("cycle.washes.high_kpa", washes.high_kpa, "kPa", "assumed.wash_high")
    each_s = inputs.number("cycle.washes.minutes_each", washes.minutes_each, "min",
                           "assumed.wash_minutes")  # fmt: skip
    for index in range(min(washes.count, _WASHES_APART)):
        repeats = 1.0
        if index == _WASHES_APART - 1:
            repeats = float(washes.count - index)
        # Pumping out thins the EO; letting air in leaves its amount per volume unchanged.
        left = walk.eo * wash_fraction_left(low_pa, walk.pressure_pa, repeats)
        walk.go("air wash", each_s * repeats / 2.0, gas_k, eo_end=left, pressure_end=low_pa)
        walk.go("air wash", each_s * repeats / 2.0, gas_k, pressure_end=high_pa)


def _aerated(
    steps: Sequence[AerationStep],
    inputs: ItemInputs,
    load_k: np.ndarray,
    lag_s: np.ndarray,
    pressure_pa: float,
    cuts: Sequence[float] | None = None,
    first: int = 0,
) -> _Walk:
    """Walk along aeration steps, the first of them step `first` of the plan."""
    walk = _Walk(load_k, lag_s, np.full_like(load_k, pressure_pa))
    for index, step in enumerate(steps, start=first):
        field = f"aeration[{index}]"
        gas_k = inputs.number(f"{field}.temperature_c", step.temperature_c, "C",
                              "assumed.aeration_temperature")  # fmt: skip
        hours = step.hours
        if hours is None:
            hours = 0.0
            inputs.derived(f"{field}.hours", hours, "h", "none is counted")
        duration_s = units.to_si(hours, "h")
        walk.go(f"aeration {index + 1}", np.full_like(load_k, duration_s), gas_k,
                cuts=_cuts(duration_s, first=index == 0) if cuts is None else cuts, step=index,
                still_air=step.place == "room")  # fmt: skip
    return walk


def _cuts(duration_s: float, *, first: bool) -> tuple[float, ...]:
    """Return the cuts of an aeration step, those of a long one in equal ratios of time.

    So what a fast item needs does not hang on how long the step goes on, and no mean temperature
    stands for hours in which the load warms up or cools down.
    """
    usual = _FIRST_AERATION_CUTS if first else _LATER_AERATION_CUTS
    early = _EARLY * central("load.temperature_lag")
    if usual[0] * duration_s <= early:
        return usual
    ratio = _FIRST_RATIO if first else _LATER_RATIO
    count = 1 + int(np.ceil(np.log(duration_s / early) / np.log(ratio)))
    return tuple(float(cut) for cut in np.geomspace(early / duration_s, 1.0, count))


def with_far(
    timeline: Timeline, plan: LoadPlan, inputs: ItemInputs, index: int, times_s: Sequence[float]
) -> Timeline:
    """Return a timeline that also goes on with aeration step `index` beyond its hours.

    `times_s` are the times since the end of those hours at which the load is looked at.
    """
    steps, ambient = plan.aeration[: index + 1], ambient_pa(plan)
    load_k = _aerated(steps, inputs, timeline.end_temperature_k, timeline.lag_s, ambient).load_k
    longer = steps[index].model_copy(update={"hours": times_s[-1] / units.SECONDS_PER_HOUR})
    cuts = [time / times_s[-1] for time in times_s]
    far = _aerated([longer], inputs, load_k, timeline.lag_s, ambient, cuts, index).stages
    branch = sum(stage.step <= index for stage in timeline.aeration)
    start = len(timeline.chamber) - timeline.exposure_first + branch - 1
    return replace(timeline, far=(replace(far[0], after=start), *far[1:]), branch=branch)


def build_timeline(plan: LoadPlan, inputs: ItemInputs) -> Timeline:
    """Turn a plan's cycle and aeration into the stages its load meets.

    An aeration step without hours is not credited; one without a temperature is taken at room
    temperature, and both are noted as assumed.
    """
    start_k = inputs.number("chamber.load_temperature_start_c",
                            plan.chamber.load_temperature_start_c, "C",
                            "assumed.load_start_temperature")  # fmt: skip
    lag_s = inputs.draw("load.temperature_lag")
    walk = _Walk(start_k, lag_s, np.full_like(start_k, ambient_pa(plan)))
    first, last = _chamber(plan, inputs, walk)
    room_k = inputs.draw("room.temperature")
    transfer_s = _minutes(plan, inputs, "transfer_min")
    walk.eo = np.zeros_like(walk.eo)
    walk.go("transfer", transfer_s, room_k, pressure_end=ambient_pa(plan))
    chamber, end_k = tuple(walk.stages), walk.load_k
    aeration = _aerated(plan.aeration, inputs, end_k, lag_s, ambient_pa(plan)).stages
    return Timeline(chamber, tuple(aeration), first, last, end_k, lag_s)
