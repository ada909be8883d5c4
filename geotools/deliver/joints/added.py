"""Joints that are in no schedule: added on site, or recorded under a name that no pull has."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.matching import IntArray, TextArray, folded, words_of
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import Records, told_added
from geotools.deliver.joints.renumbered import bearers
from geotools.deliver.wording import measured
from geotools.network.ragged import BoolArray

__all__ = [
    "added_notes",
    "hold_added",
    "hold_added_at",
    "is_added",
    "named_pulls",
    "places",
    "strays",
    "with_added",
]

_SHOWN = 5
_AT_SLACK = 1.0  # m; chainage on site is taken from the ground


def is_added(joints: pd.DataFrame) -> BoolArray:
    """Tell which joints of a schedule were added on site: they have no number in their pull."""
    return joints["number"].isna().to_numpy(dtype=bool)


def with_added(joints: Any, records: Records) -> Any:
    """Return the schedule with the joints that records say were added on site.

    Such a joint is of the pull whose mark its record bears, or, without a mark, of that whose name
    its own begins with; crews of two pulls may give theirs one name. It is judged by the window of
    that pull, and lies where its record says.

    Parameters
    ----------
    joints : GeoDataFrame
        The schedule.
    records : Records
        Of joints.
    """
    names = records.table["joint_id"]
    of = _pulls_of(records, joints)
    rows = np.flatnonzero(
        told_added(records)
        & (names != "").to_numpy()
        & ~names.isin(joints["joint_id"]).to_numpy()
        & of.notna().to_numpy()
    )
    rows = rows[~_keys(names.iloc[rows], of.iloc[rows]).duplicated()]
    pull = of.iloc[rows]
    if not len(rows):
        return joints
    first = ~joints["pull_id"].duplicated().to_numpy()
    like = pd.Index(joints["pull_id"][first]).get_indexer(pd.Index(pull))
    more = (
        joints[first]
        .iloc[like]
        .assign(
            joint_id=names.iloc[rows].to_numpy(dtype=object),
            string_id="",
            number=pd.array([pd.NA] * len(rows), dtype="Int64"),
            chainage=records.table["added_at"].to_numpy(dtype=float)[rows],
            intermediate=False,
            piece_before=np.nan,
            piece_after=np.nan,
            geometry=None,
        )
    )
    return pd.concat([joints.astype({"number": "Int64"}), more], ignore_index=True)


def _pulls_of(records: Records, joints: pd.DataFrame) -> pd.Series[str]:
    """Return the pull every record is of if its joint was added: by its mark, else by its name."""
    table = records.table
    marks = pd.Series(words_of(table["pull_mark"]), dtype=object)
    by_name = pd.Series(named_pulls(table["joint_id"], joints["pull_id"]), dtype=object)
    return marks.map(bearers(joints)).astype(object).where(marks != "", by_name)


def _keys(names: pd.Series[str], pulls: pd.Series[str]) -> pd.MultiIndex:
    return pd.MultiIndex.from_arrays([folded(names), pulls.to_numpy(dtype=object)])


def places(due: pd.DataFrame, records: Records) -> IntArray:
    """Return the row of the schedule of every record, -1 where it is of no joint there.

    A joint added on site is found by its name and pull, or where its record does not say its pull,
    or says one that has no such joint, by its name if there is but one of that name. Of a joint
    that is in the schedule twice it is the first.
    """
    added, names = is_added(due), records.table["joint_id"]
    own = np.append(np.flatnonzero(~added & ~due["joint_id"].duplicated().to_numpy()), -1)
    place = own[pd.Index(due["joint_id"].to_numpy()[own[:-1]]).get_indexer(pd.Index(names))]
    rest, more = np.flatnonzero((place < 0) & (names != "").to_numpy()), np.flatnonzero(added)
    if not len(rest) or not len(more):
        return np.asarray(place, dtype=np.int64)
    of, due = _pulls_of(records, due).iloc[rest], due.iloc[more]
    found = _keys(due["joint_id"], due["pull_id"]).get_indexer(_keys(names.iloc[rest], of))
    alone = pd.Series(np.arange(len(more)), index=folded(due["joint_id"]))
    alone = alone[~alone.index.duplicated(keep=False)]
    by_name = alone.reindex(folded(names.iloc[rest])).fillna(-1).to_numpy(dtype=np.int64)
    bare = (words_of(records.table["pull_mark"].iloc[rest]) == "") | of.notna().to_numpy()
    found = np.where((found < 0) & bare, by_name, found)
    place[rest] = np.append(more, -1)[found]
    return np.asarray(place, dtype=np.int64)


def hold_added(
    records: Records, place: IntArray, due: pd.DataFrame, other: BoolArray, reasons: Reasons
) -> None:
    """Hold it against joints of the schedule that a record of them says they were added.

    Parameters
    ----------
    records : Records
    place : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of no joint there.
    due : DataFrame
        The schedule, with the joints added.
    other : ndarray of bool, shape (records,)
        Records made for another layout of their pull.
    reasons : Reasons
        Added to.
    """
    planned, lines = np.append(~is_added(due), False), records.lines
    reasons.add_where(
        "added",
        told_added(records) & planned[place] & ~other,
        place,
        lambda k: (
            f"line {lines[k]} says added on site, and the joint is in the schedule: take that out "
            "if it is this joint, or give one more a name of its own"
        ),
    )


def hold_added_at(
    due: pd.DataFrame,
    pulls: pd.DataFrame,
    tails: pd.Series[float] | None,
    reasons: Reasons,
    *,
    units: str,
) -> None:
    """Hold it against joints added on site that they do not lie on their pull, tails and all.

    Parameters
    ----------
    due : DataFrame
        Joints of the schedule and joints added, by their row: those that are there.
    pulls : DataFrame
        ``pull_id``, ``start`` and ``end`` along the run, m.
    tails : Series, optional
        Carrier left out of the host at both ends together, m, by ``pull_id``.
    reasons : Reasons
        Added to.
    units : {"si", "us"}
        Units of the texts.
    """
    more = due[is_added(due)]
    rows = more.index.to_numpy(dtype=np.int64)
    of = pulls.drop_duplicates("pull_id").set_index("pull_id").reindex(more["pull_id"])
    left = 0.0 if tails is None else tails.reindex(more["pull_id"]).fillna(0.0).to_numpy()
    at, start, end = (
        values.to_numpy(dtype=float) for values in (more["chainage"], of["start"], of["end"])
    )
    off = (at < start - left - _AT_SLACK) | (at > end + left + _AT_SLACK)
    reasons.add_where(
        "added",
        off,
        rows,
        lambda k: (
            f"added_at is {measured(at[k], 'joints', 'chainage', units)}, and its pull runs from "
            f"{measured(start[k], 'joints', 'chainage', units)} to "
            f"{measured(end[k], 'joints', 'chainage', units)}"
        ),
    )


def added_notes(joints: pd.DataFrame) -> Iterator[str]:
    """Say which joints of the schedule were added on site, and which of them nobody says where."""
    added = is_added(joints)
    names = joints["joint_id"][added].tolist()
    if names:
        yield (
            f"{len(names):,} joint(s) added on site, as their records say, are judged by the "
            f"window of their pull: {_some(names)}"
        )
    lost = joints["joint_id"][added & joints["chainage"].isna().to_numpy()].tolist()
    if lost:
        yield (
            f"not checked: whether {len(lost):,} joint(s) added on site lie on their pull. Their "
            "records do not say where they are; write how far along the run in added_at: "
            f"{_some(lost)}"
        )


def strays(records: Records, place: IntArray, due: pd.DataFrame, pulls: Iterable[str]) -> Any:
    """Return what to hold against pulls of which records name joints that they do not have.

    Parameters
    ----------
    records : Records
        Of joints.
    place : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of no joint there.
    due : DataFrame
        The schedule.
    pulls : iterable of str
        Pulls of the plan.

    Returns
    -------
    dict of str to Series
        Texts by ``pull_id``, by rule: records that seem to be of an older layout, by their names
        alone, and others that bear the mark or the name of the pull.
    """
    rows = np.flatnonzero(place < 0)
    names = records.table["joint_id"].iloc[rows].reset_index(drop=True)
    marks = pd.Series(words_of(records.table["pull_mark"].iloc[rows]), dtype=object)
    by_mark = marks.map(bearers(due))
    by_name = pd.Series(named_pulls(names, pulls), dtype=object)
    counted = pd.Series(folded(names), dtype=object).str.fullmatch(r".+-j[0-9]+").astype(bool)
    older = by_mark.isna() & counted
    lines = pd.Series(records.lines[rows].astype(str), dtype=object)
    told = pd.DataFrame({"name": names, "line": lines})
    return {
        "layout": _by_pull(told[older], by_name[older], _told_older),
        "stray": _by_pull(
            pd.concat([told[~older], told]).reset_index(drop=True),
            pd.concat([by_name[~older], by_mark]).reset_index(drop=True),
            _told_stray,
        ),
    }


def _by_pull(told: pd.DataFrame, pull: pd.Series[str], say: Any) -> pd.Series[str]:
    """Return a text for every pull of the records that are of it by mark or name."""
    table = told.assign(pull=pull).dropna().drop_duplicates()
    return pd.Series({name: say(of) for name, of in table.groupby("pull")}, dtype=object)


def named_pulls(names: pd.Series[str], pulls: Iterable[str]) -> TextArray:
    """Return the pull whose name each joint's begins with, up to a hyphen; None where none's."""
    ids = pd.Series(list(dict.fromkeys(pulls)), dtype=object)
    plain = pd.Series(ids.to_numpy(dtype=object), index=folded(ids), dtype=object)
    plain = plain[~plain.index.duplicated(keep=False)]
    known = dict(zip(plain.index.tolist(), plain.tolist(), strict=True))
    codes, found = pd.factorize(folded(names))
    return np.array([*(_longest(str(name), known) for name in found), None], dtype=object)[codes]


def _longest(name: str, known: dict[str, str]) -> str | None:
    while "-" in name:
        name = name.rpartition("-")[0]
        if name in known:
            return known[name]
    return None


def _told_older(records: pd.DataFrame) -> str:
    names = records["name"]
    span = names.iloc[0] if len(names) == 1 else f"{names.iloc[0]} to {names.iloc[-1]}"
    return (
        f"{len(names):,} record(s) name joints that it does not have ({span}): a sign that they "
        "were made for an older layout of this pull; compare with the schedule as issued"
    )


def _told_stray(records: pd.DataFrame) -> str:
    pairs = zip(records["name"], records["line"], strict=True)
    some = [f"{name or 'no name'} in line {line}" for name, line in pairs]
    return (
        f"{len(records):,} record(s) bear its mark or its name and are of no joint of it "
        f"({_some(some)}), so they were not judged; of a joint added on site write yes in a column "
        "added, and the mark of its pull"
    )


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _SHOWN:,} more" if len(names) > _SHOWN else ""
    return f"{', '.join(names[:_SHOWN])}{more}"
