"""The contest of carriers: who contends, who is refused and by which rule, who is tried first."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from geotools.brief import Brief, load_brief
from geotools.errors import BriefError
from geotools.intake.findings import Findings
from geotools.network.ragged import rows_of
from geotools.pipe.catalogue import carrier
from geotools.pipe.choice import CHOICE_RULES
from geotools.siting.carrier import (
    FLOW_STOPPED,
    RULE_TEXTS,
    Contest,
    by_price,
    hold_contest,
    report_fixed,
    report_warm,
)
from geotools.siting.further import further_pipes
from geotools.siting.pulled import bend_limits, carrier_columns, hydraulic_columns

INCH, FOOT, PSI, LBF = 0.0254, 0.3048, 6894.757, 4.448222
PE20 = "20 in DIPS DR 17 PE4710"
PVC20 = "20 in DIPS DR 25 PVC"


def _refused(contest: Contest) -> npt.NDArray[np.str_]:
    """Return the first rule broken, runs x pipes; empty where the pipe suits."""
    return np.array([*CHOICE_RULES, ""])[contest.verdict.refused_by]


def _runs(count: int = 1, *, length: float = 300.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "run_id": [f"R{k}" for k in range(count)],
            "main_ids": [f"M{k}a,M{k}b" for k in range(count)],
            "length": [length] * count,
        }
    )


def _service(**changes: Any) -> pd.DataFrame:
    """A 24 in host of 24.02 in bore, C 70, 100 psi, no groundwater; lists make more runs."""
    row = {
        "bore_low": 24.02 * INCH,
        "bore": 24.02 * INCH,
        "host_c": 70.0,
        "working": 100 * PSI,
        "flow": math.nan,
        "head": 0.0,
    }
    count = max(len(v) if isinstance(v, list) else 1 for v in changes.values()) if changes else 1
    return pd.DataFrame({**row, **changes}, index=range(count))


def _brief(**changes: object) -> Brief:
    return load_brief(overrides={key.replace("__", "."): v for key, v in changes.items()})


def _hold(service: pd.DataFrame, brief: Brief | None = None, **runs: Any) -> Contest:
    table = _runs(len(service), **runs)
    return hold_contest(table, service, brief or _brief(), least_length=20.0)


def _row(contest: Contest, name: str) -> int:
    (row,) = np.flatnonzero(contest.pipes.name == name)
    return int(row)


def _tried(contest: Contest, run: int = 0) -> list[str]:
    return [str(contest.pipes.name[p]) for p in contest.tries[run] if p >= 0]


# Warm water ------------------------------------------------------------------------------


def test_a_pipe_whose_class_is_not_known_so_warm_is_out_of_the_running() -> None:
    """The classes go to 100 F (PE4710), 40 C (PE100), 60 C (PVC); from memory."""
    kinds = {
        word: _hold(_service(), _brief(service__water_temperature=word))
        for word in ("100 degF", "39 degC", "140 degF")
    }
    made = {word: set(each.pipes.material[each.wanted]) for word, each in kinds.items()}
    assert made["100 degF"] == {"PE4710", "PE3608", "PE100", "PVC"}
    assert made["39 degC"] == {"PE100", "PVC"}
    assert made["140 degF"] == {"PVC"}
    for word, contest in kinds.items():
        tried = contest.tries[contest.tries >= 0]
        assert set(contest.pipes.material[tried]) <= made[word]


def test_materials_left_out_for_warm_water_are_told() -> None:
    findings = Findings()
    report_warm(_brief(), findings)
    assert len(findings.table()) == 0
    report_warm(_brief(service__water_temperature="39 degC"), findings)
    (row,) = findings.table().itertuples()
    assert row.rule == "water-too-warm"
    assert "39 degC is warmer than the class of PE4710, PE3608 is known" in row.text


@pytest.mark.parametrize("how", ["material", "fixed"])
def test_water_too_warm_for_every_pipe_asked_for_is_told_in_the_users_unit(how: str) -> None:
    wish: dict[str, object] = {"carrier__material": "PE4710"}
    if how == "fixed":
        wish = {"carrier__fixed": [f"R0 = {PE20}"]}
    warm = {"service__water_temperature": "120 degF", "output__units": "us"}
    with pytest.raises(BriefError, match=r"120 degF is too warm for PE4710: .* to 100 degF$"):
        _hold(_service(), _brief(**warm, **wish))


# Who contends ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "refused_by", "changes"),
    [
        # 2.42 in of clearance where a tenth of 24.02 in is asked
        (PE20, "", {}),
        (PVC20, "", {}),
        # 25.8 in of pipe does not enter 24.02 in of bore
        ("24 in DIPS DR 17 PE4710", "fit", {}),
        # class 2 x 1000/(26 - 1) = 80 psi below 100
        ("20 in DIPS DR 26 PE4710", "pressure", {}),
        # 165 psi is its class and no more than that
        (PVC20, "pressure", {"working": 166 * PSI}),
        # 144 psi of working pressure and 58.7 of surge pass 1.6 x 165 = 264, 100 % of 165 holds
        (PVC20, "", {"working": 164 * PSI}),
        # DR 17 stands 15.7 ft of water for 50 years
        (PE20, "collapse", {"head": 16.0 * FOOT}),
        (PE20, "", {"head": 15.5 * FOOT}),
        # 300 L/s in 480 mm of bore: 1.66 m/s and 0.41 m per 100 m
        (PE20, "", {"flow": 0.3}),
        # 500 L/s: 2.76 m/s, above 2.5
        (PE20, "flow", {"flow": 0.5}),
        # no design flow: (150/130) (18.906/24.02)^2.63 = 0.615, half is asked
        (PE20, "", {"host_c": 130.0}),
        # (150/130) (14.9/24.02)^2.63 = 0.33
        ("16 in DIPS DR 17 PE4710", "flow", {"host_c": 130.0}),
        # a design flow of 50 L/s decides in its stead: 0.45 m/s and 0.05 m per 100 m
        ("16 in DIPS DR 17 PE4710", "", {"host_c": 130.0, "flow": 0.05}),
        # two rules broken: the first of them is named
        ("24 in DIPS DR 26 PE4710", "fit", {}),
    ],
)
def test_a_refused_pipe_bears_the_first_rule_it_breaks(
    name: str, refused_by: str, changes: dict[str, float]
) -> None:
    contest = _hold(_service(**changes))
    row = _row(contest, name)
    assert _refused(contest)[0, row] == refused_by
    assert bool(contest.verdict.suits[0, row]) == (refused_by == "")


def test_many_everyday_surges_refuse_pvc_and_not_polyethylene() -> None:
    # 0.3 m/s: 14.7 psi/(ft/s) x 0.984 = 14.5 psi in DR 25; with 130 psi within its class of 165,
    # and 55 a day for 50 years, twice: 1377 psi of hoop stress, 2 x 1377/24 = 115 psi
    service = _service(working=130 * PSI)
    often = {"service__recurring_velocity": "0.3 m/s"}
    plain = _hold(service, _brief(**often))
    many = _hold(service, _brief(**often, service__surges_per_day=55))
    row = _row(plain, PVC20)
    assert _refused(plain)[0, row] == ""
    assert _refused(many)[0, row] == "pressure"
    soft = np.char.startswith(plain.pipes.material.astype(str), "PE")
    assert (plain.verdict.suits[0, soft] == many.verdict.suits[0, soft]).all()


def test_grout_counts_against_collapse_only_where_the_annulus_is_grouted_and_for_polyethylene() -> (
    None
):
    service = _service(head=70.0 * FOOT)  # DR 17 stands 15.7 ft bare and 78.5 grouted
    counted = {"service__grout_factor": 5}
    bare = _hold(service, _brief(**counted))
    grouted = _hold(service, _brief(**counted, pulls__grouted="true"))
    row = _row(bare, PE20)
    assert _refused(bare)[0, row] == "collapse"
    assert _refused(grouted)[0, row] == ""
    hard = bare.pipes.material == "PVC"
    assert (bare.verdict.collapse[0, hard] == grouted.verdict.collapse[0, hard]).all()


def test_every_pipe_that_suits_by_hand_is_a_contender_and_no_other() -> None:
    """All polyethylene and PVC of inch sizes by the formulas of the trade, one pipe at a time."""
    contest = _hold(_service(head=2.0))
    pipes, found = contest.pipes, set()
    for name, system, material, dr, outside in zip(
        pipes.name, pipes.system, pipes.material, pipes.dr, pipes.outside_m, strict=True
    ):
        if system == "METRIC":
            continue
        plastic = material != "PVC"
        hds = {"PE4710": 1000.0, "PE3608": 800.0, "PVC": 2000.0}[material]
        rating = 2 * hds / (dr - 1)
        if not plastic:
            rating = 5 * math.floor(rating / 5 + 1e-9)
        modulus = 150_000.0 if plastic else 400_000.0
        wave = 4660.0 / math.sqrt(1 + 300_000 / modulus * (dr - 2))  # ft/s
        surge = 1000.0 * (wave * FOOT) * 1.2 / PSI
        holds = rating >= 100 and 100 + surge <= (2.0 if plastic else 1.6) * rating
        f0 = ((1 - 0.03) / 1.03**2) ** 3
        # 50 years: PE4710 29,000 psi, PE3608 28,000, PVC too stiff to matter at these ratios
        stiff = {"PE4710": 29_000.0, "PE3608": 28_000.0, "PVC": 140_000.0}[material]
        nu = 0.45 if plastic else 0.38
        stands = f0 / 2 * 2 * stiff / (1 - nu**2) / (dr - 1) ** 3
        bore = outside - 2 * (1.06 if plastic else 1.03) * outside / dr
        ratio = 150 / 70 * (bore / (24.02 * INCH)) ** 2.63
        water = 1000 * 9.80665 * 2.0 / PSI
        if outside <= 0.9 * 24.02 * INCH and holds and stands >= water and ratio >= 0.5:
            found.add(str(name))
    inches = pipes.system != "METRIC"
    assert set(pipes.name[contest.verdict.suits[0] & inches].tolist()) == found
    assert len(found) > 20


# In what order ---------------------------------------------------------------------------


def test_each_material_is_tried_before_a_second_pipe_of_one() -> None:
    contest = _hold(_service(), _brief(carrier__tries=12))
    material = contest.pipes.material[contest.tries[0]]
    suits = contest.verdict.suits[0] & contest.wanted
    materials = set(contest.pipes.material[suits].tolist())
    assert len(materials) == 4
    for turn in range(3):
        assert set(material[4 * turn : 4 * turn + 4].tolist()) == materials


def test_within_a_material_the_cheaper_pipe_is_tried_first() -> None:
    contest = _hold(_service(), _brief(carrier__tries=20))
    pipe = contest.tries[0]
    for material in set(contest.pipes.material[pipe].tolist()):
        mine = pipe[contest.pipes.material[pipe] == material]
        assert (np.diff(contest.price[mine]) >= 0).all()
        suits = contest.verdict.suits[0] & (contest.pipes.material == material)
        assert contest.price[mine[0]] == contest.price[suits].min()


def test_price_is_that_of_the_mass_of_the_average_wall() -> None:
    contest = _hold(_service(), _brief(rates__pe_pipe="3 / kg", rates__pvc_pipe="2 / kg"))
    # 52.9 kg/m and 35.13 lb/ft of the worked example
    assert contest.price[_row(contest, PE20)] == pytest.approx(3 * 52.9, rel=1e-3)
    kilogram = 35.13 * 0.45359237 / FOOT
    assert contest.price[_row(contest, PVC20)] == pytest.approx(2 * kilogram, rel=1e-3)


def test_pipe_at_no_price_is_tried_in_the_order_that_the_least_price_gives_it() -> None:
    """Not in that of the alphabet: a plan would become dearer as pipe becomes free of charge."""
    none = {"rates__pe_pipe": "0 / kg", "rates__pvc_pipe": "0 / kg"}
    least = dict.fromkeys(none, "1e-6 / kg")
    for more in ({}, {"carrier__tries": 12}, {"carrier__material": "PE4710"}):
        free, cheap = (_hold(_service(), _brief(**rate, **more)) for rate in (none, least))
        assert free.tries.tolist() == cheap.tries.tolist()
        idle = np.zeros((len(free.price), len(free.price)), dtype=bool)
        rest = [further_pipes(one, np.array([0]), idle).tolist() for one in (free, cheap)]
        assert rest[0] == rest[1]


def test_of_one_price_and_mass_the_larger_bore_comes_first_then_the_tighter_bend() -> None:
    contest = _hold(_service())
    pipes = rows_of(contest.pipes, np.repeat(_row(contest, PE20), 4))
    bore = np.asarray(pipes.bore_m) + np.array([0.0, 1e-3, 0.0, 0.0])
    ratio = np.array([17.0, 17.0, 30.0, 17.0])  # the thinner a wall the wider it bends
    pipes = replace(pipes, bore_m=bore, dr=ratio, name=np.array(["d", "c", "a", "b"]))
    assert by_price(pipes, np.zeros(4)).tolist() == [1, 3, 0, 2]


def test_the_number_of_tries_is_that_of_the_brief_and_no_more_than_suit() -> None:
    assert _hold(_service(), _brief(carrier__tries=1)).tries.shape == (1, 1)
    few = _hold(_service(), _brief(carrier__tries=20, carrier__nominal="20 in", carrier__dr="17"))
    assert sorted(_tried(few)) == [
        "20 in DIPS DR 17 PE3608",
        "20 in DIPS DR 17 PE4710",
        "20 in IPS DR 17 PE3608",
        "20 in IPS DR 17 PE4710",
    ]


def test_runs_are_judged_each_by_its_own_service() -> None:
    contest = _hold(_service(working=[100 * PSI, 30 * PSI], bore_low=[24.02 * INCH, 12.0 * INCH]))
    row = _row(contest, PE20)
    assert _refused(contest)[:, row].tolist() == ["", "fit"]
    assert set(_tried(contest, 0)).isdisjoint(_tried(contest, 1))


# Wishes ----------------------------------------------------------------------------------


def test_wishes_leave_only_what_is_wished() -> None:
    contest = _hold(_service(), _brief(carrier__material="PVC", carrier__system="DIPS"))
    tried = _tried(contest)
    assert tried
    assert all("DIPS" in name and name.endswith("PVC") for name in tried)


@pytest.mark.parametrize("nominal", ["20 in", "20in", "20 inch", "508 mm"])
def test_a_nominal_size_may_be_written_in_several_ways(nominal: str) -> None:
    contest = _hold(_service(), _brief(carrier__nominal=nominal, carrier__tries=20))
    assert {str(n) for n in contest.pipes.nominal[contest.tries[0]]} == {"20 in"}


FOUR = {
    "carrier__system": "DIPS",
    "carrier__nominal": "20 in",
    "carrier__material": "PE4710",
    "carrier__dr": "17",
}


@pytest.mark.parametrize("rate", [0, 220, 4000])
def test_a_grouted_carrier_is_tried_by_its_price_and_that_of_the_grout_round_it(rate: int) -> None:
    """At 4,000 a cubic metre a pipe that fills the host costs less than the grout it spares."""
    wishes = {"carrier__tries": 20, "carrier__material": "PE4710", "rates__grout": f"{rate} / m^3"}
    bare = _hold(_service(), _brief(**wishes))
    contest = _hold(_service(), _brief(**wishes, pulls__grouted="true"))
    host, pipes = math.pi / 4 * (24.02 * INCH) ** 2, contest.pipes
    grout = host - math.pi / 4 * np.asarray(pipes.outside_m) ** 2
    tried = contest.tries[0][contest.tries[0] >= 0]
    assert (np.diff((contest.price + rate * grout)[tried]) > 0).all()
    assert contest.price.tolist() == bare.price.tolist() == bare.laid.tolist()
    assert (_tried(contest) != _tried(bare)) == (rate > 0)
    assert (pipes.outside_m[tried[0]] > pipes.outside_m[bare.tries[0, 0]]) == (rate > 1000)


def test_a_carrier_fixed_by_the_brief_is_the_only_one_tried() -> None:
    contest = _hold(_service(working=[100 * PSI] * 2), _brief(**FOUR))
    assert [_tried(contest, run) for run in (0, 1)] == [[PE20], [PE20]]


@pytest.mark.parametrize("key", ["R1", "M1a", "M1b"])
def test_a_carrier_fixed_for_a_run_or_main_is_the_only_one_tried_there(key: str) -> None:
    plain = _hold(_service(working=[100 * PSI] * 2))
    contest = _hold(
        _service(working=[100 * PSI] * 2), _brief(carrier__fixed=f"{key} = 18 in DIPS DR 11 PE4710")
    )
    assert _tried(contest, 1) == ["18 in DIPS DR 11 PE4710"]
    assert _tried(contest, 0) == _tried(plain, 0)


def test_a_carrier_fixed_for_a_run_beats_the_wishes() -> None:
    contest = _hold(_service(), _brief(carrier__fixed=f"R0 = {PVC20}", **FOUR))
    assert _tried(contest) == [PVC20]


def test_a_carrier_is_fixed_for_a_main_whose_name_holds_the_sign() -> None:
    runs = _runs(2).assign(main_ids=["M=1", "M2"])
    brief = _brief(carrier__fixed=f"M=1 = {PVC20}")
    contest = hold_contest(runs, _service(working=[1e5, 1e5]), brief, least_length=20.0)
    assert _tried(contest, 0) == [PVC20]
    assert _tried(contest, 1) != [PVC20]


def test_a_main_in_two_runs_fixes_both() -> None:
    runs = _runs(2).assign(main_ids=["M1,M2", "M2,M3"])
    brief = _brief(carrier__fixed=f"M2 = {PVC20}")
    contest = hold_contest(runs, _service(working=[1e5, 1e5]), brief, least_length=20.0)
    assert [_tried(contest, run) for run in (0, 1)] == [[PVC20], [PVC20]]


def _fixed_findings(service: pd.DataFrame, brief: Brief) -> list[tuple[str, str]]:
    findings = Findings()
    contest = _hold(service, brief)
    report_fixed(contest, [f"R{k}" for k in range(len(service))], findings)
    table = findings.table()
    assert set(table["rule"]) <= {"fixed-carrier"}
    assert set(table["severity"]) <= {"warning"}
    return list(zip(table["feature"], table["text"], strict=True))


def test_a_fixed_carrier_that_breaks_a_rule_is_planned_with_a_warning() -> None:
    brief = _brief(**FOUR)
    assert _fixed_findings(_service(), brief) == []
    service = _service(working=[100 * PSI, 130 * PSI], flow=[0.1, 0.6])
    ((run, text),) = _fixed_findings(service, brief)
    assert run == "R1"
    assert PE20 in text
    assert RULE_TEXTS["pressure"] in text
    assert RULE_TEXTS["flow"] in text
    assert RULE_TEXTS["fit"] not in text
    assert _tried(_hold(service, brief), 1) == [PE20]


def test_the_surge_of_a_fixed_carrier_too_small_is_that_of_the_flow_that_is_there() -> None:
    """0.72 m3/s is 3.98 m/s in 18.9 in; at 11.3 psi per ft/s that is 147 psi, and 250 are held."""
    brief = _brief(**FOUR)
    assert brief.service.max_velocity < 3.0
    service = _service(working=[98 * PSI, 108 * PSI], flow=[0.72, 0.72])
    texts = dict(_fixed_findings(service, brief))
    assert RULE_TEXTS["flow"] in texts["R0"] and FLOW_STOPPED not in texts["R0"]
    assert RULE_TEXTS["flow"] in texts["R1"] and FLOW_STOPPED in texts["R1"]


def test_a_fixed_carrier_that_does_not_enter_leaves_no_plan_and_no_warning() -> None:
    service = _service(bore_low=20.0 * INCH)
    contest = _hold(service, _brief(**FOUR))
    assert _tried(contest) == []
    assert contest.reason[0] == f"the fixed carrier {PE20} does not enter the bore of 508 mm"
    assert _fixed_findings(service, _brief(**FOUR)) == []


def test_metric_pvc_u_contends_only_where_it_is_named() -> None:
    """Few make it for fusing: nobody gets it unasked, but for a pipe of the user's own."""

    def materials(**changes: object) -> set[str]:
        contest = _hold(_service(), _brief(carrier__tries=20, **changes))
        return {name.rpartition(" ")[2] for name in _tried(contest)}

    assert materials(carrier__system="METRIC") == {"PE100"}
    assert materials(carrier__material="PVC-U") == {"PVC-U"}
    assert materials(carrier__fixed="R0 = 500 mm SDR 26 PVC-U") == {"PVC-U"}
    own = _brief(carrier__own="shop; PVC-U; 500 mm; 36.8 mm", carrier__tries=20)
    assert "shop" in _tried(_hold(_service(), own))


def test_a_pipe_of_the_users_own_contends_like_any_other() -> None:
    own = "light; PE4710; 21 in; 1.4 in"
    brief = _brief(carrier__own=own, carrier__tries=20)
    contest = _hold(_service(), brief)
    row = _row(contest, "light")
    assert _refused(contest)[0, row] == ""
    # 2 x 1000/(15 - 1) = 142.9 psi holds 142 and not 143
    assert _refused(_hold(_service(working=142 * PSI), brief))[0, row] == ""
    assert _refused(_hold(_service(working=143 * PSI), brief))[0, row] == "pressure"
    fixed = _hold(_service(), _brief(carrier__own=own, carrier__fixed="M0a = light"))
    assert _tried(fixed) == ["light"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"service__surges_per_day": 55}, "surges_per_day: counts surges whose size is not given"),
        ({"carrier__fixed": "R9 = x"}, "carrier.fixed: 'R9' is neither a run nor a lined main"),
        ({"carrier__fixed": "R0"}, "'R0' is not of the form 'run or main = pipe'"),
        ({"carrier__fixed": "R0 = 20 in DIPS DR 17"}, f"did you mean '{PE20}'"),
        (
            {"carrier__fixed": "R0 = 300 mm SDR 17 PE100"},
            "did you mean '280 mm SDR 17 PE100' or '315 mm SDR 17 PE100'?",
        ),
        (
            {"carrier__fixed": f"M0a = {PE20}, M0b = {PVC20}"},
            f"'M0b' gets '{PVC20}', but its run R0 has '{PE20}' already",
        ),
        ({"carrier__nominal": "20"}, "carrier.nominal: '20' has no unit"),
        ({"carrier__nominal": "21 in"}, "the catalogue has no pipe of nominal 21 in; widen"),
        (
            {"carrier__system": "METRIC", "carrier__material": "PVC"},
            "the catalogue has no pipe of system METRIC, material PVC",
        ),
        (
            {"carrier__system": "METRIC", "carrier__dr": 41},
            "carrier: system METRIC, dr 41.0 is made of PVC-U alone; name it in material",
        ),
        ({"carrier__own": f"{PE20}; PE4710; 20 in; 1 in"}, "there is a pipe"),
        ({"carrier__own": "a; PE4710; 20 in; 9 in"}, "a wall of 228.60 mm does not go with"),
        (
            {"carrier__own": "a; PE4710; 20 in; 9 in", "output__units": "us"},
            "a wall of 9.00 in does not go with an outside diameter of 20.00 in",
        ),
    ],
)
def test_wishes_that_cannot_be_met_are_told(changes: dict[str, object], said: str) -> None:
    with pytest.raises(BriefError) as caught:
        _hold(_service(), _brief(**changes))
    assert said in str(caught.value)


# No pipe ---------------------------------------------------------------------------------


def test_a_run_no_pipe_suits_names_the_one_that_came_closest_and_its_rule() -> None:
    contest = _hold(_service(flow=5.0))
    assert _tried(contest) == []
    largest = contest.pipes.outside_m[
        contest.verdict.refused_by[0] == CHOICE_RULES.index("flow")
    ].max()
    (name,) = {
        n
        for n, o in zip(contest.pipes.name, contest.pipes.outside_m, strict=True)
        if o == largest and f"{n} came closest" in contest.reason[0]
    }
    assert contest.reason[0] == f"no pipe suits; {name} came closest but {RULE_TEXTS['flow']}"


def test_the_closest_pipe_is_the_one_refused_last() -> None:
    # no pipe holds 60 bar; those that fit went one rule farther than those that do not
    contest = _hold(_service(working=6e6))
    name = contest.reason[0].removeprefix("no pipe suits; ").partition(" came closest")[0]
    assert _refused(contest)[0, _row(contest, name)] == "pressure"
    assert RULE_TEXTS["pressure"] in contest.reason[0]


@pytest.mark.parametrize("bore", [0.1, 0.15, 0.3, 0.6, 1.2])
@pytest.mark.parametrize(
    "changes", [{"working": 6e6}, {"flow": 50.0}, {"working": 1.4e6, "flow": 5.0}]
)
def test_the_closest_pipe_is_near_the_host_in_size(bore: float, changes: dict[str, float]) -> None:
    contest = _hold(_service(bore=bore, bore_low=bore, **changes))
    name = contest.reason[0].removeprefix("no pipe suits; ").partition(" came closest")[0]
    outside = contest.pipes.outside_m[_row(contest, name)]
    assert 0.55 * bore < outside < bore


def test_where_no_pipe_enters_the_smallest_is_named_and_not_the_largest() -> None:
    contest = _hold(_service(bore=0.06, bore_low=0.06))
    smallest = contest.pipes.outside_m.min()
    name = contest.reason[0].removeprefix("no pipe suits; ").partition(" is nearest in size")[0]
    assert contest.pipes.outside_m[_row(contest, name)] == smallest
    assert contest.reason[0].endswith("does not enter 60 mm")


def test_of_pipes_that_burst_the_one_of_thickest_wall_came_closest() -> None:
    contest = _hold(_service(working=6e6))
    name = contest.reason[0].removeprefix("no pipe suits; ").partition(" came closest")[0]
    tied = contest.verdict.refused_by[0] == CHOICE_RULES.index("pressure")
    assert (
        contest.pipes.dr[_row(contest, name)] == contest.pipes.dr[tied & contest.in_window[0]].min()
    )


def test_a_run_shorter_than_pits_and_a_pull_gets_no_pipe() -> None:
    contest = _hold(_service(), length=19.0)
    assert _tried(contest) == []
    assert "shorter than two pits and a pull" in contest.reason[0]


def test_what_the_flow_rule_asks_is_said_as_it_was_asked() -> None:
    """By the design flow where there is one, by capacity where there is none."""
    service = _service(flow=[0.5, math.nan], host_c=[70.0, 165.0])
    contest = _hold(service, _brief(**FOUR))
    findings = Findings()
    report_fixed(contest, ["R0", "R1"], findings)
    texts = findings.table().set_index("feature")["text"]
    assert "does not carry the design flow within service.max_velocity" in texts["R0"]
    assert "least_capacity" not in texts["R0"]
    assert "keeps too little of the host's capacity (service.least_capacity)" in texts["R1"]


# What the plan needs of it ---------------------------------------------------------------


def _columns(contest: Contest, service: pd.DataFrame, brief: Brief) -> pd.DataFrame:
    """What the plan needs of the pipe tried first."""
    return carrier_columns(contest, contest.tries[:, 0], service, brief.carrier, brief.pulls)


def test_columns_of_the_worked_example() -> None:
    service = _service(working=[100 * PSI] * 2)
    brief = _brief(pulls__machine_capacity="1000 kN", **FOUR)
    contest = _hold(service, brief)
    table = _columns(contest, service, brief)
    first = table.iloc[0]
    assert first["carrier"] == PE20
    assert first["outside"] == pytest.approx(21.6 * INCH)
    assert first["carrier_bore"] == pytest.approx(18.906 * INCH, rel=1e-4)
    assert first["clearance"] == pytest.approx(2.42 * INCH, rel=1e-9)
    assert first["radius"] == pytest.approx(27 * 21.6 * INCH)
    assert first["weight"] == pytest.approx(35.54 * LBF / FOOT, rel=1e-3)
    assert first["pipe_limit"] == pytest.approx(0.5 * 107_927 * LBF, rel=1e-4)
    assert (first["allowable"], first["governed_by"]) == (first["pipe_limit"], "pipe")


def test_a_weak_machine_governs() -> None:
    brief = _brief(pulls__machine_capacity="200 kN", pulls__machine_share="0.8", **FOUR)
    table = _columns(_hold(_service(), brief), _service(), brief)
    assert table["allowable"][0] == pytest.approx(160e3)
    assert table["governed_by"][0] == "machine"


def test_a_carrier_floats_in_a_flooded_host_and_hardly_when_filled() -> None:
    def weights(**changes: object) -> tuple[float, float]:
        brief = _brief(**FOUR, **changes)
        table = _columns(_hold(_service(), brief), _service(), brief)
        return float(table["weight"][0]), float(table["dry_weight"][0])

    up, dry = weights(pulls__flooded="true")
    assert up == pytest.approx(-123.3 * LBF / FOOT, rel=2e-3)  # uplift of the worked example
    assert dry == pytest.approx(35.54 * LBF / FOOT, rel=1e-3)
    # filled, all that floats is the lighter polyethylene: 957 kg/m3 in water of 1000
    hangs = weights(pulls__flooded="true", pulls__filled="true")[0]
    assert hangs == pytest.approx(dry * (1 - 1000 / 957), rel=1e-3)


def test_a_run_without_a_carrier_has_no_numbers() -> None:
    service = _service(working=[100 * PSI, 6e6])
    contest = _hold(service)
    brief = _brief()
    table = _columns(contest, service, brief)
    assert np.isfinite(table["outside"]).tolist() == [True, False]
    assert table["carrier"].tolist()[1] == ""
    assert table["pipe"].tolist()[1] == -1


def test_tension_at_a_bend_is_what_bending_leaves_of_the_strength() -> None:
    brief = _brief(**FOUR)
    service = _service()
    contest = _hold(service, brief)
    table = _columns(contest, service, brief)
    bends = pd.DataFrame(
        {
            "run": [0, 0, 0, 0],
            "passing_radius": [200 * FOOT, 48.6 * FOOT, 1.0, math.inf],
            "passes": [True, True, False, True],
        }
    )
    limit = bend_limits(bends, table, contest.pipes, brief)
    # 1330 psi less 63,000 psi x 21.6 in/(2 x 2400 in) = 283.5 psi, times 81.15 in2, half of it
    assert limit[0] == pytest.approx(0.5 * (1330 - 283.5) * 81.15 * LBF, rel=1e-4)
    # 63,000 x 21.6/(2 x 583.2) = 1166.7 psi
    assert limit[1] == pytest.approx(0.5 * (1330 - 1166.7) * 81.15 * LBF, rel=2e-3)
    assert np.isinf(limit[2:]).all()  # in a pit, and straight


def test_hydraulics_of_the_worked_example() -> None:
    pipe = carrier(system="DIPS", nominal="20 in", material="PE4710", dr=17)
    table = pd.DataFrame(
        {
            "carrier_bore": [pipe.bore_m, pipe.bore_m, math.nan],
            "flow": [0.1854, math.nan, 0.1854],
            "length": 304.8,
            "bore": 24.02 * INCH,
            "host_c": 70.0,
        }
    )
    found = hydraulic_columns(table)
    assert found["capacity_ratio"].tolist()[:2] == pytest.approx([1.142, 1.142], abs=5e-4)
    # 185.4 L/s run down 0.002 in the host
    assert found["head_before"][0] == pytest.approx(0.002 * 304.8, rel=2e-3)
    assert found["head_after"][0] == pytest.approx(0.002 * 304.8 / 1.142**1.852, rel=3e-3)
    assert found["velocity"][0] == pytest.approx(0.1854 / (math.pi / 4 * pipe.bore_m**2))
    assert found["head_before"].isna().tolist() == [False, True, True]
    assert math.isnan(found["capacity_ratio"][2])
