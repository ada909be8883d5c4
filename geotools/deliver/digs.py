"""Local digs of a written plan that can be drawn: of a known kind, told whether they are spared."""

from __future__ import annotations

from typing import Any

import numpy as np

from geotools.deliver.read_plan import PlanFile
from geotools.errors import LayerError
from geotools.lists import listed
from geotools.schema import DIG_KINDS

__all__ = ["check_digs"]


def check_digs(file: PlanFile, digs: Any) -> None:
    """Refuse digs that were edited so that nobody can tell what is dug.

    Parameters
    ----------
    file : PlanFile
        The plan they are of, for the error.
    digs : DataFrame
        Rows of ``local_digs`` with ``kind`` and ``spared``.

    Raises
    ------
    LayerError
        With the first of each fault.
    """
    open_ = digs["spared"].isna().to_numpy(dtype=bool)
    odd = ~digs["kind"].isin(DIG_KINDS).to_numpy(dtype=bool)
    faults = [
        f"layer local_digs, field {name}: feature {rows[0] + 1} {text}, or write it again with "
        "`slipmain plan`"
        for name, wrong, text in (
            ("spared", open_, "is empty; say whether a pit spares the dig (true or false)"),
            ("kind", odd, f"is none of {listed(DIG_KINDS)}; give the kind of the dig"),
        )
        if len(rows := np.flatnonzero(wrong))
    ]
    if faults:
        raise LayerError(str(file.path), faults)
