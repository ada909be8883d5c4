"""What a plan means on site: strings, closures, digs, quantities, schedule, pits that overlap."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import give_back, processors
from geotools.brief import Brief
from geotools.deliver.context import Backdrop
from geotools.deliver.layers import Encoded, Mover, mover
from geotools.estimate.quantities import (
    Prices,
    order_quantities,
    pit_quantities,
    pull_quantities,
    run_quantities,
    shared_quantities,
)
from geotools.estimate.schedule import (
    FUSING,
    PULL_COLUMNS,
    PULLING,
    days_waiting,
    schedule_runs,
)
from geotools.intake.findings import Findings
from geotools.layout.digs import (
    report_deep_digs,
    report_digs_in_carriageways,
    report_digs_in_places,
)
from geotools.layout.groundwater import report_groundwater
from geotools.layout.inverts import inverts_at
from geotools.layout.left_open import report_left_open, with_days_open
from geotools.layout.lying_over import (
    report_over_digs,
    report_over_pits,
    report_over_strings,
    strings_over,
)
from geotools.layout.mains_beside import report_over_mains
from geotools.layout.other_streets import report_on_other_streets
from geotools.layout.outside import report_crossing, report_outside, report_renamed
from geotools.layout.rules import set_up_rates, site_rates
from geotools.layout.shared import Shared
from geotools.layout.sites import (
    report_aslant,
    report_closures,
    report_cut_closures,
    report_deep,
    report_joining,
    report_met,
    report_shared,
    report_shut,
    shared_pits,
)
from geotools.layout.strings import (
    report_beyond,
    report_blocked,
    report_other_lanes,
    report_slopes,
    report_stiff,
    report_straight,
    report_waiting,
)
from geotools.layout.unknown_ground import report_bare_pits, report_bare_ramps
from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, IntArray, linestrings_at
from geotools.network.stretches import EDGE
from geotools.network.words import in_words
from geotools.pipe.factors import HOUR
from geotools.pulls.digs import local_digs
from geotools.pulls.grouting import lifts_planned
from geotools.pulls.layout import EACH_RAMP
from geotools.pulls.optimise import longest_string
from geotools.schema import DIG_KINDS, ROLES
from geotools.siting.axis import Axis
from geotools.siting.entry import turned_into
from geotools.siting.ground_checks import hard_places, report_soft, soft_places
from geotools.siting.laydown import RampTops, ramp_ends, ramp_tops
from geotools.siting.works import lane_day
from geotools.street.beside import Outlines, spans_beside, turned_between
from geotools.street.closures import ClosureRules, close_lanes
from geotools.street.context import Spots
from geotools.street.lanes import Passage
from geotools.street.net import StreetNet
from geotools.street.offsets import offset_ends
from geotools.street.others import Others, Own, others_near
from geotools.street.strings import lay_strings
from geotools.street.taken import least_half, string_stretches, unbroken
from geotools.threads import ThreadPool

__all__ = ["Works", "work_out"]


WORDED = ("scope", "run_id", "item", "unit")  # told of quantities in few words
TURNED = np.radians(1.0)  # of a street by a pit, from which on its ground tells how far it lies
LAID = 1_000  # pulls whose strings are laid at once: of each the whole street is looked along


@dataclass(frozen=True)
class Works:
    """Layers of the contract by bare name; ``dig_count`` is per pull.

    ``streets`` are those of the backdrop, as of `Backdrop.beside`, that strings and closures lie
    in, or by which they do.
    """

    strings: Encoded
    closures: Encoded
    local_digs: pd.DataFrame
    quantities: pd.DataFrame
    schedule: pd.DataFrame
    dig_count: IntArray
    streets: IntArray


def work_out(
    ground: Shared,
    table: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
    shutdowns: pd.DataFrame,
    backdrop: Backdrop,
) -> Works:
    """Work out what the plan of all runs means on site; ``shutdowns`` as of `plan_shutdowns`."""
    brief = ground.brief
    digs = local_digs(
        ground.digs, pulls, np.unique(pits["run"].to_numpy(dtype=np.int64)),
        table["run_id"].to_numpy(dtype=object),
    )  # fmt: skip
    counts = _dig_counts(digs, pulls)
    priced = _to_price(ground, table, pulls, sections, counts)
    total = np.asarray(sum(counts.values()), dtype=np.int64)
    waits = _to_schedule(priced.assign(digs=total), sections)
    prices = _prices(brief)
    shared = shared_pits(pits, prices)
    quantities = _quantities(_dug(table, pits), priced, shared, prices, brief)
    del priced
    give_back()
    report_shared(shared, brief.rates.currency, ground.layers.findings)
    report_deep(pits, brief, ground.layers.findings)
    _report_over_mains(pits, ground)
    report_soft(pits, ground.avoid, brief.pits.spoil_setback, ground.layers.findings)
    others = _others(pits, ground)
    report_crossing(pits, others, ground)
    report_aslant(pits, ground)
    give_back()
    placed = _placed(ground, digs)
    schedule, strings, streets, closures = _in_street(
        ground, table.assign(shut=table["run_id"].isin(shutdowns["run_id"])),
        pits, pulls, placed, waits, backdrop,
    )  # fmt: skip
    report_outside(pits, closures, others, ground)
    report_renamed(pits, ground)
    drawn = Encoded.moved("closures", closures, _mover(ground))
    del closures, others
    give_back()
    return Works(
        strings=strings,
        closures=drawn,
        local_digs=placed,
        quantities=quantities,
        schedule=schedule,
        dig_count=total,
        streets=streets,
    )


def _to_schedule(priced: pd.DataFrame, sections: pd.DataFrame) -> pd.DataFrame:
    """Return the pulls with what of them takes days, and no more."""
    lifts = lifts_planned(sections)
    return priced.assign(
        wait_hours=sections["wait_hours"].to_numpy(dtype=float),
        lifts=lifts,
        grout=np.where(lifts > 0, priced["grout"], 0.0),
    )[["run_id", *PULL_COLUMNS]]


def _programme(
    table: pd.DataFrame, pits: pd.DataFrame, waits: pd.DataFrame, over: pd.DataFrame, brief: Brief
) -> pd.DataFrame:
    """Return the tasks of all runs with their days; what lies in a pit takes its share of a dig."""
    remade = pits.assign(digs=(pits["remade"] + pits["valves"]) * brief.rates.in_pit_share)
    tasks = schedule_runs(table, remade, waits, brief.crew, over)
    return in_words(tasks, ("run_id", "task", "crew"))


def _report_digs(
    placed: pd.DataFrame, pits: pd.DataFrame, schedule: pd.DataFrame, ground: Shared
) -> None:
    """Tell what digs between pits meet, and what pits and they need beyond what is priced."""
    report_digs_in_places(placed, pits, ground)
    report_deep_digs(placed, ground.brief, ground.layers.findings)
    report_digs_in_carriageways(placed, schedule, ground)
    report_groundwater(pits, placed, ground.brief, ground.layers.findings)


def _dug(table: pd.DataFrame, pits: pd.DataFrame) -> pd.DataFrame:
    """Return the pits with the carrier of their runs and its price."""
    carriers = table["carrier"].to_numpy(dtype=object)
    return pits.assign(
        carrier=carriers[pits["run"].to_numpy(dtype=np.int64)],
        pipe_price=_of_run(table, pits, "pipe_price"),
    )


def _report_over_mains(pits: pd.DataFrame, ground: Shared) -> None:
    if ground.beside is not None:
        names = ground.layers.mains.table["main_id"].to_numpy(dtype=object)
        report_over_mains(pits, ground.beside, names, ground.layers.findings)


def _in_street(
    ground: Shared,
    table: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    digs: pd.DataFrame,
    waits: pd.DataFrame,
    backdrop: Backdrop,
) -> tuple[pd.DataFrame, Encoded, IntArray, pd.DataFrame]:
    """Lay out what takes up the street, and when, and report what is in its way.

    ``waits`` as of `_to_schedule`. Returns the schedule, the strings, the streets of the backdrop
    they or closures lie in, and these.
    """
    findings = ground.layers.findings
    report_bare_pits(pits, ground)
    laid = _laid(ground, table, pits, pulls)
    report_bare_ramps(laid, ground)
    give_back()
    strings = _strings(ground, laid, pits)
    over = strings_over(strings, pits, pulls, digs)
    schedule = _programme(table, pits, waits, over, ground.brief)
    _report_digs(digs, pits, schedule, ground)
    _report_lying_over(strings, pits, pulls, digs, schedule, findings)
    pits = _with_days(pits, schedule, "pit_id")
    report_left_open(pits, ground.brief.rates.currency, findings)
    laid = laid.assign(wait_days=days_waiting(schedule, laid["pull_id"]))
    report_waiting(laid, strings, findings)
    report_slopes(strings, laid.assign(weight=_of_run(table, laid, "dry_weight")), ground)
    give_back()
    laid = _with_days(laid, schedule, "pull_id")
    report_on_other_streets(strings, laid, ground)
    spaces = [
        _work_space(with_days_open(pits), ground),
        _string_space(ground, laid, strings),
    ]
    report_other_lanes(laid, spaces[1], strings, ground.brief.rates.currency, findings)
    streets = _streets_of(ground, backdrop, strings)
    told = Encoded.moved("strings", strings, _mover(ground))  # no more is asked of where they lie
    del strings, laid
    give_back()
    if ground.scene is not None:
        spaces[1] = unbroken(spaces[1], ground.scene.net, Passage.of(ground.brief.street))
    closures = _closures(ground, pd.concat(spaces, ignore_index=True))
    streets = np.union1d(streets, _streets_of(ground, backdrop, closures))
    return schedule, told, streets, closures


def _streets_of(ground: Shared, backdrop: Backdrop, drawn: pd.DataFrame) -> IntArray:
    """Return the streets of the backdrop that strings or closures lie in, or by."""
    if ground.scene is None:
        return np.zeros(0, dtype=np.int64)
    kerbs = ground.scene.net.column("width") / 2
    shapes = drawn["geometry"].to_numpy(dtype=object)
    return backdrop.beside(shapes, ground.brief.street.reach + kerbs)


def _report_lying_over(
    strings: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    digs: pd.DataFrame,
    schedule: pd.DataFrame,
    findings: Findings,
) -> None:
    """Report strings that lie over pits, over each other and over digs, with their days."""
    lying = _with_days(strings, schedule, "pull_id")
    report_over_pits(lying, _with_days(pits, schedule, "pit_id"), pulls, findings)
    report_over_strings(lying, findings)
    report_over_digs(lying, digs, schedule, findings)


def _mover(ground: Shared) -> Mover:
    return mover(ground.layers.working_crs, ground.layers.output_crs)


def _others(pits: pd.DataFrame, ground: Shared) -> Others:
    """Return the streets that are not the pits' own and whose carriageway may reach to them."""
    if ground.scene is None:
        return Others.none()
    shapes: npt.NDArray[np.object_] = pits["ground"].to_numpy(dtype=object)
    net, at = ground.scene.net, pits["street_at"].to_numpy(dtype=float)
    far = pits["length"].to_numpy(dtype=float)
    own = Own(pits["street_chain"].to_numpy(dtype=np.int64), at - far, at + far)
    return others_near(net, shapes, own, reach=float(net.column("width").max(initial=0.0)) / 2)


def _strings(ground: Shared, laid: pd.DataFrame, pits: pd.DataFrame) -> pd.DataFrame:
    """Lay out the strings of all pulls, and report what is in their way."""
    net, places = None, hard_places(ground.layers.avoid).shapes
    if ground.scene is not None:
        net, places = ground.scene.net, ground.scene.corridors.obstacles
    soft = soft_places(ground.layers.avoid).shapes
    some = [laid.iloc[low : low + LAID] for low in range(0, max(len(laid), 1), LAID)]
    lay = partial(
        lay_strings,
        net=net,
        obstacles=places,
        soft=soft,
        gap=ground.brief.street.string_gap,
        piece=ground.brief.pulls.piece_length,
        least=ground.brief.pulls.least_piece,
        over_middle=ground.brief.street.strings_over_middle,
        passage=Passage.of(ground.brief.street),
    )
    with ThreadPool(processors()) as pool:
        strings = pd.concat(list(_handing_back(pool.map(lay, some))), ignore_index=True)
    report_blocked(strings, places, soft, ground.layers.findings)
    report_beyond(strings, ground.layers.findings)
    report_straight(strings, laid, pits, ground)
    report_stiff(strings, laid, ground)
    return strings


def _handing_back(done: Iterator[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Yield tables as they are made, and hand back what was held on the way."""
    for table in done:
        yield table
        give_back()


def _closures(ground: Shared, spaces: pd.DataFrame) -> pd.DataFrame:
    """Draw the closures of all work spaces, and report those that reach over a hard place."""
    rules = ground.brief.street
    net = None if ground.scene is None else ground.scene.net
    closed = close_lanes(
        spaces,
        net,
        ClosureRules(
            passage=Passage.of(rules),
            taper=rules.taper,
            buffer=rules.buffer,
            keep_right=rules.keep_right,
            max_turn=rules.max_turn,
        ),
    )
    closures = closed.table
    report_closures(closures, ground)
    report_cut_closures(closed, net, ground.layers.findings)
    report_shut(closed, ground.layers.findings)
    if net is not None:
        report_joining(closed, net, ground.layers.findings)
        report_met(closed, ground, net)
    return closures


def _of_run(table: pd.DataFrame, rows: pd.DataFrame, column: str) -> FloatArray:
    values = table[column].to_numpy(dtype=float)
    return np.asarray(values[rows["run"].to_numpy(dtype=np.int64)], dtype=np.float64)


def _to_price(
    ground: Shared,
    table: pd.DataFrame,
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
    counts: dict[str, IntArray],
) -> pd.DataFrame:
    """Return the pulls with what of them is priced; ``counts`` as of `_dig_counts`."""
    brief = ground.brief
    return pulls.assign(
        connections=sum(counts[kind] for kind in DIG_KINDS if kind != "valve"),
        valves=counts["valve"],
        services=counts["lateral"],
        cleaned=pulls["length"] if brief.service.host_cleaned else 0.0,
        carrier=table["carrier"].to_numpy(dtype=object)[pulls["run"].to_numpy(dtype=np.int64)],
        pipe_price=_of_run(table, pulls, "pipe_price"),
        grout=pulls["annulus"] if brief.pulls.grouted else 0.0,
        stages=sections["grout_stages"].fillna(1.0) if brief.pulls.grouted else 1.0,
        ports=sections["grout_ports"].fillna(0.0) if brief.pulls.grouted else 0.0,
        tails=sections["leave"].to_numpy(dtype=float),
        joint_hours=brief.pulls.string_joint_hours / HOUR,
    )


def _quantities(
    pits: pd.DataFrame, pulls: pd.DataFrame, shared: pd.DataFrame, prices: Prices, brief: Brief
) -> pd.DataFrame:
    """Return the rows of ``quantities``: of pits, of pulls, of runs and of pits on one ground."""
    of_pits = pit_quantities(pits, prices, brief.output.units)
    of_pulls = pull_quantities(pulls, prices, brief.output.units)
    ordered = order_quantities(
        pits, pulls, prices, piece=brief.pulls.piece_length, units=brief.output.units
    )
    of_runs = run_quantities(of_pits, of_pulls)
    each = [of_pits, of_pulls, of_runs, ordered, shared_quantities(shared)]
    return in_words(pd.concat(each, ignore_index=True), WORDED)


def _dig_counts(digs: pd.DataFrame, pulls: pd.DataFrame) -> dict[str, IntArray]:
    """Count the digs of each kind on every pull."""
    place = {name: row for row, name in enumerate(pulls["pull_id"])}
    on = digs[digs["pull_id"] != ""]
    row = on["pull_id"].map(place).to_numpy(dtype=np.int64)
    kind = on["kind"].to_numpy(dtype=object)
    return {
        name: np.bincount(row[kind == name], minlength=len(pulls)).astype(np.int64)
        for name in DIG_KINDS
    }


def _placed(ground: Shared, digs: pd.DataFrame) -> pd.DataFrame:
    """Return the digs with their places, and how deep they are dug: as a pit would be there."""
    chains = ground.runs.chains
    run, at = digs["run"].to_numpy(dtype=np.int64), digs["chainage"].to_numpy(dtype=float)
    xy = points_along(chains.xy, chains.offsets, run, at)
    depth, source = inverts_at(ground.stations, run, at, len(chains))
    return digs.assign(
        x=xy[:, 0],
        y=xy[:, 1],
        depth=depth,
        depth_source=source,
        dig_depth=np.maximum(depth, 0.0) + ground.brief.pits.bedding,
    )


def _laid(
    ground: Shared, table: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame
) -> pd.DataFrame:
    """Add to every pull where its strings begin, from its insertion pit."""
    place = {name: row for row, name in enumerate(pits["pit_id"])}
    pit = pits.iloc[pulls["insertion_pit"].map(place).to_numpy(dtype=np.int64)]
    pit = pit.reset_index(drop=True)
    ahead = (pulls["direction"] == "ahead").to_numpy()
    run = pulls["run"].to_numpy(dtype=np.int64)
    face, box, farther = _ramp_of(pit, ahead)
    laid = pulls.assign(outside=_of_run(table, pulls, "outside"), pipes=pulls["joints"] + 1)
    axis = ground.axis
    if ground.scene is None:
        return _straight(laid, axis, run, face, box + farther, ahead)
    tops = ramp_tops(axis, ground.scene, run, face, box, ahead)
    top = tops.top + tops.heading * farther[:, None]
    judged = tops.street
    begin = judged.at + np.where(judged.same, farther, -farther)
    street = replace(judged, at=begin, begins=True)  # where they begin it may be another one
    laid = laid.assign(
        street_name=street.text("name"),
        street_class=street.text("class"),
        **{f"street_{name}": street.number(name) for name in ("lanes", "width", "speed", "oneway")},
        street_chain=tops.chain,
        street_offset=np.nan_to_num(street.offset),
        lay_at=begin,
        lay_forward=street.same,
        lay_width=_narrowest(ground, laid, tops, begin),
        top_x=top[:, 0],
        top_y=top[:, 1],
        lay_dx=tops.heading[:, 0],
        lay_dy=tops.heading[:, 1],
    )
    return laid.assign(lay_turned=_turned(ground, table, laid, street, tops.chain))


def _turned(
    ground: Shared, table: pd.DataFrame, laid: pd.DataFrame, street: Spots, chain: IntArray
) -> npt.NDArray[np.bool_]:
    """Return whether strings that lie in a street can turn into it from the ramp as it is dug."""
    out = np.ones(len(laid), dtype=bool)
    on = np.flatnonzero(chain >= 0)
    if ground.scene is None or not len(on):
        return out
    rows, rules = laid.iloc[on], ground.brief.street
    longest = _longest(rows, ground)
    got = turned_into(
        street.of(on),
        rows[["top_x", "top_y"]].to_numpy(dtype=float),
        rows[["lay_dx", "lay_dy"]].to_numpy(dtype=float),
        longest,
        _of_run(table, rows, "radius"),
        verge=rules.verge,
        max_turn=rules.max_turn,
    )
    out[on] = got >= longest
    return out


def _longest(laid: pd.DataFrame, ground: Shared) -> FloatArray:
    """Return the length of the longest string of each pull, m."""
    length, pipes, strings = (laid[c].to_numpy(dtype=float) for c in ("length", "pipes", "strings"))
    longest = longest_string(length, pipes, strings, ground.brief.pulls.piece_length)
    return np.asarray(longest, dtype=np.float64)


def _ramp_of(
    pit: pd.DataFrame, ahead: npt.NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return face and box of the ramp of each pull, and how far behind its top strings begin, m.

    Of two ramps that share a hole it is that of a pit that inserts one way, by which strings are
    judged and priced, and the edge of the hole lies farther back than its top. In a bend each
    ramp of a pit that inserts both ways goes straight on from its own face, where it is dug so
    beside the run; else it lies in what is opened along the run, where that of one way does.
    """

    def told(end: str, start: str) -> FloatArray:
        return np.where(ahead, pit[end], pit[start]).astype(float)

    face, box = told("lay_face_end", "lay_face_start"), told("lay_box_ahead", "lay_box_behind")
    own_face, own_box = told("face_end", "face_start"), told("box_ahead", "box_behind")
    back = np.where(ahead, -1.0, 1.0)
    farther = (own_face + back * own_box - (face + back * box)) * back
    beside = np.where(ahead, pit["beside_ahead"], pit["beside_behind"]).astype(bool)
    own = (np.abs(farther) < EDGE) & beside
    return np.where(own, own_face, face), np.where(own, own_box, box), np.where(own, 0.0, farther)


def _narrowest(ground: Shared, laid: pd.DataFrame, tops: RampTops, begin: FloatArray) -> FloatArray:
    """Return half of carriageway and verge where the streets of strings are narrowest, m."""
    half = np.full(len(laid), np.nan)
    on = np.flatnonzero(tops.chain >= 0)
    if ground.scene is None or not len(on):
        return half
    rows, chain, spots = laid.iloc[on], tops.chain[on], tops.street
    net, longest = ground.scene.net, _longest(rows, ground)
    end = offset_ends(net, chain, begin[on], spots.offset[on], longest, spots.same[on])
    half[on] = least_half(net.alike, chain, begin[on], end, ground.brief.street.verge)
    return half


def _straight(
    laid: pd.DataFrame,
    axis: Axis,
    run: IntArray,
    face: FloatArray,
    box: FloatArray,
    ahead: npt.NDArray[np.bool_],
) -> pd.DataFrame:
    """Lay strings straight back from their pits, where no streets are known."""
    top, heading = ramp_ends(axis, run, face, box, ahead)
    return laid.assign(
        street_name="",
        street_class="",
        street_lanes=np.nan,
        street_width=np.nan,
        street_speed=np.nan,
        street_oneway=np.nan,
        street_chain=-1,
        street_offset=0.0,
        lay_at=0.0,
        lay_forward=True,
        lay_width=np.inf,
        top_x=top[:, 0],
        top_y=top[:, 1],
        lay_dx=heading[:, 0],
        lay_dy=heading[:, 1],
    )


def _with_days(rows: pd.DataFrame, schedule: pd.DataFrame, key: str) -> pd.DataFrame:
    """Add the first and the last working day at every pit, or with the strings of every pull."""
    tasks = schedule.assign(end=schedule["start_day"] + schedule["days"])
    if key == "pull_id":
        tasks = tasks[tasks["task"].isin([FUSING, PULLING])]
    days = tasks.groupby("ref")
    return rows.assign(
        first_day=rows[key].map(days["start_day"].min()),
        last_day=rows[key].map(days["end"].max()),
    )


def _work_space(pits: pd.DataFrame, ground: Shared) -> pd.DataFrame:
    """Add the stretch of street every pit takes, ramp included, m along its chain.

    As along the main; where its sides lean, or the street turns, as far along the street as the
    ground they take. A pit aslant in the street takes what its ground does, by a corner of it what
    that does of either leg.
    """
    at = pits["street_at"].to_numpy(dtype=float)
    chainage = pits["chainage"].to_numpy(dtype=float)
    first = pits["face_start"].to_numpy(dtype=float)
    last = pits["face_end"].to_numpy(dtype=float)
    low = np.minimum(first, last - pits["box_ahead"].to_numpy(dtype=float)) - chainage
    high = np.maximum(last, first + pits["box_behind"].to_numpy(dtype=float)) - chainage
    same = pits["street_same"].to_numpy(dtype=bool)
    begin, end = np.where(same, at + low, at - high), np.where(same, at + high, at - low)
    if ground.scene is not None and len(pits):
        first, last = _along_street(pits, begin, end, ground.scene.net)
        begin, end = np.minimum(begin, first), np.maximum(end, last)
    low, high = (pits[name].to_numpy(dtype=float) for name in ("street_begin", "street_end"))
    aslant = np.isfinite(low)
    if ground.scene is not None and aslant.any():
        low, high = _aslant_by_corners(pits, low, high, ground.scene.net)
    ramps = [name for names in EACH_RAMP.values() for name in names.values()]  # told, not drawn
    return pits.drop(columns=ramps).assign(
        pull_id="",
        work_low=np.where(aslant, low, begin),
        work_high=np.where(aslant, high, end),
    )


def _along_street(
    pits: pd.DataFrame, begin: FloatArray, end: FloatArray, net: StreetNet
) -> tuple[FloatArray, FloatArray]:
    """Return from where to where along its street the ground of every pit lies, m.

    Of pits whose sides lean, and where the street turns by so much from ``begin`` to ``end``, m,
    and as far off as the pit; of the others these two. Past the end of its street a pit is taken
    to stand at that end, as ``street_at`` says, and so is its ground.
    """
    first, last = begin.copy(), end.copy()
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    far = end - begin + np.abs(np.nan_to_num(pits["street_offset"].to_numpy(dtype=float)))
    on = np.flatnonzero(chain >= 0)
    turned = turned_between(net, chain[on], (begin - far)[on], (end + far)[on])
    leaning = pits["side_slope"].to_numpy(dtype=float)[on] > 0
    rows = on[leaning | (turned > TURNED)]
    if len(rows):
        outlines = Outlines.of(pits["ground"].to_numpy(dtype=object)[rows])
        at = pits["street_at"].to_numpy(dtype=float)[rows]
        along, _ = spans_beside(net, chain[rows], at, 2 * far[rows], outlines)
        xy = pits[["x", "y"]].to_numpy(dtype=float)[rows]
        past = _past_its_end(net, chain[rows], at, 2 * far[rows], xy)
        first[rows], last[rows] = along.T - past
    return first, last


def _aslant_by_corners(
    pits: pd.DataFrame, low: FloatArray, high: FloatArray, net: StreetNet
) -> tuple[FloatArray, FloatArray]:
    """Return from where to where pits aslant lie along their streets, m, also where these turn.

    Given is what they take of a straight street. By a corner closures end square to either leg of
    it, and what lies on the carriageway inside of it reaches farther along both.
    """
    chain = pits["street_chain"].to_numpy(dtype=np.int64)
    at = pits["street_at"].to_numpy(dtype=float)
    shapes: npt.NDArray[np.object_] = pits["ground"].to_numpy(dtype=object)
    far = 2 * shapely.minimum_bounding_radius(shapes) + high - low
    rows = np.flatnonzero(np.isfinite(low))
    turned = turned_between(net, chain[rows], (at - far)[rows], (at + far)[rows])
    rows = rows[turned > TURNED]
    lines = linestrings_at(net.chains.xy, net.chains.offsets, chain[rows])
    half = pits["street_width"].to_numpy(dtype=float)[rows] / 2
    roads = shapely.buffer(lines, half, cap_style="flat", join_style="mitre")
    over = shapely.intersection(shapes[rows], roads)
    taken = shapely.area(over) > 0.0  # what only touches the carriageway takes none of it
    rows, over = rows[taken], over[taken]
    if not len(rows):
        return low, high
    along, _ = spans_beside(net, chain[rows], at[rows], far[rows], Outlines.of(over))
    begin, end = low.copy(), high.copy()
    begin[rows] = np.minimum(low[rows], along[:, 0])
    end[rows] = np.maximum(high[rows], along[:, 1])
    return begin, end


def _past_its_end(
    net: StreetNet, chain: IntArray, at: FloatArray, far: FloatArray, xy: FloatArray
) -> FloatArray:
    """Return how far past the end of its street each place lies, m; less than 0 before its start.

    The streets, and ``at`` and ``far``, m, are as `spans_beside` takes them.
    """
    each = np.arange(len(chain))
    along, _ = spans_beside(net, chain, at, far, Outlines(xy, each, each))
    ends = net.places.at[net.chains.offsets[chain + 1] - 1]
    way = along[:, 0]
    return np.asarray(way - np.clip(way, 0.0, ends), dtype=np.float64)


def _string_space(ground: Shared, pulls: pd.DataFrame, strings: pd.DataFrame) -> pd.DataFrame:
    """Return the stretches of street the strings of every pull take as they lie.

    With ``lane_day``, what one of their lanes costs a day, and the days of fusing, waiting and
    pulling.
    """
    if ground.scene is None:
        return pd.DataFrame(columns=["pull_id", "lanes_taken", "lane_day"])
    days = pulls["string_days"] + pulls["wait_days"]
    rows = pulls.assign(pit_id=pulls["insertion_pit"], days=days)
    passage = Passage.of(ground.brief.street)
    taken = string_stretches(rows, strings, ground.scene.net.alike, passage)
    shut, lanes = (taken[c].to_numpy(dtype=np.int64) for c in ("lanes_taken", "street_lanes"))
    of_class = taken["street_class"].to_numpy(dtype=object)
    each = lane_day(of_class, shut[:, None], (lanes - shut)[:, None], site_rates(ground.brief))
    return taken.assign(lane_day=each[:, 0])


def _prices(brief: Brief) -> Prices:
    rates = brief.rates
    return Prices(
        setup=dict(zip(ROLES, set_up_rates(brief), strict=True)),
        excavation=rates.excavation,
        restoration=rates.restoration,
        open_laying=rates.open_laying,
        off_street=rates.off_street,
        support=rates.support,
        tie_in=rates.tie_in,
        temporary_service=rates.temporary_service,
        cleaning=rates.cleaning,
        testing=rates.testing,
        pull_setup=rates.pull_setup,
        joint=rates.joint,
        string_joint=rates.string_joint,
        pulling_hour=rates.pulling_hour,
        connection=rates.connection,
        valve=rates.valve,
        end_connection=rates.end_connection,
        in_pit_share=rates.in_pit_share,
        grout=rates.grout,
    )
