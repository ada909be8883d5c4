"""What a run tested as one leaves of test pressure in each section, against what it works at."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.intake.findings import Findings
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, offsets_of, row_of, rows_of, spread_out
from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.factors import GRAVITY, WATER_DENSITY
from geotools.pipe.testing import hydrotest_limit_pa, hydrotest_pressure_pa
from geotools.schema import quantity_text

__all__ = [
    "less_head",
    "levels_along",
    "levels_in_order",
    "report_tests",
    "some_pressure",
    "tested_at",
    "working_columns",
]

BELOW = 1.0  # Pa; a test that much under the working pressure, a tenth of a mm of water, is under
SOURCES = {
    "recorded": "on record of the main there",
    "run": "the highest on record on the run; the main there has none",
    "assumed": "assumed, service.working_pressure",
}


def less_head(pressure: FloatArray, rise: FloatArray) -> FloatArray:
    """Return the pressure, Pa, of the same water so much higher, m; below 0 none is there."""
    return np.asarray(pressure - WATER_DENSITY * GRAVITY * rise, dtype=np.float64)


def some_pressure(pressure: FloatArray) -> FloatArray:
    """Return pressures, Pa, not-a-number where there is none: 0 would pass for a test."""
    return np.where(pressure > 0, pressure, np.nan)


def working_columns(
    pulls: pd.DataFrame,
    runs: pd.DataFrame,
    stations: pd.DataFrame,
    bores: pd.DataFrame,
    test: FloatArray,
    low: FloatArray,
) -> dict[str, Any]:
    """Return the working pressure of each pull where its test stands least above it, and the test.

    Every main it passes is looked at, at the highest place the pull has in it. Of mains alike to
    1 Pa the one that works at more.

    Parameters
    ----------
    pulls : DataFrame
        With ``run``, ``start``, ``end`` (m), in order of nothing.
    runs : DataFrame
        With ``working``, Pa: what the carrier is chosen for.
    stations : DataFrame
        As of `levels_along`.
    bores : DataFrame
        The pieces of main: ``run``, ``start``, ``end`` (m), ``pressure`` (Pa, on record), sorted
        by run and start.
    test, low : ndarray, shape (pulls,)
        Test pressure at the low point, Pa (0 or less: none), and its level, m.
    """
    stretch = _stretches(pulls, bores)
    pull, run = (stretch[name].to_numpy(dtype=np.int64) for name in ("pull", "run"))
    recorded = stretch["pressure"].to_numpy(dtype=float)
    known = np.isfinite(recorded)
    whole, highest = runs["working"].to_numpy(dtype=float), np.full(len(runs), -np.inf)
    of = bores[bores["pressure"].notna()]
    np.maximum.at(highest, of["run"].to_numpy(dtype=np.int64), of["pressure"].to_numpy(dtype=float))
    working = np.where(known, recorded, whole[run])
    stands_in = np.where((highest >= whole)[run], "run", "assumed")
    source = np.where(known, "recorded", stands_in).astype(object)
    there = less_head(test[pull], levels_along(stretch, stations)[2] - low[pull])
    order = np.lexsort([-working, np.round((there - working) / BELOW), pull])
    worst = order[np.searchsorted(pull[order], np.arange(len(pulls)))]
    return {
        "working_pressure": working[worst],
        "working_source": source[worst],
        "working_test": some_pressure(there[worst]),
    }


def _stretches(pulls: pd.DataFrame, bores: pd.DataFrame) -> pd.DataFrame:
    """Return every pull cut where the mains change: ``pull``, ``run``, ``start``, ``end``."""
    run = pulls["run"].to_numpy(dtype=np.int64)
    start, end = (pulls[name].to_numpy(dtype=float) for name in ("start", "end"))
    of = bores["run"].to_numpy(dtype=np.int64)
    count = 1 + max(int(run.max(initial=0)), int(of.max(initial=0)))
    pieces = Places.of(of, bores["start"].to_numpy(dtype=float), count)
    first, last = pieces.holding(run, start), pieces.search(run, end, "left")
    pull, place = spread_out(np.maximum(last - first, 1))
    row = bores.iloc[first[pull] + place]
    return pd.DataFrame(
        {
            "pull": pull,
            "run": run[pull],
            "start": np.maximum(start[pull], row["start"].to_numpy(dtype=float)),
            "end": np.minimum(end[pull], row["end"].to_numpy(dtype=float)),
            "pressure": row["pressure"].to_numpy(dtype=float),
        }
    )


def report_tests(
    pulls: pd.DataFrame,
    sections: pd.DataFrame,
    pits: pd.DataFrame,
    runs: pd.DataFrame,
    pipes: CarrierColumns,
    brief: Brief,
    findings: Findings,
) -> None:
    """Warn of every pull whose test is less than asked: below its working pressure, or reduced.

    Parameters
    ----------
    pulls : DataFrame
        With ``pull_id``, ``run``, ``insertion_pit``.
    sections : DataFrame
        A row a pull, as of `geotools.pulls.sections.section_table`.
    pits : DataFrame
        With ``pit_id``, ``x`` and ``y``.
    runs : DataFrame
        With ``pipe``, ``working``.
    pipes : CarrierColumns
    brief : Brief
    findings : Findings
    """
    names = ("working_pressure", "working_test", "high_z")
    working, there, high = (sections[name].to_numpy(dtype=float) for name in names)
    # Where no level is known the test is not known to be under anything.
    rows = np.flatnonzero(np.isfinite(high) & ~(there >= working - BELOW))
    run = pulls["run"].to_numpy(dtype=np.int64)[rows]
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    whole = tested_at(runs["working"].to_numpy(dtype=float)[run], pipe, brief)
    source = sections["working_source"].to_numpy(dtype=object)[rows]
    told = zip(whole, there[rows], working[rows], source, strict=True)
    texts = [_words(*values, system=findings.system) for values in told]
    _warn("test-below-working", texts, pulls.iloc[rows], pits, findings)
    rows, texts = _reduced(pulls, runs, pipes, brief, findings.system)
    _warn("test-reduced", texts, pulls.iloc[rows], pits, findings)


def _warn(
    rule: str, texts: list[str], pulls: pd.DataFrame, pits: pd.DataFrame, findings: Findings
) -> None:
    """Warn of pulls, each at its insertion pit."""
    places = pits.set_index("pit_id")[["x", "y"]]
    findings.add_points(
        "warning",
        rule,
        texts,
        layer="pulls",
        features=pulls["pull_id"].to_numpy(dtype=object),
        xy=places.loc[pulls["insertion_pit"]].to_numpy(dtype=float),
    )


def _reduced(
    pulls: pd.DataFrame, runs: pd.DataFrame, pipes: CarrierColumns, brief: Brief, system: str
) -> tuple[IntArray, list[str]]:
    """Return the pulls whose pipe may not be tested as high as asked, and what to say of each."""
    run = pulls["run"].to_numpy(dtype=np.int64)
    working = runs["working"].to_numpy(dtype=float)[run]
    pipe = rows_of(pipes, runs["pipe"].to_numpy(dtype=np.int64)[run])
    factor = brief.service.test_factor
    wanted = hydrotest_pressure_pa(working, factor=factor)
    limit = tested_at(working, pipe, brief)
    rows = np.flatnonzero(wanted > limit + BELOW)
    return rows, [
        f"cannot be tested at {factor:g} times the working pressure of its run: that is "
        f"{quantity_text(wanted[row], 'pressure', system)} at its lowest point, and "
        f"{pipe.name[row]} may be tested at {quantity_text(limit[row], 'pressure', system)}, which "
        "is what its section tells; ask the owner whether that is enough, or take a thicker wall "
        "(carrier.dr, service.test_factor)"
        for row in rows.tolist()
    ]


def _words(whole: float, there: float, working: float, source: str, *, system: str) -> str:
    """Say that a pull is tested below its working pressure, and what to do."""

    def pressure(value: float) -> str:
        return quantity_text(value, "pressure", system)

    left = f"only {pressure(there)}" if there > 0 else "no pressure at all"
    return (
        f"would be tested below its working pressure: with the run tested as one, at "
        f"{pressure(whole)} at its lowest point, the head of the water leaves {left} where this "
        f"section works at {pressure(working)} ({SOURCES[source]}); do not make up for it by "
        "raising the pressure of the run, which its low point may not stand; test this pull as a "
        "section of its own, or the run in zones, each at its own pressure at its low point, "
        "within the limit of the pipe; the owner's standard decides"
    )


def levels_along(
    pulls: pd.DataFrame, stations: pd.DataFrame
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the lowest axis level of each stretch and its chainage, then the highest, m.

    The two ends count, between their stations, and every station on the way. Of places of one
    level an end is taken first: a pit is open there. NaN where no level is known.
    """
    if not len(pulls):
        return np.zeros(0), np.zeros(0), np.zeros(0), np.zeros(0)
    level, along, offsets = _levels(pulls, stations)
    return (*_extreme(level, along, offsets, np.fmin), *_extreme(level, along, offsets, np.fmax))


def levels_in_order(pulls: pd.DataFrame, stations: pd.DataFrame) -> tuple[FloatArray, IntArray]:
    """Return the axis levels from end to end of each pull, m, and the offsets of the pulls."""
    if not len(pulls):
        return np.zeros(0), np.zeros(1, dtype=np.int64)
    level, along, offsets = _levels(pulls, stations)
    return level[np.lexsort((along, row_of(offsets)))], offsets


def _levels(pulls: pd.DataFrame, stations: pd.DataFrame) -> tuple[FloatArray, FloatArray, IntArray]:
    """Return the levels of each pull and their chainage, its two ends first, and the offsets."""
    run = pulls["run"].to_numpy(dtype=np.int64)
    at = stations["chainage"].to_numpy(dtype=float)
    runs = int(max(stations["run"].max(), run.max())) + 1
    places = Places.of(stations["run"].to_numpy(), at, runs)
    z = stations["axis_z"].to_numpy(dtype=float)
    start, end = (pulls[name].to_numpy(dtype=float) for name in ("start", "end"))
    first, last = places.search(run, start, "right"), places.search(run, end, "left")
    inside = np.maximum(last - first, 0)
    offsets = offsets_of(inside + 2)
    level, along = np.empty(offsets[-1]), np.empty(offsets[-1])
    for place, where in ((offsets[:-1], start), (offsets[:-1] + 1, end)):
        level[place], along[place] = places.interpolate(run, where, z), where
    between = np.ones(len(level), dtype=bool)
    between[offsets[:-1]] = between[offsets[:-1] + 1] = False
    pull, place = spread_out(inside)
    rows = first[pull] + place
    level[between], along[between] = z[rows], at[rows]
    return level, along, offsets


def _extreme(
    level: FloatArray, along: FloatArray, offsets: IntArray, pick: np.ufunc
) -> tuple[FloatArray, FloatArray]:
    """Return the extreme level of every pull and the chainage of the first place that has it."""
    best = pick.reduceat(level, offsets[:-1])
    hits = np.flatnonzero(level == np.repeat(best, np.diff(offsets)))
    place = np.append(hits, 0)[np.searchsorted(hits, offsets[:-1])]
    return best, np.where(np.isfinite(best), along[place], np.nan)


def tested_at(working: FloatArray, pipe: CarrierColumns, brief: Brief) -> FloatArray:
    """Return the test pressure at the run's low point, Pa, not above the pipe's limit."""
    limit = hydrotest_limit_pa(
        pipe.material, pipe.dr, temperature_c=brief.service.water_temperature
    )
    wanted = hydrotest_pressure_pa(working, factor=brief.service.test_factor)
    return np.asarray(np.minimum(wanted, limit), dtype=np.float64)
