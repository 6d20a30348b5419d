"""A strongly bound share of EO that leaves a part by its own half-life."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import PartModel
from eo_risk.judgement.simulate import ItemTrace
from eo_risk.judgement.timeline import LoadStage, Timeline
from eo_risk.physics.properties import arrhenius

_SHARE, _HALF_LIFE = "slow_pool.fraction", "slow_pool.half_life"


def _measured(material: str, inputs: ItemInputs) -> bool:
    name = f"{material}.{_SHARE}"
    return inputs.draw.is_own(name) and inputs.draw.record(name).status != "estimated"


def unmeasured_pool(model: PartModel, inputs: ItemInputs) -> bool:
    """Tell whether a part takes up EO of which no measurement of the site says what is bound."""
    return model.body is not None and not all(_measured(m, inputs) for m in model.members)


@dataclass(frozen=True)
class _Pool:
    """The share of a part's EO that is bound, and how fast it leaves; shape (samples,)."""

    share: np.ndarray
    half_life_s: np.ndarray
    activation_j_per_mol: np.ndarray

    def half_lives(self, stages: Sequence[LoadStage]) -> np.ndarray:
        """Return the half-lives gone at each output of stages. [-], shape (outputs, samples)"""
        gone = [
            s.duration_s
            / arrhenius(self.half_life_s, -self.activation_j_per_mol, s.temperature_k)
            for s in stages
        ]  # fmt: skip
        return np.cumsum([np.zeros_like(self.share), *gone], axis=0)

    def added(self, fast: np.ndarray, after: np.ndarray, gone: np.ndarray) -> np.ndarray:
        """Return what a part holds more for its pool from the outputs `after` on. [kg]"""
        bound = fast[after[0]] * np.exp2(gone[after[0]] - gone[after])
        # What was bound still has to diffuse: nothing leaves sooner than without the pool.
        return self.share * np.maximum(bound - fast[after], 0.0)


def _pool(model: PartModel, inputs: ItemInputs, everywhere: bool) -> _Pool | None:
    """Draw the pool of a part; None where none is looked at."""
    asked = everywhere or any(_measured(m, inputs) for m in model.members)
    if model.body is None or not asked:
        return None

    def drawn(material: str, quantity: str) -> np.ndarray:
        own = f"{material}.{quantity}"
        return inputs.draw(own if inputs.draw.is_own(own) else quantity)

    def share_of(material: str) -> np.ndarray:
        if everywhere or _measured(material, inputs):
            return np.minimum(drawn(material, _SHARE), 1.0)
        return np.zeros(inputs.samples)

    return _Pool(model.substance.of(share_of),
                 model.substance.of(lambda m: drawn(m, _HALF_LIFE)),
                 model.substance.of(lambda m: inputs.draw(f"{m}.activation")))  # fmt: skip


def kept_from_before(
    planned: ItemTrace, timeline: Timeline, inputs: ItemInputs, cycles: int, *, everywhere: bool
) -> tuple[np.ndarray | float, ...]:
    """Return what the pools of earlier cycles hold as the EO of the last one is let in. [kg]

    Parameters
    ----------
    planned, timeline : ItemTrace, Timeline
        The item without a pool on the way as planned.
    cycles : int
        Earlier cycles, each taken as the planned one and its aeration, one right after another.

    Returns
    -------
    tuple of ndarray, shape (samples,)
        One for each part, 0 where nothing is kept.

    Notes
    -----
    Each cycle leaves the same in the pool and the next one lets it fall by the same share q, so
    that n of them add up to 1 + q + ... + q^(n - 1). Only what the pool holds beyond the
    diffusing EO counts: the latter is carried on in the trace.
    """
    found = []
    for model, fast in zip(planned.models, planned.parts_eo, strict=True):
        pool = _pool(model, inputs, everywhere) if cycles else None
        if pool is None:
            found.append(0.0)
            continue
        gone = pool.half_lives(timeline.injected)
        once = pool.added(fast, planned.after_wash(), gone)[-1]
        falls = np.maximum(np.log(2.0) * gone[-1], np.finfo(float).tiny)
        found.append(once * np.expm1(-cycles * falls) / np.expm1(-falls))
    return tuple(found)


def with_slow_pool(
    trace: ItemTrace, timeline: Timeline, inputs: ItemInputs, *, everywhere: bool,
    kept: Sequence[np.ndarray | float] | None = None,
) -> ItemTrace:  # fmt: skip
    """Return the trace with a strongly bound share of EO that leaves by its own half-life.

    The share is of what each part held as the last wash ended; it slows with temperature as
    the part's own diffusion does. A share the site has measured always counts; one it estimated,
    or the shipped one, stands for the other parts where the pool is asked for `everywhere`. What
    earlier cycles left is `kept`, as `kept_from_before` gives it.
    """
    after = trace.after_wash()

    def slowed(model: PartModel, fast: np.ndarray, before: np.ndarray | float) -> np.ndarray:
        pool = _pool(model, inputs, everywhere)
        if pool is None:
            return fast
        gone = pool.half_lives(timeline.injected)
        slow = fast + before * np.exp2(-gone)
        slow[after] += pool.added(fast, after, gone)
        return slow

    each = zip(trace.models, trace.parts_eo, kept or [0.0] * len(trace.models), strict=True)
    return replace(trace, parts_eo=tuple(slowed(*part) for part in each))
