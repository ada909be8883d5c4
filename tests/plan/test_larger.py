"""Larger bores for little more: which are planned through beyond the first carriers tried."""

from __future__ import annotations

import math
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.brief import load_brief
from geotools.layout import lots
from geotools.layout.winners import values_in_running, winners
from geotools.network.ragged import IntArray
from geotools.siting.carrier import Contest, hold_contest

LENGTH = 400.0  # m
PITS = 200_000.0
# What a run costs beside its pipe, by the name of the carrier.
Beside = Callable[[str], float]


class _Tried:
    """What is asked of an attempt, with costs by hand."""

    def __init__(self, contest: Contest, pipe: IntArray, beside: list[Beside]) -> None:
        name, known = contest.pipes.name[pipe], pipe >= 0
        rest = np.array([of(str(each)) for of, each in zip(beside, name, strict=True)])
        cost = np.where(known, rest + contest.laid[pipe] * LENGTH, np.inf)
        given = {"value": cost, "cost": cost}
        self.figures = pd.DataFrame(given | {"refused_edits": 0, "short": math.nan})
        bore = np.where(known, contest.pipes.bore_m[pipe], math.nan)
        self.table = pd.DataFrame({"pipe": pipe, "carrier_bore": bore})
        self.value = cost

    def only(self, wanted: object) -> _Tried:
        return self


@pytest.fixture(autouse=True)
def by_hand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lots, "only_runs", lambda lot, runs: lot)
    monkeypatch.setattr(lots, "equip", lambda lot, pipe: pipe)
    monkeypatch.setattr(lots, "try_carriers", lambda lot, p: _Tried(lot.contest, p, lot.beside))


def _lot(*beside: Beside, **settings: object) -> Any:
    """Runs in a host of 610 mm without a flow to carry, each with costs of its own."""
    wishes: dict[str, object] = {"service.least_capacity": 0.1, "carrier.system": "METRIC"}
    brief = load_brief(overrides=wishes | {k.replace("__", "."): v for k, v in settings.items()})
    names = [f"R{k}" for k in range(len(beside))]
    table = pd.DataFrame({"run_id": names, "main_ids": names, "length": LENGTH})
    need = {"bore_low": 0.61, "bore": 0.61, "host_c": 70.0, "working": 7e5}
    service = pd.DataFrame({**need, "flow": math.nan, "head": 0.0}, index=range(len(beside)))
    contest = hold_contest(table, service, brief, least_length=20.0)
    return SimpleNamespace(
        contest=contest, brief=brief, runs=SimpleNamespace(table=table), beside=list(beside)
    )


def _tried(lot: Any, run: int = 0) -> tuple[list[str], str]:
    """Return the carriers tried after the first ones, in order, and the one shown."""
    first = [_Tried(lot.contest, pipe, lot.beside) for pipe in lot.contest.tries.T]
    every = np.arange(len(lot.runs.table))
    attempts: Any = lots._larger(lot, first, every, list)  # type: ignore[arg-type]
    pipe, bore, cost = (
        np.array([one.table["pipe"] for one in attempts]),
        np.array([one.table["carrier_bore"] for one in attempts]),
        np.array([one.figures["cost"] for one in attempts]),
    )
    won = winners(values_in_running(attempts), cost, bore, lot.brief.carrier.larger_for)[run]
    later = pipe[len(first) :, run]
    name = lot.contest.pipes.name
    return [str(name[p]) for p in later if p >= 0], str(name[pipe[won, run]])


def _even(name: str) -> float:
    return PITS


def _bore(lot: Any, name: str) -> float:
    return float(lot.contest.pipes.bore_m[lot.contest.pipes.name.tolist().index(name)])


def _largest_near(lot: Any, larger_for: float) -> str:
    """Return the largest bore for little more where all runs need the same pits, by hand."""
    contest, suits = lot.contest, lot.contest.verdict.suits[0] & lot.contest.wanted
    cost = np.where(suits, PITS + contest.laid * LENGTH, math.inf)
    near = cost <= cost.min() * (1 + larger_for)
    return str(contest.pipes.name[np.where(near, contest.pipes.bore_m, 0.0).argmax()])


@pytest.mark.parametrize("share", [0.02, 0.05, 0.2])
def test_where_all_carriers_need_the_same_pits_the_largest_for_little_more_is_the_one_tried(
    share: float,
) -> None:
    lot = _lot(_even, carrier__larger_for=share, carrier__tries=2)
    after, shown = _tried(lot)
    assert after == [shown] == [_largest_near(lot, share)]


def test_none_is_tried_where_no_more_is_paid_for_a_larger_bore() -> None:
    assert _tried(_lot(_even))[0] == []


def test_none_is_tried_whose_pipe_alone_costs_more_than_is_paid_for_its_bore() -> None:
    """At 100 a kilogram the pipe is nearly all of the cost."""
    lot = _lot(_even, carrier__larger_for=0.02, carrier__tries=2, rates__pe_pipe="100 / kg")
    cost = PITS + lot.contest.laid * LENGTH
    after, shown = _tried(lot)
    assert after == []
    suits = lot.contest.verdict.suits[0] & lot.contest.wanted
    larger = suits & (lot.contest.pipes.bore_m > _bore(lot, shown))
    assert larger.any() and (cost[larger] > cost[suits].min() * 1.02).all()


def test_one_that_turns_out_cheaper_sets_what_little_more_is() -> None:
    sized = _largest_near(_lot(_even), 0.05)
    lot = _lot(lambda name: PITS / (2 if name == sized else 1), carrier__larger_for=0.05)
    after, shown = _tried(lot)
    assert (after[0], shown) == (sized, sized)
    assert all(_bore(lot, name) > _bore(lot, sized) for name in after[1:])


def test_no_more_are_tried_than_were_at_first_and_the_largest_before_the_smaller() -> None:
    def dear(name: str) -> float:
        return PITS * (1 + 0.1 * (int(name.split()[0]) > 250))  # more pits in the larger sizes

    for tries in (1, 3, 20):
        lot = _lot(dear, carrier__larger_for=0.2, carrier__tries=tries, carrier__dr=26)
        after, _ = _tried(lot)
        bores = [_bore(lot, name) for name in after]
        assert bores == sorted(bores, reverse=True)
        assert len(after) <= tries
    few, _ = _tried(_lot(lambda n: dear(n) * 3, carrier__larger_for=0.02, carrier__tries=2))
    assert len(few) <= 2


def test_what_is_tried_in_a_run_does_not_hang_on_those_planned_beside_it() -> None:
    def bent(name: str) -> float:
        return PITS * (1 + 0.3 * ("SDR 21" in name))

    def none(name: str) -> float:
        return math.inf

    settings: dict[str, object] = {"carrier__larger_for": 0.1, "carrier__tries": 3}
    alone = [_tried(_lot(of, **settings)) for of in (_even, bent)]
    beside = _lot(none, _even, bent, **settings)
    assert [_tried(beside, run) for run in (1, 2)] == alone
    assert alone[0] != alone[1]
    assert _tried(beside, 0)[0] == []
