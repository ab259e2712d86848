"""Worked examples of agreement that others have printed."""

from __future__ import annotations

import numpy as np

# Shrout & Fleiss 1979, Psychol Bull 86:420, Table 2: six subjects, four judges.
JUDGES = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
PRINTED = {
    "ICC(1,1)": (0.17, -0.13, 0.72),
    "ICC(2,1)": (0.29, 0.02, 0.76),
    "ICC(3,1)": (0.71, 0.34, 0.95),
    "ICC(1,k)": (0.44, -0.88, 0.91),
    "ICC(2,k)": (0.62, 0.07, 0.93),
    "ICC(3,k)": (0.91, 0.68, 0.99),
}
# Bland & Altman 1986, Lancet i:307: peak flow of 17 people (l/min), large and mini meter, twice.
# The readings are from memory; they give every statistic that the paper prints.
LARGE = np.array(
    [
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
        [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
    ]
)
MINI = np.array(
    [
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
    ]
)
