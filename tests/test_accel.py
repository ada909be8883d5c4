"""Work shared out: by threads or by a compiler, the result is the same."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest
import shapely

from geotools import accel


@pytest.mark.parametrize("count", [0, 1, 7, 20])
def test_threads_give_the_rows_of_one_call_in_their_order(
    count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(accel, "ROWS_A_THREAD", 2)
    monkeypatch.setattr(accel, "processors", lambda: 3)
    points = shapely.points(np.arange(count) * 1.5, 0.0)
    sizes = np.linspace(0.5, 2.0, count)
    alone = shapely.buffer(points, sizes)
    calls = []

    def buffer(*columns: np.ndarray) -> np.ndarray:
        calls.append(len(columns[0]))
        return shapely.buffer(*columns)

    shared = accel.in_threads(buffer, points, sizes)
    assert [g.wkb for g in shared] == [g.wkb for g in alone]
    assert sum(calls) == count
    assert len(calls) == (3 if count > 6 else 1)


def test_a_kernel_is_compiled_once_its_steps_sum_up(monkeypatch: pytest.MonkeyPatch) -> None:
    compiled = []
    monkeypatch.setattr(accel, "COMPILE_ABOVE", 100)
    monkeypatch.setattr(accel, "_compiled", lambda f: compiled.append(f) or f)

    def kernel(out):  # type: ignore[no-untyped-def]
        out[0] = 1.0

    for _ in range(3):
        accel.run_kernel(kernel, 40, np.zeros(1))
    assert compiled == [kernel]


@pytest.fixture
def compiled(monkeypatch: pytest.MonkeyPatch) -> list[Callable[..., None]]:
    """Return the kernels compiled in a process that begins here, from 1000 steps on."""
    kernels: list[Callable[..., None]] = []
    monkeypatch.setattr(accel, "COMPILE_ABOVE", 1000)
    monkeypatch.setattr(accel, "ALSO_ABOVE", 50)
    monkeypatch.setattr(accel, "_taken", Counter())
    monkeypatch.setattr(accel, "_expected", [0.0])
    monkeypatch.setattr(accel, "_compiled", lambda f: kernels.append(f) or f)
    return kernels


def test_the_compiler_is_loaded_for_all_kernels_together_and_not_for_little_work(
    compiled: list[Callable[..., None]],
) -> None:
    def one(out):  # type: ignore[no-untyped-def]
        out[0] = 1.0

    def other(out):  # type: ignore[no-untyped-def]
        out[0] = 2.0

    def small(out):  # type: ignore[no-untyped-def]
        out[0] = 3.0

    for function, steps in ((one, 900), (other, 90), (small, 5), (other, 6), (small, 5), (one, 1)):
        accel.run_kernel(function, steps, np.zeros(1))
    assert compiled == [other, one]


def test_work_to_come_counts_from_the_first_step(compiled: list[Callable[..., None]]) -> None:
    def kernel(out):  # type: ignore[no-untyped-def]
        out[0] = 1.0

    def small(out):  # type: ignore[no-untyped-def]
        out[0] = 2.0

    for district in (600, 700, 900):  # planned one after the other, none large by itself
        accel.expect(district)
    accel.run_kernel(kernel, 960, np.zeros(1))  # what was expected comes and is not counted twice
    assert not compiled
    accel.expect(1100)
    accel.run_kernel(kernel, 1, np.zeros(1))
    accel.run_kernel(small, 20, np.zeros(1))
    assert compiled == [kernel]


def test_steps_are_worked_out_until_it_is_decided_to_compile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked = []
    monkeypatch.setattr(accel, "COMPILE_ABOVE", 100)
    monkeypatch.setattr(accel, "_compiled", lambda f: f)

    def kernel(out):  # type: ignore[no-untyped-def]
        out[0] = 1.0

    for _ in range(5):
        accel.run_kernel(kernel, lambda: asked.append(1) or 40.0, np.zeros(1))
    assert len(asked) == 3


@pytest.mark.parametrize(
    ("said", "expected"), [("", 8), ("1", 1), ("3", 3), ("2,1", 2), ("0", 1), ("99", 8), ("all", 8)]
)
def test_threads_are_bounded_as_numerical_libraries_bound_theirs(
    said: str, expected: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(accel.os, "sched_getaffinity", lambda _: set(range(8)), raising=False)
    monkeypatch.setenv("OMP_NUM_THREADS", said)
    assert accel.processors() == expected


def test_memory_is_given_back_where_much_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(accel, "_malloc_trim", lambda: asked.append)
    monkeypatch.setattr(accel, "_resident", lambda: accel.MUCH - 1)
    accel.give_back()
    assert not asked
    monkeypatch.setattr(accel, "_resident", lambda: accel.MUCH)
    accel.give_back()
    assert asked == [0]
    monkeypatch.setattr(accel, "_malloc_trim", lambda: None)  # another C library
    accel.give_back()


@pytest.mark.skipif(accel._malloc_trim() is None, reason="the C library is not glibc")
def test_what_was_freed_between_what_is_held_goes_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(accel, "MUCH", 0)
    held = [bytes(4000) for _ in range(20_000)]
    kept = held[::500]
    del held
    before = accel._resident()
    accel.give_back()
    assert accel._resident() < before - 40_000_000
    assert len(kept) == 40


FREED = """
import numpy as np
from geotools import accel

accel.MUCH = 0
accel.give_back()
np.ones(4_000_000)  # freed at once: glibc would keep blocks of up to its size from now on
large = [np.ones(accel.LARGE // 8 + 1) for _ in range(12)]
before = accel._resident()
del large
print((before - accel._resident()) / accel.LARGE)
"""


@pytest.mark.skipif(accel._malloc_trim() is None, reason="the C library is not glibc")
def test_what_is_large_goes_back_when_it_is_freed() -> None:
    done = subprocess.run([sys.executable, "-c", FREED], capture_output=True, text=True, check=True)
    assert float(done.stdout) > 11


def test_in_parts_gives_what_the_whole_gives_and_never_more_rows_at_once() -> None:
    seen: list[int] = []

    def added(one: np.ndarray, two: np.ndarray) -> np.ndarray:
        seen.append(len(one))
        return one + two.sum(axis=1)

    one, two = np.arange(10.0), np.arange(30.0).reshape(10, 3)
    due = one + two.sum(axis=1)
    for rows, calls in ((4, [4, 4, 2]), (10, [10]), (99, [10])):
        seen.clear()
        assert (accel.in_parts(added, rows, one, two) == due).all()
        assert seen == calls
    assert not len(accel.in_parts(added, 4, one[:0], two[:0]))
