"""Angles recovered from noisy landmarks of knees whose truth is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from knees import COLUMNS, Shot, knee_at, shoot

from pipeline.contracts import PoseEstimator
from pipeline.fit.landmark_fit import CONDYLE_PAIRS, LandmarkFit
from pipeline.fit.solve import Seen, swapped
from pipeline.knee.errors import Problem

KNEES = 8


@pytest.fixture(scope="module")
def shots() -> dict[str, list[Shot]]:
    rng = np.random.default_rng(11)
    found: dict[str, list[Shot]] = {"AP": [], "lateral": []}
    for _ in range(KNEES):
        straight, bent = knee_at(rng.uniform(0, 20), rng), knee_at(rng.uniform(5, 70), rng)
        for view, (knee, frames) in (("AP", straight), ("lateral", bent)):
            for _ in range(3):
                found[view].append(
                    shoot(
                        knee,
                        frames,
                        view,  # type: ignore[arg-type]
                        rng,
                        rotation=rng.uniform(-12, 12),
                        tilt=rng.uniform(-12, 12),
                        roll=rng.uniform(-30, 30),
                        tube_near=bool(rng.random() < 0.5),
                        sod=rng.uniform(800, 1100),
                        off=(rng.normal(0, 20), rng.normal(0, 20)),
                        mirrored=bool(rng.random() < 0.5),
                        scale_known=bool(rng.random() < 0.5),
                    )
                )
    return found


def errors(shots: list[Shot], fit: LandmarkFit) -> tuple[np.ndarray, np.ndarray]:
    """(N, 2) errors of rotation and tilt, degrees, and the same in standard deviations."""
    off, scaled = [], []
    for shot in shots:
        h = fit.estimate(shot.film, shot.detection).hypotheses[0]
        e = np.array([h.rotation_deg - shot.angles.rotation, h.tilt_deg - shot.angles.tilt])
        off.append(e)
        scaled.append(e / [h.rotation_sd, h.tilt_sd])
    return np.array(off), np.array(scaled)


def test_it_is_a_pose_estimator() -> None:
    assert isinstance(LandmarkFit(), PoseEstimator)


@pytest.mark.parametrize(("view", "limits"), [("AP", (3.5, 1.3)), ("lateral", (1.4, 1.4))])
def test_angles_are_recovered_and_the_deviations_are_honest(
    shots: dict[str, list[Shot]], view: str, limits: tuple[float, float]
) -> None:
    """1 px = 0.7 mm of noise on every landmark; on AP rotation moves little on the film."""
    off, scaled = errors(shots[view], LandmarkFit())
    assert np.abs(off).mean(axis=0)[0] < limits[0]
    assert np.abs(off).mean(axis=0)[1] < limits[1]
    assert np.all(scaled.std(axis=0) < 1.6)
    assert np.all(scaled.std(axis=0) > 0.5)


def test_less_noise_less_error() -> None:
    rng = np.random.default_rng(3)
    knee, frames = knee_at(30, rng)
    means = []
    for noise in (0.2, 4.0):
        films = [
            shoot(knee, frames, "lateral", rng, rotation=r, tilt=-r / 2, noise_px=noise)
            for r in (-9.0, -3.0, 4.0, 8.0)
        ]
        means.append(np.abs(errors(films, LandmarkFit())[0]).mean())
    assert means[0] < means[1]


def test_a_mirrored_film_shows_the_same_pose() -> None:
    rng = np.random.default_rng(4)
    knee, frames = knee_at(15, rng)
    for view in ("AP", "lateral"):
        shot = shoot(knee, frames, view, rng, rotation=6, tilt=-4, roll=10)  # type: ignore[arg-type]
        d = shot.detection
        xy = d.xy * [-1, 1] + [COLUMNS - 1, 0]
        mirrored = replace(d, xy=xy, lateral_to_right=True)
        a = LandmarkFit().estimate(shot.film, d)
        b = LandmarkFit().estimate(shot.film, mirrored)
        assert b.hypotheses[0].rotation_deg == pytest.approx(a.hypotheses[0].rotation_deg)
        assert b.hypotheses[0].tilt_deg == pytest.approx(a.hypotheses[0].tilt_deg)
        assert b.roll_deg == pytest.approx(-a.roll_deg)
        for name, p in a.fitted.items():
            assert b.fitted[name] == pytest.approx(p * [-1, 1] + [COLUMNS - 1, 0])


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("quarter", [1, 2, 3])
def test_a_film_on_its_side_or_head_shows_the_same_pose(
    view: str, mirrored: bool, quarter: int
) -> None:
    rng = np.random.default_rng(14)
    knee, frames = knee_at(20, rng)
    shot = shoot(knee, frames, view, rng, rotation=5, tilt=-3, mirrored=mirrored)  # type: ignore[arg-type]
    d, film = shot.detection, shot.film
    xy, pixels = d.xy, film.pixels
    for _ in range(quarter):  # clockwise
        xy = np.stack([pixels.shape[0] - 1 - xy[:, 1], xy[:, 0]], axis=1)
        pixels = np.rot90(pixels, -1)
    pair = ("medial_epicondyle", "lateral_epicondyle")
    if view == "lateral":
        pair = ("medial_condyle_posterior", "trochlea_anterior")
    a, b = (xy[d.names.index(name)] for name in pair)
    turned = replace(d, xy=xy, lateral_to_right=bool(b[0] > a[0]))
    upright = LandmarkFit().estimate(film, d)
    pose = LandmarkFit().estimate(replace(film, pixels=np.ascontiguousarray(pixels)), turned)
    for mine, other in zip(pose.hypotheses, upright.hypotheses, strict=True):
        assert mine.rotation_deg == pytest.approx(other.rotation_deg, abs=0.3)
        assert mine.tilt_deg == pytest.approx(other.tilt_deg, abs=0.1)
    roll = (pose.roll_deg - upright.roll_deg - 90 * quarter + 180) % 360 - 180
    assert roll == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("mirrored", [False, True])
def test_roll_flexion_width_and_places_on_the_film(view: str, mirrored: bool) -> None:
    rng = np.random.default_rng(5)
    knee, frames = knee_at(25, rng)
    shot = shoot(knee, frames, view, rng, rotation=3, roll=25, noise_px=0.3, mirrored=mirrored)  # type: ignore[arg-type]
    pose = LandmarkFit().estimate(shot.film, shot.detection)
    assert pose.roll_deg == pytest.approx(shot.angles.roll, abs=1.5)
    assert pose.flexion_deg is not None
    if view == "lateral":
        assert pose.flexion_deg == pytest.approx(shot.angles.flexion, abs=4)
    at = dict(zip(shot.detection.names, shot.detection.xy, strict=True))
    if view == "AP":
        truth = np.linalg.norm(at["medial_epicondyle"] - at["lateral_epicondyle"])
    else:
        front = shot.camera.project(
            np.stack([frames.femur.origin, frames.femur.origin + frames.femur.x])
        )
        along = (front[1] - front[0]) / np.linalg.norm(front[1] - front[0])
        behind = min(at[f"{s}_condyle_posterior"] @ along for s in ("medial", "lateral"))
        truth = at["trochlea_anterior"] @ along - behind
    assert pose.width_px == pytest.approx(truth, rel=0.02)
    close = [np.linalg.norm(pose.fitted[n] - p) for n, p in at.items()]
    assert np.median(close) < 4
    for bone in ("femur", "tibia"):
        # The outline encloses the bone's own shaft: its middle lies inside.
        sides = ("medial", "lateral") if view == "AP" else ("anterior", "posterior")
        prefix = "femoral_shaft" if bone == "femur" else "tibial_shaft"
        middle = np.mean([at[f"{prefix}_{s}_low"] for s in sides], axis=0)
        polygon = pose.outline[bone]
        assert polygon[:, 0].min() < middle[0] < polygon[:, 0].max()
    assert set(pose.heights) == set(pose.heights_covariance)
    assert {"medial_femoral_flare", "lateral_femoral_flare", "medial_tibial_flare"} <= set(
        pose.heights
    )


def test_off_centre_is_said_only_where_the_central_ray_is_known() -> None:
    rng = np.random.default_rng(6)
    knee, frames = knee_at(20, rng)
    for view in ("AP", "lateral"):
        shot = shoot(
            knee,
            frames,
            view,
            rng,
            off=(30.0, -15.0),
            sod=850,
            sid=1000,
            noise_px=0.3,
            header=True,  # type: ignore[arg-type]
        )
        pose = LandmarkFit().estimate(shot.film, shot.detection)
        assert pose.off_centre_deg == pytest.approx(shot.angles.off_centre, abs=0.4)
        blind = replace(
            shot, film=replace(shot.film, header=replace(shot.film.header, central_ray=None))
        )
        assert LandmarkFit().estimate(blind.film, blind.detection).off_centre_deg is None


@pytest.mark.parametrize(("view", "moved_px", "limit"), [("AP", 40, 1.2), ("lateral", 150, 0.4)])
def test_where_the_central_ray_fell_hardly_matters(
    view: str, moved_px: float, limit: float
) -> None:
    """The angles are those of the ray through the knee; AP rotation, weakly seen, moves most."""
    rng = np.random.default_rng(7)
    knee, frames = knee_at(20, rng)
    shot = shoot(knee, frames, view, rng, rotation=4, tilt=3, noise_px=0.3, header=True)  # type: ignore[arg-type]
    x, y = shot.camera.principal
    moved = replace(
        shot.film, header=replace(shot.film.header, central_ray=(x + moved_px, y - moved_px))
    )
    a, b = (LandmarkFit().estimate(f, shot.detection).hypotheses[0] for f in (shot.film, moved))
    assert b.rotation_deg == pytest.approx(a.rotation_deg, abs=limit)
    assert b.tilt_deg == pytest.approx(a.tilt_deg, abs=limit)


def test_exchanged_names_are_noticed_on_a_lateral() -> None:
    rng = np.random.default_rng(8)
    found = []
    for _ in range(6):
        knee, frames = knee_at(25, rng)
        shot = shoot(knee, frames, "lateral", rng, rotation=7, tilt=-5)
        d = shot.detection
        wrong = swapped(Seen(d.names, d.xy, d.covariance), CONDYLE_PAIRS)
        exchanged = replace(d, xy=wrong.xy, covariance=wrong.covariance)
        pose = LandmarkFit(named_probability=0.5).estimate(shot.film, exchanged)
        assert sum(h.probability for h in pose.hypotheses) == pytest.approx(1)
        found.append(pose.hypotheses[0].rotation_deg > 0)
    assert sum(found) >= 5


def test_other_views_are_refused() -> None:
    rng = np.random.default_rng(10)
    knee, frames = knee_at(10, rng)
    shot = shoot(knee, frames, "AP", rng)
    with pytest.raises(Problem, match="neither AP nor lateral"):
        LandmarkFit().estimate(shot.film, replace(shot.detection, view="other"))


def test_one_wild_landmark_does_not_carry_the_fit_away() -> None:
    rng = np.random.default_rng(12)
    knee, frames = knee_at(20, rng)
    shot = shoot(knee, frames, "lateral", rng, rotation=5, tilt=3, noise_px=0.5)
    xy = shot.detection.xy.copy()
    xy[shot.detection.names.index("tibial_tuberosity")] += [60, -40]
    good = LandmarkFit().estimate(shot.film, shot.detection).hypotheses[0]
    bad = LandmarkFit().estimate(shot.film, replace(shot.detection, xy=xy)).hypotheses[0]
    assert bad.rotation_deg == pytest.approx(good.rotation_deg, abs=1.0)
    assert bad.tilt_deg == pytest.approx(good.tilt_deg, abs=1.0)
