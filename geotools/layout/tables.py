"""The layout as the layers of the contract, and its result in a few lines."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import shapely

from geotools.accel import give_back
from geotools.brief import Brief
from geotools.cautions import AT_RATES, IN_SHORT
from geotools.deliver.columns import content_hash
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.layers import (
    AxisParts,
    Drawn,
    Encoded,
    Shapes,
    axis_parts,
    drawn,
    run_lines,
)
from geotools.deliver.sld import styles_beside
from geotools.deliver.tables import settings_table
from geotools.intake.columns import Layers
from geotools.intake.crs import crs_name, full_turn, level_unit
from geotools.intake.findings import Findings
from geotools.layout.alternatives import alternatives_table
from geotools.layout.inverts import depth_sources, levels_at
from geotools.layout.told import counts_of, finding_counts, finding_line, left_out_lines
from geotools.layout.whole import Layout
from geotools.network.places import points_along
from geotools.network.words import in_words, worded
from geotools.pulls.names import numbered
from geotools.schema import DIMENSIONS, OUTPUTS
from geotools.tool import Outcome

__all__ = ["plan_tables", "report_across", "summarise", "write_plan"]


def plan_tables(layout: Layout, brief: Brief) -> Drawn:
    """Return the layers of the contract, in the CRS of the mains, bare names, SI units."""
    layers = layout.layers
    shapes: dict[str, Shapes] = {}
    told = _told_layers(layout, brief, shapes)
    del layout  # held by what tells its layers alone, and let go piece by piece
    return drawn(told, layers.working_crs, layers.output_crs, shapes=shapes)


def _told_layers(
    layout: Layout, brief: Brief, shapes: Mapping[str, Shapes]
) -> Iterator[tuple[str, pd.DataFrame | Encoded]]:
    """Yield the layers one by one, in the working CRS; what others are made of comes last.

    ``shapes`` holds the geometries of those yielded, in the CRS of the mains.
    """
    layers, units, works = layout.layers, brief.output.units, layout.works
    run_ids = layout.table["run_id"].to_numpy(dtype=object)
    yield (
        "alternatives",
        alternatives_table(layout, run_ids, larger_for=brief.carrier.larger_for),
    )
    give_back()
    names = {"diameter": "host_diameter", "material": "host_material"}
    lines = run_lines(layout.runs.chains)
    yield "runs", layout.table.rename(columns=names).assign(geometry=lines)
    yield "bends", _bend_layer(layout, run_ids)
    yield "pits", _pit_layer(layout, brief.pits.bedding)
    yield "pit_footprints", _footprint_layer(layout)
    yield "pulls", _pull_layer(layout)
    give_back()
    yield "stations", _held("stations", _station_layer(layout, run_ids))
    layout = replace(layout, stations=layout.stations.iloc[:0])
    yield "candidates", _held("candidates", _candidate_layer(layout, run_ids))
    layout = replace(layout, candidates=layout.candidates.iloc[:0])
    give_back()
    yield "forces", _held("forces", layout.forces)
    yield "sections", layout.sections
    yield "strings", works.strings
    yield "closures", works.closures
    yield "local_digs", works.local_digs
    yield "quantities", _held("quantities", works.quantities)
    yield "schedule", works.schedule
    yield "shutdowns", layout.shutdowns
    yield "context", layout.backdrop
    half = full_turn(layers.output_crs) / 2
    report_across([name for name, held in shapes.items() if held.wider(half)], layers)
    yield "findings", layers.findings.table()
    yield "settings", settings_table(brief, units, working_crs=layers.working_crs)
    yield "inputs", layers.inputs


def report_across(names: Iterable[str], layers: Layers) -> None:
    """Report layers by name whose lines or areas cross the date line, in a CRS of degrees."""
    if across := ", ".join(names):
        layers.findings.add(
            "warning",
            "across-date-line",
            f"the date line is crossed in {across}: in {crs_name(layers.output_crs)} the "
            "longitudes of one line or area lie on either side of it, and most programs draw it "
            "around the earth; lengths, costs and rules are not touched. What is written is in "
            f"the CRS of the mains: give them in {crs_name(layers.working_crs)}, in which it was "
            "worked out.",
            layer="mains",
        )


# Layers of many rows: what they tell in few words, or few values.
_WORDED = {
    "stations": ("kind", "depth_source", "cover", "depth"),
    "candidates": (),
    "forces": (),
    "quantities": ("scope", "run_id", "item", "unit"),
}


def _held(name: str, table: pd.DataFrame) -> pd.DataFrame:
    """Return a layer of many rows with the columns of the contract and places, and no others."""
    kept = [field.name for field in OUTPUTS[name].fields]
    kept += [place for place in ("x", "y") if place in table and place not in kept]
    return in_words(table[kept], _WORDED[name])


def _pull_layer(layout: Layout) -> pd.DataFrame:
    """Return the pulls with their lines, and say where these have no level of their own."""
    pulls, (unit, metres) = layout.pulls, level_unit(layout.layers.output_crs)
    axis = axis_parts(
        layout.runs.chains,
        layout.stations,
        pulls["run"].to_numpy(dtype=np.int64),
        pulls["start"].to_numpy(dtype=float),
        pulls["end"].to_numpy(dtype=float),
        z_unit=metres,
    )
    _report_levels(pulls["pull_id"].to_numpy(dtype=object), axis, layout.layers.findings)
    return pulls.assign(z_source=axis.z_source, z_unit=unit, geometry=axis.lines)


def _report_levels(names: npt.NDArray[np.object_], axis: AxisParts, findings: Findings) -> None:
    """Say of which pulls levels were filled in, each by itself, and which have none at all."""
    filled = np.flatnonzero(axis.z_source == "filled")
    findings.add_many(
        "info",
        "levels-filled",
        [
            f"about {findings.length(m, 0)} of the pull have no level of their own; Z of its line "
            "is filled in there, straight between the levels known on the pull and at its ends "
            "the nearest; grade, force, test and grout go by the levels known on all of the run; "
            "give levels for all of it"
            for m in axis.unknown[filled]
        ],
        layer="pulls",
        features=names[filled],
        geometry=shapely.force_2d(axis.lines[filled]),
    )
    bare = names[axis.z_source == "none"]
    findings.add_many(
        "info",
        "levels-unknown",
        "no level is known anywhere on the pull: Z of its line is 0 and stands for no level, and "
        "the test pressure holds at the lowest place, wherever that is; give a DEM or inverts",
        layer="pulls",
        features=[",".join(map(str, bare))] if len(bare) else [],
    )


def _station_layer(layout: Layout, run_ids: npt.NDArray[np.object_]) -> pd.DataFrame:
    stations = layout.stations
    main = layout.layers.mains.table["main_id"].iloc[stations["main"].to_numpy(dtype=np.int64)]
    return stations.assign(
        run_id=worded(run_ids, stations["run"].to_numpy(dtype=np.int64)), main_id=main.array
    )


def _bend_layer(layout: Layout, run_ids: npt.NDArray[np.object_]) -> pd.DataFrame:
    bends, chains = layout.bends, layout.runs.chains
    run = bends["run"].to_numpy(dtype=np.int64)
    xy = points_along(chains.xy, chains.offsets, run, bends["chainage"].to_numpy(dtype=float))
    return bends.assign(
        bend_id=numbered("B", run_ids, run),
        run_id=run_ids[run],
        start=bends["first"],
        span=bends["last"] - bends["first"],
        x=xy[:, 0],
        y=xy[:, 1],
    )


def _candidate_layer(layout: Layout, run_ids: npt.NDArray[np.object_]) -> pd.DataFrame:
    table = layout.candidates
    run = table["run"].to_numpy(dtype=np.int64)
    return table.assign(candidate_id=numbered("C", run_ids, run), run_id=worded(run_ids, run))


def _pit_layer(layout: Layout, bedding: float) -> pd.DataFrame:
    """Return the pits with what their depth rests on, their levels, and how deep they are dug."""
    pits = layout.pits
    run, at = pits["run"].to_numpy(dtype=np.int64), pits["chainage"].to_numpy(dtype=float)
    runs = len(layout.table)
    told = pits.assign(
        depth_source=depth_sources(layout.stations, run, at, runs),
        dig_depth=np.maximum(pits["depth"].to_numpy(dtype=float), 0.0) + bedding,
        **levels_at(layout.stations, run, at, runs),
    )
    host = layout.table["diameter"].to_numpy(dtype=float)[run]
    return told.assign(bottom_z=told["axis_z"] - host / 2 - bedding)


def _footprint_layer(layout: Layout) -> pd.DataFrame:
    pits = layout.pits
    geometry = pits["ground"].to_numpy(dtype=object).copy()
    single = shapely.get_type_id(geometry) == shapely.GeometryType.POLYGON
    geometry[single] = shapely.multipolygons(geometry[single][:, None])
    return pits[["pit_id", "run_id", "role", "area"]].assign(geometry=geometry)


def write_plan(
    target: Path,
    layers: Drawn,
    brief: Brief,
    wkb: Mapping[str, pa.Array],
    *,
    overwrite: bool,
    styled: bool = False,
) -> None:
    """Write a plan to a GeoPackage as `write_geopackage` does; ``wkb`` as of `summarise`.

    ``styled`` tells whether its styles go beside it.
    """
    units, stations = brief.output.units, brief.output.stations
    names = [name for name in layers.tables if stations or name != "stations"]
    with styles_beside(target, names, units=units, overwrite=overwrite, wanted=styled):
        write_geopackage(
            target,
            layers.tables,
            crs=layers.crs,
            units=units,
            overwrite=overwrite,
            stations=stations,
            wkb=wkb,
            covered=[shapes.bounds for shapes in layers.shapes.values()],
        )


def summarise(
    layers: Drawn, brief: Brief, target: Path | None, wkb: Mapping[str, pa.Array]
) -> Outcome:
    """Put the result of a plan into a summary and a few lines of text.

    ``wkb`` is what `encoded` made of the layers.
    """
    tables = layers.tables
    runs, pits, pulls = tables["runs"], tables["pits"], tables["pulls"]
    unit, scale = DIMENSIONS["length"].shown_in(brief.output.units)
    status = counts_of(runs["status"], ("planned", "no_plan", "not_suitable"))
    planned = float(runs.loc[runs["status"] == "planned", "length"].sum())
    longest = float(pulls["length"].max()) if len(pulls) else 0.0
    items = tables["quantities"]
    shared = -float(items.loc[items["scope"] == "shared", "cost"].sum()) + 0.0
    summary = {
        "runs": status,
        f"planned_length_{unit}": planned / scale,
        "pits": len(pits),
        "pulls": len(pulls),
        f"longest_pull_{unit}": longest / scale,
        "cost": float(runs["cost"].sum()),
        "shared_saving": shared,
        "findings": finding_counts(tables["findings"]),
        "output": None if target is None else str(target),
        "content_hash": content_hash(tables, wkb),
    }
    lines = [
        f"runs      {status['planned']} planned, {status['no_plan']} without a plan, "
        f"{status['not_suitable']} not suitable",
        *left_out_lines(runs, tables["findings"], tables["inputs"]),
        f"planned   {planned / scale:,.0f} {unit} in {len(pulls)} pulls from {len(pits)} pits; "
        f"longest pull {longest / scale:,.0f} {unit}",
        f"cost      {runs['cost'].sum():,.0f} {brief.rates.currency} {AT_RATES}",
        *(
            [f"          {shared:,.0f} less if pits on one ground were one (findings)"]
            if shared
            else []
        ),
        finding_line(tables["findings"]),
        *([f"written   {target}"] if target is not None else []),
        IN_SHORT,
    ]
    return Outcome(summary=summary, text="\n".join(lines), failed=False, layers=layers)
