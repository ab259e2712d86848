"""The ledger of films: each content once per model, whatever it is called, with its readings."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.exc import IntegrityError
from store_cases import reading_row

from pipeline.knee.reading import MadeBy
from pipeline.records.store import Store, database, tables
from pipeline.records.store.films import FilmLedger, FilmSeen, KnownContents

MADE_BY = MadeBy("0.1.0", "invented-weights", "c" * 64, 0)


def seen(number: int, name: str | None = None, **said: object) -> FilmSeen:
    row = reading_row(number)
    return FilmSeen(
        name=name or f"Quillonby/{number}.dcm",
        sha256=row["film"]["sha256"],
        bytes=100,
        stamp=7,
        state="read",
        rows=(row,),
    )


def count(store: Store, table: str) -> int:
    with store._engine.connect() as connection:
        return connection.execute(text(f"SELECT count(*) FROM {table}")).scalar_one()


@pytest.fixture
def ledger(store: Store) -> FilmLedger:
    return FilmLedger(store, MADE_BY, "/films")


def test_a_film_is_noted_with_its_readings(store: Store, ledger: FilmLedger) -> None:
    noted = ledger.note([seen(n) for n in range(3)])
    assert (dict(noted.films), noted.known, noted.unfetched) == ({"read": 3}, 0, 0)
    assert ledger.counts() == {"read": 3, "refused": 0, "failed": 0}
    assert len(store.readings()) == 3
    assert store.verify() == []


def test_again_is_not_twice(store: Store, ledger: FilmLedger) -> None:
    ledger.note([seen(0), seen(1)])
    noted = ledger.note([seen(1), seen(2)])
    assert (dict(noted.films), noted.known) == ({"read": 1}, 1)
    assert ledger.counts()["read"] == len(store.readings()) == 3


def test_a_name_that_is_no_text_is_known_again(ledger: FilmLedger) -> None:
    odd, other = "/films/odd\udcff.dcm", "/films/odd\udcfe.dcm"
    ledger.note([seen(0, odd)])
    asked = [(name, 100, 7) for name in (odd, other)]
    assert set(ledger.known(asked, failed_too=True)) == {odd}


def test_two_names_of_one_content_are_one_film_and_both_are_known(
    store: Store, ledger: FilmLedger
) -> None:
    ledger.note([seen(0, "a.dcm"), seen(0, "b.dcm")])
    ledger.note([seen(0, "c.dcm")])
    assert ledger.counts()["read"] == len(store.readings()) == 1
    names = [(name, 100, 7) for name in ("a.dcm", "b.dcm", "c.dcm", "d.dcm")]
    assert set(ledger.known(names, failed_too=False)) == {"a.dcm", "b.dcm", "c.dcm"}
    assert count(store, "film_names") == 3


def test_other_weights_keep_both(store: Store, ledger: FilmLedger) -> None:
    ledger.note([seen(0)])
    row = reading_row(0)
    row["made_by"]["weights"] = "newer-weights"
    newer = FilmLedger(store, replace(MADE_BY, weights="newer-weights"), "/films")
    assert newer.known([(seen(0).name, 100, 7)], failed_too=True) == {}
    newer.note([replace(seen(0), rows=(row,))])
    assert ledger.counts()["read"] == newer.counts()["read"] == 1
    assert len(store.readings()) == 2
    assert count(store, "film_names") == 1


def test_a_changed_file_is_not_known(ledger: FilmLedger) -> None:
    ledger.note([seen(0)])
    name = seen(0).name
    assert set(ledger.known([(name, 100, 7)], failed_too=False)) == {name}
    assert ledger.known([(name, 101, 7)], failed_too=False) == {}
    assert ledger.known([(name, 100, 8)], failed_too=False) == {}
    ledger.note([replace(seen(5), name=name, stamp=8)])
    assert set(ledger.known([(name, 100, 8)], failed_too=False)) == {name}


def test_what_failed_is_known_as_failed_and_may_be_tried_again(
    store: Store, ledger: FilmLedger
) -> None:
    bad = replace(seen(0), state="failed", rows=(), what="is cut short")
    ledger.note([bad])
    ask = [(bad.name, 100, 7)]
    assert ledger.known(ask, failed_too=False) == {}
    assert ledger.known(ask, failed_too=True) == {bad.name: ("failed", "is cut short")}
    ledger.note([bad])
    assert ledger.counts()["failed"] == 1
    ledger.note([seen(0)])
    assert ledger.counts() == {"read": 1, "refused": 0, "failed": 0}
    with store._engine.connect() as connection:
        row = connection.execute(select(tables.films)).one()
    assert (row.tries, row.what, row.readings) == (3, None, 1)
    ledger.note([bad])  # what was read stays read
    assert ledger.counts()["read"] == 1


def test_what_could_not_be_had_is_noted_by_name(store: Store, ledger: FilmLedger) -> None:
    noted = ledger.note([FilmSeen("gone.dcm", None, what="the server does not have it")])
    assert noted.unfetched == 1
    assert ledger.known([("gone.dcm", None, None)], failed_too=True) == {}
    assert count(store, "films") == 0
    ledger.note([seen(0, "gone.dcm")])
    assert count(store, "film_names") == 1
    assert set(ledger.known([("gone.dcm", 100, 7)], failed_too=False)) == {"gone.dcm"}


def test_it_is_all_or_nothing(store: Store, ledger: FilmLedger) -> None:
    broken = reading_row(1)
    del broken["view"]
    with pytest.raises(KeyError):
        ledger.note([seen(0), replace(seen(1), rows=(broken,))])
    assert [count(store, name) for name in ("films", "film_names", "readings", "heads")] == [0] * 4


def test_the_database_itself_refuses_a_film_twice(store: Store, ledger: FilmLedger) -> None:
    ledger.note([seen(0)])
    with pytest.raises(IntegrityError), store._engine.begin() as connection:
        connection.execute(text("INSERT INTO films SELECT * FROM films"))


def test_a_reading_that_is_lost_is_found_out(store: Store, ledger: FilmLedger) -> None:
    ledger.note([seen(0), seen(1)])
    assert store.verify() == []
    with store._engine.begin() as connection:
        connection.execute(text("UPDATE films SET readings = 2"))
    found = [one for one in store.verify() if one.where.startswith("film ")]
    assert len(found) == 2
    assert found[0].what == "2 readings were noted with it, 1 are there"


def test_names_are_digests_that_differ_by_source(store: Store, ledger: FilmLedger) -> None:
    ledger.note([seen(0)])
    with store._engine.connect() as connection:
        (name,) = connection.scalars(select(tables.film_names.c.name))
    assert name == ledger.digest(seen(0).name)
    assert "uillonby" not in name
    assert FilmLedger(store, MADE_BY, "/other").digest(seen(0).name) != name


def test_contents_are_asked_for_without_the_key(store: Store, ledger: FilmLedger) -> None:
    url = store.url.render_as_string(hide_password=False)
    ledger.note([seen(0), replace(seen(1), state="failed", rows=(), what="is cut short")])
    contents = [str(seen(n).sha256) for n in range(3)]
    assert KnownContents(url, MADE_BY)(contents) == {contents[0]}
    assert KnownContents(url, replace(MADE_BY, weights="newer"))(contents) == set()


def test_asking_a_store_that_is_not_there_makes_none(tmp_path) -> None:
    assert KnownContents(str(tmp_path / "none.sqlite"), MADE_BY)(["a"]) == set()
    assert list(tmp_path.iterdir()) == []


def test_many_at_once(store: Store, ledger: FilmLedger) -> None:
    films = [replace(seen(n), rows=()) for n in range(1200)]
    ledger.note(films)
    ledger.note(films)
    ask = [(one.name, 100, 7) for one in films]
    assert len(ledger.known(ask, failed_too=False)) == 1200
    with database.reading(store._engine) as connection:
        assert connection.scalar(select(func.count()).select_from(tables.films)) == 1200
