"""Networks made on the spot."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import pytest

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers, Lines, Points
from geotools.network.build import RunSet, build_runs
from geotools.network.noding import Graph, node_lines
from geotools.network.runs import Chains, build_chains

Coordinates = Sequence[Sequence[float]] | npt.NDArray[np.float64]


def _ragged(lines: Sequence[Coordinates]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    arrays = [np.asarray(line, dtype=float).reshape(-1, 2) for line in lines]
    xy = np.concatenate(arrays) if arrays else np.zeros((0, 2))
    return xy, np.cumsum([0, *(len(a) for a in arrays)]).astype(np.int64)


@pytest.fixture(scope="session")
def noded() -> Callable[..., Graph]:
    """Node lines given as lists of coordinates."""

    def node(lines: Sequence[Coordinates], tolerance: float = 0.5) -> Graph:
        return node_lines(*_ragged(lines), tolerance=tolerance)

    return node


@pytest.fixture(scope="session")
def chained(noded: Callable[..., Graph]) -> Callable[..., Chains]:
    """Chain lines given as lists of coordinates; keywords per line."""

    def chain(
        lines: Sequence[Coordinates],
        *,
        tolerance: float = 0.5,
        eligible: Sequence[bool] | None = None,
        diameter: Sequence[float] | None = None,
        rank: Sequence[int] | None = None,
        max_turn: float = 100.0,
    ) -> Chains:
        graph = noded(lines, tolerance)
        count = len(lines)
        return build_chains(
            graph,
            eligible=np.array(eligible if eligible is not None else [True] * count)[graph.line],
            diameter=np.array(diameter if diameter is not None else [0.6] * count)[graph.line],
            rank=np.array(rank if rank is not None else range(count))[graph.line],
            diameter_tolerance=0.02,
            max_turn=np.radians(max_turn),
        )

    return chain


@pytest.fixture(scope="session")
def layers_of() -> Callable[..., Layers]:
    """Layers of mains, and of fittings given as (x, y, kind, angle in degrees)."""

    def layers(
        lines: Sequence[Coordinates],
        *,
        fittings: Sequence[tuple[float, float, str, float]] = (),
        **columns: Sequence[Any],
    ) -> Layers:
        count = len(lines)
        table = pd.DataFrame(
            {
                "main_id": [f"M{k}" for k in range(count)],
                "diameter": 0.6,
                "material": "CI",
                "status": "",
                "invert_start": np.nan,
                "invert_end": np.nan,
                **columns,
            }
        )
        table["feature"] = table["main_id"]
        points = None
        if fittings:
            x, y, kind, angle = zip(*fittings, strict=True)
            rows = pd.DataFrame({"kind": kind, "angle": np.radians(angle), "diameter": np.nan})
            rows["feature"] = [f"F{k}" for k in rows.index]
            points = Points(rows, np.stack([x, y], axis=1).astype(float))
        crs = pyproj.CRS("EPSG:32633")
        return Layers(crs, crs, Lines(table, *_ragged(lines)), fittings=points)

    return layers


@pytest.fixture(scope="session")
def run_set(layers_of: Callable[..., Layers]) -> Callable[..., RunSet]:
    """Runs of layers made by `layers_of`, under the default brief."""

    def build(
        lines: Sequence[Coordinates] | Layers,
        *,
        network: Network | None = None,
        bends: Bends | None = None,
        accuracy: float = 0.5,
        **columns: Any,
    ) -> RunSet:
        layers = lines if isinstance(lines, Layers) else layers_of(lines, **columns)
        return build_runs(
            layers, network or Network(), bends or Bends(), accuracy=accuracy, edit_reach=20.0
        )

    return build
