"""Audits a written plan against the inputs of its project, by arithmetic of its own."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyogrio

from tests.independent import (
    clearance,
    connections,
    flows,
    form,
    levels,
    network,
    places,
    totals,
    water,
)
from tests.independent.reading import read_case
from tests.independent.records import LIMIT, RECORD, Case, Finding

CHECKS = (
    form.check_identifiers,
    form.check_rule_names,
    form.check_grid_of_levels,
    form.check_falls,
    levels.check_scale,
    levels.check_lengths,
    levels.check_bored_lengths,
    levels.check_slopes,
    levels.check_sizes,
    levels.check_bore_axes,
    levels.check_cover,
    places.check_right_of_way,
    places.check_footprints,
    places.check_floors,
    places.check_pit_volumes,
    places.check_keep_outs,
    clearance.check_clearances,
    water.check_water,
    network.check_ends,
    network.check_tree,
    network.check_manholes,
    network.check_spacing,
    network.check_tie_ins,
    connections.check_one_each,
    connections.check_connections,
    flows.check_flows,
    flows.check_hydraulics,
    totals.check_keys,
    totals.check_totals,
    totals.check_costs,
    totals.check_status,
    totals.check_inputs,
    totals.check_optimality,
)


def audit(project_file: Path, directory: Path) -> list[Finding]:
    """Everything that does not hold in a written plan.

    Parameters
    ----------
    project_file
        The project's TOML file.
    directory
        Where `plan.gpkg` and `plan.json` were written.
    """
    found = list(check_layers(directory))
    if found:
        return found  # without its columns a plan cannot be read any further
    return list(judge(read_case(project_file, directory)))


def check_layers(directory: Path) -> Iterator[Finding]:
    """Every layer and every column is there."""
    layers = {str(name) for name in pyogrio.list_layers(directory / "plan.gpkg")[:, 0]}
    for layer in form.COLUMNS:
        if layer not in layers:
            yield Finding("layers", layer, "absent", "a layer", RECORD)
            continue
        fields = pyogrio.read_info(directory / "plan.gpkg", layer=layer)["fields"]
        yield from form.check_columns(layer, [str(name) for name in fields])


def judge(case: Case) -> Iterator[Finding]:
    """Every check, in order."""
    for check in CHECKS:
        yield from check(case)


def unreported(findings: Sequence[Finding], summary: Mapping[str, Any]) -> list[Finding]:
    """Findings that the plan does not itself report among its breaches."""
    told = {(entry["rule"], entry["subject"]) for entry in summary["breaches"]}
    return [f for f in findings if f.kind != LIMIT or (f.rule, f.subject) not in told]
