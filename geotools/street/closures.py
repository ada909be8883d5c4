"""Lane closures at pits: work space, buffer and tapers on every approach that loses a lane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import give_back
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts
from geotools.pipe.factors import FOOT
from geotools.street.kept import Kept, narrow
from geotools.street.lanes import Approach, Carriageway, Passage, approaches
from geotools.street.met import MET, next_streets, streets_met
from geotools.street.net import StreetNet
from geotools.street.onward import Approaching, Leg, Onward
from geotools.street.opposed import opposed
from geotools.street.strips import strips
from geotools.street.tapers import DOWNSTREAM_TAPER_M, buffer_length_m, merging_taper_m
from geotools.street.trails import Lane, Trail

__all__ = ["ONE_LANE_TAPER_M", "ClosureRules", "Closures", "close_lanes"]

ONE_LANE_TAPER_M = 100 * FOOT  # one lane for both ways: 50 to 100 ft (MUTCD table 6B-3)
COLUMNS = [
    "closure_id",
    "pit_id",
    "pull_id",
    "run_id",
    "street",
    "class",
    "side",
    "lanes_closed",
    "lanes_left",
    "speed",
    "taper",
    "buffer",
    "lacking",
    "work_length",
    "downstream_taper",
    "days",
    "first_day",
    "last_day",
    "geometry",
]
SHUT = ["closures", "first", "between"]
ENDED = ["closure", "line"]
JOINING = [*ENDED, "x", "y"]
AT_ONCE = 5_000  # closures drawn at once


@dataclass(frozen=True)
class ClosureRules:
    """What traffic keeps past a pit, fixed lengths (m) where the brief gives them.

    ``max_turn`` is the largest turn, rad, at which traffic goes straight on into another street.
    """

    passage: Passage
    taper: float | None
    buffer: float | None
    keep_right: bool
    max_turn: float


@dataclass(frozen=True)
class Closures:
    """Closures, and what is to be told of them.

    Attributes
    ----------
    table : DataFrame
        Columns of the contract.
    joining : DataFrame
        Streets besides that traffic comes along into a lane closed, within taper and buffer:
        ``closure`` (row of the table), ``line`` (row of the streets), ``x``, ``y`` (where).
    ended : DataFrame
        Streets that traffic comes along and that closures end before, as they would leave it too
        few lanes there: ``closure`` (row of the table), ``line`` (row of the streets).
    opposed : DataFrame
        Streets that traffic comes along into a work space from an end nothing is closed before:
        ``closure`` (row of its first one), ``line`` (row of the streets), ``x``, ``y`` (where).
    shut : DataFrame
        Stretches of street no lane is left of: ``closures`` (their names), ``first`` (row of the
        first of them), ``between`` (which streets it lies between, in words).
    met : DataFrame
        Streets at whose intersections closures lie, as of `streets_met`.
    """

    table: pd.DataFrame
    joining: pd.DataFrame
    ended: pd.DataFrame
    opposed: pd.DataFrame
    shut: pd.DataFrame
    met: pd.DataFrame


def close_lanes(pits: pd.DataFrame, net: StreetNet | None, rules: ClosureRules) -> Closures:
    """Draw the closures of all pits, and of the strings of all pulls, that take a lane.

    Parameters
    ----------
    pits : DataFrame
        ``pit_id``, ``pull_id`` (of strings; empty for a pit), ``run_id``, ``lanes_taken``,
        ``days``, ``street_chain``, ``street_width`` (m), ``street_lanes``, ``street_oneway`` (1:
        along the chain, -1: against it), ``street_speed`` (m/s), ``street_class``,
        ``street_name``, ``first_day``, ``last_day`` (of the schedule), ``edge_low`` and
        ``edge_high`` (right and left edge of the pit or of the strings, m left of the chain),
        ``work_low`` and ``work_high`` (m along it).
    net : StreetNet, optional
    rules : ClosureRules
    """
    if net is None or not len(pits):
        none = _numbered(pd.DataFrame(columns=COLUMNS))
        met = pd.DataFrame(columns=MET)
        joins, shut = _joining([]), pd.DataFrame(columns=SHUT)
        return Closures(none, joins, _ended([]), joins, shut, met)
    pits = pits[(pits["lanes_taken"] > 0) & (pits["street_chain"] >= 0)].reset_index(drop=True)
    halves = approaches(
        pits["edge_low"].to_numpy(dtype=float),
        pits["edge_high"].to_numpy(dtype=float),
        Carriageway.of(pits),
        rules.passage,
    )
    row, left, back = _each(pits, np.stack([half.closed for half in halves], axis=1))
    drawn, joining, ended, ways, faces = [], [], [], [], []
    onward = Onward(net, rules.max_turn)
    for first in range(0, max(len(row), 1), AT_ONCE):  # on the way each is held three times
        part = slice(first, first + AT_ONCE)
        taken, led, led_by, along = _closures(
            pits.iloc[row[part]], onward, rules, halves, (row[part], left[part], back[part])
        )
        drawn.append(taken[[name for name in COLUMNS if name in taken]])
        joining += [(first + k, one) for k, trail in led.items() for one in trail.others]
        ended += [(first + k, trail.not_led_into) for k, trail in led.items()]
        ways.append(led_by.assign(closure=first + led_by["closure"]))
        faces.append(along)
        del taken, led, led_by, along
        give_back()
    table = pd.concat(drawn, ignore_index=True)
    # By the street as drawn: which way its chain goes hangs on what else is read.
    order = np.lexsort([(table["side"] != "along").to_numpy(), row])
    place = np.argsort(order)
    joins = _joining([(int(place[k]), one) for k, one in joining])
    ends = _ended([(int(place[k]), line) for k, line in ended])
    table = _numbered(table.iloc[order].reset_index(drop=True))
    led_by = pd.concat(ways, ignore_index=True)
    led_by["closure"] = place[led_by["closure"].to_numpy(dtype=np.int64)]
    met = streets_met(onward.nodes, led_by, table)
    faced = row[np.concatenate(faces)], row[~np.concatenate(faces)]
    others = _opposed(pits, onward, faced, row[order], rules)
    return Closures(table, joins, ends, others, _shut(table, pits, row[order], onward), met)


def _each(pits: pd.DataFrame, closed: IntArray) -> tuple[IntArray, IntArray, BoolArray]:
    """Return the closures of pits by the lanes closed of either half: row, half, and whether back.

    To a single lane of both ways traffic comes from both: it is closed to either, once going
    ``back`` against those that have it.
    """
    row, left = np.nonzero(closed)
    lanes, oneway = (pits[f"street_{n}"].to_numpy(dtype=float)[row] for n in ("lanes", "oneway"))
    both = np.flatnonzero((lanes == 1) & (oneway == 0))
    order = np.argsort(np.append(row, row[both]), kind="stable")
    back = np.append(np.zeros(len(row), dtype=bool), np.ones(len(both), dtype=bool))
    return np.append(row, row[both])[order], np.append(left, left[both])[order], back[order]


def _shut(table: pd.DataFrame, pits: pd.DataFrame, row: IntArray, onward: Onward) -> pd.DataFrame:
    """Return the stretches of street that are shut; ``row`` are the pits of the closures."""
    none_left = table["downstream_taper"].to_numpy(dtype=float) == 0
    if not none_left.any():
        return pd.DataFrame(columns=SHUT)
    first = np.flatnonzero(none_left & firsts(row))
    spaces = pits.iloc[row[first]]
    low, high = (spaces[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    chain = spaces["street_chain"].to_numpy(dtype=np.int64)
    names = table["closure_id"].groupby(row).agg(list).to_dict()
    return pd.DataFrame(
        {
            "closures": [names[pit] for pit in row[first].tolist()],
            "first": first,
            "between": next_streets(onward.nodes, chain, low, high),
        },
        columns=SHUT,
    )


def _joining(found: list[tuple[int, Approaching]]) -> pd.DataFrame:
    """Return the streets that join, in the order of closures, each once for a closure."""
    rows = [(closure, one.line, one.x, one.y) for closure, one in found]
    table = pd.DataFrame(rows, columns=JOINING)
    return table.drop_duplicates().sort_values("closure", kind="stable", ignore_index=True)


def _ended(found: list[tuple[int, int]]) -> pd.DataFrame:
    """Return the streets closures end before, -1 of none, in the order of closures."""
    table = pd.DataFrame([one for one in found if one[1] >= 0], columns=ENDED)
    return table.sort_values("closure", ignore_index=True)


def _opposed(
    pits: pd.DataFrame,
    onward: Onward,
    faced: tuple[IntArray, IntArray],
    row: IntArray,
    rules: ClosureRules,
) -> pd.DataFrame:
    """Return what is told of work spaces that traffic comes into from an end nobody closed.

    ``faced`` are the pits with closures for traffic along the chain, and against it, ``row`` those
    of the closures in their order.
    """
    each = np.arange(len(pits))
    closed = np.isin(each, faced[0]), np.isin(each, faced[1])
    found = opposed(pits, onward, closed, rules.passage, keep_right=rules.keep_right)
    found = found[np.isin(found["pit"], row)]
    closure = np.searchsorted(row, found["pit"].to_numpy(dtype=np.int64))
    return found.assign(closure=closure)[JOINING].reset_index(drop=True)


def _numbered(table: pd.DataFrame) -> pd.DataFrame:
    """Number the closures of each pit, and of the strings of each pull, from one."""
    owner = table["pull_id"].where(table["pull_id"] != "", table["pit_id"])
    place = table.groupby(owner).cumcount() + 1
    named = [f"{p}-T{k}" for p, k in zip(owner, place, strict=True)]
    return table.assign(closure_id=named)[COLUMNS].reset_index(drop=True)


def _tapers(
    width: FloatArray, speed: FloatArray, alternate: BoolArray, rules: ClosureRules
) -> FloatArray:
    """Return the lengths of the tapers, m; shorter where traffic is stopped and takes turns."""
    if rules.taper is not None:
        return np.full(len(width), rules.taper)
    tapers = np.full(len(width), ONE_LANE_TAPER_M)
    tapers[~alternate] = merging_taper_m(width[~alternate], speed[~alternate])
    return tapers


def _closures(
    pits: pd.DataFrame,
    onward: Onward,
    rules: ClosureRules,
    halves: tuple[Approach, Approach],
    each: tuple[IntArray, IntArray, BoolArray],
) -> tuple[pd.DataFrame, dict[int, Trail], pd.DataFrame, BoolArray]:
    """Return the closures, each of the pit of a row on one half (0 right, 1 left) of its street.

    Or, of a single lane, to traffic that comes ``back`` along it.

    And by row the trails of those that traffic comes to, or leaves, on more than their own street;
    and the stretches of street that all lie along, as `streets_met` takes them; and whether their
    traffic goes along the chain.

    A half that loses all its lanes is led over to the other one: on one lane the two directions
    take turns, on two or more each has its own and traffic merges as anywhere else. A one-way
    street is one half (`approaches`): traffic merges into what is left of it. Where no lane is
    left of a street it is shut: there is nothing to merge into and nobody to take turns, so that
    there are no tapers, whatever the brief says of them, but a buffer and a barrier across the
    street before the work, on each half that has traffic; of a single lane at both ends, and it
    counts once. Common practice, no source.
    """
    net, (row, left, back) = onward.net, each
    (closed, open_, spare), (edge, line, wide) = _lanes_closed(halves, row, left)
    speed = pits["street_speed"].to_numpy(dtype=float)
    oneway = pits["street_oneway"].to_numpy(dtype=float)
    alternate = (open_ == 0) & (spare < 2) & (oneway == 0)
    shut = (open_ == 0) & (spare == 0)
    taper = np.where(shut, 0.0, _tapers(wide, speed, alternate, rules))
    down = np.where(shut, 0.0, DOWNSTREAM_TAPER_M)
    fixed = rules.buffer is not None
    buffer = np.full(len(row), rules.buffer) if fixed else buffer_length_m(speed)
    # whether traffic on this half goes the way the chain is drawn
    along = np.where(oneway != 0, oneway > 0, ((left == 1) != rules.keep_right) != back)
    edge, line = np.where(back, line, edge), np.where(back, edge, line)
    stops = _stops(pits, net, (taper, buffer, down), along)
    named = pits.rename(columns={"street_name": "street", "street_class": "class"})
    table = named.assign(
        side=np.where(along != _turned(pits, net), "along", "against"),
        lanes_closed=np.where(back, 0, closed),
        lanes_left=open_,
        speed=speed,
        taper=taper,
        buffer=buffer,
        lacking=_lacking(pits, net, (taper + buffer, down), along),
        work_length=(pits["work_high"] - pits["work_low"]).astype(float),
        downstream_taper=down,
        geometry=_shapes(pits, net, (line, edge), stops),
    )
    far = taper + buffer, down
    kept = Kept(open_, spare, rules.passage.share)
    led = _led(pits, onward, (edge, line), far, along, kept, keep_right=rules.keep_right)
    return _redrawn(table, led), led, _ways(pits, stops, led, along), along


def _ways(
    pits: pd.DataFrame, stops: FloatArray, led: dict[int, Trail], along: BoolArray
) -> pd.DataFrame:
    """Return the stretches of street that closures lie along, as `streets_met` takes them."""
    first = np.where(along, *(pits[n].to_numpy(dtype=float) for n in ("work_low", "work_high")))
    own = pd.DataFrame(
        {
            "closure": np.arange(len(pits)),
            "chain": pits["street_chain"].to_numpy(dtype=np.int64),
            "begin": stops[:, 0],
            "end": stops[:, 3],
            "start": np.where(along, 1.0, -1.0) * (stops[:, 0] - first),
            "whole": True,
        }
    )
    away = {k: trail for k, trail in led.items() if not trail.plain()}
    legs = [(k, *leg, False) for k, trail in away.items() for leg in trail.places()]
    return pd.concat(
        [own.drop(index=list(away)), pd.DataFrame(legs, columns=own.columns).astype(own.dtypes)],
        ignore_index=True,
    )


def _lanes_closed(
    halves: tuple[Approach, Approach], row: IntArray, left: IntArray
) -> tuple[tuple[IntArray, IntArray, IntArray], tuple[FloatArray, FloatArray, FloatArray]]:
    """Return lanes closed, left and left on the other half, and where the lanes closed lie.

    That is the kerb or the middle they lie at, and their other side, m left of the chain, and how
    wide they are.
    """
    closed, open_, from_middle, lane, middle, room = (
        np.stack([getattr(half, name) for half in halves], axis=1)
        for name in ("closed", "left", "from_middle", "lane", "middle", "room")
    )
    spare = open_[row, 1 - left]
    closed, open_, from_middle, lane, middle, room = (
        table[row, left] for table in (closed, open_, from_middle, lane, middle, room)
    )
    side = np.where(left == 1, 1.0, -1.0)
    half = (closed + open_) * lane
    # the lanes closed; where those left are narrowed, all that traffic does not keep
    wide = half - np.minimum(open_ * lane, room)
    edge = middle + side * np.where(from_middle, 0.0, half)
    line = middle + side * np.where(from_middle, wide, half - wide)
    return (closed, open_, spare), (edge, line, wide)


def _redrawn(table: pd.DataFrame, led: dict[int, Trail]) -> pd.DataFrame:
    """Return the closures, those anew that are led on in other streets, or end before."""
    shapes = table["geometry"].to_numpy(dtype=object).copy()
    lacking = table["lacking"].to_numpy(dtype=float).copy()
    taper, buffer, down = (
        table[name].to_numpy(dtype=float) for name in ("taper", "buffer", "downstream_taper")
    )
    for k, trail in led.items():
        if trail.plain():
            continue
        lacking[k] = trail.lacking(taper[k] + buffer[k])
        shapes[k] = trail.drawn(taper[k], buffer[k], down[k])
    return table.assign(lacking=lacking, geometry=_in_parts(shapes))


def _led(
    pits: pd.DataFrame,
    onward: Onward,
    across: tuple[FloatArray, FloatArray],
    far: tuple[FloatArray, FloatArray],
    along: BoolArray,
    kept: Kept,
    *,
    keep_right: bool,
) -> dict[int, Trail]:
    """Return by row the trails of closures by whose streets it is in doubt where traffic goes.

    Or what lanes are left of them. ``across`` are edge and inner side of the lanes closed, m left
    of the chain, ``far`` how far they are closed before the work and behind it, m.
    """
    net = onward.net
    low, high = (pits[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    before, behind = np.where(along, far, far[::-1])
    stretch = chain, low - before, high + behind
    lanes = np.sort(np.where(along, 1.0, -1.0) * np.stack(across), axis=0)
    few = narrow(net, onward.flows, stretch, (lanes[0], lanes[1]), kept, keep_right=keep_right)
    rows = np.flatnonzero(onward.in_doubt(*stretch) | few)
    line = net.line_at(chain, np.clip((low + high) / 2, 0.0, net.lengths[chain]))
    oneway = pits["street_oneway"].to_numpy(dtype=float)
    # Work that reaches past an end of its street goes on in the next one; a ring has no ends.
    ends = np.isinf(net.lap[chain])
    past = np.where(ends, np.maximum(np.stack([-low, high - net.lengths[chain]]), 0.0), 0.0)
    low, high = (np.clip(at, 0.0, net.lengths[chain]) for at in (low, high))
    first, last = _street_ends(pits, net, far[1], along)
    before, behind = np.maximum(low - first, 0.0), np.maximum(last - high, 0.0)
    out = {}
    for k in rows.tolist():
        way = 1.0 if along[k] else -1.0
        ends = (low[k], high[k])[:: int(way)]
        rooms = (before[k], behind[k])[:: int(way)]
        lane = Lane(*(float(of[k]) * way for of in across))
        keeps = Kept(kept.left[k], kept.spare[k], kept.share)
        work = Leg(int(chain[k]), float(ends[0]), float(ends[1]), int(line[k]), float(oneway[k]))
        more = (float(past[int(way < 0), k]), float(past[int(way > 0), k]))
        due = (float(far[0][k]) + more[0], float(far[1][k]) + more[1])
        up, down = onward.both_ways(work, due, rooms, way=int(way), high=lane.high)
        own = (min(due[0], float(rooms[0])), min(due[1], float(rooms[1])))
        out[k] = Trail(net, lane, keep_right, up, down, work, own, keeps, more)
    return out


def _lacking(
    pits: pd.DataFrame, net: StreetNet, far: tuple[FloatArray, FloatArray], along: BoolArray
) -> FloatArray:
    """Return what of taper and buffer, m, finds no room before the work: the street ends there.

    ``far`` are these together, and the downstream taper, m.
    """
    wanted, down = far
    low, high = (pits[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    first, last = _street_ends(pits, net, down, along)
    room = np.where(along, low - first, last - high)
    return np.asarray(np.clip(wanted - room, 0.0, wanted), dtype=np.float64)


def _street_ends(
    pits: pd.DataFrame, net: StreetNet, downstream: FloatArray, along: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return between which chainages closures lie, m: the ends of their streets.

    Round a ring one ends where it comes to its own downstream end.
    """
    low, high = (pits[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    lap, length = net.lap[chain], net.lengths[chain]
    down = np.clip(lap - (high - low), 0.0, downstream)
    first = np.where(along, high + down - lap, low - down)
    last = np.where(along, high + down, low - down + lap)
    ring = np.isfinite(lap)
    return np.where(ring, first, 0.0), np.where(ring, last, length)


def _turned(pits: pd.DataFrame, net: StreetNet) -> BoolArray:
    """Return where the chain goes against the street as drawn in the middle of the work."""
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    middle = (pits["work_low"] + pits["work_high"]).to_numpy(dtype=float) / 2
    return net.reversed_at(chain, np.clip(middle, 0.0, net.lengths[chain]))


def _stops(
    pits: pd.DataFrame,
    net: StreetNet,
    lengths: tuple[FloatArray, FloatArray, FloatArray],
    along: BoolArray,
) -> FloatArray:
    """Return where taper, buffer, downstream taper and closures begin or end, m along chains.

    ``lengths`` are those of taper, buffer and downstream taper, m.
    """
    taper, buffer, downstream = lengths
    low, high = (pits[name].to_numpy(dtype=float) for name in ("work_low", "work_high"))
    way = np.where(along, 1.0, -1.0)
    first, last = np.where(along, low, high), np.where(along, high, low)
    stops = [
        first - way * (buffer + taper),
        first - way * buffer,
        last,
        last + way * downstream,
    ]
    # Where the street ends before the taper does, at a junction, the drawing ends with it.
    ends = (end[:, None] for end in _street_ends(pits, net, downstream, along))
    return np.asarray(np.clip(np.stack(stops, axis=1), *ends), dtype=np.float64)


def _shapes(
    pits: pd.DataFrame, net: StreetNet, across: tuple[FloatArray, FloatArray], stops: FloatArray
) -> npt.NDArray[np.object_]:
    """Return the ground of the closures: from the taper past the buffer and the work to the end.

    ``across`` are the inner side and the edge of the lanes closed, m left of the chain, ``stops``
    as of `_stops`.
    """
    inner, edge = across
    off = np.stack([edge, inner, inner, edge], axis=1)
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    return strips(net, chain, np.stack([stops, off], axis=2))


def _in_parts(shapes: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
    """Return areas as areas of several parts, each."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    out = np.full(len(shapes), shapely.MultiPolygon(), dtype=object)
    return np.asarray(shapely.multipolygons(parts, indices=owner, out=out))
