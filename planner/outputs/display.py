"""SI to what people read: one set of units and places for map, report, workbook and terminal."""

from __future__ import annotations

import datetime as dt
import math
import re
from dataclasses import dataclass
from typing import NamedTuple

from planner.model import Project

ABSENT = "–"  # what stands where a figure is not known
DAGGER = "†"  # follows a figure that rests on an assumption
THIN = "\u202f"  # narrow no-break space, between thousands and before a unit in prose
INCH = 25.4  # [mm] by definition
NOMINAL_INCH = 25.0  # [mm] pipe sizes pair 200 with 8 in, 250 with 10 in, 375 with 15 in
MILE = 1.609344  # [km] by definition
US_GALLON = 3.785411784  # [L] 231 cubic inches, by definition
GALLONS_PER_MINUTE = US_GALLON / 60  # [L/s]
MILLION_GALLONS_PER_DAY = US_GALLON * 1e6 / 86_400  # [L/s]
MOST_SLOPE_PLACES = 6
LEAST_NOMINAL = 100.0  # [mm] smallest pipe size
PROSE_MEASURES = {"m": "clearance", "mm": "tolerance", "L/s": "flow", "m/s": "velocity"}
SI_FIGURE = re.compile(r"(?<![\w.,])([-−]?\d+(?:\.\d+)?) (mm|m/s|m|L/s)(?![\w/²³^])")


class Scale(NamedTuple):
    """How one measure is shown: what a shown unit is in SI, its name and its places."""

    size: float
    unit: str
    places: int


METRIC: dict[str, Scale] = {
    "level": Scale(1.0, "m", 2),
    "ground": Scale(1.0, "m", 2),
    "length": Scale(1.0, "m", 1),
    "exact": Scale(1.0, "m", 3),
    "depth": Scale(1.0, "m", 2),
    "clearance": Scale(1.0, "m", 2),
    "width": Scale(1.0, "m", 2),
    "nominal": Scale(1.0, "mm", 0),
    "diameter": Scale(1.0, "mm", 0),
    "flow": Scale(1.0, "L/s", 2),
    "velocity": Scale(1.0, "m/s", 2),
    "speed": Scale(1.0, "km/h", 0),
    "area": Scale(1.0, "m²", 1),
    "volume": Scale(1.0, "m³", 1),
    "tolerance": Scale(1.0, "mm", 0),
}


def us_scales(foot: float) -> dict[str, Scale]:
    """Scales of a project in feet.

    Parameters
    ----------
    foot
        The foot that is shown: international or US survey. [m]
    """
    return {
        "level": Scale(foot, "ft", 2),
        "ground": Scale(foot, "ft", 1),
        "length": Scale(foot, "ft", 1),
        "exact": Scale(foot, "ft", 2),
        "depth": Scale(foot, "ft", 1),
        "clearance": Scale(foot, "ft", 2),
        "width": Scale(foot, "ft", 1),
        "nominal": Scale(NOMINAL_INCH, "in", 0),
        "diameter": Scale(INCH, "in", 2),
        "flow": Scale(GALLONS_PER_MINUTE, "gpm", 1),
        "velocity": Scale(foot, "ft/s", 2),
        "speed": Scale(MILE, "mph", 0),
        "area": Scale(foot**2, "sq ft", 0),
        "volume": Scale((3 * foot) ** 3, "cu yd", 1),
        "tolerance": Scale(INCH, "in", 2),
    }


PLAIN: dict[str, Scale] = {
    "percent": Scale(1.0, "%", 2),
    "share": Scale(0.01, "%", 1),
    "ratio": Scale(1.0, "", 2),
    "count": Scale(1.0, "", 0),
    "number": Scale(1.0, "", 2),
    "hours": Scale(1.0, "h", 1),
    "days": Scale(1.0, "days", 1),
    "degrees": Scale(1.0, "°", 1),
    "money": Scale(1.0, "", 0),
}


def is_absent(value: object) -> bool:
    """Whether a figure is missing: ``None``, NaN or infinite, or no text."""
    if isinstance(value, (float, int)):
        return not math.isfinite(value)
    return value is None or str(value) in ("", "NaT", "nan", "<NA>")


def group_thousands(value: float, places: int) -> str:
    """Write a number with thin spaces between thousands and a true minus sign."""
    text = f"{value:,.{places}f}".replace(",", THIN)
    if text.strip("-0.") == "":
        return text.lstrip("-")
    return text.replace("-", "−")


@dataclass(frozen=True)
class Display:
    """The units, the foot and the datum that a project is shown in.

    Each measure has one unit and one number of places, the same on every page.

    Examples
    --------
    >>> show = Display("us", 0.3048, "NAVD88")
    >>> show.level(290.001), show.unit("level"), show.text("nominal", 200)
    ('951.45', 'ft', '8 in')
    """

    units: str  # "us" or "metric"
    foot: float = 0.3048  # [m]
    datum: str = ""
    level_step: float = 0.0  # [m] grid of levels; 0: a hundredth of the unit of levels
    currency: str = ""
    start_date: str = ""  # ISO; "" leaves days as numbers

    @classmethod
    def of(cls, project: Project, currency: str = "") -> Display:
        """Display that a project asks for."""
        return cls(
            project.display_units,
            project.foot,
            project.vertical_datum,
            project.level_step,
            currency,
            project.start_date,
        )

    def scale(self, measure: str) -> Scale:
        """Scale of a measure; KeyError names a measure that does not exist."""
        if measure == "money":
            return PLAIN["money"]._replace(unit=self.currency)
        if measure in PLAIN:
            return PLAIN[measure]
        return us_scales(self.foot)[measure] if self.units == "us" else METRIC[measure]

    def unit(self, measure: str) -> str:
        """Unit of a measure, for the head of a table."""
        return self.scale(measure).unit

    def number(self, measure: str, value: object) -> float | None:
        """Figure in shown units, rounded to its places; ``None`` where it is absent."""
        if is_absent(value):
            return None
        size, _, places = self.scale(measure)
        return round(float(value) / size, places)  # type: ignore[arg-type]

    def plain(self, measure: str, value: object) -> str:
        """Figure as text without its unit."""
        number = self.number(measure, value)
        return ABSENT if number is None else group_thousands(number, self.scale(measure).places)

    def text(self, measure: str, value: object) -> str:
        """Figure as text with its unit; a large flow in millions of gallons a day."""
        if measure == "flow" and self._is_large_flow(value):
            return f"{group_thousands(float(value) / MILLION_GALLONS_PER_DAY, 2)} MGD"  # type: ignore[arg-type]
        plain, unit = self.plain(measure, value), self.unit(measure)
        if plain == ABSENT or not unit:
            return plain
        return f"{plain}{unit}" if unit == "°" else f"{plain} {unit}"

    def _is_large_flow(self, value: object) -> bool:
        if self.units != "us" or is_absent(value):
            return False
        return float(value) >= MILLION_GALLONS_PER_DAY  # type: ignore[arg-type]

    def level(self, elevation: object) -> str:
        """Elevation of something built, to a hundredth. [m in]"""
        return self.plain("level", elevation)

    def ground(self, elevation: object) -> str:
        """Elevation of the ground, to 0.1 ft or 0.01 m. [m in]"""
        return self.plain("ground", elevation)

    def length(self, length: object) -> str:
        """Length to a tenth. [m in]"""
        return self.plain("length", length)

    def exact_length(self, length: object) -> str:
        """Length to 0.01 ft or to a millimetre. [m in]"""
        return self.plain("exact", length)

    def depth(self, depth: object) -> str:
        """Depth to 0.1 ft or 0.01 m. [m in]"""
        return self.plain("depth", depth)

    def diameter(self, nominal: object) -> str:
        """Nominal pipe size. [mm in]"""
        return self.plain("nominal", nominal)

    def flow(self, flow: object) -> str:
        """Flow in US gallons a minute or litres a second. [L/s in]"""
        return self.plain("flow", flow)

    def velocity(self, velocity: object) -> str:
        """Velocity. [m/s in]"""
        return self.plain("velocity", velocity)

    def volume(self, volume: object) -> str:
        """Volume in cubic yards or cubic metres. [m3 in]"""
        return self.plain("volume", volume)

    def money(self, amount: object) -> str:
        """Sum of money in whole units of the currency."""
        return self.plain("money", amount)

    def slope(self, fall: object, length: object) -> str:
        """Slope in percent with as many places as make it close on the grid of levels.

        Printed slope times length, rounded to the grid, is the fall again.

        Parameters
        ----------
        fall
            Invert at the upper end less invert at the lower. [m]
        length
            Point to point. [m]
        """
        if is_absent(fall) or is_absent(length) or not float(length) > 0:  # type: ignore[arg-type]
            return ABSENT
        drop, run = float(fall), float(length)  # type: ignore[arg-type]
        step = self.level_step or self.scale("level").size / 100
        slope = 100 * drop / run
        for places in range(2, MOST_SLOPE_PLACES):
            if abs(round(slope, places) / 100 * run - drop) < step / 2:
                return group_thousands(round(slope, places), places)
        return group_thousands(slope, MOST_SLOPE_PLACES)

    def prose(self, text: object) -> str:
        """Sentence of ours with its SI figures in the project's units.

        Examples
        --------
        >>> Display("us").prose("floor too low by 1.32 m")
        'floor too low by 4.33 ft'
        """
        if self.units != "us":
            return str(text)
        return SI_FIGURE.sub(self._shown_figure, str(text))

    def _shown_figure(self, match: re.Match[str]) -> str:
        value, unit = float(match.group(1).replace("−", "-")), match.group(2)
        if unit == "mm" and value >= LEAST_NOMINAL and value % NOMINAL_INCH == 0:
            return self.text("nominal", value)
        return self.text(PROSE_MEASURES[unit], value)

    def date(self, iso: object) -> str:
        """Day of the calendar as ``25 Nov 2026``; text that is no ISO date stays as it is."""
        if is_absent(iso):
            return ABSENT
        try:
            day = dt.date.fromisoformat(str(iso)[:10])
        except ValueError:
            return str(iso)
        return f"{day.day} {MONTHS[day.month - 1]} {day.year}"

    def day(self, number: object) -> str:
        """Working day of the job: a date where the project has a start, else its number from 1."""
        if is_absent(number):
            return ABSENT
        count = round(float(number))  # type: ignore[arg-type]
        if not self.start_date:
            return f"day {count}"
        return self.date(add_working_days(self.start_date, count - 1))


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
FRIDAY = 4


def add_working_days(start: str, days: int) -> str:
    """ISO date that lies a number of working days (Monday to Friday) after a start."""
    day = dt.date.fromisoformat(start[:10])
    while day.weekday() > FRIDAY:
        day += dt.timedelta(days=1)
    weeks, rest = divmod(day.weekday() + days, FRIDAY + 1)
    return (
        day - dt.timedelta(days=day.weekday()) + dt.timedelta(weeks=weeks, days=rest)
    ).isoformat()
