"""Patients: the same knee under any beam; what is asked for is what is true on the film."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.contracts import Aim, Patient, PosableScenario
from pipeline.knee.camera import unit
from pipeline.registry import build

BEAM = {"styles": ("c_arm",), "flexion_deg": (5.0, 5.0), "tidy": True, "side": "right"}
AIMS = {view: Aim(view, (1.0, 0.0, 0.0), pixels=200) for view in ("AP", "lateral")}


@pytest.fixture(scope="module")
def patient() -> Patient:
    scenario = build("scenario", "knee_films", BEAM)
    assert isinstance(scenario, PosableScenario)
    made = scenario.patient(41)
    assert isinstance(made, Patient)
    return made


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("source_at_near_end", [True, False])
def test_a_film_shows_the_angles_asked_for(
    patient: Patient, view: str, source_at_near_end: bool
) -> None:
    aim = replace(AIMS[view], source_at_near_end=source_at_near_end, off_centre_mm=(12.0, -9.0))
    truth = patient.truth(patient.aimed(aim, 11.0, -6.0))
    assert truth.rotation_deg == pytest.approx(11.0, abs=1e-3)
    assert truth.tilt_deg == pytest.approx(-6.0, abs=1e-3)


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_off_centre_is_measured_from_the_central_ray(patient: Patient, view: str) -> None:
    aim = replace(AIMS[view], toward=(1, 0, 0) if view == "AP" else (0, 0, 1))
    aim = replace(aim, off_centre_mm=(15.0, 0.0))
    camera = patient.camera(aim)
    away = camera.project(patient.frames.femur.origin) - camera.principal
    mm = np.linalg.norm(away) * np.linalg.norm(camera.step_x) * aim.sod_mm / aim.sid_mm
    assert mm == pytest.approx(15.0, abs=1e-6)
    # Lateral of the middle on AP, in front of it on a lateral film.
    f = patient.frames.femur
    across = f.z if view == "AP" else f.x
    ahead = camera.project(f.origin + across) - camera.project(f.origin)
    assert away @ ahead > 0
    # Its obliquity by the definition: the angle between its ray and the central one.
    oblique = np.degrees(np.arctan2(15.0, aim.sod_mm))
    truth = patient.truth(aim)
    assert abs(truth.off_centre_deg[0]) == pytest.approx(oblique, abs=0.05)


def test_only_noise_differs_between_exposures(patient: Patient) -> None:
    aim = patient.aimed(AIMS["AP"], 0.0, 0.0)
    first, again, other = (patient.film(aim, n) for n in (0, 0, 1))
    assert first.sha256 == again.sha256 != other.sha256
    apart = np.abs(first.pixels - other.pixels)
    assert 0 < float(np.median(apart)) < 0.05
    moved = patient.film(patient.aimed(AIMS["AP"], 9.0, 0.0), 0)
    assert np.abs(first.pixels - moved.pixels).mean() > 3 * apart.mean()


def test_threads_change_nothing() -> None:
    made = [
        build("scenario", "knee_films", {**BEAM, "threads": threads}).patient(41)
        for threads in (1, 2)
    ]
    aim = made[0].aimed(AIMS["lateral"], 3.0, 2.0)
    assert made[0].film(aim).sha256 == made[1].film(aim).sha256


def test_the_knee_is_that_of_the_film_of_that_seed() -> None:
    scenario = build("scenario", "knee_films", {**BEAM, "views": ("AP",)})
    facts = scenario.make(41).knees[0].facts
    own = scenario.patient(41).knee.facts
    assert facts["anatomy.femur_width"] == own["femur_width"]


def test_a_stout_patient_has_more_flesh_and_the_same_bones() -> None:
    slim, stout = (
        build("scenario", "knee_films", {**BEAM, "bmi": bmi}).patient(41).knee for bmi in (20, 42)
    )
    assert np.array_equal(slim.bones["femur"].vertices, stout.bones["femur"].vertices)
    wide = [float(np.ptp(knee.soft["skin"].vertices[:, 2])) for knee in (slim, stout)]
    assert wide[1] > 1.1 * wide[0]


def test_the_direction_is_that_of_the_central_ray(patient: Patient) -> None:
    aim = Aim("AP", (2.0, 0.2, -0.3), pixels=64, source_at_near_end=True)
    f = patient.frames.femur
    toward = unit(2.0 * f.x + 0.2 * f.y - 0.3 * f.z)
    assert np.allclose(patient.camera(aim).normal, -toward)
