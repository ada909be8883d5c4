"""Fittings on record against the turns of the drawing they stand for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

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


def _bends(line: Array, fittings: Sequence[tuple[float, float]], accuracy: float = 0.1) -> Any:
    """Bends of one run; fittings as (chainage, degrees); angles come back in degrees."""
    table = pd.DataFrame(list(fittings), columns=["chainage", "angle"], dtype=float)
    table = table.assign(run=np.int64(0), angle=np.radians(table["angle"]))
    rises = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "rise": []})
    rules = BendRules(accuracy, 5.0, np.radians(3.0), np.radians(15.0), 0.0)
    drawn = [thin(line, np.array([0, len(line)]), accuracy=accuracy / n) for n in (1.0, FINER)]
    found = find_bends(drawn[0], np.array([HOST]), table, rises, rules, fine=drawn[1])
    angles = ["deflection", "drawn", "angle", "covered", "rest"]
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
    for _ in range(60):
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
    assert "45 deg more are in the drawing alone" in told["bend-partly-on-record"]
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
