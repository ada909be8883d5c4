"""Other streets by a ground: measured line by line with shapely."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.street.net import StreetNet, build_streets
from geotools.street.others import Own, others_near, roads_near


def _whole(chain: np.ndarray) -> Own:
    """Return chains that grounds lie along from end to end."""
    return Own(chain, np.full(len(chain), -np.inf), np.full(len(chain), np.inf))


def _net(lines: list[list[tuple[float, float]]], names: list[str]) -> StreetNet:
    table = pd.DataFrame(
        {"class": "local", "lanes": 2, "width": 8.0, "speed": 14.0, "name": names}
    )  # fmt: skip
    xy = np.array([point for line in lines for point in line], dtype=float)
    offsets = np.cumsum([0, *map(len, lines)])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.5)


def _line_of(net: StreetNet, chain: int) -> shapely.LineString:
    low, high = net.chains.offsets[chain : chain + 2]
    return shapely.LineString(net.chains.xy[low:high])


@pytest.mark.parametrize("seed", range(6))
def test_every_other_chain_within_reach_is_found_as_far_as_it_is(seed: int) -> None:
    draw = np.random.default_rng(seed)
    starts = draw.uniform(0, 900, (40, 2))
    lines = [
        [*map(tuple, start + np.cumsum(draw.normal(0, 60, (draw.integers(2, 30), 2)), axis=0))]
        for start in starts
    ]
    net = _net(lines, [f"S{k}" for k in range(40)])
    shapes = shapely.buffer(shapely.points(draw.uniform(0, 900, (60, 2))), draw.uniform(1, 9, 60))
    own = draw.integers(-1, len(net.chains), 60)
    found = others_near(net, shapes, _whole(own), reach=25.0)
    wanted = {
        (ground, chain): shapely.distance(_line_of(net, chain), shapes[ground])
        for ground in range(60)
        for chain in range(len(net.chains))
        if chain != own[ground] and shapely.distance(_line_of(net, chain), shapes[ground]) <= 25.0
    }
    pairs = np.stack([found.ground, found.chain], axis=1).tolist()
    got = dict(zip(map(tuple, pairs), found.gap, strict=True))
    assert got == pytest.approx(wanted, abs=1e-9)
    assert len(wanted) > 20


def test_of_a_chain_the_line_counts_that_is_nearest_and_at_a_joint_both() -> None:
    net = _net([[(0, 0), (100, 0)], [(100, 0), (200, 0)]], ["West", "East"])
    assert len(net.chains) == 1
    shapes = np.array([shapely.box(x - 2, 3, x + 2, 9) for x in (50, 97, 100, 103, 150)])
    found = others_near(net, shapes, Own.none(5), reach=10.0)
    names = net.column("name")[found.line]
    assert [sorted(names[found.ground == k]) for k in range(5)] == [
        ["West"], ["West"], ["East", "West"], ["East"], ["East"],
    ]  # fmt: skip
    assert found.gap == pytest.approx(3.0)
    assert not len(others_near(net, shapes, _whole(np.zeros(5, dtype=int)), reach=10.0).line)


def test_carriageways_by_a_ground_end_where_their_streets_do_and_leave_out_its_own() -> None:
    net = _net([[(0, 0), (200, 0)], [(100, 0), (100, -90)], [(0, 20), (200, 20)]], list("ABC"))
    strip = [shapely.box(50, low, 150, low + 0.4) for low in (-5.0, 3.0, 15.9, 15.5)]
    own = np.full(4, np.flatnonzero(net.lengths == 200.0)[0])
    found = roads_near(net, np.array(strip), _whole(own), touch=0.05)
    assert net.chains.xy[net.chains.offsets[own[0]], 1] == 0.0
    both = shapely.intersection(np.array(strip)[found.ground], found.shape)
    names, area = net.column("name")[found.line], shapely.area(both).round(6)
    got = zip(found.ground, names, area, strict=True)
    assert {(int(k), name, area) for k, name, area in got if area > 0} == {
        (0, "B", round(7.9 * 0.4, 6)),  # the mouth of the side street, and none of it beyond
        (2, "C", round(100 * 0.25, 6)),
    }  # fmt: skip
