"""The source features around the runs: the backdrop of maps, sheets and drawings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.deliver.layers import Encoded, Mover, Shapes, mover
from geotools.intake.columns import Areas, Layers, Lines, Points
from geotools.intake.traffic import one_way
from geotools.network.measured import Polylines, stretches_tree
from geotools.network.ragged import FloatArray, IntArray, offsets_of, take, to_linestrings
from geotools.network.runs import Chains
from geotools.network.words import in_words
from geotools.schema import OUTPUTS

__all__ = ["Backdrop", "context_layer"]

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


@dataclass(frozen=True)
class Backdrop:
    """The source features near runs, and what there is to tell of the streets farther off.

    Attributes
    ----------
    near : Encoded
        The layer ``context`` of the contract, without the streets farther off.
    rows : ndarray of int64, shape (k,)
        Streets farther off, as rows of ``streets``.
    told : DataFrame
        What the layer has to tell of each of these.
    streets : Polylines
        All streets, working CRS, m.
    move : Mover
    """

    near: Encoded
    rows: IntArray
    told: pd.DataFrame
    streets: Polylines
    move: Mover

    def beside(self, shapes: npt.NDArray[np.object_], reach: FloatArray) -> IntArray:
        """Return which of the streets farther off come near shapes: places in ``rows``.

        ``reach`` is how near, m, of every street; shapes are in the working CRS.
        """
        tree = shapely.STRtree(shapes)
        found = [np.zeros(0, dtype=np.int64)]
        for first in range(0, len(self.rows), AT_ONCE):
            rows = self.rows[first : first + AT_ONCE]
            met = tree.query(self._lines(rows), predicate="dwithin", distance=reach[rows])
            found.append(first + np.unique(met[0]))
        return np.concatenate(found)

    def with_streets(self, places: IntArray) -> Encoded:
        """Return the layer with streets farther off, given as of `beside`, in their own order."""
        kept = np.unique(places)
        if not len(kept):
            return self.near
        shapes = Shapes.of("context", self.move(self._lines(self.rows[kept])))
        told = self.told.iloc[kept].reset_index(drop=True)
        return Encoded.of([self.near, Encoded(told, shapes)])

    def _lines(self, rows: IntArray) -> npt.NDArray[np.object_]:
        bounds = offsets_of(np.diff(self.streets.offsets)[rows])
        return to_linestrings(self.streets.xy[take(self.streets.offsets, rows)], bounds)


def context_layer(layers: Layers, chains: Chains, reach: float) -> Backdrop:
    """Return the source features near runs, as the layer ``context`` of the contract.

    Parameters
    ----------
    layers : Layers
    chains : Chains
        The runs' axes, working CRS.
    reach : float
        Features within this of a run are taken, m; none if 0, and no streets farther off.
    """
    axes = stretches_tree(Polylines(chains.xy, chains.offsets if reach > 0 else chains.offsets[:1]))
    move = mover(layers.working_crs, layers.output_crs)
    found = {
        name: _near(part, axes, reach, move)
        for name in _SAID
        if (part := getattr(layers, name)) is not None
    }
    near = [Encoded(_told(name, getattr(layers, name), rows), shapes)
            for name, (rows, shapes) in found.items()]  # fmt: skip
    streets = layers.streets
    if streets is None or reach <= 0:
        nowhere = Polylines(np.zeros((0, 2)), np.zeros(1, dtype=np.int64))
        told = near[0].table.iloc[:0] if near else pd.DataFrame()
        return Backdrop(Encoded.of(near), np.zeros(0, dtype=np.int64), told, nowhere, move)
    farther = np.setdiff1d(np.arange(len(streets)), found["streets"][0])
    told = _told("streets", streets, farther)
    return Backdrop(Encoded.of(near), farther, told, Polylines(streets.xy, streets.offsets), move)


def _near(
    part: Lines | Points | Areas, axes: shapely.STRtree, reach: float, move: Mover
) -> tuple[IntArray, Shapes]:
    """Return the features of one layer near the axes, in their own order, and their shapes."""
    found = [
        _near_of(part, first, axes, reach, move) for first in range(0, max(len(part), 1), AT_ONCE)
    ]
    rows = np.concatenate([rows for rows, _ in found])
    return rows, Shapes.joined([shapes for _, shapes in found])


def _told(name: str, part: Lines | Points | Areas, rows: IntArray) -> pd.DataFrame:
    """Return what the layer context has to tell of features of a layer."""
    table = part.table.iloc[rows].reset_index(drop=True)
    if name == "streets":
        way = one_way(table)[0]
        table = table.assign(oneway=np.select([way > 0, way < 0], ["along", "against"], ""))
    said = {to: table[own] for to, own in _SAID[name].items()}
    columns = {"layer": name, "feature": table["feature"], **said}
    fields = [f.name for f in OUTPUTS["context"].fields]
    return in_words(pd.DataFrame(columns, index=table.index).reindex(columns=fields), WORDED)


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
