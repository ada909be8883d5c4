"""The order of features in a file changes the order of the results and nothing else."""

from __future__ import annotations

import geopandas
import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from geotools.brief import Brief
from geotools.intake.read import read_layers

COORDINATE = st.tuples(st.integers(0, 4), st.integers(0, 4)).map(
    lambda p: (500_000.0 + 30 * p[0], 5_200_000.0 + 30 * p[1])
)
LINE = st.lists(COORDINATE, min_size=2, max_size=4).map(shapely.LineString)
MULTI = st.lists(LINE, min_size=1, max_size=3).map(shapely.MultiLineString)
GEOMETRY = st.one_of(LINE, LINE, MULTI, st.none())
FEATURE = st.tuples(
    st.sampled_from(["a", "b", "c", None]),
    st.sampled_from(["300", "400,5", "rubbish", "-1", None]),
    st.sampled_from(["active", "abandoned"]),
    GEOMETRY,
)


def frame(features, order) -> geopandas.GeoDataFrame:
    columns = ("main_id", "diameter_mm", "status")
    data = {name: [f[i] for f in features] for i, name in enumerate(columns)}
    table = geopandas.GeoDataFrame(data, geometry=[f[3] for f in features], crs=32633)
    return table.iloc[order]


def result(features, order):
    """Return mains and findings as sets of rows."""
    layers = read_layers(Brief(), frames={"mains": frame(features, order)})
    mains = layers.mains
    rows = {
        (*map(str, row), mains.xy[a:b].tobytes())
        for row, a, b in zip(
            mains.table.itertuples(index=False), mains.offsets, mains.offsets[1:], strict=False
        )
    }
    found = layers.findings.table()
    places = shapely.to_wkb(found["geometry"].to_numpy(dtype=object), hex=True)
    texts = found[["severity", "rule", "layer", "feature", "text"]].astype(str).to_numpy()
    return rows, len(mains), sorted(map(tuple, np.column_stack([texts, places.astype(str)])))


@settings(max_examples=25, deadline=None)
@given(st.lists(FEATURE, min_size=1, max_size=8), st.randoms(use_true_random=False))
def test_permuting_features_changes_nothing_but_order(features, random):
    sound = ("z", "300", "active", shapely.LineString([(5e5, 5.3e6), (5e5 + 9, 5.3e6)]))
    features = [sound, *features]
    order = list(range(len(features)))
    shuffled = order.copy()
    random.shuffle(shuffled)
    assert result(features, order) == result(features, shuffled)
