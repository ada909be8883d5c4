"""The key map: laid out once a book, with the run of the sheet named whatever there is room for."""

from __future__ import annotations

import itertools
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely

import geotools
from geotools.deliver.sheets import book, key_map
from geotools.deliver.sheets.paper import Box
from geotools.deliver.sheets.pen import Pen

BOX, TEXT = Box(10.0, 10.0, 100.0, 80.0), 2.5
PAPER = SimpleNamespace(width=297.0, height=210.0)


def plan_of(runs: int) -> Any:
    """Return a plan of runs of 500 to 1,000 m in a grid, as much of one as a key map asks for."""
    k = np.arange(runs)
    x, y = 600.0 * (k % 30), 400.0 * (k // 30)
    ends = np.stack([np.column_stack([x, y]), np.column_stack([x + 500.0 + k % 500, y])], axis=1)
    names = [f"R{n + 1:04d}" for n in range(runs)]
    table = pd.DataFrame({"run_id": names, "geometry": shapely.linestrings(ends)})
    axis = SimpleNamespace(between=lambda start, end: np.array([(0.0, 0.0), (900.0, 0.0)]))
    return SimpleNamespace(tables={"runs": table}, axes=dict.fromkeys(names, axis))


def test_the_run_of_a_sheet_is_named_among_however_many_runs() -> None:
    key = key_map.key_map(plan_of(600), BOX, TEXT)
    assert 10 < len(key.room) < 200
    for run_id in ("R0001", "R0333", "R0600"):
        placed = key.named((run_id,)).placed
        assert placed[0][0].lines == (run_id,)
        assert len(placed) > 0.6 * len(key.room)
        for (_, a), (_, b) in itertools.combinations(placed, 2):
            wide, tall = min(a.right, b.right) - max(a.x, b.x), min(a.top, b.top) - max(a.y, b.y)
            assert min(wide, tall) <= 1e-9


@pytest.mark.parametrize(("runs", "told"), [(4, ""), (600, " of 600 runs named")])
def test_the_key_map_says_how_many_runs_it_names_where_it_does_not_name_all(
    runs: int, told: str, tmp_path: Path
) -> None:
    plan, target = plan_of(runs), tmp_path / "key.pdf"
    pen = Pen(target, PAPER, title="", subject="")  # type: ignore[arg-type]
    key_map.draw_key_map(pen, key_map.key_map(plan, BOX, TEXT), plan, shown=[("R0002", 0.0, 9.0)])
    pen.save()
    text = pypdf.PdfReader(target).pages[0].extract_text()
    assert "R0002" in text
    assert (told in text) if told else "named" not in text


def test_the_key_map_is_laid_out_once_a_place_and_its_lines_stand_in_the_file_once(
    plain_plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    boxes: list[Box] = []

    def counted(plan: Any, box: Box, text: float) -> Any:
        boxes.append(box)
        return key_map.key_map(plan, box, text)

    monkeypatch.setattr(book, "key_map", counted)
    geotools.sheets(plain_plan, output=tmp_path / "sheets.pdf")
    pages = pypdf.PdfReader(tmp_path / "sheets.pdf").pages
    forms = {id(f.get_object()) for p in pages for f in p["/Resources"]["/XObject"].values()}
    assert len(boxes) == len(set(boxes)) == 3 < len(pages)  # cover, strips, schedules
    assert len(forms) == 3 + 3  # and the names of the one run that has a plan, and of the cover


def test_a_book_of_very_many_sheets_is_told_of(
    plain_plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stages = set()
    monkeypatch.setattr(book, "_MANY", 3)
    done = geotools.sheets(
        plain_plan,
        output=tmp_path / "sheets.pdf",
        progress=lambda stage, done=0.0, total=1.0: stages.add((stage, done == total)),
    )
    many = f"drawing {done.summary['sheets']} sheets, --runs draws only those of some runs"
    assert {(many, False), (many, True)} <= stages
    assert "--runs draws only those of some runs" in done.text
