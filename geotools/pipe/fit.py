"""Whether a carrier clears the host, and by which rule."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geotools.pipe import bounds
from geotools.pipe.defaults import SHARE_OF_BORE
from geotools.pipe.factors import INCH
from geotools.pipe.ranges import FloatArray, check_choice, check_range, within

__all__ = [
    "GAP_M",
    "LARGE_BORE_M",
    "RULES",
    "TOTAL_M",
    "Fit",
    "clearance_m",
    "fit",
    "largest_outside_m",
]

RULES = ("share_of_bore", "share_or_total", "radial_gap")
LARGE_BORE_M = 24.0 * INCH
TOTAL_M = 2.0 * INCH
GAP_M = 0.010


@dataclass(frozen=True)
class Fit:
    """Answer of `fit`, arrays of one shape.

    Attributes
    ----------
    passes : ndarray of bool
        The carrier meets the rule.
    clearance_m : ndarray of float
        Host bore less the outside diameter at the joints, m; below zero it does not enter.
    share : ndarray of float
        Clearance over host bore.
    required_m : ndarray of float
        Clearance the rule asks for, m.
    rule : str
        The rule used.
    """

    passes: NDArray[np.bool_]
    clearance_m: FloatArray
    share: FloatArray
    required_m: FloatArray
    rule: str


def clearance_m(
    host_bore_m: ArrayLike, outside_m: ArrayLike, *, bead_m: ArrayLike = 0.0
) -> FloatArray:
    """Diametral clearance between host and carrier at a joint.

    Parameters
    ----------
    host_bore_m : array_like
        Inside diameter of the host, its low estimate, m; above 0 to 10.
    outside_m : array_like
        Outside diameter of the carrier's barrel, m; above 0 to 3.
    bead_m : array_like, optional
        Height of the outer fusion bead over the barrel, m; 0 if it is cut off. 0 to 0.1.

    Returns
    -------
    ndarray of float
        Clearance, m; negative where the carrier does not enter.

    Raises
    ------
    RangeError
        If an argument lies outside its range.
    """
    bore = check_range("host_bore_m", host_bore_m, 0.0, 10.0, "m", above_low=True)
    outside = check_range("outside_m", outside_m, 0.0, 3.0, "m", above_low=True)
    bead = check_range("bead_m", bead_m, *bounds.BEAD_M, "m")
    return np.asarray(bore - outside - 2.0 * bead, dtype=np.float64)


def _required_m(
    bore: FloatArray, rule: str, share: ArrayLike, total_m: ArrayLike, gap_m: ArrayLike
) -> FloatArray:
    check_choice("rule", rule, RULES)
    part = check_range("share", share, *bounds.SHARE_OF_BORE, "of the host bore") * bore
    total = check_range("total_m", total_m, 0.0, 1.0, "m")
    gap = check_range("gap_m", gap_m, *bounds.GAP_M, "m")
    if rule == "radial_gap":
        return np.asarray(2.0 * gap + 0.0 * bore, dtype=np.float64)
    if rule == "share_or_total":
        return np.asarray(np.where(bore > LARGE_BORE_M, np.minimum(part, total), part))
    return np.asarray(part, dtype=np.float64)


def largest_outside_m(
    host_bore_m: ArrayLike,
    *,
    rule: str = "share_of_bore",
    share: ArrayLike = SHARE_OF_BORE,
    bead_m: ArrayLike = 0.0,
) -> FloatArray:
    """Largest outside diameter the rule lets into the host, with `TOTAL_M` and `GAP_M`.

    Parameters
    ----------
    host_bore_m, rule, share, bead_m
        As for `fit`.

    Returns
    -------
    ndarray of float
        Outside diameter of the barrel, m.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the rule is unknown.
    """
    bore = check_range("host_bore_m", host_bore_m, 0.0, 10.0, "m", above_low=True)
    bead = check_range("bead_m", bead_m, *bounds.BEAD_M, "m")
    room = _required_m(bore, rule, share, TOTAL_M, GAP_M)
    return np.asarray(bore - room - 2.0 * bead, dtype=np.float64)


def fit(
    host_bore_m: ArrayLike,
    outside_m: ArrayLike,
    *,
    rule: str = "share_of_bore",
    share: ArrayLike = SHARE_OF_BORE,
    total_m: ArrayLike = TOTAL_M,
    gap_m: ArrayLike = GAP_M,
    bead_m: ArrayLike = 0.0,
) -> Fit:
    """Judge whether a carrier clears the host.

    Parameters
    ----------
    host_bore_m : array_like
        Inside diameter of the host, its low estimate, m. All arguments broadcast.
    outside_m : array_like
        Outside diameter of the carrier's barrel, m.
    rule : str, optional
        share_of_bore: clearance at least `share` of the bore. share_or_total: the same, but in
        hosts above 24 in `total_m` is enough. radial_gap: at least `gap_m` all round.
    share : array_like, optional
        0 to 0.5.
    total_m, gap_m : array_like, optional
        m.
    bead_m : array_like, optional
        Height of the outer fusion bead, m: the joint governs, not the barrel.

    Returns
    -------
    Fit
        Verdict, clearance and the rule used.

    Raises
    ------
    RangeError
        If an argument lies outside its range, or the rule is unknown.

    Notes
    -----
    Carrier at most 0.90 of the bore, 2 in enough above about 24 in: PPI Handbook ch. 11, AWWA
    M28, ASTM F585 (written for sewers, used for pressure mains by analogy), from memory. About
    10 mm radial gap: PE100+ Association page on sliplining. A proving pig of the carrier's
    diameter is pulled first in any case.
    """
    gap = clearance_m(host_bore_m, outside_m, bead_m=bead_m)
    bore = np.asarray(host_bore_m, dtype=np.float64)
    required = _required_m(bore, rule, share, total_m, gap_m)
    passes = within(bore - gap, bore - required)  # by sizes: a clearance of 0 has no share of it
    shares = np.asarray(gap / bore, dtype=np.float64)
    return Fit(passes, gap, shares, required, rule)
