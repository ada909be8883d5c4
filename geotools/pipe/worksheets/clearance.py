"""Whether the carrier clears the host, and passes its bends."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe import bending
from geotools.pipe import fit as fitting
from geotools.pipe.catalogue import Carrier
from geotools.pipe.factors import INCH
from geotools.pipe.ranges import within
from geotools.pipe.worksheets._parts import (
    GAUGE,
    PLANNING,
    Limit,
    Step,
    Worksheet,
    entry,
    pipe_entries,
    step,
    verdict,
)

__all__ = ["bend_sheet", "fit_sheet", "least_radius_step"]

_SHARE = "PPI Handbook ch. 11, AWWA M28, ASTM F585; from memory"
_GAP = "PE100+ Association page on sliplining"


def fit_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    rule: str,
    share: float,
    bead_m: float,
) -> Worksheet:
    """Work out whether a carrier clears the host: its clearance against a rule.

    Parameters
    ----------
    pipe : Carrier
    host_bore_m : float
        Low bore of the host, m.
    rule, share, bead_m
        As for `fit.fit`.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    found = fitting.fit(host_bore_m, pipe.outside_m, rule=rule, share=share, bead_m=bead_m)
    largest = fitting.largest_outside_m(host_bore_m, rule=rule, share=share, bead_m=bead_m)
    (wanted, us), source = _rule_text(rule, share), _GAP if rule == "radial_gap" else _SHARE
    return Worksheet(
        title="Fit of the carrier in the host",
        inputs=(
            *pipe_entries(pipe),
            entry("ID", host_bore_m, "size", "bore of the host"),
            entry("b", bead_m, "size", "height of the outer bead"),
            entry("rule", rule, "word", "clearance rule"),
        ),
        steps=(
            step("c", "ID - OD - 2 b", found.clearance_m, "size", "geometry at the joint"),
            step("c/ID", "share of the bore that stays free", found.share, "share", "geometry"),
            step("c needed", wanted, found.required_m, "size", source, us),
            step("OD most", "ID - c needed - 2 b", largest, "size", "the same rule"),
        ),
        results=(
            entry("c", found.clearance_m, "size", "clearance on the diameter"),
            entry("c needed", found.required_m, "size", "clearance the rule asks for"),
            entry("OD most", largest, "size", "largest barrel the rule lets in"),
            verdict(Limit(bool(found.passes), "clearance against what the rule asks for")),
        ),
        passes=bool(found.passes),
        cautions=(GAUGE, PLANNING),
    )


def _rule_text(rule: str, share: float) -> tuple[str, str]:
    """Say what a clearance rule asks for, in metric and in US units."""
    if rule == "radial_gap":
        return f"twice {fitting.GAP_M * 1e3:g} mm", f"twice {fitting.GAP_M / INCH:.2g} in"
    part = f"{share:g} ID"
    if rule == "share_of_bore":
        return part, part
    text = "{}; in hosts above {:.0f} {} the less of that and {:.0f} {}"
    wide, total = fitting.LARGE_BORE_M, fitting.TOTAL_M
    return (
        text.format(part, wide * 1e3, "mm", total * 1e3, "mm"),
        text.format(part, wide / INCH, "in", total / INCH, "in"),
    )


def bend_sheet(
    *,
    pipe: Carrier,
    host_bore_m: float,
    deflection_rad: float,
    axis_radius_m: float,
    bead_m: float,
    temperature_c: float,
) -> Worksheet:
    """Work out whether a carrier passes a bend of the host: passing against least radius.

    Parameters
    ----------
    pipe : Carrier
    host_bore_m : float
        Low bore of the host, m.
    deflection_rad, axis_radius_m : float
        As for `bending.passing_radius_m`; radius 0 for a mitre.
    bead_m, temperature_c : float
        Height of the outer bead, m; temperature of the pipe wall, C.

    Raises
    ------
    RangeError
        If a value lies outside its range.
    """
    gap = fitting.clearance_m(host_bore_m, pipe.outside_m, bead_m=bead_m)
    widest = bending.passing_radius_m(deflection_rad, gap, axis_radius_m=axis_radius_m)
    least = bending.least_radius_m(
        pipe.material, pipe.dr, pipe.outside_m, temperature_c=temperature_c
    )
    stays = bending.permanent_radius_m(pipe.material, pipe.dr, pipe.outside_m)
    passes = bool(within(least, widest))
    return Worksheet(
        title="Carrier through a bend of the host",
        inputs=(
            *pipe_entries(pipe),
            entry("ID", host_bore_m, "size", "bore of the host"),
            entry("b", bead_m, "size", "height of the outer bead"),
            entry("q", deflection_rad, "angle", "deflection of the bend"),
            entry("Rh", axis_radius_m, "length", "radius of the host's axis, 0 for a mitre"),
            entry("T", temperature_c, "temperature", "temperature of the pipe wall"),
        ),
        steps=_bend_steps(pipe, gap, widest, least, mitre=axis_radius_m == 0.0),
        results=(
            entry("R", widest, "length", "largest carrier radius that passes"),
            entry("R least", least, "length", "least radius of the carrier"),
            entry("R service", stays, "length", "least radius it may be left at in service"),
            verdict(
                Limit(passes, "R against R least", "R against R least: the bend must lie in a pit")
            ),
        ),
        passes=passes,
        cautions=(GAUGE, PLANNING),
    )


def _bend_steps(
    pipe: Carrier, gap: ArrayLike, widest: ArrayLike, least: ArrayLike, *, mitre: bool
) -> tuple[Step, ...]:
    formula = (
        "c/(1 - cos(q/2))"
        if mitre
        else "Rh + (c/2)(1 + cos(q/2))/(1 - cos(q/2)), not less than the mitre"
    )
    strain = bending.bending_strain(pipe.outside_m, least)
    return (
        step("c", "ID - OD - 2 b", gap, "size", "geometry at the joint"),
        step("R", formula, widest, "length", "geometry"),
        least_radius_step(pipe, least),
        step("strain", "OD/(2 R least)", strain, "share", "geometry"),
    )


def least_radius_step(pipe: Carrier, radius: ArrayLike) -> Step:
    """Return the step that gives the least bending radius, m, of a carrier."""
    other = {
        "PVC": "E OD/(2 Sb), Sb 800 psi, wider in the cold; AWWA M23, C605; from memory",
        "PVC-U": "makers' manuals of metric pipe; wider in the cold, from memory",
    }
    source = other.get(
        pipe.material, "PPI Handbook ch. 7, AWWA M55, wider in the cold; from memory"
    )
    times = float(np.asarray(radius)) / pipe.outside_m
    return step("R least", f"{times:.4g} OD", radius, "length", source)
