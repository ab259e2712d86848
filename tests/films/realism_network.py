"""A small network that tries to tell real crops from synthetic ones: for measuring only.

It is made, fitted and thrown away within one call; nothing of it is ever kept or learned from.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

SIDE, REDUCED = 80, 96
"""Pixels of what the network sees, a random part of the crop reduced to the second."""


def chances(
    pictures: NDArray[np.float32],
    truth: NDArray[np.bool_],
    fold: NDArray[np.intp],
    *,
    rounds: int = 220,
    seed: int = 3,
) -> NDArray[np.float64]:
    """(N,) chance of being real, each crop judged by a network that never saw its film.

    Args:
        pictures: (N, size, size), 0 to 1.
        truth: (N,) real or not.
        fold: (N,) which part each film belongs to.
        rounds: steps of 32 crops, half of them real.
        seed: of weights and batches.
    """
    import torch
    from torch import nn

    torch.manual_seed(seed)
    torch.set_num_threads(1)
    rng = np.random.default_rng(seed)
    small = np.stack(
        [cv2.resize(p, (REDUCED, REDUCED), interpolation=cv2.INTER_AREA) for p in pictures]
    )

    def network() -> Any:
        layers: list[nn.Module] = []
        for before, after in ((1, 12), (12, 24), (24, 32), (32, 48)):
            layers += [nn.Conv2d(before, after, 3, padding=1, stride=2), nn.GroupNorm(4, after)]
            layers.append(nn.ReLU())
        return nn.Sequential(
            *layers, nn.AdaptiveAvgPool2d(1), nn.Flatten(), nn.Dropout(0.3), nn.Linear(48, 1)
        )

    def parts(which: NDArray[np.intp], *, varied: bool) -> Any:
        out = []
        for i in which:
            spare = REDUCED - SIDE
            x, y = rng.integers(0, spare + 1, 2) if varied else (spare // 2, spare // 2)
            part = small[i, y : y + SIDE, x : x + SIDE]
            if varied:
                part = part[:, :: int(rng.choice((-1, 1)))] ** float(np.exp(rng.normal(0, 0.2)))
            out.append(part)
        return torch.from_numpy(np.ascontiguousarray(np.stack(out)[:, None]))

    result = np.zeros(len(truth))
    for k in np.unique(fold):
        learner = network()
        steps = torch.optim.AdamW(learner.parameters(), lr=2e-3, weight_decay=1e-2)
        real, made = (np.flatnonzero((fold != k) & (truth == kind)) for kind in (True, False))
        for _ in range(rounds):
            batch = np.concatenate([rng.choice(real, 16), rng.choice(made, 16)])
            wanted = torch.from_numpy(truth[batch].astype(np.float32))
            loss = nn.functional.binary_cross_entropy_with_logits(
                learner(parts(batch, varied=True))[:, 0], wanted
            )
            steps.zero_grad()
            loss.backward()
            steps.step()
        learner.eval()
        judged = np.flatnonzero(fold == k)
        with torch.no_grad():
            said = torch.sigmoid(learner(parts(judged, varied=False))[:, 0])
        result[judged] = said.numpy()
    return result
