"""The positioner's angles in the frame of the body, and the turns between two of them.

Body axes here: (anterior, head, left). Positioner Primary Angle 0 looks at right angles to the
chest, +90 from the patient's left, -90 from the right; Secondary Angle + is cranial (DICOM PS3.3
C.8.7.5.1.2, from memory). The direction from the body toward the detector is then

    (cos s cos p, sin s, cos s sin p).

The angles are those of the body, not of the limb: a turned or swung leg is not in the header.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.language import mark
from pipeline.readers.dicom_shot import Positioner

Array = NDArray[np.float64]

LEAST = 0.5
"""Cosine with the view's own direction below which the header's beam is not that of the view."""
TABLE_STILL_DEG = 0.5

TABLE_TIPPED = mark("the header's angles are those of the room and the table stands at an angle")
HOW_IT_LAY = mark("the header's angles are those of the room and how the patient lay is unknown")
NO_SIDE = mark("the knee's side is unknown, so the header's angles cannot be turned to it")
OTHER_VIEW = mark("by the header's angles the beam is not that of this view")

_TABLE_TO_BODY = {
    # Patient Position (PS3.3 C.7.3.1.1.2): anterior, head and left of the body in the axes of a
    # table on which a supine patient lies head first: up, head, left.
    "HFS": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "FFS": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "HFP": ((-1, 0, 0), (0, 1, 0), (0, 0, -1)),
    "FFP": ((-1, 0, 0), (0, -1, 0), (0, 0, 1)),
    "HFDR": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "HFDL": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
    "FFDR": ((0, 0, 1), (0, -1, 0), (1, 0, 0)),
    "FFDL": ((0, 0, -1), (0, -1, 0), (-1, 0, 0)),
}


def toward_detector(positioner: Positioner) -> tuple[Array | None, str]:
    """(3,) unit vector in body axes, or None and why not.

    Angles about the isocentre are those of the room: they are turned into the body's frame where
    Patient Position is stated and the table stands straight.
    """
    p, s = np.radians(positioner.primary), np.radians(positioner.secondary)
    e = np.array([np.cos(s) * np.cos(p), np.sin(s), np.cos(s) * np.sin(p)])
    if positioner.by == "patient":
        return e, ""
    table = (positioner.turned, positioner.tipped, positioner.cradled)
    if any(abs(angle or 0.0) > TABLE_STILL_DEG for angle in table):
        return None, TABLE_TIPPED
    axes = _TABLE_TO_BODY.get(positioner.patient or "")
    if axes is None:
        return None, HOW_IT_LAY
    return np.array(axes, dtype=float) @ e, ""


def near_end_of(positioner: Positioner, view: str, side: str | None) -> tuple[Array | None, str]:
    """(3,) e in the axes of `pipeline.align.beam`, or None and why not.

    Those are up, long, lateral of a supine limb lying along the table: anterior, head and the
    knee's lateral side of the body. Of the beam's two ends the view's near one is taken, whether
    tube or detector stands there.
    """
    e, why = toward_detector(positioner)
    if e is None:
        return None, why
    if side not in ("right", "left"):
        return None, NO_SIDE
    found = np.array([e[0], e[1], e[2] if side == "left" else -e[2]])
    axis = 0 if view == "AP" else 2
    if abs(found[axis]) < LEAST:
        return None, OTHER_VIEW
    return (found if found[axis] > 0 else -found), ""


def table_moved(before: Positioner, after: Positioner) -> float:
    """Largest change of a table angle that both state, degrees."""
    return max(
        (
            abs(b - a)
            for a, b in zip(
                (before.turned, before.tipped, before.cradled),
                (after.turned, after.tipped, after.cradled),
                strict=True,
            )
            if a is not None and b is not None
        ),
        default=0.0,
    )
