"""The .prj of a Shapefile, where GDAL does not read it: written anew, or told and left out."""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

from geotools.intake.beside import alike, names_beside
from geotools.intake.packed import UNREADABLE, within
from geotools.intake.place import SYSTEM, Place

__all__ = ["Prj", "around_prj", "prj_beside"]

_SUFFIXES = (".prj", ".PRJ")
_ENCODINGS = ("Windows-1252", "ISO-8859-1")  # the second has a letter for every byte


@dataclass(frozen=True)
class Prj:
    """The .prj of a Shapefile: its name, what is in it, and where it lies.

    ``archive`` is the zip whose ``folder`` it lies in, None where that is one of the disk.
    """

    name: str
    stored: bytes
    folder: Path
    archive: Path | None = None

    def copy_others(self, to: Path) -> None:
        """Put the other files of the Shapefile into a folder.

        Raises
        ------
        OSError
            If they cannot be had, or not be put there.
        """
        if self.archive is not None:
            _unpack(self.archive, self._is_packed_beside, self.folder, to)
            return
        names = names_beside(self.folder / self.name)
        is_listed = self.name in names
        for name, meant in names.items():
            own = meant == self.name or (not is_listed and alike(meant, self.name))
            if not own and (file := self.folder / name).is_file():
                _link(file.absolute(), to / meant)

    def _is_packed_beside(self, name: str) -> bool:
        return name.startswith(f"{Path(self.name).stem}.") and name != self.name


def around_prj(place: Place, sublayer: str, encoding: str) -> Iterator[tuple[Place, str, str]]:
    """Give a Shapefile as it may be read: with its .prj in UTF-8 if it is not, then without one.

    Its files are linked, or unpacked, into a folder of their own, which goes when nothing has the
    place any more.

    Parameters
    ----------
    place : Place
        A Shapefile, or a folder or zip of these; of others nothing is given, nor of one without
        a .prj.
    sublayer : str
    encoding : str
        Of the brief, "" if it says none.

    Yields
    ------
    tuple of (Place, str, str)
        The place, what is told of how the .prj was read, and its name if it was left out.
    """
    prj = prj_beside(place, sublayer)
    if prj is None:
        return
    try:
        prj.stored.decode("utf-8")
    except UnicodeDecodeError:
        text, used = _decoded(prj.stored, encoding)
        said = f"{prj.name!r} is not UTF-8 text; it was read as {used}"
        yield _linked(place, prj, text.encode("utf-8")), said, ""
    yield _linked(place, prj, None), "", prj.name


def prj_beside(place: Place, sublayer: str) -> Prj | None:
    """Return the .prj of a local Shapefile, which may lie in a zip; None if it has none."""
    if place.path is None:
        return None
    if place.path.is_file() and zipfile.is_zipfile(place.path):
        return _packed(place.target, place.path, sublayer)
    if Path(place.target) != place.path:
        return None
    path = place.path / f"{sublayer}.shp" if place.path.is_dir() else place.path
    if path.suffix.lower() != ".shp":
        return None
    found = (path.with_suffix(suffix) for suffix in _SUFFIXES)
    prj = next((prj for prj in found if prj.is_file()), None)
    return None if prj is None else Prj(prj.name, prj.read_bytes(), prj.parent)


def _packed(target: str, path: Path, sublayer: str) -> Prj | None:
    """Return the .prj of a Shapefile in a zip; None if it has none, or that cannot be read."""
    if SYSTEM.findall(target) not in ([], ["vsizip"]):  # one archive in another
        return None
    inner = PurePosixPath(within(target, path))
    shp = inner if inner.suffix.lower() == ".shp" else inner / f"{sublayer}.shp"
    try:
        with zipfile.ZipFile(path) as archive:
            names = set(archive.namelist())
            prj = next((p for s in _SUFFIXES if str(p := shp.with_suffix(s)) in names), None)
            if prj is None:
                return None
            return Prj(prj.name, archive.read(str(prj)), Path(prj.parent), path)
    except UNREADABLE:
        return None


def _unpack(path: Path, wanted: Callable[[str], bool], folder: Path, to: Path) -> None:
    """Unpack what lies in a folder of a zip and is wanted by its name."""
    try:
        with zipfile.ZipFile(path) as archive:
            for member in archive.infolist():
                inner = PurePosixPath(member.filename)
                if member.is_dir() or Path(inner.parent) != folder or not wanted(inner.name):
                    continue
                with archive.open(member) as stream, (to / inner.name).open("wb") as file:
                    shutil.copyfileobj(stream, file)
    except UNREADABLE as error:
        raise OSError(f"cannot be unpacked: {error}") from error


def _decoded(stored: bytes, encoding: str) -> tuple[str, str]:
    """Return text, and the encoding it was read in."""
    for name in (encoding, *_ENCODINGS):
        try:
            if name:
                return stored.decode(name), name
        except UnicodeDecodeError:
            continue
    return stored.decode("utf-8", "replace"), "UTF-8"


def _linked(place: Place, prj: Prj, text: bytes | None) -> Place:
    """Return a place with the same files, but another .prj, or none."""
    folder = Path(tempfile.mkdtemp(prefix="slipmain-"))
    whole = prj.archive is not None or (place.path is not None and place.path.is_dir())
    linked = replace(place, target=str(folder if whole else folder / Path(place.target).name))
    weakref.finalize(linked, _removed, folder, os.getpid())
    prj.copy_others(folder)
    if text is not None:
        (folder / prj.name).write_bytes(text)
    return linked


def _link(file: Path, link: Path) -> None:
    try:
        link.symlink_to(file)
    except OSError:  # not everybody may link, nor everywhere
        shutil.copyfile(file, link)


def _removed(folder: Path, process: int) -> None:
    """Remove a folder, in the process that made it alone."""
    if os.getpid() == process:
        shutil.rmtree(folder, ignore_errors=True)
