"""Links: what pairs of things join, in passes over whole columns."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["components", "spanning"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]


def components(links: IntArray, count: int) -> IntArray:
    """Return the component of each of so many things that these links, (k, 2), join.

    Components are numbered from 0, in the order of their first things.
    """
    first = np.arange(count, dtype=np.int64)  # a thing of the component, no later than its own
    one, other = links.T
    while len(one):
        _hook(first, one, other)
        apart = first[one] != first[other]
        one, other = first[one[apart]], first[other[apart]]
    leads = first == np.arange(count)
    return (np.cumsum(leads) - 1)[first]


def _hook(first: IntArray, one: IntArray, other: IntArray) -> None:
    """Bring components that links join under the earliest of those linked to them."""
    a, b = first[one], first[other]
    np.minimum.at(first, np.maximum(a, b), np.minimum(a, b))
    while True:
        further = first[first]
        if np.array_equal(further, first):
            return
        first[:] = further


def spanning(links: IntArray, weight: FloatArray, count: int) -> IntArray:
    """Return which links, (k, 2), are the lightest that join what all of them join.

    Of links of one weight those between earlier things are taken. Borůvka's method: every
    component takes its lightest link, until nothing is left to join.
    """
    ends = np.sort(links, axis=1)
    order = np.lexsort([ends[:, 1], ends[:, 0], weight])
    rank = np.arange(len(order))
    one, other = links[order].T
    kept = np.zeros(len(order), dtype=bool)
    while len(rank):
        lightest = np.full(count, len(order))
        for end in (one[rank], other[rank]):
            np.minimum.at(lightest, end, rank)
        kept[lightest[lightest < len(order)]] = True
        label = components(np.stack([one, other], axis=1)[kept], count)
        one, other = label[one], label[other]
        rank = rank[one[rank] != other[rank]]
    return np.flatnonzero(kept[np.argsort(order)])
