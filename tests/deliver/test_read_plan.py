"""Written plans read back: SI values under bare names, and files that are not plans refused."""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
import warnings
import zipfile
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

from geotools.brief import load_brief, settings
from geotools.deliver.columns import contract_table
from geotools.deliver.digs import check_digs
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.read_plan import NEEDED, read_plan
from geotools.deliver.tables import settings_table
from geotools.errors import LayerError, OlderPlanWarning
from geotools.intake.crs import level_unit
from geotools.schema import OUTPUTS
from geotools.tools.joints import _with_levels

Tables = dict[str, pd.DataFrame]
PlanWriter = Callable[..., Path]


def written(path: Path, tables: Mapping[str, pd.DataFrame], crs: Any, units: Any) -> Path:
    chosen = settings_table(load_brief(overrides={"output.units": units}), units)
    everything = {**tables, "settings": chosen}
    write_geopackage(path, everything, crs=crs, units=units, overwrite=True)
    return path


@pytest.mark.parametrize("units", ["si", "us"])
def test_every_layer_comes_back_as_it_was_written(
    tmp_path: Path, tables: Tables, crs: pyproj.CRS, units: str
) -> None:
    plan = read_plan(written(tmp_path / "plan.gpkg", tables, crs, units))
    assert plan.layers == tuple(OUTPUTS)
    for name in tables.keys() - {"settings"}:
        back = plan.table(name)
        ours = contract_table(name, tables[name], units="si").to_pandas()
        for field in OUTPUTS[name].fields:
            expected, found = ours[field.column()], back[field.name]
            if field.dtype == "real":
                factor = field.spellings()[field.column()]
                due = expected.to_numpy(dtype=float) * factor + field.zero(field.column())
                np.testing.assert_allclose(found.to_numpy(dtype=float), due, rtol=1e-12)
            else:
                assert found.tolist() == expected.tolist()
        if OUTPUTS[name].geometry:
            assert back.crs == crs
            drawn = shapely.from_wkb(ours["geometry"].iloc[0])
            assert shapely.equals_exact(
                shapely.force_2d(back.geometry.iloc[0]), shapely.force_2d(drawn)
            )


def test_values_are_si_whatever_the_file_holds(write_plan: PlanWriter) -> None:
    plan = read_plan(write_plan(units="us"))
    assert plan.units == "us"
    raw = gpd.read_file(plan.path, layer="pulls")
    assert raw["length_ft"].iloc[0] == pytest.approx(1000)
    pulls = plan.table("pulls", ("length", "head_force"))
    assert pulls["length"].iloc[0] == pytest.approx(304.8)
    assert pulls["head_force"].iloc[0] == pytest.approx(50e3)
    assert list(pulls.columns) == ["length", "head_force", "geometry"]


def test_a_layer_saved_in_another_crs_lies_where_the_others_do(write_plan: PlanWriter) -> None:
    """Levels stay, and so do places whose level is missing."""
    path = write_plan([{}, {"pull_id": "R1-L2"}])
    due = gpd.read_file(path, layer="pulls")
    due.geometry = [due.geometry[0], shapely.transform(due.geometry[1], _no_level, include_z=True)]
    degrees = shapely.transform(due.geometry.to_numpy(), _in_degrees, include_z=True)
    pyogrio.write_dataframe(due.set_geometry(degrees, crs=4326), path, layer="pulls")
    back = read_plan(path).table("pulls")
    assert back.crs == read_plan(path).crs == due.crs
    for k in range(2):
        found, wanted = (
            shapely.get_coordinates(frame.geometry[k], include_z=True) for frame in (back, due)
        )
        np.testing.assert_allclose(found, wanted, atol=1e-6)


def _no_level(xyz: Any) -> Any:
    return xyz * (1.0, 1.0, np.nan)


def _in_degrees(xyz: Any) -> Any:
    move = pyproj.Transformer.from_crs(26917, 4326, always_xy=True)
    return np.column_stack([*move.transform(*xyz[:, :2].T), xyz[:, 2]])


@pytest.mark.parametrize(
    ("crs", "place", "told"),
    [
        (None, (1.0, 1.0), "layer pits: has no CRS"),
        (4326, (-81.0, 93.0), "layer pits: feature 1 lies nowhere in EPSG:26917"),
    ],
)
def test_a_layer_that_cannot_be_moved_to_the_crs_of_the_plan_is_refused(
    write_plan: PlanWriter, crs: int | None, place: tuple[float, float], told: str
) -> None:
    path = write_plan()
    pits = gpd.read_file(path, layer="pits").set_geometry([shapely.Point(place)], crs=crs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of a layer written without a CRS
        pyogrio.write_dataframe(pits.set_crs(crs, allow_override=True), path, layer="pits")
    with pytest.raises(LayerError) as refused:
        read_plan(path).table("pits")
    assert told in str(refused.value)


def test_levels_along_lines_are_metres_and_places_stay(write_plan: PlanWriter) -> None:
    """The CRS counts in metres, and Z does so whatever the units of the fields."""
    path = write_plan(units="us")
    raw = gpd.read_file(path, layer="pulls").geometry.iloc[0]
    given = shapely.get_coordinates(raw, include_z=True)
    back = read_plan(path).table("pulls").geometry.iloc[0]
    np.testing.assert_allclose(shapely.get_coordinates(back, include_z=True), given)
    # a plan of before that was said had Z in the unit of its lengths
    with contextlib.closing(sqlite3.connect(path)) as file:
        file.execute("ALTER TABLE pulls DROP COLUMN z_unit")
        file.commit()
    with pytest.warns(OlderPlanWarning, match="z_unit"):
        back = read_plan(path).table("pulls").geometry.iloc[0]
    found = shapely.get_coordinates(back, include_z=True)
    np.testing.assert_allclose(found, given * (1.0, 1.0, 0.3048))


@pytest.mark.parametrize(
    ("crs", "name", "metres"),
    [
        ("EPSG:32633", "metre", 1.0),
        ("EPSG:2277", "US survey foot", 1200 / 3937),
        ("EPSG:2277+5703", "metre", 1.0),  # NAVD88 height in metres over a grid in feet
        ("EPSG:6588+6360", "US survey foot", 1200 / 3937),
        ("EPSG:2222", "foot", 0.3048),
        ("EPSG:4326", "metre", 1.0),
        ("EPSG:4979", "metre", 1.0),
    ],
)
def test_levels_of_lines_are_in_the_unit_of_the_crs(crs: str, name: str, metres: float) -> None:
    """Of its vertical axis, else of x and y, else the metre: as EPSG defines these CRSs."""
    found, size = level_unit(pyproj.CRS(crs))
    assert found == name and size == pytest.approx(metres, rel=1e-12)


def test_pulls_as_made_have_their_levels_in_the_unit_of_the_crs_too() -> None:
    """120 m are 393.7 US survey feet: 39.37 inches a metre, by definition."""
    line = shapely.LineString([(3.1e6, 1e7, 120.0), (3.1e6, 1.01e7, 120.0)])
    pulls = gpd.GeoDataFrame({"pull_id": ["L1", "L2"]}, geometry=[line, None], crs=2277)
    file: Any = SimpleNamespace(crs=pulls.crs)
    written = _with_levels("asbuilt_pulls", pulls, file)
    given = shapely.get_coordinates(line)
    found = shapely.get_coordinates(written.geometry.iloc[0], include_z=True)
    np.testing.assert_allclose(found, np.column_stack([given, [393.7, 393.7]]), rtol=1e-12)
    assert written.geometry.iloc[1] is None


@pytest.mark.parametrize("units", ["si", "us"])
def test_settings_come_back_as_the_brief_had_them(write_plan: PlanWriter, units: str) -> None:
    chosen: dict[str, object] = {
        "carrier.dr": 17,
        "pulls.friction": 0.4,
        "pulls.flooded": True,
        "carrier.own": ["@cmd|'x'; PE100; 400.123 mm; 25 mm"],
        "network.excluded_statuses": ["abandoned, dry", 'the "lost"', "back\\slash", "", "\x7f\n"],
        "rates.lane_day": ["art, x = 3.25", "[local] = 0"],
        "street.no_block": [],
        # words, and not settings left open
        "rates.currency": "none",
        "sheets.title": "none",
        "service.host_lining": "none",
    }
    plan = read_plan(write_plan(units=units, settings=chosen))
    brief = load_brief(overrides={"pulls.piece_length": "40 ft", "output.units": units, **chosen})
    for setting in settings(brief):
        back = plan.setting(setting.key)
        if isinstance(setting.value, float):
            assert back == pytest.approx(setting.value, rel=1e-8, abs=1e-12), setting.key
        else:
            assert back == setting.value, setting.key


def test_lists_of_older_plans_are_read(write_plan: PlanWriter) -> None:
    path = write_plan()
    edit(
        path,
        "UPDATE settings SET value = 'abandoned, out of service' "
        "WHERE name = 'network.excluded_statuses'",
        "UPDATE settings SET value = 'arterial = 1500, local = 150' WHERE name = 'rates.lane_day'",
        "UPDATE settings SET value = '' WHERE name = 'street.no_block'",
    )
    plan = read_plan(path)
    assert plan.setting("network.excluded_statuses") == ["abandoned", "out of service"]
    rates = {rate.street: rate.cost for rate in plan.setting("rates.lane_day")}
    assert rates == {"arterial": 1500.0, "local": 150.0}
    assert plan.setting("street.no_block") == []


def test_setting_that_is_none_or_lost(write_plan: PlanWriter) -> None:
    path = write_plan()
    with pytest.raises(KeyError):
        read_plan(path).setting("pulls.nonsense")
    edit(path, "DELETE FROM settings WHERE name = 'pulls.piece_length'")
    with pytest.raises(LayerError, match=r"no pulls\.piece_length"):
        read_plan(path).setting("pulls.piece_length")
    edit(path, "UPDATE settings SET value = '12 kg' WHERE name = 'pulls.rate'")
    with pytest.raises(LayerError, match=r"pulls\.rate: '12 kg' is not a speed"):
        read_plan(path).setting("pulls.rate")


def test_plan_written_before_a_field_was_told_is_read(write_plan: PlanWriter) -> None:
    path = write_plan()
    edit(path, "ALTER TABLE pulls DROP COLUMN governing_force_kn",
         "ALTER TABLE pulls DROP COLUMN z_source")  # fmt: skip
    plan = read_plan(path)
    with pytest.warns(
        OlderPlanWarning, match="layer pulls .* no governing_force, z_source"
    ) as told:
        pulls = plan.table("pulls")
    plan.table("pulls")
    assert len(told) == 1
    assert pulls["governing_force"].isna().all()
    assert pulls["governing_force"].dtype == float
    assert pulls["z_source"].tolist() == [""]


def edit(path: Path, *statements: str) -> None:
    connection = sqlite3.connect(path)
    for statement in statements:
        connection.execute(statement)
    connection.commit()
    connection.close()


def test_what_is_no_plan_is_refused_with_the_reason(tmp_path: Path) -> None:
    text = tmp_path / "text.gpkg"
    text.write_text("not a database", encoding="utf-8")
    plain = tmp_path / "plain.gpkg"
    edit(plain, "CREATE TABLE settings (name TEXT, value TEXT)")
    other = tmp_path / "other.gpkg"
    gpd.GeoDataFrame(geometry=[shapely.Point(0, 0)], crs=32633).to_file(other, layer="wells")
    cut = tmp_path / "cut.gpkg"
    cut.write_bytes(other.read_bytes()[:5000])
    for path, why in (
        (tmp_path / "none.gpkg", "there is no such file"),
        (tmp_path, "is a folder"),
        (text, "is not a GeoPackage"),
        (plain, "is not a GeoPackage"),
        (other, "no layer runs, pits, pulls, settings .*it holds wells"),
        (cut, "cannot be read|is not a plan"),
        (Path("/vsicurl/http/plan.gpkg"), "there is no such file"),
    ):
        with pytest.raises(LayerError, match=why):
            read_plan(path)


def test_a_plan_with_a_field_whose_name_is_no_text_is_refused(write_plan: PlanWriter) -> None:
    path = write_plan()
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"host_material", b"\xed\xa0\x80t_material"))
    with pytest.raises(LayerError, match="layer runs cannot be read"):
        read_plan(path)


def test_layer_that_a_tool_needs_is_asked_for_at_once(write_plan: PlanWriter) -> None:
    path = write_plan()
    with pytest.raises(LayerError, match="no layer stations"):
        read_plan(path, needs=(*NEEDED, "stations"))
    with pytest.raises(LayerError, match="no layer stations"):
        read_plan(path).table("stations")
    with pytest.raises(KeyError):
        read_plan(path).table("nonsense")


def test_field_that_is_gone_is_named_with_its_unit(write_plan: PlanWriter) -> None:
    path = write_plan(units="us")
    edit(path, "ALTER TABLE pulls RENAME COLUMN head_force_lbf TO force")
    plan = read_plan(path)
    with pytest.raises(LayerError, match="pulls has no field head_force_lbf"):
        plan.table("pulls")
    assert plan.table("pulls", ("length",))["length"].iloc[0] == pytest.approx(304.8)


def test_number_that_became_text_is_a_fault_of_its_feature(
    tmp_path: Path, tables: Tables, crs: pyproj.CRS
) -> None:
    needed = {name: tables[name] for name in (*NEEDED, "forces")}
    path = written(tmp_path / "plan.gpkg", needed, crs, "si")
    edit(
        path,
        "ALTER TABLE forces DROP COLUMN pulled_m",
        "ALTER TABLE forces ADD COLUMN pulled_m TEXT",
        "UPDATE forces SET pulled_m = 'much'",
    )
    with pytest.raises(LayerError, match="field pulled_m: 'much' in feature 1 is no number"):
        read_plan(path).table("forces")


def test_whole_number_that_is_missing_stays_missing(
    tmp_path: Path, tables: Tables, crs: Any
) -> None:
    runs = tables["runs"].assign(pit_count=pd.array([2, None], dtype="Int64"))
    needed = {**{name: tables[name] for name in NEEDED}, "runs": runs}
    plan = read_plan(written(tmp_path / "p.gpkg", needed, crs, "si"))
    assert plan.table("runs")["pit_count"].isna().tolist() == [False, True]
    assert plan.table("runs")["bend_count"].dtype == np.int64


@pytest.mark.parametrize(("layer", "kind"), [("pits", "MultiPoint"), ("pulls", "MultiLineString")])
def test_multis_of_one_part_are_read_as_singles_and_others_refused_by_their_feature(
    tmp_path: Path, tables: Tables, crs: pyproj.CRS, layer: str, kind: str
) -> None:
    plan = written(tmp_path / "plan.gpkg", {name: tables[name] for name in NEEDED}, crs, "si")
    frame = gpd.read_file(plan, layer=layer, engine="pyogrio")
    single = read_plan(plan).table(layer).geometry.tolist()
    multi = getattr(shapely, kind)
    for parts in (1, 2):
        shapes = [
            multi([shapely.transform(s, partial(np.add, k), include_z=s.has_z)
                   for k in range(parts)])
            for s in single
        ]  # fmt: skip
        pyogrio.write_dataframe(frame.set_geometry(shapes, crs=frame.crs), plan, layer=layer)
        assert pyogrio.read_info(plan, layer=layer)["geometry_type"].startswith("Multi")
        if parts == 1:  # as a GIS saves it that makes multis of all geometries
            assert read_plan(plan).table(layer).geometry.tolist() == single
            continue
        told = f"layer {layer}: feature 1 has several parts and must be one {kind[5:]}; split"
        with pytest.raises(LayerError, match=told):
            read_plan(plan).table(layer)


@pytest.mark.parametrize(
    ("column", "value", "told"),
    [
        ("spared", None, "field spared: feature 2 is empty; say whether"),
        ("kind", "well", "field kind: feature 2 is none of connection, lateral"),
    ],
)
def test_digs_of_which_nobody_can_tell_what_is_dug_are_refused_by_their_feature(
    tmp_path: Path, tables: Tables, crs: pyproj.CRS, column: str, value: object, told: str
) -> None:
    digs = pd.concat([tables["local_digs"]] * 2, ignore_index=True).assign(kind="valve")
    chosen = {**{name: tables[name] for name in NEEDED}, "local_digs": digs}
    file = read_plan(written(tmp_path / "plan.gpkg", chosen, crs, "si"))
    table = file.table("local_digs")
    check_digs(file, table)
    table[column] = table[column].astype("boolean" if column == "spared" else object)
    table.loc[1, column] = value
    with pytest.raises(LayerError, match=told):
        check_digs(file, table)


def test_a_plan_left_with_a_log_is_read_where_nothing_can_be_written(
    write_plan: PlanWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write_plan([{}])
    edit(path, "PRAGMA journal_mode = WAL")
    connect = sqlite3.connect

    def read_only(place: str, **options: Any) -> sqlite3.Connection:
        if "immutable=1" not in place:
            raise sqlite3.OperationalError("unable to open database file")
        return connect(place, **options)

    with monkeypatch.context() as there:
        there.setattr("geotools.deliver.read_plan.sqlite3.connect", read_only)
        assert read_plan(path).setting("output.units") == "si"
    path.with_name(f"{path.name}-wal").write_bytes(b"changes")
    monkeypatch.setattr("geotools.deliver.read_plan.os.access", lambda *_: False)
    with pytest.raises(LayerError, match="copy both files to a folder that can be written to"):
        read_plan(path)


def test_a_packed_plan_is_to_be_unpacked(write_plan: PlanWriter, tmp_path: Path) -> None:
    plan = write_plan([{}])
    packed = tmp_path / "plan.zip"
    with zipfile.ZipFile(packed, "w") as file:
        file.write(plan, "plan.gpkg")
    shutil.copy(packed, tmp_path / "named-otherwise.gpkg")
    for path in (packed, tmp_path / "named-otherwise.gpkg"):
        with pytest.raises(LayerError, match="is packed; unpack it and give the GeoPackage in it"):
            read_plan(path)
