"""Fittings on record, and the turns of the drawing they stand for."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, spread_out

__all__ = ["gainsaid", "match_fittings"]

ONE_POINT = 0.1  # m; no two elbows have their middles so near, and no survey tells them apart
ALIKE = 0.001  # m; distances that differ by less are equal
ROUNDING = 1e-9  # rad
# What an angle on record is of: the turn in space, its leg in plan, or (2) that in the vertical.
WHOLE, PLAN = 0, 1


def match_fittings(
    turns: pd.DataFrame, fittings: pd.DataFrame, *, reach: FloatArray, slight: float
) -> pd.DataFrame:
    """Let fittings on record stand for what the drawing turns where they lie.

    A fitting stands for the vertex nearest to it, and for as many of those around it as make its
    angle together, for a bend may be drawn with several; each vertex belongs to the fitting it is
    nearest to. Several fittings at one vertex add up. Records at one point are of one fitting,
    the sharpest, unless the drawing turns more nearly as far as all of them together. A fitting
    the drawing does not show within reach is a turn of its own.

    A record is of the turn in space, of a rolled elbow it may be, unless it is nearer to the turn
    in plan alone, or is the turn in the vertical within ``slight``: then what is turned the other
    way is turned besides. What levels are sure of in the vertical it does not take away.

    Parameters
    ----------
    turns : DataFrame
        ``run``, ``chainage``, ``first``, ``last``, ``before``, ``after`` (m), ``turn``, ``size``,
        ``rise``, ``sure`` (rad, of the rise what levels are sure of), ``accuracy`` (m), in order
        along the runs.
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
        none is), ``covered`` (rad, what of the drawing the angle stands for), ``raised`` (rad, by
        which levels are surer of more), ``plan`` and ``grade`` (rad, turned in plan and in the
        vertical by what is on record where something is), ``rest_plan`` and ``rest_grade`` (rad,
        of these what no record stands for), ``record`` (the first row of the fittings, -1 where
        none) and ``doubled`` (how many records were of a fitting counted already).
    """
    turns = turns.assign(
        angle=0.0,
        covered=0.0,
        raised=0.0,
        plan=turns["size"],
        grade=turns["rise"],
        rest_plan=turns["size"],
        rest_grade=turns["rise"],
        record=np.int64(-1),
        doubled=np.int64(0),
    )
    if fittings.empty:
        return turns
    points = _points(fittings)
    own = _own_turns(turns, points, reach, slight)
    sites = _sites(points[own >= 0], own[own >= 0])
    matched = _stood_for(turns, sites, reach, slight) if len(sites) else turns
    tables = [table for table in (matched, _alone(points[own < 0], turns)) if len(table)]
    both = pd.concat(tables, ignore_index=True)
    return both.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def gainsaid(
    turns: pd.DataFrame, fittings: pd.DataFrame, *, reach: FloatArray, slight: float, doubt: float
) -> pd.DataFrame:
    """Find fittings on record that say the main does not turn, where the drawing shows a bend.

    Parameters
    ----------
    turns, fittings, reach, slight
        As of `match_fittings`. What is on record together of one turn is judged together.
    doubt : float
        The drawing shows a bend where it turns by more than this beyond the record, rad.

    Returns
    -------
    DataFrame
        These rows of ``fittings``, with ``drawn`` (rad, what the drawing turns there).
    """
    left, found = fittings.assign(drawn=0.0), [fittings.iloc[:0].assign(drawn=0.0)]
    while (left["angle"] < slight - ROUNDING).any():
        sites = match_fittings(turns, left, reach=reach, slight=slight)
        sites = sites[(sites["record"] >= 0) & (sites["angle"] < slight - ROUNDING)]
        sites = sites[sites["covered"] - sites["angle"] > doubt]
        if sites.empty:
            break
        rows = sites["record"].to_numpy(dtype=np.int64)  # of each turn the first, so once again
        found.append(left.iloc[rows].assign(drawn=sites["covered"].to_numpy()))
        left = left.iloc[np.setdiff1d(np.arange(len(left)), rows)]
    return pd.concat([table for table in found if len(table)] or found[:1])


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
        of_one=("angle", "max"),
        of_all=("angle", "sum"),
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


def _own_turns(
    turns: pd.DataFrame, points: pd.DataFrame, reach: FloatArray, slight: float
) -> IntArray:
    """Return the turn nearest to each point, of two as near the one that turns most like it."""
    own = np.full(len(points), -1, dtype=np.int64)
    if turns.empty:
        return own
    pairs = _pairs(turns, points, reach)
    nearest = pairs.groupby("place")["gap"].transform("min")
    pairs = pairs[pairs["gap"] <= nearest + ALIKE]
    drawn = turns[["size", "rise"]].iloc[pairs["row"].to_numpy()]
    unlike = _apart(drawn, points["of_one"].to_numpy()[pairs["place"]], slight).min(axis=0)
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
        of_one=("of_one", "sum"),
        of_all=("of_all", "sum"),
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
    pairs = _prefixes(turns, _cells(_pairs(turns, sites, reach), sites))
    off_by_all = _unlike(pairs, sites["of_all"], slight).groupby(pairs["place"]).min()
    off_by_one = _unlike(pairs, sites["of_one"], slight).groupby(pairs["place"]).min()
    all_there = (off_by_all < off_by_one - ROUNDING).to_numpy()
    sites = sites.assign(
        angle=np.minimum(np.where(all_there, sites["of_all"], sites["of_one"]), np.pi),
        doubled=np.where(all_there, 0, sites["count"] - sites["points"]),
    )
    unlike = _unlike(pairs, sites["angle"], slight)
    fits = unlike <= unlike.groupby(pairs["place"]).transform("min") + slight
    last = pairs["position"].where(fits, -1).groupby(pairs["place"]).transform("max")
    end = pairs[pairs["position"] == last].set_index("place").loc[sites.index]
    apart = _apart(end, sites["angle"].to_numpy(), slight)
    apart[WHOLE] -= ROUNDING
    sites = sites.assign(of=apart.argmin(axis=0))
    return _as_one(turns, sites, pairs[pairs["position"] <= _no_farther(pairs, sites, last)])


def _unlike(pairs: pd.DataFrame, angle: pd.Series, slight: float) -> pd.Series:
    """Return how far an angle of its site is from what each prefix turns, rad."""
    off = _apart(pairs, angle.to_numpy()[pairs["place"]], slight).min(axis=0)
    return pd.Series(np.where(pairs["full"], off, np.inf), index=pairs.index)


def _apart(drawn: pd.DataFrame, angle: FloatArray, slight: float) -> FloatArray:
    """Return how far an angle on record is from what it may be of, rad, shape (3, n).

    Of what is turned one way alone it is only if something is; of the vertical, which mains seldom
    turn in and always a little, only if it is that turn as nearly as turns are told.
    """
    size, rise = (drawn[name].to_numpy(dtype=float) for name in ("size", "rise"))
    plan, grade = np.abs(size - angle), np.abs(rise - angle)
    return np.array(
        [
            np.abs(np.hypot(size, rise) - angle),
            np.where(size > ROUNDING, plan, np.inf),
            np.where((rise >= slight) & (grade <= slight), grade, np.inf),
        ]
    )


def _no_farther(pairs: pd.DataFrame, sites: pd.DataFrame, last: pd.Series) -> pd.Series:
    """Return where the prefix of each site ends: farther turns the other way are left alone."""
    of = sites["of"].to_numpy()[pairs["place"]]
    part = pd.Series(np.where(of == PLAN, pairs["size"], pairs["rise"]), index=pairs.index)
    whole = part.where(pairs["position"] == last, -np.inf).groupby(pairs["place"]).transform("max")
    enough = pairs["full"] & (part >= whole - ROUNDING)
    least = pairs["position"].where(enough, len(pairs)).groupby(pairs["place"]).transform("min")
    return last.where(of == WHOLE, least)


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


def _prefixes(turns: pd.DataFrame, pairs: pd.DataFrame) -> pd.DataFrame:
    """Order the turns of each site from it outwards, and add up what they turn so far, rad.

    ``full`` says that the next is farther: turns as near are taken together or not at all.
    """
    pairs = pairs.sort_values(["place", "gap", "row"], kind="stable").reset_index(drop=True)
    rows = turns.iloc[pairs["row"].to_numpy()]
    sums = rows[["size", "rise"]].set_axis(pairs.index).groupby(pairs["place"]).cumsum()
    full = np.ones(len(pairs), dtype=bool)
    full[:-1] = (np.diff(pairs["place"]) > 0) | (np.diff(pairs["gap"]) > ALIKE)
    position = pairs.groupby("place").cumcount()
    return pairs.assign(size=sums["size"], rise=sums["rise"], full=full, position=position)


def _as_one(turns: pd.DataFrame, sites: pd.DataFrame, taken: pd.DataFrame) -> pd.DataFrame:
    """Return the turns with those taken by a site put together where they turn in the mean."""
    rows = turns.iloc[taken["row"].to_numpy()].reset_index(drop=True)
    weight = rows["size"] + rows["rise"]
    place = taken["place"].to_numpy()
    sums = rows.assign(weight=weight, moment=weight * rows["chainage"]).groupby(place)
    one = sums.agg({"first": "min", "last": "max"})
    one = one.join(sums[["turn", "size", "rise", "sure", "weight", "moment"]].sum())
    own = turns.iloc[sites["own"].to_numpy()].reset_index(drop=True)
    middle = (one["moment"] / one["weight"]).where(one["weight"] > 0, own["chainage"])
    joined = own.assign(
        **{name: one[name] for name in ("first", "last", "turn", "size", "rise", "sure")},
        chainage=middle,
        record=sites["record"],
        doubled=sites["doubled"],
        **_turned(one, sites["angle"].to_numpy(), sites["of"].to_numpy()),
    )
    left = np.ones(len(turns), dtype=bool)
    left[taken["row"].to_numpy()] = False
    return pd.concat([turns[left], joined], ignore_index=True) if left.any() else joined


def _turned(drawn: pd.DataFrame, angle: FloatArray, of: IntArray) -> dict[str, FloatArray]:
    """Return what turns with a record turn in plan and in the vertical, rad.

    The turn in space lies as the drawing and the levels have it. What levels are sure of is turned
    in the vertical whatever is on record, and the plan takes the rest.
    """
    size, rise, sure = (drawn[name].to_numpy(dtype=float) for name in ("size", "rise", "sure"))
    whole = np.hypot(size, rise)
    used = np.where(of == PLAN, angle, np.maximum(angle, sure))
    share = np.divide(rise, whole, out=np.zeros_like(rise), where=whole > 0)
    steep = np.minimum(np.maximum(used * share, sure), used)
    none = np.zeros_like(size)
    return {
        "angle": angle,
        "covered": np.choose(of, [whole, size, rise]),
        "raised": used - angle,
        "plan": np.choose(of, [np.sqrt(used**2 - steep**2), used, size]),
        "grade": np.choose(of, [steep, rise, used]),
        "rest_plan": np.choose(of, [none, none, size]),
        "rest_grade": np.choose(of, [none, rise, none]),
    }


def _alone(points: pd.DataFrame, turns: pd.DataFrame) -> pd.DataFrame:
    """Return fittings the drawing does not show, as turns."""
    angle = np.minimum(points["of_one"], np.pi)
    rows = points[["run", "chainage", "first", "last", "record"]].assign(
        angle=angle, plan=angle, doubled=points["count"] - 1
    )
    return rows.reindex(columns=turns.columns, fill_value=0.0)
