"""What is wrong with a file that is no TOML, as the person who wrote it would understand it."""

from __future__ import annotations

import json
import re
from typing import NamedTuple

from geotools.units import INCHES, by_signs

__all__ = ["escapes_in", "path_hint", "toml_fault"]

# How the reader of TOML begins its errors where a name or a section is there twice.
_TWICE = ("Cannot overwrite", "Cannot declare")
_HEADER = re.compile(r"\s*\[+(?P<name>[^\[\]#=]+)\]+\s*(?:#.*)?\Z")
_GIVEN = re.compile(r"\s*(?P<name>[^\s=#\[\]{}]+)\s*=")
_BARE = re.compile(r"\s*(?P<key>[\w.-]+)\s*=\s*(?P<value>[^\s\"'\[{#][^\"'#]*)")
_ANY = re.compile(r"\s*(?P<key>[\w.-]+)\s*=\s*(?P<value>[^#]{1,80}?)\s*(?:#.*)?\Z")
# How it begins its errors where \ stands in double quotes as in a path of Windows.
_ESCAPED = (
    *("Unescaped '\\'", "Invalid hex value", "Escaped character"),
    *("Illegal character", "Unterminated string"),  # where \ stands before the last quote
)
_QUOTED = re.compile(r'"(?P<text>[^"]*)"')
_SIGNS = {"\b": r"\b", "\t": r"\t", "\n": r"\n", "\f": r"\f", "\r": r"\r"}  # what TOML makes of \
_SIGN = re.compile(r"[\x00-\x1f\x7f]")


def toml_fault(text: str, error: str) -> str:
    """Return what to tell of a text that cannot be parsed, with the parser's error."""
    place = re.search(r"\(at line (\d+),", error)
    lines = text.rstrip().splitlines()
    number = int(place[1]) if place is not None else 0
    number = len(lines) if error.endswith("(at end of document)") else number
    if not 0 < number <= len(lines):
        return f"is not valid TOML: {error}"
    if error.startswith(_TWICE) and (twice := _twice(lines, number)):
        return f"is not valid TOML: {twice}; keep one and take out the other"
    line = lines[number - 1]
    hint = _signs_hint(line) or _escape_hint(line, error) or _quotes_hint(line)
    return f"is not valid TOML: {error}{hint}"


def escapes_in(text: str) -> list[str]:
    """Return the signs in a text that are no letters, each once, as double quotes have them."""
    return list(dict.fromkeys(_escape(sign) for sign in _SIGN.findall(text)))


def path_hint(text: str) -> str:
    """Say how to write a path in which double quotes took ``\\`` for the begin of a sign."""
    plain = _SIGN.sub(lambda sign: _escape(sign[0]), text)
    single = "" if "'" in plain else f"'{plain}' in single quotes, or "
    return f"write {single}{'with' if single else 'it with'} / in place of \\"


def _escape(sign: str) -> str:
    return _SIGNS.get(sign, f"\\u{ord(sign):04x}")


class _Name(NamedTuple):
    """What a line of a file names: a section, or something of the section it stands in."""

    line: int
    section: str
    name: str
    is_section: bool

    @property
    def whole(self) -> str:
        """The name with the section before it."""
        return f"{self.section}.{self.name}" if self.section else self.name


def _names(lines: list[str]) -> list[_Name]:
    """Return what the lines name, those that name nothing left out."""
    names, section = [], ""
    for number, line in enumerate(lines, start=1):
        if (header := _HEADER.match(line)) is not None:
            section = header["name"].strip()
            names.append(_Name(number, *_parted(section), True))
        elif (given := _GIVEN.match(line)) is not None:
            names.append(_Name(number, section, given["name"], False))
    return names


def _parted(name: str) -> tuple[str, str]:
    """Return what stands before the last point of a name, and what after it."""
    before, _, last = name.rpartition(".")
    return before, last


def _twice(lines: list[str], number: int) -> str:
    """Say what a line gives again, or gives otherwise; empty where the line does not tell."""
    *above, last = _names(lines[:number]) or [_Name(0, "", "", False)]
    if last.line != number:
        return ""
    if otherwise := _otherwise(above, last):
        return otherwise
    if last.is_section and not last.section:
        return f"the section [{last.name}] is there twice (again in line {number})"
    under = f" under [{last.section}]" if last.section else ""
    return f"{last.name} is given twice{under} (again in line {number})"


def _otherwise(above: list[_Name], last: _Name) -> str:
    """Say what is a value in one line and has names under it in another; empty if nothing is."""
    if any(name.whole == last.whole for name in above):
        return ""
    pairs = [pair for name in above for pair in ((name, last), (last, name))]
    for value, under in pairs:
        if not value.is_section and under.whole.startswith(f"{value.whole}."):
            return (
                f"{value.whole} is a value (line {value.line}), and {under.whole} would be under "
                f"it (line {under.line})"
            )
        if value is last and under.whole.startswith(f"{value.whole}."):
            return (
                f"{value.whole} has {under.whole} already (line {under.line}), and line "
                f"{value.line} begins it as a section"
            )
    return ""


def _quotes_hint(line: str) -> str:
    """Return how to write a line, if its text stands without quotes."""
    bare = _BARE.match(line)
    value = bare["value"].strip() if bare is not None else ""
    if bare is None or len(value) > 80 or not re.search(r"[^\W\d]", value):
        return ""
    return f'; put text, also a number with its unit, in quotes: {bare["key"]} = "{value}"'


def _escape_hint(line: str, error: str) -> str:
    """Return how to write the text of a line in which the parser met a ``\\`` it cannot take."""
    if not error.startswith(_ESCAPED):
        return ""
    column = re.search(r"column (\d+)\)", error)
    at = int(column[1]) - 1 if column is not None else len(line)
    texts = [found for found in _QUOTED.finditer(line) if "\\" in found["text"]]
    met = [found["text"] for found in texts if found.start() < at <= found.end()]
    met += [found["text"] for found in texts if found["text"].endswith("\\")]
    return f"; {path_hint(met[0])}" if met else ""


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
