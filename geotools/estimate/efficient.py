"""The efficient set: which of several plans of a run is beaten by another in all that counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.network.ragged import BoolArray, FloatArray, IntArray

__all__ = ["NO_PLACE", "Standing", "stand"]

SLACK = 1e-9  # relative; values nearer to each other are one value, whatever file they stood in
NO_PLACE = -1


@dataclass(frozen=True)
class Standing:
    """How the plans of every run stand to each other.

    Attributes
    ----------
    place : ndarray of int64, shape (runs, plans, criteria)
        0 for the best of a run, 1 for the next value, and so on; ties share a place. `NO_PLACE`
        where there is no plan or the criterion takes no part.
    takes_part : ndarray of bool, shape (runs, criteria)
        The criterion is known of every plan of the run.
    beaten : ndarray of bool, shape (runs, plans, plans)
        ``beaten[r, a, b]``: of run r, plan b is no worse than a in any criterion and better in one.
    """

    place: IntArray
    takes_part: BoolArray
    beaten: BoolArray

    @property
    def best(self) -> BoolArray:
        """Criteria in which no plan is better and another is worse, as ``place``."""
        differs = self.place.max(axis=1, initial=NO_PLACE) > 0
        best: BoolArray = (self.place == 0) & differs[:, None, :]
        return best


def stand(values: FloatArray, planned: BoolArray, rising: BoolArray) -> Standing:
    """Compare the plans of every run.

    A criterion that is not known of one of a run's plans takes no part in that run: were it left
    out pair by pair, three plans could beat each other in a ring and none be left. A plan with no
    solution for a run is beaten by every plan that has one.

    Parameters
    ----------
    values : ndarray, shape (runs, plans, criteria)
        NaN where not known.
    planned : ndarray of bool, shape (runs, plans)
        The plan has a solution for the run.
    rising : ndarray of bool, shape (criteria,)
        More is better.

    Notes
    -----
    The set left, Pareto's, is that of the plans beaten by none; every run with a plan has one.
    """
    known = ~np.isnan(values)
    takes_part: BoolArray = np.all(known | ~planned[:, :, None], axis=1)
    takes_part &= np.any(planned, axis=1, keepdims=True)
    counts = planned[:, :, None] & takes_part[:, None, :]
    place = np.where(counts, _places(np.where(rising, -values, values), counts), NO_PLACE)
    beaten = np.zeros((*planned.shape, planned.shape[1]), dtype=bool)
    for b in range(planned.shape[1]):
        other = place[:, b : b + 1, :]
        both = planned & planned[:, b : b + 1]
        beaten[:, :, b] = both & (other <= place).all(axis=2) & (other < place).any(axis=2)
        beaten[:, :, b] |= ~planned & planned[:, b : b + 1]
    return Standing(place, takes_part, beaten)


def _places(values: FloatArray, counts: BoolArray) -> IntArray:
    """Return places along the plans, the least value first; what does not count comes last."""
    values = np.where(counts, values, np.nan)
    order = np.argsort(values, axis=1, kind="stable")
    ranked = np.take_along_axis(values, order, axis=1)
    step = np.zeros(values.shape, dtype=np.int64)
    room = SLACK * np.maximum(np.abs(ranked[:, 1:]), np.abs(ranked[:, :-1]))
    step[:, 1:] = np.diff(ranked, axis=1) > room
    place = np.empty(values.shape, dtype=np.int64)
    np.put_along_axis(place, order, np.cumsum(step, axis=1), axis=1)
    return place
