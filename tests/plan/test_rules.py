"""The rules of `conftest` find the faults they are there for: each is shown one."""

from __future__ import annotations

import copy
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely

UNLEVELLED = np.array([1.0, 1.0, np.nan])
A_LITTLE_EAST = np.array([0.01, 0.0, 0.0])


def without(plan: Any, layer: str, row: int) -> None:
    frame = plan.layers[layer]
    plan.layers[layer] = frame.drop(index=frame.index[row]).reset_index(drop=True)


def changed(plan: Any, layer: str, column: str, row: int, value: Any) -> None:
    frame = plan.layers[layer].copy()
    old = frame.at[frame.index[row], column]
    frame.at[frame.index[row], column] = value(old) if callable(value) else value
    plan.layers[layer] = frame


def sharp(plan: Any) -> int:
    return int((~plan.bends["passes"].astype(bool)).to_numpy().argmax())


def flat(line: Any) -> Any:
    return shapely.transform(line, lambda xyz: xyz * UNLEVELLED, include_z=True)


def moved(line: Any) -> Any:
    return shapely.transform(line, lambda xyz: xyz + A_LITTLE_EAST, include_z=True)


FAULTS: dict[str, Callable[[Any], None]] = {
    "in_one_pull_or_pit": lambda p: changed(p, "pits", "after_m", 1, lambda v: v + 0.001),
    "sharp_bends_in_pits": lambda p: changed(p, "bends", "span_m", sharp(p), 40.0),
    "bends_judged_by_radius": lambda p: changed(p, "bends", "passes", sharp(p), True),
    "pulls_within_limits": lambda p: changed(p, "pulls", "allowable_kn", 2, 1.0),
    "pulls_as_long_as_drawn": lambda p: changed(p, "pulls", "length_m", 0, lambda v: v + 0.01),
    "pulls_on_their_run": lambda p: changed(p, "pulls", "geometry", 0, moved),
    "levels_known": lambda p: changed(p, "pulls", "geometry", 0, flat),
    "roles_fit": lambda p: changed(p, "pulls", "direction", 0, "ahead"),
    "no_idle_insertion": lambda p: changed(p, "pits", "role", 0, "insertion_ahead"),
    "layers_agree": lambda p: without(p, "pulls", 0),
    "runs_without_plan_say_why": lambda p: changed(p, "runs", "status", 0, "no_plan"),
    "pits_where_they_may_be": lambda p: changed(p, "pits", "cost", 0, lambda v: v + 1),
    "quantities_add_up": lambda p: changed(p, "quantities", "cost", 0, lambda v: v + 1),
    "footprints_hold_their_pit": lambda p: changed(p, "pit_footprints", "area_m2", 0, 1.0),
}


def test_each_rule_finds_its_fault(rule: Callable[[Any], None], sample_plan: Any) -> None:
    plan = copy.copy(sample_plan)
    plan.__dict__ = {"path": plan.path, "layers": dict(plan.layers)}  # nothing cached
    FAULTS[rule.__name__](plan)
    with pytest.raises((AssertionError, KeyError)):
        rule(plan)
