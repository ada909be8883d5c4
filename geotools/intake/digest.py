"""The hash of an input: of one file, of files that belong together, or of a whole folder."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from geotools.intake.beside import names_beside
from geotools.intake.stamp import Stamp, stamp

__all__ = ["journals", "sha256", "sha256_of", "state_of"]

# Files that belong to a file of this suffix and change what is read from it.
COMPANIONS = {
    ".shp": (".shp", ".shx", ".dbf", ".prj", ".cpg", ".qpj"),
    ".tab": (".tab", ".dat", ".map", ".id", ".ind"),
    ".mif": (".mif", ".mid"),
    ".csv": (".csv", ".csvt", ".prj"),
}
# What lies beside a database of SQLite, such as a GeoPackage, and is read with it.
JOURNALS = ("-wal", "-journal")
# What a program puts into a folder of tables, such as a geodatabase, as long as it has it open.
LOCK = ".lock"
DATABASE = b"SQLite format 3\0"


def sha256(path: Path) -> str:
    """Return the SHA-256 of what is read, as hexadecimal text; taken once while nothing changes.

    One file is hashed as it is; a file with companions (a Shapefile, a GeoPackage another program
    has open with changes that are in its journal yet) and a folder with all its files but locks are
    hashed one after the other, each led by its name and size.
    """
    return sha256_of(path, _parts(path))


def sha256_of(path: Path, members: Sequence[Path]) -> str:
    """Return the SHA-256 of files that belong together, wherever they lie; ``path`` leads them.

    A file that has no others is hashed as it is.
    """
    parts = tuple(members)
    return _hashed(path, parts, tuple(stamp(part) for part in parts))


def state_of(path: Path) -> tuple[Stamp, ...]:
    """Return the stamps of all files that `sha256` hashes: what tells one state from the next."""
    return tuple(stamp(part) for part in _parts(path))


@lru_cache(maxsize=1024)
def _hashed(path: Path, parts: tuple[Path, ...], stamps: tuple[Stamp, ...]) -> str:
    """Return the hash of a file's parts, taken once for their stamps."""
    if parts == (path,):
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    total = hashlib.sha256()
    root = path if path.is_dir() else path.parent
    for part in parts:
        name = part.relative_to(root).as_posix() if part.is_relative_to(root) else part.name
        total.update(f"{name}\0{part.stat().st_size}\0".encode())
        with part.open("rb") as stream:
            total.update(hashlib.file_digest(stream, "sha256").digest())
    return total.hexdigest()


def _parts(path: Path) -> list[Path]:
    if path.is_dir():
        inside = [p for p in path.rglob("*") if p.suffix.lower() != LOCK and p.is_file()]
        return sorted(inside, key=_by_name)
    wanted = COMPANIONS.get(path.suffix.lower())
    if wanted is None:
        return [path, *journals(path)]
    endings = {name: meant[len(path.stem) :] for name, meant in names_beside(path).items()}
    own = [path.with_name(name) for name, ending in endings.items() if ending.lower() in wanted]
    found = sorted((part for part in own if part.is_file()), key=_by_name)
    return found if len(found) > 1 else [path]  # alone it has no name in its hash, as it is given


def _by_name(path: Path) -> tuple[str, ...]:
    """Return what to sort paths by: some systems would sort them without regard to case."""
    return path.parts


def journals(path: Path) -> list[Path]:
    """Return the journals of a database that hold something; none for any other file.

    They lie beside the file itself, not beside a link to it.
    """
    real = path.resolve()
    beside = (real.with_name(real.name + ending) for ending in JOURNALS)
    found = [journal for journal in beside if journal.is_file() and journal.stat().st_size]
    if not found or not path.is_file():
        return []
    with path.open("rb") as stream:
        return found if stream.read(len(DATABASE)) == DATABASE else []
