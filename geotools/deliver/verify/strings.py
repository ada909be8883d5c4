"""Strings, joints, hours: what a pull is made of, and whether it fits a shift."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import shapely

from geotools.deliver.verify.carriers import nominal_of, pipe_of
from geotools.deliver.verify.force import MARCHED, mean_force
from geotools.deliver.verify.formulas import Pipe, pieces, shared_out
from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import candidate_of
from geotools.deliver.verify.tally import CLOSE, Rule, Tally
from geotools.pipe.factors import GRAVITY, HOUR, WATER_DENSITY
from geotools.pipe.materials import apparent_modulus_pa, material_property

__all__ = ["RULES", "given_to_last", "strings_needed"]

LEAVE = 1.0  # m; a length to work on at each end
REST = 24.0  # h; a day at least
BELOW = 1.0  # Pa; a test that much under the working pressure is under it
ROUNDED = 1e-3  # Pa; of what units of the file leave over
FILLED = 0.3  # m/s; so slowly that the air leaves


def strings_needed(count: int, room: float, piece: float, least: float) -> float:
    """Return the strings a pull of so many pipes is laid out in; infinite where none can lie."""
    if math.isnan(room):
        return 1.0
    if room < least:
        return math.inf
    most = math.floor(room / piece + 1e-9)
    return math.ceil(count / most) if most < count and most > 0 else 1.0 if most else math.inf


def pull_lengths(plan: Plan) -> Tally:
    """Check that no pull is longer, or shorter, than the settings allow."""
    tally = Tally("pulls")
    low, high = plan.setting("pulls.min_length"), plan.setting("pulls.max_length")
    for pull in plan.rows("pulls"):
        tally.holds(
            low - CLOSE <= pull.length <= high + CLOSE,
            pull.pull_id,
            f"is {pull.length:.3f} m long; {low:.3f} to {high:.3f} m are allowed",
        )
    return tally


def _measured(plan: Plan, tally: Tally) -> Iterator[Any]:
    """Yield the pulls that say how long they are; another is a fault."""
    for pull in plan.rows("pulls"):
        if tally.holds(pull.length > 0, pull.pull_id, "does not say how long it is", layer="pulls"):
            yield pull


def string_counts(plan: Plan) -> Tally:
    """Check joints and strings of every pull against pipe length and room at its pit."""
    tally = Tally("pulls")
    piece, least = plan.setting("pulls.piece_length"), plan.setting("street.least_string")
    pits = plan.one("pits", "pit_id")
    for pull in _measured(plan, tally):
        count = pieces(pull.length, piece)
        tally.near(pull.joints, max(count - 1, 0), pull.pull_id, "joints")
        pit = pits.get(pull.insertion_pit)
        place = None if pit is None else candidate_of(plan, pit)
        if tally.holds(place is not None, pull.pull_id, "its insertion pit has no candidate"):
            room = getattr(place, f"string_room_{pull.direction}", math.nan)
            due = strings_needed(count, room, piece, least)
            tally.near(pull.strings, due, pull.pull_id, "strings")
    return tally


def shifts(plan: Plan) -> Tally:
    """Check the hours of every pull, and that they fit a shift."""
    tally = Tally("pulls")
    rate, shift = plan.setting("pulls.rate"), plan.setting("crew.shift") / HOUR
    standstill = plan.setting("pulls.string_joint_hours") / HOUR
    for pull in plan.rows("pulls"):
        hours = pull.length / rate / HOUR + (pull.strings - 1) * standstill
        tally.near(pull.hours, hours, pull.pull_id, "hours")
        tally.holds(
            hours <= shift + CLOSE, pull.pull_id, f"takes {hours:.2f} h of a shift of {shift:.2f} h"
        )
    return tally


def strings_laid(plan: Plan) -> Tally:
    """Check the strings of every pull: numbers, whole pipes, joints, length, what is drawn."""
    tally = Tally("strings")
    piece = plan.setting("pulls.piece_length")
    for pull in _measured(plan, tally):
        rows = plan.by("strings", "pull_id", "number").get(pull.pull_id, [])
        tally.near(len(rows), pull.strings, pull.pull_id, "strings drawn", layer="pulls")
        numbers = [row.number for row in rows]
        tally.holds(
            numbers == list(range(1, len(rows) + 1)), pull.pull_id, "strings are not numbered"
        )
        tally.near(sum(r.length for r in rows), pull.length, pull.pull_id, "strings together")
        shares = shared_out(pieces(pull.length, piece), max(len(rows), 1))
        for row, count in zip(rows, shares, strict=False):
            tally.near(row.joints, count - 1, row.string_id, "joints")
            if row is not rows[-1]:
                given = given_to_last(plan, pull, shares) if row is rows[-2] else 0.0
                tally.near(row.length, count * piece - given, row.string_id, "length")
            tally.holds(
                shapely.is_valid(row.geometry) and shapely.area(row.geometry) > 0,
                row.string_id,
                "what is drawn is no area",
            )
    return tally


def given_to_last(plan: Plan, pull: Any, shares: list[int]) -> float:
    """Return what the last string but one gives a last one that is too short to be fused, m."""
    piece = plan.setting("pulls.piece_length")
    rest = pull.length - (sum(shares) - 1) * piece
    alone = shares[-1] == 1 and rest < min(plan.setting("pulls.least_piece"), piece / 2)
    return float((piece - rest) / 2) if alone else 0.0


def sections(plan: Plan) -> Tally:
    """Check rest, length to leave, water, test and levels of every section."""
    tally = Tally("sections")
    tally.skip("make-up water of polyethylene")
    if not plan.holds("sections", "leave_head"):
        tally.skip("what is left out of the host: the plan does not say how much at the head")
    cooling = plan.setting("pulls.ground_temperature") - plan.setting("carrier.temperature")
    pulls = plan.one("pulls", "pull_id")
    for row in plan.rows("sections"):
        pull = pulls.get(row.pull_id)
        pipe = None if pull is None else pipe_of(plan, plan.one("runs", "run_id")[pull.run_id])
        if pull is None or pipe is None:
            continue
        if not tally.holds(pull.hours > 0, row.pull_id, "its pull does not say how long it takes"):
            continue
        longer = max(pull.hours, plan.setting("pulls.duration") / HOUR, 0.5)
        modulus = float(apparent_modulus_pa(pipe.material, longer))
        area = math.pi * (pipe.outside - pipe.wall) * pipe.wall
        stretch = mean_force(plan, pull, pipe) / (area * modulus) * pull.length
        tally.near(row.stretch, stretch, row.pull_id, "stretch", share=MARCHED)
        thermal = material_property(pipe.material, "thermal_expansion") * pull.length * cooling
        tally.near(row.thermal_change, thermal, row.pull_id, "thermal_change")
        leave = stretch + max(-thermal, 0.0) + 2 * LEAVE
        if plan.holds("sections", "leave_head"):
            tally.near(row.leave, leave, row.pull_id, "leave")
            head = (leave + stretch) / 2
            tally.near(row.leave_head, head, row.pull_id, "leave_head")
        tally.near(row.wait_hours, max(pull.hours, REST), row.pull_id, "wait_hours")
        _test_told(plan, tally, row, pipe)
        tally.near(row.fill_hours, pull.length / FILLED / HOUR, row.pull_id, "fill_hours")
        water = math.pi / 4 * pipe.bore**2 * pull.length
        tally.near(row.water_volume, water, row.pull_id, "water_volume")
        gap = WATER_DENSITY * GRAVITY * (row.high_z - row.low_z)
        if math.isfinite(gap):
            high = _some(plan, row.test_pressure - gap)
            tally.near(row.test_pressure_high, high, row.pull_id, "test_pressure_high", share=1e-6)
        if plan.holds("sections", "end_thrust") and not math.isnan(row.test_pressure):
            thrust = row.test_pressure * math.pi * pipe.outside**2 / 4
            tally.near(row.end_thrust, thrust, row.pull_id, "end_thrust", share=1e-6)
        _make_up(plan, tally, row, pull)
        _levels(plan, tally, row, pull)
    _tested_as_one(plan, tally)
    return tally


def _test_told(plan: Plan, tally: Tally, row: Any, pipe: Pipe) -> None:
    """Check which rule a section is tested by, and for how long."""
    due = "PE" if pipe.plastic else "PVC"
    tally.holds(row.test_rule == due, row.pull_id, f"is tested as {row.test_rule}, not as {due}")
    hours = plan.setting("service.pe_test_hours")
    if not pipe.plastic:
        hours = plan.setting("service.pvc_test_duration") / HOUR
    tally.near(row.test_hours, hours, row.pull_id, "test_hours")


def _make_up(plan: Plan, tally: Tally, row: Any, pull: Any) -> None:
    """Check the allowance of PVC by AWWA C605 in metric units: L/h, of m, mm and kPa.

    Its pressure is the average of the section's: the mean of its low and high point.
    """
    nominal = nominal_of(plan, plan.one("runs", "run_id")[pull.run_id])
    if row.test_rule != "PVC" or nominal is None:
        return
    high = row.test_pressure
    if math.isfinite(row.high_z - row.low_z):
        high = 0.0 if math.isnan(row.test_pressure_high) else row.test_pressure_high
    mean = (row.test_pressure + high) / 2
    litres = row.test_hours * pull.length * nominal * 1e3 * math.sqrt(mean / 1e3) / 794_797
    tally.near(row.make_up, litres / 1e3, row.pull_id, "make_up", share=1e-5, least=1e-6)


def _tested_as_one(plan: Plan, tally: Tally) -> None:
    """Check that the sections of a run stand under one water: they are joined and tested as one."""
    for rows in plan.by("sections", "run_id", "low_z").values():
        known = [row for row in rows if math.isfinite(row.low_z) and row.test_pressure > 0]
        for row in known[1:]:
            rise = WATER_DENSITY * GRAVITY * (row.low_z - known[0].low_z)
            due = known[0].test_pressure - rise
            tally.near(row.test_pressure, due, row.pull_id, "test_pressure", share=1e-6)
        if known and plan.holds("sections", "working_test"):
            _without_test(tally, known[0], rows)


def _without_test(tally: Tally, known: Any, rows: list[Any]) -> None:
    """Check that a section has no test pressure only where the water does not stand so high."""
    for row in rows:
        if math.isfinite(row.low_z) and not row.test_pressure > 0:
            left = known.test_pressure - WATER_DENSITY * GRAVITY * (row.low_z - known.low_z)
            none = math.isnan(row.test_pressure) and left < BELOW
            tally.holds(none, row.pull_id, f"has no test pressure, {left:.6g} Pa are left")


def _some(plan: Plan, pressure: float) -> float:
    """Return a test pressure, Pa: none where the water does not stand so high, 0 in older plans."""
    if pressure > 0 or math.isnan(pressure):
        return pressure
    return math.nan if plan.holds("sections", "working_test") else 0.0


def tests(plan: Plan) -> Tally:
    """Check the test of every section against its working pressure, and that a short one is told.

    What each main works at is not in the file; what the section says of the place where its test
    stands least above that is held against the levels, the settings and the findings.
    """
    tally = Tally("sections")
    if not plan.holds("sections", "working_test"):
        tally.skip("tests below the working pressure: no field working_test")
        return tally
    findings = list(plan.rows("findings"))
    told = {row.feature for row in findings if row.rule == "test-below-working"}
    in_part = {row.feature for row in findings if row.rule == "pressure-in-part"}
    assumed = plan.setting("service.working_pressure")
    for row in plan.rows("sections"):
        name, working = row.pull_id, row.working_pressure
        if row.working_source == "assumed":
            tally.near(working, assumed, name, "working_pressure", share=1e-6)
        tally.holds(working >= 0, name, "does not say what it works at")
        if not math.isfinite(row.high_z):
            tally.holds(
                name not in told, name, "a finding says its test is short; no level is known"
            )
            continue
        there, low, high = (
            0.0 if math.isnan(value) else value
            for value in (row.working_test, row.test_pressure, row.test_pressure_high)
        )
        inside = high - BELOW <= there <= low + BELOW
        tally.holds(inside, name, "working_test is not between the tests at low and high point")
        # One pressure all along: the high point is the worst, unless a main there works at less.
        if row.working_source == "assumed" and row.run_id not in in_part:
            tally.near(there, high, name, "working_test", share=1e-6, least=BELOW)
        if abs(there - working + BELOW) > ROUNDED:
            short = there < working - BELOW
            tally.holds(
                (name in told) == short,
                name,
                f"is tested at {there:.6g} Pa where it works at {working:.6g} Pa, and "
                f"{'no' if short else 'a'} finding says it is short",
            )
    return tally


def _levels(plan: Plan, tally: Tally, row: Any, pull: Any) -> None:
    """Check the lowest and the highest level of a section against the stations inside it."""
    if "stations" not in plan.tables:
        tally.skip("levels of the sections: the plan was written without stations")
        return
    inside = [
        s
        for s in plan.by("stations", "run_id", "chainage").get(pull.run_id, [])
        if pull.start < s.chainage < pull.end and math.isfinite(s.axis_z)
    ]
    if not inside:
        return
    low, high = min(s.axis_z for s in inside), max(s.axis_z for s in inside)
    tally.holds(row.low_z <= low + CLOSE, row.pull_id, "low_z is not the lowest")
    tally.holds(row.high_z >= high - CLOSE, row.pull_id, "high_z is not the highest")
    for name, level in (("low_chainage", row.low_z), ("high_chainage", row.high_z)):
        if not plan.holds("sections", name):
            tally.skip(f"where the levels of the sections are: no field {name}")
            continue
        place = getattr(row, name)
        here = [s.axis_z for s in inside if abs(s.chainage - place) < CLOSE]
        ends = min(abs(place - pull.start), abs(place - pull.end)) < CLOSE
        found = any(abs(z - level) < CLOSE for z in here)
        tally.holds(ends or found, row.pull_id, "the level is another where it is said to be")


RULES = (
    Rule("pull-lengths", "pulls are as long as the settings allow", pull_lengths),
    Rule("string-counts", "joints and strings by pipe length and room", string_counts),
    Rule("shifts", "a pull with its joints fits a shift", shifts),
    Rule("strings", "strings make up their pull, in whole pipes", strings_laid),
    Rule("sections", "rest, stretch, water, test and levels of the sections", sections),
    Rule("tests-told", "tests below the working pressure are findings", tests),
)
