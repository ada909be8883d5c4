"""Bad input of every kind comes out as stated: a small share of the corpus."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from corpus import DRIVERS, FAULTS, Case, cases, run, share

from geotools.schema import INPUTS


@pytest.mark.parametrize("case", share(len(FAULTS) + 12, seed=20261126), ids=lambda case: case.name)
def test_bad_input_comes_out_as_stated(case: Case, tmp_path: Path) -> None:
    came = run(case, tmp_path)
    assert came.keeps(case.due), f"due: {case.due}\ncame: {came}"


def test_the_corpus_holds_every_driver_every_layer_and_every_fault() -> None:
    made = cases()
    assert {(case.driver, case.layer) for case in made} == {(d, n) for d in DRIVERS for n in INPUTS}
    assert {case.fault.name for case in made} == {fault.name for fault in FAULTS}
    assert len({case.name for case in made}) == len(made)
