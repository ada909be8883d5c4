"""Files written whole or not at all: the target checked first, moved into place at the end."""

from __future__ import annotations

import os
import re
import stat
import time
import uuid
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from geotools.deliver.systems import WINDOWS, lives, system_mark, unfit_for_windows
from geotools.errors import OutputError

__all__ = [
    "BESIDE",
    "JOURNAL",
    "allow_as_new",
    "check_file",
    "check_free",
    "check_place",
    "clear_folder",
    "clear_parts",
    "free_beside",
    "part_of",
    "put_in_place",
    "replacing",
    "spare",
    "sync",
    "sync_folder",
]

# Of what is written, the files that GDAL reads where it is given the folder they lie in.
_READ_BY_FOLDER = (".csv", ".json")
_IN_USE = 32  # ERROR_SHARING_VIOLATION, Windows' number of a file that another program has open
_WAITS = (0.2, 0.5, 1.0, 2.0)  # s: what looks through new files for viruses lets them go by then
# What SQLite puts beside a file it writes.
JOURNAL = "-journal"
BESIDE = ("", JOURNAL, "-wal", "-shm")


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
    target = check_place(path, suffix=suffix)
    check_free(path, target, overwrite=overwrite)
    return target


def check_free(
    path: str | Path,
    target: Path,
    *,
    overwrite: bool,
    perhaps: str = "",
    ways: str = "choose another name or give --overwrite",
) -> None:
    """Refuse a target that is there and may not be replaced.

    Parameters
    ----------
    path : path
        The target as it was given, for the error.
    target : Path
        Links followed.
    overwrite : bool
        Whether it may be replaced.
    perhaps : str, optional
        How it may have come to be there.
    ways : str, optional
        What to do.

    Raises
    ------
    OutputError
        If it is there.
    """
    if target.exists() and not overwrite:
        raise OutputError(f"{path}: exists already{perhaps}; {ways}")
    if WINDOWS and _in_use(target):
        raise OutputError(f"{path}: is open in another program; close it there")


def _in_use(target: Path) -> bool:
    """Tell whether another program on Windows keeps a file from being replaced."""
    try:
        target.rename(target)
    except OSError as error:
        return getattr(error, "winerror", None) == _IN_USE
    return False


def check_place(path: Path, *, suffix: str, beside: str = "") -> Path:
    """Check that a file of that name can be written in its folder; return it, links followed.

    ``beside`` ends the name of what the writer puts beside the file in the meantime, a longer one.

    Raises
    ------
    OutputError
        If it cannot.
    """
    try:
        target = path.resolve()
        folder = target.is_dir()
    except (OSError, ValueError, RuntimeError) as error:  # a name too long, a loop of links
        raise OutputError(f"{path}: is no name for a file ({error})") from error
    if target.suffix.lower() != suffix:
        raise OutputError(f"{path}: give it a name ending in {suffix}")
    if folder:
        raise OutputError(f"{path}: is a folder; give the name of a file in it")
    unfit = unfit_for_windows(target.name) if WINDOWS else None
    if unfit is not None:
        raise OutputError(f"{path}: {unfit}; choose another name")
    if not target.parent.is_dir():
        raise OutputError(f"{path}: there is no folder {target.parent}; create it first")
    part = part_of(target)
    part = part.with_name(part.name + beside)
    try:  # under the name it is to be written by: that one may be too long where the other is not
        part.touch()
        part.unlink()
    except (OSError, ValueError) as error:
        raise OutputError(
            f"{path}: cannot write in {target.parent} ("
            f"{getattr(error, 'strerror', None) or error}); choose another name or folder, or "
            "change the permissions of the folder"
        ) from error
    return target


def spare(targets: Iterable[Path], read: Iterable[Path]) -> None:
    """Refuse to write over what is read, whatever else is allowed.

    Parameters
    ----------
    targets : iterable of Path
        Files to be written.
    read : iterable of Path
        Files and folders that are read.

    Raises
    ------
    OutputError
        With every target that is one of them, or may be read with one of the folders; nothing
        was touched.
    """
    files, folders = set(), set()
    for path in read:
        with suppress(OSError, ValueError):
            about = path.stat()
            files.add((about.st_dev, about.st_ino))
            if stat.S_ISDIR(about.st_mode):
                folders.add(path.resolve())
    hit = [path for path in targets if _is_read(path, files, folders)]
    if hit:
        raise OutputError(
            "\n".join(f"{path}: is read by this call; give the output another name" for path in hit)
        )


def _is_read(target: Path, files: set[tuple[int, int]], folders: set[Path]) -> bool:
    """Tell whether a target is one of the files read, or read with one of the folders."""
    try:
        about = target.stat()
    except (OSError, ValueError):
        return False
    if target.suffix.lower() in _READ_BY_FOLDER and folders & {*target.resolve().parents}:
        return True
    return (about.st_dev, about.st_ino) in files


@contextmanager
def replacing(target: Path, *, overwrite: bool = True) -> Iterator[Path]:
    """Give a path beside the target to write to; it takes the target's place when all went well.

    Parameters
    ----------
    target : Path
    overwrite : bool
        Whether a file that is there at the end, when the work is done, may be replaced.

    Raises
    ------
    OutputError
        If the system refuses to write, or a file is there; an old file is untouched.
    """
    part = part_of(target)
    try:
        clear_parts(target)
        yield part
        check_free(target, target, overwrite=overwrite)
        sync(part)
        put_in_place(part, target)
        sync_folder(target.parent)
    except OSError as error:
        raise OutputError(
            f"{target}: writing failed ({error.strerror or error}); nothing existing was touched"
        ) from error
    finally:
        part.unlink(missing_ok=True)


def put_in_place(part: Path, target: Path) -> None:
    """Move a file to its place; who may read it stays as it was for the file it replaces.

    Raises
    ------
    OutputError
        If a program on Windows has the old one open; the new one is kept beside it.
    """
    if os.name == "posix":
        with suppress(OSError):  # no file there, or no modes
            part.chmod(target.stat().st_mode & 0o777)
    if not WINDOWS:
        part.replace(target)
        return
    for wait in (*_WAITS, None):
        try:
            part.replace(target)
            return
        except PermissionError as error:
            if wait is None:
                aside = _free_name(target, "new")
                part.rename(aside)
                raise OutputError(
                    f"{target}: is open in another program; the new file lies beside it as "
                    f"{aside.name}: close the program and give it its name"
                ) from error
            time.sleep(wait)


def allow_as_new(path: Path) -> None:
    """Have a file that a library made be open to those whom any new file here is open to."""
    probe = path.with_name(path.name + JOURNAL)
    with suppress(OSError):  # no modes
        probe.touch()
        path.chmod(probe.stat().st_mode & 0o777)
    probe.unlink(missing_ok=True)


def sync(path: Path) -> None:
    """Wait until a file is on the disk."""
    with path.open("rb+") as stream:
        os.fsync(stream.fileno())


def sync_folder(path: Path) -> None:
    """Wait until a folder's entries are on the disk, where the system can do that."""
    if os.name != "posix":
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def part_of(target: Path) -> Path:
    """Return a new name beside a file to write it under; it tells which process writes."""
    token = uuid.uuid4().hex[:12]
    return target.with_name(f".{target.stem}.{system_mark()}-{os.getpid()}-{token}{target.suffix}")


# What `part_of` makes, and what SQLite puts beside it.
_PART = re.compile(
    r"\.(?P<stem>.*)\.(?P<system>[0-9a-f]{12})?-(?P<process>[1-9]\d{0,8})-[0-9a-f]{12}"
    rf"(?P<suffix>(?:\.[^.]*?)?)(?:{'|'.join(BESIDE)})",
    re.DOTALL,
)


def clear_parts(target: Path) -> None:
    """Remove the unfinished files of a target whose writers were killed.

    A part is removed if its name says that a process of this system wrote it, and no process has
    that number now. Parts of other machines, containers and boots stay: whether they are still
    being written cannot be told from here.
    """
    if system_mark():
        _clear(target.parent, {target.name}, others=False)


def clear_folder(folder: Path, names: Collection[str]) -> None:
    """Remove the unfinished files of targets that nobody but this process may write now.

    Those of other machines, containers and boots go too; those of living processes of this system
    stay all the same.
    """
    _clear(folder, names, others=True)


def _clear(folder: Path, names: Collection[str], *, others: bool) -> None:
    with suppress(PermissionError):  # a folder may be written in and not listed
        for part in list(folder.iterdir()):
            told = _PART.fullmatch(part.name)
            if told is None or told["stem"] + told["suffix"] not in names:
                continue
            own = bool(system_mark()) and told["system"] == system_mark()
            if lives(int(told["process"])) if own else not others:
                continue
            with suppress(OSError):  # another run removed it, or it is another user's
                part.unlink()


def free_beside(target: Path) -> Path:
    """Return a name beside a file to keep what somebody made of it; none a district's may bear."""
    return _free_name(target, "edited")


def _free_name(target: Path, what: str) -> Path:
    number = 1
    while (aside := target.with_name(f"{target.stem}.{what}-{number}{target.suffix}")).exists():
        number += 1
    return aside
