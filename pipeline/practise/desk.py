"""What the practice server does: patients kept ready, rounds under way, the book."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np

from pipeline.contracts import Patient, PosableScenario
from pipeline.knee.errors import Problem
from pipeline.language import Speech, mark, speech
from pipeline.language.phrases import told as told_of_reading
from pipeline.practise.advice import Adviser
from pipeline.practise.book import Book, curve, learner_name
from pipeline.practise.exercise import (
    STOUT,
    Exercise,
    code_of,
    draw,
    exercise_of,
    rules_of,
)
from pipeline.practise.explain import ending, explained, questions, solids
from pipeline.practise.rounds import Answer, Exposure, Round
from pipeline.practise.sets import TaskSet
from pipeline.practise.table import Moves, choices
from pipeline.registry import build

MOST_PATIENTS, MOST_ROUNDS = 6, 32

FINDING_WORDS = {
    "osteoarthritis": mark("worn joint"),
    "arthroplasty": mark("knee replacement"),
    "osteopenia": mark("thin bone"),
    "plate": mark("plate"),
    "screws": mark("screws"),
    "fabella": mark("fabella"),
}
SQUARE = {"yes": mark("yes"), "no": mark("no"), "cannot tell": mark("cannot tell")}


def patient_of(exercise: Exercise, threads: int = 1) -> Patient:
    """The virtual patient of an exercise. Raises `Problem` where no scenario offers patients."""
    bend = float(exercise.flexion_deg)
    options: dict[str, Any] = {
        "styles": (exercise.style,),
        "views": (exercise.view,),
        "side": exercise.side,
        "flexion_deg": (bend, bend),
        "findings": dict.fromkeys(exercise.findings, 1.0),
        "bmi": STOUT if exercise.big_limb else None,
        "tidy": True,
        "threads": threads,
    }
    scenario = build("scenario", "knee_films", options)
    if not isinstance(scenario, PosableScenario):
        what = "has no patients to film again and again"
        raise Problem("scenario knee_films", what, "install one that fulfils PosableScenario")
    return scenario.patient(exercise.seed)


@dataclass
class Desk:
    """Everything behind the page.

    Attributes:
        book: where rounds that are over are kept.
        sets: teachers' sets.
        adviser: the reader in the background.
        threads: on which films are rendered.
        t: the language of the page.
    """

    book: Book
    adviser: Adviser
    sets: Sequence[TaskSet] = ()
    threads: int = 2
    t: Speech = field(default_factory=lambda: speech("en"))
    _patients: OrderedDict[Exercise, Patient] = field(default_factory=OrderedDict)
    _rounds: OrderedDict[str, Round] = field(default_factory=OrderedDict)
    _lock: threading.RLock = field(default_factory=threading.RLock)

    # ---- beginning

    def begin(
        self,
        learner: str,
        *,
        code: str = "",
        level: int = 0,
        view: str = "",
        group: int | None = None,
        task: int = 0,
        timed: bool = False,
    ) -> Round:
        """A new round: of a code, of a teacher's set, or drawn for a level."""
        rules, title = None, ""
        if group is not None:
            chosen = self._set(group)
            if not 0 <= task < len(chosen.tasks):
                raise Problem(chosen.title, f"has no exercise {task + 1}", "choose another")
            exercise, rules, title = chosen.tasks[task].exercise, chosen.rules, chosen.title
        elif code:
            exercise = exercise_of(code)
        else:
            wanted: Any = view or None
            if wanted not in (None, "AP", "lateral"):
                raise Problem("view", f"{view!r} is unknown", "choose AP or lateral")
            exercise = draw(level, np.random.default_rng(), wanted)
        played = Round(
            learner=learner_name(learner),
            exercise=exercise,
            rules=rules or rules_of(exercise),
            patient=self._patient(exercise),
            timed=timed,
            group=title,
        )
        with self._lock:
            exposure = played.start()
            self._rounds[played.id] = played
            while len(self._rounds) > MOST_ROUNDS:
                self._rounds.popitem(last=False)
        self._read(played, exposure)
        return played

    def _set(self, number: int) -> TaskSet:
        if not 0 <= number < len(self.sets):
            raise Problem(f"set {number + 1}", "there is none", "load the page again")
        return self.sets[number]

    def _patient(self, exercise: Exercise) -> Patient:
        with self._lock:
            if exercise not in self._patients:
                self._patients[exercise] = patient_of(exercise, self.threads)
                while len(self._patients) > MOST_PATIENTS:
                    self._patients.popitem(last=False)
            self._patients.move_to_end(exercise)
            return self._patients[exercise]

    def round(self, id: str) -> Round:
        """A round under way. Raises `Problem` where there is none of that name."""
        with self._lock:
            if id not in self._rounds:
                what = mark("the server no longer knows it")
                raise Problem(mark("exercise"), what, mark("begin it again with its code"))
            return self._rounds[id]

    # ---- playing

    def expose(self, id: str, answer: Answer, moves: Moves) -> tuple[Round, Exposure]:
        """The next film. One is rendered at a time, so that it has the machine to itself."""
        played = self.round(id)
        with self._lock:
            try:
                exposure = played.expose(answer, moves)
            finally:
                self._keep(played)  # the clock may have ended it
        self._read(played, exposure)
        return played, exposure

    def claim(self, id: str, answer: Answer) -> dict[str, Any]:
        """The learner says that the last film is square."""
        played = self.round(id)
        with self._lock:
            right = played.claim(answer)
            self._keep(played)
        return {"right": right, **self.state(played)}

    def stop(self, id: str, *, time_is_up: bool = False) -> dict[str, Any]:
        """The learner ends the round, or the clock does."""
        played = self.round(id)
        with self._lock:
            played.stop("time" if time_is_up else "stopped")
            self._keep(played)
        return self.state(played)

    def _keep(self, played: Round) -> None:
        """Puts a round that is over into the book, once; on a full disk it may be tried again."""
        if played.ended is not None and not played.kept:
            self.book.add(played.record())
            played.kept = True

    def _read(self, played: Round, exposure: Exposure) -> None:
        if exposure.film is not None:
            self.adviser.ask(played.id, exposure.number, exposure.film)

    # ---- telling

    def state(self, played: Round) -> dict[str, Any]:
        """Where a round stands."""
        record = played.record() if played.ended is not None else None
        return {
            "films": len(played.exposures),
            "most": played.rules.most,
            "ended": played.ended,
            "wrong_claims": played.wrong_claims,
            "seconds_left": played.seconds_left,
            "record": record,
            "ending": None if record is None else ending(self.t, record),
        }

    def described(self, played: Round, say: str = "") -> dict[str, Any]:
        """All that the page needs to begin: who lies there, what may be said and done."""
        e, t = played.exercise, self.t
        title = [
            t.within("view", e.view),
            t("right knee") if e.side == "right" else t("left knee"),
            t("C-arm") if e.style == "c_arm" else t("X-ray table"),
            t("bent {n}°", n=e.flexion_deg),
            *(t(FINDING_WORDS[name]) for name in e.findings),
            *([t("big limb")] if e.big_limb else []),
        ]
        return {
            "id": played.id,
            "code": code_of(e),
            "view": e.view,
            "side": e.side,
            "title": " · ".join(title),
            "level": e.level,
            "group": played.group,
            "say": say,
            "rules": asdict(played.rules),
            "timed": played.timed and played.rules.seconds is not None,
            "questions": questions(t, e.view),
            "choices": choices(t, e.view),
            **self.state(played),
        }

    def explain(self, id: str, number: int) -> dict[str, Any]:
        """A film explained. Raises `Problem` where it is too early for that."""
        played = self.round(id)
        if not played.may_explain(number):
            do = "choose your moves first" if number < len(played.exposures) else "expose first"
            raise Problem(f"film {number + 1}", "is not explained yet", do)
        return explained(self.t, played, number)

    def advice(self, id: str, number: int) -> dict[str, Any]:
        """The reader's word on a film once the learner has chosen, and where it would have led."""
        played = self.round(id)
        if not 0 <= number < len(played.exposures) or not played.chosen(number):
            what = "the reader waits until you have chosen"
            raise Problem(f"film {number + 1}", what, "choose your moves first")
        said = self.adviser.answer(id, number)
        alike = said.get("view") == played.exercise.view and said.get("refused") is None
        if alike and said["in_degrees"] and (said["turns"] or said["centre"]):
            turns = said["turns"]
            moves = Moves(orbital=turns.get("rotation", 0.0), other=turns.get("tilt", 0.0))
            said["followed"] = played.had_it_been(number, moves, centred=said["centre"])
        return self._spoken(said)

    def _spoken(self, said: dict[str, Any]) -> dict[str, Any]:
        """The reader's word with its sentences in the page's language."""
        if said["state"] != "ready":
            return said
        t, square = self.t, said["square"]
        words = {
            "refused": None if said["refused"] is None else told_of_reading(t, said["refused"]),
            "square": None if square is None else t(SQUARE[square]),
            "moves": [told_of_reading(t, move) for move in said["moves"]],
        }
        return {**said, **words}

    def solids(self, id: str) -> list[dict[str, Any]]:
        """The patient's bones for the view in three dimensions."""
        played = self.round(id)
        if not (played.may_explain(0) or played.may_explain(len(played.exposures) - 1)):
            raise Problem("bones", "they are not shown yet", "choose your moves first")
        return solids(played.patient)

    def learner(self, name: str) -> dict[str, Any]:
        """A learner's rounds and the numbers of the way."""
        rounds = self.book.rounds(learner_name(name))
        return {"rounds": rounds, "curve": curve(rounds)}
