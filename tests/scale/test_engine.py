"""The engine: every job has a result, whatever becomes of the others."""

from __future__ import annotations

import math
import operator
import os
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from subprocess import DEVNULL, PIPE
from typing import Any

import dask.config
import pytest
from dask.utils import parse_timedelta
from distributed import Client, LocalCluster

from geotools.errors import LayerError, WorkersError
from geotools.scale import engine
from geotools.scale.engine import (
    Result,
    SchedulerLost,
    memory_fault,
    run_all,
    workers_begun,
)


def refuse() -> None:
    raise LayerError("mains (net.gpkg)", "no CRS; set it")


JOBS: dict[str, Any] = {
    "four": partial(math.sqrt, 16.0),
    "wrong": partial(math.sqrt, -1.0),
    "five": partial(math.sqrt, 25.0),
}


def by_name(results: Any) -> dict[str, Result]:
    return {result.name: result for result in results}


def test_a_job_that_fails_leaves_the_others_be() -> None:
    results = by_name(run_all(JOBS, operator.call))
    assert [results["four"].value, results["five"].value] == [4.0, 5.0]
    assert results["wrong"].error.startswith("ValueError: math domain error")
    assert "fault of the program" in results["wrong"].error


def test_a_fault_of_the_data_is_told_in_its_own_words() -> None:
    (result,) = run_all({"a": refuse}, operator.call)
    assert result == Result("a", error="mains (net.gpkg): no CRS; set it")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (OSError(28, "No space left on device"), "No space left on device"),
        (PermissionError(13, "Permission denied", "/there/a.gpkg"), "/there/a.gpkg: Permission"),
        (MemoryError(), "the memory there is does not suffice"),
    ],
)
def test_trouble_of_disk_and_memory_is_no_fault_of_the_program(error: Exception, said: str) -> None:
    def fail() -> None:
        raise error

    (result,) = run_all({"a": fail}, operator.call)
    assert result.error.startswith(said)
    assert "fault of the program" not in result.error


def test_workers_give_what_this_process_gives_and_one_that_dies_takes_nobody_along() -> None:
    jobs = {**JOBS, "deadly": partial(os._exit, 3), "slow": partial(time.sleep, 0.2)}
    with workers_begun(workers=2) as workers:
        results = by_name(run_all(jobs, operator.call, workers=workers, retries=1))
    here = by_name(run_all(JOBS, operator.call))
    assert {name: results[name].value for name in JOBS} == {n: r.value for n, r in here.items()}
    assert results["slow"].error == ""
    assert results["deadly"].died
    assert results["deadly"].tries == 2
    assert "its worker died" in results["deadly"].error


def test_a_worker_goes_on_while_its_result_is_dealt_with(tmp_path: Path) -> None:
    begun = tmp_path / "begun"
    jobs = {"first": partial(math.sqrt, 4.0), "second": partial(begun.touch)}
    with workers_begun(workers=1) as workers:
        results = run_all(jobs, operator.call, workers=workers)
        assert next(results).name == "first"
        for _ in range(6000):  # nobody asks for the second meanwhile
            if begun.exists():
                break
            time.sleep(0.01)
        assert begun.exists()
        assert next(results).name == "second"


def told_late(value: str) -> str:
    time.sleep(0.5)
    return value


def test_two_batches_on_one_scheduler_each_get_their_own_results() -> None:
    def of(batch: str) -> dict[str, Result]:
        with Client(cluster.scheduler_address) as client:
            jobs = {name: f"{name} of {batch}" for name in ("North", "South")}
            return by_name(run_all(jobs, told_late, workers=lambda: client))

    here = {"n_workers": 1, "threads_per_worker": 2, "processes": False, "protocol": "tcp"}
    with LocalCluster(**here, dashboard_address=None) as cluster, ThreadPoolExecutor(2) as pool:
        for batch, results in zip("ab", pool.map(of, "ab"), strict=True):
            assert {r.value for r in results.values()} == {f"North of {batch}", f"South of {batch}"}
            assert all(r.worker.startswith("tcp://127.0.0.1:") for r in results.values())


def test_a_scheduler_without_workers_is_waited_for_and_that_is_told(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(engine, "TOLD_WITHIN_S", 0.5)
    here = {"n_workers": 0, "processes": False, "protocol": "tcp", "dashboard_address": None}
    with LocalCluster(**here) as cluster, ThreadPoolExecutor(1) as pool:
        address = cluster.scheduler_address
        with Client(address) as client:
            jobs = {"four": JOBS["four"]}
            results = pool.submit(
                lambda: list(run_all(jobs, operator.call, workers=lambda: client))
            )
            for _ in range(2000):
                if caplog.messages:
                    break
                time.sleep(0.01)
            cluster.scale(1)
            assert [r.value for r in results.result(timeout=60)] == [4.0]
    assert [m for m in caplog.messages if "no workers" in m] == [
        f"scheduler {address}: has no workers; waiting for some to come (end with Ctrl+C)"
    ]


def test_a_scheduler_out_of_reach_is_an_error_that_names_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(engine, "REACHED_WITHIN_S", 1.0)
    wanted = pytest.raises(SchedulerLost, match=r"tcp://127\.0\.0\.1:9: cannot be reached")
    with workers_begun(scheduler="tcp://127.0.0.1:9") as workers, wanted:
        list(run_all(JOBS, operator.call, workers=workers))


def test_what_goes_wrong_while_workers_begin_is_told_by_itself(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(engine, "REACHED_WITHIN_S", 1.0)
    begun = workers_begun(scheduler="tcp://127.0.0.1:9")
    with pytest.raises(LayerError, match="no CRS"), begun:
        refuse()


CLUSTER = """
from distributed import LocalCluster
one = {"n_workers": 1, "threads_per_worker": 1, "processes": False, "protocol": "tcp"}
cluster = LocalCluster(**one, dashboard_address=None)
print(cluster.scheduler_address)
input()
"""


def test_a_scheduler_that_dies_is_an_error_that_says_how_to_go_on() -> None:
    with subprocess.Popen(
        [sys.executable, "-u", "-c", CLUSTER], stdin=PIPE, stdout=PIPE, stderr=DEVNULL, text=True
    ) as process:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        # the worker is a thread of the scheduler's process: what ends it ends both
        jobs = {"first": partial(math.sqrt, 4.0), "deadly": partial(os._exit, 3)}
        with workers_begun(scheduler=address) as workers:
            results = run_all(jobs, operator.call, workers=workers)
            assert next(results).value == 2.0
            with pytest.raises(SchedulerLost, match=r"gone; districts done are kept.*--resume"):
                next(results)


def test_a_worker_keeps_to_one_thread() -> None:
    with workers_begun(workers=1) as workers:
        (result,) = run_all({"one": "OMP_NUM_THREADS"}, os.environ.get, workers=workers)
    assert result.value == "1"


def test_a_worker_does_not_gather_the_calls_it_sees_in_every_district() -> None:
    key = "distributed.worker.profile.enabled"
    with workers_begun(workers=1) as workers:
        (result,) = run_all({"one": key}, dask.config.get, workers=workers)
    assert result.value is False


FULL = """
import builtins, functools, operator, sys
from geotools.scale.engine import run_all, workers_begun

FILL = (
    "import builtins, psutil, time; builtins.held = b'';"  # or both are held for a moment only
    "rest = psutil.Process().memory_info().rss;"
    "builtins.held = b'x' * int({share} * 400 * 2**20 - rest); time.sleep({held})"
)
if __name__ == "__main__":
    # What looks at the memory may be late: the one beyond the bound waits until it has.
    jobs = {
        "full": functools.partial(exec, FILL.format(share=0.88, held=1.5)),
        "next": functools.partial(pow, 2, 5),
        "over": functools.partial(exec, FILL.format(share=1.2, held=3600)),
        "last": functools.partial(pow, 3, 3),
    }
    with workers_begun(workers=1, memory="400MiB") as workers:
        for result in run_all(jobs, operator.call, workers=workers, retries=0):
            print(result.name, result.value, result.died, flush=True)
"""


def test_a_worker_near_its_bound_goes_on_and_one_beyond_it_ends_without_a_word_of_its_own() -> None:
    done = subprocess.run([sys.executable, "-c", FULL], capture_output=True, text=True, check=False)
    assert done.stdout.splitlines() == [
        "full None False", "next 32 False", "over None True", "last 27 False",
    ]  # fmt: skip
    assert done.stderr == ""


@pytest.mark.parametrize("memory", ["1MB", "260MiB", "0", "-4GiB", "0.5", "400"])
def test_a_bound_that_no_worker_can_begin_with_is_refused(memory: str) -> None:
    assert "is less than the 300.00 MiB" in memory_fault(1, memory)


def test_a_bound_is_an_amount_of_memory() -> None:
    assert "'banana' is no amount of memory" in memory_fault(1, "banana")
    assert "is no amount of memory" in memory_fault(None, "4 bananas")
    assert "for each of 1000000 workers" in memory_fault(1_000_000, "auto")
    assert "give workers as well" in memory_fault(None, "4GiB")
    assert [memory_fault(1, m) for m in ("auto", "4GiB", "500 MB", "4e9")] == [""] * 4
    assert memory_fault(None, "auto") == ""


def test_workers_that_do_not_come_back_are_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engine, "BACK_WITHIN_S", 2.0)
    with workers_begun(workers=1) as workers:
        client = workers()
        client.cluster.scale(0)
        while client.nthreads():
            time.sleep(0.05)
        with pytest.raises(WorkersError, match=r"all have ended.*--resume"):
            list(run_all(JOBS, operator.call, workers=workers))


def test_a_worker_is_begun_again_however_often_it_dies() -> None:
    """Dask gives up one that has just died when an earlier death is so long ago, s."""
    with workers_begun(workers=1) as workers:
        workers()
        wait = parse_timedelta(dask.config.get("distributed.deploy.lost-worker-timeout"))
    assert wait > 365 * 86_400
