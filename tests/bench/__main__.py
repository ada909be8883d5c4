"""All measurements, or some of them: ``python -m tests.bench [SECTION ...] [options]``.

Each section replaces its table in ``RESULTS.md``; the others stay.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from tests.bench.batch_speed import measure_batch
from tests.bench.engineering import measure_engineering
from tests.bench.kills import run_campaign
from tests.bench.nation import measure_nation
from tests.bench.parts import measure_chaining, measure_elevation, measure_optimiser
from tests.bench.plan_speed import measure_first, measure_floors, measure_plan
from tests.bench.results import Section, keep, kept, machine

SAMPLE = Path(__file__).parents[2] / "sample_gis" / "brief.toml"


def main() -> int:
    given = _arguments()
    given.work.mkdir(parents=True, exist_ok=True)
    fine = True

    def kills() -> Section:
        nonlocal fine
        section, fine = run_campaign(given.work, given.rounds, given.seed)
        return section

    sections: dict[str, Callable[[], Section]] = {
        "plan": lambda: measure_plan(given.work, given.sizes or [1000, 10_000, 100_000]),
        "floors": lambda: measure_floors(given.work, given.sizes or [1000, 10_000, 100_000]),
        "first": lambda: measure_first(given.work, SAMPLE),
        "chaining": lambda: measure_chaining(given.work, given.sizes or [1000, 10_000]),
        "optimiser": lambda: measure_optimiser(given.work, given.lengths, given.seconds),
        "elevation": lambda: measure_elevation(given.work, given.sizes or [1000, 10_000]),
        "engineering": lambda: measure_engineering(*(given.sizes or [100_000, 1000])[:2]),
        "batch": lambda: measure_batch(given.work, (given.sizes or [1000])[0]),
        "nation": lambda: _nation(given.work, (given.sizes or [100_000])[0]),
        "kills": kills,
    }
    for name in given.sections or sections:
        print(f"{name} ...", flush=True)
        load = os.getloadavg()[0]
        keep(name, replace(sections[name](), machine=machine(load)))
    return 0 if fine else 1


def _nation(work: Path, size: int) -> Section:
    """Take the length of a main from the plans measured, which must come first."""
    cities = kept()["plan"].data.values()
    largest = max(cities, key=lambda city: city["mains"])
    return measure_nation(work, size, max(1, size // 12_500), largest["length"] / largest["mains"])


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("sections", nargs="*", metavar="SECTION")
    parser.add_argument("--sizes", type=int, nargs="+", help="mains of the cities")
    parser.add_argument("--lengths", type=int, nargs="+", default=[7, 17], help="of runs, km")
    parser.add_argument("--seconds", type=float, default=300.0, help="most time for HiGHS")
    parser.add_argument("--rounds", type=int, default=50, help="kills of each kind")
    parser.add_argument("--seed", type=int, default=1, help="of the kills")
    folder = Path(tempfile.gettempdir()) / "slipmain-bench"
    parser.add_argument("--work", type=Path, default=folder, help="folder for cities and plans")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
