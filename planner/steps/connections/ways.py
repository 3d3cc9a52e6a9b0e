"""Connections to be: from properties to their joints, with all that bounds their two levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planner.kernels.ground import sample_ground
from planner.model import Floats, Ground, Site
from planner.records import Bools, Ints, Route
from planner.steps.connections.joints import axes_of, find_joints
from planner.steps.connections.pipes import choose_pipes

Texts = NDArray[np.object_]

COVER_SHARES = np.linspace(0.0, 1.0, 9)  # where the cover is looked at
GRID = 1e-9  # [levels] noise that does not count when a level is rounded


@dataclass(frozen=True, eq=False)
class Ways:
    """Connections to be, each (ways,)."""

    row: Ints  # row of Site.properties
    leg: Ints
    pit: Ints  # the pit that is joined, -1 where it is the leg
    start: Floats  # (ways, 2) [m]
    joint: Floats  # (ways, 2) [m]
    nominal: Floats  # [mm]
    inside: Floats  # [m]
    outside: Floats  # [m]
    peak: Floats  # of the property [m3/s]
    carries: Floats  # the pipe at its least slope and the allowed depth [m3/s]
    highest: Floats  # at the property [levels]
    lowest: Floats  # at the sewer: where the pipe enters it without a riser [levels]
    fall: Floats  # least one [levels]
    shallow: Floats  # at the sewer: at `connection_max_depth_m` [levels]
    ground: Floats  # (ways, shares) from joint to property [m]

    @property
    def length(self) -> Floats:
        """Distance in plan. [m]"""
        return np.asarray(np.hypot(*(self.start - self.joint).T))

    @property
    def preferred(self) -> Floats:
        """Level at the sewer that needs the least riser. [levels]"""
        return np.maximum(self.lowest, np.minimum(self.shallow, self.highest - self.fall))

    def take(self, which: Ints | Bools) -> Ways:
        """Some of the ways."""
        return Ways(**{name: array[which] for name, array in vars(self).items()})


def plan_ways(site: Site, route: Route) -> Ways:
    """Every way of every property that a leg serves: to the leg, then those to its pit."""
    rules, step = site.book.rules, site.project.level_step
    row, leg, share, pit = find_joints(site, route)
    up, way = axes_of(route, leg)
    joint, start = up + share[:, None] * way, route.property_xy[row].reshape(-1, 2)
    pipes = choose_pipes(site, row)
    main = route.leg_up_level[leg] * (1 - share) + route.leg_down_level[leg] * share
    main = np.where(pit >= 0, np.maximum(main, route.pit_level[pit]), main)
    entry = route.leg_inside[leg] * rules.number("connection_entry_ratio") / step
    ground = _ground_along(site.ground, joint, start)
    floor = site.properties["floor_elev_m"].to_numpy(float)[row]
    floor = floor - rules.number("connection_floor_drop_m")
    shallow = ground[:, 0] - rules.number("connection_max_depth_m")
    length = np.hypot(*(start - joint).T)
    return Ways(
        row, leg, pit, start, joint, pipes.nominal, pipes.inside, pipes.outside, pipes.peak,
        pipes.carries, highest=np.floor(floor / step + GRID), lowest=np.ceil(main + entry - GRID),
        fall=np.ceil(pipes.slope * length / step - GRID),
        shallow=np.ceil(shallow / step - GRID), ground=ground,
    )  # fmt: skip


def _ground_along(ground: Ground, joint: Floats, start: Floats) -> Floats:
    """Ground from the joints to the properties, (ways, shares). [m]"""
    points = joint[:, None] + COVER_SHARES[None, :, None] * (start - joint)[:, None]
    x, y = (np.ascontiguousarray(points[..., k].ravel()) for k in range(2))
    levels = sample_ground(
        ground.values, ground.mesh_x0, ground.mesh_y0, ground.mesh_step, ground.mesh_col,
        ground.mesh_row, x, y,
    )  # fmt: skip
    return np.asarray(levels).reshape(len(joint), len(COVER_SHARES))
