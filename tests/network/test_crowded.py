"""Mains drawn nearer to each other than their pipes are thick."""

from __future__ import annotations

import pytest


def _told(layers_of, run_set, lines, **columns):
    layers = layers_of(lines, **columns)
    run_set(layers)
    table = layers.findings.table()
    return table[table["rule"] == "mains-too-near"].reset_index(drop=True)


@pytest.mark.parametrize(
    ("apart", "diameters", "told"),
    [
        (0.40, [0.6, 0.6], True),
        (0.59, [0.6, 0.6], True),
        (0.61, [0.6, 0.6], False),  # half and half are 0.60 m
        (0.42, [0.5, 0.35], True),  # half the diameters are 0.425 m
        (0.43, [0.5, 0.35], False),
        (1.50, [0.6, 0.6], False),
    ],
)
@pytest.mark.parametrize("turned", [False, True])
def test_mains_nearer_than_half_their_diameters_are_told(
    apart, diameters, told, turned, run_set, layers_of
):
    second = [(10, apart), (90, apart)]
    lines = [[(0, 0), (50, 0), (100, 0)], second[::-1] if turned else second]
    found = _told(layers_of, run_set, lines, diameter=diameters)
    assert len(found) == told
    if told:
        assert f"lie {apart:.2f} m from each other over 80.0 m" in found["text"][0]


def test_mains_that_meet_at_a_flat_angle_are_not_told(run_set, layers_of):
    lines = [[(0, 0), (100, 0)], [(100, 0), (0, 2)], [(0, 0), (-80, 1)]]
    assert _told(layers_of, run_set, lines).empty


def test_small_mains_beside_a_large_one_are_not_told(run_set, layers_of):
    lines = [[(0, 0), (100, 0)], [(0, 0.4), (100, 0.4)]]
    assert _told(layers_of, run_set, lines, diameter=[0.6, 0.1]).empty


BESIDE = [
    [(10 * k, 0) for k in range(13)],
    [(10 * k, 0.52) for k in range(11)] + [(110, 1.0), (120, 5)],
]


@pytest.mark.parametrize("other", [0.6, 1.2, 1.8])
def test_a_wide_main_elsewhere_changes_nothing_of_what_is_told(other, run_set, layers_of):
    found = _told(layers_of, run_set, [*BESIDE, [(0, 500), (50, 500)]], diameter=[0.6, 0.6, other])
    assert len(found) == 1
    assert "lie 0.52 m from each other over 100.0 m" in found["text"][0]


@pytest.mark.parametrize("ways", [(1, 1), (1, -1), (-1, 1)])
def test_mains_side_by_side_from_one_node_are_told(ways, run_set, layers_of):
    lines = [[(0, 0), (3, side), (50, side), (100, side)] for side in (0.26, -0.26)]
    drawn = [line[::way] for line, way in zip(lines, ways, strict=True)]
    found = _told(layers_of, run_set, [[(-50, 0), (0, 0)], *drawn])
    assert len(found) == 1
    assert "lie 0.52 m from each other" in found["text"][0]


def test_a_main_that_branches_off_in_an_arc_is_not_told(run_set, layers_of):
    arc = [(x, x**2 / 100.0) for x in range(0, 41, 2)]  # 50 m of radius: 0.60 m off at 7.7 m
    assert _told(layers_of, run_set, [[(-50, 0), (0, 0)], [(0, 0), (60, 0)], arc]).empty


@pytest.mark.parametrize(("apart", "runs"), [(0.25, 1), (0.299, 1), (0.3, 2), (0.301, 2)])
@pytest.mark.parametrize("y", [0.0, 5_600_000.0])
def test_mains_side_by_side_are_told_to_be_one_or_two_and_never_both(
    apart, runs, y, run_set, layers_of
):
    second = [(10, y + apart), (90, y + apart)]
    layers = layers_of([[(0, y), (100, y)], second])
    edges = len(run_set(layers).graph)
    rules = layers.findings.table()["rule"]
    told = rules[rules.isin(["mains-too-near", "overlapping-mains"])].tolist()
    assert told == (["overlapping-mains"] if runs == 1 else ["mains-too-near"])
    assert edges == (2 if runs == 2 else 3)  # one main, split where the other begins and ends
