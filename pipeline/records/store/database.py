"""Opens the database: SQLite in a file or PostgreSQL; brings its tables up to date."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect, text
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DatabaseError, NoSuchModuleError, OperationalError

from pipeline.knee.errors import Problem
from pipeline.records.files import AGAIN, FULL, StopError

HEAD = "0004"
"""The newest migration; a test holds it against the migrations there are."""
WAIT_S = 60
LOCK = 0x5157_4152  # PostgreSQL's advisory lock of a store's writers
MAGIC = b"SQLite format 3\0"
"""How a file of SQLite begins (sqlite.org/fileformat2.html, 1.3)."""
NAME = "store.sqlite"
"""What the store of a folder is called."""
MIGRATIONS = Path(__file__).parent / "migrations"


def parse(url: str) -> URL:
    """The address of a store; a plain path means SQLite. Raises `Problem`."""
    if "://" not in url:
        return URL.create("sqlite", database=str(Path(url).absolute()))
    try:
        parsed = make_url(url)
    except ArgumentError:
        parsed = None
    if parsed is None or parsed.get_backend_name() not in ("sqlite", "postgresql"):
        raise Problem(
            shown(url), "is no store", "give a file, sqlite:///FILE or postgresql+psycopg://..."
        )
    if parsed.get_backend_name() == "postgresql":
        return parsed.set(drivername="postgresql+psycopg")
    if not parsed.database or parsed.database == ":memory:":
        raise Problem(shown(url), "a store needs a file", "give sqlite:///FILE")
    return parsed.set(database=str(Path(parsed.database).absolute()))


def shown(url: str | URL) -> str:
    """A store's address without its password."""
    try:
        parsed = make_url(url)
    except ArgumentError:
        return str(url)
    return parsed.database or "" if parsed.get_backend_name() == "sqlite" else str(parsed)


def check_file(path: Path) -> None:
    """Raises `Problem` where what lies at `path` is no file of a database."""
    if path.is_dir():
        raise Problem(str(path), "is a folder, not a store", f"name a file, as {path / NAME}")
    if path.is_file():
        with path.open("rb") as file:
            begins = file.read(len(MAGIC))
        if begins and begins != MAGIC:
            raise Problem(str(path), "is no store", "name the file of a store")


def engine_for(url: URL) -> Engine:
    """The engine. Every transaction is a serial writer, or reads one consistent state."""
    sqlite = url.get_backend_name() == "sqlite"
    if sqlite:
        assert url.database is not None
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)
        engine = create_engine(
            url, max_overflow=-1, connect_args={"timeout": WAIT_S, "check_same_thread": False}
        )
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return create_engine(
            url, max_overflow=-1, pool_pre_ping=True, isolation_level="REPEATABLE READ"
        )
    except ImportError as error:
        raise Problem(
            "psycopg", "is not installed, and PostgreSQL needs it", "pip install 'psycopg[binary]'"
        ) from error


def _prepare_sqlite(connection: Any, record: Any) -> None:
    connection.isolation_level = None  # transactions begin where `_begin_sqlite` says
    for pragma in (
        f"busy_timeout={WAIT_S * 1000}",
        "journal_mode=WAL",
        "synchronous=FULL",  # a decision that was confirmed survives a power cut
        "foreign_keys=ON",
        "recursive_triggers=ON",  # INSERT OR REPLACE meets the triggers too
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    write = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A transaction that no other writer of the store overlaps."""
    if engine.dialect.name == "sqlite":
        with engine.connect().execution_options(writes=True) as connection, connection.begin():
            yield connection
        return
    # The lock is taken before the snapshot is, so READ COMMITTED: each statement sees the last.
    options = {"isolation_level": "READ COMMITTED"}
    with engine.connect().execution_options(**options) as connection, connection.begin():
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": LOCK})
        yield connection


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A transaction that sees one state of the store."""
    with engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def told(url: URL) -> Iterator[None]:
    """Turns what a database says into one sentence for the user."""
    try:
        yield
    except (OperationalError, DatabaseError, NoSuchModuleError, OSError) as error:
        if is_full(error):
            raise StopError(
                shown(url), "the disk of the store is full", f"free some space and {AGAIN}"
            ) from error
        said = error.strerror if isinstance(error, OSError) else getattr(error, "orig", error)
        cause = str(said or "").strip().splitlines()
        raise Problem(
            shown(url),
            f"the store cannot be used ({cause[0] if cause else type(error).__name__})",
            "check the address, the permissions and the free space",
        ) from error


def is_full(error: BaseException) -> bool:
    """Whether a database says that there is no room: SQLITE_FULL, PostgreSQL's class 53100."""
    original = getattr(error, "orig", None) or error
    return (
        getattr(original, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL
        or getattr(original, "sqlstate", None) == "53100"
        or getattr(original, "errno", None) in FULL
    )


def is_there(url: URL) -> bool:
    """Whether a store may be at `url`; never makes one."""
    return url.get_backend_name() != "sqlite" or Path(url.database or "").is_file()


def revision_of(connection: Connection) -> str | None:
    """The migration that the database is at, None for an empty one."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    return connection.execute(text("SELECT version_num FROM alembic_version")).scalar()


def migrate(engine: Engine, url: URL, after: Callable[[Connection], None], to: str = HEAD) -> None:
    """Brings the tables to `to`; several processes may do so at once.

    `after` is called in the same transaction with tables that were changed: what is made from
    the history is made again there. Raises `Problem` where a newer version made the store.
    """
    with reading(engine) as connection:
        if revision_of(connection) == to:
            return
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    with writing(engine) as connection:
        found = revision_of(connection)
        if found is not None and found not in known:
            raise Problem(
                shown(url), "was made by a newer version of squareon", "install that version"
            )
        if found is not None and found >= to:
            return
        config.attributes["connection"] = connection
        command.upgrade(config, to)
        if to == HEAD:
            after(connection)
