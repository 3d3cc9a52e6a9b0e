"""A small site and a design drawn for it by hand, in which every rule is kept.

The ground rises 1 % to the east from 100 m at x = 0. Main Street runs east from the tie-in T at
0, 0; Cross Street crosses it at x = 100. L1 drains P1 into T, L2 drains P2 into P1; L3, C and D
come into P2 from the east, the south and the north. DN 200: inside 200 mm, outside 276 mm, bore
296 mm, so the bore's top lies 258 mm and the pipe's top 238 mm over the invert.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import planner
from planner import pipeline
from tests.builders import GROUND_CRS, ORIGIN, build_site, line, plane, point

PLACES = {
    "T": (0.0, 0.0), "P1": (80.0, 5.0), "P2": (102.0, 5.0), "P3": (140.0, 5.0),
    "PC": (105.0, -40.0), "PD": (105.0, 50.0),
}  # fmt: skip
LEGS = [  # name, upper and lower pit, inverts there
    ("L1", "P1", "T", 96.65, 96.05), ("L2", "P2", "P1", 96.90, 96.70),
    ("L3", "P3", "P2", 97.30, 96.95), ("C", "PC", "P2", 97.35, 97.00),
    ("D", "PD", "P2", 97.40, 97.00),
]  # fmt: skip
TIE_IN = {"tie_in_id": "T", "invert_elev_m": 96.0, "outlet_bearing_deg": 270.0}
STREETS = [
    line((0, 0), (100, 0), (200, 0), street="Main Street"),
    line((100, -100), (100, 0), (100, 100), street="Cross Street"),
]
HOUSES = [
    *(point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(7)),
    point(112, -35, property_id="HC"), point(88, 45, property_id="HD"),
]  # fmt: skip
SERVICES = [
    line((60, -20), (60, 20), kind="gas", depth_m=1.0, quality="A", utility_id="GAS"),
    line((0, -3.3), (200, -3.3), kind="water", depth_m=1.3, quality="A", utility_id="MAIN"),
]
Frames = dict[str, gpd.GeoDataFrame]


@dataclass(frozen=True)
class Case:
    """One thing that is wrong: how it is drawn or what the site is, and what is to be found."""

    rule: str
    subject: str
    design: Callable[[Frames], Frames] = lambda frames: frames
    site: Mapping[str, Any] = field(default_factory=dict)
    brings: tuple[str, ...] = ()  # rules that the same mistake breaks as well


def drawn_site(folder: Path, **changes: Any) -> planner.Site:
    """The site, with other layers or keys of the project file."""
    given: dict[str, Any] = {
        "ground": plane(100.0, fall_x=-0.01), "streets": STREETS, "properties": HOUSES,
        "utilities": SERVICES, "tie_ins": [point(0, 0, **TIE_IN)],
    }  # fmt: skip
    return planner.read_site(build_site(folder, **(given | changes)))


def drawn_frames() -> Frames:
    """The design: only what a design needs."""
    pits = gpd.GeoDataFrame(
        {"pit_id": list(PLACES)}, geometry=[spot(*at) for at in PLACES.values()], crs=GROUND_CRS
    )
    names = ["leg_id", "up_pit", "down_pit", "invert_up_m", "invert_down_m"]
    table = pd.DataFrame(LEGS, columns=names).assign(diameter_mm=200.0)
    lines = [shapely.LineString([spot(*PLACES[u]), spot(*PLACES[d])]) for _, u, d, *_ in LEGS]
    return {"pits": pits, "legs": gpd.GeoDataFrame(table, geometry=lines, crs=GROUND_CRS)}


def spot(x: float, y: float) -> shapely.Point:
    """A place of the site in its CRS."""
    return shapely.Point(x + ORIGIN[0], y + ORIGIN[1])


def check(site: planner.Site, frames: Frames) -> planner.Plan:
    """The design checked, without the bound of the site."""
    with without_bound():
        return planner.check_design(site, frames["pits"], frames["legs"], frames.get("connections"))


@contextmanager
def without_bound() -> Iterator[None]:
    """Leave out the search for the least cost of the site, which no finding rests on."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(pipeline, "_bound_site", lambda *_: None)
        yield


def broken(plan: planner.Plan) -> set[tuple[str, str]]:
    """Rules that are broken, and by what."""
    rows = plan.summary["breaches"]
    return {(row["rule"], row["subject"]) for row in rows if row["severity"] == "breach"}


# --- ways to change a design


def leg(name: str, **values: Any) -> Callable[[Frames], Frames]:
    """Set columns of a leg."""
    return lambda frames: _set(frames, "legs", ("leg_id", name), values)


def pit(name: str, **values: Any) -> Callable[[Frames], Frames]:
    """Set columns of a pit."""
    return lambda frames: _set(frames, "pits", ("pit_id", name), values)


def _set(frames: Frames, layer: str, which: tuple[str, str], values: dict[str, Any]) -> Frames:
    frame = frames[layer].copy()
    row = frame[which[0]] == which[1]
    for column, value in values.items():
        if column not in frame.columns:
            frame[column] = None
        frame.loc[row, column] = value
    return frames | {layer: frame}


def without(layer: str, name: str) -> Callable[[Frames], Frames]:
    """Take a row out."""
    column = {"pits": "pit_id", "legs": "leg_id"}[layer]
    return lambda frames: frames | {layer: frames[layer][frames[layer][column] != name]}


def with_pit(name: str, x: float, y: float) -> Callable[[Frames], Frames]:
    """Draw a pit more."""

    def change(frames: Frames) -> Frames:
        more = gpd.GeoDataFrame({"pit_id": [name]}, geometry=[spot(x, y)], crs=GROUND_CRS)
        return frames | {"pits": pd.concat([frames["pits"], more], ignore_index=True)}

    return change


def with_leg(name: str, up: str, down: str, levels: tuple[float, float]) -> Any:
    """Draw a leg more between two pits."""

    def change(frames: Frames) -> Frames:
        places = dict(zip(frames["pits"]["pit_id"], frames["pits"].geometry, strict=True))
        row = {
            "leg_id": [name], "up_pit": [up], "down_pit": [down], "invert_up_m": [levels[0]],
            "invert_down_m": [levels[1]], "diameter_mm": [200.0],
        }  # fmt: skip
        shape = shapely.LineString([places[up], places[down]])
        more = gpd.GeoDataFrame(row, geometry=[shape], crs=GROUND_CRS)
        return frames | {"legs": pd.concat([frames["legs"], more], ignore_index=True)}

    return change


def several(*changes: Callable[[Frames], Frames]) -> Callable[[Frames], Frames]:
    """One change after another."""

    def change(frames: Frames) -> Frames:
        for one in changes:
            frames = one(frames)
        return frames

    return change


def moved(frame: gpd.GeoDataFrame, row: int, shape: shapely.Geometry) -> gpd.GeoDataFrame:
    """A frame with another shape in a row."""
    shapes = list(frame.geometry)
    shapes[row] = shape
    return frame.set_geometry(gpd.GeoSeries(shapes, index=frame.index, crs=frame.crs))


def rules(**values: Any) -> dict[str, Any]:
    """Other figures in the project's rules."""
    return {"tables": {"rules": values}}


def tie_in(**values: Any) -> dict[str, Any]:
    """Another record of the tie-in."""
    return {"tie_ins": [point(0, 0, **(TIE_IN | values))]}
