"""A flat place with a few services, for the tests of clearances."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import numpy as np
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from planner.model import FOOT, LAYER_COLUMNS, Floats, Frame, Ground, Project, Site
from planner.rules import load_book
from planner.steps.clearances import Connections, Legs, Pits

SIZE = 400.0  # [m] side of the place; its middle is the origin


def plane(level: float = 100.0, rise_east: float = 0.0) -> Ground:
    """A plane on cells of 1 m."""
    ends = np.array([-SIZE / 2, SIZE / 2])
    east = np.arange(-SIZE / 2, SIZE / 2 + 1)
    return Ground(
        values=np.tile(level + rise_east * east, (len(east), 1)),
        mesh_x0=-SIZE / 2, mesh_y0=-SIZE / 2, mesh_step=SIZE,
        mesh_col=np.array([[0.0, SIZE], [0.0, SIZE]]),
        mesh_row=np.array([[SIZE, SIZE], [0.0, 0.0]]) + 0 * ends,
        cell=1.0,
    )  # fmt: skip


def service(geometry: BaseGeometry, **given: Any) -> dict[str, Any]:
    """One row of utilities: a live pipe of 0.2 m, its place known by quality A."""
    usual: dict[str, Any] = {
        "utility_id": "W1", "kind": "telecom", "owner": "", "material": "", "shape": "round",
        "outside_diameter_m": 0.2, "width_m": np.nan, "height_m": np.nan, "depth_m": np.nan,
        "level_assumed": False, "diameter_assumed": False, "quality": "A", "status": "live",
    }  # fmt: skip
    return usual | given | {"geometry": geometry}


def crossing(x: float, top: float, **given: Any) -> dict[str, Any]:
    """A service due north over the x axis, its outside top at a level."""
    return service(LineString([(x, -50, top), (x, 50, top)]), **given)


def site_of(
    services: list[dict[str, Any]],
    *,
    ground: Ground | None = None,
    tie_in: Mapping[str, Any] | None = None,
    rules: Mapping[str, Any] | None = None,
) -> Site:
    """A site that has services, one tie-in at most, and nothing else."""
    rows = [tie_in] if tie_in else []
    frames = {name: _layer(name, []) for name in LAYER_COLUMNS}
    frames["utilities"] = _layer("utilities", services)
    frames["tie_ins"] = _layer("tie_ins", rows)
    return Site(
        project=Project("test", "metric", "datum", FOOT, 0.01),
        frame=Frame(None, 1.0, 0.0, 0.0, 1.0),
        ground=ground or plane(),
        book=load_book("us-ten-states", {"rules": dict(rules or {})}),
        **frames,
    )


def _layer(name: str, rows: list[Any]) -> gpd.GeoDataFrame:
    columns = {column: [row.get(column, np.nan) for row in rows] for column in LAYER_COLUMNS[name]}
    return gpd.GeoDataFrame(columns, geometry=[row["geometry"] for row in rows])


def one_leg(
    down: tuple[float, float, float] = (0, 0, 97.0),
    up: tuple[float, float, float] = (90, 0, 97.0),
    *,
    rated: bool = True,
    tie_in: int = -1,
) -> Legs:
    """A leg of a bore of 0.3 m with a pipe of 0.2 m on its floor."""
    return legs_of([("L1", down, up)], rated=rated, tie_in=tie_in)


def legs_of(rows: list[Any], *, rated: bool = True, tie_in: int = -1) -> Legs:
    """Legs of name, downstream end and upstream end of the bore's axis."""
    count = len(rows)
    return Legs(
        leg_id=np.array([row[0] for row in rows], object),
        down=_points([row[1] for row in rows]),
        up=_points([row[2] for row in rows]),
        bore_diameter=np.full(count, 0.3),
        outside_diameter=np.full(count, 0.2),
        pressure_rated=np.full(count, rated),
        tie_in=np.full(count, tie_in),
    )


def one_pit(footprint: Polygon | None = None, floor: float = 96.5) -> Pits:
    """A pit of 3 m by 3 m around the origin."""
    ring = np.empty(1, object)
    ring[0] = footprint or box(-1.5, -1.5, 1.5, 1.5)
    return Pits(np.array(["P1"], object), ring, np.array([floor]), np.array([-1]))


def no_pits() -> Pits:
    """No pit at all."""
    return Pits(np.empty(0, object), np.empty(0, object), np.empty(0), np.empty(0, np.int64))


def connections_of(rows: list[Any] | None = None, *, rated: bool = True) -> Connections:
    """Connections of name, end at the sewer and end at the property; pipes of 0.15 m."""
    rows = rows or []
    return Connections(
        connection_id=np.array([row[0] for row in rows], object),
        sewer=_points([row[1] for row in rows]),
        property=_points([row[2] for row in rows]),
        outside_diameter=np.full(len(rows), 0.15),
        pressure_rated=np.full(len(rows), rated),
    )


def manhole(x: float = 0.0, y: float = 0.0) -> dict[str, Any]:
    """A tie-in with a manhole of 1.2 m."""
    return {"tie_in_id": "T1", "manhole_diameter_m": 1.2, "geometry": Point(x, y)}


def _points(rows: list[Any]) -> Floats:
    return np.array(rows, float).reshape(-1, 3)
