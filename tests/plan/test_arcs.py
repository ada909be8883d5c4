"""True arcs: the plan of a main drawn with one is that of the same main drawn by short chords."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pyogrio
import pytest

import geotools

X0, Y0 = 500_000.0, 5_200_000.0
STRAIGHT, TURN = 200.0, math.radians(40)


def drawn(radius: float, chords: int) -> str:
    """Return a main as text: straight, an arc to the left, straight; a true arc if no chords."""
    at = np.linspace(0, TURN, max(chords, 2) + 1)
    arc = [(X0 + radius * np.sin(a), Y0 + radius * (1 - np.cos(a))) for a in at]
    first = (X0 - STRAIGHT, Y0)
    last = arc[-1][0] + STRAIGHT * math.cos(TURN), arc[-1][1] + STRAIGHT * math.sin(TURN)

    def text(*xy: tuple[float, float]) -> str:
        return "(" + ", ".join(f"{x:.6f} {y:.6f}" for x, y in xy) + ")"

    if chords:
        return f"LINESTRING {text(first, *arc, last)}"
    parts = text(first, arc[0]), f"CIRCULARSTRING {text(*arc)}", text(arc[-1], last)
    return f"COMPOUNDCURVE ({', '.join(parts)})"


def planned(folder: Path, shape: str) -> dict[str, pd.DataFrame]:
    folder.mkdir()
    (folder / "net.csv").write_text(f'WKT,main_id,diameter_mm,material\n"{shape}",A,900,CI\n')
    brief = folder / "brief.toml"
    brief.write_text('[inputs.mains]\nsource = "net.csv"\ncrs = "EPSG:32633"\n')
    geotools.plan(brief, output=folder / "plan.gpkg", settings={"pulls.max_length": "900 m"})
    layers = ("runs", "bends", "pits")
    return {
        name: pyogrio.read_dataframe(folder / "plan.gpkg", layer=name, read_geometry=False)
        for name in layers
    }


@pytest.mark.parametrize("radius", [1800.0])
def test_an_arc_is_planned_as_the_same_arc_by_short_chords(tmp_path: Path, radius: float) -> None:
    arc = planned(tmp_path / "arc", drawn(radius, 0))
    dense = planned(tmp_path / "dense", drawn(radius, 80))
    assert arc["bends"]["kind"].tolist() == dense["bends"]["kind"].tolist() == ["curve"]
    assert arc["bends"]["axis_radius_m"][0] == pytest.approx(radius, rel=0.001)
    assert len(arc["pits"]) == len(dense["pits"])
    assert arc["runs"]["cost"][0] == pytest.approx(dense["runs"]["cost"][0], rel=1e-5)


def test_a_fillet_of_hundreds_of_tiny_chords_is_the_corner_it_rounds(tmp_path: Path) -> None:
    fillet = planned(tmp_path / "fillet", drawn(0.3, 0))["bends"]
    assert fillet["kind"].tolist() == ["fitting"]
    assert fillet["deflection_deg"][0] == pytest.approx(40, abs=0.1)
