"""Screening: marks, verdicts and scores of runs by criteria, their ranks, and how firm they are."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.schema import COSTS, NEEDS, NOT_KNOWN, VERDICTS

__all__ = [
    "DIGITS",
    "SLACK",
    "Firmness",
    "Scores",
    "Weights",
    "add_up",
    "cost_verdicts",
    "marks",
    "need_verdicts",
    "on_record",
    "overall_verdicts",
    "priorities",
    "rank_runs",
    "ranks",
    "ranks_if_needed",
    "suitability_verdicts",
    "try_weights",
]

Words = npt.NDArray[np.object_]
SLACK = 1e-9  # relative; a value meant to be exactly a limit keeps it
DIGITS = 9  # of scores: what is nearer is a tie, whatever order the sums were taken in


@dataclass(frozen=True)
class Scores:
    """Scores of runs, shape (n,): weighted mean mark, and share of the weight on record."""

    score: FloatArray
    known: FloatArray


@dataclass(frozen=True)
class Firmness:
    """How ranks hold as weights move, shape (n,).

    ``mover`` is the weight that changes the rank most, -1 where none does.
    """

    best: IntArray
    worst: IntArray
    mover: IntArray


def marks(
    value: FloatArray, none_at: FloatArray, full_at: FloatArray, rising: BoolArray
) -> FloatArray:
    """Return marks from 0 at ``none_at`` to 1 at ``full_at``, straight between; NaN stays NaN.

    Where both thresholds are one value the mark is 1 at it and on its good side, else 0.

    Parameters
    ----------
    value, none_at, full_at : ndarray, shape (n, c)
    rising : ndarray of bool, shape (c,)
        Higher values get higher marks.
    """
    span = full_at - none_at
    step = _reaches(value, full_at, np.broadcast_to(rising, value.shape)).astype(float)
    with np.errstate(divide="ignore", invalid="ignore"):
        mark = np.clip((value - none_at) / span, 0.0, 1.0)
    return np.where(np.isnan(value), np.nan, np.where(span == 0, step, mark))


def _reaches(value: FloatArray, limit: FloatArray, rising: BoolArray) -> BoolArray:
    """Return which values are at the limit or on its good side; rising: the good side is above."""
    room = SLACK * np.abs(limit)
    good: BoolArray = np.where(rising, value >= limit - room, value <= limit + room)
    return good


def need_verdicts(value: FloatArray, none_at: FloatArray, full_at: FloatArray) -> Words:
    """Return the verdict on each value of need, shape (n, c).

    ``high`` from the limit (``full_at``) on, ``low`` up to ``none_at``, ``middle`` between,
    ``not known`` where there is no value.
    """
    high, middle, low = NEEDS
    up = np.ones(value.shape, dtype=bool)
    words = np.where(_reaches(value, none_at, ~up), low, middle).astype(object)
    words[_reaches(value, full_at, up)] = high
    words[np.isnan(value)] = NOT_KNOWN
    return words


def suitability_verdicts(
    value: FloatArray, limit: FloatArray, good: FloatArray, rising: BoolArray
) -> Words:
    """Return the verdict on each value of suitability, shape (n, c).

    ``suitable`` up to ``good``, ``doubtful`` between it and the limit, ``not suitable`` beyond
    the limit, ``not known`` where there is no value. Where ``good`` is the limit itself there is
    nothing between.

    Parameters
    ----------
    value, limit, good : ndarray, shape (n, c)
    rising : ndarray of bool, shape (c,)
        Higher values are better.
    """
    suitable, doubtful, out = VERDICTS
    up = np.broadcast_to(rising, value.shape)
    words = np.where(_reaches(value, good, up), suitable, doubtful).astype(object)
    words[~_reaches(value, limit, up)] = out
    words[np.isnan(value)] = NOT_KNOWN
    return words


def overall_verdicts(
    words: Words, lined: BoolArray, valued: FloatArray, *, least_known: float
) -> Words:
    """Return the verdict on every run, shape (n,): the worst of those on its suitability.

    A run without a carrier is not suitable; one of which less than ``least_known`` of the weight
    of suitability has a value is doubtful at best.
    """
    suitable, doubtful, out = VERDICTS
    lean = (words == doubtful).any(axis=1) | (valued < least_known * (1 - SLACK))
    verdict = np.where(lean, doubtful, suitable).astype(object)
    verdict[(words == out).any(axis=1) | ~lined] = out
    return verdict


def add_up(mark: FloatArray, weight: FloatArray, *, unknown: float = np.nan) -> FloatArray:
    """Return the mean mark of each run by weight, shape (n,).

    What is not known counts as the mark ``unknown``; where that is NaN, the mean is over the
    criteria known. The score is NaN where nothing that counts has a weight.

    Parameters
    ----------
    mark : ndarray, shape (n, c)
        NaN where not known.
    weight : ndarray, shape (c,)
    unknown : float
    """
    there = np.isfinite(mark)
    known = (there * weight).sum(axis=1)
    counted = known if np.isnan(unknown) else np.full(len(mark), float(weight.sum()))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = (np.where(there, mark, np.nan_to_num(unknown)) * weight).sum(axis=1) / counted
    return np.where(counted > 0, score, np.nan)


def on_record(known: FloatArray | BoolArray, weight: FloatArray) -> FloatArray:
    """Return the share of the weight that is known of each run, shape (n,); 0 without a weight.

    Parameters
    ----------
    known : ndarray, shape (n, c)
        Share of the run's length each criterion is on record for.
    weight : ndarray, shape (c,)
    """
    total = float(weight.sum())
    share = (known * weight).sum(axis=1) / total if total > 0 else np.zeros(len(known))
    return np.asarray(share, dtype=np.float64)


def priorities(
    need: FloatArray, suitability: FloatArray, need_weight: float, suitability_weight: float
) -> FloatArray:
    """Return need and suitability as one figure: their mean by weight, of those that have a score.

    A run that has neither has priority 0.
    """
    both = np.stack([need, suitability], axis=1)
    return np.nan_to_num(add_up(both, np.array([need_weight, suitability_weight])))


def ranks(*keys: FloatArray) -> IntArray:
    """Return places from 1 by the first key, then the next; higher first, NaN last.

    Keys are compared to nine digits. Runs alike in all keys keep their order, which is that of
    their identifiers.
    """
    rounded = [np.nan_to_num(-np.round(key, DIGITS), nan=np.inf) for key in keys]
    order = np.lexsort([np.arange(len(keys[0])), *reversed(rounded)])
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(1, len(order) + 1)
    return place


def _keys(
    need: FloatArray, suitability: FloatArray, out: BoolArray, length: FloatArray, weights: Weights
) -> tuple[list[FloatArray], FloatArray, FloatArray]:
    """Return what ranks are made by, the first key first, and the scores they rest on."""
    of_need = add_up(need, weights.need, unknown=weights.unknown)
    of_suit = add_up(suitability, weights.suitability)
    priority = priorities(of_need, of_suit, *weights.kinds)
    keys = [np.where(out, 0.0, 1.0), priority, of_need, of_suit, np.round(length, 3)]
    return keys, of_need, of_suit


@dataclass(frozen=True)
class Weights:
    """Weights of the criteria of need and of suitability, and of the two against each other.

    ``unknown`` is the mark of a criterion of need that is not on record. At 0 one that is
    lost never raises a run: that of which nothing is known would else be as urgent as it is
    suitable, and come before runs known to break.
    """

    need: FloatArray
    suitability: FloatArray
    kinds: tuple[float, float]
    unknown: float = 0.0

    def moved(self, place: int, factor: float) -> Weights:
        """Return them with one changed: those of need first, then suitability, then the kinds."""
        flat = np.concatenate([self.need, self.suitability, self.kinds])
        flat[place] *= factor
        first, second = len(self.need), len(self.need) + len(self.suitability)
        kinds = (float(flat[second]), float(flat[second + 1]))
        return Weights(flat[:first], flat[first:second], kinds, self.unknown)

    def __len__(self) -> int:
        return len(self.need) + len(self.suitability) + 2


def rank_runs(
    need: FloatArray, suitability: FloatArray, out: BoolArray, length: FloatArray, weights: Weights
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """Return rank, priority, and scores of need and of suitability.

    Runs that are out come behind all others. Then priority decides, then need, suitability and
    the greater length (to the millimetre), and at last the order of the runs.

    Parameters
    ----------
    need, suitability : ndarray, shape (n, c)
        Marks, NaN where not known.
    out : ndarray of bool, shape (n,)
        Not suitable.
    length : ndarray, shape (n,)
        m.
    weights : Weights
    """
    keys, of_need, of_suit = _keys(need, suitability, out, length, weights)
    return ranks(*keys), keys[1], of_need, of_suit


def ranks_if_needed(
    need: FloatArray,
    most: FloatArray,
    suitability: FloatArray,
    out: BoolArray,
    length: FloatArray,
    weights: Weights,
) -> IntArray:
    """Return the place of each run if, of all runs, it alone had the marks ``most`` of need.

    These are the marks with all that is not known speaking for the run: how far up records could
    bring it, which moving weights does not tell.

    Parameters
    ----------
    need, suitability, out, length, weights
        As for `rank_runs`.
    most : ndarray, shape (n, c)
        No lower than ``need``.
    """
    count = len(out)
    raised = _keys(most, suitability, out, length, weights)[0]
    as_is = _keys(need, suitability, out, length, weights)[0]
    rounded = [
        np.nan_to_num(-np.round(np.concatenate(pair), DIGITS), nan=np.inf)
        for pair in zip(raised, as_is, strict=True)
    ]
    # Each run stands twice, raised before as it is; before a raised one count those as they are.
    run, own = np.tile(np.arange(count), 2), np.repeat([0, 1], count)
    order = np.lexsort([own, run, *reversed(rounded)])
    before = np.cumsum(own[order])
    place = np.empty(2 * count, dtype=np.int64)
    place[order] = 1 + before
    return place[:count]


def try_weights(
    need: FloatArray,
    suitability: FloatArray,
    out: BoolArray,
    length: FloatArray,
    weights: Weights,
    *,
    move: float,
) -> Firmness:
    """Move each weight up and down by a share, one at a time, and see what becomes of the ranks.

    Parameters
    ----------
    need, suitability, out, length, weights
        As for `rank_runs`.
    move : float
        Share, such as 0.2.
    """
    base = rank_runs(need, suitability, out, length, weights)[0]
    best, worst = base.copy(), base.copy()
    change, mover = np.zeros(len(base), dtype=np.int64), np.full(len(base), -1, dtype=np.int64)
    for place in range(len(weights)):
        for factor in (1 - move, 1 + move):
            moved = rank_runs(need, suitability, out, length, weights.moved(place, factor))[0]
            best, worst = np.minimum(best, moved), np.maximum(worst, moved)
            more = np.abs(moved - base) > change
            change[more], mover[more] = np.abs(moved - base)[more], place
    return Firmness(best, worst, mover)


def cost_verdicts(
    lining: FloatArray,
    open_cut: FloatArray,
    *,
    low: float,
    high: float,
    each: tuple[FloatArray, FloatArray] | None = None,
) -> Words:
    """Return whether lining is cheaper or dearer than open cut: only if the bands are apart.

    Parameters
    ----------
    lining, open_cut : ndarray
    low, high : float
        Ends of the band about each cost, over the cost.
    each : pair of ndarray, optional
        What one more of a number not known adds to lining and to open cut: only a verdict that
        holds whatever the number is told. With n of them the one cost over the other lies between
        that of none and that of what each adds.
    """
    cheaper, close, dearer = COSTS
    below, above = lining * high < open_cut * low, lining * low > open_cut * high
    words = np.select([below, above], [cheaper, dearer], close).astype(object)
    if each is not None:
        more, open_more = each
        leads = more * high < open_more * low, more * low > open_more * high
        stays = np.select(
            [below, above],
            [more * high <= open_more * low, more * low >= open_more * high],
            ~(leads[0] | leads[1]),
        )
        words[~stays] = NOT_KNOWN
    words[np.isnan(lining) | np.isnan(open_cut)] = NOT_KNOWN
    return words
