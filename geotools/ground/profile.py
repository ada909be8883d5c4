"""The profile along every run: axis, cover, depth and grade of the host at its stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.ground.filled import filled_along, known_beside
from geotools.ground.vertical import UNIT_KEY
from geotools.intake.findings import Findings
from geotools.network.ragged import BoolArray, FloatArray, IntArray, firsts
from geotools.pipe.factors import FOOT

__all__ = ["SOURCES", "add_profile"]


SOURCES = ("invert", "cover", "assumed")
INVERT, COVER, ASSUMED = range(3)

# Stations closer along the run than this (m) are at one place: no grade can be taken there.
ONE_PLACE = 1e-3
SAME = 1e-3  # m; levels and diameters that differ by no more are the same
# As close as this (m) to a joint of two mains, what lies between is the step of their records.
JOINT = 1.0
# Beyond these the record is doubted, not changed (common practice, no source).
STEP_LIMIT = 0.5  # m, axis level at the joint of two mains
NEAR = 0.01  # m; a joint no farther outside the stations it lies between is at one of them
GRADE_LIMIT = 0.5  # rise over run
DEPTH_LIMIT = 30.0  # m; more is rather a wrong datum or unit than a water main
COVER_LIMIT = 2.0  # m, between the cover on record and that of the inverts under the ground
# The unit of the ground is doubted where in the other one so much larger a share of the inverts
# lies at a usual depth, and nearly all do (common practice, no source).
MORE = 0.25
MOST = 0.9
USUAL_DEPTH = 10.0  # m, ground to invert


@dataclass(frozen=True)
class _Columns:
    """The stations as plain arrays, with what their mains say; one entry a station."""

    run: IntArray
    chainage: FloatArray
    xy: FloatArray
    ground: FloatArray
    there: FloatArray  # the ground, filled in where it is not known
    main: IntArray
    diameter: FloatArray
    source: IntArray
    invert: FloatArray
    share: FloatArray
    rate: FloatArray
    fall: FloatArray  # rise of the invert for each metre of the run, where inverts give it
    cover: FloatArray
    cover_known: BoolArray

    @property
    def measured(self) -> BoolArray:
        """Whether the depth is that of an invert on record below a ground that is known."""
        return np.asarray((self.source == INVERT) & np.isfinite(self.ground), dtype=np.bool_)

    @property
    def bridged(self) -> BoolArray:
        """Whether ground that is not known over an invert on record is filled in for its depth."""
        lost = (self.source == INVERT) & ~np.isfinite(self.ground)
        return np.asarray(lost & np.isfinite(self.there), dtype=np.bool_)

    @property
    def follows(self) -> BoolArray:
        """Whether the next station is of the same run; shape (n - 1,)."""
        return np.equal(self.run[1:], self.run[:-1])


@dataclass(frozen=True)
class _Levels:
    """The axis of the host at the stations; one entry a station."""

    axis: FloatArray
    cover: FloatArray
    depth: FloatArray
    source: IntArray
    grade: FloatArray


def add_profile(
    stations: pd.DataFrame,
    mains: pd.DataFrame,
    *,
    assumed_cover: float,
    dem_given: bool,
    findings: Findings,
    run_ids: Sequence[str] = (),
    joints: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Add axis level, cover, depth, its source and grade to stations.

    With both inverts on record the invert runs straight from one end of the main to the other;
    else the main follows the ground at the cover on record, or at the assumed one. The axis lies
    half a nominal diameter above the invert.

    Parameters
    ----------
    stations : DataFrame
        Sorted by run and chainage. ``run`` (integer), ``chainage``, ``x``, ``y`` (m), ``main``
        (row in ``mains``), ``main_share`` (0 to 1 along that main as drawn), ``main_rate`` (how
        much of it a metre of the run is, less than 0 against its drawing), ``ground_z`` (m, NaN
        where unknown).
    mains : DataFrame
        ``diameter``, ``cover``, ``invert_start``, ``invert_end`` in m (NaN where unknown) and
        ``feature``, the name of the main in findings.
    assumed_cover : float
        Ground to crown where nothing is on record, m.
    dem_given : bool
        Whether there was an elevation raster; without one, ground is missing everywhere.
    findings : Findings
        Receives assumptions and doubts, grouped by main, and the gaps of the ground.
    run_ids : sequence of str, optional
        Names of the runs, for the findings.
    joints : DataFrame, optional
        Stations on a joint of two mains: ``station`` (row), and ``main``, ``main_share``,
        ``main_rate`` of the other one. Such a station has the main that lies deeper.

    Returns
    -------
    DataFrame
        The stations with ``axis_z``, ``cover``, ``depth`` (m), ``depth_source`` (one of
        ``SOURCES``) and ``grade``: rise over run of the axis to the next station. Where ground is
        unknown, ``depth`` is assumed: from inverts to the ground filled in, or the cover;
        ``axis_z`` is NaN unless inverts give it, ``grade`` that between levels known, or 0.
    """
    there = _ground_there(_columns(stations, mains, assumed_cover))
    stations = _deeper(stations, mains, joints, assumed_cover, there)
    columns = replace(_columns(stations, mains, assumed_cover), there=there)
    found = _levels(columns)
    _report_assumed(columns, found.source, assumed_cover, findings, run_ids)
    _report_doubts(columns, found, mains, findings)
    _report_gaps(columns, found.axis, dem_given=dem_given, findings=findings, run_ids=run_ids)
    return stations.assign(
        axis_z=found.axis,
        cover=found.cover,
        depth=found.depth,
        depth_source=pd.Categorical.from_codes(found.source, pd.Index(SOURCES, dtype=object)),
        grade=found.grade,
    )


def _report_doubts(
    columns: _Columns, found: _Levels, mains: pd.DataFrame, findings: Findings
) -> None:
    """Report what of records and levels cannot well be, by main."""
    names = mains["feature"].astype(str).to_numpy(dtype=object)
    _report_records(columns, mains, names, findings)
    _report_levels(columns, names, found.cover, found.depth, found.grade, findings)
    _report_cover(columns, names, found.cover, findings)
    _report_unit(columns, findings)
    _report_steps(columns, names, found.axis, findings)


def _deeper(
    stations: pd.DataFrame,
    mains: pd.DataFrame,
    joints: pd.DataFrame | None,
    assumed_cover: float,
    there: FloatArray,
) -> pd.DataFrame:
    """Give stations on a joint of two mains the one that lies deeper, whichever comes first.

    Of two equally deep it is the larger, then the one whose depth is better known, at last the
    first by name.
    """
    if joints is None or not len(joints):
        return stations
    at = joints["station"].to_numpy(dtype=np.int64)
    own = stations.iloc[at].reset_index(drop=True)
    other = own.assign(**{name: joints[name].to_numpy() for name in _RECORD})
    rank = np.unique(mains["feature"].astype(str).to_numpy(dtype=str), return_inverse=True)[1]
    own_claims, other_claims = (
        _claims(replace(_columns(rows, mains, assumed_cover), there=there[at]), rank)
        for rows in (own, other)
    )
    better = _greater(other_claims, own_claims)
    record = {name: stations[name].to_numpy(copy=True) for name in _RECORD}
    for name, values in record.items():
        values[at[better]] = other[name].to_numpy()[better]
    return stations.assign(**record)


def _claims(columns: _Columns, rank: IntArray) -> tuple[npt.NDArray[Any], ...]:
    """Return what decides between two mains at a joint, the first first; the greater has it."""
    depth, source = _depths(columns)
    return depth, columns.diameter, -source, -rank[columns.main]


def _greater(one: tuple[npt.NDArray[Any], ...], other: tuple[npt.NDArray[Any], ...]) -> BoolArray:
    """Return where the first of several columns that differ by more than `SAME` is greater."""
    greater = np.zeros(len(one[0]), dtype=bool)
    alike = np.ones(len(one[0]), dtype=bool)
    for mine, theirs in zip(one, other, strict=True):
        greater |= alike & (mine > theirs + SAME)
        alike &= np.abs(theirs - mine) <= SAME
    return greater


_RECORD = ("main", "main_share", "main_rate")  # what a station has of its main


def _levels(columns: _Columns) -> _Levels:
    """Work out the axis and what lies over it, station by station."""
    by_invert = columns.source == INVERT
    depth, source = _depths(columns)
    axis = np.where(by_invert, columns.invert, columns.ground - depth) + columns.diameter / 2
    below_ground = columns.measured | columns.bridged
    cover = np.where(below_ground, depth - columns.diameter, columns.cover)
    return _Levels(axis, cover, depth, source, _grades(columns, axis))


def _depths(columns: _Columns) -> tuple[FloatArray, IntArray]:
    """Return the depth of the invert below the ground, m, and what it rests on.

    Where there is no ground level over an invert on record, the ground filled in gives the depth,
    and the cover, on record or assumed, the least of it: nothing lies less deep for a hole in the
    elevation raster. On runs without any level the cover gives it.
    """
    height = columns.cover + columns.diameter  # ground to invert, where the ground is followed
    bridged = columns.bridged
    depth = np.where(columns.measured, columns.ground - columns.invert, height)
    depth = np.where(bridged, np.fmax(columns.there - columns.invert, height), depth)
    stood_in = np.where(columns.cover_known & ~bridged, COVER, ASSUMED)
    lost = (columns.source == INVERT) & ~columns.measured
    return depth, np.where(lost, stood_in, columns.source)


def _ground_there(columns: _Columns) -> FloatArray:
    """Return the ground at the stations, m, filled in along their run where it is not known.

    Between two levels known straight from one to the other; beyond the last the ground goes on as
    far above the inverts as there, for a main is laid along its street.
    """
    known = np.isfinite(columns.ground)
    if known.all():
        return columns.ground
    there = filled_along(columns.run, columns.chainage, columns.ground)
    before, after = known_beside(columns.run, known)
    beyond = np.flatnonzero((before < 0) != (after < 0))
    rim = np.maximum(before, after)[beyond]
    height = columns.cover[rim] + columns.diameter[rim]
    by_invert = columns.source[rim] == INVERT
    invert = np.where(by_invert, columns.invert[rim], columns.ground[rim] - height)
    rise = columns.invert[beyond] - invert
    there[beyond] += np.where(np.isfinite(rise), rise, 0.0)
    return there


def _columns(stations: pd.DataFrame, mains: pd.DataFrame, assumed_cover: float) -> _Columns:
    def real(frame: pd.DataFrame, name: str) -> FloatArray:
        return frame[name].to_numpy(dtype=np.float64, na_value=np.nan)

    main = stations["main"].to_numpy(dtype=np.int64)
    start, end = real(mains, "invert_start"), real(mains, "invert_end")
    known = real(mains, "cover")
    source = np.where(
        np.isfinite(start + end), INVERT, np.where(np.isfinite(known), COVER, ASSUMED)
    )
    cover = np.where(np.isfinite(known), known, assumed_cover)
    share, rate = real(stations, "main_share"), real(stations, "main_rate")
    return _Columns(
        run=stations["run"].to_numpy(dtype=np.int64),
        chainage=real(stations, "chainage"),
        xy=np.column_stack([real(stations, "x"), real(stations, "y")]),
        ground=real(stations, "ground_z"),
        there=real(stations, "ground_z"),
        main=main,
        diameter=real(mains, "diameter")[main],
        source=source[main],
        invert=start[main] * (1 - share) + end[main] * share,
        share=share,
        rate=rate,
        fall=(end[main] - start[main]) * rate,
        cover=cover[main],
        cover_known=np.isfinite(known)[main],
    )


def _grades(columns: _Columns, axis: FloatArray) -> FloatArray:
    """Return the grade of the segment after each station; the last takes the one before it.

    Across a gap the axis runs straight between the levels known on both sides: a pull has to come
    up by what the main does, wherever in the gap that is. Beyond the last level known it is level.
    A segment too short for a grade takes the mean of the next ones before and after it that
    are long enough, or the only one there is: the same from either end of the run.
    """
    grade = np.full(len(axis), np.nan)
    step = np.diff(columns.chainage)
    rise = np.diff(filled_along(columns.run, columns.chainage, axis))
    least = np.where(columns.main[1:] == columns.main[:-1], ONE_PLACE, JOINT)
    real = columns.follows & (step > least)
    grade[:-1][real] = np.where(np.isfinite(rise[real]), rise[real], 0.0) / step[real]
    after = _next_filled(columns.run, grade)
    before = _next_filled(columns.run[::-1], grade[::-1])[::-1]
    both = (
        np.where(np.isnan(after), before, after) + np.where(np.isnan(before), after, before)
    ) / 2
    last = np.append(~columns.follows, True)[: len(grade)]
    filled = np.where(np.isnan(grade), np.where(last, before, both), grade)
    # The last station of a run takes what the station before it was given.
    filled[1:] = np.where(last[1:] & columns.follows, filled[:-1], filled[1:])
    return np.nan_to_num(filled)


def _next_filled(run: IntArray, values: FloatArray) -> FloatArray:
    """Fill every NaN with the next value of the same run, if there is one."""
    count = len(values)
    place = np.where(np.isnan(values), count, np.arange(count))
    place = np.minimum.accumulate(place[::-1])[::-1]
    found = np.minimum(place, max(count - 1, 0))
    return np.where((place < count) & (run[found] == run), values[found], np.nan)


def _worst(main: IntArray, chosen: BoolArray, badness: FloatArray) -> tuple[IntArray, IntArray]:
    """Return, for every main with chosen stations, its worst one and how many were chosen."""
    at = np.flatnonzero(chosen)
    order = at[np.lexsort([at, -badness[at], main[at]])]
    first = np.flatnonzero(np.diff(main[order], prepend=-1))
    return order[first], np.diff(first, append=len(order))


def _report_assumed(
    columns: _Columns,
    source: IntArray,
    assumed_cover: float,
    findings: Findings,
    run_ids: Sequence[str],
) -> None:
    """Report, a finding a run, where the cover was assumed; the stations say it one by one.

    ``source`` is what the depth rests on in the end, at each station.
    """
    assumed = (source == ASSUMED) & ~columns.bridged  # of those bridged `_report_gaps` tells
    half = np.append(np.where(columns.follows, np.diff(columns.chainage) / 2, 0.0), 0.0)
    share = half + np.append(0.0, half[:-1])  # m of run that go by each station
    first, last = _same_stretches(columns, assumed)
    places = _stretches(columns.xy, first, last)
    runs, start = np.unique(columns.run[first], return_index=True)
    end = np.append(start[1:], len(first))[: len(start)]
    for run, low, high in zip(runs, start, end, strict=True):
        rows = np.arange(first[low], last[high - 1] + 1)
        rows = rows[assumed[rows]]
        count = len(np.unique(columns.main[rows]))
        mains = f"{count} mains" if count > 1 else "1 main"
        length = findings.length(share[rows].sum(), 0)
        lacking, advice = _lacking(columns.source[rows])
        findings.add(
            "info",
            "assumed-cover",
            f"{lacking} for {mains}, about {length} of the run; a "
            f"cover of {findings.length(assumed_cover, 2)} was assumed; {advice}, or set "
            "ground.assumed_cover",
            layer="runs",
            feature=_run_name(run_ids, run),
            geometry=_gathered(places[low:high]),
        )


def _lacking(source: IntArray) -> tuple[str, str]:
    """Say what was lacking at stations of an assumed cover, and what to give."""
    levels = source == INVERT  # inverts are there, and no ground to measure down from
    if levels.all():
        return "no cover and no ground level above the inverts on record", "give cover or a DEM"
    if levels.any():
        return (
            "no cover on record, nor a pair of inverts with a ground level above them",
            "give cover, or both inverts and a DEM",
        )
    return "no cover and no pair of inverts on record", "give cover or both inverts"


def _same_stretches(columns: _Columns, chosen: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the first and the last station of every stretch of a run that is chosen whole."""
    edge = firsts(chosen)
    edge[1:] |= ~columns.follows
    first = np.flatnonzero(edge)
    last = np.append(first[1:], len(chosen))[: len(first)] - 1
    return first[chosen[first]], last[chosen[first]]


def _run_name(run_ids: Sequence[str], run: int) -> str:
    return run_ids[run] if len(run_ids) else f"run {run}"


def _gathered(places: list[Any]) -> Any:
    """Return one geometry of all places."""
    if len(places) == 1:
        return places[0]
    lines = all(place.geom_type == "LineString" for place in places)
    return (shapely.MultiLineString if lines else shapely.GeometryCollection)(places)


def _report_records(
    columns: _Columns,
    mains: pd.DataFrame,
    names: npt.NDArray[Any],
    findings: Findings,
) -> None:
    """Report, a finding a main, inverts that could not be used."""
    middle = _middles(columns.main)
    main = columns.main[middle]
    has = mains[["invert_start", "invert_end"]].notna().to_numpy()[main]
    lone = has[:, 0] != has[:, 1]
    missing = np.where(has[lone, 0], "invert_end", "invert_start")
    used = np.array(SOURCES, dtype=object)[columns.source[middle[lone]]]
    findings.add_points(
        "warning",
        "one-invert",
        [
            f"{name} is missing, so the other invert was not used; "
            f"the depth rests on the {'cover on record' if by == 'cover' else 'assumed cover'}"
            for name, by in zip(missing, used, strict=True)
        ],
        layer="mains",
        features=names[main[lone]],
        xy=columns.xy[middle[lone]],
    )


def _middles(main: IntArray) -> IntArray:
    """Return the station in the middle of the list of each main that has any."""
    order = np.argsort(main, kind="stable")
    first = np.flatnonzero(np.diff(main[order], prepend=-1))
    middle: IntArray = order[first + np.diff(first, append=len(order)) // 2]
    return middle


def _report_levels(
    columns: _Columns,
    names: npt.NDArray[Any],
    cover: FloatArray,
    depth: FloatArray,
    grade: FloatArray,
    findings: Findings,
) -> None:
    """Report mains above ground, too deep to be true, or too steep; worst station of each."""
    doubts = (
        (
            "main-above-ground",
            -cover,
            0.0,
            partial(findings.length, digits=2),
            "the crown lies up to {} above ground",
            "check inverts and cover, and that levels and DEM share unit and datum",
        ),
        (
            "main-too-deep",
            depth,
            DEPTH_LIMIT,
            findings.length,
            "the invert lies up to {} below ground",
            "check inverts and cover, and that levels and DEM share unit and datum",
        ),
        (
            "steep-grade",
            np.abs(grade),
            GRADE_LIMIT,
            "{:.2f}".format,
            "the axis has a grade of up to {}",
            "check inverts and ground levels",
        ),
    )
    for rule, measure, limit, say, fact, advice in doubts:
        worst, count = _worst(columns.main, measure > limit, measure)
        findings.add_points(
            "warning",
            rule,
            [
                f"{fact.format(say(measure[i]))} at {n} of its stations; kept as it is; {advice}"
                for i, n in zip(worst, count, strict=True)
            ],
            layer="mains",
            features=names[columns.main[worst]],
            xy=columns.xy[worst],
        )


def _report_cover(
    columns: _Columns, names: npt.NDArray[Any], cover: FloatArray, findings: Findings
) -> None:
    """Report mains whose inverts give a cover far from that on record; worst station of each."""
    apart = np.where(columns.measured & columns.cover_known, np.abs(cover - columns.cover), 0.0)
    worst, count = _worst(columns.main, apart > COVER_LIMIT, apart)
    findings.add_points(
        "warning",
        "cover-differs",
        [
            f"the cover is {findings.length(columns.cover[i], 2)} on record and "
            f"{findings.length(cover[i], 2)} by inverts and ground, {findings.length(apart[i], 1)} "
            f"apart; they differ by more than {findings.length(COVER_LIMIT, 0)} at {n} of its "
            "stations; the inverts were used; check them, the cover, and unit and datum of the DEM"
            for i, n in zip(worst, count, strict=True)
        ],
        layer="mains",
        features=names[columns.main[worst]],
        xy=columns.xy[worst],
    )


def _report_unit(columns: _Columns, findings: Findings) -> None:
    """Report ground levels that fit the inverts in another unit and not in the one they are in."""
    both = (columns.source == INVERT) & np.isfinite(columns.ground)
    ground, invert, crown = columns.ground[both], columns.invert[both], columns.diameter[both]
    depth = ground - invert
    if not both.any():
        return

    def usual(depth: FloatArray) -> float:
        return float(np.mean((depth > crown) & (depth < USUAL_DEPTH)))

    for factor, mistake in ((FOOT, "feet taken for metres"), (1 / FOOT, "metres taken for feet")):
        other = ground * factor - invert
        if usual(other) >= max(MOST, usual(depth) + MORE):
            findings.add(
                "warning",
                "dem-unit-doubtful",
                f"by the levels as they were read, inverts lie {_span(depth, findings)} below "
                f"ground; if these are {mistake}, {_span(other, findings)}; kept as they are; "
                f"check the unit of the DEM and set {UNIT_KEY}, or correct it in the file",
                layer="dem",
                geometry=shapely.MultiPoint(columns.xy[both]).envelope,
            )


def _span(values: FloatArray, findings: Findings) -> str:
    """Return the middle and both ends of some lengths in words."""
    low, middle, high = (findings.length(f(values)) for f in (np.min, np.median, np.max))
    return f"{middle} ({low} to {high})"


def _report_steps(
    columns: _Columns,
    names: npt.NDArray[Any],
    axis: FloatArray,
    findings: Findings,
) -> None:
    """Report joints of two mains where the axis jumps."""
    before = np.flatnonzero(columns.follows & (columns.main[1:] != columns.main[:-1]))
    step = _steps(columns, axis, before)
    large = np.abs(step) > STEP_LIMIT
    before, step = before[large], step[large]
    ahead, behind = names[columns.main[before + 1]], names[columns.main[before]]
    findings.add_points(
        "warning",
        "axis-step",
        [
            f"the axis {'rises' if rise > 0 else 'drops'} by {findings.length(abs(rise), 2)} from "
            f"main {old} to this one where they join; kept as it is; check inverts and covers of "
            "both"
            for rise, old in zip(step, behind, strict=True)
        ],
        layer="mains",
        features=ahead,
        xy=columns.xy[before + 1],
    )


def _steps(columns: _Columns, axis: FloatArray, before: IntArray) -> FloatArray:
    """Return the jump of the axis where two mains join (after less before), m.

    The level of either is carried to the joint from its station: along its inverts if it is laid
    by them, at its own distance below the ground there if it follows the ground.
    """
    after, at = before + 1, _joint_between(columns, before)
    share = (at - columns.chainage[before]) / np.maximum(
        columns.chainage[after] - columns.chainage[before], 1e-9
    )
    ground = columns.ground[before] * (1 - share) + columns.ground[after] * share

    def carried(row: IntArray) -> FloatArray:
        by_invert = axis[row] + columns.fall[row] * (at - columns.chainage[row])
        by_ground = ground - columns.cover[row] - columns.diameter[row] / 2
        return np.where(columns.source[row] == INVERT, by_invert, by_ground)

    return np.asarray(carried(after) - carried(before), dtype=np.float64)


def _joint_between(columns: _Columns, before: IntArray) -> FloatArray:
    """Return the chainage at which two mains join, between the last station of one and the next.

    Where the one ends, or the other begins, as drawn; half way where neither lies between them,
    as of mains that a run leaves, or comes to, on their way.
    """
    after = before + 1
    low, high = columns.chainage[before], columns.chainage[after]
    rate = np.where(columns.rate != 0, columns.rate, np.nan)
    leaves = np.where(rate > 0, 1.0, 0.0)  # the share of a main at which a run leaves it, if whole

    def way(row: IntArray, share: FloatArray) -> FloatArray:
        return np.asarray((share - columns.share[row]) / rate[row], dtype=np.float64)

    ends = low + way(before, leaves[before]), high + way(after, 1.0 - leaves[after])
    there = [(end >= low - NEAR) & (end <= high + NEAR) for end in ends]
    count = there[0].astype(float) + there[1]
    both = sum(np.where(is_there, end, 0.0) for end, is_there in zip(ends, there, strict=True))
    found = np.where(count > 0, both / np.maximum(count, 1.0), (low + high) / 2)
    return np.asarray(np.clip(found, low, high), dtype=np.float64)


def _report_gaps(
    columns: _Columns,
    axis: FloatArray,
    *,
    dem_given: bool,
    findings: Findings,
    run_ids: Sequence[str],
) -> None:
    """Report that there is no DEM, or the stretches of runs where it has no level."""
    if not dem_given:
        findings.add(
            "warning",
            "no-dem",
            "no elevation raster was given: depth is the cover on record or assumed, grades are "
            "0 where inverts do not give them; give a DEM",
            layer="dem",
        )
        return
    missing = np.isnan(columns.ground)
    first, last = _same_stretches(columns, missing)
    findings.add_many(
        "warning",
        "no-ground",
        [
            f"{_extent(columns.chainage, a, b, findings)} of the run off the DEM or where it has "
            f"no data: no ground level, so {_depth_there(columns, a, b)}{taken}; give a DEM that "
            "covers it"
            for a, b, taken in zip(first, last, _taken(columns, axis, first, last), strict=True)
        ],
        layer="dem",
        features=[_run_name(run_ids, run) for run in columns.run[first]],
        geometry=_stretches(columns.xy, first, last),
    )


def _depth_there(columns: _Columns, first: int, last: int) -> str:
    """Say what gives the depth on a stretch without ground."""
    bridged = columns.bridged[first : last + 1]
    if not bridged.any():
        return "the cover on record or assumed gives the depth"
    whole = (
        "the depth is that of the inverts below a ground filled in along the run, and no less than "
        "the cover on record or assumed makes it"
    )
    return whole if bridged.all() else f"{whole}; where there are no inverts that cover gives it"


def _taken(columns: _Columns, axis: FloatArray, first: IntArray, last: IntArray) -> list[str]:
    """Say of stretches without ground how the force of a pull takes the axis there.

    Nothing of those where inverts give it all along.
    """
    lost = np.isnan(axis)
    before = ~np.isnan(_next_filled(columns.run[::-1], axis[::-1])[::-1])
    after = ~np.isnan(_next_filled(columns.run, axis))
    told = []
    for a, b in zip(first, last, strict=True):
        rows = np.flatnonzero(lost[a : b + 1]) + a
        if not len(rows):
            told.append("")
        elif (before[rows] & after[rows]).all():
            told.append("; grade and force take the axis straight between the levels known")
        else:
            told.append("; grade and force take the axis level there, no level is known beyond")
    return told


def _extent(
    chainage: FloatArray, first: np.integer[Any], last: np.integer[Any], findings: Findings
) -> str:
    if first == last:
        return f"1 station at {findings.length(chainage[first])}"
    count = last - first + 1
    start, end = (findings.length(chainage[k]) for k in (first, last))
    return f"{count} stations from {start} to {end}"


def _stretches(xy: FloatArray, first: Sequence[int] | IntArray, last: IntArray) -> list[Any]:
    """Return a line along each stretch of stations, a point where it has one place."""
    places: list[Any] = []
    for a, b in zip(first, last, strict=True):
        part = xy[a : b + 1]
        lone = bool((part == part[0]).all())
        places.append(shapely.Point(part[0]) if lone else shapely.LineString(part))
    return places
