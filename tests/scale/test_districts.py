"""Which district plans which run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.intake.findings import Findings
from geotools.network.districts import assign_runs, by_name
from geotools.network.runs import Chains
from geotools.scale.districts import report_districts, same_runs, span_of


def chains_of(*lines: list[tuple[float, float]]) -> Chains:
    xy = np.array([p for line in lines for p in line], dtype=float)
    offsets = np.cumsum([0, *(len(line) for line in lines)])
    return Chains(xy, offsets, pd.DataFrame(), pd.DataFrame())


def areas_of(*rows: tuple[str | None, shapely.Geometry]) -> Areas:
    table = pd.DataFrame({"name": [n for n, _ in rows]})
    table["feature"] = [f"fid {k}" for k in range(len(rows))]
    return Areas(table, np.array([g for _, g in rows], dtype=object))


WEST, EAST = shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100)


def test_a_run_goes_whole_to_the_district_most_of_it_lies_in() -> None:
    chains = chains_of([(10, 10), (120, 10)], [(60, 20), (170, 20)], [(110, 5), (190, 5)])
    assert assign_runs(chains, np.array([WEST, EAST])).tolist() == [0, 1, 1]


def test_of_two_equal_shares_the_first_district_takes_the_run_whichever_way_it_is_drawn() -> None:
    chains = chains_of([(50, 10), (150, 10)], [(150, 20), (50, 20)])
    assert assign_runs(chains, np.array([WEST, EAST])).tolist() == [0, 0]
    assert assign_runs(chains, np.array([EAST, WEST])).tolist() == [0, 0]


def test_a_run_that_touches_no_district_goes_to_none() -> None:
    chains = chains_of([(10, 500), (120, 500)], [(150, -50), (150, 300)])
    assert assign_runs(chains, np.array([WEST, EAST])).tolist() == [-1, 1]


def test_parts_of_one_name_are_one_district_and_a_nameless_one_bears_its_feature() -> None:
    table = by_name(areas_of(("South", EAST), (" North", WEST), (None, WEST), ("South", WEST)))
    assert table["name"].tolist() == ["North", "South", "fid 2"]
    assert shapely.area(table["geometry"].to_numpy()).tolist() == [10000, 20000, 10000]


def told_of(areas: Areas) -> list[tuple[str, str]]:
    findings = Findings()
    report_districts(areas, by_name(areas), findings)
    table = findings.table()
    return list(zip(table["rule"], table["feature"], strict=True))


def test_areas_of_one_name_without_one_and_districts_that_overlap_are_told() -> None:
    far, sliver = shapely.box(900, 0, 950, 50), shapely.box(99.5, 0, 150, 100)
    assert told_of(areas_of(("W", WEST), ("E", EAST), ("F", far))) == []
    assert told_of(areas_of(("W", WEST), ("E", sliver))) == []
    assert told_of(areas_of(("W", WEST), (None, EAST), (" ", far))) == [
        ("district-unnamed", "fid 1"), ("district-unnamed", "fid 2"),
    ]  # fmt: skip
    assert told_of(areas_of(("W", WEST), ("W ", far))) == [("district-merged", "W")]
    over = shapely.box(50, 50, 250, 60)
    assert told_of(areas_of(("W", WEST), ("E", EAST), ("O", over), ("F", far))) == [
        ("district-overlap", "E"), ("district-overlap", "O"),
    ]  # fmt: skip


def test_a_nameless_district_is_told_by_the_name_it_goes_by() -> None:
    findings, areas = Findings(), areas_of(("W", WEST), (None, EAST))
    report_districts(areas, by_name(areas), findings)
    assert findings.table()["text"].tolist() == [
        "has no name; it goes by the name 'fid 1'; name it"
    ]


def test_the_same_run_is_found_by_its_ends_and_its_length() -> None:
    bow = [(0, 0), (50, 30), (100, 0)]
    whole = span_of(chains_of([(0, 0), (100, 0)], bow, [(0, 9), (100, 9)]))
    part = span_of(chains_of([(0, 9), (100, 9)], bow))
    assert same_runs(whole, part).tolist() == [-1, 1, 0]
    assert same_runs(whole, part[:0]).tolist() == [-1, -1, -1]
