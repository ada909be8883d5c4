"""Curves told from elbows: against arcs and elbows whose radius and angles are known."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.network.bends import BendRules, find_bends
from geotools.network.redrawn import FINER
from geotools.network.thinned import thin

Array = npt.NDArray[np.float64]
LEAD = 100.0  # m of straight main before and behind
ACCURACIES = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02)  # m
NEAR = 5.0  # diameters
GENTLE = np.radians(15.0)


def _found(
    lines: Sequence[Array],
    diameter: npt.ArrayLike,
    accuracy: float,
    rises: Sequence[tuple[float, float]] = (),
) -> pd.DataFrame:
    """Bends of runs; rises as (chainage, degrees) on the first; angles come back in degrees."""
    rules = BendRules(accuracy, NEAR, np.radians(3.0), GENTLE, 0.0)
    offsets = np.cumsum([0, *map(len, lines)]).astype(np.int64)
    none = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "angle": []})
    rise = pd.DataFrame(list(rises), columns=["chainage", "rise"], dtype=float)
    rise = rise.assign(run=np.int64(0), rise=np.radians(rise["rise"]))
    drawn = [thin(np.concatenate(lines), offsets, accuracy=accuracy / n) for n in (1.0, FINER)]
    hosts = np.broadcast_to(np.asarray(diameter, dtype=float), (len(lines),))
    found = find_bends(drawn[0], hosts, none, rise, rules, fine=drawn[1])
    return found.assign(deflection=np.degrees(found["deflection"]))


def _arc(radius: float, sweep: float, step: float) -> Array:
    """Straight, arc with a vertex every step or nearer, straight."""
    turn = np.radians(sweep)
    at = np.linspace(0, turn, int(np.ceil(radius * turn / step)) + 1)
    arc = np.stack([LEAD + radius * np.sin(at), radius * (1 - np.cos(at))], axis=1)
    return np.concatenate(
        [[[0, 0]], arc, [arc[-1] + LEAD * np.array([np.cos(turn), np.sin(turn)])]]
    )


def _elbows(angles: Sequence[float], gaps: Sequence[float], radius: float, vertices: int) -> Array:
    """Elbows in a row, straight pieces between them: each a point, or a small arc of vertices."""
    points, way = [np.zeros(2)], 0.0
    at = np.array([LEAD, 0.0])
    for angle, gap in zip(np.radians(angles), [*gaps, LEAD], strict=True):
        points.append(at)
        steps = max(vertices - 1, 1)
        chord = 2 * radius * np.sin(abs(angle) / steps / 2) if vertices > 1 else 0.0
        for _ in range(steps):
            way += angle / steps / 2
            at = at + chord * np.array([np.cos(way), np.sin(way)])
            way += angle / steps / 2
            points.append(at)
        at = at + gap * np.array([np.cos(way), np.sin(way)])
    line = np.array([*points, at])
    return line[np.append(True, np.hypot(*np.diff(line, axis=0).T) > 1e-9)]


def _arcs(rng: np.random.Generator, count: int) -> tuple[list[Array], dict[str, Array]]:
    """Arcs of 1 to 200 diameters, 5 to 120 degrees, a vertex every 0.1 to 20 m."""
    diameter = rng.choice([0.3, 0.6, 1.2, 1.8], count)
    known = {
        "diameter": diameter,
        "radius": diameter * np.exp(rng.uniform(0, np.log(200), count)),
        "sweep": rng.uniform(5.0, 120.0, count),
        "step": np.exp(rng.uniform(np.log(0.1), np.log(20), count)),
    }
    lines = [_arc(*row) for row in zip(known["radius"], known["sweep"], known["step"], strict=True)]
    known["chord"] = np.array([np.hypot(*(line[2] - line[1])) for line in lines])
    return lines, known


def _by_run(found: pd.DataFrame, kind: str, count: int, how: str) -> Array:
    rows = found[found["kind"] == kind].groupby("run")["deflection"].agg(how)
    return np.asarray(rows.reindex(range(count)).fillna(0.0).to_numpy(), dtype=np.float64)


def test_a_finer_accuracy_never_turns_an_arc_into_an_elbow() -> None:
    count = 300
    lines, known = _arcs(np.random.default_rng(1), count)
    was_curve = np.zeros(count, dtype=bool)
    corner = np.degrees(known["chord"] / known["radius"])  # drawn at each vertex
    for accuracy in ACCURACIES:
        found = _found(lines, known["diameter"], accuracy)
        curves = _by_run(found, "curve", count, "size")
        sharpest = _by_run(found, "fitting", count, "max")
        # one drawn so coarsely that its corners stand out falls into those corners, no more
        lost = was_curve & (curves == 0)
        assert (sharpest[lost] <= 1.01 * corner[lost] + 0.5).all()
        assert (known["chord"][lost] > NEAR * known["diameter"][lost]).all()
        was_curve |= curves > 0
    assert was_curve.sum() > 100


@pytest.mark.parametrize("accuracy", ACCURACIES)
def test_an_arc_of_known_radius_is_one_curve_of_it_however_finely_drawn(accuracy: float) -> None:
    count = 300
    lines, known = _arcs(np.random.default_rng(2), count)
    radius, chord, diameter = known["radius"], known["chord"], known["diameter"]
    thinned = np.sqrt(8 * radius * accuracy)  # no chord within the accuracy is longer
    longest = np.maximum(thinned, chord)
    length = radius * np.radians(known["sweep"])
    told = (
        (radius > 1.05 * NEAR * diameter)
        & (longest / radius < 0.97 * GENTLE)
        & ((chord < NEAR * diameter) | (chord**2 / 8 / radius < 1.5 * accuracy))
        & (length > 2 * NEAR * diameter + 2 * longest)
        & (length > 5 * longest)
    )
    assert told.sum() >= 10
    for way in (1, -1):
        found = _found([line[::way] for line in lines], diameter, accuracy)
        rows = found[told[found["run"]]]
        assert (rows["kind"] == "curve").all()
        assert rows["run"].tolist() == np.flatnonzero(told).tolist()
        # the chord from the far end of a straight to a vertex of the arc may be off by 2 e there
        least = np.degrees(2 * 2 * accuracy / LEAD)
        np.testing.assert_allclose(rows["deflection"], known["sweep"][told], atol=least)
        np.testing.assert_allclose(rows["axis_radius"], radius[told], rtol=0.01)


@pytest.mark.parametrize("accuracy", ACCURACIES)
def test_a_bend_within_the_radius_of_a_fitting_is_none_but_fittings(accuracy: float) -> None:
    count = 300
    lines, known = _arcs(np.random.default_rng(3), count)
    tight = known["radius"] < 0.97 * NEAR * known["diameter"]
    found = _found(lines, known["diameter"], accuracy)
    rows = found[tight[found["run"]]]
    assert (rows["kind"] == "fitting").all()
    whole = _by_run(found, "fitting", count, "sum")[tight]
    some = whole > 0
    least = np.degrees(2 * 2 * accuracy / LEAD)
    np.testing.assert_allclose(whole[some], known["sweep"][tight][some], atol=least)
    near = tight & (known["chord"] < NEAR * known["diameter"]) & (accuracy <= 0.05)
    assert (found["run"].value_counts().reindex(np.flatnonzero(near)) == 1).all()


@pytest.mark.parametrize("vertices", [1, 2, 3, 5, 9])
@pytest.mark.parametrize("accuracy", [0.1, 0.02, 0.0])
def test_elbows_one_to_three_diameters_apart_are_one_fitting(
    vertices: int, accuracy: float
) -> None:
    rng = np.random.default_rng(4)
    diameter, lines, angles = 1.2, [], []
    for count in (1, 2, 3) * 10:
        own = rng.choice([5.625, 11.25, 22.5, 30.0, 45.0], count)
        own = np.full(count, own[0]) if rng.random() < 0.5 else own
        gaps = diameter * rng.uniform(1.0, 3.0, count - 1)
        lines.append(_elbows(own, gaps, diameter * rng.choice([1.0, 1.5, 3.0]), vertices))
        angles.append(own.sum())
    found = _found(lines, diameter, accuracy)
    assert (found["kind"] == "fitting").all()
    whole = found.groupby("run")["deflection"].sum()
    # what is thinned away of a small arc goes into the straights beside it: 0.1 m in 100 m, twice
    np.testing.assert_allclose(whole, angles, atol=0.12)
    if accuracy < 0.1:
        assert found["run"].tolist() == list(range(len(lines)))


def test_an_elbow_in_a_finely_drawn_curve_stays_a_fitting() -> None:
    one = _arc(60.0, 30.0, 2.0)[:-1]
    way = np.radians(30.0 + 22.5)
    turned = np.array([[np.cos(way), np.sin(way)], [-np.sin(way), np.cos(way)]])
    other = (_arc(60.0, 30.0, 2.0)[1:] - [LEAD, 0.0]) @ turned + one[-1]
    found = _found([np.concatenate([one, other[1:]])], 0.6, 0.02)
    assert found["kind"].tolist() == ["curve", "fitting", "curve"]
    # the elbow takes the half chords beside it: 2 m of a radius of 60 m
    assert found["deflection"].tolist() == pytest.approx([29.0, 24.4, 29.0], abs=1.0)
    assert found["axis_radius"].iloc[[0, 2]].tolist() == pytest.approx([60.0, 60.0], rel=0.02)


def test_noise_of_half_the_accuracy_makes_no_curve_of_a_straight_main() -> None:
    rng = np.random.default_rng(5)
    for accuracy in (0.5, 0.1, 0.02):
        lines = []
        for step in np.exp(rng.uniform(np.log(0.3), np.log(20.0), 60)):
            x = np.linspace(0.0, 300.0, int(300 / step) + 2)
            off, way = rng.uniform(0, accuracy / 2, len(x)), rng.uniform(0, 2 * np.pi, len(x))
            lines.append(np.stack([x + off * np.cos(way), off * np.sin(way)], axis=1))
        assert _found(lines, 0.6, accuracy).empty


def test_an_arc_drawn_with_noise_of_half_the_accuracy_stays_a_curve() -> None:
    rng = np.random.default_rng(6)
    for accuracy in (0.5, 0.1, 0.02):
        lines = []
        for _ in range(12):
            line = _arc(80.0, 60.0, rng.uniform(4.0, 6.0))
            off, way = rng.uniform(0, accuracy / 2, len(line)), rng.uniform(0, 2 * np.pi, len(line))
            lines.append(line + off[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1))
        found = _found(lines, 1.2, accuracy)
        curves = found[found["kind"] == "curve"]
        assert curves["run"].tolist() == list(range(12))
        np.testing.assert_allclose(curves["axis_radius"], 80.0, rtol=0.25)
        assert (curves["deflection"] > 50.0).all()


@pytest.mark.parametrize(
    ("rise", "kinds"), [(2.0, ["curve"]), (6.0, ["curve", "fitting", "curve"])]
)
def test_a_break_of_grade_in_a_finely_drawn_curve_parts_it_if_it_is_a_bend(
    rise: float, kinds: list[str]
) -> None:
    line = _arc(80.0, 60.0, 2.0)
    found = _found([line], 1.2, 0.02, rises=[(LEAD + 41.0, rise)])
    assert found["kind"].tolist() == kinds
    assert found.loc[found["kind"] == "fitting", "deflection"].tolist() == pytest.approx(
        [rise] * kinds.count("fitting")
    )


def test_a_curve_of_a_large_main_is_one_at_the_usual_accuracy() -> None:
    found: Any = _found([_arc(20.0, 60.0, 2.0)], 1.8, 0.5)
    assert found["kind"].tolist() == ["curve"]
    assert found["axis_radius"].tolist() == pytest.approx([20.0], rel=0.01)


@pytest.mark.parametrize(
    ("angles", "gaps", "elbows"),
    [
        ((3.2, 3.2, 14.9), (20.0, 20.0), [14.9]),
        ((14.9, 3.2, 3.2), (20.0, 20.0), [14.9]),
        ((1.2, 2.3, 10.3), (32.0, 32.0), [10.3]),
        ((14.0, 4.0, 14.0), (20.0, 20.0), [14.0, 14.0]),
        ((3.1, 3.0, 3.1, 14.5, 3.0, 3.1, 3.0), (20.0,) * 6, [14.5]),
    ],
)
def test_an_elbow_beside_gentle_kinks_stays_an_elbow(
    angles: tuple[float, ...], gaps: tuple[float, ...], elbows: list[float]
) -> None:
    """A pipe would be led straight through it, were it spread over the kinks' long legs."""
    found = _found([_elbows(angles, gaps, 0.0, 1)], 0.6, 0.5)
    told = found.loc[found["kind"] == "fitting", "deflection"]
    assert sorted(told[told > 5.0]) == pytest.approx(elbows, abs=0.1)


@pytest.mark.parametrize("radius", [60.0, 120.0, 400.0])
def test_noise_of_a_survey_makes_no_elbows_of_a_curve(radius: float) -> None:
    rng = np.random.default_rng(7)
    for _ in range(40):
        line = _arc(radius, 60.0, 12.0)
        line += rng.uniform(-0.12, 0.12, line.shape)  # a quarter of the accuracy
        found = _found([line], 0.6, 0.5)
        kinds = found.loc[found["deflection"] > 10.0, "kind"]
        assert kinds.tolist() == ["curve"]


@pytest.mark.parametrize("accuracy", [0.1, 0.02])
@pytest.mark.parametrize("sharper", [1.5, 1.8])
@pytest.mark.parametrize(("turn", "leg"), [(3.0, 12.0), (4.7, 10.0), (6.0, 8.0), (8.0, 12.0)])
def test_a_sharper_turn_at_the_end_of_a_curve_makes_it_as_tight_as_inside(
    turn: float, leg: float, sharper: float, accuracy: float
) -> None:
    """Seven turns and the sharper one over the length that an arc can have there.

    That is seven legs, half a leg before the last vertex, and beyond it half a leg or what a
    drawing of that accuracy leaves out of an arc: s^2 / 2R.
    """
    radius, corner = leg / np.radians(turn), sharper * turn
    beyond = max(leg / 2, np.sqrt(2 * radius * accuracy))
    mean = (7 * leg + leg / 2 + beyond) / np.radians(7 * turn + corner)
    assert mean < 0.97 * radius
    for turns in ([turn] * 8 + [corner], [corner] + [turn] * 8):
        line = _elbows(turns, [leg] * 8, 0.0, 1)
        for drawn in (line, line[::-1]):
            found = _found([drawn], 2.4, accuracy)
            assert found["kind"].tolist() == ["curve"]
            assert found["axis_radius"].iloc[0] <= 1.001 * mean


@pytest.mark.parametrize("accuracy", [0.5, 0.1, 0.02])
@pytest.mark.parametrize("turn", [2.0, 4.7, 8.0])
@pytest.mark.parametrize("leg", [5.0, 10.0])
def test_an_end_that_turns_as_the_vertices_inside_makes_a_curve_no_tighter(
    leg: float, turn: float, accuracy: float
) -> None:
    """Even turns: a polygon around a circle, whose first and last sides go straight on."""
    found = _found([_elbows([turn] * 9, [leg] * 8, 0.0, 1)], 2.4, accuracy)
    assert found["kind"].tolist() == ["curve"]
    assert found["axis_radius"].iloc[0] == pytest.approx(leg / np.radians(turn), rel=0.01)


def _uneven(rng: np.random.Generator, radius: float, sweep: float, off: float) -> Array:
    """Straight, arc with vertices anywhere, of which none is where the arc begins, straight.

    What is drawn lies within ``off``, m, of the arc: a chord c by c^2 / 8R, where an arc goes on
    beyond its last vertex by s the straight by s^2 / 2R.
    """
    turn, half = np.radians(sweep), np.sqrt(2 * off / radius)
    first, last = rng.uniform(0.1, 1.0, 2) * half
    at = first + np.cumsum(np.append(0.0, rng.uniform(0.2, 2.0, 500) * half))
    at = np.append(at[at < turn - last - 0.2 * half], turn - last)
    arc = np.stack([LEAD + radius * np.sin(at), radius * (1 - np.cos(at))], axis=1)
    end = np.array([LEAD + radius * np.sin(turn), radius * (1 - np.cos(turn))])
    return np.concatenate([[[0, 0]], arc, [end + LEAD * np.array([np.cos(turn), np.sin(turn)])]])


@pytest.mark.parametrize("accuracy", [0.5, 0.1])
@pytest.mark.parametrize("share", [1.0, 0.25, 0.05])
@pytest.mark.parametrize("radius", [60.0, 120.0, 300.0])
def test_an_arc_by_uneven_chords_with_no_vertex_at_its_ends_is_no_tighter(
    radius: float, share: float, accuracy: float
) -> None:
    """Vertices anywhere on the circle; the straights cut off the ends of the arc."""
    rng = np.random.default_rng(10)
    lines = [_uneven(rng, radius, 60.0, accuracy * share) for _ in range(60)]
    for drawn in (lines, [line[::-1] for line in lines]):
        found = _found(drawn, 1.2, accuracy)
        curves = found[(found["kind"] == "curve") & (found["deflection"] > 30.0)]
        assert len(curves) >= 50
        ratio = curves["axis_radius"] / radius
        assert ratio.between(0.95, 1.01).all()  # thinning moves the ends by as much again
        assert ratio.median() > 0.99


def _compound(parts: Sequence[tuple[float, float]], step: float) -> Array:
    """Straight, arcs of a radius and a length each, all the same way, straight."""
    points, at, way = [np.zeros(2)], np.array([LEAD, 0.0]), 0.0
    points.append(at)
    for radius, length in parts:
        steps = int(np.ceil(length / step))
        half = length / steps / radius / 2
        for _ in range(steps):
            way += half
            at = at + 2 * radius * np.sin(half) * np.array([np.cos(way), np.sin(way)])
            way += half
            points.append(at)
    return np.array([*points, at + LEAD * np.array([np.cos(way), np.sin(way)])])


@pytest.mark.parametrize("accuracy", [0.5, 0.1])
@pytest.mark.parametrize("step", [1.0, 5.0])
@pytest.mark.parametrize(
    ("parts", "tight"),
    [
        ([(50.0, 60.0), (300.0, 100.0)], 50.0),
        ([(80.0, 60.0), (200.0, 150.0)], 80.0),
        ([(300.0, 80.0), (80.0, 60.0), (300.0, 80.0)], 80.0),
        ([(100.0, 150.0)], 100.0),
    ],
)
def test_a_curve_is_as_tight_as_its_tightest_arc_not_as_its_mean(
    parts: list[tuple[float, float]], tight: float, step: float, accuracy: float
) -> None:
    """Arcs of known radii, of which the tightest stands 5 m or more out of its chord."""
    for line in (_compound(parts, step), _compound(parts[::-1], step)):
        for drawn in (line, line[::-1]):
            found = _found([drawn], 0.6, accuracy)
            assert found["kind"].tolist() == ["curve"]
            assert found["axis_radius"].tolist() == pytest.approx([tight], rel=0.01)


def test_a_tight_stretch_that_noise_could_make_is_judged_with_what_lies_beside_it() -> None:
    """Over 10 m a radius of 60 m stands 0.2 m out of its chord: a vertex off by that makes it."""
    (row,) = _found([_compound([(200.0, 60.0), (60.0, 10.0), (200.0, 60.0)], 5.0)], 0.6, 0.5)[
        ["kind", "axis_radius"]
    ].to_numpy()
    mean = 130.0 / (120.0 / 200.0 + 10.0 / 60.0)
    assert row[0] == "curve"
    assert 60.0 * 1.5 < row[1] <= mean * 1.01


@pytest.mark.parametrize("radius", [100.0, 200.0, 400.0])
@pytest.mark.parametrize("noise", [0.1, 0.2, 0.3])
def test_noise_of_a_survey_makes_no_curve_much_tighter_than_it_is(
    radius: float, noise: float
) -> None:
    """A stretch stands 2 m out of its chord at least; noise at both ends and the middle adds."""
    rng = np.random.default_rng(8)
    least = 1.0 - 2 * noise / (4.0 * 0.5)
    lines = []
    for _ in range(40):
        line = _arc(radius, 70.0, rng.uniform(3.0, 12.0))
        off, way = rng.uniform(0, noise, len(line)), rng.uniform(0, 2 * np.pi, len(line))
        lines.append(line + off[:, None] * np.stack([np.cos(way), np.sin(way)], axis=1))
    found = _found(lines, 0.6, 0.5)
    curves = found[(found["kind"] == "curve") & (found["deflection"] > 50.0)]
    assert sorted(curves["run"]) == list(range(40))
    assert (curves["axis_radius"] > least * radius).all()
    assert (curves["axis_radius"] < 1.1 * radius).all()


def _lattice(rng: np.random.Generator) -> Array:
    """Legs of one length or several of it, turns as elbows are made, and many that are none."""
    turns = rng.choice([0.0, 0.0, 0.0, 3.0, -3.0, 7.5, 11.25, 15.0, -15.0, 22.5, -22.5, 45.0], 60)
    way = np.cumsum(np.radians(turns))
    return np.cumsum(
        rng.choice([2.0, 5.0, 10.0]) * np.stack([np.cos(way), np.sin(way)], axis=1), axis=0
    )


@pytest.mark.parametrize("way", [0.0, 63.0, -110.0])
@pytest.mark.parametrize("back", [False, True])
def test_turns_and_legs_just_at_a_limit_are_read_the_same_wherever_they_lie(
    way: float, back: bool
) -> None:
    """Legs of 6 m are five diameters of 1.2 m; 15 deg is a turn of a curve, 3 deg one at all."""
    rng = np.random.default_rng(9)
    lines = [_lattice(rng) for _ in range(500)]
    hosts = rng.choice([0.3, 0.6, 1.2], len(lines))
    turn = np.radians(way)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    moved = [(line @ turned + [500_000.0, 5_200_000.0])[:: -1 if back else 1] for line in lines]
    tables = []
    for drawn, order in ((lines, 1), (moved, -1 if back else 1)):
        found = _found(drawn, hosts, 0.5)
        found = found.assign(at=order * found["chainage"]).sort_values(["run", "at"])
        tables.append(found[["run", "kind", "deflection", "axis_radius"]].reset_index(drop=True))
    pd.testing.assert_frame_equal(*tables, rtol=1e-5)
