"""What is told of candidates in words: roles, reasons, room, what strings cost a day."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray
from geotools.network.words import worded
from geotools.schema import ROLES
from geotools.siting.candidates import Judged
from geotools.siting.ground_checks import nearest_gap
from geotools.siting.refusals import equal_rows, reason_texts, role_names
from geotools.street.scene import StreetScene

__all__ = ["tell_candidates", "tell_reasons"]


def tell_reasons(candidates: Judged, rows: IntArray, limits: dict[str, str]) -> pd.Categorical:
    """Return what speaks for and against candidates; ``limits`` are those on pits in words."""
    table = candidates.table.iloc[rows]
    return reason_texts(
        table["why"],
        candidates.code[rows],
        candidates.places[rows],
        table["street_class"],
        candidates.tolerated[rows],
        candidates.soft[rows],
        limits,
    )


def tell_candidates(
    candidates: Judged,
    rows: IntArray,
    scene: StreetScene | None,
    limits: dict[str, str],
    *,
    longest: float = np.inf,
) -> pd.DataFrame:
    """Return candidates as the contract has them, by bare names; no cost of a role refused.

    Parameters
    ----------
    candidates : Judged
    rows : ndarray of int64, shape (k,)
    scene : StreetScene, optional
    limits : dict
        Limits on pits in words, by name.
    longest : float, optional
        Longest string of any pull, m. More room than it takes is of no matter, and would hang on
        how far the streets were read.
    """
    table, room = candidates.table.iloc[rows].reset_index(drop=True), candidates.laydown
    crossings = None if scene is None else scene.net.crossing_points
    at, cost = table["chainage"].to_numpy(dtype=float)[:, None], candidates.cost[rows]
    of_role = {
        "cost": np.where(np.isfinite(cost), cost, np.nan),
        "before": at - candidates.extents.start[rows],
        "after": candidates.extents.end[rows] - at,
    }
    told = dict(
        {str(name): column for name, column in table.items()},
        intersection_distance=nearest_gap(table[["x", "y"]].to_numpy(dtype=float), crossings),
        usable=(candidates.code[rows] == 0).any(axis=1),
        roles=role_names(candidates.code[rows]),
        reasons=tell_reasons(candidates, rows, limits),
        lanes_taken=candidates.lanes.taken[rows, 0],
        string_room_ahead=_known(room.room_ahead[rows], longest),
        string_room_behind=_known(room.room_behind[rows], longest),
        string_day_ahead=_listed(room.day_ahead[rows], room.begins_ahead[rows]),
        string_day_behind=_listed(room.day_behind[rows], room.begins_behind[rows]),
        **{f"{n}_{role}": c[:, k] for n, c in of_role.items() for k, role in enumerate(ROLES)},
    )
    return pd.DataFrame(told, copy=False)


def _known(room: FloatArray, longest: float) -> FloatArray:
    return np.where(np.isfinite(room), np.minimum(room, longest), np.nan)


def _listed(day: FloatArray, begins: FloatArray) -> pd.Categorical:
    """Return what one string costs a day, two cost, and so on, in a row as far as it is finite.

    Of longer strings, which come to other streets, it is told from which length on, m.
    """
    first, of = equal_rows([*day.T, *begins.T])
    width = day.shape[1] // begins.shape[1]
    texts = [_levels(day[row].reshape(-1, width), begins[row]) for row in first]
    return worded(np.array(texts, dtype=object), of)


def _levels(day: FloatArray, begins: FloatArray) -> str:
    """Say what strings cost a day, level by level."""
    said = [" ".join(f"{v:.10g}" for v in level[np.isfinite(level)]) for level in day]
    new = np.append(True, (day[1:] != day[:-1]).any(axis=1) & (begins[1:] > begins[:-1]))
    later = [f"; {begins[k]:.10g} m: {said[k]}" for k in np.flatnonzero(new)[1:]]
    return said[0] + "".join(later)
