"""Gathered: turns that follow each other closely, as one bend."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.ragged import BoolArray, FloatArray, IntArray, stretch_sums

__all__ = ["gathered", "group_starts"]

SUMMED = (
    *("size", "turn", "rise", "angle", "covered", "raised", "held", "records"),
    *("plan", "grade", "rest_plan", "rest_grade"),
)


def gathered(turns: pd.DataFrame, in_curve: BoolArray, near: FloatArray) -> pd.DataFrame:
    """Gather turns of no curve that follow each other within ``near``, m, of their run.

    A jog counts both its turns. Turns in plan and in the vertical add as the legs of a right
    angle, which is the angle in space for the gentle grades mains have. Angles on record take the
    place of the drawn ones they stand for.
    """
    starts = group_starts(turns, in_curve, near)
    turns = turns[~in_curve]
    turns = turns.assign(
        held=(turns["angle"] + turns["raised"]).where(turns["raised"] > 0, 0.0),
        records=turns["record"] >= 0,
    )
    size, rise, angle = (turns[name].to_numpy(dtype=float) for name in ("size", "rise", "angle"))
    weight = np.where(size + rise > 0, size + rise, angle)
    moment = weight * turns["chainage"].to_numpy(dtype=float)
    columns = [turns[name].to_numpy(dtype=float) for name in SUMMED]
    *sums, weights, moments = stretch_sums(starts, *columns, weight, moment)
    whole = dict(zip(SUMMED, sums, strict=True))
    first = np.minimum.reduceat(turns["first"].to_numpy(), starts)
    last = np.maximum.reduceat(turns["last"].to_numpy(), starts)
    mean = moments / np.where(weights > 0, weights, 1.0)
    return pd.DataFrame(
        {
            "run": turns["run"].to_numpy()[starts],
            "first": first,
            "last": last,
            "chainage": np.where(weights > 0, mean, (first + last) / 2),
            "deflection": np.minimum(np.hypot(whole["plan"], whole["grade"]), np.pi),
            "drawn": np.minimum(np.hypot(whole["size"], whole["rise"]), np.pi),
            "turn": whole["turn"],
            "rest": np.hypot(whole["rest_plan"], whole["rest_grade"]),
            **{name: whole[name] for name in ("rise", "angle", "covered", "raised", "rest_grade")},
            **{name: whole[name] for name in ("held", "records")},
            "record": _first_record(turns["record"].to_numpy(), starts),
            "doubled": np.add.reduceat(turns["doubled"].to_numpy(), starts),
        }
    )


def group_starts(turns: pd.DataFrame, in_curve: BoolArray, near: FloatArray) -> IntArray:
    """Return which of the turns of no curve are farther from the one before, or behind a curve."""
    curves_before = np.cumsum(in_curve)[~in_curve]
    run, first, last = (turns[name].to_numpy()[~in_curve] for name in ("run", "first", "last"))
    apart = np.ones(len(run), dtype=bool)
    apart[1:] = (
        (run[1:] != run[:-1])
        | (first[1:] - last[:-1] > near[run[1:]])
        | (curves_before[1:] != curves_before[:-1])
    )
    return np.flatnonzero(apart)


def _first_record(record: IntArray, starts: IntArray) -> IntArray:
    """Return the first record of stretches of rows, -1 where none has any."""
    none = np.iinfo(np.int64).max
    first = np.minimum.reduceat(np.where(record >= 0, record, none), starts)
    return np.where(first < none, first, -1)
