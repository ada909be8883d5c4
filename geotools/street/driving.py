"""Countries where traffic keeps to the left."""

from __future__ import annotations

import numpy as np
import pyproj

from geotools.intake.crs import WGS84, project
from geotools.intake.findings import Findings
from geotools.network.ragged import FloatArray

__all__ = ["keeps_left", "tell_side"]

# West, south, east, north in degrees of boxes that lie in such countries, or in these and the sea.
# Facts of the world, common knowledge, drawn by hand inside the borders: what lies in a box keeps
# to the left, what lies in none may do so too. Small places and crooked borders are left out.
_LEFT = (
    # Great Britain and Ireland, short of the coast of France; Guernsey, Jersey
    (-11.0, 49.9, 0.5, 51.05), (0.5, 50.3, 1.15, 51.05), (-11.0, 51.05, 1.45, 61.0),
    (1.45, 51.2, 1.9, 53.2), (-2.7, 49.4, -2.48, 49.52), (-2.26, 49.15, -2.0, 49.27),
    # Malta, Cyprus
    (14.1, 35.75, 14.65, 36.15), (32.2, 34.5, 34.65, 35.72),
    # South Africa, Namibia, Botswana, Zimbabwe, Mozambique, Zambia, Malawi, Tanzania
    (11.5, -35.0, 41.0, -18.1), (24.1, -18.1, 41.0, -13.5), (31.0, -13.5, 41.0, -1.0),
    # Uganda, Kenya; Seychelles, Mauritius
    (31.4, -1.0, 40.9, 3.4), (55.3, -4.9, 56.0, -4.2), (57.2, -20.6, 57.9, -19.9),
    # India, Pakistan, Bangladesh, Sri Lanka, Maldives, short of China, Myanmar and Afghanistan
    (68.0, 5.0, 92.0, 24.0), (63.5, 24.0, 92.0, 27.5), (92.0, 24.5, 93.3, 27.2),
    (67.0, 27.5, 80.9, 30.0), (70.0, 30.0, 78.5, 31.5), (71.0, 31.5, 77.5, 33.0),
    (71.4, 33.0, 76.5, 34.2), (72.5, -1.0, 74.0, 5.0),
    # Nepal
    (80.9, 27.5, 85.8, 27.9), (81.0, 27.9, 84.5, 28.4),
    # Japan, short of Korea, Taiwan and the Kurils
    (128.5, 30.0, 132.0, 34.0), (130.5, 34.0, 135.5, 36.5), (132.0, 30.0, 142.0, 34.0),
    (135.5, 34.0, 142.2, 41.6), (139.7, 41.3, 145.2, 45.5), (123.5, 24.0, 131.5, 30.0),
    # Thailand, short of Myanmar, Laos and Cambodia
    (98.2, 6.4, 103.0, 9.5), (99.9, 12.0, 102.2, 15.5), (98.8, 15.5, 100.3, 19.3),
    (100.3, 15.5, 101.5, 17.3), (101.5, 14.75, 104.4, 17.3),
    # Malaysia, Singapore, Brunei, Indonesia, Papua New Guinea, short of the Philippines
    (95.0, 2.5, 105.0, 6.4), (109.0, 2.5, 117.5, 6.4), (95.0, -11.1, 156.0, 2.5),
    # Hong Kong, short of Shenzhen
    (113.93, 22.17, 114.3, 22.46),
    # Australia, New Zealand, Fiji
    (112.5, -44.0, 154.0, -11.1), (166.0, -47.6, 179.9, -34.0), (176.8, -19.3, 179.9, -16.0),
    # Jamaica, Cayman Islands, Bahamas, Turks and Caicos, Bermuda
    (-78.4, 17.65, -76.1, 18.6), (-81.5, 19.2, -79.7, 19.8), (-79.1, 23.9, -74.0, 27.3),
    (-72.6, 21.0, -71.0, 22.0), (-64.9, 32.2, -64.6, 32.4),
    # Virgin Islands, Anguilla, Saint Kitts, Antigua, Montserrat, Dominica, Saint Lucia
    (-65.1, 17.65, -64.2, 18.8), (-63.2, 18.15, -62.9, 18.3), (-62.88, 17.05, -62.5, 17.45),
    (-62.0, 16.95, -61.6, 17.75), (-62.25, 16.65, -62.1, 16.85), (-61.5, 15.2, -61.2, 15.65),
    (-61.1, 13.7, -60.85, 14.12),
    # Barbados, Saint Vincent, Grenada; Trinidad and Tobago; Guyana, Suriname; Falkland Islands
    (-61.85, 11.9, -59.3, 13.45), (-61.7, 10.0, -60.4, 11.4), (-59.5, 4.0, -54.6, 8.6),
    (-61.4, -52.5, -57.6, -51.0),
)  # fmt: skip


def keeps_left(longitude: float, latitude: float) -> bool:
    """Tell whether traffic is known to keep to the left at a place, degrees; no if not known."""
    return any(
        west <= longitude <= east and south <= latitude <= north
        for west, south, east, north in _LEFT
    )


def tell_side(xy: FloatArray, crs: pyproj.CRS, findings: Findings) -> None:
    """Tell that traffic was taken to keep to the right where it keeps to the left.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        Vertices of the mains in ``crs``; their middle counts.
    crs : pyproj.CRS
    findings : Findings
    """
    if not len(xy):
        return
    lon, lat = project(np.median(xy, axis=0)[None, :], crs, WGS84)[0].tolist()
    if keeps_left(lon, lat):
        findings.add(
            "warning",
            "traffic-side-assumed",
            "traffic was taken to keep to the right, as nothing else is said, and the mains lie in "
            "a country where it keeps to the left: in streets of two ways closures and tapers "
            "stand in the wrong lanes; set street.keep_right = false in the brief "
            "(--set street.keep_right=false), or true if it does keep to the right",
            layer="streets",
        )
