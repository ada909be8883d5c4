"""Hand calculations on the command line: answers, units, refusals, and what the README shows.

Numbers to compare with are those of the project's own worked example, a 24 in pit-cast main of
24.02 in bore (1000 ft, straight) with 20 in DIPS pipe in it, worked out apart from the program.
"""

from __future__ import annotations

import inspect
import json
import math
import re
import shlex
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import geotools
from geotools.brief import declared, load_brief
from geotools.cli import main
from geotools.pipe import excavation, fit, pits, pulling
from geotools.pipe.defaults import FORCE_SHARE, MACHINE_SHARE
from geotools.pipe.worksheets import WORKSHEETS
from geotools.tool import Parameter, ToolError
from geotools.tools import pipe
from geotools.tools._pipe_options import SHEETS, Sheet

README = Path(geotools.__file__).parents[1] / "README.md"
PE = ("--carrier", "20 in DIPS DR 17 PE4710")
PVC = ("--carrier", "20 in DIPS DR 25 PVC")
PSI, FOOT, POUND, GALLON = 6894.757, 0.3048, 4.448222, 0.003785412

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def slipmain(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: str) -> tuple[int, str, str]:
        with pytest.raises(SystemExit) as left:
            main(["pipe", *arguments])
        out, err = capsys.readouterr()
        return int(left.value.code or 0), out, err

    return run


def answer(run: Run, *arguments: str, code: int = 0) -> dict[str, Any]:
    left, out, err = run(*arguments, "--json")
    assert (left, err) == (code, "")
    sheet: dict[str, Any] = json.loads(out)
    return sheet


def value(sheet: dict[str, Any], name: str, part: str = "results") -> float:
    key = "symbol" if part == "steps" else "name"
    return float(next(item["value"] for item in sheet[part] if item[key] == name))


# Answers ---------------------------------------------------------------------------------


def test_everything_a_pull_was_worked_out_from_is_told_stretch_by_stretch(slipmain: Run) -> None:
    path = ["--length", "500 ft", "--length", "400 ft", "--bend", "22.5 deg"]
    limits = ["--machine", "100000 lbf", "--share", "0.4", "--bend-radius", "200 ft"]
    grades = ["--grade", "0.03", "--grade", "-0.01"]
    sheet = answer(slipmain, "pull", *PE, *path, *grades, *limits)
    told = {item["name"]: item["value"] for item in sheet["inputs"]}
    assert (told["L1"], told["L2"]) == pytest.approx((500, 400))
    assert (told["tan a1"], told["tan a2"]) == pytest.approx((3.0, -1.0))  # per cent
    assert told["q1"] == pytest.approx(22.5)
    assert "q2" not in told
    assert told["machine"] == pytest.approx(100_000)
    assert told["share"] == pytest.approx(40)
    assert told["R"] == pytest.approx(200)


def test_the_machine_is_planned_with_the_share_of_a_plan_or_with_ones_own(slipmain: Run) -> None:
    pull = ("pull", *PE, "--length", "500 ft", "--machine", "100000 lbf")
    assert value(answer(slipmain, *pull), "F machine", "steps") == pytest.approx(75_000)
    own = answer(slipmain, *pull, "--machine-share", "0.6")
    assert value(own, "F machine", "steps") == pytest.approx(60_000)
    assert value(own, "m share", "inputs") == pytest.approx(60)  # per cent
    plan = load_brief().pulls
    assert (plan.machine_share, plan.force_share) == (MACHINE_SHARE, FORCE_SHARE) == (0.75, 0.5)


def test_a_friction_of_ones_own_is_not_told_as_from_the_table(slipmain: Run) -> None:
    sheet = answer(slipmain, "pull", *PE, "--length", "500 ft", "--friction", "0.35")
    (source,) = [s["source"] for s in sheet["steps"] if s["symbol"] == "F"]
    assert source == "friction as given"


def test_surges_of_pvc_are_counted_or_their_omission_is_told(slipmain: Run) -> None:
    asked = ["pressure", *PVC, "--working", "100 psi", "--recurring", "1 ft/s"]
    counted = answer(slipmain, *asked, "--surges", "55")
    # (5.05e21/(55 x 365.25 x 50 x 2))^(1/4.906) = 1377 psi of hoop stress, 2 S/24 in DR 25
    assert value(counted, "S", "steps") == pytest.approx(1377.5, abs=0.5)
    assert value(counted, "limit often", "steps") == pytest.approx(114.8, abs=0.05)
    assert counted["passes"] is True  # 100 + 14.7
    failing = answer(slipmain, *asked, "--surges", "60", code=1)
    assert failing["passes"] is False
    sizeless = ["pressure", *PVC, "--working", "100 psi", "--surges", "55"]
    for half_told in (asked, sizeless):
        code, out, _ = slipmain(*half_told)
        assert code == 0
        assert "The fatigue of PVC was not checked" in out
    assert "not checked" not in slipmain(*asked, "--surges", "55")[1]


def test_grout_all_round_counts_against_collapse_for_polyethylene_alone(slipmain: Run) -> None:
    asked = ["--head", "20 ft"]
    assert answer(slipmain, "collapse", *PE, *asked, code=1)["passes"] is False
    grouted = answer(slipmain, "collapse", *PE, *asked, "--grout", "5")
    assert value(grouted, "Pa/(rho g)") == pytest.approx(5 * 15.7, abs=0.3)  # 15.7 ft bare
    code, _, err = slipmain("collapse", *PVC, *asked, "--grout", "5")
    assert code == 2
    assert "grout: 5 cannot be used; valid: 1 to 5 for PE, 1 for PVC" in err


def test_stresses_are_in_the_units_engineers_write_them_in(slipmain: Run) -> None:
    for units, unit, stress in (("si", "MPa", 13.79), ("us", "psi", 2000.0)):
        sheet = answer(slipmain, "pressure", *PVC, "--working", "5 bar", "--units", units)
        (found,) = [step for step in sheet["steps"] if step["symbol"] == "HDS"]
        assert found["unit"] == unit
        assert found["value"] == pytest.approx(stress, abs=0.005)


@pytest.mark.parametrize(
    ("asked", "symbol", "metric", "us"),
    [
        (("fit", *PE, "--bore", "0.7 m", "--rule", "radial_gap"), "c needed", "10 mm", "0.39 in"),
        (("fit", *PE, "--bore", "0.7 m", "--rule", "share_or_total"), "c needed", "51 mm", "2 in"),
    ],
)
def test_limits_in_formulas_are_in_the_units_shown(
    slipmain: Run, asked: tuple[str, ...], symbol: str, metric: str, us: str
) -> None:
    for units, limit in (("si", metric), ("us", us)):
        sheet = answer(slipmain, *asked, "--units", units)
        (formula,) = [step["formula"] for step in sheet["steps"] if step["symbol"] == symbol]
        assert formula.endswith(limit)


@pytest.mark.parametrize(
    ("recurring", "occasional", "governs"),
    [("0 ft/s", "0 ft/s", "working pressure"), ("3 ft/s", "3 ft/s", "recurring surge"),
     ("0 ft/s", "9 ft/s", "occasional surge")],
)  # fmt: skip
def test_the_pressure_nearest_its_limit_is_named(
    slipmain: Run, recurring: str, occasional: str, governs: str
) -> None:
    asked = ("--working", "90 psi", "--recurring", recurring, "--occasional", occasional)
    sheet = answer(slipmain, "pressure", *PVC, *asked)
    named = {entry["name"]: entry["value"] for entry in sheet["results"]}
    assert named["governed by"] == governs


def test_flow_shows_the_head_by_the_other_formula_where_it_holds(slipmain: Run) -> None:
    asked = ("--bore", "24.02 in", "--host-c", "70", "--length", "1000 ft")
    sheet = answer(slipmain, "flow", *PE, *asked, "--flow", "2939 gpm")
    # within a twelfth: C 150 is a shade rough for a plastic pipe at such a Reynolds number
    one, other = value(sheet, "h2", "steps"), value(sheet, "h2 D-W", "steps")
    assert 0.92 * one < other < one
    slow = answer(slipmain, "flow", *PE, *asked, "--flow", "9 gpm")
    assert "h2 D-W" not in {step["symbol"] for step in slow["steps"]}


def test_fit_of_the_worked_example(slipmain: Run) -> None:
    sheet = answer(slipmain, "fit", *PE, "--bore", "24.02 in")
    assert value(sheet, "c") == pytest.approx(2.42, abs=1e-6)
    assert value(sheet, "c/ID", "steps") == pytest.approx(10.1, abs=0.05)  # 10.1 % printed
    assert sheet["passes"] is True


@pytest.mark.parametrize(
    ("carrier", "low", "central", "allowable", "share"),
    [(PE, 10_661, 17_769, 107_927, 16.5), (PVC, 10_538, 17_563, 157_597, 11.1)],
    ids=["PE", "PVC"],
)
def test_pull_of_the_worked_example(
    slipmain: Run,
    carrier: tuple[str, str],
    low: float,
    central: float,
    allowable: float,
    share: float,
) -> None:
    sheet = answer(slipmain, "pull", *carrier, "--length", "1000 ft")
    # the example takes 0.4333 psi/ft for water, the program 1000 kg/m3: 0.05 % apart
    assert value(sheet, "F low", "steps") == pytest.approx(low, rel=1e-3)
    assert value(sheet, "F") == pytest.approx(central, rel=1e-3)
    assert value(sheet, "F pipe", "steps") == pytest.approx(allowable, rel=1e-4)
    assert value(sheet, "F/F pipe") == pytest.approx(share, abs=0.05)
    assert value(sheet, "utilisation") == pytest.approx(2 * share, abs=0.1)  # planned with half


def test_pull_round_bends_of_the_worked_example(slipmain: Run) -> None:
    one = ("--length", "500 ft", "--bend", "22.5 deg", "--length", "500 ft")
    sheet = answer(slipmain, "pull", *PE, *one)
    assert value(sheet, "F low", "steps") == pytest.approx(11_328, rel=1e-3)
    lengths = ("--length", "400 ft", "--length", "300 ft", "--length", "300 ft")
    two = (*lengths, "--bend", "11.25 deg", "--bend", "11.25 deg")
    sheet = answer(slipmain, "pull", *PE, *two)
    assert value(sheet, "F low", "steps") == pytest.approx(11_389, rel=1e-3)


def test_a_bend_at_the_head_is_worse_than_one_at_the_tail(slipmain: Run) -> None:
    def force(first: str, second: str) -> float:
        lengths = ("--length", first, "--bend", "45 deg", "--length", second)
        return value(answer(slipmain, "pull", *PE, *lengths), "F")

    assert force("900 ft", "100 ft") > force("500 ft", "500 ft") > force("100 ft", "900 ft")


def test_a_pull_is_judged_where_its_force_is_greatest(slipmain: Run) -> None:
    """By hand: 10 m, a turn of 90 degrees, 290 m; mu 0.05 in the host, 0.1 on rollers.

    Just past the bend (mu w 10 + 0.1 w 290) exp(mu pi/2), at the end mu w (10 exp(mu pi/2) + 290).
    Downhill by 20 % nothing drags in the host, and the string does before it is in: 0.1 w 300.
    """
    path = ("--length", "10 m", "--bend", "90 deg", "--length", "290 m")
    sheet = answer(slipmain, "pull", *PE, *path, "--friction", "0.05")
    weight, grown = value(sheet, "w", "steps"), math.exp(0.05 * math.pi / 2)
    past = weight * (0.05 * 10 + 0.1 * 290) * grown / 1e3
    assert value(sheet, "F") == pytest.approx(past, rel=1e-9) == value(sheet, "F way", "steps")
    assert value(sheet, "F", "steps") == pytest.approx(weight * 0.05 * (10 * grown + 290) / 1e3)
    down = answer(
        slipmain, "pull", *PE, "--length", "300 m", "--grade", "-0.2", "--friction", "0.1"
    )
    assert value(down, "F") == pytest.approx(weight * 0.1 * 300 / 1e3)
    plain = answer(slipmain, "pull", *PE, *path)
    assert "F way" not in {step["symbol"] for step in plain["steps"]}


def test_a_climb_of_the_worked_example(slipmain: Run) -> None:
    sheet = answer(slipmain, "pull", *PE, "--length", "1000 ft", "--grade", "0.03")
    assert value(sheet, "F low", "steps") == pytest.approx(11_722, rel=1e-3)


@pytest.mark.parametrize(
    ("carrier", "form", "drop", "ramp"),
    [
        (PE, "lifted", "10 ft", 29.5),
        (PE, "level", "10 ft", 42.9),
        (PVC, "lifted", "10 ft", 94.3),
        (PVC, "level", "10 ft", 133.8),
    ],
)
def test_pits_of_the_worked_example(
    slipmain: Run, carrier: tuple[str, str], form: str, drop: str, ramp: float
) -> None:
    sheet = answer(slipmain, "pit", *carrier, "--drop", drop, "--form", form, "--working", "5 ft")
    assert value(sheet, "L", "steps") == pytest.approx(ramp, abs=0.05)
    assert value(sheet, "length") == pytest.approx(ramp + 5, abs=0.05)


def test_a_pipe_resting_above_the_ground_is_not_dug_out(slipmain: Run) -> None:
    high = answer(slipmain, "pit", *PE, "--drop", "10 ft", "--rest", "2 ft")
    low = answer(slipmain, "pit", *PE, "--drop", "10 ft")
    assert value(low, "depth") - value(high, "depth") == pytest.approx(2.0)
    assert value(low, "length") == pytest.approx(value(high, "length"))
    assert value(low, "volume") > value(high, "volume") > 0


@pytest.mark.parametrize(
    ("drop", "ladders", "protection"), [("1 ft", 0, "by inspection"), ("10 ft", 1, "required")]
)
def test_ladders_and_protection_of_a_pit_are_those_of_the_rules(
    slipmain: Run, drop: str, ladders: int, protection: str
) -> None:
    """29 CFR 1926.651(c)(2): from 4 ft, one for 50 ft of pit; 652(a)(1): protection from 5 ft."""
    sheet = answer(slipmain, "pit", *PE, "--drop", drop, "--working", "5 ft")
    assert value(sheet, "ladders") == ladders
    (told,) = [item for item in sheet["results"] if item["name"] == "protection"]
    assert told["value"] == protection
    longer = answer(slipmain, "pit", *PVC, "--drop", "10 ft")  # ramp of 134 ft
    assert value(longer, "ladders") == math.ceil(value(longer, "length") / 50)


def test_old_iron_of_a_known_class_has_the_bore_of_its_standard(slipmain: Run) -> None:
    """24 in class B of 1908: 25.80 in outside, wall 0.89 in."""
    asked = ("--host-diameter", "24 in", "--host-class")
    sheet = answer(slipmain, "fit", *PE, *asked, "B")
    assert value(sheet, "ID", "inputs") == pytest.approx(25.80 - 2 * 0.89)
    metric = answer(slipmain, "fit", *PE, "--host-diameter", "610 mm", "--host-class", "B")
    assert value(metric, "ID", "inputs") == pytest.approx(24.02 * 25.4)
    code, _, err = slipmain("fit", *PE, "--host-diameter", "22 in", "--host-class", "B")
    assert code == 2
    assert "host_diameter: 0.5588 m cannot be used; valid: 4 in, 6 in" in err
    assert slipmain("fit", *PE, *asked, "B", "--host-material", "cast iron")[0] == 2


def test_c_of_bare_iron_of_an_age_stands_beside_the_one_given(slipmain: Run) -> None:
    """The regression of 1988 for 150 mm and 30 years: 69.5; worked apart from the program."""
    pipe_ = ("--material", "PE100", "--outside", "110 mm", "--dr", "17")
    asked = ("--bore", "150 mm", "--host-c", "70", "--flow", "8 L/s", "--length", "100 m")
    sheet = answer(slipmain, "flow", *pipe_, *asked, "--host-age", "30")
    assert value(sheet, "C regression", "steps") == pytest.approx(69.5, abs=0.05)
    assert value(sheet, "C table", "steps") == pytest.approx(84)
    bare = answer(slipmain, "flow", *pipe_, *asked)
    assert "C table" not in {step["symbol"] for step in bare["steps"]}


def test_hazen_williams_outside_its_range_says_so(slipmain: Run) -> None:
    """Turbulent is 4 Q/(pi d nu) from 4,000, nu 1.1375e-3/999.1 m2/s of water at 15 C; 3 m/s."""
    pipe_ = ("--material", "PE100", "--outside", "110 mm", "--dr", "17")
    asked = ("--bore", "150 mm", "--host-c", "100", "--length", "100 m")

    def told(flow: str, code: int = 0) -> list[str]:
        sheet = answer(slipmain, "flow", *pipe_, *asked, "--flow", flow, code=code)
        return [text for text in sheet["cautions"] if "Hazen-Williams" in text]

    reynolds = 4 * 0.5e-3 / (math.pi * 0.15 * 1.1375e-3 / 999.1)
    assert reynolds < 4000 < reynolds * 150 / 110
    (slow,) = told("0.5 L/s")
    assert f"in the host it is {reynolds:,.0f}" in slow
    assert [("host" in text, "carrier" in text) for text in told("0.2 L/s")] == [
        (True, False), (False, True),
    ]  # fmt: skip
    assert told("8 L/s") == []
    (fast,) = told("30 L/s", code=1)
    assert "in the carrier it runs at" in fast
    assert 30e-3 / (math.pi / 4 * 0.15**2) < 3 < 30e-3 / (math.pi / 4 * 0.11**2)
    text = slipmain("flow", *pipe_, *asked, "--flow", "0.5 L/s")[1]
    assert "Hazen-Williams is for turbulent water" in text


def test_more_surges_than_were_ever_tested_are_told(slipmain: Run) -> None:
    """300 a day for 50 years, twice for safety: 300 x 18,262.5 x 2 = 10,957,500."""
    asked = ("--working", "60 psi", "--recurring", "1 ft/s")
    told = [
        [t for t in answer(slipmain, "pressure", *PVC, *asked, "--surges", n)["cautions"]
         if "tests" in t]
        for n in ("270", "300")
    ]  # fmt: skip
    assert told[0] == []
    assert told[1][0].endswith("about 10,000,000 surges: 10,957,500 are beyond them.")


def test_a_carrier_is_left_in_a_bend_by_the_radius_it_is_judged_by(slipmain: Run) -> None:
    """250 outside diameters of PVC, as the bends of a plan have them; wider only in the cold."""
    asked = ("--bore", "24.02 in", "--axis-radius", "480 ft", "--deflection", "20 deg")
    for carrier, times, code in ((PVC, 250, 1), (PE, 27, 0)):
        sheet = answer(slipmain, "bend", *carrier, *asked)
        assert value(sheet, "R service") == pytest.approx(times * 21.6 / 12)
        assert value(sheet, "R service") == pytest.approx(value(sheet, "R least"))
        cold = answer(slipmain, "bend", *carrier, *asked, "--temperature", "0 degC", code=code)
        assert value(cold, "R service") == pytest.approx(times * 21.6 / 12)
        assert value(cold, "R least") > value(cold, "R service")


@pytest.mark.parametrize(("end", "code"), [("142.5 psi", 0), ("142.4 psi", 1), ("157.6 psi", 1)])
def test_the_test_phase_of_polyethylene_is_held_to_five_per_cent(
    slipmain: Run, end: str, code: int
) -> None:
    """ASTM F2164, from memory: within 5 % of where the phase began, here 150 psi."""
    asked = ("--length", "100 ft", "--working", "100 psi", "--start", "150 psi", "--end", end)
    assert answer(slipmain, "test", *PE, *asked, code=code)["passes"] is (code == 0)
    assert slipmain("test", *PVC, *asked)[0] == 2
    assert slipmain("test", *PE, *asked[:-2])[0] == 2


def test_flow_of_the_worked_example(slipmain: Run) -> None:
    asked = ("--bore", "24.02 in", "--host-c", "70", "--flow", "2939 gpm", "--length", "1000 ft")
    sheet = answer(slipmain, "flow", *PE, *asked)
    assert value(sheet, "Q2/Q1") == pytest.approx(1.142, abs=5e-4)
    assert value(sheet, "h1", "steps") == pytest.approx(2.0, rel=5e-3)  # gradient 0.002
    pvc = answer(slipmain, "flow", *PVC, *asked)
    assert value(pvc, "Q2/Q1") == pytest.approx(1.293, abs=5e-4)


def test_pressure_of_the_worked_example(slipmain: Run) -> None:
    asked = ("--working", "100 psi", "--occasional", "4 ft/s", "--units", "us")
    pe, pvc = (answer(slipmain, "pressure", *carrier, *asked) for carrier in (PE, PVC))
    assert value(pe, "PC", "steps") == pytest.approx(125)
    assert value(pvc, "PC", "steps") == pytest.approx(165)
    assert value(pe, "dP seldom", "steps") == pytest.approx(45.0, rel=5e-3)
    assert value(pvc, "dP seldom", "steps") == pytest.approx(58.7, rel=5e-3)
    assert value(pe, "limit often", "steps") == pytest.approx(187.5)
    assert value(pe, "limit seldom", "steps") == pytest.approx(250)


def test_collapse_of_the_worked_example(slipmain: Run) -> None:
    sheet = answer(slipmain, "collapse", *PE, "--head", "6 ft")
    assert value(sheet, "Pa") == pytest.approx(6.79, rel=2e-3)
    assert value(sheet, "Pa/(rho g)") == pytest.approx(15.7, abs=0.06)


def test_grout_of_the_worked_example(slipmain: Run) -> None:
    sheet = answer(slipmain, "grout", *PE, "--bore", "24.02 in", "--length", "1000 ft")
    assert value(sheet, "V") == pytest.approx(22.3, abs=0.05)
    assert value(sheet, "uplift") * 14.5939 / 9.80665 == pytest.approx(49.7, rel=5e-3)  # kg/m


def test_hydrostatic_test_of_the_worked_example(slipmain: Run) -> None:
    asked = ("--length", "1000 ft", "--working", "100 psi")
    pvc, pe = (answer(slipmain, "test", *carrier, *asked) for carrier in (PVC, PE))
    assert value(pvc, "P gauge") == pytest.approx(150)
    assert value(pvc, "make-up") == pytest.approx(3.31, abs=5e-3)  # 2 h
    assert value(pvc, "V") == pytest.approx(16_028, rel=1e-3)
    assert value(pe, "V") == pytest.approx(14_584, rel=1e-3)


def test_a_bend_that_does_not_let_the_carrier_through_fails_with_code_1(slipmain: Run) -> None:
    asked = ("--bore", "24.02 in", "--deflection", "11.25 deg")
    code, out, err = slipmain("bend", *PE, *asked)
    assert (code, err) == (1, "")
    assert "FAILS" in out
    code, out, _ = slipmain("bend", *PE, *asked, "--axis-radius", "48 ft")
    assert code == 0
    assert "PASSES" in out


def test_limits_that_are_broken_leave_with_code_1(slipmain: Run) -> None:
    assert slipmain("fit", *PE, "--bore", "23 in")[0] == 1
    assert slipmain("pull", *PE, "--length", "1000 ft", "--machine", "10 kN")[0] == 1
    assert slipmain("pressure", *PE, "--working", "200 psi")[0] == 1
    assert slipmain("collapse", *PE, "--head", "60 ft")[0] == 1


# The pipe and the host -------------------------------------------------------------------


def test_a_pipe_is_named_or_picked_or_described(slipmain: Run) -> None:
    picked = ("--system", "DIPS", "--nominal", "20", "--material", "PE4710", "--dr", "17")
    own = ("--material", "PE4710", "--outside", "21.6 in", "--dr", "17")
    walled = ("--material", "PE4710", "--outside", "21.6 in", "--wall", "1.270588 in")
    sheets = [
        answer(slipmain, "pull", *way, "--length", "300 m") for way in (PE, picked, own, walled)
    ]
    forces = [value(sheet, "F") for sheet in sheets]
    assert forces == pytest.approx([forces[0]] * 4, rel=1e-6)


def test_the_name_of_a_pipe_may_be_in_any_case(slipmain: Run) -> None:
    code, out, _ = slipmain("fit", "--carrier", "20 IN dips dr 17  pe4710", "--bore", "24.02 in")
    assert code == 0
    assert "20 in DIPS DR 17 PE4710" in out


def test_an_unmeasured_host_takes_the_estimate_that_is_safe(slipmain: Run) -> None:
    host = ("--host-diameter", "24 in", "--host-material", "CI", "--host-year", "1915")
    low = answer(slipmain, "fit", *PE, *host, code=1)
    centre = answer(
        slipmain, "flow", *PE, *host, "--host-c", "70", "--flow", "1 gpm", "--length", "9 ft"
    )
    high = answer(slipmain, "grout", *PE, *host, "--length", "1000 ft")
    bores = [value(sheet, "ID", "inputs") for sheet in (low, centre, high)]
    assert bores == sorted(bores)
    assert len(set(bores)) == 3
    assert bores[1] == pytest.approx(24.0)
    assert value(low, "D", "inputs") == pytest.approx(24.0)


# Units -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("length", "more", "unit"),
    [
        ("1000 ft", (), "lbf"),
        ("300 m", (), "kN"),
        ("300 m", ("--units", "us"), "lbf"),
        ("1000 ft", ("--units", "si"), "kN"),
        ("0.2 mi", (), "lbf"),
        ("0.3 km", ("--machine", "90000 lbf"), "kN"),
    ],
)
def test_units_are_those_of_the_first_length_unless_chosen(
    slipmain: Run, length: str, more: tuple[str, ...], unit: str
) -> None:
    sheet = answer(slipmain, "pull", *PE, "--length", length, *more)
    assert next(r["unit"] for r in sheet["results"] if r["name"] == "F") == unit


def test_without_a_length_the_nominal_size_decides(slipmain: Run) -> None:
    inches = answer(slipmain, "pressure", *PE, "--working", "5 bar")
    metric = answer(slipmain, "pressure", "--carrier", "560 mm SDR 17 PE100", "--working", "5 bar")
    assert (inches["units"], metric["units"]) == ("us", "si")


def test_json_holds_the_same_number_as_shown_and_in_si(slipmain: Run) -> None:
    asked = ("pull", *PE, "--length", "1000 ft", "--tail", "900 ft", "--machine", "90000 lbf")
    us, si = answer(slipmain, *asked), answer(slipmain, *asked, "--units", "si")
    for part in ("inputs", "steps", "results"):
        assert [i["si_value"] for i in us[part]] == [i["si_value"] for i in si[part]]
    force = next(r for r in us["results"] if r["name"] == "F")
    assert force["value"] * POUND == pytest.approx(force["si_value"], rel=1e-6)
    assert force["si_unit"] == "N"
    assert us["calculation"] == "pull"
    assert any("licensed practice" in caution for caution in us["cautions"])


def test_formulas_bear_the_constants_of_the_units_shown(slipmain: Run) -> None:
    asked = ("--bore", "24 in", "--host-c", "70", "--flow", "2939 gpm", "--length", "1000 ft")
    us, si = (answer(slipmain, "flow", *PE, *asked, "--units", u) for u in ("us", "si"))
    flow_gpm, length_ft, bore_in = 2939.0, 1000.0, 24.0
    by_hand = 10.44 * length_ft * flow_gpm**1.852 / (70**1.852 * bore_in**4.8704)
    assert "10.44" in us["steps"][0]["formula"]
    assert us["steps"][0]["value"] == pytest.approx(by_hand, rel=2e-3)  # 10.44 is rounded
    assert "10.67" in si["steps"][0]["formula"]
    test = ("test", *PVC, "--length", "1000 ft", "--working", "100 psi")
    for units, constant in (("us", "148,000"), ("si", "794,797")):
        sheet = answer(slipmain, *test, "--units", units)
        (formula,) = [s["formula"] for s in sheet["steps"] if s["symbol"] == "make-up"]
        assert constant in formula


def test_values_are_shown_with_few_digits_and_never_in_powers_of_ten(slipmain: Run) -> None:
    for asked in (
        ("pull", *PE, "--length", "1000 ft"),
        ("flow", *PE, "--bore", "0.61 m", "--host-c", "70", "--flow", "1 L/s", "--length", "1 m"),
        ("test", *PVC, "--length", "1 m", "--working", "1 kPa"),
    ):
        _, out, _ = slipmain(*asked)
        assert not re.search(r"\de[+-]?\d", out)
        body = out.partition("Worked out")[2]
        values = re.findall(r"^ +\S* *= (-?[\d.,]+)", body, re.MULTILINE)
        assert values
        for text in values:
            digits = text.replace(",", "").lstrip("-").replace(".", "").strip("0")
            assert len(digits) <= 4, text


# Refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (
            ("fit", "--system", "DIPS", "--nominal", "20 in", "--material", "PE4710", "--dr", "3",
             "--bore", "24 in"),
            r"dr: 3 cannot be used; valid: for DIPS PE4710 one of 7\.3, 9,",
        ),
        (
            ("fit", "--system", "DIPS", "--nominal", "21 in", "--material", "PE4710", "--dr", "17",
             "--bore", "24 in"),
            "nominal: '21 in' cannot be used; valid: one of 4 in",
        ),
        (
            ("fit", "--system", "METRIC", "--nominal", "560 mm", "--material", "PVC", "--dr", "17",
             "--bore", "24 in"),
            "material: METRIC PVC cannot be used; valid: one of DIPS PE3608",
        ),
        (("fit", "--carrier", "20 in DIPS DR17 PE", "--bore", "24 in"), "did you mean '20 in DIPS"),
        (("fit", "--carrier", "21 in DIPS DR 17 PE4710", "--bore", "24 in"),
         "did you mean '20 in DIPS DR 17 PE4710' or '24 in DIPS DR 17 PE4710'"),
        (("fit", "--bore", "24 in"), "the carrier must be given, and in one way"),
        (("fit", *PE, "--dr", "17", "--bore", "24 in"), "given: carrier, dr"),
        (("fit", *PE), "the host must be given, and in one way"),
        (("fit", *PE, "--bore", "24 in", "--host-diameter", "24 in"), "given: bore, host_diameter"),
        (("fit", *PE, "--bore", "24"), "bore: '24' has no unit"),
        (("fit", *PE, "--bore", "24 psi"), "bore: '24 psi' is not a diameter"),
        (("fit", "--material", "PVC", "--outside", "24 in", "--wall", "9 in", "--bore", "30 in"),
         r"wall: 9 in is out of range; valid from 0\.24 in to 4\.8 in"),
        (("bend", *PE, "--bore", "24 in", "--deflection", "200 deg"),
         "deflection: 200 deg is out of range; valid from 0 deg to 180 deg"),
        (("bend", *PE, "--bore", "-24 in", "--deflection", "9 deg"), "bore: -24 in is out"),
        (("pull", *PE, "--length", "-3 ft"), "length: -3 ft is out of range; valid at least 0 ft"),
        (("pull", *PE, "--length", "9 ft", "--tail", "-3 ft"), "tail: -3 ft is out of range"),
        (("pull", *PE, "--length", "9 ft", "--temperature", "158 degF"),
         "temperature: 158 degF is out of range; valid from -4 degF to 140 degF"),
        (("pull", *PE, "--length", "9 ft", "--duration", "3 day"),
         "duration: 3 day is out of range; valid from 0 day to 1 day"),
        (("pull", *PE, "--length", "9 ft", "--bend", "1 deg", "--bend", "1 deg"),
         "bend: 2 bends do not go with 1 lengths"),
        (("pull", *PE, "--length", "9 ft", "--grade", "0", "--grade", "0"),
         "grade: 2 grades do not go with 1 lengths"),
        (("pull", *PE, "--length", "9 ft", "--machine", "-1 kN"), "machine: -1 kN is out of range"),
        (("pressure", *PE, "--working", "6 bar", "--temperature", "101 degF"),
         "temperature: 101 degF is out of range; valid from 32 degF to 100 degF for PE4710"),
        (("pressure", *PE, "--working", "6 bar", "--temperature", "70 degC"),
         r"temperature: 70 degC is out of range; valid from 0 degC to 37\.7778 degC for PE4710"),
        (("pressure", *PVC, "--working", "6 bar", "--temperature", "70 degC"),
         "temperature: 70 degC is out of range; valid from 0 degC to 60 degC for PVC"),
        (("pull", *PE, "--length", "9 ft", "--grade", "3"),
         "grade: 3 is out of range; valid from -1 to 1: it is rise over run, 0.03 for 3 %"),
        (("fit", "--material", "PVC", "--outside", "24 in", "--dr", "3", "--bore", "30 in"),
         "dr: 3 is out of range; valid from 5 to 100"),
        (("fit", *PE, "--host-diameter", "24 in", "--host-material", "CI", "--host-year", "19100"),
         "host_year: 19100 is out of range; valid 1700 to 2100"),
        (("grout", *PE, "--bore", "24 in", "--length", "9 m", "--empty", "--inside-head", "3 m"),
         "inside_head: an empty carrier has no head of water in it"),
        (("collapse", *PE, "--head", "3 m", "--duration", "200 year"),
         r"duration: 200 year is out of range; valid from 0\.01 h to 100 year"),
        (("test", *PE, "--working", "6 bar", "--length", "-9 m"),
         "length: -9 m is out of range; valid from 0 m to 1,000,000 m"),
        (("pressure", *PE, "--working", "6 bar", "--temperature", "122 degF"),
         "temperature: 122 degF is out of range; valid from 32 degF to 100 degF"),
        (("pressure", *PE, "--working", "6 bar", "--recurring", "-1 m/s"),
         "recurring: -1 m/s is out of range"),
        (("pit", *PE, "--drop", "400 ft"), r"drop: 400 ft is out of range; valid from 0 ft to 97"),
        (("pit", *PE, "--drop", "30 ft"), "drop: 30 ft: the pit would be too deep"),
        (("flow", *PE, "--bore", "24 in", "--host-c", "-4", "--flow", "3 gpm", "--length", "4 ft"),
         "host_c: -4 is out of range; valid from 20 to 165"),
        (("grout", *PE, "--bore", "500 mm", "--length", "300 m"), "bore: 500 mm: the carrier does"),
        (("test", *PE, "--working", "6 bar", "--length", "300 m", "--fall", "200 m"),
         # 1.5 x 6 bar of water at 9.80665 kPa/m
         r"fall: 200 m is out of range; valid from 0 m to 91\.77"),
        (("test", *PE, "--working", "6 bar", "--length", "300 m", "--fall", "-5 m"),
         "fall: -5 m is out of range; valid from 0 m to"),
        (("test", *PE, "--working", "0 bar", "--length", "300 m"),
         "working: 0 bar is out of range; valid above 0 bar"),
        (("pit", *PE, "--drop", "4 m", "--soil", "A_short_term"), "which ends at 12 ft"),
        (("pit", *PE, "--drop", "7 m", "--soil", "B"), "which ends at 20 ft"),
        (("test", *PE, "--working", "6 bar", "--length", "300 m", "--hours", "7"),
         "hours: 7 cannot be used; valid: 1, 2 or 3"),
    ],
)  # fmt: skip
def test_refusals_name_the_argument_and_the_range_in_the_users_units(
    slipmain: Run, asked: tuple[str, ...], said: str
) -> None:
    code, out, err = slipmain(*asked)
    assert (code, out) == (2, "")
    assert re.search(f"^error: pipe {asked[0]}: .*{said}", err)
    assert "Traceback" not in err
    assert len(err.splitlines()) == 1


NUMBERS = [
    (sheet.name, option.parameter)
    for sheet in SHEETS
    for option in sheet.options
    if option.parameter.kind in ("quantity", "number", "integer")
    and option.parameter.name not in ("temperature", "grade")
]
PLAIN = {
    "fit": (*PE, "--bore", "24.02 in"),
    "pull": (*PE, "--length", "100 m"),
    "pit": (*PE, "--drop", "3 m"),
    "bend": (*PE, "--bore", "24.02 in", "--deflection", "5 deg"),
    "flow": (*PE, "--bore", "24.02 in", "--host-c", "70", "--flow", "90 L/s", "--length", "90 m"),
    "pressure": (*PE, "--working", "6 bar"),
    "collapse": (*PE, "--head", "2 m"),
    "grout": (*PE, "--bore", "24.02 in", "--length", "100 m"),
    "test": (*PE, "--length", "100 m", "--working", "6 bar"),
}


@pytest.mark.parametrize(
    ("name", "parameter"), NUMBERS, ids=[f"{name}-{p.name}" for name, p in NUMBERS]
)
def test_a_negative_number_is_refused_by_the_name_of_its_parameter(
    slipmain: Run, name: str, parameter: Parameter
) -> None:
    units = {"pull.bend": "deg", "bend.deflection": "deg"}
    text = "-7"
    if parameter.measure:
        unit = units.get(f"{name}.{parameter.name}") or {
            "length": "ft", "time": "h", "speed": "ft/s", "flow": "gpm", "force": "lbf",
            "pressure": "psi", "density": "lb/ft^3",
        }[parameter.measure]  # fmt: skip
        text = f"-7 {unit}"
    flag = f"--{parameter.name.replace('_', '-')}"
    kept = list(PLAIN[name])
    if flag in kept:
        place = kept.index(flag)
        del kept[place : place + 2]
    code, out, err = slipmain(name, *kept, flag, text)
    assert (code, out) == (2, "")
    assert err.startswith(f"error: pipe {name}: {parameter.name}: -7"), err


# Declarations ----------------------------------------------------------------------------


def test_there_is_a_tool_for_every_worksheet() -> None:
    assert {sheet.name for sheet in SHEETS} == set(WORKSHEETS)
    assert {tool.name for tool in pipe.TOOLS} == {f"pipe.{name}" for name in WORKSHEETS}


@pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.name)
def test_worksheets_have_no_default_where_the_tool_has_one(sheet: Sheet) -> None:
    signature = inspect.signature(WORKSHEETS[sheet.name]).parameters
    added = {"pipe", "host_bore_m", "nominal_m"}
    assert {option.argument for option in sheet.options} == set(signature) - added
    defaults = {
        name: argument.default
        for name, argument in signature.items()
        if argument.default is not inspect.Parameter.empty
    }
    # what is left out of the calculation where it is not given, on which the tool is silent
    unsaid = {
        "pull": {"friction": None, "bend_radius_m": math.inf, "machine_n": math.inf},
        "flow": {"host_age_years": None},
        "pit": {"opened_m": None},
        "test": {"start_pa": None, "end_pa": None},
    }
    assert defaults == unsaid.get(sheet.name, {})
    options = {option.argument: option.parameter for option in sheet.options}
    assert all(options[name].default is None for name in defaults)
    assert not any(options[name].required for name in defaults)


@pytest.mark.parametrize(
    ("name", "choices"),
    [
        ("rule", fit.RULES),
        ("form", pits.FORMS),
        ("soil", excavation.SOILS),
        ("surface", pulling._friction()),
    ],
)
def test_choices_are_those_of_the_formulas(name: str, choices: tuple[str, ...]) -> None:
    declared = [p for tool in pipe.TOOLS for p in tool.parameters if p.name == name]
    assert declared
    assert {p.choices for p in declared} == {tuple(choices)}


def test_the_python_function_takes_and_gives_the_same() -> None:
    done = geotools.pipe_pull(carrier=PE[1], length=["500 ft", "500 ft"], bend="22.5 deg")
    assert done.failed is False
    force = next(r for r in done.summary["results"] if r["name"] == "F")
    assert force["unit"] == "lbf"
    with pytest.raises(ToolError, match="length must be given"):
        geotools.pipe_pull(carrier=PE[1], length=None)


def test_asking_for_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, geotools.cli\n"
        "try:\n    geotools.cli.main(['pipe', 'pull', '--help'])\n"
        "except SystemExit:\n    pass\n"
        "print(sorted({'numpy', 'pint', 'pandas', 'pydantic'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def test_examples_of_the_readme_are_what_the_program_says(slipmain: Run) -> None:
    pairs = re.findall(
        r"^```\n(slipmain pipe [^\n]+)\n```\n\n```text\n(.*?)^```$",
        README.read_text(encoding="utf-8"),
        re.DOTALL | re.MULTILINE,
    )
    assert len(pairs) == 2
    for command, shown in pairs:
        code, out, err = slipmain(*shlex.split(command)[2:])
        assert (code, out, err) == (0, shown, "")


# What a plan accepts ---------------------------------------------------------------------

SHARED = {  # parameter of a hand calculation: setting of a plan
    "fit.rule": "carrier.fit_rule", "fit.share": "carrier.clearance_share",
    "fit.bead": "carrier.bead_height", "bend.bead": "carrier.bead_height",
    "pull.surface": "pulls.host", "pull.duration": "pulls.duration",
    "pull.temperature": "carrier.temperature", "pull.share": "pulls.force_share",
    "pull.machine_share": "pulls.machine_share", "pit.form": "pits.ramp",
    "pit.working": "pits.working_length", "pit.temperature": "carrier.temperature",
    "pit.soil": "pits.soil", "pit.bedding": "pits.bedding",
    "bend.temperature": "carrier.temperature", "flow.max_velocity": "service.max_velocity",
    "pressure.recurring": "service.recurring_velocity",
    "pressure.occasional": "service.occasional_velocity",
    "pressure.temperature": "service.water_temperature",
    "pressure.surges": "service.surges_per_day", "pressure.life": "service.life",
    "pressure.fatigue_safety": "service.fatigue_safety",
    "collapse.ovality": "service.ovality", "collapse.safety": "service.collapse_safety",
    "collapse.grout": "service.grout_factor", "grout.cure": "pulls.grout_cure",
    "grout.density": "pulls.grout_density", "grout.cap": "pulls.grout_pressure",
    "test.factor": "service.test_factor", "test.temperature": "service.water_temperature",
}  # fmt: skip


def test_what_is_left_out_of_a_hand_calculation_is_as_in_a_plan() -> None:
    given = {
        f"{sheet.name}.{option.parameter.name}": option.parameter.default
        for sheet in SHEETS
        for option in sheet.options
    }
    assert {name: str(given[name]) for name in SHARED} == {
        name: declared()[key].written for name, key in SHARED.items()
    }


@pytest.mark.parametrize(("material", "dr", "hours"), [("PE100", "17", 3.0), ("PVC-U", "21", 2.0)])
def test_a_test_lasts_as_long_as_in_a_plan(
    slipmain: Run, material: str, dr: str, hours: float
) -> None:
    asked = ("--system", "METRIC", "--nominal", "355 mm", "--material", material, "--dr", dr)
    sheet = answer(slipmain, "test", *asked, "--length", "100 m", "--working", "6 bar")
    assert value(sheet, "hours", "inputs") == hours


def test_a_pipe_is_worked_out_at_its_class_in_water_as_cold_as_in_a_plan(slipmain: Run) -> None:
    """PE100 SDR 17 is PN 10 at 20 C (EN 12201-1); warmer water takes from it, colder does not."""
    asked = ("pressure", "--system", "METRIC", "--nominal", "355 mm", "--material", "PE100")
    sheet = answer(slipmain, *asked, "--dr", "17", "--working", "10 bar", "--occasional", "0 m/s")
    assert sheet["passes"]
    warm = ("--temperature", "23 degC", "--occasional", "0 m/s")
    assert not answer(slipmain, *asked, "--dr", "17", "--working", "10 bar", *warm, code=1)[
        "passes"
    ]


def test_a_limit_met_to_the_last_digit_of_its_print_is_kept(slipmain: Run) -> None:
    """DR 11 of PE4710: class 2 x 1000/(11 - 1) = 200 psi, tested to 1.5 times it, 300 psi."""
    asked = ("--system", "IPS", "--nominal", "8 in", "--material", "PE4710", "--dr", "11")
    sheet = answer(slipmain, "test", *asked, "--length", "100 ft", "--working", "200 psi")
    assert value(sheet, "P most") == pytest.approx(300, rel=1e-6)
    assert sheet["passes"]
    over = ("--length", "100 ft", "--working", "200.01 psi")
    assert not answer(slipmain, "test", *asked, *over, code=1)["passes"]


@pytest.mark.parametrize(
    ("asked", "row", "gallons"),
    [
        (("--system", "METRIC", "--nominal", "90 mm", "--material", "PE100"), "4 in", 0.40),
        (("--system", "IPS", "--nominal", "54 in", "--material", "PE4710"), "48 in", 43.0),
    ],
)
def test_a_size_beyond_the_table_of_make_up_water_takes_the_nearest_row_as_plans_do(
    slipmain: Run, asked: tuple[str, ...], row: str, gallons: float
) -> None:
    """The table as printed: gallons for 100 ft in 3 h at 4 in and at 48 in."""
    sheet = answer(
        slipmain, "test", *asked, "--dr", "17", "--length", "100 ft", "--working", "50 psi"
    )
    (step,) = [step for step in sheet["steps"] if step["symbol"] == "make-up"]
    assert f"its row of {row}: the nearest" in step["formula"]
    assert value(sheet, "make-up") == pytest.approx(gallons, rel=1e-9)


def test_a_carrier_too_small_is_refused_by_an_option_there_is(slipmain: Run) -> None:
    asked = ("--material", "PVC", "--outside", "30 mm", "--dr", "21", "--length", "100 m")
    code, _, err = slipmain("test", *asked, "--working", "6 bar")
    assert code == 2
    assert "outside: 30 mm is out of range; valid from 50 mm to 3000 mm" in err
