"""The check of joints on a page of PDF: verdicts, where they lie, what was found or not checked.

What does not fit of what does not pass, and of notes, goes on on further pages.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import shapely

from geotools.deliver.files import replacing
from geotools.deliver.joints.asbuilt_pulls import joints_text
from geotools.deliver.joints.reasons import rarest_first
from geotools.deliver.sheets.lettering import marked, of_second, second_font
from geotools.deliver.wording import shown
from geotools.schema import CUT_OUT, NOT_CHECKED, NOT_HELD

if TYPE_CHECKING:
    from geotools.deliver.joints.asbuilt import Checked

__all__ = ["RULES", "write_report"]

# What each rule is called on paper.
RULES: dict[str, str] = {
    "missing": "joints without a record",
    "unknown": "records of joints or pulls that are not in the plan",
    "cut-out": "joints cut out that no later record shows made anew",
    "layout": "joints or pulls with records of another layout of the pull",
    "mark": "joints with records of the mark of another pull",
    "added": "joints said to be added that are not, or not on their pull",
    "stray": "pulls with records of joints that they do not have",
    "double": "joints or pulls with more than one record",
    "not-recorded": "joints or pulls with values not recorded",
    "unreadable": "records with values that cannot be read",
    "no-window": "joints whose limits are not known",
    "procedure": "joints judged by another procedure than issued",
    "heater": "heater too cold or too hot",
    "pressure": "pressure between the ends out of bounds",
    "bead": "bead too small",
    "soak": "heat soak too short",
    "removal": "open and close too slow",
    "cool-time": "cooling too short",
    "pipe": "other pipe than planned",
    "qualification": "operator or machine not qualified",
    "visual": "failed by eye",
    "after-pull": "not cooled when pulled in",
    "before-pull": "made before the pull it belongs to",
    "joints-of-pull": "pulls with joints that do not pass",
    "pull-missing": "pulls without a record",
    "pull-times": "pulls whose times do not hold together",
    "machine-busy": "joints begun while their machine was at another",
    "string-order": "joints between strings made out of order",
    "past": "joints dated before there were such plans",
    "future": "joints dated after the day of the check",
    "pull-force": "pulls with too much force, or none",
    "pull-length": "pulls whose measured length is not that planned",
}
# Told apart without colour too: each has its own mark on the map.
_COLOURS = {"pass": "#2a6f97", "fail": "#b5121b", "missing": "#e08e0b", "unknown": "#6c757d"}
_COLOUR_OF_CUT = "#343a40"  # of joints added on site that are not there any more, seldom any
_MARKS = {"pass": "o", "missing": "s", "fail": "X"}
_SIZES = {"si": (8.27, 11.69), "us": (8.5, 11.0)}
_Line = list[tuple[float, str, dict[str, Any]]]  # where texts begin, and how they look
_Block = list[_Line]  # lines that stay together
_BARS, _FIRST, _LISTED = 24, 3, 9
_STEP, _SMALL_STEP, _FOOT = 0.0165, 0.0135, 0.055  # of the height of the page
_LEAST_LIST = 0.09  # left for what does not pass, before notes go on on another page
_WIDE, _ON_A_PAGE = 122, 62  # letters in a line of notes, such lines on a further page
_REASONS, _WHY_WIDE = 190, 92  # letters of reasons listed, and in a line of them
_CUT = "..."  # stands for the others
_PLACE_AT, _WHY_AT = 0.285, 0.30  # of the width of the page: where chainages end, reasons begin
_FONT = "DejaVu Sans"  # that of sheets
_WIDER = "\0"  # stands behind a letter that takes the room of two
_FAILING, _NOTED = "What does not pass", "Not checked, and worth knowing"
_CAUTION = (
    "Planning and records only. Whether a joint may go into service is for the qualified "
    "procedure, the inspector and licensed practice to decide."
)


def write_report(
    target: Path,
    checked: Checked,
    *,
    plan: str,
    records: str,
    units: str,
    only: Sequence[str] = (),
    overwrite: bool = True,
) -> None:
    """Write the check as PDF, whole or not at all.

    Letters that the lettering lacks come from the font it was given (`sheets.lettering.lettered`).

    Parameters
    ----------
    target : Path
        As `geotools.deliver.files.check_file` returned it.
    checked : Checked
    plan, records : str
        Names of the files, for the head.
    units : {"si", "us"}
        Units of values, and the size of the page.
    only : sequence of str, optional
        Runs and pulls that were asked for; all if none.
    overwrite : bool
        Whether a file that came to be there in the meantime may be replaced.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    from matplotlib.backends.backend_pdf import PdfPages

    # without a date, the same check gives the same file
    facts = {"Title": "Check of fused joints", "CreationDate": None}
    sources = f"plan {_cut(plan, 54)}; records {_cut(records, 54)}"
    pages = _pages(checked, (sources, _scope(checked, only)), only, units)
    with (
        _two_fonts(),
        replacing(target, overwrite=overwrite) as part,
        PdfPages(part, metadata=facts) as file,
    ):
        for figure in pages:
            file.savefig(figure)


def _pages(
    checked: Checked, head: tuple[str, str], only: Sequence[str], units: str
) -> Iterator[Any]:
    """Yield the page of the check, and as many as it takes with what does not fit on it."""
    figure = _figure(units)
    _head(figure, checked, head)
    _map(figure.add_axes((0.07, 0.54, 0.42, 0.28)), checked)
    _bars(figure.add_axes((0.60, 0.54, 0.33, 0.28)), checked)
    top, notes, rows = _found(figure, checked), _note_lines(checked, only), _rows(checked, units)
    room = top - _FOOT - 0.035 - (_LEAST_LIST if rows else 0.0)
    first = notes[: max(int(room / _SMALL_STEP), 0)]
    listed = _listed(figure, rows, top=top, foot=_notes(figure, first))
    rest = notes[len(first) :]
    if rest:
        _write(figure, 0.93, 0.022, "notes go on overleaf", size=7, weight="bold", ha="right")
    yield figure
    blocks = _headed(f"{_FAILING}, continued", [_row_block(row) for row in rows[listed:]])
    noted = f"{_NOTED}, continued" if first else _NOTED
    yield from _overleaf(blocks + _headed(noted, [[[(0.07, text, {})]] for text in rest]), units)


def _overleaf(blocks: Sequence[_Block], units: str) -> Iterator[Any]:
    """Yield pages of blocks of lines, each whole on its page."""
    pages: list[list[_Line]] = [[]] if blocks else []
    for block in blocks:
        if len(pages[-1]) + len(block) > _ON_A_PAGE:
            pages.append([])
        pages[-1] += block
    for number, lines in enumerate(pages, start=2):
        figure = _figure(units)
        _write(figure, 0.07, 0.945, f"Check of fused joints, page {number}", size=14, weight="bold")
        for place, line in enumerate(lines):
            _write_line(figure, 0.915 - _SMALL_STEP * place, line)
        yield figure


def _headed(text: str, blocks: list[_Block]) -> list[_Block]:
    """Return blocks with a heading, and room around it, on the page of the first; none of none."""
    heading: _Block = [[], [(0.07, text, {"size": 11, "weight": "bold"})], []]
    return [heading + block for block in blocks[:1]] + blocks[1:]


def _row_block(row: tuple[str, str, str]) -> _Block:
    """Return the lines of what does not pass: name, place and reasons."""
    name, place, why = row
    lines: _Block = [
        [(_WHY_AT, text, {})] for text in _lines_of(_cut(why, _REASONS), _WHY_WIDE) or [""]
    ]
    lines[0] += [(0.07, _cut(name, 22), {"weight": "bold"}), (_PLACE_AT, place, {"ha": "right"})]
    return lines


def _write_line(figure: Any, height: float, line: _Line) -> None:
    for at, text, style in line:
        _write(figure, at, height, text, **({"size": 7} | style))


def _figure(units: str) -> Any:
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZES[units])
    _write(figure, 0.07, 0.036, _CAUTION, size=7, style="italic")
    return figure


def _scope(checked: Checked, only: Sequence[str]) -> str:
    """Say by what was judged, and which pulls."""
    judged = " and ".join(checked.procedures) or "no known procedure"
    known = int((checked.pulls["verdict"] != "unknown").sum())
    which = f"{known} pull(s), asked for as {', '.join(only)}" if only else "all pulls of the plan"
    return f"judged by {judged}; {which}"


def _head(figure: Any, checked: Checked, texts: tuple[str, str]) -> None:
    verdict, colour = ("FAIL", "fail") if checked.failed else ("PASS", "pass")
    _write(figure, 0.07, 0.945, "Check of fused joints", size=17, weight="bold")
    _write(figure, 0.93, 0.945, verdict, size=17, weight="bold", color=_COLOURS[colour], ha="right")
    open_points = sum(map(_unchecked, checked.notes))
    if open_points:
        text = f"{open_points} thing(s) not checked, see below"
        _write(figure, 0.93, 0.931, text, size=7, ha="right", color=_COLOURS["missing"])
    for height, text in zip((0.919, 0.904), texts, strict=True):
        _write(figure, 0.07, height, _cut(text, 125))
    counts = checked.joints["verdict"].value_counts()
    cut = {CUT_OUT: _COLOUR_OF_CUT} if counts.get(CUT_OUT, 0) else {}
    for place, (word, name) in enumerate({**_COLOURS, **cut}.items()):
        at = 0.07 + 0.58 / len({**_COLOURS, **cut}) * place
        _write(figure, at, 0.870, f"{counts.get(word, 0):,}", size=18, weight="bold", color=name)
        _write(figure, at, 0.853, f"joints {word}", size=8)
    good = int((checked.pulls["verdict"] == "pass").sum())
    known = int((checked.pulls["verdict"] != "unknown").sum())
    _write(figure, 0.93, 0.870, f"{good} of {known}", size=18, ha="right")
    left = int((checked.pulls["verdict"] == NOT_CHECKED).sum())
    more = f", {left} not checked" if left else ""
    _write(figure, 0.93, 0.853, f"pulls pass{more}", size=8, ha="right")


def _unchecked(note: str) -> bool:
    return "not checked" in note


def _note_lines(checked: Checked, only: Sequence[str]) -> list[str]:
    """Return all notes in lines, what was not checked first."""
    notes = sorted(checked.notes, key=lambda note: not _unchecked(note))
    scope = _scope(checked, only)
    if _cut(scope, 125) != scope:
        notes.append(scope)
    return [
        line
        for note in notes
        for line in _lines_of(marked(" ".join(note.split())), _WIDE, first="- ", other="  ")
    ]


def _map(axes: Any, checked: Checked) -> None:
    """Draw the pulls and their joints; what does not pass on top."""
    lines = shapely.force_2d(checked.pulls.geometry.to_numpy())
    for line in lines[~shapely.is_missing(lines)]:
        axes.plot(*shapely.get_coordinates(line).T, color="#adb5bd", linewidth=2.5, zorder=1)
    verdict = checked.joints["verdict"].to_numpy(dtype=object)
    points = checked.joints.geometry.to_numpy()
    for order, (word, mark) in enumerate(_MARKS.items()):
        xy = shapely.get_coordinates(points[verdict == word])
        style = {"s": 6 if word == "pass" else 26, "linewidths": 0}
        axes.scatter(*xy.T, c=_COLOURS[word], marker=mark, zorder=2 + order, **style)
    axes.set_aspect("equal", adjustable="datalim")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_title("Where the joints lie", fontsize=9, loc="left")
    for spine in axes.spines.values():
        spine.set_color("#ced4da")


def _bars(axes: Any, checked: Checked) -> None:
    """Draw the joints of every pull by verdict; of many pulls, the worst."""
    pulls = checked.pulls[checked.pulls["verdict"] != "unknown"]
    bad = (pulls["joints_failed"] + pulls["joints_missing"]).to_numpy()
    worst = np.sort(np.argsort(-bad, kind="stable")[:_BARS])
    chosen = pulls.iloc[worst]
    place, left = np.arange(len(chosen)), np.zeros(len(chosen))
    columns = {"pass": "joints_passed", "fail": "joints_failed", "missing": "joints_missing"}
    for word, column in columns.items():
        width = chosen[column].to_numpy(dtype=float)
        axes.barh(place, width, left=left, color=_COLOURS[word], height=0.72, label=word)
        left += width
    names = [_cut(str(name), 16) for name in chosen["pull_id"]]
    axes.set_yticks(place, names, fontsize=6.5, parse_math=False)
    axes.set_ylim(max(len(chosen), 4) - 0.4, -0.6)
    axes.tick_params(axis="x", labelsize=7)
    axes.tick_params(axis="y", length=0)
    which = "worst" if bad.any() else "first"
    more = f" (the {which} {len(chosen)} of {len(pulls)})" if len(pulls) > len(chosen) else ""
    axes.set_title(f"Joints by pull{more}", fontsize=9, loc="left")
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    if len(chosen):
        axes.legend(fontsize=7, frameon=False, loc="upper left", bbox_to_anchor=(0, -0.07), ncols=3)


def _found(figure: Any, checked: Checked) -> float:
    """Write how often each rule was broken, in two columns; return where they end."""
    _write(figure, 0.07, 0.485, "What was found", size=11, weight="bold")
    rows = [(count, RULES.get(rule, rule)) for rule, count in checked.rules.items()]
    if not rows:
        _write(figure, 0.07, 0.463, "Nothing is held against any joint or pull.")
    half = (len(rows) + 1) // 2
    for place, (count, words) in enumerate(rows):
        column, line = divmod(place, max(half, 1))
        at, height = 0.12 + 0.45 * column, 0.463 - _STEP * line
        _write(figure, at - 0.01, height, f"{count:,}", ha="right", weight="bold")
        _write(figure, at, height, words)
    return 0.463 - _STEP * half


def _listed(figure: Any, rows: Sequence[tuple[str, str, str]], *, top: float, foot: float) -> int:
    """List what does not pass as far as the page goes; return how many rows that are."""
    if not rows:
        return 0
    _write(figure, 0.07, top - 0.015, _FAILING, size=11, weight="bold")
    if any(_cut(why, _REASONS).endswith(_CUT) for *_, why in rows):
        whole = f"what ends in {_CUT} is whole in the layers asbuilt_joints and asbuilt_pulls"
        _write(figure, _WHY_AT, top - 0.015, whole, size=7, style="italic")
    blocks = [_row_block(row) for row in rows]
    height, told = top - 0.035, 0
    for block in blocks:
        if height - _SMALL_STEP * len(block) < foot:
            break
        for line in block:
            _write_line(figure, height, line)
            height -= _SMALL_STEP
        told += 1
    if len(rows) > told:
        more = f"{len(rows) - told:,} more overleaf"
        _write(figure, _WHY_AT, height, more, size=7, style="italic")
    return told


def _rows(checked: Checked, units: str) -> list[tuple[str, str, str]]:
    """Return name, place and reasons of what does not pass: some pulls, some joints, the others.

    Of each the rarest faults come first: what all have, such as a column left out, hides no other.

    Pulls that fail for their joints alone are left out: the joints are there.
    """
    bad = (t[~t["verdict"].isin(NOT_HELD)] for t in (checked.joints, checked.pulls))
    joints, pulls = (table.iloc[rarest_first(table["reasons"])] for table in bad)
    told = [_joint_row(row, units) for row in joints.to_dict("records")]
    own = [
        (f"pull {row['pull_id'] or 'no name'}", "", str(row["reasons"]))
        for row in pulls.to_dict("records")
        if row["reasons"] != joints_text(row["joints_failed"], row["joints_missing"])
    ]
    return [*own[:_FIRST], *told[:_LISTED], *own[_FIRST:], *told[_LISTED:]]


def _joint_row(row: dict[Any, Any], units: str) -> tuple[str, str, str]:
    place = "" if pd.isna(row["chainage"]) else shown(row["chainage"], "length", units)
    return str(row["joint_id"] or "no name"), place, str(row["reasons"])


def _notes(figure: Any, lines: Sequence[str]) -> float:
    """Write lines of notes at the foot of the page; return where they begin."""
    top = _FOOT + _SMALL_STEP * len(lines)
    if not lines:
        return top
    _write(figure, 0.07, top + 0.004, _NOTED, size=11, weight="bold")
    for place, text in enumerate(lines, start=1):
        _write(figure, 0.07, top - _SMALL_STEP * place, text, size=7)
    return top + 0.03


def _write(figure: Any, x: float, y: float, text: str, *, size: float = 8, **style: Any) -> None:
    figure.text(x, y, marked(text), fontsize=size, parse_math=False, **style)


def _cut(text: str, length: int) -> str:
    clean = _spaced(marked(" ".join(text.split())))
    return _bare(clean if len(clean) <= length else f"{clean[: length - len(_CUT)]}{_CUT}")


def _lines_of(text: str, length: int, *, first: str = "", other: str = "") -> list[str]:
    """Return a text in lines of no more letters than have room, with what leads them."""
    lines = textwrap.wrap(_spaced(text), length, initial_indent=first, subsequent_indent=other)
    return [_bare(line) for line in lines]


def _spaced(text: str) -> str:
    """Return a text in which letters of the second font, which may be wide, count for two."""
    return "".join(f"{c}{_WIDER}" if of_second(c) else c for c in text)


def _bare(text: str) -> str:
    return text.replace(_WIDER, "")


@contextmanager
def _two_fonts() -> Iterator[None]:
    """Draw with the second font, if there is one, where the first lacks a letter."""
    second = second_font()
    if second is None:
        yield
        return
    import matplotlib
    from matplotlib.font_manager import FontEntry, fontManager

    # under a name of its own, whatever other font of the same name the system has
    entry = FontEntry(fname=str(second), name=f"second: {second}", size="scalable")
    fontManager.ttflist.append(entry)
    try:
        with matplotlib.rc_context({"font.family": [_FONT, entry.name]}):
            yield
    finally:
        fontManager.ttflist.remove(entry)
