"""Years laid that cannot be: before there were pipes of the material, or written for none."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.intake.notes import Note, note
from geotools.pipe.host import host_kind

__all__ = ["impossible_years", "placeholder_year"]

FloatArray = npt.NDArray[np.float64]
# Year in which the material of a kind, or its way of casting, came to be known; pipes of it were
# laid some years later, records of which are a few years out. From memory; confirm against
# histories of the trade, such as those of AWWA and of the makers' associations.
FIRST_LAID = {
    "asbestos_cement": 1906,
    "spun_cast": 1914,
    "pvc": 1932,
    "ductile_iron": 1943,
    "pe": 1938,
}
# Years that stand in records for none: days counted from 0 in tables, and seconds from the least
# number that 32 bits hold, begin there. Judgement: common to so many mains, that share of all, and
# so many times as many as any year near it.
NONE_KNOWN = (1899, 1900, 1901)
LEAST_COUNT, LEAST_SHARE, TIMES, AROUND = 10, 0.05, 5, 10


def impossible_years(
    material: npt.NDArray[np.object_], year: FloatArray
) -> tuple[npt.NDArray[np.bool_], list[Note]]:
    """Return which mains have a year laid in which their material was not made, and notes.

    Each is judged alone, so that a part of the mains reads as the whole does.

    Parameters
    ----------
    material : ndarray of str objects, shape (n,)
    year : ndarray, shape (n,)
        NaN where not known.
    """
    # Of iron that is only called cast the year says the kind, and no year is too early for it.
    kinds = host_kind(material.astype(np.str_))
    named = np.unique(kinds)
    first = np.array([FIRST_LAID.get(str(kind), -np.inf) for kind in named])
    least = first[np.searchsorted(named, kinds)] if len(kinds) else np.zeros(0)
    with np.errstate(invalid="ignore"):
        wrong: npt.NDArray[np.bool_] = year < least
    rows = np.flatnonzero(wrong)
    texts = [
        f"is of {material[k]} and was laid in {year[k]:.0f}, before there was any of the kind "
        f"(about {least[k]:.0f}); the year was taken as missing; correct the year or the material"
        for k in rows
    ]
    return wrong, note("warning", "impossible-year", rows, texts)


def placeholder_year(year: FloatArray) -> str:
    """Return a text on a year that is likely written where none is known, or "".

    It is used as written: whether one main was laid then does not hang on the others. If it did,
    the plan of a district would hang on what lies far away, and on how mains are split.
    """
    known = year[~np.isnan(year)]
    counts = {y: int((known == y).sum()) for y in NONE_KNOWN}
    most = max(counts, key=lambda y: counts[y])
    near = known[(np.abs(known - most) <= AROUND) & ~np.isin(known, NONE_KNOWN)]
    usual = int(np.unique(near, return_counts=True)[1].max()) if len(near) else 0
    count = counts[most]
    if count < max(LEAST_COUNT, LEAST_SHARE * len(known), TIMES * usual):
        return ""
    return (
        f"{count:,} of the {len(known):,} years laid are {most}, and hardly any are near it: it "
        "looks like a date written where none is known; used as written, so that these mains "
        "count as the oldest in the screening and cast iron as pit-cast; leave the year empty "
        "where it is not known"
    )
