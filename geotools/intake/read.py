"""Reading all layers of a brief: checked, repaired, in one working CRS and SI units."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from geotools.brief import Brief, InputSource
from geotools.errors import LayerError
from geotools.intake.among import among
from geotools.intake.columns import Layers, Lines
from geotools.intake.dem import Raster, find_rasters
from geotools.intake.driven import doubtful_ways, only_streets
from geotools.intake.faults import FaultList, LayersError, nearest
from geotools.intake.findings import Findings
from geotools.intake.heights import tell_datums, vertical_datum
from geotools.intake.idle import LAYERS as IDLE
from geotools.intake.idle import in_service
from geotools.intake.inputs import inputs_table, inputs_unread
from geotools.intake.lines import Parts
from geotools.intake.load import Loaded, crs_of, differs_text, load_layer
from geotools.intake.mains import Mains, build_mains
from geotools.intake.materials import unknown_materials
from geotools.intake.notes import emit
from geotools.intake.others import Built, build_layer
from geotools.intake.place import locate
from geotools.intake.places import line_places
from geotools.intake.ragged import line_lengths
from geotools.intake.readings import class_remarks, columns_table, status_remarks
from geotools.intake.service import coded_statuses, doubtful_statuses, unknown_statuses
from geotools.intake.sources import Frame, Source, frame_source, open_source
from geotools.intake.traffic import unread_ways
from geotools.intake.unmet import tell_unmet
from geotools.intake.valve_ids import doubled_valves, sure_valves
from geotools.intake.window import Window, window_of
from geotools.schema import INPUTS, SCREENED

__all__ = ["look_at", "read_layers"]

# What is done without a layer.
WITHOUT = {
    "fittings": "bends are read from the drawing of the mains alone, every fitting as a mitre",
    "valves": "shutdowns cannot be planned",
    "laterals": "connections of customers are not counted and no dig for them is planned",
    "hydrants": "hydrants out of service are not counted and no dig for them is planned",
    "sources": "what a shutdown cuts off beyond the segments it shuts in is not known, and who is "
    "told to lose water are those in these segments, the least there are",
    "streets": "intersections, lanes and laydown along streets are unknown",
    "avoid": "no place is ruled out for pits",
    "districts": "everything is planned as one district",
    "pit_edits": "no pit is fixed or forbidden",
    "dem": "ground levels are unknown; grades are taken as level and depths from cover",
}


def read_layers(
    brief: Brief,
    *,
    frames: Mapping[str, Frame] | None = None,
    allow_remote: bool = False,
    progress: Callable[[str], None] | None = None,
    window: Window | None = None,
    elsewhere: Collection[str] = (),
    renamed: Mapping[str, Mapping[str, str]] | None = None,
    screened: bool = False,
) -> Layers:
    """Read every layer the brief names.

    Parameters
    ----------
    brief : Brief
        Sources, field mappings, CRS.
    frames : mapping, optional
        GeoDataFrames by layer, or parts of them, used in place of the sources of the brief; its
        field mappings hold for them too.
    allow_remote : bool
        Also read what is not a local file.
    progress : callable, optional
        Told in a few words what is being read.
    window : Window, optional
        Where to read, and the working CRS; everywhere if not given. Mains are read somewhat
        farther, so that nothing else that is read lacks its main.
    elsewhere : collection of str, optional
        Layers that are read in another place, or of no use to the tool: that they are missing here
        is not told.
    renamed : mapping, optional
        Of the layers read everywhere, as of `Layers`, where this is a window of them.
    screened : bool
        Read those of `geotools.schema.SCREENED` too: a plan makes nothing of them, and is none
        the other if they change.

    Returns
    -------
    Layers
        Flags are 1 (yes), 0 (no), NaN (missing); integers are floats, so that they can be
        missing.

    Raises
    ------
    LayerError
        With every fault of every layer.
    """
    if not screened:
        brief, frames = _planned(brief, frames or {})
    with np.errstate(invalid="ignore"):  # coordinates that are no numbers become findings
        layers = _read(brief, frames or {}, allow_remote, progress or _silent, window, renamed)
    _remark_missing(layers, {*(frames or {}), *brief.inputs, *elsewhere})
    return layers


def _planned(brief: Brief, frames: Mapping[str, Frame]) -> tuple[Brief, Mapping[str, Frame]]:
    """Return brief and frames without the layers a screening alone makes something of."""
    kept = {name: entry for name, entry in brief.inputs.items() if name not in SCREENED}
    rest = {name: frame for name, frame in frames.items() if name not in SCREENED}
    return brief.model_copy(update={"inputs": kept}), rest


def look_at(
    brief: Brief,
    layers: Collection[str],
    *,
    frames: Mapping[str, Frame] | None = None,
    allow_remote: bool,
) -> pd.DataFrame:
    """Return what the table of inputs says of layers, without reading their features.

    Layers, frames and brief as of `read_layers`.

    Raises
    ------
    LayerError
        With every fault that shows before they are read.
    """
    faults = FaultList()
    sources = []
    for name in (n for n in INPUTS if n in layers):
        with faults:
            entry = brief.inputs.get(name)
            source = _source(name, frames or {}, entry, allow_remote)
            wrong: list[str] = []
            crs, _ = crs_of(source, entry, wrong)
            if crs is None:
                raise LayerError(source.label, wrong)
            sources.append((source, crs))
    rasters = _load_dem(brief, allow_remote, _silent, faults) if "dem" in layers else []
    faults.raise_if_any()
    return inputs_unread(sources, rasters)


def _read(
    brief: Brief,
    frames: Mapping[str, Frame],
    allow_remote: bool,
    tell: Callable[[str], None],
    window: Window | None,
    renamed: Mapping[str, Mapping[str, str]] | None,
) -> Layers:
    faults, findings = FaultList(), Findings(brief.output.units)
    loaded = _load_all(brief, frames, allow_remote, tell, faults, window)
    rasters = _load_dem(brief, allow_remote, tell, faults)
    with faults:
        known = None if renamed is None else renamed.get("mains", {})
        mains = _mains(loaded, brief, findings, tell, window, known)
    faults.raise_if_any()
    if window is None:
        tell_unmet(loaded, brief, findings)
    loaded["mains"] = loaded["mains"].built()
    if "streets" in loaded:
        excluded = brief.street.excluded_classes
        loaded["streets"] = only_streets(loaded["streets"], excluded, findings)
    for name in (name for name in IDLE if name in loaded):
        loaded[name] = in_service(loaded[name], brief.network.excluded_statuses, findings)
    told_apart = {"mains": mains.renamed, "valves": _name_valves(loaded, brief, renamed)}
    others = _others(loaded, mains, findings, tell)
    _remark(findings, loaded)
    _remark_status(findings, loaded["mains"], mains.lines, brief)
    _remark_materials(findings, mains.lines, brief)
    if "streets" in others:
        _remark_classes(findings, others["streets"], brief)
        _remark_ways(findings, others["streets"])
    _remark_rasters(findings, rasters, brief)
    _remark_datums(findings, loaded["mains"], mains.lines, rasters)
    used = {"mains": mains.used} | {name: built.used for name, built in others.items()}
    data: dict[str, Any] = {name: built.data for name, built in others.items()}
    tell("hashing the inputs")
    return Layers(
        working_crs=mains.working.crs,
        output_crs=loaded["mains"].crs,
        mains=mains.lines,
        dem=tuple(raster.path for raster in rasters),
        inputs=inputs_table(loaded, rasters, used),
        columns=columns_table({name: layer.match for name, layer in loaded.items()}),
        findings=findings,
        renamed=told_apart,
        aside=mains.aside,
        **data,
    )


def _silent(text: str) -> None:
    """Tell nobody."""


def _load_dem(
    brief: Brief, allow_remote: bool, tell: Callable[[str], None], faults: FaultList
) -> list[Raster]:
    if "dem" not in brief.inputs:
        return []
    tell("looking at dem")
    with faults:
        entry = brief.inputs["dem"]
        return find_rasters(entry.source, allow_remote=allow_remote, stated_crs=entry.crs)
    return []


def _mains(
    loaded: Mapping[str, Loaded],
    brief: Brief,
    findings: Findings,
    tell: Callable[[str], None],
    window: Window | None,
    renamed: Mapping[str, str] | None,
) -> Mains:
    if "mains" not in loaded:
        raise LayersError(())  # why is among the faults already
    tell("checking mains")
    return build_mains(
        loaded["mains"],
        findings,
        working_crs=brief.network.working_crs if window is None else window.crs.to_wkt(),
        excluded=brief.network.excluded_statuses,
        owners=brief.network.excluded_owners,
        known=renamed,
        in_part=window is not None and brief.network.working_crs is None,
    )


def _name_valves(
    loaded: dict[str, Loaded], brief: Brief, renamed: Mapping[str, Mapping[str, str]] | None
) -> Mapping[str, str]:
    """Have valves go by their identifiers, in place; return those of `doubled_valves`."""
    if "valves" not in loaded:
        return {}
    given = loaded["valves"]
    out = among(given.table["status"], brief.network.excluded_statuses)
    doubled = doubled_valves(given, out) if renamed is None else renamed.get("valves", {})
    loaded["valves"] = sure_valves(given, doubled)
    return doubled


def _others(
    loaded: dict[str, Loaded], mains: Mains, findings: Findings, tell: Callable[[str], None]
) -> dict[str, Built]:
    built = {}
    for name, layer in loaded.items():
        if name != "mains":
            tell(f"checking {name}")
            built[name] = build_layer(layer, mains.lines, mains.working.crs, findings)
            loaded[name] = layer.built()
    return built


def _load_all(
    brief: Brief,
    frames: Mapping[str, Frame],
    allow_remote: bool,
    tell: Callable[[str], None],
    faults: FaultList,
    window: Window | None,
) -> dict[str, Loaded]:
    """Load every layer given, in the contract's order; faults are collected."""
    loaded: dict[str, Loaded] = {}
    for name in frames:
        if name not in INPUTS:
            with faults:
                raise LayerError(
                    f"frame {name!r}", f"no such layer; the nearest is {nearest(name, INPUTS)!r}"
                )
    if "mains" not in frames and "mains" not in brief.inputs:
        with faults:
            raise LayerError(
                "mains", 'no source given; name it in the brief: [inputs] mains = "file.gpkg:mains"'
            )
    for name, layer in INPUTS.items():
        entry = brief.inputs.get(name)
        if name not in frames and entry is None:
            continue
        tell(f"reading {name}")
        with faults:
            source = _source(name, frames, entry, allow_remote)
            seen = window_of(name, window) if window else None
            loaded[name] = load_layer(layer, source, entry, brief.output.units, seen)
    return loaded


def _source(
    name: str, frames: Mapping[str, Frame], entry: InputSource | None, allow_remote: bool
) -> Source:
    if name in frames:
        return frame_source(name, frames[name])
    return _file_source(name, entry, allow_remote)


def _file_source(name: str, entry: InputSource | None, allow_remote: bool) -> Source:
    if entry is None or not isinstance(entry.source, str):
        raise LayerError(name, "takes one source, not a list; join the files into one layer")
    place = locate(name, entry.source, allow_remote=allow_remote)
    return open_source(
        name,
        place,
        allow_remote=allow_remote,
        encoding=entry.encoding or "",
        mapped=tuple(entry.fields.values()),
    )


def _remark(findings: Findings, loaded: Mapping[str, Loaded]) -> None:
    """Add what concerns whole layers."""
    for name, layer in loaded.items():
        for severity, rule, text in layer.remarks:
            findings.add(severity, rule, text, layer=name)


def _remark_status(findings: Findings, mains: Loaded, lines: Lines, brief: Brief) -> None:
    status = mains.table["status"].to_numpy(dtype=object)
    for severity, rule, text in status_remarks(
        mains.match, status, brief.network.excluded_statuses
    ):
        findings.add(severity, rule, text, layer="mains")
    met = (
        lines.table["status"].to_numpy(dtype=object),
        line_lengths(lines.xy, lines.offsets),
        brief.network.excluded_statuses,
        partial(findings.length, digits=0),
    )
    if doubt := doubtful_statuses(*met):
        findings.add("warning", "status-doubtful", doubt, layer="mains", field="status")
    severity, coded = coded_statuses(*met)
    if coded:
        findings.add(severity, "status-code", coded, layer="mains", field="status")
    if strange := unknown_statuses(*met):
        findings.add("warning", "status-unknown", strange, layer="mains", field="status")


def _remark_materials(findings: Findings, lines: Lines, brief: Brief) -> None:
    """Tell the materials that are not known of mains whose bore hangs on them."""
    table = lines.table
    asked = ~among(table["status"], brief.network.excluded_statuses)
    asked &= table["diameter"].to_numpy(dtype=float) >= brief.network.min_diameter
    asked &= np.isnan(table["bore"].to_numpy(dtype=float))
    lengths = line_lengths(lines.xy, lines.offsets)
    words = table["material"].to_numpy(dtype=object)
    text = unknown_materials(words[asked], lengths[asked], partial(findings.length, digits=0))
    if text:
        findings.add("warning", "unknown-material", text, layer="mains", field="material")


def _remark_classes(findings: Findings, streets: Built, brief: Brief) -> None:
    classes = streets.data.table["class"].to_numpy(dtype=object)
    for text in doubtful_ways(classes, brief.street.excluded_classes):
        findings.add("warning", "class-doubtful", text, layer="streets", field="class")
    for severity, rule, text in class_remarks(
        classes,
        [rate.street for rate in brief.rates.lane_day],
        brief.street.no_block,
    ):
        findings.add(severity, rule, text, layer="streets", field="class")


def _remark_ways(findings: Findings, streets: Built) -> None:
    """Tell the words on one-way traffic that are not known."""
    lines = streets.data
    if isinstance(lines, Lines):
        names = lines.table["feature"].to_numpy(dtype=object)
        number, whole = np.arange(len(lines)), np.zeros(len(lines), dtype=np.int64)
        parts = Parts(lines.xy, lines.offsets, number, whole, whole == 0)
        places = partial(line_places, parts)
        emit(findings, "streets", unread_ways(lines), names=names, places=places)


def _remark_missing(layers: Layers, given: set[str]) -> None:
    """Say what is done without the layers that are not given."""
    for name, consequence in WITHOUT.items():
        if name not in given:
            layers.findings.add("info", "layer-not-given", f"not given: {consequence}", layer=name)


def _remark_rasters(findings: Findings, rasters: Sequence[Raster], brief: Brief) -> None:
    """Add, by CRS, which rasters have another than the brief says."""
    odd = [raster for raster in rasters if raster.differs]
    for crs in sorted({raster.crs for raster in odd}):
        names = [raster.name for raster in odd if raster.crs == crs]
        findings.add(
            "warning",
            "crs-differs",
            differs_text(str(brief.inputs["dem"].crs), crs),
            layer="dem",
            feature=names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more",
        )


def _remark_datums(
    findings: Findings, mains: Loaded, lines: Lines, rasters: Sequence[Raster]
) -> None:
    """Add where inverts and ground levels, or files of these, are in several vertical datums."""
    inverts = lines.table[["invert_start", "invert_end"]].notna().to_numpy().any()
    tell_datums(
        vertical_datum(mains.crs) if inverts else None,
        [(raster.name, raster.datum) for raster in rasters],
        findings,
    )
