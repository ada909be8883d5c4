"""Joints cut out: which records are of what is no longer there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.matching import IntArray, words_of
from geotools.deliver.joints.moments import Moments
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import CUT, Records
from geotools.network.ragged import BoolArray

__all__ = ["CutOut", "cut_out", "hold_cuts", "told_cut"]


@dataclass(frozen=True)
class CutOut:
    """What records of joints cut out say of all records.

    Attributes
    ----------
    cut : ndarray of bool, shape (records,)
        Records of a joint cut out.
    gone : ndarray of bool, shape (records,)
        Other records, of what was cut out later, or at that moment.
    doubtful : ndarray of bool, shape (records,)
        Other records of which the dates do not say whether they are later than the cut-out.
    by : ndarray of int, shape (records,)
        Where gone or doubtful, the record of the joint cut out that makes it so; -1 elsewhere.
    """

    cut: BoolArray
    gone: BoolArray
    doubtful: BoolArray
    by: IntArray


def told_cut(texts: pd.Series[Any]) -> BoolArray:
    """Tell which results by eye say that the joint was cut out."""
    return np.isin(words_of(texts), CUT)


def cut_out(table: pd.DataFrame, joint: IntArray) -> CutOut:
    """Find the records of joints that were cut out, whatever their order in the file.

    A joint is there only by a record later than every cut-out of it.

    Parameters
    ----------
    table : DataFrame
        Records of joints, as `geotools.deliver.joints.records` reads them.
    joint : ndarray of int, shape (records,)
        Joint of each, below 0 where it is of none that counts.
    """
    count = len(table)
    cut = told_cut(table["visual"])
    out = CutOut(cut, np.zeros(count, bool), np.zeros(count, bool), np.full(count, -1))
    made, last = np.flatnonzero(~cut & (joint >= 0)), _last_cuts(table, joint, cut)
    pairs = pd.DataFrame({"joint": joint[made], "made": made}).merge(
        pd.DataFrame({"joint": joint[last], "cut": last}), on="joint"
    )
    own, by = (pairs[name].to_numpy(dtype=np.int64) for name in ("made", "cut"))
    early, late = (Moments.of(table, "made", latest=n) for n in (False, True))
    dated = early.known & ~early.too_early
    known = dated[own] & dated[by]
    later = known & late.take(by).before(early.take(own))
    gone = known & ~early.take(by).before(late.take(own))
    for which, of in ((out.doubtful, ~later & ~gone), (out.gone, gone)):
        which[own[of]] = True
        out.by[own[of]] = by[of]
    out.doubtful[out.gone] = False
    return out


def _last_cuts(table: pd.DataFrame, joint: IntArray, cut: BoolArray) -> IntArray:
    """Return the last cut-outs of every joint: one dated, to each kind of date, and one undated.

    Dates with a time and without, and those of two zones, are not compared alike.
    """
    made = Moments.of(table, "made")
    kinds = pd.DataFrame(
        {"joint": joint, "known": made.known, "day": made.day, "ahead": made.ahead}
    )
    return _last_of(kinds, table, cut & (joint >= 0))


def _last_of(kinds: pd.DataFrame, table: pd.DataFrame, wanted: BoolArray) -> IntArray:
    """Return of all rows wanted the last of every kind; undated ones come first."""
    made, rows = Moments.of(table, "made"), np.flatnonzero(wanted)
    rows = rows[np.lexsort((made.at[rows], made.known[rows]))]
    last = ~kinds.iloc[rows].duplicated(keep="last").to_numpy(dtype=bool)
    return np.asarray(rows[last], dtype=np.int64)


def hold_cuts(records: Records, joint: IntArray, found: CutOut, reasons: Reasons) -> None:
    """Hold it against joints that they were cut out and that nothing says they were made anew.

    Parameters
    ----------
    records : Records
    joint : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of none that counts.
    found : CutOut
    reasons : Reasons
        Added to.
    """
    made, lines = records.table["made"].tolist(), records.lines
    there = np.isin(joint, joint[~found.cut & ~found.gone])
    alone = found.cut & ~there & (joint >= 0)
    last = _last_of(pd.DataFrame({"joint": joint}), records.table, alone)
    reasons.add_where(
        "cut-out",
        np.isin(np.arange(len(joint)), last),
        joint,
        lambda k: (
            f"cut out{f' on {made[k]}' if made[k] else ''} (line {lines[k]}), no later record"
        ),
    )
    by = found.by
    reasons.add_where(
        "cut-out",
        found.doubtful,
        joint,
        lambda k: (
            f"made {made[k] or 'on no date'} (line {lines[k]}), cut out "
            f"{made[by[k]] or 'on no date'} (line {lines[by[k]]}): the dates do not say which came "
            "later; write date and time of day of both"
        ),
    )
