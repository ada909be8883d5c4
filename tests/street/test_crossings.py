"""Streets that cross with no common node: an intersection unless the brief says bridge."""

from __future__ import annotations

import tracemalloc
from typing import Any

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.network.noding import Graph
from geotools.street.crossings import node_crossings
from geotools.street.scene import StreetScene, build_scene

EAST, NORTH = [(-200, 0), (200, 0)], [(0, -150), (0, 150)]


def scene(
    *lines: list[tuple[float, float]], findings: Findings | None = None, **rules: Any
) -> StreetScene:
    said = {"class": "arterial", "lanes": 2.0, "width": 7.0, "speed": 14.0, "name": ""}
    names = [f"S{k}" for k in range(len(lines))]
    table = pd.DataFrame({**said, "feature": names}, index=range(len(lines)))
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    return build_scene(
        Lines(table, xy, np.cumsum([0, *map(len, lines)])),
        np.zeros(0, dtype=object),
        Street(**rules),
        tolerance=0.5,
        accuracy=0.5,
        clear=10.0,
        findings=Findings() if findings is None else findings,
    )


def room(streets: StreetScene, at: float) -> float:
    """Return how far a string goes on east from here on the street that runs east."""
    net = streets.net
    starts = net.chains.xy[net.chains.offsets[:-1]]
    chain = int(np.argmin(starts[:, 0]))
    free = streets.corridors.available(
        np.array([chain]), np.array([at]), np.array([True]), np.array([5.0])
    )
    return float(free[0])


def test_a_crossing_without_a_node_is_an_intersection_and_one_finding() -> None:
    findings = Findings()
    streets = scene(EAST, NORTH, findings=findings)
    assert streets.net.crossings.tolist() == [[0.0, 0.0]]
    assert streets.net.connections["chainage"].tolist() == pytest.approx([200.0, 150.0])
    assert streets.net.connections["crossing_class"].tolist() == ["arterial", "arterial"]
    assert room(streets, 100.0) == pytest.approx(90.0)
    (found,) = findings.table().to_dict("records")
    assert found["rule"] == "streets-cross" and found["layer"] == "streets"
    assert found["geometry"].equals(shapely.Point(0, 0))
    assert "S0 and S1" in found["text"] and "street.crossing_without_node" in found["text"]


def test_streets_at_rest_answer_as_before() -> None:
    streets = scene(EAST, NORTH)
    places = np.array([[30.0, 40.0], [-7.0, 0.0]])
    gaps, free = streets.net.crossing_points.gap(places), room(streets, 100.0)
    rested = streets.at_rest()
    assert rested.corridors.net is rested.net
    assert not rested.corridors.known and streets.corridors.known
    assert "crossing_points" not in vars(rested.net) and "places" in vars(rested.net)
    assert rested.net.crossing_points.gap(places).tolist() == gaps.tolist() == [50.0, 7.0]
    assert room(rested, 100.0) == free


def test_the_streets_go_straight_on_over_the_crossing() -> None:
    net = scene(EAST, NORTH).net
    assert sorted(net.lengths) == pytest.approx([300.0, 400.0])


def test_a_bridge_is_no_intersection_and_no_finding() -> None:
    findings = Findings()
    streets = scene(EAST, NORTH, findings=findings, crossing_without_node="bridge")
    assert not len(streets.net.crossings) and not len(streets.net.connections)
    assert room(streets, 100.0) == pytest.approx(300.0)
    assert not len(findings.table())


APART = ([(-200, 0), (0.3, 0)], [(0.3, 0), (200, 0)], [(0, -150), (0, 0.2)], [(0, 0.2), (0, 150)])
TRUE = ([(-200, 0), (0, 0)], [(0, 0), (200, 0)], [(0, -150), (0, 0)], [(0, 0), (0, 150)])


@pytest.mark.parametrize("lines", [TRUE, APART], ids=["noded", "nodes_apart"])
@pytest.mark.parametrize("rule", ["intersection", "bridge"])
def test_nodes_within_the_tolerance_of_a_crossing_are_one_and_no_finding(
    lines: Any, rule: str
) -> None:
    findings = Findings()
    net = scene(*lines, findings=findings, crossing_without_node=rule).net
    assert len(net.crossings) == 1
    assert len(net.connections) == 2
    assert sorted(net.lengths) == pytest.approx([300.0, 400.0], abs=1.0)
    assert not len(findings.table())


def test_a_street_that_overshoots_its_end_does_not_cross_twice() -> None:
    findings = Findings()
    net = scene(EAST, [(0, -150), (0, 0.3)], findings=findings).net
    assert len(net.crossings) == 1
    assert not len(findings.table())


def test_three_streets_through_one_point_are_one_intersection() -> None:
    net = scene(EAST, NORTH, [(-100, -100.1), (100, 100)]).net
    assert len(net.crossings) == 1
    assert len(net.connections) == 3


def test_two_streets_that_cross_twice_have_two_intersections() -> None:
    findings = Findings()
    net = scene(EAST, [(-100, 50), (0, -50), (100, 50)], findings=findings).net
    assert net.crossings[np.argsort(net.crossings[:, 0])].tolist() == [[-50.0, 0.0], [50.0, 0.0]]
    assert len(findings.table()) == 2


def grid(side: int, seed: int) -> list[list[tuple[float, float]]]:
    """Return streets across a square at odd angles."""
    rng = np.random.default_rng(seed)
    ends = rng.uniform(0, 1000, (side, 4))
    return [[(a, 0.0), (b, 1000.0)] if k % 2 else [(0.0, a), (1000.0, b)]
            for k, (a, b, _, _) in enumerate(ends)]  # fmt: skip


def test_every_crossing_is_found_once_as_brute_force_finds_it() -> None:
    lines = grid(40, 3)
    findings = Findings()
    net = scene(*lines, findings=findings).net
    shapes = [shapely.LineString(line) for line in lines]
    wanted = [
        a.intersection(b).coords[0]
        for k, a in enumerate(shapes)
        for b in shapes[:k]
        if a.crosses(b)
    ]
    told = findings.table().query("rule == 'streets-cross'")
    places = np.array([[g.x, g.y] for g in told["geometry"]])
    assert len(places) == len(wanted)
    np.testing.assert_allclose(
        places[np.lexsort(places.T)], np.array(wanted)[np.lexsort(np.array(wanted).T)], atol=1e-6
    )
    apart = shapely.STRtree(shapely.points(net.crossings)).query(
        shapely.points(places), predicate="dwithin", distance=1.1
    )[0]
    assert len(np.unique(apart)) == len(places)
    assert net.lengths.sum() == pytest.approx(sum(s.length for s in shapes), abs=1e-3)


LOOP = [(-200, 0), (200, 0), (200, 150), (0, 150), (0, -150)]


def test_a_street_that_crosses_itself_has_an_intersection_and_a_finding() -> None:
    findings = Findings()
    streets = scene(LOOP, findings=findings)
    assert streets.net.crossings.tolist() == [[0.0, 0.0]]
    assert room(streets, 100.0) == pytest.approx(90.0)
    (found,) = findings.table().to_dict("records")
    assert found["geometry"].equals(shapely.Point(0, 0))
    assert "street S0 crosses itself" in found["text"]
    assert streets.net.lengths.sum() == pytest.approx(shapely.LineString(LOOP).length)


def test_a_street_that_passes_over_itself_on_a_bridge_is_no_intersection() -> None:
    streets = scene(LOOP, crossing_without_node="bridge")
    assert not len(streets.net.crossings) and not len(streets.net.connections)


def test_loops_of_one_middle_have_an_intersection_each() -> None:
    pretzel = [(-200, 0), (100, 0), (100, 50), (-100, 50), (-100, -50), (100, -50), (100, -100),
               (-150, -100), (-150, 100)]  # fmt: skip
    net = scene(pretzel).net
    assert sorted(net.crossings.tolist()) == [[-150.0, 0.0], [-100.0, 0.0]]
    assert net.lengths.sum() == pytest.approx(shapely.LineString(pretzel).length)


def test_words_of_classes_that_no_setting_knows_are_told() -> None:
    findings = Findings()
    scene(EAST, findings=findings, no_block=["A", " b "])
    (found,) = findings.table().to_dict("records")
    assert found["rule"] == "no-busy-street"
    assert "(a, b); there are 'arterial' (1)" in found["text"]
    known = Findings()
    scene(EAST, findings=known, no_block=["Arterial"])
    scene(EAST, findings=known, no_block=[])
    assert known.table().empty


def test_a_heap_of_crossings_is_joined_without_every_pair_of_them() -> None:
    count = 70
    turn = np.arange(count) * np.pi / count
    along = np.stack([np.cos(turn), np.sin(turn)], axis=1) * 100.0
    aside = np.random.default_rng(0).normal(0.0, 0.01, (count, 2))
    at = np.stack([aside - along, aside + along], axis=1).reshape(-1, 2)
    ends = np.arange(2 * count).reshape(count, 2)
    zero, none = np.zeros(count), np.zeros((0, 5))
    offsets = np.arange(count + 1) * 2
    graph = Graph(at, ends, np.arange(count), zero, zero + 200.0, at, offsets, none, none[:, :4])
    tracemalloc.start()
    try:
        joined, found = node_crossings(graph, tolerance=0.5, meet=True)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert len(found.xy) == count * (count - 1) / 2
    assert len(joined.node_xy) == 2 * count + 1
    assert peak < 10e6  # bytes; of crossings so near to each other there are two million pairs
