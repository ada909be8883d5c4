"""The streets as the pits see them: network, corridors for strings, ground of the streets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import in_threads, ready_tree
from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray, IntArray, to_linestrings
from geotools.street.context import STREET_COLUMNS, street_context
from geotools.street.laydown import Corridors, build_corridors
from geotools.street.net import StreetNet, build_streets, one_way

__all__ = ["StreetGround", "StreetScene", "build_scene", "with_street"]


class StreetGround:
    """Carriageways with their verges, drawn where they are asked for.

    Parameters
    ----------
    lines : ndarray of linestrings, shape (k,)
        Centrelines.
    half_width : ndarray, shape (k,)
        Half of carriageway and verges, m.
    """

    def __init__(self, lines: npt.NDArray[np.object_], half_width: FloatArray) -> None:
        self._tree, self._half_width = ready_tree(lines), half_width
        self._drawn: npt.NDArray[np.object_] = np.full(len(lines), None, dtype=object)

    def near(self, shapes: npt.NDArray[np.object_]) -> tuple[IntArray, IntArray]:
        """Return shapes and the streets that may lie in them."""
        farthest = float(self._half_width.max(initial=0.0))
        shape, street = self._tree.query(shapes, predicate="dwithin", distance=farthest)
        return shape, street

    def polygons(self, street: IntArray) -> npt.NDArray[np.object_]:
        """Return the ground of streets."""
        new = np.unique(street[shapely.is_missing(self._drawn[street])])
        # Two threads may draw the same street: alike.
        self._drawn[new] = in_threads(
            shapely.buffer, self._tree.geometries[new], self._half_width[new]
        )
        return np.asarray(self._drawn[street], dtype=object)


@dataclass(frozen=True)
class StreetScene:
    """Streets, what stops strings along them, the ground of the streets, settings."""

    net: StreetNet
    corridors: Corridors
    ground: StreetGround
    rules: Street


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
        Receives crossings with no node that were taken as intersections.
    """
    net = build_streets(streets, rules, tolerance=tolerance, accuracy=accuracy)
    _report_unread(streets, findings)
    if rules.crossing_without_node == "intersection":
        _report_crossings(net, streets, findings)
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
    ground = StreetGround(to_linestrings(streets.xy, streets.offsets), half)
    return StreetScene(net, corridors, ground, rules)


def _report_unread(streets: Lines, findings: Findings) -> None:
    """Report streets whose word on one-way traffic is none that is known."""
    rows = np.flatnonzero(one_way(streets.table)[1])
    if not len(rows):
        return
    said = streets.table["oneway"].to_numpy(dtype=object)[rows]
    findings.add_many(
        "warning",
        "oneway-not-read",
        [
            f"oneway is {word!r}; taken as both ways: give along, against or both, or leave it out"
            for word in said
        ],
        layer="streets",
        features=streets.table["feature"].astype(str).to_numpy(dtype=object)[rows],
        geometry=to_linestrings(streets.xy, streets.offsets)[rows],
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
    stations: pd.DataFrame, heading: FloatArray, scene: StreetScene | None, rules: Street
) -> pd.DataFrame:
    """Add the street's columns to stations; empty ones where there are no streets."""
    xy = stations[["x", "y"]].to_numpy(dtype=float)
    if scene is None:
        empty = {
            name: (np.full(len(xy), "", dtype=object) if kind is str else np.full(len(xy), np.nan))
            for name, kind in STREET_COLUMNS.items()
        }
        return stations.assign(**empty).assign(street_chain=-1, street_same=True)
    context = street_context(scene.net, xy, heading, reach=rules.reach, parallel=rules.parallel)
    return stations.join(context.set_index(stations.index))
