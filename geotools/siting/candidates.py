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
from geotools.siting.axis import Axis
from geotools.siting.extents import Extents, PitSizes, footprints, pit_extents, pit_rooms
from geotools.siting.ground_checks import avoided, near_crossings, nearest_gap, off_street_area
from geotools.siting.laydown import Laydown, LaydownRules, find_laydown
from geotools.siting.must import Stretches
from geotools.siting.overlap import shared_volumes
from geotools.siting.ramps import (
    Levels,
    RampRules,
    Ramps,
    fit_ramps,
    ramp_depths,
    ramp_volumes,
)
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
    services_in,
    site_cost,
    supported_face,
    traffic_cost,
)
from geotools.street.scene import StreetScene

__all__ = ["CANDIDATE_KINDS", "Candidates", "PitRules", "find_candidates"]

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
        ``run``, ``chainage``, ``x``, ``y``, ``depth``, ``width``,
        ``intersection_distance`` (m), ``usable``, ``roles``, ``reasons``, ``why``, the street's
        columns, ``lanes_taken``, ``string_room_ahead`` and ``string_room_behind`` (m),
        ``string_day_ahead`` and ``string_day_behind``.
    offsets : ndarray of int64, shape (runs + 1,)
    extents : Extents
    drop, length, volume, area, off_street, supported, services, days, lane_days, factor, traffic,
    cost : ndarray, shape (n, 4)
        Axis of the resting string down to the host's (m; for the longer ramp), length of the
        excavation (m), its volume (m3), its ground (m2), the part of it off the street (m2), its
        shored face (m2), services tapped off the main in it, days open, lanes closed times days,
        factor on the site's cost, cost of the traffic, and whole cost, infinite where the role is
        refused.
    code : ndarray of int64, shape (n, 4)
        What speaks against each role, as bits of `refusals`.
    places : ndarray of str, shape (n, 4)
        Place to avoid that is hit.
    ground : ndarray of polygons, shape (n, 4)
    laydown : Laydown
    lanes : Lanes
    """

    table: pd.DataFrame
    offsets: IntArray
    extents: Extents
    drop: FloatArray
    length: FloatArray
    volume: FloatArray
    area: FloatArray
    off_street: FloatArray
    supported: FloatArray
    services: FloatArray
    days: FloatArray
    lane_days: FloatArray
    factor: FloatArray
    traffic: FloatArray
    cost: FloatArray
    code: IntTable
    places: npt.NDArray[np.object_]
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
    levels: Levels | None,
    services: pd.DataFrame,
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
    levels : callable, optional
        Ground levels at points beside the runs; None where no elevation raster was given.
    services : DataFrame
        Service connections: ``run``, ``chainage`` (m), sorted by both.
    rules, strings, rates, work
        Settings of the brief.
    """
    table = stations[stations["kind"].isin(CANDIDATE_KINDS)].reset_index(drop=True)
    table = table.assign(street_class=table["street_class"].astype(object))
    pits = _laid_out(table, stations, thinned, runs, must, scene, levels, rules, strings, rates)
    verdict = _judged(table, stations, bends, pits, must, scene, avoid, rules)
    costs = _costed(table, stations, runs, pits, verdict, scene, services, rules, rates, work)
    return Candidates(
        table=_told(table, bends, pits, verdict, scene, rules),
        offsets=np.searchsorted(pits.run, np.arange(len(runs) + 1)).astype(np.int64),
        extents=pits.extents,
        drop=_drops(pits),
        code=verdict.code,
        places=verdict.places,
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
        string_day_ahead=_listed(room.day_ahead),
        string_day_behind=_listed(room.day_behind),
    )


def _listed(day: FloatArray) -> npt.NDArray[np.object_]:
    """Return what one string costs a day, two cost, and so on, in a row as far as it is finite."""
    cases, of = np.unique(day, axis=0, return_inverse=True)
    texts = [" ".join(f"{v:.10g}" for v in case[np.isfinite(case)]) for case in cases]
    words: npt.NDArray[np.object_] = np.array(texts, dtype=object)[of.ravel()]
    return words


@dataclass(frozen=True)
class _Pits:
    """The pits laid out at every candidate: arrays of shape (n,), ``ground`` (n, 4)."""

    run: IntArray
    axis: Axis
    ramps: Ramps
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
    stations: pd.DataFrame,
    thinned: Thinned,
    runs: pd.DataFrame,
    must: Stretches,
    scene: StreetScene | None,
    levels: Levels | None,
    rules: PitRules,
    strings: LaydownRules,
    rates: SiteRates,
) -> _Pits:
    """Lay out the pits of all candidates: sizes, extents, ground, lanes, room for strings."""
    run = table["run"].to_numpy(dtype=np.int64)
    at = table["chainage"].to_numpy(dtype=float)
    host, outside, radius = (runs[c].to_numpy(dtype=float)[run] for c in _RUN_COLUMNS)
    half_width = np.maximum(host, outside) / 2 + rules.side_room
    axis = Axis(thinned)
    rooms = pit_rooms(run, at, must, working=rules.working, receiving=rules.receiving)
    ramps = fit_ramps(
        axis,
        table,
        stations,
        (rooms.face_after, rooms.face_before),
        host=host,
        outside=outside,
        radius=radius,
        half_width=half_width,
        levels=levels,
        rules=RampRules(rules.ramp, rules.working, rules.resting_height, rules.bedding),
    )
    sizes = PitSizes(ramps.length, ramps.shared, half_width, rules.working, rules.receiving)
    extents = pit_extents(axis, run, at, sizes, must)
    depth = table["depth"].to_numpy(dtype=float)
    slope = _slope(depth, rules)
    spread = slope * np.maximum(np.nan_to_num(depth), 0.0)
    street = table["street_chain"].to_numpy(dtype=np.int64)
    laydown = find_laydown(street, scene, axis, run, extents, radius, outside / 2, strings, rates)
    return _Pits(
        run=run,
        axis=axis,
        ramps=ramps,
        sizes=sizes,
        slope=slope,
        extents=extents,
        ground=_ground(axis, run, extents, ramps, half_width, slope, spread),
        lanes=lanes_taken(table, half_width + spread, laydown.tops, gap=rules.lateral_gap),
        laydown=laydown,
    )


def _ground(
    axis: Axis,
    run: IntArray,
    extents: Extents,
    ramps: Ramps,
    half_width: FloatArray,
    slope: FloatArray,
    spread: FloatArray,
) -> npt.NDArray[np.object_]:
    """Return the ground of every pit; sides that lean take more, and less along a ramp."""
    if not slope.any():
        return footprints(axis, run, extents, half_width)

    def widths(row: IntArray, from_top: FloatArray, way: int) -> FloatArray:
        place = np.nan_to_num(ramps.length[row, way, None]) - from_top
        known = np.isfinite(ramps.length[row, way])
        deep = np.zeros(place.shape)
        deep[known] = ramp_depths(ramps, row[known], way, place[known])
        return half_width[row, None] + slope[row, None] * deep

    return footprints(axis, run, extents, half_width, spread=spread, widths=widths)


def _drops(pits: _Pits) -> FloatArray:
    """Return the drop of each role, m: for both ways that of the longer ramp."""
    ahead, behind = pits.ramps.drop.T
    both = np.where(pits.extents.shared, pits.ramps.shared_drop, np.fmax(ahead, behind))
    return np.stack([pits.ramps.level_drop, ahead, behind, both], axis=1)


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
    code = _refusals(table, pits, stations, must, rules)
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
    services: pd.DataFrame,
    rules: PitRules,
    rates: SiteRates,
    work: WorkRates,
) -> dict[str, FloatArray]:
    """Return the quantities and the cost of every role, by the names `Candidates` has for them."""
    extents = pits.extents
    length, volume, ends = _excavation(stations, pits, rules, verdict.code == 0)
    area = np.asarray(shapely.area(pits.ground), dtype=np.float64)
    days = pit_days(volume, area, work)
    leaves = extents.box_ahead + extents.box_behind - extents.on_run > 1.0
    corridors = np.zeros(0, dtype=object) if scene is None else scene.ground
    off_street = off_street_area(pits.ground, corridors, leaves, _on_street(table, scene))
    opened = opened_length(pits.run, extents, runs["length"].to_numpy(dtype=float))
    dear = np.maximum(verdict.factor, rates.intersection_factor)
    factor = np.where(verdict.tolerated, dear, verdict.factor)
    supported = np.zeros(volume.shape)
    if rules.support == "shored":
        supported = supported_face(volume, 2 * pits.sizes.half_width[:, None], ends)
    fed = services_in(services, pits.run, extents, len(runs))
    site = site_cost(opened, volume, area, off_street, supported, rates) * factor
    classes = table["street_class"].to_numpy(dtype=object)
    traffic = traffic_cost(classes, pits.lanes, days, rates)
    return {
        "length": length,
        "volume": volume,
        "area": area,
        "off_street": off_street,
        "supported": supported,
        "services": fed,
        "days": days,
        "lane_days": pits.lanes.taken * days,
        "factor": factor,
        "traffic": traffic,
        "cost": np.where(verdict.code == 0, site + traffic + rates.temporary_service * fed, np.inf),
    }


_RUN_COLUMNS = ("diameter", "outside", "radius")


def _at(stations: pd.DataFrame, run: IntArray, at: FloatArray, column: str) -> FloatArray:
    """Interpolate a column of the stations at chainages of runs, beyond the ends the end's."""
    rows = stations["run"].to_numpy(dtype=np.int64)
    runs = int(max(rows.max(initial=0), run.max(initial=0))) + 1
    places = Places.of(rows, stations["chainage"].to_numpy(dtype=float), runs)
    return places.interpolate(run, at, stations[column].to_numpy(dtype=float))


def _refusals(
    table: pd.DataFrame, pits: _Pits, stations: pd.DataFrame, must: Stretches, rules: PitRules
) -> IntTable:
    """Return the refusals that follow from the run itself, as bits, shape (n, 4)."""
    run, extents, ramp = pits.run, pits.extents, pits.sizes.ramp
    depth = table["depth"].to_numpy(dtype=float)
    edges = list(zip(extents.start.T, extents.end.T, strict=True))
    deepest = np.stack(
        [
            np.fmax(depth, np.fmax(_at(stations, run, s, "depth"), _at(stations, run, e, "depth")))
            for s, e in edges
        ],
        axis=1,
    )
    slope = np.abs(_rises(table, pits, stations)) / np.maximum(extents.end - extents.start, 1e-6)
    unknown = ~np.isfinite(depth)[:, None]
    one_way, two_way = np.isfinite(ramp), np.isfinite(ramp.sum(axis=1) + pits.sizes.shared)
    ramps = np.stack([np.ones(len(run), dtype=bool), *one_way.T, two_way], axis=1)
    runs = np.repeat(run, 4)
    cuts = must.cut_by(runs, extents.start.ravel()) | must.cut_by(runs, extents.end.ravel())
    code = np.where(unknown, NO_GROUND, 0)
    code = code | np.where(depth[:, None] <= 0, ABOVE, 0)
    code = code | np.where(deepest > rules.max_depth, DEEP, 0)
    code = code | np.where(slope > rules.max_slope, STEEP, 0)
    code = code | np.where(~ramps & ~unknown, RAMP, 0)
    return np.asarray(code | np.where(cuts.reshape(-1, 4), CUTS, 0), dtype=np.int64)


def _rises(table: pd.DataFrame, pits: _Pits, stations: pd.DataFrame) -> FloatArray:
    """Return the rise of the ground along every pit, m, shape (n, 4); 0 where it is unknown.

    A ramp that goes on beyond the run's end rises with the ground there.
    """
    run, extents = pits.run, pits.extents
    levels = [
        np.stack([_at(stations, run, at, "ground_z") for at in edge.T], axis=1)
        for edge in (extents.start, extents.end)
    ]
    here = table["ground_z"].to_numpy(dtype=float)
    for edge, deep, level, way in (
        (extents.start, extents.deep_start, levels[0], 0),
        (extents.end, extents.deep_end, levels[1], 1),
    ):
        beyond = edge[:, way + 1] != deep[:, way + 1]
        level[beyond, way + 1] = (here + pits.ramps.top_rise()[:, way])[beyond]
    return np.nan_to_num(levels[1] - levels[0])


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
    stations: pd.DataFrame, pits: _Pits, rules: PitRules, wanted: BoolTable
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return length (m), volume (m3) and summed depth of the ends (m) of every pit, shape (n, 4).

    The carrier in a pit is laid in the open at the host's level: what is opened of the run, and
    the room at the station, is dug to the bedding along its whole length. What of a ramp lies
    beside the run or beyond its end is dug as deep as the carrier comes down and no deeper. Sides
    leaning m:1 add to a pit b wide and l long, h1 and h2 deep at its ends: m l (h1^2 + h1 h2 +
    h2^2)/3 along it, m b (h1^2 + h2^2)/2 at its ends and (2/3) m^2 (h1^3 + h2^3) in its corners,
    for one depth H the prismoidal m H^2 (b + l) + (4/3) m^2 H^3; an end where the ramp goes
    straight on has no face and no slope of its own. At a bend the ramp counts from its foot, and
    what it shares with the stretch is taken off, of the roles ``wanted``.
    """
    extents, run = pits.extents, pits.run
    opened = extents.deep_end - extents.deep_start
    first, last = (
        np.maximum(np.stack([_at(stations, run, at, "depth") for at in edge.T], axis=1), 0.0)
        + rules.bedding
        for edge in (extents.deep_start, extents.deep_end)
    )
    width = 2 * pits.sizes.half_width[:, None]
    whole = extents.end - extents.start
    length = np.maximum(np.maximum(extents.box_ahead, extents.box_behind), whole)
    lean = pits.slope[:, None]
    sides = lean * opened * (first**2 + first * last + last**2) / 3
    ends = np.zeros(length.shape)
    for depth, edge, deep in (
        (first, extents.start, extents.deep_start),
        (last, extents.end, extents.deep_end),
    ):
        closed = edge == deep
        slope = lean * closed
        ends = ends + depth * closed
        sides = sides + slope * width * depth**2 / 2 + 2 / 3 * slope**2 * depth**3
    stretch = width * opened * (first + last) / 2 + sides
    begins = _begins(pits)
    # At a bend; beyond the run's end the ramp goes straight on from where the stretch ends.
    meets = (np.isfinite(begins[0]) | np.isfinite(begins[1])) & wanted
    meets &= (extents.start == extents.deep_start) & (extents.end == extents.deep_end)
    begins = tuple(np.where(meets, np.minimum(begin, 0.0), begin) for begin in begins)
    ramps = _ramps_dug(pits, begins)
    shared = shared_volumes(
        pits.axis, run, extents, begins, (first + last) / 2, pits.sizes.half_width, pits.slope,
        pits.ramps, meets,
    )  # fmt: skip
    return length, stretch + np.maximum(ramps - shared, 0.0), ends


def _begins(pits: _Pits) -> tuple[FloatArray, ...]:
    """Return where ramps ahead and behind leave the run, m from their foot; NaN where none does."""
    extents, ramps = pits.extents, pits.ramps
    out = []
    for way, box in enumerate((extents.box_ahead, extents.box_behind)):
        # The ramp of a two-way pit at a bend leaves the run where that of a one-way pit does.
        one_way = way + 1
        begins = extents.on_run[:, one_way] - (box[:, one_way] - ramps.length[:, way])
        bare = (box > 0) & (extents.deep_end - extents.deep_start < box - 1e-6)
        out.append(np.where(bare, begins[:, None], np.nan))
    return tuple(out)


def _ramps_dug(pits: _Pits, begins: tuple[FloatArray, ...]) -> FloatArray:
    """Return the volume of what of the ramps is not over the run, m3, shape (n, 4)."""
    out = np.zeros(pits.extents.start.shape)
    for way, begin in enumerate(begins):
        row, role = np.nonzero(np.isfinite(begin))
        out[row, role] += ramp_volumes(
            pits.ramps,
            row,
            way,
            begin[row, role],
            2 * pits.sizes.half_width[row],
            pits.slope[row],
        )
    return out


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
