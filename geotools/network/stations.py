"""Stations: points along runs, evenly spaced between the fixed points.

Fixed points are what the main has there (ends, bends, fittings, connections), not how it was
drawn or split, so that the same main always gets the same stations, from either end.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.errors import LayerError
from geotools.network.pieces import TOUCH
from geotools.network.places import Places, points_along
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    line_lengths,
    offsets_of,
)
from geotools.network.runs import Chains

__all__ = ["FIXED_KINDS", "build_stations", "joint_records"]

# In order of precedence where two fall together.
FIXED_KINDS = ("end", "bend", "fitting", "connection")
MM = 1e-3  # m; points nearer to each other than that are one
MOST_STATIONS = 50_000_000  # 500,000 km at 10 m: more than any one plan holds in memory


def build_stations(
    chains: Chains, fixed: pd.DataFrame, extra: pd.DataFrame, *, step: float
) -> pd.DataFrame:
    """Set out the stations of all runs.

    Parameters
    ----------
    chains : Chains
    fixed : DataFrame
        Points that spacing starts afresh from: ``run``, ``chainage`` (m), ``kind`` of
        `FIXED_KINDS`; run ends need not be listed.
    extra : DataFrame
        Points that get a station but do not shift the others, same columns: valves, laterals,
        hydrants.
    step : float
        Largest spacing, m.

    Returns
    -------
    DataFrame
        Sorted by run and chainage: ``run``, ``chainage``, ``kind``, ``x``, ``y``, ``line`` (row
        of the main), ``line_at`` (distance along that main as drawn, m), ``line_rate`` (metres
        along it for each of the run: less than 0 where the run goes against its drawing). At a
        joint of two mains that is the later one of the run; `joint_records` tells the other.

    Raises
    ------
    LayerError
        If there would be more than `MOST_STATIONS`.
    """
    lengths = line_lengths(chains.xy, chains.offsets)
    anchors = _distinct(pd.concat([_ends(lengths), fixed[["run", "chainage", "kind"]]]), lengths)
    between = _between(anchors, step)
    rows = _distinct(pd.concat([anchors, between, extra[["run", "chainage", "kind"]]]), lengths)
    run, chainage = rows["run"].to_numpy(), rows["chainage"].to_numpy()
    xy = points_along(chains.xy, chains.offsets, run, chainage)
    pieces = _pieces(chains)
    line, line_at, rate = _source(chains, pieces.holding(run, chainage, slack=1e-9), chainage)
    return rows.assign(x=xy[:, 0], y=xy[:, 1], line=line, line_at=line_at, line_rate=rate)


def _ends(lengths: FloatArray) -> pd.DataFrame:
    run = np.repeat(np.arange(len(lengths)), 2)
    chainage = np.stack([np.zeros(len(lengths)), lengths], axis=1).ravel()
    return pd.DataFrame({"run": run, "chainage": chainage, "kind": "end"})


def _distinct(rows: pd.DataFrame, lengths: FloatArray) -> pd.DataFrame:
    """Sort, keep within the run, and of points within a millimetre keep the weightiest kind."""
    run = rows["run"].to_numpy(dtype=np.int64)
    chainage = np.clip(rows["chainage"].to_numpy(dtype=float), 0.0, lengths[run])
    codes, kinds = pd.factorize(rows["kind"])
    weight = np.array([_weight(kind) for kind in kinds], dtype=np.int64)[codes]
    kept = np.lexsort([chainage, run])  # of equals the first given comes first
    near = _near(run[kept], chainage[kept])
    while near.any():
        kept = kept[_clear(chainage[kept], weight[kept], kept, near)]
        near = _near(run[kept], chainage[kept])
    kind = rows["kind"].to_numpy(dtype=object)
    return pd.DataFrame({"run": run[kept], "chainage": chainage[kept], "kind": kind[kept]})


def _near(run: IntArray, chainage: FloatArray) -> BoolArray:
    """Return which of the sorted points lie within a millimetre of the one before."""
    near = np.zeros(len(run), dtype=bool)
    near[1:] = (run[1:] == run[:-1]) & (np.diff(chainage) < MM - 1e-9)
    return near


def _clear(chainage: FloatArray, weight: IntArray, given: IntArray, near: BoolArray) -> BoolArray:
    """Return which points stay: of every row of near ones the weightiest, and what is clear of it.

    Of points as weighty the first ``given``.
    """
    group = np.cumsum(~near) - 1
    order = np.lexsort([given, weight, group])
    best = order[firsts(group[order])]
    stays: BoolArray = np.abs(chainage - chainage[best][group]) >= MM - 1e-9
    stays[best] = True
    return stays


def _weight(kind: str) -> int:
    return FIXED_KINDS.index(kind) if kind in FIXED_KINDS else len(FIXED_KINDS)


def _between(anchors: pd.DataFrame, step: float) -> pd.DataFrame:
    run, at = anchors["run"].to_numpy(), anchors["chainage"].to_numpy()
    same = run[1:] == run[:-1]
    start, gap = at[:-1][same], (at[1:] - at[:-1])[same]
    parts = np.maximum(np.ceil(gap / step - 1e-9).astype(np.int64), 1)
    inner = parts - 1
    count = int(inner.sum())
    if count > MOST_STATIONS:
        raise LayerError(
            "mains",
            f"their runs are {gap.sum() / 1e3:,.0f} km long: stations every {step:g} m would be "
            f"{count:,}, more than the {MOST_STATIONS:,} one plan may have; raise ground.step, or "
            "plan by districts (slipmain batch)",
        )
    bounds = offsets_of(inner)
    local = np.arange(bounds[-1]) - np.repeat(bounds[:-1], inner) + 1
    chainage = np.repeat(start, inner) + np.repeat(gap / parts, inner) * local
    return pd.DataFrame(
        {"run": np.repeat(run[:-1][same], inner), "chainage": chainage, "kind": "step"}
    )


def joint_records(chains: Chains, stations: pd.DataFrame) -> pd.DataFrame:
    """Return the other main of every station on a joint of two.

    Parameters
    ----------
    chains : Chains
    stations : DataFrame
        As `build_stations` gives them.

    Returns
    -------
    DataFrame
        ``station`` (row of it), and ``line``, ``line_at``, ``line_rate`` of the other main. Which
        of the two the station has hangs on which way the run goes, and so on where north is.
    """
    run, chainage = stations["run"].to_numpy(), stations["chainage"].to_numpy()
    before, after = _pieces(chains).beside(run, chainage, touch=TOUCH)
    lines = chains.pieces["line"].to_numpy()
    at = np.flatnonzero(lines[before] != lines[after])
    own = stations["line"].to_numpy()[at]
    other = np.where(lines[after[at]] == own, before[at], after[at])
    line, line_at, rate = _source(chains, other, chainage[at])
    return pd.DataFrame({"station": at, "line": line, "line_at": line_at, "line_rate": rate})


def _pieces(chains: Chains) -> Places:
    """Return the pieces of the runs by where they start."""
    pieces = chains.pieces
    return Places.of(pieces["run"].to_numpy(), pieces["start"].to_numpy(), len(chains))


def _source(
    chains: Chains, row: IntArray, chainage: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return main, distance along it as drawn, and how that grows, at places on pieces."""
    pieces = chains.pieces
    start, end = pieces["start"].to_numpy(), pieces["end"].to_numpy()
    size = end[row] - start[row]
    whole = np.where(size > 0, size, 1.0)
    share = np.clip((chainage - start[row]) / whole, 0.0, 1.0)
    first, last = pieces["line_start"].to_numpy()[row], pieces["line_end"].to_numpy()[row]
    rate = np.where(size > 0, (last - first) / whole, 0.0)
    return pieces["line"].to_numpy()[row], first + share * (last - first), rate
