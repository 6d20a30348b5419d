"""Some of the samples at a time, where a large load would not fit into memory."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import TypeVar

import numpy as np

T = TypeVar("T")

# Layers times samples that are run together: few windows of many samples cost the least time.
_TOGETHER = 200_000


def windows(samples: int, layers: int) -> Iterator[slice]:
    """Yield the samples window by window, so many that `layers` of them fit."""
    width = max(1, _TOGETHER // max(layers, 1))
    for start in range(0, samples, width):
        yield slice(start, min(start + width, samples))


def within(value: T, here: slice, samples: int) -> T:
    """Return a value with every array of `samples` in it cut to a window.

    Looks into tuples and dataclasses; everything else stays as it is.
    """
    if isinstance(value, np.ndarray):
        return value[..., here] if value.ndim and value.shape[-1] == samples else value
    if isinstance(value, tuple):
        return tuple(within(part, here, samples) for part in value)
    if is_dataclass(value):
        return replace(value, **{
            field.name: within(getattr(value, field.name), here, samples)
            for field in fields(value)
        })  # fmt: skip
    return value
