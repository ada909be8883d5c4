"""The key of a district: hashes of all that its plan depends on, by what it is."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import fields
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import shapely

from geotools.brief import Brief, settings
from geotools.intake.columns import Areas, Layers, Lines, Points
from geotools.layout.levels import ground_seen
from geotools.layout.prepare import wishes_elsewhere
from geotools.layout.rules import rates_set, says_side
from geotools.program import program

if TYPE_CHECKING:
    from geotools.scale.district import Job

__all__ = ["district_key"]

# Settings, or whole sections, that change nothing of a district's plan but what it tells of them:
# those of other tools, of files beside it, and those that have parts of the key to themselves.
_APART = ("screening.", "sheets.", "output.styles", "network.only", "carrier.fixed")


def district_key(job: Job, layers: Layers) -> dict[str, str]:
    """Return the hashes of all that the plan of a district depends on.

    A layer counts by what of it was read for the district, in the order of the source: features
    as they are planned with, in the working CRS and SI units, whatever else the file holds. The
    DEM counts by its cells in the same window. Runs, chained over the whole network, count by
    their names, mains, ends and lengths, and shutdowns, worked out over the whole network too, by
    all that is told of them: what changed far away counts if it comes to this district in these.
    Files count by none of their hashes; what a plan that is kept tells of them is told anew.

    Returns
    -------
    dict of str to str
        By ``version``, ``crs``, ``settings``, ``carrier.fixed`` and ``network.only`` as far as they
        touch it, ``runs``, ``shutdowns``, ``dem``, ``findings`` of
        the reader, and the names of the layers given.
    """
    return {"version": program()} | {name: _hash(part) for name, part in _parts(job, layers)}


def _hash(part: Iterator[bytes]) -> str:
    digest = hashlib.blake2b(digest_size=16)
    for piece in part:
        digest.update(f"{len(piece)} ".encode())
        digest.update(piece)
    return digest.hexdigest()


def _parts(job: Job, layers: Layers) -> Iterator[tuple[str, Iterator[bytes]]]:
    yield "crs", (crs.to_wkt().encode() for crs in (layers.working_crs, layers.output_crs))
    yield "settings", _settings_bytes(job.brief)
    elsewhere = sorted(wishes_elsewhere(job.runs, job.brief.carrier.fixed, job.fixed))
    yield "carrier.fixed", iter([repr((job.fixed, elsewhere)).encode()])
    yield "network.only", (main_ids.encode() for main_ids in job.left_out)
    yield "runs", _run_bytes(job)
    if job.shutdowns is not None:
        yield "shutdowns", _table_bytes(job.shutdowns)
    if layers.dem:
        yield "dem", ground_seen(layers.dem, job.window, job.brief, job.allow_remote)
    yield "findings", _table_bytes(layers.findings.table())  # a change may show there alone
    for item in fields(layers):
        part = getattr(layers, item.name)
        if isinstance(part, Lines | Points | Areas):
            yield item.name, _layer_bytes(part)


def _settings_bytes(brief: Brief) -> Iterator[bytes]:
    for setting in settings(brief):
        if not setting.key.startswith(_APART):
            yield f"{setting.key} = {setting.value!r}".encode()
    yield f"street.keep_right is said: {says_side(brief)}".encode()  # told where it is not
    yield f"rates that are set: {sorted(rates_set(brief))}".encode()  # told where they are not


def _run_bytes(job: Job) -> Iterator[bytes]:
    yield from _table_bytes(job.runs)
    yield np.ascontiguousarray(job.span).tobytes()


def _layer_bytes(part: Lines | Points | Areas) -> Iterator[bytes]:
    yield from _table_bytes(part.table)
    if isinstance(part, Areas):
        yield from shapely.to_wkb(part.geometry)
        return
    yield np.ascontiguousarray(part.xy).tobytes()
    if isinstance(part, Lines):
        yield part.offsets.tobytes()


def _table_bytes(table: pd.DataFrame) -> Iterator[bytes]:
    """Yield a table's columns: which values are missing, and those there are; geometry as WKB."""
    for name in table.columns:
        yield str(name).encode()
        if name == "geometry":
            yield from (b"" if wkb is None else wkb for wkb in shapely.to_wkb(table[name]))
        else:
            missing = table[name].isna().to_numpy(bool)
            yield np.packbits(missing).tobytes()  # joined text says nothing of where gaps are
            yield table[name][~missing].astype(str).str.cat(sep="\0").encode()
