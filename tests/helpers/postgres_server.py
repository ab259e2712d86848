"""A PostgreSQL server of the test run's own: unprivileged, no network, gone afterwards."""

from __future__ import annotations

import itertools
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path
from types import TracebackType

NAMES = ("initdb", "postgres")
PLACES = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
USERS = ("postgres", "nobody")


class PostgresServer:
    """Runs in a temporary folder and listens on a socket there. A context manager."""

    missing = "PostgreSQL is not installed (Debian: apt-get install postgresql)"

    def __init__(self) -> None:
        where = [str(place) for place in PLACES] + os.environ.get("PATH", "").split(os.pathsep)
        found = [shutil.which(name, path=os.pathsep.join(where)) for name in NAMES]
        self.available = all(found)
        self._initdb, self._postgres = (str(name) for name in found)
        self._numbers = itertools.count(1)

    def __enter__(self) -> PostgresServer:
        self._user = self._unprivileged()
        self._folder = Path(tempfile.mkdtemp(prefix="sq-pg-", dir="/tmp"))
        data = self._folder / "data"
        if self._user:
            shutil.chown(self._folder, self._user)
        self._run(self._initdb, "-D", str(data), "-A", "trust", "-U", "squareon", "--no-sync")
        options = ("listen_addresses=", f"unix_socket_directories={self._folder}", "fsync=off")
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
        self._process.terminate()  # ends sessions after their transaction; then
        try:
            self._process.wait(5)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        shutil.rmtree(self._folder, ignore_errors=True)

    def new_database(self) -> str:
        """The URL of a new empty database."""
        import psycopg

        name = f"films{next(self._numbers)}"
        with psycopg.connect(self._address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}")
        return f"postgresql+psycopg://squareon@/{name}?host={self._folder}"

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

        end = time.monotonic() + 30
        while True:
            try:
                psycopg.connect(self._address("postgres")).close()
            except psycopg.OperationalError:
                if time.monotonic() > end or self._process.poll() is not None:
                    raise
                time.sleep(0.05)
            else:
                return
