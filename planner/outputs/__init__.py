"""Plan -> files: the only code that writes."""

from planner.outputs.files import write_plan

__all__ = ["write_plan"]
