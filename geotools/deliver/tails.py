"""What of a carrier is left out of the host at the head of its pull, of any plan."""

from __future__ import annotations

import pandas as pd

__all__ = ["head_left"]


def head_left(sections: pd.DataFrame) -> pd.Series[float]:
    """Return what is left at the head, of ``leave`` at both ends, m; half in older plans.

    Plans of before do not tell the ends apart: their joints are numbered by halves.
    """
    return sections["leave_head"].astype(float).fillna(sections["leave"].astype(float) / 2)
