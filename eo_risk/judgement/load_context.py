"""What every item of one plan shares: samples, stages, and the air the load brings with it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

from eo_risk.judgement.hours import with_long_aeration
from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.load_air import gas_of, shared_levels
from eo_risk.judgement.material.parts import Gas
from eo_risk.judgement.material.start_level import start_levels_elsewhere
from eo_risk.judgement.own_records import as_records
from eo_risk.judgement.risk import Draw
from eo_risk.judgement.simulate import ItemParts, item_parts
from eo_risk.judgement.timeline import Timeline, build_timeline, mixture_fraction
from eo_risk.judgement.water.water_bodies import Course, WaterStage, water_stages
from eo_risk.plan.load_plan import LoadPlan
from eo_risk.plan.starting_types import starting_ranges


@dataclass(frozen=True)
class LoadContext:
    """What every item of one plan shares.

    `load` is every item as it is in clean air where the load's own air is noticeable, else
    None; `gas` are the levels that stand for clean air then.
    """

    plan: LoadPlan
    draw: Draw
    inputs: ItemInputs
    timeline: Timeline
    co2_share: float
    load: tuple[ItemParts, ...] | None = None

    @cached_property
    def _waters(self) -> tuple[WaterStage, ...]:
        return water_stages(self.timeline, self.inputs.draw, self.co2_share)

    @cached_property
    def planned(self) -> Course:
        """The way of the load as planned."""
        return Course(self.timeline.as_planned(), self._waters, self.timeline.planned_rows)

    @cached_property
    def far(self) -> Course:
        """The way on which the aeration goes on far beyond the plan."""
        return Course(self.timeline.as_far(), self._waters, self.timeline.far_rows)

    @cached_property
    def gas(self) -> Gas | None:
        """EO levels around the load in every stage, None for those of the timeline."""
        if self.load is None:
            return None
        level, total = shared_levels(self.plan, self.timeline, self.inputs, self.load)
        return gas_of(self.timeline, level, total)

    def drawn_as(self, name: str, item_name: str) -> str:
        """Return the name under which the draw knows an input of an item or of the load."""
        if record_id := self.draw.drawn_as(name):
            return record_id
        return f"item:{'load' if name in self.inputs.draw.variables else item_name}:{name}"

    def parts(self, index: int) -> ItemParts:
        """Run the parts of one item in clean air."""
        item = self.plan.items[index]
        elsewhere = start_levels_elsewhere(self.plan, item)
        holding = [record for record in self.plan.own_records if record.id not in elsewhere]
        own = as_records(holding, item.name)
        inputs = ItemInputs(self.draw.item(item.name, own), starting_ranges(item))
        return item_parts(item, inputs, self.timeline)


def load_context(
    plan: LoadPlan, samples: int, seed: int, swapped: str | None = None,
    pinned: Mapping[str, float] | None = None, follow: bool = True,
) -> LoadContext:  # fmt: skip
    """Prepare the stages and shared samples of one plan.

    With `follow` the aeration is also followed far beyond the plan.
    """
    draw = Draw(seed, samples, swapped, as_records(plan.own_records), pinned)
    inputs = ItemInputs(draw.item("load"))
    timeline = build_timeline(plan, inputs)
    if follow:
        timeline = with_long_aeration(plan, inputs, timeline)
    fraction = mixture_fraction(plan)
    co2_share = (1.0 - fraction) / fraction if plan.cycle.gas.balance == "co2" else 0.0
    return LoadContext(plan, draw, inputs, timeline, co2_share)
