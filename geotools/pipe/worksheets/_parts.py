"""What a worksheet is made of: entries, steps, verdict and cautions."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from geotools.pipe.catalogue import Carrier

__all__ = [
    "GAUGE",
    "PLANNING",
    "QUANTITIES",
    "Entry",
    "Limit",
    "Step",
    "Worksheet",
    "entry",
    "pipe_entries",
    "step",
    "verdict",
]

# What a number is, and the SI unit it is given in. A printer picks the units it shows by the
# first: sizes of pipe in mm or in, lengths of ground in m or ft.
QUANTITIES: Mapping[str, str] = MappingProxyType(
    {
        "length": "m",
        "size": "m",
        "pressure": "Pa",
        "stress": "Pa",
        "force": "N",
        "line_load": "N/m",
        "angle": "rad",
        "volume": "m3",
        "liquid": "m3",
        "area": "m2",
        "flow": "m3/s",
        "velocity": "m/s",
        "head": "m",
        "density": "kg/m3",
        "hours": "h",
        "temperature": "C",
        "number": "",
        "share": "",
        "word": "",
    }
)
PLANNING = "Planning values only: local codes and licensed practice decide."
GAUGE = "Gauge the bore and pull a proving pig before the carrier is ordered."


@dataclass(frozen=True)
class Entry:
    """One named value of a worksheet.

    Attributes
    ----------
    name : str
        Symbol or short name.
    value : float or str
        Number in SI, or a word.
    unit : str
        SI unit, empty for numbers and words.
    text : str
        What it means.
    quantity : str
        One of `QUANTITIES`.
    """

    name: str
    value: float | str
    unit: str
    text: str
    quantity: str


@dataclass(frozen=True)
class Step:
    """One step of a calculation.

    Attributes
    ----------
    symbol : str
        What is worked out.
    formula : str
        How, in text.
    value : float
        Number in SI.
    unit : str
        SI unit.
    source : str
        Where the formula or the limit comes from.
    quantity : str
        One of `QUANTITIES`.
    formula_us : str
        The formula with the constants for US units, where they differ.
    """

    symbol: str
    formula: str
    value: float
    unit: str
    source: str
    quantity: str
    formula_us: str = ""


@dataclass(frozen=True)
class Limit:
    """What was held against what, and whether it kept to it; ``broken`` is said where it did not.

    Without ``broken`` the text says both.
    """

    kept: bool
    text: str
    broken: str = ""


@dataclass(frozen=True)
class Worksheet:
    """A hand calculation.

    Attributes
    ----------
    title : str
        What is worked out.
    inputs : tuple of Entry
        What was given or assumed.
    steps : tuple of Step
        In order.
    results : tuple of Entry
        The answer.
    passes : bool or None
        Whether the limits of the sheet are kept; None where it has none.
    cautions : tuple of str
        What to mind.
    """

    title: str
    inputs: tuple[Entry, ...]
    steps: tuple[Step, ...]
    results: tuple[Entry, ...]
    passes: bool | None
    cautions: tuple[str, ...]


def entry(name: str, value: ArrayLike | str, quantity: str, text: str) -> Entry:
    """Return a value in the unit of its quantity."""
    shown = value if isinstance(value, str) else float(np.asarray(value))
    return Entry(name, shown, QUANTITIES[quantity], text, quantity)


def step(
    symbol: str, formula: str, value: ArrayLike, quantity: str, source: str, us: str = ""
) -> Step:
    """Return a step; ``us`` is the formula with its constants for US units."""
    number = float(np.asarray(value))
    return Step(symbol, formula, number, QUANTITIES[quantity], source, quantity, us)


def verdict(*limits: Limit) -> Entry:
    """Return the last result: the limits that are not kept, or all where all are."""
    broken = [limit.broken or limit.text for limit in limits if not limit.kept]
    said = broken or [limit.text for limit in limits]
    return entry("verdict", "fails" if broken else "passes", "word", "; ".join(said))


def pipe_entries(pipe: Carrier) -> tuple[Entry, ...]:
    """Return name and sizes of the carrier."""
    return (
        entry("carrier", pipe.name, "word", "carrier pipe"),
        entry("OD", pipe.outside_m, "size", "outside diameter"),
        entry("t", pipe.wall_min_m, "size", "minimum wall"),
        entry("d", pipe.bore_m, "size", "average bore"),
    )
