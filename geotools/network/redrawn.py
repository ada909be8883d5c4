"""Redrawn: arcs that thinning cut short, with vertices of theirs put back.

Thinned within the accuracy a, an arc of radius r keeps a vertex every 2 sqrt(2 r a) or so, and of
a short one a vertex or two, wherever the splitting of chords happens to lay them. Two at its ends
are twice as far apart, for what each turns, as those of a polygon around it: a carrier would be
led through two bends where there is one. So what the drawing has between those kept is asked.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.curves import EXACT, find_curves, straights
from geotools.network.gathered import group_starts
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, row_of
from geotools.network.thinned import ALIKE, Thinned, inner_vertices, turns_of

__all__ = ["FINER", "CurveRules", "redraw", "taken_to"]

# Times as fine as the survey accuracy: a chord of an arc, and what it turns, is a quarter then.
FINER = 16.0
# Share of what a chord's ends turn. Where the straight before an arc was cut short at a slant,
# what it turns comes out less by that; noise of a survey adds more. Judgement, no source.
GROWS = 0.1


@dataclass(frozen=True)
class CurveRules:
    """What `find_curves` and gathering go by; arrays have one entry a run."""

    near: FloatArray
    diameter: FloatArray
    accuracy: float
    gentle: float
    slight: float

    def of(self, turns: pd.DataFrame) -> IntArray:
        """Return the number of the curve each turn belongs to, -1 for those of none."""
        return find_curves(
            turns,
            near=self.near,
            diameter=self.diameter,
            accuracy=self.accuracy,
            gentle=self.gentle,
            slight=self.slight,
        )


def redraw(thinned: Thinned, fine: Thinned, rules: CurveRules) -> tuple[Thinned, BoolArray]:
    """Put back vertices of the finer drawing into chords of arcs.

    A chord gets them where they add no turning to what its ends turn (the wiggles of a survey
    do), and where with them the drawing makes one bend or curve of what they turn and of a
    vertex that was kept. Chords of a curve that is told without them stay as they are, but for
    one that has a straight in it by the finer drawing: two arcs, thinned to one of their mean
    radius.

    Parameters
    ----------
    thinned, fine : Thinned
        The same axes within the survey accuracy, and within a `FINER` one.
    rules : CurveRules

    Returns
    -------
    Thinned
    ndarray of bool
        Which of its vertices begin or end a chord redrawn, or lie inside one.
    """
    chord, vertex = _between(thinned, fine)
    inside = np.zeros(len(thinned.xy), dtype=bool)  # by the vertex a chord begins at
    if not len(vertex):
        return thinned, inside
    inside[chord] = True
    wanted = inside & _turn_no_more(thinned, fine, chord, vertex)
    wanted &= ~_kept_curves(thinned, fine, chord, vertex, wanted, rules)
    while wanted.any():
        back = wanted[chord]
        drawn, row = _with_back(thinned, fine, chord[back], vertex[back])
        redrawn = _redrawn(row)
        alone = row[_standing_alone(drawn, row, redrawn, rules)]
        if not len(alone):
            return drawn, redrawn
        wanted[alone] = False
    return thinned, wanted


def _kept_curves(
    thinned: Thinned,
    fine: Thinned,
    chord: IntArray,
    vertex: IntArray,
    plain: BoolArray,
    rules: CurveRules,
) -> BoolArray:
    """Return which chords begin or end in a curve that stays as it is.

    ``plain`` says which chords turn no more by the finer drawing. If one of a curve does, that
    drawing is noise there, and the curve is not asked about.
    """
    of = _curve_at(thinned, rules)
    begins, ends = of, np.append(of[1:], -1)
    curves = int(of.max(initial=-1)) + 1
    noisy = np.unique(chord[~plain[chord]])
    rough = np.zeros(curves + 1, dtype=bool)  # the last stands for those of no curve
    rough[begins[noisy]] = rough[ends[noisy]] = True
    rough[-1] = False
    curved = (begins >= 0) | (ends >= 0)
    asked = plain & curved & ~rough[begins] & ~rough[ends]
    back = asked[chord]
    if not back.any():
        return curved
    drawn, row = _with_back(thinned, fine, chord[back], vertex[back])
    # of a chord from one curve to another it is not known what of it belongs to which
    both = (begins >= 0) & (ends >= 0) & (begins != ends)
    label = np.where(both, -1, np.maximum(begins, ends))[row]
    label[row < 0] = of
    parted = np.zeros(curves + 1, dtype=bool)
    parted[_with_straights(drawn, row, label, rules)] = True
    return np.asarray(curved & ~(asked & (parted[begins] | parted[ends])), dtype=np.bool_)


def _curve_at(thinned: Thinned, rules: CurveRules) -> IntArray:
    """Return the number of the curve each vertex belongs to, -1 for those of none."""
    turns, at = _plain_turns(thinned, np.zeros(len(thinned.xy), dtype=bool), rules)
    of = np.full(len(thinned.xy), -1, dtype=np.int64)
    of[at] = rules.of(turns)
    return of


def _with_straights(drawn: Thinned, row: IntArray, label: IntArray, rules: CurveRules) -> IntArray:
    """Return the curves, labels of vertices, that have a straight in them: each is two arcs."""
    turns, at = _plain_turns(drawn, _redrawn(row), rules)
    label = label[at]
    return label[straights(turns, label)]


def _redrawn(row: IntArray) -> BoolArray:
    """Return which vertices begin or end a chord redrawn, or lie inside one."""
    redrawn = row >= 0
    redrawn[:-1] |= row[1:] >= 0
    redrawn[1:] |= row[:-1] >= 0
    return redrawn


def _between(thinned: Thinned, fine: Thinned) -> tuple[IntArray, IntArray]:
    """Return the vertices of the finer drawing inside chords, and where each chord begins."""
    run = row_of(fine.offsets)
    places = Places.of_offsets(thinned.offsets, thinned.chainage)
    begin = places.search(run, fine.chainage + ALIKE, "right") - 1
    inner = begin < thinned.offsets[run + 1] - 1
    inner &= fine.chainage - thinned.chainage[begin] > ALIKE
    vertex = np.flatnonzero(inner)
    return begin[vertex], vertex


def _plain_turns(
    drawn: Thinned, redrawn: BoolArray, rules: CurveRules
) -> tuple[pd.DataFrame, IntArray]:
    """Return the turns with nothing on record, and their vertices."""
    turns = turns_of(drawn)
    at = turns["chainage"]
    vertex = inner_vertices(drawn)
    turns = turns.assign(rise=0.0, first=at, last=at, size=turns["turn"].abs(), record=np.int64(-1))
    return turns.assign(accuracy=taken_to(redrawn[vertex], rules.accuracy)), vertex


def taken_to(redrawn: BoolArray, accuracy: float) -> FloatArray:
    """Return the accuracy, m, to which the drawing is taken at vertices: finer where redrawn."""
    return np.where(redrawn, accuracy / FINER, accuracy)


def _turn_no_more(thinned: Thinned, fine: Thinned, chord: IntArray, vertex: IntArray) -> BoolArray:
    """Return which chords turn no more, with what lies inside them, than their ends turn now."""
    count = len(thinned.xy)
    whole = np.zeros(count + 1)
    at = inner_vertices(thinned)
    whole[at] = turns_of(thinned)["turn"].to_numpy(dtype=float)
    is_end = np.ones(count + 1, dtype=bool)  # ends of runs turn nothing
    is_end[at] = False
    first = np.flatnonzero(np.diff(chord, prepend=-1))
    own = chord[first]  # chords with anything inside
    bounds = np.append(first, len(chord))
    inside = np.diff(bounds)
    rows = offsets_of(inside + 2)
    xy = np.empty((rows[-1], 2))
    xy[rows[:-1]], xy[rows[1:] - 1] = thinned.xy[own], thinned.xy[own + 1]
    filled = np.ones(rows[-1], dtype=bool)
    filled[rows[:-1]] = filled[rows[1:] - 1] = False
    xy[filled] = fine.xy[vertex]
    within = turns_of(Thinned(xy, rows, np.zeros(len(xy))))["turn"].to_numpy(dtype=float)
    straight = thinned.xy[own + 1] - thinned.xy[own]
    leave = _angle(straight, xy[rows[:-1] + 1] - xy[rows[:-1]])
    arrive = _angle(xy[rows[1:] - 1] - xy[rows[1:] - 2], straight)
    grown = np.add.reduceat(np.abs(within), first)
    for end, bent in ((own, leave), (own + 1, arrive)):
        grown += np.where(is_end[end], 0.0, np.abs(whole[end] + bent) - np.abs(whole[end]))
    out = np.zeros(count, dtype=bool)
    out[own] = grown <= GROWS * (np.abs(whole[own]) + np.abs(whole[own + 1])) + EXACT
    return out


def _angle(one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the signed angle from directions to others, rad."""
    cross = one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]
    return np.asarray(np.arctan2(cross, (one * other).sum(axis=1)), dtype=np.float64)


def _with_back(
    thinned: Thinned, fine: Thinned, chord: IntArray, vertex: IntArray
) -> tuple[Thinned, IntArray]:
    """Return the axes with vertices put back, and the chord each of those is of, else -1."""
    order = np.argsort(np.concatenate([np.arange(len(thinned.xy)), chord]), kind="stable")
    added = np.bincount(row_of(thinned.offsets)[chord], minlength=len(thinned.offsets) - 1)
    row = np.concatenate([np.full(len(thinned.xy), -1), chord])
    drawn = Thinned(
        np.concatenate([thinned.xy, fine.xy[vertex]])[order],
        offsets_of(np.diff(thinned.offsets) + added),
        np.concatenate([thinned.chainage, fine.chainage[vertex]])[order],
    )
    return drawn, row[order]


def _standing_alone(
    drawn: Thinned, row: IntArray, redrawn: BoolArray, rules: CurveRules
) -> BoolArray:
    """Return which vertices put back are in no bend or curve with a vertex that was kept."""
    turns, at = _plain_turns(drawn, redrawn, rules)
    curve = rules.of(turns)
    in_curve = curve >= 0
    group = np.where(in_curve, curve, 0)
    starts = group_starts(turns, in_curve, rules.near)
    first = np.zeros(int((~in_curve).sum()), dtype=np.int64)
    first[starts] = 1
    group[~in_curve] = np.cumsum(first) + int(curve.max(initial=-1))
    kept = np.bincount(group, row[at] < 0) > 0
    alone = np.zeros(len(row), dtype=bool)
    alone[at] = (row[at] >= 0) & ~kept[group]
    return alone
