"""Water in what is packed with an item: tray, container lid, gasket, textile."""

from __future__ import annotations

import numpy as np

from eo_risk import units
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.physics import water
from eo_risk.plan.load_plan import Beside, Item


def beside_water(item: Item, inputs: ItemInputs) -> list[tuple[str, np.ndarray]]:
    """Return what stands beside an item and its water. [kg], each shape (samples,)

    A state nobody told is taken as wet; a dry one holds nothing.
    """
    found = []
    for index, thing in enumerate(item.beside):
        found.append((thing.kind or "something", _water_kg(thing, f"beside[{index}]", inputs)))
    textile_g = item.external_water.textile_g
    if textile_g is not None:
        dry = np.full(inputs.samples, units.to_si(textile_g, "g"))
        found.append(("textile", water.textile_water_kg(dry, inputs.draw("water.textile.unknown"))))
    return found


def wet_beside(item: Item) -> bool:
    """Tell whether anything beside an item is or may be wet."""
    return bool(item.external_water.textile_g) or any(
        thing.measured_mg != 0.0 and thing.state != "dry" for thing in item.beside
    )


def _water_kg(thing: Beside, field: str, inputs: ItemInputs) -> np.ndarray:
    if thing.measured_mg is not None:
        return inputs.weighed(f"{field}.measured_mg", thing.measured_mg,
                              f"{field}.scale_error_mg", thing.scale_error_mg)  # fmt: skip
    if thing.state == "dry":
        return np.zeros(inputs.samples)
    if thing.kind == "textile":
        dry = inputs.number(f"{field}.dry_mass_g", thing.dry_mass_g, "g", "assumed.textile_mass")
        return water.textile_water_kg(dry, inputs.draw(f"water.textile.{thing.state or 'unknown'}"))
    if thing.area_cm2 is not None:
        area = np.full(inputs.samples, units.to_si(thing.area_cm2, "cm2"))
        return area * inputs.draw(water.outside_key(thing.state))
    lid = thing.kind in ("container", "gasket")
    record_id = "water.container_lid.kg" if lid else "water.tray.kg"
    inputs.as_record(f"{field}.area_cm2", record_id, "of water, by what it is")
    return inputs.draw(record_id)
