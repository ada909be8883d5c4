"""The criteria of a screening: what each measures, in what unit, and which way is good.

And those that plans are compared by. Listed here and nowhere else: the ranking's columns, the
marks and the words of the reasons are made from it. Weights and thresholds are settings
(``screening`` in the brief).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

__all__ = [
    "COMPARED",
    "CONSEQUENCE",
    "CRITERIA",
    "LIKELIHOOD",
    "NEED",
    "SIDES",
    "SUITABILITY",
    "Compared",
    "Criterion",
]

NEED, SUITABILITY = "need", "suitability"
SIDES = LIKELIHOOD, CONSEQUENCE = "likelihood", "consequence"  # of need


@dataclass(frozen=True)
class Criterion:
    """One criterion of a screening.

    Attributes
    ----------
    name : str
        Name of the value's column; ``<name>_limit`` and ``<name>_verdict`` go with it.
    group : str
        ``need`` or ``suitability``.
    dimension : str or None
        Of value and limit, a key of `geotools.schema.DIMENSIONS`; None for plain numbers.
    rising : bool
        A higher value gets the higher mark.
    text : str
        What it measures.
    says : str
        The same in a reason, before the value.
    digits : int
        Digits shown after the decimal point.
    share : bool
        A share, told in per cent.
    least : float
        Least value there is, which is no need: what is not on record counts as that.
    later : bool
        It came in after the first screenings were written; see `schema.Field`.
    side : str
        Of need: whether it tells of the likelihood of a failure, or of its consequence.
    """

    name: str
    group: str
    dimension: str | None
    rising: bool
    text: str
    says: str
    digits: int = 1
    share: bool = False
    least: float = 0.0
    later: bool = False
    side: str = ""


CRITERIA: tuple[Criterion, ...] = (
    Criterion(
        "age",
        NEED,
        None,
        True,
        "years since it was laid, mean by length",
        "age",
        0,
        side=LIKELIHOOD,
    ),
    Criterion(
        "breaks",
        NEED,
        "per_length",
        True,
        "breaks per length, all those of the period on record",
        "breaks",
        side=LIKELIHOOD,
    ),
    Criterion(
        "leakage", NEED, "leakage", True, "leakage per length", "leakage", 2, side=LIKELIHOOD
    ),
    Criterion(
        "criticality",
        NEED,
        None,
        True,
        "consequence of a failure on record, 1 to 5, mean by length",
        "consequence of a failure, of 5",
        least=1.0,
        side=CONSEQUENCE,
    ),
    Criterion(
        "critical_services",
        NEED,
        None,
        True,
        "services along it whose customers may not lose water",
        "services that may not lose water",
        0,
        side=CONSEQUENCE,
    ),
    Criterion(
        "fit",
        SUITABILITY,
        None,
        True,
        "clearance the carrier leaves, as a share of the bore of the old main",
        "clearance the carrier leaves in the bore",
        share=True,
    ),
    Criterion(
        "pressure",
        SUITABILITY,
        None,
        False,
        "working pressure or surge over what the carrier may bear, the worst",
        "pressure over what the carrier may bear",
        share=True,
    ),
    Criterion(
        "collapse",
        SUITABILITY,
        None,
        False,
        "groundwater over what the empty carrier stands",
        "groundwater over what the empty carrier stands",
        share=True,
    ),
    Criterion(
        "hydraulics",
        SUITABILITY,
        None,
        True,
        "flow the lined main carries over the flow wanted",
        "flow carried over flow wanted",
        2,
    ),
    Criterion("run_length", SUITABILITY, "length", True, "length of the run", "length of the run"),
    Criterion(
        "bends",
        SUITABILITY,
        "per_length",
        False,
        "bends the carrier does not pass, per length",
        "bends the carrier does not pass",
    ),
    Criterion(
        "connections",
        SUITABILITY,
        "per_length",
        False,
        "services, hydrants, tees and line valves to dig up, per length",
        "services, hydrants, tees and valves to dig up",
    ),
    Criterion(
        "depth",
        SUITABILITY,
        "length",
        False,
        "ground to invert, mean along the run",
        "mean depth to invert",
    ),
    Criterion(
        "steepness",
        SUITABILITY,
        None,
        False,
        "rise of the ground over the steepest pit a run needs: at its ends, at what must lie in a "
        "pit, and where no pull reaches past",
        "steepness of the ground where a pit must stand",
        share=True,
        later=True,
    ),
    Criterion(
        "laydown",
        SUITABILITY,
        "length",
        True,
        "room for a string: as long as a quarter of the places along the run have it or more",
        "room to lay a string out",
    ),
    Criterion(
        "pits",
        SUITABILITY,
        "per_length",
        False,
        "pits beyond the two every run has at its ends, per length: quick estimate, as if a pit "
        "could lie wherever it is wanted, but for the ends, where intersections and room for "
        "strings are looked at",
        "pits beyond the two at its ends (quick estimate)",
    ),
)


class Compared(NamedTuple):
    """A figure plans are compared by: whether more of it is better, and what differs at all.

    ``step`` is in SI: plans whose figures round to the same multiple of it are alike in it. Below
    it lies what no estimate or survey tells apart; common practice, no source.
    """

    rising: bool
    step: float


# Columns of `comparison`. A shorter longest pull needs less force and less room. Where a design
# flow is on record, head and capacity rank carriers alike; where none is, capacity still does.
COMPARED: dict[str, Compared] = {
    "cost": Compared(False, 1.0),
    "pit_count": Compared(False, 1.0),
    "longest_pull": Compared(False, 1.0),
    "lane_days": Compared(False, 0.1),
    "head_after": Compared(False, 0.1),
    "capacity_ratio": Compared(True, 0.01),
}
