"""The source features around the runs: the backdrop of maps, sheets and drawings."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.deliver.layers import Encoded, Mover, Shapes, mover
from geotools.intake.columns import Areas, Layers, Lines, Points
from geotools.intake.traffic import one_way
from geotools.network.along import stretches_tree
from geotools.network.measured import Polylines
from geotools.network.ragged import IntArray, to_linestrings
from geotools.network.runs import Chains
from geotools.network.words import in_words
from geotools.schema import OUTPUTS

__all__ = ["context_layer"]

AT_ONCE = 20_000  # features drawn at once, to find those near runs
# Told in few words, or few values.
WORDED = ("layer", "kind", "name", "angle", "width", "lanes", "oneway", "hard", "buffer")
# What each input layer has to say in the columns of the context, beside layer and feature.
_SAID: dict[str, dict[str, str]] = {
    "mains": {},
    "fittings": {"kind": "kind", "angle": "angle"},
    "valves": {"kind": "kind"},
    "laterals": {},
    "hydrants": {},
    "sources": {},
    "streets": {
        "kind": "class",
        "name": "name",
        "width": "width",
        "lanes": "lanes",
        "oneway": "oneway",
    },
    "avoid": {"kind": "reason", "hard": "hard", "buffer": "buffer"},
}


def context_layer(layers: Layers, chains: Chains, reach: float) -> Encoded:
    """Return the source features near runs, as the layer ``context`` of the contract.

    Parameters
    ----------
    layers : Layers
    chains : Chains
        The runs' axes, working CRS.
    reach : float
        Features within this of a run are taken, m; none if 0.
    """
    axes = stretches_tree(Polylines(chains.xy, chains.offsets if reach > 0 else chains.offsets[:1]))
    move = mover(layers.working_crs, layers.output_crs)
    parts = [
        _near(name, part, axes, reach, move)
        for name in _SAID
        if (part := getattr(layers, name)) is not None
    ]
    return Encoded.of(parts)


def _near(
    name: str, part: Lines | Points | Areas, axes: shapely.STRtree, reach: float, move: Mover
) -> Encoded:
    """Return the features of one layer near the axes, in their own order."""
    found = [
        _near_of(part, first, axes, reach, move) for first in range(0, max(len(part), 1), AT_ONCE)
    ]
    table = part.table.iloc[np.concatenate([rows for rows, _ in found])].reset_index(drop=True)
    if name == "streets":
        way = one_way(table)[0]
        table = table.assign(oneway=np.select([way > 0, way < 0], ["along", "against"], ""))
    said = {to: table[own] for to, own in _SAID[name].items()}
    columns = {"layer": name, "feature": table["feature"], **said}
    fields = [f.name for f in OUTPUTS["context"].fields]
    told = pd.DataFrame(columns, index=table.index).reindex(columns=fields)
    return Encoded(in_words(told, WORDED), Shapes.joined([shapes for _, shapes in found]))


def _near_of(
    part: Lines | Points | Areas, first: int, axes: shapely.STRtree, reach: float, move: Mover
) -> tuple[IntArray, Shapes]:
    """Return the rows near the axes among some features from the first on, and their shapes."""
    geometry = _geometry(part, slice(first, first + AT_ONCE))
    near = np.unique(axes.query(geometry, predicate="dwithin", distance=reach)[0])
    return first + near, Shapes.of("context", move(geometry[near]))


def _geometry(part: Lines | Points | Areas, rows: slice) -> npt.NDArray[np.object_]:
    if isinstance(part, Areas):
        return part.geometry[rows]
    if isinstance(part, Lines):
        bounds = part.offsets[rows.start : rows.stop + 1]
        return to_linestrings(part.xy[bounds[0] : bounds[-1]], bounds - bounds[0])
    points: npt.NDArray[np.object_] = shapely.points(part.xy[rows])
    return points
