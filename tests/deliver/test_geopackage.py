from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import fiona
import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from geotools.deliver import geopackage
from geotools.deliver.files import part_of
from geotools.deliver.geopackage import (
    check_target,
    layers_of_others,
    renew_tables,
    write_geopackage,
)
from geotools.errors import KeptAsideWarning, OutputError
from geotools.schema import OUTPUTS

OGRINFO = shutil.which("ogrinfo")


@pytest.fixture
def write(tmp_path, tables, crs):
    """Write the plan; keywords replace tables or arguments."""

    def writing(name="plan.gpkg", *, units="si", overwrite=False, with_stations=True, **changed):
        counts = write_geopackage(
            tmp_path / name,
            {**tables, **changed},
            crs=crs,
            units=units,
            overwrite=overwrite,
            stations=with_stations,
        )
        return str(tmp_path / name), counts

    return writing


def fiona_kind(layer):
    """Return what fiona calls the geometry of a layer."""
    if not layer.geometry:
        return "None"
    kind, _, z = layer.geometry[0].partition(" ")
    return f"3D {kind}" if z else kind


def leftovers(folder):
    return sorted(p.name for p in folder.iterdir())


# What is written -------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["si", "us"])
def test_every_layer_has_the_fields_of_the_contract_in_order(write, units):
    path, counts = write(units=units)
    kinds = {"text": "str", "integer": "int", "real": "float", "flag": "bool"}
    assert sorted(fiona.listlayers(path)) == sorted(OUTPUTS) == sorted(counts)
    for name, layer in OUTPUTS.items():
        with fiona.open(path, layer=name) as source:
            got = {key: kind.split(":")[0] for key, kind in source.schema["properties"].items()}
            wanted = {f.column(units): kinds[f.dtype] for f in layer.fields}
            got = {key: "int" if kind.startswith("int") else kind for key, kind in got.items()}
            assert list(got.items()) == list(wanted.items())
            assert len(source) == counts[name]
            assert source.schema["geometry"] == fiona_kind(layer)
            if layer.geometry:
                assert pyproj.CRS.from_wkt(source.crs_wkt).to_epsg() == 26917


@pytest.mark.skipif(OGRINFO is None, reason="ogrinfo (Debian package gdal-bin) is not installed")
@pytest.mark.parametrize("units", ["si", "us"])
def test_gdals_own_tool_reads_every_layer_without_a_warning(write, units):
    path, counts = write(units=units)
    command = [OGRINFO, "-so", "-ro", "-al", path]
    run = subprocess.run(command, capture_output=True, text=True, check=True)
    assert run.stdout.count("Layer name: ") == len(OUTPUTS)
    for name, layer in OUTPUTS.items():
        part = run.stdout.split(f"Layer name: {name}\n")[1].split("Layer name: ")[0]
        assert f"Feature Count: {counts[name]}\n" in part
        assert f"DESCRIPTION={layer.text}\n" in part
        for field in layer.fields:
            assert f"\n{field.column(units)}: " in part
        assert ('ID["EPSG",26917]' in part) is bool(layer.geometry)
    assert run.stderr == ""


def test_a_layer_written_some_rows_at_a_time_is_the_same(write, tables, tmp_path, monkeypatch):
    many = {name: pd.concat([tables[name]] * 5, ignore_index=True) for name in ("runs", "forces")}
    whole, counts = write("whole.gpkg", **many)
    monkeypatch.setattr(geopackage, "AT_ONCE", 2)
    parts, again = write("parts.gpkg", **many)
    assert counts == again and counts["runs"] == 5 * len(tables["runs"])
    for name in OUTPUTS:
        frames = [pyogrio.read_dataframe(path, layer=name) for path in (whole, parts)]
        pd.testing.assert_frame_equal(*frames)
        schemas = [dict(pyogrio.read_info(path, layer=name)) for path in (whole, parts)]
        assert repr(schemas[0]).replace("whole", "parts") == repr(schemas[1])


def test_si_values_are_written_in_the_units_of_the_suffix(write):
    path, _ = write(units="si")
    runs = pyogrio.read_dataframe(path, layer="runs")
    assert runs["host_diameter_mm"][0] == pytest.approx(609.6)
    assert runs["length_m"][0] == pytest.approx(304.8)
    pulls = pyogrio.read_dataframe(path, layer="pulls")
    assert pulls["head_force_kn"][0] == pytest.approx(44.482216152605)
    assert pulls["deflection_deg"][0] == pytest.approx(22.5)
    assert pulls["joints"][0] == 7


def test_us_values_are_converted(write):
    path, _ = write(units="us")
    runs = pyogrio.read_dataframe(path, layer="runs")
    assert runs["host_diameter_in"][0] == pytest.approx(24)
    assert runs["length_ft"][0] == pytest.approx(1000)
    assert runs["cost"][0] == 1000.5
    pulls = pyogrio.read_dataframe(path, layer="pulls")
    assert pulls["head_force_lbf"][0] == pytest.approx(10_000)


def test_flags_are_true_and_false_and_missing_values_null(write, tables):
    bends = pd.concat([tables["bends"]] * 3, ignore_index=True)
    bends["passes"] = pd.array([True, False, None], dtype="boolean")
    bends["kind"] = ["fitting", None, np.nan]
    bends["passing_radius"] = [1.5, np.nan, None]
    path, _ = write(bends=bends)
    with closing(sqlite3.connect(path)) as base, base:
        got = base.execute("select passes, kind, passing_radius_m from bends").fetchall()
    assert got == [(1, "fitting", 1.5), (0, None, None), (None, None, None)]


def test_empty_layers_keep_their_fields_type_and_crs(write, tables):
    path, counts = write(**{name: frame.iloc[:0] for name, frame in tables.items()})
    assert set(counts.values()) == {0}
    for name, layer in OUTPUTS.items():
        info = pyogrio.read_info(path, layer=name)
        assert list(info["fields"]) == [f.column() for f in layer.fields]
        kind = layer.geometry[0] if layer.geometry else None
        assert info["geometry_type"] == kind
        assert info["crs"] == ("EPSG:26917" if kind else None)


def test_tables_full_of_nothing_are_written(write, tables):
    columns = [field.name for field in OUTPUTS["bends"].fields]
    bends = pd.DataFrame({name: np.array([None, None], dtype=object) for name in columns})
    bends["geometry"] = np.array([None, None], dtype=object)
    path, counts = write(bends=bends)
    assert counts["bends"] == 2
    assert (
        pyogrio.read_dataframe(path, layer="bends").drop(columns="geometry").isna().all(axis=None)
    )


def test_single_parts_become_multi_where_the_layer_is_multi(write, tables):
    footprints = pd.concat([tables["pit_footprints"]] * 2, ignore_index=True)
    footprints.loc[1, "geometry"] = shapely.MultiPolygon([shapely.box(0, 0, 1, 1)])
    path, _ = write(pit_footprints=footprints)
    got = pyogrio.read_dataframe(path, layer="pit_footprints")
    assert set(got.geom_type) == {"MultiPolygon"}
    assert list(got.area) == [12, 1]
    for name, layer in OUTPUTS.items():
        if layer.geometry and layer.geometry[0].startswith("Multi"):
            got = pyogrio.read_dataframe(path, layer=name)
            assert set(got.geom_type) == {layer.geometry[0]}, name


def test_pulls_keep_their_levels_and_every_level_is_a_number(write, tables):
    pulls = pd.concat([tables["pulls"]] * 2, ignore_index=True)
    pulls.loc[1, "geometry"] = shapely.LineString([(0, 0), (1, 1)])
    path, _ = write(pulls=pulls)
    got = pyogrio.read_dataframe(path, layer="pulls").geometry
    levels = [shapely.get_coordinates(line, include_z=True)[:, 2] for line in got]
    np.testing.assert_array_equal(levels, [[98.5, 99], [0, 0]])


def test_findings_of_any_geometry_and_none_share_a_layer(write, tables):
    shapes = [
        shapely.Point(1, 2),
        shapely.box(0, 0, 1, 1),
        None,
        shapely.LineString([(0, 0), (1, 1)]),
    ]
    findings = pd.DataFrame(tables["findings"].drop(columns="geometry"))
    findings = pd.concat([findings] * 4, ignore_index=True)
    findings["geometry"] = np.array(shapes, dtype=object)
    path, _ = write(findings=findings)
    got = list(pyogrio.read_dataframe(path, layer="findings").geometry)
    assert got == shapes


def test_text_of_the_input_is_data(write, tables):
    texts = ["'); DROP TABLE runs; --", "=cmd()", "<b>é\n漢</b>", '"', ""]
    findings = pd.concat([tables["findings"]] * len(texts), ignore_index=True)
    findings["text"] = texts
    path, _ = write(findings=findings)
    assert list(pyogrio.read_dataframe(path, layer="findings")["text"]) == texts
    assert pyogrio.read_info(path, layer="runs")["features"] == 2


def test_layers_and_fields_carry_their_meaning(write):
    path, _ = write()
    with closing(sqlite3.connect(path)) as base, base:
        layers = dict(base.execute("select table_name, description from gpkg_contents"))
        fields = base.execute("select table_name, column_name, description from gpkg_data_columns")
        fields = {(table, column): text for table, column, text in fields}
        check = base.execute("pragma integrity_check").fetchone()
    assert layers == {name: layer.text for name, layer in OUTPUTS.items()}
    assert fields == {
        (name, f.column()): f.text for name, layer in OUTPUTS.items() for f in layer.fields
    }
    assert check == ("ok",)


def test_points_can_be_found_by_place(write):
    path, _ = write()
    near = pyogrio.read_dataframe(path, layer="pits", bbox=(500_000, 4_000_000, 500_020, 4_000_030))
    far = pyogrio.read_dataframe(path, layer="pits", bbox=(0, 0, 1, 1))
    assert (len(near), len(far)) == (1, 0)


def test_the_same_plan_gives_the_same_bytes(write):
    first, _ = write("a.gpkg")
    second, _ = write("b.gpkg")
    assert Path(first).read_bytes() == Path(second).read_bytes()


def test_stations_are_left_out_on_request(write):
    path, counts = write(with_stations=False)
    assert "stations" not in counts
    assert "stations" not in fiona.listlayers(path)


def test_columns_that_are_not_in_the_contract_are_not_written(write, tables):
    path, _ = write(runs=tables["runs"].assign(secret=1))
    assert "secret" not in pyogrio.read_info(path, layer="runs")["fields"]


def test_gdal_options_are_put_back(write):
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    write()
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") == before


# What does not fit the contract ----------------------------------------------------------


def test_a_missing_column_is_an_error_and_writes_nothing(write, tables, tmp_path):
    with pytest.raises(KeyError, match="layer runs: no column cost"):
        write(runs=tables["runs"].drop(columns="cost"))
    assert leftovers(tmp_path) == []


def test_a_layer_that_is_not_in_the_contract_is_an_error(write, tables):
    with pytest.raises(KeyError, match="extra"):
        write(extra=tables["runs"])


def test_a_geometry_of_another_kind_is_an_error(write, tables, tmp_path):
    with pytest.raises(ValueError, match="layer pits: geometry 0 is a POLYGON, not a Point"):
        write(pits=tables["pits"].assign(geometry=[shapely.box(0, 0, 1, 1)]))
    assert leftovers(tmp_path) == []


def test_a_value_of_another_type_is_an_error(write, tables):
    with pytest.raises(ValueError, match="layer runs, field pit_count"):
        write(runs=tables["runs"].assign(pit_count=[1.5, 2]))
    with pytest.raises(ValueError, match="layer runs, field length"):
        write(runs=tables["runs"].assign(length="long"))


def test_a_layer_in_another_crs_is_an_error(write, tables):
    with pytest.raises(ValueError, match="layer pits is in 'WGS 84'"):
        write(pits=tables["pits"].to_crs(4326))


# Where it is written ---------------------------------------------------------------------


def test_an_existing_file_is_kept_without_overwrite(write, tmp_path):
    (tmp_path / "plan.gpkg").write_text("precious")
    with pytest.raises(OutputError, match=r"exists already; .*--overwrite"):
        write()
    assert (tmp_path / "plan.gpkg").read_text() == "precious"
    assert leftovers(tmp_path) == ["plan.gpkg"]


def test_an_existing_file_is_replaced_whole_with_overwrite(write, tables, tmp_path, crs):
    path, _ = write()
    few = {"pits": tables["pits"]}
    write_geopackage(path, few, crs=crs, units="si", overwrite=True)
    assert fiona.listlayers(path) == ["pits"]  # no old layer stays beside the new
    assert leftovers(tmp_path) == ["plan.gpkg"]


@pytest.mark.skipif(os.name != "posix", reason="no modes on this system")
def test_a_geopackage_is_open_to_whom_any_new_file_is_and_keeps_that_when_replaced(write, tmp_path):
    before = os.umask(0o002)
    try:
        path = Path(write()[0])
        assert path.stat().st_mode & 0o777 == 0o664
        path.chmod(0o600)
        write(overwrite=True)
        assert path.stat().st_mode & 0o777 == 0o600
    finally:
        os.umask(before)
    assert leftovers(tmp_path) == [path.name]


def test_a_link_is_followed(write, tmp_path, link):
    (tmp_path / "real").mkdir()
    real = tmp_path / "real" / "plan.gpkg"
    real.write_text("old")
    link(tmp_path / "link.gpkg", real)
    write("link.gpkg", overwrite=True)
    assert (tmp_path / "link.gpkg").is_symlink()
    assert "runs" in fiona.listlayers(real)


def test_a_failure_half_way_keeps_the_old_file_and_leaves_nothing(write, tmp_path, monkeypatch):
    path, _ = write()
    old = (tmp_path / "plan.gpkg").read_bytes()
    original = pyogrio.write_arrow

    def failing(*args, **options):
        if options.get("layer") == "pulls":
            raise pyogrio.errors.FeatureError("disk on fire")
        return original(*args, **options)

    monkeypatch.setattr(pyogrio, "write_arrow", failing)
    with pytest.raises(OutputError, match=r"writing failed .disk on fire.*free space"):
        write(overwrite=True)
    assert (tmp_path / "plan.gpkg").read_bytes() == old
    assert leftovers(tmp_path) == ["plan.gpkg"]
    assert fiona.listlayers(path)


def test_an_interrupted_run_keeps_the_old_file_and_leaves_nothing(write, tmp_path, monkeypatch):
    (tmp_path / "plan.gpkg").write_text("old")

    def interrupted(path):
        raise KeyboardInterrupt

    monkeypatch.setattr(geopackage, "sync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write(overwrite=True)
    assert (tmp_path / "plan.gpkg").read_text() == "old"
    assert leftovers(tmp_path) == ["plan.gpkg"]


@pytest.mark.skipif(sys.platform == "win32", reason="file size limits are a POSIX matter")
def test_a_full_disk_is_an_error_that_keeps_the_old_file(write, tables, tmp_path):
    resource = pytest.importorskip("resource")
    (tmp_path / "plan.gpkg").write_text("old")
    many = pd.concat([tables["candidates"]] * 20_000, ignore_index=True)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (500_000, hard))
    try:
        with pytest.raises(OutputError, match="writing failed"):
            write(overwrite=True, candidates=many)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        signal.signal(signal.SIGXFSZ, handler)
    assert (tmp_path / "plan.gpkg").read_text() == "old"
    assert leftovers(tmp_path) == ["plan.gpkg"]


def test_a_file_that_appears_meanwhile_is_kept(write, tmp_path, monkeypatch):
    original = geopackage.sync

    def slow(path):
        original(path)
        (tmp_path / "plan.gpkg").write_text("somebody else's")

    monkeypatch.setattr(geopackage, "sync", slow)
    with pytest.raises(OutputError, match="exists already"):
        write()
    assert (tmp_path / "plan.gpkg").read_text() == "somebody else's"
    assert leftovers(tmp_path) == ["plan.gpkg"]


def test_a_file_open_for_editing_elsewhere_is_not_replaced(write, tmp_path):
    path, _ = write()
    base = sqlite3.connect(path)
    base.execute("pragma journal_mode=wal")
    base.execute("create table notes (text)")
    try:
        with pytest.raises(OutputError, match="open in another program"):
            write(overwrite=True)
    finally:
        base.close()


@pytest.mark.parametrize("name", ["plan.shp", "plan", "plan.gpkg.txt"])
def test_another_suffix_is_an_error(tmp_path, name):
    with pytest.raises(OutputError, match=r"ending in \.gpkg"):
        check_target(tmp_path / name, False)


def test_a_path_that_is_no_utf_8_is_an_error_at_the_start(tmp_path):
    name = b"Stra\xdfe.gpkg".decode("utf-8", "surrogateescape")
    try:
        (tmp_path / name).touch()
    except OSError:
        pytest.skip("this file system has no such names")
    with pytest.raises(OutputError, match=r"bytes that are not UTF-8 in it; choose another name"):
        check_target(tmp_path / name, overwrite=True)


def test_a_name_too_long_for_the_journal_beside_it_is_an_error_at_the_start(tmp_path):
    most = os.pathconf(tmp_path, "PC_NAME_MAX") if hasattr(os, "pathconf") else 255
    part = part_of(tmp_path / "n.gpkg").name  # as long as that of any other process, or nearly
    name = "n" * (most - len(part) + 1) + ".gpkg"
    part_of(tmp_path / name).touch()  # itself no longer than may be
    with pytest.raises(OutputError, match="choose another name"):
        check_target(tmp_path / name, overwrite=False)


def test_a_missing_folder_is_an_error(tmp_path):
    with pytest.raises(OutputError, match=r"there is no folder .*create it"):
        check_target(tmp_path / "nowhere" / "plan.gpkg", False)


def test_a_folder_is_no_target(tmp_path):
    (tmp_path / "plan.gpkg").mkdir()
    with pytest.raises(OutputError, match="is a folder"):
        check_target(tmp_path / "plan.gpkg", True)


@pytest.mark.skipif(sys.platform != "linux", reason="/proc is a folder nobody can write in")
def test_a_folder_that_cannot_be_written_in_is_an_error():
    with pytest.raises(OutputError, match="cannot write in /proc"):
        check_target("/proc/plan.gpkg", False)


@pytest.mark.skipif(
    sys.platform == "win32" or os.geteuid() == 0, reason="permissions do not bind this user"
)
def test_a_folder_without_permission_is_an_error(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(OutputError, match="cannot write in"):
        check_target(tmp_path / "plan.gpkg", False)


def test_checking_a_target_leaves_no_trace(tmp_path):
    target = check_target(tmp_path / "plan.gpkg", False)
    assert target.name == "plan.gpkg"
    assert leftovers(tmp_path) == []


def test_a_geodataframe_without_crs_is_taken_to_be_in_the_output_crs(write, tables):
    pits = gpd.GeoDataFrame(tables["pits"].drop(columns="geometry"), geometry=[shapely.Point(1, 2)])
    path, _ = write(pits=pits)
    assert pyogrio.read_info(path, layer="pits")["crs"] == "EPSG:26917"


def rows_in(path, layer):
    with closing(sqlite3.connect(path)) as file, file:
        return file.execute(f'SELECT * FROM "{layer}" ORDER BY fid').fetchall()  # noqa: S608


@pytest.mark.parametrize("units", ["si", "us"])
def test_tables_renewed_hold_the_rows_a_new_file_would_and_others_are_untouched(
    write, tables, units
):
    told = {
        "settings": tables["settings"].assign(value='a "new" one\'s value'),
        "inputs": pd.concat([tables["inputs"]] * 3, ignore_index=True),
    }
    path, _ = write(units=units)
    before = {name: rows_in(path, name) for name in OUTPUTS if name in tables}
    assert renew_tables(Path(path), told, units=units)
    fresh, _ = write("fresh.gpkg", units=units, **told)
    for name in before:
        if name not in told:
            assert rows_in(path, name) == before[name]
        assert rows_in(path, name) == rows_in(fresh, name)
    for name in told:
        # GDAL counts features by a table of its own, which triggers keep
        assert pyogrio.read_info(path, layer=name)["features"] == len(told[name])
        one, other = (pyogrio.read_dataframe(f, layer=name) for f in (path, fresh))
        pd.testing.assert_frame_equal(one, other)


def test_tables_that_hold_the_rows_already_are_not_written(write, tables):
    path, _ = write()
    about, content = Path(path).stat(), Path(path).read_bytes()
    told = {name: tables[name] for name in ("settings", "inputs")}
    assert not renew_tables(Path(path), told, units="si")
    assert Path(path).stat().st_ino == about.st_ino
    assert Path(path).read_bytes() == content


def test_a_file_whose_tables_cannot_be_renewed_is_kept_and_nothing_is_left(
    write, tables, tmp_path, monkeypatch
):
    path, _ = write()
    content = Path(path).read_bytes()
    told = {"settings": tables["settings"].assign(value="other")}

    def fail(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(geopackage, "_put_rows", fail)
    with pytest.raises(OutputError, match="disk I/O error"):
        renew_tables(Path(path), told, units="si")
    assert Path(path).read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["plan.gpkg"]
    (tmp_path / "none.gpkg").write_bytes(b"no database")
    with pytest.raises(OutputError, match=r"none\.gpkg: cannot be read"):
        renew_tables(tmp_path / "none.gpkg", told, units="si")


def notes_in(path, name="my_notes"):
    with closing(sqlite3.connect(path)) as file, file:
        file.execute(f"CREATE TABLE {name} (text)")


@pytest.mark.parametrize("linked", [True, False])
def test_layers_of_somebodys_own_are_never_lost_with_the_file_they_lie_in(
    write, tmp_path, monkeypatch, linked
):
    path, _ = write()
    write(overwrite=True)  # one of the program's own layers alone is replaced
    assert leftovers(tmp_path) == ["plan.gpkg"]
    if not linked:
        monkeypatch.setattr(Path, "hardlink_to", lambda *_: (_ for _ in ()).throw(OSError("no")))
    for number in (1, 2):
        notes_in(path)
        assert layers_of_others(Path(path)) == ["my_notes"]
        aside = tmp_path / f"plan.edited-{number}.gpkg"
        with pytest.warns(KeptAsideWarning, match=f"held my_notes, .* kept as {aside.name}"):
            write(overwrite=True)
        assert layers_of_others(aside) == ["my_notes"]
        assert layers_of_others(Path(path)) == []
    assert leftovers(tmp_path) == ["plan.edited-1.gpkg", "plan.edited-2.gpkg", "plan.gpkg"]


def test_rows_are_renewed_beside_layers_of_somebodys_own(write, tables, tmp_path):
    path, _ = write()
    notes_in(path)
    assert renew_tables(Path(path), {"settings": tables["settings"].iloc[:0]}, units="si")
    assert layers_of_others(Path(path)) == ["my_notes"]
    assert leftovers(tmp_path) == ["plan.gpkg"]


def test_layers_are_others_by_the_contract_and_what_is_no_geopackage_has_none(tmp_path):
    own = gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(1, 2)], crs=25832)
    path = tmp_path / "plan.gpkg"
    own.to_file(path, layer="rtree_of_mine")  # a name that looks like one of the system's
    own.to_file(path, layer="pits")
    notes_in(path, "qgis_projects")
    assert layers_of_others(path) == ["qgis_projects", "rtree_of_mine"]
    (tmp_path / "text.gpkg").write_text("no GeoPackage", encoding="utf-8")
    assert layers_of_others(tmp_path / "text.gpkg") == []
    assert layers_of_others(tmp_path / "none.gpkg") == []
