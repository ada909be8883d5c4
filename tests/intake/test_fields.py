"""Fields: mapping, units, text in numbers, nonsense, identifiers."""

from __future__ import annotations

import datetime
import math
import unicodedata

import geopandas
import numpy as np
import pandas as pd
import pytest
import shapely

from geotools.intake import values
from geotools.intake.cut import Cut
from geotools.intake.limits import LIMITS, limit
from geotools.intake.match import match_columns
from geotools.intake.values import flags, numbers, texts
from geotools.schema import INPUTS


@pytest.mark.parametrize(
    ("column", "value", "metres"),
    [
        ("diameter_mm", 300, 0.3),
        ("diameter_in", 12, 0.3048),
        ("diameter_cm", 30, 0.3),
        ("DIAMETER_M", 0.3, 0.3),
    ],
)
def test_the_suffix_is_the_unit(column, value, metres, network, read):
    layers = read(mains=network(**{"diameter_mm": None, column: [value, value]}))
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([metres, metres])


def test_every_field_of_the_contract_is_there_in_si(network, read):
    frame = network(
        invert_start_ft=[10.0, np.nan],
        pressure_psi=[100.0, 50.0],
        flow_gpm=[1000.0, np.nan],
        owner=["city", None],
    )
    table = read(mains=frame).mains.table
    names = [f.name for f in INPUTS["mains"].fields]
    assert list(table.columns) == [*names, "feature", "source_id"]
    assert table["invert_start"][0] == pytest.approx(3.048)
    assert table["pressure"][0] == pytest.approx(689_475.7293)
    assert table["flow"][0] == pytest.approx(0.0630901964)
    assert table["owner"].tolist() == ["city", ""]
    assert table["material"].tolist() == ["", ""]
    assert table["cover"].isna().all()


def test_the_briefs_mapping_beats_names_that_agree(network, read):
    brief = {"inputs": {"mains": {"source": "-", "fields": {"diameter_in": "size"}}}}
    layers = read(brief, mains=network(size=[12, 12]))
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([0.3048, 0.3048])


def test_a_missing_field_names_columns_nearest_and_the_line_to_write(network, read, fault):
    text = fault(read, mains=network(diameter_mm=None, diam=[300, 300], year=[1, 2]))
    assert "mains" in text
    assert "the nearest is 'diam'" in text
    assert 'under [inputs.mains.fields], for example: diameter_mm = "diam"' in text
    assert "columns there: main_id, diam, year" in text


def test_a_column_without_unit_is_no_number_to_guess(network, read, fault, found):
    text = fault(read, mains=network(diameter_mm=None, diameter=[300, 300]))
    assert 'diameter_mm = "diameter"' in text
    layers = read(mains=network(cover=[1, 1]))
    row = found(layers, "column-not-read").iloc[0]
    assert 'cover_m = "cover"' in row["text"]
    assert layers.mains.table["cover"].isna().all()


def test_two_spellings_of_one_field_must_be_told_apart(network, read, fault):
    frame = network(diameter_in=[12, 12])
    text = fault(read, mains=frame)
    assert "diameter is there more than once: 'diameter_mm', 'diameter_in'" in text
    assert "[inputs.mains.fields]" in text
    brief = {"inputs": {"mains": {"source": "-", "fields": {"diameter_in": "diameter_in"}}}}
    assert read(brief, mains=frame).mains.table["diameter"][0] == pytest.approx(0.3048)


def test_a_mapping_to_a_column_that_is_not_there_names_the_nearest(network, read, fault):
    brief = {"inputs": {"mains": {"source": "-", "fields": {"diameter_in": "diameter_m"}}}}
    text = fault(read, brief, mains=network())
    assert "column 'diameter_m', which is not there; did you mean 'diameter_mm'?" in text


def test_a_name_cut_by_the_shapefile_format_is_never_guessed():
    layer = INPUTS["mains"]
    cut = match_columns(layer, ["main_id", "diameter_m"], {}, cut=Cut())
    assert "diameter_mm or diameter_m" in cut.faults[0]
    assert "cuts names to ten letters" in cut.faults[0]
    sole = match_columns(layer, ["main_id", "diameter_i"], {}, cut=Cut())
    assert sole.columns["diameter"].spelling == "diameter_in"
    assert "taken for diameter_in" in dict(sole.hints)["column-name-cut"]
    whole = match_columns(layer, ["main_id", "diameter_m"], {})
    assert whole.columns["diameter"].factor == 1.0


@pytest.mark.parametrize("name", ["COVER_FT ", " cover_ft", "Cover_ft"])
def test_a_name_with_blanks_around_it_is_not_one_that_was_cut(name):
    match = match_columns(INPUTS["mains"], ["main_id", "diameter_mm", name], {})
    assert (match.columns["cover"].name, match.columns["cover"].spelling) == (name, "cover_ft")
    assert match.hints == ()
    both = match_columns(INPUTS["mains"], ["main_id", "diameter_mm", "cover_ft", name], {})
    assert "cover is there more than once" in both.faults[0]


def test_text_in_the_diameter_names_the_feature_and_what_to_write(network, read, found):
    layers = read(mains=network(diameter_mm=["300", "twelve inch"]))
    assert layers.mains.table["diameter"][0] == pytest.approx(0.3)
    assert np.isnan(layers.mains.table["diameter"][1])
    row = found(layers, "unreadable-value").iloc[0]
    assert (row["severity"], row["layer"], row["feature"]) == ("warning", "mains", "B")
    assert "'twelve inch'" in row["text"]
    assert "write a number alone" in row["text"]
    assert row["geometry"].geom_type == "LineString"
    # What follows from it is told as of a main that has none.
    assert found(layers, "no-diameter")["feature"].tolist() == ["B"]


def test_a_decimal_comma_is_read_and_told_but_a_thousand_is_not(network, read, found):
    layers = read(mains=network(diameter_mm=["323,9", "1,200"]))
    assert layers.mains.table["diameter"][0] == pytest.approx(0.3239)
    assert found(layers, "decimal-comma")["feature"].tolist() == ["A"]
    assert found(layers, "unreadable-value")["feature"].tolist() == ["B"]


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("diameter_mm", -300),
        ("diameter_mm", 0),
        ("diameter_mm", 9),
        ("diameter_mm", 3001),
        ("diameter_mm", math.inf),
        ("bore_mm", -1),
        ("installed", 1799),
        ("installed", 2201),
        ("cover_m", -0.1),
        ("cover_m", 51),
        ("flow_lps", -1),
        ("invert_start_m", -9999),
        ("breaks", -1),
    ],
)
def test_nonsense_numbers_are_missing_and_told(column, value, network, read, found):
    columns = {"diameter_mm": [300.0, 300.0], column: [float(value), np.nan]}
    if column == "diameter_mm":
        columns[column][1] = 300.0
    layers = read(mains=network(**columns))
    field = column.rpartition("_")[0] if column not in ("installed", "breaks") else column
    assert np.isnan(layers.mains.table[field][0])
    row = found(layers, "value-out-of-range").iloc[0]
    assert row["feature"] == "A"
    assert column in row["text"]
    assert "correct" in row["text"]


def test_a_main_may_be_of_this_year_and_not_of_the_next(network, read, monkeypatch):
    monkeypatch.setattr("geotools.intake.limits.this_year", lambda: 2024)
    layers = read(mains=network(diameter_mm=[300.0, 300.0], installed=[2024.0, 2025.0]))
    assert layers.mains.table["installed"].fillna(0).tolist() == [2024, 0]


def test_the_limits_themselves_are_sense(network, read, found):
    frame = network(diameter_mm=[10, 3000], cover_m=[0, 50], installed=[1800, 2000])
    layers = read(mains=frame)
    assert found(layers, "value-out-of-range").empty
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([0.01, 3.0])


def test_a_diameter_that_makes_no_sense_throughout_is_a_unit_fault(network, read, fault):
    text = fault(read, mains=network(diameter_mm=None, diameter_m=[300, 400]))
    assert "read as diameter_m" in text
    assert "check the column and its unit" in text


@pytest.mark.parametrize(
    ("values", "shown", "alone"),
    [(["two hundred", "three hundred"], "'two hundred'", True), ([None, 0.2], "0.2", False)],
)
def test_what_was_found_in_place_of_a_diameter_is_shown(values, shown, alone, network, read, fault):
    text = fault(read, mains=network(diameter_mm=values))
    assert f"(the first is {shown})" in text
    assert ("write the number alone" in text) == alone


AGE = "it looks like an age: give the year laid"
AGE_OR_YEAR = "it looks like an age, or a year of two digits: give the year laid in full"


@pytest.mark.parametrize(
    ("year", "told"),
    [
        (46, AGE_OR_YEAR),
        (62, AGE_OR_YEAR),
        (99, AGE_OR_YEAR),
        (100, AGE),
        (250, AGE),
        (0, "correct the value or the unit"),
        (1066, "correct the value or the unit"),
    ],
)
def test_an_age_or_two_digits_in_place_of_the_year_laid_are_told_as_such(
    year, told, network, read, found
):
    layers = read(mains=network(installed=[year, 1990]))
    (text,) = found(layers, "value-out-of-range")["text"]
    assert text.endswith(told)


@pytest.mark.parametrize(
    ("breaks", "told"),
    [([0.2, 0.45], True), ([0.0, 0.45], True), ([0, 3], False), ([1.5, 2], False), ([0, 0], False)],
)
def test_breaks_that_are_mostly_fractions_are_told_to_be_a_rate(breaks, told, network, read, found):
    layers = read(mains=network(breaks=breaks))
    texts = found(layers, "count-or-rate")["text"].tolist()
    assert len(texts) == told
    assert all("a count of each main over the whole period on record" in text for text in texts)
    assert layers.mains.table["breaks"].tolist() == breaks


def test_a_main_without_diameter_is_kept_and_told(network, read, found):
    layers = read(mains=network(diameter_mm=[None, 300]))
    assert layers.mains.table["main_id"].tolist() == ["A", "B"]
    row = found(layers, "no-diameter").iloc[0]
    assert (row["feature"], row["severity"]) == ("A", "warning")


def test_twenty_are_named_and_the_rest_counted(network, read, found, line):
    shapes = [line((0, 10 * i), (90, 10 * i)) for i in range(30)]
    diameters = ["-5"] * 29 + ["300"]
    layers = read(mains=network(shapes, main_id=list(range(30)), diameter_mm=diameters))
    rows = found(layers, "value-out-of-range")
    assert len(rows) == 21
    assert rows["text"].iloc[20].startswith("9 more features")
    assert len(rows["geometry"].iloc[20].geoms) == 9


def test_values_that_cannot_be_read_are_told_word_by_word_with_count_and_places(
    network, read, found, line
):
    shapes = [line((0, 10 * i), (90, 10 * i)) for i in range(6)]
    written = ["odd", "thick", "300", "odd", "300", "odd"]
    layers = read(mains=network(shapes, diameter_mm=written))
    odd, thick = found(layers, "unreadable-value").itertuples()
    assert odd.feature == "A"  # the first
    assert "is 'odd' on 3 features (column 'diameter_mm'), which is not a number" in odd.text
    assert (
        shapely.distance(odd.geometry.geoms, [shapes[k] for k in (0, 3, 5)]).tolist() == [0.0] * 3
    )
    assert thick.feature == "B"
    assert "is 'thick' (column" in thick.text
    assert thick.geometry.equals(shapes[1])
    counted = layers.findings.counted_table().query("rule == 'unreadable-value'")
    assert counted[["word", "stands_for"]].to_numpy().tolist() == [["odd", 3], ["thick", 1]]


def test_of_many_words_that_cannot_be_read_twenty_are_told_and_the_rest_counted(
    network, read, found, line
):
    shapes = [line((0, 10 * i), (90, 10 * i)) for i in range(31)]
    written = [f"odd{k:02}" for k in range(23)] + ["odd22"] * 3 + ["odd21"] * 3 + ["300"] * 2
    layers = read(mains=network(shapes, main_id=list(range(31)), diameter_mm=written))
    rows = found(layers, "unreadable-value")
    assert len(rows) == 21
    assert ["'odd21' on 4" in rows["text"][0], "'odd22' on 4" in rows["text"][1]] == [True, True]
    assert "3 more features like those named under this rule, of 3 other" in rows["text"][20]
    assert len(rows["geometry"].iloc[20].geoms) == 3
    counted = layers.findings.counted_table().query("rule == 'unreadable-value'")
    assert counted["stands_for"].sum() == 29


def test_dates_give_the_year_laid(network, read):
    frame = network(installed=["1957-03-01", "1960"])
    assert read(mains=frame).mains.table["installed"].tolist() == [1957, 1960]
    frame["installed"] = pd.to_datetime(["1957-03-01", None])
    years = read(mains=frame).mains.table["installed"]
    assert years[0] == 1957
    assert np.isnan(years[1])


def test_flags_are_read_from_words_numbers_and_booleans():
    words = ["yes", "No", "TRUE", "false", "1", "0", "open", "Closed", "", None, "maybe"]
    read = flags(pd.Series(words, dtype=object))
    expected = [1, 0, 1, 0, 1, 0, 1, 0, np.nan, np.nan, np.nan]
    np.testing.assert_array_equal(read.values, expected)
    assert np.flatnonzero(read.unread).tolist() == [10]
    for column in (pd.Series([True, False]), pd.Series([1, 0]), pd.Series([1.0, 0.0])):
        np.testing.assert_array_equal(flags(column).values, [1, 0])
    assert flags(pd.Series([2, 1])).unread.tolist() == [True, False]


@pytest.mark.parametrize("nothing", ["", "  ", "nan", "NULL", "<Null>", "n/a", None])
def test_nothing_is_missing_and_no_fault(nothing):
    read = numbers(pd.Series([nothing, "5"], dtype=object))
    assert np.isnan(read.values[0])
    assert not read.unread.any()
    assert read.values[1] == 5


def test_numbers_as_identifiers_lose_their_fraction():
    assert texts(pd.Series([123.0, np.nan, 1.5])).tolist() == ["123", "", "1.5"]
    assert texts(pd.Series([7, 8])).tolist() == ["7", "8"]
    assert texts(pd.Series([" a ", None], dtype=object)).tolist() == ["a", ""]


def test_missing_identifiers_are_made_up_and_told(network, read, found):
    layers = read(mains=network(main_id=[None, "B"]))
    assert layers.mains.table["main_id"].tolist() == ["fid-0", "B"]
    assert found(layers, "missing-id")["feature"].tolist() == ["fid-0"]


def test_equal_identifiers_are_told_apart_by_geometry_not_by_order(network, read, found, line):
    shapes = [line((0, 0), (100, 0)), line((0, 50), (100, 50)), line((0, 90), (100, 90))]
    names = []
    for order in ([0, 1, 2], [2, 0, 1], [1, 2, 0]):
        frame = network([shapes[i] for i in order], main_id=["A"] * 3)
        layers = read(mains=frame)
        names.append(dict(zip(layers.mains.xy[::2, 1], layers.mains.table["main_id"], strict=True)))
        assert sorted(found(layers, "duplicate-id")["feature"]) == ["A#2", "A#3"]
    assert names[0] == names[1] == names[2]
    assert [names[0][5_200_000.0 + y] for y in (0, 50, 90)] == ["A", "A#2", "A#3"]


def test_an_identifier_that_reads_as_two_in_a_list_is_told(network, read, found, line):
    shapes = [line((0, 9 * i), (100, 9 * i)) for i in range(4)]
    layers = read(mains=network(shapes, main_id=["12,5", "A-1;B/2 C", "12", "12,5"]))
    told = found(layers, "comma-in-id")
    assert sorted(told["feature"]) == ["12,5", "12,5#2"]
    assert set(told["severity"]) == {"warning"}
    assert "'12,5' holds a comma" in told["text"].str.cat()
    numbers = network(shapes, main_id=[12.5, 1e9, 7.0, 2.0])
    assert found(read(mains=numbers), "comma-in-id").empty


def test_a_made_up_suffix_never_meets_an_identifier_there(network, read, line):
    shapes = [line((0, 9 * i), (100, 9 * i)) for i in range(3)]
    ids = read(mains=network(shapes, main_id=["A", "A", "A#2"])).mains.table["main_id"]
    assert ids.is_unique


def test_a_wish_that_is_no_wish_is_an_error_naming_the_feature(network, read, fault, spot):
    import geopandas

    edits = geopandas.GeoDataFrame(
        {"action": ["FIX", "Fiks"]}, geometry=[spot(10, 0), spot(20, 0)], crs=32633
    )
    text = fault(read, mains=network(), pit_edits=edits)
    assert "pit_edits" in text
    assert "feature fid 1: action is 'Fiks'" in text
    assert "did you mean 'fix'?" in text
    edits["action"] = ["FIX", "Forbid"]
    layers = read(mains=network(), pit_edits=edits)
    assert layers.pit_edits.table["action"].tolist() == ["fix", "forbid"]


@pytest.mark.parametrize("empty", [None, "", "  ", "n/a"], ids=repr)
def test_a_wish_without_a_word_is_read_as_one_left_out(network, read, spot, empty):
    import geopandas

    places = {"geometry": [spot(10, 0), spot(20, 0)], "crs": 32633}
    edits = geopandas.GeoDataFrame({"action": [empty, "forbid"]}, **places)
    assert read(mains=network(), pit_edits=edits).pit_edits.table["action"].tolist() == [
        *("", "forbid"),
    ]


@pytest.mark.parametrize("word", ["N/A", " <Null> ", "null", "-", "None"])
def test_words_for_nothing_are_no_material_and_no_identifier(word, network, read):
    frame = network(material=[word, "CI"], main_id=[word, "A"])
    layers = read(mains=frame)
    assert layers.mains.table["material"].tolist() == ["", "CI"]
    assert word.strip() not in layers.mains.table["main_id"].tolist()
    assert "missing-id" in layers.findings.table()["rule"].tolist()


def test_limits_are_told_in_the_units_of_the_reader() -> None:
    """1 m3/s is 60/0.003785411784 gallons a minute."""
    assert limit("leakage").said("flow", "us") == "0 gpm to 15,850 gpm"
    assert limit("leakage").said("flow", "si") == "0 L/s to 1,000 L/s"


def test_both_ends_of_what_is_taken_are_told(network, read, found):
    layers = read(mains=network(breaks=[1e3, 1e400]))
    (text,) = found(layers, "value-out-of-range")["text"]
    assert "outside 0 to 1,000" in text
    for bounds in LIMITS.values():
        if bounds.text and "degrees" not in bounds.text:
            low, high = (float(n.replace(",", "")) for n in bounds.text.split(" to "))
            assert (low, high) == (bounds.low, bounds.high)


@pytest.mark.parametrize(
    ("column", "codes", "sound"),
    [
        ("width_m", [99, 99.9, 99.99], [9, 9.9, 40, 98, 100]),
        ("width_ft", [], [99, 99.9, 30]),  # the width of a wide avenue
        ("width_mm", [99999], [9999, 9900]),
    ],
)
@pytest.mark.parametrize("precision", ["float64", "float32"])
def test_few_nines_stand_for_the_width_of_no_street_where_none_is_so_wide(
    column, codes, sound, precision, network, read, found, line
):
    values = np.array([*codes, *sound], dtype=precision)
    shapes = [line((0, 9 * k), (200, 9 * k)) for k in range(len(values))]
    streets = geopandas.GeoDataFrame({column: values}, geometry=shapes, crs=32633)
    layers = read(mains=network(), streets=streets)
    kept = layers.streets.table["width"].notna().tolist()
    assert kept == [False] * len(codes) + [True] * len(sound)
    assert len(found(layers, "unknown-code")) == len(codes)


@pytest.mark.parametrize(
    ("column", "codes", "sound"),
    [
        # what the sound ones are as: ten bar and 9.99 m, a bore near 1 m, a tower of flats
        ("breaks", [999, 9999, 99999, 999999], [0, 9, 99, 100]),
        ("leakage_lps", [999.0, 9999.0, 999999.0], [0.999, 9.0, 0.0, 12.5]),
        ("leakage_gpm", [9999.0, 99999.0], [99.0]),
        ("pressure_kpa", [9999, 99999, 999999], [999, 600, 99]),
        ("pressure_psi", [999, 9999], [99, 145]),
        ("cover_m", [999, 9999], [1.2, 9.99, 3]),
        ("cover_mm", [9999, 99999], [999, 1200]),
        ("flow_lps", [9999, 99999], [999, 99]),
        ("bore_mm", [9999, 99999], [999, 300]),
        ("criticality", [999, 9999], [1, 5, 9, 99]),
        ("invert_start_m", [9999, 99999, -99, -999], [999, 99, -9, -100]),
        ("invert_end_ft", [9999, 99999, -99, -999], [999, 99, -9, -100]),
    ],
)
def test_nines_stand_for_unknown_where_no_main_has_so_much_and_for_themselves_elsewhere(
    column, codes, sound, network, read
):
    values = [*codes, *sound]
    shapes = [
        shapely.LineString([(5e5 + 200 * k, 5.2e6), (5e5 + 200 * k + 100, 5.2e6)])
        for k in range(len(values))
    ]
    layers = read(mains=network(shapes, diameter_mm=1000.0, **{column: values}))
    name, factor = next(
        (f.name, f.spellings()[column]) for f in INPUTS["mains"].fields if column in f.spellings()
    )
    got = layers.mains.table.sort_values("main_id")[name].to_numpy(dtype=float)
    due = [math.nan] * len(codes) + [v * factor for v in sound]
    np.testing.assert_allclose(got, due, rtol=1e-12)
    told = layers.findings.table()
    told = told[told["rule"].isin(["unknown-code", "value-out-of-range"])]
    assert len(told) == len(codes)
    assert (told["severity"] == "warning").all()
    assert not told["text"].str.contains("or more").any()


def test_what_is_taken_for_a_code_does_not_hang_on_the_other_values(network, read):
    """A batch reads a district's part of a column: it must say the same of each value."""
    alone = read(
        mains=network([shapely.LineString([(5e5, 5.2e6), (5e5 + 9, 5.2e6)])], breaks=[999])
    )
    many = read(mains=network(breaks=[999, 150]))
    assert alone.mains.table["breaks"].isna().all()
    assert many.mains.table["breaks"].isna().tolist() == [True, False]


def test_the_year_of_a_date_is_read_whichever_end_it_stands_at(network, read, found):
    written = ["03/1950", "1950-03", "12.11.1950", "1/2/1950 00:00", "about 1950", "1950-60"]
    shapes = [
        shapely.LineString([(5e5 + 200 * k, 5.2e6), (5e5 + 200 * k + 100, 5.2e6)])
        for k in range(len(written))
    ]
    layers = read(mains=network(shapes, installed=written))
    years = layers.mains.table.sort_values("main_id")["installed"].tolist()
    assert years[:4] == [1950.0] * 4
    assert np.isnan(years[4:]).all()
    told = found(layers, "unreadable-value")["text"]
    assert len(told) == 2
    assert told.str.contains("write a year alone").all()


@pytest.mark.parametrize(
    ("written", "year"),
    [
        ("19580615", 1958),
        (19580615, 1958),
        (19580615.0, 1958),
        ("Jun 15 1958", 1958),
        ("June 15, 1958", 1958),
        ("15-JUN-1958", 1958),
        ("15 Jun 1958 00:00", 1958),
        ("JUN-1958", 1958),
        ("3rd Sept. 1958", 1958),
        ("Jun  5 1958 12:00AM", 1958),  # two blanks, as databases write days 1 to 9
        ("Jun  5 1958  1:00:00:000PM", 1958),
        ("15JUN1958", 1958),
        ("15JUN1958:00:00:00", 1958),
        ("15-JUN-1958 12.00.00.000000 AM +00:00", 1958),
        ("15.Jun.1958", 1958),
        ("15. Juni 1958", 1958),
        ("1958-Jun-15", 1958),
        ("1958 June", 1958),
        ("1958.06.15", 1958),
        ("1958-06-15 00:00:00.123456+01:00", 1958),
        ("15.06.1958 (plan)", 1958),
        ("15. 6. 1958", 1958),
        ("6. 1958", 1958),
        ("15 maj 1958", 1958),
        ("15. mai 1958", 1958),
        ("15 czerwca 1958 r.", 1958),
        ("15 CZERWCA 1958", 1958),
        ("wrzesień 1958", 1958),
        ("15. července 1958", 1958),
        ("15. zari 1958", 1958),
        ("10 paź. 1958", 1958),
        (unicodedata.normalize("NFD", "10 października 1958"), 1958),
        ("15 de junio de 1958", 1958),
        ("15/abr/1958", 1958),
        ("15 gennaio 1958", 1958),
        ("mei 1958", 1958),
        ("out 1958", None),  # a month in Portuguese, or out of service
        ("Maja Lane 1958", None),
        ("15 maj 1958 1960", None),
        ("15-JUN-58", None),  # of which century is not said
        ("6/15/58", None),
        ("19581315", None),  # no month
        (19580632, None),
        ("Main 15 1958", None),
        ("Circa 1958", None),
        ("Mary 1958", None),
        ("Marble 1900", None),
        ("15 Decimal 1958", None),
        ("Jan 1958 - Mar 1960", None),  # two years
        ("Mar 1958 to Jun 1961", None),
        ("Mar 1958 - Jun 61", None),
        ("12 Mar 1958 1960", None),
        ("1958-Mar-60", None),
        ("01/1958 - 03/1960", None),
        ("1958-01 to 1960-03", None),
    ],
)
def test_a_day_in_one_number_or_with_the_name_of_its_month_gives_the_year(
    written, year, network, read, found
):
    layers = read(mains=network(installed=[written, written]))
    years = layers.mains.table["installed"].tolist()
    assert years == [year] * 2 if year else np.isnan(years).all()
    rules = set(layers.findings.table()["rule"])
    assert bool(rules & {"unreadable-value", "value-out-of-range"}) == (year is None)


@pytest.mark.parametrize(
    ("material", "year", "possible"),
    [
        ("PE", 1900, False),
        ("HDPE", 1930, False),
        ("PE", 1960, True),
        ("PVC", 1920, False),
        ("DI", 1930, False),
        ("DI", 1965, True),
        ("CI", 1870, True),  # cast iron is as old as records go
        ("AC", 1900, False),
        ("strange", 1850, True),
    ],
)
def test_a_year_before_there_were_pipes_of_the_material_is_missing_and_told(
    material, year, possible, network, read, found
):
    frame = network(material=[material, "CI"], installed=[year, 1950])
    layers = read(mains=frame)
    told = found(layers, "impossible-year")
    assert told["feature"].tolist() == ([] if possible else ["A"])
    assert np.isnan(layers.mains.table["installed"][0]) != possible
    assert layers.mains.table["installed"][1] == 1950


@pytest.mark.parametrize(
    ("years", "told"),
    [
        ([1900] * 12 + [1955, 1960, 1972, 1980], 1),
        ([1901] * 12 + [1955, 1960, 1972, 1980], 1),
        ([1900] * 12 + [1901, 1902, 1903, 1904] * 3, 0),  # an old town
        ([1900] * 3 + [1955] * 20, 0),
        ([1955] * 30, 0),
    ],
)
def test_the_null_of_dates_on_many_mains_is_told(years, told, network, read, found, line):
    shapes = [line((0, 5 * k), (100, 5 * k)) for k in range(len(years))]
    frame = network(
        shapes,
        main_id=[f"M{k}" for k in range(len(years))],
        installed=[f"{year}-01-01" for year in years],
    )
    layers = read(mains=frame)
    assert len(found(layers, "placeholder-year")) == told
    assert layers.mains.table["installed"].tolist() == years


@pytest.mark.parametrize(
    ("column", "meant"),
    [
        ("diameter_m", "diameter_mm"),
        ("invert_sta", "invert_start_m"),
        ("invert_end", "invert_end_m"),
    ],
)
def test_of_a_cut_name_the_usual_unit_that_it_still_shows_is_suggested(column, meant):
    layer = INPUTS["mains"]
    columns = ["main_id", column, *([] if column == "diameter_m" else ["diameter_i"])]
    (fault,) = match_columns(layer, columns, {}, cut=Cut()).faults
    assert fault.endswith(f'for example: {meant} = "{column}"')


def test_of_an_unreadable_flag_is_said_what_follows(network, read, found, spot):
    valves = geopandas.GeoDataFrame({"open": ["perhaps"]}, geometry=[spot(5, 0)], crs=32633)
    text = found(read(mains=network(), valves=valves), "unreadable-value")["text"][0]
    assert "taken as missing, as if the valve were normally open" in text


BERLIN, KASHGAR, SYDNEY, DARWIN, AUCKLAND = 13.4, 76.0, 151.2, 130.8, 174.8
LONDON, NEW_YORK, HONOLULU, TONGA = -0.1, -74.0, -157.9, -175.2  # degrees east


@pytest.mark.parametrize(
    ("longitude", "written", "year"),
    [
        # midnight of the first of January by the clocks of the place, as in the tz database
        (BERLIN, "1949-12-31T23:00Z", 1950),
        (KASHGAR, "2009-12-31T16:00Z", 2010),  # by the clocks of Beijing
        (SYDNEY, "2009-12-31T13:00Z", 2010),  # in summer
        (SYDNEY, "1949-12-31T14:00Z", 1950),  # when there was no summer time
        (DARWIN, "2009-12-31T14:30Z", 2010),
        (AUCKLAND, "2009-12-31T11:00Z", 2010),
        (TONGA, "2009-12-31T11:00Z", 2010),
        (NEW_YORK, "2010-01-01T05:00Z", 2010),
        # real times, and midnight of other days
        (BERLIN, "2010-12-31T10:00Z", 2010),
        (LONDON, "2010-12-31T12:00Z", 2010),
        (LONDON, "2010-12-31T00:00Z", 2010),
        (HONOLULU, "2010-12-31T10:00Z", 2010),  # when the thirty-first begins there
        (NEW_YORK, "2010-12-31T23:00Z", 2010),
        (SYDNEY, "2010-12-31T05:00Z", 2010),
        (SYDNEY, "2010-12-31T13:07Z", 2010),
        (SYDNEY, "2010-12-30T13:00Z", 2010),
        (SYDNEY, "2010-12-31T23:00Z", 2010),  # the morning after
        (BERLIN, "1950-06-01T00:00Z", 1950),
    ],
)
def test_the_year_of_a_day_told_in_utc_is_that_of_the_place(
    longitude, written, year, network, read
):
    shapes = [shapely.LineString([(longitude, y), (longitude + 0.001, y)]) for y in (40.0, 40.001)]
    frame = network(shapes, crs=4326, installed=pd.to_datetime([written] * 2, utc=True))
    assert read(mains=frame).mains.table["installed"].tolist() == [year] * 2


def test_the_year_of_a_day_told_in_utc_hangs_on_no_other_main(network, read):
    # in the CRS of a UTM zone: one main in Vienna, where it was midnight, the rest had an hour
    written = ["2009-12-31T23:00Z", "2009-12-31T10:00Z"]
    frame = network(installed=pd.to_datetime(written, utc=True))
    table = read(mains=frame).mains.table.sort_values("main_id")
    assert table["installed"].tolist() == [2010, 2009]


def test_the_year_of_a_day_told_with_its_zone_is_that_written(network, read):
    frame = network(installed=pd.to_datetime(["1949-12-31T23:00+01:00"] * 2))
    assert read(mains=frame).mains.table["installed"].tolist() == [1949] * 2


@pytest.mark.parametrize(
    ("weight", "hard", "rule", "said"),
    [
        (999, "no", "weight-doubtful", "costs 999 times as much"),
        (9999.0, "no", "weight-doubtful", "costs 9,999 times as much"),
        ("999", "no", "weight-doubtful", "costs 999 times as much"),
        (0, "no", "weight-doubtful", "counts as 1"),
        (0.5, "no", "weight-doubtful", "counts as 1"),
        (-1, "no", "value-out-of-range", "taken as missing"),
        (999, "yes", "", ""),  # no pit may lie there at any price
        (999, "", "", ""),
        (1, "no", "", ""),
        (9, "no", "", ""),
        (1000, "no", "", ""),
        (None, "no", "", ""),
    ],
)
def test_a_weight_that_is_likely_none_is_told(weight, hard, rule, said, network, read, spot):
    avoid = geopandas.GeoDataFrame(
        {"weight": [weight, 3 if not isinstance(weight, str) else "3"], "hard": [hard, "no"]},
        geometry=[spot(5, 0).buffer(3), spot(50, 0).buffer(3)],
        crs=32633,
    )
    layers = read(mains=network(), avoid=avoid)
    told = layers.findings.table()
    told = told[(told["layer"] == "avoid") & (told["severity"] != "info")]
    assert told["rule"].tolist() == [rule] * bool(rule)
    assert all(said in text for text in told["text"])
    known = np.nan if weight in (-1, None) else float(weight)
    np.testing.assert_array_equal(layers.avoid.table["weight"], [known, 3.0])


@pytest.mark.parametrize("columns", [{}, {"weight": [np.nan, 3.0, np.nan]}])
def test_a_soft_place_without_a_weight_is_told_and_a_hard_one_needs_none(
    columns, network, read, spot
):
    avoid = geopandas.GeoDataFrame(
        {"place": ["park", "yard", "river"], "hard": ["no", "no", "yes"], **columns},
        geometry=[spot(5, 0).buffer(3), spot(50, 0).buffer(3), spot(90, 0).buffer(3)],
        crs=32633,
    )
    told = read(mains=network(), avoid=avoid).findings.table()
    told = told[told["rule"] == "no-weight"]
    assert len(told) == (1 if columns else 2)
    assert told["severity"].eq("info").all()
    assert told["text"].str.contains("rates.soft_place_factor").all()


def test_criticality_in_words_is_told_once_with_what_to_do(network, read, line, found):
    words = ["High", "low", "High", "3", "x5", None, "Medium"]
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(len(words))]
    layers = read(mains=network(shapes, criticality=words))
    got = layers.mains.table.sort_values("main_id")["criticality"].to_numpy(dtype=float)
    np.testing.assert_array_equal(got, [np.nan] * 3 + [3.0] + [np.nan] * 3)
    (text,) = found(layers, "value-in-words")["text"]
    assert "on 4 features (column 'criticality': 'High', 'Medium', 'low'); taken as mis" in text
    assert "from 1 (little) to 5 (most)" in text
    assert "screening.criticality_scale" in text
    (other,) = found(layers, "unreadable-value")["text"]
    assert "'x5'" in other


def test_a_text_is_read_as_a_year_once_however_many_rows_hold_it(monkeypatch):
    read, seen = values.numbers, []

    def watched(column, signs=None):
        seen.append(len(column))
        return read(column, signs)

    monkeypatch.setattr(values, "numbers", watched)
    column = pd.Series(["1957-03-01", "1960", "about 1950", None] * 500, index=range(7, 2007))
    found = values.years(column, np.zeros_like)
    assert seen == [4]
    np.testing.assert_array_equal(found.values, [1957, 1960, np.nan, np.nan] * 500)
    assert found.unread.tolist() == [False, False, True, False] * 500


@pytest.mark.parametrize(
    ("written", "year"),
    [
        (["1899-12-30", "1950-12-30"], 1950),
        (["1899-12-30 00:00:00", "1950-12-30 00:00:00"], 1950),
        (["30.12.1899", "30.12.1950"], 1950),
        (["12/30/1899 00:00", "12/30/1950 00:00"], 1950),
        (pd.to_datetime(["1899-12-30", "1950-12-30"]).astype("datetime64[ms]"), 1950),
        # midnight in Berlin, told in UTC
        (pd.to_datetime(["1899-12-29T23:00Z", "1950-12-29T23:00Z"]).as_unit("ms"), 1950),
        ([datetime.date(1899, 12, 30), datetime.date(1899, 12, 31)], 1899),
        (["1899-12-30", "1899-11-30"], 1899),
        (["30-Dec-1899", "30-Dec-1950"], 1950),
        (["Dec 30 1899 12:00AM", "Dec 30 1950 12:00AM"], 1950),
        (["30DEC1899:00:00:00", "30DEC1950:00:00:00"], 1950),
        (["1899.12.30", "1950.12.30"], 1950),
        (["1899-Dez-30", "1899-Nov-30"], 1899),
        (["30th December, 1899", "29th December, 1899"], 1899),
        (["18991230", "19501230"], 1950),
        ([18991230, 19501230], 1950),
        (pd.array([18991230, 18991231], dtype="Int64"), 1899),
    ],
)
def test_the_day_from_which_tables_count_is_no_date(written, year, network, read, found):
    """30 December 1899 is day 0 of OLE automation dates (Microsoft, DateTime.ToOADate)."""
    layers = read(mains=network(installed=written))
    table = layers.mains.table.sort_values("main_id")
    np.testing.assert_array_equal(table["installed"], [np.nan, year])
    told = found(layers, "unknown-code")
    assert told["feature"].tolist() == ["A"]
    assert "taken as missing" in told["text"][0]


def test_a_year_is_none_of_the_days_from_which_tables_count(network, read):
    layers = read(mains=network(installed=[1899, 1899]))
    assert layers.mains.table["installed"].tolist() == [1899, 1899]


def test_an_invert_of_0_far_from_its_other_end_is_used_and_told(network, read, found):
    """Two of 0 are none; one is a record perhaps, or what an export writes for none."""
    shapes = [
        shapely.LineString([(5e5 + 200 * k, 5.2e6), (5e5 + 200 * k + 100, 5.2e6)]) for k in range(4)
    ]
    levels = {"invert_start_m": [0.0, 2.8, 0.4, 2.8], "invert_end_m": [0.0, 0.0, 0.0, np.nan]}
    layers = read(mains=network(shapes, **levels))
    table = layers.mains.table.sort_values("main_id")
    np.testing.assert_array_equal(table["invert_end"].to_numpy(), [np.nan, 0.0, 0.0, np.nan])
    told = found(layers, "zero-value").set_index("feature")["text"]
    first, second = table["main_id"].iloc[:2]
    assert set(told.index) == {first, second}
    assert "both inverts are 0" in told[first]
    assert "one invert is 0 and the other is not near it; both are used" in told[second]


def test_a_role_of_an_edit_that_nobody_knows_stops_no_reading(network, read, spot):
    edits = geopandas.GeoDataFrame({"role": ["king"]}, geometry=[spot(10, 0)], crs=32633)
    assert read(mains=network(), pit_edits=edits).pit_edits.table["role"].tolist() == ["king"]
