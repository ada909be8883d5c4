"""Pulls as made, held against those planned: time, length, force, and the joints in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.deliver.joints.moments import Moments
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import Records
from geotools.deliver.joints.times import GRACE
from geotools.deliver.wording import measured, no_reading, over_limit
from geotools.pipe.pulling import STOPPED_BY, stop_force_n
from geotools.schema import NOT_CHECKED

__all__ = ["PLANNED", "CheckedPulls", "PullTimes", "check_pulls", "joints_text", "pull_times"]

PLANNED = (
    *("pull_id", "run_id", "length", "head_force", "allowable"),
    *("governed_by", "governing_chainage", "governing_force", "governing_limit"),
)
_LAYER = "asbuilt_pulls"
_COUNTS = {"joints_passed": "pass", "joints_failed": "fail", "joints_missing": "missing"}
# Common practice, no source: a gauge on the line is read to a hundredth, and no better.
_FORCE_SHARE = 0.01
# Common practice, no source: a measured length may be off by a hundredth, or half a metre.
_LENGTH_SHARE, _LENGTH_LEAST = 0.01, 0.5
_NAMED = 5  # lines of records of one pull; more are a log


@dataclass(frozen=True)
class PullTimes:
    """Times of the pulls of the plan, not-a-time where there is no record.

    Of a start or an end given by its date alone the whole day is possible, so that nobody is
    blamed for what may be right.

    Attributes
    ----------
    pull_id : ndarray of str, shape (pulls,)
    first, started, ended : Moments
        Earliest start, latest start, latest end.
    """

    pull_id: npt.NDArray[np.object_]
    first: Moments
    started: Moments
    ended: Moments


@dataclass(frozen=True)
class CheckedPulls:
    """The layer ``asbuilt_pulls``, how many pulls each rule is held against, and what to know."""

    frame: Any
    rules: dict[str, int]
    notes: tuple[str, ...]


def pull_times(pulls: pd.DataFrame, records: Records | None) -> PullTimes | None:
    """Return when the pulls were made; None if nothing is on record.

    Where a pull has several records, each may be the right one.
    """
    if records is None:
        return None
    names, table = pulls["pull_id"].to_numpy(dtype=object), records.table
    keys = table["pull_id"].to_numpy(dtype=object)
    first, started, ended = (
        Moments.of(table, name, latest=latest).one_each(keys, names, latest=latest)
        for name, latest in (("started", False), ("started", True), ("ended", True))
    )
    return PullTimes(names, first, started, ended)


def check_pulls(
    pulls: Any,
    joints: pd.DataFrame,
    records: Records | None,
    times: PullTimes | None,
    *,
    units: str,
    tails: pd.Series[float] | None = None,
    against: Mapping[str, pd.Series[str]] | None = None,
    now: np.datetime64 | None = None,
) -> CheckedPulls:
    """Hold the records of pulls, and the verdicts of their joints, against the plan.

    Parameters
    ----------
    pulls : GeoDataFrame
        The layer ``pulls`` of the plan.
    joints : DataFrame
        ``pull_id`` and ``verdict`` of every joint.
    records : Records, optional
        Of pulls.
    times : PullTimes, optional
        As `pull_times` gave them.
    units : {"si", "us"}
        Units of the texts.
    tails : Series, optional
        Carrier left out of the host at both ends together, m, by ``pull_id``; none otherwise.
    against : mapping of str to Series, optional
        What records say against pulls beside that, texts by ``pull_id``, by rule.
    now : datetime64, optional
        When the check is made; without it no time is too late.

    Returns
    -------
    CheckedPulls
        Pulls of the plan with what was measured, a verdict and reasons. A pull passes if all
        its joints do, it has one record, the force measured is on it and allowed, and so are the
        lengths measured: its own and those of its run are those planned, without or with the
        tails. Without any records of pulls it is not checked, unless it fails for its joints.
        Records of pulls that are not in the plan stand behind them.
    """
    frame = pulls.reset_index(drop=True)[[*PLANNED, "geometry"]]
    left = 0.0 if tails is None else tails.reindex(frame["pull_id"]).fillna(0.0).to_numpy()
    frame = frame.assign(tail=left, **_joint_counts(frame, joints), **_measured(frame, records))
    reasons = Reasons()
    _add_joints(frame, reasons)
    for rule, texts_of in (against or {}).items():
        _add_against(frame, rule, texts_of, reasons)
    absent = np.zeros(len(frame), dtype=bool)
    if records is not None and times is not None:
        absent = _check_measured(frame, records, times, reasons, units)
        _add_dates(times, now, reasons)
    texts = reasons.joined(len(frame))
    good = "pass" if records is not None else NOT_CHECKED
    verdict = np.where(absent, "missing", np.where(texts != "", "fail", good))
    notes = _with_tails(frame, units)
    frame = frame.drop(columns="tail").assign(verdict=verdict.astype(object), reasons=texts)
    if records is not None:
        frame = _with_unknown(frame, records)
    return CheckedPulls(frame, reasons.counts(), notes)


def _add_against(frame: Any, rule: str, texts: pd.Series[str], reasons: Reasons) -> None:
    """Hold texts against the pulls that they are of."""
    place = pd.Index(frame["pull_id"]).get_indexer(texts.index)
    asked = place >= 0
    reasons.add(rule, place[asked], texts[asked].tolist())


def _add_joints(frame: Any, reasons: Reasons) -> None:
    """Hold joints that failed, or that nobody recorded, against their pull."""
    failed, missing = (frame[name].to_numpy() for name in ("joints_failed", "joints_missing"))
    reasons.add_where(
        "joints-of-pull",
        failed + missing > 0,
        np.arange(len(frame)),
        lambda k: joints_text(int(failed[k]), int(missing[k])),
    )


def _add_dates(times: PullTimes, now: np.datetime64 | None, reasons: Reasons) -> None:
    """Hold dates that cannot be against their pulls; without a day of the check none is late."""
    _add_early(times, reasons)
    if now is not None:
        _add_late(times, now, reasons)


def _add_early(times: PullTimes, reasons: Reasons) -> None:
    """Hold a date that no pull can bear against the pull that does."""
    early = times.first.or_else(times.first.too_early, times.ended)
    reasons.add_where(
        "pull-times",
        early.too_early,
        np.arange(len(early.at)),
        lambda k: (
            f"dated {early.text[k]}: no pull of a plan is that old; see whether a clock was wrong"
        ),
    )


def _add_late(times: PullTimes, now: np.datetime64, reasons: Reasons) -> None:
    """Hold a date after the day of the check against the pull that bears it."""
    ended = times.ended.known & ~(times.first.at > times.ended.at)
    late = times.ended.or_else(ended, times.first)
    reasons.add_where(
        "pull-times",
        late.at > now + GRACE,
        np.arange(len(late.at)),
        lambda k: f"dated {late.text[k]}, after the day of this check ({str(now)[:10]})",
    )


def _with_unknown(frame: Any, records: Records) -> Any:
    """Add the records whose pull is not in the plan."""
    import geopandas

    rows = np.flatnonzero(~records.table["pull_id"].isin(frame["pull_id"]).to_numpy(dtype=bool))
    if not len(rows):
        return frame
    table, lines = records.table.iloc[rows], records.lines[rows]
    texts = {name: table[name].to_numpy(dtype=object) for name in ("pull_id", "started", "ended")}
    numbers = {f"found_{name}": table[name].to_numpy(dtype=float) for name in ("length", "force")}
    unknown = geopandas.GeoDataFrame(
        {
            **texts,
            **numbers,
            "run_id": "",
            "governed_by": "",
            "verdict": "unknown",
            "reasons": [
                f"line {n}: there is no such pull in the plan"
                if name.strip()
                else f"line {n} names no pull; is it a row of units or of sums?"
                for n, name in zip(lines, table["pull_id"], strict=True)
            ],
            **dict.fromkeys(("joints", *_COUNTS), 0),
        },
        geometry=[None] * len(rows),
        crs=frame.crs,
    )
    return pd.concat([frame, unknown.reindex(columns=frame.columns)], ignore_index=True)


def _with_tails(frame: pd.DataFrame, units: str) -> tuple[str, ...]:
    """Say which measured lengths are only good if the tails were measured along."""
    planned, found, tail = (frame[n].to_numpy(float) for n in ("length", "found_length", "tail"))
    rows = np.flatnonzero(~_off(found, planned, planned + tail) & _off(found, planned, planned))
    if not len(rows):
        return ()
    k = rows[0]
    return (
        f"{len(rows)} measured length(s) taken to be with the tails left out of the host, such as "
        f"{frame['pull_id'].iloc[k]}: {_told(found[k], 'found_length', units)}, planned "
        f"{_due(planned[k], tail[k], units)}",
    )


def _off(
    found: npt.NDArray[np.float64],
    least: npt.NDArray[np.float64],
    most: npt.NDArray[np.float64],
) -> npt.NDArray[np.bool_]:
    """Tell which measured lengths lie farther beyond their least or most than such are off."""
    slack = np.maximum(_LENGTH_SHARE * least, _LENGTH_LEAST)
    return np.asarray((found < least - slack) | (found > most + slack))


def _due(planned: float, tail: float, units: str) -> str:
    """Say what length is planned, and what it is with its tails."""
    text = _told(planned, "length", units)
    return text + (f", {_told(planned + tail, 'length', units)} with its tails" if tail > 0 else "")


def _told(value: float, name: str, units: str) -> str:
    """Return a value of a pull as made, with its unit."""
    return measured(value, _LAYER, name, units)


def joints_text(failed: int, missing: int) -> str:
    """Say of a pull how many of its joints do not pass."""
    return f"{failed} joints failed, {missing} without a record"


def _joint_counts(frame: pd.DataFrame, joints: pd.DataFrame) -> dict[str, Any]:
    place = pd.Index(frame["pull_id"]).get_indexer(joints["pull_id"])
    verdict = joints["verdict"].to_numpy(dtype=object)
    counts = {
        name: np.bincount(place[(verdict == word) & (place >= 0)], minlength=len(frame))
        for name, word in _COUNTS.items()
    }
    return {"joints": np.sum(list(counts.values()), axis=0), **counts}


def _measured(frame: pd.DataFrame, records: Records | None) -> dict[str, Any]:
    """Return what is on record of every pull of the plan; of several records the last."""
    numbers = {"found_length": "length", "found_force": "force"}
    texts = ("started", "ended")
    if records is None:
        return {**dict.fromkeys(numbers, np.nan), **dict.fromkeys(texts, "")}
    last = records.table.drop_duplicates("pull_id", keep="last")
    found = last.set_index("pull_id").reindex(frame["pull_id"])
    out: dict[str, Any] = {name: found[own].to_numpy(float) for name, own in numbers.items()}
    return out | {name: found[name].astype(object).fillna("").to_numpy() for name in texts}


def _check_measured(
    frame: pd.DataFrame, records: Records, times: PullTimes, reasons: Reasons, units: str
) -> npt.NDArray[np.bool_]:
    """Hold what was measured against the plan; return which pulls have no record."""
    rows = np.arange(len(frame))
    absent = ~np.isin(frame["pull_id"].to_numpy(dtype=object), records.table["pull_id"])
    reasons.add_where("pull-missing", absent, rows, lambda k: "no record of the pull")
    place = pd.Index(frame["pull_id"]).get_indexer(records.table["pull_id"])
    faults = records.faults
    where = place[faults["row"].to_numpy(dtype=np.int64)]
    reasons.add("unreadable", where[where >= 0], faults["text"][where >= 0].tolist())
    early = ~absent & times.ended.before(times.first)
    reasons.add_where("pull-times", early, rows, lambda k: "it ended before it started")
    # what cannot be read is told as such
    blank = ~absent & ((frame["started"] == "") | (frame["ended"] == "")).to_numpy(dtype=bool)
    reasons.add_where("pull-times", blank, rows, lambda k: "no start and end on record")
    _check_double(frame, records, reasons)
    for name in ("length", "force"):
        bare = ~absent & frame[f"found_{name}"].isna().to_numpy(dtype=bool)
        reasons.add("not-recorded", rows[bare], [f"no {name} on record"] * int(bare.sum()))
    _check_force(frame, reasons, units)
    _check_bends(frame, reasons, units)
    _check_lengths(frame, reasons, units)
    return absent


def _check_double(frame: pd.DataFrame, records: Records, reasons: Reasons) -> None:
    """Hold it against a pull that it has more than one record."""
    lines = pd.Series(records.lines.astype(str)).groupby(records.table["pull_id"]).agg(list)
    own = [lines.get(name, []) for name in frame["pull_id"]]
    reasons.add_where(
        "double",
        np.array([len(of) > 1 for of in own], dtype=bool),
        np.arange(len(frame)),
        lambda k: _told_double(own[k]),
    )


def _told_double(lines: list[str]) -> str:
    """Say how many records a pull has; a log with a row a minute has too many to name."""
    if len(lines) <= _NAMED:
        return f"{len(lines)} records, lines {', '.join(lines)}; one is due"
    return (
        f"{len(lines):,} records, lines {lines[0]} to {lines[-1]}, as of a log: one row a pull is "
        "due, with its largest force"
    )


def _check_force(frame: pd.DataFrame, reasons: Reasons, units: str) -> None:
    """Hold the force measured against the one allowed at the head; nothing is no measurement."""
    names = ("found_force", "allowable")
    force, allowed = (frame[n].to_numpy(dtype=float) for n in names)
    reasons.add_where(
        "pull-force",
        force > allowed,
        np.arange(len(frame)),
        lambda k: f"force {over_limit(force[k], allowed[k], _LAYER, names, units)}",
    )
    reasons.add_where(
        "pull-force",
        force <= 0,
        np.arange(len(frame)),
        lambda k: no_reading("force", _told(force[k], "found_force", units)),
    )


def _check_bends(frame: pd.DataFrame, reasons: Reasons, units: str) -> None:
    """Hold the force measured at the head against the bend that governs, and less is allowed in.

    What a bend asked for is not on record: it is taken to have been more than planned by as much
    as the force at the head was.
    """
    found, head, planned, limit, allowed, at = (
        frame[n].to_numpy(dtype=float) for n in ("found_force", *STOPPED_BY, "governing_chainage")
    )
    by_bend = (frame["governed_by"] == "bend").to_numpy() & (head > 0)
    stop = stop_force_n(head, planned, limit, allowed)
    scaled = np.full(len(frame), np.nan)
    np.divide(planned * found, head, out=scaled, where=head > 0)
    reasons.add_where(
        "pull-force",
        by_bend & (found > stop * (1 + _FORCE_SHARE)),
        np.arange(len(frame)),
        lambda k: (
            f"force {_told(found[k], 'found_force', units)} where "
            f"{_told(head[k], 'head_force', units)} was planned; as much more in the bend at "
            f"{measured(at[k], 'pulls', 'governing_chainage', units)} makes "
            f"{measured(scaled[k], 'pulls', 'governing_force', units)}, allowed there "
            f"{measured(limit[k], 'pulls', 'governing_limit', units)}"
        ),
    )


def _check_lengths(frame: pd.DataFrame, reasons: Reasons, units: str) -> None:
    """Hold measured lengths against those planned, pull by pull and run by run.

    Where a pull is off by itself the sum of its run is too, and says nothing new of the others.
    """
    names = ["length", "found_length", "tail"]
    both = frame[["run_id", *names]]
    by_run = both.groupby("run_id")[names].transform("sum", min_count=1)
    complete = both["found_length"].notna().groupby(both["run_id"]).transform("all")
    alone = both.groupby("run_id")["length"].transform("size") == 1
    off = _say_lengths(frame, reasons, units, "length", both, both["found_length"].notna())
    told = off.groupby(both["run_id"]).transform("any")
    words = "all pulls of the run together"
    _say_lengths(frame, reasons, units, words, by_run, complete & ~alone & ~told)


def _say_lengths(
    frame: pd.DataFrame,
    reasons: Reasons,
    units: str,
    words: str,
    lengths: pd.DataFrame,
    due: pd.Series[bool],
) -> pd.Series[bool]:
    """Tell where lengths that are due are off, and return it."""
    planned, found, tail = (lengths[n].to_numpy(float) for n in ("length", "found_length", "tail"))
    off: pd.Series[bool] = due & _off(found, planned, planned + tail)
    reasons.add_where(
        "pull-length",
        off.to_numpy(dtype=bool),
        np.arange(len(frame)),
        lambda k: (
            f"{words} {_told(found[k], 'found_length', units)}, planned "
            f"{_due(planned[k], tail[k], units)}"
        ),
    )
    return off
