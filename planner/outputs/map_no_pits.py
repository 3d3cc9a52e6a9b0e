"""Where no pit can stand, on the map: one feature for all stretches of a street with one cause."""

from __future__ import annotations

import geopandas as gpd
import shapely

from planner.outputs.map_features import Field, Layer, Pen, make_features

FIELDS = (Field("because_of", "Because of", "link"), Field("street", "Street"))
KEYS = ["reason", "because_of", "street"]


def no_pit_layer(pen: Pen) -> Layer:
    """Stretches along the sewer where no pit can stand."""
    layer = Layer("no_pit", "No pit", 75, FIELDS)
    frame = pen.plan.no_pits
    if len(frame):
        layer.add("no-pit", ["no-pit"], make_features(pen, by_cause(frame), "reason", FIELDS))
    return layer


def by_cause(frame: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The stretches of each street and cause as one row: the page names a cause once."""
    groups = list(frame.groupby(KEYS))
    return gpd.GeoDataFrame(
        [key for key, _ in groups],
        columns=KEYS,
        geometry=[shapely.MultiLineString(list(rows.geometry)) for _, rows in groups],
        crs=frame.crs,
    )
