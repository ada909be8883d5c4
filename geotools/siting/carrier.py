"""The contest of carriers: which suit a run, in what order they are tried, why others lost."""

from __future__ import annotations

import dataclasses
import difflib
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.brief import Brief, CarrierChoice, Pulls
from geotools.errors import BriefError
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.bending import least_radius_m
from geotools.pipe.catalogue import (
    SYSTEMS,
    Carrier,
    CarrierColumns,
    as_columns,
    contenders,
    custom_carrier,
)
from geotools.pipe.choice import CHOICE_RULES, Choice, Criteria, RunColumns, choose
from geotools.pipe.hydraulics import CARRIER_C, before_and_after
from geotools.pipe.materials import MATERIALS, is_polyethylene
from geotools.pipe.pulling import (
    allowable_tension_n,
    machine_capacity_n,
    tension_with_bending_n,
    wall_area_m2,
    weight_n_per_m,
)

__all__ = [
    "Contest",
    "bend_limits",
    "carrier_columns",
    "hold_contest",
    "hydraulic_columns",
    "pipe_rows",
]

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
        Pipes to plan through, cheapest first; -1 where there are no more.
    fixed : ndarray of int64, shape (runs,)
        The pipe fixed by the brief, or -1.
    in_window : ndarray of bool, runs x pipes
        Pipes near enough in size to be told of.
    reason : ndarray of str, shape (runs,)
        Why a run has no pipe to try.
    price : ndarray, shape (pipes,)
        Price of each pipe per metre.
    """

    pipes: CarrierColumns
    verdict: Choice
    tries: IntArray
    fixed: IntArray
    in_window: npt.NDArray[np.bool_]
    reason: npt.NDArray[np.object_]
    price: FloatArray


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
        If a fixed pipe is not in the catalogue, or the wishes leave none.
    """
    choice = brief.carrier
    every, wanted = _catalogue(choice)
    pipes = as_columns(every)
    fixed = _fixed(runs, every, wanted, choice)
    verdict = choose(_run_columns(service, brief), pipes, limits=_criteria(brief))
    bore = service["bore_low"].to_numpy(dtype=float)[:, None]
    outside = np.asarray(pipes.outside_m)[None, :]
    enters = outside + 2 * choice.bead_height < bore
    suits = verdict.suits & wanted[None, :]
    tries = _ranked(suits, pipes, brief)
    rows = np.flatnonzero(fixed >= 0)
    tries[rows] = -1
    tries[rows, 0] = np.where(enters[rows, fixed[rows]], fixed[rows], -1)
    in_window = (outside >= WINDOW * bore) & (outside < bore) & wanted[None, :]
    in_window[rows, fixed[rows]] = True
    reason = _no_pipe(tries, fixed, verdict, pipes, wanted, bore[:, 0])
    short = runs["length"].to_numpy(dtype=float) < least_length
    tries[short] = -1
    reason[short] = "shorter than two pits and a pull (pulls.min_length): renew it in open cut"
    return Contest(pipes, verdict, tries, fixed, in_window, reason, _price(pipes, brief))


def _catalogue(choice: CarrierChoice) -> tuple[list[Carrier], npt.NDArray[np.bool_]]:
    """Return all pipes, and which of them the wishes of the brief leave."""
    own = [
        custom_carrier(p.name, material=p.material, outside_m=p.outside, wall_min_m=p.wall)
        for p in choice.own
    ]
    every = contenders(systems=SYSTEMS, materials=MATERIALS, extra=own)
    wishes: dict[str, object] = {
        "system": choice.system,
        "material": choice.material,
        "dr": choice.dr,
    }
    wishes["nominal"] = None if choice.nominal is None else _tidy(choice.nominal)
    wanted = np.array(
        [all(w is None or _same(getattr(pipe, n), w) for n, w in wishes.items()) for pipe in every]
    )
    if not wanted.any():
        asked = ", ".join(f"{n} {w}" for n, w in wishes.items() if w is not None)
        raise BriefError([f"carrier: the catalogue has no pipe of {asked}; widen the choice"])
    return every, wanted


def _tidy(nominal: str) -> str:
    return " ".join(nominal.replace("mm", " mm").replace("in", " in").split())


def _same(value: object, wish: object) -> bool:
    return (
        abs(value - wish) < 1e-9
        if isinstance(value, float) and isinstance(wish, float)
        else (value == wish)
    )


def _fixed(
    runs: pd.DataFrame, every: list[Carrier], wanted: npt.NDArray[np.bool_], choice: CarrierChoice
) -> IntArray:
    """Return the pipe fixed for each run: by run or main, or by wishes that leave only one."""
    fixed = np.full(len(runs), np.flatnonzero(wanted)[0] if wanted.sum() == 1 else -1)
    rows = {pipe.name: row for row, pipe in enumerate(every)}
    owner = {m: r for r, ids in enumerate(runs["main_ids"]) for m in ids.split(",")}
    owner.update({run_id: r for r, run_id in enumerate(runs["run_id"])})
    faults = []
    for wish in choice.fixed:
        key, _, name = (part.strip() for part in wish.partition("="))
        if key not in owner:
            faults.append(f"carrier.fixed: {key!r} is neither a run nor a lined main")
        elif name not in rows:
            near = difflib.get_close_matches(name, rows, n=1, cutoff=0.0)[0]
            faults.append(f"carrier.fixed: no pipe is called {name!r}; did you mean {near!r}?")
        else:
            fixed[owner[key]] = rows[name]
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


def _criteria(brief: Brief) -> Criteria:
    choice, service = brief.carrier, brief.service
    return Criteria(
        fit_rule=choice.fit_rule,
        clearance_share=choice.clearance_share,
        clearance_gap_m=choice.clearance_gap,
        bead_m=choice.bead_height,
        recurring_velocity_m_per_s=service.recurring_velocity,
        occasional_velocity_m_per_s=service.occasional_velocity,
        ovality=service.ovality,
        collapse_safety=service.collapse_safety,
        least_capacity_ratio=service.least_capacity,
        highest_velocity_m_per_s=service.max_velocity,
        highest_gradient=service.max_gradient,
    )


def _price(pipes: CarrierColumns, brief: Brief) -> FloatArray:
    """Return the price of each pipe per metre."""
    mass = pipes.density * wall_area_m2(pipes.outside_m, pipes.wall_average_m)
    plastic = np.array([is_polyethylene(str(m)) for m in pipes.material])
    return np.asarray(mass * np.where(plastic, brief.rates.pe_pipe, brief.rates.pvc_pipe))


def _ranked(suits: npt.NDArray[np.bool_], pipes: CarrierColumns, brief: Brief) -> IntArray:
    """Rank the pipes that suit: the cheapest of every material first, then the next of each.

    Materials differ in bending radius and strength, hence in pits and pulls, which the price of
    the pipe does not show: so each of them is tried before a second pipe of one is.
    """
    price = _price(pipes, brief)
    by_price = np.lexsort([pipes.name, price])
    cost = np.where(suits, price, np.inf)[:, by_price]
    material = pipes.material[by_price]
    turn = np.full(cost.shape, np.inf)
    for name in np.unique(material):
        of_it = np.isfinite(cost) & (material == name)[None, :]
        turn = np.where(of_it, np.cumsum(of_it, axis=1), turn)
    order = np.lexsort([np.broadcast_to(np.arange(cost.shape[1]), cost.shape), cost, turn], axis=1)
    first = order[:, : brief.carrier.tries]
    usable = np.isfinite(np.take_along_axis(cost, first, axis=1))
    return np.where(usable, by_price[first], -1).astype(np.int64)


def _no_pipe(
    tries: IntArray,
    fixed: IntArray,
    verdict: Choice,
    pipes: CarrierColumns,
    wanted: npt.NDArray[np.bool_],
    bore: FloatArray,
) -> npt.NDArray[np.object_]:
    """Say of runs with no pipe to try which rule refused the one that came closest."""
    reason = np.full(len(tries), "", dtype=object)
    for run in np.flatnonzero((tries < 0).all(axis=1)):
        if fixed[run] >= 0:
            reason[run] = (
                f"the fixed carrier {pipes.name[fixed[run]]} does not enter the bore of "
                f"{bore[run] * 1000:.0f} mm"
            )
            continue
        passed = np.where(wanted, verdict.refused_by[run], -1)
        best = np.lexsort([-np.asarray(pipes.outside_m), -passed])
        last = next(int(p) for p in best if wanted[p])
        rule = CHOICE_RULES[int(verdict.refused_by[run, last])]
        reason[run] = f"no pipe suits; {pipes.name[last]} came closest and was refused by {rule}"
    return reason


def carrier_columns(
    contest: Contest, rank: int, service: pd.DataFrame, choice: CarrierChoice, pulls: Pulls
) -> pd.DataFrame:
    """Return what the plan needs to know of each run's carrier of a rank; NaN where it has none.

    Columns: ``pipe`` (row of the catalogue), ``carrier``, ``outside``, ``carrier_bore``,
    ``clearance``, ``radius`` (m), ``weight`` on the host and ``dry_weight`` (N/m), ``mass``
    (kg/m), ``area`` (m2), ``pipe_limit`` and ``allowable`` (N), ``governed_by``.
    """
    pipes = contest.pipes
    pipe = contest.tries[:, rank] if rank < contest.tries.shape[1] else np.full(len(service), -1)
    known, safe = pipe >= 0, np.maximum(pipe, 0)
    tension = pulls.force_share * allowable_tension_n(
        pipes, hours=pulls.duration / 3600, temperature_c=choice.temperature
    )
    machine = float(machine_capacity_n(pulls.machine_capacity, usable=pulls.machine_share))
    radius = least_radius_m(
        pipes.material, pipes.dr, pipes.outside_m, temperature_c=choice.temperature
    )
    weight = weight_n_per_m(
        pipes,
        condition="filled" if pulls.filled else "empty",
        host="flooded" if pulls.flooded else "dry",
    )
    area = wall_area_m2(pipes.outside_m, pipes.wall_average_m)
    outside = np.asarray(pipes.outside_m)[safe]
    numbers = {
        "outside": outside,
        "carrier_bore": np.asarray(pipes.bore_m)[safe],
        "clearance": service["bore_low"].to_numpy(dtype=float) - outside - 2 * choice.bead_height,
        "radius": radius[safe],
        "weight": weight[safe],
        "dry_weight": weight_n_per_m(pipes)[safe],
        "mass": (pipes.density * area)[safe],
        "pipe_limit": tension[safe],
        "allowable": np.minimum(tension[safe], machine),
    }
    table = pd.DataFrame({name: np.where(known, value, np.nan) for name, value in numbers.items()})
    return table.assign(
        pipe=pipe,
        carrier=np.where(known, pipes.name[safe].astype(object), ""),
        governed_by=np.where(tension[safe] <= machine, "pipe", "machine").astype(object),
    )


def pipe_rows(pipes: CarrierColumns, rows: IntArray) -> CarrierColumns:
    """Return these rows of the catalogue as columns."""
    return CarrierColumns(
        **{field.name: getattr(pipes, field.name)[rows] for field in dataclasses.fields(pipes)}
    )


def bend_limits(
    bends: pd.DataFrame, table: pd.DataFrame, pipes: CarrierColumns, brief: Brief
) -> FloatArray:
    """Return the tension each run's carrier may have where it is bent, N.

    The carrier takes the largest radius that passes; infinite where a bend lies in a pit.
    """
    run = bends["run"].to_numpy(dtype=np.int64)
    pipe = table["pipe"].to_numpy(dtype=np.int64)[run]
    radius = bends["passing_radius"].to_numpy(dtype=float)
    pulled = bends["passes"].to_numpy(dtype=bool) & (pipe >= 0) & np.isfinite(radius)
    limit = np.full(len(bends), np.inf)
    if pulled.any():
        limit[pulled] = brief.pulls.force_share * tension_with_bending_n(
            pipe_rows(pipes, pipe[pulled]),
            radius[pulled],
            hours=brief.pulls.duration / 3600,
            temperature_c=brief.carrier.temperature,
        )
    return limit


def hydraulic_columns(table: pd.DataFrame) -> pd.DataFrame:
    """Return what the smaller bore does to each run at its design flow.

    Columns: ``capacity_ratio``, ``head_before``, ``head_after`` (m over the run), ``velocity``
    (m/s); NaN where the carrier or the flow is not known.
    """
    bore = table["carrier_bore"].to_numpy(dtype=float)
    known = np.isfinite(bore)
    flow = table["flow"].to_numpy(dtype=float)
    result = before_and_after(
        np.where(np.isfinite(flow), flow, 0.0),
        table["length"].to_numpy(dtype=float),
        host_bore_m=table["bore"].to_numpy(dtype=float),
        host_c=table["host_c"].to_numpy(dtype=float),
        carrier_bore_m=np.where(known, bore, 0.1),
        carrier_c=CARRIER_C,
    )
    flowing = known & np.isfinite(flow)
    return pd.DataFrame(
        {
            "capacity_ratio": np.where(known, result.capacity_ratio, np.nan),
            "head_before": np.where(flowing, result.head_before_m, np.nan),
            "head_after": np.where(flowing, result.head_after_m, np.nan),
            "velocity": np.where(flowing, result.velocity_after, np.nan),
        }
    )
