"""Shutdowns of runs, against what is plain to see and against a search by brute force."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise, permutations
from typing import Any, NamedTuple

import networkx as nx
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers, Points
from geotools.network.build import RunSet
from geotools.network.shutdown import CUT_BY_OTHERS, LOST, VALVE_REACH, plan_shutdowns
from geotools.schema import OUTPUTS

LARGE, SMALL = 0.6, 0.15  # m, lined and not


def points(xy: Sequence[Sequence[float]], **columns: Sequence[Any]) -> Points:
    table = pd.DataFrame(columns)
    table["feature"] = columns.get("feature", [f"p{k}" for k in range(len(xy))])
    return Points(table, np.asarray(xy, dtype=float).reshape(-1, 2))


def valves(*rows: tuple[float, float, str, float]) -> Points:
    """Valves given as x, y, kind, and open: 1, 0 or not-a-number; called v0, v1, ..."""
    x, y, kind, opened = zip(*rows, strict=True) if rows else ((), (), (), ())
    names = [f"v{k}" for k in range(len(rows))]
    xy = np.stack([x, y], axis=1) if rows else np.zeros((0, 2))
    return points(xy, kind=list(kind), open=np.array(opened, float), feature=names)


def laterals(*rows: tuple[float, float, float, float]) -> Points:
    """Laterals given as x, y, customers, critical."""
    x, y, customers, critical = zip(*rows, strict=True)
    return points(np.stack([x, y], axis=1), customers=list(customers), critical=list(critical))


Shut = Callable[..., tuple[pd.DataFrame, pd.DataFrame]]


@pytest.fixture
def shut(run_set: Callable[..., RunSet], layers_of: Callable[..., Layers]) -> Shut:
    """Shutdowns by main identifiers, and the findings."""

    def work(
        lines: Sequence[Any], sizes: Sequence[float] | None = None, **given_: Any
    ) -> tuple[pd.DataFrame, pd.DataFrame]:
        points_ = {k: v for k, v in given_.items() if v is None or isinstance(v, Points)}
        rest = {k: v for k, v in given_.items() if k not in points_}
        made = layers_of(lines, diameter=list(sizes or [LARGE] * len(lines)), **rest)
        return result(replace(made, **points_), run_set)

    return work


def result(layers: Layers, run_set: Callable[..., RunSet]) -> tuple[pd.DataFrame, pd.DataFrame]:
    runs = run_set(layers)
    table = plan_shutdowns(layers, runs, Network(), Bends())
    names = runs.table["main_ids"].to_numpy()[table["run"].to_numpy(dtype=int)]
    return table.set_index(pd.Index(names)), layers.findings.table()


# A trunk T (M0, M1) from west to east with a branch (M2) south from its middle.
TEE = [[(0, 0), (300, 0)], [(300, 0), (700, 0)], [(300, 0), (300, -200)]]
TEE_SIZES = [LARGE, LARGE, SMALL]
WEST = points([(0, 0)])
TRUNK = "M0,M1"


def test_every_field_of_the_contract_is_there(shut: Shut) -> None:
    for given_ in (valves((50, 0, "gate", 1)), None):
        table, _ = shut(TEE, TEE_SIZES, valves=given_, sources=WEST)
        fields = [f.name for f in OUTPUTS["shutdowns"].fields]
        assert set(fields) <= set(table.columns)
        assert len(table) == (0 if given_ is None else 1)


def test_the_valves_around_the_run_are_closed(shut: Shut) -> None:
    table, _ = shut(
        TEE,
        TEE_SIZES,
        valves=valves(
            (100, 0, "gate", 1), (300, -3, "gate", 1), (300, -150, "gate", 1), (600, 0, "gate", 1)
        ),
        laterals=laterals(
            (50, 0, 1, 0), (150, 0, 2, 0), (650, 0, 4, 1), (300, -100, 8, 0), (300, -180, 16, 1)
        ),
        sources=WEST,
    )
    row = table.loc[TRUNK]
    # All of the trunk must be dry: its three parts, and the stub of the branch up to its valve.
    assert row["valves"] == "v1"
    assert row["valve_count"] == 1
    assert row["segments"] == 3
    assert row["main_length"] == pytest.approx(703.0)
    assert row["temporary_supply"] == pytest.approx(700.0)
    assert row["temporary_services"] == 3
    # The branch is cut off: it hangs on the trunk alone.
    assert row["cut_off_nodes"] == 1
    assert row["cut_off_length"] == pytest.approx(197.0)
    assert row["customers"] == 1 + 2 + 4 + 8 + 16
    assert row["critical"] == 2
    assert (row["services"], row["customers_beyond"]) == (5, 8 + 16)
    assert row["geometry"].equals(shapely.MultiPoint([(300, -3)]))
    assert row["remarks"] == ("cut out by the work, so not relied on: v0, v3; a source is shut in")


def test_valves_to_close_stand_in_the_order_of_their_names(shut: Shut) -> None:
    # cross mains with a valve either side of the trunk, each of another name than its place
    lines = [[(0, 0), (300, 0)], [(300, 0), (700, 0)]]
    for x in (0, 300, 700):
        lines += [[(x, 0), (x, -200)], [(x, 0), (x, 200)]]
    sizes = [LARGE] * 2 + [SMALL] * 6
    places = [(x, y) for x in (0, 300, 700) for y in (-50, 50)]
    for names, sure in (
        (["v10", "v2", "v30", "v9", "v1", "v4"], True),
        (["v10", "v2", "v30", "v9", "v2", "v4"], False),
        (["v10", "v2", "v30", "v9", "v1,v7", "v4"], False),
    ):
        columns = {"kind": ["gate"] * 6, "open": np.ones(6), "feature": names}
        table, _ = shut(lines, sizes, valves=points(places, **columns), sources=WEST)
        row = table.loc[TRUNK]
        assert len(row["geometry"].geoms) == row["valve_count"] == 6
        assert row["valves_in_order"] == sure
        if sure:
            at = {
                (p.x, p.y): name
                for p, name in zip(row["geometry"].geoms, row["valves"].split(","), strict=True)
            }
            assert row["valves"] == "v1,v2,v4,v9,v10,v30"
            assert at == dict(zip(places, names, strict=True))


def test_a_branch_with_a_source_of_its_own_is_not_cut_off(shut: Shut) -> None:
    table, _ = shut(
        TEE,
        TEE_SIZES,
        valves=valves((300, -3, "gate", 1)),
        laterals=laterals((300, -100, 8, 0)),
        sources=points([(0, 0), (300, -200)]),
    )
    row = table.loc[TRUNK]
    assert (row["cut_off_nodes"], row["cut_off_length"], row["customers"]) == (0, 0.0, 0.0)


# The source of the trunk goes with it; one on the branch, beyond its valve, is left or is not.
# Last, another part of the network, far away, that neither feeds.
@pytest.mark.parametrize(
    ("sources", "opened", "lost"),
    [
        ([(0, 0)], 1, (True, True, 900.0, 11.0)),
        ([(0, 0)], 0, (True, True, 703.0, 3.0)),  # what is beyond a closed valve is another part
        ([(0, 0), (300, -200)], 1, (True, False, 0.0, 0.0)),
        ([(0, 0), (100, 0), (9000, 0)], 1, (True, True, 900.0, 11.0)),
        ([(300, -200)], 1, (False, False, 0.0, 0.0)),
        (None, 1, (False, False, 0.0, 0.0)),
    ],
)
def test_a_part_whose_every_source_is_shut_in_is_lost_whole(
    shut: Shut, sources: list[tuple[float, float]] | None, opened: int, lost: tuple[Any, ...]
) -> None:
    table, _ = shut(
        [*TEE, [(9000, 0), (9000, 400)]],
        [*TEE_SIZES, SMALL],
        valves=valves((300, -3, "gate", opened)),
        laterals=laterals((100, 0, 3, 0), (300, -100, 8, 0), (9000, 100, 70, 0)),
        sources=sources and points(sources),
    )
    row = table.loc[TRUNK]
    assert tuple(row[list(LOST)]) == pytest.approx(lost)


# A host H (M0) between two mains that stay in service, each in two parts with tees to H.
BETWEEN = [
    [(0, 0), (300, 0)],
    [(0, 0), (0, 200)],
    [(0, 0), (0, -200)],
    [(300, 0), (300, 200)],
    [(300, 0), (300, -200)],
]
BETWEEN_SIZES = [LARGE, *[SMALL] * 4]


@pytest.mark.parametrize("near", [1.0, 4.0, 9.0, 40.0])
def test_a_valve_on_the_run_holds_nothing_back(shut: Shut, near: float) -> None:
    # The pits open the host from its tees on, and both valves are cut out.
    table, _ = shut(
        BETWEEN,
        BETWEEN_SIZES,
        valves=valves((near, 0, "gate", 1), (300 - near, 0, "gate", 1), (0, 150, "gate", 1)),
        laterals=laterals((0, 100, 50, 0), (0, -100, 50, 1), (300, 100, 50, 0), (300, -100, 50, 0)),
        sources=points([(0, 200), (300, -200)]),
    )
    row = table.loc["M0"]
    assert (row["valves"], row["customers"], row["critical"]) == ("v2", 200, 1)
    assert (row["services"], row["temporary_services"], row["customers_beyond"]) == (4, 0, 200)
    assert row["main_length"] == pytest.approx(300 + 3 * 200 + 150)
    assert "cut out by the work, so not relied on: v0, v1" in row["remarks"]
    assert f"no valve within {VALVE_REACH:.1f} m on 4 of 4 mains" in row["remarks"]


def test_valves_on_the_mains_at_its_ends_shut_a_run_in(shut: Shut) -> None:
    table, _ = shut(
        BETWEEN,
        BETWEEN_SIZES,
        valves=valves(*((x, y, "gate", 1) for x in (0, 300) for y in (6, -6))),
        laterals=laterals((0, 100, 50, 0), (0, 3, 2, 0)),
        sources=points([(0, 200), (0, -200), (300, 200), (300, -200)]),
    )
    row = table.loc["M0"]
    assert row["valves"] == "v0,v1,v2,v3"
    assert row["main_length"] == pytest.approx(300 + 4 * 6)
    assert (row["customers"], row["cut_off_length"], row["remarks"]) == (2, 0, "")


@pytest.mark.parametrize("way", [1, -1])
def test_no_valve_that_the_plan_cuts_out_is_relied_on(shut: Shut, way: int) -> None:
    # Within the tolerance of the branch's end: it is dug up with the run, whichever has it.
    table, _ = shut(
        [[(0, 0), (300, 0)], [(300, 0), (700, 0)], [(300, 0), (300, -200)][::way]],
        TEE_SIZES,
        valves=valves((300, -0.3, "gate", 1), (300, -150, "gate", 1)),
        sources=WEST,
    )
    row = table.loc[TRUNK]
    assert (row["valves"], row["main_length"]) == ("v1", pytest.approx(850.0))


@pytest.mark.parametrize("way", [1, -1])
def test_a_lateral_right_at_a_valve_is_on_its_western_side(shut: Shut, way: int) -> None:
    table, _ = shut(
        [[(0, 0), (400, 0)], [(400, 0), (800, 0)][::way]],
        [LARGE, SMALL],
        valves=valves((600, 0, "gate", 1)),
        laterals=laterals((600, 0, 3, 0)),
        sources=points([(0, 0), (800, 0)]),
    )
    assert table.loc["M0", "customers"] == 3


def test_a_normally_closed_valve_is_not_closed_but_kept_closed(shut: Shut) -> None:
    table, findings = shut(
        TEE,
        TEE_SIZES,
        valves=valves((300, -3, "gate", 0)),
        laterals=laterals((300, -100, 8, 0)),
        sources=WEST,
    )
    row = table.loc[TRUNK]
    assert (row["valves"], row["valve_count"], row["customers"]) == ("", 0, 0.0)
    assert row["geometry"].is_empty
    assert "normally closed, keep closed: v0" in row["remarks"]
    # The branch has no water anyway, which is worth a look.
    assert row["cut_off_length"] == 0.0
    dry = findings[findings["rule"] == "main-not-fed"]
    assert dry["text"].str.startswith("197 m of mains here (M2) get no water").tolist() == [True]
    assert dry["feature"].tolist() == ["M2"]


def test_mains_without_water_are_named_the_first_and_how_many_more(shut: Shut) -> None:
    # fifteen mains one after the other behind a shut valve, the longest of them the third
    ends = np.cumsum([0, 20, 20, 90, *[20] * 12])
    beyond = [[(700 + a, 0), (700 + b, 0)] for a, b in pairwise(ends.tolist())]
    _, findings = shut(
        [[(0, 0), (300, 0)], [(300, 0), (700, 0)], *beyond],
        [LARGE, LARGE, *[SMALL] * 15],
        valves=valves((700, 0, "gate", 0), (100, 0, "gate", 1)),
        sources=WEST,
    )
    (row,) = findings[findings["rule"] == "main-not-fed"].to_dict("records")
    named = ", ".join(f"M{k}" for k in range(2, 14)) + ", and 3 more"
    assert row["text"].startswith(f"370 m of mains here ({named}) get no water")
    assert (row["feature"], row["geometry"].x) == ("M4", pytest.approx(785))


@pytest.mark.parametrize("kind", ["gate, seized", "Inoperable gate", "gate (buried)", "lost"])
def test_a_valve_that_cannot_be_closed_widens_the_shutdown(shut: Shut, kind: str) -> None:
    table, _ = shut(
        TEE,
        TEE_SIZES,
        valves=valves((300, -3, kind, 1), (300, -150, "gate", 1)),
        sources=WEST,
    )
    row = table.loc[TRUNK]
    assert row["valves"] == "v1"
    assert row["main_length"] == pytest.approx(850.0)
    assert "cannot be closed: v0" in row["remarks"]


def test_a_stuck_valve_that_the_work_cuts_out_matters_to_nobody(shut: Shut) -> None:
    around = valves((150, 0, "gate seized", 1), (300, -3, "gate", 1), (300, -9, "gate seized", 1))
    table, _ = shut(TEE, TEE_SIZES, valves=around, sources=WEST)
    row = table.loc[TRUNK]
    assert (row["valves"], row["main_length"]) == ("v1", pytest.approx(703.0))
    assert row["remarks"] == "a source is shut in"


def test_a_valve_stuck_closed_separates(shut: Shut) -> None:
    table, _ = shut(TEE, TEE_SIZES, valves=valves((300, -3, "gate, seized", 0)), sources=WEST)
    row = table.loc[TRUNK]
    assert row["main_length"] == pytest.approx(703.0)
    assert "cannot be closed" not in row["remarks"]


@pytest.mark.parametrize(
    "kind",
    ["air", "Washout", "hydrant valve", "check valve", "PRV", "AirRelease", "Entlüftungsventil",
     "Ventouse", "Desagüe", "Spui"],
)  # fmt: skip
def test_valves_that_shut_no_main_are_left_out(shut: Shut, kind: str) -> None:
    table, findings = shut(TEE, TEE_SIZES, valves=valves((300, -3, kind, 0)), sources=WEST)
    assert table.loc[TRUNK, "main_length"] == pytest.approx(900.0)
    text = findings.loc[findings["rule"] == "no-line-valve", "text"]
    assert [kind.casefold() in t for t in text] == [True]


def test_a_kind_of_valve_nobody_knows_is_told_and_taken_as_a_line_valve(shut: Shut) -> None:
    kinds = ["Zzyx", "zzyx", "gate", "Schieber", "", "zzyx seized"]
    around = valves(*((300, -3 - k, kind, 1) for k, kind in enumerate(kinds)))
    table, findings = shut(TEE, TEE_SIZES, valves=around, sources=WEST)
    assert table.loc[TRUNK, "valves"] == "v0"
    told = findings[findings["rule"] == "valve-kind-unknown"]
    assert told["severity"].tolist() == ["warning"]
    assert "2 valves are of a kind that is not known, 'zzyx'" in told["text"].iloc[0]


def test_a_valve_on_a_junction_is_not_counted_on(shut: Shut) -> None:
    table, findings = shut(TEE, TEE_SIZES, valves=valves((300, 0, "gate", 1)), sources=WEST)
    assert table.loc[TRUNK, "valve_count"] == 0
    assert table.loc[TRUNK, "main_length"] == pytest.approx(900.0)
    found = findings[findings["rule"] == "valve-on-junction"]
    assert found["feature"].tolist() == ["v0"]
    assert found["geometry"].iloc[0] == shapely.Point(300, 0)


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("x", [300.0, 300.02, 300.04])
def test_a_valve_on_a_piece_too_short_to_stand_on_beside_a_junction_is_on_the_junction(
    shut: Shut, x: float, way: int
) -> None:
    """Networks side by side, one for every order of the identifiers of its four mains."""
    # M1 is 4 cm long; at its eastern end the branch meets the trunk
    lines = [[(0, 0), (300, 0)], [(300, 0), (300.04, 0)], [(300.04, 0), (700, 0)]]
    lines.append([(300.04, 0), (300.04, -200)])
    sizes = [SMALL, SMALL, LARGE, SMALL]
    orders = list(permutations("ABCD"))
    norths = [1000.0 * k for k in range(len(orders))]
    table, findings = shut(
        [[(e, n + up) for e, n in line[::way]] for up in norths for line in lines],
        sizes * len(orders),
        main_id=[f"{k:02d}{name}" for k, ids in enumerate(orders) for name in ids],
        valves=valves(*((x, up, "gate", 1) for up in norths)),
        sources=points([(0, up) for up in norths]),
    )
    told = findings.loc[findings["rule"] == "valve-on-junction", "feature"]
    assert sorted(told) == sorted(f"v{k}" for k in range(len(orders)))
    lined = table.loc[[f"{k:02d}{ids[2]}" for k, ids in enumerate(orders)]]
    assert lined.index[lined["valve_count"] != 0].tolist() == []
    assert lined["main_length"].to_dict() == pytest.approx(dict.fromkeys(lined.index, 900.0))


@pytest.mark.parametrize("ids", ["AB", "BA"])
def test_a_valve_on_the_end_of_the_run_is_no_valve_near_it_whichever_main_has_it(
    shut: Shut, ids: str
) -> None:
    lines = [[(0, 0), (300, 0)], [(300, 0), (700, 0)]]
    stand = valves((300, 0, "gate", 1))
    table, _ = shut(lines, [SMALL, LARGE], main_id=list(ids), valves=stand, sources=WEST)
    assert f"no valve within {VALVE_REACH:.1f} m on 1 of 1 mains" in table.loc[ids[1], "remarks"]


def _bare(remarks: str) -> bool:
    return f"no valve within {VALVE_REACH:.1f} m on 1 of 1 mains" in remarks


@pytest.mark.parametrize("split", [4.0, 7.0, None])
@pytest.mark.parametrize("ahead", [7.0, 9.9, 10.1, 60.0])
def test_a_valve_near_a_run_is_seen_wherever_the_main_it_stands_on_is_split(
    shut: Shut, split: float | None, ahead: float
) -> None:
    whole = [(300.0, 0.0), (300.0, -200.0)]
    branch = [whole] if split is None else [[whole[0], (300, -split)], [(300, -split), whole[1]]]
    lines = [TEE[0], TEE[1], *branch]
    for drawn in (lines, [line[::-1] for line in lines]):
        sizes = [LARGE, LARGE, *[SMALL] * len(branch)]
        stand = valves((300, -ahead, "gate", 1))
        table, _ = shut(drawn, sizes, valves=stand, sources=WEST)
        assert _bare(table.loc[TRUNK, "remarks"]) == (ahead > VALVE_REACH)


# A branch of 5 m that parts into two ways, of which one may end after 3 m.
@pytest.mark.parametrize(
    ("west", "gates", "bare"),
    [
        (200.0, [(-3, -5), (3, -5)], False),
        (200.0, [(3, -5)], True),
        (200.0, [(-3, -5), (6, -5)], True),
        (3.0, [(3, -5)], False),
        (3.0, [], True),
        (3.0, [(-2, -5)], True),
    ],
)
def test_every_way_a_branch_leads_needs_a_valve_near_unless_it_ends(
    shut: Shut, west: float, gates: list[tuple[float, float]], bare: bool
) -> None:
    fork = [[(300, 0), (300, -5)], [(300, -5), (300 - west, -5)], [(300, -5), (500, -5)]]
    far = [(150.0, 0.0)]  # on the trunk: it is no valve of a branch
    stand = valves(*((x, y, "gate", 1.0) for x, y in far + [(300 + x, y) for x, y in gates]))
    table, _ = shut([*TEE[:2], *fork], [LARGE, LARGE, *[SMALL] * 3], valves=stand, sources=WEST)
    assert _bare(table.loc[TRUNK, "remarks"]) == bare


@pytest.mark.parametrize("seed", range(30))
def test_valves_near_a_run_agree_with_a_search_metre_by_metre(shut: Shut, seed: int) -> None:
    """A branch into a random grid of 4 m: every half metre that no valve parts from it is near."""
    rng = np.random.default_rng(seed)
    nodes = [(4.0 * x, 4.0 * y) for x in range(1, 5) for y in range(-2, 3)]
    grid = [(a, b) for a in nodes for b in nodes if a < b and np.hypot(*np.subtract(a, b)) == 4.0]
    chosen = [edge for edge in grid if rng.random() < 0.7]
    net = nx.Graph([*chosen, ((0.0, 0.0), (4.0, 0.0))])
    part = nx.node_connected_component(net, (0.0, 0.0))
    edges = [edge for edge in net.edges if edge[0] in part]
    gates = [edge for edge in edges if rng.random() < 0.45 and (0.0, 0.0) not in edge]
    gates = gates or edges[:1]
    units = nx.Graph()
    for a, b in edges:
        spots = [tuple(np.add(a, np.subtract(b, a) * k / 8)) for k in range(9)]
        steps = [(k, k + 1) for k in range(8) if (a, b) not in gates or k != 2]
        units.add_nodes_from(spots)
        units.add_edges_from((spots[i], spots[j]) for i, j in steps)
    stand = [np.add(a, np.subtract(b, a) * 2.5 / 8) for a, b in gates]
    away = nx.single_source_shortest_path_length(units, (0.0, 0.0))
    shut_in = any(
        tuple(np.add(a, np.subtract(b, a) * k / 8)) in away for a, b in gates for k in (2, 3)
    )
    far = max(away.values()) / 2 > VALVE_REACH  # half a metre each
    lines = [[(-300, 0), (0, 0)], *([a, b] for a, b in edges)]
    table, _ = shut(
        lines,
        [LARGE, *[SMALL] * len(edges)],
        valves=valves(*((x, y, "gate", 1.0) for x, y in stand)),
        sources=points([(-300, 0)]),
    )
    assert _bare(table.loc["M0", "remarks"]) == (far or not shut_in)


@pytest.mark.parametrize("near", [4.0, 60.0])
def test_a_main_that_turns_too_sharply_is_joined_by_its_own_rest_as_by_another(
    shut: Shut, near: float
) -> None:
    """Turned 120 degrees at B: A to B is one run, B to C another, drawn as one main or as two."""
    a, b, c = (0.0, 0.0), (300.0, 0.0), (300 - 200 * 0.5, 200 * np.sqrt(0.75))
    share = near / 200
    gate = (b[0] + share * (c[0] - b[0]), b[1] + share * (c[1] - b[1]), "gate", 1.0)
    told = []
    for lines in ([[a, b, c]], [[c, b, a]], [[a, b], [b, c]]):
        stand = valves(gate, (100, 0, "gate", 1))
        table, _ = shut(lines, valves=stand, sources=WEST)
        assert len(table) == 2
        rows = table.sort_values("main_length")[["valves", "main_length", "remarks"]]
        told.append([(v, round(size, 6), said) for v, size, said in rows.to_numpy().tolist()])
        bare = [f"no valve within {VALVE_REACH:.1f} m on 1 of 1" in said for *_, said in told[-1]]
        assert bare == [near > VALVE_REACH, True]  # of A to B, and of B to C
    assert told[0] == told[1] == told[2]


@pytest.mark.parametrize("sizes", [(SMALL, LARGE), (LARGE, SMALL)])
def test_a_valve_right_at_the_end_of_a_run_is_not_relied_on(
    shut: Shut, sizes: tuple[float, float]
) -> None:
    # It may be on record on either main; the pit at the end opens the host right there.
    lines = [[(0, 0), (300, 0)], [(300, 0), (700, 0)]]
    around = valves((300, 0, "gate", 1), (250, 0, "gate", 1), (340, 0, "gate", 1))
    table, _ = shut(lines, sizes, valves=around, sources=WEST)
    run, closed, dry = ("M1", "v1", 450.0) if sizes[0] == SMALL else ("M0", "v2", 340.0)
    row = table.loc[run]
    assert (row["valves"], row["main_length"]) == (closed, pytest.approx(dry))


def test_a_valve_far_from_every_main_is_not_counted_on(shut: Shut) -> None:
    table, findings = shut(TEE, TEE_SIZES, valves=valves((290, -60, "gate", 1)), sources=WEST)
    assert table.loc[TRUNK, "valve_count"] == 0
    assert findings.loc[findings["rule"] == "valve-off-main", "feature"].tolist() == ["v0"]


@pytest.mark.parametrize("status", ["Abandoned", "proposed"])
@pytest.mark.parametrize(("off", "shuts"), [(1.5, False), (0.2, True), (0.0, True)])
def test_a_valve_of_a_main_without_water_beside_the_branch_does_not_shut_it(
    shut: Shut, status: str, off: float, shuts: bool
) -> None:
    # The branch runs south at x = 300, the dry main 1.5 m east of it.
    lines, x = [*TEE, [(301.5, -20), (301.5, -200)]], 300 + off
    table, findings = shut(
        lines,
        [*TEE_SIZES, SMALL],
        status=["", "", "", status],
        valves=valves((x, -60, "gate", 1)),
        sources=WEST,
    )
    assert table.loc[TRUNK, "valves"] == ("v0" if shuts else "")
    told = findings.loc[findings["rule"] == "valve-on-dry-main", "feature"].tolist()
    assert told == ([] if shuts else ["v0"])


def test_a_valve_on_an_old_main_that_lies_on_the_branch_is_the_branchs(shut: Shut) -> None:
    lines = [*TEE, [(300, -20), (300, -200)]]
    table, _ = shut(
        lines,
        [*TEE_SIZES, 0.1],
        status=["", "", "", "abandoned"],
        valves=valves((300, -60, "gate", 1)),
        sources=WEST,
    )
    assert table.loc[TRUNK, "valves"] == "v0"


def test_two_valves_in_a_row_close_the_nearer_one(shut: Shut) -> None:
    table, _ = shut(
        TEE,
        TEE_SIZES,
        valves=valves((300, -30, "gate", 1), (300, -3, "gate", 1)),
        sources=WEST,
    )
    assert table.loc[TRUNK, "valves"] == "v1"


def test_without_any_valve_all_that_is_joined_goes_dry(shut: Shut) -> None:
    lone = [(1000, 0), (1100, 0)]
    table, _ = shut([*TEE, lone], [*TEE_SIZES, SMALL], valves=valves(), sources=WEST)
    row = table.loc[TRUNK]
    assert (row["valve_count"], row["segments"]) == (0, 1)
    assert row["main_length"] == pytest.approx(900.0)
    assert "no valve shuts it in" in row["remarks"]


def test_an_abandoned_main_carries_no_water(shut: Shut) -> None:
    lines = [*TEE, [(300, -200), (700, -200)], [(700, -200), (700, 0)]]
    sizes = [*TEE_SIZES, SMALL, SMALL]
    around = valves((300, -3, "gate", 1), (700, -3, "gate", 1))
    source = points([(700, -200)])
    lateral = laterals((300, -100, 8, 0))
    whole, _ = shut(lines, sizes, valves=around, sources=source, laterals=lateral)
    assert whole.loc[TRUNK, "customers"] == 0
    status = ["", "", "", "Abandoned", ""]
    cut, findings = shut(
        lines, sizes, valves=around, sources=points([(0, 0), (700, -200)]), laterals=lateral,
        status=status,
    )  # fmt: skip
    assert cut.loc[TRUNK, "customers"] == 8
    assert (findings["rule"] == "main-without-water").sum() == 1


def test_hydrants_are_counted_where_they_go_dry_or_are_cut_off(shut: Shut) -> None:
    # One on the trunk, one beside it, one on the branch, one beyond the reach of every main.
    fire = points([(100, 0), (500, 8), (303, -100), (300, -250)])
    around = valves((300, -3, "gate", 1))
    table, findings = shut(TEE, TEE_SIZES, valves=around, hydrants=fire, sources=WEST)
    assert table.loc[TRUNK, "hydrants"] == 3
    assert findings.loc[findings["rule"] == "hydrant-off-main", "feature"].tolist() == ["p3"]
    both = points([(0, 0), (300, -200)])  # the branch keeps its water
    table, _ = shut(TEE, TEE_SIZES, valves=around, hydrants=fire, sources=both)
    assert table.loc[TRUNK, "hydrants"] == 2
    table, _ = shut(TEE, TEE_SIZES, valves=around, sources=WEST)
    assert table.loc[TRUNK, "hydrants"] == 0


def test_without_sources_who_is_cut_off_is_said_to_be_not_known(shut: Shut) -> None:
    away = points([(0, 5000)])
    for sources, rules in (None, ["source-unknown"]), (away, ["source-off-main", "source-unknown"]):
        table, findings = shut(
            TEE, TEE_SIZES, valves=valves((300, -3, "gate", 1)), sources=sources,
            laterals=laterals((300, -100, 8, 0), (100, 0, 2, 1)),
        )  # fmt: skip
        row = table.loc[TRUNK]
        assert pd.isna(row["cut_off_nodes"])
        assert pd.isna(row["cut_off_length"])
        assert pd.isna(row["customers_beyond"])
        assert (row["customers"], row["critical"], row["temporary_services"]) == (2, 1, 1)
        assert "what is cut off beyond is not: customers" in row["remarks"]
        assert "are the least without water" in row["remarks"]
        found = findings.loc[findings["layer"] == "sources"].set_index("rule")["text"]
        assert sorted(found.index) == rules
        assert "those in these segments, the least there are" in found["source-unknown"]


def test_a_lateral_without_a_number_is_one_customer(shut: Shut) -> None:
    table, findings = shut(
        TEE, TEE_SIZES, valves=valves((300, -3, "gate", 1)), sources=WEST,
        laterals=laterals((100, 0, np.nan, 0), (200, 0, np.nan, np.nan), (250, 0, 5, 0)),
    )  # fmt: skip
    assert table.loc[TRUNK, ["customers", "critical"]].tolist() == [7, 0]
    assert (findings["rule"] == "customers-unknown").sum() == 1


def test_a_lateral_between_two_mains_shut_in_apart_is_reported(shut: Shut) -> None:
    lines = [[(0, 0), (300, 0)], [(0, 21), (300, 21)], [(0, 0), (0, 21)]]
    between = laterals((100, 10, 1, 0), (200, 2, 1, 0))
    _, findings = shut(
        lines, [LARGE, SMALL, SMALL], valves=valves((0, 5, "gate", 1)), laterals=between
    )
    assert findings.loc[findings["rule"] == "lateral-doubtful", "feature"].tolist() == ["p0"]
    _, findings = shut(lines, [LARGE, SMALL, SMALL], valves=valves(), laterals=between)
    assert not (findings["rule"] == "lateral-doubtful").any()


def test_a_valve_without_a_state_is_taken_as_open(shut: Shut) -> None:
    table, findings = shut(TEE, TEE_SIZES, valves=valves((300, -3, "", np.nan)), sources=WEST)
    assert table.loc[TRUNK, "valves"] == "v0"
    assert (findings["rule"] == "valve-state-unknown").sum() == 1


def test_no_runs_have_no_shutdowns(shut: Shut) -> None:
    table, _ = shut(TEE, [SMALL] * 3, valves=valves((300, -3, "gate", 1)), sources=WEST)
    assert len(table) == 0


# -- random networks ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Grid:
    """Mains between the points of a grid, and what stands on them as (main, metres along)."""

    mains: list[tuple[int, int]]
    sizes: list[float]
    valves: list[tuple[int, float, str, float]]
    laterals: list[tuple[int, float, int, int]]
    sources: list[int]

    def xy(self, main: int, at: float) -> tuple[float, float]:
        (ax, ay), (bx, by) = (place(n) for n in self.mains[main])
        share = at / SPACING
        return ax + share * (bx - ax), ay + share * (by - ay)


SIDE, SPACING = 5, 100.0


def place(node: int) -> tuple[float, float]:
    return SPACING * (node % SIDE), SPACING * (node // SIDE)


def grid(seed: int) -> Grid:
    rng = np.random.default_rng(seed)
    steps = [(n, n + 1) for n in range(SIDE * SIDE) if (n + 1) % SIDE]
    steps += [(n, n + SIDE) for n in range(SIDE * (SIDE - 1))]
    share = float(rng.choice([0.4, 0.6, 0.9]))
    mains = [(a, b) if rng.random() < 0.5 else (b, a) for a, b in steps if rng.random() < share]
    mains = mains or [steps[0]]
    sizes = [LARGE if rng.random() < 0.4 else SMALL for _ in mains]
    sizes[0] = LARGE
    often = float(rng.choice([0.0, 0.3, 0.8]))
    stand: list[tuple[int, float, str, float]] = []
    taken = set()  # one valve at a node: of two at one place, which to close is no matter
    for main in range(len(mains)):
        for at in (0.0, 4.0, 8.0, 33.0, 60.0, 94.0, 100.0):
            node = mains[main][int(at > 0)] if at in (0.0, 100.0) else None
            if node in taken:
                continue
            if rng.random() < often * (0.1 if at in (0.0, 33.0, 60.0, 100.0) else 0.7):
                kind = str(rng.choice(["gate", "gate", "gate", "gate seized"]))
                stand.append((main, at, kind, float(rng.choice([1, 1, 1, 1, 0]))))
                taken |= {node} - {None}
    served = [
        (int(rng.integers(len(mains))), float(rng.choice([2, 6, 20, 45, 70, 97])),
         int(rng.integers(1, 9)), int(rng.random() < 0.3))
        for _ in range(30)
    ]  # fmt: skip
    ends = sorted({n for m in mains for n in m})
    sources = [int(n) for n in rng.choice(ends, min(2, len(ends)), replace=False)]
    return Grid(mains, sizes, stand, served, sources[: int(rng.integers(1, 3))])


def layers_from(
    net: Grid,
    layers_of: Callable[..., Layers],
    *,
    order: Sequence[int] = (),
    turned: Sequence[bool] = (),
    shuffle: int | None = None,
) -> Layers:
    """Return the layers, mains in another order and some drawn the other way."""
    rows = list(order) or list(range(len(net.mains)))
    lines = [
        [place(n) for n in (net.mains[m][::-1] if turned and turned[m] else net.mains[m])]
        for m in rows
    ]
    made = layers_of(
        lines, diameter=[net.sizes[m] for m in rows], main_id=[f"W{m:02d}" for m in rows]
    )
    stand = valves(*((*net.xy(m, at), kind, state) for m, at, kind, state in net.valves))
    served = laterals(*((*net.xy(m, at), n, c) for m, at, n, c in net.laterals))
    source = points([place(n) for n in net.sources])
    if shuffle is not None:
        rng = np.random.default_rng(shuffle)
        stand, served, source = (_shuffled(p, rng) for p in (stand, served, source))
    return replace(made, valves=stand, laterals=served, sources=source)


def _shuffled(p: Points, rng: np.random.Generator) -> Points:
    order = rng.permutation(len(p))
    return Points(p.table.iloc[order].reset_index(drop=True), p.xy[order])


Vertex = tuple[Any, ...]


class Gate(NamedTuple):
    """A valve that stands on a main, ``at`` so far along it."""

    main: int
    at: float
    stuck: bool
    closed: bool
    name: str


@dataclass(frozen=True)
class Truth:
    """A network cut up by its valves: every piece of a main, and every node, is a vertex.

    ``cut`` joins what no valve can part, ``whole`` what water flows through now; ``chain`` holds
    the pieces of each main from its start, as low, high and vertex; ``between`` the gates that
    can be shut or are, each with the two vertices it parts.
    """

    net: Grid
    cut: nx.Graph
    whole: nx.Graph
    chain: dict[int, list[tuple[float, float, Vertex]]]
    between: list[tuple[Vertex, Vertex, Gate]]
    people: dict[Vertex, tuple[int, int, int]]

    @cached_property
    def part(self) -> dict[Vertex, int]:
        parts = enumerate(nx.connected_components(self.cut))
        return {vertex: k for k, members in parts for vertex in members}

    def size(self, vertices: set[Vertex]) -> float:
        rows = (row for chain in self.chain.values() for row in chain)
        return sum(high - low for low, high, vertex in rows if vertex in vertices)

    def reached(self, out: set[Vertex]) -> set[Vertex]:
        """Return what the sources reach with some vertices out of service."""
        left = self.whole.subgraph(set(self.whole) - out)
        sources = [("n", n) for n in self.net.sources]
        return set().union(*(nx.node_connected_component(left, s) for s in sources if s in left))


def gates_of(net: Grid) -> list[Gate]:
    degree = pd.Series([n for m in net.mains for n in m]).value_counts()
    gates = []
    for k, (main, at, kind, state) in enumerate(net.valves):
        if at in (0, 100):  # on a node: of two mains it is put on the first by name
            node = net.mains[main][int(at > 0)]
            if degree[node] > 2:
                continue
            main = min(m for m, ends in enumerate(net.mains) if node in ends)
            at = 100.0 * net.mains[main].index(node)
        gates.append(Gate(main, at, "seized" in kind, state == 0, f"v{k}"))
    return gates


def cut_up(net: Grid) -> Truth:
    truth = Truth(net, nx.Graph(), nx.Graph(), {}, [], {})
    gates = gates_of(net)
    for main, (a, b) in enumerate(net.mains):
        here = sorted(gate for gate in gates if gate.main == main)
        marks = [0.0, *(gate.at for gate in here), 100.0]
        chain = [(low, high, ("l", main, k)) for k, (low, high) in enumerate(pairwise(marks))]
        truth.chain[main] = chain
        for graph in (truth.cut, truth.whole):
            graph.add_nodes_from(vertex for *_, vertex in chain)
            graph.add_edges_from([(("n", a), chain[0][2]), (("n", b), chain[-1][2])])
        for gate, (left, right) in zip(here, pairwise(v for *_, v in chain), strict=True):
            if not gate.closed:
                truth.whole.add_edge(left, right)
            if gate.stuck and not gate.closed:
                truth.cut.add_edge(left, right)
            else:
                truth.between.append((left, right, gate))
    for main, at, many, critical in net.laterals:
        (vertex,) = (v for low, high, v in truth.chain[main] if low < at < high)
        people, of_them, taps = truth.people.get(vertex, (0, 0, 0))
        truth.people[vertex] = people + many, of_them + critical, taps + 1
    return truth


def visited(truth: Truth, runs: RunSet, pieces: pd.DataFrame) -> set[Vertex]:
    """Return the vertices of a run, its ends too, and both sides of gates right at its nodes."""
    mains = [runs_main(runs, piece) for piece in pieces.itertuples()]
    nodes = {n for main in mains for n in truth.net.mains[main]}
    found: set[Vertex] = {("n", n) for n in nodes}
    found |= {v for main in mains for low, high, v in truth.chain[main] if high > low}
    for left, right, gate in truth.between:
        if gate.at in (0, 100) and truth.net.mains[gate.main][int(gate.at > 0)] in nodes:
            found |= {left, right}
    return found


def shutdown_of(truth: Truth, runs: RunSet, pieces: pd.DataFrame, length: float) -> dict[str, Any]:
    part = truth.part
    dry_parts = {part[v] for v in visited(truth, runs, pieces)}
    dry = {v for v in truth.cut if part[v] in dry_parts}
    gone = truth.reached(set()) - truth.reached(dry) - dry
    members = {runs_main(runs, piece) for piece in pieces.itertuples()}
    people = [truth.people.get(v, (0, 0, 0)) for v in dry | gone]
    to_close = {
        gate.name for a, b, gate in truth.between if not gate.closed and (a in dry) != (b in dry)
    }
    return {
        "mains": frozenset(members),
        "valves": to_close,
        "segments": len(dry_parts),
        "main_length": truth.size(dry),
        "customers": sum(many for many, *_ in people),
        "critical": sum(critical for _, critical, _ in people),
        "services": sum(one for *_, one in people),
        "customers_beyond": sum(many for many, *_ in people)
        - sum(many for main, _, many, _ in truth.net.laterals if main in members),
        "cut_off_nodes": sum(v[0] == "n" for v in gone),
        "cut_off_length": truth.size(gone),
        "temporary_supply": length,
        "temporary_services": sum(main in members for main, *_ in truth.net.laterals),
    }


def expected(net: Grid, runs: RunSet) -> list[dict[str, Any]]:
    """Work out every run's shutdown by plain searches; the runs are taken as given."""
    truth = cut_up(net)
    return [
        shutdown_of(truth, runs, pieces, float(runs.table["length"].iloc[run]))
        for run, pieces in runs.chains.pieces.groupby("run")
    ]


def runs_main(runs: RunSet, piece: Any) -> int:
    return int(piece.line)


@pytest.mark.parametrize("block", range(6))
def test_random_networks_agree_with_plain_searches(
    block: int, run_set: Callable[..., RunSet], layers_of: Callable[..., Layers]
) -> None:
    lost = 0
    for seed in range(block * 12, block * 12 + 12):
        net = grid(seed)
        layers = layers_from(net, layers_of)
        runs = run_set(layers)
        table = plan_shutdowns(layers, runs, Network(), Bends())
        rows = expected(net, runs)
        assert len(table) == len(rows)
        for found, wanted in zip(table.to_dict("records"), rows, strict=True):
            named = set(filter(None, found["valves"].split(",")))
            assert named == wanted["valves"], seed
            assert found["valve_count"] == len(named)
            assert len(found["geometry"].geoms) == len(named)
            for key in list(wanted)[2:]:
                assert found[key] == pytest.approx(wanted[key], abs=1e-6), (seed, key)
            lost += wanted["cut_off_length"] > 0
    assert lost > 0  # the cases are not all empty


def facts(layers: Layers, run_set: Callable[..., RunSet]) -> dict[frozenset[str], list[Any]]:
    """Return all that is told of each run, by its mains, figures to a micrometre."""
    table, _ = result(layers, run_set)
    out = {}
    for mains, row in zip(table.index, table.to_dict("records"), strict=True):
        words = [row[f.name] for f in OUTPUTS["shutdowns"].fields if f.name != "run_id"]
        place = shapely.normalize(row["geometry"]).wkt
        rounded = [round(w, 6) if isinstance(w, float) else w for w in words]
        out[frozenset(str(mains).split(","))] = [*rounded, place]
    return out


@settings(max_examples=8, derandomize=True, deadline=None, database=None)
@given(data=st.data())
def test_order_and_direction_of_the_drawing_change_nothing(
    run_set: Callable[..., RunSet], layers_of: Callable[..., Layers], data: st.DataObject
) -> None:
    net = grid(data.draw(st.integers(0, 10_000), label="seed"))
    count = len(net.mains)
    order = data.draw(st.permutations(range(count)), label="order")
    turned = data.draw(st.lists(st.booleans(), min_size=count, max_size=count), label="turned")
    shuffle = data.draw(st.integers(0, 99), label="shuffle")
    drawn = layers_from(net, layers_of)
    other = layers_from(net, layers_of, order=order, turned=turned, shuffle=shuffle)
    assert facts(other, run_set) == facts(drawn, run_set)


def test_a_valve_that_shuts_a_run_in_and_is_cut_out_for_another_is_told_with_it(shut: Shut) -> None:
    large = [LARGE] * 3
    ends = [(10, 0, "gate", 1), (690, 0, "gate", 1), (300, -190, "gate", 1)]
    around = [(290, 0, "gate", 1), (310, 0, "gate", 1), (300, -10, "gate", 1)]
    table, _ = shut(TEE, large, valves=valves(*ends, *around))
    trunk, branch = table.index
    assert table.loc[trunk, CUT_BY_OTHERS] == [(table.loc[branch, "run_id"], "v5")]
    named = [(table.loc[trunk, "run_id"], name) for name in ("v3", "v4")]
    assert table.loc[branch, CUT_BY_OTHERS] == named
    alone, _ = shut(TEE, TEE_SIZES, valves=valves(*ends, *around))
    assert alone[CUT_BY_OTHERS].tolist() == [[]]
