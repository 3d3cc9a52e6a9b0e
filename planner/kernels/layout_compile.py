"""Compiles the layout's innermost functions, which allocate nothing, without counting references.

Numba counts references to every array that a function touches, which takes many times longer than
the arithmetic here. The option that leaves this out is not in its manual; where a version does not
know it, the same code runs with the counting, only slower.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit

Function = TypeVar("Function", bound=Callable[..., Any])
ANY_OPTION: Any = njit  # its hints leave out what its manual does


def compile_bare(function: Function) -> Function:
    """Compile a function that makes no array, list or text.

    Parameters
    ----------
    function
        The function.
    """
    try:
        compiled = ANY_OPTION(cache=True, nogil=True, _nrt=False)(function)
    except (KeyError, TypeError):
        compiled = ANY_OPTION(cache=True, nogil=True)(function)
    return cast("Function", compiled)
