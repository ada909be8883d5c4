"""Ports of grout midway, counted by hand on pulls that sag and crest."""

from __future__ import annotations

import numpy as np
import pytest

from geotools import accel
from geotools.network.ragged import offsets_of
from geotools.pulls.ports import ports_midway

NAN = float("nan")
BORE = 0.6
# Levels along a pull, its stages, and the ports they take: the stretches that are grouted apart,
# less those whose top is in a pit.
PULLS = {
    "a slope in three stages": ([0.0, 1.0, 9.0], 3, 2),
    "down the same slope": ([9.0, 1.0, 0.0], 3, 2),
    "a valley, whose two limbs part above the first": ([9.0, 0.0, 9.0], 3, 5 - 2),
    "a valley of uneven limbs": ([9.0, 0.0, 4.0], 3, 4 - 2),
    "a crest, which has a port of its own": ([0.0, 9.0, 0.0], 3, 5),
    "a crest just short of the pit is as high as it": ([0.0, 9.0, 8.7], 3, 2),
    "a shoulder below the crest is no top": ([0.0, 9.0, 7.0], 3, 3),
    "two valleys with a saddle in the stage between": ([9.0, 0.0, 4.5, 0.0, 9.0], 3, 7 - 2),
    "a saddle that ends where the stage does": ([9.0, 0.0, 3.0, 0.0, 9.0], 3, 5 - 2),
    "waves no higher than the bore part nothing": ([0.0, 3.2, 2.7, 3.3, 2.8, 9.0], 3, 2),
    "at once": ([9.0, 0.0, 9.0], 1, 0),
    "never": ([9.0, 0.0, 9.0], 0, 0),
    "not known": ([NAN, NAN], NAN, NAN),
    "less than its bore in all": ([0.0, 0.5, 0.2], 2, 1),
}


def _counted(names: list[str]) -> list[float]:
    levels, stages, _ = zip(*(PULLS[name] for name in names), strict=True)
    offsets = offsets_of(np.array([len(level) for level in levels]))
    asked = np.array(stages, dtype=float), np.full(len(names), BORE)
    return ports_midway(np.concatenate(levels), offsets, *asked).tolist()


@pytest.mark.parametrize("name", PULLS)
def test_every_stretch_grouted_apart_has_a_port_at_its_top_or_a_pit(name: str) -> None:
    np.testing.assert_array_equal(_counted([name]), [PULLS[name][2]])


def test_pulls_are_counted_each_by_itself_whether_compiled_or_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    due = [ports for *_, ports in PULLS.values()]
    np.testing.assert_array_equal(_counted(list(PULLS)), due)
    monkeypatch.setattr(accel, "worth_compiling", lambda *_: True)
    np.testing.assert_array_equal(_counted(list(PULLS)), due)
