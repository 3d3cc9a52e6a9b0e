"""What is bored or dug nearest to a service around a place: what became of an earlier conflict."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from planner.kernels.clearance import pair_clearances
from planner.kernels.pit_clearance import pit_clearances
from planner.model import Floats
from planner.records import Ints
from planner.steps.clearances.dug import rings_of
from planner.steps.clearances.services import Services, Texts
from planner.steps.clearances.subjects import CONNECTION, LEG, PIT, Connections, Legs, Pits

AROUND = 50.0  # [m] from a place in plan: what is farther away is elsewhere


@dataclass(frozen=True, eq=False)
class Nearby:
    """Services and everything that is bored or dug."""

    services: Services
    legs: Legs
    pits: Pits
    connections: Connections

    @cached_property
    def _bores(self) -> dict[str, tuple[Texts, Floats]]:
        """Names and bores of legs and of connections."""
        legs, houses = self.legs, self.connections
        bored = np.column_stack((legs.down, legs.up, legs.bore_diameter / 2))
        joined = np.column_stack((houses.sewer, houses.property, houses.outside_diameter / 2))
        return {LEG: (legs.leg_id, bored), CONNECTION: (houses.connection_id, joined)}

    @cached_property
    def _rings(self) -> tuple[tuple[Floats, Ints, Floats], Ints]:
        return rings_of(self.pits)

    def find(self, element: str, utility_id: str, place: Floats) -> tuple[str, float] | None:
        """The leg, pit or connection that is nearest to a service around a place.

        Parameters
        ----------
        element
            ``leg``, ``pit`` or ``connection``.
        utility_id
            The service.
        place : (2,)
            Where in plan. [m]

        Returns
        -------
        Its name and its clearance [m]; None where nothing is within `AROUND` of the place.
        """
        pieces = self._pieces(utility_id, place)
        names, subjects = self._subjects(element, place)
        if not len(pieces) or not len(subjects):
            return None
        piece = np.tile(pieces, len(subjects))
        gaps = self._clearances(element, np.repeat(subjects, len(pieces)), piece)
        of_subject = gaps.reshape(len(subjects), -1).min(axis=1).round(6)
        least = min(range(len(subjects)), key=lambda k: (of_subject[k], str(names[k])))
        return str(names[least]), float(of_subject[least])

    def apart(self, element: str, subject: str, places: Floats) -> Floats:
        """Distance in plan of places from the axis of a leg or connection; of a pit it is infinite.

        Parameters
        ----------
        element
            ``leg``, ``pit`` or ``connection``.
        subject
            Its name.
        places : (places, 2)
            Where in plan. [m]

        Returns
        -------
        (places,) distance [m]
        """
        names, bores = self._bores.get(element, (np.empty(0, object), np.empty((0, 7))))
        own = bores[names == subject]
        if not len(own):
            return np.full(len(places), np.inf)
        return np.array([_apart(own, place).min() for place in places], float)

    def _pieces(self, utility_id: str, place: Floats) -> Ints:
        rows = np.flatnonzero(self.services.utility_id == utility_id)
        pieces = np.concatenate(
            [np.empty(0, np.int64), *(self.services.pieces_of(int(k)) for k in rows)]
        )
        ends = np.column_stack((self.services.start[pieces], self.services.end[pieces]))
        return pieces[_apart(ends, place) <= AROUND]

    def _subjects(self, element: str, place: Floats) -> tuple[Texts, Ints]:
        """Names and numbers of the bores or rings around a place."""
        if element != PIT:
            names, bores = self._bores[element]
            near = np.flatnonzero(_apart(bores, place) <= AROUND)
            return names[near], near
        (points, begin, _), owner = self._rings
        corners = np.column_stack((points, np.zeros(len(points)), points, np.zeros(len(points))))
        reached = np.append(0, np.cumsum(_apart(corners, place) <= AROUND))[begin]
        near = np.flatnonzero(np.diff(reached) > 0)
        return self.pits.pit_id[owner[near]], near

    def _clearances(self, element: str, subject: Ints, piece: Ints) -> Floats:
        solids = self.services.solids
        if element == PIT:
            return np.asarray(pit_clearances(solids, self._rings[0], subject, piece)[0])
        bores = np.ascontiguousarray(self._bores[element][1], float)
        return np.asarray(pair_clearances(bores, solids, subject, piece)[0])


def _apart(ends: Floats, place: Floats) -> Floats:
    """Distance in plan of axes from a place. [m]"""
    start, way = ends[:, :2], ends[:, 3:5] - ends[:, :2]
    square = np.maximum((way**2).sum(axis=1), 1e-18)
    share = np.clip(((place - start) * way).sum(axis=1) / square, 0.0, 1.0)
    return np.asarray(np.hypot(*(start + share[:, None] * way - place).T))
