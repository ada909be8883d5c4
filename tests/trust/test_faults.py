"""Faults of the machine: whatever happens, the old output stands or the new one is whole."""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from fuzz import cli, small_plan
from killed import contents, small_network

ROOT = Path(__file__).resolve().parents[2]
OLD = b"the plan of last week"
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT)}


@pytest.fixture
def network(tmp_path: Path) -> list[str]:
    folder = tmp_path / "data"
    folder.mkdir()
    return small_network(folder)


def plan(network: list[str], target: Path) -> tuple[int, str]:
    words = ["plan", *network, "-o", target, "--overwrite", "--set", "output.styles=false"]
    return cli(*words)


def in_a_process(words: list[Any], limit: Callable[[], None] | None = None) -> Any:
    return subprocess.run(
        [sys.executable, "-P", "-m", "geotools", *map(str, words)],
        capture_output=True, text=True, check=False, timeout=300, env=ENVIRONMENT,
        preexec_fn=limit,
    )  # fmt: skip


def test_plan_killed_at_random_moments_leaves_the_old_file_or_the_whole_new_one() -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "tests/trust/killed.py"), "--small", "--times", "2"],
        capture_output=True, text=True, check=False, timeout=300, env=ENVIRONMENT,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert json.loads(done.stdout)["times"] == 2


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of its own with 256 KiB, less than a plan needs."""
    disk = tmp_path / "disk"
    disk.mkdir()
    words = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(disk)]
    if subprocess.run(words, capture_output=True, check=False).returncode:
        pytest.skip("a small file system cannot be mounted here")
    yield disk
    subprocess.run(["umount", str(disk)], check=True)


def test_full_disk_leaves_the_old_file_and_nothing_beside_it(
    network: list[str], small_disk: Path
) -> None:
    target = small_disk / "plan.gpkg"
    target.write_bytes(OLD)
    code, said = plan(network, target)
    assert code == 2
    assert "plan.gpkg: writing failed" in said
    assert "free space" in said
    assert target.read_bytes() == OLD
    assert list(small_disk.iterdir()) == [target]


@pytest.fixture
def read_only_folder(tmp_path: Path) -> Iterator[Path]:
    """A folder nobody may write in; permissions alone do not hold the superuser back."""
    folder = tmp_path / "closed"
    folder.mkdir()
    (folder / "plan.gpkg").write_bytes(OLD)
    if not hasattr(os, "geteuid"):
        pytest.skip("a folder is closed otherwise here")
    if os.geteuid():
        folder.chmod(0o555)
        yield folder
        folder.chmod(0o755)
        return
    steps = (["mount", "--bind", folder, folder], ["mount", "-o", "remount,ro,bind", folder])
    if any(subprocess.run(s, capture_output=True, check=False).returncode for s in steps):
        subprocess.run(["umount", folder], capture_output=True, check=False)
        pytest.skip("a folder cannot be made read-only here")
    yield folder
    subprocess.run(["umount", folder], check=True)


def test_read_only_folder_is_told_before_any_work(
    network: list[str], read_only_folder: Path
) -> None:
    code, said = plan(network, read_only_folder / "plan.gpkg")
    assert code == 2
    assert "cannot write in" in said
    assert "permissions" in said
    assert (read_only_folder / "plan.gpkg").read_bytes() == OLD


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_output_open_elsewhere_is_never_half_of_two_plans(
    mode: str, network: list[str], tmp_path: Path
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_bytes(small_plan().read_bytes())
    with closing(sqlite3.connect(target, isolation_level=None)) as other:
        other.execute(f"PRAGMA journal_mode = {mode}")
        other.execute("BEGIN IMMEDIATE")
        other.execute("UPDATE settings SET value = 'changed'")
        other.execute("COMMIT" if mode == "WAL" else "SELECT 1")
        code, said = plan(network, target)
        if mode == "WAL":  # its log would be played into the new file
            assert code == 2
            assert "is open in another program" in said
        else:
            assert code == 0
            other.execute("COMMIT")
    told = contents(target)
    assert told == contents(small_plan())
    with closing(sqlite3.connect(target)) as file:
        values = {value for (value,) in file.execute("SELECT value FROM settings")}
    assert ("changed" in values) == (mode == "WAL")


def test_clock_set_back_and_files_of_the_future_change_nothing(
    network: list[str], tmp_path: Path
) -> None:
    target = tmp_path / "plan.gpkg"
    target.write_bytes(OLD)
    source = Path(network[1].removesuffix(":mains"))
    os.utime(source, (4e9, 4e9))  # in the year 2096
    os.utime(target, (4e9, 4e9))
    assert plan(network, target)[0] == 0
    os.utime(source, (0, 0))
    assert plan(network, target)[0] == 0
    assert contents(target) == contents(small_plan())


def test_low_memory_is_told_and_leaves_the_old_file(network: list[str], tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")
    target = tmp_path / "plan.gpkg"
    target.write_bytes(OLD)
    size = 500 * 2**20  # less than the libraries and the work need, more than the command line

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (size, size))

    done = in_a_process(["plan", *network, "-o", target, "--overwrite"], limit)
    assert done.returncode in (2, 3)  # 3: a library could not be loaded at all
    assert "Traceback" not in done.stderr
    assert done.stderr.splitlines()[-1].startswith("error: ")
    assert target.read_bytes() == OLD


def test_memory_that_runs_out_in_the_work_is_no_internal_error(
    network: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run_out(*args: Any, **options: Any) -> None:
        raise MemoryError

    monkeypatch.setattr("geotools.intake.read.read_layers", run_out)
    code, said = plan(network, tmp_path / "plan.gpkg")
    assert code == 2
    assert "memory there is does not suffice" in said
    assert not (tmp_path / "plan.gpkg").exists()
