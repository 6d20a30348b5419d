"""Results about a curve: the scatter between lots and within them, integrated out.

Given the curve, the start level and both scatters follow from standard normal theory; only
the ratio of the two scatters is summed over a grid. What is left to sample is the curve.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, logsumexp

# Weak priors of our own choice. Scatter within lots: scaled inverse chi-squared with one
# degree of freedom, 5 to 95 % from 0.026 to 0.8. Ratio of the scatter between lots to it:
# log-normal about 1, 5 to 95 % from 0.15 to 7.
_PRIOR_FREEDOM = 1.0
_PRIOR_SCATTER = 0.05
_RATIO_WIDTH = 1.17
_NODES = np.linspace(-3.0, 3.0, 25)


@dataclass(frozen=True)
class Scatter:
    """One draw per sample of what was integrated out. ln(mg) and its scatter, (samples,)"""

    level: np.ndarray
    within: np.ndarray
    between: np.ndarray


@dataclass(frozen=True)
class LotModel:
    """Results about a curve: lots normal about a common level, results about their lot.

    `ln_mg`, `below`, `time_index` and `lot_index` have shape (n,). The common level has no
    prior.
    """

    ln_mg: np.ndarray
    below: np.ndarray
    time_index: np.ndarray
    lot_index: np.ndarray
    lots: int

    def integrate(
        self, ln_share: np.ndarray, generator: np.random.Generator
    ) -> tuple[np.ndarray, Scatter]:
        """Log likelihood of curves with level and scatters integrated out, and a draw of them.

        Parameters
        ----------
        ln_share : ndarray, shape (times, samples)
            Log of the share left. [-]
        generator : numpy.random.Generator
            For the draws.

        Returns
        -------
        log_likelihood : ndarray, shape (samples,)
            Up to a constant; an unbiased estimate where results lie below detection.
        Scatter

        References
        ----------
        Gelman A et al. Bayesian Data Analysis, 3rd ed. 2013, normal models (from memory).
        """
        known = ~self.below
        rest = self.ln_mg[:, None] - ln_share[self.time_index]
        member = np.zeros((self.lots, len(self.ln_mg)))
        member[self.lot_index, np.arange(len(self.ln_mg))] = known
        counts = member.sum(axis=1)[:, None]
        means = (member @ rest) / np.maximum(counts, 1.0)
        within = (member @ np.square(rest) - counts * np.square(means)).sum(axis=0)
        ratio = np.exp(_RATIO_WIDTH * _NODES)[:, None, None]
        # Precision of the lot means about the common level, in units of 1 / within^2.
        pull = counts / (1.0 + counts * np.square(ratio))
        total = pull.sum(axis=1)
        centre = (pull * means).sum(axis=1) / total
        square = within + (pull * np.square(means - centre[:, None])).sum(axis=1)
        freedom = _PRIOR_FREEDOM + known.sum() - 1.0
        scale = _PRIOR_FREEDOM * _PRIOR_SCATTER**2 + np.maximum(square, 0.0)
        size = np.log(1.0 + counts * np.square(ratio)).sum(axis=1) + np.log(total)
        terms = -0.5 * (np.square(_NODES)[:, None] + size + freedom * np.log(scale))
        value = logsumexp(terms, axis=0)
        node = self._choose(np.exp(terms - value), generator)
        drawn = self._draw(node, centre, total, scale, freedom, generator)
        if np.any(self.below):
            value = value + self._below(rest, counts, means, drawn, generator)
        return value, drawn

    @staticmethod
    def _choose(weights: np.ndarray, generator: np.random.Generator) -> np.ndarray:
        """Draw one node of the grid per sample."""
        places = generator.random(weights.shape[1])
        return np.minimum((np.cumsum(weights, axis=0) < places).sum(axis=0), len(_NODES) - 1)

    @staticmethod
    def _draw(
        node: np.ndarray, centre: np.ndarray, total: np.ndarray, scale: np.ndarray,
        freedom: float, generator: np.random.Generator,
    ) -> Scatter:  # fmt: skip
        """Draw scatter and level given the node."""
        at = np.arange(len(node))
        within = np.sqrt(scale[node, at] / generator.chisquare(freedom, len(node)))
        error = within / np.sqrt(total[node, 0])
        level = centre[node, at] + error * generator.standard_normal(len(node))
        return Scatter(level, within, within * np.exp(_RATIO_WIDTH * _NODES[node]))

    def _below(
        self, rest: np.ndarray, counts: np.ndarray, means: np.ndarray, drawn: Scatter,
        generator: np.random.Generator,
    ) -> np.ndarray:  # fmt: skip
        """Log chance of the results below detection, given levels of their lots drawn."""
        s2, t2 = np.square(drawn.within), np.square(drawn.between)
        precision = counts / s2 + 1.0 / t2
        mean = (counts / s2 * means + drawn.level / t2) / precision
        own = mean + generator.standard_normal(mean.shape) / np.sqrt(precision)
        room = log_ndtr((rest - own[self.lot_index]) / drawn.within)
        return np.where(self.below[:, None], room, 0.0).sum(axis=0)
