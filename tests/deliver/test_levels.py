"""Levels filled in where none is known: always numbers, and never told as known."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geotools.deliver.levels import filled_levels, known_from, with_known_levels

NAN = np.nan


@pytest.mark.parametrize(
    ("level", "due", "source"),
    [
        ([1.0, 2.0, 5.0, 9.0], [1.0, 2.0, 5.0, 9.0], "known"),
        ([1.0, NAN, NAN, 9.0], [1.0, 2.0, 5.0, 9.0], "filled"),
        ([NAN, 2.0, NAN, 3.0], [2.0, 2.0, 2.0 + 3 / 7, 3.0], "filled"),
        ([NAN, NAN, 5.0, NAN], [5.0, 5.0, 5.0, 5.0], "filled"),
        ([NAN, NAN, NAN, NAN], [0.0, 0.0, 0.0, 0.0], "none"),
    ],
)
@pytest.mark.parametrize("beside", [NAN, 77.0])
def test_a_gap_is_filled_from_its_own_line_alone(
    level: list[float], due: list[float], source: str, beside: float
) -> None:
    at = np.array([0.0, 1.0, 4.0, 8.0])
    line = np.repeat(np.arange(3), 4)
    z = np.array([*[beside] * 4, *level, *[beside] * 4])
    found = filled_levels(line, np.tile(at, 3), z)
    assert found[4:8] == pytest.approx(due)
    assert np.isfinite(found).all()
    assert known_from(line, z, 3)[1] == source


def test_lines_keep_their_places_and_lines_whose_levels_are_known_stay_as_they_are() -> None:
    lines = np.array(
        [
            shapely.LineString([(0, 0, 3.0), (1, 1, 4.0)]),
            None,
            shapely.LineString([(5, 5), (6, 6)]),
            shapely.LineString([(0, 0, 3.0), (0, 2, NAN), (0, 4, 7.0)]),
        ]
    )
    made = with_known_levels(lines)
    assert made[0] is lines[0] and made[1] is None
    assert [list(line.coords) for line in made[2:]] == [
        [(5.0, 5.0, 0.0), (6.0, 6.0, 0.0)],
        [(0.0, 0.0, 3.0), (0.0, 2.0, 5.0), (0.0, 4.0, 7.0)],
    ]
