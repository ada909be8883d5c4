"""The contest of carriers: which suit a run, in what order they are tried, why others lost."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief, CarrierChoice, OwnPipe
from geotools.errors import BriefError
from geotools.intake.findings import Findings
from geotools.lists import as_spelled
from geotools.network.named import runs_by_name
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import (
    Carrier,
    CarrierColumns,
    as_columns,
    closest_names,
    contenders,
    custom_carrier,
)
from geotools.pipe.choice import CHOICE_RULES, Choice, Criteria, RunColumns, choose
from geotools.pipe.external import FIFTY_YEARS_H
from geotools.pipe.factors import DAY
from geotools.pipe.fit import TOTAL_M
from geotools.pipe.hydraulics import CARRIER_C
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.names import MATERIALS, SYSTEMS
from geotools.pipe.pressure import highest_temperature_c
from geotools.pipe.pulling import wall_area_m2
from geotools.pipe.ranges import RangeError
from geotools.schema import quantity_text
from geotools.units import in_unit, parse_quantity

__all__ = [
    "RULE_TEXTS",
    "Contest",
    "by_price",
    "choice_limits",
    "hold_contest",
    "ranked",
    "report_fixed",
    "report_warm",
    "shortfall",
]

# What a pipe refused by a rule falls short of.
RULE_TEXTS = {
    "fit": "does not clear the bore as carrier.fit_rule asks",
    "pressure": "does not hold working pressure and surge",
    "collapse": "does not stand the groundwater when empty",
    "flow": "does not carry the design flow within service.max_velocity and max_gradient",
}
# The same of pressure, in a run whose design flow is on record and may be what is stopped.
FLOW_STOPPED = "does not hold working pressure and surge, its design flow stopped at once"
# The same of the last, in a run whose design flow is not on record.
LESS_CAPACITY = "keeps too little of the host's capacity (service.least_capacity)"
# Metric PVC-U is mostly made with sockets: few make it for fusing, so it is no contender unasked.
BY_NAME_ONLY = ("PVC-U",)
CELLS_AT_ONCE = 500_000  # runs times pipes
WINDOW = 0.55  # a pipe thinner than this share of the bore is no alternative worth a row


@dataclass(frozen=True)
class Contest:
    """Carriers held against runs.

    Attributes
    ----------
    pipes : CarrierColumns
    verdict : Choice
        Runs x pipes.
    tries : ndarray of int64, shape (runs, k)
        Pipes to plan through, cheapest as laid first; -1 where there are no more.
    flowing : ndarray of bool, shape (runs,)
        The design flow is on record; where it is not, capacity stands in for it.
    fixed : ndarray of int64, shape (runs,)
        The pipe fixed by the brief, or -1.
    short_of_flow : ndarray of bool, shape (runs,)
        The fixed pipe breaks the rule of flow.
    wanted : ndarray of bool, shape (pipes,)
        Pipes the wishes of the brief leave.
    in_window : ndarray of bool, runs x pipes
        Pipes near enough in size to be told of.
    closest : ndarray of int64, shape (runs,)
        The pipe a run is told by: the fixed one, the first to try, or the one that came closest.
    reason : ndarray of str, shape (runs,)
        Why a run has no pipe to try.
    price : ndarray, shape (pipes,)
        Price of each pipe per metre.
    laid : ndarray, shape (pipes,)
        The same less the grout that finds no room where the pipe lies.
    """

    pipes: CarrierColumns
    verdict: Choice
    tries: IntArray
    flowing: npt.NDArray[np.bool_]
    fixed: IntArray
    short_of_flow: npt.NDArray[np.bool_]
    wanted: npt.NDArray[np.bool_]
    in_window: npt.NDArray[np.bool_]
    closest: IntArray
    reason: npt.NDArray[np.object_]
    price: FloatArray
    laid: FloatArray

    def only(self, rows: IntArray) -> Contest:
        """Return the contest of these runs alone, in this order."""
        verdicts = {
            field.name: getattr(self.verdict, field.name)
            for field in dataclasses.fields(self.verdict)
        }
        # A verdict nobody asks for any more may have been let go.
        left = {name: each[rows] if len(each) else each for name, each in verdicts.items()}
        return dataclasses.replace(
            self,
            verdict=dataclasses.replace(self.verdict, **left),
            tries=self.tries[rows],
            flowing=self.flowing[rows],
            fixed=self.fixed[rows],
            short_of_flow=self.short_of_flow[rows],
            in_window=self.in_window[rows],
            closest=self.closest[rows],
            reason=self.reason[rows],
        )


def hold_contest(
    runs: pd.DataFrame, service: pd.DataFrame, brief: Brief, *, least_length: float
) -> Contest:
    """Hold every pipe of the catalogue against every run and rank those that suit.

    Parameters
    ----------
    runs : DataFrame
        ``run_id``, ``main_ids`` and ``length`` (m).
    service : DataFrame
        As `service_columns` gives it.
    brief : Brief
    least_length : float
        Length of the shortest run worth a pull, m.

    Raises
    ------
    BriefError
        If a fixed pipe is not in the catalogue, the wishes leave none, none of them is rated for
        water so warm, or surges are counted whose size is not given.
    """
    _check_surges(brief)
    choice = brief.carrier
    every, wanted = _catalogue(choice, brief.output.units)
    pipes = as_columns(every)
    fixed = _fixed(runs, every, wanted, choice)
    wanted = _rated(pipes, wanted, fixed, brief)
    verdict = choose(_run_columns(service, brief), pipes, limits=choice_limits(brief))
    bore = service["bore_low"].to_numpy(dtype=float)[:, None]
    outside = np.asarray(pipes.outside_m)[None, :]
    enters = outside + 2 * choice.bead_height < bore
    suits = verdict.suits & wanted[None, :]
    price = _price(pipes, brief)
    laid = price - _grout_spared(pipes, brief)
    tries = ranked(suits, pipes, laid)[:, : choice.tries].copy()
    rows = _try_fixed(tries, fixed, enters)
    in_window = (outside >= WINDOW * bore) & (outside < bore) & wanted[None, :]
    in_window[rows, fixed[rows]] = True
    flowing = np.isfinite(service["flow"].to_numpy(dtype=float))
    closest = _first_or_closest(tries, fixed, verdict.refused_by, pipes, wanted, bore[:, 0])
    reason = _no_pipe(
        tries, fixed, closest, verdict, pipes, bore[:, 0], flowing, brief.output.units
    )
    short = runs["length"].to_numpy(dtype=float) < least_length
    tries[short] = -1
    reason[short] = "shorter than two pits and a pull (pulls.min_length): renew it in open cut"
    return Contest(
        pipes=pipes,
        verdict=verdict,
        tries=tries,
        flowing=flowing,
        fixed=fixed,
        short_of_flow=(fixed >= 0) & ~verdict.flow[np.arange(len(fixed)), fixed],
        wanted=wanted,
        in_window=in_window,
        closest=closest,
        reason=reason,
        price=price,
        laid=laid,
    )


def _try_fixed(tries: IntArray, fixed: IntArray, enters: npt.NDArray[np.bool_]) -> IntArray:
    """Leave runs no pipe to try but the one fixed, and none if it does not enter; return them."""
    rows = np.flatnonzero(fixed >= 0)
    tries[rows] = -1
    tries[rows, 0] = np.where(enters[rows, fixed[rows]], fixed[rows], -1)
    return rows


def _check_surges(brief: Brief) -> None:
    """Refuse everyday surges that are counted and have no size."""
    if brief.service.surges_per_day > 0 and brief.service.recurring_velocity == 0:
        raise BriefError(
            [
                "service.surges_per_day: counts surges whose size is not given; give "
                "service.recurring_velocity, the change of velocity in each"
            ]
        )


def shortfall(rule: str, flowing: bool) -> str:
    """Say what a pipe refused by a rule falls short of, in a run with a design flow or without."""
    if rule == "pressure" and flowing:
        return FLOW_STOPPED
    return LESS_CAPACITY if rule == "flow" and not flowing else RULE_TEXTS[rule]


def _catalogue(choice: CarrierChoice, units: str) -> tuple[list[Carrier], npt.NDArray[np.bool_]]:
    """Return all pipes, and which of them the wishes of the brief leave.

    The wishes are about the catalogue: a pipe of the user's own is asked for by being added.
    """
    every = _with_own(choice, units)
    wishes: dict[str, object] = {
        "system": choice.system,
        "nominal": None if choice.nominal is None else _size(choice.nominal),
        "material": choice.material,
        "dr": choice.dr,
    }
    made = np.array(
        [_is_own(pipe) or all(_meets(pipe, n, w) for n, w in wishes.items()) for pipe in every]
    )
    wanted = made & np.array([_asked_for(pipe, choice) for pipe in every])
    if not wanted.any():
        asked = ", ".join(f"{n} {getattr(choice, n)}" for n, w in wishes.items() if w is not None)
        if made.any():
            only = ", ".join(sorted({p.material for p, m in zip(every, made, strict=True) if m}))
            raise BriefError([f"carrier: {asked} is made of {only} alone; name it in material"])
        raise BriefError([f"carrier: the catalogue has no pipe of {asked}; widen the choice"])
    return every, wanted


def _too_warm(brief: Brief) -> list[str]:
    """Return the materials whose class is not known for water so warm as the brief's."""
    water = brief.service.water_temperature
    return [each for each in MATERIALS if water > highest_temperature_c(each) * (1 + 1e-9)]


def _rated(
    pipes: CarrierColumns, wanted: npt.NDArray[np.bool_], fixed: IntArray, brief: Brief
) -> npt.NDArray[np.bool_]:
    """Return the pipes of those wanted whose class is known for water so warm as the brief's."""
    rated = ~np.isin(pipes.material, _too_warm(brief))
    asked = np.unique(pipes.material[fixed[fixed >= 0]])
    unfit = [str(word) for word in asked if word in _too_warm(brief)]
    if not unfit and not (wanted & rated).any():
        unfit = np.unique(pipes.material[wanted]).tolist()
    if unfit:
        most = min(unfit, key=highest_temperature_c)
        raise BriefError(
            [
                f"service.water_temperature: {_degrees(brief.service.water_temperature, brief)} is "
                f"too warm for {', '.join(unfit)}: the class of {most} is known up to "
                f"{_degrees(highest_temperature_c(most), brief)}"
            ]
        )
    return wanted & rated


def _degrees(celsius: float, brief: Brief) -> str:
    """Return a temperature in words, in the units of the brief."""
    unit = "degF" if brief.output.units == "us" else "degC"
    return f"{in_unit(celsius, unit, 'temperature'):.4g} {unit}"


def report_warm(brief: Brief, findings: Findings) -> None:
    """Say which materials are out of the running since the water is too warm for their class."""
    out = _too_warm(brief)
    if out:
        findings.add(
            "info",
            "water-too-warm",
            f"water of {_degrees(brief.service.water_temperature, brief)} is warmer than the class "
            f"of {', '.join(out)} is known for: no such pipe is chosen "
            "(service.water_temperature)",
            layer="runs",
        )


def _with_own(choice: CarrierChoice, units: str) -> list[Carrier]:
    """Return the catalogue and the user's own pipes behind it."""
    every = contenders(systems=SYSTEMS, materials=MATERIALS)
    names = {pipe.name for pipe in every}
    faults = []
    for row, own in enumerate(choice.own):
        key = f"carrier.own.{row}"
        if own.name in names:
            faults.append(f"{key}: there is a pipe {own.name!r} already; name it otherwise")
        names.add(own.name)
        try:
            every.append(
                custom_carrier(
                    own.name, material=own.material, outside_m=own.outside, wall_min_m=own.wall
                )
            )
        except RangeError as error:
            faults.append(f"{key}: {_own_fault(own, error, units)}")
    if faults:
        raise BriefError(faults)
    return every


def _own_fault(own: OwnPipe, error: RangeError, units: str) -> str:
    """Say which size of a pipe of the user's own is out of range, in the units of the output."""
    wall, outside = (quantity_text(v, "bore", units, 2) for v in (own.wall, own.outside))
    valid = error.valid
    if error.limits:
        ends = (quantity_text(v, "bore", units, 2) for v in (error.limits.low, error.limits.high))
        valid = "from {} to {}".format(*ends)
    if error.name == "outside_m":
        return f"an outside diameter of {outside} is out of range for {own.material}; valid {valid}"
    return (
        f"a wall of {wall} does not go with an outside diameter of {outside} in {own.material}; "
        f"valid {valid}"
    )


def _size(nominal: str) -> float:
    """Return a nominal size in metres."""
    try:
        return parse_quantity(nominal, "length")
    except ValueError as error:
        raise BriefError([f"carrier.nominal: {error}"]) from error


def _asked_for(pipe: Carrier, choice: CarrierChoice) -> bool:
    """Say whether a pipe may contend unless it is fixed: see `BY_NAME_ONLY`."""
    return _is_own(pipe) or choice.material is not None or pipe.material not in BY_NAME_ONLY


def _is_own(pipe: Carrier) -> bool:
    return pipe.system == "own"


def _meets(pipe: Carrier, name: str, wish: object) -> bool:
    """Say whether a pipe is as wished in one respect."""
    if wish is None:
        return True
    value = getattr(pipe, name)
    if name == "nominal":
        value = parse_quantity(value, "length")
    return bool(np.isclose(value, wish)) if isinstance(wish, float) else value == wish


def _fixed(
    runs: pd.DataFrame, every: list[Carrier], wanted: npt.NDArray[np.bool_], choice: CarrierChoice
) -> IntArray:
    """Return the pipe fixed for each run: by run or main, or by wishes that leave only one."""
    fixed = np.full(len(runs), np.flatnonzero(wanted)[0] if wanted.sum() == 1 else -1)
    rows = {pipe.name: row for row, pipe in enumerate(every)}
    owners = runs_by_name(runs) if choice.fixed else {}
    given: dict[int, str] = {}
    faults = []
    for wish in choice.fixed:
        key, name = as_spelled(wish.owner, owners), wish.pipe
        if key not in owners:
            faults.append(f"carrier.fixed: {key!r} is neither a run nor a lined main")
        elif name not in rows:
            near = " or ".join(map(repr, closest_names(name, rows)))
            faults.append(f"carrier.fixed: no pipe is called {name!r}; did you mean {near}?")
        else:
            for run in owners[key]:
                if given.setdefault(run, name) != name:
                    faults.append(
                        f"carrier.fixed: {key!r} gets {name!r}, but its run "
                        f"{runs['run_id'].iloc[run]} has {given[run]!r} already"
                    )
                fixed[run] = rows[name]
    if faults:
        raise BriefError(faults)
    return fixed.astype(np.int64)


def _run_columns(service: pd.DataFrame, brief: Brief) -> RunColumns:
    def column(name: str) -> FloatArray:
        return service[name].to_numpy(dtype=float)

    return RunColumns(
        host_low_m=column("bore_low"),
        host_centre_m=column("bore"),
        host_c=column("host_c"),
        working_pa=column("working"),
        temperature_c=np.full(len(service), brief.service.water_temperature),
        groundwater_head_m=column("head"),
        design_flow_m3_per_s=column("flow"),
    )


def choice_limits(brief: Brief) -> Criteria:
    """Return the limits of the choice of carriers."""
    choice, service = brief.carrier, brief.service
    return Criteria(
        fit_rule=choice.fit_rule,
        clearance_share=choice.clearance_share,
        clearance_total_m=TOTAL_M,
        clearance_gap_m=choice.clearance_gap,
        bead_m=choice.bead_height,
        recurring_velocity_m_per_s=service.recurring_velocity,
        occasional_velocity_m_per_s=service.occasional_velocity,
        recurring_cycles=service.surges_per_day * (service.life / DAY) * service.fatigue_safety,
        grout_factor=service.grout_factor if brief.pulls.grouted else 1.0,
        ovality=service.ovality,
        collapse_safety=service.collapse_safety,
        collapse_hours=FIFTY_YEARS_H,
        carrier_c=CARRIER_C,
        least_capacity_ratio=service.least_capacity,
        highest_velocity_m_per_s=service.max_velocity,
        highest_gradient=service.max_gradient,
    )


def _price(pipes: CarrierColumns, brief: Brief) -> FloatArray:
    """Return the price of each pipe per metre."""
    plastic = is_polyethylene(pipes.material)
    return np.asarray(_mass(pipes) * np.where(plastic, brief.rates.pe_pipe, brief.rates.pvc_pipe))


def _mass(pipes: CarrierColumns) -> FloatArray:
    """Return the mass of each pipe per metre, kg."""
    return np.asarray(pipes.density * wall_area_m2(pipes.outside_m, pipes.wall_average_m))


def by_price(pipes: CarrierColumns, price: FloatArray) -> IntArray:
    """Return the pipes in the order of their price per metre.

    Pipe at no price comes in the order that the least price would give it, the lighter first: a
    heavier one is larger or stiffer, and asks for larger pits. Of one price and mass the larger
    bore comes first, then the tighter bend, then the name. Bends are told apart at rated
    temperature; cold makes all pipes of a material stiffer alike.
    """
    radius = least_radius_m(pipes.material, pipes.dr, pipes.outside_m)
    order = np.lexsort([pipes.name, radius, -np.asarray(pipes.bore_m), _mass(pipes), price])
    return np.asarray(order, dtype=np.int64)


def _grout_spared(pipes: CarrierColumns, brief: Brief) -> FloatArray:
    """Return what the grout would cost that each pipe leaves no room for, per metre."""
    rate = brief.rates.grout if brief.pulls.grouted else 0.0
    return np.asarray(rate * np.pi / 4 * np.asarray(pipes.outside_m) ** 2)


def ranked(suits: npt.NDArray[np.bool_], pipes: CarrierColumns, price: FloatArray) -> IntArray:
    """Rank the pipes that suit: the first of every material as of `by_price`, then the next.

    Materials differ in bending radius and strength, hence in pits and pulls, which the price of
    the pipe does not show: so each of them is tried before a second pipe of one is. -1 behind
    the last that suits. ``price`` is per metre, `Contest.price` or `Contest.laid`.
    """
    first = by_price(pipes, price)
    cost = np.where(suits, price, np.inf)[:, first]
    material = pipes.material[first]
    turn = np.full(cost.shape, np.inf)
    for name in np.unique(material):
        of_it = np.isfinite(cost) & (material == name)[None, :]
        turn = np.where(of_it, np.cumsum(of_it, axis=1), turn)
    order = np.lexsort([np.broadcast_to(np.arange(cost.shape[1]), cost.shape), cost, turn], axis=1)
    usable = np.isfinite(np.take_along_axis(cost, order, axis=1))
    return np.where(usable, first[order], -1).astype(np.int64)


def _no_pipe(
    tries: IntArray,
    fixed: IntArray,
    closest: IntArray,
    verdict: Choice,
    pipes: CarrierColumns,
    bore: FloatArray,
    flowing: npt.NDArray[np.bool_],
    system: str,
) -> npt.NDArray[np.object_]:
    """Say of runs with no pipe to try which rule refused the one that came closest."""
    reason = np.full(len(tries), "", dtype=object)
    none = np.flatnonzero((tries < 0).all(axis=1))
    last = closest[none]
    # runs alike in all that is told of them share one text
    alike = pd.DataFrame(
        {
            "pipe": last,
            "rule": verdict.refused_by[none, last],
            "bore": bore[none],
            "fixed": fixed[none] >= 0,
            "flowing": flowing[none],
        }
    )
    kinds = alike.drop_duplicates()
    texts = [_why_none(row, pipes, system) for row in kinds.itertuples()]
    told = kinds.assign(text=texts)
    reason[none] = alike.merge(told, how="left", on=list(alike.columns))["text"].to_numpy()
    return reason


def _why_none(row: Any, pipes: CarrierColumns, system: str) -> str:
    """Say why no pipe can be tried: ``row`` has the pipe that came closest, rule and bore."""
    name, told = pipes.name[row.pipe], quantity_text(row.bore, "bore", system, 0)
    if row.fixed:
        return f"the fixed carrier {name} does not enter the bore of {told}"
    if pipes.outside_m[row.pipe] >= row.bore:
        return f"no pipe suits; {name} is nearest in size but does not enter {told}"
    short = shortfall(CHOICE_RULES[row.rule], row.flowing)
    return f"no pipe suits; {name} came closest but {short}"


def _first_or_closest(
    tries: IntArray,
    fixed: IntArray,
    refused_by: npt.NDArray[np.int8],
    pipes: CarrierColumns,
    wanted: npt.NDArray[np.bool_],
    bore: FloatArray,
) -> IntArray:
    """Return the pipe each run is told by: fixed, first to try, or refused last (`_closest`)."""
    told = np.where(fixed >= 0, fixed, tries[:, 0])
    none = np.flatnonzero(told < 0)
    told[none] = _closest(refused_by, pipes, np.flatnonzero(wanted), bore, none)
    return told


def _closest(
    refused_by: npt.NDArray[np.int8],
    pipes: CarrierColumns,
    wanted: IntArray,
    bore: FloatArray,
    runs: IntArray,
) -> IntArray:
    """Return for each of these runs the pipe refused last of those near the host in size.

    Near is within `WINDOW`. Of those refused by pressure from within or without it is the one of
    thickest wall, of the rest and of its like that of largest bore. Where no pipe is near in size
    it is the nearest: by the ratio of its outside diameter to the bore.
    """
    by_name = wanted[np.argsort(pipes.name[wanted], kind="stable")]
    last = np.empty(len(runs), dtype=np.int64)
    block = max(1, CELLS_AT_ONCE // len(wanted))
    for first in range(0, len(runs), block):
        some = runs[first : first + block]
        rule = refused_by[np.ix_(some, by_name)]
        last[first : first + block] = by_name[_last_refused(rule, pipes, by_name, bore[some])]
    return last


def _last_refused(
    rule: npt.NDArray[np.int8], pipes: CarrierColumns, names: IntArray, bore: FloatArray
) -> IntArray:
    """Return the column of `_closest` in each row of ``rule``, runs x pipes in order of name."""
    outside, ratio = pipes.outside_m[names], pipes.dr[names]
    near = (outside >= WINDOW * bore[:, None]) & (outside < bore[:, None])
    away = np.abs(np.log(outside / bore[:, None])).round(9)
    weak = (rule == CHOICE_RULES.index("pressure")) | (rule == CHOICE_RULES.index("collapse"))
    left = np.ones(rule.shape, dtype=bool)
    for key in (
        ~near,
        np.where(near, 0.0, away),
        -rule,
        np.where(weak, ratio, 0.0),
        np.broadcast_to(-pipes.bore_m[names], rule.shape),
    ):
        cost = np.where(left, key, np.inf)
        left &= cost == cost.min(axis=1, keepdims=True)
    return np.asarray(left.argmax(axis=1), dtype=np.int64)


def report_fixed(contest: Contest, run_ids: list[str], findings: Findings) -> None:
    """Warn of every run whose carrier is fixed to one that breaks a rule."""
    run = np.flatnonzero(contest.tries[:, 0] == contest.fixed)
    run = run[contest.fixed[run] >= 0]
    pipe = contest.fixed[run]
    kept = np.stack([getattr(contest.verdict, rule)[run, pipe] for rule in CHOICE_RULES], axis=1)
    broken = np.flatnonzero(~kept.all(axis=1))
    texts = [
        f"the fixed carrier {contest.pipes.name[pipe[k]]} "
        + ", and ".join(
            shortfall(r, bool(contest.flowing[run[k]]))
            for r, ok in zip(CHOICE_RULES, kept[k], strict=True)
            if not ok
        )
        + "; it is fixed, and no other is tried"
        for k in broken
    ]
    findings.add_many(
        "warning",
        "fixed-carrier",
        texts,
        layer="runs",
        features=np.array(run_ids, dtype=object)[run[broken]],
    )
