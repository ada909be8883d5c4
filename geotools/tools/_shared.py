"""What all attempts at a plan share: everything that does not depend on the carrier."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from geotools.brief import Brief
from geotools.intake.columns import Layers
from geotools.network.build import RunSet
from geotools.network.ragged import IntArray
from geotools.siting.carrier import Contest
from geotools.siting.ramps import Levels
from geotools.street.scene import StreetScene

__all__ = ["Shared", "least_between"]


@dataclass(frozen=True)
class Shared:
    """Runs, stations with their ground and street, service, carriers, edits and digs.

    ``levels`` looks the ground up beside the runs.
    """

    runs: RunSet
    stations: pd.DataFrame
    offsets: IntArray
    service: pd.DataFrame
    contest: Contest
    scene: StreetScene | None
    edits: pd.DataFrame
    digs: pd.DataFrame
    levels: Levels | None
    layers: Layers
    brief: Brief


def least_between(brief: Brief) -> float:
    """Return the room two half pits and the shortest pull between them take, m.

    Bends nearer to each other share a pit; a shorter run is not worth a pull.
    """
    pits = brief.pits
    return pits.working_length + pits.receiving_length / 2 + brief.pulls.min_length
