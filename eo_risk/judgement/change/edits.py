"""Changes of a plan that an action names, so that anyone can make one and check its promise."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from eo_risk import reference
from eo_risk.judgement.hours import lengthened_step
from eo_risk.judgement.result import Action
from eo_risk.judgement.water.drying_steps import further_air
from eo_risk.plan.fields import named
from eo_risk.plan.load_plan import AerationStep, Item, LoadPlan

Aerators = Mapping[str, AerationStep]


def place_of(plan: LoadPlan, name: str) -> int:
    """Return the index of the item of that name."""
    return next(i for i, item in enumerate(plan.items) if item.name == name)


def _with_item(plan: LoadPlan, item: Item) -> LoadPlan:
    index = place_of(plan, item.name)
    items = (*plan.items[:index], item, *plan.items[index + 1 :])
    return plan.model_copy(update={"items": items})


def looked(item: Item) -> Item:
    """Return the item once someone looked everywhere: air comes through, no droplet shows."""
    lumens = tuple(
        lumen.model_copy(update={"droplets_seen": "no", "droplets_counted": None,
                                 "blocked": lumen.blocked or "no"})
        for lumen in item.lumens
    )  # fmt: skip
    return item.model_copy(update={"droplets_seen": "no", "lumens": lumens})


def more_air(item: Item, minutes: float) -> Item:
    """Return the item with more compressed air through every lumen, looked at afterwards."""
    allowed = named(item.instructions.highest_air_pressure_gauge_bar)
    lumens = []
    for lumen in looked(item).lumens:
        added = further_air(lumen, minutes, allowed)
        lumens.append(lumen.model_copy(update={"drying": (*lumen.drying, added)}))
    return looked(item).model_copy(update={"lumens": tuple(lumens)})


def dried_to(item: Item, water_mg: float) -> Item:
    """Return the item with so much water weighed in each lumen, or outside where it has none."""
    weighed = {"measured_mg": water_mg, "scale_error_mg": 0.0}
    clear = looked(item)
    if clear.lumens:
        lumens = tuple(lumen.model_copy(update=weighed) for lumen in clear.lumens)
        return clear.model_copy(update={"lumens": lumens})
    outside = clear.external_water.model_copy(update={"state": None, "drying": (), **weighed})
    return clear.model_copy(update={"external_water": outside})


def rewashed(item: Item) -> Item:
    """Return the item rinsed in treated water, without lubricant, dried as before, looked at."""
    return looked(item).model_copy(update={"rinse_water": "treated", "lubricant": "none"})


def humidified(plan: LoadPlan, relative_percent: float) -> LoadPlan:
    """Return the plan with the chamber brought to a humidity."""
    cycle = plan.cycle.model_copy(update={"conditioning_rh_percent": relative_percent})
    return plan.model_copy(update={"cycle": cycle})


def _with_step(plan: LoadPlan, **changes: object) -> LoadPlan:
    index = lengthened_step(plan)
    step = plan.aeration[index].model_copy(update=changes)
    aeration = (*plan.aeration[:index], step, *plan.aeration[index + 1 :])
    return plan.model_copy(update={"aeration": aeration})


def more_hours(plan: LoadPlan, hours: float) -> LoadPlan:
    """Return the plan with its aeration lengthened."""
    now = plan.aeration[lengthened_step(plan)].hours or 0.0
    return _with_step(plan, hours=now + hours)


def warmer(plan: LoadPlan, temperature_c: float) -> LoadPlan:
    """Return the plan with the step that would be lengthened at another temperature."""
    return _with_step(plan, temperature_c=temperature_c)


def in_aerator(plan: LoadPlan, aerator: AerationStep, hours: float) -> LoadPlan:
    """Return the plan with the step that would be lengthened in another aerator."""
    return _with_step(plan, hours=hours, **{
        field: getattr(aerator, field)
        for field in ("place", "temperature_c", "air_changes_per_h", "free_volume_l",
                      "holds_other_load")
    })  # fmt: skip


def whenever_out(plan: LoadPlan, name: str) -> LoadPlan:
    """Return the plan with nobody waiting for the item of that name."""
    item = plan.items[place_of(plan, name)]
    return _with_item(plan, item.model_copy(update={"needed_by": None}))


def planned_h(plan: LoadPlan) -> float:
    """Return the hours of all aeration steps. [h]"""
    return sum(step.hours or 0.0 for step in plan.aeration)


def alone(plan: LoadPlan, names: Collection[str]) -> LoadPlan:
    """Return the plan of a load that holds only these items."""
    items = tuple(item for item in plan.items if item.name in names)
    return plan.model_copy(update={"items": items})


def highest_allowed_c(plan: LoadPlan) -> float | None:
    """Return the highest aeration temperature every item allows; None when one is unknown.

    Instructions that name none set no limit; where none of them does, published practice does.
    """
    answers = [item.instructions.highest_temperature_c for item in plan.items]
    if None in answers:
        return None
    limits = [limit for limit in map(named, answers) if limit is not None]
    return min(limits, default=reference.record("practice.aeration_warmest").value)


def _dry_again(item: Item, unit: str, amount: float | None) -> Item:
    if amount is None:
        return looked(item)
    if unit == "mg":
        return dried_to(item, amount)
    return more_air(item, amount) if amount > 0.0 else item  # no air: nothing was done


def apply(
    plan: LoadPlan, item_name: str, action: Action, amount: float | None = None,
    aerators: Aerators | None = None,
) -> LoadPlan:  # fmt: skip
    """Return the plan after one action and what belongs together with it.

    Parameters
    ----------
    plan : LoadPlan
        The plan the action was given for.
    item_name : str
        The item it was given for.
    action : Action
        One of the item's actions.
    amount : float, optional
        Replaces the action's own amount, in the action's unit.
    aerators : mapping of AerationStep, optional
        The site's aerators by name, for an action that names one.

    Raises
    ------
    ValueError
        For an action that is no edit of a plan, such as ``ask`` or ``use another method``.
    """
    for partner in action.together:
        plan = apply(plan, item_name, partner, aerators=aerators)
    amount = action.amount if amount is None else amount
    item = plan.items[place_of(plan, item_name)]
    if action.action == "dry again":
        return _with_item(plan, _dry_again(item, action.unit, amount))
    if action.action == "look":
        return _with_item(plan, looked(item))
    if action.action == "rewash":
        return _with_item(plan, rewashed(item))
    if action.action == "humidify":
        return humidified(plan, amount)
    if action.action == "split the load":
        part = alone(plan, action.items)
        return part if amount is None else more_hours(part, max(amount - planned_h(plan), 0.0))
    if action.action == "aerate longer":
        if action.aerator:
            return in_aerator(plan, (aerators or {})[action.aerator], amount)
        return warmer(plan, amount) if action.unit == "C" else more_hours(plan, amount)
    raise ValueError(f"{action.action!r} is no edit of a plan")
