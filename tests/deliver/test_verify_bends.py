"""Bends in a row, as `verify` judges them, as the plan does, and from the other end."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from geotools.deliver.verify.bends import _passing
from geotools.siting.passing import judge_bends

OTHER = {"left": "right", "right": "left", "": ""}


def _bends(rng: np.random.Generator) -> pd.DataFrame:
    """Return up to eight elbows and curves of one run, most of them close together."""
    count = int(rng.integers(1, 9))
    curve = rng.random(count) < (0.25 if rng.random() < 0.5 else 0.75)
    span = np.where(curve, rng.uniform(0.5, 30.0, count), rng.choice([0.0, 0.0, 0.8], count))
    first = np.cumsum(rng.random(count) ** 3 * 60 + np.concatenate([[0.0], span[:-1]]))
    angle = np.radians(np.where(rng.random(count) < 0.05, 90.0, rng.uniform(2.0, 30.0, count)))
    return pd.DataFrame(
        {
            "run": np.int64(0),
            "first": first,
            "last": first + span,
            "deflection": angle,
            "axis_radius": np.where(curve, span / angle, rng.choice([0.0, 0.0, 0.6])),
            "kind": np.where(curve, "curve", "fitting"),
            "sense": rng.choice(["left", "right", ""], count, p=[0.45, 0.45, 0.1]).astype(object),
        }
    )


def _judged(bends: pd.DataFrame, gap: float, needed: float) -> Any:
    return judge_bends(bends, clearance=np.array([gap]), needed=np.array([needed]))


@pytest.mark.parametrize("seed", range(60))
def test_bends_in_a_row_are_judged_alike_by_plan_and_verify_and_from_either_end(seed: int) -> None:
    rng = np.random.default_rng(seed)
    gap, needed, bends = rng.uniform(0.02, 0.4), rng.uniform(2.0, 60.0), _bends(rng)
    judged = _judged(bends, gap, needed)
    rows = [
        SimpleNamespace(start=row.first, span=row.last - row.first, **row._asdict())
        for row in bends.itertuples(index=False)
    ]
    due = _passing(rows, gap, needed)
    assert judged["passing_radius"].tolist() == pytest.approx(due, rel=1e-9)
    end = bends["last"].max()
    turned = bends.assign(
        first=end - bends["last"], last=end - bends["first"], sense=bends["sense"].map(OTHER)
    )
    back = _judged(turned.iloc[::-1].reset_index(drop=True), gap, needed).iloc[::-1]
    assert back["passing_radius"].tolist() == pytest.approx(judged["passing_radius"], rel=1e-9)
    assert back["passes"].tolist() == judged["passes"].tolist()
