from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.ground.profile import SOURCES, add_profile
from geotools.intake.findings import Findings

NAN = float("nan")


def mains(*rows):
    """Return mains from (diameter, cover, invert_start, invert_end), named M0, M1, ..."""
    table = pd.DataFrame(rows, columns=["diameter", "cover", "invert_start", "invert_end"])
    return table.assign(feature=[f"M{i}" for i in range(len(rows))])


def stations(*rows):
    """Return stations from (run, chainage, main, share, ground), on a line going east."""
    table = pd.DataFrame(rows, columns=["run", "chainage", "main", "main_share", "ground_z"])
    ends = table.groupby(["run", "main"])[["main_share", "chainage"]]
    first, last = (ends.transform(which) for which in ("first", "last"))
    size = (last["chainage"] - first["chainage"]).where(lambda size: size > 0)
    rate = ((last["main_share"] - first["main_share"]) / size).fillna(0.0)
    table = table.assign(main_rate=rate)
    return table.assign(x=table["chainage"] + 1000.0, y=table["run"] * 100.0, kind="step")


def profile(rows, table, *, cover=1.2, dem=True):
    findings = Findings()
    got = add_profile(rows, table, assumed_cover=cover, dem_given=dem, findings=findings)
    return got, findings.table()


def at_joint(first, second, ground=105.0, cover=1.2):
    """Return the depth in the middle of two mains of 100 m, as (diameter, cover, inverts)."""
    rows = stations((0, 0, 0, 0, ground), (0, 100, 1, 0, ground), (0, 200, 1, 1, ground))
    joints = pd.DataFrame({"station": [1], "main": [0], "main_share": [1.0], "main_rate": [0.01]})
    table, findings = mains(first, second), Findings()
    given = {"assumed_cover": cover, "dem_given": True, "findings": findings, "joints": joints}
    return add_profile(rows, table, **given).iloc[1]


# Levels ----------------------------------------------------------------------------------


def test_inverts_run_straight_along_the_main_and_beat_the_cover():
    rows = stations((0, 0, 0, 0.0, 103), (0, 25, 0, 0.25, 104), (0, 100, 0, 1.0, 105))
    got, findings = profile(rows, mains((0.5, 9.0, 100.0, 102.0)))
    np.testing.assert_allclose(got["axis_z"], [100.25, 100.75, 102.25])
    np.testing.assert_allclose(got["depth"], [3, 3.5, 3])
    np.testing.assert_allclose(got["cover"], [2.5, 3.0, 2.5])  # crown half a diameter above axis
    np.testing.assert_allclose(got["grade"], 0.02)
    assert set(got["depth_source"]) == {"invert"}
    assert list(findings["rule"]) == ["cover-differs"]


def test_a_cover_on_record_hangs_the_main_below_the_ground():
    rows = stations((0, 0, 0, 0.0, 50), (0, 10, 0, 1.0, 51))
    got, findings = profile(rows, mains((0.6, 2.0, NAN, NAN)))
    np.testing.assert_allclose(got["axis_z"], [47.7, 48.7])
    np.testing.assert_allclose(got["depth"], 2.6)
    np.testing.assert_allclose(got["cover"], 2.0)
    np.testing.assert_allclose(got["grade"], 0.1)
    assert set(got["depth_source"]) == {"cover"}
    assert findings.empty


def test_an_assumed_cover_is_reported_once_a_run_with_its_stretches():
    """Two mains and then a third are without record; between them lies one with cover."""
    main = [0, 0, 0, 1, 1, 2, 2, 2, 3, 3, 3]
    rows = stations(*[(0, 10 * i, m, 0, 50) for i, m in enumerate(main)], (1, 0, 4, 0, 50))
    bare, known = (0.6, NAN, NAN, NAN), (0.6, 1.0, NAN, NAN)
    got, findings = profile(rows, mains(bare, bare, known, bare, bare), cover=1.5)
    assert list(got["depth_source"]) == [*["assumed"] * 5, *["cover"] * 3, *["assumed"] * 4]
    np.testing.assert_allclose(got["depth"][:5], 2.1)
    found = findings[findings["rule"] == "assumed-cover"]
    assert list(found["severity"]) == ["info", "info"]
    assert list(found["feature"]) == ["run 0", "run 1"]
    # stations from 0 to 40 m and from 80 to 100 m, and half the step to the stations beside them
    assert "on record for 3 mains, about 70 m of the run;" in found["text"].iloc[0]
    assert "on record for 1 main, about" in found["text"].iloc[1]
    assert "1.50 m" in found["text"].iloc[0]
    parts = shapely.get_parts(found["geometry"].iloc[0])
    assert [p.bounds[::2] for p in parts] == [(1000.0, 1040.0), (1080.0, 1100.0)]
    assert found["geometry"].iloc[1].equals(shapely.Point(1000, 100))


def test_lengths_in_findings_are_in_the_units_of_the_output():
    rows = stations((0, 0, 0, 0, 50), (0, 10, 0, 1, 50))
    findings = Findings("us")
    add_profile(
        rows, mains((0.6, NAN, NAN, NAN)), assumed_cover=1.5, dem_given=True, findings=findings
    )
    (text,) = findings.table()["text"]
    assert "about 33 ft of the run" in text and "a cover of 4.92 ft" in text


def test_one_invert_alone_is_not_used_and_reported():
    rows = stations((0, 0, 0, 0, 50), (0, 10, 0, 1, 50), (1, 0, 1, 0, 50))
    table = mains((0.6, 2.0, 40.0, NAN), (0.6, NAN, NAN, 41.0))
    got, findings = profile(rows, table)
    assert list(got["depth_source"]) == ["cover", "cover", "assumed"]
    lone = findings[findings["rule"] == "one-invert"]
    assert list(lone["feature"]) == ["M0", "M1"]
    assert "invert_end is missing" in lone["text"].iloc[0]
    assert "cover on record" in lone["text"].iloc[0]
    assert "invert_start is missing" in lone["text"].iloc[1]
    assert "assumed cover" in lone["text"].iloc[1]


def test_mains_without_stations_are_not_reported():
    _, findings = profile(stations((0, 0, 0, 0, 50)), mains((0.6, 2, NAN, NAN), (1, NAN, 3, NAN)))
    assert findings.empty


def test_without_ground_cover_gives_depth_and_inverts_give_the_axis():
    rows = stations((0, 0, 0, 0, NAN), (0, 10, 0, 1, NAN), (1, 0, 1, 0, NAN), (1, 10, 1, 1, NAN))
    got, _ = profile(rows, mains((0.5, 2.0, NAN, NAN), (0.5, NAN, 10.0, 11.0)))
    np.testing.assert_allclose(got["axis_z"], [NAN, NAN, 10.25, 11.25])
    np.testing.assert_allclose(got["depth"], [2.5, 2.5, 1.7, 1.7])
    assert list(got["depth_source"]) == ["cover", "cover", "assumed", "assumed"]
    np.testing.assert_allclose(got["cover"], [2.0, 2.0, 1.2, 1.2])
    np.testing.assert_allclose(got["grade"], [0, 0, 0.1, 0.1])


# Grade -----------------------------------------------------------------------------------


def by_cover(*ground_at, run=0):
    return [(run, s, 0, 0.5, z) for s, z in ground_at]


FLAT_MAIN = mains((0.5, 2.0, NAN, NAN))


def test_grade_is_of_the_segment_after_and_the_last_takes_the_one_before():
    rows = stations(*by_cover((0, 0), (10, 1), (30, 0)), *by_cover((0, 5), (10, 4), run=1))
    got, _ = profile(rows, FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0.1, -0.05, -0.05, -0.1, -0.1])


def test_runs_do_not_lend_each_other_grades():
    rows = stations(
        *by_cover((0, 0)), *by_cover((0, 100), (10, 101), run=1), *by_cover((5, 0), run=2)
    )
    got, _ = profile(rows, FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0, 0.1, 0.1, 0])


def test_two_stations_at_one_place_take_the_mean_grade_beside_them():
    rows = stations(*by_cover((0, 0), (0, 0), (10, 1), (10, 1), (20, 3), (20, 3)))
    got, _ = profile(rows, FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0.1, 0.1, 0.15, 0.2, 0.2, 0.2])


@pytest.mark.parametrize("gap", [0.0, 0.015, 0.99])
def test_a_step_of_the_records_at_a_joint_is_no_grade(gap):
    rows = stations(
        (0, 0, 0, 0, 10), (0, 10, 0, 1, 10), (0, 10 + gap, 1, 0, 10), (0, 20 + gap, 1, 1, 10)
    )
    got, findings = profile(rows, mains((0.5, 2.0, NAN, NAN), (0.5, 2.3, NAN, NAN)))
    np.testing.assert_allclose(got["grade"], 0)
    assert findings.empty


def test_a_step_at_one_place_gives_no_infinite_grade():
    rows = stations((0, 0, 0, 0, 10), (0, 10, 0, 1, 10), (0, 10, 1, 0, 10), (0, 20, 1, 1, 10))
    got, _ = profile(rows, mains((0.5, 2.0, NAN, NAN), (0.5, 4.0, NAN, NAN)))
    np.testing.assert_allclose(got["grade"], 0)


def test_a_run_all_at_one_place_is_level():
    got, _ = profile(stations(*by_cover((3, 1), (3, 1))), FLAT_MAIN)
    np.testing.assert_array_equal(got["grade"], [0, 0])


def test_an_axis_unknown_to_the_end_of_a_run_or_all_along_counts_as_level():
    got, _ = profile(stations(*by_cover((0, NAN), (10, NAN), (20, 2), (30, 3))), FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0, 0, 0.1, 0.1])
    got, _ = profile(stations(*by_cover((0, NAN), (10, NAN))), FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0, 0])


@st.composite
def runs(draw):
    """One run over up to three mains, some by inverts, some by cover, some by assumption."""
    number = st.floats(-20, 20)
    count = draw(st.integers(1, 3))
    rows, table, start = [], [], 0.0
    for main in range(count):
        cover = draw(st.one_of(st.just(NAN), st.floats(0.5, 5)))
        inverts = draw(st.one_of(st.just((NAN, NAN)), st.tuples(number, number)))
        table.append((draw(st.floats(0.2, 2)), cover, *inverts))
        length = draw(st.floats(1, 200))
        forward = draw(st.booleans())
        for share in np.linspace(0, 1, draw(st.integers(2, 6))):
            ground = draw(st.one_of(st.just(NAN), number))
            drawn = share if forward else 1 - share
            rows.append((0, start + share * length, main, drawn, ground))
        start += length
    return rows, mains(*table)


@settings(max_examples=50, deadline=None)
@given(run=runs())
def test_a_reversed_run_has_the_mirrored_profile(run):
    rows, table = run
    total = rows[-1][1]
    back = [(r, total - s, m, share, z) for r, s, m, share, z in reversed(rows)]
    ahead, findings = profile(stations(*rows), table)
    behind, found_behind = profile(stations(*back), table)
    for name in ("axis_z", "cover", "depth"):
        np.testing.assert_allclose(behind[name], ahead[name][::-1], rtol=1e-9, atol=1e-9)
    assert list(behind["depth_source"]) == list(ahead["depth_source"][::-1])
    segments = np.arange(len(rows) - 1)
    np.testing.assert_allclose(
        behind["grade"].to_numpy()[len(rows) - 2 - segments],
        -ahead["grade"].to_numpy()[segments],
        rtol=1e-6,
        atol=1e-9,
    )
    same_rules = [set(f["rule"]) - {"axis-step"} for f in (findings, found_behind)]
    assert same_rules[0] == same_rules[1]


@settings(max_examples=50, deadline=None)
@given(run=runs())
def test_axis_cover_and_depth_agree_with_each_other(run):
    rows, table = run
    got, _ = profile(stations(*rows), table)
    diameter = table["diameter"].to_numpy()[got["main"]]
    np.testing.assert_allclose(got["depth"] - got["cover"], diameter + 0 * got["depth"], atol=1e-9)
    below = got["ground_z"] - got["axis_z"]
    np.testing.assert_allclose(
        below, np.where(np.isnan(below), NAN, got["cover"] + diameter / 2), atol=1e-9
    )
    assert set(got["depth_source"]) <= set(SOURCES)
    assert np.isfinite(got["grade"]).all()


# Findings --------------------------------------------------------------------------------


def test_a_main_above_ground_is_reported_at_its_worst_station_and_kept():
    rows = stations((0, 0, 0, 0, 103), (0, 50, 0, 0.5, 100.1), (0, 100, 0, 1, 99.8))
    got, findings = profile(rows, mains((0.5, NAN, 100.0, 100.0)))
    assert list(findings["rule"]) == ["main-above-ground"]
    assert findings["geometry"][0].x == 1100
    assert "0.70 m above ground at 2 of its stations" in findings["text"][0]
    np.testing.assert_allclose(got["cover"], [2.5, -0.4, -0.7])


def test_a_main_deeper_than_any_water_main_is_reported():
    rows = stations((0, 0, 0, 0, 300), (0, 50, 0, 1, 301))
    _, findings = profile(rows, mains((0.5, NAN, 91.4, 91.4)))
    assert list(findings["rule"]) == ["main-too-deep"]
    assert "unit" in findings["text"][0]


@pytest.mark.parametrize(("recorded", "told"), [(1.5, True), (2.0, False), (NAN, False)])
def test_a_cover_far_from_that_of_the_inverts_is_reported(recorded, told):
    """Crowns of 100.6 m under ground of 103 to 104.39 m: covers of 2.4 to 3.79 m."""
    rows = stations((0, 0, 0, 0, 104), (0, 50, 0, 1, 104.39))
    rows = pd.concat([rows, stations((1, 0, 0, 0, 103), (1, 50, 0, 1, 103))], ignore_index=True)
    got, findings = profile(rows, mains((0.6, recorded, 100.0, 100.0)))
    np.testing.assert_allclose(got["cover"], [3.4, 3.79, 2.4, 2.4])
    assert list(findings["rule"]) == (["cover-differs"] if told else [])
    if told:
        assert (
            "1.50 m on record and 3.79 m by inverts and ground, 2.3 m apart" in findings["text"][0]
        )


def test_a_steep_main_is_reported():
    rows = stations((0, 0, 0, 0, 10), (0, 10, 0, 1, 16))
    _, findings = profile(rows, FLAT_MAIN)
    assert list(findings["rule"]) == ["steep-grade"]
    assert "0.60" in findings["text"][0]
    assert findings["severity"][0] == "warning"


@pytest.mark.parametrize(("second_cover", "reported"), [(2.4, False), (2.6, True)])
@pytest.mark.parametrize("gap", [0.0, 10.0])
def test_a_step_of_more_than_half_a_metre_between_covers_is_reported(second_cover, reported, gap):
    slope = 0.2  # the slope of the ground is no step
    rows = stations(
        (0, 0, 0, 0, 10),
        (0, 10, 0, 1, 10 + 10 * slope),
        (0, 10 + gap, 1, 0, 10 + (10 + gap) * slope),
        (0, 20 + gap, 1, 1, 10 + (20 + gap) * slope),
    )
    _, findings = profile(rows, mains((0.5, 2.0, NAN, NAN), (0.5, second_cover, NAN, NAN)))
    assert ("axis-step" in set(findings["rule"])) is reported
    if reported:
        assert findings["geometry"][0].x == 1010 + gap
        assert findings["feature"][0] == "M1"
        assert "drops by 0.60 m from main M0" in findings["text"][0]


@pytest.mark.parametrize(("level", "reported"), [(101.0, False), (101.4, False), (101.6, True)])
def test_a_step_between_inverts_is_taken_off_the_line_of_the_main_before(level, reported):
    rows = stations(
        (0, 0, 0, 0, 105), (0, 90, 0, 0.9, 105), (0, 100, 1, 0, 105), (0, 200, 1, 1, 105)
    )
    _, findings = profile(rows, mains((0.5, NAN, 100, 101), (0.5, NAN, level, level)))
    assert ("axis-step" in set(findings["rule"])) is reported


@pytest.mark.parametrize("against", [set(), {1}, {0, 1, 2}])
@pytest.mark.parametrize(("jump", "reported"), [(0.0, False), (0.45, False), (0.55, True)])
def test_short_mains_in_one_grade_have_no_steps_but_those_of_their_inverts(against, jump, reported):
    """Three mains of 8 m at 8 %, a station on each: inverts meet, or the last one lies higher."""
    levels = [[100.0 + 0.64 * k, 100.64 + 0.64 * k] for k in range(3)]
    levels[2] = [level + jump for level in levels[2]]
    table = [(0.5, NAN, *(pair[::-1] if k in against else pair)) for k, pair in enumerate(levels)]
    at = [3.0, 13.0, 23.0]
    share = [(x - 8 * k) / 8 for k, x in enumerate(at)]
    drawn = [1 - s if k in against else s for k, s in enumerate(share)]
    rows = [(0, at[k], k, drawn[k], 110) for k in range(3)]
    rates = [-1 / 8 if k in against else 1 / 8 for k in range(3)]
    _, findings = profile(stations(*rows).assign(main_rate=rates), mains(*table))
    told = findings[findings["rule"] == "axis-step"]
    assert list(told["feature"]) == (["M2"] if reported else [])
    assert all(f"rises by {jump:.2f} m from main M1" in text for text in told["text"])


def test_steps_between_runs_are_none():
    rows = stations((0, 0, 0, 0, 10), (1, 0, 1, 0, 90))
    _, findings = profile(rows, mains((0.5, 2.0, NAN, NAN), (0.5, 2.0, NAN, NAN)))
    assert findings.empty


@pytest.mark.parametrize(
    ("one", "other", "depth", "source"),
    [
        ((0.5, 1.2, NAN, NAN), (0.5, 2.6, NAN, NAN), 2.6 + 0.5, "cover"),
        ((0.5, 9.9, 103, 102), (0.5, 9.9, 101.5, 101), 105 - 101.5, "invert"),
        ((0.5, 1.2, NAN, NAN), (0.5, NAN, 101.5, 101), 105 - 101.5, "invert"),
        ((0.5, NAN, NAN, NAN), (0.5, 0.9, NAN, NAN), 1.2 + 0.5, "assumed"),
        ((0.5, NAN, NAN, NAN), (0.5, 1.2, NAN, NAN), 1.2 + 0.5, "cover"),
    ],
)
def test_at_a_joint_of_two_mains_the_deeper_counts_from_either_end(one, other, depth, source):
    """By hand: cover and diameter, or ground less the invert where the mains meet."""
    turned = [(*main[:2], *main[:1:-1]) for main in (one, other)]
    for first, second in ((one, other), (turned[1], turned[0])):
        got = at_joint(first, second)
        assert got["depth"] == pytest.approx(depth)
        assert got["depth_source"] == source


def test_a_missing_dem_is_reported_once():
    rows = stations(*[(run, 10.0 * i, 0, 0.5, NAN) for run in range(3) for i in range(3)])
    _, findings = profile(rows, FLAT_MAIN, dem=False)
    assert list(findings["rule"]) == ["no-dem"]
    assert findings["severity"][0] == "warning"


def test_stations_without_ground_are_reported_by_stretch():
    ground = [NAN, NAN, 5, NAN, 5, 5, NAN, NAN]
    runs_of = [0, 0, 0, 0, 0, 1, 1, 2]
    chainage = [0, 10, 20, 30, 40, 0, 10, 0]
    rows = stations(*[(r, s, 0, 0.5, z) for r, s, z in zip(runs_of, chainage, ground, strict=True)])
    _, findings = profile(rows, FLAT_MAIN)
    assert set(findings["rule"]) == {"no-ground"}
    assert list(findings["feature"]) == ["run 0", "run 0", "run 1", "run 2"]
    assert findings["text"][0].startswith("2 stations from 0.0 m to 10.0 m")
    assert findings["text"][1].startswith("1 station at 30.0 m")
    assert findings["geometry"][0].wkt == "LINESTRING (1000 0, 1010 0)"
    assert findings["geometry"][1].wkt == "POINT (1030 0)"


def test_across_a_gap_in_the_ground_the_axis_rises_as_between_its_sides():
    """By hand: 100 m level, 4 m up over a gap of 40 m, and beyond the last level no grade."""
    ground = [100, 100, NAN, NAN, NAN, 104, 104, NAN]
    rows = stations(*[(0, 10.0 * k, 0, k / 7, z) for k, z in enumerate(ground)])
    got, findings = profile(rows, FLAT_MAIN)
    np.testing.assert_allclose(got["grade"], [0, 0.1, 0.1, 0.1, 0.1, 0, 0, 0], atol=1e-12)
    assert got["axis_z"].isna().tolist() == [bool(np.isnan(z)) for z in ground]
    between, beyond = findings.loc[findings["rule"] == "no-ground", "text"]
    assert "grade and force take the axis straight between the levels known" in between
    assert "grade and force take the axis level there" in beyond


def test_where_inverts_give_the_axis_a_gap_in_the_ground_says_nothing_of_the_force():
    rows = stations((0, 0, 0, 0.0, 103), (0, 50, 0, 0.5, NAN), (0, 100, 0, 1.0, 105))
    got, findings = profile(rows, mains((0.5, 1.2, 100.0, 102.0)))
    np.testing.assert_allclose(got["grade"], 0.02)
    (text,) = findings.loc[findings["rule"] == "no-ground", "text"]
    assert "force" not in text


def test_no_stations_are_no_fault():
    got, findings = profile(stations((0, 0, 0, 0, 1)).iloc[:0], FLAT_MAIN)
    assert len(got) == 0
    assert {"axis_z", "cover", "depth", "depth_source", "grade"} <= set(got.columns)
    assert findings.empty


def test_stations_given_are_not_changed():
    rows = stations((0, 0, 0, 0, 1))
    before = rows.copy()
    profile(rows, FLAT_MAIN)
    pd.testing.assert_frame_equal(rows, before)


# The unit of the ground ------------------------------------------------------------------

LAID = mains((0.5, NAN, 60.0, 62.0))  # inverts; true ground lies 3 m above them


def doubts(*ground):
    """Return the findings on the unit with these levels at the ends and the middle of a main."""
    rows = stations(*[(0, 50 * i, 0, i / 2, z) for i, z in enumerate(ground)])
    got, findings = profile(rows, LAID)
    np.testing.assert_array_equal(got["ground_z"], ground)  # nothing is changed
    return findings[findings["rule"] == "dem-unit-doubtful"]


@pytest.mark.parametrize(
    ("factor", "mistake"),
    [(1 / 0.3048, "feet taken for metres"), (0.3048, "metres taken for feet")],
)
def test_levels_that_fit_the_inverts_in_another_unit_are_doubted(factor, mistake):
    ground = np.array([63.0, 64.0, 65.5]) * factor
    (row,) = doubts(*ground).itertuples()
    assert (row.severity, row.layer) == ("warning", "dem")
    assert f"if these are {mistake}, 3.0 m (3.0 m to 3.5 m)" in row.text
    depth = ground - [60, 61, 62]
    assert f"{depth[1]:.1f} m ({depth.min():.1f} m to {depth.max():.1f} m) below ground" in row.text
    assert "ground.vertical_unit" in row.text
    assert row.geometry.bounds == (1000.0, 0.0, 1100.0, 0.0)


@pytest.mark.parametrize(
    "ground",
    [
        (63.0, 64.0, 65.0),  # as it should be
        (95.0, 96.0, 97.0),  # too deep, but no unit explains it
        (63.0 / 0.3048, 64.0, 65.0),  # one wild level
        (NAN, NAN, NAN),
    ],
)
def test_levels_that_no_other_unit_explains_are_not_doubted(ground):
    assert doubts(*ground).empty


def test_levels_in_feet_of_low_ground_are_doubted_though_no_main_lies_absurdly_deep():
    """Ground of 8 m told as 26 (feet): 21 m over inverts of 5 m, deep, and no more than that."""
    rows = stations(*[(0, 10 * i, 0, i / 20, 8.0 / 0.3048) for i in range(21)])
    _, findings = profile(rows, mains((0.5, NAN, 5.0, 5.4)))
    (text,) = findings.loc[findings["rule"] == "dem-unit-doubtful", "text"]
    assert "if these are feet taken for metres, 2.8 m (2.6 m to 3.0 m)" in text


def test_mains_without_inverts_say_nothing_of_the_unit_of_the_ground():
    _, findings = profile(stations((0, 0, 0, 0, 210), (0, 9, 0, 1, 210)), mains((0.5, 2, NAN, NAN)))
    assert findings.empty


def test_every_run_whose_depth_is_assumed_is_told_of_inverts_or_not():
    """Inverts without a ground level above them give no depth: the cover is assumed there too."""
    rows = stations(
        *((0, 10 * k, 0, k, NAN) for k in (0, 1)), *((1, 10 * k, 1, k, NAN) for k in (0, 1))
    )
    table = mains((0.5, NAN, 10.0, 11.0), (0.5, NAN, NAN, NAN))
    got, findings = profile(rows, table)
    assert set(got["depth_source"]) == {"assumed"}
    told = findings[findings["rule"] == "assumed-cover"].set_index("feature")["text"]
    assert list(told.index) == ["run 0", "run 1"]
    assert "no ground level above the inverts" in told["run 0"] and "DEM" in told["run 0"]
    assert "no pair of inverts" in told["run 1"]


def test_in_a_hole_of_the_raster_inverts_lie_below_the_ground_filled_in():
    """Ground of 60, 63 and 60 over inverts at 57, unknown between: straight from rim to rim."""
    ground = [60.0, NAN, NAN, 63.0, NAN, 60.0]
    rows = stations(*[(0, 10.0 * i, 0, i / 5, z) for i, z in enumerate(ground)])
    got, findings = profile(rows, mains((0.4, NAN, 57.0, 57.0)), cover=1.2)
    np.testing.assert_allclose(got["depth"], [3, 4, 5, 6, 4.5, 3])
    np.testing.assert_allclose(got["cover"], got["depth"] - 0.4)
    assert got["depth_source"].astype(str).tolist() == [
        *("invert", "assumed", "assumed"),
        *("invert", "assumed", "invert"),
    ]
    np.testing.assert_array_equal(got["ground_z"], ground)  # nothing is made up in the layer
    assert findings["rule"].tolist() == ["no-ground", "no-ground"]
    assert "that of the inverts below a ground filled in along the run" in findings["text"].iloc[0]


def test_a_hole_makes_a_main_no_shallower_than_its_cover_says():
    rows = stations((0, 0, 0, 0.0, 57.5), (0, 10, 0, 0.5, NAN), (0, 20, 0, 1.0, 57.5))
    got, _ = profile(rows, mains((0.4, 2.0, 57.0, 57.0)), cover=1.2)
    np.testing.assert_allclose(got["depth"], [0.5, 2.4, 0.5])


def test_beyond_the_last_level_a_main_stays_as_deep_as_there():
    """Ground and inverts fall by 5 %, 3 m apart; the ground is known over the first 100 m alone."""
    at = np.arange(0, 401, 50.0)
    rows = stations(*[(0, x, 0, x / 400, 60 - 0.05 * x if x <= 100 else NAN) for x in at])
    got, findings = profile(rows, mains((0.4, 1.0, 57.0, 37.0)))
    np.testing.assert_allclose(got["depth"], 3.0)
    assert set(findings["rule"]) == {"no-ground"}


@pytest.mark.parametrize("wide", [20, 400])
def test_the_middle_of_a_hole_is_filled_in_however_wide_it_is(wide: int):
    ground = [60.0, *[NAN] * wide, 60.0]
    last = len(ground) - 1
    rows = stations(*[(0, 10.0 * i, 0, i / last, z) for i, z in enumerate(ground)])
    got, _ = profile(rows, mains((0.4, NAN, 55.0, 55.0)), cover=1.2)
    np.testing.assert_allclose(got["depth"], 5.0)


@pytest.mark.parametrize("names", [("A", "B"), ("B", "A")])
def test_a_joint_in_a_hole_is_as_deep_as_its_deeper_main_whatever_they_are_called(names):
    table = mains((0.4, NAN, 57.0, 57.0), (0.4, NAN, 54.0, 54.0)).assign(feature=list(names))
    ground = [60.0, NAN, NAN, NAN, 60.0]
    rows = stations(*[(0, 10.0 * i, int(i > 2), (i % 3) / 2, z) for i, z in enumerate(ground)])
    joint = pd.DataFrame({"station": [2], "main": [1], "main_share": [0.0], "main_rate": [0.05]})
    got = add_profile(
        rows, table, assumed_cover=1.2, dem_given=True, findings=Findings(), joints=joint
    )
    np.testing.assert_allclose(got["depth"], [3.0, 3.0, 6.0, 6.0, 6.0])
