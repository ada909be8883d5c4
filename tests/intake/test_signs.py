"""Point and comma in text: decimal sign, or parting thousands, by the whole column."""

from __future__ import annotations

import math

import geopandas
import numpy as np
import pandas
import pyogrio.raw
import pytest
import shapely

from geotools.brief import Brief
from geotools.intake.memory import part_of, shelved
from geotools.intake.read import read_layers
from geotools.intake.window import Window


def _column(network, read, line, name, texts):
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(len(texts))]
    columns = {name: texts} if name == "diameter_mm" else {name: texts, "diameter_mm": 300.0}
    return read(mains=network(shapes, **columns))


def _values(layers, field):
    return [None if math.isnan(v) else v for v in layers.mains.table[field].tolist()]


@pytest.mark.parametrize(
    ("column", "texts", "si"),
    [
        # 12 bar; 1.2 kPa is a hand's breadth of water
        ("pressure_kpa", ["1.200", "950"], [1.2e6, 0.95e6]),
        ("pressure_kpa", ["1,200", "950"], [1.2e6, 0.95e6]),
        ("pressure_kpa", ["1.200"], [1.2e6]),
        ("pressure_bar", ["1.200", "4.5"], [1.2e5, 4.5e5]),
        ("pressure_bar", ["1,200"], [1.2e5]),  # 1200 bar is no pressure of a water main
        ("pressure_kpa", ["1.200 kPa", "6.250 bar"], [1.2e6, 6.25e5]),  # each has one sound reading
        ("diameter_mm", ["1.200", "800"], [1.2, 0.8]),
        ("diameter_mm", ["1,200", "800"], [1.2, 0.8]),
        ("cover_m", ["1,150", "1,200"], [1.15, 1.2]),  # a kilometre deep lies no main
        ("cover_m", ["1.150", "1.200"], [1.15, 1.2]),
        ("cover_m", ["1,150 m", "1,200 m"], [1.15, 1.2]),
        ("invert_start_m", ["104.250", "98.125"], [104.25, 98.125]),
        ("installed", ["1.965", "2004"], [1965, 2004]),
        # either could be: the writing of other values tells
        ("flow_lps", ["1.200", "2.5"], [0.0012, 0.0025]),
        ("flow_lps", ["1.200", "0.950"], [0.0012, 0.00095]),
        ("flow_lps", ["1,200", "2,5"], [0.0012, 0.0025]),
        ("flow_lps", ["1,200", "0,950"], [0.0012, 0.00095]),
        ("flow_lps", ["1.200", "950"], [1.2, 0.95]),
        ("flow_lps", ["1,200", "950"], [1.2, 0.95]),
        ("flow_lps", ["1.200", "1500"], [0.0012, 1.5]),
        ("flow_lps", ["1.200", "1 200,5"], [1.2, 1.2005]),
        ("flow_lps", ["1,200", "1'200.5"], [1.2, 1.2005]),
        ("flow_lps", ["1.200", "476,4"], [1.2, 0.4764]),
        ("flow_lps", ["1,200", "476.4"], [1.2, 0.4764]),
        ("flow_lps", ["1.200", "1.234.567"], [1.2, None]),
        ("flow_lps", ["1.200", "1.234,5"], [1.2, 1.2345]),
        ("flow_lps", ["1.200", "1,234.5"], [0.0012, 1.2345]),
        # nothing tells: a point stays a decimal sign, a comma is refused
        ("flow_lps", ["1.200", "12"], [0.0012, 0.012]),
        ("flow_lps", ["1,200", "12"], [None, 0.012]),
        ("flow_lps", ["1,200", "1500", "950", "800"], [None, 1.5, 0.95, 0.8]),
        ("flow_lps", ["1,200", "1 200", "950"], [None, 1.2, 0.95]),
        ("flow_lps", ["1.200", "1'200", "1500"], [0.0012, 1.2, 1.5]),
        # whole numbers of 1,000 and more leave it to what else tells
        ("flow_lps", ["1,200", "1500", "2,5"], [0.0012, 1.5, 0.0025]),
        ("flow_lps", ["1,200", "1500", "476.4"], [1.2, 1.5, 0.4764]),
        ("pressure_kpa", ["1,200", "1500"], [1.2e6, 1.5e6]),
        ("cover_m", ["1,200", "1000"], [1.2, None]),
        # the column says the one, the limits of the field the other
        ("diameter_mm", ["323.9", "1.200"], [0.3239, None]),
        ("diameter_mm", ["323,9", "1,200"], [0.3239, None]),
    ],
)
def test_a_sign_before_three_digits_is_read_as_column_and_limits_tell(
    column, texts, si, network, read, line
):
    layers = _column(network, read, line, column, texts)
    assert _values(layers, column.rpartition("_")[0] or column) == pytest.approx(si)


@pytest.mark.parametrize(
    ("texts", "rule", "severity"),
    [
        (["1.200", "12"], "point-doubtful", "warning"),
        (["1,200", "12"], "unreadable-value", "warning"),
        (["1,200", "1500"], "unreadable-value", "warning"),
        (["1.200", "950"], "thousands-sign", "warning"),
        (["1.200", "476,4"], "thousands-sign", "info"),
        (["1.200", "2.5"], "", ""),
        (["0.200", "12.5"], "", ""),
    ],
)
def test_how_a_doubtful_sign_was_read_is_told(texts, rule, severity, network, read, line):
    told = _column(network, read, line, "flow_lps", texts).findings.table()
    rules = ("point-doubtful", "unreadable-value", "thousands-sign")
    told = told[told["rule"].isin(rules)]
    assert told["rule"].tolist() == [rule] * bool(rule)
    assert told["severity"].tolist() == [severity] * bool(rule)
    assert all(repr(texts[0]) in text for text in told["text"])
    assert all("may be 1200" in t for t in told["text"] if rule == "point-doubtful")
    assert all("not a number" not in text for text in told["text"])


@pytest.mark.parametrize("others", [["1\u202f500"], ["1 500", "950"], ["1'500", "2000"]])
def test_thousands_parted_in_another_way_do_not_make_the_point_decimal(
    others, network, read, line, found
):
    told = found(_column(network, read, line, "flow_lps", ["1.200", *others]), "point-doubtful")
    assert told["severity"].tolist() == ["warning"]
    assert "'1.200' may be 1200" in told["text"][0]


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("1 050", 1050), ("1'050", 1050), ("1’050,5", 1050.5), ("1\u202f050.25", 1050.25),
        ("1.050,5", 1050.5), ("1,050.5", 1050.5), ("1 050 mm", 1050), ("1'050mm", 1050),
        ("1.050,5 mm", 1050.5), ("10 50", None), ("1 0500", None), ("1 050'000", None),
        ("1.05,5", None), ("1,050,5", None), ("24 300", None), ("6 5/8 in", None),
    ],
)  # fmt: skip
def test_thousands_parted_so_that_a_number_has_one_reading_are_read(text, mm, network, read, line):
    """ISO 80000-1 parts digits by small spaces; apostrophes, points and commas are common too."""
    layers = _column(network, read, line, "diameter_mm", [text, "800"])
    expected = [None if mm is None else mm / 1000, 0.8]
    assert _values(layers, "diameter") == pytest.approx(expected)


@pytest.mark.parametrize(
    ("texts", "count"), [(["1.200", "12"], "1 value ("), (["1.200", "1.300", "12"], "2 values (")]
)
def test_a_single_value_is_told_in_the_singular(texts, count, network, read, line, found):
    layers = _column(network, read, line, "flow_lps", texts)
    assert found(layers, "point-doubtful")["text"][0].startswith(count)


def test_columns_of_real_numbers_are_as_they_are(network, read, line):
    layers = _column(network, read, line, "flow_lps", [1.2, 950.0])
    assert _values(layers, "flow") == pytest.approx([0.0012, 0.95])
    assert {"point-doubtful", "thousands-sign"}.isdisjoint(layers.findings.table()["rule"])


@pytest.mark.parametrize("kpa", [1.2, 9.9])
def test_a_pressure_no_main_is_run_at_is_missing_and_told_by_itself(
    kpa, network, read, line, found
):
    """Water stands 1 m high at 9.81 kPa."""
    layers = _column(network, read, line, "pressure_kpa", [kpa, 400.0, 500.0])
    assert _values(layers, "pressure") == [None, 4e5, 5e5]
    told = found(layers, "zero-value")
    assert told["feature"].tolist() == ["A"]
    assert f"pressure_kpa is {kpa}" in told["text"][0]
    assert "less than 10" in told["text"][0]


@pytest.mark.parametrize("in_memory", [True, False])
def test_a_part_of_a_column_is_read_as_the_whole_tells(in_memory, network, line, tmp_path):
    shapes = [line((0, 0), (100, 0)), line((9000, 0), (9100, 0))]
    mains = network(shapes, flow_lps=["1,200", "2,5"])
    streets = geopandas.GeoDataFrame({"width_ft": ["1"]}, geometry=shapes[:1], crs=32633)
    low_x, low_y, high_x, high_y = shapely.bounds(shapes[0])
    window = Window((low_x, low_y, high_x, high_y), mains.crs)
    if in_memory:
        brief = Brief()
        shelf = shelved({"mains": mains, "streets": streets}, brief)
        frames = {layer.layer: part_of(layer, window) for layer in shelf}
    else:
        mains.to_file(tmp_path / "net.gpkg", layer="mains")
        brief = Brief.model_validate({"inputs": {"mains": {"source": str(tmp_path / "net.gpkg")}}})
        frames = None
    part = read_layers(brief, frames=frames, window=window)
    assert np.allclose(part.mains.table["flow"], [0.0012])


def _windows(shapes, crs):
    """Return a window on each main alone."""
    return [Window(tuple(shapely.bounds(shape)), crs) for shape in shapes]


@pytest.mark.parametrize("name", ["net.gpkg", "net.shp", "net.fgb", "net.parquet"])
def test_columns_of_a_file_are_read_whole_once_for_all_windows(
    name, network, line, tmp_path, monkeypatch
):
    shapes = [line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(3)]
    texts = ["1,200", "1,300", "2,5"]
    mains = network(shapes, flow_lps=texts, diameter_mm=None, diameter_m=0.3)
    path = tmp_path / name
    entry = {"source": str(path), "fields": {"diameter_m": "diameter_m"}}
    brief = Brief.model_validate({"inputs": {"mains": entry}})

    def write(frame):
        (frame.to_parquet if path.suffix == ".parquet" else frame.to_file)(path)

    def flows(which):
        window = _windows(shapes, mains.crs)[which]
        return read_layers(brief, window=window).mains.table["flow"].tolist()

    write(mains)
    assert flows(0) == pytest.approx([0.0012])
    read, by_pandas = pyogrio.raw.read_arrow, pandas.read_parquet
    whole = []

    def watched(*args, **options):
        whole.append("layer" in options and options.get("bbox") is None)
        return read(*args, **options)

    def watched_too(*args, **options):
        whole.append(True)
        return by_pandas(*args, **options)

    monkeypatch.setattr(pyogrio.raw, "read_arrow", watched)
    monkeypatch.setattr(pandas, "read_parquet", watched_too)
    assert flows(1) == pytest.approx([0.0013])
    assert not any(whole)
    write(mains.assign(flow_lps=["1,200", "1,300", "476.4"]))  # the comma parts thousands now
    assert flows(1) == pytest.approx([1.3])
    assert whole.count(True) == 1


def test_columns_in_memory_are_judged_once_for_all_windows(network, line, monkeypatch):
    shapes = [line((9000 * k, 0), (9000 * k + 100, 0)) for k in range(3)]
    mains = network(shapes, flow_lps=["1,200", "1,300", "2,5"])
    shelf = shelved({"mains": mains}, Brief())
    monkeypatch.setattr("geotools.intake.judged.signs_in", None)  # not to be asked again
    for which, flow in ((0, 0.0012), (1, 0.0013)):
        window = _windows(shapes, mains.crs)[which]
        frames = {layer.layer: part_of(layer, window) for layer in shelf}
        part = read_layers(Brief(), frames=frames, window=window)
        assert part.mains.table["flow"].tolist() == pytest.approx([flow])
