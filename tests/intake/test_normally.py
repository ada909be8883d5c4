"""Normally: NO and NC in the state of valves."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest

from geotools.brief import Brief
from geotools.intake.memory import part_of, shelved
from geotools.intake.normally import DOUBTFUL, MARKED, MIXED, PLAIN, normally, says_closed
from geotools.intake.read import read_layers
from geotools.intake.window import Window


def _valves(spot, words):
    shapes = [spot(10.0 + 9000.0 * k, 0) for k in range(len(words))]
    return geopandas.GeoDataFrame({"open": words}, geometry=shapes, crs=32633)


@pytest.mark.parametrize(
    ("words", "meaning", "states"),
    [
        (["NO", "NC", "no"], MARKED, [1, 0, 1]),
        (["NO", "N.C.", ""], MARKED, [1, 0, np.nan]),
        (["NO", "N.O.", "n/o"], MARKED, [1, 1, 1]),
        (["NC", "N.O.", "Normally Closed"], PLAIN, [0, 1, 0]),
        (["NO", "YES", None], PLAIN, [0, 1, np.nan]),
        (["NO", "Y", "N"], PLAIN, [0, 1, 0]),
        (["no", "true", "1"], PLAIN, [0, 1, 1]),
        (["NO", "Open", ""], PLAIN, [0, 1, np.nan]),
        (["NO", "NC", "YES"], MIXED, [1, 0, 1]),
        (["NO", None, "no"], DOUBTFUL, [0, np.nan, 0]),
        (["NO", "Closed", "NO"], MARKED, [1, 0, 1]),
        (["NO", "Normally Closed", ""], MARKED, [1, 0, np.nan]),
    ],
)
def test_no_is_normally_open_where_the_column_holds_such_marks_and_told_where_nothing_tells(
    network, read, spot, words, meaning, states
):
    layers = read(mains=network(), valves=_valves(spot, words))
    assert normally(np.array([w or "" for w in words], dtype=object)) == meaning
    np.testing.assert_array_equal(layers.valves.table["open"].to_numpy(), states)
    told = layers.findings.table().set_index("rule")["severity"].to_dict()
    assert "unreadable-value" not in told
    assert told.get("valve-state-marked") == {MARKED: "info", MIXED: "warning"}.get(meaning)
    assert told.get("valve-state-doubtful") == ("warning" if meaning == DOUBTFUL else None)
    for rule, text in layers.findings.table()[["rule", "text"]].itertuples(index=False):
        if rule.startswith("valve-state-"):
            assert "write N.O. or open for valves normally open" in text


def test_no_in_a_part_of_the_valves_means_what_it_means_in_the_whole(network, spot, line):
    mains = network([line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(2)])
    layers = {"mains": mains, "valves": _valves(spot, ["NO", "NC"])}
    shelf = shelved(layers, Brief())
    window = Window(mains.geometry.iloc[0].bounds, mains.crs)
    frames = {layer.layer: part_of(layer, window) for layer in shelf}
    valves = read_layers(Brief(), frames=frames, window=window).valves
    assert valves.table["open"].tolist() == [1.0]


def test_marks_of_valves_are_no_words_of_other_flags(network, read, spot):
    laterals = _valves(spot, ["NO", "NC"]).rename(columns={"open": "critical"})
    layers = read(mains=network(), laterals=laterals)
    np.testing.assert_array_equal(layers.laterals.table["critical"].to_numpy(), [0, np.nan])
    assert "unreadable-value" in layers.findings.table()["rule"].tolist()


@pytest.mark.parametrize(
    ("text", "closed"),
    [
        ("Closed", True),
        ("N/C", True),
        ("Normally-Closed", True),
        ("NORMALLY_CLOSED", True),
        ("N_C", True),
        ("NO", False),
        ("Open", False),
    ],
)
def test_a_mark_for_closed_is_known_however_it_is_written(text: str, closed: bool) -> None:
    assert says_closed(text) == closed
