"""Films made worse on purpose: only what is asked for changes, the knee and its truth do not."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from pipeline.knee.truth import LabelledFilm
from synthetic_data.scenarios import KneeFilms

SEED = 500_003
PLAIN: dict[str, Any] = {"styles": ("c_arm",), "other_share": 0.0, "no_knee_share": 0.0}


def made(**options: Any) -> LabelledFilm:
    return KneeFilms(**PLAIN, **options).make(SEED)


@pytest.fixture(scope="module")
def plain() -> LabelledFilm:
    return made()


def fine_detail(film: LabelledFilm) -> float:
    """Mean square of the difference between neighbours along rows."""
    return float((np.diff(film.film.pixels, axis=1) ** 2).mean())


@pytest.mark.parametrize("options", [{"blur_px": 2.0}, {"noise": 0.05}, {"dose": 0.05}])
def test_worse_pictures_keep_their_truth(plain: LabelledFilm, options: dict[str, float]) -> None:
    worse = made(**options)
    before, after = plain.knees[0], worse.knees[0]
    np.testing.assert_array_equal(after.xy, before.xy)
    assert (after.rotation_deg, after.tilt_deg) == (before.rotation_deg, before.tilt_deg)
    if "blur_px" in options:
        assert fine_detail(worse) < 0.7 * fine_detail(plain)
    else:
        assert fine_detail(worse) > 1.03 * fine_detail(plain)
    if "dose" in options:
        given = [float(k.facts["technique.dose_ugy"]) for k in (before, after)]
        assert given[1] == pytest.approx(0.05 * given[0])


def test_added_noise_has_the_size_that_was_asked_for() -> None:
    """Independent noise s adds 2 s^2 to the mean square of a difference of neighbours."""
    options = {**PLAIN, "styles": ("radiography",)}
    for seed in range(SEED, SEED + 40):
        plain = KneeFilms(**options).make(seed)
        if plain.knees[0].facts["formation.jpeg"] == 0:
            break  # compression would smooth the noise
    noisy = KneeFilms(**options, noise=0.05).make(seed)
    inside = (plain.film.pixels > 0.3) & (plain.film.pixels < 0.7)  # nothing clipped
    pairs = inside[:, 1:] & inside[:, :-1]

    def square(film: LabelledFilm) -> float:
        return float((np.diff(film.film.pixels, axis=1)[pairs] ** 2).mean())

    assert square(noisy) - square(plain) == pytest.approx(2 * 0.05**2, rel=0.15)


def test_flexion_is_drawn_between_the_ends_that_are_given() -> None:
    found = [KneeFilms(**PLAIN, flexion_deg=(60.0, 70.0)).make(s).knees[0] for s in (7, 8, 9)]
    # What was asked is the flexion before the joint finds its seat; a few degrees lie between.
    assert all(52 < knee.flexion_deg < 78 for knee in found)
    assert len({knee.flexion_deg for knee in found}) == 3


def test_off_centre_is_that_far_from_the_central_ray() -> None:
    scenario = KneeFilms(**PLAIN, off_centre_mm=30.0)
    films = [scenario.make(s) for s in range(SEED, SEED + 8)]
    known = [f for f in films if f.film.header.central_ray is not None]
    assert known
    for film in known:
        knee = film.knees[0]
        ray = np.array(film.film.header.central_ray)
        far = float(np.linalg.norm(knee.centre - ray)) * knee.mm_per_px_knee
        assert far == pytest.approx(30.0, rel=0.05)
