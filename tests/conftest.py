"""What the tests of several rooms share.

Property tests draw the same examples every time, so that a run says something about the code.
"""

import importlib.util
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import settings
from postgres_server import PostgresServer

settings.register_profile("steady", derandomize=True, deadline=None)
settings.load_profile("steady")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium; skips where there is none."""
    from review_browser import chromium

    with chromium() as running:
        yield running


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """A server that is running; skips where there is none."""
    server = PostgresServer()
    if not server.available:
        pytest.skip(server.missing)
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("psycopg is not installed (pip install '.[postgresql]')")
    with server:
        yield server
