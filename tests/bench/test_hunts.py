"""Invented hunts: the same every time, and what they say of themselves is so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.bench.hunts import Hunt, Hunter, hunt_of, write_hunt


@pytest.fixture(scope="module")
def hunt() -> Hunt:
    return hunt_of(Hunter("lateral", 9475, "limb", after=2, pixels=200))


def test_the_knee_shows_the_poses_that_the_hunt_says(hunt: Hunt) -> None:
    for each in hunt.films:
        truth = hunt.patient.truth(each.aim)
        assert (truth.rotation_deg, truth.tilt_deg) == pytest.approx(each.pose, abs=0.01)
        assert truth.side == hunt.side


def test_it_ends_square_and_goes_on(hunt: Hunt) -> None:
    assert hunt.first_square == len(hunt.films) - 3
    assert all(max(map(abs, each.pose)) <= 5.0 for each in hunt.films[-3:])


def test_a_turned_limb_leaves_the_positioner_where_it_was(hunt: Hunt) -> None:
    for before, after in zip(hunt.films, hunt.films[1:], strict=False):
        same = before.shot.positioner == after.shot.positioner
        assert same == after.by_limb
        assert after.turn is not None


def test_times_rise_and_doses_are_stated(hunt: Hunt) -> None:
    times = [each.shot.acquired or "" for each in hunt.films]
    assert times == sorted(set(times))
    assert all((each.shot.dose_area_gy_cm2 or 0) > 0 for each in hunt.films)


def test_the_same_hunter_makes_the_same_files(hunt: Hunt, tmp_path: Path) -> None:
    first = write_hunt(hunt, tmp_path / "a", "study")
    again = write_hunt(hunt_of(hunt.hunter), tmp_path / "b", "study")
    assert [p.read_bytes() for p in first] == [p.read_bytes() for p in again]
    assert not np.array_equal(hunt.film(0).pixels, hunt.film(1).pixels)
