"""Settings of all tests: generated examples are the same on every machine and at every run."""

from __future__ import annotations

import atexit
import gc
import os
import shutil
import sys
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings

from geotools.tool import Outcome

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis" / "brief.toml"

settings.register_profile("gate", derandomize=True, deadline=None, max_examples=50)
settings.load_profile("gate")

FIRST = ("trust", "plan")


def _keep_compiled() -> None:
    """Have what is compiled kept for these tests, where nothing is to be kept beside the source.

    Else every process that a test starts compiles the package anew, which takes longer than what
    most of them are started for. Workers find the folder in their environment.
    """
    if not sys.dont_write_bytecode or sys.pycache_prefix is not None:
        return
    folder = tempfile.mkdtemp(prefix="compiled-")
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix = folder
    sys.dont_write_bytecode = False


_keep_compiled()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Begin with whole plans: no worker is to wait at the end for a file another began late."""
    items.sort(key=lambda item: item.path.parent.name not in FIRST)


def pytest_collection_finish() -> None:
    """Look seldom for what is let go in a ring, and never among the tests and libraries.

    Ten thousand tests and all libraries are there to the end; looking them through again and
    again takes one second in fifteen.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 20, 20)


@pytest.fixture(scope="session")
def _sample(tmp_path_factory: pytest.TempPathFactory) -> tuple[Outcome, Path]:
    import geotools

    target = tmp_path_factory.mktemp("sample") / "plan.gpkg"
    return geotools.plan(SAMPLE, output=target), target


@pytest.fixture(scope="session")
def sample_done(_sample: tuple[Outcome, Path]) -> Outcome:
    """The sample planned as it is; it takes seconds, and no test changes it."""
    return _sample[0]


@pytest.fixture(scope="session")
def sample_file(_sample: tuple[Outcome, Path]) -> Path:
    """The file of that plan, its styles beside it; no test changes it."""
    return _sample[1]
