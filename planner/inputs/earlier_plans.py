"""Reads plans back from the folders they were written into."""

from __future__ import annotations

import json
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd

from planner.errors import InputError
from planner.inputs.words import plain, printable
from planner.model import PLAN_COLUMNS, EarlierPlan

LAYERS = ("pits", "legs", "connections", "conflicts")
NEEDED = ("totals", "cost_breakdown", "breaches", "rules", "costs", "inputs")  # of the summary
ALTERNATIVES = "alternatives"
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
    return dict(found)


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
    lacking = [name for name in PLAN_COLUMNS[layer][:3] if name not in frame.columns]
    if lacking or not isinstance(frame, gpd.GeoDataFrame):
        raise InputError(
            "this is no layer of a plan", PLAN_AGAIN, file=printable(path), layer=layer,
            column=lacking[0] if lacking else None,
        )  # fmt: skip
    return frame


def _require_alike(plans: list[EarlierPlan], places: list[Path]) -> None:
    """Plans in one CRS: places in two cannot be held against each other."""
    for plan, place in zip(plans[1:], places[1:], strict=True):
        if plan.legs.crs != plans[0].legs.crs:
            raise InputError(
                "the plans lie in different coordinate reference systems",
                "Plan both in one, or reproject one of them", file=printable(place / "plan.gpkg"),
            )  # fmt: skip
