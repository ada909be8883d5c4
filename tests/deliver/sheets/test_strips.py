"""Strips of a run: one after the other, each inside its panel; labels that keep apart."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest
import shapely

from geotools.deliver.sheets import pen
from geotools.deliver.sheets.labels import Label, Labels
from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.marks import round_step
from geotools.deliver.sheets.paper import PAPERS, Box, layout_of, standard_scales
from geotools.deliver.sheets.pen import cut, wrap
from geotools.deliver.sheets.profile import _grade_text
from geotools.deliver.sheets.strips import Axis, cut_run, fit_scale, view_of
from geotools.deliver.sheets.tables import Table, flow
from geotools.deliver.wording import chainage_text, print_scale, scale_text


def test_words_along_a_slanted_line_keep_off_what_they_would_meet_and_nothing_else() -> None:
    labels = Labels(Box(0, 0, 100, 100))
    ends = np.array([[10.0, 10.0], [40.0, 40.0]])
    assert labels.off_lines(ends, 1.0)
    labels.lines.append(shapely.LineString([(12, 8), (42, 38)]))  # beside it, 2.8 mm off
    assert labels.off_lines(ends, 1.0)
    labels.lines.append(shapely.LineString([(0, 40), (40, 0)]))
    assert not labels.off_lines(ends, 1.0)


def axis_of(seed: int, *, sharpest: float) -> Axis:
    """Return a run of 60 legs that turns this way and that."""
    draws = np.random.default_rng(seed)
    heading = np.cumsum(draws.uniform(-sharpest, sharpest, 60))
    legs = draws.uniform(5, 60, 60)
    steps = legs[:, None] * np.column_stack([np.cos(heading), np.sin(heading)])
    along = np.concatenate([[0.0], np.cumsum(legs)])
    return Axis(np.vstack([[0.0, 0.0], np.cumsum(steps, axis=0)]), along)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("sharpest", [0.0, 0.3, 1.2])
def test_strips_follow_on_and_lie_inside_their_panel(seed: int, sharpest: float) -> None:
    axis, (width, height) = axis_of(seed, sharpest=sharpest), (300.0, 80.0)
    strips = cut_run(axis, width=width, height=height)
    assert strips[0].start == 0.0
    assert strips[-1].end == axis.length
    assert all(a.end == b.start for a, b in itertools.pairwise(strips))
    for strip in strips:
        assert strip.end - strip.start <= width + 1e-6
        view = view_of(axis, strip, scale=1000, middle=(200.0, 100.0))
        points = view.paper(axis.between(strip.start, strip.end))
        assert np.abs(points[:, 0] - 200).max() <= width / 2 + 1e-6
        assert np.abs(points[:, 1] - 100).max() <= height / 2 + 1e-6
        assert points[0, 0] < points[-1, 0]


def test_a_straight_run_is_cut_into_equal_strips() -> None:
    strips = cut_run(axis_of(1, sharpest=0.0), width=300.0, height=50.0)
    lengths = [s.end - s.start for s in strips]
    assert max(lengths) - min(lengths) < 1e-6


def test_paper_and_ground_are_inverse() -> None:
    axis = axis_of(3, sharpest=0.5)
    view = view_of(axis, cut_run(axis, width=300, height=80)[0], scale=500, middle=(10.0, 20.0))
    assert view.ground(view.paper(axis.xy)) == pytest.approx(axis.xy, abs=1e-6)


def test_a_run_that_winds_gets_a_smaller_scale() -> None:
    xy = np.array([(20.0 * (k // 2), 40.0 * ((k + 1) // 2 % 2)) for k in range(60)])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    axis = Axis(xy, along)
    # at 1:200 the panel is 18 m high, and the legs are 40 m long
    assert fit_scale(axis, scales=(200,), width=600, height=90)[0] == 200
    scale, strips = fit_scale(axis, scales=(200, 500, 1000), width=600, height=90)
    assert scale == 500
    assert len(strips) < len(xy) / 2


def test_scales_are_those_of_the_paper_and_units() -> None:
    assert standard_scales(PAPERS["a1"], "si")[:2] == (500, 1000)
    assert scale_text(standard_scales(PAPERS["ansi-d"], "us")[0], "us") == "1 in = 40 ft"
    assert scale_text(500, "si") == "1:500"
    assert [print_scale(s, "us") for s in (480, 500)] == ["1 in = 40 ft", "1:500"]


@pytest.mark.parametrize("name", PAPERS)
def test_panels_fill_the_frame_and_do_not_overlap(name: str) -> None:
    layout = layout_of(PAPERS[name])
    panels = [layout.plan, layout.profile, layout.north, layout.key, layout.pulls]
    panels += [layout.legend, layout.notes, layout.title]
    assert sum(p.w * p.h for p in panels) == pytest.approx(layout.frame.w * layout.frame.h)
    for a, b in itertools.combinations(panels, 2):
        wide, tall = min(a.right, b.right) - max(a.x, b.x), min(a.top, b.top) - max(a.y, b.y)
        assert min(wide, tall) < 1e-6


def test_labels_keep_apart_and_inside_and_what_has_no_room_is_counted() -> None:
    labels = Labels(Box(0, 0, 100, 60))
    asked = 60
    for k in range(asked):
        labels.add(Label((50.0 + 0.3 * k, 30.0), (f"valve {k}", "0+120.0"), 2.5))
    assert len(labels.placed) > 8
    assert labels.left_out == asked - len(labels.placed) > 0
    for _, box in labels.placed:
        assert box.x >= 0 and box.y >= 0 and box.right <= 100 and box.top <= 60
    for (_, a), (_, b) in itertools.combinations(labels.placed, 2):
        wide, tall = min(a.right, b.right) - max(a.x, b.x), min(a.top, b.top) - max(a.y, b.y)
        assert min(wide, tall) <= 1e-9


def test_wrapped_lines_fit_and_lose_nothing() -> None:
    words = "WM1022,WM1025,WM1028,WM1031 joined by a very long name: " + "x" * 80
    lines = wrap(words, 30.0, 2.0)
    assert all(text_width(line, 2.0) <= 30.0 for line in lines)
    assert "".join(lines).replace(" ", "") == words.replace(" ", "")


@pytest.mark.parametrize("text", ["x" * 20_000, "words of a story " * 1_200, "ab,cd" * 4_000])
def test_of_a_text_of_any_length_little_is_measured(text: str, monkeypatch: Any) -> None:
    measured: list[int] = []

    def counted(some: str, size: float, bold: bool = False) -> float:
        measured.append(len(some))
        return text_width(some, size, bold)

    monkeypatch.setattr(pen, "text_width", counted)
    short = cut(text, 30.0, 2.0)
    assert short.endswith("...") and sum(measured) < 1_000
    assert text_width(short, 2.0) <= 30.0 < text_width(f"{text[: len(short)]}...", 2.0)
    measured.clear()
    lines = wrap(text, 30.0, 2.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(text_width(line, 2.0) <= 30.0 for line in lines)
    assert sum(measured) < 40 * len(text)


@pytest.mark.parametrize(("width", "due"), [(0.1, ""), (6.0, "Mil..."), (1e3, "Mill Lane")])
def test_a_text_is_cut_to_nothing_at_the_least_and_stays_whole_where_it_fits(
    width: float, due: str
) -> None:
    assert cut("Mill  Lane", width, 2.5) == due


def test_tables_flow_on_with_every_row_once() -> None:
    rows = tuple((str(k), "words " * (k % 30)) for k in range(120))
    table = Table("Many", ("no.", "text"), rows, frozenset({0}))
    pages = flow([table, table], [Box(0, 0, 60, 100), Box(65, 0, 60, 100)], 2.0)
    pieces = [piece for page in pages for piece in page]
    assert [row for piece in pieces for row in piece.table.rows] == [*rows, *rows]
    assert all(piece.box.y >= 0 and piece.box.top <= 100 for piece in pieces)
    assert len(pages) > 1


@pytest.mark.parametrize(
    ("chainage", "units", "text"),
    [
        (428.24, "si", "0+428.2"),
        (999.96, "si", "1+000.0"),
        (1234.5, "si", "1+234.5"),
        (0.0, "si", "0+000.0"),
        (-2.0, "si", "-0+002.0"),
        (30.48, "us", "1+00.0"),
        (30.478, "us", "1+00.0"),
        (38.1, "us", "1+25.0"),
    ],
)
def test_chainage_is_written_as_stations(chainage: float, units: str, text: str) -> None:
    assert chainage_text(chainage, units) == text


@pytest.mark.parametrize(
    ("least", "step"), [(0.9, 1), (1.0, 1), (1.2, 2), (2.4, 2.5), (2.6, 5), (7, 10), (21, 25)]
)
def test_steps_are_round(least: float, step: float) -> None:
    assert round_step(least) == pytest.approx(step)


@pytest.mark.parametrize(
    ("grade", "text"),
    [(-1e-9, "0.00"), (0.0, "0.00"), (0.004, "0.00"), (-0.5, "-0.50"), (2, "+2.00")],
)
def test_a_level_grade_has_no_sign(grade: float, text: str) -> None:
    assert _grade_text(grade) == text
