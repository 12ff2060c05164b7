"""Logistic regression."""

from __future__ import annotations

import numpy as np


def logistic(x: np.ndarray, true: np.ndarray, ridge: np.ndarray | float) -> np.ndarray:
    """The weights [F] under which what is `true` [N] is likeliest, given x [N, F]. `ridge`: what the square of a weight
    costs, twice."""
    from scipy.optimize import minimize

    sign = np.where(true, 1.0, -1.0)

    def loss(weights: np.ndarray) -> tuple[float, np.ndarray]:
        margin = sign * (x @ weights)
        slope = -sign / (1 + np.exp(np.minimum(margin, 500)))
        penalty = ridge * weights
        return float(np.logaddexp(0, -margin).sum() + weights @ penalty / 2), slope @ x + penalty

    return minimize(loss, np.zeros(x.shape[1]), jac=True).x
