"""The site on the map: services, properties, features of the street, soil, zones, doubts."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import shapely

from planner.model import LedgerEntry
from planner.outputs.display import DAGGER
from planner.outputs.map_features import Field, Layer, Pen, make_features
from planner.outputs.map_look import QUALITY_DASHES, SERVICE_COLOURS

UTILITY_FIELDS = (
    Field("kind", "Kind"),
    Field("owner", "Owner"),
    Field("material", "Material"),
    Field("outside_diameter_m", "Outside diameter", "width"),
    Field("width_m", "Width", "width"),
    Field("height_m", "Height", "width"),
    Field("depth_m", "Depth to its top", "depth"),
    Field("top_m", "Elevation of its top", "level"),
    Field("quality", "Quality level"),
    Field("status", "Status"),
    Field("shape", "Shape"),
)
PROPERTY_FIELDS = (
    Field("served", "Served"),
    Field("why_not", "Why not", "prose"),
    Field("connection_id", "Connection", "link"),
    Field("people", "People", "number"),
    Field("flow_l_per_s", "Average flow", "flow"),
    Field("floor_elev_m", "Lowest floor to drain", "level"),
    Field("street", "Served from"),
)
FEATURE_FIELDS = (
    Field("kind", "Kind"),
    Field("name", "Name"),
    Field("clear_m", "Keep clear", "width"),
)
KEEP_OUT_FIELDS = (
    Field("reason", "Reason"),
    Field("applies_to", "Applies to"),
    Field("until", "Until", "date"),
)
ZONE_FIELDS = (
    Field("reason", "Reason"),
    Field("min_cover_m", "Least cover", "depth"),
    Field("frost_depth_m", "Frost depth", "depth"),
    Field("casing_required", "Casing required", "yes"),
    Field("allowed_hours", "Allowed hours"),
    Field("no_cut_until", "No cut until", "date"),
)
CONTROL_FIELDS = (Field("elev_m", "Elevation", "level"),)
LEDGER_FIELDS = tuple(Field("", label) for label in ("What", "Column", "Layer", "Row", "File"))
MARKED = {"doubt": "doubt", "refused": "doubt", "repaired": "repaired"}
LETTERS = {
    "hydrant": "H", "driveway": "D", "bus_stop": "B", "signal": "S", "kerb_ramp": "R",
    "school": "SCH", "emergency": "EM", "overhead": "OH",
}  # fmt: skip


def is_point(frame: gpd.GeoDataFrame) -> Any:
    """Whether each row is a point."""
    return frame.geometry.geom_type.isin(["Point", "MultiPoint"])


def service_layer(pen: Pen) -> Layer:
    """Existing services by kind, quality and whether they are abandoned."""
    layer = Layer("service", "Service", 40, UTILITY_FIELDS)
    services = pen.plan.site.utilities
    if not len(services):
        return layer
    kinds = services["kind"].where(services["kind"].isin(list(SERVICE_COLOURS)), "unknown")
    qualities = services["quality"].where(services["quality"].isin(list(QUALITY_DASHES)), "D")
    table = services.assign(
        top_m=top_elevation(services), drawn=kinds, known=qualities,
        point=is_point(services), gone=services["status"] == "abandoned",
        depth_m=services["depth_m"],
    )  # fmt: skip
    for (kind, quality, point, gone), rows in table.groupby(["drawn", "known", "point", "gone"]):
        style = f"{kind}-{quality}{'-point' if point else ''}{'-abandoned' if gone else ''}"
        switches = [f"service-{kind}", f"quality-{quality}"]
        if gone:
            switches.append("quality-abandoned")
        layer.add(style, switches, service_features(pen, rows))
    return layer


def top_elevation(services: gpd.GeoDataFrame) -> Any:
    """Elevation of the top at the first vertex of a service that has elevations. [m]"""
    first = shapely.get_point(services.geometry.to_numpy(), 0)
    points = is_point(services).to_numpy()
    first[points] = services.geometry.to_numpy()[points]
    return shapely.get_z(first)


def service_features(pen: Pen, rows: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    """Features of some services, an assumed level or diameter with its dagger."""
    features = make_features(pen, rows, "utility_id", UTILITY_FIELDS, layer="utilities")
    places = [item.column for item in UTILITY_FIELDS]
    for column, flag in (("depth_m", "level_assumed"), ("outside_diameter_m", "diameter_assumed")):
        place = places.index(column)
        for feature, assumed in zip(features, rows[flag].tolist(), strict=True):
            text = feature["values"][place]
            if assumed is True and text and not text.endswith(DAGGER):
                feature["values"][place] = f"{text} {DAGGER}"
    return features


def property_layer(pen: Pen) -> Layer:
    """Properties, told apart by whether they are served."""
    layer = Layer("property", "Property", 60, PROPERTY_FIELDS)
    homes = pen.plan.site.properties
    if not len(homes):
        return layer
    drained = pen.plan.connections.drop_duplicates("property_id").set_index("property_id")
    found = drained.reindex(homes["property_id"].tolist())
    served = found["served"].eq(other=True).to_numpy()
    table = homes.assign(
        served=["yes" if flag else "no" for flag in served],
        why_not=found["why_not"].to_numpy(),
        connection_id=found["connection_id"].to_numpy(),
        drains=served, point=is_point(homes),
    )  # fmt: skip
    for (drains, point), rows in table.groupby(["drains", "point"]):
        name = "property" if drains else "property-unserved"
        features = make_features(pen, rows, "property_id", PROPERTY_FIELDS, layer="properties")
        layer.add(f"{name}-point" if point else name, [name], features)
    return layer


def feature_layer(pen: Pen) -> Layer:
    """Features of the street that pits and closures keep clear of."""
    layer = Layer("feature", "Street feature", 50, FEATURE_FIELDS)
    things = pen.plan.site.street_features
    if not len(things):
        return layer
    table = things.assign(
        point=is_point(things), tree=things["kind"] == "tree", what=things["kind"]
    )
    table["what"] = table["what"].str.replace("_", " ")
    for (point, tree), rows in table.groupby(["point", "tree"]):
        style = ("feature-tree" if tree else "feature") if point else "feature-area"
        features = make_features(pen, rows, "what", FEATURE_FIELDS, layer="street_features")
        for feature, kind in zip(features, rows["kind"].tolist(), strict=True):
            if kind in LETTERS:
                feature["letter"] = LETTERS[kind]
        layer.add(style, ["feature"], features)
    return layer


def area_layers(pen: Pen) -> list[Layer]:
    """Keep-outs and zones with rules of their own."""
    site = pen.plan.site
    keep_out = Layer("keep_out", "Keep-out", 80, KEEP_OUT_FIELDS)
    zone = Layer("zone", "Zone", 85, ZONE_FIELDS)
    for layer, frame, fields, style in (
        (keep_out, site.keep_out, KEEP_OUT_FIELDS, "keep-out"),
        (zone, site.zones, ZONE_FIELDS, "zone"),
    ):
        if len(frame):
            name = {"keep-out": "keep_out", "zone": "zones"}[style]
            layer.add(style, [style], make_features(pen, frame, "reason", fields, layer=name))
    return [keep_out, zone]


def borehole_layer(pen: Pen) -> Layer:
    """Boreholes, one mark each, its soil layers as lines of the details."""
    layer = Layer("borehole", "Borehole", 45)
    holes = pen.plan.site.boreholes
    if not len(holes):
        return layer
    firsts = holes.drop_duplicates("borehole_id")
    features = make_features(pen, firsts, "borehole_id", (), "boreholes")
    for feature, name in zip(features, firsts["borehole_id"], strict=True):
        feature["pairs"] = soil_lines(pen, holes[holes["borehole_id"] == name])
    layer.add("borehole", ["borehole"], features)
    return layer


def soil_lines(pen: Pen, rows: gpd.GeoDataFrame) -> list[list[str]]:
    """Depth range and soil of each layer, and the groundwater."""
    show = pen.show
    lines = []
    for row in rows.sort_values("top_depth_m").itertuples():
        depths = f"{show.depth(row.top_depth_m)} to {show.text('depth', row.bottom_depth_m)}"
        count = show.plain("number", row.n_value)
        lines.append([depths, f"{row.soil}, N {count}" if count != "–" else str(row.soil)])
    water = rows["groundwater_depth_m"].dropna()
    if len(water):
        lines.append(["Groundwater", f"{show.text('depth', water.min())} below ground"])
    return lines


def control_layer(pen: Pen) -> Layer:
    """Control points."""
    layer = Layer("control", "Control point", 46, CONTROL_FIELDS)
    points = pen.plan.site.control
    if len(points):
        features = make_features(pen, points, "name", CONTROL_FIELDS, layer="control")
        layer.add("control", ["control"], features)
    return layer


def ledger_layer(pen: Pen) -> Layer:
    """Marks on rows that were doubted or repaired, where the row is still there to be found."""
    layer = Layer("ledger", "Input", 30, LEDGER_FIELDS)
    for style in ("doubt", "repaired"):
        features = [
            feature
            for entry in pen.plan.site.ledger
            if MARKED.get(entry.kind) == style
            for feature in ledger_features(pen, entry)
        ]
        layer.add(style, [style], features)
    return layer


def ledger_features(pen: Pen, entry: LedgerEntry) -> list[dict[str, Any]]:
    """One mark for each row of an entry that can be located."""
    frame = getattr(pen.plan.site, entry.layer, None)
    if frame is None or not len(frame):
        return []
    found = frame[frame["row"].isin(entry.rows)]
    if entry.file:
        found = found[found["file"] == entry.file]
    packed = pen.reach.pack([mark_point(shape) for shape in found.geometry], local=True)
    return [
        {
            "id": f"{entry.layer} row {row}",
            "at": at,
            "values": [entry.what, entry.column, entry.layer, str(row), entry.file],
        }
        for row, at in zip(found["row"].tolist(), packed, strict=True)
    ]


def mark_point(shape: Any) -> Any:
    """Point that stands for a shape: on a line its middle, in an area a point inside."""
    if shape.geom_type == "LineString":
        return shape.interpolate(0.5, normalized=True)
    return shape.representative_point()
