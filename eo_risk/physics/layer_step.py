"""One step of coupled layers through a sum of poles.

In the modes of its closed body a layer is diagonal; every face adds one unknown, the flux
through it. At each pole these few unknowns solve a small linear system, over all samples at
once. Outputs and the modes at the end are weighted sums over the poles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from eo_risk.physics.layer_response import LayerNow, Response, Touch, split
from eo_risk.physics.rational_exponential import PoleSum

# Stands for the resistance of a closed face: no flux that counts, and no overflow.
CLOSED = 1e100


class Port(NamedTuple):
    """A face that lets through: resistance x flux = sum of watch x surface - ratio x gas.

    `gas` is the gas level at the start and its rise over the step, each None for none; flux
    is positive out of the layers. Shape (samples,).
    """

    touches: tuple[Touch, ...]
    resistance: np.ndarray
    ratio: np.ndarray
    gas: tuple[np.ndarray | None, np.ndarray | None]


@dataclass(frozen=True)
class Air:
    """Well-mixed air that the ports of a step open into.

    `level` at the start [kg/m3], `volume` [m3], `changes` of air per step [-], the level
    `supply` of the air let in; `volume_of` the volume of every layer. Shape (samples,).
    """

    level: np.ndarray
    volume: np.ndarray
    changes: np.ndarray
    supply: np.ndarray
    volume_of: Sequence[np.ndarray]


class StepResult(NamedTuple):
    """Outputs of one step, shape (times, samples); lists run over layers or ports.

    `reacted` is the fall of the mean by reaction, `taken` that of the mean of the layers a
    port touches, `air_total` the integral of the level of air in units of the duration.
    `flux` and `modes` are empty unless asked for.
    """

    mean: list[np.ndarray]
    reacted: list[np.ndarray | None]
    flux: list[np.ndarray]
    taken: list[dict[int, np.ndarray]]
    modes: list[np.ndarray]
    air: np.ndarray | None
    air_total: np.ndarray | None


def _solve(matrix: list[list[np.ndarray]], rights: list[list[np.ndarray]]) -> list[list]:
    """Solve the system that couples the ports, elementwise, for several right-hand sides."""
    count = len(matrix)
    matrix = [list(row) for row in matrix]
    rights = [list(right) for right in rights]
    for i in range(count):
        for r in range(i + 1, count):
            factor = matrix[r][i] / matrix[i][i]
            for c in range(i + 1, count):
                matrix[r][c] = matrix[r][c] - factor * matrix[i][c]
            for right in rights:
                right[r] = right[r] - factor * right[i]
    for right in rights:
        for i in reversed(range(count)):
            for c in range(i + 1, count):
                right[i] = right[i] - matrix[i][c] * right[c]
            right[i] = right[i] / matrix[i][i]
    return rights


def _couple(
    responses: Sequence[Response], ports: Sequence[Port]
) -> tuple[list[list[np.ndarray]], list[np.ndarray]]:
    """Return the matrix of the ports and what they watch before any flux."""
    matrix: list = [[0.0] * len(ports) for _ in ports]
    known: list = [0.0] * len(ports)
    for index, response in enumerate(responses):
        here = [
            (p, touch) for p, port in enumerate(ports) for touch in port.touches
            if touch.layer == index
        ]  # fmt: skip
        if not here:
            continue
        answers = response.of_faces([touch.values for _, touch in here])
        for i, (p, touch) in enumerate(here):
            seen, watch = response.of_state(touch.values), touch.watch
            known[p] = known[p] + (seen if watch is None else watch * seen)
            for k, (q, other) in enumerate(here):
                amount = other.amount if watch is None else other.amount * watch
                matrix[p][q] = matrix[p][q] + amount * answers[i, k]
    for p, port in enumerate(ports):
        matrix[p][p] = matrix[p][p] + port.resistance
    return matrix, known


def _less_gas(known: Sequence[np.ndarray], ports: Sequence[Port], poles: PoleSum) -> list:
    """Take the gas outside from what the ports watch."""
    for port, seen in zip(ports, known, strict=True):
        start, rise = port.gas
        if start is not None:
            seen -= (port.ratio * start) * poles.inverse
        if rise is not None:
            seen -= (port.ratio * rise) * np.square(poles.inverse)
    return list(known)


def _between(port: Port) -> bool:
    """Tell whether a port joins two layers, and does not open into the air."""
    return len(port.touches) > 1


def _apart(ports: Sequence[Port], layers: int) -> list[list[int]]:
    """Group ports that have nothing to do with each other: by layer, joined ones together."""
    together = list(range(layers))  # the layer whose group each one belongs to
    for port in ports:
        first, *others = (together[touch.layer] for touch in port.touches)
        together = [first if group in others else group for group in together]
    of = [together[port.touches[0].layer] for port in ports]
    return [[p for p, group in enumerate(of) if group == index] for index in range(layers)]


def _fluxes(responses, ports: Sequence[Port], poles: PoleSum) -> list[np.ndarray]:
    """Return the fluxes at every pole where the gas outside is given."""
    found: list = [None] * len(ports)
    for own in _apart(ports, len(responses)):
        group = [ports[p] for p in own]
        matrix, known = _couple(responses, group)
        for p, flux in zip(own, _solve(matrix, [_less_gas(known, group, poles)])[0], strict=True):
            found[p] = flux
    return found


def _fluxes_into(
    air: Air, responses, ports: Sequence[Port], theta: np.ndarray
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return fluxes and the level of air at every pole when the ports share that air.

    What is not joined face to face meets in the air only, so each such group is solved by
    itself for air of level zero and for air of level one, and the balance of the air gives
    the level.
    """
    given: list = [None] * len(ports)
    drawn: list = [None] * len(ports)
    out = back = 0.0
    for own in _apart(ports, len(responses)):
        group = [ports[p] for p in own]
        matrix, known = _couple(responses, group)
        levels = [np.zeros_like(k) + (0.0 if _between(port) else port.ratio)
                  for port, k in zip(group, known, strict=True)]  # fmt: skip
        free, per_level = _solve(matrix, [known, levels])
        for p, port, a, b in zip(own, group, free, per_level, strict=True):
            given[p], drawn[p] = a, b
            if not _between(port):
                touch = port.touches[0]
                amount = air.volume_of[touch.layer] * touch.amount
                out, back = out + amount * a, back + amount * b
    brought = air.volume * (air.level + air.supply * air.changes / theta[:, None])
    level = (brought + out) / (air.volume * (theta[:, None] + air.changes) + back)
    return [a - level * b for a, b in zip(given, drawn, strict=True)], level


def advance(
    layers: Sequence[LayerNow],
    ports: Sequence[Port],
    poles: PoleSum,
    *,
    air: Air | None = None,
    to_end: bool = True,
    with_flux: bool = False,
) -> StepResult:
    """Carry coupled layers through one step.

    Parameters
    ----------
    layers, ports : sequences
        The layers and the faces that let through.
    poles : PoleSum
        From `rational_exponential.shared_poles`.
    air : Air, optional
        The ports open into this air instead of gas of a given level.
    to_end : bool
        Whether the modes at the end are wanted.
    with_flux : bool
        Whether the flux at the outputs is wanted.
    """
    responses = [Response(layer, poles) for layer in layers]
    count = poles.weights.shape[0]
    air_level = air_total = None
    if air is None:
        flux = _fluxes(responses, ports, poles)
    else:
        flux, level = _fluxes_into(air, responses, ports, poles.theta)
        air_level, air_total = poles.value @ split(level), poles.total @ split(level)
    parts = [split(f) for f in flux]
    # What each touch draws from the mean of its layer, at every pole.
    drawn = [
        [touch.amount * part for touch in port.touches]
        for port, part in zip(ports, parts, strict=True)
    ]
    mean, reacted, modes = [], [], []
    taken: list[dict[int, np.ndarray]] = [{} for _ in ports]
    for index, (response, layer) in enumerate(zip(responses, layers, strict=True)):
        fed, left = [], layer.modes[0]
        for p, port in enumerate(ports):
            for touch, draw in zip(port.touches, drawn[p], strict=True):
                if touch.layer == index:
                    fed.append((touch.values, draw))
                    taken[p][index] = poles.total @ draw
                    left = left - taken[p][index]
        gone = None
        if layer.loss is not None:
            gone = layer.loss * response.total_of_mean([draw for _, draw in fed])
            left = left - gone
        left = np.broadcast_to(left, (count, layer.modes.shape[1]))
        mean.append(left)
        reacted.append(gone)
        if to_end:
            end = response.at_end(fed)
            end[0] = left[-1]
            modes.append(end)
    return StepResult(
        mean, reacted, [poles.value @ part for part in parts] if with_flux else [], taken, modes,
        air_level, air_total,
    )  # fmt: skip
