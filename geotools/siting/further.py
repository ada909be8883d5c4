"""Further carriers for a run that has no plan: those that could give one where others did not."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import IntArray
from geotools.siting.carrier import Contest, ranked

__all__ = ["cheaper_pipes", "further_pipes", "no_easier", "suiting"]

SAME = 1e-9  # share by which two pipes may differ and still be pulled alike


def suiting(contest: Contest, runs: IntArray) -> npt.NDArray[np.bool_]:
    """Return which pipes may be planned through in these runs, runs x pipes.

    A run with a fixed pipe, or with none to try, has no others.
    """
    open_ = (contest.fixed[runs] < 0) & (contest.tries[runs, 0] >= 0)
    allowed = contest.verdict.suits[runs] & contest.wanted[None, :]
    return np.asarray(allowed & open_[:, None])


def further_pipes(contest: Contest, runs: IntArray, idle: npt.NDArray[np.bool_]) -> IntArray:
    """Return the pipes to try in runs where those of `Contest.tries` gave no plan.

    In the order of the contest, and of pipes that stand or fall together (``idle``, as
    `no_easier` gives it) only the one that is easiest to pull. Shape (runs, k), -1 behind the
    last.
    """
    suits = suiting(contest, runs)
    place = np.argsort(np.lexsort([contest.pipes.name, contest.price]))
    easier = idle & (~idle.T | (place[:, None] < place[None, :]))
    beaten = (suits.astype(np.float32) @ easier.astype(np.float32)) > 0
    return ranked(suits & ~beaten & ~_tried(contest, runs), contest.pipes, contest.price)


def cheaper_pipes(
    contest: Contest, runs: IntArray, pipe: IntArray, idle: npt.NDArray[np.bool_]
) -> IntArray:
    """Return the cheaper pipes that were passed over for the one that gave each run its plan."""
    cheaper = contest.price[None, :] < contest.price[pipe][:, None]
    left = suiting(contest, runs) & idle[pipe] & cheaper & ~_tried(contest, runs)
    return ranked(left, contest.pipes, contest.price)


def _tried(contest: Contest, runs: IntArray) -> npt.NDArray[np.bool_]:
    """Return which pipes are among the first tried, runs x pipes."""
    tried = np.zeros((len(runs), len(contest.price) + 1), dtype=bool)
    tried[np.arange(len(runs))[:, None], contest.tries[runs]] = True  # -1 is the column beyond
    return tried[:, :-1]


def no_easier(contest: Contest, pulled: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return which pipe (column) can give no plan where another (row) gave none.

    Pipes of one material, diameter and bending radius need the same pits, pass the same bends
    and lie as long beside them: only forces differ. A force grows in proportion to the weights
    on host and rollers, and what is allowed is the limit of the pull and, at a bend, a stress on
    the wall: so where all weights over all limits are as great, every pull is as hard.
    """
    fixed = pulled[["outside", "radius"]].to_numpy(dtype=float)
    material = contest.pipes.material
    alike = (material[:, None] == material[None, :]) & (fixed[:, None] == fixed[None]).all(axis=2)
    weight = pulled["weight"].to_numpy(dtype=float)
    alike &= np.sign(weight)[:, None] == np.sign(weight)[None, :]  # both lie, or both float
    for load in (np.abs(weight), pulled["dry_weight"].to_numpy(dtype=float)):
        for limit in ("allowable", "least_area"):
            share = load / pulled[limit].to_numpy(dtype=float)
            alike &= share[:, None] <= share[None, :] * (1 + SAME)
    return np.asarray(alike)
