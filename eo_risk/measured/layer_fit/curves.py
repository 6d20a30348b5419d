"""How a material body gives off its gas in aeration, for any diffusivity and resistance.

The layer model is run once over a grid of both; anything between is read off a smooth
surface, so that thousands of samples cost little.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import RectBivariateSpline

from eo_risk.physics.layer import Body, Stage, run_layer

_DIFFUSIVITIES = 97
_RESISTANCES = 33
# The layer model's answer carries no figures below this share of the start.
_LEAST_SHARE = 1e-7


@dataclass(frozen=True)
class ReleaseCurves:
    """Share of the start left at fixed times, over ln D and ln of the transfer velocity.

    The transfer velocity is the gas-side coefficient over the material's gas ratio. [m/s]
    """

    time_s: np.ndarray
    low: tuple[float, float]
    high: tuple[float, float]
    surfaces: tuple[RectBivariateSpline, ...]
    filled: RectBivariateSpline

    @classmethod
    def of(
        cls,
        body: Body,
        time_s: np.ndarray,
        diffusivity: tuple[float, float],
        velocity: tuple[float, float],
        *,
        exposure_s: float = 0.0,
        exposure_ratio: float = 1.0,
    ) -> ReleaseCurves:
        """Run the layer model over the grid.

        Parameters
        ----------
        body : Body
            Geometry, one number each. [m]
        time_s : ndarray, shape (times,)
            Rising times in aeration, all above 0. [s]
        diffusivity, velocity : (float, float)
            Lowest and highest of the grid. [m2/s], [m/s]
        exposure_s : float
            Gas exposure before, from clean; 0 means an even start. [s]
        exposure_ratio : float
            Diffusivity during exposure over that in aeration. [-]
        """
        ln_d = np.linspace(*np.log(diffusivity), _DIFFUSIVITIES)
        ln_v = np.linspace(*np.log(velocity), _RESISTANCES)
        d, v = (grid.ravel() for grid in np.exp(np.meshgrid(ln_d, ln_v, indexing="ij")))

        def stage(duration_s: float, gas: float, ratio: float, outputs: np.ndarray) -> Stage:
            return Stage(duration_s, d * ratio, 1.0, gas, transfer_outer_m_per_s=v,
                         transfer_inner_m_per_s=v, output_times_s=outputs)  # fmt: skip

        aeration = stage(float(time_s[-1]), 0.0, 1.0, time_s[:-1])
        if exposure_s > 0.0:
            exposure = stage(exposure_s, 1.0, exposure_ratio, np.empty(0))
            run = run_layer(body, [exposure, aeration])
        else:
            run = run_layer(body, [aeration], start_kg_per_m3=np.ones_like(d))
        mean = run.mean_kg_per_m3
        share = mean[-len(time_s) :] / mean[-len(time_s) - 1]
        ln_share = np.log(np.maximum(share, _LEAST_SHARE))
        shape = (_DIFFUSIVITIES, _RESISTANCES)
        surfaces = tuple(RectBivariateSpline(ln_d, ln_v, row.reshape(shape)) for row in ln_share)
        full = np.log(np.maximum(mean[-len(time_s) - 1], _LEAST_SHARE)).reshape(shape)
        filled = RectBivariateSpline(ln_d, ln_v, full)
        return cls(time_s, (ln_d[0], ln_v[0]), (ln_d[-1], ln_v[-1]), surfaces, filled)

    def ln_share_left(self, ln_d: np.ndarray, ln_v: np.ndarray, which: np.ndarray) -> np.ndarray:
        """Log of the share left at times `which`, shape (times, samples). [-]"""
        x, y = self._inside(ln_d, ln_v)
        return np.stack([self.surfaces[i].ev(x, y) for i in which])

    def ln_filled(self, ln_d: np.ndarray, ln_v: np.ndarray) -> np.ndarray:
        """Log of the level after the exposure over that at equilibrium, shape (samples,). [-]"""
        return self.filled.ev(*self._inside(ln_d, ln_v))

    def _inside(self, ln_d: np.ndarray, ln_v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        return (np.clip(ln_d, self.low[0], self.high[0]),
                np.clip(ln_v, self.low[1], self.high[1]))  # fmt: skip
