"""What differs between systems: names of files, their addresses for SQLite, who writes them."""

from __future__ import annotations

import hashlib
import os
import re
import uuid
from functools import cache
from pathlib import Path, PurePath

__all__ = ["DEVICES", "WINDOWS", "lives", "sqlite_uri", "system_mark", "unfit_for_windows"]

WINDOWS = os.name == "nt"
# Names of devices on Windows, whatever comes after a dot.
DEVICES = re.compile(
    r"(con|prn|aux|nul|(com|lpt)[0-9\u00b9\u00b2\u00b3])(?=\.|\Z)", flags=re.IGNORECASE
)
_NO_LETTERS = '<>:"|?*'  # of a name on Windows; after a colon there it is a stream within a file


def sqlite_uri(path: PurePath, how: str) -> str:
    """Return the address SQLite opens a file by; ``how`` is its query, such as ``mode=ro``.

    SQLite takes no host in it: of a share on Windows, which Python writes as one, the host goes
    into the path. https://www.sqlite.org/uri.html, section 3.1.
    """
    address = path.as_uri()
    if not address.startswith("file:///"):
        address = address.replace("file://", "file:////", 1)
    return f"{address}?{how}"


def unfit_for_windows(name: str) -> str | None:
    """Return why a file on Windows cannot be called so; None where it can."""
    letters = [letter for letter in name if letter in _NO_LETTERS]
    if letters:
        return f"on Windows a name has no {letters[0]}"
    if DEVICES.match(name):
        return f"{name.partition('.')[0]} is a device on Windows"
    return None


@cache
def system_mark() -> str:
    """Return a mark of this boot and its set of process numbers; "" where none can be had."""
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_bytes().strip()
        numbers = str(Path("/proc/self/ns/pid").stat().st_ino)
    except OSError:
        import psutil

        try:
            boot, numbers = str(psutil.boot_time()).encode(), str(uuid.getnode())
        except (OSError, psutil.Error):
            return ""
    return hashlib.sha256(boot + numbers.encode()).hexdigest()[:12]


def lives(process: int) -> bool:
    """Tell whether a process of this system has a number; asked only where the system is known."""
    import psutil  # on Windows os.kill would end it

    return bool(psutil.pid_exists(process))
