"""Work side by side in threads, which an interruption does not have to wait for."""

from __future__ import annotations

import threading
import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

__all__ = ["Stopped", "ThreadPool", "go_on", "left_running"]

_left: list[threading.Thread] = []  # threads nobody waits for any more
_own = threading.local()  # of a thread of a pool: what tells it to stop


class Stopped(BaseException):
    """The work was interrupted, and nobody waits for what this thread does."""


class ThreadPool:
    """A pool of so many threads, all of which are waited for in the end.

    If the work is interrupted (or ended by a signal) nobody waits: what was not begun is not, and
    what was stops where it next asks whether to `go_on`. After an error what was not begun is not.
    """

    def __init__(self, count: int) -> None:
        from concurrent.futures import ThreadPoolExecutor

        self._stop, self._threads = threading.Event(), list[threading.Thread]()
        # a method of its own would have the pool hold itself
        told = self._stop, self._threads
        self._pool = ThreadPoolExecutor(count, initializer=_begin, initargs=told)

    def __enter__(self) -> ThreadPoolExecutor:
        return self._pool

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        interrupted = kind is not None and not issubclass(kind, Exception)
        if interrupted:
            self._stop.set()
        self._pool.shutdown(wait=not interrupted, cancel_futures=kind is not None)
        if interrupted:
            _left.extend(self._threads)


def _begin(stop: threading.Event, threads: list[threading.Thread]) -> None:
    """Note the thread of a pool that begins, and what tells it to stop."""
    _own.stop = stop
    threads.append(threading.current_thread())


def go_on() -> None:
    """Return, unless this thread is one of a pool nobody waits for: there raise `Stopped`."""
    stop: threading.Event | None = getattr(_own, "stop", None)
    if stop is not None and stop.is_set():
        raise Stopped


def left_running(wait: float) -> bool:
    """Tell whether threads nobody waits for are still at work after so many seconds."""
    until = time.monotonic() + wait
    for thread in _left:
        thread.join(max(until - time.monotonic(), 0.0))
    _left[:] = [thread for thread in _left if thread.is_alive()]
    return bool(_left)
