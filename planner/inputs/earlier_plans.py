"""Reads plans back from the folders they were written into."""

from __future__ import annotations

import json
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.errors import InputError
from planner.inputs.words import plain, printable
from planner.model import EarlierPlan

LAYERS = ("pits", "legs", "connections", "conflicts")
NEEDED = ("totals", "cost_breakdown", "breaches", "rules", "costs", "inputs")  # of the summary
ALTERNATIVES = "alternatives"
TEXTS = ("currency", "scope", "not_bounded", "on_these_streets")
MOST = 1e15  # no figure of a plan is larger
NEEDED_COLUMNS = {
    "pits": ("pit_id", "kind", "street", "depth_m", "lanes_closed"),
    "legs": (
        "leg_id",
        "up_pit",
        "down_pit",
        "street",
        "length_m",
        "invert_up_m",
        "invert_down_m",
        "diameter_mm",
    ),
    "connections": ("property_id", "served", "why_not"),
    "conflicts": ("conflict_id", "severity"),
}
PLAN_AGAIN = "Give the folder of a plan, or plan again"


def read_plans(folders: Sequence[str | Path]) -> list[EarlierPlan]:
    """Plans of some folders; of a single one its alternatives too.

    Parameters
    ----------
    folders
        Folders that plans were written into.

    Raises
    ------
    InputError
        A folder holds no plan, or a file of it cannot be read, or there is only one plan.
    """
    places = [Path(folder) for folder in folders]
    if len(places) == 1:
        others = sorted(places[0].glob(f"{ALTERNATIVES}/*/plan.json"))
        places += [other.parent for other in others]
    if len(places) < 2:
        raise InputError(
            "there is one plan, and it has no alternatives beside it",
            "Give the folders of two plans or more",
            file=printable(places[0]) if places else None,
        )  # fmt: skip
    names = _names(places)
    plans = [_read(place, name) for place, name in zip(places, names, strict=True)]
    _require_alike(plans, places)
    return plans


def _names(places: list[Path]) -> list[str]:
    """Names that tell the folders apart: the last part, or all of it where that is not enough."""
    short = [place.resolve().name or str(place) for place in places]
    if len(set(short)) == len(short):
        return [printable(name) for name in short]
    return [printable(place) for place in places]


def _read(place: Path, name: str) -> EarlierPlan:
    layers = {layer: _layer(place / "plan.gpkg", layer) for layer in LAYERS}
    return EarlierPlan(name, _summary(place / "plan.json"), **layers)


def _summary(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError("there is no plan here", PLAN_AGAIN, file=printable(path)) from None
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(
            f"the plan cannot be read ({plain(str(error))})", PLAN_AGAIN, file=printable(path)
        ) from None
    lacking = [key for key in NEEDED if not isinstance(found, dict) or key not in found]
    if lacking:
        raise InputError(
            f"this is no summary of a plan: it has no {lacking[0]}", PLAN_AGAIN,
            file=printable(path),
        )  # fmt: skip
    odd = _odd_part(found)
    if odd:
        raise InputError(
            f"this is no summary of a plan: {odd} is not what a plan holds there", PLAN_AGAIN,
            file=printable(path),
        )  # fmt: skip
    return dict(found)


def _odd_part(found: dict[str, Any]) -> str:
    """The first part of a summary that has not the form of a plan's; empty where all have."""
    proof = found.get("optimality") or {}
    tables = {key: found[key] for key in ("totals", "cost_breakdown", "rules", "costs")}
    for key, table in {**tables, "optimality": proof}.items():
        if not isinstance(table, dict):
            return key
    for key in ("breaches", "inputs"):
        if not isinstance(found[key], list) or not all(isinstance(x, dict) for x in found[key]):
            return key
    entries = [*found["rules"].items(), *found["costs"].items()]
    odd = [str(name) for name, one in entries if not isinstance(one, dict)]
    for figures in (found["totals"], found["cost_breakdown"], proof):
        odd += [str(n) for n, v in figures.items() if n not in TEXTS and not _is_figure(v)]
    return odd[0] if odd else ""


def _is_figure(value: object) -> bool:
    """Whether a value is a number that can be reckoned with, or none."""
    if value is None:
        return True
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return bool(abs(value) < MOST)  # no for what is not a number


def _layer(path: Path, layer: str) -> gpd.GeoDataFrame:
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            frame = gpd.read_file(path, layer=layer, engine="pyogrio")
    except Exception as error:  # noqa: BLE001  (a driver may raise anything on a broken file)
        raise InputError(
            f"the plan cannot be read ({plain(str(error))})", PLAN_AGAIN,
            file=printable(path), layer=layer,
        ) from None  # fmt: skip
    lacking = [name for name in NEEDED_COLUMNS[layer] if name not in frame.columns]
    if lacking or not isinstance(frame, gpd.GeoDataFrame):
        raise InputError(
            "this is no layer of a plan", PLAN_AGAIN, file=printable(path), layer=layer,
            column=lacking[0] if lacking else None,
        )  # fmt: skip
    _require_rows(frame, layer, path)
    unit = frame.crs.axis_info[0].unit_conversion_factor if frame.crs is not None else 1.0
    return frame.set_geometry(shapely.transform(frame.geometry.to_numpy(), lambda xy: xy * unit),
                              crs=frame.crs)  # fmt: skip


def _require_rows(frame: gpd.GeoDataFrame, layer: str, path: Path) -> None:
    """Rows with a place, and numbers where numbers belong."""
    bare = np.flatnonzero(frame.geometry.isna() | frame.geometry.is_empty)
    if len(bare) and layer in ("pits", "legs"):
        raise InputError(
            "this row has no geometry", PLAN_AGAIN, file=printable(path), layer=layer,
            row=int(bare[0]) + 1,
        )  # fmt: skip
    for name in NEEDED_COLUMNS[layer]:
        if name.endswith(("_m", "_mm")) and not pd.api.types.is_numeric_dtype(frame[name]):
            raise InputError(
                "this column holds text, not numbers", PLAN_AGAIN, file=printable(path),
                layer=layer, column=name,
            )  # fmt: skip


def _require_alike(plans: list[EarlierPlan], places: list[Path]) -> None:
    """Plans in one CRS: places in two cannot be held against each other."""
    for plan, place in zip(plans[1:], places[1:], strict=True):
        if plan.legs.crs != plans[0].legs.crs:
            raise InputError(
                "the plans lie in different coordinate reference systems",
                "Plan both in one, or reproject one of them", file=printable(place / "plan.gpkg"),
            )  # fmt: skip
