"""Moves: directions by the table, degrees by turning a beam with SciPy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation
from sights import sight

from pipeline.align.align import align
from pipeline.align.beam import SLOPE_DEG, assumed_lie, turns
from pipeline.align.options import AlignOptions
from pipeline.knee.film import HeaderHints
from pipeline.knee.reading import Move

# The table of moves in docs/explanation/conventions.md, positive angles.
TABLE = {
    ("AP", "rotation"): ("orbital", "front", "medial", "outward"),
    ("AP", "tilt"): ("tilt", "front", "the feet", "straighten the knee or raise the heel"),
    ("lateral", "rotation"): ("orbital", "lateral", "posterior", "inward"),
    ("lateral", "tilt"): ("wig-wag", "lateral", "the foot", "outward, away from the midline"),
}
OPPOSITE = {"medial": "lateral", "the feet": "the head", "posterior": "anterior"}
OPPOSITE |= {"the foot": "the head"}


def suggested(view: str, rotation: float, tilt: float, **more: object) -> tuple[Move, ...]:
    options = more.pop("options", AlignOptions())
    s = sight(view, ((rotation, 1, tilt, 1, 1),), **more)  # type: ignore[arg-type]
    return align(s, options, ())[1]  # type: ignore[arg-type]


@pytest.mark.parametrize(("view", "angle"), list(TABLE))
@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize("c_arm", [True, False, None])
def test_every_line_of_the_table(view: str, angle: str, sign: int, c_arm: bool | None) -> None:
    errors = {"rotation": (8.0 * sign, 0.0), "tilt": (0.0, 8.0 * sign)}[angle]
    found = suggested(view, *errors, header=HeaderHints(c_arm=c_arm))
    (move,) = [m for m in found if m.angle == angle]
    (other,) = [m for m in found if m.angle != angle]
    kind, end, toward, limb = TABLE[view, angle]
    toward = toward if sign > 0 else OPPOSITE[toward]
    assert (move.move, move.toward) == (kind, toward)
    assert f"{end} end of the beam toward {toward}" in move.text
    if sign > 0:
        assert limb in move.limb
    else:
        assert move.limb not in limb
    assert move.degrees == pytest.approx(8, abs=1)
    assert other.text == "no move suggested"
    assert ("C-arm" in move.text or "receptor" in move.text) == (c_arm is True)


@given(
    st.sampled_from(["AP", "lateral"]),
    st.floats(-15, 15),
    st.floats(-15, 15),
    st.floats(0, 40),
    st.floats(0, 35),
)
def test_the_turns_take_both_angles_away(
    view: str, rotation: float, tilt: float, flexion: float, lie: float
) -> None:
    # An own supine limb: world x = up, y = toward the head, z = lateral of a right knee.
    femur = Rotation.from_euler("z", lie, degrees=True)  # the knee end of the thigh is raised
    x, y, z = femur.apply(np.eye(3))
    normal = femur.apply(
        Rotation.from_euler("z", -(flexion - SLOPE_DEG), degrees=True).apply([0.0, 1.0, 0.0])
    )

    def read(e: np.ndarray) -> tuple[float, float]:
        if view == "AP":
            return np.degrees(np.arctan2(e @ z, e @ x)), np.degrees(np.arcsin(e @ normal))
        return np.degrees(np.arctan2(e @ x, e @ z)), np.degrees(np.arcsin(e @ y))

    if view == "AP":
        # The beam with those angles: rotate within the plane of fixed rotation until tilted so.
        ahead = np.cos(np.radians(rotation)) * x + np.sin(np.radians(rotation)) * z
        grid = np.radians(np.linspace(-89, 89, 200_001))
        beams = np.cos(grid)[:, None] * ahead + np.sin(grid)[:, None] * y
        e = beams[np.argmin(abs(np.arcsin(beams @ normal) - np.radians(tilt)))]
    else:
        e = Rotation.from_rotvec(np.radians(rotation) * y).apply(z)
        e = np.cos(np.radians(tilt)) * e + np.sin(np.radians(tilt)) * y
    assert read(e) == pytest.approx((rotation, tilt), abs=0.01)

    orbital, other = turns(view, rotation, tilt, zero_deg=0.0, flexion_deg=flexion, lie_deg=lie)
    long, lateral, up = np.array([0.0, 1, 0]), np.array([0.0, 0, 1]), np.array([1.0, 0, 0])
    # AP: front (up) toward medial (-lateral) is a + turn about the long axis (y: z to x).
    first = orbital if view == "AP" else -orbital
    e = Rotation.from_rotvec(np.radians(first) * long).apply(e)
    axis, sign = (lateral, -1) if view == "AP" else (up, 1)
    e = Rotation.from_rotvec(sign * np.radians(other) * axis).apply(e)
    assert read(e) == pytest.approx((0, 0), abs=0.02)


def test_assumed_lie_keeps_hip_and_heel_on_the_table() -> None:
    lie = np.radians(assumed_lie(30.0))
    assert 500 * np.sin(lie) == pytest.approx(390 * np.sin(np.radians(30) - lie))


def test_inside_the_tolerance_nothing_is_suggested() -> None:
    for move in suggested("AP", 4.0, -4.5):
        assert move.text == "no move suggested"
        assert move.degrees is None


def test_strict_is_stricter() -> None:
    texts = [m.text for m in suggested("AP", 4.0, 0, options=AlignOptions(tolerance="strict"))]
    assert "toward medial" in texts[0]


def test_bent_limb_of_unknown_lie_gets_a_direction_only() -> None:
    found = suggested("lateral", 9.0, 0.0, flexion=50.0)
    assert found[0].toward == "posterior"
    assert found[0].degrees is None
    known = suggested("lateral", 9.0, 0.0, flexion=50.0, options=AlignOptions(femur_lie_deg=20.0))
    assert known[0].degrees is not None


def test_lying_on_the_side_moves_the_limb_only() -> None:
    for angle in (9.0, -9.0):
        for move in suggested(
            "lateral", angle, angle, header=HeaderHints(lying_on_side=True, c_arm=True)
        ):
            assert move.move == "limb"
            assert "wig-wag" not in move.text
            assert "C-arm" not in move.text
            assert "turn the lateral end" not in move.text
            assert "lateral end of the beam toward" in move.text


def test_off_centre_comes_first_and_is_not_corrected_twice() -> None:
    found = suggested("lateral", 9.0, 0.0, off_centre=(3.0, 0.0))
    assert found[0].move == "centre the knee"
    assert found[0].degrees == 3.0
    assert found[1].degrees == pytest.approx(6.0, abs=0.5)
    gone = suggested("lateral", 6.0, 0.0, off_centre=(3.0, 0.0))
    assert [m.text for m in gone[1:]] == ["no move suggested"] * 2
    square = suggested("lateral", 1.0, 0.0, off_centre=(3.0, 0.0))
    assert all(m.move != "centre the knee" for m in square)


def test_two_hypotheses_give_two_sets_of_moves() -> None:
    s = sight("lateral", ((6, 1, 0, 1, 0.8), (-6, 1, 0, 1, 0.2)))
    found = align(s, AlignOptions(), ())[1]
    assert [(m.hypothesis, m.toward) for m in found if m.angle == "rotation"] == [
        (0, "posterior"),
        (1, "anterior"),
    ]
    sure = sight("lateral", ((6, 1, 0, 1, 0.95), (-6, 1, 0, 1, 0.05)))
    assert {m.hypothesis for m in align(sure, AlignOptions(), ())[1]} == {0}


@given(
    st.sampled_from(["AP", "lateral"]),
    st.floats(-15, 15),
    st.floats(-15, 15),
    st.floats(0, 44),
    st.booleans(),
    st.booleans(),
)
def test_no_text_suggests_repeating_an_exposure(
    view: str, rotation: float, tilt: float, flexion: float, side: bool, c_arm: bool
) -> None:
    found = suggested(
        view,
        rotation,
        tilt,
        flexion=flexion,
        off_centre=(2.0, 1.0),
        header=HeaderHints(lying_on_side=side, c_arm=c_arm),
    )
    for move in found:
        lowered = move.text.lower()
        for word in ("repeat", "retake", "again", "expos", "another", "new film", "shoot", "redo"):
            assert word not in lowered
        assert (
            move.text == "no move suggested"
            or "end of the beam toward" in lowered
            or (move.move == "centre the knee")
        )
