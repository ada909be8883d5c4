"""Curves: chains of even, gentle turns the same way, told from elbows."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts, stretch_sums

__all__ = ["EXACT", "as_curves", "find_curves", "straights"]

ROUNDING = 1e-9  # m
EXACT = 1e-6  # rad and m, by which equal turns and legs differ from place to place
LEAST_CURVE = 3  # turns in a row before a curve is told from elbows
OFF_ARC = 1.5  # times the survey accuracy, to leave room for noise
# Share of the host's diameter: corners that stand out of an arc by less are none to a pipe, which
# has several times as much room beside it. Judgement, no source.
ROUND = 0.02
EVEN = 3.0  # times; turns and legs in a row are even if none is larger than the next by more
# times the survey accuracy that a stretch of a curve stands out of its chord before its radius
# is told: noise of half the accuracy changes it by an eighth or so. Judgement, no source.
TOLD = 4.0
# Times less than is due; the straight side of a curve that eases off in radius turns more.
SLACK = 4.0
SHARPER = (
    2.0  # times as sharp as the rest of its curve: a turn beyond, and beyond noise, is an elbow
)


def find_curves(
    turns: pd.DataFrame,
    *,
    near: FloatArray,
    diameter: FloatArray,
    accuracy: float,
    gentle: float,
    slight: float,
) -> IntArray:
    """Return the number of the curve each turn belongs to, -1 for those of none.

    A chain of three turns or more is a curve if it is longer than twice ``near``, as three are
    that are too far apart to be gathered: bends made as one piece, and two or three elbows close
    together, are shorter, however finely they are drawn.

    Parameters
    ----------
    turns : DataFrame
        As `match_fittings` gives them, in order along the runs, with the ``accuracy``, m,
        to which the drawing is taken there.
    near : ndarray, shape (runs,)
        Elbows closer than this are one bend, m.
    diameter : ndarray, shape (runs,)
        Host diameter, m.
    accuracy : float
        Survey accuracy, m.
    gentle : float
        A turn up to this may be part of a curve, rad.
    slight : float
        A break of grade below this is no bend and does not part a curve, rad.
    """
    curve = np.full(len(turns), -1, dtype=np.int64)
    rows = np.flatnonzero(~_slight_rises(turns, near, slight))
    if not len(rows):
        return curve
    turns = turns.iloc[rows]
    off = np.maximum(OFF_ARC * accuracy, ROUND * diameter[turns["run"].to_numpy(dtype=np.int64)])
    may, parted = _may_curve(turns, near, gentle), np.zeros(len(rows), dtype=bool)
    while True:
        curve[rows] = _chained(turns, _joined(turns, may, near, off) & ~parted, near)
        straight = straights(turns, curve[rows])
        parted |= straight
        if straight.any():  # beside which turns of arcs stand out as elbows would
            continue
        elbows = _elbows(turns, curve[rows])
        if not elbows.any():
            return curve
        may &= ~elbows


def _chained(turns: pd.DataFrame, joined: BoolArray, near: FloatArray) -> IntArray:
    """Return the number of the curve of each turn: of the chains that are long enough."""
    run, at = turns["run"].to_numpy(dtype=np.int64), turns["chainage"].to_numpy(dtype=float)
    group = np.cumsum(~joined) - 1
    starts = np.flatnonzero(np.diff(group, prepend=-1))
    count = np.diff(starts, append=len(turns))
    span = at[starts + count - 1] - at[starts]
    curved = (count >= LEAST_CURVE) & (span > 2 * near[run[starts]])
    number = np.where(curved, np.cumsum(curved) - 1, -1)
    return np.asarray(number[group], dtype=np.int64)


def _elbows(turns: pd.DataFrame, curve: IntArray) -> BoolArray:
    """Return which turns of curves stand out of them: elbows, which a drawing may have there.

    In an arc a turn is its legs' halves over the radius, which the turns inside the curve tell,
    those besides this one; an end takes what it can at the most (`_end_arcs`). Places that are
    off by the survey accuracy turn a line by it over each leg.
    """
    elbow = np.zeros(len(curve), dtype=bool)
    rows = np.flatnonzero(curve >= 0)
    if not len(rows):
        return elbow
    turns, curve = turns.iloc[rows], curve[rows]
    size, at = turns["size"].to_numpy(dtype=float), turns["chainage"].to_numpy(dtype=float)
    starts = np.flatnonzero(np.diff(curve, prepend=-1))
    count = np.diff(starts, append=len(rows))
    last = starts + count - 1
    legs = (np.diff(at, prepend=at[:1]) + np.diff(at, append=at[-1:])) / 2
    inner = np.ones(len(rows), dtype=bool)
    inner[starts] = inner[last] = False
    arc, sweep = stretch_sums(starts, np.where(inner, legs, 0.0), np.where(inner, size, 0.0))
    others = np.repeat(sweep, count) - np.where(inner, size, 0.0)
    length = np.repeat(arc, count) - np.where(inner, legs, 0.0)
    legs[starts], legs[last] = _end_arcs(at, starts, last)
    ways = turns["before"].to_numpy(dtype=float), turns["after"].to_numpy(dtype=float)
    noise = turns["accuracy"].to_numpy(dtype=float) * (1 / ways[0] + 1 / ways[1])
    known = length > 0
    due = legs * np.divide(others, length, out=np.zeros_like(length), where=known)
    elbow[rows] = known & (size > SHARPER * due + noise)
    return elbow


def _end_arcs(at: FloatArray, starts: IntArray, last: IntArray) -> tuple[FloatArray, FloatArray]:
    """Return what the first and the last turn of each curve take of an arc at the most, m.

    Half a leg where the arc ends at the vertex, and as much again where the drawing goes straight
    on from a vertex inside it: the whole of the leg inside the curve, or of the usual one.
    """
    usual = (at[last] - at[starts]) / (last - starts)
    return (
        np.maximum(at[starts + 1] - at[starts], usual),
        np.maximum(at[last] - at[last - 1], usual),
    )


def straights(turns: pd.DataFrame, curve: IntArray) -> BoolArray:
    """Return the turns of curves that a straight leads to: two arcs, which it parts.

    Of an arc a leg turns, by half of the turns at its ends, what its length is over the radius;
    so the legs besides it tell how much is due. Places off by the accuracy turn each end by it
    over its legs: by the finer one of both ends, which parts sooner and so is the safe side.
    """
    straight = np.zeros(len(curve), dtype=bool)
    rows = np.flatnonzero((curve[1:] >= 0) & (curve[1:] == curve[:-1])) + 1
    if not len(rows):
        return straight
    size, at, accuracy, before, after = (
        turns[name].to_numpy(dtype=float)
        for name in ("size", "chainage", "accuracy", "before", "after")
    )
    leg, own = at[rows] - at[rows - 1], (size[rows] + size[rows - 1]) / 2
    starts = np.flatnonzero(firsts(curve[rows]))
    length, sweep = (
        np.repeat(whole, np.diff(starts, append=len(rows)))
        for whole in stretch_sums(starts, leg, own)
    )
    finer = np.minimum(accuracy[rows - 1], accuracy[rows])
    noise = finer * (1 / before[rows - 1] + 2 / leg + 1 / after[rows]) / 2
    rest = length - leg
    due = leg * np.divide(sweep - own, rest, out=np.zeros_like(rest), where=rest > ROUNDING)
    straight[rows] = own + noise < due / SLACK
    return straight


def _slight_rises(turns: pd.DataFrame, near: FloatArray, slight: float) -> BoolArray:
    """Return which rows are breaks of grade alone, too slight for a bend with those near them.

    So are vertices that turn nothing, which the drawing may have anywhere on a straight.
    """
    flat = np.array((turns["size"] <= EXACT) & (turns["record"] < 0), dtype=np.bool_)
    rows = np.flatnonzero(flat)
    if not len(rows):
        return flat
    run = turns["run"].to_numpy(dtype=np.int64)[rows]
    at, rise = (turns[name].to_numpy(dtype=float)[rows] for name in ("chainage", "rise"))
    apart = np.ones(len(rows), dtype=bool)
    apart[1:] = (run[1:] != run[:-1]) | (np.diff(at) > near[run[1:]])
    (whole,) = stretch_sums(np.flatnonzero(apart), rise)
    flat[rows] = whole[np.cumsum(apart) - 1] < slight
    return flat


def _may_curve(turns: pd.DataFrame, near: FloatArray, gentle: float) -> BoolArray:
    """Return which turns may be part of a curve.

    Every vertex of a polygon in an arc turns by half its two legs over the radius. A run that
    turns within a radius of ``near`` does so in a bend made as one piece, whatever the number of
    vertices it is drawn with. Breaks of grade alone make no curve: which way each turns is not
    known.
    """
    run, turn = turns["run"].to_numpy(dtype=np.int64), turns["size"].to_numpy(dtype=float)
    legs = ((turns["before"] + turns["after"]) / 2).to_numpy(dtype=float)
    drawn = (turns["record"] < 0).to_numpy() & (turn > EXACT)
    whole = np.hypot(turn, turns["rise"].to_numpy(dtype=float))
    may = drawn & (whole <= gentle + EXACT) & (legs > near[run] * turn)
    return np.asarray(may, dtype=np.bool_)


def _joined(turns: pd.DataFrame, may: BoolArray, near: FloatArray, off: FloatArray) -> BoolArray:
    """Return which turns go on the curve of the one before.

    A leg c of a polygon in an arc of radius R turns by c / R and lies up to c^2 / 8R beside it:
    an eighth of leg times turn. Corners that stand no farther out than ``off``, m, cannot be told
    from an arc. A drawing has coarser corners than its accuracy where it is a polygon itself: even
    turns at even legs up to ``near`` are an arc too, for elbows of any angle could stand there.
    """
    run, at = turns["run"].to_numpy(dtype=np.int64), turns["chainage"].to_numpy(dtype=float)
    size, sign = turns["size"].to_numpy(dtype=float), np.sign(turns["turn"].to_numpy(dtype=float))
    leg = np.diff(at)
    beside = np.maximum(turns["before"].to_numpy()[:-1], turns["after"].to_numpy()[1:])
    less, more = np.minimum(size[1:], size[:-1]), np.maximum(size[1:], size[:-1])
    even = (leg <= near[run[1:]]) & (more <= EVEN * less + EXACT) & (leg <= EVEN * beside + EXACT)
    close = leg * (less + more) / 16 <= off[1:]
    joined = np.zeros(len(turns), dtype=bool)
    joined[1:] = (
        (run[1:] == run[:-1]) & may[1:] & may[:-1] & (sign[1:] == sign[:-1]) & (close | even)
    )
    return joined


def as_curves(turns: pd.DataFrame, curve: IntArray) -> pd.DataFrame:
    """Return the curves as bends; see `find_bends`.

    The radius is that of the tightest stretch that a survey of its accuracy tells from noise
    (`_tightest`). A turn takes its part of the axis (`_parts`).
    """
    turns, curve = turns[curve >= 0], curve[curve >= 0]
    starts = np.flatnonzero(np.diff(curve, prepend=-1))
    count = np.diff(starts, append=len(turns))
    run, at = turns["run"].to_numpy(dtype=np.int64), turns["chainage"].to_numpy(dtype=float)
    size = np.hypot(turns["size"].to_numpy(dtype=float), turns["rise"].to_numpy(dtype=float))
    deflection, moment = stretch_sums(starts, size, size * at)
    of = np.repeat(np.arange(len(starts)), count)
    accuracy = np.maximum.reduceat(turns["accuracy"].to_numpy(dtype=float), starts)
    parts = _parts(at, size, starts, starts + count - 1, accuracy)
    return pd.DataFrame(
        {
            "run": run[starts],
            "first": at[starts],
            "last": at[starts + count - 1],
            "chainage": moment / deflection,
            "deflection": deflection,
            "drawn": deflection,
            "turn": np.add.reduceat(turns["turn"].to_numpy(dtype=float), starts),
            "axis_radius": _tightest(of, parts, size, accuracy),
            "kind": "curve",
            "rest": deflection,
            **dict.fromkeys(("rise", "angle", "covered", "raised", "rest_grade"), 0.0),
            **dict.fromkeys(("held", "records"), 0.0),
            "record": np.int64(-1),
            "doubled": np.int64(0),
        }
    )


def _parts(
    at: FloatArray, size: FloatArray, starts: IntArray, last: IntArray, accuracy: FloatArray
) -> FloatArray:
    """Return what of the axis each turn of curves takes, m: half the legs beside it.

    An end takes no more than its turn does at the radius of the turns inside, for the arc may
    begin anywhere on a leg, and no more than an end can (`_end_arcs`): what it turns besides
    makes the curve tighter, as it would inside. Of an arc that goes on beyond its last vertex by
    a length s the drawing leaves out s^2 / 2R, which is within the accuracy.
    """
    legs = (np.diff(at, prepend=at[:1]) + np.diff(at, append=at[-1:])) / 2
    turned = size.copy()
    for end in (starts, last):
        legs[end] = turned[end] = 0.0
    arc, sweep = stretch_sums(starts, legs, turned)
    radius = arc / sweep
    beyond = np.sqrt(2 * radius * accuracy)
    own = at[starts + 1] - at[starts], at[last] - at[last - 1]
    for end, leg, most in zip((starts, last), own, _end_arcs(at, starts, last), strict=True):
        legs[end] = np.minimum(np.maximum(most, leg / 2 + beyond), size[end] * radius)
    return np.asarray(legs, dtype=np.float64)


def _tightest(of: IntArray, arc: FloatArray, turn: FloatArray, accuracy: FloatArray) -> FloatArray:
    """Return the radius of the tightest stretch of every curve, m, no larger than that of all.

    Stretches are turns in a row. An arc of length S and radius R stands S^2 / 8R, an eighth of
    length times turn, out of its chord: what stands out less than `TOLD` times the accuracy is
    not told from noise, which changes its radius by its share of that at the most. One that
    stands out four times as far falls into two, of which one is no gentler.

    Parameters
    ----------
    of : ndarray of int64, shape (k,)
        Curve of each turn, from 0, rising.
    arc, turn : ndarray, shape (k,)
        What of the curve each turn takes, m and rad.
    accuracy : ndarray
        To which the drawing of each curve is taken, m.
    """
    length, angle = stretch_sums(np.flatnonzero(firsts(of)), arc, turn)
    least = length / angle
    first, length, angle, width = np.arange(len(of)), arc.copy(), turn.copy(), 1
    while len(first):
        out = length * angle / 8
        least_out = TOLD * accuracy[of[first]]
        told = out >= least_out
        np.minimum.at(least, of[first[told]], (length / angle)[told])
        goes = (first + width < len(of)) & (out < 4 * least_out)
        goes[goes] = of[first[goes] + width] == of[first[goes]]
        first, length, angle = first[goes], length[goes], angle[goes]
        length, angle = length + arc[first + width], angle + turn[first + width]
        width += 1
    return np.asarray(least, dtype=np.float64)
