"""The beginning and the end of a file, also of one that lies in a local archive."""

from __future__ import annotations

import gzip
import io
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path, PurePath, PurePosixPath
from typing import Protocol

from geotools.intake.place import SYSTEM, Place, archives

__all__ = ["UNREADABLE", "Stream", "both_ends", "unpacked", "within"]

NEAR_END = 65_536  # bytes
CHUNK = 2**20  # bytes unpacked at a time
# What an archive raises that is damaged, locked or packed in a way not known here.
UNREADABLE = (
    *(OSError, EOFError, KeyError, RuntimeError, NotImplementedError),
    *(zipfile.BadZipFile, tarfile.TarError, zlib.error),
)


class Stream(Protocol):
    """What bytes are read of, some at a time."""

    def read(self, size: int, /) -> bytes:
        """Return the next bytes, none at the end."""


def both_ends(place: Place) -> tuple[bytes, bytes] | None:
    """Return the first and the last bytes of the file that GDAL opens at a place.

    None where that is no file, or lies in an archive that is none of zip, gzip and tar or within
    another one. What is packed is unpacked to its end, which cannot be had otherwise.
    """
    if place.path is None or not place.path.is_file():
        return None
    if not place.target.startswith("/vsi"):
        return _ends_of_file(place.path)
    try:
        return _ends_of_packed(place.target, place.path)
    except UNREADABLE:
        return None


def _ends_of_file(path: Path) -> tuple[bytes, bytes]:
    with path.open("rb") as stream:
        head = stream.read(NEAR_END)
        stream.seek(max(path.stat().st_size - NEAR_END, 0))
        return head, stream.read()


def within(target: str, path: PurePath) -> str:
    """Return the name in a local archive of what GDAL opens, "" for the archive itself."""
    found = (rest for archive, rest in archives(target, type(path)) if archive == path)
    return next(found, "").replace("{", "").replace("}", "").strip("/")


def _ends_of_packed(target: str, path: Path) -> tuple[bytes, bytes] | None:
    with _packed(target, path, _member) as stream:
        return None if stream is None else _ends_of_stream(stream)


@contextmanager
def unpacked(place: Place, sublayer: str, *, suffixes: Sequence[str]) -> Iterator[Stream | None]:
    """Give the file of a layer that GDAL reads at a place, which may be one of a folder or archive.

    None where that is none, or lies in an archive that is none of zip, gzip and tar or within
    another one. ``suffixes`` are those a file named as the layer may have; of several such files
    the one with the first of them is given.

    Raises
    ------
    UNREADABLE
        If an archive cannot be read, or it is not known which of its files is meant.
    """
    path, target = place.path, place.target
    if path is None or not path.exists():
        yield None
        return
    if target.startswith("/vsi") or zipfile.is_zipfile(path):
        choose = partial(_named_as, sublayer=sublayer, suffixes=suffixes)
        with _packed(target, path, choose) as stream:
            yield stream
        return
    names = [path.name] if path.is_file() else sorted(f.name for f in path.iterdir())
    folder = path.parent if path.is_file() else path
    chosen = names[0] if path.is_file() else _named_as(names, "", sublayer, suffixes)
    with (folder / chosen).open("rb") as stream:
        yield stream


def _named_as(names: list[str], inner: str, sublayer: str, suffixes: Sequence[str]) -> str:
    """Return the one that is wanted, alone, or named as the layer in the folder that is wanted."""
    try:
        return _member(names, inner)
    except KeyError:
        for suffix in suffixes:
            alike = [name for name in names if _is_table(name, inner, sublayer, suffix)]
            if alike:
                return _member(alike, "")
        raise


def _is_table(name: str, inner: str, sublayer: str, suffix: str) -> bool:
    path = PurePosixPath(name.removeprefix("./"))
    named = path.stem == sublayer and path.suffix.lower() == suffix
    return named and str(path.parent) == (inner or ".")


@contextmanager
def _packed(
    target: str, path: Path, choose: Callable[[list[str], str], str]
) -> Iterator[Stream | None]:
    """Give the file in an archive that is chosen of its names and what of it GDAL opens."""
    systems, inner = SYSTEM.findall(target), within(target, path)
    if systems == ["vsizip"] or not systems:
        with zipfile.ZipFile(path) as packed, packed.open(choose(packed.namelist(), inner)) as one:
            yield one
    elif systems == ["vsigzip"]:
        with gzip.open(path) as one:
            yield one
    elif systems == ["vsitar"]:
        with tarfile.open(path) as tar:
            names = [member.name for member in tar.getmembers() if member.isfile()]
            yield tar.extractfile(choose(names, inner)) or io.BytesIO()
    else:
        yield None


def _member(names: list[str], wanted: str) -> str:
    """Return the member of an archive that is wanted, or its only one where none is named.

    Raises
    ------
    KeyError
        If it is not known which.
    """
    files = [name for name in names if not name.endswith("/")]
    if wanted:  # tar puts "./" before names
        files = [name for name in files if name.removeprefix("./") == wanted]
    if len(files) != 1:
        raise KeyError(wanted)
    return files[0]


def _ends_of_stream(stream: Stream) -> tuple[bytes, bytes]:
    head = tail = stream.read(NEAR_END)
    while more := stream.read(CHUNK):
        tail = (tail + more)[-NEAR_END:]
    return head, tail
