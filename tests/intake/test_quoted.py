"""Quotes not closed, long lines and zero bytes of a CSV take no rows in silence."""

from __future__ import annotations

import gzip
import io
import time
import zipfile
from pathlib import Path
from typing import Any

import pyogrio
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
    "inches of two rows": ('WKT,a,b\n,"6 in,x\n,8",y\n,9,z\n', 2),
    "inches of two rows in the last cells": ('WKT,b,a\n,x,"6\n,y,8"\n,z,9\n', 2),
    "inches of rows far apart": (HEAD + 'P,B,"6,x\n' + "P,C,10,y\n" * 49 + 'P,D,8",y\n', 2),
    "inches behind a cell over lines": (HEAD + '"P\nQ",B,"6,x\n\nP,C,8",y\n', 3),
    "behind a line that ends where a part does": ('a,b\n,xxxxxxx\n,"x\n,y\n', 3),
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
        text = rows if rows.startswith(("WKT", "a,")) else HEAD + rows
        said = why(tmp_path, text.replace("\n", end))
        assert said.startswith(f"line {line}: a quote there is not closed")


RIGHT = {
    "a line end in a cell": row("A", '"C\nI"') + row("B"),
    "a line end and quotes in a cell": row("A", '"C ""x""\n""y"" I"') + row("B", '""""'),
    "a list in a cell": row("A", '"CI\nlaid, lined, mended, and so on"') + row("B"),
    "two cells over lines": row("A", '"C\nI"').replace("400", '"4\n0, 0"') + row("B"),
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


def test_a_header_may_go_over_lines(tmp_path: Path) -> None:
    assert why(tmp_path, 'WKT,"main\nid",x\n,1,2\n') == ""
    assert why(tmp_path, 'WKT,"main\nid",x\n,"1,2\n,3",4\n').startswith("line 3:")


def test_a_zero_byte_is_told_with_its_line(tmp_path: Path) -> None:
    said = why(tmp_path, HEAD + row("A", '"C\nI"') + row("B\0C"))
    assert said.startswith("line 4 holds a zero byte, behind which the rest of its row")


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_zero_bytes_behind_the_last_row_take_none(
    end: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quoted, "_CHUNK", 100)
    monkeypatch.setattr(quoted, "_LONGEST", 1000)
    rows = (HEAD + row("A") + row("B", '"CI"')).replace("\n", end)
    for padding in ("\0", "\0" * 5000, f"\0{end}" * 500):
        assert why(tmp_path, rows + padding) == ""
        assert why(tmp_path, rows + padding + "C").startswith("line 4 holds a zero byte")
    assert why(tmp_path, rows + '"C\0').startswith("line 4: a quote there is not closed")
    assert why(tmp_path, rows + "C" + "\0" * 5000).startswith("line 4 has more than 1,000 bytes")


def test_a_quote_never_closed_ends_the_look_long_before_the_file(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(quoted, "_ENOUGH", 1000)
    monkeypatch.setattr(quoted, "_CHUNK", 100)
    stream = io.BytesIO(b'a,b\n1,"x\n' + b"2,y\n" * 10_000)
    assert quoted._looked_through(stream).startswith("line 2:")
    assert stream.tell() < 2000


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r"])
def test_a_line_gdal_would_end_at_is_told_and_none_shorter(end: bytes, tmp_path: Path) -> None:
    for lacking in (1, 0):
        long = b"B,".ljust(10**7 - lacking, b"x")
        rows = end.join([b"id,a", b'A,"1', b'2"', long, b"C,3", b""])
        said = why(tmp_path, rows)
        read = pyogrio.read_dataframe(tmp_path / "t.csv")["id"].tolist()
        assert (read == ["A", "B", "C"]) == (said == "") == (lacking == 1)
    assert said.startswith("line 4 has more than 10,000,000 bytes, so that it and all rows behind")


def test_a_cell_of_many_lines_may_be_longer_than_a_line(tmp_path: Path) -> None:
    said = why(tmp_path, b'id,a\nA,"' + (b"x" * 99 + b"\n") * 120_000 + b'"\nB,3\n')
    assert said == ""
    assert pyogrio.read_dataframe(tmp_path / "t.csv")["id"].tolist() == ["A", "B"]


def test_what_goes_wrong_in_the_look_itself_is_not_taken_for_an_archive_that_cannot_be_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Damaged(io.BytesIO):
        def read(self, size: int | None = -1, /) -> bytes:
            if self.tell():
                raise EOFError
            return super().read(size)

    monkeypatch.setattr(quoted, "_CHUNK", 9)
    assert quoted._looked_through(Damaged(b'a,b\n1,"x\n2,y\n')) == ""
    monkeypatch.setattr(quoted, "_plain", lambda *_: {}["a fault of its own"])
    with pytest.raises(KeyError, match="a fault of its own"):
        why(tmp_path, HEAD + row("A"))


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
        (tmp_path / "net.txt").write_text("of what the table is", encoding="utf-8")
        source = f"{tmp_path}:net"
    elif packed.startswith("zip"):
        source = tmp_path / "net.zip"
        with zipfile.ZipFile(source, "w") as archive:
            archive.write(path, "net.csv")
            if packed == "zip of two":
                archive.writestr("other.csv", HEAD + row("C"))
                archive.writestr("net.txt", "of what the table is")
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
