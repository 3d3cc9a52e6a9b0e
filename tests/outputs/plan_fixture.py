"""A small invented site and plan, built in memory: something in every layer that a map can draw."""

# ruff: noqa: E501  (a row of a table stays on one line)

from __future__ import annotations

from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from shapely import LineString, Point, Polygon, box
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from planner.model import (
    LAYER_COLUMNS,
    PLAN_COLUMNS,
    Figure,
    Figures,
    Frame,
    Ground,
    InputFile,
    LedgerEntry,
    Plan,
    Project,
    RuleBook,
    Site,
)

nan = np.nan
FOOT = 0.3048  # [m] international foot
FRAME = Frame(crs="EPSG:26915", unit=1.0, x0=424_000.0, y0=5_150_000.0, k=0.9996)
LANE = 3.5  # [m]
Row = tuple[Any, ...]


def ground_level(x: Any, y: Any) -> Any:
    """Height of the invented ground: a valley side with a swale and low knolls. [m]"""
    swale = 2.2 * np.exp(-(((y - 0.4 * x + 40) / 45) ** 2))
    knolls = 0.8 * np.sin(x / 31) * np.cos(y / 27)
    return 290 + 0.012 * x + 0.02 * y - swale + knolls


def make_ground() -> Ground:
    """Ground of 1 m cells, 560 m by 480 m around the origin."""
    columns, rows = np.arange(-200, 360) + 0.5, np.arange(-200, 280)[::-1] + 0.5
    x, y = np.meshgrid(columns, rows)
    roughness = np.random.default_rng(7).normal(0, 0.03, x.shape)
    nodes_x, nodes_y = np.meshgrid(np.arange(-200, 401, 100.0), np.arange(-200, 301, 100.0))
    return Ground(
        values=ground_level(x, y) + roughness,
        mesh_x0=-200.0,
        mesh_y0=-200.0,
        mesh_step=100.0,
        mesh_col=nodes_x + 200 - 0.5,
        mesh_row=280 - nodes_y - 0.5,
        cell=1.0,
    )


def frame_of(
    columns: tuple[str, ...], rows: list[Row], shapes: list[BaseGeometry], crs: Any = None
) -> gpd.GeoDataFrame:
    """Frame of rows whose values follow the columns."""
    table = pd.DataFrame(rows, columns=list(columns))
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(shapes, crs=crs))


def site_layer(layer: str, rows: list[Row], shapes: list[BaseGeometry]) -> gpd.GeoDataFrame:
    """Site layer in the local frame, its rows numbered from 1."""
    numbered = [(*row, number, f"{layer}.gpkg") for number, row in enumerate(rows, 1)]
    return frame_of((*LAYER_COLUMNS[layer], "row", "file"), numbered, shapes)


def plan_layer(layer: str, rows: list[Row], shapes: list[BaseGeometry]) -> gpd.GeoDataFrame:
    """Plan layer: shapes are given in the local frame and kept in the CRS of the project."""
    moved = gpd.GeoSeries(shapes).transform(lambda xy: np.column_stack(FRAME.to_crs(*xy.T)))
    return frame_of(PLAN_COLUMNS[layer], rows, list(moved), FRAME.crs)


MAIN_STREET = LineString([(-120, -20), (0, 0), (90, 15), (170, 18), (260, 10)])
SIDE_STREET = LineString([(90, 15), (84, 70), (86, 130), (60, 170)])


def make_streets() -> gpd.GeoDataFrame:
    rows: list[Row] = [
        ("Tannery Road", 4, LANE, 22.0, 2.2, 2.2, 1.8, 60.0, False, "arterial", 9_000.0, True, "", "allowed"),
        ("Wren Lane", 2, LANE, 14.0, 0.0, 2.0, 1.5, 40.0, False, "local", np.nan, False, "2028-06-30", "allowed"),
    ]  # fmt: skip
    return site_layer("streets", rows, [MAIN_STREET, SIDE_STREET])


def make_utilities() -> gpd.GeoDataFrame:
    kinds = "water gas electric telecom sewer storm reclaimed steam oil unknown".split()
    rows: list[Row] = []
    shapes: list[BaseGeometry] = []
    for place, kind in enumerate(kinds):
        offset = (-6.4, -4.6, 5.2, 6.6, -1.2, 2.4, -7.6, 7.6, -8.6, 8.6)[place]
        quality, status = "BDCABBCDAD"[place], "abandoned" if kind in ("oil", "steam") else "live"
        rows.append((f"{kind[0].upper()}{100 + place}", kind, "Town works", "steel", "round", 0.2 + 0.03 * place, np.nan, np.nan, 1.2, kind in ("gas", "unknown"), kind == "telecom", quality, status))  # fmt: skip
        shapes.append(MAIN_STREET.offset_curve(offset))
    rows.append(("W7", "water", "Town works", "PVC", "round", 0.15, np.nan, np.nan, 1.4, True, False, "D", "live"))  # fmt: skip
    shapes.append(SIDE_STREET.offset_curve(2.4))
    rows.append(("E9", "electric", "Grid", "duct bank", "box", 0.9, 0.9, 0.6, np.nan, False, False, "C", "live"))  # fmt: skip
    shapes.append(LineString([(40, -30, 289.4), (46, 45, 289.9)]))
    rows.append(("V1", "water", "Town works", "valve", "round", 0.3, np.nan, np.nan, 1.0, False, True, "B", "live"))  # fmt: skip
    shapes.append(Point(30, 12))
    return site_layer("utilities", rows, shapes)


def make_properties() -> gpd.GeoDataFrame:
    rows: list[Row] = []
    shapes: list[BaseGeometry] = []
    for number in range(14):
        along, side = MAIN_STREET.interpolate(40 + 26 * number), -1 if number % 2 else 1
        house = box(-7, -5, 7, 5) if number % 3 else box(-6, -6, 9, 5)
        home = translate(
            rotate(house, 8, origin=(0, 0)), along.x, along.y + side * (27 + number % 4)
        )
        rows.append(
            (f"H{number + 1}", 2.5, np.nan, np.nan if number % 2 else 289.0, bool(number % 2), "")
        )
        shapes.append(Point(home.centroid) if number in (4, 9) else home)
    return site_layer("properties", rows, shapes)


def make_site(units: str = "us") -> Site:
    """Site of two streets with every kind of service, shown in feet or in metres."""
    step = 0.01 * FOOT if units == "us" else 0.01
    source = "common practice, no source"
    rules = Figures(
        {"min_cover_m": Figure(1.2, "m", source), "max_slope_pct": Figure(20, "%", source)}
    )
    empty = Figures({})
    return Site(
        project=Project("Alder Bluff extension", units, "NAVD88", FOOT, step, agency="Alder Bluff", date="2026-11-25"),
        frame=FRAME,
        ground=make_ground(),
        book=RuleBook("us-ten-states", rules, empty, empty, empty, empty),
        streets=make_streets(),
        right_of_way=site_layer("right_of_way", [], []),
        utilities=make_utilities(),
        properties=make_properties(),
        tie_ins=site_layer("tie_ins", [("MH 12", 286.2, 289.4, 300.0, 200.0, 1.2, nan, nan, False)], [Point(-104, -17)]),
        keep_out=site_layer("keep_out", [("resurfaced 2025", "pits", "2030-01-01")], [box(180, 4, 230, 24)]),
        street_features=site_layer(
            "street_features",
            [("hydrant", "HY 3", 3.0), ("tree", "linden", 2.0), ("tree", "linden", 2.0), ("bus_stop", "Wren Lane", 15.0), ("driveway", "No. 8", 1.0), ("school", "Infant school", 30.0)],
            [Point(12, 13), Point(30, -11), Point(44, -8), Point(120, 31), box(58, 19, 62, 26), box(100, 90, 135, 120)],
        ),
        boreholes=site_layer("boreholes", [("B1", 0.0, 1.5, "SM", 8.0, 3.1), ("B1", 1.5, 6.0, "CL", 14.0, 3.1)], [Point(66, 2), Point(66, 2)]),
        zones=site_layer("zones", [("bridge foot", 1.8, nan, True, "09:00-15:00", "")], [box(-90, -40, -40, 10)]),
        control=site_layer("control", [("BM 1", 291.23)], [Point(130, 2)]),
        ledger=(
            LedgerEntry("utilities", "assumed", (2, 10, 11), "no level given: the default depth of the kind is taken", "depth_m", "utilities.gpkg"),
            LedgerEntry("utilities", "doubt", (7,), "invert 9999 is no elevation and counts as absent", "invert_elev_m", "utilities.gpkg"),
            LedgerEntry("streets", "repaired", (2,), "met Tannery Road 4 mm short of it and was moved", "", "streets.gpkg"),
            LedgerEntry("properties", "refused", (15,), "has no geometry", "", "properties.gpkg"),
        ),
        inputs=(InputFile("streets.gpkg", "0" * 64, 2, "streets"),),
        row_counts={"streets": {"read": 2, "used": 2, "repaired": 1, "refused": 0, "ignored": 0}},
    )  # fmt: skip


PIT_PLACES = {"P1": (-40.0, -6.6), "P2": (30.0, 5.0), "P3": (90.0, 13.2), "P4": (85.0, 74.0)}
SEWER = [("L1", "P1", "MH 12"), ("L2", "P2", "P1"), ("L3", "P3", "P2"), ("L4", "P4", "P3")]


def make_pits() -> gpd.GeoDataFrame:
    rows: list[Row] = [("MH 12", "tie-in", "Tannery Road", 289.4, 286.2, 286.2, 3.2, 0, 1, True, 1.2, nan, 0, nan, "given", nan)]  # fmt: skip
    shapes: list[BaseGeometry] = [Point(-104, -17)]
    for number, (pit_id, place) in enumerate(PIT_PLACES.items()):
        invert, launches = 286.4 + 0.35 * number, (2, 0, 2, 0)[number]
        level = float(ground_level(*place))
        rows.append((pit_id, "pit", "Wren Lane" if pit_id == "P4" else "Tannery Road", level, invert, invert - 0.5, level - invert + 0.5, launches, 2 - launches, True, 1.2, 0.03, 1, 6.0, "the cover over L2", 21_500.0))  # fmt: skip
        shapes.append(Point(place))
    return plan_layer("pits", rows, shapes)


def make_legs() -> gpd.GeoDataFrame:
    places = {**PIT_PLACES, "MH 12": (-104.0, -17.0)}
    rows: list[Row] = []
    shapes: list[BaseGeometry] = []
    for number, (leg_id, up, down) in enumerate(SEWER):
        line = LineString([places[up], places[down]])
        fall = round(0.0052 * line.length / (0.01 * FOOT)) * 0.01 * FOOT
        low = 286.24 + 0.35 * number
        launch = up if up in ("P1", "P3") else down
        rows.append((leg_id, up, down, "A", 60.0 * number, 60.0 * number + line.length, "Tannery Road", line.length, line.length - 3.4, fall, 100 * fall / line.length, low + fall, low, 200.0, 203.0, 225.0, 245.0, low + fall + 0.1, low + 0.1, "vitrified clay", 1.9, 1.4, 22.1, 0.41, 0.71, 0.18, launch, launch, "jacked", 300.0, "the slope limit", 31_000.0))  # fmt: skip
        shapes.append(line)
    return plan_layer("legs", rows, shapes)


def make_connections(site: Site) -> gpd.GeoDataFrame:
    rows: list[Row] = []
    shapes: list[BaseGeometry] = []
    sewer = {
        leg: LineString([PIT_PLACES[up], PIT_PLACES.get(down, (-104.0, -17.0))])
        for leg, up, down in SEWER
    }
    for number, (name, home) in enumerate(
        zip(site.properties.property_id, site.properties.geometry, strict=True)
    ):
        start = home.representative_point()
        leg = min(sewer, key=lambda key: sewer[key].distance(start))
        end = sewer[leg].interpolate(sewer[leg].project(start))
        served = number < 10
        why = "" if served else "floor too low by 1.32 m for the sewer in Tannery Road"
        rows.append((f"C{number + 1}", name, leg, "bored from pit", start.distance(end), 2.1, 150.0, 288.1, 287.2, 2.9, 0.0, 1.44, 1, 1_716.0, served, why, 4_200.0))  # fmt: skip
        shapes.append(LineString([start, end]))
    return plan_layer("connections", rows, shapes)


def make_findings() -> dict[str, gpd.GeoDataFrame]:
    conflicts: list[Row] = [
        ("K1", "L2", "E103", "electric", "Grid", "C", "clearance_m", "3d", 44.0, -0.04, 0.9, "clash", 0.31, "lower L2", "open"),
        ("K2", "L3", "S104", "sewer", "Town works", "B", "clearance_m", "3d", 21.0, 0.42, 0.6, "tight", 0.06, "test hole", "open"),
        ("K3", "P4", "W7", "water", "Town works", "D", "pit_clearance_m", "horizontal", nan, 0.8, 0.6, "unproven", 0.09, "test hole", "open"),
    ]  # fmt: skip
    holes: list[Row] = [
        ("T1", "E103", "L2", 1, True, 4.1, 288.9, "a crossing with less than 0.6 m", 1_800.0),
        ("T2", "W7", "P4", 2, False, 1.3, 289.2, "its depth is assumed", 1_800.0),
    ]
    places = [Point(43, 7), Point(60, 9), Point(87.5, 74)]
    register: Row = (1.2, "records alone", "what passes", "shift it", "", nan, "", "")
    rows = [(*row, *register) for row in conflicts]
    gone = (*rows[0], "the service is no longer in the records", "K2")
    return {
        "conflicts": plan_layer("conflicts", rows, list(places)),
        "superseded": plan_layer("superseded", [("K0", *gone[1:])], [Point(20, 5)]),
        "no_pits": plan_layer(
            "no_pits",
            [("Tannery Road", 2.0, 8.0, 1.75, "too near to a tree", "Elm")],
            [LineString([(30, 6), (36, 7)])],
        ),
        "test_holes": plan_layer("test_holes", holes, [Point(44, 10), Point(88, 79)]),
    }


def make_work_zone() -> dict[str, gpd.GeoDataFrame]:
    footprints: list[Row] = []
    shapes: list[BaseGeometry] = []
    for pit_id, place in PIT_PLACES.items():
        launch = pit_id in ("P1", "P3")
        length, width = (4.3, 2.7) if launch else (2.7, 2.7)
        shape = rotate(box(-length / 2, -width / 2, length / 2, width / 2), 9, origin=(0, 0))
        footprints.append((pit_id, length, width, 3.4, "slide rail", length * width * 3.4))
        shapes.append(translate(shape, *place))
    areas = ("advance warning", "taper", "buffer", "work space", "downstream taper")
    closures: list[Row] = [
        ("Z1", "P2", "Tannery Road", 1, "merge", "with", area, "work hours", 3.2, 4, 9) for area in areas
    ]  # fmt: skip
    lane = MAIN_STREET.offset_curve(-1.8)
    strips: list[BaseGeometry] = []
    for start, end in ((60, 95), (95, 125), (125, 140), (140, 165), (165, 175)):
        piece = LineString([lane.interpolate(at) for at in np.linspace(start, end, 12)])
        strips.append(piece.buffer(1.7, cap_style="flat"))
    strips[1] = Polygon(
        [*list(strips[1].exterior.coords)[:1], *list(strips[1].exterior.coords)[6:-1]]
    )
    plant = rotate(box(20, 6.5, 52, 9.5), 9, origin=(30, 5))
    return {
        "pit_footprints": plan_layer("pit_footprints", footprints, shapes),
        "equipment": plan_layer("equipment", [("L2", "P2", "plant lane")], [plant]),
        "lane_closures": plan_layer("lane_closures", closures, strips),
    }


SUMMARY: dict[str, Any] = {
    "pitline": "0.1.0",
    "project": "Alder Bluff extension",
    "status": "breaks rules",
    "grid_to_ground": 0.9996,
    "totals": {
        "legs": 4, "length_m": 264.5, "pits": 4, "properties": 14, "served": 10, "cost": 431_250,
        "social_cost": 52_000, "currency": "USD", "working_days": 31,
    },
    "cost_breakdown": {"pits": 86_000, "legs": 124_000, "manholes": 31_000, "connections": 42_000,
                       "restoration": 28_000, "ground_and_water": 9_000, "traffic": 21_000,
                       "test_holes": 3_600, "mobilisation": 25_000, "contingency": 61_650},
    "optimality": None,
    "breaches": [
        {"rule": "clearance_m", "subject": "L2", "value": -0.04, "limit": 0.9, "unit": "m", "severity": "breach", "source": "common practice, no source"},
        {"rule": "bored_slope_margin_pct", "subject": "L3", "value": 0.05, "limit": 0.1, "unit": "%", "severity": "advice", "source": "common practice, no source"},
    ],
    "assumptions": [{"layer": "utilities", "rows": 3, "what": "no level given: the default depth of the kind is taken"}],
    "rules": {"min_cover_m": {"value": 1.2, "unit": "m", "source": "common practice, no source"},
              "min_slope_pct": {"value": {"200": 0.4, "250": 0.28}, "unit": "%", "source": "common practice, no source"}},
    "costs": {"leg_p": {"value": 420, "unit": "USD/m", "source": "common practice, no source"}},
    "inputs": [{"path": "streets.gpkg", "sha256": "0" * 64, "rows": 2}],
    "timings_s": {"read": 0.2},
}  # fmt: skip


def make_fixture_plan(units: str = "us") -> Plan:
    """Plan of four legs, with at least one row in every layer."""
    site = make_site(units)
    return Plan(
        site=site,
        pits=make_pits(),
        legs=make_legs(),
        connections=make_connections(site),
        **make_findings(),
        **make_work_zone(),
        summary=SUMMARY,
    )


CODES = {
    "utilities": ("kind", "quality", "status", "shape"), "pits": ("kind",),
    "street_features": ("kind",), "conflicts": ("severity",), "lane_closures": ("area",),
}  # fmt: skip
"""Columns of words that reading admits from a list only; every other text is free."""


def with_text(plan: Plan, text: str) -> Plan:
    """Plan whose every free text, in every layer of plan and site, ledger and summary, is given."""
    layers = {name: spoil_text(name, getattr(plan, name), text) for name in PLAN_COLUMNS}
    site_layers = {name: spoil_text(name, getattr(plan.site, name), text) for name in LAYER_COLUMNS}
    ledger = tuple(replace(entry, what=text, column=text) for entry in plan.site.ledger)
    project = replace(
        plan.site.project, name=text, agency=text, vertical_datum=text, date=text, designer=text
    )
    site = replace(plan.site, ledger=ledger, project=project, **site_layers)
    breaches = [{**breach, "rule": text, "subject": text} for breach in plan.summary["breaches"]]
    summary = {**plan.summary, "project": text, "breaches": breaches}
    return replace(plan, site=site, summary=summary, **layers)


def spoil_text(layer: str, frame: gpd.GeoDataFrame, text: str) -> gpd.GeoDataFrame:
    """Frame whose text columns all hold the given text; codes, numbers and marks stay."""
    spoiled = frame.copy()
    for column in frame.columns.drop(["geometry", "row", "file"], errors="ignore"):
        if is_text(frame[column]) and column not in CODES.get(layer, ()):
            spoiled[column] = text
    return spoiled


def is_text(column: pd.Series[Any]) -> bool:
    """Whether every value of a column is text."""
    return bool(len(column)) and all(isinstance(value, str) for value in column)
