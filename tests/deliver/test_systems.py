"""What other systems ask for, as far as it can be tried on any."""

from __future__ import annotations

import errno
import os
import sqlite3
from contextlib import closing
from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest

from geotools.deliver import files
from geotools.deliver.files import check_file, replacing
from geotools.deliver.geopackage import layers_of_others
from geotools.deliver.systems import lives, sqlite_uri, system_mark, unfit_for_windows
from geotools.errors import OutputError


@pytest.mark.parametrize(
    ("path", "address"),
    [
        (PurePosixPath("/data/plan 1.gpkg"), "file:///data/plan%201.gpkg?mode=ro"),
        (PureWindowsPath(r"C:\data\plan.gpkg"), "file:///C:/data/plan.gpkg?mode=ro"),
        # no host, which SQLite refuses: https://www.sqlite.org/uri.html, 3.1
        (PureWindowsPath(r"\\gis\share\plan.gpkg"), "file:////gis/share/plan.gpkg?mode=ro"),
    ],
)
def test_a_file_has_an_address_without_a_host(path: Path, address: str) -> None:
    assert sqlite_uri(path, "mode=ro") == address


def test_a_file_is_opened_by_its_address_and_one_with_a_host_by_none(tmp_path: Path) -> None:
    path = tmp_path / "a #1?.gpkg"
    path.touch()
    with closing(sqlite3.connect(sqlite_uri(path, "mode=ro"), uri=True)) as file:
        assert file.execute("SELECT count(*) FROM sqlite_master").fetchone() == (0,)
    with pytest.raises(sqlite3.OperationalError, match="authority"):
        sqlite3.connect("file://gis/share/plan.gpkg?mode=ro", uri=True)


def test_what_may_hold_layers_of_others_and_cannot_be_read_is_not_taken_for_empty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    text = tmp_path / "text.gpkg"
    text.write_text("no GeoPackage, but long enough for SQLite to look at its first bytes" * 20)
    assert layers_of_others(text) == []
    elsewhere = f"file:{tmp_path}/none/plan.gpkg?mode=ro"
    monkeypatch.setattr("geotools.deliver.geopackage.sqlite_uri", lambda *_: elsewhere)
    with pytest.raises(OutputError, match="what it holds cannot be read"):
        layers_of_others(text)


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("plan_12:30.gpkg", "has no :"),
        ("who?.gpkg", r"has no \?"),
        ("nul.gpkg", "nul is a device"),
        ("COM1.tar.gz", "COM1 is a device"),
        ("null.gpkg", None),
        ("Straße 5 (neu).gpkg", None),
    ],
)
def test_a_name_that_windows_takes_for_something_else_is_refused_there(
    name: str, why: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(files, "WINDOWS", True)
    if why is None:
        assert unfit_for_windows(name) is None
        assert check_file(tmp_path / name, suffix=Path(name).suffix, overwrite=False)
    else:
        with pytest.raises(OutputError, match=why):
            check_file(tmp_path / name, suffix=Path(name).suffix, overwrite=False)


class Held(PermissionError):
    """What Windows says of a file that another program has open."""

    winerror = 32


def hold(monkeypatch: pytest.MonkeyPatch, held: Path, *, times: int = 99) -> None:
    """Have a file refuse so often to be moved or replaced, as on Windows while it is open."""
    left = [times]

    def guarded(call: str) -> None:
        real = getattr(Path, call)

        def move(self: Path, target: Path) -> Path:
            if left[0] and Path(target) == held:
                left[0] -= 1
                raise Held(errno.EACCES, "in use by another process")
            moved: Path = real(self, target)
            return moved

        monkeypatch.setattr(Path, call, move)

    guarded("rename")
    guarded("replace")
    monkeypatch.setattr(files, "WINDOWS", True)
    monkeypatch.setattr(files, "_WAITS", (0.0, 0.0))


def test_a_file_open_elsewhere_is_told_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_text("old")
    hold(monkeypatch, target)
    with pytest.raises(OutputError, match="open in another program"):
        check_file(target, suffix=".gpkg", overwrite=True)
    assert check_file(tmp_path / "other.gpkg", suffix=".gpkg", overwrite=True)


def test_a_file_opened_during_the_work_costs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_text("old")
    with pytest.raises(OutputError, match=r"plan\.new-1\.gpkg"), replacing(target) as part:
        part.write_text("new")
        monkeypatch.setattr(files, "_in_use", lambda _: False)
        hold(monkeypatch, target)
    assert {path.name: path.read_text() for path in tmp_path.iterdir()} == {
        "plan.gpkg": "old",
        "plan.new-1.gpkg": "new",
    }


def test_a_file_looked_through_for_a_moment_is_replaced_after_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_text("old")
    hold(monkeypatch, target, times=2)
    monkeypatch.setattr(files, "_in_use", lambda _: False)
    with replacing(target, overwrite=True) as part:
        part.write_text("new")
    assert [path.read_text() for path in tmp_path.iterdir()] == ["new"]


def test_without_proc_a_system_has_a_mark_of_its_boot(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(_: Path) -> bytes:
        raise FileNotFoundError

    monkeypatch.setattr(Path, "read_bytes", none)
    marks = set()
    for boot in (1_700_000_000.0, 1_700_000_000.0, 1_800_000_000.0):
        system_mark.cache_clear()
        monkeypatch.setattr("psutil.boot_time", lambda boot=boot: boot)
        marks.add(system_mark())
    system_mark.cache_clear()
    assert len(marks) == 2
    assert all(len(mark) == 12 for mark in marks)


def test_this_process_lives_and_one_of_an_impossible_number_does_not() -> None:
    assert lives(os.getpid())
    assert not lives(999_999_999)
