"""Quick estimate of every run with each carrier it may have: pits, room for strings, cost."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.layout.attempt import Equipped, equip
from geotools.layout.rules import friction_band_of, pull_costs, site_rates, work_rates
from geotools.layout.shared import Shared
from geotools.layout.winners import winners
from geotools.network.ragged import BoolArray, FloatArray, IntArray
from geotools.network.stretches import EDGE, Stretches
from geotools.pipe.excavation import end_volume_m3, pit_volume_m3, top_size_m
from geotools.pipe.fusion import piece_count
from geotools.pulls.optimise import PullCosts, pull_cost, string_count
from geotools.screening.ends import Closed, close_pits, free_room
from geotools.screening.quick import (
    OpenCutRates,
    count_pits,
    gaps_between,
    open_cut_cost,
    pits_by_kind,
    pulls_past,
    reach_by_force,
)
from geotools.screening.steep import PitGround, look_along, steepest_needed
from geotools.siting.further import larger_pipe
from geotools.siting.ramps import drop_to_host
from geotools.siting.settle import ramp_length
from geotools.siting.works import (
    lanes_taken,
    lean_of_sides,
    pit_days,
    site_cost,
    supported_face,
    traffic_cost,
)
from geotools.street.lanes import Passage
from geotools.street.laydown import longest_pull, pieces_per_string

__all__ = [
    "Estimate",
    "Surroundings",
    "cost_of_services",
    "estimate_open_cut",
    "estimate_runs",
    "service_prices",
    "station_lengths",
    "surroundings",
]

PLACES_WITH_ROOM = 0.25  # share of the places along a run that have the room told, or more


@dataclass(frozen=True)
class Surroundings:
    """What does not depend on the carrier, per run.

    Attributes
    ----------
    depth : ndarray
        Mean depth to the invert, m, assumed cover included.
    lane_day, trench_lane_day : ndarray
        Cost of the lanes a pit takes, and those an upright trench as wide at the bottom does, a
        day, mean along the run.
    dig_cost, dig_count : ndarray
        Digs between the ends of the run: their cost and number.
    end_cost, pit_cost : ndarray
        What is remade or fed costs in the pits at the ends, and of those digs if all lay in pits.
    pit_ground : PitGround
        How steep the ground of a pit is along the run.
    """

    depth: FloatArray
    lane_day: FloatArray
    trench_lane_day: FloatArray
    dig_cost: FloatArray
    dig_count: IntArray
    end_cost: FloatArray
    pit_cost: FloatArray
    pit_ground: PitGround


@dataclass(frozen=True)
class Estimate:
    """Every run with one carrier, shape (n,); NaN where it has none.

    ``unpassed`` counts bends the carrier does not pass, ``room`` is that for strings (m,
    infinite where no streets are known), ``steepness`` is the slope of the steepest ground that
    a pit is needed on, ``cost`` NaN where no ramp can be had, ``pulled`` the share of the length
    that lies between pits.
    """

    pipe: IntArray
    unpassed: FloatArray
    room: FloatArray
    longest: FloatArray
    pits: FloatArray
    steepness: FloatArray
    cost: FloatArray
    pulled: FloatArray


def surroundings(ground: Shared) -> Surroundings:
    """Gather what the quick estimate needs to know of every run, whatever its carrier."""
    brief, stations, runs = ground.brief, ground.stations, len(ground.runs.table)
    run = stations["run"].to_numpy(dtype=np.int64)
    width = station_lengths(ground)
    depth = stations["depth"].to_numpy(dtype=float)
    host = ground.runs.table["diameter"].to_numpy(dtype=float)
    known = np.isfinite(depth)
    total = np.bincount(run, np.where(known, depth * width, 0.0), minlength=runs)
    over = np.bincount(run, known * width, minlength=runs)
    mean = np.where(over > 0, total / np.maximum(over, 1e-9), brief.ground.assumed_cover + host)
    digs = ground.digs
    of, at = digs["run"].to_numpy(dtype=np.int64), digs["chainage"].to_numpy(dtype=float)
    end = brief.pits.receiving_length / 2
    length = ground.runs.table["length"].to_numpy(dtype=float)
    between = (at > end + EDGE) & (at < length[of] - end - EDGE)
    on_pull = (digs["cost"] + digs["temporary"]).to_numpy(dtype=float)
    in_pit = (digs["in_pit"] + digs["temporary"]).to_numpy(dtype=float)
    upright = host[run] / 2 + brief.pits.side_room
    here = np.where(known, depth, mean[run])
    lean = _leans(here, brief) * (np.maximum(here, 0.0) + brief.pits.bedding)

    def summed(each: FloatArray, where: BoolArray) -> FloatArray:
        return np.bincount(of, each * where, minlength=runs).astype(np.float64)

    return Surroundings(
        depth=mean,
        lane_day=_lane_days(ground, run, width, upright + lean),
        trench_lane_day=_lane_days(ground, run, width, upright),
        dig_cost=summed(on_pull, between),
        dig_count=np.bincount(of, between, minlength=runs).astype(np.int64),
        end_cost=summed(in_pit, ~between),
        pit_cost=summed(in_pit, between),
        pit_ground=look_along(ground),
    )


def station_lengths(ground: Shared) -> FloatArray:
    """Return the length of run each station stands for, m: half the way to its neighbours."""
    run = ground.stations["run"].to_numpy(dtype=np.int64)
    at = ground.stations["chainage"].to_numpy(dtype=float)
    gap = np.where(run[1:] == run[:-1], np.diff(at), 0.0)
    return (np.append(gap, 0.0) + np.append(0.0, gap)) / 2 if len(at) else np.zeros(0)


def _leans(depth: FloatArray, brief: Brief) -> FloatArray:
    """Return how far the sides of pits this deep lean out for each metre up."""
    return lean_of_sides(depth, support=brief.pits.support, soil=brief.pits.soil)


def _lane_days(
    ground: Shared, run: IntArray, width: FloatArray, half_width: FloatArray
) -> FloatArray:
    """Return the cost of the lanes a pit over the main takes, a day, mean along each run.

    ``half_width`` is that of the pit at the ground at each station, m.
    """
    table = ground.stations.assign(street_class=ground.stations["street_class"].astype(object))
    nowhere = np.full((len(run), 2), np.nan)
    lanes = lanes_taken(table, half_width, nowhere, Passage.of(ground.brief.street))
    classes = table["street_class"].to_numpy(dtype=object)
    day = traffic_cost(classes, lanes, np.ones((len(run), 4)), site_rates(ground.brief))[:, 0]
    runs = len(ground.runs.table)
    total = np.bincount(run, day * width, minlength=runs)
    return np.asarray(total / np.maximum(np.bincount(run, width, minlength=runs), 1e-9))


def estimate_runs(ground: Shared, around: Surroundings) -> Estimate:
    """Estimate every run with each carrier a plan would try, and keep the one it would show.

    The cheapest, or a larger bore for little more (`carrier.larger_for`), by the quick costs. Where
    no cost can be had, the first carrier is kept; a run without any has pipe -1.
    """
    carrier, contest = ground.brief.carrier, ground.contest
    tried: list[Estimate] = []
    for rank, pipe in enumerate(contest.tries.T):
        if rank and not (pipe >= 0).any():
            break
        tried.append(_with_carrier(ground, equip(ground, pipe), around))
    if not tried:
        raise ValueError("carrier.tries is 0")
    for _ in range(carrier.tries if carrier.larger_for > 0 else 0):
        pipe = _larger(ground, tried)
        if not (pipe >= 0).any():
            break
        tried.append(_with_carrier(ground, equip(ground, pipe), around))
    return _of_each(tried, _shown(ground, tried))


def _shown(ground: Shared, tried: list[Estimate]) -> IntArray:
    """Return which estimate a plan would show for each run, were the costs those of plans."""
    cost, bore = _costs(tried), _bores(ground, tried)
    return winners(cost, cost, bore, ground.brief.carrier.larger_for)


def _larger(ground: Shared, tried: list[Estimate]) -> IntArray:
    """Return the larger bore to try in each run, as of `larger_pipe`; -1 for none.

    Its pits are taken to be those of a pipe of its material, as where runs are planned.
    """
    cost, bore, contest = _costs(tried), _bores(ground, tried), ground.contest
    most = cost.min(axis=0) * (1 + ground.brief.carrier.larger_for)
    length = ground.runs.table["length"].to_numpy(dtype=float)
    pipe = np.array([one.pipe for one in tried])
    known = np.isfinite(cost)
    spare = np.where(known, most - np.where(known, cost, 0.0), -np.inf) / length
    runs = np.arange(len(length))
    above = bore[_shown(ground, tried), runs]
    larger = larger_pipe(
        contest, runs, above=above, tried=pipe.T, worth=(contest.laid[pipe] + spare).T
    )
    return np.where(known.any(axis=0), larger, -1)


def _costs(tried: list[Estimate]) -> FloatArray:
    """Return the costs, estimates x runs, infinite where none can be had."""
    cost = np.array([one.cost for one in tried])
    return np.where(np.isnan(cost), np.inf, cost)


def _bores(ground: Shared, tried: list[Estimate]) -> FloatArray:
    """Return the bores of the carriers, m, estimates x runs; below any where there is none."""
    pipe = np.array([one.pipe for one in tried])
    bore = np.asarray(ground.contest.pipes.bore_m, dtype=np.float64)
    return np.where(pipe >= 0, bore[np.maximum(pipe, 0)], -1.0)


def _of_each(tried: list[Estimate], shown: IntArray) -> Estimate:
    """Return of each run the estimate that is shown."""
    run = np.arange(len(shown))
    return Estimate(
        **{
            field.name: np.array([getattr(one, field.name) for one in tried])[shown, run]
            for field in fields(Estimate)
        }
    )


def _with_carrier(ground: Shared, equipped: Equipped, around: Surroundings) -> Estimate:
    """Estimate every run with its carrier of one rank."""
    brief, table = ground.brief, equipped.table
    lined = np.isfinite(table["outside"].to_numpy(dtype=float))
    length = table["length"].to_numpy(dtype=float)
    room = string_room(ground, table)
    longest = _longest(equipped, room, brief)
    opened = _opened(equipped, around, brief)
    receiving = brief.pits.receiving_length
    ramp = opened[:, 1] - brief.pits.working_length
    closed = close_pits(ground, table, equipped.must, ramp)
    two_way = np.where(np.isnan(opened[:, 3]), receiving, opened[:, 3])
    # Where the ground decides, both pits of a pull may begin with a ramp, on a slope a longer one:
    # none is called too far.
    ramps = np.where(np.isnan(ramp), receiving, 2 * opened[:, 1])
    widest = longest + ramps
    gaps = gaps_between(equipped.must, length, opened=ramps, ends=receiving)
    pits = count_pits(
        equipped.must,
        length,
        longest,
        opened=(receiving + two_way) / 2,
        ends=receiving,
        closed=(closed.ends, closed.must),
        least=pulls_past(gaps, widest, around.pit_ground.steep),
    )
    steep = steepest_needed(ground, around.pit_ground, equipped.must, gaps, widest)
    cost, pulled = _lining_cost(equipped, around, pits, opened, room, closed, brief)
    # A pull of the whole run goes from the face at one end to the pit that receives at the other.
    shut_off = receiving / 2 + min(receiving / 2, brief.pits.working_length)
    failed = equipped.bends.loc[~equipped.bends["passes"].to_numpy(dtype=bool), "run"]
    unpassed = np.bincount(failed.to_numpy(dtype=np.int64), minlength=len(table))

    def known(values: FloatArray | IntArray) -> FloatArray:
        return np.where(lined, values, np.nan)

    return Estimate(
        pipe=table["pipe"].to_numpy(dtype=np.int64),
        unpassed=known(unpassed),
        room=known(room),
        longest=known(np.minimum(longest, np.maximum(length - shut_off, 0.0))),
        pits=known(pits),
        steepness=np.where(lined, steep, around.pit_ground.ends),
        cost=known(cost),
        pulled=known(pulled),
    )


def string_room(ground: Shared, table: pd.DataFrame) -> FloatArray:
    """Return the room for strings of each run, m: that a quarter of its stations have or more.

    Of the two ways a string may lie from a place the longer counts. Infinite without streets.
    """
    if ground.scene is None:
        return np.full(len(table), np.inf)
    rows = np.arange(len(ground.stations))
    ways = (np.full(len(rows), ahead) for ahead in (True, False))
    free = np.maximum(*(free_room(ground, table, rows, way) for way in ways))
    run = ground.stations["run"].to_numpy(dtype=np.int64)
    return _upper(run, free, ground.offsets)


def _upper(run: IntArray, values: FloatArray, offsets: IntArray) -> FloatArray:
    """Return the value that a share of each run's places have or more; 0 for an empty run."""
    order = np.lexsort([values, run])
    count = np.diff(offsets)
    place = offsets[:-1] + np.floor((1 - PLACES_WITH_ROOM) * np.maximum(count - 1, 0)).astype(int)
    safe = np.minimum(place, max(len(values) - 1, 0))
    return np.where(count > 0, values[order][safe], 0.0) if len(values) else np.zeros(len(count))


def _string_pieces(room: FloatArray, brief: Brief) -> FloatArray:
    """Return the pipes a string may consist of; with too little room, those of the shortest."""
    least = np.maximum(room, max(brief.street.least_string, brief.pulls.piece_length))
    return pieces_per_string(least, brief.pulls.piece_length)


def _longest(equipped: Equipped, room: FloatArray, brief: Brief) -> FloatArray:
    """Return the longest pull of each run, m: by setting, by force, by strings and shift."""
    table, bends = equipped.table, equipped.bends
    run = bends["run"].to_numpy(dtype=np.int64)
    pulled = bends["passes"].to_numpy(dtype=bool)
    turned = np.bincount(
        run, bends["deflection"].to_numpy(dtype=float) * pulled, minlength=len(table)
    )
    by_force = reach_by_force(
        table["weight"].fillna(0.0).to_numpy(dtype=float),
        turned / table["length"].to_numpy(dtype=float),
        table["allowable"].fillna(0.0).to_numpy(dtype=float),
        friction=friction_band_of(brief)["central"],
        rollers=brief.pulls.roller_friction * table["dry_weight"].fillna(0.0).to_numpy(dtype=float),
    )
    by_shift = longest_pull(
        _string_pieces(room, brief),
        piece=brief.pulls.piece_length,
        rate=brief.pulls.rate,
        shift=brief.crew.shift,
        joint_time=brief.pulls.string_joint_hours,
    )
    least = np.minimum(np.minimum(by_force, by_shift), brief.pulls.max_length)
    return np.maximum(least, brief.pulls.min_length)


def _opened(equipped: Equipped, around: Surroundings, brief: Brief) -> FloatArray:
    """Return the length of main each kind of pit opens on a straight main, m, shape (n, 4)."""
    table, pits = equipped.table, brief.pits
    host, outside, radius = (
        table[c].to_numpy(dtype=float) for c in ("diameter", "outside", "radius")
    )
    drop = drop_to_host(around.depth, host, outside, resting=pits.resting_height)
    ramp, lined = np.full(len(drop), np.nan), np.isfinite(radius)
    ramp[lined] = ramp_length(drop[lined], radius[lined], pits.ramp)
    receiving = np.where(np.isfinite(ramp), pits.receiving_length, np.nan)
    one_way = ramp + pits.working_length
    return np.stack([receiving, one_way, one_way, one_way + pits.working_length], axis=1)


@dataclass(frozen=True)
class _Dug:
    """What is dug for one pit of each kind on each run, shape (n, 4).

    Volume (m3), ground (m2), shored face (m2). ``ends`` is volume and ground of the leaning ends
    of a receiving pit, shape (n,).
    """

    volume: FloatArray
    area: FloatArray
    shored: FloatArray
    ends: tuple[FloatArray, FloatArray]


def _dig(
    equipped: Equipped, around: Surroundings, opened: FloatArray, beside: BoolArray, brief: Brief
) -> _Dug:
    """Work out what is dug for one pit of each kind on each run.

    Where the ramp of a one-way pit lies beyond the end of the run (``beside``, shape (n,)) its
    sides lean less as it comes up, and its far end not at all.
    """
    table, pits = equipped.table, brief.pits
    pipe = np.fmax(*(table[c].to_numpy(dtype=float) for c in ("diameter", "outside")))
    deep = (np.maximum(around.depth, 0.0) + pits.bedding)[:, None]
    lean = _leans(around.depth, brief)[:, None]
    width = (pipe + 2 * pits.side_room)[:, None]
    top = top_size_m(width, deep, lean)
    volume = pit_volume_m3(width, opened, deep, deep, slope=lean)
    area = top_size_m(opened, deep, lean) * top
    end = end_volume_m3(width, deep, lean), lean * deep * top
    ramp = beside[:, None] * np.array([0.0, 1.0, 1.0, 0.0]) * (opened - pits.working_length)
    # A side m:1 as deep all along holds m h^2 a metre, one that comes to nothing a third of it.
    volume -= lean * deep**2 * ramp * 2 / 3 + end[0] * (ramp > 0)
    area -= lean * deep * ramp + end[1] * (ramp > 0)
    upright = supported_face(volume, width, 2 * deep)
    shored = upright if pits.support == "shored" else np.zeros_like(volume)
    return _Dug(volume, area, shored, (2 * end[0][:, 0], 2 * end[1][:, 0]))


def _pit_cost(
    dug: _Dug, around: Surroundings, opened: FloatArray, brief: Brief
) -> tuple[FloatArray, FloatArray]:
    """Return the cost of one pit of each kind on each run, shape (n, 4): its site, its lanes."""
    days = pit_days(dug.volume, dug.area, work_rates(brief))
    off_street = np.zeros_like(dug.area)
    site = site_cost(opened, dug.volume, dug.area, off_street, dug.shored, site_rates(brief))
    return site, np.asarray(around.lane_day[:, None] * days)


def _beyond_a_pit(equipped: Equipped, brief: Brief) -> FloatArray:
    """Return the length that must be open beyond that of a receiving pit at each place, m."""
    must = equipped.must
    over = np.maximum(must.high - must.low - brief.pits.receiving_length, 0.0)
    return np.bincount(must.run, over, minlength=must.runs).astype(np.float64)


def _open_cost(
    dug: _Dug, around: Surroundings, kinds_cost: FloatArray, opened: FloatArray, brief: Brief
) -> FloatArray:
    """Return what each metre costs by which a receiving pit is made longer; its ends stay."""
    (volume, area), rates = dug.ends, work_rates(brief)
    days = pit_days(volume, area, rates) - pit_days(0.0 * volume, 0.0 * area, rates)
    ends = brief.rates.excavation * volume + brief.rates.restoration * area
    ends = ends + around.lane_day * days
    set_up = brief.rates.receiving_pit
    return np.asarray((kinds_cost[:, 0] - set_up - ends) / opened[:, 0], dtype=np.float64)


def _inside(must: Stretches, length: FloatArray) -> BoolArray:
    """Return what must lie in a pit of its own: it touches no end of its run."""
    inside: BoolArray = (must.low > 0) & (must.high < length[must.run])
    return inside


def _lining_cost(
    equipped: Equipped,
    around: Surroundings,
    count: IntArray,
    opened: FloatArray,
    room: FloatArray,
    closed: Closed,
    brief: Brief,
) -> tuple[FloatArray, FloatArray]:
    """Return the quick estimate of lining each run, and how much of its length lies between pits.

    Its pits, and pulls of equal length; a receiving pit in an intersection has its site at the
    surcharge of the rates.
    """
    kinds = pits_by_kind(count)
    number = np.stack([kinds.receiving, kinds.one_way, np.zeros_like(count), kinds.two_way], axis=1)
    length = equipped.table["length"].to_numpy(dtype=float)
    pulls = count - 1
    beyond = _beyond_a_pit(equipped, brief)
    # The pits at the ends reach beyond the run with half their length.
    in_pits = (number * opened).sum(axis=1) - brief.pits.receiving_length + beyond
    pulled = np.where(pulls > 0, np.maximum(length - in_pits, 0.0), 0.0)
    costs: PullCosts = pull_costs(equipped.table, brief)
    each = pulled / np.maximum(pulls, 1)
    strings = string_count(piece_count(each, costs.piece_length), _string_pieces(room, brief))
    by_place = (around.dig_cost + _grout_cost(equipped.table, brief)) * pulled / length
    in_pits_cost = equipped.table["pipe_price"].to_numpy(dtype=float) * (length - pulled)
    in_pits_cost += around.end_cost + around.pit_cost * (1 - pulled / length)
    beside = np.asarray(~closed.ends.all(axis=1))
    dug = _dig(equipped, around, opened, beside, brief)
    site, lanes = _pit_cost(dug, around, opened, brief)
    kinds_cost = site + lanes
    must = equipped.must
    dear = closed.dear_ends.sum(axis=1) + np.bincount(
        must.run, closed.dear_must & _inside(must, length), minlength=len(length)
    )
    surcharge = (brief.rates.intersection_factor - 1) * site[:, 0] * np.minimum(dear, count)
    per_metre = _open_cost(dug, around, kinds_cost, opened, brief)
    of_pits = (number * kinds_cost).sum(axis=1) + beyond * per_metre + count * brief.rates.tie_in
    each_cost = pull_cost(
        each, by_place / np.maximum(pulls, 1), strings, costs, np.arange(len(count))
    )
    tested = brief.rates.testing * length
    cost = of_pits + surcharge + in_pits_cost + pulls * each_cost + tested
    return np.asarray(cost), np.asarray(pulled / length)


def service_prices(brief: Brief) -> tuple[float, float, float]:
    """Return what a service adds to lining between pits and in one, and to open cut."""
    rates, site = brief.rates, site_rates(brief)
    fed = rates.temporary_service
    return rates.connection + fed, site.connection_in_pit + fed, rates.open_cut_connection


def cost_of_services(ground: Shared, estimate: Estimate) -> tuple[FloatArray, FloatArray]:
    """Return what a service more, wherever it is, adds to lining and to open cut, as estimated."""
    between, in_pit, open_cut = service_prices(ground.brief)
    lining = in_pit + (between - in_pit) * estimate.pulled
    return lining, np.full(len(lining), open_cut)


def _grout_cost(table: pd.DataFrame, brief: Brief) -> FloatArray:
    """Return what grouting each run from end to end costs; nothing where it is not grouted."""
    bore, outside, length = (
        table[name].to_numpy(dtype=float) for name in ("mean_bore", "outside", "length")
    )
    if not brief.pulls.grouted:
        return np.zeros(len(table))
    gap = np.pi / 4 * np.nan_to_num(np.maximum(bore**2 - outside**2, 0.0))
    return np.asarray(brief.rates.grout * gap * length, dtype=np.float64)


def estimate_open_cut(ground: Shared, around: Surroundings) -> FloatArray:
    """Return the quick estimate of replacing each run in open cut."""
    brief, rates = ground.brief, ground.brief.rates
    table = ground.runs.table
    return open_cut_cost(
        table["length"].to_numpy(dtype=float),
        table["diameter"].to_numpy(dtype=float),
        around.depth,
        around.dig_count.astype(float),
        around.trench_lane_day,
        OpenCutRates(
            excavation=rates.excavation,
            restoration=rates.restoration,
            pipe=rates.open_cut_pipe,
            other=rates.open_cut_other,
            connection=rates.open_cut_connection,
            per_second=brief.crew.open_cut_rate,
        ),
        side_room=brief.pits.side_room,
        bedding=brief.pits.bedding,
    )
