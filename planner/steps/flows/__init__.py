"""Design flows of pipes, the smallest size that carries them, and the slopes it may have."""

from __future__ import annotations

from planner.kernels.peaks import peak_factor, sum_down
from planner.steps.flows.chains import lay_pipes, shed_load, slopes_along
from planner.steps.flows.loads import (
    FlowLoads,
    find_impossible_loads,
    load_legs,
    load_pipes,
    people_of,
    people_within,
    unit_flow,
)
from planner.steps.flows.sizes import (
    SlopeWindow,
    choose_size,
    largest_peak,
    pipe_in_bore,
    run_states,
    sizes_by_people,
    slopes_of,
    usable_sizes,
)

__all__ = [
    "FlowLoads", "SlopeWindow", "choose_size", "find_impossible_loads", "largest_peak",
    "lay_pipes", "load_legs", "load_pipes", "peak_factor", "people_of", "people_within",
    "pipe_in_bore", "run_states", "shed_load", "sizes_by_people", "slopes_along", "slopes_of",
    "sum_down", "unit_flow", "usable_sizes",
]  # fmt: skip
