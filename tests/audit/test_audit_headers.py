"""Dose and positioner as all kinds of headers have them: single, run, groups, damaged."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset

from pipeline.readers.dicom_shot import Positioner, Shot, shot_of


def header(**values: object) -> Dataset:
    data = Dataset()
    for name, value in values.items():
        setattr(data, name, value)
    return data


def groups(*frames: Dataset) -> list[Dataset]:
    """Functional groups, one item a frame, each in a sequence of its own."""
    return [header(PositionerPositionSequence=[frame]) for frame in frames]


def test_dose_comes_in_its_honest_unit() -> None:
    # PS3.3 C.8.7.2: (0018,115E) is in dGy cm2.
    found = shot_of(header(ImageAndFluoroscopyAreaDoseProduct="17.6"))
    assert found.dose_area_gy_cm2 == pytest.approx(1.76)
    assert shot_of(header()).dose_area_gy_cm2 is None
    assert shot_of(header(ImageAndFluoroscopyAreaDoseProduct="0")).dose_area_gy_cm2 is None
    assert shot_of(header(ImageAndFluoroscopyAreaDoseProduct="-1")).dose_area_gy_cm2 is None


def test_a_runs_dose_is_the_runs() -> None:
    run = header(NumberOfFrames=4, ImageAndFluoroscopyAreaDoseProduct="2")
    found = shot_of(run, 3)
    assert (found.dose_area_gy_cm2, found.run_dose_area_gy_cm2, found.frames) == (None, 0.2, 4)


def test_dose_frame_by_frame_is_each_frames_own() -> None:
    frames = [header(ImageAndFluoroscopyAreaDoseProduct=str(dose)) for dose in (1, 3)]
    run = header(NumberOfFrames=2, ImageAndFluoroscopyAreaDoseProduct="4")
    run.PerFrameFunctionalGroupsSequence = groups(*frames)
    found = [shot_of(run, frame).dose_area_gy_cm2 for frame in (1, 2)]
    assert found == pytest.approx([0.1, 0.3])


def test_positioner_of_one_picture_of_a_run_and_of_functional_groups() -> None:
    single = header(
        PositionerPrimaryAngle="-81.5", PositionerSecondaryAngle="3", PatientPosition="HFS"
    )
    assert shot_of(single).positioner == Positioner(-81.5, 3.0, "patient", "HFS")
    run = header(
        NumberOfFrames=3,
        PositionerMotion="DYNAMIC",
        PositionerPrimaryAngle="10",
        PositionerSecondaryAngle="0",
        PositionerPrimaryAngleIncrement=["0", "2", "2"],
    )
    found = [shot_of(run, frame).positioner for frame in (1, 2, 3)]
    assert [each.primary for each in found if each] == [10.0, 12.0, 14.0]
    enhanced = header(NumberOfFrames=2)
    enhanced.PerFrameFunctionalGroupsSequence = groups(
        *(
            header(PositionerPrimaryAngle=angle, PositionerSecondaryAngle=0.0)
            for angle in (5.0, 7.0)
        )
    )
    found = [shot_of(enhanced, frame).positioner for frame in (1, 2)]
    assert [each.primary for each in found if each] == [5.0, 7.0]


def test_the_rooms_angles_and_the_tables() -> None:
    room = header(
        PositionerIsocenterPrimaryAngle=30.0,
        PositionerIsocenterSecondaryAngle=0.0,
        TableHorizontalRotationAngle=4.0,
    )
    found = shot_of(room).positioner
    assert found is not None
    assert (found.by, found.primary, found.turned, found.tipped) == ("isocentre", 30.0, 4.0, None)
    assert shot_of(header(PositionerSecondaryAngle="3")).positioner is None


def test_damaged_values_are_silence() -> None:
    bad = header(NumberOfFrames=2, PositionerMotion="DYNAMIC", PositionerPrimaryAngle="5")
    bad.PositionerPrimaryAngleIncrement = []
    assert shot_of(bad, 2).positioner == Positioner(5.0, 0.0)
    assert shot_of(bad, 99) == Shot(frames=2, positioner=Positioner(5.0, 0.0))
    assert shot_of(header(PatientID="INVENTED-1")).invented
