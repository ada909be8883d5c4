"""What all attempts at a plan share: everything that does not depend on the carrier."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.brief import Brief
from geotools.intake.columns import Layers
from geotools.layout.mains_beside import MainsBeside
from geotools.network.build import RunSet, build_runs
from geotools.network.cutting import renumber
from geotools.network.keep import keep_runs
from geotools.network.pieces import TOUCH
from geotools.network.ragged import IntArray, offsets_of
from geotools.network.words import in_words
from geotools.siting.axis import Axis
from geotools.siting.carrier import Contest
from geotools.siting.ground_checks import Avoid
from geotools.siting.profile import Profile
from geotools.siting.ramps import Levels
from geotools.street.context import STREET_COLUMNS
from geotools.street.scene import StreetScene, with_street

__all__ = ["Shared", "lot_of", "on_streets", "only_runs", "runs_of"]


@dataclass(frozen=True)
class Shared:
    """Runs, stations with their ground, service, bores of mains, carriers, edits and digs.

    ``axis`` and ``profile`` are looked up by run and chainage, ``levels`` gives the ground beside
    the runs. Stations have no street until `on_streets` gives them one; ``beside`` is what is left
    of the mains once the network is let go.
    """

    runs: RunSet
    axis: Axis
    stations: pd.DataFrame
    profile: Profile
    offsets: IntArray
    service: pd.DataFrame
    bores: pd.DataFrame
    contest: Contest
    scene: StreetScene | None
    avoid: Avoid | None
    edits: pd.DataFrame
    digs: pd.DataFrame
    levels: Levels | None
    layers: Layers
    brief: Brief
    beside: MainsBeside | None = None


def runs_of(layers: Layers, brief: Brief, *, levels: Levels | None = None) -> RunSet:
    """Turn the mains into runs by the settings of the brief; ``levels`` gives the ground."""
    return build_runs(
        layers,
        brief.network,
        brief.bends,
        accuracy=brief.ground.survey_accuracy,
        edit_reach=brief.pits.edit_reach,
        levels=levels,
    )


def only_runs(ground: Shared, rows: IntArray) -> Shared:
    """Leave stations, bends, valves and digs of these runs and of no others; numbers stay."""
    wanted = np.zeros(len(ground.runs.table), dtype=bool)
    wanted[rows] = True

    def part(table: pd.DataFrame) -> pd.DataFrame:
        kept: pd.DataFrame = table[wanted[table["run"].to_numpy(dtype=np.int64)]]
        return kept.reset_index(drop=True)

    stations = part(ground.stations)
    offsets = np.searchsorted(stations["run"], np.arange(len(wanted) + 1)).astype(np.int64)
    runs = dataclasses.replace(
        ground.runs, bends=part(ground.runs.bends), valves=part(ground.runs.valves)
    )
    return dataclasses.replace(
        ground,
        runs=runs,
        stations=stations,
        offsets=offsets,
        digs=part(ground.digs),
    )


def lot_of(ground: Shared, rows: IntArray) -> Shared:
    """Return these runs alone, numbered from 0 in this order.

    What is worked out for a lot then takes no longer in a large network than in a small one.
    """
    runs = keep_runs(ground.runs, rows)
    stations = renumber(ground.stations, rows, by="chainage")
    return dataclasses.replace(
        ground,
        runs=runs,
        axis=Axis(runs.thinned),
        stations=stations,
        profile=Profile(stations, len(rows)),
        offsets=offsets_of(np.diff(ground.offsets)[rows]),
        service=ground.service.iloc[rows].reset_index(drop=True),
        bores=renumber(ground.bores, rows, by="start"),
        contest=ground.contest.only(rows),
        edits=renumber(ground.edits, rows, by="chainage"),
        digs=renumber(ground.digs, rows, by="chainage"),
    )


def on_streets(ground: Shared) -> Shared:
    """Give the stations their street: for a lot of runs at once, for it takes a dozen columns."""
    stations = ground.stations
    run, at = stations["run"].to_numpy(dtype=np.int64), stations["chainage"].to_numpy(dtype=float)
    # A bend's chainage is that of its vertex but for rounding.
    after = ground.axis.heading(run, at + TOUCH)
    before = ground.axis.heading(run, at - TOUCH, before=True)
    named = in_words(
        with_street(stations, after, before, ground.scene, ground.brief.street),
        ("kind", *(name for name, kind in STREET_COLUMNS.items() if kind is str)),
    )
    scene = None if ground.scene is None else ground.scene.afresh()
    return dataclasses.replace(ground, stations=named, scene=scene)
