"""Finds every pair of what is bored or dug and a service that is too near or may be."""

from __future__ import annotations

import pandas as pd

from planner.model import Site
from planner.steps.clearances.bored import bore_rows
from planner.steps.clearances.dug import pit_rows
from planner.steps.clearances.own_pipes import find_own_pipes, name_own_pipes
from planner.steps.clearances.rows import Conflicts, make_detail, make_frame, put_in_order
from planner.steps.clearances.services import Services
from planner.steps.clearances.subjects import Connections, Legs, Pits, connection_bores, leg_bores
from planner.steps.clearances.water import water_rows


def find_conflicts(
    site: Site, services: Services, legs: Legs, pits: Pits, connections: Connections
) -> Conflicts:
    """Every pair of a leg, pit or connection and a service that is too near or may be.

    One row for each (subject, service, rule) whose measure is below what is required, or, for
    clearances in 3D, may be so with more than the accepted probability.
    """
    rules = site.book.rules
    own = find_own_pipes(site, services)
    bored, joined = leg_bores(legs, site), connection_bores(connections)
    found = [
        bore_rows(services, bored, rules, own),
        bore_rows(services, joined, rules, own),
        water_rows(services, bored, rules),
        water_rows(services, joined, rules),
        pit_rows(services, pits, rules, own),
    ]
    rows = pd.concat([part for part in found if len(part)] or found[:1], ignore_index=True)
    rows = put_in_order(rows, services)
    return Conflicts(
        make_frame(rows, services),
        make_detail(rows, services),
        name_own_pipes(site, services, legs, own),
    )
