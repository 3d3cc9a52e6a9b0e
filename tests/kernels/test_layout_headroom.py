"""Head-room: what gravity can serve, to the centimetre."""

from __future__ import annotations

import numpy as np
import pytest

from planner.kernels.layout_headroom import explain_unserved, find_headroom, rooms_along, servable
from planner.kernels.layout_instance import Instance, net_of
from tests.kernels.layouts import instance_of

FLAT = ([100.0, 100.0, 100.0], [(0, 1), (1, 2)])


def unserved(instance: Instance) -> list[int]:
    net = net_of(instance)
    room = find_headroom(net, instance.nodes.top)
    return np.flatnonzero(~servable(net, room)).tolist()


def test_head_room_shrinks_by_the_fall_on_level_ground() -> None:
    case = instance_of(*FLAT, tie_ins=[(0, 97.5)])  # 2.5 m of room, 1 m of fall a street
    room = find_headroom(net_of(case), case.nodes.top)
    assert room.depth == pytest.approx([2.5, 1.5, 0.5])


def test_head_room_never_exceeds_the_depth_limit() -> None:
    case = instance_of([100.0, 104.0], [(0, 1)], tie_ins=[(0, 97.5)], room=2.0)
    room = find_headroom(net_of(case), case.nodes.top)
    assert room.depth[1] == pytest.approx(2.0)  # 2.5 + 4 - 1 would be allowed from below


@pytest.mark.parametrize(("invert", "out_of_reach"), [(98.0, []), (98.01, [1]), (100.01, [0, 1])])
def test_a_centimetre_decides_what_can_be_served(invert: float, out_of_reach: list[int]) -> None:
    tall = instance_of(*FLAT, tie_ins=[(0, invert)])
    tall.ends.into_a[1, 1] = 99.0  # arrives 1 m deep at the middle node, which lies 1 m of fall up
    assert unserved(tall) == out_of_reach


def test_the_deeper_of_two_ways_is_kept() -> None:
    case = instance_of([100.0, 100.0, 102.0], [(0, 1), (0, 2), (2, 1)], tie_ins=[(0, 96.0)])
    room = find_headroom(net_of(case), case.nodes.top)
    # straight down: 4 - 1 = 3 m; over the hill: 102 - (96 + 1) = 5 m there, 100 - 98 = 2 m here
    assert (room.depth[1], room.out[1]) == (pytest.approx(3.0), 1)


def test_what_is_out_of_reach_is_told_with_the_way_and_what_it_lacks() -> None:
    case = instance_of(*FLAT, tie_ins=[(0, 98.3)])
    case.ends.into_a[1, 1] = 99.0
    room = find_headroom(net_of(case), case.nodes.top)
    told = explain_unserved(net_of(case), room, case.nodes.top)
    assert told.link.tolist() == [1]
    assert told.path[0].tolist() == [1, 0]
    # it leaves the middle node at 99, arrives at 98, and the tie-in stands at 98.3
    assert (told.lack[0], told.node[0]) == (pytest.approx(0.3), 1)


def test_an_island_lacks_without_end() -> None:
    case = instance_of([100.0, 100, 100, 100], [(0, 1), (2, 3)])
    room = find_headroom(net_of(case), case.nodes.top)
    told = explain_unserved(net_of(case), room, case.nodes.top)
    assert (told.link.tolist(), told.lack.tolist(), told.node.tolist()) == ([1], [np.inf], [-1])


def test_the_rooms_along_the_search_tree_are_the_head_rooms() -> None:
    rng = np.random.default_rng(5)
    streets = [(int(rng.integers(0, k)), k) for k in range(1, 30)]
    streets += [tuple(rng.choice(30, 2, replace=False).tolist()) for _ in range(20)]
    case = instance_of(rng.uniform(98, 104, 30).tolist(), streets, tie_ins=[(0, 95.0)])
    net = net_of(case)
    room = find_headroom(net, case.nodes.top)
    assert rooms_along(net, room.out) == pytest.approx(room.depth)


def test_a_flatter_class_of_flow_reaches_further() -> None:
    case = instance_of(*FLAT, tie_ins=[(0, 98.3)])
    net = net_of(case)._replace(class_less=np.array([0.0, 0.004]))
    steep = find_headroom(net, case.nodes.top).depth
    flat = find_headroom(net, case.nodes.top, flattest=True).depth
    assert (flat - steep)[1] == pytest.approx(0.4)  # 0.004 over 100 m
