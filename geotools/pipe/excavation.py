"""Slopes, volumes and safety limits of a pit."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe._tables import rows
from geotools.pipe.factors import FOOT, to_si
from geotools.pipe.ranges import FloatArray, check_choice, check_range

__all__ = [
    "DEEPEST_M",
    "EGRESS_DEPTH_M",
    "ENGINEER_DEPTH_M",
    "PROTECTION_DEPTH_M",
    "SOILS",
    "egress_count",
    "end_volume_m3",
    "needs_engineer",
    "needs_protection",
    "pit_volume_m3",
    "ramp_volume_m3",
    "slope_ratio",
    "top_size_m",
]

SOILS = ("rock", "A", "B", "C", "A_short_term")
EGRESS_DEPTH_M = 4.0 * FOOT
EGRESS_REACH_M = 25.0 * FOOT
PROTECTION_DEPTH_M = 5.0 * FOOT
ENGINEER_DEPTH_M = 20.0 * FOOT
DEEPEST_M = 50.0  # of what is asked of; judgement, no source


def slope_ratio(soil: str, depth_m: ArrayLike) -> FloatArray:
    """Horizontal run per unit of height a side must be laid back to.

    Parameters
    ----------
    soil : {"rock", "A", "B", "C", "A_short_term"}
        Soil class. A pit over an old main is in disturbed ground: never A, so B or C.
    depth_m : array_like
        Depth of the pit, m; to 20 ft (12 ft for A_short_term).

    Returns
    -------
    ndarray of float
        m, horizontal to one vertical.

    Raises
    ------
    RangeError
        If the soil is unknown or the pit deeper than the table: an engineer designs it.

    Notes
    -----
    29 CFR 1926 Subpart P, App. B Table B-1: rock 0, A 3/4, B 1, C 1 1/2; A short-term 1/2. Other
    countries differ.
    """
    check_choice("soil", soil, SOILS)
    row = next(row for row in rows("slopes") if row["soil"] == soil)
    deepest = to_si(float(row["depth_up_to"]), row["unit"])
    depth = check_range("depth_m", depth_m, 0.0, deepest, "m")
    return np.asarray(float(row["horizontal_per_vertical"]) + 0.0 * depth, dtype=np.float64)


def top_size_m(bottom_m: ArrayLike, depth_m: ArrayLike, slope: ArrayLike) -> FloatArray:
    """Width, or length, at the ground of a pit both of whose sides, or ends, are laid back.

    Parameters
    ----------
    bottom_m, depth_m : array_like
        At the bottom, b, and depth, H, m. All arguments broadcast; not-a-number stays so.
    slope : array_like
        Horizontal to one vertical, m.

    Returns
    -------
    ndarray of float
        b + 2 m H, m; compare with the street.
    """
    lean = np.asarray(slope, dtype=np.float64) * np.asarray(depth_m, dtype=np.float64)
    return np.asarray(np.asarray(bottom_m) + 2.0 * lean, dtype=np.float64)


def end_volume_m3(width_m: ArrayLike, depth_m: ArrayLike, slope: ArrayLike) -> FloatArray:
    """Volume behind an end of a pit laid back as its sides are, its two corners with it.

    Parameters
    ----------
    width_m, depth_m : array_like
        Width at the bottom, b, and depth of that end, h, m. All arguments broadcast; not-a-number
        stays so.
    slope : array_like
        Of the end and the sides beside it, horizontal to one vertical, m; 0 where it is upright.

    Returns
    -------
    ndarray of float
        m b h^2/2 and in the corners (2/3) m^2 h^3, m3.

    Notes
    -----
    Derived: a wedge, and two corners each a third of a prism of m h by m h by h.
    """
    width, depth, lean = (np.asarray(each, dtype=np.float64) for each in (width_m, depth_m, slope))
    return np.asarray(lean * width * depth**2 / 2.0 + 2.0 / 3.0 * lean**2 * depth**3)


def pit_volume_m3(
    width_m: ArrayLike,
    length_m: ArrayLike,
    first_depth_m: ArrayLike,
    last_depth_m: ArrayLike,
    *,
    slope: ArrayLike = 0.0,
    first_leans: ArrayLike = True,
    last_leans: ArrayLike = True,
) -> FloatArray:
    """Volume of a pit whose depth changes evenly from one end to the other, its sides laid back.

    Parameters
    ----------
    width_m, length_m : array_like
        At the bottom, b and l, m. All arguments broadcast; not-a-number stays so.
    first_depth_m, last_depth_m : array_like
        Depths at the two ends, h1 and h2, m.
    slope : array_like, optional
        Sides, horizontal to one vertical, m.
    first_leans, last_leans : array_like of bool, optional
        Ends laid back as the sides are; an end where a trench goes straight on has no face.

    Returns
    -------
    ndarray of float
        Volume in place, m3.

    Notes
    -----
    b l (h1 + h2)/2, along the sides m l (h1^2 + h1 h2 + h2^2)/3, at each end that leans what
    `end_volume_m3` gives. Derived; with h1 = h2 = H the prismoidal formula
    H (b l + m H (b + l) + 4/3 m^2 H^2).
    """
    width, length, first, last, lean = (
        np.asarray(each, dtype=np.float64)
        for each in (width_m, length_m, first_depth_m, last_depth_m, slope)
    )
    sides = lean * length * (first**2 + first * last + last**2) / 3.0
    for depth, leans in ((first, first_leans), (last, last_leans)):
        end = lean * np.asarray(leans, dtype=np.float64)
        sides = sides + end_volume_m3(width, depth, end)
    return np.asarray(width * length * (first + last) / 2.0 + sides, dtype=np.float64)


def ramp_volume_m3(
    distance_m: ArrayLike, depth_m: ArrayLike, width_m: ArrayLike, *, slope: ArrayLike = 0.0
) -> FloatArray:
    """Volume of a trench whose depth changes along it, such as the ramp of an insertion pit.

    Parameters
    ----------
    distance_m : array_like
        Stations along the last axis, m, rising.
    depth_m : array_like
        Depth at each station, m; 0 to 50.
    width_m : array_like
        Bottom width, m; one per trench (last axis of length one) or per station.
    slope : array_like, optional
        Sides, horizontal to one vertical; 0 to 5. The two ends are cut upright.

    Returns
    -------
    ndarray of float
        Volume in place, m3, one per trench.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the stations do not rise.

    Notes
    -----
    Between two stations the depth is a straight line and the section d (b + m d), integrated
    exactly by Simpson's rule.
    """
    along = check_range("distance_m", distance_m, -1e6, 1e6, "m")
    steps = check_range("steps of distance_m", np.diff(along, axis=-1), 0.0, 1e6, "m")
    depth = check_range("depth_m", depth_m, 0.0, DEEPEST_M, "m")
    width = check_range("width_m", width_m, 0.0, 1e3, "m")
    back = check_range("slope", slope, 0.0, 5.0, "")
    width, depth, _ = np.broadcast_arrays(width, depth, along)

    def section(b: FloatArray, d: FloatArray) -> FloatArray:
        return np.asarray(d * (b + back * d), dtype=np.float64)

    middle = section(
        np.asarray((width[..., 1:] + width[..., :-1]) / 2.0),
        np.asarray((depth[..., 1:] + depth[..., :-1]) / 2.0),
    )
    ends = section(width, depth)
    slices = steps / 6.0 * (ends[..., 1:] + ends[..., :-1] + 4.0 * middle)
    return np.asarray(np.sum(slices, axis=-1), dtype=np.float64)


def egress_count(length_m: ArrayLike, depth_m: ArrayLike) -> NDArray[np.int64]:
    """Ladders or ramps a pit needs.

    Parameters
    ----------
    length_m, depth_m : array_like
        Size of the pit, m.

    Returns
    -------
    ndarray of int
        Count; 0 where the pit is shallower than 4 ft.

    Raises
    ------
    RangeError
        If an argument lies outside its range.

    Notes
    -----
    29 CFR 1926.651(c)(2): from 4 ft deep, within 25 ft of lateral travel, so one per 50 ft.
    """
    length = check_range("length_m", length_m, 0.0, 1e4, "m")
    depth = check_range("depth_m", depth_m, 0.0, DEEPEST_M, "m")
    count = np.maximum(np.ceil(length / (2.0 * EGRESS_REACH_M) - 1e-9), 1.0)
    return np.asarray(np.where(depth >= EGRESS_DEPTH_M - 1e-9, count, 0.0), dtype=np.int64)


def needs_protection(depth_m: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether a pit must be sloped, shored or shielded for its depth alone.

    Parameters
    ----------
    depth_m : array_like
        Depth, m; 0 to 50.

    Returns
    -------
    ndarray of bool
        True from 5 ft; shallower pits too, unless a competent person finds no sign of cave-in.

    Raises
    ------
    RangeError
        If the depth lies outside its range.

    Notes
    -----
    29 CFR 1926.652(a)(1).
    """
    return np.asarray(
        check_range("depth_m", depth_m, 0.0, DEEPEST_M, "m") >= PROTECTION_DEPTH_M - 1e-9
    )


def needs_engineer(depth_m: ArrayLike) -> NDArray[np.bool_]:
    """Tell whether a registered professional engineer must design the support.

    Parameters
    ----------
    depth_m : array_like
        Depth, m; 0 to 50.

    Returns
    -------
    ndarray of bool
        True below 20 ft.

    Raises
    ------
    RangeError
        If the depth lies outside its range.

    Notes
    -----
    29 CFR 1926 Subpart P, App. B and F.
    """
    return np.asarray(
        check_range("depth_m", depth_m, 0.0, DEEPEST_M, "m") > ENGINEER_DEPTH_M + 1e-9
    )
