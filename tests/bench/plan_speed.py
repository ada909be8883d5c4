"""A plan from end to end against reading and writing alone, and how it grows with the city."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise
from pathlib import Path

import pyarrow.feather
import pyogrio

from tests.bench.city import make_city
from tests.bench.measure import Figure, child, geotools, in_turn
from tests.bench.results import Section

__all__ = ["measure_first", "measure_floors", "measure_plan"]

MB = 1e6
LEAN = ("mains", "streets")
STATIONS_TOO = ("carrier.tries=1", "carrier.thicker=false")
LEAN_SETTINGS = (*STATIONS_TOO, "output.stations=false")
IO_LIBRARIES = ("geopandas", "rasterio", "pyogrio", "shapely", "pyproj", "pyarrow")


def measure_plan(work: Path, sizes: list[int]) -> Section:
    """Measure a plan of cities of so many mains."""
    rows, data = [], {}
    for size in sizes:
        brief = make_city(work / f"city{size}", mains=size)
        file = brief.parent / "city.gpkg"
        plan, stations = brief.parent / "plan.gpkg", brief.parent / "stations.arrow"
        spare = brief.parent / "spare.gpkg"
        task = ["-m", "tests.bench.tasks"]
        tasks = {
            "plan": partial(_plan, brief, plan, stations),
            "read": partial(child, [*task, "read", str(file)]),
            "both": partial(child, [*task, "read_write", str(file), str(stations), str(spare)]),
        }
        found, rounds = in_turn(tasks)
        sizes_of = _counts(file, plan)
        data[str(size)] = {**sizes_of, **{k: vars(f) for k, f in found.items()}}
        rows.append(_row(sizes_of, found, rounds))
        print(rows[-1], flush=True)
    return Section(
        "A plan from end to end against reading and writing",
        f"python -m tests.bench plan --sizes {' '.join(map(str, sizes))}",
        [
            "mains",
            "km",
            "stations",
            "rounds",
            "read s",
            "read and write s",
            "plan s",
            "plan CPU s",
            "plan / read",
            "plan / read and write",
            "the same, CPU",
            "peak MB",
            "peak / read and write",
        ],
        rows,
        [
            "read: all layers with pyogrio alone; write: a layer of the plan's own stations, "
            "their table ready in Arrow; each a process with its start-up",
            *_growth(data),
        ],
        data,
    )


def measure_floors(work: Path, sizes: list[int]) -> Section:
    """Measure plans, whole and lean, against the same layers read and written."""
    rows, data = [], {}
    for size in sizes:
        brief = make_city(work / f"city{size}", mains=size)
        tasks = {
            "whole": _whole(brief.parent),
            "lean": _lean(brief.parent, LEAN_SETTINGS),
            "lean, with stations": _lean(brief.parent, STATIONS_TOO),
        }
        for name, task in tasks.items():
            found, rounds = in_turn(task)
            data[f"{name} {size}"] = {part: vars(figure) for part, figure in found.items()}
            rows.append([f"{size:,}", name, str(rounds), *_against_floors(found)])
            print(rows[-1], flush=True)
    return Section(
        "A plan against its own layers read and written",
        f"python -m tests.bench floors --sizes {' '.join(map(str, sizes))}",
        ["mains wanted", "plan", "rounds", "F s", "R s", "plan s", "peak MB", "plan / F",
         "plan / R", "plan / F, CPU", "plan / R, CPU"],
        rows,
        [
            "F: the layers of the city read and all layers of the plan written as GeoDataFrames; "
            "R: the same as Arrow, without the tables that have no geometry; both without "
            "start-up, the plan with it",
            f"lean: of {' and '.join(LEAN)} and ground alone, one carrier a run, no stations "
            "written; pits and strings are laid out in the street all the same",
        ],
        data,
    )  # fmt: skip


def _whole(city: Path) -> dict[str, Callable[[], Figure]]:
    """Return a plan of all layers with all its carriers, and its floors."""
    return _with_floors(city, "plan.gpkg", geotools("plan", city / "brief.toml"), [])


def _lean(city: Path, wanted: Sequence[str]) -> dict[str, Callable[[], Figure]]:
    """Return a plan of little with these settings, and its floors."""
    layers = [part for name in LEAN for part in (f"--{name}", f"{city / 'city.gpkg'}:{name}")]
    settings = [part for one in wanted for part in ("--set", one)]
    command = geotools("plan", *layers, "--dem", city / "dem.tif", *settings)
    return _with_floors(city, "lean.gpkg", command, LEAN)


def _with_floors(
    city: Path, name: str, command: list[str], layers: Sequence[str]
) -> dict[str, Callable[[], Figure]]:
    file, plan, spare = (str(city / part) for part in ("city.gpkg", name, "spare.gpkg"))
    return {
        "plan": partial(child, [*command, "-o", plan, "--overwrite"]),
        "F": partial(_floor, "frames", file, plan, spare, *layers),
        "R": partial(_floor, "arrow", file, plan, spare, *layers),
    }


def _against_floors(found: dict[str, Figure]) -> list[str]:
    plan, floors = found["plan"], (found["F"], found["R"])
    return [
        *(f"{figure.wall:.1f}" for figure in (*floors, plan)),
        f"{plan.peak / MB:,.0f}",
        *(f"{plan.wall / floor.wall:.1f}" for floor in floors),
        *(f"{plan.cpu / floor.cpu:.1f}" for floor in floors),
    ]


def _floor(*task: str) -> Figure:
    """Run a floor in a process of its own, and take the time it tells."""
    command = [sys.executable, "-m", "tests.bench.tasks", *task]
    told = subprocess.run(command, check=True, capture_output=True).stdout.splitlines()[-1]
    return Figure(**json.loads(told))


def _plan(brief: Path, plan: Path, stations: Path) -> Figure:
    """Measure a plan, and keep its stations for the others to write."""
    figure = child(geotools("plan", brief, "-o", plan, "--overwrite"))
    _, table = pyogrio.read_arrow(plan, layer="stations")
    pyarrow.feather.write_feather(table, stations, compression="uncompressed")
    return figure


def _counts(file: Path, plan: Path) -> dict[str, float]:
    mains = pyogrio.read_dataframe(file, layer="mains", columns=[])
    runs = pyogrio.read_dataframe(plan, layer="runs", read_geometry=False)
    return {
        "mains": len(mains),
        "length": float(mains.length.sum()),
        "stations": pyogrio.read_info(plan, layer="stations")["features"],
        "planned": float(runs.loc[runs["status"] == "planned", "length_m"].sum()),
    }


def _row(size: dict[str, float], found: dict[str, Figure], rounds: int) -> list[str]:
    read, both, plan = found["read"], found["both"], found["plan"]
    return [
        f"{size['mains']:,}",
        f"{size['length'] / 1e3:,.0f}",
        f"{size['stations']:,}",
        str(rounds),
        f"{read.wall:.2f}",
        f"{both.wall:.2f}",
        f"{plan.wall:.2f}",
        f"{plan.cpu:.2f}",
        f"{plan.wall / read.wall:.1f}",
        f"{plan.wall / both.wall:.1f}",
        f"{plan.cpu / both.cpu:.1f}",
        f"{plan.peak / MB:,.0f}",
        f"{plan.peak / both.peak:.1f}",
    ]


def _growth(data: dict[str, dict[str, object]]) -> list[str]:
    """Return how time and memory grow from each size to the next, as powers of the mains."""
    out = []
    for one, two in pairwise(data.values()):
        step = math.log(two["mains"] / one["mains"])  # type: ignore[operator]
        power = {
            part: math.log(two["plan"][part] / one["plan"][part]) / step  # type: ignore[index]
            for part in ("wall", "cpu", "peak")
        }
        out.append(
            f"from {one['mains']:,} to {two['mains']:,} mains the plan grows with the power "
            f"{power['wall']:.2f} of the mains in time, {power['cpu']:.2f} in CPU time and "
            f"{power['peak']:.2f} in peak memory"
        )
    return out


def measure_first(work: Path, brief: Path) -> Section:
    """Measure the first plan of a fresh install, with no kernel in the cache, and the next.

    The next is held against loading the libraries that read and write, and nothing else.
    """
    import os
    import shutil

    plan = work / "first.gpkg"
    cache = work / "kernels"
    os.environ["NUMBA_CACHE_DIR"] = str(cache)
    command = geotools("plan", brief, "-o", plan, "--overwrite")

    def first() -> Figure:
        shutil.rmtree(cache, ignore_errors=True)
        return child(command)

    try:
        found, rounds = in_turn(
            {
                "first": first,
                "next": partial(child, command),
                "imports": partial(child, ["-c", f"import {', '.join(IO_LIBRARIES)}"]),
            }
        )
    finally:
        del os.environ["NUMBA_CACHE_DIR"]
    one, later, imports = found["first"], found["next"], found["imports"]
    row = [str(rounds)]
    row += [f"{figure.wall:.2f}" for figure in found.values()]
    row += [f"{figure.cpu:.2f}" for figure in found.values()]
    row += [f"{one.cpu / later.cpu:.2f}"]
    row += [f"{later.wall / imports.wall:.2f}", f"{later.cpu / imports.cpu:.2f}"]
    return Section(
        "The first plan after an install: the sample district",
        "python -m tests.bench first",
        [
            "rounds",
            "first s",
            "next s",
            "imports s",
            "first CPU s",
            "next CPU s",
            "imports CPU s",
            "first / next, CPU",
            "next / imports",
            "next / imports, CPU",
        ],
        [row],
        [
            "first: no compiled kernel kept yet; where one is as quick as the next, the district "
            f"is too small for any; imports: {', '.join(IO_LIBRARIES)} loaded, no more"
        ],
    )
