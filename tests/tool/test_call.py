"""Calls: what a tool's function gets from what the user gives."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pytest

from geotools.brief import load_brief
from geotools.call import python_function, run
from geotools.errors import BriefError, mendable
from geotools.tool import Parameter, Tool, ToolError, builtin

Declare = Callable[..., Tool]
Calls = list[dict[str, Any]]

EVERY_KIND = (
    Parameter("source", "path", "a path", required=True, positional=True),
    Parameter("word", "text", "a word"),
    Parameter("fast", "flag", "a flag"),
    Parameter("count", "integer", "a number of things", default=3),
    Parameter("share", "number", "a share", default=0.5),
    Parameter("colour", "choice", "a colour", choices=("red", "blue"), default="red"),
    Parameter("depth", "quantity", "a depth", measure="length", default="12 ft"),
    Parameter("extra", "path", "more paths", multiple=True),
)


def test_function_gets_defaults_converted_like_any_other_value(
    declare: Declare, calls: Calls
) -> None:
    run(declare(*EVERY_KIND), parameters={"source": "a.gpkg"})
    assert calls[0].pop("depth") == pytest.approx(3.6576)
    assert calls == [
        {
            "source": Path("a.gpkg"),
            "word": None,
            "fast": False,
            "count": 3,
            "share": 0.5,
            "colour": "red",
            "extra": (),
        }
    ]


def test_function_gets_each_kind_as_declared(declare: Declare, calls: Calls) -> None:
    call = python_function(declare(*EVERY_KIND))
    call(
        Path("b.gpkg"),
        word="x",
        fast=True,
        count=7.0,
        share=1,
        colour="blue",
        depth="24 in",
        extra=["c", Path("d")],
    )
    assert calls[0].pop("depth") == pytest.approx(0.6096)
    assert calls == [
        {
            "source": Path("b.gpkg"),
            "word": "x",
            "fast": True,
            "count": 7,
            "share": 1.0,
            "colour": "blue",
            "extra": (Path("c"), Path("d")),
        }
    ]


def test_all_faults_of_a_call_are_told_at_once(declare: Declare, calls: Calls) -> None:
    wrong = {
        "word": 3,
        "fast": "yes",
        "count": 2.5,
        "share": float("nan"),
        "colour": "green",
        "depth": "12",
        "extra": 4,
        "unheard": 1,
    }
    with pytest.raises(ToolError) as caught:
        run(declare(*EVERY_KIND), parameters=wrong)
    text = str(caught.value)
    for name in ("source", "unheard", *wrong):
        assert name in text
    assert len(caught.value.faults) == 9
    assert calls == []


NAMES = [
    (tool, parameter.name)
    for tool in builtin().values()
    for parameter in tool.parameters
    if parameter.multiple and parameter.kind == "text"
]


@pytest.mark.parametrize(("tool", "name"), NAMES, ids=[f"{t.name} {n}" for t, n in NAMES])
@pytest.mark.parametrize("given", ["", " , ", ["R0001", ""]])
def test_a_name_that_is_empty_is_not_taken_for_all(tool: Tool, name: str, given: object) -> None:
    """As of a variable of the shell that is not set."""
    with pytest.raises(ToolError) as caught:
        run(tool, parameters={name: given})
    assert [f.partition(";")[0] for f in caught.value.faults if f.startswith(f"{name}:")] == [
        f"{name}: {' , ' if given == ' , ' else ''!r} names nothing"
    ]


def test_names_left_out_or_none_of_them_are_all(declare: Declare, calls: Calls) -> None:
    tool = declare(Parameter("only", "text", "names", multiple=True))
    for given in ({}, {"only": None}, {"only": []}):
        run(tool, parameters=given)
    assert [call["only"] for call in calls] == [(), (), ()]


def test_a_number_beyond_all_bounds_is_a_fault_told_in_words(
    declare: Declare, calls: Calls
) -> None:
    for name, value in (("count", math.inf), ("count", math.nan), ("share", 10**400)):
        with pytest.raises(ToolError, match=f"try_out: {name}: "):
            run(declare(*EVERY_KIND), parameters={"source": "a", name: value})
    assert calls == []


def test_python_function_refuses_names_it_does_not_know(declare: Declare, calls: Calls) -> None:
    call = python_function(declare(*EVERY_KIND))
    with pytest.raises(TypeError, match="unheard"):
        call("a", unheard=1)
    with pytest.raises(TypeError, match="source"):
        call()


def test_python_function_is_named_where_its_arguments_do_not_fit(
    declare: Declare, calls: Calls
) -> None:
    tool = declare(*EVERY_KIND)
    for given, words in (({}, "'source'"), ({"source": "a", "sauce": 1}, "'sauce'")):
        with pytest.raises(TypeError, match=rf"^{tool.python_name}\(\): .*{words}"):
            python_function(tool)(**given)
    assert calls == []


def test_tool_with_a_brief_gets_it_with_layers_and_settings_laid_over(
    declare: Declare, calls: Calls, tmp_path: Path
) -> None:
    path = tmp_path / "brief.toml"
    path.write_text('[pulls]\nfriction = 0.3\n[inputs]\nstreets = "s.gpkg"\n', encoding="utf-8")
    tool = declare(
        Parameter("units", "choice", "units", choices=("si", "us"), setting="output.units"),
        function="with_brief",
        takes_brief=True,
        inputs=("mains", "streets", "dem"),
    )
    mains = gpd.GeoDataFrame({"main_id": ["a"]}, geometry=gpd.points_from_xy([0], [0]))
    call = python_function(tool)
    stages: list[tuple[Any, ...]] = []
    call(
        path,
        mains=mains,
        dem=[tmp_path / "a.tif", "b.tif"],
        units="us",
        settings={"pulls.max_length": "400 m"},
        progress=lambda *report: stages.append(report),
    )
    (seen,) = calls
    brief = seen.pop("brief")
    assert seen.pop("layers")["mains"] is mains
    assert seen == {}  # units is laid over the brief and given nowhere else
    assert brief.output.units == "us"
    assert brief.pulls.max_length == 400.0
    assert brief.pulls.friction == 0.3
    assert brief.inputs["dem"].source == [str(tmp_path / "a.tif"), "b.tif"]
    assert brief.inputs["streets"].source == str(tmp_path / "s.gpkg")
    assert stages == [("working", 1, 2)]


def test_brief_already_loaded_is_taken_as_it_is(declare: Declare, calls: Calls) -> None:
    brief = load_brief(overrides={"pulls.friction": "0.2"})
    tool = declare(function="with_brief", takes_brief=True, inputs=("mains",))
    python_function(tool)(brief, mains="a.gpkg:net")
    assert calls[0]["brief"].pulls.friction == 0.2
    assert calls[0]["brief"].inputs["mains"].source == "a.gpkg:net"
    assert calls[0]["layers"] is None


def test_unit_system_left_open_is_the_briefs(declare: Declare, calls: Calls) -> None:
    tool = declare(
        Parameter("units", "choice", "units", choices=("si", "us"), setting="output.units"),
        function="with_brief",
        takes_brief=True,
    )
    python_function(tool)(load_brief(overrides={"output.units": "us"}))
    assert calls[0]["brief"].output.units == "us"


def test_layer_that_is_neither_path_nor_frame_is_refused(declare: Declare, calls: Calls) -> None:
    tool = declare(function="with_brief", takes_brief=True, inputs=("mains", "dem"))
    with pytest.raises(ToolError, match="mains: a path or a GeoDataFrame is due, not int"):
        run(tool, layers={"mains": 3})
    with pytest.raises(ToolError, match="dem: a path or a list of paths is due, not dict"):
        run(tool, layers={"dem": {}})
    with pytest.raises(ToolError, match="has no layer streets"):
        run(tool, layers={"streets": "a.gpkg"})
    with pytest.raises(BriefError, match="no such setting"):
        run(tool, settings={"pulls.nothing": 1})


def test_a_frame_without_an_active_geometry_is_told_to_name_one(
    declare: Declare, calls: Calls
) -> None:
    tool = declare(function="with_brief", takes_brief=True, inputs=("mains", "streets", "dem"))
    points = gpd.GeoDataFrame({"main_id": ["a"]}, geometry=gpd.points_from_xy([0], [0]))
    given = {"mains": gpd.GeoDataFrame({"main_id": ["a"]}), "streets": points.rename(
        columns={"geometry": "shape"})}  # fmt: skip
    with pytest.raises(ToolError) as told:
        run(tool, layers=given)
    words = "the GeoDataFrame has no active geometry column; name one with set_geometry"
    assert told.value.faults == (f"mains: {words}", f"streets: {words}")
    run(tool, layers={"streets": given["streets"].set_geometry("shape")})
    for other in (pd.DataFrame({"main_id": ["a"]}), points.geometry):
        due = f"a path or a GeoDataFrame is due, not {type(other).__name__}"
        with pytest.raises(ToolError, match=due):
            run(tool, layers={"mains": other})


@pytest.mark.parametrize("given", [gpd.GeoDataFrame({"main_id": ["a"]}), {"inputs": {}}, 3])
def test_what_is_no_brief_is_refused_in_words_that_name_the_layers(
    given: Any, declare: Declare, calls: Calls
) -> None:
    tool = declare(function="with_brief", takes_brief=True, inputs=("mains", "dem"))
    with pytest.raises(
        ToolError, match=rf"brief: .* not {type(given).__name__}; .* mains="
    ) as told:
        python_function(tool)(given, mains=3)
    assert "mains: a path or a GeoDataFrame is due, not int" in told.value.faults  # all at once
    assert calls == []


def test_tool_without_a_brief_refuses_one(declare: Declare, calls: Calls) -> None:
    with pytest.raises(ToolError, match="takes no brief"):
        run(declare(), brief="brief.toml")


LATIN = b"Stra\xdfe".decode("utf-8", "surrogateescape")  # as the system hands on such a name


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"brief": LATIN}, "brief: 'Stra\\xdfe' is not UTF-8"),
        ({"layers": {"mains": f"{LATIN}/n.gpkg:a"}}, "mains: 'Stra\\xdfe/n.gpkg:a' is not UTF-8"),
        ({"layers": {"dem": [f"{LATIN}.tif"]}}, "dem: 'Stra\\xdfe.tif' is not UTF-8"),
        ({"settings": {"sheets.client": LATIN}}, "sheets.client: 'Stra\\xdfe' is not UTF-8"),
        ({"parameters": {"source": LATIN}}, "source: 'Stra\\xdfe' is not UTF-8"),
        ({"parameters": {"word": LATIN}}, "word: 'Stra\\xdfe' is not UTF-8"),
        ({"parameters": {"extra": ["a", LATIN]}}, "extra: 'Stra\\xdfe' is not UTF-8"),
    ],
)
def test_a_path_or_text_that_is_no_utf_8_is_a_fault_that_shows_its_bytes(
    declare: Declare, calls: Calls, given: dict[str, Any], said: str
) -> None:
    kinds = [p for p in EVERY_KIND if p.name in ("source", "word", "extra")]
    optional = [replace(p, required=False, positional=False) for p in kinds]
    tool = declare(
        *optional, function="with_brief", takes_brief=True, inputs=("mains", "dem"), name="attempt"
    )
    with pytest.raises(ToolError) as caught:
        run(tool, **given)
    (fault,) = caught.value.faults
    assert fault.startswith(said)
    advice = "write it in UTF-8" if {"word", "settings"} & {*given, *said.split(":")} else "rename"
    assert advice in fault
    assert calls == []


def test_what_is_written_to_may_bear_any_name_the_system_takes(
    declare: Declare, calls: Calls, tmp_path: Path
) -> None:
    run(declare(Parameter("output", "path", "a file")), parameters={"output": tmp_path / LATIN})
    assert calls == [{"output": tmp_path / LATIN}]


def test_text_that_cannot_be_written_is_the_users_to_mend_and_shown_as_bytes() -> None:
    with pytest.raises(UnicodeEncodeError) as caught:
        f"tiles/{LATIN}.tif".encode()
    told = mendable(caught.value)
    assert told is not None
    assert told.startswith("'tiles/Stra\\xdfe.tif' is not UTF-8")
    assert "rename the file" in told
    with pytest.raises(UnicodeEncodeError) as half:
        "a\ud83db".encode()
    assert str(mendable(half.value)).startswith("'a\\ud83db' is not UTF-8")


def test_tool_that_returns_something_else_is_a_fault_of_the_tool(
    declare: Declare, calls: Calls
) -> None:
    with pytest.raises(TypeError, match="returned dict, not an Outcome"):
        run(declare(function="wrong_result"))


def test_function_gets_the_quantities_as_written_if_it_asks(declare: Declare, calls: Calls) -> None:
    parameters = (
        Parameter("depth", "quantity", "a depth", measure="length", default="12 ft"),
        Parameter("reach", "quantity", "reaches", measure="length", multiple=True),
        Parameter("word", "text", "a word"),
    )
    tool = declare(*parameters, takes_written=True)
    run(tool, parameters={"word": "x", "reach": ["3 ft", "4 m"], "depth": "24 in"})
    run(tool, parameters={"reach": "5 m"})
    assert [call["written"] for call in calls] == [
        {"depth": "24 in", "reach": "3 ft"},  # in the order of declaration
        {"reach": "5 m"},  # a default was not written by anybody
    ]


def test_function_that_does_not_ask_gets_nothing_written(declare: Declare, calls: Calls) -> None:
    run(declare(*EVERY_KIND), parameters={"source": "a.gpkg", "depth": "24 in"})
    assert "written" not in calls[0]
