"""What a fit starts from: the landmarks on the canonical film, and a knee laid over them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.fit.beam_model import (
    FLEXION,
    LOG_D,
    LOG_G,
    PATELLA,
    ROLL,
    ROTATION,
    TA,
    TB,
    TIBIA,
    TIP,
    BeamModel,
)
from pipeline.fit.knee_shape import KneeShape
from pipeline.fit.solve import Priors, Seen
from pipeline.knee.detection import Detection
from pipeline.knee.film import Film
from pipeline.knee.landmarks import View

Array = NDArray[np.float64]

SEEN_FLOOR = 0.05


def is_mirrored(detection: Detection) -> bool:
    """Whether the knee shows as the mirror image of the canonical film, however it is turned.

    Canonical: lateral side (AP) or front (lateral film) to the left of the way up the femur. On
    a film that stands upright this is `lateral_to_right`; on one lying on its side or head that
    says nothing about mirroring, the landmarks do.
    """
    at = {name: i for i, name in enumerate(detection.names)}
    if detection.view == "AP":
        sides, start, end = ("medial", "lateral"), ["medial_epicondyle"], ["lateral_epicondyle"]
    else:
        sides = ("anterior", "posterior")
        start = ["medial_condyle_posterior", "lateral_condyle_posterior"]
        end = ["trochlea_anterior"]
    shaft = [f"femoral_shaft_{side}_{h}" for side in sides for h in ("low", "high")]
    joint = ["medial_condyle_distal", "lateral_condyle_distal"]
    if not all(name in at for name in (*shaft, *joint, *start, *end)):
        return detection.lateral_to_right

    def middle(names: Sequence[str]) -> Array:
        return np.asarray(detection.xy[[at[name] for name in names]].mean(axis=0))

    up, across = middle(shaft) - middle(joint), middle(end) - middle(start)
    sine = float(up[0] * across[1] - up[1] * across[0])
    clear = 0.3 * float(np.linalg.norm(up) * np.linalg.norm(across))
    return sine > 0 if abs(sine) > clear else detection.lateral_to_right


def canonical(detection: Detection, film: Film, mirrored: bool, sd_factor: float) -> Seen:
    """Landmarks on the film, mirrored where need be so that a right knee fits."""
    xy = np.array(detection.xy, dtype=np.float64)
    covariance = np.array(detection.covariance, dtype=np.float64) * sd_factor**2
    # A hidden landmark's estimate is a guess from the others: it counts for less.
    trust = np.clip(detection.seen, SEEN_FLOOR, 1.0)
    covariance = covariance / trust[:, None, None] ** 2
    covariance = (covariance + np.swapaxes(covariance, 1, 2)) / 2 + 1e-6 * np.eye(2)
    if mirrored:
        xy[:, 0] = film.columns - 1 - xy[:, 0]
        covariance[:, 0, 1] *= -1
        covariance[:, 1, 0] *= -1
    return Seen(detection.names, xy, covariance)


def principal_of(film: Film, mirrored: bool) -> Array:
    """(2,) pixel of the central ray on the canonical film; the film's middle where unknown.

    The angles are those of the ray through the knee, so they hardly depend on it.
    """
    ray = film.header.central_ray
    x, y = ray if ray is not None else ((film.columns - 1) / 2, (film.rows - 1) / 2)
    return np.array([film.columns - 1 - x if mirrored else x, y], dtype=float)


def start_of(
    shape: KneeShape,
    view: View,
    seen: Seen,
    principal: Array,
    priors: Priors,
    start_deg: tuple[float, float],
) -> Array:
    """Parameters of the mean knee laid over the landmarks by a similarity of the film.

    `start_deg`: (rotation, tilt) to start from; on AP, where the tilt is the plateau's, the
    femur's own tip starts from 0.
    """
    model = BeamModel(shape, view, 1.0, np.zeros(2))
    theta = np.zeros(model.size)
    theta[LOG_D] = priors.log_d
    flexion = priors.flexion
    at = {name: i for i, name in enumerate(seen.names)}
    if view == "lateral":
        flexion = _bend(seen, at)
    theta[ROTATION] = np.radians(start_deg[0])
    if view == "lateral":
        theta[TIP] = np.radians(start_deg[1])
    f = float(np.clip(flexion, -0.2, 1.9))
    bend = np.array([1.0, *(f / (np.pi / 2)) ** np.arange(1, 4)])
    for part, bone in ((TIBIA, "tibia"), (PATELLA, "patella")):
        pose = shape.joint[bone][:, :4] @ bend
        theta[part] = np.concatenate([np.radians(pose[:3]), pose[3:]])
    theta[FLEXION] = f
    placed = model.place(theta)
    use = [i for i, name in enumerate(placed.names) if not name.startswith("tibial_shaft")]
    target = seen.xy[[at[placed.names[i]] for i in use]]
    own = placed.xy[use]
    weight = 1.0 / np.trace(seen.covariance[[at[placed.names[i]] for i in use]], axis1=1, axis2=2)
    weight = np.minimum(weight, 4 * np.median(weight))
    weight /= weight.sum()
    a = own - weight @ own
    b = target - weight @ target
    # Similarity without reflection, as complex numbers: b = c a.
    ca, cb = a[:, 0] + 1j * a[:, 1], b[:, 0] + 1j * b[:, 1]
    c = (weight * np.conj(ca) * cb).sum() / (weight * np.abs(ca) ** 2).sum()
    g = float(np.abs(c))
    theta[LOG_G] = np.log(max(g, 1e-6))
    theta[ROLL] = float(np.angle(c))
    middle = weight @ target - principal
    moved = c * complex(*(weight @ own))
    theta[TA], theta[TB] = (middle - np.array([moved.real, moved.imag])) / g
    return theta


def _bend(seen: Seen, at: dict[str, int]) -> float:
    """Flexion in rad from the shafts' directions on a canonical lateral film."""
    axes = []
    for bone, ends in (("femoral", ("high", "low")), ("tibial", ("high", "low"))):
        top, bottom = (
            np.mean(
                [seen.xy[at[f"{bone}_shaft_{s}_{e}"]] for s in ("anterior", "posterior")], axis=0
            )
            for e in ends
        )
        axes.append(complex(*(top - bottom)))
    # The patella faces -x: flexion turns the tibia's upper end toward the front.
    return float(-np.angle(axes[1] / axes[0])) if abs(axes[0]) > 0 else 0.5
