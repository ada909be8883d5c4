"""Across borders: strings and pits of one district on those of another; findings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.deliver.layers import Mover, mover
from geotools.deliver.read_plan import read_raw
from geotools.intake.columns import Layers
from geotools.layout.lying_over import over_pit_text, over_string_text
from geotools.layout.sites import TOUCH_M2, shared_text
from geotools.network.ragged import IntArray
from geotools.scale.manifest import Entry

__all__ = ["report_across"]


def report_across(layers: Layers, folder: Path, entries: dict[str, Entry]) -> None:
    """Report what of the plans of two districts lies on one ground: each knows its own alone.

    Parameters
    ----------
    layers : Layers
        Of the whole; findings are added to theirs.
    folder : Path
        Of the batch.
    entries : dict of str to Entry
        Districts; those with a file are read.
    """
    if sum(bool(entry.file) for entry in entries.values()) < 2:
        return
    move = mover(layers.output_crs, layers.working_crs)
    grounds = _shapes(folder, entries, "pit_footprints", "pit_id", move)
    tree = shapely.STRtree(grounds["geometry"].to_numpy(dtype=object))
    strings = _shapes(folder, entries, "strings", "string_id", move)
    _report_strings(layers, strings, grounds, tree)
    _report_over_strings(layers, strings)
    _report_pits(layers, grounds, tree)


def _shapes(
    folder: Path, entries: dict[str, Entry], layer: str, name: str, move: Mover
) -> pd.DataFrame:
    """Return ``name``, ``district`` and ``geometry`` (m) of a layer of all plans."""
    parts = [pd.DataFrame({"name": [], "district": [], "geometry": []}, dtype=object)]
    for district, entry in entries.items():
        if not entry.file:
            continue
        raw = read_raw(folder / entry.file, layer, geometry=True)
        shapes: npt.NDArray[np.object_] = raw.geometry.to_numpy(dtype=object)
        some = {"name": raw[name].astype(object), "district": district, "geometry": move(shapes)}
        parts.append(pd.DataFrame(some))
    return pd.concat(parts, ignore_index=True)


def _on_grounds(
    shapes: pd.DataFrame, grounds: pd.DataFrame, tree: shapely.STRtree
) -> tuple[IntArray, IntArray, npt.NDArray[np.object_]]:
    """Return rows of shapes and of grounds of other districts that meet, and where they do."""
    own = shapes["geometry"].to_numpy(dtype=object)
    row, pit = tree.query(own, predicate="intersects")
    of = [table["district"].to_numpy(dtype=object) for table in (shapes, grounds)]
    apart = of[0][row] != of[1][pit]
    row, pit = row[apart], pit[apart]
    common = shapely.intersection(own[row], grounds["geometry"].to_numpy(dtype=object)[pit])
    large = shapely.area(common) > TOUCH_M2
    return row[large], pit[large], common[large]


def _named(table: pd.DataFrame, rows: IntArray) -> list[str]:
    """Return names with their districts, in words."""
    some = table.iloc[rows]
    pairs = zip(some["name"], some["district"], strict=True)
    return [f"{name} (district {district})" for name, district in pairs]


def _report_strings(
    layers: Layers, strings: pd.DataFrame, grounds: pd.DataFrame, tree: shapely.STRtree
) -> None:
    string, pit, common = _on_grounds(strings, grounds, tree)
    layers.findings.add_many(
        "info",
        "string-over-pit",
        [
            over_pit_text(*pair)
            for pair in zip(_named(strings, string), _named(grounds, pit), strict=True)
        ],
        layer="strings",
        features=strings["name"].to_numpy(dtype=object)[string],
        geometry=shapely.point_on_surface(common),
    )


def _report_over_strings(layers: Layers, strings: pd.DataFrame) -> None:
    tree = shapely.STRtree(strings["geometry"].to_numpy(dtype=object))
    one, other, common = _on_grounds(strings, strings, tree)
    first = one < other
    one, other, common = one[first], other[first], common[first]
    findings = layers.findings
    findings.add_many(
        "info",
        "string-over-string",
        [
            over_string_text(name, next_to, shared_text(area, findings.system))
            for name, next_to, area in zip(
                _named(strings, one), _named(strings, other), shapely.area(common), strict=True
            )
        ],
        layer="strings",
        features=strings["name"].to_numpy(dtype=object)[one],
        geometry=common,
    )


def _report_pits(layers: Layers, grounds: pd.DataFrame, tree: shapely.STRtree) -> None:
    one, other, common = _on_grounds(grounds, grounds, tree)
    first = one < other
    one, other, common = one[first], other[first], common[first]
    findings = layers.findings
    findings.add_many(
        "info",
        "pits-shared",
        [
            f"pits {pair[0]} and {pair[1]} share {shared_text(area, findings.system)} of ground: "
            "one pit may serve both, in one closure; what that saves is not told across a border: "
            "plan both districts together with `slipmain plan` to see it"
            for *pair, area in zip(
                _named(grounds, one), _named(grounds, other), shapely.area(common), strict=True
            )
        ],
        layer="pits",
        features=grounds["name"].to_numpy(dtype=object)[one],
        geometry=common,
    )
