"""Limits of sense for numbers in the input: outside them a value is taken as missing."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotools.clock import this_year
from geotools.pipe.factors import GRAVITY, WATER_DENSITY
from geotools.pipe.hydraulics import BORE_RANGE, C_RANGE, FLOW_RANGE
from geotools.schema import YEARS, quantity_text

__all__ = [
    "FOREIGN",
    "LEAST_MAIN",
    "TOO_SMALL",
    "USUAL",
    "WHOLE_NUMBERS",
    "ZERO_IS_NONE",
    "Limit",
    "limit",
    "nines",
    "stand_for_unknown",
]


@dataclass(frozen=True)
class Limit:
    """Least and greatest value that makes sense, SI base units, and how to say it.

    Quantities have no text: they are said in the units asked for.
    """

    low: float
    high: float
    text: str = ""

    def said(self, dimension: str | None, system: str) -> str:
        """Return the limits in words, in the units of ``si`` or ``us``."""
        if self.text or dimension is None:
            return self.text
        low, high = (quantity_text(v, dimension, system, 0) for v in (self.low, self.high))
        return f"{low} to {high}"


# Services, fittings and mains; bores of hosts are known from 50 mm up, and smaller mains are none
# (network.min_diameter).
PIPE = Limit(0.010, 3.0)
BORE = Limit(BORE_RANGE[0], 4.0)
LEVEL = Limit(-500.0, 9000.0)
# All limits: common practice, no source.
LIMITS: dict[str, Limit] = {
    "diameter": PIPE,
    "bore": BORE,
    "cover": Limit(0.0, 50.0),
    "invert_start": LEVEL,
    "invert_end": LEVEL,
    "pressure": Limit(0.0, 6.3e6),  # PN 63, the highest class of steel mains that is usual
    "c_factor": Limit(*C_RANGE, "{:g} to {:g}".format(*C_RANGE)),
    "flow": Limit(*FLOW_RANGE),
    # of one main, not of a district, over the whole period on record: ten a year for a hundred
    # years; it would be long replaced
    "breaks": Limit(0.0, 1e3, "0 to 1,000"),
    "leakage": Limit(0.0, 1.0),  # of one main; more is the flow of a brook
    # a screening asks where its scale ends (screening.criticality_scale)
    "criticality": Limit(1.0, 1e6, "1 to 1,000,000"),
    "angle": Limit(0.0, math.pi + 1e-9, "0 to 180 degrees"),
    "ahead_deg": Limit(-360.0, 360.0, "-360 to 360 degrees"),
    "customers": Limit(0.0, 1e5, "0 to 100,000"),  # a town behind one connection
    "lanes": Limit(0.0, 30.0, "0 to 30"),
    "width": Limit(0.0, 200.0),
    "speed": Limit(0.0, 40.0),
    "weight": Limit(0.0, 1e6, "0 to 1,000,000"),
    "buffer": Limit(0.0, 1e3),
}
# Fields that count, and what is counted.
WHOLE_NUMBERS = {
    "breaks": "breaks are a count of each main over the whole period on record, not so many a "
    "length or a year"
}
# Records of which 0 is written where there is none: no main in service has it. A depth of 0 would
# leave out groundwater, a flow of 0 ask for no bore at all. Common practice, no source.
ZERO_IS_NONE = frozenset({"cover", "flow", "pressure"})
# Below which a record is as good as 0, SI base units. A flow of 0.01 L/s is a tenth of what a
# single tap draws: hydraulic models give less for dead ends, as what is left of their balance, and
# no main is designed for it. A pressure of 10 kPa is 1 m of water, at which a main does not even
# run full over a rise of its cover; records of less are in another unit, or a thousand cut short.
# Common practice, no source.
TOO_SMALL: dict[str, float] = {"flow": 1e-5, "pressure": 1e4}
# From where on nines alone (999, 9999, ...) stand for "not known" and are no value, SI base units:
# more than a sound record is likely to hold, though within the limits. Not here are fields whose
# sound values are as great (999 mm of bore, 999 kPa, a level of 999 m, 999 customers are below or
# have no entry), those whose limits keep every code out, and weights, of which 999 may be meant for
# "hardly ever" (`weights.py` asks). Each value is judged alone: a column read in part, as of a
# district, says no other. Common practice, no source.
NINES_FROM: dict[str, float] = {
    "cover": 9.0,
    "flow": 3.0,
    "breaks": 200.0,
    "leakage": 0.05,
    "criticality": 200.0,
    "customers": 1000.0,
    "width": 60.0,
    "buffer": 200.0,
}
LEAST_NINES, MOST_NINES = 3, 15  # digits; with more a number is not whole to the last
# Fewer nines, or with decimals, that stand for "not known" too, as written: a carriageway of 99 m
# is none, but of 99 ft there are some, which the limit above keeps.
FEW_NINES: dict[str, tuple[float, ...]] = {"width": (99.0, 99.9, 99.99)}
# Levels that are a code for "not known", as written, in whatever unit: mains lie so far below the
# sea in few places on earth, and nowhere to just such a number. Common practice, no source.
UNKNOWN_LEVELS = (-99.0, -999.0, -9999.0, -99999.0, 9999.0, 99999.0)
UNKNOWN = {"invert_start": UNKNOWN_LEVELS, "invert_end": UNKNOWN_LEVELS}
FIRST_YEAR = 1800
# Between which the median of a column of the mains lies, SI base units: below, its values are
# likely in another unit, one that brings them in between. A single main may be below. Water mains
# are run at some 15 m of head at least; 55 to 95 psi or 40 to 90 m, the usual ones, are less where
# they stand for kPa. Common practice, no source.
USUAL: dict[str, tuple[float, float]] = {"pressure": (1.5e5, 2.5e6), "diameter": (0.05, 1.5)}
# Units that records come in and the contract has none for: what one is in SI, by name.
FOREIGN: dict[str, dict[str, float]] = {"pressure": {"m of head": WATER_DENSITY * GRAVITY}}
# m; a single main below is no main, and its diameter likely in another unit: the smallest pipes
# kept as mains are of an inch (KY 10 of the Kentucky research networks has some). Judgement.
LEAST_MAIN = 0.025


def limit(field: str) -> Limit:
    """Return the limits of a field by its bare name; any finite number where there are none."""
    if field in YEARS:
        year = this_year()
        return Limit(FIRST_YEAR, year, f"{FIRST_YEAR} to {year}")
    return LIMITS.get(field, Limit(-math.inf, math.inf, "a finite number"))


def stand_for_unknown(
    field: str, written: npt.NDArray[np.float64], values: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Return which values of a field are likely a code for "not known": nines alone, and too great.

    Three nines at least, or as few as `FEW_NINES` has; of levels those of `UNKNOWN`.

    Parameters
    ----------
    field : str
        Bare name.
    written, values : ndarray
        As the file has them, and in SI base units.
    """
    alone = nines(written)
    for few in FEW_NINES.get(field, ()):
        alone |= np.isclose(written, few, rtol=1e-6)  # a column may hold them in single precision
    great = alone & (values >= NINES_FROM.get(field, math.inf))
    return np.asarray(great | np.isin(written, UNKNOWN.get(field, ())), dtype=np.bool_)


def nines(values: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Return which values are written with nines alone, three of them or more."""
    return np.isin(values, [10.0**digits - 1 for digits in range(LEAST_NINES, MOST_NINES + 1)])
