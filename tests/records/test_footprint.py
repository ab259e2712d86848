"""Footprints on archived films: drawn only where asked for, to scale, with their cautions."""

import csv
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import yaml

from pipeline.knee.errors import Problem
from pipeline.knee.film import Film, Scale
from pipeline.knee.reading import (
    FilmRef,
    Found,
    Instrument,
    KneeRef,
    MadeBy,
    Proposal,
    Reading,
    ScaleRead,
    SideRead,
    ViewRead,
    Warning_,
)
from pipeline.propose.lesion import Lesion
from pipeline.records.footprint import (
    LOOKING_BACK,
    NO_SCALE,
    FootprintWriter,
    about,
    footprints_of,
    sentences,
)
from pipeline.records.overlay import OverlayWriter, depth_told
from pipeline.registry import build, names

TIP = (200.0, 180.0)


def film(mm: float | None = 0.3) -> Film:
    """A shaft of 1.5 mm from the right to its tip, over noise."""
    rng = np.random.default_rng(0)
    pixels = (0.3 + 0.01 * rng.standard_normal((360, 400))).astype(np.float32)
    cv2.line(pixels, (200, 180), (399, 180), 0.7, 5, cv2.LINE_AA)
    scale = Scale(mm, mm, "invented") if mm else Scale()
    return Film(np.clip(pixels, 0, 1), "invented/a.png", "0" * 64, scale=scale)


def reading(film: Film, *, tips: int = 1, view: str = "AP") -> Reading:
    mm = film.scale.mm_per_px_knee
    tip = Instrument(
        TIP, 42.0 if view == "lateral" else None, (30.0, 55.0) if view == "lateral" else None
    )
    return Reading(
        film=FilmRef("invented/a.png", "0" * 64, None, 360, 400, None, None, None),
        knee=KneeRef(0, (20.0, 20.0, 380.0, 340.0)),
        scale=ScaleRead(mm, mm, "invented"),
        view=ViewRead(view, 1.0),
        side=SideRead("right", 1.0, "image"),
        landmarks=(),
        alignment=None,
        moves=(),
        proposals=(
            Proposal(
                "superomedial", "point", ((190.0, 180.0),), 8.0, "this film", "", "proposal", None
            ),
        ),
        warnings=(Warning_("zone", ((150, 300), (250, 300), (250, 340), (150, 340))),),
        found=Found(0.0, 0.0, (tip,) * tips),
        refused=None,
        cautions=(),
        made_by=MadeBy("0", "w", "c", 0),
    )


def test_the_footprint_points_where_the_shaft_points():
    one = film()
    (found,) = footprints_of(
        one, reading(one), Lesion("conventional", (6, 6), (10, 10), (2, 2), (0, 0))
    )
    assert found.ahead == pytest.approx([-1.0, 0.0], abs=0.03)
    # 2 mm beyond the tip, 8 mm behind it, at 0.3 mm a pixel
    assert found.outer[:, 0].min() == pytest.approx(200 - 2 / 0.3, abs=0.3)
    assert found.outer[:, 0].max() == pytest.approx(200 + 8 / 0.3, abs=0.5)
    assert found.target_mm == pytest.approx(3.0)
    assert found.within == "outside"
    turned = footprints_of(one, reading(one), Lesion(), {0: np.array([0.0, 1.0])})
    assert turned[0].ahead == pytest.approx([0.0, 1.0])


def test_words_carry_distances_sources_and_cautions():
    one = film()
    (found,) = footprints_of(one, reading(one), Lesion("cooled"))
    words = sentences(1, found)
    assert "3.0 mm from the tip (90 % within 2.4 mm)" in words
    assert "mm from the nerve zone" in words
    told = " ".join(about(Lesion("cooled"), "lateral"))
    assert "8 to 12 mm across" in told
    assert "memory, unsure" in told
    assert "0 to 85 degrees" in told
    assert "look at both views" in told
    assert "Never a plan" in LOOKING_BACK
    assert "42 %" in depth_told(1, reading(one, view="lateral").found.instruments[0])


def test_it_is_written_only_for_films_with_instruments(tmp_path):
    writer = build("writer", "footprint", {"kind": "cooled"})
    one = film()
    writer.write(tmp_path, one, [reading(one, tips=0)])
    writer.finish(tmp_path)
    assert list(tmp_path.iterdir()) == []
    writer.write(tmp_path, one, [reading(one, tips=2)])
    writer.write(tmp_path, one, [reading(one, tips=2)])
    writer.finish(tmp_path)
    (picture,) = (tmp_path / "footprints").glob("*.png")
    assert cv2.imread(str(picture)).shape[1] > 1200
    rows = list(csv.DictReader((tmp_path / "footprints.csv").open()))
    assert len(rows) == 2
    assert rows[0]["target"] == "superomedial"
    assert float(rows[0]["tip_to_zone_mm"]) == pytest.approx(120 * 0.3, abs=0.05)
    assert rows[0]["direction"] == "found"


def test_nothing_is_drawn_to_scale_without_a_scale(tmp_path):
    blind = film(None)
    assert footprints_of(blind, reading(blind), Lesion()) == ()
    assert len(footprints_of(blind, reading(blind), Lesion(mm_per_px=0.3))) == 1
    FootprintWriter().write(tmp_path, blind, [reading(blind)])
    assert len(list((tmp_path / "footprints").glob("*.png"))) == 1
    assert "no footprint is drawn" in NO_SCALE
    refused = replace(reading(blind), view=ViewRead("none", 1.0))
    assert footprints_of(blind, refused, Lesion(mm_per_px=0.3)) == ()


def test_no_usual_writer_draws_one(tmp_path):
    """Off by default: it is a writer of its own, and the overlay alone shows the tips."""
    configs = Path(__file__).resolve().parents[2] / "configs" / "writer"
    for path in configs.glob("*.yaml"):
        assert ("footprint" in yaml.safe_load(path.read_text())) == (path.stem == "footprint")
    assert "footprint" in names("writer")
    one = film()
    OverlayWriter().write(tmp_path, one, [reading(one)])
    assert [path.name for path in tmp_path.iterdir()] == ["overlays"]


def test_a_wrong_option_is_said_before_the_first_film():
    with pytest.raises(Problem, match="no kind of lesion"):
        build("writer", "footprint", {"kind": "hot"})
