"""Layers of points held as numbers: the same file, hash and frames as from their geometries."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyproj
import pytest
import shapely

from geotools.deliver.columns import _joined, content_hash, encoded
from geotools.deliver.layers import drawn, placed
from geotools.tool import Outcome

ZONE, DEGREES = pyproj.CRS("EPSG:32617"), pyproj.CRS("EPSG:4326")


def some_pits(count: int) -> pd.DataFrame:
    rng = np.random.default_rng(count)
    x, y = rng.uniform(400_000, 600_000, count), rng.uniform(4e6, 5e6, count)
    return pd.DataFrame({"pit_id": [f"P{k}" for k in range(count)], "x": x, "y": -y})


@pytest.mark.parametrize("output", [ZONE, DEGREES])
@pytest.mark.parametrize("count", [0, 1, 30])
def test_points_held_as_numbers_are_those_drawn(count: int, output: pyproj.CRS) -> None:
    pits = some_pits(count)
    layers = drawn({"pits": pits, "forces": pd.DataFrame()}.items(), ZONE, output)
    points = shapely.points(pits[["x", "y"]].to_numpy())
    due = placed({"pits": pits[["pit_id"]].assign(geometry=points)}, ZONE, output)["pits"]
    given = layers["pits"]
    assert isinstance(given, gpd.GeoDataFrame) and given.crs == output
    pd.testing.assert_frame_equal(pd.DataFrame(given), pd.DataFrame(due))
    assert layers["pits"] is given  # what a caller changes in it stays
    assert list(layers) == ["pits", "forces"] and len(layers) == 2
    wkb = encoded({"pits": layers.tables["pits"]}, layers.places)["pits"]
    assert wkb.to_pylist() == list(shapely.to_wkb(due.geometry.to_numpy()))


def test_a_plan_handed_back_has_the_hash_of_the_plan_written(sample_done: Outcome) -> None:
    layers = dict(sample_done.layers)
    for name in ("stations", "bends", "candidates", "pits", "local_digs"):
        assert (layers[name].geom_type == "Point").all()
    assert content_hash(layers) == sample_done.summary["content_hash"]


def test_texts_are_hashed_without_what_lies_beside_them() -> None:
    texts = pa.array(["ä", "b", None, "", "cdü"])
    for part in (texts, texts[1:4], texts[2:3], texts[:0]):
        due = "".join(word for word in part.to_pylist() if word is not None)
        assert bytes(_joined(part.drop_null())) == due.encode()
