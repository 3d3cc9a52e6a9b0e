"""Remembers what was computed of a chain's legs, for the next choice of streets that has it too."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import numpy as np

Made = TypeVar("Made")
MOST = 600  # results kept; the oldest go first


class Memo:
    """Results by what they were computed from: numbers, arrays and tuples of them."""

    def __init__(self) -> None:
        self._kept: dict[bytes, Any] = {}

    def of(self, given: tuple[Any, ...], make: Callable[[], Made]) -> Made:
        """The result for what is given, made if it is not there yet."""
        digest = hashlib.blake2b(digest_size=16)
        for part in _flat(given):
            digest.update(part)
        key = digest.digest()
        if key not in self._kept:
            while len(self._kept) >= MOST:
                del self._kept[next(iter(self._kept))]
            self._kept[key] = make()
        found: Made = self._kept[key]
        return found


def _flat(value: Any) -> Iterator[bytes]:
    """Bytes of a value, its kind and shape included."""
    if isinstance(value, np.ndarray):
        yield f"{value.dtype.str}{value.shape}".encode()
        yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, tuple):
        yield f"({len(value)}".encode()
        for part in value:
            yield from _flat(part)
    else:
        yield f"{type(value).__name__}{value!r};".encode()
