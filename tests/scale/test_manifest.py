"""What a batch keeps: the manifest, the lock, the names of its files."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from geotools.errors import OutputError
from geotools.intake.digest import sha256
from geotools.scale.manifest import (
    Entry,
    file_name,
    locked,
    read_manifest,
    still_good,
    sweep,
    write_manifest,
)

HOLD = """
import pathlib, sys
from geotools.scale.manifest import locked
with locked(pathlib.Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_manifest_comes_back_as_it_was_written(tmp_path: Path) -> None:
    entries = {
        'Üfer/"Old" Vale': Entry("done", "k", "f.gpkg", "h", tries=2, summary={"pits": 3}),
        "Nord": Entry("failed", error="no\nroom"),
    }
    assert read_manifest(tmp_path) == {}
    write_manifest(tmp_path, entries)
    assert read_manifest(tmp_path) == entries
    assert [p.name for p in tmp_path.iterdir()] == ["manifest.json"]


@pytest.mark.parametrize("text", ["", "[]", '{"format": 1}', '{"format": 7, "districts": {}}'])
def test_a_manifest_that_cannot_be_read_is_an_error_that_says_so(tmp_path: Path, text: str) -> None:
    (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
    with pytest.raises(OutputError, match=r"manifest\.json: .*use a new folder"):
        read_manifest(tmp_path)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("Eastfold", "eastfold.gpkg"),
        ("../../etc/passwd", "etc-passwd.gpkg"),
        ('Üfer/"Old" Vale', "üfer-old-vale.gpkg"),
        ("...", "district.gpkg"),
        ("A\0B\n", "a-b.gpkg"),
    ],
)
def test_a_district_name_is_never_a_path(name: str, expected: str) -> None:
    assert file_name(name, set()) == expected


def test_names_that_come_to_the_same_get_files_of_their_own() -> None:
    taken: set[str] = set()
    for name in ("North", "NORTH", "north!"):
        taken.add(file_name(name, taken))
    assert taken == {"north.gpkg", "north-2.gpkg", "north-3.gpkg"}


def test_a_file_that_was_touched_since_is_not_taken_as_done(tmp_path: Path) -> None:
    path = tmp_path / "a.gpkg"
    path.write_bytes(b"plan")
    good = Entry("done", file="a.gpkg", sha256=sha256(path))
    assert still_good(tmp_path, good)
    path.write_bytes(b"plam")
    assert not still_good(tmp_path, good)
    path.unlink()
    assert not still_good(tmp_path, good)


def test_two_batches_on_one_folder_refuse_each_other_and_a_killed_one_refuses_nobody(
    tmp_path: Path,
) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(OutputError, match="another batch is at work"), locked(tmp_path):
            pass
        holder.kill()
    with locked(tmp_path):
        pass


def test_half_written_files_are_swept_up_and_others_are_not(tmp_path: Path) -> None:
    half = f".north.{'0a' * 16}.gpkg"
    for name in (half, f"{half}-journal", "north.gpkg", ".hidden.gpkg", "notes.txt"):
        (tmp_path / name).touch()
    sweep(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == [".hidden.gpkg", "north.gpkg", "notes.txt"]
