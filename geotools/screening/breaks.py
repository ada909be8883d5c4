"""Breaks on the pieces of main along the runs: of the layer of breaks, else of the mains' field.

The layer is taken where both are given: it says where and when, and a count beside it is most often
made from it, at some earlier day. A main with no record in it has had no break.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from geotools.brief import Brief, Screening
from geotools.intake.columns import Layers, Points
from geotools.intake.findings import Findings
from geotools.layout.shared import Shared
from geotools.network.breaks import PlacedBreaks, place_breaks
from geotools.network.build import RunSet, node_mains
from geotools.network.mains import rank_of
from geotools.network.noding import Graph
from geotools.network.ragged import FloatArray, IntArray, line_lengths
from geotools.network.services import points_on_pieces

__all__ = ["Breaks", "break_columns", "breaks_of", "check_breaks"]


LONE_YEARS = 10  # without a break beside the first or last year on record: it may be no year
NO_PERIOD = (
    "no record is of a year from screening.breaks_since to screening.breaks_until, of which one is "
    "set: breaks a year are not told; set both, or neither"
)


@dataclass(frozen=True)
class Breaks:
    """Breaks on every piece of main along the runs, shape (p,).

    Attributes
    ----------
    per_m : ndarray
        Breaks on record, 1/m; NaN where nothing is known of them.
    dated : ndarray
        Those with a year within the period on record.
    watched : ndarray
        Length by the years of that period in which the main lay, m; 0 where there is no period.
    """

    per_m: FloatArray
    dated: FloatArray
    watched: FloatArray


def break_columns(breaks: Breaks, length: FloatArray, group: IntArray, count: int) -> pd.DataFrame:
    """Return breaks of groups of pieces: how many, and how many a length and year, 1/m.

    NaN where nothing is known of them, or not by the year.
    """
    there = np.isfinite(breaks.per_m)
    known = np.bincount(group, there, minlength=count) > 0
    number = np.bincount(group, np.where(there, breaks.per_m, 0.0) * length, minlength=count)
    dated, watched = (
        np.bincount(group, column, minlength=count) for column in (breaks.dated, breaks.watched)
    )
    yearly = dated / np.where(watched > 0, watched, np.nan)
    return pd.DataFrame(
        # digits of parts of mains added up again
        {"break_count": np.where(known, np.round(number, 9), np.nan), "breaks_yearly": yearly}
    )


def check_breaks(layers: Layers, brief: Brief) -> None:
    """Place the breaks of layers as a screening would, for what there is to find of them."""
    if layers.breaks is None:
        return
    apart = replace(layers, findings=Findings(brief.output.units))
    graph = node_mains(apart, brief.network, rank_of(layers.mains))
    _placed(layers.breaks, layers, graph, brief)


def breaks_of(ground: Shared) -> Breaks:
    """Return the breaks on the pieces of main along the runs."""
    layers, pieces = ground.layers, ground.runs.chains.pieces
    start = pieces["start"].to_numpy(dtype=float)
    length = pieces["end"].to_numpy(dtype=float) - start
    line = pieces["line"].to_numpy(dtype=np.int64)
    whole = line_lengths(layers.mains.xy, layers.mains.offsets)
    if layers.breaks is not None:
        placed = _placed(layers.breaks, layers, ground.runs.graph, ground.brief)
        if placed.known:
            return _of_layer(ground, placed, length, whole)
    total = layers.mains.table["breaks"].to_numpy(dtype=np.float64)[line]
    none = np.zeros(len(line))
    return Breaks(total / np.maximum(whole[line], 1e-12), none, none)


def _placed(breaks: Points, layers: Layers, graph: Graph, brief: Brief) -> PlacedBreaks:
    """Find the main of every record, and tell what there is to tell of the layer."""
    placed = place_breaks(
        breaks,
        layers,
        graph,
        brief.network,
        reach=brief.screening.break_reach,
        accuracy=brief.ground.survey_accuracy,
    )
    _tell_both(layers, placed)
    if placed.known:
        _tell_period(layers, placed, brief.screening)
    return placed


def _tell_both(layers: Layers, placed: PlacedBreaks) -> None:
    """Say which of layer and field is taken where there are both."""
    count = int(layers.mains.table["breaks"].notna().sum())
    if not placed.known:
        layers.findings.add(
            "warning",
            "breaks-not-used",
            "the main of none of its records is known, so that the layer says nothing of breaks; "
            + (
                f"the field breaks of {count:,} mains is taken instead"
                if count
                else "they are not known"
            ),
            layer="breaks",
        )
    elif count:
        layers.findings.add(
            "info",
            "breaks-of-layer",
            f"breaks are those of the layer breaks; the field breaks, which {count:,} mains have, "
            "is not used: the layer says where they were and when, and both may tell of the same",
            layer="mains",
            field="breaks",
        )


def _of_layer(
    ground: Shared, placed: PlacedBreaks, length: FloatArray, whole: FloatArray
) -> Breaks:
    """Return the breaks of the layer, by its records and the years of these."""
    since, until = _period(placed, ground.brief.screening)
    with np.errstate(invalid="ignore"):
        dated = (placed.year >= since) & (placed.year <= until)
    line = ground.runs.chains.pieces["line"].to_numpy(dtype=np.int64)
    laid = ground.layers.mains.table["installed"].to_numpy(dtype=np.float64)[line]
    years = np.maximum(until - np.fmax(since, laid) + 1, 0.0)
    every, of_period = (
        _on_pieces(ground.runs, placed, weight, length, whole)
        for weight in (placed.weight, placed.weight * dated)
    )
    return Breaks(every / np.maximum(length, 1e-12), of_period, length * np.nan_to_num(years))


def _on_pieces(
    runs: RunSet,
    placed: PlacedBreaks,
    weight: FloatArray,
    length: FloatArray,
    whole: FloatArray,
) -> FloatArray:
    """Return how many records, each by its weight, count on every piece of main along the runs.

    One without a place is spread over the main it names, by length.
    """
    line = runs.chains.pieces["line"].to_numpy(dtype=np.int64)
    point, piece, _, _ = points_on_pieces(placed.on, runs.graph, runs.chains)
    out = np.bincount(piece, weight[point], minlength=len(line))
    mains = int(placed.source.max(initial=-1)) + 1
    drawn = placed.whole >= 0
    counted = np.bincount(placed.whole[drawn], weight[drawn], minlength=mains)
    size = np.bincount(placed.source, whole, minlength=mains)
    share = counted / np.maximum(size, 1e-12)
    return np.asarray(out + length * share[placed.source[line]], dtype=np.float64)


def _period(placed: PlacedBreaks, screening: Screening) -> tuple[float, float]:
    """Return the first and the last year of record, both in it; NaN where there is none.

    Those of the brief, else of the first and the last record with a year, whatever main it is of:
    breaks were written down in all years between. One from before its main was laid does not count.
    """
    known = placed.year[np.isfinite(placed.year)]
    if not len(known):
        return np.nan, np.nan
    since = screening.breaks_since or int(known.min())
    until = screening.breaks_until or int(known.max())
    return (float(since), float(until)) if since <= until else (np.nan, np.nan)


def _tell_period(layers: Layers, placed: PlacedBreaks, screening: Screening) -> None:
    """Say over which years breaks a year are reckoned, and how many records are of others."""
    since, until = _period(placed, screening)
    if np.isnan(since):
        if np.isfinite(placed.year).any():
            layers.findings.add("warning", "breaks-period", NO_PERIOD, layer="breaks", field="year")
        return
    outside = int(((placed.year < since) | (placed.year > until)).sum())
    more = f"; {outside:,} records are of other years and not in it" if outside else ""
    lone = _lone_end(placed.year, since, until)
    layers.findings.add(
        "warning" if lone else "info",
        "breaks-period",
        f"breaks a year are reckoned over {since:.0f} to {until:.0f}, of each main from the year "
        "it was laid on (screening.breaks_since, screening.breaks_until; without these the years "
        f"of the first and the last record){more}{lone}",
        layer="breaks",
        field="year",
    )


def _lone_end(year: FloatArray, since: float, until: float) -> str:
    """Return what to say where no record is near the first of a period, or the last; else ""."""
    with np.errstate(invalid="ignore"):
        met = np.unique(year[(year >= since) & (year <= until)])
    if len(met) < 2 or (met[0], met[-1]) != (since, until):
        return ""
    gaps = {"breaks_since": (since, met[1] - since), "breaks_until": (until, until - met[-2])}
    return "".join(
        f"; {at:.0f} is {gap:.0f} years from the next: if it is mistyped, or written where no year "
        f"is known, the rate comes out too low: correct it, or set screening.{setting}"
        for setting, (at, gap) in gaps.items()
        if gap > LONE_YEARS
    )
