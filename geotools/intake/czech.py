"""Czech: NE is no in a column that says yes or no, as all of it tells.

Beside ANO, which is yes, and nowhere else: elsewhere it may be anything, as the north-east.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.pipe.names import folded

__all__ = ["MARKED", "NO", "YES", "has_no", "noes", "what_no_is"]

YES, NO = "ano", "ne"
MARKED = "marked"  # what it is: a no


def has_no(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds NE."""
    return any(folded(str(word)) == NO for word in pd.unique(texts))


def what_no_is(texts: npt.NDArray[np.object_]) -> dict[str, str]:
    """Return that NE is no, if a column says so; each of its values once is enough."""
    said = {folded(str(word)) for word in pd.unique(texts)}
    return {NO: MARKED} if YES in said else {}


def noes(
    texts: npt.NDArray[np.object_], meant: Mapping[str, str]
) -> npt.NDArray[np.float64] | None:
    """Return 0 for NE where it is no, NaN for all other text; None where it is not.

    Parameters
    ----------
    texts : ndarray of str objects, shape (n,)
    meant : mapping
        As of `what_no_is`.
    """
    if meant.get(NO) != MARKED:
        return None
    place, words = pd.factorize(texts)
    said = [0.0 if folded(str(word)) == NO else np.nan for word in words]
    return np.array(said, dtype=np.float64)[place]
