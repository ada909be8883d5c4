"""Entries of a GeoJSON that are no features: GDAL passes them over, and that is told."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.intake import entries
from geotools.intake.place import locate


def feature(k: int) -> dict[str, Any]:
    ends = [[15 + k / 1000, 47.0], [15 + (k + 1) / 1000, 47.0]]
    return {
        "type": "Feature",
        "properties": {"main_id": f'M"{k}\\', "diameter_mm": 300, "type": "Feature"},
        "geometry": {"type": "LineString", "coordinates": ends},
    }


def collection(features: list[Any], **more: Any) -> dict[str, Any]:
    return {**more, "type": "FeatureCollection", "features": features}


ODD = [
    feature(9) | {"type": "feature"},
    {k: v for k, v in feature(9).items() if k != "type"},
    feature(9)["geometry"],
    collection([feature(9)]),
    None,
    {},
    [feature(9)],
    '{"type": "Feature"},',
]


@pytest.mark.parametrize("odd", ODD)
def test_an_entry_that_is_no_feature_is_counted_and_told_by_its_number(
    odd, tmp_path, read_file, found, monkeypatch
):
    path = tmp_path / "m.geojson"
    held = [feature(0), feature(1), odd, feature(2), odd]
    path.write_text(json.dumps(collection(held)), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    layers = read_file("./m.geojson")
    (told,) = found(layers, "entries-passed-over").itertuples()
    assert told.severity == "warning"
    assert told.text.startswith("2 of 5 entries of the list of features are none")
    assert "by their number in it 3, 5;" in told.text
    (row,) = layers.inputs.itertuples()
    assert (row.features_read, row.features_used) == (5, 3)


def test_features_of_every_geometry_are_no_odd_entries(tmp_path, read_file, found):
    path = tmp_path / "m.geojson"
    held = [feature(0), feature(1) | {"geometry": None}, feature(2)]
    path.write_text(json.dumps(collection(held), indent=1), encoding="utf-8")
    layers = read_file(path)
    assert found(layers, "entries-passed-over").empty
    assert layers.inputs["features_read"].tolist() == [3]


@settings(max_examples=60, deadline=None)
@given(
    held=st.lists(st.sampled_from([feature(0), feature(1), *ODD, 1.5]), min_size=2, max_size=8),
    tight=st.booleans(),
    chunk=st.sampled_from([1, 7, 64, 1000]),
)
def test_entries_are_found_wherever_the_file_is_cut(held, tight, chunk, tmp_path_factory):
    path = tmp_path_factory.getbasetemp() / "entries.geojson"
    said = collection(held, bbox=[1, 2], x={"features": [1, None]}) | {"tail": [feature(3)]}
    text = json.dumps(said, separators=(",", ":")) if tight else json.dumps(said, indent=1)
    path.write_text(text, encoding="utf-8")
    odd = [k + 1 for k, one in enumerate(held) if one not in (feature(0), feature(1))]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(entries, "_CHUNK", chunk)
        entries._looked_through.cache_clear()
        place = locate("mains", str(path), allow_remote=False)
        assert entries.passed_over("GeoJSON", place, len(held) - len(odd)) == tuple(odd)
