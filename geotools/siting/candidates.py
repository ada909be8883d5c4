"""Candidate pits: every place looked at, with its reasons for and against and its cost."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, rows_of
from geotools.network.words import by_word, worded
from geotools.pipe.pits import bottom_width_m
from geotools.schema import angle_text
from geotools.siting.askew import lanes_askew
from geotools.siting.aslant import find_aslant
from geotools.siting.axis import Axis
from geotools.siting.depths import Depths, Stretch, dug_depths, greatest_within, too_steep
from geotools.siting.digging import dig_pits, ramps_deepest
from geotools.siting.extents import Extents, PitSizes, pit_extents, pit_rooms
from geotools.siting.ground_checks import Avoid, avoided, near_crossings, off_street_area
from geotools.siting.grounds import MITRE, Grounds, Sides, lay_grounds
from geotools.siting.laydown import Laydown, LaydownRules, StringsAsked, find_laydown
from geotools.siting.must import Stretches
from geotools.siting.profile import Profile, steepest
from geotools.siting.ramps import Levels, RampRules, Ramps, fit_ramps, ramp_depths
from geotools.siting.refusals import (
    ABOVE,
    AVOID,
    CLOSES,
    CROSSING,
    CUTS,
    DEEP,
    FALLS,
    RAMP,
    STEEP,
)
from geotools.siting.works import (
    Lanes,
    SiteRates,
    WorkRates,
    lanes_taken,
    lean_of_sides,
    number_in,
    of_classes,
    opened_length,
    pit_days,
    site_cost,
    supported_face,
    traffic_cost,
)
from geotools.street.lanes import Passage
from geotools.street.scene import StreetScene

__all__ = [
    *("CANDIDATE_KINDS", "Candidates", "Judged", "PitRules"),
    *("SiteSettings", "Surroundings", "TwoRamps", "find_candidates"),
]

CANDIDATE_KINDS = ("end", "step", "bend", "fitting", "connection", "edit")
IntTable = npt.NDArray[np.int64]
BoolTable = npt.NDArray[np.bool_]
MILLIMETRE = 1e-3  # m
HAIR = 1e-6  # m; a pit that much deeper than it may be is so by rounding
BENDS = 1.0  # m by which a street or a main may leave a straight line between two stations
_RUN_COLUMNS = ("diameter", "outside", "radius")
# Columns of the candidates that are told of them.
TOLD = ("run", "chainage", "x", "y", "depth", "street_class", "street_name", "why")


@dataclass(frozen=True)
class PitRules:
    """What a pit needs and where it may not lie; m; the settings of the brief's ``pits``."""

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
    passage: Passage
    busy: frozenset[str]


@dataclass(frozen=True)
class SiteSettings:
    """What the brief says of pits, of strings, and of what and how long either takes."""

    pits: PitRules
    strings: LaydownRules
    rates: SiteRates
    work: WorkRates


@dataclass(frozen=True)
class Surroundings:
    """What lies around the runs.

    Attributes
    ----------
    scene : StreetScene, optional
        The streets; None where none were given.
    avoid : Avoid, optional
    levels : callable, optional
        Ground levels at points beside the runs; None where no elevation raster was given.
    digs : DataFrame
        What is remade in a pit over it: ``run``, ``chainage`` (m), ``kind``, ``tie_in``, sorted.
    """

    scene: StreetScene | None
    avoid: Avoid | None
    levels: Levels | None
    digs: pd.DataFrame


@dataclass(frozen=True)
class Judged:
    """Candidates of all runs, sorted by run and chainage: what is told of them.

    Attributes
    ----------
    table : DataFrame
        ``run``, ``chainage``, ``x``, ``y``, ``depth`` (m), ``street_class``, ``street_name`` and
        ``why`` (what speaks for a pit).
    offsets : ndarray of int64, shape (runs + 1,)
    extents : Extents
    cost : ndarray, shape (n, 4)
        Whole cost of a pit, infinite where the role is refused.
    code : ndarray of int64, shape (n, 4)
        What speaks against each role, as bits of `refusals`.
    places : ndarray of str, shape (n, 4)
        Places to avoid that are hit, by their reasons, as of `refusals.APART`.
    tolerated : ndarray of bool, shape (n, 4)
        Roles allowed in an intersection, at a price.
    soft : ndarray of bool, shape (n, 4)
        Roles whose pit meets a soft place, which makes it dearer.
    laydown : Laydown
    lanes : Lanes
    """

    table: pd.DataFrame
    offsets: IntArray
    extents: Extents
    cost: FloatArray
    code: IntTable
    places: npt.NDArray[np.object_]
    tolerated: BoolTable
    soft: BoolTable
    laydown: Laydown
    lanes: Lanes

    def rows(self, wanted: BoolArray) -> IntArray:
        """Return the rows of the runs wanted."""
        return np.flatnonzero(np.repeat(wanted, np.diff(self.offsets)))

    def only(self, wanted: BoolArray) -> Judged:
        """Leave the candidates of the runs wanted and of no others; run numbers stay."""
        rows, counts = self.rows(wanted), np.where(wanted, np.diff(self.offsets), 0)
        return Judged(
            table=self.table.iloc[rows].reset_index(drop=True),
            offsets=offsets_of(counts),
            extents=rows_of(self.extents, rows),
            cost=self.cost[rows],
            code=self.code[rows],
            places=self.places[rows],
            tolerated=self.tolerated[rows],
            soft=self.soft[rows],
            laydown=rows_of(self.laydown, rows),
            lanes=rows_of(self.lanes, rows),
        )


@dataclass(frozen=True)
class TwoRamps:
    """Both ramps of pits that insert both ways, for the pull ahead and the pull behind.

    Each of shape (n, 2): length and drop, m, and slopes as of `pipe.pits`. In one hole both are
    as long as it leaves room for.
    """

    ramp: FloatArray
    drop: FloatArray
    host_slope: FloatArray
    rest_slope: FloatArray


@dataclass(frozen=True)
class Candidates(Judged):
    """Candidates with everything a plan is made from.

    Attributes
    ----------
    table : DataFrame
        Beside what is told: ``width`` (m), ``side_slope``, all columns of the street.
    ramp, drop, host_slope, rest_slope, length, deepest, volume, area, off_street, supported,
    services, remade, valves, tied, days, lane_days, factor, traffic : ndarray, shape (n, 4)
        Length of the ramp (m; of two the longer), its drop (m) and its slopes as of `pipe.pits`,
        not a number where there is no ramp but for the drop; length of the excavation (m), the
        most it is dug, ramps and bedding included (m), its volume (m3), its ground (m2), the
        part of it off the street (m2), its shored face (m2), services tapped off the main in it,
        all connections and all line valves remade in it but for those the run is tied in to, and
        these, days open, lanes closed times days, factor on the site's cost, cost of the traffic;
        of a role that is refused what lies off the street is not worked out.
    two_ways : TwoRamps
    ground : Grounds
    """

    ramp: FloatArray
    drop: FloatArray
    host_slope: FloatArray
    rest_slope: FloatArray
    length: FloatArray
    deepest: FloatArray
    volume: FloatArray
    area: FloatArray
    off_street: FloatArray
    supported: FloatArray
    services: FloatArray
    remade: FloatArray
    valves: FloatArray
    tied: FloatArray
    days: FloatArray
    lane_days: FloatArray
    factor: FloatArray
    traffic: FloatArray
    two_ways: TwoRamps
    ground: Grounds

    def judged(self) -> Judged:
        """Return what is told of the candidates, without what the plan was made from."""
        own = {field.name: getattr(self, field.name) for field in fields(Judged)}
        return Judged(**own | {"table": self.table[list(TOLD)]})


def find_candidates(
    stations: pd.DataFrame,
    bends: pd.DataFrame,
    axis: Axis,
    profile: Profile,
    runs: pd.DataFrame,
    must: Stretches,
    *,
    around: Surroundings,
    settings: SiteSettings,
) -> Candidates:
    """Look at every candidate place in every role.

    Parameters
    ----------
    stations : DataFrame
        Stations with their profile and, where there are streets, their street's columns.
    bends : DataFrame
        Judged bends.
    axis : Axis
    profile : Profile
    runs : DataFrame
        Per run: ``diameter``, ``outside`` (carrier), ``radius`` (its least), ``length``, m, and
        ``pipe_price``, per m of carrier.
    must : Stretches
        What has to lie in a pit.
    around : Surroundings
    settings : SiteSettings
    """
    kept = by_word(stations["kind"], CANDIDATE_KINDS.__contains__)
    table = _with_ground(stations[kept].reset_index(drop=True), profile)
    rules, passage = settings.pits, settings.pits.passage
    pits = _laid_out(table, axis, profile, runs, must, around, settings)
    aslant = find_aslant(table, pits.ground, around.scene, gap=passage.gap)
    if aslant is not None:
        table = aslant.streets(table)
        pits = replace(pits, lanes=aslant.lanes(pits.lanes, passage), aslant=aslant.row)
    verdict = _judged(table, profile, bends, pits, must, around, rules)
    pits, askew = _with_lanes_askew(table, pits, verdict, around.scene, passage)
    verdict = _closed_to(table, pits.lanes, verdict, askew, rules)
    costs = _costed(table, stations, runs, pits, verdict, around, settings)
    return Candidates(
        table=table.assign(
            width=2 * pits.sizes.half_width, side_slope=pits.slope, why=_why(table, bends)
        ),
        offsets=np.searchsorted(pits.run, np.arange(len(runs) + 1)).astype(np.int64),
        extents=pits.extents,
        **_ramps_of_roles(pits),
        two_ways=_two_ramps(pits),
        code=verdict.code,
        places=verdict.places,
        tolerated=verdict.tolerated,
        soft=verdict.soft,
        ground=pits.ground,
        laydown=pits.laydown,
        lanes=pits.lanes,
        **costs,
    )


def _with_lanes_askew(
    table: pd.DataFrame,
    pits: _Pits,
    verdict: _Verdict,
    scene: StreetScene | None,
    passage: Passage,
) -> tuple[_Pits, BoolTable]:
    """Return the pits with the lanes their ground takes askew to the street, and which do so."""
    lanes, askew = lanes_askew(
        table, pits.axis, pits.extents, pits.ground, pits.lanes, scene,
        wanted=verdict.code == 0, passage=passage,
    )  # fmt: skip
    return replace(pits, lanes=lanes), askew


def _with_ground(table: pd.DataFrame, profile: Profile) -> pd.DataFrame:
    """Fill in the ground of places where it is not known, as the profile has it."""
    ground = table["ground_z"].to_numpy(dtype=float).copy()
    lost = np.flatnonzero(np.isnan(ground))
    if not len(lost):
        return table
    rows = table.iloc[lost]
    run, at = rows["run"].to_numpy(dtype=np.int64), rows["chainage"].to_numpy(dtype=float)
    ground[lost] = profile.of("ground_z", profile.between(run, at))
    return table.assign(ground_z=ground)


@dataclass(frozen=True)
class _Pits:
    """The pits laid out at every candidate: arrays of shape (n,).

    ``dug`` is what is dug to the host, ``depths`` how deep that is, ``deepest``, shape (n, 4), the
    most anything is, ramps beside the run and beyond its end included, ``reach``, shape (n, 4),
    half the width at the ground where it is widest, m; ``aslant`` are the rows of those that stand
    aslant in a street.
    """

    run: IntArray
    axis: Axis
    ramps: Ramps
    sizes: PitSizes
    slope: FloatArray
    extents: Extents
    dug: Stretch
    depths: Depths
    deepest: FloatArray
    reach: FloatArray
    ground: Grounds
    lanes: Lanes
    laydown: Laydown
    aslant: IntArray


@dataclass(frozen=True)
class _Verdict:
    """What speaks against each role, shape (n, 4): refusals, places hit, and at what price.

    ``unavoidable`` are the pits that stand where they do whatever the street, and ``spared`` of
    them those that may close a busy one.
    """

    code: IntTable
    places: npt.NDArray[np.object_]
    tolerated: BoolTable
    unavoidable: BoolTable
    spared: BoolTable
    soft: BoolTable
    factor: FloatArray


def _on_street(table: pd.DataFrame, scene: StreetScene | None) -> npt.NDArray[np.bool_]:
    """Return which candidates lie in a street; where no streets were given all are taken to."""
    return np.asarray((table["street_chain"] >= 0).to_numpy() | (scene is None))


def _laid_out(
    table: pd.DataFrame,
    axis: Axis,
    profile: Profile,
    runs: pd.DataFrame,
    must: Stretches,
    around: Surroundings,
    settings: SiteSettings,
) -> _Pits:
    """Lay out the pits of all candidates: sizes, extents, ground, lanes, room for strings."""
    rules, scene = settings.pits, around.scene
    run = table["run"].to_numpy(dtype=np.int64)
    at = table["chainage"].to_numpy(dtype=float)
    host, outside, radius = (runs[c].to_numpy(dtype=float)[run] for c in _RUN_COLUMNS)
    half_width = bottom_width_m(outside, host_m=host, side_room_m=rules.side_room) / 2
    rooms = pit_rooms(run, at, must, working=rules.working, receiving=rules.receiving)
    ramps = fit_ramps(
        axis,
        table,
        profile,
        (rooms.face_after, rooms.face_before),
        host=host,
        outside=outside,
        radius=radius,
        half_width=half_width,
        levels=around.levels,
        rules=RampRules(rules.ramp, rules.working, rules.resting_height, rules.bedding),
    )
    sizes = PitSizes(ramps.length, ramps.shared, half_width, rules.working, rules.receiving)
    extents = pit_extents(axis, run, at, sizes, must)
    dug = Stretch(profile, run, extents.deep_start, extents.deep_end)
    depths = dug_depths(dug, bedding=rules.bedding)
    depth = table["depth"].to_numpy(dtype=float)
    slope = lean_of_sides(depth, support=rules.support, soil=rules.soil)
    reach = half_width[:, None] + slope[:, None] * np.nan_to_num(depths.greatest)
    street = table["street_chain"].to_numpy(dtype=np.int64)
    asked = StringsAsked(street, run, extents, radius, outside / 2)
    laydown = find_laydown(asked, axis, scene, settings.strings, settings.rates)
    return _Pits(
        run=run,
        axis=axis,
        ramps=ramps,
        sizes=sizes,
        slope=slope,
        extents=extents,
        dug=dug,
        depths=depths,
        deepest=np.maximum(depths.greatest, ramps_deepest(extents, ramps, depths.greatest)),
        reach=reach,
        ground=_ground(axis, extents, ramps, half_width, slope, dug, depths),
        lanes=lanes_taken(table, reach, laydown.tops, rules.passage),
        laydown=laydown,
        aslant=np.zeros(0, dtype=np.int64),
    )


def _ground(
    axis: Axis,
    extents: Extents,
    ramps: Ramps,
    half_width: FloatArray,
    slope: FloatArray,
    dug: Stretch,
    depths: Depths,
) -> Grounds:
    """Return the ground of every pit; sides that lean take more, and less along a ramp."""
    if not slope.any():
        return lay_grounds(axis, dug.run, extents, half_width)

    def widths(row: IntArray, from_top: FloatArray, way: int) -> FloatArray:
        place = np.nan_to_num(ramps.length[row, way, None]) - from_top
        known = np.isfinite(ramps.length[row, way])
        deep = np.zeros(place.shape)
        deep[known] = ramp_depths(ramps, row[known], way, place[known])
        return half_width[row, None] + slope[row, None] * deep

    sides = Sides(slope, depths, dug, ramps.rules.bedding, widths)
    return lay_grounds(axis, dug.run, extents, half_width, sides=sides)


def _ramps_of_roles(pits: _Pits) -> dict[str, FloatArray]:
    """Return length, drop and slopes of the ramp of each role: for both ways of the longer one.

    A receiving pit has none; its drop is that on level ground.
    """
    ramps, every = pits.ramps, np.arange(len(pits.run))
    longer = np.argmax(np.nan_to_num(ramps.length), axis=1)
    none = np.full(len(every), np.nan)

    def told(first: FloatArray, one_way: FloatArray, shared: FloatArray) -> FloatArray:
        both = np.where(pits.extents.shared, shared, one_way[every, longer])
        return np.stack([first, *one_way.T, both], axis=1)

    climb, hole = ramps.climb, ramps.shared_climb
    return {
        "ramp": told(none, ramps.length, ramps.shared),
        "drop": told(ramps.level_drop, climb.drop, hole.drop),
        "host_slope": told(none, climb.host_slope, hole.host_slope),
        "rest_slope": told(none, climb.rest_slope, hole.rest_slope),
    }


def _two_ramps(pits: _Pits) -> TwoRamps:
    """Return both ramps of two-way pits: in the hole they share, or each as of a one-way pit."""
    ramps, shared = pits.ramps, pits.extents.shared[:, None]
    climb, hole = ramps.climb, ramps.shared_climbs
    return TwoRamps(
        ramp=np.where(shared, ramps.shared[:, None], ramps.length),
        drop=np.where(shared, hole.drop, climb.drop),
        host_slope=np.where(shared, hole.host_slope, climb.host_slope),
        rest_slope=np.where(shared, hole.rest_slope, climb.rest_slope),
    )


def _judged(
    table: pd.DataFrame,
    profile: Profile,
    bends: pd.DataFrame,
    pits: _Pits,
    must: Stretches,
    around: Surroundings,
    rules: PitRules,
) -> _Verdict:
    """Judge every role of every candidate by all rules of a site but that of `_closed_to`."""
    crossings = None if around.scene is None else around.scene.net.crossing_points
    in_crossing = near_crossings(pits.ground, crossings, rules.clear + rules.spoil_setback)
    unavoidable = _unavoidable(pits, bends, rules)
    tolerated, aslant = in_crossing & unavoidable, np.zeros_like(unavoidable)
    aslant[pits.aslant] = unavoidable[pits.aslant]  # the main crosses the street in any case
    hit, factor, places = avoided(pits.ground, around.avoid, setback=rules.spoil_setback)
    code = _refusals(table, pits, profile, must, rules)
    code |= np.where(in_crossing & ~tolerated, CROSSING, 0) | np.where(hit, AVOID, 0)
    code |= _no_string(pits.laydown)
    return _Verdict(code, places, tolerated, unavoidable, tolerated | aslant, factor > 1, factor)


def _closed_to(
    table: pd.DataFrame, lanes: Lanes, verdict: _Verdict, askew: BoolArray, rules: PitRules
) -> _Verdict:
    """Refuse the pits that would leave a busy street no lane.

    But for those that stand there whatever the street: also where street or main turns, or the
    main lies at an angle to it (``askew``), as where the main crosses it.
    """
    spared = verdict.spared | (askew & verdict.unavoidable)
    shut = _closes(table, lanes, rules) & ~spared
    return replace(verdict, code=verdict.code | np.where(shut, CLOSES, 0))


def _costed(
    table: pd.DataFrame,
    stations: pd.DataFrame,
    runs: pd.DataFrame,
    pits: _Pits,
    verdict: _Verdict,
    around: Surroundings,
    settings: SiteSettings,
) -> dict[str, FloatArray]:
    """Return the quantities and the cost of every role, by the names `Candidates` has for them."""
    extents, scene, rates = pits.extents, around.scene, settings.rates
    hole = dig_pits(
        pits.axis, pits.run, extents, pits.ramps, pits.sizes.half_width, pits.slope, pits.depths,
        wanted=verdict.code == 0,
    )  # fmt: skip
    area = pits.ground.area(verdict.code == 0)
    days = pit_days(hole.volume, area, settings.work)
    # No more than a metre off the main it lies along the street, unless the main crosses that; of
    # a role refused nobody asks.
    leaves = extents.box_ahead + extents.box_behind - extents.on_run > 1.0
    leaves[pits.aslant] = True
    leaves &= verdict.code == 0
    streets = None if scene is None else scene.ground
    leaves |= _may_leave(stations, pits, scene, verdict.code == 0)
    off_street = off_street_area(pits.ground, streets, area, leaves, _on_street(table, scene))
    opened = opened_length(pits.run, extents, runs["length"].to_numpy(dtype=float))
    dear = np.maximum(verdict.factor, rates.intersection_factor)
    factor = np.where(verdict.tolerated, dear, verdict.factor)
    supported = np.zeros(area.shape)
    if settings.pits.support == "shored":
        supported = supported_face(hole.volume, 2 * pits.sizes.half_width[:, None], hole.ends)
    held = _held(around.digs, pits, len(runs))
    site = site_cost(opened, hole.volume, area, off_street, supported, rates) * factor
    traffic = traffic_cost(table["street_class"], pits.lanes, days, rates)
    whole = site + traffic + rates.tie_in + rates.temporary_service * held["services"]
    whole += runs["pipe_price"].to_numpy(dtype=float)[pits.run][:, None] * opened
    whole += rates.connection_in_pit * held["remade"] + rates.valve_in_pit * held["valves"]
    whole += rates.at_end * held["tied"]
    return {
        "length": hole.length,
        "deepest": pits.deepest,
        "volume": hole.volume,
        "area": area,
        "off_street": off_street,
        "supported": supported,
        **held,
        "days": days,
        "lane_days": pits.lanes.taken * days,
        "factor": factor,
        "traffic": traffic,
        "cost": np.where(verdict.code == 0, whole, np.inf),
    }


def _held(digs: pd.DataFrame, pits: _Pits, runs: int) -> dict[str, FloatArray]:
    """Return what lies on the main each pit opens, by the names `Candidates` has for it."""
    kind, valve = digs["kind"].to_numpy(dtype=object), digs["kind"].to_numpy() == "valve"
    tied = digs["tie_in"].to_numpy(dtype=bool)
    kinds = {"services": kind == "lateral", "remade": ~valve & ~tied, "valves": valve, "tied": tied}
    return {name: number_in(digs[own], pits.run, pits.extents, runs) for name, own in kinds.items()}


def _may_leave(
    stations: pd.DataFrame, pits: _Pits, scene: StreetScene | None, wanted: BoolTable
) -> BoolTable:
    """Return which of the pits wanted may take ground off the street: all but those well in it.

    Those are where the main lies in one street from the station before the pit to the one after
    it, and so far inside the edge of the verge that the widest of the pit does as well, with room
    for how street and main bend between stations. In a bend of the main it is widest at the corner.
    """
    may = np.zeros(wanted.shape, dtype=bool)
    row, role = np.nonzero(wanted & (scene is not None))
    if scene is None or not len(row):
        return may
    run, extents = pits.run[row], pits.extents
    at = stations["chainage"].to_numpy(dtype=float)
    places = Places.of(stations["run"].to_numpy(dtype=np.int64), at, int(pits.run.max()) + 1)
    wide = pits.reach[row, role]
    start, end = extents.start[row, role] - wide, extents.end[row, role] + wide
    first = places.holding(run, start)
    count = np.minimum(places.holding(run, end) + 1, places.offsets[run + 1] - 1) - first + 1
    chain = stations["street_chain"].to_numpy(dtype=float)
    past = np.abs(stations["street_offset"].to_numpy(dtype=float))
    past = past - stations["street_width"].to_numpy(dtype=float) / 2
    past = np.where((chain >= 0) & np.isfinite(past), past, np.inf)
    most, high, low = (greatest_within(column, first, count) for column in (past, chain, -chain))
    wide = wide * _mitred(pits, row, role)
    inside = (high == -low) & (most + wide + BENDS <= scene.rules.verge)
    last = at[places.offsets[run + 1] - 1]
    inside &= (extents.start[row, role] > -BENDS) & (extents.end[row, role] < last + BENDS)
    may[row, role] = ~inside
    return may


def _mitred(pits: _Pits, row: IntArray, role: IntArray) -> FloatArray:
    """Return how many times as wide as its sides the ground of pits is at its farthest corner."""
    run, extents = pits.run[row], pits.extents
    first = pits.axis.segment(run, extents.deep_start[row, role])
    last = pits.axis.segment(run, extents.deep_end[row, role], before=True)
    most = greatest_within(pits.axis.mitres(), first + 1, np.maximum(last - first, 0))
    return np.asarray(np.clip(most, 1.0, np.hypot(MITRE, 1.0)), dtype=np.float64)


def _refusals(
    table: pd.DataFrame, pits: _Pits, profile: Profile, must: Stretches, rules: PitRules
) -> IntTable:
    """Return the refusals that follow from the run itself, as bits, shape (n, 4)."""
    run, extents, ramp = pits.run, pits.extents, pits.sizes.ramp
    first, last = (
        profile.table(["ground_z"], run, edge)[0] for edge in (extents.start, extents.end)
    )
    steep = _steepest(table, pits, first, last) > rules.max_slope
    one_way, two_way = np.isfinite(ramp), np.isfinite(ramp.sum(axis=1) + pits.sizes.shared)
    ramps = np.stack([np.ones(len(run), dtype=bool), *one_way.T, two_way], axis=1)
    runs = np.repeat(run, 4)
    cuts = must.cut_by(runs, extents.start.ravel()) | must.cut_by(runs, extents.end.ravel())
    code = np.where(pits.depths.cover < 0, ABOVE, 0)
    # Along a ramp it is the carrier's underside that lies so deep.
    code = code | np.where(pits.depths.invert > rules.max_depth, DEEP, 0)
    code = code | np.where(pits.deepest - rules.bedding > rules.max_depth + HAIR, DEEP, 0)
    code = code | np.where(steep | too_steep(pits.dug, rules.max_slope), STEEP, 0)
    one_falls, any_falls = pits.ramps.falls[:, :2], pits.ramps.falls.any(axis=1)
    falls = np.column_stack([np.zeros(len(run), dtype=bool), one_falls, any_falls])
    code = code | np.where(~ramps, np.where(falls, FALLS, RAMP), 0)
    return np.asarray(code | np.array(CUTS)[cuts.reshape(-1, 4)], dtype=np.int64)


def _steepest(table: pd.DataFrame, pits: _Pits, first: FloatArray, last: FloatArray) -> FloatArray:
    """Return the steepest slope of the ground along every pit, rise over run, shape (n, 4).

    From edge to edge, and from the station to either edge, ramps beyond the run's end included;
    what rises and falls in between is for `too_steep`.
    """
    extents, here = pits.extents, table["ground_z"].to_numpy(dtype=float)[:, None]
    at = table["chainage"].to_numpy(dtype=float)[:, None]
    first, last = _with_ramps(table, pits, first, last)
    return steepest(
        (last - first, extents.end - extents.start),
        (here - first, at - extents.start),
        (last - here, extents.end - at),
    )


def _with_ramps(
    table: pd.DataFrame, pits: _Pits, first: FloatArray, last: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the levels of the ground at the edges of every pit, m, shape (n, 4).

    ``first`` and ``last`` are those on the run. A ramp that goes on beyond the run's end rises
    with the ground there.
    """
    extents, here = pits.extents, table["ground_z"].to_numpy(dtype=float)
    levels = first.copy(), last.copy()
    edges = (extents.start, extents.deep_start), (extents.end, extents.deep_end)
    for way, (level, (edge, deep)) in enumerate(zip(levels, edges, strict=True)):
        beyond = edge[:, way + 1] != deep[:, way + 1]
        level[beyond, way + 1] = (here + pits.ramps.top_rise()[:, way])[beyond]
    return levels


def _closes(table: pd.DataFrame, lanes: Lanes, rules: PitRules) -> BoolTable:
    """Return where a pit would leave a busy street no lane."""
    busy = of_classes(table["street_class"], rules.busy)
    return np.asarray(busy[:, None] & (lanes.left == 0) & (lanes.taken > 0))


def _no_string(laydown: Laydown) -> IntArray:
    """Return as bits why no string can be laid out for the insertion roles."""
    ahead, behind = laydown.lack_ahead, laydown.lack_behind
    return np.stack([np.zeros_like(ahead), ahead, behind, ahead | behind], axis=1)


def _unavoidable(pits: _Pits, bends: pd.DataFrame, rules: PitRules) -> BoolTable:
    """Return the receiving pits that have to stand where they are, whatever the street.

    At a run's end the carrier is tied in, and a bend that cannot be passed is dug out: the main
    is opened there in any case, by a pit that reaches the end or the bend wherever its middle is.
    """
    run, axis = pits.run, pits.axis
    start, end = pits.extents.start[:, 0], pits.extents.end[:, 0]
    ends = (start <= MILLIMETRE) | (end >= axis.chainage[axis.offsets[run + 1] - 1] - MILLIMETRE)
    blocked = bends[~bends["passes"].to_numpy(dtype=bool)]
    of, at = blocked["run"].to_numpy(dtype=np.int64), blocked["chainage"].to_numpy(dtype=float)
    places = Places.of(of, at, 1 + max(int(run.max(initial=0)), int(of.max(initial=0))))
    first = places.search(run, start - MILLIMETRE, "left")
    held = places.search(run, end + MILLIMETRE, "right") > first
    unavoidable = np.zeros((len(run), 4), dtype=bool)
    unavoidable[:, 0] = rules.receive_in_intersection & (ends | held)
    return unavoidable


def _why(table: pd.DataFrame, bends: pd.DataFrame) -> pd.Categorical:
    """Return what speaks for a pit here, in words."""
    words = {"end": "end of the run", "edit": "wish of the designer"}
    words |= {kind: kind for kind in ("fitting", "connection", "bend")}
    places = {kind: place for place, kind in enumerate(words, 1)}
    number = by_word(table["kind"], lambda kind: places.get(kind, 0))
    told = [
        f"bend of {angle_text(turn)} deg" + ("" if passes else " that cannot be passed")
        for turn, passes in zip(bends["deflection"], bends["passes"], strict=True)
    ]
    is_bend = np.flatnonzero(by_word(table["kind"], lambda kind: kind == "bend"))
    bend = _bend_at(table.iloc[is_bend], bends)
    number[is_bend[bend >= 0]] = 1 + len(words) + bend[bend >= 0]
    return worded(np.array(["", *words.values(), *told], dtype=object), number)


def _bend_at(table: pd.DataFrame, bends: pd.DataFrame) -> IntArray:
    """Return the bend each candidate stands at, to the millimetre, or -1."""
    run = table["run"].to_numpy(dtype=np.int64)
    of = bends["run"].to_numpy(dtype=np.int64)
    count = 1 + max(int(run.max(initial=0)), int(of.max(initial=0)))
    places = Places.of(of, bends["chainage"].to_numpy(dtype=float), count)
    row, gap = places.nearest(run, table["chainage"].to_numpy(dtype=float))
    return np.where(gap <= MILLIMETRE, row, -1).astype(np.int64)
