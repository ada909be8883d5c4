"""The plan's tables given their geometry and moved to the CRS of the mains."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import geopandas
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyproj
import shapely

from geotools.deliver.columns import encoded, wkb_of
from geotools.deliver.levels import filled_levels, known_from
from geotools.intake.crs import project
from geotools.network.places import Places, points_along
from geotools.network.ragged import (
    FloatArray,
    IntArray,
    firsts,
    measures,
    offsets_of,
    row_of,
    spread_out,
    to_linestrings,
)
from geotools.network.runs import Chains
from geotools.network.words import plain, rows_joined
from geotools.schema import OUTPUTS

__all__ = [
    *("AxisParts", "Drawn", "Encoded", "Mover", "Shapes"),
    *("axis_parts", "drawn", "mover", "placed", "run_lines", "wider"),
]

Geometries = npt.NDArray[np.object_]
Mover = Callable[[Geometries], Geometries]


@dataclass(frozen=True)
class Shapes:
    """Geometries of a layer as WKB, a tenth of what they take as objects.

    Attributes
    ----------
    wkb : Array
        As `wkb_of` makes it.
    bounds : ndarray, shape (k, 4)
        West, south, east and north of what they cover, in parts; NaN where there is nothing.
    """

    wkb: pa.Array
    bounds: FloatArray

    @classmethod
    def of(cls, layer: str, geometry: Geometries) -> Shapes:
        """Encode the geometries of a layer."""
        known = geometry if len(geometry) else np.array([None])
        return cls(wkb_of(layer, geometry), shapely.total_bounds(known)[None, :])

    @classmethod
    def joined(cls, parts: Sequence[Shapes]) -> Shapes:
        """Return shapes one after the other."""
        wkb = pa.concat_arrays([part.wkb for part in parts])
        return cls(wkb, np.concatenate([part.bounds for part in parts]))

    def wider(self, width: float) -> bool:
        """Tell whether any of them reaches farther from west to east; most are not looked at."""
        known = self.bounds[np.isfinite(self.bounds).all(axis=1)]
        if not len(known) or known[:, 2].max() - known[:, 0].min() <= width:
            return False
        return wider(shapely.from_wkb(self.wkb.to_numpy(zero_copy_only=False)), width)


def wider(shapes: Geometries, width: float) -> bool:
    """Tell whether any geometry reaches farther from west to east."""
    west, _, east, _ = shapely.bounds(shapes).T
    return bool((east - west > width).any())


@dataclass(frozen=True)
class Encoded:
    """A layer whose geometries are WKB already, in the CRS of the mains."""

    table: pd.DataFrame
    shapes: Shapes

    @classmethod
    def moved(cls, layer: str, table: pd.DataFrame, move: Mover) -> Encoded:
        """Move the geometries of a layer to the CRS of the mains and encode them."""
        shapes = Shapes.of(layer, move(table["geometry"].to_numpy(dtype=object)))
        return cls(table.drop(columns="geometry"), shapes)

    @classmethod
    def of(cls, parts: Sequence[Encoded]) -> Encoded:
        """Return layers of the same columns one after the other."""
        shapes = Shapes.joined([part.shapes for part in parts])
        return cls(rows_joined([part.table for part in parts]), shapes)


@dataclass(frozen=True)
class AxisParts:
    """Stretches of the host axis.

    Attributes
    ----------
    lines : ndarray of LineString Z, shape (k,)
    z_source : ndarray of str, shape (k,)
        What their levels rest on.
    unknown : ndarray, shape (k,)
        How much of each has no level of its own, m.
    """

    lines: npt.NDArray[np.object_]
    z_source: npt.NDArray[np.object_]
    unknown: FloatArray


class Drawn(Mapping[str, Any]):
    """Layers by name, as `placed` returns them, in the CRS of the mains.

    A file takes geometries encoded, points as numbers, and texts as numbers of words: what a
    caller takes instead is made when the layer is asked for here, and once.

    Attributes
    ----------
    tables : dict of str to DataFrame
        All layers, without their geometries.
    places : dict of str to ndarray, shape (n, 2)
        x and y of the layers of points.
    crs : CRS
    shapes : dict of str to Shapes
        Geometries of the other layers that have any.
    """

    def __init__(
        self,
        tables: dict[str, Any],
        places: dict[str, FloatArray],
        crs: pyproj.CRS,
        shapes: dict[str, Shapes],
    ) -> None:
        self.tables, self.places, self.crs, self.shapes = tables, places, crs, shapes
        self._made: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._made:
            self._made[name] = self._whole(name)
        return self._made[name]

    def _whole(self, name: str) -> Any:
        """Return a layer with its texts as such and its geometry."""
        table = plain(self.tables[name])
        if name in self.places:
            geometry = shapely.points(self.places[name])
        elif name in self.shapes:
            geometry = shapely.from_wkb(self.shapes[name].wkb.to_numpy(zero_copy_only=False))
        else:
            return table
        return geopandas.GeoDataFrame(table.assign(geometry=geometry), crs=self.crs)

    def encoded(self) -> dict[str, pa.Array]:
        """Return the geometries of all layers as WKB, as `encoded` does."""
        wkb = {name: shapes.wkb for name, shapes in self.shapes.items()}
        return encoded(self.tables, self.places, wkb)

    def __iter__(self) -> Iterator[str]:
        return iter(self.tables)

    def __len__(self) -> int:
        return len(self.tables)


def drawn(
    layers: Iterable[tuple[str, pd.DataFrame | Encoded]],
    working: pyproj.CRS,
    output: pyproj.CRS,
    *,
    shapes: dict[str, Shapes] | None = None,
) -> Drawn:
    """Move layers from the working CRS to the CRS of the mains, where they are not encoded there.

    They are encoded there one by one as they come, so that no geometry of a layer is held any
    more when the next is made. A layer of points may have columns x and y instead of a geometry.
    ``shapes`` receives what is encoded: later layers may tell of that.
    """
    move = mover(working, output)
    tables: dict[str, Any] = {}
    places: dict[str, FloatArray] = {}
    shapes = {} if shapes is None else shapes
    for name, part in layers:
        if not isinstance(part, Encoded) and "geometry" in part:
            part = Encoded.moved(name, part, move)
        if isinstance(part, Encoded):
            tables[name], shapes[name] = part.table, part.shapes
        elif OUTPUTS[name].geometry == ("Point",):
            places[name] = project(part[["x", "y"]].to_numpy(dtype=float), working, output)
            tables[name] = part.drop(columns=["x", "y"])
        else:
            tables[name] = part
    return Drawn({n: tables[n] for n in OUTPUTS if n in tables}, places, output, shapes)


def run_lines(chains: Chains) -> npt.NDArray[np.object_]:
    """Return the axis of every run as a multi-part line."""
    lines = to_linestrings(chains.xy, chains.offsets)
    parts: npt.NDArray[np.object_] = (
        shapely.multilinestrings(lines, indices=np.arange(len(lines))) if len(lines) else lines
    )
    return parts


def axis_parts(
    chains: Chains,
    stations: pd.DataFrame,
    run: IntArray,
    start: FloatArray,
    end: FloatArray,
    *,
    z_unit: float,
) -> AxisParts:
    """Return stretches of the host axis as lines with Z, filled where it is not known.

    Parameters
    ----------
    chains : Chains
    stations : DataFrame
        With ``axis_z``, m; not-a-number where the level is not known.
    run, start, end : ndarray, shape (k,)
        Run and chainages of each stretch, m.
    z_unit : float
        Unit of Z in the lines, m.
    """
    levels = Places.of(
        stations["run"].to_numpy(), stations["chainage"].to_numpy(dtype=float), len(chains)
    )
    dense = _with_stations(chains, levels)
    low, high = dense.search(run, start + 1e-6, "right"), dense.search(run, end - 1e-6, "left")
    inner = np.maximum(high - low, 0)
    bounds = offsets_of(inner + 2)
    at = np.empty(bounds[-1])
    at[bounds[:-1]], at[bounds[1:] - 1] = start, end
    row, local = spread_out(inner)
    at[bounds[row] + 1 + local] = dense.at[low[row] + local]
    of, line = np.repeat(run, inner + 2), np.repeat(np.arange(len(run)), inner + 2)
    xy = points_along(chains.xy, chains.offsets, of, at)
    z = levels.interpolate(of, at, stations["axis_z"].to_numpy(dtype=float))
    lines: npt.NDArray[np.object_] = shapely.linestrings(
        np.column_stack([xy, filled_levels(line, at, z) / z_unit]), indices=line
    )
    return AxisParts(lines, known_from(line, z, len(run)), _unknown_length(line, at, z, len(run)))


def _unknown_length(line: IntArray, at: FloatArray, z: FloatArray, lines: int) -> FloatArray:
    """Return how much of each line lies beside a vertex without a level, in the unit of `at`."""
    lost = np.isnan(z[1:]) | np.isnan(z[:-1])
    step = np.where(lost & (line[1:] == line[:-1]), np.diff(at), 0.0)
    found: FloatArray = np.bincount(line[1:], weights=step, minlength=lines).astype(np.float64)
    return found


def _with_stations(chains: Chains, levels: Places) -> Places:
    """Return the places of all vertices and stations together."""
    along = measures(chains.xy, chains.offsets)
    run = np.concatenate([row_of(chains.offsets), row_of(levels.offsets)])
    at = np.concatenate([along, levels.at])
    order = np.lexsort([at, run])
    run, at = run[order], at[order]
    fresh = firsts(run)
    fresh[1:] |= at[1:] - at[:-1] > 1e-6
    return Places.of(run[fresh], at[fresh], len(chains))


def placed(
    tables: Mapping[str, pd.DataFrame], working: pyproj.CRS, output: pyproj.CRS
) -> dict[str, Any]:
    """Move every table that has a geometry from the working CRS to the CRS of the mains."""
    move = mover(working, output)
    out: dict[str, Any] = {}
    for name, table in tables.items():
        if "geometry" not in table.columns:
            out[name] = table
            continue
        geometry = move(table["geometry"].to_numpy(dtype=object))
        out[name] = geopandas.GeoDataFrame(
            table.drop(columns="geometry"), geometry=geometry, crs=output
        )
    return out


def mover(working: pyproj.CRS, output: pyproj.CRS) -> Mover:
    """Return what moves geometries from one CRS to the other."""
    if working == output:
        return lambda geometry: geometry
    transformer = pyproj.Transformer.from_crs(working, output, always_xy=True)

    def move(geometry: npt.NDArray[np.object_]) -> npt.NDArray[np.object_]:
        def shift(coords: FloatArray) -> FloatArray:
            return np.column_stack(
                [*transformer.transform(coords[:, 0], coords[:, 1]), coords[:, 2:]]
            )

        flat = shapely.has_z(geometry)
        moved = geometry.copy()
        for with_z in (False, True):
            rows = flat == with_z
            if rows.any():
                moved[rows] = shapely.transform(geometry[rows], shift, include_z=with_z)
        return moved

    return move
