"""Finds a layout and says how far from the best it can be at most."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_bound import (
    Bound,
    branch_and_bound,
    cut_program,
    find_bound,
    without_hopeless,
)
from planner.kernels.layout_headroom import (
    Unserved,
    find_headroom,
    narrow,
    without_unserved,
)
from planner.kernels.layout_instance import CARRIED, ENDED, Instance, Net, net_of
from planner.kernels.layout_paths import Work, new_work
from planner.kernels.layout_search import Best, anneal
from planner.kernels.layout_start import start_state
from planner.kernels.layout_tree import State, new_state, price_all
from planner.kernels.layout_walk import Walked, over_capacity, walk_layout

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Progress = Callable[[int, float, float], None]  # changes tried, best price so far, bound
Stop = Callable[[], bool]

HOT, COLD = 0.35, 0.002  # temperature at the start and end of a round, by a typical link's price
ENOUGH = 3_000  # changes a link that a round needs to be worth another
PIECE = 200_000  # changes between two looks at the clock
CHANGES_PER_LINK, LEAST_CHANGES, MOST_CHANGES = 9_000, 300_000, 25_000_000
BRANCH_VARIABLES = 2_500  # most variables of a programme that is branched on
DOUBTFUL = 1e-5  # share of the price by which no bound can exceed a layout
AGREES = 1e-6  # share by which two ways to add up one price may differ


class Effort(NamedTuple):
    """How long to search. The same effort and seed give the same layout."""

    changes: int = 0  # to try; 0: by the number of links
    rounds: int = 3  # times that the search is heated up
    nodes: int = 500  # most nodes of branch and bound; 0: none
    gap: float = 1e-5  # share of the price; a layout proven to be within it ends the search


class Found(NamedTuple):
    """The best layout that was found, and what is proven of it."""

    use: Ints  # (links,) as `planner.kernels.layout_instance` numbers it
    walked: Walked  # levels, people and price, walked again by separate code
    bound: float  # no layout that serves the same links costs less
    proven_by: str  # "dual ascent", "linear programme" or "branch and bound"
    unserved: Unserved  # required links that gravity cannot serve
    over: Floats  # (tie-ins,) people beyond what each can take; not 0 only if none was found
    changes: int  # that were tried

    @property
    def cost(self) -> float:
        """Price of the layout."""
        return self.walked.cost

    @property
    def gap(self) -> float:
        """Share of the price by which it can exceed the best at most."""
        return (self.cost - self.bound) / self.cost if self.cost > 0 else 0.0


def find_layout(
    instance: Instance,
    effort: Effort = Effort(),  # noqa: B008  # a tuple cannot change
    seed: int = 1,
    progress: Progress | None = None,
    stop: Stop | None = None,
) -> Found:
    """The best layout that can be found, with a proven bound.

    Parameters
    ----------
    instance
        The instance.
    effort
        How long to search.
    seed
        Another one tries other changes.
    progress
        Called now and then with changes tried, best price and bound.
    stop
        Asked now and then; true ends the search with the best so far. A clock handed in here makes
        the result depend on the machine.

    Raises
    ------
    ArithmeticError
        Where the layout's price, walked again, is not the one that was searched for.
    """
    return _Hunt(instance, effort, seed, progress, stop).run()


class _Hunt:
    """One search."""

    def __init__(
        self,
        instance: Instance,
        effort: Effort,
        seed: int,
        progress: Progress | None,
        stop: Stop | None,
    ) -> None:
        self.effort, self.progress, self.stop = effort, progress, stop
        self.seed = np.array([seed], np.uint64)
        self.instance, self.unserved, self.room = without_unserved(instance)
        net = net_of(self.instance)
        self.net = narrow(net, find_headroom(net, instance.nodes.top, flattest=True))
        self.tried = 0
        self.proven_by = ""

    def run(self) -> Found:
        if not self.net.required.any():
            state = new_state(self.net)
            self.bound, self.best = 0.0, Best(state.use, state.out, np.zeros(1))
            return self._report()
        bound = find_bound(self.net)
        self.bound = bound.price
        self.proven_by = "linear programme" if bound.relaxed > bound.ascent else "dual ascent"
        state, cost = start_state(self.net, self.room, bound.guides)
        self.best = Best(state.use.copy(), state.out.copy(), np.array([cost]))
        self._search(state)
        if self.effort.nodes and not self._is_done():
            self._branch(bound)
        return self._report()

    def _is_done(self) -> bool:
        cost = float(self.best.cost[0])
        if self.progress is not None:
            self.progress(self.tried, cost, self.bound)
        proven = cost - self.bound <= self.effort.gap * abs(cost)
        return proven or (self.stop is not None and self.stop())

    def _search(self, state: State) -> None:
        """Heat up and cool down, each time from the best."""
        links = max(int((self.net.required | self.net.open.reshape(-1, 2).any(axis=1)).sum()), 1)
        changes = self.effort.changes
        if not changes:
            changes = min(max(CHANGES_PER_LINK * links, LEAST_CHANGES), MOST_CHANGES)
        rounds = max(1, min(self.effort.rounds, changes // (links * ENOUGH)))
        unit = _typical_price(self.net)
        work = new_work(self.net)
        for _ in range(rounds):
            state.use[:], state.out[:] = self.best.use, self.best.out
            if not self._cool(state, work, changes // rounds, HOT * unit, COLD * unit):
                return

    def _cool(self, state: State, work: Work, changes: int, hot: float, cold: float) -> bool:
        """One round; false when there is no need for more."""
        pieces = max(1, round(changes / PIECE))
        steps = changes // pieces
        heats = hot * (cold / hot) ** (np.arange(pieces + 1) / pieces)
        for k in range(pieces):
            if self._is_done():
                return False
            anneal(self.net, state, self.best, self.seed, work, steps, heats[k], heats[k + 1])
            self.tried += steps
        return not self._is_done()

    def _branch(self, bound: Bound) -> None:
        """Branch and bound where the programme is small; its layout competes with the search's."""
        if len(bound.program.price) > BRANCH_VARIABLES:
            return
        net = without_hopeless(self.net, bound, float(self.best.cost[0]))
        proof = branch_and_bound(net, cut_program(net), self.effort.nodes)
        if proof.use is not None:
            self._offer(proof.use)
        best = float(self.best.cost[0])
        if proof.bound > best + DOUBTFUL * abs(best):
            return  # the best layout is one of those that were left in: the solver must have erred
        least = min(proof.bound, best)  # what was left out costs more
        if least > self.bound:
            self.bound, self.proven_by = least, "branch and bound"

    def _offer(self, use: Ints) -> None:
        """Take a layout from elsewhere when it is one, and cheaper."""
        if walk_layout(self.instance, use).faults:
            return
        state = state_of(self.net, use)
        cost = price_all(self.net, state)
        if cost < self.best.cost[0]:
            self.best.use[:], self.best.out[:], self.best.cost[0] = state.use, state.out, cost

    def _report(self) -> Found:
        walked = walk_layout(self.instance, self.best.use)
        over = over_capacity(self.instance, walked)
        cost = float(self.best.cost[0])
        if not walked.faults and not over.any() and abs(walked.cost - cost) > AGREES * abs(cost):
            raise ArithmeticError(f"a layout's price is {cost:.2f}, walked {walked.cost:.2f}")
        return Found(
            self.best.use, walked, min(self.bound, walked.cost), self.proven_by, self.unserved,
            over, self.tried,
        )  # fmt: skip


def state_of(net: Net, use: Ints) -> State:
    """The state of a layout.

    Parameters
    ----------
    net
        The instance.
    use : (links,)
        How each link is used.
    """
    state = new_state(net)
    state.use[:] = use
    carried = np.flatnonzero((use >= CARRIED) & (use < ENDED))
    arcs = 2 * carried + use[carried]
    state.out[net.tail[arcs]] = arcs
    return state


def _typical_price(net: Net) -> float:
    prices = net.price[net.open]
    ends = net.end_price[np.isfinite(net.end_price) & (net.end_price > 0)]
    every = np.concatenate((prices[prices > 0], ends))
    return float(np.median(every)) if len(every) else 1.0
