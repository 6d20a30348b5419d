"""One step of a layer that has one open face and no reaction: the usual case, in real numbers.

The same sum of poles as `layer_step`, which is its test, with the gas taken from the constant
mode and the one unknown, the flux through the face, divided out at once.
"""

from __future__ import annotations

import numpy as np

from eo_risk.physics.layer_step import LayerNow, Port, StepResult
from eo_risk.physics.rational_exponential import PoleSum


def _sums(weight: np.ndarray, values: np.ndarray, rate: np.ndarray) -> tuple:
    """Sum values and values x rate over the modes, shape (poles, samples) each."""
    return (
        np.einsum("jks,ks->js", weight, values),
        np.einsum("jks,ks->js", weight, values * rate),
    )


def _own_sums(weight: np.ndarray, layer: LayerNow, at_face: np.ndarray, rate: np.ndarray) -> tuple:
    """Sum the squares of the modes at the face: what a flux does to the face it leaves by."""
    if at_face.ndim == 2 or layer.closed_rate.ndim == 2:
        squares = np.square(at_face if at_face.ndim == 2 else at_face[:, None])
        return _sums(weight, np.broadcast_to(squares, rate.shape), rate)
    squares = np.square(at_face)
    sums = np.stack([squares, squares * layer.closed_rate]) @ weight
    return sums[:, 0], sums[:, 1] * layer.scale


def _weight(rate: np.ndarray, poles: PoleSum) -> np.ndarray:
    """Return 1 / |rate + theta|^2, shape (poles, modes, samples)."""
    powers = np.empty((3, *rate.shape))
    powers[0] = rate
    np.multiply(rate, rate, out=powers[1])
    powers[2] = 1.0
    weight = poles.modulus @ powers.reshape(3, -1)
    np.reciprocal(weight, out=weight)
    return weight.reshape(-1, *rate.shape)


def _complex(plain: np.ndarray, by_rate: np.ndarray, poles: PoleSum) -> tuple:
    """Return real and imaginary part of sum values / (rate + theta)."""
    conjugate = poles.conjugate
    by_rate += conjugate.real * plain
    return by_rate, conjugate.imag * plain


def advance_one_face(
    layer: LayerNow, port: Port, poles: PoleSum, *, to_end: bool = True, with_flux: bool = False
) -> StepResult:
    """Carry one layer with one open face through one step.

    Parameters
    ----------
    layer : LayerNow
        Without loss.
    port : Port
        Its face, open into gas of a given level.
    poles, to_end, with_flux
        As in `layer_step.advance`.
    """
    (touch,) = port.touches
    at_face, amount = touch.values, touch.amount
    closed = layer.closed_rate
    rate = (closed if closed.ndim == 2 else closed[:, None]) * layer.scale
    weight = _weight(rate, poles)
    start, rise = port.gas
    # Over the level in equilibrium with the gas the layer meets clean gas.
    over = layer.modes[0] if start is None else layer.modes[0] - port.ratio * start
    inverse = poles.inverse
    if layer.even:
        seen = inverse.real * over, inverse.imag * over
    else:
        shown = (at_face if at_face.ndim == 2 else at_face[:, None]) * layer.modes
        shown[0] = over
        seen = _complex(*_sums(weight, shown, rate), poles)
    if rise is not None:
        twice, lifted = np.square(inverse), port.ratio * rise
        seen = seen[0] - twice.real * lifted, seen[1] - twice.imag * lifted
    real, imag = _complex(*_own_sums(weight, layer, at_face, rate), poles)
    real *= amount
    real += port.resistance
    imag *= amount
    # What every pole takes from the mean: amount x flux, real parts over imaginary parts.
    drawn = np.empty((2 * len(real), rate.shape[1]))
    share = amount / (real * real + imag * imag)
    np.multiply(seen[0] * real + seen[1] * imag, share, out=drawn[: len(real)])
    np.multiply(seen[1] * real - seen[0] * imag, share, out=drawn[len(real) :])
    taken = poles.total @ drawn
    mean = layer.modes[0] - taken
    modes = []
    if to_end:
        modes.append(_end(layer, at_face, rate, weight, poles.last @ drawn))
        modes[0][0] = mean[-1]
    flux = [poles.value @ (drawn / amount)] if with_flux else []
    return StepResult([mean], [None], flux, [{touch.layer: taken}], modes, None, None)


def _end(
    layer: LayerNow, at_face: np.ndarray, rate: np.ndarray, weight: np.ndarray, parts: np.ndarray
) -> np.ndarray:
    """Return the modes at the end; `parts` from `PoleSum.last`."""
    count = weight.shape[0]
    change = np.einsum("jks,js->ks", weight, parts[:count])
    change *= rate
    change += np.einsum("jks,js->ks", weight, parts[count:])
    change *= at_face if at_face.ndim == 2 else at_face[:, None]
    if layer.even:
        return np.negative(change, out=change)
    end = np.exp(np.negative(rate, out=rate), out=rate)
    end *= layer.modes
    end -= change
    return end
