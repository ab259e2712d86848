"""Exercises: codes round trip, moves have the conventions' signs, sets are checked."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.align.moves import TAKES_POSITIVE_AWAY
from pipeline.contracts import Patient
from pipeline.knee.errors import Problem
from pipeline.language import speech
from pipeline.practise.desk import patient_of
from pipeline.practise.exercise import (
    ALPHABET,
    FINDINGS,
    LEVELS,
    MOST_AP_FLEXION,
    SEEDS,
    Exercise,
    code_of,
    draw,
    exercise_of,
)
from pipeline.practise.explain import FAULTS, condyle, outlines, silhouette
from pipeline.practise.sets import listed, read_set
from pipeline.practise.table import (
    NAMES,
    Moves,
    Stand,
    aim_of,
    choices,
    first_stand,
    moves_of,
    needed,
)


def halves(most: float) -> st.SearchStrategy[float]:
    return st.integers(int(-2 * most), int(2 * most)).map(lambda n: n / 2)


@st.composite
def exercises(make: st.DrawFn) -> Exercise:
    view = make(st.sampled_from(["AP", "lateral"]))
    evens = st.integers(-20, 20).map(lambda n: 2.0 * n)
    return Exercise(
        seed=make(st.integers(0, SEEDS - 1)),
        view=view,
        side=make(st.sampled_from(["right", "left"])),
        style=make(st.sampled_from(["c_arm", "radiography"])),
        level=make(st.integers(0, 5)),
        findings=tuple(name for name in FINDINGS if make(st.booleans())),
        big_limb=make(st.booleans()),
        flexion_deg=make(st.integers(0, MOST_AP_FLEXION if view == "AP" else 90)),
        rotation_deg=make(halves(25)),
        tilt_deg=make(halves(20)),
        off_centre_mm=(make(evens), make(evens)),
    )


# ---- codes -------------------------------------------------------------------------------------


@given(exercises())
@settings(max_examples=150)
def test_a_code_carries_the_whole_exercise(exercise: Exercise) -> None:
    code = code_of(exercise)
    assert exercise_of(code) == exercise
    assert exercise_of(code.lower().replace("-", " ").replace("0", "o").replace("1", "l")) == (
        exercise
    )


def test_slips_of_the_pen_are_nearly_always_caught() -> None:
    plain = code_of(Exercise(seed=123456, view="AP")).replace("-", "")
    passed = tried = 0
    for at in range(16):
        for other in ALPHABET:
            if other != plain[at]:
                tried += 1
                try:
                    exercise_of(plain[:at] + other + plain[at + 1 :])
                    passed += 1
                except Problem:
                    pass
    assert passed / tried < 0.03


@pytest.mark.parametrize(
    "code", ["", "hello", "AAAA-BBBB-CCCC-DDDDD", "UUUU-UUUU-UUUU-UUUU", "é" * 16]
)
def test_what_is_no_code_is_told(code: str) -> None:
    with pytest.raises(Problem, match="code"):
        exercise_of(code)


@pytest.mark.parametrize("level", LEVELS)
def test_levels_draw_what_they_promise(level: int) -> None:
    rng = np.random.default_rng(level)
    drawn = [draw(level, rng) for _ in range(300)]
    rules = LEVELS[level].rules
    off = [e for e in drawn if e.rotation_deg or e.tilt_deg]
    # What is not meant to be square is clearly off.
    assert all(max(abs(e.rotation_deg), abs(e.tilt_deg)) > rules.tolerance_deg for e in off)
    square = len(drawn) - len(off)
    assert square / 300 == pytest.approx(LEVELS[level].square, abs=0.06)
    assert {e.view for e in drawn} == {"AP", "lateral"}
    assert all(exercise_of(code_of(e)) == e for e in drawn)
    if level == 1:
        assert all((e.rotation_deg == 0) != (e.tilt_deg == 0) for e in drawn)
    if level == 4:
        assert all(e.findings for e in drawn)


@pytest.mark.parametrize(
    "change",
    [
        {"rotation_deg": 30.0},
        {"rotation_deg": 0.3},
        {"flexion_deg": 60},
        {"findings": ("gout",)},
        {"seed": SEEDS},
        {"off_centre_mm": (1.0, 0.0)},
        {"view": "oblique"},
    ],
)
def test_impossible_exercises_are_refused(change: dict[str, Any]) -> None:
    with pytest.raises(Problem, match="exercise"):
        replace(Exercise(seed=1, view="AP"), **change)


# ---- moves -------------------------------------------------------------------------------------

BASE = {
    view: Exercise(seed=41, view=view, flexion_deg=0, style="c_arm") for view in ("AP", "lateral")
}


@pytest.fixture(scope="module")
def patients() -> dict[str, Patient]:
    return {view: patient_of(exercise) for view, exercise in BASE.items()}


def off(view: str, rotation: float, tilt: float, **changes: Any) -> Exercise:
    return replace(BASE[view], rotation_deg=rotation, tilt_deg=tilt, **changes)


def angles(patient: Patient, stand: Stand, exercise: Exercise) -> tuple[float, float]:
    truth = patient.truth(aim_of(stand, exercise))
    return truth.rotation_deg, truth.tilt_deg


def test_the_first_film_shows_what_the_exercise_says(patients: dict[str, Patient]) -> None:
    for view, patient in patients.items():
        exercise = off(view, 11.0, -6.5)
        found = angles(patient, first_stand(patient, exercise), exercise)
        assert found == pytest.approx((11.0, -6.5), abs=1e-3)


@pytest.mark.parametrize("view", ["AP", "lateral"])
@pytest.mark.parametrize("angle", [12.0, -9.0])
def test_the_opposite_of_the_error_makes_a_square_film(
    patients: dict[str, Patient], view: str, angle: float
) -> None:
    """Positive moves take positive angles away, of the beam and of the limb, one to one."""
    patient = patients[view]
    for names in (("orbital", "other"), ("limb_turn", "limb_other")):
        for k, name in enumerate(names):
            asked = [0.0, 0.0]
            asked[k] = angle
            exercise = off(view, *asked)
            stand = first_stand(patient, exercise).after(Moves(**{name: angle}))
            # On AP the tilt is asked of the tibia, the orbital turn is about the femur's length.
            slack = 0.02 if view == "lateral" else 0.6
            assert angles(patient, stand, exercise) == pytest.approx((0.0, 0.0), abs=slack)
            worse = first_stand(patient, exercise).after(Moves(**{name: -angle}))
            assert angles(patient, worse, exercise)[k] == pytest.approx(2 * angle, abs=0.6)


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_moves_are_named_as_readings_name_them(view: str) -> None:
    told = {choice["name"]: choice for choice in choices(speech("en"), view)}
    assert set(told) == set(NAMES)
    for name, angle in (("orbital", "rotation"), ("other", "tilt")):
        signs = TAKES_POSITIVE_AWAY[view, angle]
        plus = next(words for words, sign in signs.items() if sign > 0)
        assert told[name]["plus"].endswith(f"toward {plus}")
        assert (view, angle) in FAULTS


@pytest.mark.parametrize("view", ["AP", "lateral"])
def test_centring_brings_the_knee_to_the_central_ray(
    patients: dict[str, Patient], view: str
) -> None:
    patient = patients[view]
    exercise = off(view, 0.0, 0.0, off_centre_mm=(20.0, -16.0))
    stand = first_stand(patient, exercise)
    oblique = patient.truth(aim_of(stand, exercise))
    assert max(map(abs, oblique.off_centre_deg)) > 1.0
    centred = stand.after(Moves(across=20.0, along=-16.0))
    assert centred.off_centre_mm == (0.0, 0.0)
    assert angles(patient, centred, exercise) == pytest.approx((0.0, 0.0), abs=1e-3)


@pytest.mark.parametrize(
    "exercise",
    [
        Exercise(7, "lateral", flexion_deg=60, rotation_deg=14.0, tilt_deg=-9.0),
        Exercise(8, "AP", "left", flexion_deg=30, rotation_deg=-12.0, tilt_deg=8.0),
        Exercise(9, "AP", style="radiography", rotation_deg=10.0, off_centre_mm=(-20.0, 24.0)),
    ],
)
def test_what_is_needed_makes_the_next_film_square(exercise: Exercise) -> None:
    patient = patient_of(exercise)
    stand = first_stand(patient, exercise)
    after = stand.after(needed(stand, patient, exercise))
    assert angles(patient, after, exercise) == pytest.approx((0.0, 0.0), abs=1e-3)
    assert after.off_centre_mm == (0.0, 0.0)


@pytest.mark.parametrize(
    "sent", [[], {"jump": 3}, {"orbital": "3"}, {"orbital": 91}, {"across": float("nan")}]
)
def test_moves_that_cannot_be_meant_are_told(sent: Any) -> None:
    with pytest.raises(Problem, match="moves"):
        moves_of(sent)


# ---- outlines ----------------------------------------------------------------------------------


def test_condyles_eclipse_each_other_on_a_square_lateral(patients: dict[str, Patient]) -> None:
    """Turned, the lateral condyle's outline lies where the words say it does."""
    patient = patients["lateral"]
    frames, femur = patient.frames, patient.knee.surfaces["femur"]
    gaps = {}
    for rotation, tilt in ((0.0, 0.0), (12.0, 0.0), (0.0, 10.0)):
        exercise = off("lateral", rotation, tilt)
        camera = patient.camera(aim_of(first_stand(patient, exercise), exercise))
        lines = [silhouette(condyle(femur, frames, side), camera) for side in ("medial", "lateral")]
        origin = camera.project(frames.femur.origin)
        ways = [
            camera.project(frames.femur.origin - 10 * w) - origin
            for w in (frames.femur.x, frames.femur.y)
        ]
        # How much farther the lateral condyle reaches backward, and distally, in pixels.
        gaps[rotation, tilt] = [
            float((lines[1] @ way).max() - (lines[0] @ way).max()) / np.linalg.norm(way)
            for way in ways
        ]
    assert gaps[12.0, 0.0][0] > gaps[0.0, 0.0][0] + 15
    assert gaps[0.0, 10.0][1] > gaps[0.0, 0.0][1] + 15
    names = {each["name"] for each in outlines(patient, camera, "lateral")}
    assert names == {"medial condyle", "lateral condyle"}


# ---- sets --------------------------------------------------------------------------------------

GOOD = """\
title: Tuesday group
about: Two laterals and a surprise.
rules: {tolerance_deg: 3, explain: at the end, seconds: 120}
exercises:
  - {view: lateral, rotation_deg: 12, tilt_deg: -4.5, flexion_deg: 30, findings: [osteoarthritis]}
  - {view: AP, side: left, style: radiography, big_limb: true, off_centre_mm: [10, -4]}
  - {code: CODE, say: A colleague's riddle.}
"""


def test_a_set_is_read(tmp_path: Path) -> None:
    code = code_of(Exercise(seed=5, view="AP", rotation_deg=9.0))
    path = tmp_path / "set.yaml"
    path.write_text(GOOD.replace("CODE", code))
    found = read_set(path)
    assert (found.title, len(found.tasks)) == ("Tuesday group", 3)
    assert found.rules.tolerance_deg == 3
    assert found.tasks[0].exercise.findings == ("osteoarthritis",)
    assert found.tasks[1].exercise.off_centre_mm == (10.0, -4.0)
    assert found.tasks[2].exercise.rotation_deg == 9.0
    assert read_set(path) == found
    assert found.tasks[0].exercise.seed != found.tasks[1].exercise.seed
    lines = listed(found)
    assert code in lines[2]
    assert "osteoarthritis" in lines[0]


def test_the_tutorials_set_is_what_the_tutorial_says(tmp_path: Path) -> None:
    page = (Path(__file__).parents[2] / "docs/tutorials/teach-positioning.md").read_text()
    (block,) = re.findall(r"```yaml\n(.*?)```", page, re.S)
    path = tmp_path / "tuesday.yaml"
    path.write_text(block)
    found = read_set(path)
    shown = f"{found.title}: {len(found.tasks)} exercises\n{listed(found)[0]}\n"
    assert f"```text\n{shown}```" in page
    path.write_text(block.replace("rotation_deg: -12", "rotation_deg: 40"))
    with pytest.raises(Problem) as told:
        read_set(path)
    assert f"{told.value.what}; {told.value.do}" in " ".join(page.split())


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("title: Tuesday group", "titel: x", "did you mean title"),
        ("rotation_deg: 12", "rotation_deg: 40", "exercise 1: rotation_deg is 40"),
        ("rotation_deg: 12", "rotation_deg: much", "exercise 1: rotation_deg"),
        ("rotation_deg: 12", "rotaton_deg: 12", "did you mean rotation_deg"),
        ("view: lateral", "view: oblique", "exercise 1"),
        ("[osteoarthritis]", "[gout]", "no finding 'gout'"),
        ("big_limb: true", "big_limb: 3", "exercise 2: big_limb"),
        ("[10, -4]", "[10]", "no pair"),
        ("at the end", "never", "rules: explain"),
        ("tolerance_deg: 3", "tolerance_deg: 90", "rules: tolerance_deg"),
        ("code: CODE", "code: ABCD", "exercise 3: code"),
        ("exercises:", "exercises: 3\nmore:", "more"),
        ("title: Tuesday group", "title: [", "is no YAML in line"),
    ],
)
def test_a_wrong_set_is_told_where(tmp_path: Path, before: str, after: str, told: str) -> None:
    path = tmp_path / "set.yaml"
    path.write_text(GOOD.replace(before, after))
    with pytest.raises(Problem, match=told) as found:
        read_set(path)
    assert found.value.source.startswith(str(path))
