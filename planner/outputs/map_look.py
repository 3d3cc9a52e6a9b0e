"""How things are drawn: ink, colours, line patterns and marks, and what the legend calls them."""

from __future__ import annotations

from typing import Any, NamedTuple

Style = dict[str, Any]

INK = "#1d1b18"
PAPER = "#fffdf9"
KERB = "#a69f93"
LANE = "#cbc4b8"
OUTLINE = "#8a8378"
SOFT = "#6b655c"
CORE = "#a9dcae"
WORK_ZONE = "#d95f0e"
WRONG = "#a8123e"

SERVICE_COLOURS = {
    "water": "#1668c4",
    "reclaimed": "#8436a8",
    "gas": "#9a7400",
    "oil": "#9a7400",
    "steam": "#9a7400",
    "electric": "#cc2127",
    "telecom": "#c25700",
    "sewer": "#1c7c3a",
    "storm": "#1c7c3a",
    "unknown": "#77716a",
}
"""Uniform marking colours of the trade, darkened to at least 3:1 on white.

References
----------
APWA uniform color code (ANSI Z535.1 colours): red electric; yellow gas, oil and steam; orange
telecommunication; blue potable water; purple reclaimed water; green sewer and drain.
"""

SERVICE_LETTERS = {
    "water": "W", "reclaimed": "RW", "gas": "G", "oil": "OIL", "steam": "ST", "electric": "E",
    "telecom": "T", "sewer": "S", "storm": "SD", "unknown": "?",
}  # fmt: skip

SERVICE_TITLES = {
    "water": "Water", "reclaimed": "Reclaimed water", "gas": "Gas", "oil": "Oil",
    "steam": "Steam", "electric": "Electric", "telecom": "Telecom", "sewer": "Sewer",
    "storm": "Storm drain", "unknown": "Unknown service",
}  # fmt: skip

QUALITY_DASHES = {"A": "", "B": "13 5", "C": "5 4", "D": "0.1 4.5"}
QUALITY_TITLES = {
    "A": "A  exposed and surveyed",
    "B": "B  located, unexposed",
    "C": "C  records and covers",
    "D": "D  records only",
}
HATCH_ANGLES = {
    "advance warning": 0, "taper": 45, "buffer": 90, "work space": 135, "downstream taper": 22,
}  # fmt: skip


def line(stroke: str, width: float, dash: str = "", **more: Any) -> Style:
    """Line; ``core`` and ``core_width`` draw a second line inside, ``arrow`` its direction."""
    return {"draw": "line", "stroke": stroke, "width": width, "dash": dash, **more}


def area(stroke: str, width: float, dash: str = "", fill: str = "", **more: Any) -> Style:
    """Outline; ``fill`` is a colour, ``hatch`` an angle and ``hatch_colour`` its ink."""
    return {"draw": "area", "stroke": stroke, "width": width, "dash": dash, "fill": fill, **more}


def mark(shape: str, size: float, stroke: str = INK, width: float = 1.6, **more: Any) -> Style:
    """Mark of a fixed size on the screen, in pixels from its middle to its edge.

    In every style ``zoom`` is the least zoom at which it is drawn.
    """
    return {"draw": "mark", "shape": shape, "size": size, "stroke": stroke, "width": width, **more}


def box(width: float, least: float, **more: Any) -> Style:
    """Box of true size, never smaller than ``least`` pixels; ``double`` splits its edge in two."""
    ink = {"draw": "box", "stroke": INK, "width": width, "fill": PAPER}
    return {**ink, "least": least, **more}


def service_styles() -> dict[str, Style]:
    """One style for each kind, quality and whether it is abandoned."""
    styles: dict[str, Style] = {}
    for kind, colour in SERVICE_COLOURS.items():
        for quality, dash in QUALITY_DASHES.items():
            width, more = 1.9, {}
            if kind == "storm":
                width, more = 4.2, {"core": PAPER, "core_width": 1.5}
            letter = SERVICE_LETTERS[kind]
            name = f"{kind}-{quality}"
            styles[name] = line(colour, width, dash, letter=letter, **more)
            styles[f"{name}-abandoned"] = line(colour, width * 0.7, dash, crossed=True, **more)
            styles[f"{name}-point"] = mark("disc", 3.4, colour, 1.5, fill=PAPER, zoom=17)
            styles[f"{name}-point-abandoned"] = mark(
                "crossed", 3.6, colour, 1.5, fill=PAPER, zoom=17
            )
    return styles


def closure_styles() -> dict[str, Style]:
    """Work-zone hatching; the angle tells the part of the closure."""
    return {
        f"closure-{name}": area(WORK_ZONE, 1.2, hatch=angle, hatch_colour=WORK_ZONE)
        for name, angle in HATCH_ANGLES.items()
    }


STYLES: dict[str, Style] = {
    "contour": line("#857b6a", 0.5, opacity=0.5),
    "contour-index": line("#7a705f", 0.9, opacity=0.6),
    "footway": area("#c4bcae", 0.7, fill="#f4f0e9"),
    "carriageway": area(KERB, 1.0, fill=PAPER),
    "lane": line(LANE, 0.9, "7 7", zoom=16.5),
    "street": area("none", 0.0, fill="#ffffff00"),
    "right-of-way": area("#8c8375", 0.9, "9 3 1.5 3"),
    "zone": area("#5f6f86", 1.3, "12 4 2 4"),
    "keep-out": area("#57524a", 1.1, hatch=135, hatch_colour="#57524a66"),
    "keep-out-over": area("#57524a", 0.8, "3 4"),
    "property": area(OUTLINE, 1.1, fill="#ffffff40"),
    "property-unserved": area(INK, 2.2, "5 3", fill="#ffffff80"),
    "property-point": mark("square", 4.0, OUTLINE, 1.3, fill="#ffffffb0"),
    "property-unserved-point": mark("crossed-square", 5.2, INK, 1.8, fill=PAPER),
    "unserved-cross": mark("cross", 5.0, INK, 1.8),
    "no-pit": line("#57524a", 3.0, "1 4", opacity=0.75, zoom=15.5),
    "feature": mark("ring", 6.5, "#4f4a43", 1.0, fill=PAPER, zoom=17.5),
    "feature-tree": mark("tree", 5.5, "#5d6b50", 1.1, fill="#ffffff80", zoom=17.5),
    "feature-area": area("#6b655c", 0.9, "2 2.5", fill="#6b655c14", zoom=16.5),
    "borehole": mark("quartered", 6.0, INK, 1.2, fill=PAPER, zoom=16),
    "control": mark("target", 5.0, INK, 1.2, fill=PAPER, zoom=16),
    "connection": line(INK, 1.3, zoom=16),
    "connection-unserved": line(INK, 1.2, "2 3.5", opacity=0.75, zoom=16),
    "leg": line(INK, 7.0, core=CORE, core_width=2.6, arrow=True, case=PAPER, case_width=9.6),
    "pit-launch": box(5.2, 11, double=PAPER),
    "pit-exit": box(2.0, 9),
    "manhole": mark("disc", 3.0, INK, 1.2, fill=CORE),
    "tie-in": mark("tie-in", 8.0, INK, 2.4, fill=PAPER),
    "conflict-clash": mark("clash", 9.0, WRONG, 2.6, fill=WRONG),
    "conflict-tight": mark("ring", 9.0, WRONG, 4.2),
    "conflict-tight-house": mark("ring", 8.0, WRONG, 3.2, zoom=18),
    "conflict-unproven": mark("ring", 9.0, WRONG, 2.2, dash="3.6 3", zoom=17),
    "test-hole": mark("triangle", 9.5, INK, 1.6, fill=PAPER),
    "test-hole-mandatory": mark("triangle", 9.5, INK, 1.6, fill=INK, light=True),
    "equipment": area("#3e3a34", 1.3, "6 2", fill="#3e3a3424"),
    "doubt": mark("flag", 8.0, INK, 1.4, fill=PAPER),
    "repaired": mark("diamond", 5.4, INK, 1.4, fill=PAPER),
    **service_styles(),
    **closure_styles(),
}  # fmt: skip


class Switch(NamedTuple):
    """An entry of the legend, which is also a layer's switch."""

    id: str
    group: str
    title: str
    style: str
    on: bool = True


PROPOSED, WRONG_GROUP, WORK = "Proposed", "To be settled", "Work zone"
SERVICES, QUALITY, PLACE = "Services", "Known from", "Place"

SWITCHES: tuple[Switch, ...] = (
    Switch("leg", PROPOSED, "Sewer leg and its flow", "leg"),
    Switch("pit-launch", PROPOSED, "Launch pit", "pit-launch"),
    Switch("pit-exit", PROPOSED, "Exit pit", "pit-exit"),
    Switch("tie-in", PROPOSED, "Tie-in manhole", "tie-in"),
    Switch("connection", PROPOSED, "House connection", "connection"),
    Switch("conflict-clash", WRONG_GROUP, "Clash", "conflict-clash"),
    Switch("conflict-tight", WRONG_GROUP, "Tight clearance", "conflict-tight"),
    Switch("conflict-unproven", WRONG_GROUP, "Unproven clearance", "conflict-unproven"),
    Switch("property-unserved", WRONG_GROUP, "Property not served", "property-unserved-point"),
    Switch("connection-unserved", WRONG_GROUP, "Not connected", "connection-unserved"),
    Switch("test-hole-mandatory", WRONG_GROUP, "Test hole, mandatory", "test-hole-mandatory"),
    Switch("test-hole", WRONG_GROUP, "Test hole, advised", "test-hole"),
    Switch("doubt", WRONG_GROUP, "Input in doubt", "doubt"),
    Switch("repaired", WRONG_GROUP, "Input repaired", "repaired"),
    *(Switch(f"closure-{n}", WORK, n.capitalize(), f"closure-{n}") for n in HATCH_ANGLES),
    Switch("equipment", WORK, "Plant", "equipment"),
    *(Switch(f"service-{k}", SERVICES, SERVICE_TITLES[k], f"{k}-A") for k in SERVICE_COLOURS),
    *(Switch(f"quality-{q}", QUALITY, QUALITY_TITLES[q], f"unknown-{q}") for q in QUALITY_DASHES),
    Switch("quality-abandoned", QUALITY, "Abandoned", "unknown-A-abandoned"),
    Switch("property", PLACE, "Property", "property-point"),
    Switch("street", PLACE, "Street, kerb and lanes", "carriageway"),
    Switch("right-of-way", PLACE, "Right of way", "right-of-way"),
    Switch("keep-out", PLACE, "Keep-out", "keep-out"),
    Switch("zone", PLACE, "Zone with its own rules", "zone"),
    Switch("feature", PLACE, "Street feature", "feature"),
    Switch("no-pit", PLACE, "No pit can stand here", "no-pit", on=False),
    Switch("borehole", PLACE, "Borehole", "borehole"),
    Switch("control", PLACE, "Control point", "control"),
    Switch("ground", PLACE, "Ground and contours", "contour-index"),
)
"""All entries of the legend in their order; one without anything behind it is not listed."""
