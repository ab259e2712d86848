"""The practice server: rounds over HTTP, what is told when, the book, who may call."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from practice_house import PracticeHouse, practise_settings, practising

from pipeline.cli import main
from pipeline.knee.errors import Problem
from pipeline.practise.advice import Adviser
from pipeline.practise.book import Book, curve
from pipeline.practise.desk import patient_of
from pipeline.practise.exercise import Exercise, code_of
from pipeline.practise.rounds import Answer, Round
from pipeline.practise.table import Moves

OFF = Exercise(seed=41, view="lateral", level=2, flexion_deg=0, rotation_deg=9.0, tilt_deg=-7.0)
SQUARE = Exercise(seed=41, view="lateral", level=5, flexion_deg=0)
CURE = {"orbital": 9.0, "other": -7.0}
NAMED = {"rotation": "plus", "tilt": "minus", "centring": "fine"}


@pytest.fixture(scope="module")
def house(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PracticeHouse]:
    folder = tmp_path_factory.mktemp("practice")
    path = folder / "set.yaml"
    path.write_text(
        "title: Two to try\n"
        "rules: {explain: at the end, most: 3}\n"
        "exercises:\n"
        f"  - code: {code_of(OFF)}\n"
        "    say: Mind the rotation.\n"
        "  - {view: AP, tilt_deg: 9}\n"
    )
    with practising(folder / "book", [path]) as running:
        yield running


def begin(house: PracticeHouse, exercise: Exercise = OFF, **words: Any) -> dict[str, Any]:
    answer = house.call("/api/rounds", {"learner": "Kestrel", "code": code_of(exercise), **words})
    assert answer.status == 200, answer.body
    return dict(answer.json)


def expose(house: PracticeHouse, id: str, moves: dict[str, float]) -> Any:
    return house.call(f"/api/rounds/{id}/expose", {"answer": NAMED, "moves": moves})


def test_from_a_code_to_a_square_film(house: PracticeHouse) -> None:
    assert house.desk is not None
    before = len(house.desk.book.rounds())
    told = begin(house)
    path = f"/api/rounds/{told['id']}"
    film = house.call(f"{path}/film")
    assert (film.headers["x-rows"], film.headers["x-columns"]) == ("768", "768")
    levels = np.frombuffer(film.body, "<u2")
    assert levels.size == 768 * 768
    assert levels.max() > 60000
    assert house.call(f"{path}/explain/0").status == 422
    assert house.call(f"{path}/advice/0").status == 422
    assert house.call(f"{path}/solids").status == 422

    second = expose(house, told["id"], CURE)
    assert second.status == 200
    assert second.headers["x-number"] == "1"
    assert "film;dur=" in second.headers["server-timing"]
    why = house.call(f"{path}/explain/0").json
    assert (why["rotation_deg"], why["tilt_deg"]) == pytest.approx((9.0, -7.0), abs=1e-3)
    assert not why["square"]
    assert all(each["right"] for each in why["judged"].values())
    assert why["made"] == [
        "orbital 9°: lateral end toward posterior",
        "wig-wag 7°: lateral end toward the head",
    ]
    assert why["needed"] == why["made"]
    assert {each["name"] for each in why["outlines"]} == {"medial condyle", "lateral condyle"}
    assert house.call(f"{path}/explain/1").status == 422
    bones = house.call(f"{path}/solids").json
    assert {"femur", "tibia", "patella", "fibula"} <= {part["name"] for part in bones}
    femur = next(part for part in bones if part["name"] == "femur")
    assert set(femur["kinds"]) == {0, 1, 2}

    found = house.call(f"{path}/claim", {"answer": {}}).json
    assert found["right"]
    assert found["ended"] == "square"
    record = house.desk.book.rounds()[before]
    assert (record["films"], record["fewest"], record["named_right"]) == (2, 2, 3)
    assert record["learner"] == "Kestrel"
    assert expose(house, told["id"], CURE).status == 422
    assert house.call(f"{path}/explain/1").json["square"]
    assert len(house.desk.book.rounds()) == before + 1


def test_the_first_film_may_be_square(house: PracticeHouse) -> None:
    told = begin(house, SQUARE)
    found = house.call(f"/api/rounds/{told['id']}/claim", {"answer": {}}).json
    assert found["record"]["fewest"] == found["record"]["films"] == 1


def test_calling_square_too_early_is_noted(house: PracticeHouse) -> None:
    told = begin(house)
    path = f"/api/rounds/{told['id']}"
    found = house.call(f"{path}/claim", {"answer": NAMED}).json
    assert (found["right"], found["ended"], found["wrong_claims"]) == (False, None, 1)
    ended = house.call(f"{path}/stop", {}).json
    assert ended["ended"] == "stopped"
    assert not ended["record"]["solved"]


def test_a_full_disk_loses_nothing(house: PracticeHouse, monkeypatch: pytest.MonkeyPatch) -> None:
    assert house.desk is not None
    before = len(house.desk.book.rounds())
    path = f"/api/rounds/{begin(house, SQUARE)['id']}"

    def full(record: Any) -> None:
        raise Problem("/home/teacher/class/rounds.jsonl", "the disk is full", "free some space")

    with monkeypatch.context() as broken:
        broken.setattr(Book, "add", lambda self, record: full(record))
        answer = house.call(f"{path}/claim", {"answer": {}})
        assert (answer.status, answer.json["what"]) == (422, "the disk is full")
        assert answer.json["source"] == "class/rounds.jsonl"  # learners need not see the rest
    for _ in range(2):
        assert house.call(f"{path}/stop", {}).json["ended"] == "square"
    assert len(house.desk.book.rounds()) == before + 1


def test_a_teachers_set_has_its_own_rules(house: PracticeHouse) -> None:
    start = house.call("/api/start").json
    assert [len(group["tasks"]) for group in start["sets"]] == [2]
    body = {"learner": "Kestrel", "group": 0, "task": 0}
    told = house.call("/api/rounds", body).json
    assert told["say"] == "Mind the rotation."
    assert told["rules"]["most"] == 3
    path = f"/api/rounds/{told['id']}"
    expose(house, told["id"], {"orbital": 1.0})
    assert house.call(f"{path}/explain/0").status == 422  # at the end only
    expose(house, told["id"], {"orbital": 1.0})
    assert "films are taken" in expose(house, told["id"], CURE).json["what"]
    assert house.call(f"{path}/claim", {"answer": {}}).json["ended"] == "films"
    assert house.call(f"{path}/explain/0").status == 200
    assert house.call("/api/rounds", {**body, "task": 2}).status == 422


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({"learner": "  ", "level": 1}, "choose a short one"),
        ({"learner": "a" * 60, "level": 1}, "longer than"),
        ({"learner": "Kestrel", "level": 9}, "choose 1 to 5"),
        ({"learner": "Kestrel", "code": "nonsense"}, "copy it again"),
        ({"learner": "Kestrel", "level": 1, "view": "skyline"}, "choose AP or lateral"),
        ({"learner": "Kestrel", "group": 7}, "load the page again"),
    ],
)
def test_wrong_beginnings_are_told(house: PracticeHouse, body: Any, told: str) -> None:
    answer = house.call("/api/rounds", body)
    assert answer.status == 422
    assert told in f"{answer.json['what']}; {answer.json['do']}"


@pytest.mark.parametrize(
    "body",
    [
        {"answer": {}, "moves": {"fly": 1}},
        {"answer": {}, "moves": {"orbital": 1e9}},
        {"answer": {"rotation": "maybe"}, "moves": {}},
        {"answer": {"mood": "fine"}, "moves": {}},
        {"moves": {}},
    ],
)
def test_wrong_calls_change_nothing(house: PracticeHouse, body: Any) -> None:
    told = begin(house)
    assert house.call(f"/api/rounds/{told['id']}/expose", body).status == 422
    assert house.desk is not None
    assert len(house.desk.round(told["id"]).exposures) == 1


def test_the_guard_stands_before_it(house: PracticeHouse) -> None:
    assert house.call("/api/start", headers={"X-Squareon-Token": "guess"}).status == 401
    assert house.call("/api/start", headers={"Host": "evil.example"}).status == 421
    assert house.call("/api/rounds", {}, headers={"Origin": "http://evil.example"}).status == 403
    policy = house.call("/", headers={"X-Squareon-Token": None}).headers["content-security-policy"]
    assert "unsafe" not in policy
    assert house.call("/api/rounds/none/film").status == 422


# ---- rounds, the book, the reader ---------------------------------------------------------------


def test_the_clock_ends_a_round() -> None:
    now = [0.0]
    played = Round(
        "Kestrel",
        Exercise(seed=41, view="AP", rotation_deg=9.0),
        practise_rules(),
        patient_of(Exercise(seed=41, view="AP", rotation_deg=9.0)),
        timed=True,
        clock=lambda: now[0],
    )
    played.start()
    now[0] = 20.0
    assert played.seconds_left == 10.0
    played.expose(Answer(), Moves(orbital=2.0))
    now[0] = 31.0
    with pytest.raises(Problem, match="time is up"):
        played.expose(Answer(), Moves(orbital=2.0))
    record = played.record()
    assert (record["ended"], record["solved"], record["films"]) == ("time", False, 2)
    assert played.may_explain(1)


def practise_rules() -> Any:
    from pipeline.practise.exercise import Rules

    return Rules(seconds=30)


def test_a_book_survives_a_cut_line_and_tells_a_foreign_one(tmp_path: Path) -> None:
    book = Book(tmp_path / "deep" / "folder")
    assert book.rounds() == []
    row = {"learner": "Kestrel", "solved": True, "films": 3, "fewest": 2}
    row |= {"named": 3, "named_right": 2}
    book.add(row)
    with book.path.open("a") as file:
        file.write('{"learner": "Wr')
    book.add({**row, "films": 2, "learner": "Wren"})
    assert [each["learner"] for each in book.rounds()] == ["Kestrel", "Wren"]
    told = curve(book.rounds())
    assert (told["rounds"], told["at_once"], told["recent_spare_films"]) == (2, 1, 0.5)
    with book.path.open("a") as file:
        file.write("hello\n")
    with pytest.raises(Problem, match="line 3"):
        book.rounds()


def test_the_reader_reads_beside_the_game() -> None:
    """In a process of its own; its angles are those of the film, within what it promises."""
    import time

    adviser = Adviser(practise_settings().read())
    played = Round("Kestrel", OFF, practise_rules(), patient_of(OFF))
    exposure = played.start()
    assert exposure.film is not None
    adviser.ask(played.id, 0, exposure.film)
    assert adviser.answer(played.id, 0) == {"state": "reading"}  # it was not waited for
    assert adviser.answer("other", 0) == {"state": "off"}
    deadline = time.monotonic() + 300
    while adviser.answer(played.id, 0)["state"] == "reading" and time.monotonic() < deadline:
        time.sleep(0.2)
    said = adviser.answer(played.id, 0)
    adviser.close()
    assert said["state"] == "ready"
    assert said["refused"] is None
    assert said["view"] == "lateral"
    assert abs(said["rotation_deg"] - 9.0) < 5
    assert said["moves"]
    assert said["in_degrees"]
    # The reader's turns have the conventions' signs: followed, they lead toward square.
    turns = said["turns"]
    assert turns["rotation"] > 0 > turns["tilt"]
    moves = Moves(orbital=turns["rotation"], other=turns["tilt"])
    led = played.had_it_been(0, moves, centred=said["centre"])
    assert abs(led["rotation_deg"]) < 5
    assert abs(led["tilt_deg"]) < 5
    assert led["square"] == (max(abs(led["rotation_deg"]), abs(led["tilt_deg"])) <= 5)
    assert Adviser(None).answer(played.id, 0) == {"state": "off"}


def test_a_set_is_checked_from_the_command_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "set.yaml"
    path.write_text("title: One\nexercises:\n  - {view: AP, rotation_deg: 9, seed: 4}\n")
    assert main(["practise", "--check", "--set", str(path)]) == 0
    wanted = code_of(Exercise(seed=4, view="AP", rotation_deg=9.0))
    assert wanted in capsys.readouterr().out
    path.write_text("title: One\nexercises: []\n")
    assert main(["practise", "--check", "--set", str(path)]) == 2
    assert "exercises" in capsys.readouterr().err
