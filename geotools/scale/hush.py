"""The words of Dask's own, kept back: what becomes of a district the batch tells itself.

A worker imports this module before anything else it does.
"""

from __future__ import annotations

import logging

__all__ = ["quiet"]

# Those Dask gives a level of their own.
_LOGGERS = ("distributed", "distributed.client", "distributed.gc", "tornado.application")


def quiet() -> None:
    """Let nothing through but what ends the process."""
    for name in _LOGGERS:
        logging.getLogger(name).setLevel(logging.CRITICAL)


quiet()
