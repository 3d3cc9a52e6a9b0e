"""Finds each conflict again in an earlier register, and carries on what people wrote."""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.model import PLAN_COLUMNS, Register, Site
from planner.records import Bools, Ints
from planner.steps.register.superseded import Works, element_of, supersede

SAME_PLACE = 5.0  # [m] between the places of one conflict in two runs, at most
WORSE = 0.01  # [m] of clearance less than before that a settled conflict is opened again for
SETTLED = ("resolved", "accepted")
KEPT = ("status", "responsible", "note")
RANK = {"unproven": 0, "tight": 1, "clash": 2}
NUMBER = re.compile(r"C([0-9]{1,15})")


def keep_register(
    site: Site, found: gpd.GeoDataFrame, earlier: Register | None, works: Works
) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """The conflicts with the numbers and statuses of an earlier register, and what is superseded.

    Parameters
    ----------
    site
        The site.
    found
        Conflicts of this run, in their order, with the columns of `describe`.
    earlier
        The register of an earlier run, in the site's frame.
    works
        What is bored and dug now.

    Returns
    -------
    conflicts, superseded
    """
    old = _all_of(earlier)
    match = _match(found, old, works)
    kept = found.assign(conflict_id=_numbers(match, old))
    known = match >= 0
    for name in KEPT:
        values = kept[name].astype(object).to_numpy(copy=True)
        values[known] = old[name].astype(object).to_numpy()[match[known]]
        kept[name] = values
    kept = _reopened(kept, old, match)
    left = old.iloc[np.setdiff1d(np.arange(len(old)), match)]
    superseded = supersede(site, left, kept.assign(new=~known), works)
    return kept[[*PLAN_COLUMNS["conflicts"], "geometry"]], superseded


def _all_of(earlier: Register | None) -> gpd.GeoDataFrame:
    """Conflicts of an earlier register by number; ``gone`` are those it held as superseded."""
    columns = [*PLAN_COLUMNS["superseded"], "geometry"]
    if earlier is None:
        empty = gpd.GeoDataFrame({name: [] for name in columns}, geometry="geometry")
        return empty.assign(gone=np.empty(0, bool))
    stood = earlier.conflicts.assign(why="", superseded_by="")[columns].assign(gone=False)
    both = pd.concat([stood, earlier.superseded[columns].assign(gone=True)], ignore_index=True)
    order = sorted(range(len(both)), key=lambda k: _by_number(str(both["conflict_id"].iloc[k])))
    return gpd.GeoDataFrame(both.iloc[order].reset_index(drop=True), geometry="geometry")


def _by_number(name: str) -> tuple[bool, int, str]:
    """Sort key by which C2 stands before C10, and both before other names."""
    number = NUMBER.fullmatch(name)
    return number is None, int(number[1]) if number else 0, name


def _match(found: gpd.GeoDataFrame, old: gpd.GeoDataFrame, works: Works) -> Ints:
    """Row of the earlier conflict that each is, -1 where it is new; the nearest first.

    First those within `SAME_PLACE`; then those whose earlier place is as near to the leg or
    connection, since a service alongside may now be nearest at another station. Among equally near
    ones: one that stood last, then the clearance that is most alike, then the same name of the
    subject, then the lower number.
    """
    match = np.full(len(found), -1, np.int64)
    if not len(old) or not len(found):
        return match
    pairs = _pairs(found, old)
    _take(match, pairs[pairs["apart"] <= SAME_PLACE])
    left = pairs[(match[pairs["new"]] < 0) & ~pairs["was"].isin(match[match >= 0])]
    _take(match, left[_on_subject(left, found, old, works)])
    return match


def _pairs(found: gpd.GeoDataFrame, old: gpd.GeoDataFrame) -> pd.DataFrame:
    """Conflicts of both runs that could be one, the likeliest first."""
    pairs = _keys(found, "new").merge(_keys(old, "was"), on=["utility_id", "rule", "element"])
    new, was = pairs["new"].to_numpy(np.int64), pairs["was"].to_numpy(np.int64)
    clearance, before = (part["clearance_m"].to_numpy(float) for part in (found, old))
    subject, named = (part["subject"].to_numpy(object) for part in (found, old))
    pairs = pairs.assign(
        apart=np.hypot(*(_places(found)[new] - _places(old)[was]).T).round(2),
        gone=old["gone"].to_numpy(bool)[was], unlike=np.abs(clearance[new] - before[was]).round(3),
        renamed=subject[new] != named[was],
    )  # fmt: skip
    return pairs.sort_values(["apart", "gone", "unlike", "renamed", "was", "new"])


def _on_subject(
    pairs: pd.DataFrame, found: gpd.GeoDataFrame, old: gpd.GeoDataFrame, works: Works
) -> Bools:
    """Which pairs have their earlier place along what the conflict is of now."""
    near, places = np.zeros(len(pairs), bool), _places(old)
    was = pairs["was"].to_numpy(np.int64)
    for new, rows in pairs.reset_index(drop=True).groupby("new").groups.items():
        subject, element = str(found["subject"].iloc[new]), str(pairs["element"].iloc[rows[0]])
        near[rows] = works.apart(element, subject, places[was[rows]]) <= SAME_PLACE
    return near


def _take(match: Ints, pairs: pd.DataFrame) -> None:
    """Enter pairs one by one, each conflict of either run once at most."""
    taken = set(match[match >= 0].tolist())
    for new, was in zip(pairs["new"].tolist(), pairs["was"].tolist(), strict=True):
        if match[new] < 0 and was not in taken:
            match[new] = was
            taken.add(was)


def _keys(frame: gpd.GeoDataFrame, name: str) -> pd.DataFrame:
    """What must be the same of two conflicts to be one, with their row."""
    elements = [
        element_of(affects, rule)
        for affects, rule in zip(frame["affects"], frame["rule"], strict=True)
    ]
    return pd.DataFrame(
        {
            "utility_id": frame["utility_id"].astype(str).to_numpy(object),
            "rule": frame["rule"].astype(str).to_numpy(object),
            "element": np.array(elements, object),
            name: np.arange(len(frame)),
        }
    )


def _places(frame: gpd.GeoDataFrame) -> np.ndarray:
    return np.column_stack([frame.geometry.x, frame.geometry.y])


def _numbers(match: Ints, old: gpd.GeoDataFrame) -> list[str]:
    """Earlier numbers where there are some, and for the rest numbers that were never used."""
    names = old["conflict_id"].astype(str).tolist()
    number = max((_by_number(name)[1] for name in names), default=0)
    found = []
    for row in match.tolist():
        if row < 0:
            number += 1
        found.append(names[row] if row >= 0 else f"C{number}")
    return found


def _reopened(kept: gpd.GeoDataFrame, old: gpd.GeoDataFrame, match: Ints) -> gpd.GeoDataFrame:
    """Settled conflicts that have become worse are open again, and say from what to what."""
    status, note = kept["status"].astype(str).tolist(), kept["note"].astype(str).tolist()
    for i in np.flatnonzero(_worse(kept, old, match)).tolist():
        if status[i].strip().casefold() not in SETTLED:
            continue
        was, now = old.iloc[match[i]], kept.iloc[i]
        reason = (
            f"opened again: was {was['severity']} at {was['clearance_m']:.2f} m, "
            f"is {now['severity']} at {now['clearance_m']:.2f} m"
        )
        note[i] = f"{note[i]}; {reason}" if note[i] else reason
        status[i] = "open"
    return kept.assign(status=status, note=note)


def _worse(kept: gpd.GeoDataFrame, old: gpd.GeoDataFrame, match: Ints) -> Bools:
    """Which conflicts lie nearer than before, or are of a worse kind."""
    worse = np.zeros(len(kept), bool)
    known = np.flatnonzero(match >= 0)
    was = old.iloc[match[known]]
    nearer = kept["clearance_m"].to_numpy(float)[known] < was["clearance_m"].to_numpy(float) - WORSE
    before = was["severity"].map(RANK).fillna(0).to_numpy(float)
    worse[known] = nearer | (kept["severity"].map(RANK).to_numpy(float)[known] > before)
    return worse
