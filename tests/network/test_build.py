"""Mains to runs: what is set aside, where runs are cut, what they are called."""

from __future__ import annotations

from collections.abc import Callable
from itertools import permutations
from typing import Any

import numpy as np
import pytest
import shapely

from geotools.brief import Network
from geotools.intake.columns import Layers
from geotools.network.build import RunSet
from geotools.network.left_out import report_left_out
from geotools.network.mains import owners_of

RunsOf = Callable[..., RunSet]
LayersOf = Callable[..., Layers]
MAIN = [(0, 0), (100, 0)]


def _rules(layers: Layers) -> list[str]:
    return layers.findings.table()["rule"].tolist()


def _texts(layers: Layers, rule: str) -> list[str]:
    table = layers.findings.table()
    return table.loc[table["rule"] == rule, "text"].tolist()


def test_a_main_drawn_twice_is_taken_once_and_reported(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    layers = layers_of([MAIN, MAIN[::-1], [(0, 0.1), (100, 0.1)], [(0, 0), (100, 0), (140, -30)]])
    runs = run_set(layers)
    assert runs.table["length"].sum() == pytest.approx(150.0)
    assert len(_texts(layers, "overlapping-mains")) == 3
    assert "main M1 lie on main M0" in _texts(layers, "overlapping-mains")[0]


def test_the_stretch_two_mains_share_is_taken_once(layers_of: LayersOf, run_set: RunsOf) -> None:
    layers = layers_of([MAIN, [(50, 0), (150, 0)]])
    runs = run_set(layers)
    assert runs.table["length"].tolist() == [150.0]
    assert _texts(layers, "overlapping-mains") == [
        "50.0 m of main M1 lie on main M0 between the same ends; taken once. Delete one of the two."
    ]


@pytest.mark.parametrize("over", [0.002, 0.03, 0.4])
def test_mains_in_a_row_whose_ends_overlap_are_told_to_be_trimmed(
    layers_of: LayersOf, run_set: RunsOf, over: float
) -> None:
    """Neither may be deleted: all but the overlap would be lost with it."""
    layers = layers_of([MAIN, [(100 - over, 0), (200, 0)]])
    exact = Network(snap_tolerance="1 mm")  # within a tolerance they would be taken back
    assert run_set(layers, network=exact).table["length"].sum() == pytest.approx(200.0)
    length = {0.002: "less than 0.01 m", 0.03: "0.03 m", 0.4: "0.4 m"}[over]
    assert _texts(layers, "overlapping-mains") == [
        f"{length} of main M1 lie on main M0: their ends overlap; taken once. "
        "Trim the overlap off one of the two."
    ]


def test_mains_in_a_row_whose_ends_overlap_within_the_tolerance_are_taken_back_and_told(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    layers = layers_of([MAIN, [(99.6, 0), (200, 0)]])
    assert run_set(layers).table["length"].tolist() == pytest.approx([200.0])
    assert _texts(layers, "overlapping-mains") == []
    assert _texts(layers, "overshoot-taken-back") == [
        f"the end of main {name} runs 0.20 m past what it meets; taken as ending there, within the "
        "snap tolerance of 0.50 m. Check that they do connect."
        for name in ("M0", "M1")
    ]


def test_a_main_in_pieces_on_another_is_told_to_be_deleted(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    """Mains that branch off cut it into pieces, each short against the whole."""
    branches = [[(x, 0), (x, 50)] for x in (20, 40, 60, 80)]
    layers = layers_of([MAIN, MAIN, *branches])
    run_set(layers)
    texts = _texts(layers, "overlapping-mains")
    assert len(texts) == 5 and all("Delete one of the two." in text for text in texts)


@pytest.mark.parametrize("status", ["", "abandoned"])
def test_the_stretch_two_mains_share_is_that_of_the_larger_that_may_be_lined(
    layers_of: LayersOf, run_set: RunsOf, status: str
) -> None:
    layers = layers_of([MAIN, [(50, 0), (150, 0)]], diameter=[0.4, 0.6], status=["", status])
    run_set(layers)
    (text,) = _texts(layers, "overlapping-mains")
    kept = "50.0 m of main M1 lie on main M0" if status else "50.0 m of main M0 lie on main M1"
    assert text.startswith(kept)


@pytest.mark.parametrize("names", list(permutations(["A", "B", "C"])))
@pytest.mark.parametrize("backwards", [False, True])
def test_a_main_is_set_aside_only_for_one_that_is_kept(
    layers_of: LayersOf, run_set: RunsOf, names: tuple[str, ...], backwards: bool
) -> None:
    """Three side by side from node to node, each 0.4 m from the next: a tolerance is 0.5 m."""
    lines = [[(0, 0), (10, y), (240, y), (250, 0)] for y in (0.0, 0.4, 0.8)]
    shapes = dict(zip(names, map(shapely.LineString, lines), strict=True))
    kept: list[str] = []
    for name in sorted(names):  # in the order of their names, each against those kept
        gaps = [shapes[name].hausdorff_distance(shapes[k]) for k in kept]
        kept += [name] if min(gaps, default=1.0) > 0.5 else []
    drawn = [line[::-1] if backwards else line for line in lines]
    layers = layers_of(drawn, main_id=list(names))
    runs = run_set(layers)
    assert sorted(set(",".join(runs.table["main_ids"]).split(","))) == kept
    assert runs.table["length"].sum() == pytest.approx(sum(shapes[k].length for k in kept))
    assert len(_texts(layers, "overlapping-mains")) == 3 - len(kept)


WAY = [(0.0, 0.0), (60.0, 40.0), (150.0, 10.0), (200.0, 80.0)]


@pytest.mark.parametrize("back", [1, 2, 3])
@pytest.mark.parametrize("share", [0.3, 1.0])
@pytest.mark.parametrize("off", [0.0, 4e-4])
@pytest.mark.parametrize("drawn", [1, -1])
def test_a_main_drawn_to_and_fro_on_itself_is_taken_once(
    layers_of: LayersOf, run_set: RunsOf, back: int, share: float, off: float, drawn: int
) -> None:
    """The main goes its way, and back over so many of its legs, the last in part."""
    far, near = np.array(WAY[-back]), np.array(WAY[-back - 1])
    last = tuple(far + share * (near - far))
    ways = [*WAY, *((x, y + off) for x, y in (*WAY[-2 : -back - 1 : -1], last))]
    layers = layers_of([ways[::drawn]])
    runs = run_set(layers)
    assert runs.table["length"].tolist() == pytest.approx(
        [shapely.LineString(WAY).length], abs=0.005
    )
    (text,) = _texts(layers, "overlapping-mains")
    assert "of main M0 lie on the main itself, drawn to and fro" in text


@pytest.mark.parametrize("spike", [0.3, 60.0])
@pytest.mark.parametrize("drawn", [1, -1])
def test_a_spike_in_a_main_is_a_branch_of_it_taken_once(
    layers_of: LayersOf, run_set: RunsOf, spike: float, drawn: int
) -> None:
    line = [(0, 0), (100, 0), (100 + spike, 0), (100, 0), (100, 100)]
    runs = run_set(layers_of([line[::drawn]]))
    assert runs.table["length"].sum() == pytest.approx(200 + spike)
    assert sorted(runs.graph.degrees().tolist()) == [1, 1, 1, 3]


def test_a_zigzag_along_one_straight_is_that_straight(layers_of: LayersOf, run_set: RunsOf) -> None:
    line = [(0, 0), (100, 0), (99.7, 0), (180, 0), (40, 0), (300, 0)]
    for drawn in (line, line[::-1]):
        runs = run_set(layers_of([drawn]))
        assert runs.table["length"].tolist() == pytest.approx([300.0])


@pytest.mark.parametrize("angle", [1.0, 90.0, 179.0])
def test_a_main_that_turns_back_at_an_angle_is_not_folded(
    layers_of: LayersOf, run_set: RunsOf, angle: float
) -> None:
    turn = np.radians(angle)
    line = [(0, 0), (200, 0), (200 - 150 * np.cos(turn), 150 * np.sin(turn))]
    layers = layers_of([line])
    assert run_set(layers).table["length"].sum() == pytest.approx(350.0)
    assert "overlapping-mains" not in _rules(layers)


@pytest.mark.parametrize(
    "kind",
    ["plug valve", "valve cap", "capped tee", "tee, blank flange", "service saddle with cap",
     "hydrant, stop end", "flanged coupling", "flange adaptor", "blank", "end", "capacity",
     "T-Stück mit Blindflansch"],
)  # fmt: skip
def test_what_goes_on_or_lies_beside_the_main_ends_no_run(
    layers_of: LayersOf, run_set: RunsOf, kind: str
) -> None:
    layers = layers_of([MAIN], fittings=[(40, 0, kind, np.nan)])
    assert run_set(layers).table["length"].tolist() == [100.0]
    assert "run-cut" not in _rules(layers)


@pytest.mark.parametrize("first", ["abandoned", "live"])
def test_of_two_mains_drawn_on_each_other_the_one_that_may_be_lined_is_kept(
    run_set: RunsOf, first: str
) -> None:
    status = ["abandoned", "live"] if first == "abandoned" else ["live", "abandoned"]
    runs = run_set([MAIN, MAIN], status=status)
    assert runs.table["length"].tolist() == [100.0]
    assert runs.table["main_ids"].tolist() == ["M1" if first == "abandoned" else "M0"]


def test_two_ways_between_the_same_nodes_are_both_kept(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    north, south = [(0, 0), (50, 20), (100, 0)], [(0, 0), (50, -20), (100, 0)]
    layers = layers_of([north, south])
    total = run_set(layers).table["length"].sum()
    assert total == pytest.approx(4 * np.hypot(50, 20))
    assert "overlapping-mains" not in _rules(layers)


def test_small_mains_and_statuses_left_out_are_counted(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    row = [[(k * 10, 0), (k * 10 + 10, 0)] for k in range(5)]
    layers = layers_of(
        row,
        diameter=[0.6, 0.2, 0.6, 0.6, np.nan],
        status=["live", "live", " Abandoned", "PROPOSED", ""],
    )
    runs = run_set(layers)
    assert runs.table["main_ids"].tolist() == ["M0"]
    assert _texts(layers, "main-too-small")[0].startswith("1 mains are smaller than 300 mm")
    assert [t[:26] for t in _texts(layers, "status-excluded")] == [
        "1 mains of status 'abandon",
        "1 mains of status 'propose",
    ]


def test_words_of_status_and_owner_are_told_with_the_marks_on_their_letters(
    layers_of: LayersOf,
) -> None:
    words = ["Avställd", "wyłączony", "Außer Betrieb", "Avställd"]
    layers = layers_of([[(k * 10, 0), (k * 10 + 10, 0)] for k in range(4)], status=words)
    layers.mains.table["owner"] = ["", "", "", "Älvby"]
    assert owners_of(layers.mains).tolist() == ["", "", "", "älvby"]
    network = Network(excluded_statuses=("avstalld", "WYŁĄCZONY", "außer betrieb"))
    report_left_out(layers.mains, network, layers.findings)
    assert sorted(_texts(layers, "status-excluded")) == [
        "1 mains of status 'außer betrieb' are not lined (network.excluded_statuses).",
        "1 mains of status 'wyłączony' are not lined (network.excluded_statuses).",
        "2 mains of status 'avställd' are not lined (network.excluded_statuses).",
    ]


def test_mains_that_cross_with_no_node_are_reported(layers_of: LayersOf, run_set: RunsOf) -> None:
    layers = layers_of([MAIN, [(30, -20), (30, 20)]])
    assert len(run_set(layers).table) == 2
    assert _texts(layers, "crossing-without-node") == [
        "mains M0 and M1 cross with no node: taken as not connected. Split both there if they do "
        "connect."
    ]


def test_gaps_joined_are_reported(layers_of: LayersOf, run_set: RunsOf) -> None:
    layers = layers_of([MAIN, [(100.2, 0), (150, 0)], [(50, 0.3), (50, 40)]])
    run_set(layers)
    texts = _texts(layers, "gap-joined")
    assert len(texts) == 2
    assert texts[0].startswith("the end of main M0 lies 0.20 m from another end")
    assert texts[1].startswith("the end of main M2 lies 0.30 m from the inside of another")
    lollipop = layers_of([[(0, 0), (100, 0), (100, 80), (30, 80), (30, 0.3)]])
    run_set(lollipop)
    (text,) = _texts(lollipop, "gap-joined")
    assert text.startswith("the end of main M0 lies 0.30 m from its own inside; joined")


def test_a_node_of_many_ends_in_a_row_is_reported_and_one_of_few_is_not(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    away = 60 * np.exp(1j * np.linspace(3.0, 0.1, 12))
    spokes = [[(0.4 * k, 0), (0.4 * k + far.real, far.imag)] for k, far in enumerate(away)]
    layers = layers_of(spokes)
    run_set(layers)
    assert len(_texts(layers, "gap-joined")) == 11
    assert _texts(layers, "wide-node") == [
        "12 ends, each within the snap tolerance of 0.50 m of another, are joined to one node, "
        "though they lie up to 2.2 m from its middle. Check that they do connect, or lower "
        "network.snap_tolerance."
    ]
    few = layers_of(spokes[:4])
    run_set(few)
    assert len(_texts(few, "gap-joined")) == 3
    assert not _texts(few, "wide-node")


@pytest.mark.parametrize(
    "kind",
    ["cap", "Cap ", "end cap", "endcap", "plug", "Stop end", "stop-end", "blank end",
     "blind flange", "Blank Flange", "blanking plate", "capped end", "CI cap 600", "MJ plug",
     "PIPE_CAP", "END_PLUG", "PipeCap", "CAP_150", "blind_flange", "Endkappe", "plaque pleine"],
)  # fmt: skip
def test_a_run_ends_at_a_cap(layers_of: LayersOf, run_set: RunsOf, kind: str) -> None:
    layers = layers_of([MAIN], fittings=[(40.0, 0.3, kind, np.nan), (99.5, 0, kind, np.nan)])
    runs = run_set(layers)
    assert runs.table["length"].tolist() == pytest.approx([40.0, 60.0])
    assert _texts(layers, "run-cut") == ["the main has a cap on record: a run ends here."]


def test_a_run_ends_where_the_main_turns_more_than_the_limit(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    hairpin = [(0, 0), (100, 0), (60, 60)]
    layers = layers_of([hairpin])
    runs = run_set(layers, network=Network(max_turn="100 deg"))
    assert sorted(runs.table["length"]) == pytest.approx([np.hypot(40, 60), 100.0])
    turn = 180 - np.degrees(np.arctan2(60, 40))
    assert _texts(layers, "run-cut") == [
        f"the main turns {turn:.2f} deg, more than network.max_turn: a run ends here."
    ]
    assert len(run_set([hairpin], network=Network(max_turn="130 deg")).table) == 1


def test_a_turn_on_record_above_the_limit_ends_a_run(run_set: RunsOf) -> None:
    runs = run_set([MAIN], fittings=[(30, 0, "bend", 120.0)])
    assert runs.table["length"].tolist() == pytest.approx([30.0, 70.0])
    assert runs.bends.empty  # what a run ends at it does not turn at


def test_a_fitting_at_the_end_of_a_run_bends_no_run(run_set: RunsOf) -> None:
    branch = [(50, 0), (50, 80)]
    runs = run_set([MAIN, branch], diameter=[0.6, 0.4], fittings=[(50.0, 79.8, "bend", 45.0)])
    assert runs.bends.empty
    inside = run_set([MAIN, branch], diameter=[0.6, 0.4], fittings=[(50.0, 60.0, "bend", 45.0)])
    assert np.degrees(inside.bends["deflection"]).tolist() == pytest.approx([45.0])


def test_runs_are_named_in_the_order_of_their_mains(run_set: RunsOf) -> None:
    lines = [[(k * 500, 0), (k * 500 + 90, 0)] for k in range(3)]
    lines.append([(90, 0), (200, 0)])
    runs = run_set(
        lines,
        main_id=["C", "A", "B", "D"],
        material=["CI", "", "DI", "DI"],
        diameter=[0.6, 0.6, 0.6, 0.595],
    )
    assert runs.table["run_id"].tolist() == ["R0001", "R0002", "R0003"]
    assert runs.table["main_ids"].tolist() == ["A", "B", "C,D"]
    assert runs.table["material"].tolist() == ["unknown", "DI", "CI, DI"]
    assert runs.table["diameter"].tolist() == [0.6, 0.6, 0.595]


def test_a_material_in_two_spellings_is_told_once_in_the_words_of_the_data(
    run_set: RunsOf,
) -> None:
    lines = [[(k * 100, 0), (k * 100 + 100, 0)] for k in range(4)]
    (told,) = run_set(lines, material=["ci", "CI", "Ductile Iron", "Ci"]).table["material"]
    assert sorted(map(str.casefold, told.split(", "))) == ["ci", "ductile iron"]
    assert set(told.split(", ")) <= {"ci", "Ci", "Ductile Iron"}  # the first met from either end


def test_after_cuts_every_metre_is_still_in_one_run(run_set: RunsOf) -> None:
    rng = np.random.default_rng(4)
    x = np.concatenate([[0], np.sort(rng.uniform(5, 995, 30)), [1000]])
    y = 40 * np.sin(x / 200)
    lines: list[Any] = [
        np.array([(x[k], y[k]), (x[k + 1], y[k + 1])])[:: rng.choice([-1, 1])]
        for k in range(len(x) - 1)
    ]
    caps = [(float(c), float(np.interp(c, x, y)), "cap", np.nan) for c in (*x[3:20:4], 333.0)]
    runs = run_set(lines, fittings=caps)
    lengths = [np.hypot(*(line[1] - line[0])) for line in lines]
    assert len(runs.table) == len(caps) + 1
    assert runs.table["length"].sum() == pytest.approx(sum(lengths))
    pieces = runs.chains.pieces
    span = np.sort(pieces[["line_start", "line_end"]].to_numpy(), axis=1)
    covered = np.zeros(len(lines))
    np.add.at(covered, pieces["line"].to_numpy(), span[:, 1] - span[:, 0])
    assert covered == pytest.approx(lengths)
    np.testing.assert_allclose(pieces["end"] - pieces["start"], span[:, 1] - span[:, 0], atol=1e-9)
    for run, of_run in pieces.groupby("run"):
        assert of_run["start"].iloc[0] == pytest.approx(0.0, abs=1e-9)
        assert of_run["end"].iloc[-1] == pytest.approx(runs.table["length"].iloc[run])
        assert of_run["end"].to_numpy()[:-1] == pytest.approx(of_run["start"].to_numpy()[1:])


def test_connections_keep_their_place_when_a_run_is_cut(run_set: RunsOf) -> None:
    spurs = [[(x, 0), (x, 30)] for x in (20.0, 50.0, 90.0)]
    runs = run_set([MAIN, *spurs], diameter=[0.6, 0.2, 0.2, 0.2], fittings=[(70, 0, "cap", np.nan)])
    found = runs.chains.connections[["run", "chainage", "others"]].to_numpy().tolist()
    assert found == [[0.0, 20.0, 1.0], [0.0, 50.0, 1.0], [1.0, 20.0, 1.0]]


@pytest.mark.parametrize("status", ["abandoned", "Removed", "proposed", "out of service"])
def test_ends_of_mains_without_water_are_no_connections(
    layers_of: LayersOf, run_set: RunsOf, status: str
) -> None:
    """Nobody digs up and makes again what holds no water, at a tee or at the end of a run."""
    stubs = [[(40, 0), (40, 30)], [(70, 0), (70, -30)], [(70, 0), (70, 30)], [(100, 0), (130, 0)]]
    layers = layers_of(
        [MAIN, *stubs],
        diameter=[0.6, 0.2, 0.2, 0.6, 0.6],
        status=["active", status, "active", status, status],
    )
    runs = run_set(layers)
    assert runs.table["main_ids"].tolist() == ["M0"]
    found = runs.chains.connections[["run", "chainage", "others"]].to_numpy().tolist()
    assert found == [[0.0, 70.0, 1.0]]
    (told,) = _texts(layers, "dry-end")
    assert "M1 the first of them" in told
    assert "with 3 of their ends" in told


def test_a_loop_opens_where_a_main_in_service_meets_it_not_where_a_dry_one_does(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    ring = [(0, 0), (60, 0), (60, 60), (0, 60), (0, 0)]
    dry, wet = [(0, 0), (-30, -30)], [(60, 60), (90, 90)]
    layers = layers_of([ring, dry, wet], diameter=[0.6, 0.2, 0.2], status=["", "abandoned", ""])
    xy = run_set(layers, network=Network(max_turn="100 deg")).chains.xy
    assert xy[0].tolist() == xy[-1].tolist() == [60.0, 60.0]


def test_a_gap_cut_at_both_its_ends_is_no_run(layers_of: LayersOf, run_set: RunsOf) -> None:
    west, east = [(0, 0), (100, 0)], [(100, 4.5), (200, 4.5)]  # the step between turns 90 deg twice
    layers = layers_of([west, east, [(100, 2.0), (130, 2.0)]], diameter=[0.6, 0.6, 0.2])
    runs = run_set(layers, network=Network(snap_tolerance="5 m", max_turn="60 deg"))
    assert len(_texts(layers, "run-cut")) == 2
    assert runs.table["main_ids"].tolist() == ["M0", "M1"]
    assert runs.table["length"].tolist() == [100.0, 100.0]
    assert runs.chains.pieces["run"].tolist() == [0, 1]
    # what meets the node in the gap meets the end of the run before it
    found = runs.chains.connections[["run", "chainage", "others"]].to_numpy().tolist()
    assert found == [[0.0, 100.0, 1.0]]


def test_points_belong_to_the_nearest_main_within_reach(run_set: RunsOf) -> None:
    lines = [MAIN, [(0, 5), (100, 5)]]
    fittings = [(10, 1, "tee", np.nan), (20, 4, "tee", np.nan), (30, -3.5, "tee", np.nan)]
    runs = run_set(lines, diameter=[0.6, 0.2], fittings=fittings)
    assert runs.fittings[["point", "run", "chainage", "offset"]].to_numpy().tolist() == [
        [0.0, 0.0, 10.0, 1.0]  # the second lies on the small main, the third too far off
    ]


def test_no_mains_to_line_give_no_runs(run_set: RunsOf) -> None:
    runs = run_set([MAIN], diameter=[0.1])
    assert len(runs.table) == 0
    assert runs.bends.empty


def test_words_of_status_taken_to_be_in_service_are_told(
    run_set: RunsOf, layers_of: LayersOf
) -> None:
    """As they are spelled; a code or a word for out of service is told as such, and not here."""
    lines = [[(0, 0), (100, 0)], [(0, 50), (100, 50)], [(0, 90), (100, 90)], [(0, 130), (100, 130)]]
    layers = layers_of(lines, status=["RTD", "Active", "abandoned", "Stillgelegt"])
    run_set(layers)
    (told,) = _texts(layers, "status-in-service")
    assert told.startswith("mains of status 'Active' (1) are taken")
    layers = layers_of(lines, status=["RTD", "Active", "abandoned", ""])
    run_set(layers, network=Network(excluded_statuses=[]))
    (told,) = _texts(layers, "status-in-service")
    assert told.startswith("mains of status 'Active' (1), 'RTD' (1), 'abandoned' (1) are taken")


def test_mains_of_an_excluded_owner_are_not_lined_but_connect(
    run_set: RunsOf, layers_of: LayersOf
) -> None:
    lines = [MAIN, [(100, 0), (200, 0)], [(40, 0), (40, 60)]]
    owners = ["City", " county WATER", "County water"]
    layers = layers_of(lines, owner=owners)
    runs = run_set(layers, network=Network(excluded_owners=["County Water"]))
    assert runs.table["main_ids"].tolist() == ["M0"]
    met = runs.chains.connections[["chainage", "others"]].to_numpy().tolist()
    assert met == [[40.0, 1.0], [100.0, 1.0]]
    (told,) = _texts(layers, "owner-excluded")
    assert told.startswith("mains of owner 'county water' (2) are not lined")
    assert not _texts(layers, "several-owners")


@pytest.mark.parametrize("word", ["sold", "SOLD", "sold ", "\tSold "])
@pytest.mark.parametrize("said", ["sold", " Sold"])
@pytest.mark.parametrize(
    ("setting", "column"), [("excluded_statuses", "status"), ("excluded_owners", "owner")]
)
def test_words_of_the_brief_mean_the_same_in_every_list(
    run_set: RunsOf, layers_of: LayersOf, setting: str, column: str, word: str, said: str
) -> None:
    layers = layers_of([MAIN, [(0, 90), (300, 90)]], **{column: ["kept", said]})
    runs = run_set(layers, network=Network(**{setting: [word]}))
    assert runs.table["main_ids"].tolist() == ["M0"]


def test_several_owners_are_told_where_none_is_excluded(
    run_set: RunsOf, layers_of: LayersOf
) -> None:
    layers = layers_of([MAIN, [(0, 50), (100, 50)]], owner=["City", "County"])
    assert len(run_set(layers).table) == 2
    (told,) = _texts(layers, "several-owners")
    assert told.startswith("mains of owner 'city' (1), 'county' (1) may all be lined")


def test_several_owners_left_are_told_where_another_is_excluded(
    run_set: RunsOf, layers_of: LayersOf
) -> None:
    lines = [MAIN, [(0, 90), (300, 90)], [(0, 180), (300, 180)]]
    layers = layers_of(lines, owner=["City", "County", "Canal Co"])
    assert len(run_set(layers, network=Network(excluded_owners=["canal co"])).table) == 2
    (told,) = _texts(layers, "several-owners")
    assert told.startswith("mains of owner 'city' (1), 'county' (1) may all be lined")
