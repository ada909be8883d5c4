"""Lane closures at pits: work space, buffer and tapers on every approach that loses a lane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.pipe.factors import FOOT
from geotools.street.lanes import Approach, approach
from geotools.street.net import StreetNet
from geotools.street.strips import strip
from geotools.street.tapers import DOWNSTREAM_TAPER_M, buffer_length_m, merging_taper_m

__all__ = ["ONE_LANE_TAPER_M", "ClosureRules", "close_lanes"]

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
    "work_length",
    "downstream_taper",
    "days",
    "first_day",
    "last_day",
    "geometry",
]


@dataclass(frozen=True)
class ClosureRules:
    """Room between pit and traffic (m), fixed lengths (m) where the brief gives them."""

    gap: float
    taper: float | None
    buffer: float | None
    keep_right: bool


def close_lanes(pits: pd.DataFrame, net: StreetNet | None, rules: ClosureRules) -> pd.DataFrame:
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
    rows: list[dict[str, object]] = []
    if net is not None:
        for pit in pits[(pits["lanes_taken"] > 0) & (pits["street_chain"] >= 0)].to_dict("records"):
            halves = [_half(pit, rules, left=left) for left in (False, True)]
            for left, (half, other) in enumerate(zip(halves, halves[::-1], strict=True)):
                if int(half.closed[0]):
                    spare = int(other.left[0])
                    rows.append(_closure(pit, net, rules, half, left=bool(left), spare=spare))
    return _numbered(pd.DataFrame(rows, columns=COLUMNS))


def _numbered(table: pd.DataFrame) -> pd.DataFrame:
    """Number the closures of each pit, and of the strings of each pull, from one."""
    owner = table["pull_id"].where(table["pull_id"] != "", table["pit_id"])
    place = table.groupby(owner).cumcount() + 1
    return table.assign(closure_id=[f"{p}-T{k}" for p, k in zip(owner, place, strict=True)])


def _half(pit: dict[Any, Any], rules: ClosureRules, *, left: bool) -> Approach:
    """Return what the pit leaves of one half of the carriageway."""
    return approach(
        np.array([pit["edge_low"] - rules.gap]),
        np.array([pit["edge_high"] + rules.gap]),
        np.array([pit["street_width"]]),
        np.array([int(pit["street_lanes"])]),
        left=left,
    )


def _taper(width: float, speed: float, *, alternate: bool, rules: ClosureRules) -> float:
    """Return the length of the taper; shorter where traffic is stopped and takes turns."""
    if rules.taper is not None:
        return rules.taper
    return ONE_LANE_TAPER_M if alternate else float(merging_taper_m(width, speed))


def _closure(
    pit: dict[Any, Any],
    net: StreetNet,
    rules: ClosureRules,
    half: Approach,
    *,
    left: bool,
    spare: int,
) -> dict[str, object]:
    """Return the closure on one half of the carriageway; ``spare`` lanes stay on the other.

    A half that loses all its lanes is led over to the other one: on one lane the two directions
    take turns, on two or more each has its own and traffic merges as anywhere else. On a one-way
    street both halves go the same way and traffic merges into what is left of either.
    """
    closed, left_open, lane = int(half.closed[0]), int(half.left[0]), float(half.lane[0])
    sign, kerb = 1.0 if left else -1.0, pit["street_width"] / 2
    edge, line = (0.0, closed * lane) if half.from_middle[0] else (kerb, left_open * lane)
    speed = pit["street_speed"]
    alternate = left_open == 0 and spare < 2
    oneway = float(pit["street_oneway"])  # 1: all traffic goes the way the chain is drawn
    if oneway:
        left_open += spare
        alternate = False
    taper = _taper(closed * lane, speed, alternate=alternate, rules=rules)
    buffer = rules.buffer if rules.buffer is not None else float(buffer_length_m(speed))
    # whether traffic on this half goes the way the chain is drawn
    along = oneway > 0 if oneway else left != rules.keep_right
    return {
        "pit_id": pit["pit_id"],
        "pull_id": pit["pull_id"],
        "run_id": pit["run_id"],
        "street": pit["street_name"],
        "class": pit["street_class"],
        "side": "along" if along != _turned(pit, net) else "against",
        "lanes_closed": closed,
        "lanes_left": left_open,
        "speed": speed,
        "taper": taper,
        "buffer": buffer,
        "work_length": pit["work_high"] - pit["work_low"],
        "downstream_taper": DOWNSTREAM_TAPER_M,
        "days": pit["days"],
        "first_day": pit["first_day"],
        "last_day": pit["last_day"],
        "geometry": _shape(pit, net, sign * line, sign * edge, taper, buffer, along),
    }


def _turned(pit: dict[Any, Any], net: StreetNet) -> bool:
    """Return whether the chain goes against the street as drawn in the middle of the work."""
    chain = int(pit["street_chain"])
    middle = np.clip((pit["work_low"] + pit["work_high"]) / 2, 0.0, net.lengths[chain])
    return bool(net.reversed_at(np.array([chain]), np.array([middle]))[0])


def _shape(
    pit: dict[Any, Any],
    net: StreetNet,
    inner: float,
    edge: float,
    taper: float,
    buffer: float,
    along: bool,
) -> shapely.MultiPolygon:
    low, high = pit["work_low"], pit["work_high"]
    if along:
        stops = (low - buffer - taper, low - buffer, high, high + DOWNSTREAM_TAPER_M)
    else:
        stops = (high + buffer + taper, high + buffer, low, low - DOWNSTREAM_TAPER_M)
    # Where the street ends before the taper does, at a junction, the drawing ends with it.
    stops = tuple(np.clip(stops, 0.0, net.lengths[int(pit["street_chain"])]))
    corners = np.array([[stops[0], edge], [stops[1], inner], [stops[2], inner], [stops[3], edge]])
    shape = strip(net, int(pit["street_chain"]), corners)
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)
