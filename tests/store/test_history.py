"""The history only grows, and what is done to it from outside is found."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from postgres_server import PostgresServer
from sqlalchemy import Connection, Engine, create_engine, text
from sqlalchemy.exc import DatabaseError
from store_cases import KEY, moved, reading_row

from pipeline.cli import main
from pipeline.knee.errors import Problem
from pipeline.records.jsonl import dump
from pipeline.records.store import Store, copy_store, open_original
from pipeline.records.store.chain import row_hash
from pipeline.records.store.model import STATES


@pytest.fixture
def filled(store: Store) -> Store:
    for id in store.add_readings([reading_row(n) for n in range(4)], tags=["all"]):
        final = moved(store.reading(id).current, notch_apex=float(id))
        store.decide(id, expected_revision=2, kind="accept_with_changes", reviewer="A", final=final)
    assert store.verify() == []
    return store


@pytest.fixture
def outside(filled: Store) -> Iterator[Engine]:
    """The database as someone without the program has it."""
    engine = create_engine(filled.url)
    yield engine
    engine.dispose()


def unguard(connection: Connection) -> None:
    """What anyone who owns the database can do."""
    if connection.dialect.name == "sqlite":
        names = connection.execute(text("SELECT name FROM sqlite_master WHERE type='trigger'"))
        for (name,) in names.fetchall():
            connection.execute(text(f"DROP TRIGGER {name}"))
        return
    for table in ("readings", "history"):
        connection.execute(text(f"DROP TRIGGER {table}_only_grows ON {table}"))


def rows_of(connection: Connection) -> list[dict]:
    found = connection.execute(text("SELECT * FROM history ORDER BY sequence")).mappings()
    return [dict(row) for row in found]


@pytest.mark.parametrize(
    "words",
    [
        "UPDATE history SET who = 'B' WHERE sequence = 9",
        "UPDATE history SET who = who",
        "DELETE FROM history WHERE sequence = 12",
        "DELETE FROM history",
        "UPDATE readings SET sha256 = '0' WHERE id = 1",
        "DELETE FROM readings",
    ],
)
def test_the_database_itself_refuses(filled: Store, outside: Engine, words: str) -> None:
    with pytest.raises(DatabaseError, match="only grows"), outside.begin() as connection:
        connection.execute(text(words))
    assert filled.verify() == []


def test_the_server_refuses_to_empty_a_table(filled: Store, outside: Engine) -> None:
    if outside.dialect.name == "sqlite":
        pytest.skip("SQLite has no TRUNCATE")
    with pytest.raises(DatabaseError, match="only grows"), outside.begin() as connection:
        connection.execute(text("TRUNCATE history CASCADE"))


def change_one(connection: Connection) -> None:
    connection.execute(text("UPDATE history SET who = 'B' WHERE sequence = 9"))


def change_time(connection: Connection) -> None:
    connection.execute(text("UPDATE history SET at = '2020-01-01' WHERE sequence = 12"))


def change_first_payload(connection: Connection) -> None:
    connection.execute(
        text("UPDATE history SET payload = replace(payload, '600', '601') WHERE sequence = 1")
    )


def change_and_hash_again(connection: Connection) -> None:
    """A clever one: the row's own hash is right again."""
    row = {**rows_of(connection)[8], "who": "B"}
    values = {"hash": row_hash(row)}
    connection.execute(
        text("UPDATE history SET who = 'B', hash = :hash WHERE sequence = 9"), values
    )


def change_and_hash_all_again(connection: Connection) -> None:
    """A cleverer one: the chain is right again to its end."""
    previous = None
    for row in rows_of(connection)[8:]:
        row["who"] = "B"
        row["previous"] = row["previous"] if previous is None else previous
        previous = row_hash(row)
        connection.execute(
            text(
                "UPDATE history SET who = 'B', previous = :previous, hash = :hash "
                "WHERE sequence = :sequence"
            ),
            {"previous": row["previous"], "hash": previous, "sequence": row["sequence"]},
        )
    connection.execute(text("UPDATE seal SET hash = :hash"), {"hash": previous})


def remove_from_the_middle(connection: Connection) -> None:
    connection.execute(text("DELETE FROM history WHERE sequence = 9"))


def cut_the_end(connection: Connection) -> None:
    """With the worklist and the seal's numbers made to fit."""
    last, before = rows_of(connection)[-1], rows_of(connection)[-2]
    connection.execute(text("DELETE FROM history WHERE sequence = 12"))
    connection.execute(
        text(
            "UPDATE heads SET revision = 2, state = 'proposed', decided = 0 WHERE reading_id = :r"
        ),
        {"r": last["reading_id"]},
    )
    connection.execute(
        text("UPDATE seal SET sequence = 11, hash = :hash"), {"hash": before["hash"]}
    )


def put_in_at_the_end(connection: Connection) -> None:
    row = {**rows_of(connection)[-1], "who": "B", "sequence": 13, "revision": 4}
    row["previous"] = row["hash"]
    row["hash"] = row_hash(row)
    names = ", ".join(row)
    places = ", ".join(f":{name}" for name in row)
    connection.execute(text(f"INSERT INTO history ({names}) VALUES ({places})"), row)


def swap_two(connection: Connection) -> None:
    for a, b in ((9, -9), (10, 9), (-9, 10)):
        connection.execute(
            text("UPDATE history SET sequence = :b WHERE sequence = :a"), {"a": a, "b": b}
        )


def remove_all(connection: Connection) -> None:
    for table in ("tags", "heads", "history", "readings", "seal"):
        connection.execute(text(f"DELETE FROM {table}"))


def change_the_film(connection: Connection) -> None:
    connection.execute(text("UPDATE readings SET sha256 = '0' WHERE id = 2"))


def change_the_worklist(connection: Connection) -> None:
    connection.execute(text("UPDATE heads SET state = 'accepted' WHERE reading_id = 2"))


def change_the_place(connection: Connection) -> None:
    connection.execute(text("UPDATE heads SET location = 'x' WHERE reading_id = 2"))


def remove_from_the_worklist(connection: Connection) -> None:
    connection.execute(text("DELETE FROM heads WHERE reading_id = 2"))


def change_a_tag(connection: Connection) -> None:
    connection.execute(text("UPDATE tags SET tag = 'x' WHERE reading_id = 2"))


def break_the_payload(connection: Connection) -> None:
    connection.execute(text("UPDATE history SET payload = '{' WHERE sequence = 3"))


TAMPERINGS = [
    change_one,
    change_time,
    change_first_payload,
    change_and_hash_again,
    change_and_hash_all_again,
    remove_from_the_middle,
    cut_the_end,
    put_in_at_the_end,
    swap_two,
    remove_all,
    change_the_film,
    change_the_worklist,
    change_the_place,
    remove_from_the_worklist,
    change_a_tag,
    break_the_payload,
]


@pytest.mark.parametrize("tamper", TAMPERINGS, ids=lambda tamper: tamper.__name__)
def test_tampering_is_found(
    filled: Store, outside: Engine, tamper: Callable[[Connection], None]
) -> None:
    with outside.begin() as connection:
        unguard(connection)
        tamper(connection)
    assert filled.verify()


@pytest.mark.parametrize("tamper", [cut_the_end, put_in_at_the_end, change_and_hash_all_again])
def test_a_changed_end_is_not_written_over(
    filled: Store, outside: Engine, tamper: Callable[[Connection], None]
) -> None:
    with outside.begin() as connection:
        unguard(connection)
        tamper(connection)
    before = filled.verify()
    for write in (
        lambda: filled.add_reading(reading_row(9)),
        lambda: filled.tag(1, ["new"], "A"),
        lambda: filled.decide(1, expected_revision=3, kind="reopen", reviewer="A"),
    ):
        with pytest.raises(Problem, match="squareon verify"):
            write()
    assert filled.verify() == before


def test_a_role_with_few_rights_can_work(postgres: PostgresServer) -> None:
    """The grants of the guide are enough, and do not let the history be changed."""
    guide = (Path(__file__).parents[2] / "docs/guides/review-store.md").read_text()
    (grants,) = re.findall(r"```sql\n(.*?)```", guide, re.S)
    with postgres.database() as address:
        Store.open(address, KEY).close()
        owner = create_engine(address)
        with owner.begin() as connection:
            connection.execute(text("CREATE ROLE reviewer LOGIN"))
            for words in grants.strip().split(";"):
                if words.strip():
                    connection.execute(text(words))
        limited = address.replace("//squareon@", "//reviewer@")
        with Store.open(limited, KEY) as store:
            id = store.add_reading(reading_row(), tags=["all"])
            store.decide(id, expected_revision=2, kind="accept", reviewer="A")
            store.tag(id, ["all"], "A", remove=True)
            assert store.verify() == []
        reviewer = create_engine(limited)
        for words in ("UPDATE history SET who = 'B'", "DROP TRIGGER history_only_grows ON history"):
            with (
                pytest.raises(DatabaseError, match=r"denied|must be owner"),
                reviewer.begin() as connection,
            ):
                connection.execute(text(words))
        reviewer.dispose()
        with owner.begin() as connection:
            connection.execute(text("DROP OWNED BY reviewer"))
            connection.execute(text("DROP ROLE reviewer"))
        owner.dispose()


# ---- the command --------------------------------------------------------------------------------


def place_of(store: Store, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.setenv("SQUAREON_STORE_KEY", KEY.decode())
    return store.url.render_as_string(hide_password=False)


def test_verify_tells(
    filled: Store,
    outside: Engine,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    place = place_of(filled, monkeypatch)
    assert main(["verify", place]) == 0
    said = capsys.readouterr().out
    assert said.startswith("4 readings, 12 rows of history: all as they were written.\n")
    last = re.findall(r"last hash: ([0-9a-f]{64})", said)[0]
    assert last == filled.end()[1]
    assert main(["verify", place, "--contains", last]) == 0
    assert main(["verify", place, "--contains", "0" * 64]) == 1
    assert "no row has the hash" in capsys.readouterr().out
    with outside.begin() as connection:
        unguard(connection)
        change_one(connection)
    assert main(["verify", place]) == 1
    assert "broken: history row 9: its content is not what its hash says" in capsys.readouterr().out


def test_verify_says_no_more_than_can_be_read(
    filled: Store, outside: Engine, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture
) -> None:
    filled.add_readings([reading_row(n) for n in range(10, 60)])
    with outside.begin() as connection:
        connection.execute(text("UPDATE heads SET state = 'accepted'"))
    assert main(["verify", place_of(filled, monkeypatch)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert len(lines) == 22
    assert lines[20] == "broken: 34 more"


def test_verify_makes_no_store(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", str(tmp_path / "none.sqlite")]) == 2
    assert "is not there" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


# ---- copies -------------------------------------------------------------------------------------


def test_a_copy_is_the_store(
    filled: Store, url: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    place = place_of(filled, monkeypatch)
    target = url.replace("store.sqlite", "copy.sqlite")
    assert main(["copy", place, target]) == 0
    said = capsys.readouterr().out
    assert "4 readings copied with all history" in said
    assert "the key is not copied" in said
    with Store.open(target, KEY) as copy:
        assert copy.verify() == []
        assert copy.holds(filled.end()[1])
        for row in filled.readings():
            mine, theirs = filled.reading(row.id), copy.reading(row.id)
            assert theirs.history[: len(mine.history)] == mine.history
            assert (theirs.state, theirs.current, theirs.tags) == (
                mine.state,
                mine.current,
                mine.tags,
            )
        copy.decide(1, expected_revision=copy.reading(1).revision, kind="reopen", reviewer="A")
        assert copy.verify() == []
    assert main(["copy", place, target]) == 2
    assert re.search("holds readings|is there already", capsys.readouterr().err)


def test_later_results_are_added_to_a_store_elsewhere(
    filled: Store,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    place = place_of(filled, monkeypatch)
    folder = tmp_path / "more"
    folder.mkdir()
    assert main(["copy", str(folder), place, "--add"]) == 2
    assert "holds no readings.jsonl" in capsys.readouterr().err
    rows = [dump(reading_row(number)) + "\n" for number in range(2, 7)]
    (folder / "readings.jsonl").write_text("".join(rows))
    for added in (3, 0):
        assert main(["copy", str(folder), place, "--add"]) == 0
        assert f"{added} readings added" in capsys.readouterr().out
    assert filled.progress() == {
        **dict.fromkeys(STATES, 0),
        "changed": 4,
        "proposed": 3,
    }
    assert filled.verify() == []


def test_a_broken_store_is_not_copied(filled: Store, outside: Engine, tmp_path: Path) -> None:
    with outside.begin() as connection:
        unguard(connection)
        change_one(connection)
    with pytest.raises(Problem, match=r"is broken \(history row 9"):
        copy_store(filled, str(tmp_path / "copy.sqlite"))
    assert not (tmp_path / "copy.sqlite").exists()


def test_films_are_found_from_a_copy(tmp_path: Path, postgres: PostgresServer) -> None:
    films = tmp_path / "films"
    films.mkdir()
    (films / "0.dcm").write_bytes(b"an invented film")
    with Store.open(str(tmp_path / "here" / "store.sqlite"), KEY) as store:
        id = store.add_reading(reading_row(0, films))
        there = tmp_path / "far" / "away" / "copy.sqlite"
        with postgres.database() as server:
            for target in (str(there), server):
                with copy_store(store, target) as copy:
                    assert open_original(copy.reading(id)) == films / "0.dcm"
                    assert copy.reading(id).paths[0] == films / "0.dcm"
                    assert copy.verify() == []
