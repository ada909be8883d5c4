"""Ports of grout midway: the stretches of a pull that are grouted apart, each from its top.

A stage fills what of a pull lies between two levels. Where the pull sags or crests these are
several stretches with others between them, and each needs a port at its top, or the open pit.
"""

from __future__ import annotations

import math

import numpy as np

from geotools.accel import read_only, run_kernel
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["ports_midway"]

_SAME = 1e-6  # of the height of a stage; a turn so near its end does not reach into the next


def ports_midway(
    level: FloatArray, offsets: IntArray, stages: FloatArray, least: FloatArray
) -> FloatArray:
    """Return how many ports between its pits each pull needs to be grouted in stages.

    None where it is grouted at once or not at all. A stretch that goes on upwards has its top
    where the next stage begins, another at its highest place; at a pit it needs no port.

    Parameters
    ----------
    level : ndarray
        Levels along the pulls, one after the other, m.
    offsets : ndarray of int64, shape (pulls + 1,)
        Offsets of the pulls in `level`.
    stages : ndarray, shape (pulls,)
        Stages of equal height between the lowest and the highest level; not-a-number where that
        is not known.
    least : ndarray, shape (pulls,)
        Rises and falls no higher are let go, m: the bore, across which the annulus is one.

    Returns
    -------
    ndarray, shape (pulls,)
        Not-a-number where `stages` is.
    """
    ports = np.where(np.isnan(stages), np.nan, 0.0)
    rows = np.flatnonzero(stages > 1)
    if not len(rows):
        return ports
    spans = offsets[rows], offsets[rows + 1], stages[rows].astype(np.int64), least[rows]
    turn, count = np.zeros(int(np.diff(offsets).max()) + 1), np.zeros(len(rows))
    readable = read_only(level), *map(read_only, spans)
    run_kernel(_count_ports, float((spans[1] - spans[0]).sum()), *readable, turn, count)
    ports[rows] = count
    return ports


def _count_ports(level, first, after, stages, least, turn, count):  # type: ignore[no-untyped-def]
    """Count the ports of each pull, a kernel; ``turn`` is room for levels it turns at."""
    for k in range(len(first)):
        turns = _turns(level, first[k], after[k], least[k], turn)
        low = high = turn[0]
        for j in range(1, turns):
            low, high = min(low, turn[j]), max(high, turn[j])
        size = (high - low) / stages[k]
        stretches, before = 1, -1
        for j in range(turns):
            stage = _stage(turn, j, low, size, stages[k])
            if before >= 0:
                stretches += abs(stage - before)
            before = stage
        at_pits = _tops_out(turn, turns, 0, 1, low, size, stages[k])
        at_pits += _tops_out(turn, turns, turns - 1, -1, low, size, stages[k])
        count[k] = stretches - at_pits


def _turns(level: FloatArray, first: int, after: int, least: float, turn: FloatArray) -> int:
    """Write the levels at which a pull turns by more than so much, its ends too; return how many.

    A kernel. What a pull does at an end before it has gone so far counts to the end.
    """
    low = high = level[first]
    way, turns = 0, 0
    for k in range(first + 1, after):
        z = level[k]
        if way <= 0 and z - min(low, z) > least:
            turn[turns] = low
            turns, way, high = turns + 1, 1, z
        elif way >= 0 and max(high, z) - z > least:
            turn[turns] = high
            turns, way, low = turns + 1, -1, z
        low, high = min(low, z), max(high, z)
    if way == 0:
        turn[0] = low
        turns = 1
    turn[turns] = low if way < 0 else high
    return turns + 1


def _stage(turn: FloatArray, j: int, low: float, size: float, stages: int) -> int:
    """Return the stage a turn lies in, from 0, a kernel; at its end that it comes from."""
    other = turn[j + 1] if j == 0 else turn[j - 1]
    up = (turn[j] - low) / size
    stage: int = math.ceil(up - _SAME) - 1 if turn[j] > other else math.floor(up + _SAME)
    return min(max(stage, 0), stages - 1)


def _tops_out(
    turn: FloatArray, turns: int, end: int, step: int, low: float, size: float, stages: int
) -> int:
    """Return 1 if the stretch at an end of a pull has its top in the pit there, a kernel."""
    own, top = _stage(turn, end, low, size, stages), turn[end]
    j = end + step
    while 0 <= j < turns:
        stage = _stage(turn, j, low, size, stages)
        if stage != own:
            return 1 if stage < own and turn[end] >= top - size * _SAME else 0
        top = max(top, turn[j])
        j += step
    return 0
