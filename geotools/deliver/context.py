"""The source features around the runs: the backdrop of maps, sheets and drawings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.columns import Areas, Layers, Lines, Points
from geotools.network.along import Axes
from geotools.network.ragged import to_linestrings
from geotools.network.runs import Chains
from geotools.schema import OUTPUTS

__all__ = ["context_layer"]

# What each input layer has to say in the columns of the context, beside layer and feature.
_SAID: dict[str, dict[str, str]] = {
    "mains": {},
    "fittings": {"kind": "kind", "angle": "angle"},
    "valves": {"kind": "kind"},
    "laterals": {},
    "hydrants": {},
    "sources": {},
    "streets": {"kind": "class", "name": "name", "width": "width"},
    "avoid": {"kind": "reason", "hard": "hard", "buffer": "buffer"},
}


def context_layer(layers: Layers, chains: Chains, reach: float) -> pd.DataFrame:
    """Return the source features near runs, as the layer ``context`` of the contract.

    Parameters
    ----------
    layers : Layers
    chains : Chains
        The runs' axes, working CRS.
    reach : float
        Features within this of a run are taken, m; none if 0.
    """
    axes = Axes.of(chains.xy, chains.offsets if reach > 0 else chains.offsets[:1])
    parts = [
        _near(name, part, axes, reach)
        for name in _SAID
        if (part := getattr(layers, name)) is not None
    ]
    return pd.concat(parts, ignore_index=True)


def _near(name: str, part: Lines | Points | Areas, axes: Axes, reach: float) -> pd.DataFrame:
    """Return the features of one layer near the axes, in their own order."""
    geometry = _geometry(part)
    near = np.zeros(len(geometry), dtype=bool)
    near[axes.tree.query(geometry, predicate="dwithin", distance=reach)[0]] = True
    rows = np.flatnonzero(near)
    table = part.table.iloc[rows].reset_index(drop=True)
    said = {to: table[own] for to, own in _SAID[name].items()}
    columns = {"layer": name, "feature": table["feature"], **said, "geometry": geometry[rows]}
    fields = [f.name for f in OUTPUTS["context"].fields]
    return pd.DataFrame(columns, index=table.index).reindex(columns=[*fields, "geometry"])


def _geometry(part: Lines | Points | Areas) -> npt.NDArray[np.object_]:
    if isinstance(part, Areas):
        return part.geometry
    if isinstance(part, Lines):
        return to_linestrings(part.xy, part.offsets)
    points: npt.NDArray[np.object_] = shapely.points(part.xy)
    return points
