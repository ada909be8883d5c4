"""Large shapes in pieces: the same ground, asked the same, in pieces of few vertices."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.intake.pieces import MOST, cut_up


def star(points, seed, holes=0):
    """Return a ragged outline of so many vertices round the origin, with holes."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, points))
    radius = rng.uniform(600, 1000, points)
    outline = np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])
    shape = shapely.polygons(outline)
    rings = [
        shapely.Point(*rng.uniform(-400, 400, 2)).buffer(20, quad_segs=40) for _ in range(holes)
    ]
    return shapely.difference(shape, shapely.union_all(rings)) if holes else shape


SHAPES = {
    "ragged": star(5_000, 1),
    "with holes": star(3_000, 2, holes=8),
    "many parts": shapely.union_all(
        [shapely.Point(x, y).buffer(10, quad_segs=50) for x in range(0, 300, 30) for y in (0, 90)]
    ),
    "line": shapely.linestrings(
        np.column_stack([np.linspace(-900, 900, 4_000), 50 * np.sin(np.linspace(0, 90, 4_000))])
    ),
    "narrow": shapely.segmentize(shapely.box(0, 0, 1_000, 0.01), 0.5),
}


@pytest.mark.parametrize("name", SHAPES)
def test_pieces_are_the_shape(name):
    shape = SHAPES[name]
    pieces = cut_up(np.array([shape], dtype=object))
    assert shapely.get_num_coordinates(shape) > MOST
    assert len(pieces.shapes) > 1
    assert shapely.get_num_coordinates(pieces.shapes).max() <= MOST
    assert shapely.is_valid(pieces.shapes).all()
    assert (pieces.of == 0).all()
    together = shapely.union_all(pieces.shapes)
    measure = shapely.length if name == "line" else shapely.area
    assert measure(pieces.shapes).sum() == pytest.approx(measure(shape), rel=1e-12)
    assert shapely.hausdorff_distance(together, shape) < 1e-6


@pytest.mark.parametrize("name", SHAPES)
def test_pieces_are_as_far_from_a_place_as_the_shape(name):
    shape = SHAPES[name]
    pieces = cut_up(np.array([shape], dtype=object)).shapes
    rng = np.random.default_rng(7)
    west, south = rng.uniform(-1_000, 1_000, (2, 500))
    places = shapely.box(west, south, west + 8, south + 3)
    due = shapely.distance(places, shape)
    found = shapely.distance(places[:, None], pieces[None, :]).min(axis=1)
    np.testing.assert_allclose(found, due, rtol=0, atol=1e-9)
    assert (due == 0).any() or name == "narrow"


def test_small_shapes_stay_as_they_are_and_each_piece_knows_its_shape():
    small = [shapely.box(0, 0, 1, 1), shapely.Point(3, 3), shapely.LineString([(0, 0), (5, 5)])]
    shapes = np.array([small[0], SHAPES["ragged"], small[1], small[2]], dtype=object)
    pieces = cut_up(shapes)
    assert (np.diff(pieces.of) >= 0).all()
    assert set(pieces.of) == {0, 1, 2, 3}
    for row in (0, 2, 3):
        (piece,) = pieces.shapes[pieces.of == row]
        assert piece is shapes[row]
    some = pieces.only(np.array([False, True, False, True]))
    assert set(some.of) == {1, 3}


def test_no_shapes_are_no_pieces():
    assert not len(cut_up(np.zeros(0, dtype=object)).shapes)
