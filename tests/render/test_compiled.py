"""Compiled functions still work where their machine code cannot be kept."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import pytest

from pipeline.knee.compiled import compiled, fused


def test_without_a_folder_to_write_to(monkeypatch: pytest.MonkeyPatch) -> None:
    real = numba.njit

    def refusing(*, cache: bool = False, **options: Any) -> Callable[..., Any]:
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return real(**options)

    def one_more(x: int) -> int:
        return x + 1

    with monkeypatch.context() as patched:
        patched.setattr(numba, "njit", refusing)
        made, same = compiled(one_more), fused(one_more)
    assert made(2) == same(2) == 3
