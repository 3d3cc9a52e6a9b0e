"""Instances taken from whole sites: what the planner hands to the programme for them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

import planner
from planner.search.serving import Wish, lay_out_what_passes
from planner.steps.routing import Given
from planner.steps.routing.pricing import build_problem
from planner.steps.streets import build_graph
from tests.builders import build_site
from tests.judge.instance_file import Arrays, flatten


def given_of_site(folder: Path, **layers: Any) -> Given:
    """What a route is chosen from."""
    site = planner.read_site(build_site(folder, **layers))
    graph = build_graph(site, site.book.rules.number("connection_max_length_m"))
    return lay_out_what_passes(site, graph, Wish()).given


def instance_of_site(given: Given) -> Arrays:
    """The arrays of a site that must serve everybody on its streets."""
    chained = [chain.properties for chain in given.layout.chains]
    served = np.zeros(len(given.site.properties), bool)
    served[np.concatenate(chained)] = True
    return flatten(build_problem(given, served).strict)
