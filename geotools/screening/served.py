"""Whom the runs serve, and the district each lies in: what a planner sorts a ranking by."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.layout.shared import Shared
from geotools.network.districts import assign_runs, by_name
from geotools.network.ragged import FloatArray
from geotools.network.supply import customers_of

__all__ = ["served_columns"]


def served_columns(ground: Shared) -> pd.DataFrame:
    """Return ``customers`` and ``district`` of every run; NaN and "" where no layer says."""
    return pd.DataFrame({"customers": _customers(ground), "district": _district(ground)})


def _customers(ground: Shared) -> FloatArray:
    """Return the customers behind the services tapped along every run."""
    laterals, count = ground.layers.laterals, len(ground.runs.table)
    if laterals is None:
        return np.full(count, np.nan)
    run, point = (ground.runs.laterals[c].to_numpy(dtype=np.int64) for c in ("run", "point"))
    found = np.bincount(run, customers_of(laterals)[point], minlength=count)
    return np.round(found, 9).astype(np.float64)  # shares of a feature of several points


def _district(ground: Shared) -> list[str]:
    """Return the district most of every run lies in, by the rule of a batch; "" of none."""
    areas, runs = ground.layers.districts, ground.runs
    if areas is None or not len(areas):
        return [""] * len(runs.table)
    districts = by_name(areas)
    names = [*districts["name"], ""]  # the last of a run that touches none
    found = assign_runs(runs.chains, districts["geometry"].to_numpy(dtype=object))
    return [names[row] for row in found.tolist()]
