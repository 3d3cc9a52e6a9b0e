"""Proves how cheap a layout can be at best, and leaves out what no better one uses."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from planner.kernels.layout_ascent import Ascent, Prices, dual_ascent
from planner.kernels.layout_instance import ENDED, Net
from planner.kernels.layout_program import Program, least_prices, program_of, with_cuts

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

MARGIN = 1e-6  # share of a price: what floating point may spoil; taken off every bound
OPTIMAL, LIMIT = 0, 1  # what the solver says of itself; a limit on cases has no number of its own
STEPS = (7, 31, 101)  # by which links are taken in other orders of dual ascent
UNCERTAIN = 0.01  # share of the price that guides add to what dual ascent leaves of it
TRUSTS = (0.95, 0.5)  # shares of the price that guides take off what the programme carries
MOST_CUT = 200  # nodes of the largest set that becomes a row


class Bound(NamedTuple):
    """A proven lower bound on the price of any layout."""

    price: float
    ascent: float  # what dual ascent alone proves
    program: Program
    reduced: Floats  # (variables,) least that a variable at 1 adds to `relaxed`
    relaxed: float  # what the multipliers of the linear programme prove
    guides: tuple[Floats, ...]  # (arcs,) prices by which good trees grow


class Proof(NamedTuple):
    """What branch and bound found."""

    bound: float
    use: Ints | None  # (links,) its best layout, None where it found none


def find_bound(net: Net) -> Bound:
    """The larger of two bounds: dual ascent without depth, and the programme with depth.

    Parameters
    ----------
    net
        The instance, narrowed to what can reach a tie-in.
    """
    prices = least_prices(net)
    ascents = _ascents(net, prices)
    ascent = max(ascents, key=lambda each: each.bound)
    program = with_cuts(net, program_of(net), ascents)
    multipliers, x = _solve(program)
    relaxed, reduced = weigh(program, multipliers)
    best = max(ascent.bound, relaxed)
    carried = np.where(program.carry >= 0, x[program.carry], 0.0)
    full = np.where(net.open, prices.carry, 0.0)
    left = [np.where(net.open, each.carry, 0.0) + UNCERTAIN * full for each in ascents]
    guides = (*left, *(full * (1.0 - trust * carried) for trust in TRUSTS))
    return Bound(best - MARGIN * abs(best), ascent.bound, program, reduced, relaxed, guides)


def cut_program(net: Net) -> Program:
    """The programme with the rows that dual ascent finds.

    Parameters
    ----------
    net
        The instance, narrowed to what can reach a tie-in.
    """
    return with_cuts(net, program_of(net), _ascents(net, least_prices(net)))


def _ascents(net: Net, prices: Prices) -> list[Ascent]:
    """Dual ascent in several orders of the links."""
    count = len(net.required)
    number = np.arange(count)
    orders = [number, number[::-1]]
    orders += [number * step % max(count, 1) for step in STEPS]
    return [dual_ascent(net, prices, 0.5 * order / max(count, 1), MOST_CUT) for order in orders]


def _solve(program: Program) -> tuple[Floats, Floats]:
    """A price for each row and the variables, as the solver proposes them; 0 where it does not."""
    found = np.zeros(len(program.least))
    more = ~program.equal
    solved = linprog(
        program.price, A_ub=-program.rows[more], b_ub=-program.least[more],
        A_eq=program.rows[program.equal], b_eq=program.least[program.equal],
        bounds=np.column_stack((np.zeros(len(program.most)), program.most)), method="highs",
    )  # fmt: skip
    if solved.x is not None:
        found[more], found[program.equal] = -solved.ineqlin.marginals, solved.eqlin.marginals
        return found, np.asarray(solved.x)
    return found, np.zeros(len(program.price))


def weigh(program: Program, multipliers: Floats) -> tuple[float, Floats]:
    """What any multipliers prove, whoever proposed them, and the reduced prices.

    For x with ``rows @ x >= least``, multipliers y (not negative but on equal rows) and
    ``0 <= x <= most``: ``price @ x >= y @ least + sum of min(0, price - y @ rows) * most``.

    Parameters
    ----------
    program
        The programme.
    multipliers : (rows,)
        A price for each row.
    """
    y = np.where(program.equal, multipliers, np.maximum(multipliers, 0.0))
    reduced = program.price - program.rows.T @ y
    return float(y @ program.least + np.minimum(reduced, 0.0) @ program.most), reduced


def without_hopeless(net: Net, bound: Bound, price: float) -> Net:
    """The instance less every choice that would cost more than a layout that is known.

    Parameters
    ----------
    net
        The instance.
    bound
        Its bound.
    price
        Price of a layout of it.
    """
    limit = price + 2 * MARGIN * abs(price)
    hopeless = bound.relaxed + bound.reduced > limit
    carry, way = bound.program.carry, bound.program.way
    closed = (carry >= 0) & hopeless[carry]
    dropped = (way >= 0) & hopeless[way]
    return net._replace(open=net.open & ~closed, end_price=np.where(dropped, np.inf, net.end_price))


def branch_and_bound(net: Net, program: Program, nodes: int) -> Proof:
    """Bound, and a layout, by branching on the programme; meant for some hundred streets.

    Parameters
    ----------
    net
        The instance, of one flow class and without limits of capacity.
    program
        Its programme.
    nodes
        Most nodes of the search tree, so that the same instance gives the same bound.
    """
    upper = np.where(program.equal, program.least, np.inf)
    solved = milp(
        program.price, integrality=program.whole.astype(int),
        bounds=Bounds(np.zeros(len(program.most)), program.most),
        constraints=LinearConstraint(program.rows, program.least, upper),
        options={"node_limit": nodes, "mip_rel_gap": 1e-6},
    )  # fmt: skip
    known = solved.status in {OPTIMAL, LIMIT} or "limit" in str(solved.message).lower()
    told = known and solved.mip_dual_bound is not None
    bound = float(solved.mip_dual_bound) if told else -np.inf
    use = None if solved.x is None else _use_of(net, program, solved.x)
    return Proof(bound - MARGIN * abs(bound), use)


def _use_of(net: Net, program: Program, x: Floats) -> Ints:
    """The layout that a whole solution stands for."""
    use = np.full(len(net.required), -1)
    for column, first in ((program.carry, 0), (program.way, ENDED)):
        each = 2 if first == 0 else 3
        chosen = np.flatnonzero((column >= 0) & (x[column] > 0.5))
        use[chosen // each] = first + chosen % each
    return use
