"""Layouts of pulls: records of joints that were made for another layout than that of the plan."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.added import is_added
from geotools.deliver.joints.matching import IntArray, TextArray, words_of
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import Records
from geotools.deliver.joints.renumbered import bearers
from geotools.network.ragged import BoolArray

__all__ = [
    "Layouts",
    "hold_layouts",
    "layout_notes",
    "layouts_of",
    "pulls_of_this_layout",
]

# A schedule in a file is rounded to 0.1 mm; a joint that lies farther off lies elsewhere.
_CLOSE = 0.01
_NO_MARK = "of unknown mark"  # of a pull in an issued schedule without marks
_SHOWN = 5


@dataclass(frozen=True)
class Layouts:
    """Which layout of its pull every record is of.

    Attributes
    ----------
    other : ndarray of bool, shape (records,)
        Records made for another layout than that of the plan.
    bare : ndarray of bool, shape (records,)
        Records of joints of the plan that neither bear a mark nor have one by the schedule that
        was issued: matched by name alone.
    mark, due : ndarray of str, shape (records,)
        Mark of each as told, and that of the plan; empty where there is none.
    bearer : ndarray of str, shape (records,)
        Pull of the plan that bears the mark told; empty where none does.
    """

    other: BoolArray
    bare: BoolArray
    mark: TextArray
    due: TextArray
    bearer: TextArray

    @property
    def of_another(self) -> BoolArray:
        """Records that bear the mark of another pull of the plan than they name."""
        return np.asarray(self.other & (self.bearer != ""), dtype=bool)

    @property
    def older(self) -> BoolArray:
        """Records that bear a mark of no pull of the plan."""
        return np.asarray(self.other & (self.bearer == ""), dtype=bool)

    def kept(self, wanted: BoolArray) -> Layouts:
        """Return the same of these records alone."""
        flags = (self.other[wanted], self.bare[wanted])
        return Layouts(*flags, self.mark[wanted], self.due[wanted], self.bearer[wanted])


def layouts_of(
    records: Records, due: pd.DataFrame, place: IntArray, issued: Records | None
) -> Layouts:
    """Hold the marks of records against those of the plan.

    Parameters
    ----------
    records : Records
        Of joints.
    due : DataFrame
        The schedule of the plan.
    place : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of no joint there.
    issued : Records, optional
        The schedule as it was issued. What it says of a pull is the mark of records that bear
        none.
    """
    known = place >= 0
    pull = np.where(known, due["pull_id"].to_numpy(dtype=object)[place] if len(due) else "", "")
    return _layouts(records, pull, due, issued)


def _layouts(
    records: Records, pull: TextArray, due: pd.DataFrame, issued: Records | None
) -> Layouts:
    """Hold the mark of every record against that of the pull it is of; empty where of none."""
    of = pd.Series(pull, dtype=object)
    planned = of.map(_planned_marks(due)).fillna("").to_numpy(dtype=object)
    mark, known = records.table["pull_mark"].to_numpy(dtype=object), planned != ""
    if issued is not None:
        told = of.map(_issued_marks(issued, due)).fillna("").to_numpy(dtype=object)
        mark = np.where(mark == "", told, mark)
    other = known & (mark != "") & (_plain(mark) != _plain(planned))
    bearer = pd.Series(_plain(mark), dtype=object).map(bearers(due)).astype(object).fillna("")
    return Layouts(other, known & (mark == ""), mark, planned, bearer.to_numpy(dtype=object))


def _planned_marks(due: pd.DataFrame) -> pd.Series[str]:
    return due.drop_duplicates("pull_id").set_index("pull_id")["pull_mark"]


def pulls_of_this_layout(
    records: Records, due: pd.DataFrame, issued: Records | None
) -> tuple[Records, pd.Series[str]]:
    """Return the records of pulls but for those made for another layout, and what to say of these.

    Parameters
    ----------
    records : Records
        Of pulls.
    due : DataFrame
        The schedule of the plan.
    issued : Records, optional
        As `layouts_of` takes it.

    Returns
    -------
    Records
    Series
        Texts by ``pull_id``.
    """
    pull = records.table["pull_id"].to_numpy(dtype=object)
    found = _layouts(records, pull, due, issued)
    rows = np.flatnonzero(found.other)
    texts = [
        f"line {records.lines[k]} of the pulls was made for another layout of this pull "
        f"({_marks(found, int(k))}) and is not counted"
        for k in rows
    ]
    both = np.flatnonzero(found.of_another)
    texts += [
        f"line {records.lines[k]} of the pulls names {pull[k]} and bears the mark of this pull "
        f"({found.mark[k]}), and is counted for neither"
        for k in both
    ]
    index = np.concatenate([pull[rows], found.bearer[both]])
    return records.kept(~found.other), pd.Series(texts, index=index, dtype=object)


def _plain(marks: TextArray) -> TextArray:
    return words_of(pd.Series(marks, dtype=object))


def _issued_marks(issued: Records, due: pd.DataFrame) -> pd.Series[str]:
    """Return the mark of every pull of a schedule as issued.

    Where the file has none, it is that of the plan if all its joints are those of the plan, in
    name, place and pipe.
    """
    due = due[~is_added(due)]
    issued = issued.spelled("pull_id", due["pull_id"]).spelled("joint_id", due["joint_id"])
    names = ["pull_id", "joint_id", "chainage", "carrier"]
    both = due[names].merge(
        issued.table[names], on=names[:2], how="outer", suffixes=("", "_issued"), indicator=True
    )
    pipe, own = (_plain(both[f"carrier{n}"].fillna("").to_numpy()) for n in ("_issued", ""))
    off = (both["chainage"] - both["chainage_issued"]).abs()
    same = (both["_merge"] == "both") & (off <= _CLOSE) & ((pipe == "") | (pipe == own))
    alike = same.groupby(both["pull_id"]).all()
    planned = _planned_marks(due)
    table = issued.table.drop_duplicates("pull_id").set_index("pull_id")
    by_place = planned.reindex(table.index).where(alike.reindex(table.index), _NO_MARK)
    return table["pull_mark"].where(table["pull_mark"] != "", by_place).fillna(_NO_MARK)


def hold_layouts(
    records: Records, place: IntArray, found: Layouts, there: IntArray, reasons: Reasons
) -> None:
    """Hold it against joints that all their records are of another layout of their pull.

    Of records with the mark of another pull of the plan `geotools.deliver.joints.two_pulls` tells.

    Parameters
    ----------
    records : Records
    place : ndarray of int, shape (records,)
        Row of the schedule of every record.
    found : Layouts
    there : ndarray of int
        Rows of the schedule of which something else is on record.
    reasons : Reasons
        Added to.
    """
    lines = records.lines
    reasons.add_where(
        "layout",
        found.older & ~np.isin(place, there),
        place,
        lambda k: (
            f"line {lines[k]} was made for another layout of this pull ({_marks(found, k)}) and is "
            "not counted; compare with the schedule as issued"
        ),
    )


def _marks(found: Layouts, row: int) -> str:
    """Say which mark a record bears, and which it should."""
    if found.mark[row] == _NO_MARK:
        return "its joints lay elsewhere in that schedule"
    whose = f", {found.mark[row]} being that of {found.bearer[row]}" if found.bearer[row] else ""
    return f"mark {found.mark[row]}, in this plan {found.due[row]}{whose}"


def layout_notes(
    records: Records, found: Layouts, place: IntArray, reasons: Reasons
) -> tuple[str, ...]:
    """Say what was matched by name alone, and what was set aside though the joint is there."""
    notes, count = [], int((place >= 0).sum())
    bare = int(found.bare.sum())
    if bare:
        which = f"the {bare:,}" if bare == count else f"{bare:,} of {count:,}"
        notes.append(
            f"not checked: for which layout of their pulls {which} records were made. They bear no "
            "mark (column pull_mark of the schedule) and were matched by name alone; after a "
            "change of the plan a name may be that of another joint. Give the schedule as it was "
            "issued with --schedule, or see that it is that of this plan"
        )
    if found.older.any():
        notes.append(
            f"{int(found.older.sum()):,} record(s) made for another layout of their pulls: the "
            "plan was changed after the schedule was issued, or that schedule was made with "
            "another --tail"
        )
    held = np.isin(place, reasons.rows("layout"))
    aside = np.flatnonzero(found.older & ~held)
    if len(aside):
        notes.append(
            f"{len(aside):,} of these stand beside records for this layout, which count: "
            f"{_lines(records.lines[aside])}"
        )
    return tuple(notes)


def _lines(lines: Iterable[Any]) -> str:
    """Return the numbers of lines, as many as are told."""
    shown = [str(line) for line in lines]
    more = f" and {len(shown) - _SHOWN:,} more" if len(shown) > _SHOWN else ""
    return f"line {', '.join(shown[:_SHOWN])}{more}"
