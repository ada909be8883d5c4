"""Fittings on record against the turns of the drawing they stand for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.brief import Network
from geotools.network.bends import BendRules, find_bends
from geotools.network.build import RunSet
from geotools.network.redrawn import FINER
from geotools.network.thinned import thin

HOST = 0.6  # m
LEAD = 60.0  # m
Array = npt.NDArray[np.float64]
RunsOf = Callable[..., RunSet]


def _row(angles: Sequence[float], gaps: Sequence[float]) -> Array:
    """Elbows in a row with so many metres between, and a long straight at either end."""
    way, points = 0.0, [np.zeros(2), np.array([LEAD, 0.0])]
    for angle, gap in zip(np.radians(angles), [*gaps, LEAD], strict=True):
        way += angle
        points.append(points[-1] + gap * np.array([np.cos(way), np.sin(way)]))
    return np.array(points)


def _table(rows: Sequence[Sequence[float]], *names: str) -> pd.DataFrame:
    """Rows of (chainage, degrees, ...) of one run."""
    table = pd.DataFrame(list(rows), columns=["chainage", *names], dtype=float)
    return table.assign(run=np.int64(0), **{name: np.radians(table[name]) for name in names})


def _bends(
    line: Array,
    fittings: Sequence[tuple[float, float]],
    accuracy: float = 0.1,
    rises: Sequence[tuple[float, float, float]] = (),
) -> Any:
    """Bends of one run; fittings as (chainage, degrees); angles come back in degrees.

    Rises as (chainage, degrees, degrees that levels are sure of).
    """
    tables = _table(fittings, "angle"), _table(rises, "rise", "sure")
    rules = BendRules(accuracy, 5.0, np.radians(3.0), np.radians(15.0), 0.0)
    drawn = [thin(line, np.array([0, len(line)]), accuracy=accuracy / n) for n in (1.0, FINER)]
    found = find_bends(drawn[0], np.array([HOST]), *tables, rules, fine=drawn[1])
    angles = ["deflection", "drawn", "angle", "covered", "raised", "rest"]
    return found.assign(**{name: np.degrees(found[name]) for name in angles})


@pytest.mark.parametrize(
    ("angles", "gaps", "fittings"),
    [
        ([30.0, 30.0], [2.0], [(60.0, 30.0)]),
        ([30.0, 30.0], [2.0], [(60.0, 30.0), (62.0, 30.0)]),
        ([9.9, 9.9], [2.0], [(60.0, 9.9)]),
        ([11.25, 11.25, 9.8], [1.5, 1.5], [(60.0, 11.25), (61.5, 11.25)]),
        ([22.5] * 5, [2.5] * 4, [(60.0, 22.5)]),
        ([22.5] * 5, [2.5] * 4, [(65.0, 22.5)]),
        ([22.5] * 5, [2.5] * 4, [(60.0 + 2.5 * k, 22.5) for k in range(5)]),
        ([45.0, -45.0], [2.0], [(60.0, 45.0)]),
        ([30.0, 60.0], [2.5], [(62.6, 60.0)]),
    ],
)
def test_a_record_stands_for_its_own_elbow_and_the_others_add_up(
    angles: list[float], gaps: list[float], fittings: list[tuple[float, float]]
) -> None:
    line = _row(angles, gaps)
    length = 2 * LEAD + sum(gaps)
    for way in (1, -1):
        placed = [(at if way > 0 else length - at, angle) for at, angle in fittings]
        found = _bends(line[::way], placed)
        assert found["deflection"].tolist() == pytest.approx([np.abs(angles).sum()])
        assert found["angle_source"].tolist() == ["fitting record"]
        on_record = sum(angle for _, angle in fittings)
        assert found["angle"].tolist() == pytest.approx([on_record])
        assert found["covered"].tolist() == pytest.approx([on_record])
        assert found["rest"].tolist() == pytest.approx([np.abs(angles).sum() - on_record], abs=1e-9)


def test_a_record_sets_the_angle_of_its_own_elbow_alone() -> None:
    found = _bends(_row([28.0, 45.0], [2.0]), [(60.2, 30.0)])
    assert found["deflection"].tolist() == pytest.approx([30.0 + 45.0])
    assert found["covered"].tolist() == pytest.approx([28.0])


@pytest.mark.parametrize(
    ("angles", "at"),
    [([18.0] * 5, 60.8), ([11.25, 22.5, 11.25], 60.4), ([20.0, 20.0], 60.2), ([1.5, 43.0], 60.0)],
)
def test_a_record_stands_for_all_vertices_its_elbow_is_drawn_with(
    angles: list[float], at: float
) -> None:
    said = {5: 90.0, 3: 45.0, 2: 45.0}[len(angles)]
    found = _bends(_row(angles, [0.4] * (len(angles) - 1)), [(at, said)], accuracy=0.01)
    assert found["deflection"].tolist() == pytest.approx([said])
    assert found["covered"].tolist() == pytest.approx([sum(angles)])
    # with an elbow nobody recorded behind it
    behind = _row([*angles, 30.0], [*[0.4] * (len(angles) - 1), 2.0])
    both = _bends(behind, [(at, said)], accuracy=0.01)
    assert both["deflection"].tolist() == pytest.approx([said + 30.0])


@pytest.mark.parametrize("count", [1, 2, 3])
def test_records_at_one_point_are_of_one_fitting(count: int) -> None:
    line = _row([15.0], [])
    found = _bends(line, [(60.0 + 0.02 * k, 15.0) for k in range(count)])
    assert found["deflection"].tolist() == pytest.approx([15.0])
    assert found["doubled"].tolist() == [count - 1]
    undrawn = _bends(line, [(20.0, 22.5)] * count)
    assert undrawn["deflection"].tolist() == pytest.approx([22.5, 15.0])
    assert undrawn["doubled"].tolist() == [count - 1, 0]


def test_records_at_one_point_add_up_if_the_drawing_turns_as_far() -> None:
    found = _bends(_row([88.0], []), [(60.0, 45.0), (60.0, 45.0)])
    assert found["deflection"].tolist() == pytest.approx([90.0])
    assert found["doubled"].tolist() == [0]


def test_of_records_at_one_point_the_sharpest_is_used() -> None:
    found = _bends(_row([44.0], []), [(60.0, 22.5), (60.0, 45.0)])
    assert found["deflection"].tolist() == pytest.approx([45.0])
    assert found["doubled"].tolist() == [1]


def test_from_the_other_end_records_stand_for_the_same_turns() -> None:
    rng = np.random.default_rng(1)
    for _ in range(40):
        count = int(rng.integers(1, 6))
        angles = rng.choice([11.25, 22.5, 30.0, 45.0], count) * rng.choice([-1, 1], count)
        gaps = rng.choice([0.5, 1.0, 2.0, 4.0, 9.0], count - 1)
        line, length = _row(angles, gaps), 2 * LEAD + gaps.sum()
        some = [
            (LEAD + rng.choice([0.0, *np.cumsum(gaps)]) + rng.choice([0.0, 0.25, 0.5]), angle)
            for angle in rng.choice([11.25, 22.5, 45.0], int(rng.integers(1, 4)))
        ]
        one = _bends(line, some)
        other = _bends(line[::-1], [(length - at, angle) for at, angle in some])[::-1]
        for name in ("deflection", "drawn", "angle", "covered", "rest"):
            np.testing.assert_allclose(one[name], other[name], atol=1e-6)
        np.testing.assert_allclose(one["chainage"], length - other["chainage"], atol=1e-6)
        assert one["kind"].tolist() == other["kind"].tolist()
        assert one["doubled"].tolist() == other["doubled"].tolist()


def test_elbows_not_drawn_but_recorded_close_together_are_one_bend() -> None:
    found = _bends(_row([30.0], []), [(20.0, 22.5), (22.0, 22.5)])
    assert found["deflection"].tolist() == pytest.approx([45.0, 30.0])
    assert found["chainage"].tolist() == pytest.approx([21.0, 60.0])
    assert found["drawn"].tolist() == pytest.approx([0.0, 30.0])


def _in_space(plan: float, rise: float) -> float:
    """The angle between two legs that turn so in plan and slope to and from the joint alike."""
    half, turn = np.radians(rise / 2), np.radians(plan)
    one = np.array([np.cos(half), 0.0, -np.sin(half)])
    two = np.array([np.cos(half) * np.cos(turn), np.cos(half) * np.sin(turn), np.sin(half)])
    return float(np.degrees(np.arccos(one @ two)))


@pytest.mark.parametrize("gap", [0.0, 0.3, 0.6, 2.0, -0.3, -2.0])
@pytest.mark.parametrize(
    "record",
    [None, ("plan", 22.5), ("joint", 22.5), ("plan", 15.04), ("joint", 15.04), ("plan", 27.06)],
)
def test_a_record_of_one_leg_leaves_the_turn_in_space_as_it_is_without_it(
    gap: float, record: tuple[str, float] | None
) -> None:
    """22.5 deg in plan, and beside it or at the same joint 15.04 deg by the inverts."""
    line, joint = _row([22.5], []), LEAD + gap
    for way in (1, -1):
        at = {"plan": LEAD, "joint": joint}
        at = at if way > 0 else {name: 2 * LEAD - place for name, place in at.items()}
        fittings = [(at[record[0]], record[1])] if record else []
        found = _bends(line[::way], fittings, rises=[(at["joint"], 15.04, 15.04)])
        assert found["deflection"].tolist() == pytest.approx([27.06], abs=0.01)
        assert 0 <= found["deflection"].iloc[0] - _in_space(22.5, 15.04) < 0.2
        rest = {None: 27.06, 22.5: 15.04, 15.04: 22.5, 27.06: 0.0}[record[1] if record else None]
        assert found["rest"].tolist() == pytest.approx([rest], abs=0.01)


@pytest.mark.parametrize(
    ("said", "turned"),
    [
        (27.0, 27.0),  # nearer to the turn in space, 27.06 deg: a rolled elbow
        (30.0, 30.0),
        (24.7, np.hypot(24.7, 15.04)),  # nearer to 22.5 deg
        (20.0, np.hypot(20.0, 15.04)),
        (11.25, np.hypot(11.25, 15.04)),  # 3.8 deg from the vertical one, more than slight
        (13.0, np.hypot(22.5, 15.04)),  # the vertical one, of which levels are sure
        (17.0, np.hypot(22.5, 17.0)),
    ],
)
def test_a_record_is_of_the_turn_in_space_unless_one_of_its_legs_is_nearer(
    said: float, turned: float
) -> None:
    found = _bends(_row([22.5], []), [(LEAD, said)], rises=[(LEAD, 15.04, 15.04)])
    assert found["deflection"].tolist() == pytest.approx([turned])


def test_a_slight_slope_takes_no_record_from_the_turn_in_plan() -> None:
    found = _bends(_row([40.0], []), [(LEAD, 11.25)], rises=[(LEAD, 0.1, 0.1)])
    assert found["deflection"].tolist() == pytest.approx([11.25], abs=1e-3)
    assert found["covered"].tolist() == pytest.approx([40.0])


@pytest.mark.parametrize(
    ("said", "sure", "turned"),
    [(11.25, 24.0, 24.0), (11.25, 20.0, 20.0), (22.5, 20.0, 22.5), (30.0, 24.0, 30.0)],
)
def test_a_record_turns_no_less_than_levels_are_sure_of(
    said: float, sure: float, turned: float
) -> None:
    for angles in ([], [1.0]):
        line = _row(angles, []) if angles else np.array([[0.0, 0.0], [2 * LEAD, 0.0]])
        found = _bends(line, [(LEAD, said)], rises=[(LEAD, 24.0, sure)])
        assert found["deflection"].iloc[0] >= turned - 1e-9
        if not angles:
            assert found["deflection"].tolist() == pytest.approx([turned])
            assert found["raised"].tolist() == pytest.approx([turned - said])


def test_a_record_of_one_leg_takes_no_turn_of_the_other_that_is_a_bend_of_its_own() -> None:
    """3.1 m: farther than bends are gathered, nearer than a fitting may be from its vertex."""
    line, rises = _row([22.5], []), [(LEAD + 3.1, 15.0, 15.0)]
    for fitting in ((LEAD, 22.5), (LEAD + 3.1, 15.0)):
        found = _bends(line, [fitting], rises=rises)
        assert found["deflection"].tolist() == pytest.approx([22.5, 15.0])
        assert found["last"].tolist() == pytest.approx([LEAD, LEAD + 3.1])


def test_whatever_is_on_record_levels_and_directions_hold() -> None:
    rng = np.random.default_rng(2)
    for _ in range(40):
        angles = rng.choice([0.5, 11.25, 22.5, 45.0], 2) * rng.choice([-1, 1], 2)
        gap = float(rng.choice([0.5, 2.0, 9.0]))
        line, length = _row(angles, [gap]), 2 * LEAD + gap
        places = LEAD + np.array([0.0, gap, 0.3, -0.7])
        rises = [(at, angle, angle) for at in places for angle in rng.choice([0.0, 0.2, 7, 20], 1)]
        some = [(at, rng.choice([11.25, 22.5, 30.0])) for at in rng.choice(places, 2)]
        one = _bends(line, some, rises=rises)
        other = _bends(
            line[::-1],
            [(length - at, angle) for at, angle in some],
            rises=[(length - at, angle, sure) for at, angle, sure in rises][::-1],
        )[::-1]
        for name in ("deflection", "drawn", "angle", "covered", "raised", "rest"):
            np.testing.assert_allclose(one[name], other[name], atol=1e-6)
        held = [(one["first"] - 1e-6 <= at) & (at <= one["last"] + 1e-6) for at, _, _ in rises]
        steep = sum(
            angle * here.to_numpy() for (_, angle, _), here in zip(rises, held, strict=True)
        )
        assert (one["deflection"] >= steep - 1e-6).all()


def test_a_turn_in_the_vertical_beside_a_record_is_told(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    line, drop = _row([22.5], []), LEAD * np.tan(np.radians(7.52))
    inverts = {"invert_start": [100.0, 100.0 - drop], "invert_end": [100.0 - drop, 100.0]}
    layers = layers_of([line[:2], line[1:]], fittings=[(60.0, 0.0, "elbow", 22.5)], **inverts)
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([27.06], abs=0.01)
    told = _told(layers)["bend-partly-on-record"]
    assert "on record make 22.5 deg" in told
    assert "15.04 deg more are in the drawing and the levels alone" in told
    assert "27.06 deg in all" in told


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (11.25, "drawing turns 20 deg; levels are sure of 20 deg in the vertical, which are used"),
        (5.0, "levels are sure of 20 deg"),
    ],
)
def test_a_record_that_turns_less_than_the_inverts_is_told(
    layers_of: Callable[..., Any], run_set: RunsOf, said: float, words: str
) -> None:
    line, drop = np.array([[0.0, 0.0], [60.0, 0.0], [120.0, 0.0]]), 60 * np.tan(np.radians(10.0))
    inverts = {"invert_start": [100.0, 100.0 - drop], "invert_end": [100.0 - drop, 100.0]}
    layers = layers_of([line[:2], line[1:]], fittings=[(60.0, 0.0, "elbow", said)], **inverts)
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([20.0])
    assert words in _told(layers)["bend-angle-disagrees"]


def test_a_record_that_leaves_part_of_a_turn_in_space_out_is_told(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    """37.5 deg in space, of which 22.5 in plan: 33.5 deg on record are 4 deg short of it."""
    line, drop = _row([22.5], []), LEAD * np.tan(np.radians(15.0))
    inverts = {"invert_start": [100.0, 100.0 - drop], "invert_end": [100.0 - drop, 100.0]}
    layers = layers_of([line[:2], line[1:]], fittings=[(60.0, 0.0, "elbow", 33.5)], **inverts)
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([33.5])
    assert "33.5 deg, the drawing turns 37.5 deg" in _told(layers)["bend-angle-disagrees"]


def test_of_two_records_levels_are_told_to_be_sure_of_their_own_turn_alone(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    """An elbow of 45 deg, and 2 m on a turn of 25 deg by the inverts, recorded with 10."""
    line, slope = _row([45.0], []), np.tan(np.radians(12.5))
    joint = line[1] + 2.0 * (line[2] - line[1]) / LEAD
    levels = [100.0, 100.0 - LEAD * slope, 100.0 - 62.0 * slope, 100.0 - 4.0 * slope]
    mains = [line[:2], np.array([line[1], joint]), np.array([joint, line[2]])]
    fittings = [(*line[1], "elbow", 45.0), (*joint, "elbow", 10.0)]
    inverts = {"invert_start": levels[:3], "invert_end": levels[1:]}
    layers = layers_of(mains, fittings=fittings, **inverts)
    run_set(layers)
    text = _told(layers)["bend-angle-disagrees"]
    assert "fittings are on record with 55 deg together" in text
    assert "levels are sure of 25 deg in the vertical, more than the 10 deg on record" in text


@pytest.mark.parametrize(
    ("plan", "said", "rest"), [(15.0, 30.0, 15.0), (45.0, 30.0, 45.0), (0.0, 30.0, None)]
)
def test_what_lies_beside_a_record_of_the_vertical_is_told_to_be_added_as_in_space(
    layers_of: Callable[..., Any], run_set: RunsOf, plan: float, said: float, rest: float | None
) -> None:
    """30 deg by the inverts and so many in plan: the root of the squares in all."""
    line, drop = _row([plan], []), LEAD * np.tan(np.radians(15.0))
    inverts = {"invert_start": [100.0, 100.0 - drop], "invert_end": [100.0 - drop, 100.0]}
    layers = layers_of([line[:2], line[1:]], fittings=[(60.0, 0.0, "elbow", said)], **inverts)
    run_set(layers)
    text = _told(layers).get("bend-partly-on-record", "")
    if rest is None:
        assert not text
    else:
        assert f"{rest:g} deg more are in the drawing alone and are added as in space" in text
        assert f"{round(np.hypot(said, rest), 2):g} deg in all" in text


def _told(layers: Any) -> dict[str, str]:
    table = layers.findings.table()
    return dict(zip(table["rule"], table["text"], strict=True))


def test_a_bend_partly_on_record_is_told_with_what_it_turns_in_all(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    layers = layers_of([_row([30.0, 45.0], [2.0])], fittings=[(60.0, 0.0, "elbow", 30.0)])
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([75.0])
    told = _told(layers)
    assert "on record make 30 deg" in told["bend-partly-on-record"]
    assert "45 deg more are in the drawing alone and are added, " in told["bend-partly-on-record"]
    assert "75 deg in all" in told["bend-partly-on-record"]
    assert "bend-angle-disagrees" not in told
    assert "fitting-recorded-twice" not in told


def test_a_fitting_recorded_twice_is_told_and_counted_once(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    twice = [(60.0, 0.0, "elbow", 15.0), (60.0, 0.0, "bend", 15.0)]
    layers = layers_of([_row([15.0], [])], fittings=twice)
    assert np.degrees(run_set(layers).bends["deflection"]).tolist() == pytest.approx([15.0])
    told = layers.findings.table().set_index("rule")
    assert told.loc["fitting-recorded-twice", "feature"] == "F0"
    assert "1 left out" in told.loc["fitting-recorded-twice", "text"]
    assert "bend-angle-disagrees" not in told.index


def test_the_finding_of_a_wrong_record_states_what_is_drawn_at_that_fitting(
    layers_of: Callable[..., Any], run_set: RunsOf
) -> None:
    layers = layers_of([_row([45.0, 30.0], [2.0])], fittings=[(60.0, 0.0, "elbow", 22.5)])
    found = run_set(layers).bends
    # 22.5 deg fits the first elbow worse than it fits the whole even less
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([22.5 + 30.0])
    told = _told(layers)
    assert "on record with 22.5 deg, the drawing turns 45 deg" in told["bend-angle-disagrees"]


@pytest.mark.parametrize(
    ("drawn", "said", "kept"),
    [
        ([90.0], [np.pi / 2], 90.0),  # radians under the name of degrees
        ([45.0], [np.pi / 4], 45.0),
        ([45.0], [1.0, 1.0], 45.0),  # two at one corner
        ([30.0, 30.0], [np.pi / 6], 60.0),  # drawn with two vertices, neither of them the record's
        ([12.0], [2.9], None),  # within the doubt: the record is used
        ([45.0], [3.0], 3.0),  # a bend on record: used, and told to disagree
    ],
)
def test_no_record_takes_a_bend_away_that_the_drawing_shows(
    layers_of: Callable[..., Any],
    run_set: RunsOf,
    drawn: list[float],
    said: list[float],
    kept: float | None,
) -> None:
    fittings = [(60.0 - 0.5 * k, 0.0, "elbow", angle) for k, angle in enumerate(said)]
    layers = layers_of([_row(drawn, [2.0] * (len(drawn) - 1))], fittings=fittings)
    found = run_set(layers).bends
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([kept] if kept else [])
    if kept and kept > 3.0:
        assert found["angle_source"].tolist() == ["drawing"]
        told = layers.findings.table().set_index("rule").loc[["bend-angle-disagrees"]]
        assert told["feature"].tolist() == [f"F{k}" for k in range(len(said))]
        words = f"the drawing turns {drawn[0]:g} deg there; the drawing is used."
        assert told["text"].str.contains(words, regex=False).all()
        in_radians = said == [float(np.radians(drawn[0]))]
        assert told["text"].str.contains("may be in radians").tolist() == [in_radians] * len(said)


@pytest.mark.parametrize(("drawn", "said", "cut"), [(45.0, 135.0, True), (80.0, 95.0, False)])
def test_an_inner_angle_on_record_is_told_with_what_is_drawn(
    layers_of: Callable[..., Any], run_set: RunsOf, drawn: float, said: float, cut: bool
) -> None:
    layers = layers_of([_row([drawn], [])], fittings=[(60.0, 0.0, "elbow", said)])
    assert len(run_set(layers, network=Network(max_turn="100 deg")).table) == 1 + cut
    table = layers.findings.table().set_index("rule")
    told = table.loc["bend-angle-disagrees"]
    assert told["feature"] == "F0"
    assert f"on record with {said:g} deg, the drawing turns {drawn:g} deg" in told["text"]
    assert "It may be the inner angle" in told["text"]
    assert (", and a run ends there" in told["text"]) == cut
    if cut:
        assert "turns 135 deg by what is on record" in table.loc["run-cut", "text"]
        assert "the drawing turns 45 deg" in table.loc["run-cut", "text"]
