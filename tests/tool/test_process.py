"""Process descriptions: valid after OGC API - Processes - Part 1: Core 1.0, and complete.

The schema in ``tests/data/ogcapi_processes`` names its source.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

import geotools
from geotools.brief import settings
from geotools.process import describe_process, describe_processes
from geotools.schema import INPUTS, OUTPUTS
from geotools.tool import Parameter, Tool, builtin

SCHEMA = json.loads(
    (Path(__file__).parents[1] / "data/ogcapi_processes/process_list.json").read_text("utf-8")
)
PROCESS = {**SCHEMA, "$ref": "#/$defs/process"}
BUILTIN = builtin()


def faults(description: Any, schema: dict[str, Any] = PROCESS) -> list[str]:
    jsonschema.Draft202012Validator.check_schema(schema)
    return [
        error.message for error in jsonschema.Draft202012Validator(schema).iter_errors(description)
    ]


@pytest.mark.parametrize("tool", BUILTIN.values(), ids=BUILTIN)
def test_description_of_a_tool_is_valid(tool: Tool) -> None:
    description = json.loads(json.dumps(describe_process(tool)))
    assert faults(description) == []
    assert description["id"] == tool.name
    assert description["version"] == geotools.__version__


def test_list_of_processes_is_valid() -> None:
    listed = json.loads(json.dumps(describe_processes(BUILTIN.values())))
    assert faults(listed, SCHEMA) == []
    assert [process["id"] for process in listed["processes"]] == list(BUILTIN)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda d: d.pop("version"),
        lambda d: d.update(jobControlOptions=["at-once"]),
        lambda d: d.update(outputTransmission=["pigeon"]),
        lambda d: d["inputs"]["mains"].pop("schema"),
        lambda d: d["inputs"]["mains"].update(maxOccurs="many"),
        lambda d: d["inputs"]["mains"].update(schema={"type": "null"}),
        lambda d: d["inputs"]["mains"].update(schema={"kind": "string"}),
        lambda d: d["inputs"]["mains"].update(schema={"type": "number", "exclusiveMinimum": 0}),
        lambda d: d["outputs"]["runs"].update(schema={"oneOf": [{"type": "line"}]}),
        lambda d: d["links"].append({"rel": "self"}),
    ],
)
def test_schema_refuses_a_spoilt_description(spoil: Callable[[Any], object]) -> None:
    description = copy.deepcopy(describe_process(BUILTIN["plan"]))
    assert faults(description) == []
    spoil(description)
    assert faults(description) != []


def test_description_has_every_layer_parameter_and_setting() -> None:
    plan = BUILTIN["plan"]
    description = describe_process(plan)
    wanted = {"brief", *plan.inputs, *(p.name for p in plan.parameters)}
    assert set(description["inputs"]) == wanted | {s.key for s in settings()}
    assert set(description["outputs"]) == {"summary", *plan.outputs}


def test_setting_is_described_with_its_default_as_written() -> None:
    inputs = describe_process(BUILTIN["plan"])["inputs"]
    assert inputs["pulls.max_length"]["schema"] == {"type": "string", "default": "550 m"}
    assert inputs["pits.edit_reach"]["schema"] == {"type": "string", "default": "5 m"}
    assert inputs["pulls.force_share"]["schema"] == {"type": "number", "default": 0.5}
    assert inputs["carrier.tries"]["schema"] == {"type": "integer", "default": 4}
    assert inputs["output.stations"]["schema"] == {"type": "boolean", "default": True}
    assert inputs["output.units"]["schema"]["enum"] == ["si", "us"]
    assert inputs["network.working_crs"]["schema"]["nullable"] is True
    # what may be left open keeps the type of what may be given
    assert inputs["pulls.friction"]["schema"] == {
        "type": "number",
        "default": None,
        "nullable": True,
    }
    assert inputs["carrier.own"]["schema"] == {
        "type": "array",
        "items": {"type": "string"},
        "default": [],
    }
    for setting in settings():
        assert setting.text in inputs[setting.key]["description"]


def test_defaults_and_choices_of_settings_agree_with_their_schema() -> None:
    inputs = describe_process(BUILTIN["plan"])["inputs"]
    for setting in settings():
        schema = dict(inputs[setting.key]["schema"])
        default = schema.pop("default")
        if default is None:
            assert schema["nullable"]
        else:
            jsonschema.validate(default, schema)


def columns(description: Any) -> Iterator[str]:
    first = description["schema"]["oneOf"][0]
    rows = first["items"] if first["type"] == "array" else None
    if rows is None:
        rows = first["properties"]["features"]["items"]["properties"]["properties"]
    yield from rows["properties"]


def test_layers_are_described_field_by_field() -> None:
    description = describe_process(BUILTIN["plan"])
    for name, layer in OUTPUTS.items():
        if name in description["outputs"]:
            assert list(columns(description["outputs"][name])) == [f.column() for f in layer.fields]
    mains = set(columns(description["inputs"]["mains"]))
    assert mains == {name for field in INPUTS["mains"].fields for name in field.spellings()}


def test_parameters_of_every_kind_are_described() -> None:
    tool = Tool(
        "try_out",
        "Try",
        "Tries.",
        "throw_away:function",
        version="2.1",
        parameters=(
            Parameter("source", "path", "a path", required=True),
            Parameter("more", "text", "words", multiple=True),
            Parameter("fast", "flag", "a flag"),
            Parameter("count", "integer", "a count", default=3),
            Parameter("share", "number", "a share"),
            Parameter("colour", "choice", "a colour", choices=("red", "blue")),
            Parameter("depth", "quantity", "a depth", measure="length", default="2 m"),
        ),
    )
    description = describe_process(tool)
    assert faults(json.loads(json.dumps(description))) == []
    inputs = description["inputs"]
    assert description["version"] == "2.1"
    assert (inputs["source"]["minOccurs"], inputs["source"]["maxOccurs"]) == (1, 1)
    assert (inputs["more"]["minOccurs"], inputs["more"]["maxOccurs"]) == (0, "unbounded")
    assert inputs["fast"]["schema"] == {"type": "boolean", "default": False}
    assert inputs["count"]["schema"] == {"type": "integer", "default": 3}
    assert inputs["share"]["schema"] == {"type": "number"}
    assert inputs["colour"]["schema"] == {"type": "string", "enum": ["red", "blue"]}
    assert inputs["depth"]["schema"] == {"type": "string", "default": "2 m"}


def test_a_column_of_few_words_that_may_be_null_takes_null() -> None:
    """By JSON Schema an enum allows what it lists and nothing else, whatever nullable says."""

    def columns(described: Any) -> Iterator[dict[str, Any]]:
        if isinstance(described, dict):
            if "enum" in described and "nullable" in described:
                yield described
            described = list(described.values())
        if isinstance(described, list):
            for part in described:
                yield from columns(part)

    found = list(columns([describe_process(tool) for tool in BUILTIN.values()]))
    assert len(found) > 40
    for column in found:
        assert jsonschema.Draft202012Validator({"enum": column["enum"]}).is_valid(None)
