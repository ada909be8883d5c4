"""Segments between valves and what a shutdown cuts off, against plain graph searches."""

from __future__ import annotations

from typing import Any

import networkx as nx
import numpy as np
import numpy.typing as npt
import pytest

from geotools import accel
from geotools.network.segments import (
    Links,
    Segments,
    build_segments,
    cut_off,
    fed_segments,
    joined_segments,
    split_edges,
)

Array = npt.NDArray[Any]
LONG = 100.0  # m, every edge of the random networks


def divide(
    ends: Array,
    nodes: int,
    valves: list[tuple[int, float]],
    *,
    separates: list[bool] | None = None,
    carrying: list[bool] | None = None,
) -> tuple[Links, Segments]:
    """Divide edges of one length at valves given as (edge, place)."""
    edge = np.array([e for e, _ in valves], dtype=np.int64)
    at = np.array([a for _, a in valves], dtype=float)
    links = split_edges(np.full(len(ends), LONG), valve_edge=edge, valve_at=at)
    flags = np.ones(len(valves), dtype=bool) if separates is None else np.array(separates, bool)
    live = np.ones(len(ends), dtype=bool) if carrying is None else np.array(carrying, bool)
    return links, build_segments(ends, links, nodes=nodes, carrying=live, separates=flags)


def parts(labels: dict[Any, int]) -> set[frozenset[Any]]:
    """Return the sets of things that bear one label."""
    out: dict[int, set[Any]] = {}
    for thing, label in labels.items():
        out.setdefault(int(label), set()).add(thing)
    return {frozenset(members) for members in out.values()}


def as_parts(links: Links, segments: Segments) -> set[frozenset[Any]]:
    """Return the segments as sets of ("node", n) and ("link", edge, number along it)."""
    number = np.arange(len(links)) - links.offsets[links.edge]
    labels: dict[Any, int] = {("node", n): s for n, s in enumerate(segments.node)}
    for edge, k, label in zip(links.edge, number, segments.link, strict=True):
        labels["link", int(edge), int(k)] = label
    return parts(labels)


def random_net(seed: int) -> tuple[Array, int, list[tuple[int, float]], list[bool], list[bool]]:
    """Return ends, nodes, valves, which of them separate, which edges carry.

    With loops, parallel edges, dead ends, parts of their own, up to four valves an edge, valves
    on nodes and, for some seeds, none at all.
    """
    rng = np.random.default_rng(seed)
    nodes, edges = int(rng.integers(1, 14)), int(rng.integers(0, 22))
    ends = rng.integers(0, nodes, (edges, 2))
    many = [int(rng.integers(0, 5)) if rng.random() < 0.5 else 0 for _ in range(edges)]
    places = np.array([0.0, 2.0, 40.0, 55.0, 98.0, LONG])
    valves = [
        (e, float(at))
        for e in range(edges)
        for at in rng.permutation(rng.choice(places, many[e], replace=False))
    ]
    separates = (rng.random(len(valves)) < 0.8).tolist()
    return ends, nodes, valves, separates, (rng.random(edges) < 0.9).tolist()


@pytest.mark.parametrize("seed", range(150))
def test_segments_are_the_parts_left_when_valves_are_taken_out(seed: int) -> None:
    ends, nodes, valves, separates, carrying = random_net(seed)
    graph = nx.Graph()
    graph.add_nodes_from(("node", n) for n in range(nodes))
    for edge, (a, b) in enumerate(ends.tolist()):
        here = sorted((at, k) for k, (e, at) in enumerate(valves) if e == edge)
        chain = [("link", edge, k) for k in range(len(here) + 1)]
        graph.add_nodes_from(chain)
        if carrying[edge]:
            graph.add_edges_from([(("node", a), chain[0]), (("node", b), chain[-1])])
        for k, (_, valve) in enumerate(here):
            if not separates[valve]:
                graph.add_edge(chain[k], chain[k + 1])
    expected = {frozenset(c) for c in nx.connected_components(graph)}
    links, segments = divide(ends, nodes, valves, separates=separates, carrying=carrying)
    assert as_parts(links, segments) == expected
    assert segments.count == len(expected)


def test_a_valve_stands_between_the_links_before_and_after_it() -> None:
    ends = np.array([[0, 1], [1, 2]])
    links, segments = divide(ends, 3, [(1, 70.0), (0, 20.0), (1, 10.0)])
    assert links.edge.tolist() == [0, 0, 1, 1, 1]
    assert links.low.tolist() == [0.0, 20.0, 0.0, 10.0, 70.0]
    assert links.high.tolist() == [20.0, 100.0, 10.0, 70.0, 100.0]
    assert links.before.tolist() == [3, 0, 2]
    west, middle, inner, east = segments.link[[0, 1, 3, 4]]
    assert segments.sides.tolist() == [[inner, east], [west, middle], [middle, inner]]
    assert len({west, middle, inner, east}) == segments.count == 4


def test_a_valve_on_a_node_protects_the_node_from_its_edge() -> None:
    ends = np.array([[0, 1], [1, 2]])
    links, segments = divide(ends, 3, [(0, LONG), (1, 0.0)])
    assert segments.count == 3
    assert segments.node.tolist() == [segments.link[0], segments.link[1], segments.link[3]]
    assert segments.link[1] == segments.link[2]
    assert (links.high - links.low).tolist() == [LONG, 0.0, 0.0, LONG]


def test_edges_that_carry_no_water_join_nothing() -> None:
    _, segments = divide(np.array([[0, 1], [1, 2]]), 3, [], carrying=[True, False])
    assert len(set(segments.node.tolist())) == 2
    assert segments.link[1] not in segments.node


def test_a_net_without_edges_is_as_many_segments_as_nodes() -> None:
    _, segments = divide(np.zeros((0, 2), dtype=np.int64), 3, [])
    assert segments.count == 3


def lost(ways: Array, sources: Array, shut: list[Array], weights: Array) -> npt.NDArray[np.float64]:
    """Take each shutdown out of the graph and search from the sources."""
    graph = nx.Graph(ways.tolist())
    graph.add_nodes_from(range(len(weights)))

    def reached(out: set[int]) -> set[int]:
        left = graph.subgraph(set(graph) - out)
        return set().union(*(nx.node_connected_component(left, s) for s in sources if s in left))

    before = reached(set())
    rows = [sorted(before - reached(set(s.tolist())) - set(s.tolist())) for s in shut]
    return np.array([weights[row].sum(axis=0) for row in rows]).reshape(len(shut), -1)


def shutdowns_at_random(seed: int) -> tuple[Array, Array, list[Array], Array]:
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 30))
    ways = rng.integers(0, count, (int(rng.integers(0, 45)), 2))
    sources = np.unique(rng.integers(0, count, int(rng.integers(0, 4))))
    shut = [np.unique(rng.integers(0, count, int(rng.integers(0, 7)))) for _ in range(5)]
    return ways, sources, shut, rng.integers(0, 9, (count, 3)).astype(float)


def offsets_of(shut: list[Array]) -> Array:
    return np.cumsum([0, *(len(s) for s in shut)]).astype(np.int64)


def test_what_is_cut_off_is_what_no_source_reaches_any_more() -> None:
    hits = 0
    for seed in range(400):
        ways, sources, shut, weights = shutdowns_at_random(seed)
        found = cut_off(
            ways, sources, shut=np.concatenate(shut), offsets=offsets_of(shut), weights=weights
        )
        expected = lost(ways, sources, shut, weights)
        assert found.tolist() == expected.tolist(), seed
        hits += int((expected > 0).any(axis=1).sum())
    assert hits > 200  # the cases are not all empty


def test_compiled_and_interpreted_walks_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    cases = [shutdowns_at_random(seed) for seed in range(25)]

    def walk() -> list[list[list[float]]]:
        return [
            cut_off(w, s, shut=np.concatenate(x), offsets=offsets_of(x), weights=q).tolist()
            for w, s, x, q in cases
        ]

    plain = walk()
    monkeypatch.setattr(accel, "COMPILE_ABOVE", -1)
    assert walk() == plain


@pytest.mark.parametrize("middle", [1, 5, 18])
def test_on_a_single_line_from_the_source_all_beyond_is_cut_off(middle: int) -> None:
    count = 20
    ways = np.stack([np.arange(count - 1), np.arange(1, count)], axis=1)
    weights = np.stack([np.ones(count), np.arange(count)], axis=1).astype(float)
    found = cut_off(
        ways,
        np.array([0]),
        shut=np.array([middle]),
        offsets=np.array([0, 1]),
        weights=weights,
    )
    assert found.tolist() == [[count - 1 - middle, sum(range(middle + 1, count))]]


def test_a_second_source_saves_what_is_beyond() -> None:
    ways = np.array([[0, 1], [1, 2], [2, 3]])
    weights = np.ones((4, 1))
    for sources, expected in ([0], 2.0), ([0, 3], 0.0):
        found = cut_off(
            ways,
            np.array(sources),
            shut=np.array([1]),
            offsets=np.array([0, 1]),
            weights=weights,
        )
        assert found.tolist() == [[expected]]


def test_a_source_shut_in_feeds_nothing() -> None:
    found = cut_off(
        np.array([[0, 1], [1, 2]]),
        np.array([0]),
        shut=np.array([0]),
        offsets=np.array([0, 1]),
        weights=np.ones((3, 1)),
    )
    assert found.tolist() == [[2.0]]


def test_what_has_no_source_is_not_fed_and_not_counted_as_cut_off() -> None:
    ways = np.array([[0, 1], [2, 3]])
    assert fed_segments(4, ways, np.array([1])).tolist() == [True, True, False, False]
    found = cut_off(
        ways,
        np.array([1]),
        shut=np.array([2]),
        offsets=np.array([0, 1]),
        weights=np.ones((4, 1)),
    )
    assert found.tolist() == [[0.0]]


def test_segments_joined_by_open_valves_are_one_part() -> None:
    label = joined_segments(5, np.array([[0, 1], [1, 4], [2, 2]]))
    assert parts(dict(enumerate(label))) == {
        frozenset({0, 1, 4}),
        frozenset({2}),
        frozenset({3}),
    }
