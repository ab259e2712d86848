"""A teacher's set of exercises: one YAML file, checked before anybody plays."""

from __future__ import annotations

import dataclasses
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.knee.errors import Problem
from pipeline.practise.exercise import (
    EXPLAIN,
    SEEDS,
    Exercise,
    Rules,
    code_of,
    exercise_of,
)
from pipeline.readers.files import cannot_open
from pipeline.registry import nearest

MOST_EXERCISES = 200
MOST_WORDS = 400
TOP = ("title", "about", "rules", "exercises")
OWN = ("code", "say")
RULES = tuple(each.name for each in dataclasses.fields(Rules))
FIELDS = tuple(each.name for each in dataclasses.fields(Exercise) if each.name != "level")


@dataclass(frozen=True)
class Task:
    """One exercise of a set, and what the teacher says of it beforehand."""

    exercise: Exercise
    say: str = ""


@dataclass(frozen=True)
class TaskSet:
    """A teacher's exercises.

    Attributes:
        title, about: shown to the learner.
        rules: of all its exercises.
        tasks: in the teacher's order.
    """

    title: str
    about: str
    rules: Rules
    tasks: tuple[Task, ...]


def read_set(path: Path) -> TaskSet:
    """The set of a YAML file. Raises `Problem` with the place and what belongs there."""
    import yaml

    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise cannot_open(path, error) from None
    except UnicodeDecodeError:
        raise Problem(str(path), "is no UTF-8 text", "save it as UTF-8") from None
    try:
        value = yaml.safe_load(text)
    except yaml.YAMLError as error:
        mark = getattr(error, "problem_mark", None)
        where = "" if mark is None else f" in line {mark.line + 1}"
        what = f"is no YAML{where} ({getattr(error, 'problem', None) or 'it cannot be parsed'})"
        raise Problem(str(path), what, "correct that line") from None
    return _set_of(value, str(path))


def _set_of(value: Any, path: str) -> TaskSet:
    top = _mapping(value, path, TOP)
    title = _text(top.get("title"), f"{path}: title", needed=True)
    about = _text(top.get("about"), f"{path}: about")
    rules = _rules(top.get("rules"), f"{path}: rules")
    tasks = top.get("exercises")
    if not isinstance(tasks, list) or not 1 <= len(tasks) <= MOST_EXERCISES:
        what = "is no list of exercises" if not isinstance(tasks, list) else f"has {len(tasks)}"
        raise Problem(f"{path}: exercises", what, f"list 1 to {MOST_EXERCISES} of them")
    made = tuple(
        _task(each, f"{path}: exercise {number}", title, number)
        for number, each in enumerate(tasks, start=1)
    )
    return TaskSet(title, about, rules, made)


def _task(value: Any, where: str, title: str, number: int) -> Task:
    given = dict(_mapping(value, where, (*OWN, *FIELDS)))
    say = _text(given.pop("say", None), f"{where}: say")
    if "code" in given:
        code = given.pop("code")
        if given:
            what = f"has a code and {sorted(given)[0]} as well"
            raise Problem(where, what, "give the code alone, or everything but a code")
        if not isinstance(code, str):
            raise Problem(f"{where}: code", f"{code!r} is no code", "put it in quotes")
        try:
            return Task(exercise_of(code), say)
        except Problem as problem:
            raise Problem(f"{where}: {problem.source}", problem.what, problem.do) from None
    if "view" not in given:
        raise Problem(where, "has no view", "add view: AP or view: lateral (or a code)")
    # Without a seed the patient follows from the set's title and the place in it.
    given.setdefault("seed", zlib.crc32(f"{title} {number}".encode()) % SEEDS)
    return Task(_exercise(given, where), say)


def _exercise(given: dict[str, Any], where: str) -> Exercise:
    for name in ("seed", "flexion_deg"):
        if name in given and (isinstance(given[name], bool) or not isinstance(given[name], int)):
            raise Problem(f"{where}: {name}", f"{given[name]!r} is no whole number", "give one")
    for name in ("rotation_deg", "tilt_deg"):
        if name in given:
            given[name] = _number(given[name], f"{where}: {name}")
    if "off_centre_mm" in given:
        pair = given["off_centre_mm"]
        if not isinstance(pair, list) or len(pair) != 2:
            what = f"{pair!r} is no pair of numbers"
            raise Problem(f"{where}: off_centre_mm", what, "give two, as in [10, -4]")
        given["off_centre_mm"] = tuple(_number(v, f"{where}: off_centre_mm") for v in pair)
    if "findings" in given:
        names = given["findings"]
        if not isinstance(names, list) or any(not isinstance(name, str) for name in names):
            raise Problem(f"{where}: findings", f"{names!r} is no list of names", "give a list")
        given["findings"] = tuple(names)
    if "big_limb" in given and not isinstance(given["big_limb"], bool):
        what = f"{given['big_limb']!r} is neither true nor false"
        raise Problem(f"{where}: big_limb", what, "write true or false")
    try:
        return Exercise(**given)
    except Problem as problem:
        raise Problem(where, problem.what, problem.do) from None


def _rules(value: Any, where: str) -> Rules:
    given = dict(_mapping({} if value is None else value, where, RULES))
    rules = Rules(**given)
    _number(rules.tolerance_deg, f"{where}: tolerance_deg", 0.5, 10.0)
    if rules.explain not in EXPLAIN:
        do = f"write one of: {', '.join(EXPLAIN)}"
        raise Problem(f"{where}: explain", f"{rules.explain!r} is unknown", do)
    whole = {"most": (2, 20), **({} if rules.seconds is None else {"seconds": (10, 3600)})}
    for name, (least, most) in whole.items():
        number = getattr(rules, name)
        if isinstance(number, bool) or not isinstance(number, int):
            raise Problem(f"{where}: {name}", f"{number!r} is no whole number", "give one")
        _number(number, f"{where}: {name}", least, most)
    return rules


def _mapping(value: Any, where: str, known: Sequence[str]) -> Mapping[str, Any]:
    if not isinstance(value, Mapping):
        raise Problem(where, "is no section of `name: value` lines", "see the guide's example")
    for name in value:
        if name not in known:
            raise Problem(where, f"there is no {name!r}", nearest(str(name), known))
    return value


def _text(value: Any, where: str, *, needed: bool = False) -> str:
    if value is None and not needed:
        return ""
    if not isinstance(value, str) or (needed and not value.strip()) or len(value) > MOST_WORDS:
        what = "is missing" if value is None else "is no text of ordinary length"
        raise Problem(where, what, f"write up to {MOST_WORDS} characters")
    return " ".join(value.split())


def _number(value: Any, where: str, least: float = -100.0, most: float = 100.0) -> float:
    good = isinstance(value, int | float) and not isinstance(value, bool)
    if not good or not least <= value <= most:
        do = f"give a number from {least:g} to {most:g}"
        raise Problem(where, f"{value!r} is no such number", do)
    return float(value)


def listed(found: TaskSet) -> list[str]:
    """One line an exercise, for the teacher: number, code, what it is."""
    lines = []
    for number, task in enumerate(found.tasks, start=1):
        e = task.exercise
        parts = [
            e.view,
            e.side,
            e.style.replace("_", "-"),
            f"rotation {e.rotation_deg:+g}",
            f"tilt {e.tilt_deg:+g}",
            f"bent {e.flexion_deg}",
            *e.findings,
            *(["big limb"] if e.big_limb else []),
        ]
        if any(e.off_centre_mm):
            parts.append(f"off centre {e.off_centre_mm[0]:g}, {e.off_centre_mm[1]:g} mm")
        lines.append(f"{number:3}  {code_of(e)}  {', '.join(parts)}")
    return lines
