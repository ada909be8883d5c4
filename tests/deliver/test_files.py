"""Parts of files that a killed run left are removed; those of living runs and of the user stay."""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from geotools.deliver import files
from geotools.deliver.files import check_file, clear_parts, part_of, replacing, spare
from geotools.errors import OutputError

pytestmark = pytest.mark.skipif(
    not files.system_mark(), reason="processes cannot be told apart here"
)


@pytest.fixture
def target(tmp_path: Path) -> Path:
    return tmp_path / "plan (1).gpkg"


@pytest.fixture
def sleeper() -> Iterator[subprocess.Popen[bytes]]:
    """A process that lives until the test ends it."""
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        yield process
        process.kill()


def written_by(process: int, target: Path) -> Path:
    """Return a part of a target as a process of that number would leave it."""
    part = part_of(target)
    part = part.with_name(part.name.replace(f"-{os.getpid()}-", f"-{process}-"))
    part.write_text("half a plan")
    return part


def gone_process() -> int:
    """Return the number of a process that is not: one of a process that ended may be given anew."""
    return 999_999_999  # Linux numbers them below 2**22


def test_what_a_dead_process_left_is_removed_with_its_journal(target: Path) -> None:
    part = written_by(gone_process(), target)
    for end in ("-journal", "-wal", "-shm"):
        part.with_name(part.name + end).write_text("")
    clear_parts(target)
    assert list(target.parent.iterdir()) == []


def test_what_a_living_process_writes_stays(target: Path, sleeper: subprocess.Popen[bytes]) -> None:
    parts = {written_by(sleeper.pid, target), written_by(os.getpid(), target)}
    parts.add(written_by(1, target))  # the first process: alive, and mostly another user's
    clear_parts(target)
    assert set(target.parent.iterdir()) == parts


def test_a_part_goes_once_its_writer_was_killed(
    target: Path, sleeper: subprocess.Popen[bytes]
) -> None:
    part = written_by(sleeper.pid, target)
    clear_parts(target)
    assert part.exists()
    sleeper.kill()
    sleeper.wait()
    clear_parts(target)
    assert not part.exists()


def test_parts_of_another_target_system_or_boot_stay(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    dead = gone_process()
    kept = {
        written_by(dead, target.with_name("plan (2).gpkg")),
        written_by(dead, target.with_name("plan (1).csv")),
        written_by(dead, target.with_name("plan .1..gpkg")),
    }
    with monkeypatch.context() as elsewhere:
        elsewhere.setattr(files, "system_mark", lambda: "0" * 12)
        kept.add(written_by(dead, target))
    clear_parts(target)
    assert set(target.parent.iterdir()) == kept


@pytest.mark.parametrize(
    "name",
    [".plan (1).gpkg", ".plan (1).backup.gpkg", ".plan (1).1234.gpkg", ".plan (1).gpkg-journal"],
)
def test_files_of_the_user_stay(name: str, target: Path) -> None:
    own = target.with_name(name)
    own.write_text("mine")
    target.write_text("the plan of last week", encoding="utf-8")
    clear_parts(target)
    assert set(target.parent.iterdir()) == {own, target}


def test_nothing_is_removed_where_processes_cannot_be_told_apart(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "system_mark", lambda: "")
    part = written_by(gone_process(), target)
    clear_parts(target)
    assert part.exists()


def test_writing_a_file_removes_what_a_killed_run_left_of_it(target: Path) -> None:
    written_by(gone_process(), target)
    with replacing(target) as part:
        part.write_text("whole")
    assert list(target.parent.iterdir()) == [target]
    assert target.read_text(encoding="utf-8") == "whole"


def test_a_file_that_came_in_the_meantime_is_kept_unless_told_otherwise(target: Path) -> None:
    write = replacing(target, overwrite=False)
    with pytest.raises(OutputError, match="exists already"), write as part:
        part.write_text("plan")
        target.write_text("mine", encoding="utf-8")
    assert target.read_text(encoding="utf-8") == "mine"
    assert list(target.parent.iterdir()) == [target]
    with replacing(target) as part:
        part.write_text("plan")
    assert target.read_text(encoding="utf-8") == "plan"


@pytest.mark.parametrize("name", ["a" * 240 + ".csv", "a" * 300 + ".csv", "a\0.csv"], ids=len)
def test_a_name_no_file_can_be_written_under_is_refused_at_once(tmp_path: Path, name: str) -> None:
    # The longest name a file system allows has 255 bytes, and the part is a longer one.
    with pytest.raises(OutputError, match=r"cannot write in|is no name for a file"):
        check_file(tmp_path / name, suffix=".csv", overwrite=True)
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_on_the_disk_before_it_takes_the_place_of_the_old_one(
    target: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target.write_text("old", encoding="utf-8")
    seen = []

    def fsync(descriptor: int) -> None:
        about = os.fstat(descriptor)
        seen.append(
            (
                None if stat.S_ISDIR(about.st_mode) else about.st_size,
                target.read_text(encoding="utf-8"),
            )
        )

    monkeypatch.setattr(os, "fsync", fsync)
    with replacing(target) as part:
        part.write_text("whole")
    assert seen == [(5, "old"), (None, "whole")]


def test_what_is_read_is_spared_by_whatever_name_it_is_told(
    tmp_path: Path, link: Callable[[Path, Path], None]
) -> None:
    one, two, new = (tmp_path / name for name in ("one.gpkg", "two.gpkg", "new.gpkg"))
    for path in (one, two):
        path.write_text("data")
    (tmp_path / "hard.gpkg").hardlink_to(one)
    link(tmp_path / "soft.gpkg", two)
    folder = tmp_path / "tables"
    folder.mkdir()
    for name in ("in.csv", "plan.gpkg"):  # GDAL reads the one with the folder, never the other
        (folder / name).write_text("data")
    targets = [tmp_path / "hard.gpkg", tmp_path / "soft.gpkg", folder / "in.csv"]
    with pytest.raises(OutputError) as caught:
        spare([*targets, new, folder / "plan.gpkg"], [one, two, folder, tmp_path / "none.gpkg"])
    told = [line.partition(": is read")[0] for line in str(caught.value).splitlines()]
    assert told == [str(path) for path in targets]


@pytest.mark.skipif(os.name != "posix", reason="no modes on this system")
def test_a_file_replaced_keeps_who_may_read_it_and_a_new_one_is_as_any_new_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def written(name: str) -> int:
        with replacing(tmp_path / name) as part:
            part.write_text("new")
        return (tmp_path / name).stat().st_mode & 0o777

    any_new = tmp_path / "any"
    any_new.touch()
    assert written("new.csv") == any_new.stat().st_mode & 0o777
    for mode in (0o600, 0o640, 0o666):
        (tmp_path / "old.csv").write_text("old")
        (tmp_path / "old.csv").chmod(mode)
        assert written("old.csv") == mode

    def refuse(*_: Any, **__: Any) -> None:
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(Path, "chmod", refuse)  # as where a file system has no modes
    written("old.csv")
    assert (tmp_path / "old.csv").read_text() == "new"
