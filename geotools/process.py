"""Process descriptions of tools, in the form of OGC API - Processes - Part 1: Core 1.0."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from geotools.call import DEM_TEXT
from geotools.schema import INPUTS, OUTPUTS, Field, Layer
from geotools.tool import Key, Parameter, Tool

if TYPE_CHECKING:
    from geotools.brief import Setting

__all__ = ["describe_process", "describe_processes"]

Description = dict[str, Any]

_GEOJSON = "application/geo+json"
_GEOPACKAGE = "application/geopackage+sqlite3"
_GEOTIFF = "image/tiff; application=geotiff"
_TOML = "application/toml"

_TYPES = {"text": "string", "integer": "integer", "real": "number", "flag": "boolean"}
_SETTING_TYPES = {
    "text": "string",
    "flag": "boolean",
    "integer": "integer",
    "number": "number",
    "list": "array",
}
_PARAMETER_TYPES = {
    "path": "string",
    "text": "string",
    "choice": "string",
    "quantity": "string",
    "flag": "boolean",
    "integer": "integer",
    "number": "number",
}


def describe_processes(tools: Iterable[Tool]) -> Description:
    """Return the list of processes, each described in full."""
    return {"processes": [describe_process(tool) for tool in tools], "links": []}


def describe_process(tool: Tool) -> Description:
    """Return the process description of one tool.

    The schemas of inputs and outputs keep to the part of JSON Schema that OpenAPI 3.0 knows,
    as the standard asks.
    """
    inputs: dict[str, Description] = {}
    if tool.takes_brief:
        inputs["brief"] = _brief_input()
    inputs |= {name: _layer_input(name) for name in tool.inputs}
    inputs |= {parameter.name: _parameter_input(parameter) for parameter in tool.parameters}
    if tool.takes_brief:
        from geotools.brief import settings

        inputs |= {setting.key: _setting_input(setting) for setting in settings()}
    return {
        "id": tool.name,
        "title": tool.title,
        "description": tool.summary,
        "version": tool.version or _package_version(),
        "jobControlOptions": ["sync-execute"],
        "outputTransmission": ["value"],
        "inputs": inputs,
        "outputs": {
            "summary": _summary(tool),
            **{n: _layer_output(OUTPUTS[n]) for n in tool.outputs},
        },
        "links": [],
    }


def _package_version() -> str:
    import geotools

    return str(geotools.__version__)


def _brief_input() -> Description:
    return {
        "title": "brief",
        "description": "All layers and settings of a run; what is given apart is laid over it.",
        "schema": {"type": "string", "contentMediaType": _TOML},
        "minOccurs": 0,
        "maxOccurs": 1,
    }


def _layer_input(name: str) -> Description:
    if name == "dem":
        return {
            "title": "dem",
            "description": DEM_TEXT,
            "schema": _binary(_GEOTIFF),
            "minOccurs": 0,
            "maxOccurs": "unbounded",
        }
    layer = INPUTS[name]
    # 0 for the mains too: they may stand in the brief
    return {
        "title": name,
        "description": layer.text,
        "schema": {"oneOf": [_features(layer, every_unit=True), _binary(_GEOPACKAGE)]},
        "minOccurs": 0,
        "maxOccurs": 1,
    }


def _layer_output(layer: Layer) -> Description:
    first = _features(layer, every_unit=False) if layer.geometry else _rows(layer)
    return {
        "title": layer.name,
        "description": layer.text,
        "schema": {"oneOf": [first, _binary(_GEOPACKAGE)]},
    }


_KEY_TYPES = {
    "text": "string",
    "flag": "boolean",
    "integer": "integer",
    "number": "number",
    "list": "array",
    "table": "object",
}


def _summary(tool: Tool) -> Description:
    schema: Description = {"type": "object", "contentMediaType": "application/json"}
    if tool.says:
        schema["properties"] = {
            name: _key(key, name) for key in tool.says for name in key.spellings()
        }
    return {"title": "summary", "description": "The result in short.", "schema": schema}


def _key(key: Key, name: str) -> Description:
    """Return the schema of a key of the summary; of a length one of its spellings is there."""
    schema: Description = {"type": _KEY_TYPES[key.kind], "description": key.text}
    if key.kind == "list":
        schema["items"] = {}
    if key.open:
        schema["nullable"] = True
    if key.dimension:
        unit = name.removeprefix(f"{key.name}_")
        schema["description"] = f"{key.text}, {unit}; by the units of the output"
    return schema


def _binary(media_type: str) -> Description:
    return {
        "type": "string",
        "format": "byte",
        "contentEncoding": "base64",
        "contentMediaType": media_type,
    }


def _features(layer: Layer, *, every_unit: bool) -> Description:
    """Return the schema of a GeoJSON feature collection with the layer's fields."""
    properties = _properties(layer, every_unit=every_unit)
    row: Description = {"type": "object", "properties": properties}
    feature = {"type": "object", "properties": {"properties": row}}
    return {
        "type": "object",
        "contentMediaType": _GEOJSON,
        "required": ["type", "features"],
        "properties": {
            "type": {"type": "string", "enum": ["FeatureCollection"]},
            "features": {"type": "array", "items": feature},
        },
    }


def _rows(layer: Layer) -> Description:
    row = {"type": "object", "properties": _properties(layer, every_unit=False)}
    return {"type": "array", "contentMediaType": "application/json", "items": row}


def _properties(layer: Layer, *, every_unit: bool) -> Description:
    """Return the schema of each column: in SI units, or in every unit that is read."""
    return {
        column: _column(field)
        for field in layer.fields
        for column in (field.spellings() if every_unit else (field.column(),))
    }


def _column(field: Field) -> Description:
    text = f"{field.meaning} (must)" if field.required else field.meaning
    schema: Description = {"type": _TYPES[field.dtype], "description": text, "nullable": True}
    if field.required:
        del schema["nullable"]
    if field.values:
        # what may be null must have null among its words: a list of words allows nothing else
        schema["enum"] = [*field.values, *([] if field.required else [None])]
    return schema


def _parameter_input(parameter: Parameter) -> Description:
    schema: Description = {"type": _PARAMETER_TYPES[parameter.kind]}
    if parameter.choices:
        schema["enum"] = list(parameter.choices)
    if parameter.kind == "flag":
        schema["default"] = bool(parameter.default)
    elif parameter.default is not None:
        schema["default"] = parameter.default
    return {
        "title": parameter.name.replace("_", " "),
        "description": parameter.text,
        "schema": schema,
        "minOccurs": parameter.least * int(parameter.required or parameter.command_requires),
        "maxOccurs": "unbounded" if parameter.multiple else 1,
    }


def _setting_input(setting: Setting) -> Description:
    schema: Description = {"type": _SETTING_TYPES[setting.type]}
    if setting.type == "list":
        schema["items"] = {"type": "string"}
    open_ = setting.value is None
    schema["default"] = setting.value if setting.kind is None or open_ else setting.written
    if setting.type == "list":
        schema["default"] = [str(item) for item in setting.value]
    if open_:
        schema["nullable"] = True
    if setting.choices:
        schema["enum"] = [*setting.choices, *([None] if open_ else [])]
    return {
        "title": setting.key,
        "description": f"{setting.text}. Source of the default: {setting.source}.",
        "schema": schema,
        "minOccurs": 0,
        "maxOccurs": 1,
    }
