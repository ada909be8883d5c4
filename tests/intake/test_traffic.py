"""Traffic: T and F in the column on one-way streets."""

from __future__ import annotations

import tracemalloc

import geopandas
import numpy as np
import pandas as pd
import pytest

from geotools.brief import Brief
from geotools.intake.memory import part_of, shelved
from geotools.intake.read import read_layers
from geotools.intake.traffic import (
    DRAWN,
    MIXED,
    PLAIN,
    TOLD,
    TRUTH,
    as_words,
    one_way,
    traffic,
    traffic_remarks,
)
from geotools.intake.window import Window


def _streets(line, words):
    shapes = [line((9000.0 * k, 0), (9000.0 * k + 90, 0)) for k in range(len(words))]
    return geopandas.GeoDataFrame({"oneway": words}, geometry=shapes, crs=32633)


@pytest.mark.parametrize(
    ("words", "meaning", "ways"),
    [
        (["F", "T", "B"], PLAIN, [1, -1, 0]),
        (["f", "T", "N"], PLAIN, [1, -1, 0]),
        (["F", "TF", None, None, None], PLAIN, [1, -1, 0, 0, 0]),
        (["T", "F", "yes"], TOLD, [1, 0, 1]),
        (["T", "F", "0"], TOLD, [1, 0, 0]),
        (["Y", "N", "T", "F"], TOLD, [1, 0, 1, 0]),
        (["N", "F", "0"], TOLD, [0, 0, 0]),
        (["N", "F", None, None], PLAIN, [0, 1, 0, 0]),
        (["yes", "FT", "T", "F"], MIXED, [1, 1, -1, 1]),
        (["N", "Y", "B", "T"], MIXED, [0, 1, 0, -1]),
        (["T", "F", "F"], TRUTH, [1, 0, 0]),
        (["F", "F"], TRUTH, [0, 0]),
        (["T", "F", None], TRUTH, [1, 0, 0]),
        (["T", "", "", ""], TRUTH, [1, 0, 0, 0]),
        (["T", "F", None, "", "n/a"], DRAWN, [-1, 1, 0, 0, 0]),
    ],
)
def test_t_and_f_are_to_and_from_beside_such_words_and_told_where_nothing_tells(
    network, read, line, words, meaning, ways
):
    layers = read(mains=network(), streets=_streets(line, words))
    assert traffic(np.array([w or "" for w in words], dtype=object)) == meaning
    np.testing.assert_array_equal(one_way(layers.streets.table)[0], ways)
    told = layers.findings.table().query("rule.str.startswith('oneway-')")
    severity = {PLAIN: [], TOLD: ["info"]}.get(meaning, ["warning"])
    assert told["severity"].tolist() == severity
    drawn = meaning in (DRAWN, MIXED)
    assert all(("read as To and From" in text) == drawn for text in told["text"])
    assert all("write FT (one way as drawn)" in text for text in told["text"])


def test_t_and_f_in_a_part_of_the_streets_mean_what_they_mean_in_the_whole(network, line):
    mains = network([line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(4)])
    for words, way in ((["T", "F", None, None, None], -1), (["T", "B"], -1), (["T", "F"], 1)):
        layers = {"mains": mains, "streets": _streets(line, words)}
        window = Window(mains.geometry.iloc[0].bounds, mains.crs)
        frames = {layer.layer: part_of(layer, window) for layer in shelved(layers, Brief())}
        streets = read_layers(Brief(), frames=frames, window=window).streets
        assert one_way(streets.table)[0].tolist() == [way]


@pytest.mark.parametrize(
    ("words", "way"),
    [
        (["Double sens", "à double sens", "Sans objet", "in beide Richtungen", "two-way"], 0),
        (["Nein", "NEJ", "nie", "ne", "non", "nee", "não", "Dwukierunkowa", "doble (sentido)"], 0),
        (["Doble", "obousměrná", "Dubbelriktad"], 0),
        (["Ja", "ANO", "tak", "Sí", "SI", "oui", "Sim"], 1),
        (["bothDirections", "TWO_WAY", "doble sentido", "Doppio Senso"], 0),
        (["Sens direct", "in Richtung", "in direction", "digitised direction", "inDirection"], 1),
        (["Sens inverse", "gegen Richtung", "inOppositeDirection", "backward"], -1),
    ],
)
def test_words_for_both_ways_along_and_against_are_read_however_they_are_put_together(words, way):
    found, unread = one_way(pd.DataFrame({"oneway": words}))
    assert found.tolist() == [way] * len(words)
    assert not unread.any()


@pytest.mark.parametrize("word", ["F.", "T/F", "sens unique", "in Richtung Norden", "1,5", "-"])
def test_what_is_only_like_a_word_on_one_way_traffic_is_not_read(word):
    found, unread = one_way(pd.DataFrame({"oneway": [word]}))
    assert (found.tolist(), unread.tolist()) == ([0.0], [True])


def test_words_on_one_way_traffic_that_nobody_knows_are_told_once_each_when_they_are_read(
    network, read, line, found
):
    words = ["sometimes", "B", "sometimes", "NB", "", "sometimes"]
    streets = _streets(line, words)
    told = found(read(mains=network(), streets=streets), "oneway-not-read")
    assert told["severity"].tolist() == ["warning"] * 2
    assert told["feature"].tolist() == ["fid 0", "fid 3"]
    assert "oneway is 'sometimes' on 3 streets; taken as both ways" in told["text"][0]
    assert len(told["geometry"][0].geoms) == 3
    assert "oneway is 'NB'; taken as both ways" in told["text"][1]
    assert told["geometry"][1].equals(streets.geometry[3])


def test_one_long_word_takes_no_room_beside_every_other():
    texts = np.array(["T", " f ", "Yes"] * 1_000 + ["x" * 2_000], dtype=object)
    tracemalloc.start()
    ways = traffic(texts)
    read = as_words(texts, ways)
    remarks = traffic_remarks("ONEWAY", texts, ways)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert read[:3].tolist() == ["yes", "no", "Yes"]
    assert "T or F on 2,000 features" in remarks[0][2]
    assert peak < 4e6
