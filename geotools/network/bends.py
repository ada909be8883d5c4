"""Bends: where a run turns, told from the wiggles of the drawing.

The axis is thinned within the survey accuracy (Douglas and Peucker 1973) and turning angles are
taken with atan2. A fitting on record with an angle stands for what the drawing turns there. A
chain of even, gentle turns the same way is a curve with a radius, however finely it is drawn; of
the other turns those closer than a few host diameters are gathered into one bend.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.curves import as_curves, find_curves
from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    greatest_so_far,
    measures,
    offsets_of,
    row_of,
    spread_out,
    stretch_sums,
)
from geotools.network.recorded import match_fittings

__all__ = ["BendRules", "Thinned", "find_bends", "thin"]

STRAIGHT = 1e-5  # m; a joint no farther off its neighbours is on a straight main
ALIKE = 0.001  # m; vertices whose distances from a chord differ by less are equally far
ROUNDING = 1e-9  # m


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
    chord, place = spread_out(inner)
    vertex = first[chord] + 1 + place
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
    of, place = spread_out(last - first)
    start = first[of] + place
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
        ``fittings`` that says so, -1 where none does), ``angle`` (rad, on record), ``covered``
        (rad, what the drawing turns there, which the record stands for), ``rest`` (rad, turned
        besides by the drawing alone) and ``doubled`` (records that were counted once with others
        at their point).
    """
    near = rules.gather * diameter
    turns = _with_rises(_turns(thinned), rises)
    turns = match_fittings(
        turns, fittings, reach=near + 2 * rules.accuracy, slight=rules.least_angle
    )
    curve = find_curves(
        turns,
        near=near,
        diameter=diameter,
        accuracy=rules.accuracy,
        gentle=rules.curve_angle,
        slight=rules.least_angle,
    )
    fitted = _gathered(turns, curve >= 0, near)
    radius = rules.fitting_radius * diameter[fitted["run"].to_numpy(dtype=np.int64)]
    found = [
        fitted.assign(axis_radius=radius, kind="fitting"),
        as_curves(turns, curve, accuracy=rules.accuracy),
    ]
    bends = pd.concat([table for table in found if len(table)] or found[:1], ignore_index=True)
    bends = bends[bends["deflection"] >= rules.least_angle]
    source = np.where(bends["record"] >= 0, "fitting record", "drawing")
    bends = bends.assign(angle_source=source).sort_values(["run", "chainage"], kind="stable")
    return bends.reset_index(drop=True)


def _turns(thinned: Thinned) -> pd.DataFrame:
    """Return the signed turn at every inner vertex of the thinned axes, and the legs beside it."""
    run = row_of(thinned.offsets)
    inner = np.flatnonzero((run[1:-1] == run[:-2]) & (run[1:-1] == run[2:])) + 1
    before = thinned.xy[inner] - thinned.xy[inner - 1]
    after = thinned.xy[inner + 1] - thinned.xy[inner]
    cross = before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0]
    at = thinned.chainage
    return pd.DataFrame(
        {
            "run": run[inner],
            "chainage": at[inner],
            "turn": np.arctan2(cross, (before * after).sum(axis=1)),
            "before": at[inner] - at[inner - 1],
            "after": at[inner + 1] - at[inner],
        }
    )


def _with_rises(turns: pd.DataFrame, rises: pd.DataFrame) -> pd.DataFrame:
    """Add the turns in the vertical to those in plan, and where each begins and ends."""
    rise, apart = np.zeros(len(turns)), np.ones(len(rises), dtype=bool)
    if len(turns) and len(rises):
        runs = int(max(turns["run"].max(), rises["run"].max())) + 1
        places = Places.of(turns["run"].to_numpy(), turns["chainage"].to_numpy(), runs)
        row, gap = places.nearest(
            rises["run"].to_numpy(dtype=np.int64), rises["chainage"].to_numpy(dtype=float)
        )
        apart = gap > ALIKE
        np.add.at(rise, row[~apart], rises["rise"].to_numpy(dtype=float)[~apart])
    turns = turns.assign(rise=rise)
    if apart.any():
        alone = rises.loc[apart, ["run", "chainage", "rise"]].assign(
            turn=0.0, before=0.0, after=0.0
        )
        turns = pd.concat([turns, alone], ignore_index=True) if len(turns) else alone
        turns = turns.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)
    at = turns["chainage"]
    return turns.assign(first=at, last=at, size=turns["turn"].abs())


def _gathered(turns: pd.DataFrame, in_curve: BoolArray, near: FloatArray) -> pd.DataFrame:
    """Gather turns of no curve that follow each other within ``near``, m, of their run.

    A jog counts both its turns. Turns in plan and in the vertical add as the legs of a right
    angle, which is the angle in space for the gentle grades mains have. Angles on record add to
    what is drawn besides.
    """
    starts = _group_starts(turns, in_curve, near)
    turns = turns[~in_curve]
    size, rise, angle, covered = (
        turns[name].to_numpy(dtype=float) for name in ("size", "rise", "angle", "covered")
    )
    weight = np.where(size + rise > 0, size + rise, angle)
    alone = turns["record"].to_numpy() < 0
    columns = size, rise, size * alone, rise * alone, angle, covered
    moment = weight * turns["chainage"].to_numpy(dtype=float)
    *sums, weights, moments = stretch_sums(starts, *columns, weight, moment)
    sizes, rises, rest_sizes, rest_rises, angles, covers = sums
    first = np.minimum.reduceat(turns["first"].to_numpy(), starts)
    last = np.maximum.reduceat(turns["last"].to_numpy(), starts)
    rest = np.hypot(rest_sizes, rest_rises)
    whole = np.where(weights > 0, weights, 1.0)
    return pd.DataFrame(
        {
            "run": turns["run"].to_numpy()[starts],
            "first": first,
            "last": last,
            "chainage": np.where(weights > 0, moments / whole, (first + last) / 2),
            "deflection": np.minimum(angles + rest, np.pi),
            "drawn": np.minimum(np.hypot(sizes, rises), np.pi),
            "angle": angles,
            "covered": covers,
            "rest": rest,
            "record": _first_record(turns["record"].to_numpy(), starts),
            "doubled": np.add.reduceat(turns["doubled"].to_numpy(), starts),
        }
    )


def _group_starts(turns: pd.DataFrame, in_curve: BoolArray, near: FloatArray) -> IntArray:
    """Return which of the turns of no curve are farther from the one before, or behind a curve."""
    curves_before = np.cumsum(in_curve)[~in_curve]
    run, first, last = (turns[name].to_numpy()[~in_curve] for name in ("run", "first", "last"))
    apart = np.ones(len(run), dtype=bool)
    apart[1:] = (
        (run[1:] != run[:-1])
        | (first[1:] - last[:-1] > near[run[1:]])
        | (curves_before[1:] != curves_before[:-1])
    )
    return np.flatnonzero(apart)


def _first_record(record: IntArray, starts: IntArray) -> IntArray:
    """Return the first record of stretches of rows, -1 where none has any."""
    none = np.iinfo(np.int64).max
    first = np.minimum.reduceat(np.where(record >= 0, record, none), starts)
    return np.where(first < none, first, -1)
