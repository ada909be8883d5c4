"""Fittings on record, and the turns of the drawing they stand for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, spread_out

__all__ = ["match_fittings"]

ONE_POINT = 0.1  # m; no two elbows have their middles so near, and no survey tells them apart
ALIKE = 0.001  # m; distances that differ by less are equal
ROUNDING = 1e-9  # rad


def match_fittings(
    turns: pd.DataFrame, fittings: pd.DataFrame, *, reach: FloatArray, slight: float
) -> pd.DataFrame:
    """Let fittings on record stand for what the drawing turns where they lie.

    A fitting stands for the vertex nearest to it, and for as many of those around it as make its
    angle together, for a bend may be drawn with several; each vertex belongs to the fitting it is
    nearest to. Several fittings at one vertex add up. Records at one point are of one fitting,
    the sharpest, unless the drawing turns more nearly as far as all of them together. A fitting
    the drawing does not show within reach is a turn of its own.

    Parameters
    ----------
    turns : DataFrame
        ``run``, ``chainage``, ``first``, ``last``, ``before``, ``after`` (m), ``turn``, ``size``,
        ``rise`` (rad), ``accuracy`` (m), in order along the runs.
    fittings : DataFrame
        ``run``, ``chainage`` (m), ``angle`` (rad).
    reach : ndarray, shape (runs,)
        A fitting belongs to a vertex no farther away than this, m.
    slight : float
        Turns below this are none, rad.

    Returns
    -------
    DataFrame
        The turns, those a fitting stands for as one, with ``angle`` (rad, on record; 0 where
        none is), ``covered`` (rad, drawn where the angle is on record), ``record`` (the first row
        of the fittings, -1 where none) and ``doubled`` (how many records were of a fitting
        counted already).
    """
    turns = turns.assign(angle=0.0, covered=0.0, record=np.int64(-1), doubled=np.int64(0))
    if fittings.empty:
        return turns
    points = _points(fittings)
    own = _own_turns(turns, points, reach)
    sites = _sites(points[own >= 0], own[own >= 0])
    matched = _stood_for(turns, sites, reach, slight) if len(sites) else turns
    tables = [table for table in (matched, _alone(points[own < 0], turns)) if len(table)]
    both = pd.concat(tables, ignore_index=True)
    return both.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def _points(fittings: pd.DataFrame) -> pd.DataFrame:
    """Return the points fittings lie at: the sharpest angle there, all of them, how many."""
    rows = fittings[["run", "chainage", "angle"]].assign(record=np.arange(len(fittings)))
    rows = rows.sort_values(["run", "chainage"], kind="stable")
    run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
    apart = np.ones(len(rows), dtype=bool)
    apart[1:] = (run[1:] != run[:-1]) | (np.diff(at) > ONE_POINT)
    group = rows.groupby(np.cumsum(apart) - 1)
    return group.agg(
        run=("run", "first"),
        first=("chainage", "min"),
        last=("chainage", "max"),
        once=("angle", "max"),
        whole=("angle", "sum"),
        count=("angle", "size"),
        record=("record", "min"),
    ).assign(chainage=lambda table: (table["first"] + table["last"]) / 2)


def _pairs(turns: pd.DataFrame, places: pd.DataFrame, reach: FloatArray) -> pd.DataFrame:
    """Return every place with every turn of its run within reach, and the gap between, m."""
    run, at = places["run"].to_numpy(dtype=np.int64), places["chainage"].to_numpy(dtype=float)
    known = Places.of(turns["run"].to_numpy(), turns["chainage"].to_numpy(), len(reach))
    low = known.search(run, at - reach[run], "left")
    place, nth = spread_out(known.search(run, at + reach[run], "right") - low)
    row = low[place] + nth
    gap = np.abs(turns["chainage"].to_numpy(dtype=float)[row] - at[place])
    return pd.DataFrame({"place": place, "row": row, "gap": gap})


def _own_turns(turns: pd.DataFrame, points: pd.DataFrame, reach: FloatArray) -> IntArray:
    """Return the turn nearest to each point, of two as near the one that turns most like it."""
    own = np.full(len(points), -1, dtype=np.int64)
    if turns.empty:
        return own
    pairs = _pairs(turns, points, reach)
    nearest = pairs.groupby("place")["gap"].transform("min")
    pairs = pairs[pairs["gap"] <= nearest + ALIKE]
    drawn = np.hypot(turns["size"].to_numpy(), turns["rise"].to_numpy())[pairs["row"]]
    unlike = np.abs(drawn - points["once"].to_numpy()[pairs["place"]])
    best = pairs.assign(unlike=unlike).sort_values(["place", "unlike"], kind="stable")
    best = best.drop_duplicates("place")
    own[best["place"].to_numpy()] = best["row"].to_numpy()
    return own


def _sites(points: pd.DataFrame, own: IntArray) -> pd.DataFrame:
    """Return the turns that have a fitting, with all that lie there taken together."""
    group = points.assign(own=own, points=1).groupby("own")
    table = group.agg(
        run=("run", "first"),
        first=("first", "min"),
        last=("last", "max"),
        once=("once", "sum"),
        whole=("whole", "sum"),
        count=("count", "sum"),
        points=("points", "sum"),
        record=("record", "min"),
    )
    middle = (table["first"] + table["last"]) / 2
    return table.assign(chainage=middle).reset_index()


def _stood_for(
    turns: pd.DataFrame, sites: pd.DataFrame, reach: FloatArray, slight: float
) -> pd.DataFrame:
    """Return the turns with those a site stands for taken as one."""
    pairs = _prefixes(turns, sites, _cells(_pairs(turns, sites, reach), sites))
    each = _unlike(pairs, sites["whole"]).groupby(pairs["place"]).min()
    once = _unlike(pairs, sites["once"]).groupby(pairs["place"]).min()
    all_there = (each < once - ROUNDING).to_numpy()
    sites = sites.assign(
        angle=np.minimum(np.where(all_there, sites["whole"], sites["once"]), np.pi),
        doubled=np.where(all_there, 0, sites["count"] - sites["points"]),
    )
    unlike = _unlike(pairs, sites["angle"])
    fits = unlike <= unlike.groupby(pairs["place"]).transform("min") + slight
    last = pairs["position"].where(fits, -1).groupby(pairs["place"]).transform("max")
    return _as_one(turns, sites, pairs[pairs["position"] <= last])


def _unlike(pairs: pd.DataFrame, angle: pd.Series) -> pd.Series:
    """Return how far from an angle of its site each prefix turns, rad."""
    off = np.abs(pairs["drawn"].to_numpy() - angle.to_numpy()[pairs["place"]])
    return pd.Series(np.where(pairs["full"], off, np.inf), index=pairs.index)


def _cells(pairs: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Leave each site its own turn, and the turns that are nearer to it than to any other.

    A turn as near to two is left to none, so that it does not matter which comes first.
    """
    own = sites["own"].to_numpy()
    mine = pairs["row"].to_numpy() == own[pairs["place"]]
    pairs = pairs[mine | ~pairs["row"].isin(own).to_numpy()]
    pairs = pairs.assign(gap=np.where(mine[pairs.index], -1.0, pairs["gap"]))
    nearest = pairs.groupby("row")["gap"].transform("min")
    pairs = pairs[pairs["gap"] <= nearest + ALIKE]
    return pairs[~pairs["row"].duplicated(keep=False)]


def _prefixes(turns: pd.DataFrame, sites: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Order the turns of each site from it outwards, and add up what they turn so far, rad.

    ``full`` says that the next is farther: turns as near are taken together or not at all.
    """
    pairs = pairs.sort_values(["place", "gap", "row"], kind="stable").reset_index(drop=True)
    rows = turns.iloc[pairs["row"].to_numpy()]
    sums = rows[["size", "rise"]].set_axis(pairs.index).groupby(pairs["place"]).cumsum()
    full = np.ones(len(pairs), dtype=bool)
    full[:-1] = (np.diff(pairs["place"]) > 0) | (np.diff(pairs["gap"]) > ALIKE)
    position = pairs.groupby("place").cumcount()
    return pairs.assign(drawn=np.hypot(sums["size"], sums["rise"]), full=full, position=position)


def _as_one(turns: pd.DataFrame, sites: pd.DataFrame, taken: pd.DataFrame) -> pd.DataFrame:
    """Return the turns with those taken by a site put together where they turn in the mean."""
    rows = turns.iloc[taken["row"].to_numpy()].reset_index(drop=True)
    weight = rows["size"] + rows["rise"]
    place = taken["place"].to_numpy()
    sums = rows.assign(weight=weight, moment=weight * rows["chainage"]).groupby(place)
    one = sums.agg({"first": "min", "last": "max"})
    one = one.join(sums[["turn", "size", "rise", "weight", "moment"]].sum())
    own = turns.iloc[sites["own"].to_numpy()].reset_index(drop=True)
    middle = (one["moment"] / one["weight"]).where(one["weight"] > 0, own["chainage"])
    joined = own.assign(
        **{name: one[name] for name in ("first", "last", "turn", "size", "rise")},
        chainage=middle,
        angle=sites["angle"],
        covered=np.hypot(one["size"], one["rise"]),
        record=sites["record"],
        doubled=sites["doubled"],
    )
    left = np.ones(len(turns), dtype=bool)
    left[taken["row"].to_numpy()] = False
    return pd.concat([turns[left], joined], ignore_index=True) if left.any() else joined


def _alone(points: pd.DataFrame, turns: pd.DataFrame) -> pd.DataFrame:
    """Return fittings the drawing does not show, as turns."""
    rows = points[["run", "chainage", "first", "last", "record"]].assign(
        turn=0.0,
        size=0.0,
        rise=0.0,
        before=0.0,
        after=0.0,
        accuracy=0.0,
        angle=np.minimum(points["once"], np.pi),
        covered=0.0,
        doubled=points["count"] - 1,
    )
    return rows[turns.columns]
