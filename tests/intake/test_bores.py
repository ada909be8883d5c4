"""Bores on record that a main of its size and material has not, or hardly has."""

from __future__ import annotations

import numpy as np
import pytest


def _told(layers):
    return layers.findings.table().set_index("rule")


@pytest.mark.parametrize(
    ("material", "unit", "size", "bore", "used", "rule"),
    [
        ("DI", "mm", 400, 800, False, "bore-impossible"),
        ("DI", "mm", 400, 429, False, "bore-impossible"),  # its outside diameter by EN 545
        ("DI", "mm", 400, 421, True, None),
        ("DI", "mm", 400, 200, True, "bore-doubtful"),  # lined long ago, it may be
        ("DI", "mm", 400, 375, True, None),
        ("DI", "in", 16, 17.4, False, "bore-impossible"),  # its outside diameter by AWWA C151
        ("DI", "in", 16, 16.8, True, None),
        ("CI", "in", 24, 23.2, True, None),
        ("CI", "in", 24, 22.0, True, None),
        ("CI", "in", 24, 26.4, False, "bore-impossible"),
        ("PE", "mm", 400, 400, False, "bore-impossible"),  # the outside diameter once more
        ("PE", "mm", 400, 395, True, "bore-doubtful"),
        ("PE", "mm", 400, 352.6, True, None),
        ("PE", "in", 16, 15.3, True, None),
        ("PVC", "in", 24, 24.2, True, None),  # DR 32.5
        ("steel", "in", 36, 36.5, True, None),
        ("concrete", "in", 48, 48.4, True, None),
        ("concrete", "in", 48, 52.0, False, "bore-impossible"),
        ("", "mm", 400, 330, True, None),  # it may be PE
        ("", "mm", 400, 200, True, "bore-doubtful"),
        ("", "mm", 400, 470, False, "bore-impossible"),
    ],
)
def test_a_bore_no_main_of_its_size_has_is_not_used_and_one_far_off_is_told(
    network, read, material, unit, size, bore, used, rule
):
    columns = {"diameter_mm": None, f"diameter_{unit}": size, f"bore_{unit}": [bore, None]}
    layers = read(mains=network(material=material, **columns))
    factor = {"mm": 0.001, "in": 0.0254}[unit]
    kept = [bore * factor if used else np.nan, np.nan]
    np.testing.assert_allclose(layers.mains.table["bore"], kept)
    told = _told(layers)
    assert [name for name in told.index if name.startswith("bore-")] == ([rule] if rule else [])
    if rule:
        assert told.loc[rule, "feature"] == "A"
        assert told.loc[rule, "severity"] == "warning"


def test_the_finding_of_an_impossible_bore_says_what_is_used_instead(network, read):
    told = _told(read(mains=network(material="DI", diameter_mm=400, bore_mm=[800, 406])))
    text = told.loc["bore-impossible", "text"]
    assert "bore_mm is 800 mm (column 'bore_mm')" in text
    assert "a main of 400 mm (DI) is at most 429 mm wide outside" in text
    assert "taken from tables by size and material, about 403 mm" in text


def test_a_bore_of_a_main_without_a_size_is_not_judged(network, read):
    layers = read(mains=network(material="DI", diameter_mm=[None, 400], bore_mm=[800, 410]))
    assert layers.mains.table["bore"].tolist() == pytest.approx([0.8, 0.41])
