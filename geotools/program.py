"""Which program this is: its version and a digest of its modules and tables."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import geotools

__all__ = ["PROGRAM", "program"]

PROGRAM = "program"  # row of the settings that tells what made a result


@cache
def program() -> str:
    """Return version and hash of the package's modules and tables, such as ``1.0 (5f3a)``.

    A clone's version is always the same.
    """
    total, root = hashlib.blake2b(digest_size=16), Path(geotools.__file__).parent
    for file in sorted({*root.rglob("*.py"), *(root / "pipe" / "data").iterdir()}):
        # A clone may have the line ends of its system.
        name, content = file.relative_to(root).as_posix(), file.read_bytes().replace(b"\r\n", b"\n")
        total.update(f"{name}\0{len(content)}\0".encode())
        total.update(content)
    return f"{geotools.__version__} ({total.hexdigest()})"
