"""Tools: what each declares about itself, and the registry of built-in and plug-in tools."""

from __future__ import annotations

import importlib
import os
import re
import warnings
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from keyword import iskeyword
from typing import TYPE_CHECKING, Any, Literal, Protocol

from geotools.errors import SlipmainError
from geotools.schema import DIMENSIONS, INPUTS, OUTPUTS
from geotools.units import PINT_UNITS

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

__all__ = [
    "ENTRY_POINTS",
    "GROUPS",
    "Key",
    "Kind",
    "Outcome",
    "Parameter",
    "PluginWarning",
    "Progress",
    "Tool",
    "ToolError",
    "builtin",
    "registry",
    "silent",
]

ENTRY_POINTS = "slipmain.tools"
# What the commands of a group have in common; a group of another package gets by without.
GROUPS = {
    "joints": "Schedule the fused joints and check the records of them.",
    "pipe": "Hand calculations for one pipe, set out step by step.",
}

Kind = Literal["path", "text", "flag", "integer", "number", "choice", "quantity"]
KINDS: tuple[Kind, ...] = ("path", "text", "flag", "integer", "number", "choice", "quantity")
# Words every command or Python function already uses for itself.
RESERVED = (
    *("as_json", "brief", "debug", "help", "json", "layers", "progress", "quiet", "set"),
    *("settings", "written"),
)
SHORT_TAKEN = ("h",)
# What a default is, by kind.
_DEFAULTS: dict[str, tuple[type, ...]] = {
    "path": (str, os.PathLike),
    "text": (str,),
    "flag": (bool,),
    "integer": (int,),
    "number": (int, float),
    "choice": (str,),
    "quantity": (str,),
}

_WORD = re.compile(r"[a-z][a-z0-9_]*\Z")
_NAME = re.compile(r"[a-z][a-z0-9_]*(\.[a-z][a-z0-9_]*)?\Z")
_FUNCTION = re.compile(r"[A-Za-z_][\w.]*:[A-Za-z_]\w*\Z")


class ToolError(SlipmainError):
    """A tool was called with parameters it cannot take; all faults are listed at once."""

    def __init__(self, name: str, faults: list[str]) -> None:
        self.name = name
        self.faults = tuple(faults)
        super().__init__("\n".join(f"{name}: {fault}" for fault in self.faults))


class PluginWarning(UserWarning):
    """A tool of another package could not be taken up; the others are not touched by it."""


class Progress(Protocol):
    """How a tool says how far it is: the stage, and the share of it done so far."""

    def __call__(self, stage: str, done: float = 0.0, total: float = 1.0) -> None:
        """Report that ``done`` of ``total`` of the stage is behind us."""


def silent(stage: str, done: float = 0.0, total: float = 1.0) -> None:
    """Report nothing; the progress of a call that asked for none."""


@dataclass(frozen=True)
class Parameter:
    """One parameter of a tool, over and above its layers and the brief.

    Attributes
    ----------
    name : str
        Lower case with underscores; the option is ``--name`` with hyphens.
    kind : str
        path, text, flag, integer, number, choice or quantity (text with a unit).
    text : str
        What it means, in a few words, without a full stop.
    default : optional
        As a user would write it. A parameter with a ``setting`` may not have one.
    required : bool
        Must be given, on the command line and in Python.
    command_requires : bool
        Must be given on the command line only: Python may keep the result in memory.
    positional : bool
        Given by place, without the option's name.
    multiple : bool
        May be given more than once; the function gets a tuple.
    least : int
        How often it must be given, where it is required and may be given more than once.
    choices : tuple of str
        For the kind ``choice``.
    short : str
        Letter of the short option, such as ``o``.
    measure : str
        For the kind ``quantity``: what it measures, a key of `geotools.units.PINT_UNITS`.
        The function gets it in SI units.
    setting : str
        Key of the brief this parameter overrides. It is laid over the brief and not handed
        to the function, so that the default stands in the brief and nowhere else.
    """

    name: str
    kind: Kind
    text: str
    default: object = None
    required: bool = False
    command_requires: bool = False
    positional: bool = False
    multiple: bool = False
    least: int = 1
    choices: tuple[str, ...] = ()
    short: str = ""
    measure: str = ""
    setting: str = ""

    def faults(self) -> Iterator[str]:
        """Yield what is wrong with the declaration itself."""
        yield from self._name_faults()
        if self.kind not in KINDS:
            yield f"parameter {self.name}: kind {self.kind!r} is none of {', '.join(KINDS)}"
            return
        if not self.text.strip():
            yield f"parameter {self.name}: has no text that says what it means"
        if (self.kind == "choice") != bool(self.choices):
            yield f"parameter {self.name}: choices go with the kind 'choice'"
        elif not isinstance(self.choices, tuple) or "" in self.choices:
            yield f"parameter {self.name}: choices are a tuple of words"
        if (self.kind == "quantity") != bool(self.measure):
            yield f"parameter {self.name}: measure goes with the kind 'quantity'"
        elif self.measure and self.measure not in PINT_UNITS:
            known = ", ".join(PINT_UNITS)
            yield f"parameter {self.name}: measure {self.measure!r} is none of {known}"
        if self.kind == "flag" and (self.required or self.positional or self.multiple):
            yield f"parameter {self.name}: a flag is given or not, once, by name"
        if self.least < 1 or (self.least > 1 and not (self.required and self.multiple)):
            yield f"parameter {self.name}: one that is given {self.least} times is given otherwise"
        if self.default is not None:
            yield from self._default_faults()

    def _name_faults(self) -> Iterator[str]:
        if not _WORD.match(self.name):
            yield f"parameter name {self.name!r} is not a lower-case word"
        if self.name in RESERVED:
            yield f"parameter name {self.name!r} is taken"
        if iskeyword(self.name):
            yield f"parameter name {self.name!r} is a word of Python's own"
        if self.short and not re.fullmatch("[A-Za-z]", self.short):
            yield f"parameter {self.name}: short {self.short!r} is not one letter"
        if self.short in SHORT_TAKEN:
            yield f"parameter {self.name}: short {self.short!r} is taken"

    def _default_faults(self) -> Iterator[str]:
        if self.required or self.setting:
            yield f"parameter {self.name}: has a default it could never use"
        several = self.multiple and isinstance(self.default, list | tuple)
        for value in self.default if several else (self.default,):  # type: ignore[attr-defined]
            number_due = self.kind in ("integer", "number")
            if not isinstance(value, _DEFAULTS[self.kind]) or (
                number_due and isinstance(value, bool)
            ):
                yield f"parameter {self.name}: default {value!r} is not of the kind {self.kind!r}"
            elif self.choices and value not in self.choices:
                yield f"parameter {self.name}: default {value!r} is none of the choices"

    def options(self) -> tuple[str, ...]:
        """Return the options it is given by, as one word each: of no two may they be the same."""
        if self.positional:
            return (self.name,)
        without = (f"no_{self.name}",) if self.kind == "flag" and self.default else ()
        return (self.name, *without, *((f"-{self.short}",) if self.short else ()))


@dataclass(frozen=True)
class Key:
    """One key of the summary of a tool, as ``--json`` prints it and `Outcome` holds it.

    Attributes
    ----------
    name : str
        Of a length without its unit: the key ends with it, ``_m`` or ``_ft``.
    kind : str
        text, flag, integer, number, list or table (keys and values).
    text : str
        What it means, in a few words, without a full stop.
    dimension : str
        Key of `geotools.schema.DIMENSIONS` of a number in the units of the output.
    open : bool
        May be null, or left out, where it is not so.
    """

    name: str
    kind: Literal["text", "flag", "integer", "number", "list", "table"]
    text: str
    dimension: str = ""
    open: bool = False

    def spellings(self) -> tuple[str, ...]:
        """Return the keys it is met by: one, or one for each system of units."""
        if not self.dimension:
            return (self.name,)
        dimension = DIMENSIONS[self.dimension]
        return tuple(f"{self.name}_{dimension.suffix(system)}" for system in ("si", "us"))


@dataclass(frozen=True)
class Tool:
    """The declaration of one tool: command, function and description are made from it.

    Attributes
    ----------
    name : str
        The command, such as ``plan``; ``joints.schedule`` is ``slipmain joints schedule``.
    title, summary : str
        A few words; then one or two sentences for the practitioner.
    function : str
        ``package.module:function``, imported when the tool runs and not before. It is called
        as ``function(brief, *, layers, progress, **parameters)`` if ``takes_brief``, otherwise
        as ``function(*, progress, **parameters)``, and returns an `Outcome`.
    inputs : tuple of str
        Layers of `geotools.schema.INPUTS`, and ``dem``.
    outputs : tuple of str
        Layers of `geotools.schema.OUTPUTS`.
    parameters : tuple of Parameter
    says : tuple of Key
        What its summary holds.
    takes_brief : bool
        The tool reads a brief, its layers and settings.
    takes_written : bool
        The function also gets ``written``: parameter to quantity as it was written, in the order
        of declaration, so that the answer can be in the user's own units.
    version : str
        Of a plug-in's tool; a built-in has the version of the package.
    python : str
        Name of the Python function, where the command's name will not do.
    """

    name: str
    title: str
    summary: str
    function: str
    inputs: tuple[str, ...] = ()
    outputs: tuple[str, ...] = ()
    parameters: tuple[Parameter, ...] = ()
    says: tuple[Key, ...] = ()
    takes_brief: bool = False
    takes_written: bool = False
    version: str = ""
    python: str = ""

    def __post_init__(self) -> None:
        faults = list(self._faults())
        if faults:
            raise ValueError(f"tool {self.name!r}: " + "; ".join(faults))

    def _faults(self) -> Iterator[str]:
        if not _NAME.match(self.name):
            yield "the name is not one or two lower-case words with a dot between"
        if not _FUNCTION.match(self.function):
            yield f"function {self.function!r} is not of the form package.module:function"
        if self.python and not _WORD.match(self.python):
            yield f"{self.python!r} is not a lower-case name for a Python function"
        if iskeyword(self.python_name):
            yield f"{self.python_name!r} is a word of Python's own; give another name as python"
        if not (self.title.strip() and self.summary.strip()):
            yield "title and summary must say something"
        for name in self.inputs:
            if name != "dem" and name not in INPUTS:
                yield f"no such input layer {name!r}"
        if self.inputs and not self.takes_brief:
            yield "layers are read by way of a brief: set takes_brief"
        for name in self.outputs:
            if name not in OUTPUTS:
                yield f"no such output layer {name!r}"
        yield from self._parameter_faults()
        said = [name for key in self.says for name in key.spellings()]
        for name in sorted({name for name in said if said.count(name) > 1}):
            yield f"key {name!r} of the summary is declared twice"

    def _parameter_faults(self) -> Iterator[str]:
        for parameter in self.parameters:
            yield from parameter.faults()
            if parameter.setting and not self.takes_brief:
                yield f"parameter {parameter.name}: a setting is laid over a brief: set takes_brief"
        names = [*self.inputs, *(option for p in self.parameters for option in p.options())]
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{name!r} is declared twice"
        placed = [p for p in self.parameters if p.positional]
        if sum(p.multiple for p in placed) > 1:
            yield "more than one parameter given by place may be given more than once"
        must = [False] if self.takes_brief else []  # the brief, by place and before the others
        must += [p.required or p.command_requires for p in placed]
        if any(later and not before for before, later in pairwise(must)):
            yield "a parameter by place that must be given comes after one that need not be"

    @property
    def python_name(self) -> str:
        """Name of the Python function, ``geotools.<python_name>``."""
        return self.python or self.name.replace(".", "_")

    @property
    def command(self) -> str:
        """The command as typed, without the ``slipmain`` before it."""
        return self.name.replace(".", " ")

    def load(self) -> Callable[..., Outcome]:
        """Import and return the function behind the tool.

        Raises
        ------
        ImportError
            If the module or the function in it does not exist.
        """
        module_name, _, function_name = self.function.partition(":")
        module = importlib.import_module(module_name)
        if not hasattr(module, function_name):
            raise ImportError(f"tool {self.name}: {module_name} has no function {function_name}")
        function: Callable[..., Outcome] = getattr(module, function_name)
        return function


@dataclass(frozen=True)
class Outcome:
    """What a tool hands back.

    Attributes
    ----------
    summary : mapping of str to JSON-able values
        The result in short, for ``--json``.
    text : str
        The same for a reader.
    failed : bool
        The tool did its work, but something failed its check (exit code 1).
    layers : mapping of str to GeoDataFrame or DataFrame
        Layers of the tool's outputs, by name.
    """

    summary: Mapping[str, Any]
    text: str
    failed: bool = False
    layers: Mapping[str, Any] = field(default_factory=dict)


def builtin() -> dict[str, Tool]:
    """Return the tools of this package by name, in the order of the work."""
    package = importlib.import_module("geotools.tools")
    found: dict[str, Tool] = {}
    for module_name in package.MODULES:
        module = importlib.import_module(f"geotools.tools.{module_name}")
        tools = module.TOOLS if hasattr(module, "TOOLS") else (module.TOOL,)
        found.update((tool.name, tool) for tool in tools)
    return found


def registry() -> dict[str, Tool]:
    """Return every tool by name: the built-in ones, then those of other packages.

    Another package adds a tool by an entry point of the group ``slipmain.tools`` that names a
    `Tool` object. One that cannot be taken up gives a `PluginWarning` that names it, once, and
    stops nothing else; a name already taken stays with the tool that had it first.
    """
    return dict(_collect())


@cache
def _collect() -> dict[str, Tool]:
    """Look the tools up, once: packages do not come and go while the program runs."""
    from importlib.metadata import entry_points

    tools = builtin()
    faults: list[str] = []
    for entry in sorted(entry_points(group=ENTRY_POINTS), key=lambda e: (e.name, e.value)):
        found = _plugin(entry, faults)
        if found is None:
            continue
        taken = _taken(found, tools)
        if taken:
            faults.append(f"plug-in tool {entry.name} ({entry.value}) is left out: {taken}")
        else:
            tools[found.name] = found
    for fault in faults:
        warnings.warn(fault, PluginWarning, stacklevel=3)
    return tools


def _plugin(entry: EntryPoint, faults: list[str]) -> Tool | None:
    where = f"plug-in tool {entry.name} ({entry.value})"
    try:
        found = entry.load()
    except (Exception, SystemExit) as error:  # noqa: BLE001 - a foreign module may raise anything
        faults.append(f"{where} cannot be loaded: {type(error).__name__}: {error}")
        return None
    if not isinstance(found, Tool):
        faults.append(f"{where} is left out: it is a {type(found).__name__}, not a Tool")
        return None
    wrong = _unknown_settings(found)
    if wrong:
        faults.append(f"{where} is left out: tool {found.name!r}: {wrong}")
        return None
    return found


def _unknown_settings(tool: Tool) -> str:
    """Say which parameters are laid over settings the brief has not; empty if there are none."""
    wanted = {p.name: p.setting for p in tool.parameters if p.setting}
    if not wanted:
        return ""
    from geotools.brief import declared  # takes a while, and built-in tools are not asked

    known = declared()
    wrong = [f"parameter {n}: no such setting {key!r}" for n, key in wanted.items()
             if key not in known]  # fmt: skip
    return "; ".join(wrong)


def _taken(tool: Tool, tools: Mapping[str, Tool]) -> str:
    """Say what stands in the way of the tool's name; empty if nothing does."""
    group, _, _ = tool.name.partition(".")
    for other in tools.values():
        if tool.name == other.name:
            return f"there is a tool {other.name} already"
        if tool.python_name == other.python_name:
            return f"the tool {other.name} has the Python name {tool.python_name} already"
        if group == other.name or other.name.partition(".")[0] == tool.name:
            return f"{group} cannot be both a command and a group of commands"
    return ""
