"""Grades: where a run turns in the vertical, from inverts on record and the ground beside them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.pieces import TOUCH
from geotools.network.places import points_along
from geotools.network.ragged import BoolArray, FloatArray, IntArray, line_lengths
from geotools.network.runs import Chains
from geotools.schema import angle_text

__all__ = ["Joints", "Levels", "grade_breaks", "ground_breaks", "joints_of", "report_joints"]

Levels = Callable[[FloatArray], FloatArray]
ROUNDING = 1e-9  # rad; a break of grade below this is none
# m along a main that follows the ground, over which its slope is taken: two stations as they are
# usually set out. Nearer to the joint the noise of the ground would make bends, farther off the
# ground has turned. Judgement, no source.
OVER = 20.0
# m by which two levels of the ground so near each other may differ from what lies there, cover
# included. Common practice, no source.
UNSURE = 0.5


@dataclass(frozen=True)
class Joints:
    """Places where a main with both inverts joins one without, in a run.

    Attributes
    ----------
    run, chainage : ndarray
        Where, m.
    line, beside : ndarray of int64
        The main without inverts, and the one with them.
    recorded : ndarray
        Angle the main with inverts rises at along the run, rad.
    over : ndarray
        Length of the run without inverts that its slope is taken over, m.
    angle : ndarray
        Turned in the vertical, rad; not-a-number where the ground is not known.
    """

    run: IntArray
    chainage: FloatArray
    line: IntArray
    beside: IntArray
    recorded: FloatArray
    over: FloatArray
    angle: FloatArray

    @property
    def doubt(self) -> FloatArray:
        """Angle that the levels of the ground may be off by, rad."""
        return np.asarray(np.arctan2(UNSURE, self.over), dtype=np.float64)


def _rising(chains: Chains, mains: Lines) -> FloatArray:
    """Return the angle each piece of the runs rises at by its inverts, rad; NaN without them."""
    pieces = chains.pieces
    rise = (mains.table["invert_end"] - mains.table["invert_start"]).to_numpy(dtype=float)
    length = np.maximum(line_lengths(mains.xy, mains.offsets), TOUCH)
    line = pieces["line"].to_numpy(dtype=np.int64)
    return np.asarray(
        np.arctan(rise / length)[line] * np.where(pieces["reversed"], -1.0, 1.0), dtype=np.float64
    )


def grade_breaks(chains: Chains, mains: Lines) -> pd.DataFrame:
    """Return the turns in the vertical where two mains with inverts join in a run."""
    pieces, turn = chains.pieces, np.abs(np.diff(_rising(chains, mains)))
    run = pieces["run"].to_numpy(dtype=np.int64)
    joint = np.flatnonzero((run[1:] == run[:-1]) & (np.nan_to_num(turn) > ROUNDING))
    chainage, rise = pieces["start"].to_numpy(dtype=float)[joint + 1], turn[joint]
    return pd.DataFrame({"run": run[joint], "chainage": chainage, "rise": rise, "sure": rise})


def joints_of(chains: Chains, mains: Lines, levels: Levels) -> Joints:
    """Find where mains with inverts join others, and what the run turns there in the vertical.

    A main without inverts lies at its cover below the ground: it rises as the ground does, over
    `OVER` or as far as no main has inverts. ``levels`` gives the ground at places, m;
    NaN where it is not known.
    """
    pieces, rising = chains.pieces, _rising(chains, mains)
    run = pieces["run"].to_numpy(dtype=np.int64)
    start, end = (pieces[name].to_numpy(dtype=float) for name in ("start", "end"))
    known = np.isfinite(rising)
    joint = np.flatnonzero((run[1:] == run[:-1]) & (known[1:] != known[:-1]))
    ahead = known[joint]  # whether the main without inverts lies ahead of the joint
    other = joint + ahead
    at = start[joint + 1]
    first, last = _stretches(run, known)
    reach = np.where(ahead, end[last[other]] - at, at - start[first[other]])
    over = np.clip(reach, TOUCH, OVER)
    way = np.where(ahead, 1.0, -1.0)
    recorded = rising[joint + ~ahead]
    angle = np.full(len(joint), np.nan)
    if len(joint):
        places = np.concatenate([at, at + way * over])
        ground = levels(points_along(chains.xy, chains.offsets, np.tile(run[joint], 2), places))
        there, beyond = ground[: len(joint)], ground[len(joint) :]
        angle = np.abs(recorded - np.arctan(way * (beyond - there) / over))
    line = pieces["line"].to_numpy(dtype=np.int64)
    return Joints(run[joint], at, line[other], line[joint + ~ahead], recorded, over, angle)


def _stretches(run: IntArray, known: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the first and the last piece of the stretch, alike in inverts, each piece is in."""
    edge = np.ones(len(run) + 1, dtype=bool)
    edge[1:-1] = (run[1:] != run[:-1]) | (known[1:] != known[:-1])
    at = np.flatnonzero(edge)
    group = np.cumsum(edge[:-1]) - 1
    return at[group], at[group + 1] - 1


def ground_breaks(joints: Joints, least_angle: float) -> pd.DataFrame:
    """Return the turns at joints that are bends, whatever the ground is off by."""
    sure = _sure(joints, least_angle)
    return pd.DataFrame(
        {
            "run": joints.run[sure],
            "chainage": joints.chainage[sure],
            "rise": joints.angle[sure],
            "sure": (joints.angle - joints.doubt)[sure],
        }
    )


def _sure(joints: Joints, least_angle: float) -> BoolArray:
    return np.nan_to_num(joints.angle) - joints.doubt >= least_angle


def report_joints(
    joints: Joints,
    chains: Chains,
    mains: Lines,
    least_angle: float,
    findings: Findings,
) -> None:
    """Report joints that bend by the ground, that may, and that cannot be told."""
    sure, unknown = _sure(joints, least_angle), np.isnan(joints.angle)
    doubt = ~sure & (np.nan_to_num(joints.angle) >= least_angle)
    # Of streets few are steeper than the least angle, so a main that is so much turns there.
    doubt |= unknown & (np.abs(joints.recorded) >= least_angle)
    names = mains.table["feature"].to_numpy(dtype=object)
    for severity, rule, chosen in (
        ("info", "grade-break-by-ground", sure),
        ("warning", "grade-break-unknown", doubt),
    ):
        rows = np.flatnonzero(chosen)
        findings.add_points(
            severity,
            rule,
            [_told(joints, k, names[joints.beside[k]], sure[k], findings) for k in rows.tolist()],
            layer="mains",
            features=names[joints.line[rows]],
            xy=points_along(chains.xy, chains.offsets, joints.run[rows], joints.chainage[rows]),
        )


def _told(joints: Joints, k: int, beside: str, sure: bool, findings: Findings) -> str:
    """Say what a joint turns, what was done, and what to do."""
    if np.isnan(joints.angle[k]):
        return (
            f"main {beside}, which slopes by {angle_text(abs(joints.recorded[k]))} deg by its "
            "inverts, joins this one, which has no pair of them; the ground is not known, so "
            "neither is what they turn in the vertical, and no bend was taken there. Give both "
            "inverts of this main, or a DEM."
        )
    turned = (
        f"main {beside}, which has inverts, joins this one, which has no pair of them: by the "
        f"ground over {findings.length(joints.over[k])} they turn "
        f"{angle_text(joints.angle[k])} deg in the vertical"
    )
    if sure:
        return f"{turned}; taken as a bend. Give both inverts of this main if it is none."
    return (
        f"{turned}, of which levels may make {angle_text(joints.doubt[k])} deg; no bend was taken "
        "there. Give both inverts of this main, or the bend as a fitting."
    )
