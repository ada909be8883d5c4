"""Calls of tools: arguments checked and converted, the brief put together, the function run."""

from __future__ import annotations

import inspect
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geotools.errors import no_utf8
from geotools.lists import words_apart
from geotools.schema import INPUTS
from geotools.tool import Outcome, Parameter, Progress, Tool, ToolError, builtin, silent

if TYPE_CHECKING:
    from geotools.brief import Brief

__all__ = ["DEM_TEXT", "MADE", "python_function", "run"]

DEM_TEXT = "Ground levels: a raster file, or several, the best first where they overlap."
_PARAMETER = inspect.Parameter


def run(
    tool: Tool,
    *,
    brief: Brief | str | os.PathLike[str] | None = None,
    layers: Mapping[str, Any] | None = None,
    settings: Mapping[str, object] | None = None,
    parameters: Mapping[str, object] | None = None,
    progress: Progress | None = None,
) -> Outcome:
    """Run a tool; the command line and the Python functions both come through here.

    Parameters
    ----------
    tool : Tool
    brief : Brief or path, optional
        Only for a tool that takes one; the defaults otherwise.
    layers : mapping of str to path or GeoDataFrame, optional
        Laid over the inputs of the brief. ``None`` stands for "not given".
    settings : mapping of str to object, optional
        Dotted key of the brief to value, laid over the brief.
    parameters : mapping of str to object, optional
        As declared by the tool. ``None`` stands for "not given".
    progress : Progress, optional

    Raises
    ------
    ToolError
        With every fault of the parameters and layers.
    BriefError
        With every fault of the brief and the settings.
    """
    faults: list[str] = []
    arguments, overrides = _arguments(tool, parameters or {}, faults)
    frames, sources = _layers(tool, layers or {}, faults)
    if not tool.takes_brief and (brief is not None or settings):
        faults.append("takes no brief and no settings")
    faults += _no_brief(tool, brief) if tool.takes_brief else ()
    faults += _not_utf8({"brief": brief} | sources, files=True)
    faults += _not_utf8({**(settings or {}), **overrides, **arguments})
    if faults:
        raise ToolError(tool.command, faults)
    arguments["progress"] = progress if progress is not None else silent
    if tool.takes_written:
        arguments["written"] = dict(_written(tool, parameters or {}))
    if not tool.takes_brief:
        _spare_inputs(arguments, [])
        return _called(tool, **arguments)
    from geotools.brief import sources_of

    used = _brief(brief, sources, {**(settings or {}), **overrides})
    named = [str(brief)] if isinstance(brief, str | os.PathLike) else []
    named += sources_of(used)
    _spare_inputs(arguments, named)
    return _called(tool, used, layers=frames or None, **arguments)


OUTPUTS = ("output", "csv", "report")  # parameters that name a file to write
MADE = (*OUTPUTS, "directory")  # these and a folder
RENAME = "rename the file or folder, or copy it to another"


def _not_utf8(given: Mapping[str, Any], *, files: bool = False) -> Iterator[str]:
    """Yield which files read and which texts are no UTF-8: they can be neither read nor written."""
    for name, value in given.items():
        for item in value if isinstance(value, list | tuple) else (value,):
            if name in MADE or not isinstance(item, str | os.PathLike):
                continue
            named = files or isinstance(item, os.PathLike)
            told = no_utf8(str(item), RENAME if named else "write it in UTF-8")
            if told:
                yield f"{name}: {told}"


def _spare_inputs(arguments: Mapping[str, Any], sources: Iterable[str]) -> None:
    """Refuse to write over what is read, whatever else is allowed.

    Raises
    ------
    OutputError
        If outputs are among the inputs; nothing was touched.
    """
    given = [arguments.get(name) for name in OUTPUTS]
    targets = [path for path in given if isinstance(path, Path)]
    if not targets:
        return
    from geotools.deliver.files import spare
    from geotools.intake.named import named_files

    read = [p for k, v in arguments.items() if k not in OUTPUTS for p in _listed(v)]
    paths = [path for path in read if isinstance(path, Path)]
    spare(targets, [*paths, *named_files(sources)])


def _called(tool: Tool, *given: Any, **arguments: Any) -> Outcome:
    """Call the function of a tool; one of another package may not end the program."""
    try:
        outcome: object = tool.load()(*given, **arguments)
    except SystemExit as error:
        if tool.name in builtin():  # which end a process begun by mistake
            raise
        raise RuntimeError(
            f"tool {tool.name} ended the program (SystemExit: {error.code}) instead of returning"
        ) from error
    if not isinstance(outcome, Outcome):
        raise TypeError(f"tool {tool.name} returned {type(outcome).__name__}, not an Outcome")
    return outcome


def _no_brief(tool: Tool, given: object) -> Iterator[str]:
    """Yield what is wrong with what was given for the brief: a layer perhaps, or settings."""
    if given is None or isinstance(given, str | os.PathLike):
        return
    from geotools.brief import Brief

    if not isinstance(given, Brief):
        layer = f"a layer is given by its name, such as {tool.inputs[0]}=, " if tool.inputs else ""
        yield (
            f"brief: a Brief or the path of one is due, not {type(given).__name__}; {layer}"
            "settings as settings="
        )


def _brief(
    brief: Brief | str | os.PathLike[str] | None,
    sources: Mapping[str, str | list[str]],
    overrides: Mapping[str, object],
) -> Brief:
    from geotools.brief import Brief, lay_over, read_brief

    if isinstance(brief, Brief):
        return lay_over(brief, inputs=sources, overrides=overrides)
    path = None if brief is None else Path(brief)
    return read_brief(path, inputs=sources, overrides=overrides)


def _layers(
    tool: Tool, given: Mapping[str, Any], faults: list[str]
) -> tuple[dict[str, Any], dict[str, str | list[str]]]:
    """Split layers into those in memory and those to be read."""
    frames: dict[str, Any] = {}
    sources: dict[str, str | list[str]] = {}
    for name, value in given.items():
        if name not in tool.inputs:
            faults.append(f"has no layer {name}")
        elif isinstance(value, str | os.PathLike):
            sources[name] = os.fspath(value)
        elif name == "dem" and isinstance(value, list | tuple):
            if value:
                sources[name] = [os.fspath(item) for item in value]
        elif name != "dem" and hasattr(value, "geometry") and hasattr(value, "columns"):
            frames[name] = value
        elif value is not None:
            faults.append(f"{name}: {_no_layer(name, value)}")
    return frames, sources


def _no_layer(name: str, given: object) -> str:
    """Say why what was given for a layer is none."""
    kind = type(given).__name__
    if name != "dem" and hasattr(given, "to_crs") and hasattr(given, "columns"):
        return f"the {kind} has no active geometry column; name one with set_geometry"
    wanted = "a path or a list of paths" if name == "dem" else "a path or a GeoDataFrame"
    return f"{wanted} is due, not {kind}"


def _arguments(
    tool: Tool, given: Mapping[str, object], faults: list[str]
) -> tuple[dict[str, Any], dict[str, object]]:
    """Return the arguments for the tool's function, and the settings laid over the brief."""
    declared = {parameter.name: parameter for parameter in tool.parameters}
    faults += [f"has no parameter {name}" for name in given if name not in declared]
    arguments: dict[str, Any] = {}
    overrides: dict[str, object] = {}
    for name, parameter in declared.items():
        value = given.get(name)
        if value is None or (parameter.multiple and not _listed(value)):
            value = parameter.default
        if value is None and parameter.required:
            faults.append(f"{name} must be given")
        try:
            converted = None if value is None else _convert(parameter, value)
        except (ValueError, TypeError, OverflowError) as error:  # the last of infinity
            faults.append(f"{name}: {error}")
            continue
        if not parameter.setting:
            arguments[name] = () if converted is None and parameter.multiple else converted
            if parameter.kind == "flag":
                arguments[name] = bool(converted)
        elif converted is not None:
            overrides[parameter.setting] = converted
    return arguments, overrides


def _written(tool: Tool, given: Mapping[str, object]) -> Iterator[tuple[str, str]]:
    """Yield the quantities given as they were written; of several the first."""
    for parameter in tool.parameters:
        value = given.get(parameter.name)
        if parameter.kind == "quantity" and value is not None:
            yield from ((parameter.name, str(item)) for item in _listed(value)[:1])


def _listed(value: object) -> tuple[Any, ...]:
    alone = isinstance(value, str | os.PathLike) or not isinstance(value, Iterable)
    return (value,) if alone else tuple(value)  # type: ignore[arg-type]


def _convert(parameter: Parameter, value: object) -> Any:
    if parameter.multiple:
        values = _listed(value)
        if parameter.kind == "text":
            words_apart(values)  # refuses a text that names nothing
        return tuple(_convert_one(parameter, item) for item in values)
    return _convert_one(parameter, value)


def _convert_one(parameter: Parameter, value: Any) -> Any:
    """Return a value as the tool's function gets it.

    Raises
    ------
    ValueError, TypeError
        If it is not of the declared kind.
    """
    if parameter.setting and parameter.kind == "quantity":
        return value  # the brief parses its own quantities
    if parameter.kind == "choice" and value not in parameter.choices:
        raise ValueError(f"{value!r} is none of {', '.join(parameter.choices)}")
    if parameter.kind == "quantity":
        from geotools.units import parse_quantity

        return parse_quantity(value, parameter.measure)
    return _CONVERTERS[parameter.kind](value)


def _path(value: Any) -> Path:
    if not isinstance(value, str | os.PathLike) or not os.fspath(value):
        raise TypeError(f"{value!r} is not a path")
    return Path(value)


def _word(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError(f"{value!r} is not text")
    return value


def _truth(value: Any) -> bool:
    if not isinstance(value, bool):
        raise TypeError(f"{value!r} is neither true nor false")
    return value


def _integer(value: Any) -> int:
    if isinstance(value, bool) or int(value) != value:
        raise ValueError(f"{value!r} is not a whole number")
    return int(value)


def _number(value: Any) -> float:
    if isinstance(value, bool | str) or not math.isfinite(value):
        raise ValueError(f"{value!r} is not a finite number")
    return float(value)


_CONVERTERS: dict[str, Callable[[Any], Any]] = {
    "path": _path,
    "text": _word,
    "choice": _word,
    "flag": _truth,
    "integer": _integer,
    "number": _number,
}


def python_function(tool: Tool) -> Callable[..., Outcome]:
    """Return the Python function of a tool, with its signature and docstring."""
    signature = _signature(tool)

    def function(*args: Any, **kwargs: Any) -> Outcome:
        try:
            given = dict(signature.bind(*args, **kwargs).arguments)
        except TypeError as error:
            raise TypeError(f"{tool.python_name}(): {error}") from error
        return run(
            tool,
            brief=given.pop("brief", None),
            settings=given.pop("settings", None),
            progress=given.pop("progress", None),
            layers={name: given.pop(name) for name in tool.inputs if name in given},
            parameters=given,
        )

    function.__name__ = function.__qualname__ = tool.python_name
    function.__module__ = "geotools"
    function.__doc__ = _docstring(tool)
    function.__signature__ = signature  # type: ignore[attr-defined]
    return function


def _signature(tool: Tool) -> inspect.Signature:
    parts: list[inspect.Parameter] = []
    if tool.takes_brief:
        kind = "str | os.PathLike | Brief | None"
        parts.append(
            _PARAMETER("brief", _PARAMETER.POSITIONAL_OR_KEYWORD, default=None, annotation=kind)
        )
    parts += [_declared(p) for p in tool.parameters if p.positional]
    parts += [
        _optional(name, "str | os.PathLike | list | None" if name == "dem" else _FRAME)
        for name in tool.inputs
    ]
    if tool.takes_brief:
        parts.append(_optional("settings", "Mapping[str, object] | None"))
    # keyword-only ones may stand in any order: those that must be given first
    named = [_declared(p) for p in tool.parameters if not p.positional]
    parts += sorted(named, key=lambda part: part.default is not _PARAMETER.empty)
    parts.append(_optional("progress", "Progress | None"))
    return inspect.Signature(parts, return_annotation="Outcome")


_FRAME = "str | os.PathLike | GeoDataFrame | None"
_ANNOTATIONS = {
    "path": "str | os.PathLike",
    "text": "str",
    "choice": "str",  # replaced by the choices
    "quantity": "str",
    "flag": "bool",
    "integer": "int",
    "number": "float",
}


def _optional(name: str, annotation: str) -> inspect.Parameter:
    return _PARAMETER(name, _PARAMETER.KEYWORD_ONLY, default=None, annotation=annotation)


def _declared(parameter: Parameter) -> inspect.Parameter:
    annotation = _ANNOTATIONS[parameter.kind]
    if parameter.choices:
        annotation = f"Literal[{', '.join(map(repr, parameter.choices))}]"
    if parameter.multiple:
        annotation = f"list[{annotation}]"
    default: object = parameter.default
    if parameter.required:
        default = _PARAMETER.empty
    elif parameter.kind == "flag" and not parameter.setting:
        default = bool(parameter.default)
    elif default is None:
        annotation += " | None"
    kind = _PARAMETER.POSITIONAL_OR_KEYWORD if parameter.positional else _PARAMETER.KEYWORD_ONLY
    return _PARAMETER(parameter.name, kind, default=default, annotation=annotation)


def _docstring(tool: Tool) -> str:
    """Write the docstring of the Python function, numpydoc style."""
    texts = {parameter.name: parameter.text for parameter in tool.parameters}
    texts |= {name: INPUTS[name].text for name in tool.inputs if name != "dem"}
    texts |= {
        "brief": "The brief, loaded or as a TOML file; without one, the defaults.",
        "dem": DEM_TEXT,
        "settings": 'Settings laid over the brief, such as ``{"pulls.max_length": "400 m"}``.',
        "progress": "Called as ``progress(stage, done, total)``.",
    }
    lines = [f"{tool.title}.", "", tool.summary, "", "Parameters", "----------"]
    for name, part in _signature(tool).parameters.items():
        optional = "" if part.default is _PARAMETER.empty else ", optional"
        text = texts[name].rstrip(".")
        lines += [
            f"{name} : {str(part.annotation).replace(' | None', '')}{optional}",
            f"    {text[0].upper()}{text[1:]}.",
        ]
    lines += ["", "Returns", "-------", "Outcome"]
    if tool.says:
        lines.append("    Its ``summary`` holds:")
        lines += [f"    ``{' | '.join(k.spellings())}`` ({k.kind}): {k.text}" for k in tool.says]
    if tool.outputs:
        lines.append(f"    With the layers {', '.join(tool.outputs)}.")
    lines += ["", "Raises", "------", "SlipmainError", "    If what was given cannot be used."]
    return "\n".join(lines) + "\n"
