"""What matters most: how much of a result's spread each uncertain input explains."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from eo_risk import reference
from eo_risk.judgement.result import Influence
from eo_risk.judgement.risk import Variable

_SHOWN = 3
_BINS = 32  # of a given-data index; a technical size
_NOISE_ERRORS = 4.0  # standard errors an effect must exceed to be told from chance
_FIELD_WORDS = {
    "bore_mm": "bore of the lumen",
    "length_mm": "length of the lumen",
    "thickness_mm": "thickness",
    "wall_mm": "wall thickness",
    "outer_diameter_mm": "outer diameter",
    "mass_g": "mass",
    "material": "grade of the material",
    "faces": "open faces",
    "area_cm2": "outside area",
    "contact_area_cm2": "contact area",
    "joints": "number of joints",
    "hubs": "number of hubs",
    "measured_mg": "weighed water",
    "minutes": "drying time",
    "scale_error_mg": "error of the scale",
    "air_temperature_c": "temperature of the drying air",
    "air_rh_percent": "humidity of the drying air",
    "pressure_gauge_bar": "pressure of the drying air",
    "start_level": "start level measured in the laboratory",
    "ech": "chlorohydrin that irradiation before adds",
}


@dataclass(frozen=True)
class Sorted:
    """Samples sorted once, for all they are held against; shape (samples,).

    `ranks` are centred and of unit length, ties share theirs; `bins` say in which of few bins
    of alike samples each one lies, a bin to each value where there are few.
    """

    ranks: np.ndarray
    bins: np.ndarray

    @classmethod
    def of(cls, samples: np.ndarray) -> Sorted:
        """Sort samples of a number that is not the same in all of them."""
        order = np.argsort(samples, kind="stable")
        rising = samples[order]
        group = np.concatenate([[0], np.cumsum(rising[1:] != rising[:-1])])
        counts = np.bincount(group)
        shared = np.cumsum(counts) - 0.5 * (counts - 1)
        few = counts.size <= _BINS
        ranks, bins = np.empty(samples.size), np.empty(samples.size, dtype=int)
        ranks[order] = shared[group] - 0.5 * (samples.size + 1)
        bins[order] = group if few else np.arange(samples.size) * _BINS // samples.size
        return cls(ranks / np.linalg.norm(ranks), bins)


def words(name: str) -> str:
    """Name an input in plain words: a record by its quantity, a field by its label."""
    if reference.shipped_id(name) in reference.records():
        head = name.split(".")[0]
        quantity = reference.records()[reference.shipped_id(name)].quantity
        material = reference.materials().get(head)
        return quantity if material is None else f"{quantity} ({material.name})"
    return _FIELD_WORDS.get(name.rsplit(".", 1)[-1], name)


def first_order(target: np.ndarray, samples: Sorted) -> float:
    """Return the share of a target's variance that one input explains alone, of any shape.

    Parameters
    ----------
    target : ndarray, shape (samples,)
        A result. [any unit]
    samples : Sorted
        One input of it.

    Returns
    -------
    float
        First-order index, below zero only by chance. [-]

    Notes
    -----
    Given-data estimate of the first-order index: the samples are binned by the input, and the
    variance of the bin means is compared with the whole. The means of n samples in m bins
    scatter by chance alone by m - 1 shares of n - 1; that part is taken off (epsilon squared;
    T. L. Kelley 1935, "An unbiased correlation ratio measure"). An input with few values gives
    one bin to each. Source of the estimate: E. Plischke, E. Borgonovo and C. L. Smith 2013,
    "Global sensitivity measures from given data".
    """
    counts = np.bincount(samples.bins)
    means = np.bincount(samples.bins, weights=target) / counts
    total = float(np.sum(np.square(target - target.mean())))
    if total == 0.0 or counts.size < 2 or counts.size >= target.size:
        return 0.0
    between = float(counts @ np.square(means - target.mean())) / total
    return 1.0 - (1.0 - between) * (target.size - 1) / (target.size - counts.size)


@dataclass(frozen=True)
class Effect:
    """How one input moves a result: the share it explains, and whether it raises it."""

    name: str
    share: float
    rising: bool


def sorted_inputs(variables: Mapping[str, Variable]) -> dict[str, Sorted]:
    """Sort every input that varies."""
    return {
        name: Sorted.of(variable.samples)
        for name, variable in variables.items()
        if np.ptp(variable.samples) > 0.0
    }


def effects(target: np.ndarray, inputs: Mapping[str, Sorted]) -> list[Effect]:
    """Return each input's share of the spread of a target, largest first.

    Parameters
    ----------
    target : ndarray, shape (samples,)
        A result. [any unit]
    inputs : mapping of Sorted
        What it was computed from, independent of each other.

    Returns
    -------
    list of Effect
        Share of the variance of the target's ranks that the input explains: the larger of the
        squared rank correlation, exact for a steady rise or fall, and the first-order index of
        the ranks, which also sees an effect that turns round or a choice between grades;
        shares below the sampling noise are left out. [-]
    """
    if not inputs or np.ptp(target) == 0.0:
        return []
    goal = Sorted.of(target).ranks
    steady_noise = _NOISE_ERRORS**2 / target.size
    any_noise = _NOISE_ERRORS * np.sqrt(2.0 * (_BINS - 1)) / target.size
    found = []
    for name, samples in inputs.items():
        slope = float(samples.ranks @ goal)
        shaped = first_order(goal, samples)
        share = max(slope**2 if slope**2 > steady_noise else 0.0,
                    shaped if shaped > any_noise else 0.0)  # fmt: skip
        if share > 0.0:
            found.append(Effect(name, min(share, 1.0), slope > 0.0))
    return sorted(found, key=lambda effect: -effect.share)


@dataclass(frozen=True)
class Matters:
    """What an item's results rest on most.

    `most` is what is shown; `ranked` holds every input that explains part of the spread of the
    substance nearest its limit, largest first; `targets` the samples of each result by the
    substance, shape (samples,).
    """

    most: tuple[Influence, ...]
    ranked: tuple[Effect, ...]
    targets: Mapping[str, np.ndarray]


def matters(
    first: str, targets: Mapping[str, np.ndarray], variables: Mapping[str, Variable]
) -> Matters:
    """Say in words which inputs explain most of the spread of each residue.

    Parameters
    ----------
    first : str
        Key of the target that comes nearest its limit: its inputs are named first, the
        strongest input of the others where there is room.
    targets : mapping of ndarray, shape (samples,)
        Results by what they are called. [any unit]
    variables : mapping of Variable
        The inputs they were computed from.
    """
    inputs = sorted_inputs(variables)
    ranked = effects(targets[first], inputs)
    found = [(first, effect) for effect in ranked[:_SHOWN]]
    for other, target in targets.items():
        if other != first and len(found) < _SHOWN:
            found += [(other, effect) for effect in effects(target, inputs)[:1]]
    most = tuple(
        Influence(e.name, e.share, on,
                  f"{words(e.name)} explains {100 * e.share:.0f} % of the spread of {on}")
        for on, e in found
    )  # fmt: skip
    return Matters(most, tuple(ranked), targets)


def total_index(target: np.ndarray, moved: np.ndarray) -> float:
    """Return the total Sobol index of the input that differs between two runs. [-]

    Jansen's estimator (M. J. W. Jansen 1999, "Analysis of variance designs for model output"):
    half the mean squared difference over the variance; 0 where nothing varies.
    """
    variance = float(np.var(target))
    if variance == 0.0:
        return 0.0
    return 0.5 * float(np.mean(np.square(target - moved))) / variance


def with_total_indices(
    found: Matters, run: Callable[[str], Mapping[str, np.ndarray]]
) -> tuple[Influence, ...]:
    """Replace the shares of what matters most by total Sobol indices.

    `run(input)` returns the targets of a run in which that input alone is drawn anew.
    """
    moved = {name: run(name) for name in dict.fromkeys(i.input for i in found.most)}
    made = []
    for old in found.most:
        total = total_index(found.targets[old.on], moved[old.input][old.on])
        share = min(total, 1.0)
        text = (f"{words(old.input)}, alone or with others, explains {100 * share:.0f} % of the "
                f"spread of {old.on} (total Sobol index {total:.2f})")  # fmt: skip
        made.append(replace(old, share=share, text=text))
    return tuple(sorted(made, key=lambda i: (i.on != found.most[0].on, -i.share)))
