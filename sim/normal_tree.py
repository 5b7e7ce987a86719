"""The normal tree of a network: which branches carry states.

A spanning tree that takes voltage sources first, then capacitors, resistors and
last inductors. Then tree capacitors and link inductors carry the states;
capacitors left over close a loop of capacitors and sources, inductors in the
tree close a cut-set of inductors and current sources, and both lower the order
exactly, with no made-up parasitics. Method: P. R. Bryant, "The explicit form of
Bashkow's A matrix", IRE Trans. Circuit Theory 9, 303 (1962), from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from sim.errors import Conflict

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from sim.network import Branch, Network

    Array = NDArray[np.float64]

_ORDER = {
    "source": 0,
    "mid": 1,
    "rotor": 2,
    "capacitor": 3,
    "resistor": 4,
    "inductor": 5,
    "bus": 6,
    "load": 7,
}


@dataclass(frozen=True)
class NormalTree:
    """Tree and links, as indices into `Network.branches`.

    Attributes
    ----------
    tree, links : branch indices, each grouped by type in the order of preference
    loops : (n_links, n_tree) integers; v_link = loops v_tree, i_tree = -loops^T i_link
    paths : (n_nodes, n_tree) integers; voltage of each node against the root of its
        connected piece, in tree voltages
    piece : (n_nodes,) number of the connected piece each node is in
    """

    tree: tuple[int, ...]
    links: tuple[int, ...]
    loops: Array
    paths: Array
    piece: tuple[int, ...]


def normal_tree(network: Network) -> NormalTree:
    """Choose the tree and find loops and paths.

    Raises
    ------
    Conflict   if sources close a loop, or a current source is all that joins two pieces
    """
    branches = network.branches
    fading = {index for index, _ in network.stores}

    def rank(index: int) -> tuple[int, bool, float, int]:
        branch = branches[index]
        # large capacitors into the tree and large inductors out of it: better conditioned
        size = -branch.value if branch.type == "capacitor" else 0.0
        if branch.type in ("inductor", "resistor"):
            size = branch.value
        # a store that fades carries its own state wherever it can: capacitors do in the tree,
        # inductors outside
        last = (branch.type == "inductor") == (index in fading)
        return _ORDER[branch.type], last, size, index

    parent = list(range(network.n_nodes))

    def find(node: int) -> int:
        while parent[node] != node:
            parent[node] = parent[parent[node]]
            node = parent[node]
        return node

    tree: list[int] = []
    links: list[int] = []
    for index in sorted(range(len(branches)), key=rank):
        branch = branches[index]
        a, b = find(branch.a), find(branch.b)
        if a == b:
            if branch.type in ("source", "mid", "rotor"):
                raise Conflict(
                    branch.owner,
                    "its ideal source is shorted or closes a loop with other ideal sources",
                    "Give one of them a resistance",
                )
            links.append(index)
            continue
        if branch.type in ("bus", "load"):
            raise Conflict(
                branch.owner,
                "nothing feeds it",
                "Join it to the pack by a lead",
            )
        parent[a] = b
        tree.append(index)
    paths = _paths(network, tree)
    loops = np.array(
        [paths[branches[i].a] - paths[branches[i].b] for i in links], dtype=np.float64
    ).reshape(len(links), len(tree))
    roots = [find(node) for node in range(network.n_nodes)]
    numbers = {root: i for i, root in enumerate(dict.fromkeys(roots))}
    return NormalTree(tuple(tree), tuple(links), loops, paths, tuple(numbers[r] for r in roots))


def _paths(network: Network, tree: list[int]) -> Array:
    """Each node's voltage against its piece's root as a signed sum of tree voltages."""
    neighbours: list[list[tuple[int, int, float]]] = [[] for _ in range(network.n_nodes)]
    for column, index in enumerate(tree):
        branch: Branch = network.branches[index]
        neighbours[branch.a].append((branch.b, column, -1.0))
        neighbours[branch.b].append((branch.a, column, 1.0))
    paths = np.zeros((network.n_nodes, len(tree)))
    seen = [False] * network.n_nodes
    for root in range(network.n_nodes):
        if seen[root]:
            continue
        seen[root] = True
        waiting = [root]
        while waiting:
            node = waiting.pop()
            for other, column, sign in neighbours[node]:
                if not seen[other]:
                    seen[other] = True
                    paths[other] = paths[node]
                    paths[other, column] += sign
                    waiting.append(other)
    return paths
