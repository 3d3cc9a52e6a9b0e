"""Whole plans of small sites: audited by arithmetic of its own, and the same however drawn."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import planner
from tests.builders import GROUND_CRS, build_site, line, plane, point, polygon
from tests.independent.arithmetic import audit, unreported

FALL = plane(100.0, fall_x=-0.01)  # rises 1 % towards the east
STREET = line((0, 0), (200, 0), street="Main Street")
CORNER = line((0, 0), (100, 0), (100, 100), street="Main Street")
CROSS = [
    line((0, 0), (100, 0), (200, 0), street="Main Street"),
    line((100, -100), (100, 0), (100, 100), street="Cross Street"),
]
LOOP = [
    line((0, 0), (60, 0), street="Main Street"),
    line((60, 0), (120, 60), (180, 0), (120, -60), (60, 0), street="Loop"),
]
TIE_IN = point(0, 0, tie_in_id="T", invert_elev_m=96.0)
SECOND = point(400, 0, tie_in_id="U", invert_elev_m=96.0)
ROW = [point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(8)]
LONG_ROW = [point(20 + 20 * i, 12 if i % 2 else -12, property_id=f"H{i}") for i in range(18)]
SIDE = [point(112, -60, property_id="C1"), point(88, 70, property_id="C2")]
CORNER_ROW = [*ROW[:3], point(112, 60, property_id="C")]
BESIDE = point(-8, 6, tie_in_id="T", invert_elev_m=96.0)
ROUND = [point(130, 75, property_id="L1"), point(130, -75, property_id="L2")]
WORKS = [(60, -20), (60, 20), (110, 20), (110, -20)]
SERVICES = [
    line((80, -20), (80, 20), kind="gas", depth_m=1.6, quality="B"),
    line((0, -3.3), (200, -3.3), kind="water", depth_m=1.3),
    line((120, -20), (120, 20), kind="storm", depth_m=2.2, diameter_m=0.6, quality="A"),
]


def site_of(folder: Path, **layers: Any) -> Path:
    given: dict[str, Any] = {
        "ground": FALL, "streets": [STREET], "properties": ROW, "tie_ins": [TIE_IN],
    }  # fmt: skip
    return build_site(folder, **(given | layers))


def planned(folder: Path, **layers: Any) -> planner.Plan:
    return planner.make_plan(planner.read_site(site_of(folder, **layers)))


def figures(plan: planner.Plan) -> list[tuple[Any, ...]]:
    """What a plan fixes, to the printed digit: inverts, lengths and slopes of its legs."""
    legs = plan.legs
    columns = ("leg_id", "invert_up_m", "invert_down_m", "length_m", "launch_pit")
    return [
        tuple(round(v, 3) if isinstance(v, float) else v for v in row)
        for row in legs[list(columns)].itertuples(index=False)
    ]


CASES = {
    "a street": ({}, 8),
    "services across and along": ({"utilities": SERVICES}, 8),
    "a crossing": ({"streets": CROSS, "properties": ROW + SIDE}, 10),
    "a loop": ({"streets": LOOP, "properties": ROUND}, 2),
    "a corner": ({"streets": [CORNER], "properties": CORNER_ROW}, 4),
    "two tie-ins": (
        {"ground": plane(), "streets": [line((0, 0), (400, 0), street="M")],
         "properties": LONG_ROW, "tie_ins": [TIE_IN, SECOND]}, 18,
    ),
    "a tie-in beside the street": ({"tie_ins": [BESIDE]}, 8),
    "no pits in a stretch": ({"keep_out": [polygon(*WORKS, reason="new", applies_to="pits")]}, 8),
    "nothing in a stretch": ({"keep_out": [polygon(*WORKS, reason="old")]}, 3),
    "a large flow": ({"properties": [point(150, 12, property_id="B", flow_l_per_s=20.0)]}, 1),
    "a tie-in out of reach": ({"tie_ins": [point(0, 60, tie_in_id="T", invert_elev_m=96.0)]}, 0),
    "a tie-in that is too high": ({"tie_ins": [point(0, 0, tie_in_id="T", invert_elev_m=99.9)]}, 0),
    "a house too far away": ({"properties": [point(50, 80, property_id="F")]}, 0),
}  # fmt: skip


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("name", CASES)
def test_a_plan_passes_arithmetic_of_its_own(tmp_path: Path, name: str, units: str) -> None:
    layers, served = CASES[name]
    project = site_of(tmp_path, project={"display_units": units}, **layers)
    plan = planner.make_plan(planner.read_site(project))
    planner.write_plan(plan, tmp_path / "out")
    assert plan.summary["totals"]["served"] == served
    assert unreported(audit(project, tmp_path / "out"), plan.summary) == []


@pytest.fixture(scope="module")
def reference(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Any, ...]]:
    layers = {"utilities": SERVICES, "streets": CROSS, "properties": ROW + SIDE}
    return figures(planned(tmp_path_factory.mktemp("reference"), **layers))


def reverse(row: dict[str, Any]) -> dict[str, Any]:
    return {**row, "geometry": shapely.reverse(row["geometry"])}


@pytest.mark.parametrize(
    "streets",
    [
        CROSS[::-1],
        [reverse(row) for row in CROSS],
        [line((0, 0), (40, 0), street="Main Street"),
         line((40, 0), (100, 0), (200, 0), street="Main Street"), CROSS[1]],
    ],
    ids=["shuffled", "reversed", "split"],
)  # fmt: skip
def test_how_streets_are_drawn_changes_nothing(
    tmp_path: Path, reference: list[tuple[Any, ...]], streets: list[dict[str, Any]]
) -> None:
    plan = planned(tmp_path, utilities=SERVICES, streets=streets, properties=ROW + SIDE)
    assert figures(plan) == reference


@pytest.mark.parametrize("unit", ["us-ft", "ft"])
def test_the_same_site_in_feet_gives_the_same_plan(
    tmp_path: Path, reference: list[tuple[Any, ...]], unit: str
) -> None:
    crs = GROUND_CRS.replace("+units=m", f"+units={unit}")
    plan = planned(tmp_path, crs=crs, utilities=SERVICES, streets=CROSS, properties=ROW + SIDE)
    assert figures(plan) == reference


def test_a_site_that_lies_elsewhere_gives_the_same_plan(
    tmp_path: Path, reference: list[tuple[Any, ...]]
) -> None:
    """Invariant: false origins moved by 70 km; the ground and its scale stay."""
    crs = GROUND_CRS.replace("+x_0=5000", "+x_0=75000").replace("+y_0=5000", "+y_0=75000")
    plan = planned(tmp_path, crs=crs, utilities=SERVICES, streets=CROSS, properties=ROW + SIDE)
    assert figures(plan) == reference


def test_the_order_of_rows_changes_nothing(
    tmp_path: Path, reference: list[tuple[Any, ...]]
) -> None:
    plan = planned(tmp_path, utilities=SERVICES[::-1], streets=CROSS, properties=(ROW + SIDE)[::-1])
    assert figures(plan) == reference


def test_a_service_far_away_changes_nothing(
    tmp_path: Path, reference: list[tuple[Any, ...]]
) -> None:
    far = line((50, 40), (90, 40), kind="gas", depth_m=1.0)
    plan = planned(tmp_path, utilities=[*SERVICES, far], streets=CROSS, properties=ROW + SIDE)
    assert figures(plan) == reference


def test_raising_everything_raises_every_invert(tmp_path: Path) -> None:
    """Invariant: the datum 10 m higher, the same plan 10 m higher.

    Slopes keep levels off the edges of the grid, since ground lengths change with height.
    """
    common = {"project": {"display_units": "metric"}, "tables": {"rules": {"min_slope_pct": 0.517}}}
    low = figures(planned(tmp_path / "low", ground=plane(100.0, fall_x=-0.01037), **common))
    tie_in = point(0, 0, tie_in_id="T", invert_elev_m=106.0)
    high = figures(
        planned(tmp_path / "high", ground=plane(110.0, fall_x=-0.01037), tie_ins=[tie_in],
                **common)
    )  # fmt: skip
    assert [row[1] + 10 for row in low] == pytest.approx([row[1] for row in high], abs=1e-6)


def test_more_cover_never_costs_less(tmp_path: Path) -> None:
    costs = []
    for i, cover in enumerate((1.0, 1.5, 2.0)):
        plan = planned(tmp_path / str(i), tables={"rules": {"min_cover_m": cover}})
        costs.append(plan.summary["totals"]["cost"])
    assert costs == sorted(costs)


@pytest.mark.parametrize(
    ("rule", "column", "limit"),
    [
        ("max_manhole_spacing_m", "length_m", 50.0),
        ("max_leg_length_m", "length_m", 40.0),
        ("min_slope_pct", "slope_pct", 0.9),
        ("min_cover_m", "min_cover_m", 1.9),
    ],
)
def test_a_rule_of_the_project_is_kept(
    tmp_path: Path, rule: str, column: str, limit: float
) -> None:
    plan = planned(tmp_path, tables={"rules": {rule: limit}})
    found = plan.legs[column]
    assert len(found)
    assert (
        (found <= limit + 1e-6).all() if rule.startswith("max") else (found >= limit - 1e-6).all()
    )


def test_a_greatest_depth_of_legs_is_kept(tmp_path: Path) -> None:
    """Invariant: no invert lies deeper than it may, where without the rule one does."""

    def deepest(plan: planner.Plan) -> float:
        pits = plan.pits[plan.pits["kind"] == "pit"]
        return float((pits["ground_elev_m"] - pits["invert_elev_m"]).max())

    cellar = [point(150, 12, property_id="C", floor_elev_m=98.8)]
    free = planned(tmp_path / "free", properties=cellar)
    bound = planned(
        tmp_path / "bound", properties=[*cellar, point(60, 12, property_id="H")],
        tables={"rules": {"max_leg_depth_m": 2.5}},
    )  # fmt: skip
    assert deepest(free) > 2.5
    assert len(bound.legs)
    assert deepest(bound) <= 2.5 + 1e-6


def test_the_size_of_house_connections_is_the_rule_s(tmp_path: Path) -> None:
    plan = planned(tmp_path, tables={"rules": {"connection_diameter_mm": 150}})
    assert set(plan.connections["diameter_mm"]) == {150.0}


def test_every_layer_has_its_columns_and_crs(tmp_path: Path) -> None:
    plan = planned(tmp_path)
    for name, columns in planner.model.PLAN_COLUMNS.items():
        layer: gpd.GeoDataFrame = getattr(plan, name)
        assert tuple(layer.columns.drop("geometry")) == columns
        assert layer.crs is not None


def test_a_plan_is_pure(tmp_path: Path) -> None:
    site = planner.read_site(site_of(tmp_path))
    first, second = planner.make_plan(site), planner.make_plan(site)
    assert figures(first) == figures(second)
    assert first.summary == second.summary


def test_stages_are_told_in_order(tmp_path: Path) -> None:
    told: list[str] = []
    planner.make_plan(planner.read_site(site_of(tmp_path)), told.append)
    assert told == ["layout", "legs", "assemble"]


def test_the_legs_lie_between_their_pits(tmp_path: Path) -> None:
    plan = planned(tmp_path)
    places = dict(zip(plan.pits["pit_id"], plan.pits.geometry, strict=True))
    for leg in plan.legs.itertuples():
        ends = shapely.get_coordinates(leg.geometry)
        for end, pit in ((ends[0], leg.up_pit), (ends[1], leg.down_pit)):
            assert np.hypot(*(end - shapely.get_coordinates(places[pit])[0])) < 1e-6
