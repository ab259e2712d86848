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
    try:
        return numba.njit(cache=True, nogil=True)(function)
    except RuntimeError:
        return numba.njit(nogil=True)(function)
