"""Commands: the command line, made from the declarations of the tools."""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext, redirect_stdout, suppress
from typing import Any, TextIO

import click

from geotools.call import DEM_TEXT, MADE, run
from geotools.errors import KeptAsideWarning, OlderPlanWarning, mendable
from geotools.schema import INPUTS
from geotools.threads import left_running
from geotools.tool import (
    GROUPS,
    Outcome,
    Parameter,
    PluginWarning,
    Progress,
    Tool,
    builtin,
    registry,
)

__all__ = ["main"]

DONE, FAILED, BAD_INPUT, INTERNAL, INTERRUPTED = 0, 1, 2, 3, 130
# Python's own threshold looks for garbage some 400 times while the libraries are loaded, which
# make many objects and none that is garbage.
COLLECT_AFTER = (20_000, 20, 20)
# Signals that end a program, by name, for not every system has each; and what is said of them.
_ENDING = {
    "SIGHUP": "ended: its terminal was closed",
    "SIGTERM": "ended from outside",
    "SIGBREAK": "ended: its window was closed, or Ctrl+Break pressed",  # on Windows
}
_BY_SIGNAL = 128  # and its number: the exit code of what a signal ends
_AT_ONCE = 5.0  # s
_STOPPING = 0.5  # s; what interrupted threads have to stop by themselves
_STDERR = 2  # its number on every system

_EPILOG = (
    "Exit codes: 0 done; 1 done, but something failed its check; 2 bad input or usage; "
    "3 internal error; 130 interrupted; 129, 143 ended by SIGHUP, SIGTERM.\n\n"
    "Results are planning values. Local codes and licensed practice decide on excavation, "
    "traffic, lifting, tension and pressure testing."
)
_CONTEXT = {"help_option_names": ["-h", "--help"], "max_content_width": 100}
# What making a command of a declaration that says nonsense may raise.
_NO_COMMAND = (TypeError, ValueError, AttributeError, LookupError)
_METAVARS = {"path": "PATH", "text": "TEXT", "integer": "N", "number": "NUMBER"}


def main(arguments: list[str] | None = None) -> None:
    """Run the command line and leave with its exit code.

    Python would wait for threads of interrupted work, however long that is. What they were to make
    is tidied up by then, and nothing they do is of use any more.
    """
    code = _main(arguments)
    if left_running(_STOPPING):
        for stream in filter(None, (sys.stdout, sys.stderr)):
            with suppress(OSError, ValueError):
                stream.flush()
        os._exit(code)
    sys.exit(code)


def _main(arguments: list[str] | None) -> int:
    gc.set_threshold(*COLLECT_AFTER)
    _occupy_streams()
    if hasattr(sys.stdout, "reconfigure"):  # what its encoding lacks is escaped, as on stderr
        sys.stdout.reconfigure(errors="backslashreplace")
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")  # its own keeps what is freed
    # GDAL would write the length of a packed file into another beside it, among what is only read
    os.environ.setdefault("CPL_VSIL_GZIP_WRITE_PROPERTIES", "NO")
    with warnings.catch_warnings(), _ended_in_order() as came:
        warnings.showwarning = _show_warning
        # told, whatever is asked of the interpreter
        for kind in (KeptAsideWarning, OlderPlanWarning, PluginWarning):
            warnings.simplefilter("always", kind)
        try:
            code = _invoked(arguments, came)
        except OSError as error:  # those of the tools are told by then: it is what was to be told
            code = _untold(error)
        return _BY_SIGNAL + came[0] if came else code


class _Ended(BaseException):
    """A signal came to end the program; no interruption, for which Python has a code of its own."""


@contextmanager
def _ended_in_order() -> Iterator[list[int]]:
    """Have signals that end the program do so as an interruption does; give those that came.

    Those that are ignored stay so, as under ``nohup``. A closing terminal sends several at once:
    one that follows soon is not to disturb the tidying up.
    """
    came: list[int] = []
    last = -_AT_ONCE

    def end(number: int, frame: object) -> None:
        nonlocal last
        before, last = last, time.monotonic()
        came.append(number)
        if last - before >= _AT_ONCE:
            raise _Ended

    numbers = [getattr(signal, name) for name in _ENDING if hasattr(signal, name)]
    if threading.current_thread() is not threading.main_thread():
        numbers = []  # signals are for the main thread alone
    ours = [number for number in numbers if signal.getsignal(number) == signal.SIG_DFL]
    for number in ours:
        signal.signal(number, end)
    try:
        yield came
    finally:
        for number in ours:
            signal.signal(number, signal.SIG_DFL)


def _occupy_streams() -> None:
    """Have no file of the work take the number of a stream that is closed, which libraries use."""
    if None in (sys.stdin, sys.stdout, sys.stderr):
        while (number := os.open(os.devnull, os.O_RDWR)) <= _STDERR:
            os.set_inheritable(number, True)  # by processes of workers too
        os.close(number)


def _invoked(arguments: list[str] | None, came: Sequence[int]) -> int:
    """Run the command and return its exit code; what the parser refuses is told here."""
    try:
        code = _app().main(  # which on Windows would read * and % of an argument, quoted or not
            arguments, prog_name="slipmain", standalone_mode=False, windows_expand_args=False
        )
    except click.exceptions.NoArgsIsHelpError as error:
        _say(error.format_message(), sys.stderr)
        return BAD_INPUT
    except click.UsageError as error:
        hint = _setting_hint(error)
        message = error.format_message()
        _complain(f"{message.rstrip('.')}; {hint}" if hint else message)
        if error.ctx is not None:
            _say(f"see: {error.ctx.command_path} --help", sys.stderr)
        return BAD_INPUT
    except (click.Abort, KeyboardInterrupt):
        _say("interrupted", sys.stderr)
        return INTERRUPTED
    except _Ended:
        _say(_ENDING[signal.Signals(came[0]).name], sys.stderr)
        return INTERRUPTED  # for which `_main` puts the code of the signal
    return code if isinstance(code, int) else DONE


def _untold(error: OSError) -> int:
    """Say that standard output could not be written, and why; return the exit code."""
    with suppress(OSError):
        _complain(f"standard output cannot be written: {error.strerror or error}")
    for name in ("stdout", "stderr"):
        try:
            getattr(sys, name).flush()
        except (AttributeError, OSError):  # what is left in it would fail again at the exit
            setattr(sys, name, None)
    return BAD_INPUT


def _setting_hint(error: click.UsageError) -> str:
    """Return how to give a setting of the brief that was written as an option of its own."""
    command = error.ctx.command if error.ctx is not None else None
    if not isinstance(error, click.NoSuchOption) or command is None:
        return ""
    if not any(parameter.name == "settings" for parameter in command.params):
        return ""
    from geotools.brief import declared

    tail = error.option_name.lstrip("-").replace("-", "_")
    meant = [s for key, s in declared().items() if tail in (key, key.partition(".")[2])]
    told = [f'--set {setting.key}="{setting.written}"' for setting in meant[:3]]
    return f"a setting of the brief is given as {' or '.join(told)}" if told else ""


def _show_warning(message: Warning | str, *args: Any, **kwargs: Any) -> None:
    for line in str(message).splitlines():
        _say(f"warning: {line}", sys.stderr)


def _app() -> click.Group:
    """Return the command with all its sub-commands; groups are made from dotted names."""
    app = _Group(
        "slipmain",
        help="Plan the pulling of fused pipe strings into old water mains.",
        epilog=_EPILOG,
        context_settings=_CONTEXT,
    )
    app.params.append(_version_option())
    own = builtin()
    for tool in registry().values():
        group, _, name = tool.name.rpartition(".")
        command = _command(tool, name) if tool.name in own else _foreign(tool, name)
        if command is None:
            continue
        home: click.Group = app
        if group:
            if group not in app.commands:
                app.add_command(_Group(group, help=GROUPS.get(group, f"Tools: {group}.")))
            home = app.commands[group]  # type: ignore[assignment]
        home.add_command(command)
    return app


def _foreign(tool: Tool, name: str) -> click.Command | None:
    """Return the command of a plug-in; where none can be made of it, a warning and None."""
    try:
        return _command(tool, name)
    except _NO_COMMAND as error:
        what = f"no command can be made of it: {type(error).__name__}: {error}"
        text = f"tool {tool.name} ({tool.function}) is left out: {what}"
        warnings.warn(text, PluginWarning, stacklevel=2)
        return None


class _Group(click.Group):
    """A group that lists its commands in the order of the work and suggests the nearest."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = str(args[0])
        if self.get_command(ctx, name) is None and not name.startswith("-"):
            import difflib

            close = difflib.get_close_matches(name, self.commands, n=1, cutoff=0.5)
            hint = f"did you mean {close[0]}?" if close else f"known: {', '.join(self.commands)}"
            ctx.fail(f"no such command: {name}; {hint}")
        return super().resolve_command(ctx, args)


def _version_option() -> click.Option:
    def show(ctx: click.Context, parameter: click.Parameter, value: bool) -> None:
        if value:
            import geotools

            click.echo(f"slipmain {geotools.__version__}")
            ctx.exit()

    return click.Option(
        ["--version"],
        is_flag=True,
        is_eager=True,
        expose_value=False,
        callback=show,
        help="Show the version.",
    )


def _command(tool: Tool, name: str) -> click.Command:
    return click.Command(
        name,
        params=list(_click_parameters(tool)),
        callback=_callback(tool),
        help=tool.summary,
        short_help=tool.title,
        epilog=f"Layers written: {', '.join(tool.outputs)}." if tool.outputs else None,
        context_settings=_CONTEXT,
        no_args_is_help=False,
    )


def _click_parameters(tool: Tool) -> Iterator[click.Parameter]:
    if tool.takes_brief:
        yield click.Argument(["brief"], required=False, metavar="[BRIEF]")
    for parameter in tool.parameters:
        if parameter.positional:
            yield _argument(parameter)
    for layer in tool.inputs:
        yield _layer_option(layer)
    if tool.takes_brief:
        yield click.Option(
            ["--set", "settings"],
            multiple=True,
            metavar="KEY=VALUE",
            callback=_pairs,
            help='A setting of the brief, such as pulls.max_length="400 m". May be repeated.',
        )
    for parameter in tool.parameters:
        if not parameter.positional:
            yield _option(parameter)
    yield click.Option(["--json", "as_json"], is_flag=True, help="Print the summary as JSON.")
    yield click.Option(
        ["--quiet"],
        is_flag=True,
        help="Print neither summary nor progress, only errors and warnings of the program; "
        "findings, warnings among them too, are in what is written.",
    )
    yield click.Option(["--debug"], is_flag=True, help="Show where in the program errors arise.")


def _argument(parameter: Parameter) -> click.Argument:
    return click.Argument(
        [parameter.name],
        required=parameter.required or parameter.command_requires,
        nargs=-1 if parameter.multiple else 1,
        type=_click_type(parameter),
        metavar=_place(parameter),
    )


def _place(parameter: Parameter) -> str:
    """Return what stands for a parameter given by place, as often as it must be given."""
    if not parameter.multiple:
        return parameter.name.upper()
    one = parameter.name.upper().removesuffix("S")
    return f"{' '.join([one] * parameter.least)}..." if parameter.required else f"[{one}]..."


def _layer_option(layer: str) -> click.Option:
    if layer == "dem":
        text = f"{DEM_TEXT} May be repeated."
        return click.Option(["--dem"], multiple=True, metavar="PATH", help=text)
    flag = f"--{layer.replace('_', '-')}"
    return click.Option([flag, layer], metavar="PATH[:LAYER]", help=INPUTS[layer].text)


def _option(parameter: Parameter) -> click.Option:
    flag = f"--{parameter.name.replace('_', '-')}"
    names = [flag, parameter.name, *([f"-{parameter.short}"] if parameter.short else [])]
    text = f"{parameter.text[0].upper()}{parameter.text[1:]}"
    if parameter.kind == "flag":
        switch = f"{flag}/--no-{flag[2:]}" if parameter.default else flag
        return click.Option(
            [switch, *names[1:]], is_flag=True, default=bool(parameter.default), help=f"{text}."
        )
    if parameter.default is not None:
        text += f"; default {parameter.default}"
    if parameter.multiple:
        text += "; may be repeated"
    return click.Option(
        names,
        required=parameter.required or parameter.command_requires,
        multiple=parameter.multiple,
        type=_click_type(parameter),
        metavar=_METAVARS.get(parameter.kind, "QUANTITY" if parameter.measure else None),
        help=f"{text}.",
    )


def _click_type(parameter: Parameter) -> Any:
    if parameter.choices:
        return click.Choice(parameter.choices)
    return {"integer": click.INT, "number": click.FLOAT}.get(parameter.kind, click.STRING)


def _pairs(
    ctx: click.Context, parameter: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    pairs: dict[str, str] = {}
    for value in values:
        key, sign, text = value.partition("=")
        if not sign or not key.strip():
            raise click.BadParameter(f"{value!r} is not of the form KEY=VALUE", ctx, parameter)
        pairs[key.strip()] = text.strip()
    return pairs


def _callback(tool: Tool) -> Callable[..., int]:
    def callback(*, as_json: bool, quiet: bool, debug: bool, **given: Any) -> int:
        outcome = _outcome(tool, given, as_json=as_json, quiet=quiet, debug=debug)
        if isinstance(outcome, int):
            return outcome
        try:
            if as_json:
                _print_json(outcome)
            elif not quiet and outcome.text:
                _say(outcome.text, sys.stdout)
        except OSError as error:
            raise OSError(error.errno, f"{error.strerror}{_written(given)}") from error
        return FAILED if outcome.failed else DONE

    return callback


def _written(given: Mapping[str, Any]) -> str:
    """Say which of the files asked for are written, for whoever is told of a failure after that."""
    names = [str(given[name]) for name in MADE if given.get(name)]
    return f"; written all the same: {', '.join(names)}" if names else ""


def _outcome(
    tool: Tool, given: dict[str, Any], *, as_json: bool, quiet: bool, debug: bool
) -> Outcome | int:
    """Run the tool; on an error print it and return the exit code."""
    brief, settings = given.pop("brief", None), given.pop("settings", None)
    layers = {name: given.pop(name) for name in tool.inputs}
    # what libraries print would spoil the JSON
    guard = redirect_stdout(sys.stderr) if as_json else nullcontext()
    try:
        with _progress(quiet) as progress, guard:
            return run(
                tool,
                brief=brief,
                layers=layers,
                settings=settings,
                parameters=given,
                progress=progress,
            )
    except Exception as error:  # noqa: BLE001 - the last stop: whatever it is, one line and a code
        told = mendable(error)
        if told is not None:
            return _refused(BAD_INPUT, told, debug)
        what = " ".join(f"{type(error).__name__}: {error}".split())
        hint = "report it" if debug else "run again with --debug and report it"
        return _refused(INTERNAL, f"internal error in {tool.command}: {what}; {hint}", debug)


def _refused(code: int, lines: str, debug: bool) -> int:
    """Print an error, inside its handler, and return the exit code."""
    if debug and sys.stderr is not None:  # without one it would go to standard output
        import traceback

        traceback.print_exc()
    _complain(lines)
    return code


def _complain(text: str) -> None:
    for line in text.splitlines():
        _say(f"error: {line}", sys.stderr)


def _say(text: str, stream: TextIO | None) -> None:
    """Print text that may hold words of input files: control characters are taken out.

    A program without a window has no streams; what has none is not said.
    """
    if stream is None:
        return
    clean = "".join(
        c if c.isprintable() or c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    click.echo(clean, file=stream)


def _print_json(outcome: Outcome) -> None:
    import codecs
    import json

    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    ascii_only = codecs.lookup(encoding).name != "utf-8"
    summary = _plain(outcome.summary)
    click.echo(json.dumps(summary, indent=2, ensure_ascii=ascii_only, allow_nan=False))


def _plain(value: Any) -> Any:
    """Return a value as JSON knows it: numbers that are none become null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float):
        return value if value - value == 0.0 else None
    return _plain(value.tolist()) if hasattr(value, "tolist") else str(value)


@contextmanager
def _progress(quiet: bool) -> Iterator[Progress | None]:
    """Show a bar for each stage on a terminal; elsewhere nothing."""
    if quiet or sys.stderr is None or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, TaskID, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def show(stage: str, done: float = 0.0, total: float = 1.0) -> None:
            if stage not in tasks:
                for task in tasks.values():  # what came before is over
                    bars.update(task, total=1.0, completed=1.0)
                tasks[stage] = bars.add_task(stage, total=None)
            if done:  # until then the bar only shows that work goes on
                bars.update(tasks[stage], completed=done, total=total)

        yield show
