"""Breaks of grade where a main with inverts joins one that follows the ground."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers
from geotools.network.build import build_runs

LayersOf = Callable[..., Layers]
Array = npt.NDArray[np.float64]
Levels = Callable[[Array], Array]
# A siphon: level, down 4 m over 10 m, level, up again, level; x of the joints and the inverts
AT = (0.0, 200.0, 210.0, 230.0, 240.0, 440.0)
INVERTS = (8.2, 8.2, 4.2, 4.2, 8.2, 8.2)
DIP = np.degrees(np.arctan(4.0 / 10.0))


def _siphon(levels: Levels | None, layers_of: LayersOf, *, ends: bool, back: bool) -> Any:
    """Bends of the siphon, with inverts on its level ends or not; and the findings."""
    lines: list[Any] = [[(a, 0.0), (b, 0.0)] for a, b in pairwise(AT)]
    start, end = np.array(INVERTS[:-1]), np.array(INVERTS[1:])
    if not ends:
        start[[0, -1]] = end[[0, -1]] = np.nan
    if back:
        lines, start, end = [line[::-1] for line in lines], end, start
    layers = layers_of(lines, invert_start=start, invert_end=end)
    runs = build_runs(layers, Network(), Bends(), accuracy=0.5, edit_reach=20.0, levels=levels)
    found = layers.findings.table()
    return runs.bends, found[found["rule"].str.startswith("grade-break")]


def _flat(places: Array) -> Array:
    return np.full(len(places), 10.0)


@pytest.mark.parametrize("back", [False, True])
def test_a_siphon_between_mains_of_a_cover_has_the_bends_it_has_by_inverts(
    layers_of: LayersOf, back: bool
) -> None:
    by_inverts, none = _siphon(_flat, layers_of, ends=True, back=back)
    by_ground, told = _siphon(_flat, layers_of, ends=False, back=back)
    for bends in (by_inverts, by_ground):
        assert bends["chainage"].tolist() == pytest.approx(AT[1:-1])
        assert np.degrees(bends["deflection"]).tolist() == pytest.approx([DIP] * 4)
    assert none.empty
    assert told["rule"].tolist() == ["grade-break-by-ground"] * 2
    assert set(told["feature"]) == {"M0", "M4"}
    assert told["text"].str.contains("turn 21.8 deg").all()


@pytest.mark.parametrize("slope", [-0.3, -0.1, 0.1, 0.3])
def test_the_slope_of_the_ground_is_that_of_a_main_at_a_cover(
    layers_of: LayersOf, slope: float
) -> None:
    bends, _ = _siphon(
        lambda places: 10.0 + slope * places[:, 0], layers_of, ends=False, back=False
    )
    up, dip = np.degrees(np.arctan(slope)), DIP
    assert np.degrees(bends["deflection"]).tolist() == pytest.approx(
        [abs(up + dip), dip, dip, abs(up - dip)]
    )


def test_without_ground_a_steep_main_beside_one_without_inverts_is_told(
    layers_of: LayersOf,
) -> None:
    bends, told = _siphon(
        lambda places: np.full(len(places), np.nan), layers_of, ends=False, back=False
    )
    assert bends["chainage"].tolist() == pytest.approx(AT[2:-2])
    assert told["rule"].tolist() == ["grade-break-unknown"] * 2
    assert told["text"].str.contains("slopes by 21.8 deg").all()
    assert _siphon(None, layers_of, ends=False, back=False)[1].empty


def test_levels_off_by_half_a_metre_make_no_bend(layers_of: LayersOf) -> None:
    """Level mains, joined end to end: each place of the ground is off by up to a quarter."""
    rng = np.random.default_rng(3)
    for _ in range(50):
        ends = np.cumsum([0.0, *rng.uniform(1.0, 60.0, 8)])
        lines = [[(a, 0.0), (b, 0.0)] for a, b in pairwise(ends)]
        invert = np.where(np.arange(8) % 2, 8.0, np.nan)
        layers = layers_of(lines, invert_start=invert, invert_end=invert)
        runs = build_runs(
            layers,
            Network(),
            Bends(),
            accuracy=0.5,
            edit_reach=20.0,
            levels=lambda places: 10.0 + rng.uniform(-0.25, 0.25, len(places)),
        )
        assert runs.bends.empty


def test_a_break_that_levels_could_make_is_told_and_taken_for_none(layers_of: LayersOf) -> None:
    """2 m of main without inverts: 0.5 m of ground are 14 deg of slope there."""
    lines = [[(0, 0), (100, 0)], [(100, 0), (102, 0)]]
    layers = layers_of(lines, invert_start=[8.0, np.nan], invert_end=[8.0, np.nan])
    runs = build_runs(
        layers,
        Network(),
        Bends(),
        accuracy=0.5,
        edit_reach=20.0,
        levels=lambda places: 10.0 + 0.15 * np.maximum(places[:, 0] - 100.0, 0.0),
    )
    assert runs.bends.empty
    (told,) = layers.findings.table().query("rule == 'grade-break-unknown'")["text"]
    assert "turn 8.53 deg" in told and "levels may make 14.04 deg" in told


@pytest.mark.parametrize("cuts", [[], [300.0], [202.0, 203.0, 250.0]])
def test_splitting_the_main_at_a_cover_changes_no_break_of_grade(
    layers_of: LayersOf, cuts: list[float]
) -> None:
    ends = [0.0, 200.0, *cuts, 400.0]
    lines = [[(a, 0.0), (b, 0.0)] for a, b in pairwise(ends)]
    columns = {
        "invert_start": [8.0, *[np.nan] * (len(lines) - 1)],
        "invert_end": [28.0, *[np.nan] * (len(lines) - 1)],
    }
    layers = layers_of(lines, **columns)
    runs = build_runs(layers, Network(), Bends(), accuracy=0.5, edit_reach=20.0, levels=_flat)
    expected = pd.Series([np.degrees(np.arctan(0.1))])
    assert np.degrees(runs.bends["deflection"]).tolist() == pytest.approx(expected.tolist())
    assert runs.bends["chainage"].tolist() == pytest.approx([200.0])
