"""The plan strip of a sheet: the run and what lies along it, turned to run left to right."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.columns import GEOMETRY
from geotools.deliver.sheets import inks, marks
from geotools.deliver.sheets.labels import Label, Labels, boxes_along
from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.model import CONTEXT, Plan
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import CAP, Ink, Pen
from geotools.deliver.sheets.strips import Axis, Strip, View
from geotools.deliver.shut import valves_to_close
from geotools.deliver.wording import (
    chainage_text,
    depth_words,
    dig_words,
    figure,
    in_system,
    in_words,
    unit_of,
    working_days,
)
from geotools.schema import DIMENSIONS, angle_text

__all__ = ["Scene", "bend_words", "digs_by_place", "draw_plan", "short"]

FloatArray = npt.NDArray[np.float64]
_OVERLAP = 8.0  # mm drawn beyond a match line
_ON_THE_RUN = 1.5  # m; a feature of the source this near belongs to the run
_SAME_PLACE = 2.0  # m along the run; two labels of one thing are one too many
_WIDEST_STREET = 50.0  # m; how far beyond the panel a centreline may lie and still matter
_SMALL = 20.0  # mm2; a smaller area has no words
# What is drawn of other runs, and the column that says which it is; of a closure nothing does.
_OTHERS = {"closures": "", "strings": "string_id", "pit_footprints": "pit_id"}
_TICK = 8.0  # heights of the text, least spacing of chainage marks


@dataclass(frozen=True)
class Scene:
    """What one sheet shows: a strip of a run, how it lies on paper, and its neighbours.

    ``before`` and ``after`` are the numbers of the sheets that go on; None where the run ends.
    """

    plan: Plan
    run_id: str
    axis: Axis
    strip: Strip
    view: View
    scale: float
    text: float
    before: int | None
    after: int | None

    def rows(self, table: str, column: str = "chainage") -> list[dict[str, Any]]:
        """Return the rows of a table that lie on the strip."""
        frame = self.plan.of(table, self.run_id)
        along = frame[column].to_numpy(dtype=np.float64)
        inside = (along >= self.strip.start - 1e-6) & (along <= self.strip.end + 1e-6)
        return list(frame[inside].to_dict("records"))

    def spans(self, table: str, start: str, end: str) -> list[dict[str, Any]]:
        """Return the rows of a table whose stretch reaches into the strip."""
        frame = self.plan.of(table, self.run_id)
        low, high = (frame[c].to_numpy(dtype=np.float64) for c in (start, end))
        inside = (low < self.strip.end - 1e-6) & (high > self.strip.start + 1e-6)
        return list(frame[inside].to_dict("records"))

    def length(self, value: float) -> str:
        """Return a length to a tenth of its unit."""
        units = self.plan.units
        return f"{in_system(value, 'length', units):,.1f} {unit_of('length', units)}"

    def depth(self, pit: Mapping[str, Any]) -> str:
        """Say how deep the invert lies at a pit, and that it is assumed where it is."""
        return depth_words(pit["depth"], pit["depth_source"], self.plan.units)

    def dig_depth(self, pit: Mapping[str, Any]) -> str:
        """Return what is dug at a pit; nothing where the plan does not tell."""
        return dig_words(pit["dig_depth"], pit["deepest"], self.plan.units)

    def chainage(self, value: float) -> str:
        """Return a chainage as text."""
        return chainage_text(value, self.plan.units)

    def spot(self, chainage: float) -> tuple[float, float]:
        """Return where a chainage lies on paper."""
        x, y = self.view.paper(self.axis.at(chainage))[0]
        return float(x), float(y)

    def heading(self, chainage: float) -> float:
        """Return the direction of the run on paper at a chainage, radians."""
        return self.axis.heading(chainage) - self.view.angle


def draw_plan(pen: Pen, box: Box, scene: Scene) -> int:
    """Draw the plan strip.

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
    labels = Labels(box.inset(1.0))
    drawn = _Drawn(scene, box)
    with pen.within(box):
        _carriageways(pen, drawn)
        _works(pen, drawn, labels)
        _works_of_others(pen, drawn, labels)
        _surroundings(pen, drawn, labels)
        _run(pen, drawn, labels)
        _string_edges(pen, drawn)
    _run_labels(labels, drawn)
    _street_names(pen, labels, drawn)
    _avoid_names(pen, labels, drawn)
    _other_labels(labels, drawn)
    _names_of_others(labels, drawn)
    labels.draw(pen)
    pen.box(box, inks.EDGE)
    return labels.left_out


@dataclass(frozen=True)
class _Drawn:
    """A scene and its panel: shapes of the ground as they fall on the panel."""

    scene: Scene
    box: Box

    def shape(self, geometry: Any) -> Any:
        """Return a shape in mm of paper, cut at the panel."""
        moved = shapely.transform(geometry, self.scene.view.paper)
        if moved.is_empty:
            return moved
        if moved.geom_type in ("Polygon", "MultiPolygon") and not moved.is_valid:
            moved = shapely.make_valid(moved)
        return shapely.clip_by_rect(moved, *self.box.bounds)

    def context(self, layer: str) -> Iterator[tuple[dict[str, Any], Any]]:
        """Yield the features of a layer of the source that fall on the panel, and their shape."""
        for row in self.features:
            if row["layer"] == layer:
                shape = self.shape(row[GEOMETRY])
                if not shape.is_empty:
                    yield row, shape

    def others(self, table: str) -> Iterator[tuple[dict[str, Any], Any]]:
        """Yield the rows of other runs that fall on the panel, and their shape."""
        for row in self.scene.plan.near(table, self.panel).to_dict("records"):
            if row["run_id"] != self.scene.run_id:
                yield row, self.shape(row[GEOMETRY])

    @cached_property
    def panel(self) -> Any:
        """Return the panel on the ground."""
        x0, y0, x1, y1 = self.box.bounds
        corners = np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])
        return shapely.Polygon(self.scene.view.ground(corners))

    @cached_property
    def features(self) -> list[dict[str, Any]]:
        """Features of the source that reach into the panel."""
        if self.scene.plan.context is None:
            return []
        around = self.panel.buffer(_WIDEST_STREET)
        return list(self.scene.plan.near(CONTEXT, around).to_dict("records"))

    def stretch(self, start: float, end: float) -> FloatArray:
        """Return a stretch of the run in mm of paper."""
        return self.scene.view.paper(self.scene.axis.between(start, end))


def _surroundings(pen: Pen, drawn: _Drawn, labels: Labels) -> None:
    """Draw street axes, places to avoid, other mains, laterals.

    Over the areas of the works: what lies in the ground must show where it is dug.
    """
    for _, shape in drawn.context("streets"):
        pen.shape(shape, inks.STREET_AXIS)
    for row, shape in drawn.context("avoid"):
        pen.shape(shape, inks.AVOID)
        labels.lines.append(_outline(shape))
        if row["buffer"] > 0:
            pen.shape(drawn.shape(shapely.buffer(row[GEOMETRY], row["buffer"])), inks.AVOID_BUFFER)
    near = drawn.scene.axis.xy
    run = shapely.LineString(near).buffer(0.5)
    for row, _ in drawn.context("mains"):
        away = drawn.shape(shapely.difference(row[GEOMETRY], run))
        pen.shape(away, inks.OTHER_MAIN)
        labels.lines.append(away)
    for _, shape in drawn.context("laterals"):
        pen.shape(shape, inks.CONTEXT_LINE)
        labels.lines.append(shape)


def _outline(shape: Any) -> Any:
    """Return the edge of an area, a line as it is."""
    return shapely.boundary(shape) if "Polygon" in shape.geom_type else shape


def _carriageways(pen: Pen, drawn: _Drawn) -> None:
    rows = [row for row in drawn.features if row["layer"] == "streets"]
    widths = np.array([row["width"] for row in rows], dtype=np.float64)
    lines = np.array([row[GEOMETRY] for row in rows], dtype=object)
    known = np.isfinite(widths) & (widths > 0)
    areas = shapely.buffer(lines[known], widths[known] / 2, cap_style="flat", join_style="round")
    pen.shape(drawn.shape(shapely.union_all(areas)), inks.STREET)


def _works(pen: Pen, drawn: _Drawn, labels: Labels) -> None:
    """Draw closures, strings and pits."""
    scene = drawn.scene
    for table, ink in (("closures", inks.CLOSURE), ("strings", inks.STRING)):
        for row in scene.plan.of(table, scene.run_id).to_dict("records"):
            shape = drawn.shape(row[GEOMETRY])
            pen.shape(shape, ink)
            labels.lines.append(_outline(shape))
    for row in scene.plan.of("pit_footprints", scene.run_id).to_dict("records"):
        shape = drawn.shape(row[GEOMETRY])
        pen.shape(shape, inks.PIT)
        if not shape.is_empty:
            labels.keep_clear(np.array([shape.bounds]))


def _works_of_others(pen: Pen, drawn: _Drawn, labels: Labels) -> None:
    """Draw the edges of other runs' closures, strings and pits: they may want the same ground."""
    for table in _OTHERS:
        for _, shape in drawn.others(table):
            edge = _outline(shape)
            pen.shape(edge, inks.OTHER_WORKS)
            labels.lines.append(edge)


def _names_of_others(labels: Labels, drawn: _Drawn) -> None:
    """Label what is drawn of other runs, where the words of the run itself leave room."""
    size = 0.8 * drawn.scene.text
    for table, name in _OTHERS.items():
        for row, shape in drawn.others(table) if name else ():
            if shape.area >= _SMALL / 4:
                at = shapely.get_coordinates(shapely.point_on_surface(shape))[0]
                labels.add(Label((at[0], at[1]), (str(row[name]),), size, inks.MUTED))


def _string_edges(pen: Pen, drawn: _Drawn) -> None:
    """Draw the edges of strings again: one laid over the host is as narrow as the pull drawn."""
    for row in drawn.scene.plan.of("strings", drawn.scene.run_id).to_dict("records"):
        pen.shape(_outline(drawn.shape(row[GEOMETRY])), inks.STRING)


def _run(pen: Pen, drawn: _Drawn, labels: Labels) -> None:
    """Draw the host, the pulls in it with their direction, marks and match lines."""
    scene, strip, text = drawn.scene, drawn.scene.strip, drawn.scene.text
    beyond = _OVERLAP / scene.view.per_m
    low, high = max(strip.start - beyond, 0.0), min(strip.end + beyond, scene.axis.length)
    whole = drawn.stretch(low, high)
    pen.line(whole, inks.HOST)
    labels.keep_clear(boxes_along(whole, 0.6))
    for pull in scene.spans("pulls", "start", "end"):
        start, end = max(pull["start"], strip.start), min(pull["end"], strip.end)
        pen.line(drawn.stretch(start, end), inks.PULL)
        for chainage in _arrow_places(start, end, scene.view.per_m):
            turn = math.pi if pull["direction"] == "behind" else 0.0
            x, y = scene.spot(chainage)
            marks.arrow_head(pen, x, y, scene.heading(chainage) + turn, 1.5 * text, "#0b3d91")
            labels.keep_clear([Box(x - text, y - text, 2 * text, 2 * text)])
    _chainage_marks(pen, scene, labels)
    _symbols(pen, drawn, labels)
    for chainage, number in ((strip.start, scene.before), (strip.end, scene.after)):
        if number is not None:
            _match_line(pen, drawn, labels, chainage, number)


def _arrow_places(start: float, end: float, per_m: float) -> FloatArray:
    """Return chainages for arrow heads: at least one, at most every 45 mm."""
    n = max(1, round((end - start) * per_m / 45))
    return np.asarray(start + (np.arange(n) + 0.5) / n * (end - start))


def _tick_step(scene: Scene) -> float:
    """Return the spacing of chainage marks, m, round in the units of the plan."""
    factor = DIMENSIONS["length"].units[unit_of("length", scene.plan.units)]
    return marks.round_step(_TICK * scene.text / scene.view.per_m / factor) * factor


def _chainage_marks(pen: Pen, scene: Scene, labels: Labels) -> None:
    step, size = _tick_step(scene), 0.8 * scene.text
    first = math.ceil(scene.strip.start / step - 1e-9)
    for k in range(first, math.floor(scene.strip.end / step + 1e-9) + 1):
        (x, y), angle = scene.spot(k * step), scene.heading(k * step)
        nx, ny = -math.sin(angle), math.cos(angle)
        pen.line([(x - nx * 0.9, y - ny * 0.9), (x + nx * 0.9, y + ny * 0.9)], inks.EDGE)
        labels.keep_clear([Box(x - 0.9, y - 0.9, 1.8, 1.8)])
        words = scene.chainage(k * step).removesuffix(".0")
        label = Label((x, y), (words,), size, inks.MUTED, above=False, reach=2.5 * size)
        if not labels.add(label):
            labels.left_out -= 1  # the marks go on; one without words is no loss


def _match_line(pen: Pen, drawn: _Drawn, labels: Labels, chainage: float, number: int) -> None:
    """Draw a match line across the run and name the sheet that goes on."""
    scene, box, size = drawn.scene, drawn.box.inset(2.0), drawn.scene.text
    x, y = scene.spot(chainage)
    angle = scene.heading(chainage) + math.pi / 2
    reach = box.w + box.h
    ends = [(x + s * reach * math.cos(angle), y + s * reach * math.sin(angle)) for s in (-1, 1)]
    line = shapely.clip_by_rect(shapely.LineString(ends), *box.bounds)
    points = shapely.get_coordinates(line)
    pen.line(points, inks.MATCH)
    words = f"match line {scene.chainage(chainage)}, see sheet {number}"
    toward = 1 if chainage == scene.strip.start else -1
    forward = angle - math.pi / 2
    away = toward * np.array([math.cos(forward), math.sin(forward)]) * size
    up = angle if math.sin(angle) > 0 else angle + math.pi
    _beside_line(pen, labels, words, points + away, up, size)
    labels.keep_clear(boxes_along(points, 0.4))


def _beside_line(
    pen: Pen, labels: Labels, words: str, points: FloatArray, angle: float, size: float
) -> None:
    """Write along a line where there is room, near an end rather than in the middle."""
    width, along = text_width(words, size), np.array([math.cos(angle), math.sin(angle)])
    low, high = points[np.argsort(points @ along)]
    reach = float((high - low) @ along)
    shifts = np.linspace(3 * size, reach - width - 3 * size, 12)
    shifts = shifts[np.argsort(np.minimum(np.arange(12), np.arange(12)[::-1]), kind="stable")]
    places = [np.array([low + along * s, low + along * (s + width)]) for s in shifts]
    boxes = [boxes_along(place, 0.7 * size) for place in places]
    free = [k for k, rows in enumerate(boxes) if labels.free(rows)]
    clear = [k for k in free if labels.off_lines(places[k], 0.7 * size)]
    best = next(iter([*clear, *free, 0]))
    across = 0.7 * size * np.array([-along[1], along[0]])
    start, end = places[best]
    pen.rings(
        [[start - across, end - across, end + across, start + across]], Ink(None, fill="#ffffff")
    )
    pen.text(start[0], start[1], words, size=size, angle=math.degrees(angle))
    labels.keep_clear(boxes[best], words=True)


def _symbols(pen: Pen, drawn: _Drawn, labels: Labels) -> None:
    """Draw what is a point of the source; bends and digs of the run."""
    scene, size = drawn.scene, 1.1 * drawn.scene.text
    for layer in ("fittings", "valves", "hydrants", "sources", "laterals", "avoid"):
        for row, shape in drawn.context(layer):
            if shape.geom_type != "Point":
                continue
            x, y = shape.x, shape.y
            marks.of_source(pen, layer, x, y, _direction_at(drawn, row[GEOMETRY]), size)
            labels.keep_clear([Box(x - size / 2, y - size / 2, size, size)])
    for row in scene.rows("local_digs"):
        if not row["spared"]:
            x, y = scene.spot(row["chainage"])
            marks.cross(pen, x, y, 0.9 * size)
            labels.keep_clear([Box(x - size / 2, y - size / 2, size, size)])
    for x, y, _ in _shut(drawn):
        marks.shut(pen, x, y, size)
        labels.keep_clear([Box(x - size / 2, y - size / 2, size, size)])
    for row in scene.rows("bends"):
        x, y = scene.spot(row["chainage"])
        marks.bend(pen, x, y, size)
        labels.keep_clear([Box(x - size / 2, y - size / 2, size, size)])


def _shut(drawn: _Drawn) -> Iterator[tuple[float, float, str]]:
    """Yield where valves to close for the run lie on the panel, and their names."""
    scene = drawn.scene
    for row in scene.plan.of("shutdowns", scene.run_id).to_dict("records"):
        for point, name in valves_to_close(
            row[GEOMETRY], row["valves"], scene.plan.context, in_order=row["valves_in_order"]
        ):
            shape = drawn.shape(point)
            if not shape.is_empty:
                yield shape.x, shape.y, name


def _direction_at(drawn: _Drawn, point: Any) -> float:
    """Return the direction on paper of the main a feature sits on, as far as it is known."""
    scene = drawn.scene
    line = shapely.LineString(scene.axis.xy)
    if shapely.distance(line, point) <= _ON_THE_RUN:
        share = shapely.line_locate_point(line, point, normalized=True)
        along = float(share) * shapely.length(line)
        raw = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(scene.axis.xy, axis=0).T))])
        return scene.heading(float(np.interp(along, raw, scene.axis.chainage)))
    mains = [row[GEOMETRY] for row in drawn.features if row["layer"] == "mains"]
    if not mains:
        return 0.0
    main = mains[int(np.argmin(shapely.distance(np.array(mains, dtype=object), point)))]
    at = shapely.line_locate_point(main, point)
    ends = shapely.line_interpolate_point(main, [max(at - 0.5, 0.0), at + 0.5])
    (dx, dy) = np.diff(shapely.get_coordinates(ends), axis=0)[0]
    return math.atan2(dy, dx) - scene.view.angle


def _run_labels(labels: Labels, drawn: _Drawn) -> None:
    """Label pits, pulls and bends."""
    scene, text = drawn.scene, drawn.scene.text
    for pit in scene.rows("pits"):
        labels.add(Label(scene.spot(pit["chainage"]), pit_lines(scene, pit), text, "#8d0c17", True,
                         frame=True, reach=drawn.box.h / 2))  # fmt: skip
    for row in scene.rows("bends"):
        words = (bend_words(row), scene.chainage(row["chainage"]))
        spot = scene.spot(row["chainage"])
        labels.add(Label(spot, words, 0.85 * text, "#6a1b9a", reach=drawn.box.h / 2))
    for pull in scene.spans("pulls", "start", "end"):
        start, end = max(pull["start"], scene.strip.start), min(pull["end"], scene.strip.end)
        lines = (
            f"{pull['pull_id']}, {scene.length(pull['length'])}",
            f"{short(pull['insertion_pit'], scene)} to {short(pull['receiving_pit'], scene)}",
        )
        spot = scene.spot(0.55 * start + 0.45 * end)
        labels.add(Label(spot, lines, text, "#0b3d91", True, above=False))


def bend_words(row: dict[str, Any]) -> str:
    """Return what a bend is called: bend or curve, and its angle."""
    angle = f"{angle_text(row['deflection'])}°"
    return f"curve {angle}" if row["kind"] == "curve" else f"bend {angle}"


def short(pit_id: str, scene: Scene) -> str:
    """Return the name of a pit without that of its run."""
    return str(pit_id).removeprefix(f"{scene.run_id}-")


def pit_lines(scene: Scene, pit: dict[str, Any]) -> tuple[str, ...]:
    """Return what stands beside a pit: name and role, size, depths, chainage."""
    units = scene.plan.units
    long, wide = (figure(pit[name], "pits", name, units) for name in ("length", "width"))
    dig = scene.dig_depth(pit)
    role = in_words(pit["role"])
    size = f"{long} x {wide} {unit_of('length', units)}"
    if pit["side_slope"] > 0:  # its ground is drawn as it is opened at the top
        size += " at the bottom"
    return (
        f"{short(pit['pit_id'], scene)} {role}",
        size + (f", dug {dig} deep" if dig else ""),
        scene.depth(pit),
        f"ch {scene.chainage(pit['chainage'])}",
    )


def _other_labels(labels: Labels, drawn: _Drawn) -> None:
    """Label digs, features of the source on the run, strings and closures."""
    scene, text = drawn.scene, drawn.scene.text
    for x, y, name in _shut(drawn):
        labels.add(
            Label((x, y), (f"close {name}".strip(),), 0.8 * text, inks.SHUT.line or "", True)
        )
    told: list[float] = [row["chainage"] for row in scene.rows("bends")]
    for chainage, words in digs_by_place(scene):
        told.append(chainage)
        lines = (f"{words} {scene.chainage(chainage)}",)
        labels.add(Label(scene.spot(chainage), lines, 0.8 * text, "#c1121f", above=False))
    for anchor, name, along in _features(drawn):
        if all(abs(along - other) > _SAME_PLACE for other in told):
            labels.add(Label(anchor, (name,), 0.8 * text, above=False))
    for table, colour in (("strings", "#116141"), ("closures", "#8a5a00")):
        for row in scene.plan.of(table, scene.run_id).to_dict("records"):
            shape = drawn.shape(row[GEOMETRY])
            if shape.is_empty:
                continue
            if shape.area < _SMALL:
                labels.left_out += 1
                continue
            at = shapely.get_coordinates(shapely.point_on_surface(shape))[0]
            labels.add(Label((at[0], at[1]), _area_words(scene, table, row), 0.8 * text, colour))


def digs_by_place(scene: Scene) -> list[tuple[float, str]]:
    """Return chainage and words of what is dug up; those of a kind at one place together."""
    counted: dict[tuple[str, str], list[float]] = {}
    for row in scene.rows("local_digs"):
        if not row["spared"]:
            key = (scene.chainage(row["chainage"]), in_words(row["kind"]))
            counted.setdefault(key, []).append(row["chainage"])
    return [
        (at[0], kind if len(at) == 1 else f"{len(at)} {kind}s") for (_, kind), at in counted.items()
    ]


def _features(drawn: _Drawn) -> Iterator[tuple[tuple[float, float], str, float]]:
    """Yield place, words and chainage of the valves and fittings on the strip."""
    scene = drawn.scene
    line = shapely.LineString(scene.axis.xy)
    for layer in ("valves", "fittings", "hydrants", "sources"):
        for row, shape in drawn.context(layer):
            point = row[GEOMETRY]
            if shape.geom_type != "Point" or shapely.distance(line, point) > _ON_THE_RUN:
                continue
            share = float(shapely.line_locate_point(line, point, normalized=True))
            along = share * scene.axis.length
            if not scene.strip.start <= along <= scene.strip.end:
                continue
            words = " ".join(dict.fromkeys([layer.removesuffix("s"), row["kind"]]).keys())
            yield (shape.x, shape.y), words.strip(), along


def _area_words(scene: Scene, table: str, row: dict[str, Any]) -> tuple[str, ...]:
    if table == "strings":
        name = str(row["string_id"]).removeprefix(f"{scene.run_id}-")
        return (f"string {name}, {scene.length(row['length'])}",)
    lanes, left = int(row["lanes_closed"]), int(row["lanes_left"])
    days = working_days(row["first_day"], row["last_day"], row["days"])
    shut = f"{lanes} lane{'s' * (lanes > 1)}" if lanes else "the one lane"  # told with the other
    return (
        f"closure {short(row['closure_id'], scene)}: {shut} shut, "
        f"{left or 'none'} open that way",  # the other direction may have its own lanes
        *([days] if days else []),
    )


def _avoid_names(pen: Pen, labels: Labels, drawn: _Drawn) -> None:
    """Write what a place to avoid is, inside it or along it, where there is room."""
    size = 0.85 * drawn.scene.text
    for row, shape in drawn.context("avoid"):
        words = row["kind"] or row["name"]
        lines = [p for p in shapely.get_parts(shape) if p.geom_type == "LineString"]
        if shape.geom_type == "Point":
            labels.add(Label((shape.x, shape.y), (words,), size, "#8a4b00"))
        elif lines:
            _street_name(pen, labels, words, [(line, 0.0) for line in lines], size, "#8a4b00")
        elif shape.geom_type == "Polygon":
            x, y = shapely.get_coordinates(shapely.point_on_surface(shape))[0]
            half = text_width(words, size) / 2
            inside = shapely.box(x - half, y - size / 2, x + half, y + size / 2)
            room = np.array([inside.bounds])
            if shape.contains(inside) and labels.free(room):
                pen.text(x, y, words, size=size, align="middle", colour="#8a4b00")
                labels.keep_clear(room, words=True)


def _street_names(pen: Pen, labels: Labels, drawn: _Drawn) -> None:
    """Write the name of every street along it, once, where there is room."""
    size = 1.05 * drawn.scene.text
    parts: dict[str, list[Any]] = {}
    for row, shape in drawn.context("streets"):
        lines = [p for p in shapely.get_parts(shape) if p.geom_type == "LineString"]
        half = row["width"] * drawn.scene.view.per_m / 2 if row["width"] > 0 else 0.0
        parts.setdefault(row["name"], []).extend((line, half) for line in lines)
    for name, found in sorted(parts.items()):
        if name:
            _street_name(pen, labels, name, found, size)


def _street_name(
    pen: Pen,
    labels: Labels,
    name: str,
    lines: list[Any],
    size: float,
    colour: str = inks.MUTED,
) -> None:
    """Write a name along the longest line that has room: off other lines, else across them."""
    width = text_width(name, size)
    for clear in (True, False):
        for line, half in sorted(lines, key=lambda item: -item[0].length):
            for share, away in _places_along(half, size):
                ends = _along(line, share, away, width)
                if ends is None or (clear and not labels.off_lines(ends, 0.5 * size)):
                    continue
                if _write_between(pen, labels, name, ends, size, colour, mask=not clear):
                    return


def _places_along(half: float, size: float) -> Iterator[tuple[float, float]]:
    """Yield share of the length and offset to the left to try: inside a street, then beside it."""
    for away in (max(half - 0.8 * size, 0.8 * size), half + 0.8 * size):
        for share in (0.5, 0.4, 0.6, 0.3, 0.7, 0.2, 0.8, 0.1, 0.9):
            yield share, -away
            yield share, away


def _along(line: Any, share: float, away: float, width: float) -> FloatArray | None:
    """Return the ends of words along a line, readable from below; None where it bends too much.

    ``away`` is to the left of the line.
    """
    at = share * line.length
    low, high = at - width / 2, at + width / 2
    if low < 0 or high > line.length:
        return None
    ends = shapely.get_coordinates(shapely.line_interpolate_point(line, [low, high]))
    dx, dy = ends[1] - ends[0]
    if math.hypot(dx, dy) < 0.98 * width:
        return None
    angle = math.atan2(dy, dx)
    ends = ends + away * np.array([-math.sin(angle), math.cos(angle)])
    upside_down = math.cos(angle) < -1e-6 or (abs(math.cos(angle)) <= 1e-6 and dy < 0)
    return np.asarray(ends[::-1] if upside_down else ends, dtype=np.float64)


def _write_between(
    pen: Pen,
    labels: Labels,
    name: str,
    ends: FloatArray,
    size: float,
    colour: str,
    *,
    mask: bool,
) -> bool:
    """Write a name from end to end if nothing lies there, over a white ground if it is masked."""
    boxes = boxes_along(ends, CAP * size * 0.7)
    if not labels.free(boxes):
        return False
    (x, y), (dx, dy) = ends[0], ends[1] - ends[0]
    if mask:
        pen.shape(
            shapely.LineString(ends).buffer(0.5 * size, cap_style="flat"), Ink(None, fill="#ffffff")
        )
    pen.text(x, y, name, size=size, angle=math.degrees(math.atan2(dy, dx)), colour=colour)
    labels.keep_clear(boxes, words=True)
    return True
