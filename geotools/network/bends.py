"""Bends: where a run turns, told from the wiggles of the drawing.

The axis is thinned within the survey accuracy (Douglas and Peucker 1973), turning angles are
taken with atan2, vertices closer than a few host diameters are gathered into one bend, and a
chain of even, gentle turns the same way is a curve with a radius. A fitting on record with an
angle overrides the drawing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    greatest_so_far,
    measures,
    offsets_of,
    row_of,
)

__all__ = ["BendRules", "Thinned", "find_bends", "match_fittings", "thin"]

STRAIGHT = 1e-5  # m; a joint no farther off its neighbours is on a straight main
ALIKE = 0.001  # m; vertices whose distances from a chord differ by less are equally far
ROUNDING = 1e-9  # m
LEAST_CURVE = 3  # turns in a row before a curve is told from elbows


@dataclass(frozen=True)
class BendRules:
    """How the drawing is read; angles rad, lengths m; the settings of the brief's ``bends``."""

    accuracy: float
    gather: float
    least_angle: float
    curve_angle: float
    fitting_radius: float


@dataclass(frozen=True)
class Thinned:
    """Axes thinned within the survey accuracy, with the chainage of every vertex kept."""

    xy: FloatArray
    offsets: IntArray
    chainage: FloatArray


def thin(
    xy: FloatArray, offsets: IntArray, *, accuracy: float, joints: IntArray | None = None
) -> Thinned:
    """Thin lines within an accuracy, m, keeping the chainage of the full line.

    ``joints`` are vertices where mains join; one that lies straight between its neighbours is
    there only because the main was split, and is never kept.

    Of vertices equally far from their chord the one nearest its middle is kept, or two if two
    are: the same line is thinned the same from either end and whichever way it lies. Vertices
    that lie off a straight main by up to half the accuracy never bend it: two may err in
    opposite ways.
    """
    along = measures(xy, offsets)
    kept = np.zeros(len(xy), dtype=bool)
    first, last = offsets[:-1], offsets[1:] - 1
    kept[first] = kept[last] = True
    idle = np.zeros(len(xy), dtype=bool)
    if joints is not None:
        idle[joints[_off_chord(xy[joints], xy[joints - 1], xy[joints + 1]) <= STRAIGHT]] = True
    while len(first):
        first, last = _split_chords(xy, along, kept, idle, first, last, accuracy)
    counts = np.add.reduceat(kept, offsets[:-1]) if len(offsets) > 1 else np.zeros(0, dtype=int)
    return Thinned(xy[kept], offsets_of(counts.astype(np.int64)), along[kept])


def _split_chords(
    xy: FloatArray,
    along: FloatArray,
    kept: BoolArray,
    idle: BoolArray,
    first: IntArray,
    last: IntArray,
    accuracy: float,
) -> tuple[IntArray, IntArray]:
    """Keep the vertex farthest from each chord, if it is off; return the chords that makes."""
    open_to = last - first > 1
    first, last = first[open_to], last[open_to]
    if not len(first):
        return first, last
    inner = last - first - 1
    bounds = offsets_of(inner)
    chord = row_of(bounds)
    vertex = first[chord] + 1 + np.arange(bounds[-1]) - bounds[chord]
    off = _off_chord(xy[vertex], xy[first][chord], xy[last][chord])
    off = np.where(idle[vertex], -1.0, off)
    farthest = np.maximum.reduceat(off, bounds[:-1])
    flat = np.flatnonzero(farthest <= accuracy + ROUNDING)
    folded = flat[_goes_back(xy, first[flat], last[flat]) > accuracy + ROUNDING]
    if len(folded):
        mine = np.isin(chord, folded) & ~idle[vertex]
        off[mine] = _folds(xy, vertex[mine], first[chord[mine]], last[chord[mine]])
        farthest = np.maximum.reduceat(off, bounds[:-1])
    far = (farthest[chord] > accuracy + ROUNDING) & (off >= farthest[chord] - ALIKE)
    aside = np.abs(along[vertex] - ((along[first] + along[last]) / 2)[chord])
    nearest = np.minimum.reduceat(np.where(far, aside, np.inf), bounds[:-1])
    taken = far & (aside <= nearest[chord] + ALIKE)
    kept[vertex[taken]] = True
    ends = np.concatenate([first, last, vertex[taken]])
    owner = np.concatenate([np.arange(len(first))] * 2 + [chord[taken]])
    split = farthest > accuracy + ROUNDING
    ends, owner = ends[split[owner]], owner[split[owner]]
    order = np.lexsort([ends, owner])
    ends, owner = ends[order], owner[order]
    same = owner[1:] == owner[:-1]
    return ends[:-1][same], ends[1:][same]


def _goes_back(xy: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return how far the way from vertex to vertex goes back along the chord in all, m."""
    counts = last - first
    of = np.repeat(np.arange(len(first)), counts)
    start = np.arange(counts.sum()) - np.repeat(offsets_of(counts)[:-1], counts) + first[of]
    step = ((xy[start + 1] - xy[start]) * _unit(xy[last] - xy[first])[of]).sum(axis=1)
    back = np.bincount(of, np.maximum(-step, 0.0), minlength=len(first))
    return np.asarray(back, dtype=np.float64)


def _folds(xy: FloatArray, vertex: IntArray, first: IntArray, last: IntArray) -> FloatArray:
    """Return how far vertices lie back along their chord behind one before, or before one behind.

    A line that turns back on itself lies on its chord all the same.
    """
    along = ((xy[vertex] - xy[first]) * _unit(xy[last] - xy[first])).sum(axis=1)
    behind = greatest_so_far(along, first) - along
    ahead = along + greatest_so_far(-along[::-1], -first[::-1])[::-1]
    return np.asarray(np.maximum(behind, ahead), dtype=np.float64)


def _unit(step: FloatArray) -> FloatArray:
    size = np.hypot(*step.T)
    return np.asarray(step / np.where(size > 0, size, 1.0)[:, None], dtype=np.float64)


def _off_chord(point: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the distance of points from straight pieces, m."""
    step = end - start
    size = (step**2).sum(axis=1)
    share = ((point - start) * step).sum(axis=1) / np.where(size > 0, size, 1.0)
    nearest = start + np.clip(share, 0.0, 1.0)[:, None] * step
    return np.asarray(np.hypot(*(point - nearest).T), dtype=np.float64)


def find_bends(
    thinned: Thinned,
    diameter: FloatArray,
    fittings: pd.DataFrame,
    rises: pd.DataFrame,
    rules: BendRules,
) -> pd.DataFrame:
    """Find the bends of all runs.

    Parameters
    ----------
    thinned : Thinned
    diameter : ndarray, shape (runs,)
        Host diameter, m.
    fittings : DataFrame
        Bend fittings with an angle on record: ``run``, ``chainage`` (m), ``angle`` (rad).
    rises : DataFrame
        Breaks of grade where mains with inverts join: ``run``, ``chainage`` (m), ``rise`` (rad,
        the angle turned in the vertical).
    rules : BendRules

    Returns
    -------
    DataFrame
        One row a bend in order along the runs: ``run``, ``chainage`` (m), ``first`` and ``last``
        (where turning begins and ends, m), ``deflection`` (rad), ``drawn`` (rad, as the drawing
        has it), ``kind``, ``angle_source``, ``axis_radius`` (m), ``record`` (the first row of
        ``fittings`` that says so, -1 where none does).
    """
    turns = _gathered(_with_rises(_turns(thinned), rises), diameter, rules.gather)
    turns = match_fittings(turns, fittings, diameter, rules)
    # A slight break of grade is no bend, and must not part a curve in plan.
    slight = (turns["turn"] == 0) & ~turns["recorded"] & (turns["deflection"] < rules.least_angle)
    bends = _curves(turns[~slight].reset_index(drop=True), rules)
    bends = bends[(bends["deflection"] >= rules.least_angle)]
    mitred = bends["kind"].to_numpy() == "fitting"
    hosts = diameter[bends["run"].to_numpy()]
    radius = np.where(mitred, rules.fitting_radius * hosts, bends["axis_radius"].to_numpy())
    bends = bends.assign(axis_radius=radius).sort_values(["run", "chainage"], kind="stable")
    return bends.reset_index(drop=True)


def _turns(thinned: Thinned) -> pd.DataFrame:
    """Return the signed turn at every inner vertex of the thinned axes."""
    run = row_of(thinned.offsets)
    inner = np.flatnonzero((run[1:-1] == run[:-2]) & (run[1:-1] == run[2:])) + 1
    before = thinned.xy[inner] - thinned.xy[inner - 1]
    after = thinned.xy[inner + 1] - thinned.xy[inner]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    return pd.DataFrame(
        {
            "run": run[inner],
            "chainage": thinned.chainage[inner],
            "turn": np.arctan2(cross, (before * after).sum(axis=1)),
        }
    )


def _with_rises(turns: pd.DataFrame, rises: pd.DataFrame) -> pd.DataFrame:
    """Add the turns in the vertical to those in plan."""
    turns = turns.assign(rise=0.0)
    if rises.empty:
        return turns
    both = pd.concat([turns, rises.assign(turn=0.0)], ignore_index=True)
    return both.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def _gathered(turns: pd.DataFrame, diameter: FloatArray, gather: float) -> pd.DataFrame:
    """Gather turns closer than a few diameters; a jog counts both its turns.

    Turns in plan and in the vertical add as the legs of a right angle, which is the angle in
    space for the gentle grades mains have.
    """
    run, at = turns["run"].to_numpy(), turns["chainage"].to_numpy()
    apart = np.ones(len(turns), dtype=bool)
    apart[1:] = (run[1:] != run[:-1]) | (np.diff(at) > gather * diameter[run[1:]])
    size = np.abs(turns["turn"].to_numpy())
    weight = size + turns["rise"].to_numpy()
    starts = np.flatnonzero(apart)
    first, last = np.minimum.reduceat(at, starts), np.maximum.reduceat(at, starts)
    turn, sizes, rise, weights, moment = _sums(
        starts, turns["turn"].to_numpy(), size, turns["rise"].to_numpy(), weight, weight * at
    )
    whole = np.where(weights > 0, weights, 1.0)
    return pd.DataFrame(
        {
            "run": run[starts],
            "first": first,
            "last": last,
            "turn": turn,
            "chainage": np.where(weights > 0, moment / whole, (first + last) / 2),
            "deflection": np.minimum(np.hypot(sizes, rise), np.pi),
            "recorded": False,
        }
    )


def _sums(starts: IntArray, *columns: FloatArray) -> Iterator[FloatArray]:
    """Yield the sums of columns over stretches of rows, each up to the start of the next."""
    count = len(columns[0])
    group = np.repeat(np.arange(len(starts)), np.diff(starts, append=count))
    # pandas makes up for what rounding loses of a long sum, as numpy's reduceat does not
    sums = pd.DataFrame(dict(enumerate(columns))).groupby(group, sort=False).sum()
    yield from sums.to_numpy(dtype=float).T


def match_fittings(
    turns: pd.DataFrame, fittings: pd.DataFrame, diameter: FloatArray, rules: BendRules
) -> pd.DataFrame:
    """Let fittings on record set the angle of the turn they lie at, or add the one not drawn.

    ``drawn`` keeps what the drawing showed, 0 for a bend it does not show; ``record`` is the first
    row of the fittings there, -1 where there is none.
    """
    turns = turns.assign(drawn=turns["deflection"], record=-1)
    if fittings.empty:
        return turns
    nearest, gap = _nearest_turn(turns, fittings)
    run = fittings["run"].to_numpy()
    matched = gap <= rules.gather * diameter[run] + 2 * rules.accuracy
    angle = pd.Series(fittings["angle"].to_numpy()[matched]).groupby(nearest[matched]).sum()
    turns = turns.copy()
    rows = angle.index.to_numpy()
    turns.loc[turns.index[rows], "deflection"] = np.minimum(angle.to_numpy(), np.pi)
    turns.loc[turns.index[rows], "recorded"] = True
    first = pd.Series(np.flatnonzero(matched)).groupby(nearest[matched]).min()
    turns.loc[turns.index[rows], "record"] = first.to_numpy()
    loose = fittings[~matched]
    extra = pd.DataFrame(
        {
            "run": loose["run"],
            "first": loose["chainage"],
            "last": loose["chainage"],
            "turn": 0.0,
            "deflection": np.minimum(loose["angle"], np.pi),
            "chainage": loose["chainage"],
            "recorded": True,
            "drawn": 0.0,
            "record": np.flatnonzero(~matched),
        }
    )
    both = pd.concat([turns, extra], ignore_index=True) if len(extra) else turns
    return both.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def _nearest_turn(turns: pd.DataFrame, fittings: pd.DataFrame) -> tuple[IntArray, FloatArray]:
    """Return for every fitting the turn of its run nearest by chainage, and the gap between."""
    if turns.empty:
        return np.zeros(len(fittings), dtype=np.int64), np.full(len(fittings), np.inf)
    runs = int(max(turns["run"].max(), fittings["run"].max())) + 1
    places = Places.of(turns["run"].to_numpy(), turns["chainage"].to_numpy(), runs)
    return places.nearest(
        fittings["run"].to_numpy(dtype=np.int64), fittings["chainage"].to_numpy(dtype=float)
    )


def _curves(turns: pd.DataFrame, rules: BendRules) -> pd.DataFrame:
    """Join even, gentle turns the same way into curves.

    A drawn arc of radius R thinned to accuracy e has chords of c = sqrt(8 R e) that turn by
    c / R: c times the turn is 8 e at most. Turns that satisfy this (with half as much again
    for noise) cannot be told from an arc by the drawing, and three in a row are taken as one.
    """
    run, at = turns["run"].to_numpy(), turns["chainage"].to_numpy()
    size = turns["deflection"].to_numpy()
    gentle = (size <= rules.curve_angle) & ~turns["recorded"].to_numpy()
    sign = np.sign(turns["turn"].to_numpy())
    leg = np.diff(at, prepend=at[:1])
    mean = (size + np.roll(size, 1)) / 2
    joined = np.zeros(len(turns), dtype=bool)
    joined[1:] = (
        (run[1:] == run[:-1])
        & gentle[1:]
        & gentle[:-1]
        & (sign[1:] == sign[:-1])
        & (sign[1:] != 0)  # grade breaks alone make no curve: which way each turns is not known
        & (leg[1:] * mean[1:] <= 12 * rules.accuracy)
    )
    group = np.cumsum(~joined)
    count = np.bincount(group, minlength=1)[group] if len(group) else group
    group = np.where(count >= LEAST_CURVE, group, -1 - np.arange(len(turns)))
    inner = np.zeros(len(turns), dtype=bool)
    inner[1:-1] = (group[1:-1] == group[:-2]) & (group[1:-1] == group[2:])
    span = (leg + np.append(leg[1:], 0.0)) / 2
    starts = np.flatnonzero(np.diff(group, prepend=group[:1] - 1))
    deflection, drawn, moment, arc, sweep = _sums(
        starts,
        size,
        turns["drawn"].to_numpy(),
        size * at,
        np.where(inner, span, 0.0),
        np.where(inner, size, 0.0),
    )
    curve = np.diff(starts, append=len(turns)) >= LEAST_CURVE
    whole = np.where(deflection > 0, deflection, 1.0)
    recorded = np.logical_or.reduceat(turns["recorded"].to_numpy(dtype=bool), starts)
    return pd.DataFrame(
        {
            "run": run[starts],
            "first": np.minimum.reduceat(turns["first"].to_numpy(), starts),
            "last": np.maximum.reduceat(turns["last"].to_numpy(), starts),
            "deflection": deflection,
            "drawn": drawn,
            "chainage": np.where(curve, moment / whole, at[starts]),
            # Each turn inside takes half the legs beside it; those at the ends may be of part of
            # a leg.
            "axis_radius": np.where(curve, arc / np.where(curve, sweep, 1.0), 0.0),
            "kind": np.where(curve, "curve", "fitting"),
            "angle_source": np.where(recorded, "fitting record", "drawing"),
            "record": np.maximum.reduceat(turns["record"].to_numpy(dtype=np.int64), starts),
        }
    )
