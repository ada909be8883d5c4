"""What all attempts at a plan share: everything that does not depend on the carrier."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from geotools.brief import Brief
from geotools.intake.columns import Layers
from geotools.network.build import RunSet
from geotools.network.ragged import IntArray
from geotools.siting.carrier import Contest
from geotools.street.scene import StreetScene

__all__ = ["Shared"]


@dataclass(frozen=True)
class Shared:
    """Runs, stations with their ground and street, service, carriers, edits and digs."""

    runs: RunSet
    stations: pd.DataFrame
    offsets: IntArray
    service: pd.DataFrame
    contest: Contest
    scene: StreetScene | None
    edits: pd.DataFrame
    digs: pd.DataFrame
    layers: Layers
    brief: Brief
