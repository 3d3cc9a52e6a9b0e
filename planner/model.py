"""The nouns: what a site is, and what a plan is.

Everything inside is SI. Geometry of a `Site` is in its local frame: metres on the ground,
east and north of a local origin. Geometry of a `Plan` is in the project's CRS again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Value = float | int | str | bool | dict[str, float] | None

FOOT = 0.3048  # [m] international foot, by definition
US_SURVEY_FOOT = 1200 / 3937  # [m] US survey foot, by definition
EARTH_RADIUS = 6_371_000.0  # [m] mean radius, as the grid-to-ground factor uses it


class Figure(NamedTuple):
    """One limit, price or machine figure: its value, unit and source."""

    value: Value
    unit: str
    source: str


class Figures(Mapping[str, Figure]):
    """Named figures, read by name; numbers and tables have a reader of their own."""

    def __init__(self, figures: Mapping[str, Figure]) -> None:
        self._figures = dict(figures)

    def __getitem__(self, name: str) -> Figure:
        return self._figures[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._figures)

    def __len__(self) -> int:
        return len(self._figures)

    def number(self, name: str) -> float:
        """Value of a figure that is one number."""
        value = self._figures[name].value
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            return float(value)
        raise TypeError(f"{name} is not a number: {value!r}")

    def optional(self, name: str) -> float | None:
        """Value of a figure that is one number or is not set."""
        return None if self._figures[name].value is None else self.number(name)

    def text(self, name: str) -> str:
        """Value of a figure that is a word."""
        return str(self._figures[name].value)

    def table(self, name: str) -> dict[str, float]:
        """Value of a figure that is a table; one number stands for every key under ``*``."""
        value = self._figures[name].value
        if isinstance(value, dict):
            return value
        return {"*": self.number(name)}

    def entry(self, name: str, key: str) -> float:
        """Value of a table at a key; the entry ``*`` stands for all keys that are not listed."""
        table = self.table(name)
        return table[key] if key in table else table["*"]

    def changed(self, values: Mapping[str, Any]) -> Figures:
        """The same figures with other values for some of them."""
        other = {name: self[name]._replace(value=value) for name, value in values.items()}
        return Figures(self._figures | other)


@dataclass(frozen=True)
class RuleBook:
    """Every figure a plan rests on, and the name of its rule set."""

    rule_set: str
    rules: Figures
    equipment: Figures
    costs: Figures
    traffic: Figures
    services: Figures


@dataclass(frozen=True)
class Frame:
    """The project's CRS, and the local frame of metres on the ground.

    ``unit`` is metres per unit of the CRS, ``k`` grid distance over ground distance.
    """

    crs: Any
    unit: float
    x0: float
    y0: float
    k: float

    def to_local(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """CRS coordinates to metres on the ground."""
        scale = self.unit / self.k
        return (np.asarray(x, float) - self.x0) * scale, (np.asarray(y, float) - self.y0) * scale

    def to_crs(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        """Metres on the ground to CRS coordinates."""
        scale = self.k / self.unit
        return np.asarray(x, float) * scale + self.x0, np.asarray(y, float) * scale + self.y0


@dataclass(frozen=True, eq=False)
class Ground:
    """The original raster's cells, and the way from the local frame to them.

    ``values`` holds elevations, NaN where there is none. The column and row of a local point are
    bilinear in a mesh of nodes that starts at ``mesh_x0``, ``mesh_y0`` with ``mesh_step`` between
    nodes; column 0, row 0 is the centre of the first cell of ``values``.
    """

    values: Floats  # (rows, columns) [m]
    mesh_x0: float  # [m]
    mesh_y0: float  # [m]
    mesh_step: float  # [m]
    mesh_col: Floats  # (nodes up, nodes across) [cells]
    mesh_row: Floats  # (nodes up, nodes across) [cells]
    cell: float  # [m] smaller side of a cell on the ground


@dataclass(frozen=True)
class Project:
    """What the project calls itself, and how it wants to be shown."""

    name: str
    display_units: str  # "us" or "metric"
    vertical_datum: str
    foot: float  # [m] the foot that is shown
    level_step: float  # [m] step of the printed grid of levels
    agency: str = ""
    number: str = ""
    designer: str = ""
    date: str = ""  # ISO, "" when not given
    start_date: str = ""


@dataclass(frozen=True)
class LedgerEntry:
    """One thing that was assumed, repaired, doubted, refused or ignored while reading."""

    layer: str
    kind: str  # assumed, repaired, doubt, refused, ignored
    rows: tuple[int, ...]  # row numbers in the file, first row 1
    what: str
    column: str = ""
    file: str = ""
    values: tuple[float, ...] = ()  # what stood there, by row, where it was a number


@dataclass(frozen=True)
class InputFile:
    """A file that was read."""

    path: str  # as the project file names it
    sha256: str
    rows: int
    layer: str = ""


LAYER_COLUMNS: dict[str, tuple[str, ...]] = {
    "streets": (
        "street", "lanes", "lane_width_m", "row_width_m", "parking_left_m", "parking_right_m",
        "footway_width_m", "speed_kmh", "one_way", "road_class", "vehicles_per_day", "bus_route",
        "no_cut_until", "sewer",
    ),
    "right_of_way": (),
    "utilities": (
        "utility_id", "kind", "owner", "material", "shape", "outside_diameter_m", "width_m",
        "height_m", "depth_m", "level_assumed", "diameter_assumed", "quality", "status",
    ),
    "properties": (
        "property_id", "people", "flow_l_per_s", "floor_elev_m", "floor_assumed", "street",
    ),
    "tie_ins": (
        "tie_in_id", "invert_elev_m", "rim_elev_m", "outlet_diameter_mm", "outlet_bearing_deg",
        "manhole_diameter_m", "high_water_elev_m", "spare_l_per_s", "may_launch",
    ),
    "keep_out": ("reason", "applies_to", "until"),
    "street_features": ("kind", "name", "clear_m"),
    "boreholes": (
        "borehole_id", "top_depth_m", "bottom_depth_m", "soil", "n_value", "groundwater_depth_m",
    ),
    "zones": (
        "reason", "min_cover_m", "frost_depth_m", "casing_required", "allowed_hours",
        "no_cut_until",
    ),
    "control": ("name", "elev_m"),
}  # fmt: skip
"""Columns of each layer of a `Site`, defaults filled; `row` and `file` follow in every layer."""


@dataclass(frozen=True)
class FixedChoices:
    """What the project settles beforehand; streets and tie-ins by their names.

    ``flow`` says of a street whether it flows as it was drawn. ``pits`` are points in the CRS.
    """

    carry: tuple[str, ...] = ()  # a sewer from end to end
    forbid: tuple[str, ...] = ()  # no sewer
    flow: tuple[tuple[str, bool], ...] = ()
    tie_ins: tuple[str, ...] = ()  # no others; none: all may be used
    no_tie_ins: tuple[str, ...] = ()
    pits: tuple[tuple[float, float], ...] = ()

    def __bool__(self) -> bool:
        return self != FixedChoices()


@dataclass(frozen=True, eq=False)
class Site:
    """All that is known of a place before anything is designed.

    Every layer is a frame without CRS, its geometry in the local frame, its columns those of
    `LAYER_COLUMNS` and ``row`` (from 1) and ``file``. A utility with ``depth_m`` follows the
    ground at that depth to its outside top; one without has Z, the elevation of its outside top.
    ``shape`` is ``round`` or ``box`` (``width_m`` by ``height_m``). An absent number is NaN, an
    absent text or date "".
    """

    project: Project
    frame: Frame
    ground: Ground
    book: RuleBook
    streets: gpd.GeoDataFrame
    right_of_way: gpd.GeoDataFrame  # polygons; empty when the centrelines' row widths stand for it
    utilities: gpd.GeoDataFrame
    properties: gpd.GeoDataFrame
    tie_ins: gpd.GeoDataFrame
    keep_out: gpd.GeoDataFrame
    street_features: gpd.GeoDataFrame
    boreholes: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    control: gpd.GeoDataFrame
    ledger: tuple[LedgerEntry, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    row_counts: Mapping[str, Mapping[str, int]] = field(default_factory=dict)
    # layer -> {"read", "used", "repaired", "refused", "ignored"}
    fixed: FixedChoices = FixedChoices()


CONFLICT_COLUMNS = (
    "conflict_id", "subject", "utility_id", "kind", "owner", "quality", "rule", "measure",
    "station_m", "clearance_m", "required_m", "severity", "strike_probability", "resolution",
    "status",
)  # fmt: skip
REGISTER_COLUMNS = (
    "offset_m", "knowledge", "affects", "options", "responsible", "cost", "test_hole", "note",
)  # fmt: skip
"""What the register of conflicts adds to each."""

PLAN_COLUMNS: dict[str, tuple[str, ...]] = {
    "pits": (
        "pit_id", "kind", "street", "ground_elev_m", "invert_elev_m", "floor_elev_m", "depth_m",
        "launches", "receives", "manhole", "manhole_diameter_m", "drop_m", "lanes_closed",
        "days_open", "binds", "cost",
    ),
    "legs": (
        "leg_id", "up_pit", "down_pit", "run_id", "station_down_m", "station_up_m", "street",
        "length_m", "bored_length_m", "fall_m", "slope_pct", "invert_up_m", "invert_down_m",
        "diameter_mm", "inside_diameter_mm", "outside_diameter_mm", "bore_diameter_mm",
        "bore_axis_up_m", "bore_axis_down_m", "material", "min_cover_m", "flow_l_per_s",
        "capacity_l_per_s", "velocity_m_per_s", "velocity_full_m_per_s", "depth_ratio",
        "launch_pit", "pipe_entry_pit", "method", "reamer_diameter_mm", "binds", "cost",
    ),
    "connections": (
        "connection_id", "property_id", "joins", "method", "length_m", "slope_pct", "diameter_mm",
        "invert_property_m", "invert_sewer_m", "depth_at_sewer_m", "riser_m", "opening_m2",
        "lanes_closed", "surface_cost", "served", "why_not", "cost",
    ),
    "conflicts": (*CONFLICT_COLUMNS, *REGISTER_COLUMNS),
    "superseded": (*CONFLICT_COLUMNS, *REGISTER_COLUMNS, "why", "superseded_by"),
    "test_holes": (
        "test_hole_id", "utility_id", "subject", "priority", "mandatory", "worth_ratio",
        "expected_top_elev_m", "why", "cost",
    ),
    "no_pits": (
        "street", "from_station_m", "to_station_m", "offset_m", "reason", "because_of",
    ),
    "pit_footprints": ("pit_id", "length_m", "width_m", "depth_m", "shoring", "volume_m3"),
    "equipment": ("leg_id", "pit_id", "component"),
    "lane_closures": (
        "closure_id", "pit_id", "street", "lanes_closed", "control", "approach", "area", "period",
        "open_width_m", "start_day", "end_day",
    ),
}  # fmt: skip
"""Columns of each layer of a `Plan`, which are those of `plan.gpkg`."""

PLAN_GEOMETRY: dict[str, str] = {
    "pits": "Point", "legs": "LineString", "connections": "LineString", "conflicts": "Point",
    "test_holes": "Point", "pit_footprints": "Polygon", "equipment": "Polygon",
    "lane_closures": "Polygon", "superseded": "Point", "no_pits": "LineString",
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class EarlierPlan:
    """A plan as its files hold it: what `plan.json` says, and layers of `plan.gpkg`.

    Pits and legs lie without CRS in a frame of metres on the ground, one for all plans that are
    compared; those of a plan that cannot be carried there keep its CRS.
    """

    name: str  # of its folder
    summary: Mapping[str, Any]
    pits: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    connections: gpd.GeoDataFrame
    conflicts: gpd.GeoDataFrame


@dataclass(frozen=True)
class Row:
    """One figure of every plan that is compared."""

    name: str
    measure: str  # as the outputs name it; empty for text
    values: tuple[float | str | None, ...]
    better: str = ""  # "less" or "more"; empty where neither is


@dataclass(frozen=True)
class Change:
    """What one plan has otherwise than the first."""

    plan: int  # number among the plans, from 1
    what: str  # subject of the change, as a heading
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Stretch:
    """A straight stretch of sewer of two plans that are laid over each other."""

    where: str  # "both", "turned" (both, the other flows against it), "first", "other"
    ends: tuple[tuple[float, float], tuple[float, float]]  # [m] the upper one first
    length: float  # [m]


@dataclass(frozen=True)
class Comparison:
    """Plans side by side."""

    names: tuple[str, ...]
    rows: tuple[Row, ...]
    changes: tuple[Change, ...]
    cautions: tuple[str, ...]  # what makes the figures hard to compare
    stretches: tuple[Stretch, ...] = ()  # of two plans in one frame


@dataclass(frozen=True, eq=False)
class Register:
    """The register of conflicts of an earlier plan, with what people wrote into it."""

    conflicts: gpd.GeoDataFrame
    superseded: gpd.GeoDataFrame


def empty_layer(layer: str) -> gpd.GeoDataFrame:
    """A layer of a plan without rows."""
    return gpd.GeoDataFrame({name: [] for name in PLAN_COLUMNS[layer]}, geometry=[])


@dataclass(frozen=True, eq=False)
class Plan:
    """A designed sewer: one frame a layer of `plan.gpkg`, in the project's CRS, and its summary."""

    site: Site
    pits: gpd.GeoDataFrame
    legs: gpd.GeoDataFrame
    connections: gpd.GeoDataFrame
    conflicts: gpd.GeoDataFrame
    test_holes: gpd.GeoDataFrame
    pit_footprints: gpd.GeoDataFrame
    equipment: gpd.GeoDataFrame
    lane_closures: gpd.GeoDataFrame
    summary: Mapping[str, Any]
    superseded: gpd.GeoDataFrame = field(default_factory=lambda: empty_layer("superseded"))
    no_pits: gpd.GeoDataFrame = field(default_factory=lambda: empty_layer("no_pits"))
    alternatives: tuple[Plan, ...] = ()  # in other streets, the cheapest first

    def _repr_html_(self) -> str:
        from planner.outputs.map import draw_map  # noqa: PLC0415  (only a notebook needs the map)

        return draw_map(self)
