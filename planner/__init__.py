"""Plans gravity sewers that are bored on grade from pit to pit.

>>> import planner                                         # doctest: +SKIP
>>> site = planner.read_site("project.toml")               # doctest: +SKIP
>>> plan = planner.make_plan(site)                         # doctest: +SKIP
>>> planner.write_plan(plan, "out")                        # doctest: +SKIP
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from planner.errors import InputError, NoPlanError, OutputError, PlannerError, RuleError

if TYPE_CHECKING:
    from planner.inputs import read_site
    from planner.inputs.register import read_register
    from planner.model import Plan, Site
    from planner.outputs import write_plan
    from planner.pipeline import check_design, make_plan

__all__ = [
    "InputError",
    "NoPlanError",
    "OutputError",
    "Plan",
    "PlannerError",
    "RuleError",
    "Site",
    "check_design",
    "make_plan",
    "read_register",
    "read_site",
    "write_plan",
]

HOMES = {
    "Plan": "planner.model",
    "Site": "planner.model",
    "check_design": "planner.pipeline",
    "make_plan": "planner.pipeline",
    "read_register": "planner.inputs.register",
    "read_site": "planner.inputs",
    "write_plan": "planner.outputs",
}

if not TYPE_CHECKING:  # a checker that sees it would let every name pass

    def __getattr__(name: str) -> Any:
        """Import what is heavy when it is first asked for, so that the command starts at once."""
        if name not in HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        value = getattr(import_module(HOMES[name]), name)
        globals()[name] = value
        return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
