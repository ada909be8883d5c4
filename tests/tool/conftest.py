"""A throw-away tool in a throw-away module, for both ways of calling it."""

from __future__ import annotations

import sys
import types
from collections.abc import Callable
from typing import Any

import pytest

from geotools.tool import Outcome, Parameter, Tool

MODULE = "throw_away_tools"


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[dict[str, Any]]:
    """The arguments of every call of the throw-away functions, oldest first."""
    seen: list[dict[str, Any]] = []

    def with_brief(brief: Any, *, layers: Any, progress: Any, **rest: Any) -> Outcome:
        progress("working", 1, 2)
        seen.append({"brief": brief, "layers": layers, **rest})
        return Outcome({"ok": True}, "done")

    def without_brief(*, progress: Any, **rest: Any) -> Outcome:
        seen.append(rest)
        return Outcome({"ok": True}, "done")

    module = types.ModuleType(MODULE)
    module.with_brief = with_brief  # type: ignore[attr-defined]
    module.without_brief = without_brief  # type: ignore[attr-defined]
    module.wrong_result = lambda *, progress: {"not": "an outcome"}  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, MODULE, module)
    return seen


@pytest.fixture
def declare() -> Callable[..., Tool]:
    """Declare a throw-away tool with these parameters."""

    def make(*parameters: Parameter, function: str = "without_brief", **rest: Any) -> Tool:
        rest = {"name": "try_out", "title": "Try", "summary": "Tries it.", **rest}
        return Tool(function=f"{MODULE}:{function}", parameters=parameters, **rest)

    return make
