"""Some of the runs of a network, with all that lies on them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from geotools.network.build import RunSet
from geotools.network.cutting import renumber, reorder
from geotools.network.ragged import IntArray, offsets_of, take
from geotools.network.thinned import Thinned

__all__ = ["keep_runs"]


def keep_runs(runs: RunSet, rows: IntArray) -> RunSet:
    """Return the runs of these rows alone, in that order; the network around them stays whole.

    Parameters
    ----------
    runs : RunSet
    rows : ndarray of int64, shape (k,)
        Run ``rows[i]`` becomes run i.
    """
    thinned, taken = runs.thinned, take(runs.thinned.offsets, rows)

    def on_runs(table: pd.DataFrame) -> pd.DataFrame:
        return renumber(table, rows, by="chainage")

    return RunSet(
        table=runs.table.iloc[rows].reset_index(drop=True),
        chains=reorder(runs.chains, rows),
        thinned=Thinned(
            thinned.xy[taken],
            offsets_of(np.diff(thinned.offsets)[rows]),
            thinned.chainage[taken],
        ),
        bends=on_runs(runs.bends),
        fittings=on_runs(runs.fittings),
        valves=on_runs(runs.valves),
        laterals=on_runs(runs.laterals),
        hydrants=on_runs(runs.hydrants),
        edits=on_runs(runs.edits),
        graph=runs.graph,
        services=runs.services,
        hydrant_taps=runs.hydrant_taps,
    )
