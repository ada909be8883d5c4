"""A nation on paper: what 3.5 million km of mains would take, from the figures measured.

A simulated run plans a city of many mains district by district by two workers; the wall clock and
memory of its districts, not those of one small plan, are what is carried over.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from tests.bench.city import make_city
from tests.bench.measure import child, geotools
from tests.bench.results import Section

__all__ = ["Measured", "carried_over", "measure_nation", "on_paper", "undivided"]

NATION = 3.5e9  # m of mains
MB = 1e6
MEASURED_BY = 2  # workers
WORKERS = (MEASURED_BY, 8, 64)


@dataclass(frozen=True)
class Measured:
    """What a batch of a city took: s, CPU s, peak and files in bytes, length of its mains in m."""

    wall: float
    cpu: float
    peak: float
    written: float
    length: float


def undivided(wall: float, cpu: float) -> float:
    """Return the part of a batch by two workers, s, that more of them would not shorten.

    In it one processor is at work, the main process mostly; in the rest both are wholly at work:
    ``cpu = part + 2 (wall - part)``.
    """
    return min(max(MEASURED_BY * wall - cpu, 0.0), wall)


def carried_over(of: Measured, workers: int) -> tuple[float, float]:
    """Return the hours of the nation by so many workers, and those that none of them shortens."""
    factor = NATION / of.length / 3600
    alone = undivided(of.wall, of.cpu)
    shared = (of.wall - alone) * MEASURED_BY
    return (alone + shared / workers) * factor, alone * factor


def measure_nation(work: Path, size: int, districts: int, main_length: float) -> Section:
    """Plan a city of so many mains in districts by two workers, once, and carry it over."""
    brief = make_city(work / f"nation{size}", mains=size, districts=districts)
    folder = work / "nation"
    figure = child(geotools("batch", brief, "-o", folder, "--overwrite", "--workers", MEASURED_BY))
    entries = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["districts"]
    done = sum(entry["status"] == "done" for entry in entries.values())
    if done != districts:
        raise RuntimeError(f"only {done} of {districts} districts are done")
    written = sum(p.stat().st_size for p in folder.glob("*.gpkg"))
    of = Measured(figure.wall, figure.cpu, figure.peak, written, size * main_length)
    return on_paper(of, size, districts)


def on_paper(of: Measured, size: int, districts: int) -> Section:
    """Carry what was measured over to a nation."""
    factor = NATION / of.length
    rows = []
    for workers in WORKERS:
        hours, alone = carried_over(of, workers)
        rows.append(
            [
                str(workers),
                f"{of.cpu * 1e6 / of.length:,.1f}",
                f"{of.cpu * factor / 3600:,.0f}",
                f"{hours:,.1f}",
                f"{alone:,.1f}",
                f"{of.peak / MB * workers / 1e3:,.1f}",
                f"{of.written * factor / 1e12:,.2f}",
            ]
        )
    return Section(
        "A nation on paper: 3.5 million km of mains",
        f"python -m tests.bench nation --sizes {size}",
        [
            *("workers", "CPU s per 1,000 km", "CPU hours", "hours"),
            *("of these undivided", "memory GB", "files TB"),
        ],
        rows,
        [
            f"simulated: {size:,} mains, {of.length / 1e3:,.0f} km, in {districts} "
            f"districts by {MEASURED_BY} workers, one round: {of.wall:,.0f} s, {of.cpu:,.0f} CPU "
            f"s, peak of the largest process {of.peak / MB:,.0f} MB, {of.written / MB:,.0f} MB "
            "written",
            "assumed: time grows with the length of mains, cities are planned one after the other "
            "in batches of this size, a sixth of the mains may be lined, workers share nothing "
            "but the disk; both processors were at work but for the part that more workers do not "
            f"shorten, {undivided(of.wall, of.cpu):,.0f} s of the {of.wall:,.0f}, and the rest "
            "divides by the workers; memory is that of the largest process for every worker",
        ],
        asdict(of),
    )
