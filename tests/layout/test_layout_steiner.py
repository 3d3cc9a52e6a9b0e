"""Layouts whose prices know no depth: Steiner tree instances with published optima."""

from __future__ import annotations

import pytest

from planner.kernels.layout_plan import Effort, find_layout
from tests.layout.steiner import layout_of, read_graph

PUBLISHED = {  # source: data/README.md
    "Track1-instance035.gr": 581,
    "Track1-instance045.gr": 823,
    "Track3-instance010.gr": 13309487,
    "Track3-instance009.gr": 15841596,
    "Track2-instance039.gr": 53301,
    "Track2-instance110.gr": 84009,
}


@pytest.mark.parametrize(("name", "optimum"), PUBLISHED.items())
def test_published_optima_lie_between_bound_and_layout(name: str, optimum: int) -> None:
    found = find_layout(layout_of(read_graph(name)), Effort(changes=1_000_000, rounds=2, nodes=0))
    assert found.walked.faults == ()
    assert found.bound <= optimum <= found.cost * (1 + 1e-9)
    assert found.cost <= 1.03 * optimum
    assert found.bound >= 0.96 * optimum
