"""Strings over pits, digs or each other, and on which days the plan has both: findings.

Days are those of a run, counted from its own start: of two runs none is known to come first.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.estimate.schedule import LATER_DAYS, SAME
from geotools.intake.findings import Findings
from geotools.layout.digs import times_of_digs
from geotools.layout.sites import TOUCH_M2, shared_text
from geotools.network.ragged import FloatArray, IntArray

__all__ = [
    "over_pit_text",
    "over_string_text",
    "report_over_digs",
    "report_over_pits",
    "report_over_strings",
    "strings_over",
]

HOLE_M = 0.5  # half of what is dug up at a service or a tee; common practice, no source


def strings_over(
    strings: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, digs: pd.DataFrame
) -> pd.DataFrame:
    """Return the pits and digs of their own run that strings lie over, by pull.

    Parameters
    ----------
    strings, pits, pulls : DataFrame
        As of `report_over_pits`, without days.
    digs : DataFrame
        As of `report_over_digs`.

    Returns
    -------
    DataFrame
        ``run_id``, ``pull_id``, ``at``: a pit, or the other pull that is dug for.
    """
    line, pit = _over_pits(strings, pits, pulls)
    over, dig = _over_digs(strings, digs)
    pull, run = (strings[name].to_numpy(dtype=object) for name in ("pull_id", "run_id"))
    same = run[line] == pits["run_id"].to_numpy(dtype=object)[pit]
    line, pit = line[same], pit[same]
    table = pd.DataFrame(
        {
            "run_id": np.concatenate([run[line], run[over]]),
            "pull_id": np.concatenate([pull[line], pull[over]]),
            "at": np.concatenate(
                [
                    pits["pit_id"].to_numpy(dtype=object)[pit],
                    digs["pull_id"].to_numpy(dtype=object)[dig],
                ]
            ),
            "line": np.concatenate([line, over]),
            "dug": np.repeat([0, 1], [len(pit), len(dig)]),
            "row": np.concatenate([pit, dig]),
        }
    )
    rows = table.sort_values(["line", "dug", "row"]).drop_duplicates(["pull_id", "at"])
    return rows[["run_id", "pull_id", "at"]]


def _over_pits(
    strings: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame
) -> tuple[IntArray, IntArray]:
    """Return the rows of strings, and of the pits they lie over that are not theirs."""
    own = strings["pull_id"].map(pulls.set_index("pull_id")["insertion_pit"]).to_numpy()
    lines, ground = strings["geometry"].to_numpy(dtype=object), pits["ground"].to_numpy()
    line, pit = shapely.STRtree(ground).query(lines, predicate="intersects")
    names = pits["pit_id"].to_numpy(dtype=object)
    over = shapely.area(shapely.intersection(lines[line], ground[pit])) > TOUCH_M2
    over &= own[line] != names[pit]
    return line[over], pit[over]


def _over_digs(strings: pd.DataFrame, digs: pd.DataFrame) -> tuple[IntArray, IntArray]:
    """Return the rows of strings, and of digs for other pulls of their run that they lie over."""
    dug = np.flatnonzero(digs["pull_id"] != "")
    spots = shapely.points(digs[["x", "y"]].to_numpy(dtype=float)[dug])
    shapes = strings["geometry"].to_numpy(dtype=object)
    line, dig = shapely.STRtree(spots).query(shapes, predicate="dwithin", distance=HOLE_M)
    dig = dug[dig]
    run, pull = (
        [table[name].to_numpy(dtype=object) for table in (strings, digs)]
        for name in ("run_id", "pull_id")
    )
    other = (run[0][line] == run[1][dig]) & (pull[0][line] != pull[1][dig])
    return line[other], dig[other]


_NOT_APART = (
    f"for which the schedule found no order that takes at most {LATER_DAYS:g} working day longer"
)


def report_over_pits(
    strings: pd.DataFrame, pits: pd.DataFrame, pulls: pd.DataFrame, findings: Findings
) -> None:
    """Report strings that lie over a pit that is not theirs; a warning where both are there.

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
    line, pit = _over_pits(strings, pits, pulls)
    string, names = (
        table[name].to_numpy(dtype=object)
        for table, name in ((strings, "string_id"), (pits, "pit_id"))
    )
    days = _both(strings, line, pits, pit)
    gone = strings["last_day"].to_numpy(dtype=float)[line]
    met = days[:, 1] - days[:, 0] > SAME
    for severity, rows in (("warning", np.flatnonzero(met)), ("info", np.flatnonzero(~met))):
        findings.add_points(
            severity,
            "string-over-pit",
            [
                over_pit_text(str(string[line[k]]), str(names[pit[k]]), (*days[k], gone[k]))
                for k in rows.tolist()
            ],
            layer="strings",
            features=string[line[rows]],
            xy=pits[["x", "y"]].to_numpy(dtype=float)[pit[rows]],
        )


def report_over_digs(
    strings: pd.DataFrame, digs: pd.DataFrame, schedule: pd.DataFrame, findings: Findings
) -> None:
    """Report strings that lie over services and tees dug up for another pull of their run.

    A warning where they lie there while these are dug up; those remade once the run is tested are
    remade after all strings are gone.

    Parameters
    ----------
    strings : DataFrame
        ``string_id``, ``pull_id``, ``run_id``, ``geometry``, ``first_day``, ``last_day``.
    digs : DataFrame
        ``pull_id`` ("" for what a pit spares), ``run_id``, ``x``, ``y``.
    schedule : DataFrame
    findings : Findings
    """
    line, dig = _over_digs(strings, digs)
    pull = digs["pull_id"].to_numpy(dtype=object)[dig]
    times = times_of_digs(schedule).reindex(pull)
    columns = {name: strings[name].to_numpy()[line] for name in ("first_day", "last_day")}
    rows = pd.DataFrame(
        {"string": strings["string_id"].to_numpy(dtype=object)[line], "pull": pull, "shape": line}
        | columns
        | {name: times[name].to_numpy(dtype=float) for name in ("opened", "opening", "done")}
    )
    rows = rows[rows["opened"] < rows["last_day"] - SAME]
    rows = rows.assign(until=rows["opened"] + rows["opening"], count=1)
    told = rows.groupby(["string", "pull"], sort=True, as_index=False).agg(
        {name: "first" for name in rows if name not in ("string", "pull", "count")}
        | {"count": "size"}
    )
    met = told["until"] - told["first_day"] > SAME
    shapes = strings["geometry"].to_numpy(dtype=object)
    for severity, some in (("warning", told[met]), ("info", told[~met])):
        findings.add_many(
            severity,
            "string-over-dig",
            [_over_dig_text(row, dug_then=severity == "warning") for row in some.itertuples()],
            layer="strings",
            features=some["string"].to_numpy(dtype=object),
            geometry=shapes[some["shape"].to_numpy(dtype=np.int64)],
        )


def _over_dig_text(row: Any, *, dug_then: bool) -> str:
    """Say of a string that it lies over digs, whether while they are dug, and what to do."""
    text = (
        f"string {row.string} lies over {row.count} of the places dug up for pull {row.pull}, "
        f"opened from day {row.opened:.1f} and remade by day {row.done:.1f}, backfilled or plated "
        f"over between; it lies there from day {row.first_day:.1f} to day {row.last_day:.1f} of "
        "the run"
    )
    if not dug_then:
        return f"{text}: plate them so that they bear it, or lead the string past them."
    return (
        f"{text}, and until day {row.until:.1f} they are being dug up: lead the string past them, "
        f"or dig them up once it is gone or before it is laid, {_NOT_APART}."
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
            f"lead the string past it, or dig that pit after the pull, {_NOT_APART}."
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
