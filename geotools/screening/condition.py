"""Condition of runs from the records of their mains: age, breaks, leakage, consequence."""

from __future__ import annotations

import numpy as np

from geotools.network.ragged import FloatArray, IntArray

__all__ = ["mean_along", "per_length", "share_known"]


def share_known(run: IntArray, length: FloatArray, values: FloatArray, runs: int) -> FloatArray:
    """Return the share of each run's length whose main has the value on record."""
    known = np.bincount(run, length * np.isfinite(values), minlength=runs)
    whole = np.bincount(run, length, minlength=runs)
    return np.asarray(known / np.maximum(whole, 1e-12), dtype=np.float64)


def mean_along(
    run: IntArray, length: FloatArray, values: FloatArray, runs: int, *, least_known: float
) -> FloatArray:
    """Return the mean of a record along each run, by length of the pieces that have it.

    NaN where less than ``least_known`` of the run has it on record.

    Parameters
    ----------
    run, length, values : ndarray, shape (p,)
        Run, length (m) and record of every piece of main.
    runs : int
    least_known : float
    """
    there = np.isfinite(values)
    total = np.bincount(run, np.where(there, values, 0.0) * length, minlength=runs)
    weight = np.bincount(run, length * there, minlength=runs)
    enough = share_known(run, length, values, runs) >= least_known - 1e-9
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(enough & (weight > 0), total / weight, np.nan))


def per_length(
    run: IntArray,
    length: FloatArray,
    main_length: FloatArray,
    totals: FloatArray,
    runs: int,
    *,
    least_known: float,
) -> FloatArray:
    """Return what is counted on mains (breaks, leakage) per metre of each run.

    A piece of a main takes its part of the main's total by length; pieces without a record
    count neither above nor below the line. NaN where less than ``least_known`` of the run has
    it on record.

    Parameters
    ----------
    run, length : ndarray, shape (p,)
        Run and length (m) of every piece.
    main_length, totals : ndarray, shape (p,)
        Length (m) and total of the whole main of each piece.
    runs : int
    least_known : float
    """
    rate = totals / np.maximum(main_length, 1e-12)
    return mean_along(run, length, rate, runs, least_known=least_known)
