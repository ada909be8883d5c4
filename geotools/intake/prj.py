"""The .prj of a Shapefile, where GDAL does not read it: written anew, or told and left out."""

from __future__ import annotations

import os
import shutil
import tempfile
import weakref
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from geotools.intake.place import Place

__all__ = ["around_prj", "prj_beside"]

_ENCODINGS = ("Windows-1252", "ISO-8859-1")  # the second has a letter for every byte


def around_prj(place: Place, sublayer: str, encoding: str) -> Iterator[tuple[Place, str, str]]:
    """Give a Shapefile as it may be read: with its .prj in UTF-8 if it is not, then without one.

    Its files are linked into a folder of their own, which goes when nothing has the place any more.

    Parameters
    ----------
    place : Place
        A Shapefile, or a folder of these; of others nothing is given, nor of one without a .prj.
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
    stored = prj.read_bytes()
    try:
        stored.decode("utf-8")
    except UnicodeDecodeError:
        text, used = _decoded(stored, encoding)
        said = f"{prj.name!r} is not UTF-8 text; it was read as {used}"
        yield _linked(place, prj, text.encode("utf-8")), said, ""
    yield _linked(place, prj, None), "", prj.name


def prj_beside(place: Place, sublayer: str) -> Path | None:
    """Return the .prj of a local Shapefile, None if it has none."""
    if place.path is None or Path(place.target) != place.path:
        return None
    path = place.path / f"{sublayer}.shp" if place.path.is_dir() else place.path
    if path.suffix.lower() != ".shp":
        return None
    found = (path.with_suffix(suffix) for suffix in (".prj", ".PRJ"))
    return next((prj for prj in found if prj.is_file()), None)


def _decoded(stored: bytes, encoding: str) -> tuple[str, str]:
    """Return text, and the encoding it was read in."""
    for name in (encoding, *_ENCODINGS):
        try:
            if name:
                return stored.decode(name), name
        except UnicodeDecodeError:
            continue
    return stored.decode("utf-8", "replace"), "UTF-8"


def _linked(place: Place, prj: Path, text: bytes | None) -> Place:
    """Return a place with the same files, but another .prj, or none."""
    folder = Path(tempfile.mkdtemp(prefix="slipmain-"))
    for file in prj.parent.iterdir():
        if file.is_file() and file.name.startswith(f"{prj.stem}.") and file.name != prj.name:
            _link(file.absolute(), folder / file.name)
    if text is not None:
        (folder / prj.name).write_bytes(text)
    whole = place.path is not None and place.path.is_dir()
    linked = replace(place, target=str(folder if whole else folder / Path(place.target).name))
    weakref.finalize(linked, _removed, folder, os.getpid())
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
