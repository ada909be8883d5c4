"""Values that bring their own unit, and ways that are no streets."""

from __future__ import annotations

import geopandas
import numpy as np
import pint
import pytest
import shapely

from geotools.intake.measured import in_own_unit

PINT = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "dimension", "value", "unit"),
    [
        ("300 mm", "bore", 300, "millimeter"),
        ("300MM", "bore", 300, "millimeter"),
        ("DN300", "bore", 300, "millimeter"),
        ("dn 300", "bore", 300, "millimeter"),
        ("NPS 12", "bore", 12, "inch"),
        ('12"', "bore", 12, "inch"),
        ("12 ''", "bore", 12, "inch"),
        ("12″", "bore", 12, "inch"),
        ("12 IN.", "bore", 12, "inch"),
        ("12 inches", "bore", 12, "inch"),
        ("6'", "length", 6, "foot"),
        ("1.2m", "length", 1.2, "meter"),
        ("4 FT", "length", 4, "foot"),
        ("30 mph", "speed", 30, "mile/hour"),
        ("50 km/h", "speed", 50, "kilometer/hour"),
        ("60 PSI", "pressure", 60, "psi"),
        ("400 KPA", "pressure", 400, "kilopascal"),
        ("0.4 MPA", "pressure", 0.4, "megapascal"),
        ("4 bar", "pressure", 4, "bar"),
        ("30 l/s", "flow", 30, "liter/second"),
        ("30 m3/h", "flow", 30, "meter**3/hour"),
        ("500 GPM", "flow", 500, "gallon/minute"),
        ("45°", "angle", 45, "degree"),
    ],
)
def test_a_number_with_its_unit_is_read_in_that_unit(text, dimension, value, unit):
    """Held against pint, the reference library of units."""
    si = PINT.Quantity(value, unit).to_base_units().magnitude
    found = in_own_unit(np.array([text, "n/a"], dtype=object), dimension)
    assert found[0] == pytest.approx(si, rel=1e-9)
    assert np.isnan(found[1])


@pytest.mark.parametrize(
    ("text", "dimension"),
    [
        ("12", "bore"),  # no unit: a number is the column's
        ("12 kg", "bore"),
        ("12 mm/s", "bore"),
        ("two mm", "bore"),
        ("200/150 mm", "bore"),
        ("6'3\"", "length"),
        ("DN300", "length"),
        ("3 m", None),
        ("1e999 mm", "bore"),
    ],
)
def test_what_is_no_number_with_a_unit_of_its_kind_stays_unread(text, dimension):
    assert np.isnan(in_own_unit(np.array([text], dtype=object), dimension)).all()


def test_a_main_of_twelve_inches_in_a_column_of_millimetres_is_one(network, read, found):
    layers = read(mains=network(diameter_mm=["12 in", "300"]))
    assert layers.mains.table["diameter"].to_numpy() == pytest.approx([0.3048, 0.3])
    (row,) = found(layers, "own-unit").itertuples()
    assert (row.severity, row.feature) == ("info", "A")
    assert "diameter_mm is '12 in'" in row.text
    assert not len(found(layers, "unreadable-value"))


def test_an_own_unit_is_held_against_the_limits(network, read, found):
    layers = read(mains=network(diameter_mm=["3 Mm", "300 mm"]))
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
