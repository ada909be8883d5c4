"""The streets as the pits see them: network, corridors for strings, ground of the streets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.network.ragged import FloatArray, to_linestrings
from geotools.street.context import STREET_COLUMNS, street_context
from geotools.street.laydown import Corridors, build_corridors
from geotools.street.net import StreetNet, build_streets

__all__ = ["StreetScene", "build_scene", "with_street"]


@dataclass(frozen=True)
class StreetScene:
    """Streets, what stops strings along them, carriageway with verge as polygons, settings."""

    net: StreetNet
    corridors: Corridors
    ground: npt.NDArray[np.object_]
    rules: Street


def build_scene(
    streets: Lines,
    obstacles: npt.NDArray[np.object_],
    rules: Street,
    *,
    tolerance: float,
    accuracy: float,
    clear: float,
) -> StreetScene:
    """Build the scene.

    Parameters
    ----------
    streets : Lines
    obstacles : ndarray of polygons
        Hard places to avoid.
    rules : Street
        Section of the brief.
    tolerance, accuracy, clear : float
        Snap tolerance, survey accuracy, and distance kept from intersections, m.
    """
    net = build_streets(streets, rules, tolerance=tolerance, accuracy=accuracy)
    corridors = build_corridors(
        net,
        obstacles,
        no_block=rules.no_block,
        clear=clear,
        verge=rules.verge,
        accuracy=accuracy,
        max_turn=rules.max_turn,
    )
    half = net.table["width"].to_numpy(dtype=float) / 2 + rules.verge
    ground = shapely.buffer(to_linestrings(streets.xy, streets.offsets), half)
    return StreetScene(net, corridors, ground, rules)


def with_street(
    stations: pd.DataFrame, heading: FloatArray, scene: StreetScene | None, rules: Street
) -> pd.DataFrame:
    """Add the street's columns to stations; empty ones where there are no streets."""
    xy = stations[["x", "y"]].to_numpy(dtype=float)
    if scene is None:
        empty = {
            name: (np.full(len(xy), "", dtype=object) if kind is str else np.full(len(xy), np.nan))
            for name, kind in STREET_COLUMNS.items()
        }
        return stations.assign(**empty).assign(street_chain=-1, street_same=True)
    context = street_context(scene.net, xy, heading, reach=rules.reach, parallel=rules.parallel)
    return stations.join(context.set_index(stations.index))
