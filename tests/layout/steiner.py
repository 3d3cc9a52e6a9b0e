"""Reads Steiner tree instances, and turns them into layouts whose prices know no depth."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from planner.kernels.layout_instance import ONE_CLASS, Ends, Instance, Links, Nodes, TieIns

DATA = Path(__file__).parent / "data"


class Graph(NamedTuple):
    """An undirected graph with prices, and the nodes that have to be joined."""

    edges: NDArray[np.int64]  # (edges, 2)
    price: NDArray[np.float64]  # (edges,)
    terminals: NDArray[np.int64]
    nodes: int


def read_graph(name: str) -> Graph:
    """A graph in the format of the PACE 2018 challenge."""
    words = [line.split() for line in (DATA / name).read_text(encoding="ascii").splitlines()]
    edges = np.array([w[1:] for w in words if w[:1] == ["E"]], float)
    terminals = np.array([int(w[1]) for w in words if w[:1] == ["T"]]) - 1
    count = next(int(w[1]) for w in words if w[:1] == ["Nodes"])
    return Graph(edges[:, :2].astype(np.int64) - 1, edges[:, 2], terminals, count)


def layout_of(graph: Graph) -> Instance:
    """The first terminal is the tie-in; at each other one a link has to be served for nothing."""
    pairs = np.vstack((graph.edges, np.column_stack((graph.terminals[1:], graph.terminals[1:]))))
    edges, count = len(graph.edges), len(pairs)
    price = np.append(graph.price, np.zeros(count - edges))
    required = np.arange(count) >= edges
    zero, flat = np.zeros(count), np.zeros((count, 2))
    links = Links(
        pairs[:, 0].copy(), pairs[:, 1].copy(), zero + 1.0, required, zero,
        np.column_stack((~required, ~required)), flat, flat,
        np.column_stack((price, price)), flat,
    )  # fmt: skip
    end, nowhere = np.full((count, 3), np.inf), np.full((count, 3), np.inf)
    into = end.copy()
    end[required, 0] = into[required, 0] = 0.0
    level = np.zeros(graph.nodes)
    one = np.ones(1)
    return Instance(
        Nodes(level, level - 1.0, level, level, level), links, Ends(end, into, nowhere),
        TieIns(graph.terminals[:1], -one, one * np.inf, one * 0.0), ONE_CLASS,
    )  # fmt: skip
