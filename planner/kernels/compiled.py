"""How kernels are compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])

UNCOUNTED: dict[str, Any] = {"nogil": True, "_nrt": False}
UNSEEN: dict[str, Any] = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}


def leaf(function: Function) -> Function:
    """Compile what makes no array, and calls nothing that does.

    Compiled so, it counts no references to the arrays that it is handed, which costs more than the
    work of many a small function.
    """
    made: Function = njit(cache=True, **UNCOUNTED)(function)
    return made


def inner(function: Function) -> Function:
    """Compile a leaf that only other kernels call.

    Nothing is made for Python, and nothing is kept: what calls it keeps it.
    """
    made: Function = njit(**UNCOUNTED, **UNSEEN)(function)
    return made


def spliced(function: Function) -> Function:
    """Compile a leaf that has one caller: it becomes a part of it, and nothing is handed over."""
    made: Function = njit(forceinline=True, **UNCOUNTED, **UNSEEN)(function)
    return made
