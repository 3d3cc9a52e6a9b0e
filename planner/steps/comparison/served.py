"""Says which properties and tie-ins one of two plans takes and the other does not."""

from __future__ import annotations

from planner.model import EarlierPlan
from planner.steps.comparison.pairing import TIE_IN, Changed, Pairing, in_order, natural


def served_by(plan: EarlierPlan) -> set[str]:
    """Properties that a plan serves."""
    houses = plan.connections
    return set(houses[houses["served"]]["property_id"])


def tie_ins_of(plan: EarlierPlan) -> list[str]:
    """Tie-ins that legs of a plan drain into, in order."""
    ties = set(plan.pits[plan.pits["kind"] == TIE_IN]["pit_id"])
    return sorted(ties & set(plan.legs["down_pit"]), key=natural)


def served_changed(pairing: Pairing) -> Changed:
    """Properties and tie-ins that one plan has and the other has not."""
    first, other = pairing.first, pairing.other
    ties = [set(tie_ins_of(plan)) for plan in (first, other)]
    return [
        ("Properties no longer served", _without(first, other)),
        ("Properties served in addition", _without(other, first)),
        ("Tie-ins no longer used", in_order(ties[0] - ties[1])),
        ("Tie-ins used in addition", in_order(ties[1] - ties[0])),
    ]


def _without(here: EarlierPlan, there: EarlierPlan) -> list[str]:
    """Properties that are served here and not there, and why not."""
    why = dict(zip(there.connections["property_id"], there.connections["why_not"], strict=True))
    return in_order(
        f"{name}: {_reason(why.get(name))}" for name in served_by(here) - served_by(there)
    )


def _reason(why: str | None) -> str:
    if why is None:
        return "the other plan does not know it"
    return why or "the other plan says no reason"
