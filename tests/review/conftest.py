"""One small archive for all tests of the review page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from review_browser import Visit
from review_house import House, copied, make_results, serving

from pipeline.records.store import Store, open_store


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_results(tmp_path_factory.mktemp("archive"))


@pytest.fixture
def store(results: Path, tmp_path: Path) -> Iterator[Store]:
    with open_store(str(copied(results, tmp_path))) as opened:
        yield opened


@pytest.fixture
def house(store: Store) -> Iterator[House]:
    with serving(store) as running:
        yield running


@pytest.fixture(scope="module")
def shared(results: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A server for tests that decide nothing."""
    folder = copied(results, tmp_path_factory.mktemp("shared"))
    with open_store(str(folder)) as store, serving(store) as running:
        yield running


@pytest.fixture
def visit(browser: Any, shared: House) -> Iterator[Visit]:
    made = Visit(browser, shared.address)
    yield made
    made.close()
    assert not made.errors
    assert not made.foreign()
