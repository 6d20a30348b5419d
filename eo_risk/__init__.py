"""Ethylene oxide residual and aeration risk estimator."""

__version__ = "0.1.0"
