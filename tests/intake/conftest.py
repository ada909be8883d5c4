"""Small invented networks and short ways to read them."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import geopandas
import pandas as pd
import pytest
import shapely

from geotools.brief import Brief
from geotools.errors import LayerError
from geotools.intake.columns import Layers
from geotools.intake.read import read_layers

X0, Y0 = 500_000.0, 5_200_000.0


def place(*vertices: tuple[float, ...]) -> shapely.LineString:
    """Return a line whose vertices are given in m from a point in UTM zone 33."""
    return shapely.LineString([(X0 + v[0], Y0 + v[1], *v[2:]) for v in vertices])


@pytest.fixture
def line() -> Callable[..., shapely.LineString]:
    return place


@pytest.fixture
def spot() -> Callable[[float, float], shapely.Point]:
    return lambda x, y: shapely.Point(X0 + x, Y0 + y)


@pytest.fixture
def network() -> Callable[..., geopandas.GeoDataFrame]:
    """Make a mains layer of given geometries; columns may be given, ids are A, B, ..."""

    def make(geometry: list[Any] | None = None, crs: Any = 32633, **columns: Any) -> Any:
        shapes = geometry or [place((0, 0), (100, 0)), place((100, 0), (200, 50))]
        data = {
            "main_id": [chr(65 + i) for i in range(len(shapes))],
            "diameter_mm": [300.0] * len(shapes),
        }
        data.update(columns)
        kept = {k: v for k, v in data.items() if v is not None}
        return geopandas.GeoDataFrame(kept, geometry=shapes, crs=crs)

    return make


@pytest.fixture
def read() -> Callable[..., Layers]:
    """Read GeoDataFrames (keywords) with settings of a brief."""

    def run(brief: dict[str, Any] | None = None, **frames: geopandas.GeoDataFrame) -> Layers:
        return read_layers(Brief.model_validate(brief or {}), frames=frames)

    return run


@pytest.fixture
def read_file() -> Callable[..., Layers]:
    """Read mains from a source, with more of the brief's entry as keywords."""

    def run(source: object, *, allow_remote: bool = False, **entry: Any) -> Layers:
        inputs = {"mains": {"source": str(source), **entry}}
        return read_layers(Brief.model_validate({"inputs": inputs}), allow_remote=allow_remote)

    return run


@pytest.fixture
def fault() -> Callable[..., str]:
    """Return the text of the LayerError a call raises."""

    def run(call: Callable[..., Any], *args: Any, **options: Any) -> str:
        with pytest.raises(LayerError) as caught:
            call(*args, **options)
        return str(caught.value)

    return run


@pytest.fixture
def found() -> Callable[..., pd.DataFrame]:
    """Return the findings of one rule."""

    def run(layers: Layers, rule: str) -> pd.DataFrame:
        table = layers.findings.table()
        return table[table["rule"] == rule].reset_index(drop=True)

    return run


# Another program, for one with the file open in the same process would lose its locks.
OTHER = """
import sqlite3, sys
file = sqlite3.connect(sys.argv[1], isolation_level=None)
for line in sys.stdin:
    file.execute(line)
    print("done", flush=True)
file.close()
"""


@contextmanager
def _held_open(path: Path) -> Iterator[Callable[[str], None]]:
    with subprocess.Popen(
        [sys.executable, "-c", OTHER, str(path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:

        def do(sql: str) -> None:
            assert other.stdin is not None
            assert other.stdout is not None
            print(sql, file=other.stdin, flush=True)
            assert other.stdout.readline() == "done\n"

        yield do


@pytest.fixture
def held_open() -> Callable[[Path], AbstractContextManager[Callable[[str], None]]]:
    """Have another program open a database, for a while, and do SQL in it."""
    return _held_open
