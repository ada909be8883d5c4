"""CSV tables: written so that no cell is a formula, read whoever wrote them."""

from __future__ import annotations

import codecs
import csv
import io
import re
import string
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from geotools.deliver.files import replacing
from geotools.errors import LayerError

__all__ = [
    "CsvFile",
    "Numbers",
    "doubtful_signs",
    "folded_name",
    "neutral",
    "parse_numbers",
    "plain",
    "read_csv",
    "write_csv",
]

# A spreadsheet takes a cell that starts so for a formula; an apostrophe in front makes it text.
# One that parts cells elsewhere, as many do at semicolons whatever the file says, starts a cell
# behind each such sign, quoted or not.
_SIGNS = "=+\\-@\t\r\n＝＋－＠"
_PARTS = ";\t|\r\n"
_FORMULA = re.compile(rf"\A(?='*[{_SIGNS}])|(?<=[{_PARTS}])(?=[\"']*[{_SIGNS}])")
_NEUTRAL = re.compile(rf"\A'(?='*[{_SIGNS}])|(?<=[{_PARTS}])'(?=[\"']*[{_SIGNS}])")
_DELIMITERS = (",", ";", "\t", "|")
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,2})?"
_THOUSANDS = r"[+-]?[1-9][0-9]{0,2}%s[0-9]{3}"
_MARK = "\ufeff"  # of byte order; files put one behind the other bring theirs along
_LINE_ENDS = re.compile(r"\s*[\r\n]+\s*")
_SHOWN = 5
_LEAST_HEADER = 4  # columns of the narrowest table that is read

TextArray = npt.NDArray[np.object_]


@dataclass(frozen=True)
class CsvFile:
    """A CSV file as read.

    Attributes
    ----------
    source : str
        Its path, for messages.
    columns : mapping of str to ndarray of str, shape (rows,)
        Cells by the name in the header, without blanks around them.
    lines : ndarray of int, shape (rows,)
        Line of the file each row starts in; blank ones are not rows.
    delimiter : str
    headers : tuple of int
        Lines below that repeat the header, as files put together have them; they are no rows.
    turned : tuple of int
        Those of them that have the columns in another order: rows below such a line are read by
        it, up to the next header.
    """

    source: str
    columns: Mapping[str, TextArray]
    lines: npt.NDArray[np.int64]
    delimiter: str
    headers: tuple[int, ...]
    turned: tuple[int, ...] = ()


@dataclass(frozen=True)
class Numbers:
    """Cells as numbers: values, NaN where there are none; which of them hold something else."""

    values: npt.NDArray[np.float64]
    wrong: npt.NDArray[np.bool_]


def neutral(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula, wherever it parts cells."""
    return _FORMULA.sub("'", text)


def plain(text: str) -> str:
    """Return what `neutral` was given."""
    return _NEUTRAL.sub("", text)


def write_csv(target: Path, table: pa.Table, *, overwrite: bool = True) -> None:
    """Write a table as CSV (RFC 4180, UTF-8), whole or not at all.

    Parameters
    ----------
    target : Path
        As `geotools.deliver.files.check_file` returned it.
    table : pyarrow.Table
        Texts are made safe for spreadsheets; numbers get four decimals at most, flags are
        ``yes`` and ``no``, missing values empty.
    overwrite : bool
        Whether a file that came to be there in the meantime may be replaced.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    cells = [_written(column.to_pylist()) for column in table.columns]
    beside = replacing(target, overwrite=overwrite)
    with beside as part, part.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(table.column_names)
        writer.writerows(zip(*cells, strict=True))


def _written(values: Sequence[Any]) -> list[str]:
    return [_cell(value) for value in values]


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        text = f"{value:.4f}".rstrip("0").rstrip(".")
        return "0" if text == "-0" else text
    return neutral(value) if isinstance(value, str) else str(value)


def read_csv(path: Path, *, encoding: str = "utf-8") -> CsvFile:
    """Read a CSV file with a header.

    Parameters
    ----------
    path : Path
        Columns parted by comma, semicolon, tab or bar; with or without a byte-order mark.
    encoding : str, optional
        Of a file without a byte-order mark that is not plainly UTF-8.

    Returns
    -------
    CsvFile
        Its cells as text.

    Raises
    ------
    LayerError
        If it cannot be read, is in another encoding, its rows do not fit the header, or a header
        of other columns stands among them: a row most of whose cells, and four at least, are
        names of the first.
    """
    source = str(path)
    text = _decoded(source, _bytes(path), encoding)
    first = next((line for line in text.splitlines() if _bare(line)), "")
    hint = re.fullmatch(r"sep=(.)", _bare(first))  # a spreadsheet's own way to say it
    if hint:
        text = text.replace(first, "", 1)  # the line stays, so that lines count right
        first = next((line for line in text.splitlines() if _bare(line)), "")
    if not first:
        raise LayerError(source, "is empty; a header and rows are due")
    delimiter = hint.group(1) if hint else _delimiter(text)
    rows, lines = _rows(source, text, delimiter)
    header = _header(source, rows[0])
    _check_title(source, len(header), rows, lines, delimiter)
    again = _headers_below(source, header, rows, lines)
    _put_in_order(rows, again, len(header))
    below = [k for k in range(1, len(rows)) if k not in again]
    parted = [rows[k] for k in below], [lines[k] for k in below]
    file = _columns(source, header, *parted, delimiter)
    same = list(range(len(header)))
    turned = tuple(lines[k] for k, order in again.items() if order != same)
    return replace(file, headers=tuple(lines[k] for k in again), turned=turned)


def _bytes(path: Path) -> bytes:
    if path.is_dir():
        raise LayerError(str(path), "is a folder; give a CSV file")
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise LayerError(str(path), "there is no such file; check the path") from error
    except OSError as error:
        raise LayerError(str(path), f"cannot be read ({error.strerror})") from error


def _decoded(source: str, data: bytes, encoding: str) -> str:
    used = next((name for mark, name in _BOMS if data.startswith(mark)), encoding)
    used = "utf-8" if used == encoding and _is_utf8(data) else used
    try:
        text = data.decode(used)
        text.encode()  # some codecs give what no text may hold
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise LayerError(
            source,
            f"line {line} is not {used} text; save the file as 'CSV UTF-8', or say what it is, "
            "such as --encoding cp1252",
        ) from error
    except (LookupError, UnicodeError) as error:
        raise LayerError(source, f"cannot be read as {used!r}: {error}") from error
    if "\0" in text:
        raise LayerError(source, "is not a text file; save the table as CSV")
    return text


def _is_utf8(data: bytes) -> bool:
    """Tell whether a file is UTF-8 whatever it is said to be: other text never reads as that.

    Of a file of plain letters it makes no difference; those of UTF-16 have zeros between.
    """
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return not text.isascii() and "\0" not in text


def _delimiter(text: str) -> str:
    """Return the delimiter that parts the header, which may run over lines, into most columns."""
    return max(_DELIMITERS, key=lambda mark: _header_cells(text, mark))


def _header_cells(text: str, mark: str) -> int:
    try:
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=mark)
        return next((len(row) for row in rows if any(map(_bare, row))), 0)
    except csv.Error:  # a stray quote, told with its line when the rows are read
        return 0


def _bare(cell: str) -> str:
    """Return a cell or a line without blanks and marks of byte order around it."""
    return cell.strip(f"{_MARK}{string.whitespace}").strip()


def _rows(source: str, text: str, delimiter: str) -> tuple[list[list[str]], list[int]]:
    """Return the rows that are not blank, and the line each starts in."""
    try:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    except (TypeError, ValueError) as error:
        raise LayerError(source, f"cannot be parted by {delimiter!r}: {error}") from error
    rows, lines, start = [], [], 1
    try:
        for row in reader:
            if any(map(_bare, row)):
                rows.append(row)
                lines.append(start)
            start = reader.line_num + 1
    except csv.Error as error:
        raise LayerError(
            source, f"line {start} cannot be read as CSV ({error}); look for a stray quote there"
        ) from error
    if not rows:
        raise LayerError(source, "is empty; a header and rows are due")
    return rows, lines


def _header(source: str, cells: list[str]) -> list[str]:
    names = _names(cells)
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise LayerError(source, f"its header has {', '.join(twice)} more than once")
    return names


def folded_name(name: str) -> str:
    """Return the name of a column as it is compared: without case, with ``_`` for blanks."""
    return name.casefold().replace(" ", "_")


def _names(cells: list[str]) -> list[str]:
    """Return the cells of a header as names, without those that are empty at its end."""
    names = [plain(_LINE_ENDS.sub(" ", cell.strip(f"{_MARK} \t\r\n"))) for cell in cells]
    while names and not names[-1]:
        names.pop()
    return names


def _headers_below(
    source: str, header: list[str], rows: list[list[str]], lines: list[int]
) -> dict[int, list[int]]:
    """Return which rows below the first hold its names once more, and where each of them stands.

    Neither case, blanks for ``_`` nor order count; a row that is nearly so, whichever of its cells
    they are, is the header of another table.
    """
    own = [folded_name(name) for name in header]
    known, found, others = set(own) - {""}, {}, []
    keys = {_letters(cell) for cell in rows[0]} - {""}
    least = min(_LEAST_HEADER, len(keys))
    for k, row in enumerate(rows[1:], 1):
        text = _letters("".join(row))  # no row can hold more names than this does
        if sum(key in text for key in keys) < least:
            continue
        names = [folded_name(name) for name in _names(row)]
        if sorted(names) == sorted(own):
            found[k] = _places(own, names)
        elif _is_header(names, known):
            others.append(lines[k])
    if others:
        shown = ", ".join(map(str, others[:_SHOWN])) + ", ..." * (len(others) > _SHOWN)
        raise LayerError(
            source,
            f"line {shown}: a header of other columns than that of line {lines[0]}; the rows below "
            "would be read under wrong names. Part the file there, and give each part its own name",
        )
    return found


def _letters(text: str) -> str:
    """Return a text without case, blanks and marks: names that are alike are alike in this."""
    return "".join(text.replace("_", "").replace(_MARK, "").split()).casefold()


def _is_header(names: list[str], known: set[str]) -> bool:
    """Tell whether most cells of a row are names of columns."""
    met = sum(name in known for name in names)
    return met >= _LEAST_HEADER and 2 * met > sum(map(bool, names))


def _places(own: list[str], names: list[str]) -> list[int]:
    """Return the place of every one of our names in others that are the same in another order."""
    places = [0] * len(own)
    ours, theirs = (sorted(range(len(of)), key=of.__getitem__) for of in (own, names))
    for here, there in zip(ours, theirs, strict=True):
        places[here] = there
    return places


def _put_in_order(rows: list[list[str]], again: dict[int, list[int]], width: int) -> None:
    """Put the cells of rows below a header of another order as the first header has them."""
    order = same = list(range(width))
    for k, row in enumerate(rows):
        order = again.get(k, order)
        if order != same and k not in again and len(row) >= width:
            row[:width] = [row[place] for place in order]


def _check_title(
    source: str, width: int, rows: list[list[str]], lines: list[int], delimiter: str
) -> None:
    """Refuse a file whose first row is a title: far narrower than one of those below it.

    A title of one cell hides what parts the others.
    """
    for row, line in zip(rows[1 : 1 + _SHOWN], lines[1:], strict=False):
        cells = sum(map(bool, map(str.strip, row)))
        if width == 1:
            text = delimiter.join(row)
            cells = max(cells, *(text.count(mark) + 1 for mark in _DELIMITERS))
        if cells >= max(_LEAST_HEADER, 2 * width):
            raise LayerError(
                source,
                f"line {lines[0]} looks like a title and line {line} like the header; take out "
                "what stands above the header",
            )


def _columns(
    source: str,
    header: list[str],
    rows: list[list[str]],
    lines: list[int],
    delimiter: str,
) -> CsvFile:
    width = len(header)
    odd = [
        line
        for row, line in zip(rows, lines, strict=True)
        if len(row) != width and (len(row) < width or any(map(str.strip, row[width:])))
    ]
    if odd:
        shown = ", ".join(map(str, odd[:_SHOWN])) + (", ..." if len(odd) > _SHOWN else "")
        raise LayerError(
            source,
            f"{len(odd)} row(s) have not the {width} cells of the header, at line {shown}; "
            "a cell that holds the delimiter must stand in quotes",
        )
    columns = {}
    for place, name in enumerate(header):
        column = np.empty(len(rows), dtype=object)
        column[:] = [plain(_bare(row[place])) for row in rows]
        if name:
            columns[name] = column
        elif any(column):
            raise LayerError(source, f"column {place + 1} has no name in the header")
    return CsvFile(source, columns, np.array(lines, dtype=np.int64), delimiter, ())


def doubtful_signs(columns: Iterable[TextArray], *, delimiter: str) -> frozenset[str]:
    """Return which of point and comma may part thousands in the numbers of a file.

    A sign is a decimal one where a number holds it that cannot be thousands, such as ``476,4``;
    then ``5.200`` in another column may be five thousand.

    Parameters
    ----------
    columns : iterable of ndarray of str
        All cells that should be numbers.
    delimiter : str
        Of the file. A comma in a file parted by commas may always be of thousands; in any other
        it is taken as decimal unless a point is.
    """
    texts = [pa.array(cells, pa.string()) for cells in columns]
    numbers = [text.filter(pa.array(_fits(text, _NUMBER))) for text in texts]
    point = any(_proves(cells, ".") for cells in numbers)
    comma = any(_proves(cells, ",") for cells in numbers)
    held = any(bool(np.any(_fits(cells, ".*,.*"))) for cells in numbers)
    doubtful = {","} if delimiter == "," or point else set()
    if comma or (held and "," not in doubtful):
        doubtful.add(".")
    return frozenset(doubtful)


def _proves(numbers: pa.Array, sign: str) -> bool:
    """Tell whether a number holds a sign that cannot part its thousands."""
    mark = re.escape(sign)
    return bool(np.any(_fits(numbers, f".*{mark}.*") & ~_fits(numbers, _THOUSANDS % mark)))


def parse_numbers(cells: TextArray, *, doubtful: frozenset[str] = frozenset()) -> Numbers:
    """Read cells as numbers with a decimal point or comma.

    Parameters
    ----------
    cells : ndarray of str
        Without blanks around them; empty ones have no value.
    doubtful : frozenset of str, optional
        As `doubtful_signs` gave it: with a comma ``1,234`` may be a thousand or one and is
        refused, with a point ``1.234``.

    Returns
    -------
    Numbers
        Values, and which cells are no numbers.
    """
    texts = pa.array(cells, pa.string())
    good = _fits(texts, _NUMBER)
    for sign in doubtful:
        good &= ~_fits(texts, _THOUSANDS % re.escape(sign))
    plain_texts = pc.replace_substring(texts, ",", ".").to_numpy(zero_copy_only=False)
    values = np.full(len(cells), np.nan)
    values[good] = plain_texts[good].astype(np.float64)
    values[np.isinf(values)] = np.nan  # more digits than a number can have
    return Numbers(values, (cells != "") & np.isnan(values))


def _fits(texts: pa.Array, pattern: str) -> npt.NDArray[np.bool_]:
    """Tell which texts are of a pattern from end to end."""
    found = pc.match_substring_regex(texts, rf"\A(?:{pattern})\z")
    return np.asarray(found.to_numpy(zero_copy_only=False), dtype=bool)
