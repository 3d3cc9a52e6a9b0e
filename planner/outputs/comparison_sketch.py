"""Draws the sewers of plans over each other, told apart by ink and dash, with their flow."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple
from unicodedata import category

import numpy as np
import shapely

from planner.model import Comparison, EarlierPlan, Floats
from planner.outputs.display import Display

WIDTH, HEIGHT, MARGIN = 640.0, 440.0, 24.0  # [px] of the drawing at the most, and round it
NARROWEST = 320.0  # [px]
FOOT_ROOM = 40.0  # [px] below the drawing, for the scale
WITHIN = 8.0  # [m] so far apart two sewers lie in the same street
LEAST_LEG = 18.0  # [px] a shorter one has no arrow
ROUND = (1.0, 2.0, 5.0)
Ends = Sequence[Sequence[float]]


class Look(NamedTuple):
    """How a line is drawn."""

    ink: str
    dash: str
    width: float  # [px]

    def stroke(self) -> str:
        """The look as attributes."""
        dash = f' stroke-dasharray="{self.dash}"' if self.dash else ""
        return f'fill="none" stroke="{self.ink}" stroke-width="{self.width:g}"{dash}'


LOOKS = {
    "both": Look("#1B1F1D", "", 6.0),
    "turned": Look("#6A3D8F", "16 4 3 4", 6.0),
    "first": Look("#B4540A", "11 6", 5.0),
    "other": Look("#1F5FA8", "3 4", 5.0),
}
PLAN_LOOKS = (
    Look("#1B1F1D", "", 7.0), Look("#B4540A", "9 5", 5.0), Look("#1F5FA8", "2 4", 3.0),
    Look("#6A3D8F", "12 4 2 4", 3.0),
)  # fmt: skip


class Group(NamedTuple):
    """Lines of one look, and what they are."""

    words: str
    look: Look
    lines: Floats  # (lines, 2, 2) [m] the upper end first
    both_ways: bool = False


def plain_text(text: object) -> str:
    """Text that stays text in a page."""
    clean = (c if c.isprintable() or category(c) == "Zs" else "\ufffd" for c in str(text))
    return html.escape("".join(clean))


def sketch(made: Comparison, plans: Sequence[EarlierPlan], show: Display) -> str:
    """The drawing with its legend; "" where there is nothing to draw.

    Parameters
    ----------
    made, plans
        The comparison and its plans. Plans that lie in no common frame are not drawn.
    show
        Units of the lengths.
    """
    groups = _parts(made, show) if made.stretches else _whole(plans)
    drawn = [group for group in groups if len(group.lines)]
    if not drawn:
        return ""
    legend = "".join(f"<li>{_swatch(group)}{plain_text(group.words)}</li>" for group in groups)
    apart = [plan.name for plan in plans if plan.legs.crs is not None]
    words = f"Not drawn, as no common place is known: {', '.join(apart)}. " if apart else ""
    return (
        f'<figure>{_drawing(drawn, made.names, show)}<ul class="legend">{legend}</ul>'
        f"<figcaption>{plain_text(words)}Arrows show the flow.</figcaption></figure>"
    )


def _parts(made: Comparison, show: Display) -> list[Group]:
    """What two plans have in common, and what only one of them has."""
    first, other = made.names
    words = {
        "both": f"in both, within {show.text('length', WITHIN)} of each other",
        "turned": f"in both, but {other} flows the other way",
        "first": f"only in {first}",
        "other": f"only in {other}",
    }
    found = []
    for where, text in words.items():
        own = [one for one in made.stretches if one.where == where]
        if own or where != "turned":
            length = show.text("length", sum(one.length for one in own))
            lines = np.array([one.ends for one in own], float).reshape(-1, 2, 2)
            found.append(Group(f"{text}: {length}", LOOKS[where], lines, where == "turned"))
    return found


def _whole(plans: Sequence[EarlierPlan]) -> list[Group]:
    """Plans over each other, each in its own look."""
    placed = [plan for plan in plans if plan.legs.crs is None]
    return [
        Group(
            plan.name, PLAN_LOOKS[k % len(PLAN_LOOKS)],
            shapely.get_coordinates(plan.legs.geometry.to_numpy()).reshape(-1, 2, 2),
        )
        for k, plan in enumerate(placed)
    ]  # fmt: skip


def _swatch(group: Group) -> str:
    """A piece of the line, for the legend."""
    arrows = _arrows((0, 8), (64, 8), group)
    return (
        '<svg class="swatch" viewBox="0 0 64 16" aria-hidden="true">'
        f'<path d="M0 8H64" {group.look.stroke()}/>{arrows}</svg>'
    )


@dataclass(frozen=True)
class _Sheet:
    """The way from metres to the drawing."""

    west: float  # [m]
    south: float  # [m]
    scale: float  # [px/m]
    width: float  # [px]
    height: float  # [px]

    def at(self, place: Sequence[float]) -> tuple[float, float]:
        x = (place[0] - self.west) * self.scale + MARGIN
        y = self.height - FOOT_ROOM - MARGIN - (place[1] - self.south) * self.scale
        return round(float(x), 1), round(float(y), 1)


def _sheet(places: Floats) -> _Sheet:
    low, high = places.min(axis=0), places.max(axis=0)
    size = np.maximum(high - low, 1.0)
    scale = float(min((WIDTH - 2 * MARGIN) / size[0], (HEIGHT - 2 * MARGIN) / size[1]))
    room = (high - low) * scale + 2 * MARGIN
    return _Sheet(
        float(low[0]), float(low[1]), scale,
        max(float(room[0]), NARROWEST), float(room[1]) + FOOT_ROOM,
    )  # fmt: skip


def _drawing(groups: Sequence[Group], names: Sequence[str], show: Display) -> str:
    sheet = _sheet(np.concatenate([group.lines.reshape(-1, 2) for group in groups]))
    marks = []
    for group in groups:
        for up, down in group.lines.tolist():
            (x0, y0), (x1, y1) = sheet.at(up), sheet.at(down)
            marks.append(f'<path d="M{x0} {y0}L{x1} {y1}" {group.look.stroke()}/>')
            marks.append(_arrows((x0, y0), (x1, y1), group))
    label = plain_text(f"Sewers of {', '.join(names)} over each other; arrows show the flow")
    return (
        f'<svg class="plan" viewBox="0 0 {sheet.width:.0f} {sheet.height:.0f}" role="img" '
        f'aria-label="{label}">{"".join(marks)}{_scale_bar(sheet, show)}</svg>'
    )


def _scale_bar(sheet: _Sheet, show: Display) -> str:
    """A round length, and north."""
    unit = show.scale("length").size
    most = (NARROWEST - 2 * MARGIN) / 2 / sheet.scale / unit
    decade = 10.0 ** np.floor(np.log10(most))
    length = max(r * decade for r in ROUND if r * decade <= most)
    y, end = sheet.height - 16.0, MARGIN + length * unit * sheet.scale
    words = f"{length:g} {show.unit('length')}"
    return (
        f'<path d="M{MARGIN:g} {y - 6:.1f}v6H{end:.1f}v-6" fill="none" stroke="#1B1F1D" '
        f'stroke-width="2"/><text x="{end + 8:.1f}" y="{y:.1f}" font-size="17">{words}</text>'
        f'<text x="{sheet.width - MARGIN:.1f}" y="{y:.1f}" font-size="17" '
        'text-anchor="end">↑ N</text>'
    )


def _arrows(start: tuple[float, float], end: tuple[float, float], group: Group) -> str:
    """The flow at the middle of a line; both flows where the plans differ."""
    if not group.both_ways:
        return _arrow(start, end, group.look.ink, 0.0)
    ahead = _arrow(start, end, group.look.ink, 10.0)
    return ahead + _arrow(end, start, group.look.ink, 10.0)


def _arrow(start: Sequence[float], end: Sequence[float], ink: str, beyond: float) -> str:
    """An arrow head in the middle of a line, or so far beyond it."""
    step = np.subtract(end, start)
    long = float(np.hypot(*step))
    if long < LEAST_LEG:
        return ""
    way = step / long
    side = np.array([-way[1], way[0]])
    tip = np.add(start, step / 2) + (7.0 + min(beyond, long / 4)) * way
    wings = (tip, tip - 14 * way + 7 * side, tip - 14 * way - 7 * side)
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in wings)
    return f'<polygon points="{points}" fill="{ink}" stroke="#fff" stroke-width="1"/>'
