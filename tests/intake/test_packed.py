"""Both ends of a file are those of what is unpacked, or none where it cannot be."""

from __future__ import annotations

import gzip
import tarfile
import zipfile
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath

import numpy as np
import pytest

from geotools.intake.packed import NEAR_END, both_ends, within
from geotools.intake.place import Place

LONG = np.random.default_rng(1).bytes(3 * 2**20 + 17)  # more than is unpacked at a time


@pytest.mark.parametrize("content", [LONG, b"short", b""])
def test_both_ends_are_those_of_the_content_however_it_is_packed(content, tmp_path: Path) -> None:
    bare, zipped, gzipped, tarred = (tmp_path / name for name in ("a", "a.zip", "a.gz", "a.tar"))
    bare.write_bytes(content)
    gzipped.write_bytes(gzip.compress(content))
    with zipfile.ZipFile(zipped, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(bare, "in/a")
    with tarfile.open(tarred, "w") as archive:
        archive.add(bare, "in/a")
    dotted = tmp_path / "dotted.tar"
    with tarfile.open(dotted, "w") as archive:
        archive.add(bare, "./a")  # as tar names what it packs of a folder
    places = [
        Place(f"/vsitar/{dotted}/a", dotted, None),
        Place(str(bare), bare, None),
        Place(f"/vsizip/{zipped}", zipped, None),
        Place(f"/vsizip/{zipped}/in/a", zipped, None),
        Place(f"/vsizip/{{{zipped}}}/in/a", zipped, None),
        Place(f"/vsigzip/{gzipped}", gzipped, None),
        Place(f"/vsitar/{tarred}", tarred, None),
        Place(f"/vsitar/{tarred}/in/a", tarred, None),
    ]
    for place in places:
        assert both_ends(place) == (content[:NEAR_END], content[-NEAR_END:])


@pytest.mark.parametrize(
    ("target", "path", "due"),
    [
        ("/vsizip/data/net.zip/in/a", PureWindowsPath("data", "net.zip"), "in/a"),
        ("/vsizip/C:/data/net.zip/a", PureWindowsPath("C:\\data\\net.zip"), "a"),
        ("/vsizip/{C:/data/net.zip}/a", PureWindowsPath("c:\\data\\Net.zip"), "a"),
        ("/vsizip/data//./net.zip/a", PurePosixPath("data/net.zip"), "a"),
        ("/vsizip/net.zip/net.zip", PurePosixPath("net.zip/net.zip"), ""),
        ("data/net.zip", PureWindowsPath("data", "net.zip"), ""),
    ],
)
def test_the_name_in_an_archive_is_found_however_the_path_before_it_is_written(
    target: str, path: PurePath, due: str
) -> None:
    assert within(target, path) == due


def test_there_are_no_ends_of_what_cannot_be_unpacked(tmp_path: Path) -> None:
    two, cut = tmp_path / "two.zip", tmp_path / "cut.gz"
    with zipfile.ZipFile(two, "w") as archive:
        archive.writestr("a", b"1")
        archive.writestr("b", b"2")
    cut.write_bytes(gzip.compress(LONG)[:-99])
    for target, path in (
        (f"/vsizip/{two}", two),  # which of the two
        (f"/vsizip/{two}/c", two),
        (f"/vsizip//vsizip/{two}/a", two),  # within another
        (f"/vsi7z/{two}/a", two),
        (f"/vsitar/{two}/a", two),
        (f"/vsigzip/{cut}", cut),
        (str(tmp_path), tmp_path),
        ("/vsicurl/https://example.invalid/a", None),
    ):
        assert both_ends(Place(target, path, None)) is None
