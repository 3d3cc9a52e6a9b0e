"""How kernels are compiled.

What only other kernels call has no way in for Python, which takes longer to compile than many a
function itself, and is kept with what calls it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from numba import int64, njit

Function = TypeVar("Function", bound=Callable[..., Any])

SEEN: dict[str, Any] = {"cache": True, "nogil": True, "no_cfunc_wrapper": True}
UNSEEN: dict[str, Any] = {"nogil": True, "no_cpython_wrapper": True, "no_cfunc_wrapper": True}
UNCOUNTED: dict[str, Any] = {"_nrt": False}
whole: Any = int64
"""Makes a variable of a whole number: a kernel called with a constant is compiled for it alone."""


def kernel(function: Function) -> Function:
    """Compile what Python calls."""
    made: Function = njit(**SEEN)(function)
    return made


def leaf(function: Function) -> Function:
    """Compile what Python calls, makes no array, and calls nothing that does.

    Compiled so, it counts no references to the arrays that it is handed, which costs more than the
    work of many a small function.
    """
    made: Function = njit(**SEEN, **UNCOUNTED)(function)
    return made


def helper(function: Function) -> Function:
    """Compile what only other kernels call."""
    made: Function = njit(**UNSEEN)(function)
    return made


def inner(function: Function) -> Function:
    """Compile a leaf that only other kernels call."""
    made: Function = njit(**UNSEEN, **UNCOUNTED)(function)
    return made


def spliced(function: Function) -> Function:
    """Compile a leaf that has one caller: it becomes a part of it, and nothing is handed over."""
    made: Function = njit(forceinline=True, **UNSEEN, **UNCOUNTED)(function)
    return made
