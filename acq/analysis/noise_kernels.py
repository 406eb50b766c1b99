"""The inner loops of `noise`: products of samples that lie some apart, and what a prediction leaves."""

from __future__ import annotations

import numpy as np

from acq.analysis.compiled import compiled
from acq.records import FloatArray

__all__ = ["add_lagged_products", "prediction_errors"]


@compiled("(float64[:, ::1], float64[::1])", sums=True)
def add_lagged_products(signal: FloatArray, total: FloatArray) -> None:
    """Σ x[i]·x[i + lag] over every row, (n, m), added to `total`, one a lag from 0 on; fewer lags than m."""
    m = signal.shape[1]
    for row in range(signal.shape[0]):
        for lag in range(total.size):
            early, late = signal[row, : m - lag], signal[row, lag:]
            products = 0.0
            for k in range(m - lag):
                products += early[k] * late[k]
            total[lag] += products


@compiled("(float64[:, ::1], float64[::1], float64[:, ::1])")
def prediction_errors(signal: FloatArray, predictor: FloatArray, out: FloatArray) -> None:
    """Σ predictor[j]·x[i − j] over every row, where all of it lies inside: (n, m), (p,) → (n, m − p + 1)."""
    p = predictor.size
    n_out = out.shape[1]
    error = np.empty(n_out)
    for row in range(signal.shape[0]):
        for k in range(n_out):
            error[k] = 0.0
        for j in range(p):
            weight = predictor[j]
            part = signal[row, p - 1 - j : p - 1 - j + n_out]
            for k in range(n_out):
                error[k] += weight * part[k]
        for k in range(n_out):
            out[row, k] = error[k]
