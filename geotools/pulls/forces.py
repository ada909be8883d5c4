"""The force at the head of every pull against chainage, with its band of friction."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray, IntArray, offsets_of, spread_out
from geotools.network.stretches import EDGE
from geotools.network.words import worded
from geotools.pipe.pulling import capstan_growth
from geotools.pulls.force import ForceProfile, head_forces

__all__ = ["force_table", "share_of_limit", "with_band"]


def force_table(pulls: pd.DataFrame, profiles: dict[str, ForceProfile]) -> pd.DataFrame:
    """Follow the head of every pull from station to station, and over the ends of its curves.

    Parameters
    ----------
    pulls : DataFrame
        ``pull_id``, ``run``, ``start``, ``end`` (m), ``direction``.
    profiles : dict
        By name of the band: ``low``, ``central``, ``high``.

    Returns
    -------
    DataFrame
        ``pull``, ``pull_id``, ``chainage`` in the order the head meets them, ``pulled`` (m),
        ``head_force_low``, ``head_force``, ``head_force_high`` and ``bend_limit`` (N; not a
        number where the carrier is straight; at both ends of a curve that of the curve). At a
        bend the force is the one after it; all of the string that is not in yet drags on its
        rollers. ``strained``: what the tension of the string, all of it in, comes to over the way
        from the point before, N m.
    """
    central = profiles["central"]
    points = _points(pulls, central)
    pull = points["pull"].to_numpy(dtype=np.int64)
    rows = pulls.iloc[pull]
    run = rows["run"].to_numpy(dtype=np.int64)
    ahead = (rows["direction"] == "ahead").to_numpy()
    tail = np.where(ahead, rows["start"], rows["end"]).astype(float)
    at = points["chainage"].to_numpy(dtype=float)
    point = points["point"].to_numpy(dtype=np.int64)
    limit = _limits(central, run, pull, at, point)
    length = (rows["end"] - rows["start"]).to_numpy(dtype=float)
    columns = {}
    for name, profile in profiles.items():
        force = head_forces(profile, run, tail, at, length, ahead)
        turned = capstan_growth(profile.friction, profile.turn[np.maximum(point, 0)])
        columns[name] = np.where(point >= 0, force * turned, force)
    return pd.DataFrame(
        copy=False,
        data={
            "pull": pull,
            "pull_id": worded(pulls["pull_id"].to_numpy(dtype=object), pull),
            "run_id": worded(pulls["run_id"].to_numpy(dtype=object), pull),
            "run": run,
            "chainage": at,
            "pulled": np.abs(at - tail),
            "head_force_low": columns["low"],
            "head_force": columns["central"],
            "head_force_high": columns["high"],
            "bend_limit": np.where(np.isfinite(limit), limit, np.nan),
            "strained": _strained(central, pull, run, tail, at, point, ahead),
        },
    )


def _strained(
    profile: ForceProfile,
    pull: IntArray,
    run: IntArray,
    tail: FloatArray,
    at: FloatArray,
    point: IntArray,
    ahead: BoolArray,
) -> FloatArray:
    """Return the tension of strings that are all in, times the way from the point before, N m.

    With the head out, the tension at a place is what was gathered from the tail to there. It goes
    straight from point to point, but in a curve, where that is a little much: on the safe side.
    """
    before = head_forces(profile, run, tail, at, np.abs(at - tail), ahead)
    after = before * np.where(
        point >= 0, capstan_growth(profile.friction, profile.turn[np.maximum(point, 0)]), 1.0
    )
    out = np.zeros(len(at))
    way = np.abs(np.diff(at)) * (pull[1:] == pull[:-1])
    out[1:] = (after[:-1] + before[1:]) / 2 * way
    return out


def _limits(
    profile: ForceProfile, run: IntArray, pull: IntArray, at: FloatArray, point: IntArray
) -> FloatArray:
    """Return what tension is allowed at places along pulls, N, in the order of the head.

    The least of what is allowed at the point, -1 for none, and along the stretches of the pull
    before and after.
    """
    limit = np.where(point >= 0, profile.bend_limit[np.maximum(point, 0)], np.inf)
    places = Places.of_offsets(profile.offsets, profile.chainage)
    along = profile.curve_limit[places.holding(run[1:], (at[1:] + at[:-1]) / 2)]
    along = np.where(pull[1:] == pull[:-1], along, np.inf)
    limit[1:] = np.minimum(limit[1:], along)
    limit[:-1] = np.minimum(limit[:-1], along)
    return np.asarray(limit, dtype=np.float64)


def _points(pulls: pd.DataFrame, profile: ForceProfile) -> pd.DataFrame:
    """Return tail, points inside and head of every pull, in the order of the head.

    ``pull``, ``chainage`` (m) and ``point``, the row of the profile, -1 at tail and head.
    """
    places = Places.of_offsets(profile.offsets, profile.chainage)
    run = pulls["run"].to_numpy(dtype=np.int64)
    start, end = pulls["start"].to_numpy(dtype=float), pulls["end"].to_numpy(dtype=float)
    low, high = places.search(run, start + EDGE, "right"), places.search(run, end - EDGE, "left")
    inner = np.maximum(high - low, 0)
    bounds = offsets_of(inner + 2)
    pull = np.repeat(np.arange(len(pulls)), inner + 2)
    point = np.full(bounds[-1], -1, dtype=np.int64)
    chainage = np.empty(bounds[-1])
    chainage[bounds[:-1]], chainage[bounds[1:] - 1] = start, end
    row, local = spread_out(inner)
    slots = bounds[row] + 1 + local
    point[slots] = low[row] + local
    chainage[slots] = profile.chainage[point[slots]]
    table = pd.DataFrame({"pull": pull, "point": point, "chainage": chainage})
    behind = (pulls["direction"] == "behind").to_numpy()[pull]
    order = np.lexsort([np.where(behind, -chainage, chainage), pull])
    return table.iloc[order].reset_index(drop=True)


def with_band(pulls: pd.DataFrame, forces: pd.DataFrame) -> pd.DataFrame:
    """Add the band, the utilisation and what governs, and where, to the pulls.

    ``mean_force`` (N) is the tension averaged along the string when all of it is in;
    ``head_utilisation`` is head force over allowable; ``utilisation`` the greatest of that and
    of tension over limit at each bend passed; ``governed_by`` names the one, and
    ``governing_chainage`` (m), ``governing_force`` and ``governing_limit`` (N) say where the head
    is then, the force there and what is allowed there.
    """
    pull = forces["pull"].to_numpy(dtype=np.int64)
    worst = {
        name: _most(pull, forces[name].to_numpy(dtype=float), len(pulls))
        for name in ("head_force_low", "head_force", "head_force_high")
    }
    share = share_of_limit(forces)
    at_bend = _most(pull, share, len(pulls))
    allowable = pulls["allowable"].to_numpy(dtype=float)
    length = (pulls["end"] - pulls["start"]).to_numpy(dtype=float)
    strained = np.bincount(pull, weights=forces["strained"], minlength=len(pulls))
    straight = worst["head_force"] / allowable
    bent = at_bend > straight
    place = np.where(
        bent,
        _first(pull, share >= at_bend[pull], len(pulls)),
        _first(pull, forces["head_force"].to_numpy() >= worst["head_force"][pull], len(pulls)),
    )
    chainage, force, limit = (
        forces[name].to_numpy(dtype=float)[place]
        for name in ("chainage", "head_force", "bend_limit")
    )
    return pulls.assign(
        **worst,
        mean_force=strained / length,
        head_utilisation=straight,
        utilisation=np.maximum(straight, at_bend),
        governed_by=np.where(bent, "bend", pulls["governed_by"].to_numpy(dtype=object)),
        governing_chainage=chainage,
        governing_force=force,
        governing_limit=np.where(bent, limit, allowable),
    )


def _first(pull: IntArray, wanted: BoolArray, count: int) -> IntArray:
    """Return the first row wanted of every pull; each has one."""
    rows = np.flatnonzero(wanted)
    out = np.zeros(count, dtype=np.int64)
    out[pull[rows[::-1]]] = rows[::-1]  # of several written to one place the last stays
    return out


def share_of_limit(forces: pd.DataFrame, name: str = "head_force") -> FloatArray:
    """Return force over limit where the carrier is bent, 0 elsewhere; ``name`` is of which."""
    force = forces[name].to_numpy(dtype=float)
    limit = forces["bend_limit"].to_numpy(dtype=float)
    share = np.where(force > 0, np.inf, 0.0)  # of a limit of nothing
    np.divide(force, limit, out=share, where=limit > 0)
    return np.where(np.isnan(limit), 0.0, share)


def _most(pull: IntArray, values: FloatArray, count: int) -> FloatArray:
    out = np.zeros(count)
    np.maximum.at(out, pull, values)
    return out
