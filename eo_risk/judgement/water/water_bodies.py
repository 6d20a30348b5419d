"""One body of water under EO: what it meets, and what becomes of it as film or as plug.

The film is the careful value for glycol, the plug for EO still dissolved.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.judgement.water import leftover
from eo_risk.judgement.water.drying_steps import LumenWater
from eo_risk.physics import chemistry, properties
from eo_risk.physics.chamber_water import MetByWater
from eo_risk.physics.gas import bulk_flow_factor, partial_pressure_pa
from eo_risk.physics.plug import PlugStage, run_plug

_RATE_NAMES = (
    "eo.hydrolysis_neutral", "eo.hydrolysis_acid", "eo.hydrolysis_base", "eo.chloride",
    "ech.closure", "eo.chloride_acid",
)  # fmt: skip


_THINNEST_PLUG = 0.02  # of the bore


@dataclass(frozen=True, eq=False)
class WaterStage:
    """What water meets in one stage, shared by every body of water of the load."""

    stage: LoadStage
    ratio: np.ndarray
    gas_diffusivity: np.ndarray
    water_diffusivity: np.ndarray
    rates: chemistry.Rates
    hydrogen: np.ndarray
    in_chamber: bool
    met: MetByWater
    carried: float | None = None  # hydrogen ion of acid or alkali left from the rinse [mol/m3]

    @property
    def acid(self) -> np.ndarray:
        """Hydrogen ion of the gas or of the rinse, the larger. [mol/m3]"""
        return self.hydrogen if self.carried is None else np.maximum(self.hydrogen, self.carried)

    @cached_property
    def gas_level(self) -> np.ndarray:
        """Mean EO in the gas outside. [kg/m3]"""
        return 0.5 * (self.stage.eo_start_kg_per_m3 + self.stage.eo_end_kg_per_m3)

    @cached_property
    def equilibrium(self) -> np.ndarray:
        """EO in water at equilibrium with that gas. [kg/m3]"""
        return self.ratio * self.gas_level

    @cached_property
    def diethylene_ratio(self) -> np.ndarray:
        """Reactivity of glycol over that of water. [-]"""
        return properties.diethylene_glycol_ratio(self.stage.temperature_k)

    @cached_property
    def fresh_hydrolysis(self) -> np.ndarray:
        """Rate of EO to glycol in water without chloride. [1/s]"""
        return hydrolysis_rate(self, 0.0)


def water_stages(timeline: Timeline, draw, co2_share: float) -> tuple[WaterStage, ...]:
    """Prepare every stage from the injection on.

    `co2_share` is moles of CO2 per mole of EO in the sterilant.
    """
    first, last = timeline.exposure_first, timeline.exposure_last
    stages = timeline.followed
    molar = draw("eo.molar_mass")
    fluids = leftover.fluids(draw)
    made = []
    for index, stage in enumerate(stages):
        kelvin = stage.temperature_k
        pressure = 0.5 * (stage.pressure_start_pa + stage.pressure_end_pa)
        level = 0.5 * (stage.eo_start_kg_per_m3 + stage.eo_end_kg_per_m3)
        eo_pa = partial_pressure_pa(level, stage.gas_temperature_k, molar)
        during = index <= last - first
        co2_pa = eo_pa * co2_share if during else np.zeros_like(kelvin)
        acid = properties.co2_acid_product(kelvin, co2_pa, draw)
        product = properties.ion_product(kelvin, draw)
        values = [properties.rate(name, kelvin, draw) for name in _RATE_NAMES]
        made.append(
            WaterStage(
                stage,
                properties.water_gas_ratio(kelvin, draw),
                properties.gas_diffusivity_m2_per_s("eo", kelvin, pressure, draw)
                * bulk_flow_factor(eo_pa / pressure if during else 0.0),
                properties.eo_diffusivity_water_m2_per_s(kelvin, draw),
                chemistry.Rates(*values, product),
                np.sqrt(acid + product),
                during,
                MetByWater(stage, fluids),
            )
        )
    return tuple(made)


@dataclass(frozen=True)
class Course:
    """One way through a timeline, as planned or far: a timeline of its own, and its `rows`
    among the outputs of all stages that are followed."""

    timeline: Timeline
    followed: tuple[WaterStage, ...]
    rows: np.ndarray

    @cached_property
    def waters(self) -> tuple[WaterStage, ...]:
        """The stages of this way, as water meets them."""
        return tuple(self.followed[row - 1] for row in self.rows[1:])

    def held_at(self, ph: float | None) -> Course:
        """Return it as water meets it that holds acid or alkali of a pH; None: as it comes."""
        if ph is None:
            return self
        return replace(self, followed=tuple(held_ph(water, ph) for water in self.followed))

    def without_gas(self) -> Course:
        """Return it as behind a packaging that lets no EO through."""
        def closed(stage: LoadStage) -> LoadStage:
            nothing = np.zeros_like(stage.eo_end_kg_per_m3)
            return replace(stage, eo_start_kg_per_m3=nothing, eo_end_kg_per_m3=nothing)

        chamber = tuple(map(closed, self.timeline.chamber))
        followed = tuple(replace(water, stage=closed(water.stage)) for water in self.followed)
        return replace(self, timeline=replace(self.timeline, chamber=chamber), followed=followed)


@dataclass(frozen=True)
class Body:
    """One body of water in one form: EO dissolved and reacted over the outputs. [kg]

    Shape (outputs, samples); `ech_*` at the end, shape (samples,).
    """

    eo: np.ndarray
    reacted: np.ndarray
    ech_unbuffered: np.ndarray
    ech_buffered: np.ndarray
    diethylene: np.ndarray | float = 0.0  # diethylene glycol of a film, at the end
    removed: np.ndarray | float = 0.0  # of `reacted`: glycol that left with air, where credited

    @property
    def glycol(self) -> np.ndarray:
        """EO that turned into glycol still there. [kg], shape (outputs, samples)"""
        return self.reacted - self.removed


Escape = Callable[[WaterStage], np.ndarray]


def salted(water: WaterStage, salt: np.ndarray | float, draw) -> WaterStage:
    """Return a stage as salt water meets it: less EO dissolves, and it reacts a little faster.

    `salt` in mol/m3.
    """
    if not np.any(salt):
        return water
    rates = replace(
        water.rates, neutral=water.rates.neutral * properties.salted_hydrolysis(salt, draw)
    )
    return replace(water, ratio=water.ratio * properties.salting_out(salt, draw), rates=rates)


def held_ph(water: WaterStage, ph: float | None) -> WaterStage:
    """Return a stage as water meets it that holds acid or alkali of a pH; None: as it comes.

    A pH adds to what the gas does to the water and takes nothing away: how much alkali would
    stand against the acid of CO2 nobody knows, so each rate takes the faster of the two.
    """
    return water if ph is None else replace(water, carried=10.0 ** (3.0 - ph))  # mol/L to mol/m3


def hydrolysis_rate(water: WaterStage, chloride: np.ndarray | float) -> np.ndarray:
    """Return the rate of EO to glycol in water of a chloride concentration. [1/s]"""
    eo = water.equilibrium / properties.central("eo.molar_mass")

    def held_at(hydrogen: np.ndarray | float) -> np.ndarray:
        hydroxide = chemistry.hydroxide_mol_per_m3(water.rates, eo, chloride, hydrogen)
        return chemistry.hydrolysis_per_s(water.rates, hydrogen, hydroxide)

    own = held_at(water.hydrogen)
    return own if water.carried is None else np.maximum(own, held_at(water.carried))


def concentration(
    chloride_mol: np.ndarray | float, volume_m3: np.ndarray, inputs: ItemInputs
) -> np.ndarray | float:
    """Return the chloride of water that may have shrunk, up to saturated brine. [mol/m3]"""
    if not np.any(chloride_mol):
        return 0.0
    volume = np.maximum(volume_m3, np.finfo(float).tiny ** 0.5)
    return np.minimum(chloride_mol / volume, inputs.draw("brine.chloride"))


@dataclass(frozen=True)
class FilmChemistry:
    """What happens in each volume of a film, however much of it there is.

    `stalled_mol_per_m3` is the chlorohydrin at which unbuffered water stalls, shape (samples,).
    """

    run: chemistry.FilmRun
    stalled_mol_per_m3: np.ndarray
    diethylene_ratio: np.ndarray  # shape (stages, samples) [-]


def film_chemistry(
    waters: Sequence[WaterStage], escape: Escape, salt: np.ndarray | float, inputs: ItemInputs
) -> FilmChemistry:
    """Run a well mixed film of a chloride concentration, which gives off with `escape`."""
    molar_eo = inputs.draw("eo.molar_mass")
    salty = np.any(salt)
    stages = []
    stalled = np.zeros(inputs.samples)
    for water in (salted(w, salt, inputs.draw) for w in waters):
        rate = hydrolysis_rate(water, salt) if salty else water.fresh_hydrolysis
        chloride_rate = water.rates.chloride + water.rates.chloride_acid * water.acid
        stages.append(
            chemistry.FilmStage(
                water.stage.duration_s,
                water.equilibrium,
                0.0 if water.in_chamber else escape(water),
                rate,
                chloride_rate / molar_eo,
            )
        )
        if water.in_chamber and salty:
            here = chemistry.stalled_chlorohydrin_mol_per_m3(
                water.rates, water.equilibrium / molar_eo, salt
            )
            stalled = np.maximum(stalled, here)
    ratio = np.stack([water.diethylene_ratio for water in waters])
    return FilmChemistry(chemistry.run_film(stages, inputs.samples), stalled, ratio)


def film_of(
    volume_m3: np.ndarray, found: FilmChemistry, chloride_mol: np.ndarray | float,
    inputs: ItemInputs, volumes_m3: Sequence[np.ndarray] | None = None,
) -> Body:  # fmt: skip
    """Return one body of water as a film of known chemistry.

    `volumes_m3` follows an open film that evaporates: one volume per output.
    """
    run, samples = found.run, inputs.samples
    unbuffered, buffered = chemistry.chlorohydrin_kg(
        run.chloride_turned[-1], chloride_mol * np.ones(samples),
        found.stalled_mol_per_m3 * volume_m3, inputs.draw("ech.molar_mass"),
    )  # fmt: skip
    wet = volume_m3 > 0.0
    volumes = volume_m3 + np.zeros_like(run.eo_kg_per_m3)
    if volumes_m3 is None:
        eo, reacted = run.eo_kg_per_m3 * volume_m3, run.reacted_kg_per_m3 * volume_m3
    else:
        volumes = np.stack(volumes_m3)
        made = np.diff(run.reacted_kg_per_m3, axis=0) * 0.5 * (volumes[1:] + volumes[:-1])
        reacted = np.concatenate([np.zeros((1, samples)), np.cumsum(made, axis=0)])
        eo = run.eo_kg_per_m3 * volumes
    eo_molar, eg, deg = (inputs.draw(f"{name}.molar_mass") for name in ("eo", "eg", "deg"))
    diethylene = chemistry.diethylene_glycol_made_kg(
        reacted * (eg / eo_molar), volumes, found.diethylene_ratio,
        inputs.draw("water.molar_concentration"), (eg, deg),
    )  # fmt: skip
    return Body(eo, reacted, unbuffered * wet, buffered * wet, diethylene)


def film_body(
    volume_m3: np.ndarray, waters: Sequence[WaterStage], escape: Escape,
    chloride_mol: np.ndarray | float, inputs: ItemInputs,
    volumes_m3: Sequence[np.ndarray] | None = None,
) -> Body:  # fmt: skip
    """Run one body of water as a well mixed film. `escape(water_stage)` is its time constant."""
    salt = concentration(chloride_mol, volume_m3, inputs)
    found = film_chemistry(waters, escape, salt, inputs)
    return film_of(volume_m3, found, chloride_mol, inputs, volumes_m3)


def open_escape(water: WaterStage) -> np.ndarray:
    """Return the time in which an open film follows the gas. [s]"""
    return np.full_like(water.ratio, properties.central("open_film.follow_time"))


def plug_stages(
    waters: Sequence[WaterStage], chloride: np.ndarray | float, samples: int,
    some: np.ndarray | slice = slice(None),
) -> list[PlugStage]:  # fmt: skip
    """Return stages as a plug of a chloride concentration meets them, for some samples."""
    return [
        PlugStage(*(np.broadcast_to(value, samples)[some] for value in (
            w.stage.duration_s, w.stage.eo_start_kg_per_m3, w.stage.eo_end_kg_per_m3,
            w.gas_diffusivity, w.water_diffusivity, w.ratio, hydrolysis_rate(w, chloride))),
            after=w.stage.after)
        for w in waters
    ]  # fmt: skip


def _run_plug(
    at: LumenWater, volume_m3: np.ndarray, waters: Sequence[WaterStage], timeline: Timeline,
    chloride: np.ndarray | float,
) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
    """Run one lumen's water behind its gas column: EO dissolved and reacted. [kg]

    Shape (outputs, samples); NaN where the plug is too thin to be one.
    """
    faces = at.faces
    section = np.pi / 4.0 * at.bore_m**2
    long = np.minimum(volume_m3 / section, 0.999 * at.length_m)
    path = np.maximum((at.length_m - long) / faces, 1e-3 * at.length_m)
    first, last = timeline.exposure_first, timeline.exposure_last
    filled = timeline.chamber[first]
    share = 1.0 - np.minimum(filled.pressure_start_pa / filled.pressure_end_pa, 1.0)
    # A thinner plug than this is a film on the meniscus; dry samples need no run at all.
    some = np.flatnonzero(volume_m3 > _THINNEST_PLUG * section * at.bore_m)
    found = np.full((2, len(waters) + 1, volume_m3.size), np.nan)
    if some.size:
        # The injection itself is not part of the plug's run.
        stages = [
            stage if stage.after is None else replace(stage, after=stage.after - 1)
            for stage in plug_stages(waters[1:], chloride, volume_m3.size, some)
        ]
        run = run_plug(volume_m3[some], at.bore_m[some], path[some], faces, stages,
                       start_gas_kg_per_m3=timeline.chamber[last].eo_end_kg_per_m3[some],
                       filled_share=np.maximum(share, 1e-6)[some])  # fmt: skip
        for rows, amount in zip(found, (run.eo_kg, run.reacted_kg), strict=True):
            rows[:, some] = np.concatenate([amount[:1], amount])
    return found[0], found[1]


class Plugs:
    """The plugs of one item, each run once through every stage that is followed."""

    def __init__(self, course: Course, inputs: ItemInputs):
        self._course, self._inputs = course, inputs
        self._runs: dict[int, tuple[np.ndarray, np.ndarray]] = {}

    def body(
        self, at: LumenWater, volume_m3: np.ndarray, chloride: np.ndarray | float, film: Body,
        rows: np.ndarray,
    ) -> Body:  # fmt: skip
        """Return one lumen's water as a plug at some of the outputs.

        `film` is the same water as a film there, for what is too thin for a plug.
        """
        if id(at) not in self._runs:
            brine = [salted(w, chloride, self._inputs.draw) for w in self._course.followed]
            run = _run_plug(at, volume_m3, brine, self._course.timeline, chloride)
            self._runs[id(at)] = run
        eo, reacted = (amount[rows] for amount in self._runs[id(at)])
        eo = np.where(np.isnan(eo), film.eo, eo)
        reacted = np.where(np.isnan(reacted), film.reacted, reacted)
        ratio = reacted[-1] / np.maximum(film.reacted[-1], np.finfo(float).tiny)
        ratio = np.clip(ratio, 0.0, 1.0)
        return Body(eo, reacted, film.ech_unbuffered * ratio, film.ech_buffered * ratio)


def added(first: Body | None, second: Body) -> Body:
    if first is None:
        return second
    return Body(first.eo + second.eo, first.reacted + second.reacted,
                first.ech_unbuffered + second.ech_unbuffered,
                first.ech_buffered + second.ech_buffered,
                first.diethylene + second.diethylene, first.removed + second.removed)  # fmt: skip


def ceiling_kg(
    water_kg: np.ndarray, density: np.ndarray, waters: Sequence[WaterStage], inputs: ItemInputs,
    chloride_mol: np.ndarray | float,
) -> np.ndarray:  # fmt: skip
    """Return the ceiling of EG at the coldest stage of the exposure. [kg]

    The rate counts acid, base and salt, or the ceiling could lie below a film in saline.
    """
    salt = concentration(chloride_mol, water_kg / density, inputs)
    inside = [w for w in waters if w.in_chamber]
    cold = inside[0]
    exposure_s = sum(w.stage.duration_s for w in inside)
    level = np.max(np.stack([w.stage.eo_end_kg_per_m3 for w in inside]), axis=0)
    mass_ratio = inputs.draw("eg.molar_mass") / inputs.draw("eo.molar_mass")
    inside = [salted(w, salt, inputs.draw) for w in inside]
    fastest = np.max(np.stack([hydrolysis_rate(w, salt) for w in inside]), axis=0)
    return chemistry.glycol_ceiling_kg(water_kg / density, cold.ratio, level, fastest, exposure_s,
                                       mass_ratio)  # fmt: skip
