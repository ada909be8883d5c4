"""Sheets read back by other PDF libraries: true to scale, searchable, inside the frame."""

from __future__ import annotations

import functools
import itertools
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pypdf
import pytest
import shapely

from geotools.deliver.sheets.paper import PAPERS, Box, layout_of
from tests.deliver.sheets.conftest import frame, place

MM = 72 / 25.4
PULL = (0x0B / 255, 0x3D / 255, 0x91 / 255)
GROUND = (0x7A / 255, 0x5C / 255, 0x2E / 255)
RAMP = (0.0, 0x69 / 255, 0x5C / 255)
FOOT = 0.3048


@pytest.fixture(scope="module", params=[("a3", "si"), ("a1", "si"), ("ansi-b", "us")], ids=str)
def read(
    request: pytest.FixtureRequest,
    plain: Path,
    draw: Callable[..., Path],
    write_sheet_plan: Callable[..., Path],
) -> Any:
    """Return paper, units and the pages as an independent library sees them."""
    paper, units = request.param
    if units == "us":
        path = draw(write_sheet_plan(units=units), paper=paper)
    else:
        path = plain if paper == "a3" else draw(paper=paper)
    with pdfplumber.open(path) as pdf:
        yield PAPERS[paper], units, pdf.pages


@functools.cache
def text_of(page: Any) -> str:
    """Return the words of a page; looking for them takes its time."""
    return str(page.extract_text())


def strips(pages: Any) -> list[Any]:
    return [page for page in pages if "Profile along the run" in text_of(page)]


def scale_of(page: Any) -> float:
    """Return the scale printed on a sheet."""
    text = text_of(page)
    feet = re.search(r"Scale 1 in = (\d+) ft", text)
    if feet:
        return 12.0 * float(feet[1])
    ratio = re.search(r"Scale 1:(\d+)", text)
    assert ratio is not None
    return float(ratio[1])


def drawn(page: Any, colour: tuple[float, ...], panel: Any) -> list[Any]:
    """Return the lines of a colour in a panel, in mm, y up."""
    out = []
    for item in page.lines + page.curves:
        points = np.array([(x, page.height - y) for x, y in item["pts"]]) / MM
        inside = (points >= (panel.x, panel.y)) & (points <= (panel.right, panel.top))
        same = np.allclose(item["stroking_color"] or (), colour, atol=1e-3)
        if item["stroke"] and same and inside.all():
            out.append((points, item["linewidth"] / MM))
    return out


def graph(paper: Any) -> Box:
    """Return the panel of the profile below its caption and key."""
    panel = layout_of(paper).profile
    return Box(panel.x, panel.y, panel.w, panel.h - 2.4 * paper.text)


def length(points: Any) -> float:
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def test_paper_has_its_size(read: Any) -> None:
    paper, _, pages = read
    for page in pages:
        assert page.width / MM == pytest.approx(paper.width, abs=0.01)
        assert page.height / MM == pytest.approx(paper.height, abs=0.01)


def test_pulls_on_the_plan_times_the_scale_are_as_long_as_in_the_plan(read: Any) -> None:
    paper, _, pages = read
    total = 0.0
    for page in strips(pages):
        found = drawn(page, PULL, layout_of(paper).plan)
        total += scale_of(page) / 1000 * sum(length(p) for p, wide in found if wide > 0.5)
    assert total == pytest.approx(2 * 342.0, rel=2e-3)


def test_pulls_in_the_profile_have_their_length_along_it(read: Any) -> None:
    paper, _, pages = read
    total = 0.0
    for page in strips(pages):
        found = drawn(page, PULL, graph(paper))
        level = sum(np.ptp(p[:, 0]) for p, wide in found if wide > 0.5)
        total += scale_of(page) / 1000 * level
    assert total == pytest.approx(2 * 342.0, rel=2e-3)


def test_the_profile_has_a_key_to_its_lines(read: Any) -> None:
    paper, _, pages = read
    caption = layout_of(paper).profile.top - 2.4 * paper.text
    for page in strips(pages):
        assert "ground host, crown to invert carrier pulled in outline of a pit ramp" in text_of(
            page
        )
        for ink in (PULL, GROUND, RAMP):
            lines = [p for p, _ in drawn(page, ink, layout_of(paper).profile)]
            assert sum(p[:, 1].min() > caption for p in lines) == 1


def test_ground_rises_by_the_vertical_scale_that_is_stated(read: Any) -> None:
    paper, units, pages = read
    for page in strips(pages):
        ((points, _),) = drawn(page, GROUND, graph(paper))
        text = text_of(page)
        pattern = r"vertical 1 in = ([\d.]+) ft" if units == "us" else r"vertical 1:([\d.]+)"
        stated = re.search(pattern, text)
        assert stated is not None
        vertical = float(stated[1]) * (12 if units == "us" else 1)
        along = np.ptp(points[:, 0]) * scale_of(page) / 1000
        assert np.ptp(points[:, 1]) * vertical / 1000 == pytest.approx(0.01 * along, rel=2e-3)


def test_pits_on_the_plan_have_their_size(read: Any) -> None:
    paper, _, pages = read
    panel, sides = layout_of(paper).plan, []
    for page in strips(pages):
        for item in page.rects + page.curves + page.lines:
            fill = item.get("non_stroking_color")
            if not item["fill"] or not np.allclose(
                fill, (0xFB / 255, 0xD5 / 255, 0xD8 / 255), atol=1e-3
            ):
                continue
            points = np.array([(x, page.height - y) for x, y in item["pts"]]) / MM
            if points[:, 1].min() > panel.y + 1 and points[:, 0].max() < panel.right:
                sides.append(math.dist(points[0], points[1]) * scale_of(page) / 1000)
    assert len(sides) >= 3
    assert sides == pytest.approx([4.0] * len(sides), rel=2e-3)


def test_arrows_of_pulls_point_from_the_insertion_pit(read: Any) -> None:
    paper, _, pages = read
    found: dict[str, set[bool]] = {"L1": set(), "L2": set()}
    for page in strips(pages):
        for item in page.curves + page.lines + page.rects:
            points = np.array([(x, page.height - y) for x, y in item["pts"]]) / MM
            head = len({tuple(p) for p in points.round(4)}) == 3 and item["fill"]
            if not head or not np.allclose(item["non_stroking_color"], PULL, atol=1e-3):
                continue
            corners = np.unique(points.round(4), axis=0)
            middle = corners.mean(axis=0)
            tip = corners[np.argmax(np.hypot(*(corners - middle).T))]
            if middle[1] < layout_of(paper).plan.y:
                continue
            text = text_of(page)
            names = [name for name in found if f"R1-{name}," in text]
            if len(names) == 1:
                found[names[0]].add(bool(tip[0] > middle[0]))
    # the first is pulled against the run, the second along it
    assert found["L1"] <= {False}
    assert found["L2"] <= {True}
    if paper.name != "A1":
        assert found["L1"] or found["L2"]


def test_every_letter_lies_inside_the_frame(read: Any) -> None:
    paper, _, pages = read
    frame = layout_of(paper).frame
    for page in pages:
        for char in page.chars:
            assert char["x0"] / MM >= frame.x and char["x1"] / MM <= frame.right, char
            assert (page.height - char["bottom"]) / MM >= frame.y - 0.2, char
            assert (page.height - char["top"]) / MM <= frame.top + 0.2, char


def test_no_words_lie_on_others(read: Any) -> None:
    _, _, pages = read
    for page in pages:
        level = page.filter(lambda o: o["object_type"] != "char" or o["matrix"][1] == 0)
        words = level.extract_words(x_tolerance=1.5, use_text_flow=True)
        for a, b in itertools.combinations(words, 2):
            wide = min(a["x1"], b["x1"]) - max(a["x0"], b["x0"])
            tall = min(a["bottom"], b["bottom"]) - max(a["top"], b["top"])
            # the box of a letter is a third taller than a capital
            least = 0.45 * min(a["bottom"] - a["top"], b["bottom"] - b["top"])
            assert not (wide > 0.3 and tall > least), (a["text"], b["text"])


def test_north_arrow_points_north_on_a_sheet_turned_with_the_run(read: Any) -> None:
    paper, _, pages = read
    box = layout_of(paper).north
    page = strips(pages)[0]
    (letter,) = [
        c
        for c in page.chars
        if c["text"] == "N" and "Bold" in c["fontname"]
        and (page.height - c["top"]) / MM > box.y and c["x0"] / MM > box.x
    ]  # fmt: skip
    middle = box.x + 0.16 * box.w
    # the run begins northward and is drawn to the right: north is to the right, too
    assert (letter["x0"] + letter["x1"]) / 2 / MM > middle + 3


def test_words_can_be_searched(read: Any) -> None:
    _, units, pages = read
    # in the order they are written; by place, labels side by side would run into each other
    text = "\n".join(page.extract_text(use_text_flow=True) for page in pages)
    for words in ("R1-L1", "P2 insertion both", "lateral", "Tarnhollow Way", "bend 30°", "gate"):
        assert words in text
    assert "the pit at 40 m lies in a river" in text
    assert "the axis <b>steps</b> here" in text
    assert ("ch 11+48.3" if units == "us" else "ch 0+350.0") in text
    assert "Pressure testing stores energy" in " ".join(text.split())


def test_match_lines_name_the_sheets_that_go_on(plain: Path) -> None:
    reader = pypdf.PdfReader(plain)
    texts = [page.extract_text() for page in reader.pages]
    numbers = [n for n, text in enumerate(texts, 1) if "Profile along the run" in text]
    assert len(numbers) >= 3
    for n in numbers:
        named = {int(k) for k in re.findall(r"see sheet (\d+)", texts[n - 1])}
        assert named == {n - 1, n + 1} & set(numbers)


def test_outline_leads_to_cover_runs_and_sheets(plain: Path) -> None:
    reader = pypdf.PdfReader(plain)
    cover, run, sheets = reader.outline
    assert isinstance(sheets, list)
    assert not isinstance(cover, list) and not isinstance(run, list)
    assert cover.title == "1 Cover, index, quantities, key map"
    assert run.title == "Run R1"
    pages = [reader.get_destination_page_number(item) for item in sheets]  # type: ignore[arg-type]
    assert pages == list(range(1, len(reader.pages)))


AVOID = np.array([0x8A, 0x4B, 0x00])


def _with_avoid(shape: Any, kind: str, tables: dict[str, Any]) -> None:
    row = {"layer": "avoid", "feature": "A2", "kind": kind, "buffer": 5.0, "geometry": shape}
    tables["context"] = frame("context", [row])


def _brown(path: Path) -> int:
    """Count what is drawn in the colour of places to avoid on all plans."""
    with pdfplumber.open(path) as pdf:
        images = [np.asarray(p.to_image(resolution=150).original) for p in strips(pdf.pages)]
    return sum(int((np.abs(i[..., :3] - AVOID.astype(int)).max(axis=2) < 40).sum()) for i in images)


def test_a_cable_shows_where_it_lies_in_a_closure(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    cable = shapely.LineString([place(2, 20), place(2, 320)])

    def closed(tables: dict[str, Any]) -> None:
        _with_avoid(cable, "", tables)
        row = {"closure_id": "R1-P1-T1", "run_id": "R1", "lanes_closed": 1, "lanes_left": 1,
               "first_day": 1.0, "last_day": 2.0, "geometry": cable.buffer(8)}  # fmt: skip
        tables["closures"] = frame("closures", [row])

    bare = draw(write_sheet_plan(edit=functools.partial(_with_avoid, cable, "")), scale=500)
    count = _brown(bare)
    assert count > 1000
    assert _brown(draw(write_sheet_plan(edit=closed), scale=500)) > 0.9 * count


def test_points_to_avoid_are_drawn_and_named(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    edit = functools.partial(_with_avoid, place(20, 100), "gas regulator")
    with pdfplumber.open(draw(write_sheet_plan(edit=edit), scale=500)) as pdf:
        told = [page for page in strips(pdf.pages) if "gas regulator" in text_of(page)]
    assert told  # more than one where sheets overlap


def test_works_of_another_run_on_the_sheet_are_shown_by_name(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def near(tables: dict[str, Any]) -> None:
        pit = {"pit_id": "R9-P4", "run_id": "R9", "geometry": place(12, 100).buffer(6)}
        far = {"pit_id": "R9-P5", "run_id": "R9", "geometry": place(4000, 100).buffer(6)}
        rows = tables["pit_footprints"].to_dict("records")
        tables["pit_footprints"] = frame("pit_footprints", [*rows, pit, far])

    with pdfplumber.open(draw(write_sheet_plan(edit=near), scale=500)) as pdf:
        words = [text_of(page) for page in strips(pdf.pages)]
    assert any("R9-P4" in page for page in words)
    assert not any("R9-P5" in page for page in words)


def test_words_on_works_of_others_give_way_to_those_on_the_run(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    """A pit of another run under every place where the words on the first pit might lie."""

    def crowd(tables: dict[str, Any]) -> None:
        spots = [
            place(across, along) for across in range(-60, 61, 6) for along in range(-20, 90, 9)
        ]
        pits = [
            {"pit_id": f"R9-P{row}", "run_id": "R9", "geometry": spot.buffer(2.5)}
            for row, spot in enumerate(spots)
        ]
        rows = tables["pit_footprints"].to_dict("records")
        tables["pit_footprints"] = frame("pit_footprints", [*rows, *pits])

    pages = []
    for edits in ({"edit": crowd}, {}):
        with pdfplumber.open(draw(write_sheet_plan(**edits), scale=500)) as pdf:
            pages.append([text_of(page).count("P1 receiving") for page in strips(pdf.pages)])
    crowded, plain = pages
    assert crowded == plain and sum(plain) > 0
