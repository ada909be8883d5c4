"""Streets that a stretch of street meets: at the intersections on it, and at the next ones."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray, IntArray
from geotools.street.arms import Nodes

__all__ = ["END", "UNNAMED", "names_at", "next_streets"]

UNNAMED = "a street without a name"
END = "its end"


def names_at(nodes: Nodes, visit: IntArray) -> list[list[str]]:
    """Return for each visit to an intersection the names of the other streets there, in order.

    One of the street's own name is told where there is no other.
    """
    row, arm = nodes.others(visit)
    names = nodes.net.column("name")
    met: list[set[str]] = [set() for _ in visit]
    for k, name in zip(row.tolist(), names[nodes.arms.line[arm]], strict=True):
        met[k].add(name or UNNAMED)
    own = names[nodes.net.line_at(nodes.chain[visit], nodes.visits.at[visit])]
    return [sorted(found - {name} or found) for found, name in zip(met, own, strict=True)]


def next_streets(nodes: Nodes, chain: IntArray, low: FloatArray, high: FloatArray) -> list[str]:
    """Return in words between which streets stretches of chains lie, or ends of their own."""
    places = nodes.visits
    before = places.search(chain, low, "left") - 1
    behind = places.search(chain, high, "right")
    found = [
        _named(nodes, np.where(there, row, -1))
        for row, there in (
            (before, before >= places.offsets[chain]),
            (behind, behind < places.offsets[chain + 1]),
        )
    ]
    return [_between(*ends) for ends in zip(*found, strict=True)]


def _between(one: str, other: str) -> str:
    """Return in words that something lies between two streets, the same from either side."""
    if one == other == END:
        return "from end to end"
    first, second = sorted([one, other], key=lambda name: (name == END, name))
    return f"between {first} and {second}"


def _named(nodes: Nodes, visit: IntArray) -> list[str]:
    """Return the streets at visits in words, `END` where there is none (-1)."""
    names = iter(names_at(nodes, visit[visit >= 0]))
    return ["/".join(next(names)) if row >= 0 else END for row in visit.tolist()]
