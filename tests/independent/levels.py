"""Lengths, slopes, bores and cover of the legs."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely

from tests.independent.figures import BORE_OVER
from tests.independent.ground import Floats
from tests.independent.reading import number
from tests.independent.records import RECORD, Case, Finding
from tests.independent.services import along

CENTIMETRE = 0.01  # [m]
MILLIMETRE = 0.001  # [m]
SLACK = 1e-6
COVER_SLACK = 0.005  # [m] half of a printed centimetre; ground by two ways of reprojection


def ends(leg: Any) -> tuple[Floats, Floats]:
    """Plan points of a leg's upper and lower end. [m]"""
    points = np.asarray(leg.geometry.coords, float)[:, :2]
    return points[0], points[-1]


def pipe_floor(leg: Any) -> float:
    """How far the floor of the bore lies under the invert. [m]"""
    return float(leg.outside_diameter_mm - leg.inside_diameter_mm) / 2000


def bore_axis(leg: Any) -> tuple[Floats, Floats]:
    """The bore's axis at both ends: the pipe rests on the floor of its bore. [m]"""
    up, down = ends(leg)
    lift = leg.bore_diameter_mm / 2000 - pipe_floor(leg)
    return np.append(up, leg.invert_up_m + lift), np.append(down, leg.invert_down_m + lift)


def check_scale(case: Case) -> Iterator[Finding]:
    """The grid-to-ground factor is that of the CRS and of the height."""
    written = case.summary["grid_to_ground"]
    if not abs(written - case.place.k) < 1e-8:
        yield Finding("grid_to_ground", "plan", written, case.place.k, RECORD)


def check_lengths(case: Case) -> Iterator[Finding]:
    """Lengths are ground distances between the pits' points, and within their limits."""
    short, long = case.rules.number("min_leg_length_m"), case.rules.number("max_leg_length_m")
    for leg in case.legs.itertuples():
        up, down = ends(leg)
        length = float(np.hypot(*(up - down)))
        if not abs(length - leg.length_m) < MILLIMETRE:
            yield Finding("length_m", leg.leg_id, leg.length_m, length, RECORD)
        if len(leg.geometry.coords) != 2:
            yield Finding("straight", leg.leg_id, len(leg.geometry.coords), 2, RECORD)
        if length < short - MILLIMETRE:
            yield Finding("min_leg_length_m", leg.leg_id, length, short)
        if length > long + MILLIMETRE:
            yield Finding("max_leg_length_m", leg.leg_id, length, long)


def check_bored_lengths(case: Case) -> Iterator[Finding]:
    """The bored length is what of the leg lies outside its two pits."""
    for leg in case.legs.itertuples():
        pits = case.footprints[case.footprints["pit_id"].isin([leg.up_pit, leg.down_pit])]
        outside = leg.geometry.difference(shapely.union_all(pits.geometry.to_numpy())).length
        least = outside if leg.down_pit in set(pits["pit_id"]) else outside - 5.0
        if not least - CENTIMETRE <= leg.bored_length_m <= outside + CENTIMETRE:
            yield Finding("bored_length_m", leg.leg_id, leg.bored_length_m, outside, RECORD)


def check_slopes(case: Case) -> Iterator[Finding]:
    """Fall over length lies between the least slope of the size and the greatest."""
    most = case.rules.number("max_slope_pct")
    for leg in case.legs.itertuples():
        slope = 100 * (leg.invert_up_m - leg.invert_down_m) / leg.length_m
        least = case.rules.min_slope(leg.diameter_mm, leg.inside_diameter_mm)
        if slope < least - SLACK:
            yield Finding("min_slope_pct", leg.leg_id, slope, least)
        if slope > most + SLACK:
            yield Finding("max_slope_pct", leg.leg_id, slope, most)


def check_sizes(case: Case) -> Iterator[Finding]:
    """Sizes nest: inside in outside in bore, none under the smallest."""
    least = case.rules.number("min_diameter_mm")
    for leg in case.legs.itertuples():
        if leg.diameter_mm < least:
            yield Finding("min_diameter_mm", leg.leg_id, leg.diameter_mm, least)
        over = BORE_OVER.get(leg.method, float("nan"))
        bore = leg.outside_diameter_mm + over
        if not leg.inside_diameter_mm < leg.outside_diameter_mm:
            yield Finding("sizes", leg.leg_id, leg.inside_diameter_mm, "< outside", RECORD)
        if not abs(leg.bore_diameter_mm - bore) < 0.5:
            yield Finding("bore_diameter_mm", leg.leg_id, leg.bore_diameter_mm, bore, RECORD)


def check_bore_axes(case: Case) -> Iterator[Finding]:
    """The written axis of the bore is the one of a pipe that rests on its floor."""
    for leg in case.legs.itertuples():
        up, down = bore_axis(leg)
        for written, ours in ((leg.bore_axis_up_m, up[2]), (leg.bore_axis_down_m, down[2])):
            if not abs(written - ours) < MILLIMETRE:
                yield Finding("bore_axis", leg.leg_id, written, ours, RECORD)


def check_cover(case: Case) -> Iterator[Finding]:
    """Ground to the top of the bore, or of the pipe if higher, each half metre along."""
    for leg in case.legs.itertuples():
        points, cover, pipe_cover = covers(case, leg)
        if not np.isfinite(cover).all():
            yield Finding("nodata", leg.leg_id, "a station without ground", "none", RECORD)
            continue
        if not abs(cover.min() - leg.min_cover_m) < 2 * COVER_SLACK:
            yield Finding("min_cover_column", leg.leg_id, leg.min_cover_m, cover.min(), RECORD)
        required, frost = required_covers(case, leg, points)
        if (cover < required - COVER_SLACK).any():
            worst = int(np.argmin(cover - required))
            yield Finding("min_cover_m", leg.leg_id, float(cover[worst]), float(required[worst]))
        if (pipe_cover < frost - COVER_SLACK).any():
            yield Finding("frost_depth_m", leg.leg_id, float(pipe_cover.min()), float(frost.max()))


def covers(case: Case, leg: Any) -> tuple[Floats, Floats, Floats]:
    """Stations of a leg, the cover over its bore or pipe there, and over its pipe. [m]"""
    up, down = bore_axis(leg)
    points = along(np.vstack([up, down]), 0.5)
    ground = case.place.ground(points[:, 0], points[:, 1])
    bore_top = points[:, 2] + leg.bore_diameter_mm / 2000
    floor = points[:, 2] - leg.bore_diameter_mm / 2000
    pipe_top = floor + leg.outside_diameter_mm / 1000
    return points, ground - np.maximum(bore_top, pipe_top), ground - pipe_top


def required_covers(case: Case, leg: Any, points: Floats) -> tuple[Floats, Floats]:
    """Required cover and frost depth at the stations of a leg, zones included. [m]"""
    required = np.full(len(points), case.rules.required_cover(leg.bore_diameter_mm / 1000))
    frost = np.full(len(points), case.rules.number("frost_depth_m"))
    plan = shapely.points(points[:, :2])
    for _, zone in case.zones.iterrows():
        inside = shapely.intersects(zone.geometry, plan)
        required[inside] = np.maximum(required[inside], number(zone, "min_cover_m", 0.0))
        frost[inside] = np.maximum(frost[inside], number(zone, "frost_depth_m", 0.0))
    return required, frost
