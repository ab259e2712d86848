"""Series: order, changes between shots, when it became square, what advice would have saved."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from review_house import SERIES, id_of

from pipeline.readers.dicom_shot import Shot, read_shot
from pipeline.records.store import Store
from pipeline.review.series import ShotRead, in_order, moves_between, series_of


def shot(
    id: int,
    rotation: float,
    square: str,
    *,
    half: float = 2.0,
    view: str = "AP",
    advice: float | str | None = "auto",
    dose: float | None = None,
    time: str | None = "auto",
) -> ShotRead:
    degrees = abs(rotation) if advice == "auto" else advice
    moves = []
    if square == "no":
        moves = [
            {
                "angle": "rotation",
                "hypothesis": 0,
                "toward": "medial",
                "degrees": degrees,
                "text": "turn",
            }
        ]
    row = {
        "film": {"source": f"f{id}", "frame": None},
        "knee": {"index": 0},
        "view": {"name": view},
        "side": {"name": "right"},
        "refused": None,
        "moves": moves,
        "alignment": {
            "square": square,
            "rotation_deg": rotation,
            "rotation_90": [rotation - half, rotation + half],
            "tilt_deg": 0.0,
            "tilt_90": [-half, half],
        },
    }
    at = f"20200101 12{id:02d}00" if time == "auto" else time
    return ShotRead(id, f"film {id}", row, "proposed", Shot(at, id, dose))


def told(shots: list[ShotRead]) -> dict[str, Any]:
    (story,) = series_of(shots)["stories"]
    return story


def test_what_the_first_advice_would_have_saved() -> None:
    story = told(
        [
            shot(1, 12.0, "no", dose=0.1),
            shot(2, 8.0, "no", dose=0.2),
            shot(3, 4.0, "cannot tell", dose=0.3),
            shot(4, 0.5, "yes", dose=0.1),
            shot(5, 0.4, "yes", dose=0.1),
        ]
    )
    assert (story["first_square"], story["first_square_id"], story["shots"]) == (3, 4, 5)
    assert story["saved_shots"] == 2
    assert story["saved_dose_area_gy_cm2"] == pytest.approx(0.5)


def test_a_dose_that_is_not_whole_is_not_summed_up() -> None:
    story = told([shot(1, 12.0, "no"), shot(2, 8.0, "no"), shot(3, 0.0, "yes", dose=0.1)])
    assert story["saved_shots"] == 1
    assert story["saved_dose_area_gy_cm2"] is None


@pytest.mark.parametrize(
    ("shots", "why"),
    [
        ([shot(1, 1.0, "yes"), shot(2, 0.0, "yes")], "square on already"),
        ([shot(1, 12.0, "no"), shot(2, 9.0, "no")], "no shot"),
        ([shot(1, 5.0, "cannot tell"), shot(2, 0.0, "yes")], "left open"),
        ([shot(1, 12.0, "no", advice=None), shot(2, 0.0, "yes")], "no degrees"),
        ([shot(1, 12.0, "no"), shot(2, 4.5, "yes")], "another amount"),
    ],
)
def test_where_nothing_can_be_said(shots: list[ShotRead], why: str) -> None:
    story = told(shots)
    assert story["saved_shots"] is None
    assert why in story["why_not"]


def test_views_are_told_apart_and_in_time_order() -> None:
    shots = [
        shot(3, 0.0, "yes"),
        shot(1, 9.0, "no"),
        shot(2, 1.0, "yes", view="lateral"),
        shot(9, 5.0, "no", time=None),
    ]
    assert [each.id for each in in_order(shots)] == [1, 2, 3, 9]
    found = series_of(shots)
    assert [(s["view"], s["shots"]) for s in found["stories"]] == [("AP", 3), ("lateral", 1)]
    moved = {each["id"]: each["moves"] for each in found["shots"]}
    assert moved[1] == moved[2] == []
    assert moved[3][0]["change_deg"] == pytest.approx(-9.0)  # against shot 1, not the lateral


def test_small_changes_are_no_moves() -> None:
    clear, still = (moves_between(shot(1, 8.0, "no"), shot(2, to, "no"))[0] for to in (5.0, 5.3))
    assert clear["half_width_deg"] == pytest.approx(8**0.5)
    assert clear["clear"]
    assert not still["clear"]
    assert still["text"] == "no clear change"
    # Rotation went down: the front end went to medial, or the limb outward (conventions).
    assert "toward medial" in clear["text"]
    assert "outward" in clear["text"]


def test_headers(results: Path, tmp_path: Path) -> None:
    films = results.parent / "films"
    found = read_shot(films / SERIES[0].file)
    assert found.dose_area_gy_cm2 == pytest.approx(0.12)  # 1.2 dGy cm2 in the header
    assert (found.kvp, found.mas, found.entrance_dose_mgy) == (70.0, None, None)
    assert found.acquired == "20200101 120003"
    assert read_shot(films / "ramp.png") == Shot()
    assert read_shot(tmp_path / "nothing") == Shot()


def test_a_series_of_films(store: Store) -> None:
    from review_house import desk_of

    from pipeline.review.desk import Viewer

    found = desk_of(store).series(id_of(store, "shot-2.dcm"), Viewer())
    assert [each["name"] for each in found["shots"]] == [s.file for s in SERIES]
    assert found["dose_area_gy_cm2"] == pytest.approx(0.36)
    (story,) = found["stories"]
    squares = [each["square"] == "yes" for each in found["shots"]]
    assert story["first_square"] == (squares.index(True) if any(squares) else None)
    assert [len(each["moves"]) for each in found["shots"]] == [0, 2, 2]
    alone = desk_of(store).series(id_of(store, "ramp.png"), Viewer())
    assert len(alone["shots"]) == 1
    assert alone["stories"] == []
