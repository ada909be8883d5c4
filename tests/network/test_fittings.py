"""Fittings: what makes a bend or ends a run, and what is told of those that do neither."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Bends, Network
from geotools.intake.columns import Layers
from geotools.network.build import RunSet

MAIN = [(0, 0), (600, 0)]
RunsOf = Callable[..., RunSet]
LayersOf = Callable[..., Layers]


def told(layers: Layers, rule: str) -> pd.DataFrame:
    table = layers.findings.table()
    return table[table["rule"] == rule].reset_index(drop=True)


def angles(runs: RunSet) -> list[float]:
    return np.degrees(runs.bends["deflection"]).round(6).tolist()


@pytest.mark.parametrize("kind", ["Formstück", "pièce spéciale", "", "ELL"])
def test_an_angle_on_record_is_a_bend_whatever_the_word(
    layers_of: LayersOf, run_set: RunsOf, kind: str
) -> None:
    layers = layers_of([MAIN], fittings=[(200, 0, kind, 45.0), (400, 0, kind, 30.0)])
    assert angles(run_set(layers)) == [45.0, 30.0]
    found = told(layers, "fitting-kind-unknown")
    assert found["severity"].tolist() == ["warning"]
    assert found["text"][0].startswith(
        f"2 fittings on the runs are of a kind that is not known, {kind.casefold()!r}, and are "
        "taken as bends"
    )
    assert "caps, at which a run should end" in found["text"][0]


@pytest.mark.parametrize(
    "kind", ["tee", "T_PIECE", "Cross", "reducer", "coupling", "end cap", "T-Stück", "Té", "Muffe"]
)
def test_the_angle_of_what_is_known_to_be_no_bend_counts_for_nothing(
    layers_of: LayersOf, run_set: RunsOf, kind: str
) -> None:
    layers = layers_of([MAIN], fittings=[(200, 0, kind, 90.0)])
    assert angles(run_set(layers)) == []
    assert told(layers, "fitting-kind-unknown").empty


@pytest.mark.parametrize("kind", ["45 deg bend", "Elbow", "BEND_45", "Krümmer", "codo"])
def test_a_bend_is_of_a_known_kind(layers_of: LayersOf, run_set: RunsOf, kind: str) -> None:
    layers = layers_of([MAIN], fittings=[(200, 0, kind, 45.0), (300, 0, kind, np.nan)])
    assert angles(run_set(layers)) == [45.0]
    assert told(layers, "fitting-kind-unknown").empty


def test_kinds_nobody_knows_without_an_angle_are_told_once_each(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    marks = [(k, 0, kind, np.nan) for k, kind in enumerate(("Xyzzy", "xyzzy ", "Ell"), start=9)]
    layers = layers_of([MAIN, [(0, 50), (600, 50)]], diameter=[0.6, 0.1], fittings=[
        *marks, (100, 50, "unheard of", np.nan),
    ])  # fmt: skip
    assert angles(run_set(layers)) == []
    found = told(layers, "fitting-kind-unknown")
    assert found["severity"].tolist() == ["info", "info"]
    assert ["'ell'" in text for text in found["text"]] == [True, False]
    assert found["text"][1].startswith("2 fittings on the runs are of a kind that is not known")
    assert all("caps, at which a run should end" in text for text in found["text"])


@pytest.mark.parametrize("reach", [3.0, 10.0])
def test_fittings_off_every_main_are_told_those_on_any_main_are_not(
    layers_of: LayersOf, run_set: RunsOf, reach: float
) -> None:
    lines = [MAIN, [(0, 50), (600, 50)], [(0, 90), (600, 90)]]
    away = [0.0, 2.9, 3.5, 9.0, 10.5]
    fittings: list[Any] = [(100 * k + 50, y, "tee", np.nan) for k, y in enumerate(away)]
    fittings += [(100, 51, "tee", np.nan), (100, 91, "bend", 45.0)]
    layers = layers_of(
        lines, diameter=[0.6, 0.1, 0.6], status=["", "", "abandoned"], fittings=fittings
    )
    run_set(layers, bends=Bends(fitting_reach=f"{reach} m"))
    found = told(layers, "fitting-off-main")
    assert found["feature"].tolist() == [f"F{k}" for k, y in enumerate(away) if y > reach]
    assert all(f"more than {reach:.1f} m from every main" in text for text in found["text"])


@pytest.mark.parametrize(
    ("size", "fits"), [(0.1, False), (0.58, False), (0.5999, True), (0.6096, True), (np.nan, True)]
)
def test_a_fitting_of_another_size_makes_no_bend_and_ends_no_run(
    layers_of: LayersOf, run_set: RunsOf, size: float, fits: bool
) -> None:
    layers = layers_of([MAIN], fittings=[(200, 0, "bend", 45.0), (400, 0, "cap", np.nan)])
    assert layers.fittings is not None
    layers.fittings.table["diameter"] = size
    runs = run_set(layers)
    assert angles(runs) == ([45.0] if fits else [])
    assert len(runs.table) == (2 if fits else 1)
    found = told(layers, "fitting-of-other-size")
    assert found["feature"].tolist() == ([] if fits else ["F0", "F1"])
    if not fits:
        assert f"with {size * 1000:.0f} mm, the main there with 600 mm" in found["text"][0]


def test_a_fitting_is_held_to_the_main_it_lies_on_by_the_tolerance_of_the_brief(
    layers_of: LayersOf, run_set: RunsOf
) -> None:
    lines = [[(0, 0), (300, 0)], [(300, 0), (600, 0)]]
    for tolerance, count in ((0.2, 2), (0.1, 1)):
        layers = layers_of(
            lines, diameter=[0.6, 0.5], fittings=[(200, 0, "bend", 45.0), (400, 0, "bend", 30.0)]
        )
        assert layers.fittings is not None
        layers.fittings.table["diameter"] = [0.6, 0.6]
        run_set(layers, network=Network(diameter_tolerance=tolerance))
        assert len(told(layers, "fitting-of-other-size")) == 2 - count


@pytest.mark.parametrize("way", [1, -1])
@pytest.mark.parametrize("size", [0.385, 0.46])
def test_a_fitting_on_a_joint_is_of_either_main_whichever_comes_first(
    layers_of: LayersOf, run_set: RunsOf, size: float, way: int
) -> None:
    lines = [[(way * x, 0) for x in main] for main in ((0, 300), (300, 600))]
    layers = layers_of(lines, diameter=[0.4, 0.44], fittings=[(way * 300, 0, "bend", 45.0)])
    assert layers.fittings is not None
    layers.fittings.table["diameter"] = size
    runs = run_set(layers, network=Network(diameter_tolerance=0.1))
    assert (len(runs.table), angles(runs)) == (1, [45.0])
    assert told(layers, "fitting-of-other-size").empty


def test_the_size_of_a_tee_may_be_that_of_its_branch(layers_of: LayersOf, run_set: RunsOf) -> None:
    layers = layers_of([MAIN], fittings=[(200, 0, "tee", np.nan)])
    assert layers.fittings is not None
    layers.fittings.table["diameter"] = 0.1
    run_set(layers)
    assert told(layers, "fitting-of-other-size").empty
