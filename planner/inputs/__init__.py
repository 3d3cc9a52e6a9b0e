"""Files to a `Site`: the only code that reads."""

from planner.inputs.report import report_inputs
from planner.inputs.site import read_site

__all__ = ["read_site", "report_inputs"]
