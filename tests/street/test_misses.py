"""Streets that stop short of each other: what is told, and what is left alone."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.street.misses import report_misses
from geotools.street.net import build_streets

Line = list[tuple[float, float]]
MILL: Line = [(-200, 0), (200, 0)]
RULE = "street-not-joined"


def _told(*lines: Line, width: float = 7.0) -> pd.DataFrame:
    """Return the findings on streets of a width, by a tolerance of 0.5 m."""
    said = {"class": "local", "lanes": 2.0, "width": width, "speed": 14.0, "name": ""}
    table = pd.DataFrame({**said, "feature": [f"S{k}" for k in range(len(lines))]})
    xy = np.concatenate([np.array(line, dtype=float) for line in lines])
    streets = Lines(table, xy, np.cumsum([0, *map(len, lines)]))
    net = build_streets(streets, Street(), tolerance=0.5, accuracy=0.5)
    findings = Findings()
    report_misses(net, streets, tolerance=0.5, findings=findings)
    return findings.table()


@pytest.mark.parametrize(("gap", "slip"), [(1.0, True), (3.5, False), (4.4, False)])
@pytest.mark.parametrize("turned", [False, True])
def test_an_end_that_stops_short_of_a_street_by_no_more_than_its_kerb_is_told(
    gap: float, slip: bool, turned: bool
) -> None:
    side: Line = [(40, -150), (0, -gap)]
    told = _told(MILL, side[::-1] if turned else side)
    assert told["rule"].tolist() == [RULE] and told["feature"].tolist() == ["S1"]
    assert told["geometry"].iloc[0].equals(shapely.Point(0, -gap))
    (text,) = told["text"]
    assert f"the end of street S1 stops {gap:.2f} m short of street S0" in text
    assert "cul-de-sac" in text and ("network.snap_tolerance" in text) == slip


@pytest.mark.parametrize(
    "line",
    [
        [(0, -150), (0, -4.6)],  # farther off than the kerb and a metre
        [(0, -150), (0, -0.4)],  # joined
        [(0, -150), (0, 0)],
        [(-150, -60), (-100, -3), (0, -3)],  # runs alongside
        [(0, -150), (0, -20), (100, -4)],  # a cul-de-sac that passes
        [(206, 0), (400, 0)],  # two culs-de-sac with ground between
    ],
)
def test_ends_that_meet_or_point_elsewhere_or_stop_farther_off_are_not_told(line: Line) -> None:
    told = _told(MILL, line)
    assert told.empty or (line[0] == (203, 0) and told["feature"].tolist() == ["S0"])


def test_of_a_wide_street_an_end_at_its_kerb_is_told_and_two_ends_that_face_are_told_once() -> None:
    assert _told(MILL, [(0, -150), (0, -8.0)]).empty
    assert _told(MILL, [(0, -150), (0, -8.0)], width=14.0)["rule"].tolist() == [RULE]
    told = _told(MILL, [(200.6, 0.3), (400, 0)])
    assert told["rule"].tolist() == [RULE]
    assert "the ends of streets S0 and S1 lie 0.67 m apart" in told["text"].iloc[0]


def test_a_street_that_stops_short_of_itself_is_told_and_its_last_bend_is_not() -> None:
    loop: Line = [(0, 0), (0, 100), (60, 100), (60, 50), (2, 50)]
    assert "street S0 stops 2.00 m short of street S0" in _told(loop)["text"].iloc[0]
    assert _told([(0, 0), (0, 100), (3, 100), (3, 97)]).empty


def test_many_gaps_are_one_finding_with_their_count_and_the_first_of_them() -> None:
    pieces: list[Line] = [[(100.0 * k + 0.3, 0), (100.0 * k + 99.7, 0)] for k in range(12)]
    assert len(_told(*pieces[:11])) == 10
    (text,) = (told := _told(*pieces))["text"]
    assert "in 11 places" in text and "streets S0 and S1 lie 0.60 m apart" in text
    assert "and 6 more" in text and "network.snap_tolerance" in text
    assert len(told["geometry"].iloc[0].geoms) == 11
