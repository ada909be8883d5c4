"""Tools of other packages: taken up by entry point, and never in the way of the others."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import geotools

ROOT = Path(geotools.__file__).parents[1]

DECLARATION = """
from geotools.tool import Parameter, Tool

TOOL = Tool(
    name="echo",
    title="Say it again",
    summary="Says a word as often as asked.",
    function="{package}.work:echo",
    version="0.3",
    parameters=(
        Parameter("word", "text", "what to say", required=True, positional=True),
        Parameter("times", "integer", "how often", default=2),
        Parameter("depth", "quantity", "how deep", measure="length", default="1 m"),
    ),
)
CLASH = Tool(name="plan", title="Another plan", summary="Plans.", function="{package}.work:echo")
GROUPED = Tool(
    name="echo.twice", title="Nested", summary="Nested.", function="{package}.work:echo"
)
"""
FUNCTION = """
from geotools.tool import Outcome

def echo(*, word, times, depth, progress):
    progress("saying", 1, 1)
    return Outcome({"said": [word] * times, "depth": depth}, " ".join([word] * times))

def leave(brief, *, layers, progress):
    raise SystemExit(7)
"""


ASKEW = """
from geotools.tool import Parameter, Tool

def tool(name, *parameters, function="echo"):
    return Tool(name, "A tool", "Does it.", "{package}.work:" + function, takes_brief=True,
                parameters=parameters)

OVER = tool("laid", Parameter("units", "text", "units", setting="output.unit"))
ENDS = tool("ends", function="leave")
"""


def package(folder: Path, name: str, declaration: str, entry_points: str) -> None:
    """Build an installed package of plain files: modules beside a dist-info folder."""
    home = folder / name
    home.mkdir(parents=True)
    (home / "__init__.py").write_text(declaration.replace("{package}", name), "utf-8")
    (home / "work.py").write_text(FUNCTION, "utf-8")
    info = folder / f"{name}-0.3.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 0.3\n", "utf-8")
    (info / "entry_points.txt").write_text(f"[slipmain.tools]\n{entry_points}", "utf-8")


def slipmain(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return python(folder, "import sys; from geotools.cli import main; main()", *arguments)


def python(folder: Path, code: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    paths = os.pathsep.join([str(ROOT), str(folder)])
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env={**os.environ, "PYTHONPATH": paths},
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One sound plug-in beside several that cannot be taken up."""
    folder = tmp_path_factory.mktemp("site")
    package(folder, "sound", DECLARATION, "echo = sound:TOOL\nplan = sound:CLASH\n"
            "twice = sound:GROUPED\n")  # fmt: skip
    package(folder, "broken", "raise RuntimeError('out of order')", "broken = broken:TOOL\n")
    package(folder, "leaving", "import sys; sys.exit(5)", "leaving = leaving:TOOL\n")
    package(folder, "missing", "TOOL = 3", "nothing = missing:NOTHING\nnumber = missing:TOOL\n")
    package(folder, "askew", ASKEW, "laid_over = askew:OVER\nends = askew:ENDS\n"
            "mute = askew:MUTE\n")  # fmt: skip
    return folder


def test_plug_in_is_listed_and_each_faulty_one_is_named_in_one_line(site: Path) -> None:
    done = slipmain(site, "tools")
    assert done.returncode == 0
    assert "echo" in done.stdout
    assert "Say it again" in done.stdout
    assert "Another plan" not in done.stdout
    lines = done.stderr.splitlines()
    for name, said in [
        ("broken (broken:TOOL)", "RuntimeError: out of order"),
        ("leaving (leaving:TOOL)", "SystemExit: 5"),
        ("nothing (missing:NOTHING)", "AttributeError"),
        ("number (missing:TOOL)", "it is a int, not a Tool"),
        ("plan (sound:CLASH)", "there is a tool plan already"),
        ("twice (sound:GROUPED)", "cannot be both a command and a group"),
        ("laid_over (askew:OVER)", "parameter units: no such setting 'output.unit'"),
        ("mute (askew:MUTE)", "module 'askew' has no attribute 'MUTE'"),
    ]:
        assert [
            line for line in lines if line.startswith("warning: ") and name in line and said in line
        ]
    assert len(lines) == 8


def test_plug_in_runs_as_a_command(site: Path) -> None:
    done = slipmain(site, "echo", "ho", "--times", "3", "--depth", "10 ft", "--json")
    assert done.returncode == 0
    assert json.loads(done.stdout) == {"said": ["ho", "ho", "ho"], "depth": pytest.approx(3.048)}
    assert slipmain(site, "echo", "ho").stdout == "ho ho\n"


def test_plug_in_is_described_as_a_process(site: Path) -> None:
    listed = json.loads(slipmain(site, "tools", "--json").stdout)
    (echo,) = [process for process in listed["processes"] if process["id"] == "echo"]
    assert echo["version"] == "0.3"
    assert set(echo["inputs"]) == {"word", "times", "depth"}
    (plan,) = [process for process in listed["processes"] if process["id"] == "plan"]
    assert plan["title"] == "Plan pits and pulls"


def test_plug_in_is_a_python_function(site: Path) -> None:
    done = python(site, "import geotools; print(geotools.echo('ho', times=1).text)")
    assert done.stdout == "ho\n"


def test_a_plug_in_that_ends_the_program_is_a_fault_that_is_told(site: Path) -> None:
    done = slipmain(site, "ends")
    assert done.returncode == 3
    assert "tool ends ended the program (SystemExit: 7) instead of returning" in done.stderr
