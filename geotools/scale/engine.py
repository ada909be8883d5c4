"""The engine of a batch: the same work done here, by workers on this machine, or by a cluster.

Each district is one task. As many are under way as there are threads, so that a worker that dies
takes down no other district, and the district it dies of is known.
"""

from __future__ import annotations

import logging
import multiprocessing
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from secrets import token_hex
from typing import Any, TypeVar

from geotools.errors import SlipmainError, WorkersError, mendable
from geotools.scale import hush

__all__ = [
    *("LEAST_MEMORY", "Result", "SchedulerLost", "check_process", "memory_fault", "run_all"),
    "workers_begun",
]

Job = TypeVar("Job")
Workers = Callable[[], Any]
# Bytes; a worker that has only been begun takes some 210 MiB (measured), and Dask ends it at 95 %
# of its bound.
LEAST_MEMORY = 300 * 2**20
GONE = "the scheduler is gone; districts done are kept: run the same again with --resume"
UNGUARDED = (
    "workers: their processes could not begin{why}. The system ends processes where memory runs "
    "short: give fewer workers, or more memory. From a script each of them imports the script: "
    "there the call has to stand under a main guard, in a file (not on standard input):\n\n"
    '    if __name__ == "__main__":\n'
    "        geotools.batch(..., workers=2)\n\n"
    "Without workers the districts are planned one after the other in one process"
)
NONE_LEFT = (
    "workers: all have ended, and none could begin again; they may need more memory (--memory, or "
    "fewer workers). Districts done are kept: run the same again with --resume"
)
WAITING = "scheduler %s: has no workers; waiting for some to come (end with Ctrl+C)"
TOLD_WITHIN_S = 5.0  # s; that a scheduler has no workers is told
BACK_WITHIN_S = 60.0  # s; a worker that died is begun again in a few
REACHED_WITHIN_S = 10.0  # s; a scheduler that does not answer by then is out of reach
_WORKER = "Dask Worker process"  # how Dask names the processes it begins
logger = logging.getLogger(__name__)


class SchedulerLost(SlipmainError):
    """The scheduler of the cluster is gone; what is done stays done."""


@dataclass(frozen=True)
class Result:
    """The outcome of one task: a value, or an error in words and whether its worker died of it.

    ``worker`` is where a cluster lent had it done, as far as the scheduler knows.
    """

    name: str
    value: Any = None
    error: str = ""
    died: bool = False
    tries: int = 1
    worker: str = ""


def check_process(*, workers: bool) -> None:
    """End this process, or refuse workers, where it is one that has only begun to import a script.

    A worker begun from a script without a main guard runs that script again, and comes to the
    call it was begun by. It ends there without a word: the process that began it tells why.

    Raises
    ------
    WorkersError
        If workers are wanted by any other process on its way up.
    SystemExit
        In such a worker.
    """
    process = multiprocessing.current_process()
    if not getattr(process, "_inheriting", False):  # as multiprocessing itself asks
        return
    if process.name.startswith(_WORKER):
        raise SystemExit(1)
    if workers:
        raise WorkersError(UNGUARDED.format(why=""))


def memory_fault(workers: int | None, memory: str) -> str:
    """Say what is wrong with a bound on the memory of each worker of this machine; "" if nothing.

    Parameters
    ----------
    workers : int or None
    memory : str
        Such as ``4 GiB``; ``auto`` shares out what there is among the workers.
    """
    if memory == "auto" and workers is None:
        return ""
    from dask.utils import format_bytes, parse_bytes

    if memory == "auto":
        from distributed.system import MEMORY_LIMIT

        bound = MEMORY_LIMIT / (workers or 1)
        shown = f"{format_bytes(int(bound))} for each of {workers} workers"
        todo = "have fewer workers"
    else:
        shown, todo = memory, "give more, such as 4GiB"
        try:
            bound = parse_bytes(memory)
        except (ValueError, OverflowError):
            return f"memory: {memory!r} is no amount of memory; write it like 4GiB, or auto"
        if workers is None:
            return (
                f"memory: {memory} bounds the workers of this machine, and there are none; "
                "give workers as well, or leave it out"
            )
    if bound >= LEAST_MEMORY:
        return ""
    least = format_bytes(LEAST_MEMORY)
    return f"memory: {shown} is less than the {least} a worker needs before it begins; {todo}"


@contextmanager
def workers_begun(
    *, workers: int | None = None, scheduler: str | None = None, memory: str = "auto"
) -> Iterator[Workers]:
    """Begin workers while the caller goes on; ended with the context, once they have begun.

    Parameters
    ----------
    workers : int, optional
        Processes on this machine; without it, and without a scheduler, there are none.
    scheduler : str, optional
        Address of a Dask scheduler to use.
    memory : str
        Bound for each worker process, such as ``4 GiB``; ``auto`` shares out what there is.

    Yields
    ------
    callable
        Waits for the workers and gives the client of their scheduler, None where there are none.
        Raises SchedulerLost if the scheduler cannot be reached, WorkersError if workers end
        before they are up.
    """
    if workers is None and scheduler is None:
        yield lambda: None
        return
    with ExitStack() as stack, ThreadPoolExecutor(1) as pool:
        client = pool.submit(stack.enter_context, _client(workers, scheduler, memory))
        yield client.result


def run_all(
    jobs: Mapping[str, Job],
    work: Callable[[Job], Any],
    *,
    workers: Workers = lambda: None,
    retries: int = 2,
) -> Iterator[Result]:
    """Do the work of all jobs and yield each result as it comes.

    Parameters
    ----------
    jobs : mapping of str to Job
        By name, in the order they are to be begun.
    work : callable
        Importable by name, so that workers can call it.
    workers : callable
        As `workers_begun` gives it; where there are none, the work is done here.
    retries : int
        How often a job is tried again after its worker died.

    Raises
    ------
    SchedulerLost
        If the scheduler cannot be reached, or no more.
    WorkersError
        If no worker of this machine could begin again.
    """
    client = workers()
    if client is None:
        for name, job in jobs.items():
            yield _here(name, job, work)
        return
    try:
        yield from _on_cluster(client, jobs, work, retries)
    except OSError as error:  # whatever is asked of it, now that nobody is there
        raise SchedulerLost(GONE) from error


def _here(name: str, job: Job, work: Callable[[Job], Any]) -> Result:
    try:
        return Result(name, work(job))
    except Exception as error:  # noqa: BLE001 - one district's failure never ends the batch
        return Result(name, error=_words(error))


def _words(error: BaseException) -> str:
    """Return an error as text; of one that nobody foresaw the place too."""
    told = mendable(error)
    if told is not None:
        return told
    logger.debug("unforeseen", exc_info=error)
    frames = traceback.extract_tb(error.__traceback__)
    where = f" in {frames[-1].name}, line {frames[-1].lineno}" if frames else ""
    return f"{type(error).__name__}: {error}{where} (a fault of the program: please report it)"


@contextmanager  # a client of Dask's is closed, not left: it may only be left where it was entered
def _client(workers: int | None, scheduler: str | None, memory: str) -> Iterator[Any]:
    import dask.config
    from distributed import Client, LocalCluster

    hush.quiet()
    preload = dask.config.get("distributed.worker.preload")
    options = {
        "distributed.worker.preload": [*preload, hush.__name__],
        # A worker paused for what it holds would wait for ever: a district is one task, and what
        # it holds at rest does not get less. The bound itself ends it.
        "distributed.worker.memory.pause": False,
        # So long after a worker died Dask looks whether there is one in its place, and if that has
        # just died too, begins no more: its nanny sees to that at once, and needs no such look.
        "distributed.deploy.lost-worker-timeout": "1000 weeks",
        "distributed.scheduler.allowed-failures": 0,
        # A worker would keep the calls it saw in every district: over a megabyte of each.
        "distributed.worker.profile.enabled": False,
        # A district is handed what of the layers in memory lies around it, whatever that comes to.
        "distributed.admin.large-graph-warning-threshold": "1 PiB",
    }
    with dask.config.set(options):
        if scheduler is not None:
            with _reach(scheduler) as client:
                yield client
            return
        try:
            cluster = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                processes=True,
                memory_limit=memory,
                silence_logs=logging.CRITICAL,
                dashboard_address="127.0.0.1:0",  # any port that is free, for nobody else to see
                scheduler_kwargs={"dashboard": False},
            )
        except RuntimeError as error:  # a worker ended before it was up
            logger.debug("workers did not begin", exc_info=error)
            raise WorkersError(UNGUARDED.format(why=f" ({error})")) from None
        with closing(cluster), closing(Client(cluster)) as client:
            yield client


@contextmanager
def _reach(scheduler: str) -> Iterator[Any]:
    from distributed import Client

    try:
        client = Client(scheduler, timeout=REACHED_WITHIN_S)
    except (OSError, ValueError) as error:
        raise SchedulerLost(
            f"scheduler {scheduler}: cannot be reached ({error}); check the address, and that "
            "its version of Dask is the one here"
        ) from error
    with closing(client):
        yield client


def _on_cluster(
    client: Any, jobs: Mapping[str, Job], work: Callable[[Job], Any], retries: int
) -> Iterator[Result]:
    from distributed import as_completed

    waiting, tries = list(jobs), dict.fromkeys(jobs, 0)
    own = token_hex(8)  # a task of the same key is the same to Dask, whichever client sent it
    under_way: dict[Any, str] = {}
    done = as_completed()

    def begin(name: str) -> None:
        tries[name] += 1
        key = f"{name}#{tries[name]}#{own}"
        future = client.submit(work, jobs[name], key=key, pure=False)
        under_way[future] = name
        done.add(future)

    def fill() -> None:
        while waiting and len(under_way) < max(1, sum(client.nthreads().values())):
            begin(waiting.pop(0))

    fill()
    while under_way:
        future = _next(done, client)
        if future.status == "lost":  # its worker died before the result was taken: done again
            done.add(future)
            continue
        name = under_way.pop(future)
        where = _where(client, future)
        result = replace(_taken(future, name, tries[name]), worker=where)
        again = result.died and tries[name] <= retries
        if again:
            begin(name)
        try:
            fill()  # the worker goes on while the caller deals with the result
        except OSError:
            if not again:
                yield result
            raise
        if not again:
            yield result


def _next(done: Any, client: Any) -> Any:
    """Wait for the next future that is done.

    Raises
    ------
    WorkersError
        If no worker of this machine is left to wait for; others may come to a cluster lent, and
        that they are waited for is told once.
    """
    seen = asked = time.monotonic()
    told = False
    while not done.has_ready():
        time.sleep(0.05)
        now = time.monotonic()
        if now - asked < 1.0:
            continue
        asked = now
        if client.nthreads():
            seen, told = now, False
        elif client.cluster is not None:
            if now - seen > BACK_WITHIN_S:
                raise WorkersError(NONE_LEFT)
        elif not told and now - seen > TOLD_WITHIN_S:
            logger.warning(WAITING, client.scheduler.address)
            told = True
    return next(done)


def _where(client: Any, future: Any) -> str:
    """Return the address of the worker of a cluster lent that holds a result; "" if none does."""
    if client.cluster is not None or future.status != "finished":
        return ""
    return ", ".join(next(iter(client.who_has([future]).values()), ()))


def _taken(future: Any, name: str, tries: int) -> Result:
    """Return the result of a future that is done.

    Raises
    ------
    SchedulerLost
        If it was given up because the scheduler is gone.
    """
    from distributed import KilledWorker

    if future.status == "cancelled":
        raise SchedulerLost(GONE)
    error = future.exception()
    if error is None:
        return Result(name, future.result(), tries=tries)
    if isinstance(error, KilledWorker):
        text = "its worker died, every time; it may need more memory (--memory)"
        return Result(name, error=text, died=True, tries=tries)
    return Result(name, error=_words(error), tries=tries)
