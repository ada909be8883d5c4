"""Kinds of geometry: what is missing, empty or of the wrong kind is set aside."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.errors import LayerError
from geotools.intake.environment import vector_environment
from geotools.intake.notes import Note, note
from geotools.intake.place import VECTOR_SUFFIXES, Place
from geotools.schema import Layer

__all__ = [
    "SET_ASIDE",
    "UNPLACED_TEXT",
    "is_of_use_unplaced",
    "is_raster",
    "is_vector",
    "usable_rows",
]

IntArray = npt.NDArray[np.int64]
NAMES = (
    "Point", "LineString", "LineString", "Polygon", "MultiPoint", "MultiLineString",
    "MultiPolygon", "GeometryCollection",
)  # fmt: skip
COLLECTION = 7
SET_ASIDE = "set aside"
UNPLACED_TEXT = "of use by the main it names alone, if it names one"
UNPLACED = ("breaks",)  # layers whose features are of use without a place, by what they name
RASTER_SUFFIXES = (".asc", ".bil", ".dem", ".flt", ".img", ".jp2", ".jpg", ".png", ".xyz")
TIFF_HEADS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")


def is_raster(path: Path) -> bool:
    """Tell whether a local file that cannot be opened as layers is a raster, by head or suffix."""
    if not path.is_file():
        return False
    with path.open("rb") as stream:
        return stream.read(4) in TIFF_HEADS or path.suffix.lower() in RASTER_SUFFIXES


def is_vector(path: Path) -> bool:
    """Tell whether a local file that cannot be opened as a raster holds vector layers."""
    import pyogrio.errors

    from geotools.intake.listing import layers_of

    if path.suffix.lower() not in VECTOR_SUFFIXES or not path.exists():
        return False
    try:
        with vector_environment():
            return len(layers_of(Place(str(path), path, None))) > 0
    except (pyogrio.errors.DataSourceError, OSError):
        return False


def is_of_use_unplaced(layer: Layer) -> bool:
    """Tell whether features of a layer say by a field what they belong to, drawn or not."""
    return layer.name in UNPLACED


def usable_rows(
    layer: Layer, label: str, geometry: npt.NDArray[Any], broken: Mapping[int, str]
) -> tuple[IntArray, list[Note]]:
    """Return the rows with a geometry the layer may hold; note each other row.

    Raises
    ------
    LayerError
        If no feature at all has the right kind of geometry, but some have another.
    """
    missing = shapely.is_missing(geometry)
    empty = ~missing & shapely.is_empty(geometry)
    wrong = ~missing & ~empty & ~_fits(layer, geometry)
    kinds = np.array(NAMES)[np.maximum(shapely.get_type_id(geometry), 0)]
    _refuse_if_all_wrong(layer, label, kinds[wrong], ~missing & ~empty)
    unread = np.array(sorted(broken), dtype=np.int64)
    missing[unread] = False
    wanted = " or ".join(layer.geometry)
    unplaced = is_of_use_unplaced(layer)
    does = UNPLACED_TEXT if unplaced else f"{SET_ASIDE}; draw it again or delete it"
    none = "info" if unplaced else "warning"
    notes = [
        *_aside(
            "broken-geometry",
            unread,
            [f"has a broken geometry ({broken[r]}); {does}" for r in unread],
        ),
        *note(
            none,
            "no-geometry",
            np.flatnonzero(missing),
            f"has no geometry; {does}",
            every=not unplaced,
        ),
        *_aside("empty-geometry", np.flatnonzero(empty), f"has an empty geometry; {does}"),
        *_aside(
            "wrong-geometry",
            np.flatnonzero(wrong),
            [f"is a {kind} where {wanted} is due; {does}" for kind in kinds[wrong]],
        ),
    ]
    missing[unread] = True
    return np.flatnonzero(~missing & ~empty & ~wrong), notes


def _aside(rule: str, rows: IntArray, what: str | list[str]) -> list[Note]:
    return note("warning", rule, rows, what, every=True)


def _fits(layer: Layer, geometry: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Tell which geometries are of a kind the layer may hold; collections if any member is."""
    type_id = shapely.get_type_id(geometry)
    allowed = [i for i, name in enumerate(NAMES) if name in layer.geometry]
    fits = np.isin(type_id, allowed)
    mixed = np.flatnonzero(type_id == COLLECTION)
    if len(mixed):
        members, row = shapely.get_parts(geometry[mixed], return_index=True)
        while (shapely.get_type_id(members) == COLLECTION).any():
            members, inner = shapely.get_parts(members, return_index=True)
            row = row[inner]
        fits[mixed[row[np.isin(shapely.get_type_id(members), allowed)]]] = True
    return fits


def _refuse_if_all_wrong(
    layer: Layer, label: str, wrong: npt.NDArray[np.str_], there: npt.NDArray[np.bool_]
) -> None:
    if not len(wrong) or len(wrong) < np.count_nonzero(there):
        return
    kinds, counts = np.unique(wrong, return_counts=True)
    found = ", ".join(f"{n} {kind}" for kind, n in zip(kinds, counts, strict=True))
    raise LayerError(
        label,
        f"holds no {' or '.join(layer.geometry)} but {found}; give the layer of {layer.name}, "
        "or convert the geometries",
    )
