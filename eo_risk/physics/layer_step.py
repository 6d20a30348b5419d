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
class Touch:
    """What a port has to do with one layer.

    `values` of its modes at the face, (modes,) or (modes, samples); `watch` how its surface
    concentration counts, None for one; `feed` what the flux takes from its mean. [1/m]
    """

    layer: int
    values: np.ndarray
    watch: np.ndarray | None
    feed: np.ndarray


@dataclass(frozen=True)
class Port:
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


@dataclass(frozen=True)
class StepResult:
    """Outputs of one step, shape (times, samples); lists run over layers or ports.

    `reacted` is the fall of the mean by reaction, `taken` that of the mean of the layers a
    port touches, `air_time` the integral of the level of air in units of the duration.
    """

    mean: list[np.ndarray]
    reacted: list[np.ndarray | None]
    flux: list[np.ndarray]
    taken: list[dict[int, np.ndarray]]
    modes: list[np.ndarray]
    air: np.ndarray | None
    air_time: np.ndarray | None


class _Response:
    """What one layer answers at every pole: the resolvent of its modes, and sums over it."""

    def __init__(self, layer: LayerNow, theta: np.ndarray):
        self.layer, self.theta = layer, theta
        closed, shape = layer.closed_rate, layer.modes.shape
        # |rate + theta|^2 = rate^2 + 2 Re(theta) rate + |theta|^2 as one matrix product.
        powers = np.empty((3, *shape))
        rate = np.multiply(closed if closed.ndim == 2 else closed[:, None], layer.scale,
                           out=powers[0])  # fmt: skip
        if layer.loss is not None:
            rate += layer.loss
        np.multiply(rate, rate, out=powers[1])
        powers[2] = 1.0
        size = theta.real**2 + theta.imag**2
        terms = np.stack([2.0 * theta.real, np.ones(theta.size), size], axis=1)
        self.rate = rate
        self.weight = (terms @ powers.reshape(3, -1)).reshape(theta.size, *shape)
        np.reciprocal(self.weight, out=self.weight)

    def _complex(self, plain: np.ndarray, by_rate: np.ndarray) -> np.ndarray:
        out = np.empty(plain.shape, dtype=complex)
        np.multiply(plain, self.theta.real[:, None], out=out.real)
        out.real += by_rate
        np.multiply(plain, -self.theta.imag[:, None], out=out.imag)
        return out

    def of_samples(self, values: np.ndarray) -> np.ndarray:
        """Sum values / (rate + theta) over modes; values (modes, samples)."""
        plain = np.einsum("jks,ks->js", self.weight, values)
        return self._complex(plain, np.einsum("jks,ks->js", self.weight, values * self.rate))

    def of_modes(self, values: np.ndarray) -> np.ndarray:
        """Sum values / (rate + theta) over modes; values (modes,) or (modes, samples)."""
        if values.ndim == 2:
            return self.of_samples(values)
        if self.layer.closed_rate.ndim == 2:
            return self.of_samples(np.broadcast_to(values[:, None], self.rate.shape))
        sums = np.stack([values, values * self.layer.closed_rate]) @ self.weight
        plain, by_rate = sums[:, 0], sums[:, 1] * self.layer.scale
        if self.layer.loss is not None:
            by_rate += self.layer.loss * plain
        return self._complex(plain, by_rate)

    def constant(self) -> np.ndarray:
        """Return 1 / (rate + theta) of the constant mode."""
        inverse = 1.0 / self.theta[:, None]
        return inverse if self.layer.loss is None else 1.0 / (self.layer.loss + self.theta[:, None])

    def advance(
        self, weight: np.ndarray, fed: Sequence[tuple[np.ndarray, np.ndarray, np.ndarray]]
    ) -> np.ndarray:
        """Return the modes at the end.

        `fed` lists mode values at a face, feed times duration there, and the flux at every
        pole, real parts over imaginary parts, shape (2 poles, samples).
        """
        poles, shape, theta = weight.size, self.rate.shape, self.theta
        turned = theta.conj() * weight
        free = 2.0 * np.stack([weight.real, turned.real])
        by_rate, plain = (free @ self.weight.reshape(poles, -1)).reshape(2, *shape)
        by_rate *= self.rate
        by_rate += plain
        by_rate *= self.layer.modes
        for values, amount, flux in fed:
            real, imag = flux[:poles], flux[poles:]
            change, other = (
                np.einsum(
                    "jks,js->ks", self.weight,
                    (factor.real[:, None] * real - factor.imag[:, None] * imag) * amount,
                )
                for factor in (2.0 * weight, 2.0 * turned)
            )  # fmt: skip
            change *= self.rate
            change += other
            change *= values if values.ndim == 2 else values[:, None]
            by_rate -= change
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
        for touch in port.touches:
            response, values, watch = responses[touch.layer], touch.values, touch.watch
            shaped = values if values.ndim == 2 else values[:, None]
            seen = response.of_samples(shaped * response.layer.modes)
            total = total + (seen if watch is None else watch * seen)
            for q, partner in enumerate(ports):
                for other in partner.touches:
                    if other.layer == touch.layer:
                        factor = other.feed * duration
                        both = response.of_modes(values * other.values)
                        both *= factor if watch is None else factor * watch
                        matrix[p][q] = matrix[p][q] + both
        matrix[p][p] = matrix[p][p] + port.resistance
        known.append(total)
    return matrix, known


def _less_gas(known: Sequence[np.ndarray], ports: Sequence[Port], theta: np.ndarray) -> list:
    """Take the gas outside from what the ports watch."""
    inverse = 1.0 / theta[:, None]
    found = []
    for port, seen in zip(ports, known, strict=True):
        start, rise = port.gas
        if start is not None:
            seen = seen - (port.ratio * start) * inverse
        if rise is not None:
            seen = seen - (port.ratio * rise) * np.square(inverse)
        found.append(seen)
    return found


def _fluxes_into(
    air: Air, responses, ports: Sequence[Port], theta, duration
) -> tuple[list[np.ndarray], np.ndarray]:
    """Return fluxes and the level of air at every pole when the ports share that air.

    The layers meet in the air only, so each is solved by itself for air of level zero and
    for air of level one, and the balance of the air gives the level.
    """
    given: list = [None] * len(ports)
    drawn: list = [None] * len(ports)
    out = back = 0.0
    for index in range(len(responses)):
        own = [p for p, port in enumerate(ports) if port.touches[0].layer == index]
        group = [ports[p] for p in own]
        matrix, known = _couple(responses, group, duration)
        levels = [port.ratio + np.zeros_like(k) for port, k in zip(group, known, strict=True)]
        free, per_level = _solve(matrix, [known, levels])
        for p, port, a, b in zip(own, group, free, per_level, strict=True):
            amount = air.volume_of[index] * port.touches[0].feed * duration
            out, back = out + amount * a, back + amount * b
            given[p], drawn[p] = a, b
    brought = air.volume * (air.level + air.supply * air.changes / theta[:, None])
    level = (brought + out) / (air.volume * (theta[:, None] + air.changes) + back)
    return [a - level * b for a, b in zip(given, drawn, strict=True)], level


def _back(weights: np.ndarray, parts: np.ndarray) -> np.ndarray:
    """Return 2 Re of weights @ values, whose real parts stand over the imaginary ones."""
    return np.concatenate([2.0 * weights.real, -2.0 * weights.imag], axis=1) @ parts


def _split(values: np.ndarray) -> np.ndarray:
    return np.concatenate([values.real, values.imag])


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
        flux = _solve(matrix, [_less_gas(known, ports, theta)])[0]
    else:
        flux, level = _fluxes_into(air, responses, ports, theta, duration)
        level = _back(np.concatenate([weights, weights / theta]), _split(level))
    parts = [_split(f) for f in flux]
    count = weights.shape[0]
    backs = [_back(np.concatenate([weights, weights / theta]), p) for p in parts]
    taken = [
        {t.layer: t.feed * duration * b[count:] for t in port.touches}
        for port, b in zip(ports, backs, strict=True)
    ]
    mean, reacted, modes = [], [], []
    for index, (response, layer) in enumerate(zip(responses, layers, strict=True)):
        fed = [
            (touch.values, touch.feed * duration, p)
            for port, p in zip(ports, parts, strict=True)
            for touch in port.touches
            if touch.layer == index
        ]
        left = np.broadcast_to(layer.modes[0], (count, duration.size))
        for lost in taken:
            left = left - lost[index] if index in lost else left
        gone = None
        if layer.loss is not None:
            gone = layer.loss * _time_of_mean(response, weights, fed)
            left = left - gone
        mean.append(left)
        reacted.append(gone)
        if to_end:
            end = response.advance(weights[-1], fed)
            end[0] = left[-1]
            modes.append(end)
    return StepResult(
        mean, reacted, [b[:count] for b in backs], taken, modes,
        None if level is None else level[:count], None if level is None else level[count:],
    )  # fmt: skip


def _time_of_mean(response: _Response, weights: np.ndarray, fed: Sequence[tuple]) -> np.ndarray:
    """Return the integral of the mean in units of the duration, shape (times, samples)."""
    poles = response.theta.size
    held = response.layer.modes[0]
    for _, amount, parts in fed:
        held = held - amount * (parts[:poles] + 1j * parts[poles:])
    return _back(weights / response.theta, _split(held * response.constant()))

