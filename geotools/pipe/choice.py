"""Which carriers suit which runs, and which rule refuses the others."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe.catalogue import CarrierColumns
from geotools.pipe.defaults import RATED_C
from geotools.pipe.external import collapse_pressure_pa, groundwater_pressure_pa
from geotools.pipe.fit import fit
from geotools.pipe.hydraulics import (
    capacity_ratio,
    flow_velocity_m_per_s,
    hazen_williams_head_loss_m,
)
from geotools.pipe.materials import is_polyethylene
from geotools.pipe.pressure import check_pressure, highest_temperature_c, surge_pressure_pa
from geotools.pipe.ranges import FloatArray, RangeError, check_range, within

__all__ = [
    "ACCEPTED",
    "CHOICE_RULES",
    "Choice",
    "Criteria",
    "RunColumns",
    "choose",
    "occasional_surge_pa",
]

# In the order they are told: of a pipe too small for the flow, the surge of that flow is no news.
CHOICE_RULES = ("fit", "flow", "pressure", "collapse")
ACCEPTED = -1
_CELLS_AT_ONCE = 2_000_000
_MOST_SURGE_PA = 1e7  # Pa; no class comes near, and `check_pressure` asks for no more
_BoolMatrix = NDArray[np.bool_]


@dataclass(frozen=True)
class RunColumns:
    """What the choice must know of the runs, one element per run.

    Attributes
    ----------
    host_low_m : array_like
        Low bore of the host, m; of a run its narrowest main's.
    host_centre_m : array_like
        Bore of the host for the flow, m; of a run of several mains that of one pipe, with
        `host_c`, that loses as much head as they do together (`hydraulics.in_series`).
    host_c : array_like
        Hazen-Williams C of the host.
    working_pa : array_like
        Working pressure, Pa.
    temperature_c : array_like
        Highest water temperature, C.
    groundwater_head_m : array_like
        Water table above the invert, m.
    design_flow_m3_per_s : array_like
        Flow wanted, m3/s; not-a-number where it is not known.
    """

    host_low_m: ArrayLike
    host_centre_m: ArrayLike
    host_c: ArrayLike
    working_pa: ArrayLike
    temperature_c: ArrayLike = RATED_C
    groundwater_head_m: ArrayLike = 0.0
    design_flow_m3_per_s: ArrayLike = np.nan


@dataclass(frozen=True)
class Criteria:
    """Limits of the choice; their defaults stand in the brief and nowhere else.

    Attributes
    ----------
    fit_rule : str
        One of `fit.RULES`.
    clearance_share, clearance_total_m, clearance_gap_m : float
        As `share`, `total_m` and `gap_m` of `fit.fit`.
    bead_m : float or ndarray of float
        Height of the outer bead, m; may be one per carrier.
    recurring_velocity_m_per_s, occasional_velocity_m_per_s : float
        Velocity changes the surges are reckoned from, m/s; the occasional one at least the
        velocity at the design flow, see `occasional_surge_pa`.
    recurring_cycles : float
        As of `pressure.check_pressure`.
    ovality, collapse_safety, collapse_hours, grout_factor : float
        As `ovality`, `safety`, `hours` and `grout_factor` of `external.collapse_pressure_pa`.
    carrier_c : float
        Hazen-Williams C of the carrier.
    least_capacity_ratio : float
        Where the design flow is not known: least flow after over flow before, equal gradient.
        It stands in for that flow and is not asked beside it: a main laid too large may give up
        capacity, and the flow wanted is what decides.
    highest_velocity_m_per_s, highest_gradient : float
        Where it is known: most velocity, m/s, and head lost per length, m/m, at that flow.
        Common practice, no source.
    """

    fit_rule: str
    clearance_share: float
    clearance_total_m: float
    clearance_gap_m: float
    bead_m: float | FloatArray
    recurring_velocity_m_per_s: float
    occasional_velocity_m_per_s: float
    recurring_cycles: float
    ovality: float
    collapse_safety: float
    collapse_hours: float
    grout_factor: float
    carrier_c: float
    least_capacity_ratio: float
    highest_velocity_m_per_s: float
    highest_gradient: float


@dataclass(frozen=True)
class Choice:
    """Verdicts, matrices of runs x carriers.

    Attributes
    ----------
    fit, flow, pressure, collapse : ndarray of bool
        The carrier keeps that rule in that run.
    suits : ndarray of bool
        It keeps all four.
    refused_by : ndarray of int8
        Place in `CHOICE_RULES` of the first rule broken, `ACCEPTED` where none is.
    """

    fit: _BoolMatrix
    flow: _BoolMatrix
    pressure: _BoolMatrix
    collapse: _BoolMatrix
    suits: _BoolMatrix
    refused_by: NDArray[np.int8]


@dataclass(frozen=True)
class _Runs:
    """The columns of `RunColumns` as float arrays of shape (runs, 1)."""

    host_low_m: FloatArray
    host_centre_m: FloatArray
    host_c: FloatArray
    working_pa: FloatArray
    temperature_c: FloatArray
    groundwater_head_m: FloatArray
    design_flow_m3_per_s: FloatArray


def occasional_surge_pa(
    pipes: CarrierColumns,
    flow_m3_per_s: ArrayLike,
    *,
    least_m_per_s: ArrayLike,
) -> FloatArray:
    """Rise, and fall, of the pressure when the flow in a carrier stops at once.

    Parameters
    ----------
    pipes : CarrierColumns
        Carriers; the other arguments broadcast with them.
    flow_m3_per_s : array_like
        Design flow, m3/s; not-a-number where it is not known.
    least_m_per_s : array_like
        Change of velocity to count with at least, m/s; 0 to 10.

    Returns
    -------
    ndarray of float
        Surge, Pa; at most 10 MPa, which no carrier holds.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    rho a V (`pressure.surge_pressure_pa`). A trip of the pumps or a valve that slams stops the
    flow that is there, so V is no less than the velocity at the design flow (AWWA M23, M55; from
    memory).
    """
    flow = np.asarray(flow_m3_per_s, dtype=np.float64)
    there = flow_velocity_m_per_s(np.where(np.isnan(flow), 0.0, flow), pipes.bore_m)
    least = surge_pressure_pa(pipes.material, pipes.dr, least_m_per_s)
    # it grows with the velocity, which in a pipe far too small is beyond what the formula asks for
    stopped = surge_pressure_pa(pipes.material, pipes.dr, 1.0) * there
    return np.asarray(np.minimum(np.maximum(least, stopped), _MOST_SURGE_PA), dtype=np.float64)


def _pressure(runs: _Runs, pipes: CarrierColumns, limits: Criteria) -> _BoolMatrix:
    """Material by material, so that words are compared once per run and not once per cell."""
    result = np.empty((runs.working_pa.shape[0], len(pipes)), dtype=np.bool_)
    seldom = occasional_surge_pa(
        pipes,
        runs.design_flow_m3_per_s,
        least_m_per_s=limits.occasional_velocity_m_per_s,
    )
    for material in np.unique(pipes.material):
        here = pipes.material == material
        word, dr = str(material), pipes.dr[here]
        most = highest_temperature_c(word)
        cool = within(runs.temperature_c, most)
        result[:, here] = (
            cool
            & check_pressure(
                word,
                dr,
                runs.working_pa,
                recurring_surge_pa=surge_pressure_pa(word, dr, limits.recurring_velocity_m_per_s),
                occasional_surge_pa=seldom[:, here],
                temperature_c=np.minimum(runs.temperature_c, most),
                recurring_cycles=limits.recurring_cycles,
            ).passes
        )
    return result


def _flow(runs: _Runs, pipes: CarrierColumns, limits: Criteria) -> _BoolMatrix:
    known = ~np.isnan(runs.design_flow_m3_per_s)
    flow = np.where(known, runs.design_flow_m3_per_s, 0.0)
    calm = within(flow_velocity_m_per_s(flow, pipes.bore_m), limits.highest_velocity_m_per_s)
    lost = hazen_williams_head_loss_m(flow, pipes.bore_m, limits.carrier_c, 1.0)
    ratio = capacity_ratio(runs.host_c, runs.host_centre_m, limits.carrier_c, pipes.bore_m)
    carries = calm & within(lost, limits.highest_gradient)
    return np.asarray(np.where(known, carries, within(limits.least_capacity_ratio, ratio)))


def _block(runs: _Runs, pipes: CarrierColumns, limits: Criteria) -> list[_BoolMatrix]:
    enters = fit(
        runs.host_low_m,
        pipes.outside_m,
        rule=limits.fit_rule,
        share=limits.clearance_share,
        total_m=limits.clearance_total_m,
        gap_m=limits.clearance_gap_m,
        bead_m=limits.bead_m,
    ).passes
    stands = collapse_pressure_pa(
        pipes.material,
        pipes.dr,
        hours=limits.collapse_hours,
        ovality=limits.ovality,
        safety=limits.collapse_safety,
        grout_factor=np.where(is_polyethylene(pipes.material), limits.grout_factor, 1.0),
        temperature_c=runs.temperature_c,
    )
    holds = within(groundwater_pressure_pa(runs.groundwater_head_m), stands)
    return [enters, _flow(runs, pipes, limits), _pressure(runs, pipes, limits), holds]


def _as_column(runs: RunColumns) -> _Runs:
    names = [field.name for field in fields(RunColumns)]
    columns = [np.atleast_1d(np.asarray(getattr(runs, name), dtype=float)) for name in names]
    sizes = {column.size for column in columns if column.size != 1}
    if len(sizes) > 1:
        raise RangeError("runs", sorted(sizes), "columns of one length")
    whole = np.broadcast_arrays(*columns)
    return _Runs(**{name: col[:, np.newaxis] for name, col in zip(names, whole, strict=True)})


def choose(runs: RunColumns, pipes: CarrierColumns, *, limits: Criteria) -> Choice:
    """Hold every carrier against every run.

    Parameters
    ----------
    runs : RunColumns
        The runs; single numbers count for all.
    pipes : CarrierColumns
        The carriers, from `catalogue.as_columns`.
    limits : Criteria
        Limits.

    Returns
    -------
    Choice
        Verdicts, runs x carriers.

    Raises
    ------
    RangeError
        If a value lies outside its range, or columns differ in length.

    Notes
    -----
    fit: low bore (`fit.fit`). pressure: working pressure and surges (`pressure.check_pressure`),
    the occasional one of no less than the design flow stopped, in water no warmer than
    the class is known for.
    collapse: empty carrier, as warm as the water was, under groundwater
    (`external.collapse_pressure_pa`). flow: at the
    design flow velocity and gradient keep their limits; where it is not known the carrier must
    carry what the host does at equal gradient (`hydraulics.capacity_ratio`). Worked in blocks of
    runs so that memory stays bounded whatever their number.
    """
    check_range("pipes (number of carriers)", len(pipes), 1, np.inf, "")
    whole = _as_column(runs)
    count = whole.host_low_m.shape[0]
    verdicts = np.empty((len(CHOICE_RULES), count, len(pipes)), dtype=np.bool_)
    step = max(_CELLS_AT_ONCE // len(pipes), 1)
    for start in range(0, count, step):
        part = slice(start, start + step)
        rows = _Runs(**{field.name: getattr(whole, field.name)[part] for field in fields(_Runs)})
        for rule, verdict in enumerate(_block(rows, pipes, limits)):
            verdicts[rule, part] = verdict
    suits = np.asarray(np.all(verdicts, axis=0), dtype=np.bool_)
    first = np.argmin(verdicts, axis=0).astype(np.int8)
    enters, carries, holds, stands = verdicts
    return Choice(
        fit=enters,
        flow=carries,
        pressure=holds,
        collapse=stands,
        suits=suits,
        refused_by=np.where(suits, ACCEPTED, first).astype(np.int8),
    )
