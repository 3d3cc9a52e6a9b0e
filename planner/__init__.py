"""Plans gravity sewers that are bored on grade from pit to pit.

>>> import planner                                         # doctest: +SKIP
>>> site = planner.read_site("project.toml")               # doctest: +SKIP
>>> plan = planner.make_plan(site)                         # doctest: +SKIP
>>> planner.write_plan(plan, "out")                        # doctest: +SKIP
"""

from planner.errors import InputError, NoPlanError, OutputError, PlannerError, RuleError
from planner.inputs import read_site
from planner.model import Plan, Site
from planner.outputs import write_plan
from planner.pipeline import make_plan

__all__ = [
    "InputError",
    "NoPlanError",
    "OutputError",
    "Plan",
    "PlannerError",
    "RuleError",
    "Site",
    "make_plan",
    "read_site",
    "write_plan",
]
