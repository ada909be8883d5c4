"""The campaign of small changes: what it changes, and that a change the tests miss is told."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

pytest.importorskip("cosmic_ray", reason="pip install -e '.[test,mutants]'")
sys.path.insert(0, str(Path(__file__).parent))
from mutants import Mutant, copied, drawn, examine, places, suite_of

SOURCE = """
@dataclass(frozen=True)
class Pair:
    one: int | None = 3

def least(one: int | None, two: float) -> float | None:
    return two + 1 if two > 0 else None
"""


def test_types_and_decorators_are_left_as_they_are() -> None:
    assert {start[0] for start, _ in places(SOURCE)} == {4, 7}


def test_a_seed_draws_the_same_changes_and_no_place_twice() -> None:
    one, again = (drawn(SOURCE, share=3, seed=7) for _ in range(2))
    assert one == again
    assert len(one) == 3
    assert len(drawn(SOURCE, share=99, seed=7)) == len(places(SOURCE))


def test_changes_of_a_module_are_killed_or_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mutants.suite_of", lambda _: ["tests/pipe/test_pipe_units.py"])
    file = "geotools/pipe/factors.py"
    found = examine(copied(tmp_path), file, share=1, seed=1)
    assert found["made"] == 1
    assert found["killed"] + len(found["survived"]) == 1
    assert (tmp_path / file).read_text() == (Path(__file__).parents[2] / file).read_text()


def test_a_change_that_is_no_program_is_not_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mutants.suite_of", lambda _: ["tests/pipe/test_pipe_units.py"])
    star = [Mutant("core/ReplaceBinaryOperator_Mul_Add", 0, 1)]
    monkeypatch.setattr("mutants.drawn", lambda *_, **__: star)
    monkeypatch.setattr("cosmic_ray.mutating.mutate_code", lambda *_: "def f(x, +, y): ...")
    found = examine(copied(tmp_path), "geotools/pipe/factors.py", share=1, seed=1)
    assert (found["made"], found["killed"], found["survived"]) == (0, 0, [])


def test_every_module_has_tests() -> None:
    for file in ("geotools/pipe/pulling.py", "geotools/pulls/layout.py"):
        assert suite_of(file)
