"""Dead ends just beyond the snap tolerance: told where they miss another main, not elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

RULE = "end-not-joined"


def _told(run_set, layers_of, lines, **columns):
    layers = layers_of(lines, **columns)
    run_set(layers)
    table = layers.findings.table()
    return table[table["rule"] == RULE].reset_index(drop=True)


@pytest.mark.parametrize(("gap", "told"), [(0.4, 0), (0.6, 1), (1.9, 1), (2.1, 0)])
@pytest.mark.parametrize("turned", [False, True])
def test_ends_that_face_each_other_beyond_the_tolerance_are_told_once(
    gap, told, turned, run_set, layers_of
):
    lines = [[(0, 0), (100, 0)], [(100 + gap, 0), (200, 0)]]
    lines = [line[::-1] for line in lines] if turned else lines
    found = _told(run_set, layers_of, lines)
    assert len(found) == told
    if told:
        assert f"lies {gap:.2f} m from main M1" in found["text"][0]
        assert found["geometry"][0].x == pytest.approx(100.0)


@pytest.mark.parametrize(("gap", "told"), [(0.4, 0), (0.6, 1), (2.1, 0)])
def test_an_end_that_misses_the_inside_of_a_main_is_told(gap, told, run_set, layers_of):
    lines = [[(0, 0), (200, 0)], [(90, gap), (90, 100)]]
    assert len(_told(run_set, layers_of, lines)) == told


@pytest.mark.parametrize(
    "lines",
    [
        [[(0, 0), (100, 0)], [(0, 1), (100, 1)]],  # twin mains
        [[(0, 0), (100, 0)], [(50, 0), (50, 1)]],  # a stub
        [[(0, 0), (100, 0)], [(50, -60), (50, 1)]],  # crosses with no node, told by that
    ],
)
def test_twins_stubs_and_crossings_are_no_missed_joints(lines, run_set, layers_of):
    assert _told(run_set, layers_of, lines).empty


def test_small_mains_are_not_asked_about(run_set, layers_of):
    lines = [[(0, 0), (200, 0)], [(90, 0.6), (90, 100)]]
    assert _told(run_set, layers_of, lines, diameter=[0.6, 0.05]).empty


@pytest.mark.parametrize(
    ("slant", "length", "told"),
    [
        # 0.35 m off at the end; 6 m behind 0.14, 0.21 and 0.31 m farther, 1.5 m behind under 0.1 m
        (1.3, 60, 1),
        (2.0, 60, 1),
        (3.0, 60, 1),
        (3.0, 4, 1),  # 0.21 m farther at the other end
        (5.0, 60, 0),  # joined: 0.13 m farther 1.5 m behind
        (0.0, 60, 0),  # a twin
        (0.5, 60, 0),  # 0.05 m farther 6 m behind: a hand is off by as much
    ],
)
@pytest.mark.parametrize("split", [False, True])
@pytest.mark.parametrize("turned", [False, True])
def test_an_end_within_the_tolerance_that_is_not_joined_is_told_unless_it_is_of_a_twin(
    slant, length, told, split, turned, run_set, layers_of
):
    on = length * np.exp(1j * np.radians(slant))
    branch = [(90, 0.35), (90 + on.real, 0.35 + on.imag)]
    main = [[(0, 0), (94, 0)], [(94, 0), (200, 0)]] if split else [[(0, 0), (200, 0)]]
    lines = [branch, *main]
    lines = [line[::-1] for line in lines] if turned else lines
    layers = layers_of(lines, diameter=0.3)
    runs = run_set(layers)
    table = layers.findings.table()
    found = table[table["rule"] == RULE].reset_index(drop=True)
    assert len(found) == told
    if told:
        assert "the end of main M0 lies 0.35 m from main M1, within" in found["text"][0]
        assert found["geometry"][0].x == pytest.approx(90.0)
    joined = (runs.graph.degrees() > 2).any()
    assert joined == (slant == 5.0)
