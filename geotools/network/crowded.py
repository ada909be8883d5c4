"""Crowded mains: drawn side by side, with less between their axes than their pipes are thick."""

from __future__ import annotations

import numpy as np
import shapely

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.gaps import ROUNDING
from geotools.network.overlaps import find_overlaps
from geotools.network.places import points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray, linestrings_at

__all__ = ["report_crowded"]


def report_crowded(mains: Lines, *, lined: BoolArray, reach: float, findings: Findings) -> None:
    """Warn of mains to be lined whose pipes cannot lie beside each other as they are drawn.

    Half the diameters of both, which the pipes are at least as thick as, are more than the axes
    are apart. What is nearer than the reach is taken as drawn twice, and told there.

    Parameters
    ----------
    mains : Lines
    lined : ndarray of bool, shape (n,)
        Mains that count.
    reach : float
        As of `overlap_reach`, m.
    findings : Findings
    """
    diameter = mains.table["diameter"].to_numpy(dtype=float)
    found = find_overlaps(
        mains.xy,
        mains.offsets,
        chosen=lined & (diameter > reach),
        diameter=np.ones(len(mains)),  # whatever their sizes
        diameter_tolerance=0.0,
        reach=reach,
        thick=diameter,
    )
    apart = _apart(mains, found.line, found.low[:, 0], found.high[:, 0])
    needed = diameter[found.line].mean(axis=1)
    row = np.flatnonzero(apart >= reach - ROUNDING)
    _report(
        mains,
        found.line[row],
        found.low[row, 0],
        found.high[row, 0],
        apart[row],
        needed[row],
        findings,
    )


def _apart(mains: Lines, line: IntArray, low: FloatArray, high: FloatArray) -> FloatArray:
    """Return how far stretches of first lines lie from second ones, m.

    It is the middle one of three: at both ends, of which one may be a node of both lines, and half
    way.
    """
    if not len(line):
        return np.zeros(0)
    other = linestrings_at(mains.xy, mains.offsets, line[:, 1])
    away = [
        shapely.distance(
            shapely.points(points_along(mains.xy, mains.offsets, line[:, 0], at)), other
        )
        for at in (low, (low + high) / 2, high)
    ]
    return np.asarray(np.median(away, axis=0), dtype=np.float64)


def _report(
    mains: Lines,
    line: IntArray,
    low: FloatArray,
    high: FloatArray,
    apart: FloatArray,
    needed: FloatArray,
    findings: Findings,
) -> None:
    names = mains.table["feature"].to_numpy(dtype=object)[line].astype(str)
    names = np.sort(names, axis=1)
    findings.add_points(
        "warning",
        "mains-too-near",
        [
            f"mains {one} and {two} lie {findings.length(gap, 2)} from each other over "
            f"{findings.length(length)}, less than half their diameters together, "
            f"{findings.length(due, 2)}: two pipes cannot lie so. Both are planned. If it is one "
            "main drawn twice, delete one; else move them to where they lie."
            for (one, two), gap, length, due in zip(names, apart, high - low, needed, strict=True)
        ],
        layer="mains",
        features=names[:, 0],
        xy=points_along(mains.xy, mains.offsets, line[:, 0], (low + high) / 2),
    )
