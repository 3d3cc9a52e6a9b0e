"""What to do about each broken rule, in words with the figure."""

from __future__ import annotations

import math

from planner.steps.findings.finding import Finding

PLACES = {"m": 2, "mm": 0, "%": 3, "deg": 1, "L/s": 2, "m/s": 2, "Pa": 2}
CONFLICT = "shift or re-grade {subject} by at least {short} from {other}, or have it moved"
REMEDIES: dict[str, str] = {
    "leg_meets_pit": "draw the end of {subject} onto the point of {other}, {value} away",
    "unique_id": "give each of the rows {subject} a name of its own",
    "one_outlet": "let one leg leave {subject}: {other} do",
    "no_circle": "turn or take out a leg, so that the water of {subject} does not come back to it",
    "reaches_tie_in": "draw the missing leg from {subject}, or from below it, towards a tie-in",
    "pit_exists": "draw the pit {other} of {subject}, or correct its name",
    "straight_leg": "draw {subject} with two points, or put a pit where it bends by {value}",
    "launch_pit": "name one of the two pits of {subject} in place of {other}",
    "joins_exists": "name a leg or a pit of the design in place of {other}",
    "property_exists": "correct the property's name, or take the connection out",
    "manhole": "build a manhole at {subject}: {what}",
    "inside_diameter_mm": "correct the pipe's inside or outside diameter",
    "outside_diameter_mm": "ream the bore to at least {value}, or lay a smaller pipe",
    "may_launch": "drive {subject} from its upper pit, or have {other} released as a launch pit",
    "spare_l_per_s": "enlarge the existing sewer, or drain {short} elsewhere",
    "high_water_elev_m": "raise the lowest leg by {short}, or fit a flap against backing up",
    "tie_in_inlet_deg": "bring {other} in {short} further round from the outlet",
    "right_of_way": "move {subject} by at least {value}, or acquire the land",
    "keep_out": "move {subject} out of the area {other}, in which {value} of it lie",
    "no_cut_until": "move {subject} out of {other}, or dig after {limit}",
    "ground_nodata": "give ground elevations there, or move {subject}",
    "forbidden_street": "lead {subject} through another street: {other} takes no sewer",
    "clear_m": "move {subject} by at least {short} away from {other}",
    "min_cover_m": "lower {subject} by at least {short} there, or agree a smaller cover",
    "min_cover_bore_diameters": "lower {subject}, or lay it in a smaller bore",
    "frost_depth_m": "lower {subject} by at least {short} there, or insulate it",
    "max_depth_m": "raise the inverts at {subject} by {short}, or move it to lower ground",
    "max_leg_depth_m": "raise {subject} by {short} there",
    "min_leg_length_m": "move a pit of {subject} by {short} outwards, or take one out",
    "max_leg_length_m": "put a pit in between, or shorten {subject} by {short}",
    "max_manhole_spacing_m": "put a manhole in between: the next one below {subject} is {short} "
    "too far",
    "min_diameter_mm": "lay at least {limit}",
    "min_slope_pct": "let {subject} fall more: it lacks {short}",
    "max_slope_pct": "let {subject} fall less by {short}, with drops at its pits",
    "min_velocity_m_per_s": "lay {subject} steeper: it runs {short} too slowly when just full",
    "min_shear_pa": "lay {subject} steeper, or in a smaller size: it lacks {short} of shear",
    "max_velocity_m_per_s": "lay {subject} flatter, or protect it against {value}",
    "max_depth_ratio": "lay {subject} steeper or larger: it runs {value} full",
    "min_inside_ratio": "buy a pipe with a larger inside, or call it by the next size down",
    "bored_slope_margin_pct": "lay {subject} {short} steeper, so that the bore's tolerance leaves "
    "no pond",
    "size_change_match": "lower the leg that leaves, or enlarge it: a size never falls downstream",
    "min_manhole_drop_m": "lower the leg that leaves {subject} by {short}, or raise {other}",
    "max_manhole_drop_m": "build a drop structure at {subject}, which is priced, or lower {other}",
    "max_drop_structure_m": "lower {other} by {short}",
    "max_turn_deg": "move {subject} or the next pit, so that {other} turns {short} less",
    "min_leg_separation_deg": "move a pit, so that {other} meet at an angle {short} larger",
    "clearance_m": CONFLICT,
    "water_horizontal_m": "move {subject} {short} further from {other}, or clear it in height",
    "water_vertical_m": "re-grade {subject} to clear {other} by {short} more, or protect it",
    "pit_clearance_m": "move or turn {subject}, so that it clears {other} by {short} more",
    "connection_clearance_m": "change line or level of {subject}, by {short} away from {other}",
    "connection_min_slope_pct": "lay {subject} {short} steeper, or lower the sewer",
    "connection_max_length_m": "join the sewer nearer by {short}",
    "connection_diameter_mm": "lay at least {limit}",
    "connection_floor_drop_m": "lower {subject} by {short} at the property",
    "connection_into_manhole": "join a leg beside {other}: manholes may be entered: {limit}",
    "connection_entry_ratio": "raise {subject} at the sewer, to enter {other} at {limit} of its "
    "diameter",
}
"""What to do, by rule: {short} is what is lacking, {other} with what it is."""
STATED = "correct {rule} of {subject}, or what it follows from: here it comes to {limit}"
ANY = "change {subject} so that the rule holds"


def with_remedy(row: Finding) -> Finding:
    """A finding with what to do about it.

    Examples
    --------
    >>> row = {"rule": "spare_l_per_s", "subject": "T", "value": 3.0, "limit": 2.0, "unit": "L/s"}
    >>> with_remedy(row)["remedy"]
    'enlarge the existing sewer, or drain 1.00 L/s elsewhere'
    """
    rule = str(row["rule"])
    text = STATED if rule.startswith("stated_") else REMEDIES.get(rule, ANY)
    value, limit, unit = row["value"], row["limit"], str(row["unit"])
    numbers = isinstance(value, (int, float)) and isinstance(limit, (int, float))
    short = abs(limit - value) if numbers else 0.0
    words = text.format(
        subject=row["subject"], other=row.get("with") or "it", what=row.get("what", ""),
        rule=rule.removeprefix("stated_"), value=_amount(value, unit), limit=_amount(limit, unit),
        short=_amount(_up(short, unit), unit),
    )  # fmt: skip
    return row | {"remedy": words}


def _up(short: float, unit: str) -> float:
    """What is lacking, rounded up: half of it would not do."""
    if not math.isfinite(short):
        return short
    size = 10.0 ** PLACES.get(unit, 3)
    return math.ceil(round(short * size, 6)) / size


def _amount(value: object, unit: str) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return str(value)
    if not math.isfinite(value):
        return "an amount that is not known"
    places = PLACES.get(unit, 2)
    text = f"{value:.{places}f}"
    sign = {"deg": "degrees", "": "", "1": ""}.get(unit, unit)
    return f"{text} {sign}".rstrip()
