"""How legs and pits hang together: ends, outlets, sizes, turns, drops, the tie-in."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from tests.independent.ground import Floats
from tests.independent.levels import CENTIMETRE, MILLIMETRE, SLACK, ends
from tests.independent.places import legs_at, tie_in_ids
from tests.independent.reading import number, text
from tests.independent.records import RECORD, Case, Finding

TURN = 10.0  # [deg] from which a change of direction is a turn
ANGLE_SLACK = 0.01  # [deg]


def between(one: Floats, other: Floats) -> float:
    """Angle between two directions. [deg]"""
    lengths = float(np.hypot(*one) * np.hypot(*other))
    if lengths == 0:
        return 0.0
    cosine = float(one @ other) / lengths
    return float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))


def outlets(case: Case, pit_id: str) -> list[Any]:
    """Legs that leave a pit downstream."""
    return list(case.legs[case.legs["up_pit"] == pit_id].itertuples())


def inlets(case: Case, pit_id: str) -> list[Any]:
    """Legs that arrive at a pit."""
    return list(case.legs[case.legs["down_pit"] == pit_id].itertuples())


def check_ends(case: Case) -> Iterator[Finding]:
    """Legs end in the points of their pits; drives start and end in them too."""
    points = dict(zip(case.pits["pit_id"], case.pits.geometry, strict=True))
    for leg in case.legs.itertuples():
        for pit_id, point in zip((leg.up_pit, leg.down_pit), ends(leg), strict=True):
            if pit_id not in points:
                yield Finding("pit_exists", leg.leg_id, pit_id, "a pit", RECORD)
                continue
            pit = points[pit_id]
            apart = float(np.hypot(pit.x - point[0], pit.y - point[1]))
            if apart > MILLIMETRE:
                yield Finding("leg_meets_pit", leg.leg_id, apart, 0.0, RECORD)
        far = {leg.up_pit: leg.down_pit, leg.down_pit: leg.up_pit}.get(leg.launch_pit)
        if far is None:
            yield Finding("launch_pit", leg.leg_id, leg.launch_pit, "an end", RECORD)
        entry = leg.launch_pit if leg.method == "jacked" else far
        if leg.pipe_entry_pit != entry:
            yield Finding("pipe_entry_pit", leg.leg_id, leg.pipe_entry_pit, entry, RECORD)


def check_tree(case: Case) -> Iterator[Finding]:
    """One outlet a pit (two at a summit), no circle, and every pit drains to a tie-in."""
    existing = tie_in_ids(case)
    for pit in case.pits.itertuples():
        count = len(outlets(case, pit.pit_id))
        most = 2 if not inlets(case, pit.pit_id) else 1
        if pit.pit_id in existing:
            most = 0
        if count > most:
            yield Finding("one_outlet", pit.pit_id, count, most, RECORD)
        if not _drains(case, pit.pit_id, existing):
            yield Finding("reaches_tie_in", pit.pit_id, "no way", "a tie-in", RECORD)


def _drains(case: Case, pit_id: str, existing: set[str]) -> bool:
    """Whether every way downstream from a pit ends in a tie-in within as many steps as pits."""
    here = {pit_id}
    for _ in range(len(case.pits) + 1):
        here -= existing
        if not here:
            return True
        below = [[leg.down_pit for leg in outlets(case, name)] for name in sorted(here)]
        if not all(below):
            return False
        here = {name for names in below for name in names}
    return False


def check_manholes(case: Case) -> Iterator[Finding]:
    """Sizes never fall, turns and separations hold, and every inlet drops enough."""
    for pit in case.pits[case.pits["kind"] == "pit"].itertuples():
        for out in outlets(case, pit.pit_id):
            for leg in inlets(case, pit.pit_id):
                yield from _through(case, pit, leg, out)
        yield from _separation(case, pit)
        inverts = [leg.invert_up_m for leg in outlets(case, pit.pit_id)]
        if not any(abs(pit.invert_elev_m - level) < SLACK for level in inverts):
            yield Finding("invert_elev_m", pit.pit_id, pit.invert_elev_m, inverts, RECORD)


def _through(case: Case, pit: Any, leg: Any, out: Any) -> Iterator[Finding]:
    turn = between(ends(leg)[1] - ends(leg)[0], ends(out)[1] - ends(out)[0])
    if turn > case.rules.number("max_turn_deg") + ANGLE_SLACK:
        yield Finding("max_turn_deg", pit.pit_id, turn, case.rules.number("max_turn_deg"))
    if leg.diameter_mm > out.diameter_mm:
        yield Finding("diameter_mm", out.leg_id, out.diameter_mm, leg.diameter_mm)
    drop = leg.invert_down_m - out.invert_up_m
    if not pit.manhole:
        yield from _straight_on(case, pit, (leg, out), turn)
        return
    least = case.rules.drop(turns=turn > TURN + ANGLE_SLACK)
    if out.diameter_mm > leg.diameter_mm:
        least = max(least, (out.inside_diameter_mm - leg.inside_diameter_mm) / 1000)
    if drop < least - SLACK:
        yield Finding("min_manhole_drop_m", pit.pit_id, drop, least)
    most = case.rules.number("max_drop_structure_m")
    if drop > most + SLACK:
        yield Finding("max_drop_structure_m", pit.pit_id, drop, most)
    if drop > pit.drop_m + MILLIMETRE:
        yield Finding("drop_m", pit.pit_id, pit.drop_m, drop, RECORD)


def _straight_on(case: Case, pit: Any, legs: tuple[Any, Any], turn: float) -> Iterator[Finding]:
    """Nothing changes where no manhole stays: line, size, slope, and one leg in and one out."""
    leg, out = legs
    counts = len(inlets(case, pit.pit_id)), len(outlets(case, pit.pit_id))
    share = leg.length_m / (leg.length_m + out.length_m)
    line = leg.invert_up_m - share * (leg.invert_up_m - out.invert_down_m)
    sizes = leg.diameter_mm == out.diameter_mm
    if counts != (1, 1) or turn > 0.1 + ANGLE_SLACK or not sizes:
        yield Finding("manhole", pit.pit_id, (counts, turn, sizes), "straight on")
    for level in (leg.invert_down_m, out.invert_up_m):
        if abs(level - line) > case.level_step / 2 + SLACK:
            yield Finding("manhole", pit.pit_id, level, line)


def _separation(case: Case, pit: Any) -> Iterator[Finding]:
    least = case.rules.number("min_leg_separation_deg")
    centre = np.array([pit.geometry.x, pit.geometry.y])
    ways = []
    for leg in legs_at(case, pit.pit_id):
        up, down = ends(leg)
        ways.append((down if leg.up_pit == pit.pit_id else up) - centre)
    for index, way in enumerate(ways):
        for other in ways[index + 1 :]:
            if between(way, other) < least - ANGLE_SLACK:
                yield Finding("min_leg_separation_deg", pit.pit_id, between(way, other), least)


def check_spacing(case: Case) -> Iterator[Finding]:
    """From manhole to manhole it is never farther than allowed."""
    most = case.rules.number("max_manhole_spacing_m")
    manholes = set(case.pits.loc[case.pits["manhole"].astype(bool), "pit_id"])
    manholes |= tie_in_ids(case)
    for leg in case.legs.itertuples():
        if leg.up_pit not in manholes:
            continue
        length, below = leg.length_m, leg.down_pit
        while below not in manholes:
            following = outlets(case, below)
            if not following:
                break
            length, below = length + following[0].length_m, following[0].down_pit
        if length > most + MILLIMETRE:
            yield Finding("max_manhole_spacing_m", leg.leg_id, length, most)


def check_tie_ins(case: Case) -> Iterator[Finding]:
    """The last leg arrives high enough, from the right side, at a rounded-up invert."""
    for pit in case.pits[case.pits["kind"] == "tie-in"].itertuples():
        given = _given(case, pit)
        if given is None:
            yield Finding("tie_in", pit.pit_id, "nothing there", "a tie-in of the input", RECORD)
            continue
        invert = number(given, "invert_elev_m")
        rounded = pit.invert_elev_m - invert
        if not -SLACK <= rounded < case.level_step - SLACK:
            yield Finding("tie_in_invert", pit.pit_id, pit.invert_elev_m, invert, RECORD)
        for leg in inlets(case, pit.pit_id):
            yield from _arrives(case, (pit, given), leg)


def _given(case: Case, pit: Any) -> Any:
    near = case.tie_ins.geometry.distance(pit.geometry)
    return None if near.min() > CENTIMETRE else case.tie_ins.iloc[int(near.argmin())]


def _arrives(case: Case, at: tuple[Any, Any], leg: Any) -> Iterator[Finding]:
    pit, given = at
    outlet = number(given, "outlet_diameter_mm", 0.0)
    wider = max(outlet - leg.inside_diameter_mm, 0.0) / 1000
    least = pit.invert_elev_m + case.rules.drop(turns=False) + wider
    if leg.invert_down_m < least - SLACK:
        yield Finding("tie_in_drop", leg.leg_id, leg.invert_down_m, least)
    water = number(given, "high_water_elev_m")
    if leg.invert_down_m < water - SLACK:
        yield Finding("high_water_elev_m", pit.pit_id, leg.invert_down_m, water)
    bearing = np.radians(number(given, "outlet_bearing_deg"))
    if np.isfinite(bearing):
        up, down = ends(leg)
        apart = between(up - down, np.array([np.sin(bearing), np.cos(bearing)]))
        if apart < 90 - 0.5:
            yield Finding("tie_in_angle", leg.leg_id, apart, 90.0)
    if leg.launch_pit == leg.down_pit and text(given, "may_launch") not in {"True", "1", "true"}:
        yield Finding("may_launch", leg.leg_id, leg.launch_pit, leg.up_pit)
