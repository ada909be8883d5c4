"""Runs of several plans that are the same run, whatever each plan calls it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.network.ragged import FloatArray, IntArray
from geotools.scale.districts import SAME

__all__ = ["RunKeys", "match_runs"]

# A run of the same mains is the same even if a brief joined or measured them otherwise: m between
# its ends, and share of its length.
REACH = 1.0
SHARE = 1e-3


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
    """

    span: FloatArray
    mains: npt.NDArray[np.object_]
    host: FloatArray


def match_runs(plans: Sequence[RunKeys]) -> list[IntArray]:
    """Return a number for every run of every plan, the same for the same run.

    Runs are the same if their ends and length are (`SAME`), or if they are of the same mains and
    their ends and length are nearly (`REACH`, `SHARE`), drawn in either direction. A run of a host
    of another diameter is another run. No two runs of a plan bear one number. Numbers count from 0
    in the order of the plans.
    """
    known = RunKeys(np.empty((0, 5)), np.empty(0, dtype=object), np.empty(0))
    out = []
    for keys in plans:
        number = _numbers(known, keys)
        new = number < 0
        number[new] = len(known.host) + np.arange(new.sum())
        known = RunKeys(
            np.concatenate([known.span, keys.span[new]]),
            np.concatenate([known.mains, keys.mains[new]]),
            np.concatenate([known.host, keys.host[new]]),
        )
        out.append(number)
    return out


def _numbers(known: RunKeys, keys: RunKeys) -> IntArray:
    """Return for every run the row of the same run among the known ones; -1 if it is new."""
    number = np.full(len(keys.host), -1, dtype=np.int64)
    old, new, gap = _near(known.span, keys.span)
    off = np.abs(known.span[old, 4] - keys.span[new, 4])
    alike = known.mains[old] == keys.mains[new]
    same = np.where(
        alike, off <= REACH + SHARE * known.span[old, 4], (gap <= SAME) & (off <= SAME)
    ) & np.isclose(known.host[old], keys.host[new], rtol=0, atol=SAME, equal_nan=True)
    old, new, gap, alike = old[same], new[same], gap[same], alike[same]
    order = np.lexsort([old, gap, ~alike])
    old, new = old[order], new[order]
    # the nearest of both sides; a run drawn twice finds its own twin by its mains
    both = _first(old) & _first(new)
    number[new[both]] = old[both]
    return number


def _near(known: FloatArray, found: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
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


def _first(values: IntArray) -> npt.NDArray[np.bool_]:
    """Tell which values stand for the first time."""
    first = np.zeros(len(values), dtype=bool)
    first[np.unique(values, return_index=True)[1]] = True
    return first
