"""Windows of the schedule as it was issued, held against those that joints are judged by."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from geotools.deliver.joints.added import is_added
from geotools.deliver.joints.matching import Match, TextArray, words_of
from geotools.deliver.joints.procedure import TITLES
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import WINDOW, Records
from geotools.deliver.joints.renumbered import renumbered_joints
from geotools.network.ragged import BoolArray
from geotools.schema import OUTPUTS

__all__ = ["hold_windows"]

# What a limit in a file is rounded by, and lost where it is moved to other units and back.
_SHARE, _DEGREES = 1e-3, 0.06
_CHECK_SO = "check with that procedure (--procedure, --procedure-file)"


def hold_windows(
    match: Match, records: Records, issued: Records | None, joints: pd.DataFrame, reasons: Reasons
) -> tuple[str, ...]:
    """Hold it against joints that they are judged by another procedure than issued or made with.

    Parameters
    ----------
    match : Match
    records : Records
        All that `match` has some of.
    issued : Records, optional
        The schedule as it was issued.
    joints : DataFrame
        The schedule of the plan, with the joints added.
    reasons : Reasons
        Added to.

    Returns
    -------
    tuple of str
        What else of the windows was issued or named otherwise, and what of them cannot be read.
    """
    named = _named(match, records, reasons)
    if issued is None:
        return named
    table = _of_records(_of_this_layout(issued, joints[~is_added(joints)]), match, joints)
    own = table["carrier"].notna().to_numpy() & _alike(table, match, "carrier")
    given, due = _texts(table["procedure"]), match.due["procedure"].to_numpy(dtype=object)
    other = own & (given != "") & (due != "") & ~_alike(table, match, "procedure")
    reasons.add_where(
        "procedure",
        other,
        match.joint,
        lambda k: (
            f"its schedule was issued with {given[k]}, and it is judged by {due[k]}; {_CHECK_SO}, "
            "or issue it anew"
        ),
    )
    bare = own & (given == "") & (due != "")
    limits = table[list(WINDOW)].notna().any(axis=1).to_numpy(dtype=bool)
    return (
        *named,
        *_unread(issued),
        *_others(table, match, issued, own & ~other & (limits | ~bare)),
        *_unnamed(int((bare & limits).sum()), int((bare & ~limits).sum()), issued),
    )


def _unnamed(limits: int, none: int, issued: Records) -> Iterator[str]:
    """Say for how many joints the schedule as issued names no procedure, with limits or without."""
    if limits:
        yield (
            f"not checked: by which procedure {limits:,} of these joints were issued. The schedule "
            "as issued does not name it (column procedure); its limits were compared"
        )
    if none and "procedure" in issued.spelled_as:
        yield f"the schedule was issued without a window for {none:,} of these joints"
    elif none:
        yield (
            f"not checked: by which procedure {none:,} of these joints were issued. The schedule "
            "as issued has neither the column procedure nor limits; give it as it was written"
        )


def _named(match: Match, records: Records, reasons: Reasons) -> tuple[str, ...]:
    """Hold the procedure that records name against that they are judged by.

    A schedule that was filled in names it, and any record may in the program's words. In words of
    one's own a record may mean the same by another name: that is told, and fails nobody.
    """
    told, due = words_of(match.made["procedure"]), words_of(match.due["procedure"])
    said, judged = (of["procedure"].tolist() for of in (match.made, match.due))
    other = (told != "") & (due != "") & (told != due)
    filled = np.array([file.filled_in for file in records.files])[records.file_of[match.record]]
    ours = filled | np.isin(told, [title.casefold() for title in TITLES.values()])
    reasons.add_where(
        "procedure",
        other & ours,
        match.joint,
        lambda k: f"fused by {said[k]} as its record says, and judged by {judged[k]}; {_CHECK_SO}",
    )
    rows = np.flatnonzero(other & ~ours)
    if not len(rows):
        return ()
    k = rows[0]
    return (
        f"{len(rows):,} record(s) name a procedure of other words than they are judged by: "
        f"{said[k]} there, {judged[k]} here ({match.due['joint_id'].iloc[k]}); see that both are "
        "the same",
    )


def _of_this_layout(issued: Records, due: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the schedule as issued that are of joints of the plan, one of each."""
    issued, _ = renumbered_joints(issued.spelled("joint_id", due["joint_id"]), due, issued)
    marks = due.drop_duplicates("joint_id").set_index("joint_id")["pull_mark"]
    planned = words_of(issued.table["joint_id"].map(marks).astype(object).fillna(""))
    given = words_of(issued.table["pull_mark"])
    own: pd.DataFrame = issued.table[(given == "") | (given == planned)]
    return own.drop_duplicates("joint_id")


def _of_records(table: pd.DataFrame, match: Match, joints: pd.DataFrame) -> pd.DataFrame:
    """Return the row of the schedule as issued of every record, of a joint added its pull's."""
    pulls = joints.drop_duplicates("joint_id").set_index("joint_id")["pull_id"]
    first = pd.Series(table["joint_id"].to_numpy(), index=table["joint_id"].map(pulls))
    like = match.due["pull_id"].map(first[~first.index.duplicated()])
    names = match.due["joint_id"].where(~is_added(match.due), like)
    return table.set_index("joint_id").reindex(names)


def _texts(column: pd.Series[str]) -> TextArray:
    return column.fillna("").to_numpy(dtype=object)


def _alike(table: pd.DataFrame, match: Match, name: str) -> BoolArray:
    """Tell where a text of the issued schedule is that of the plan, or is not there."""
    given = words_of(pd.Series(_texts(table[name]), dtype=object))
    return np.asarray((given == "") | (given == words_of(match.due[name])), dtype=bool)


def _unread(issued: Records) -> Iterator[str]:
    faults = issued.faults
    if len(faults):
        first = faults.iloc[0]
        yield (
            f"not checked: {len(faults):,} value(s) of the schedule as issued that cannot be read, "
            f"such as line {issued.lines[first['row']]}: {first['text']}"
        )


def _others(table: pd.DataFrame, match: Match, issued: Records, own: BoolArray) -> Iterator[str]:
    """Say which limits were issued otherwise though the procedure bears the same name."""
    for name in WINDOW:
        if name not in issued.spelled_as:
            continue
        given, due = table[name].to_numpy(dtype=float), match.limit(name)
        dimension = OUTPUTS["joints"].field(name).dimension or ""
        slack = _DEGREES if dimension == "temperature" else _SHARE * np.abs(np.nan_to_num(due))
        same = (np.abs(given - due) <= slack) | (np.isnan(given) & np.isnan(due))
        rows = np.flatnonzero(own & ~same)
        if len(rows):
            k = int(rows[0])
            told = [
                "none" if np.isnan(value) else match.told(float(value), dimension)
                for value in (given[k], due[k])
            ]
            yield (
                f"{name.replace('_', ' ')} is another in the schedule as issued than the joints "
                f"are judged by: {told[0]} there, {told[1]} here, of "
                f"{match.due['joint_id'].iloc[k]} ({len(rows):,} record(s) so); issue the schedule "
                "anew, or see that both stand for the same procedure"
            )
