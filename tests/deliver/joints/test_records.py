"""Records of joints and pulls: clean ones pass, every planted fault is caught, none in silence."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import geotools
from geotools.deliver.csv_file import (
    doubtful_signs,
    neutral,
    parse_numbers,
    plain,
    read_csv,
    write_csv,
)
from geotools.deliver.files import check_file
from geotools.deliver.joints import times
from geotools.deliver.joints.asbuilt import Checked, check_records
from geotools.deliver.joints.records import (
    RECORD_TABLES,
    ReadAs,
    parse_pairs,
    read_map,
    read_records,
)
from geotools.deliver.joints.report import RULES, write_report
from geotools.deliver.joints.schedule import joint_schedule
from geotools.deliver.read_plan import read_plan
from geotools.errors import LayerError, OutputError

PlanWriter = Callable[..., Path]
INCH = 0.0254
# A worked joint: OD 21.6 in, DR 17, piston area 15.32 in2, 75 psi between the ends: 397 psi on
# the gauge and the drag; soak 5.7 min, cooling 14.0 min (ASTM F2620, from memory).
CLEAN = {
    "made": "2026-03-02 08:00",
    "operator": "A. Quill",
    "machine": "M-7",
    "piston_area_in2": "15.32",
    "outside_left_in": "21.6",
    "outside_right_in": "21.6",
    "dr_left": "17",
    "dr_right": "17",
    "material_left": "PE 4710",
    "material_right": "pe4710",
    "lot_left": "L1",
    "lot_right": "L2",
    "ambient_f": "60",
    "heater_1_f": "425",
    "heater_2_f": "430",
    "heater_3_f": "",
    "drag_psi": "30",
    "bead_in": "0.4",
    "soak_min": "5.8",
    "removal_s": "12",
    "fusion_pressure_psi": "427",
    "fusion_time_s": "10",
    "cool_pressure_psi": "427",
    "cool_time_min": "14",
    "visual": "pass",
    "remarks": "",
}
PULLS = [
    {"pull_id": "A", "start": 10.0, "end": 40.0, "length": 30.0},
    {"pull_id": "B", "start": 60.0, "end": 260.0, "length": 200.0},
]
STRINGS = [
    {"string_id": "A1", "pull_id": "A", "number": 1, "length": 30.0},
    {"string_id": "B1", "pull_id": "B", "number": 1, "length": 110.0},
    {"string_id": "B2", "pull_id": "B", "number": 2, "length": 90.0},
]
BETWEEN = "B-J10"
PULL_RECORDS = [
    {
        "pull_id": "A",
        "started": "2026-03-10 08:00",
        "ended": "2026-03-10 09:00",
        "length_m": "30",
        "force_kn": "61",
    },
    {
        "pull_id": "B",
        "started": "2026-03-11 08:00",
        "ended": "2026-03-11 16:00",
        "length_m": "200",
        "force_kn": "70",
    },
]
_HALF_YEAR = {"valid_from": "2026-01-01", "valid_until": "2026-06-30"}
QUALIFIED = [
    {"kind": "operator", "name": "a.  quill", **_HALF_YEAR},
    {"kind": "machine", "name": "M-7", **_HALF_YEAR},
]


@pytest.fixture(scope="module")
def plan(write_plan: PlanWriter) -> Any:
    path = write_plan(PULLS, strings=STRINGS, settings={"pulls.piece_length": "12 m"})
    return read_plan(path)


@pytest.fixture(scope="module")
def schedule(plan: Any) -> Any:
    return joint_schedule(plan).joints


def clean(schedule: Any) -> list[dict[str, str]]:
    """Records with no fault, one joint after the other on one machine.

    The joint between strings is made while the pull stands still.
    """
    names, marks = schedule["joint_id"], schedule["pull_mark"]
    rows = [
        {"joint_id": name, "pull_mark": mark, **CLEAN}
        for name, mark in zip(names, marks, strict=True)
    ]
    for k, row in enumerate(rows):
        row["made"] = f"2026-03-02 {8 + k // 2:02d}:{30 * (k % 2):02d}"
        if row["joint_id"] == BETWEEN:
            row["made"] = "2026-03-11 12:00"
    return rows


def write(path: Path, rows: list[dict[str, str]], *, delimiter: str = ",") -> Path:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, delimiter=delimiter, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def read(path: Path, name: str = "records", **options: Any) -> Any:
    return read_records(path, name, ReadAs(**{"columns": {}, **options}))


@pytest.fixture
def check(plan: Any, schedule: Any, tmp_path: Path) -> Callable[..., Checked]:
    """Check rows of records, with pulls and qualifications if given."""

    def run(
        rows: list[dict[str, str]],
        pulls: list[dict[str, str]] | None = None,
        qualified: list[dict[str, str]] | None = None,
        *,
        joints: Any = None,
        issued: list[dict[str, str]] | None = None,
        units: str = "si",
    ) -> Checked:
        return check_records(
            schedule if joints is None else joints,
            plan.table("pulls"),
            read(write(tmp_path / "r.csv", rows)),
            issued=issued and read(write(tmp_path / "s.csv", issued), "schedule"),
            pull_records=pulls and read(write(tmp_path / "p.csv", pulls), "pulls"),
            qualifications=qualified
            and read(write(tmp_path / "q.csv", qualified), "qualifications"),
            units=units,
        )

    return run


def test_clean_records_all_pass(check: Any, schedule: Any) -> None:
    checked = check(clean(schedule), PULL_RECORDS, QUALIFIED)
    assert checked.joints["verdict"].tolist() == ["pass"] * len(schedule) == ["pass"] * 19
    assert checked.joints["reasons"].tolist() == [""] * 19
    assert checked.pulls["verdict"].tolist() == ["pass", "pass"]
    assert checked.pulls["joints_passed"].tolist() == [2, 17]
    assert checked.rules == {}
    assert checked.notes == ()
    assert not checked.failed


def test_gauge_pressure_of_the_worked_joint_stands_for_75_psi(check: Any, schedule: Any) -> None:
    # 397 psi printed: the gauge is rounded to 1 psi, worth 0.19 psi between the ends
    found = check(clean(schedule)).joints["found_interfacial"] / 6894.757293168
    assert found.tolist() == pytest.approx([75.0] * 19, abs=0.1)


# Column, value, rule, and what the reason says. The limits are those of the worked joint.
FAULTS = [
    ("heater_1_f", "399", "heater", "heater 1 399 °F, due 400 °F to 450 °F"),
    ("heater_2_f", "451", "heater", "heater 2 451 °F"),
    ("heater_3_f", "380", "heater", "heater 3 380 °F"),
    ("heater_2_f", "", "not-recorded", "no heater 2 on record"),
    ("fusion_pressure_psi", "347", "pressure", "while fusing 59.8"),  # 317 psi are 59.8 psi
    ("fusion_pressure_psi", "508", "pressure", "while fusing 90.24"),
    ("fusion_pressure_psi", "", "not-recorded", "no fusion pressure on record"),
    ("cool_pressure_psi", "300", "pressure", "while cooling 50.97"),
    ("cool_pressure_psi", "", "not-recorded", "no cool pressure on record"),
    ("drag_psi", "130", "pressure", "while fusing 56.07"),
    ("drag_psi", "-30", "pressure", "drag: -30 psi is no reading, which is always above 0"),
    ("drag_psi", "0", "pressure", "drag: 0 psi is no reading, which is always above 0"),
    ("drag_psi", "", "not-recorded", "no drag on record"),
    ("piston_area_in2", "9", "pressure", "while fusing 44.03"),
    ("piston_area_in2", "0", "pressure", "piston area: 0 in² is no reading"),
    ("piston_area_in2", "", "not-recorded", "no piston area on record"),
    ("bead_in", "0.36", "bead", "bead 0.36 in, due at least 0.375 in"),
    ("bead_in", "", "not-recorded", "no bead on record"),
    ("soak_min", "5.6", "soak", "soak 5.6 min, due at least 5.718 min"),
    ("soak_min", "", "not-recorded", "no soak on record"),
    ("removal_s", "21", "removal", "removal 21 s, due at most 20 s"),
    ("removal_s", "", "not-recorded", "no removal on record"),
    ("removal_s", "-3", "removal", "removal: -3 s is no reading"),
    ("cool_time_min", "13.9", "cool-time", "cool time 13.9 min, due at least 13.98 min"),
    ("cool_time_min", "", "not-recorded", "no cool time on record"),
    ("outside_left_in", "24", "pipe", "outside diameter left is 24 in, planned 21.6 in"),
    ("dr_right", "21", "pipe", "DR right is 21, planned 17"),
    ("material_left", "PVC", "pipe", "material left is PVC, planned PE4710"),
    ("operator", "B. Other", "qualification", "operator B. Other is not qualified on 2026-03-02"),
    ("operator", "", "not-recorded", "no operator on record"),
    ("machine", "M-8", "qualification", "machine M-8 is not qualified"),
    ("machine", "", "not-recorded", "no machine on record"),
    ("made", "2025-12-31 23:00", "qualification", "A. Quill is not qualified on 2025-12-31"),
    ("made", "2026-03-10 07:50", "after-pull", "not cooled when the pull started at 2026-03-10"),
    ("made", "2026-03-12", "after-pull", "not cooled when the pull started"),
    ("made", "", "not-recorded", "no date on record"),
    ("made", "02/03/2026 08:00", "unreadable", "is no date and time"),
    ("made", "2026-02-30 08:00", "unreadable", "is no date and time"),
    ("visual", "fail", "visual", "failed by eye"),
    ("visual", "so so", "visual", "'so so' is neither pass, fail nor cut out"),
    ("visual", "", "not-recorded", "no result by eye on record"),
    ("heater_1_f", "hot", "unreadable", "heater_1_f: 'hot' is no number"),
    ("heater_1_f", "inf", "unreadable", "heater_1_f: 'inf' is no number"),
    ("heater_1_f", "nan", "unreadable", "heater_1_f: 'nan' is no number"),
    ("drag_psi", "=30+0", "unreadable", "drag_psi: '=30+0' is no number"),
    ("cool_time_min", "14 min", "unreadable", "cool_time_min: '14 min' is no number"),
    ("cool_time_min", "1" * 400, "unreadable", "is no number"),
    ("joint_id", "A-J9", "unknown", "no such joint in the schedule"),
]


def test_a_name_reads_alike_whether_a_letter_and_its_mark_are_one_sign_or_two(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    rows[0]["operator"] = "Jo\u0308rg"  # as some file systems and programs write it
    own = {"kind": "operator", "name": "J\u00f6rg", "valid_from": "2026-01-01"}
    qualified = [*QUALIFIED, {**QUALIFIED[0], **own}]
    assert not check(rows, PULL_RECORDS, qualified).failed


def test_a_name_that_is_in_no_list_is_told_as_such(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0]["operator"], rows[1]["made"] = "B. Other", "2025-12-31 23:00"
    said = check(rows, PULL_RECORDS, QUALIFIED).joints["reasons"].tolist()
    assert "the name is nowhere in the list" in said[0]
    assert "the name is nowhere in the list" not in said[1]


@pytest.mark.parametrize("encoding", ["cp1252", "latin-1", "cp437"])
def test_a_file_that_is_utf_8_is_read_so_whatever_the_others_are(
    tmp_path: Path, encoding: str
) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes("operator,made\nJörg Ölm,1\n".encode())
    assert read_csv(path, encoding=encoding).columns["operator"].tolist() == ["Jörg Ölm"]
    path.write_bytes("operator,made\nJörg Ölm,1\n".encode(encoding, "replace"))
    assert read_csv(path, encoding=encoding).columns["operator"].tolist() == ["Jörg Ölm"]


@pytest.mark.parametrize(("column", "value", "rule", "words"), FAULTS)
def test_planted_fault_is_caught_and_nothing_else(
    check: Any, schedule: Any, column: str, value: str, rule: str, words: str
) -> None:
    rows = clean(schedule)
    rows[0][column] = value
    checked = check(rows, PULL_RECORDS, QUALIFIED, units="us")
    assert checked.failed
    assert rule in checked.rules
    table = checked.joints
    wrong = table[table["verdict"] != "pass"]
    assert set(wrong["joint_id"]) <= {"A-J1", "A-J9"}
    assert words in "; ".join(wrong["reasons"])
    assert checked.pulls["verdict"].tolist() == ["fail", "pass"]


@pytest.mark.parametrize("window", ["as due", "not known"])
@pytest.mark.parametrize(
    "column",
    [
        *("piston_area_in2", "drag_psi", "fusion_pressure_psi", "cool_pressure_psi"),
        *("bead_in", "removal_s", "cool_time_min"),
    ],
)
def test_a_joint_with_0_of_what_is_always_above_it_does_not_pass(
    check: Any, schedule: Any, column: str, window: str
) -> None:
    rows, joints = clean(schedule), schedule
    rows[0][column] = "0"
    if window == "not known":  # as ISO 21307 leaves some of it
        limits = ["interfacial_low", "interfacial_high", "bead", "soak", "removal", "cool"]
        joints = joints.assign(**dict.fromkeys(limits, np.nan))
    table = check(rows, joints=joints).joints
    assert table["verdict"].tolist() == ["fail"] + ["pass"] * 18
    words = column.rpartition("_")[0].replace("_", " ")
    assert f"{words}: 0 " in table["reasons"].iloc[0]
    assert "is no reading, which is always above 0" in table["reasons"].iloc[0]
    assert f"{words} 0" not in table["reasons"].iloc[0]  # told once


def test_what_may_be_0_passes_with_0(check: Any, schedule: Any) -> None:
    rows, joints = clean(schedule), schedule.assign(soak=0.0)  # the bead alone decides
    rows[0] |= {"soak_min": "0", "fusion_time_s": "0", "ambient_f": "0"}
    assert not check(rows, PULL_RECORDS, QUALIFIED, joints=joints).failed


def test_value_on_its_limit_passes(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0] |= {"heater_1_f": "400", "heater_2_f": "450", "removal_s": "20", "bead_in": "0.375"}
    rows[1] |= {"soak_min": "5.72", "cool_time_min": "13.98"}
    assert not check(rows, PULL_RECORDS, QUALIFIED).failed


def test_missing_and_double_joints_are_told_with_their_lines(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    checked = check([*rows[1:], rows[5]])
    table = checked.joints.set_index("joint_id")
    assert table.loc["A-J1", "verdict"] == "missing"
    assert table["verdict"].tolist().count("missing") == 1
    assert table.loc["B-J4", "reasons"] == "2 records, lines 6, 20; one is due"
    assert checked.rules == {"double": 1, "missing": 1, "joints-of-pull": 2}
    pulls = checked.pulls.set_index("pull_id")
    assert pulls.loc["A", "joints_missing"] == pulls.loc["B", "joints_failed"] == 1


def test_joint_cut_out_needs_another_record(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    cut = {**rows[0], "made": "2026-03-02 07:30", "visual": "Cut out", "heater_1_f": "200"}
    assert not check([cut, *rows]).failed  # fused anew
    assert not check([*rows, cut]).failed  # whatever the order in the file
    assert check([cut, *rows[1:]]).joints["verdict"].tolist()[0] == "missing"


LATE, NONE = "cut out on {} (line 21), no later record", "cut out (line 21), no later record"
DOUBT = "made {} (line 2), cut out {} (line 21): the dates do not say which came later"


@pytest.mark.parametrize(
    ("made", "cut", "verdict", "words"),
    [
        # A-J1 is made at 8:00 and its pull begins on 10 March
        ("2026-03-02 08:00", "2026-03-06 10:00", "missing", LATE),
        ("2026-03-02 08:00", "2026-03-20", "missing", LATE),  # after the pull
        ("2026-03-02", "2026-03-06", "missing", LATE),
        ("2026-03-02 08:00", "2026-03-02 08:00", "missing", LATE),  # the same joint, told again
        ("2026-03-02", "2026-03-02", "fail", DOUBT),
        ("2026-03-02 08:00", "2026-03-02", "fail", DOUBT),
        ("2026-03-02", "2026-03-02 07:00", "fail", DOUBT),
        ("2026-03-02 08:00", "yesterday", "fail", DOUBT),
        ("2026-03-02", "2026-03-01", "pass", ""),
        ("2026-03-02 08:00", "2026-03-01", "pass", ""),
        ("2026-03-02", "2026-03-01 23:00", "pass", ""),
    ],
)
def test_a_joint_is_there_only_by_a_record_later_than_every_cut_out_of_it(
    check: Any, schedule: Any, made: str, cut: str, verdict: str, words: str
) -> None:
    """A later cut-out leaves nothing in the pipe; two dates of one day have no order."""
    rows = clean(schedule)
    rows[0]["made"] = made
    first = {**rows[0], "made": "2026-02-27 08:00", "visual": "cut out"}  # long made anew
    checked = check([*rows, {**rows[0], "made": cut, "visual": "cut out"}, first])
    joint = checked.joints.iloc[0]
    assert joint["verdict"] == verdict
    assert words.format(*([made, cut] if words == DOUBT else [cut])) in joint["reasons"]
    assert checked.failed == (verdict != "pass")
    assert ("cut-out" in checked.rules) == (verdict != "pass")
    assert "missing" not in checked.rules  # there is a record, and what it is of is told
    assert checked.joints["verdict"].tolist()[1:] == ["pass"] * 18


def test_a_joint_made_cut_out_and_made_anew_passes_by_its_last_record(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    cut = {**rows[0], "made": "2026-03-05 09:00", "visual": "cut out"}
    anew = {**rows[0], "made": "2026-03-05 11:00"}
    checked = check([*rows, cut, anew])
    assert not checked.failed
    assert checked.joints[["records", "lines", "made"]].iloc[0].tolist() == [1, "22", anew["made"]]
    again = {**cut, "made": "2026-03-05 12:00"}
    assert check([*rows, cut, anew, again]).joints["reasons"].iloc[0] == LATE.replace(
        "21", "23"
    ).format(again["made"])
    twice = check([*rows, cut, anew, {**anew, "made": "2026-03-05 13:00"}])
    assert twice.joints["reasons"].iloc[0] == "2 records, lines 22, 23; one is due"


def test_cut_outs_are_in_order_by_instant_where_zones_are_written(
    check: Any, schedule: Any
) -> None:
    rows = zoned(clean(schedule), "-05:00")  # A-J1 at 13:00 in UTC
    cut = {**rows[0], "visual": "cut out"}
    assert not check([*rows, {**cut, "made": "2026-03-02 12:20+00:00"}]).failed
    late = check([*rows, {**cut, "made": "2026-03-02 13:30+00:00"}]).joints
    assert late["verdict"].iloc[0] == "missing"
    # of a date alone: that of the clock, 8:00 on 2 March
    assert not check([*rows, {**cut, "made": "2026-03-01"}]).failed


def test_a_joint_that_was_only_ever_cut_out_says_so(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    cut = {**rows[0], "visual": "cut out", "made": ""}
    assert check([*rows[1:], cut]).joints["reasons"].iloc[0] == NONE.replace("21", "20")


def test_a_joint_cut_out_held_its_machine_too(check: Any, schedule: Any) -> None:
    rows = clean(schedule)  # A-J1 at 8:00, B-J1 at 8:30; to cool takes 14 min, to heat 5.8
    cut = {**rows[0], "made": "2026-03-02 08:10", "visual": "cut out"}
    checked = check([*rows, cut])
    assert checked.rules == {"cut-out": 1, "machine-busy": 1, "joints-of-pull": 1}
    assert "10 min after joint A-J1:" in checked.joints["reasons"].iloc[0]
    before = check([*rows, cut | {"made": "2026-03-02 07:50"}]).joints["reasons"].iloc[0]
    assert "10 min after joint A-J1 (cut out):" in before
    # given up before it cooled: nothing of that is on record
    assert not check([*rows, cut | {"made": "2026-03-02 07:50", "cool_time_min": ""}]).failed


def bare(rows: list[dict[str, str]]) -> list[dict[str, str]]:
    return [{name: cell for name, cell in row.items() if name != "pull_mark"} for row in rows]


def issue(schedule: Any, *, marks: bool = True) -> list[dict[str, str]]:
    """The schedule as it is written, in feet."""
    named = ["joint_id", "pull_id", "carrier", *(["pull_mark"] if marks else [])]
    return [
        {name: str(row[name]) for name in named}
        | {"chainage_ft": f"{row['chainage'] / 0.3048:.4f}"}
        for row in schedule.to_dict("records")
    ]


def test_a_record_of_another_layout_of_its_pull_does_not_count(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    mark = rows[0]["pull_mark"]
    rows[0]["pull_mark"] = "QQQQQ"  # a name of the plan, of a joint that lay elsewhere
    rows[1]["pull_mark"] = f" {mark.lower()} "
    checked = check(rows)
    joint = checked.joints.iloc[0]
    assert joint[["verdict", "records"]].tolist() == ["missing", 0]
    assert joint["reasons"] == (
        f"line 2 was made for another layout of this pull (mark QQQQQ, in this plan {mark}) and is "
        "not counted; compare with the schedule as issued"
    )
    assert checked.rules == {"layout": 1, "joints-of-pull": 1}
    assert checked.joints["verdict"].tolist()[1:] == ["pass"] * 18
    assert any("made with another --tail" in note for note in checked.notes)


def test_a_record_of_this_layout_stands_beside_one_of_another(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    old = {**rows[0], "pull_mark": "QQQQQ", "heater_1_f": "200", "made": "2026-02-20 08:00"}
    cut = {**old, "visual": "cut out", "made": "2026-03-09 08:00"}  # of another joint too
    checked = check([*rows, old, cut])
    assert not checked.failed
    assert any(note.endswith("which count: line 21, 22") for note in checked.notes)


def test_records_matched_by_name_alone_are_told(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    assert not [note for note in check(rows).notes if "by name alone" in note]
    notes = [note for note in check(bare(rows)).notes if "by name alone" in note]
    assert len(notes) == 1
    assert "the 19 records were made" in notes[0]
    some = [*bare(rows[:3]), *rows[3:]]
    assert "3 of 19 records were made" in " ".join(check(some).notes)


@pytest.mark.parametrize("marks", [True, False], ids=["with marks", "by place"])
def test_the_schedule_as_issued_says_what_records_without_a_mark_are_of(
    check: Any, write_plan: PlanWriter, schedule: Any, marks: bool
) -> None:
    """The other plan has the names of this one; its pull A lies 2 m further on."""
    moved = [PULLS[0] | {"start": 12.0, "end": 42.0}, PULLS[1]]
    settings = {"pulls.piece_length": "12 m"}
    other = joint_schedule(read_plan(write_plan(moved, strings=STRINGS, settings=settings))).joints
    assert other["joint_id"].tolist() == schedule["joint_id"].tolist()
    assert (other["chainage"] - schedule["chainage"]).round(6).tolist() == [2.0] * 2 + [0.0] * 17
    rows = bare(clean(schedule))
    assert not check(rows, issued=issue(schedule, marks=marks)).failed
    checked = check(rows, issued=issue(other, marks=marks))
    assert checked.joints["verdict"].tolist() == ["missing"] * 2 + ["pass"] * 17
    assert checked.rules == {"layout": 2, "joints-of-pull": 1}
    assert not [note for note in checked.notes if "by name alone" in note]
    longer = [*issue(schedule, marks=False), issue(schedule, marks=False)[1] | {"joint_id": "A-J3"}]
    assert check(rows, issued=longer).rules == {"layout": 2, "joints-of-pull": 1}
    part = [row for row in issue(schedule, marks=marks) if row["pull_id"] == "B"]
    told = check(rows, issued=part)
    assert "2 of 19 records were made" in " ".join(told.notes)  # nothing is known of A
    assert not told.failed


def test_a_record_of_a_pull_made_for_another_layout_does_not_count(
    check: Any, schedule: Any
) -> None:
    marks = schedule.groupby("pull_id")["pull_mark"].first()
    own = [{**row, "pull_mark": marks[row["pull_id"]]} for row in PULL_RECORDS]
    assert not check(clean(schedule), own).failed
    own[1]["pull_mark"] = "QQQQQ"
    checked = check(clean(schedule), own)
    assert checked.pulls["verdict"].tolist() == ["pass", "missing"]
    assert (
        f"line 3 of the pulls was made for another layout of this pull (mark QQQQQ, in this plan "
        f"{marks['B']}) and is not counted"
    ) in checked.pulls["reasons"].iloc[1]
    assert checked.rules == {"layout": 1, "pull-missing": 1}


def test_a_pull_whose_records_name_joints_it_does_not_have_is_told_once(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    more = [{**rows[0], "joint_id": f"a-J{k}", "pull_mark": ""} for k in (3, 4, 5)]
    other = {**rows[0], "joint_id": "Z-J1", "pull_mark": ""}
    checked = check([*rows, *more, other], PULL_RECORDS)
    assert checked.joints["verdict"].tolist() == ["pass"] * 19 + ["unknown"] * 4
    assert checked.pulls["verdict"].tolist() == ["fail", "pass"]
    assert checked.pulls["reasons"].iloc[0] == (
        "3 record(s) name joints that it does not have (a-J3 to a-J5): a sign that they were made "
        "for an older layout of this pull; compare with the schedule as issued"
    )
    assert checked.rules == {"layout": 1, "unknown": 4}


def test_machines_are_held_against_all_records_when_one_pull_is_asked_for(
    plan: Any, schedule: Any, tmp_path: Path
) -> None:
    rows = clean(schedule)
    own = {row["joint_id"]: row for row in rows}
    assert own["B-J1"]["made"] == "2026-03-02 09:00"
    own["A-J1"]["made"] = "2026-03-02 09:05"
    own["B-J2"] |= {"machine": "M-8", "made": "2026-03-02 09:10"}  # the same operator

    def run(only: list[str] | None, records: list[dict[str, str]]) -> Checked:
        file = read(write(tmp_path / "r.csv", records))
        pulls = read(write(tmp_path / "p.csv", PULL_RECORDS), "pulls")
        return check_records(schedule, plan.table("pulls"), file, pull_records=pulls, only=only)

    checked = run(["A"], rows)
    assert checked.joints["pull_id"].tolist() == ["A"] * len(checked.joints)
    assert checked.pulls["pull_id"].tolist() == ["A"]
    assert checked.rules == {"machine-busy": 1, "joints-of-pull": 1}
    assert "5 min after joint B-J1" in checked.joints["reasons"].iloc[0]
    assert any("ran two machines at once" in note for note in checked.notes)
    other = run(["B"], rows)
    assert not other.failed
    assert set(other.joints["pull_id"]) == {"B"}
    both = run(None, rows).joints.set_index("joint_id")["reasons"]
    for part in (checked, other):
        apart = part.joints.set_index("joint_id")["reasons"]
        assert (both[apart.index] == apart).all()


@pytest.mark.parametrize(
    ("unit", "low", "high", "passes"),
    [
        ("c", "204", "232", True),  # as ASTM F2620 prints 400 to 450 F
        ("c", "203.9", "232", False),
        ("c", "204", "232.3", False),
        ("c", "204.4", "232.2", True),
        ("f", "400", "450", True),
        ("f", "399.5", "450", False),
        ("f", "400", "450.5", False),
    ],
)
def test_the_heater_is_held_against_limits_as_printed_in_its_unit(
    check: Any, schedule: Any, unit: str, low: str, high: str, passes: bool
) -> None:
    rows = clean(schedule)
    for row in rows:
        del row["heater_1_f"], row["heater_2_f"], row["heater_3_f"]
        row[f"heater_1_{unit}"], row[f"heater_2_{unit}"] = low, high
    assert check(rows).failed is not passes


def test_joint_between_strings_is_made_during_the_pull(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    between = next(row for row in rows if row["joint_id"] == BETWEEN)
    assert schedule.set_index("joint_id").loc[BETWEEN, "intermediate"]
    for made, rule in (
        ("2026-03-11 07:00", "before-pull"),
        ("2026-03-11 15:50", "after-pull"),
        ("2026-03-11", None),  # some time that day
        ("2026-03-10", "before-pull"),
    ):
        between["made"] = made
        rules = check(rows, PULL_RECORDS).rules
        assert set(rules) - {"joints-of-pull"} == ({rule} if rule else set())


def test_joint_of_a_later_string_may_be_made_until_it_is_joined_on(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    last = rows[-1]  # in the second string of its pull, joined on at noon
    for made, good in (("2026-03-11 11:40", True), ("2026-03-11 11:50", False)):
        last["made"] = made
        checked = check(rows, PULL_RECORDS)
        assert checked.failed != good
    assert "string was joined on at 2026-03-11 12:00" in checked.joints["reasons"].iloc[-1]


def test_qualification_ends_with_its_last_day(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    for made, good in (("2026-06-30 22:00", True), ("2026-07-01 00:10", False)):
        rows[0]["made"] = made
        assert check(rows, None, QUALIFIED).failed != good
    later = [{**row, "valid_from": "2026-07-01", "valid_until": "2026-12-31"} for row in QUALIFIED]
    assert not check(rows, None, [*QUALIFIED, *later]).failed  # renewed


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"kind": "Operators"}, "line 2: its kind is neither operator nor machine"),
        ({"valid_until": ""}, "line 2: its first or last day is missing"),
        ({"valid_from": "last year"}, "line 2: valid_from: 'last year' is no date"),
        ({"name": ""}, "line 2: it has no name"),
        ({"valid_from": "2026-07-01"}, "line 2: its last day is before its first"),
    ],
)
def test_qualification_that_says_nothing_is_refused(
    check: Any, schedule: Any, change: dict[str, str], why: str
) -> None:
    with pytest.raises(LayerError, match=why):
        check(clean(schedule), None, [{**QUALIFIED[0], **change}, QUALIFIED[1]])


@pytest.mark.parametrize(
    ("change", "rule", "words"),
    [
        ({"force_kn": "101"}, "pull-force", "force 101.0 kN, allowed 100.0 kN"),
        ({"length_m": "31"}, "pull-length", "length 31.0 m, planned 30.0 m"),
        ({"ended": "2026-03-10 07:00"}, "pull-times", "ended before it started"),
        ({"ended": ""}, "pull-times", "no start and end"),
        ({"ended": "noon"}, "unreadable", "'noon' is no date"),
        ({"length_m": "long"}, "unreadable", "'long' is no number"),
    ],
)
def test_fault_of_a_pull_is_caught(
    check: Any, schedule: Any, change: dict[str, str], rule: str, words: str
) -> None:
    checked = check(clean(schedule), [{**PULL_RECORDS[0], **change}, PULL_RECORDS[1]])
    assert rule in checked.rules
    assert checked.pulls["verdict"].tolist() == ["fail", "pass"]
    assert words in checked.pulls["reasons"].iloc[0]
    assert checked.failed


def test_measured_pulls_stand_beside_those_planned(check: Any, schedule: Any) -> None:
    measured = [
        {**PULL_RECORDS[0], "length_m": "30.2", "force_kn": "61.5"},
        {**PULL_RECORDS[1], "length_m": "199", "force_kn": "40"},
    ]
    checked = check(clean(schedule), measured)
    assert not checked.failed
    assert checked.pulls["found_length"].tolist() == pytest.approx([30.2, 199.0])
    assert checked.pulls["found_force"].tolist() == pytest.approx([61.5e3, 40e3])
    assert checked.pulls["started"].tolist() == ["2026-03-10 08:00", "2026-03-11 08:00"]


def test_one_machine_is_at_one_joint_at_a_time(check: Any, schedule: Any) -> None:
    # 14 min to cool and 5.8 min to heat: 19.8 min from joint to joint
    rows = clean(schedule)
    for made, good in (("2026-03-02 08:19", True), ("2026-03-02 08:18", False)):
        rows[1]["made"] = made
        checked = check(rows)
        assert checked.failed != good
        rules = set() if good else {"machine-busy", "joints-of-pull"}
        assert set(checked.rules) == rules
    assert checked.joints["reasons"].iloc[1] == (
        "made 2026-03-02 08:18 on machine M-7, 18 min after joint A-J1: to cool that one and heat "
        "this one takes 19.8 min"
    )
    rows[1]["machine"] = "m-7 "  # the same
    assert check(rows).failed
    rows[1] |= {"machine": "M-8", "operator": "B. Other"}
    assert not check(rows).failed


def test_what_is_not_on_record_is_taken_from_the_schedule(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0]["cool_time_min"], rows[1]["soak_min"] = "", ""
    rows[1]["made"] = "2026-03-02 08:18"
    assert "takes 19.7 min" in check(rows).joints["reasons"].iloc[1]


def test_all_joints_of_one_machine_in_one_minute_are_told(check: Any, schedule: Any) -> None:
    rows = [{**row, "made": "2026-03-02 07:00"} for row in clean(schedule)]
    checked = check(rows)
    assert checked.rules["machine-busy"] == 18  # all but the first
    days = [{**row, "made": "2026-03-02"} for row in rows]  # 19 joints are 6 h of a day
    assert not check(days).failed
    slow = [{**row, "cool_time_min": "80"} for row in days]
    checked = check(slow)
    assert checked.rules["machine-busy"] == 19
    assert checked.joints["reasons"].iloc[3] == (
        "one of 19 joints on 2026-03-02 by machine M-7: to heat and cool them takes 27 h"
    )


def test_a_record_that_stands_twice_is_not_two_joints_of_a_machine(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    assert set(check([*rows, rows[3]]).rules) == {"double", "joints-of-pull"}


def test_an_operator_at_two_machines_is_a_word_and_no_fault(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[1] |= {"machine": "M-8", "made": "2026-03-02 08:10"}
    checked = check(rows)
    assert not checked.failed
    assert checked.notes[0] == (
        "operator A. Quill ran two machines at once (1 time(s)): joint A-J1 on M-7 at 2026-03-02 "
        "08:00 still cooled when joint A-J2 was begun on M-8, made 2026-03-02 08:10; ask whether "
        "both were watched"
    )
    rows[1]["operator"] = "B. Other"
    assert not [note for note in check(rows).notes if "two machines" in note]


def test_many_operators_at_two_machines_are_told_in_few_words(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    day = np.datetime64("2026-03-02T08:00")
    rows = [row | {"machine": f"M-{k % 2}", "operator": f"badge {k // 2}"}
            for k, row in enumerate(rows)]  # fmt: skip
    for k, row in enumerate(rows):
        row["made"] = str(day + np.timedelta64(k // 2, "D") + np.timedelta64(5 * (k % 2), "m"))
    every = [note for note in check(rows).notes if "two machines" in note]
    assert len(every) == len(rows) // 2 and "operator badge 0 ran" in every[0]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(times, "OPERATORS", 3)
        notes = [note for note in check(rows).notes if "two machines" in note]
    assert notes[:3] == every[:3]
    assert notes[3].startswith(f"{len(every) - 3} more operators ran two machines at once (")


def test_strings_are_joined_on_in_their_order(write_plan: PlanWriter, tmp_path: Path) -> None:
    strings = [
        {"string_id": f"A{k}", "pull_id": "A", "number": k, "length": 10.0} for k in (1, 2, 3)
    ]
    plan = read_plan(write_plan(PULLS[:1], strings=strings))
    joints = joint_schedule(plan).joints
    assert joints["intermediate"].tolist() == [True, True]

    def held(*times: str) -> Checked:
        rows = [
            {"joint_id": name, **CLEAN, "made": made}
            for name, made in zip(joints["joint_id"], times, strict=True)
        ]
        return check_records(joints, plan.table("pulls"), read(write(tmp_path / "r.csv", rows)))

    assert not held("2026-03-10 09:00", "2026-03-10 10:00").failed
    assert not held("2026-03-10 09:00", "2026-03-10").failed  # some time that day
    turned = held("2026-03-10 10:00", "2026-03-10 09:00")
    assert turned.rules == {"joints-of-pull": 1, "string-order": 1}
    assert turned.joints["reasons"].tolist() == [
        "",
        "made 2026-03-10 09:00, before the joint of an earlier string of the pull, made "
        "2026-03-10 10:00: strings are joined on in the order of their numbers",
    ]


def test_days_to_come_are_told(plan: Any, schedule: Any, tmp_path: Path) -> None:
    rows = clean(schedule)
    rows[0]["made"] = "2062-03-02 08:00"
    pulls = [PULL_RECORDS[0], {**PULL_RECORDS[1], "ended": "2126-03-11"}]

    def held(now: str | None) -> Checked:
        return check_records(
            schedule,
            plan.table("pulls"),
            read(write(tmp_path / "r.csv", rows)),
            pull_records=read(write(tmp_path / "p.csv", pulls), "pulls"),
            now=None if now is None else np.datetime64(now),
        )

    checked = held("2026-03-12T10:00")
    assert checked.rules["future"] == 1
    assert (
        "made 2062-03-02 08:00, after the day of this check (2026-03-12)"
        in (checked.joints["reasons"].iloc[0])
    )
    assert checked.rules["pull-times"] == 1
    assert checked.pulls["reasons"].iloc[1] == (
        "dated 2126-03-11, after the day of this check (2026-03-12)"
    )
    assert "future" not in held("2062-03-01T08:00").rules  # the site may be a zone ahead
    assert "future" not in held(None).rules


@pytest.mark.parametrize(
    ("made", "past"),
    [
        ("1970-01-01 00:05", True),  # a clock that lost its time
        ("1980-01-01", True),
        ("2000-01-01 00:00", True),
        ("0026-03-02 08:00", True),  # a year of two digits
        ("2002-03-02 08:00", False),
    ],
)
def test_days_before_there_was_any_such_plan_are_told(
    check: Any, schedule: Any, made: str, past: bool
) -> None:
    rows = clean(schedule)
    rows[0]["made"] = made
    pulls = [PULL_RECORDS[0], {**PULL_RECORDS[1], "ended": made}]
    checked = check(rows, pulls)
    assert checked.rules.get("past", 0) == past
    reason = f"made {made}: no joint of a plan is that old; see whether a clock was wrong"
    assert checked.joints["reasons"].iloc[0] == (reason if past else "")
    said = f"dated {made}: no pull of a plan is that old" in checked.pulls["reasons"].iloc[1]
    assert said == past
    cut = {**clean(schedule)[0], "made": made, "visual": "cut out"}  # who knows when that was
    assert ("cut-out" in check([*clean(schedule), cut]).rules) == past


def test_a_date_that_cannot_be_read_is_told_once(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0]["made"] = "2026-02-30 08:00"
    pulls = [{**PULL_RECORDS[0], "ended": "2026-02-30"}, PULL_RECORDS[1]]
    checked = check(rows, pulls)
    for told in (checked.joints["reasons"].iloc[0], checked.pulls["reasons"].iloc[0]):
        assert told.count("2026-02-30") == 1
        assert "on record" not in told
    assert {"not-recorded", "pull-times"}.isdisjoint(checked.rules)


BENT = {"governed_by": "bend", "governing_chainage": 25.0, "governing_force": 38e3,
        "governing_limit": 38.5e3}  # fmt: skip


@pytest.mark.parametrize(
    ("force", "words"),
    [
        ("49", ""),
        ("50", ""),
        ("51", ""),  # 38.76 kN: no gauge tells it from 38.5
        (
            "60",
            "force 60.0 kN where 50.0 kN was planned; as much more in the bend at 25.0 m makes "
            "45.6 kN, allowed there 38.5 kN",
        ),
    ],
)
def test_force_at_the_head_is_held_against_the_bend_that_governs(
    write_plan: PlanWriter, schedule: Any, tmp_path: Path, force: str, words: str
) -> None:
    plan = read_plan(write_plan([{**PULLS[0], **BENT}, PULLS[1]], strings=STRINGS))
    measured = [{**PULL_RECORDS[0], "force_kn": force}, {**PULL_RECORDS[1], "force_kn": "99"}]
    checked = check_records(
        schedule,
        plan.table("pulls"),
        read(write(tmp_path / "r.csv", clean(schedule))),
        pull_records=read(write(tmp_path / "p.csv", measured), "pulls"),
    )
    assert checked.pulls["reasons"].tolist() == [words, ""]  # B is not governed by a bend


def test_lengths_are_added_up_over_the_run(check: Any, schedule: Any) -> None:
    # each within 1 % or 0.5 m of its own, together 2.4 of 230 m off, and 2.3 m allowed
    pulls = [{**PULL_RECORDS[0], "length_m": "30.45"}, {**PULL_RECORDS[1], "length_m": "201.95"}]
    checked = check(clean(schedule), pulls)
    assert checked.rules == {"pull-length": 2}
    assert (
        "all pulls of the run together 232.4 m, planned 230.0 m" in checked.pulls["reasons"].iloc[0]
    )


TAILS = pd.Series({"A": 3.0, "B": 4.0})


@pytest.mark.parametrize(
    ("lengths", "reasons", "note"),
    [
        (("30", "200"), ["", ""], False),
        (("33", "204"), ["", ""], True),  # the whole string
        (("31.5", "202"), ["", ""], True),  # the tail of one end
        (("34", "204"), ["length 34.0 m, planned 30.0 m, 33.0 m with its tails", ""], True),
        (("29", "200"), ["length 29.0 m, planned 30.0 m, 33.0 m with its tails", ""], False),
    ],
)
def test_measured_lengths_may_hold_the_tails_and_that_is_said(
    plan: Any,
    schedule: Any,
    tmp_path: Path,
    lengths: tuple[str, str],
    reasons: list[str],
    note: bool,
) -> None:
    pulls = [{**row, "length_m": m} for row, m in zip(PULL_RECORDS, lengths, strict=True)]
    checked = check_records(
        schedule,
        plan.table("pulls"),
        read(write(tmp_path / "r.csv", clean(schedule))),
        pull_records=read(write(tmp_path / "p.csv", pulls), "pulls"),
        tails=TAILS,
    )
    assert checked.pulls["reasons"].tolist() == reasons
    told = [text for text in checked.notes if "taken to be with the tails" in text]
    assert bool(told) == note
    if lengths[0] == "33":
        assert told[0] == (
            "2 measured length(s) taken to be with the tails left out of the host, such as A: "
            "33.0 m, planned 30.0 m, 33.0 m with its tails"
        )


def test_a_pull_too_short_does_not_fail_the_others_of_its_run(check: Any, schedule: Any) -> None:
    pulls = [{**PULL_RECORDS[0], "length_m": "30"}, {**PULL_RECORDS[1], "length_m": "150"}]
    checked = check(clean(schedule), pulls)
    assert checked.pulls["verdict"].tolist() == ["pass", "fail"]
    assert checked.pulls["reasons"].tolist() == ["", "length 150.0 m, planned 200.0 m"]


def test_pull_without_a_record_is_missing(check: Any, schedule: Any) -> None:
    checked = check(clean(schedule), PULL_RECORDS[:1])
    assert checked.pulls["verdict"].tolist() == ["pass", "missing"]
    assert checked.rules == {"pull-missing": 1}


def test_a_second_record_of_a_pull_and_one_of_another_job_are_told_and_the_rest_is_checked(
    check: Any, schedule: Any, tmp_path: Path
) -> None:
    # the second record of A has too much force, and would let joints be made a day later
    late = {"started": "2026-03-11 08:00", "ended": "2026-03-11 09:00"}
    strange = {**PULL_RECORDS[0], "pull_id": "C"}
    pulls = [*PULL_RECORDS, {**PULL_RECORDS[0], **late, "force_kn": "101"}, strange]
    rows = clean(schedule)
    rows[0]["made"] = "2026-03-10 07:50"  # late by the first record, in time by the second
    checked = check(rows, pulls, QUALIFIED)
    assert checked.failed
    table = checked.pulls.set_index("pull_id")
    assert table["verdict"].to_dict() == {"A": "fail", "B": "pass", "C": "unknown"}
    assert table.loc["A", "reasons"] == (
        "2 records, lines 2, 4; one is due; force 101.0 kN, allowed 100.0 kN"
    )
    assert table.loc["C", "reasons"] == "line 5: there is no such pull in the plan"
    assert table.loc["C", "found_force"] == pytest.approx(61e3)
    assert checked.rules == {"double": 1, "pull-force": 1, "unknown": 1}
    assert set(checked.joints["verdict"]) == {"pass"}  # nobody is blamed for what may be right
    write_report(tmp_path / "c.pdf", checked, plan="p", records="r", units="si")


@pytest.mark.parametrize("dress", [{}, {"length_m": "", "force_kn": ""}], ids=["absent", "blank"])
def test_a_pull_whose_length_or_force_is_not_on_record_does_not_pass(
    check: Any, schedule: Any, dress: dict[str, str]
) -> None:
    times = ("pull_id", "started", "ended")
    pulls = [{name: row[name] for name in times} | dress for row in PULL_RECORDS]
    checked = check(clean(schedule), pulls)
    assert checked.pulls["verdict"].tolist() == ["fail", "fail"]
    assert checked.pulls["reasons"].tolist() == ["no length on record; no force on record"] * 2
    assert checked.rules == {"not-recorded": 2}
    half = check(clean(schedule), [PULL_RECORDS[0], {**PULL_RECORDS[1], "force_kn": ""}])
    assert half.pulls["reasons"].tolist() == ["", "no force on record"]
    # with no file of pulls nothing of them is held against anyone, and that is said
    without = check(clean(schedule))
    assert without.pulls["verdict"].tolist() == ["not checked", "not checked"]
    assert not without.failed
    assert "times and measured lengths of pulls were not checked (none given)" in without.notes


@pytest.mark.parametrize("force", ["0", "-5"])
def test_a_force_that_is_none_is_no_measurement(check: Any, schedule: Any, force: str) -> None:
    checked = check(clean(schedule), [{**PULL_RECORDS[0], "force_kn": force}, PULL_RECORDS[1]])
    assert checked.pulls["reasons"].tolist() == [
        f"force: {float(force):.1f} kN is no reading, which is always above 0; give what was "
        "measured, or leave the cell empty",
        "",
    ]


@pytest.mark.parametrize(
    ("force", "allowed", "told"),
    [
        # whole pounds, the limit cut off: 55,879.6 lbf may not be read as 55,880
        (55_880.0, 55_879.6, "force 55,880 lbf, allowed 55,879 lbf"),
        (12_562.4, 12_562.3, "force 12,563 lbf, allowed 12,562 lbf"),
        (12_562.0, 12_561.7, "force 12,562 lbf, allowed 12,561 lbf"),
    ],
)
def test_a_force_beyond_its_limit_reads_as_more_than_it_to_the_pound(
    write_plan: PlanWriter, tmp_path: Path, force: float, allowed: float, told: str
) -> None:
    lbf = 4.4482216152605
    plan = read_plan(
        write_plan([{**PULLS[0], "allowable": allowed * lbf}, PULLS[1]], strings=STRINGS)
    )
    joints = joint_schedule(plan).joints
    pulls = [{**PULL_RECORDS[0], "force_kn": f"{force * lbf / 1e3:.9f}"}, PULL_RECORDS[1]]
    checked = check_records(
        joints,
        plan.table("pulls"),
        read(write(tmp_path / "r.csv", clean(joints))),
        pull_records=read(write(tmp_path / "p.csv", pulls), "pulls"),
        units="us",
    )
    assert told in checked.pulls["reasons"].iloc[0]


def test_identifiers_are_matched_whatever_their_case(check: Any, schedule: Any) -> None:
    rows = [{**row, "joint_id": f" {row['joint_id'].lower()}"} for row in clean(schedule)]
    between = next(row for row in rows if row["joint_id"].strip() == BETWEEN.lower())
    assert between["made"] == "2026-03-11 12:00"
    pulls = [{**row, "pull_id": row["pull_id"].lower()} for row in PULL_RECORDS]
    checked = check(rows, pulls)
    assert not checked.failed
    assert checked.joints["joint_id"].tolist() == schedule["joint_id"].tolist()
    doubled = check([*rows, clean(schedule)[0]], pulls)
    assert doubled.rules == {"double": 1, "joints-of-pull": 1}


@pytest.mark.parametrize(
    "written",
    ["B-J01", "B-j001", "b\u2013J1", "B\u2011J1", "B\u2212J1", "B-J1\u200b", "B-\u00adJ1",
     "B -\u00a0J 1", "\uff22-J\uff11"],
)  # fmt: skip
def test_signs_that_look_alike_and_leading_zeros_do_not_count_and_are_told(
    check: Any, schedule: Any, written: str
) -> None:
    rows = clean(schedule)
    assert rows[2]["joint_id"] == "B-J1"
    rows[2]["joint_id"] = written
    checked = check(rows, PULL_RECORDS, QUALIFIED)
    assert not checked.failed
    assert checked.notes == (
        f"joint numbers not written as in the schedule: {written!r} was read as B-J1 (line 4); see "
        "that they are meant",
    )
    # of two joints that differ in such signs alone neither is meant
    twin = schedule.replace({"joint_id": {"B-J2": "B-J0001"}})
    told = check(rows, joints=twin).joints.set_index("joint_id")["verdict"]
    assert (told["B-J1"], told[written]) == ("missing", "unknown")


def test_a_row_that_names_no_joint_is_told_as_such(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    sums = dict.fromkeys(rows[0], "") | {"bead_in": "7.6", "joint_id": "-"}
    checked = check([*rows, sums | {"joint_id": ""}, sums], [*PULL_RECORDS, {"force_kn": "131"}])
    assert checked.joints["reasons"].tolist()[19:] == [
        "line 21 names no joint; is it a row of units or of sums?",
        "line 22: there is no such joint in the schedule; of one added on site write yes in a "
        "column added, and the mark of its pull",
    ]
    assert checked.pulls["reasons"].tolist()[2:] == [
        "line 4 names no pull; is it a row of units or of sums?"
    ]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize(
    ("title", "line"),
    [("Joint log", 2), ("Joint log,,,,", 2), ("Log of joints\n2 March 2026", 3), ("\n\nLog", 4)],
)
def test_a_title_above_the_header_is_told(
    tmp_path: Path, schedule: Any, delimiter: str, title: str, line: int
) -> None:
    path = tmp_path / "r.csv"
    path.write_text(f"{title}\n{as_text(clean(schedule), delimiter)}", encoding="utf-8")
    first = 3 if title.startswith("\n") else 1
    words = f"line {first} looks like a title and line {line} like the header"
    with pytest.raises(LayerError, match=words):
        read(path)


def test_identifiers_that_differ_in_case_alone_are_matched_to_the_letter(
    check: Any, schedule: Any
) -> None:
    joints = schedule.copy()
    joints.loc[1, "joint_id"] = "a-j1"  # beside A-J1
    rows = clean(joints)
    assert not check(rows, joints=joints).failed
    checked = check([{**rows[0], "joint_id": "a-J1"}, *rows[1:]], joints=joints)
    verdicts = checked.joints.set_index("joint_id")["verdict"]
    assert verdicts[["A-J1", "a-j1", "a-J1"]].tolist() == ["missing", "pass", "unknown"]


def test_pipe_without_a_window_never_passes(check: Any, write_plan: PlanWriter) -> None:
    path = write_plan(
        PULLS,
        strings=STRINGS,
        carrier="20 in DIPS DR 18 PVC",
        settings={"pulls.piece_length": "12 m"},
        name="pvc.gpkg",
    )
    pvc = joint_schedule(read_plan(path)).joints
    rows = [
        {**row, "dr_left": "18", "dr_right": "18", "material_left": "PVC", "material_right": "PVC"}
        for row in clean(pvc)
    ]
    checked = check(rows, joints=pvc)
    assert set(checked.joints["verdict"]) == {"fail"}
    assert checked.rules == {"no-window": 19, "joints-of-pull": 2}


def test_times_with_and_without_a_zone_do_not_meet(check: Any, schedule: Any) -> None:
    zoned = [
        {**row, "started": row["started"] + "Z", "ended": row["ended"] + "+01:00"}
        for row in PULL_RECORDS
    ]
    with pytest.raises(LayerError, match="no zone"):
        check(clean(schedule), zoned)
    rows = clean(schedule)
    rows[0]["made"] += "Z"
    with pytest.raises(LayerError, match="some times have a zone"):
        check(rows)


def zoned(rows: list[dict[str, str]], zone: str) -> list[dict[str, str]]:
    """Records with their times as that zone's clock shows them."""
    times = ("made", "started", "ended")
    return [{k: v + zone if k in times else v for k, v in row.items()} for row in rows]


# Early or late enough in the day for UTC to have another date.
@pytest.mark.parametrize(("clock", "zone"), [("17:30", "-07:00"), ("05:00", "+0900")])
def test_a_day_of_qualification_is_that_of_the_clock_on_site(
    check: Any, schedule: Any, clock: str, zone: str
) -> None:
    rows = clean(schedule)
    rows[0]["made"] = f"2026-03-05 {clock}"
    rows = zoned(rows, zone)
    utc = datetime.fromisoformat(rows[0]["made"]).astimezone(UTC)
    assert utc.date() != date(2026, 3, 5)
    for first, last in (("03-05", "03-05"), ("03-06", "03-06"), ("03-04", "03-04")):
        own = {"name": "Own", "valid_from": f"2026-{first}", "valid_until": f"2026-{last}"}
        rows[0]["operator"] = "Own"
        checked = check(rows, zoned(PULL_RECORDS, zone), [*QUALIFIED, {"kind": "operator", **own}])
        held = checked.joints["reasons"].iloc[0]
        if first == "03-05":
            assert not checked.failed
        else:
            assert held == f"operator Own is not qualified on {rows[0]['made']}"


def test_a_pull_dated_without_a_time_was_on_that_day_of_the_site(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0]["made"] = "2026-03-10 21:10"  # 04:10 of the day after in UTC
    rows = zoned(rows, "-07:00")
    pulls = [{**PULL_RECORDS[0], "started": "2026-03-10", "ended": "2026-03-10"}]
    pulls += zoned(PULL_RECORDS[1:], "-07:00")
    assert not check(rows, pulls).failed
    for name in ("started", "ended"):
        pulls[0][name] = "2026-03-09"
    assert check(rows, pulls).joints["reasons"].iloc[0] == (
        "made 2026-03-10 21:10-07:00, not cooled when the pull started on 2026-03-09"
    )
    # and joints dated without a time, beside a pull that has one: 23:30 of the ninth on site
    rows[0]["made"] = "2026-03-10"
    pulls[0] |= {"started": "2026-03-09T23:30-07:00", "ended": "2026-03-10T02:00-07:00"}
    assert check(rows, pulls).rules.get("after-pull") == 1
    rows[0]["made"] = "2026-03-09"
    assert not check(rows, pulls).failed


def test_times_of_two_zones_are_held_as_instants_and_told_as_written(
    check: Any, schedule: Any
) -> None:
    rows = clean(schedule)
    rows[0]["made"] = "2026-03-10 08:30"
    rows = zoned(rows, "+01:00")
    # made at 07:30 UTC; it must cool for 13 min 59 s
    for started, good in (("2026-03-10T07:44Z", True), ("2026-03-10T02:43-05:00", False)):
        pulls = [{**PULL_RECORDS[0], "started": started, "ended": "2026-03-10T09:00Z"}]
        checked = check(rows, pulls + zoned(PULL_RECORDS[1:], "+01:00"))
        assert checked.failed != good
    assert checked.joints["reasons"].iloc[0] == (
        f"made 2026-03-10 08:30+01:00, not cooled when the pull started at {started}"
    )


def test_strings_joined_on_are_in_order_by_the_clock_on_site(
    write_plan: PlanWriter, tmp_path: Path
) -> None:
    strings = [
        {"string_id": f"B{n}", "pull_id": "B", "number": n, "length": 70.0} for n in (1, 2, 3)
    ]
    plan = read_plan(
        write_plan([PULLS[1]], strings=strings, settings={"pulls.piece_length": "12 m"})
    )
    joints = joint_schedule(plan).joints
    rows = [{"joint_id": name, **CLEAN} for name in joints["joint_id"]]
    first, second = np.flatnonzero(joints["intermediate"])
    for one, two, rules in (
        ("2026-03-11T23:00-07:00", "2026-03-11", {}),  # the twelfth already in UTC
        ("2026-03-11T23:00-07:00", "2026-03-10", {"string-order": 1}),
        ("2026-03-11T23:00-07:00", "2026-03-12T05:30Z", {"string-order": 1}),
        ("2026-03-11T23:00-07:00", "2026-03-12T06:30Z", {}),
    ):
        rows[first]["made"], rows[second]["made"] = one, two
        own = [row for k, row in enumerate(rows) if k in (first, second)]
        checked = check_records(joints, plan.table("pulls"), read(write(tmp_path / "r.csv", own)))
        assert {k: v for k, v in checked.rules.items() if k == "string-order"} == rules
        if rules:
            assert f"an earlier string of the pull, made {one}" in "".join(
                checked.joints["reasons"]
            )


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("%d.%m.%Y %H:%M %z", "05.03.2026 23:30 -0700"),
        ("%z %d.%m.%Y %H:%M", "-07:00 05.03.2026 23:30"),
    ],
)
def test_a_zone_in_a_format_of_ones_own_is_that_of_the_clock(
    schedule: Any, tmp_path: Path, form: str, text: str
) -> None:
    rows = clean(schedule)[:1]
    rows[0]["made"] = text
    table = read(write(tmp_path / "r.csv", rows), date_format=form).table
    assert table["made_from"].iloc[0] == pd.Timestamp("2026-03-06 06:30")
    assert table["made_ahead"].iloc[0] == pd.Timedelta(hours=-7)


def test_the_pull_waits_as_long_as_the_joint_really_cooled(check: Any, schedule: Any) -> None:
    rows = clean(schedule)
    rows[0] |= {"made": "2026-03-10 07:30", "cool_time_min": "60"}  # 14 min are due
    checked = check(rows, PULL_RECORDS)
    assert checked.rules == {"after-pull": 1, "joints-of-pull": 1}
    rows[0]["cool_time_min"] = "30"
    assert not check(rows, PULL_RECORDS).failed


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ("%m/%d/%Y %H:%M %p", "without %I"),
        ("%m/%d/%Y %I:%M", "without %p"),
        ("mixed", "says nothing"),
        ("%H:%M", r"no day \(%d\) and no month \(%m\) and no year \(%Y\)"),
        ("%d.%m. %H:%M", r"has no year \(%Y\), and would"),
        ("%d %Y", r"has no month \(%m\), and would"),
        ("%B %Y", r"has no day \(%d\), and would"),
        ("%j %H:%M", r"has no year \(%Y\), and would"),
        ("%Y week %W", r"has no day \(%d\) and no month"),
        ("%d.%m.%Y %H:%M %Z", r"names of zones.*write offsets such as \+0200, and %z"),
    ],
)
def test_a_format_that_would_lose_part_of_the_day_or_date_is_refused(
    schedule: Any, tmp_path: Path, form: str, words: str
) -> None:
    path = write(tmp_path / "r.csv", clean(schedule))
    with pytest.raises(LayerError, match=words):
        read(path, date_format=form)


# --- the file itself ------------------------------------------------------------------------


def as_text(rows: list[dict[str, str]], delimiter: str = ",") -> str:
    stream = io.StringIO()
    writer = csv.DictWriter(stream, list(rows[0]), delimiter=delimiter)
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue()


def german(rows: list[dict[str, str]]) -> str:
    """Decimal commas between semicolons."""
    return as_text(
        [
            {k: v.replace(".", ",") if re.fullmatch(r"[\d.]+", v) else v for k, v in row.items()}
            for row in rows
        ],
        ";",
    )


@pytest.mark.parametrize(
    "dress",
    [
        lambda rows: as_text(rows).encode(),
        lambda rows: as_text(rows).encode("utf-8-sig"),
        lambda rows: as_text(rows).encode("utf-16"),
        lambda rows: as_text(rows, "\t").encode(),
        lambda rows: as_text(rows, "|").encode(),
        lambda rows: german(rows).encode(),
        lambda rows: b"sep=;\r\n" + german(rows).encode(),
        lambda rows: as_text(rows).replace("\r\n", "\n\n , , \n\n").encode(),
        lambda rows: as_text(rows).replace("\r\n", ",,,\r\n").encode(),
        lambda rows: as_text(rows).replace("\r\n", "\r").encode(),
        lambda rows: as_text([{k: f"  {v} " for k, v in row.items()} for row in rows]).encode(),
        lambda rows: as_text([{f" {k.upper()}": v for k, v in r.items()} for r in rows]).encode(),
    ],
    ids=[
        "utf-8", "byte-order mark", "utf-16", "tabs", "bars", "decimal commas", "sep line",
        "blank lines", "empty columns behind", "old line ends", "blanks", "capitals",
    ],
)  # fmt: skip
def test_same_records_in_any_dress(
    plan: Any, schedule: Any, tmp_path: Path, dress: Callable[[Any], bytes]
) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes(dress(clean(schedule)))
    checked = check_records(schedule, plan.table("pulls"), read(path))
    assert not checked.failed
    assert len(checked.joints) == 19


def test_other_columns_are_mapped(plan: Any, schedule: Any, tmp_path: Path) -> None:
    rows = [
        {
            {"drag_psi": "P 0 [bar]", "joint_id": "Weld"}.get(k, k): (
                str(30 * 0.0689476) if k == "drag_psi" else v
            )
            for k, v in row.items()
        }
        for row in clean(schedule)
    ]
    path = write(tmp_path / "r.csv", rows)
    with pytest.raises(LayerError) as caught:
        read(path)
    assert "no column joint_id" in str(caught.value)
    assert "no column drag_kpa or drag_psi or drag_bar" in str(caught.value)
    pairs = parse_pairs(["drag_bar=P 0 [bar]", "joint_id = Weld"])
    records = read(path, columns=pairs)
    assert not check_records(schedule, plan.table("pulls"), records).failed
    toml = tmp_path / "map.toml"
    toml.write_text('[records]\ndrag_bar = "P 0 [bar]"\njoint_id = "Weld"\n', encoding="utf-8")
    assert read_map(toml) == {"records": pairs}


@pytest.mark.parametrize(
    ("columns", "why"),
    [
        ({"drag": "drag_psi"}, "there is no column drag; did you mean drag_"),
        ({"drag_bar": "Drag"}, "no column Drag; did you mean drag_psi"),
    ],
)
def test_mapping_that_leads_nowhere_is_an_error(
    schedule: Any, tmp_path: Path, columns: dict[str, str], why: str
) -> None:
    with pytest.raises(LayerError, match=re.escape(why)):
        read(write(tmp_path / "r.csv", clean(schedule)), columns=columns)


@pytest.mark.parametrize("pair", ["drag_psi", "=x", "drag_psi=", ""])
def test_pair_that_is_none_is_an_error(pair: str) -> None:
    with pytest.raises(LayerError, match="not of the form ours=theirs"):
        parse_pairs([pair])


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("[joints]\na = 'b'", "joints: is not a table of columns"),
        ("records = 3", "records: is not a table"),
        ("[records]\ndrag_psi = 3", "records.drag_psi: 3 is not the name of a column"),
        ("[records", "not valid TOML"),
    ],
)
def test_map_file_with_faults_is_refused(tmp_path: Path, text: str, why: str) -> None:
    path = tmp_path / "map.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match=re.escape(why)):
        read_map(path)


def test_columns_alike_but_for_case_are_refused_by_name(schedule: Any, tmp_path: Path) -> None:
    rows = [{**row, "cool_time_min": "1", "Cool time min": "14"} for row in clean(schedule)]
    path = write(tmp_path / "r.csv", rows)
    with pytest.raises(LayerError, match="'cool_time_min' and 'Cool time min' are one and"):
        read(path)
    for name, minutes in (("cool_time_min", 1), ("Cool time min", 14)):
        table = read(path, columns={"cool_time_min": name}).table
        assert set(table["cool_time"]) == {60.0 * minutes}
    with pytest.raises(LayerError, match="columns cool_time_min and Cool time min are one"):
        read(path, columns={"cool_time_min": "cool_time_min", "cool_time_s": "Cool time min"})


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(("chosen", "pascals"), [("drag_kpa", 2e5), ("drag_psi", 30 * 6894.757293)])
def test_of_two_units_of_a_column_the_one_mapped_is_read_whichever_comes_first(
    schedule: Any, tmp_path: Path, chosen: str, pascals: float, order: int
) -> None:
    rows = [dict([*row.items(), ("drag_kpa", "200")][::order]) for row in clean(schedule)]
    path = write(tmp_path / "r.csv", rows)
    records = read(path, columns={chosen: chosen})
    assert records.table["drag"].to_numpy() == pytest.approx(pascals)
    assert records.unused == tuple({"drag_kpa", "drag_psi"} - {chosen})
    with pytest.raises(LayerError) as caught:
        read(path)
    say = "are one and the same; say which with --map drag_kpa=drag_kpa or --map drag_psi=drag_psi"
    assert str(caught.value).endswith(say)
    with pytest.raises(LayerError, match="are one and the same; map one of them alone"):
        read(path, columns={"drag_kpa": "drag_kpa", "drag_psi": "drag_psi"})


@pytest.mark.parametrize(
    ("unit", "newtons"),
    # a tonne of force is 1000 kg times 9.80665 m/s2, a kip 1000 lbf of 4.4482216152605 N
    [("t", 9806.65), ("kgf", 9.80665), ("dan", 10.0), ("n", 1.0), ("kip", 4448.2216152605)],
)
def test_forces_are_read_in_the_units_that_winches_write(
    tmp_path: Path, unit: str, newtons: float
) -> None:
    row = {**PULL_RECORDS[0], f"FORCE_{unit.upper()}": "6.2"}
    del row["force_kn"]
    table = read(write(tmp_path / "p.csv", [row]), "pulls").table
    assert table["force"].tolist() == pytest.approx([6.2 * newtons], rel=1e-12)


def test_of_a_log_with_a_row_a_minute_the_largest_force_is_asked_for(
    check: Any, schedule: Any
) -> None:
    log = [{**PULL_RECORDS[0], "force_kn": str(k)} for k in range(1, 91)]
    (reason, _) = check(clean(schedule), [*log, PULL_RECORDS[1]]).pulls["reasons"]
    assert reason == (
        "90 records, lines 2 to 91, as of a log: one row a pull is due, with its largest force"
    )
    few = check(clean(schedule), [*log[58:61], PULL_RECORDS[1]]).pulls["reasons"].iloc[0]
    assert few == "3 records, lines 2, 3, 4; one is due"


@pytest.mark.parametrize(
    ("column", "cells", "seconds"),
    [
        ("cool_time_min", ["14:00", "14:30"], [840, 870]),
        ("cool_time_min", ["3:30", "14:30,5"], [210, 870.5]),  # all of a column are alike
        ("cool_time_min", ["0:14:00", "1:05:00"], [840, 3900]),
        ("cool_time_min", ["14", "14:30"], [840, 870]),
        ("soak_min", ["5:48", "6:00"], [348, 360]),
        ("removal_s", ["0:12", "00:00:12"], [12, 12]),
        ("cool_time_s", ["14:00", "840"], [840, 840]),
        ("cool_time_min", ["0:14", "1:05"], [None, None]),  # or hours and minutes
        ("cool_time_min", ["14:00:00", "14"], [None, 840]),  # or hundredths of a second
        ("cool_time_h", ["14:00", "0:14:00"], [None, None]),
        ("removal_s", ["12:30", "0:12"], [None, None]),  # a stop watch: 12.3 s
        ("removal_s", ["12", "12.5"], [12, 12.5]),
    ],
)
def test_minutes_and_seconds_are_read_where_they_cannot_be_hours_and_minutes(
    schedule: Any, tmp_path: Path, column: str, cells: list[str], seconds: list[float | None]
) -> None:
    name = column.rpartition("_")[0]
    rows = [
        {**{k: v for k, v in row.items() if k.rpartition("_")[0] != name}, column: cell}
        for row, cell in zip(clean(schedule), cells, strict=False)
    ]
    records = read(write(tmp_path / "r.csv", rows))
    got = records.table[name].tolist()
    assert got == pytest.approx([np.nan if s is None else s for s in seconds], nan_ok=True)
    assert records.faults["row"].tolist() == [k for k, s in enumerate(seconds) if s is None]
    told = "may be minutes and seconds, or hours and minutes; write a number in the unit"
    assert records.faults["text"].str.contains(told).all()
    read_so = [c for c, s in zip(cells, seconds, strict=True) if ":" in c and s is not None]
    assert records.notes == tuple(
        f"{column}: {len(read_so)} cell(s) such as {c!r} read as minutes and seconds"
        for c in read_so[:1]
    )


@pytest.mark.parametrize("cell", ["46082.00000", "46082,5", "46082"])
@pytest.mark.parametrize("date_format", ["", "%d.%m.%Y %H:%M"])
def test_a_day_as_spreadsheets_count_is_told_with_the_form_due(
    schedule: Any, tmp_path: Path, cell: str, date_format: str
) -> None:
    path = write(tmp_path / "r.csv", [{**clean(schedule)[0], "made": cell}], delimiter=";")
    (text,) = read(path, date_format=date_format).faults["text"]
    assert text.startswith(f"made: {cell!r} is a day as spreadsheets count them")
    assert "2026-03-05 14:30" in text


def test_a_header_repeated_where_files_were_put_together_is_skipped_and_told(
    check: Any, schedule: Any, plan: Any, tmp_path: Path
) -> None:
    first, *rest = as_text(clean(schedule)).splitlines()
    parts = [first, *rest[:5], "\ufeff" + first, *rest[5:9], first.upper(), *rest[9:]]
    path = tmp_path / "r.csv"
    path.write_text("\n".join(parts), encoding="utf-8")
    records = read(path)
    assert len(records.table) == 19
    assert records.lines.tolist() == [*range(2, 7), *range(8, 12), *range(13, 23)]
    checked = check_records(schedule, plan.table("pulls"), records)
    assert set(checked.joints["verdict"]) == {"pass"}
    said = f"{path}: 2 line(s) that repeat the header were skipped: line 7, 12"
    assert said in checked.notes


def test_marks_of_byte_order_of_files_put_together_are_blanks(
    schedule: Any, tmp_path: Path
) -> None:
    """Copied one behind the other, a file brings its mark along, an empty one nothing but that."""
    first, *rest = as_text(clean(schedule)).splitlines()
    lines = ["\ufeff\ufeff", first, *rest[:5], "\ufeff", f"\ufeff{rest[5]}", *rest[6:]]
    path = tmp_path / "r.csv"
    path.write_text("\n".join(lines), encoding="utf-8")
    records = read(path)
    assert records.table["joint_id"].tolist() == [row.partition(",")[0] for row in rest]
    assert records.lines.tolist() == [*range(3, 8), *range(9, len(lines) + 1)]
    for text in ("\ufeff\ufeff\n", "\ufeff\ufeffsep=;\n\ufeff\n"):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(LayerError, match="is empty"):
            read(path)


def test_a_column_mapped_twice_is_refused() -> None:
    with pytest.raises(LayerError, match="drag_psi is to be both 'A' and 'B'"):
        parse_pairs(["drag_psi=A", "drag_psi=B"])
    assert parse_pairs(["drag_psi=A", "drag_psi = A"]) == {"drag_psi": "A"}


def test_a_header_over_several_lines_is_one(plan: Any, schedule: Any, tmp_path: Path) -> None:
    text = german(clean(schedule)).replace("joint_id", '"Joint\nNo."', 1)
    path = tmp_path / "r.csv"
    path.write_text(text, encoding="utf-8")
    records = read(path, columns={"joint_id": "Joint No."})
    assert not check_records(schedule, plan.table("pulls"), records).failed


@pytest.mark.parametrize(
    ("length", "force", "delimiter", "metres"),
    [
        ("30,5", "5.200", ";", None),  # the comma is decimal: five thousand, or five
        ("30,5", "5,200", ";", 5.2),
        ("30.5", "5,200", ";", None),
        ("30.5", "5.200", ";", 5.2),
        ("30", "5.200", ";", 5.2),
        ("30.5", "5.200", ",", 5.2),
        ("30,5", "5.200", ",", None),
    ],
)
def test_the_decimal_sign_is_one_for_the_whole_file(
    tmp_path: Path, length: str, force: str, delimiter: str, metres: float | None
) -> None:
    rows = [{**PULL_RECORDS[0], "length_m": length, "force_kn": force}]
    records = read(write(tmp_path / "p.csv", rows, delimiter=delimiter), "pulls")
    if metres is None:
        assert np.isnan(records.table["force"].iloc[0])
        assert "may part thousands" in records.faults["text"].iloc[0]
    else:
        assert records.table["force"].iloc[0] == pytest.approx(1e3 * metres)
        assert not len(records.faults)


def test_columns_not_used_are_told(check: Any, schedule: Any) -> None:
    rows = [{**row, "weather": "rain"} for row in clean(schedule)]
    assert any("columns not used: weather" in note for note in check(rows).notes)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "is empty"),
        (b"\n \n", "is empty"),
        ("joint_id;Prüfer\nA;Jörg".encode("cp1252"), "line 1 is not utf-8 text.*--encoding"),
        (b"joint_id,made\nA,\xff", "line 2 is not utf-8 text"),
        (b"PK\x03\x04\x00\x00", "is not a text file"),
        (b"a,b\n1,2\n1\n1,2,3\n1,2\n", r"2 row\(s\) have not the 2 cells .* at line 3, 4"),
        (b'a,b\n1,"2\n1,2\n', "line 2 cannot be read as CSV"),
        (b"a,a\n1,2\n", "header has a more than once"),
        (b"a,,b\n1,2,3\n", "column 2 has no name"),
        (b"a,b\n" + b"x" * 200_000 + b",1\n", "line 2 cannot be read as CSV"),
    ],
)
def test_file_that_is_no_table_is_refused_with_its_line(
    tmp_path: Path, data: bytes, why: str
) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes(data)
    with pytest.raises(LayerError, match=why):
        read_csv(path)


def test_other_encoding_is_read_if_named(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_bytes("joint_id;operator\nA;Jörg Ölm".encode("cp1252"))
    assert read_csv(path, encoding="cp1252").columns["operator"].tolist() == ["Jörg Ölm"]
    for wrong in ("klingon", "hex", "rot13"):
        with pytest.raises(LayerError, match=f"cannot be read as '{wrong}'"):
            read_csv(path, encoding=wrong)


def test_path_that_is_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match="is a folder"):
        read_csv(tmp_path)
    with pytest.raises(LayerError, match="no such file"):
        read_csv(tmp_path / "none.csv")


def test_lines_are_those_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "r.csv"
    path.write_text('a,b\n\n1,"two\nlines"\n\n2,x\n', encoding="utf-8")
    assert read_csv(path).lines.tolist() == [3, 6]


@pytest.mark.parametrize(
    ("cell", "delimiter", "value"),
    [
        ("1.5", ",", 1.5), ("-.5", ",", -0.5), ("+5.", ",", 5.0), ("1e3", ",", 1000.0),
        ("1,5", ",", 1.5), ("1,234", ",", None), ("0,234", ",", 0.234), ("1,2345", ",", 1.2345),
        ("1,234", ";", 1.234), ("1.234,5", ";", None), ("1,234.5", ";", None), ("1 234", ";", None),
        ("", ",", None), ("0x10", ",", None), ("1_000", ",", None), ("١٢", ",", None),
        ("1e999", ",", None), ("--1", ",", None), ("1\n", ",", None), ("infinity", ",", None),
    ],
)  # fmt: skip
def test_number_or_none(cell: str, delimiter: str, value: float | None) -> None:
    cells = np.array([cell], dtype=object)
    numbers = parse_numbers(cells, doubtful=doubtful_signs([cells], delimiter=delimiter))
    if value is None:
        assert np.isnan(numbers.values[0])
        assert numbers.wrong[0] == (cell != "")
    else:
        assert numbers.values[0] == pytest.approx(value)
        assert not numbers.wrong[0]


def test_point_between_thousands_is_refused_beside_decimal_commas() -> None:
    cells = np.array(["1,5", "1.234"], dtype=object)
    numbers = parse_numbers(cells, doubtful=doubtful_signs([cells], delimiter=";"))
    assert numbers.wrong.tolist() == [False, True]


def test_date_format_is_the_users(schedule: Any, tmp_path: Path) -> None:
    rows = [{**row, "made": "02.03.2026 08:00"} for row in clean(schedule)]
    path = write(tmp_path / "r.csv", rows)
    records = read(path, date_format="%d.%m.%Y %H:%M")
    assert not len(records.faults)
    assert records.table["made_from"].iloc[0] == pd.Timestamp("2026-03-02 08:00")
    assert (records.table["made_to"] == records.table["made_from"]).all()
    assert len(read(path, date_format="%m.%d.%y").faults) == len(rows)
    with pytest.raises(LayerError, match="date format"):
        read(path, date_format="%Q")


@pytest.mark.parametrize("form", ["%d.%m.%Y %H:%M", "%H:%M %d.%m.%Y"])
def test_a_date_format_leaves_iso_and_dates_alone_readable(tmp_path: Path, form: str) -> None:
    """One format is given for three files, and people write qualifications without a time."""
    noon = pd.Timestamp(2026, 3, 2, 12, 30)
    days = [noon.strftime(form), "02.03.2026", "2026-03-02 12:30", "2026-03-02"]
    rows = [{**QUALIFIED[0], "valid_from": day, "valid_until": day} for day in days]
    table = read(write(tmp_path / "q.csv", rows), "qualifications", date_format=form).table
    whole = (noon.normalize(), noon.normalize() + pd.Timedelta(hours=23, minutes=59, seconds=59))
    due = [(noon, noon), whole, (noon, noon), whole]
    assert list(zip(table["valid_from_from"], table["valid_until_to"], strict=True)) == due


@pytest.mark.parametrize(
    ("form", "text"),
    [
        ("%d.%m.%y %H:%M", "02.03.26 08:00"),
        ("%d %b %Y", "02 Mar 2026"),
        ("%Y day %j", "2026 day 61"),
        ("%G week %V day %u", "2026 week 10 day 1"),
        ("%A of week %W in %Y", "Monday of week 09 in 2026"),
    ],
)
def test_a_date_may_be_written_in_any_way_that_is_whole(
    tmp_path: Path, form: str, text: str
) -> None:
    path = write(tmp_path / "q.csv", [{**QUALIFIED[0], "valid_from": text}])
    found = read(path, "qualifications", date_format=form).table["valid_from_from"].iloc[0]
    assert found.date() == date(2026, 3, 2) == date.fromisocalendar(2026, 10, 1)


@pytest.mark.parametrize("text", ["08:15", "8.15", "08h15", "8:15 pm", "8:15 A.M.", "08:15:30"])
def test_a_time_without_its_date_leads_to_no_format(tmp_path: Path, text: str) -> None:
    path = write(tmp_path / "q.csv", [{**QUALIFIED[0], "valid_from": text}])
    for form in ("", "%d.%m.%Y %H:%M"):
        told = read(path, "qualifications", date_format=form).faults["text"].tolist()
        assert told == [
            f"valid_from: {text!r} is a time of day without its date; write both in every row, "
            "such as 2026-03-05 14:30"
        ]


def test_a_time_that_cannot_be_read_names_the_format_in_force(tmp_path: Path) -> None:
    path = write(tmp_path / "q.csv", [{**QUALIFIED[0], "valid_from": "3/2/2026"}])
    told = read(path, "qualifications", date_format="%d.%m.%Y %H:%M").faults["text"].iloc[0]
    assert told == (
        "valid_from: '3/2/2026' is no date and time, neither as '%d.%m.%Y %H:%M' (--date-format) "
        "nor as 2026-03-05"
    )
    assert "or give --date-format" in read(path, "qualifications").faults["text"].iloc[0]


# --- safety of what is written ----------------------------------------------------------------


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\t=1", "\r=1", "\n=1", "＝1", "'=1"])
def test_text_never_becomes_a_formula(text: str) -> None:
    assert neutral(text).startswith("'")
    assert plain(neutral(text)) == text


@given(st.text())
def test_text_comes_back_as_it_was(text: str) -> None:
    assert plain(neutral(text)) == text
    assert not re.match(r"[=+\-@\t\r\n]", neutral(text))


@pytest.mark.parametrize("mark", [";", "\t", "|"])
@given(st.text(alphabet="=+-@\t\r\n;|'\"a, "))
def test_text_never_becomes_a_formula_where_a_spreadsheet_parts_cells_at_other_signs(
    mark: str, text: str
) -> None:
    """The file is parted by commas; the text stands in a line of it, quoted where it has to be."""
    line = io.StringIO()
    csv.writer(line).writerow(["a", neutral(text), "b"])
    for cell in next(csv.reader(io.StringIO(line.getvalue(), newline=""), delimiter=mark)):
        assert not re.match(r"[=+\-@\t\r\n]", cell)
    assert plain(neutral(text)) == text


def test_cells_of_a_check_are_neutral(check: Any, schedule: Any, tmp_path: Path) -> None:
    from geotools.deliver.columns import contract_table

    rows = clean(schedule)
    rows[0] |= {"joint_id": "=cmd()", "operator": "@SUM(1)", "machine": "+1"}
    table = contract_table("asbuilt_joints", check(rows).joints, units="si")
    path = tmp_path / "out.csv"
    write_csv(path, table.drop_columns("geometry"))
    with path.open(encoding="utf-8", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert "'=cmd()" in cells
    assert not [cell for cell in cells if re.match(r"[=+@\t\r]", cell)]
    assert read_csv(path).columns["joint_id"][-1] == "=cmd()"


def test_existing_file_is_kept_and_nothing_left_beside_it(tmp_path: Path) -> None:
    import pyarrow as pa

    path = tmp_path / "out.csv"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="exists already"):
        check_file(path, suffix=".csv", overwrite=False)
    with pytest.raises(OutputError, match=r"ending in \.pdf"):
        check_file(path, suffix=".pdf", overwrite=True)
    write_csv(
        check_file(path, suffix=".csv", overwrite=True),
        pa.table({"a": [1.0, None], "b": ["x", ""]}),
    )
    assert path.read_bytes() == b"a,b\r\n1,x\r\n,\r\n"
    assert [p.name for p in tmp_path.iterdir()] == ["out.csv"]


@pytest.mark.parametrize("units", ["si", "us"])
def test_report_is_written_whatever_the_records_say(
    check: Any, schedule: Any, tmp_path: Path, units: str
) -> None:
    rows = clean(schedule)
    for k, row in enumerate(rows):
        row["operator"] = "$x_1$ <b>漢字 \x07 \\frac{"
        row["heater_1_f"] = "=hot" * 30
        row["joint_id"] = f"{row['joint_id']}{'-long' * 30}" if k % 2 else row["joint_id"]
    checked = check(rows, PULL_RECORDS, QUALIFIED, units=units)
    path = tmp_path / "check.pdf"
    write_report(path, checked, plan="$plan$.gpkg", records="r.csv", units=units)
    data = path.read_bytes()
    assert data.startswith(b"%PDF")
    write_report(path, checked, plan="$plan$.gpkg", records="r.csv", units=units)
    assert path.read_bytes() == data  # no clock in it


@pytest.mark.parametrize("count", [0, 3, 90])
def test_report_has_all_notes_what_was_not_checked_first(
    check: Any, schedule: Any, tmp_path: Path, count: int
) -> None:
    """A note that is left out of the paper under a large PASS is a check that was not made."""
    checked = check(bare(clean(schedule)))
    more = tuple(f"note {k} ends with word{k}" + ", and so on" * 20 for k in range(count))
    checked = replace(checked, notes=(*more, *checked.notes))
    path = tmp_path / "check.pdf"
    asked = [f"R{k:04}" for k in range(1 + count)]
    write_report(path, checked, plan="p.gpkg", records="r.csv", units="si", only=asked)
    pages = [" ".join(page.extract_text().split()) for page in pypdf.PdfReader(path).pages]
    assert (len(pages) > 1) == (count == 90)
    whole = " ".join(pages)
    places = [whole.index(f"word{k}") for k in range(count)]
    assert places == sorted(places)
    for what in ("PASS", "3 thing(s) not checked", "qualifications of operators and machines were",
                 "times and measured lengths of pulls were not", "by name alone", "ASTM F2620",
                 "2 pull(s), asked for as R0000"):  # fmt: skip
        assert what in pages[0]
    assert all(name in whole for name in asked)
    assert whole.index("times and measured lengths") < min(places, default=len(whole))
    write_report(path, checked, plan="p.gpkg", records="r.csv", units="si")
    assert "ASTM F2620; all pulls of the plan" in " ".join(
        pypdf.PdfReader(path).pages[0].extract_text().split()
    )


def test_report_names_every_joint_that_does_not_pass_on_as_many_pages_as_it_takes(
    check: Any, schedule: Any, tmp_path: Path
) -> None:
    rows = clean(schedule)
    for row in rows:
        row["heater_1_f"] = "300"
    checked = check(rows, PULL_RECORDS, QUALIFIED)
    joints = pd.concat([checked.joints] * 25, ignore_index=True)
    joints["joint_id"] = [f"J{k}." for k in range(len(joints))]
    joints["reasons"] += "; and so on" * 20
    path = tmp_path / "check.pdf"
    notes = tuple(f"note {k}" for k in range(30))
    checked = replace(checked, joints=joints, notes=notes)
    write_report(path, checked, plan="p.gpkg", records="r.csv", units="si")
    pages = [page.extract_text() for page in pypdf.PdfReader(path).pages]
    named = re.findall(r"J\d+\.", " ".join(pages))
    assert sorted(named) == sorted(joints["joint_id"])
    on_first = len(re.findall(r"J\d+\.", pages[0]))
    assert f"{len(joints) - on_first} more overleaf" in pages[0]
    assert "what ends in ... is whole in the layers" in pages[0]
    assert ["What does not pass, continued" in page for page in pages[:3]] == [False, True, False]
    assert all(f"page {k}" in page for k, page in enumerate(pages[1:], start=2))
    assert "note 29" in pages[-1]


def test_report_has_words_for_every_rule(check: Any, schedule: Any) -> None:
    room = Path(geotools.__file__).parent / "deliver" / "joints"
    source = "".join(path.read_text(encoding="utf-8") for path in sorted(room.glob("*.py")))
    named = set(re.findall(r'(?:add_where|add)\(\s*"([a-z-]+)"', source))
    assert named <= set(RULES)
    assert {rule for _, _, rule, _ in FAULTS} <= set(RULES)


# --- anything at all --------------------------------------------------------------------------

_CELL = st.one_of(
    st.text(max_size=12),
    st.sampled_from(["", "1,5", "1.5", "=1", "nan", "2026-03-02", "\ufeff", '"', ";", "pass"]),
    st.floats().map(str),
)
_LAYER = RECORD_TABLES["records"]
_NAMES = [next(iter(field.spellings())) for field in _LAYER.fields]


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(str.encode)))
def test_any_bytes_are_read_or_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "fuzz.csv"
    path.write_bytes(data)
    try:
        file = read_csv(path)
    except LayerError as error:
        assert str(path) in str(error)
        return
    assert all(len(column) == len(file.lines) for column in file.columns.values())


@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(rows=st.lists(st.fixed_dictionaries(dict.fromkeys(_NAMES, _CELL)), max_size=6))
def test_any_cells_are_checked_and_never_pass_unread(
    plan: Any, schedule: Any, tmp_path: Path, rows: list[dict[str, str]]
) -> None:
    path = tmp_path / "fuzz.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, _NAMES)
        writer.writeheader()
        for row in rows:
            writer.writerow(row)
        writer.writerow({**dict.fromkeys(_NAMES, ""), "joint_id": "A-J1", "drag_kpa": "x"})
    try:
        records = read(path)
    except LayerError:
        return
    checked = check_records(schedule, plan.table("pulls"), records)
    # every record that is not blank is a record, and none of these can pass
    assert len(records.lines) == sum(any(v.strip() for v in r.values()) for r in rows) + 1
    assert checked.failed
    assert "pass" not in set(checked.joints["verdict"])
    first = checked.joints.set_index("joint_id").loc[["A-J1"], "reasons"].iloc[0]
    assert "'x' is no number" in first
