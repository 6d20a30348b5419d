"""Leftover water of one item after emptying and every drying step the plan names."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference, units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.water import leftover
from eo_risk.judgement.water.beside import beside_water
from eo_risk.judgement.water.channels import Ways, ways_of
from eo_risk.physics import chamber_water, drying, water
from eo_risk.physics.moist_air import Fluids
from eo_risk.plan.load_plan import DryingStep, Item, Lumen


@dataclass(frozen=True)
class LumenWater:
    """One lumen: its bore and the water before and after drying. SI, shape (samples,)"""

    lumen: Lumen
    bore_m: np.ndarray
    length_m: np.ndarray
    start_kg: np.ndarray
    dried_kg: np.ndarray
    ways: Ways

    @property
    def faces(self) -> int:
        """Faces of its water that gas can reach; a closed lumen is taken to have one."""
        return max(self.ways.mouths, 1)


def _minutes(step: DryingStep, field: str, inputs: ItemInputs) -> np.ndarray:
    return inputs.number(f"{field}.minutes", step.minutes, "min", "assumed.drying_minutes")


def _air(
    step: DryingStep, field: str, inputs: ItemInputs, *, dry: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Return temperature and relative humidity of the air of one step."""
    warm = "assumed.cabinet_temperature" if step.method == "cabinet" else "assumed.air_temperature"
    air_k = inputs.number(f"{field}.air_temperature_c", step.air_temperature_c, "C", warm)
    humidity = inputs.number(f"{field}.air_rh_percent", step.air_rh_percent, "%",
                             "assumed.compressed_air_rh" if dry else "assumed.room_rh")  # fmt: skip
    return air_k, humidity


def _stay(step: DryingStep, field: str, inputs: ItemInputs, ambient_pa: float):
    """Describe a step without air through the lumen as a stay in still or moving air."""
    air_k, humidity = _air(step, field, inputs, dry=False)
    pressure = np.full(inputs.samples, ambient_pa)
    if step.method == "vacuum":
        pressure = inputs.number(f"{field}.vacuum_kpa", step.vacuum_kpa, "kPa",
                                 "assumed.vacuum_pressure")  # fmt: skip
        humidity = np.zeros(inputs.samples)
    if step.air_rh_percent is None and step.method == "cabinet":
        # A cabinet warms the air of the room: it holds no more vapour than that.
        room_k = inputs.draw("room.temperature")
        fluids = leftover.fluids(inputs.draw)
        humidity = humidity * fluids.saturation_pa(room_k) / fluids.saturation_pa(air_k)
        humidity = np.minimum(humidity, 1.0)
    return chamber_water.Stay(_minutes(step, field, inputs), air_k, air_k, pressure, pressure,
                              humidity)  # fmt: skip


def _blow(
    water_kg: np.ndarray, at: LumenWater, step: DryingStep, field: str, inputs: ItemInputs,
    fluids: Fluids, ambient_pa: float,
) -> np.ndarray:  # fmt: skip
    """Return the water left after compressed air was led through a lumen."""
    passes = at.ways.passes_air
    air_k, humidity = _air(step, field, inputs, dry=True)
    seconds = _minutes(step, field, inputs)
    measured = step.flow_nl_per_min is not None
    if measured:
        rate = units.to_si(step.flow_nl_per_min, "NL/min")
        flow = leftover.normal_flow_kg_per_s(inputs.draw, rate)
    else:
        gauge = inputs.number(f"{field}.pressure_gauge_bar", step.pressure_gauge_bar, "bar",
                              "assumed.air_pressure")  # fmt: skip
        flow = leftover.pressure_flow_kg_per_s(
            inputs.draw, fluids, at.bore_m, at.length_m, gauge, air_k=air_k, ambient_pa=ambient_pa
        ) / at.ways.sharing
    known = measured or step.pressure_gauge_bar is not None
    if passes and known and at.lumen.measured_mg is None and step.minutes:
        full = water.bore_volume_m3(at.bore_m, at.length_m) * fluids.water_density_kg_per_m3(air_k)
        water_kg = leftover.blown_out_kg(inputs.draw, water_kg, full)
    result = leftover.air_drying(
        inputs.draw, fluids, water_kg, at.bore_m, at.length_m, flow, flow_measured=measured,
        air_k=air_k, relative_humidity=humidity, ambient_pa=ambient_pa,
        # Heat comes in through the outside; the bore alone is the careful side of its area.
        outer_diameter_m=at.bore_m, passes_air=passes,
    )  # fmt: skip
    return np.where(seconds > 0.0, result.left_kg(seconds), water_kg)


def _note_blanks(lumen: Lumen, field: str, inputs: ItemInputs, *, passes: bool) -> None:
    """Note what a blank number of the emptying counts as, where the estimate reads it."""
    emptied = lumen.emptied
    if not passes:
        return  # then nothing of the emptying is counted
    if emptied.how == "syringe" and emptied.pushes is None:
        inputs.derived(f"{field}.emptied.pushes", 1, "pushes", "counts as one")
    if emptied.how in ("air", "suction") and emptied.seconds is None:
        long = reference.record(f"water.long_{emptied.how}.time")
        inputs.derived(f"{field}.emptied.seconds", (0.0, long.value), long.unit, "counts as short")
    told = (emptied.pressure_gauge_bar, emptied.flow_nl_per_min)
    if emptied.how == "air" and told == (None, None):
        inputs.as_record(f"{field}.emptied.pressure_gauge_bar", "assumed.air_pressure",
                         "by the share of water that air usually leaves")  # fmt: skip


def lumen_water(
    item: Item, index: int, inputs: ItemInputs, fluids: Fluids, ambient_pa: float
) -> LumenWater:
    """Return the water of one lumen before and after its drying steps."""
    lumen, field = item.lumens[index], f"lumens[{index}]"
    ways = ways_of(item, lumen)
    bore = inputs.number(f"{field}.bore_mm", lumen.bore_mm, "mm", "assumed.bore")
    length = inputs.number(f"{field}.length_mm", lumen.length_mm, "mm", "assumed.lumen_length")
    room_k = inputs.draw("room.temperature")
    emptied = lumen.emptied
    # Nobody felt the push or the air come out of a joined channel: it may have gone elsewhere.
    elsewhere = ways.sharing > 1 and not ways.passes_air
    weighed, hubs = lumen.measured_mg is not None, lumen.hubs or 0
    if not (weighed or lumen.droplets_counted):
        count = inputs.number(f"{field}.hubs", lumen.hubs, "1", "assumed.hubs", "hubs")
        hubs = np.rint(count)
    start = leftover.lumen_start_kg(
        inputs.draw, bore, length,
        leftover.Emptying(
            emptied.how, emptied.pushes, emptied.seconds,
            leftover.emptying_pressure_pa(
                inputs.draw, fluids, bore, length, emptied.flow_nl_per_min,
                emptied.pressure_gauge_bar, air_k=room_k, ambient_pa=ambient_pa,
            ),
            emptied.orientation,
        ),
        open_ends=lumen.open_ends, blocked=lumen.blocked == "yes" or elsewhere,
        hubs=hubs + ways.junctions,
        temperature_k=room_k,
    )  # fmt: skip
    if weighed:
        start = inputs.weighed(f"{field}.measured_mg", lumen.measured_mg,
                               f"{field}.scale_error_mg", lumen.scale_error_mg)  # fmt: skip
    elif lumen.droplets_counted:
        start = water.droplets_kg(lumen.droplets_counted, inputs.draw("water.droplet.kg"))
    else:
        _note_blanks(lumen, field, inputs,
                     passes=lumen.open_ends == 2 and lumen.blocked != "yes" and not elsewhere)
    at = LumenWater(lumen, bore, length, start, start, ways)
    if weighed:
        # A weighing is taken after all drying.
        return at
    left = start
    for i, step in enumerate(lumen.drying):
        where = f"{field}.drying[{i}]"
        if step.method == "compressed_air":
            left = _blow(left, at, step, where, inputs, fluids, ambient_pa)
        elif step.method in ("cabinet", "bench", "vacuum"):
            place = plug_place(at, left, inputs, fluids)
            stay = _stay(step, where, inputs, ambient_pa)
            left = chamber_water.deep_left_kg(left, place, [stay], fluids)
    return LumenWater(lumen, bore, length, start, left, ways)


def plug_place(
    at: LumenWater, water_kg: np.ndarray, inputs: ItemInputs, fluids: Fluids
) -> chamber_water.DeepPlace:
    """Describe water deep in a lumen, as drying and vacuum see it."""
    section = np.pi / 4.0 * at.bore_m**2
    faces = at.ways.mouths
    depth = inputs.draw("water.plug.depth_share") * at.length_m
    wet_m = water_kg / (fluids.water_density_kg_per_m3(inputs.draw("room.temperature")) * section)
    heat = inputs.draw("chamber.wall.heat_transfer") * np.pi * at.bore_m * wet_m
    return chamber_water.DeepPlace(section, depth, faces, heat_w_per_k=heat)


def further_air(lumen: Lumen, minutes: float, allowed_bar: float | None) -> DryingStep:
    """Return a step of more compressed air: as the last one, else at the pressure allowed."""
    steps = [step for step in lumen.drying if step.method == "compressed_air"]
    last = steps[-1] if steps else DryingStep(method="compressed_air")
    pressure = allowed_bar if last.pressure_gauge_bar is None else last.pressure_gauge_bar
    return last.model_copy(update={"minutes": minutes, "pressure_gauge_bar": pressure})


def blown_further(
    at: LumenWater, index: int, minutes: float, allowed_bar: float | None, inputs: ItemInputs,
    fluids: Fluids, ambient_pa: float,
) -> LumenWater:  # fmt: skip
    """Return a lumen after more minutes of compressed air, weighed or not."""
    step = further_air(at.lumen, minutes, allowed_bar)
    field = f"lumens[{index}].drying[{len(at.lumen.drying)}]"
    left = _blow(at.dried_kg, at, step, field, inputs, fluids, ambient_pa)
    return replace(at, dried_kg=left)


def aired_further(
    item: Item, left: leftover.OutsideWater, minutes: float, inputs: ItemInputs, fluids: Fluids,
    area_m2: np.ndarray, ambient_pa: float,
) -> leftover.OutsideWater:  # fmt: skip
    """Return the outside after more minutes in air: of its last cabinet or bench, else the room."""
    steps = [s for s in item.external_water.drying if s.method in ("cabinet", "bench")]
    last = steps[-1] if steps else DryingStep(method="bench")
    field = f"external_water.drying[{len(item.external_water.drying)}]"
    return _dry_outside(left, last.model_copy(update={"minutes": minutes}), field, inputs, fluids,
                        area_m2, ambient_pa)  # fmt: skip


def outside_water(
    item: Item, inputs: ItemInputs, fluids: Fluids, area_m2: np.ndarray, ambient_pa: float
) -> tuple[leftover.OutsideWater, leftover.OutsideWater]:
    """Return the water outside and in joints, before and after drying."""
    start, left = _own_outside(item, inputs, fluids, area_m2, ambient_pa)
    return with_beside(item, inputs, start), with_beside(item, inputs, left)


def with_beside(
    item: Item, inputs: ItemInputs, own: leftover.OutsideWater
) -> leftover.OutsideWater:
    """Add what stands beside: it wets the item again and is not dried or weighed with it."""
    beside = sum((kg for _, kg in beside_water(item, inputs)), np.zeros(inputs.samples))
    return replace(own, film_kg=own.film_kg + beside)


def weighed_outside(
    item: Item, inputs: ItemInputs, weighed_kg: np.ndarray
) -> leftover.OutsideWater:
    """Lay water weighed outside; shape (samples,). [kg]

    A scale tells no place: joints may hold all they can of it, and dry last.
    """
    inside = weighed_kg
    if np.any(weighed_kg):
        inside = np.minimum(weighed_kg, _joints_kg(item, inputs))
    return leftover.OutsideWater(weighed_kg - inside, np.zeros(inputs.samples), inside)


def _joints_kg(item: Item, inputs: ItemInputs) -> np.ndarray:
    """Return the water the joints of an item hold, wet. [kg], shape (samples,)"""
    if item.joints == 0:
        return np.zeros(inputs.samples)
    count = inputs.number("joints", item.joints, "1", "assumed.joints", "joints")
    return water.joint_water_kg(np.rint(count), inputs.draw("water.joint.kg"))


def _own_outside(
    item: Item, inputs: ItemInputs, fluids: Fluids, area_m2: np.ndarray, ambient_pa: float
) -> tuple[leftover.OutsideWater, leftover.OutsideWater]:
    external, field = item.external_water, "external_water"
    nothing = np.zeros(inputs.samples)
    if external.measured_mg is not None:
        weighed = inputs.weighed(f"{field}.measured_mg", external.measured_mg,
                                 f"{field}.scale_error_mg", external.scale_error_mg)  # fmt: skip
        found = weighed_outside(item, inputs, weighed)
        return found, found
    edge = nothing
    if water.has_edge_bead(external.state):
        edge = inputs.number(f"{field}.low_edge_cm", external.low_edge_cm, "cm", "assumed.low_edge")
    start = leftover.outside_start(
        inputs.draw, area_m2, external.state, edge, 0, inputs.draw("room.temperature")
    )
    start = replace(start, joints_kg=_joints_kg(item, inputs))
    left = start
    for i, step in enumerate(external.drying):
        left = _dry_outside(left, step, f"{field}.drying[{i}]", inputs, fluids, area_m2, ambient_pa)
    return start, left


def _dry_outside(
    left: leftover.OutsideWater, step: DryingStep, field: str, inputs: ItemInputs,
    fluids: Fluids, area_m2: np.ndarray, ambient_pa: float,
) -> leftover.OutsideWater:  # fmt: skip
    if step.method == "towel":
        film = drying.towel_kg(left.film_kg, area_m2,
                               inputs.draw("water.outside.wiped.kg_per_m2"))  # fmt: skip
        return leftover.OutsideWater(film, np.zeros_like(film), left.joints_kg)
    if step.method == "compressed_air":
        blown = area_m2 * inputs.draw("water.outside.blown.kg_per_m2")
        film = np.minimum(left.film_kg, blown)
        return leftover.OutsideWater(film, np.zeros_like(film), left.joints_kg)
    if step.method is None:
        return left
    stay = _stay(step, field, inputs, ambient_pa)
    transfer = inputs.draw(
        "drying.transfer.cabinet" if step.method == "cabinet" else "drying.transfer.bench"
    )
    heated = inputs.draw("drying.surface.heated_share")
    open_film = chamber_water.OpenPlace(area_m2, transfer, heated)
    bead = chamber_water.OpenPlace(
        left.bead_kg / (fluids.water_density_kg_per_m3(stay.temperature_k)
                        * inputs.draw("drying.bead.width")),
        transfer, heated,
    )  # fmt: skip
    return leftover.OutsideWater(
        chamber_water.film_left_kg(left.film_kg, open_film, [stay], fluids),
        chamber_water.film_left_kg(left.bead_kg, bead, [stay], fluids),
        chamber_water.deep_left_kg(left.joints_kg, crevice_place(left.joints_kg, inputs, fluids),
                                   [stay], fluids),
    )  # fmt: skip


def crevice_place(
    full_kg: np.ndarray, inputs: ItemInputs, fluids: Fluids
) -> chamber_water.DeepPlace:
    """Describe water in joints that hold `full_kg` to their mouth, as deep as the record says."""
    density = fluids.water_density_kg_per_m3(inputs.draw("room.temperature"))
    depth = inputs.draw("water.joint.depth")
    area = full_kg / (density * depth)
    heat = inputs.draw("chamber.wall.heat_transfer") * area
    return chamber_water.DeepPlace(area, np.zeros(inputs.samples), 1, heat_w_per_k=heat)
