"""What a run has to carry and stand: gathered from its mains, or assumed and told."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import Service, load_brief
from geotools.intake.findings import Findings
from geotools.pipe.host import TUBERCLE_M, host_bore
from geotools.pipe.hydraulics import hazen_williams_head_loss_m
from geotools.siting.service import service_columns

COLUMNS = ("material", "diameter", "installed", "bore", "c_factor", "pressure", "flow")


def _mains(*rows: dict[str, Any]) -> pd.DataFrame:
    blank = dict.fromkeys(COLUMNS, math.nan) | {"material": "cast iron", "diameter": 0.6096}
    return pd.DataFrame([blank | row for row in rows], columns=list(COLUMNS))


def _gathered(
    mains: pd.DataFrame,
    runs: list[int] | None = None,
    depths: list[tuple[int, float]] | None = None,
    lengths: list[float] | None = None,
    **settings: object,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the columns and the findings; one run of all mains unless told otherwise."""
    of_run = runs if runs is not None else [0] * len(mains)
    pieces = pd.DataFrame({"run": of_run, "line": range(len(mains)), "start": 0.0})
    pieces["end"] = lengths or [100.0] * len(mains)
    stations = pd.DataFrame(depths or [(r, 2.0) for r in set(of_run)], columns=["run", "depth"])
    service: Service = load_brief(
        overrides={f"service.{key}": value for key, value in settings.items()}
    ).service
    findings = Findings()
    names = [f"R{k}" for k in range(max(of_run) + 1)]
    return service_columns(mains, pieces, stations, names, service, findings), findings.table()


def test_the_narrowest_main_gives_the_bore_for_the_fit() -> None:
    table, _ = _gathered(_mains({"bore": 0.60}, {"bore": 0.58}, {"bore": 0.61}))
    assert table["bore_low"].tolist() == [0.58]
    assert 0.58 < table["bore"][0] < 0.61


def test_the_least_pressure_on_record_is_what_a_surge_falls_from() -> None:
    table, _ = _gathered(
        _mains({"pressure": 6e5}, {"pressure": 2e5}, {}, {}), [0, 0, 0, 1], working_pressure="5 bar"
    )
    assert table["working"].tolist() == [6e5, 5e5]
    assert table["least_working"].tolist() == [2e5, 5e5]


def test_the_grout_is_that_of_the_bore_which_holds_the_mains_volume() -> None:
    table, _ = _gathered(_mains({"bore": 0.60}, {"bore": 0.50}), lengths=[300.0, 100.0])
    # (300 x 0.36 + 100 x 0.25)/400 = 0.3325 m2 of squares
    assert table["mean_bore"][0] == pytest.approx(math.sqrt(0.3325), rel=1e-12)


def test_one_short_old_main_costs_no_more_head_than_its_own_length_does() -> None:
    """By hand: h = 10.67 L Q^1.852/(C^1.852 d^4.8704), heads of mains one after another."""
    mains = _mains(
        {"material": "ductile iron", "diameter": 0.6, "installed": 2000.0},
        {"material": "cast iron", "diameter": 0.6, "installed": 1920.0},
    )
    table, _ = _gathered(mains, lengths=[380.0, 20.0], year=2026)
    # DN 600: 615.2 mm bare (K9, see test_pipe_host) less two linings of 5 mm; lined iron of 26
    # years 140 - 10 x 26/77. Pit-cast iron of more than 100 years: nominal bore, C 55.
    parts = [(380.0, 140 - 10 * 26 / 77, 0.6052), (20.0, 55.0, 0.6)]
    by_hand = sum(10.67 * m * 0.15**1.852 / (c**1.852 * d**4.8704) for m, c, d in parts)
    assert by_hand == pytest.approx(0.2004, abs=5e-5)
    ours = hazen_williams_head_loss_m(0.15, table["bore"][0], table["host_c"][0], 400.0)
    assert float(ours) == pytest.approx(by_hand, rel=1e-9)
    assert table["bore_low"][0] == pytest.approx(float(host_bore("CI", 0.6, 1920).low_m))


def test_mains_all_alike_keep_their_bore_and_c_to_the_last_digit() -> None:
    mains = _mains(*[{"bore": 0.4471, "c_factor": 93.7}] * 7)
    table, _ = _gathered(mains, lengths=[7.3, 11.1, 0.0, 311.9, 4.7, 1e-9, 77.7])
    assert table[["bore", "mean_bore", "host_c"]].to_numpy().tolist() == [[0.4471, 0.4471, 93.7]]


@pytest.mark.parametrize(
    ("material", "diameter", "year"),
    [("ductile iron", 0.4, 1990.0), ("cast iron", 0.4064, 1960.0), ("steel", 0.3048, 1965.0)],
)
def test_a_gauged_bore_leaves_the_lining_as_it_is(
    material: str, diameter: float, year: float
) -> None:
    host = {"material": material, "diameter": diameter, "installed": year}
    table, _ = _gathered(_mains(host, {**host, "bore": diameter}), [0, 1])
    by_table, gauged = table["host_c"]
    assert gauged == by_table >= 125  # lined: 140 falling to 125 in 100 years


def test_large_steel_is_lined_by_its_table_and_bare_if_said_so() -> None:
    mains = _mains({"material": "steel", "installed": 1975.0})  # 24 in, finished bore
    assert _gathered(mains, year=2052)[0]["host_c"].tolist() == [130.0]  # lined, 77 years
    bare, _ = _gathered(mains, year=2025, host_lining="none")
    assert bare["host_c"].tolist() == [68.0]  # bare, 50 years


def test_a_bore_by_table_is_low_for_fit_and_central_for_flow() -> None:
    table, _ = _gathered(_mains({"installed": 1915.0}))
    known = host_bore("cast iron", 0.6096, 1915.0)
    assert table["bore_low"][0] == pytest.approx(float(known.low_m))
    assert table["bore"][0] == pytest.approx(0.6096)  # pit-cast iron: nominal
    assert table["bore_low"][0] < table["bore"][0]


def test_the_highest_pressure_and_flow_on_record_count() -> None:
    table, findings = _gathered(
        _mains(
            {"pressure": 5e5, "flow": 0.1}, {"pressure": 7e5}, {"flow": 0.3, "pressure": 6e5}
        ).assign(bore=0.6)
    )
    assert table["working"].tolist() == [7e5]
    assert table["flow"].tolist() == [0.3]
    told = findings[findings["rule"] != "assumed-age"].to_dict("records")
    assert [row["rule"] for row in told] == ["design-flow-in-part"]
    assert "2 of 3 mains" in told[0]["text"]


def test_mains_without_a_pressure_on_record_work_at_that_assumed_and_it_is_told() -> None:
    """As README says of the field: whatever other mains of the run have on record."""
    mains = _mains({"pressure": 1.5e5}, {}, {})
    table, findings = _gathered(mains)
    assert table["working"].tolist() == [6e5]
    assert table["least_working"].tolist() == [1.5e5]
    higher = _gathered(_mains({"pressure": 9e5}, {}, {}))[0]
    assert higher[["working", "least_working"]].to_numpy().tolist() == [[9e5, 6e5]]
    told = findings.set_index("rule").loc["pressure-in-part"]
    assert told["severity"] == "warning"
    assert "a working pressure is on record on 1 of 3 mains" in told["text"]
    assert "pressure-in-part" not in set(_gathered(_mains({}, {}))[1]["rule"])


def test_an_age_that_is_not_on_record_is_told_where_c_hangs_on_it() -> None:
    mains = _mains(
        {"installed": np.nan}, {"installed": np.nan, "c_factor": 100.0}, {"installed": 1950.0}
    )
    _, findings = _gathered(mains, [0, 1, 2])
    told = findings[findings["rule"] == "assumed-age"]
    assert told["feature"].tolist() == ["R0"]
    assert "C is taken as of 50 years" in told["text"].iloc[0]


def test_what_is_not_on_record_is_assumed_and_told_run_by_run() -> None:
    mains = _mains({"pressure": 5e5}, {"flow": 0.2})
    table, findings = _gathered(mains, [0, 1], working_pressure="8 bar")
    assert table["working"].tolist() == [5e5, 8e5]
    assert np.isnan(table["flow"]).tolist() == [True, False]
    told = {(row.rule, row.feature) for row in findings.itertuples()}
    assert told == {
        ("assumed-pressure", "R1"),
        ("no-design-flow", "R0"),
        ("assumed-bore", "R0,R1"),
        ("assumed-age", "R0,R1"),
    }
    assert set(findings["severity"]) == {"info"}
    text = findings.set_index("rule")["text"]["assumed-pressure"]
    assert "800 kPa" in text
    assert "service.working_pressure" in text


def test_runs_with_a_host_of_asbestos_cement_are_warned_of_with_how_much_of_it() -> None:
    mains = _mains({"material": "AC"}, {"material": "cast iron"}, {"material": "Asbestzement"})
    _, findings = _gathered(mains, [0, 0, 1], lengths=[30.0, 50.0, 12.0])
    told = findings[findings["rule"] == "host-hazardous"]
    assert told["feature"].tolist() == ["R0", "R1"] and set(told["severity"]) == {"warning"}
    assert told["text"].iloc[0].startswith("30 m of its host are asbestos cement")
    _, findings = _gathered(_mains({"material": "cast iron"}))
    assert "host-hazardous" not in set(findings["rule"])


def test_a_bore_that_is_not_measured_is_told_and_so_is_a_material_nobody_knows() -> None:
    mains = _mains(
        {"bore": 0.6},
        {"material": "CI"},
        {"material": ""},
        {"material": "Bambus"},
        {"material": "unobtainium", "bore": 0.6},
        {"material": " Ton "},
    )
    _, findings = _gathered(mains, [0, 0, 1, 1, 2, 2])
    told = findings.set_index("rule")
    assert told.loc[["assumed-bore", "no-material", "unknown-material"], "feature"].tolist() == [
        "R0,R1,R2",
        "R1",
        "R1,R2",
    ]
    assert told["severity"].to_dict() == {
        name: "warning" if name == "unknown-material" else "info" for name in told.index
    }
    text = told.at["unknown-material", "text"]
    assert "'Bambus', 'Ton' of 200 m of mains is not among the words known" in text
    assert "95% to 103% of the diameter" in text  # host_bores.csv: nominal -5/+3 %
    assert "down to 80% of it" in text  # ISO 4427-2: dn 315 of SDR 11 is 28.6 mm thick, +10 %
    many = _mains(*({"material": f"word {k:02}"} for k in range(12)))
    text = _gathered(many)[1].set_index("rule").at["unknown-material", "text"]
    assert "'word 09' and 2 more" in text
    bare = _gathered(_mains({"material": "WI"}))[1].set_index("rule").at["unknown-material", "text"]
    assert "material 'WI' of 100 m of mains is one whose bores are in no table here" in bare


def test_a_recorded_c_beats_age_and_each_counts_by_its_length() -> None:
    old = _mains({"installed": 1915.0, "c_factor": 95.0}, {"installed": 1915.0, "c_factor": 80.0})
    table, _ = _gathered(old, lengths=[300.0, 100.0])
    by_hand = (0.75 * 95**-1.852 + 0.25 * 80**-1.852) ** (-1 / 1.852)
    assert table["host_c"][0] == pytest.approx(by_hand, rel=1e-12)
    assert 80 < by_hand < 95


def test_bare_iron_grows_rougher_with_age_to_the_year_of_the_brief() -> None:
    mains = _mains({"installed": 1975.0, "material": "pit cast iron"})
    # bare iron of 0, 30 and 50 years: 130, 84 and 68
    assert _gathered(mains, year=1975)[0]["host_c"][0] == pytest.approx(130)
    assert _gathered(mains, year=2005)[0]["host_c"][0] == pytest.approx(84)
    assert _gathered(mains, year=2025)[0]["host_c"][0] == pytest.approx(68)


def test_a_main_of_unknown_age_counts_as_fifty_years_old() -> None:
    unknown = _mains({"material": "pit cast iron"})
    known = _mains({"material": "pit cast iron", "installed": 1950.0})
    assert _gathered(unknown)[0]["host_c"][0] == _gathered(known, year=2000)[0]["host_c"][0]


def test_a_lined_main_stays_smooth() -> None:
    lined = _gathered(_mains({"material": "ductile iron", "installed": 1975.0}), year=2025)[0]
    bare = _gathered(_mains({"material": "pit cast iron", "installed": 1975.0}), year=2025)[0]
    assert lined["host_c"][0] >= 120 > bare["host_c"][0]


def test_groundwater_stands_above_the_deepest_invert_of_the_run() -> None:
    depths = [(0, 2.0), (0, 3.5), (1, 0.8), (0, math.nan)]
    mains = _mains({}, {})
    table, _ = _gathered(mains, [0, 1], depths, water_table="1 m")
    assert table["head"].tolist() == pytest.approx([2.5, 0.0])


def test_a_run_of_unknown_depth_stands_in_no_groundwater() -> None:
    table, _ = _gathered(_mains({}), [0], [(0, math.nan)])
    assert table["head"].tolist() == [0.0]


def test_tubercles_narrow_the_low_bore_of_bare_iron_that_is_not_cleaned() -> None:
    assert load_brief().service.tubercles == pytest.approx(TUBERCLE_M)
    mains = _mains({"installed": 1915.0})
    clean, _ = _gathered(mains)
    rough, _ = _gathered(mains, host_cleaned=False, tubercles="20 mm")
    assert rough["bore_low"][0] == pytest.approx(clean["bore_low"][0] - 0.040)
    assert rough["bore"][0] == clean["bore"][0]  # flow: C was measured with them
    measured, _ = _gathered(_mains({"bore": 0.60}), host_cleaned=False)
    assert measured["bore_low"].tolist() == [0.60]


def test_the_lining_said_in_the_brief_beats_the_table() -> None:
    mains = _mains({"material": "ductile iron", "installed": 1980.0})
    bare, single, double = (
        _gathered(mains, host_lining=word)[0]["bore"][0] for word in ("none", "single", "double")
    )
    assert bare > single > double
    assert bare - single == pytest.approx(single - double)
