"""How far grounds lie along their street and off it, against bands drawn by shapely."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools import accel
from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.street import beside
from geotools.street.beside import Outlines, spans_beside, turned_between
from geotools.street.net import StreetNet, build_streets

CORNERS = {
    "straight": [[0, 0], [100, 0]],
    "left": [[0, 0], [50, 0], [50, 60]],
    "right": [[0, 0], [50, 0], [80, -60]],
    "two near": [[0, 0], [50, 0], [60, 10], [60, 70]],
    "s bend": [[0, 0], [40, 0], [60, 15], [110, 15]],
}
GROUNDS = [
    shapely.box(44, -1, 53, 1),
    shapely.box(46, 1, 56, 3),
    shapely.box(49, -6, 51, 6),
    shapely.affinity.rotate(shapely.box(40, -1, 58, 1), 25),
    shapely.union(shapely.box(45, 1, 54, 2), shapely.box(53, -5, 54, 2)),
]


@pytest.fixture(params=["all at once", "compiled"])
def _both_ways(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Go through pairs of places and edges by NumPy, and by the kernel."""
    compiled = request.param == "compiled"
    monkeypatch.setattr(accel, "COMPILE_ABOVE", 0 if compiled else np.inf)
    monkeypatch.setattr(beside, "NUMPY_AHEAD", 1e-3)


def street(xy: list[list[float]]) -> StreetNet:
    table = pd.DataFrame(
        {"class": ["local"], "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ""}
    )
    lines = Lines(table, np.array(xy, dtype=float), np.array([0, len(xy)]))
    return build_streets(lines, Street(), tolerance=0.5, accuracy=0.5)


def band(xy: np.ndarray, low: float, high: float) -> shapely.Geometry:
    """Return the ground from so far left of a line to so far, drawn by shapely, mitred."""
    line = shapely.LineString(xy)
    sides = [
        shapely.buffer(line, off, single_sided=True, join_style="mitre", mitre_limit=2.0)
        for off in (high, low)
        if abs(off) > 1e-9
    ]
    return shapely.union_all(sides)


@pytest.mark.parametrize("xy", CORNERS.values(), ids=CORNERS)
@pytest.mark.parametrize("ground", GROUNDS, ids=range(len(GROUNDS)))
@pytest.mark.usefixtures("_both_ways")
def test_a_ground_lies_in_the_narrowest_band_along_its_street(
    xy: list[list[float]], ground: shapely.Geometry
) -> None:
    net = street(xy)
    one = np.zeros(1, dtype=np.int64)
    at, far = np.array([50.0]), np.array([40.0])
    _, across = spans_beside(net, one, at, far, Outlines.of(np.array([ground])))
    low, high = (float(off) for off in across[0])
    wide = band(net.chains.xy, min(low, 0.0) - 1e-6, max(high, 0.0) + 1e-6)
    assert shapely.covers(wide, ground)
    for narrower in (
        (min(low, 0.0) + 0.02, max(high, 0.0)),
        (min(low, 0.0), max(high, 0.0) - 0.02),
    ):
        if narrower[0] < 0 < narrower[1]:
            assert not shapely.covers(band(net.chains.xy, *narrower), ground)


@pytest.mark.usefixtures("_both_ways")
def test_the_middle_of_a_side_may_lie_farthest_off_inside_a_corner() -> None:
    """The side from leg to leg, 10 m along either, passes the corner 10/sqrt(2) m from it.

    By the mitre that is 5 m off both legs; its ends lie on them.
    """
    net = street([[-50, 0], [0, 0], [0, 50]])
    side = shapely.Polygon([(-10, 0), (0, 10), (0, 0)])
    args = np.zeros(1, dtype=np.int64), np.array([50.0]), np.array([30.0])
    along, across = spans_beside(net, *args, Outlines.of(np.array([side])))
    assert across[0] == pytest.approx([0.0, 5.0], abs=1e-9)
    assert along[0] == pytest.approx([40.0, 60.0], abs=1e-9)


@pytest.mark.usefixtures("_both_ways")
def test_beyond_its_ends_a_street_goes_straight_on() -> None:
    net = street([[0, 0], [20, 0]])
    args = np.zeros(1, dtype=np.int64), np.array([20.0]), np.array([5.0])
    along, across = spans_beside(net, *args, Outlines.of(np.array([shapely.box(18, 1, 26, 3)])))
    assert along[0] == pytest.approx([18.0, 26.0], abs=1e-9)
    assert across[0] == pytest.approx([1.0, 3.0], abs=1e-9)


def test_turns_are_summed_whichever_way_they_go() -> None:
    """Two turns of 45 degrees, one left and one right: 2 tan(22.5 deg) each."""
    net = street([[0, 0], [40, 0], [60, 20], [110, 20]])
    one, edge = np.zeros(3, dtype=np.int64), 40 + np.hypot(20.0, 20.0)
    turned = turned_between(
        net, one, np.array([0.0, 41.0, 41.0]), np.array([edge + 1, edge + 1, edge - 1])
    )
    each = 2 * np.tan(np.radians(22.5))
    assert turned == pytest.approx([2 * each, each, 0.0], abs=1e-6)


@pytest.mark.parametrize("pairs", [1, 7, 50])
def test_however_many_are_looked_at_at_once_each_ground_lies_where_it_does_alone(
    monkeypatch: pytest.MonkeyPatch, pairs: int
) -> None:
    """Held against the grounds one by one: a street of many vertices takes many batches."""
    along = np.linspace(0.0, 110.0, 45)
    net = street([[x, 6.0 * np.sin(x / 15.0)] for x in along])
    shapes = np.array(GROUNDS * 4, dtype=object)
    one = np.zeros(len(shapes), dtype=np.int64)
    at, far = np.full(len(shapes), 50.0), np.linspace(5.0, 60.0, len(shapes))
    alone = [
        spans_beside(net, one[:1], at[k : k + 1], far[k : k + 1], Outlines.of(shapes[k : k + 1]))
        for k in range(len(shapes))
    ]
    monkeypatch.setattr(beside, "PAIRS", pairs)
    together = spans_beside(net, one, at, far, Outlines.of(shapes))
    due = [np.concatenate([spans[which] for spans in alone]) for which in (0, 1)]
    np.testing.assert_array_equal(together, due)
    monkeypatch.setattr(accel, "COMPILE_ABOVE", 0)
    monkeypatch.setattr(beside, "NUMPY_AHEAD", 1e-3)
    np.testing.assert_array_equal(spans_beside(net, one, at, far, Outlines.of(shapes)), due)


@pytest.mark.parametrize("turn", [1.0, -1.0])
@pytest.mark.usefixtures("_both_ways")
def test_where_an_outline_meets_a_mitre_it_lies_along_the_street_by_both_edges(turn: float) -> None:
    """By hand: of a right angle to the left the mitre is y = 50 - x, met 2/3 up the first side.

    Just before the mitre the ground lies farthest back, at x = 45 - 4/3 m; its second corner, 8 m
    up the other edge, farthest on.
    """
    line = np.array([[0, 0], [50, 0], [50, 60]]) * turn
    ground = shapely.Polygon(np.array([(45, 3), (43, 8), (46, 5.5)]) * turn)
    net, due = street(line.tolist()), np.array([45 - 4 / 3, 58.0])
    if net.chains.xy[0].any():  # it runs the other way
        due = 110 - due[::-1]
    one, at, far = np.zeros(1, dtype=np.int64), np.array([55.0]), np.array([40.0])
    (along,), _ = spans_beside(net, one, at, far, Outlines.of(np.array([ground])))
    assert along == pytest.approx(due, abs=1e-9)
