"""Reading figures whose table has steps, or whose value depends on a kind of service."""

from __future__ import annotations

from planner.model import Figures

CLEARANCE_DIGITS = 9  # [decimals of a metre] so that 1.5 x 0.6 is 0.9


def stepped(figures: Figures, name: str, at: float) -> float:
    """Value of a table whose keys are numbers, at a number between them.

    The entry of the largest key that is not above ``at`` holds; below the first key, the first
    one's. One number in place of the table holds everywhere.

    Examples
    --------
    >>> from planner.model import Figure
    >>> stepped(Figures({"slope": Figure({"200": 0.4, "250": 0.28}, "%", "")}), "slope", 225.0)
    0.4
    """
    table = figures.table(name)
    if "*" in table:
        return table["*"]
    steps = {float(key): value for key, value in table.items()}
    below = [key for key in steps if key <= at]
    return steps[max(below)] if below else steps[min(steps)]


def sum_of_steps(figures: Figures, name: str, at: float) -> float:
    """Sum of all entries whose key is not above a number, as prices by depth have them."""
    table = figures.table(name)
    return sum(value for key, value in table.items() if key == "*" or float(key) <= at)


def required_clearance(rules: Figures, kind: str, quality: str) -> float:
    """Clearance that a bore keeps to a service, before any tolerance.

    The table by quality times the factor of the kind. A kind that stands in the table itself,
    and one number in place of the table, are taken as they are.

    Parameters
    ----------
    rules
        Rules of a `RuleBook`.
    kind
        Kind of the service.
    quality
        Quality of its record, ``A`` to ``D``.

    Returns
    -------
    Clearance between the outsides. [m]
    """
    table = rules.table("clearance_m")
    for fixed in (kind, "*"):
        if fixed in table:
            return table[fixed]
    factors = rules.table("clearance_factor")
    required = table[quality] * factors.get(kind, factors.get("*", 1.0))
    return round(required, CLEARANCE_DIGITS)
