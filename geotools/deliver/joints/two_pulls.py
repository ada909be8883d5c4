"""Records whose name is that of one pull of the plan, and whose mark that of another."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.deliver.joints.added import is_added, named_pulls
from geotools.deliver.joints.layouts import Layouts
from geotools.deliver.joints.matching import IntArray, TextArray
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import Records

__all__ = ["TwoPulls", "of_two_pulls"]


@dataclass(frozen=True)
class TwoPulls:
    """What such records say, against either pull: which of them they are of cannot be told.

    Attributes
    ----------
    joint : ndarray of int, shape (n,)
        Rows of the schedule: the joint named, and that of the same number in the other pull.
    text : tuple of str
        What to hold against each of them.
    pulls : Series
        Texts by ``pull_id`` against pulls that have no joint of that number.
    """

    joint: IntArray
    text: tuple[str, ...]
    pulls: pd.Series[str]

    def of_pulls(self, only: Collection[str], number: IntArray) -> TwoPulls:
        """Return what is against some pulls and their joints.

        ``number`` is the row of each joint in the schedule of those pulls alone, or -1.
        """
        joint = number[self.joint]
        text = tuple(self.text[k] for k in np.flatnonzero(joint >= 0))
        return TwoPulls(joint[joint >= 0], text, self.pulls[self.pulls.index.isin(list(only))])

    def hold(self, reasons: Reasons) -> None:
        """Hold it against the joints."""
        reasons.add("mark", self.joint, self.text)

    def notes(self) -> Iterator[str]:
        """Say how many records there are."""
        count = len({*self.text, *self.pulls})  # each of a line of its own
        if count:
            yield (
                f"{count:,} record(s) bear the name of one pull and the mark of another of "
                "this plan, and are held against both; correct name or mark, or, where pulls were "
                "numbered anew, give the schedule as it was issued with --schedule"
            )


def of_two_pulls(records: Records, due: pd.DataFrame, place: IntArray, found: Layouts) -> TwoPulls:
    """Find the records that bear the mark of another pull of the plan than they name.

    Parameters
    ----------
    records : Records
        Of joints.
    due : DataFrame
        The schedule.
    place : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of no joint there.
    found : Layouts
        Of these records.
    """
    named = _named_another(records, due, place, found)
    bearer = np.where(found.of_another, found.bearer, named)
    rows = np.flatnonzero(bearer != "")
    own, bearer = place[rows], bearer[rows]
    said = [_told(records, due, found, int(k), int(place[k])) for k in rows]
    text = np.array(said, dtype=object)
    other = _same_number(due, own, bearer)
    there = other >= 0
    joint = np.concatenate([own, other[there]])
    return TwoPulls(
        joint,
        (*text, *text[there]),
        pd.Series(text[~there], index=bearer[~there], dtype=object),
    )


def _named_another(
    records: Records, due: pd.DataFrame, place: IntArray, found: Layouts
) -> TextArray:
    """Return the pull named by each record of a joint that was added in another; else empty."""
    added = np.append(is_added(due), False)[place] & ~found.other
    name = named_pulls(records.table["joint_id"], due["pull_id"])
    own = np.append(due["pull_id"].to_numpy(dtype=object), "")[place]
    return np.where(added & pd.notna(name) & (name != own), name, "")


def _told(records: Records, due: pd.DataFrame, found: Layouts, k: int, row: int) -> str:
    """Say which two pulls a record may be of; of one added, the mark is that of its pull."""
    other = found.of_another[k]
    pull, mark = (
        (found.bearer[k], found.mark[k]) if other else due.iloc[row][["pull_id", "pull_mark"]]
    )
    return (
        f"line {records.lines[k]} names {due['joint_id'].iloc[row]} and bears the mark of {pull} "
        f"({mark}): of which of the two it is cannot be told"
        + (", and it counts for neither" if other else "")
    )


def _same_number(due: pd.DataFrame, row: IntArray, pull: TextArray) -> IntArray:
    """Return the joint of another pull with the number of each; -1 where there is none."""
    number = due["number"].astype("Int64").fillna(-1).to_numpy(dtype=np.int64)
    first = np.flatnonzero((number > 0) & ~due["joint_id"].duplicated().to_numpy())
    pulls = due["pull_id"].to_numpy(dtype=object)
    known = pd.MultiIndex.from_arrays([pulls[first], number[first]])
    found = known.get_indexer(pd.MultiIndex.from_arrays([pull, number[row]]))
    return np.append(first, -1)[found].astype(np.int64)
