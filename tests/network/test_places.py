"""Places along runs, stations and cuts, against plain loops."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools import accel
from geotools.errors import LayerError
from geotools.network.along import locate_on_runs, runs_within
from geotools.network.cutting import cut_chains, reorder
from geotools.network.measured import STEPS, Polylines, stretches_tree
from geotools.network.places import Places, points_along
from geotools.network.ragged import measures, pairs_within, row_of, take, to_linestrings
from geotools.network.runs import Chains
from geotools.network.stations import build_stations, joint_records

Chained = Callable[..., Chains]
few = settings(max_examples=60, derandomize=True, deadline=None, database=None)
lengths = partial(st.floats, allow_subnormal=False)
runs_of_places = st.lists(
    st.lists(lengths(0, 5000), max_size=6).map(sorted), min_size=1, max_size=5
)


def _places(runs: list[list[float]]) -> Places:
    offsets = np.cumsum([0, *(len(r) for r in runs)]).astype(np.int64)
    return Places.of_offsets(offsets, np.array([v for r in runs for v in r], dtype=float))


@few
@given(runs_of_places, st.data())
def test_look_ups_are_those_of_each_run_alone(runs: list[list[float]], data: st.DataObject) -> None:
    places = _places(runs)
    run = data.draw(st.integers(0, len(runs) - 1))
    rows, low = np.array(runs[run]), int(places.offsets[run])
    at = data.draw(st.one_of(lengths(-100, 5100), st.sampled_from([0.0, *rows.tolist()])))
    close = np.abs(rows - at)
    if len(rows) and 0 < close.min() < 1e-6:
        return  # micrometres are as near as a city laid end to end can be told apart
    one, where = np.array([run]), np.array([at])
    for side in ("left", "right"):
        assert places.search(one, where, side)[0] == low + np.searchsorted(rows, at, side)
    row, gap = places.nearest(one, where)
    assert gap[0] == (close.min() if len(rows) else np.inf)
    if len(rows):
        assert close[row[0] - low] == close.min()
        holding = max(int(np.searchsorted(rows, at, "right")) - 1, 0)
        assert places.holding(one, where)[0] == low + holding


@few
@given(runs_of_places, st.data())
def test_values_between_rows_are_linear_and_level_beyond(
    runs: list[list[float]], data: st.DataObject
) -> None:
    runs = [sorted({round(v, 1) for v in r}) for r in runs]
    places = _places(runs)
    run = data.draw(st.sampled_from([k for k, r in enumerate(runs) if r] or [-1]))
    if run < 0:
        return
    rng = np.random.default_rng(0)
    values = rng.uniform(-5, 5, len(places.at))
    at = data.draw(lengths(-50, 5050))
    own = values[places.offsets[run] : places.offsets[run + 1]]
    truth = np.interp(at, runs[run], own)
    assert places.interpolate(np.array([run]), np.array([at]), values)[0] == pytest.approx(
        truth, abs=1e-9
    )


@few
@given(runs_of_places, st.data())
def test_many_places_are_looked_up_as_few_are(runs: list[list[float]], data: st.DataObject) -> None:
    runs = [sorted({round(v, 1) for v in r}) or [0.0] for r in runs]
    places = _places(runs)
    known = st.sampled_from([*places.at.tolist(), np.nan])
    asked = st.tuples(st.integers(0, len(runs) - 1), st.one_of(lengths(-50, 5050), known))
    rows = data.draw(st.lists(asked, max_size=30))
    if data.draw(st.booleans()):  # mostly they come in order
        rows = sorted(rows)
    run = np.array([run for run, _ in rows], dtype=np.int64)
    at = np.array([at for _, at in rows], dtype=float)
    one, many = places.between(run, at), places._between_compiled(run, at)
    for part in ("first", "second", "share"):
        assert np.array_equal(getattr(one, part), getattr(many, part), equal_nan=True)


def test_a_city_laid_end_to_end_keeps_its_micrometres() -> None:
    runs = 20_000
    at = np.tile([0.0, 1999.0, 2000.0], runs)
    places = Places.of_offsets(np.arange(runs + 1) * 3, at)
    last = np.array([runs - 1])
    assert places.search(last, np.array([1999.00001]), "left")[0] == 3 * runs - 1
    assert places.search(last, np.array([1998.99999]), "right")[0] == 3 * runs - 2


def test_points_along_lines_are_those_shapely_finds() -> None:
    rng = np.random.default_rng(1)
    counts = rng.integers(2, 9, 40)
    offsets = np.cumsum([0, *counts]).astype(np.int64)
    xy = rng.uniform(0, 500, (offsets[-1], 2))
    lines = to_linestrings(xy, offsets)
    rows = rng.integers(0, 40, 300)
    distance = rng.uniform(0, 1, 300) * shapely.length(lines)[rows]
    truth = shapely.get_coordinates(shapely.line_interpolate_point(lines[rows], distance))
    np.testing.assert_allclose(points_along(xy, offsets, rows, distance), truth, atol=1e-9)
    few = np.array([3, 1, 3])  # most lines are not asked for
    same = points_along(xy, offsets, rows, distance)[[np.flatnonzero(rows == k)[0] for k in few]]
    asked = distance[[np.flatnonzero(rows == k)[0] for k in few]]
    assert (points_along(xy, offsets, few, asked) == same).all()
    ends = points_along(xy, offsets, np.array([3, 3]), np.array([-5.0, 1e9]))
    np.testing.assert_array_equal(ends, xy[[offsets[3], offsets[4] - 1]])


def test_ragged_columns() -> None:
    offsets = np.array([0, 2, 2, 5])
    xy = np.array([(0, 0), (3, 4), (1, 1), (1, 2), (5, 2)], dtype=float)
    assert measures(xy, offsets).tolist() == [0, 5, 0, 1, 5]
    assert row_of(offsets).tolist() == [0, 0, 2, 2, 2]
    assert take(offsets, np.array([2, 0]), np.array([True, False])).tolist() == [4, 3, 2, 0, 1]
    group, chosen = np.array([7, 3, 7, 7, 3]), np.array([True, True, True, True, False])
    assert sorted(map(tuple, pairs_within(group, chosen).tolist())) == [(0, 2), (0, 3), (2, 3)]


def _fixed(*rows: tuple[int, float, str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=["run", "chainage", "kind"]).astype(
        {"run": np.int64, "chainage": float, "kind": object}
    )


def test_stations_are_even_between_fixed_points_and_no_farther_than_the_step(
    chained: Chained,
) -> None:
    chains = chained([[(0, 0), (100, 0)]])
    stations = build_stations(chains, _fixed((0, 34.0, "bend")), _fixed(), step=10.0)
    at = stations["chainage"].to_numpy()
    assert at == pytest.approx([*np.linspace(0, 34, 5), *np.linspace(34, 100, 8)[1:]])
    assert stations["kind"].tolist() == ["end"] + ["step"] * 3 + ["bend"] + ["step"] * 6 + ["end"]


def test_stations_beyond_all_memory_are_refused_before_they_are_made(chained: Chained) -> None:
    chains = chained([[(0, 0), (1e9, 0)]])
    with pytest.raises(LayerError, match=r"1,000,000 km long.* 99,999,999, more .*ground\.step"):
        build_stations(chains, _fixed(), _fixed(), step=10.0)


def test_points_of_interest_get_a_station_but_shift_no_other(chained: Chained) -> None:
    chains = chained([[(0, 0), (100, 0)]])
    extra = _fixed((0, 33.0, "valve"), (0, 50.0, "lateral"), (0, 120.0, "lateral"))
    stations = build_stations(chains, _fixed(), extra, step=10.0)
    # the lateral at 50 falls on a step, which is kept; beyond the end is the end
    assert stations["chainage"].tolist() == pytest.approx(
        [*range(0, 31, 10), 33, *range(40, 101, 10)]
    )
    assert stations["kind"].tolist().count("valve") == 1
    assert stations["kind"].tolist()[-1] == "end"


def test_of_points_at_one_place_the_weightiest_kind_stands(chained: Chained) -> None:
    chains = chained([[(0, 0), (100, 0)]])
    fixed = _fixed(
        (0, 50.0, "connection"), (0, 50.0003, "fitting"), (0, 50.0, "bend"), (0, 0.0, "bend")
    )
    stations = build_stations(chains, fixed, _fixed((0, 50.0, "valve")), step=1000.0)
    assert stations[["chainage", "kind"]].to_numpy().tolist() == [
        [0.0, "end"],
        [50.0, "bend"],
        [100.0, "end"],
    ]


def test_of_points_less_than_a_millimetre_apart_one_stands_also_across_a_rounding(
    chained: Chained,
) -> None:
    """Whatever millimetre they round to; what is clear of the one that stands has its own."""
    chains = chained([[(0, 0), (100, 0)], [(0, 9), (100, 9)]])
    fixed = _fixed((0, 40.0004, "fitting"), (0, 40.0006, "bend"), (1, 40.0006, "bend"))
    extra = _fixed(
        (0, 60.0004, "valve"), (0, 60.0006, "valve"), (0, 70.0, "valve"), (0, 70.0007, "bend"),
        (0, 70.0014, "valve"), (0, 80.0, "valve"), (0, 80.0009, "valve"), (0, 80.0018, "valve"),
        (0, 90.0, "valve"), (0, 90.001, "valve"),
    )  # fmt: skip
    stations = build_stations(chains, fixed, extra, step=1000.0)
    of = stations.query("run == 0 and kind != 'end'")
    assert list(zip(of["chainage"], of["kind"], strict=True)) == [
        (40.0006, "bend"), (60.0004, "valve"), (70.0007, "bend"), (80.0, "valve"),
        (80.0018, "valve"), (90.0, "valve"), (90.001, "valve"),
    ]  # fmt: skip
    assert stations.query("run == 1")["chainage"].tolist() == [0.0, 40.0006, 100.0]


def test_from_the_other_end_the_stations_are_the_same(chained: Chained) -> None:
    line = [(0, 0), (70, 10), (130, -5)]
    length = float(shapely.LineString(line).length)
    one = build_stations(
        chained([line]), _fixed((0, 31.7, "bend")), _fixed((0, 90.0, "valve")), step=10.0
    )
    other = build_stations(
        chained([[(-x, y) for x, y in line]]),
        _fixed((0, length - 31.7, "bend")),
        _fixed((0, length - 90.0, "valve")),
        step=10.0,
    )
    np.testing.assert_allclose(one["chainage"], length - other["chainage"][::-1], atol=1e-9)
    assert one["kind"].tolist() == other["kind"].tolist()[::-1]


def test_a_station_knows_its_main_and_the_distance_along_it_as_drawn(chained: Chained) -> None:
    chains = chained([[(60, 0), (0, 0)], [(60, 0), (100, 0)]])
    stations = build_stations(chains, _fixed(), _fixed((0, 60.0, "valve")), step=25.0)
    assert stations["line"].tolist() == [0, 0, 0, 1, 1, 1]  # at a joint the later main
    assert stations["line_at"].tolist() == pytest.approx([60, 35, 10, 0, 15, 40])
    assert stations["x"].tolist() == [0, 25, 50, 60, 75, 100]
    assert stations["y"].tolist() == [0] * 6


def test_a_run_of_two_vertices_has_its_ends_as_stations(chained: Chained) -> None:
    stations = build_stations(chained([[(0, 0), (4, 3)]]), _fixed(), _fixed(), step=10.0)
    assert stations["chainage"].tolist() == [0.0, 5.0]


def test_pieces_keep_their_place_on_the_main_when_a_run_is_cut(chained: Chained) -> None:
    chains = chained([[(100, 0), (0, 0)], [(100, 0), (150, 0)], [(150, 0), (150.4, 0)]])
    cut = cut_chains(chains, pd.DataFrame({"run": [0, 0, 0], "chainage": [30.0, 100.0, 60.0]}))
    found = cut.pieces[["run", "line", "start", "end", "line_start", "line_end"]].to_numpy()
    np.testing.assert_allclose(
        found,
        [
            [0, 0, 0, 30, 100, 70],
            [1, 0, 0, 30, 70, 40],
            [2, 0, 0, 40, 40, 0],
            [3, 1, 0, 50, 0, 50],
            [3, 2, 50, 50.4, 0, 0.4],
        ],
        atol=1e-9,
    )
    assert cut.xy[cut.offsets[1]].tolist() == [30.0, 0.0]


def test_reordered_runs_keep_what_is_theirs(chained: Chained) -> None:
    chains = chained(
        [[(0, 0), (10, 0)], [(0, 50), (20, 50)], [(4, 0), (4, 9)]], eligible=[True, True, False]
    )
    turned = reorder(chains, np.array([1, 0]))
    assert turned.xy[turned.offsets[0]].tolist() == [0.0, 50.0]
    assert turned.pieces["line"].tolist() == [1, 0, 0]
    assert turned.pieces["run"].tolist() == [0, 1, 1]
    assert turned.connections[["run", "chainage"]].to_numpy().tolist() == [[1.0, 4.0]]


def test_a_point_where_two_runs_meet_is_on_both() -> None:
    xy = np.array([(0, 0), (50, 0), (50, 0), (50, 40), (0, 9), (50, 9)], dtype=float)
    runs = Polylines(xy[:4], np.array([0, 2, 4]))
    others = Polylines(xy[4:], np.array([0, 2]))
    points = np.array([(50, 0), (10, 8), (10, 1), (10, 4.6), (10, -4)], dtype=float)
    found = locate_on_runs(points, runs, others, reach=3.0, slack=0.5)
    assert found[["point", "run", "chainage"]].to_numpy().tolist() == [
        [2, 0, 10],
        [0, 0, 50],
        [0, 1, 0],
    ]
    wide = locate_on_runs(points, runs, others, reach=9.0, slack=0.5)
    # 4.6 m from the run and 4.4 m from the other main: within the slack
    assert sorted(wide["point"]) == [0, 0, 2, 3, 4]


@settings(max_examples=40, deadline=None)
@given(
    sizes=st.lists(st.integers(2, 3 * STEPS), min_size=1, max_size=5),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_run_indexed_by_stretches_is_as_near_as_the_whole(sizes: list[int], seed: int) -> None:
    xy, offsets, points = _wandering(sizes, seed)
    at = shapely.points(points)
    gaps = shapely.distance(to_linestrings(xy, offsets)[:, None], at[None, :])
    found, stretch = stretches_tree(Polylines(xy, offsets)).query(at, "dwithin", 8.0)
    assert set(found) == set(np.flatnonzero((gaps <= 8.0).any(axis=0)))
    assert stretch.max(initial=0) < sum((size - 2) // STEPS + 1 for size in sizes)


def _wandering(sizes: list[int], seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return lines, and points some of which lie at their vertices."""
    random = np.random.default_rng(seed)
    offsets = np.concatenate([[0], np.cumsum(sizes)])
    xy = np.cumsum(random.uniform(-9, 9, (offsets[-1], 2)), axis=0)
    return xy, offsets, np.concatenate([random.uniform(-40, 40, (20, 2)), xy])


@pytest.mark.parametrize("compiled", [False, True])
@settings(max_examples=40, deadline=None)
@given(
    sizes=st.lists(st.integers(2, 3 * STEPS), min_size=1, max_size=5),
    seed=st.integers(0, 2**32 - 1),
)
def test_points_are_on_the_runs_that_are_nearest(
    compiled: bool, sizes: list[int], seed: int
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        if compiled:
            patch.setattr(accel, "COMPILE_ABOVE", 0)
        _check_nearest(sizes, seed)


def _check_nearest(sizes: list[int], seed: int) -> None:
    xy, offsets, points = _wandering(sizes, seed)
    lines, at, reach = to_linestrings(xy, offsets), shapely.points(points), 8.0
    gaps = shapely.distance(lines[:, None], at[None, :])
    axes = Polylines(xy, offsets)
    within = runs_within(points, axes, reach=reach)
    pairs = {(int(p), int(r)) for r, p in np.argwhere(gaps <= reach)}
    assert set(zip(within["point"], within["run"], strict=True)) == pairs
    assert len(within) == len(pairs)
    none = Polylines(np.zeros((0, 2)), np.zeros(1, dtype=np.int64))
    found = locate_on_runs(points, axes, none, reach=reach, slack=0.0)
    least = gaps.min(axis=0)
    nearest = {(int(p), int(r)) for r, p in np.argwhere((gaps == least) & (least <= reach))}
    assert set(zip(found["point"], found["run"], strict=True)) == nearest
    assert len(found) == len(nearest)
    assert np.array_equal(found["offset"], gaps[found["run"], found["point"]])


def test_a_place_within_rounding_of_a_row_is_found_by_its_own_chainage() -> None:
    """A million kilometres of runs before it round the key by more than the step looked for."""
    far = Places.of_offsets(np.array([0, 2, 6]), np.array([0.0, 1e9, 0.0, 50.0, 50.0, 80.0]))
    run, near = (
        np.ones(2, dtype=np.int64),
        np.array([np.nextafter(50.0, 0), np.nextafter(50.0, 99)]),
    )
    assert far.search(run, near, "left").tolist() == [3, 5]
    assert far.search(run, near, "right").tolist() == [3, 5]
    assert far.search(run, np.full(2, 50.0), "left").tolist() == [3, 3]
    assert far.search(run, np.full(2, 50.0), "right").tolist() == [5, 5]


@pytest.mark.parametrize("turned", [False, True])
def test_a_station_on_a_joint_knows_the_records_of_both_mains(
    chained: Chained, turned: bool
) -> None:
    """One main of 40 m and one of 60 m, the second drawn against the first."""
    lines = np.array([[(0, 0), (40, 0)], [(100, 0), (40, 0)]], dtype=float)
    chains = chained(100 - lines if turned else lines)
    joint = 60.0 if turned else 40.0
    extra = _fixed((0, 20.0, "valve"), (0, joint, "valve"))
    stations = build_stations(chains, _fixed(), extra, step=1000.0)
    other = joint_records(chains, stations)
    row = other["station"].tolist()
    assert stations["chainage"].to_numpy()[row].tolist() == [joint]
    ends = {(int(stations["line"][row[0]]), float(stations["line_at"][row[0]]))}
    ends |= {(int(other["line"][0]), float(other["line_at"][0]))}
    assert ends == {(0, 40.0), (1, 60.0)}


def test_a_joint_of_pieces_of_one_main_has_no_other_records(chained: Chained) -> None:
    chains = chained([[(0, 0), (100, 0)], [(40, 0), (40, 50)]])
    extra = _fixed((0, 40.0, "connection"))
    assert not len(joint_records(chains, build_stations(chains, _fixed(), extra, step=1000.0)))
