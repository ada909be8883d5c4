"""Times of joints that cannot be: two joints at one machine, strings out of order, other years."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.deliver.joints.cut_out import told_cut
from geotools.deliver.joints.matching import Match, words_of
from geotools.deliver.joints.moments import Moments
from geotools.deliver.joints.reasons import Reasons
from geotools.pipe.factors import DAY, HOUR

__all__ = ["GRACE", "hold_times", "machines_at_once"]

GRACE = np.timedelta64(1, "D")  # the clock of the site may be that of another zone
OPERATORS = 10  # told by name; a badge and a date for a name make thousands
_READ = 60.0  # s; times are told to the minute


def hold_times(match: Match, reasons: Reasons, *, every: Match, now: np.datetime64 | None) -> None:
    """Hold the times of joints against each other and against the day of the check.

    A joint keeps its machine from the heating of its ends until it has cooled under pressure: as
    long as is on record, or else as the schedule asks for.

    Parameters
    ----------
    match : Match
    reasons : Reasons
        Added to.
    every : Match
        These records, those of joints cut out, and those of joints that are not asked for, whose
        row is below 0: all that machines did.
    now : datetime64, optional
        When the check is made; without it no time is too late.
    """
    _busy(every, reasons)
    _crowded(every, reasons)
    _order(match, reasons)
    made = match.made["made"].tolist()
    reasons.add_where(
        "past",
        Moments.of(match.made, "made", latest=True).too_early,
        match.joint,
        lambda k: f"made {made[k]}: no joint of a plan is that old; see whether a clock was wrong",
    )
    if now is not None:
        reasons.add_where(
            "future",
            match.made["made_from"].to_numpy() > now + GRACE,
            match.joint,
            lambda k: f"made {made[k]}, after the day of this check ({str(now)[:10]})",
        )


def _spent(match: Match, found: str, due: str) -> npt.NDArray[np.float64]:
    """Return how long a step took, s: as recorded, else as it should; 0 where neither is known.

    A joint cut out may have been given up before it cooled: only what is on record counts.
    """
    value = match.number(found)
    due_s = np.where(told_cut(match.made["visual"]), 0.0, match.limit(due))
    return np.nan_to_num(np.where(value >= 0, value, due_s))


def _told_joint(match: Match, row: int) -> str:
    name = match.due["joint_id"].iloc[row]
    return f"{name} (cut out)" if told_cut(match.made["visual"])[row] else str(name)


def _pairs(match: Match, kind: str) -> pd.DataFrame:
    """Return joints that follow upon each other at a machine, or with an operator, too soon.

    ``before`` and ``after`` are rows of the match, ``gap`` and ``needed`` in s. Of a date alone
    the time of day is not known, and nothing follows.
    """
    start, end = (match.made[f"made_{n}"].to_numpy() for n in ("from", "to"))
    table = pd.DataFrame(
        {
            "name": words_of(match.made[kind]),
            "at": start,
            "joint": match.due["joint_id"].to_numpy(dtype=object),
            "cut": told_cut(match.made["visual"]),
            "soak": _spent(match, "soak", "soak"),
            "cool": _spent(match, "cool_time", "cool"),
        }
    )[(start == end) & (words_of(match.made[kind]) != "")]
    # a record that stands twice in the file is told as such
    table = table.drop_duplicates(["name", "at", "joint", "cut"])
    table = table.sort_values(["name", "at"], kind="stable")
    first, then = table.iloc[:-1], table.iloc[1:]
    pairs = pd.DataFrame(
        {
            "before": first.index,
            "after": then.index,
            "gap": (then["at"].to_numpy() - first["at"].to_numpy()) / np.timedelta64(1, "s"),
            "needed": first["cool"].to_numpy() + then["soak"].to_numpy(),
        }
    )
    same = first["name"].to_numpy() == then["name"].to_numpy()
    near: pd.DataFrame = pairs[same & (pairs["gap"] + _READ <= pairs["needed"]).to_numpy()]
    return near


def _busy(match: Match, reasons: Reasons) -> None:
    """Tell joints begun while their machine still held another."""
    pairs = _pairs(match, "machine")
    before, after = (pairs[name].to_numpy(dtype=np.int64) for name in ("before", "after"))
    gap, needed = (pairs[name].to_numpy(dtype=float) / 60 for name in ("gap", "needed"))
    made, machine = match.made["made"].tolist(), match.made["machine"].tolist()
    reasons.add_where(
        "machine-busy",
        match.joint[after] >= 0,
        match.joint[after],
        lambda k: (
            f"made {made[after[k]]} on machine {machine[after[k]]}, {gap[k]:.0f} min after joint "
            f"{_told_joint(match, before[k])}: to cool that one and heat this one takes "
            f"{needed[k]:.1f} min"
        ),
    )


def _crowded(match: Match, reasons: Reasons) -> None:
    """Tell joints of a day, dated without a time, that are too many for one machine."""
    start, end = (match.made[f"made_{n}"].to_numpy() for n in ("from", "to"))
    table = pd.DataFrame(
        {
            "machine": words_of(match.made["machine"]),
            "day": start,
            "joint": match.due["joint_id"].to_numpy(dtype=object),
            "cut": told_cut(match.made["visual"]),
            "spent": _spent(match, "soak", "soak") + _spent(match, "cool_time", "cool"),
        }
    )[(start < end) & (words_of(match.made["machine"]) != "")]
    table = table.drop_duplicates(["machine", "day", "joint", "cut"])
    grouped = table.groupby(["machine", "day"])["spent"]
    table = table.assign(total=grouped.transform("sum"), joints=grouped.transform("size"))
    table = table[table["total"] > DAY]
    rows = table.index.to_numpy(dtype=np.int64)
    name, day = match.made["machine"].to_numpy(dtype=object)[rows], table["day"].to_numpy()
    joints, hours = table["joints"].to_numpy(), table["total"].to_numpy(dtype=float) / HOUR
    reasons.add_where(
        "machine-busy",
        match.joint[rows] >= 0,
        match.joint[rows],
        lambda k: (
            f"one of {joints[k]:,} joints on {str(day[k])[:10]} by machine {name[k]}: to heat and "
            f"cool them takes {hours[k]:.0f} h"
        ),
    )


def _order(match: Match, reasons: Reasons) -> None:
    """Tell joints between strings made before those that join on earlier strings."""
    early, late = (Moments.of(match.made, "made", latest=n) for n in (False, True))
    table = pd.DataFrame(
        {
            "pull": match.due["pull_id"],
            "number": match.due["number"],
            "at": early.at,
            "clock": early.clock,
            "day": early.day,
            "row": np.arange(len(early.at)),
        }
    )[match.due["intermediate"].to_numpy(dtype=bool) & early.known]
    table = table.sort_values(["pull", "number"], kind="stable")
    # a pull with a date alone goes by the clock on site
    by_clock = table["day"].groupby(table["pull"]).transform("any")
    table["when"] = table["at"].where(~by_clock, table["clock"])
    latest = table.groupby("pull")["when"].cummax()
    leading = table["row"].where(table["when"] == latest).groupby(table["pull"]).ffill()
    table["before"] = leading.groupby(table["pull"]).shift()
    table = table.dropna(subset=["before"])
    rows, before = (table[name].to_numpy(dtype=np.int64) for name in ("row", "before"))
    reasons.add_where(
        "string-order",
        late.take(rows).before(early.take(before)),
        match.joint[rows],
        lambda k: (
            f"made {early.text[rows[k]]}, before the joint of an earlier string of the pull, made "
            f"{early.text[before[k]]}: strings are joined on in the order of their numbers"
        ),
    )


def machines_at_once(match: Match) -> tuple[str, ...]:
    """Say which operators ran two machines at a time; that may be, but somebody should ask.

    One of the two joints is among those asked for, whose row is not below 0.
    """
    pairs = _pairs(match, "operator")
    machine = words_of(match.made["machine"])
    before, after = (pairs[name].to_numpy(dtype=np.int64) for name in ("before", "after"))
    two = (machine[before] != machine[after]) & (machine[before] != "") & (machine[after] != "")
    two &= (match.joint[before] >= 0) | (match.joint[after] >= 0)
    before, after = before[two], after[two]
    told = match.made[["made", "machine", "operator"]].to_dict("list")
    names = match.due["joint_id"].tolist()
    _, first, operator = np.unique(
        words_of(match.made["operator"])[after], return_index=True, return_inverse=True
    )
    often, in_order = np.bincount(operator, minlength=len(first)), np.argsort(first)
    notes = []
    for who in in_order[:OPERATORS].tolist():
        a, b = int(before[first[who]]), int(after[first[who]])
        notes.append(
            f"operator {told['operator'][b]} ran two machines at once ({often[who]} time(s)): "
            f"joint {names[a]} on {told['machine'][a]} at {told['made'][a]} still cooled when "
            f"joint {names[b]} was begun on {told['machine'][b]}, made {told['made'][b]}; ask "
            "whether both were watched"
        )
    if len(first) > OPERATORS:
        rest = in_order[OPERATORS:]
        notes.append(
            f"{len(rest):,} more operators ran two machines at once ({often[rest].sum():,} "
            "time(s)); if that is one person under many names, write one in the records"
        )
    return tuple(notes)
