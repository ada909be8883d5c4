"""The worst of every run: the stretch of mains joined, as long as a run should be, in most need."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.layout.shared import Shared
from geotools.network.places import Places
from geotools.network.ragged import (
    BoolArray,
    FloatArray,
    IntArray,
    firsts,
    spread_out,
    stretch_sums,
)
from geotools.network.stretches import EDGE
from geotools.screening.breaks import break_columns
from geotools.screening.records import NeedsRule, Records
from geotools.screening.scores import DIGITS

__all__ = ["Worst", "breaks_of_mains", "needs_of_mains", "worst_stretches"]


@dataclass(frozen=True)
class Worst:
    """The stretch of every run in most need, shape (n,): its need, length (m) and mains."""

    need: FloatArray
    length: FloatArray
    mains: list[str]


@dataclass(frozen=True)
class _Parts:
    """Pieces of one main behind each other, in order: ``first`` row of each and one after all."""

    first: IntArray
    run: IntArray
    start: FloatArray
    end: FloatArray


def needs_of_mains(ground: Shared, records: Records, rule: NeedsRule) -> FloatArray:
    """Return the need of every source main by what of it lies in runs; NaN where none does."""
    source, ids = pd.factorize(ground.layers.mains.table["source_id"])
    of = source[records.line]
    need = rule.scores(*records.measure(of, len(ids)))
    return np.where(np.bincount(of, minlength=len(ids)) > 0, need, np.nan)


def breaks_of_mains(ground: Shared, records: Records) -> FloatArray:
    """Return the breaks on what of every source main lies in runs; NaN where they are not known."""
    source, ids = pd.factorize(ground.layers.mains.table["source_id"])
    told = break_columns(records.breaks, records.length, source[records.line], len(ids))
    return told["break_count"].to_numpy(dtype=np.float64)


def worst_stretches(ground: Shared, records: Records, rule: NeedsRule) -> Worst:
    """Find the stretch of mains of every run that is in most need.

    Of stretches of whole mains, as short as they can be and no shorter than what gets the full
    mark for its length (``screening.run_length_good``), and the whole run. The one found takes in
    mains beside it that need it no less by themselves.
    """
    runs = len(ground.runs.table)
    parts = _parts(records)
    low, high = _windows(parts, runs, ground.brief.screening.run_length_good)
    need = _needs_between(parts, records, rule, low, high)
    order = np.lexsort([high, low, -np.round(need, DIGITS), parts.run[low]])
    best = order[firsts(parts.run[low[order]])]
    low, high, need = low[best], high[best], need[best]
    wide = _widened(parts, records, rule, low, high, need)
    more = _needs_between(parts, records, rule, *wide)
    take = more >= need - 10.0**-DIGITS
    low, high = np.where(take, wide[0], low), np.where(take, wide[1], high)
    return _told(ground, records, parts, low, high, np.where(take, more, need))


def _parts(records: Records) -> _Parts:
    """Join the pieces of one main that lie behind each other: it is cut where others meet it."""
    first = np.flatnonzero(firsts(records.run, records.line)) if len(records.run) else records.run
    (length,) = stretch_sums(first, records.length) if len(first) else (np.zeros(0),)
    start = records.start[first]
    return _Parts(
        np.append(first, len(records.run)).astype(np.int64),
        records.run[first],
        start,
        start + length,
    )


def _windows(parts: _Parts, runs: int, least: float) -> tuple[IntArray, IntArray]:
    """Return first and last part of the shortest stretches that are long enough, from both ends.

    And of every run the whole.
    """
    every = np.arange(len(parts.run))
    ends, starts = Places.of(parts.run, parts.end, runs), Places.of(parts.run, parts.start, runs)
    to = ends.search(parts.run, parts.start + least - EDGE)
    back = starts.search(parts.run, parts.end - least + EDGE, "right") - 1
    full = np.diff(ends.offsets) > 0
    first, last = ends.offsets[:-1][full], ends.offsets[1:][full] - 1
    ahead, behind = to < ends.offsets[1:][parts.run], back >= ends.offsets[:-1][parts.run]
    low = np.concatenate([every[ahead], back[behind], first])
    high = np.concatenate([to[ahead], every[behind], last])
    pairs = np.unique(np.stack([low, high], axis=1), axis=0)
    return pairs[:, 0].astype(np.int64), pairs[:, 1].astype(np.int64)


def _needs_between(
    parts: _Parts, records: Records, rule: NeedsRule, low: IntArray, high: IntArray
) -> FloatArray:
    """Return the need of stretches from one part to another, both of them in it."""
    first, after = parts.first[low], parts.first[high + 1]
    group, number = spread_out(after - first)
    return rule.scores(*records.measure(group, len(low), rows=first[group] + number))


def _widened(
    parts: _Parts,
    records: Records,
    rule: NeedsRule,
    low: IntArray,
    high: IntArray,
    need: FloatArray,
) -> tuple[IntArray, IntArray]:
    """Return stretches with the parts on both sides that are in no less need by themselves."""
    every = np.arange(len(parts.run))
    own = _needs_between(parts, records, rule, every, every)
    low, high = low.copy(), high.copy()

    def takes(part: IntArray, rows: IntArray) -> BoolArray:
        there = (part >= 0) & (part < len(own))
        safe = np.where(there, part, 0)
        same = parts.run[safe] == parts.run[low[rows]]
        found: BoolArray = there & same & (own[safe] >= need[rows] - 10.0**-DIGITS)
        return found

    rows = np.arange(len(low))
    while len(rows):
        down, up = takes(low[rows] - 1, rows), takes(high[rows] + 1, rows)
        low[rows] -= down
        high[rows] += up
        rows = rows[down | up]
    return low, high


def _told(
    ground: Shared,
    records: Records,
    parts: _Parts,
    low: IntArray,
    high: IntArray,
    need: FloatArray,
) -> Worst:
    """Return the stretches by run, with the identifiers of their mains; nothing of an empty run."""
    runs = len(ground.runs.table)
    names = ground.layers.mains.table["main_id"].to_numpy(dtype=object)
    line = records.line[parts.first[:-1]]
    out = Worst(np.full(runs, np.nan), np.full(runs, np.nan), [""] * runs)
    run = parts.run[low]
    out.need[run], out.length[run] = need, parts.end[high] - parts.start[low]
    for row, of in enumerate(run.tolist()):
        some = names[line[low[row] : high[row] + 1]]
        out.mains[of] = ",".join(dict.fromkeys(map(str, some)))
    return out
