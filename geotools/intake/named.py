"""Files that sources name: what a call reads, and whatever it writes must spare."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from geotools.intake.dem import matching
from geotools.intake.place import archive_of, file_in, geopackage_of, in_geopackage

__all__ = ["named_files"]


def named_files(sources: Iterable[str]) -> list[Path]:
    """Return the local files and folders of sources, as far as they are there.

    A source is a path, ``path:layer``, a place inside an archive, or a pattern.
    """
    found: list[Path] = []
    for source in sources:
        path = file_in(source) or geopackage_of(in_geopackage(source))
        archive = None if path else archive_of(source)
        if path:
            found.append(Path(path))
        elif archive is not None:
            found.append(archive)
        elif "\0" not in source:
            found += map(Path, matching(source))
    return found
