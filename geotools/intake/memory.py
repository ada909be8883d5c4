"""Layers in memory, of which districts are handed what lies in their windows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd
import pyproj

from geotools.brief import Brief
from geotools.intake.load import crs_of
from geotools.intake.sources import FramePart, frame_source, meets
from geotools.intake.window import Window, window_of

if TYPE_CHECKING:
    import geopandas

__all__ = ["Shelved", "part_of", "shelved", "told_apart"]


@dataclass(frozen=True)
class Shelved:
    """A layer in memory with the boxes of its features: looked up once, asked by every district."""

    layer: str
    frame: geopandas.GeoDataFrame
    boxes: pd.DataFrame
    crs: pyproj.CRS


def told_apart(
    frames: Mapping[str, geopandas.GeoDataFrame],
) -> dict[str, geopandas.GeoDataFrame]:
    """Number the features of a layer whose labels do not tell them apart.

    A feature is known by its label wherever it is read, in the whole and in a part of it.
    """
    return {
        name: frame if frame.index.astype(str).is_unique else frame.reset_index(drop=True)
        for name, frame in frames.items()
    }


def shelved(frames: Mapping[str, geopandas.GeoDataFrame], brief: Brief) -> list[Shelved]:
    """Return layers from which parts can be taken; they have been read, so they have a CRS."""
    out = []
    for name, frame in frames.items():
        crs, _ = crs_of(frame_source(name, frame), brief.inputs.get(name), [])
        if crs is not None:
            out.append(Shelved(name, frame, frame.geometry.bounds, crs))
    return out


def part_of(layer: Shelved, window: Window) -> FramePart:
    """Return what of a layer has to be at hand to read the window."""
    bounds = window_of(layer.layer, window).bounds_in(layer.crs)
    if bounds is None:
        return FramePart(layer.frame, len(layer.frame))
    return FramePart(layer.frame[meets(layer.boxes, bounds)], len(layer.frame))
