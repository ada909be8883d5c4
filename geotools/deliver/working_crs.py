"""The CRS lengths of a plan were taken in: a row of its settings, and that row read back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pyproj
import pyproj.exceptions

from geotools.errors import LayerError
from geotools.intake.crs import WorkingCRS, choose_working_crs, horizontal, project

if TYPE_CHECKING:
    from geotools.deliver.read_plan import PlanFile

__all__ = ["WORKING_CRS", "working_crs_of", "working_crs_text"]

WORKING_CRS = "working_crs"  # row of the settings that tells it
_TRIED = 1000  # places by which it is told whether a CRS is that of the layers; enough of any
_SAME = 1e-6  # m, how far these may move


def working_crs_text(crs: pyproj.CRS) -> str:
    """Return a CRS as the settings tell it: authority and code, or WKT where it has none."""
    code = None if crs.is_bound else crs.to_authority(min_confidence=100)
    # A district of a batch is told of it by its text, which has fewer digits.
    return ":".join(code) if code else pyproj.CRS(crs.to_wkt()).to_wkt()


def working_crs_of(file: PlanFile, xy: npt.NDArray[np.float64]) -> WorkingCRS:
    """Return the CRS the lengths of a plan were taken in, and why it is not that of its layers.

    What the mains were measured in cannot be told from the runs, which are not all of them; it is
    chosen anew, by these, for a plan of an earlier version alone, which does not tell it.

    Parameters
    ----------
    file : PlanFile
    xy : ndarray, shape (n, 2)
        Places of the runs, in the CRS of the file.

    Raises
    ------
    LayerError
        If what is told is no CRS they were measured in, or nothing is told and none can be chosen.
    """
    label, text = str(file.path), file.settings.get(WORKING_CRS, "")
    if not text:
        return choose_working_crs(label, file.crs, xy, file.setting("network.working_crs"))
    flat, told = horizontal(file.crs), _read(text)
    tried = xy[:: len(xy) // _TRIED + 1]
    there = None if told is None else project(tried, flat, told)
    if told is None or there is None or not np.isfinite(there).all():
        raise LayerError(
            label,
            f"settings: {WORKING_CRS} is {text[:60]!r}, in which its runs were not measured; write "
            "it again with `slipmain plan`",
        )
    if np.allclose(there, tried, rtol=0.0, atol=_SAME):
        return WorkingCRS(flat, "")
    reason = choose_working_crs(label, file.crs, xy, None).reason
    return WorkingCRS(told, reason or "the brief says so")


def _read(text: str) -> pyproj.CRS | None:
    """Return a CRS to measure in from its text; None if it is none."""
    try:
        crs = pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        return None
    metric = crs.is_projected and all(a.unit_conversion_factor == 1.0 for a in crs.axis_info)
    return crs if metric else None
