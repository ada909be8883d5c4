"""Warnings of libraries kept quiet where what they warn of is told in our own words."""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["without"]

# What is ignored is kept for the whole process and put back as it was found: of two threads that
# do so at once the later one would put back for good what the other had set.
_one_at_a_time = threading.Lock()


@contextmanager
def without(category: type[Warning], begins: str = "") -> Iterator[None]:
    """Ignore warnings of a category; for short calls, since threads wait for each other here.

    Only those whose text begins so, a regular expression.
    """
    with _one_at_a_time, warnings.catch_warnings():
        warnings.filterwarnings("ignore", begins, category)
        yield
