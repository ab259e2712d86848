"""Stores in both databases."""

from __future__ import annotations

import importlib.util
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgres_server import PostgresServer
from store_cases import KEY

from pipeline.records.store import Store


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    server = PostgresServer()
    if not server.available:
        pytest.skip(server.missing)
    if importlib.util.find_spec("psycopg") is None:
        pytest.skip("psycopg is not installed (pip install '.[postgresql]')")
    with server:
        yield server


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The address of a store that is not there yet."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'store.sqlite'}"
    server: PostgresServer = request.getfixturevalue("postgres")
    return server.new_database()


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with Store.open(url, KEY) as opened:
        yield opened
