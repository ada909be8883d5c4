"""Candidate pits: every place looked at, with its reasons for and against and its cost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.network.bends import Thinned
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.pits import insertion_length_m
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents, PitSizes, footprints, pit_extents
from geotools.siting.must import Stretches

__all__ = ["CANDIDATE_KINDS", "ROLES", "Candidates", "PitRules", "SiteRates", "find_candidates"]

ROLES = ("receiving", "insertion_ahead", "insertion_behind", "insertion_both")
CANDIDATE_KINDS = ("end", "step", "bend", "fitting", "connection", "edit")
IntTable = npt.NDArray[np.int64]

# Why a role is refused: one bit each, in the order they are told.
REFUSALS = (
    "no ground level here",
    "host above the ground",
    "deeper than {max_depth:.2f} m",
    "too deep for the ramp at the carrier's bending radius",
    "its edge would cut a bend that must lie in a pit",
    "within {clear:.1f} m of an intersection",
    "in a place to avoid",
    "forbidden by the designer",
)
NO_GROUND, ABOVE, DEEP, RAMP, CUTS, CROSSING, AVOID, FORBIDDEN = (1 << b for b in range(8))


@dataclass(frozen=True)
class PitRules:
    """What a pit needs and where it may not lie; m; the settings of the brief's ``pits``."""

    max_depth: float
    clear: float
    ramp: str
    resting_height: float
    working: float
    receiving: float
    side_room: float
    bedding: float
    receive_in_intersection: bool


@dataclass(frozen=True)
class SiteRates:
    """Rates of a site, per role and per unit, in the brief's currency."""

    setup: tuple[float, float, float, float]
    intersection_factor: float
    excavation: float
    restoration: float
    open_laying: float


@dataclass(frozen=True)
class Candidates:
    """Candidates of all runs, sorted by run and chainage.

    Attributes
    ----------
    table : DataFrame
        ``run``, ``chainage``, ``x``, ``y``, ``depth``, ``drop``, ``width``,
        ``intersection_distance`` (m), ``usable``, ``roles``, ``reasons``, ``why``.
    offsets : ndarray of int64, shape (runs + 1,)
    extents : Extents
    length, volume, area, cost : ndarray, shape (n, 4)
        Length of the excavation (m), its volume (m3), its ground (m2) and its cost; the cost is
        infinite where the role is refused.
    ground : ndarray of polygons, shape (n, 4)
    """

    table: pd.DataFrame
    offsets: IntArray
    extents: Extents
    length: FloatArray
    volume: FloatArray
    area: FloatArray
    cost: FloatArray
    ground: npt.NDArray[np.object_]


def find_candidates(
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    thinned: Thinned,
    runs: pd.DataFrame,
    must: Stretches,
    *,
    crossings: FloatArray | None,
    avoid: Areas | None,
    rules: PitRules,
    rates: SiteRates,
) -> Candidates:
    """Look at every candidate place in every role.

    Parameters
    ----------
    stations : DataFrame
        Stations with their profile.
    bends : DataFrame
        Judged bends.
    thinned : Thinned
        Thinned axes.
    runs : DataFrame
        Per run: ``diameter``, ``outside`` (carrier), ``radius`` (its least), ``length``, m.
    must : Stretches
        What has to lie in a pit.
    crossings : ndarray, shape (k, 2), optional
        Middles of street intersections; None where no streets were given.
    avoid : Areas, optional
    rules : PitRules
    rates : SiteRates
    """
    table = stations[stations["kind"].isin(CANDIDATE_KINDS)].reset_index(drop=True)
    run = table["run"].to_numpy(dtype=np.int64)
    at = table["chainage"].to_numpy(dtype=float)
    host, outside, radius = (runs[c].to_numpy(dtype=float)[run] for c in _RUN_COLUMNS)
    drop = table["depth"].to_numpy(dtype=float) - host / 2 + rules.resting_height + outside / 2
    sizes = PitSizes(
        ramp=_ramp(drop, radius, rules.ramp),
        half_width=np.maximum(host, outside) / 2 + rules.side_room,
        working=rules.working,
        receiving=rules.receiving,
    )
    axis = Axis(thinned)
    extents = pit_extents(axis, run, at, sizes, must)
    ground = footprints(axis, run, extents, sizes.half_width)
    code = _refusals(table, run, stations, extents, sizes, must, rules)
    gap = _nearest_gap(table, crossings)
    in_crossing = _near_crossings(ground, crossings, rules.clear)
    tolerated = in_crossing & _unavoidable(table, bends, rules)
    code |= np.where(in_crossing & ~tolerated, CROSSING, 0)
    hard, factor, named = _avoided(ground, avoid)
    factor = np.where(tolerated, np.maximum(factor, rates.intersection_factor), factor)
    code |= np.where(hard, AVOID, 0)
    length, volume = _excavation(stations, run, extents, sizes, rules, drop)
    area = shapely.area(ground)
    opened = _opened(run, extents, runs["length"].to_numpy(dtype=float))
    site = (
        np.array(rates.setup)
        + rates.excavation * volume
        + rates.restoration * area
        + rates.open_laying * opened
    )
    cost = np.where(code == 0, site * factor, np.inf)
    table = table.assign(
        drop=drop,
        width=2 * sizes.half_width,
        intersection_distance=gap,
        usable=(code == 0).any(axis=1),
        roles=_role_names(code),
        why=_why(table, bends),
    )
    table["reasons"] = _reasons(table["why"].tolist(), code, named, tolerated, rules)
    offsets = np.searchsorted(run, np.arange(len(runs) + 1)).astype(np.int64)
    return Candidates(table, offsets, extents, length, volume, area, cost, ground)


_RUN_COLUMNS = ("diameter", "outside", "radius")


def _ramp(drop: FloatArray, radius: FloatArray, form: str) -> FloatArray:
    """Return the ramp's length, NaN where no ramp can be had."""
    most = 2.0 if form == "level" else 1.0
    fits = (drop > 0) & (drop <= most * radius)
    length = np.full(len(drop), np.nan)
    length[fits] = insertion_length_m(drop[fits], radius[fits], form=form)
    return length


def _at(stations: pd.DataFrame, run: IntArray, at: FloatArray, column: str) -> FloatArray:
    """Interpolate a column of the stations at chainages of runs, beyond the ends the end's."""
    rows = stations["run"].to_numpy(dtype=np.int64)
    runs = int(max(rows.max(initial=0), run.max(initial=0))) + 1
    places = Places.of(rows, stations["chainage"].to_numpy(dtype=float), runs)
    return places.interpolate(run, at, stations[column].to_numpy(dtype=float))


def _refusals(
    table: pd.DataFrame,
    run: IntArray,
    stations: pd.DataFrame,
    extents: Extents,
    sizes: PitSizes,
    must: Stretches,
    rules: PitRules,
) -> IntTable:
    """Return the refusals that follow from the run itself, as bits, shape (n, 4)."""
    depth = table["depth"].to_numpy(dtype=float)
    deepest = np.stack(
        [
            np.fmax(depth, np.fmax(_at(stations, run, s, "depth"), _at(stations, run, e, "depth")))
            for s, e in zip(extents.start.T, extents.end.T, strict=True)
        ],
        axis=1,
    )
    insertion = np.array([False, True, True, True])
    no_ramp = ~np.isfinite(sizes.ramp)[:, None] & insertion
    runs = np.repeat(run, 4)
    cuts = must.cut_by(runs, extents.start.ravel()) | must.cut_by(runs, extents.end.ravel())
    unknown = ~np.isfinite(depth)[:, None]
    code = np.where(unknown, NO_GROUND, 0)
    code = code | np.where(depth[:, None] <= 0, ABOVE, 0)
    code = code | np.where(deepest > rules.max_depth, DEEP, 0)
    code = code | np.where(no_ramp & ~unknown, RAMP, 0)
    return np.asarray(code | np.where(cuts.reshape(-1, 4), CUTS, 0), dtype=np.int64)


def _near_crossings(
    ground: npt.NDArray[np.object_], crossings: FloatArray | None, clear: float
) -> npt.NDArray[np.bool_]:
    code = np.zeros(ground.size, dtype=bool)
    if crossings is not None and len(crossings) and clear > 0:
        tree = shapely.STRtree(shapely.points(crossings))
        hit = tree.query(ground.ravel(), predicate="dwithin", distance=clear)[0]
        code[hit] = True
    return code.reshape(ground.shape)


def _unavoidable(
    table: pd.DataFrame, bends: pd.DataFrame, rules: PitRules
) -> npt.NDArray[np.bool_]:
    """Return the receiving pits that have to stand where they are, whatever the street.

    At a run's end the carrier is tied in, and a bend that cannot be passed is dug out: the main
    is opened there in any case.
    """
    kind = table["kind"].to_numpy(dtype=object)
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    places = set(zip(blocked["run"], blocked["chainage"].round(3), strict=True))
    keys = zip(table["run"], table["chainage"].round(3), strict=True)
    held = np.array([key in places for key in keys], dtype=bool)
    unavoidable = np.zeros((len(table), 4), dtype=bool)
    unavoidable[:, 0] = rules.receive_in_intersection & ((kind == "end") | held)
    return unavoidable


def _nearest_gap(table: pd.DataFrame, crossings: FloatArray | None) -> FloatArray:
    if crossings is None or not len(crossings):
        return np.full(len(table), np.nan)
    from scipy.spatial import cKDTree

    gap, _ = cKDTree(crossings).query(table[["x", "y"]].to_numpy(dtype=float))
    return np.asarray(gap, dtype=np.float64)


def _avoided(
    ground: npt.NDArray[np.object_], avoid: Areas | None
) -> tuple[npt.NDArray[np.bool_], FloatArray, npt.NDArray[np.object_]]:
    """Return where hard places are hit, the cost factor of soft ones, and what was hit."""
    hard = np.zeros(ground.size, dtype=bool)
    factor = np.ones(ground.size)
    named = np.full(ground.size, "", dtype=object)
    if avoid is not None and len(avoid):
        keep_off = np.nan_to_num(avoid.table["buffer"].to_numpy(dtype=float))
        shapes = np.where(keep_off > 0, shapely.buffer(avoid.geometry, keep_off), avoid.geometry)
        pit, place = shapely.STRtree(shapes).query(ground.ravel(), predicate="intersects")
        is_hard = _flags(avoid.table["hard"])[place]
        weight = avoid.table["weight"].to_numpy(dtype=float)
        weight = np.where(np.isfinite(weight), np.maximum(weight, 1.0), SOFT_WEIGHT)
        hard[pit[is_hard]] = True
        np.maximum.at(factor, pit[~is_hard], weight[place[~is_hard]])
        reason = avoid.table["reason"].to_numpy(dtype=object)
        named[pit[is_hard][::-1]] = reason[place[is_hard]][::-1]
    shape = ground.shape
    return hard.reshape(shape), factor.reshape(shape), named.reshape(shape)


SOFT_WEIGHT = 2.0  # factor on the site cost in a soft place whose layer gives no weight


def _flags(column: pd.Series) -> npt.NDArray[np.bool_]:
    """Read a flag column; what is not said counts as hard, the safe side."""
    return np.array([True if value is None or value != value else bool(value) for value in column])


def _excavation(
    stations: pd.DataFrame,
    run: IntArray,
    extents: Extents,
    sizes: PitSizes,
    rules: PitRules,
    drop: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return length (m) and volume (m3) of every pit, shape (n, 4).

    The carrier in a pit is laid in the open at the host's level: over the run the pit is dug to
    the bedding along its whole length. Where the ramp leaves the run its mean depth is half that
    at the face (exact for two opposed arcs, on the safe side for one).
    """
    opened = extents.end - extents.start
    ends = [
        (_at(stations, run, s, "depth") + _at(stations, run, e, "depth")) / 2
        for s, e in zip(extents.start.T, extents.end.T, strict=True)
    ]
    middle = np.maximum(np.stack(ends, axis=1), 0.0) + rules.bedding
    boxes = extents.box_ahead + extents.box_behind
    off_run = np.maximum(boxes - extents.on_run, 0.0)
    ramp = off_run * np.maximum(drop, 0.0)[:, None] / 2
    width = 2 * sizes.half_width[:, None]
    length = np.maximum(np.maximum(extents.box_ahead, extents.box_behind), opened)
    return length, width * (opened * middle + ramp)


def _opened(run: IntArray, extents: Extents, lengths: FloatArray) -> FloatArray:
    """Return the length of run each pit opens, m, within the run."""
    last = lengths[run][:, None]
    return np.clip(extents.end, 0.0, last) - np.clip(extents.start, 0.0, last)


def _role_names(code: IntTable) -> npt.NDArray[np.object_]:
    free = code == 0
    bits = (free * (1 << np.arange(4))).sum(axis=1)
    names = [", ".join(r for k, r in enumerate(ROLES) if b >> k & 1) for b in range(16)]
    words: npt.NDArray[np.object_] = np.array(names, dtype=object)[bits]
    return words


def _why(table: pd.DataFrame, bends: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return what speaks for a pit here, in words."""
    words = {"end": "end of the run", "edit": "wish of the designer"}
    words |= {kind: kind for kind in ("fitting", "connection")}
    why: npt.NDArray[np.object_] = table["kind"].map(words).fillna("").to_numpy(dtype=object)
    at = {
        (r, round(c, 3)): f"bend of {np.degrees(d):.0f} deg"
        + ("" if ok else " that cannot be passed")
        for r, c, d, ok in zip(
            bends["run"], bends["chainage"], bends["deflection"], bends["passes"], strict=True
        )
    }
    is_bend = np.flatnonzero(table["kind"].to_numpy() == "bend")
    keys = zip(table["run"].to_numpy()[is_bend], table["chainage"].to_numpy()[is_bend], strict=True)
    why[is_bend] = [at.get((r, round(c, 3)), "bend") for r, c in keys]
    return why


def _reasons(
    why: Sequence[str],
    code: IntTable,
    named: npt.NDArray[np.object_],
    tolerated: npt.NDArray[np.bool_],
    rules: PitRules,
) -> list[str]:
    """Write out the reasons for and against; equal cases are worded once."""
    texts: dict[tuple[object, ...], str] = {}
    out = []
    at_price = [any(roles) for roles in tolerated.tolist()]
    for for_it, bits, names, dear in zip(why, code.tolist(), named.tolist(), at_price, strict=True):
        key = (for_it, *bits, *names, dear)
        if key not in texts:
            price = "; at a price: in an intersection as receiving" if dear else ""
            texts[key] = _wording(for_it, bits, names, rules) + price
        out.append(texts[key])
    return out


def _wording(for_it: str, bits: list[int], names: list[str], rules: PitRules) -> str:
    parts = [f"for: {for_it}"] if for_it else []
    for bit, text in enumerate(REFUSALS):
        refused = [role for role, value in zip(ROLES, bits, strict=True) if value >> bit & 1]
        if not refused:
            continue
        shown = text.format(max_depth=rules.max_depth, clear=rules.clear)
        if 1 << bit == AVOID:
            places = sorted({n for n in names if n})
            shown += f" ({', '.join(places)})" if places else ""
        who = "" if len(refused) == len(ROLES) else f" as {', '.join(refused)}"
        parts.append(f"against{who}: {shown}")
    return "; ".join(parts)
