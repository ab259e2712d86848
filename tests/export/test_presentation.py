"""Presentation states, read back with pydicom alone and drawn again."""

from __future__ import annotations

import subprocess
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_cases import (
    COLUMNS,
    CR,
    DX,
    ROWS,
    XA,
    back,
    film_dataset,
    moved,
    program,
    reading_of,
    record,
    save,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset

from pipeline.knee.errors import Problem
from pipeline.records.export.marks import Array, clip_line, clip_polygon
from pipeline.records.export.presentation import presentation_state
from pipeline.records.export.record import Record
from pipeline.records.export.report import Identity
from pipeline.records.export.source import open_film


@pytest.fixture
def case(tmp_path: Path) -> tuple[Path, dict]:
    path = save(film_dataset(), tmp_path / "film.dcm")
    return path, reading_of(path, full=True, view="AP", side="right")


def state_of(one: Record, path: Path, **outlines: Any) -> Dataset:
    film = open_film(path, one.original["film"]["sha256"])
    made = presentation_state(one, film, Identity("Example site"), **outlines)
    return back(made, path.with_name("state.dcm"))


def layer(state: Dataset, name: str) -> Dataset:
    (annotation,) = [a for a in state.GraphicAnnotationSequence if a.GraphicLayer == name]
    return annotation


def shapes(annotation: Dataset) -> dict[str, list[tuple[str, np.ndarray]]]:
    found: dict[str, list[tuple[str, np.ndarray]]] = {}
    for shape in annotation.GraphicObjectSequence:
        assert shape.GraphicAnnotationUnits == "PIXEL"
        points = np.array(shape.GraphicData, dtype=float).reshape(-1, 2)
        assert len(points) == shape.NumberOfGraphicPoints
        found.setdefault(str(shape.TrackingID), []).append((str(shape.GraphicType), points))
    return found


def drawn(annotation: Dataset) -> np.ndarray:
    """(ROWS, COLUMNS) bool: pixels under the points, where pixel n covers n to n + 1."""
    picture = np.zeros((ROWS, COLUMNS), bool)
    for pieces in shapes(annotation).values():
        for kind, points in pieces:
            if kind == "POINT":
                picture[int(points[0, 1]), int(points[0, 0])] = True
    return picture


def test_points_drawn_from_the_state_hit_the_pixels_of_the_reading(
    case: tuple[Path, dict],
) -> None:
    path, reading = case
    expected = np.zeros((ROWS, COLUMNS), bool)
    for mark in reading["landmarks"]:
        expected[int(mark["y"] + 0.5), int(mark["x"] + 0.5)] = True  # nearest pixel centre
    expected[80, 100] = True  # the proposal of the fake rule
    picture = drawn(layer(state_of(record(reading, "proposed"), path), "PROPOSAL"))
    assert np.array_equal(picture, expected)


def test_the_film_with_the_states_marks_drawn_shows_what_was_painted_into_it(
    tmp_path: Path,
) -> None:
    """Bright pixels of the film and points of the state are the same places."""
    film = film_dataset()
    rng = np.random.default_rng(5)
    pixels = np.zeros((ROWS, COLUMNS), "<u2")
    places = rng.integers((0, 0), (COLUMNS, ROWS), (20, 2))
    pixels[places[:, 1], places[:, 0]] = 4000
    film.PixelData = pixels.tobytes()
    path = save(film, tmp_path / "film.dcm")
    reading = reading_of(path, full=True)
    reading["proposals"] = []
    reading["landmarks"] = [
        {**mark, "x": float(x), "y": float(y)}
        for mark, (x, y) in zip(reading["landmarks"], places, strict=False)
    ]
    picture = drawn(layer(state_of(record(reading, "proposed"), path), "PROPOSAL"))
    assert np.array_equal(picture, film.pixel_array > 0)


def test_two_layers_hold_what_was_proposed_and_what_was_left(case: tuple[Path, dict]) -> None:
    path, reading = case
    final = moved(reading, "fibular_head", (7.0, 5.0))
    state = state_of(record(reading, "changed", current=final), path)
    assert [(each.GraphicLayer, each.GraphicLayerOrder) for each in state.GraphicLayerSequence] == [
        ("PROPOSAL", 1),
        ("REVIEWED", 2),
    ]
    before = shapes(layer(state, "PROPOSAL"))["fixed fibular head"][0][1]
    after = shapes(layer(state, "REVIEWED"))["fixed fibular head"][0][1]
    assert np.allclose(after - before, [[7.0, 5.0]], atol=1e-3)
    others = [name for name in shapes(layer(state, "PROPOSAL")) if name != "fixed fibular head"]
    for name in others:
        one, other = (shapes(layer(state, each))[name] for each in ("PROPOSAL", "REVIEWED"))
        assert all(np.array_equal(a[1], b[1]) for a, b in zip(one, other, strict=True))
    assert state.ContentLabel == "REVIEWED"
    for each in ("PROPOSAL", "REVIEWED"):
        assert "NOT FOR GUIDANCE" in layer(state, each).TextObjectSequence[0].UnformattedTextValue
    assert str(state.ContentCreatorName).startswith("Example Reviewer A")


@pytest.mark.parametrize("kind", ["proposed", "rejected"])
def test_without_a_reviewer_there_is_no_reviewed_layer(case: tuple[Path, dict], kind: str) -> None:
    path, reading = case
    state = state_of(record(reading, kind), path)
    assert [each.GraphicLayer for each in state.GraphicLayerSequence] == ["PROPOSAL"]
    assert state.ContentLabel.startswith("UNREVIEWED")
    assert "UNREVIEWED" in state.SeriesDescription
    texts = [text.UnformattedTextValue for text in layer(state, "PROPOSAL").TextObjectSequence]
    assert texts[0].startswith("UNREVIEWED")
    assert "NOT FOR GUIDANCE" in texts[0]


def test_zone_target_and_outline_are_there_with_their_words(case: tuple[Path, dict]) -> None:
    path, reading = case
    reading["proposals"].append(
        {**reading["proposals"][0], "target": "inferomedial", "shape": "band",
         "points": [[50.0, 200.0], [60.0, 210.0]], "radius_90_px": 8.0}
    )  # fmt: skip
    reading["warnings"] = [
        {"name": "common peroneal nerve zone",
         "polygon": [[200.0, 200.0], [400.0, 200.0], [400.0, 280.0], [200.0, 280.0]]}
    ]  # fmt: skip
    outline = {"femur": np.array([[20.0, 20.0], [90.0, 20.0], [90.0, 90.0]])}
    state = state_of(record(reading, "proposed"), path, proposed_outline=outline)
    found = shapes(layer(state, "PROPOSAL"))
    ((kind, femur),) = found["outline femur"]
    assert kind == "POLYLINE"
    assert np.allclose(femur, np.array([[20, 20], [90, 20], [90, 90], [20, 20]]) + 0.5)
    ((kind, band),) = found["band inferomedial"]
    assert np.allclose(band, np.array([[50, 200], [60, 210]]) + 0.5)
    ((kind, circle),) = found["circle superomedial"]
    assert kind == "CIRCLE"
    assert np.allclose(circle[0], (100.5, 80.5))
    assert np.linalg.norm(circle[1] - circle[0]) == pytest.approx(12.0, abs=1e-3)
    ((kind, zone),) = found["zone common peroneal nerve zone"]
    assert np.array_equal(zone[0], zone[-1])
    assert zone[:, 0].max() == COLUMNS  # cut at the picture's edge
    texts = [text.UnformattedTextValue for text in layer(state, "PROPOSAL").TextObjectSequence]
    assert {"superomedial", "inferomedial", "common peroneal nerve zone"} <= set(texts)


def test_nothing_lies_outside_the_picture(case: tuple[Path, dict]) -> None:
    path, reading = case
    reading["proposals"][0] |= {"points": [[1.0, 1.0]], "radius_90_px": 30.0}
    reading["warnings"][0]["polygon"] = [[-50, -50], [500, -20], [300, 500], [-10, 200]]
    state = state_of(record(reading), path)
    for annotation in state.GraphicAnnotationSequence:
        for pieces in shapes(annotation).values():
            for _, points in pieces:
                assert points.min() >= 0
                assert np.all(points <= (COLUMNS, ROWS))
        for text in annotation.TextObjectSequence:
            at = text.get("AnchorPoint")
            assert at is None or (0 <= at[0] <= COLUMNS and 0 <= at[1] <= ROWS)


def test_withheld_targets_are_not_drawn(case: tuple[Path, dict]) -> None:
    path, reading = case
    reading["proposals"][0] |= {"status": "withheld", "why": "the film is not square on"}
    found = shapes(layer(state_of(record(reading), path), "REVIEWED"))
    assert not [name for name in found if name.startswith(("target", "circle", "band"))]


@pytest.mark.parametrize("kind", [DX, CR, XA])
def test_patient_study_and_picture_come_from_the_film(tmp_path: Path, kind: str) -> None:
    film = film_dataset(kind)
    path = save(film, tmp_path / "film.dcm")
    state = state_of(record(reading_of(path)), path)
    for keyword in ("PatientName", "PatientID", "StudyInstanceUID", "StudyDate"):
        assert state[keyword].value == film[keyword].value
    (series,) = state.ReferencedSeriesSequence
    assert series.SeriesInstanceUID == film.SeriesInstanceUID
    assert series.ReferencedImageSequence[0].ReferencedSOPInstanceUID == film.SOPInstanceUID
    (window,) = state.SoftcopyVOILUTSequence
    assert (window.WindowCenter, window.WindowWidth) == (2048, 4096)
    assert (state.RescaleSlope, state.Laterality) == (1, "R")
    (area,) = state.DisplayedAreaSelectionSequence
    assert list(area.DisplayedAreaTopLeftHandCorner) == [1, 1]
    assert list(area.DisplayedAreaBottomRightHandCorner) == [COLUMNS, ROWS]


def test_a_frame_is_named(tmp_path: Path) -> None:
    path = save(film_dataset(XA, NumberOfFrames=3), tmp_path / "cine.dcm")
    state = state_of(record(reading_of(path, frame=2)), path)
    for annotation in state.GraphicAnnotationSequence:
        assert annotation.ReferencedImageSequence[0].ReferencedFrameNumber == 2


def test_pixels_that_are_not_square_keep_their_shape(tmp_path: Path) -> None:
    path = save(film_dataset(ImagerPixelSpacing=["0.3", "0.2"]), tmp_path / "film.dcm")
    (area,) = state_of(record(reading_of(path)), path).DisplayedAreaSelectionSequence
    assert list(area.PresentationPixelSpacing) == [0.3, 0.2]
    assert "PresentationPixelAspectRatio" not in area


def test_a_colour_picture_is_told(tmp_path: Path) -> None:
    film = film_dataset(CR, SamplesPerPixel=3, PhotometricInterpretation="RGB")
    path = save(film, tmp_path / "film.dcm")
    with pytest.raises(Problem, match="colour picture"):
        state_of(record(reading_of(path)), path)


def test_bone_is_bright_whichever_way_the_film_is_stored(tmp_path: Path) -> None:
    """dcmtk renders the film through the state: MONOCHROME1 and 2 must look the same."""
    dcmp2pgm = program("dcmp2pgm", "dcmtk")
    ramps = []
    for photometric in ("MONOCHROME2", "MONOCHROME1"):
        film = film_dataset(PhotometricInterpretation=photometric)
        if photometric == "MONOCHROME1":
            film.PresentationLUTShape = "INVERSE"
            film.PixelData = (4095 - film.pixel_array).astype("<u2").tobytes()
        folder = tmp_path / photometric
        path = save(film, folder / "film.dcm")
        state_of(record(reading_of(path), "proposed"), path)
        out = folder / "seen.pgm"
        subprocess.run(
            [dcmp2pgm, "-p", str(folder / "state.dcm"), str(path), str(out)],
            check=True, capture_output=True, timeout=300,
        )  # fmt: skip
        data = out.read_bytes()
        ramps.append(np.frombuffer(data[-ROWS * COLUMNS :], np.uint8).reshape(ROWS, COLUMNS))
    assert ramps[0][0, -1] > ramps[0][0, 0] + 50  # the film rises from left to right
    assert np.abs(ramps[0].astype(int) - ramps[1]).max() <= 2


# ---- cutting at the edge -------------------------------------------------------------------------

points = st.lists(
    st.tuples(st.floats(-400, 700), st.floats(-400, 700)), min_size=3, max_size=7
).map(lambda corners: np.array(corners, dtype=np.float64))


def within(point: Array, polygon: Array) -> bool:
    """Whether a ray to the right crosses the polygon's edges an odd number of times."""
    x, y = point
    crossed = False
    for (ax, ay), (bx, by) in zip(polygon, np.roll(polygon, -1, axis=0), strict=True):
        if (ay > y) != (by > y) and x < ax + (y - ay) * (bx - ax) / (by - ay):
            crossed = not crossed
    return crossed


@settings(max_examples=60, deadline=None)
@given(polygon=points, seed=st.integers(0, 1000))
def test_a_cut_polygon_holds_what_lies_in_both(polygon: Array, seed: int) -> None:
    cut = clip_polygon(polygon, ROWS, COLUMNS)
    rng = np.random.default_rng(seed)
    for point in rng.uniform((0.01, 0.01), (COLUMNS - 1.01, ROWS - 1.01), (40, 2)):
        assert within(point, polygon) == (len(cut) > 0 and within(point, cut))
    if len(cut):
        assert cut.min() >= -0.5 - 1e-6
        assert np.all(cut <= (COLUMNS - 0.5 + 1e-6, ROWS - 0.5 + 1e-6))


@settings(max_examples=60, deadline=None)
@given(line=points)
def test_a_cut_line_holds_what_lies_on_the_picture(line: Array) -> None:
    pieces = clip_line(line, ROWS, COLUMNS)
    for start, end in pairwise(line):
        for share in np.linspace(0, 1, 13):
            point = start + share * (end - start)
            there = bool(np.all(point >= 0) and np.all(point <= (COLUMNS - 1, ROWS - 1)))
            near = min((distance(point, piece) for piece in pieces), default=np.inf)
            if there:
                assert near < 1e-6
    for piece in pieces:
        assert all(distance(point, line) < 1e-6 for point in piece)


def distance(point: Array, line: Array) -> float:
    least = np.inf
    for start, end in pairwise(line):
        step = end - start
        length = float(step @ step)
        share = 0.0 if length == 0 else float(np.clip((point - start) @ step / length, 0, 1))
        least = min(least, float(np.linalg.norm(point - start - share * step)))
    return least
