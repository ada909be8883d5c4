"""What can go wrong, as a small tree of errors: each says what, where and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = [
    "BriefError",
    "LayerError",
    "OlderPlanWarning",
    "OutputError",
    "SlipmainError",
    "WorkersError",
    "mendable",
]


class SlipmainError(Exception):
    """Root of all errors a user can mend; the command prints it without a traceback."""


class BriefError(SlipmainError):
    """The brief (or a ``--set`` on the command line) has faults; all are listed at once."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(self.faults))


class LayerError(SlipmainError):
    """An input layer cannot be used as it is; all its faults are listed at once."""

    def __init__(self, source: str, faults: Sequence[str] | str) -> None:
        self.source = source
        self.faults = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(f"{source}: {fault}" for fault in self.faults))

    def __reduce__(self) -> tuple[Any, ...]:
        return LayerError._again, (type(self), self.source, self.faults, self.args)

    @staticmethod
    def _again(
        kind: type[LayerError], source: str, faults: tuple[str, ...], args: tuple[object, ...]
    ) -> LayerError:
        """Make the error anew when it comes from another process."""
        error = kind.__new__(kind, *args)
        error.source, error.faults = source, faults
        return error


class OutputError(SlipmainError):
    """The output cannot be written where it was asked for; nothing existing was touched."""


class WorkersError(SlipmainError):
    """Processes for the workers of a batch could not be begun; the text says what may be why."""


class OlderPlanWarning(UserWarning):
    """A plan lacks columns that came into the contract after it was written; they are empty."""


def mendable(error: BaseException) -> str | None:
    """Return what a user is told of an error; None where the program is at fault."""
    if isinstance(error, SlipmainError):
        return str(error)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}"
    if isinstance(error, MemoryError):
        hint = "close other programs, allow more, or give smaller areas"
        return f"the memory there is does not suffice; nothing existing was touched; {hint}"
    return None
