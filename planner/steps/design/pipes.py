"""Pipes of a drawn design: the sizes that are given, and the planner's choice for the rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.model import RuleBook
from planner.records import ChainPipe
from planner.rules import PipeSize, pipe_sizes
from planner.rules.pipes import METHOD_SERIES, pipe_table
from planner.steps.design.network import Fault
from planner.steps.design.rows import Rows

SAME_SIZE = 0.06  # of a nominal size: 203 mm is 200, as 8 in is
MEASURES = ("inside_diameter_mm", "outside_diameter_mm", "bore_diameter_mm")


def choose_pipes(
    book: RuleBook, legs: Rows
) -> tuple[tuple[ChainPipe, ...], list[str], list[Fault]]:
    """The pipe of each leg in its bore, what had to be assumed, and sizes that are too small.

    A size that is not sold takes the pipe of the nearest one.
    """
    methods, assumed = _methods(book, legs)
    names, least = legs.names("leg_id"), book.rules.number("min_diameter_mm")
    pipes, odd, small = [], [], []
    for i, (method, size) in enumerate(
        zip(methods, legs.numbers("diameter_mm").tolist(), strict=True)
    ):
        sold = _nearest(book, method, size)
        if abs(sold.nominal_mm - size) > SAME_SIZE * size:
            odd.append(f"{names[i]} ({size:g} mm, laid as {sold.nominal_mm:g} mm)")
            if size < least <= sold.nominal_mm:
                small.append(Fault("min_diameter_mm", names[i], size, least))
        pipes.append(_given(legs, i, _in_bore(book, sold)))
    if odd:
        assumed.append(f"{', '.join(odd)}: no such size is sold; the nearest is taken")
    bare = [c for c in ("inside", "outside") if f"{c}_diameter_mm" not in legs.table.columns]
    if bare and len(legs):
        assumed.append(
            f"{len(legs)} legs: {' and '.join(bare)} diameter of the pipe that the planner would "
            "buy in that size"
        )
    return tuple(pipes), assumed, small


def _methods(book: RuleBook, legs: Rows) -> tuple[list[str], list[str]]:
    own = book.equipment.text("method")
    given = legs.words("method")
    unknown = sorted({word for word in given if word and word not in METHOD_SERIES})
    assumed = [f"method {word!r} is not known: {own} is taken" for word in unknown]
    if not all(given) and len(legs):
        assumed.append(f"{given.count('')} legs: {own}")
    return [word if word in METHOD_SERIES else own for word in given], assumed


def _nearest(book: RuleBook, method: str, nominal: float) -> PipeSize:
    """The size to be bought; of a smaller one than the rules allow, what its series sells."""
    usable = [size for size in pipe_sizes(book) if size.method == method]
    smallest = min((size.nominal_mm for size in usable), default=np.inf)
    if nominal < smallest * (1 - SAME_SIZE):
        series = book.equipment.text(METHOD_SERIES[method])
        sold = [s for s in pipe_table() if (s.series, s.method) == (series, method)]
        usable += [size for size in sold if size.nominal_mm < smallest]
    return min(usable, key=lambda s: (abs(s.nominal_mm - nominal), s.nominal_mm))


def _in_bore(book: RuleBook, size: PipeSize) -> ChainPipe:
    oversize = book.equipment.entry("bore_oversize_mm", size.method) / 1000
    return ChainPipe(size.nominal_mm, size.inside_m, size.outside_m,
                     size.outside_m + oversize, size.material, size.method, 0.0, 0.0)  # fmt: skip


def _given(legs: Rows, leg: int, pipe: ChainPipe) -> ChainPipe:
    """The pipe with those measures that the design states; the bore follows the outside."""
    inside, outside, bore = (float(legs.numbers(column)[leg]) / 1000 for column in MEASURES)
    outside = outside if outside > 0 else pipe.outside
    return replace(
        pipe, inside=inside if inside > 0 else pipe.inside, outside=outside,
        bore=bore if bore > 0 else outside + pipe.bore - pipe.outside,
        material=legs.words("material")[leg] or pipe.material,
    )  # fmt: skip
