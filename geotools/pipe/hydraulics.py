"""Flow and head lost in the host before and in the carrier after."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe._tables import rows
from geotools.pipe.defaults import MAX_VELOCITY_M_PER_S
from geotools.pipe.factors import GRAVITY
from geotools.pipe.ranges import FloatArray, check_choice, check_range, within

__all__ = [
    "BORE_RANGE",
    "CARRIER_C",
    "CARRIER_ROUGHNESS_M",
    "C_RANGE",
    "FLOW_RANGE",
    "HW_FASTEST",
    "LINING_CLASSES",
    "TURBULENT",
    "BeforeAfter",
    "CBand",
    "aged_c",
    "before_and_after",
    "capacity_ratio",
    "colebrook_head_loss_m",
    "flow_velocity_m_per_s",
    "friction_factor",
    "hazen_williams_flow_m3_per_s",
    "hazen_williams_head_loss_m",
    "host_lining_class",
    "in_series",
    "regression_c",
    "reynolds",
    "velocity_within",
]

BORE_RANGE = (0.05, 5.0)  # m
C_RANGE = (20.0, 165.0)  # Hazen-Williams
FLOW_RANGE = (0.0, 50.0)  # m3/s
CARRIER_C = 150.0
CARRIER_ROUGHNESS_M = 1.5e-6
TURBULENT = 4000.0  # least Reynolds number of turbulent flow
HW_FASTEST = 3.0  # m/s; Hazen and Williams' formula is for slower water
LINING_CLASSES = ("unlined", "lined", "cement", "concrete", "plastic")
_HW = 10.67
_HW_Q, _HW_D = 1.852, 4.8704
_WATER_15_C = (999.1, 1.1375e-3)  # kg/m3, Pa s
_NEWTON_STEPS = 8


@dataclass(frozen=True)
class CBand:
    """Hazen-Williams C with its uncertainty, arrays of one shape.

    Attributes
    ----------
    low, central, high : ndarray of float
        C; a field test of C beats all of them.
    """

    low: FloatArray
    central: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class BeforeAfter:
    """A run at its flow before and after lining, arrays of one shape.

    Attributes
    ----------
    head_before_m, head_after_m : ndarray of float
        Head lost over the run, m.
    velocity_before, velocity_after : ndarray of float
        m/s.
    capacity_ratio : ndarray of float
        Flow after over flow before at equal gradient.
    """

    head_before_m: FloatArray
    head_after_m: FloatArray
    velocity_before: FloatArray
    velocity_after: FloatArray
    capacity_ratio: FloatArray


def _check_bore(name: str, bore_m: ArrayLike) -> FloatArray:
    return check_range(name, bore_m, *BORE_RANGE, "m")


def _check_c(name: str, c: ArrayLike) -> FloatArray:
    return check_range(name, c, *C_RANGE, "(Hazen-Williams C)")


def hazen_williams_head_loss_m(
    flow_m3_per_s: ArrayLike, bore_m: ArrayLike, c: ArrayLike, length_m: ArrayLike
) -> FloatArray:
    """Head lost to friction by Hazen and Williams.

    Parameters
    ----------
    flow_m3_per_s : array_like
        Flow, m3/s; 0 to 50. All arguments broadcast.
    bore_m : array_like
        Inside diameter, m; 0.05 to 5.
    c : array_like
        Hazen-Williams C; 20 to 165.
    length_m : array_like
        Length, m.

    Returns
    -------
    ndarray of float
        Head, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    h = 10.67 L Q^1.852/(C^1.852 d^4.8704). Turbulent water of about 5 to 25 C, above 50 mm,
    below 3 m/s. The US form is h(ft) = 10.44 L Q(gpm)^1.852/(C^1.852 d(in)^4.8704).
    """
    flow = check_range("flow_m3_per_s", flow_m3_per_s, *FLOW_RANGE, "m3/s")
    bore = _check_bore("bore_m", bore_m)
    length = check_range("length_m", length_m, 0.0, 1e7, "m")
    slope = _HW * (flow / _check_c("c", c)) ** _HW_Q / bore**_HW_D
    return np.asarray(slope * length, dtype=np.float64)


def hazen_williams_flow_m3_per_s(
    gradient: ArrayLike, bore_m: ArrayLike, c: ArrayLike
) -> FloatArray:
    """Flow at a hydraulic gradient, the same formula turned round.

    Parameters
    ----------
    gradient : array_like
        Head lost per length, m/m; 0 to 1. All arguments broadcast.
    bore_m : array_like
        Inside diameter, m; 0.05 to 5.
    c : array_like
        Hazen-Williams C; 20 to 165.

    Returns
    -------
    ndarray of float
        Flow, m3/s.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    Often printed as Q = 0.2785 C d^2.63 S^0.54.
    """
    slope = check_range("gradient", gradient, 0.0, 1.0, "m/m")
    bore = _check_bore("bore_m", bore_m)
    return np.asarray(
        _check_c("c", c) * (slope * bore**_HW_D / _HW) ** (1.0 / _HW_Q), dtype=np.float64
    )


def capacity_ratio(
    c_before: ArrayLike, bore_before_m: ArrayLike, c_after: ArrayLike, bore_after_m: ArrayLike
) -> FloatArray:
    """Flow after over flow before at equal gradient, (C2/C1)(d2/d1)^2.63.

    Parameters
    ----------
    c_before, c_after : array_like
        Hazen-Williams C; 20 to 165. All arguments broadcast.
    bore_before_m, bore_after_m : array_like
        Inside diameters, m; 0.05 to 5. If C was measured on a tuberculated bore, give that bore:
        tubercles count once.

    Returns
    -------
    ndarray of float
        Ratio.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    The exponent is 4.8704/1.852, usually printed as 2.63.
    """
    before = _check_bore("bore_before_m", bore_before_m)
    after = _check_bore("bore_after_m", bore_after_m)
    smooth = _check_c("c_after", c_after) / _check_c("c_before", c_before)
    return np.asarray(smooth * (after / before) ** (_HW_D / _HW_Q), dtype=np.float64)


def flow_velocity_m_per_s(flow_m3_per_s: ArrayLike, bore_m: ArrayLike) -> FloatArray:
    """Mean velocity of a flow in a full bore.

    Parameters
    ----------
    flow_m3_per_s : array_like
        Flow, m3/s; 0 to 50.
    bore_m : array_like
        Inside diameter, m; 0.05 to 5.

    Returns
    -------
    ndarray of float
        Velocity, m/s.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    flow = check_range("flow_m3_per_s", flow_m3_per_s, *FLOW_RANGE, "m3/s")
    return np.asarray(flow / (np.pi / 4.0 * _check_bore("bore_m", bore_m) ** 2))


def velocity_within(
    velocity: ArrayLike, *, highest: ArrayLike = MAX_VELOCITY_M_PER_S
) -> NDArray[np.bool_]:
    """Tell whether a velocity keeps within its limit.

    Parameters
    ----------
    velocity : array_like
        m/s.
    highest : array_like, optional
        Limit, m/s; the default is common practice, no source.

    Returns
    -------
    ndarray of bool
        True where it does.

    Raises
    ------
    RangeError
        If an argument lies outside 0 to 100 m/s.
    """
    speed = check_range("velocity", velocity, 0.0, 100.0, "m/s")
    most = check_range("highest", highest, 0.0, 100.0, "m/s")
    return np.asarray(within(speed, most), dtype=np.bool_)


def reynolds(
    flow_m3_per_s: ArrayLike,
    bore_m: ArrayLike,
    *,
    density: ArrayLike = _WATER_15_C[0],
    viscosity: ArrayLike = _WATER_15_C[1],
) -> FloatArray:
    """Reynolds number of a full bore.

    Parameters
    ----------
    flow_m3_per_s, bore_m : array_like
        m3/s and m.
    density, viscosity : array_like, optional
        Of water, kg/m3 and Pa s; 15 C by default.

    Returns
    -------
    ndarray of float
        Re.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    rho = check_range("density", density, 900.0, 1100.0, "kg/m3")
    mu = check_range("viscosity", viscosity, 1e-4, 1e-2, "Pa s")
    return np.asarray(
        rho * flow_velocity_m_per_s(flow_m3_per_s, bore_m) * np.asarray(bore_m) / mu,
        dtype=np.float64,
    )


def friction_factor(reynolds_number: ArrayLike, relative_roughness: ArrayLike) -> FloatArray:
    """Darcy friction factor by Colebrook and White.

    Parameters
    ----------
    reynolds_number : array_like
        Re; 4000 to 1e9.
    relative_roughness : array_like
        Roughness over bore; 0 to 0.1.

    Returns
    -------
    ndarray of float
        f.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    1/sqrt f = -2 log10(e/3.7 D + 2.51/(Re sqrt f)), solved by Newton's method to the last digits
    from an explicit first guess.
    """
    re = check_range("reynolds_number", reynolds_number, TURBULENT, 1e9, "")
    rough = check_range("relative_roughness", relative_roughness, 0.0, 0.1, "") / 3.7
    x = -1.8 * np.log10(rough**1.11 + 6.9 / re)
    for _ in range(_NEWTON_STEPS):
        inner = rough + 2.51 * x / re
        miss = x + 2.0 * np.log10(inner)
        x = x - miss / (1.0 + 2.0 / np.log(10.0) * (2.51 / re) / inner)
    return np.asarray(x**-2.0, dtype=np.float64)


def colebrook_head_loss_m(
    flow_m3_per_s: ArrayLike,
    bore_m: ArrayLike,
    roughness_m: ArrayLike,
    length_m: ArrayLike,
    *,
    density: ArrayLike = _WATER_15_C[0],
    viscosity: ArrayLike = _WATER_15_C[1],
) -> FloatArray:
    """Head lost to friction by Darcy with Colebrook's factor, f (L/D) V^2/2g.

    Parameters
    ----------
    flow_m3_per_s : array_like
        Flow, m3/s; Re of 4000 and more. All arguments broadcast.
    bore_m : array_like
        Inside diameter, m; 0.05 to 5.
    roughness_m : array_like
        Roughness, m: plastics 1.5e-6, new bare iron 0.25e-3, aged iron 1e-3 to 5e-3.
    length_m : array_like
        Length, m.
    density, viscosity : array_like, optional
        Of water, kg/m3 and Pa s; 15 C by default.

    Returns
    -------
    ndarray of float
        Head, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the flow is not turbulent.
    """
    bore = _check_bore("bore_m", bore_m)
    rough = check_range("roughness_m", roughness_m, 0.0, 0.05, "m")
    length = check_range("length_m", length_m, 0.0, 1e7, "m")
    re = reynolds(flow_m3_per_s, bore, density=density, viscosity=viscosity)
    speed = flow_velocity_m_per_s(flow_m3_per_s, bore)
    factor = friction_factor(re, rough / bore)
    return np.asarray(factor * length / bore * speed**2 / (2.0 * GRAVITY), dtype=np.float64)


def in_series(
    run: NDArray[np.int64], length_m: FloatArray, *, bore_m: FloatArray, c: FloatArray, runs: int
) -> tuple[FloatArray, FloatArray]:
    """One bore and one C for each run of mains one after another.

    Parameters
    ----------
    run : ndarray of int
        The run of each main.
    length_m, bore_m, c : ndarray of float
        Length, bore, m, and Hazen-Williams C of each main.
    runs : int
        How many runs there are.

    Returns
    -------
    bore_m, c : ndarray of float
        Of each run, within those of its mains; not-a-number where it has none. A main of its
        length with these loses the head its mains lose together at any flow.

    Raises
    ------
    RangeError
        If a bore or a C lies outside its range.

    Notes
    -----
    Heads add up: sum of L/(C^1.852 d^4.8704). C is the mean of the power -1.852 by length, the
    bore that of the power -4.8704 by L/C^1.852, so that the sum is kept.
    """
    rough = _check_c("c", c) ** -_HW_Q
    narrow = _check_bore("bore_m", bore_m) ** -_HW_D
    length = np.maximum(length_m, 1e-6)  # m; a main without length has a bore and a C all the same
    length_of, rough_of, lost = (
        np.bincount(run, weights, minlength=runs)
        for weights in (length, length * rough, length * rough * narrow)
    )
    with np.errstate(invalid="ignore"):
        mean_c = (rough_of / length_of) ** (-1.0 / _HW_Q)
        mean_bore = (lost / rough_of) ** (-1.0 / _HW_D)
    # a mean lies within its values but for the last digit; of values alike it is the value
    return _within(mean_bore, run, bore_m), _within(mean_c, run, c)


def _within(mean: FloatArray, run: NDArray[np.int64], values: FloatArray) -> FloatArray:
    """Keep the mean of each run within its values."""
    low, high = np.full(mean.shape, np.inf), np.full(mean.shape, -np.inf)
    np.minimum.at(low, run, values)
    np.maximum.at(high, run, values)
    return np.asarray(np.clip(mean, low, high), dtype=np.float64)


@cache
def _c_table(lining: str) -> tuple[FloatArray, FloatArray]:
    table = [row for row in rows("aged_c") if row["lining"] == lining]
    ages = np.array([float(row["age"]) for row in table])
    return ages, np.array(
        [[float(row[part]) for row in table] for part in ("low", "central", "high")]
    )


def host_lining_class(
    kind: str | NDArray[np.str_], lined: bool | NDArray[np.bool_]
) -> NDArray[np.str_]:
    """Name the surface water runs on, for `aged_c`.

    Parameters
    ----------
    kind : str or ndarray of str
        Of `host.KINDS`.
    lined : bool or ndarray of bool
        Iron or steel has a cement lining.

    Returns
    -------
    ndarray of str
        One of `LINING_CLASSES`; not known counts as bare iron.
    """
    kinds, skin = np.broadcast_arrays(np.asarray(kind, dtype=np.str_), np.asarray(lined))
    metal = np.where(skin, "lined", "unlined")
    named = np.where(kinds == "asbestos_cement", "cement", metal)
    named = np.where(kinds == "concrete", "concrete", named)
    return np.asarray(np.where(np.isin(kinds, ("pvc", "pe")), "plastic", named), dtype=np.str_)


def aged_c(lining_class: str | NDArray[np.str_], age_years: ArrayLike) -> CBand:
    """Hazen-Williams C of a host by surface and age.

    Parameters
    ----------
    lining_class : str or ndarray of str
        One of `LINING_CLASSES`; broadcasts with `age_years`.
    age_years : array_like
        Years since laid; 0 to 200, held after 100.

    Returns
    -------
    CBand
        Low, central and high C.

    Raises
    ------
    RangeError
        If an age lies outside its range or a class is unknown.

    Notes
    -----
    Bare iron: 130, 110, 93, 84, 74, 68 at 0 to 50 years, between an engineering sheet, a textbook
    and the 1920 ranges (from memory); the band follows those ranges. See ``data/aged_c.csv``.
    """
    age = check_range("age_years", age_years, 0.0, 200.0, "years")
    words, age = np.broadcast_arrays(np.asarray(lining_class, dtype=np.str_), age)
    result = np.empty((3, *age.shape))
    for word in np.unique(words):
        ages, values = _c_table(check_choice("lining_class", str(word), LINING_CLASSES))
        here = words == word
        for part in range(3):
            result[part, here] = np.interp(age[here], ages, values[part])
    return CBand(result[0], result[1], result[2])


def regression_c(
    bore_m: ArrayLike,
    age_years: ArrayLike,
    *,
    growth_m_per_year: ArrayLike = 0.2e-3,
    first_roughness_m: ArrayLike = 0.18e-3,
) -> FloatArray:
    """C of bare iron by bore, age and the water's habit of growing tubercles.

    Parameters
    ----------
    bore_m : array_like
        Inside diameter, m; 0.05 to 5. All arguments broadcast.
    age_years : array_like
        0 to 200.
    growth_m_per_year : array_like, optional
        Growth of roughness, m a year; 0 to 2e-3 (0.066e-3 to 0.95e-3 is reported).
    first_roughness_m : array_like, optional
        Roughness when new, m; 1e-5 to 1e-2.

    Returns
    -------
    ndarray of float
        C; the 95 % band is about 15 either way.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    C = 18.0 - 37.2 log10((e0 + a t)/D), an agency's technical report of 1988; formula from
    memory, band and r2 of 0.87 seen.
    """
    bore = _check_bore("bore_m", bore_m)
    age = check_range("age_years", age_years, 0.0, 200.0, "years")
    growth = check_range("growth_m_per_year", growth_m_per_year, 0.0, 2e-3, "m/year")
    first = check_range("first_roughness_m", first_roughness_m, 1e-5, 1e-2, "m")
    return np.asarray(18.0 - 37.2 * np.log10((first + growth * age) / bore), dtype=np.float64)


def before_and_after(
    flow_m3_per_s: ArrayLike,
    length_m: ArrayLike,
    *,
    host_bore_m: ArrayLike,
    host_c: ArrayLike,
    carrier_bore_m: ArrayLike,
    carrier_c: ArrayLike = CARRIER_C,
) -> BeforeAfter:
    """Compare a run before and after lining at one flow.

    Parameters
    ----------
    flow_m3_per_s, length_m : array_like
        Flow, m3/s, and length of the run, m. All arguments broadcast.
    host_bore_m, host_c : array_like
        Bore (centre estimate), m, and Hazen-Williams C of the host.
    carrier_bore_m, carrier_c : array_like
        The same for the carrier; C 150 for plastics (PPI sheet of July 2015, textbook).

    Returns
    -------
    BeforeAfter
        Head, velocity and capacity.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    return BeforeAfter(
        hazen_williams_head_loss_m(flow_m3_per_s, host_bore_m, host_c, length_m),
        hazen_williams_head_loss_m(flow_m3_per_s, carrier_bore_m, carrier_c, length_m),
        flow_velocity_m_per_s(flow_m3_per_s, host_bore_m),
        flow_velocity_m_per_s(flow_m3_per_s, carrier_bore_m),
        capacity_ratio(host_c, host_bore_m, carrier_c, carrier_bore_m),
    )
