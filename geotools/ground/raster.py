"""An elevation raster: opening it, checking that it can be used, reading windows of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
from rasterio._err import CPLE_BaseError  # it is in no public module, and is raised all the same
from rasterio.enums import ColorInterp, MaskFlags
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from geotools.errors import LayerError
from geotools.ground.vertical import VerticalUnit, file_units, unread_unit
from geotools.intake.crs import georeferenced, horizontal, unusable
from geotools.intake.members import foreign_text
from geotools.intake.place import geopackage_of
from geotools.network.ragged import FloatArray
from geotools.quiet import without

__all__ = [
    "WINDOW_CELLS",
    "Raster",
    "checked_raster",
    "open_raster",
    "opened",
    "read_mask",
    "read_window",
]


WINDOW_CELLS = 2**22
LISTED = 5  # names of rasters in one file that are told
# GDAL's file systems that unpack local archives.
ARCHIVES = ("/vsizip/", "/vsigzip/", "/vsitar/", "/vsi7z/", "/vsirar/")


@dataclass(frozen=True)
class Raster:
    """An elevation raster, checked; band 1 is the one used.

    What it says of itself holds when it is closed again; cells are read while it is open.

    Attributes
    ----------
    name : str
        File name, for messages.
    dataset : rasterio dataset
    shape : tuple of int
        Rows and columns.
    bands : int
    dtype : dtype
        Type of the values stored.
    crs : pyproj.CRS
        Horizontal part of its CRS.
    wkt : str
        The same as text.
    bounds : tuple of float
        West, south, east, north of its corners, also if it is rotated.
    inverse : tuple of 6 float
        Coefficients a, b, c, d, e, f of ``col = a x + b y + c``, ``row = d x + e y + f``,
        counted in cells from the outer corner of the first cell.
    units : list of VerticalUnit
        What the file says of the unit of its levels.
    unread : str
        The unit of the band where that is not known; "" otherwise.
    nodata : scalar, optional
        Value that stands for "no data", in the type of the band.
    masked : bool
        Whether a mask or alpha band must be read too.
    alpha : int
        The band that says where there are data and that GDAL does not take for a mask, since its
        values are not whole; 0 without one.
    scale, offset : float
        Level = stored value x scale + offset, in the vertical unit.
    """

    name: str
    dataset: Any
    shape: tuple[int, int]
    bands: int
    dtype: np.dtype[Any]
    crs: pyproj.CRS
    wkt: str
    bounds: tuple[float, float, float, float]
    inverse: tuple[float, float, float, float, float, float]
    units: list[VerticalUnit]
    unread: str
    nodata: Any
    masked: bool
    alpha: int
    scale: float
    offset: float

    @property
    def block(self) -> tuple[int, int]:
        """Rows and columns of the pieces it is read in: its blocks, cut if they are huge."""
        rows, columns = self.dataset.block_shapes[0]
        columns = min(int(columns), self.shape[1])
        return min(int(rows), self.shape[0], max(1, WINDOW_CELLS // columns)), columns

    @property
    def next_cell(self) -> tuple[int, int]:
        """Rows down and columns right to the next cell: 1, or 0 where there is but one."""
        rows, columns = self.shape
        return int(rows > 1), int(columns > 1)

    @property
    def like_picture(self) -> bool:
        """Whether it holds bytes as a picture does, and nothing says that they are levels."""
        plain = self.scale == 1.0 and self.offset == 0.0
        return self.dtype.itemsize == 1 and plain and not self.units and not self.unread

    @property
    def says_nodata(self) -> bool:
        """Whether the file has any way to say that a cell holds no data."""
        return self.nodata is not None or self.masked

    @property
    def untold_nodata(self) -> float | None:
        """Stored value that stands for "no data" though the file does not say so, or None.

        The least whole number the type holds, of a type without a sign the greatest: scaled, it
        may look like a level. Of eight bits, which few levels fit into, both are levels.
        """
        if self.says_nodata or self.dtype.kind not in "iu" or self.dtype.itemsize < 2:
            return None
        limits = np.iinfo(self.dtype)
        return float(limits.min if self.dtype.kind == "i" else limits.max)

    def cells(self, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return fractional column and row of points, from the outer corner of the first cell."""
        a, b, c, d, e, f = self.inverse
        x, y = xy[:, 0], xy[:, 1]
        return a * x + b * y + c, d * x + e * y + f


def _is_local(path: str) -> bool:
    """Tell whether a path is a file or folder here, or inside a local archive or GeoPackage."""
    if path.startswith(ARCHIVES):
        return "/vsi" not in path[4:] and "://" not in path
    inside = geopackage_of(path) is not None
    return not path.startswith("/vsi") and (inside or Path(path).exists())


@contextmanager
def open_raster(
    path: str, *, allow_remote: bool = False, stated_crs: pyproj.CRS | None = None
) -> Iterator[Raster]:
    """Open a raster for a while and check that ground levels can be read from it.

    Parameters and errors are those of `opened` and `checked_raster`.
    """
    with opened(path, allow_remote=allow_remote) as dataset:
        yield checked_raster(dataset, path, stated_crs)


def opened(path: str, *, allow_remote: bool) -> Any:
    """Open a raster file; whoever asks closes it.

    Parameters
    ----------
    path : str
        A file, a folder that is a raster, or a file in an archive, in any format GDAL reads.
    allow_remote : bool
        Whether it may lie elsewhere than on this machine.

    Raises
    ------
    LayerError
        If it is missing, remote or no raster.
    """
    if not allow_remote and not _is_local(path):
        raise LayerError(path, "no such local file; check the path (only local files are read)")
    try:
        with without(NotGeoreferencedWarning):  # said later as an error with a remedy
            return rasterio.open(path)
    except (RasterioError, OSError) as error:
        raise LayerError(
            path, f"is no raster that GDAL can open ({error}); it may be damaged or cut short"
        ) from error
    except UnicodeDecodeError as error:
        raise LayerError(Path(path).name, foreign_text(path)) from error


def read_window(raster: Raster, window: Window) -> npt.NDArray[Any]:
    """Read a window of band 1 as stored.

    Raises
    ------
    LayerError
        If the file cannot be read there.
    """
    return _read(raster, raster.dataset.read, window)


def read_mask(raster: Raster, window: Window) -> npt.NDArray[Any]:
    """Read the mask of a window of band 1: 0 where there is no data.

    Raises
    ------
    LayerError
        If the file cannot be read there.
    """
    if raster.alpha:
        return _read(raster, raster.dataset.read, window, raster.alpha) > 0
    return _read(raster, raster.dataset.read_masks, window)


def _read(raster: Raster, reader: Any, window: Window, band: int = 1) -> npt.NDArray[Any]:
    try:
        return np.asarray(reader(band, window=window))
    except (RasterioError, CPLE_BaseError, OSError, UnicodeDecodeError) as error:
        where = f"rows {window.row_off} to {window.row_off + window.height}"
        why = error if error.__cause__ is None else error.__cause__  # names the file or tile
        raise LayerError(
            raster.name,
            f"cannot be read at {where} ({why}); the file, or one it is made of, is missing, "
            "damaged or cut short",
        ) from error


def checked_raster(dataset: Any, path: str, stated: pyproj.CRS | None) -> Raster:
    """Check that ground levels can be read from an open file and return what it says of itself.

    rasterio looks up what a file says of itself when it is asked, and then finds what is damaged.

    Parameters
    ----------
    dataset : rasterio dataset
    path : str
    stated : pyproj.CRS, optional
        CRS of a file that does not say.

    Raises
    ------
    LayerError
        If it has no usable CRS, georeference or band, or is damaged where it says what it is.
    """
    try:
        return _checked(dataset, path, stated)
    except (RasterioError, CPLE_BaseError) as error:
        raise LayerError(
            Path(path).name,
            f"cannot be read where it says what it holds ({error}); it may be damaged: copy or "
            "export it again",
        ) from error
    except UnicodeDecodeError as error:
        raise LayerError(Path(path).name, foreign_text(path)) from error


def _checked(dataset: Any, path: str, stated: pyproj.CRS | None) -> Raster:
    name = Path(path).name
    if dataset.count == 0:
        raise LayerError(name, _no_band(dataset, name))
    faults = [*_band_faults(dataset), *_place_faults(dataset)]
    crs = _crs(dataset, name) or stated
    if crs is None and not _by_points(dataset):
        faults.append(
            'has no CRS; set it in the brief under [inputs.dem] with crs = "EPSG:code", or give a '
            "copy that has it (gdal_translate -a_srs EPSG:code)"
        )
    elif crs is not None and (why := unusable(crs)):
        faults.append(why)
    if faults or crs is None:
        raise LayerError(name, faults)
    flags = dataset.mask_flag_enums[0]
    # Without any flag the mask is that of the band alone.
    known = not flags or MaskFlags.per_dataset in flags or MaskFlags.alpha in flags
    alpha = 0 if known else _alpha_band(dataset)
    scale, offset = float(dataset.scales[0]), float(dataset.offsets[0])
    if not (np.isfinite(scale) and np.isfinite(offset)) or scale == 0:
        raise LayerError(name, f"band 1 has the scale {scale} and offset {offset}; correct them")
    flat = horizontal(crs)
    return Raster(
        name=name,
        dataset=dataset,
        shape=(int(dataset.height), int(dataset.width)),
        bands=int(dataset.count),
        dtype=np.dtype(dataset.dtypes[0]),
        crs=flat,
        wkt=flat.to_wkt(),
        bounds=_corners(dataset),
        inverse=tuple(~dataset.transform)[:6],
        units=file_units(dataset.units[0] or "", crs, name),
        unread=unread_unit(dataset.units[0] or ""),
        nodata=_nodata(dataset),
        masked=known or alpha > 0,
        alpha=alpha,
        scale=scale,
        offset=offset,
    )


def _corners(dataset: Any) -> tuple[float, float, float, float]:
    """Return west, south, east, north of the corners of a file."""
    a, b, c, d, e, f = tuple(dataset.transform)[:6]
    corners = [(column, row) for column in (0, dataset.width) for row in (0, dataset.height)]
    x = [a * column + b * row + c for column, row in corners]
    y = [d * column + e * row + f for column, row in corners]
    return min(x), min(y), max(x), max(y)


def _alpha_band(dataset: Any) -> int:
    """Return the alpha band beside band 1, 0 without one."""
    bands = [k + 1 for k, kind in enumerate(dataset.colorinterp) if kind == ColorInterp.alpha]
    return next((band for band in bands if band > 1), 0)


def _no_band(dataset: Any, name: str) -> str:
    """Return why there is no band to read: the file has none, or several rasters."""
    held = dataset.subdatasets
    if not held:
        return "holds no raster band"
    tables = [one.rpartition(":")[2] for one in held]
    listed = ", ".join(tables[:LISTED]) + (", ..." if len(held) > LISTED else "")
    if dataset.driver == "GPKG":
        remedy = f"name the one with the levels, such as {name}:{tables[0]}"
    else:
        remedy = "export the one with the levels to its own file (gdal_translate)"
    return f"holds {len(held)} rasters ({listed}); {remedy}"


def _band_faults(dataset: Any) -> list[str]:
    if dataset.width < 1 or dataset.height < 1:
        return [f"has {dataset.width} columns and {dataset.height} rows"]
    if dataset.dtypes[0] not in np.sctypeDict or np.dtype(dataset.dtypes[0]).kind not in "iuf":
        return [f"band 1 holds {dataset.dtypes[0]} values; real numbers are needed"]
    if picture := _picture(dataset):
        return [f"is a picture ({picture}), no levels; give the elevation raster it was made from"]
    return []


def _picture(dataset: Any) -> str:
    """Return what makes a raster a picture: colours in place of levels; "" if it is none."""
    if dataset.dtypes[0] not in ("uint8", "int8"):
        return ""  # a palette of more colours than a picture has only shows levels in colour
    kind = dataset.colorinterp[0]
    if kind == ColorInterp.palette:
        return "band 1 holds numbers of colours in a palette"
    if kind == ColorInterp.red:
        return "its bands are red, green and blue, 0 to 255"
    return ""


def _by_points(dataset: Any) -> bool:
    """Tell whether a raster is placed by control points, which have their own CRS."""
    return bool(dataset.transform.is_identity and dataset.gcps[0])


def _place_faults(dataset: Any) -> list[str]:
    transform = dataset.transform
    if _by_points(dataset):
        return ["is placed by control points only; warp it to a grid first (gdalwarp)"]
    faults = []
    if transform.is_identity:
        faults.append(
            "has no georeference; add its world file, or give a copy that has one "
            "(gdal_translate -a_ullr)"
        )
    elif not np.all(np.isfinite(tuple(transform))) or transform.determinant == 0:
        faults.append(
            "has cells of no size; give a copy with the right georeference (gdal_translate -a_ullr)"
        )
    return faults


def _crs(dataset: Any, name: str) -> pyproj.CRS | None:
    """Return the CRS of a file; None where it does not say where on the earth the cells lie."""
    if dataset.crs is None:
        return None
    try:
        crs = pyproj.CRS.from_wkt(dataset.crs.to_wkt(version="WKT2_2019"))
        return crs if georeferenced(crs) else None
    except (pyproj.exceptions.CRSError, RasterioError) as error:
        raise LayerError(name, f"has a CRS that cannot be understood ({error})") from error


def _nodata(dataset: Any) -> Any:
    """Return the nodata value in the band's type, or None if no stored value can equal it."""
    value = dataset.nodatavals[0]
    dtype = np.dtype(dataset.dtypes[0])
    if value is None:
        return None
    if dtype.kind == "f":
        with np.errstate(over="ignore"):
            return dtype.type(value)
    limits = np.iinfo(dtype)
    whole = np.isfinite(value) and float(value).is_integer()
    return dtype.type(value) if whole and limits.min <= value <= limits.max else None
