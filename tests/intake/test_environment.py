"""Nothing is asked of the network that was not allowed, and nothing is written beside an input."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import rasterio
import shapely
from affine import Affine

from geotools.errors import LayerError
from geotools.intake.dem import find_rasters
from geotools.intake.environment import open_options, vector_environment
from geotools.intake.members import raster_members
from geotools.intake.place import Place, locate

CRS = "EPSG:32633"
AROUND = shapely.box(5e5, 5.2e6 - 40, 5e5 + 40, 5.2e6)
FEATURE = (
    "<gml:featureMember><a:{layer}><a:main_id>{name}</a:main_id><a:diameter_mm>400</a:diameter_mm>"
    '<a:geom><gml:LineString srsName="EPSG:32633"><gml:posList>500000 5400000 500900 5400000'
    "</gml:posList></gml:LineString></a:geom></a:{layer}></gml:featureMember>"
)


def gml(path: Path, *features: str, schema: str = "") -> Path:
    """Write what a service of features answers, with where it says its schema is."""
    where = f' xsi:schemaLocation="http://a {schema}"' if schema else ""
    path.write_text(
        '<?xml version="1.0"?><wfs:FeatureCollection xmlns:wfs="http://www.opengis.net/wfs" '
        'xmlns:gml="http://www.opengis.net/gml" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xmlns:a="http://a"'
        f"{where}>{''.join(features)}</wfs:FeatureCollection>",
        encoding="utf-8",
    )
    return path


def index(path: Path, *locations: str) -> Path:
    frame = gpd.GeoDataFrame({"location": locations}, geometry=[AROUND] * len(locations), crs=CRS)
    frame.to_file(path, layer="tiles", driver="GPKG")
    return path


class Listener:
    """A port of this machine that takes connections and never answers."""

    def __init__(self, held: socket.socket) -> None:
        self._held = held
        self.address = f"http://127.0.0.1:{held.getsockname()[1]}"

    def asked(self) -> bool:
        try:
            self._held.accept()[0].close()
        except BlockingIOError:
            return False
        return True


@pytest.fixture
def listener(monkeypatch: pytest.MonkeyPatch) -> Iterator[Listener]:
    monkeypatch.setenv("GDAL_HTTP_TIMEOUT", "1")
    with socket.create_server(("127.0.0.1", 0)) as held:
        held.setblocking(False)
        yield Listener(held)


def test_the_schema_a_gml_names_is_not_asked_of_its_service(
    tmp_path: Path, listener: Listener, read_file: Any, found: Any
) -> None:
    asks = f"{listener.address}/wfs?SERVICE=WFS&amp;REQUEST=DescribeFeatureType&amp;TYPENAME=a:b"
    path = gml(tmp_path / "net.gml", FEATURE.format(layer="mains", name="A"), schema=asks)
    layers = read_file(path)
    assert layers.mains.table["main_id"].tolist() == ["A"]
    assert found(layers, "reader-message").empty
    assert not listener.asked()
    pyogrio.read_info(path, WRITE_GFS="NO")  # which asks, as it would be allowed to
    assert listener.asked()
    with vector_environment(allow_remote=True):
        pyogrio.read_info(path, WRITE_GFS="NO")
    assert listener.asked()


@pytest.mark.parametrize("look", [find_rasters, raster_members])
def test_an_index_by_its_name_of_tiles_elsewhere_asks_for_none(
    tmp_path: Path, listener: Listener, look: Any
) -> None:
    path = index(tmp_path / "dem.gti.gpkg", f"/vsicurl/{listener.address}/t.tif")
    how = {"allow_remote": False} if look is find_rasters else {}
    try:
        look(str(path), **how)
    except LayerError as error:
        assert look is find_rasters, error  # of what GDAL opens as no raster the file alone counts
    assert not listener.asked()


@pytest.mark.parametrize("through", ["itself", "a virtual raster"])
def test_an_index_of_tiles_is_refused_for_a_missing_one_goes_unnoticed(
    tmp_path: Path, through: str
) -> None:
    profile = {"driver": "GTiff", "width": 4, "height": 4, "count": 1, "dtype": "float32"}
    place = Affine(10, 0, 5e5, 0, -10, 5.2e6)
    with rasterio.open(tmp_path / "a.tif", "w", crs=CRS, transform=place, **profile) as target:
        target.write(np.full((1, 4, 4), 100, dtype="float32"))
    path = index(tmp_path / "dem.gti.gpkg", str(tmp_path / "a.tif"), str(tmp_path / "b.tif"))
    with pytest.raises(LayerError, match="is an index of tiles, whose missing or damaged"):
        if through == "itself":
            find_rasters(str(path), allow_remote=False)
        vrt = tmp_path / "dem.vrt"
        vrt.write_text(
            '<VRTDataset rasterXSize="4" rasterYSize="4"><SRS>EPSG:32633</SRS>'
            "<GeoTransform>5e5, 10, 0, 5.2e6, 0, -10</GeoTransform>"
            '<VRTRasterBand dataType="Float32" band="1"><SimpleSource>'
            f'<SourceFilename relativeToVRT="1">{path.name}</SourceFilename>'
            "<SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>",
            encoding="utf-8",
        )
        raster_members(str(vrt))


def test_reading_a_gml_writes_nothing_beside_it(tmp_path: Path, read_file: Any) -> None:
    one, other = (FEATURE.format(layer=name, name=name) for name in ("mains", "valves"))
    path = gml(tmp_path / "net.gml", one, other)
    assert read_file(path).mains.table["main_id"].tolist() == ["mains"]
    assert read_file(f"{path}:valves").mains.table["main_id"].tolist() == ["valves"]
    assert [file.name for file in tmp_path.iterdir()] == ["net.gml"]


def test_nothing_is_written_beside_a_gml_however_its_path_is_written(
    tmp_path: Path, read_file: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    gml(tmp_path / "net.gml", FEATURE.format(layer="mains", name="mains"))
    (tmp_path / "in").mkdir()
    monkeypatch.chdir(tmp_path)
    for source in ("./net.gml", "in//..//net.gml", f"{tmp_path}/./net.gml:mains"):
        assert read_file(source).mains.table["main_id"].tolist() == ["mains"]
        assert locate("mains", source, allow_remote=False).target == str(Path(source.split(":")[0]))
    assert not (tmp_path / "net.gfs").exists()
    given = Place("./net.gml", Path("net.gml"), None)
    assert open_options(given) == {"WRITE_GFS": "NO"}


def test_a_file_that_tells_how_a_gml_is_read_still_counts(tmp_path: Path, read_file: Any) -> None:
    path = gml(tmp_path / "net.gml", FEATURE.format(layer="mains", name="7"))
    pyogrio.list_layers(path)
    told = tmp_path / "net.gfs"
    told.write_text(told.read_text().replace("<Name>main_id</Name>", "<Name>other</Name>"))
    read = read_file(path, fields={"main_id": "other"})
    assert read.mains.table["main_id"].tolist() == ["7"]


def test_only_a_gml_is_opened_with_options_of_its_own(tmp_path: Path) -> None:
    places = {}
    for name, text in {
        "a.gml": '<a xmlns:gml="http://www.opengis.net/gml"/>',
        "column.gml": '<a xmlns:gml="http://www.opengis.net/gml"><feed>1</feed><kml/><rss/></a>',
        "comment.gml": '<!-- no <kml> --><a xmlns:gml="http://www.opengis.net/gml"/>',
        "feeder.gml": '<?xml version="1.0"?><feeder xmlns:gml="http://www.opengis.net/gml"/>',
        "a.kml": '<kml xmlns:gml="http://www.opengis.net/gml"/>',
        "b.kml": '<?xml version="1.0"?>\n<k:kml xmlns:gml="http://www.opengis.net/gml"/>',
        "a.xml": '<feed\nxmlns:gml="http://www.opengis.net/gml"/>',
        "a.geojson": '{"crs": "http://www.opengis.net/gml"}',
    }.items():
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        places[name] = open_options(Place(str(path), path, None))
    options = {".gml": {"WRITE_GFS": "NO"}}
    assert places == {name: options.get(Path(name).suffix, {}) for name in places}
