"""Forces or forbids a street, a direction, a tie-in or a pit, and prices what that costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from planner.kernels.layout_instance import SPLIT, TO_B, Instance, TieIns
from planner.kernels.layout_plan import Found


class ChoicePrice(NamedTuple):
    """What a choice costs, as far as is known."""

    found: float  # the best layout with it less the best without it
    least: float  # proven: the best with it costs at least this much more than the one found


def without_link(instance: Instance, link: int) -> Instance:
    """No sewer at all in a street; its frontage is not served."""
    required = instance.links.required.copy()
    required[link] = False
    links = instance.links._replace(required=required)
    return without_carrying(instance._replace(links=links), link)


def without_carrying(instance: Instance, link: int) -> Instance:
    """No sewer through a street; dead ends that serve its frontage stay allowed."""
    may = instance.links.may_carry.copy()
    may[link] = False
    return instance._replace(links=instance.links._replace(may_carry=may))


def with_direction(instance: Instance, link: int, column: int) -> Instance:
    """A street flows one way, if it gets a sewer.

    Parameters
    ----------
    instance
        The instance.
    link
        The street.
    column
        `TO_B` or `TO_A`.
    """
    may, price = instance.links.may_carry.copy(), instance.ends.price.copy()
    other = 1 - column
    may[link, other] = False
    price[link, [other, SPLIT]] = np.inf
    return instance._replace(
        links=instance.links._replace(may_carry=may), ends=instance.ends._replace(price=price)
    )


def with_carrying(instance: Instance, link: int) -> Instance:
    """A sewer runs through a street, from node to node."""
    required, price = instance.links.required.copy(), instance.ends.price.copy()
    required[link], price[link] = True, np.inf
    return instance._replace(
        links=instance.links._replace(required=required), ends=instance.ends._replace(price=price)
    )


def without_tie_in(instance: Instance, row: int) -> Instance:
    """A tie-in is not used; sewers may pass its node like any other."""
    return with_tie_ins(instance, [k for k in range(len(instance.ties.node)) if k != row])


def with_tie_ins(instance: Instance, rows: Sequence[int]) -> Instance:
    """No other tie-ins than these are used."""
    keep = np.array(rows, np.int64)
    node, invert, spare, price = instance.ties
    ties = TieIns(node[keep], invert[keep], spare[keep], price[keep])
    return instance._replace(ties=ties)


def with_pit(instance: Instance, node: int) -> Instance:
    """A node gets a pit, with a sewer that leaves it.

    A link of no length and no people is added that can only end in the node; it is the last one.
    """
    links, ends = instance.links, instance.ends
    one = {"a": node, "b": node, "length": 0.0, "required": True, "people": 0.0}
    top = float(instance.nodes.top[node])
    pairs = {"may_carry": False, "fall": 0.0, "cap": top, "price": 0.0, "price_depth": 0.0}
    single = {name: np.append(getattr(links, name), value) for name, value in one.items()}
    double = {
        name: np.vstack((getattr(links, name), np.full((1, 2), value)))
        for name, value in pairs.items()
    }
    price, into = np.full((1, 3), np.inf), np.full((1, 3), np.inf)
    price[0, TO_B], into[0, TO_B] = 0.0, top
    nowhere = np.full((1, 3), np.inf)
    return instance._replace(
        links=links._replace(**single, **double),
        ends=type(ends)(
            np.vstack((ends.price, price)), np.vstack((ends.into_b, into)),
            np.vstack((ends.into_a, nowhere)),
        ),
    )  # fmt: skip


def price_choice(free: Found, chosen: Found) -> ChoicePrice:
    """What a choice costs.

    Parameters
    ----------
    free
        The layout found without it.
    chosen
        The layout found with it, of the same links served.
    """
    return ChoicePrice(chosen.cost - free.cost, max(chosen.bound - free.cost, 0.0))
