"""Depth with a partner AP film: the side of a tip is taken from it only where it is plain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_targets import film

from pipeline.contracts import Sight
from pipeline.knee.detection import Hypothesis
from pipeline.propose.beside import beside
from pipeline.propose.instruments import instrument

# In both invented films the joint line is W above the same landmarks; the lateral has half the
# pixels. A tip 240 px up the AP film's femur stands 120 px up the lateral one.
FEMUR = np.array([[330.0, 0.0], [470.0, 0.0], [470.0, 600.0], [330.0, 600.0]])
TIP = np.array([240.0, 180.0])


def pair(*ap_tips: tuple[float, float], rotation: float = 0.0) -> Sight:
    """The lateral film with its partner; lateral is toward smaller x on the AP film."""
    ap = film("AP", mm=0.2)
    ap = replace(
        ap,
        detection=replace(ap.detection, tips=np.array(ap_tips).reshape(-1, 2)),
        pose=replace(ap.pose, outline={"femur": FEMUR}),
    )
    lateral = film("lateral", mm=0.4)
    pose = replace(lateral.pose, hypotheses=(Hypothesis(rotation, 0.01, 0.0, 0.01, 1.0),))
    return replace(lateral, pose=pose, partner=ap)


def test_the_side_and_the_distance_come_from_the_partner():
    # 100 px lateral of the middle of the shaft (x = 400), at half the pixels
    assert beside(pair((300.0, 360.0)), TIP, "femur") == pytest.approx(50.0)
    assert beside(pair((520.0, 360.0)), TIP, "femur") == pytest.approx(-60.0)


def test_nothing_is_known_where_it_is_not_plain():
    assert beside(pair(), TIP, "femur") is None
    assert beside(pair((300.0, 300.0)), TIP, "femur") is None  # 12 mm higher
    assert beside(pair((300.0, 360.0), (520.0, 360.0)), TIP, "femur") is None  # either side
    assert beside(pair((300.0, 360.0), (310.0, 370.0)), TIP, "femur") == pytest.approx(50.0)
    assert beside(pair((300.0, 360.0)), TIP, "tibia") is None
    alone = replace(pair((300.0, 360.0)), partner=None)
    assert beside(alone, TIP, "femur") is None


def test_the_shift_is_taken_off_with_the_right_sign():
    """Rotation above 0: the lateral end is anterior, so a lateral tip is shown too far back."""
    alone, _ = instrument(replace(pair(rotation=8.0), partner=None), TIP, 0.1)
    lateral, share = instrument(pair((300.0, 360.0), rotation=8.0), TIP, 0.1)
    medial, _ = instrument(pair((500.0, 360.0), rotation=8.0), TIP, 0.1)
    expected = 100.0 * 50.0 * np.tan(np.radians(8.0)) / 80.0
    assert lateral.depth_percent - alone.depth_percent == pytest.approx(-0.85 * expected, abs=1.0)
    assert medial.depth_percent - alone.depth_percent == pytest.approx(0.85 * expected, abs=1.0)
    low, high = lateral.depth_90
    assert low < lateral.depth_percent < high
    assert share is not None
    # Seen from far away a point 50 px to the lateral side, by the projection itself.
    e = np.array([np.sin(np.radians(8.0)), np.cos(np.radians(8.0))])  # toward X_f and Z_f
    shown = 0.0 - 50.0 * e[0] / e[1]
    assert shown == pytest.approx(-expected * 80.0 / 100.0)
