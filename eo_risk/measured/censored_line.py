"""Straight lines through values some of which are only known to lie below a limit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

_MOST_STEPS = 200
_CONVERGED = 1e-11


@dataclass(frozen=True)
class LinearFit:
    """Coefficients with their covariance, scatter and degrees of freedom.

    `covariance` and `residual_sd` are corrected for the number of coefficients, so that
    without censored values they are those of ordinary least squares. `log_likelihood` is
    that of the maximum.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    residual_sd: float
    degrees_of_freedom: int
    residuals: np.ndarray
    log_likelihood: float


def log_likelihood(
    coefficients: np.ndarray, sd: float, design: np.ndarray, y: np.ndarray, below: np.ndarray
) -> float:
    """Log likelihood of a normal model in which values marked `below` are upper ends."""
    z = (y - design @ coefficients) / sd
    density = -0.5 * np.square(z) - np.log(sd * np.sqrt(2.0 * np.pi))
    return float(np.sum(np.where(below, log_ndtr(z), density)))


def can_fit(design: np.ndarray, below: np.ndarray) -> bool:
    """Tell whether the values that are known fix every coefficient and a scatter."""
    known = design[~below]
    terms = design.shape[1]
    return len(known) > terms and int(np.linalg.matrix_rank(known)) == terms


def _least_squares(design: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, float]:
    beta = np.linalg.lstsq(design, y, rcond=None)[0]
    return beta, float(np.sqrt(np.mean(np.square(y - design @ beta))))


def _score(
    theta: np.ndarray, signed: np.ndarray, below: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """Log likelihood, gradient and Hessian in coefficients over sd and 1 over sd.

    In these terms it is concave everywhere, so that Newton finds the one maximum.
    """
    e = signed @ theta
    inverse_sd = theta[-1]
    hazard = np.exp(-0.5 * np.square(e) - 0.5 * np.log(2.0 * np.pi) - log_ndtr(e))
    known = np.count_nonzero(~below)
    value = np.sum(np.where(below, log_ndtr(e), -0.5 * np.square(e) - 0.5 * np.log(2 * np.pi)))
    slope = np.where(below, hazard, -e)
    bend = np.where(below, -hazard * (e + hazard), -1.0)
    gradient = signed.T @ slope
    gradient[-1] += known / inverse_sd
    hessian = (signed * bend[:, None]).T @ signed
    hessian[-1, -1] -= known / inverse_sd**2
    return float(value + known * np.log(inverse_sd)), gradient, hessian


def _maximise(theta: np.ndarray, signed: np.ndarray, below: np.ndarray) -> np.ndarray:
    value, gradient, hessian = _score(theta, signed, below)
    for _ in range(_MOST_STEPS):
        step = np.linalg.solve(hessian, -gradient)
        share = 1.0
        while share > 1e-12:
            tried = theta + share * step
            if tried[-1] > 0.0:
                found = _score(tried, signed, below)
                if found[0] >= value - 1e-12 * abs(value):
                    break
            share /= 2.0
        theta, (value, gradient, hessian) = tried, found
        if np.max(np.abs(step) / (1.0 + np.abs(theta))) < _CONVERGED:
            return theta
    raise ArithmeticError("the likelihood of the censored line did not converge")


def fit_line(design: np.ndarray, y: np.ndarray, below: np.ndarray) -> LinearFit:
    """Fit a linear model by maximum likelihood, some values known only as upper ends.

    Parameters
    ----------
    design : ndarray, shape (n, terms)
        Columns of the model.
    y : ndarray, shape (n,)
        Values, or the limit a value lies below.
    below : ndarray of bool, shape (n,)
        Which values lie below theirs.

    Returns
    -------
    LinearFit
        Without censored values, ordinary least squares.

    Raises
    ------
    ValueError
        If the known values do not fix the coefficients and a scatter.

    Notes
    -----
    Normal scatter of equal width. Covariance from the observed information; scatter and
    covariance times k / (k - terms) with k known values, which is exact without censoring.

    References
    ----------
    Tobin J. Estimation of relationships for limited dependent variables. Econometrica
    1958;26:24-36. Olsen RJ. Note on the uniqueness of the maximum likelihood estimator for
    the Tobit model. Econometrica 1978;46:1211-1215. (both from memory)
    """
    if not can_fit(design, below):
        raise ValueError("too few known values for this line")
    terms = design.shape[1]
    beta, sd = _least_squares(design, y)
    # An exact line has no scatter to estimate; the tiniest one keeps the algebra finite.
    sd = max(sd, 1e-9)
    if np.any(below):
        start = np.append(beta / sd, 1.0 / sd)
        signed = np.column_stack([-design, y])
        theta = _maximise(start, signed, below)
        information = -_score(theta, signed, below)[2]
        inverse = np.linalg.inv(information)
        sd = 1.0 / theta[-1]
        beta = theta[:-1] * sd
        turn = np.column_stack([np.eye(terms) * sd, -theta[:-1] * sd**2])
        covariance = turn @ inverse @ turn.T
    else:
        covariance = sd**2 * np.linalg.inv(design.T @ design)
    known = int(np.count_nonzero(~below))
    wider = known / (known - terms)
    return LinearFit(
        beta, covariance * wider, sd * float(np.sqrt(wider)), known - terms,
        y - design @ beta, log_likelihood(beta, sd, design, y, below),
    )  # fmt: skip
