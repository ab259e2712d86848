"""Opens the practice folder, builds the server, runs it until it is interrupted."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from pipeline.knee.errors import Problem
from pipeline.language import speech
from pipeline.practise.advice import Adviser
from pipeline.practise.app import create_app
from pipeline.practise.book import Book
from pipeline.practise.desk import Desk, patient_of
from pipeline.practise.exercise import Exercise
from pipeline.practise.sets import read_set
from pipeline.practise.settings import PractiseSettings
from pipeline.practise.table import aim_of, first_stand
from pipeline.review.door import Entrance, entrance, listen, run
from pipeline.review.guard import Guard


def desk_of(folder: Path, settings: PractiseSettings) -> Desk:
    """The desk that the settings ask for. Raises `Problem` for a set that is wrong."""
    sets = [read_set(Path(name)) for name in settings.sets]
    book = Book(folder)
    book.rounds()  # a book that cannot be read is told before anybody plays
    adviser = Adviser(settings.read() if settings.advice else None)
    return Desk(book, adviser, sets, settings.threads, speech(settings.language))


def warm(desk: Desk) -> None:
    """One film nobody sees: code is compiled and read from disk before the first learner waits."""
    exercise = Exercise(seed=1, view="AP")
    patient = patient_of(exercise, desk.threads)
    aim = aim_of(first_stand(patient, exercise), exercise)
    patient.film(aim)
    patient.truth(aim)


def build(desk: Desk, settings: PractiseSettings, port: int) -> tuple[Guard, Entrance]:
    """The guarded application and its entrance."""
    way = entrance(settings, port)
    return create_app(desk, way), way


def serve(
    folder: Path,
    settings: PractiseSettings,
    *,
    say: Callable[[str], None] = print,
    browser: bool = True,
) -> None:
    """Serves until interrupted. Raises `Problem` where folder, sets or port are wrong."""
    if folder.exists() and not folder.is_dir():
        raise Problem(str(folder), "is no folder", "give the folder for the practice book")
    desk = desk_of(folder, settings)
    made = listen(settings.host, settings.port)
    guard, way = build(desk, settings, made.getsockname()[1])
    say("getting ready")
    warm(desk)
    try:
        run(guard, made, settings, f"practice page: {way.address}", say=say, browser=browser)
    finally:
        desk.adviser.close()
