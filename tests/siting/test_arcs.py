"""Drawn arcs, judged: no carrier is led through one that it does not pass by the closed form.

A carrier with clearance c passes an arc of axis radius r that turns t with a radius up to
r + (c/2)(1 + cos(t/2)) / (1 - cos(t/2)), and a mitre of t with one up to c / (1 - cos(t/2)):
derived from the geometry, see `pipe.bending.passing_radius_m`. Within the survey accuracy an arc
may be a mitre, or a few; it is never gentler than it is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.network.bends import BendRules, find_bends
from geotools.network.redrawn import FINER
from geotools.network.thinned import thin
from geotools.siting.passing import judge_bends

Array = npt.NDArray[np.float64]
HOST, CLEARANCE = 0.5, 0.211  # m; of a carrier of 280 mm over its beads
ACCURACY = 0.5  # m
LEAD = 150.0  # m of straight main before and behind
VERTICES = (4, 5, 7, 9, 13, 50)
RULES = BendRules(ACCURACY, 5.0, np.radians(3.0), np.radians(15.0), 0.0)


def _drawn(arcs: Sequence[tuple[float, float]], vertices: int, gap: float, lead: float) -> Array:
    """Arcs as (radius, degrees) with so many vertices, straight between them and at both ends."""
    points, way = [np.zeros(2), np.array([lead, 0.0])], 0.0
    for k, (radius, degrees) in enumerate(arcs):
        turn = np.radians(degrees) / (vertices - 1)
        if k:
            points.append(points[-1] + gap * np.array([np.cos(way), np.sin(way)]))
        chord = 2 * radius * np.sin(abs(turn) / 2)
        for _ in range(vertices - 1):
            way += turn / 2
            points.append(points[-1] + chord * np.array([np.cos(way), np.sin(way)]))
            way += turn / 2
    return np.array([*points, points[-1] + LEAD * np.array([np.cos(way), np.sin(way)])])


def _bends(lines: Sequence[Array]) -> pd.DataFrame:
    xy, offsets = np.concatenate(lines), np.cumsum([0, *map(len, lines)]).astype(np.int64)
    none = pd.DataFrame({"run": np.zeros(0, dtype=np.int64), "chainage": [], "angle": []})
    rises = none.rename(columns={"angle": "rise"})
    drawn = [thin(xy, offsets, accuracy=ACCURACY / n) for n in (1.0, FINER)]
    return find_bends(drawn[0], np.full(len(lines), HOST), none, rises, RULES, fine=drawn[1])


def _pass(bends: pd.DataFrame, needed: Array) -> npt.NDArray[np.bool_]:
    """Which runs the carrier goes through whole, at its least radius in each, m."""
    judged = judge_bends(bends, clearance=np.full(len(needed), CLEARANCE), needed=needed)
    stopped = judged.loc[~judged["passes"], "run"].to_numpy(dtype=np.int64)
    return np.asarray(np.bincount(stopped, minlength=len(needed)) == 0)


def _closed_forms(radius: float, degrees: float) -> tuple[float, float]:
    """Largest radii, m, that pass a mitre and an arc."""
    half = np.cos(np.radians(degrees) / 2)
    mitre = CLEARANCE / (1 - half)
    return mitre, max(mitre, radius + CLEARANCE / 2 * (1 + half) / (1 - half))


@pytest.mark.parametrize("same", [True, False])
@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("gap", [60.0, 100.0])
def test_a_carrier_passes_two_arcs_as_it_does_by_their_closed_form(
    gap: float, back: bool, same: bool
) -> None:
    lines, forms = [], []
    for radius in (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0, 30.0, 60.0):
        for degrees in (30.0, 45.0, 60.0, 90.0):
            for vertices in VERTICES:
                corner = radius * (1 - np.cos(np.radians(degrees) / (vertices - 1) / 2))
                if corner > ACCURACY / 4:  # a polygon, and drawn as one
                    continue
                arcs = [(radius, degrees), (radius, degrees if same else -degrees)]
                for lead in (LEAD, 97.3):
                    line = _drawn(arcs, vertices, gap, lead)
                    lines.append(line[::-1] if back else line)
                    forms.append(_closed_forms(radius, degrees))
    mitre, arc = np.array(forms).T
    found = _bends(lines)
    assert len(lines) > 300
    assert not _pass(found, 1.05 * arc).any()
    assert _pass(found, 0.95 * mitre).all()
    # each turns what it is drawn with
    whole = np.bincount(found["run"], found["deflection"])
    turned = np.degrees(2 * np.arccos(1 - CLEARANCE / mitre)) * 2
    assert np.abs(np.degrees(whole) - turned).max() < 2.0


@pytest.mark.parametrize("back", [False, True])
@pytest.mark.parametrize("gap", [10.0, 15.0, 20.0, 30.0, 45.0])
def test_two_gentle_arcs_of_one_sense_are_no_curve_of_their_mean_radius(
    gap: float, back: bool
) -> None:
    """A straight half as long again as each of them makes that 1.75 times as wide as they are."""
    lines, forms = [], []
    for radius in (6.0, 10.0, 15.0, 20.0, 30.0, 60.0, 100.0):
        for degrees in (15.0, 20.0, 30.0, 45.0, 60.0):
            length = radius * np.radians(degrees)
            for vertices in VERTICES:
                if gap < 1.5 * length or length > 2.0 * (vertices - 1):
                    continue
                for lead in (LEAD, 97.3):
                    line = _drawn([(radius, degrees)] * 2, vertices, gap, lead)
                    lines.append(line[::-1] if back else line)
                    forms.append(_closed_forms(radius, degrees))
    mitre, arc = np.array(forms).T
    found = _bends(lines)
    assert len(lines) > 50
    assert not _pass(found, 1.05 * arc).any()
    assert _pass(found, 0.95 * mitre).all()


@pytest.mark.parametrize("vertices", [4, 7, 13, 46])
@pytest.mark.parametrize("radius", [4.0, 5.0, 6.0])
@pytest.mark.parametrize("other", [0.0, 45.0, -45.0])
def test_a_small_arc_is_one_bend_whatever_else_the_run_has(
    radius: float, vertices: int, other: float
) -> None:
    """45 deg within 5 m in a host of 0.5 m; the other arc 20 m on."""
    arcs = [(radius, 45.0), *([(radius, other)] if other else [])]
    line = _drawn(arcs, vertices, 20.0, LEAD)
    for drawn in (line, line[::-1]):
        found = _bends([drawn])
        assert found["kind"].tolist() == ["fitting"] * len(arcs)
        assert np.degrees(found["deflection"]).tolist() == pytest.approx(
            [45.0] * len(arcs), abs=0.5
        )


@pytest.mark.parametrize("radius", [8.0, 12.0, 20.0])
@pytest.mark.parametrize("vertices", [13, 50])
def test_a_street_corner_drawn_finely_is_a_curve_of_its_radius(
    radius: float, vertices: int
) -> None:
    line = _drawn([(radius, 90.0), (radius, 90.0)], vertices, 80.0, LEAD)
    for drawn in (line, line[::-1]):
        found = _bends([drawn])
        assert found["kind"].tolist() == ["curve", "curve"]
        assert found["axis_radius"].tolist() == pytest.approx([radius] * 2, rel=0.02)
        assert np.degrees(found["deflection"]).tolist() == pytest.approx([90.0] * 2, abs=0.5)


def test_wiggles_beside_an_elbow_are_not_put_back() -> None:
    """Elbows of 22.5 deg, a vertex every 2 m, off by up to a quarter of the accuracy."""
    rng = np.random.default_rng(1)
    straight = np.stack([np.arange(0.0, 100.0, 2.0), np.zeros(50)], axis=1)
    turned = np.radians(22.5)
    way = np.array([np.cos(turned), np.sin(turned)])
    line = np.concatenate([straight, [100.0, 0.0] + np.arange(0.0, 101.0, 2.0)[:, None] * way])
    found = _bends([line + rng.uniform(-0.12, 0.12, line.shape) for _ in range(60)])
    assert found["run"].tolist() == list(range(60))
    assert np.degrees(found["deflection"]).tolist() == pytest.approx([22.5] * 60, abs=1.5)


def _alike(one: Sequence[Array], other: Sequence[Array], *, back: bool) -> None:
    """Hold two drawings of lines to the same bends, the second in order from the other end."""
    tables = []
    for lines, order in ((one, 1), (other, -1 if back else 1)):
        found = _bends(lines)
        rows = np.lexsort([order * found["chainage"].to_numpy(), found["run"].to_numpy()])
        tables.append(found.iloc[rows].reset_index(drop=True))
    same = ["run", "kind", "deflection", "axis_radius"]
    pd.testing.assert_frame_equal(*(table[same] for table in tables), rtol=1e-5)


UNLIKE = [  # of one sense, three times as wide the second, a short straight between
    _drawn([(radius, degrees), (3 * radius, degrees)], vertices, gap, LEAD)
    for radius in (3.0, 4.0, 5.0, 6.0, 8.0, 10.0, 15.0, 20.0)
    for degrees in (30.0, 45.0, 60.0)
    for vertices in VERTICES
    for gap in (10.0, 20.0)
]


def test_two_arcs_are_read_the_same_from_either_end() -> None:
    _alike(UNLIKE, [line[::-1] for line in UNLIKE], back=True)


@pytest.mark.parametrize("way", [40.0, -69.0, 120.0])
def test_two_arcs_are_read_the_same_wherever_they_lie(way: float) -> None:
    """Also with turns of 15 degrees each, which is what a turn of a curve has at the most."""
    turn = np.radians(way)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    moved = [line @ turned + [500_000.0, 5_200_000.0] for line in UNLIKE]
    _alike(UNLIKE, moved, back=False)
