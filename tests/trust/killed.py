"""Campaign: `plan` is killed (SIGKILL) at random moments; the old output stands or the new one.

``python tests/trust/killed.py --times 100`` prints what it found as JSON. Each attempt is a fork
of one process that has the libraries loaded, so that the moments fall into the work and not into
the loading. Every second attempt is killed at any moment of the run, the others while the new
file is being written or moved.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

PATIENCE = 300.0  # s, after which an attempt counts as hanging


def load() -> None:
    """Import what a plan needs; nothing of it is run, so no threads are there to be forked."""
    import geotools.cli
    import geotools.deliver.geopackage
    import geotools.deliver.sld
    import geotools.ground.sample
    import geotools.intake.parquet
    import geotools.intake.read
    import geotools.layout.tables
    import geotools.layout.whole
    import geotools.tools.plan  # noqa: F401


def start(arguments: list[str], log: Path) -> int:
    """Run a command in a fork and return its process id."""
    child = os.fork()
    if child:
        return child
    code = 3
    with contextlib.suppress(BaseException):  # the fork ends here, whatever comes
        out = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        os.dup2(out, 1)
        os.dup2(out, 2)
        from geotools.cli import main

        try:
            main(arguments)
        except SystemExit as left:
            code = int(left.code or 0)
    os._exit(code)


def ended(child: int) -> int | None:
    """Return the exit code of a process (negative for a signal), None while it runs."""
    done, status = os.waitpid(child, os.WNOHANG)
    return os.waitstatus_to_exitcode(status) if done else None


def wait(child: int, until: Callable[[], bool]) -> int | None:
    """Wait for the end of a process or for something else; return the exit code if it ended."""
    last = time.monotonic() + PATIENCE
    while time.monotonic() < last:
        code = ended(child)
        if code is not None:
            return code
        if until():
            return None
        time.sleep(0.0005)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    raise RuntimeError("the plan hangs")


def contents(path: Path) -> dict[str, int]:
    """Return the rows of every table of a GeoPackage that is whole.

    Raises
    ------
    sqlite3.Error, ValueError
        If it is not.
    """
    with contextlib.closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as file:
        (state,) = file.execute("PRAGMA integrity_check").fetchone()
        if state != "ok":
            raise ValueError(state)
        names = [n for (n,) in file.execute("SELECT table_name FROM gpkg_contents ORDER BY 1")]
        return {n: file.execute(f'SELECT COUNT(*) FROM "{n}"').fetchone()[0] for n in names}  # noqa: S608


@dataclass
class Bench:
    """A folder with an old plan in it, and the call that replaces it."""

    folder: Path
    words: list[str]
    old: bytes = b""
    new: dict[str, int] | None = None
    whole: float = 0.0  # s, a run from end to end
    writing: float = 0.0  # s, from the first byte of the new file to the end

    @property
    def target(self) -> Path:
        return self.folder / "plan.gpkg"

    def begin(self) -> int:
        if self.old:
            self.target.write_bytes(self.old)
        words = ["plan", *self.words, "-o", str(self.target), "--overwrite", "--quiet"]
        return start(words, self.folder.parent / "log.txt")

    def is_writing(self) -> bool:
        """Tell whether a new file with something in it stands beside the target."""
        seen = {file: file for file in self.parts()}
        with contextlib.suppress(FileNotFoundError):
            return any(file.stat().st_size > 0 for file in seen)
        return True

    def parts(self) -> list[Path]:
        return [f for f in self.folder.iterdir() if f.name.startswith(".plan.")]

    def measure(self) -> None:
        """Write the old plan and the new one whole, and take the time."""
        for further in (["--set", "output.units=us"], []):
            self.words += further
            begun = time.monotonic()
            child = self.begin()
            code = wait(child, self.is_writing)
            seen = time.monotonic()
            code = wait(child, lambda: False) if code is None else code
            if code != 0:
                raise RuntimeError((self.folder.parent / "log.txt").read_text())
            self.whole, self.writing = time.monotonic() - begun, time.monotonic() - seen
            if further:
                del self.words[-len(further) :]
                self.kept = self.target.read_bytes()
        self.old, self.new = self.kept, contents(self.target)

    def attempt(self, moment: float, *, while_writing: bool) -> str:
        """Kill one run and return what is left: old, new, or what is wrong."""
        before = set(self.parts())
        child = self.begin()
        code = None
        if while_writing:
            code = wait(child, lambda: bool(set(self.parts()) - before))
            moment *= self.writing
        else:
            moment *= self.whole
        until = time.monotonic() + moment
        if code is None:
            code = wait(child, lambda: time.monotonic() >= until)
        if code is None:
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
        elif code != 0:
            return f"exit code {code}"
        return self.state()

    def state(self) -> str:
        if self.target.read_bytes() == self.old:
            return "old"
        try:
            there = contents(self.target)
            for style in self.folder.glob("plan_styles/[!.]*.sld"):  # parts may be left behind
                ElementTree.parse(style)  # noqa: S314 - written by this program
        except (sqlite3.Error, ValueError, ElementTree.ParseError) as error:
            return f"damaged: {error}"
        return "new" if there == self.new else "neither the old plan nor the new one"


def campaign(words: list[str], *, times: int, seed: int) -> dict[str, object]:
    """Kill a plan so many times and count what was left."""
    chance = random.Random(seed)  # noqa: S311 - moments, no secrets
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "out"
        folder.mkdir()
        bench = Bench(folder, list(words))
        bench.measure()
        left = {True: Counter[str](), False: Counter[str]()}
        for k in range(times):
            writing = k % 2 == 1
            left[writing][bench.attempt(chance.uniform(0.0, 1.1), while_writing=writing)] += 1
        parts = len(bench.parts())
        after = wait(bench.begin(), lambda: False)
        return {
            "times": times,
            "seed": seed,
            "seconds_whole": round(bench.whole, 2),
            "seconds_writing": round(bench.writing, 2),
            "killed_at_any_moment": dict(left[False]),
            "killed_while_writing": dict(left[True]),
            "parts_left_behind": parts,
            "plan_after_all_that": bench.state() if after == 0 else f"exit code {after}",
            "parts_after_all_that": len(bench.parts()),
        }


def small_network(folder: Path) -> list[str]:
    """Write three mains in a row and return the arguments that plan them."""
    import geopandas as gpd
    import shapely

    lines = [
        shapely.LineString([(500_000 + 200 * k, 4_800_000), (500_200 + 200 * k, 4_800_000)])
        for k in range(3)
    ]
    frame = gpd.GeoDataFrame(
        {"main_id": ["M1", "M2", "M3"], "diameter_mm": 300.0, "cover_m": 1.2},
        geometry=lines, crs="EPSG:32633",
    )  # fmt: skip
    frame.to_file(folder / "net.gpkg", layer="mains", driver="GPKG")
    return ["--mains", f"{folder / 'net.gpkg'}:mains"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--times", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--small", action="store_true", help="three mains, not the sample")
    given = parser.parse_args()
    load()
    with tempfile.TemporaryDirectory() as folder:
        words = [str(ROOT / "sample_gis" / "brief.toml")]
        if given.small:
            child = os.fork()  # GDAL is kept out of the process that is forked again and again
            if not child:
                small_network(Path(folder))
                os._exit(0)
            os.waitpid(child, 0)
            words = ["--mains", f"{folder}/net.gpkg:mains"]
        found = campaign(words, times=given.times, seed=given.seed)
    print(json.dumps(found, indent=2))
    states = {*found["killed_at_any_moment"], *found["killed_while_writing"]}  # type: ignore[misc]
    sound = states <= {"old", "new"} and found["plan_after_all_that"] == "new"
    return 0 if sound and found["parts_after_all_that"] == 0 else 1


if __name__ == "__main__":
    sys.exit(main())
