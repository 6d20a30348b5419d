"""One step of coupled layers through a sum of poles.

In the modes of its closed body a layer is diagonal; every face adds one unknown, the flux
through it. At each pole these few unknowns solve a small linear system, over all samples at
once. Outputs and the modes at the end are weighted sums over the poles.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from eo_risk.physics.rational_exponential import PoleSum

# Stands for the resistance of a closed face: no flux that counts, and no overflow.
CLOSED = 1e100


@dataclass(frozen=True)
class LayerNow:
    """One layer in one step.

    `closed_rate` are the decay rates of its modes, shape (modes,) or (modes, samples), and
    `scale` diffusivity times duration over thickness squared; `loss` is the first-order loss
    times the duration, or None; `modes` where the step starts, `even` when all but the first
    are nothing. Shape (samples,) and (modes, samples).
    """

    closed_rate: np.ndarray
    scale: np.ndarray
    loss: np.ndarray | None
    modes: np.ndarray
    even: bool


@dataclass(frozen=True)
class Touch:
    """What a port has to do with one layer.

    `values` of its modes at the face, (modes,) or (modes, samples); `watch` how its surface
    concentration counts, None for one; `amount` what a flux of one over the whole step takes
    from its mean, area over volume times duration. [s/m]
    """

    layer: int
    values: np.ndarray
    watch: np.ndarray | None
    amount: np.ndarray


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


class _Response:
    """What one layer answers at every pole: the resolvent of its modes, and sums over it."""

    def __init__(self, layer: LayerNow, poles: PoleSum):
        self.layer, self.poles = layer, poles
        closed, shape = layer.closed_rate, layer.modes.shape
        powers = np.empty((3, *shape))
        self.rate = np.multiply(closed if closed.ndim == 2 else closed[:, None], layer.scale,
                                out=powers[0])  # fmt: skip
        if layer.loss is not None:
            self.rate += layer.loss
        np.multiply(self.rate, self.rate, out=powers[1])
        powers[2] = 1.0
        # 1 / |rate + theta|^2: with it every sum over the modes is one of real numbers.
        self.weight = poles.modulus @ powers.reshape(3, -1)
        np.reciprocal(self.weight, out=self.weight)
        self.weight = self.weight.reshape(-1, *shape)

    def _complex(self, plain: np.ndarray, by_rate: np.ndarray) -> np.ndarray:
        out = plain * self.poles.conjugate
        out += by_rate
        return out

    def of_constant(self, values: np.ndarray) -> np.ndarray:
        """Return values / (rate + theta) of the constant mode; values (poles or 1, samples)."""
        if self.layer.loss is None:
            return values * self.poles.inverse
        return values / (self.layer.loss + self.poles.theta[:, None])

    def of_state(self, at_face: np.ndarray) -> np.ndarray:
        """Sum modes x their values at a face / (rate + theta): what a face sees."""
        if self.layer.even:
            return self.of_constant(self.layer.modes[0])
        shaped = at_face if at_face.ndim == 2 else at_face[:, None]
        return self.of_samples(shaped * self.layer.modes)

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
        sums = np.array([values, values * self.layer.closed_rate]) @ self.weight
        plain, by_rate = sums[:, 0], sums[:, 1] * self.layer.scale
        if self.layer.loss is not None:
            by_rate += self.layer.loss * plain
        return self._complex(plain, by_rate)

    def advance(self, fed: Sequence[tuple[Touch, np.ndarray]]) -> np.ndarray:
        """Return the modes at the end, but for the first: that is the mean.

        `fed` pairs touches with the flux at every pole, real parts over imaginary parts,
        shape (2 poles, samples).
        """
        poles, shape, count = self.poles, self.rate.shape, self.weight.shape[0]
        if self.layer.even:
            end = np.zeros(shape)
        else:
            end, plain = (poles.free @ self.weight.reshape(count, -1)).reshape(2, *shape)
            end *= self.rate
            end += plain
            end *= self.layer.modes
        last = 2.0 * poles.weights[-1][:, None]
        for touch, flux in fed:
            real, imag = flux[:count], flux[count:]
            changes = []
            for factor in (last, last * poles.conjugate):
                part = factor.real * real
                part -= factor.imag * imag
                part *= touch.amount
                changes.append(np.einsum("jks,js->ks", self.weight, part))
            change, other = changes
            change *= self.rate
            change += other
            change *= touch.values if touch.values.ndim == 2 else touch.values[:, None]
            end -= change
        return end

    def total_of_mean(self, fed: Sequence[tuple[Touch, np.ndarray]]) -> np.ndarray:
        """Return the integral of the mean in units of the duration, shape (times, samples)."""
        count = self.weight.shape[0]
        held = self.layer.modes[0]
        for touch, flux in fed:
            held = held - touch.amount * (flux[:count] + 1j * flux[count:])
        return self.poles.total @ _split(self.of_constant(held))


def _split(values: np.ndarray) -> np.ndarray:
    return np.concatenate([values.real, values.imag])


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
    responses: Sequence[_Response], ports: Sequence[Port]
) -> tuple[list[list[np.ndarray]], list[np.ndarray]]:
    """Return the matrix of the ports and what they watch before any flux."""
    matrix: list = [[None] * len(ports) for _ in ports]
    known = []
    for p, port in enumerate(ports):
        total = None
        for touch in port.touches:
            response, values, watch = responses[touch.layer], touch.values, touch.watch
            seen = response.of_state(values)
            seen = seen if watch is None else watch * seen
            total = seen if total is None else total + seen
            for q, partner in enumerate(ports):
                for other in partner.touches:
                    if other.layer == touch.layer:
                        both = response.of_modes(values * other.values)
                        both *= other.amount if watch is None else other.amount * watch
                        matrix[p][q] = both if matrix[p][q] is None else matrix[p][q] + both
        matrix[p][p] += port.resistance
        known.append(total)
    return [[0.0 if cell is None else cell for cell in row] for row in matrix], known


def _less_gas(known: Sequence[np.ndarray], ports: Sequence[Port], poles: PoleSum) -> list:
    """Take the gas outside from what the ports watch."""
    for port, seen in zip(ports, known, strict=True):
        start, rise = port.gas
        if start is not None:
            seen -= (port.ratio * start) * poles.inverse
        if rise is not None:
            seen -= (port.ratio * rise) * np.square(poles.inverse)
    return list(known)


def _fluxes_into(
    air: Air, responses, ports: Sequence[Port], theta: np.ndarray
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
        matrix, known = _couple(responses, group)
        levels = [port.ratio + np.zeros_like(k) for port, k in zip(group, known, strict=True)]
        free, per_level = _solve(matrix, [known, levels])
        for p, port, a, b in zip(own, group, free, per_level, strict=True):
            amount = air.volume_of[index] * port.touches[0].amount
            out, back = out + amount * a, back + amount * b
            given[p], drawn[p] = a, b
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
    responses = [_Response(layer, poles) for layer in layers]
    count = poles.weights.shape[0]
    air_level = air_total = None
    if air is None:
        matrix, known = _couple(responses, ports)
        flux = _solve(matrix, [_less_gas(known, ports, poles)])[0]
    else:
        flux, level = _fluxes_into(air, responses, ports, poles.theta)
        air_level, air_total = poles.value @ _split(level), poles.total @ _split(level)
    parts = [_split(f) for f in flux]
    taken = []
    for port, part in zip(ports, parts, strict=True):
        total = poles.total @ part
        taken.append({touch.layer: touch.amount * total for touch in port.touches})
    mean, reacted, modes = [], [], []
    for index, (response, layer) in enumerate(zip(responses, layers, strict=True)):
        fed = [
            (touch, part)
            for port, part in zip(ports, parts, strict=True)
            for touch in port.touches
            if touch.layer == index
        ]
        left = layer.modes[0] - sum(lost[index] for lost in taken if index in lost)
        gone = None
        if layer.loss is not None:
            gone = layer.loss * response.total_of_mean(fed)
            left = left - gone
        left = np.broadcast_to(left, (count, layer.modes.shape[1]))
        mean.append(left)
        reacted.append(gone)
        if to_end:
            end = response.advance(fed)
            end[0] = left[-1]
            modes.append(end)
    return StepResult(
        mean, reacted, [poles.value @ part for part in parts] if with_flux else [], taken, modes,
        air_level, air_total,
    )  # fmt: skip
