"""What is wrong with a file that is no TOML, as the person who wrote it would understand it."""

from __future__ import annotations

import json
import re

from geotools.units import INCHES, by_signs

__all__ = ["toml_fault"]

# How the reader of TOML begins its errors where a name or a section is there twice.
_TWICE = ("Cannot overwrite", "Cannot declare")
_HEADER = re.compile(r"\s*\[+(?P<name>[^\[\]#=]+)\]+\s*(?:#.*)?\Z")
_GIVEN = re.compile(r"\s*(?P<name>[^\s=#\[\]{}]+)\s*=")
_BARE = re.compile(r"\s*(?P<key>[\w.-]+)\s*=\s*(?P<value>[^\s\"'\[{#][^\"'#]*)")
_ANY = re.compile(r"\s*(?P<key>[\w.-]+)\s*=\s*(?P<value>[^#]{1,80}?)\s*(?:#.*)?\Z")


def toml_fault(text: str, error: str) -> str:
    """Return what to tell of a text that cannot be parsed, with the parser's error."""
    place = re.search(r"\(at line (\d+),", error)
    lines = text.splitlines()
    number = int(place[1]) if place is not None else 0
    if not 0 < number <= len(lines):
        return f"is not valid TOML: {error}"
    if error.startswith(_TWICE) and (twice := _twice(lines, number)):
        return (
            f"is not valid TOML: {twice} (again in line {number}); keep one and take out the other"
        )
    return f"is not valid TOML: {error}{_quotes_hint(lines[number - 1])}"


def _twice(lines: list[str], number: int) -> str:
    """Say what a line gives again; empty where the line does not tell."""
    header = _HEADER.match(lines[number - 1])
    if header is not None:
        section, _, name = header["name"].strip().rpartition(".")
        if not section:
            return f"the section [{name}] is there twice"
        return f"{name} is given twice under [{section}]"
    given = _GIVEN.match(lines[number - 1])
    if given is None:
        return ""
    above = [match for line in lines[: number - 1] if (match := _HEADER.match(line))]
    under = f" under [{above[-1]['name'].strip()}]" if above else ""
    return f"{given['name']} is given twice{under}"


def _quotes_hint(line: str) -> str:
    """Return how to write a line, if its text stands without quotes or holds such signs itself."""
    if hint := _signs_hint(line):
        return hint
    bare = _BARE.match(line)
    value = bare["value"].strip() if bare is not None else ""
    if bare is None or len(value) > 80 or not re.search(r"[^\W\d]", value):
        return ""
    return f'; put text, also a number with its unit, in quotes: {bare["key"]} = "{value}"'


def _signs_hint(line: str) -> str:
    """Return how to write a line whose value is a length by the signs of feet and inches."""
    given = _ANY.match(line)
    if given is None:
        return ""
    value = given["value"]
    within = value[1:-1] if value[0] in "\"'" and value[-1] == value[0] else value
    for text in (value, within):
        if signed := by_signs(text):
            size, unit = signed
            if unit == "ft" and not size.is_integer():
                size, unit = size * INCHES, "in"
            quoted = json.dumps(text, ensure_ascii=False)
            return (
                "; put a length with the signs of feet and inches in double quotes, with \\ before "
                f'the sign of inches: {given["key"]} = {quoted}, or write "{size:.10g} {unit}"'
            )
    return ""
