"""The streets as the pits see them: network, corridors for strings, ground of the streets."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import in_threads
from geotools.brief import Street
from geotools.intake.among import among, in_small
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings, counted
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    offsets_of,
    take,
    to_linestrings,
)
from geotools.schema import quantity_text
from geotools.street.context import (
    OF_PLACES,
    STREET_COLUMNS,
    TIE,
    Spots,
    context_of,
    find_streets,
)
from geotools.street.laydown import Corridors, build_corridors
from geotools.street.misses import report_misses
from geotools.street.net import StreetNet, build_streets, on_record
from geotools.street.precedence import first_of_two

__all__ = ["StreetGround", "StreetScene", "build_scene", "with_street"]

NARROW, WIDE = 2.0, 8.0  # m; no lane of a street is less, or more. Common practice, no source
SPARE = 200.0  # m, around the places asked for: the next carrier's pits lie a little elsewhere


class StreetGround:
    """Carriageways with their verges, drawn where they are asked for.

    Centrelines are numbers; those around the places last asked for are drawn and put in a tree.
    So it is not to be shared by threads: each takes one `afresh`.

    Parameters
    ----------
    xy, offsets
        Vertices of the centrelines, as of `Lines`.
    half_width : ndarray, shape (k,)
        Half of carriageway and verges, m.
    """

    def __init__(self, xy: FloatArray, offsets: IntArray, half_width: FloatArray) -> None:
        self._xy, self._offsets, self._half_width = xy, offsets, half_width
        self._farthest = float(half_width.max(initial=0.0))
        self._drawn: dict[int, Any] = {}
        self._around: tuple[FloatArray, IntArray, shapely.STRtree] | None = None

    def afresh(self) -> StreetGround:
        """Return the same streets, none drawn yet."""
        return StreetGround(self._xy, self._offsets, self._half_width)

    def near(self, shapes: npt.NDArray[np.object_]) -> tuple[IntArray, IntArray]:
        """Return shapes and the streets that may lie in them, rising by both."""
        rows, tree = self._tree(shapely.total_bounds(shapes))
        shape, found = tree.query(shapes, predicate="dwithin", distance=self._farthest)
        street = rows[found]
        order = np.lexsort([street, shape])
        return shape[order], street[order]

    def _tree(self, bounds: FloatArray) -> tuple[IntArray, shapely.STRtree]:
        """Return the streets that come within reach of a box, and some around, and their tree."""
        known = self._around
        if known is None or (bounds[:2] < known[0][:2]).any() or (bounds[2:] > known[0][2:]).any():
            box = bounds + SPARE * np.array([-1.0, -1.0, 1.0, 1.0])
            rows = self._within(box + self._farthest * np.array([-1.0, -1.0, 1.0, 1.0]))
            known = box, rows, shapely.STRtree(self._lines(rows))
            self._around = known
        return known[1:]

    def _within(self, box: FloatArray) -> IntArray:
        """Return the streets whose own box meets one."""
        if not len(self._half_width):
            return np.zeros(0, dtype=np.int64)
        low, high = (of.reduceat(self._xy, self._offsets[:-1]) for of in (np.minimum, np.maximum))
        return np.flatnonzero(((high >= box[:2]) & (low <= box[2:])).all(axis=1))

    def _lines(self, rows: IntArray) -> npt.NDArray[np.object_]:
        bounds = offsets_of(np.diff(self._offsets)[rows])
        return to_linestrings(self._xy[take(self._offsets, rows)], bounds)

    def polygons(self, street: IntArray) -> npt.NDArray[np.object_]:
        """Return the ground of streets."""
        of, place = np.unique(street, return_inverse=True)
        new = np.array([row for row in of.tolist() if row not in self._drawn], dtype=np.int64)
        drawn = in_threads(shapely.buffer, self._lines(new), self._half_width[new])
        self._drawn.update(zip(new.tolist(), drawn, strict=True))
        found = np.empty(len(of), dtype=object)
        found[:] = [self._drawn[row] for row in of.tolist()]
        return np.asarray(found[place], dtype=object)


@dataclass(frozen=True)
class StreetScene:
    """Streets, what stops strings along them, the ground of the streets, settings."""

    net: StreetNet
    corridors: Corridors
    ground: StreetGround
    rules: Street

    def afresh(self) -> StreetScene:
        """Return the scene for one thread: the ground of the streets is drawn anew."""
        return replace(self, ground=self.ground.afresh())

    def at_rest(self) -> StreetScene:
        """Return the scene without what pits alone are looked up by; it is made when asked for."""
        net = self.net.at_rest()
        corridors = replace(self.corridors, net=net, known={})
        return StreetScene(net, corridors, self.ground.afresh(), self.rules)


def build_scene(
    streets: Lines,
    obstacles: npt.NDArray[np.object_],
    rules: Street,
    *,
    tolerance: float,
    accuracy: float,
    clear: float,
    findings: Findings,
) -> StreetScene:
    """Build the scene.

    Parameters
    ----------
    streets : Lines
    obstacles : ndarray of polygons
        Hard places to avoid.
    rules : Street
        Section of the brief.
    tolerance, accuracy, clear : float
        Snap tolerance, survey accuracy, and distance kept from intersections, m.
    findings : Findings
        Receives crossings with no node that were taken as intersections, and ends that stop short
        of another street.
    """
    net = build_streets(streets, rules, tolerance=tolerance, accuracy=accuracy)
    _report_gaps(streets, rules, findings)
    _report_lane_widths(streets, findings)
    _report_classes(net, rules, findings)
    if rules.crossing_without_node == "intersection":
        _report_crossings(net, streets, findings)
    report_misses(net, streets, tolerance=tolerance, findings=findings)
    corridors = build_corridors(
        net,
        obstacles,
        no_block=rules.no_block,
        clear=clear,
        verge=rules.verge,
        accuracy=accuracy,
        max_turn=rules.max_turn,
    )
    half = net.table["width"].to_numpy(dtype=float) / 2 + rules.verge
    ground = StreetGround(streets.xy, streets.offsets, half)
    return StreetScene(net, corridors, ground, rules)


def _report_gaps(streets: Lines, rules: Street, findings: Findings) -> None:
    """Report what streets do not say, and what is taken instead."""
    speed = quantity_text(rules.default_speed, "speed", findings.system, 0)
    instead = {
        "class": "taken as unclassified, which street.no_block and rates.lane_day may not name",
        "lanes": f"taken as {rules.default_lanes} (street.default_lanes)",
        "width": f"taken as {findings.length(rules.lane_width)} for each lane (street.lane_width)",
        "speed": f"taken as {speed} (street.default_speed), by which tapers and buffers go",
    }
    for name, known in on_record(streets.table).items():
        missing = int((~known).sum())
        if missing:
            findings.add(
                "info",
                "street-not-on-record",
                f"{name} is not on record for {missing:,} of {len(known):,} streets; "
                f"{instead[name]}",
                layer="streets",
                feature=name,
            )


def _report_lane_widths(streets: Lines, findings: Findings) -> None:
    """Report streets whose lanes and width on record cannot both be right."""
    table, known = streets.table, on_record(streets.table)
    lanes, width = (table[name].to_numpy(dtype=float) for name in ("lanes", "width"))
    lane = width / np.maximum(lanes, 1.0)
    odd = known["lanes"] & known["width"] & ((lane < NARROW) | (lane > WIDE))
    rows = np.flatnonzero(odd)
    findings.add_many(
        "warning",
        "lane-width-doubtful",
        [
            f"{count:.0f} lanes in {findings.length(whole)} of carriageway are "
            f"{findings.length(each)} each; used as they are: check lanes and width"
            for count, whole, each in zip(lanes[rows], width[rows], lane[rows], strict=True)
        ],
        layer="streets",
        features=table["feature"].astype(str).to_numpy(dtype=object)[rows],
        geometry=to_linestrings(streets.xy, streets.offsets)[rows],
    )


def _report_classes(net: StreetNet, rules: Street, findings: Findings) -> None:
    """Report that no street has a class that may not be blocked: its words may be others."""
    classes = net.table["class"].astype(str)
    busy = [in_small(word.strip()) for word in rules.no_block]
    if len(classes) and busy and not among(classes, busy).any():
        findings.add(
            "info",
            "no-busy-street",
            f"no street has a class of street.no_block ({', '.join(busy)}); there are "
            f"{counted(classes)}. None is too busy for a pit that closes all its lanes, or for a "
            "string across it.",
            layer="streets",
        )


def _report_crossings(net: StreetNet, streets: Lines, findings: Findings) -> None:
    """Report every crossing with no common node that was taken as an intersection."""
    names = streets.table["feature"].astype(str).to_numpy(dtype=object)[net.unnoded.lines]
    findings.add_points(
        "warning",
        "streets-cross",
        [
            (f"street {a} crosses itself" if a == b else f"streets {a} and {b} cross")
            + " with no common node; taken as an intersection: pits keep "
            "clear of it and strings stop where its class may not be blocked. If they meet, split "
            "both there; if one passes over the other, split those that do meet and set "
            "street.crossing_without_node to bridge"
            for a, b in names
        ],
        layer="streets",
        features=names[:, 0],
        xy=net.unnoded.xy,
    )


def with_street(
    stations: pd.DataFrame,
    heading: FloatArray,
    before: FloatArray,
    scene: StreetScene | None,
    rules: Street,
) -> pd.DataFrame:
    """Add the street's columns to stations; empty ones where there are no streets.

    ``heading`` and ``before`` are unit vectors along the main after and before each station.
    Where a main turns into a street or out of it, it is not along the street yet, or no more:
    there it has none, whichever way it goes. Where it turns from one street into another it is in
    that in which it stands farther (`_farther_in`).
    """
    xy = stations[["x", "y"]].to_numpy(dtype=float)
    if scene is None:
        empty = {
            name: (np.full(len(xy), "", dtype=object) if kind is str else np.full(len(xy), np.nan))
            for name, kind in STREET_COLUMNS.items()
        }
        return stations.assign(**empty).assign(street_chain=-1, street_same=True)
    limits = {"reach": rules.reach, "parallel": rules.parallel}
    spots = find_streets(scene.net, xy, heading, **limits)
    turns = np.flatnonzero(spots.known & (heading != before).any(axis=1))
    left = find_streets(scene.net, xy[turns], before[turns], **limits)
    if len(turns):
        ways = before[turns], heading[turns]
        taken = _farther_in(left, spots.of(turns), xy[turns], *ways)
        for name in OF_PLACES:
            getattr(spots, name)[turns[taken]] = getattr(left, name)[taken]
    return stations.join(context_of(spots).set_index(stations.index))


def _farther_in(
    left: Spots, entered: Spots, xy: FloatArray, before: FloatArray, heading: FloatArray
) -> BoolArray:
    """Return where a main is in the street it leaves at a corner, not in that it enters.

    Where it leaves none it is in none. Of two it is in that whose kerb it lies farther inside of,
    then in the first by `first_of_two`, then in that along which its leg runs more nearly, and in
    that on whose side of the mitre the place lies, as `find_streets` has it; at last in the one
    whose leg goes farther west, or south, from the corner: which way the run goes says nothing.
    """
    past = [np.abs(spots.offset) - spots.number("width") / 2 for spots in (left, entered)]
    gap = np.nan_to_num(past[1] - past[0])
    sign = np.where(np.abs(gap) > TIE, np.sign(gap), 0.0)
    ways = np.round(heading + before, 6)  # of the legs, the other way round for the one before
    lies = left.lies(xy, before) - entered.lies(xy, heading)
    first = first_of_two(left.net.column, left.line, entered.line)
    for tie in (first, *np.sign(np.round(lies, 6)), *np.sign(ways).T):
        sign = np.where(sign == 0, tie, sign)
    return ~left.known | (sign > 0)
