"""Strings on streets they do not lie along, as the plan tells of them; invented scenes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.layout.other_streets import report_on_other_streets
from geotools.street.net import StreetNet, build_streets

Line = list[tuple[float, float]]
MILL: Line = [(0, 0), (500, 0)]


def _net(lines: dict[str, Line], width: float = 7.0) -> StreetNet:
    table = pd.DataFrame(
        {
            "class": "collector",
            "lanes": 2,
            "width": width,
            "speed": 14.0,
            "name": [name.split("/")[0] for name in lines],
        }
    )
    xy = np.array([point for line in lines.values() for point in line], dtype=float)
    offsets = np.cumsum([0, *map(len, lines.values())])
    return build_streets(Lines(table, xy, offsets), Street(), tolerance=0.5, accuracy=0.5)


def _told(net: StreetNet, *off: float, street: bool = True) -> Any:
    """Return the findings on strings from 0 to 400 m along the first street, so far left of it."""
    pieces = net.chains.pieces
    mill = pieces[pieces["line"] == 0].iloc[0]
    own, back = int(mill["run"]) if street else -1, bool(mill["reversed"])
    names = [f"S{k}" for k in range(len(off))]
    strings = pd.DataFrame(
        {"string_id": names, "pull_id": names, "street": "Mill" if street else "", "length": 400.0}
    )
    strings["geometry"] = [shapely.box(0, y - 0.2, 400, y + 0.2) for y in off]
    laid = pd.DataFrame({"pull_id": names, "street_chain": own, "outside": 0.4})
    laid = laid.assign(first_day=0.8, last_day=4.8)
    long = shapely.LineString(MILL).length if back else 0.0
    laid = laid.assign(lay_at=mill["start"] + long, lay_forward=not back)
    findings = Findings()
    ground: Any = SimpleNamespace(
        scene=SimpleNamespace(net=net), layers=SimpleNamespace(findings=findings)
    )
    report_on_other_streets(strings, laid, ground)
    return findings.table()


def test_a_string_across_the_mouths_of_side_streets_is_told_once_with_all_of_them() -> None:
    sides: dict[str, Line] = {f"Side {x}": [(x, 0), (x, -150)] for x in (100, 200, 300)}
    told = _told(_net({"Mill": MILL, **sides}), -5.0, 5.0)
    assert told["feature"].tolist() == ["S0"] and told["layer"].tolist() == ["strings"]
    assert told["rule"].tolist() == ["string-on-other-street"]
    (text,) = told["text"]
    assert all(f"{name} (collector; 2.8 m²)" in text for name in sides)
    assert "none of whose lanes is closed or priced" in text and "day 0.8 to day 4.8" in text
    assert "street.no_block" in text and "pit_edits" not in text
    assert told["severity"].tolist() == ["info"]
    assert shapely.area(told["geometry"].iloc[0]).round(2) == round(3 * 6.9 * 0.4, 2)


def test_a_string_along_a_lane_of_another_street_is_a_warning_though_it_meets_it_too() -> None:
    west, slip = [(-200.0, 0.0), (0.0, 0.0)], [(0.0, 0.0), (250.0, -6.0), (300.0, -80.0)]
    streets: dict[str, Line] = {"Mill": MILL, "Mill/west": west, "Slip": slip}
    told = _told(_net({**streets, "Avenue": [(0, 9), (500, 9)]}), -4.5, 5.8)
    assert told.set_index("feature")["severity"].to_dict() == {"S0": "warning", "S1": "warning"}
    text = told.set_index("feature")["text"]
    assert "Slip" in text["S0"] and "Avenue" in text["S1"] and "pit_edits" in text["S1"]
    assert "Avenue" not in text["S0"]


def test_a_touch_of_another_street_and_the_street_of_a_string_round_a_corner_are_not_told() -> None:
    streets: dict[str, Line] = {"Mill": MILL, "Far": [(0, 9), (500, 9)]}
    assert not len(_told(_net({**streets, "Mill/2": [(0, 0), (0, -200)]}), 5.33, -2.0))
    assert len(_told(_net(streets), 5.4))  # 10 cm of it


def test_a_string_in_no_street_is_told_of_every_street_it_lies_on() -> None:
    told = _told(_net({"Mill": MILL}), 2.0, street=False)
    assert told["severity"].tolist() == ["warning"] and "Mill (collector" in told["text"].iloc[0]
    assert "straight back from its pit on" in told["text"].iloc[0]


def test_where_a_street_becomes_two_carriageways_nothing_is_told_of_the_ground_in_common() -> None:
    back: Line = [(150, 0), (175, 8), (325, 8), (350, 0)]
    assert not len(_told(_net({"Mill": MILL, "Mill/back": back}), -2.0))
    told = _told(_net({"Mill": MILL, "Slip": back}), -2.0)
    assert told["severity"].tolist() == ["info"] and "Slip" in told["text"].iloc[0]
    told = _told(_net({"Mill": MILL, "/": back}), -2.0)
    assert told["severity"].tolist() == ["info"]


def test_a_string_on_along_the_other_carriageway_is_warned_of_there_and_not_at_its_forks() -> None:
    back: Line = [(150, 0), (175, 8), (200, 4), (300, 4), (325, 8), (350, 0)]
    told = _told(_net({"Mill": MILL, "Mill/back": back}), 0.8)
    assert told["severity"].tolist() == ["warning"]
    (place,) = told["geometry"]
    low, _, high, _ = place.bounds
    assert 185 < low < 200 and 300 < high < 315
    assert f"{shapely.area(place):.1f} m²" in told["text"].iloc[0]


def test_a_string_lies_along_another_street_by_its_longest_place_on_it_not_by_all_of_them() -> None:
    loops: dict[str, Line] = {
        "Loop/1": [(100, 0), (100, -50), (200, -50), (200, 0)],
        "Loop/2": [(200, 0), (200, 50), (300, 50), (300, 0)],
        "Loop/3": [(300, 0), (300, -50)],
    }
    told = _told(_net({"Mill": MILL, **loops}), -2.0)
    assert told["severity"].tolist() == ["info"]
    assert "Loop (collector; 8.3 m²)" in told["text"].iloc[0]


def test_a_street_that_comes_back_to_its_own_middle_is_another_one_there() -> None:
    circle: Line = [(500, 0), (600, -60), (600, -200), (300, -200), (200, -100), (200, 0)]
    for lines in ({"Mill": MILL, "Circle": circle}, {"Mill": MILL[::-1], "Circle": circle[::-1]}):
        net = _net(lines)
        assert net.chains.pieces["run"].nunique() == 1
        told = _told(net, -2.0)
        assert told["severity"].tolist() == ["info"]
        assert "on the carriageway of Circle (collector; 2.8 m²)" in told["text"].iloc[0]


def test_a_street_that_comes_near_its_own_middle_lies_along_it_whatever_joins_it_elsewhere() -> (
    None
):
    back: Line = [(500, 0), (560, -60), (500, -120), (250, -60), (215, -6.8), (185, -6.8)]
    back = [*back, (150, -60)]
    for side in ({}, {"Side": [(300, 0), (300, 150)]}):
        told = _told(_net({"Mill": MILL, "Mill2": back, **side}), -3.2)
        assert told["severity"].tolist() == ["warning"]
        assert "Mill2" in told["text"].iloc[0] and "move or forbid its pit" in told["text"].iloc[0]
