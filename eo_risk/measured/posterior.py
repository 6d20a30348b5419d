"""Samples of what results and prior knowledge together say about a decline.

Every unknown is a standard normal deviate turned into its prior; adaptive importance
sampling moves the cloud from the prior to the posterior in steps none of which loses too
many samples.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr
from scipy.stats import multivariate_t

_CLOUD = 2000
_FINAL = 6000
_TAIL_FREEDOM = 5.0  # heavier tails than normal, so that no region is missed
_WIDER = 1.3
_KEEP_SHARE = 0.15  # effective share of the cloud that a step must keep
_MOST_STEPS = 40


@dataclass(frozen=True)
class Cloud:
    """Weighted samples: deviates (samples, unknowns) and weights that add up to one.

    `companion` (samples,) is what was drawn along with each sample's likelihood.
    """

    deviates: np.ndarray
    weights: np.ndarray
    companion: np.ndarray

    @property
    def effective(self) -> float:
        """Number of independent samples the weights are worth. [-]"""
        return float(1.0 / np.sum(np.square(self.weights)))

    def resample(self, count: int, generator: np.random.Generator) -> np.ndarray:
        """Indices of samples of equal weight, drawn systematically."""
        places = (np.arange(count) + generator.random()) / count
        edges = np.cumsum(self.weights)
        return np.minimum(np.searchsorted(edges, places), len(edges) - 1)


def _normalised(log_weights: np.ndarray) -> np.ndarray:
    weights = np.exp(log_weights - log_weights.max())
    return weights / weights.sum()


def _effective(log_weights: np.ndarray) -> float:
    return float(1.0 / np.sum(np.square(_normalised(log_weights))))


def _temper(
    log_prior: np.ndarray, log_likelihood: np.ndarray, log_proposal: np.ndarray, reached: float
) -> float:
    """Largest power of the likelihood, up to 1, that keeps enough of the cloud."""
    keep = _KEEP_SHARE * len(log_prior)

    def kept(power: float) -> float:
        return _effective(log_prior + power * log_likelihood - log_proposal)

    if kept(1.0) >= keep:
        return 1.0
    low, high = reached, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if kept(middle) >= keep else (low, middle)
    return low


def sample_posterior(
    log_likelihood: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    unknowns: int,
    generator: np.random.Generator,
) -> Cloud:
    """Sample the posterior of standard normal deviates.

    Parameters
    ----------
    log_likelihood : callable
        From deviates (samples, unknowns) to log likelihoods and companions, both (samples,);
        a likelihood may be an unbiased estimate drawn at random with its companion.
    unknowns : int
        Number of deviates.
    generator : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    Cloud

    References
    ----------
    Cappe O, Douc R, Guillin A, Marin JM, Robert CP. Adaptive importance sampling in general
    mixture classes. Stat Comput 2008;18:447-459. (from memory)
    """
    center, spread = np.zeros(unknowns), np.eye(unknowns)
    power = 0.0
    for _ in range(_MOST_STEPS):
        count = _FINAL if power == 1.0 else _CLOUD
        proposal = multivariate_t(center, spread, df=_TAIL_FREEDOM)
        z = proposal.rvs(count, random_state=generator).reshape(count, unknowns)
        prior = -0.5 * np.sum(np.square(z), axis=1)
        likelihood, companion = log_likelihood(z)
        against = proposal.logpdf(z)
        before, power = power, _temper(prior, likelihood, against, power)
        weights = _normalised(prior + power * likelihood - against)
        if before == 1.0:
            return Cloud(z, _normalised(prior + likelihood - against), companion)
        center = weights @ z
        away = z - center
        spread = _WIDER * (away * weights[:, None]).T @ away + 1e-9 * np.eye(unknowns)
    # The likelihood was never reached in full: the last cloud is returned as it is, and its
    # small effective number tells.
    return Cloud(z, _normalised(prior + likelihood - against), companion)


@dataclass(frozen=True)
class LotModel:
    """Results about a curve: level per lot about a common level, scatter within lots.

    `ln_mg`, `below`, `time_index` and `lot_index` have shape (n,). The common level has no
    prior; lot levels are normal about it with deviation tau, results about theirs with sigma.
    """

    ln_mg: np.ndarray
    below: np.ndarray
    time_index: np.ndarray
    lot_index: np.ndarray
    lots: int

    def levels(
        self, ln_share: np.ndarray, sigma: np.ndarray, tau: np.ndarray,
        generator: np.random.Generator,
    ) -> tuple[np.ndarray, np.ndarray]:  # fmt: skip
        """Log likelihood with the levels integrated out, and a draw of the common level.

        Parameters
        ----------
        ln_share : ndarray, shape (times, samples)
            Curve. [-]
        sigma, tau : ndarray, shape (samples,)
            Scatter within and between lots. [-]
        generator : numpy.random.Generator
            For the levels that results below detection are compared with.

        Returns
        -------
        log_likelihood, level : ndarray, shape (samples,)
            The first is an unbiased estimate where results lie below detection.
        """
        known = ~self.below
        rest = self.ln_mg[:, None] - ln_share[self.time_index]
        member = np.zeros((self.lots, len(self.ln_mg)))
        member[self.lot_index, np.arange(len(self.ln_mg))] = known
        counts = member.sum(axis=1)[:, None]
        means = (member @ rest) / np.maximum(counts, 1.0)
        within = member @ np.square(rest) - counts * np.square(means)
        s2, t2 = np.square(sigma), np.square(tau)
        pull = counts / (s2 + counts * t2)
        total = pull.sum(axis=0)
        level = (pull * means).sum(axis=0) / total
        square = (within / s2 + pull * np.square(means - level)).sum(axis=0)
        size = (counts - 1.0) * np.log(s2) + np.log(s2 + counts * t2)
        size = np.where(counts > 0.0, size, 0.0).sum(axis=0)
        value = -0.5 * (size + np.log(total) + square)
        common = level + generator.standard_normal(len(total)) / np.sqrt(total)
        if np.any(self.below):
            precision = counts / s2 + 1.0 / t2
            mean = (counts / s2 * means + common / t2) / precision
            own = mean + generator.standard_normal(mean.shape) / np.sqrt(precision)
            room = (rest - own[self.lot_index]) / sigma
            value = value + np.where(self.below[:, None], log_ndtr(room), 0.0).sum(axis=0)
        return value, common
