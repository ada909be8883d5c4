"""Which bends a carrier passes, alone and with its neighbours."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.siting.passing import judge_bends

CLEARANCE, NEEDED = 0.10, 6.0  # m


def _passing(angle: float, axis: float = 0.0) -> float:
    """Largest radius that passes, by the formulas as printed: mitre, and bend of a radius."""
    c, half = CLEARANCE, np.radians(angle) / 2
    mitre = c / (1 - np.cos(half))
    bend = axis + (c / 2) * (1 + np.cos(half)) / (1 - np.cos(half))
    return float(max(mitre, bend) if axis else mitre)


def _judged(
    *bends: tuple[float, float],
    clearance: float = CLEARANCE,
    needed: float = NEEDED,
    **columns: Any,
) -> pd.DataFrame:
    """Bends of one run as (chainage, degrees), mitres of no length unless told."""
    at, angle = np.array(bends, dtype=float).T
    table = pd.DataFrame(
        {
            "run": np.int64(0),
            "chainage": at,
            "first": at,
            "last": at,
            "deflection": np.radians(angle),
            "axis_radius": 0.0,
            "kind": "fitting",
            "sense": "left",
            **columns,
        }
    )
    runs = int(table["run"].max()) + 1
    return judge_bends(table, clearance=np.full(runs, clearance), needed=np.full(runs, needed))


@pytest.mark.parametrize("angle", [5.0, 11.25, 14.7, 14.9, 22.5, 45.0, 90.0, 150.0])
def test_a_mitre_passes_if_its_radius_is_at_least_the_one_needed(angle: float) -> None:
    # 6 m pass up to 2 arccos(1 - 0.1 / 6) = 20.97 deg
    found = _judged((50.0, angle)).iloc[0]
    assert found["passing_radius"] == pytest.approx(_passing(angle))
    assert bool(found["passes"]) is (angle < 20.96)
    assert found["needed_radius"] == NEEDED


def test_a_bend_of_a_radius_passes_more_than_a_mitre() -> None:
    found = _judged((50.0, 22.5), axis_radius=[3.0]).iloc[0]
    assert found["passing_radius"] == pytest.approx(_passing(22.5, 3.0))
    assert bool(found["passes"]) is True


@pytest.mark.parametrize("angle", [89.0, 90.0, 120.0])
def test_a_bend_of_more_than_a_right_angle_takes_its_neighbour_with_it_too(angle: float) -> None:
    beside = _judged((50.0, angle), (55.0, 15.0), axis_radius=[20.0, 0.0])
    apart = 1.01 * NEEDED * np.tan(np.radians(angle) / 2) + TANGENT
    clear = _judged((50.0, angle), (50.0 + apart, 15.0), axis_radius=[20.0, 0.0])
    assert beside["passes"].tolist() == [False, False]
    assert clear["passes"].tolist() == [True, True]


TANGENT = NEEDED * np.tan(np.radians(15.0) / 2)  # m; of a bend of 15 deg


@pytest.mark.parametrize(("apart", "together"), [(1.999, True), (2.001, False)])
def test_bends_whose_tangents_overlap_turn_the_carrier_by_their_sum(
    apart: float, together: bool
) -> None:
    found = _judged((50.0, 15.0), (50.0 + apart * TANGENT, 15.0))
    one, other = found["passing_radius"]
    assert one == other
    assert found["passes"].tolist() == [not together] * 2
    if together:
        assert one == pytest.approx(_passing(30.0))
    else:  # each turns half of what it can between them, and the rest on its other side
        turned = np.arccos(1 - CLEARANCE / one) + apart * TANGENT / (2 * one)
        assert turned == pytest.approx(np.radians(15.0)) and one < _passing(15.0)


def test_tangents_begin_where_a_gathered_bend_ends() -> None:
    near = _judged((50.0, 15.0), (53.0, 15.0), first=[49.0, 51.5], last=[50.0, 54.0])
    assert not near["passes"].any()  # 1.5 m between, 1.58 m of tangents
    clear = _judged((50.0, 15.0), (51.0, 15.0), first=[49.0, 51.6], last=[50.0, 54.0])
    assert clear["passes"].all()


def test_three_bends_in_a_row_are_taken_together() -> None:
    at = 50.0 + np.arange(3) * TANGENT
    found = _judged(*((float(c), 6.0) for c in at))
    reach = NEEDED * np.tan(np.radians(3.0))
    assert 2 * reach < TANGENT  # at this angle they stand clear of each other
    assert found["passes"].all()
    assert found["passing_radius"].min() > NEEDED and found["passing_radius"].max() < _passing(6.0)
    close = _judged(*((50.0 + 1.9 * reach * k, 6.0) for k in range(3)))
    assert close["passing_radius"].tolist() == pytest.approx([_passing(18.0)] * 3)


def test_a_bend_that_cannot_be_passed_takes_no_neighbour_with_it() -> None:
    found = _judged((50.0, 45.0), (50.5, 15.0))
    assert found["passes"].tolist() == [False, True]
    assert found["passing_radius"].tolist() == pytest.approx([_passing(45.0), _passing(15.0)])


def test_a_curve_far_from_an_elbow_is_judged_by_itself() -> None:
    kinds, axis = ["fitting", "curve"], [0.0, 80.0]
    found = _judged((50.0, 15.0), (90.0, 15.0), kind=kinds, axis_radius=axis, last=[50.0, 110.0])
    assert found["passes"].all()
    passing = [_passing(15.0), _passing(15.0, 80.0)]
    assert found["passing_radius"].tolist() == pytest.approx(passing)


@pytest.mark.parametrize("sense", ["left", ""])
@pytest.mark.parametrize("ahead", [True, False])
def test_an_elbow_close_to_a_curve_of_its_sense_bends_the_carrier_tighter(
    sense: str, ahead: bool
) -> None:
    # a curve of 11 m and 40 deg, and 0.3 m on an elbow of 15 deg, in 0.1027 m of room: the widest
    # path of all, found by linear programming, is 8.23 m
    columns = {"kind": ["curve", "fitting"], "axis_radius": [11.0, 0.0], "sense": ["left", sense]}
    long = 11.0 * np.radians(40.0)
    first, last = [50.0, 50.3 + long], [50.0 + long, 50.3 + long]
    angles = [40.0, 15.0]
    if not ahead:
        first, last = [100.0 - x for x in last[::-1]], [100.0 - x for x in first[::-1]]
        columns = {name: told[::-1] for name, told in columns.items()}
        angles = angles[::-1]
    bends = zip(first, angles, strict=True)
    found = _judged(*bends, first=first, last=last, clearance=0.1027, **columns)
    assert found["passing_radius"].tolist() == pytest.approx([8.23] * 2, rel=0.01)


@pytest.mark.parametrize(("angle", "apart", "widest"), [(9.2, 13.6, 68.4), (8.5, 12.6, 77.0)])
def test_elbows_to_either_side_close_together_bend_the_carrier_tighter(
    angle: float, apart: float, widest: float
) -> None:
    # the widest path of all, found by linear programming; needed are 83.82 m
    bends = (50.0, angle), (50.0 + apart, angle)
    told = {"clearance": 0.2748, "needed": 83.82 / 2}
    found = _judged(*bends, sense=["left", "right"], **told)
    assert widest * 0.95 < found["passing_radius"].iloc[0] <= widest * 1.005
    assert found["passing_radius"].nunique() == 1
    unknown = _judged(*bends, sense=["left", ""], **told)
    assert unknown["passing_radius"].tolist() == found["passing_radius"].tolist()
    assert not _judged(*bends, sense=["right", "left"], **(told | {"needed": 83.82}))[
        "passes"
    ].any()


@pytest.mark.parametrize(("senses", "passes"), [("left left", True), ("left right", False)])
def test_arcs_round_a_curve_and_the_one_behind_it_leave_each_other_room(
    senses: str, passes: bool
) -> None:
    # of arcs of 72 m by the outer walls (72 - 60.05) tan 6 deg = 1.26 m each lie in the straight;
    # 34 mm off them they fit as well, and from one to the other 2 sqrt(0.032 x 72) = 3.0 m more
    along = 60.0 * np.radians(12.0)
    first, told = [50.0, 54.0 + along], {"kind": "curve", "axis_radius": 60.0, "needed": 72.0}
    bends = zip(first, [12.0, 12.0], strict=True)
    last = [start + along for start in first]
    found = _judged(*bends, first=first, last=last, sense=senses.split(), **told)
    assert found["passes"].tolist() == [passes] * 2
    far = [50.0, 55.7 + along]
    bends, last = zip(far, [12.0, 12.0], strict=True), [start + along for start in far]
    assert _judged(*bends, first=far, last=last, sense=senses.split(), **told)["passes"].all()


def test_a_curve_drawn_as_three_is_passed_as_one() -> None:
    long = 60.0 * np.radians(10.0)
    first = [50.0 + (long + 0.1) * k for k in range(3)]
    columns = {"kind": "curve", "axis_radius": [60.0, 60.0, 61.0], "sense": "right"}
    columns |= {"first": first, "last": [start + long for start in first], "needed": 61.0}
    bends = zip(first, [10.0] * 3, strict=True)
    found = _judged(*bends, **columns)
    assert found["passing_radius"].tolist() == pytest.approx([_passing(30.0, 60.0)] * 3)
    assert found["passes"].all()
    alone = _judged(*zip(first, [10.0] * 3, strict=True), **(columns | {"needed": 64.0}))
    assert _passing(10.0, 60.0) > 64.0 and not alone["passes"].any()


def test_bends_of_two_runs_are_not_taken_together() -> None:
    assert _judged((50.0, 15.0), (50.5, 15.0), run=[0, 1])["passes"].all()


def test_a_carrier_that_does_not_enter_passes_no_bend() -> None:
    table = _judged((50.0, 5.0)).drop(columns=["passing_radius", "needed_radius", "passes"])
    found = judge_bends(table, clearance=np.array([-0.01]), needed=np.array([NEEDED]))
    assert found["passes"].tolist() == [False]


def test_a_carrier_that_just_enters_goes_along_curves_alone() -> None:
    columns = {"kind": "curve", "axis_radius": 60.0, "first": [50.0, 70.0], "last": [60.0, 80.0]}
    found = _judged((50.0, 12.0), (70.0, 12.0), clearance=0.0, needed=60.0, **columns)
    assert found["passes"].all()
    assert not _judged((50.0, 12.0), (70.0, 12.0), clearance=0.0, needed=60.1, **columns)[
        "passes"
    ].any()


def test_no_bends_are_judged_without_complaint() -> None:
    table = _judged((50.0, 5.0)).iloc[:0]
    assert judge_bends(table, clearance=np.zeros(0), needed=np.zeros(0)).empty
