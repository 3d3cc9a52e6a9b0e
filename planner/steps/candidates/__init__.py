"""Where pits could stand, and why none can elsewhere."""

from planner.steps.candidates.place import ground_at, place_candidates
from planner.steps.candidates.refused import refused_places

__all__ = ["ground_at", "place_candidates", "refused_places"]
