"""Areas up to a line against shapes cut by shapely; ground shared against unions at a level."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import shapely

import geotools
from geotools.siting import overlap
from geotools.siting.areas import areas_up_to

FAR = 1000.0


def cut(shape: Any, origin: np.ndarray, heading: np.ndarray, reach: float) -> float:
    """Return the area of what lies before a line, by an intersection."""
    left = np.array([-heading[1], heading[0]])
    corners = [
        origin + heading * along + left * aside
        for along, aside in ((-FAR, -FAR), (reach, -FAR), (reach, FAR), (-FAR, FAR))
    ]
    return float(shapely.area(shapely.intersection(shape, shapely.Polygon(corners))))


RING = shapely.Polygon([(0, 0), (40, 0), (40, 30), (0, 30)], [[(5, 5), (5, 20), (25, 20), (25, 5)]])
SHAPES = {
    "triangle": shapely.Polygon([(0, 0), (30, 5), (10, 25)]),
    "turned round": shapely.reverse(shapely.Polygon([(0, 0), (30, 5), (10, 25)])),
    "with a hole": RING,
    "of two parts": shapely.union(RING, shapely.Polygon([(60, 60), (70, 60), (60, 75)])),
    "bent": shapely.buffer(shapely.LineString([(0, 0), (40, 0), (40, 60)]), 4, join_style="mitre"),
    "with a line": shapely.GeometryCollection([RING, shapely.LineString([(80, 0), (90, 0)])]),
    "empty": shapely.Polygon(),
    "a line": shapely.LineString([(0, 0), (10, 10)]),
}


@pytest.mark.parametrize("turn", [0.0, 0.7, 3.9])
def test_areas_up_to_lines_are_those_of_the_shapes_cut(turn: float) -> None:
    shapes = np.array(list(SHAPES.values()), dtype=object)
    heading = np.array([np.cos(turn), np.sin(turn)])
    origin = np.array([7.0, -3.0])
    reach = np.linspace(-100.0, 120.0, 45)
    got = areas_up_to(
        shapes,
        np.tile(origin, (len(shapes), 1)),
        np.tile(heading, (len(shapes), 1)),
        np.tile(reach, (len(shapes), 1)),
    )
    due = [[cut(shape, origin, heading, r) for r in reach] for shape in SHAPES.values()]
    assert got == pytest.approx(np.array(due), abs=1e-9)
    assert got[:, -1] == pytest.approx(shapely.area(shapes), abs=1e-9)
    assert got[0].max() > 100.0


def test_no_shapes_have_no_areas() -> None:
    none = np.zeros((0, 2))
    assert areas_up_to(np.zeros(0, dtype=object), none, none, np.zeros((0, 3))).shape == (0, 3)


def test_what_is_shared_is_what_parts_have_more_than_their_union_at_every_level(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Mains that turn by all angles, twice, so that ramps of both ways cross beside the run too."""
    compared: list[tuple[np.ndarray, np.ndarray]] = []
    upright = overlap._upright

    def both(pits: Any, level: np.ndarray) -> np.ndarray:
        areas = upright(pits, level)
        compared.append((areas, overlap._leaning(pits, level)))
        return areas

    monkeypatch.setattr(overlap, "_upright", both)
    lines = []
    for row, turn in enumerate(np.radians([10, 25, 45, 60, 80, 100])):
        x, y = 500_000.0, 4_800_000.0 + 400 * row
        legs = [(0, 0), (30, 0), (30 + 14 * np.cos(turn), 14 * np.sin(turn))]
        legs.append((legs[-1][0] + 25 * np.cos(2 * turn), legs[-1][1] + 25 * np.sin(2 * turn)))
        lines.append(shapely.LineString([(x + dx, y + dy) for dx, dy in legs]))
    of_all = {"diameter_mm": 600.0, "material": "cast iron", "installed": 1920, "cover_m": 1.5}
    ids = [f"M{row}" for row in range(len(lines))]
    mains = gpd.GeoDataFrame({"main_id": ids, **of_all}, geometry=lines, crs=26917)
    geotools.plan(mains=mains, settings={"carrier.material": "PE4710"})
    got, due = (np.concatenate(areas) for areas in zip(*compared, strict=True))
    assert got == pytest.approx(due, abs=1e-6)
    assert (due[:, -1] > 1.0).sum() > 50
