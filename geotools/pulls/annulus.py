"""What the annulus between host and carrier holds along every run.

Mains of one run may have different bores; what is grouted is asked for between two places of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from geotools.network.places import Places
from geotools.network.ragged import FloatArray, IntArray
from geotools.pipe.external import annulus_volume_m3

__all__ = ["Annulus", "annulus_of"]


@dataclass(frozen=True)
class Annulus:
    """The volume from the start of its run up to each end of each piece of main.

    Attributes
    ----------
    places : Places
        Both ends of every piece, run by run.
    held : ndarray, shape (n,)
        m3.
    """

    places: Places
    held: FloatArray

    def before(self, run: IntArray, at: FloatArray) -> FloatArray:
        """Return the volume from the start of each run to a chainage, m, of it; m3."""
        return self.places.interpolate(run, at, self.held)


def annulus_of(bores: pd.DataFrame, outside: FloatArray) -> Annulus:
    """Lay out the annulus of every run.

    Parameters
    ----------
    bores : DataFrame
        The pieces of main: ``run``, ``start``, ``end``, ``bore`` (m), sorted by run and start.
    outside : ndarray, shape (runs,)
        Outside diameter of the carrier of each run, m; not a number where it has none, and then
        nothing is held.
    """
    run = bores["run"].to_numpy(dtype=np.int64)
    start, end, bore = (bores[name].to_numpy(dtype=float) for name in ("start", "end", "bore"))
    carrier = np.where(np.isfinite(outside), outside, np.inf)[run]
    held = carrier < bore  # wider or none: nothing
    volume = np.zeros(len(run))
    volume[held] = annulus_volume_m3(bore[held], carrier[held], (end - start)[held])
    # Summed run by run: what is taken from a sum over all runs hangs on those before.
    upto = pd.Series(volume).groupby(run).cumsum().to_numpy(dtype=float)
    both = np.stack([start, end], axis=1).ravel()
    return Annulus(
        places=Places.of(np.repeat(run, 2), both, len(outside)),
        held=np.stack([upto - volume, upto], axis=1).ravel(),
    )
