"""The command line: exit codes, what goes to which stream, help, start-up."""

from __future__ import annotations

import errno
import io
import json
import os
import shlex
import signal
import subprocess
import sys
import types
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import geotools
from geotools.cli import main
from geotools.deliver.files import replacing
from geotools.errors import BriefError, LayerError
from geotools.tool import Outcome, Parameter, Tool, builtin

ROOT = Path(geotools.__file__).parents[1]
HEAVY = (
    "fiona", "geopandas", "jsonschema", "numba", "numpy", "pandas", "pint", "pyarrow",
    "pydantic", "pyogrio", "pyproj", "rasterio", "rich", "scipy", "shapely",
)  # fmt: skip


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


Run = Callable[..., Done]


@pytest.fixture
def slipmain(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: str) -> Done:
        with pytest.raises(SystemExit) as left:
            main(list(arguments))
        out, err = capsys.readouterr()
        return Done(int(left.value.code or 0), out, err)

    return run


@pytest.fixture
def behave(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[..., Any]], None]:
    """Put one throw-away command ``try`` in place of all others; it does what it is told."""

    def put(function: Callable[..., Any], **rest: Any) -> None:
        module = types.ModuleType("throw_away_commands")
        module.function = function  # type: ignore[attr-defined]
        monkeypatch.setitem(sys.modules, "throw_away_commands", module)
        rest = {"name": "attempt", "title": "Try", "summary": "Tries.", **rest}
        tool = Tool(function="throw_away_commands:function", **rest)
        monkeypatch.setattr("geotools.cli.registry", lambda: {tool.name: tool})

    return put


def raising(error: BaseException) -> Callable[..., Any]:
    def function(**_: Any) -> Outcome:
        raise error

    return function


def python(code: str, *arguments: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", code, *arguments],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


@pytest.mark.parametrize(
    "arguments", [["--help"], *([*t.name.split("."), "--help"] for t in builtin().values())]
)
def test_help_imports_nothing_heavy(arguments: list[str], tmp_path: Path) -> None:
    code = (
        "import sys\nfrom geotools.cli import main\n"
        "try:\n    main()\nfinally:\n"
        f"    print([m for m in {HEAVY!r} if m in sys.modules], file=sys.stderr)"
    )
    done = python(code, *arguments, cwd=tmp_path)
    assert done.returncode == 0
    assert done.stdout.startswith("Usage: slipmain")
    assert done.stderr.strip() == "[]"


def test_importing_the_package_imports_nothing_heavy(tmp_path: Path) -> None:
    code = f"import sys, geotools; print([m for m in {HEAVY!r} if m in sys.modules])"
    assert python(code, cwd=tmp_path).stdout.strip() == "[]"


def test_a_plan_of_a_small_district_loads_neither_compiler_nor_solvers(tmp_path: Path) -> None:
    code = (
        "import sys\nfrom geotools.cli import main\n"
        "try:\n    main()\nfinally:\n"
        "    print([m for m in ('numba', 'scipy') if m in sys.modules], file=sys.stderr)"
    )
    brief = str(ROOT / "sample_gis" / "brief.toml")
    done = python(code, "plan", brief, "-o", "plan.gpkg", "--quiet", cwd=tmp_path)
    assert done.returncode == 0
    assert done.stderr.strip() == "[]"


def test_help_of_a_tool_has_an_option_for_all_it_declares(slipmain: Run) -> None:
    for tool in builtin().values():
        shown = slipmain(*tool.name.split("."), "--help").out
        for layer in tool.inputs:
            assert f"--{layer.replace('_', '-')} " in shown
        for parameter in tool.parameters:
            name = parameter.name.replace("_", "-")
            place = parameter.name.upper().removesuffix("S" if parameter.multiple else "")
            assert (place if parameter.positional else f"--{name}") in shown
        for option in ("--json", "--quiet", "--debug"):
            assert option in shown
        assert ("--set KEY=VALUE" in shown) == tool.takes_brief


def test_version_is_that_of_the_package(slipmain: Run) -> None:
    assert slipmain("--version") == Done(0, f"slipmain {geotools.__version__}\n", "")


@pytest.mark.parametrize(("said", "expected"), [(None, "system"), ("jemalloc", "jemalloc")])
def test_arrow_takes_memory_from_the_system_unless_told_otherwise(
    said: str | None, expected: str, slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "ARROW_DEFAULT_MEMORY_POOL"
    monkeypatch.setenv(name, said or "")
    if said is None:
        monkeypatch.delenv(name)
    slipmain("--version")
    assert os.environ[name] == expected


def test_gdal_writes_nothing_beside_packed_input_unless_told_otherwise(
    slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = "CPL_VSIL_GZIP_WRITE_PROPERTIES"
    for said in ("YES", "NO"):
        monkeypatch.setenv(name, said)
        if said == "NO":
            monkeypatch.delenv(name)
        slipmain("--version")
        assert os.environ[name] == said


def test_package_runs_as_the_command(tmp_path: Path) -> None:
    code = "import runpy; runpy.run_module('geotools', run_name='__main__')"
    done = python(code, "--version", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (0, f"slipmain {geotools.__version__}\n")


def test_help_shows_what_is_given_by_place_as_often_as_it_must_be(slipmain: Run) -> None:
    assert "Usage: slipmain compare [OPTIONS] PLAN PLAN...\n" in slipmain("compare", "--help").out
    assert "Usage: slipmain settings [OPTIONS] [WORD]...\n" in slipmain("settings", "--help").out
    assert "Usage: slipmain verify [OPTIONS] PLAN\n" in slipmain("verify", "--help").out


def test_help_tells_the_exit_codes(slipmain: Run) -> None:
    shown = " ".join(slipmain("--help").out.split())
    assert "0 done; 1 done, but something failed its check; 2 bad input or usage" in shown
    assert "130 interrupted; 129, 143 ended by SIGHUP, SIGTERM" in shown
    shown = " ".join(slipmain("plan", "--help").out.split())
    assert "Exit code 0 also where runs have no plan" in shown


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["plann"], "error: no such command: plann; did you mean plan?"),
        (["zzz"], "error: no such command: zzz; known: "),
        (["plan", "--mians", "x"], "--mains"),
        (["plan", "brief.toml"], "'--output'"),
        (["plan", "-o", "x.gpkg", "--units", "miles"], "'miles' is not one of 'si', 'us'"),
        (["plan", "-o", "x.gpkg", "--set", "friction"], "not of the form KEY=VALUE"),
        (["sample"], "DIRECTORY"),
    ],
)
def test_wrong_usage_says_what_and_where_to_look(
    slipmain: Run, arguments: list[str], said: str
) -> None:
    done = slipmain(*arguments)
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("error: ")
    assert said in done.err
    assert "--help" in done.err


def test_done_is_0_and_failed_check_is_1(slipmain: Run, behave: Any) -> None:
    behave(lambda progress: Outcome({"n": 1}, "all well"))
    assert slipmain("attempt") == Done(0, "all well\n", "")
    behave(lambda progress: Outcome({"n": 1}, "not well", failed=True))
    assert slipmain("attempt") == Done(1, "not well\n", "")


def test_json_is_the_summary_and_nothing_else_on_stdout(slipmain: Run, behave: Any) -> None:
    def chatty(*, progress: Any) -> Outcome:
        print("a library talks")
        summary = {
            "length": np.float64(1.5),
            "count": np.int64(3),
            "none": float("nan"),
            "path": Path("a.gpkg"),
            "rows": np.array([1.0, np.inf]),
            "text": "Übergang\x1b[31m",
        }
        return Outcome(summary, "for a reader")

    behave(chatty)
    done = slipmain("attempt", "--json")
    assert done.code == 0
    assert json.loads(done.out) == {
        "length": 1.5,
        "count": 3,
        "none": None,
        "path": "a.gpkg",
        "rows": [1.0, None],
        "text": "Übergang\x1b[31m",
    }
    assert "\x1b" not in done.out
    assert done.err == "a library talks\n"


TELLS = """
import sys, types
from geotools import tool
from geotools.cli import main
made = types.ModuleType("made")
name = "Wexl\\u00f6w \\u03a9"
made.function = lambda progress: tool.Outcome({"name": name}, name)
sys.modules["made"] = made
one = tool.Tool(name="attempt", title="Try", summary="Tries.", function="made:function")
tool.registry = lambda: {"attempt": one}
import geotools.cli
geotools.cli.registry = tool.registry
main()
"""


@pytest.mark.parametrize(
    ("encoding", "text"),
    [("cp1252", "Wexlöw \\u03a9"), ("ascii", "Wexl\\xf6w \\u03a9"), ("utf-8", "Wexlöw Ω")],
)
def test_what_stdout_cannot_encode_is_escaped(encoding: str, text: str) -> None:
    def told(*options: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", TELLS, "attempt", *options],
            env=os.environ | {"PYTHONIOENCODING": encoding},
            capture_output=True,
            check=True,
        )
        return done.stdout.decode(encoding)

    assert told().splitlines() == [text]
    assert json.loads(told("--json")) == {"name": "Wexlöw Ω"}


FULL = Path("/dev/full")


@pytest.mark.skipif(not FULL.exists(), reason="no device that is full on this machine")
@pytest.mark.parametrize("buffered", ["", "1"])
@pytest.mark.parametrize("words", [["attempt"], ["attempt", "--json"], ["--help"], ["--version"]])
def test_what_cannot_be_written_to_stdout_is_one_line_and_2(
    words: list[str], buffered: str
) -> None:
    with FULL.open("w", encoding="utf-8") as full:
        done = subprocess.run(
            [sys.executable, "-c", TELLS, *words],
            env=os.environ | {"PYTHONUNBUFFERED": buffered},
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.stderr == "error: standard output cannot be written: No space left on device\n"
    assert done.returncode == 2


class Filled(io.StringIO):
    """A stream that takes nothing more."""

    def write(self, text: str) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("words", [[], ["--json"]])
def test_a_file_that_is_written_is_told_so_where_the_summary_cannot_be_printed(
    behave: Any, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], words: Any
) -> None:
    behave(
        lambda progress, output: Outcome({"a": 1}, "done"),
        parameters=(Parameter("output", "path", "a file"),),
    )
    monkeypatch.setattr(sys, "stdout", Filled())
    with pytest.raises(SystemExit) as left:
        main(["attempt", "--output", "plan.gpkg", *words])
    assert left.value.code == 2
    assert capsys.readouterr().err == (
        "error: standard output cannot be written: No space left on device; "
        "written all the same: plan.gpkg\n"
    )


@pytest.mark.skipif(not FULL.exists(), reason="no device that is full on this machine")
def test_an_error_that_cannot_be_told_is_still_2() -> None:
    with FULL.open("w", encoding="utf-8") as full:
        words = [sys.executable, "-c", TELLS, "attempt", "--nothing"]
        assert subprocess.run(words, stderr=full, check=False).returncode == 2


HELD = """
import os, sys
from geotools import cli, tool
from geotools.tool import Outcome, Tool
def work(progress):
    number = os.open(os.devnull, os.O_RDONLY)
    os.close(number)
    print("of a library")
    return Outcome({"free": number > 2}, f"free: {number > 2}")
def fail(progress):
    raise ValueError("no")
sys.modules["held"] = sys.modules["__main__"]
tools = {n: Tool(n, n, "Tries.", f"held:{n}") for n in ("work", "fail")}
cli.registry = lambda: tools
cli.main()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="streams are closed by a POSIX shell")
@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ("work", 0, "of a library\nfree: True\n"),
        ("work --json", 0, '{\n  "free": true\n}\n'),
        ("fail", 3, ""),
        ("fail --debug", 3, ""),
        ("nothing", 2, ""),
    ],
)
def test_without_stderr_the_work_is_done_and_no_error_is_taken_for_the_result(
    words: str, code: int, said: str
) -> None:
    command = f"exec {shlex.quote(sys.executable)} -c {shlex.quote(HELD)} {words} 2>&-"
    done = subprocess.run(["sh", "-c", command], stdout=subprocess.PIPE, text=True, check=False)
    assert (done.returncode, done.stdout) == (code, said)


def test_quiet_prints_nothing_when_all_is_well(slipmain: Run, behave: Any) -> None:
    behave(lambda progress: Outcome({}, "all well"))
    assert slipmain("attempt", "--quiet") == Done(0, "", "")
    told = " ".join(slipmain("attempt", "--help").out.split())
    assert "only errors and warnings of the program; findings" in told


@pytest.mark.parametrize("json_too", [[], ["--json"]])
def test_error_of_the_user_is_one_line_a_fault_and_2(
    slipmain: Run, behave: Any, json_too: list[str]
) -> None:
    behave(raising(BriefError(["pulls.rate: no unit", "pits.ramp: no such word"])))
    assert slipmain("attempt", *json_too) == Done(
        2, "", "error: pulls.rate: no unit\nerror: pits.ramp: no such word\n"
    )
    behave(raising(LayerError("net.gpkg:mains", "has no CRS; name it in the brief")))
    assert slipmain("attempt", *json_too) == Done(
        2, "", "error: net.gpkg:mains: has no CRS; name it in the brief\n"
    )


def test_file_that_cannot_be_opened_is_named_and_2(slipmain: Run, behave: Any) -> None:
    behave(raising(PermissionError(13, "Permission denied", "/there/plan.gpkg")))
    assert slipmain("attempt") == Done(2, "", "error: /there/plan.gpkg: Permission denied\n")


def test_fault_of_the_program_is_one_line_and_3(slipmain: Run, behave: Any) -> None:
    behave(raising(ZeroDivisionError("division\nby zero")))
    assert slipmain("attempt") == Done(
        3,
        "",
        "error: internal error in attempt: ZeroDivisionError: division by zero; "
        "run again with --debug and report it\n",
    )


def test_debug_shows_where_an_error_arose(slipmain: Run, behave: Any) -> None:
    behave(raising(ZeroDivisionError("division by zero")))
    done = slipmain("attempt", "--debug")
    assert done.code == 3
    assert done.err.startswith("Traceback (most recent call last):")
    assert "in function" in done.err


def test_interruption_is_130_in_one_line(slipmain: Run, behave: Any) -> None:
    behave(raising(KeyboardInterrupt()))
    assert slipmain("attempt") == Done(130, "", "\ninterrupted\n")


ENDING = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


@pytest.fixture
def as_usual() -> Iterator[Callable[[int], None]]:
    """Have a signal end a process, though whoever began the tests may ignore it, as nohup does."""
    before: list[tuple[int, Any]] = []
    yield lambda number: before.append((number, signal.signal(number, signal.SIG_DFL)))
    for number, was in before:
        signal.signal(number, was)


@pytest.mark.parametrize("name", ENDING)
def test_what_a_signal_ends_is_tidied_up_told_in_one_line_and_128_and_its_number(
    slipmain: Run, behave: Any, tmp_path: Path, as_usual: Any, name: str
) -> None:
    number = signal.Signals[name]
    as_usual(number)
    target = tmp_path / "plan.html"
    target.write_text("old")

    def write(progress: Any) -> Outcome:
        with replacing(target) as part:
            part.write_text("half")
            try:
                signal.raise_signal(number)
            finally:
                signal.raise_signal(number)  # they come several at once: tidied up all the same
        return Outcome({}, "not ended")

    behave(write)
    done = slipmain("attempt")
    assert (done.code, done.out) == (128 + number, "")
    assert done.err.startswith("ended")
    assert len(done.err.splitlines()) == 1
    assert [path.name for path in tmp_path.iterdir()] == ["plan.html"]
    assert target.read_text() == "old"
    assert signal.getsignal(number) == signal.SIG_DFL  # of who calls it: as it was


@pytest.mark.parametrize("name", ENDING)
def test_a_signal_that_is_ignored_stays_so(slipmain: Run, behave: Any, name: str) -> None:
    def go_on(progress: Any) -> Outcome:
        signal.raise_signal(signal.Signals[name])
        return Outcome({}, "went on")

    behave(go_on)
    before = signal.signal(signal.Signals[name], signal.SIG_IGN)
    try:
        assert slipmain("attempt") == Done(0, "went on\n", "")
    finally:
        signal.signal(signal.Signals[name], before)


def test_the_command_runs_beside_the_main_thread_which_alone_has_signals(
    slipmain: Run, behave: Any
) -> None:
    behave(lambda progress: Outcome({}, "went on"))
    with ThreadPoolExecutor(1) as pool:
        assert pool.submit(slipmain, "attempt").result() == Done(0, "went on\n", "")


def test_control_characters_of_input_files_do_not_reach_the_terminal(
    slipmain: Run, behave: Any
) -> None:
    behave(lambda progress: Outcome({}, "name: \x1b]0;owned\x07 \x9b31m\r\nnext\ttab é"))
    assert slipmain("attempt").out == "name: \N{REPLACEMENT CHARACTER}]0;owned" + (
        "\N{REPLACEMENT CHARACTER} \N{REPLACEMENT CHARACTER}31m\N{REPLACEMENT CHARACTER}"
        "\nnext\ttab é\n"
    )
    behave(raising(LayerError("a\x1b[2J", "b\x1b[2J")))
    assert "\x1b" not in slipmain("attempt").err


def test_warnings_are_one_line_without_a_place_in_the_program(slipmain: Run, behave: Any) -> None:
    import warnings

    def careless(*, progress: Any) -> Outcome:
        warnings.warn("mind the gap", UserWarning, stacklevel=1)
        return Outcome({}, "")

    behave(careless)
    with warnings.catch_warnings():
        warnings.simplefilter("default")
        assert slipmain("attempt") == Done(0, "", "warning: mind the gap\n")


def test_options_reach_the_tool_as_declared(slipmain: Run, behave: Any) -> None:
    seen: dict[str, Any] = {}

    def function(brief: Any, *, layers: Any, progress: Any, **rest: Any) -> Outcome:
        seen.update(rest, brief=brief, layers=layers)
        return Outcome({}, "")

    behave(
        function,
        takes_brief=True,
        inputs=("mains", "pit_edits", "dem"),
        parameters=(
            Parameter("output", "path", "where to", command_requires=True, short="o"),
            Parameter("fast", "flag", "hurry"),
            Parameter("careful", "flag", "take care", default=True),
            Parameter("extra", "text", "more", multiple=True),
            Parameter("depth", "quantity", "how deep", measure="length", default="1 m"),
            Parameter("units", "choice", "units", choices=("si", "us"), setting="output.units"),
        ),
    )
    done = slipmain(
        "attempt", "--mains", "a.gpkg:net", "--pit-edits", "e.gpkg", "--dem", "1.tif", "--dem",
        "2.tif", "--set", "pulls.max_length=400 m", "--set", "carrier.nominal=20 in", "-o", "out",
        "--no-careful", "--extra", "x", "--extra", "y", "--depth", "10 ft", "--units", "us",
    )  # fmt: skip
    assert done == Done(0, "", "")
    brief = seen.pop("brief")
    assert brief.inputs["mains"].source == "a.gpkg:net"
    assert brief.inputs["pit_edits"].source == "e.gpkg"
    assert brief.inputs["dem"].source == ["1.tif", "2.tif"]
    assert brief.pulls.max_length == 400.0
    assert brief.carrier.nominal == "20 in"
    assert brief.output.units == "us"
    assert brief.origins["pulls.max_length"] == "command line"
    assert seen.pop("depth") == pytest.approx(3.048)
    assert seen == {
        "layers": None,
        "output": Path("out"),
        "fast": False,
        "careful": False,
        "extra": ("x", "y"),
    }


def test_value_with_an_equals_sign_is_kept_whole(slipmain: Run, behave: Any) -> None:
    seen: dict[str, Any] = {}

    def function(brief: Any, *, layers: Any, progress: Any) -> Outcome:
        seen["currency"] = brief.rates.currency
        return Outcome({}, "")

    behave(function, takes_brief=True)
    assert slipmain("attempt", "--set", "rates.currency=a=b").code == 0
    assert seen == {"currency": "a=b"}


def test_grouped_tools_are_commands_of_a_group(slipmain: Run, behave: Any) -> None:
    behave(lambda progress: Outcome({}, "scheduled"), name="pieces.schedule")
    assert slipmain("pieces", "schedule") == Done(0, "scheduled\n", "")
    assert "schedule  Try" in slipmain("pieces", "--help").out
    assert "did you mean schedule?" in slipmain("pieces", "shedule").err


def test_a_plug_in_no_command_can_be_made_of_is_told_and_the_others_work(
    slipmain: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    parameter = Parameter("word", "text", "what to say")
    odd = Tool("odd", "Odd", "Is odd.", "odd.work:odd", parameters=(parameter,))
    object.__setattr__(parameter, "kind", [])  # what no declaration can be told by
    tools = builtin() | {odd.name: odd}
    monkeypatch.setattr("geotools.cli.registry", lambda: tools)
    done = slipmain("--version")
    assert done.code == 0
    assert done.err.startswith("warning: tool odd (odd.work:odd) is left out: no command can be")
    assert slipmain("odd").code == 2


class Windows:
    """The module of the system as on Windows, for what asks its name."""

    name = "nt"

    def __getattr__(self, name: str) -> Any:
        return getattr(os, name)


def test_signs_of_names_are_for_the_tools_to_read_on_windows_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("a.toml", "b.toml"):
        (tmp_path / name).touch()
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("click.core.os", Windows())
    monkeypatch.setattr(sys, "argv", ["slipmain", "plan", "*.toml", "-o", "plan.gpkg"])
    with pytest.raises(SystemExit) as left:
        main()
    assert left.value.code == 2
    assert "*.toml" in capsys.readouterr().err


def test_progress_is_silent_when_stderr_is_no_terminal(slipmain: Run, behave: Any) -> None:
    def function(*, progress: Any) -> Outcome:
        progress("reading", 1, 2)
        return Outcome({}, "done")

    behave(function)
    assert slipmain("attempt") == Done(0, "done\n", "")


def test_progress_shows_on_a_terminal_and_not_when_quiet(
    slipmain: Run, behave: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    def function(*, progress: Any) -> Outcome:
        progress("reading [bold]mains", 1, 2)
        progress("reading [bold]mains", 2, 2)
        return Outcome({}, "done")

    behave(function)
    monkeypatch.setattr("sys.stderr.isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert "reading [bold]mains" in slipmain("attempt").err
    assert slipmain("attempt", "--quiet").err == ""


@pytest.mark.parametrize(
    ("option", "hint"),
    [
        ("--min-diameter", "; a setting of the brief is given as --set network.min_diameter="),
        ("--network.min-diameter", "--set network.min_diameter="),
        ("--max-turn", '--set network.max_turn="100 deg" or --set street.max_turn="45 deg"'),
        ("--no-such-thing", ""),
    ],
)
def test_a_setting_written_as_an_option_is_told_how_to_be_given(
    slipmain: Run, option: str, hint: str
) -> None:
    done = slipmain("screen", "--mains", "net.gpkg", option, "200 mm", "-o", "out.gpkg")
    assert done.code == 2
    assert done.err.startswith(f"error: No such option '{option}'")
    assert hint in done.err
    assert ("--set" in done.err) == bool(hint)


def test_a_tool_without_a_brief_points_to_no_setting(slipmain: Run) -> None:
    assert "--set" not in slipmain("sample", "--min-diameter", "200 mm").err
