"""Strings as they come to lie: what is in their way, and what they are in the way of; findings."""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.estimate.schedule import SAME
from geotools.intake.findings import Findings
from geotools.layout.shared import Shared
from geotools.layout.unknown_ground import ground_slope, report_bare_strings
from geotools.network.ragged import FloatArray, to_linestrings
from geotools.pipe.pulling import friction_band
from geotools.schema import quantity_text
from geotools.units import percent_text

__all__ = [
    "report_beyond",
    "report_blocked",
    "report_other_lanes",
    "report_slopes",
    "report_stiff",
    "report_straight",
    "report_waiting",
]

_LEFT_STREET = (
    "in no street, up to {} from the centreline of the one the pit stands in: the main goes askew "
    "to it there; agree the ground with its owner, or insert from another pit."
)
_IN_NONE = (
    "which stands in no street, up to {} from it, over ground of which only places to avoid are "
    "known: see that it is free and get an easement, or fix another pit or forbid this one "
    "(pit_edits)."
)
WAIT_DAYS = 1.0  # that strings lie longer than priced and are not worth a word
SAME_PRICE = 1e-9  # share; two prices of one thing differ by rounding only


def report_waiting(pulls: pd.DataFrame, strings: pd.DataFrame, findings: Findings) -> None:
    """Report, a finding a run, strings whose lanes are shut longer than is priced.

    Parameters
    ----------
    pulls : DataFrame
        ``run_id``, ``pull_id``, ``lanes_taken`` (priced), ``wait_days`` (fused before the pull).
    strings : DataFrame
        ``pull_id``, ``geometry``.
    findings : Findings
    """
    rows = pulls[(pulls["wait_days"] > WAIT_DAYS + SAME) & (pulls["lanes_taken"] > 0)]
    rows = rows.assign(beyond=rows["lanes_taken"] * rows["wait_days"])
    runs = rows.groupby("run_id", sort=False, observed=True).agg(
        pulls=("pull_id", "size"),
        most=("wait_days", "max"),
        beyond=("beyond", "sum"),
        first=("pull_id", "first"),
    )
    places = strings.drop_duplicates("pull_id").set_index("pull_id")["geometry"]
    findings.add_many(
        "warning",
        "strings-wait",
        [
            f"run {run}: strings of {row.pulls} {'pull' if row.pulls == 1 else 'pulls'} lie in the "
            f"street for up to {row.most:.1f} days between fusing and pulling, while others are "
            f"fused: {row.beyond:.1f} lane-days more than are priced; fuse faster "
            "(crew.joints_per_day), or off the street, or count them in"
            for run, row in zip(runs.index, runs.itertuples(index=False), strict=True)
        ],
        layer="runs",
        features=runs.index.to_numpy(dtype=object),
        geometry=places.loc[runs["first"]].to_numpy(dtype=object),
    )


def report_blocked(
    strings: pd.DataFrame,
    hard: npt.NDArray[np.object_],
    soft: npt.NDArray[np.object_],
    findings: Findings,
) -> None:
    """Report strings that meet a hard or a soft place wherever in the street they lie."""
    shapes = strings["geometry"].to_numpy(dtype=object)
    cases = (
        (hard, "warning", "meets a place to avoid", "lead it round by hand, or forbid its pit."),
        (soft, "info", "meets a place better left free", "agree it, or lead it round by hand."),
    )
    where = (
        "wherever across the street it lies",
        "wherever across the street it lies without a lane more or a place to avoid",
    )
    for (places, severity, fact, advice), across in zip(cases, where, strict=True):
        line, place = shapely.STRtree(places).query(shapes, predicate="intersects")
        line, first = np.unique(line, return_index=True)
        string = strings["string_id"].to_numpy(dtype=object)[line]
        met = shapely.intersection(shapes[line], places[place[first]])
        findings.add_points(
            severity,
            "string-in-the-way",
            [f"string {name} {fact} {across}: {advice}" for name in string],
            layer="strings",
            features=string,
            xy=shapely.get_coordinates(shapely.point_on_surface(met)),
        )


def report_straight(
    strings: pd.DataFrame, laid: pd.DataFrame, pits: pd.DataFrame, ground: Shared
) -> None:
    """Report, a finding a pull, strings that lie in no street though streets are given.

    Where the main goes askew to its street no street goes on the way of the pull, and a pit may
    stand in none: they lie straight back, over whatever ground there is.
    """
    if ground.scene is None or not len(strings):
        return
    net, findings = ground.scene.net, ground.layers.findings
    pit = pd.Index(pits["pit_id"]).get_indexer(laid["insertion_pit"])
    chain = pits["street_chain"].to_numpy(dtype=np.int64)[pit]
    pull = pd.Index(laid["pull_id"]).get_indexer(strings["pull_id"])
    rows = np.flatnonzero((laid["street_chain"].to_numpy() < 0)[pull])
    shapes, pull = strings["geometry"].to_numpy(dtype=object)[rows], pull[rows]
    marks = shapely.points(pits[["x", "y"]].to_numpy(dtype=float)[pit[pull]])
    on = chain[pull] >= 0  # told by the centreline of their street, others by their pit
    marks[on] = to_linestrings(net.chains.xy, net.chains.offsets)[chain[pull[on]]]
    far = np.zeros(len(laid))
    np.maximum.at(far, pull, _farthest(shapes, marks))
    pull, first = np.unique(pull, return_index=True)
    names = laid["pull_id"].to_numpy(dtype=object)[pull]
    findings.add_many(
        "warning",
        "string-off-street",
        [
            f"strings of pull {name} lie straight back from pit {stands}, "
            + (_LEFT_STREET if street else _IN_NONE).format(findings.length(most, 0))
            for name, stands, most, street in zip(
                names,
                laid["insertion_pit"].to_numpy(dtype=object)[pull],
                far[pull],
                chain[pull] >= 0,
                strict=True,
            )
        ],
        layer="strings",
        features=names,
        geometry=shapely.point_on_surface(shapes[first]),
    )


def report_stiff(strings: pd.DataFrame, laid: pd.DataFrame, ground: Shared) -> None:
    """Report pulls whose strings cannot turn into their street from the ramp as it is dug.

    Room is judged by the ramp of a pit that inserts one way; of one that inserts both ways, in a
    bend, each goes straight on from its own face.
    """
    if ground.scene is None or not len(strings):
        return
    stiff = laid.loc[~laid["lay_turned"], "pull_id"].to_numpy(dtype=object)
    shapes = strings.drop_duplicates("pull_id").set_index("pull_id")["geometry"]
    ground.layers.findings.add_many(
        "warning",
        "string-too-stiff",
        [
            f"strings of pull {name} come out of their ramp at an angle to the street, and bent no "
            "tighter than the carrier may be they swing out past the half of the street that they "
            "lie in: move the pit, or guide them round on ground agreed for it."
            for name in stiff
        ],
        layer="strings",
        features=stiff,
        geometry=shapely.point_on_surface(shapes.loc[stiff].to_numpy(dtype=object)),
    )


def _farthest(
    shapes: npt.NDArray[np.object_], lines: npt.NDArray[np.object_]
) -> npt.NDArray[np.float64]:
    """Return how far from each line the farthest corner of its shape lies, m."""
    points, of = shapely.get_coordinates(shapes, return_index=True)
    far = np.zeros(len(shapes))
    np.maximum.at(far, of, shapely.distance(shapely.points(points), lines[of]))
    return far


def report_beyond(strings: pd.DataFrame, findings: Findings) -> None:
    """Report, a finding a pull, strings that need the other half of the street or more."""
    words = {
        "middle": (
            "info",
            "lie over the middle of the street, on the half that is not their pit's: its lanes "
            "are closed and priced with them; street.strings_over_middle = false refuses that",
        ),
        "verge": (
            "warning",
            "find no room on carriageway and verge: find them ground beside the street, or make "
            "the pull shorter",
        ),
    }
    for where, (severity, text) in words.items():
        # What a string is led to past a place to avoid is not priced; that is told by itself.
        rows = strings[(strings["beyond"] == where) & ((where == "verge") | ~strings["led"])]
        counts, first = Counter(rows["pull_id"]), rows.drop_duplicates("pull_id")
        findings.add_many(
            severity,
            f"strings-beyond-{where}",
            [f"{count} of the strings of pull {pull} {text}" for pull, count in counts.items()],
            layer="strings",
            features=first["pull_id"].to_numpy(dtype=object),
            geometry=first["geometry"].to_numpy(dtype=object),
        )


def report_slopes(strings: pd.DataFrame, pulls: pd.DataFrame, ground: Shared) -> None:
    """Report strings on ground so steep that they may run by themselves, or drag much more.

    ``pulls`` with ``weight``, that of the empty string, N/m. The forces take the rollers as level.
    """
    if ground.levels is None or not len(strings):
        return
    near, far = _string_ends(strings["geometry"].to_numpy(dtype=object))
    length = strings["length"].to_numpy(dtype=float)
    slope = ground_slope(ground, near, far)
    report_bare_strings(strings, slope, ground)
    # What the brief's rollers hold, if less than rollers do at the least.
    least = min(friction_band("rollers").low, ground.brief.pulls.roller_friction)
    weight = pulls.set_index("pull_id")["weight"].loc[strings["pull_id"]].to_numpy(dtype=float)
    by_slope = weight * length * np.abs(slope) / np.hypot(1.0, slope)
    held = np.where(slope > 0, least * weight * length / np.hypot(1.0, slope), 0.0)
    hold = percent_text(least)
    rows = np.flatnonzero(np.abs(slope) > least)  # nowhere where a level is not known
    findings = ground.layers.findings
    findings.add_many(
        "warning",
        "string-on-slope",
        [
            f"string {name} lies on ground that {'rises' if up else 'falls'} {abs(steep):.0%} from "
            f"its pit, rollers hold {hold} at the least: "
            + (
                f"it may run to the pit by itself, with up to {force}; hold it back from when it "
                "is fused until it is in."
                if up
                else f"pulling it up takes up to {force} more than the forces of the pull count."
            )
            + " They take the rollers as level."
            for name, up, steep, force in zip(
                strings["string_id"].iloc[rows],
                slope[rows] > 0,
                slope[rows],
                [quantity_text(f, "force", findings.system) for f in (by_slope - held)[rows]],
                strict=True,
            )
        ],
        layer="strings",
        features=strings["string_id"].to_numpy(dtype=object)[rows],
        geometry=shapely.points(near[rows]),
    )


def _string_ends(shapes: npt.NDArray[np.object_]) -> tuple[FloatArray, FloatArray]:
    """Return where strings as drawn begin, and the place of each that is farthest from there."""
    xy, row = shapely.get_coordinates(shapes, return_index=True)
    first = np.searchsorted(row, np.arange(len(shapes)))
    near = xy[first]
    away = np.hypot(*(xy - near[row]).T)
    order = np.lexsort([-away, row])
    return near, xy[order[first]]


def report_other_lanes(
    pulls: pd.DataFrame,
    spaces: pd.DataFrame,
    strings: pd.DataFrame,
    currency: str,
    findings: Findings,
) -> None:
    """Report pulls whose strings close other lanes than are priced, as they lie, or dearer ones.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``lanes_taken`` (priced), ``traffic_cost``, ``string_days``, ``street_chain``.
    spaces : DataFrame
        ``pull_id``, ``lanes_taken`` (of one street), as `string_stretches` gives them, and
        ``lane_day``, what each costs a day.
    strings : DataFrame
        ``pull_id``, ``led``, ``geometry``.
    currency : str
    findings : Findings
    """
    pulls = pulls[pulls["street_chain"] >= 0]
    names = pulls["pull_id"].to_numpy(dtype=object)
    most = spaces.groupby("pull_id")[["lanes_taken", "lane_day"]].max().reindex(names, fill_value=0)
    closed, rate = (most[name].to_numpy(dtype=float) for name in most)
    priced, cost, days = (
        pulls[name].to_numpy(dtype=float) for name in ("lanes_taken", "traffic_cost", "string_days")
    )
    due = closed * rate
    paid = np.where(days > 0, cost / np.where(days > 0, days, 1.0), due)
    other = (closed != priced) | ~np.isclose(due, paid, rtol=SAME_PRICE, atol=SAME_PRICE)
    led = np.isin(names, strings.loc[strings["led"], "pull_id"].to_numpy(dtype=object))
    places = strings.drop_duplicates("pull_id").set_index("pull_id")["geometry"]
    for rule, rows, why in (
        ("strings-led-round", led, "are led past a place to avoid"),
        ("strings-other-lanes", ~led, "lie a little other than they are judged from their pit"),
    ):
        told = np.flatnonzero(rows & other)
        findings.add_many(
            "warning",
            rule,
            [
                f"strings of pull {names[k]} {why} and take {_lanes_text(closed[k], due[k])} "
                f"{currency} a day; priced are {_lanes_text(priced[k], paid[k])}: move the pit, or "
                "lead them round by hand"
                for k in told
            ],
            layer="strings",
            features=names[told],
            geometry=places.loc[names[told]].to_numpy(dtype=object),
        )


def _lanes_text(lanes: float, cost: float) -> str:
    """Return so many lanes, and what all of them cost a day, as text."""
    return f"{lanes:.0f} {'lane' if lanes == 1 else 'lanes'} for {cost:,.0f}"
