"""What is told of closures: streets they shut, meet and are joined by."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import shapely

from geotools.brief import Street
from geotools.intake.columns import Lines
from geotools.intake.findings import Findings
from geotools.layout.sites import (
    report_cut_closures,
    report_joining,
    report_met,
    report_shut,
)
from geotools.street.closures import ClosureRules, Closures, close_lanes
from geotools.street.lanes import Passage
from geotools.street.net import StreetNet, build_streets

SPEED = 50 / 3.6
LINES = {
    ("High", "local", ""): [(0, 0), (1000, 0)],
    ("Quay", "Primary", ""): [(420, -90), (420, 90)],
    ("", "local", ""): [(550, -90), (550, 90)],
    ("Slip", "local", "along"): [(200, -70), (350, 0)],
}


def closed(
    offset: float, *, side: float = 550.0, kind: str = "local", before: bool = False
) -> tuple[Closures, StreetNet, Any]:
    """Close lanes at 500 m, so far left of the middle, and return what findings are told to.

    The street without a name is where ``side`` says, m, and of this kind. Up to 440 m there may be
    one ``before`` it of a single lane, one way.
    """
    lines = {name: way for name, way in LINES.items() if name[0]}
    lines["", kind, ""] = [(side, -90), (side, 90)]
    if before:
        lines["High", "local", ""] = [(440, 0), (1000, 0)]
        lines["Lane", "local", "along"] = [(0, 0), (440, 0)]
    names, classes, ways = zip(*lines, strict=True)
    table = pd.DataFrame(
        {"class": classes, "lanes": 2, "width": 7.0, "speed": SPEED, "name": names, "oneway": ways}
    )
    table.loc[table["name"] == "Lane", ["lanes", "width"]] = [1, 3.5]
    xy = np.concatenate(list(map(np.array, lines.values())))
    offsets = np.arange(0, len(xy) + 1, 2)
    rules = Street()
    net = build_streets(Lines(table, xy.astype(float), offsets), rules, tolerance=0.5, accuracy=0.5)
    chain = int(np.argmax(net.lengths))
    pit = {
        "pit_id": "P1", "pull_id": "", "run_id": "R", "lanes_taken": 1, "days": 4.0,
        "edge_low": offset - 0.75, "edge_high": offset + 0.75, "street_chain": chain,
        "street_width": 7.0, "street_lanes": 2, "street_speed": SPEED, "street_oneway": 0.0,
        "street_class": "local", "street_name": "High", "first_day": 1.0, "last_day": 9.0,
        "work_low": 494.0, "work_high": 506.0,
    }  # fmt: skip
    passage = Passage(rules.lateral_gap, rules.least_lane_share)
    found = close_lanes(
        pd.DataFrame([pit]), net, ClosureRules(passage, 90.0, 70.0, True, rules.max_turn)
    )
    told = SimpleNamespace(
        brief=SimpleNamespace(street=rules), layers=SimpleNamespace(findings=Findings())
    )
    return found, net, told


def met(offset: float, **where: Any) -> list[Any]:
    """Return what is told of intersections."""
    found, net, told = closed(offset, **where)
    report_met(found, told, net)
    rows = list(told.layers.findings.table().itertuples())
    assert {(row.rule, row.layer) for row in rows} <= {("closure-at-intersection", "closures")}
    return rows


def xs(row: Any) -> list[float]:
    return shapely.get_coordinates(row.geometry)[:, 0].tolist()


def test_closures_at_intersections_that_may_not_be_blocked_are_warned_of() -> None:
    """Traffic on the right comes from the west, past Quay, that on the left from the east."""
    for offset, side, severity, streets in (
        (-2.0, 550.0, "warning", "Slip (taper), Quay (taper); Quay may not be blocked"),
        (2.0, 600.0, "info", "with a street without a name (taper): set up"),
    ):
        (row,) = met(offset, side=side)
        assert (row.severity, row.feature) == (severity, "P1-T1")
        assert streets in row.text and "keep a way for what turns or crosses there" in row.text
        assert xs(row) == ([350.0, 420.0] if offset < 0 else [600.0])


def test_a_buffer_at_an_intersection_is_told_only_where_the_street_may_not_be_blocked() -> None:
    assert met(2.0, side=550.0) == []
    (row,) = met(2.0, side=550.0, kind="primary")
    assert (row.severity, row.feature) == ("warning", "P1-T1")
    assert "without a name (buffer); a street without a name may not be blocked" in row.text


def test_of_a_pit_or_pull_it_is_told_once_with_all_its_closures_that_lie_there() -> None:
    (row,) = met(0.0, side=500.0)
    assert (row.severity, row.feature, xs(row)) == ("info", "P1-T1", [500.0])
    said = "closures P1-T1 and P1-T2 lie at intersections with a street without a name (work space)"
    assert row.text.startswith(f"{said}: set up")
    rows = met(0.0, side=500.0, kind="primary")
    told = [(row.severity, row.feature, xs(row)) for row in rows]
    assert told == [("warning", "P1-T1", [500.0]), ("warning", "P1-T2", [500.0])]


def test_of_a_street_that_is_shut_no_way_is_kept_at_its_intersections() -> None:
    for kind in ("local", "primary"):
        for row in met(0.0, side=500.0, kind=kind):
            assert row.text.endswith("set up advance works in these streets too, or move the work.")


def test_a_street_that_traffic_comes_along_as_well_is_named() -> None:
    found, net, told = closed(-2.0)
    report_joining(found, net, told.layers.findings)
    (row,) = told.layers.findings.table().itertuples()
    assert (row.severity, row.rule, row.feature) == ("warning", "closure-joined", "P1-T1")
    assert "into the lanes closed on High along Slip as well" in row.text
    assert shapely.get_coordinates(row.geometry).tolist() == [[350.0, 0.0]]


def test_a_street_shut_is_told_once_with_both_closures_where_and_when() -> None:
    found, _, told = closed(0.0)
    report_shut(found, told.layers.findings)
    (row,) = told.layers.findings.table().itertuples()
    assert (row.severity, row.rule, row.feature) == ("warning", "street-shut", "P1-T1")
    said = "closures P1-T1 and P1-T2: no lane is left of High over 12 m between Quay and a street"
    assert row.text.startswith(said)
    assert "working day 1.0 to 9.0, closed for 4.0 of them" in row.text


def test_nothing_is_told_of_a_closure_with_a_lane_left_that_no_street_joins() -> None:
    found, net, told = closed(2.0)
    report_joining(found, net, told.layers.findings)
    report_shut(found, told.layers.findings)
    assert told.layers.findings.table().empty


def test_a_street_that_a_closure_leaves_no_lane_to_close_is_named_where_it_is_cut_short() -> None:
    found, net, told = closed(-2.0, before=True)
    report_cut_closures(found, net, told.layers.findings)
    (row,) = told.layers.findings.table().itertuples()
    assert (row.severity, row.rule, row.feature) == ("warning", "closure-cut-short", "P1-T1")
    said = "closure P1-T1: 106 m of its 160 m of taper and buffer are not drawn on Lane, along "
    assert row.text.startswith(said + "which traffic comes and has no lane besides, of either")
    found, net, told = closed(-2.0)
    report_cut_closures(found, net, told.layers.findings)
    assert told.layers.findings.table().empty


def test_a_street_that_traffic_comes_along_from_the_other_end_of_the_work_is_named() -> None:
    found, net, told = closed(2.0)
    assert found.opposed.empty
    line = net.table.index[net.table["name"] == "Quay"][0]
    other = pd.DataFrame({"closure": [0], "line": [line], "x": [506.0], "y": [0.0]})
    found = dataclasses.replace(found, joining=other.iloc[:0], opposed=other)
    report_joining(found, net, told.layers.findings)
    (row,) = told.layers.findings.table().itertuples()
    assert (row.severity, row.rule, row.feature) == ("warning", "closure-joined", "P1-T1")
    assert "into the lanes closed on High along Quay as well, from the other end" in row.text
