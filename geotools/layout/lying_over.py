"""Strings that lie over pits or over each other, and on which days the plan has both: findings.

Days are those of a run, counted from its own start: of two runs none is known to come first.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.estimate.schedule import SAME
from geotools.intake.findings import Findings
from geotools.layout.sites import TOUCH_M2, shared_text
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["over_pit_text", "over_string_text", "report_over_pits", "report_over_strings"]


def report_over_pits(
    strings: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, findings: Findings
) -> None:
    """Report strings that lie over a pit that is not theirs.

    Parameters
    ----------
    strings : DataFrame
        ``string_id``, ``pull_id``, ``run_id``, ``geometry``, ``first_day``, ``last_day``.
    pits : DataFrame
        ``pit_id``, ``run_id``, ``ground``, ``x``, ``y``, ``first_day``, ``last_day``.
    pulls : DataFrame
        ``pull_id``, ``insertion_pit``.
    findings : Findings
    """
    if not len(strings):
        return
    own = strings["pull_id"].map(pulls.set_index("pull_id")["insertion_pit"]).to_numpy()
    lines, ground = strings["geometry"].to_numpy(dtype=object), pits["ground"].to_numpy()
    line, pit = shapely.STRtree(ground).query(lines, predicate="intersects")
    names = pits["pit_id"].to_numpy(dtype=object)
    over = shapely.area(shapely.intersection(lines[line], ground[pit])) > TOUCH_M2
    line, pit = line[over & (own[line] != names[pit])], pit[over & (own[line] != names[pit])]
    string = strings["string_id"].to_numpy(dtype=object)
    days = _both(strings, line, pits, pit)
    gone = strings["last_day"].to_numpy(dtype=float)[line]
    findings.add_points(
        "info",
        "string-over-pit",
        [
            over_pit_text(str(string[a]), str(names[b]), (begin, end, last))
            for a, b, (begin, end), last in zip(line, pit, days, gone, strict=True)
        ],
        layer="strings",
        features=string[line],
        xy=pits[["x", "y"]].to_numpy(dtype=float)[pit],
    )


def report_over_strings(strings: pd.DataFrame, findings: Findings) -> None:
    """Report strings that lie on one another: on the same days, or of runs with days of their own.

    Where the plan has one after the other it goes without saying.

    Parameters
    ----------
    strings : DataFrame
        ``string_id``, ``run_id``, ``geometry``, ``first_day``, ``last_day``.
    findings : Findings
    """
    shapes: npt.NDArray[np.object_] = strings["geometry"].to_numpy(dtype=object)
    one, two = shapely.STRtree(shapes).query(shapes, predicate="intersects")
    one, two = one[one < two], two[one < two]
    met = shapely.intersection(shapes[one], shapes[two])
    area = shapely.area(met)
    days = _both(strings, one, strings, two)
    same_run = np.isfinite(days[:, 0])
    for severity, kept in (
        ("warning", same_run & (days[:, 1] - days[:, 0] > SAME)),
        ("info", ~same_run),
    ):
        rows = np.flatnonzero(kept & (area > TOUCH_M2))
        rows = rows[np.lexsort([two[rows], one[rows]])]
        names = strings["string_id"].to_numpy(dtype=object)
        findings.add_many(
            severity,
            "string-over-string",
            [
                over_string_text(
                    names[one[k]],
                    names[two[k]],
                    shared_text(float(area[k]), findings.system),
                    tuple(days[k]) if same_run[k] else None,
                )
                for k in rows.tolist()
            ],
            layer="strings",
            features=names[one[rows]],
            geometry=met[rows],
        )


def _both(one: pd.DataFrame, row: IntArray, two: pd.DataFrame, other: IntArray) -> FloatArray:
    """Return from when to when pairs are both there, days of their run; none of two runs, (k, 2).

    Where one is gone before the other comes it ends before it begins.
    """
    runs = [table["run_id"].to_numpy(dtype=object) for table in (one, two)]
    first, last = (
        [table[name].to_numpy(dtype=float) for table in (one, two)]
        for name in ("first_day", "last_day")
    )
    begin = np.maximum(first[0][row], first[1][other])
    end = np.minimum(last[0][row], last[1][other])
    same = runs[0][row] == runs[1][other]
    return np.where(same[:, None], np.stack([begin, end], axis=1), np.nan)


def over_pit_text(
    string: str, pit: str, days: tuple[float, float, float] = (np.nan, np.nan, np.nan)
) -> str:
    """Say of a string that it lies over a pit, and what to do.

    ``days`` are from when to when both are there, and until when the string is; not numbers where
    they have no days in common.
    """
    begin, end, gone = days
    text = f"string {string} lies over pit {pit}: "
    if np.isnan(begin):
        return text + "dig that pit after the pull, or plate it, or lead the string past it."
    if end - begin > SAME:
        return text + (
            f"the plan has both from day {begin:.1f} to day {end:.1f} of the run: plate the pit, "
            "lead the string past it, or dig that pit after the pull, which the schedule does not "
            "count on."
        )
    if abs(end - gone) <= SAME:
        return text + (
            f"the string is gone by day {gone:.1f} of the run, and the pit is dug from day "
            f"{begin:.1f}, after the pull: keep to that order."
        )
    return text + (
        f"the pit is made good by day {end:.1f} of the run, and the string is fused from day "
        f"{begin:.1f}: keep to that order."
    )


def over_string_text(one: str, two: str, area: str, days: tuple[float, ...] | None = None) -> str:
    """Say of two strings that they lie on one another, and what to do.

    ``days`` are from when to when both are there, days of their run; None if they are of two.
    """
    text = f"strings {one} and {two} lie on one another with {area}: "
    if days is None:
        return text + (
            "their runs have days of their own: fuse the one once the other is pulled in, or lead "
            "one past the other by hand."
        )
    return text + (
        f"the plan has both from day {days[0]:.1f} to day {days[1]:.1f} of the run: fuse the one "
        "once the other is pulled in, which the schedule does not count on, lead one past the "
        "other by hand, or fix other pits (pit_edits)."
    )
