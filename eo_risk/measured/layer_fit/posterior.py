"""Samples of what results and prior knowledge together say.

Importance sampling with a proposal that adapts. The proposal is a mixture, one part for each
cluster of the last cloud, so that it can follow a bent ridge; while a cloud is far from the
answer its weights are tempered, so that many points and not a few lucky ones shape the next.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.cluster.vq import kmeans2
from scipy.special import gammaln, logsumexp

_CLOUD = 4000
_FINAL = 6000
_TAIL_FREEDOM = 5.0  # heavier tails than normal, so that no region is missed
_WIDER = 2.0  # a proposal too narrow is worse than one too wide
_CLUSTERS = 16
_FEWEST_IN_CLUSTER = 16  # points that give a covariance
_DEFENSIVE = 0.1  # share of the proposal that covers the whole cloud
_SHAPING = 1000.0  # effective points that shape a proposal
_GOOD_SHARE = 0.35  # effective share of a cloud with which adapting ends
_ENOUGH_SHARE = 0.2  # effective share of the last cloud, or it is drawn again
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
        return _effective(self.weights)

    def resample(self, count: int, generator: np.random.Generator) -> np.ndarray:
        """Indices of samples of equal weight, drawn systematically."""
        return _resample(self.weights, count, generator)


def _effective(weights: np.ndarray) -> float:
    return float(1.0 / np.sum(np.square(weights)))


def _resample(weights: np.ndarray, count: int, generator: np.random.Generator) -> np.ndarray:
    places = (np.arange(count) + generator.random()) / count
    return np.minimum(np.searchsorted(np.cumsum(weights), places), len(weights) - 1)


def _normalised(log_weights: np.ndarray) -> np.ndarray:
    weights = np.exp(log_weights - log_weights.max())
    return weights / weights.sum()


def _tempered(log_weights: np.ndarray) -> np.ndarray:
    """Weights to the largest power, 1 at most, that leaves enough of them effective."""
    low, high = 0.0, 1.0
    if _effective(_normalised(log_weights)) >= _SHAPING:
        return _normalised(log_weights)
    for _ in range(40):
        power = 0.5 * (low + high)
        enough = _effective(_normalised(power * log_weights)) >= _SHAPING
        low, high = (power, high) if enough else (low, power)
    return _normalised(low * log_weights)


@dataclass(frozen=True)
class _Mixture:
    """Student t distributions about the clusters of a cloud; parts first, then unknowns."""

    shares: np.ndarray
    centers: np.ndarray
    roots: np.ndarray  # lower Cholesky factors of the scale matrices

    @classmethod
    def of(cls, points: np.ndarray, generator: np.random.Generator) -> _Mixture:
        """Fit to points of equal weight."""
        center, whole = points.mean(axis=0), _WIDER * np.cov(points.T).reshape(points.shape[1], -1)
        floor = 1e-9 * np.diag(np.diag(whole))
        root = np.linalg.cholesky(whole + floor)
        white = np.linalg.solve(root, (points - center).T).T
        _, label = kmeans2(white, _CLUSTERS, minit="++", rng=generator)
        sizes = np.bincount(label, minlength=_CLUSTERS)
        kept = np.flatnonzero(sizes >= _FEWEST_IN_CLUSTER)
        shares = np.append((1.0 - _DEFENSIVE) * sizes[kept] / max(sizes[kept].sum(), 1), _DEFENSIVE)
        centers = [points[label == k].mean(axis=0) for k in kept]
        roots = [np.linalg.cholesky(_WIDER * np.cov(points[label == k].T).reshape(whole.shape)
                                    + floor) for k in kept]  # fmt: skip
        return cls(shares / shares.sum(), np.array([*centers, center]), np.array([*roots, root]))

    def draw(self, count: int, generator: np.random.Generator) -> np.ndarray:
        """Draw points, shape (count, unknowns)."""
        part = _resample(self.shares, count, generator)
        normal = generator.standard_normal((count, self.centers.shape[1]))
        stretch = np.sqrt(_TAIL_FREEDOM / generator.chisquare(_TAIL_FREEDOM, count))
        away = np.einsum("nij,nj->ni", self.roots[part], normal)
        return self.centers[part] + away * stretch[:, None]

    def log_density(self, x: np.ndarray) -> np.ndarray:
        """Log density at points, shape (samples,)."""
        terms = x.shape[1]
        half = 0.5 * (_TAIL_FREEDOM + terms)
        constant = (gammaln(half) - gammaln(0.5 * _TAIL_FREEDOM)
                    - 0.5 * terms * np.log(np.pi * _TAIL_FREEDOM))  # fmt: skip
        values = []
        for share, center, root in zip(self.shares, self.centers, self.roots, strict=True):
            away = np.linalg.solve(root, (x - center).T)
            far = np.log1p(np.square(away).sum(axis=0) / _TAIL_FREEDOM)
            size = np.log(np.diag(root)).sum()
            values.append(np.log(share) + constant - size - half * far)
        return logsumexp(values, axis=0)


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
        When the proposal never came to fit, its small effective number tells.

    References
    ----------
    Cappe O, Douc R, Guillin A, Marin JM, Robert CP. Adaptive importance sampling in general
    mixture classes. Stat Comput 2008;18:447-459. Koblents E, Miguez J. A population Monte
    Carlo scheme with transformed weights and its application to stochastic kinetic models.
    Stat Comput 2015;25:407-425. (both from memory)
    """
    proposal = _Mixture.of(start, generator)
    count = _CLOUD
    for step in range(_MOST_STEPS):
        x = proposal.draw(count, generator)
        likelihood, companion = log_likelihood(x)
        log_weights = log_prior(x) + likelihood - proposal.log_density(x)
        weights = _normalised(log_weights)
        effective = _effective(weights)
        # A large cloud may meet a region that the small ones missed: then it shapes the next.
        if count == _FINAL and effective >= _ENOUGH_SHARE * count:
            break
        if effective >= _GOOD_SHARE * count or step >= _MOST_STEPS - 2:
            count = _FINAL
        shaping = _resample(_tempered(log_weights), _CLOUD, generator)
        proposal = _Mixture.of(x[shaping], generator)
    return Cloud(x, weights, companion)
