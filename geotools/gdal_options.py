"""Options of GDAL set for a while."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

__all__ = ["gdal_options", "options_held"]

# They are the whole process's: of two threads that set one at once the first out would take it
# from the other, and the last would put back for good what the other had set.
_held: dict[str, tuple[int, str | None]] = {}  # option: by how many, what it was before
_changing = threading.Lock()


@contextmanager
def gdal_options(options: Mapping[str, str]) -> Iterator[None]:
    """Set options, and put back the old ones when the last that asked for them is done.

    One option has the same value wherever it is set in this program.
    """
    import pyogrio

    with _changing:
        for key in options:
            count, before = _held.get(key, (0, None))
            before = before if count else pyogrio.get_gdal_config_option(key)
            _held[key] = count + 1, before
        pyogrio.set_gdal_config_options(dict(options))
    try:
        yield
    finally:
        with _changing:
            for key in options:
                count, before = _held.pop(key)
                if count > 1:
                    _held[key] = count - 1, before
                else:
                    pyogrio.set_gdal_config_options({key: before})


def options_held() -> dict[str, Any]:
    """Return the options that are set for somebody now, of whatever thread."""
    import pyogrio

    with _changing:
        return {key: pyogrio.get_gdal_config_option(key) for key in _held}
