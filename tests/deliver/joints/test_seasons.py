"""Records over seasons: issued schedules, revised plans, joints added, cut out, made at night."""

from __future__ import annotations

import csv
import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest

from geotools.deliver.csv_file import read_csv
from geotools.deliver.joints.asbuilt import Checked, check_records
from geotools.deliver.joints.clock_change import in_night_of_change
from geotools.deliver.joints.records import ReadAs, Records, read_files, read_records, together
from geotools.deliver.joints.report import write_report
from geotools.deliver.joints.schedule import Schedule, joint_schedule
from geotools.deliver.read_plan import read_plan
from geotools.errors import LayerError
from geotools.pipe.fusion import gauge_pressure_pa

PULL = {"pull_id": "R1-L1", "start": 10.0, "end": 70.0, "length": 60.0}
AREA, DRAG = 1e-2, 2e5
Rows = list[dict[str, str]]


@pytest.fixture(scope="module")
def plan(write_plan: Callable[..., Path]) -> Any:
    return read_plan(write_plan([PULL], settings={"pulls.piece_length": "10 m"}))


@pytest.fixture(scope="module")
def schedule(plan: Any) -> Schedule:
    return joint_schedule(plan)


def good(made: Schedule) -> Rows:
    """Return a record without a fault of every joint, made one after the other."""
    joints = made.joints
    gauge = gauge_pressure_pa(joints["outside"], joints["wall"], AREA, drag_pa=DRAG) / 1e3
    return [
        {
            "joint_id": row["joint_id"],
            "pull_mark": row["pull_mark"],
            "made": f"2026-03-02 {8 + k:02d}:00",
            "operator": "A. Quill",
            "machine": "M-7",
            "piston_area_cm2": f"{AREA * 1e4:g}",
            "heater_1_c": "218",
            "heater_2_c": "219",
            "drag_kpa": f"{DRAG / 1e3:g}",
            "bead_mm": "11",
            "soak_min": "6",
            "removal_s": "12",
            "fusion_pressure_kpa": f"{gauge[k]:.1f}",
            "cool_pressure_kpa": f"{gauge[k]:.1f}",
            "cool_time_min": "15",
            "visual": "pass",
        }
        for k, row in enumerate(joints.to_dict("records"))
    ]


def write(path: Path, rows: Rows) -> Path:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def issue(made: Schedule, *, limits: bool = True) -> Rows:
    """Return a schedule as issued; older ones that were cut down have no limits."""
    names = ("joint_id", "pull_id", "pull_mark", "carrier", "procedure")
    rows = made.joints.to_dict("records")
    return [
        {name: str(row[name]) for name in names if limits or name != "procedure"}
        | {"chainage_m": f"{row['chainage']:.4f}"}
        | ({"soak_min": f"{row['soak'] / 60:.4f}", "cool_min": "13.977"} if limits else {})
        for row in rows
    ]


@pytest.fixture
def check(plan: Any, schedule: Schedule, tmp_path: Path) -> Callable[..., Checked]:
    """Check rows of records against the plan, or another."""

    def run(
        rows: Rows,
        pulls: Rows | None = None,
        *,
        issued: Rows | None = None,
        of: tuple[Any, Schedule] = (plan, schedule),
        only: list[str] | None = None,
    ) -> Checked:
        def read(name: str, rows: Rows | None) -> Records | None:
            path = tmp_path / f"{name}.csv"
            return read_records(write(path, rows), name, ReadAs({})) if rows else None

        return check_records(
            of[1].joints,
            of[0].table("pulls"),
            read("records", rows),  # type: ignore[arg-type]
            pull_records=read("pulls", pulls),
            issued=read("schedule", issued),
            only=only,
        )

    return run


def told(checked: Checked, words: str) -> list[str]:
    return [note for note in checked.notes if words in note]


def test_no_joint_passes_by_another_procedure_than_its_schedule_was_issued_with(
    check: Any, plan: Any, schedule: Schedule
) -> None:
    rows, iso = good(schedule), joint_schedule(plan, procedure="iso_slp")
    fine = check(rows, issued=issue(schedule))
    assert not fine.failed
    assert fine.procedures == ("ASTM F2620",)
    checked = check(rows, issued=issue(iso))
    assert checked.rules == {"procedure": 5, "joints-of-pull": 1}
    said = checked.joints["reasons"].iloc[0]
    assert said.startswith("its schedule was issued with ISO 21307 single low pressure, and it is")
    assert "judged by ASTM F2620" in said
    assert not check(rows, issued=issue(iso, limits=False)).failed  # an old one says nothing of it
    elsewhere = [{**row, "pull_mark": "QQQQQ"} for row in issue(iso)]
    assert not check(rows, issued=elsewhere).failed  # it was issued for other joints
    twice = [*rows, rows[0], {**rows[1], "joint_id": "R1-L1-J1A", "added": "yes"}]
    assert check(twice, issued=issue(iso)).rules["procedure"] == 6


def test_limits_issued_otherwise_under_the_same_name_are_told(
    check: Any, schedule: Schedule
) -> None:
    issued = issue(schedule)
    issued[2]["soak_min"], issued[3]["soak_min"] = "0", "5.717"  # the other is rounded
    issued[4]["cool_min"] = "long"
    checked = check(good(schedule), issued=issued)
    assert not checked.failed
    (note,) = told(checked, "soak is another in the schedule as issued")
    assert "0 min there, 5.718 min here, of R1-L1-J3 (1 record(s) so)" in note
    assert told(checked, "not checked: 1 value(s) of the schedule as issued")
    for row in issued:
        row["procedure"] = ""
    for rows in (issued, [{k: v for k, v in row.items() if k != "procedure"} for row in issued]):
        checked = check(good(schedule), issued=rows)  # limits are compared all the same
        assert told(checked, "soak is another in the schedule as issued")
        assert told(checked, "not checked: by which procedure 5 of these joints were issued")
    for row in issued:
        row["soak_min"] = row["cool_min"] = ""
    assert told(check(good(schedule), issued=issued), "without a window for 5 of these")
    bare = issue(schedule, limits=False)
    assert told(check(good(schedule), issued=bare), "neither the column procedure nor limits")


def test_rows_below_a_header_of_another_order_are_read_by_it_and_that_is_told(
    schedule: Schedule, tmp_path: Path
) -> None:
    rows, path = good(schedule), tmp_path / "r.csv"
    turned = ["removal_s", "visual", "soak_min", *list(rows[0])[::-1]]
    turned = list(dict.fromkeys(turned))  # every column once, in an order of its own
    swapped = [{name: row[name] for name in turned} for row in rows[2:4]]
    parts = [write(tmp_path / "x.csv", part).read_text() for part in (rows[:2], swapped, rows[4:])]
    path.write_text("".join(parts), encoding="utf-8")
    found = read_records(path, "records", ReadAs({}))
    whole = read_records(write(tmp_path / "w.csv", rows), "records", ReadAs({}))
    assert found.table.equals(whole.table)
    assert found.lines.tolist() == [2, 3, 5, 6, 8]
    spelled = parts[1].splitlines()
    spelled[0] = spelled[0].replace("_", " ").title()  # as line 1 may be spelled
    path.write_text("".join([parts[0], *(f"{line}\n" for line in spelled), parts[2]]))
    assert read_records(path, "records", ReadAs({})).table.equals(whole.table)
    assert found.notes == (
        "2 line(s) that repeat the header were skipped: line 4, 7",
        "1 of these with the columns in another order, by which the rows below were read: line 4",
    )
    foreign = ",".join(["Open", "Result", "Heat soak", "Cooling", *turned[4:]])
    for above in (parts[1].splitlines()[0].replace("removal_s", "open_s"), foreign):
        path.write_text("".join([parts[0], f"{above}\n", *parts[1].splitlines(True)[1:]]))
        with pytest.raises(LayerError, match="line 4: a header of other columns than that of line"):
            read_csv(path)


def test_several_files_are_told_by_file_and_line_and_a_joint_in_two_is_double(
    plan: Any, schedule: Schedule, tmp_path: Path
) -> None:
    rows = good(schedule)
    for row in rows[3:]:
        row["heater_1_f"] = str(round(float(row.pop("heater_1_c")) * 1.8 + 32))
    rows[3]["heater_1_f"], rows[0]["heater_1_c"] = "450", "232"  # as printed: 232.2 C
    rows[4]["made"] = "at noon"
    again = {**rows[3], **{name: rows[0][name] for name in ("joint_id", "made")}}
    weeks = [rows[:3], [again, *rows[3:]]]
    paths = [write(tmp_path / f"week {k}.csv", week) for k, week in enumerate(weeks)]
    files = [read_records(path, "records", ReadAs({})) for path in paths]
    records = together(files)
    assert together(files[:1]) is files[0]
    assert records.units("heater_1").tolist() == ["c"] * 3 + ["f"] * 3
    checked = check_records(schedule.joints, plan.table("pulls"), records)
    assert checked.joints["verdict"].tolist() == ["fail", "pass", "pass", "pass", "fail"]
    first, last = checked.joints["reasons"].iloc[[0, 4]]
    assert "2 records, lines 2 of week 0.csv, 2 of week 1.csv; one is due" in first
    assert "made: 'at noon' is no date and time" in last
    assert checked.joints["lines"].iloc[3] == "3 of week 1.csv"
    only = records.kept(records.table["joint_id"].eq("R1-L1-J5").to_numpy())
    assert only.units("heater_1").tolist() == ["f"]
    rows[4]["made"] = "2026-03-02 12:00+01:00"
    files[1] = read_records(write(paths[1], rows[4:]), "records", ReadAs({}))
    with pytest.raises(LayerError, match="its times have no zone"):
        together(files)


def test_a_map_has_to_be_met_by_one_of_several_files(schedule: Schedule, tmp_path: Path) -> None:
    rows = good(schedule)
    other = [{"P 0": row["drag_kpa"], **row} for row in rows[:2]]
    for row in other:
        del row["drag_kpa"]
    paths = [write(tmp_path / "a.csv", other), write(tmp_path / "b.csv", rows[2:])]
    found = read_files(paths, "records", ReadAs({"drag_kpa": "P 0"}))
    assert found.table["drag"].tolist() == [DRAG] * 5
    (note,) = found.files[1].notes
    assert note == "there is no column of the map's drag_kpa=P 0; read by its own names"
    with pytest.raises(LayerError, match=r"(?s)no column Q.*hold for all files.*one at a time"):
        read_files(paths, "records", ReadAs({"drag_kpa": "Q"}))
    write(paths[1], [{k: v for k, v in row.items() if k != "drag_kpa"} for row in rows[2:]])
    with pytest.raises(LayerError, match=r"(?s)b\.csv: no column drag_kpa.*hold for all files"):
        read_files(paths, "records", ReadAs({"drag_kpa": "P 0"}))


Plans = tuple[tuple[Any, Schedule], tuple[Any, Schedule]]


@pytest.fixture(scope="module")
def revised(write_plan: Callable[..., Path]) -> Plans:
    """A plan of two pulls, and one in which the first was parted: the second is now the third."""
    laid = ([(10, 70), (80, 140)], [(10, 40), (46, 70), (80, 140)])
    out = []
    for ends in laid:
        pulls = [
            {"pull_id": f"R1-L{k}", "start": float(a), "end": float(b), "length": float(b - a)}
            for k, (a, b) in enumerate(ends, start=1)
        ]
        plan = read_plan(write_plan(pulls, settings={"pulls.piece_length": "10 m"}))
        out.append((plan, joint_schedule(plan)))
    marks = [made.joints.groupby("pull_id")["pull_mark"].first() for _, made in out]
    assert marks[0]["R1-L2"] == marks[1]["R1-L3"] != marks[1]["R1-L2"]
    return out[0], out[1]


def pull_record(name: str, mark: str) -> dict[str, str]:
    times = {"started": "2026-03-10 08:00", "ended": "2026-03-10 12:00"}
    return {"pull_id": name, "pull_mark": mark, **times, "length_m": "60", "force_kn": "50"}


def of_pull(made: Schedule, name: str) -> Rows:
    """Return records of one pull."""
    return [row for row in good(made) if row["joint_id"].startswith(f"{name}-")]


@pytest.mark.parametrize("way", ["by mark", "by the schedule as issued"])
def test_a_pull_that_only_got_another_number_is_found_by_its_mark_and_that_is_told(
    check: Any, revised: Plans, way: str
) -> None:
    old, new = revised
    if way == "by mark":  # the plan has no third pull that the records might be of
        rows, was, now, of = of_pull(new[1], "R1-L3"), "R1-L3", "R1-L2", old
        checked = check(rows, [pull_record(was, rows[0]["pull_mark"])], of=of)
        bare = check(rows, [pull_record(was, "")], of=of)
        assert told(bare, "not checked: whether the record of pull R1-L3 is not of R1-L2")
    else:
        rows, was, now, of = of_pull(old[1], "R1-L2"), "R1-L2", "R1-L3", new
        rows = [{**row, "pull_mark": ""} for row in rows]
        checked = check(rows, [pull_record(was, "")], issued=issue(old[1]), of=of)
    by_pull = checked.joints.groupby("pull_id")["verdict"].unique()
    assert by_pull.pop(now).tolist() == ["pass"]
    assert {v for of_pull in by_pull for v in of_pull} == {"missing"}
    assert checked.pulls["verdict"].tolist()[-1] == "pass"
    assert told(checked, f"5 record(s) of joints of {was} were read as of {now}")
    assert told(checked, f"1 record(s) of pull {was} were read as of {now}")
    assert not told(checked, "by name alone")


def test_a_mark_moves_no_record_whose_name_another_pull_bears_unless_the_schedule_says_so(
    check: Any, revised: Plans
) -> None:
    old, new = revised
    rows = of_pull(old[1], "R1-L2")  # by name of the second pull, by mark of the third
    for issued, moved in ((None, False), (issue(new[1]), False), (issue(old[1]), True)):
        checked = check(rows, issued=issued, of=new)
        third = checked.joints.loc[checked.joints["pull_id"] == "R1-L3", "verdict"]
        assert (third == "pass").all() == moved
        assert bool(told(checked, "were read as of R1-L3")) == moved


def test_a_mark_moves_no_record_to_another_run(check: Any, revised: Plans) -> None:
    old, new = revised
    rows = [
        {**row, "joint_id": row["joint_id"].replace("R1-", "R2-")}
        for row in of_pull(new[1], "R1-L3")
    ]
    checked = check(rows, of=old)
    assert checked.joints["verdict"].tolist() == ["missing"] * 10 + ["unknown"] * 5


def test_numbers_and_dashes_of_all_kinds_are_found_by_mark_or_told(
    check: Any, revised: Plans
) -> None:
    old, new = revised
    rows = of_pull(new[1], "R1-L3")
    rows[4]["joint_id"] = "r1\u2013l3\u2013J 05"  # no such name in the old plan
    rows[1]["joint_id"] = "R1-L3-J" + "9" * 30
    checked = check(rows, of=old)
    assert told(checked, "3 record(s) of joints of R1-L3 were read as of R1-L2")
    assert told(checked, "1 record(s) of joints of r1\u2013l3 were read as of R1-L2")
    assert checked.joints["verdict"].tolist()[-1] == "unknown"
    assert check([{**rows[0], "joint_id": "", "pull_mark": ""}], of=old).failed
    none = dict.fromkeys(rows[0], "")
    assert set(check([none], of=old).joints["verdict"]) == {"missing"}


def test_a_mark_copied_down_a_column_moves_no_record_and_whose_it_is_is_told(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    third = rows[-1]["pull_mark"]
    first = [{**row, "pull_mark": third} for row in rows if row["joint_id"].startswith("R1-L1")]
    checked = check([*first, rows[-1]], of=new)
    assert checked.joints["verdict"].tolist() == ["missing"] * (len(rows) - 1) + ["pass"]
    words = f"line 2 names R1-L1-J1 and bears the mark of R1-L3 ({third})"
    assert checked.joints["reasons"].iloc[0].startswith(words)
    assert not told(checked, "another layout")
    issued = issue(new[1])  # says that these names never were of the third pull
    checked = check([*first, rows[-1]], issued=issued, of=new)
    assert checked.joints["reasons"].iloc[0].startswith(words)


def test_a_record_with_the_mark_of_another_pull_lets_neither_joint_pass(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    names = [row["joint_id"] for row in rows]
    here, there = (rows[names.index(f"R1-L{k}-J1")] for k in (1, 3))
    cut = {**here, "visual": "cut out", "made": "2026-03-20 08:00"} | {
        "pull_mark": there["pull_mark"]
    }
    checked = check([*rows, cut], of=new)
    bad = checked.joints.loc[checked.joints["verdict"] != "pass", "joint_id"].tolist()
    assert bad == ["R1-L1-J1", "R1-L3-J1"]
    assert checked.rules == {"mark": 2, "joints-of-pull": 2}
    for pull in ("R1-L1", "R1-L3"):
        alone = check([*rows, cut], of=new, only=[pull])
        assert alone.rules == {"mark": 1, "joints-of-pull": 1}
        assert not told(alone, "another layout")
        assert told(alone, "1 record(s) bear the name of one pull and the mark of another")
    assert not told(check([*rows, cut], of=new, only=["R1-L2"]), "bear the name of one pull")
    last = {**cut, "joint_id": "R1-L3-J5", "pull_mark": here["pull_mark"]}
    checked = check([*rows, last], of=new)  # the first pull has no joint of that number
    assert checked.pulls["verdict"].tolist() == ["fail", "not checked", "fail"]
    assert "names R1-L3-J5 and bears the mark of R1-L1" in checked.pulls["reasons"].iloc[0]
    alone = check([*rows, last], of=new, only=["R1-L1"])
    assert alone.failed
    assert told(alone, "1 record(s) bear the name of one pull and the mark of another")


def test_a_record_of_a_pull_with_the_mark_of_another_lets_neither_pass(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    marks = {row["joint_id"].rpartition("-")[0]: row["pull_mark"] for row in rows}
    pulls = [pull_record(name, mark) for name, mark in marks.items()]
    again = pull_record("R1-L1", marks["R1-L3"])
    said = check(rows, [*pulls, again], of=new).pulls["reasons"]
    assert "line 5 of the pulls names R1-L1 and bears the mark of this pull" in said.iloc[2]
    assert "line 5 of the pulls was made for another layout" in said.iloc[0]


def test_joints_added_in_two_pulls_under_one_name_are_both_judged(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    at = {"joint_id": "A1", "added": "yes", "made": "2026-03-20 08:00"}
    first, last = {**rows[0], **at}, {**rows[-1], **at, "made": "2026-03-20 10:00"}
    checked = check([*rows, first, last], of=new)
    assert not checked.failed
    added = checked.joints.iloc[-2:]
    assert added["pull_id"].tolist() == ["R1-L1", "R1-L3"]
    assert added["lines"].tolist() == [str(len(rows) + 2), str(len(rows) + 3)]
    bad = {**last, "visual": "fail"}
    for records in ([first, bad], [bad, first]):
        verdicts = check([*rows, *records], of=new).joints.iloc[-2:].set_index("pull_id")["verdict"]
        assert verdicts.to_dict() == {"R1-L1": "pass", "R1-L3": "fail"}
    cut = {**first, "added": "", "visual": "cut out", "made": "2026-03-21 08:00"}
    of_first = check([*rows, first, cut, last], of=new)
    assert "R1-L1" not in of_first.joints.iloc[-1:]["pull_id"].tolist()
    assert told(of_first, "1 joint(s) were cut out: 2 record(s)")
    assert not told(check([*rows, first], of=new, only=["R1-L2"]), "added on site")


def test_a_joint_added_in_a_pull_that_got_another_number_is_no_joint_of_the_pull_named(
    check: Any, revised: Plans
) -> None:
    old, new = revised
    mine = of_pull(old[1], "R1-L2")  # the third pull now
    added = {**mine[0], "joint_id": "R1-L2-J1A", "added": "yes", "made": "2026-03-20 08:00"}
    checked = check([*mine, {**added, "visual": "fail"}], issued=issue(old[1]), of=new)
    last = checked.joints.iloc[-1]
    assert last[["joint_id", "pull_id", "verdict"]].tolist() == ["R1-L3-J1A", "R1-L3", "fail"]
    assert told(checked, "6 record(s) of joints of R1-L2 were read as of R1-L3")
    spelled = {**added, "joint_id": "R1 \u2013 L02\u2013x-1a"}
    checked = check([*mine, spelled], issued=issue(old[1]), of=new)
    assert checked.joints["joint_id"].iloc[-1] == "R1-L3-x-1a"  # as written, behind its pull
    assert told(checked, "1 record(s) of joints of R1 \u2013 L02 were read as of R1-L3")
    mark, issued = mine[0]["pull_mark"], issue(new[1])
    taken = {**of_pull(new[1], "R1-L2")[0], "pull_mark": mark, "added": "yes"}
    checked = check([*good(new[1]), {**taken, "visual": "fail"}], issued=issued, of=new)
    assert checked.joints.set_index("joint_id")["verdict"]["R1-L2-J1"] == "fail"


def test_what_records_hold_and_joints_cut_out_are_handed_over(
    check: Any, schedule: Schedule
) -> None:
    rows = [
        {**row, "lot_left": f"L{k}", "remarks": f"no. {k}"} for k, row in enumerate(good(schedule))
    ]
    bad = {**rows[1], "made": "2026-03-02 07:00", "visual": "fail", "lot_left": "old"}
    cut = {**bad, "made": "2026-03-02 07:30", "visual": "cut out", "cool_time_min": ""}
    of_old_plan = {**rows[2], "pull_mark": "QQQQQ"}
    unknown = {**rows[2], "joint_id": "R9-J1", "visual": "cut out"}
    checked = check([rows[0], bad, cut, *rows[1:], of_old_plan, unknown])
    table = checked.joints.set_index("joint_id")
    assert table["verdict"].tolist() == ["pass"] * 5 + ["unknown"]
    assert table["lot_left"].tolist() == ["L0", "L1", "L2", "L3", "L4", "L2"]
    assert table["remarks"].tolist()[:5] == [f"no. {k}" for k in range(5)]
    assert table["cut_outs"].tolist() == [0, 1, 0, 0, 0, 1]
    assert table["set_aside"].tolist() == [0, 2, 1, 0, 0, 0]
    assert table["set_aside_lines"].tolist() == ["", "3, 4", "9", "", "", ""]
    first = table.iloc[0]
    assert first[["found_heater_low", "found_heater_high"]].tolist() == [218.0, 219.0]
    assert first["found_bead"] == pytest.approx(0.011)
    assert first[["found_soak", "found_removal"]].tolist() == [360.0, 12.0]
    assert told(checked, "1 joint(s) were cut out: 2 record(s) of what is no longer there")
    lines = {n for text in (*table["lines"], *table["set_aside_lines"]) for n in text.split(", ")}
    assert lines - {""} == {str(k) for k in range(2, 11)}  # no line of the file is lost


@pytest.fixture
def full(schedule: Schedule) -> tuple[Rows, Rows, dict[str, str]]:
    """Records of all joints and of the pull, and one of a joint more, after the third."""
    rows = good(schedule)
    more = {**rows[2], "joint_id": "R1-L1-J3A", "made": "2026-03-03 08:00"}
    return rows, [pull_record("R1-L1", rows[0]["pull_mark"])], more


def test_of_a_joint_that_is_in_the_schedule_twice_records_are_of_the_first(
    check: Any, full: Any, plan: Any, schedule: Schedule
) -> None:
    rows, _, more = full
    twice = pd.concat([schedule.joints, schedule.joints.iloc[:1]], ignore_index=True)
    of = (plan, dataclasses.replace(schedule, joints=twice))
    for records in (rows, [*rows, {**more, "added": "yes"}]):
        verdicts = check(records, of=of).joints["verdict"].tolist()
        assert verdicts[:6] == ["pass"] * 5 + ["missing"]


@pytest.mark.parametrize(
    ("name", "mark"),
    [("R1-L1-J3A", True), ("R1-L1-J3.1", False), ("R1-L1-J99", True), ("extra", True)],
)
def test_a_record_of_no_joint_counts_against_the_pull_whose_mark_or_name_it_bears(
    check: Any, full: Any, name: str, mark: bool
) -> None:
    rows, pulls, more = full
    stray = {**more, "joint_id": name, "visual": "fail", "pull_mark": more["pull_mark"] * mark}
    assert not check(rows, pulls).failed
    checked = check([*rows, stray], pulls)
    assert checked.joints["verdict"].tolist() == ["pass"] * 5 + ["unknown"]
    assert checked.pulls["verdict"].tolist() == ["fail"]
    assert checked.rules == {"unknown": 1, "stray": 1}
    assert f"({name} in line 7), so they were not judged" in checked.pulls["reasons"].iloc[0]
    other = {**stray, "joint_id": "Z", "pull_mark": "QQQQQ"}
    assert check([*rows, other], pulls).pulls["verdict"].tolist() == ["pass"]


def test_a_joint_added_on_site_is_judged_by_the_window_of_its_pull(
    check: Any, full: Any, schedule: Schedule, tmp_path: Path
) -> None:
    rows, pulls, more = full
    more |= {"added": "yes", "added_at_m": "33.5"}
    checked = check([*rows, more], pulls)
    assert not checked.failed
    joint = checked.joints.iloc[-1]
    assert joint[["joint_id", "pull_id", "chainage"]].tolist() == ["R1-L1-J3A", "R1-L1", 33.5]
    assert checked.pulls[["joints", "joints_passed"]].iloc[0].tolist() == [6, 6]
    assert told(checked, "1 joint(s) added on site, as their records say")
    by_name = {**more, "pull_mark": "", "added_at_m": "", "joint_id": "r1-l1-extra"}
    checked = check([*rows, by_name], pulls, issued=issue(schedule))
    assert not checked.failed
    assert checked.joints["chainage"].isna().tolist() == [False] * 5 + [True]
    for fault in ({"heater_1_c": "150"}, {"visual": "fail"}, {"made": "2026-03-10 11:55"}):
        checked = check([*rows, {**more, **fault}], pulls)
        assert checked.joints["verdict"].tolist() == ["pass"] * 5 + ["fail"]
        assert checked.pulls["verdict"].tolist() == ["fail"]
    assert checked.joints["reasons"].iloc[-1].startswith("made 2026-03-10 11:55, not cooled when")
    write_report(tmp_path / "c.pdf", checked, plan="p", records="r", units="si")
    lost = check([*rows, {**more, "pull_mark": "QQQQQ"}], pulls)
    assert "neither its mark nor its name is that of a pull" in lost.joints["reasons"].iloc[-1]


def test_a_joint_added_on_site_does_not_pass_by_the_name_of_one_pull_and_the_mark_of_another(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    more = {**rows[0], "joint_id": "R1-L3-J3A", "added": "yes", "made": "2026-03-20 08:00"}
    checked = check([*rows, more], of=new)
    assert checked.joints["verdict"].tolist() == ["pass"] * len(rows) + ["fail"]
    assert checked.pulls["verdict"].tolist() == ["fail", "not checked", "fail"]
    words = "names R1-L3-J3A and bears the mark of R1-L1"
    assert words in checked.joints["reasons"].iloc[-1]
    assert words in checked.pulls["reasons"].iloc[2]
    assert check([*rows, more], of=new, only=["R1-L3"]).failed
    cut = {**more, "visual": "cut out", "made": "2026-03-21 08:00"}  # of which, none can tell
    assert check([*rows, more, cut], of=new).joints["verdict"].tolist()[-1] == "fail"


def test_a_record_of_no_joint_with_the_mark_of_a_pull_not_asked_for_is_left_out(
    check: Any, revised: Plans
) -> None:
    new = revised[1]
    rows = good(new[1])
    stray = {**rows[-1], "joint_id": "R1-L3-J3A", "made": "2026-03-20 08:00"}
    assert not check([*rows, stray], of=new, only=["R1-L1"]).failed
    checked = check([*rows, stray], of=new, only=["R1-L3"])
    assert checked.joints["reasons"].iloc[-1].endswith("column added, and the mark of its pull")
    for other in ({"joint_id": "R1-L1-J3A"}, {"pull_mark": ""}, {"pull_mark": "QQQQQ"}):
        assert check([*rows, {**stray, **other}], of=new, only=["R1-L1"]).failed


def test_a_joint_added_on_site_lies_on_its_pull(check: Any, full: Any) -> None:
    rows, pulls, more = full  # of a pull from 10 m to 70 m
    for at, passes in (("8.8", False), ("9.5", True), ("70.9", True), ("99999", False)):
        checked = check([*rows, {**more, "added": "yes", "added_at_m": at}], pulls)
        assert checked.failed != passes
        assert not told(checked, "not checked: whether")
    said = checked.joints["reasons"].iloc[-1]
    assert said == "added_at is 99,999.0 m, and its pull runs from 10.0 m to 70.0 m"
    lost = check([*rows, {**more, "added": "yes", "added_at_m": ""}], pulls)
    assert not lost.failed
    (note,) = told(lost, "not checked: whether 1 joint(s) added on site lie on their pull")
    assert note.endswith("write how far along the run in added_at: R1-L1-J3A")


def test_a_joint_added_on_site_is_judged_by_the_procedure_its_pull_was_issued_with(
    check: Any, full: Any, plan: Any, schedule: Schedule
) -> None:
    rows, pulls, more = full
    rows = [*rows, {**more, "added": "yes"}]
    iso = issue(joint_schedule(plan, procedure="iso_slp"))
    assert not check(rows, pulls, issued=issue(schedule)).failed
    checked = check(rows, pulls, issued=iso)
    assert checked.rules["procedure"] == 6
    assert "was issued with ISO 21307" in checked.joints["reasons"].iloc[-1]


def test_a_joint_of_the_schedule_that_its_record_says_was_added_does_not_pass(
    check: Any, full: Any
) -> None:
    rows, pulls, _ = full
    checked = check([*rows[:4], {**rows[4], "added": "yes"}], pulls)
    assert checked.joints["verdict"].tolist() == ["pass"] * 4 + ["fail"]
    assert checked.rules == {"added": 1, "joints-of-pull": 1}
    said = checked.joints["reasons"].iloc[-1]
    assert said.startswith("line 6 says added on site, and the joint is in the schedule")


def test_a_joint_added_on_site_and_cut_out_again_is_not_due(
    check: Any, full: Any, tmp_path: Path
) -> None:
    rows, pulls, more = full
    bad = {**more, "added": "yes", "visual": "fail"}
    cut = {**bad, "made": "2026-03-03 10:00", "visual": "cut out"}
    checked = check([*rows, bad, cut], pulls)
    assert not checked.failed
    assert checked.joints["verdict"].tolist() == ["pass"] * 5 + ["cut out"]
    last = checked.joints.iloc[-1]
    assert last[["joint_id", "pull_id", "reasons"]].tolist() == ["R1-L1-J3A", "R1-L1", ""]
    assert last[["records", "cut_outs", "set_aside_lines"]].tolist() == [0, 1, "7, 8"]
    assert checked.pulls[["joints", "joints_passed"]].iloc[0].tolist() == [5, 5]
    assert not told(checked, "joint(s) added on site")  # nobody judges it, wherever it lay
    far = [{**row, "added_at_m": "99999"} for row in (bad, cut)]
    assert not check([*rows, *far], pulls).rules
    write_report(tmp_path / "c.pdf", checked, plan="p", records="r", units="si")
    assert "joints cut out" in pypdf.PdfReader(tmp_path / "c.pdf").pages[0].extract_text()
    assert told(checked, "1 joint(s) were cut out: 2 record(s)")
    assert told(checked, "R1-L1-J3A, added on site, was cut out again (line 7, 8) and is not due")
    again = {**bad, "made": "2026-03-03 12:00"}
    assert check([*rows, bad, cut, again], pulls).joints["verdict"].tolist()[-1] == "fail"
    assert not check([*rows, bad, cut, {**again, "visual": "pass"}], pulls).failed


def test_heat_soak_is_asked_for_at_14_in(write_plan: Callable[..., Path], check: Any) -> None:
    settings = {"pulls.piece_length": "10 m"}
    plan = read_plan(write_plan([PULL], carrier="14 in IPS DR 17 PE4710", settings=settings))
    made = joint_schedule(plan)
    rows = good(made)
    assert not check(rows, of=(plan, made)).failed
    rows[0]["soak_min"] = "3"  # of 3.7
    assert check(rows, of=(plan, made)).rules == {"soak": 1, "joints-of-pull": 1}


@pytest.mark.parametrize(
    ("time", "meant"),
    [
        ("2025-10-26 02:30", True),  # the last Sunday of October, Europe
        ("2026-03-29 01:55", True),
        ("2026-03-08 02:10", True),  # the second Sunday of March, North America
        ("2025-11-02 01:30", True),
        ("2026-04-05 02:30", True),  # Australia, New Zealand
        ("2025-09-28 02:30", True),
        ("2025-10-05 03:30", True),
        ("2025-10-26 04:00", False),
        ("2025-10-25 02:30", False),  # a Saturday
        ("2025-10-19 02:30", False),  # the third Sunday
        ("2026-03-01 02:30", False),
        ("2026-07-05 02:30", False),
        ("NaT", False),
    ],
)
def test_nights_in_which_clocks_may_be_changed_are_known(time: str, meant: bool) -> None:
    assert in_night_of_change(np.array([time], dtype="datetime64[s]")).tolist() == [meant]


def test_times_without_a_zone_in_a_night_of_change_are_told_and_others_are_not(
    check: Any, full: Any
) -> None:
    rows, pulls, _ = full
    assert not told(check(rows, pulls), "clocks may be changed")
    rows[0]["made"], rows[1]["made"] = "2025-10-26 01:20", "2025-10-26"
    pulls[0]["ended"] = "2026-03-29 03:00"
    joints, ends = told(check(rows, pulls), "clocks may be changed")
    assert "1 time(s) of joints without a zone" in joints
    assert "2025-10-26 01:20 (line 2)" in joints
    assert "1 time(s) of pulls" in ends
    for row in [*rows, *pulls]:
        for name in {"made", "started", "ended"} & set(row):
            row[name] = f"{row[name]}+01:00" if ":" in row[name] else row[name]
    assert not told(check(rows, pulls), "clocks may be changed")


def test_no_joint_passes_by_another_procedure_than_its_record_names_in_the_words_of_a_schedule(
    check: Any, schedule: Schedule
) -> None:
    rows = good(schedule)
    for row in rows:
        row["procedure"] = "ASTM F2620"
    assert not check(rows).failed
    rows[0]["procedure"] = "ISO 21307 single low pressure"
    rows[1]["procedure"] = "WP 7"  # may be another name of the same
    checked = check(rows)
    assert checked.joints["verdict"].tolist() == ["fail"] + ["pass"] * 4
    assert checked.rules == {"procedure": 1, "joints-of-pull": 1}
    assert told(checked, "WP 7 there, ASTM F2620 here (R1-L1-J2)")


def test_no_joint_of_a_schedule_filled_in_passes_by_another_procedure_than_it_names(
    plan: Any, schedule: Schedule, tmp_path: Path
) -> None:
    same = {name: name for name in ("bead_mm", "soak_min", "removal_s")}
    for name, passes in (("WP 12", False), ("ASTM F2620", True)):
        # only a schedule has the column cool_min
        rows = [{**row, "procedure": name, "cool_min": "13.9"} for row in good(schedule)]
        records = read_records(write(tmp_path / "r.csv", rows), "records", ReadAs(same))
        checked = check_records(schedule.joints, plan.table("pulls"), records)
        assert ("procedure" not in checked.rules) == passes == (not checked.failed)
