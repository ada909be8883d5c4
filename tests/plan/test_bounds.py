"""Every number of the brief at both ends of what it may be: a plan, a refusal in words, no crash.

Some of the ends, drawn evenly, are tried in the gate; ``SLIPMAIN_EXAMPLES=1000`` tries all.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from typing import Any

import annotated_types
import geopandas as gpd
import pytest
import shapely

import geotools
from geotools.brief import Brief, Setting, load_brief, settings
from geotools.deliver.tables import settings_table
from geotools.errors import SlipmainError
from geotools.units import in_unit

CRS = 32633
CASES = int(os.environ.get("SLIPMAIN_EXAMPLES", "12"))  # of a plan; a third as many of a screening
VAST = 1e7  # where a number has no upper bound, in SI
UNITS = dict(zip(*(settings_table(load_brief(), "si")[n] for n in ("name", "unit")), strict=True))


def ends(setting: Setting) -> Iterator[float]:
    """Yield the least and the greatest number a setting takes; a hair inside where it is open."""
    section, _, name = setting.key.partition(".")
    marks = type(getattr(Brief(), section)).model_fields[name].metadata
    low = next((m.ge for m in marks if isinstance(m, annotated_types.Ge)), None)
    above = next((m.gt for m in marks if isinstance(m, annotated_types.Gt)), None)
    high = next((m.le for m in marks if isinstance(m, annotated_types.Le)), None)
    below = next((m.lt for m in marks if isinstance(m, annotated_types.Lt)), None)
    if above is not None:
        yield above * (1 + 1e-6) or 1e-6
    elif low is not None:
        yield low
    if below is not None:
        yield below * (1 - 1e-6)
    else:
        yield VAST if high is None else high * (1 - 1e-12)  # in degrees it may be a hair beyond


def written(setting: Setting, value: float) -> object:
    if setting.type == "integer":
        return round(value)
    unit = UNITS[setting.key]
    if setting.kind is None or not unit:
        return value
    return f"{in_unit(value, unit, setting.kind):.15g} {unit}"


def drawn(tool: str) -> list[tuple[str, object]]:
    """Return some numbers at their ends, evenly drawn from all that a tool asks for."""
    every = [
        (setting.key, written(setting, value))
        for setting in settings()
        if (setting.kind is not None or setting.type in ("number", "integer"))
        and setting.key.startswith("screening.") == (tool == "screen")
        for value in ends(setting)
    ]
    wanted = CASES if tool == "plan" else CASES // 3
    return every[:: max(len(every) // wanted, 1)]


def district() -> dict[str, Any]:
    """One main of 150 m with a bend under a street; small, for every case is a plan."""
    line = [(500000, 5000000), (500100, 5000000), (500145, 5000020)]
    mains = {"main_id": ["A"], "diameter_mm": [400.0], "material": ["pit cast iron"],
             "installed": [1920], "cover_m": [1.2], "pressure_kpa": [400.0]}  # fmt: skip
    street = shapely.LineString([(499800, 5000002), (500400, 5000002)])
    return {
        "mains": gpd.GeoDataFrame(mains, geometry=[shapely.LineString(line)], crs=CRS),
        "streets": gpd.GeoDataFrame({"class": ["local"]}, geometry=[street], crs=CRS),
    }


def told(tool: str, over: dict[str, object]) -> str:
    """Return why a tool refuses settings; empty where it does not. What else is raised fails."""
    try:
        getattr(geotools, tool)(**district(), settings={"pulls.grouted": True, **over})
    except SlipmainError as error:
        return str(error)
    return ""


@pytest.mark.parametrize(
    ("tool", "key", "value"),
    [(tool, *case) for tool in ("plan", "screen") for case in drawn(tool)],
)
def test_a_number_at_an_end_of_its_bounds_is_planned_with_or_refused_in_words(
    tool: str, key: str, value: object
) -> None:
    said = told(tool, {key: value})
    assert "out of range" not in said  # an end is within
    assert not said or key.partition(".")[0] in said


@pytest.mark.parametrize("tool", ["plan", "screen"])
def test_a_bore_filled_by_tubercles_is_entered_by_no_pipe_and_said(tool: str) -> None:
    layers = district()
    layers["mains"]["diameter_mm"] = 150.0  # 75 mm to the middle, and 100 mm of tubercles
    over = {"network.min_diameter": "100 mm", "service.host_cleaned": False,
            "service.tubercles": "100 mm"}  # fmt: skip
    done = getattr(geotools, tool)(**layers, settings=over).layers
    if tool == "plan":
        assert done["runs"]["status"].tolist() == ["not_suitable"]
        assert "does not enter" in done["runs"]["reason"].iloc[0]
    else:
        assert done["ranking"]["verdict"].tolist() == ["not suitable"]
    findings = done["findings"].set_index("rule")
    assert "service.tubercles" in findings.loc["bore-closed", "text"]


def test_a_pipe_of_ones_own_is_refused_where_its_bending_is_not_known() -> None:
    thin = told("plan", {"carrier.own": ["thin; PE100; 355 mm; 8 mm"]})  # OD/wall 44, table to 41
    assert "carrier.own.0: a wall of 8.00 mm does not go with an outside diameter" in thin
    assert "valid from 8.66 mm to 71.00 mm" in thin  # 355/41 and 355/5
    assert told("plan", {"carrier.own": ["thin; PE100; 355 mm; 8.7 mm"]}) == ""
    assert told("plan", {"carrier.own": ["thin; PVC; 355 mm; 8 mm"]}) == ""
    small = told("plan", {"carrier.own": ["small; PVC-U; 90 mm; 5 mm"]})
    assert "an outside diameter of 90.00 mm is out of range for PVC-U" in small
    assert "valid from 110.00 mm" in small


@pytest.mark.parametrize("grouted", [True, False])
def test_grout_cures_no_faster_than_the_modulus_is_known_for(grouted: bool) -> None:
    quick = {"pulls.grout_cure": "20 s", "pulls.grouted": grouted}
    assert "must be at least 36 s" in told("plan", quick)
    assert told("plan", {**quick, "pulls.grout_cure": "36 s"}) == ""
