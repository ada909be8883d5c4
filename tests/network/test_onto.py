"""Points brought onto edges: those near, those far off, and those between two mains."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools import accel
from geotools.network.noding import TOUCH, node_lines
from geotools.network.onto import ALMOST, FAR, Edges, bring_onto_edges
from geotools.network.ragged import offsets_of, to_linestrings

SURE = 3.0


def _streets(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return lines between the corners of a grid, a vertex of each off the straight."""
    side, step = 8, 60.0
    corners = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2) * step
    corners = corners + rng.uniform(-9, 9, corners.shape)
    rows = np.arange(side * side).reshape(side, side)
    ends = np.concatenate(
        [
            np.stack(p, axis=-1).reshape(-1, 2)
            for p in ((rows[:, :-1], rows[:, 1:]), (rows[:-1], rows[1:]))
        ]
    )
    start, end = corners[ends[:, 0]], corners[ends[:, 1]]
    middle = (start + end) / 2 + rng.uniform(-4, 4, start.shape)
    xy = np.stack([start, middle, end], axis=1).reshape(-1, 2) + np.array([4e5, 5.6e6])
    return xy, offsets_of(np.full(len(ends), 3))


def _places(rng: np.random.Generator, xy: np.ndarray) -> np.ndarray:
    """Return places at vertices, beside lines, between them and farther off than is looked."""
    low, high = xy.min(axis=0), xy.max(axis=0)
    return np.concatenate(
        [
            xy[::5],
            xy[1::3] + rng.uniform(-2, 2, xy[1::3].shape),
            rng.uniform(low, high, (60, 2)),
            high + rng.uniform(0, 90, (9, 2)),
            high + np.array([[2.0, 0.4], [0.9, 1.1]]) * 2 * FAR,
        ]
    )


@pytest.mark.parametrize("compiled", [False, True])
def test_points_are_on_the_nearest_edge_and_rivals_are_almost_as_near(
    compiled: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if compiled:
        monkeypatch.setattr(accel, "COMPILE_ABOVE", 0)
    rng = np.random.default_rng(5)
    graph = node_lines(*_streets(rng), tolerance=0.5)
    points = _places(rng, graph.xy)
    carrying = rng.uniform(0, 1, len(graph)) < 0.9
    edges = Edges.of(graph, carrying=carrying, rank=np.arange(len(graph)))
    on = bring_onto_edges(points, edges, sure=SURE)
    lines, spots = to_linestrings(graph.xy, graph.offsets), shapely.points(points)
    gaps = np.where(carrying, shapely.distance(lines[None, :], spots[:, None]), np.inf)
    least = gaps.min(axis=1)
    assert np.array_equal(on.edge, np.argmax(gaps <= least[:, None] + TOUCH, axis=1))
    assert np.array_equal(on.offset, gaps[np.arange(len(points)), on.edge])
    assert np.array_equal(on.at, shapely.line_locate_point(lines[on.edge], spots))
    almost = (gaps <= ALMOST * least[:, None] + TOUCH) & (least > SURE)[:, None]
    almost[np.arange(len(points)), on.edge] = False
    assert np.array_equal(on.rivals, np.argwhere(almost))
    assert np.array_equal(
        on.rival_at, shapely.line_locate_point(lines[on.rivals[:, 1]], spots[on.rivals[:, 0]])
    )
    assert (least > FAR).any() and len(on.rivals) > 10 and (least == 0).any()
    for reach in (1.0, 20.0, 1.2 * FAR):
        far = least > reach
        assert 0 < far.sum() < len(far)
        some = bring_onto_edges(points, edges, sure=SURE, reach=reach)
        assert np.array_equal(some.edge, np.where(far, -1, on.edge))
        assert np.array_equal(some.offset, np.where(far, np.inf, on.offset))
        assert np.array_equal(some.at[~far], on.at[~far])
        assert np.array_equal(some.rivals, on.rivals[~far[on.rivals[:, 0]]])
