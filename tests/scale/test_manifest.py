"""What a batch keeps: the manifest, the lock, the names of its files."""

from __future__ import annotations

import ntpath
import os
import re
import subprocess
import sys
from pathlib import Path, PureWindowsPath

import pytest

from geotools.deliver.files import part_of
from geotools.errors import OutputError
from geotools.intake.digest import sha256
from geotools.scale.manifest import (
    Entry,
    file_name,
    file_names,
    files_made,
    locked,
    manifest_fault,
    read_manifest,
    set_manifest_aside,
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
        'Üfer/"Old" Vale': Entry(
            "done", {"mains": "k"}, "f.gpkg", "h", tries=2, summary={"pits": 3}
        ),
        "Nord": Entry("failed", error="no\nroom"),
    }
    assert read_manifest(tmp_path) == {}
    write_manifest(tmp_path, entries)
    assert read_manifest(tmp_path) == entries
    assert [p.name for p in tmp_path.iterdir()] == ["manifest.json"]


def test_the_key_of_an_earlier_version_is_read_as_none(tmp_path: Path) -> None:
    told = '{"format": 1, "districts": {"Nord": {"status": "done", "key": "ab", "file": "n.gpkg"}}}'
    (tmp_path / "manifest.json").write_text(told, encoding="utf-8")
    assert read_manifest(tmp_path) == {"Nord": Entry("done", {}, "n.gpkg")}


@pytest.mark.parametrize(
    "name",
    ["C:x.gpkg", r"C:\x.gpkg", r"\x.gpkg", r"\\host\share\x.gpkg", r"..\x.gpkg", r"a\..\..\x"],
)
def test_no_name_that_leads_out_of_the_folder_on_some_system_is_taken_for_a_batchs_own(
    tmp_path: Path, name: str
) -> None:
    entries = {"Nord": Entry("done", file=name, sha256="1"), "Süd": Entry("done", file="s.gpkg")}
    write_manifest(tmp_path, entries, [name, "s.gpkg"])
    assert read_manifest(tmp_path) == {"Nord": Entry("done"), "Süd": Entry("done", file="s.gpkg")}
    assert files_made(tmp_path) == {"s.gpkg"}


@pytest.mark.parametrize("text", ["", "[]", '{"format": 1}', '{"format": 7, "districts": {}}'])
def test_a_manifest_that_cannot_be_read_is_an_error_that_says_so(tmp_path: Path, text: str) -> None:
    (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
    for read in (read_manifest, sweep):
        with pytest.raises(OutputError, match=r"manifest\.json: .*--overwrite .*a new folder"):
            read(tmp_path)
    assert "manifest.json: " in manifest_fault(tmp_path)
    sweep(tmp_path, overwrite=True)
    (tmp_path / "manifest.unread-1.json").write_text("older", encoding="utf-8")
    assert set_manifest_aside(tmp_path) == "manifest.unread-2.json"
    assert (tmp_path / "manifest.unread-2.json").read_text(encoding="utf-8") == text
    assert (tmp_path / "manifest.unread-1.json").read_text(encoding="utf-8") == "older"
    assert manifest_fault(tmp_path) == ""


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


def test_a_district_keeps_the_name_its_file_has_and_others_get_what_is_free() -> None:
    own = {"summary.gpkg"}
    assert file_names(["INSELN", "Inseln"], {}, own) == {
        "INSELN": "inseln.gpkg", "Inseln": "inseln-2.gpkg",
    }  # fmt: skip
    before = {
        "Inseln": Entry("done", file="inseln.gpkg"),
        "Rest": Entry("done", file="rest-2.gpkg"),
        "Leer": Entry("empty"),
        "Away": Entry("done", file="summary.gpkg"),
        "Beside": Entry("done", file="rest-2.gpkg"),
        "Below": Entry("done", file="styles/below.gpkg"),
    }
    assert file_names(["INSELN", "inseln", *before], before, own) == {
        "INSELN": "inseln-2.gpkg", "inseln": "inseln-3.gpkg", "Inseln": "inseln.gpkg",
        "Rest": "rest-2.gpkg", "Leer": "leer.gpkg", "Away": "away.gpkg",
        "Beside": "beside.gpkg", "Below": "below.gpkg",
    }  # fmt: skip
    assert file_names(["INSELN"], before, own) == {"INSELN": "inseln-2.gpkg"}  # one not asked for


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
    (tmp_path / "styles").mkdir()
    write_manifest(tmp_path, {"North": Entry("done", file="north.gpkg")}, ["styles/pits.sld"])
    gone = 999_999_999  # Linux numbers processes below 2**22
    halves = [part_of(tmp_path / n) for n in ("north.gpkg", "styles/pits.sld", "manifest.json")]
    halves = [p.with_name(p.name.replace(f"-{os.getpid()}-", f"-{gone}-")) for p in halves]
    away = re.sub(r"\.[0-9a-f]*-", ".0123456789ab-", halves[0].name)  # by a worker elsewhere
    for path in (*halves, halves[0].with_name(f"{halves[0].name}-journal"), tmp_path / away):
        path.touch()
    living, other = part_of(tmp_path / "north.gpkg"), tmp_path / away.replace("north", "mine")
    kept = {living, other, *(tmp_path / n for n in ("north.gpkg", ".hidden.gpkg", "notes.txt"))}
    for path in kept:
        path.touch()
    sweep(tmp_path)
    assert {*tmp_path.iterdir()} == kept | {tmp_path / "manifest.json", tmp_path / "styles"}
    assert not [*(tmp_path / "styles").iterdir()]


def test_files_a_batch_is_to_write_are_known_before_they_are_done(tmp_path: Path) -> None:
    assert files_made(tmp_path) == set()
    entries = {"North": Entry("done", file="north.gpkg"), "South": Entry("failed", error="no")}
    entries |= {name: Entry("done", file=name, sha256="1") for name in ("../out.gpkg", "/b.gpkg")}
    write_manifest(tmp_path, entries, ["south.gpkg", "styles/pits.sld", "../mine.gpkg", "/a.gpkg"])
    assert files_made(tmp_path) == {"north.gpkg", "south.gpkg", "styles/pits.sld"}
    assert read_manifest(tmp_path)["../out.gpkg"] == Entry("done")  # no plan: to be made anew


def is_device(file: str) -> bool:
    """Say whether Windows keeps this name for a device, as Python knows it."""
    if sys.version_info >= (3, 13):
        return ntpath.isreserved(file)
    return PureWindowsPath(file).is_reserved()


@pytest.mark.parametrize("name", ["CON", "nul", "com1", "LPT9", "com\u00b2", "Aux!"])
def test_no_district_file_is_called_as_a_device_is(name: str) -> None:
    file = file_name(name, set())
    assert file.startswith("district-")
    assert not is_device(file)
    assert file_name("Conway", set()) == "conway.gpkg"


def test_a_part_of_the_longest_district_file_fits_a_file_system(tmp_path: Path) -> None:
    for letter in ("a", "\u6c34", "\U00020000"):  # of one, three and four bytes
        path = part_of(tmp_path / file_name(letter * 300, {file_name(letter * 300, set())}))
        assert len(path.name.encode()) + len("-journal") <= 255
