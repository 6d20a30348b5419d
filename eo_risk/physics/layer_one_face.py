"""One step of a layer that has one open face and no reaction: the usual case, in real numbers.

The same sum of poles as `layer_step`, which is its test, with the gas taken from the constant
mode and the one unknown, the flux through the face, divided out at once.
"""

from __future__ import annotations

import numpy as np

from eo_risk.physics.layer_response import LayerNow, Response
from eo_risk.physics.layer_step import CLOSED, Port, StepResult
from eo_risk.physics.rational_exponential import PoleSum

# A resistance beyond all others whose square is still a number.
_BOUNDLESS = CLOSED**1.5


def _parts(plain: np.ndarray, by_rate: np.ndarray, poles: PoleSum) -> tuple:
    """Return real and imaginary part of sum values / (rate + theta)."""
    real, imag = poles.parts
    by_rate += real * plain
    return by_rate, imag * plain


def _seen(response: Response, port: Port) -> tuple[np.ndarray, np.ndarray]:
    """Return real and imaginary part of what the face sees before any flux, less the gas."""
    layer, poles, (touch,) = response.layer, response.poles, port.touches
    start, rise = port.gas
    # Over the level in equilibrium with the gas the layer meets clean gas.
    over = layer.modes[0] if start is None else layer.modes[0] - port.ratio * start
    inverse = poles.inverse
    if layer.even:
        real, imag = inverse.real * over, inverse.imag * over
    else:
        shown = (touch.values if touch.values.ndim == 2 else touch.values[:, None]) * layer.modes
        shown[0] = over
        real, imag = _parts(*response.sums(shown), poles)
    if rise is not None:
        twice, lifted = np.square(inverse), port.ratio * rise
        real -= twice.real * lifted
        imag -= twice.imag * lifted
    return real, imag


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
    response = Response(layer, poles)
    if touch.squares is None:
        (own,) = response.face_sums([np.square(touch.values)])
    else:
        (own,) = response.row_sums(touch.squares)
    seen_real, seen_imag = _seen(response, port)
    real, imag = _parts(*own, poles)
    # The resistance for what a step draws from the mean, amount x flux; boundless in no time.
    amount = np.maximum(touch.amount, 1.0 / CLOSED)
    real += np.minimum(port.resistance / amount, _BOUNDLESS)
    # What every pole draws, real parts over imaginary parts.
    count, samples = real.shape
    drawn = layer.room.array("drawn", 2 * count, samples)
    drawn_real, drawn_imag = drawn[:count], drawn[count:]
    share, part = layer.room.array("shares", 2, count, samples)
    np.multiply(real, real, out=share)
    share += np.multiply(imag, imag, out=part)
    np.divide(1.0, share, out=share)
    np.multiply(seen_real, real, out=drawn_real)
    drawn_real += np.multiply(seen_imag, imag, out=part)
    drawn_real *= share
    np.multiply(seen_imag, real, out=drawn_imag)
    drawn_imag -= np.multiply(seen_real, imag, out=part)
    drawn_imag *= share
    taken, mean = layer.room.array("taken", 2, poles.total.shape[0], samples)
    np.matmul(poles.total, drawn, out=taken)
    np.subtract(layer.modes[0], taken, out=mean)
    modes = []
    if to_end:
        modes = [response.at_end([(touch.values, drawn)])]
        modes[0][0] = mean[-1]
    flux = [poles.value @ (drawn / amount)] if with_flux else []
    return StepResult([mean], [None], flux, [{touch.layer: taken}], modes, None, None)
