"""The data contract: names that every format takes, units that every reader knows."""

from __future__ import annotations

import re

import pytest

from geotools.schema import DIMENSIONS, INPUTS, OUTPUTS, Field, Layer, describe

LAYERS = [(f"{side}.{layer.name}", layer) for side, group in (("in", INPUTS), ("out", OUTPUTS))
          for layer in group.values()]  # fmt: skip
# Words that SQL or the GeoPackage driver keeps for itself.
SQL_WORDS = {"order", "group", "select", "table", "index", "from", "to", "fid", "geom", "geometry"}


@pytest.mark.parametrize("layer", [layer for _, layer in LAYERS], ids=[name for name, _ in LAYERS])
def test_columns_are_lower_case_unique_and_no_reserved_words(layer: Layer) -> None:
    for system in ("si", "us"):
        columns = [field.column(system) for field in layer.fields]
        assert len(set(columns)) == len(columns)
        for column in columns:
            assert re.fullmatch(r"[a-z][a-z0-9_]*", column)
            assert column not in SQL_WORDS


@pytest.mark.parametrize("layer", [layer for _, layer in LAYERS], ids=[name for name, _ in LAYERS])
def test_every_field_has_a_type_a_meaning_and_a_known_dimension(layer: Layer) -> None:
    for field in layer.fields:
        assert field.text
        assert field.dtype in {"text", "integer", "real", "flag"}
        assert field.dimension is None or field.dimension in DIMENSIONS
        assert field.dimension is None or field.dtype == "real"


@pytest.mark.parametrize("layer", list(INPUTS.values()), ids=list(INPUTS))
def test_no_column_of_an_input_can_be_read_as_two_fields(layer: Layer) -> None:
    spellings = [name for field in layer.fields for name in field.spellings()]
    assert len(set(spellings)) == len(spellings)


def test_written_suffixes_can_be_read_back() -> None:
    for dimension in DIMENSIONS.values():
        assert dimension.suffix("si") == dimension.si
        assert dimension.suffix("us") == dimension.us
        assert {dimension.si, dimension.us} <= set(dimension.units)


def test_field_spells_its_units() -> None:
    field = Field("depth", "real", "how deep", "length")
    assert field.column() == "depth_m"
    assert field.column("us") == "depth_ft"
    assert field.spellings()["depth_in"] == pytest.approx(0.0254)
    assert Field("lanes", "integer", "how many").spellings() == {"lanes": 1.0}


def test_layer_knows_its_fields() -> None:
    assert INPUTS["mains"].field("main_id").required
    with pytest.raises(KeyError):
        INPUTS["mains"].field("colour")


def test_description_names_every_layer_and_column() -> None:
    for system in ("si", "us"):
        text = describe(OUTPUTS, system)
        for layer in OUTPUTS.values():
            assert f"**{layer.name}**" in text
            assert all(f"`{field.column(system)}`" in text for field in layer.fields)
