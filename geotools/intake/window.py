"""The window through which a part of the layers is read."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pyproj

from geotools.intake.sources import Bounds

__all__ = ["MAINS_BEYOND", "Window", "window_of"]

# m; what lies at the edge of a window has its main read too, if it has one within its reach.
MAINS_BEYOND = 200.0


@dataclass(frozen=True)
class Window:
    """A rectangle in a projected CRS; features that meet it are read.

    Whether a feature whose box alone meets it is read too depends on the format.
    """

    bounds: Bounds
    crs: pyproj.CRS

    def wider(self, margin: float) -> Window:
        """Return a window larger on every side by a margin, m."""
        low_x, low_y, high_x, high_y = self.bounds
        grown = (low_x - margin, low_y - margin, high_x + margin, high_y + margin)
        return Window(grown, self.crs)

    def bounds_in(self, crs: pyproj.CRS) -> Bounds | None:
        """Return a rectangle in another CRS that holds the window; None where there is none.

        There is none where the window would reach over the edge of the other CRS, such as the
        meridian of 180 degrees: the whole layer is read then.
        """
        if crs == self.crs:
            return self.bounds
        transformer = pyproj.Transformer.from_crs(self.crs, crs, always_xy=True)
        moved = transformer.transform_bounds(*self.bounds, densify_pts=51)
        low_x, low_y, high_x, high_y = moved
        if not all(map(math.isfinite, moved)) or low_x > high_x or low_y > high_y:
            return None
        return moved


def window_of(layer: str, window: Window) -> Window:
    """Return the window a layer is read through, where the layers are read through this one."""
    return window.wider(MAINS_BEYOND) if layer == "mains" else window
