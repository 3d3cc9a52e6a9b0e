"""Prices candidate pits and legs in the form the programme needs."""

from __future__ import annotations

import numpy as np

from planner.model import Figures, Floats, Site
from planner.records import Candidates, ChainPipe, Corridor, Ints, Prices


def price_candidates(
    site: Site, candidates: Candidates, pipes: tuple[ChainPipe, ...], corridor: Corridor
) -> Prices:
    """Every price that the search works with.

    Parameters
    ----------
    site
        The site with its book of prices.
    candidates
        Where pits could stand.
    pipes : (pipes,)
        Pipes that legs may be laid in.
    corridor
        The sizes of pits.
    """
    costs, equipment = site.book.costs, site.book.equipment
    names = ("exit", "launch")
    under = np.array([equipment.number(f"{name}_floor_below_invert_m") for name in names])
    sizes = corridor.sizes
    half = np.array([[sizes.exit_length, sizes.exit_width],
                     [sizes.launch_length, sizes.launch_width]])  # fmt: skip
    fixed, depth = _pit_sums(costs, candidates, half, under)
    manhole = costs.number("manhole_per_m")
    steps = [costs.table(f"{name}_pit_step") for name in names]
    depths = sorted({float(key) for table in steps for key in table if key != "*"})
    return Prices(
        pit=fixed, pit_depth=depth, alike=_alike(fixed, depth), step_depth=np.array(depths),
        step_price=np.array(
            [[_at_depth(t, d) for t in steps] for d in depths], float
        ).reshape(-1, 2),
        under=under, face=_faces(site, candidates, half[:, 0]),
        leg=np.array([_leg_price(costs, pipe, "per_m") for pipe in pipes]),
        leg_depth=np.array([_leg_price(costs, pipe, "per_m_depth") for pipe in pipes]),
        manhole=costs.number("manhole_fixed") - manhole * under, manhole_depth=manhole,
        downgrade=costs.number("downgrade_drive_per_m"),
        slope_margin=costs.number("slope_margin_per_m"),
        drop=costs.number("drop_structure_fixed"),
        drop_depth=costs.number("drop_structure_per_m"),
    )  # fmt: skip


def _alike(fixed: Floats, depth: Floats) -> Ints:
    figures = np.hstack([fixed, depth]).round(6)
    _, number = np.unique(figures, axis=0, return_inverse=True)
    return np.asarray(number.ravel(), np.int64)


def _leg_price(costs: Figures, pipe: ChainPipe, what: str) -> float:
    name = f"{pipe.method.replace(' ', '_')}_{what}"
    return costs.entry(name, f"{pipe.nominal:g}")


def _pit_sums(
    costs: Figures, candidates: Candidates, half: Floats, under: Floats
) -> tuple[Floats, Floats]:
    """Fixed sum and sum per metre of depth of each pit, by role.

    At a tie-in they are of the works there and of the exit pit that is dug against its manhole.
    """
    margin = costs.number("restoration_margin_m")
    area = 4 * (half[:, 0] + margin) * (half[:, 1] + margin)
    surface = np.where(
        candidates.lanes > 0, costs.number("restoration_per_m2"), costs.number("footway_per_m2")
    )
    manhole = costs.number("manhole_per_m")
    fixed = np.array([costs.number("exit_pit_fixed"), costs.number("launch_pit_fixed")])
    depth = np.array([costs.number("exit_pit_per_m"), costs.number("launch_pit_per_m")])
    site = costs.number("lane_closed") * candidates.lanes
    site = site + costs.number("junction_pit") * candidates.junction
    sums = fixed + np.outer(surface, area) + site[:, None]
    sums += costs.number("manhole_fixed") - manhole * under
    new = (candidates.tie_in < 0)[:, None]
    at_tie_in = tie_in_price(costs) - depth[0] * under
    return np.where(new, sums, at_tie_in), np.where(new, depth + manhole, depth[0])


def tie_in_price(costs: Figures) -> float:
    """Works at a tie-in and the exit pit before it, its depth aside.

    Parameters
    ----------
    costs
        The book of prices.
    """
    works = sum(costs.number(f"tie_in_{name}") for name in ("coring", "bypass", "entry"))
    return works + costs.number("exit_pit_fixed")


def _faces(site: Site, candidates: Candidates, half_length: Floats) -> Floats:
    """Distance from a pit's point to its outer face; at a tie-in the exit pit stands before it."""
    face = np.tile(half_length, (len(candidates.ground), 1))
    at = candidates.tie_in >= 0
    manhole = site.tie_ins["manhole_diameter_m"].to_numpy(float)[candidates.tie_in[at]] / 2
    face[at] = (manhole + 2 * half_length[0])[:, None]
    return face


def _at_depth(table: dict[str, float], depth: float) -> float:
    """Sum that a table of steps adds at just this depth."""
    return sum(value for key, value in table.items() if key != "*" and float(key) == depth)
