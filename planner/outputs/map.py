"""The map of a plan: one page that needs no network."""

from __future__ import annotations

from typing import Any

from planner.model import Plan
from planner.outputs.display import Display
from planner.outputs.map_features import Layer, Notes, Pen, Reach
from planner.outputs.map_findings import (
    closure_layer,
    conflict_layer,
    plant_layer,
    test_hole_layer,
)
from planner.outputs.map_ground import contour_layer, shading
from planner.outputs.map_look import STYLES, SWITCHES
from planner.outputs.map_no_pits import no_pit_layer
from planner.outputs.map_overview import ledger_words, overview
from planner.outputs.map_page import make_page
from planner.outputs.map_plan import (
    bounds_of_plan,
    connection_layer,
    leg_layer,
    pit_layer,
    tie_in_layer,
)
from planner.outputs.map_site import (
    area_layers,
    borehole_layer,
    control_layer,
    feature_layer,
    ledger_layer,
    property_layer,
    service_layer,
)
from planner.outputs.map_streets import right_of_way_layer, street_layer, surface_layer


def draw_map(plan: Plan) -> str:
    """Interactive map of a plan as one self-contained page.

    Pure: the same plan gives the same page, byte for byte.

    Parameters
    ----------
    plan
        The plan; empty layers are left out of the legend.

    Raises
    ------
    OutputError
        Where the files of the drawing library are missing.
    """
    currency = str((plan.summary.get("totals") or {}).get("currency", ""))
    notes = Notes(plan.site.ledger)
    pen = Pen(plan, Display.of(plan.site.project, currency), Reach(plan.site.frame), notes)
    layers = all_layers(pen)
    bounds = bounds_of_plan(pen)
    islands = {
        "page": page_data(pen, bounds),
        "legend": legend_data(layers),
        "styles": used_styles(layers),
        "ledger": [[entry.kind, ledger_words(entry, pen.show)] for entry in plan.site.ledger],
        "overview": overview(pen),
        "ground": shading(pen),
        "layers": [layer.as_data() for layer in layers if layer.sets],
    }
    (south, west), (north, east) = bounds
    centre = (round((south + north) / 2, 6), round((west + east) / 2, 6))
    return make_page(f"{plan.site.project.name} – map", islands, centre)


def all_layers(pen: Pen) -> list[Layer]:
    """Every layer, from the ground up: what comes later is drawn above."""
    return [
        contour_layer(pen),
        surface_layer(pen),
        right_of_way_layer(pen),
        street_layer(pen),
        *area_layers(pen),
        property_layer(pen),
        closure_layer(pen),
        plant_layer(pen),
        feature_layer(pen),
        no_pit_layer(pen),
        service_layer(pen),
        connection_layer(pen),
        leg_layer(pen),
        pit_layer(pen),
        tie_in_layer(pen),
        borehole_layer(pen),
        control_layer(pen),
        ledger_layer(pen),
        test_hole_layer(pen),
        conflict_layer(pen),
    ]


def page_data(pen: Pen, bounds: list[list[float]]) -> dict[str, Any]:
    """What the strip along the top says, and how packed shapes are read."""
    project, show = pen.plan.site.project, pen.show
    return {
        "name": project.name,
        "lines": [text for text in (project.agency, project.number, project.designer) if text],
        "datum": project.vertical_datum,
        "units": unit_words(show),
        "us": show.units == "us",
        "date": show.date(project.date) if project.date else "",
        "status": str(pen.plan.summary.get("status", "")),
        "origin": list(pen.reach.origin),
        "bounds": bounds,
    }


def unit_words(show: Display) -> str:
    """Units of lengths, and of small sizes, in short."""
    return f"{show.unit('length')}, {show.unit('nominal')}"


def legend_data(layers: list[Layer]) -> list[dict[str, Any]]:
    """Entries of the legend that have something behind them, with how many."""
    counts: dict[str, int] = {}
    for layer in layers:
        for part in layer.sets:
            for name in part["switches"]:
                counts[name] = counts.get(name, 0) + (len(part["features"]) if layer.noun else 0)
    return [
        {**switch._asdict(), "count": counts[switch.id]}
        for switch in SWITCHES
        if switch.id in counts
    ]


def used_styles(layers: list[Layer]) -> dict[str, Any]:
    """Styles that a set or an entry of the legend asks for."""
    names = {part["style"] for layer in layers for part in layer.sets}
    names |= {switch.style for switch in SWITCHES} | {"manhole", "unserved-cross"}
    return {name: STYLES[name] for name in sorted(names)}
