"""A strongly bound share of EO that leaves a part by its own half-life."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from eo_risk.judgement.inputs import ItemInputs
from eo_risk.judgement.simulate import ItemTrace
from eo_risk.judgement.timeline import Timeline
from eo_risk.physics.properties import arrhenius


def with_slow_pool(trace: ItemTrace, timeline: Timeline, inputs: ItemInputs) -> ItemTrace:
    """Return the trace with a strongly bound share of EO that leaves by its own half-life.

    The share is of what each part held as the last wash ended; it slows with temperature as
    the part's own diffusion does.
    """
    share, half_s = inputs.draw("slow_pool.fraction"), inputs.draw("slow_pool.half_life")
    after = trace.after_wash()
    stages = timeline.injected[after[0] :]
    parts = []
    for model, fast in zip(trace.models, trace.parts_eo, strict=True):
        if model.body is None:
            parts.append(fast)
            continue
        activation = model.substance.of(lambda m: inputs.draw(f"{m}.activation"))
        turns = np.cumsum([
            s.duration_s / arrhenius(half_s, -activation, s.temperature_k) for s in stages
        ], axis=0)  # fmt: skip
        bound = fast[after[0]] * np.exp2(-np.concatenate([np.zeros((1, turns.shape[1])), turns]))
        slow = fast.copy()
        slow[after] = (1.0 - share) * fast[after] + share * bound
        parts.append(slow)
    return replace(trace, parts_eo=tuple(parts))
