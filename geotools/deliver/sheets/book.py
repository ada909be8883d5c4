"""The book: a cover, then the sheets and schedules of each run, written as one PDF."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geotools.brief import Sheets
from geotools.deliver.columns import GEOMETRY
from geotools.deliver.files import replacing
from geotools.deliver.sheets import inks, schedules, side
from geotools.deliver.sheets.key_map import KeyMap, draw_key_map, key_map
from geotools.deliver.sheets.model import Plan
from geotools.deliver.sheets.paper import (
    Box,
    Layout,
    Paper,
    layout_of,
    standard_scales,
)
from geotools.deliver.sheets.pen import Pen
from geotools.deliver.sheets.plan_view import Scene, draw_plan
from geotools.deliver.sheets.profile import draw_profile, graph_of
from geotools.deliver.sheets.side import Stamp
from geotools.deliver.sheets.strips import Strip, View, fit_scale, view_of
from geotools.deliver.sheets.tables import Piece, Table, draw_piece, draw_table, flow
from geotools.deliver.wording import chainage_text, scale_text
from geotools.tool import Progress, silent

__all__ = ["FIELDS", "HINT", "Book", "Sheet", "make_book", "works_beyond", "write_book"]

# Free texts of the title block; the note of the section stands elsewhere.
FIELDS = tuple(Sheets.model_fields)
_PLAN_MARGIN = 14.0  # heights of the text kept free over and under the axis, for labels
_TITLE = "Plan and profile of pulls into old mains"
_SHARE_BEYOND = 0.02  # of an area; less of it off all sheets is not told
_ENDS = 2.0  # mm kept free before and after a strip
_MANY = 1000  # sheets; a book of more is told of
HINT = "--runs draws only those of some runs"


@dataclass(frozen=True)
class Sheet:
    """One page: what it shows, and how it is drawn once the number of pages is known."""

    kind: str
    title: str
    detail: str
    scale: str
    run_id: str
    draw: Callable[[Pen, Book, int], None]


@dataclass(frozen=True)
class Book:
    """All sheets in order, on one kind of paper."""

    plan: Plan
    paper: Paper
    layout: Layout
    fields: Mapping[str, str]
    sheets: tuple[Sheet, ...]
    keys: dict[Box, KeyMap] = field(default_factory=dict, repr=False)

    @property
    def large(self) -> bool:
        """Whether the sheets are so many that somebody may want fewer."""
        return len(self.sheets) > _MANY

    def key(self, box: Box) -> KeyMap:
        """Return the key map in a box, laid out when it is first asked for."""
        if box not in self.keys:
            self.keys[box] = key_map(self.plan, box, self.paper.text)
        return self.keys[box]

    def stamp(self, number: int) -> Stamp:
        """Return the title block of a sheet."""
        sheet = self.sheets[number - 1]
        return Stamp(
            {**self.fields, "title": self.fields.get("title") or _TITLE},
            sheet.title,
            sheet.detail,
            sheet.scale,
            number,
            len(self.sheets),
            self.paper.name,
        )


def make_book(
    plan: Plan,
    paper: Paper,
    *,
    scale: int | None,
    fields: Mapping[str, str],
    progress: Progress = silent,
) -> Book:
    """Lay out all sheets of a plan.

    Parameters
    ----------
    plan : Plan
    paper : Paper
    scale : int, optional
        The number under the 1; a standard one that fits is chosen if it is not given.
    fields : mapping of str to str
        Texts of the title block and the note, by the names in `FIELDS`.
    progress : Progress
        Told of every run.
    """
    layout = layout_of(paper)
    sheets: list[Sheet] = []
    for count, run in enumerate(plan.axes):
        progress("laying out sheets", count, len(plan.axes))
        sheets += _run_sheets(plan, paper, layout, run, scale)
    covers = len(_cover_pages(plan, paper, layout, sheets, 1))
    pages = _cover_pages(plan, paper, layout, sheets, 1 + covers)
    front = [
        Sheet("cover", "Cover" if k == 0 else f"Cover, page {k + 1}",
              "index, quantities, key map" if k == 0 else "continued", "-", "",
              partial(_draw_cover, page, k))
        for k, page in enumerate(pages)
    ]  # fmt: skip
    return Book(plan, paper, layout, fields, (*front, *sheets))


def write_book(
    target: Path, book: Book, *, overwrite: bool = True, progress: Progress = silent
) -> None:
    """Write a book, whole or not at all.

    Parameters
    ----------
    target : Path
        As `geotools.deliver.files.check_file` returned it.
    book : Book
    overwrite : bool
        Whether a file that came to be there in the meantime may be replaced.
    progress : Progress
        Told of every sheet.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    title = book.fields.get("title") or f"{_TITLE}, {book.plan.name}"
    stage = f"drawing {len(book.sheets):,} sheets" + (f", {HINT}" if book.large else "")
    with replacing(target, overwrite=overwrite) as part:
        pen = Pen(part, book.paper, title=title, subject=f"made from {book.plan.name}")
        last = ""
        for number, sheet in enumerate(book.sheets, start=1):
            progress(stage, number, len(book.sheets))
            if number > 1:
                pen.next_page()
            if sheet.run_id and sheet.run_id != last:
                pen.bookmark(f"run-{sheet.run_id}", f"Run {sheet.run_id}", 0)
            last = sheet.run_id
            name = f"{number}  {sheet.title}, {sheet.detail}"
            pen.bookmark(_key(number), name, 1 if sheet.run_id else 0)
            side.draw_frame(pen, book.layout)
            sheet.draw(pen, book, number)
            side.title_block(pen, book.layout.title, book.stamp(number), book.paper.text)
        pen.save()


def _key(number: int) -> str:
    return f"sheet-{number}"


def _run_sheets(
    plan: Plan, paper: Paper, layout: Layout, run_id: str, scale: int | None
) -> list[Sheet]:
    """Return the strips of a run, then its schedules."""
    axis = plan.axes[run_id]
    scales = (scale,) if scale else standard_scales(paper, plan.units)
    width = graph_of(layout.profile, paper.text).w - 2 * _ENDS
    height = layout.plan.h - 2 * _PLAN_MARGIN * paper.text
    chosen, strips = fit_scale(axis, scales=scales, width=width, height=height)
    words = scale_text(chosen, plan.units)
    sheets = []
    views = [view_of(axis, strip, scale=chosen, middle=_middle(layout, paper)) for strip in strips]
    beyond = works_beyond(plan, run_id, [_panel(layout.plan, view) for view in views])
    for k, strip in enumerate(strips):
        ends = " to ".join(chainage_text(c, plan.units) for c in (strip.start, strip.end))
        title = f"Run {run_id}, plan and profile {k + 1} of {len(strips)}"
        draw = partial(_draw_strip, run_id, strip, chosen, k > 0, k < len(strips) - 1, beyond[k])
        sheets.append(Sheet("strip", title, f"chainage {ends}", words, run_id, draw))
    pages = flow(schedules.run_tables(plan, run_id), _columns(layout, paper), 0.85 * paper.text)
    for k, page in enumerate(pages):
        title = f"Run {run_id}, schedules {k + 1} of {len(pages)}"
        draw = partial(_draw_schedule, run_id, page)
        sheets.append(Sheet("schedule", title, _shows(page), "-", run_id, draw))
    return sheets


def _middle(layout: Layout, paper: Paper) -> tuple[float, float]:
    """Return where the middle of a strip lies on paper."""
    return graph_of(layout.profile, paper.text).middle[0], layout.plan.middle[1]


def _panel(box: Box, view: View) -> Any:
    """Return the ground that a panel shows."""
    x0, y0, x1, y1 = box.bounds
    return shapely.Polygon(view.ground(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)])))


def works_beyond(plan: Plan, run_id: str, panels: Sequence[Any]) -> list[tuple[str, ...]]:
    """Return, of every sheet, the strings and closures that reach past it onto no other.

    One that lies on none is told on the sheet nearest to it.
    """
    told: list[list[str]] = [[] for _ in panels]
    shown, each = shapely.union_all(list(panels)), np.array(panels, dtype=object)
    for table, key in (("strings", "string_id"), ("closures", "closure_id")):
        for row in plan.of(table, run_id).to_dict("records"):
            left = shapely.difference(row[GEOMETRY], shown)
            if left.area <= _SHARE_BEYOND * row[GEOMETRY].area:
                continue
            words = f"{table.removesuffix('s')} {row[key].removeprefix(f'{run_id}-')}"
            on = np.flatnonzero(shapely.area(shapely.intersection(each, row[GEOMETRY])) > 0)
            if not len(on):
                on = np.array([np.argmin(shapely.distance(each, row[GEOMETRY]))])
            for k in on:
                told[k].append(words)
    return [tuple(words) for words in told]


def _shows(page: Sequence[Piece]) -> str:
    """Return the tables of a page, the first to the last."""
    names = [piece.table.heading.split(";")[0].split(" (")[0].lower() for piece in page]
    names = [name for name in dict.fromkeys(names) if not name.startswith("run ")]
    return f"{names[0]} to {names[-1]}" if len(names) > 1 else "".join(names)


def _columns(layout: Layout, paper: Paper) -> list[Box]:
    """Return the two columns that tables flow through."""
    gap = 2.0 * paper.text
    area = layout.main.inset(gap)
    half = (area.w - gap) / 2
    return [Box(area.x, area.y, half, area.h), Box(area.x + half + gap, area.y, half, area.h)]


def _draw_strip(
    run_id: str,
    strip: Strip,
    scale: int,
    before: bool,
    after: bool,
    beyond: tuple[str, ...],
    pen: Pen,
    book: Book,
    number: int,
) -> None:
    plan, layout, text = book.plan, book.layout, book.paper.text
    axis = plan.axes[run_id]
    scene = Scene(
        plan=plan,
        run_id=run_id,
        axis=axis,
        strip=strip,
        view=view_of(axis, strip, scale=scale, middle=_middle(layout, book.paper)),
        scale=scale,
        text=text,
        before=number - 1 if before else None,
        after=number + 1 if after else None,
    )
    left_out = draw_plan(pen, layout.plan, scene) + draw_profile(pen, layout.profile, scene)
    side.north_and_scale(pen, layout.north, plan, book.paper, view=scene.view, scale=scale)
    shown = [(run_id, strip.start, strip.end)]
    draw_key_map(pen, book.key(layout.key), plan, shown=shown)
    pulls = scene.spans("pulls", "start", "end")
    if pulls:
        table = schedules.pulls_on_sheet(plan, run_id, pulls)
        draw_table(pen, table, layout.pulls.inset(0.8 * text), 0.8 * text)
    pen.box(layout.pulls, inks.EDGE)
    side.legend(pen, layout.legend, plan, text)
    side.notes(pen, layout.notes, plan, text, left_out=left_out, beyond=beyond)


def _draw_schedule(run_id: str, page: Sequence[Piece], pen: Pen, book: Book, number: int) -> None:
    for piece in page:
        draw_piece(pen, piece)
    _beside(pen, book, [(run_id, 0.0, book.plan.axes[run_id].length)])


def _beside(pen: Pen, book: Book, shown: Sequence[tuple[str, float, float]]) -> None:
    """Draw key map and notes beside tables."""
    layout, plan, text = book.layout, book.plan, book.paper.text
    high = Box(layout.key.x, layout.key.y, layout.key.w, layout.north.top - layout.key.y)
    draw_key_map(pen, book.key(high), plan, shown=shown)
    side.notes(pen, layout.notes, plan, text)


def _cover_pages(
    plan: Plan, paper: Paper, layout: Layout, sheets: Sequence[Sheet], first: int
) -> list[list[Piece]]:
    """Return the tables of the cover; ``first`` is the number of the first sheet after it."""
    index = Table(
        "Sheets",
        ("no.", "sheet", "scale", "shows"),
        tuple((str(first + k), s.title, s.scale, s.detail) for k, s in enumerate(sheets)),
        frozenset({0}),
        tuple(_key(first + k) for k in range(len(sheets))),
    )
    tables = [
        index,
        schedules.runs_drawn(plan),
        schedules.runs_without_plan(plan),
        schedules.quantities_of_all(plan),
    ]
    left, right = _columns(layout, paper)
    head = 12.0 * paper.text
    below = Box(left.x, left.y, left.w, 0.42 * (left.h - head))
    beside = Box(right.x, right.y, right.w, right.h - head)
    return flow(
        [t for t in tables if t.rows],
        [left, right],
        0.85 * paper.text,
        first=[below, beside],
    )


def _draw_cover(page: Sequence[Piece], place: int, pen: Pen, book: Book, number: int) -> None:
    plan, layout, text = book.plan, book.layout, book.paper.text
    for piece in page:
        draw_piece(pen, piece)
    if place:
        _beside(pen, book, [])
        return
    left, _ = _columns(layout, book.paper)
    head = 12.0 * text
    top = layout.main.top - 2.0 * text
    get = book.fields.get
    title = get("title") or _TITLE
    pen.text(left.x, top - 1.8 * text, title, size=2.6 * text, bold=True)
    under = ", ".join(w for w in (get("project"), get("client")) if w)
    pen.text(left.x, top - 5.0 * text, under or f"plan {plan.name}", size=1.5 * text)
    runs, sheets = len(plan.axes), len(book.sheets)
    facts = f"{runs} run{'s' * (runs != 1)} drawn on {sheets} sheets {book.paper.name}"
    pen.text(left.x, top - 7.6 * text, f"{facts}; made from {plan.name}", size=text)
    pen.line(
        [(left.x, top - 9.5 * text), (layout.main.right - 2 * text, top - 9.5 * text)], inks.EDGE
    )
    low = left.y + 0.42 * (left.h - head) + 2 * text
    over = Box(left.x, low, left.w, top - head + 1.0 * text - low)
    draw_key_map(pen, book.key(over), plan)
    high = Box(layout.notes.x, layout.notes.y, layout.notes.w, layout.frame.top - layout.notes.y)
    side.notes(pen, high, plan, text)
