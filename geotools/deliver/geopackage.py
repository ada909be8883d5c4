"""The GeoPackage of a plan: written beside its target and moved into place when whole."""

from __future__ import annotations

import shutil
import sqlite3
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import pyogrio
import pyogrio.errors

from geotools.deliver.columns import GEOMETRY, contract_batches, contract_table
from geotools.deliver.files import (
    BESIDE,
    JOURNAL,
    allow_as_new,
    check_free,
    check_place,
    clear_parts,
    free_beside,
    part_of,
    put_in_place,
    sync,
    sync_folder,
)
from geotools.deliver.stored_crs import places_of, stored_wkt
from geotools.deliver.systems import sqlite_uri
from geotools.errors import KeptAsideWarning, OutputError
from geotools.gdal_options import gdal_options
from geotools.intake.place import odd_letters
from geotools.lists import listed
from geotools.schema import OUTPUTS

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt
    import pandas as pd
    import pyarrow as pa
    import pyproj

__all__ = ["check_target", "layers_of_others", "renew_tables", "write_geopackage"]

# The date of the file's contents is fixed, so that the same plan gives the same content; syncing
# is done once at the end instead of at every transaction, since a half-written file is thrown away.
_GDAL_OPTIONS = {
    "OGR_CURRENT_DATE": "2000-01-01T00:00:00.000Z",
    "OGR_SQLITE_SYNCHRONOUS": "OFF",
}
# 1.3 is the newest version that GDAL releases of the last years read without a warning.
# SQLite's names of what stands between it and a file that may well be a GeoPackage.
_REFUSED = ("SQLITE_CANTOPEN", "SQLITE_IOERR", "SQLITE_PERM", "SQLITE_AUTH")
_VERSION = "1.3"
AT_ONCE = 50_000  # rows of a layer made ready for the file at once
_WRITE_ERRORS = (
    OSError,
    pyogrio.errors.DataSourceError,
    pyogrio.errors.DataLayerError,
    pyogrio.errors.FeatureError,
    pyogrio.errors.FieldError,
    pyogrio.errors.GeometryError,
    sqlite3.Error,
)


def check_target(path: str | Path, overwrite: bool) -> Path:
    """Check that a GeoPackage can be written at a path; call it before any long work.

    Parameters
    ----------
    path : path
        The target, ending in ``.gpkg``.
    overwrite : bool
        Whether an existing file may be replaced.

    Returns
    -------
    Path
        The file to be written, links followed.

    Raises
    ------
    OutputError
        If it cannot be written there.
    """
    target = check_place(Path(path), suffix=".gpkg", beside=JOURNAL)
    odd = odd_letters(target)
    if odd:
        raise OutputError(
            f"{path}: no GeoPackage can be written to a path with {odd} in it; "
            "choose another name or folder"
        )
    _check_existing(path, target, overwrite)
    return target


def _check_existing(path: str | Path, target: Path, overwrite: bool) -> None:
    check_free(path, target, overwrite=overwrite)
    log = target.with_name(target.name + "-wal")
    if target.exists() and log.exists() and log.stat().st_size:
        # SQLite would replay the old file's log into the new one.
        raise OutputError(f"{path}: is open in another program; close it there first")


def layers_of_others(path: Path) -> list[str]:
    """Return what a GeoPackage holds that is none of the program's: layers, tables and views.

    Empty where there is no such file, or it is no GeoPackage.

    Raises
    ------
    OutputError
        If the system refuses to read it: what it holds would be lost untold.
    """
    if not path.is_file():
        return []
    sql = (
        "SELECT name FROM sqlite_master WHERE type IN ('table', 'view') AND ("
        "name IN (SELECT table_name FROM gpkg_contents) OR NOT (name GLOB 'gpkg_*' "
        "OR name GLOB 'rtree_*' OR name GLOB 'sqlite_*'))"
    )
    try:
        with closing(sqlite3.connect(sqlite_uri(path, "immutable=1"), uri=True)) as file:
            names = {str(name) for (name,) in file.execute(sql)}
    except sqlite3.Error as error:
        if getattr(error, "sqlite_errorname", "").startswith(_REFUSED):
            raise OutputError(f"{path}: what it holds cannot be read ({error})") from error
        return []
    return sorted(names - {*OUTPUTS})


def _chosen(tables: Mapping[str, pd.DataFrame], stations: bool) -> dict[str, pd.DataFrame]:
    """Return the tables to write, in the order of the contract; errors as of `write_geopackage`."""
    unknown = sorted(set(tables) - set(OUTPUTS))
    if unknown:
        raise KeyError(f"not in the contract: {', '.join(unknown)}")
    chosen = {n: tables[n] for n in OUTPUTS if n in tables and (stations or n != "stations")}
    if not chosen:
        raise ValueError("no table to write")
    return chosen


def write_geopackage(
    path: str | Path,
    tables: Mapping[str, pd.DataFrame],
    *,
    crs: pyproj.CRS,
    units: Literal["si", "us"],
    overwrite: bool,
    stations: bool = True,
    wkb: Mapping[str, pa.Array] | None = None,
    covered: Sequence[npt.NDArray[np.float64]] = (),
) -> dict[str, int]:
    """Write layers and tables of the contract to a GeoPackage, all or nothing.

    A file it replaces that holds layers of others is kept beside it under another name.

    Parameters
    ----------
    path : path
        The target; an existing file is replaced only if ``overwrite``.
    tables : mapping of str to DataFrame or GeoDataFrame
        By layer name of ``schema.OUTPUTS``: bare column names, SI base units, and ``geometry``
        in ``crs`` where the layer has one and ``wkb`` does not hold it. Empty ones are written
        too, with their fields.
    crs : pyproj.CRS
        CRS of the geometries.
    units : {"si", "us"}
        System of units of the columns.
    overwrite : bool
        Whether an existing file may be replaced.
    stations : bool
        Whether to write the stations layer, the largest.
    wkb : mapping of str to Array, optional
        Geometries of the tables as `encoded` has them, where they were encoded before.
    covered : sequence of ndarray, shape (k, 4)
        West, south, east and north of what is covered by geometries that only ``wkb`` has.

    Returns
    -------
    dict of str to int
        Rows written by layer, in the order of the contract.

    Raises
    ------
    OutputError
        If it cannot be written; the old file, if any, is untouched.
    KeyError, ValueError
        If a table does not fit the contract.

    Warns
    -----
    KeptAsideWarning
        If the file that was there is kept under another name.
    """
    target = check_target(path, overwrite)
    chosen = _chosen(tables, stations)
    with _moved_when_whole(path, target, overwrite, kept=True) as part:
        return _write_layers(part, chosen, crs, units, wkb or {}, covered)


def renew_tables(
    path: Path, tables: Mapping[str, pd.DataFrame], *, units: Literal["si", "us"]
) -> bool:
    """Give tables without geometry in a GeoPackage other rows, all or nothing.

    Where the rows are those that are there, nothing is written. Other layers stay as they are.

    Parameters
    ----------
    path : Path
        A file that `write_geopackage` wrote, with these tables.
    tables : mapping of str to DataFrame
        As of `write_geopackage`.
    units : {"si", "us"}
        System of units of the file.

    Returns
    -------
    bool
        Whether the file was changed.

    Raises
    ------
    OutputError
        If it cannot be read or written; it is untouched.
    """
    target = check_target(path, overwrite=True)
    told = {name: contract_table(name, frame, units=units) for name, frame in tables.items()}
    try:
        stale = _stale(target, told)
    except sqlite3.Error as error:
        raise OutputError(f"{path}: cannot be read ({error})") from error
    if not stale:
        return False
    with _moved_when_whole(path, target, overwrite=True) as part:
        shutil.copyfile(target, part)
        with closing(sqlite3.connect(part)) as file, file:
            for name in stale:
                _put_rows(file, name, told[name])
        sync(part)
    return True


# In what is said to SQLite all names are those of the contract, quoted.
def _stale(path: Path, told: Mapping[str, pa.Table]) -> list[str]:
    """Return the tables of a file whose rows are others than these."""
    with closing(sqlite3.connect(sqlite_uri(path, "mode=ro"), uri=True)) as file:
        return [n for n, table in told.items() if _rows_in(file, n, table) != _rows(table)]


def _rows_in(file: sqlite3.Connection, name: str, table: pa.Table) -> list[tuple[Any, ...]]:
    """Return the rows of a file in the columns of a table."""
    sql = f"SELECT {_columns(table)} FROM {_quoted(name)} ORDER BY fid"  # noqa: S608
    return file.execute(sql).fetchall()


def _put_rows(file: sqlite3.Connection, name: str, table: pa.Table) -> None:
    """Replace all rows of a table without geometry, numbered from 1 as GDAL numbers them."""
    file.execute(f"DELETE FROM {_quoted(name)}")  # noqa: S608
    places = ", ".join("?" * (1 + table.num_columns))
    sql = f"INSERT INTO {_quoted(name)} (fid, {_columns(table)}) VALUES ({places})"  # noqa: S608
    file.executemany(sql, [(fid, *row) for fid, row in enumerate(_rows(table), start=1)])


def _rows(table: pa.Table) -> list[tuple[Any, ...]]:
    return [tuple(row.values()) for row in table.to_pylist()]


def _columns(table: pa.Table) -> str:
    return ", ".join(_quoted(name) for name in table.column_names)


def _quoted(name: str) -> str:
    """Return a name of the contract as SQL has it."""
    return f'"{name}"'


@contextmanager
def _moved_when_whole(
    path: str | Path, target: Path, overwrite: bool, *, kept: bool = False
) -> Iterator[Path]:
    """Give the name of a file to write beside the target; it takes its place when it is whole.

    With ``kept``, a target that holds layers of others is kept under another name.

    Raises
    ------
    OutputError
        If it cannot be written; the target is untouched. ``path`` is its name as given.
    """
    temporary = part_of(target)
    try:
        clear_parts(target)
        yield temporary
        _check_existing(path, target, overwrite)
        allow_as_new(temporary)
        if kept:
            _keep_aside(path, target)
        put_in_place(temporary, target)
        sync_folder(target.parent)
    except _WRITE_ERRORS as error:
        raise OutputError(
            f"{path}: writing failed ({error}); nothing existing was touched; check the free "
            "space and permissions of the folder"
        ) from error
    finally:
        _discard(temporary)


def _keep_aside(path: str | Path, target: Path) -> None:
    """Give a target that holds layers of others a second name, which it keeps, and tell of it."""
    others = layers_of_others(target)
    if not others:
        return
    aside = free_beside(target)
    try:
        aside.hardlink_to(target)
    except OSError:  # a file system without such links
        shutil.copy2(target, aside)
        sync(aside)
    warnings.warn(
        f"{path}: held {listed(others, most=5)}, which this program did not write; the file as it "
        f"was is kept as {aside.name}: see what of it is to be taken over, and delete it",
        KeptAsideWarning,
        stacklevel=5,
    )


def _discard(path: Path) -> None:
    """Remove a temporary file, if it is still there, and what SQLite put beside it."""
    for suffix in BESIDE:
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _write_layers(
    path: Path,
    tables: Mapping[str, pd.DataFrame],
    crs: pyproj.CRS,
    units: str,
    wkb: Mapping[str, pa.Array],
    covered: Sequence[npt.NDArray[np.float64]],
) -> dict[str, int]:
    """Write all tables to a new file and wait until it is on the disk."""
    for name, frame in tables.items():
        _check_crs(name, frame, crs)
    with gdal_options(_GDAL_OPTIONS):
        frames = [f for n, f in tables.items() if OUTPUTS[n].geometry]
        wkt = stored_wkt(crs, places_of(frames, covered))
        for name, frame in tables.items():
            shapes = wkb.get(name)
            if len(frame) > AT_ONCE:
                table = contract_batches(name, frame, units=units, wkb=shapes, rows=AT_ONCE)
            else:
                table = contract_table(name, frame, units=units, wkb=shapes)
            _write_layer(path, name, table, wkt)
    sync(path)
    return {name: len(frame) for name, frame in tables.items()}


def _write_layer(path: Path, name: str, table: pa.Table | pa.RecordBatchReader, wkt: str) -> None:
    layer = OUTPUTS[name]
    place: dict[str, Any] = {}
    if layer.geometry:
        place = {"geometry_name": GEOMETRY, "geometry_type": layer.geometry[0], "crs": wkt}
    pyogrio.write_arrow(
        table,
        path,
        layer=name,
        driver="GPKG",
        dataset_options={"VERSION": _VERSION},
        layer_options={"IDENTIFIER": name, "DESCRIPTION": layer.text},
        **place,
    )


def _check_crs(name: str, frame: pd.DataFrame, crs: pyproj.CRS) -> None:
    own = getattr(frame, "crs", None) if OUTPUTS[name].geometry else None
    if own is not None and not crs.equals(own, ignore_axis_order=True):
        raise ValueError(f"layer {name} is in {own.name!r}, not in the output CRS {crs.name!r}")
