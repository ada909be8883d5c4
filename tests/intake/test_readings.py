"""Columns: what is read as which field is told, and what is left over does not pass in silence."""

from __future__ import annotations

import difflib
import unicodedata
from functools import partial

import geopandas
import pandas as pd
import pytest
import shapely

from geotools.brief import Brief
from geotools.intake import likely
from geotools.intake.faults import nearest
from geotools.intake.likely import likely_columns
from geotools.intake.match import match_columns
from geotools.intake.readings import column_remarks, columns_table
from geotools.intake.service import IN_SERVICE, OUT
from geotools.intake.stated import mapping_line
from geotools.network.mains import carries_water
from geotools.network.named import chosen_runs
from geotools.schema import INPUTS

EVERY_MAINS_FIELD = [field.column() for field in INPUTS["mains"].fields]


def streets(**columns):
    shapes = [shapely.LineString([(500_000, 5_200_010), (500_200, 5_200_010)])]
    return geopandas.GeoDataFrame(columns, geometry=shapes, crs=32633)


@pytest.mark.parametrize(
    ("layer", "field", "column"),
    [
        ("mains", "status", "LIFECYCLE"),
        ("mains", "status", "PipeStatus"),
        ("mains", "status", "lifecyclestatus"),
        ("mains", "material", "MAT"),
        ("mains", "material", "matrial"),
        ("mains", "installed", "YR_LAID"),
        ("mains", "installed", "installDate"),
        ("mains", "breaks", "BRK"),
        ("mains", "pressure", "PRESS"),
        ("mains", "flow", "Q"),
        ("streets", "class", "FCLASS"),
        ("streets", "lanes", "NLANES"),
        ("laterals", "customers", "NumCustomers"),
    ],
)
def test_a_column_called_otherwise_is_named_with_the_field_it_may_hold(layer, field, column):
    contract = INPUTS[layer]
    found = likely_columns(contract, [contract.field(field)], ["remark", column, "zone"])
    assert found == {field: column}


@pytest.mark.parametrize(
    "column", ["BRK_RATE", "BREAKS_PER_KM_YR", "breakrate", "BRKS_KM", "BreakFrequency"]
)
def test_a_rate_is_not_taken_for_the_count_of_breaks(column):
    assert not likely_columns(INPUTS["mains"], [INPUTS["mains"].field("breaks")], [column])
    contract = INPUTS["mains"]
    told = column_remarks(contract, match_columns(contract, ["main_id", column], {}))
    assert [rule for _, rule, _ in told] == ["count-or-rate"]
    assert repr(column) in told[0][2]
    counts = [column, "BREAKS_10YR"]
    found = likely_columns(INPUTS["mains"], [INPUTS["mains"].field("breaks")], counts)
    assert found == {"breaks": "BREAKS_10YR"}


@pytest.mark.parametrize(
    ("column", "advised"),
    [
        ("BREAKS_PER_MAIN", True),
        ("NUM_BREAKS_PER_PIPE", True),
        ("Corporate_Breaks", True),
        ("TEN_YR_BREAKS", True),
        ("break_mi_id", True),
        ("LAST_BREAK_YEAR", False),  # a date
        ("BRK_YR", False),
    ],
)
def test_a_count_or_a_year_of_breaks_is_no_rate(column, advised):
    contract = INPUTS["mains"]
    found = likely_columns(contract, [contract.field("breaks")], [column])
    assert found == ({"breaks": column} if advised else {})
    told = column_remarks(contract, match_columns(contract, ["main_id", column], {}))
    assert "count-or-rate" not in [rule for _, rule, _ in told]


@pytest.mark.parametrize("column", ["remark", "MAINTENANCE", "zone", "inventory_no", "edited"])
def test_a_column_of_something_else_is_taken_for_no_field(column):
    assert not likely_columns(INPUTS["mains"], INPUTS["mains"].fields, [column])


@pytest.mark.parametrize(
    ("layer", "columns"),
    [
        ("mains", EVERY_MAINS_FIELD),
        ("mains", [*EVERY_MAINS_FIELD, "LIFECYCLE", "remark"]),  # no field is wanting
        ("mains", ["main_id", "diameter_mm", "remark", "edited_by"]),
        ("mains", ["main_id", "diameter_mm", "cover"]),  # told as a column without its unit
        ("streets", ["fid", "name", "class"]),
        ("hydrants", ["fid", "label", "kind"]),  # the contract has no field there
        ("laterals", []),
        ("laterals", ["fid", "OBJECTID"]),
    ],
)
def test_exact_reads_and_columns_of_something_else_make_no_noise(layer, columns):
    contract = INPUTS[layer]
    assert column_remarks(contract, match_columns(contract, columns, {})) == []


def test_columns_left_over_are_one_finding_a_layer_and_all_are_named(network, read, found):
    mains = network(MAT=["CI", "CI"], LIFECYCLE=["in use", "ABANDONED"], remark=["", ""])
    layers = read(mains=mains, streets=streets(FCLASS=["local"], NLANES=[2], speed_kmh=[50]))
    told = found(layers, "columns-left-over")
    assert dict(zip(told["layer"], told["severity"], strict=True)) == {
        "mains": "info",
        "streets": "info",
    }
    first, second = told["text"]
    assert "MAT, LIFECYCLE, remark" in first
    assert "'MAT' may be material" in first
    assert '[inputs.mains.fields], for example: material = "MAT"' in first
    assert "'FCLASS' may be class, 'NLANES' may be lanes" in second


@pytest.mark.parametrize(
    ("field", "column", "line"),
    [
        ("cover", "Depth_ft", 'cover_ft = "Depth_ft"'),
        ("cover", "DEPTH (FEET)", 'cover_ft = "DEPTH (FEET)"'),
        ("cover", "CoverDepthM", 'cover_m = "CoverDepthM"'),
        ("diameter", "Diameter (inch)", 'diameter_in = "Diameter (inch)"'),
        ("diameter", 'Dia (")', r'diameter_in = "Dia (\")"'),
        ("diameter", "DIA_MM", 'diameter_mm = "DIA_MM"'),
        ("pressure", "Pressure (psi)", 'pressure_psi = "Pressure (psi)"'),
        ("pressure", "Press_bar", 'pressure_bar = "Press_bar"'),
        ("pressure", "PressPsi", 'pressure_psi = "PressPsi"'),
        ("flow", "Design_Q [m³/h]", 'flow_m3h = "Design_Q [m³/h]"'),
        ("flow", "DEMAND_L_S", 'flow_lps = "DEMAND_L_S"'),
        ("leakage", "Leak_gpm", 'leakage_gpm = "Leak_gpm"'),
    ],
)
def test_a_column_whose_name_states_its_unit_is_proposed_in_that_unit(field, column, line):
    assert mapping_line(INPUTS["mains"].field(field), column) == (line, "")


@pytest.mark.parametrize(
    ("field", "column", "unit"),
    [
        ("pressure", "Pressure (m head)", "m head"),
        ("pressure", "Press_mwc", "mwc"),
        ("pressure", "Pressure_ft", "ft"),
        ("pressure", "Press m head", "m head"),
        ("flow", "Flow_MGD", "MGD"),
    ],
)
def test_a_unit_the_contract_has_not_is_to_be_brought_to_one_it_has(field, column, unit):
    own = INPUTS["mains"].field(field)
    line, remark = mapping_line(own, column)
    assert line == f'{own.column()} = "{column}"'
    assert f"its name states {unit!r}: bring the values to " in remark


@pytest.mark.parametrize("column", ["Depth", "DEPTH_MAIN", "Depth (mean)", "BUILT_OVER"])
def test_a_name_that_states_no_unit_is_proposed_with_that_of_the_contract(column):
    line = f'cover_m = "{column}"'
    assert mapping_line(INPUTS["mains"].field("cover"), column) == (
        line,
        "(with the unit of the values)",
    )
    assert mapping_line(INPUTS["mains"].field("status"), "STATE_M") == ('status = "STATE_M"', "")


def test_a_name_that_states_no_unit_is_proposed_with_that_of_the_brief():
    for field, line in (("cover", "cover_ft"), ("pressure", "pressure_psi"), ("flow", "flow_gpm")):
        own = INPUTS["mains"].field(field)
        assert mapping_line(own, "COL", "us")[0] == f'{line} = "COL"'
    contract, columns = INPUTS["mains"], ["main_id", "diameter_in", "cover"]
    ((_, hint),) = match_columns(contract, columns, {}, system="us").hints
    assert hint.endswith('for example: cover_ft = "cover"')
    left = match_columns(contract, ["main_id", "diameter_in", "Depth"], {}, system="us")
    ((_, _, text),) = column_remarks(contract, left, "us")
    assert text.endswith('for example: cover_ft = "Depth" (with the unit of the values)')


@pytest.mark.parametrize(
    ("sizes", "units", "line", "told"),
    [
        ([6, 12, 48, None], "us", "diameter_in", ", 6 to 48"),
        ([6, 12, 48, 0], "si", "diameter_in", ", 6 to 48"),
        ([150, 300, 1200], "us", "diameter_mm", ", 150 to 1200"),
        (["150", "300", "?"], "si", "diameter_mm", ", 150 to 300"),
        ([0.15, 0.9], "si", "diameter_m", ", 0.15 to 0.9"),
        (["n/a"], "us", "diameter_in", ""),
        (["n/a"], "si", "diameter_mm", ""),
    ],
)
def test_a_missing_diameter_is_proposed_in_the_unit_its_values_look_like(
    network, read, fault, sizes, units, line, told
):
    mains = network([shapely.LineString([(0, y), (90, y)]) for y in range(len(sizes))])
    brief = {"output": {"units": units}}
    text = fault(read, brief, mains=mains.drop(columns="diameter_mm").assign(DIAM=sizes))
    assert f'for example: {line} = "DIAM" (with the unit of the values{told}) (columns' in text


def test_what_is_told_of_columns_follows_the_units_in_their_names():
    contract = INPUTS["mains"]
    left = match_columns(contract, ["main_id", "diameter_mm", "Depth_ft"], {})
    ((_, _, text),) = column_remarks(contract, left)
    assert text.endswith('for example: cover_ft = "Depth_ft"')
    (fault,) = match_columns(contract, ["main_id", "Diameter (inch)"], {}).faults
    assert 'for example: diameter_in = "Diameter (inch)" (columns there' in fault


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"customers": [4], "critical": [0]}, "they are columns of laterals"),
        ({"FCLASS": ["local"], "W": [7.0]}, "'FCLASS' may be class"),
        ({"remark": [""]}, "check that it is the layer meant"),
    ],
)
def test_a_layer_of_which_no_field_is_read_is_a_warning(columns, words, network, read, found):
    layers = read(mains=network(), streets=streets(**columns))
    (row,) = found(layers, "no-field-read").itertuples()
    assert (row.severity, row.layer) == ("warning", "streets")
    assert words in row.text
    assert "[inputs.streets.fields], for example: class = " in row.text
    assert found(layers, "columns-left-over").empty


@pytest.mark.parametrize(
    ("columns", "excluded", "words"),
    [
        ({"LIFECYCLE": ["ACT", "ABANDONED"]}, ["abandoned"], ("no column", 'status = "LIFECYCLE"')),
        ({}, ["abandoned"], ("no column is read as status", "taken as in service")),
        ({"STATUS": ["", "n/a"]}, ["abandoned"], ("column 'STATUS' is empty",)),
        ({"status": ["", "in use"]}, ["abandoned"], None),
        ({"LIFECYCLE": ["ACT", "ABANDONED"]}, [], None),  # nothing is left out by its status
    ],
)
def test_mains_without_any_status_are_a_warning(columns, excluded, words, network, read, found):
    brief = {"network": {"excluded_statuses": excluded}}
    told = found(read(brief, mains=network(**columns)), "no-status")
    assert told["severity"].tolist() == ["warning"] * (words is not None)
    assert all(word in told["text"][0] for word in words or ())


def test_every_field_and_every_column_has_one_row_that_says_what_became_of_it(network, read):
    mains = network(Material=["CI", "CI"], Q=[1.0, 2.0])
    brief = {"inputs": {"mains": {"source": "-", "fields": {"cover_ft": "Q"}}}}
    told = read(brief, mains=mains, streets=streets(name=["A"], x=[1])).columns
    mains_rows = told[told["layer"] == "mains"]
    read_rows = mains_rows[mains_rows["state"] == "read"]
    assert dict(zip(read_rows["read_as"], read_rows["column"], strict=True)) == {
        "main_id": "main_id",
        "diameter_mm": "diameter_mm",
        "material": "Material",
        "cover_ft": "Q",
    }
    fields = {field.name for field in INPUTS["mains"].fields}
    absent = mains_rows.loc[mains_rows["state"] == "not there", "field"]
    assert set(absent) == fields - {"main_id", "diameter", "material", "cover"}
    left = told[told["state"] == "left over"]
    assert left[["layer", "column"]].to_numpy().tolist() == [["streets", "x"]]


def test_the_number_a_format_gives_its_features_is_no_column_left_over():
    match = match_columns(INPUTS["valves"], ["fid", "kind", "OGC_FID", "maker"], {})
    told = columns_table({"valves": match})
    assert told.loc[told["state"] == "left over", "column"].tolist() == ["maker"]


@pytest.mark.parametrize(
    ("column", "values", "unit"),
    [
        ("pressure_kpa", [3.5, 5.5, 7.5], "bar"),
        ("pressure_kpa", [0.35, 0.55, 0.75], "mpa"),
        ("pressure_bar", [0.3, 0.4, 0.5], "mpa"),
        ("pressure_psi", [5.0, 6.0, 7.0], "bar"),
        ("pressure_kpa", [350, 550, 750], None),
        ("pressure_kpa", [55, 80, 95], "psi or m of head"),
        ("pressure_kpa", [52, 60, 70], "m of head or psi"),
        ("pressure_kpa", [149, 149, 400], "psi or m of head"),
        ("pressure_kpa", [150, 150, 150], None),  # at the limit
        ("pressure_kpa", [60, 350, 400], None),  # a high place
        ("pressure_kpa", [5.5, 400, 600], None),  # one odd main is no matter of units
        ("pressure_bar", [3.5, 5.5, 7.5], None),
        ("pressure_kpa", [None, None, None], None),
    ],
)
def test_pressures_of_which_half_are_below_what_mains_are_run_at_are_a_matter_of_units(
    column, values, unit, network, read, found, line
):
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(3)]
    layers = read(mains=network(shapes, **{column: values}))
    told = found(layers, "unit-doubtful")
    assert told["severity"].tolist() == ["warning"] * (unit is not None)
    if unit is not None:
        assert f"they look like {unit}" in told["text"][0]
        own = [word for word in unit.split(" or ") if word != "m of head"]
        assert f'pressure_{own[0]} = "{column}"' in told["text"][0]
        foreign = "if they are m of head, bring them to kpa (1 is 9.81)"
        assert (foreign in told["text"][0]) == ("m of head" in unit)
    if values[0] is not None:  # used as written all the same, but what no main is run at
        factor = {"kpa": 1e3, "bar": 1e5, "psi": 6894.757}[column.rpartition("_")[2]]
        used = [value * factor >= 1e4 for value in values]
        assert layers.mains.table["pressure"].notna().tolist() == used


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("diameter_mm", 12, 'diameter_in = "diameter_mm"'),
        ("diameter_mm", 36, 'diameter_in = "diameter_mm"'),
        ("diameter_mm", 50, ""),
        ("diameter_mm", 63, ""),
        ("diameter_in", 12, ""),
    ],
)
def test_inches_in_a_column_of_millimetres_are_a_matter_of_units(
    column, value, words, network, read, found
):
    frame = network(**{"diameter_mm": None, column: [float(value)] * 2})
    texts = found(read(mains=frame), "unit-doubtful")["text"].tolist()
    assert len(texts) == bool(words)
    assert all(words in text for text in texts)


def test_a_single_main_of_inches_among_millimetres_is_named(network, read, found, line):
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(4)]
    frame = network(shapes, diameter_mm=[300.0, 12.0, 25.4, 150.0])
    told = found(read(mains=frame), "unit-doubtful")
    assert told["feature"].tolist() == ["B"]
    assert "is it 12 in?" in told["text"][0]


def test_small_services_are_of_no_doubtful_unit(network, read, found, spot):
    laterals = geopandas.GeoDataFrame(
        {"diameter_mm": [25.0, 32.0]}, geometry=[spot(5, 0), spot(9, 0)], crs=32633
    )
    assert found(read(mains=network(), laterals=laterals), "unit-doubtful").empty


@pytest.mark.parametrize(
    ("word", "told"),
    [
        ("Abandoned in place", True),
        ("out-of-service", True),
        ("Out_Of_Service", True),
        ("Removed (2011)", True),
        ("abandonné", True),
        ("decommissioned", True),
        ("not in use", True),
        ("außer Betrieb", True),
        ("AUSSER BETRIEB", True),
        ("Hors service (2011)", True),
        ("fuera de servicio", True),
        ("fuori servizio", True),
        ("buiten gebruik", True),
        ("fora de serviço", True),
        ("nieczynny", True),
        ("mimo provoz", True),
        ("ur drift", True),
        ("sløjfet", True),
        ("geplant", True),
        ("in Betrieb", False),
        ("en service", False),
        ("czynna", False),
        ("Proposed", False),  # is among the excluded ones whatever its case
        ("in service", False),
        ("In use", False),
        ("active", False),
        ("repaired", False),  # five letters of it are those of "retired"
        ("approved", False),
        ("", False),
    ],
)
def test_words_that_likely_mean_out_of_service_are_told_with_count_and_length(
    word, told, network, read, found, line
):
    shapes = [line((0, 0), (100, 0)), line((0, 9), (140, 9)), line((0, 20), (30, 20))]
    layers = read(mains=network(shapes, status=[word, word, "in service"]))
    texts = found(layers, "status-doubtful")["text"].tolist()
    assert len(texts) == told
    assert all(f"{word!r} (2, 240 m)" in text for text in texts)
    none = read({"network": {"excluded_statuses": []}}, mains=network(shapes, status=[word] * 3))
    assert found(none, "status-doubtful").empty


@pytest.mark.parametrize(
    ("word", "excluded", "told"),
    [
        ("Active", "inactive", False),
        ("In Service", "not in service", False),
        ("connected", "disconnected", False),
        ("Commissioned", "decommissioned", False),
        ("Active", "A", False),  # a code is no beginning of a word
        ("Existing", "EX", False),
        ("abandoned", " Abandoned ", False),  # is what is excluded, blanks apart
        ("Inactiv", "inactive", True),
        ("Not in servce", "not in service", True),
        ("bandoned", "abandoned", True),
        ("Cut off", "cut", True),
    ],
)
def test_the_contrary_of_a_word_for_out_of_service_is_none(
    word, excluded, told, network, read, found
):
    brief = {"network": {"excluded_statuses": [excluded]}}
    layers = read(brief, mains=network(status=[word] * 2))
    assert len(found(layers, "status-doubtful")) == told


@pytest.mark.parametrize(
    ("codes", "excluded", "severity", "said"),
    [
        (["AB", "AB", "A"], None, "warning", "'AB' (2, 240 m), 'A' (1, 30 m)"),
        (["0", "N", "N"], None, "warning", "'N' (2, 170 m), '0' (1, 100 m)"),
        ([0, 0, 1], None, "warning", "'0' (2, 240 m), '1' (1, 30 m)"),
        (["STAT_1", "active", ""], None, "warning", "'STAT_1' (1, 100 m)"),
        (["A", "AB", "AB"], ["AB"], "info", "'A' (1, 100 m)"),  # who excludes codes knows them
        (["AB", "N", "0"], ["ab", "n", "0"], "", ""),
        (["AB", "N", "0"], [], "", ""),  # nothing is excluded: all are lined
        (["active", "In Service", "abandoned"], None, "", ""),
        (["ACT", "ok", "in service since 1990"], None, "", ""),
        (["使用中", "在用", "active"], None, "", ""),  # words, of a script that needs few signs
    ],
)
def test_codes_in_place_of_a_status_are_told_in_one_finding(
    codes, excluded, severity, said, network, read, found, line
):
    shapes = [line((0, 0), (100, 0)), line((0, 9), (140, 9)), line((0, 20), (30, 20))]
    brief = {} if excluded is None else {"network": {"excluded_statuses": excluded}}
    told = found(read(brief, mains=network(shapes, status=codes)), "status-code")
    assert told["severity"].tolist() == [severity] * bool(severity)
    assert all(f"mains of status {said} are taken as in service" in text for text in told["text"])
    assert all("add those to network.excluded_statuses" in text for text in told["text"])


@pytest.mark.parametrize(
    ("word", "rates", "severity"),
    [
        ("local", None, ""),
        ("Motorway", None, ""),  # busy by default, and rated like an arterial by default
        ("residential", None, "info"),
        ("motorway", ["local = 150"], "warning"),
        ("", None, ""),
    ],
)
def test_classes_of_streets_without_a_rate_are_told(
    word, rates, severity, network, read, found, line
):
    streets = geopandas.GeoDataFrame(
        {"class": [word, "local"]}, geometry=[line((0, 5), (90, 5)), line((0, 9), (90, 9))]
    ).set_crs(32633)
    brief = {"rates": {"lane_day": rates}} if rates else {}
    told = found(read(brief, mains=network(), streets=streets), "class-without-rate")
    assert told["severity"].tolist() == [severity] * bool(severity)
    assert all(f"{word!r} (1)" in text for text in told["text"])


def test_busy_classes_cost_no_less_than_the_dearest_by_default():
    rates, street = Brief().rates, Brief().street
    cost = {rate.street: rate.cost for rate in rates.lane_day}
    dearest = max(cost.values())
    assert [cost[word] for word in street.no_block] == [dearest] * len(street.no_block)


@pytest.mark.parametrize(
    ("words", "columns", "said"),
    [
        (["Bambus", "Bambus", "PE 100"], {}, "'Bambus' (2, 240 m)"),
        (["Ton", "Bambus", ""], {}, "'Bambus' (1, 140 m), 'Ton' (1, 100 m)"),
        (["PE-HD", "fonte ductile", ""], {}, ""),
        (["Bambus"] * 3, {"status": ["abandoned"] * 3}, ""),
        (["Bambus"] * 3, {"diameter_mm": [100.0] * 3}, ""),
        (["Bambus"] * 3, {"bore_mm": [280.0] * 3}, ""),
    ],
)
def test_materials_nobody_knows_are_told_with_the_mains_whose_bore_hangs_on_them(
    words, columns, said, network, read, found, line
):
    shapes = [line((0, 0), (100, 0)), line((0, 9), (140, 9)), line((0, 20), (30, 20))]
    told = found(read(mains=network(shapes, material=words, **columns)), "unknown-material")
    assert told["severity"].tolist() == ["warning"] * bool(said)
    assert all(f"mains of material {said} are of none" in text for text in told["text"])
    assert all("if that is the outside one" in text for text in told["text"])


def test_materials_without_a_table_are_told_apart_from_words_nobody_knows(network, read, found):
    told = found(read(mains=network(material=["WI", "Bambus"])), "unknown-material")["text"][0]
    assert told.startswith("mains of material 'Bambus' (1, 112 m) are of none of the words known")
    assert "Mains of material 'WI' (1, 100 m) are of materials whose bores are in no table" in told
    told = found(read(mains=network(material=["GRP", "lead"])), "unknown-material")["text"][0]
    assert "'lead' (1, 112 m)" in told
    assert "are of materials whose bores are in no table here" in told
    assert "none of the words known" not in told


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["repaired", "repaired", "active"], "'repaired' (2, 240 m)"),
        (["Bauzustand 2", "verwahrt", "in Betrieb"], "'Bauzustand 2' (1, 100 m), 'verwahrt' (1, "),
        (["in service since 1990", "in Betrieb", "In_Use"], ""),
        (["en service", "czynny", "使用中"], ""),
        (["abandoned", "außer Betrieb", "A1"], ""),  # told by themselves
        (["", "", "active"], ""),
    ],
)
def test_statuses_of_which_nobody_knows_the_meaning_are_told(
    words, said, network, read, found, line
):
    shapes = [line((0, 0), (100, 0)), line((0, 9), (140, 9)), line((0, 20), (30, 20))]
    told = found(read(mains=network(shapes, status=words)), "status-unknown")
    assert told["severity"].tolist() == ["warning"] * bool(said)
    assert all(text.startswith(f"mains of status {said}") for text in told["text"])
    none = read({"network": {"excluded_statuses": []}}, mains=network(shapes, status=words))
    assert found(none, "status-unknown").empty


def test_of_many_unknown_statuses_thirty_are_told_and_the_rest_counted(network, read, found, line):
    letters = [chr(97 + k) * 5 for k in range(26)] + [chr(97 + k) * 6 for k in range(10)]
    shapes = [line((0, 50 * k), (100, 50 * k)) for k in range(len(letters))]
    columns = {"main_id": [f"M{k}" for k in range(len(letters))], "diameter_mm": 300.0}
    layers = read(mains=network(shapes, status=letters, **columns))
    (text,) = found(layers, "status-unknown")["text"]
    assert text.count("(1, 100 m)") == 30
    assert "and 6 other words (6)" in text


def test_no_word_for_in_service_is_taken_for_one_of_out_of_it():
    assert [word for word in IN_SERVICE if word.startswith(OUT)] == []


@pytest.mark.parametrize("form", ["NFC", "NFD"])
@pytest.mark.parametrize("written", ["NFC", "NFD"])
def test_words_that_look_alike_are_alike(form, written, network, read, line):
    """A letter and its mark may be one sign or two (Unicode, annex 15)."""
    shapes = [line((0, 0), (100, 0)), line((0, 9), (140, 9))]
    said = partial(unicodedata.normalize, form)
    meant = partial(unicodedata.normalize, written)
    brief = {
        "inputs": {"mains": {"source": "-", "fields": {"diameter_mm": meant("Größe")}}},
        "network": {"excluded_statuses": [meant("Abandonné")]},
    }
    columns = {"diameter_mm": None, said("Größe"): [300.0, 400.0]}
    mains = network(shapes, status=[said("ABANDONNÉ"), "ABANDONNE"], **columns)
    layers = read(brief, mains=mains)
    assert layers.mains.table["diameter"].tolist() == [0.3, 0.4]
    assert not carries_water(layers.mains, Brief.model_validate(brief).network).any()


@pytest.mark.parametrize(("form", "written"), [("NFC", "NFD"), ("NFD", "NFC")])
def test_classes_and_runs_that_look_alike_are_alike(form, written, network, read, line):
    said = partial(unicodedata.normalize, form)
    meant = partial(unicodedata.normalize, written)
    streets = geopandas.GeoDataFrame(
        {"class": [said("Fußgänger")]}, geometry=[line((0, 3), (100, 3))], crs=32633
    )
    brief = {"street": {"excluded_classes": [meant("fußgänger")]}}
    layers = read(brief, mains=network(), streets=streets)
    assert layers.streets is None or not len(layers.streets.table)
    runs = pd.DataFrame({"run_id": ["R1", "R2"], "main_ids": [said("Süd-1"), "N1"]})
    assert chosen_runs(runs, [meant("Süd-1")], ()).tolist() == [True, False]


@pytest.mark.parametrize(
    ("layer", "brief"), [("YAYA YOLU İÇİ", "yaya yolu içi"), ("ΠΕΖΟΔΡΟΜΟΣ", "Πεζόδρομος")]
)
def test_classes_in_capitals_of_any_language_are_those_of_the_brief(
    layer, brief, network, read, found, line
):
    shapes = [line((0, 3), (100, 3)), line((0, 20), (100, 20))]
    streets = geopandas.GeoDataFrame({"class": [layer, "local"]}, geometry=shapes, crs=32633)
    left_out = read({"street": {"excluded_classes": [brief]}}, mains=network(), streets=streets)
    assert left_out.streets.table["class"].tolist() == ["local"]
    rated = {"street": {"no_block": [brief]}, "rates": {"lane_day": [f"{brief} = 9", "local = 5"]}}
    told = read(rated, mains=network(), streets=streets).findings.table()["rule"].tolist()
    assert "class-without-rate" not in told and "word-not-met" not in told
    bare = {"street": {"no_block": [brief]}}
    remarks = found(read(bare, mains=network(), streets=streets), "class-without-rate")
    assert f"{layer!r} (1) are of street.no_block" in remarks["text"][0]


@pytest.mark.parametrize(
    ("field", "column"), [("invert_start", "INV_IN"), ("cover", "Depth_In"), ("diameter", "DiaM")]
)
def test_letters_that_may_be_no_unit_are_not_taken_for_one(field: str, column: str) -> None:
    own = INPUTS["mains"].field(field)
    line, remark = mapping_line(own, column)
    assert (line, remark) == (f'{own.column()} = "{column}"', "(with the unit of the values)")


def test_names_of_columns_are_taken_apart_once_however_many_fields_are_not_there() -> None:
    """Of files with thousands of columns that was most of the time it took to read them."""
    asked: list[str] = []

    class Counted:
        def findall(self, name: str) -> list[str]:
            asked.append(name)
            return part.findall(name)

    part = likely.PART
    columns = [f"column_{number}" for number in range(50)]
    contract = INPUTS["mains"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(likely, "PART", Counted())
        likely_columns(contract, contract.fields, columns)
        likely.rate_columns(contract.fields, columns)
    assert sorted(asked) == sorted(columns)


def test_of_many_names_the_nearest_is_found_as_by_comparing_all() -> None:
    names = [f"{a}{b}{c}" for a in ("dia", "Flow", "x") for b in ("meter", "_rate") for c in "emr"]
    for sought in ("diameter", "flowrate", "xmetre", "bore", ""):
        for cutoff in (0.5, 0.8):
            folded = sorted(name.casefold() for name in names)
            best = difflib.get_close_matches(sought, folded, n=1, cutoff=cutoff)
            found = nearest(sought, names, cutoff=cutoff)
            assert (found.casefold() if found else None) == (best[0] if best else None)
