"""Vertical datums: whether inverts and ground levels count from one zero, by what files state."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import pyproj

from geotools.intake.datum_names import ELLIPSOID, DatumNames
from geotools.intake.findings import Findings
from geotools.lists import listed

__all__ = ["VerticalDatum", "tell_datums", "vertical_datum"]

NAMED = 3  # files of a datum that are named


Group = tuple["VerticalDatum", list[str]]  # a datum and the files in it


@dataclass(frozen=True)
class VerticalDatum:
    """What levels count from: the name of the CRS that states it, and what that may stand for.

    The unit of the levels is no part of it.
    """

    name: str
    names: DatumNames

    def same(self, other: VerticalDatum) -> bool:
        """Tell whether two may be one: by the CRS or by its datum, which files may name wrongly."""
        return self.names.same(other.names)

    def sure(self, other: VerticalDatum) -> bool:
        """Tell whether two that are not the same are sure to be two: both are registered."""
        return self.names.known and other.names.known


def vertical_datum(crs: pyproj.CRS | None) -> VerticalDatum | None:
    """Return the vertical datum a CRS states; None if it states none."""
    if crs is None:
        return None
    if crs.is_bound and crs.source_crs is not None:
        return vertical_datum(crs.source_crs)
    if crs.is_compound:
        return next(filter(None, map(vertical_datum, crs.sub_crs_list)), None)
    if crs.is_vertical:
        names = DatumNames.of(crs.name, "" if crs.datum is None else crs.datum.name)
        return None if names is None else VerticalDatum(str(crs.name), names)
    if len(crs.axis_info) == 3 and crs.axis_info[2].direction == "up":
        name = f"heights above the ellipsoid ({crs.name})"
        return VerticalDatum(name, DatumNames(frozenset({ELLIPSOID}), known=True))
    return None


def tell_datums(
    inverts: VerticalDatum | None,
    rasters: Sequence[tuple[str, VerticalDatum | None]],
    findings: Findings,
) -> None:
    """Tell of levels that count from another zero than others they are compared with.

    Parameters
    ----------
    inverts : VerticalDatum or None
        Of the mains; None where they state none or have no inverts.
    rasters : sequence of (str, VerticalDatum or None)
        Names of the files of the DEM, and what each states.
    findings : Findings
        Receives a warning for each datum that is not that of the inverts, and one for files of
        the DEM that differ from each other.
    """
    groups = _groups(rasters)
    for datum, files in groups:
        if inverts is not None and not datum.same(inverts):
            _tell(findings, _other(datum, inverts), files)
    if len(groups) > 1:
        _tell(findings, _several(groups), [file for _, files in groups for file in files])


def _groups(rasters: Sequence[tuple[str, VerticalDatum | None]]) -> list[Group]:
    """Return every datum that is stated, with its files, in the order of these."""
    groups: list[Group] = []
    for file, datum in rasters:
        if datum is None:
            continue
        known = next((files for other, files in groups if other.same(datum)), None)
        if known is None:
            groups.append((datum, [file]))
        else:
            known.append(file)
    return groups


def _tell(findings: Findings, text: str, files: Sequence[str]) -> None:
    findings.add("warning", "vertical-datum-differs", text, layer="dem", feature=_listed(files))


def _other(datum: VerticalDatum, inverts: VerticalDatum) -> str:
    start = f"the ground levels are in {datum.name}, the inverts of the mains in {inverts.name}, "
    if datum.sure(inverts):
        return start + (
            "another vertical datum: every depth is wrong by what lies between the two; nothing "
            "was moved; give both in one datum"
        )
    return start + (
        "which may be another vertical datum (one of the names is not registered): then every "
        "depth is wrong by what lies between the two; nothing was moved; give both in one datum, "
        "by one name"
    )


def _several(groups: Sequence[Group]) -> str:
    each = "; ".join(f"{datum.name}: {_listed(files)}" for datum, files in groups)
    if all(a.sure(b) for (a, _), (b, _) in combinations(groups, 2)):
        return (
            f"its files are in {len(groups)} vertical datums ({each}): levels step where one file "
            "ends; nothing was moved; give all in one datum"
        )
    return (
        f"its files name {len(groups)} vertical datums ({each}), which may be several (some names "
        "are not registered): then levels step where one file ends; nothing was moved; give all "
        "in one datum, by one name"
    )


def _listed(files: Sequence[str]) -> str:
    return listed(files, most=NAMED)
