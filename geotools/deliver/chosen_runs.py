"""Runs chosen from a written plan, and what of its layers belongs to them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import shapely

from geotools.deliver.read_plan import PlanFile
from geotools.errors import LayerError

__all__ = ["near_runs", "of_runs", "wanted_runs"]


def wanted_runs(file: PlanFile, runs: Any, names: Iterable[str]) -> frozenset[str]:
    """Return the runs wanted, of the layer of them; all if none is named.

    Raises
    ------
    LayerError
        If the plan has no such run.
    """
    known, names = frozenset(runs["run_id"]), tuple(names)
    if not names:
        return known
    strange = [name for name in names if name not in known]
    if strange:
        raise LayerError(
            str(file.path),
            f"has no run {', '.join(strange)}; it has {', '.join(sorted(known))[:200]}",
        )
    return frozenset(names)


def of_runs(tables: Mapping[str, Any], wanted: frozenset[str]) -> dict[str, Any]:
    """Return the rows of runs; tables that know no runs stay whole."""
    return {
        name: table[table["run_id"].isin(wanted)] if "run_id" in table else table
        for name, table in tables.items()
    }


def near_runs(features: Any, runs: Any, reach: float) -> Any:
    """Return the features within reach of runs, both in a CRS of the unit of ``reach``."""
    tree = shapely.STRtree(runs.geometry.to_numpy())
    found = tree.query(features.geometry.to_numpy(), predicate="dwithin", distance=reach)
    return features.iloc[np.unique(found[0])]
