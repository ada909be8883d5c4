"""The beginning and the end of a file, also of one that lies in a local archive."""

from __future__ import annotations

import gzip
import io
import tarfile
import zipfile
import zlib
from pathlib import Path
from typing import Protocol

from geotools.intake.place import SYSTEM, Place

__all__ = ["UNREADABLE", "both_ends", "within"]

NEAR_END = 65_536  # bytes
CHUNK = 2**20  # bytes unpacked at a time
# What an archive raises that is damaged, locked or packed in a way not known here.
UNREADABLE = (
    *(OSError, EOFError, KeyError, RuntimeError, NotImplementedError),
    *(zipfile.BadZipFile, tarfile.TarError, zlib.error),
)


class _Stream(Protocol):
    def read(self, size: int, /) -> bytes: ...


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


def within(target: str, path: Path) -> str:
    """Return the name in a local archive of what GDAL opens, "" for the archive itself."""
    return target.replace("{", "").replace("}", "").partition(str(path))[2].strip("/")


def _ends_of_packed(target: str, path: Path) -> tuple[bytes, bytes] | None:
    systems, inner = SYSTEM.findall(target), within(target, path)
    if systems == ["vsizip"]:
        with zipfile.ZipFile(path) as packed, packed.open(_member(packed.namelist(), inner)) as one:
            return _ends_of_stream(one)
    if systems == ["vsigzip"]:
        with gzip.open(path) as one:
            return _ends_of_stream(one)
    if systems == ["vsitar"]:
        with tarfile.open(path) as tar:
            names = [member.name for member in tar.getmembers() if member.isfile()]
            return _ends_of_stream(tar.extractfile(_member(names, inner)) or io.BytesIO())
    return None


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


def _ends_of_stream(stream: _Stream) -> tuple[bytes, bytes]:
    head = tail = stream.read(NEAR_END)
    while more := stream.read(CHUNK):
        tail = (tail + more)[-NEAR_END:]
    return head, tail
