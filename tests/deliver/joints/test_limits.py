"""Limits of the schedule in records: what is due is not taken for what was measured."""

from __future__ import annotations

import csv
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.deliver.joints.limits import limits_among
from geotools.deliver.joints.matching import Match
from geotools.deliver.joints.records import ReadAs, read_records
from geotools.deliver.joints.rules import copied_limits
from geotools.errors import LayerError

RECORD = {
    "joint_id": "A-J1",
    "made": "2026-03-02 08:00",
    "operator": "A. Quill",
    "machine": "M-7",
    "piston_area_cm2": "60",
    "heater_1_c": "218",
    "heater_2_c": "219",
    "drag_kpa": "200",
    "fusion_pressure_kpa": "2900",
    "cool_pressure_kpa": "2900",
    "cool_time_min": "14",
    "visual": "pass",
}
LIMITS = {"bead_mm": "9.525", "soak_min": "5.7176", "removal_s": "20"}


def read(path: Path, row: dict[str, str], **columns: str) -> Any:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(row))
        writer.writeheader()
        writer.writerow(row)
    return read_records(path, "records", ReadAs(columns))


@pytest.mark.parametrize("beside", ["cool_min", "Heater low F", "piece_before_m", "gauge_high_psi"])
def test_limits_of_a_schedule_that_was_filled_in_are_not_taken_as_measured(
    tmp_path: Path, beside: str
) -> None:
    path, row = tmp_path / "r.csv", {**LIMITS, beside: "1", **RECORD}
    with pytest.raises(LayerError, match=f"beside {beside}.* not taken as measured.*--map bead_mm"):
        read(path, row)  # the time of removal has to be there
    found = read(path, {**row, "opened s": "12"}, removal_s="opened s")
    assert found.table[["bead", "soak"]].isna().all(axis=None)
    assert found.table["removal"].tolist() == [12.0]
    assert any(note.startswith("bead_mm, soak_min: stands beside") for note in found.notes)
    assert {"bead_mm", "soak_min", "removal_s"} <= set(found.unused)


def test_what_a_user_names_as_measured_is_taken_so_and_so_are_records_without_a_schedule(
    tmp_path: Path,
) -> None:
    path, own = tmp_path / "r.csv", {name: name for name in LIMITS}
    named = read(path, {**LIMITS, "cool_min": "14", **RECORD}, **own)
    alone = read(path, {**LIMITS, "carrier": "pipe", "chainage_m": "3", **RECORD})
    for found in (named, alone):
        assert found.table["removal"].tolist() == [20.0]
        assert found.table["bead"].tolist() == [pytest.approx(0.009525)]
        assert not found.notes
    mapped = {"cool_time_min": "cool_min"}  # a column of the inspector's own that is so called
    assert limits_among([*LIMITS, "cool_min"], mapped) is None


def test_values_that_are_all_their_limits_are_told_as_not_checked() -> None:
    due = pd.DataFrame({"bead": 0.01, "soak": np.linspace(200, 300, 6), "removal": 20, "cool": 900})
    made = pd.DataFrame(
        {"bead": 0.011, "soak": (due["soak"] / 60).round(4) * 60, "removal": 20.0, "cool_time": 1e3}
    )
    made.loc[2, "removal"] = 19.0
    rows = np.arange(6)
    (note,) = copied_limits(Match(rows, rows, made, due, "si"), files(6))
    assert note.startswith("not checked: whether soak was measured. In all 6 records it")
    few = Match(rows[:4], rows[:4], made[:4], due[:4], "si")
    assert list(copied_limits(few, files(4))) == []


def files(*counts: int) -> Any:
    """Return what is asked of records in files of so many rows."""
    each = [SimpleNamespace(source=f"week {k}.csv") for k in range(len(counts))]
    parts = tuple(each) if len(counts) > 1 else ()
    return SimpleNamespace(files=each, parts=parts, file_of=np.repeat(range(len(counts)), counts))


def test_values_that_are_nearly_all_their_limits_in_one_of_several_files_are_told() -> None:
    rows = np.arange(30)
    due = pd.DataFrame({"bead": np.full(30, 0.01), "soak": 200.0, "removal": 20.0, "cool": 900.0})
    made = due.rename(columns={"cool": "cool_time"}) * 1.1
    made.loc[:8, "removal"] = 20.0  # nine of the ten of the first file
    made.loc[10:26, "bead"] = 0.01  # 17 of the 20 of the second
    (note,) = copied_limits(Match(rows, rows, made, due, "si"), files(10, 20))
    assert "whether removal was measured. In 9 of 10 records of week 0.csv it is" in note
