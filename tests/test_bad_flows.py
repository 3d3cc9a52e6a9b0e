"""Loads that cannot be: each a finding with figures and a remedy, and the command ends with 1."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from typer.testing import CliRunner

from planner import cli
from tests.builders import build_site, main_street, plane, point

HOUSES = [point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(3)]
TIE_IN = {"tie_in_id": "T", "invert_elev_m": 96.0}


@dataclass(frozen=True)
class Done:
    """A finished run of the command on a street of 200 m that rises 1 % from the tie-in."""

    status: int
    summary: dict[str, Any]
    connections: gpd.GeoDataFrame

    @property
    def breaches(self) -> list[dict[str, Any]]:
        """Findings that break a rule."""
        return [row for row in self.summary["breaches"] if row["severity"] == "breach"]

    def why_not(self, name: str) -> str:
        """Why a property is not served."""
        rows = self.connections.set_index("property_id")
        return str(rows.loc[name, "why_not"])


def plan(folder: Path, *more: dict[str, Any], tie_in: dict[str, Any] | None = None) -> Done:
    project = build_site(
        folder / "site", ground=plane(100.0, fall_x=-0.01), streets=main_street(),
        tie_ins=[point(0, 0, **TIE_IN, **(tie_in or {}))], properties=[*HOUSES, *more],
        project={"display_units": "us"},
    )  # fmt: skip
    out = folder / "out"
    done = CliRunner().invoke(cli.app, ["plan", str(project), "--out", str(out), "--json"])
    assert done.stdout, done.stderr
    frame = gpd.read_file(out / "plan.gpkg", layer="connections")
    return Done(done.exit_code, json.loads(done.stdout), frame)


def test_a_street_of_houses_is_planned_without_a_finding(tmp_path: Path) -> None:
    done = plan(tmp_path, tie_in={"spare_l_per_s": 10.0})
    assert (done.status, done.breaches) == (0, [])


@pytest.mark.parametrize(("column", "unit"), [("people", "people"), ("flow_l_per_s", "L/s")])
def test_a_negative_load_is_a_breach_with_what_was_stated(
    tmp_path: Path, column: str, unit: str
) -> None:
    done = plan(tmp_path, point(150, 12, property_id="N", **{column: -3.0}))
    assert done.status == 1
    (breach,) = done.breaches
    assert (breach["rule"], breach["subject"], breach["unit"]) == (column, "N", unit)
    assert (breach["value"], breach["limit"]) == (-3.0, 0.0)
    assert breach["remedy"].startswith(f"state {column} of 0 or more in properties.gpkg, row 4")


def test_of_flows_that_no_sewer_carries_together_as_few_as_will_do_are_left_out(
    tmp_path: Path,
) -> None:
    # 14 times 50 L/s and three houses, 159,794 people, make (18 + 12.641) / (4 + 12.641) = 1.8413
    # times 700.03 L/s, 1289.0 L/s; 24 in carry 0.29186 m2 x 0.90594 x 3.0 m/s = 793.2 L/s at y/D
    # 0.85. Each is 11,413 people: 8 make (18 + 9.555) / (4 + 9.555) = 2.0328 times 400 L/s,
    # 813 L/s, 7 make (18 + 8.938) / (4 + 8.938) = 2.0821 times 350 L/s, 729 L/s: under 793.2 L/s
    many = [point(100 + 6 * i, 12, property_id=f"B{i}", flow_l_per_s=50.0) for i in range(14)]
    done = plan(tmp_path, *many)
    assert (done.status, done.summary["totals"]["served"]) == (1, 3 + 7)
    assert done.why_not("B0") == (
        "capacity: a peak of 1289.0 L/s would flow in Main Street, the largest pipe, 600 mm, "
        "carries 793.2 L/s; drain 495.7 L/s elsewhere"
    )


def test_a_flow_that_no_connection_carries_is_left_out_with_both_figures(tmp_path: Path) -> None:
    # 200 L/s are 45,654 people: (18 + 6.757) / (4 + 6.757) = 2.3015 x 200 = 460.3 L/s; 15 in at
    # 1.04 %: 144.9 L/s
    done = plan(tmp_path, point(150, 12, property_id="B", flow_l_per_s=200.0))
    assert (done.status, done.summary["totals"]["served"]) == (1, 3)
    assert done.why_not("B").startswith(
        "capacity: a peak of 460.3 L/s, the largest connection, 375 mm, carries 144.9 L/s"
    )


def test_a_tie_in_without_spare_capacity_is_a_breach_with_a_remedy(tmp_path: Path) -> None:
    # 7.5 people: (18 + 0.0866) / (4 + 0.0866) = 4.4258 x 7.5 x 378.5 / 86400 = 0.1454 L/s
    done = plan(tmp_path, tie_in={"spare_l_per_s": 0.05})
    assert done.status == 1
    (breach,) = done.breaches
    assert (breach["rule"], breach["subject"], breach["limit"]) == ("spare_l_per_s", "T", 0.05)
    assert breach["value"] == pytest.approx(0.1454, abs=1e-4)
    assert "drain 0.10 L/s elsewhere" in breach["remedy"]


def test_a_property_below_every_possible_sewer_is_told_how_far(tmp_path: Path) -> None:
    # The lowest sewer at 150 m: 96.00 + 0.4 % x 150 = 96.60, entered at 96.70; the house drains at
    # 95.00 - 0.60 = 94.40, less 2.08 % of its way: 2.3 m at least
    done = plan(tmp_path, point(150, 12, property_id="C", floor_elev_m=95.0))
    assert (done.status, done.summary["totals"]["served"]) == (1, 3)
    why = done.why_not("C")
    assert why.startswith("floor too low: the lowest sewer that reaches the tie-in passes 2.")
    assert why.endswith("or a pump (12000 USD)")
