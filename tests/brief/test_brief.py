"""The brief: what is read, what is refused, where each value came from."""

from __future__ import annotations

import math
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from geotools.brief import Brief, declared, lay_over, load_brief, read_brief, settings
from geotools.errors import BriefError


def write(folder: Path, text: str) -> Path:
    path = folder / "brief.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> tuple[str, ...]:
    with pytest.raises(BriefError) as caught:
        load_brief(write(folder, text))
    return caught.value.faults


def test_a_brief_of_two_gigabytes_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "brief.toml"
    with path.open("wb") as file:
        file.truncate(2_000_000_000)  # takes no room on the disk
    with pytest.raises(BriefError, match=r"is 2,000 MB, more than the 20 that are read"):
        load_brief(path)


@pytest.mark.parametrize(
    ("key", "met", "beyond", "said"),
    [
        ("service.water_temperature", "140 degF", "141 degF", "must be at most 140 degF"),
        ("service.water_temperature", "32 degF", "31 degF", "must be at least 32 degF"),
        ("carrier.temperature", "140 degF", "140.1 degF", "must be at most 140 degF"),
        ("carrier.temperature", "-4 degF", "-5 degF", "must be at least -4 degF"),
        ("service.tubercles", "3.9 in", "4 in", "must be at most 3.93 in"),
        ("rates.open_laying", "1e12 / m", "1e308 / m", "must be at most 1e+12 / m"),
        ("crew.dig_per_day", "0.01 m^3/day", "1e-300 m^3/day", "must be at least 0.01 m^3/day"),
    ],
)
def test_a_limit_is_met_by_itself_in_the_users_unit_and_told_in_it(
    tmp_path: Path, key: str, met: str, beyond: str, said: str
) -> None:
    section, _, name = key.partition(".")
    load_brief(write(tmp_path, f'[{section}]\n{name} = "{met}"\n'))
    (fault,) = faults(tmp_path, f'[{section}]\n{name} = "{beyond}"\n')
    assert fault == f"{key}: {beyond} is out of range: {said}"


def test_brief_without_a_file_is_all_defaults() -> None:
    brief = load_brief()
    assert brief.pulls.max_length == 550.0
    assert brief.network.max_turn == pytest.approx(math.radians(100))
    assert {s.origin for s in settings(brief)} == {"default"}


def test_every_setting_has_a_meaning_a_source_and_a_default_that_reads_back() -> None:
    for setting in settings():
        assert setting.text, setting.key
        assert setting.source, setting.key
        if isinstance(setting.value, list):
            continue
        again = load_brief(overrides={setting.key: setting.written})
        value = next(s.value for s in settings(again) if s.key == setting.key)
        assert value == setting.value, setting.key


def test_settings_of_the_file_are_read_in_si_and_known_by_origin(tmp_path: Path) -> None:
    brief = load_brief(write(tmp_path, '[pulls]\nmax_length = "1800 ft"\nfriction = 0.3\n'))
    assert brief.pulls.max_length == pytest.approx(548.64)
    assert brief.pulls.friction == 0.3
    used = {s.key: s.origin for s in settings(brief)}
    assert used["pulls.max_length"] == "brief"
    assert used["pulls.rate"] == "default"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sold, lost", ["sold", "lost"]),
        (" sold ", ["sold"]),
        ("", []),
        ("[]", []),
        ('["sold"]', ["sold"]),
        (" [\"sold, lost\", 'gone' , ]", ["sold, lost", "gone"]),
    ],
)
def test_a_list_is_set_as_words_or_as_in_a_brief(text: str, words: list[str]) -> None:
    brief = load_brief(overrides={"network.excluded_statuses": text})
    assert brief.network.excluded_statuses == words


@pytest.mark.parametrize(
    "text",
    ["[sold]", '["sold"', 'sold"]', '"sold", "lost"', "'sold'", '["sold"] # x\ny = 1', "[" * 9999],
)
def test_what_is_half_a_list_is_refused(text: str) -> None:
    with pytest.raises(BriefError, match="is no list; write words with commas") as caught:
        load_brief(overrides={"network.excluded_statuses": text})
    assert caught.value.faults[0].startswith("network.excluded_statuses: ")


def test_an_item_of_a_list_must_be_of_its_kind() -> None:
    with pytest.raises(BriefError, match=r"excluded_statuses.*string"):
        load_brief(overrides={"network.excluded_statuses": "[1]"})


def test_a_brief_that_begins_with_a_byte_order_mark_is_read(tmp_path: Path) -> None:
    path = write(tmp_path, "\ufeff[pulls]\nfriction = 0.3\n")
    assert path.read_bytes().startswith(b"\xef\xbb\xbf[")
    assert load_brief(path).pulls.friction == 0.3


def test_us_units_are_read_everywhere(tmp_path: Path) -> None:
    brief = load_brief(
        write(
            tmp_path,
            '[network]\nmin_diameter = "24 in"\n[pulls]\nmachine_capacity = "80 tonf_us"\n'
            'rate = "12 ft/min"\n[carrier]\ntemperature = "73.4 degF"\n'
            '[rates]\nexcavation = "90 / yd^3"\npe_pipe = "1.5 / lb"\n',
        )
    )
    assert brief.network.min_diameter == pytest.approx(0.6096)
    assert brief.pulls.machine_capacity == pytest.approx(711_715.458)
    assert brief.pulls.rate == pytest.approx(0.06096)
    assert brief.carrier.temperature == pytest.approx(23.0)
    assert brief.rates.excavation == pytest.approx(90 / 0.9144**3)
    assert brief.rates.pe_pipe == pytest.approx(1.5 / 0.45359237)


DAY_OF_WORK = "state what is done in a day of work; write for example"


@pytest.mark.parametrize(
    ("key", "written", "advice"),
    [
        ("crew.cleaning_per_day", "20 m/h", "'200 m/day' where it has 10 h"),
        ("crew.cleaning_per_day", "1 m / min", "'600 m / day' where it has 10 h"),
        ("crew.cleaning_per_day", "1 mph", "'200 m/day' or '660 ft/day'"),
        ("crew.dig_per_day", "6 m^3/hour", "'60 m^3/day' where it has 10 h"),
        ("crew.dig_per_day", "300 m^3/week", "'60 m^3/day' for 5 days of work"),
        ("crew.dig_per_day", "20 gpm", "'60 m^3/day' or '80 yd^3/day'"),
        ("crew.grout_per_day", "880 m^3/month", "'40 m^3/day' for 22 days of work"),
        ("crew.restore_per_day", "5 m^2/h", "'50 m^2/day' where it has 10 h"),
        ("crew.open_cut_rate", "1.5 m hour^-1", "'15 m day^-1' where it has 10 h"),
    ],
)
def test_what_a_crew_does_is_stated_by_the_day_of_work_and_by_no_other_time(
    key: str, written: str, advice: str
) -> None:
    with pytest.raises(BriefError) as caught:
        load_brief(overrides={key: written})
    assert caught.value.faults == (f"{key}: {written!r}: {DAY_OF_WORK} {advice}",)


PRICED = "rates.pulling_hour", "state what an hour costs"
PULLED = "pulls.rate", "state how far it goes in an hour or a minute"


@pytest.mark.parametrize(
    ("due", "written", "advice"),
    [
        (PRICED, "9000 / day", "'900 / hour' for 10 h of work"),
        (PRICED, "45000/week", "'900 /hour' for 50 h of work"),
        (PRICED, "200 Hz", "'900 / hour'"),
        (PULLED, "400 m / day", "'40 m / hour' for 10 h of work"),
        (PULLED, "1300 ft/d", "'130 ft/hour' for 10 h of work"),
        (PULLED, "2 km/week", "'0.04 km/hour' for 50 h of work"),
        (PULLED, "400 m per day", "'40 m per hour' for 10 h of work"),
    ],
)
def test_what_is_stated_by_the_hour_is_not_stated_by_days(
    due: tuple[str, str], written: str, advice: str
) -> None:
    key, what = due
    with pytest.raises(BriefError) as caught:
        load_brief(overrides={key: written})
    assert caught.value.faults == (f"{key}: {written!r}: {what}; write for example {advice}",)


def test_a_unit_may_be_written_with_per() -> None:
    written = {"pulls.rate": "3 m per minute", "crew.dig_per_day": "20 cubic metre per day"}
    brief = load_brief(overrides=written)
    assert brief.pulls.rate == pytest.approx(0.05)
    assert brief.crew.dig_per_day == pytest.approx(20 / 86_400)


@pytest.mark.parametrize(
    ("key", "written", "si"),
    [
        ("crew.cleaning_per_day", "200 m/d", 200 / 86400),
        ("crew.dig_per_day", "80 yd^3 / day", 80 * 0.9144**3 / 86400),
        ("crew.open_cut_rate", "15 m day^-1", 15 / 86400),
        ("rates.pulling_hour", "15 / min", 0.25),
        ("rates.pulling_hour", "900 / hr", 0.25),
        ("pulls.rate", "180 m/h", 0.05),  # hours of pulling are hours
        ("pulls.rate", "0.1 mph", 0.044704),
        ("crew.shift", "0.5 day", 43200.0),
        ("screening.leakage_from", "4.32 m^3/day/km", 5e-8),  # water runs day and night
    ],
)
def test_a_time_that_has_one_meaning_is_read_in_any_unit(key: str, written: str, si: float) -> None:
    brief = load_brief(overrides={key: written})
    used = {setting.key: setting.value for setting in settings(brief)}
    assert used[key] == pytest.approx(si, rel=1e-12)


def test_every_setting_by_the_day_or_the_hour_says_which_is_due() -> None:
    """Those of a default by the day or the hour, and the speed of pulling, which none takes for a
    day of 24 hours; of speeds of vehicles and of water none is.
    """
    by_time = re.compile(r"/ ?(day|hour)")
    due = {s.key: found[1] for s in settings() if s.kind and (found := by_time.search(s.written))}
    assert {s.key: s.per for s in settings() if s.per} == {
        key: per
        for key, per in (due | {"pulls.rate": "hour"}).items()
        if key != "street.default_speed"
    }
    assert len(due) == 7


def test_unknown_setting_names_the_nearest(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[pulls]\nmax_lenght = "400 m"\n')
    assert fault == "pulls.max_lenght: no such setting; did you mean pulls.max_length?"


def test_the_example_for_a_diameter_is_one_of_a_pipe(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, "[network]\nmin_diameter = 12\n")
    assert fault == "network.min_diameter: 12 has no unit; write for example '300 mm' or '12 in'"


def test_setting_in_the_wrong_section_is_pointed_to_the_right_one(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, "[pits]\nroller_friction = 0.2\n")
    assert "did you mean pulls.roller_friction?" in fault


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        # the very name in another section, though network.max_turn is more alike
        (
            '[network]\nmax_length = "500 m"\n',
            "network.max_length: no such setting; did you mean pulls.max_length?",
        ),
        (
            '[screening]\nbreaks_from = "5"\n',
            "screening.breaks_from: '5' has no unit; write for example '0.5 / km' or '0.8 / mile'",
        ),
        (
            '[screening]\nleakage_from = "5 mm"\n',
            "screening.leakage_from: '5 mm' is not an area rate; write for example "
            "'0.05 L/s/km' or '1.3 gpm/mile'",
        ),
        (
            '[rates]\nopen_laying = "250 / rm"\n',
            "rates.open_laying: '250 / rm': 'rm' is read as rontometer, which nobody means; write "
            "'250 / m', if that is meant",
        ),
        (
            '[rates]\npe_pipe = "3200 / ton"\n',
            "rates.pe_pipe: '3200 / ton': a ton is not the same in every country; write t or "
            "metric_ton (1000 kg), short_ton (2000 lb) or long_ton (2240 lb)",
        ),
        (
            '[output]\nunits = "us"\n[rates]\nexcavation = "9000 LS"\n',
            "rates.excavation: '9000 LS': no such unit; 'LS' is a lump sum, and no unit; write "
            "for example '90 / yd^3'",
        ),
        (
            '[crew]\ncleaning_per_day = "200 rm/day"\n',
            "crew.cleaning_per_day: '200 rm/day': 'rm' is read as rontometer, which nobody means; "
            "write '200 m/day', if that is meant",
        ),
        (
            '[network]\nexcluded_statuses = "abandoned"\n',
            "network.excluded_statuses: 'abandoned' is not a list; write [\"abandoned\"]",
        ),
        (
            '[pulls]\nmin_length = "100 m"\nmax_length = "50 m"\n',
            "pulls: max_length must not be below min_length",
        ),
        (
            "[screening]\nneed_weight = 0\nsuitability_weight = 0\n",
            "screening: need_weight and suitability_weight are both 0, which ranks nothing; one "
            "must be above 0",
        ),
        (
            '[pits]\nmax_slope = "12 %"\n',
            "pits.max_slope: '12 %' is given as a number without a unit; write 0.12",
        ),
        (
            '[pulls]\nforce_share = "12,5 per cent"\n',
            "pulls.force_share: '12,5 per cent' is given as a number without a unit; write 0.125",
        ),
        (
            '[service]\nleast_capacity = "80 percent"\n',
            "service.least_capacity: '80 percent' is given as a number without a unit; write 0.8",
        ),
    ],
)
def test_a_fault_says_what_to_write_instead(tmp_path: Path, text: str, fault: str) -> None:
    assert faults(tmp_path, text) == (fault,)


@pytest.mark.parametrize(
    "key", ["crew.tie_in_days", "screening.age_from", "screening.fit_weight", "carrier.dr"]
)
def test_percent_of_what_is_no_share_is_not_worked_out(tmp_path: Path, key: str) -> None:
    (fault,) = faults(tmp_path, f'{key} = "150 percent"\n')
    assert fault.startswith(f"{key}: '150 percent': input should be a valid number")


@pytest.mark.parametrize("key", [k for k, s in declared().items() if isinstance(s.value, list)])
@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("a = 1, b = 2", '["a = 1", "b = 2"]'),
        ("['a, b']", '["a, b"]'),
        ("'a', [b", "[\"'a', [b\"]"),
    ],
)
def test_words_for_a_list_are_shown_as_the_list_they_mean(
    tmp_path: Path, key: str, text: str, told: str
) -> None:
    (fault,) = faults(tmp_path, f'{key} = "{text}"\n')
    assert fault == f"{key}: {text!r} is not a list; write {told}"


def test_what_is_at_the_limit_of_a_contradiction_is_none(tmp_path: Path) -> None:
    equal = write(tmp_path, '[pulls]\nmin_length = "50 m"\nmax_length = "50 m"\n')
    assert load_brief(equal).pulls.min_length == 50.0
    assert load_brief(write(tmp_path, "[screening]\nneed_weight = 0\n"))


@pytest.mark.parametrize(
    ("line", "hint"),
    [
        (
            r'source = "C:\data\net.gpkg"',
            r"write 'C:\data\net.gpkg' in single quotes, or with /",
        ),
        (r'source = "C:\Users\net.gpkg"  # "\x"', r"write 'C:\Users\net.gpkg' in single quotes"),
        (r'source = "\\host\share\net.gpkg"', r"write '\\host\share\net.gpkg' in single quotes"),
        (r'source = ["C:\\a.tif", "C:\data\b.tif"]', r"write 'C:\data\b.tif' in single quotes"),
        (r'source = "C:\"', r"write 'C:\' in single quotes"),
        (r"""source = "C:\Smith's\net.gpkg" """, "; write it with / in place of \\"),
        (r'source = "C:\\data', ""),
        (r"crs = C:\data", 'in quotes: crs = "C:'),
    ],
)
def test_a_path_of_windows_in_double_quotes_is_shown_in_single_ones(
    tmp_path: Path, line: str, hint: str
) -> None:
    (fault,) = faults(tmp_path, f"[inputs.mains]\n{line}\n")
    assert "is not valid TOML" in fault
    assert hint in fault
    assert ("; " in fault) == bool(hint)


def test_a_path_in_which_quotes_made_a_line_break_or_tab_is_told_as_it_was_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    inputs = r'mains = "C:\new\table.gpkg"', r'dem = ["a.tif", "C:\fine\b.tif"]', 'valve = "v"'
    told = faults(tmp_path, "\n".join(["[inputs]", *inputs]))
    assert told[0] == (
        "inputs.mains.source: has \\n and \\t in it: in double quotes \\ begins a sign that is no "
        "letter; write 'C:\\new\\table.gpkg' in single quotes, or with / in place of \\"
    )
    assert r"inputs.dem.source: has \f and \b in it" in told[1]
    assert "inputs.valve: no such layer" in told[2]
    with pytest.raises(BriefError, match=r"inputs.mains.source: has \\n in it"):
        read_brief(inputs={"mains": "C:\new.gpkg"})


@pytest.mark.skipif(os.name == "nt", reason="no file has such a name there")
def test_a_file_with_a_tab_in_its_name_is_read(tmp_path: Path) -> None:
    (tmp_path / "a\tb.gpkg").touch()
    brief = load_brief(write(tmp_path, '[inputs]\nmains = "a\\tb.gpkg:mains"\n'))
    assert brief.inputs["mains"].source == str(tmp_path / "a\tb.gpkg:mains")


@pytest.mark.parametrize(
    ("line", "written"),
    [
        ("min_diameter = 200 mm", 'min_diameter = "200 mm"'),
        ("min_diameter = 200 mm  # small", 'min_diameter = "200 mm"'),
        ("working_crs = EPSG:32633", 'working_crs = "EPSG:32633"'),
        ("excluded_statuses = [abandoned]", None),  # what to write there is not that
        ('min_diameter = "200 mm', None),
        ("min_diameter 200", None),
    ],
)
def test_text_without_quotes_is_shown_in_quotes(
    tmp_path: Path, line: str, written: str | None
) -> None:
    (fault,) = faults(tmp_path, f"[network]\nsnap_tolerance = '1 m'\n{line}\n")
    assert "is not valid TOML" in fault
    assert (f"in quotes: {written}" in fault) if written else ("in quotes" not in fault)


@pytest.mark.parametrize(
    ("value", "shown", "plain"),
    [
        ('"2\'-6""', '"2\'-6\\""', "30 in"),
        ("2'-6\"  # as drawn", '"2\'-6\\""', "30 in"),
        ("'2'-6\"'", '"2\'-6\\""', "30 in"),
        ("2′-6″", '"2′-6″"', "30 in"),
        ("18'", '"18\'"', "18 ft"),
        ("'18''", '"18\'"', "18 ft"),
        ('"24""', '"24\\""', "24 in"),
        ('24"', '"24\\""', "24 in"),
    ],
)
def test_a_length_by_signs_that_toml_takes_for_quotes_is_shown_as_it_is_to_be_written(
    tmp_path: Path, value: str, shown: str, plain: str
) -> None:
    (fault,) = faults(tmp_path, f"[pits]\nmax_depth = {value}\n")
    assert fault.endswith(f'max_depth = {shown}, or write "{plain}"')
    said = load_brief(write(tmp_path, f"[pits]\nmax_depth = {shown}\n")).pits.max_depth
    assert said == pytest.approx(load_brief(overrides={"pits.max_depth": plain}).pits.max_depth)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[inputs]\nmains = 'a'\n\n[inputs.mains]\nsource = 'b'\n",
            "mains is given twice under [inputs] (again in line 4)",
        ),
        (
            "[inputs.mains]\nsource = 'b'\n[inputs] # all\nmains = 'c'\n",
            "mains is given twice under [inputs] (again in line 4)",
        ),
        (
            "[pulls]\nmax_length = '1 m'\nmax_length = '2 m'\n",
            "max_length is given twice under [pulls] (again in line 3)",
        ),
        ("[pulls]\n[pits]\n[pulls]\n", "the section [pulls] is there twice (again in line 3)"),
        ("inputs = {}\ninputs = {}\n", "inputs is given twice (again in line 2)"),
        (
            "pulls.friction = 1\npulls.friction = 2",
            "pulls.friction is given twice (again in line 2)",
        ),
        (
            "[pulls]\nmax_length = '1 m'\nmax_length.x = 1\n",
            "pulls.max_length is a value (line 2), and "
            "pulls.max_length.x would be under it (line 3)",
        ),
        (
            "[pulls]\nmax_length.x = 1\n\nmax_length = '1 m'\n",
            "pulls.max_length is a value (line 4), and "
            "pulls.max_length.x would be under it (line 2)",
        ),
        (
            "[pulls]\nmax_length = '1 m'\n[pulls.max_length.x]\n",
            "pulls.max_length is a value (line 2), and "
            "pulls.max_length.x would be under it (line 3)",
        ),
        (
            "pulls.max_length = '1 m'\n[pulls]\nfriction = 1\n",
            "pulls has pulls.max_length already (line 1), and line 2 begins it as a section",
        ),
        (
            "pulls = 1\n[pulls.lines]\n",
            "pulls is a value (line 1), and pulls.lines would be under it (line 2)",
        ),
    ],
)
def test_what_a_brief_gives_twice_or_as_a_value_and_a_table_is_named_in_words(
    tmp_path: Path, text: str, said: str
) -> None:
    (fault,) = faults(tmp_path, text)
    assert fault.endswith(f"is not valid TOML: {said}; keep one and take out the other")


@pytest.mark.parametrize(
    ("given", "fault"),
    [
        (
            {"network": {"max_length": "3 m", "min_diameter": "200 mm"}},
            "network.max_length: no such setting; did you mean pulls.max_length?",
        ),
        (
            {"network": {"min_diameter": "200 mm"}},
            "network: give each setting by its whole key: 'network.min_diameter'",
        ),
    ],
)
def test_a_whole_section_among_settings_is_told_how_to_be_given(
    given: dict[str, object], fault: str
) -> None:
    with pytest.raises(BriefError) as caught:
        load_brief(overrides=given)
    assert caught.value.faults == (fault,)


def test_unknown_section_names_the_nearest(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[pull]\nmax_length = "400 m"\n')
    assert fault == "pull: no such setting; did you mean pulls?"


def test_unknown_layer_field_and_key_of_an_input_name_the_nearest(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        '[inputs]\nmain = "a.gpkg"\n[inputs.mains]\nsource = "a.gpkg"\ncsr = "EPSG:1"\n'
        'fields = { diametr_mm = "DN" }\n',
    )
    assert "inputs.main: no such layer; did you mean mains?" in found
    assert "inputs.mains.fields.diametr_mm: no such field; did you mean diameter_mm?" in found
    assert "inputs.mains.csr: no such key; did you mean inputs.mains.crs?" in found


def of_the_dem(one: str, other: str) -> str:
    dem = f'[inputs.dem]\nsource = "d.tif"\nvertical_unit = "{one}"\n'
    return dem + (f'[ground]\nvertical_unit = "{other}"\n' if other else "")


def test_two_units_of_the_dem_are_refused(tmp_path: Path) -> None:
    """A level has one unit: read in the wrong one of m and ft it is off by a factor of 0.3048."""
    (fault,) = faults(tmp_path, of_the_dem("ft", "m"))
    assert fault.startswith("inputs.dem.vertical_unit: is ft, but ground.vertical_unit is m")


@pytest.mark.parametrize("other", ["ft", ""])
def test_one_unit_of_the_dem_may_be_said_once_or_twice(tmp_path: Path, other: str) -> None:
    brief = load_brief(write(tmp_path, of_the_dem("ft", other)))
    assert brief.inputs["dem"].vertical_unit == "ft"


def test_fields_of_a_raster_are_refused(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[inputs.dem]\nsource = "d.tif"\nfields = { x = "y" }\n')
    assert fault == "inputs.dem.fields: a raster has no fields; take this out"


@pytest.mark.parametrize("name", ["ISO-8859-1", "latin1", "windows-1252", "cp1250", "GBK", "utf8"])
def test_an_encoding_of_a_layer_may_have_any_of_its_names(tmp_path: Path, name: str) -> None:
    text = f'[inputs.mains]\nsource = "m.csv"\nencoding = "{name}"\n'
    assert load_brief(write(tmp_path, text)).inputs["mains"].encoding == name


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("Window-1252", "did you mean Windows-1252?"),
        ("CP 1252", "did you mean Windows-1252?"),
        ("ANSI 1252", "did you mean Windows-1252?"),
        ("Windows-Latin-1", "did you mean Latin1?"),
        ("ISO-8859-99", "did you mean ISO-8859-9?"),
        ("UTF-16", "save the file as UTF-8"),
        ("cp037", "save the file as UTF-8"),  # its letters are at other places than those of ASCII
        *((name, "is no encoding of text; known") for name in ("ANSI", "mbcs", "hex", "idna", "")),
    ],
)
def test_an_encoding_that_is_none_or_not_to_be_read_is_refused_with_the_nearest(
    tmp_path: Path, name: str, told: str
) -> None:
    (fault,) = faults(tmp_path, f'[inputs.mains]\nsource = "m.csv"\nencoding = "{name}"\n')
    assert fault.startswith(f"inputs.mains.encoding: {name!r} is ")
    assert told in fault


def test_an_encoding_of_a_raster_is_refused(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[inputs.dem]\nsource = "d.tif"\nencoding = "latin1"\n')
    assert fault == "inputs.dem.encoding: a raster has no text; take this out"


def test_missing_unit_and_wrong_dimension_are_named(tmp_path: Path) -> None:
    found = faults(tmp_path, '[pulls]\nmax_length = 400\nmachine_capacity = "80 psi"\n')
    assert found == (
        "pulls.max_length: 400 has no unit; write for example '550 m' or '1800 ft'",
        "pulls.machine_capacity: '80 psi' is not a force; write for example '90 kN' or '20000 lbf'",
    )


@pytest.mark.parametrize(
    ("units", "own", "fault"),
    [
        ("us", "pulls.max_length = 400", "400 has no unit; write for example '1800 ft'"),
        ("si", "pulls.max_length = 400", "400 has no unit; write for example '550 m'"),
        ("us", "network.snap_tolerance = 1", "1 has no unit; write for example '1.6 ft'"),
        ("si", "bends.least_angle = '12'", "'12' has no unit; write for example '3 deg'"),
        ("us", "street.default_speed = '30'", "'30' has no unit; write for example '31 mph'"),
        ("us", "service.working_pressure = '8'", "'8' has no unit; write for example '87 psi'"),
        ("us", "pulls.machine_capacity = '8'", "'8' has no unit; write for example '20000 lbf'"),
        ("us", "carrier.temperature = '60'", "'60' has no unit; write for example '70 degF'"),
        ("si", "street.default_speed = '3'", "'3' has no unit; write for example '50 km/hour'"),
        ("us", "rates.excavation = '9'", "'9' has no unit; write for example '90 / yd^3'"),
    ],
)
def test_examples_of_messages_are_in_the_units_of_the_brief(
    tmp_path: Path, units: str, own: str, fault: str
) -> None:
    (found,) = faults(tmp_path, f"output.units = '{units}'\n{own}\n")
    assert found == f"{own.split()[0]}: {fault}"


def test_the_example_of_a_message_is_one_that_its_setting_takes() -> None:
    shown = 0
    for key, setting in declared().items():
        for units in ({}, {"output.units": "si"}, {"output.units": "us"}) if setting.kind else ():
            with pytest.raises(BriefError, match="write for example") as caught:
                load_brief(overrides={**units, key: "twelve"})
            for text in re.findall("'([^']*)'", str(caught.value).partition("example ")[2]):
                load_brief(overrides={**units, key: text})
                shown += 1
    assert shown > 300


def test_a_limit_that_is_told_is_not_out_of_range_itself() -> None:
    told = [
        (key, limit.removeprefix("at most ").removeprefix("at least "))
        for key, setting in declared().items()
        for limit in setting.limits()
        if setting.kind not in (None, "per_item") and limit.startswith("at ")
    ]
    assert len(told) > 90
    assert [given for given in told if "out of range" in refused(*given)] == []


def refused(key: str, given: str) -> str:
    """Return what a setting is refused for beside the defaults of others; "" if it is not."""
    try:
        load_brief(overrides={key: given})
    except BriefError as error:
        return str(error)
    return ""


def test_the_example_for_a_part_of_an_own_pipe_is_one_that_it_takes(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[carrier]\nown = ["x; PE4710; 24 in; 1"]\n')
    assert fault.endswith("wall: '1' has no unit; write for example '25 mm' or '0.98 in'")


@pytest.mark.parametrize(
    ("text", "metres"), [("18'", 5.4864), ("2'-6\"", 0.762), ("7' 0\"", 2.1336), ('90"', 2.286)]
)
def test_a_length_is_taken_by_the_signs_of_feet_and_inches(text: str, metres: float) -> None:
    found = load_brief(overrides={"pits.max_depth": text, "output.context": text})
    assert found.pits.max_depth == found.output.context == pytest.approx(metres, rel=1e-12)


def test_a_bound_is_told_in_the_feet_a_length_is_written_in(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[pulls]\nmax_length = "2\'-6\\""\n')
    assert fault == "pulls.max_length: 2'-6\" is out of range: must be above 3.29 ft"


def test_value_out_of_range_is_named_with_its_bound(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, "[pulls]\nfriction = 7\n")
    assert fault.startswith("pulls.friction: 7 is out of range")
    assert "1.5" in fault


def test_word_that_is_no_choice_lists_the_choices(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[output]\nunits = "imperial"\n')
    assert fault == "output.units: 'imperial' is none of 'si' or 'us'"


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    found = faults(
        tmp_path,
        '[pulls]\nmax_length = 400\nfriction = 7\nspeed = "1 m/s"\n[ground]\nstep = "10 kg"\n'
        '[inputs]\nmaines = "x"\n',
    )
    assert len(found) == 5


@pytest.mark.parametrize(
    "value",
    ['"9**9**9 m"', '"1e999 m"', "\"__import__('os') m\"", "nan", "inf", "true", "[]", "{ a = 1 }"],
)
def test_hostile_value_is_a_fault_of_its_key(tmp_path: Path, value: str) -> None:
    (fault,) = faults(tmp_path, f"[pulls]\nmax_length = {value}\n")
    assert fault.startswith("pulls.max_length: ")


@pytest.mark.parametrize(
    "text",
    ["pulls = 3\n", 'inputs = "a.gpkg"\n', "inputs = [1]\n", "[inputs]\nmains = 3\n", "x = 1\n"],
)
def test_table_of_the_wrong_shape_is_a_fault(tmp_path: Path, text: str) -> None:
    assert len(faults(tmp_path, text)) == 1


def test_origins_cannot_be_written_in_a_brief(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[origins]\n"pulls.friction" = "measured"\n')
    assert fault.startswith("origins: no such setting")


def test_file_that_is_not_there_not_text_or_not_toml_is_named(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match=r"none\.toml: cannot be read"):
        load_brief(tmp_path / "none.toml")
    with pytest.raises(BriefError, match="cannot be read"):
        load_brief(tmp_path)
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\xff\xfe")
    with pytest.raises(BriefError, match="is not UTF-8 text"):
        load_brief(binary)
    with pytest.raises(BriefError, match="is not valid TOML"):
        load_brief(write(tmp_path, "[pulls\n"))


def test_paths_of_the_brief_are_relative_to_its_folder(tmp_path: Path) -> None:
    brief = load_brief(
        write(
            tmp_path,
            '[inputs]\nmains = "net.gpkg:mains"\ndem = ["a.tif", "b.tif"]\n'
            'streets = "/vsizip/far.zip"\navoid = "https://example.org/avoid.fgb"\n'
            f'valves = "{tmp_path.as_posix()}/v.gpkg"\n',
        )
    )
    assert brief.inputs["mains"].source == str(tmp_path / "net.gpkg:mains")
    assert brief.inputs["dem"].source == [str(tmp_path / "a.tif"), str(tmp_path / "b.tif")]
    assert brief.inputs["streets"].source == "/vsizip/far.zip"
    assert brief.inputs["avoid"].source == "https://example.org/avoid.fgb"
    assert Path(str(brief.inputs["valves"].source)) == tmp_path / "v.gpkg"


def test_the_name_of_a_layer_stays_to_the_letter_behind_the_folder_of_the_brief(
    tmp_path: Path,
) -> None:
    (tmp_path / "net.gpkg").touch()
    brief = load_brief(write(tmp_path, '[inputs]\nmains = "./net.gpkg:water//./mains"\n'))
    assert brief.inputs["mains"].source == f"{tmp_path / 'net.gpkg'}:water//./mains"


def test_a_loaded_brief_reads_the_same_files_from_any_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, '[inputs]\nmains = "net.gpkg:mains"\ndem = ["a.tif", "tiles/*.tif"]\n')
    monkeypatch.chdir(tmp_path)
    name = next(tmp_path.glob("*.toml")).name
    given = {"streets": "s.gpkg", "avoid": "https://example.org/avoid.fgb"}
    brief = load_brief(name, inputs=given)
    assert {layer: entry.source for layer, entry in brief.inputs.items()} == {
        "mains": str(tmp_path / "net.gpkg:mains"),
        "dem": [str(tmp_path / "a.tif"), str(tmp_path / "tiles/*.tif")],
        "streets": str(tmp_path / "s.gpkg"),
        "avoid": "https://example.org/avoid.fgb",
    }
    told = read_brief(name, inputs=given)  # a call that ends here names files as they were given
    assert told.inputs["mains"].source == "net.gpkg:mains"
    assert told.inputs["streets"].source == "s.gpkg"
    assert load_brief(name, inputs=given).origins == told.origins


def test_layer_given_on_the_command_line_keeps_the_field_mapping(tmp_path: Path) -> None:
    path = write(
        tmp_path,
        '[inputs.mains]\nsource = "a.gpkg"\ncrs = "EPSG:2263"\nfields = { diameter_in = "SIZE" }\n',
    )
    brief = load_brief(path, inputs={"mains": "other.gpkg:net"})
    assert brief.inputs["mains"].source == str(Path.cwd() / "other.gpkg:net")
    assert brief.inputs["mains"].fields == {"diameter_in": "SIZE"}
    assert brief.inputs["mains"].crs == "EPSG:2263"


def test_command_line_beats_the_brief_and_says_so(tmp_path: Path) -> None:
    path = write(tmp_path, '[pulls]\nmax_length = "500 m"\n')
    brief = load_brief(path, overrides={"pulls.max_length": "400 m", "output.units": "us"})
    assert brief.pulls.max_length == 400.0
    used = {s.key: s.origin for s in settings(brief)}
    assert used["pulls.max_length"] == used["output.units"] == "command line"


def test_command_line_text_is_read_as_the_setting_needs_it() -> None:
    brief = load_brief(
        overrides={
            "network.excluded_statuses": "gone, dead",
            "output.stations": "false",
            "pulls.friction": "0.4",
            "rates.joint": "510",
            "network.working_crs": "none",
            "carrier.nominal": "20 in",
        }
    )
    assert brief.network.excluded_statuses == ["gone", "dead"]
    assert brief.output.stations is False
    assert brief.pulls.friction == 0.4
    assert brief.rates.joint == 510.0
    assert brief.network.working_crs is None
    assert brief.carrier.nominal == "20 in"


def test_command_line_faults_are_told_with_those_of_the_brief(tmp_path: Path) -> None:
    path = write(tmp_path, "[pulls]\nmax_length = 400\n")
    with pytest.raises(BriefError) as caught:
        load_brief(path, overrides={"pulls.frictoin": "0.4", "inputs.mains": "x", "pulls": "y"})
    told = caught.value.faults
    assert "pulls.frictoin: no such setting; did you mean pulls.friction?" in told
    assert any(line.startswith("inputs.mains: no such setting") for line in told)
    assert any(line.startswith("pulls: no such setting") for line in told)
    assert any(line.startswith("pulls.max_length: 400 has no unit") for line in told)


def test_command_line_over_a_section_of_the_wrong_shape_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(BriefError, match="pulls"):
        load_brief(write(tmp_path, "pulls = 3\n"), overrides={"pulls.friction": "0.4"})
    with pytest.raises(BriefError, match="inputs"):
        load_brief(write(tmp_path, "inputs = 3\n"), inputs={"mains": "a.gpkg"})


def test_laying_over_a_loaded_brief_changes_that_and_no_more(tmp_path: Path) -> None:
    lower = load_brief(
        write(
            tmp_path,
            '[pulls]\nmax_length = "500 m"\nfriction = 0.3\n'
            '[inputs.mains]\nsource = "a.gpkg"\nfields = { diameter_in = "SIZE" }\n',
        )
    )
    upper = lay_over(lower, inputs={"mains": "b.gpkg"}, overrides={"pulls.max_length": "400 m"})
    assert upper.pulls.max_length == 400.0
    assert upper.pulls.friction == 0.3
    assert upper.inputs["mains"].source == "b.gpkg"
    assert upper.inputs["mains"].fields == {"diameter_in": "SIZE"}
    assert upper.origins["pulls.max_length"] == "command line"
    assert upper.origins["pulls.friction"] == "brief"
    assert lower.pulls.max_length == 500.0
    with pytest.raises(BriefError, match="no such setting"):
        lay_over(lower, overrides={"pulls.nothing": "1"})


def test_settings_that_must_agree_are_held_against_the_brief_they_go_on(tmp_path: Path) -> None:
    lower = load_brief(write(tmp_path, "[screening]\nage_limit = 200.0\n"))
    screening = lay_over(lower, overrides={"screening.age_from": 120.0}).screening
    assert (screening.age_from, screening.age_limit) == (120.0, 200.0)
    lower = load_brief(write(tmp_path, "[screening]\nage_from = 80.0\n"))
    with pytest.raises(BriefError, match="age_from must be below age_limit"):
        lay_over(lower, overrides={"screening.age_limit": 60.0})


def test_quantities_of_a_brief_stay_to_the_last_digit_under_what_is_laid_over(
    tmp_path: Path,
) -> None:
    text = '[pulls]\nmax_length = "1234.567 ft"\n[carrier]\ntemperature = "71.3 degF"\n'
    lower = load_brief(write(tmp_path, text))
    upper = lay_over(lower, overrides={"pulls.friction": "0.4"})
    same = [s.key for s in settings(upper) if s.key != "pulls.friction"]
    old, new = ({s.key: s for s in settings(brief)} for brief in (lower, upper))
    assert [new[key] for key in same] == [old[key] for key in same]


def test_brief_cannot_be_changed_once_loaded() -> None:
    brief = Brief()
    with pytest.raises(ValueError, match="frozen"):
        brief.pulls.friction = 0.9  # type: ignore[misc]


# Pipes of the user's own -----------------------------------------------------------------


def test_own_pipe_is_written_in_one_line_or_as_a_table(tmp_path: Path) -> None:
    text = (
        'own = ["big; PE4710; 24 in; 1.5 in", '
        '{name = "b", material = "PVC", outside = "500 mm", wall = "25 mm"}]'
    )
    first, second = load_brief(write(tmp_path, f"[carrier]\n{text}\n")).carrier.own
    assert (first.name, first.material) == ("big", "PE4710")
    assert (first.outside, first.wall) == pytest.approx((24 * 0.0254, 1.5 * 0.0254))
    assert (second.outside, second.wall) == pytest.approx((0.5, 0.025))
    (again,) = load_brief(overrides={"carrier.own": str(first)}).carrier.own
    assert (again.name, again.material) == (first.name, first.material)
    assert (again.outside, again.wall) == pytest.approx((first.outside, first.wall), rel=1e-12)


def test_faults_of_own_pipes_name_the_pipe_and_the_part(tmp_path: Path) -> None:
    text = (
        '[carrier]\nown = ["a=b; PE4710; 24 in; 1 in", "x; PE47; 24 in; 1 in", "short; PE", '
        '"y; PVC; 24; 1 in", "z; PVC; 24 in; 99 in"]\ndr = 3\n'
    )
    assert list(faults(tmp_path, text)) == [
        "carrier.dr: 3 is out of range: input should be greater than or equal to 6",
        "carrier.own.0.name: 'a=b': a name may not hold ';', ',' or '='",
        "carrier.own.1.material: 'PE47' is none of 'PE4710', 'PE3608', 'PE100', 'PVC' or 'PVC-U'",
        "carrier.own.2: 'short; PE' is not 'name; material; outside diameter; wall'",
        "carrier.own.3.outside: '24' has no unit; write for example '300 mm' or '12 in'",
        "carrier.own.4.wall: 2.5145999999999997 is out of range: input should be less than or "
        "equal to 0.3 (in SI units)",
    ]


def test_setting_that_may_be_left_open_takes_its_unit_or_none() -> None:
    open_ = load_brief(overrides={"pulls.friction": "none", "street.taper": "none"})
    assert open_.pulls.friction is None
    assert open_.street.taper is None
    given = load_brief(overrides={"pulls.friction": "0.4", "street.taper": "100 ft"})
    assert given.pulls.friction == 0.4
    assert given.street.taper == pytest.approx(30.48)
    with pytest.raises(BriefError, match=r"street\.taper: '30' has no unit"):
        load_brief(overrides={"street.taper": "30"})


def test_a_brief_that_chooses_runs_by_an_empty_name_is_refused(tmp_path: Path) -> None:
    (fault,) = faults(tmp_path, '[network]\nonly = [""]\n')
    assert fault.startswith("network.only: '' names nothing")
    assert load_brief(overrides={"network.only": ""}).network.only == []


# Pairs -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("rate", "said"),
    [
        (
            "local = -1500",
            "rates.lane_day.1.cost: -1500.0 is out of range: input should be greater",
        ),
        ("local = nan", "rates.lane_day.1.cost: 'nan' is not a quantity"),
        ("local = inf", "rates.lane_day.1.cost: 'inf' is not a quantity"),
        ("local = 1e999", "rates.lane_day.1.cost: '1e999' is not a finite number"),
        ("local", "rates.lane_day.1: 'local' is not of the form 'class = cost'"),
        ("= 3", "rates.lane_day.1: '= 3' is not of the form 'class = cost'"),
    ],
)
def test_a_lane_day_costs_a_finite_number_not_below_nothing(
    tmp_path: Path, rate: str, said: str
) -> None:
    text = f'[rates]\nlane_day = ["arterial = 0", "{rate}"]\n'
    (fault,) = faults(tmp_path, text)
    assert fault.startswith(said)


def test_a_class_of_street_costs_one_price_a_lane_day_however_it_is_spelled(tmp_path: Path) -> None:
    twice = '[rates]\nlane_day = ["local = 150", "A = 2", " Local = 9000"]\n'
    (fault,) = faults(tmp_path, twice)
    assert fault == "rates.lane_day: 'Local = 9000', but class 'Local' costs 150 already"
    (fault,) = faults(tmp_path, '[rates]\nlane_day = ["Anayol İçi = 1", "ANAYOL İÇİ = 2"]\n')
    assert "'ANAYOL İÇİ = 2', but class 'ANAYOL İÇİ' costs 1 already" in fault
    same = load_brief(overrides={"rates.lane_day": ["local = 150", "Local = 150.0"]})
    assert [rate.cost for rate in same.rates.lane_day] == [150.0, 150.0]


def test_pairs_are_read_around_the_last_sign_and_written_as_they_are_read() -> None:
    over = {"rates.lane_day": ["B=2 road = 12.5"], "carrier.fixed": "M=7 = 20 in DIPS DR 17 PE4710"}
    brief = load_brief(overrides=over)
    (rate,), (fixed,) = brief.rates.lane_day, brief.carrier.fixed
    assert (rate.street, rate.cost) == ("B=2 road", 12.5)
    assert (fixed.owner, fixed.pipe) == ("M=7", "20 in DIPS DR 17 PE4710")
    assert [str(rate), str(fixed)] == ["B=2 road = 12.5", "M=7 = 20 in DIPS DR 17 PE4710"]


@pytest.mark.parametrize(
    ("name", "most", "count"), [("per_pit", 1e7, 10), ("per_lane_day", 1e6, 100)]
)
def test_what_the_objective_adds_leaves_differences_of_cost_to_be_seen(
    name: str, most: float, count: int
) -> None:
    """Plans closer than 1e-9 of their sum are one: 0.1 with ten pits, or 100 lane-days."""
    from geotools.pulls.optimise import TIE

    assert TIE * most * count <= 0.1 + 1e-12
    load_brief(overrides={f"objective.{name}": most})
    with pytest.raises(BriefError, match=name):
        load_brief(overrides={f"objective.{name}": most * 10})


CODE = """
import geotools.clock
geotools.clock.this_year = lambda: 1987
from geotools.brief import Brief
from geotools.intake.limits import limit
print(Brief().service.year, limit("installed").high)
"""


def test_the_brief_and_the_reader_mean_the_same_year_by_this_one() -> None:
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["1987", "1987"]


def test_a_pipe_before_fusing_is_forty_feet_to_the_millimetre() -> None:
    """40 x 0.3048 m: by a rounded one, pulls of many pipes would be short of them."""
    assert load_brief().pulls.piece_length == pytest.approx(40 * 0.3048, rel=1e-12)
