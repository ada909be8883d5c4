"""Files written whole or not at all: the target checked first, moved into place at the end."""

from __future__ import annotations

import tempfile
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from geotools.errors import OutputError

__all__ = ["check_file", "replacing"]


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
    part = target.with_name(f".{target.stem}.{uuid.uuid4().hex}{target.suffix}")
    try:
        yield part
        part.replace(target)
    except OSError as error:
        raise OutputError(
            f"{target}: writing failed ({error.strerror or error}); nothing existing was touched"
        ) from error
    finally:
        part.unlink(missing_ok=True)
