"""Finds the pieces of services that are near bores, and how near."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from planner.kernels.clearance import pair_clearances
from planner.kernels.neighbours import Cells, near_clearances, sort_into_cells
from planner.model import Floats
from planner.records import Bools, Ints
from planner.steps.clearances.services import Services

SEARCH_MARGIN = 1e-3  # [m] by which a search reaches further than what it is asked for


@dataclass(frozen=True, eq=False)
class ServiceIndex:
    """Pieces of services sorted for search, each with how near a bore matters to it."""

    services: Services
    cells: Cells
    piece: Ints  # (indexed,) position in the services' pieces, by place in the cells
    reach: Floats  # (pieces,) [m]


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Pairs of a bore and a piece of a service whose clearance is within reach."""

    subject: Ints  # (pairs,)
    piece: Ints  # (pairs,) position in the services' pieces
    clearance: Floats  # (pairs,) [m]
    share: Floats  # (pairs,) of the bore's axis, from its first end, where it is nearest


def index_services(services: Services, reach: Floats) -> ServiceIndex:
    """Sort the pieces of services for search.

    Parameters
    ----------
    services
        The services.
    reach : (pieces,)
        Clearance above which a bore does not matter to a piece. [m]
    """
    ends = np.hstack((services.start, services.end))
    corner = np.hypot(services.half_width, services.half_height)
    outside = np.where(services.radius > 0, services.radius, corner)
    cells = sort_into_cells(ends, outside, reach + SEARCH_MARGIN)
    return ServiceIndex(services, cells, cells.item, reach)


def nearest_services(index: ServiceIndex, bores: Floats) -> Neighbours:
    """Exact clearances of straight round bores to all pieces within reach.

    Parameters
    ----------
    index
        Services from `index_services`.
    bores : (bores, 7)
        Ends of the axis x0, y0, z0, x1, y1, z1 and the radius of each. [m]
    """
    bores = np.ascontiguousarray(bores, float)
    found, place, _ = near_clearances(index.cells, bores)
    subject, piece = found.astype(np.int64), index.piece[place]
    clearance, share = pair_clearances(bores, index.services.solids, subject, piece)
    near = clearance <= index.reach[piece]
    return Neighbours(subject[near], piece[near], clearance[near], share[near])


def near_in_plan(services: Services, use: Bools, reach: Floats, bores: Floats) -> tuple[Ints, Ints]:
    """Pairs of a bore and a piece in use whose outsides are within the piece's reach in plan."""
    flat = np.array([1.0, 1.0, 0.0, 1.0, 1.0, 0.0, 1.0])
    piece = np.flatnonzero(use)
    ends = np.hstack((services.start, services.end))[piece] * flat[:6]
    cells = sort_into_cells(ends, services.half_width[piece], reach[piece] + SEARCH_MARGIN)
    subject, place, _ = near_clearances(cells, np.ascontiguousarray(bores * flat))
    return subject.astype(np.int64), piece[cells.item[place]]
