"""One small archive of invented films, and certificates, for all tests of sources and doors."""

from __future__ import annotations

import pytest
from invented_archive import Kept, small_archive
from invented_certificates import Certificates, make_certificates


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> list[Kept]:
    return small_archive(tmp_path_factory.mktemp("kept"))


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return make_certificates(tmp_path_factory.mktemp("certificates"))
