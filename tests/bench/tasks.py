"""What a plan is measured against, each a process of its own: the layers read and written alone.

python -m tests.bench.tasks read FILE
python -m tests.bench.tasks read_write FILE STATIONS TARGET
python -m tests.bench.tasks frames FILE PLAN TARGET [LAYER ...]
python -m tests.bench.tasks arrow FILE PLAN TARGET [LAYER ...]

The last two read the layers a plan is made of, or some, write all layers of the plan, and print
the time that took, wall clock and processor, without start-up and without getting the plan's
layers ready.
"""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pyogrio


def read(file: str) -> None:
    """Read all layers of a file with pyogrio alone."""
    for name, _ in pyogrio.list_layers(file):
        pyogrio.read_arrow(file, layer=name)


def read_write(file: str, stations: str, target: str) -> None:
    """Read all layers, then write a layer of stations, kept as Arrow, to a GeoPackage."""
    import pyarrow.feather

    read(file)
    table = pyarrow.feather.read_table(stations)
    Path(target).unlink(missing_ok=True)
    pyogrio.write_arrow(
        table,
        target,
        layer="stations",
        driver="GPKG",
        geometry_name="geom",
        geometry_type="Point",
        crs="EPSG:32633",
    )


def frames(file: str, plan: str, target: str, *names: str) -> None:
    """Read and write as GeoDataFrames."""
    ready = {
        name: (pyogrio.read_dataframe(plan, layer=name), {})
        for name, _ in pyogrio.list_layers(plan)
    }
    _timed(pyogrio.read_dataframe, pyogrio.write_dataframe, file, names, ready, target)


def arrow(file: str, plan: str, target: str, *names: str) -> None:
    """Read and write as Arrow, with no geometry objects."""
    ready = {}
    for name, _ in pyogrio.list_layers(plan):
        meta, table = pyogrio.read_arrow(plan, layer=name)
        if meta["geometry_type"] is None:  # pyogrio writes no table without geometry from Arrow
            continue
        kept = ("geometry_name", "geometry_type", "crs")
        ready[name] = table, {key: meta[key] for key in kept}
    _timed(pyogrio.read_arrow, pyogrio.write_arrow, file, names, ready, target)


def _timed(
    read: Any, write: Any, file: str, names: Sequence[str], ready: dict[str, Any], target: str
) -> None:
    Path(target).unlink(missing_ok=True)
    begin, cpu = time.perf_counter(), time.process_time()
    for name in names or [name for name, _ in pyogrio.list_layers(file)]:
        read(file, layer=name)
    for name, (rows, options) in ready.items():
        write(rows, target, layer=name, driver="GPKG", **options)
    took = {"wall": time.perf_counter() - begin, "cpu": time.process_time() - cpu}
    print(json.dumps(took))


if __name__ == "__main__":
    globals()[sys.argv[1]](*sys.argv[2:])
