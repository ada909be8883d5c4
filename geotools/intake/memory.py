"""Layers in memory, of which districts are handed what lies in their windows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd
import pyproj

from geotools.brief import Brief
from geotools.intake.czech import has_no
from geotools.intake.frame_digest import frame_digest
from geotools.intake.french import FIELD as MATERIAL
from geotools.intake.french import has_codes
from geotools.intake.judged import sense_of, told_by
from geotools.intake.load import crs_of
from geotools.intake.match import match_columns
from geotools.intake.normally import FIELD, has_twofold
from geotools.intake.signs import Signs, may_be_twofold
from geotools.intake.sources import FramePart, Source, frame_source, meets
from geotools.intake.traffic import FIELD as TRAFFIC
from geotools.intake.traffic import has_letters
from geotools.intake.values import is_number_column, texts
from geotools.intake.window import Window, window_of
from geotools.schema import INPUTS

if TYPE_CHECKING:
    import geopandas

__all__ = ["Shelved", "part_of", "shelved", "told_apart"]

# which texts of other fields are read as two
JUDGED = {FIELD: has_twofold, MATERIAL: has_codes, TRAFFIC: has_letters}


@dataclass(frozen=True)
class Shelved:
    """A layer in memory with the boxes of its features: looked up once, asked by every district.

    ``signs`` and ``digest`` as of `FramePart`.
    """

    layer: str
    frame: geopandas.GeoDataFrame
    boxes: pd.DataFrame
    crs: pyproj.CRS
    signs: Mapping[str, Signs]
    digest: str


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
        source = frame_source(name, frame)
        crs, _ = crs_of(source, brief.inputs.get(name), [])
        if crs is not None:
            whole = _whole_signs(source, frame, brief)
            digest = frame_digest(frame)
            out.append(Shelved(name, frame, frame.geometry.bounds, crs, whole, digest))
    return out


def _whole_signs(source: Source, frame: geopandas.GeoDataFrame, brief: Brief) -> dict[str, Signs]:
    """Return, by field, how columns of text write what may be read as two."""
    entry, layer = brief.inputs.get(source.layer), INPUTS[source.layer]
    match = match_columns(layer, source.columns, entry.fields if entry is not None else {})
    found = {}
    kinds = {name: layer.field(name).dtype for name in match.columns}
    for name in (n for n in kinds if n in JUDGED or kinds[n] != "text"):
        column, field = match.columns[name], layer.field(name)
        data = frame[next(c for c in frame.columns if str(c) == column.name)]
        if not is_number_column(data):
            words = texts(data) if name == TRAFFIC else pd.unique(texts(data))
            plain = has_no if kinds[name] == "flag" else may_be_twofold
            if JUDGED.get(name, plain)(words):
                found[name] = told_by(field, words, sense_of(field, column))
    return found


def part_of(layer: Shelved, window: Window) -> FramePart:
    """Return what of a layer has to be at hand to read the window."""
    bounds = window_of(layer.layer, window).bounds_in(layer.crs)
    if bounds is None:
        return FramePart(layer.frame, len(layer.frame), layer.signs, layer.digest)
    near = layer.frame[meets(layer.boxes, bounds)]
    return FramePart(near, len(layer.frame), layer.signs, layer.digest)
