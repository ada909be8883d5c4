"""Rows of the layer of joints as fused: verdict, and what the records of each joint say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.cut_out import CutOut, told_cut
from geotools.deliver.joints.matching import FloatArray, IntArray, Match
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import HEATERS, Records, told_added
from geotools.deliver.joints.rules import interfacial
from geotools.network.ragged import BoolArray
from geotools.schema import CUT_OUT

__all__ = ["Aside", "aside_notes", "gone_notes", "verdicts"]

_TEXTS = ("made", "operator", "machine", "lot_left", "lot_right", "remarks")
# Values measured, by their columns in the records.
_FOUND = {
    "found_cool": "cool_time",
    "found_bead": "bead",
    "found_soak": "soak",
    "found_removal": "removal",
}
_SHOWN = 5


@dataclass(frozen=True)
class Aside:
    """Records of joints of the schedule that do not count, as rows of records and of joints.

    Attributes
    ----------
    record, joint : ndarray of int, shape (n,)
        Of a joint cut out, of what was cut out later, or of another layout of the pull.
    cut : ndarray of bool, shape (n,)
        Those that say that the joint was cut out.
    """

    record: IntArray
    joint: IntArray
    cut: BoolArray

    @classmethod
    def of(cls, place: IntArray, cuts: CutOut, other: BoolArray) -> Aside:
        """Return the records set aside, of all that are at a row of the schedule."""
        rows = np.flatnonzero((place >= 0) & (cuts.cut | cuts.gone | other))
        return cls(rows, place[rows], cuts.cut[rows] & ~other[rows])

    def columns(self, records: Records, count: int) -> dict[str, Any]:
        """Return how many there are of every joint, and the lines they stand in."""
        lines = pd.Series(records.lines[self.record].astype(str), dtype=object)
        told = lines.groupby(self.joint).agg(", ".join).reindex(range(count)).fillna("")
        return {
            "cut_outs": np.bincount(self.joint[self.cut], minlength=count),
            "set_aside": np.bincount(self.joint, minlength=count),
            "set_aside_lines": told.to_numpy(dtype=object),
        }


def aside_notes(records: Records, aside: Aside) -> tuple[str, ...]:
    """Say how many joints were cut out, and where the records of them stand."""
    joints = len(np.unique(aside.joint[aside.cut]))
    if not joints:
        return ()
    rows = aside.record[np.isin(aside.joint, aside.joint[aside.cut])]
    lines = [str(line) for line in records.lines[rows]]
    more = f" and {len(lines) - _SHOWN:,} more" if len(lines) > _SHOWN else ""
    return (
        f"{joints:,} joint(s) were cut out: {len(lines):,} record(s) of what is no longer there do "
        f"not count, line {', '.join(lines[:_SHOWN])}{more}; set_aside_lines of asbuilt_joints "
        "names all of them",
    )


def gone_notes(records: Records, aside: Aside, joints: pd.DataFrame, gone: BoolArray) -> list[str]:
    """Say which joints added on site were cut out again."""
    lines = aside.columns(records, len(joints))["set_aside_lines"]
    return [
        f"{joints['joint_id'].iloc[k]}, added on site, was cut out again (line {lines[k]}) and is "
        "not due"
        for k in np.flatnonzero(gone[:-1])
    ]


def verdicts(
    joints: Any,
    records: Records,
    match: Match,
    place: IntArray,
    reasons: Reasons,
    *,
    aside: Aside,
    gone: BoolArray,
) -> Any:
    """Return the layer of joints, records that are in no schedule behind them.

    Parameters
    ----------
    joints : GeoDataFrame
        The schedule.
    records : Records
    match : Match
        The records that count.
    place : ndarray of int, shape (records,)
        Row of the schedule of every record, below 0 where it is of no joint there.
    reasons : Reasons
        Joints without a record and with several are added.
    aside : Aside
        The records that do not.
    gone : ndarray of bool, shape (joints + 1,)
        Joints that are not due any more, whose verdict is that they were cut out; the last is of
        records that are of none.
    """
    count = np.bincount(match.joint, minlength=len(joints))
    lines = records.lines[match.record]
    of_joint = pd.Series(lines.astype(str)).groupby(match.joint).agg(", ".join)
    where = np.full(len(joints), "", dtype=object)
    where[of_joint.index.to_numpy(dtype=np.int64)] = of_joint.to_numpy(dtype=object)
    twice = np.flatnonzero(count > 1)
    reasons.add(
        "double", twice, [f"{count[k]} records, lines {where[k]}; one is due" for k in twice]
    )
    missing = np.setdiff1d(
        np.flatnonzero((count == 0) & ~gone[:-1]), reasons.rows("cut-out", "layout", "mark")
    )
    reasons.add("missing", missing, ["no record"] * len(missing))
    texts = reasons.joined(len(joints))
    fine = np.where(gone[:-1], CUT_OUT, np.where(count == 0, "missing", "pass"))
    held = (texts != "") & ((count > 0) | gone[:-1])
    verdict = np.where(held, "fail", fine)
    frame = joints[["joint_id", "run_id", "pull_id", "pull_mark", "string_id", "number", "chainage",
                    "intermediate", "geometry"]].assign(
        verdict=verdict.astype(object), reasons=texts, records=count, lines=where
    )  # fmt: skip
    frame = frame.join(_last_record(match, len(joints)))
    frame = frame.assign(**aside.columns(records, len(joints)))
    return _with_unknown(frame, records, place)


def _last_record(match: Match, count: int) -> pd.DataFrame:
    """Return what is told of the last record of every joint."""
    last = ~pd.Series(match.joint).duplicated(keep="last").to_numpy(dtype=bool)
    told = pd.DataFrame(_told(match.made)).assign(
        found_interfacial=interfacial(match, "fusion_pressure")
    )[last]
    told = told.set_index(match.joint[last]).reindex(range(count))
    return told.assign(**{name: told[name].astype(object).fillna("") for name in _TEXTS})


def _told(table: pd.DataFrame) -> dict[str, Any]:
    """Return what records say, as the layer has it; the pressure between the ends aside."""
    heaters = [table[name].to_numpy(dtype=float) for name in HEATERS]
    numbers: dict[str, FloatArray] = {
        own: table[name].to_numpy(dtype=float) for own, name in _FOUND.items()
    }
    numbers["found_heater_low"] = np.fmin.reduce(heaters)
    numbers["found_heater_high"] = np.fmax.reduce(heaters)
    return {name: table[name].to_numpy(dtype=object) for name in _TEXTS} | numbers


def _with_unknown(frame: Any, records: Records, place: IntArray) -> Any:
    """Add the records whose joint is not in the schedule."""
    import geopandas

    rows = np.flatnonzero(place < 0)
    frame = frame.reset_index(drop=True)
    if not len(rows):
        return frame
    table = records.table.iloc[rows]
    lines = records.lines[rows]
    unknown = geopandas.GeoDataFrame(
        {
            "joint_id": table["joint_id"].to_numpy(dtype=object),
            **dict.fromkeys(("run_id", "pull_id", "string_id"), ""),
            "pull_mark": table["pull_mark"].to_numpy(dtype=object),
            "number": pd.array([pd.NA] * len(rows), dtype="Int64"),
            "chainage": np.nan,
            "intermediate": pd.array([pd.NA] * len(rows), dtype="boolean"),
            "verdict": "unknown",
            "reasons": [
                _told_unknown(*of)
                for of in zip(lines, table["joint_id"], told_added(records)[rows], strict=True)
            ],
            "records": 1,
            "lines": lines.astype(str).astype(object),
            **_told(table),
            "found_interfacial": np.nan,
            "cut_outs": told_cut(table["visual"]).astype(np.int64),
            "set_aside": 0,
            "set_aside_lines": "",
        },
        geometry=[None] * len(rows),
        crs=frame.crs,
    )
    frame = frame.astype({"number": "Int64", "intermediate": "boolean"})
    return pd.concat([frame, unknown[frame.columns]], ignore_index=True)


def _told_unknown(line: Any, name: str, added: bool) -> str:
    """Say of a record that it is of no joint of the schedule."""
    if not name.strip():
        return f"line {line} names no joint; is it a row of units or of sums?"
    if added:
        return (
            f"line {line}: added on site, but neither its mark nor its name is that of a pull of "
            "this plan; write the mark of its pull in pull_mark"
        )
    return (
        f"line {line}: there is no such joint in the schedule; of one added on site write yes in a "
        "column added, and the mark of its pull"
    )
