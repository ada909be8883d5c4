"""Findings looked up by what they name, each text read once however many rows are checked."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import shapely

from geotools.deliver.verify.plan import Plan
from geotools.deliver.verify.sites import overlaps
from geotools.deliver.verify.telling import texts_naming


class Text(str):
    """A text that counts how often it is looked into."""

    read = 0

    def _count(self) -> None:
        Text.read += 1

    def __contains__(self, part: object) -> bool:
        self._count()
        return super().__contains__(part)  # type: ignore[operator]

    def startswith(self, *given: Any) -> bool:
        self._count()
        return super().startswith(*given)

    def split(self, *given: Any, **named: Any) -> list[str]:
        self._count()
        return super().split(*given, **named)

    def partition(self, *given: Any) -> tuple[str, str, str]:
        self._count()
        return super().partition(*given)


def _plan(strings: int) -> Plan:
    """Return strings of as many runs on one another and each over a pit, all of it told."""
    names = [f"R{k}-L1-S1" for k in range(strings)]
    runs, pits = [f"R{k}" for k in range(strings)], [f"R{k}-P1" for k in range(strings)]
    on = [(a, b) for k, a in enumerate(names) for b in names[k + 1 :]]
    over = [(names[k], pits[k - 1]) for k in range(strings)]
    told = [("string-over-string", f"strings {a} and {b} lie on one another: ...") for a, b in on]
    told += [("string-over-pit", f"string {a} lies over pit {b}: ...") for a, b in over]
    away = [shapely.box(20 * k + 11, 0, 20 * k + 12, 1) for k in range(strings)]
    lines = [shapely.union(shapely.box(0, 5, 20 * strings, 6), away[k - 1]) for k in range(strings)]
    tables = {
        "findings": pd.DataFrame(told, columns=["rule", "text"]).assign(
            text=pd.Series([Text(text) for _, text in told], dtype=object)
        ),
        "pulls": pd.DataFrame({"pull_id": [], "insertion_pit": []}),
        "schedule": pd.DataFrame({"ref": []}),
        "strings": pd.DataFrame({"string_id": names, "pull_id": "", "run_id": runs}),
        "pit_footprints": pd.DataFrame({"pit_id": pits, "run_id": runs}),
    }
    tables["strings"]["geometry"], tables["pit_footprints"]["geometry"] = lines, away
    return Plan(Path("plan.gpkg"), "si", tables, {}, {}, ())


def test_every_text_is_read_once_however_many_rows_it_may_be_of() -> None:
    plan, Text.read = _plan(12), 0
    tally = overlaps(plan)
    assert (tally.checked, tally.faults) == (12 * 11 // 2 + 12, [])
    assert Text.read == len(plan.rows("findings"))


def test_what_is_told_of_one_pair_is_not_told_of_another_of_the_same_names() -> None:
    plan = _plan(3)
    plan.tables["findings"] = plan.tables["findings"].iloc[[0, 1, 3, 4, 5]]
    (fault,) = overlaps(plan).faults
    assert (fault.feature, fault.text.split(",")[0]) == ("R1-L1-S1", "lies on string R2-L1-S1")


def test_names_are_whole_words_before_the_first_colon() -> None:
    plan = _plan(2)
    assert set(texts_naming(plan, "string-over-pit")) >= {"R0-L1-S1", "R1-P1", "R0-P1"}
    assert "R0" not in texts_naming(plan, "string-over-pit")
    assert texts_naming(plan, "street-shut") == {}
    assert texts_naming(plan, "string-over-pit") is texts_naming(plan, "string-over-pit")
