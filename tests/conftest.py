"""Settings of all tests: generated examples are the same on every machine and at every run.

``pytest`` alone runs all tests that are quick and a share of those that take long, the same ones
every time; ``pytest --every``, or tests named by file or folder, leaves nothing out.
"""

from __future__ import annotations

import atexit
import gc
import os
import shutil
import sys
import tempfile
from collections import Counter, defaultdict
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zlib import crc32

import pytest
from hypothesis import settings

from geotools.tool import Outcome

if TYPE_CHECKING:
    from _pytest.terminal import TerminalReporter

SAMPLE = Path(__file__).resolve().parents[1] / "sample_gis" / "brief.toml"

COSTLY = Path(__file__).with_name("costly.txt")
ONE_OF = 20  # of so many tests that take long one is run
LONG = 0.7  # a test takes long that takes so much of the mean of all, most of which are quick
MUCH = 0.003  # or, with all its cases, so much of the time of all

settings.register_profile("every", derandomize=True, deadline=None, max_examples=50)
settings.register_profile("share", derandomize=True, deadline=None, max_examples=15)

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


def pytest_addoption(parser: pytest.Parser) -> None:
    """Declare what the project's own test run can be told."""
    group = parser.getgroup("slipmain")
    group.addoption(
        "--every", action="store_true", help="leave out none of the tests that take long"
    )
    group.addoption(
        "--write-costly", action="store_true", help=f"list those that take long in {COSTLY.name}"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Run every test where some are named or their times are wanted, else a share."""
    if hasattr(config, "workerinput"):
        config.option.every = config.workerinput["every"]
    else:
        named = config.args_source is pytest.Config.ArgsSource.ARGS
        config.option.every = config.option.every or config.option.write_costly or named
    settings.load_profile("every" if config.option.every else "share")


@pytest.hookimpl(optionalhook=True)
def pytest_configure_node(node: Any) -> None:
    """Tell a worker of pytest-xdist, which is given the folders as if they had been named."""
    node.workerinput["every"] = node.config.option.every


def _left_out(item: pytest.Item, costly: frozenset[str]) -> bool:
    return _function(item.nodeid) in costly and crc32(item.nodeid.encode()) % ONE_OF != 0


def _function(nodeid: str) -> str:
    return nodeid.partition("[")[0]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what is not of the share, and begin with whole plans.

    No worker is to wait at the end for a file another began late.
    """
    items.sort(key=lambda item: item.path.parent.name not in FIRST)
    if config.option.every:
        return
    costly = frozenset(COSTLY.read_text(encoding="utf-8").split())
    config.hook.pytest_deselected(items=[item for item in items if _left_out(item, costly)])
    items[:] = [item for item in items if not _left_out(item, costly)]


def pytest_terminal_summary(terminalreporter: TerminalReporter, config: pytest.Config) -> None:
    """Say that a share was run, or write down what takes long."""
    if config.option.write_costly:
        _write_costly(terminalreporter)
    elif not config.option.every and not config.option.collectonly:
        terminalreporter.write_line(
            f"Of the tests that take long (tests/{COSTLY.name}) one in {ONE_OF} was run;"
            " pytest --every runs all."
        )


def _write_costly(reporter: TerminalReporter) -> None:
    seconds: defaultdict[str, float] = defaultdict(float)
    times: Counter[str] = Counter()
    for report in (one for some in reporter.stats.values() for one in some):
        if isinstance(report, pytest.TestReport):
            seconds[_function(report.nodeid)] += report.duration
            times[_function(report.nodeid)] += report.when == "call"
    mean = sum(seconds.values()) / max(times.total(), 1)
    least = {name: LONG * mean * max(times[name], 1) for name in seconds}
    much = MUCH * sum(seconds.values())
    long = [name for name in seconds if seconds[name] > min(least[name], much)]
    COSTLY.write_text("\n".join(sorted(long)) + "\n", encoding="utf-8")


def pytest_collection_finish() -> None:
    """Look seldom for what is let go in a ring, and never among the tests and libraries.

    Ten thousand tests and all libraries are there to the end; looking them through again and
    again takes one second in fifteen.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(5_000, 20, 20)


@pytest.fixture
def link() -> Callable[[Path, Path | str], None]:
    """Make a link to a file or folder; the test is skipped where this user may make none."""

    def made(path: Path, to: Path | str) -> None:
        try:
            path.symlink_to(to)
        except OSError as error:
            pytest.skip(f"no links here ({error})")

    return made


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
