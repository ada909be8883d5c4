"""The layers in a source."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyogrio

from geotools.intake.environment import fiona_environment, open_options
from geotools.intake.place import Place

__all__ = ["layers_of"]


def layers_of(place: Place) -> npt.NDArray[Any]:
    """Return the layers of a source and the kind of their geometries, None of a table; (n, 2).

    pyogrio lists layers without options, fiona lists their names alone.

    Raises
    ------
    pyogrio.errors.DataSourceError
        If it cannot be opened.
    """
    options = open_options(place)
    if not options:
        found: npt.NDArray[Any] = pyogrio.list_layers(place.target)
        return found
    names = _names(place.target, options)
    kinds = [
        pyogrio.read_info(place.target, layer=name, **options)["geometry_type"] for name in names
    ]
    return np.array(list(zip(names, kinds, strict=True)), dtype=object).reshape(-1, 2)


def _names(target: str, options: dict[str, str]) -> list[str]:
    import fiona
    import fiona.errors

    try:
        with fiona_environment():
            return [str(name) for name in fiona.listlayers(target, **options)]
    except fiona.errors.FionaError as error:
        raise pyogrio.errors.DataSourceError(str(error)) from error
