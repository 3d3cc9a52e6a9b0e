"""Properties, tie-ins, keep-outs, features, zones and the like: from columns to a `Site`'s."""

from __future__ import annotations

import numpy as np
import shapely

from planner.inputs.datum import Usual, judge_datum
from planner.inputs.fields import (
    Columns,
    fill_defaults,
    is_absent,
    note_default,
    read_columns,
    require_values,
)
from planner.inputs.ledger import Ledger
from planner.inputs.levels import ground_at
from planner.inputs.vector import Bools, Layer
from planner.inputs.words import listed
from planner.model import Figures, Floats, Ground

PEOPLE = 2.5  # in a property of which nothing is said
FLOOR_ABOVE, FLOOR_BELOW = 15.0, 15.0  # [m] from the ground; a floor beyond is not believed
FAR_FROM_GROUND = 30.0  # [m] an elevation of the surface beyond is not believed
DEEPEST_TIE_IN, DOUBTFUL_TIE_IN = 30.0, 15.0  # [m] ground to invert
ABOVE_GROUND = 0.10  # [m] an invert further above the ground is not believed
SAME_SURFACE = 0.5  # [m] rims and control points off the ground by more are doubted


def ground_under(layer: Layer, ground: Ground) -> Floats:
    """Ground at each feature: at the point, or at a point inside the polygon. [m]"""
    points = shapely.point_on_surface(layer.geometry)
    x, y = shapely.get_x(points), shapely.get_y(points)
    return ground_at(ground, np.ascontiguousarray(x), np.ascontiguousarray(y))


def read_properties(layer: Layer, ground: Ground, ledger: Ledger) -> Columns:
    """Properties: people or flow, and a floor."""
    columns = read_columns(layer, ledger)
    people, flow = columns["people"], columns["flow_l_per_s"]
    both = ~np.isnan(people) & ~np.isnan(flow)
    if both.any():
        what = "people and flow_l_per_s are both stated: the flow is taken"
        ledger.note(layer.source, "assumed", layer.row[both], what, "people")
    neither = np.isnan(people) & np.isnan(flow)
    if neither.any():
        note_default(layer, "people", neither, PEOPLE, ledger)
    people = np.where(neither, PEOPLE, np.where(np.isnan(flow), people, np.nan))
    floor, assumed = _floors(layer, columns["floor_elev_m"], ground_under(layer, ground), ledger)
    return columns | {"people": people, "floor_elev_m": floor, "floor_assumed": assumed}


def _floors(layer: Layer, stated: Floats, surface: Floats, ledger: Ledger) -> tuple[Floats, Bools]:
    usual = Usual("lowest floors", FLOOR_ABOVE, FLOOR_BELOW, 0.0)
    judge_datum(layer, stated, surface, usual, ledger)
    above = stated - surface
    odd = (above > FLOOR_ABOVE) | (above < -FLOOR_BELOW)
    _doubt_levels(layer, "floor_elev_m", stated, (odd, above), ledger)
    floor = np.where(odd, np.nan, stated)
    absent = np.isnan(floor)
    if absent.any():
        what = "floor_elev_m is absent: the ground there is taken"
        ledger.note(layer.source, "assumed", layer.row[absent], what, "floor_elev_m")
    nowhere = absent & np.isnan(surface)
    if nowhere.any():
        what = "no ground there, so no floor either: the property cannot be served"
        ledger.note(layer.source, "doubt", layer.row[nowhere], what, "floor_elev_m")
    return np.where(absent, surface, floor), absent


def _doubt_levels(
    layer: Layer, column: str, values: Floats, odd: tuple[Bools, Floats], ledger: Ledger
) -> None:
    which, above = odd
    if not which.any():
        return
    found = listed(
        (f"{values[i]:g} m is {abs(above[i]):.2f} m {'above' if above[i] > 0 else 'below'}"
         for i in np.flatnonzero(which)), 3,
    )  # fmt: skip
    what = f"{column} {found} the ground: treated as absent"
    ledger.note(layer.source, "doubt", layer.row[which], what, column)


def read_tie_ins(layer: Layer, ground: Ground, ledger: Ledger) -> Columns:
    """Tie-ins: each with an invert that can be.

    Raises
    ------
    InputError
        A tie-in has no invert, or one that is no level of a manhole there.
    """
    columns = read_columns(layer, ledger)
    require_values(
        layer, columns, "Give the invert of every tie-in: without it no slope can be found"
    )
    surface = ground_under(layer, ground)
    _require_inverts(layer, columns["invert_elev_m"], surface, ledger)
    for name in ("rim_elev_m", "high_water_elev_m"):
        above = columns[name] - surface
        odd = np.abs(above) > FAR_FROM_GROUND
        _doubt_levels(layer, name, columns[name], (odd, above), ledger)
        columns[name] = np.where(odd, np.nan, columns[name])
    off = np.abs(columns["rim_elev_m"] - surface) > SAME_SURFACE
    if off.any():
        worst = float(np.nanmax(np.abs(columns["rim_elev_m"] - surface)[off]))
        what = f"the rim is up to {worst:.2f} m off the ground there: another vertical datum?"
        ledger.note(layer.source, "doubt", layer.row[off], what, "rim_elev_m")
    columns["outlet_bearing_deg"] = columns["outlet_bearing_deg"] % 360.0
    return fill_defaults(layer, columns, ledger)


def _require_inverts(layer: Layer, invert: Floats, surface: Floats, ledger: Ledger) -> None:
    depth = surface - invert
    wrong = (depth < -ABOVE_GROUND) | (depth > DEEPEST_TIE_IN)
    if wrong.any():
        i = int(np.flatnonzero(wrong)[0])
        side = "above" if depth[i] < 0 else "below"
        layer.refuse(
            f"invert_elev_m is {invert[i]:g} m, which is {abs(depth[i]):.2f} m {side} the ground",
            "Correct the invert, its unit or its vertical datum",
            row=int(layer.row[i]), column="invert_elev_m",
        )  # fmt: skip
    deep = depth > DOUBTFUL_TIE_IN
    if deep.any():
        what = f"the invert lies up to {float(np.nanmax(depth)):.2f} m below the ground"
        ledger.note(layer.source, "doubt", layer.row[deep], what, "invert_elev_m")
    blind = np.isnan(surface)
    if blind.any():
        what = "no ground at the tie-in: its depth is not known"
        ledger.note(layer.source, "doubt", layer.row[blind], what, "invert_elev_m")


def read_features(layer: Layer, defaults: Figures, ledger: Ledger) -> Columns:
    """Street features, each with the clear distance of its kind where none is stated."""
    columns = read_columns(layer, ledger)
    clear = columns["clear_m"].copy()
    absent = np.isnan(clear)
    for kind in sorted(set(columns["kind"][absent].tolist())):
        mine = absent & (columns["kind"] == kind)
        clear[mine] = defaults.entry("feature_clear_m", kind) if kind else 0.0
        if kind:
            what = f"clear_m is absent: {clear[mine][0]:g} m is taken for kind {kind}"
            ledger.note(layer.source, "assumed", layer.row[mine], what, "clear_m")
        else:
            what = "neither kind nor clear_m is stated: only its own place is kept clear"
            ledger.note(layer.source, "doubt", layer.row[mine], what, "kind")
    return columns | {"clear_m": clear}


def read_keep_outs(layer: Layer, date: str, ledger: Ledger) -> tuple[Layer, Columns]:
    """Keep-outs that are still in force on the project's date."""
    columns = fill_defaults(layer, read_columns(layer, ledger), ledger)
    over = _is_over(layer, columns["until"], "until", date, ledger)
    if over.any():
        what = f"the keep-out has ended by the project's date, {date}"
        ledger.note(layer.source, "ignored", layer.row[over], what, "until")
    return layer.at(~over), {name: values[~over] for name, values in columns.items()}


def end_no_cut(layer: Layer, columns: Columns, date: str, ledger: Ledger) -> Columns:
    """Columns with each ``no_cut_until`` that is over by the project's date removed, and said."""
    until = columns["no_cut_until"]
    over = _is_over(layer, until, "no_cut_until", date, ledger)
    if not over.any():
        return columns
    what = f"no_cut_until has passed by the project's date, {date}: pavement may be cut"
    ledger.note(layer.source, "assumed", layer.row[over], what, "no_cut_until")
    return columns | {"no_cut_until": np.where(over, "", until).astype(object)}


def _is_over(layer: Layer, until: object, column: str, date: str, ledger: Ledger) -> Bools:
    dates = np.asarray(until, object)
    stated = ~is_absent(dates)
    if not date:
        if stated.any():
            what = f"{column} is stated, but the project has no date: taken to be in force"
            ledger.note(layer.source, "assumed", layer.row[stated], what, column)
        return np.zeros(len(layer), bool)
    return np.fromiter((bool(d) and d < date for d in dates), bool, len(layer))


def read_boreholes(layer: Layer, ledger: Ledger) -> Columns:
    """Boreholes, a row a layer of soil; a layer that ends above its top is doubted."""
    columns = fill_defaults(layer, read_columns(layer, ledger), ledger)
    upside_down = columns["bottom_depth_m"] <= columns["top_depth_m"]
    if upside_down.any():
        what = "bottom_depth_m is not below top_depth_m: the layer has no thickness"
        ledger.note(layer.source, "doubt", layer.row[upside_down], what, "bottom_depth_m")
    return columns


def read_zones(layer: Layer, date: str, ledger: Ledger) -> Columns:
    """Zones with rules of their own."""
    columns = fill_defaults(layer, read_columns(layer, ledger), ledger)
    return end_no_cut(layer, columns, date, ledger)


def read_control(layer: Layer, ground: Ground, ledger: Ledger) -> Columns:
    """Control points, which show whether the ground is in their datum."""
    columns = read_columns(layer, ledger)
    surface = ground_under(layer, ground)
    usual = Usual("control points", SAME_SURFACE * 4, SAME_SURFACE * 4, 0.0)
    judge_datum(layer, columns["elev_m"], surface, usual, ledger)
    above = columns["elev_m"] - surface
    odd = np.abs(above) > FAR_FROM_GROUND
    _doubt_levels(layer, "elev_m", columns["elev_m"], (odd, above), ledger)
    off = (np.abs(above) > SAME_SURFACE) & ~odd
    if off.any():
        worst = float(np.nanmax(np.abs(above[off])))
        what = f"the control point is up to {worst:.2f} m off the ground: another vertical datum?"
        ledger.note(layer.source, "doubt", layer.row[off], what, "elev_m")
    return columns | {"elev_m": np.where(odd, np.nan, columns["elev_m"])}
