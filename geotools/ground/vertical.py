"""The vertical unit of an elevation raster: what the file says, what the brief says."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pyproj

from geotools.errors import LayerError
from geotools.pipe.factors import FOOT

__all__ = ["UNIT_KEY", "VerticalUnit", "file_units", "resolve_unit"]

# How texts tell to set the unit; the command line takes it with --set.
UNIT_KEY = "ground.vertical_unit in the brief (m, ft or us-ft; --set ground.vertical_unit=ft)"
US_SURVEY_FOOT = 1200 / 3937  # exact by definition (US Metric Law of 1866)
# International and US survey feet differ by 2 parts in a million (2 mm in a kilometre), and files
# mix the two names up freely: units closer than this are taken as the same.
SAME = 1e-5


@dataclass(frozen=True)
class VerticalUnit:
    """A unit of level: its name, its length in metres and who says so."""

    name: str
    metres: float
    said_by: str

    def agrees(self, other: VerticalUnit) -> bool:
        """Tell whether two statements mean the same unit for all practical purposes."""
        return abs(self.metres - other.metres) <= SAME * self.metres


_SPELLINGS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), ("m", 1.0)),
    **dict.fromkeys(("dm", "decimetre", "decimetres", "decimeter", "decimeters"), ("dm", 0.1)),
    **dict.fromkeys(("cm", "centimetre", "centimetres", "centimeter", "centimeters"), ("cm", 0.01)),
    **dict.fromkeys(("mm", "millimetre", "millimetres", "millimeter", "millimeters"), ("mm", 1e-3)),
    **dict.fromkeys(
        ("ft", "foot", "feet", "internationalfoot", "internationalfeet", "footinternational"),
        ("ft", FOOT),
    ),
    **dict.fromkeys(
        ("usft", "ftus", "ussurveyfoot", "ussurveyfeet", "footus", "footussurvey", "surveyfoot"),
        ("us-ft", US_SURVEY_FOOT),
    ),
}


def file_units(band_unit: str, crs: pyproj.CRS, source: str) -> list[VerticalUnit]:
    """Return what a file says of its vertical unit: by the band, by the CRS's vertical part.

    Parameters
    ----------
    band_unit : str
        Unit text of the band; empty if there is none.
    crs : pyproj.CRS
        CRS of the raster, with its vertical part if it has one.
    source : str
        Name of the file, for messages.

    Raises
    ------
    LayerError
        If the band's unit is not a known unit of length, or the CRS counts downwards.
    """
    said = []
    if band_unit.strip():
        known = _SPELLINGS.get("".join(c for c in band_unit.lower() if c.isalpha()))
        if known is None:
            raise LayerError(
                source,
                f"band 1 has the unit {band_unit!r}, which is no unit of length known here "
                "(m, dm, cm, mm, ft, us-ft); write the right unit into the file, or use the "
                "elevation raster instead of a product made from it",
            )
        said.append(VerticalUnit(*known, said_by=f"its band unit {band_unit!r}"))
    for axis in crs.axis_info:
        if axis.direction == "down":
            raise LayerError(
                source, "its CRS counts depths downwards; levels that grow upwards are needed"
            )
        if axis.direction == "up":
            factor = float(axis.unit_conversion_factor)
            said.append(
                VerticalUnit(axis.unit_name, factor, said_by="the vertical part of its CRS")
            )
    return said


def resolve_unit(
    said: Sequence[VerticalUnit], brief_unit: str | None, source: str
) -> VerticalUnit | None:
    """Return the unit of a raster's levels, or None if nobody says.

    Parameters
    ----------
    said : sequence of VerticalUnit
        What the file says, by `file_units`.
    brief_unit : str, optional
        What the brief says: ``m``, ``ft`` or ``us-ft``.
    source : str
        Name of the file, for messages.

    Raises
    ------
    LayerError
        If file and brief, or two places of the file, contradict each other.
    """
    told = None
    if brief_unit is not None:
        told = VerticalUnit(*_SPELLINGS["".join(c for c in brief_unit if c.isalpha())], "the brief")
        agreeing = [unit for unit in said if unit.agrees(told)]
        if said and not agreeing:
            raise LayerError(
                source,
                f"levels are in {said[0].name} by {said[0].said_by}, but in {told.name} by the "
                "brief; take vertical_unit out of the brief if the file is right, or correct the "
                "unit in the file",
            )
        return (*agreeing, told)[0]
    if len(said) > 1 and not said[0].agrees(said[1]):
        raise LayerError(
            source,
            f"levels are in {said[0].name} by {said[0].said_by}, but in {said[1].name} by "
            f"{said[1].said_by}; say which is right with ground.vertical_unit in the brief",
        )
    return said[0] if said else None
