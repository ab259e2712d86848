"""One study: refusals, sides, pairs, and what goes into a reading."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from squareon_fakes import (
    PARTS,
    FakeDetector,
    film_of,
    write_film,
)

from pipeline.knee.film import Film
from pipeline.knee.reading import Reading
from pipeline.records.assemble import ellipse
from pipeline.run import read_study


def film(folder: Path, name: str, **facts: Any) -> Film:
    return film_of(write_film(folder / f"{name}.film", **facts))


def read(films: Sequence[Film], folder: Path) -> dict[str, Reading]:
    readings = read_study(films, PARTS, folder)
    return {f"{Path(r.film.source).stem}{r.knee.index or ''}": r for r in readings}


def one(folder: Path, **facts: Any) -> Reading:
    (reading,) = read([film(folder, "a", **facts)], folder).values()
    return reading


def test_a_good_film_has_everything(tmp_path: Path) -> None:
    reading = one(tmp_path)
    assert reading.refused is None
    assert reading.alignment is not None
    assert reading.alignment.rotation_deg == 1.0
    assert reading.alignment.criteria[0].name == "fake"
    assert reading.proposals[0].target == "superomedial"
    assert {move.text.lower() for move in reading.moves} == {"no move suggested"}
    assert reading.warnings[0].name.startswith("common peroneal")
    assert reading.scale.mm_per_px_knee == 0.5


@pytest.mark.parametrize(
    ("facts", "says"),
    [
        ({"view": "none"}, "no knee"),
        ({"view": "other"}, "projection other than AP or lateral"),
        ({"header": {"view": "other"}}, "header names a projection other"),
        ({"view_probability": 0.5}, "view is not certain enough (AP with probability 0.50)"),
        (
            {"facing_probability": 0.57},
            "lateral side lies is not certain enough (probability 0.57)",
        ),
        ({"view": "lateral", "facing_probability": 0.7}, "the patella lies is not certain enough"),
        ({"header": {"body_part": "CHEST"}}, "another body part (CHEST)"),
        ({"header": {"child": True}}, "younger than 18"),
        ({"no_pose": True}, "too few landmarks"),
    ],
)
def test_refusals_are_one_sentence_and_give_no_angle(
    tmp_path: Path, facts: dict[str, Any], says: str
) -> None:
    reading = one(tmp_path, **facts)
    assert says in (reading.refused or "")
    assert "\n" not in (reading.refused or "")
    assert reading.alignment is None
    assert (reading.moves, reading.proposals, reading.warnings) == ((), (), ())


@pytest.mark.parametrize("part", ["KNEE", "LOWER LEG", "EXTREMITY", "LEG", None, "", "FEMUR"])
def test_body_parts_that_may_show_a_knee_are_read(tmp_path: Path, part: str | None) -> None:
    assert one(tmp_path, header={"body_part": part}).refused is None


def test_header_side_goes_before_the_picture_and_conflict_is_cautioned(tmp_path: Path) -> None:
    agreed = one(tmp_path, side="left", header={"side": "left"})
    assert (agreed.side.name, agreed.side.from_) == ("left", "header")
    assert agreed.cautions == ()
    differ = one(tmp_path, side="right", header={"side": "left"})
    assert (differ.side.name, differ.side.from_) == ("left", "header")
    assert 0.5 < differ.side.probability < 0.8 < 0.98 < agreed.side.probability
    assert "header says left knee but the picture looks right" in differ.cautions[0]


def test_a_picture_that_hardly_tells_the_side_casts_no_doubt_on_the_header(tmp_path: Path) -> None:
    weak = one(tmp_path, side="right", side_probability=0.6, header={"side": "left"})
    assert (weak.side.name, weak.side.from_) == ("left", "header")
    assert weak.side.probability > 0.9
    assert weak.cautions == ()


def test_two_knees_are_both_read_and_their_sides_come_from_the_picture(tmp_path: Path) -> None:
    films = [film(tmp_path, "a", knees=2, side="right", header={"side": "right"})]
    first, second = read(films, tmp_path).values()
    assert (first.knee.index, second.knee.index) == (0, 1)
    assert (first.side.name, second.side.name) == ("right", "left")
    assert first.side.from_ == second.side.from_ == "image"
    assert first.cautions == second.cautions == (), "a header names one side; that is no conflict"
    assert first.alignment is not None
    assert second.alignment is not None


def test_flipped_picture_is_cautioned_and_its_side_turned(tmp_path: Path) -> None:
    reading = one(tmp_path, side="right", header={"flipped": True})
    assert reading.side.name == "left"
    assert "mirror image" in reading.cautions[0]


def test_view_conflict_is_cautioned_and_the_picture_followed(tmp_path: Path) -> None:
    reading = one(tmp_path, view="AP", header={"view": "lateral"})
    assert reading.view.name == "AP"
    assert reading.alignment is not None
    assert "header says lateral but the picture looks AP" in reading.cautions[0]


def test_views_of_one_knee_in_one_study_are_partners(tmp_path: Path) -> None:
    films = [
        film(tmp_path, "ap-right", view="AP", side="right", study="s"),
        film(tmp_path, "ap-right-unsure", view="AP", study="s", view_probability=0.988),
        film(tmp_path, "ap-left", view="AP", side="left", study="s"),
        film(tmp_path, "ap-refused", view="AP", study="s", no_pose=True, view_probability=1.0),
        film(tmp_path, "lat-right", view="lateral", side="right", study="s"),
        film(tmp_path, "lat-other-study", view="lateral", side="right", study="t"),
        film(tmp_path, "lat-no-study", view="lateral", side="right"),
    ]
    readings = read(films, tmp_path)
    partner = {k: r.proposals[0].heights_from for k, r in readings.items() if r.proposals}
    assert partner == {
        "ap-right": "lat-right.film",
        "ap-right-unsure": "lat-right.film",
        "ap-left": "none",
        "lat-right": "ap-right.film",
        "lat-other-study": "none",
        "lat-no-study": "none",
    }


def test_landmarks_off_the_film_or_unseen_have_no_place(tmp_path: Path) -> None:
    class Detector(FakeDetector):
        def detect(self, film: Film) -> Any:
            (found,) = super().detect(film)
            xy, seen = found.xy.copy(), found.seen.copy()
            xy[0] = (-3.0, 5.0)
            xy[1] = (film.columns - 0.4, 5.0)
            seen[2] = 0.2
            return [replace(found, xy=xy, seen=seen)]

    parts = replace(PARTS, detector=Detector())
    (reading,) = read_study([film(tmp_path, "a")], parts, tmp_path)
    hidden = [mark for mark in reading.landmarks if not mark.seen]
    assert [mark.name for mark in hidden] == [mark.name for mark in reading.landmarks[:3]]
    assert all((m.x, m.y, m.sd_major, m.sd_minor, m.sd_angle_deg) == (None,) * 5 for m in hidden)


@given(major=st.floats(0.1, 20), ratio=st.floats(0.05, 0.95), angle=st.floats(-89.0, 90.0))
def test_ellipse_gives_back_the_axes_it_was_made_of(
    major: float, ratio: float, angle: float
) -> None:
    turn = np.radians(angle)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    covariance = axes @ np.diag([major**2, (major * ratio) ** 2]) @ axes.T
    got_major, got_minor, got_angle = ellipse(covariance)
    assert got_major == pytest.approx(major)
    assert got_minor == pytest.approx(major * ratio)
    assert np.cos(np.radians(2 * (got_angle - angle))) == pytest.approx(1.0, abs=1e-6)
    assert -90 < got_angle <= 90
