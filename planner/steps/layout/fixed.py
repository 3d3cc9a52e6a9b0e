"""Choices that the planner makes beforehand: streets, directions and tie-ins, forced or shut."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.kernels.layout_choices import with_carrying, with_direction, without_link
from planner.kernels.layout_instance import TO_A, TO_B, Instance
from planner.model import Site
from planner.records import StreetGraph


@dataclass(frozen=True)
class Choices:
    """Rows of `Site.streets` and of `Site.tie_ins`."""

    carried_streets: frozenset[int] = frozenset()  # get a sewer from end to end
    flows: frozenset[tuple[int, bool]] = frozenset()  # row, and whether it flows as it was drawn
    shut_tie_ins: frozenset[int] = frozenset()

    @property
    def any(self) -> bool:
        """Whether anything is chosen."""
        return bool(self.carried_streets or self.flows or self.shut_tie_ins)


NO_CHOICES = Choices()


def choices_of(site: Site) -> Choices:
    """What a project settles beforehand, by rows of its layers."""
    fixed = site.fixed
    streets = site.streets["street"].astype(str)
    ids = site.tie_ins["tie_in_id"].astype(str)
    shut = ids.isin(fixed.no_tie_ins)
    if fixed.tie_ins:
        shut |= ~ids.isin(fixed.tie_ins)
    flows = dict(fixed.flow)
    return Choices(
        frozenset(np.flatnonzero(streets.isin(fixed.carry)).tolist()),
        frozenset((row, flows[name]) for row, name in enumerate(streets) if name in flows),
        frozenset(np.flatnonzero(shut).tolist()),
    )


def fix_choices(
    instance: Instance, graph: StreetGraph, choices: Choices
) -> tuple[Instance, list[int]]:
    """The instance with choices made, and the links that must carry a sewer.

    Parameters
    ----------
    instance
        The instance.
    graph
        Its streets.
    choices
        What is chosen; a link is what all its rows have in common, so a choice on one of them
        holds for all.
    """
    whole = []
    flows = dict(choices.flows)
    for e, link in enumerate(graph.links):
        if choices.carried_streets & set(link.rows.tolist()):
            instance = with_carrying(instance, e)
            whole.append(e)
        ways = {
            flows[row] != bool(flipped)
            for row, flipped in zip(link.rows.tolist(), link.flipped, strict=True)
            if row in flows
        }
        if len(ways) == 2:
            instance = without_link(instance, e)
        elif ways:
            instance = with_direction(instance, e, TO_B if ways.pop() else TO_A)
    return instance, whole
