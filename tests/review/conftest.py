"""One small archive for all tests of the review page."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
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
