"""What year it is, for what hangs on it; in UTC, so that it is the same on every machine."""

from __future__ import annotations

import datetime

__all__ = ["this_year"]


def this_year() -> int:
    """Return the year that is now."""
    return datetime.datetime.now(tz=datetime.UTC).year
