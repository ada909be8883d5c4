"""Segments between valves against the published definition and an independent library.

Definition: a segment is the set of pipes and nodes cut off together when the neighbouring valves
close; a valve is a pair of a link and the node it protects. Walski 1993 (Reliability Engineering
and System Safety 42; from memory, confirm against the paper), Jun 2005 (dissertation); the library
`wntr` (1.5.0) says so of `wntr.metrics.topographic.valve_segments`. The segments of the small net
were reckoned by hand from the definition; on the network ky10, which comes with `wntr` (935 nodes,
1061 links), its routine is the reference. There is no gap: the sets must be the same.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pandas as pd
import pytest
import wntr
from wntr.metrics.topographic import valve_segments
from wntr.network.layer import generate_valve_layer

from geotools.network.segments import build_segments, split_edges

LONG = 100.0
NET = {"P1": "AB", "P2": "BC", "P3": "CD", "P4": "DA", "P5": "BD"}
VALVES = [("P1", "B"), ("P2", "B"), ("P5", "B"), ("P2", "C"), ("P4", "D")]
PRINTED = [{"A", "P1", "P4"}, {"B"}, {"P2"}, {"C", "D", "P3", "P5"}]


def ours(
    links: dict[str, tuple[str, str]], valves: list[tuple[str, str]]
) -> tuple[dict[str, int], list[tuple[int, int]]]:
    """Return the segment of every link and node by name, and those beside each valve."""
    nodes = sorted({n for pair in links.values() for n in pair})
    order = {name: k for k, name in enumerate(links)}
    ends = np.array([[nodes.index(a), nodes.index(b)] for a, b in links.values()])
    edge = np.array([order[link] for link, _ in valves], dtype=np.int64)
    at = np.array([0.0 if links[link][0] == node else LONG for link, node in valves])
    cut = split_edges(np.full(len(ends), LONG), valve_edge=edge, valve_at=at)
    segments = build_segments(
        ends,
        cut,
        nodes=len(nodes),
        carrying=np.ones(len(ends), dtype=bool),
        separates=np.ones(len(valves), dtype=bool),
    )
    whole = np.flatnonzero(cut.high - cut.low > 0)
    label = {f"node {n}": int(s) for n, s in zip(nodes, segments.node, strict=True)}
    names = list(links)
    for k in whole:
        label[f"link {names[cut.edge[k]]}"] = int(segments.link[k])
    return label, [(int(a), int(b)) for a, b in segments.sides]


def grouped(label: dict[str, int]) -> set[frozenset[str]]:
    series = pd.Series(label)
    return {frozenset(g) for g in series.groupby(series).groups.values()}


def library(graph: Any, valves: list[tuple[str, str]]) -> dict[str, int]:
    layer = pd.DataFrame(valves, columns=["link", "node"])
    node, link, _ = valve_segments(graph, layer)
    return {
        **{f"node {n}": s for n, s in node.items()},
        **{f"link {k}": s for k, s in link.items()},
    }


def test_the_small_net_has_the_four_segments_reckoned_by_hand() -> None:
    label, _ = ours({k: (v[0], v[1]) for k, v in NET.items()}, VALVES)
    bare = {frozenset(name.split()[1] for name in part) for part in grouped(label)}
    assert bare == {frozenset(part) for part in PRINTED}


def test_to_isolate_p1_the_valves_p1_b_and_p4_d_are_closed() -> None:
    label, sides = ours({k: (v[0], v[1]) for k, v in NET.items()}, VALVES)
    dry = label["link P1"]
    close = {v for v, (a, b) in zip(VALVES, sides, strict=True) if (a == dry) != (b == dry)}
    assert close == {("P1", "B"), ("P4", "D")}


def test_the_library_finds_the_same_four_segments() -> None:
    graph = nx.MultiDiGraph()
    graph.add_edges_from((a, b, k) for k, (a, b) in NET.items())
    label, _ = ours({k: (v[0], v[1]) for k, v in NET.items()}, VALVES)
    assert grouped(library(graph, VALVES)) == grouped(label)


@pytest.fixture(scope="module")
def ky10() -> Any:
    return wntr.network.WaterNetworkModel(
        str(Path(wntr.__file__).parent / "library" / "networks" / "ky10.inp")
    )


@pytest.mark.parametrize(
    ("placement", "number", "seed"),
    [
        ("strategic", 0, 1),
        ("strategic", 1, 2),
        ("strategic", 2, 3),
        ("random", 40, 4),
        ("random", 300, 5),
        ("random", 1500, 6),
    ],
)
def test_ky10_falls_into_the_segments_the_library_finds(
    ky10: Any, placement: str, number: int, seed: int
) -> None:
    layer = generate_valve_layer(ky10, placement, number, seed)
    valves = list(zip(layer["link"].astype(str), layer["node"].astype(str), strict=True))
    links = {name: (k.start_node_name, k.end_node_name) for name, k in ky10.links()}
    label, _ = ours(links, valves)
    expected = grouped(library(ky10.to_graph(), valves))
    assert grouped(label) == expected
    assert len(expected) > 1
