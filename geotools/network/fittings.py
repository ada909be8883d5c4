"""Fittings: which of those on record make a bend or end a run, and what is told of the others."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.columns import Lines, Points
from geotools.intake.findings import Findings
from geotools.network.measured import Polylines
from geotools.network.pieces import TOUCH
from geotools.network.places import Places
from geotools.network.ragged import BoolArray, FloatArray
from geotools.network.runs import Chains, alike
from geotools.pipe.fittings import fitting_kind
from geotools.schema import quantity_text

__all__ = ["Fitted", "fit_onto", "report_fittings"]
# Added to what is told of kinds nobody knows.
MAY_END = " If they are caps, at which a run should end, write that: cap."


@dataclass(frozen=True)
class Fitted:
    """Fittings on runs, and what each is.

    Attributes
    ----------
    on : DataFrame
        As `locate_on_runs` gives it: ``point``, ``run``, ``chainage``, ``offset``.
    kind : ndarray of str objects, shape (n,)
        In lower case.
    angle, diameter : ndarray, shape (n,)
        As recorded, rad and m; NaN where not.
    host : ndarray, shape (n,)
        Diameter of the main there, m; at a joint of two that which is nearer the fitting's own.
    bend : ndarray of bool, shape (n,)
        Makes a bend of its angle: called one, or of a kind nobody knows; never without an angle.
    cap : ndarray of bool, shape (n,)
        Ends a run.
    unknown : ndarray of bool, shape (n,)
        Of a kind nobody knows.
    misfit : ndarray of bool, shape (n,)
        Would be a bend or a cap, but of a main of another diameter.
    """

    on: pd.DataFrame
    kind: npt.NDArray[np.object_]
    angle: FloatArray
    diameter: FloatArray
    host: FloatArray
    bend: BoolArray
    cap: BoolArray
    unknown: BoolArray
    misfit: BoolArray


def fit_onto(
    fittings: Points | None, on: pd.DataFrame, chains: Chains, mains: Lines, *, tolerance: float
) -> Fitted:
    """Say what each fitting on a run is.

    Parameters
    ----------
    fittings : Points or None
    on : DataFrame
        Where they lie on the runs, as `locate_on_runs` gives it.
    chains : Chains
    mains : Lines
    tolerance : float
        Share by which the diameters of a fitting and its main may differ.
    """
    point = on["point"].to_numpy(dtype=np.int64)
    if fittings is None:
        kind, angle, diameter = np.zeros(0, dtype=object), np.zeros(0), np.zeros(0)
    else:
        words = fittings.table["kind"].fillna("").astype(str).str.strip()
        kind = words.to_numpy(dtype=object)[point]
        angle, diameter = (
            fittings.table[name].to_numpy(dtype=float)[point] for name in ("angle", "diameter")
        )
    said = np.array([fitting_kind(str(words)) for words in kind], dtype=np.str_)
    kind = np.array([str(words).casefold() for words in kind], dtype=object)
    known = said != ""
    host = _host(on, chains, mains, diameter)
    fits = np.isnan(diameter) | alike(diameter, host, tolerance)
    bend = ((said == "bend") | ~known) & (np.nan_to_num(angle) > 0)
    cap = said == "cap"
    return Fitted(
        on, kind, angle, diameter, host, bend & fits, cap & fits, ~known, (bend | cap) & ~fits
    )


def _host(on: pd.DataFrame, chains: Chains, mains: Lines, own: FloatArray) -> FloatArray:
    """Return the diameter, m, of the mains at places on runs.

    A fitting on a joint of two, as a reducer or a bend there, may be on record with either
    diameter: it is of the main that is nearer its ``own``, m, of the larger where that says
    nothing.
    """
    pieces = chains.pieces
    starts = Places.of(pieces["run"].to_numpy(), pieces["start"].to_numpy(dtype=float), len(chains))
    run, at = on["run"].to_numpy(dtype=np.int64), on["chainage"].to_numpy(dtype=float)
    line, diameter = pieces["line"].to_numpy(), mains.table["diameter"].to_numpy(dtype=float)
    sizes = [diameter[line[row]] for row in starts.beside(run, at, touch=TOUCH)]
    small, large = np.minimum(*sizes), np.maximum(*sizes)
    nearer = np.abs(small - own) < np.abs(large - own)
    return np.asarray(np.where(nearer, small, large), dtype=np.float64)


def report_fittings(
    fittings: Points | None, fitted: Fitted, others: Polylines, reach: float, findings: Findings
) -> None:
    """Report fittings off every main, of another size than their main, and of unknown kinds.

    ``others`` are the mains that belong to no run; ``reach``, m, is how far a fitting may lie off.
    """
    if fittings is None or not len(fittings):
        return
    left = np.setdiff1d(np.arange(len(fittings)), fitted.on["point"].to_numpy(dtype=np.int64))
    near = others.within(fittings.xy[left], reach).point
    off = np.delete(left, np.unique(near))
    names = fittings.table["feature"].to_numpy(dtype=object)
    findings.add_points(
        "warning",
        "fitting-off-main",
        f"the fitting is more than {findings.length(reach)} from every main and is left out: it "
        "makes no bend and ends no run; move it onto its main, or raise bends.fitting_reach",
        layer="fittings",
        features=names[off],
        xy=fittings.xy[off],
    )
    _report_misfits(fittings, names, fitted, findings)
    _report_kinds(fitted, findings)


def _report_misfits(
    fittings: Points, names: npt.NDArray[np.object_], fitted: Fitted, findings: Findings
) -> None:
    rows = np.flatnonzero(fitted.misfit)
    point, first = np.unique(fitted.on["point"].to_numpy(dtype=np.int64)[rows], return_index=True)
    sizes: Iterable[tuple[float, float]] = zip(
        fitted.diameter[rows[first]], fitted.host[rows[first]], strict=True
    )
    said = [tuple(quantity_text(d, "bore", findings.system, 0) for d in pair) for pair in sizes]
    findings.add_points(
        "warning",
        "fitting-of-other-size",
        [
            f"the fitting is on record with {own}, the main there with {main}: it makes no bend of "
            "this main and ends no run. Correct its diameter, or move it onto its own main."
            for own, main in said
        ],
        layer="fittings",
        features=names[point],
        xy=fittings.xy[point],
    )


def _report_kinds(fitted: Fitted, findings: Findings) -> None:
    """Report, by kind, fittings on runs of a kind that is not known."""
    one = ~fitted.on["point"].duplicated().to_numpy(dtype=np.bool_) & fitted.unknown
    for severity, chosen, done in (
        (
            "warning",
            one & fitted.bend,
            "taken as bends, for they have an angle on record. Correct the kind, or take the angle "
            f"out if they are none.{MAY_END}",
        ),
        (
            "info",
            one & ~(np.nan_to_num(fitted.angle) > 0),
            "left out, for they have no angle on record; if they are bends, the drawing tells how "
            f"far they turn.{MAY_END}",
        ),
    ):
        kinds, counts = np.unique(fitted.kind[chosen].astype(str), return_counts=True)
        for name, count in zip(kinds.tolist(), counts.tolist(), strict=True):
            findings.add(
                severity,
                "fitting-kind-unknown",
                f"{count} fittings on the runs are of a kind that is not known, {name!r}, and are "
                f"{done}",
                layer="fittings",
            )
