"""The manifest of a batch: what is done, of which input, in which file; and its lock."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path, PureWindowsPath
from typing import Any

from geotools.deliver.files import clear_folder, replacing
from geotools.deliver.systems import DEVICES
from geotools.errors import OutputError
from geotools.intake.digest import sha256

__all__ = [
    "LOCK",
    "NAME",
    "Entry",
    "Manifest",
    "file_name",
    "file_names",
    "files_made",
    "locked",
    "manifest_fault",
    "other_plans",
    "read_manifest",
    "set_manifest_aside",
    "still_good",
    "sweep",
    "write_manifest",
]

NAME = "manifest.json"
LOCK = ".lock"
FORMAT = 1
_ANEW = (
    "give --overwrite to begin anew in this folder, which keeps it under another name, or use a "
    "new folder"
)
_PLAN_LAYERS = {"runs", "pits", "pulls", "settings", "inputs"}
# Bytes of a district's file name: file systems allow 255, and a part of a file adds to its name.
_LONGEST = 180


@dataclass(frozen=True)
class Entry:
    """What is known of one district.

    Attributes
    ----------
    status : str
        ``done``, ``empty`` (no run to plan), ``failed`` (its data or settings), ``set_aside``
        (its worker died every time).
    key : mapping of str to str
        Hashes of all that the result depends on, by what it is: the program, the settings that
        touch the plan, each layer as read, the ground.
    file, sha256 : str
        The plan written and its hash, ``""`` where there is none. Of a district that failed the
        hash is that of its last plan, which may lie there still.
    error : str
        Why there is none.
    tries : int
        How often it was tried in the last batch.
    summary : dict
        The plan in numbers.
    """

    status: str
    key: Mapping[str, str] = field(default_factory=dict)
    file: str = ""
    sha256: str = ""
    error: str = ""
    tries: int = 0
    summary: dict[str, Any] = field(default_factory=dict)


Manifest = Mapping[str, Entry]


def read_manifest(folder: Path) -> dict[str, Entry]:
    """Return the manifest of a folder; empty where there is none.

    Raises
    ------
    OutputError
        If there is one that cannot be read.
    """
    return _read(folder)[0]


def files_made(folder: Path) -> set[str]:
    """Return the files in a folder that batches wrote there, or were about to when they ended.

    Raises
    ------
    OutputError
        If there is a manifest that cannot be read.
    """
    entries, files = _read(folder)
    return files | {entry.file for entry in entries.values() if entry.file}


def manifest_fault(folder: Path) -> str:
    """Say why the manifest of a folder cannot be read; "" if it can be, or there is none."""
    try:
        _read(folder)
    except OutputError as error:
        return str(error)
    return ""


def set_manifest_aside(folder: Path) -> str:
    """Give a manifest that cannot be read another name, and return that.

    Raises
    ------
    OutputError
        If it cannot be renamed.
    """
    path, number = folder / NAME, 1
    while (aside := path.with_stem(f"{path.stem}.unread-{number}")).exists():
        number += 1
    try:
        path.rename(aside)
    except OSError as error:
        raise OutputError(
            f"{path}: cannot be read, nor kept under another name ({error.strerror or error}); "
            "move it away"
        ) from error
    return aside.name


def _read(folder: Path) -> tuple[dict[str, Entry], set[str]]:
    path = folder / NAME
    if not path.exists():
        return {}, set()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["format"] != FORMAT:
            raise OutputError(f"{path}: was written by another version; {_ANEW}")
        entries = {name: _entry(told) for name, told in content["districts"].items()}
        named = [str(name) for name in content.get("files", ())]
        return entries, {Path(name).as_posix() for name in named if _inside(name)}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise OutputError(f"{path}: cannot be read ({error}); {_ANEW}") from error


def _entry(told: dict[str, Any]) -> Entry:
    """Return an entry as written; the key of an earlier version, one hash, tells of no part."""
    entry = Entry(**told)
    if not _inside(entry.file):
        entry = replace(entry, file="", sha256="")
    return entry if isinstance(entry.key, dict) else replace(entry, key={})


def _inside(name: str) -> bool:
    """Say whether a path that is told leads to a file in the folder, and not out of it.

    ``C:x`` and ``\\x`` are not absolute on Windows, and lie on another drive or at its root all the
    same. They are refused everywhere, and so is ``..`` between backslashes.
    """
    path = PureWindowsPath(name)  # which takes both signs between folders
    return not path.anchor and ".." not in path.parts


def write_manifest(folder: Path, entries: Manifest, files: Iterable[str] = ()) -> None:
    """Write the manifest of a folder, whole or not at all.

    Parameters
    ----------
    folder : Path
    entries : Manifest
    files : iterable of str
        Files in the folder, by their paths from there, that are this batch's to write, or were an
        earlier one's.
    """
    content = {
        "format": FORMAT,
        "files": sorted(files),
        "districts": {name: asdict(entries[name]) for name in sorted(entries)},
    }
    text = json.dumps(content, indent=1, ensure_ascii=False)
    with replacing(folder / NAME) as part:
        part.write_text(text + "\n", encoding="utf-8")


def still_good(folder: Path, entry: Entry) -> bool:
    """Tell whether the file of a district done is there as it was written."""
    path = folder / entry.file
    return entry.status == "done" and path.is_file() and sha256(path) == entry.sha256


def other_plans(folder: Path, own: Collection[str]) -> list[str]:
    """Return the names of the plans in a folder that are not among a batch's own.

    They are known by their layers: whatever else lies there is nobody's business here.
    """
    import pyogrio
    import pyogrio.errors

    found = []
    for path in sorted(folder.glob("*.gpkg")):
        if path.name in own or not path.is_file():
            continue
        try:
            layers = {str(name) for name, _ in pyogrio.list_layers(path)}
        except pyogrio.errors.DataSourceError:
            continue
        if layers >= _PLAN_LAYERS:
            found.append(path.name)
    return found


def file_name(name: str, taken: set[str]) -> str:
    """Return a file name for a district: letters, digits and hyphens of its name; never a path."""
    stem = re.sub(r"[^\w-]+", "-", name.casefold()).strip("-_")[:60] or "district"
    stem = stem.encode()[:_LONGEST].decode(errors="ignore")
    if DEVICES.match(stem):
        stem = f"district-{stem}"
    number, unique = 1, stem
    while f"{unique}.gpkg" in taken:
        number += 1
        unique = f"{stem}-{number}"
    return f"{unique}.gpkg"


def file_names(districts: Collection[str], before: Manifest, taken: set[str]) -> dict[str, str]:
    """Return the name of each district's file: the one it has, else one that is free.

    Parameters
    ----------
    districts : collection of str
    before : Manifest
        What an earlier batch left of these, and of others whose files are to be left alone.
    taken : set of str
        Names of files that are no district's.
    """
    names, used = {}, set(taken)
    for name, entry in before.items():
        if _of_district(entry.file) and entry.file not in used:
            names[name] = entry.file
            used.add(entry.file)
    for name in districts:
        if name not in names:
            names[name] = file_name(name, used)
            used.add(names[name])
    return {name: names[name] for name in districts}


def _of_district(name: str) -> bool:
    """Say whether a name told is one that a district's file may have."""
    return name.endswith(".gpkg") and Path(name).name == name


def sweep(folder: Path, *, overwrite: bool = False) -> None:
    """Remove what a killed batch left half written; only while the folder is locked.

    Parameters
    ----------
    folder : Path
    overwrite : bool
        Whether a manifest that cannot be read is no hindrance; it vouches for no file.

    Raises
    ------
    OutputError
        If there is a manifest that cannot be read.
    """
    places: dict[Path, set[str]] = {folder: {NAME}}
    known = set() if overwrite and manifest_fault(folder) else files_made(folder)
    for file in known:
        path = folder / file
        places.setdefault(path.parent, set()).add(path.name)
    for place, names in places.items():
        if place.is_dir():
            clear_folder(place, names)


@contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Keep other batches out of a folder; a batch that was killed keeps nobody out.

    Raises
    ------
    OutputError
        If another batch is at work in it.
    """
    import filelock

    lock = filelock.FileLock(folder / LOCK, timeout=0)
    try:
        with lock:
            yield
    except filelock.Timeout as error:
        raise OutputError(
            f"{folder}: another batch is at work in this folder; wait for it or use another"
        ) from error
