"""Quotes never closed and zero bytes of a CSV: rows they would take are not lost in silence."""

from __future__ import annotations

import gzip
import io
import time
import zipfile
from pathlib import Path
from typing import Any

import pytest

from geotools.intake import quoted
from geotools.intake.place import Place
from geotools.intake.quoted import unread_rows

HEAD = "WKT,main_id,diameter_mm,material\n"


def row(name: str, material: str = "CI") -> str:
    y = 5_200_000 + 50 * ord(name[0])
    return f'"LINESTRING (500000 {y},500100 {y})",{name},400,{material}\n'


def why(folder: Path, text: str | bytes) -> str:
    path = folder / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return unread_rows(Place(str(path), path, None), "t", object())


LOST = {
    "open at the end of a row": (row("A") + row("B", '"CI') + row("C"), 3),
    "open in the last row": (row("A") + row("B", '"CI'), 3),
    "two open": ("WKT,a,b\n,1,\"CI\n,2,\"CI\n,3,x\n", 2),
    "closed within a cell of a later row": ('WKT,a,b\n,"x,2\n,3,4" y\n', 2),
    "behind a cell with a line end": (row("A", '"C\nI"') + row("B", '"CI') + row("C"), 4),
    "behind inches": (row("A", '12" CI') + row("B", '"12"" CI') + row("C"), 3),
    "of semicolons": ("WKT;a;b\n;1;\"x,\n;2;\"y\n", 2),
    "in the header": ('WKT,main_id,"diameter_mm\n' + row("A"), 1),
}  # fmt: skip


@pytest.mark.parametrize("size", [7, 2**20])
@pytest.mark.parametrize("case", LOST)
def test_a_quote_that_takes_in_later_rows_is_told_with_its_line(
    case: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quoted, "_CHUNK", size)
    monkeypatch.setattr(quoted, "_anywhere", lambda: False)
    rows, line = LOST[case]
    for end in ("\n", "\r\n", "\r"):
        text = rows if rows.startswith("WKT") else HEAD + rows
        said = why(tmp_path, text.replace("\n", end))
        assert said.startswith(f"line {line}: a quote there is not closed")


RIGHT = {
    "a line end in a cell": row("A", '"C\nI"') + row("B"),
    "a line end and quotes in a cell": row("A", '"C ""x""\n""y"" I"') + row("B", '""""'),
    "inches": row("A", '12" CI') + row("B", '6" CI') + row("C", "2'-6\""),
    "inches behind a closed cell": row("A", '"12" CI"') + row("B", '"6" x'),
    "words in quotes": row("A", 'a "b" c') + row("B", '"a ""b"" c"'),
    "another sign and a quote": row("A", 'a; "b') + row("B", 'a;"b'),
    "no line end at last": (row("A") + row("B", '"CI"'))[:-1],
}

# What takes in rows for an older GDAL alone, and in which line.
OLD = {"inches": 2, "inches behind a closed cell": 2, "another sign and a quote": 2}


@pytest.mark.parametrize("size", [7, 2**20])
@pytest.mark.parametrize("case", RIGHT)
def test_for_an_older_gdal_a_quote_within_a_cell_takes_in_rows_too(
    case: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quoted, "_CHUNK", size)
    monkeypatch.setattr(quoted, "_anywhere", lambda: True)
    for end in ("\n", "\r\n", "\r"):
        said = why(tmp_path, (HEAD + RIGHT[case]).replace("\n", end))
        assert said.startswith(f"line {OLD[case]}: a quote") if case in OLD else said == ""


@pytest.mark.parametrize("size", [7, 2**20])
@pytest.mark.parametrize("case", RIGHT)
def test_quotes_that_are_right_are_read(
    case: str, size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, read_file: Any
) -> None:
    if quoted._anywhere() and case in OLD:
        pytest.skip("an older GDAL, for which these take in rows")
    monkeypatch.setattr(quoted, "_CHUNK", size)
    for end in ("\n", "\r\n", "\r"):
        assert why(tmp_path, (HEAD + RIGHT[case]).replace("\n", end)) == ""
    path = tmp_path / "net.csv"
    path.write_text(HEAD + RIGHT[case], encoding="utf-8")
    read = read_file(path, crs="EPSG:32633").mains.table["main_id"].tolist()
    assert read == ["A", "B", "C"][: len(read)]
    assert len(read) == RIGHT[case].count("LINESTRING")


def test_a_table_parted_by_spaces_may_hold_line_ends(tmp_path: Path) -> None:
    assert why(tmp_path, 'a b c\n1 "x\ny" 3\n') == ""
    assert why(tmp_path, 'a b c\n1 "x y\n"2 z" 3\n').startswith("line 2:")


def test_a_zero_byte_is_told_with_its_line(tmp_path: Path) -> None:
    said = why(tmp_path, HEAD + row("A", '"C\nI"') + row("B\0C"))
    assert said.startswith("line 4 holds a zero byte, behind which the rest of its row")


def test_a_quote_never_closed_ends_the_look_long_before_the_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quoted, "_LONGEST", 1000)
    monkeypatch.setattr(quoted, "_CHUNK", 100)
    stream = io.BytesIO(b'a,b\n1,"x\n' + b"2,y\n" * 10_000)
    assert quoted._looked_through(stream).startswith("line 2:")
    assert stream.tell() < 2000


@pytest.mark.parametrize("packed", ["", "folder", "zip", "zip of two", "gz"])
def test_mains_are_refused_wherever_their_table_lies(
    packed: str, tmp_path: Path, read_file: Any, fault: Any
) -> None:
    text = HEAD + row("A", '"CI') + row("B")
    path = tmp_path / "net.csv"
    path.write_text(text, encoding="utf-8")
    source: object = path
    if packed == "folder":
        (tmp_path / "other.csv").write_text(HEAD + row("C"), encoding="utf-8")
        source = f"{tmp_path}:net"
    elif packed.startswith("zip"):
        source = tmp_path / "net.zip"
        with zipfile.ZipFile(source, "w") as archive:
            archive.write(path, "net.csv")
            if packed == "zip of two":
                archive.writestr("other.csv", HEAD + row("C"))
                source = f"{source}:net"
    elif packed == "gz":
        (tmp_path / "net.csv.gz").write_bytes(gzip.compress(text.encode()))
        source = f"/vsigzip/{tmp_path}/net.csv.gz"
    said = fault(read_file, source, crs="EPSG:32633")
    assert "line 2: a quote there is not closed where its cell ends" in said


def test_a_table_is_looked_through_at_tens_of_megabytes_a_second(tmp_path: Path) -> None:
    text = (HEAD + (row("A") + row("B", '"CI"')) * 100_000).encode()
    begun = time.process_time()
    assert why(tmp_path, text) == ""
    assert time.process_time() - begun < len(text) / 10e6  # 0.5 s a 100 MB where it was written
