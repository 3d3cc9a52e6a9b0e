"""What is dug, bored and laid, and what it costs, as tables of the workbook."""

from __future__ import annotations

import math
from collections.abc import Iterator
from textwrap import wrap
from typing import Any

import geopandas as gpd
import pandas as pd

from planner.model import Plan
from planner.outputs.display import Display
from planner.outputs.workbook_columns import Column, column_of
from planner.outputs.workbook_tables import Cell, Table

Quantity = tuple[str, str, Any]  # words, measure, figure in SI
EACH = "each"  # unit of what is counted
LINE = 110  # characters of a line of words below the costs


def quantities_of(plan: Plan, show: Display) -> Table:
    """What is dug, bored and laid, added up.

    Parameters
    ----------
    plan
        The plan.
    show
        Units.
    """
    rows = [*pits_of(plan), *sewers_of(plan.legs, show), *houses_of(plan.connections)]
    rows.append(("Test holes", "count", len(plan.test_holes)))
    rows.append(("Lane closures", "count", plan.lane_closures["closure_id"].nunique()))
    cells = tuple(
        (words, show.number(measure, figure), EACH if measure == "count" else show.unit(measure))
        for words, measure, figure in rows
    )
    places = {(r, 1): show.scale(measure).places for r, (_, measure, _) in enumerate(rows)}
    columns = (Column("item", "Quantity"), Column("value", "Amount", "number", 2),
               Column("unit", "Unit"))  # fmt: skip
    return Table("Quantities", "Dug, bored and laid, added up", columns, cells, places)


def pits_of(plan: Plan) -> Iterator[Quantity]:
    """Pits, what is dug for them, manholes, and what is done at tie-ins."""
    dug = plan.pits[plan.pits["kind"] == "pit"]
    launches = dug["launches"].astype(float)
    yield "Pits that launch", "count", (launches > 0).sum()
    yield "Pits that only receive", "count", (launches == 0).sum()
    yield "Excavation of pits", "volume", total(plan.pit_footprints["volume_m3"])
    yield "Deepest pit", "depth", dug["depth_m"].astype(float).max() if len(dug) else None
    yield "Manholes", "count", dug["manhole"].astype(bool).sum()
    most = plan.site.book.rules.get("max_manhole_drop_m")
    if most is not None and isinstance(most.value, (int, float)):
        drops = plan.pits["drop_m"].astype(float) > most.value + 1e-6
        yield "Drop structures", "count", drops.sum()
    ends = set(plan.pits.loc[plan.pits["kind"] == "tie-in", "pit_id"])
    used = ends & set(plan.legs["down_pit"])
    yield "Tie-ins cored, bypassed and entered", "count", len(used)


def sewers_of(legs: gpd.GeoDataFrame, show: Display) -> Iterator[Quantity]:
    """Drives and lengths, by method and size."""
    for (method, size), some in legs.groupby(["method", "diameter_mm"], sort=True):
        name = f"Sewer {show.text('nominal', size)}, {method}"
        yield f"{name}: drives", "count", len(some)
        yield f"{name}: point to point", "length", total(some["length_m"])
        yield f"{name}: bored", "length", total(some["bored_length_m"])


def houses_of(houses: gpd.GeoDataFrame) -> Iterator[Quantity]:
    """House connections by method, and the surface they open."""
    served = houses[houses["served"].astype(bool)]
    for method, some in served.groupby("method", sort=True):
        yield f"Connections, {method}", "count", len(some)
        yield f"Connections, {method}: length", "length", total(some["length_m"])
    if "opening_m2" in served:
        yield "Openings for connections", "area", total(served["opening_m2"])
    yield "Properties not served", "count", len(houses) - len(served)


def total(figures: pd.Series[Any]) -> float:
    """Sum of the figures that are known."""
    return math.fsum(figures.astype(float).dropna())


def cost_of(plan: Plan, show: Display) -> Table:
    """What the plan costs, by its heads, and how far from the least that is.

    Parameters
    ----------
    plan
        The plan.
    show
        Currency.
    """
    heads = plan.summary.get("cost_breakdown") or {}
    money = column_of("cost", show)
    columns = (Column("head", "Cost"), money._replace(head=f"Sum [{show.currency}]"))
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (str(name).replace("_", " ").capitalize(), round(float(value), 2))
        for name, value in heads.items()
    )
    says = "Cost by head, at the stated prices. An estimate for comparing plans, not an offer"
    below = (*social_cost_of(plan, show), *proof_of(plan, show))
    return Table("Cost", says, columns, rows, sums=(1,) if rows else (), below=below)


def social_cost_of(plan: Plan, show: Display) -> Iterator[tuple[str, Cell, int]]:
    """What the public bears, where that was worked out; no part of the cost."""
    social = plan.summary.get("totals", {}).get("social_cost")
    if social:
        yield f"Cost to the public, outside the sum [{show.currency}]", float(social), 0


def proof_of(plan: Plan, show: Display) -> Iterator[tuple[str, Cell, int]]:
    """How far from the cheapest plan this one can be, where that is known."""
    known = plan.summary.get("optimality") or {}
    if known.get("gap_pct") is None:
        yield "How much cheaper a plan could be is not known.", None, 0
        return
    yield f"Decided by the search [{show.currency}]", float(known["cost"]), 0
    yield f"No plan costs less there than [{show.currency}]", float(known["lower_bound"]), 0
    yield "Gap between the two [%]", float(known["gap_pct"]), 2
    left = ", ".join(known.get("not_bounded") or ()) or "nothing"
    for words in (f"The bound is over {known.get('scope', '')}.", f"Not in it: {left}."):
        for line in wrap(words, LINE):
            yield line, None, 0
