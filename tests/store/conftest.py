"""Stores in both databases."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from postgres_server import PostgresServer
from store_cases import KEY

from pipeline.records.store import Store

DATABASES = ("sqlite", "postgresql")


@pytest.fixture(params=DATABASES)
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """The address of a store that is not there yet."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'store.sqlite'}"
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    with server.database() as address:
        yield address


@pytest.fixture(scope="session", params=DATABASES)
def empty(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[str]:
    """The address of an empty store, to be copied: making the tables anew takes longer."""
    if request.param == "sqlite":
        address = f"sqlite:///{tmp_path_factory.mktemp('empty') / 'store.sqlite'}"
        Store.open(address, KEY).close()
        yield address
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    with server.database() as address:
        Store.open(address, KEY).close()
        yield address


@pytest.fixture
def store(empty: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Store]:
    """An empty store."""
    if empty.startswith("sqlite"):
        path = shutil.copy(empty.removeprefix("sqlite:///"), tmp_path / "store.sqlite")
        with Store.open(str(path), KEY) as opened:
            yield opened
        return
    server: PostgresServer = request.getfixturevalue("postgres")
    with server.database(template=empty) as address, Store.open(address, KEY) as opened:
        yield opened
