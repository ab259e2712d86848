"""Another, plainer way from path lengths to a picture, which shares no line with the usual one.

Three energies in place of a spectrum, marrow as thinned cortex in place of trabeculae, a flat share
of scatter, one blur, one noise, a window and a power. It is there to be unlike the films that
networks learn from, not to be better.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[Any]

SHARES = (0.35, 0.4, 0.25)
PER_MM = {
    # Mass attenuation times density at 40, 50 and 60 keV, per mm: NIST's tables for muscle
    # (1.05 g/cm3) and cortical bone (1.92 g/cm3, ICRU-44), from memory.
    "soft": (0.0282, 0.0238, 0.0215),
    "cortex": (0.1278, 0.0814, 0.0604),
}


def plain_picture(body: Map, bone: Map, marrow: Map, rng: np.random.Generator) -> Map:
    """(rows, columns) float32, 0 to 1, bone bright, in 4096 steps.

    Args:
        body, bone, marrow: (rows, columns) mm inside the skin, inside all bones, and inside what
            their cortex encloses.
    """
    share = rng.uniform(0.08, 0.2)
    cortex = np.maximum(bone - marrow, 0.0) + share * marrow
    soft = np.maximum(body - cortex, 0.0)
    signal = np.zeros_like(body, dtype=np.float64)
    for weight, mu_soft, mu_bone in zip(SHARES, PER_MM["soft"], PER_MM["cortex"], strict=True):
        signal += weight * np.exp(-mu_soft * soft - mu_bone * cortex)
    scatter = rng.uniform(0.2, 0.9) * cv2.GaussianBlur(signal, (0, 0), 25)
    signal = cv2.GaussianBlur(signal, (0, 0), rng.uniform(0.5, 1.0)) + scatter
    quanta = np.exp(rng.uniform(np.log(2e4), np.log(2e5)))
    grain = cv2.GaussianBlur(rng.standard_normal(signal.shape), (0, 0), rng.uniform(0.5, 0.9))
    grain = grain / grain.std()
    thick = -np.log(np.maximum(signal + np.sqrt(signal / quanta) * grain, 1e-5))
    if rng.random() < 0.5:  # some edges raised, as consoles do
        thick = thick + rng.uniform(0.3, 1.2) * (thick - cv2.GaussianBlur(thick, (0, 0), 6))
    low = np.quantile(thick, rng.uniform(0.02, 0.3))
    high = np.quantile(thick, rng.uniform(0.985, 0.999))
    tone = np.clip((thick - low) / (high - low), 0, 1) ** rng.uniform(0.8, 1.5)
    return np.ascontiguousarray(np.round(tone * 4095) / 4095, dtype=np.float32)
