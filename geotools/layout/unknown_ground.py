"""Pits, ramps and strings where no ground level is known: what was filled in; findings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geotools.layout.shared import Shared
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray
from geotools.network.stretches import EDGE
from geotools.pipe.pits import SLOPE_OVER_M

__all__ = ["ground_slope", "report_bare_pits", "report_bare_ramps", "report_bare_strings"]

LOOKED = 9  # places along a string whose ends have no level
LEAST_KNOWN = 0.25  # of a string between levels known, to tell its slope from. Judgement.


def report_bare_pits(pits: pd.DataFrame, ground: Shared) -> None:
    """Warn of pits that stand where the ground is not known, though it is elsewhere on the run."""
    stations, runs = ground.stations, len(ground.runs.table)
    bare = np.isnan(stations["ground_z"].to_numpy(dtype=float))
    run = pits["run"].to_numpy(dtype=np.int64)
    if not bare.any() or not len(run):
        return
    places = Places.of(
        stations["run"].to_numpy(dtype=np.int64), stations["chainage"].to_numpy(dtype=float), runs
    )
    at, before, after = (pits[n].to_numpy(dtype=float) for n in ("chainage", "before", "after"))
    first = places.search(run, at - before - EDGE)
    last = places.search(run, at + after + EDGE, "right")
    count = np.concatenate([[0], np.cumsum(bare)])
    rows = np.flatnonzero((count[last] > count[first]) & _known_elsewhere(ground, bare)[run])
    names = pits["pit_id"].to_numpy(dtype=object)[rows]
    findings = ground.layers.findings
    findings.add_points(
        "warning",
        "pit-ground-unknown",
        [
            f"pit {name} stands where no ground level is known: its depth of "
            f"{findings.length(depth)} and the slope of its ground are assumed, filled in from the "
            "levels next to it on the run or taken from the cover (findings: no-ground); level "
            "the ground there before the pit is priced or dug"
            for name, depth in zip(names, pits["depth"].to_numpy(dtype=float)[rows], strict=True)
        ],
        layer="pits",
        features=names,
        xy=pits[["x", "y"]].to_numpy(dtype=float)[rows],
    )


def _known_elsewhere(ground: Shared, bare: BoolArray) -> BoolArray:
    """Return which runs have a ground level somewhere; what has none is told as a whole."""
    run = ground.stations["run"].to_numpy(dtype=np.int64)
    return np.bincount(run[~bare], minlength=len(ground.runs.table)) > 0


def report_bare_ramps(laid: pd.DataFrame, ground: Shared) -> None:
    """Warn of ramps that come up where the ground is not known, though it is on the run.

    Parameters
    ----------
    laid : DataFrame
        Pulls: ``pull_id``, ``run``, ``insertion_pit``, where their strings begin, ``top_x`` and
        ``top_y``, and the way these lie from there, ``lay_dx``, ``lay_dy``.
    ground : Shared
    """
    if ground.levels is None or not len(laid):
        return
    top, way = laid[["top_x", "top_y"]].to_numpy(float), laid[["lay_dx", "lay_dy"]].to_numpy(float)
    lost = np.isnan(ground.levels(top)) | np.isnan(ground.levels(top + SLOPE_OVER_M * way))
    if not lost.any():
        return
    bare = np.isnan(ground.stations["ground_z"].to_numpy(dtype=float))
    lost &= _known_elsewhere(ground, bare)[laid["run"].to_numpy(dtype=np.int64)]
    rows = np.flatnonzero(lost)
    pulls, pits = (laid[name].to_numpy(dtype=object)[rows] for name in ("pull_id", "insertion_pit"))
    ground.layers.findings.add_points(
        "warning",
        "ramp-ground-unknown",
        [
            f"pull {pull}: no ground level is known where its string comes down into pit {pit}, "
            "or right behind (off the DEM, or it has no data there): the ground is taken as high "
            "as the last level known; where it rises or falls the ramp is longer or shorter, and "
            "deeper or less deep; give a DEM that covers the street beside the main too"
            for pull, pit in zip(pulls, pits, strict=True)
        ],
        layer="pulls",
        features=pulls,
        xy=top[rows],
    )


def ground_slope(ground: Shared, near: FloatArray, far: FloatArray) -> FloatArray:
    """Return how the ground rises from near to far places, shape (n, 2), rise over run.

    From end to end; where an end has no level, over what is known between, if that is enough of
    it; else not-a-number.
    """
    if ground.levels is None:
        return np.full(len(near), np.nan)
    away = np.maximum(np.hypot(*(far - near).T), EDGE)
    slope = (ground.levels(far) - ground.levels(near)) / away
    lost = np.flatnonzero(np.isnan(slope))
    if len(lost):
        share = np.linspace(0.0, 1.0, LOOKED)
        places = near[lost, None] + share[:, None] * (far - near)[lost, None]
        z = ground.levels(places.reshape(-1, 2)).reshape(-1, LOOKED)
        slope[lost] = _known_rise(z, share) / away[lost]
    return np.asarray(slope, dtype=np.float64)


def _known_rise(z: FloatArray, share: FloatArray) -> FloatArray:
    """Return what each row rises from 0 to 1, by the first and the last level known in it."""
    known, row = np.isfinite(z), np.arange(len(z))
    first = np.argmax(known, axis=1)
    last = z.shape[1] - 1 - np.argmax(known[:, ::-1], axis=1)
    span = share[last] - share[first]
    enough = known.any(axis=1) & (span >= LEAST_KNOWN)
    rise = z[row, last] - z[row, first]
    return np.where(enough, rise / np.where(enough, span, 1.0), np.nan)


def report_bare_strings(strings: pd.DataFrame, slope: FloatArray, ground: Shared) -> None:
    """Warn, a finding a pull, of strings whose ground is so little known that no slope is told."""
    lost = np.isnan(slope)
    if ground.levels is None or not lost.any():
        return
    rows = strings.loc[lost, ["pull_id", "geometry"]]
    count = strings["pull_id"].value_counts()
    some = rows["pull_id"].value_counts(sort=False)
    first = rows.drop_duplicates("pull_id").set_index("pull_id")["geometry"]
    ground.layers.findings.add_many(
        "warning",
        "string-ground-unknown",
        [
            f"{some[pull]} of {count[pull]} strings of pull {pull} lie where no ground level is "
            "known (off the DEM, or it has no data there): whether they may run on their rollers "
            "is not looked at; look at the slope of the street before strings are laid out"
            for pull in first.index
        ],
        layer="strings",
        features=first.index.to_numpy(dtype=object),
        geometry=shapely.point_on_surface(first.to_numpy(dtype=object)),
    )
