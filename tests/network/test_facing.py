"""Ends that face each other: where many mean one place, few of their pairs are looked at."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from geotools.network import gaps
from geotools.network.gaps import facing_ends
from geotools.network.near import clusters
from geotools.network.pieces import TOUCH, end_points
from geotools.network.ragged import in_blocks, measures, offsets_of

NO_LINKS = np.zeros((0, 2), dtype=np.int64)


def _faced(lines: list[np.ndarray], tolerance: float) -> list[list[int]]:
    xy, offsets = np.concatenate(lines), offsets_of(np.array([len(line) for line in lines]))
    node = clusters(end_points(xy, offsets), TOUCH, NO_LINKS)
    along = measures(xy, offsets)
    return facing_ends(xy, offsets, along, node, tolerance=tolerance).tolist()


def _beside_each_other(count: int, over: float) -> list[np.ndarray]:
    """Return so many lines of 600 m that lie side by side within some metres, none on another."""
    across = (np.arange(count) + np.random.default_rng(7).uniform(0, 0.5, count)) * over / count
    return [np.array([(0.0, y), (600.0, y)]) for y in across]


def _bundle(seed: int) -> list[np.ndarray]:
    """Return lines that end about a few places, short and long, some of them passing through."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(6, 40))
    places = rng.uniform(0, 1.2, (count // 6, 2))
    lines = []
    for _ in range(count):
        end = places[rng.integers(len(places))] + rng.normal(0, rng.choice([0.05, 0.4]), 2)
        if seed % 3 == 0:
            end = np.round(end, 1)  # gaps of one width
        turn = rng.uniform(0, 2 * np.pi) if seed % 2 else rng.normal(np.pi * rng.integers(2), 0.02)
        way = rng.choice([0.3, 2.0, 60.0]) * np.array([np.cos(turn), np.sin(turn)])
        back = way if rng.random() < 0.2 else 0 * way
        lines.append(np.array([end - back, end + way / 2, end + way])[:: rng.choice([1, -1])])
    return lines


@pytest.mark.parametrize("count", [60, 240])
@pytest.mark.parametrize("over", [0.5, 2.0])
def test_few_pairs_of_many_ends_at_one_place_are_looked_at(
    monkeypatch: pytest.MonkeyPatch, count: int, over: float
) -> None:
    """Of k ends there are some k * k / 2 pairs; each would meet k lines."""
    asked, rows, at_once = [], [], []
    plain = gaps._alongside, gaps.lines_near, gaps._dangles_there

    def alongside(net: Any, ends: Any, lines: Any, tolerance: float) -> Any:
        asked.append(len(ends))
        return plain[0](net, ends, lines, tolerance)

    def near(points: Any, *lines: Any, **how: Any) -> Any:
        rows.append(len(points))
        return plain[1](points, *lines, **how)

    def dangles(net: Any, pairs: Any, *other: Any) -> Any:
        at_once.append(len(pairs))
        return plain[2](net, pairs, *other)

    monkeypatch.setattr(gaps, "_alongside", alongside)
    monkeypatch.setattr(gaps, "lines_near", near)
    monkeypatch.setattr(gaps, "_dangles_there", dangles)
    monkeypatch.setattr(gaps, "AT_ONCE", 1_000)
    faced = _faced(_beside_each_other(count, over), 0.3)
    assert len(faced) == 2 * (count - 1)
    assert sum(rows) <= 2 * count  # every end once
    assert sum(asked) <= 2 * 3 * 2 * count  # either way, three pairs an end
    assert max(at_once) <= 1_000 + count


@pytest.mark.parametrize("tolerance", [0.1, 0.4])
def test_the_pairs_that_are_looked_at_are_those_that_matter(
    monkeypatch: pytest.MonkeyPatch, tolerance: float
) -> None:
    bundles = [_bundle(seed) for seed in range(30)]
    few = [_faced(lines, tolerance) for lines in bundles]
    parted = []

    def at_once(net: Any, pairs: Any, held: Any) -> Any:
        return np.zeros(len(pairs), dtype=np.int64)

    def judged(*inputs: Any) -> Any:
        parted.append(plain(*inputs))
        return parted[-1]

    plain = gaps._parted
    monkeypatch.setattr(gaps, "_turns", at_once)
    monkeypatch.setattr(gaps, "_parted", judged)
    assert few == [_faced(lines, tolerance) for lines in bundles]
    assert sum(map(len, few)) > 100
    assert sum(map(np.sum, parted)) > 50
    monkeypatch.setattr(gaps, "AT_ONCE", 70)
    assert few[:6] == [_faced(lines, tolerance) for lines in bundles[:6]]


def test_blocks_hold_every_row_once_and_little_more_than_there_is_room_for() -> None:
    counts = np.array([3, 0, 9, 1, 1, 1, 25, 0, 2])
    blocks = list(in_blocks(counts, 5))
    assert np.concatenate(blocks).tolist() == list(range(9))
    assert max(counts[rows[:-1]].sum() for rows in blocks) < 5
    assert not list(in_blocks(counts[:0], 5))
