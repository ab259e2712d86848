"""Ahead-of-need compilation that keeps its result on disk where it can."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba


def compiled(function: Callable[..., Any]) -> Callable[..., Any]:
    """`function` compiled by numba at its first call, without the interpreter's lock.

    The machine code is kept beside the source or in the user's cache folder. Where neither can
    be written numba refuses to compile at all; then it is compiled afresh in each process.
    """
    return _made(function, {"nogil": True})


def fused(function: Callable[..., Any]) -> Callable[..., Any]:
    """As `compiled`, and a product added to something is rounded once, not twice.

    Half the arithmetic on processors that can; the last digit may differ on one that cannot.
    """
    return _made(function, {"nogil": True, "fastmath": {"contract"}})


def _made(function: Callable[..., Any], options: dict[str, Any]) -> Callable[..., Any]:
    # Division by zero gives infinity, as in numpy: a check at every division forbids the
    # processor to do several at once.
    options = {"error_model": "numpy", **options}
    try:
        return numba.njit(cache=True, **options)(function)
    except RuntimeError:
        return numba.njit(**options)(function)
