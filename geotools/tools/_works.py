"""What a plan means on site: strings, closures, digs, quantities, schedule, pits that overlap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Brief
from geotools.estimate.quantities import (
    Prices,
    pit_quantities,
    pull_quantities,
    run_quantities,
)
from geotools.estimate.schedule import schedule_runs
from geotools.intake.findings import Findings
from geotools.network.places import points_along
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.excavation import ENGINEER_DEPTH_M, needs_engineer
from geotools.pulls.digs import local_digs
from geotools.schema import length_text
from geotools.siting.axis import Axis
from geotools.siting.laydown import ramp_ends, ramp_tops
from geotools.siting.refusals import ROLES
from geotools.street.closures import ClosureRules, close_lanes
from geotools.street.strings import lay_strings
from geotools.tools._shared import Shared

__all__ = ["Works", "work_out"]

TOUCH_M2 = 0.01  # m2 of a string on a pit that count as lying over it


@dataclass(frozen=True)
class Works:
    """Tables of the contract by bare name; ``dig_count`` is per pull."""

    strings: pd.DataFrame
    closures: pd.DataFrame
    local_digs: pd.DataFrame
    quantities: pd.DataFrame
    schedule: pd.DataFrame
    dig_count: IntArray


def work_out(
    ground: Shared,
    table: pd.DataFrame,
    pits: pd.DataFrame,
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
) -> Works:
    """Work out what the plan of all runs means on site."""
    brief = ground.brief
    digs = local_digs(ground.digs, pulls, table["run_id"].to_numpy(dtype=object))
    counts = _dig_counts(digs, pulls)
    laid = _laid(ground, table, pits, pulls)
    net = None if ground.scene is None else ground.scene.net
    rules = ClosureRules(
        gap=brief.street.lateral_gap,
        taper=brief.street.taper,
        buffer=brief.street.buffer,
        keep_right=brief.street.keep_right,
    )
    priced = pulls.assign(
        connections=counts["connection"] + counts["lateral"],
        valves=counts["valve"],
        pipe_price=_of_run(table, pulls, "pipe_price"),
        annulus=_of_run(table, pulls, "annulus"),
        tails=sections["leave"].to_numpy(dtype=float),
        joint_hours=brief.pulls.string_joint_hours / 3600,
    )
    of_pits = pit_quantities(pits, _prices(brief), brief.output.units)
    of_pulls = pull_quantities(priced, _prices(brief), brief.output.units)
    total = counts["connection"] + counts["lateral"] + counts["valve"]
    waits = pulls.assign(digs=total, wait_hours=sections["wait_hours"].to_numpy(dtype=float))
    schedule = schedule_runs(table, pits, waits, brief.crew)
    _report_overlaps(pits, ground.layers.findings)
    _report_deep(pits, brief, ground.layers.findings)
    places: npt.NDArray[np.object_] = np.zeros(0, dtype=object)
    if ground.scene is not None:
        places = ground.scene.corridors.obstacles
    strings = lay_strings(
        laid, net, places, gap=brief.street.string_gap, piece=brief.pulls.piece_length
    )
    _report_strings(strings, pits, pulls, ground.layers.findings)
    _report_blocked(strings, places, ground.layers.findings)
    return Works(
        strings=strings,
        closures=close_lanes(_work_space(_with_days(pits, schedule)), net, rules),
        local_digs=_placed(ground, digs),
        quantities=pd.concat(
            [of_pits, of_pulls, run_quantities(of_pits, of_pulls)], ignore_index=True
        ),
        schedule=schedule,
        dig_count=total,
    )


def _of_run(table: pd.DataFrame, rows: pd.DataFrame, column: str) -> FloatArray:
    values = table[column].to_numpy(dtype=float)
    return np.asarray(values[rows["run"].to_numpy(dtype=np.int64)], dtype=np.float64)


def _dig_counts(digs: pd.DataFrame, pulls: pd.DataFrame) -> dict[str, IntArray]:
    """Count the digs of each kind on every pull."""
    place = {name: row for row, name in enumerate(pulls["pull_id"])}
    on = digs[digs["pull_id"] != ""]
    row = on["pull_id"].map(place).to_numpy(dtype=np.int64)
    kind = on["kind"].to_numpy(dtype=object)
    return {
        name: np.bincount(row[kind == name], minlength=len(pulls)).astype(np.int64)
        for name in ("connection", "lateral", "valve")
    }


def _placed(ground: Shared, digs: pd.DataFrame) -> pd.DataFrame:
    chains = ground.runs.chains
    run = digs["run"].to_numpy(dtype=np.int64)
    xy = points_along(chains.xy, chains.offsets, run, digs["chainage"].to_numpy(dtype=float))
    return digs.assign(x=xy[:, 0], y=xy[:, 1])


def _laid(
    ground: Shared, table: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame
) -> pd.DataFrame:
    """Add to every pull where its strings begin, from its insertion pit."""
    place = {name: row for row, name in enumerate(pits["pit_id"])}
    pit = pits.iloc[pulls["insertion_pit"].map(place).to_numpy(dtype=np.int64)]
    pit = pit.reset_index(drop=True)
    ahead = (pulls["direction"] == "ahead").to_numpy()
    run = pulls["run"].to_numpy(dtype=np.int64)
    face = np.where(ahead, pit["face_end"], pit["face_start"]).astype(float)
    box = np.where(ahead, pit["box_ahead"], pit["box_behind"]).astype(float)
    laid = pulls.assign(outside=_of_run(table, pulls, "outside"))
    axis = Axis(ground.runs.thinned)
    if ground.scene is None:
        return _straight(laid, axis, run, face, box, ahead)
    tops = ramp_tops(axis, ground.scene, run, face, box, ahead)
    street = tops.street
    half = street["street_width"].to_numpy(dtype=float) / 2 + ground.brief.street.verge
    return laid.assign(
        street_chain=street["street_chain"].to_numpy(dtype=np.int64),
        street_offset=street["street_offset"].fillna(0.0).to_numpy(dtype=float),
        street_name=street["street_name"].to_numpy(dtype=object),
        lay_at=street["street_at"].to_numpy(dtype=float),
        lay_forward=street["street_same"].to_numpy(dtype=bool),
        lay_width=half,
        top_x=tops.top[:, 0],
        top_y=tops.top[:, 1],
        lay_dx=tops.heading[:, 0],
        lay_dy=tops.heading[:, 1],
    )


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
        street_chain=-1,
        street_offset=0.0,
        street_name="",
        lay_at=0.0,
        lay_forward=True,
        lay_width=np.inf,
        top_x=top[:, 0],
        top_y=top[:, 1],
        lay_dx=heading[:, 0],
        lay_dy=heading[:, 1],
    )


def _with_days(pits: pd.DataFrame, schedule: pd.DataFrame) -> pd.DataFrame:
    """Add the first and the last working day at every pit."""
    days = schedule.assign(end=schedule["start_day"] + schedule["days"]).groupby("ref")
    return pits.assign(
        first_day=pits["pit_id"].map(days["start_day"].min()),
        last_day=pits["pit_id"].map(days["end"].max()),
    )


def _work_space(pits: pd.DataFrame) -> pd.DataFrame:
    """Add the stretch of street every pit takes, ramp included, m along its chain."""
    at = pits["street_at"].to_numpy(dtype=float)
    chainage = pits["chainage"].to_numpy(dtype=float)
    first = pits["face_start"].to_numpy(dtype=float)
    last = pits["face_end"].to_numpy(dtype=float)
    low = np.minimum(first, last - pits["box_ahead"].to_numpy(dtype=float)) - chainage
    high = np.maximum(last, first + pits["box_behind"].to_numpy(dtype=float)) - chainage
    same = pits["street_same"].to_numpy(dtype=bool)
    return pits.assign(
        work_low=np.where(same, at + low, at - high), work_high=np.where(same, at + high, at - low)
    )


def _prices(brief: Brief) -> Prices:
    rates = brief.rates
    one_way = rates.insertion_pit
    setup = (rates.receiving_pit, one_way, one_way, rates.two_way_pit)
    return Prices(
        setup=dict(zip(ROLES, setup, strict=True)),
        excavation=rates.excavation,
        restoration=rates.restoration,
        open_laying=rates.open_laying,
        off_street=rates.off_street,
        pull_setup=rates.pull_setup,
        joint=rates.joint,
        string_joint=rates.string_joint,
        pulling_hour=rates.pulling_hour,
        connection=rates.connection,
        valve=rates.valve,
        grout=rates.grout,
    )


def _report_deep(pits: pd.DataFrame, brief: Brief, findings: Findings) -> None:
    """Report pits so deep that their sides or support are an engineer's to design."""
    depth = pits["depth"].to_numpy(dtype=float) + brief.pits.bedding
    deep = pits[needs_engineer(np.clip(np.nan_to_num(depth), 0.0, 50.0))]
    limit = length_text(ENGINEER_DEPTH_M, brief.output.units)
    findings.add_points(
        "warning",
        "engineered-excavation",
        f"deeper than {limit}: a registered professional engineer designs its support "
        "(29 CFR 1926 Subpart P; other countries differ)",
        layer="pits",
        features=deep["pit_id"].to_numpy(dtype=object),
        xy=deep[["x", "y"]].to_numpy(dtype=float),
    )


def _report_strings(
    strings: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, findings: Findings
) -> None:
    """Report strings that lie over a pit that is not theirs."""
    if not len(strings):
        return
    own = strings["pull_id"].map(pulls.set_index("pull_id")["insertion_pit"]).to_numpy()
    lines, ground = strings["geometry"].to_numpy(dtype=object), pits["ground"].to_numpy()
    line, pit = shapely.STRtree(ground).query(lines, predicate="intersects")
    names = pits["pit_id"].to_numpy(dtype=object)
    over = shapely.area(shapely.intersection(lines[line], ground[pit])) > TOUCH_M2
    line, pit = line[over & (own[line] != names[pit])], pit[over & (own[line] != names[pit])]
    string = strings["string_id"].to_numpy(dtype=object)
    findings.add_points(
        "info",
        "string-over-pit",
        [
            f"string {string[a]} lies over pit {names[b]}: dig that pit after the pull, or plate "
            "it, or lead the string past it."
            for a, b in zip(line, pit, strict=True)
        ],
        layer="strings",
        features=string[line],
        xy=pits[["x", "y"]].to_numpy(dtype=float)[pit],
    )


def _report_blocked(
    strings: pd.DataFrame, places: npt.NDArray[np.object_], findings: Findings
) -> None:
    """Report strings that meet a hard place wherever in the street they lie."""
    line, place = shapely.STRtree(places).query(
        strings["geometry"].to_numpy(dtype=object), predicate="intersects"
    )
    line, first = np.unique(line, return_index=True)
    string = strings["string_id"].to_numpy(dtype=object)[line]
    where = shapely.get_coordinates(
        shapely.point_on_surface(
            shapely.intersection(strings["geometry"].to_numpy()[line], places[place[first]])
        )
    )
    findings.add_points(
        "warning",
        "string-in-the-way",
        [
            f"string {name} meets a place to avoid wherever across the street it lies: "
            "lead it round by hand, or forbid its pit."
            for name in string
        ],
        layer="strings",
        features=string,
        xy=where,
    )


def _report_overlaps(pits: pd.DataFrame, findings: Findings) -> None:
    """Report pits of different runs that share ground: one hole may serve both."""
    ground: npt.NDArray[np.object_] = pits["ground"].to_numpy(dtype=object)
    if not len(ground):
        return
    first, second = shapely.STRtree(ground).query(ground, predicate="intersects")
    run = pits["run"].to_numpy(dtype=np.int64)
    keep = (first < second) & (run[first] != run[second])
    first, second = first[keep], second[keep]
    names = pits["pit_id"].to_numpy(dtype=object)
    findings.add_points(
        "info",
        "pits-overlap",
        [
            f"pits {names[a]} and {names[b]} of two runs share ground: one hole may serve both; "
            "each is counted and priced as its own."
            for a, b in zip(first, second, strict=True)
        ],
        layer="pits",
        features=names[first],
        xy=pits[["x", "y"]].to_numpy(dtype=float)[first],
    )
