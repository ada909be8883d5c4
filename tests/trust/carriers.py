"""The carrier chosen, held against the one chosen among all that suit; districts of `networks.py`.

``python tests/trust/carriers.py --times 40 --seed 1 --larger-for 0.05`` plans so many districts
twice, the second time with every pipe that suits planned through, and prints in how many runs the
carrier chosen at first has the smaller bore, or a dearer plan, and by how much.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any
from unittest.mock import patch

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

import pandas as pd
from networks import draw

import geotools
from geotools.layout import prepare

ALL = 10_000  # more than the catalogue has


def _hold_all(runs: pd.DataFrame, service: pd.DataFrame, brief: Any, **how: Any) -> Any:
    every = brief.carrier.model_copy(update={"tries": ALL})
    return _hold(runs, service, brief.model_copy(update={"carrier": every}), **how)


_hold = prepare.hold_contest


def held_against_all(seed: int, larger_for: float) -> pd.DataFrame:
    """Return of every run with a plan by what share its bore and its cost are above the best's."""
    layers, settings, _, _ = draw(seed)
    settings |= {"carrier.tries": 4, "carrier.larger_for": larger_for}
    chosen = geotools.plan(**layers, settings=settings).layers["runs"].set_index("run_id")
    with patch.object(prepare, "hold_contest", _hold_all):
        best = geotools.plan(**layers, settings=settings).layers["runs"].set_index("run_id")
    planned = best.index[best["status"] == "planned"]
    both = ["carrier_bore", "cost"]
    return pd.DataFrame(chosen.loc[planned, both] / best.loc[planned, both] - 1)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--larger-for", type=float, default=0.05)
    given = parser.parse_args()
    rows = []
    for seed in range(given.seed, given.seed + given.times):
        try:
            rows.append(held_against_all(seed, given.larger_for))
        except geotools.SlipmainError as error:
            print(f"seed {seed}: {str(error).splitlines()[0]}")
    table = pd.concat(rows)
    for name, worse in (("carrier_bore", -table["carrier_bore"]), ("cost", table["cost"])):
        print(
            f"{name}: worse in {(worse > 1e-9).sum()} of {len(table)} runs, "
            f"on average by {worse.mean():.3%}, at most by {worse.max():.1%}"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
