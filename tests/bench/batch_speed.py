"""A batch: two workers against one, and many districts against few of the same size."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

from tests.bench.city import make_city
from tests.bench.measure import Figure, child, geotools, in_turn
from tests.bench.results import Section

__all__ = ["measure_batch"]

MB = 1e6
DISTRICTS, MOST = 8, 64


def measure_batch(work: Path, size: int) -> Section:
    """Measure batches of cities of one, eight and 64 districts of so many mains each."""
    one = make_city(work / f"districts1-{size}", mains=size, districts=1)
    many = make_city(work / f"districts8-{size}", mains=size * DISTRICTS, districts=DISTRICTS)
    most = make_city(work / f"districts{MOST}-{size}", mains=size * MOST, districts=MOST)
    tasks = {
        "1 district, this process": partial(_batch, work, one, []),
        "8 districts, this process": partial(_batch, work, many, []),
        "8 districts, 1 worker": partial(_batch, work, many, ["--workers", 1]),
        "8 districts, 2 workers": partial(_batch, work, many, ["--workers", 2]),
    }
    large = {
        "64 districts, 1 worker": partial(_batch, work, most, ["--workers", 1]),
        "64 districts, 2 workers": partial(_batch, work, most, ["--workers", 2]),
    }
    # Apart, so that the machine has little time to change its speed between the two compared.
    turns = [in_turn(tasks), in_turn(large, least=3)]
    found = {name: figure for figures, _ in turns for name, figure in figures.items()}
    rounds = {name: str(count) for figures, count in turns for name in figures}
    base = found["1 district, this process"]
    rows = [
        [
            name,
            rounds[name],
            f"{f.wall:.2f}",
            f"{f.cpu:.2f}",
            f"{f.wall / base.wall:.2f}",
            f"{found[_alone(name)].wall / f.wall:.2f}" if "worker" in name else "",
            f"{f.peak / MB:,.0f}",
            f"{f.peak / base.peak:.2f}",
        ]
        for name, f in found.items()
    ]
    return Section(
        f"A batch of districts of {size:,} mains",
        f"python -m tests.bench batch --sizes {size}",
        ["batch", "rounds", "s", "CPU s", "time / 1 district", "1 worker / this", "peak MB",
         "peak / 1 district"],
        rows,
        ["the city of 8 districts has 8 times the mains, that of 64 has 64 times; peak: of the "
         "largest process, which with workers is a worker or the main process"],
        {name: vars(f) for name, f in found.items()},
    )  # fmt: skip


def _alone(name: str) -> str:
    """Return the row of one worker for as many districts."""
    return f"{name.partition(',')[0]}, 1 worker"


def _batch(work: Path, brief: Path, options: list[object]) -> Figure:
    folder = work / "batch"
    figure = child(geotools("batch", brief, "-o", folder, "--overwrite", *options))
    entries = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))["districts"]
    if {entry["status"] for entry in entries.values()} - {"done", "empty"}:
        raise RuntimeError(f"{brief}: a district failed")
    return figure
