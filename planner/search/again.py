"""Solves a plan again with one service farther away: what keeping clear of it costs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from planner.kernels.optimum import find_optimum
from planner.model import Site
from planner.records import Bools, Ints, Route
from planner.search.serving import with_slopes
from planner.search.ways_out import PLACE, STREET, Answer, Conflict
from planner.search.weighing import Weighed
from planner.steps.obstruction import keep_farther
from planner.steps.routing import Given, bind_all, bind_part, make_problem, price_of_rounding

MOST_ASKED = 60  # conflicts


class PlanAgain:
    """A plan and all that it was chosen from; each question is solved by exact legs."""

    most = MOST_ASKED

    def __init__(self, site: Site, weighed: Weighed, route: Route) -> None:
        self.site, self.route = site, route
        solution = weighed.solution
        self.cost, self.served = solution.cost, solution.served
        self.given = with_slopes(weighed.way.given, self.served)
        self.bound = bind_all(self.given, self.served)
        self.chosen = self._legs_of({(leg.up, leg.down, leg.pipe) for leg in solution.legs})
        self.candidate = {name: int(pit) for name, pit in
                          zip(route.pit_id, route.candidate, strict=True)}  # fmt: skip

    def answer(self, way: str, conflict: Conflict) -> Answer | None:
        """What a way out of a conflict costs more than the plan."""
        if way == PLACE:
            return Answer(self._another_place(conflict))
        given = _farther(self.given, conflict.services, conflict.required)
        chains = self._chains_at(conflict.subject) if way == STREET else ()
        return Answer(self._more(given, self.chosen, chains))

    def _another_place(self, conflict: Conflict) -> float | None:
        """What the streets at a pit cost more with none near the service."""
        near = self._too_near(conflict.services, conflict.required)
        near[[at for name, at in self.candidate.items() if name != conflict.subject]] = False
        return self._more(self.given, self.chosen, self._chains_at(conflict.subject), near)

    def _legs_of(self, drives: set[tuple[int, int, int]]) -> Ints:
        """Legs of one drive by their pits and pipe."""
        bound, single = self.bound, slice(self.bound.singles)
        up, down, pipe = np.array(sorted(drives)).reshape(-1, 3).T
        most = 1 + np.array([bound.down.max(), bound.pipe.max()])
        keys = (bound.up[single] * most[0] + bound.down[single]) * most[1] + bound.pipe[single]
        return np.flatnonzero(np.isin(keys, (up * most[0] + down) * most[1] + pipe))

    def _chains_at(self, subject: str) -> tuple[int, ...]:
        """The chain of a leg, or those of all legs at a pit."""
        chosen = self.chosen
        up, down, route = self.bound.up[chosen], self.bound.down[chosen], self.route
        if subject in self.candidate:
            at = (up == self.candidate[subject]) | (down == self.candidate[subject])
        else:
            row = route.leg_id.index(subject)
            ends = route.candidate[[route.leg_up[row], route.leg_down[row]]]
            at = (up == ends[0]) & (down == ends[1])
        return tuple(sorted(set(self.bound.chain[chosen][at].tolist())))

    def _too_near(self, services: tuple[int, ...], required: float) -> Bools:
        """Candidates whose pit, however it is turned, may come too near to a service."""
        sizes, places = self.given.corridor.sizes, self.given.candidates
        reach = np.hypot(sizes.launch_length, sizes.launch_width) + required
        near = np.zeros(len(places.ground), bool)
        for _, row in self.site.utilities.iloc[list(services)].iterrows():
            size = row["width_m"] if row["shape"] == "box" else row["outside_diameter_m"]
            away = shapely.distance(shapely.points(places.xy), row.geometry)
            near |= away < reach + float(size) / 2
        return near & (places.tie_in < 0)

    def _more(
        self, given: Given, chosen: Ints, chains: tuple[int, ...], shut: Bools | None = None
    ) -> float | None:
        """Cost of the cheapest legs beside the plan's; the best of some chains is sought anew."""
        bound = bind_part(given, self.served, (self.bound, chosen), chains, shut)
        problem = make_problem(given, bound)
        found = find_optimum(problem.strict)
        if found is None:
            return None
        return max(0.0, found.cost + price_of_rounding(problem, found) - self.cost)


def _farther(given: Given, services: tuple[int, ...], required: float) -> Given:
    """What is given, with a service kept farther away."""
    widest = max(max(pipe.bore, pipe.outside) for pipe in given.piping.pipes)
    around = keep_farther(given.obstructions, services, required, widest)
    return replace(given, obstructions=around)
