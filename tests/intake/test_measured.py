"""Values that bring their own unit, and ways that are no streets."""

from __future__ import annotations

import math
import tracemalloc

import geopandas
import numpy as np
import pytest
import shapely

from geotools.intake.measured import in_own_unit

GALLON = 231 * 0.0254**3  # m3; the US gallon is 231 cubic inches by definition


@pytest.mark.parametrize(
    ("text", "dimension", "si"),
    [
        ("300 mm", "bore", 0.3),
        ("300MM", "bore", 0.3),
        ("DN300", "bore", 0.3),
        ("dn 300", "bore", 0.3),
        ("NPS 12", "bore", 0.3048),
        ("NW 400", "bore", 0.4),
        ("nw400", "bore", 0.4),
        ("400 DN", "bore", 0.4),
        ("DN400mm", "bore", 0.4),
        ("DN 400 MM", "bore", 0.4),
        ("Ø 0,400 m", "bore", 0.4),
        ("Ø16 Zoll", "bore", 0.4064),
        ("ND 400 mm", "bore", 0.4),
        ("16 Zoll", "bore", 0.4064),
        ("16 pouces", "bore", 0.4064),
        ("16 pollici", "bore", 0.4064),
        ('15½"', "bore", 0.3937),
        ("15 ½ in.", "bore", 0.3937),
        ("3⅛ Zoll", "length", 0.079375),
        ("½ in", "bore", 0.0127),
        ('12"', "bore", 0.3048),
        ("12 ''", "bore", 0.3048),
        ("12″", "bore", 0.3048),
        ("12 IN.", "bore", 0.3048),
        ("12 inches", "bore", 0.3048),
        ("12-inch", "bore", 0.3048),
        ("1'-0\"", "bore", 0.3048),
        ("5'-6\"", "length", 1.6764),
        ("6'3\"", "length", 1.905),
        ("2’ 0”", "length", 0.6096),
        ("323,9 mm", "bore", 0.3239),
        ("6'", "length", 1.8288),
        ("1.2m", "length", 1.2),
        ("1,2 m", "length", 1.2),
        ("4 FT", "length", 1.2192),
        ("30 mph", "speed", 30 * 1609.344 / 3600),
        ("50 km/h", "speed", 50 / 3.6),
        ("50 kmph", "speed", 50 / 3.6),
        ("60 PSI", "pressure", 60 * 4.4482216152605 / 0.0254**2),
        ("400 KPA", "pressure", 400e3),
        ("0.4 MPA", "pressure", 0.4e6),
        ("0.4 mPa", "pressure", 0.4e6),
        ("4 bar", "pressure", 4e5),
        ("60 PSIG", "pressure", 60 * 4.4482216152605 / 0.0254**2),  # gauge, as records mean psi
        ("30 l/s", "flow", 0.03),
        ("30 m3/h", "flow", 30 / 3600),
        ("30 m³/h", "flow", 30 / 3600),
        ("30 m^3 / h", "flow", 30 / 3600),
        ("500 GPM", "flow", 500 * GALLON / 60),
        ("1.5 MGD", "flow", 1.5e6 * GALLON / 86_400),
        ("5.3 cfs", "flow", 5.3 * 0.3048**3),
        ("5.3 ft³/s", "flow", 5.3 * 0.3048**3),
        ("2 ML/d", "flow", 2e3 / 86_400),
        ("2 ML/D", "flow", 2e3 / 86_400),
        ("45°", "angle", math.pi / 4),
    ],
)
def test_a_number_with_its_unit_is_read_in_that_unit(text, dimension, si):
    """Factors by definition of the units (NIST SP 811, appendix B.8); here as plain numbers."""
    found = in_own_unit(np.array([text, "n/a"], dtype=object), dimension)
    assert found.values[0] == pytest.approx(si, rel=1e-9)
    assert np.isnan(found.values[1])


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("12", "bore"),  # no unit: a number is the column's
        ("12 kg", "bore"),
        ("DA 400", "bore"),
        ("400/426", "bore"),
        ("Ø 400/426", "bore"),
        ('300 (12")', "bore"),
        ("ND", "bore"),
        ("NW", "bore"),
        ("Ø", "bore"),
        ("NW 3", "length"),
        ("Ø400", "length"),
        ('15½"-18"', "bore"),
        ("15½", "bore"),
        ('1.5½"', "bore"),
        ("12 mm/s", "bore"),
        ("two mm", "bore"),
        ("200/150 mm", "bore"),
        ("12 in B", "bore"),  # a class of pipe
        ("110 PP", "bore"),  # a material
        ("300 DIN", "bore"),
        ("300 mm OCT", "bore"),
        ("150 CI", "bore"),
        ("200 A", "bore"),
        ("12 x 8", "bore"),
        ('1 1/2"', "bore"),
        ("PN16", "pressure"),
        ("60 psia", "pressure"),  # absolute
        ("1,200 mm", "bore"),  # a thousand, or 1.2?
        ("6'13\"", "length"),
        ("6'-", "length"),
        ("60-80 psi", "pressure"),
        ("DN300", "length"),
        ("3 m", None),
        ("1e9 mm", "bore"),
        ("٣ m", "length"),
    ],
)
def test_what_is_no_number_with_a_unit_of_its_kind_stays_unread(text, dimension):
    found = in_own_unit(np.array([text], dtype=object), dimension)
    assert np.isnan(found.values).all()
    assert np.isnan(found.bare).all()


@pytest.mark.parametrize(
    ("column", "text", "si"),
    [
        ("diameter_mm", "Ø400", 0.4),
        ("diameter_mm", "ø 400", 0.4),
        ("diameter_mm", "⌀400,0", 0.4),
        ("diameter_mm", "ND 400", 0.4),
        ("diameter_in", "Ø16", 0.4064),
        ("diameter_in", "ND 16", 0.4064),
        ("diameter_in", "DN 400", 0.4),
    ],
)
def test_the_sign_for_a_diameter_leaves_its_unit_to_the_column(
    network, read, found, column, text, si
):
    layers = read(mains=network(**{"diameter_mm": None, column: [text, text]}))
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([si, si])
    assert found(layers, "unreadable-value").empty
    assert len(found(layers, "own-unit")) == (2 if text.startswith("DN") else 0)


def test_a_thousand_behind_the_sign_for_a_diameter_is_judged_as_other_numbers(network, read, line):
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(3)]
    layers = read(mains=network(shapes, diameter_mm=["Ø 1.200", "Ø 900,5", "Ø 300"]))
    table = layers.mains.table.sort_values("main_id")
    assert table["diameter"].to_numpy(float) == pytest.approx([1.2, 0.9005, 0.3])


def test_feet_and_inches_say_nothing_of_point_and_comma_in_their_column(network, read, line, found):
    """12'-0" is 144 inches, which is no whole number of 100 and more that somebody wrote."""
    written = ["1.250", "2.500", "12'-0\"", "3.125", "4.500"]
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(len(written))]
    layers = read(mains=network(shapes, invert_start_m=written))
    table = layers.mains.table.sort_values("main_id")
    due = [1.25, 2.5, 12 * 0.3048, 3.125, 4.5]
    np.testing.assert_allclose(table["invert_start"].to_numpy(float), due, rtol=1e-12)
    assert not len(found(layers, "thousands-sign"))


@pytest.mark.parametrize("sign", ["7", "1.5", "1,5", "1,200.5", "1.200,5"])
def test_feet_and_inches_have_one_reading_whatever_signs_do(sign, network, read, line, found):
    written = ["29'-6.125\"", "1'-4.125\"", sign]
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(len(written))]
    layers = read(mains=network(shapes, invert_start_ft=written))
    table = layers.mains.table.sort_values("main_id")
    due = [354.125 * 0.0254, 16.125 * 0.0254]
    np.testing.assert_allclose(table["invert_start"].to_numpy(float)[:2], due, rtol=1e-12)
    rules = set(layers.findings.table()["rule"])
    assert not rules & {"point-doubtful", "thousands-sign", "unreadable-value"}


def test_one_long_text_takes_no_memory_for_all_the_others():
    tracemalloc.start()
    texts = np.array(["x" * 20_000, *["12 in"] * 20_000], dtype=object)
    found = in_own_unit(texts, "bore")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.values[1:] == pytest.approx(0.3048)
    assert peak < 20e6  # bytes; texts of one width took 1.6e9


def test_a_code_for_not_known_is_one_with_a_unit_behind_it_too(network, read, found):
    layers = read(mains=network(cover_mm=["9999", "9999 mm"]))
    assert layers.mains.table["cover"].isna().all()
    assert found(layers, "unknown-code")["feature"].tolist() == ["A", "B"]
    assert not len(found(layers, "own-unit"))


def test_a_size_no_main_has_is_quoted_as_it_is_written(network, read, found):
    lines = [shapely.LineString([(0, 9.0 * k), (99, 9.0 * k)]) for k in range(5)]
    layers = read(mains=network(lines, diameter_mm=None, diameter_in=["DN20", "0.5", *["12"] * 3]))
    own, bare = found(layers, "unit-doubtful")["text"]
    assert own == (
        "diameter_in is 'DN20' (column 'diameter_in'), which no main has; used as written; "
        "correct the value"
    )
    assert "diameter_in is '0.5' (column 'diameter_in'), which no main has (is it 0.5 " in bare


def test_a_main_of_twelve_inches_in_a_column_of_millimetres_is_one(network, read, found):
    layers = read(mains=network(diameter_mm=["12 in", "300"]))
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([0.3048, 0.3])
    (row,) = found(layers, "own-unit").itertuples()
    assert (row.severity, row.feature) == ("info", "A")
    assert "diameter_mm is '12 in'" in row.text
    assert not len(found(layers, "unreadable-value"))


def test_an_own_unit_is_held_against_the_limits(network, read, found):
    layers = read(mains=network(diameter_mm=["3000 m", "300 mm"]))
    assert np.isnan(layers.mains.table["diameter"][0])
    assert found(layers, "value-out-of-range")["feature"].tolist() == ["A"]


def streets(*classes):
    lines = [shapely.LineString([(0, 5.0 * k), (100, 5.0 * k)]) for k in range(len(classes))]
    return geopandas.GeoDataFrame({"class": list(classes)}, geometry=lines, crs=32633)


def test_ways_that_no_vehicle_uses_are_no_streets(network, read, found):
    frame = streets("residential", " Footway", "steps", None, "footway", "service")
    layers = read(mains=network(), streets=frame)
    assert layers.streets.table["class"].tolist() == ["residential", "", "service"]
    (row,) = found(layers, "class-excluded").itertuples()
    assert row.severity == "info"
    assert row.text.startswith("3 of 6 lines are left out")
    used = layers.inputs.set_index("layer").loc["streets"]
    assert (used["features_read"], used["features_used"]) == (6, 3)


def test_which_classes_are_no_streets_is_a_setting(network, read, found):
    frame = streets("residential", "footway", "towpath")
    brief = {"street": {"excluded_classes": ["Towpath"]}}
    layers = read(brief, mains=network(), streets=frame)
    assert layers.streets.table["class"].tolist() == ["residential", "footway"]
    layers = read({"street": {"excluded_classes": []}}, mains=network(), streets=frame)
    assert len(layers.streets) == 3
    assert not len(found(layers, "class-excluded"))


@pytest.mark.parametrize(
    "word",
    [
        "Public Footpath", "Towpath", "Cycle Track", "Footbridge", "Walkway/Pedestrian Trail",
        "Gehweg", "Fußweg", "Geh- und Radweg", "Treppe", "Sentier", "Escalier", "Trottoir",
        "Piste cyclable", "Chemin piétonnier", "Acera", "Marciapiede", "Voetpad", "Escadaria",
        "Ścieżka", "Schodiště", "Gångväg", "Cykelsti", "Ciąg pieszy", "ciąg pieszo-rowerowy",
        "Bromfietspad", "fiets-/bromfietspad", "GC-väg", "Trappor", "Gångstråk", "Trampesti",
        "Fællessti", "Pěší", "komunikace pro pěší", "Vía ciclista", "Escalones", "Naturstig",
        "Havetrappe", "Freitreppe", "Sonderradweg", "Voetgangerspad", "Andador peatonal",
        "Andador", "Calçada", "Puente peatonal", "Passagem de peões", "Banqueta", "Yaya Yolu",
        "Bisiklet Yolu", "Kaldırım", "Yaya Geçidi", "Merdivenler", "Πεζοδρόμιο", "Σκάλες",
        "Ποδηλατόδρομος", "Μονοπάτι",
    ],
)  # fmt: skip
def test_a_class_that_seems_to_be_of_no_street_is_told_and_taken_as_one_until_it_is_named(
    network, read, found, word
):
    frame = streets("residential", word, f" {word.upper()} ", word, "path")
    layers = read(mains=network(), streets=frame)
    assert len(layers.streets) == 4
    (row,) = found(layers, "class-doubtful").itertuples()
    assert (row.severity, row.layer) == ("warning", "streets")
    assert row.text.startswith(f"streets of class {word!r} (3 lines) are taken as streets")
    assert "street.excluded_classes" in row.text
    excluded = read(
        {"street": {"excluded_classes": [word]}}, mains=network(), streets=streets("a", word)
    )
    assert len(excluded.streets) == 1
    assert found(excluded, "class-doubtful").empty


def test_words_that_may_carry_vehicles_are_no_doubtful_class(network, read, found):
    words = [
        "lane", "Alley", "Chemin", "Path to site", "track", "pedestrian", "Vehicular Trail",
        "Fußgängerzone", "stepson road", "Radialstraße", "", "residential", "Steggasse",
        "Fahrweg", "sonstig", "Gehöftweg", "pěší zóna", "ciąg pieszo-jezdny", "zandpad", "misti",
        "kurzfristig", "bromfietsbaan", "calle peatonal", "Calzada", "yol", "Cadde",
        "Kaldırımlı cadde", "yaya yolu olmayan cadde", "Πεζόδρομος", "Λεωφόρος", "σκαλωσιά",
        "כביש עם מדרכה", "שביל", "رصيف الميناء", "تقاطع", "طريق", "歩道なし", "歩道付き道路",
        "步行街", "自行车道旁道路", "도로", "인도교", "보도블록 도로", "자전거 전용차로",
        "階段坂通り", "anden",
    ]  # fmt: skip
    assert found(read(mains=network(), streets=streets(*words)), "class-doubtful").empty
    nothing = read({"street": {"excluded_classes": []}}, mains=network(), streets=streets("Treppe"))
    assert found(nothing, "class-doubtful").empty


def test_a_carriageway_with_or_without_a_walk_beside_it_is_no_doubtful_class(network, read, found):
    words = [
        "Local - no sidewalk", "Residential w/ sidewalk both sides", "Collector + bikeway",
        "Local (no sidewalk)", "No sidewalk", "Street with sidewalks", "Parking and sidewalk",
        "Straße mit Gehweg", "Rue avec trottoir", "Stairway Ave", "Greenway Blvd", "Elevator Road",
        "Truck elevator", "Speed trap", "Scala Dr",
    ]  # fmt: skip
    assert found(read(mains=network(), streets=streets(*words)), "class-doubtful").empty


def test_a_way_on_foot_is_told_whatever_it_has_beside_it(network, read, found):
    words = [
        "Stairs with handrail", "Footpath - no bikes", "Sidewalk w/o ramp", "Footway + cycleway",
        "Bike and pedestrian path", "Off-road cycle track", "Trap", "SCALA",
    ]  # fmt: skip
    told = found(read(mains=network(), streets=streets(*words)), "class-doubtful")
    assert len(told) == len(words)


def test_ways_on_foot_are_told_in_scripts_without_small_letters(network, read, found):
    words = [
        "מדרכה", "מדרגות", "שביל אופניים", "שביל להולכי רגל", "مسار دراجات", "رصيف", "درج",
        "ممر المشاة", "人行道", "台阶", "樓梯", "自行车道", "步道", "歩道", "階段", "自転車道",
        "自転車歩行者専用道路", "歩行者専用道路", "보도", "계단", "자전거도로", "보행자 전용도로",
    ]  # fmt: skip
    told = found(read(mains=network(), streets=streets(*words)), "class-doubtful")
    assert len(told) == len(words)


def test_each_doubtful_class_has_a_row_of_its_own(network, read, found):
    told = found(
        read(mains=network(), streets=streets("Treppe", "Gehweg", "Gehweg")), "class-doubtful"
    )
    assert ["'Gehweg' (2 " in text for text in told["text"]].count(True) == 1
    assert len(told) == 2


def test_a_way_with_lanes_on_record_that_is_left_out_is_a_warning(network, read, found):
    frame = streets("residential", "path").assign(lanes=[2, 2], speed_kmh=[50, 50])
    (row,) = found(read(mains=network(), streets=frame), "class-excluded").itertuples()
    assert row.severity == "warning"
    assert "Some of them have lanes or a speed on record" in row.text


def test_a_layer_of_footways_alone_is_told_once_and_why(network, read, found):
    layers = read(mains=network(), streets=streets("footway", "steps"))
    (row,) = found(layers, "class-excluded").itertuples()
    assert row.severity == "warning"
    assert "made as if there were no streets" in row.text
    assert not len(found(layers, "nothing-usable"))
