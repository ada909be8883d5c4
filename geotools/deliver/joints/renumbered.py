"""Pulls that bear another number in this plan, found in records by their mark."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd

from geotools.deliver.joints.matching import TextArray, folded, parted, words_of
from geotools.deliver.joints.records import Records, told_added
from geotools.network.ragged import BoolArray

__all__ = ["bare_pulls", "bearers", "renumbered_joints", "renumbered_notes", "renumbered_pulls"]


def bearers(due: pd.DataFrame) -> pd.Series[str]:
    """Return the pull of the plan that bears a mark, by mark in plain letters."""
    pulls = due.drop_duplicates("pull_id")
    marks = words_of(pulls["pull_mark"])
    of = pd.Series(pulls["pull_id"].to_numpy(dtype=object), index=marks, dtype=object)
    return of[(of.index != "") & ~of.index.duplicated(keep=False)]


def renumbered_joints(
    records: Records, due: pd.DataFrame, issued: Records | None
) -> tuple[Records, pd.Series[str]]:
    """Return records of joints with the names this plan has for pulls that are where they were.

    The mark of a pull is another as soon as anything of it is, so a record that bears the mark of
    a pull under another name is of that pull, and of its joint of the same number. It is taken so
    if the schedule as issued says the same, or if all records with that mark name one pull:
    else a mark may have been copied down a column.

    Parameters
    ----------
    records : Records
        Of joints, names as in the plan where they are there; or the schedule as issued.
    due : DataFrame
        The schedule of the plan; a joint may be there twice.
    issued : Records, optional
        The schedule as it was issued, which says the mark of records that bear none.

    Returns
    -------
    Records
    Series
        Pull of the plan by its name in the records.
    """
    due = due[due["number"].notna()].drop_duplicates("joint_id")
    named = pd.Series(folded(records.table["joint_id"]), dtype=object)
    parts = named.str.extract(r"^(.+)-j([0-9]{1,9})$")
    more = named.where(told_added(records)).str.extract(r"^(.+-l[0-9]+)-(.+)$")
    parts[0] = parts[0].fillna(more[0])
    target = _targets(records, parts[0], due, issued)
    pulls = pd.Series(target, dtype=object)
    keys = pd.MultiIndex.from_arrays([due["pull_id"], due["number"].astype(object)])
    known = pd.Series(due["joint_id"].to_numpy(dtype=object), index=keys)
    number = pd.to_numeric(parts[1], errors="coerce").fillna(-1).astype(np.int64).astype(object)
    names = known.reindex(pd.MultiIndex.from_arrays([pulls, number])).to_numpy(dtype=object)
    behind = more[1].str.count("-").fillna(0).astype(int)
    written = zip(records.table["joint_id"], behind, target, strict=True)
    both = [parted(name, dashes) if of else ("", "") for name, dashes, of in written]
    old, own = pd.DataFrame(both, columns=["pull", "own"], dtype=object).to_numpy().T
    names = np.where(pd.isna(names) & more[1].notna(), target + "-" + own, names)
    moved = (target != "") & pd.notna(names)
    return _renamed(records, "joint_id", moved, names, due, (old, target))


def renumbered_pulls(
    records: Records, due: pd.DataFrame, issued: Records | None
) -> tuple[Records, pd.Series[str]]:
    """Return records of pulls, or a schedule, as `renumbered_joints` returns those of joints."""
    named = pd.Series(folded(records.table["pull_id"]), dtype=object)
    target = _targets(records, named, due, issued)
    told = records.table["pull_id"].to_numpy(dtype=object), target
    return _renamed(records, "pull_id", target != "", target, due, told)


def _targets(
    records: Records, named: pd.Series[str], due: pd.DataFrame, issued: Records | None
) -> TextArray:
    """Return the pull of the plan each record is of by its mark alone; empty elsewhere."""
    own, told = words_of(records.table["pull_mark"]), _issued_marks(named, issued)
    marks = np.where(own == "", told, own)
    target = pd.Series(marks, dtype=object).map(bearers(due)).astype(object).fillna("")
    other = (target != "") & named.notna() & (pd.Series(folded(target)) != named)
    single = named.groupby(pd.Series(marks, dtype=object)).transform("nunique") == 1
    free = (told == "") & ~named.isin(folded(due["pull_id"].drop_duplicates()))
    sure = (marks == told) | (free & single)
    moved = other & sure & _of_one_run(named, target, due)
    return target.where(moved, "").to_numpy(dtype=object)


def _issued_marks(named: pd.Series[str], issued: Records | None) -> TextArray:
    """Return the mark that the schedule as issued has for every pull, in plain letters."""
    if issued is None:
        return np.full(len(named), "", dtype=object)
    marks = pd.Series(
        words_of(issued.table["pull_mark"]), index=folded(issued.table["pull_id"]), dtype=object
    )
    marks = marks[~marks.index.duplicated()]
    return named.map(marks).astype(object).fillna("").to_numpy(dtype=object)


def _of_one_run(named: pd.Series[str], target: pd.Series[str], due: pd.DataFrame) -> BoolArray:
    """Tell where a name is that of a pull of the same run as the pull it may be of."""
    runs = due.drop_duplicates("pull_id").set_index("pull_id")["run_id"]
    run = pd.Series(folded(target.map(runs).astype(object).fillna("")), dtype=object)
    before = named.str.extract(r"^(.+)-l[0-9]+$")[0]
    return (before == run).to_numpy(dtype=bool)


def _renamed(
    records: Records,
    column: str,
    moved: BoolArray,
    names: TextArray,
    due: pd.DataFrame,
    told: tuple[TextArray, TextArray],
) -> tuple[Records, pd.Series[str]]:
    """Return records with the names of the plan, and pulls of the plan by those in the records."""
    if not moved.any():
        return records, pd.Series(dtype=object)
    planned = due.drop_duplicates("pull_id").set_index("pull_id")["pull_mark"]
    marks = pd.Series(told[1], dtype=object).map(planned).to_numpy(dtype=object)
    table = records.table
    given = {column: names, "pull_mark": marks}
    both = {name: np.where(moved, new, table[name]) for name, new in given.items()}
    pairs = pd.Series(told[1][moved], index=told[0][moved], dtype=object)
    return replace(records, table=table.assign(**both)), pairs


def renumbered_notes(kind: str, pairs: pd.Series[str]) -> tuple[str, ...]:
    """Say which pulls were found under other names, and how many records of them."""
    counts = Counter(zip(pairs.index.tolist(), pairs.tolist(), strict=True))
    return tuple(
        f"{count:,} record(s) of {kind} {old} were read as of {new}: they bear its mark, and the "
        "pull has another number in this plan"
        for (old, new), count in counts.items()
    )


def bare_pulls(records: Records, moved: pd.Series[str]) -> tuple[str, ...]:
    """Say which records of pulls bear no mark though joints of that name are of another pull."""
    table, of = records.table, moved[~moved.index.duplicated()]
    rows = (words_of(table["pull_mark"]) == "") & table["pull_id"].isin(moved.index).to_numpy()
    return tuple(
        f"not checked: whether the record of pull {name} is not of {of[name]}, as the joints "
        "recorded under that name are. It bears no mark; write it in pull_mark, or give the "
        "schedule as it was issued with --schedule"
        for name in dict.fromkeys(table["pull_id"][rows])
    )
