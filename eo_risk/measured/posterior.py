"""Samples of what results and prior knowledge together say.

Importance sampling with a proposal that adapts: the likeliest points of each cloud draw the
next one in until weights are worth enough samples, then the weighted cloud itself shapes it.
It works best in coordinates in which the results pin down one coordinate each.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.stats import multivariate_t

_CLOUD = 2000
_FINAL = 6000
_TAIL_FREEDOM = 5.0  # heavier tails than normal, so that no region is missed
_WIDER = 1.3
_ELITE_SHARE = 0.1  # likeliest points that draw the next cloud in
_ELITE_WIDER = 1.6
_FEWEST_TO_WEIGH = 60.0  # effective samples that shape a proposal by their weights
_GOOD_SHARE = 0.3  # effective share of a cloud with which adapting ends
_MOST_STEPS = 30


@dataclass(frozen=True)
class Cloud:
    """Weighted samples: points (samples, unknowns) and weights that add up to one.

    `companion` (quantities, samples) is what was drawn along with each sample's likelihood.
    """

    points: np.ndarray
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


def sample_posterior(
    log_likelihood: Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]],
    log_prior: Callable[[np.ndarray], np.ndarray],
    start: np.ndarray,
    generator: np.random.Generator,
) -> Cloud:
    """Sample a posterior.

    Parameters
    ----------
    log_likelihood : callable
        From points (samples, unknowns) to log likelihoods (samples,) and companions
        (quantities, samples); a likelihood may be an unbiased estimate drawn at random with
        its companion.
    log_prior : callable
        From points to log prior densities (samples,), up to a constant.
    start : ndarray, shape (samples, unknowns)
        Points drawn from the prior.
    generator : numpy.random.Generator
        The only source of chance.

    Returns
    -------
    Cloud

    References
    ----------
    Cappe O, Douc R, Guillin A, Marin JM, Robert CP. Adaptive importance sampling in general
    mixture classes. Stat Comput 2008;18:447-459. Rubinstein RY, Kroese DP. The
    Cross-Entropy Method. 2004. (both from memory)
    """
    center, spread = start.mean(axis=0), np.cov(start.T).reshape(start.shape[1], -1)
    floor = 1e-8 * np.diag(np.diag(spread))
    count = _CLOUD
    for step in range(_MOST_STEPS):
        proposal = multivariate_t(center, spread, df=_TAIL_FREEDOM)
        x = proposal.rvs(count, random_state=generator).reshape(count, -1)
        likelihood, companion = log_likelihood(x)
        target = log_prior(x) + likelihood
        weights = _normalised(target - proposal.logpdf(x))
        effective = 1.0 / np.sum(np.square(weights))
        if count == _FINAL:
            break
        if effective >= _GOOD_SHARE * count or step == _MOST_STEPS - 2:
            count = _FINAL
        wider = _WIDER
        if effective < _FEWEST_TO_WEIGH:
            elite = np.argsort(target)[-int(_ELITE_SHARE * len(x)) :]
            weights = np.zeros(len(x))
            weights[elite] = 1.0 / len(elite)
            wider = _ELITE_WIDER
        center = weights @ x
        away = x - center
        spread = wider * (away * weights[:, None]).T @ away + floor
    # When the proposal never came to fit, a small effective number tells.
    return Cloud(x, weights, companion)
