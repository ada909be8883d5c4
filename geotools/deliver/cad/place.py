"""Where a drawing lies: its CRS, its unit of length, and the georeference written into it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt
import pyproj

from geotools.intake.crs import (
    WorkingCRS,
    crs_name,
    horizontal,
    set_out_in,
)
from geotools.pipe.factors import FOOT

if TYPE_CHECKING:
    from ezdxf.document import Drawing

__all__ = ["DrawingPlace", "drawing_place", "georeference"]

# Units of DXF ($INSUNITS) by their length in metres; the United States survey foot has its own.
_UNITS = {1.0: (6, "m"), FOOT: (2, "ft"), 1200 / 3937: (21, "US survey ft")}


@dataclass(frozen=True)
class DrawingPlace:
    """CRS of a drawing, and its unit.

    Attributes
    ----------
    crs : pyproj.CRS
        Projected, x east and y north; that of the plan, or the one measured in if that does not
        show true lengths, or is turned or mirrored.
    unit : float
        The unit of x, y and z, m.
    unit_name : str
        Its name.
    code : int
        Its number in DXF; 0 if DXF has none for it.
    reason : str
        Why it is not the CRS of the plan ("" if it is).
    """

    crs: pyproj.CRS
    unit: float
    unit_name: str
    code: int
    reason: str

    @property
    def name(self) -> str:
        """Short name of the CRS."""
        return crs_name(self.crs)

    @property
    def epsg(self) -> int | None:
        """Its EPSG code, if it has one."""
        code: int | None = self.crs.to_epsg(min_confidence=100)
        return code


def drawing_place(
    crs: pyproj.CRS, xy: npt.NDArray[np.float64], measured_in: Callable[[], WorkingCRS]
) -> DrawingPlace:
    """Choose the CRS of a drawing: that of the plan if it shows true lengths, north up.

    Parameters
    ----------
    crs : pyproj.CRS
        Of the plan.
    xy : ndarray, shape (n, 2)
        Places of the plan in it.
    measured_in : callable
        Gives the CRS its lengths were taken in; asked only where the plan's own does not do.
    """
    own = horizontal(crs)
    reason = ""
    if not set_out_in(own, xy):
        chosen = measured_in()
        own, reason = chosen.crs, chosen.reason
    axis = own.axis_info[0]
    unit = float(axis.unit_conversion_factor)
    near = next((u for u in _UNITS if np.isclose(u, unit, rtol=1e-8, atol=0.0)), None)
    code, name = (0, axis.unit_name) if near is None else _UNITS[near]
    return DrawingPlace(own, unit, name, code, reason)


def georeference(doc: Drawing, place: DrawingPlace, at: tuple[float, float]) -> None:
    """Write unit and CRS into a drawing: header, georeference object and custom properties.

    Coordinates of the drawing are those of the CRS, so the point given for both stands for all
    others. The definition of the CRS names its EPSG code and the order of its axes; programs look
    the rest up. A CRS without a code goes into the properties alone.
    """
    doc.header["$INSUNITS"] = place.code
    doc.header["$MEASUREMENT"] = int(place.unit_name == "m")
    properties: Any = doc.header.custom_vars
    properties.append("CRS", place.name)
    properties.append("CRS_WKT", place.crs.to_wkt("WKT2_2019", pretty=False))
    properties.append("UNIT", place.unit_name)
    if place.epsg is None:
        return
    data = doc.modelspace().new_geodata()
    data.coordinate_system_definition = _definition(place, place.epsg)
    data.dxf.coordinate_type = data.LOCAL_GRID
    data.dxf.design_point = (*at, 0.0)
    data.dxf.reference_point = (*at, 0.0)
    data.dxf.north_direction = (0.0, 1.0)
    data.dxf.horizontal_units = data.dxf.vertical_units = place.code
    data.dxf.horizontal_unit_scale = data.dxf.vertical_unit_scale = place.unit
    data.dxf.observation_from_tag = data.dxf.observation_to_tag = ""
    data.dxf.observation_coverage_tag = ""


_AXIS = (
    "<CoordinateSystemAxis><AxisOrder>{order}</AxisOrder><AxisName>{name}</AxisName>"
    "<AxisAbbreviation>{short}</AxisAbbreviation><AxisDirection>{way}</AxisDirection>"
    "</CoordinateSystemAxis>"
)


def _definition(place: DrawingPlace, epsg: int) -> str:
    """Return the CRS by its EPSG code, in the dictionary form that DXF asks for."""
    name = escape(str(place.crs.name), {'"': "&quot;"})
    unit = {2: "FOOT", 6: "METER", 21: "U.S. FOOT"}.get(place.code, escape(place.unit_name))
    axes = _AXIS.format(order=1, name="Easting", short="E", way="east") + _AXIS.format(
        order=2, name="Northing", short="N", way="north"
    )
    return (
        '<?xml version="1.0" encoding="UTF-16" standalone="no" ?>'
        '<Dictionary version="1.0" xmlns="http://www.osgeo.org/mapguide/coordinatesystem">'
        f'<ProjectedCoordinateSystem id="{name}"><Name>{name}</Name>'
        f'<Axis uom="{unit}">{axes}</Axis></ProjectedCoordinateSystem>'
        f'<Alias id="{epsg}" type="CoordinateSystem"><ObjectId>{name}</ObjectId>'
        "<Namespace>EPSG Code</Namespace></Alias></Dictionary>"
    )
