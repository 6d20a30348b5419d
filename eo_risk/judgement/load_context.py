"""What every item of one plan shares: samples, stages, and the air the load brings with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from eo_risk import reference
from eo_risk.judgement.hours import longer_timeline
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_air import gas_of, shared_levels
from eo_risk.judgement.own_records import as_records
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.simulate import Gas, ItemParts, item_parts
from eo_risk.judgement.timeline import Timeline, build_timeline, mixture_fraction
from eo_risk.judgement.water_bodies import WaterStage, water_stages
from eo_risk.plan.load_plan import LoadPlan
from eo_risk.plan.starting_types import starting_ranges


@dataclass(frozen=True)
class LoadContext:
    """What every item of one plan shares.

    `far` is the same cycle with an aeration lengthened far beyond the plan's, for items that
    are not inside their limits by its end. `load` is every item as it is in clean air where
    the load's own air is noticeable, else None; `gas` and `far_gas` are the levels that
    stand for clean air then.
    """

    plan: LoadPlan
    draw: Draw
    inputs: ItemInputs
    timeline: Timeline
    co2_share: float
    load: tuple[ItemParts, ...] | None = None

    @cached_property
    def waters(self) -> tuple[WaterStage, ...]:
        """The stages as water meets them."""
        return water_stages(self.timeline, self.inputs.draw, self.co2_share)

    @cached_property
    def far(self) -> Timeline:
        """The cycle followed by the long aeration."""
        return longer_timeline(self.plan, self.inputs, self.timeline)

    @cached_property
    def far_waters(self) -> tuple[WaterStage, ...]:
        """The stages of the long aeration as water meets them."""
        return water_stages(self.far, self.inputs.draw, self.co2_share)

    @cached_property
    def gas(self) -> Gas | None:
        """EO levels around the load from the injection on, None for those of the timeline."""
        return self._gas(self.timeline)

    @cached_property
    def far_gas(self) -> Gas | None:
        """The same along the long aeration."""
        return self._gas(self.far)

    def _gas(self, timeline: Timeline) -> Gas | None:
        if self.load is None:
            return None
        return gas_of(timeline, shared_levels(self.plan, timeline, self.inputs, self.load))

    def drawn_as(self, name: str, item_name: str) -> str:
        """Return the name under which the draw knows an input of an item or of the load."""
        if name in reference.records():
            return name
        return f"item:{'load' if name in self.inputs.draw.variables else item_name}:{name}"

    def parts(self, index: int) -> ItemParts:
        """Run the parts of one item in clean air."""
        item = self.plan.items[index]
        own = as_records(self.plan.own_records, item.name)
        inputs = ItemInputs(self.draw.item(item.name, own), starting_ranges(item))
        return item_parts(item, inputs, self.timeline)


def load_context(
    plan: LoadPlan, samples: int, seed: int, swapped: str | None = None,
    pinned: Mapping[str, float] | None = None,
) -> LoadContext:  # fmt: skip
    """Prepare the stages and shared samples of one plan."""
    draw = Draw(seed, samples, swapped, as_records(plan.own_records), pinned)
    inputs = ItemInputs(draw.item("load"))
    timeline = build_timeline(plan, inputs)
    fraction = mixture_fraction(plan)
    co2_share = (1.0 - fraction) / fraction if plan.cycle.gas.balance == "co2" else 0.0
    return LoadContext(plan, draw, inputs, timeline, co2_share)
