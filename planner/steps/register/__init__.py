"""Keeps the register of conflicts from run to run: numbers, statuses, and what is superseded.

A conflict is the same as an earlier one if the service, the rule and the kind of subject are the
same and it lies within a few metres, whatever the leg is called now. Nothing that was ever listed
drops out silently.
"""

from planner.steps.register.describe import describe
from planner.steps.register.keep import keep_register

__all__ = ["describe", "keep_register"]
