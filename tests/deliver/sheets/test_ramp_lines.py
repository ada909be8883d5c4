"""Ramps in the profile: where foot and top lie, and which ramps are drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.deliver.sheets.ramp_lines import ramp_lines

STATIONS = np.array([0.0, 400.0])
AXIS = np.array([98.0, 102.0])  # rises by 1 %
SLOPES = {"host_slope": 0.01, "rest_slope": -0.02}


def pits(**columns: Any) -> pd.DataFrame:
    ways = ("ahead", "behind")
    none = {f"{n}_{way}": np.nan for n in ("ramp", "drop", *SLOPES) for way in ways}
    told = {f"{n}_{way}": value for n, value in SLOPES.items() for way in ways}
    return pd.DataFrame([none | told | {"role": "insertion_ahead"} | columns])


def lines_of(frame: pd.DataFrame, axis: Any = AXIS) -> list[Any]:
    return list(ramp_lines(frame, STATIONS, axis, 400.0))


@pytest.mark.parametrize(("name", "way"), [("ahead", -1.0), ("behind", 1.0)])
def test_a_ramp_goes_from_the_axis_at_the_station_up_to_its_drop_with_both_slopes(
    name: str, way: float
) -> None:
    pit = pits(
        role=f"insertion_{name}", chainage=200.0, before=10.0, after=10.0, length=12.0,
        **{f"ramp_{name}": 10.0, f"drop_{name}": 2.5},
    )  # fmt: skip
    (line,) = lines_of(pit)
    assert line[0] == pytest.approx([200.0, 100.0])
    assert line[-1] == pytest.approx([200.0 + way * 10.0, 102.5])
    rise = np.diff(line[:, 1]) / np.abs(np.diff(line[:, 0]))
    step = 10.0 / len(rise)  # what the slope changes by over half a step is not the slope there
    assert rise[[0, -1]] == pytest.approx([0.01, -0.02], abs=6 * 2.5 / 100 * step)


def test_two_ramps_in_one_hole_cross_and_each_has_its_own_drop() -> None:
    pit = pits(
        role="insertion_both", chainage=200.0, before=7.0, after=7.0, length=14.0,
        ramp_ahead=10.0, drop_ahead=1.5, ramp_behind=10.0, drop_behind=3.5,
    )  # fmt: skip
    ahead, behind = lines_of(pit)
    assert ahead[[0, -1], 0].tolist() == pytest.approx([205.0, 195.0])
    assert behind[[0, -1], 0].tolist() == pytest.approx([195.0, 205.0])
    assert ahead[[0, -1], 1].tolist() == pytest.approx([100.05, 101.55])
    assert behind[[0, -1], 1].tolist() == pytest.approx([99.95, 103.45])


def test_a_ramp_goes_on_beyond_the_end_of_its_run_and_one_that_leaves_it_at_a_bend_is_not_drawn(
) -> None:  # fmt: skip
    ramp = {"ramp_ahead": 10.0, "drop_ahead": 2.5, "after": 2.0, "length": 12.0}
    (line,) = lines_of(pits(chainage=3.0, before=3.0, **ramp))
    assert line[-1] == pytest.approx([-7.0, 98.03 + 2.5])
    assert not lines_of(pits(chainage=200.0, before=3.0, **ramp))


def test_a_ramp_is_not_drawn_where_the_level_of_the_host_is_not_known() -> None:
    ramp = {"ramp_ahead": 10.0, "drop_ahead": 2.5, "after": 2.0, "length": 12.0}
    assert not lines_of(pits(chainage=200.0, before=10.0, **ramp), np.full(2, np.nan))
    assert not lines_of(pits(chainage=200.0, before=3.0, after=3.0, length=6.0))  # a receiving one
