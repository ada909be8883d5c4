"""Sheets of the sample district, read back by another PDF library."""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import Any

import numpy as np
import pdfplumber
import pytest

from geotools.deliver.sheets.paper import PAPERS, layout_of

MM = 72 / 25.4
RUNS = ("R0001", "R0006")
PULL = (0x0B / 255, 0x3D / 255, 0x91 / 255)


@pytest.fixture(scope="module")
def sheets(sample_plan: Any, command: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    target: Path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
    options = ["-o", target, "--runs", ",".join(RUNS), "--paper", "a3", "--quiet"]
    assert command("sheets", sample_plan.path, *options) == 0
    with pdfplumber.open(target) as pdf:
        yield pdf.pages


def test_pulls_of_the_sample_times_the_scale_are_as_long_as_planned(
    sheets: Any, sample_plan: Any
) -> None:
    panel, drawn = layout_of(PAPERS["a3"]).plan, 0.0
    for page in sheets:
        scale = re.search(r"Scale 1:(\d+)", page.extract_text())
        for item in page.lines + page.curves if scale else ():
            points = np.array([(x, page.height - y) for x, y in item["pts"]]) / MM
            inside = points[:, 1].min() >= panel.y and points[:, 0].max() <= panel.right
            same = np.allclose(item["stroking_color"] or (), PULL, atol=1e-3)
            if inside and same and item["stroke"] and item["linewidth"] / MM > 0.5:
                drawn += float(np.hypot(*np.diff(points, axis=0).T).sum()) * int(scale[1]) / 1000
    pulls = sample_plan.pulls
    planned = pulls.loc[pulls["run_id"].isin(RUNS), "length_m"].sum()
    assert drawn == pytest.approx(planned, rel=2e-3)


def test_sheets_of_the_sample_name_every_pit_and_pull(sheets: Any, sample_plan: Any) -> None:
    # letters as they are drawn: a label along a main that runs aslant is on no one line
    text = " ".join("".join(c["text"] for c in page.chars) for page in sheets)
    for table, column in (("pulls", "pull_id"), ("pits", "pit_id")):
        frame = getattr(sample_plan, table)
        for name in frame.loc[frame["run_id"].isin(RUNS), column]:
            words = name if table == "pulls" else name.split("-")[1]
            assert words in text


def test_words_on_sheets_of_the_sample_lie_in_the_frame_and_not_on_others(sheets: Any) -> None:
    frame = layout_of(PAPERS["a3"]).frame
    for page in sheets:
        assert min(c["x0"] for c in page.chars) / MM >= frame.x
        assert max(c["x1"] for c in page.chars) / MM <= frame.right
        assert min(c["top"] for c in page.chars) / MM >= frame.y - 0.2
        assert max(c["bottom"] for c in page.chars) / MM <= frame.top + 0.2
        level = page.filter(lambda o: o["object_type"] != "char" or o["matrix"][1] == 0)
        words = level.extract_words(x_tolerance=1.5, use_text_flow=True)
        for a, b in itertools.combinations(words, 2):
            wide = min(a["x1"], b["x1"]) - max(a["x0"], b["x0"])
            tall = min(a["bottom"], b["bottom"]) - max(a["top"], b["top"])
            least = 0.45 * min(a["bottom"] - a["top"], b["bottom"] - b["top"])
            assert not (wide > 0.3 and tall > least), (a["text"], b["text"])
