"""Records from site, read: fused joints, pulls made, who and what is qualified."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.deliver.csv_file import CsvFile, doubtful_signs, folded_name, parse_numbers, read_csv
from geotools.deliver.durations import durations
from geotools.deliver.joints.limits import Limits, limits_among, names_its_procedure, quoted
from geotools.deliver.joints.matching import folded, words_of
from geotools.errors import LayerError
from geotools.schema import OUTPUTS, Field, Layer, Words
from geotools.toml_faults import toml_fault

__all__ = [
    "ADDED",
    "CUT",
    "FAIL",
    "HEATERS",
    "KINDS",
    "PASS",
    "RECORD_TABLES",
    "WINDOW",
    "ReadAs",
    "Records",
    "parse_pairs",
    "read_files",
    "read_map",
    "read_records",
    "read_toml",
    "same_zones",
    "together",
    "told_added",
]

_ISO_DATE = r"[0-9]{4}-[0-9]{2}-[0-9]{2}"
_CLOCK = r"[0-9]{2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]{1,6})?)?"
_ZONE = r"(?:Z|[+-][0-9]{2}:?[0-9]{2})"
_ISO = rf"{_ISO_DATE}(?:[ T]{_CLOCK}{_ZONE}?)?"
_ZONED = rf".*[0-9]{_ZONE}"
_NO_DAY = "is a time of day without its date; write both in every row, such as 2026-03-05 14:30"
_DAY = np.timedelta64(86_399, "s")
# Directives of `datetime.strptime`, and those of them that tell the time of day.
_SIGNS = re.compile("%[A-Za-z]")
_CLOCKS = re.compile("%[HIpMSfzZcX]")
_ZONES = re.compile("%z")
_YEARS, _MONTHS, _WHOLE = {"%Y", "%y", "%G"}, {"%m", "%b", "%B"}, {"%c", "%x"}
_WEEKS, _WEEKDAYS = {"%U", "%W", "%V"}, {"%a", "%A", "%u", "%w"}
_CLOCK_SPAN = (
    "may be minutes and seconds, or hours and minutes; write a number in the unit of the column, "
    "such as 6.5"
)
# Days from 1954 to 2119 as spreadsheets count them, which files hold where a column of dates was
# saved as numbers.
_SERIAL = r"[2-7][0-9]{4}(?:[.,][0-9]+)?"
_NO_DATE = (
    "is a day as spreadsheets count them; give the column the form of a date there, such as "
    "2026-03-05 14:30, and save it again"
)
_SHOWN = 5
_FOR_ALL = (
    "a map of columns and a date format hold for all files of records: where loggers write in "
    "different ways, convert one of the files, or check them one at a time, each with its pulls "
    "(--only)"
)
# A cell that tells the time of day and not the day.
_TIME_ALONE = r"(?i)[0-9]{1,2}[:.h][0-9]{2}(?:[:.][0-9]{2}(?:[.,][0-9]+)?)?(?: ?[ap]\.?m\.?)?"


def _field(name: str, dtype: str, text: str, dimension: str | None = None) -> Field:
    return Field(name, dtype, text, dimension)


def _must(
    name: str,
    dtype: str,
    text: str,
    dimension: str | None = None,
    *,
    values: tuple[str, ...] = (),
    words: Words = (),
) -> Field:
    return Field(name, dtype, text, dimension, required=True, values=values, words=words)


# Results by eye, in the words that are read for each, and who or what is qualified.
PASS = ("pass", "passed", "ok", "good", "accepted", "yes", "y", "1")
FAIL = ("fail", "failed", "bad", "rejected", "no", "n", "0")
CUT = ("cut out", "cut-out", "cut_out", "cutout")
ADDED = ("yes", "y", "x", "1", "true", "added")  # of a joint that no schedule has
KINDS = ("operator", "machine")
HEATERS = ("heater_1", "heater_2", "heater_3", "heater_4")
# Limits of a joint, as the schedule has them.
WINDOW = (
    *("heater_low", "heater_high", "interfacial_low", "interfacial_high"),
    *("bead", "soak", "removal", "cool"),
)


# A dtype "time" is a date, with or without the time of day.
RECORD_TABLES: dict[str, Layer] = {
    layer.name: layer
    for layer in (
        Layer(
            "records",
            "The inspector's records of fused joints, one row a joint; after ASTM F3124.",
            (),
            (
                _must("joint_id", "text", "identifier of the joint, as in the schedule"),
                _field("pull_mark", "text", "mark of the pull, as in the schedule"),
                _must("made", "time", "when the ends were brought together"),
                _must("operator", "text", "who fused it"),
                _must("machine", "text", "machine, by its number"),
                _must("piston_area", "real", "total effective piston area", "piston"),
                _field("outside_left", "real", "outside diameter", "bore"),
                _field("outside_right", "real", "the same, other side", "bore"),
                _field("dr_left", "real", "outside diameter over wall"),
                _field("dr_right", "real", "the same, other side"),
                _field("material_left", "text", "material"),
                _field("material_right", "text", "the same, other side"),
                _field("lot_left", "text", "print line or lot of the pipe"),
                _field("lot_right", "text", "the same, other side"),
                _field("ambient", "real", "temperature of the air", "temperature"),
                _must("heater_1", "real", "heater surface at one point", "temperature"),
                _must("heater_2", "real", "at a second point", "temperature"),
                _field("heater_3", "real", "at a third point", "temperature"),
                _field("heater_4", "real", "at a fourth point", "temperature"),
                _must("drag", "real", "gauge pressure that moves the carriage", "pressure"),
                _field("bead", "real", "bead when the heater was taken out", "bore"),
                _field("soak", "real", "heat soak", "minutes"),
                _must("removal", "real", "time from opening to closing again", "seconds"),
                _must("fusion_pressure", "real", "gauge pressure of fusing", "pressure"),
                _field("fusion_time", "real", "time to reach it", "seconds"),
                _must("cool_pressure", "real", "least gauge pressure of cooling", "pressure"),
                _must("cool_time", "real", "time under that pressure", "minutes"),
                _must(
                    "visual",
                    "text",
                    "result by eye: pass, fail or cut out",
                    words=(("pass", PASS), ("fail", FAIL), ("cut out", CUT)),
                ),
                _field("procedure", "text", "procedure it was fused by, as in the schedule"),
                Field(
                    "added",
                    "text",
                    "yes of a joint that is not in the schedule: added on site in the pull of its "
                    "mark, by whose window it is judged",
                    words=(("yes", ADDED),),
                ),
                _field("added_at", "real", "where such a joint lies, along the run", "length"),
                _field("remarks", "text", "anything else"),
            ),
        ),
        Layer(
            "pulls",
            "Records of pulls, one row a pull.",
            (),
            (
                _must("pull_id", "text", "identifier of the pull, as in the plan"),
                _field("pull_mark", "text", "mark of the pull, as in the schedule"),
                _must("started", "time", "when the head went in"),
                _must("ended", "time", "when the head came out"),
                _field("length", "real", "length measured", "length"),
                _field("force", "real", "largest force measured at the head", "force"),
            ),
        ),
        Layer(
            "schedule",
            "The joint schedule as it was issued: the CSV that `joints schedule` wrote.",
            (),
            (
                _must("joint_id", "text", "identifier of the joint"),
                _must("pull_id", "text", "pull it is for"),
                _field("pull_mark", "text", "mark of the pull"),
                _must("chainage", "real", "where it comes to rest, along the run", "length"),
                _field("carrier", "text", "pipe to be fused"),
                *(OUTPUTS["joints"].field(name) for name in ("procedure", *WINDOW)),
            ),
        ),
        Layer(
            "qualifications",
            "Who and what is qualified to fuse, and when.",
            (),
            (
                _must("kind", "text", "operator or machine", values=KINDS),
                _must("name", "text", "as in the records"),
                _must("valid_from", "time", "first day"),
                _must("valid_until", "time", "last day"),
            ),
        ),
    )
}


@dataclass(frozen=True)
class ReadAs:
    """How a file of records is read.

    Attributes
    ----------
    columns : mapping of str to str
        Our column, with its unit, to that of the file: ``{"drag_psi": "Drag P"}``.
    encoding : str
        Of a file without a byte-order mark.
    date_format : str
        As `datetime.strptime` takes it, with or without its time of day; ISO 8601 is read too.
    """

    columns: Mapping[str, str]
    encoding: str = "utf-8"
    date_format: str = ""


@dataclass(frozen=True)
class Records:
    """Records as read.

    Attributes
    ----------
    source : str
        The file, or several, for messages.
    table : DataFrame
        One row a record: bare names, SI. A time has the columns ``<name>`` (text as written),
        ``<name>_from`` and ``<name>_to``, in UTC where a zone is written: a date alone may be any
        time of that day, wherever that was. ``<name>_ahead`` is how far the clock it was read
        from is ahead of UTC; `joints.moments` compares them. Columns the file lacks
        are empty.
    lines : ndarray of int or str, shape (rows,)
        Line of the file of each record; of several files with its name: ``12 of week 2.csv``.
    faults : DataFrame
        ``row``, ``column`` and ``text`` of every cell that cannot be read.
    unused : tuple of str
        Columns of the file that were not asked for.
    zoned : bool or None
        Whether times bear a time zone; None if there are none.
    spelled_as : mapping of str to str
        Our column with its unit, by bare name, of those found.
    notes : tuple of str
        What of the file was read otherwise than it stands there.
    parts : tuple of Records
        The files, where there are several: `unused`, `spelled_as` and `notes` are theirs.
    part : ndarray of int, shape (rows,)
        Which of them each record is from; None where there is one file.
    filled_in : bool
        Whether the file is a schedule filled in, whose procedure is that it was issued with.
    """

    source: str
    table: pd.DataFrame
    lines: npt.NDArray[Any]
    faults: pd.DataFrame
    unused: tuple[str, ...]
    zoned: bool | None
    spelled_as: Mapping[str, str]
    notes: tuple[str, ...]
    parts: tuple[Records, ...] = ()
    part: npt.NDArray[np.int64] | None = None
    filled_in: bool = False

    @property
    def files(self) -> tuple[Records, ...]:
        """Return every file as it was read."""
        return self.parts or (self,)

    def units(self, column: str) -> npt.NDArray[np.object_]:
        """Return the unit a column of each record is written in; empty where it is not there."""
        own = [file.spelled_as.get(column, "").rpartition("_")[2] for file in self.files]
        return np.array(own, dtype=object)[self.file_of]

    @property
    def file_of(self) -> npt.NDArray[np.int64]:
        """Return which of the files every record is from."""
        return np.zeros(len(self.table), dtype=np.int64) if self.part is None else self.part

    def spelled(self, column: str, due: pd.Series[Any]) -> Records:
        """Return the records with a column of identifiers written as those that are due.

        Case and blanks do not count, nor, if that is not enough, what `folded` leaves out, unless
        two that are due differ in nothing else.
        """
        given = self.table[column]
        names = given.to_numpy(dtype=object)
        own = given.isin(due).to_numpy(dtype=bool)
        for plain in (words_of, folded):
            known = pd.DataFrame({"plain": plain(due), "due": due.to_numpy(dtype=object)})
            known = known.drop_duplicates("due").drop_duplicates("plain", keep=False)
            meant = pd.Series(plain(given)).map(known.set_index("plain")["due"])
            found = ~own & meant.notna().to_numpy(dtype=bool)
            names = np.where(found, meant.to_numpy(dtype=object), names)
            own = own | found
        return replace(self, table=self.table.assign(**{column: names}))

    def without(self, column: str, names: Iterable[str]) -> Records:
        """Return the records but for those whose column holds one of the names."""
        return self.kept(~self.table[column].isin(list(names)).to_numpy(dtype=bool))

    def kept(self, wanted: npt.NDArray[np.bool_]) -> Records:
        """Return these records alone."""
        keep = np.flatnonzero(wanted)
        faults = self.faults[self.faults["row"].isin(keep)]
        return replace(
            self,
            table=self.table.iloc[keep].reset_index(drop=True),
            lines=self.lines[keep],
            faults=faults.assign(row=np.searchsorted(keep, faults["row"])),
            part=None if self.part is None else self.part[keep],
        )


def told_added(records: Records) -> npt.NDArray[np.bool_]:
    """Tell which records say that their joint was added on site; no row of a schedule does."""
    if "added" not in records.table:
        return np.zeros(len(records.table), dtype=bool)
    return np.isin(words_of(records.table["added"]), ADDED)


def parse_pairs(pairs: Iterable[str]) -> dict[str, str]:
    """Return ``ours=theirs`` texts as a mapping.

    Raises
    ------
    LayerError
        If one is not of that form, or two say different things of a column.
    """
    columns: dict[str, str] = {}
    for pair in pairs:
        ours, sign, theirs = pair.partition("=")
        if not sign or not ours.strip() or not theirs.strip():
            raise LayerError("map", f"{pair!r} is not of the form ours=theirs")
        ours, theirs = ours.strip(), theirs.strip()
        if columns.get(ours, theirs) != theirs:
            raise LayerError("map", f"{ours} is to be both {columns[ours]!r} and {theirs!r}")
        columns[ours] = theirs
    return columns


def read_map(path: Path) -> dict[str, dict[str, str]]:
    """Read a TOML file that says which column is which.

    Parameters
    ----------
    path : Path
        Tables ``[records]``, ``[pulls]``, ``[qualifications]`` of ``ours = "theirs"``.

    Returns
    -------
    dict of str to dict
        By table.

    Raises
    ------
    LayerError
        If it cannot be read or holds anything else.
    """
    data = read_toml(path)
    faults = [
        f"{key}: is not a table of columns; due are {', '.join(f'[{n}]' for n in RECORD_TABLES)}"
        for key, value in data.items()
        if key not in RECORD_TABLES or not isinstance(value, dict)
    ]
    tables = {key: value for key, value in data.items() if isinstance(value, dict)}
    faults += [
        f"{key}.{ours}: {theirs!r} is not the name of a column"
        for key, value in tables.items()
        for ours, theirs in value.items()
        if not isinstance(theirs, str)
    ]
    if faults:
        raise LayerError(str(path), faults)
    return tables


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    LayerError
        If it cannot be read.
    """
    text = ""
    try:
        text = path.read_text(encoding="utf-8-sig")
        return tomllib.loads(text)
    except OSError as error:
        raise LayerError(str(path), f"cannot be read ({error.strerror}); check the path") from error
    except UnicodeDecodeError as error:
        raise LayerError(str(path), f"is not UTF-8 text (byte {error.start})") from error
    except (ValueError, RecursionError) as error:  # ValueError: also far too long a number
        raise LayerError(str(path), toml_fault(text, str(error))) from error


def read_records(path: Path, name: str, read_as: ReadAs) -> Records:
    """Read a CSV file of records.

    Parameters
    ----------
    path : Path
    name : str
        Key of `RECORD_TABLES`.
    read_as : ReadAs

    Returns
    -------
    Records
        What was read, and every cell that could not be.

    Raises
    ------
    LayerError
        If the file cannot be read or lacks a column that must be there.
    """
    return _records(read_csv(path, encoding=read_as.encoding), name, read_as)


def _records(file: CsvFile, name: str, read_as: ReadAs) -> Records:
    """Return the records of a file, as `read_records` does."""
    layer = RECORD_TABLES[name]
    limits = limits_among(file.columns, read_as.columns) if name == "records" else None
    found = _matched(file, layer, read_as.columns, limits)
    columns: dict[str, Any] = {}
    faults: list[pd.DataFrame] = []
    zoned: set[bool] = set()
    doubtful = _doubtful(file, layer, found)
    notes = _headers(file) + ([limits.told()] if limits else [])
    for wanted in layer.fields:
        column = found.get(wanted.name)
        cells = None if column is None else file.columns[column[1]]
        if wanted.dtype == "text":
            columns[wanted.name] = _blank(file) if cells is None else cells
        elif wanted.dtype == "time":
            columns |= _times(wanted.name, cells, file, read_as.date_format, faults, zoned)
        else:
            columns[wanted.name] = _reals(wanted, column, file, faults, doubtful, notes)
    if len(zoned) > 1:
        raise LayerError(file.source, "some times have a zone and some have none; write all alike")
    empty = pd.DataFrame({"row": np.zeros(0, np.int64), "column": "", "text": ""})
    return Records(
        file.source,
        pd.DataFrame(columns, index=range(len(file.lines))),
        file.lines,
        pd.concat(faults, ignore_index=True) if faults else empty,
        tuple(sorted(set(file.columns) - {theirs for _, theirs in found.values()})),
        next(iter(zoned), None),
        {name: ours for name, (ours, _) in found.items()},
        tuple(notes),
        filled_in=name == "records" and names_its_procedure(file.columns, read_as.columns),
    )


def read_files(paths: Sequence[Path], name: str, read_as: ReadAs) -> Records:
    """Read the files of one table as one; what is mapped has to be in one of them at least.

    Raises
    ------
    LayerError
        As `read_records` raises it, and says then that a map holds for all files.
    """
    if len(paths) == 1:
        return read_records(paths[0], name, read_as)
    tables = [read_csv(path, encoding=read_as.encoding) for path in paths]
    somewhere = {column for table in tables for column in table.columns}
    files, hint = [], [_FOR_ALL] if read_as.columns or read_as.date_format else []
    for table in tables:
        asked = read_as.columns.items()
        mine = {k: v for k, v in asked if v in table.columns or v not in somewhere}
        try:
            file = _records(table, name, replace(read_as, columns=mine))
        except LayerError as error:
            raise LayerError(table.source, [*error.faults, *hint]) from error
        left = [f"{k}={v}" for k, v in read_as.columns.items() if k not in mine]
        note = f"there is no column of the map's {', '.join(left)}; read by its own names"
        files.append(replace(file, notes=(*file.notes, note)) if left else file)
    return together(files)


def together(files: Sequence[Records]) -> Records:
    """Return the records of several files as those of one, each told by file and line.

    Raises
    ------
    LayerError
        If times with and without a zone meet.
    """
    if len(files) == 1:
        return files[0]
    same_zones(*files)
    short = [Path(file.source).name for file in files]
    names = [n if short.count(n) == 1 else f.source for n, f in zip(short, files, strict=True)]
    counts = [len(file.table) for file in files]
    lines = [f"{k} of {n}" for n, f in zip(names, files, strict=True) for k in f.lines]
    first = np.cumsum([0, *counts[:-1]])
    faults = [f.faults.assign(row=f.faults["row"] + k) for f, k in zip(files, first, strict=True)]
    return Records(
        ", ".join(file.source for file in files),
        pd.concat([file.table for file in files], ignore_index=True),
        np.array(lines, dtype=object),
        pd.concat(faults, ignore_index=True),
        (),
        next((file.zoned for file in files if file.zoned is not None), None),
        {},
        (),
        tuple(files),
        np.repeat(np.arange(len(files)), counts),
    )


def same_zones(*files: Records | None) -> None:
    """Refuse files of which some have times with a zone, and some without.

    Raises
    ------
    LayerError
        With the names of two of them.
    """
    zoned = {file.zoned: file.source for file in files if file and file.zoned is not None}
    if len(zoned) > 1:
        raise LayerError(
            zoned[False], f"its times have no zone, those of {zoned[True]} have; write all alike"
        )


def _headers(file: CsvFile) -> list[str]:
    """Say which lines repeat the header, and are skipped or have the columns in another order."""
    said = []
    if file.headers:
        text = "line(s) that repeat the header were skipped: line"
        said.append(f"{len(file.headers)} {text} {_shown_lines(file.headers)}")
    if file.turned:
        said.append(
            f"{len(file.turned)} of these with the columns in another order, by which the rows "
            f"below were read: line {_shown_lines(file.turned)}"
        )
    return said


def _shown_lines(lines: tuple[int, ...]) -> str:
    return ", ".join(map(str, lines[:_SHOWN])) + ", ..." * (len(lines) > _SHOWN)


def _blank(file: CsvFile) -> npt.NDArray[np.object_]:
    return np.full(len(file.lines), "", dtype=object)


def _matched(
    file: CsvFile, layer: Layer, mapped: Mapping[str, str], limits: Limits | None
) -> dict[str, tuple[str, str]]:
    """Return for every field found our spelling of it and the file's column.

    What is a limit of the schedule is no measured value of that name.
    """
    known = {s: f.name for f in layer.fields for s in f.spellings()}
    due = limits.columns if limits else {}
    own, faults = _by_name([name for name in file.columns if name not in due], known, mapped)
    found: dict[str, tuple[str, str]] = {}
    for ours, theirs in {**own, **mapped}.items():
        before = found.get(known.get(ours, ""))
        if ours not in known:
            faults.append(f"map {ours}={theirs}: there is no column {ours}{_near(ours, known)}")
        elif theirs not in file.columns:
            faults.append(f"map {ours}={theirs}: no column {theirs}{_near(theirs, file.columns)}")
        elif before:
            faults.append(_twice(before, (ours, theirs), mapped))
        else:
            found[known[ours]] = (ours, theirs)
    for wanted in layer.fields:
        if wanted.required and wanted.name not in found:
            names = list(wanted.spellings())
            faults.append(
                f"no column {' or '.join(names)} ({wanted.text}); add it, or say which one it is "
                f"with --map {names[0]}=..."
            )
    if faults:
        raise LayerError(file.source, [*faults, *([limits.told()] if limits else [])])
    return found


def _by_name(
    columns: Iterable[str], known: Mapping[str, str], mapped: Mapping[str, str]
) -> tuple[dict[str, str], list[str]]:
    """Return the file's columns by our names, and faults where several are alike but for case.

    A field that is mapped is in the column it is mapped to, whatever others bear its name.
    """
    alike: dict[str, list[str]] = {}
    for name in columns:
        alike.setdefault(folded_name(name), []).append(name)
    named = {known.get(ours) for ours in mapped}
    own, faults = {}, []
    for ours in known:
        names = alike.get(ours, [])
        if len(names) > 1 and known[ours] not in named:
            told = " and ".join(map(repr, names))
            faults.append(f"columns {told} are one and the same; say which with --map {ours}=...")
        if names and known[ours] not in named:
            own[ours] = names[0]
    return own, faults


def _twice(first: tuple[str, str], then: tuple[str, str], mapped: Mapping[str, str]) -> str:
    """Say of two columns, each with our spelling of it, that a field is in both."""
    what = f"columns {first[1]} and {then[1]} are one and the same"
    if first[0] in mapped:  # then the other is, too
        return f"{what}; map one of them alone"
    ways = " or ".join(f"--map {ours}={quoted(theirs)}" for ours, theirs in (first, then))
    return f"{what}; say which with {ways}"


def _near(name: str, known: Iterable[str]) -> str:
    names = sorted(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
    return f"; did you mean {close[0]}?" if close else f"; there are {', '.join(names)}"


def _doubtful(file: CsvFile, layer: Layer, found: Mapping[str, tuple[str, str]]) -> frozenset[str]:
    """Return which of point and comma may part thousands, by all numbers of the file."""
    columns = [
        file.columns[found[f.name][1]]
        for f in layer.fields
        if f.dtype == "real" and f.name in found
    ]
    return doubtful_signs(columns, delimiter=file.delimiter)


def _reals(
    wanted: Field,
    column: tuple[str, str] | None,
    file: CsvFile,
    faults: list[pd.DataFrame],
    doubtful: frozenset[str],
    notes: list[str],
) -> npt.NDArray[np.float64]:
    if column is None:
        return np.full(len(file.lines), np.nan)
    ours, theirs = column
    cells = file.columns[theirs]
    spans = durations(cells, wanted.dimension, ours.removeprefix(f"{wanted.name}_"))
    numbers = parse_numbers(np.where(spans.clock, "", cells), doubtful=doubtful)
    why = "is no number, or one whose point or comma may part thousands or decimals"
    _note(faults, numbers.wrong, theirs, cells, why)
    read = np.flatnonzero(~np.isnan(spans.seconds))
    _note(faults, spans.clock & np.isnan(spans.seconds), theirs, cells, _CLOCK_SPAN)
    if len(read):
        such = f"{len(read):,} cell(s) such as {cells[read[0]]!r}"
        notes.append(f"{theirs}: {such} read as minutes and seconds")
    values = numbers.values * wanted.spellings()[ours] + wanted.zero(ours)
    return np.where(spans.clock, spans.seconds, values)


def _times(
    name: str,
    cells: npt.NDArray[np.object_] | None,
    file: CsvFile,
    date_format: str,
    faults: list[pd.DataFrame],
    zoned: set[bool],
) -> dict[str, Any]:
    """Return a time as written, and the earliest and latest it may be."""
    texts = pd.Series(_blank(file) if cells is None else cells, dtype=object)
    texts = texts.astype("string[python]")
    given = texts != ""
    shaped = texts.str.fullmatch(_ISO)
    times = pd.to_datetime(texts.where(shaped & given), format="ISO8601", errors="coerce", utc=True)
    day_only = texts.str.fullmatch(_ISO_DATE).astype(bool)
    zone = texts.str.fullmatch(_ZONED).astype(bool) & ~day_only
    ahead = _ahead(texts.where(zone & shaped))
    hint = "is no date and time; write 2026-03-05 14:30, or give --date-format"
    for form in _formats(file, date_format):
        read, with_zone = _by_format(file, texts.where(given), form), bool(_ZONES.search(form))
        own = read.notna()
        times, zone = times.where(~own, read), zone.where(~own, with_zone)
        ahead[own] = _ahead_by(texts[own], form) if with_zone else np.timedelta64(0, "s")
        day_only = day_only.where(~own, not _CLOCKS.search(form))
        hint = f"is no date and time, neither as {date_format!r} (--date-format) nor as 2026-03-05"
    unread = (given & times.isna()).to_numpy(dtype=bool)
    clock = texts.str.fullmatch(_TIME_ALONE).to_numpy(dtype=bool)
    serial = texts.str.fullmatch(_SERIAL).to_numpy(dtype=bool)
    _note(faults, unread & ~clock & ~serial, name, texts.to_numpy(), hint)
    _note(faults, unread & serial, name, texts.to_numpy(), _NO_DATE)
    _note(faults, unread & clock, name, texts.to_numpy(), _NO_DAY)
    zoned.update(zone[times.notna() & ~day_only].unique().tolist())
    early = times.dt.tz_localize(None).to_numpy().astype("datetime64[s]")
    late = np.where(day_only.to_numpy(dtype=bool), early + _DAY, early)
    return {
        name: texts.to_numpy(dtype=object),
        f"{name}_from": early,
        f"{name}_to": late,
        f"{name}_ahead": ahead,
    }


def _ahead(texts: pd.Series[Any]) -> npt.NDArray[np.timedelta64]:
    """Return how far the zones at the end of ISO 8601 times are ahead of UTC."""
    parts = texts.str.extract(r"([+-])([0-9]{2}):?([0-9]{2})$")
    hours, minutes = (pd.to_numeric(parts[k]).fillna(0).to_numpy(dtype=np.int64) for k in (1, 2))
    sign = np.where(parts[0].eq("-").fillna(False).to_numpy(dtype=bool), -1, 1)
    return np.asarray(sign * (hours * 60 + minutes) * 60, dtype="timedelta64[s]")


def _ahead_by(texts: pd.Series[Any], date_format: str) -> npt.NDArray[np.timedelta64]:
    """Return how far the zones in times of a format of the user's are ahead of UTC."""
    codes, names = pd.factorize(texts)
    seconds = [_offset(pd.to_datetime(name, format=date_format)) for name in names]
    return np.array(seconds, dtype="timedelta64[s]")[codes]


def _offset(time: pd.Timestamp) -> int:
    offset = time.utcoffset()
    return 0 if offset is None else round(offset.total_seconds())


def _formats(file: CsvFile, date_format: str) -> tuple[str, ...]:
    """Return the user's format behind that of its date alone, where it has a time of day apart.

    Of what both read, as of what ISO 8601 reads too, the last holds.
    """
    if not date_format:
        return ()
    signs = list(_SIGNS.finditer(date_format))
    wrong = _misleading({sign[0] for sign in signs})
    if wrong:
        raise LayerError(file.source, f"date format {date_format!r} {wrong}")
    days = [sign for sign in signs if not _CLOCKS.fullmatch(sign[0])]
    if not days or len(days) == len(signs):
        return (date_format,)
    date = date_format[days[0].start() : days[-1].end()]
    return (date_format,) if _CLOCKS.search(date) else (date, date_format)


def _misleading(signs: set[str]) -> str:
    """Say what is wrong with a format that would be read, and not as it is meant."""
    if not signs:
        return "says nothing of how times are written; write one such as %d.%m.%Y %H:%M"
    lost = _lost(signs)
    if lost:
        return (
            f"has no {' and no '.join(lost)}, and would date all of them to one of its own choice; "
            "write one such as %d.%m.%Y %H:%M, and the whole date in every row"
        )
    if "%Z" in signs:
        return (
            "has %Z (names of zones). A name does not say how far a clock is ahead: many write CET "
            "in summer too, and EST stands for several; write offsets such as +0200, and %z"
        )
    if "%p" in signs and "%I" not in signs:
        return "has %p (AM or PM) without %I, and would lose it; write %I for hours of 1 to 12"
    if "%I" in signs and "%p" not in signs:
        return (
            "has %I (hours of 1 to 12) without %p, and would not tell 1 from 13 o'clock; "
            "write %p for AM or PM, or %H for hours of 0 to 23"
        )
    return ""


def _lost(signs: set[str]) -> list[str]:
    """Say what of a date a format does not tell."""
    if signs & _WHOLE:
        return []
    year = [] if signs & _YEARS else ["year (%Y)"]
    if "%j" in signs or (signs & _WEEKS and signs & _WEEKDAYS):
        return year
    month = [] if signs & _MONTHS else ["month (%m)"]
    return [*(["day (%d)"] if "%d" not in signs else []), *month, *year]


def _by_format(file: CsvFile, texts: pd.Series[Any], date_format: str) -> pd.Series[Any]:
    try:
        return pd.to_datetime(texts, format=date_format, errors="coerce", utc=True)
    except ValueError as error:
        raise LayerError(file.source, f"date format {date_format!r}: {error}") from error


def _note(
    faults: list[pd.DataFrame],
    wrong: npt.NDArray[np.bool_],
    column: str,
    cells: npt.NDArray[Any],
    why: str,
) -> None:
    rows = np.flatnonzero(wrong)
    if len(rows):
        texts = [f"{column}: {str(cell)[:40]!r} {why}" for cell in cells[rows]]
        faults.append(pd.DataFrame({"row": rows, "column": column, "text": texts}))
