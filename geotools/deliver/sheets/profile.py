"""The profile of a sheet: ground, host, pits and pulls along the run, and the band of levels."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from geotools.deliver.sheets import inks, marks
from geotools.deliver.sheets.labels import Label, Labels, boxes_along
from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import Ink, Pen
from geotools.deliver.sheets.plan_view import Scene, bend_words, digs_by_place, short
from geotools.deliver.sheets.ramp_lines import ramp_lines
from geotools.deliver.wording import (
    ASSUMED,
    ASSUMED_MARK,
    figure,
    in_system,
    measured,
    scale_text,
    unit_of,
)
from geotools.schema import DIMENSIONS

__all__ = ["GUTTER", "draw_profile", "fitting_size", "graph_of"]

FloatArray = npt.NDArray[np.float64]
# Left of the graph, in heights of the text: titles of the band's rows, levels of the grid.
GUTTER, _RIGHT = 13.0, 2.5
_ROWS = (
    ("Chainage", 4.2),
    ("Ground level", 4.2),
    ("Host crown", 4.2),
    ("Host invert", 4.2),
    ("Depth to invert", 4.2),
    ("Grade", 3.6),
    ("Bends", 3.6),
    ("Pulls", 2.0),
)
_OUTLINE = Ink(inks.PIT.line, inks.PIT.width)  # of a pit, through which the host is seen
_HOST_FILL = "#e9e9e9"
_KEY = (
    ("ground", inks.GROUND),
    ("host, crown to invert", Ink(inks.HOST_WALL.line, inks.HOST_WALL.width, fill=_HOST_FILL)),
    ("carrier pulled in", inks.PULL),
    ("outline of a pit", _OUTLINE),
    ("ramp", inks.RAMP),
)
_EXAGGERATIONS = (10.0, 5.0, 4.0, 2.5, 2.0, 1.0, 0.5, 0.2, 0.1)
_HEAD = 5.5  # heights of the text kept free above the ground, for what is written there
_NO_LEVELS = "no profile: the levels of ground and host are not known here"
# Fields of the stations that rows of the band are written as.
_FIELDS = {"ground": "ground_z", "crown": "axis_z", "invert": "axis_z", "depth": "depth"}
_GRADE_NOISE = 0.03  # m; a change of grade that moves the axis less is not told apart


@dataclass(frozen=True)
class _Graph:
    """The graph of a profile: chainage and level to mm of paper."""

    scene: Scene
    box: Box
    left: float
    base: float
    exaggeration: float

    def x(self, chainage: npt.ArrayLike) -> Any:
        """Return where chainages lie."""
        along = np.asarray(chainage, dtype=np.float64) - self.scene.strip.start
        return self.left + along * self.scene.view.per_m

    def y(self, level: npt.ArrayLike) -> Any:
        """Return where levels lie."""
        rise = (np.asarray(level, dtype=np.float64) - self.base) * self.scene.view.per_m
        return self.box.y + rise * self.exaggeration


def graph_of(box: Box, text: float) -> Box:
    """Return the part of a panel that chainages are drawn in."""
    left, right = GUTTER * text, _RIGHT * text
    return Box(box.x + left, box.y, box.w - left - right, box.h)


def draw_profile(pen: Pen, box: Box, scene: Scene) -> int:
    """Draw the profile of a strip.

    Parameters
    ----------
    pen : Pen
    box : Box
        The panel.
    scene : Scene

    Returns
    -------
    int
        Labels left out for want of room.
    """
    text = scene.text
    pen.box(box, inks.EDGE)
    stations = _stations(scene)
    band_height = text * sum(height for _, height in _ROWS)
    area = graph_of(box, text)
    left = _left(area, scene)
    band = Box(box.x, box.y, box.w, band_height)
    room = Box(area.x, box.y + band_height, area.w, box.h - band_height)
    labels = Labels(Box(room.x + 1, room.y, box.right - room.x - 2, room.h - 1))
    if np.isfinite(stations["invert"]).any():
        graph = _scaled(scene, room, left, stations)
        _caption(pen, graph, box, labels)
        _grid(pen, graph, box, labels)
        _lines(pen, graph, stations, labels)
        _pits(pen, graph, stations, labels)
        _ramps(pen, graph, area.right, labels)
        _events(graph, stations, labels)
        labels.draw(pen)
    else:
        graph = _Graph(scene, room, left, 0.0, 1.0)
        pen.text(*room.middle, _NO_LEVELS, size=text, align="middle")
    _band(pen, band, graph, stations)
    return labels.left_out


def _left(area: Box, scene: Scene) -> float:
    """Return where the strip begins, its middle under the middle of the plan strip."""
    length = (scene.strip.end - scene.strip.start) * scene.view.per_m
    return area.x + max((area.w - length) / 2, 0.0)


def _stations(scene: Scene) -> dict[str, FloatArray]:
    """Return chainage, ground, crown, invert and depth along the strip, its ends included.

    A level that is not known is NaN. ``assumed`` is above 0 where the depth rests on an assumed
    cover at the station or one beside it.
    """
    frame = scene.plan.of("stations", scene.run_id).sort_values("chainage", kind="stable")
    columns = ("chainage", "ground_z", "cover", "depth", "axis_z")
    along, ground, cover, depth, axis = (
        frame[c].to_numpy(dtype=np.float64) for c in columns
    )  # fmt: skip
    # without a ground level there is no cover either; the axis says where the host lies
    half = np.nanmedian(depth - cover) / 2 if np.isfinite(depth - cover).any() else 0.0
    crown = np.where(np.isfinite(ground - cover), ground - cover, axis + half)
    invert = np.where(np.isfinite(ground - depth), ground - depth, axis - half)
    strip = scene.strip
    inside = (along > strip.start) & (along < strip.end)
    where = np.concatenate([[strip.start], along[inside], [strip.end]])
    deep = np.where(np.isfinite(depth), depth, ground - invert)
    # a level that is not known stays unknown as far as the stations beside it
    assumed = (frame["depth_source"] == ASSUMED).to_numpy(dtype=np.float64)
    rows = {"ground": ground, "crown": crown, "invert": invert, "depth": deep, "assumed": assumed}
    return {"chainage": where} | {
        name: np.interp(where, along, values) if len(along) else np.full(len(where), np.nan)
        for name, values in rows.items()
    }


def _known(points: FloatArray) -> list[FloatArray]:
    """Return the pieces of a line that are known, in order."""
    fine = np.isfinite(points).all(axis=1)
    cuts = np.flatnonzero(np.diff(fine.astype(np.int8))) + 1
    return [
        part
        for part, good in zip(np.split(points, cuts), np.split(fine, cuts), strict=True)
        if good[0] and len(part) > 1
    ]


def _scaled(scene: Scene, room: Box, left: float, stations: dict[str, FloatArray]) -> _Graph:
    """Choose the vertical scale: the greatest exaggeration in use that leaves room on top."""
    floor = stations["invert"] - _below(scene)
    levels = np.concatenate([stations["ground"], floor])
    low, high = float(np.nanmin(levels)), float(np.nanmax(levels))
    per_m, text = scene.view.per_m, scene.text
    free = room.h - (_HEAD + 1.5) * text
    times = next((k for k in _EXAGGERATIONS if (high - low) * per_m * k <= free), None)
    times = times or _EXAGGERATIONS[-1]
    spare = max(free - (high - low) * per_m * times, 0.0) / 3
    base = low - (spare + 1.2 * text) / (per_m * times)
    return _Graph(scene, room, left, base, times)


def _below(scene: Scene) -> float:
    """Return how far pits of the run are dug below the invert, m."""
    pits = scene.plan.of("pits", scene.run_id)
    below = (pits["dig_depth"] - pits["depth"]).to_numpy(dtype=np.float64)
    return float(np.max(below, initial=0.0, where=np.isfinite(below)))


def _level_step(scene: Scene, mm_per_m: float) -> float:
    factor = DIMENSIONS["length"].units[unit_of("length", scene.plan.units)]
    return marks.round_step(4.5 * scene.text / mm_per_m / factor) * factor


def _caption(pen: Pen, graph: _Graph, box: Box, labels: Labels) -> None:
    scene, text = graph.scene, graph.scene.text
    words = (
        f"Profile along the run, vertical "
        f"{scale_text(scene.scale / graph.exaggeration, scene.plan.units)} "
        f"({graph.exaggeration:g} times the horizontal)"
    )
    y = box.top - 1.2 * text
    pen.text(box.x + text, y, words, size=text, bold=True)
    width = text_width(words, text, True) + 2 * text
    labels.keep_clear([Box(box.x, y - text, width, 2 * text)], words=True)
    _key(pen, Box(box.x + width, y - text, box.w - width, 2 * text), text, labels)


def _key(pen: Pen, room: Box, text: float, labels: Labels) -> None:
    """Draw what the lines of the graph mean, as far right as it goes, where there is room."""
    size, sample = 0.85 * text, 2.6 * text
    widths = [sample + 1.8 * text + text_width(words, size) for words, _ in _KEY]
    x, y = room.right - sum(widths), room.middle[1]
    if x < room.x:
        return
    labels.keep_clear([Box(x, room.y, room.right - x, room.h)], words=True)
    for (words, ink), width in zip(_KEY, widths, strict=True):
        marks.sample_line(pen, x, y, sample, ink)
        pen.text(x + sample + 0.6 * text, y, words, size=size)
        x += width


def _grid(pen: Pen, graph: _Graph, box: Box, labels: Labels) -> None:
    """Draw levels across and chainages up, levels written at the left."""
    scene, text = graph.scene, graph.scene.text
    units = scene.plan.units
    step = _level_step(scene, scene.view.per_m * graph.exaggeration)
    right = graph_of(box, text).right
    shown = in_system(step, "length", units)
    digits = next((d for d in range(4) if abs(round(shown, d) - shown) < 1e-9 * shown), 4)
    k = math.ceil(graph.base / step)
    while (y := float(graph.y(k * step))) < graph.box.top - 2.5 * text:
        pen.line([(graph.box.x, y), (right, y)], inks.GRID)
        words = f"{in_system(k * step, 'length', units):.{digits}f}"
        if y > graph.box.y + 0.8 * text:
            pen.text(graph.box.x - 0.6 * text, y, words, size=0.9 * text, align="right")
        k += 1
    for chainage in _columns(scene):
        x = float(graph.x(chainage))
        pen.line([(x, graph.box.y), (x, graph.box.top - 2.5 * text)], inks.GRID)
    name = f"Levels, {unit_of('length', units)}"
    y = graph.box.y + 0.4 * graph.box.h
    pen.text(box.x + 1.2 * text, y, name, size=text, angle=90, align="middle")


def _lines(pen: Pen, graph: _Graph, stations: dict[str, FloatArray], labels: Labels) -> None:
    """Draw ground, crown and invert, and the pulls in the host."""
    x = graph.x(stations["chainage"])
    walls = np.column_stack([x, graph.y(stations["crown"]), graph.y(stations["invert"])])
    for part in _known(walls):
        pen.rings([np.vstack([part[:, :2], part[::-1][:, [0, 2]]])], Ink(None, fill=_HOST_FILL))
        for points in (part[:, [0, 1]], part[:, [0, 2]]):
            pen.line(points, inks.HOST_WALL)
            labels.keep_clear(boxes_along(points, 0.4))
    for points in _known(np.column_stack([x, graph.y(stations["ground"])])):
        pen.line(points, inks.GROUND)
        labels.keep_clear(boxes_along(points, 0.4))
    scene, axis = graph.scene, (stations["crown"] + stations["invert"]) / 2
    for pull in scene.spans("pulls", "start", "end"):
        start, end = max(pull["start"], scene.strip.start), min(pull["end"], scene.strip.end)
        inside = (stations["chainage"] > start) & (stations["chainage"] < end)
        along = np.concatenate([[start], stations["chainage"][inside], [end]])
        levels = np.interp(along, stations["chainage"], axis)
        pen.lines(_known(np.column_stack([graph.x(along), graph.y(levels)])), inks.PULL)


def _pits(pen: Pen, graph: _Graph, stations: dict[str, FloatArray], labels: Labels) -> None:
    """Draw every pit from the ground to the bottom of what is dug, with its name and depths."""
    scene, text = graph.scene, graph.scene.text
    strip, below = scene.strip, _below(graph.scene)
    for pit in scene.plan.of("pits", scene.run_id).to_dict("records"):
        start = max(pit["chainage"] - pit["before"], strip.start)
        end = min(pit["chainage"] + pit["after"], strip.end)
        if start >= end:
            continue
        along = np.linspace(start, end, 5)
        top = np.interp(along, stations["chainage"], stations["ground"])
        if not np.isfinite(top).all():
            top = np.interp(along, stations["chainage"], stations["crown"])
        under = np.interp(along, stations["chainage"], stations["invert"]) - below
        if not np.isfinite(top + under).all():
            continue
        x = graph.x(along)
        sides = np.vstack(
            [np.column_stack([x, graph.y(top)]), np.column_stack([x, graph.y(under)])[::-1]]
        )
        pen.rings([sides], _OUTLINE)
        if not strip.start - 1e-6 <= pit["chainage"] <= strip.end + 1e-6:
            continue
        at = float(graph.x(pit["chainage"])), float(graph.y(np.interp(
            pit["chainage"], along, top)))  # fmt: skip
        dig = scene.dig_depth(pit)
        lines = (
            f"{short(pit['pit_id'], scene)} {str(pit['role']).replace('_', ' ')}",
            scene.depth(pit) + (f", dug {dig}" if dig else ""),
        )
        labels.add(Label(at, lines, 0.9 * text, "#8d0c17", True, frame=True))


def _ramps(pen: Pen, graph: _Graph, right: float, labels: Labels) -> None:
    """Draw the carrier down every ramp, on past the ends of the run as far as there is room."""
    scene, strip = graph.scene, graph.scene.strip
    frame = scene.plan.of("stations", scene.run_id).sort_values("chainage", kind="stable")
    along, axis = (frame[name].to_numpy(dtype=np.float64) for name in ("chainage", "axis_z"))
    length = float(scene.plan.run(scene.run_id)["length"])
    low = strip.start if strip.start > 0 else -np.inf
    high = strip.end if strip.end < length else np.inf
    top = graph.box.top - 2.5 * scene.text
    for line in ramp_lines(scene.plan.of("pits", scene.run_id), along, axis, length):
        x, y = graph.x(line[:, 0]), graph.y(line[:, 1])
        seen = (line[:, 0] >= low) & (line[:, 0] <= high) & (y <= top)
        seen &= (x >= graph.box.x) & (x <= right)
        for part in _known(np.column_stack([np.where(seen, x, np.nan), y])):
            pen.line(part, inks.RAMP)
            labels.keep_clear(boxes_along(part, 0.4))


def _events(graph: _Graph, stations: dict[str, FloatArray], labels: Labels) -> None:
    """Label valves and connections on the axis, below the host."""
    scene, text = graph.scene, graph.scene.text
    for chainage, words in digs_by_place(scene):
        level = np.interp(chainage, stations["chainage"], stations["invert"])
        if np.isfinite(level):
            spot = float(graph.x(chainage)), float(graph.y(level))
            labels.add(Label(spot, (words,), 0.75 * text, "#c1121f", above=False, reach=15))


def _columns(scene: Scene) -> FloatArray:
    """Return the chainages the band has columns at, round in the units of the plan."""
    factor = DIMENSIONS["length"].units[unit_of("length", scene.plan.units)]
    step = marks.round_step(3.2 * scene.text / scene.view.per_m / factor) * factor
    first, last = scene.strip.start / step, scene.strip.end / step
    k = np.arange(math.ceil(first - 1e-9), math.floor(last + 1e-9) + 1)
    near = 1.6 * scene.text / scene.view.per_m  # the ends have columns of their own
    inside = k[(k * step > scene.strip.start + near) & (k * step < scene.strip.end - near)]
    return np.concatenate([[scene.strip.start], inside * step, [scene.strip.end]])


def _band(pen: Pen, band: Box, graph: _Graph, stations: dict[str, FloatArray]) -> None:
    """Draw the rows under the graph."""
    scene, text = graph.scene, graph.scene.text
    rows = band.rows([height for _, height in _ROWS])
    for (name, _), row in zip(_ROWS, rows, strict=True):
        pen.line([(row.x, row.top), (row.right, row.top)], inks.THIN)
        unit = "" if name in ("Chainage", "Bends", "Pulls") else unit_of("length", scene.plan.units)
        unit = "%" if name == "Grade" else unit
        words = f"{name}, {unit}" if unit else name
        pen.text(row.x + 0.8 * text, row.middle[1], words, size=0.9 * text)
    edge = graph.box.x
    pen.line([(edge, band.y), (edge, graph.box.top - 2.5 * text)], inks.THIN)
    columns = _columns(scene)
    _numbers(pen, rows, graph, stations, columns)
    _grades(pen, rows[5], graph, stations)
    _bends(pen, rows[6], graph)
    _pulls(pen, rows[7], graph)


def _numbers(
    pen: Pen,
    rows: list[Box],
    graph: _Graph,
    stations: dict[str, FloatArray],
    columns: FloatArray,
) -> None:
    scene, text = graph.scene, graph.scene.text
    level = {n: np.interp(columns, stations["chainage"], stations[n]) for n in stations}
    names = ("ground", "crown", "invert", "depth")
    for k, chainage in enumerate(columns):
        x = float(graph.x(chainage))
        guessed = {name for name in names if _guessed(name, level, k)}
        words = [scene.chainage(chainage)]
        words += [
            figure(level[name][k], "stations", _FIELDS[name], scene.plan.units)
            + (ASSUMED_MARK if name in guessed else "")
            for name in names
        ]
        for row, word in zip(rows, words, strict=False):
            angle = 0.0 if word == "-" else 90.0
            size = fitting_size(word, 0.85 * text, row.h - 0.4 * text)
            pen.text(x, row.middle[1], word, size=size, angle=angle, align="middle")


def fitting_size(word: str, size: float, room: float) -> float:
    """Return the size of the type that a word is as long as the room with, at most that given."""
    return size * min(1.0, room / text_width(word, size))


def _guessed(name: str, level: dict[str, FloatArray], k: int) -> bool:
    """Say whether a level of the band is known, and rests on an assumed cover.

    Where the ground is not known, the host's own level is from inverts, or there is none.
    """
    if not np.isfinite(level[name][k]) or not level["assumed"][k] > 0:
        return False
    return name == "depth" or (name != "ground" and bool(np.isfinite(level["ground"][k])))


def _grades(pen: Pen, row: Box, graph: _Graph, stations: dict[str, FloatArray]) -> None:
    """Write the grade of the axis between the places where it changes."""
    axis = (stations["crown"] + stations["invert"]) / 2
    for part in _known(np.column_stack([stations["chainage"], axis])):
        _grades_of(pen, row, graph, part[:, 0], part[:, 1])


def _grade_text(grade: float) -> str:
    """Return a grade, %, with its sign; none where it is level to the digits shown."""
    text = f"{grade:+.2f}"
    return text if float(text) else text[1:]


def _grades_of(pen: Pen, row: Box, graph: _Graph, along: FloatArray, level: FloatArray) -> None:
    size = 0.85 * graph.scene.text
    for first, last in pairwise(_breaks(along, level)):
        x0, x1 = float(graph.x(along[first])), float(graph.x(along[last]))
        for x in (x0, x1):
            pen.line([(x, row.y), (x, row.top)], inks.THIN)
        grade = 100 * (level[last] - level[first]) / (along[last] - along[first])
        words, middle = _grade_text(grade), ((x0 + x1) / 2, row.middle[1])
        if text_width(words, size) <= x1 - x0 - 0.4:
            pen.text(*middle, words, size=size, align="middle")
        elif size <= x1 - x0:  # too narrow: upright
            pen.text(*middle, words, size=size, angle=90, align="middle")


def _breaks(along: FloatArray, level: FloatArray) -> list[int]:
    """Return the stations between which a level runs straight, within the noise."""
    kept, stack = {0, len(along) - 1}, [(0, len(along) - 1)]
    while stack:
        first, last = stack.pop()
        if last - first < 2:
            continue
        straight = np.interp(along[first:last], along[[first, last]], level[[first, last]])
        off = np.abs(level[first:last] - straight)
        worst = int(np.argmax(off))
        if off[worst] > _GRADE_NOISE:
            kept.add(first + worst)
            stack += [(first, first + worst), (first + worst, last)]
    kept_sorted = sorted(kept)
    return [k for n, k in enumerate(kept_sorted) if n == 0 or along[k] > along[kept_sorted[n - 1]]]


def _bends(pen: Pen, row: Box, graph: _Graph) -> None:
    """Write every bend at its chainage: angle, and the pit that holds all of it."""
    scene, size = graph.scene, 0.85 * graph.scene.text
    taken = -np.inf
    for bend in scene.rows("bends"):
        x = float(graph.x(bend["chainage"]))
        pen.line([(x, row.top), (x, row.top - 0.5 * size)], inks.BEND)
        kind, _, angle = bend_words(bend).partition(" ")
        pit, whole = scene.plan.pit_of_bend(bend)
        words = (angle, f"in pit {short(pit, scene)}" if whole else kind)
        width = max(text_width(w, size) for w in words) + 0.5 * size
        middle = min(max(x, row.x + width / 2 + graph.box.x - row.x, taken + width / 2),
                     row.right - width / 2)  # fmt: skip
        taken = middle + width / 2
        for k, word in enumerate(words):
            y = row.top - (1.15 + 1.2 * k) * size
            pen.text(middle, y, word, size=size, align="middle", colour="#6a1b9a")


def _pull_words(scene: Scene, pull: dict[str, Any]) -> Iterator[str]:
    """Yield what may stand on the arrow of a pull, the longest first."""
    units = scene.plan.units
    name = short(pull["pull_id"], scene)
    force = measured(pull["head_force"], "pulls", "head_force", units)
    words = f"{name}, {scene.length(pull['length'])}"
    yield f"{words}, {pull['direction']}, {force} at the head"
    yield f"{words}, {force}"
    yield words
    yield name


def _pulls(pen: Pen, row: Box, graph: _Graph) -> None:
    """Draw every pull as an arrow with its name, length and force."""
    scene, text = graph.scene, graph.scene.text
    for pull in scene.spans("pulls", "start", "end"):
        start, end = max(pull["start"], scene.strip.start), min(pull["end"], scene.strip.end)
        x0, x1 = float(graph.x(start)), float(graph.x(end))
        y = row.middle[1]
        for x in (x0, x1):
            pen.line([(x, row.y), (x, row.top)], inks.THIN)
        pen.line([(x0, y), (x1, y)], Ink(inks.PULL.line, 0.3))
        behind = pull["direction"] == "behind"
        tip = x0 + 0.6 * text if behind else x1 - 0.6 * text
        marks.arrow_head(pen, tip, y, math.pi if behind else 0.0, 1.2 * text, "#0b3d91")
        words = next((w for w in _pull_words(scene, pull)
                      if text_width(w, 0.9 * text) < x1 - x0 - 3 * text), "")  # fmt: skip
        if words:
            width = text_width(words, 0.9 * text) + text
            pen.box(Box((x0 + x1 - width) / 2, y - 0.7 * text, width, 1.4 * text),
                    Ink(None, fill="#ffffff"))  # fmt: skip
            pen.text((x0 + x1) / 2, y, words, size=0.9 * text, align="middle", colour="#0b3d91")
