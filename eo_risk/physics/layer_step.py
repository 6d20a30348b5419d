"""One step of coupled layers through a sum of poles.

In the modes of its closed body a layer is diagonal; every face adds one unknown, the flux
through it. At each pole these few unknowns solve a small linear system, over all samples at
once. Outputs and the modes at the end are weighted sums over the poles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

# Stands for the resistance of a closed face: no flux that counts, and no overflow.
CLOSED = 1e100


@dataclass(frozen=True)
class LayerNow:
    """One layer in one step.

    `closed_rate` are the decay rates of its modes, shape (modes,) or (modes, samples), and
    `scale` diffusivity times duration over thickness squared; `loss` is the first-order loss
    times the duration, or None; `modes` where the step starts. Shape (samples,) and
    (modes, samples).
    """

    closed_rate: np.ndarray
    scale: np.ndarray
    loss: np.ndarray | None
    modes: np.ndarray


@dataclass(frozen=True)
class Port:
    """A face that lets through: resistance x flux = sum of watch x surface - gas.

    `touches` lists for each layer it touches: index, mode values at the face (modes,) or
    (modes, samples), the factor `watch` of its surface concentration, and `feed`, what the
    flux takes from the mean of that layer. `gas` is the gas level at the start and its rise
    over the step, or None at a face between two layers. Flux is positive out of the layers.
    """

    touches: tuple[tuple[int, np.ndarray, np.ndarray, np.ndarray], ...]
    resistance: np.ndarray
    gas: tuple[np.ndarray, np.ndarray] | None


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


@dataclass(frozen=True)
class StepResult:
    """Outputs of one step, shape (times, samples); lists run over layers or ports."""

    mean: list[np.ndarray]
    reacted: list[np.ndarray]  # share of the mean that reacted, times its concentration
    flux: list[np.ndarray]
    passed: list[np.ndarray]  # integral of the flux, in units of the duration
    modes: list[np.ndarray]
    air: np.ndarray | None
    air_integral: np.ndarray | None


class _Response:
    """What one layer answers at every pole: the resolvent of its modes, and sums over it."""

    def __init__(self, layer: LayerNow, theta: np.ndarray):
        self.layer, self.theta = layer, theta
        closed = layer.closed_rate
        rate = closed * layer.scale if closed.ndim == 2 else closed[:, None] * layer.scale
        self.rate = rate if layer.loss is None else rate + layer.loss
        real, size = theta.real[:, None, None], np.square(np.abs(theta))[:, None, None]
        # |rate + theta|^2, then its reciprocal, in one array.
        self.weight = self.rate + 2.0 * real
        self.weight *= self.rate
        self.weight += size
        np.reciprocal(self.weight, out=self.weight)
        inverse = 1.0 / theta[:, None]
        self.constant = (
            np.broadcast_to(inverse, (theta.size, layer.scale.size))
            if layer.loss is None
            else 1.0 / (layer.loss + theta[:, None])
        )

    def _complex(self, plain: np.ndarray, by_rate: np.ndarray) -> np.ndarray:
        out = np.empty(plain.shape, dtype=complex)
        out.real = by_rate + self.theta.real[:, None] * plain
        out.imag = -self.theta.imag[:, None] * plain
        return out

    def of_samples(self, values: np.ndarray) -> np.ndarray:
        """Sum values / (rate + theta) over modes; values (modes, samples)."""
        plain = np.einsum("jks,ks->js", self.weight, values)
        return self._complex(plain, np.einsum("jks,ks->js", self.weight, values * self.rate))

    def of_modes(self, values: np.ndarray) -> np.ndarray:
        """Sum values / (rate + theta) over modes; values (modes,) or (modes, samples)."""
        if values.ndim == 2 or self.layer.closed_rate.ndim == 2:
            return self.of_samples(np.broadcast_to(values.T, self.rate.T.shape).T)
        plain, by_rate = np.moveaxis(
            np.stack([values, values * self.layer.closed_rate]) @ self.weight, 1, 0
        )
        by_rate = by_rate * self.layer.scale
        if self.layer.loss is not None:
            by_rate = by_rate + self.layer.loss * plain
        return self._complex(plain, by_rate)

    def advance(self, weight: np.ndarray, fed: list[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
        """Return the modes at the end; `fed` pairs mode values with 2 x weighted flux."""
        theta, rate = self.theta, self.rate
        free = 2.0 * np.stack([weight.real, theta.real * weight.real + theta.imag * weight.imag])
        by_rate, plain = (free @ self.weight.reshape(theta.size, -1)).reshape(2, *rate.shape)
        by_rate *= self.layer.modes
        plain *= self.layer.modes
        for values, flux in fed:
            shaped = values if values.ndim == 2 else values[:, None]
            real = np.ascontiguousarray(flux.real)
            other = theta.real[:, None] * real + theta.imag[:, None] * flux.imag
            by_rate -= shaped * np.einsum("jks,js->ks", self.weight, real)
            plain -= shaped * np.einsum("jks,js->ks", self.weight, other)
        by_rate *= rate
        by_rate += plain
        return by_rate


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
    responses: Sequence[_Response], ports: Sequence[Port], duration: np.ndarray
) -> tuple[list[list[np.ndarray]], list[np.ndarray]]:
    """Return the matrix of the ports and what they watch before any flux."""
    matrix = [[0.0] * len(ports) for _ in ports]
    known = []
    for p, port in enumerate(ports):
        total = 0.0
        for layer, values, watch, _ in port.touches:
            response = responses[layer]
            shaped = values if values.ndim == 2 else values[:, None]
            total = total + watch * response.of_samples(shaped * response.layer.modes)
            for q, partner in enumerate(ports):
                for other, partner_values, _, feed in partner.touches:
                    if other == layer:
                        both = response.of_modes(values * partner_values)
                        matrix[p][q] = matrix[p][q] + (watch * feed * duration) * both
        matrix[p][p] = matrix[p][p] + port.resistance
        known.append(total)
    return matrix, known


def _fluxes(matrix, known, ports, theta) -> list[np.ndarray]:
    """Return the flux at every pole through every port into gas of a given level."""
    rights = []
    for port, seen in zip(ports, known, strict=True):
        if port.gas is None:
            rights.append(seen)
            continue
        start, rise = port.gas
        inverse = 1.0 / theta[:, None]
        rights.append(seen - inverse * (start + rise * inverse))
    return _solve(matrix, [rights])[0]


def _fluxes_into(
    air: Air, matrices, knowns, groups, theta, duration
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return fluxes and the level of air at every pole when the ports share that air.

    `groups` holds the ports of each layer; layers meet in the air only.
    """
    given, drawn = [], []
    out, back = 0.0, 0.0
    for index, (matrix, known, ports) in enumerate(zip(matrices, knowns, groups, strict=True)):
        ones = [np.ones_like(k) for k in known]
        free, per_level = _solve(matrix, [known, ones]) if known else ([], [])
        for port, a, b in zip(ports, free, per_level, strict=True):
            amount = air.volume_of[index] * port.touches[0][3] * duration
            out, back = out + amount * a, back + amount * b
        given += free
        drawn += per_level
    inverse = 1.0 / theta[:, None]
    brought = air.volume * (air.level + air.supply * air.changes * inverse)
    level = (brought + out) / (air.volume * (theta[:, None] + air.changes) + back)
    return [a - level * b for a, b in zip(given, drawn, strict=True)], level


def advance(
    layers: Sequence[LayerNow],
    ports: Sequence[Port],
    duration: np.ndarray,
    theta: np.ndarray,
    weights: np.ndarray,
    *,
    air: Air | None = None,
    to_end: bool = True,
) -> StepResult:
    """Carry coupled layers through one step.

    Parameters
    ----------
    layers, ports : sequences
        The layers and the faces that let through.
    duration : ndarray, shape (samples,)
        Length of the step. [s]
    theta, weights : ndarray of complex, shapes (poles,), (times, poles)
        From `rational_exponential.shared_poles`.
    air : Air, optional
        The ports open into this air instead of gas of a given level.
    to_end : bool
        Whether the modes at the end are wanted.
    """
    responses = [_Response(layer, theta) for layer in layers]
    level = None
    if air is None:
        matrix, known = _couple(responses, ports, duration)
        flux = _fluxes(matrix, known, ports, theta)
    else:
        groups = [[p for p in ports if p.touches[0][0] == i] for i in range(len(layers))]
        ports = [port for group in groups for port in group]
        coupled = [_couple(responses, group, duration) for group in groups]
        flux, level = _fluxes_into(
            air, [c[0] for c in coupled], [c[1] for c in coupled], groups, theta, duration
        )
    both = np.concatenate([weights, weights / theta])
    count = weights.shape[0]
    backs = [2.0 * (both @ f).real for f in flux]
    passed = [b[count:] for b in backs]
    mean, reacted, modes = [], [], []
    for index, (response, layer) in enumerate(zip(responses, layers, strict=True)):
        through = [
            (values, feed * duration, f, total)
            for port, f, total in zip(ports, flux, passed, strict=True)
            for touched, values, _, feed in port.touches
            if touched == index
        ]
        level_now, gone = _mean(response, layer, weights, through)
        mean.append(level_now)
        reacted.append(gone)
        if to_end:
            fed = [(v, (2.0 * amount) * weights[-1][:, None] * f) for v, amount, f, _ in through]
            end = response.advance(weights[-1], fed)
            end[0] = level_now[-1]
            modes.append(end)
    if level is not None:
        level = 2.0 * (both @ level).real
    return StepResult(
        mean, reacted, [b[:count] for b in backs], passed, modes,
        None if level is None else level[:count], None if level is None else level[count:],
    )  # fmt: skip


def _mean(
    response: _Response, layer: LayerNow, weights: np.ndarray, through: list
) -> tuple[np.ndarray, np.ndarray]:
    """Return the mean of a layer and what reacted, shape (times, samples)."""
    before = layer.modes[0]
    left = before - sum((amount * total for _, amount, _, total in through), np.zeros_like(before))
    left = np.broadcast_to(left, (weights.shape[0], before.size))
    if layer.loss is None:
        return left, np.zeros(left.shape)
    held = before - sum(amount * f for _, amount, f, _ in through)
    held = held * response.constant
    reacted = layer.loss * (2.0 * ((weights / response.theta) @ held).real)
    return left - reacted, reacted
