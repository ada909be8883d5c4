"""The shape of layers once read: columns of plain arrays in the working CRS, SI units."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.intake.findings import Findings
from geotools.intake.pieces import Pieces, cut_up

__all__ = ["Areas", "Layers", "Lines", "Points"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Lines:
    """Single-part lines: ``xy[offsets[i]:offsets[i + 1]]`` are the vertices of line i.

    Attributes
    ----------
    table : DataFrame
        One row a line. Columns carry the contract's names without unit suffix, values in
        SI base units (``diameter`` in m, ``pressure`` in Pa, ...); every field of the
        contract is there, absent ones full of NaN / empty text. ``feature`` is the name
        findings use for the source feature.
    xy : ndarray, shape (v, 2)
        Vertices, working CRS, m.
    offsets : ndarray of int64, shape (n + 1,)
    """

    table: pd.DataFrame
    xy: FloatArray
    offsets: IntArray

    def __len__(self) -> int:
        return len(self.table)


@dataclass(frozen=True)
class Points:
    """Points: ``xy`` has shape (n, 2), working CRS, m; ``table`` as in `Lines`."""

    table: pd.DataFrame
    xy: FloatArray

    def __len__(self) -> int:
        return len(self.table)


@dataclass(frozen=True)
class Areas:
    """Features of any geometry as shapely objects; ``table`` as in `Lines`."""

    table: pd.DataFrame
    geometry: npt.NDArray[Any]

    def __len__(self) -> int:
        return len(self.table)

    @cached_property
    def with_buffers(self) -> npt.NDArray[np.object_]:
        """Places to avoid, each with its buffer round it."""
        shapes = self.geometry.copy()
        keep_off = np.nan_to_num(self.table["buffer"].to_numpy(dtype=float))
        some = np.flatnonzero(keep_off > 0)
        shapes[some] = shapely.buffer(shapes[some], keep_off[some])
        return shapes

    @cached_property
    def in_pieces(self) -> Pieces:
        """The same, those of many vertices cut up; ``of`` counts the rows of the layer."""
        return cut_up(self.with_buffers)


@dataclass(frozen=True)
class Layers:
    """All input layers of a run, checked and in one working CRS.

    A layer that was not given is ``None``. ``inputs`` has one row per source (layer, source,
    sublayer, sha256, crs, features read, features used), ``columns`` tells which column of them is
    read as which field. ``dem`` holds the raster paths.
    ``renamed`` tells by layer of features whose identifier is met more than once, by their number
    in the source: of mains what they are called, of valves the identifier none of them goes by.
    ``breaks`` may have records without a place, of coordinates NaN.
    ``aside`` has a row (main_id, reason) for every feature of the mains that was set aside.
    """

    working_crs: pyproj.CRS
    output_crs: pyproj.CRS
    mains: Lines
    fittings: Points | None = None
    valves: Points | None = None
    laterals: Points | None = None
    hydrants: Points | None = None
    sources: Points | None = None
    breaks: Points | None = None
    streets: Lines | None = None
    avoid: Areas | None = None
    districts: Areas | None = None
    pit_edits: Points | None = None
    dem: tuple[str, ...] = ()
    inputs: pd.DataFrame = field(default_factory=pd.DataFrame)
    columns: pd.DataFrame = field(default_factory=pd.DataFrame)
    findings: Findings = field(default_factory=Findings)
    renamed: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    aside: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame({"main_id": [], "reason": []}, dtype=object)
    )
