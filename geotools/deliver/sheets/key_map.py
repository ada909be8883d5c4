"""The key map: all runs of a plan, north up, laid out once a book and drawn on every sheet.

What is the same on every sheet, the lines, stands in the file once; so do the names around the
run of a sheet, for all its sheets. The run itself is always named. Of more than 200 runs the
longest that have a plan are tried, and those there is room for are named; how many of how many
stands on the map where not all are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotools.deliver.columns import GEOMETRY
from geotools.deliver.sheets import inks
from geotools.deliver.sheets.labels import Label, Labels, boxes_along
from geotools.deliver.sheets.model import Plan
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import Ink, Pen
from geotools.deliver.sheets.strips import View

__all__ = ["KeyMap", "draw_key_map", "key_map"]

FloatArray = npt.NDArray[np.float64]
_RING = 3.0  # mm; a shorter stretch is ringed
_TRIED = 200  # runs; of more the longest are tried, or a map of a city would take minutes
_HEAD = 2.2  # heights of the text, of the words over the map
_HERE, _PLANNED, _BARE = "#c1121f", "#0b3d91", "#9a9a9a"


@dataclass(frozen=True)
class KeyMap:
    """The key map in a box of the sheet.

    Attributes
    ----------
    box : Box
    text : float
        Height of the text, mm.
    view : View or None
        None if the plan has no runs.
    lines : tuple of (Ink, tuple of ndarray)
        Lines of every run on paper.
    names : dict of str to Label
        Of every run.
    room : tuple of str
        Runs whose names find room.
    """

    box: Box
    text: float
    view: View | None = None
    lines: tuple[tuple[Ink, tuple[FloatArray, ...]], ...] = field(default=(), repr=False)
    names: dict[str, Label] = field(default_factory=dict, repr=False)
    room: tuple[str, ...] = field(default=(), repr=False)
    taken: FloatArray = field(default_factory=lambda: np.zeros((0, 4)), repr=False)

    def labels(self) -> Labels:
        """Return the map with its lines and no name yet."""
        head = _HEAD * self.text
        panel = Box(self.box.x, self.box.y, self.box.w, self.box.h - head).inset(0.4)
        return Labels(panel, marks=self.taken)

    def named(self, here: Sequence[str]) -> Labels:
        """Return the names as they lie on a sheet of these runs, which come first."""
        labels = self.labels()
        for run_id in here:
            labels.put(self.names[run_id])
        for run_id in self.room:
            if run_id not in here:
                labels.add(self.names[run_id])
        return labels


def key_map(plan: Plan, box: Box, text: float) -> KeyMap:
    """Lay out the key map of a plan: where its runs lie, and which names find room."""
    runs = plan.tables["runs"]
    shapes = runs[GEOMETRY].to_numpy()
    if not len(shapes):
        return KeyMap(box, text)
    room = Box(box.x, box.y, box.w, box.h - _HEAD * text).inset(_HEAD * text)
    x0, y0, x1, y1 = shapely.total_bounds(shapes)
    per_m = min(room.w / max(x1 - x0, 1.0), room.h / max(y1 - y0, 1.0))
    view = View(((x0 + x1) / 2, (y0 + y1) / 2), 0.0, room.middle, per_m)
    run_ids = [str(run_id) for run_id in runs["run_id"]]
    parts = [_on_paper(shape, view) for shape in shapes]
    colours = [Ink(_PLANNED if run_id in plan.axes else _BARE, 0.35) for run_id in run_ids]
    taken = [boxes_along(points, 0.3) for lines in parts for points in lines]
    names = {
        run_id: Label(_middle(shape, view), (run_id,), 0.75 * text, "#222222", reach=8 * text)
        for run_id, shape in zip(run_ids, shapes, strict=True)
    }
    lines = tuple(zip(colours, parts, strict=True))
    bare = KeyMap(box, text, view, lines, names, (), np.vstack(taken))
    labels = bare.labels()
    found = [run_id for run_id in _tried(plan, run_ids, shapes) if labels.add(names[run_id])]
    return KeyMap(box, text, view, lines, names, tuple(found), bare.taken)


def _on_paper(shape: Any, view: View) -> tuple[FloatArray, ...]:
    parts = shapely.get_parts(shape)
    return tuple(view.paper(shapely.get_coordinates(part)) for part in parts)


def _middle(shape: Any, view: View) -> tuple[float, float]:
    """Return the middle of a run's first part on paper."""
    middle = shapely.line_interpolate_point(shapely.get_parts(shape)[0], 0.5, normalized=True)
    x, y = view.paper(shapely.get_coordinates(middle))[0]
    return float(x), float(y)


def _tried(plan: Plan, run_ids: Sequence[str], shapes: Any) -> list[str]:
    """Return the runs to be named: all, or of very many the longest, those with a plan first."""
    if len(run_ids) <= _TRIED:
        return list(run_ids)
    bare = np.array([run_id not in plan.axes for run_id in run_ids])
    order = np.lexsort([-shapely.length(shapes), bare])
    return [run_ids[k] for k in order[:_TRIED]]


def draw_key_map(
    pen: Pen, key: KeyMap, plan: Plan, *, shown: Sequence[tuple[str, float, float]] = ()
) -> None:
    """Draw the key map of a sheet; the stretches shown are set off."""
    box = key.box
    pen.form(("key map", box), lambda: _draw_runs(pen, key))
    if key.view is None:
        return
    for run_id, start, end in shown:
        points = key.view.paper(plan.axes[run_id].between(start, end))
        pen.line(points, Ink(_HERE, 1.0))
        if np.ptp(points, axis=0).max() < _RING:  # too short to be seen
            x, y = points.mean(axis=0)
            pen.circle(float(x), float(y), _RING / 2, Ink(_HERE, 0.4))
    here = tuple(dict.fromkeys(run_id for run_id, _, _ in shown))
    pen.form(("key map", box, here), lambda: _draw_names(pen, key, here))


def _draw_runs(pen: Pen, key: KeyMap) -> None:
    """Draw what is the same on every sheet."""
    box, text = key.box, key.text
    pen.box(box, inks.EDGE)
    pen.text(box.x + text, box.top - 1.2 * text, "Key map, north up", size=text, bold=True)
    if key.view is None:
        x, y = box.x + _HEAD * text, box.top - 2 * _HEAD * text - text
        pen.text(x, y, "The plan has no runs: see its findings.", size=text)
    for ink, parts in key.lines:
        for points in parts:
            pen.line(points, ink)


def _draw_names(pen: Pen, key: KeyMap, here: Sequence[str]) -> None:
    """Write the names around the runs of a sheet, and how many they are where some have none."""
    labels = key.named(here)
    labels.draw(pen)
    named, runs = len(labels.placed), len(key.names)
    if named < runs:
        words, box, text = f"{named} of {runs} runs named", key.box, key.text
        x, y = box.right - text, box.top - 1.2 * text
        pen.text(x, y, words, size=0.75 * text, align="right", colour=inks.MUTED)
