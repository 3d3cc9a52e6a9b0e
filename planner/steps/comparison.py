"""Holds plans against the first of them: figures side by side, and what changed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from planner.model import Change, Comparison, EarlierPlan, Row

SAME_PIT = 1.0  # [m] nearer than this a pit stands where it stood
MOVED = 10.0  # [m] and nearer than this it was moved
CORRIDOR = 8.0  # [m] a leg this near to another for its whole length lies where that lies
SAME_LEVEL = 0.005  # [m]
LESS, MORE = "less", "more"


def compare_plans(plans: Sequence[EarlierPlan]) -> Comparison:
    """Figures of plans side by side, and what each has otherwise than the first.

    Parameters
    ----------
    plans
        Two plans or more, in one CRS.
    """
    changes = [
        Change(number, what, tuple(lines))
        for number, plan in enumerate(plans[1:], 1)
        for what, lines in _changes(plans[0], plan)
        if lines
    ]
    return Comparison(
        tuple(plan.name for plan in plans), tuple(_rows(plans)), tuple(changes),
        tuple(_cautions(plans)),
    )  # fmt: skip


SEVERITIES = (("breach", "Rules broken"), ("advice", "Advice"))
TOTALS = (
    ("Length", "length", "length_m"), ("Legs", "count", "legs"), ("Pits", "count", "pits"),
)  # fmt: skip


def _rows(plans: Sequence[EarlierPlan]) -> list[Row]:
    """Every figure that plans are held against each other by."""
    heads = list(dict.fromkeys(h for plan in plans for h in plan.summary["cost_breakdown"]))
    pits = [_of_pits(plan) for plan in plans]
    return [
        Row("Result", "", tuple(str(plan.summary.get("status")) for plan in plans)),
        _of_totals(plans, "Properties served", "count", "served", MORE),
        _of_totals(plans, "Cost", "money", "cost"),
        *(_row(f"– {head.replace('_', ' ')}", "money",
               [plan.summary["cost_breakdown"].get(head) for plan in plans]) for head in heads),
        _of_totals(plans, "Cost to the public", "money", "social_cost"),
        _of_totals(plans, "Working days", "count", "working_days"),
        *(_of_totals(plans, name, measure, key) for name, measure, key in TOTALS),
        _row("Deepest pit", "depth", [one["depth_m"].max() for one in pits]),
        _row("Mean depth of pits", "depth", [one["depth_m"].mean() for one in pits]),
        _row("Most lanes closed by a pit", "count", [one["lanes_closed"].max() for one in pits]),
        Row("Tie-ins", "", tuple(", ".join(_tie_ins(plan)) or "none" for plan in plans)),
        *(_row(f"Conflicts: {severity}", "count",
               [int((plan.conflicts["severity"] == severity).sum()) for plan in plans])
          for severity in ("clash", "tight", "unproven")),
        *(_row(words, "count", [
            sum(one.get("severity") == severity for one in plan.summary["breaches"])
            for plan in plans]) for severity, words in SEVERITIES),
        _row("Cost of what was searched", "money", [_proof(plan).get("cost") for plan in plans]),
        _row("No plan costs less than", "money",
             [_proof(plan).get("lower_bound") for plan in plans], ""),
        _row("Gap", "percent", [_proof(plan).get("gap_pct") for plan in plans]),
    ]  # fmt: skip


def _row(name: str, measure: str, values: Sequence[Any], better: str = LESS) -> Row:
    return Row(name, measure, tuple(_figure(value) for value in values), better)


def _of_totals(
    plans: Sequence[EarlierPlan], name: str, measure: str, key: str, better: str = LESS
) -> Row:
    return _row(name, measure, [plan.summary["totals"].get(key) for plan in plans], better)


def _proof(plan: EarlierPlan) -> Mapping[str, Any]:
    return plan.summary.get("optimality") or {}


def _figure(value: Any) -> float | None:
    number = pd.to_numeric(value, errors="coerce")
    return None if number is None or not np.isfinite(number) else float(number)


def _of_pits(plan: EarlierPlan) -> pd.DataFrame:
    own = plan.pits[plan.pits["kind"] == "pit"]
    return pd.DataFrame(
        {name: pd.to_numeric(own[name], errors="coerce") for name in ("depth_m", "lanes_closed")}
    )


def _tie_ins(plan: EarlierPlan) -> list[str]:
    ties = set(plan.pits[plan.pits["kind"] == "tie-in"]["pit_id"].astype(str))
    return sorted(ties & set(plan.legs["down_pit"].astype(str)))


def _cautions(plans: Sequence[EarlierPlan]) -> list[str]:
    """What makes the figures hard to compare: other houses, inputs, rules, prices or money."""
    first, found = plans[0], []
    for plan in plans[1:]:
        if _served(first) != _served(plan):
            found.append(
                f"{plan.name} serves other properties than {first.name}: their costs are not for "
                "one and the same thing"
            )
        for key, words in (("rules", "rules"), ("costs", "prices")):
            other = _otherwise(first.summary[key], plan.summary[key])
            if other:
                found.append(f"{plan.name} rests on other {words} ({_some(other)})")
        mine, theirs = (_hashes(p) for p in (first, plan))
        changed = sorted(n for n in mine | theirs if mine.get(n) != theirs.get(n))
        if changed:
            found.append(f"{plan.name} rests on other input files ({_some(changed)})")
        money = [p.summary["totals"].get("currency") for p in (first, plan)]
        if money[0] != money[1]:
            found.append(f"{plan.name} is priced in {money[1]}, not in {money[0]}")
    return found


def _otherwise(one: Mapping[str, Any], other: Mapping[str, Any]) -> list[str]:
    names = sorted({*one, *other})
    return [
        n for n in names if (one.get(n) or {}).get("value") != (other.get(n) or {}).get("value")
    ]


def _hashes(plan: EarlierPlan) -> dict[str, str]:
    return {str(f.get("path")): str(f.get("sha256")) for f in plan.summary["inputs"]}


def _some(names: Sequence[str], most: int = 4) -> str:
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def _served(plan: EarlierPlan) -> set[str]:
    flags = plan.connections["served"].astype(bool)
    return set(plan.connections[flags]["property_id"].astype(str))


def _changes(first: EarlierPlan, other: EarlierPlan) -> list[tuple[str, list[str]]]:
    return [
        ("Streets", _streets(first, other)),
        ("Properties", _properties(first, other)),
        ("Pits", _pits(first, other)),
        ("Legs", _legs(first, other)),
        ("Rules", _rules(first, other)),
    ]


def _streets(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Streets with more or less sewer, or one that flows another way."""
    lengths = [
        p.legs.groupby(p.legs["street"].astype(str))["length_m"].sum() for p in (first, other)
    ]
    found = []
    for street in sorted({*lengths[0].index, *lengths[1].index}):
        before, after = (float(one.get(street, 0.0)) for one in lengths)
        if before and not after:
            found.append(f"{street}: no sewer ({before:.1f} m before)")
        elif after and not before:
            found.append(f"{street}: a sewer of {after:.1f} m (none before)")
        elif abs(after - before) >= SAME_PIT:
            found.append(f"{street}: {after:.1f} m of sewer ({before:.1f} m before)")
    turned = _turned(first.legs, other.legs)
    return [*found, *(f"{street}: flows the other way" for street in turned)]


def _turned(first: gpd.GeoDataFrame, other: gpd.GeoDataFrame) -> list[str]:
    """Streets in which a leg lies where one lay before and flows against it."""
    found = set()
    tree = shapely.STRtree(first.geometry.to_numpy())
    for line, street in zip(other.geometry, other["street"].astype(str), strict=True):
        for k in tree.query(shapely.buffer(line, CORRIDOR)).tolist():
            was = first.geometry.iloc[k]
            a, b = _direction(line), _direction(was)
            near = shapely.distance(shapely.centroid(line), was) < CORRIDOR
            if near and float(a @ b) < -0.7:
                found.add(street)
    return sorted(found)


def _direction(line: shapely.LineString) -> np.ndarray:
    xy = shapely.get_coordinates(line)
    step = xy[-1] - xy[0]
    return np.asarray(step / max(float(np.hypot(*step)), 1e-9))


def _properties(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Properties that one serves and the other does not, with the reason."""
    before, after = _served(first), _served(other)
    why = dict(
        zip(other.connections["property_id"].astype(str), other.connections["why_not"], strict=True)
    )
    lost = [
        f"{name}: not served ({why.get(name) or 'no reason given'})"
        for name in sorted(before - after)
    ]
    return [*lost, *(f"{name}: served (not before)" for name in sorted(after - before))]


def _pits(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Pits moved, added, left out, deeper or shallower; the nearest pair first."""
    a, b = first.pits.reset_index(drop=True), other.pits.reset_index(drop=True)
    pairs = _nearest_pairs(a, b)
    found = []
    for i, j, apart in pairs:
        name, now = str(a["pit_id"].iloc[i]), str(b["pit_id"].iloc[j])
        called = name if name == now else f"{name} (now {now})"
        deeper = float(b["depth_m"].iloc[j]) - float(a["depth_m"].iloc[i])
        parts = [f"moved {apart:.1f} m"] if apart > SAME_PIT else []
        if abs(deeper) > SAME_LEVEL:
            parts.append(f"{abs(deeper):.2f} m {'deeper' if deeper > 0 else 'shallower'}")
        if parts:
            found.append(f"{called}: {', '.join(parts)}")
    gone = set(range(len(a))) - {i for i, _, _ in pairs}
    new = set(range(len(b))) - {j for _, j, _ in pairs}
    found += [f"{a['pit_id'].iloc[i]}: left out ({a['street'].iloc[i]})" for i in sorted(gone)]
    return found + [f"{b['pit_id'].iloc[j]}: new ({b['street'].iloc[j]})" for j in sorted(new)]


def _nearest_pairs(a: gpd.GeoDataFrame, b: gpd.GeoDataFrame) -> list[tuple[int, int, float]]:
    """Pits of two plans that belong together, each once."""
    if not len(a) or not len(b):
        return []
    at = [shapely.get_coordinates(one.geometry.to_numpy()) for one in (a, b)]
    apart = np.hypot(*(at[0][:, None] - at[1]).transpose(2, 0, 1))
    pairs, used = [], (set[int](), set[int]())
    for k in np.argsort(apart, axis=None, kind="stable").tolist():
        i, j = divmod(k, len(b))
        if apart[i, j] > MOVED:
            break
        if i not in used[0] and j not in used[1]:
            pairs.append((i, j, float(apart[i, j])))
            used[0].add(i)
            used[1].add(j)
    return sorted(pairs)


def _legs(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Legs between pits that stayed, whose levels, size or drive changed."""
    pits = {(j): i for i, j, _ in _nearest_pairs(
        first.pits.reset_index(drop=True), other.pits.reset_index(drop=True))}  # fmt: skip
    names = (first.pits["pit_id"].astype(str).tolist(), other.pits["pit_id"].astype(str).tolist())
    was = {names[1][j]: names[0][i] for j, i in pits.items()}
    before = {(r.up_pit, r.down_pit): r for r in first.legs.itertuples()}
    found = []
    for leg in other.legs.itertuples():
        old = before.get((was.get(str(leg.up_pit), ""), was.get(str(leg.down_pit), "")))
        if old is None:
            continue
        parts = [
            f"{words} {now - then:+.2f} m"
            for words, now, then in (
                ("invert up", leg.invert_up_m, old.invert_up_m),
                ("invert down", leg.invert_down_m, old.invert_down_m),
            )
            if abs(now - then) > SAME_LEVEL
        ]
        if leg.diameter_mm != old.diameter_mm:
            parts.append(f"{leg.diameter_mm:g} mm (was {old.diameter_mm:g} mm)")
        if parts:
            found.append(f"{leg.leg_id}: {', '.join(parts)}")
    return found


def _rules(first: EarlierPlan, other: EarlierPlan) -> list[str]:
    """Rules that one breaks and the other does not, counted by rule."""
    counts = [_broken(plan) for plan in (first, other)]
    return [
        f"{rule}: broken {counts[1].get(rule, 0)} times ({counts[0].get(rule, 0)} before)"
        for rule in sorted({*counts[0], *counts[1]})
        if counts[0].get(rule, 0) != counts[1].get(rule, 0)
    ]


def _broken(plan: EarlierPlan) -> dict[str, int]:
    rules = [
        str(one.get("rule")) for one in plan.summary["breaches"] if one.get("severity") == "breach"
    ]
    return {rule: rules.count(rule) for rule in sorted(set(rules))}
