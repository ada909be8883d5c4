"""Slipmain: plan the pulling of fused pipe strings into old water mains.

Every tool of `slipmain tools` is a function here: ``geotools.plan(...)`` and so on. Nothing
heavy is imported before it is used.
"""

from __future__ import annotations

from typing import Any

# Where the names live that are not made from a tool's declaration.
_HOMES = {
    "Brief": "geotools.brief",
    "BriefError": "geotools.errors",
    "KeptAsideWarning": "geotools.errors",
    "LayerError": "geotools.errors",
    "Outcome": "geotools.tool",
    "OlderPlanWarning": "geotools.errors",
    "OutputError": "geotools.errors",
    "Parameter": "geotools.tool",
    "PluginWarning": "geotools.tool",
    "SlipmainError": "geotools.errors",
    "Tool": "geotools.tool",
    "ToolError": "geotools.tool",
    "load_brief": "geotools.brief",
    "registry": "geotools.tool",
}


def __getattr__(name: str) -> Any:
    if name == "__version__":
        value: Any = _version()
    elif name == "__all__":
        value = _public()
    elif name in _HOMES:
        from importlib import import_module

        value = getattr(import_module(_HOMES[name]), name)
    elif name.startswith("_") or _is_module(name):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    else:
        value = _tool_function(name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *_public(), "__all__", "__version__"})


def _public() -> list[str]:
    """Return the public names, those of the tools of this package among them, sorted."""
    from geotools.tool import builtin

    return sorted({*_HOMES, *(tool.python_name for tool in builtin().values())})


def _is_module(name: str) -> bool:
    """Tell whether a name is a module of the package, which ``import`` looks up itself."""
    from importlib.util import find_spec

    return find_spec(f"{__name__}.{name}") is not None


def _tool_function(name: str) -> Any:
    from geotools.call import python_function
    from geotools.tool import builtin, registry

    for find in (builtin, registry):  # plug-ins are looked up only if it must be
        for tool in find().values():
            if tool.python_name == name:
                return python_function(tool)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("slipmain")
    except PackageNotFoundError:  # a checkout that was not installed
        return "0+unknown"
