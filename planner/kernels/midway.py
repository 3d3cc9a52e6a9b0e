"""Two legs that meet in line at a pit where nothing changes, seen as one: pairs, falls and rows."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.compiled import inner, kernel, leaf, whole
from planner.kernels.hull import lower_hull, sort_pairs

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

STRAIGHT_ON = 0.1  # [deg] a line that turns by no more is straight
TURN_GUARD = 1e-6  # [deg]
HALF = 0.5 + 1e-9  # [levels] of two levels as near, the higher one is taken
NEARLY = 1e-9  # [m] ground that differs by less is as high
ALIKE = 8  # what matters of a leg by itself is less


class Singles(NamedTuple):
    """Legs, sorted by their lower pit."""

    start: Ints  # (pits + 1,) first leg into each pit
    up: Ints  # (legs,) upper pit
    kind: Ints  # (legs,) only legs of one kind are paired; legs below 0 are not
    alike: Ints  # (legs,) what matters of a leg by itself, less than `ALIKE`
    falls: Ints  # (legs, 2) least and greatest fall [levels]


class Rows(NamedTuple):
    """Sets of rows and bands, as `planner.kernels.rows.bind_legs` gives them for legs."""

    row_start: Ints
    row_t: Floats
    row_h: Floats
    band_start: Ints
    band_low: Ints
    band_high: Ints
    band_t: Floats
    band_h: Floats


@leaf
def fall_above(share: float, fall: int) -> int:
    """Fall of the upper of two legs in line: to the level of the grid nearest to the line.

    Parameters
    ----------
    share
        Part of the whole length that the upper leg makes up.
    fall
        Fall of both. [levels]

    Examples
    --------
    >>> fall_above(0.5, 10), fall_above(0.5, 11), fall_above(0.3, 11)
    (5, 5, 3)
    """
    return math.ceil(share * fall - HALF)


@leaf
def whole_falls(share: float, high: Ints, low: Ints) -> tuple[int, int]:
    """Least and greatest fall of two legs in line that leave each of them a fall it may have.

    Parameters
    ----------
    share
        Part of the whole length that the upper leg makes up.
    high, low : (2,)
        Least and greatest fall of the upper and of the lower leg. [levels]

    Returns
    -------
    The first is greater than the second where there is none.
    """
    least = max(
        high[0] + low[0], math.floor((high[0] - 1) / share),
        math.floor((low[0] - 1) / (1.0 - share)),
    )  # fmt: skip
    most = min(
        high[1] + low[1], math.ceil((high[1] + 1) / share), math.ceil((low[1] + 1) / (1.0 - share))
    )
    while least <= most:
        above = fall_above(share, least)
        if above >= high[0] and least - above >= low[0]:
            break
        least += 1
    while most >= least:
        above = fall_above(share, most)
        if above <= high[1] and most - above <= low[1]:
            break
        most -= 1
    return least, most


@kernel
def window_falls(share: Floats, high: Ints, low: Ints) -> Ints:
    """`whole_falls` of many pairs, (pairs, 2)."""
    found = np.empty((len(share), 2), np.int64)
    for i in range(len(share)):
        found[i, 0], found[i, 1] = whole_falls(share[i], high[i], low[i])
    return found


def find_midways(legs: Singles, xy: Floats, ground: Floats, places: Ints, longest: float) -> Ints:
    """Pairs of legs that run on in line through the pit where they meet.

    A pair is left out where one leg joins its ends. Of pairs between the same two pits that are
    alike, only those are kept whose pit between is the shallowest at some fall, and those that may
    lie flatter than any of them: no other can be cheaper.

    Parameters
    ----------
    legs
        The legs.
    xy : (pits, 2)
        Where the pits are. [m]
    ground : (pits,)
        Ground. [m]
    places : (pits,)
        Pits with one number cost the same but for their depth; -1 for those not to be passed so.
    longest
        Greatest length of the two together. [m]

    Returns
    -------
    (pairs, 2)
        The upper and the lower leg, sorted by the lower pit.
    """
    x, y, length = np.empty((3, len(legs.up)))
    ways = _Ways(x, y, length, longest)
    _set_ways(legs, xy, ways)
    found, done = np.empty((0, 2), np.int64), np.zeros(2, np.int64)
    work, numbers = _work(0, len(ground)), (int(legs.kind.max(initial=0)) + 1,
                                            int(places.max(initial=0)) + 1)  # fmt: skip
    while done[0] < len(legs.start) - 1:
        room = _pairs_at_most(int(done[0]), legs)
        if room > len(work.share):
            work = _work(2 * room, len(ground))
        found = np.concatenate([found[: done[1]], np.empty((len(found) + room, 2), np.int64)])
        _find_on(done, found, legs, ways, ground, places, numbers, work)
    return found[: done[1]]


class _Ways(NamedTuple):
    """Legs' directions and lengths, and how long two together may be."""

    x: Floats
    y: Floats
    length: Floats
    longest: float


@leaf
def _set_ways(legs: Singles, xy: Floats, ways: _Ways) -> None:
    for v in range(len(legs.start) - 1):
        for leg in range(legs.start[v], legs.start[v + 1]):
            x, y = xy[v, 0] - xy[legs.up[leg], 0], xy[v, 1] - xy[legs.up[leg], 1]
            length = math.hypot(x, y)
            ways.x[leg], ways.y[leg], ways.length[leg] = x / length, y / length, length


class _Work(NamedTuple):
    """Room for work on the pairs into one pit."""

    block: Ints  # (pairs, 2)
    share: Floats
    level: Floats  # of the ground at the pit between [m]
    off: Floats  # how far from halfway the pit between is, negative
    key: Ints  # (3, pairs)
    order: Ints
    kept: Ints
    joined: Ints  # (pits,) last pit that a leg was seen to from each


def _work(pairs: int, pits: int) -> _Work:
    a, b, c = np.empty((3, pairs))
    return _Work(
        np.empty((pairs, 2), np.int64), a, b, c, np.empty((3, pairs), np.int64),
        np.empty(pairs, np.int64), np.empty(pairs, np.int64), np.full(pits, -1),
    )  # fmt: skip


def _pairs_at_most(v: int, legs: Singles) -> int:
    """How many pairs of legs there are into the pit that has most, from one on."""
    above = np.append(0, np.cumsum(np.diff(legs.start)[legs.up]))
    return int((above[legs.start[v + 1 :]] - above[legs.start[v:-1]]).max(initial=1))


@leaf
def _find_on(
    done: Ints, found: Ints, legs: Singles, ways: _Ways, ground: Floats, places: Ints,
    numbers: tuple[int, int], work: _Work,
) -> None:  # fmt: skip
    """Find the pairs into one pit after the other, while there is room for those of the next.

    ``done`` holds the pit that comes next, and the number of pairs that are found.
    """
    x, y, length = ways.x, ways.y, ways.length
    most = math.sin(math.radians(STRAIGHT_ON - TURN_GUARD))
    joined, block = work.joined, work.block
    for v in range(done[0], len(legs.start) - 1):
        n = whole(0)
        for low in range(legs.start[v], legs.start[v + 1]):
            joined[legs.up[low]] = v
        for low in range(legs.start[v], legs.start[v + 1]):
            m = legs.up[low]
            if places[m] < 0 or legs.kind[low] < 0:
                continue
            for high in range(legs.start[m], legs.start[m + 1]):
                aside = abs(x[high] * y[low] - y[high] * x[low])
                if aside > most:  # most pairs are not in line
                    continue
                if joined[legs.up[high]] == v or legs.kind[high] != legs.kind[low]:
                    continue
                if length[high] + length[low] > ways.longest:
                    continue
                if x[high] * x[low] + y[high] * y[low] < 0.0:
                    continue
                block[n, 0], block[n, 1] = high, low
                n += 1
        kept = _thin_out(n, legs, ground, places, length, numbers, work)
        if done[1] + kept > len(found):
            return
        for i in range(kept):
            found[done[1], 0], found[done[1], 1] = block[work.kept[i], 0], block[work.kept[i], 1]
            done[1] += 1
        done[0] = v + 1


@inner
def _thin_out(
    count: int, legs: Singles, ground: Floats, places: Ints, length: Floats,
    numbers: tuple[int, int], work: _Work,
) -> int:  # fmt: skip
    """Keep those pairs into one pit that can be the cheapest; returns their number."""
    share, level, key, kept = work.share, work.level, work.key, work.kept
    for i in range(count):
        high, low = work.block[i, 0], work.block[i, 1]
        share[i] = length[high] / (length[high] + length[low])
        level[i], work.off[i] = ground[legs.up[low]], -abs(share[i] - 0.5)
        key[0, i] = legs.up[high] * numbers[0] + legs.kind[high]
        alike = legs.alike[high] * ALIKE + legs.alike[low]
        key[1, i] = places[legs.up[low]] + numbers[1] * alike
        key[2, i], _ = whole_falls(share[i], legs.falls[high], legs.falls[low])
    _sort_by(key, work.off, work.order, count)
    begin, n = 0, 0
    for k in range(count):
        i = work.order[k]
        if n > begin and (key[0, i] != key[0, kept[begin]] or key[1, i] != key[1, kept[begin]]):
            begin = n
        if _can_win(share, level, kept[begin:n], i):
            kept[n] = i
            n += 1
    return n


@inner
def _comes_first(key: Ints, last: Floats, i: int, j: int) -> bool:
    """Whether i comes before j by three keys, then by a last one, then by itself."""
    for k in range(3):
        if key[k, i] != key[k, j]:
            return bool(key[k, i] < key[k, j])
    return bool(last[i] < last[j] or (last[i] == last[j] and i < j))


@inner
def _sort_by(key: Ints, last: Floats, order: Ints, n: int) -> None:
    """Set the order of n places by their keys, then by a last key, by Shell's sort."""
    for i in range(n):
        order[i] = i
    gap = n // 2
    while gap > 0:
        for i in range(gap, n):
            own, k = order[i], i - gap
            while k >= 0 and _comes_first(key, last, own, order[k]):
                order[k + gap] = order[k]
                k -= gap
            order[k + gap] = own
        gap = 1 if 1 < gap < 5 else gap * 5 // 11


@inner
def _can_win(share: Floats, level: Floats, kept: Ints, i: int) -> bool:
    """Whether a pit between lies below every line through two that are kept already."""
    for a in kept:
        if share[a] > share[i]:
            continue
        for b in kept:
            if share[b] < share[i]:
                continue
            apart = share[b] - share[a]
            part = (share[i] - share[a]) / apart if apart > 0.0 else 0.0
            if level[a] + part * (level[b] - level[a]) <= level[i] + NEARLY:
                return False
    return True


def join_rows(rows: Rows, pairs: Ints, share: Floats) -> Rows:
    """Rows of two legs in line as rows of one, the pit between being on the straight line.

    Parameters
    ----------
    rows
        Sets of rows.
    pairs : (pairs, 2)
        Those of the upper and of the lower leg.
    share : (pairs,)
        Part of the whole length that the upper leg makes up.
    """
    out = _room(rows, pairs.ravel(), len(pairs), 0)
    return _cut(out, *_join(rows, pairs, share, out))


@leaf
def _join(rows: Rows, pairs: Ints, share: Floats, out: Rows) -> tuple[int, int, int]:
    n, nb, ne = whole(0), whole(0), whole(0)
    for p in range(len(pairs)):
        begin = n
        for side in range(2):
            base, part = (0.0, share[p]) if side == 0 else (share[p], 1.0 - share[p])
            leg = pairs[p, side]
            for k in range(rows.row_start[leg], rows.row_start[leg + 1]):
                out.row_t[n], out.row_h[n] = min(1.0, base + part * rows.row_t[k]), rows.row_h[k]
                n += 1
            for band in range(rows.band_start[leg], rows.band_start[leg + 1]):
                ne = _copy_band(rows, band, base, part, out, nb, ne)
                nb += 1
        sort_pairs(out.row_t[begin:n], out.row_h[begin:n], n - begin)
        n = begin + lower_hull(out.row_t[begin:n], out.row_h[begin:n], n - begin)
        out.row_start[p + 1], out.band_start[p + 1] = n, nb
    return n, nb, ne


def floor_rows(rows: Rows, which: Ints, place: Floats, lowest: Floats) -> Rows:
    """Some sets of rows, one more than once if asked, each with a least level besides.

    Parameters
    ----------
    rows
        Sets of rows.
    which : (wanted,)
        The sets.
    place, lowest : (wanted,)
        Where along the leg, and the least invert there. [as the heights]
    """
    out = _room(rows, which, len(which), 1)
    return _cut(out, *_floor(rows, which, place, lowest, out))


@leaf
def _floor(
    rows: Rows, which: Ints, place: Floats, lowest: Floats, out: Rows
) -> tuple[int, int, int]:
    n, nb, ne = whole(0), whole(0), whole(0)
    for i in range(len(which)):
        own = which[i]
        for k in range(rows.row_start[own], rows.row_start[own + 1]):
            out.row_t[n], out.row_h[n] = rows.row_t[k], rows.row_h[k]
            n += 1
        out.band_low[nb], out.band_high[nb] = ne, ne + 1  # a band that is only passed above
        out.band_t[ne], out.band_h[ne] = 0.0, -np.inf
        out.band_t[ne + 1], out.band_h[ne + 1] = place[i], lowest[i]
        nb, ne = nb + 1, ne + 2
        out.band_low[nb] = ne
        for band in range(rows.band_start[own], rows.band_start[own + 1]):
            ne = _copy_band(rows, band, 0.0, 1.0, out, nb, ne)
            nb += 1
        out.row_start[i + 1], out.band_start[i + 1] = n, nb
    return n, nb, ne


def _room(rows: Rows, which: Ints, sets: int, more: int) -> Rows:
    """Room for so many sets made of others, and in each for so many bands of two entries more."""
    count = np.diff(rows.row_start)[which].sum()
    bands = np.diff(rows.band_start)[which].sum() + sets * more
    first, last = rows.band_start[which], rows.band_start[which + 1]
    entries = (rows.band_low[last] - rows.band_low[first]).sum() + 2 * sets * more
    return Rows(
        np.zeros(sets + 1, np.int64), np.empty(count), np.empty(count),
        np.zeros(sets + 1, np.int64), np.zeros(bands + 1, np.int64),
        np.zeros(bands + 1, np.int64), np.empty(entries), np.empty(entries),
    )  # fmt: skip


@inner
def _copy_band(rows: Rows, band: int, base: float, part: float, out: Rows, nb: int, ne: int) -> int:
    """Write a band on a part of a leg as the next one; returns where its entries end."""
    first, last = rows.band_low[band], rows.band_low[band + 1]
    out.band_low[nb], out.band_high[nb] = ne, ne + rows.band_high[band] - first
    for k in range(first, last):
        out.band_t[ne] = min(1.0, base + part * rows.band_t[k])
        out.band_h[ne] = rows.band_h[k]
        ne += 1
    out.band_low[nb + 1] = ne
    return int(ne)


def _cut(out: Rows, rows: int, bands: int, entries: int) -> Rows:
    """The rows without the room that is left over."""
    out.band_high[bands] = entries
    return Rows(
        out.row_start, out.row_t[:rows], out.row_h[:rows], out.band_start,
        out.band_low[: bands + 1], out.band_high[: bands + 1], out.band_t[:entries],
        out.band_h[:entries],
    )  # fmt: skip
