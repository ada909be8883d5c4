"""The column beside the drawing: north, scale, legend, notes, title block; see also `key_map`."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from geotools.deliver.sheets import inks, marks
from geotools.deliver.sheets.lettering import MISSING, clean, text_width
from geotools.deliver.sheets.model import CONTEXT, Plan
from geotools.deliver.sheets.paper import Box, Layout, Paper
from geotools.deliver.sheets.pen import LEADING, Ink, Pen, cut, wrap
from geotools.deliver.sheets.strips import View
from geotools.deliver.wording import ASSUMED, ASSUMED_MARK, scale_text, unit_of

__all__ = [
    "Stamp",
    "draw_frame",
    "legend",
    "north_and_scale",
    "notes",
    "title_block",
]

_WORDS = "planning values only, not for construction without check and approval"


@dataclass(frozen=True)
class Stamp:
    """What the title block of a sheet says; ``fields`` are the free texts of the brief."""

    fields: Mapping[str, str]
    sheet: str
    detail: str
    scale: str
    number: int
    count: int
    paper: str


def draw_frame(pen: Pen, layout: Layout) -> None:
    """Draw the frame and the line before the side column."""
    pen.box(layout.frame, inks.FRAME)
    x = layout.main.right
    pen.line([(x, layout.frame.y), (x, layout.frame.top)], inks.EDGE)


def north_and_scale(
    pen: Pen, box: Box, plan: Plan, paper: Paper, *, view: View, scale: float
) -> None:
    """Draw the north arrow, turned with the sheet, and the scale bar."""
    text = paper.text
    pen.box(box, inks.EDGE)
    marks.north_arrow(pen, Box(box.x, box.y, 0.32 * box.w, box.h), view.angle, text)
    right = Box(box.x + 0.34 * box.w, box.y, 0.62 * box.w, 0.5 * box.h)
    words = f"Scale {scale_text(scale, plan.units)}"
    pen.text(right.x, box.y + 0.72 * box.h, words, size=1.2 * text, bold=True)
    pen.text(right.x, box.y + 0.53 * box.h, f"at {paper.name}", size=0.85 * text)
    marks.scale_bar(pen, right, scale, plan.units, 0.85 * text)


def legend(pen: Pen, box: Box, plan: Plan, text: float) -> None:
    """Draw what the inks and marks mean."""
    pen.box(box, inks.EDGE)
    pen.text(box.x + text, box.top - 1.2 * text, "Legend", size=text, bold=True)
    size = 0.85 * text
    entries: list[tuple[str, Ink | str]] = [
        ("pull, arrow as pulled", inks.PULL),
        ("host, pit or beyond", inks.HOST),
        ("pit", inks.PIT),
        ("string laid out", inks.STRING),
        ("lane closure", inks.CLOSURE),
        ("match line", inks.MATCH),
        ("bend", "bend"),
        ("local dig", "dig"),
        ("valve to close", "shut"),
        ("works of another run", inks.OTHER_WORKS),
    ]
    if plan.context is not None:
        entries += [
            ("street", inks.STREET),
            ("other main", inks.OTHER_MAIN),
            ("place to avoid", inks.AVOID),
            ("its buffer", inks.AVOID_BUFFER),
            ("point to avoid", "avoid"),
            ("valve", "valves"),
            ("fitting", "fittings"),
            ("hydrant, source", "hydrants"),
            ("lateral", "laterals"),
        ]
    half = (len(entries) + 1) // 2
    step = min((box.h - 3 * text) / half, 2.2 * text)
    for k, (words, ink) in enumerate(entries):
        column, row = divmod(k, half)
        x, y = box.x + text + column * box.w / 2, box.top - 2.9 * text - row * step
        if isinstance(ink, Ink):
            marks.sample_line(pen, x, y, 3.4 * text, ink)
        else:
            _sample_mark(pen, ink, x + 1.7 * text, y, 1.1 * text)
        pen.text(x + 4.2 * text, y, cut(words, box.w / 2 - 5.4 * text, size), size=size)


def _sample_mark(pen: Pen, name: str, x: float, y: float, size: float) -> None:
    if name == "bend":
        marks.bend(pen, x, y, size)
    elif name == "dig":
        marks.cross(pen, x, y, 0.9 * size)
    elif name == "shut":
        marks.shut(pen, x, y, size)
    else:
        marks.of_source(pen, name, x, y, 0.0, size)


def note_texts(plan: Plan, left_out: int = 0, beyond: Sequence[str] = ()) -> list[str]:
    """Return the notes of a sheet, without the cautions."""
    unit = unit_of("length", plan.units)
    where = f" of {plan.grid}" if plan.grid else ""
    texts = [
        f"Lengths, levels and chainages in {unit}; x and y of the pits in {plan.crs}, in "
        f"{plan.xy_unit}; north is grid north{where}. "
        "Chainage runs along the axis of the host from the start of the run.",
        f"{_origin(plan)} Prove them on site. A dash stands for a level that is not known.",
    ]
    if CONTEXT in plan.missing:
        texts.append(
            "Streets, fittings, valves and laterals are not drawn: the plan has no layer context."
        )
    lacking = [name for name in plan.missing if name != CONTEXT]
    if lacking:
        texts.append(f"Not shown, for the plan has no layers: {', '.join(lacking)}.")
    if MISSING in clean("".join(sorted(plan.letters))):
        texts.append(
            f"{MISSING} stands for a letter the lettering lacks; the plan's file has names whole."
        )
    if left_out:
        many = "labels are" if left_out > 1 else "label is"
        texts.append(
            f"{left_out} {many} left out for want of room; the schedules list all pits, pulls, "
            "bends, digs, strings and closures."
        )
    if beyond:
        texts.append(
            "Beyond the edge of this sheet, and in whole or part on no other: "
            f"{', '.join(beyond)}; lengths and places are in the schedules and the plan's file."
        )
    own = plan.settings.get("sheets.note", "")
    return [*([own] if own else []), *texts]


def _origin(plan: Plan) -> str:
    """Say what levels, depths and positions rest on."""
    stations, pits = (plan.tables[name]["depth_source"] for name in ("stations", "pits"))
    if not (stations == ASSUMED).any() and not (pits == ASSUMED).any():
        return "Levels, depths and positions are those of the source layers."
    return (
        "Positions are those of the source layers, and so are levels and depths but those marked "
        f"{ASSUMED_MARK} or {ASSUMED}, which rest on an assumed cover or ground."
    )


def notes(
    pen: Pen,
    box: Box,
    plan: Plan,
    text: float,
    *,
    left_out: int = 0,
    beyond: Sequence[str] = (),
) -> None:
    """Write notes and cautions, in smaller words where they would not fit."""
    pen.box(box, inks.EDGE)
    texts = note_texts(plan, left_out, beyond)
    for size in np.arange(0.85, 0.45, -0.05) * text:
        parts = [("Notes", texts), ("Cautions", list(plan.cautions))]
        lines = [line for head, body in parts for line in _note_lines(head, body, box, size)]
        if (len(lines) + 0.6) * LEADING * size <= box.h:
            break
    y = box.top - 0.9 * size
    for words, bold in lines:
        if y < box.y + 0.5 * size:
            break
        pen.text(box.x + 0.8 * text, y, words, size=size, bold=bold)
        y -= LEADING * size


def _note_lines(head: str, texts: Sequence[str], box: Box, size: float) -> list[tuple[str, bool]]:
    width = box.w - 2.2 * size
    lines = [(head, True)]
    for k, words in enumerate(texts, start=1):
        lines += [(line, False) for line in wrap(f"{k}. {words}", width, size)]
    return lines


def title_block(pen: Pen, box: Box, stamp: Stamp, text: float) -> None:
    """Draw the title block."""
    pen.box(box, inks.FRAME)
    get = stamp.fields.get
    rows: list[list[tuple[str, str, float]]] = [
        [("client", get("client", ""), 1.0)],
        [("project", get("project", ""), 1.0)],
        [("title", get("title", ""), 1.0)],
        [("sheet", stamp.sheet, 1.0)],
        [("", stamp.detail, 1.0)],
        [("drawn", get("drawn_by", ""), 1.0), ("checked", get("checked_by", ""), 1.0),
         ("approved", get("approved_by", ""), 1.0)],
        [("date", get("date", ""), 1.0), ("scale", stamp.scale, 1.0), ("paper", stamp.paper, 0.7)],
        [("drawing", get("drawing_number", ""), 1.5), ("rev.", get("revision", ""), 0.5),
         ("sheet", f"{stamp.number} of {stamp.count}", 0.8)],
    ]  # fmt: skip
    foot = 1.5 * text
    body = Box(box.x, box.y + foot, box.w, box.h - foot)
    for cells, row in zip(rows, body.rows([1.0] * len(rows)), strict=True):
        _title_row(pen, cells, row, text)
    pen.text(
        box.middle[0], box.y + foot / 2, cut(_WORDS, box.w - text, 0.75 * text), size=0.75 * text,
        align="middle",
    )  # fmt: skip


def _title_row(pen: Pen, cells: Sequence[tuple[str, str, float]], row: Box, text: float) -> None:
    pen.line([(row.x, row.y), (row.right, row.y)], inks.THIN)
    x, total = row.x, sum(share for _, _, share in cells)
    for place, (name, value, share) in enumerate(cells):
        wide = row.w * share / total
        if place:
            pen.line([(x, row.y), (x, row.top)], inks.THIN)
        pen.text(x + 0.5 * text, row.top - 0.75 * text, name, size=0.75 * text, colour=inks.MUTED)
        size = text if text_width(value, text) <= wide - text else 0.8 * text
        words = cut(value, wide - text, size)
        pen.text(x + 0.5 * text, row.y + 0.34 * row.h, words, size=size, bold=name == "sheet")
        x += wide
