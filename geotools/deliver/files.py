"""Files written whole or not at all: the target checked first, moved into place at the end."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

from geotools.errors import OutputError

__all__ = ["check_file", "clear_parts", "part_of", "replacing"]

# What SQLite puts beside a file it writes.
BESIDE = ("", "-journal", "-wal", "-shm")


def check_file(path: Path, *, suffix: str, overwrite: bool) -> Path:
    """Check that a file can be written at a path; call it before any long work.

    Parameters
    ----------
    path : Path
        The target.
    suffix : str
        What its name must end in, such as ``.csv``.
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
    target = path.resolve()
    if target.suffix.lower() != suffix:
        raise OutputError(f"{path}: give it a name ending in {suffix}")
    if target.is_dir():
        raise OutputError(f"{path}: is a folder; give the name of a file in it")
    if not target.parent.is_dir():
        raise OutputError(f"{path}: there is no folder {target.parent}; create it first")
    if target.exists() and not overwrite:
        raise OutputError(f"{path}: exists already; choose another name or give --overwrite")
    try:
        with tempfile.TemporaryFile(dir=target.parent):
            pass
    except OSError as error:
        raise OutputError(
            f"{path}: cannot write in {target.parent} ({error.strerror}); choose another folder "
            "or change its permissions"
        ) from error
    return target


@contextmanager
def replacing(target: Path) -> Iterator[Path]:
    """Give a path beside the target to write to; it takes the target's place when all went well.

    Raises
    ------
    OutputError
        If the system refuses to write; an old file is untouched.
    """
    part = part_of(target)
    try:
        clear_parts(target)
        yield part
        part.replace(target)
    except OSError as error:
        raise OutputError(
            f"{target}: writing failed ({error.strerror or error}); nothing existing was touched"
        ) from error
    finally:
        part.unlink(missing_ok=True)


def part_of(target: Path) -> Path:
    """Return a new name beside a file to write it under; it tells which process writes."""
    token = uuid.uuid4().hex[:12]
    return target.with_name(f".{target.stem}.{_system()}-{os.getpid()}-{token}{target.suffix}")


def clear_parts(target: Path) -> None:
    """Remove the unfinished files of a target whose writers were killed.

    A part is removed if its name says that a process of this system wrote it, and no process has
    that number now. Parts of other machines, containers and boots stay: whether they are still
    being written cannot be told from here.
    """
    if not _system():
        return
    ends = "|".join(re.escape(target.suffix + end) for end in BESIDE)
    name = re.compile(
        rf"{re.escape(f'.{target.stem}.{_system()}-')}([1-9]\d{{0,8}})-[0-9a-f]{{12}}({ends})"
    )
    with suppress(PermissionError):  # a folder may be written in and not listed
        for part in list(target.parent.iterdir()):
            told = name.fullmatch(part.name)
            if told and not _lives(int(told[1])):
                with suppress(OSError):  # another run removed it, or it is another user's
                    part.unlink()


@cache
def _system() -> str:
    """Return a mark of this boot and its set of process numbers; "" where none can be had."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_bytes().strip()
        numbers = Path("/proc/self/ns/pid").stat().st_ino
    except OSError:
        return ""
    return hashlib.sha256(boot + str(numbers).encode()).hexdigest()[:12]


def _lives(process: int) -> bool:
    """Tell whether a process of this system has a number; asked only where `_system` is known."""
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:  # another user's
        return True
    return True
