"""Some runs of a network: each with the same shape and the same things on it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from geotools.brief import load_brief
from geotools.intake.read import read_layers
from geotools.network.build import RunSet, build_runs
from geotools.network.keep import keep_runs

SAMPLE = Path(__file__).resolve().parents[2] / "sample_gis" / "brief.toml"


@pytest.fixture(scope="module")
def whole() -> RunSet:
    brief = load_brief(SAMPLE)
    return build_runs(
        read_layers(brief),
        brief.network,
        brief.bends,
        accuracy=brief.ground.survey_accuracy,
        edit_reach=brief.pits.edit_reach,
    )


def of_run(table: pd.DataFrame, run: int) -> pd.DataFrame:
    return table[table["run"] == run].drop(columns="run").reset_index(drop=True)


@pytest.mark.parametrize("rows", [[5, 0, 3], [2], []])
def test_kept_runs_are_those_of_the_whole(whole: RunSet, rows: list[int]) -> None:
    some = keep_runs(whole, np.array(rows, dtype=np.int64))
    assert some.table["run_id"].tolist() == whole.table["run_id"].iloc[rows].tolist()
    assert len(some.chains) == len(rows)
    for new, old in enumerate(rows):
        for axis, own in ((some.chains, whole.chains), (some.thinned, whole.thinned)):
            part = axis.xy[axis.offsets[new] : axis.offsets[new + 1]]
            assert np.array_equal(part, own.xy[own.offsets[old] : own.offsets[old + 1]])
        for name in ("bends", "fittings", "valves", "laterals", "edits"):
            part, own = getattr(some, name), getattr(whole, name)
            pd.testing.assert_frame_equal(of_run(part, new), of_run(own, old), check_dtype=False)
        for name in ("pieces", "connections"):
            part, own = getattr(some.chains, name), getattr(whole.chains, name)
            pd.testing.assert_frame_equal(of_run(part, new), of_run(own, old), check_dtype=False)
    lengths = [len(getattr(some, n)) for n in ("bends", "valves", "laterals")]
    expected = [getattr(whole, n)["run"].isin(rows).sum() for n in ("bends", "valves", "laterals")]
    assert lengths == expected
