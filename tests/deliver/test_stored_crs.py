"""Every CRS of the mains comes back placing the plan where it was: held against pyproj."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import pytest
import shapely
from pyproj.crs import BoundCRS, CompoundCRS
from pyproj.crs.coordinate_operation import ToWGS84Transformation

from geotools.deliver import stored_crs
from geotools.deliver.geopackage import write_geopackage
from geotools.errors import OutputError
from geotools.schema import OUTPUTS

from .conftest import rows_of

OGRINFO = shutil.which("ogrinfo")
WGS84 = pyproj.CRS("OGC:CRS84")
SHIFT = (590.1, 73.7, 418.2, 0.202, 0.045, -2.455, 6.7)  # DHDN's, 8 m aside: an own fit
GAUSS_KRUGER = pyproj.CRS(31467)
CITY = (
    "+proj=tmerc +lat_0=38 +lon_0=-85 +k=0.99995 +x_0=152400.3048006 +y_0=0 +datum=NAD83 "
    "+units=us-ft"
)


def _bound() -> BoundCRS:
    geographic = GAUSS_KRUGER.geodetic_crs
    return BoundCRS(GAUSS_KRUGER, pyproj.CRS(4326), ToWGS84Transformation(geographic, *SHIFT))


def _named() -> str:
    """A zone of its own origin under the name of a town."""
    text = pyproj.CRS(26917).to_wkt().replace("NAD83 / UTM zone 17N", "Milltown grid 1923")
    text = text.replace(',ID["EPSG",26917]', "")
    return text.replace('"False easting",500000', '"False easting",200000')


def _liar() -> str:
    """The same with the code of the zone it was made from left on it."""
    return pyproj.CRS(26917).to_wkt().replace('"False easting",500000', '"False easting",200000')


CASES: dict[str, tuple[Any, tuple[float, float]]] = {
    "metres": ("EPSG:26917", (-81, 40)),
    "feet": ("EPSG:2256", (-110, 46)),
    "survey feet": ("EPSG:2246", (-85, 38.3)),
    "axes north first": ("EPSG:2193", (174, -41)),
    "UTM in survey feet": ("+proj=utm +zone=33 +units=us-ft", (14.5, 50)),
    "UTM in feet, south": ("+proj=utm +zone=33 +south +units=ft", (14.5, -20)),
    "UTM NAD83 in survey feet": ("+proj=utm +zone=17 +datum=NAD83 +units=us-ft", (-81, 38)),
    "own shift of the datum": ("+proj=utm +zone=33 +ellps=WGS84 +towgs84=100,0,0", (14.5, 50)),
    "transverse Mercator in survey feet": (CITY, (-85.3, 38.2)),
    "oblique Mercator": ("+proj=omerc +lat_0=36 +lonc=-86 +alpha=20 +k=0.9999", (-86, 36)),
    "local name": (_named(), (-81, 40)),
    "code that is not its own": (_liar(), (-81, 40)),
    "compound": ("EPSG:2246+6360", (-85, 38.3)),
    "compound without a code": (
        CompoundCRS("town", ["+proj=utm +zone=33 +units=us-ft", "EPSG:5703"]),
        (14.5, 50),
    ),
    "bound": (
        "+proj=utm +zone=33 +ellps=bessel +towgs84=598.1,73.7,418.2,0.202,0.045,-2.455,6.7",
        (14.5, 50),
    ),
    "bound, base with a code": (_bound(), (9.3, 50.2)),
    "bound and compound": (CompoundCRS("town", [_bound(), "EPSG:5783"]), (9.3, 50.2)),
}


def _written(crs: pyproj.CRS, place: tuple[float, float], folder: Path) -> tuple[Path, Any]:
    """Write two pits, some 7 km apart, and return the file and where they are."""
    lon, lat = np.array(place)[:, None] + np.array([[0.0, 0.05], [0.0, 0.05]])
    x, y = pyproj.Transformer.from_crs(WGS84, crs, always_xy=True).transform(lon, lat)
    shapes = shapely.points(np.column_stack([x, y]))
    pits = rows_of(OUTPUTS["pits"], *({"geometry": shape} for shape in shapes))
    pits = gpd.GeoDataFrame(pits.drop(columns="geometry"), geometry=shapes, crs=crs)
    file = folder / "plan.gpkg"
    runs = rows_of(OUTPUTS["quantities"], {})
    tables = {"pits": pits, "quantities": runs}
    write_geopackage(file, tables, crs=crs, units="si", overwrite=False)
    there = pyproj.Transformer.from_crs(crs, WGS84, always_xy=True).transform(x, y)
    return file, np.array(there)


@pytest.mark.parametrize("case", CASES)
def test_every_place_is_read_back_where_it_was(case: str, tmp_path: Path) -> None:
    given, place = CASES[case]
    crs = pyproj.CRS.from_user_input(given)
    file, there = _written(crs, place, tmp_path)
    pits = gpd.read_file(file, layer="pits")
    with closing(sqlite3.connect(file)) as base, base:
        (definition,) = base.execute(
            "select definition from gpkg_spatial_ref_sys join gpkg_contents using (srs_id) "
            "where table_name = 'pits'"
        ).fetchone()
    for read in (pits.crs, pyproj.CRS.from_wkt(definition)):
        found = pyproj.Transformer.from_crs(read, WGS84, always_xy=True).transform(
            pits.geometry.x.to_numpy(), pits.geometry.y.to_numpy()
        )
        off = pyproj.Geod(ellps="WGS84").inv(*there, *found)[2]
        assert np.max(off) < 1e-3


@pytest.mark.parametrize("case", ["metres", "feet", "survey feet", "compound"])
def test_a_registered_crs_keeps_its_code(case: str, tmp_path: Path) -> None:
    crs = pyproj.CRS.from_user_input(CASES[case][0])
    file, _ = _written(crs, CASES[case][1], tmp_path)
    read = pyproj.CRS(pyogrio.read_info(file, layer="pits")["crs"])
    assert read.to_authority(min_confidence=100) == crs.to_authority(min_confidence=100)


@pytest.mark.skipif(OGRINFO is None, reason="ogrinfo (Debian package gdal-bin) is not installed")
@pytest.mark.parametrize("case", ["UTM in survey feet", "local name"])
def test_a_crs_without_a_code_gets_none_in_gdals_own_tool(case: str, tmp_path: Path) -> None:
    file, _ = _written(pyproj.CRS(CASES[case][0]), CASES[case][1], tmp_path)
    told = subprocess.run(
        [str(OGRINFO), "-so", "-wkt_format", "WKT2", str(file), "pits"],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    wkt = told.stdout.partition("Layer SRS WKT:\n")[2].partition("Data axis")[0]
    assert wkt.startswith("PROJCRS[")
    assert pyproj.CRS.from_wkt(wkt).to_authority(min_confidence=100) is None
    assert ("US survey foot" in wkt) == (case == "UTM in survey feet")
    with closing(sqlite3.connect(file)) as base, base:
        rows = base.execute(
            "select organization, srs_id from gpkg_spatial_ref_sys where srs_id > 4326"
        ).fetchall()
    assert [name for name, _ in rows] == ["NONE"]


def test_a_crs_that_cannot_be_kept_is_an_error_that_says_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    crs = pyproj.CRS("+proj=utm +zone=33 +units=us-ft")
    monkeypatch.setattr(stored_crs, "_ways", lambda crs: iter([crs.to_wkt()]))
    with pytest.raises(OutputError, match=r"cannot be kept.*EPSG code"):
        _written(crs, (14.5, 50), tmp_path)
    assert not list(tmp_path.iterdir())
