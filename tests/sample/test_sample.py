"""The sample district: made the same way every time, to contract, plausible, awkward on purpose."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely

from geotools.brief import load_brief
from geotools.schema import INPUTS, SCREENED

FOLDER = Path(__file__).resolve().parents[2] / "sample_gis"
FILES = ("district.gpkg", "dem.tif", "brief.toml", "planted.csv")
LARGEST_BYTES = 3_000_000
ELIGIBLE_MM = 300.0


@pytest.fixture(scope="module")
def layers() -> dict[str, gpd.GeoDataFrame]:
    return _layers(FOLDER / "district.gpkg")


@pytest.fixture(scope="module")
def planted() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "planted.csv", dtype={"feature": str}).fillna({"feature": ""})


@pytest.fixture(scope="module")
def mains(layers: dict[str, gpd.GeoDataFrame]) -> gpd.GeoDataFrame:
    """Mains that have a length, each as one line where its parts touch."""
    drawn = layers["mains"][layers["mains"].length > 0].copy()
    drawn["geometry"] = shapely.line_merge(drawn.geometry.to_numpy())
    return drawn


@pytest.fixture(scope="module")
def ground() -> Any:
    with rasterio.open(FOLDER / "dem.tif") as raster:
        z = raster.read(1, masked=True).filled(np.nan)
        inverse = ~raster.transform

    def at(xy: np.ndarray) -> np.ndarray:
        """Elevation of the cell a place lies in; NaN off the model."""
        cols = np.floor(inverse.a * xy[:, 0] + inverse.c).astype(int)
        rows = np.floor(inverse.e * xy[:, 1] + inverse.f).astype(int)
        on = (rows >= 0) & (cols >= 0) & (rows < z.shape[0]) & (cols < z.shape[1])
        return np.where(on, z[np.where(on, rows, 0), np.where(on, cols, 0)], np.nan)

    return at


def _layers(path: Path) -> dict[str, gpd.GeoDataFrame]:
    return {name: gpd.read_file(path, layer=name) for name, _ in pyogrio.list_layers(path)}


def _make(folder: Path) -> Path:
    script = str(FOLDER / "make_sample.py")
    subprocess.run([sys.executable, script, str(folder)], check=True, capture_output=True)
    return folder


def _spots(planted: pd.DataFrame, flaw: str) -> pd.DataFrame:
    rows = planted[planted.flaw == flaw]
    assert len(rows) > 0, f"nothing planted as {flaw!r}"
    return rows


def _points(rows: pd.DataFrame) -> np.ndarray:
    return shapely.points(rows[["x", "y"]].to_numpy())


def _main(mains: gpd.GeoDataFrame, main_id: str) -> pd.Series:
    found = mains[mains.main_id == main_id]
    assert len(found) == 1, main_id
    return found.iloc[0]


def _ends(mains: gpd.GeoDataFrame) -> np.ndarray:
    """Both ends of every main, as points: shape (n, 2)."""
    lines = mains.geometry.to_numpy()
    return np.column_stack([shapely.get_point(lines, 0), shapely.get_point(lines, -1)])


# -- made by the script ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The files as the script makes them anew."""
    return _make(tmp_path_factory.mktemp("made"))


def test_two_runs_of_the_script_give_the_same_bytes(made: Path, tmp_path: Path) -> None:
    again = _make(tmp_path)
    for name in FILES:
        assert (made / name).read_bytes() == (again / name).read_bytes(), name


def test_the_files_in_the_folder_are_what_the_script_makes(
    made: Path, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    for name in ("brief.toml", "planted.csv"):
        assert (made / name).read_text("utf-8") == (FOLDER / name).read_text("utf-8"), name
    fresh = _layers(made / "district.gpkg")
    assert list(fresh) == list(layers)
    for name, table in layers.items():
        other = fresh[name]
        pd.testing.assert_frame_equal(
            pd.DataFrame(other.drop(columns="geometry")),
            pd.DataFrame(table.drop(columns="geometry")),
        )
        a, b = table.geometry.to_numpy(), other.geometry.to_numpy()
        assert (shapely.is_missing(a) == shapely.is_missing(b)).all()
        drawn = ~shapely.is_missing(a)
        assert shapely.equals_exact(a[drawn], b[drawn], tolerance=0.002).all(), name
    with rasterio.open(made / "dem.tif") as x, rasterio.open(FOLDER / "dem.tif") as y:
        np.testing.assert_allclose(x.read(1), y.read(1), atol=0.011)
        assert x.transform == y.transform


def test_the_files_are_small() -> None:
    assert sum((FOLDER / name).stat().st_size for name in FILES) < LARGEST_BYTES


# -- to contract ----------------------------------------------------------------------------------


def test_every_input_layer_of_the_contract_is_there_and_no_other(
    layers: dict[str, gpd.GeoDataFrame],
) -> None:
    # the sample has its breaks as a field of the mains
    assert set(layers) == set(INPUTS) - {*SCREENED}


@pytest.mark.parametrize("name", sorted({*INPUTS} - {*SCREENED}))
def test_fields_bear_the_contract_names_in_si(
    name: str, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    columns = set(layers[name].columns) - {"geometry"}
    known = {field.column("si") for field in INPUTS[name].fields}
    required = {field.column("si") for field in INPUTS[name].fields if field.required}
    assert columns <= known
    assert required <= columns
    lacking = {"owner", "run_id", "ahead_deg", "leakage_lps", "criticality", "oneway", "valve_id"}
    assert known - columns <= lacking | (set() if name == "mains" else {"status"})


@pytest.mark.parametrize("name", sorted({*INPUTS} - {*SCREENED}))
def test_geometry_is_of_the_kinds_the_contract_allows(
    name: str, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    kinds = set(layers[name].geometry.dropna().geom_type)
    assert kinds <= set(INPUTS[name].geometry)


def test_all_layers_share_one_projected_crs_in_metres(
    layers: dict[str, gpd.GeoDataFrame],
) -> None:
    for name, table in layers.items():
        assert table.crs.to_epsg() == 32633, name


def test_elevation_model_is_tiled_compressed_and_says_its_unit() -> None:
    with rasterio.open(FOLDER / "dem.tif") as raster:
        assert raster.crs.to_epsg() == 32633
        assert raster.dtypes == ("float32",)
        assert raster.profile["tiled"]
        assert raster.compression is not None
        assert raster.nodata == -9999.0
        assert raster.units == ("metre",)
        assert raster.res == (5.0, 5.0)


def test_brief_reads_and_names_every_layer() -> None:
    brief = load_brief(FOLDER / "brief.toml")
    assert set(brief.inputs) == {*INPUTS, "dem"} - {*SCREENED}
    for source in brief.inputs.values():
        path = str(source.source).removesuffix(f":{str(source.source).rpartition(':')[2]}")
        assert Path(path if path.endswith(".gpkg") else str(source.source)).is_file()


def test_the_fields_the_brief_shows_are_read_once_its_words_are_followed(tmp_path: Path) -> None:
    text = (FOLDER / "brief.toml").read_text("utf-8")
    hint = text.partition("# [inputs.mains]\n")[1:]
    shown = "".join(hint).partition("\n\n")[0]
    own = text.replace(shown, shown.replace("# ", "")).replace(
        'mains = "district.gpkg:mains"\n', ""
    )
    path = tmp_path / "brief.toml"
    path.write_text(own, encoding="utf-8")
    assert load_brief(path).inputs["mains"].fields["diameter_in"] == "DIA"
    assert "Take out its line above" in text


# -- plausible ------------------------------------------------------------------------------------


def test_district_has_the_size_it_is_said_to_have(mains: gpd.GeoDataFrame) -> None:
    west, south, east, north = mains.total_bounds
    assert 3500 < east - west < 4500
    assert 2500 < north - south < 3200
    assert 300 <= len(mains) <= 450
    large = mains[(mains.diameter_mm >= ELIGIBLE_MM) & (mains.status == "active")]
    assert set(large.diameter_mm) == {300.0, 400.0, 450.0, 500.0, 600.0}
    assert 8_000 < large.length.sum() < 12_000


def test_mains_lie_in_streets(layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame) -> None:
    streets = layers["streets"].geometry.union_all()
    live = mains[mains.status == "active"]
    away = live.geometry.interpolate(0.37, normalized=True).distance(streets)
    assert (away < 12.0).mean() > 0.99


def test_fittings_and_valves_sit_on_mains(
    layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    lines = mains.geometry.union_all()
    assert layers["fittings"].distance(lines).max() < 0.6
    assert layers["valves"].distance(lines).max() < 0.6


def test_buildings_stand_on_no_carriageway_and_on_no_live_main(
    layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    avoid, streets = layers["avoid"], layers["streets"]
    buildings = avoid[avoid.reason.isin(["building", "hospital"])].geometry
    assert len(buildings) > 1000
    roads = shapely.union_all(streets.geometry.buffer(streets.width_m / 2.0, cap_style="flat"))
    assert not buildings.intersects(roads).any()
    assert not buildings.intersects(mains.geometry.union_all()).any()


def test_river_runs_in_the_valley_and_falls(
    layers: dict[str, gpd.GeoDataFrame], ground: Any
) -> None:
    avoid = layers["avoid"]
    river = avoid[avoid.reason == "river"].geometry.iloc[0]
    xy = shapely.get_coordinates(shapely.segmentize(river.buffer(-5.0).exterior, 20.0))
    bed = ground(xy)
    sides = ground(shapely.get_coordinates(river.buffer(220.0).exterior))
    assert np.nanmean(sides) - np.nanmean(bed) > 4.0
    assert np.polyfit(xy[:, 1], bed, 1)[0] == pytest.approx(0.0022, abs=0.0006)


def test_railway_is_nearly_flat(layers: dict[str, gpd.GeoDataFrame], ground: Any) -> None:
    avoid = layers["avoid"]
    railway = avoid[avoid.reason == "railway"].geometry.iloc[0]
    chainage = np.arange(0.0, railway.length, 100.0)
    z = ground(shapely.get_coordinates(shapely.line_interpolate_point(railway, chainage)))
    assert np.abs(np.diff(z)).max() / 100.0 < 0.015


def test_recorded_inverts_leave_a_sound_cover(mains: gpd.GeoDataFrame, ground: Any) -> None:
    known = mains.dropna(subset=["invert_start_m", "invert_end_m"])
    assert len(known) > 25
    for m in known.itertuples():
        share = np.linspace(0.0, 1.0, 12)
        points = shapely.line_interpolate_point(m.geometry, share, normalized=True)
        invert = m.invert_start_m + share * (m.invert_end_m - m.invert_start_m)
        cover = ground(shapely.get_coordinates(points)) - invert - m.diameter_mm / 1000.0
        assert cover.min() > 0.8, m.main_id
        assert cover.max() < 4.3, m.main_id


def test_mains_cross_under_the_railway_and_the_river(
    layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    avoid = layers["avoid"]
    large = mains[(mains.diameter_mm >= ELIGIBLE_MM) & (mains.status == "active")]
    for reason in ("river", "railway"):
        barrier = avoid[avoid.reason == reason].geometry.iloc[0]
        assert large.intersects(barrier).any(), reason


def test_service_connections_are_close_together_on_street_mains(
    layers: dict[str, gpd.GeoDataFrame],
) -> None:
    laterals = layers["laterals"]
    assert 1500 < len(laterals) < 3500
    assert laterals.critical.sum() == 2
    assert laterals.customers.dropna().between(1, 60).all()


def test_streets_have_every_kind_and_a_dual_carriageway(
    layers: dict[str, gpd.GeoDataFrame],
) -> None:
    streets = layers["streets"]
    assert set(streets["class"]) == {"arterial", "collector", "local"}
    way = streets[streets.name == "Tarnhollow Way"].geometry
    parallel = [
        a.distance(b)
        for i, a in enumerate(way)
        for b in way.iloc[i + 1 :]
        if a.hausdorff_distance(b) < 400 and a.distance(b) > 1
    ]
    assert any(12.0 < d < 16.0 for d in parallel)


def test_laterals_of_hospital_are_on_a_large_main(
    layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    critical = layers["laterals"][layers["laterals"].critical].geometry
    large = mains[mains.diameter_mm >= ELIGIBLE_MM].geometry.union_all()
    assert (critical.distance(large) < 0.01).sum() == 1


def test_districts_tile_without_overlap(layers: dict[str, gpd.GeoDataFrame]) -> None:
    areas = layers["districts"].geometry
    assert len(areas) == 3
    assert areas.is_valid.all()
    assert areas.area.sum() == pytest.approx(areas.union_all().area, rel=1e-9)


def test_pit_edits_lie_on_large_mains(
    layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    edits = layers["pit_edits"]
    assert set(edits.action) == {"fix", "forbid"}
    large = mains[mains.diameter_mm >= ELIGIBLE_MM].geometry.union_all()
    assert edits.distance(large).max() < 0.5


# -- awkward on purpose ---------------------------------------------------------------------------


def test_unsplit_tees_end_inside_another_main(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    rows = _spots(planted, "unsplit tee")
    assert len(rows) >= 15
    ends = shapely.union_all(_ends(mains).ravel())
    for row, place in zip(rows.itertuples(), _points(rows), strict=True):
        through = _main(mains, row.feature).geometry
        chainage = shapely.line_locate_point(through, place)
        assert through.distance(place) < 0.4, row.feature
        assert 3.0 < chainage < through.length - 3.0, row.feature
        assert ends.distance(place) < 0.1, row.feature


def test_gaps_are_some_centimetres_wide(planted: pd.DataFrame, mains: gpd.GeoDataFrame) -> None:
    rows = _spots(planted, "gap")
    assert len(rows) >= 6
    for row in rows.itertuples():
        line = _main(mains, row.feature).geometry
        joint = shapely.Point(row.x, row.y)
        others = mains[mains.main_id != row.feature].geometry
        assert 0.02 < line.distance(joint) < 0.10, row.feature
        assert others.distance(joint).min() < 0.01, row.feature


def test_one_main_is_drawn_twice(planted: pd.DataFrame, mains: gpd.GeoDataFrame) -> None:
    twin = _main(mains, _spots(planted, "duplicate main").feature.iloc[0])
    same = mains[mains.geometry.geom_equals(twin.geometry)]
    assert len(same) == 2
    assert same.drop(columns=["main_id", "geometry"]).nunique(dropna=False).max() == 1


def test_one_main_has_two_parts_in_the_wrong_order(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    raw = layers["mains"]
    counts = shapely.get_num_geometries(raw.geometry.to_numpy())
    assert (counts > 1).sum() == 1
    row = raw[counts > 1].iloc[0]
    assert row.main_id == _spots(planted, "multi-part").feature.iloc[0]
    first, second = row.geometry.geoms
    assert first.coords[0] == second.coords[-1]


def test_reversed_mains_meet_their_neighbours_head_to_head(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    rows = _spots(planted, "reversed")
    assert len(rows) >= 20
    large = [_main(mains, f) for f in rows.feature if _main(mains, f).diameter_mm >= ELIGIBLE_MM]
    assert len(large) == 3
    for m in large:
        peers = mains[(mains.diameter_mm == m.diameter_mm) & (mains.main_id != m.main_id)]
        ends = _ends(peers)
        start, end = shapely.get_point(m.geometry, 0), shapely.get_point(m.geometry, -1)
        same = (shapely.distance(ends[:, 0], start) < 0.1) | (
            shapely.distance(ends[:, 1], end) < 0.1
        )
        assert same.any(), m.main_id


def test_noisy_mains_wiggle_within_the_survey_band(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    rows = _spots(planted, "noisy")
    assert len(rows) >= 8
    for feature in rows.feature:
        xy = shapely.get_coordinates(_main(mains, feature).geometry)
        spacing = np.hypot(*np.diff(xy, axis=0).T)
        headings = np.unwrap(np.arctan2(*np.diff(xy, axis=0).T[::-1]))
        assert np.median(spacing) == pytest.approx(3.0, abs=0.1), feature
        assert np.degrees(np.abs(np.diff(headings))).mean() > 4.0, feature
        smooth = shapely.simplify(shapely.LineString(xy), 0.75)
        assert shapely.hausdorff_distance(smooth, shapely.LineString(xy)) <= 0.75, feature


def test_one_main_has_no_diameter(planted: pd.DataFrame, mains: gpd.GeoDataFrame) -> None:
    missing = mains[mains.diameter_mm.isna()]
    assert list(missing.main_id) == list(_spots(planted, "no diameter").feature)


def test_one_main_lies_off_the_elevation_model(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    with rasterio.open(FOLDER / "dem.tif") as raster:
        reach = shapely.box(*raster.bounds)
    off = mains[~mains.intersects(reach)]
    assert list(off.main_id) == list(_spots(planted, "off the elevation model").feature)
    assert off.diameter_mm.iloc[0] >= ELIGIBLE_MM


def test_elevation_model_has_one_hole_under_a_large_main(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    row = _spots(planted, "hole").iloc[0]
    with rasterio.open(FOLDER / "dem.tif") as raster:
        mask = raster.read_masks(1) == 0
        line, column = raster.index(row.x, row.y)
    assert mask[line, column]
    assert mask.sum() == 8 * 11
    large = mains[mains.diameter_mm >= ELIGIBLE_MM].geometry
    assert large.distance(shapely.Point(row.x, row.y)).min() < 0.5


def test_one_main_has_no_length_and_one_no_geometry(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    raw = layers["mains"]
    drawn = raw.geometry.notna()
    assert list(raw[drawn & (raw.length == 0)].main_id) == list(
        _spots(planted, "zero length").feature
    )
    assert list(raw[~drawn].main_id) == list(_spots(planted, "no geometry").feature)


def test_one_line_crosses_itself(planted: pd.DataFrame, mains: gpd.GeoDataFrame) -> None:
    crossing = mains[~mains.geometry.is_simple]
    assert list(crossing.main_id) == list(_spots(planted, "self-crossing").feature)


def test_one_id_is_borne_by_two_mains(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    ids = layers["mains"].main_id
    twice = ids[ids.duplicated()]
    assert list(twice) == list(_spots(planted, "duplicate id").feature)


def test_two_mains_pass_over_a_large_main_without_a_node(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    rows = _spots(planted, "crossing")
    assert len(rows) == 2
    ends = shapely.union_all(_ends(mains).ravel())
    for row, place in zip(rows.itertuples(), _points(rows), strict=True):
        over = _main(mains, row.feature).geometry
        large = mains[mains.diameter_mm >= ELIGIBLE_MM].geometry
        assert over.distance(place) < 0.05
        assert large.distance(place).min() < 0.5
        assert ends.distance(place) > 3.0
        assert layers["fittings"].distance(place).min() > 3.0


def test_no_two_mains_cross_without_a_node_but_the_planted_ones(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    ends = shapely.union_all(_ends(mains).ravel())
    lines = mains.geometry.to_numpy()
    first, second = shapely.STRtree(lines).query(lines, predicate="crosses")
    once = first < second
    meeting = shapely.intersection(lines[first[once]], lines[second[once]])
    found = {
        name
        for k, place in enumerate(meeting)
        if ends.distance(place) > 0.5
        for name in mains.main_id.iloc[[first[once][k], second[once][k]]]
    }
    over = set(_spots(planted, "crossing").feature)
    assert over <= found
    assert len(found) == 2 * len(over)


def test_text_holds_quotes_umlauts_and_markup(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    odd = _spots(planted, "odd text").feature.iloc[0]
    texts = [odd, *layers["streets"].name, *layers["avoid"].reason, *layers["districts"].name]
    for mark in ('"', "<b>", "Ü", "ü", "Ä", "=SUM", "/"):
        assert any(mark in text for text in texts), mark
    assert "<b>" in odd
    assert '"' in odd
    assert (layers["mains"].main_id == odd).sum() == 1


def test_fitting_at_a_bend_disagrees_with_the_drawing(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    row = _spots(planted, "angle disagrees").iloc[0]
    fitting = _fitting_at(layers, row)
    assert fitting.kind == "bend"
    assert fitting.angle_deg == 45.0
    assert _turn_at(mains, shapely.Point(row.x, row.y)) == pytest.approx(22.5, abs=0.1)


def test_ninety_degree_bend_stands_in_a_large_main(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    row = _spots(planted, "impassable bend").iloc[0]
    assert _fitting_at(layers, row).angle_deg == 90.0
    assert _turn_at(mains, shapely.Point(row.x, row.y)) == pytest.approx(90.0, abs=0.1)


def test_two_bends_have_no_fitting_and_two_fittings_no_angle(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    gone = _spots(planted, "missing fitting")
    assert len(gone) == 2
    for row, place in zip(gone.itertuples(), _points(gone), strict=True):
        assert layers["fittings"].distance(place).min() > 3.0, row.text
        assert _turn_at(mains, place) > 10.0
    blank = _spots(planted, "no angle")
    assert len(blank) == 2
    for row in blank.itertuples():
        assert pd.isna(_fitting_at(layers, row).angle_deg)


def test_some_fittings_lie_decimetres_off_their_mains(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    rows = _spots(planted, "off the main")
    assert len(rows) > 10
    for row in rows.itertuples():
        assert _fitting_at(layers, row).kind


def test_one_gate_valve_is_closed(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    valves = layers["valves"]
    shut = valves[~valves.open & (valves.kind == "gate")]
    row = _spots(planted, "closed valve").iloc[0]
    assert len(shut) == 1
    assert shut.geometry.iloc[0].distance(shapely.Point(row.x, row.y)) < 0.02


def test_one_connection_strays_from_every_main(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame], mains: gpd.GeoDataFrame
) -> None:
    away = layers["laterals"].distance(mains.geometry.union_all())
    assert (away > 5.0).sum() == len(_spots(planted, "stray connection")) == 1


def test_abandoned_main_lies_beside_the_live_one(
    planted: pd.DataFrame, mains: gpd.GeoDataFrame
) -> None:
    dead = mains[mains.status == "abandoned"]
    assert list(dead.main_id) == list(_spots(planted, "abandoned main").feature)
    live = mains[mains.status == "active"].geometry.union_all()
    assert dead.geometry.iloc[0].distance(live) < 3.0


def test_materials_and_years_hold_the_usual_slips(
    planted: pd.DataFrame, layers: dict[str, gpd.GeoDataFrame]
) -> None:
    raw = layers["mains"].set_index("main_id")
    odd = raw.loc[list(_spots(planted, "odd material").feature)].material
    assert set(odd) == {"CI", "Cast Iron", "AC", "unknown", "DI", "?"}
    assert list(raw.loc[list(_spots(planted, "year 0").feature)].installed) == [0]


def test_depth_is_on_record_in_three_ways(mains: gpd.GeoDataFrame) -> None:
    large = mains[mains.diameter_mm >= ELIGIBLE_MM]
    invert, cover = large.invert_start_m.notna(), large.cover_m.notna()
    assert (invert & ~cover).any()
    assert (cover & ~invert).any()
    assert (~cover & ~invert).any()
    assert large.cover_m.dropna().between(1.0, 2.5).all()


def _fitting_at(layers: dict[str, gpd.GeoDataFrame], row: Any) -> pd.Series:
    away = layers["fittings"].distance(shapely.Point(row.x, row.y))
    assert away.min() < 0.02
    return layers["fittings"].loc[away.idxmin()]


def _turn_at(mains: gpd.GeoDataFrame, place: shapely.Point) -> float:
    """Turn of the large main at a place, from its drawing 5 m before and after, in degrees."""
    large = mains[(mains.diameter_mm >= ELIGIBLE_MM) & (mains.distance(place) < 0.5)].geometry
    line = shapely.line_merge(shapely.union_all(large.to_numpy()))
    at = shapely.line_locate_point(line, place)
    legs = shapely.line_interpolate_point(line, [at - 5.0, at, at + 5.0])
    a, b, c = shapely.get_coordinates(legs)
    into, out = b - a, c - b
    return float(abs(np.degrees(np.arctan2(into[0] * out[1] - into[1] * out[0], into @ out))))
