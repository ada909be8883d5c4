"""Which local file a source inside an archive lies in, on this system and on others."""

from __future__ import annotations

from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath

import pytest

from geotools.intake.place import archive_of, archives


@pytest.mark.parametrize(
    ("source", "kind", "archive", "rest"),
    [
        (r"/vsizip/C:\data\net.zip", PureWindowsPath, r"C:\data\net.zip", ""),
        (r"/vsizip/C:\data\net.zip:mains", PureWindowsPath, r"C:\data\net.zip", ":mains"),
        (r"/vsizip/C:\data\net.zip/in/n.shp", PureWindowsPath, r"C:\data\net.zip", "/in/n.shp"),
        ("/vsitar/C:/data/net.tar/n.shp:m", PureWindowsPath, r"C:\data\net.tar", "/n.shp:m"),
        (r"/vsizip/\\host\share\net.zip/n", PureWindowsPath, r"\\host\share\net.zip", "/n"),
        ("/vsizip///host/share/net.zip/n", PureWindowsPath, r"\\host\share\net.zip", "/n"),
        (r"/vsizip/{C:\data\net.zip}/n", PureWindowsPath, r"C:\data\net.zip", "}/n"),
        ("/vsigzip//vsizip/C:/a.zip/n.gz", PureWindowsPath, r"C:\a.zip", "/n.gz"),
        ("/vsizip/{/vsizip/{C:/a.zip}/b.zip}/n", PureWindowsPath, r"C:\a.zip", "}/b.zip}/n"),
        (r"/vsigzip/data\net.gz", PureWindowsPath, r"data\net.gz", ""),
        ("/vsizip/data/net.zip/n", PurePosixPath, "data/net.zip", "/n"),
        ("/vsizip/data/net.zip/n", PurePosixPath, "/data/net.zip", "/n"),
        ("/vsizip//data/net.zip/n", PurePosixPath, "/data/net.zip", "/n"),
        ("/vsizip///data/net.zip/n", PurePosixPath, "/data/net.zip", "/n"),
        ("/vsizip//vsizip//data/a.zip/b.zip", PurePosixPath, "/data/a.zip", "/b.zip"),
    ],
)
def test_the_path_of_an_archive_is_what_stands_behind_the_system_as_it_is(
    source: str, kind: type[PurePath], archive: str, rest: str
) -> None:
    given = [(str(path), left) for path, left in archives(source, kind)]
    assert (archive, rest) in given


def test_an_archive_is_sought_from_here_before_from_the_root() -> None:
    given = [str(path) for path, _ in archives("/vsizip/a/b.zip", PurePosixPath)]
    assert given == ["a/b.zip", "a", "/a/b.zip", "/a"]


def test_an_archive_is_found_with_a_layer_or_member_behind_it_and_in_braces(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    archive = tmp_path / "a:b.zip"
    archive.touch()
    monkeypatch.chdir(tmp_path)
    for source in ("", ":mains", "/in/n.shp", "/in/n.shp:mains"):
        assert archive_of(f"/vsizip/{archive}{source}") == archive
        assert archive_of(f"/vsizip/a:b.zip{source}") == Path("a:b.zip")
        assert archive_of(f"/vsizip//vsigzip/{archive}{source}") == archive
    assert archive_of(f"/vsizip/{{{archive}}}/n.shp") == archive
    assert archive_of(f"/vsizip//{archive}/n.shp") == archive
    assert archive_of(f"/vsizip/{tmp_path}/other.zip") is None
    assert archive_of(str(archive)) is None
