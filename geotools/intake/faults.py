"""Faults of several layers, gathered so that the user can mend them in one go."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

from geotools.errors import LayerError

__all__ = ["LOCKED", "FaultList", "LayersError", "link_fault", "locked", "nearest"]

LOCKED = "is locked by another program; close it there, or let it finish, and run this again"


class LayersError(LayerError):
    """Faults of several sources; each line already names its source."""

    def __init__(self, errors: Iterable[LayerError]) -> None:
        gathered = list(errors)
        super().__init__(", ".join(dict.fromkeys(e.source for e in gathered)), ())
        self.faults = tuple(line for e in gathered for line in str(e).splitlines())
        self.args = ("\n".join(self.faults),)


class FaultList:
    """Collects layer errors raised in ``with`` blocks; `raise_if_any` raises them as one."""

    def __init__(self) -> None:
        self._errors: list[LayerError] = []

    def __enter__(self) -> None:
        """Begin a block."""

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> bool:
        """Keep a `LayerError` raised in the block for later; let everything else pass."""
        if not isinstance(error, LayerError):
            return False
        if error.faults:
            self._errors.append(error)
        return True

    def raise_if_any(self) -> None:
        """Raise what was collected.

        Raises
        ------
        LayerError
            The one error collected, or one that lists them all.
        """
        if len(self._errors) == 1:
            raise self._errors[0]
        if self._errors:
            raise LayersError(self._errors)


def nearest(name: str, known: Iterable[str], *, cutoff: float = 0.5) -> str | None:
    """Return the known name most like the given one, upper and lower case alike, or None."""
    names = {k.casefold(): k for k in sorted(known, reverse=True)}
    sought = name.casefold()
    # of thousands only those are compared letter by letter that have enough of its letters
    may = [k for k in names if _alike_at_most(sought, k) >= cutoff]
    close = difflib.get_close_matches(sought, sorted(may), n=1, cutoff=cutoff)
    return names[close[0]] if close else None


def _alike_at_most(sought: str, name: str) -> float:
    """Return a bound of the likeness of two names: as if all letters they share matched."""
    length = len(sought) + len(name)
    return 2.0 * sum(map(sought.count, set(name))) / length if length else 1.0


def locked(reason: object) -> bool:
    """Tell whether a reader failed because another program holds a database of SQLite."""
    return "is locked" in str(reason)


def link_fault(path: Path) -> str:
    """Say that a link leads to no file, where one of that name is all there is; "" elsewhere."""
    try:
        if not path.is_symlink():
            return ""
    except OSError:  # of a name no system takes
        return ""
    target = str(path.readlink())
    return f"is a link to {target!r}, which leads to no file; mend it, or give the file itself"
