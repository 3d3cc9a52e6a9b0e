"""Design flows, the smallest size that carries them, its slopes, and what cannot be carried."""

from __future__ import annotations

import dataclasses
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import Point

from planner.kernels.hydraulics import depth_ratio, full_capacity
from planner.model import RuleBook, Site
from planner.records import Chain, Layout, Route
from planner.rules import load_book
from planner.steps.flows import (
    choose_size,
    largest_peak,
    lay_pipes,
    load_legs,
    load_pipes,
    run_states,
    shed_load,
    slopes_along,
    slopes_of,
    unit_flow,
    usable_sizes,
)
from tests.steps.clearance_site import site_of
from tests.steps.house_site import route_of


def us(**rules: Any) -> RuleBook:
    return load_book("us-ten-states", {"rules": rules})


def eu(**rules: Any) -> RuleBook:
    return load_book("eu-metric", {"rules": rules})


def test_a_peak_worked_by_hand_in_us_rules() -> None:
    # 1,000 people x 378.5 L/d x 3.8 = 16.647 L/s
    peak = load_pipes(us(), [1000.0], [0.0], [-1]).peak[0]
    assert 1000 * peak == pytest.approx(1000 * 378.5 / 86_400 * 3.8)


def test_a_peak_worked_by_hand_in_metric_rules() -> None:
    # 1,000 people x 150 L/d x 3.8 = 6.597 L/s, and 0.0005 L/s x 2 km x 200 mm = 0.2 L/s
    peak = load_pipes(eu(), [1000.0], [2000.0 * 200.0], [-1]).peak[0]
    assert 1000 * peak == pytest.approx(1000 * 150 / 86_400 * 3.8 + 0.2)


def test_infiltration_is_not_peaked() -> None:
    dry, wet = (load_pipes(eu(), [1000.0], [one], [-1]) for one in (0.0, 4e5))
    assert wet.peak[0] - dry.peak[0] == pytest.approx(0.0002)


def test_people_and_infiltration_of_branches_add() -> None:
    loads = load_pipes(eu(), [100.0, 50.0, 0.0], [2e4, 2e4, 2e4], [2, 2, -1])
    assert loads.people.tolist() == [100.0, 50.0, 150.0]
    assert loads.infiltration == pytest.approx([1e-5, 1e-5, 3e-5])


def test_the_peak_of_a_junction_is_below_the_sum_of_its_branches() -> None:
    peak = load_pipes(us(), [400.0, 600.0, 0.0], [0.0] * 3, [2, 2, -1]).peak
    assert peak[2] < peak[0] + peak[1]


def test_growth_raises_the_design_peak_and_not_the_present_one() -> None:
    now, later = (load_pipes(us(future_people_factor=f), [500.0], [0.0], [-1]) for f in (1.0, 2.0))
    assert later.present_peak[0] == now.peak[0]
    assert later.peak[0] == pytest.approx(load_pipes(us(), [1000.0], [0.0], [-1]).peak[0])


@pytest.mark.parametrize("book", [us(), eu()], ids=["us", "eu"])
def test_the_smallest_size_that_carries_is_taken(book: RuleBook) -> None:
    sizes = usable_sizes(book, "jacked")
    chosen = choose_size(book, sizes, 0.03, 0.005)
    assert chosen is not None
    below = [size for size in sizes if size.nominal_mm < chosen.nominal_mm]
    limit = book.rules.entry("max_depth_ratio", "200")
    depths = [depth_ratio(0.03, size.inside_m, 0.005, 0.013) for size in below]
    assert all(np.isnan(depth) or depth > limit for depth in depths)
    assert depth_ratio(0.03, chosen.inside_m, 0.005, 0.013) <= limit


def test_a_size_worked_by_hand() -> None:
    # 8 in at 0.40 % carries 0.494 MGD = 21.6 L/s full and 0.912 of it at y/D 0.75: 19.7 L/s
    sizes = usable_sizes(us(), "jacked")
    taken = [choose_size(us(), sizes, flow) for flow in (0.0196, 0.0198)]
    assert [size.nominal_mm for size in taken if size] == [200.0, 250.0]


def test_a_steeper_pipe_may_be_smaller() -> None:
    sizes = usable_sizes(us(), "jacked")
    flat, steep = (choose_size(us(), sizes, 0.03, slope) for slope in (0.003, 0.02))
    assert flat is not None
    assert steep is not None
    assert steep.nominal_mm < flat.nominal_mm


def test_a_flow_beyond_the_largest_pipe_has_no_size() -> None:
    assert choose_size(us(), usable_sizes(us(), "jacked"), 5.0) is None


def test_the_slope_window_names_the_rules_that_fix_it() -> None:
    window = slopes_of(us(), usable_sizes(us(), "jacked")[0], 0.03)
    assert (window.fixes_least, window.fixes_most) == ("max_depth_ratio", "max_velocity_m_per_s")


def test_shear_may_replace_the_velocity() -> None:
    size = usable_sizes(us(), "jacked")[0]
    window = slopes_of(us(self_cleansing="shear"), size, 0.0005)
    assert window.fixes_least == "min_shear_pa"


def test_shear_of_a_starter_leg_is_as_worked_by_hand() -> None:
    # at y/D 0.2 the radius is 0.12059 D: 1 Pa needs S = 1 / (9806.65 x 0.12059 D) = 0.004162 for
    # 8 in, and that depth carries 0.08757 of 0.02200 m³/s there
    size, slope = usable_sizes(us(), "jacked")[0], 1 / (9806.65 * 0.12059 * 0.2032)
    flow = 0.08757 * full_capacity(0.2032, slope, 0.013)
    window = slopes_of(us(self_cleansing="shear", min_slope_pct=0.1), size, flow)
    assert window.least == pytest.approx(slope, rel=1e-4)


def test_varying_n_needs_a_larger_or_steeper_pipe() -> None:
    size = usable_sizes(us(), "jacked")[0]
    constant, varying = (slopes_of(us(roughness=r), size, 0.03) for r in ("constant", "varying"))
    assert varying.least > constant.least


def test_an_overloaded_pipe_counts_as_full() -> None:
    state = run_states(us(), 0.1, 0.2, 0.005)
    assert state.depth_ratio[0] == 1.0
    assert state.velocity[0] == pytest.approx(0.1 / (np.pi * 0.01))


def chain(down: int, up: int, properties: list[int]) -> Chain:
    """A straight chain of 100 m."""
    return Chain(
        xy=np.array([[0.0, 0.0], [100.0, 0.0]]), rows=np.zeros(1, np.int64),
        flipped=np.zeros(1, bool), down=down, up=up, properties=np.array(properties, np.int64),
        property_stations=np.full(len(properties), 50.0), head_from=90.0, head_to=100.0,
    )  # fmt: skip


def test_sizes_never_fall_downstream_and_peaks_gather() -> None:
    # two branches join into a trunk without houses of its own; 5,000 people and 2.5
    site = site_with(people=[5000.0, 2.5])
    layout = Layout((chain(1, -1, [0]), chain(1, -1, [1]), chain(0, 1, [])), {}, np.zeros((2, 2)),
                    np.zeros(2), ("", ""), np.zeros((0, 3)))  # fmt: skip
    piping = lay_pipes(site, layout)
    big, small, trunk = ([piping.pipes[k] for k in own] for own in piping.of_chain)
    assert trunk[0].nominal >= big[0].nominal >= small[0].nominal == 200.0
    assert trunk[-1].nominal >= big[-1].nominal > small[-1].nominal == 200.0
    assert piping.too_much == ()


def test_the_legal_slopes_of_a_trunk_are_those_of_all_that_joins_above() -> None:
    site = site_with(people=[5000.0, 2.5])
    layout = Layout((chain(1, -1, [0]), chain(1, -1, [1]), chain(0, 1, [])), {}, np.zeros((2, 2)),
                    np.zeros(2), ("", ""), np.zeros((0, 3)))  # fmt: skip
    piping = lay_pipes(site, layout)
    slopes = slopes_along(site, layout, piping, np.ones(2, bool))
    # (18 + sqrt 5.0025) / (4 + sqrt 5.0025) = 3.2451 times 5,002.5 people x 378.5 L/d = 71.12 L/s
    size = next(s for s in usable_sizes(us(), "jacked") if s.nominal_mm == 300.0)
    by_hand = slopes_of(us(), size, 3.2451 * 5002.5 * 0.3785 / 86_400)
    rank = [piping.pipes[k].nominal for k in piping.of_chain[2]].index(300.0)
    assert slopes[2].least[rank].tolist() == pytest.approx([by_hand.least], rel=1e-3)
    # above its only house a branch carries nothing, below it all of it
    assert slopes[0].least[0][1] < slopes[0].least[0][0]


def test_a_flow_that_no_size_carries_is_named() -> None:
    site = site_with(people=[4e6, 2.5])
    layout = Layout((chain(1, -1, [0]), chain(1, -1, [1]), chain(0, 1, [])), {}, np.zeros((2, 2)),
                    np.zeros(2), ("", ""), np.zeros((0, 3)))  # fmt: skip
    assert [number for number, _ in lay_pipes(site, layout).too_much] == [0, 2]


def test_the_largest_peak_is_the_edge_of_what_a_size_carries() -> None:
    # 24 in to 3.0 m/s at y/D 0.85: 0.29186 m2 x 0.90594 x 3.0 = 0.7932 m3/s
    size = usable_sizes(us(), "jacked")[-1]
    most = largest_peak(us(), size)
    assert most == pytest.approx(0.7932, abs=1e-4)
    assert [slopes_of(us(), size, most * k).empty for k in (0.999, 1.001)] == [False, True]


def test_the_largest_flows_are_left_out_where_no_pipe_carries_all() -> None:
    # 4,000,000 people x 378.5 L/d x 81.2456 / 67.2456 = 21,171.3 L/s; 793.2 can be carried
    site = site_with(people=[2.5, 4e6])
    layout = Layout((chain(1, -1, [0]), chain(1, -1, [1]), chain(0, 1, [])), {}, np.zeros((2, 2)),
                    np.zeros(2), ("", ""), np.zeros((0, 3)))  # fmt: skip
    site = dataclasses.replace(site, streets=gpd.GeoDataFrame({"street": ["Main Street"]}))
    shed = shed_load(site, layout, lay_pipes(site, layout))
    assert list(shed) == [1]
    assert shed[1] == (
        "capacity: a peak of 21171.3 L/s would flow in Main Street, the largest pipe, 600 mm, "
        "carries 793.2 L/s; drain 20378.1 L/s elsewhere"
    )


def test_nothing_is_left_out_where_a_pipe_carries_all() -> None:
    site = site_with(people=[5000.0, 2.5])
    layout = Layout((chain(1, -1, [0]), chain(0, 1, [1])), {}, np.zeros((2, 2)),
                    np.zeros(2), ("", ""), np.zeros((0, 3)))  # fmt: skip
    site = dataclasses.replace(site, streets=gpd.GeoDataFrame({"street": ["Main Street"]}))
    assert shed_load(site, layout, lay_pipes(site, layout)) == {}


def site_with(people: list[float]) -> Site:
    """A site whose properties have these people and nothing else."""
    rows = {"people": people, "flow_l_per_s": [np.nan] * len(people)}
    frame = gpd.GeoDataFrame(rows, geometry=[Point(0, 0)] * len(people))
    return dataclasses.replace(site_of([]), properties=frame)


def tree() -> tuple[Site, Route]:
    """Two branches into a trunk: an area upstream, 300 people, and 48 on the trunk itself.

    The area is a property with a flow at the head of its branch. Branches of 500 and 250 m of
    200 mm, a trunk of 400 m of 300 mm.
    """
    rows = {"people": [np.nan, 300.0, 48.0], "flow_l_per_s": [2.0, np.nan, np.nan]}
    frame = gpd.GeoDataFrame(rows, geometry=[Point(0, 0)] * 3)
    site = dataclasses.replace(site_of([]), properties=frame, book=eu(future_people_factor=1.5))
    route = route_of([(0, 0)] * 3, pits=((0, 500), (0, 0), (0, -400), (0, -800)),
                     levels=(9900, 9800, 9700, 9600), legs=(0, 1, 2))  # fmt: skip
    return site, dataclasses.replace(
        route, leg_up=np.array([0, 1, 2]), leg_down=np.array([2, 2, 3]),
        leg_length=np.array([500.0, 250.0, 400.0]), leg_nominal=np.array([200.0, 200.0, 300.0]),
    )  # fmt: skip


def test_a_tree_with_an_area_upstream_infiltration_and_growth_sums_as_by_hand() -> None:
    # A person makes 150 L/d = 0.00173611 L/s, so the area's 2 L/s are 1,152 people. Growth 1.5:
    #   area    1,728 people  (18 + 1.314534) / (4 + 1.314534) = 3.634287  x 3.00000 L/s = 10.902860
    #   branch    450 people  (18 + 0.670820) / (4 + 0.670820) = 3.997332  x 0.78125 L/s =  3.122916
    #   trunk   2,250 people  (18 + 1.5) / (4 + 1.5)           = 3.545455  x 3.90625 L/s = 13.849432
    # Infiltration, 0.0005 L/s per km and mm: 0.5 km x 200 = 0.050, 0.25 x 200 = 0.025, and at the
    # trunk's end 0.050 + 0.025 + 0.4 x 300 x 0.0005 = 0.135 L/s
    loads = load_legs(*tree())
    assert loads.people == pytest.approx([1728.0, 450.0, 2250.0])
    assert 1000 * loads.infiltration == pytest.approx([0.050, 0.025, 0.135])
    assert 1000 * loads.peak == pytest.approx([10.952860, 3.147916, 13.984432], abs=1e-5)


def test_the_present_peak_of_the_same_tree() -> None:
    # 1,500 people now: (18 + 1.224745) / (4 + 1.224745) = 3.679556 x 2.604167 + 0.135 L/s
    assert 1000 * load_legs(*tree()).present_peak[2] == pytest.approx(9.717178, abs=1e-5)


def test_depth_and_shear_are_known_for_now_and_for_the_future() -> None:
    loads = load_legs(*tree())
    inside, slope = np.array([0.2, 0.2, 0.3]), np.array([0.005, 0.005, 0.004])
    now, later = (run_states(eu(), q, inside, slope) for q in (loads.present_peak, loads.peak))
    for column in ("depth_ratio", "velocity", "shear", "critical_ratio"):
        assert (getattr(now, column) < getattr(later, column)).all(), column


def test_one_person_makes_the_unit_flow() -> None:
    assert unit_flow(us()) == pytest.approx(0.3785 / 86_400)
