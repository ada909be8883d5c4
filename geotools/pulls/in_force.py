"""Edits in force: the sites of runs, and of one run alone, as they leave them."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.network.ragged import FloatArray, IntArray, offsets_of, take
from geotools.pulls.optimise import ChosenPits, PullCosts, Sites, choose_pits
from geotools.schema import ROLES

__all__ = ["Alone", "applied", "fixed_row", "of_runs", "roles_of"]

Wish = tuple[int, float, str, str]  # an edit: run, chainage (m), action, role
AT = 0.01  # m; a candidate this near a fixed place is the one meant


@dataclasses.dataclass(frozen=True)
class Alone:
    """A run on its own, to try edits on.

    Attributes
    ----------
    sites, costs
        As for `choose_pits`, of this run.
    chainage : ndarray, shape (n,)
        Chainage of its candidates, m.
    edits : DataFrame
        Edits of all runs, as for `choose_with_edits`; they are named by their rows.
    reach : float
        A forbidden stretch goes this far before and after its point, m.
    """

    sites: Sites
    costs: PullCosts
    chainage: FloatArray
    edits: pd.DataFrame
    reach: float

    @classmethod
    def of(
        cls,
        run: int,
        sites: Sites,
        costs: PullCosts,
        chainage: FloatArray,
        edits: pd.DataFrame,
        reach: float,
    ) -> Alone:
        """Take a run from all."""
        own = dataclasses.replace(costs, per_length=costs.per_length[run : run + 1])
        rows = rows_of_run(sites, run)
        return cls(of_runs(sites, np.array([run])), own, chainage[rows], edits, reach)

    @property
    def length(self) -> float:
        """Length of the run, m."""
        return float(self.sites.lengths[0])

    @cached_property
    def _wishes(self) -> list[Wish]:
        return [(0, at, action, role) for _, at, action, role in _wishes(self.edits)]

    def under(self, rows: Collection[int]) -> Sites:
        """Return the sites with some edits in force."""
        wishes = self._wishes
        tried = [wishes[row] for row in sorted(rows)]
        return _in_force(self.sites, self.chainage, tried, self.reach)

    def chosen(self, rows: Collection[int], least_length: float | None = None) -> ChosenPits:
        """Choose pits under some edits; with another shortest pull, m, if one is given."""
        least = self.costs.least_length if least_length is None else least_length
        return choose_pits(self.under(rows), dataclasses.replace(self.costs, least_length=least))

    def wanted(self, row: int) -> npt.NDArray[np.bool_]:
        """Return the states that are a fixed pit and may be, shape (n, 4)."""
        edit = self.edits.iloc[row]
        states = wanted_states(self.sites, self.chainage, 0, float(edit["chainage"]), edit["role"])
        return np.asarray(states & np.isfinite(self.sites.cost))


def rows_of_run(sites: Sites, run: int) -> slice:
    """Return the candidates of a run."""
    return slice(int(sites.offsets[run]), int(sites.offsets[run + 1]))


def fixed_row(sites: Sites, chainage: FloatArray, run: int, at: float) -> int:
    """Return the candidate nearest to a place of a run, m."""
    rows = rows_of_run(sites, run)
    return int(rows.start + np.argmin(np.abs(chainage[rows] - at)))


def roles_of(role: object) -> IntArray:
    """Return the roles an edit is about: the one it names, or all."""
    return np.array([ROLES.index(str(role))] if role in ROLES else range(4), dtype=np.int64)


def applied(sites: Sites, chainage: FloatArray, edits: pd.DataFrame, reach: float) -> Sites:
    """Return the sites with the edits in force."""
    return _in_force(sites, chainage, _wishes(edits), reach)


def _wishes(edits: pd.DataFrame) -> list[Wish]:
    """Return the edits one by one: many of them are tried, and tables take their time."""
    return list(
        zip(
            edits["run"].astype(int).tolist(),
            edits["chainage"].astype(float).tolist(),
            edits["action"].tolist(),
            edits["role"].tolist(),
            strict=True,
        )
    )


def _in_force(sites: Sites, chainage: FloatArray, tried: list[Wish], reach: float) -> Sites:
    cost = sites.cost.copy()
    ahead, behind = sites.reach_ahead.copy(), sites.reach_behind.copy()
    floor, roof = sites.floor.copy(), sites.roof.copy()
    wishes: dict[tuple[int, bool], dict[str, list[float]]] = {}
    for run, at, action, role in tried:
        of_role = wishes.setdefault((run, action == "forbid"), {})
        of_role.setdefault(role if role in ROLES else "", []).append(at)
    for (run, forbids), of_role in wishes.items():
        rows = rows_of_run(sites, run)
        start, end = sites.start[rows], sites.end[rows]
        if forbids:
            cost[rows][_forbidden(start, end, of_role, reach)] = np.inf
            continue
        cost[rows][_beside(sites, chainage, run, of_role)] = np.inf
        every = np.sort(np.concatenate([*of_role.values()]))
        after = np.append(every, np.inf)[np.searchsorted(every, end, side="left")]
        before = np.append(-np.inf, every)[np.searchsorted(every, start, side="right")]
        for bound in (ahead, roof):
            bound[rows] = np.minimum(bound[rows], after)
        for bound in (behind, floor):
            bound[rows] = np.maximum(bound[rows], before)
    return dataclasses.replace(
        sites, cost=cost, reach_ahead=ahead, reach_behind=behind, floor=floor, roof=roof
    )


def _forbidden(
    start: FloatArray, end: FloatArray, of_role: dict[str, list[float]], reach: float
) -> npt.NDArray[np.bool_]:
    """Return the states that open the main in a forbidden stretch; their middles by role, m."""
    found = np.zeros(start.shape, dtype=bool)
    for role, middles in of_role.items():
        at = np.sort(middles)
        ended = np.searchsorted(at + reach, start, side="right")
        begun = np.searchsorted(at - reach, end, side="left")
        found |= (ended < begun) & np.isin(np.arange(4), roles_of(role))
    return found


def _beside(
    sites: Sites, chainage: FloatArray, run: int, of_role: dict[str, list[float]]
) -> npt.NDArray[np.bool_]:
    """Return the states of a run that cover a fixed pit and are not it; their places by role, m."""
    rows = rows_of_run(sites, run)
    start, end = sites.start[rows], sites.end[rows]
    covered = np.zeros(start.shape, dtype=np.int64)
    for role, places in of_role.items():
        at = np.sort(places)
        covered += np.searchsorted(at, end, side="right") - np.searchsorted(at, start, side="left")
        for place in places:
            is_it = wanted_states(sites, chainage, run, place, role)
            covered -= is_it & (start <= place) & (end >= place)
    return covered > 0


def wanted_states(
    sites: Sites, chainage: FloatArray, run: int, at: float, role: object
) -> npt.NDArray[np.bool_]:
    """Return the states that are the fixed pit, shape (candidates of the run, 4)."""
    rows = rows_of_run(sites, run)
    wanted = np.zeros((rows.stop - rows.start, 4), dtype=bool)
    wanted[np.abs(chainage[rows] - at) <= AT] = np.isin(np.arange(4), roles_of(role))
    return wanted


def of_runs(sites: Sites, runs: IntArray) -> Sites:
    """Return the sites of some runs, as if they were all."""
    return sites.at(
        take(sites.offsets, runs),
        offsets=offsets_of(np.diff(sites.offsets)[runs]),
        lengths=sites.lengths[runs],
    )
