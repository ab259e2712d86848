"""Stores made by earlier versions are brought up to date when they are opened."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import insert, inspect, text
from store_cases import KEY, reading_row

from pipeline.knee.errors import Problem
from pipeline.records.store import Filter, Store, database
from pipeline.records.store.chain import START, dump
from pipeline.records.store.entries import rebuild
from pipeline.records.store.keys import keyed
from pipeline.records.store.ledger import Ledger, set_seal
from pipeline.records.store.tables import metadata

FIRST = "0001"


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(database.MIGRATIONS))
    return ScriptDirectory.from_config(config)


def test_the_newest_migration_is_known_to_the_program() -> None:
    assert scripts().get_heads() == [database.HEAD]
    assert scripts().get_base() == FIRST
    names = [script.revision for script in scripts().walk_revisions()]
    assert names == sorted(names, reverse=True)  # `migrate` compares them as text


def test_the_migrations_make_the_tables_that_the_program_uses(store: Store) -> None:
    with store._engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        # SQLite cannot tell the order of an index's columns: leave indexes out there.
        differences = [
            one
            for one in compare_metadata(context, metadata)
            if not (connection.dialect.name == "sqlite" and "index" in str(one[0]))
        ]
    assert differences == []


def test_a_store_of_the_first_version_is_brought_up_to_date(url: str) -> None:
    """Made as the first version made it, with a decision, then opened by this one."""
    parsed = database.parse(url)
    engine = database.engine_for(parsed)
    database.migrate(engine, parsed, rebuild, to=FIRST)
    row = reading_row()
    hashes = {name: row["made_by"][name] for name in ("weights", "config_sha256")}
    with database.writing(engine) as connection:
        connection.execute(
            text("INSERT INTO about VALUES ('key', :mark)"), {"mark": keyed(KEY, "key", "")}
        )
        set_seal(connection, KEY, 0, START)
        connection.execute(
            insert(metadata.tables["readings"]).values(
                id=1, sha256=row["film"]["sha256"], frame=0, knee=0, **hashes
            )
        )
        ledger = Ledger(connection, KEY, lambda: "2026-01-01T00:00:00.000000Z", "0.1.0")
        payload = dump({"location": "films/0.dcm", "reading": row})
        ledger.append(
            reading_id=1, revision=1, kind="add", who="squareon", payload=payload, **hashes
        )
        ledger.append(
            reading_id=1,
            revision=2,
            kind="accept",
            outcome="accept",
            role="first",
            who="A",
            payload="null",
            **hashes,
        )
        ledger.append(
            reading_id=1,
            revision=3,
            kind="tag",
            who="A",
            payload=dump({"tags": ["old"]}),
            **hashes,
        )
        ledger.flush()
        assert "first_reader" not in {
            column["name"] for column in inspect(connection).get_columns("heads")
        }
    engine.dispose()
    with Store.open(url, KEY) as store:
        assert store.verify() == []
        (listed,) = store.readings(Filter(tags=("old",)))
        assert (listed.state, listed.revision) == ("accepted", 3)
        assert store.reading(1).first_reader == "A"
        store.decide(1, expected_revision=3, kind="reopen", reviewer="B")
        assert store.verify() == []


def test_a_store_of_a_newer_version_is_left_alone(url: str) -> None:
    with Store.open(url, KEY) as store, database.writing(store._engine) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(Problem, match="newer version"):
        Store.open(url, KEY)


OPENING = """
import sys
from pipeline.records.store import Store
from store_cases import KEY, reading_row
sys.stdin.readline()
with Store.open(sys.argv[1], KEY) as store:
    store.add_reading(reading_row(0))
    store.add_reading(reading_row(int(sys.argv[2])))
"""


def test_many_processes_may_open_a_new_store_at_once(url: str) -> None:
    helpers = Path(__file__).parents[1] / "helpers"
    waiting = [
        subprocess.Popen(
            [sys.executable, "-c", OPENING, url, str(number)],
            stdin=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=helpers,
            env={"PYTHONPATH": str(Path(__file__).parents[2]), "PATH": ""},
        )
        for number in range(1, 4)
    ]
    for process in waiting:
        assert process.stdin is not None
        process.stdin.write("\n")
        process.stdin.flush()
    for process in waiting:
        _, said = process.communicate(timeout=600)
        assert process.returncode == 0, said
    with Store.open(url, KEY) as store:
        assert len(store.readings()) == 4
        assert store.verify() == []
