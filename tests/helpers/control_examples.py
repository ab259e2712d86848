"""Worked examples of control charts from books, and simulated charts for their run lengths."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

MONTGOMERY_9_1 = (
    *(9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34),
    *(9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84),
    *(10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52),
)
"""Montgomery, Introduction to Statistical Quality Control, table 9.1: twenty points of N(10, 1),
ten of N(11, 1). From memory."""

NIST_INDIVIDUALS = (49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1)
"""NIST/SEMATECH e-Handbook 6.3.2.2: ten batches. From memory."""

NIST_CUSUM = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
"""NIST/SEMATECH e-Handbook 6.3.2.3: means of twenty groups about a target of 325. From memory."""

CUSUM_ARL = {
    4.0: {0.0: 168.0, 0.25: 74.2, 0.5: 26.6, 0.75: 13.3, 1.0: 8.38, 1.5: 4.75, 2.0: 3.34},
    5.0: {0.0: 465.0, 0.25: 139.0, 0.5: 38.0, 0.75: 17.0, 1.0: 10.4, 1.5: 5.75, 2.0: 4.01},
}
"""Mean run lengths of the two-sided tabular CUSUM with k = 0.5, limit to shift to points:
Montgomery, table 9.3. From memory."""

WECO_ARL = {
    ("beyond",): 370.4,
    ("beyond", "eight"): 152.7,
    ("beyond", "two", "four", "eight"): 91.75,
}
"""Mean run lengths without a change by run rules: Champ & Woodall 1987, Technometrics 29:393; the
e-Handbook quotes 91.75. From memory."""


def cusum_runs(
    rng: np.random.Generator, runs: int, shift: float, k: float, h: float, most: int = 20000
) -> NDArray[np.int64]:
    """(runs,) points to the signal of simulated two-sided CUSUMs, written apart from the chart."""
    high, low = np.zeros(runs), np.zeros(runs)
    length = np.zeros(runs, dtype=np.int64)
    open_runs = np.arange(runs)
    for point in range(1, most + 1):
        z = rng.normal(shift, 1.0, len(open_runs))
        high = np.maximum(0.0, high + z - k)
        low = np.maximum(0.0, low - z - k)
        done = (high > h) | (low > h)
        length[open_runs[done]] = point
        open_runs, high, low = open_runs[~done], high[~done], low[~done]
        if not len(open_runs):
            break
    length[open_runs] = most
    return length
