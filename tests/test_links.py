"""What pairs of things join is what an independent library says."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest

from geotools.links import components, spanning


def _links(rng: np.random.Generator, count: int, links: int) -> np.ndarray:
    return rng.integers(0, count, (links, 2))


@pytest.mark.parametrize(("count", "links"), [(1, 0), (5, 0), (9, 6), (300, 200), (300, 400)])
def test_components_are_numbered_by_their_first_things(count: int, links: int) -> None:
    pairs = _links(np.random.default_rng(count + links), count, links)
    graph = nx.Graph(pairs.tolist())
    graph.add_nodes_from(range(count))
    label = components(pairs, count)
    for number, part in enumerate(sorted(nx.connected_components(graph), key=min)):
        assert set(np.flatnonzero(label == number).tolist()) == part


@pytest.mark.parametrize("order", ["rising", "falling", "mixed"])
def test_a_long_chain_is_one_component_whatever_its_numbers(order: str) -> None:
    chain = np.arange(2000)
    if order == "mixed":
        chain = np.random.default_rng(1).permutation(chain)
    chain = chain[::-1] if order == "falling" else chain
    label = components(np.stack([chain[:-1], chain[1:]], axis=1), 2001)
    assert label[:2000].tolist() == [0] * 2000
    assert label[2000] == 1


@pytest.mark.parametrize(("count", "links"), [(2, 1), (8, 12), (200, 150), (200, 600)])
def test_the_lightest_links_that_join_the_same(count: int, links: int) -> None:
    rng = np.random.default_rng(count + links)
    pairs = _links(rng, count, links)
    pairs = np.unique(np.sort(pairs[pairs[:, 0] != pairs[:, 1]], axis=1), axis=0)
    weight = rng.uniform(1.0, 2.0, len(pairs))
    graph = nx.Graph()
    for (a, b), w in zip(pairs.tolist(), weight.tolist(), strict=True):
        graph.add_edge(a, b, weight=w)
    kept = {tuple(pair) for pair in pairs[spanning(pairs, weight, count)].tolist()}
    assert kept == {tuple(sorted(edge)) for edge in nx.minimum_spanning_edges(graph, data=False)}


def test_of_links_of_one_weight_the_earlier_things_are_joined() -> None:
    ring = np.array([[3, 2], [0, 3], [2, 1], [1, 0]])
    assert spanning(ring, np.ones(4), 4).tolist() == [1, 2, 3]
    assert spanning(ring[:0], np.ones(0), 4).tolist() == []
