"""The best layout: of a small place by listing all there are, elsewhere by search."""

from __future__ import annotations

from planner.kernels.layout_headroom import without_unserved
from planner.kernels.layout_instance import Instance
from planner.kernels.layout_list import list_layouts
from planner.kernels.layout_plan import Effort, Found, Progress, Stop, find_layout
from planner.kernels.layout_walk import over_capacity, walk_layout

MOST_LISTED = 100  # layouts


def find_best_layout(
    instance: Instance,
    effort: Effort = Effort(),  # noqa: B008  # a tuple cannot change
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Found:
    """The best layout that can be found, with a proven bound; of a small place the best there is.

    Parameters
    ----------
    instance, effort, progress, stop
        As for `planner.kernels.layout_plan.find_layout`, which is asked where there are too many
        layouts to list, or none that the tie-ins can take.
    """
    served, unserved, _ = without_unserved(instance)
    for use in list_layouts(served, MOST_LISTED, divided=True) or ():
        walked = walk_layout(served, use)
        over = over_capacity(served, walked)
        if not over.any():
            if progress is not None:
                progress(0, walked.cost, walked.cost)
            return Found(use, walked, walked.cost, "listing", unserved, over, 0)
    return find_layout(instance, effort, progress=progress, stop=stop)
