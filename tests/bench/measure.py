"""Measuring: child processes and calls in turn, medians of their time and peak memory."""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

__all__ = ["Figure", "call", "child", "geotools", "in_turn"]

LAUNCH = Path(__file__).with_name("launch.py")
LONG = 60.0  # s; where a round takes longer, three rounds are enough
TOO_LONG = 180.0  # s; here one is


@dataclass(frozen=True)
class Figure:
    """Wall-clock and processor time, s, and peak memory, bytes (0 where not measured)."""

    wall: float
    cpu: float
    peak: float = 0.0


def child(arguments: Sequence[str]) -> Figure:
    """Run Python with these arguments and measure it with its children, start-up and all.

    The peak is that of the largest process. Bytecode is kept, as it is in an installed copy.
    """
    command = [sys.executable, "-S", str(LAUNCH), *arguments]
    kept = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    done = subprocess.run(command, check=True, capture_output=True, env=kept)
    took = json.loads(done.stdout)
    if took["code"] not in (0, 1):
        raise RuntimeError(f"{' '.join(arguments[:4])} ... ended with {took['code']}")
    return Figure(took["wall"], took["cpu"], float(took["peak"]))


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
    tasks: Mapping[str, Callable[[], Figure]], rounds: int = 5, *, least: int = 1
) -> tuple[dict[str, Figure], int]:
    """Run tasks in turn, round after round, and return the median of each and the rounds run.

    So a machine busy for a while slows all of them alike, and their ratios hold. Three rounds are
    enough where one takes longer than a minute, ``least`` where it takes longer than ``TOO_LONG``.
    """
    found: dict[str, list[Figure]] = {name: [] for name in tasks}
    for done in range(rounds):
        begin = time.perf_counter()
        for name, task in tasks.items():
            found[name].append(task())
        taken = time.perf_counter() - begin
        if (taken > TOO_LONG and done + 1 >= least) or (taken > LONG and done == 2):
            break
    return {name: _median(figures) for name, figures in found.items()}, done + 1


def _median(figures: Sequence[Figure]) -> Figure:
    return Figure(*(median(getattr(f, part) for f in figures) for part in ("wall", "cpu", "peak")))
