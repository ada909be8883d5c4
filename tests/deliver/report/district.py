"""An invented plan of any number of runs, with about as many rows a run as the sample district.

Not a test: made by code for tests and measurements of what is done with large plans.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import shapely

from geotools.brief import load_brief
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.tables import settings_table
from geotools.schema import OUTPUTS

CRS = pyproj.CRS(32633)
_BLANK: dict[str, Any] = {"text": "", "integer": 0, "real": np.nan, "flag": False}
_STEP, _STATIONS, _PITS, _BENDS = 9.0, 143, 5, 4
_PULLS, _FORCES, _STRINGS, _CLOSURES, _DIGS = 4, 34, 6, 5, 14
_ALTERNATIVES, _FINDINGS, _ITEMS, _TASKS = 44, 7, 15, 44
_REASONS = ("does not clear the bore", "does not carry the flow", "does not hold the pressure")
_ROLES = ("receiving", "insertion_both", "receiving", "insertion_ahead", "receiving")


def write_district(
    path: Path,
    runs: int,
    *,
    seed: int = 20261125,
    units: Literal["si", "us"] = "si",
    zone: pyproj.CRS = CRS,
    crs: pyproj.CRS | None = None,
    edit: Callable[[dict[str, pd.DataFrame]], None] = lambda tables: None,
) -> Path:
    """Write a plan of that many runs, the same for the same seed; ``edit`` may change it first.

    It lies in ``zone`` (a UTM zone) and is written in ``crs``.
    """
    rng = np.random.default_rng(seed)
    tables = _tables(rng, runs)
    tables["settings"] = settings_table(load_brief(overrides={"output.units": units}), units)
    edit(tables)
    for frame in tables.values():
        if isinstance(frame, gpd.GeoDataFrame):
            placed = frame.geometry.set_crs(zone, allow_override=True)
            frame.geometry = placed if crs is None else placed.to_crs(crs)
    write_geopackage(path, tables, crs=crs or zone, units=units, overwrite=True)
    return path


def _table(name: str, columns: dict[str, Any], shapes: Any = None) -> pd.DataFrame:
    frame = pd.DataFrame(columns)
    for field in OUTPUTS[name].fields:
        if field.name not in frame:
            frame[field.name] = _BLANK[field.dtype]
    return frame if shapes is None else gpd.GeoDataFrame(frame, geometry=list(shapes), crs=CRS)


class _Runs:
    """Axes of the runs: gently winding lines on a grid, with their levels."""

    def __init__(self, rng: np.random.Generator, runs: int) -> None:
        self.rng, self.count = rng, runs
        self.ids = np.array([f"R{k + 1:04d}" for k in range(runs)], dtype=object)
        turns = rng.normal(0, 0.02, (runs, _STATIONS)) * (rng.random((runs, _STATIONS)) < 0.2)
        heading = rng.uniform(0, 2 * np.pi, (runs, 1)) + np.cumsum(turns, axis=1)
        steps = _STEP * np.stack([np.cos(heading), np.sin(heading)], axis=2)
        start = 1500.0 * np.stack(np.divmod(np.arange(runs), 60), axis=1)
        self.xy = np.cumsum(steps, axis=1) + start[:, None, :] + (450_000.0, 5_000_000.0)
        self.at = _STEP * np.arange(_STATIONS)
        self.ground = 150 + np.cumsum(rng.normal(0, 0.15, (runs, _STATIONS)), axis=1)
        smooth = np.ones(15) / 15
        self.axis = np.array([np.convolve(g, smooth, "same") for g in self.ground]) - 1.8

    def each(self, times: int) -> Any:
        """Return the run of every row of a layer with that many rows a run, and their number."""
        run = np.repeat(np.arange(self.count), times)
        return run, np.tile(np.arange(times), self.count)

    def points(self, run: Any, station: Any) -> Any:
        return shapely.points(self.xy[run, station])

    def boxes(self, run: Any, station: Any, length: float, width: float) -> Any:
        """Return upright strips along the run, with a few corners as tapers have."""
        x, y = self.xy[run, station].T
        turn = self.rng.uniform(0, np.pi, len(x))
        along = np.array([-1, -0.6, 0, 0.6, 1, 0.6, -0.6]) * length / 2
        aside = np.array([0, 1, 1, 1, 0, -1, -1]) * width / 2
        corners = np.stack(
            [
                x[:, None] + np.cos(turn)[:, None] * along - np.sin(turn)[:, None] * aside,
                y[:, None] + np.sin(turn)[:, None] * along + np.cos(turn)[:, None] * aside,
            ],
            axis=2,
        )
        return shapely.multipolygons([[p] for p in shapely.polygons(corners)])


def _ids(runs: _Runs, run: Any, letter: str, number: Any) -> list[str]:
    return [f"{runs.ids[r]}-{letter}{n + 1}" for r, n in zip(run, number, strict=True)]


def _tables(rng: np.random.Generator, count: int) -> dict[str, pd.DataFrame]:
    runs = _Runs(rng, count)
    costs = rng.uniform(1e5, 9e5, count)
    mains = [",".join(f"WM{rng.integers(1e6)}" for _ in range(8)) for _ in range(count)]
    lines = shapely.multilinestrings([[line] for line in shapely.linestrings(runs.xy)])
    out = {
        "runs": _table(
            "runs",
            {
                "run_id": runs.ids,
                "main_ids": mains,
                "host_diameter": rng.choice([0.3, 0.4, 0.6], count),
                "host_bore": 0.3,
                "host_material": "cast iron",
                "length": runs.at[-1],
                "status": rng.choice(["planned", "no_plan"], count, p=[0.9, 0.1]),
                "carrier": rng.choice(["250 mm SDR 21 PE100", "400 mm SDR 17 PE100"], count),
                "pit_count": _PITS,
                "pull_count": _PULLS,
                "capacity_ratio": rng.uniform(0.5, 1.2, count),
                "cost": costs,
            },
            lines,
        ),
    }
    return out | _along(runs) | _works(runs) | _lists(runs)


def _along(runs: _Runs) -> dict[str, pd.DataFrame]:
    rng = runs.rng
    run, k = runs.each(_STATIONS)
    ground, axis = runs.ground[run, k], runs.axis[run, k]
    stations = {
        "run_id": runs.ids[run],
        "chainage": runs.at[k],
        "kind": "step",
        "ground_z": ground,
        "axis_z": axis,
        "cover": ground - axis - 0.15,
        "depth": ground - axis + 0.15,
        "depth_source": "invert",
    }
    bend_run, bend = runs.each(_BENDS)
    at = rng.integers(1, _STATIONS, len(bend))
    bends = {
        "bend_id": _ids(runs, bend_run, "B", bend),
        "run_id": runs.ids[bend_run],
        "chainage": runs.at[at],
        "deflection": rng.uniform(0, 0.6, len(bend)),
        "kind": "fitting",
        "passes": rng.random(len(bend)) < 0.5,
    }
    return {
        "stations": _table("stations", stations, runs.points(run, k)),
        "bends": _table("bends", bends, runs.points(bend_run, at)),
    }


def _works(runs: _Runs) -> dict[str, pd.DataFrame]:
    return _pits(runs) | _pulls(runs) | _digs(runs) | _programme(runs)


def _pits(runs: _Runs) -> dict[str, pd.DataFrame]:
    rng = runs.rng
    run, k = runs.each(_PITS)
    at = k * ((_STATIONS - 1) // (_PITS - 1))
    pit_ids = _ids(runs, run, "P", k)
    pits = {
        "pit_id": pit_ids,
        "run_id": runs.ids[run],
        "chainage": runs.at[at],
        "role": np.array(_ROLES, dtype=object)[k],
        "before": 3.0,
        "after": 3.0,
        "depth": rng.uniform(1.5, 2.5, len(k)),
        "length": rng.uniform(6, 14, len(k)),
        "width": 1.2,
        "volume": rng.uniform(10, 60, len(k)),
        "street_name": rng.choice([f"Street {n}" for n in range(400)], len(k)),
        "lanes_taken": 1,
        "days": rng.uniform(3, 6, len(k)),
        "cost": rng.uniform(15e3, 50e3, len(k)),
    }
    prints = {"pit_id": pit_ids, "run_id": runs.ids[run], "role": pits["role"], "area": 9.0}
    closures = {
        "closure_id": [f"{pit}-T1" for pit in pit_ids],
        "pit_id": pit_ids,
        "run_id": runs.ids[run],
        "street": pits["street_name"],
        "class": "collector",
        "lanes_closed": 1,
        "days": pits["days"],
        "first_day": 1.5 * k,
        "last_day": 1.5 * k + 4.0,
    }
    return {
        "pits": _table("pits", pits, runs.points(run, at)),
        "pit_footprints": _table("pit_footprints", prints, runs.boxes(run, at, 10.0, 2.0)),
        "closures": _table("closures", closures, runs.boxes(run, at, 140.0, 4.0)),
    }


def _pulls(runs: _Runs) -> dict[str, pd.DataFrame]:
    rng = runs.rng
    run, k = runs.each(_PULLS)
    span = (_STATIONS - 1) // _PULLS
    ids = np.array(_ids(runs, run, "L", k), dtype=object)
    allowed, force = rng.uniform(3e4, 2e5, len(k)), rng.uniform(5e3, 6e4, len(k))
    z = np.concatenate([runs.xy, runs.axis[..., None]], axis=2)
    lines = [
        shapely.LineString(z[r, n * span : (n + 1) * span + 1]) for r, n in zip(run, k, strict=True)
    ]
    pulls = {
        "pull_id": ids,
        "run_id": runs.ids[run],
        "insertion_pit": _ids(runs, run, "P", k),
        "receiving_pit": _ids(runs, run, "P", k + 1),
        "start": runs.at[k * span] + 3,
        "end": runs.at[(k + 1) * span] - 3,
        "length": span * _STEP - 6,
        "direction": "ahead",
        "head_force": force,
        "head_force_low": 0.6 * force,
        "head_force_high": 1.4 * force,
        "allowable": allowed,
        "utilisation": force / allowed,
        "governed_by": np.where(k == 0, "bend", "pipe"),
        "governing_chainage": runs.at[k * span] + 9,
        "governing_force": 0.5 * force,
        "governing_limit": np.where(k == 0, 0.5 * allowed, allowed),
        "joints": 26,
        "hours": rng.uniform(1, 3, len(k)),
        "cost": rng.uniform(3e4, 8e4, len(k)),
    }
    row = np.repeat(np.arange(len(k)), _FORCES)
    share = np.tile(np.linspace(0, 1, _FORCES), len(k))
    grown = force[row] * share ** rng.uniform(0.9, 1.3, len(k))[row]
    forces = {
        "pull_id": ids[row],
        "run_id": runs.ids[run][row],
        "pulled": share * (span * _STEP - 6),
        "head_force_low": 0.6 * grown,
        "head_force": grown,
        "head_force_high": 1.4 * grown,
        "bend_limit": np.where(rng.random(len(row)) < 0.03, allowed[row] * 0.7, np.nan),
    }
    string_run, n = runs.each(_STRINGS)
    at = rng.integers(0, _STATIONS, len(n))
    strings = {
        "string_id": _ids(runs, string_run, "S", n),
        "pull_id": _ids(runs, string_run, "L", n % _PULLS),
        "run_id": runs.ids[string_run],
        "number": 1,
        "length": rng.uniform(40, 400, len(n)),
        "street": rng.choice([f"Street {i}" for i in range(400)], len(n)),
    }
    return {
        "pulls": _table("pulls", pulls, lines),
        "forces": _table("forces", forces),
        "strings": _table("strings", strings, runs.boxes(string_run, at, 300.0, 1.0)),
    }


def _programme(runs: _Runs) -> dict[str, pd.DataFrame]:
    """Return a task a day of one crew after the other, each at a pit or a pull of its run."""
    run, k = runs.each(_TASKS)
    pits = _ids(runs, run, "P", k % _PITS)
    pulls = _ids(runs, run, "L", k % _PULLS)
    crew = np.array(("digging", "fusing", "pulling", "none"), dtype=object)[k % 4]
    schedule = {
        "run_id": runs.ids[run],
        "task": np.array(("dig the pit", "fuse", "pull", "rest"), dtype=object)[k % 4],
        "ref": np.where(crew == "digging", pits, pulls),
        "crew": crew,
        "start_day": k / 2,
        "days": 1.0,
        "critical": k % 3 == 0,
    }
    return {"schedule": _table("schedule", schedule)}


def _digs(runs: _Runs) -> dict[str, pd.DataFrame]:
    run, k = runs.each(_DIGS)
    at = runs.rng.integers(0, _STATIONS, len(k))
    digs = {
        "dig_id": _ids(runs, run, "D", k),
        "run_id": runs.ids[run],
        "pull_id": _ids(runs, run, "L", k % _PULLS),
        "chainage": runs.at[at],
        "kind": "connection",
        "cost": 6500.0,
    }
    return {"local_digs": _table("local_digs", digs, runs.points(run, at))}


def _lists(runs: _Runs) -> dict[str, pd.DataFrame]:
    rng = runs.rng
    run, k = runs.each(_ALTERNATIVES)
    alternatives = {
        "run_id": runs.ids[run],
        "carrier": np.array([f"{n} mm SDR {n % 7 + 7}" for n in range(_ALTERNATIVES)], object)[k],
        "outcome": np.where(k == 0, "chosen", np.where(k < 5, "dearer", "refused")),
        "refused_by": np.where(k < 5, "", "flow"),
        "reason": [
            f"{rng.integers(1e5):,} dearer" if n < 5 else _REASONS[n % len(_REASONS)] for n in k
        ],
        "outside": 0.01 * (k + 10),
        "capacity_ratio": rng.uniform(0.2, 1.3, len(k)),
        "cost": np.where(k < 5, rng.uniform(1e5, 9e5, len(k)), np.nan),
    }
    item_run, n = runs.each(_ITEMS)
    quantity = rng.uniform(1, 900, len(n))
    quantities = {
        "scope": "run",
        "ref": runs.ids[item_run],
        "run_id": runs.ids[item_run],
        "item": np.array([f"item {i}" for i in range(_ITEMS)], dtype=object)[n],
        "quantity": quantity,
        "unit": "m",
        "rate": 10.0,
        "cost": 10 * quantity,
    }
    found_run, i = runs.each(_FINDINGS)
    at = rng.integers(0, _STATIONS, len(i))
    findings = {
        "severity": np.where(i == 0, "warning", "info"),
        "rule": np.array([f"rule-{r}" for r in range(_FINDINGS)], dtype=object)[i],
        "layer": "mains",
        "feature": [f"WM{rng.integers(1e6)}" for _ in i],
        "text": [
            f"run {runs.ids[r]} at {rng.uniform(0, 1300):.1f} m: no cover and no pair of inverts "
            f"on record; a cover of {rng.uniform(1, 3):.2f} m is assumed, give one of them"
            for r in found_run
        ],
    }
    return {
        "alternatives": _table("alternatives", alternatives),
        "quantities": _table("quantities", quantities),
        "findings": _table("findings", findings, runs.points(found_run, at)),
    }
