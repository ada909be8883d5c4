"""The ground: a river valley with rolling sides, a flat railway, one hole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter, gaussian_filter1d, map_coordinates
from scipy.spatial import cKDTree
from shapely.geometry import LineString

Array = NDArray[np.float64]

CELL_M = 5.0
WEST, SOUTH, EAST, NORTH = -200.0, -200.0, 4200.0, 3200.0  # reach of the elevation model
NODATA = -9999.0
_SHAPE = (round((NORTH - SOUTH) / CELL_M), round((EAST - WEST) / CELL_M))
RIVER_HALF_WIDTH_M = 9.0
_HEAD_LEVEL_M, _RIVER_FALL = 139.0, 0.0022
_FLOODPLAIN_HALF_WIDTH_M, _BED_BELOW_PLAIN_M = 75.0, 2.6
_FORMATION_HALF_WIDTH_M, _RAIL_SIDE_SLOPE = 6.0, 0.5


@dataclass(frozen=True)
class Ground:
    """Elevations in metres on a square grid, row 0 in the north."""

    z: Array

    def at(self, x: Array, y: Array) -> Array:
        """Elevation at places (local metres), bilinear; the nearest edge beyond the reach."""
        rows = (NORTH - np.asarray(y)) / CELL_M - 0.5
        cols = (np.asarray(x) - WEST) / CELL_M - 0.5
        return np.asarray(map_coordinates(self.z, [rows, cols], order=1, mode="nearest"))


def _dense(line: LineString, step: float) -> tuple[Array, Array]:
    chainage = np.arange(0.0, line.length, step)
    points = [line.interpolate(c) for c in chainage]
    return chainage, np.array([(p.x, p.y) for p in points])


def _nearest(line: LineString, places: Array, step: float = 2.0) -> tuple[Array, Array]:
    """Distance to a line and chainage of the nearest point, for many places."""
    chainage, xy = _dense(line, step)
    distance, index = cKDTree(xy).query(places)
    return np.asarray(distance), np.asarray(chainage[index])


def _rolling(places: Array, rng: np.random.Generator) -> Array:
    """A sum of long waves: gentle hills."""
    total = np.zeros(len(places))
    for low, high, height, count in ((900.0, 1800.0, 1.5, 6), (300.0, 600.0, 0.30, 6)):
        for _ in range(count):
            k = 2.0 * np.pi / rng.uniform(low, high)
            angle, phase = rng.uniform(0.0, 2.0 * np.pi, 2)
            wave = places[:, 0] * np.cos(angle) + places[:, 1] * np.sin(angle)
            total += height * np.sin(k * wave + phase)
    return total


def _valley(river: LineString, places: Array, rng: np.random.Generator) -> Array:
    """Elevation from the distance to the river: bed, plain, then rising sides."""
    distance, chainage = _nearest(river, places)
    # the nearest point of a winding river jumps from bend to bend: blur the seams
    plain = _blurred(_HEAD_LEVEL_M - _RIVER_FALL * chainage, 250.0)
    beyond = np.maximum(distance - _FLOODPLAIN_HALF_WIDTH_M, 0.0)
    west = places[:, 0] < 2600.0
    height, reach = np.where(west, 52.0, 38.0), np.where(west, 1500.0, 1100.0)
    side = height * (1.0 - np.exp(-((beyond / reach) ** 1.35)))
    fade = 1.0 - np.exp(-((beyond / 350.0) ** 2))
    bank = np.clip((RIVER_HALF_WIDTH_M + 4.0 - distance) / 6.0, 0.0, 1.0)
    side = np.where(beyond > 60.0, _blurred(side, 60.0), side)
    return np.asarray(plain + side + fade * _rolling(places, rng) - _BED_BELOW_PLAIN_M * bank)


def _blurred(values: Array, radius: float) -> Array:
    grid = values.reshape(_SHAPE)
    return np.asarray(gaussian_filter(grid, radius / CELL_M, mode="nearest")).ravel()


def _with_railway(z: Array, railway: LineString, places: Array) -> Array:
    """Cut and fill the ground to a smooth railway formation with even side slopes."""
    step = 5.0
    chainage, track = _dense(railway, step)
    under = z[cKDTree(places).query(track)[1]]
    formation = gaussian_filter1d(under, 260.0 / step, mode="nearest")
    distance, along = _nearest(railway, places, step)
    rail = np.interp(along, chainage, formation)
    room = _RAIL_SIDE_SLOPE * np.maximum(distance - _FORMATION_HALF_WIDTH_M, 0.0)
    return np.clip(z, rail - room, rail + room)


def make_ground(river: LineString, railway: LineString, rng: np.random.Generator) -> Ground:
    """Make the ground from the river and the railway (lines in local metres)."""
    cols = np.arange(WEST + CELL_M / 2.0, EAST, CELL_M)
    rows = np.arange(NORTH - CELL_M / 2.0, SOUTH, -CELL_M)
    x, y = np.meshgrid(cols, rows)
    places = np.column_stack([x.ravel(), y.ravel()])
    z = _with_railway(_valley(river, places, rng), railway, places)
    z += rng.normal(0.0, 0.02, z.shape)
    return Ground(np.round(z, 2).reshape(x.shape))
