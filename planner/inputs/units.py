"""The units a field may state, and their way to the unit that a column's name ends in."""

from __future__ import annotations

from typing import NamedTuple

from planner.model import FOOT, US_SURVEY_FOOT

US_GALLON = 3.785411784  # [L] by definition: 231 cubic inches of 25.4 mm
MINUTES_A_DAY = 1440
SECONDS_A_DAY = 86_400


class Unit(NamedTuple):
    """What a unit measures, and how many of that measure's base unit it holds."""

    measure: str
    factor: float


UNITS: dict[str, Unit] = {
    "m": Unit("length", 1.0),
    "cm": Unit("length", 0.01),
    "mm": Unit("length", 0.001),
    "ft": Unit("length", FOOT),
    "us-ft": Unit("length", US_SURVEY_FOOT),
    "in": Unit("length", 0.0254),
    "km/h": Unit("speed", 1.0),
    "mph": Unit("speed", 1.609344),
    "L/s": Unit("flow", 1.0),
    "m3/d": Unit("flow", 1000 / SECONDS_A_DAY),
    "gpd": Unit("flow", US_GALLON / SECONDS_A_DAY),
    "gpm": Unit("flow", US_GALLON * MINUTES_A_DAY / SECONDS_A_DAY),
    "%": Unit("slope", 1.0),
    "m/m": Unit("slope", 100.0),
    "ft/100ft": Unit("slope", 1.0),
}
"""Every unit that may stand in a field mapping."""

VERTICAL_UNITS: dict[str, float] = {name: UNITS[name].factor for name in ("m", "ft", "us-ft")}
"""Units an elevation may be in. [m]"""

_ENDINGS: tuple[tuple[str, str], ...] = (
    ("_l_per_s", "L/s"),
    ("_kmh", "km/h"),
    ("_pct", "%"),
    ("_mm", "mm"),
    ("_m", "m"),
)


def unit_of(column: str) -> str:
    """Unit that a canonical column's name ends in; "" where it has none.

    Examples
    --------
    >>> unit_of("outlet_diameter_mm"), unit_of("speed_kmh"), unit_of("lanes")
    ('mm', 'km/h', '')
    """
    return next((unit for ending, unit in _ENDINGS if column.endswith(ending)), "")


def units_for(column: str) -> tuple[str, ...]:
    """Units that a field mapping of this column may state."""
    own = unit_of(column)
    if not own:
        return ()
    return tuple(name for name, unit in UNITS.items() if unit.measure == UNITS[own].measure)


def factor_to(column: str, unit: str) -> float:
    """Factor from a stated unit to the column's own.

    Examples
    --------
    >>> factor_to("diameter_m", "in"), factor_to("diameter_m", "m")
    (0.0254, 1.0)
    """
    own = UNITS[unit_of(column)].factor
    return UNITS[unit].factor / own if own != UNITS[unit].factor else 1.0
