"""Records held against the joint schedule and the plan: what is missing, what is out of bounds."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.added import (
    added_notes,
    hold_added,
    hold_added_at,
    is_added,
    named_pulls,
    places,
    strays,
    with_added,
)
from geotools.deliver.joints.asbuilt_pulls import check_pulls, pull_times
from geotools.deliver.joints.clock_change import clock_notes
from geotools.deliver.joints.cut_out import CutOut, cut_out, hold_cuts
from geotools.deliver.joints.issued_windows import hold_windows
from geotools.deliver.joints.layouts import (
    Layouts,
    hold_layouts,
    layout_notes,
    layouts_of,
    pulls_of_this_layout,
)
from geotools.deliver.joints.matching import IntArray, Match, words_of
from geotools.deliver.joints.moments import Moments
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import KINDS, Records, same_zones
from geotools.deliver.joints.renumbered import (
    bare_pulls,
    bearers,
    renumbered_joints,
    renumbered_notes,
    renumbered_pulls,
)
from geotools.deliver.joints.rows import Aside, aside_notes, gone_notes, verdicts
from geotools.deliver.joints.rules import copied_limits, hold_against
from geotools.deliver.joints.times import machines_at_once
from geotools.deliver.joints.two_pulls import TwoPulls, of_two_pulls
from geotools.errors import LayerError
from geotools.network.ragged import BoolArray
from geotools.schema import NOT_HELD

__all__ = ["Checked", "check_records"]


@dataclass(frozen=True)
class Checked:
    """The outcome of a check.

    Attributes
    ----------
    joints : GeoDataFrame
        The layer ``asbuilt_joints`` of the contract.
    pulls : GeoDataFrame
        The layer ``asbuilt_pulls`` of the contract.
    rules : dict of str to int
        Joints, unknown records and pulls that each rule is held against.
    notes : tuple of str
        What was not checked, and why.
    procedures : tuple of str
        What the joints were judged by.
    """

    joints: Any
    pulls: Any
    rules: dict[str, int]
    notes: tuple[str, ...]
    procedures: tuple[str, ...] = ()

    @property
    def failed(self) -> bool:
        """Whether anything is held against anyone; what was not to be checked, or due, is not."""
        verdicts = {*self.joints["verdict"], *self.pulls["verdict"]}
        return bool(verdicts.difference(NOT_HELD))


def check_records(
    joints: Any,
    pulls: Any,
    records: Records,
    *,
    pull_records: Records | None = None,
    qualifications: Records | None = None,
    issued: Records | None = None,
    tails: pd.Series[float] | None = None,
    now: np.datetime64 | None = None,
    only: Collection[str] | None = None,
    units: str = "si",
) -> Checked:
    """Hold records of joints and pulls against the schedule and the plan.

    Parameters
    ----------
    joints, pulls : GeoDataFrame
        Layers of the contract.
    records, pull_records : Records
        Of joints (several files as `together` has them), and of pulls if there are any.
    qualifications : Records, optional
        Of operators and machines; without it nobody's qualification is checked.
    issued : Records, optional
        The schedule as it was issued: of which layout of their pulls records are that bear no
        mark, and by what procedure the joints were to be made.
    tails : Series, optional
        Carrier left out of the host at both ends together, m, by ``pull_id``, as
        `geotools.deliver.joints.schedule.Schedule` has it.
    now : datetime64, optional
        When the check is made: what is dated a day later or more cannot be. Not held without it.
    only : collection of str, optional
        Identifiers of the pulls that are checked; all if not given. Records of the others tell
        what machines and people did meanwhile.
    units : {"si", "us"}, optional
        Units of the texts.

    Returns
    -------
    Checked
        A verdict and reasons for every joint and pull. A joint passes only if it has exactly
        one record (those of joints cut out, and of what was cut out later, aside), that one is
        later than every cut-out, and nothing is held against it.

    Raises
    ------
    LayerError
        If times with and without a zone meet, or a qualification cannot be read.
    """
    same_zones(records, pull_records, qualifications)
    _check_qualifications(qualifications)
    given = _given(joints, pulls, records, pull_records, issued, units)
    if only is not None:
        given = given.of_pulls(only)
    return _held(given, qualifications, tails=tails, now=now, units=units)


@dataclass(frozen=True)
class _Given:
    """Schedule and plan, and the records held against them.

    ``due`` is the schedule without geometry, ``place`` the row of it each of the records is of,
    below 0 where of none, ``every`` all records of its joints, those of joints
    cut out and of pulls not asked for too. ``others`` says by
    ``pull_id`` what of pulls is of another layout, ``both`` what of joints may be of either of two
    pulls; ``notes`` are on how all were read.
    """

    joints: Any
    pulls: Any
    due: pd.DataFrame
    every: Match
    records: Records
    place: IntArray
    layouts: Layouts
    pull_records: Records | None
    issued: Records | None
    others: pd.Series[str]
    both: TwoPulls
    notes: tuple[str, ...]

    def of_pulls(self, only: Collection[str]) -> _Given:
        """Leave the pulls asked for and their joints; records of the others are set aside."""
        asked = self.due["pull_id"].isin(list(only)).to_numpy(dtype=bool)
        wanted = self.pulls["pull_id"].isin(list(only))
        pull_records = self.pull_records
        if pull_records is not None:
            pull_records = pull_records.without("pull_id", self.pulls.loc[~wanted, "pull_id"])
        number = np.append(np.where(asked, np.cumsum(asked) - 1, -1), -1)
        place = number[self.place]
        kept = np.where(self.place < 0, ~self._of_others(asked), place >= 0)
        return _Given(
            self.joints[asked].reset_index(drop=True),
            self.pulls[wanted],
            self.due[asked].reset_index(drop=True),
            replace(self.every, joint=number[self.every.joint]),
            self.records.kept(kept),
            place[kept],
            self.layouts.kept(kept),
            pull_records,
            self.issued,
            self.others,
            self.both.of_pulls(only, number),
            self.notes,
        )

    def _of_others(self, asked: BoolArray) -> BoolArray:
        """Tell which records bear the mark of a pull not asked for, and name none that is."""
        table, pulls = self.records.table, self.due.loc[asked, "pull_id"]
        pull = pd.Series(words_of(table["pull_mark"]), dtype=object).map(bearers(self.due))
        named = named_pulls(table["joint_id"], pulls)
        return np.asarray(pull.notna() & ~pull.isin(pulls) & pd.isna(named), dtype=bool)


def _given(
    joints: Any,
    pulls: Any,
    records: Records,
    pull_records: Records | None,
    issued: Records | None,
    units: str,
) -> _Given:
    """Put schedule, plan and records together, names of joints and pulls as the plan has them."""
    written = records.table["joint_id"]
    records = records.spelled("joint_id", joints["joint_id"])
    read = _read_otherwise(written, records)
    due, others = pd.DataFrame(joints.drop(columns="geometry")), pd.Series(dtype=object)
    records, moved = renumbered_joints(records, due, issued)
    read += renumbered_notes("joints of", moved)
    if pull_records is not None:
        pull_records = pull_records.spelled("pull_id", pulls["pull_id"])
        pull_records, moved_pulls = renumbered_pulls(pull_records, due, issued)
        read += renumbered_notes("pull", moved_pulls)
        read += () if issued else bare_pulls(pull_records, moved)
        pull_records, others = pulls_of_this_layout(pull_records, due, issued)
    joints = with_added(joints, records)
    due = pd.DataFrame(joints.drop(columns="geometry"))
    place = places(due, records)
    layouts = layouts_of(records, due, place, issued)
    both = of_two_pulls(records, due, place, layouts)
    every = _matched(due, records.table, place, units)
    return _Given(
        *(joints, pulls, due, every, records, place, layouts),
        *(pull_records, issued, others, both, read),
    )


def _read_otherwise(written: pd.Series[Any], records: Records) -> tuple[str, ...]:
    """Say which joint numbers were taken for others than are written, letter by letter."""
    read = records.table["joint_id"]
    rows = np.flatnonzero(words_of(written) != words_of(read))
    if not len(rows):
        return ()
    k = rows[0]
    more = f" and {len(rows) - 1:,} more" if len(rows) > 1 else ""
    return (
        f"joint numbers not written as in the schedule: {written.iloc[k]!r} was read as "
        f"{read.iloc[k]} (line {records.lines[k]}){more}; see that they are meant",
    )


def _held(
    given: _Given,
    qualifications: Records | None,
    *,
    tails: pd.Series[float] | None,
    now: np.datetime64 | None,
    units: str,
) -> Checked:
    """Hold joints and pulls against what is on record of them."""
    records, place, layouts = given.records, given.place, given.layouts
    counted = np.where(layouts.other, -1, place)
    cuts = cut_out(records.table, counted)
    there = np.where(cuts.cut | cuts.gone, -1, counted)
    match = _matched(given.due, records.table, there, units)
    times = pull_times(given.pulls, given.pull_records)
    reasons = hold_against(
        match,
        records,
        given.due,
        every=given.every,
        times=times,
        qualifications=qualifications,
        now=now,
    )
    windows = hold_windows(match, records, given.issued, given.due, reasons)
    gone = _gone(given.due, counted, cuts)
    hold_cuts(records, np.where(gone[counted], -1, counted), cuts, reasons)
    left = given.due[~gone[:-1]]
    _hold_places(given, left, counted, tails, reasons, units)
    aside = Aside.of(place, cuts, layouts.other)
    frame = verdicts(given.joints, records, match, place, reasons, aside=aside, gone=gone)
    made = check_pulls(
        *(given.pulls, frame, given.pull_records, times),
        units=units,
        tails=tails,
        against=_against_pulls(given),
        now=now,
    )
    notes = (
        *machines_at_once(given.every),
        *made.notes,
        *_notes(records, given.pull_records, qualifications),
        *(
            f"{file.source}: {note}"
            for given_file in (records, given.pull_records, qualifications, given.issued)
            if given_file is not None
            for file in given_file.files
            for note in file.notes
        ),
        *(*given.notes, *added_notes(left), *given.both.notes()),
        *aside_notes(records, aside),
        *gone_notes(records, aside, given.due, gone),
        *windows,
        *copied_limits(match, records),
        *layout_notes(records, layouts, place, reasons),
    )
    rules = _rules(frame, made.frame, reasons, made.rules)
    return Checked(frame, made.frame, rules, notes, _procedures(given.due))


def _hold_places(
    given: _Given,
    left: pd.DataFrame,
    counted: IntArray,
    tails: pd.Series[float] | None,
    reasons: Reasons,
    units: str,
) -> None:
    """Hold it against joints that their records may be of others, or of none there.

    Of those added on site the ones that are ``left`` have to lie on their pull.
    """
    hold_layouts(given.records, given.place, given.layouts, counted, reasons)
    given.both.hold(reasons)
    hold_added(given.records, given.place, given.due, given.layouts.other, reasons)
    hold_added_at(left, given.pulls, tails, reasons, units=units)


def _against_pulls(given: _Given) -> dict[str, pd.Series[str]]:
    """Return what records of joints, and of pulls of other layouts, say against pulls, by rule."""
    against = strays(given.records, given.place, given.due, given.pulls["pull_id"])
    others = pd.concat([given.others, against["layout"]])
    return {**against, "layout": others, "mark": given.both.pulls}


def _gone(due: pd.DataFrame, joint: IntArray, cuts: CutOut) -> BoolArray:
    """Tell which joints were added on site and are cut out for good: none of them is due.

    One row more than there are joints stands for records that are of none.
    """
    out = np.append(is_added(due), False)
    known = joint >= 0
    out[joint[known & ~cuts.cut & ~cuts.gone]] = False
    cut_for_good = np.zeros(len(out), dtype=bool)
    cut_for_good[joint[known & cuts.cut]] = True
    return out & cut_for_good


def _procedures(due: pd.DataFrame) -> tuple[str, ...]:
    """Return what the joints are judged by."""
    return tuple(sorted(str(name) for name in due["procedure"].unique() if name))


def _matched(due: pd.DataFrame, table: pd.DataFrame, place: IntArray, units: str) -> Match:
    """Return the records of joints of the schedule, but for those whose row is below 0."""
    rows = np.flatnonzero(place >= 0)
    found, planned = table.iloc[rows], due.iloc[place[rows]]
    return Match(
        rows, place[rows], found.reset_index(drop=True), planned.reset_index(drop=True), units
    )


def _check_qualifications(file: Records | None) -> None:
    """Refuse qualifications that say nothing: nobody would know why a joint failed."""
    if file is None:
        return
    table = file.table
    faults = [
        f"line {file.lines[row]}: {text}"
        for row, text in zip(file.faults["row"], file.faults["text"], strict=True)
    ]
    kinds = np.isin(words_of(table["kind"]), KINDS)
    undated = (table["valid_from"] == "") | (table["valid_until"] == "")
    first = Moments.of(table, "valid_from")
    ended = Moments.of(table, "valid_until", latest=True).before(first)
    for wrong, why in (
        (~kinds, f"its kind is neither {' nor '.join(KINDS)}"),
        (undated, "its first or last day is missing"),
        (ended, "its last day is before its first; are they the wrong way round?"),
        (table["name"] == "", "it has no name"),
    ):
        faults += [f"line {file.lines[row]}: {why}" for row in np.flatnonzero(wrong)]
    if faults:
        raise LayerError(file.source, faults[:20])


def _rules(joints: Any, pulls: Any, reasons: Reasons, of_pulls: dict[str, int]) -> dict[str, int]:
    """Return how many joints, pulls and unknown records each rule is held against."""
    unknown = sum(int((frame["verdict"] == "unknown").sum()) for frame in (joints, pulls))
    rules = {**reasons.counts(), **({"unknown": unknown} if unknown else {})}
    return rules | {rule: rules.get(rule, 0) + count for rule, count in of_pulls.items()}


def _notes(
    records: Records, pull_records: Records | None, qualifications: Records | None
) -> tuple[str, ...]:
    notes = []
    if qualifications is None:
        notes.append("qualifications of operators and machines were not checked (none given)")
    if pull_records is None:
        notes.append("times and measured lengths of pulls were not checked (none given)")
    notes += clock_notes(records, pull_records)
    notes += [
        f"{file.source}: columns not used: {', '.join(file.unused)}"
        for given in (records, pull_records, qualifications)
        if given is not None
        for file in given.files
        if file.unused
    ]
    return tuple(notes)
