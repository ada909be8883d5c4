"""What can go wrong, as a small tree of errors: each says what, where and what to do."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = [
    "BriefError",
    "KeptAsideWarning",
    "LayerError",
    "OlderPlanWarning",
    "OutputError",
    "SlipmainError",
    "WorkersError",
    "mendable",
    "no_utf8",
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


class KeptAsideWarning(UserWarning):
    """A file to be replaced held layers of somebody's own; it is kept under another name."""


def mendable(error: BaseException) -> str | None:
    """Return what a user is told of an error; None where the program is at fault."""
    if isinstance(error, SlipmainError):
        return str(error)
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}"
    if isinstance(error, UnicodeEncodeError) and error.encoding == "utf-8":
        # lone halves of letters, which come of names and arguments in another encoding
        part = error.object[max(error.start - _AROUND, 0) : error.end + _AROUND]
        return no_utf8(part, "rename the file or folder, or write the text in UTF-8")
    if isinstance(error, MemoryError):
        hint = "close other programs, allow more, or give smaller areas"
        return f"the memory there is does not suffice; nothing existing was touched; {hint}"
    return None


_AROUND = 40  # letters shown on both sides of one that cannot be written


def no_utf8(text: str, advice: str) -> str:
    """Say that a text is no UTF-8, what in it is not as bytes; "" for one that is."""
    try:
        text.encode()
    except UnicodeEncodeError:
        pass
    else:
        return ""
    try:
        shown = text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    except UnicodeEncodeError:  # not from bytes: half a letter of two
        shown = text.encode("utf-8", "backslashreplace").decode()
    return f"'{shown}' is not UTF-8 (what is not is shown as bytes); {advice}"
