"""Kill campaign: SIGKILL at random moments of a batch and of a plan, and what is left of them.

    python -m tests.bench kills --rounds 50 --seed 1

A batch is killed, its main process with all its workers, one worker alone, or the scheduler of a
cluster it was lent (which it must then say), and is resumed: every district must have the hash of
an undisturbed batch, and nothing else may lie in the folder. A plan that is killed while it
replaces an older one must leave the old file or the new one, whole. The table counts what
happened; exit code 1 on any difference.
"""

from __future__ import annotations

import json
import random
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import psutil

from geotools.intake.digest import sha256
from tests.bench.measure import geotools
from tests.bench.results import Section
from tests.plan.test_batch import write_network

__all__ = ["run_campaign"]


def run_campaign(work: Path, rounds: int, seed: int) -> tuple[Section, bool]:
    """Kill batches and plans so many times each; tell whether all came out as undisturbed."""
    rng = random.Random(seed)  # noqa: S311 - moments, not secrets
    work.mkdir(parents=True, exist_ok=True)
    folder = work / "kills"
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    brief = write_network(folder)
    tallies: dict[str, Counter[str]] = {}
    for name, options in (("main process", []), ("one worker", ["--workers", "2"])):
        tallies[f"batch, {name}"] = _batches(folder, brief, options, rounds, rng)
    tallies["batch, scheduler of a cluster"] = _lent(folder, brief, rounds, rng)
    tallies["plan"] = _plans(folder, brief, rounds, rng)
    return _section(tallies, rounds, seed), not any(t["different"] for t in tallies.values())


def _section(tallies: dict[str, Counter[str]], rounds: int, seed: int) -> Section:
    names = ("killed", "done before", "as undisturbed", "different")
    rows = [[name, *(str(tally[n]) for n in names)] for name, tally in tallies.items()]
    return Section(
        "Killed at random moments",
        f"python -m tests.bench kills --rounds {rounds} --seed {seed}",
        ["what was killed", *names],
        rows,
        [
            "batch: resumed, then the hashes of all districts and the files in the folder compared "
            "with an undisturbed batch; without its scheduler it must have said so; plan: the old "
            "file or the new one, whole",
        ],
    )


def _run(arguments: Sequence[str]) -> None:
    subprocess.run([sys.executable, *arguments], check=True, stdout=subprocess.DEVNULL)


def _begin(arguments: Sequence[str]) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def _duration(arguments: Sequence[str]) -> float:
    begin = time.perf_counter()
    _run(arguments)
    return time.perf_counter() - begin


def _hashes(folder: Path) -> dict[str, str]:
    content = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    found = {name: entry["sha256"] for name, entry in content["districts"].items()}
    for entry in content["districts"].values():  # the files are what the manifest says
        if entry["file"] and sha256(folder / entry["file"]) != entry["sha256"]:
            found[entry["file"]] = "not as in the manifest"
    return found


def _names(folder: Path) -> set[str]:
    """Return all files in a folder and those in it."""
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def _batches(
    folder: Path, brief: Path, options: list[str], rounds: int, rng: random.Random
) -> Counter[str]:
    """Kill batches: their main process and so everything, or one worker where there are any."""
    calm = folder / f"calm{len(options)}"
    duration = _duration(geotools("batch", brief, "-o", calm, *options))
    tally = Counter[str]()
    for number in range(rounds):
        out = folder / f"out{len(options)}-{number}"
        process = _begin(geotools("batch", brief, "-o", out, *options))
        hit = _strike(process, rng.uniform(0.0, 1.1 * duration), worker=bool(options), rng=rng)
        tally["killed" if hit else "done before"] += 1
        tally["as undisturbed" if _resumed(brief, out, calm) else "different"] += 1
    return tally


def _resumed(brief: Path, out: Path, calm: Path) -> bool:
    """Resume a batch; tell whether it came out as the undisturbed one, and take it away."""
    _run(geotools("batch", brief, "-o", out, "--resume"))
    left, there = _names(out), _names(calm)
    same = _hashes(out) == _hashes(calm) and left == there
    if not same:
        print(f"{out.name}: {sorted(left ^ there)} {_hashes(out)}", flush=True)
    shutil.rmtree(out, ignore_errors=True)
    return same


def _lent(folder: Path, brief: Path, rounds: int, rng: random.Random) -> Counter[str]:
    """Kill the scheduler of a cluster while a batch runs on it; the batch must say so and end."""
    calm = folder / "calm-lent"
    with _cluster(folder) as (_, address):
        duration = _duration(geotools("batch", brief, "-o", calm, "--scheduler", address))
    tally = Counter[str]()
    for number in range(rounds):
        out = folder / f"lent-{number}"
        with _cluster(folder) as (scheduler, address):
            command = geotools("batch", brief, "-o", out, "--scheduler", address)
            process = subprocess.Popen([sys.executable, *command], stderr=subprocess.PIPE)
            time.sleep(rng.uniform(0.0, 1.1 * duration))
            hit = process.poll() is None
            scheduler.kill()
            said = process.communicate(timeout=300)[1].decode()
        tally["killed" if hit else "done before"] += 1
        told = process.returncode == 0 or "scheduler" in said
        same = _resumed(brief, out, calm) and told
        tally["as undisturbed" if same else "different"] += 1
        if not told:
            print(f"{out.name}: ended with {process.returncode}, saying {said!r}", flush=True)
    return tally


@contextmanager
def _cluster(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """Start a scheduler and two workers; yield the scheduler and its address."""
    file = folder / "scheduler.json"
    file.unlink(missing_ok=True)
    of = ["--scheduler-file", str(file)]
    one = _begin(["-m", "distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard", *of])
    two = _begin(["-m", "distributed.cli.dask_worker", "--nworkers", "2", "--nthreads", "1", *of])
    try:
        while not file.exists():
            time.sleep(0.05)
        yield one, json.loads(file.read_text(encoding="utf-8"))["address"]
    finally:
        for process in (one, two):
            _kill_all(process)


def _strike(
    process: subprocess.Popen[bytes], moment: float, *, worker: bool, rng: random.Random
) -> bool:
    """Kill the process, or one of its workers, after some seconds; tell whether it was in time."""
    end = time.perf_counter() + moment
    while process.poll() is None and time.perf_counter() < end:
        time.sleep(0.005)
    if process.poll() is not None:
        return False
    family = psutil.Process(process.pid).children(recursive=True)
    if worker and family:
        victim = rng.choice(family)
        alive = victim.is_running()
        _kill(victim)
        try:
            process.wait(timeout=300)  # the batch goes on, or gives the district up
        except subprocess.TimeoutExpired:
            _kill_all(process)
        return alive
    _kill_all(process)
    return True


def _kill(victim: psutil.Process) -> None:
    try:
        victim.kill()
    except psutil.NoSuchProcess:
        return


def _kill_all(process: subprocess.Popen[bytes]) -> None:
    """Kill a process we began, and what it began."""
    if process.poll() is not None:
        return
    family = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGKILL)
    for victim in family:
        _kill(victim)
    process.wait()
    psutil.wait_procs(family, timeout=10)


def _plans(folder: Path, brief: Path, rounds: int, rng: random.Random) -> Counter[str]:
    """Kill plans that replace an older one made with other units."""
    old, new, target = (folder / name for name in ("old.gpkg", "new.gpkg", "plan.gpkg"))
    _run(geotools("plan", brief, "-o", old, "--units", "us"))
    command = geotools("plan", brief, "-o", target, "--overwrite")
    duration = _duration(geotools("plan", brief, "-o", new))
    whole, tally = {sha256(old), sha256(new)}, Counter[str]()
    for _ in range(rounds):
        shutil.copyfile(old, target)
        process = _begin(command)
        hit = _strike(process, rng.uniform(0.0, 1.1 * duration), worker=False, rng=rng)
        tally["killed" if hit else "done before"] += 1
        same = sha256(target) in whole
        tally["as undisturbed" if same else "different"] += 1
        for part in folder.glob(".plan.*"):
            part.unlink()
    return tally
