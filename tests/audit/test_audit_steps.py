"""The move between two films: from the positioner's angles, from the change of pose, both."""

from __future__ import annotations

import numpy as np
import pytest
from audit_cases import OPTIONS, film
from hypothesis import given
from hypothesis import strategies as st

from pipeline.align.beam import angles, assumed_lie, near_end, turned, turns, turns_between
from pipeline.audit.model import FilmRead, Step
from pipeline.audit.positioner import _TABLE_TO_BODY, OTHER_VIEW, near_end_of, toward_detector
from pipeline.audit.steps import step_between
from pipeline.bench.hunts import positioner_of
from pipeline.readers.dicom_shot import Positioner

VIEWS = ("AP", "lateral")
degrees = st.floats(-20, 20)


@given(st.sampled_from(VIEWS), degrees, degrees, degrees, degrees, st.floats(0, 28))
def test_turns_between_two_beams_are_those_that_were_made(
    view: str, rotation: float, tilt: float, orbital: float, other: float, flexion: float
) -> None:
    before = near_end(view, rotation, tilt, flexion, assumed_lie(flexion))
    after = turned(view, before, orbital, other)
    assert turns_between(view, before, after) == pytest.approx((orbital, other), abs=1e-6)


@given(degrees, degrees, st.floats(0, 28))
def test_turns_to_square_are_turns_between(rotation: float, tilt: float, flexion: float) -> None:
    for view in VIEWS:
        lie = assumed_lie(flexion)
        found = turns(view, rotation, tilt, zero_deg=0.0, flexion_deg=flexion, lie_deg=lie)
        end = turned(view, near_end(view, rotation, tilt, flexion, lie), *found)
        assert angles(view, end, flexion, lie) == pytest.approx((0, 0), abs=1e-6)


def test_patient_positions_are_turns_of_the_body_not_mirror_images() -> None:
    for name, axes in _TABLE_TO_BODY.items():
        assert np.linalg.det(np.array(axes, dtype=float)) == pytest.approx(1.0), name
        assert np.array(axes)[1].tolist() == [0, 1 if name.startswith("H") else -1, 0]


@pytest.mark.parametrize(
    ("primary", "secondary", "axis"),
    # DICOM PS3.3 C.8.7.5.1.2 (from memory): 0 before the chest, +90 patient left, + cranial.
    [(0, 0, (1, 0, 0)), (90, 0, (0, 0, 1)), (-90, 0, (0, 0, -1)), (0, 90, (0, 1, 0))],
)
def test_the_positioner_in_the_bodys_frame(
    primary: float, secondary: float, axis: tuple[int, int, int]
) -> None:
    found, why = toward_detector(Positioner(primary, secondary))
    assert why == ""
    assert found == pytest.approx(axis, abs=1e-12)


def test_the_near_end_is_the_views_wherever_the_detector_stands() -> None:
    # Right knee, detector at the patient's left: the lateral end is the tube's.
    end, _ = near_end_of(Positioner(80.0, 10.0), "lateral", "right")
    opposite, _ = near_end_of(Positioner(-100.0, -10.0), "lateral", "right")
    assert end is not None
    assert end[2] > 0.9
    assert opposite == pytest.approx(end)
    assert near_end_of(Positioner(0.0, 0.0), "lateral", "right") == (
        None,
        OTHER_VIEW,
    )
    assert near_end_of(Positioner(90.0, 0.0), "lateral", None)[0] is None


def test_room_angles_need_the_patients_position_and_a_straight_table() -> None:
    room = Positioner(30.0, 0.0, "isocentre")
    assert toward_detector(room)[0] is None
    feet_first = toward_detector(Positioner(30.0, 0.0, "isocentre", "FFS"))[0]
    assert feet_first == pytest.approx([np.cos(np.pi / 6), 0, -0.5])
    tipped = Positioner(30.0, 0.0, "isocentre", "HFS", tipped=12.0)
    assert toward_detector(tipped)[0] is None


def step(before: FilmRead, after: FilmRead) -> Step:
    return step_between(before, after, before.side, OPTIONS)


def test_the_change_of_pose_names_the_move() -> None:
    found = step(film(1, 9.0), film(2, 2.0))
    assert (found.source, found.agree) == ("pose", None)
    turn = found.chief
    # A positive lateral rotation is taken away by the lateral end toward posterior (conventions).
    assert (turn.words.move, turn.words.end, turn.words.toward) == (
        "orbital",
        "lateral",
        "posterior",
    )
    assert turn.clear
    assert turn.degrees == pytest.approx(7.0, abs=0.7)
    still = step(film(1, 9.0), film(2, 8.5))
    assert not still.chief.clear


def test_a_bent_knee_whose_thigh_lies_nobody_knows_how_gives_changes_of_angles_only() -> None:
    found = step(film(1, 9.0, flexion=50.0), film(2, 2.0, flexion=50.0))
    assert not found.degrees_known
    assert found.chief.degrees == pytest.approx(7.0)
    assert found.chief.words.toward == "posterior"


def header(turn: float, *, wig: float = 0.0, **more: float) -> Positioner:
    """A right knee's lateral beam: detector lateral, `turn` degrees of orbital turn to anterior."""
    return Positioner(-90.0 + turn, wig, **more)


def test_header_and_pose_that_agree() -> None:
    # The orbital turn to posterior by 7 degrees.
    found = step(film(1, 9.0, positioner=header(9.0)), film(2, 2.0, positioner=header(2.0)))
    assert (found.source, found.agree) == ("header", True)
    assert found.chief.degrees == pytest.approx(7.0, abs=1e-6)
    assert found.chief.words.toward == "posterior"


def test_a_limb_that_was_moved_is_told_as_a_disagreement() -> None:
    found = step(film(1, 9.0, positioner=header(9.0)), film(2, 2.0, positioner=header(9.0)))
    assert (found.source, found.agree) == ("header", False)
    assert found.chief.degrees == pytest.approx(0.0, abs=1e-9)
    assert found.by_pose[0].degrees == pytest.approx(7.0, abs=0.7)


def test_what_the_header_cannot_tell_is_said() -> None:
    alone = step(film(1, 9.0, positioner=header(9.0)), film(2, 2.0))
    assert alone.source == "pose"
    assert "only one of the two" in alone.notes[0]
    table = step(
        film(1, 9.0, positioner=header(9.0, turned=0.0)),
        film(2, 2.0, positioner=header(2.0, turned=8.0)),
    )
    assert "table was turned too" in table.notes[0]


@given(st.sampled_from(VIEWS), st.sampled_from(["right", "left"]), st.booleans(), degrees, degrees)
def test_invented_headers_and_their_reader_mean_the_same_beam(
    view: str, side: str, near: bool, rotation: float, tilt: float
) -> None:
    beam = near_end(view, rotation, tilt, 10.0, 5.0)
    found, why = near_end_of(positioner_of(beam, side, detector_near=near), view, side)
    assert why == ""
    assert found == pytest.approx(beam, abs=0.002)  # angles are written to a tenth of a degree
