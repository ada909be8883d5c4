"""The tool ``settings``: every setting of the brief, its default, what it may be, its source."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from geotools.tool import Key, Outcome, Parameter, Progress, Tool, ToolError

if TYPE_CHECKING:
    from geotools.brief import Setting

__all__ = ["TOOL", "list_settings"]

TOOL = Tool(
    name="settings",
    title="List the settings of a brief",
    summary=(
        "Lists the settings of the brief: name and default as a brief has them, what each may be, "
        "what it means and where the default comes from. With words, those that have all of them "
        "in name or meaning."
    ),
    function="geotools.tools.settings:list_settings",
    parameters=(
        Parameter(
            "words",
            "text",
            "word, or part of one, in the name or the meaning; all settings if not given",
            positional=True,
            multiple=True,
        ),
    ),
    says=(Key("settings", "list", "settings: name, default, what each may be, meaning, source"),),
    python="list_settings",
)


def list_settings(*, words: tuple[str, ...], progress: Progress) -> Outcome:
    """List the settings of the brief.

    Parameters
    ----------
    words : tuple of str
        Settings wanted have all of them in name or meaning; without any all are wanted. Several
        may stand in one text, with blanks between them.
    progress : Progress

    Raises
    ------
    ToolError
        If no setting has them.
    """
    from geotools.brief import declared

    wanted = [part for word in words for part in word.split()]
    found = [setting for setting in declared().values() if _has(setting, wanted)]
    if not found:
        raise ToolError(
            "settings", [f"no setting has {' and '.join(wanted)} in its name or meaning"]
        )
    return Outcome({"settings": [_entry(setting) for setting in found]}, _text(found))


def _has(setting: Setting, words: list[str]) -> bool:
    """Say whether name and meaning have all of some words; a low line in either is a blank."""
    text = _blank(f"{setting.key} {setting.text}")
    return all(_blank(word) in text for word in words)


def _blank(text: str) -> str:
    return text.replace("_", " ").casefold()


def _entry(setting: Setting) -> dict[str, Any]:
    return {
        "name": setting.key,
        "default": _written(setting),
        "may_be": _may_be(setting),
        "text": setting.text,
        "source": setting.source,
    }


def _text(found: list[Setting]) -> str:
    """Write settings as a brief has them, each with what is to be said of it below."""
    lines, section = [], ""
    for setting in found:
        own, _, name = setting.key.partition(".")
        if own != section:
            lines += [*([""] if section else []), f"[{own}]"]
            section = own
        default = _written(setting)
        lines += [
            f"{name} = {default}" if default else f"{name}  (none)",
            f"    {setting.text[0].upper()}{setting.text[1:]}.",
            f"    {_may_be(setting)}. Source: {setting.source}.",
        ]
    return "\n".join(lines)


def _written(setting: Setting) -> str:
    """Return the default as a brief has it; empty where there is none."""
    if setting.written == "none" and setting.value is None:
        return ""
    value: object = setting.written if setting.kind not in (None, "per_item") else setting.value
    if setting.type == "list":
        value = [str(item) for item in setting.value]
    return json.dumps(value, ensure_ascii=False)


def _may_be(setting: Setting) -> str:
    """Say what a setting may be."""
    if setting.choices:
        return f"One of {', '.join(setting.choices)}"
    if setting.kind == "per_item":
        kind = "Cost, a number"
    elif setting.kind is not None:
        kind = f"{_KINDS.get(setting.kind, setting.kind.capitalize())}, with its unit"
        kind += _PER[setting.per] if setting.per else ""
    else:
        kind = _TYPES[setting.type]
    return ", ".join((kind, *setting.limits()))


# Where the name of a kind alone would not do.
_KINDS = {
    "per_length": "Cost by length",
    "per_area": "Cost by area",
    "per_volume": "Cost by volume",
    "per_mass": "Cost by mass",
    "per_time": "Cost by time",
    "volume_rate": "Volume by time",
    "area_rate": "Area by time, or flow by length",
}
_PER = {"day": ", by the day of work", "hour": ", by the hour or less, not by days"}
_TYPES = {
    "text": "Text",
    "flag": "true or false",
    "integer": "Whole number",
    "number": "Number without a unit",
    "list": "List",
}
