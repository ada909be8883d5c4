"""Remarks: what about a shutdown the crew should know beyond the valves to close."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.findings import objects
from geotools.network.ragged import BoolArray, IntArray

__all__ = ["Circumstances", "names_by_run", "order_of_names", "write_remarks"]

MOST = 12  # names listed; of more, only how many


@dataclass(frozen=True)
class Circumstances:
    """What is known of each run's shutdown; arrays have shape (runs,).

    Attributes
    ----------
    reach : float
        How near to a junction a valve was looked for, m.
    branches, bare : ndarray of int64
        Mains that join the run, and those of them with no valve near.
    stuck, closed, cut_out : ndarray of str
        Names of valves that cannot be closed, of those to be kept closed, and of those that the
        work cuts out; "" if none.
    valves : ndarray of int64
        Valves to close.
    fed : ndarray of bool
        Whether the run gets water from a source in normal operation.
    source : ndarray of bool
        Whether a source is shut in.
    reckoned : bool
        Whether any source is known.
    """

    reach: float
    branches: IntArray
    bare: IntArray
    stuck: npt.NDArray[np.object_]
    closed: npt.NDArray[np.object_]
    cut_out: npt.NDArray[np.object_]
    valves: IntArray
    fed: BoolArray
    source: BoolArray
    reckoned: bool


def write_remarks(case: Circumstances, say: Callable[[float], str]) -> npt.NDArray[np.object_]:
    """Return the remarks on every run, "" where there is nothing to say.

    ``say`` puts a length, m, in words.
    """
    said: list[list[str]] = [[] for _ in case.valves]
    for run in np.flatnonzero(case.valves == 0):
        said[run].append("no valve shuts it in: all that is joined to it goes dry")
    for run in np.flatnonzero(case.bare > 0):
        said[run].append(
            f"no valve within {say(case.reach)} on {case.bare[run]} of {case.branches[run]} "
            "mains that join it"
        )
    for run in np.flatnonzero(case.stuck != ""):
        said[run].append(f"cannot be closed: {case.stuck[run]}")
    for run in np.flatnonzero(case.closed != ""):
        said[run].append(f"normally closed, keep closed: {case.closed[run]}")
    for run in np.flatnonzero(case.cut_out != ""):
        names = ", ".join(case.cut_out[run].split(","))
        said[run].append(f"cut out by the work, so not relied on: {names}")
    if not case.reckoned:
        for words in said:
            words.append(
                "no source known, so what is cut off beyond is not: customers, services and "
                "hydrants are the least without water"
            )
    for run in np.flatnonzero(case.source):
        said[run].append("a source is shut in")
    for run in np.flatnonzero(case.reckoned & ~case.fed):
        said[run].append("gets no water through open valves as it is")
    return objects(["; ".join(words) for words in said])


def names_by_run(
    run: IntArray, names: npt.NDArray[np.object_], runs: int, *, most: int | None = MOST
) -> npt.NDArray[np.object_]:
    """Join names by run, numbers in their order, each once; beyond ``most`` only how many."""
    table = pd.DataFrame({"run": run, "name": names.astype(str)}).drop_duplicates()
    order = order_of_names(table["run"].to_numpy(), table["name"].to_numpy(dtype=object))
    of = table["run"].to_numpy(dtype=np.int64)[order]
    words = table["name"].to_numpy(dtype=object)[order]
    new = np.flatnonzero(np.diff(of, prepend=-1))
    out = np.full(runs, "", dtype=object)
    for low, high in pairwise([*new.tolist(), len(of)]):
        listed = words[low:high].tolist()
        more = 0 if most is None else len(listed) - most
        tail = [f"and {more} more"] if more > 0 else []
        out[of[low]] = ",".join(listed[: most if more > 0 else None] + tail)
    return out


def order_of_names(run: IntArray, names: npt.NDArray[np.object_]) -> IntArray:
    """Return the order that `names_by_run` has: by run, and of it by name, numbers as such."""
    words = names.astype(str)
    return np.lexsort([words, np.char.str_len(words), run])
