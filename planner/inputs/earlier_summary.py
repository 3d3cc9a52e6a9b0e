"""Reads what an earlier plan says of itself, and refuses what no plan would say."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any, NoReturn

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from planner.errors import InputError
from planner.inputs.words import plain, printable, shown

PLAN_AGAIN = "Give the folder of a plan, or plan again"
MOST = 1e15  # no figure of a plan is larger
Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-MOST, le=MOST)]


def _require_figures(value: Any) -> Any:
    """A text, a number, nothing, or a table of such; a number must fit what is reckoned with."""
    for one in value.values() if isinstance(value, dict) else (value,):
        if isinstance(one, (int, float)):
            if not abs(one) <= MOST:  # nor is what is not a number
                raise ValueError("it is no number of a plan")
        elif one is not None and not isinstance(one, str):
            raise ValueError("it is neither a number nor a text")
    return value


Given = Annotated[Any, AfterValidator(_require_figures)]


class _Loose(BaseModel):
    model_config = ConfigDict(extra="allow")


class _Totals(_Loose):
    cost: Number | None
    served: Number | None
    properties: Number | None = None
    social_cost: Number | None = None
    length_m: Number | None = None
    legs: Number | None = None
    pits: Number | None = None
    working_days: Number | None = None
    currency: str | None = None


class _Proof(_Loose):
    cost: Number | None = None
    lower_bound: Number | None = None
    gap_pct: Number | None = None


class _Breach(_Loose):
    rule: str
    subject: str
    severity: str
    value: Given = None
    limit: Given = None
    unit: str | None = None


class _ShownIn(_Loose):
    units: str | None = None
    foot_m: Annotated[Number, Field(gt=0)] | None = None
    vertical_datum: str | None = None


class _Value(_Loose):
    value: Given
    unit: str | None = None


class _File(_Loose):
    path: str
    sha256: str
    layer: str | None = None


class _Summary(_Loose):
    """The parts of `plan.json` that plans are held against each other by."""

    totals: _Totals
    cost_breakdown: dict[str, Number | None]
    breaches: list[_Breach]
    rules: dict[str, _Value]
    costs: dict[str, _Value]
    inputs: list[_File]
    grid_to_ground: Annotated[Number, Field(gt=0)]
    project: str | None = None
    status: str | None = None
    optimality: _Proof | None = None
    shown_in: _ShownIn | None = None


def refuse_plan(why: str, path: Path, layer: str | None = None, **where: Any) -> NoReturn:
    """Refuse a file of a plan."""
    raise InputError(
        f"the plan cannot be read ({why})", PLAN_AGAIN, file=printable(path), layer=layer, **where
    ) from None


def read_summary(path: Path) -> dict[str, Any]:
    """What `plan.json` holds, its parts that are compared in their right form."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (FileNotFoundError, NotADirectoryError):
        raise InputError("there is no plan here", PLAN_AGAIN, file=printable(path)) from None
    except (OSError, ValueError, RecursionError) as error:
        refuse_plan(plain(str(error)), path)
    try:
        _Summary.model_validate(content)
    except ValidationError as error:
        fault = error.errors(include_url=False)[0]
        key = ".".join(plain(part) for part in fault["loc"]) or "the whole of it"
        if fault["type"] == "missing":
            raise InputError(
                f"this is no summary of a plan: it has no {key}", PLAN_AGAIN, file=printable(path)
            ) from None
        refuse_plan(f"{key} is {shown(fault['input'])}", path)
    return dict(content)
