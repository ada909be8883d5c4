"""Measuring: child processes and calls in turn, medians of their time and peak memory."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

__all__ = ["Figure", "call", "child", "geotools", "in_turn"]

LONG = 60.0  # s; where a round takes longer, three rounds are enough


@dataclass(frozen=True)
class Figure:
    """Wall-clock and processor time, s, and peak memory, bytes (0 where not measured)."""

    wall: float
    cpu: float
    peak: float = 0.0


def child(arguments: Sequence[str]) -> Figure:
    """Run Python with these arguments and measure it with its children, start-up and all.

    The peak is that of the largest process.
    """
    begin = time.perf_counter()
    process = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - begin
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode not in (0, 1):
        raise RuntimeError(f"{' '.join(arguments[:4])} ... ended with {process.returncode}")
    peak = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    return Figure(wall, usage.ru_utime + usage.ru_stime, float(peak))


def geotools(*arguments: object) -> list[str]:
    """Return the arguments that run a command of the program quietly."""
    return ["-m", "geotools", *(str(a) for a in arguments), "--quiet"]


def call(function: Callable[[], object]) -> Figure:
    """Measure a call in this process."""
    gc.collect()
    begin, cpu = time.perf_counter(), time.process_time()
    function()
    return Figure(time.perf_counter() - begin, time.process_time() - cpu)


def in_turn(
    tasks: Mapping[str, Callable[[], Figure]], rounds: int = 5
) -> tuple[dict[str, Figure], int]:
    """Run tasks in turn, round after round, and return the median of each and the rounds run.

    So a machine busy for a while slows all of them alike, and their ratios hold.
    """
    found: dict[str, list[Figure]] = {name: [] for name in tasks}
    for done in range(rounds):
        begin = time.perf_counter()
        for name, task in tasks.items():
            found[name].append(task())
        if time.perf_counter() - begin > LONG and done == 2:
            break
    return {name: _median(figures) for name, figures in found.items()}, done + 1


def _median(figures: Sequence[Figure]) -> Figure:
    return Figure(*(median(getattr(f, part) for f in figures) for part in ("wall", "cpu", "peak")))
