"""The bill added up over runs: items of one kind stand together, whatever pipe they name."""

from __future__ import annotations

import numpy as np
import pandas as pd

__all__ = ["kinds_together"]


def kinds_together(items: pd.DataFrame) -> pd.DataFrame:
    """Put rows with an ``item`` in the order its kinds come in: what it says before a comma.

    Runs differ in their pipe, which the items of pipe name behind it.
    """
    kind = pd.factorize(items["item"].astype(str).str.split(",").str[0])[0]
    return items.iloc[np.argsort(kind, kind="stable")].reset_index(drop=True)
