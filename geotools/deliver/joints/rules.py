"""Rules a joint's record must keep: the window, the pipe, the people, the time."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas as pd

from geotools.deliver.joints.asbuilt_pulls import PullTimes
from geotools.deliver.joints.matching import FloatArray, IntArray, Match, TextArray, words_of
from geotools.deliver.joints.moments import Moments
from geotools.deliver.joints.reasons import Reasons
from geotools.deliver.joints.records import CUT, FAIL, HEATERS, PASS, Records
from geotools.deliver.joints.times import hold_times
from geotools.deliver.wording import no_reading
from geotools.network.ragged import BoolArray
from geotools.pipe.pulling import wall_area_m2
from geotools.schema import DIMENSIONS

__all__ = ["copied_limits", "hold_against", "interfacial"]

# Half of the last digit such records bear: a value rounded onto its limit is not beyond it.
_SLACK = {"temperature": 0.05, "minutes": 0.5, "seconds": 0.5, "bore": 5e-5}
_PRESSURE_SLACK = 1e-3
# How far a recorded size may be off that of the plan and still name the same pipe.
_SIZE_SLACK = {"outside": 0.01, "dr": 0.02}
# Recorded value, its limit in the schedule, its kind, and whether the limit is the least.
_LIMITS = (
    ("bead", "bead", "bore", True),
    ("soak", "soak", "minutes", True),
    ("cool_time", "cool", "minutes", True),
    ("removal", "removal", "seconds", False),
)
# Recorded values that no joint has 0 of, their kind and rule: loggers write 0 for "not measured".
# Others may be 0: the heat soak where the bead alone decides, the time to reach the pressure, air
# at freezing point. Heaters and sizes of 0 are beyond what is due.
_ABOVE_NOTHING = {
    "piston_area": ("piston", "pressure"),
    "drag": ("pressure", "pressure"),  # every carriage takes some to move
    "fusion_pressure": ("pressure", "pressure"),
    "cool_pressure": ("pressure", "pressure"),
    "bead": ("bore", "bead"),
    "removal": ("seconds", "removal"),  # opening and closing again take time
    "cool_time": ("minutes", "cool-time"),
}

# So many values of a file, of which this share are their limits, as the schedule writes them, are
# none measured; some of a sheet may have been corrected.
_COPIED, _COPIED_SHARE, _AS_WRITTEN = 5, 0.9, 1e-4


def hold_against(
    match: Match,
    records: Records,
    joints: Any,
    *,
    every: Match,
    times: PullTimes | None,
    qualifications: Records | None,
    now: np.datetime64 | None = None,
) -> Reasons:
    """Gather what is held against the joints of the records.

    Parameters
    ----------
    match : Match
    records : Records
    joints : DataFrame
        The schedule.
    every : Match
        These records and all others of the same machines and people, as `hold_times` takes them.
    times : PullTimes, optional
        Without them the time of joints is not held against that of pulls.
    qualifications : Records, optional
        Without them nobody's qualification is checked.
    now : datetime64, optional
        When the check is made; without it no time is too late.

    Returns
    -------
    Reasons
        Against rows of the schedule.
    """
    reasons = Reasons()
    _unreadable(match, records, reasons)
    _no_window(match, reasons)
    _heater(match, records, reasons)
    _pressures(match, reasons)
    for name, (dimension, rule) in _ABOVE_NOTHING.items():
        _above_nothing(match, reasons, name, dimension, rule)
    for name, limit, dimension, least in _LIMITS:
        _limit(match, reasons, (name, limit), dimension, least=least)
    for side in ("left", "right"):
        _material(match, reasons, f"material_{side}")
        _size(match, reasons, f"outside_{side}", "bore")
        _size(match, reasons, f"dr_{side}", "")
    _given(match, reasons, (match.made["made"] == "").to_numpy(dtype=bool), "date")
    for kind in ("operator", "machine"):
        _who(match, reasons, kind, qualifications)
    _visual(match, reasons)
    hold_times(match, reasons, every=every, now=now)
    if times is not None:
        _times(match, joints, times, reasons)
    return reasons


def copied_limits(match: Match, records: Records) -> Iterator[str]:
    """Say which values of a file are nearly all the limits of the schedule: columns of it, kept."""
    file_of = records.file_of[match.record]
    for name, limit, _, _ in _LIMITS:
        value, due = match.number(name), match.limit(limit)
        asked = np.isfinite(value) & (due > 0)
        same = asked & np.isclose(value, due, _AS_WRITTEN, 0.0)
        for k, file in enumerate(records.files):
            count, alike = (int((of & (file_of == k)).sum()) for of in (asked, same))
            if count < _COPIED or alike < _COPIED_SHARE * count:
                continue
            how_many = f"all {count:,}" if alike == count else f"{alike:,} of {count:,}"
            where = f" of {file.source}" if records.parts else ""
            yield (
                f"not checked: whether {name.replace('_', ' ')} was measured. In {how_many} "
                f"records{where} it is the limit of the schedule itself; see that its column is "
                "not one of the schedule"
            )


def interfacial(match: Match, name: str) -> FloatArray:
    """Return the pressure between the pipe ends that a gauge pressure stands for, Pa.

    The gauge pressure net of drag, times the piston area over that of the pipe wall: the formula
    of `geotools.pipe.fusion.gauge_pressure_pa` solved for the pressure on the ends.
    """
    net = match.number(name) - match.number("drag")
    wall = wall_area_m2(match.limit("outside"), match.limit("wall"))
    return np.asarray(net * match.number("piston_area") / wall)


def _unreadable(match: Match, records: Records, reasons: Reasons) -> None:
    faults = records.faults
    place = pd.Index(match.record).get_indexer(pd.Index(faults["row"]))
    known = place >= 0
    reasons.add("unreadable", match.joint[place[known]], faults["text"][known].tolist())


def _no_window(match: Match, reasons: Reasons) -> None:
    carrier = match.due["carrier"].to_numpy(dtype=object)
    reasons.add_where(
        "no-window",
        match.due["procedure"].to_numpy(dtype=object) == "",
        match.joint,
        lambda k: (
            f"no window is known for {carrier[k]}; give your qualified written procedure "
            "(--procedure-file)"
        ),
    )


def _given(match: Match, reasons: Reasons, mask: BoolArray, words: str) -> None:
    reasons.add_where("not-recorded", mask, match.joint, lambda k: f"no {words} on record")


def _limit(
    match: Match, reasons: Reasons, names: tuple[str, str], dimension: str, *, least: bool
) -> None:
    """Hold a value against its least or its most, where there is one and it asks for anything."""
    value, limit = match.number(names[0]), match.limit(names[1])
    words = names[0].replace("_", " ")
    due = np.isfinite(limit) & (limit > 0)
    slack = _SLACK[dimension]
    _given(match, reasons, due & np.isnan(value), words)
    beyond = value < limit - slack if least else value > limit + slack
    if names[0] in _ABOVE_NOTHING:
        beyond &= value > 0  # else it is told as no reading
    bound = "least" if least else "most"
    reasons.add_where(
        names[0].replace("_", "-"),
        due & beyond,
        match.joint,
        lambda k: (
            f"{words} {match.told(value[k], dimension)}, due at {bound} "
            f"{match.told(limit[k], dimension)}"
        ),
    )


def _range(
    match: Match,
    reasons: Reasons,
    rule: str,
    words: str,
    value: FloatArray,
    limits: tuple[FloatArray, FloatArray],
    dimension: str,
    remark: Callable[[int], str] = lambda _: "",
) -> None:
    """Hold a value against its least and its most; a remark may follow the value."""
    low, high = limits
    if dimension == "pressure":
        beyond = (value < low * (1 - _PRESSURE_SLACK)) | (value > high * (1 + _PRESSURE_SLACK))
    else:
        beyond = (value < low - _SLACK[dimension]) | (value > high + _SLACK[dimension])
    reasons.add_where(
        rule,
        beyond,
        match.joint,
        lambda k: (
            f"{words} {match.told(value[k], dimension)}{remark(k)}, due "
            f"{match.told(low[k], dimension)} to {match.told(high[k], dimension)}"
        ),
    )


def _heater(match: Match, records: Records, reasons: Reasons) -> None:
    """Hold every point of the heater against its range; two are due.

    Procedures print their limits in whole degrees of either unit, ASTM F2620 400 to 450 F and
    204 to 232 C (from memory): what is within them as printed in the unit of the record passes.
    """
    low, high = match.limit("heater_low"), match.limit("heater_high")
    for name in HEATERS:
        units = records.units(name)[match.record]
        limits = np.fmin(low, _whole(low, units)), np.fmax(high, _whole(high, units))
        value, words = match.number(name), name.replace("_", " ")
        if name in HEATERS[:2]:
            _given(match, reasons, np.isfinite(limits[0]) & np.isnan(value), words)
        _range(match, reasons, "heater", words, value, limits, "temperature")


def _whole(temperature_c: FloatArray, units: TextArray) -> FloatArray:
    """Return temperatures in C as rounded to whole degrees, each of a unit of the contract."""
    kind, out = DIMENSIONS["temperature"], np.round(temperature_c)
    for unit in set(units.tolist()) & set(kind.units):
        factor, zero = kind.units[unit], kind.zero.get(unit, 0.0)
        own = units == unit
        out[own] = np.round((temperature_c[own] - zero) / factor) * factor + zero
    return np.asarray(out)


def _pressures(match: Match, reasons: Reasons) -> None:
    """Hold the gauge pressures, net of drag, against the pressure due between the pipe ends."""
    limits = match.limit("interfacial_low"), match.limit("interfacial_high")
    for name in ("piston_area", "drag", "fusion_pressure", "cool_pressure"):
        bare = np.isfinite(limits[0]) & np.isnan(match.number(name))
        _given(match, reasons, bare, name.replace("_", " "))
    for name, step in (("fusion_pressure", "fusing"), ("cool_pressure", "cooling")):
        words = f"pressure between the ends while {step}"
        gauge = _gauge(match, name)
        between = interfacial(match, name)
        _range(match, reasons, "pressure", words, between, limits, "pressure", gauge)


def _gauge(match: Match, name: str) -> Callable[[int], str]:
    """Return how the gauge reading behind a pressure is told: it is what the inspector saw."""
    gauge, drag = match.number(name), match.number("drag")
    return lambda k: (
        f" (gauge {match.told(gauge[k], 'pressure')}, drag {match.told(drag[k], 'pressure')})"
    )


def _above_nothing(match: Match, reasons: Reasons, name: str, dimension: str, rule: str) -> None:
    """Hold a record of 0 or less of what is always above it, whether it is due or not."""
    value, words = match.number(name), name.replace("_", " ")
    reasons.add_where(
        rule,
        value <= 0,
        match.joint,
        lambda k: no_reading(words, match.told(value[k], dimension)),
    )


def _material(match: Match, reasons: Reasons, name: str) -> None:
    """Hold a material on record against that of the plan; blanks and hyphens do not count."""
    told, asked = (_squeezed(texts) for texts in (match.made[name], match.due["material"]))
    words = name.replace("_", " ")
    found, due = match.made[name].tolist(), match.due["material"].tolist()
    reasons.add_where(
        "pipe",
        (told != "") & (told != asked),
        match.joint,
        lambda k: f"{words} is {found[k]}, planned {due[k]}",
    )


def _squeezed(texts: pd.Series[Any]) -> TextArray:
    """Return texts without case, blanks and hyphens."""
    codes, names = pd.factorize(words_of(texts))
    plain = np.array([str(n).replace(" ", "").replace("-", "") for n in names], dtype=object)
    return plain[codes]


def _size(match: Match, reasons: Reasons, name: str, dimension: str) -> None:
    """Hold an outside diameter or DR on record against that of the plan."""
    kind, _, side = name.partition("_")
    value, due = match.number(name), match.limit(kind)
    words = f"DR {side}" if kind == "dr" else f"outside diameter {side}"
    reasons.add_where(
        "pipe",
        np.abs(value - due) > _SIZE_SLACK[kind] * due,
        match.joint,
        lambda k: (
            f"{words} is {match.told(value[k], dimension)}, planned {match.told(due[k], dimension)}"
        ),
    )


def _who(match: Match, reasons: Reasons, kind: str, qualifications: Records | None) -> None:
    """Hold the operator or the machine against its qualifications on the day."""
    name = words_of(match.made[kind])
    _given(match, reasons, name == "", kind)
    if qualifications is None:
        return
    asked = (name != "") & ~np.isnat(match.made["made_from"].to_numpy())
    found, when = match.made[kind].tolist(), match.made["made"].tolist()
    listed = np.isin(name.astype(str), _names(kind, qualifications)[1].astype(str))
    reasons.add_where(
        "qualification",
        asked & ~_qualified(kind, name, match.made, qualifications),
        match.joint,
        lambda k: (
            f"{kind} {found[k]} is not qualified on {when[k]}"
            + ("" if listed[k] else ": the name is nowhere in the list; is it written otherwise?")
        ),
    )


def _names(kind: str, qualifications: Records) -> tuple[IntArray, TextArray]:
    """Return the rows of qualifications of a kind, and the names in them as they are compared."""
    table = qualifications.table
    own = np.flatnonzero(words_of(table["kind"]) == kind)
    return own, words_of(table["name"])[own]


def _qualified(
    kind: str, name: TextArray, made: pd.DataFrame, qualifications: Records
) -> BoolArray:
    """Tell whose name is qualified at the time of the record."""
    table = qualifications.table
    own, names = _names(kind, qualifications)
    held = pd.DataFrame({"name": names, "held": own})
    asked = pd.DataFrame({"name": name, "row": np.arange(len(name))})
    pairs = asked.merge(held, on="name")
    rows, of = (pairs[n].to_numpy(dtype=np.int64) for n in ("row", "held"))
    early, late = (Moments.of(made, "made", latest=n).take(rows) for n in (False, True))
    first = Moments.of(table, "valid_from").take(of)
    last = Moments.of(table, "valid_until", latest=True).take(of)
    known = early.known & first.known & last.known
    out = np.zeros(len(name), dtype=bool)
    out[rows[known & ~early.before(first) & ~last.before(late)]] = True
    return out


def _visual(match: Match, reasons: Reasons) -> None:
    words = words_of(match.made["visual"])
    _given(match, reasons, words == "", "result by eye")
    reasons.add_where("visual", np.isin(words, FAIL), match.joint, lambda k: "failed by eye")
    reasons.add_where(
        "visual",
        ~np.isin(words, [*PASS, *FAIL, *CUT, ""]),
        match.joint,
        lambda k: f"result by eye {str(words[k])[:40]!r} is neither pass, fail nor cut out",
    )


def _times(match: Match, joints: Any, times: PullTimes, reasons: Reasons) -> None:
    """Hold the time of every joint against that of its pull, where it is on record.

    A joint of the first string must have cooled when the pull starts, one of a later string
    when that string is joined on; a joint between strings is made during the pull.
    """
    pull = pd.Index(times.pull_id).get_indexer(pd.Index(match.due["pull_id"]))
    between = match.due["intermediate"].to_numpy(dtype=bool)
    first, started, ended = (t.take(pull) for t in (times.first, times.started, times.ended))
    string = match.due["string_id"].to_numpy(dtype=object)
    # of a joint added on site the string is not known: it must have cooled when the pull ended
    head = ~between & (string != "") & (string == _first_string(match, joints))
    limit = started.or_else(head, _joined_on(match, between, first, ended))
    early, late = (Moments.of(match.made, "made", latest=n) for n in (False, True))
    # of a date alone the time of day is not known: only a later day is held against it
    cooled = early.after(_cooling(match))
    untold = between | (string == "")
    event = np.where(untold, "pull ended", np.where(head, "pull started", "string was joined on"))
    reasons.add_where(
        "after-pull",
        limit.before(cooled),
        match.joint,
        lambda k: f"made {early.text[k]}, not cooled when the {event[k]} {limit.said(k)}",
    )
    reasons.add_where(
        "before-pull",
        between & late.before(first),
        match.joint,
        lambda k: f"made {early.text[k]}, before the pull started {first.said(k)}",
    )


def _cooling(match: Match) -> FloatArray:
    """Return how long each joint cooled under pressure, s: as is due, or longer if recorded so."""
    longest = np.fmax(match.limit("cool"), match.number("cool_time"))
    return np.asarray(np.maximum(np.nan_to_num(longest), 0.0), dtype=np.float64)


def _first_string(match: Match, joints: Any) -> TextArray:
    """Return the string each record's pull starts with.

    A string of a single piece has no joint inside it and is in no row of its own; then the
    first joint is one between strings, and no row is of the first string.
    """
    first = joints.loc[joints["number"] == 1]
    name = first["string_id"].where(~first["intermediate"].astype(bool), "")
    of_pull = pd.Series(name.to_numpy(dtype=object), index=first["pull_id"].to_numpy(dtype=object))
    return match.due["pull_id"].map(of_pull).to_numpy(dtype=object)


def _joined_on(match: Match, between: BoolArray, first: Moments, end: Moments) -> Moments:
    """Return when the string of every record was joined on.

    That is the end of the pull where it is not on record, or cannot be so.
    """
    joined = Moments.of(match.made, "made", latest=True)
    key = match.due["string_id"].to_numpy(dtype=object)
    known = np.flatnonzero(between & first.known & ~joined.before(first))
    own = joined.take(known).one_each(key[known], key, latest=True)
    ended = between | ~own.known | end.before(own)
    return end.or_else(ended, own)
