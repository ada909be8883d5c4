"""French: FD and FG among materials."""

from __future__ import annotations

import numpy as np
import pytest

from geotools.brief import Brief
from geotools.intake.memory import part_of, shelved
from geotools.intake.read import read_layers
from geotools.intake.window import Window
from geotools.pipe.host import host_kind

RULE = "material-codes"


@pytest.mark.parametrize(
    ("words", "french"),
    [
        (["FD", "FG", ""], True),
        (["FD", "Acier", "PVC"], True),
        (["FG 400", "fonte", "F.D. K9"], True),
        (["FD", "FGS", "PVC"], True),
        (["FD", "PVC", "béton"], False),  # the latter two may be of any language
        (["FG", "Stahl", "PE"], False),
        (["FG", "concreto", "PVC"], False),  # in Portuguese it is galvanised iron
        (["FD", "", "FD"], False),
    ],
)
def test_fd_and_fg_are_cast_iron_where_both_or_other_french_words_stand_in_the_column(
    network, read, line, found, words, french
):
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(3)]
    layers = read(mains=network(shapes, material=words, installed=[1960] * 3))
    table = layers.mains.table.sort_values("main_id")
    material = table["material"].to_numpy(dtype=object)
    due = {"FD": "ductile_iron", "F.": "ductile_iron", "FG": "spun_cast"}
    kinds = host_kind(material.astype(np.str_), 1960.0).tolist()
    for word, text, kind in zip(words, material, kinds, strict=True):
        if word[:2] in due and word != "FGS":
            assert kind == (due[word[:2]] if french else "unknown")
            assert text.endswith(f"({word})") == french
        else:
            assert text == word
    told = found(layers, RULE)
    assert told["severity"].tolist() == (["info"] if french else [])


@pytest.mark.parametrize("words", [["FD", "FG", "HORMIGÓN"], ["FD", "FG", "fundición"]])
def test_fd_and_fg_beside_spanish_words_are_spanish(network, read, line, found, words):
    layers = read(
        mains=network([line((0, 50 * k), (90, 50 * k)) for k in range(3)], material=words)
    )
    material = layers.mains.table.sort_values("main_id")["material"].tolist()
    assert material == ["fundición dúctil (FD)", "fundición gris (FG)", words[2]]
    kinds = host_kind(np.array(material)).tolist()
    assert kinds[:2] == ["ductile_iron", "pit_cast"]
    (told,) = found(layers, RULE)["text"]
    assert (
        "(fundición dúctil, fundición gris), since the column holds both or other Spanish" in told
    )


def test_fd_in_a_part_of_the_mains_means_what_it_means_in_the_whole(network, line):
    mains = network([line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(2)])
    mains["material"] = ["FD", "Acier"]
    window = Window(mains.geometry.iloc[0].bounds, mains.crs)
    shelf = shelved({"mains": mains}, Brief())
    frames = {layer.layer: part_of(layer, window) for layer in shelf}
    lines = read_layers(Brief(), frames=frames, window=window).mains
    assert lines.table["material"].tolist() == ["fonte ductile (FD)"]
