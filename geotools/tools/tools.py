"""The tool ``tools``: what tools there are, as a table and as process descriptions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from geotools.text_table import table
from geotools.tool import Key, Outcome, Progress, Tool, registry

__all__ = ["TOOL", "list_tools"]

TOOL = Tool(
    name="tools",
    title="List the tools",
    summary=(
        "Lists every tool, also those of other packages. With --json: process descriptions in "
        "the form of OGC API - Processes, with all layers, parameters and settings."
    ),
    function="geotools.tools.tools:list_tools",
    python="processes",
    says=(
        Key("processes", "list", "process descriptions"),
        Key("links", "list", "none: asked of by OGC API - Processes"),
    ),
)


def list_tools(*, progress: Progress) -> Outcome:
    """List the tools; the summary holds their process descriptions."""
    tools = registry()
    rows = [(tool.command, tool.title, _origin(tool)) for tool in tools.values()]
    return Outcome(_Processes(tools), table(("tool", "what it does", "from"), rows))


def _origin(tool: Tool) -> str:
    package = tool.function.partition(":")[0].partition(".")[0]
    return "built in" if package == "geotools" else package


class _Processes(Mapping[str, Any]):
    """The process descriptions, made when looked at: they need the brief, which takes a while."""

    def __init__(self, tools: Mapping[str, Tool]) -> None:
        self._tools = tools
        self._made: dict[str, Any] | None = None

    def _content(self) -> dict[str, Any]:
        if self._made is None:
            from geotools.process import describe_processes

            self._made = describe_processes(self._tools.values())
        return self._made

    def __getitem__(self, key: str) -> Any:
        return self._content()[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._content())

    def __len__(self) -> int:
        return len(self._content())
