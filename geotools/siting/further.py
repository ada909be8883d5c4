"""Further carriers: what may give a run a plan, thicker walls, and larger bores for little more."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray
from geotools.siting.carrier import Contest, by_price, ranked

__all__ = [
    "cheaper_pipes",
    "further_pipes",
    "larger_pipe",
    "no_easier",
    "suiting",
    "thicker_pipes",
]

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
    place = np.argsort(by_price(contest.pipes, contest.laid))
    easier = idle & (~idle.T | (place[:, None] < place[None, :]))
    beaten = (suits.astype(np.float32) @ easier.astype(np.float32)) > 0
    return ranked(
        suits & ~beaten & ~_tried(contest, runs),
        contest.pipes,
        contest.laid,
    )


def cheaper_pipes(
    contest: Contest, runs: IntArray, pipe: IntArray, idle: npt.NDArray[np.bool_]
) -> IntArray:
    """Return the cheaper pipes that were passed over for the one that gave each run its plan."""
    cheaper = contest.laid[None, :] < contest.laid[pipe][:, None]
    left = suiting(contest, runs) & idle[pipe] & cheaper & ~_tried(contest, runs)
    return ranked(left, contest.pipes, contest.laid)


def thicker_pipes(
    contest: Contest,
    runs: IntArray,
    pipe: IntArray,
    *,
    tried: IntArray,
    radius: FloatArray,
    eased: FloatArray,
    worth: FloatArray,
) -> IntArray:
    """Return the thicker walls that may do with fewer pits than the pipe of each run.

    Of its material and outside diameter, so that it lies in the same host; thicker walls take
    more force and, of polyethylene, a tighter bend. Of those of one bending radius the thinnest
    not tried yet.

    Parameters
    ----------
    contest : Contest
    runs, pipe : ndarray of int64, shape (k,)
    tried : ndarray of int64, shape (k, m)
        Pipes tried so far, -1 for none.
    radius : ndarray, shape (pipes,)
        Least bending radius, m.
    eased : ndarray, shape (k,)
        Radius from which on a run is eased, m: infinite where more force already eases it.
    worth : ndarray, shape (k,)
        Price per metre a pipe must stay below to be worth trying.

    Returns
    -------
    ndarray of int64, shape (k, n)
        In the order of the contest, -1 behind the last.
    """
    thicker, price = _thicker(contest), contest.price
    most = np.minimum(radius[pipe], eased) * (1 + SAME)
    rest = suiting(contest, runs) & thicker[pipe] & (radius[None, :] <= most[:, None])
    rest &= ~_among(tried, len(price)) & (price[None, :] < worth[:, None])
    bent = thicker & np.isclose(radius[:, None], radius[None, :], rtol=SAME, atol=0.0)
    beaten = (rest.astype(np.float32) @ bent.astype(np.float32)) > 0
    return ranked(rest & ~beaten, contest.pipes, price)


def _thicker(contest: Contest) -> npt.NDArray[np.bool_]:
    """Return which pipe (column) is a thicker wall of another (row): as wide, of its material."""
    outside, material = contest.pipes.outside_m, contest.pipes.material
    wall = np.asarray(contest.pipes.wall_min_m)
    alike = np.isclose(outside[:, None], outside[None, :], rtol=SAME, atol=0.0)
    alike &= material[:, None] == material[None, :]
    return np.asarray(alike & (wall[:, None] * (1 + SAME) < wall[None, :]))


def larger_pipe(
    contest: Contest, runs: IntArray, *, above: FloatArray, tried: IntArray, worth: FloatArray
) -> IntArray:
    """Return the pipe of the largest bore that may yet be had for little more in each run.

    Of a material that was tried, for materials differ in what pits they ask for; not a thicker
    wall of one tried, which costs more and has the smaller bore.

    Parameters
    ----------
    contest : Contest
    runs : ndarray of int64, shape (k,)
    above : ndarray, shape (k,)
        The bore it must pass, m.
    tried : ndarray of int64, shape (k, m)
        Pipes tried so far, -1 for none.
    worth : ndarray, shape (k, m)
        What a metre of a pipe, laid, may cost to be had for little more, judged by the plan of
        each of those; minus infinity where it has none.

    Returns
    -------
    ndarray of int64, shape (k,)
        Of one bore the cheapest; -1 where there is none.
    """
    pipes, among = contest.pipes, _among(tried, len(contest.price))
    beaten = (among.astype(np.float32) @ _thicker(contest).astype(np.float32)) > 0
    near = np.zeros_like(among)
    for pipe, most in zip(tried.T, worth.T, strict=True):
        alike = pipes.material[None, :] == pipes.material[pipe][:, None]
        near |= alike & (contest.laid[None, :] <= most[:, None]) & (pipe >= 0)[:, None]
    larger = np.asarray(pipes.bore_m)[None, :] > above[:, None] * (1 + SAME)
    left = suiting(contest, runs) & near & larger & ~among & ~beaten
    order = np.lexsort([pipes.name, contest.laid, -np.asarray(pipes.bore_m)])
    return np.where(left.any(axis=1), order[np.argmax(left[:, order], axis=1)], -1)


def _tried(contest: Contest, runs: IntArray) -> npt.NDArray[np.bool_]:
    """Return which pipes are among the first tried, runs x pipes."""
    return _among(contest.tries[runs], len(contest.price))


def _among(tried: IntArray, count: int) -> npt.NDArray[np.bool_]:
    """Return which of so many pipes are among those tried in each run, runs x pipes."""
    among = np.zeros((len(tried), count + 1), dtype=bool)
    among[np.arange(len(tried))[:, None], tried] = True  # -1 is the column beyond
    return among[:, :-1]


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
