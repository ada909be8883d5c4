"""The stamp of a file: what tells one writing of it from the next."""

from __future__ import annotations

from pathlib import Path

__all__ = ["Stamp", "stamp"]

Stamp = tuple[int, int, int, int, int]


def stamp(path: Path) -> Stamp:
    """Return device, inode, size, and times of the last writing and the last change, ns.

    The time of writing can be set back, as copying and unpacking do; that of change cannot.
    """
    about = path.stat()
    return about.st_dev, about.st_ino, about.st_size, about.st_mtime_ns, about.st_ctime_ns
