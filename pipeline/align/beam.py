"""How far the beam must be turned about the table's axes to take both angles away.

Table axes for a supine limb lying along the table: up (to the ceiling), long (toward the head),
lateral (of the knee). With the femur's distal end raised by `lie` degrees,
X_f = cos(lie) up + sin(lie) long and Y_f = cos(lie) long - sin(lie) up; Z_f is lateral.
Vectors here are (up, long, lateral). e is the unit vector toward the near end of the view
(docs/explanation/conventions.md).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

SLOPE_DEG = 5.2
"""Posterior slope of the plateau: mean of medial and lateral (285 MRI, Knee Surg Relat Res 2021,
s43019-021-00095-2). The required turns hardly depend on it."""

FEMUR_MM, TIBIA_MM = 500.0, 390.0
"""Mean lengths of 1077 limbs (Osteology 2021;1:86)."""


def assumed_lie(flexion_deg: float) -> float:
    """Degrees by which flexion tips a supine femur when hip and heel stay on the table.

    The knee rises by h = femur sin(lie) = tibia sin(flexion - lie).
    """
    flexion = np.radians(flexion_deg)
    tangent = np.sin(flexion) / (FEMUR_MM / TIBIA_MM + np.cos(flexion))
    return float(np.degrees(np.arctan(tangent)))


def femur_axes(lie_deg: float) -> tuple[Array, Array, Array]:
    """X_f, Y_f, Z_f: (3,) unit vectors in table coordinates."""
    c, s = np.cos(np.radians(lie_deg)), np.sin(np.radians(lie_deg))
    return np.array([c, s, 0.0]), np.array([-s, c, 0.0]), np.array([0.0, 0.0, 1.0])


def plateau_normal(flexion_deg: float, lie_deg: float) -> Array:
    """n_t, (3,) unit, in table coordinates: a tibia flexed in the femur's sagittal plane."""
    x, y, _ = femur_axes(lie_deg)
    angle = np.radians(flexion_deg - SLOPE_DEG)
    return np.sin(angle) * x + np.cos(angle) * y


def near_end(
    view: str, rotation_deg: float, tilt_deg: float, flexion_deg: float, lie_deg: float
) -> Array:
    """e, (3,) unit, in table coordinates for a beam that shows these angles."""
    x, y, z = femur_axes(lie_deg)
    r, t = np.radians(rotation_deg), np.radians(tilt_deg)
    if view == "lateral":
        return np.sin(r) * np.cos(t) * x + np.sin(t) * y + np.cos(r) * np.cos(t) * z
    angle = np.radians(flexion_deg - SLOPE_DEG)
    a, b = np.sin(angle) * np.cos(r), np.cos(angle)
    alpha = np.arcsin(np.clip(np.sin(t) / np.hypot(a, b), -1, 1)) - np.arctan2(a, b)
    return np.cos(alpha) * (np.cos(r) * x + np.sin(r) * z) + np.sin(alpha) * y


def angles(view: str, e: Array, flexion_deg: float, lie_deg: float) -> tuple[float, float]:
    """(rotation, tilt) in degrees that the beam `e`, (3,) in table coordinates, shows."""
    x, y, z = femur_axes(lie_deg)
    if view == "lateral":
        return float(np.degrees(np.arctan2(e @ x, e @ z))), float(np.degrees(np.arcsin(e @ y)))
    normal = plateau_normal(flexion_deg, lie_deg)
    return float(np.degrees(np.arctan2(e @ z, e @ x))), float(np.degrees(np.arcsin(e @ normal)))


def turned(view: str, e: Array, orbital_deg: float, other_deg: float) -> Array:
    """(3,) unit: `e` after an orbital turn about the table's long axis, then the other turn.

    Positive turns take positive angles away: AP orbital moves the front end toward medial and
    the other turn (about the lateral axis) moves it toward the feet; lateral orbital moves the
    lateral end toward posterior and the other turn (about the vertical) toward the foot.
    """
    a, b = np.radians(orbital_deg), np.radians(other_deg)
    up, long, lateral = e
    if view == "AP":
        up, lateral = up * np.cos(a) + lateral * np.sin(a), lateral * np.cos(a) - up * np.sin(a)
        up, long = up * np.cos(b) + long * np.sin(b), long * np.cos(b) - up * np.sin(b)
    else:
        up, lateral = up * np.cos(a) - lateral * np.sin(a), lateral * np.cos(a) + up * np.sin(a)
        long, lateral = (
            long * np.cos(b) - lateral * np.sin(b),
            lateral * np.cos(b) + long * np.sin(b),
        )
    return np.array([up, long, lateral])


def turns_between(view: str, before: Array, after: Array) -> tuple[float, float]:
    """(orbital, other) turns in degrees by which `turned` brings `before` to `after`."""
    # The turned axes' own names: the orbital turn leaves `long` alone, the other turn `kept`.
    kept, swept = (2, 0) if view == "AP" else (0, 2)
    phase = np.arctan2(before[kept], before[swept])
    reach = np.hypot(before[kept], before[swept])
    orbital = float(np.degrees(phase - np.arcsin(np.clip(after[kept] / reach, -1, 1))))
    left = turned(view, before, orbital, 0.0)
    other = np.arctan2(left[1], left[swept]) - np.arctan2(after[1], after[swept])
    return orbital, float(np.degrees(other))


def turns(
    view: str,
    rotation_deg: float,
    tilt_deg: float,
    *,
    zero_deg: float,
    flexion_deg: float,
    lie_deg: float,
) -> tuple[float, float]:
    """(orbital, other) turns in degrees that bring rotation to `zero_deg` and tilt to 0."""
    e = near_end(view, rotation_deg, tilt_deg, flexion_deg, lie_deg)
    if view == "lateral":
        return turns_between(view, e, np.array([0.0, 0.0, 1.0]))
    return turns_between(view, e, near_end(view, zero_deg, 0.0, flexion_deg, lie_deg))
