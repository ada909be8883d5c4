"""Marks of pulls: the same for the same pull, another for any other."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from geotools.deliver.joints.schedule import joint_schedule
from geotools.deliver.read_plan import read_plan

PlanWriter = Callable[..., Path]
PULL = {"pull_id": "A", "start": 10.0, "end": 110.0, "length": 100.0, "direction": "ahead"}
OTHER = {"pull_id": "B", "start": 120.0, "end": 220.0, "length": 100.0, "direction": "ahead"}
STRINGS = [{"string_id": "A1", "pull_id": "A", "number": 1, "length": 100.0}]


def mark(write: PlanWriter, pull: Any = PULL, *, tail: float | None = None, **plan: Any) -> str:
    plan = {"strings": None, **plan}
    file = read_plan(write([OTHER, pull], **plan))
    marks = joint_schedule(file, tail=tail).joints.groupby("pull_id")["pull_mark"].unique()
    assert all(len(of_pull) == 1 for of_pull in marks)
    return str(marks["A"][0])


def test_the_same_pull_has_the_same_mark_in_any_units(write_plan: PlanWriter) -> None:
    first = mark(write_plan)
    assert re.fullmatch("[B-DF-HJ-NP-TV-XZ]{5}", first)  # no vowel, so no word; no number
    assert mark(write_plan) == first
    assert mark(write_plan, units="us") == first
    assert mark(write_plan, strings=STRINGS) == first
    near = {"start": 10.0 + 1e-9, "end": 110.0 - 1e-9}  # another machine, another last digit
    assert mark(write_plan, PULL | near) == first
    assert mark(write_plan, settings={"pulls.piece_length": "12.192 m"}) == first  # 40 ft


@pytest.mark.parametrize(
    ("pull", "plan"),
    [
        ({"start": 10.001}, {}),
        ({"end": 110.002}, {}),
        ({"direction": "behind"}, {}),
        ({}, {"settings": {"pulls.piece_length": "45 ft"}}),
        ({}, {"settings": {"pulls.piece_length": "40.01 ft"}}),  # as many joints
        ({}, {"carrier": "20 in DIPS DR 11 PE4710"}),
        ({}, {"leave": {"A": 2.0}}),
        ({}, {"tail": 1.0}),
        ({}, {"strings": [STRINGS[0] | {"string_id": f"A{k}", "number": k, "length": 50.0}
                          for k in (1, 2)]}),
    ],
    ids=[
        "start", "end", "direction", "pieces", "lengths of pieces", "carrier", "leave", "tail",
        "strings",
    ],
)  # fmt: skip
def test_a_pull_laid_out_otherwise_has_another_mark(
    write_plan: PlanWriter, pull: dict[str, Any], plan: dict[str, Any]
) -> None:
    assert mark(write_plan, PULL | pull, **plan) != mark(write_plan)


def test_pulls_alike_in_all_but_their_place_have_marks_of_their_own(
    write_plan: PlanWriter,
) -> None:
    joints = joint_schedule(read_plan(write_plan([PULL, OTHER]))).joints
    assert joints["pull_mark"].nunique() == 2
