"""What binds the levels of legs that could be: cover, services, houses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from planner.kernels.midway import Rows, floor_rows, join_rows
from planner.kernels.rows import Bore, Houses, LegEnds, bind_legs
from planner.model import Site
from planner.records import Bools, ChainPipe, Ints
from planner.steps.routing.chords import leg_ends, served_houses
from planner.steps.routing.given import ROUNDS, Bound, Given
from planner.steps.routing.stacking import join_rows_of, tighten

FEW = 50  # legs: fewer are bound again faster than they are looked up


def bind_rows(given: Given, served: Bools, bound: Bound) -> Bound:
    """The same legs with the rows that bind them.

    Parameters
    ----------
    given, served
        What they were laid by.
    bound
        Legs of one drive and doubles, with or without rows.
    """
    rows, row_of = _rows_of_singles(given, served, bound)
    doubles, singles = bound.doubles, len(rows.row_start) - 1
    if not len(doubles.between):
        return replace(bound, rows=rows, row_of=row_of)
    there = np.zeros(int(doubles.pair.max()) + 1, bool)
    there[doubles.pair] = True
    pair = (np.cumsum(there) - 1)[doubles.pair]
    parts = np.empty((pair.max() + 1, 2), np.int64)
    parts[pair] = doubles.parts
    length = bound.length[parts]
    share = length[:, 0] / length.sum(axis=1)
    joined = join_rows(rows, row_of[parts], share)
    floored = np.flatnonzero(doubles.lowest > -np.inf)
    which, step = pair[floored], given.site.project.level_step
    floors = floor_rows(joined, which, share[which], doubles.lowest[floored] / step)
    own = singles + pair
    own[floored] = singles + len(parts) + np.arange(len(floored))
    joined = join_rows_of([joined, floors])
    return replace(
        bound, row_of=np.concatenate([row_of, own]),
        rows=join_rows_of([rows, tighten(joined, ROUNDS), tighten(joined, -ROUNDS)]),
        doubles=doubles._replace(looser=own + len(joined.row_start) - 1),
    )  # fmt: skip


def _rows_of_singles(given: Given, served: Bools, bound: Bound) -> tuple[Rows, Ints]:
    """Rows of the legs of one drive, and which set each of them has: chain by chain and size."""
    single, pipes = slice(bound.singles), len(given.piping.pipes)
    of = bound.chain[single] * pipes + bound.pipe[single]
    order = np.argsort(of, kind="stable")
    row_of = np.empty(len(of), np.int64)
    row_of[order] = np.arange(len(of))
    of, parts = of[order], []
    starts = np.flatnonzero(np.diff(of, prepend=-1))
    for begin, end in zip(starts.tolist(), [*starts[1:].tolist(), len(of)], strict=True):
        number, pipe = divmod(int(of[begin]), pipes)
        own = order[begin:end]
        ends = leg_ends(given, number, bound.up[own], bound.down[own])
        parts.append(bind_ends(
            given, (number, pipe), ends, served_houses(given, number, served)
        ))  # fmt: skip
    return join_rows_of(parts), row_of


def bind_ends(given: Given, pipe: tuple[int, int], ends: LegEnds, houses: Houses) -> Rows:
    """Rows of legs of a chain and a pipe. [levels]"""
    around = given.obstructions
    bore, step = bore_of(given.site, given.piping.pipes[pipe[1]]), given.site.project.level_step
    asked = ends, bore, around.runs, around.zones, houses, around.water, step

    def bind() -> Rows:
        return Rows(*bind_legs(
            ends, around.ground, bore, around.runs, around.zones, houses, around.water, step
        ))  # fmt: skip

    return bind() if len(ends.length) < FEW else given.memo.of(("rows", *asked), bind)


def bore_of(site: Site, pipe: ChainPipe) -> Bore:
    """Measures of a pipe in its bore, and what covers it."""
    rules = site.book.rules
    cover = max(rules.number("min_cover_m"), rules.number("min_cover_bore_diameters") * pipe.bore)
    deepest = rules.optional("max_leg_depth_m")
    return Bore(
        pipe.inside, pipe.outside, pipe.bore, cover, rules.number("frost_depth_m"),
        np.inf if deepest is None else deepest, rules.number("max_slope_pct") / 100,
    )  # fmt: skip
