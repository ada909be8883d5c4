"""Reads the CSV tables that ship with the package."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources

__all__ = ["rows"]


@cache
def rows(name: str) -> tuple[dict[str, str], ...]:
    """Read one table.

    Parameters
    ----------
    name : str
        File name without folder or suffix.

    Returns
    -------
    tuple of dict
        One dict per line, text as written; every table has a `source` column.
    """
    path = resources.files(__package__).joinpath("data", f"{name}.csv")
    return tuple(csv.DictReader(path.read_text(encoding="utf-8").splitlines()))
