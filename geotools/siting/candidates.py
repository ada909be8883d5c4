"""Candidate pits: every place looked at, with its reasons for and against and its cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.network.bends import Thinned
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.excavation import ENGINEER_DEPTH_M, slope_ratio
from geotools.pipe.pits import insertion_length_m
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents, PitSizes, footprints, pit_extents
from geotools.siting.ground_checks import avoided, near_crossings, nearest_gap, off_street_area
from geotools.siting.laydown import Laydown, LaydownRules, find_laydown
from geotools.siting.must import Stretches
from geotools.siting.refusals import (
    ABOVE,
    AVOID,
    CLOSES,
    CROSSING,
    CUTS,
    DEEP,
    NO_GROUND,
    NO_ROOM,
    RAMP,
    STEEP,
    reason_texts,
    role_names,
)
from geotools.siting.works import (
    Lanes,
    SiteRates,
    WorkRates,
    lanes_taken,
    opened_length,
    pit_days,
    site_cost,
    traffic_cost,
)
from geotools.street.scene import StreetScene

__all__ = [
    "CANDIDATE_KINDS",
    "Candidates",
    "PitRules",
    "drop_to_host",
    "find_candidates",
    "ramp_length",
]

CANDIDATE_KINDS = ("end", "step", "bend", "fitting", "connection", "edit")
IntTable = npt.NDArray[np.int64]
BoolTable = npt.NDArray[np.bool_]
INSERTION = np.array([False, True, True, True])


@dataclass(frozen=True)
class PitRules:
    """What a pit needs and where it may not lie; m; the settings of the brief's ``pits``.

    ``limits`` are the same limits in words, for the reasons told.
    """

    max_depth: float
    max_slope: float
    clear: float
    ramp: str
    resting_height: float
    working: float
    receiving: float
    side_room: float
    bedding: float
    receive_in_intersection: bool
    support: str
    soil: str
    spoil_setback: float
    lateral_gap: float
    busy: frozenset[str]
    limits: dict[str, str]


@dataclass(frozen=True)
class Candidates:
    """Candidates of all runs, sorted by run and chainage.

    Attributes
    ----------
    table : DataFrame
        ``run``, ``chainage``, ``x``, ``y``, ``depth``, ``drop``, ``width``,
        ``intersection_distance`` (m), ``usable``, ``roles``, ``reasons``, ``why``, the street's
        columns, ``lanes_taken``, ``string_room_ahead`` and ``string_room_behind`` (m).
    offsets : ndarray of int64, shape (runs + 1,)
    extents : Extents
    length, volume, area, off_street, days, lane_days, factor, traffic, cost : ndarray,
    shape (n, 4)
        Length of the excavation (m), its volume (m3), its ground (m2), the part of it off the
        street (m2), days open, lanes closed times days, factor on the site's cost, cost of the
        traffic, and whole cost, infinite where the role is refused.
    ground : ndarray of polygons, shape (n, 4)
    laydown : Laydown
    lanes : Lanes
    """

    table: pd.DataFrame
    offsets: IntArray
    extents: Extents
    length: FloatArray
    volume: FloatArray
    area: FloatArray
    off_street: FloatArray
    days: FloatArray
    lane_days: FloatArray
    factor: FloatArray
    traffic: FloatArray
    cost: FloatArray
    ground: npt.NDArray[np.object_]
    laydown: Laydown
    lanes: Lanes


def find_candidates(
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    thinned: Thinned,
    runs: pd.DataFrame,
    must: Stretches,
    *,
    scene: StreetScene | None,
    avoid: Areas | None,
    rules: PitRules,
    strings: LaydownRules,
    rates: SiteRates,
    work: WorkRates,
) -> Candidates:
    """Look at every candidate place in every role.

    Parameters
    ----------
    stations : DataFrame
        Stations with their profile and, where there are streets, their street's columns.
    bends : DataFrame
        Judged bends.
    thinned : Thinned
        Thinned axes.
    runs : DataFrame
        Per run: ``diameter``, ``outside`` (carrier), ``radius`` (its least), ``length``, m.
    must : Stretches
        What has to lie in a pit.
    scene : StreetScene, optional
        The streets; None where none were given.
    avoid : Areas, optional
    rules, strings, rates, work
        Settings of the brief.
    """
    table = stations[stations["kind"].isin(CANDIDATE_KINDS)].reset_index(drop=True)
    table = table.assign(street_class=table["street_class"].astype(object))
    pits = _laid_out(table, thinned, runs, must, scene, rules, strings)
    verdict = _judged(table, stations, bends, pits, must, scene, avoid, rules)
    costs = _costed(table, stations, runs, pits, verdict, scene, rules, rates, work)
    return Candidates(
        table=_told(table, bends, pits, verdict, scene, rules),
        offsets=np.searchsorted(pits.run, np.arange(len(runs) + 1)).astype(np.int64),
        extents=pits.extents,
        ground=pits.ground,
        laydown=pits.laydown,
        lanes=pits.lanes,
        **costs,
    )


def _told(
    table: pd.DataFrame,
    bends: pd.DataFrame,
    pits: _Pits,
    verdict: _Verdict,
    scene: StreetScene | None,
    rules: PitRules,
) -> pd.DataFrame:
    """Add to the places what is told of them: sizes, roles, reasons."""
    room = pits.laydown
    why = _why(table, bends)
    classes = table["street_class"].tolist()
    crossings = None if scene is None else scene.net.crossings
    return table.assign(
        drop=pits.drop,
        width=2 * pits.sizes.half_width,
        intersection_distance=nearest_gap(table[["x", "y"]].to_numpy(dtype=float), crossings),
        usable=(verdict.code == 0).any(axis=1),
        roles=role_names(verdict.code),
        why=why,
        reasons=reason_texts(
            why.tolist(), verdict.code, verdict.places, classes, verdict.tolerated, rules.limits
        ),
        side_slope=pits.slope,
        lanes_taken=pits.lanes.taken[:, 0],
        string_room_ahead=np.where(np.isfinite(room.room_ahead), room.room_ahead, np.nan),
        string_room_behind=np.where(np.isfinite(room.room_behind), room.room_behind, np.nan),
    )


@dataclass(frozen=True)
class _Pits:
    """The pits laid out at every candidate: arrays of shape (n,), ``ground`` (n, 4)."""

    run: IntArray
    drop: FloatArray
    sizes: PitSizes
    slope: FloatArray
    extents: Extents
    ground: npt.NDArray[np.object_]
    lanes: Lanes
    laydown: Laydown


@dataclass(frozen=True)
class _Verdict:
    """What speaks against each role, shape (n, 4): refusals, places hit, and at what price."""

    code: IntTable
    places: npt.NDArray[np.object_]
    tolerated: BoolTable
    factor: FloatArray


def _slope(depth: FloatArray, rules: PitRules) -> FloatArray:
    """Return how far the sides of each pit lean out for each metre up; 0 where it is shored."""
    if rules.support == "shored":
        return np.zeros(len(depth))
    known = np.isfinite(depth) & (depth > 0)
    slope = np.zeros(len(depth))
    # Beyond, the table ends and an engineer designs the sides: a finding says so.
    slope[known] = slope_ratio(rules.soil, np.minimum(depth[known], ENGINEER_DEPTH_M))
    return slope


def _on_street(table: pd.DataFrame, scene: StreetScene | None) -> npt.NDArray[np.bool_]:
    """Return which candidates lie in a street; where no streets were given all are taken to."""
    return np.asarray((table["street_chain"] >= 0).to_numpy() | (scene is None))


def _laid_out(
    table: pd.DataFrame,
    thinned: Thinned,
    runs: pd.DataFrame,
    must: Stretches,
    scene: StreetScene | None,
    rules: PitRules,
    strings: LaydownRules,
) -> _Pits:
    """Lay out the pits of all candidates: sizes, extents, ground, lanes, room for strings."""
    run = table["run"].to_numpy(dtype=np.int64)
    host, outside, radius = (runs[c].to_numpy(dtype=float)[run] for c in _RUN_COLUMNS)
    drop = drop_to_host(
        table["depth"].to_numpy(dtype=float), host, outside, resting=rules.resting_height
    )
    sizes = PitSizes(
        ramp=ramp_length(drop, radius, rules.ramp),
        half_width=np.maximum(host, outside) / 2 + rules.side_room,
        working=rules.working,
        receiving=rules.receiving,
    )
    axis = Axis(thinned)
    extents = pit_extents(axis, run, table["chainage"].to_numpy(dtype=float), sizes, must)
    depth = table["depth"].to_numpy(dtype=float)
    slope = _slope(depth, rules)
    spread = slope * np.maximum(np.nan_to_num(depth), 0.0)
    ground = footprints(axis, run, extents, sizes.half_width)
    if rules.support == "sloped":
        ground = shapely.buffer(ground, spread[:, None], join_style="mitre")
    street = table["street_chain"].to_numpy(dtype=np.int64)
    laydown = find_laydown(street, scene, axis, run, extents, radius, outside / 2, strings)
    lanes = lanes_taken(table, sizes.half_width + spread, laydown.tops, gap=rules.lateral_gap)
    return _Pits(
        run=run,
        drop=drop,
        sizes=sizes,
        slope=slope,
        extents=extents,
        ground=ground,
        lanes=lanes,
        laydown=laydown,
    )


def _judged(
    table: pd.DataFrame,
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    pits: _Pits,
    must: Stretches,
    scene: StreetScene | None,
    avoid: Areas | None,
    rules: PitRules,
) -> _Verdict:
    """Judge every role of every candidate by all rules of a site."""
    crossings = None if scene is None else scene.net.crossings
    in_crossing = near_crossings(pits.ground, crossings, rules.clear + rules.spoil_setback)
    tolerated = in_crossing & _unavoidable(table, bends, rules)
    hit, factor, places = avoided(pits.ground, avoid, setback=rules.spoil_setback)
    code = _refusals(table, pits.run, stations, pits.extents, pits.sizes, must, rules)
    code |= np.where(in_crossing & ~tolerated, CROSSING, 0) | np.where(hit, AVOID, 0)
    code |= np.where(_closes(table, pits.lanes, rules) & ~tolerated, CLOSES, 0)
    code |= np.where(_no_room(pits.laydown), NO_ROOM, 0)
    return _Verdict(code, places, tolerated, factor)


def _costed(
    table: pd.DataFrame,
    stations: pd.DataFrame,
    runs: pd.DataFrame,
    pits: _Pits,
    verdict: _Verdict,
    scene: StreetScene | None,
    rules: PitRules,
    rates: SiteRates,
    work: WorkRates,
) -> dict[str, FloatArray]:
    """Return the quantities and the cost of every role, by the names `Candidates` has for them."""
    extents = pits.extents
    length, volume = _excavation(stations, pits, rules)
    area = np.asarray(shapely.area(pits.ground), dtype=np.float64)
    days = pit_days(volume, area, work)
    leaves = extents.box_ahead + extents.box_behind - extents.on_run > 1.0
    corridors = np.zeros(0, dtype=object) if scene is None else scene.ground
    off_street = off_street_area(pits.ground, corridors, leaves, _on_street(table, scene))
    opened = opened_length(pits.run, extents, runs["length"].to_numpy(dtype=float))
    dear = np.maximum(verdict.factor, rates.intersection_factor)
    factor = np.where(verdict.tolerated, dear, verdict.factor)
    site = site_cost(opened, volume, area, off_street, rates) * factor
    classes = table["street_class"].to_numpy(dtype=object)
    traffic = traffic_cost(classes, pits.lanes, days, rates)
    return {
        "length": length,
        "volume": volume,
        "area": area,
        "off_street": off_street,
        "days": days,
        "lane_days": pits.lanes.taken * days,
        "factor": factor,
        "traffic": traffic,
        "cost": np.where(verdict.code == 0, site + traffic, np.inf),
    }


_RUN_COLUMNS = ("diameter", "outside", "radius")


def drop_to_host(
    depth: FloatArray, host: FloatArray, outside: FloatArray, *, resting: float
) -> FloatArray:
    """Return the height from the axis of the resting string to that of the host, m.

    Depth is that of the invert; the string rests with its underside ``resting`` above ground.
    """
    return np.asarray(depth - host / 2 + resting + outside / 2, dtype=np.float64)


def ramp_length(drop: FloatArray, radius: FloatArray, form: str) -> FloatArray:
    """Return the ramp's length, m, NaN where no ramp can be had."""
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
    edges = list(zip(extents.start.T, extents.end.T, strict=True))
    deepest = np.stack(
        [
            np.fmax(depth, np.fmax(_at(stations, run, s, "depth"), _at(stations, run, e, "depth")))
            for s, e in edges
        ],
        axis=1,
    )
    rise = np.stack(
        [_at(stations, run, e, "ground_z") - _at(stations, run, s, "ground_z") for s, e in edges],
        axis=1,
    )
    slope = np.abs(np.nan_to_num(rise)) / np.maximum(extents.end - extents.start, 1e-6)
    unknown = ~np.isfinite(depth)[:, None]
    no_ramp = ~np.isfinite(sizes.ramp)[:, None] & INSERTION
    runs = np.repeat(run, 4)
    cuts = must.cut_by(runs, extents.start.ravel()) | must.cut_by(runs, extents.end.ravel())
    code = np.where(unknown, NO_GROUND, 0)
    code = code | np.where(depth[:, None] <= 0, ABOVE, 0)
    code = code | np.where(deepest > rules.max_depth, DEEP, 0)
    code = code | np.where(slope > rules.max_slope, STEEP, 0)
    code = code | np.where(no_ramp & ~unknown, RAMP, 0)
    return np.asarray(code | np.where(cuts.reshape(-1, 4), CUTS, 0), dtype=np.int64)


def _closes(table: pd.DataFrame, lanes: Lanes, rules: PitRules) -> BoolTable:
    """Return where a pit would leave a busy street no lane."""
    busy = table["street_class"].isin(rules.busy).to_numpy()
    return np.asarray(busy[:, None] & (lanes.left == 0) & (lanes.taken > 0))


def _no_room(laydown: Laydown) -> BoolTable:
    """Return the insertion roles for which no string can be laid out."""
    ahead, behind = laydown.pieces_ahead < 1, laydown.pieces_behind < 1
    none = np.zeros(len(ahead), dtype=bool)
    return np.stack([none, ahead, behind, ahead | behind], axis=1)


def _unavoidable(table: pd.DataFrame, bends: pd.DataFrame, rules: PitRules) -> BoolTable:
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


def _excavation(
    stations: pd.DataFrame, pits: _Pits, rules: PitRules
) -> tuple[FloatArray, FloatArray]:
    """Return length (m) and volume (m3) of every pit, shape (n, 4).

    The carrier in a pit is laid in the open at the host's level: over the run the pit is dug to
    the bedding along its whole length. Where the ramp leaves the run its mean depth is half that
    at the face (exact for two opposed arcs, on the safe side for one). Sides leaning m:1 add to
    a pit b wide and l long, h1 and h2 deep at its ends: m l (h1^2 + h1 h2 + h2^2)/3 along it,
    m b (h1^2 + h2^2)/2 at its ends and (2/3) m^2 (h1^3 + h2^3) in its corners; for one depth H
    the prismoidal m H^2 (b + l) + (4/3) m^2 H^3.
    """
    extents, run = pits.extents, pits.run
    opened = extents.end - extents.start
    first, last = (
        np.maximum(np.stack([_at(stations, run, at, "depth") for at in edge.T], axis=1), 0.0)
        + rules.bedding
        for edge in (extents.start, extents.end)
    )
    middle = (first + last) / 2
    boxes = extents.box_ahead + extents.box_behind
    off_run = np.maximum(boxes - extents.on_run, 0.0)
    ramp = off_run * np.maximum(pits.drop, 0.0)[:, None] / 2
    width = 2 * pits.sizes.half_width[:, None]
    length = np.maximum(np.maximum(extents.box_ahead, extents.box_behind), opened)
    lean = pits.slope[:, None]
    sides = lean * opened * (first**2 + first * last + last**2) / 3
    sides = sides + lean * width * (first**2 + last**2) / 2
    sides = sides + 2 / 3 * lean**2 * (first**3 + last**3)
    return length, width * (opened * middle + ramp) + sides


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
