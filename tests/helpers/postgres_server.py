"""A PostgreSQL server of the test run's own: unprivileged, no network, gone afterwards."""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

NAMES = ("initdb", "postgres")
PLACES = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
USERS = ("postgres", "nobody")


def _place() -> str:
    """A short path, in memory where there is such a folder: sockets have short names."""
    memory = "/dev/shm"
    roomy = os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 1_000_000_000
    return memory if roomy else "/tmp"


class PostgresServer:
    """Runs in a temporary folder and listens on a socket there. A context manager.

    Args:
        place: where its folder lies; a short path. By default in memory.
        durable: waits for the disk as a real server does.
    """

    missing = "PostgreSQL is not installed (Debian: apt-get install postgresql)"

    def __init__(self, place: Path | None = None, durable: bool = False) -> None:
        self._place = str(place or _place())
        self._fsync = "on" if durable else "off"
        where = [str(place) for place in PLACES] + os.environ.get("PATH", "").split(os.pathsep)
        found = [shutil.which(name, path=os.pathsep.join(where)) for name in NAMES]
        self.available = all(found)
        self._initdb, self._postgres = (str(name) for name in found)
        self._numbers = itertools.count(1)

    def __enter__(self) -> PostgresServer:
        self._user = self._unprivileged()
        self._folder = Path(tempfile.mkdtemp(prefix="sq-pg-", dir=self._place))
        data = self._folder / "data"
        if self._user:
            shutil.chown(self._folder, self._user)
        self._run(self._initdb, "-D", str(data), "-A", "trust", "-U", "squareon", "--no-sync")
        options = (
            "listen_addresses=",
            f"unix_socket_directories={self._folder}",
            f"fsync={self._fsync}",
            "wal_level=minimal",
            "max_wal_senders=0",
        )
        words = [word for option in options for word in ("-c", option)]
        self._process = subprocess.Popen(
            [self._postgres, "-D", str(data), *words],
            user=self._user,
            cwd=self._folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        self._wait()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._process.send_signal(signal.SIGQUIT)  # at once: nothing of it is kept
        self._process.wait(120)
        shutil.rmtree(self._folder, ignore_errors=True)

    @contextmanager
    def database(self, template: str | None = None) -> Iterator[str]:
        """The URL of a new database, empty or a copy of that of another URL; then dropped."""
        import psycopg

        name = f"films{next(self._numbers)}"
        source = "template1" if template is None else template.partition("@/")[2].partition("?")[0]
        with psycopg.connect(self._address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {source}")
            try:
                yield f"postgresql+psycopg://squareon@/{name}?host={self._folder}"
            finally:
                connection.execute(f"DROP DATABASE {name} WITH (FORCE)")

    def _address(self, database: str) -> str:
        return f"host={self._folder} user=squareon dbname={database}"

    def _unprivileged(self) -> str | None:
        """A user to run as: the server refuses to run as root."""
        import pwd

        if os.geteuid() != 0:
            return None
        known = {entry.pw_name for entry in pwd.getpwall()}
        return next(user for user in USERS if user in known)

    def _run(self, *words: str) -> None:
        done = subprocess.run(
            words, user=self._user, cwd=self._folder, capture_output=True, text=True
        )
        if done.returncode:
            raise RuntimeError(done.stdout + done.stderr)

    def _wait(self) -> None:
        import psycopg

        end = time.monotonic() + 300
        while True:
            try:
                psycopg.connect(self._address("postgres")).close()
            except psycopg.OperationalError:
                if time.monotonic() > end or self._process.poll() is not None:
                    raise
                time.sleep(0.05)
            else:
                return
