"""Declarations: what they may say, and that those of this package hold together."""

from __future__ import annotations

import inspect
import pkgutil
import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import geotools
import geotools.tools
from geotools.brief import settings
from geotools.schema import INPUTS
from geotools.tool import Parameter, Tool, builtin, registry
from geotools.tools.sample import FILES

ROOT = Path(geotools.__file__).parents[1]
BUILTIN = builtin()


@pytest.mark.parametrize(
    ("rest", "said"),
    [
        ({"name": "Plan It"}, "not one or two lower-case words"),
        ({"name": "a.b.c"}, "not one or two lower-case words"),
        ({"inputs": ("pipes",), "takes_brief": True}, "no such input layer 'pipes'"),
        ({"inputs": ("mains",)}, "set takes_brief"),
        ({"outputs": ("pipes",)}, "no such output layer 'pipes'"),
        ({"python": "Plan"}, "not a lower-case name"),
        ({"python": "class"}, "'class' is a word of Python's own"),
        ({"title": ""}, "title and summary must say something"),
        ({"summary": " "}, "title and summary must say something"),
    ],
)
def test_declaration_that_cannot_hold_is_refused(
    declare: Callable[..., Tool], rest: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        declare(**rest)


@pytest.mark.parametrize(
    ("parameter", "said"),
    [
        (Parameter("Out Put", "path", "x"), "not a lower-case word"),
        (Parameter("json", "flag", "x"), "'json' is taken"),
        (Parameter("speed", "fast", "x"), "kind 'fast' is none of"),  # type: ignore[arg-type]
        (Parameter("colour", "choice", "x"), "choices go with"),
        (Parameter("colour", "text", "x", choices=("red",)), "choices go with"),
        (Parameter("depth", "quantity", "x"), "measure goes with"),
        (Parameter("force", "flag", "x", required=True), "a flag is given or not"),
        (Parameter("depth", "number", "x", default=1.0, required=True), "could never use"),
        (
            Parameter("units", "text", "x", default="si", setting="output.units"),
            "could never use",
        ),
        (Parameter("depth", "number", ""), "has no text that says what it means"),
        (Parameter("depth", "quantity", "x", measure="lenght"), "measure 'lenght' is none of"),
        (Parameter("n", "integer", "x", default="x"), "default 'x' is not of the kind 'integer'"),
        (Parameter("n", "integer", "x", default=True), "default True is not of the kind"),
        (Parameter("word", "text", "x", default=3), "default 3 is not of the kind 'text'"),
        (Parameter("on", "flag", "x", default="yes"), "default 'yes' is not of the kind 'flag'"),
        (
            Parameter("colour", "choice", "x", choices=("red",), default="blue"),
            "default 'blue' is none of the choices",
        ),
        (
            Parameter("n", "integer", "x", multiple=True, default=(1, "b")),
            "default 'b' is not of the kind 'integer'",
        ),
        (Parameter("colour", "choice", "x", choices=("red", "")), "choices are a tuple of words"),
        (
            Parameter("colour", "choice", "x", choices="red"),  # type: ignore[arg-type]
            "choices are a tuple of words",
        ),
        (Parameter("colour", "text", "x", setting="output.units"), "set takes_brief"),
        (Parameter("as_json", "text", "x"), "'as_json' is taken"),
        (Parameter("quiet", "flag", "x"), "'quiet' is taken"),
        (Parameter("class", "text", "x"), "'class' is a word of Python's own"),
        (Parameter("word", "text", "x", short="h"), "short 'h' is taken"),
        (Parameter("word", "text", "x", short="zz"), "short 'zz' is not one letter"),
        (Parameter("word", "text", "x", short="-"), "short '-' is not one letter"),
    ],
)
def test_parameter_that_cannot_hold_is_refused(
    declare: Callable[..., Tool], parameter: Parameter, said: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        declare(parameter)


def test_name_declared_twice_is_refused(declare: Callable[..., Tool]) -> None:
    with pytest.raises(ValueError, match="'mains' is declared twice"):
        declare(Parameter("mains", "path", "x"), inputs=("mains",), takes_brief=True)


@pytest.mark.parametrize(
    ("parameters", "said"),
    [
        ([{"name": "a", "short": "x"}, {"name": "b", "short": "x"}], "'-x' is declared twice"),
        (
            [{"name": "a", "kind": "flag", "default": True}, {"name": "no_a"}],
            "'no_a' is declared twice",
        ),
        (
            [{"name": n, "positional": True, "multiple": True} for n in ("a", "b")],
            "more than one parameter given by place may be given more than once",
        ),
        (
            [{"name": n, "positional": True, "required": n == "b"} for n in ("a", "b")],
            "that must be given comes after one that need not be",
        ),
    ],
)
def test_parameters_that_do_not_go_together_are_refused(
    declare: Callable[..., Tool], parameters: list[dict[str, Any]], said: str
) -> None:
    with pytest.raises(ValueError, match=re.escape(said)):
        declare(*(Parameter(**{"kind": "text", "text": "x", **given}) for given in parameters))


def test_what_must_be_given_by_place_cannot_come_after_the_brief(
    declare: Callable[..., Tool],
) -> None:
    with pytest.raises(ValueError, match="comes after one that need not be"):
        declare(Parameter("a", "text", "x", positional=True, required=True), takes_brief=True)


def test_function_must_be_named_by_module_and_name() -> None:
    with pytest.raises(ValueError, match=r"package\.module:function"):
        Tool("try_out", "Try", "Tries.", "no function")


def test_tool_whose_function_is_missing_says_which(
    declare: Callable[..., Tool], calls: Any
) -> None:
    with pytest.raises(ImportError, match="throw_away_tools has no function nothing"):
        declare(function="nothing").load()


def test_every_module_of_the_tools_is_listed() -> None:
    modules = {m.name for m in pkgutil.iter_modules(geotools.tools.__path__)}
    assert {name for name in modules if not name.startswith("_")} == set(geotools.tools.MODULES)


@pytest.mark.parametrize("tool", BUILTIN.values(), ids=BUILTIN)
def test_function_of_a_tool_takes_what_the_tool_declares(tool: Tool) -> None:
    taken = inspect.signature(tool.load()).parameters.values()
    wanted = {p.name for p in tool.parameters if not p.setting} | {"progress"}
    wanted |= {"brief", "layers"} if tool.takes_brief else set()
    wanted |= {"written"} if tool.takes_written else set()
    names = {part.name for part in taken if part.kind is not part.VAR_KEYWORD}
    if len(names) == len(taken):
        assert names == wanted
    else:  # takes all there is: what becomes of it is the business of the tool's own tests
        assert names <= wanted


@pytest.mark.parametrize("tool", BUILTIN.values(), ids=BUILTIN)
def test_parameter_laid_over_the_brief_offers_what_the_brief_offers(tool: Tool) -> None:
    known = {setting.key: setting for setting in settings()}
    for parameter in tool.parameters:
        if parameter.setting:
            assert parameter.choices == known[parameter.setting].choices


@pytest.mark.parametrize("tool", BUILTIN.values(), ids=BUILTIN)
def test_python_function_has_the_declared_parameters_and_no_module_is_in_its_way(
    tool: Tool,
) -> None:
    function = getattr(geotools, tool.python_name)
    names = list(inspect.signature(function).parameters)
    assert {*tool.inputs, *(p.name for p in tool.parameters), "progress"} <= set(names)
    assert ("brief" in names) == ("settings" in names) == tool.takes_brief
    assert tool.python_name not in {m.name for m in pkgutil.iter_modules(geotools.__path__)}
    for name in names:
        assert f"\n{name} : " in str(function.__doc__)
    assert all(
        INPUTS[n].text.rstrip(".") in str(function.__doc__) for n in tool.inputs if n in INPUTS
    )


def test_public_names_are_sorted_and_all_there() -> None:
    assert geotools.__all__ == sorted(geotools.__all__)
    assert {tool.python_name for tool in BUILTIN.values()} <= set(geotools.__all__)
    everything: dict[str, Any] = {}
    exec("from geotools import *", everything)  # noqa: S102
    assert set(geotools.__all__) <= set(everything)
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = geotools.nonsense


def test_registry_has_the_tools_of_this_package_first() -> None:
    assert list(registry())[: len(BUILTIN)] == list(BUILTIN)


def test_wheel_ships_the_files_of_the_sample() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    forced = project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert forced == {f"sample_gis/{name}": f"geotools/_sample/{name}" for name in FILES}
    assert all((ROOT / source).is_file() for source in forced)
