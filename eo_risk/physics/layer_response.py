"""What one layer answers at every pole of a step: sums over its modes.

A layer in its closed modes is diagonal: what a face sees is a sum over the modes of
something / (rate + theta) at each pole theta. All such sums share one array of real weights.

What is made anew in every step is a named tuple here and in the other `layer_*` files: frozen as
well, and made in a fifth of the time.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import prod
from typing import NamedTuple

import numpy as np

from eo_risk.physics.rational_exponential import PoleSum


class Room:
    """Memory for the large arrays of a step, kept for the next one.

    Pages fresh from the system cost more than what is computed in them.
    """

    def __init__(self) -> None:
        self._kept: dict[str, np.ndarray] = {}
        self._shaped: dict[tuple, np.ndarray] = {}

    def array(self, name: str, *shape: int) -> np.ndarray:
        """Return an array with the leftovers of its last use in it."""
        found = self._shaped.get((name, shape))
        if found is None:
            size = prod(shape)
            if name not in self._kept or self._kept[name].size < size:
                self._kept[name] = np.empty(size)
                self._shaped.clear()  # they would keep the memory they were cut from
            found = self._shaped[name, shape] = self._kept[name][:size].reshape(shape)
        return found


class LayerNow(NamedTuple):
    """One layer in one step.

    `closed_rate` are the decay rates of its modes, shape (modes,) or (modes, samples), and
    `scale` diffusivity times duration over thickness squared; `loss` is the first-order loss
    times the duration, or None; `modes` where the step starts, `even` when all but the first
    are nothing. Shape (samples,) and (modes, samples). `room` is memory to work in.
    """

    closed_rate: np.ndarray
    scale: np.ndarray
    loss: np.ndarray | None
    modes: np.ndarray
    even: bool
    room: Room


class Touch(NamedTuple):
    """What a port has to do with one layer.

    `values` of its modes at the face, (modes,) or (modes, samples); `watch` how its surface
    concentration counts, None for one; `amount` what a flux of one over the whole step takes
    from its mean, area over volume times duration. [s/m] `squares` are the `face_rows` of the
    squared values, where all samples share their modes.
    """

    layer: int
    values: np.ndarray
    watch: np.ndarray | None
    amount: np.ndarray
    squares: np.ndarray | None = None


# exp of less than minus this is nothing, and slow to compute near the smallest numbers.
_GONE = 300.0


def split(values: np.ndarray) -> np.ndarray:
    """Return real parts over imaginary parts."""
    return np.concatenate([values.real, values.imag])


def face_rows(closed_rate: np.ndarray, products: Sequence[np.ndarray]) -> np.ndarray:
    """Return products of modes at faces, then the same times the rate, (2 products, modes)."""
    return np.array([*products, *(p * closed_rate for p in products)])


class Response:
    """The resolvent of the modes of one layer at every pole, and sums over it."""

    def __init__(self, layer: LayerNow, poles: PoleSum):
        self.layer, self.poles = layer, poles
        closed, shape = layer.closed_rate, layer.modes.shape
        powers = layer.room.array("powers", 3, *shape)
        self.rate = np.multiply(closed if closed.ndim == 2 else closed[:, None], layer.scale,
                                out=powers[0])  # fmt: skip
        if layer.loss is not None:
            self.rate += layer.loss
        np.multiply(self.rate, self.rate, out=powers[1])
        powers[2] = 1.0
        # 1 / |rate + theta|^2: with it every sum over the modes is one of real numbers.
        self.weight = layer.room.array("weight", poles.theta.size, *shape)
        # Mode by mode, in pieces that stay in the caches.
        np.matmul(poles.modulus, powers.transpose(1, 0, 2), out=self.weight.transpose(1, 0, 2))
        # Twice as fast as `reciprocal`, which numpy has not widened.
        np.divide(1.0, self.weight, out=self.weight)

    def sums(self, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Sum values, and values x rate, by weight over the modes; shape (poles, samples)."""
        return (
            np.einsum("jks,ks->js", self.weight, values),
            np.einsum("jks,ks->js", self.weight, values * self.rate),
        )

    def face_sums(self, products: Sequence[np.ndarray]) -> list[tuple[np.ndarray, np.ndarray]]:
        """Return `sums` of products of modes at faces, (modes,) or (modes, samples) each."""
        closed = self.layer.closed_rate
        if not products:
            return []
        if closed.ndim == 2 or products[0].ndim == 2:
            full = (p if p.ndim == 2 else p[:, None] for p in products)
            return [self.sums(np.broadcast_to(p, self.rate.shape)) for p in full]
        return self.row_sums(face_rows(closed, products))

    def row_sums(self, rows: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """Return `sums` of every product in `face_rows`."""
        shape = self.weight.shape[0], len(rows), self.weight.shape[2]
        found = np.matmul(rows, self.weight, out=self.layer.room.array("rows", *shape))
        products = len(rows) // 2
        for i in range(products):
            by_rate = found[:, products + i]
            by_rate *= self.layer.scale
            if self.layer.loss is not None:
                by_rate += self.layer.loss * found[:, i]
        return [(found[:, i], found[:, products + i]) for i in range(products)]

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
        return self._complex(*self.sums(shaped * self.layer.modes))

    def of_faces(self, at_faces: Sequence[np.ndarray]) -> dict[tuple[int, int], np.ndarray]:
        """Return what each face sees of a flux of one at each: sums of products of modes."""
        pairs = [(i, k) for i in range(len(at_faces)) for k in range(i, len(at_faces))]
        found = self.face_sums([at_faces[i] * at_faces[k] for i, k in pairs])
        answers = {}
        for (i, k), sums in zip(pairs, found, strict=True):
            answers[i, k] = answers[k, i] = self._complex(*sums)
        return answers

    def at_end(self, fed: Sequence[tuple[np.ndarray, np.ndarray]]) -> np.ndarray:
        """Return the modes at the end, but for the first: that is the mean.

        `fed` pairs the modes at a face with what is drawn from the mean through it at every
        pole, real parts over imaginary parts, shape (2 poles, samples).
        """
        count = self.weight.shape[0]
        gone = []
        for at_face, drawn in fed:
            parts = self.poles.last @ drawn
            change = np.einsum("jks,js->ks", self.weight, parts[:count])
            change *= self.rate
            change += np.einsum("jks,js->ks", self.weight, parts[count:])
            change *= at_face if at_face.ndim == 2 else at_face[:, None]
            gone.append(change)
        if self.layer.even:
            end = np.zeros(self.rate.shape)
        else:
            end = np.minimum(self.rate, _GONE)
            np.exp(np.negative(end, out=end), out=end)
            end *= self.layer.modes
        for change in gone:
            end -= change
        return end

    def total_of_mean(self, drawn: Sequence[np.ndarray]) -> np.ndarray:
        """Return the integral of the mean in units of the duration, shape (times, samples)."""
        count = self.weight.shape[0]
        held = self.layer.modes[0]
        for part in drawn:
            held = held - (part[:count] + 1j * part[count:])
        return self.poles.total @ split(self.of_constant(held))
