"""Lines drawn twice: the same vertices, forwards or backwards, within a millimetre."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.intake.lines import TOLERANCE, Parts, keep_parts
from geotools.links import components

__all__ = ["drawn_against", "duplicate_groups"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
# Direction along which lines are sorted: no street grid is drawn along it.
SLANT = np.array([0.8506508083520399, 0.5257311121191336])


def duplicate_groups(parts: Parts, *, tolerance: float = TOLERANCE) -> IntArray:
    """Return a group number for each line; lines drawn on each other share one.

    Lines are sorted by where the mean of their vertices lies along a slanted axis; only
    neighbours there are compared vertex by vertex.

    Parameters
    ----------
    parts : Parts
        Coordinates in m.
    tolerance : float
        Distance, m, up to which vertices are the same.

    Returns
    -------
    ndarray of int64, shape (p,)
        The first line (by number) of the group each line is in.
    """
    count = len(parts)
    group = np.arange(count, dtype=np.int64)
    if count < 2:
        return group
    sizes = np.diff(parts.offsets)
    mean = np.add.reduceat(parts.xy @ SLANT, parts.offsets[:-1]) / sizes
    order = np.lexsort([mean, sizes])
    waiting = np.arange(1, count)  # places in the order still looking for a twin before them
    links: list[IntArray] = []
    step = 1
    while len(waiting):
        waiting = waiting[waiting >= step]
        one, other = order[waiting], order[waiting - step]
        near = (mean[one] - mean[other] <= 2 * tolerance) & (sizes[one] == sizes[other])
        waiting, one, other = waiting[near], one[near], other[near]
        same = _same(parts, one, other, tolerance)
        links.append(np.stack([one[same], other[same]], axis=1))
        waiting = waiting[~same]
        step += 1
    label = components(np.concatenate(links), count)
    first = np.unique(label, return_index=True)[1]
    return first[label].astype(np.int64)


def _same(parts: Parts, one: IntArray, other: IntArray, tolerance: float) -> BoolArray:
    """Tell for each pair whether the vertices agree, in either direction."""
    if not len(one):
        return np.zeros(0, dtype=bool)
    found: BoolArray = np.minimum(*_between(parts, one, other)) <= tolerance
    return found


def drawn_against(parts: Parts, one: IntArray, other: IntArray) -> BoolArray:
    """Tell of each two lines with the same vertices whether they are drawn against each other."""
    if not len(one):
        return np.zeros(0, dtype=bool)
    ahead, behind = _between(parts, one, other)
    against: BoolArray = behind < ahead
    return against


def _between(parts: Parts, one: IntArray, other: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return the most that vertices of lines are apart, as drawn, and one drawn the other way."""
    a, b = keep_parts(parts, one), keep_parts(parts, other)
    sizes = np.diff(a.offsets)
    index = np.arange(len(a.xy))
    mirrored = np.repeat(a.offsets[:-1] + a.offsets[1:] - 1, sizes) - index
    starts = a.offsets[:-1]
    ahead = np.maximum.reduceat(np.hypot(*(a.xy - b.xy).T), starts)
    behind = np.maximum.reduceat(np.hypot(*(a.xy - b.xy[mirrored]).T), starts)
    return ahead, behind
