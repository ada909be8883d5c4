"""A nation on paper: what 3.5 million km of mains would take, from the figures measured.

A simulated run plans a city of many mains district by district; the time and memory of its
districts, not those of one small plan, are what is carried over.
"""

from __future__ import annotations

import json
from pathlib import Path

from tests.bench.city import make_city
from tests.bench.measure import child, geotools
from tests.bench.results import Section

__all__ = ["measure_nation"]

NATION = 3.5e9  # m of mains
MB = 1e6
WORKERS = (2, 8, 64)


def measure_nation(work: Path, size: int, districts: int, main_length: float) -> Section:
    """Plan a city of so many mains in districts by two workers, once, and carry it over."""
    brief = make_city(work / f"nation{size}", mains=size, districts=districts)
    folder = work / "nation"
    figure = child(geotools("batch", brief, "-o", folder, "--overwrite", "--workers", 2))
    entries = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["districts"]
    done = sum(entry["status"] == "done" for entry in entries.values())
    if done != districts:
        raise RuntimeError(f"only {done} of {districts} districts are done")
    written = sum(p.stat().st_size for p in folder.glob("*.gpkg"))
    factor = NATION / (size * main_length)
    hours = figure.cpu * factor / 3600
    rows = [
        [
            str(workers),
            f"{figure.cpu * 1e6 / (size * main_length):,.1f}",
            f"{hours:,.0f}",
            f"{hours / workers:,.1f}",
            f"{figure.peak / MB * workers / 1e3:,.1f}",
            f"{written * factor / 1e12:,.2f}",
        ]
        for workers in WORKERS
    ]
    return Section(
        "A nation on paper: 3.5 million km of mains",
        f"python -m tests.bench nation --sizes {size}",
        ["workers", "CPU s per 1,000 km", "CPU hours", "hours", "memory GB", "files TB"],
        rows,
        [
            f"simulated: {size:,} mains, {size * main_length / 1e3:,.0f} km, in {districts} "
            f"districts by 2 workers, one round: {figure.wall:,.0f} s, {figure.cpu:,.0f} CPU s, "
            f"peak of the largest process {figure.peak / MB:,.0f} MB, {written / MB:,.0f} MB "
            "written",
            "assumed: time grows with the length of mains, cities are planned one after the other "
            "in batches of this size, a sixth of the mains may be lined, workers share nothing "
            "but the disk",
        ],
    )
