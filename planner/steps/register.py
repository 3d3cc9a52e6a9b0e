"""Keeps the register of conflicts from run to run: numbers, statuses, and what is superseded.

A conflict is the same as an earlier one if the service and the rule are the same and it lies within
a few metres, whatever the leg is called now. Nothing that was ever listed drops out silently.
"""

from __future__ import annotations

import re

import geopandas as gpd
import numpy as np
import pandas as pd

from planner.model import PLAN_COLUMNS, Floats, Register, Site
from planner.records import Ints

SAME_PLACE = 5.0  # [m] between the places of one conflict in two runs, at most
WORSE = 0.01  # [m] of clearance less than before that a settled conflict is opened again for
SETTLED = ("resolved", "accepted")
KEPT = ("status", "responsible", "note", "cost")
RANK = {"unproven": 0, "tight": 1, "clash": 2}
KNOWLEDGE = {
    "A": "exposed and measured", "B": "located from the surface by instruments",
    "C": "records, tied to what is seen at the surface", "D": "records or hearsay alone",
}  # fmt: skip
WAYS = {
    "clearance_m": "re-grade the leg; shift it in its lane; take another lane; expose and protect "
    "the service; have it moved",
    "water_vertical_m": "re-grade the leg; agree a protection; have the main moved",
    "water_horizontal_m": "shift the leg; take a pressure-rated pipe; agree a protection; have the "
    "main moved",
    "pit_clearance_m": "shift or turn the pit; support the service in it; have it moved",
    "connection_clearance_m": "another line or level; expose and protect the service; have it "
    "moved",
}  # fmt: skip
"""What can be done about a conflict, by rule."""


def describe(site: Site, frame: gpd.GeoDataFrame, service_xy: Floats) -> gpd.GeoDataFrame:
    """The rows with what agencies use besides: offset, knowledge, what is affected, options.

    Parameters
    ----------
    site
        The site.
    frame
        The conflicts, in the site's frame.
    service_xy : (conflicts, 2)
        Where the service is nearest. [m]
    """
    here = np.column_stack([frame.geometry.x, frame.geometry.y])
    offset = np.hypot(*(service_xy - here).T) if len(frame) else np.empty(0)
    move = site.book.costs.number("service_relocation")
    words = f"{move:,.0f} {site.book.costs.text('currency')}"
    options = [_options(rule, severity, words) for rule, severity in zip(
        frame["rule"], frame["severity"], strict=True)]  # fmt: skip
    affects = [
        f"{kind}{f' of {owner}' if owner else ''}: {subject} passes it"
        for kind, owner, subject in zip(
            frame["kind"], frame["owner"], frame["subject"], strict=True
        )
    ]
    return frame.assign(
        offset_m=offset, knowledge=[KNOWLEDGE.get(q, "") for q in frame["quality"]],
        affects=affects, options=options, responsible="", cost=np.nan, test_hole="", note="",
    )  # fmt: skip


def _options(rule: str, severity: str, moving: str) -> str:
    ways = WAYS[rule].replace("have it moved", f"have it moved (about {moving})")
    ways = ways.replace("have the main moved", f"have the main moved (about {moving})")
    return f"dig a test hole; {ways}" if severity == "unproven" else ways


def keep_register(
    site: Site, found: gpd.GeoDataFrame, earlier: Register | None, subjects: gpd.GeoDataFrame
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
    subjects
        Legs, pits and connections with their names in ``subject``, to say what is nearest now.

    Returns
    -------
    conflicts, superseded
    """
    old = _all_of(earlier)
    match = _match(found, old)
    kept = found.copy()
    kept["conflict_id"] = _numbers(match, old)
    for name in KEPT:
        values = kept[name].astype(object).to_numpy(copy=True)
        known = match >= 0
        values[known] = old[name].astype(object).to_numpy()[match[known]]
        kept[name] = values
    kept["cost"] = pd.to_numeric(kept["cost"], errors="coerce")
    kept = _reopened(kept, old, match)
    gone = np.setdiff1d(np.arange(len(old)), match)
    return kept[[*PLAN_COLUMNS["conflicts"], "geometry"]], _superseded(
        site, (kept, old, gone), subjects
    )


def _all_of(earlier: Register | None) -> gpd.GeoDataFrame:
    """Conflicts of an earlier register, those that stood last first."""
    columns = [*PLAN_COLUMNS["superseded"], "geometry"]
    if earlier is None:
        return gpd.GeoDataFrame({name: [] for name in columns}, geometry="geometry")
    stood = earlier.conflicts.assign(why="", superseded_by="")
    both = pd.concat([stood[columns], earlier.superseded[columns]], ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry")


def _match(found: gpd.GeoDataFrame, old: gpd.GeoDataFrame) -> Ints:
    """Row of the earlier conflict that each is, -1 where it is new; the nearest first."""
    match = np.full(len(found), -1, np.int64)
    if not len(old) or not len(found):
        return match
    new_at = np.column_stack([found.geometry.x, found.geometry.y])
    old_at = np.column_stack([old.geometry.x, old.geometry.y])
    rows = pd.DataFrame(
        {"key": found["utility_id"] + "\0" + found["rule"], "new": range(len(found))}
    )
    olds = pd.DataFrame({"key": old["utility_id"] + "\0" + old["rule"], "old": range(len(old))})
    pairs = rows.merge(olds, on="key")
    new, was = pairs["new"].to_numpy(np.int64), pairs["old"].to_numpy(np.int64)
    apart = np.hypot(*(new_at[new] - old_at[was]).T)
    other = (found["subject"].to_numpy()[new] != old["subject"].to_numpy()[was]).astype(int)
    gone = (old["why"].to_numpy()[was] != "").astype(int)
    taken: set[int] = set()
    for k in np.lexsort((new, was, other, gone, apart.round(2))):
        if apart[k] <= SAME_PLACE and match[new[k]] < 0 and was[k] not in taken:
            match[new[k]] = was[k]
            taken.add(int(was[k]))
    return match


def _numbers(match: Ints, old: gpd.GeoDataFrame) -> list[str]:
    """Earlier numbers where there are some, and for the rest numbers that were never used."""
    names = old["conflict_id"].astype(str).tolist()
    used = [int(n.group(1)) for n in (re.fullmatch(r"C(\d+)", name) for name in names) if n]
    number = max(used, default=0)
    found = []
    for row in match.tolist():
        if row < 0:
            number += 1
        found.append(names[row] if row >= 0 else f"C{number}")
    return found


def _reopened(kept: gpd.GeoDataFrame, old: gpd.GeoDataFrame, match: Ints) -> gpd.GeoDataFrame:
    """Settled conflicts that have become worse are open again, and say from what to what."""
    status, note = kept["status"].tolist(), kept["note"].astype(str).tolist()
    for i, row in enumerate(match.tolist()):
        if row < 0 or str(status[i]).strip().lower() not in SETTLED:
            continue
        before, now = float(old["clearance_m"].iloc[row]), float(kept["clearance_m"].iloc[i])
        was, is_ = str(old["severity"].iloc[row]), str(kept["severity"].iloc[i])
        if now < before - WORSE or RANK[is_] > RANK.get(was, 0):
            reason = f"opened again: was {was} at {before:.2f} m, is {is_} at {now:.2f} m"
            note[i] = f"{note[i]}; {reason}" if note[i] else reason
            status[i] = "open"
    return kept.assign(status=status, note=note)


def _superseded(
    site: Site, of: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, Ints], subjects: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Earlier conflicts that are none any more, each with why."""
    kept, old, gone = of
    left = old.iloc[gone].reset_index(drop=True)
    by, why = [], []
    services = set(site.utilities["utility_id"].astype(str))
    for row in left.itertuples():
        same = kept[(kept["utility_id"] == row.utility_id) & (kept["rule"] == row.rule)]
        by.append(", ".join(same["conflict_id"]))
        why.append(_why(row, services, same, subjects))
    left = left.assign(why=why, superseded_by=by)
    return left[[*PLAN_COLUMNS["superseded"], "geometry"]]


def _why(
    row: object, services: set[str], same: gpd.GeoDataFrame, subjects: gpd.GeoDataFrame
) -> str:
    """Why an earlier conflict is none any more."""
    if str(getattr(row, "utility_id", "")) not in services:
        return "the service is no longer in the records"
    point = getattr(row, "geometry", None)
    near = subjects.geometry.distance(point) if len(subjects) else None
    if near is None:
        return "the plan has nothing here any more"
    k = int(np.argmin(near.to_numpy()))
    now = f"{subjects['subject'].iloc[k]} is nearest now, {float(near.iloc[k]):.1f} m from here"
    if len(same):
        return f"the plan meets the service elsewhere; {now}"
    return f"nothing here is nearer to the service than required any more; {now}"
