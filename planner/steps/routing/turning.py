"""How a sewer may pass through a pit: groups of legs by direction and size, turns and drops."""

from __future__ import annotations

from collections import defaultdict
from typing import NamedTuple

import numpy as np

from planner.kernels.programme import Groups
from planner.kernels.turns import (
    bundle_groups,
    direction_keys,
    group_ranges,
    number_groups,
    pair_groups,
)
from planner.model import Floats
from planner.records import Ints
from planner.steps.routing.given import Bound, Given

SIZES = 1_000  # more sizes of pipe than any book has
NO_TURN = 360.0  # [deg] as large as no turn can be: where no bearing is given


class Grouped(NamedTuple):
    """Groups under the greatest and the least turn that a pair of groups may hold."""

    strict: Groups
    optimistic: Groups
    out: Ints  # (legs,) group that each leaves its upper pit by
    into: Ints  # (legs,) group that each arrives by


class _Sides(NamedTuple):
    """Groups that leave and that arrive, with their directions and their pipes."""

    out_start: Ints
    in_start: Ints
    in_branch: Ints
    out_range: tuple[Floats, Floats, Floats]
    in_range: tuple[Floats, Floats, Floats]
    free_out: np.ndarray  # no bearing is given
    out_pipe: Floats  # (groups, 2) nominal [mm] and inside [m]
    in_pipe: Floats


def group_legs(given: Given, bound: Bound) -> Grouped:
    """Groups of legs at every pit, and the pairs by which a sewer may pass.

    The least and greatest turn between two groups bound what their legs do; pairs of ordinary
    pits hold little between them, as legs keep to lanes.
    """
    sides, out, into = _number(given, bound)
    pair_out, pair_in, least, most = pair_groups(
        sides.out_start, sides.in_start, sides.out_range, sides.in_range
    )
    free = sides.free_out[pair_out]
    grows = sides.out_pipe[pair_out, 0] >= sides.in_pipe[pair_in, 0] - 1e-6
    sized = _size_drop(given, sides, pair_out, pair_in)
    limit = given.site.book.rules.number("max_turn_deg") + 1e-6
    made = []
    for turn in (most, least):
        keep = grows & ((turn <= limit) | free)
        drop = sized + drop_levels(given, np.where(free, NO_TURN, turn))
        made.append(bundle_groups(
            sides.out_start, sides.in_start, sides.in_branch,
            (pair_out[keep], pair_in[keep], drop[keep].astype(np.int64)),
        ))  # fmt: skip
    return Grouped(made[0], made[1], out, into)


def _number(given: Given, bound: Bound) -> tuple[_Sides, Ints, Ints]:
    """Number the groups at every pit; a tie-in is left by its outlet."""
    candidates = given.candidates
    pits = len(candidates.ground)
    starts = _azimuth(candidates.xy[bound.first_down] - candidates.xy[bound.up])
    azimuth = _azimuth(candidates.xy[bound.down] - candidates.xy[bound.last_up])
    flow = np.degrees(np.arctan2(candidates.flow[:, 1], candidates.flow[:, 0]))
    string = strings_of(given, bound)
    roots = np.flatnonzero(candidates.tie_in >= 0)
    row = candidates.tie_in[roots]
    outlet = 90.0 - given.outlets.bearing[row]
    pipes = np.array([(p.nominal, p.inside) for p in given.piping.pipes]).reshape(-1, 2)
    existing = given.outlets.diameter[row] / 1000
    leave = np.concatenate([starts, np.nan_to_num(outlet)])
    out_pit = np.concatenate([bound.up, roots])
    size = np.searchsorted(np.unique(pipes[:, 0]), pipes[bound.pipe, 0])
    key = direction_keys(leave, out_pit, flow, candidates.fine) * SIZES
    key[: len(size)] += size
    out, out_start, _ = number_groups(out_pit, np.zeros(len(out_pit), np.int64), key, pits)
    key = direction_keys(azimuth, bound.down, flow, candidates.fine) * SIZES + size
    into, in_start, in_branch = number_groups(bound.down, string, key, pits)
    free_out = np.zeros(int(out_start[-1]), bool)
    free_out[out[len(azimuth) :][np.isnan(outlet)]] = True
    out_pipe, in_pipe = np.zeros((int(out_start[-1]), 2)), np.zeros((int(in_start[-1]), 2))
    out_pipe[out[: len(azimuth)]] = pipes[bound.pipe]
    out_pipe[out[len(azimuth) :]] = np.column_stack(
        [np.full(len(roots), np.inf), np.nan_to_num(existing)]
    )
    in_pipe[into] = pipes[bound.pipe]
    sides = _Sides(
        out_start, in_start, in_branch, group_ranges(leave, out, int(out_start[-1])),
        group_ranges(azimuth, into, int(in_start[-1])), free_out, out_pipe, in_pipe,
    )  # fmt: skip
    return sides, out[: len(azimuth)], into


def _azimuth(way: Floats) -> Floats:
    """Direction of ways, anticlockwise from east. [deg]"""
    return np.asarray(np.degrees(np.arctan2(way[:, 1], way[:, 0])))


def branches_of(given: Given) -> Ints:
    """Number of each chain among the strings that arrive at its lower end."""
    seen: dict[int, int] = defaultdict(int)
    branch = []
    for chain in given.layout.chains:
        branch.append(seen[chain.down])
        seen[chain.down] += 1
    return np.array(branch, np.int64)


def strings_of(given: Given, bound: Bound) -> Ints:
    """Number of the string that each leg arrives by at its lower pit, (legs,)."""
    return np.where(given.candidates.junction[bound.down], branches_of(given)[bound.chain], 0)


def drop_levels(given: Given, turn: Floats) -> Ints:
    """Least fall through a manhole by its turn. [levels]"""
    rules, step = given.site.book.rules, given.site.project.level_step
    fall = rules.table("min_manhole_drop_m")
    straight = fall.get("straight", fall.get("*", 0.0))
    turned = fall.get("turn", fall.get("*", 0.0))
    least = np.where(turn > rules.number("min_manhole_turn_deg"), turned, straight)
    return np.ceil(least / step - 1e-6).astype(np.int64)


def _size_drop(given: Given, sides: _Sides, pair_out: Ints, pair_in: Ints) -> Ints:
    """Further fall where a larger pipe leaves, so that crowns match. [levels]"""
    more = np.maximum(0.0, sides.out_pipe[pair_out, 1] - sides.in_pipe[pair_in, 1])
    return np.asarray(np.ceil(more / given.site.project.level_step - 1e-6), np.int64)
