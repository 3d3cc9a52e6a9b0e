"""Adds up what a plan costs, by the heads of the summary."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np

from planner.model import Site

HEADS = (
    "pits", "legs", "manholes", "connections", "restoration", "ground_and_water", "traffic",
    "test_holes", "mobilisation", "contingency",
)  # fmt: skip
DIGITS = 2


def add_costs(
    site: Site, pits: gpd.GeoDataFrame, legs: gpd.GeoDataFrame, connections: gpd.GeoDataFrame
) -> dict[str, float]:
    """Cost by head; heads that nothing is known of yet are 0.

    A pit's price holds its manhole if one stays, its pavement and the lanes it closes, which are
    shown under their own heads.
    """
    costs = site.book.costs
    dug = (pits["kind"] == "pit").to_numpy()
    invert_depth = (pits["ground_elev_m"] - pits["invert_elev_m"]).to_numpy(float)[dug]
    stays = pits["manhole"].to_numpy(bool)[dug]
    manholes = stays.sum() * costs.number("manhole_fixed")
    manholes += costs.number("manhole_per_m") * invert_depth[stays].sum()
    traffic = costs.number("lane_closed") * pits["lanes_closed"].to_numpy(float)[dug].sum()
    restoration = _restoration(site, pits[dug])
    found: dict[str, Any] = dict.fromkeys(HEADS, 0.0)
    found["pits"] = pits["cost"].sum() - manholes - traffic - restoration
    found["legs"] = legs["cost"].sum()
    found["manholes"], found["traffic"], found["restoration"] = manholes, traffic, restoration
    found["connections"] = connections["cost"].sum()
    found["mobilisation"] = costs.number("mobilisation") if len(legs) else 0.0
    found["contingency"] = costs.number("contingency_share") * sum(found.values())
    return {head: round(float(np.nan_to_num(found[head])), DIGITS) for head in HEADS}


def _restoration(site: Site, pits: gpd.GeoDataFrame) -> float:
    """Pavement and verge made good over the pits, as their prices hold it."""
    costs, figure = site.book.costs, site.book.equipment.number
    margin = costs.number("restoration_margin_m") + figure("shoring_m")
    total = 0.0
    for launches, lanes in zip(pits["launches"], pits["lanes_closed"], strict=True):
        name = "launch" if launches else "exit"
        area = (figure(f"{name}_pit_length_m") + 2 * margin) * (
            figure(f"{name}_pit_width_m") + 2 * margin
        )
        total += area * costs.number("restoration_per_m2" if lanes else "footway_per_m2")
    return total
