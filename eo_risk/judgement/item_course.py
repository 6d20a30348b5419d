"""One item along its course: as planned and far beyond, and what of it counts on the way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache, cached_property

import numpy as np

from eo_risk.judgement.allowed.counted import (
    ItemLimits,
    amounts_left,
    counted_of,
    dose_shares,
    item_limits,
    released_in_contact,
    ruling_curves,
)
from eo_risk.judgement.allowed.residues import Amounts, residue_rows
from eo_risk.judgement.hours import aeration_time, hours_by_part
from eo_risk.judgement.load_context import LoadContext
from eo_risk.judgement.material.slow_pool import kept_from_before, unmeasured_pool, with_slow_pool
from eo_risk.judgement.result import AerationTime, Band, Residue
from eo_risk.judgement.simulate import ItemParts, ItemTrace, in_other_air, simulate
from eo_risk.judgement.water.water_bodies import Course
from eo_risk.plan.load_plan import Item


@dataclass(frozen=True)
class ItemCourse:
    """What one item holds on its way, made as it is asked for.

    `parts` are in the air the load shares. With `follow` the hours of aeration are looked for:
    then contact may begin at every time after the last air wash, else at the end alone.
    """

    context: LoadContext
    item: Item
    parts: ItemParts
    follow: bool
    _kept: dict[bool, tuple] = field(default_factory=dict)
    _released: dict[tuple[int, ...], tuple] = field(default_factory=dict)

    @classmethod
    def of(cls, context: LoadContext, index: int, parts: ItemParts, *, follow: bool) -> ItemCourse:
        """Follow one item of a plan; `parts` are in clean air."""
        item = context.plan.items[index]
        if context.gas is not None:
            parts = in_other_air(parts, item, context.timeline, context.gas)
        return cls(context, item, parts, follow)

    @cached_property
    def limits(self) -> ItemLimits:
        return item_limits(self.context.plan, self.item)

    @cached_property
    def plain(self) -> ItemTrace:
        """As planned, without a slow pool."""
        return simulate(self.context.plan, self.item, self.parts, self.context.planned)

    @cached_property
    def _plain_far(self) -> ItemTrace:
        return simulate(self.context.plan, self.item, self.parts, self.context.far, self.plain)

    @property
    def pool_on(self) -> bool:
        return self.context.plan.rules.slow_pool == "on"

    @cached_property
    def trace(self) -> ItemTrace:
        """As planned, with the slow pool that the plan's rule and the site's records ask for."""
        return self._with_pool(self.plain, self.context.planned, self.pool_on)

    def _far(self, pool: bool) -> ItemTrace:
        return self._with_pool(self._plain_far, self.context.far, pool)

    def _with_pool(self, found: ItemTrace, course: Course, pool: bool) -> ItemTrace:
        inputs = self.parts.inputs
        if pool not in self._kept:
            self._kept[pool] = kept_from_before(
                self.plain, self.context.planned.timeline, inputs,
                self.item.earlier_eo_cycles or 0, everywhere=pool)  # fmt: skip
        return with_slow_pool(found, course.timeline, inputs, everywhere=pool,
                              kept=self._kept[pool])  # fmt: skip

    def _shares(self, found: ItemTrace) -> dict[str, np.ndarray]:
        """Return the share of EO that counts in each period, contact beginning at each output."""
        outputs = tuple(found.outputs[found.after_wash()][None if self.follow else -1 :])
        if outputs not in self._released:
            self._released[outputs] = released_in_contact(
                self.plain.models, self.item, self.parts.inputs, self.context.timeline,
                self.context.gas, outputs, self.limits.days)  # fmt: skip
        return dose_shares(found, self.item, self._released[outputs], len(outputs))

    @cached_property
    def amounts(self) -> Amounts:
        """What is left at the end of the plan."""
        at_end = {period: share[-1] for period, share in self._shares(self.trace).items()}
        return amounts_left(self.trace, self.item, at_end, self.limits.days)

    @cached_property
    def rows(self) -> list[Residue]:
        """What is left at the end of the plan beside its limits."""
        return residue_rows(self.limits.limits, self.amounts, self.trace.contact_area)

    def _curves(self, found: ItemTrace) -> list:
        left = amounts_left(found, self.item, self._shares(found), self.limits.days)
        return ruling_curves(found, self.rows, left, counted_of(self.item).share)

    def _hours(self, pool: bool) -> AerationTime:
        planned = self._with_pool(self.plain, self.context.planned, pool)
        return aeration_time(self.context.plan, self.item, planned, self._curves,
                             lambda: self._far(pool))  # fmt: skip

    @cached_property
    def aeration(self) -> AerationTime | None:
        """The hours needed, with those of an unmeasured slow pool beside them."""
        if not self.follow or self.limits.missing:
            return None
        found = self._hours(self.pool_on)
        if self.pool_on or not any(unmeasured_pool(model, self.parts.inputs)
                                   for model in self.plain.models):  # fmt: skip
            return found
        beside = self._hours(True)
        return replace(found, with_slow_pool_p95_s=beside.p95_s,
                       with_slow_pool_unreached=beside.unreached)  # fmt: skip

    @cached_property
    def part_hours(self) -> Sequence[Band | None]:
        """The hours each part needs by itself."""
        far = None if self.aeration is None else cache(lambda: self._far(self.pool_on))
        least = self.limits.least_eo_kg(self.trace.contact_area)
        return hours_by_part(self.trace, least, far)
