"""The summary: totals, costs, status, inputs and optimality."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from tests.independent.records import RECORD, Case, Finding

COST_PARTS = (
    "pits legs manholes connections restoration ground_and_water traffic test_holes mobilisation "
    "contingency"
).split()
KEYS = (
    "pitline project status grid_to_ground totals cost_breakdown optimality breaches assumptions "
    "rules costs inputs timings_s"
).split()


def check_keys(case: Case) -> Iterator[Finding]:
    """Every key of the summary is there."""
    for key in KEYS:
        if key not in case.summary:
            yield Finding("summary", key, "absent", "a key", RECORD)


def check_totals(case: Case) -> Iterator[Finding]:
    """Totals are sums over the layers."""
    served = int(case.connections["served"].astype(bool).sum())
    ours = {
        "legs": len(case.legs),
        "length_m": float(case.legs["length_m"].sum()),
        "pits": int((case.pits["kind"] == "pit").sum()),
        "properties": len(case.connections),
        "served": served,
    }
    for name, value in ours.items():
        written = case.summary["totals"][name]
        if not abs(written - value) < 0.01:
            yield Finding("totals", name, written, value, RECORD)


def check_costs(case: Case) -> Iterator[Finding]:
    """The parts add up to the total, and the layers to their parts."""
    parts = case.summary["cost_breakdown"]
    for name in COST_PARTS:
        if not parts.get(name, -1.0) >= 0:
            yield Finding("cost_breakdown", name, parts.get(name), "0 or more", RECORD)
    total = sum(parts.values())
    if not abs(total - case.summary["totals"]["cost"]) < 0.01 * len(parts):
        yield Finding("cost", "plan", case.summary["totals"]["cost"], total, RECORD)
    for name in ("legs", "connections"):
        ours = float(np.nansum(getattr(case, name)["cost"].to_numpy(float)))
        if not abs(ours - parts[name]) < 0.01 * (1 + len(getattr(case, name))):
            yield Finding("cost_breakdown", name, parts[name], ours, RECORD)


def check_status(case: Case) -> Iterator[Finding]:
    """The status follows from breaches and from what is not served."""
    broken = any(b["severity"] == "breach" for b in case.summary["breaches"])
    unserved = not case.connections["served"].astype(bool).all()
    allowed = {"ok"} if not broken and not unserved else set()
    allowed |= {"breaks rules"} if broken else set()
    allowed |= {"incomplete"} if unserved else set()
    if case.summary["status"] not in allowed:
        yield Finding("status", "plan", case.summary["status"], allowed, RECORD)


def check_inputs(case: Case) -> Iterator[Finding]:
    """Every file that was read is listed with its digest."""
    listed = {entry["path"]: entry["sha256"] for entry in case.summary["inputs"]}
    for path, digest in case.input_digests.items():
        if listed.get(path) != digest:
            yield Finding("inputs", path, listed.get(path), digest, RECORD)


def check_optimality(case: Case) -> Iterator[Finding]:
    """Cost, bound and gap are all absent, or they agree."""
    told = case.summary["optimality"]
    cost, bound, gap = (told[name] for name in ("cost", "lower_bound", "gap_pct"))
    if (cost, bound, gap) == (None, None, None):
        return
    if None in (cost, bound, gap) or bound > cost + 0.01:
        yield Finding("optimality", "plan", (cost, bound, gap), "all or none", RECORD)
    elif not abs(gap - 100 * (cost - bound) / cost) < 0.01:
        yield Finding("gap_pct", "plan", gap, 100 * (cost - bound) / cost, RECORD)
