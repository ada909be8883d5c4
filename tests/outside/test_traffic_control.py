"""Lane closures against the tables of the Manual on Uniform Traffic Control Devices.

MUTCD, 11th edition (December 2023), Part 6, tables 6B-2 to 6B-4, public transcription; the same
values stood in the 2009 edition as tables 6C-2 to 6C-4. Metric rows: 2003 edition, from memory.
"""

from __future__ import annotations

import pytest

from geotools.street.tapers import (
    DOWNSTREAM_TAPER_M,
    buffer_length_m,
    merging_taper_m,
)

FOOT, MPH, KMH = 0.3048, 0.44704, 1 / 3.6
LANE = 12 * FOOT

# mph, merging taper for a 12 ft lane, stopping sight distance; ft, as printed.
PRINTED = [
    (20, 80, 115),
    (25, 125, 155),
    (30, 180, 200),
    (35, 245, 250),
    (40, 320, 305),
    (45, 540, 360),
    (50, 600, 425),
    (55, 660, 495),
    (60, 720, 570),
    (65, 780, 645),
    (70, 840, 730),
    (75, 900, 820),
]


@pytest.mark.parametrize(("mph", "merging", "sight"), PRINTED)
def test_tapers_and_buffers_are_those_of_the_tables(mph: int, merging: float, sight: float) -> None:
    speed = mph * MPH
    assert merging_taper_m(LANE, speed) / FOOT == pytest.approx(merging, rel=1e-9)
    assert buffer_length_m(speed) / FOOT == pytest.approx(sight, rel=1e-9)


@pytest.mark.parametrize(("mph", "merging", "sight"), PRINTED)
def test_the_sight_distances_are_those_of_the_stopping_formula(
    mph: int, merging: float, sight: float
) -> None:
    """1.47 V t + 1.075 V^2 / a, t 2.5 s, a 11.2 ft/s2, rounded up to 5 ft (a state manual)."""
    exact = 1.47 * mph * 2.5 + 1.075 * mph**2 / 11.2
    assert sight - 5 < exact <= sight + 1e-9
    assert buffer_length_m(mph * MPH) / FOOT == pytest.approx(sight)


@pytest.mark.parametrize("mph", [41, 42.5, 44, 45])
def test_between_40_and_45_mph_the_higher_rule_is_taken(mph: float) -> None:
    """The table leaves the band open: rounded up to 45, the safe side."""
    assert merging_taper_m(LANE, mph * MPH) / FOOT == pytest.approx(540, rel=1e-9)


def test_a_speed_between_two_rows_takes_the_higher_row() -> None:
    assert buffer_length_m(31 * MPH) / FOOT == pytest.approx(250)
    assert buffer_length_m(10 * MPH) / FOOT == pytest.approx(115)


@pytest.mark.parametrize(
    ("kmh", "worked"),
    # worked by hand, W 3.6 m: W S^2/155 and W S/1.6 of the 2003 edition, from memory
    [(60, 83.6), (80, 180.0)],
)
def test_the_metric_formulas_agree_to_their_rounding(kmh: float, worked: float) -> None:
    # The metric constants are rounded (155 for 155.4, 1.6 for 1.609): within 1 %.
    assert merging_taper_m(3.6, kmh * KMH) == pytest.approx(worked, rel=0.01)


def test_the_downstream_taper_is_the_least_of_the_table() -> None:
    """50 to 100 ft a lane."""
    assert pytest.approx(50.0) == DOWNSTREAM_TAPER_M / FOOT


@pytest.mark.parametrize("width", [-1.0, 201.0, float("nan")])
def test_a_width_out_of_range_is_refused(width: float) -> None:
    with pytest.raises(ValueError, match=r"width_m = .* valid range: from 0 to 200 m"):
        merging_taper_m(width, 15.0)


@pytest.mark.parametrize("speed", [-0.1, 41.0, float("inf")])
def test_a_speed_out_of_range_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match=r"speed_m_per_s = .* valid range: from 0 to 40 m/s"):
        buffer_length_m(speed)


@pytest.mark.parametrize(("mph", "feet"), [(76, 910), (80, 910), (85, 1010)])
def test_above_the_table_the_buffer_goes_on_by_the_formula(mph: float, feet: float) -> None:
    """80 mph: 910 ft, as in the design guide the formula is from (from memory)."""
    assert buffer_length_m(mph * MPH) / FOOT == pytest.approx(feet)
