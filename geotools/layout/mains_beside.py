"""Mains near the runs, and the pits that are dug where mains lie that are not of their run."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Network
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.links import components
from geotools.lists import listed
from geotools.network.build import RunSet
from geotools.network.mains import carries_water
from geotools.network.measured import Polylines, stretches_tree
from geotools.network.ragged import FloatArray, IntArray, firsts, to_linestrings

__all__ = ["MainsBeside", "report_over_mains"]

REACH = 50.0  # m beside a run that pits and their ramps lie within; judgement, no source
AT_ONCE = 20_000  # edges drawn at once
MET = 0.01  # m of a main that count as met, and from a node that counts as in the pit
MOST = 5  # mains named of one pit


@dataclass(frozen=True)
class MainsBeside:
    """Edges of mains in service near the runs, those of the runs among them.

    Attributes
    ----------
    xy, offsets : ndarray
        Their vertices.
    ends : ndarray of int64, shape (n, 2)
        Node at the first and at the last vertex.
    line : ndarray of int64, shape (n,)
        Row of the main.
    half : ndarray, shape (n,)
        Half its diameter, m; 0 where none is known.
    owned : ndarray of int64, shape (k, 2)
        Pairs of a run and an edge, here, that is a piece of it.
    """

    xy: FloatArray
    offsets: IntArray
    ends: IntArray
    line: IntArray
    half: FloatArray
    owned: IntArray

    @classmethod
    def of(cls, runs: RunSet, mains: Lines, network: Network) -> MainsBeside:
        """Take the edges near the runs."""
        graph, pieces = runs.graph, runs.chains.pieces
        edge = pieces["edge"].to_numpy(dtype=np.int64)
        kept = _near(graph.xy, graph.offsets, Polylines(runs.chains.xy, runs.chains.offsets))
        kept &= carries_water(mains, network)[graph.line]
        kept[edge] = True
        rows = np.flatnonzero(kept)
        place = np.cumsum(kept) - 1
        xy, offsets = graph.drawn(rows)
        diameter = np.nan_to_num(mains.table["diameter"].to_numpy(dtype=float))
        line = graph.line[rows]
        owned = np.stack([pieces["run"].to_numpy(dtype=np.int64), place[edge]], axis=1)
        return cls(xy, offsets, graph.ends[rows], line, diameter[line] / 2, owned)

    def __len__(self) -> int:
        return len(self.line)

    def met_by(self, grounds: npt.NDArray[np.object_]) -> tuple[IntArray, IntArray]:
        """Return the pairs of a ground and an edge that meet, by ground and edge."""
        tree = shapely.STRtree(grounds)
        found = [np.zeros((2, 0), dtype=np.int64)]
        for first in range(0, len(self), AT_ONCE):
            bounds = self.offsets[first : first + AT_ONCE + 1]
            lines = to_linestrings(self.xy[bounds[0] : bounds[-1]], bounds - bounds[0])
            reach = np.maximum(self.half[first : first + AT_ONCE] - MET, 0.0)
            edge, ground = tree.query(lines, predicate="dwithin", distance=reach)
            found.append(np.stack([ground, edge + first]))
        ground, edge = np.concatenate(found, axis=1)
        order = np.lexsort([edge, ground])
        return ground[order], edge[order]


def _near(xy: FloatArray, offsets: IntArray, axes: Polylines) -> npt.NDArray[np.bool_]:
    """Return which lines may come near the axes: by the boxes around them."""
    near = np.zeros(len(offsets) - 1, dtype=bool)
    tree = stretches_tree(axes)
    for first in range(0, len(near), AT_ONCE):
        start = offsets[first : first + AT_ONCE + 1]
        part, at = xy[start[0] : start[-1]], start[:-1] - start[0]
        low = np.minimum.reduceat(part, at) - REACH
        high = np.maximum.reduceat(part, at) + REACH
        near[first + np.unique(tree.query(shapely.box(*low.T, *high.T))[0])] = True
    return near


def report_over_mains(
    pits: pd.DataFrame, beside: MainsBeside, mains: npt.NDArray[np.object_], findings: Findings
) -> None:
    """Report, a finding a pit, mains it is dug over that do not join its run in the pit.

    Parameters
    ----------
    pits : DataFrame
        ``pit_id``, ``run``, ``x``, ``y``, ``ground``.
    beside : MainsBeside
    mains : ndarray of object
        Names of all mains.
    findings : Findings
    """
    grounds = pits["ground"].to_numpy(dtype=object)
    pit, edge = beside.met_by(grounds)
    told = ~_joined(pits["run"].to_numpy(dtype=np.int64), grounds, pit, edge, beside)
    over = pd.DataFrame({"pit": pit[told], "main": mains[beside.line[edge[told]]].astype(str)})
    names = over.drop_duplicates().groupby("pit")["main"].agg(sorted)
    rows = names.index.to_numpy(dtype=np.int64)
    pit_id = pits["pit_id"].to_numpy(dtype=object)[rows]
    findings.add_points(
        "warning",
        "pit-over-main",
        [
            f"pit {name} is dug where {_text(several)}, not joined to its run in the pit: find "
            "out how deep, expose and support, or move the pit (pit_edits)."
            for name, several in zip(pit_id, names, strict=True)
        ],
        layer="pits",
        features=pit_id,
        xy=pits[["x", "y"]].to_numpy(dtype=float)[rows],
    )


def _text(mains: list[str]) -> str:
    """Return mains by name, a few of many, as the subject of what is said of them."""
    if len(mains) == 1:
        return f"main {mains[0]} lies"
    return f"mains {listed(mains, most=MOST)} lie"


def _joined(
    run: IntArray,
    grounds: npt.NDArray[np.object_],
    pit: IntArray,
    edge: IntArray,
    beside: MainsBeside,
) -> npt.NDArray[np.bool_]:
    """Tell which edges met by pits are of the pit's run, or joined to it by nodes in the pit."""
    count = len(beside)
    own = np.isin(run[pit] * count + edge, beside.owned @ np.array([count, 1]))
    node = beside.ends[edge].ravel()
    last = np.stack([beside.offsets[edge], beside.offsets[edge + 1] - 1], axis=1).ravel()
    pair = np.repeat(np.arange(len(edge)), 2)
    inside = shapely.dwithin(shapely.points(beside.xy[last]), grounds[pit[pair]], MET)
    node, pair = node[inside], pair[inside]
    order = np.lexsort([pair, node, pit[pair]])
    node, pair = node[order], pair[order]
    same = np.flatnonzero(~firsts(node, pit[pair]))
    group = components(np.stack([pair[same - 1], pair[same]], axis=1), len(edge))
    return np.isin(group, group[own])
