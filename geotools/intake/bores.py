"""Bores on record that no main of that size and material has, or hardly one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.intake.match import Column
from geotools.intake.notes import Note, note
from geotools.pipe.host import host_bore, host_kind, outside_at_most_m
from geotools.schema import quantity_text

__all__ = ["doubtful_bores"]

FloatArray = npt.NDArray[np.float64]
# A bore is told where it lies farther than these shares of the nominal diameter off what tables
# give. Above: pipe of the thinnest classes, PVC of DR 32.5, has 5 % more than those tabulated.
# Below: old linings and tubercles take less than a tenth, and what takes more, as a pipe or a hose
# drawn in before, is worth knowing. Judgement, no source.
ABOVE, BELOW = 0.05, 0.10
# No wall is so thin: a bore within this share of the nominal diameter of the outside is that.
WALL = 0.005
LEAST, MOST = 0.05, 3.0  # m; sizes of hosts known
# Of a main of unknown material tables of all are asked.
ALL = ("CI", "DI", "AC", "steel", "concrete", "PVC", "PE", "")


def doubtful_bores(
    mains: dict[str, npt.NDArray[np.generic]], column: Column, system: str
) -> tuple[npt.NDArray[np.bool_], list[Note]]:
    """Return which bores cannot be and are not used, and notes on these and on doubtful ones.

    Each main is judged alone. What lies far below the tables may be a main that was lined since,
    so that it is used.

    Parameters
    ----------
    mains : dict of ndarray, shape (n,)
        ``material``, ``diameter`` (m), ``installed`` and ``bore`` (m), NaN where missing.
    column : Column
        Where the bore was read.
    system : str
        ``si`` or ``us``: units that are told.
    """
    bore, size = (mains[name].astype(np.float64) for name in ("bore", "diameter"))
    wrong = np.zeros(len(bore), dtype=np.bool_)
    with np.errstate(invalid="ignore"):
        rows = np.flatnonzero(np.isfinite(bore) & (size >= LEAST) & (size <= MOST))
    if not len(rows):
        return wrong, []
    word, year = mains["material"][rows].astype(np.str_), mains["installed"][rows].astype(float)
    bore, size = bore[rows], size[rows]
    outside, (low, high) = outside_at_most_m(word, size, year), _band(word, size, year)
    beyond = bore >= outside - WALL * size
    far = ~beyond & ((bore > high + ABOVE * size) | (bore < low - BELOW * size))
    wrong[rows[beyond]] = True
    centre = host_bore(word, size, year).centre_m

    def said(value: float) -> str:
        return quantity_text(value, "bore", system, 0)

    def of(k: int) -> tuple[str, str]:
        material = str(word[k]).strip() or "no material on record"
        return (
            f"{column.spelling} is {said(bore[k])} (column {column.name!r})",
            f"a main of {said(size[k])} ({material})",
        )

    impossible = [
        f"{told}, and {main} is at most {said(outside[k])} wide outside; not used: the bore is "
        f"taken from tables by size and material, about {said(centre[k])}; correct the bore, or "
        "the diameter if that is wrong"
        for k, (told, main) in ((k, of(k)) for k in np.flatnonzero(beyond).tolist())
    ]
    doubtful = [
        f"{told}, and tables give {said(low[k])} to {said(high[k])} for {main}; used as it is on "
        "record; check that it is the bore, as gauged, and of that main"
        for k, (told, main) in ((k, of(k)) for k in np.flatnonzero(far).tolist())
    ]
    return wrong, [
        *note("warning", "bore-impossible", rows[beyond], impossible),
        *note("warning", "bore-doubtful", rows[far], doubtful),
    ]


def _band(
    word: npt.NDArray[np.str_], size: FloatArray, year: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return the least and the greatest bore by tables, m."""
    own = host_bore(word, size, year)
    low, high = own.low_m.copy(), own.high_m.copy()
    unknown = host_kind(word, year) == "unknown"
    if unknown.any():
        each = [host_bore(kind, size[unknown], year[unknown]) for kind in ALL]
        low[unknown] = np.min([bore.low_m for bore in each], axis=0)
        high[unknown] = np.max([bore.high_m for bore in each], axis=0)
    return low, high
