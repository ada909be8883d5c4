"""Runs of several plans that are the same run, whatever each plan calls it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.scale.districts import SAME

__all__ = ["RunKeys", "ends_of", "match_runs", "of_other_hosts"]

# A run of the same mains is the same even if a brief joined or measured them otherwise: m between
# its ends, and share of its length.
REACH = 1.0
SHARE = 1e-3
# Whatever its mains are called, a run that lies where another does is that run: m between ends and
# lines, and of length beside `SHARE`. Exports round coordinates, surveys and other zones move them.
NEAR = 0.5
THIN = 0.02  # m; lines are thinned by so much before it is asked how far apart they run
SCALES = 3e-3  # share by which plans made in two zones may tell lengths otherwise

Pairs = tuple[IntArray, IntArray, FloatArray]


@dataclass(frozen=True)
class RunKeys:
    """What tells the runs of one plan apart.

    Attributes
    ----------
    span : ndarray, shape (n, 5)
        Both ends and the length, m, in a CRS common to all plans; as
        `geotools.scale.districts.span_of`.
    mains : ndarray of str, shape (n,)
        Source mains, in any order that does not hang on the way the run is drawn.
    host : ndarray, shape (n,)
        Nominal diameter of the host, m; NaN where not known.
    lines : ndarray of shapely geometries, shape (n,)
        The runs in that CRS.
    """

    span: FloatArray
    mains: npt.NDArray[np.object_]
    host: FloatArray
    lines: npt.NDArray[np.object_]


def ends_of(lines: npt.NDArray[np.object_], last: bool) -> FloatArray:
    """Return the first or the last vertex of every line, whole or in parts."""
    xy, row = shapely.get_coordinates(lines, return_index=True)
    offsets = np.searchsorted(row, np.arange(len(lines) + 1))
    return np.asarray(xy[offsets[1:] - 1] if last else xy[offsets[:-1]])


def match_runs(plans: Sequence[RunKeys]) -> list[IntArray]:
    """Return a number for every run of every plan, the same for the same run.

    Runs are the same if their ends and length are (`SAME`), if they are of the same mains and
    their ends and length are nearly (`REACH`, `SHARE`), or if they lie in one place whatever their
    mains are called (`NEAR`), drawn in either direction. A run of a host of another diameter is
    another run. No two runs of a plan bear one number: those of the same mains find each other
    first, then the nearest. Numbers count from 0 in the order of the plans.
    """
    known = RunKeys(
        np.empty((0, 5)), np.empty(0, dtype=object), np.empty(0), np.empty(0, dtype=object)
    )
    out = []
    for keys in plans:
        number = _numbers(known, keys)
        new = number < 0
        number[new] = len(known.host) + np.arange(new.sum())
        known = RunKeys(
            np.concatenate([known.span, keys.span[new]]),
            np.concatenate([known.mains, keys.mains[new]]),
            np.concatenate([known.host, keys.host[new]]),
            np.concatenate([known.lines, keys.lines[new]]),
        )
        out.append(number)
    return out


def of_other_hosts(known: RunKeys, keys: RunKeys) -> IntArray:
    """Return for every run the row of a known one that but for its host is the same; else -1."""
    old, new, gap = _alike(known, keys)
    other = ~_same_host(known, keys, old, new)
    return _one_to_one((old[other], new[other], gap[other]), known, keys)


def _numbers(known: RunKeys, keys: RunKeys) -> IntArray:
    """Return for every run the row of the same run among the known ones; -1 if it is new."""
    old, new, gap = _alike(known, keys)
    same = _same_host(known, keys, old, new)
    return _one_to_one((old[same], new[same], gap[same]), known, keys)


def _same_host(known: RunKeys, keys: RunKeys, old: IntArray, new: IntArray) -> BoolArray:
    return np.isclose(known.host[old], keys.host[new], rtol=0, atol=SAME, equal_nan=True)


def _alike(known: RunKeys, keys: RunKeys) -> Pairs:
    """Return pairs of runs that are the same but for their hosts, and how far their ends are."""
    old, new, gap = _near(known.span, keys.span)
    off = np.abs(known.span[old, 4] - keys.span[new, 4])
    named = known.mains[old] == keys.mains[new]
    same = np.where(named, off <= REACH + SHARE * known.span[old, 4], (gap <= SAME) & (off <= SAME))
    rest = np.flatnonzero(~same & (gap <= NEAR) & (off <= NEAR + SCALES * known.span[old, 4]))
    # Vertices half a metre apart would take minutes, and tell no more.
    one, two = (
        shapely.simplify(lines, THIN) for lines in (known.lines[old[rest]], keys.lines[new[rest]])
    )
    long = shapely.length(one)
    placed = np.abs(long - shapely.length(two)) <= NEAR + SHARE * long
    placed[placed] = shapely.hausdorff_distance(one[placed], two[placed]) <= NEAR
    same[rest] = placed
    return old[same], new[same], gap[same]


def _one_to_one(pairs: Pairs, known: RunKeys, keys: RunKeys) -> IntArray:
    """Return for every run the row it is paired with, of the same mains first, then the nearest."""
    number = np.full(len(keys.host), -1, dtype=np.int64)
    old, new, gap = pairs
    order = np.lexsort([new, old, gap, known.mains[old] != keys.mains[new]])
    old, new = old[order], new[order]
    while len(old):
        both = _first(old) & _first(new)
        number[new[both]] = old[both]
        free = ~np.isin(old, old[both]) & ~np.isin(new, new[both])
        old, new = old[free], new[free]
    return number


def _near(known: FloatArray, found: FloatArray) -> Pairs:
    """Return pairs whose ends lie near each other, in either direction, and how near."""
    from scipy.spatial import cKDTree

    if not len(known) or not len(found):
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64), np.empty(0)
    tree = cKDTree(known[:, :4])
    pairs = np.concatenate(
        [
            tree.sparse_distance_matrix(cKDTree(found[:, ends]), REACH, output_type="ndarray")
            for ends in ([0, 1, 2, 3], [2, 3, 0, 1])
        ]
    )
    return pairs["i"].astype(np.int64), pairs["j"].astype(np.int64), pairs["v"]


def _first(values: IntArray) -> BoolArray:
    """Tell which values stand for the first time."""
    first = np.zeros(len(values), dtype=bool)
    first[np.unique(values, return_index=True)[1]] = True
    return first
