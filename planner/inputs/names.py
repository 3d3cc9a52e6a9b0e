"""Gives each row a name of its own where the file does not."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from planner.inputs.ledger import Ledger
from planner.inputs.vector import Layer, Objects


def unique_names(
    layers: Sequence[Layer], names: Sequence[Objects], column: str, ledger: Ledger
) -> list[Objects]:
    """Names of rows, those missing or doubled replaced by ``file:row``.

    Every row that shares its name is renamed, so that the order of rows does not matter; parts of
    one row keep one name.
    """
    every = np.concatenate([*names, np.empty(0, object)])
    place = np.repeat(np.arange(len(layers)), [len(layer) for layer in layers])
    rows = np.concatenate([*(layer.row for layer in layers), np.empty(0, int)])
    code = pd.factorize(every)[0]
    holders = pd.DataFrame({"code": code, "place": place, "row": rows}).drop_duplicates()
    shared_by = np.bincount(holders["code"], minlength=1)[code]
    doubled = np.split(shared_by > 1, np.cumsum([len(layer) for layer in layers])[:-1])
    renamed = []
    for layer, own, shared_name in zip(layers, names, doubled, strict=False):
        missing = np.equal(own, "").astype(bool)
        shared = shared_name & ~missing
        new = own.copy()
        for i in np.flatnonzero(missing | shared):
            new[i] = f"{layer.source.file}:{layer.row[i]}"
        for which, fault in ((missing, "missing"), (shared, "doubled")):
            if which.any():
                what = f"{column} is {fault}: file:row is taken"
                ledger.note(layer.source, "assumed", layer.row[which], what, column)
        renamed.append(new)
    return renamed
