"""Runs cut at caps and at turns too sharp to be lined in one, and put in order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from geotools.network.pieces import TOUCH, cut_lines
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, line_lengths, offsets_of, spread_out, take
from geotools.network.runs import Chains

__all__ = ["cut_chains", "renumber", "reorder"]


def cut_chains(chains: Chains, cuts: pd.DataFrame) -> Chains:
    """Cut runs at places along them.

    Parameters
    ----------
    chains : Chains
    cuts : DataFrame
        ``run`` and ``chainage`` (m).
    """
    if cuts.empty:
        return chains
    places = cuts[["run", "chainage"]].to_numpy(dtype=float)
    parts = cut_lines(chains.xy, chains.offsets, places)
    pieces = _split_pieces(chains.pieces, parts.line, parts.start)
    connections = _shift_connections(chains.connections, parts.line, parts.start, parts.end)
    return _of_mains(Chains(parts.xy, parts.offsets, pieces, connections))


def _of_mains(chains: Chains) -> Chains:
    """Leave out runs that lie in a gap between mains and hold no piece of any.

    A run that turns too sharply at both ends of a gap joined is cut at both. What meets it in the
    gap meets the end of the run before.
    """
    held = np.zeros(len(chains), dtype=bool)
    held[chains.pieces["run"].to_numpy(dtype=np.int64)] = True
    if held.all():
        return chains
    before = np.maximum.accumulate(np.where(held, np.arange(len(held)), 0))
    run = chains.connections["run"].to_numpy(dtype=np.int64)
    at = chains.connections["chainage"].to_numpy(dtype=float)
    ends = line_lengths(chains.xy, chains.offsets)[before[run]]
    met = chains.connections.assign(run=before[run], chainage=np.where(held[run], at, ends))
    return reorder(replace(chains, connections=met), np.flatnonzero(held))


def _part_of(run: IntArray, at: FloatArray, line: IntArray, start: FloatArray) -> IntArray:
    """Return the part each place falls in (of two, the later)."""
    return Places.of(line, start, int(line.max()) + 1).holding(run, at, slack=TOUCH)


def _split_pieces(pieces: pd.DataFrame, line: IntArray, start: FloatArray) -> pd.DataFrame:
    run = pieces["run"].to_numpy(dtype=np.int64)
    first = _part_of(run, pieces["start"].to_numpy(dtype=float), line, start)
    last = _part_of(run, pieces["end"].to_numpy(dtype=float) - 2 * TOUCH, line, start)
    count = np.maximum(last - first, 0) + 1
    row, nth = spread_out(count)
    part = first[row] + nth
    whole = pieces.iloc[row].reset_index(drop=True)
    low, high = whole["start"].to_numpy(dtype=float), whole["end"].to_numpy(dtype=float)
    begin = np.maximum(low, start[part])
    next_start = np.append(start[1:], np.inf)[part]
    same_run = np.append(line[1:] == line[:-1], False)[part]
    finish = np.minimum(high, np.where(same_run, next_start, np.inf))
    size = np.where(high > low, high - low, 1.0)
    a, b = whole["line_start"].to_numpy(dtype=float), whole["line_end"].to_numpy(dtype=float)
    return whole.assign(
        run=part,
        start=begin - start[part],
        end=finish - start[part],
        line_start=a + (begin - low) / size * (b - a),
        line_end=a + (finish - low) / size * (b - a),
    )


def _shift_connections(
    connections: pd.DataFrame, line: IntArray, start: FloatArray, end: FloatArray
) -> pd.DataFrame:
    run = connections["run"].to_numpy(dtype=np.int64)
    at = connections["chainage"].to_numpy(dtype=float)
    part = _part_of(run, at, line, start)
    shifted = connections.assign(
        run=part, chainage=np.clip(at, start[part], end[part]) - start[part]
    )
    return shifted.sort_values(["run", "chainage"], kind="stable").reset_index(drop=True)


def reorder(chains: Chains, order: IntArray) -> Chains:
    """Return the runs in another order, or some of them; run ``order[i]`` becomes run i."""
    xy = chains.xy[take(chains.offsets, order)]
    offsets = offsets_of(np.diff(chains.offsets)[order])
    return Chains(
        xy,
        offsets,
        pieces=renumber(chains.pieces, order, by="start"),
        connections=renumber(chains.connections, order, by="chainage"),
    )


def renumber(table: pd.DataFrame, order: IntArray, *, by: str) -> pd.DataFrame:
    """Return the rows of runs ``order`` with their new numbers, sorted within a run by a column."""
    run = table["run"].to_numpy(dtype=np.int64)
    place = np.full(max(run.max(initial=-1), order.max(initial=-1)) + 1, -1, dtype=np.int64)
    place[order] = np.arange(len(order))
    kept = np.flatnonzero(place[run] >= 0)
    rows = table.iloc[kept].assign(run=place[run[kept]])
    return rows.sort_values(["run", by], kind="stable").reset_index(drop=True)
