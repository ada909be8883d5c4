"""Bad input: the message says what, where and what to do; nothing that stood before is touched."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely

import geotools
from geotools.intake.limits import limit
from geotools.schema import INPUTS

CRS = "EPSG:32633"
OLD = b"the plan of last week"
EAST, NORTH = 500_000.0, 4_800_000.0


@dataclass(frozen=True)
class Case:
    """Arguments of a call, and words its message has to hold."""

    arguments: tuple[str, ...]
    words: tuple[str, ...]


@dataclass(frozen=True)
class Workshop:
    """Makes files in a folder."""

    folder: Path

    def mains(self) -> gpd.GeoDataFrame:
        """Three mains of 200 m in a row."""
        lines = [
            shapely.LineString([(EAST + 200 * k, NORTH), (EAST + 200 * (k + 1), NORTH)])
            for k in range(3)
        ]
        columns = {"main_id": ["M1", "M2", "M3"], "diameter_mm": 300.0, "cover_m": 1.2}
        return gpd.GeoDataFrame(columns, geometry=lines, crs=CRS)

    def layer(self, frame: gpd.GeoDataFrame, name: str = "net.gpkg", layer: str = "mains") -> str:
        frame.to_file(self.folder / name, layer=layer, driver="GPKG")
        return f"{self.folder / name}:{layer}"

    def dem(
        self, *, crs: str | None = CRS, west: float = EAST - 1000, north: float = NORTH + 1000,
        cell: float = 20.0, level: float = 100.0, unit: str | None = "m",
    ) -> str:  # fmt: skip
        path = self.folder / "ground.tif"
        with rasterio.open(
            path, "w", driver="GTiff", width=100, height=100, count=1, dtype="float32", crs=crs,
            nodata=-9999.0, transform=rasterio.Affine(cell, 0.0, west, 0.0, -cell, north),
        ) as raster:  # fmt: skip
            raster.write(np.full((100, 100), level, dtype="float32"), 1)
            if unit:
                raster.units = (unit,)
        return str(path)


@pytest.fixture
def make(tmp_path: Path) -> Workshop:
    folder = tmp_path / "data"
    folder.mkdir()
    return Workshop(folder)


@pytest.fixture
def attempt(slipmain: Callable[..., Any], tmp_path: Path) -> Callable[..., Any]:
    """Plan over an existing file and hand back what was said and what the file holds."""

    def run(*arguments: str, styles: bool = True) -> tuple[Any, Path]:
        target = tmp_path / "plan.gpkg"
        target.write_bytes(OLD)
        done = slipmain("plan", *arguments, "-o", target, "--overwrite")
        assert "Traceback" not in done.err
        beside = ["plan_styles"] if styles and done.code != 2 else []
        left = sorted(file.name for file in tmp_path.iterdir())
        assert left == ["data", "plan.gpkg", *beside]
        return done, target

    return run


def no_file(make: Workshop) -> Case:
    make.layer(make.mains(), "network.gpkg")
    return Case(
        ("--mains", f"{make.folder}/netwrok.gpkg:mains"),
        ("mains", "netwrok.gpkg", "no such file", "did you mean", "network.gpkg"),
    )


def no_layer(make: Workshop) -> Case:
    source = make.layer(make.mains()).removesuffix("mains") + "pipes"
    return Case(("--mains", source), ("net.gpkg", "'pipes'", "layers there: mains"))


def empty_layer(make: Workshop) -> Case:
    source = make.layer(make.mains().iloc[:0])
    return Case(("--mains", source), ("net.gpkg:mains", "no features", "give a layer"))


def points_for_mains(make: Workshop) -> Case:
    frame = make.mains()
    frame["geometry"] = frame.centroid
    return Case(
        ("--mains", make.layer(frame)), ("net.gpkg:mains", "3 Point", "LineString", "convert")
    )


def points_for_streets(make: Workshop) -> Case:
    streets = gpd.GeoDataFrame({"class": ["local"]}, geometry=[shapely.Point(EAST, NORTH)], crs=CRS)
    return Case(
        ("--mains", make.layer(make.mains()), "--streets", make.layer(streets, "st.gpkg", "roads")),
        ("streets", "st.gpkg:roads", "1 Point", "convert"),
    )


def no_diameter_field(make: Workshop) -> Case:
    source = make.layer(make.mains().drop(columns="diameter_mm"))
    return Case(
        ("--mains", source), ("net.gpkg:mains", "diameter_mm", "missing", "[inputs.mains.fields]")
    )


def field_without_unit(make: Workshop) -> Case:
    source = make.layer(make.mains().rename(columns={"diameter_mm": "diameter"}))
    return Case(
        ("--mains", source),
        ("net.gpkg:mains", "'diameter'", "[inputs.mains.fields]", 'diameter_mm = "diameter"'),
    )


def text_in_every_diameter(make: Workshop) -> Case:
    frame = make.mains()
    frame["diameter_mm"] = ["big", "twelve", "?"]
    words = ("net.gpkg:mains", "diameter_mm", "check", "'big'", "write the number alone")
    return Case(("--mains", make.layer(frame)), words)


def mains_without_crs(make: Workshop) -> Case:
    frame = make.mains()
    frame = frame.set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="crs"):
        source = make.layer(frame)
    return Case(("--mains", source), ("net.gpkg:mains", "no CRS", "[inputs.mains]", "EPSG:"))


def dem_elsewhere(make: Workshop) -> Case:
    return Case(
        ("--mains", make.layer(make.mains()), "--dem", make.dem(west=EAST + 2e5)),
        ("dem", "ground.tif", "no raster overlaps", "700000", "check"),
    )


def dem_without_crs(make: Workshop) -> Case:
    ground = make.dem(crs=None)
    return Case(
        ("--mains", make.layer(make.mains()), "--dem", ground),
        ("ground.tif", "no CRS", "inputs.dem", "gdal_translate"),
    )


def dem_no_raster(make: Workshop) -> Case:
    path = make.folder / "ground.tif"
    path.write_text("level 100 everywhere")
    return Case(
        ("--mains", make.layer(make.mains()), "--dem", str(path)),
        ("dem", "ground.tif", "cannot be opened", "export it again"),
    )


def dem_in_another_unit(make: Workshop) -> Case:
    return Case(
        (
            "--mains", make.layer(make.mains()), "--dem", make.dem(unit="m"),
            "--set", "ground.vertical_unit=ft",
        ),
        ("ground.tif", "vertical", "ft"),
    )  # fmt: skip


def no_usable_coordinates(make: Workshop) -> Case:
    frame = make.mains()
    frame["geometry"] = [shapely.LineString([(EAST, NORTH), (1e12, 1e12)])] * 3
    return Case(("--mains", make.layer(frame)), ("net.gpkg:mains", "coordinate"))


def truncated(make: Workshop) -> Case:
    source = make.layer(make.mains())
    file = make.folder / "net.gpkg"
    whole = file.read_bytes()
    file.write_bytes(whole[: len(whole) // 2])
    return Case(("--mains", source), ("net.gpkg", "damaged, cut short", "copy or export it again"))


def layers_for_dem(make: Workshop) -> Case:
    source = make.layer(make.mains())
    return Case(
        ("--mains", source, "--dem", f"{make.folder}/net.gpkg"),
        ("dem", "'net.gpkg'", "vector layers and no raster", "GeoTIFF"),
    )


def raster_for_mains(make: Workshop) -> Case:
    return Case(("--mains", make.dem()), ("mains (ground.tif)", "is a raster", "vector layer"))


def table_for_mains(make: Workshop) -> Case:
    make.mains().drop(columns="geometry").to_csv(make.folder / "net.csv", index=False)
    return Case(
        ("--mains", f"{make.folder}/net.csv"), ("mains (net.csv)", "has no CRS", "has no geometry")
    )


REFUSED = (
    layers_for_dem, raster_for_mains, table_for_mains,
    no_file, no_layer, empty_layer, points_for_mains, points_for_streets, no_diameter_field,
    field_without_unit, text_in_every_diameter, mains_without_crs, dem_elsewhere, dem_without_crs,
    dem_no_raster, dem_in_another_unit, no_usable_coordinates, truncated,
)  # fmt: skip


@pytest.mark.parametrize("fault", REFUSED, ids=lambda fault: fault.__name__)
def test_input_that_cannot_be_used_is_refused_by_name(
    fault: Callable[[Workshop], Case], make: Workshop, attempt: Callable[..., Any]
) -> None:
    case = fault(make)
    done, target = attempt(*case.arguments)
    assert done.code == 2
    assert target.read_bytes() == OLD
    assert [word for word in case.words if word not in done.err] == []


def test_all_faults_of_all_layers_are_told_at_once(
    make: Workshop, attempt: Callable[..., Any]
) -> None:
    points = gpd.GeoDataFrame({"class": ["local"]}, geometry=[shapely.Point(EAST, NORTH)], crs=CRS)
    done, _ = attempt(
        "--mains", make.layer(make.mains().drop(columns="diameter_mm")),
        "--streets", make.layer(points, "st.gpkg", "roads"), "--dem", f"{make.folder}/none.tif",
    )  # fmt: skip
    assert done.code == 2
    for name in ("net.gpkg:mains", "st.gpkg:roads", "none.tif"):
        assert name in done.err


def found(plan: Any, rule: str) -> Any:
    return plan.findings[plan.findings["rule"] == rule]


def test_text_in_one_diameter_is_a_finding_and_the_others_are_planned(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    frame = make.mains()
    frame["diameter_mm"] = ["300", "twelve", "300"]
    done, target = attempt("--mains", make.layer(frame), "--dem", make.dem())
    assert done.code == 0
    plan = read_plan(target)
    (row,) = found(plan, "unreadable-value").itertuples()
    assert (row.layer, row.feature, row.severity) == ("mains", "M2", "warning")
    assert "'twelve'" in row.text
    assert "write a number" in row.text
    assert plan.planned["length_m"].sum() == pytest.approx(400.0)


def test_a_coordinate_that_is_no_number_is_a_finding_and_the_others_are_planned(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    frame = make.mains()
    shapes = frame.geometry.to_numpy().copy()
    with np.errstate(invalid="ignore"):
        shapes[1] = shapely.LineString([(EAST + 200, NORTH), (np.nan, np.nan)])
    shapes[2] = shapely.LineString([(EAST + 400, NORTH), (1e12, NORTH)])
    frame = frame.set_geometry(shapes, crs=CRS)
    done, target = attempt("--mains", make.layer(frame), "--dem", make.dem())
    assert done.code == 0
    plan = read_plan(target)
    rows = found(plan, "bad-coordinates")
    assert list(rows["feature"]) == ["M2", "M3"]
    assert rows["text"].str.contains("set aside").all()
    assert plan.runs["length_m"].sum() == pytest.approx(200.0)


def test_a_slipped_digit_is_a_finding_and_no_main_of_50000_km(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    frame = make.mains()
    shapes = frame.geometry.to_numpy().copy()
    shapes[2] = shapely.LineString([(EAST + 400, NORTH), (51_188_736.0, NORTH)])
    done, target = attempt("--mains", make.layer(frame.set_geometry(shapes, crs=CRS)))
    assert done.code == 0
    plan = read_plan(target)
    assert list(found(plan, "bad-coordinates")["feature"]) == ["M3"]
    assert plan.runs["length_m"].sum() == pytest.approx(400.0)


def test_a_dem_in_another_crs_gives_the_same_levels(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    # the same level everywhere, in Web Mercator cells that cover the mains (15 E, 43.35 N)
    ground = make.dem(crs="EPSG:3857", west=1.66e6, north=5.40e6, cell=700.0, level=87.5)
    done, target = attempt("--mains", make.layer(make.mains()), "--dem", ground)
    assert done.code == 0
    plan = read_plan(target)
    assert plan.stations["ground_z_m"].to_numpy() == pytest.approx(87.5, abs=1e-6)
    assert plan.stations.crs == CRS


def test_a_dem_that_does_not_name_its_unit_is_a_finding(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    done, target = attempt("--mains", make.layer(make.mains()), "--dem", make.dem(unit=None))
    assert done.code == 0
    (row,) = found(read_plan(target), "dem-unit-assumed").itertuples()
    assert (row.severity, row.layer, row.feature) == ("warning", "dem", "ground.tif")
    assert "ground.vertical_unit in the brief" in row.text
    assert "--set ground.vertical_unit=ft" in row.text


def test_a_dem_in_feet_taken_for_metres_is_doubted_by_the_inverts(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    frame = make.mains().assign(invert_start_m=97.0, invert_end_m=97.0)
    ground = make.dem(unit=None, level=100.0 / 0.3048)
    words = ("--mains", make.layer(frame), "--dem", ground, "--set", "output.styles=false")
    target = attempt(*words, styles=False)[1]
    plan = read_plan(target)
    (row,) = found(plan, "dem-unit-doubtful").itertuples()
    assert (row.severity, row.layer) == ("warning", "dem")
    assert "feet taken for metres, 3.0 m" in row.text
    # 231 m of groundwater is more than any carrier stands: no result from levels like these
    assert list(plan.runs["status"]) == ["not_suitable"]
    target = attempt(*words, "--set", "ground.vertical_unit=ft", styles=False)[1]
    plan = read_plan(target)
    assert found(plan, "dem-unit-doubtful").empty
    assert found(plan, "dem-unit-assumed").empty
    assert list(plan.runs["status"]) == ["planned"]


@pytest.mark.parametrize("far", [400.0, 9000.0, -500.0])
def test_one_invert_far_off_is_told_and_breaks_nothing(
    far: float, make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    frame = make.mains().assign(invert_start_m=97.0, invert_end_m=[97.0, far, 97.0])
    words = ("--mains", make.layer(frame), "--set", "pulls.grouted=true")
    done, target = attempt(*words, "--set", "output.styles=false", styles=False)
    assert done.code == 0
    plan = read_plan(target)
    assert "M2" in set(found(plan, "steep-grade")["feature"])
    assert "M3" in set(found(plan, "axis-step")["feature"])


@pytest.mark.parametrize("field", ["bore", "cover", "pressure", "c_factor", "flow"])
def test_numbers_at_the_limits_of_sense_are_planned_with(
    field: str, make: Workshop, attempt: Callable[..., Any]
) -> None:
    """Mains of the least that may be and of the most lie beside each other."""
    declared = INPUTS["mains"].field(field)
    column = declared.column("si")
    ends = np.array([limit(field).low, limit(field).high]) / declared.spellings()[column]
    frame = make.mains()
    frame[column] = np.resize(ends, len(frame))
    words = ("--mains", make.layer(frame), "--set", "output.styles=false")
    done, _ = attempt(*words, styles=False)
    assert done.code == 0


@pytest.mark.parametrize(
    ("column", "value"),
    [("c_factor", 15.0), ("c_factor", 180.0), ("bore_mm", 40.0), ("flow_lps", 60_000.0)],
)
def test_numbers_no_formula_is_good_for_are_taken_as_missing_and_told(
    column: str,
    value: float,
    make: Workshop,
    attempt: Callable[..., Any],
    read_plan: Callable[..., Any],
) -> None:
    frame = make.mains().assign(**{column: value})
    words = ("--mains", make.layer(frame), "--set", "output.styles=false")
    done, target = attempt(*words, styles=False)
    assert done.code == 0
    assert any(column in text for text in read_plan(target).findings["text"])


def test_mains_partly_off_the_dem_are_a_finding_with_its_place(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    ground = make.dem(west=EAST + 150.0)
    done, target = attempt("--mains", make.layer(make.mains()), "--dem", ground)
    assert done.code == 0
    plan = read_plan(target)
    (row,) = found(plan, "no-ground").itertuples()
    assert row.geometry.distance(shapely.Point(EAST, NORTH)) < 1e-6
    unknown = plan.stations["ground_z_m"].isna()
    assert unknown.any()
    assert not unknown.all()
    # cover is on record, so the depth is known all the same
    assert plan.stations["depth_m"].to_numpy() == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("column", "value"),
    [("flow_lps", 0.0), ("flow_lps", 1e-5), ("pressure_kpa", 0.0), ("cover_m", 0.0)],
)
def test_a_record_of_nought_is_no_record(
    column: str,
    value: float,
    make: Workshop,
    attempt: Callable[..., Any],
    read_plan: Callable[..., Any],
) -> None:
    """A flow of 0 chose a pipe of a tenth of the host; it is the same as none, and told.

    So is one of less than a tenth of what a tap draws, 0.1 L/s, as models give for dead ends.
    """
    mains = make.mains().drop(columns=[column], errors="ignore")
    plans = []
    for given in (mains.assign(**{column: value}), mains):
        words = ("--mains", make.layer(given), "--set", "output.styles=false", "--overwrite")
        done, target = attempt(*words, styles=False)
        assert done.code == 0
        plans.append(read_plan(target))
    nought, none = plans
    told = found(nought, "zero-value")
    assert len(told) == len(mains) and column in told["text"].iloc[0]
    assert found(none, "zero-value").empty
    assert list(nought.runs["carrier"]) == list(none.runs["carrier"])
    assert list(nought.runs["cost"]) == pytest.approx(list(none.runs["cost"]))


def test_two_inverts_of_nought_are_no_inverts(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    """A low town with no inverts on record, its columns filled with 0: the cover counts."""
    given = ("--dem", make.dem(), "--set", "output.styles=false", "--overwrite")
    plans = []
    for ends in ((0.0, 0.0), (None, None)):
        mains = make.mains().assign(invert_start_m=ends[0], invert_end_m=ends[1])
        done, target = attempt("--mains", make.layer(mains), *given, styles=False)
        assert done.code == 0
        plans.append(read_plan(target))
    nought, none = plans
    told = found(nought, "zero-value")
    assert len(told) == len(make.mains()) and "both inverts are 0" in told["text"].iloc[0]
    assert set(nought.stations["depth_source"]) == {"cover"}
    assert list(nought.stations["depth_m"]) == list(none.stations["depth_m"])


def test_a_flow_on_one_main_alone_and_a_carrier_that_keeps_little_are_told(
    make: Workshop, attempt: Callable[..., Any], read_plan: Callable[..., Any]
) -> None:
    mains = make.mains()
    given = mains.assign(flow_lps=[3.0] + [None] * (len(mains) - 1))
    words = ("--mains", make.layer(given), "--set", "output.styles=false")
    plan = read_plan(attempt(*words, styles=False)[1])
    (part,) = found(plan, "design-flow-in-part").itertuples()
    assert f"1 of {len(mains)} mains" in part.text
    (little,) = found(plan, "little-capacity").itertuples()
    assert f"keeps {plan.runs['capacity_ratio'].iloc[0]:.0%}" in little.text
    assert "3.0 L/s" in little.text
    ratio = float(plan.runs["capacity_ratio"].iloc[0])
    near = ("--set", f"service.least_capacity={ratio + 4e-4:.6f}", "--overwrite")
    (little,) = found(read_plan(attempt(*words, *near, styles=False)[1]), "little-capacity")["text"]
    kept, asked = re.search(r"keeps (\S+)% of .* below the (\S+)% asked", little).groups()
    assert float(kept) < float(asked)
    assert float(kept) == pytest.approx(100 * ratio, abs=0.06)
    whole = mains.assign(flow_lps=300.0)
    words = ("--mains", make.layer(whole), "--set", "output.styles=false", "--overwrite")
    plan = read_plan(attempt(*words, styles=False)[1])
    assert found(plan, "design-flow-in-part").empty
    assert found(plan, "little-capacity").empty


@pytest.mark.parametrize("tool", [geotools.plan, geotools.screen])
@pytest.mark.parametrize(("east", "crosses"), [(0.0, True), (2000.0, False)])
@pytest.mark.parametrize("degrees", [True, False])
def test_what_is_written_across_the_date_line_is_told_in_degrees(
    tool: Callable[..., Any], east: float, crosses: bool, degrees: bool
) -> None:
    """The date line lies at an easting of 819.45 km there, in zone 60 at 17 S."""
    line = shapely.LineString([(819_350.0 + east, 8_118_000.0), (819_550.0 + east, 8_118_000.0)])
    frame = gpd.GeoDataFrame({"main_id": ["A"], "diameter_mm": [400.0]}, geometry=[line], crs=32760)
    layers = tool(mains=frame.to_crs(4326) if degrees else frame).layers
    told = layers["findings"].query("rule == 'across-date-line'")
    assert len(told) == (crosses and degrees)
    for text in told["text"]:
        names = text.split(" crossed in ")[1].split(":")[0].split(", ")
        bounds = {name: rows.bounds for name, rows in layers.items() if "geometry" in rows}
        wide = {name for name, b in bounds.items() if (b["maxx"] - b["minx"] > 180.0).any()}
        assert set(names) == wide - {"findings"}
        assert "give them in EPSG:32" in text
