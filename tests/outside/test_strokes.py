"""Runs against the published continuity strokes as `momepy.COINS` (0.11) computes them.

Source of the method: Tripathy et al. 2021 (title from memory), "An open-source tool to extract
natural continuity and hierarchy of urban street networks" (COINS), in the version of momepy. Two
segments continue each other there if each is the other's best match at the node and the interior
angle (180 degrees less the deflection) is above the threshold.

Where the rules part, and why: (1) at a node of four and more ends COINS leaves those unmatched
whose best match is taken; a run pairs them among themselves, least turn first, since a main does
go on through a cross. (2) Two mains with no third at their node are one run whatever the turn; the
run is cut afterwards, at the bend, and the place reported. (3) The direction of a main is taken
5 m on, COINS takes the last segment: the networks here have straight mains longer than that.
(4) Exactly at the limit a run goes on, a stroke does not.
"""

from __future__ import annotations

from itertools import combinations
from typing import Any

import geopandas as gpd
import momepy
import numpy as np
import numpy.typing as npt
import pytest
import shapely

from geotools.network.noding import node_lines
from geotools.network.runs import build_chains

Array = npt.NDArray[np.float64]


def _streets(seed: int, chance: float) -> Array:
    """Return mains of a shaken grid with some diagonals, shape (n, 2, 2), m."""
    rng = np.random.default_rng(seed)
    side = int(rng.integers(4, 9))
    grid = np.stack(np.meshgrid(np.arange(side), np.arange(side)), axis=-1).reshape(-1, 2)
    nodes = grid * 100.0 + rng.uniform(-25, 25, grid.shape)
    pairs = [(k, k + 1) for k in range(side * side) if (k + 1) % side]
    pairs += [(k, k + side) for k in range(side * (side - 1))]
    pairs = [p for p in pairs if rng.random() < chance]
    lines = nodes[np.array(pairs)]
    flip = rng.random(len(lines)) < 0.5
    lines[flip] = lines[flip, ::-1]
    return np.asarray(lines[rng.permutation(len(lines))])


def _strokes(lines: Array, max_turn: float) -> set[frozenset[int]]:
    """Return the strokes of momepy as sets of mains."""
    frame = gpd.GeoDataFrame(geometry=shapely.linestrings(lines), crs="EPSG:32633")
    label = momepy.COINS(frame, angle_threshold=180.0 - max_turn).stroke_attribute()
    return {frozenset(rows) for rows in label.groupby(label).groups.values()}


def _runs(lines: Array, max_turn: float) -> set[frozenset[int]]:
    """Return our runs as sets of mains."""
    graph = node_lines(lines.reshape(-1, 2), np.arange(len(lines) + 1) * 2, tolerance=0.5)
    count = len(graph)
    assert count == len(lines)
    chains = build_chains(
        graph,
        eligible=np.ones(count, dtype=bool),
        diameter=np.full(count, 0.6),
        rank=np.arange(count),
        diameter_tolerance=0.02,
        max_turn=np.radians(max_turn),
    )
    pieces = chains.pieces
    return {frozenset(rows["line"].tolist()) for _, rows in pieces.groupby("run")}


def _spokes(lines: Array) -> list[list[tuple[int, float]]]:
    """Return for every node its mains and their headings, degrees."""
    found: dict[tuple[float, ...], list[tuple[int, float]]] = {}
    for row, line in enumerate(lines):
        for here, there in (line, line[::-1]):
            heading = float(np.degrees(np.arctan2(*(there - here)[::-1])))
            found.setdefault(tuple(here), []).append((row, heading))
    return list(found.values())


def _turn(a: float, b: float) -> float:
    """Return the deflection from heading a (seen from the node) on into heading b."""
    return abs((a + 180.0 - b + 180.0) % 360.0 - 180.0)


def _odd_one(lines: Array, max_turn: float) -> int | None:
    """Return a main at a node where the rules ask for different pairs, None if there is none."""
    for spokes in _spokes(lines):
        turns = {frozenset((a[0], b[0])): _turn(a[1], b[1]) for a, b in combinations(spokes, 2)}
        if len(spokes) == 2 and min(turns.values()) > max_turn:
            return spokes[0][0]
        best = {
            row: min((pair for pair in turns if row in pair), key=turns.__getitem__)
            for row, _ in spokes
            if turns
        }
        mutual = [pair for pair in turns if all(best[row] == pair for row in pair)]
        left = [row for row, _ in spokes if not any(row in pair for pair in mutual)]
        for pair in combinations(left, 2):
            if turns[frozenset(pair)] <= max_turn:
                return pair[0]
    return None


def _where_both_mean_the_same(lines: Array, max_turn: float) -> Array:
    """Take mains out until both rules ask for the same pairs at every node."""
    while (row := _odd_one(lines, max_turn)) is not None:
        lines = np.delete(lines, row, axis=0)
    return lines


@pytest.mark.parametrize("max_turn", [30.0, 45.0, 70.0, 100.0])
def test_runs_are_the_strokes_where_both_rules_mean_the_same(max_turn: float) -> None:
    for seed in range(15):
        lines = _where_both_mean_the_same(_streets(seed, chance=0.9), max_turn)
        runs = _runs(lines, max_turn)
        assert runs == _strokes(lines, max_turn)
        assert len(lines) - len(runs) > 0.2 * len(lines)  # there was something to agree on


@pytest.mark.parametrize("max_turn", [30.0, 45.0, 70.0, 100.0])
def test_every_stroke_lies_within_one_run(max_turn: float) -> None:
    for seed in range(1000, 1015):
        lines = _streets(seed, chance=0.9)
        runs = _runs(lines, max_turn)
        for stroke in _strokes(lines, max_turn):
            assert sum(bool(stroke & run) for run in runs) == 1


def _cross(*headings: float) -> Array:
    ends = [(80 * np.cos(np.radians(h)), 80 * np.sin(np.radians(h))) for h in headings]
    return np.array([[(0.0, 0.0), end] for end in ends])


@pytest.mark.parametrize(("threshold", "strokes"), [(135.0, 1), (160.0, 2)])
def test_a_cross_whose_east_leg_is_deflected_by_30_degrees(threshold: float, strokes: int) -> None:
    # run with momepy 0.11: west and east are one stroke at 135, two at 160
    lines = _cross(180.0, 90.0, -30.0, 270.0)
    for partition in (_strokes(lines, 180 - threshold), _runs(lines, 180 - threshold)):
        assert sum(bool(part & {0, 2}) for part in partition) == strokes


def test_a_cross_whose_east_leg_is_deflected_by_50_degrees_is_where_the_rules_part() -> None:
    # momepy 0.11: east is nearer to north's continuation (40 deg) than to west's (50), but north
    # pairs south; so west and east stay alone at any threshold. A run takes the two that are left.
    lines: Any = _cross(180.0, 90.0, -50.0, 270.0)
    assert _strokes(lines, 100.0) == {frozenset({1, 3}), frozenset({0}), frozenset({2})}
    assert _runs(lines, 100.0) == {frozenset({1, 3}), frozenset({0, 2})}
    assert _runs(lines, 45.0) == {frozenset({1, 3}), frozenset({0}), frozenset({2})}
