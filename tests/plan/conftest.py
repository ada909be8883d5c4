"""Written plans read back, and the rules of `verify`, which every one of them keeps.

The rules look at the GeoPackage alone, as a user would; nothing of the planner is called, and
`tests/deliver/test_verify.py` shows each of them the faults it is there for. A test that takes
``rule`` is run once for each of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from scipy.spatial import cKDTree

from geotools.cli import main
from geotools.deliver.verify.plan import Plan, load_plan
from geotools.deliver.verify.rules import RULES, check
from geotools.tools.plan import TOOL
from geotools.units import parse_quantity

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_gis"
KINDS = {"m": "length", "ft": "length", "mm": "length", "in": "length"}


@dataclass(frozen=True)
class Done:
    """What a call of the command line came to."""

    code: int
    out: str
    err: str


class Written:
    """A plan in SI units, read back from its GeoPackage."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.layers = {
            str(name): gpd.read_file(path, layer=name) if kind else _table(path, name)
            for name, kind in pyogrio.list_layers(path)
        }

    def __getattr__(self, name: str) -> Any:
        if name.startswith("_") or name not in self.layers:
            raise AttributeError(name)
        return self.layers[name]

    def setting(self, name: str) -> Any:
        """Return a setting: a length in metres, a word or a number."""
        row = self.settings.set_index("name").loc[name]
        if row["unit"] in KINDS:
            return parse_quantity(row["value"], "length")
        try:
            return float(row["value"])
        except ValueError:
            return row["value"]

    @cached_property
    def planned(self) -> pd.DataFrame:
        return self.runs[self.runs["status"] == "planned"]

    @cached_property
    def opened(self) -> pd.DataFrame:
        """The pits with ``start`` and ``end``, the stretch of run each opens."""
        pits = self.pits
        return pits.assign(
            start=pits["chainage_m"] - pits["before_m"], end=pits["chainage_m"] + pits["after_m"]
        )

    @cached_property
    def checked(self) -> Plan:
        """The same file as `verify` reads it."""
        return load_plan(self.path, TOOL.outputs)


def _table(path: Path, name: str) -> pd.DataFrame:
    return pyogrio.read_dataframe(path, layer=name, read_geometry=False)


@pytest.fixture(params=RULES, ids=lambda rule: rule.name)
def rule(request: pytest.FixtureRequest) -> Callable[[Written], None]:
    """One rule of `verify` at a time; it works from the file alone."""

    def keeps(plan: Written) -> None:
        assert check(plan.checked, request.param).faults[:5] == ()

    keeps.__name__ = request.param.name
    return keeps


@pytest.fixture(scope="session")
def read_plan() -> Callable[[Path], Written]:
    return Written


@pytest.fixture(scope="session")
def command() -> Callable[..., int]:
    """Run a command in this process for its exit code alone; for fixtures of a wider scope."""

    def run(*arguments: str | Path) -> int:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        return int(left.value.code or 0)

    return run


@pytest.fixture
def slipmain(capsys: pytest.CaptureFixture[str]) -> Callable[..., Done]:
    """Run a command in this process."""

    def run(*arguments: str | Path) -> Done:
        with pytest.raises(SystemExit) as left:
            main([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Done(int(left.value.code or 0), out, err)

    return run


@pytest.fixture(scope="session")
def sample() -> Path:
    """The folder of the sample district."""
    return SAMPLE


@pytest.fixture(scope="session")
def sample_plan(sample_file: Path) -> Written:
    """The sample district planned as its brief says."""
    return Written(sample_file)


def street_intersections(streets: gpd.GeoDataFrame, *, tolerance: float) -> np.ndarray:
    """Return places where three or more stretches of street meet, found the plain way.

    Every end of a street is a place; ends within the tolerance are one. A street that ends
    there counts once, one that runs on through it twice.
    """
    lines = streets.geometry.explode().to_numpy()
    ends = np.concatenate([shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1)])
    tree = cKDTree(ends)
    seen = np.zeros(len(ends), dtype=bool)
    places = []
    for k, end in enumerate(ends):
        if seen[k]:
            continue
        together = tree.query_ball_point(end, tolerance)
        seen[together] = True
        middle = shapely.Point(ends[together].mean(axis=0))
        stopping = {j % len(lines) for j in together}
        near = np.flatnonzero(shapely.dwithin(lines, middle, tolerance))
        through = [j for j in near if j not in stopping]
        if len(together) + 2 * len(through) >= 3:
            places.append([middle.x, middle.y])
    return np.array(places).reshape(-1, 2)


@pytest.fixture(scope="session")
def intersections() -> Callable[..., np.ndarray]:
    return street_intersections
