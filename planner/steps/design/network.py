"""How a drawn design hangs together: pits of legs, outlets, circles and the way to a tie-in."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import NamedTuple

import networkx as nx
import numpy as np

from planner.model import Floats
from planner.records import Bools, Ints


class Fault(NamedTuple):
    """What does not hang together: rule, subject, what is and what must be, and with what."""

    rule: str
    subject: str
    value: float
    limit: float
    other: str = ""


class Net(NamedTuple):
    """Pits and the legs between them."""

    pit_id: tuple[str, ...]
    leg_id: tuple[str, ...]
    up: Ints  # (legs,) pit
    down: Ints  # (legs,)
    tie_in: Ints  # (pits,) -1 for a pit

    def without(self, legs: Bools) -> Net:
        """The same pits without some of the legs."""
        names = tuple(name for name, gone in zip(self.leg_id, legs, strict=True) if not gone)
        return self._replace(leg_id=names, up=self.up[~legs], down=self.down[~legs])


def leaving(net: Net) -> dict[int, list[int]]:
    """Legs that leave each pit."""
    found: dict[int, list[int]] = defaultdict(list)
    for leg, up in enumerate(net.up.tolist()):
        found[up].append(leg)
    return found


def circles(net: Net) -> tuple[list[Fault], Bools]:
    """Pits whose water comes back, and the legs to leave out so that none does."""
    graph = nx.MultiDiGraph()
    graph.add_nodes_from(range(len(net.pit_id)))
    for leg, ends in enumerate(zip(net.up.tolist(), net.down.tolist(), strict=True)):
        graph.add_edge(*ends, key=leg)
    on_circle = {
        pit
        for part in nx.strongly_connected_components(graph)
        for pit in part
        if len(part) > 1 or graph.has_edge(pit, pit)
    }
    out = np.zeros(len(net.up), bool)
    while True:
        try:
            circle = nx.find_cycle(graph)
        except nx.NetworkXNoCycle:
            break
        last = max(leg for _, _, leg in circle)
        out[last] = True
        graph.remove_edge(int(net.up[last]), int(net.down[last]), key=last)
    faults = [Fault("no_circle", net.pit_id[pit], 1.0, 0.0) for pit in sorted(on_circle)]
    return faults, out


def drains(net: Net) -> Bools:
    """Whether the water of each pit reaches a tie-in; legs do not flow in circles."""
    found = net.tie_in >= 0
    out = leaving(net)
    for start in range(len(net.pit_id)):
        path, here = [], start
        while not found[here] and out[here]:
            path.append(here)
            here = int(net.down[out[here][-1]])
        found[path] = found[here]
    return found


def network_faults(net: Net) -> list[Fault]:
    """Pits with more than one outlet, and pits from which no tie-in is reached."""
    arriving, out = Counter(net.down.tolist()), leaving(net)
    faults = []
    for pit, legs in sorted(out.items()):
        allowed = 1 if arriving[pit] else 2  # a summit may flow both ways
        allowed = 0 if net.tie_in[pit] >= 0 else allowed
        if len(legs) > allowed:
            others = ", ".join(net.leg_id[leg] for leg in legs)
            faults.append(
                Fault("one_outlet", net.pit_id[pit], float(len(legs)), float(allowed), others)
            )
    reached = drains(net)
    faults += [
        Fault("reaches_tie_in", name, 0.0, 1.0)
        for name, fine in zip(net.pit_id, reached, strict=True)
        if not fine
    ]
    return faults


def trace_runs(net: Net, xy: Floats) -> tuple[tuple[str, ...], Floats]:
    """Run of each leg and station of its lower end, from tie-ins and dead ends upwards.

    A run goes up the straightest inlet to a head or the next junction, as those of a plan.
    """
    into: dict[int, list[int]] = defaultdict(list)
    for leg, down in enumerate(net.down.tolist()):
        into[down].append(leg)
    way = xy[net.down] - xy[net.up]
    length = np.hypot(*way.T)
    way = way / length[:, None]
    run, station = [""] * len(net.up), np.zeros(len(net.up))
    queue = _starts(net, into)
    count = 0
    while queue:
        leg, at = queue.pop(0), 0.0
        while True:
            run[leg], station[leg] = _letter(count), at
            at += length[leg]
            above = into[int(net.up[leg])]
            if len(above) != 1 or run[above[0]]:
                break
            leg = above[0]
        count += 1
        fresh = [other for other in above if not run[other] and other not in queue]
        queue += [i for _, i in sorted((-round(float(way[i] @ way[leg]), 9), i) for i in fresh)]
    return tuple(run), station


def _starts(net: Net, into: dict[int, list[int]]) -> list[int]:
    """Legs into pits that nothing leaves, tie-ins first."""
    out = leaving(net)
    ends = [pit for pit in into if not out[pit] or net.tie_in[pit] >= 0]
    ends.sort(key=lambda pit: (net.tie_in[pit] < 0, pit))
    return [leg for pit in ends for leg in into[pit]]


def _letter(number: int) -> str:
    """A, B, … Z, AA, AB, …"""
    name = ""
    while number >= 0:
        name = chr(ord("A") + number % 26) + name
        number = number // 26 - 1
    return name
