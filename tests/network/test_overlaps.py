"""Mains drawn on each other over part of their length: every metre counts once."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations, product

import numpy as np
import pytest
import shapely

from geotools.brief import Network
from geotools.intake.columns import Layers
from geotools.intake.findings import Findings
from geotools.links import components
from geotools.network.build import RunSet
from geotools.network.doubles import report_twice
from geotools.network.noding import node_lines
from geotools.network.overlaps import Overlaps, find_overlaps

RunsOf = Callable[..., RunSet]
LayersOf = Callable[..., Layers]
Line = list[tuple[float, float]]
MAIN: Line = [(0, 0), (100, 0)]


def drawn_again(off: float) -> dict[str, tuple[list[Line], float]]:
    """Return mains that lie on each other, ``off`` m apart, and how many metres do."""
    return {
        "over the end, where another goes on": (
            [MAIN, [(60, off), (200, off)], [(100, 0), (100, 80)]],
            40,
        ),
        "joined at both its ends": (
            [MAIN, [(60, off), (200, off)], [(100, 0), (100, 80)], [(60, off), (60, -80)]],
            40,
        ),
        "inside, from one side": ([MAIN, [(20, 40), (30, off), (70, off), (80, 50)]], 40),
        "inside, across": ([MAIN, [(20, 40), (30, off), (70, off), (80, -50)]], 40),
        "over a joint": ([MAIN, [(100, 0), (200, 0)], [(60, off), (140, off)]], 80),
        "from a joint back": ([MAIN, [(100, 0), (60, off), (60, 50)]], 40),
        "from the same start": ([MAIN, [(0, 0), (60, off), (60, 50)]], 60),
        "over joints of pieces": (
            [[(0, 0), (63, 0)], [(63, 0), (66, 0)], [(66, 0), (100, 0)], [(60, off), (60, -80)],
             [(60, off), (70, off), (70, 50)]],
            10,
        ),
        "with a branch of its own": (
            [MAIN, [(20, 40), (30, off), (50, off), (70, off), (80, 50)], [(50, off), (50, 60)]],
            40,
        ),
        "drawn with other vertices": (
            [[(0, 0), (40, 0), (90, 30), (90, 90)],
             [(20, -40), (20, off), (40, off), (65, 15 + off), (90 - off, 30), (150, 30)]],
            20 + np.hypot(50, 30),
        ),
    }  # fmt: skip


CASES = list(drawn_again(0.0))


def _overlapping(layers: Layers) -> list[str]:
    table = layers.findings.table()
    return table.loc[table["rule"] == "overlapping-mains", "text"].tolist()


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("off", [0.0, 0.002, 0.1, 0.29])
def test_a_stretch_two_mains_share_counts_once_whatever_its_vertices(
    layers_of: LayersOf, run_set: RunsOf, case: str, off: float
) -> None:
    """A step from main to main is as long as they are apart, and there are five at the most."""
    lines, shared = drawn_again(off)[case]
    layers = layers_of(lines)
    runs = run_set(layers)
    whole = sum(shapely.LineString(line).length for line in lines)
    assert runs.table["length"].sum() == pytest.approx(whole - shared, abs=5 * off + 0.01)
    assert _overlapping(layers)


@pytest.mark.parametrize("case", CASES)
def test_an_overlap_is_told_with_both_mains_at_its_place(
    layers_of: LayersOf, run_set: RunsOf, case: str
) -> None:
    lines, shared = drawn_again(0.1)[case]
    layers = layers_of(lines)
    run_set(layers)
    table = layers.findings.table()
    found = table[table["rule"] == "overlapping-mains"]
    shapes = {f"M{k}": shapely.LineString(line) for k, line in enumerate(lines)}
    told = 0.0
    for row in found.itertuples():
        length, rest = row.text.split(" m of main ")
        one, two = rest.split(" between ")[0].split(":")[0].split(" lie on main ")
        assert row.feature == one
        assert shapely.distance(row.geometry, shapes[one]) < 0.2
        assert shapely.distance(row.geometry, shapes[two]) < 0.3
        told += float(length)
    assert told == pytest.approx(shared, abs=0.5)


@pytest.mark.parametrize("case", CASES)
def test_what_an_overlap_leaves_hangs_on_no_order_or_direction(
    layers_of: LayersOf, run_set: RunsOf, case: str
) -> None:
    lines, _ = drawn_again(0.1)[case]
    count, lengths, kept = len(lines), [], []
    for order in list(permutations(range(count)))[:: 7 if count > 3 else 1]:
        for turned in (range(count), [], order[: count // 2]):
            drawn = [lines[k][::-1] if k in turned else lines[k] for k in order]
            runs = run_set(layers_of(drawn, main_id=[f"M{k}" for k in order]))
            lengths.append(np.sort(runs.table["length"].to_numpy()))
            kept.append(sorted(",".join(runs.table["main_ids"]).split(",")))
    assert all(one == kept[0] for one in kept)
    np.testing.assert_allclose(lengths, np.broadcast_to(lengths[0], np.shape(lengths)), atol=1e-6)


@pytest.mark.parametrize("case", CASES)
def test_mains_that_meet_a_main_set_aside_meet_the_one_it_lies_on(
    run_set: RunsOf, case: str
) -> None:
    """All mains of each case are joined to one network as drawn, and stay joined."""
    lines, _ = drawn_again(0.1)[case]
    graph = run_set(lines).graph
    nodes = len(graph.node_xy)
    part = components(graph.ends, nodes)[np.unique(graph.ends)]
    assert len(np.unique(part)) == 1


@pytest.mark.parametrize("off", [0.3, 0.31, 0.45])
@pytest.mark.parametrize("case", ["joined at both its ends", "inside, from one side"])
def test_mains_side_by_side_stay_two(
    layers_of: LayersOf, run_set: RunsOf, case: str, off: float
) -> None:
    lines, _ = drawn_again(off)[case]
    layers = layers_of(lines)
    whole = sum(shapely.LineString(line).length for line in lines)
    assert run_set(layers).table["length"].sum() == pytest.approx(whole, abs=2 * off)
    assert not _overlapping(layers)


@pytest.mark.parametrize("case", ["joined at both its ends", "inside, from one side"])
@pytest.mark.parametrize("size", [0.3, 0.9])
def test_mains_of_other_diameters_one_above_the_other_stay_two(
    layers_of: LayersOf, run_set: RunsOf, case: str, size: float
) -> None:
    lines, _ = drawn_again(0.1)[case]
    layers = layers_of(lines, diameter=[size, *[0.6] * (len(lines) - 1)])
    whole = sum(shapely.LineString(line).length for line in lines)
    assert run_set(layers).table["length"].sum() == pytest.approx(whole, abs=0.2)
    assert not _overlapping(layers)


@pytest.mark.parametrize("turn", [3.5, 10.0, 90.0])
def test_mains_that_part_at_an_angle_are_none_on_each_other(
    layers_of: LayersOf, run_set: RunsOf, turn: float
) -> None:
    """At 3.5 degrees they are 0.3 m apart after 4.9 m, where each has a vertex."""
    way = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    lines = [[(0, 0), (4.9, 0), (100, 0)], [(0, 0), tuple(4.9 * way), tuple(100 * way)]]
    layers = layers_of(lines)
    assert run_set(layers).table["length"].sum() == pytest.approx(200.0)
    assert not _overlapping(layers)


def test_an_overlap_is_looked_for_no_farther_than_the_snap_tolerance(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    lines, shared = drawn_again(0.1)["inside, from one side"]
    whole = sum(shapely.LineString(line).length for line in lines)
    for tolerance, left in ((0.05, whole), (0.15, whole - shared)):
        runs = run_set(layers_of(lines), network=Network(snap_tolerance=f"{tolerance} m"))
        assert runs.table["length"].sum() == pytest.approx(left, abs=0.2)


@pytest.mark.parametrize("ways", list(product([1, -1], repeat=2)))
def test_overlaps_are_found_where_they_lie_along_both_mains(ways: tuple[int, int]) -> None:
    lines = [np.array([(0.0, 0.0), (100.0, 0.0)]), np.array([(60.0, 0.1), (130.0, 0.1)])]
    drawn = [line[::way] for line, way in zip(lines, ways, strict=True)]
    found = find_overlaps(
        np.concatenate(drawn),
        np.array([0, 2, 4]),
        chosen=np.ones(2, dtype=bool),
        diameter=np.full(2, 0.6),
        diameter_tolerance=0.0,
        reach=0.3,
    )
    assert found.line.tolist() == [[0, 1]]
    bounds = [(60, 100) if ways[0] > 0 else (0, 40), (0, 40) if ways[1] > 0 else (30, 70)]
    np.testing.assert_allclose(np.stack([found.low[0], found.high[0]], axis=1), bounds, atol=1e-9)
    assert found.same.tolist() == [ways[0] == ways[1]]


def test_an_overlap_that_could_not_be_taken_once_is_told(layers_of: LayersOf) -> None:
    layers = layers_of([MAIN, [(20, 40), (30, 0.1), (70, 0.1), (80, 50)]])
    mains, findings = layers.mains, Findings()
    apart = node_lines(mains.xy, mains.offsets, tolerance=0.5)  # no node shared
    begin = float(np.hypot(10, 39.9))
    overlap = Overlaps(
        np.array([[0, 1]]),
        np.array([[30.0, begin]]),
        np.array([[70.0, begin + 40.0]]),
        np.array([True]),
    )
    report_twice(apart, mains, overlap, findings)
    (row,) = findings.table().itertuples()
    assert row.text.startswith("40.0 m of main M0 lie on main M1")
    assert "counted twice" in row.text
    assert row.geometry.coords[0] == pytest.approx((50.0, 0.0))
