"""Holds plans against the first of them: figures side by side, what changed, and what to heed."""

from __future__ import annotations

from collections.abc import Sequence

from planner.model import Change, Comparison, EarlierPlan
from planner.steps.comparison.bases import bases_changed
from planner.steps.comparison.cautions import cautions_of
from planner.steps.comparison.figures import figures_of
from planner.steps.comparison.findings import findings_changed
from planner.steps.comparison.overlay import stretches_of
from planner.steps.comparison.pairing import Pairing, pair
from planner.steps.comparison.served import served_changed
from planner.steps.comparison.sewers import legs_changed, pits_changed
from planner.steps.comparison.streets import streets_changed

__all__ = ["compare_plans"]


def compare_plans(plans: Sequence[EarlierPlan]) -> Comparison:
    """Figures of plans side by side, and what each has otherwise than the first.

    Parameters
    ----------
    plans
        Two plans or more. Those whose layers have no CRS lie in one frame of metres; of a plan
        that has one, places, levels along the way and directions are not compared.
    """
    pairings = [pair(plans[0], plan) for plan in plans[1:]]
    changes = [
        Change(number, what, tuple(lines))
        for number, pairing in enumerate(pairings, 1)
        for what, lines in _changes(pairing)
        if lines
    ]
    return Comparison(
        tuple(plan.name for plan in plans), tuple(figures_of(plans)), tuple(changes),
        tuple(cautions_of(plans)), stretches_of(pairings[0]) if len(pairings) == 1 else (),
    )  # fmt: skip


def _changes(pairing: Pairing) -> list[tuple[str, list[str]]]:
    """What changed, subject by subject, each with a line for a thing."""
    return [
        *served_changed(pairing), *findings_changed(pairing), *streets_changed(pairing),
        *pits_changed(pairing), *legs_changed(pairing), *bases_changed(pairing),
    ]  # fmt: skip
