"""The plan on the map: legs, pits, tie-ins and connections."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.outputs.display import Display, is_absent
from planner.outputs.map_features import Field, Layer, Pen, make_features

LEG_FIELDS = (
    Field("up_pit", "Upper pit", "link"),
    Field("down_pit", "Lower pit", "link"),
    Field("street", "Street"),
    Field("length_m", "Length", "exact"),
    Field("bored_length_m", "Bored length", "exact"),
    Field("slope_text", "Slope"),
    Field("fall_m", "Fall", "level"),
    Field("invert_up_m", "Invert, upper end", "level"),
    Field("invert_down_m", "Invert, lower end", "level"),
    Field("diameter_mm", "Nominal size", "nominal"),
    Field("inside_diameter_mm", "Inside diameter", "diameter"),
    Field("outside_diameter_mm", "Outside diameter", "diameter"),
    Field("bore_diameter_mm", "Bore diameter", "diameter"),
    Field("bore_axis_up_m", "Bore axis, upper end", "level"),
    Field("bore_axis_down_m", "Bore axis, lower end", "level"),
    Field("material", "Material"),
    Field("min_cover_m", "Least cover", "depth"),
    Field("flow_l_per_s", "Design peak flow", "flow"),
    Field("capacity_l_per_s", "Capacity, full", "flow"),
    Field("velocity_m_per_s", "Velocity at design flow", "velocity"),
    Field("velocity_full_m_per_s", "Velocity, full", "velocity"),
    Field("depth_ratio", "Depth of flow / diameter", "ratio"),
    Field("launch_pit", "Launched from", "link"),
    Field("pipe_entry_pit", "Pipe enters at", "link"),
    Field("method", "Method"),
    Field("reamer_diameter_mm", "Reamer", "diameter"),
    Field("run_id", "Run"),
    Field("station_down_m", "Station, lower end", "exact"),
    Field("station_up_m", "Station, upper end", "exact"),
    Field("cost", "Cost", "money"),
)
PIT_FIELDS = (
    Field("street", "Street"),
    Field("ground_elev_m", "Ground", "ground"),
    Field("invert_elev_m", "Invert out", "level"),
    Field("floor_elev_m", "Floor", "level"),
    Field("depth_m", "Depth to the floor", "depth"),
    Field("launches", "Drives launched", "count"),
    Field("receives", "Drives received", "count"),
    Field("box_length_m", "Length, outside shoring", "width"),
    Field("box_width_m", "Width, outside shoring", "width"),
    Field("shoring", "Shoring"),
    Field("volume_m3", "Excavation", "volume"),
    Field("manhole", "Manhole stays", "yes"),
    Field("manhole_diameter_m", "Manhole diameter", "width"),
    Field("drop_m", "Drop at the manhole", "clearance"),
    Field("lanes_closed", "Lanes closed", "count"),
    Field("days_open", "Open", "days"),
    Field("cost", "Cost", "money"),
)
TIE_IN_FIELDS = (
    Field("street", "Street"),
    Field("ground_elev_m", "Ground", "ground"),
    Field("rim_elev_m", "Rim, as given", "level"),
    Field("invert_elev_m", "Invert, existing", "level"),
    Field("outlet_diameter_mm", "Outlet diameter", "diameter"),
    Field("outlet_bearing_deg", "Outlet bearing", "degrees"),
    Field("manhole_diameter_m", "Manhole diameter", "width"),
    Field("high_water_elev_m", "High water", "level"),
    Field("spare_l_per_s", "Spare capacity", "flow"),
    Field("may_launch", "May launch", "yes"),
    Field("launches", "Drives launched", "count"),
    Field("receives", "Drives received", "count"),
    Field("drop_m", "Drop at the manhole", "clearance"),
)
CONNECTION_FIELDS = (
    Field("property_id", "Property", "link"),
    Field("why_not", "Why not", "prose"),
    Field("joins", "Joins", "link"),
    Field("method", "Method"),
    Field("length_m", "Length", "length"),
    Field("slope_pct", "Slope", "percent"),
    Field("diameter_mm", "Nominal size", "nominal"),
    Field("invert_property_m", "Invert at the property", "level"),
    Field("invert_sewer_m", "Invert at the sewer", "level"),
    Field("depth_at_sewer_m", "Depth at the sewer", "depth"),
    Field("cost", "Cost", "money"),
)


SAME_MANHOLE = 1.0  # [m] a pit this near to a tie-in is the tie-in


def slope_texts(legs: gpd.GeoDataFrame, show: Display) -> list[str]:
    """Slope of each leg, with as many places as make it close."""
    pairs = zip(legs["fall_m"].tolist(), legs["length_m"].tolist(), strict=True)
    return [show.slope(fall, length) for fall, length in pairs]


def leg_layer(pen: Pen) -> Layer:
    """Legs with their labels: size, slope and length."""
    layer = Layer("leg", "Leg", 12, LEG_FIELDS, focus=True)
    legs = pen.plan.legs
    if not len(legs):
        return layer
    slopes = slope_texts(legs, pen.show)
    table = legs.assign(slope_text=[f"{slope} %" for slope in slopes])
    features = make_features(pen, table, "leg_id", LEG_FIELDS)
    rows = zip(features, slopes, legs.to_dict("records"), strict=True)
    for feature, slope, leg in rows:
        size, length = (
            pen.show.text(*pair)
            for pair in (("nominal", leg["diameter_mm"]), ("length", leg["length_m"]))
        )
        feature["label"] = f"{feature['id']}  {size}  {slope} %  {length}"
        feature["short"] = f"{feature['id']}  {slope} %"
        add_binds(feature, leg, pen.show)
    layer.add("leg", ["leg"], features)
    return layer


def add_binds(feature: dict[str, Any], row: dict[str, Any], show: Display) -> None:
    """Say what fixes a leg or a pit."""
    if not is_absent(row.get("binds")):
        feature["binds"] = show.prose(row["binds"])


def pit_layer(pen: Pen) -> Layer:
    """Pits as boxes of true size; launch pits apart from exit pits."""
    layer = Layer("pit", "Pit", 8, PIT_FIELDS, focus=True)
    pits = pen.plan.pits[pen.plan.pits["kind"] != "tie-in"]
    if not len(pits):
        return layer
    table = with_footprints(pits, pen.plan.pit_footprints)
    launching = pd.to_numeric(table["launches"], errors="coerce").fillna(0) > 0
    for style, rows in (("pit-launch", table[launching]), ("pit-exit", table[~launching])):
        features = make_features(pen, rows, "pit_id", PIT_FIELDS)
        centres = pen.reach.pack(rows["centre"], local=False)
        for feature, centre, row in zip(features, centres, rows.to_dict("records"), strict=True):
            feature["centre"] = centre
            feature["label"] = pit_label(feature["id"], row, pen.show)
            feature["short"] = feature["id"]
            add_binds(feature, row, pen.show)
        layer.add(style, [style], features)
    return layer


def with_footprints(pits: gpd.GeoDataFrame, footprints: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Pits whose geometry is their footprint, or their point where they have none."""
    boxes = footprints.drop_duplicates("pit_id").set_index("pit_id")
    found = boxes.reindex(pits["pit_id"].tolist())
    shapes = [
        point if box is None or is_empty(box) else box
        for point, box in zip(pits.geometry, found.geometry, strict=True)
    ]
    return pits.assign(
        box_length_m=found["length_m"].to_numpy(),
        box_width_m=found["width_m"].to_numpy(),
        shoring=found["shoring"].to_numpy(),
        volume_m3=found["volume_m3"].to_numpy(),
        centre=pits.geometry.to_numpy(),
        geometry=gpd.GeoSeries(shapes, index=pits.index, crs=pits.crs),
    )


def is_empty(shape: Any) -> bool:
    """Whether a frame has no geometry in a row."""
    return is_absent(shape) or bool(shape.is_empty)


def pit_label(name: str, row: dict[str, Any], show: Display) -> str:
    """Label of a pit: its name, its depth and what it launches or receives."""
    launches, receives = (
        0 if is_absent(row[key]) else int(row[key]) for key in ("launches", "receives")
    )
    work = f"launches {launches}" if launches else f"receives {receives}"
    return f"{name}  {show.text('depth', row['depth_m'])}  {work}"


def tie_in_layer(pen: Pen) -> Layer:
    """Existing manholes that the sewer drains into, and those it does not use."""
    layer = Layer("tie_in", "Tie-in", 10, TIE_IN_FIELDS, focus=True)
    given = pen.plan.site.tie_ins
    if not len(given):
        return layer
    used = pen.plan.pits[pen.plan.pits["kind"] == "tie-in"].reset_index(drop=True)
    found = used.reindex(nearest_rows(pen, given, used))
    columns = ["street", "ground_elev_m", "launches", "receives", "drop_m", "binds"]
    table = given.assign(**{column: found[column].to_numpy() for column in columns})
    table["pit_id"] = (
        found["pit_id"]
        .where(found["pit_id"].notna().to_numpy(), given["tie_in_id"].tolist())
        .to_numpy()
    )
    features = make_features(pen, table, "pit_id", TIE_IN_FIELDS, layer="tie_ins")
    for feature, row in zip(features, table.to_dict("records"), strict=True):
        level = pen.show.text("level", row["invert_elev_m"])
        feature["label"] = f"{feature['id']}  tie-in  {level}"
        feature["short"] = feature["id"]
        add_binds(feature, row, pen.show)
    layer.add("tie-in", ["tie-in"], features)
    return layer


def nearest_rows(pen: Pen, given: gpd.GeoDataFrame, used: gpd.GeoDataFrame) -> list[int]:
    """Row of the plan's tie-in that stands at each given one; -1 where the plan uses none."""
    if not len(used):
        return [-1] * len(given)
    x, y = pen.plan.site.frame.to_local(used.geometry.x, used.geometry.y)
    far = np.hypot(
        given.geometry.x.to_numpy()[:, None] - x, given.geometry.y.to_numpy()[:, None] - y
    )
    nearest = far.argmin(axis=1)
    return [int(row) if far[at, row] <= SAME_MANHOLE else -1 for at, row in enumerate(nearest)]


def connection_layer(pen: Pen) -> Layer:
    """House connections; those that cannot be made are dotted."""
    layer = Layer("connection", "Connection", 35, CONNECTION_FIELDS)
    rows = pen.plan.connections
    if not len(rows):
        return layer
    served = rows["served"].eq(other=True)
    for style, part in (("connection", rows[served]), ("connection-unserved", rows[~served])):
        layer.add(style, [style], make_features(pen, part, "connection_id", CONNECTION_FIELDS))
    return layer


def bounds_of_plan(pen: Pen) -> list[list[float]]:
    """South-west and north-east corner of what is planned, or of the streets. [degrees]"""
    site, legs = pen.plan.site, pen.plan.legs
    local = np.vstack(
        [site.streets.total_bounds.reshape(2, 2), site.properties.total_bounds.reshape(2, 2)]
    )
    corners = pen.reach.local_degrees(local[np.isfinite(local).all(axis=1)])
    if len(legs):
        corners = np.vstack([corners, pen.reach.degrees(legs.total_bounds.reshape(2, 2))])
    low, high = corners.min(axis=0), corners.max(axis=0)
    return [[round(low[1], 7), round(low[0], 7)], [round(high[1], 7), round(high[0], 7)]]
