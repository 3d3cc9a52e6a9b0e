"""What was read, as a table of plain values: what ``pitline inputs --json`` prints."""

from __future__ import annotations

from typing import Any

from planner.model import LedgerEntry, Site

HEADINGS = {
    "assumed": "assumptions",
    "repaired": "repairs",
    "doubt": "doubts",
    "refused": "refused",
    "ignored": "ignored",
}


def report_inputs(site: Site) -> dict[str, Any]:
    """All that is to be said of a site's inputs.

    Returns
    -------
    A dict with ``project``, ``layers`` (rows read, used, repaired, refused and ignored of each),
    ``inputs`` (the files), one list of ledger entries for each of ``assumptions``, ``repairs``,
    ``doubts``, ``refused`` and ``ignored``, and ``doubtful``: whether there is a doubt or a
    refused row, which can change the plan.
    """
    report: dict[str, Any] = {
        "project": site.project.name,
        "vertical_datum": site.project.vertical_datum,
        "grid_to_ground": site.frame.k,
        "layers": {layer: dict(counts) for layer, counts in site.row_counts.items()},
        "inputs": [
            {"path": one.path, "layer": one.layer, "sha256": one.sha256, "rows": one.rows}
            for one in site.inputs
        ],
    }
    for kind, heading in HEADINGS.items():
        report[heading] = [_entry(one) for one in site.ledger if one.kind == kind]
    report["doubtful"] = bool(report["doubts"] or report["refused"])
    return report


def _entry(entry: LedgerEntry) -> dict[str, Any]:
    """A ledger entry as plain values; ``rows`` counts, ``row_numbers`` lists."""
    return {
        "layer": entry.layer,
        "file": entry.file,
        "column": entry.column,
        "rows": len(entry.rows),
        "row_numbers": list(entry.rows),
        "what": entry.what,
    }
