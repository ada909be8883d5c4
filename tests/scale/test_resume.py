"""What a batch says of each district when it goes on with an earlier one."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from geotools.intake.digest import sha256
from geotools.scale.manifest import Entry
from geotools.scale.resume import Fate, fate_of, keep_edited, keep_summary

DONE = Entry("done", {"mains": "1", "dem": "2", "avoid": "3"}, "a.gpkg", "hash")


@pytest.mark.parametrize(
    ("last", "whole", "fate"),
    [
        (DONE, True, Fate("kept")),
        (replace(DONE, sha256="other"), True, Fate("kept", renewed=True)),
        (DONE, False, Fate("file_lost")),
        (None, False, Fate("new")),
        (Entry("empty"), False, Fate("new")),
        (Entry("failed", error="no"), False, Fate("failed_before")),
        (Entry("set_aside", error="no"), False, Fate("failed_before")),
        (replace(DONE, key={**DONE.key, "dem": "9"}), True, Fate("changed", ("dem",))),
        (replace(DONE, key={"mains": "0", "dem": "2"}), True, Fate("changed", ("mains", "avoid"))),
        (replace(DONE, key={**DONE.key, "streets": "4"}), True, Fate("changed", ("streets",))),
        (replace(DONE, key={}), True, Fate("written_by_earlier_version")),  # nothing is known
    ],
)  # fmt: skip
def test_a_district_is_kept_only_if_all_of_its_key_and_its_file_are_as_they_were(
    last: Entry | None, whole: bool, fate: Fate
) -> None:
    assert fate_of(DONE, last, whole=whole) == fate


def test_a_file_that_is_there_and_is_another_is_not_told_as_lost() -> None:
    assert fate_of(DONE, DONE, whole=False, edited=True) == Fate("file_changed")


def test_a_plan_edited_since_is_kept_under_a_name_no_district_has(tmp_path: Path) -> None:
    targets = {name: tmp_path / f"{name}.gpkg" for name in "abcdef"}
    for name in "abcde":
        targets[name].write_bytes(b"plan")
    hashed = sha256(targets["a"])
    for name in "bcd":
        targets[name].write_bytes(b"mine")
    (tmp_path / "b.edited-1.gpkg").write_bytes(b"mine too")
    before = {
        "a": Entry("done", file="a.gpkg", sha256=hashed),
        "b": Entry("done", file="b.gpkg", sha256=hashed),
        "c": Entry("failed", sha256=hashed),  # after a plan that was done
        "of old": Entry("done", file="d.gpkg", sha256=hashed),  # a district that is no more
        "f": Entry("done", file="f.gpkg", sha256=hashed),  # its file is gone
    }
    kept = keep_edited(targets, before)
    assert kept == {n: f"{n}.edited-{k}.gpkg" for n, k in (("b", 2), ("c", 1), ("d", 1))}
    assert {(tmp_path / name).read_bytes() for name in kept.values()} == {b"mine"}
    assert (tmp_path / "b.edited-1.gpkg").read_bytes() == b"mine too"
    assert [name for name, target in targets.items() if target.exists()] == ["a", "e"]


def test_what_a_batch_is_to_replace_and_layers_of_others_lie_in_is_kept(tmp_path: Path) -> None:
    targets = {name: tmp_path / f"{name}.gpkg" for name in ("a", "b", "summary")}
    for name, table in (("a", "runs"), ("b", "my_notes"), ("summary", "my_notes")):
        with closing(sqlite3.connect(targets[name])) as file, file:
            file.execute("CREATE TABLE gpkg_contents (table_name)")
            file.execute(f"CREATE TABLE {table} (text)")
    assert keep_edited(targets, {}) == {
        "b": "b.edited-1.gpkg",
        "summary": "summary.edited-1.gpkg",
    }
    assert targets["a"].exists()
    assert keep_summary(targets["a"]) == keep_summary(targets["b"]) == ""
    (tmp_path / "summary.edited-1.gpkg").rename(targets["summary"])
    assert keep_summary(targets["summary"]) == "summary.edited-1.gpkg"


def test_a_district_that_fails_now_was_not_kept_and_an_empty_one_has_no_fate() -> None:
    assert fate_of(Entry("failed", error="no"), DONE, whole=True) == Fate("changed")
    assert fate_of(Entry("empty"), DONE, whole=False) == Fate("")
