"""What the report shows, gathered from a written plan or screening as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import pandas as pd

from geotools.cautions import CAUTIONS
from geotools.deliver.items import kinds_together
from geotools.deliver.read_plan import PlanFile, layer_names, read_raw
from geotools.deliver.report.charts import force_charts, profile_charts
from geotools.deliver.report.columns import packed_table
from geotools.deliver.report.facts import facts_of
from geotools.deliver.report.places import shapes_of
from geotools.deliver.report.shapes import QUANTUM, bounds_of, encode_shapes
from geotools.intake.crs import crs_name
from geotools.schema import PLAN_LAYERS, unit_sign

__all__ = ["gather"]

# Drawn as charts, or too many rows to be read on a page: the GIS is the place for them.
_CHARTS = ("stations", "forces")
_SUMMED = ("quantities",)
_LEFT_OUT = ("candidates", *_CHARTS, *_SUMMED)
# A line may lie this far from the true one, m: less than a pixel where a run fills the map. The
# second value is for large districts.
_TOLERANCE = (0.3, 1.0)
_MANY_RUNS = 500
_CAUTION = "caution."


def gather(file: PlanFile, *, title: str = "") -> dict[str, Any]:
    """Return everything the report shows.

    Parameters
    ----------
    file : PlanFile
        A plan or a screening. Any layer but the settings may be missing.
    title : str, optional
        Heading; the name of the file if left out.

    Raises
    ------
    LayerError
        If a layer cannot be read.
    """
    raw = _read(file)
    shapes, unplaced = shapes_of(file, raw)
    frames = {name: pd.DataFrame(f.drop(columns="geometry", errors="ignore"))
              for name, f in raw.items()}  # fmt: skip
    many = len(frames.get("runs", ())) > _MANY_RUNS
    tolerance = _TOLERANCE[many]
    box = bounds_of(list(shapes.values()))
    tables = {
        name: packed_table(name, _without_cautions(name, frame)) for name, frame in frames.items()
    }
    for name, geometry in shapes.items():
        tables[name]["shapes"] = encode_shapes(geometry, box[:2], tolerance=tolerance)
    items = _items(file)
    return {
        "title": title or file.path.name,
        "file": file.path.name,
        "units": file.units,
        "currency": file.settings.get("rates.currency", ""),
        "crs": crs_name(file.crs),
        "quantum": QUANTUM,
        "tolerance": tolerance,
        "facts": facts_of(
            frames if items is None else {**frames, "quantities": items}, file, shapes
        ),
        "tables": {**tables, **_quantities(items)},
        "unplaced": unplaced,
        "profiles": profile_charts(file),
        "forces": force_charts(file),
        "cautions": _cautions(frames["settings"]),
    }


def _read(file: PlanFile) -> dict[str, Any]:
    """Read every layer to be listed, in the file's own columns and units."""
    wanted = [
        name for name in layer_names(file.path) if name not in _LEFT_OUT and name != "layer_styles"
    ]
    raw = {name: read_raw(file.path, name, geometry=True) for name in wanted}
    for name in (name for name in PLAN_LAYERS if name in raw):
        file.warn_of_later(name, raw[name].columns)
    return raw


def _without_cautions(name: str, frame: pd.DataFrame) -> pd.DataFrame:
    if name != "settings":
        return frame
    return frame[~frame["name"].astype(str).str.startswith(_CAUTION)].reset_index(drop=True)


def _cautions(settings: pd.DataFrame) -> list[str]:
    """Return the cautions written with the plan; those of the program if it holds none."""
    own = settings["name"].astype(str).str.startswith(_CAUTION)
    return [str(t) for t in settings.loc[own, "text"]] or list(CAUTIONS.values())


def _items(file: PlanFile) -> pd.DataFrame | None:
    """Return the quantities as they are in the file; None where it has none."""
    if "quantities" not in file.layers:
        return None
    rows: pd.DataFrame = read_raw(file.path, "quantities", geometry=False)
    return rows


def _quantities(rows: pd.DataFrame | None) -> dict[str, Any]:
    """Return the quantities of all runs by item, and those of each run."""
    if rows is None:
        return {}
    rows = rows.assign(unit=rows["unit"].map(lambda unit: unit_sign(str(unit))))
    # a run's own rows are the sums of those of its pits and pulls, and what is of the run alone
    runs = rows[rows["scope"] == "run"]
    runs = runs[(runs["quantity"] != 0) | (runs["cost"] != 0)]
    total = kinds_together(_summed(runs, ["item", "unit"]))
    total = total.sort_values("cost", ascending=False, kind="stable")
    packed = packed_table("quantities", total, title="Quantities and cost of all runs")
    return {
        # added up here: on the page are figures rounded item by item
        "quantities": packed | {"whole": math.fsum(runs["cost"].fillna(0.0))},
        "run_quantities": packed_table("quantities", _summed(runs, ["run_id", "item", "unit"])),
    }


def _summed(rows: pd.DataFrame, keys: Iterable[str]) -> pd.DataFrame:
    grouped = rows.groupby(list(keys), sort=False, dropna=False)
    return grouped[["quantity", "cost"]].sum(min_count=1).reset_index()
