"""Records of need on the mains along the runs, measured over runs, mains or stretches of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geotools.brief import Brief
from geotools.criteria import CRITERIA, NEED, Criterion
from geotools.intake.columns import Layers
from geotools.layout.shared import Shared
from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray, line_lengths
from geotools.screening.breaks import Breaks, breaks_of
from geotools.screening.condition import mean_along, per_length, share_known
from geotools.screening.scores import SLACK, add_up, marks

__all__ = [
    "NEEDS_OF_RECORDS",
    "NeedsRule",
    "Records",
    "filled",
    "gather",
    "least_of",
    "need_thresholds",
    "needs_rule",
]

NEEDS_OF_RECORDS = tuple(criterion for criterion in CRITERIA if criterion.group == NEED)
OF = 5.0  # top of the scale criticality is ranked on, from 1 on


@dataclass(frozen=True)
class Records:
    """What is on record of every piece of main along the runs, in their order.

    Attributes
    ----------
    run, line : ndarray of int64
        Run and main of each piece.
    start, length, whole : ndarray
        Chainage, length and that of the main it is of, m.
    age, leakage, criticality : ndarray
        Of its main, NaN where the records are silent; leakage is of the whole main.
    breaks : Breaks
    services : ndarray
        Services on the piece that may not lose water; NaN where no lateral says.
    least_known : float
        Share of a length that must be on record for a value.
    """

    run: IntArray
    line: IntArray
    start: FloatArray
    length: FloatArray
    whole: FloatArray
    age: FloatArray
    breaks: Breaks
    leakage: FloatArray
    criticality: FloatArray
    services: FloatArray
    least_known: float

    def measure(
        self, group: IntArray, count: int, *, rows: IntArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """Return the criteria of need of groups of pieces, and the share of length on record.

        Parameters
        ----------
        group : ndarray of int64
            Group of each piece, or of each of ``rows``.
        count : int
            Groups there are.
        rows : ndarray of int64, optional
            Pieces, a row for each group they are of; all once if left out.

        Returns
        -------
        tuple of ndarray, shape (count, c)
            In the order of `NEEDS_OF_RECORDS`.
        """
        at = np.arange(len(self.run)) if rows is None else rows
        length, whole, least = self.length[at], self.whole[at], self.least_known
        age, breaks, leakage, criticality = (
            each[at] for each in (self.age, self.breaks.per_m, self.leakage, self.criticality)
        )
        value = {
            "age": mean_along(group, length, age, count, least_known=least),
            "breaks": mean_along(group, length, breaks, count, least_known=least),
            "leakage": per_length(group, length, whole, leakage, count, least_known=least),
            "criticality": mean_along(group, length, criticality, count, least_known=least),
            "critical_services": np.bincount(group, self.services[at], minlength=count),
        }
        if np.isnan(self.services).any():
            value["critical_services"] = np.full(count, np.nan)
        records = zip(value, (age, breaks, leakage, criticality), strict=False)
        known = {name: share_known(group, length, each, count) for name, each in records}
        known["critical_services"] = np.ones(count)
        values, shares = (
            np.stack([each[c.name] for c in NEEDS_OF_RECORDS], axis=1) for each in (value, known)
        )
        return values, np.where(np.isnan(values), 0.0, shares)


@dataclass(frozen=True)
class NeedsRule:
    """How criteria of need become a score: thresholds, weights, and the mark of what is unknown."""

    none_at: FloatArray
    full_at: FloatArray
    weight: FloatArray
    unknown: float

    def scores(self, value: FloatArray, known: FloatArray) -> FloatArray:
        """Return need by criteria as measured and their share of length on record, (n, c)."""
        rising = np.ones(value.shape[1], dtype=bool)
        recorded = filled(value, known, least_of(NEEDS_OF_RECORDS))
        none_at, full_at = (np.broadcast_to(e, value.shape) for e in (self.none_at, self.full_at))
        mark = marks(recorded, none_at, full_at, rising)
        return add_up(mark, self.weight, unknown=self.unknown)


def needs_rule(brief: Brief) -> NeedsRule:
    """Return the rule of need of a brief."""
    ends = np.array([need_thresholds(criterion, brief) for criterion in NEEDS_OF_RECORDS])
    weight = [getattr(brief.screening, f"{c.name}_weight") for c in NEEDS_OF_RECORDS]
    return NeedsRule(ends[:, 0], ends[:, 1], np.array(weight), brief.screening.unknown_need)


def need_thresholds(criterion: Criterion, brief: Brief) -> tuple[float, float]:
    """Return the values of a criterion of need with no mark and with the full one."""
    full = float(getattr(brief.screening, f"{criterion.name}_limit"))
    return min(float(getattr(brief.screening, f"{criterion.name}_from")), full), full


def least_of(criteria: tuple[Criterion, ...]) -> FloatArray:
    """Return the least value there is of criteria, as what is not on record counts."""
    return np.array([criterion.least for criterion in criteria])


def filled(value: FloatArray, known: FloatArray, rest: FloatArray) -> FloatArray:
    """Return values over a whole length: what is known by its share of it, else ``rest``."""
    return np.asarray(value * known + (1 - known) * rest, dtype=np.float64)


def gather(ground: Shared) -> Records:
    """Gather the records along the runs."""
    criticality = _criticality(ground.layers, ground.brief)
    mains, pieces = ground.layers.mains, ground.runs.chains.pieces
    run, line = (pieces[c].to_numpy(dtype=np.int64) for c in ("run", "line"))
    start = pieces["start"].to_numpy(dtype=float)

    def record(name: str) -> FloatArray:
        return np.asarray(mains.table[name].to_numpy(dtype=np.float64)[line])

    return Records(
        run=run,
        line=line,
        start=start,
        length=pieces["end"].to_numpy(dtype=float) - start,
        whole=line_lengths(mains.xy, mains.offsets)[line],
        age=np.maximum(ground.brief.service.year - record("installed"), 0.0),
        breaks=breaks_of(ground),
        leakage=record("leakage"),
        criticality=criticality[line],
        services=_services(ground, run, start),
        least_known=ground.brief.screening.least_known,
    )


def _services(ground: Shared, run: IntArray, start: FloatArray) -> FloatArray:
    """Return the services on every piece whose customers may not lose water."""
    laterals = ground.layers.laterals
    critical = np.zeros(0) if laterals is None else laterals.table["critical"].to_numpy(dtype=float)
    if not np.isfinite(critical).any():
        return np.full(len(run), np.nan)
    on = ground.runs.laterals
    of = on["run"].to_numpy(dtype=np.int64)
    places = Places.of(run, start, len(ground.runs.table))
    after = places.search(of, on["chainage"].to_numpy(dtype=float), "right")
    piece = np.maximum(after - 1, places.offsets[of])
    weight = np.nan_to_num(critical[on["point"].to_numpy(dtype=np.int64)]) > 0
    return np.bincount(piece, weight, minlength=len(run)).astype(np.float64)


def _criticality(layers: Layers, brief: Brief) -> FloatArray:
    """Return the consequence of a failure of every main, 1 to 5; NaN where the records are silent.

    Of no main where one is beyond the top of the scale: the scale is then another, and without its
    upper part the mains that matter most would rank lowest.
    """
    values = layers.mains.table["criticality"].to_numpy(dtype=np.float64)
    top = brief.screening.criticality_scale
    beyond = np.nan_to_num(values) > top * (1 + SLACK)
    if not beyond.any():
        _tell_low(layers, values, top)
        return values if top == OF else 1 + (values - 1) * (OF - 1) / (top - 1)
    highest = float(np.nanmax(values))
    layers.findings.add(
        "warning",
        "criticality-scale",
        f"criticality is above {top:g} on {beyond.sum():,} of {np.isfinite(values).sum():,} mains "
        f"that have one, up to {highest:g}: its scale does not end at {top:g}, and the "
        "whole column is left out, for the mains that matter most would else rank lowest; say "
        "where the scale ends (screening.criticality_scale), or correct what is above",
        layer="mains",
        feature=min(layers.mains.table.loc[values == highest, "main_id"].astype(str)),
        field="criticality",
    )
    return np.full(len(values), np.nan)


def _tell_low(layers: Layers, values: FloatArray, top: float) -> None:
    """Say that no main is above the middle of the scale, which may then be another."""
    known = values[np.isfinite(values)]
    if not len(known) or known.max() > (1 + top) / 2 * (1 + SLACK):
        return
    highest = float(known.max())
    advice = (
        f"if its scale ends there, say so (screening.criticality_scale={highest:g}), or no main "
        "has the full mark; if it does not, leave it so"
        if highest > 1
        else "the same of all mains, it sets none before another"
    )
    layers.findings.add(
        "info",
        "criticality-low",
        f"criticality is at most {highest:g} on all {len(known):,} mains that have one, of a scale "
        f"from 1 to {top:g} (screening.criticality_scale); {advice}",
        layer="mains",
        field="criticality",
    )
