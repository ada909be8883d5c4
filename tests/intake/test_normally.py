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
from geotools.pipe.names import folded
from geotools.schema import STATES


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
        (["NO", "NF", "no"], MARKED, [1, 0, 1]),
        (["NO", "NF", "Ouvert"], MIXED, [1, 0, 1]),
        (["NO", "N.F.", ""], MARKED, [1, 0, np.nan]),
        (["N.O.", "N.F.", "n/o"], PLAIN, [1, 0, 1]),
        (["NO", "Fermée", "NO"], MARKED, [1, 0, 1]),
        (["NO", "normalmente cerrada", ""], MARKED, [1, 0, np.nan]),
        (["NO", "Sí", "si"], PLAIN, [0, 1, 1]),
        (["NO", "Aperta", "CHIUSA"], PLAIN, [0, 1, 0]),
        (["NO", "YES", "closed valve"], PLAIN, [0, 1, 0]),
        (["NO", "NZ", "N.Z."], MARKED, [1, 0, 0]),
        (["NO", "NG", ""], MARKED, [1, 0, np.nan]),
        (["NO", "NS", "no"], MARKED, [1, 0, 1]),
        (["NO", "NZ", "otwarta"], MIXED, [1, 0, 1]),
        (["NÖ", "NS", "nö"], PLAIN, [1, 0, 1]),
        (["NÖ", "", "öppen"], PLAIN, [1, np.nan, 1]),
        (["NÅ", "NL", "N.L."], PLAIN, [1, 0, 0]),
    ],
)
def test_no_is_normally_open_where_the_column_holds_such_marks_and_told_where_nothing_tells(
    network, read, spot, words, meaning, states
):
    layers = read(mains=network(), valves=_valves(spot, words))
    meant = normally(np.array([w or "" for w in words], dtype=object))
    assert meant.get("no", PLAIN) == meaning
    np.testing.assert_array_equal(layers.valves.table["open"].to_numpy(), states)
    told = layers.findings.table().set_index("rule")["severity"].to_dict()
    assert "unreadable-value" not in told
    assert told.get("valve-state-marked") == {MARKED: "info", MIXED: "warning"}.get(meaning)
    assert told.get("valve-state-doubtful") == ("warning" if meaning == DOUBTFUL else None)
    for rule, text in layers.findings.table()[["rule", "text"]].itertuples(index=False):
        if rule.startswith("valve-state-"):
            assert "write N.O. or open for valves normally open" in text


def _told(layers):
    table = layers.findings.table()
    return sorted(rule for rule in table["rule"] if rule.startswith(("valve-state-m", "unread")))


@pytest.mark.parametrize(
    ("words", "states", "told"),
    [
        (["NA", "NC", "N.A."], [1, 0, 1], ["valve-state-marked"]),
        (["NA", "NF", ""], [1, 0, np.nan], ["valve-state-marked"]),
        (["NA", "NC", "n/a"], [1, 0, np.nan], ["valve-state-marked"]),
        (["NA", "NC", "Open"], [np.nan, 0, 1], []),
        (["NA", "NC", "N.O."], [np.nan, 0, 1], []),
        (["NA", "Closed", "NA"], [np.nan, 0, np.nan], []),
        (["NA", "", "NA"], [np.nan, np.nan, np.nan], []),
    ],
)
def test_na_is_normally_open_where_nothing_but_marks_for_closed_stands_beside_it(
    network, read, spot, words, states, told
):
    layers = read(mains=network(), valves=_valves(spot, words))
    np.testing.assert_array_equal(layers.valves.table["open"].to_numpy(), states)
    assert _told(layers) == told


@pytest.mark.parametrize("words", [["NS", "NO", "YES"], ["NG", "Open", ""], ["NZ", "", ""]])
def test_other_marks_for_normally_closed_are_read_beside_normally_open_alone(
    network, read, spot, words
):
    layers = read(mains=network(), valves=_valves(spot, words))
    assert np.isnan(layers.valves.table["open"].to_numpy()[0])
    assert "unreadable-value" in _told(layers)
    if "NO" in words:
        assert layers.valves.table["open"].tolist()[1] == 0


def test_a_word_for_a_state_beside_words_that_do_not_say_the_contrary_is_read(network, read, spot):
    shut = ["stängd ventil", "CERRADA (NC)", "zamkn.", "zamk.", "zavř.", "stale zamknięta"]
    opened = ["helt öppen", "ABIERTA (N.O.)", "otw.", "geheel open", "Ventil offen", "fully open"]
    layers = read(mains=network(), valves=_valves(spot, [*shut, *opened]))
    assert layers.valves.table["open"].tolist() == [0] * len(shut) + [1] * len(opened)
    assert _told(layers) == []


@pytest.mark.parametrize(
    "word",
    [
        *("PARCIALMENTE ABIERTA", "ABIERTA 50%", "no cerrada", "not closed", "open / closed"),
        *("CERRADA (NO)", "open (NC)", "half open", "closed?", "ventil"),
    ],
)
def test_a_word_for_a_state_beside_words_that_may_say_the_contrary_is_told(
    network, read, spot, word
):
    layers = read(mains=network(), valves=_valves(spot, [word]))
    assert _told(layers) == ["unreadable-value"]


@pytest.mark.parametrize("words", [["NF", "Open", "Closed"], ["YES", "NO", "NF"], ["NF", "", ""]])
def test_nf_may_be_not_found_and_is_read_as_closed_beside_normally_open_alone(
    network, read, spot, words
):
    layers = read(mains=network(), valves=_valves(spot, words))
    assert np.isnan(layers.valves.table["open"].to_numpy()[words.index("NF")])
    assert "unreadable-value" in _told(layers)


@pytest.mark.parametrize(
    ("words", "states"),
    [
        (["Yes", "No", "NF"], [1, 0, np.nan]),
        (["Open", "No", "NF"], [1, 0, np.nan]),
        (["Y", "NO", "N/F"], [1, 0, np.nan]),
        (["Aperta", "NO", "NF"], [1, 0, np.nan]),
        (["NO", "NC", "NF"], [1, 0, np.nan]),
        (["NO", "Closed", "NF"], [1, 0, np.nan]),
        (["N.O.", "Normally Closed", "NF"], [1, 0, np.nan]),
    ],
)
def test_nf_beside_english_words_or_nc_leaves_no_what_it_is_and_is_told_as_unread(
    network, read, spot, words, states
):
    layers = read(mains=network(), valves=_valves(spot, words))
    np.testing.assert_array_equal(layers.valves.table["open"].to_numpy(), states)
    assert "unreadable-value" in _told(layers)
    assert ("valve-state-marked" in _told(layers)) == (words[0] == "NO")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("NO NC", "by words or marks (N.C.) which"),
        ("NO NC NF", "by words or marks (N.C.) which"),
        ("NO NF", "by words or marks (N.F.) which"),
        ("NA NC", "by words or marks (N.C.) which"),
        ("NO NC NZ", "by words or marks (N.C. and N.Z.) which"),
        ("NO Closed", "by words which"),
    ],
)
def test_what_is_said_of_no_names_the_marks_that_are_in_the_column(
    network, read, spot, words, said
):
    found = read(mains=network(), valves=_valves(spot, words.split())).findings.table()
    (text,) = found.loc[found["rule"] == "valve-state-marked", "text"]
    assert f"since the column says {said} ones are closed" in text


@pytest.mark.parametrize(
    ("words", "states", "rule"),
    [
        (["OFF", "ZU", "off"], [1, 0, 1], "marked"),
        (["OFF", "geschlossen", ""], [1, 0, np.nan], "marked"),
        (["OFF", "AUF", "ZU"], [0, 1, 0], "doubtful"),
        (["OFF", "xyzzy", "ja"], [0, np.nan, 1], "doubtful"),
        (["OFF", "", "OFF"], [0, np.nan, 0], "doubtful"),
        (["OFF", "ON", "xyzzy"], [0, 1, np.nan], ""),
        (["OFF", "Open", "NA"], [0, 1, np.nan], ""),
        (["OFF", "yes", "Closed"], [0, 1, 0], ""),
    ],
)
def test_off_is_open_beside_german_words_for_closed_and_told_where_nothing_tells(
    network, read, spot, words, states, rule
):
    layers = read(mains=network(), valves=_valves(spot, words))
    np.testing.assert_array_equal(layers.valves.table["open"].to_numpy(), states)
    found = layers.findings.table()
    told = found[found["rule"].isin(["valve-state-marked", "valve-state-doubtful"])]
    assert told["rule"].tolist() == ([f"valve-state-{rule}"] if rule else [])
    assert all("OFF on" in text for text in told["text"])


@pytest.mark.parametrize("meaning", STATES)
def test_every_word_for_open_and_closed_is_read_whatever_its_marks(meaning, network, read, spot):
    words = [*meaning[1], *(folded(word).upper() for word in meaning[1])]
    layers = read(mains=network(), valves=_valves(spot, words))
    state = {"open": 1.0, "closed": 0.0}[meaning[0]]
    assert layers.valves.table["open"].tolist() == [state] * len(words)
    assert _told(layers) == []


def test_words_for_yes_and_no_are_read_in_other_languages(network, read, spot):
    laterals = _valves(spot, ["Ja", "SI", "não", "NAO", "Tak", "nein", "WAHR"])
    layers = read(mains=network(), laterals=laterals.rename(columns={"open": "critical"}))
    assert layers.laterals.table["critical"].tolist() == [1, 1, 0, 0, 1, 0, 1]
    layers = read(mains=network(), valves=_valves(spot, ["ano", "ne", "NE"]))
    assert layers.valves.table["open"].tolist() == [1, 0, 0]
    layers = read(mains=network(), valves=_valves(spot, ["ja", "ne", ""]))
    assert _told(layers) == ["unreadable-value"]


def test_ne_beside_ano_is_no_in_every_field_of_yes_and_no(network, read, spot):
    for words, due in (("ano ne NE", [1, 0, 0]), ("ja ne NE", [1, np.nan, np.nan])):
        laterals = _valves(spot, words.split()).rename(columns={"open": "critical"})
        avoid = laterals.rename(columns={"critical": "hard"}).set_geometry(laterals.buffer(3))
        layers = read(mains=network(), laterals=laterals, avoid=avoid)
        np.testing.assert_array_equal(layers.laterals.table["critical"].to_numpy(), due)
        np.testing.assert_array_equal(layers.avoid.table["hard"].to_numpy(), due)
        told = layers.findings.table().query("rule == 'unreadable-value'")
        assert sorted(set(told["layer"])) == ([] if due[1] == 0 else ["avoid", "laterals"])


def test_ne_in_a_part_of_the_laterals_means_what_it_means_in_the_whole(network, spot, line):
    mains = network([line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(2)])
    laterals = _valves(spot, ["ne", "ano"]).rename(columns={"open": "critical"})
    shelf = shelved({"mains": mains, "laterals": laterals}, Brief())
    window = Window(mains.geometry.iloc[0].bounds, mains.crs)
    frames = {layer.layer: part_of(layer, window) for layer in shelf}
    read = read_layers(Brief(), frames=frames, window=window).laterals
    assert read.table["critical"].tolist() == [0.0]


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
        ("Fermée", True),
        ("normal geschlossen", True),
        ("NF", False),
        ("NO", False),
        ("Open", False),
    ],
)
def test_a_mark_for_closed_is_known_however_it_is_written(text: str, closed: bool) -> None:
    assert says_closed(text) == closed
