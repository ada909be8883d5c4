"""How every layer of the plan looks in a GIS: one table of symbols, keyed by layer.

The symbols are our own. Shape, fill, line width and dashes tell things apart, colour only helps:
a print in grey reads as well. Sizes are in pixels, as Styled Layer Descriptor 1.0 has them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from geotools.schema import CUT_OUT, NOT_CHECKED, OUTPUTS

__all__ = ["STYLES", "Area", "Comparison", "Label", "Line", "Mark", "Rule"]

_BLACK, _WHITE, _GREY, _PALE = "#1a1a1a", "#ffffff", "#7a7a7a", "#bdbdbd"
_RED, _BLUE, _GREEN, _ORANGE, _PURPLE = "#b2182b", "#1f4e9e", "#2c7a3f", "#d9822b", "#7b3294"


@dataclass(frozen=True)
class Mark:
    """A symbol at a point; shapes are the well-known names of the standard."""

    shape: str
    size: float
    fill: str | None
    stroke: str
    width: float = 1.0


@dataclass(frozen=True)
class Line:
    """A line; ``dashes`` are lengths of dashes and gaps in turn."""

    stroke: str
    width: float
    dashes: tuple[float, ...] = ()


@dataclass(frozen=True)
class Area:
    """An area: its outline, a fill or a pattern of small marks."""

    outline: Line
    fill: str | None = None
    opacity: float = 1.0
    pattern: Mark | None = None


@dataclass(frozen=True)
class Label:
    """A field written beside a point, or along a line."""

    field: str
    along: bool = False
    size: float = 10.0
    colour: str = _BLACK


@dataclass(frozen=True)
class Comparison:
    """A comparison of a field with a value: ``=``, ``<>``, ``<`` or ``>=``."""

    field: str
    comparison: str
    value: str | float | bool


@dataclass(frozen=True)
class Rule:
    """What features look like that pass all tests; ``below`` is the largest scale denominator."""

    title: str
    symbols: tuple[Mark | Line | Area | Label, ...]
    tests: tuple[Comparison, ...] = field(default=())
    below: float | None = None


def _is(name: str, value: str | float | bool) -> tuple[Comparison, ...]:
    return (Comparison(name, "=", value),)


def _words(layer: str, name: str, rule: Callable[[str], Rule]) -> tuple[Rule, ...]:
    """Return a rule for each word a field of the contract may hold."""
    return tuple(rule(word) for word in OUTPUTS[layer].field(name).values)


_RUN_LINES = {
    "planned": Line(_BLACK, 2.0),
    "no_plan": Line(_RED, 2.0, (8.0, 4.0)),
    "not_suitable": Line(_GREY, 1.2, (2.0, 4.0)),
    "failed": Line(_RED, 3.5, (2.0, 3.0)),
}
_PIT_MARKS = {
    "receiving": Mark("circle", 12.0, _WHITE, _RED, 2.0),
    "insertion_ahead": Mark("triangle", 13.0, _ORANGE, _BLACK, 1.5),
    "insertion_behind": Mark("triangle", 13.0, _WHITE, _BLACK, 1.5),
    "insertion_both": Mark("square", 12.0, _RED, _BLACK, 1.5),
}
_PIT_AREAS = {
    "receiving": Area(Line(_RED, 1.2), _WHITE, 0.7),
    "insertion_ahead": Area(Line(_BLACK, 1.2), _ORANGE, 0.6),
    "insertion_behind": Area(Line(_BLACK, 1.2), _WHITE, 0.7, Mark("x", 6.0, None, _BLACK)),
    "insertion_both": Area(Line(_BLACK, 1.2), _RED, 0.6),
}
_DIG_MARKS = {
    "connection": Mark("cross", 10.0, _PURPLE, _PURPLE, 1.5),
    "lateral": Mark("circle", 6.0, _PURPLE, _WHITE),
    "hydrant": Mark("triangle", 9.0, _PURPLE, _WHITE),
    "branch_valve": Mark("square", 7.0, _PURPLE, _WHITE),
    "valve": Mark("x", 10.0, _BLUE, _BLUE, 1.5),
}
_SEVERITY_MARKS = {
    "info": (Mark("circle", 7.0, _WHITE, _GREY), Line(_GREY, 1.0, (2.0, 3.0))),
    "warning": (Mark("triangle", 10.0, _ORANGE, _BLACK), Line(_ORANGE, 2.0, (6.0, 3.0))),
    "error": (Mark("star", 14.0, _RED, _BLACK), Line(_RED, 3.5)),
}
_VERDICT_MARKS = {
    "pass": Mark("circle", 7.0, _GREEN, _WHITE),
    "fail": Mark("x", 11.0, _RED, _RED, 2.0),
    "missing": Mark("square", 9.0, _WHITE, _BLACK, 1.5),
    "unknown": Mark("star", 11.0, _ORANGE, _BLACK),
    CUT_OUT: Mark("triangle", 8.0, _WHITE, _GREY),
}
_VERDICT_LINES = {
    "pass": Line(_GREEN, 2.0),
    "fail": Line(_RED, 4.0),
    "missing": Line(_BLACK, 2.0, (2.0, 4.0)),
    "unknown": Line(_ORANGE, 2.0, (2.0, 2.0)),
    NOT_CHECKED: Line(_BLACK, 1.2, (6.0, 3.0)),
}
_RANK_LINES = {
    "suitable": Line(_BLUE, 3.5),
    "doubtful": Line(_ORANGE, 2.5, (8.0, 4.0)),
    "not suitable": Line(_GREY, 1.2, (2.0, 4.0)),
    "not considered": Line(_PALE, 0.8),
}
_DISTRICT_AREAS = {
    "done": Area(Line(_GREEN, 1.5), _GREEN, 0.15),
    "empty": Area(Line(_GREY, 1.0, (2.0, 4.0))),
    "failed": Area(Line(_RED, 2.5), None, 1.0, Mark("x", 10.0, None, _RED)),
    "set_aside": Area(Line(_BLACK, 2.5, (8.0, 4.0)), None, 1.0, Mark("cross", 10.0, None, _BLACK)),
}
_CONTEXT = {
    "mains": (Line(_PALE, 1.5),),
    "streets": (Line(_PALE, 0.8, (10.0, 3.0, 2.0, 3.0)), Label("name", along=True, colour=_GREY)),
    "avoid": (Line(_GREY, 1.0, (1.0, 3.0)), Mark("x", 5.0, _GREY, _GREY)),
    "laterals": (Line(_PALE, 0.6), Mark("circle", 3.0, _PALE, _PALE)),
    "fittings": (Mark("square", 5.0, _WHITE, _GREY),),
    "valves": (Mark("x", 6.0, _GREY, _GREY),),
    "hydrants": (Mark("circle", 6.0, _GREY, _GREY),),
    "sources": (Mark("star", 12.0, _BLUE, _BLACK),),
}


def _runs(layer: str) -> tuple[Rule, ...]:
    """Return the rules of a layer of runs."""
    lines = _words(
        layer,
        "status",
        lambda word: Rule(word.replace("_", " "), (_RUN_LINES[word],), _is("status", word)),
    )
    return (*lines, Rule("name", (Label("run_id", along=True),), below=15_000))


def _ranked(layer: str) -> tuple[Rule, ...]:
    """Return the rules of a layer of a screening."""
    lines = _words(
        layer, "verdict", lambda word: Rule(word, (_RANK_LINES[word],), _is("verdict", word))
    )
    return (*lines, Rule("rank", (Label("rank", along=True),), below=15_000))


STYLES: dict[str, tuple[Rule, ...]] = {
    "runs": _runs("runs"),
    "district_runs": _runs("district_runs"),
    "ranking": _ranked("ranking"),
    "ranking_mains": _ranked("ranking_mains"),
    "stations": (
        Rule("station", (Mark("circle", 3.0, _PALE, _GREY, 0.5),), below=5_000),
        Rule("depth assumed", (Mark("circle", 5.0, _WHITE, _ORANGE, 1.5),),
             _is("depth_source", "assumed"), below=5_000),
    ),
    "bends": (
        Rule("passes", (Mark("triangle", 8.0, _WHITE, _BLUE, 1.5),), _is("passes", True)),
        Rule("does not pass", (Mark("triangle", 11.0, _BLUE, _BLACK, 1.5),),
             _is("passes", False)),
    ),
    "candidates": (
        Rule("usable", (Mark("cross", 5.0, _GREEN, _GREEN),), _is("usable", True), below=10_000),
        Rule("refused", (Mark("x", 4.0, _PALE, _PALE),), _is("usable", False), below=10_000),
    ),
    "pits": (
        *_words(
            "pits",
            "role",
            lambda word: Rule(word.replace("_", " "), (_PIT_MARKS[word],), _is("role", word)),
        ),
        Rule("name", (Label("pit_id"),), below=5_000),
    ),
    "pit_footprints": _words(
        "pit_footprints",
        "role",
        lambda word: Rule(word.replace("_", " "), (_PIT_AREAS[word],), _is("role", word)),
    ),
    "pulls": (
        Rule("up to half of the limit", (Line(_BLUE, 2.5),),
             (Comparison("utilisation", "<", 0.5),)),
        Rule("half to four fifths of the limit", (Line(_BLUE, 4.5),),
             (Comparison("utilisation", ">=", 0.5), Comparison("utilisation", "<", 0.8))),
        Rule("four fifths of the limit and more", (Line(_BLACK, 6.5),),
             (Comparison("utilisation", ">=", 0.8),)),
        Rule("name", (Label("pull_id", along=True),), below=8_000),
    ),
    "strings": (Rule("string laid out", (Area(Line(_ORANGE, 1.2, (8.0, 3.0)), _ORANGE, 0.3),)),),
    "closures": (
        Rule("lanes left", (Area(Line(_GREEN, 1.2, (8.0, 3.0, 2.0, 3.0)), _GREEN, 0.12),),
             (Comparison("lanes_left", ">=", 1),)),
        Rule("no lane left in this direction",
             (Area(Line(_BLACK, 1.6, (8.0, 3.0, 2.0, 3.0)), None, 1.0,
                   Mark("x", 8.0, None, _GREY)),),
             (Comparison("lanes_left", "<", 1),)),
    ),
    "local_digs": (
        *_words(
            "local_digs",
            "kind",
            lambda word: Rule(word, (_DIG_MARKS[word],),
                              (*_is("kind", word), *_is("spared", False)), below=15_000),
        ),
        Rule("spared by a pit", (Mark("circle", 4.0, _WHITE, _PALE),), _is("spared", True),
             below=5_000),
    ),
    "shutdowns": (Rule("valves to close", (Mark("square", 8.0, _BLUE, _WHITE, 1.5),)),),
    "joints": (
        Rule("joint", (Mark("circle", 4.0, _GREY, _WHITE, 0.5),), _is("intermediate", False),
             below=5_000),
        Rule("joint between strings", (Mark("square", 8.0, _ORANGE, _BLACK),),
             _is("intermediate", True), below=15_000),
    ),
    "asbuilt_joints": _words(
        "asbuilt_joints",
        "verdict",
        lambda word: Rule(word, (_VERDICT_MARKS[word],), _is("verdict", word)),
    ),
    "asbuilt_pulls": _words(
        "asbuilt_pulls",
        "verdict",
        lambda word: Rule(word, (_VERDICT_LINES[word],), _is("verdict", word)),
    ),
    "findings": _words(
        "findings",
        "severity",
        lambda word: Rule(word, _SEVERITY_MARKS[word], _is("severity", word)),
    ),
    "district_results": _words(
        "district_results",
        "status",
        lambda word: Rule(word.replace("_", " "), (_DISTRICT_AREAS[word],), _is("status", word)),
    ),
    "comparison": (
        Rule("beaten by no plan, and the cheapest", (Line(_BLUE, 4.5),),
             (*_is("efficient", True), *_is("cheapest", True))),
        Rule("beaten by no plan", (Line(_BLUE, 2.5),),
             (*_is("efficient", True), *_is("cheapest", False))),
        Rule("beaten by another plan", (Line(_GREY, 1.2),),
             (*_is("status", "planned"), *_is("efficient", False))),
        Rule("no plan", (_RUN_LINES["no_plan"],), _is("status", "no_plan")),
        Rule("not suitable", (_RUN_LINES["not_suitable"],), _is("status", "not_suitable")),
    ),
    "context": tuple(
        Rule(layer, symbols, _is("layer", layer)) for layer, symbols in _CONTEXT.items()
    ),
}  # fmt: skip
