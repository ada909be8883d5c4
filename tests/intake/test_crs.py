"""CRS guards: what lengths are taken in, and what is refused."""

from __future__ import annotations

import gzip
import json
import re
import tarfile
import zipfile

import geopandas
import numpy as np
import pyarrow.parquet
import pyproj
import pytest
import shapely

from geotools.errors import LayerError
from geotools.intake.crs import WGS84, choose_working_crs, crs_name, project, scale_error


def lengths(lines) -> np.ndarray:
    return np.array(
        [
            np.hypot(*np.diff(lines.xy[a:b], axis=0).T).sum()
            for a, b in zip(lines.offsets, lines.offsets[1:], strict=False)
        ]
    )


def ground_lengths(frame: geopandas.GeoDataFrame) -> np.ndarray:
    """Geodesic lengths: the truth, by another way than any projection."""
    geod = pyproj.Geod(ellps="WGS84")
    return np.array([geod.geometry_length(g) for g in frame.to_crs(4326).geometry])


def test_a_fit_projected_crs_in_metres_is_kept(network, read, found):
    layers = read(mains=network())
    assert layers.working_crs.to_epsg() == layers.output_crs.to_epsg() == 32633
    assert found(layers, "working-crs").empty


@pytest.mark.parametrize("crs", [4326, 3857, 3395, "ESRI:102100", "EPSG:4258"])
def test_lengths_are_those_on_the_ground_whatever_the_crs(crs, network, read):
    frame = network().to_crs(crs)
    layers = read(mains=frame)
    assert lengths(layers.mains) == pytest.approx(ground_lengths(frame), rel=1e-3)
    assert layers.output_crs == pyproj.CRS(crs)


@pytest.mark.parametrize(
    ("crs", "zone"), [(4326, 32633), (3857, 32633), (3395, 32633), (4258, 25833)]
)
def test_degrees_and_mercator_move_to_the_utm_zone_of_their_datum(crs, zone, network, read, found):
    layers = read(mains=network().to_crs(crs))
    assert layers.working_crs.to_epsg() == zone
    row = found(layers, "working-crs").iloc[0]
    assert row["severity"] == "info"
    assert f"EPSG:{zone}" in row["text"]


@pytest.mark.parametrize("east", [1, 4, 7])
@pytest.mark.parametrize("crs", [4326, 4167, "EPSG:4807"])
def test_mains_across_the_date_line_are_measured_where_they_lie(east, crs, read, found):
    full = 400.0 if crs == "EPSG:4807" else 360.0  # one counts in grads
    unit = full / 360.0
    at = (np.arange(9) - 8 + east) * 0.0025 * unit  # so far past the date line
    lon = np.where(at > 0, at - full / 2, at + full / 2)
    ends = np.stack([lon, np.full(9, -17.8 * unit)], axis=1)
    lines = [shapely.LineString(ends[k : k + 2]) for k in range(1, 8)]
    frame = geopandas.GeoDataFrame({"diameter_mm": [450.0] * 7}, geometry=lines, crs=crs)
    layers = read(mains=frame.assign(main_id=list("ABCDEFG")))
    assert not found(layers, "doubtful-crs")["text"].str.contains("differ").any()
    assert crs != 4326 or layers.working_crs.to_epsg() in (32701, 32760)  # not that of Greenwich
    assert lengths(layers.mains) == pytest.approx(np.full(7, 265.0), rel=1e-2)


def test_a_zone_far_away_is_not_fit_and_left(network, read):
    frame = network().to_crs(32629)  # four zones to the west
    assert scale_error(pyproj.CRS(32629), np.array(frame.geometry[0].coords)) > 0.01
    layers = read(mains=frame)
    assert layers.working_crs.to_epsg() == 32633
    assert lengths(layers.mains) == pytest.approx(ground_lengths(frame), rel=1e-3)


def test_feet_are_known_from_the_crs_and_keep_every_length(read):
    # 1000 US survey feet, in a CRS whose unit is the US survey foot (1200/3937 m by definition)
    x, y = 984_250.0, 196_850.0
    lines = [shapely.LineString([(x, y), (x + 1000, y)])]
    frame = geopandas.GeoDataFrame(
        {"main_id": ["A"], "diameter_in": [12]}, geometry=lines, crs=2263
    )
    layers = read(mains=frame)
    assert layers.working_crs.axis_info[0].unit_name == "metre"
    assert layers.working_crs.is_projected
    assert lengths(layers.mains)[0] == pytest.approx(1000 * 1200 / 3937, abs=1e-9)
    back = project(layers.mains.xy, layers.working_crs, layers.output_crs)
    assert np.abs(back - np.array(lines[0].coords)).max() * 0.3048 < 1e-3


BOUND = (
    "+proj=tmerc +lat_0=0 +lon_0=15 +k=1 +x_0=5500000 +y_0=0 +ellps=bessel "
    "+towgs84=598.1,73.7,418.2,0.202,0.045,-2.455,6.7 +units=us-ft +type=crs"
)


@pytest.mark.parametrize(
    ("crs", "lon", "lat"),
    [
        (4326, 15, 47),
        (4326, -179.999, -17),  # beside the date line
        (4326, 20, 85),  # north of every listed UTM zone
        (4807, 0.5, 47),  # grads from Paris
        (4979, 15, 47),  # with a height
        (3857, 15, 47),
        (3031, 100, -75),  # true only near the pole
        (2263, -73.9, 40.7),  # US survey feet
        (2222, -110.5, 33),  # international feet
        (27700, -1.5, 52.5),
        (2154, 2.5, 46.5),
        (5514, 15.5, 49.8),
        (2193, 174, -41),  # northing first
        (2053, 29.5, -26),  # westing and southing
        ("EPSG:2263+6360", -74, 40.7),
        ("+proj=utm +zone=33 +datum=WGS84 +units=km +type=crs", 15, 50),
        (BOUND, 15, 50),
    ],
)
def test_every_working_crs_keeps_lengths_and_leads_back_within_a_millimetre(crs, lon, lat, read):
    crs = pyproj.CRS(crs)
    corner = [lon + 0.002, lat + 0.002]
    ends = project(np.array([[lon, lat], corner]), WGS84, crs)
    frame = geopandas.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": [300]}, geometry=[shapely.LineString(ends)], crs=crs
    )
    layers = read(mains=frame)
    truth = pyproj.Geod(ellps="WGS84").inv(lon, lat, *corner)[2]
    assert lengths(layers.mains)[0] == pytest.approx(truth, rel=1e-2)
    assert layers.working_crs.is_projected
    back = project(layers.mains.xy, layers.working_crs, layers.output_crs)
    unit = 111_320 if crs.is_geographic else 1000  # at least a unit of the CRS, in m
    assert np.abs(back - ends).max() * unit < 1e-3


def test_a_compound_crs_gives_its_horizontal_part(network, read):
    compound = pyproj.crs.CompoundCRS("both", ["EPSG:32633", "EPSG:5773"])
    layers = read(mains=network(crs=compound))
    assert layers.working_crs.to_epsg() == 32633
    assert not layers.working_crs.is_compound


@pytest.mark.parametrize("code", [2263, 2222, 3089, 2277, 2272])
def test_a_crs_made_metric_is_the_same_when_it_is_read_from_its_text(code):
    """Districts of a batch are told of it so, and are to have the coordinates of the whole."""
    feet = pyproj.CRS(code)
    west, south, east, north = feet.area_of_use.bounds
    lonlat = np.array([[west + k * (east - west) / 9, (south + north) / 2] for k in range(10)])
    xy = project(lonlat, pyproj.CRS(4326), feet)
    metric = choose_working_crs("mains", feet, xy, None).crs
    read = pyproj.CRS(metric.to_wkt())
    assert metric != feet
    assert (project(xy, feet, metric) == project(xy, feet, read)).all()


def test_the_briefs_working_crs_is_used_if_it_is_projected_in_metres(network, read, fault):
    layers = read({"network": {"working_crs": "EPSG:32632"}}, mains=network())
    assert layers.working_crs.to_epsg() == 32632
    for wrong in ("EPSG:4326", "EPSG:2263"):
        text = fault(read, {"network": {"working_crs": wrong}}, mains=network())
        assert "network.working_crs" in text
        assert "not projected in metres" in text
    assert "is no CRS" in fault(read, {"network": {"working_crs": "rubbish"}}, mains=network())


TURNED = [
    (5513, 15.5, 49.8),  # x south, y west
    (2065, 15.5, 49.8),  # the same from Ferro
    (8352, 19.5, 48.7),
    (5224, 15.5, 49.8),
    (8044, 14.5, 48.0),
    (2052, 27.2, -26.1),  # x west, y south
    (29371, 11.2, -22.5),  # the same in German legal metres
    (3413, 100.0, 70.5),  # of the north pole, where y runs south-west
    (3031, 170.0, -71.0),  # of the south pole
]


@pytest.mark.parametrize(("code", "lon", "lat"), TURNED)
def test_x_runs_east_and_y_north_wherever_is_measured(code, lon, lat, read, found):
    """By the geodesic 200 m due east and due north: a grid is turned from these by convergence."""
    geod = pyproj.Geod(ellps="WGS84")
    ends = [(lon, lat), geod.fwd(lon, lat, 90, 200)[:2], geod.fwd(lon, lat, 0, 200)[:2]]
    xy = project(np.array(ends), WGS84, pyproj.CRS(code))
    legs = [shapely.LineString(xy[[0, 1]]), shapely.LineString(xy[[0, 2]])]
    frame = geopandas.GeoDataFrame(
        {"main_id": ["east", "north"], "diameter_mm": [300, 300]}, geometry=legs, crs=code
    )
    layers = read(mains=frame)
    drawn = dict(zip(layers.mains.table["main_id"], np.split(layers.mains.xy, 2), strict=True))
    east, north = (np.subtract(*drawn[name][::-1]) for name in ("east", "north"))
    assert east[0] > 195 and abs(east[1]) < 35
    assert north[1] > 195 and abs(north[0]) < 35
    assert layers.output_crs == pyproj.CRS(code)
    assert "do not run east and north" in found(layers, "working-crs")["text"][0]


@pytest.mark.parametrize(("code", "twin"), [(5513, 5514), (2065, 5221), (5515, 5516), (8352, 8353)])
def test_a_turned_crs_is_measured_in_its_twin_where_signs_alone_differ(code, twin):
    lonlat = np.array([[15.0, 49.0], [16.0, 50.0]])
    xy = project(lonlat, WGS84, pyproj.CRS(code))
    working = choose_working_crs("mains", pyproj.CRS(code), xy, None).crs
    assert working.to_epsg() == twin
    assert project(xy, pyproj.CRS(code), working) == pytest.approx(-xy[:, ::-1], abs=1e-6)


@pytest.mark.parametrize("code", [2180, 31467, 3006, 2193, 25833, 5514, 3035])
def test_northing_before_easting_in_the_definition_is_no_turn(code):
    """Files hold x as the easting all the same; a continent's map is turned by convergence."""
    crs = pyproj.CRS(code)
    area = crs.area_of_use
    lonlat = np.array([[(area.west + area.east) / 2, (area.south + area.north) / 2]])
    chosen = choose_working_crs("mains", crs, project(lonlat, WGS84, crs), None)
    assert (chosen.crs, chosen.reason) == (crs, "")


@pytest.mark.parametrize(("code", "better"), [(5513, "EPSG:5514"), (2052, "Lo27 East North")])
def test_a_turned_working_crs_is_refused_with_one_that_will_do(code, better, read, fault):
    xy = project(np.array([[15.5, 49.8], [15.501, 49.8]]), WGS84, pyproj.CRS(4258))
    if code == 2052:
        xy += (11.5, -76.0)
    frame = geopandas.GeoDataFrame(
        {"main_id": ["A"], "diameter_mm": [300]}, geometry=[shapely.LineString(xy)], crs=4258
    )
    text = fault(read, {"network": {"working_crs": f"EPSG:{code}"}}, mains=frame)
    assert "network.working_crs" in text
    assert "do not run east and north" in text
    assert better in text


@pytest.mark.parametrize(("code", "zone"), [(25832, 32), (25833, 33), (32633, 33)])
def test_eastings_with_the_zone_in_front_are_refused_with_the_crs_that_has_them(
    code, zone, network, read, fault
):
    line = shapely.LineString(
        [(zone * 1e6 + 565_000, 5_935_000), (zone * 1e6 + 565_100, 5_935_000)]
    )
    text = fault(read, mains=network([line], crs=code))
    assert f"lie nowhere on the earth in EPSG:{code}" in text
    assert f"begin with the number of a zone, {zone}" in text
    assert "EPSG:4647" in text and "EPSG:5650" in text
    fit = read(mains=network([line], crs={32: 4647, 33: 5650}[zone]))
    assert lengths(fit.mains)[0] == pytest.approx(100.0)


@pytest.mark.parametrize(
    ("code", "x", "y"), [(25832, 9e7, 9e7), (2154, -9e7, 9e7), (5514, 5e7, 5e7)]
)
def test_coordinates_nowhere_on_the_earth_are_bad_input_and_no_fault_of_the_program(
    code, x, y, network, read
):
    line = shapely.LineString([(x, y), (x + 100, y)])
    try:
        layers = read(mains=network([line], crs=code))
    except LayerError as error:
        assert "the CRS, its unit or the order of the axes is likely wrong" in str(error)
    else:  # some projections have a place for every coordinate
        assert np.isfinite(layers.mains.xy).all()


def test_a_working_crs_that_distorts_is_told(network, read, found):
    layers = read({"network": {"working_crs": "EPSG:32629"}}, mains=network())
    assert "differ from those on the ground" in found(layers, "doubtful-crs")["text"][0]


@pytest.mark.parametrize(
    ("code", "lon", "lat", "said"),
    [
        (6372, -102.0, 23.2, "are up to 5.5 m (0.55%) longer on the ground"),
        (24378, 77.2, 28.6, "are up to 1.2 m (0.12%) shorter on the ground"),
        (3577, 145.0, -38.5, "longer or shorter, by where they lie and run, on the ground"),
        (32633, 15.0, 50.0, ""),  # in the middle of the zone, and at its edge
        (32633, 18.0, 1.0, ""),
        (2154, 2.3, 48.9, ""),
        (32629, 15.0, 47.0, ""),  # a doubt of its own
    ],
)
def test_lengths_a_thousandth_off_the_ground_are_told_with_what_follows(
    code, lon, lat, said, network, read, found
):
    moved = pyproj.Transformer.from_crs(4326, code, always_xy=True)
    x, y = moved.transform(lon, lat)
    line = shapely.LineString([(x, y), (x + 1000, y)])
    working = {"network": {"working_crs": f"EPSG:{code}"}}  # no other is taken for it
    told = found(read(working, mains=network([line], crs=code)), "scale-differs")
    assert told["severity"].tolist() == ["info"] * bool(said)
    assert all(said in text and "order pipe with that in mind" in text for text in told["text"])


def test_lengths_off_the_ground_are_told_with_a_crs_that_is_truer(network, read, found):
    line = shapely.LineString([(2_500_000, 1_218_000), (2_501_000, 1_218_000)])
    mains = network([line], crs=6372)
    (text,) = found(read(mains=mains), "scale-differs")["text"]
    assert text.startswith("1,000 m of main in EPSG:6372, in which lengths are taken, are up to")
    assert text.endswith("or set network.working_crs to EPSG:6369")
    feet = read({"output": {"units": "us"}}, mains=mains)
    assert found(feet, "scale-differs")["text"][0].startswith("1,000 ft of main in EPSG:6372")
    truer = {"network": {"working_crs": "EPSG:6369"}}
    assert found(read(truer, mains=mains), "scale-differs").empty


@pytest.mark.parametrize("crs", [None, 'LOCAL_CS["site grid",UNIT["metre",1]]'])
def test_no_crs_is_an_error_that_says_what_to_write(crs, network, read, fault):
    text = fault(read, mains=network(crs=crs))
    assert "mains (GeoDataFrame)" in text
    assert "[inputs.mains] with crs" in text
    brief = {"inputs": {"mains": {"source": "-", "crs": "EPSG:32633"}}}
    assert read(brief, mains=network(crs=crs)).working_crs.to_epsg() == 32633


def test_no_crs_of_another_layer_is_an_error_too(network, read, fault, spot):
    valves = geopandas.GeoDataFrame({"kind": ["gate"]}, geometry=[spot(0, 0)])
    text = fault(read, mains=network(), valves=valves)
    assert "valves (GeoDataFrame): has no CRS" in text
    assert "[inputs.valves]" in text


def test_a_crs_of_the_brief_does_not_overrule_the_file(network, read, found):
    brief = {"inputs": {"mains": {"source": "-", "crs": "EPSG:32632"}}}
    layers = read(brief, mains=network())
    assert layers.output_crs.to_epsg() == 32633
    assert "the file's was used" in found(layers, "crs-differs")["text"][0]


def test_degrees_in_a_crs_of_metres_are_an_error(network, read, fault):
    frame = network().to_crs(4326).set_crs(32633, allow_override=True)
    text = fault(read, mains=frame)
    assert "look like degrees but EPSG:32633 is in metre" in text
    assert "set the right CRS" in text


def test_a_short_main_near_the_origin_is_not_taken_for_degrees(network, read):
    frame = network([shapely.LineString([(10, 10), (60, 40)])], crs=32631)
    assert len(read(mains=frame).mains) == 1


def test_metres_in_a_crs_of_degrees_are_an_error(network, read, fault):
    text = fault(read, mains=network(crs=4326))
    assert "no feature has usable coordinates" in text
    assert "order of the axes is likely wrong" in text


def test_mains_that_all_have_a_bad_vertex_are_an_error_that_names_the_first(network, read, fault):
    good = shapely.LineString([(430_000, 5_600_000), (430_100, 5_600_000)])
    far = shapely.LineString([(430_000, 5_600_000), (1e12, 5_600_000)])
    text = fault(read, mains=network([far, far]).assign(main_id=["A7", "B2"]))
    assert "each of the 2 features has a coordinate" in text
    assert "the first is in A7 (1e+12, 5.6e+06); correct its vertices" in text
    assert len(read(mains=network([good, far])).mains) == 1


def test_the_limit_of_coordinates_is_told_in_the_units_of_the_output(network, read, fault):
    frame = network(crs=4326)
    assert "beyond 100,000,000 m, or" in fault(read, mains=frame)
    assert "beyond 328,083,990 ft, or" in fault(read, {"output": {"units": "us"}}, mains=frame)


def test_a_crs_made_for_elsewhere_is_told(network, read, found):
    frame = network().to_crs(2154)  # a conic projection, true to scale all along the parallel
    text = found(read(mains=frame), "doubtful-crs")["text"][0]
    assert "outside the area" in text


def test_other_layers_come_to_the_working_crs(network, read, spot):
    valves = geopandas.GeoDataFrame({"kind": ["gate"]}, geometry=[spot(30, 40)], crs=32633)
    streets = network().drop(columns=["main_id", "diameter_mm"]).to_crs(3857)
    layers = read(mains=network().to_crs(4326), valves=valves.to_crs(4326), streets=streets)
    assert layers.valves.xy == pytest.approx(np.array([[500_030.0, 5_200_040.0]]), abs=1e-3)
    assert layers.streets.xy == pytest.approx(layers.mains.xy, abs=1e-3)


def test_a_layer_far_from_the_mains_is_told(network, read, found, spot):
    near = geopandas.GeoDataFrame({"kind": ["gate"]}, geometry=[spot(900, 0)], crs=32633)
    assert found(read(mains=network(), valves=near), "no-overlap").empty
    far = near.set_geometry([spot(90_000, 0)])
    row = found(read(mains=network(), valves=far), "no-overlap").iloc[0]
    assert (row["severity"], row["layer"]) == ("warning", "valves")
    assert "check its CRS" in row["text"]


def _without_crs(tmp_path, frame, suffix):
    """Write a file that states no CRS, of which the format's default is degrees."""
    path = tmp_path / f"streets{suffix}"
    if suffix == ".geojson":
        data = json.loads(frame.to_json(drop_id=True))
        data.pop("crs", None)
        path.write_text(json.dumps(data))
        return path
    frame.to_parquet(path)
    table = pyarrow.parquet.read_table(path)
    geo = json.loads(table.schema.metadata[b"geo"])
    for column in geo["columns"].values():
        column.pop("crs")
    metadata = {**table.schema.metadata, b"geo": json.dumps(geo).encode()}
    pyarrow.parquet.write_table(table.replace_schema_metadata(metadata), path)
    return path


def _zipped(path):
    packed = path.with_suffix(".geojson.zip")
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.write(path, path.name)
    return packed


def _gzipped(path):
    packed = path.with_suffix(".geojson.gz")
    packed.write_bytes(gzip.compress(path.read_bytes()))
    return packed


def _tarred(path):
    packed = path.with_suffix(".tar.gz")
    with tarfile.open(packed, "w:gz") as archive:
        archive.add(path, path.name)
    return packed


# How a file is given to the brief.
DRESSES = {
    "bare": str,
    "zip": lambda path: str(_zipped(path)),
    "/vsizip/": lambda path: f"/vsizip/{_zipped(path)}",
    "/vsizip/ and its member": lambda path: f"/vsizip/{_zipped(path)}/{path.name}",
    "/vsizip/ in braces": lambda path: f"/vsizip/{{{_zipped(path)}}}/{path.name}",
    "/vsigzip/": lambda path: f"/vsigzip/{_gzipped(path)}",
    "/vsitar/": lambda path: f"/vsitar/{_tarred(path)}/{path.name}",
}


@pytest.mark.parametrize("suffix", [".geojson", ".parquet"])
@pytest.mark.parametrize("crs", [32633, 4258])
def test_where_a_file_states_no_crs_that_of_the_brief_beats_the_formats_default(
    crs, suffix, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633).to_crs(crs), suffix)
    brief = {"inputs": {"streets": {"source": str(path), "crs": f"EPSG:{crs}"}}}
    layers = read(brief, mains=network())
    drawn = shapely.get_coordinates(line((0, 5), (90, 5)))
    np.testing.assert_allclose(layers.streets.xy, drawn, atol=1e-3)
    assert found(layers, "crs-differs").empty


@pytest.mark.parametrize("at_end", [False, True])
@pytest.mark.parametrize("dress", DRESSES)
def test_the_crs_a_geojson_file_states_is_read_however_it_is_packed(
    dress, at_end, network, read, found, line, tmp_path
):
    """That member is of the GeoJSON of 2008; the format itself says where it stands nowhere."""
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    data = json.loads(streets.set_crs(32633).to_crs(4326).to_json(drop_id=True))
    data.pop("crs", None)
    data["features"] *= 1000  # so that neither end of the file shows the other
    stated = {"crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}}}
    data = {**data, **stated} if at_end else {**stated, **data}
    path = tmp_path / "streets.geojson"
    path.write_text(json.dumps(data))
    assert path.stat().st_size > 2 * 65_536
    brief = {"inputs": {"streets": {"source": DRESSES[dress](path), "crs": "EPSG:4269"}}}
    layers = read(brief, mains=network())
    drawn = shapely.get_coordinates(line((0, 5), (90, 5)))
    np.testing.assert_allclose(layers.streets.xy[:2], drawn, atol=1e-3)
    assert "the brief says EPSG:4269, the file EPSG:4326" in found(layers, "crs-differs")["text"][0]


@pytest.mark.parametrize("dress", DRESSES)
def test_a_packed_geojson_file_that_states_no_crs_has_that_of_the_brief(
    dress, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633), ".geojson")
    brief = {"inputs": {"streets": {"source": DRESSES[dress](path), "crs": "EPSG:32633"}}}
    layers = read(brief, mains=network())
    drawn = shapely.get_coordinates(line((0, 5), (90, 5)))
    np.testing.assert_allclose(layers.streets.xy, drawn, atol=1e-3)
    assert found(layers, "crs-differs").empty


@pytest.mark.parametrize("suffix", [".geojson", ".parquet"])
def test_degrees_of_a_file_that_states_no_crs_are_not_read_as_metres(
    suffix, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633).to_crs(4326), suffix)
    brief = {"inputs": {"streets": {"source": str(path), "crs": "EPSG:32633"}}}
    layers = read(brief, mains=network())
    drawn = shapely.get_coordinates(line((0, 5), (90, 5)))
    np.testing.assert_allclose(layers.streets.xy, drawn, atol=1e-3)
    text = found(layers, "crs-differs")["text"][0]
    assert "the file states no CRS" in text
    assert "the default of its format, was used" in text


@pytest.mark.parametrize("suffix", [".geojson", ".parquet"])
def test_a_layer_of_which_nothing_is_left_has_a_finding_of_its_own(
    suffix, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633), suffix)
    layers = read({"inputs": {"streets": {"source": str(path)}}}, mains=network())
    text = found(layers, "nothing-usable")["text"][0]
    assert "none of its 1 features could be used" in text
    assert "[inputs.streets] with crs" in text


@pytest.mark.parametrize("suffix", [".geojson", ".parquet"])
def test_who_states_the_crs_is_not_asked_for_it_where_nothing_is_left(
    suffix, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((1e12, 5), (1e12, 9))])
    path = _without_crs(tmp_path, streets.set_crs(32633), suffix)
    brief = {"inputs": {"streets": {"source": str(path), "crs": "EPSG:32633"}}}
    text = found(read(brief, mains=network()), "nothing-usable")["text"][0]
    assert "why stands in the findings" in text
    assert "with crs" not in text


@pytest.mark.parametrize("suffix", [".geojson", ".parquet"])
def test_a_file_that_is_empty_has_no_coordinates_in_degrees(
    suffix, network, read, found, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633)[:0], suffix)
    brief = {"inputs": {"streets": {"source": str(path), "crs": "EPSG:32633"}}}
    layers = read(brief, mains=network())
    assert found(layers, "crs-differs").empty
    assert len(found(layers, "empty-layer")) == 1


def test_a_geometry_that_is_damaged_is_told_too_where_the_file_states_no_crs(
    network, read, line, tmp_path
):
    streets = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 5), (90, 5))])
    path = _without_crs(tmp_path, streets.set_crs(32633), ".parquet")
    table = pyarrow.parquet.read_table(path)
    damaged = pyarrow.array([streets.geometry[0].wkb[:20]])  # cut short
    place = table.schema.get_field_index("geometry")
    pyarrow.parquet.write_table(table.set_column(place, table.schema.field(place), damaged), path)
    brief = {"inputs": {"streets": {"source": str(path), "crs": "EPSG:32633"}}}
    with pytest.raises(LayerError, match=r"streets.*is damaged"):
        read(brief, mains=network())


@pytest.mark.parametrize(
    ("streets", "severity", "words"),
    [
        (26717, "warning", "conus.tif"),  # NAD27: the shift is in a grid that is not installed
        (26917, "", ""),
        (4269, "", ""),  # NAD83 in degrees
        (32617, "info", "NAD83 to WGS 84"),  # EPSG dataset: operation 1188, accuracy 4 m
    ],
)
def test_a_layer_moved_by_a_poor_way_to_another_datum_is_told(
    streets, severity, words, network, read, found, line
):
    lines = [shapely.LineString([(630000, 4830000), (630500, 4830000)])]
    frame = geopandas.GeoDataFrame({"class": ["local"]}, geometry=lines, crs=26917)
    layers = read(mains=network(lines, crs=26917), streets=frame.to_crs(streets))
    told = found(layers, "datum-accuracy")
    assert told["severity"].tolist() == [severity] * bool(severity)
    assert told["layer"].tolist() == ["streets"] * bool(severity)
    assert all(words in text for text in told["text"])


# Bursa-Wolf parameters of EPSG:1314, OSGB36 to WGS 84 (6), which says 2 m, against the arrow.
HELMERT = (
    "+proj=pipeline +step +inv +proj=utm +zone=30 +ellps=GRS80 +step +proj=push +v_3 "
    "+step +proj=cart +ellps=GRS80 +step +inv +proj=helmert +x=446.448 +y=-125.157 +z=542.06 "
    "+rx=0.15 +ry=0.247 +rz=0.842 +s=-20.489 +convention=position_vector "
    "+step +inv +proj=cart +ellps=airy +step +proj=pop +v_3 +step +proj=tmerc +lat_0=49 +lon_0=-2 "
    "+k=0.9996012717 +x_0=400000 +y_0=-100000 +ellps=airy"
)


@pytest.mark.parametrize(
    ("mains", "streets", "place", "severity", "accuracy", "operation"),
    [
        # EPSG dataset: 1149 (ETRS89 to WGS 84, 1 m) and 1314 (OSGB36 to WGS 84, 2 m)
        (25830, 27700, (-2.0, 53.0), "info", "3.0 m", "OSGB36 to WGS 84 (6)"),
        # 1647 (CH1903+ to ETRS89, 0.1 m) and 1646 (CH1903 to ETRS89, 1.5 m)
        (2056, 21781, (8.0, 47.0), "info", "1.6 m", "CH1903 to ETRS89"),
        # 1188 (NAD83 to WGS 84, 4 m) and 1173 (NAD27 to WGS 84 (4), 10 m)
        (26918, 26718, (-75.0, 40.0), "warning", "14.0 m", "NAD27 to WGS 84 (4)"),
    ],
)
def test_the_way_that_is_told_is_the_one_that_moves_the_layer(
    mains, streets, place, severity, accuracy, operation, network, read, found
):
    """Where grids are missing, the list of ways for an area begins with another than is used."""
    x, y = pyproj.Transformer.from_crs(4326, mains, always_xy=True).transform(*place)
    lines = [shapely.LineString([(x, y), (x + 500, y)])]
    frame = geopandas.GeoDataFrame({"class": ["local"]}, geometry=lines, crs=mains)
    layers = read(mains=network(lines, crs=mains), streets=frame.to_crs(streets))
    told = found(layers, "datum-accuracy")
    assert told["severity"].tolist() == [severity]
    assert f"off by up to {accuracy} " in told["text"][0]
    assert operation in told["text"][0]
    assert "nobody knows" not in told["text"][0]


def test_the_way_that_is_told_is_that_of_its_parameters(network, read):
    """National grid laid by PROJ from the seven parameters of EPSG:1314 comes back in place."""
    x, y = pyproj.Transformer.from_crs(4326, 25830, always_xy=True).transform(-2, 53)
    lines = [shapely.LineString([(x, y), (x + 500, y)])]
    move = pyproj.Transformer.from_pipeline(HELMERT)
    streets = shapely.LineString(np.column_stack(move.transform(*np.transpose(lines[0].coords))))
    frame = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[streets], crs=27700)
    layers = read(mains=network(lines, crs=25830), streets=frame)
    np.testing.assert_allclose(layers.streets.xy, np.array(lines[0].coords), atol=0.01)


def test_mains_moved_to_another_datum_are_not_asked_for_in_that_of_the_mains(network, read, found):
    lines = [shapely.LineString([(151.2, -33.8), (151.21, -33.81)])]  # Sydney, GDA94 in degrees
    told = found(read(mains=network(lines, crs=4283)), "datum-accuracy")
    assert told["layer"].tolist() == ["mains"]
    assert "network.working_crs" in told["text"][0]
    assert "datum of the mains" not in told["text"][0]
    own = {"network": {"working_crs": "EPSG:28356"}}  # zone 56 of the map grid of GDA94
    assert found(read(own, mains=network(lines, crs=4283)), "datum-accuracy").empty


@pytest.mark.parametrize("streets", [4326, 4258, 3857, 25833, 32632])
def test_datums_that_are_one_to_a_metre_are_no_finding(streets, network, read, found, line):
    frame = geopandas.GeoDataFrame({"class": ["local"]}, geometry=[line((0, 0), (90, 0))])
    layers = read(mains=network(), streets=frame.set_crs(32633).to_crs(streets))
    assert found(layers, "datum-accuracy").empty


def with_shift(code, *shift):
    """Return a CRS as GDAL 1 and 2 wrote it, with a shift of its own to WGS 84."""
    wkt = pyproj.CRS(code).to_wkt("WKT1_GDAL")
    return re.sub(r"SPHEROID\[.*?\]\]", rf"\g<0>,TOWGS84[{','.join(map(str, shift))}]", wkt)


NULL = (0, 0, 0, 0, 0, 0, 0)
# DHDN to WGS 84 (2), EPSG:1777: what PROJ takes for DHDN anyway.
POTSDAM = (598.1, 73.7, 418.2, 0.202, 0.045, -2.455, 6.7)
TEXT = "+proj=utm +zone=32 +units=m +ellps={} +towgs84={} +type=crs"


def moved(streets, mains, network, read, found):
    """Return what is told of the datum of a street beside a main in Hamburg."""
    place = np.array([[9.9, 53.5]])
    x, y = project(place, pyproj.CRS(4258), pyproj.CRS(mains))[0]
    lines = [shapely.LineString([(x, y), (x + 500, y)])]
    frame = geopandas.GeoDataFrame({"class": ["local"]}, geometry=lines, crs=mains)
    layers = read(mains=network(lines, crs=mains), streets=frame.to_crs(streets))
    return found(layers, "datum-accuracy")


@pytest.mark.parametrize(
    ("streets", "mains"),
    [
        (with_shift(25832, *NULL), 25832),
        (25832, with_shift(25832, *NULL)),
        (with_shift(25832, 0, 0, 0), with_shift(25833, *NULL)),
        (with_shift(25832, *NULL), 32632),  # as of ETRS89 to WGS 84
        (TEXT.format("GRS80", "0,0,0,0,0,0,0"), 25832),
        (TEXT.format("GRS80", "0,0,0"), with_shift(25832, *NULL)),
        (with_shift(31467, *POTSDAM), 31467),
    ],
)
def test_a_shift_that_says_nothing_new_makes_no_other_datum(streets, mains, network, read, found):
    assert moved(streets, mains, network, read, found).empty


@pytest.mark.parametrize(
    ("streets", "mains"),
    [
        (with_shift(25832, 100, 20, 30, 0, 0, 0, 0), 25832),
        (25832, with_shift(25832, 100, 20, 30)),
        (TEXT.format("GRS80", "0,0,0"), with_shift(25832, 100, 20, 30)),
        (TEXT.format("bessel", "598.1,73.7,418.2,0.202,0.045,-2.455,6.7"), 25832),
        (TEXT.format("bessel", "0,0,0"), 31467),  # DHDN has another, wherever it is
        ("+proj=utm +zone=32 +units=m +ellps=GRS80 +type=crs", 25832),  # none at all
    ],
)
def test_a_shift_of_a_datum_that_is_another_is_told(streets, mains, network, read, found):
    told = moved(streets, mains, network, read, found)
    assert told["severity"].tolist() == ["warning"]
    assert "nobody knows how" in told["text"][0]
    shifted = "towgs84" in f"{streets}{mains}".lower()
    assert ("with a shift to WGS 84 of its own" in told["text"][0]) == shifted


# EPSG:31467 as MapInfo files tell it with "CoordSys Earth Projection 8, 1000": the ellipsoid is
# that of the datum, its name no registered one.
NAMELESS = """PROJCS["unnamed",GEOGCS["unnamed",DATUM["DHDN_Potsdam_Rauenberg",
SPHEROID["Bessel 1841",6377397.155,299.1528128]],PRIMEM["Greenwich",0],
UNIT["degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],
PARAMETER["latitude_of_origin",0],PARAMETER["central_meridian",9],PARAMETER["scale_factor",1],
PARAMETER["false_easting",{easting}],PARAMETER["false_northing",0],UNIT["metre",1],
AXIS["Easting",EAST],AXIS["Northing",NORTH]]"""


def test_a_crs_without_a_name_is_the_briefs_where_projection_and_ellipsoid_agree(
    network, read, found
):
    """One place in both: DHDN lies 150 m and more off where its datum is left out."""
    lonlat = np.array([[9.5, 53.5], [9.501, 53.5]])
    line = shapely.LineString(project(lonlat, pyproj.CRS(4258), pyproj.CRS(31467)))
    frame = network([line], crs=NAMELESS.format(easting=3_500_000))
    brief = {"inputs": {"mains": {"source": "-", "crs": "EPSG:31467"}}}
    layers = read(brief, mains=frame)
    assert layers.output_crs.to_epsg() == 31467
    back = project(layers.mains.xy, layers.working_crs, pyproj.CRS(4258))
    away = pyproj.Geod(ellps="GRS80").inv(*lonlat.T, *back.T)[2]
    assert away.max() < 0.01
    assert found(layers, "crs-differs").empty
    assert "EPSG:31467 was used, with its datum" in found(layers, "crs-unnamed")["text"][0]


@pytest.mark.parametrize(
    ("crs", "brief"),
    [
        (NAMELESS.format(easting=3_500_000), "EPSG:31468"),  # another meridian
        (NAMELESS.format(easting=3_500_001), "EPSG:31467"),
        (NAMELESS.format(easting=3_500_000), "EPSG:4314"),  # degrees
        (NAMELESS.format(easting=3_500_000).replace("299.15", "294.97"), "EPSG:31467"),
        (NAMELESS.format(easting=3_500_000).replace('S["unnamed",G', 'S["Town",G'), "EPSG:31467"),
    ],
)
def test_a_crs_that_says_something_else_is_used_though_the_brief_names_one(
    crs, brief, network, read, found
):
    line = shapely.LineString([(3_533_000, 5_930_000), (3_533_100, 5_930_000)])
    layers = read(
        {"inputs": {"mains": {"source": "-", "crs": brief}}}, mains=network([line], crs=crs)
    )
    assert layers.output_crs == pyproj.CRS(crs)
    assert "the file's was used" in found(layers, "crs-differs")["text"][0]


@pytest.mark.parametrize("code", [25832, 25833, 27700])
def test_a_crs_the_same_as_a_registered_one_but_without_its_name_bears_its_code(code):
    data = pyproj.CRS(code).to_json_dict()
    for part in (data, data["conversion"]):
        part["name"] = "unnamed"
        part.pop("id", None)
    assert crs_name(pyproj.CRS.from_json_dict(data)) == f"EPSG:{code}"
    data["conversion"]["parameters"][3]["value"] += 1.0  # m, of the false easting
    assert "without a name" in crs_name(pyproj.CRS.from_json_dict(data))


@pytest.mark.parametrize("code", [25832, 27700])
def test_a_crs_that_is_the_briefs_but_for_its_name_is_written_as_the_briefs(
    code, network, read, found
):
    data = pyproj.CRS(code).to_json_dict()
    data["name"] = "unnamed"
    data.pop("id", None)
    line = shapely.LineString([(430_000, 430_000), (430_100, 430_000)])
    frame = network([line], crs=pyproj.CRS.from_json_dict(data))
    layers = read({"inputs": {"mains": {"source": "-", "crs": f"EPSG:{code}"}}}, mains=frame)
    assert layers.output_crs.name == pyproj.CRS(code).name
    assert layers.output_crs.to_authority() == ("EPSG", str(code))
    assert found(layers, "crs-differs").empty
    assert found(layers, "crs-unnamed").empty  # nothing is taken from the brief but the name


def test_a_crs_whose_datum_is_not_known_bears_no_code():
    assert "without a name" in crs_name(pyproj.CRS(NAMELESS.format(easting=3_500_000)))


@pytest.mark.parametrize("layer", ["mains", "streets"])
@pytest.mark.parametrize("code", [3052, 3144, 2985])
def test_a_layer_in_a_crs_no_way_leads_out_of_is_bad_input(code, layer, network, read, fault):
    """West-orientated conics and the like have definitions for which PROJ has no formula."""
    lost = network([shapely.LineString([(1e4, 1e4), (1.1e4, 1e4)])], crs=code)
    text = fault(read, **({"mains": network()} | {layer: lost}))
    assert f"{layer} (GeoDataFrame): is in EPSG:{code}" in text
    assert "give it in another CRS" in text
