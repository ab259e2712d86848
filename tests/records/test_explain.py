"""Explanations: what is drawn lies on the film where the numbers say, and nothing is left out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from squareon_fakes import film_and_reading

from pipeline.knee.film import Film
from pipeline.knee.reading import Grounds, HypothesisRead, KneeRef, LandmarkRead, Reading
from pipeline.records import canvas as c
from pipeline.records.explain import PANEL, ExplainWriter, _Panel, _remarks, explained
from pipeline.records.rows import to_dict

GROUNDS = Grounds(
    5.0,
    0.0,
    {"landmark_fit": (2.0, -1.0), "direct_regression": (4.0, 0.0)},
    {"misfit": 0.5, "strain": 0.2, "contradiction": 0.7, "plausibility": 0.995},
)


def example(**facts: object) -> tuple[Film, Reading]:
    film, reading = film_and_reading(**facts)
    return film, replace(reading, grounds=GROUNDS)


def words(reading: Reading) -> str:
    return " | ".join(text for *_, text, _, _ in _Panel(reading, "").texts)


@pytest.mark.parametrize(
    ("shape", "box"),
    [
        ((700, 500), (100.0, 150.0, 400.0, 450.0)),
        ((700, 500), (-120.0, 300.0, 480.0, 900.0)),  # the knee's box leaves the film
        ((3000, 2400), (300.0, 500.0, 2100.0, 2300.0)),
    ],
)
def test_the_film_and_the_marks_lie_in_one_place(
    shape: tuple[int, int], box: tuple[float, float, float, float]
) -> None:
    film, reading = example()
    rows, columns = shape
    x, y = round(0.45 * columns), round(0.62 * rows)
    spot = max(rows // 150, 2)
    pixels = np.full(shape, 0.2, np.float32)
    pixels[y - spot : y + spot + 1, x - spot : x + spot + 1] = 1.0
    mark = LandmarkRead("medial_epicondyle", float(x), float(y), 0.01, 0.01, 0.0, True)
    bare = replace(reading, landmarks=(), outline={}, knee=KneeRef(0, box))
    film = replace(film, pixels=pixels)
    size = 600
    without = explained(film, bare, size=size).rgb[:size, :size].astype(int)
    with_it = explained(film, replace(bare, landmarks=(mark,)), size=size).rgb[:size, :size]
    bright = np.argwhere(without[..., 0] > 200).mean(axis=0)
    dot = np.argwhere(np.abs(with_it - without).max(axis=2) > 4).mean(axis=0)
    assert dot == pytest.approx(bright, abs=1.2)


def test_both_explanations_are_told_and_drawn() -> None:
    film, reading = example(view="lateral")
    assert reading.alignment is not None
    pair = tuple(
        HypothesisRead(r, (r - 2, r + 2), t, (t - 2, t + 2), p)
        for r, t, p in ((3.0, 1.0, 0.8), (-3.0, -1.0, 0.2))
    )
    alone = replace(reading, alignment=replace(reading.alignment, hypotheses=pair[:1]))
    both = replace(reading, alignment=replace(reading.alignment, hypotheses=pair))
    assert "medial and lateral exchanged: rotation -3.0°, tilt -1.0°" in words(both)
    assert "80% as marked" in words(both)
    assert "exchanged" not in words(alone)
    size = 500
    pictures = [explained(film, r, size=size).rgb[:, size:] for r in (alone, both)]
    assert pictures[0].shape[1] == pictures[1].shape[1] == PANEL
    assert [len(h.hypotheses) for h in _Panel(both, "").charts] == [2, 2]


def test_what_is_unusual_is_remarked() -> None:
    assert all(usual for _, usual in _remarks(GROUNDS))
    for name, value in (("misfit", 3.0), ("contradiction", 4.0), ("plausibility", 0.93)):
        odd = replace(GROUNDS, quality={**GROUNDS.quality, name: value})
        assert sum(not usual for _, usual in _remarks(odd)) == 1


def test_a_refusal_is_told_and_angles_far_off_are_drawn() -> None:
    film, reading = example()
    refused = replace(reading, alignment=None, grounds=None, refused="no knee was found")
    assert "not read: no knee was found" in words(refused)
    assert explained(film, refused, size=400).rgb.shape[1] == 400 + PANEL
    assert reading.alignment is not None
    far = replace(reading.alignment.hypotheses[0], rotation_deg=80.0, rotation_90=(70.0, 90.0))
    wild = replace(reading, alignment=replace(reading.alignment, hypotheses=(far,)))
    picture = explained(film, wild, size=400).rgb
    assert (np.abs(picture.astype(int) - c.WHITE).max(axis=2) < 30).any()


def test_the_writer_writes_and_the_rows_stay_as_documented(tmp_path: Path) -> None:
    film, reading = example()
    ExplainWriter(size=300, note="INVENTED").write(tmp_path, film, [reading])
    (picture,) = (tmp_path / "explanations").glob("*.png")
    assert picture.read_bytes()[1:4] == b"PNG"
    assert "grounds" not in to_dict(reading)
    assert "outline" not in to_dict(reading)
