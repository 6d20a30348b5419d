"""A strongly bound share of EO that leaves a part by its own half-life."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.material.parts import PartModel
from eo_risk.judgement.simulate import ItemTrace
from eo_risk.judgement.timeline import Timeline
from eo_risk.physics.properties import arrhenius

_SHARE, _HALF_LIFE = "slow_pool.fraction", "slow_pool.half_life"


def _measured(material: str, inputs: ItemInputs) -> bool:
    return inputs.draw.is_own(f"{material}.{_SHARE}")


def unmeasured_pool(model: PartModel, inputs: ItemInputs) -> bool:
    """Tell whether a part takes up EO of which no measurement of the site says what is bound."""
    return model.body is not None and not all(_measured(m, inputs) for m in model.members)


def with_slow_pool(
    trace: ItemTrace, timeline: Timeline, inputs: ItemInputs, *, everywhere: bool
) -> ItemTrace:
    """Return the trace with a strongly bound share of EO that leaves by its own half-life.

    The share is of what each part held as the last wash ended; it slows with temperature as
    the part's own diffusion does. A share the site has measured always counts; the shipped one
    stands for the other parts where the pool is asked for `everywhere`.
    """
    after = trace.after_wash()
    stages = timeline.injected[after[0] :]

    def drawn(material: str, quantity: str) -> np.ndarray:
        own = f"{material}.{quantity}"
        return inputs.draw(own if inputs.draw.is_own(own) else quantity)

    def share_of(material: str) -> np.ndarray:
        if everywhere or _measured(material, inputs):
            return np.minimum(drawn(material, _SHARE), 1.0)
        return np.zeros(inputs.samples)

    def slowed(model: PartModel, fast: np.ndarray) -> np.ndarray:
        asked = everywhere or any(_measured(m, inputs) for m in model.members)
        if model.body is None or not asked:
            return fast
        share = model.substance.of(share_of)
        half_s = model.substance.of(lambda m: drawn(m, _HALF_LIFE))
        activation = model.substance.of(lambda m: inputs.draw(f"{m}.activation"))
        turns = np.cumsum([
            s.duration_s / arrhenius(half_s, -activation, s.temperature_k) for s in stages
        ], axis=0)  # fmt: skip
        bound = fast[after[0]] * np.exp2(-np.concatenate([np.zeros((1, turns.shape[1])), turns]))
        slow = fast.copy()
        # What was bound still has to diffuse: nothing leaves sooner than without the pool.
        slow[after] = np.maximum(fast[after], (1.0 - share) * fast[after] + share * bound)
        return slow

    parts = [slowed(model, fast) for model, fast in zip(trace.models, trace.parts_eo, strict=True)]
    return replace(trace, parts_eo=tuple(parts))
