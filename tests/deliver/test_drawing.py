"""The drawing read back: places, levels, units, attributes, and what a print in grey shows."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import ezdxf
import ezdxf.tools.text
import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
import shapely.affinity
from ezdxf import colors
from shapely import ops

import geotools
from geotools.brief import load_brief
from geotools.cli import main
from geotools.deliver.cad.labels import Labels
from geotools.deliver.cad.lines import with_levels
from geotools.deliver.cad.notes import _words
from geotools.deliver.cad.place import drawing_place
from geotools.deliver.cad.standard import BLOCKS, LAYERS, LINETYPES, plain
from geotools.deliver.drawing import Drawn
from geotools.deliver.geopackage import write_geopackage
from geotools.deliver.tables import settings_table
from geotools.errors import LayerError
from geotools.intake.crs import WorkingCRS
from geotools.schema import OUTPUTS

from .conftest import rows_of

METRIC, US_FEET, DEGREES = pyproj.CRS(26917), pyproj.CRS(2246), pyproj.CRS(4326)
_TMERC = "+proj=tmerc +lat_0=36 +lon_0=-81.5 +x_0=500000 +y_0=4000000 +ellps=GRS80"
LOCAL = pyproj.CRS(pyproj.CRS(_TMERC).to_wkt().replace("unknown", "Saltgrove grid", 1))
TURNED = pyproj.CRS(5513)  # x counts south, y west
SURVEY_FOOT = 1200 / 3937
ORIGIN = {
    METRIC: (500_000.123456789, 4_000_000.987654321),
    US_FEET: (1_250_000.123456789, 250_000.987654321),
    DEGREES: (-81.0, 36.0),
    TURNED: (1_040_000.0, 740_000.0),
}
NASTY = 'Älter %%d "St." ^J \\P \\U+0041 %%%%'


def axis(crs: pyproj.CRS) -> np.ndarray:
    """A run with a corner, 300 m east and 100 m north in any CRS in metres."""
    unit = {METRIC: 1.0, TURNED: 1.0, US_FEET: SURVEY_FOOT, DEGREES: 100_000.0}[crs]
    return np.array(ORIGIN[crs]) + np.array([[0, 0], [300, 0], [300, 100]]) / unit


def plan_tables(crs: pyproj.CRS) -> dict[str, Any]:
    """Every layer that is drawn, with a row or two."""
    xy = axis(crs)
    level = np.array([95.0, 94.0, 93.5])
    line = shapely.LineString(np.column_stack([xy, level]))
    first, last = (shapely.Point(*xy[k]) for k in (0, -1))
    corner = shapely.Point(*xy[1])
    box = shapely.box(*(xy[0] - 1e-5), *(xy[0] + 1e-5 * np.array([6, 2])))
    stations = [
        {"run_id": "R1", "chainage": at, "axis_z": z, "geometry": corner}
        for at, z in ((0.0, 95.0), (150.0, 94.5), (300.0, 94.0), (400.0, 93.5))
    ]
    pit = {"run_id": "R1", "depth": 2.5, "depth_source": "assumed", "dig_depth": 2.65,
           "deepest": 2.9, "length": 6.0, "width": 1.35, "street_name": NASTY}  # fmt: skip
    ramp = {"ramp_ahead": 6.25, "drop_ahead": 2.5, "host_slope_ahead": 0.01,
            "rest_slope_ahead": -0.005}  # fmt: skip
    rows: dict[str, list[dict[str, Any]]] = {
        "runs": [
            {
                "run_id": "R1",
                "status": "planned",
                "length": 400.0,
                "geometry": shapely.LineString(xy),
            }
        ],
        "stations": stations,
        "bends": [
            {"bend_id": "R1-B1", "run_id": "R1", "chainage": 300.0, "deflection": np.pi / 2,
             "kind": "fitting", "passes": False, "geometry": corner}
        ],
        "pits": [
            {**pit, **ramp, "pit_id": "R1-P1", "role": "insertion_ahead", "geometry": first,
             "ground_z": 97.0, "axis_z": 95.0, "bottom_z": 94.35, "behind_grid_deg": 30.0,
             "ahead_grid_deg": 30.0},
            {**pit, "pit_id": "R1-P2", "role": "receiving", "chainage": 400.0,
             "geometry": last},
        ],
        "pit_footprints": [{"pit_id": "R1-P1", "run_id": "R1", "geometry": box}],
        "pulls": [
            {"pull_id": "R1-L1", "run_id": "R1", "length": 400.0, "direction": "ahead",
             "head_force": 20e3, "allowable": 50e3, "geometry": line}
        ],
        "strings": [{"string_id": "R1-L1-S1", "geometry": box}],
        "closures": [{"closure_id": "R1-P1-T1", "geometry": box}],
        "local_digs": [
            {"dig_id": f"R1-D{n}", "run_id": "R1", "kind": kind, "spared": n == 0,
             "geometry": shapely.LineString(xy).interpolate(0.2 * (n + 1), normalized=True)}
            for n, kind in enumerate(("connection", "lateral", "valve"))
        ],
        "shutdowns": [{"run_id": "R1", "geometry": shapely.MultiPoint([first, last])}],
    }  # fmt: skip
    return {
        name: rows_of(OUTPUTS[name], *values).set_crs(crs, allow_override=True)
        for name, values in rows.items()
    }


def write(folder: Path, crs: pyproj.CRS, tables: dict[str, Any], units: str = "si") -> Path:
    brief = load_brief(overrides={"output.units": units})
    path = folder / "plan.gpkg"
    pulls = tables["pulls"]  # their levels are given in metres, and in the file as x and y are
    up = (1.0, 1.0, SURVEY_FOOT if crs == US_FEET else 1.0)
    lines = shapely.transform(pulls.geometry.to_numpy(), lambda p: p / up, include_z=True)
    tables = {
        **tables,
        "pulls": pulls.set_geometry(gpd.GeoSeries(lines, pulls.index, crs=pulls.crs)),
        "settings": settings_table(brief, units),
    }
    write_geopackage(path, tables, crs=crs, units=units, overwrite=True)  # type: ignore[arg-type]
    return path


def run(*arguments: str | Path) -> int:
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    return int(left.value.code or 0)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Any]:
    """Draw the plan in a CRS, and read the drawing back; each once."""
    made: dict[Any, Any] = {}

    def draw(crs: pyproj.CRS, *, units: str = "si", scale: float = 500.0) -> Any:
        key = (crs.to_epsg(), units, scale)
        if key not in made:
            folder = tmp_path_factory.mktemp("drawing")
            target = folder / "plan.dxf"
            plan = write(folder, crs, plan_tables(crs), units)
            assert run("drawing", plan, "-o", target, "--scale", str(scale)) == 0
            made[key] = ezdxf.readfile(target)
        return made[key]

    return draw


@pytest.fixture(params=[METRIC, US_FEET, DEGREES], ids=["metric", "survey feet", "degrees"])
def everywhere(request: pytest.FixtureRequest, drawn: Callable[..., Any]) -> Any:
    return drawn(request.param)


def test_an_audit_finds_nothing(everywhere: Any) -> None:
    audit = everywhere.audit()
    assert audit.errors == []
    assert audit.fixes == []


def test_all_layers_are_those_of_the_standard_and_described(everywhere: Any) -> None:
    used = {entity.dxf.layer for entity in everywhere.modelspace()}
    assert used <= set(LAYERS)
    assert used >= {layer for layer in LAYERS if not layer.startswith("LIN-REF")} - {
        "LIN-HOST-UNPLANNED",
        "LIN-TEXT",
    }
    for layer in LAYERS.values():
        entry = everywhere.layers.get(layer.name)
        assert entry.description == layer.text
        assert (entry.color, entry.dxf.lineweight) == (layer.colour, layer.width)


def blocks(doc: Any, name: str) -> list[Any]:
    return list(doc.modelspace().query(f"INSERT[name=='{name}']"))


@pytest.mark.parametrize("crs", [METRIC, US_FEET], ids=["metric", "survey feet"])
def test_pits_lie_to_the_last_digit_where_the_plan_has_them(drawn: Any, crs: Any) -> None:
    doc = drawn(crs)
    (first,) = blocks(doc, "LIN_PIT_INSERTION")
    (last,) = blocks(doc, "LIN_PIT_RECEIVING")
    assert tuple(first.dxf.insert)[:2] == tuple(axis(crs)[0])
    assert tuple(last.dxf.insert)[:2] == tuple(axis(crs)[-1])


def test_a_plan_in_degrees_is_drawn_in_the_local_utm_zone(
    drawn: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (first,) = blocks(drawn(DEGREES), "LIN_PIT_INSERTION")
    move = pyproj.Transformer.from_crs(4326, 32617, always_xy=True)
    assert tuple(first.dxf.insert)[:2] == pytest.approx(move.transform(-81.0, 36.0), abs=1e-6)
    plan = write(tmp_path, DEGREES, plan_tables(DEGREES))
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    told = capsys.readouterr().out
    assert "EPSG:32617" in told
    assert "degrees" in told


def test_a_plan_in_a_crs_with_axes_south_and_west_is_drawn_north_up(
    drawn: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Signs and order of its coordinates are all that differs in Krovak East North."""
    (first,), (last,) = (
        blocks(drawn(TURNED), f"LIN_PIT_{role}") for role in ("INSERTION", "RECEIVING")
    )
    for pit, (south, west) in zip((first, last), axis(TURNED)[[0, -1]], strict=True):
        assert tuple(pit.dxf.insert)[:2] == pytest.approx((-west, -south), abs=1e-6)
    assert last.dxf.insert.y < first.dxf.insert.y  # 300 m to the south
    plan = write(tmp_path, TURNED, plan_tables(TURNED))
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    assert "EPSG:5514" in capsys.readouterr().out


def test_pulls_and_host_are_3d_in_the_unit_of_the_drawing(drawn: Any) -> None:
    for crs, unit in ((METRIC, 1.0), (US_FEET, SURVEY_FOOT)):
        space = drawn(crs).modelspace()
        for layer in ("LIN-PULL", "LIN-HOST"):
            (line,) = space.query(f"POLYLINE[layer=='{layer}']")
            assert line.is_3d_polyline
            points = np.array([tuple(v.dxf.location) for v in line.vertices])
            assert points[[0, -1], :2].tolist() == axis(crs)[[0, -1]].tolist()
            assert points[[0, -1], 2] == pytest.approx(np.array([95.0, 93.5]) / unit, abs=1e-9)
            assert axis(crs)[1] == pytest.approx(points[-2, :2], abs=1e-6)


def test_the_host_has_the_levels_of_its_stations_and_the_vertices_of_the_run() -> None:
    xy = np.array([[0.0, 0.0], [300.0, 0.0], [300.0, 100.0]])
    made = with_levels(xy, 400.0, np.array([0.0, 100.0, 400.0]), np.array([10.0, 9.0, 6.0]))
    assert made.tolist() == [[0, 0, 10], [100, 0, 9], [300, 0, 7], [300, 100, 6]]


def test_a_host_whose_levels_are_unknown_is_drawn_flat_and_that_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tables = plan_tables(METRIC)
    tables["stations"].loc[2, "axis_z"] = np.nan
    plan = write(tmp_path, METRIC, tables)
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    assert "1 lines drawn flat" in capsys.readouterr().out
    space = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
    (known,) = space.query("POLYLINE[layer=='LIN-HOST']")
    assert [v.dxf.location.z for v in known.vertices] == [95.0, 94.5]
    x, y = axis(METRIC)[:, 0], axis(METRIC)[:, 1]
    flat = [e for e in space.query("LWPOLYLINE[layer=='LIN-HOST']") if e[0][1] >= y[0]]
    assert [list(e.get_points("xy")) for e in flat] == [
        [(pytest.approx(x[0] + 150.0), y[0]), (x[1], y[1]), (x[2], y[2])]
    ]


def leveled(space: Any, layer: str) -> shapely.MultiLineString:
    """Return the 3-D polylines of a layer."""
    lines = space.query(f"POLYLINE[layer=='{layer}']")
    return shapely.MultiLineString([[v.dxf.location for v in line.vertices] for line in lines])


@pytest.mark.parametrize("crs", [METRIC, US_FEET])
@pytest.mark.parametrize(
    ("second", "levels", "host"),
    [
        # known up to 150 m and filled from there, on both pulls and in the pit between them
        ("filled", (94.5, 94.5, 94.5), [95.0, 94.5, 94.5]),
        ("filled", (93.0, 93.0, 93.0), [95.0, 94.5, 94.5, 93.0, 93.0]),
        ("none", (0.0, 0.0, 0.0), [95.0, 94.5, 94.5]),
    ],
)
def test_the_host_lies_at_the_level_of_the_pull_in_it_where_that_is_filled_in(
    second: str, levels: tuple[float, ...], host: list[float], crs: Any, tmp_path: Path
) -> None:
    tables, xy = plan_tables(crs), axis(crs)
    tables["stations"].loc[[2, 3], "axis_z"] = np.nan
    line = shapely.LineString(xy)
    unit = line.length / 400.0
    near = shapely.get_coordinates(ops.substring(line, 0.0, 200.0 * unit))
    far = shapely.get_coordinates(ops.substring(line, 210.0 * unit, 400.0 * unit))
    near = np.vstack([near[:1], [line.interpolate(150.0 * unit).coords[0]], near[1:]])
    pull = {"run_id": "R1", "direction": "ahead", "head_force": 20e3, "allowable": 50e3}
    tables["pulls"] = rows_of(
        OUTPUTS["pulls"],
        {**pull, "pull_id": "R1-L1", "start": 0.0, "end": 200.0, "length": 200.0,
         "z_source": "filled",
         "geometry": shapely.LineString(np.column_stack([near, [95.0, 94.5, 94.5]]))},
        {**pull, "pull_id": "R1-L2", "start": 210.0, "end": 400.0, "length": 190.0,
         "z_source": second, "geometry": shapely.LineString(np.column_stack([far, levels]))},
    ).set_crs(crs, allow_override=True)  # fmt: skip
    plan = write(tmp_path, crs, tables)
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    space = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
    drawn, pulls = leveled(space, "LIN-HOST"), leveled(space, "LIN-PULL")
    metre = 1.0 if crs == METRIC else SURVEY_FOOT
    z = shapely.get_coordinates(drawn, include_z=True)[:, 2] * metre
    assert [value for value, _ in itertools.groupby(np.round(z, 6))] == [
        value for value, _ in itertools.groupby(host)
    ]
    flat = [e for e in space.query("LWPOLYLINE[layer=='LIN-HOST']") if e[0][1] >= xy[0][1]]
    assert len(flat) == (second == "none")  # as the pull there
    # every vertex of a pull lies on the host, in x, y and z
    for x, y, level in shapely.get_coordinates(pulls, include_z=True):
        there = [
            a + (b - a) * share
            for part in drawn.geoms
            for (ax, ay, a), (bx, by, b) in itertools.pairwise(part.coords)
            for piece in [shapely.LineString([(ax, ay), (bx, by)])]
            if piece.distance(shapely.Point(x, y)) < 1e-6
            for share in [piece.project(shapely.Point(x, y), normalized=True)]
        ]
        assert there and there == pytest.approx([level] * len(there), abs=1e-9)


def test_units_and_crs_are_written_into_the_drawing(drawn: Any) -> None:
    for crs, code, unit in ((METRIC, 6, 1.0), (US_FEET, 21, SURVEY_FOOT)):
        doc = drawn(crs)
        assert doc.header["$INSUNITS"] == code
        data = doc.modelspace().get_geodata()
        assert data.get_crs() == (crs.to_epsg(), True)
        assert data.dxf.horizontal_unit_scale == pytest.approx(unit, rel=1e-12)
        assert data.dxf.design_point == data.dxf.reference_point
        properties = dict(doc.header.custom_vars)
        assert properties["CRS"] == f"EPSG:{crs.to_epsg()}"
        assert pyproj.CRS(properties["CRS_WKT"]) == crs
    transformation, epsg = drawn(METRIC).modelspace().get_geodata().get_crs_transformation()
    assert epsg == METRIC.to_epsg()
    here = (*axis(METRIC)[1], 0.0)
    assert tuple(transformation.transform(here)) == pytest.approx(here, abs=1e-6)


def test_a_crs_without_a_code_is_written_in_full(tmp_path: Path) -> None:
    own = pyproj.CRS(
        "+proj=tmerc +lat_0=36 +lon_0=-81 +x_0=500000.2 +y_0=4000000 +ellps=GRS80 +units=m"
    )
    tables = {n: t.set_crs(own, allow_override=True) for n, t in plan_tables(METRIC).items()}
    plan = write(tmp_path, own, tables)
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    doc = ezdxf.readfile(tmp_path / "plan.dxf")
    assert doc.audit().errors == []
    assert doc.modelspace().get_geodata() is None
    assert pyproj.CRS(dict(doc.header.custom_vars)["CRS_WKT"]).equals(own)


@pytest.mark.parametrize(
    ("crs", "unit", "scale"), [(METRIC, 1.0, 2000.0), (US_FEET, SURVEY_FOOT, 500.0)]
)
def test_lettering_has_its_height_on_paper(drawn: Any, crs: Any, unit: float, scale: float) -> None:
    space = drawn(crs, scale=scale).modelspace()
    heights = {round(e.dxf.height * unit / scale * 1000, 9) for e in space.query("TEXT")}
    heights |= {
        round(a.dxf.height * unit / scale * 1000, 9)
        for e in space.query("INSERT")
        for a in e.attribs
    }
    assert heights == {1.8, 5.0}


def test_blocks_carry_the_attributes_of_the_plan(drawn: Any) -> None:
    doc = drawn(METRIC)
    (pit,) = blocks(doc, "LIN_PIT_INSERTION")
    values = {a.dxf.tag: a.dxf.text for a in pit.attribs}
    assert values["PIT_ID"] == "R1-P1"
    assert values["ROLE"] == "insertion ahead"
    assert values["DEPTH"] == "invert 2.50 m deep, assumed"
    assert (values["DIG_DEPTH"], values["WIDTH"]) == ("dug 2.65 to 2.90 m", "1.35 m")
    assert values["DEPTH_SOURCE"] == "assumed"
    ramp = "6.25 m, drop 2.50 m, host +1.00 %, pipe rests -0.50 %"
    assert (values["RAMP_AHEAD"], values["RAMP_BEHIND"]) == (ramp, "")
    assert {a.dxf.tag for a in pit.attribs if not a.is_invisible} == {
        "PIT_ID", "ROLE", "CHAINAGE", "DEPTH", "DIG_DEPTH",
    }  # fmt: skip
    (bend,) = blocks(doc, "LIN_BEND_STOP")
    values = {a.dxf.tag: a.dxf.text for a in bend.attribs}
    assert (values["KIND"], values["ANGLE"], values["PASSES"]) == ("fitting", "90°", "no")
    for block in BLOCKS.values():
        defined = {e.dxf.tag for e in doc.blocks.get(block.name).query("ATTDEF")}
        assert defined == set(block.tags), block.name
    assert len(blocks(doc, "LIN_DIG_LATERAL")) == 1
    (spared,) = blocks(doc, "LIN_DIG_CONNECTION")
    assert spared.dxf.layer == "LIN-DIG-SPARED"


@pytest.mark.parametrize(
    ("crs", "unit"), [(METRIC, 1.0), (US_FEET, SURVEY_FOOT)], ids=["metric", "survey feet"]
)
def test_pits_and_their_ground_lie_at_the_level_of_the_ground_or_at_0_where_it_is_not_known(
    drawn: Any, crs: Any, unit: float
) -> None:
    doc = drawn(crs)
    (first,) = blocks(doc, "LIN_PIT_INSERTION")
    (last,) = blocks(doc, "LIN_PIT_RECEIVING")
    ground = 97.0 / unit
    assert first.dxf.insert.z == pytest.approx(ground, rel=1e-12)
    assert {a.dxf.insert.z for a in first.attribs} == {first.dxf.insert.z}
    assert last.dxf.insert.z == 0.0 and last.get_attrib_text("GROUND_Z") == ""
    (area,) = (e for e in doc.modelspace().query("LWPOLYLINE[layer=='LIN-PIT-AREA']") if e.closed)
    (hatch,) = doc.modelspace().query("HATCH[layer=='LIN-PIT-AREA']")
    assert area.dxf.elevation == hatch.dxf.elevation.z == pytest.approx(ground, rel=1e-12)
    told = [first.get_attrib_text(tag) for tag in ("GROUND_Z", "AXIS_Z", "BOTTOM_Z")]
    assert told == ["97.00 m", "95.00 m", "94.35 m"]


def test_a_pit_of_insertion_is_turned_the_way_its_string_goes_in(
    drawn: Any, tmp_path: Path
) -> None:
    (first,) = blocks(drawn(METRIC), "LIN_PIT_INSERTION")
    assert first.dxf.rotation == pytest.approx(60.0)  # 30 degrees from north, clockwise
    assert first.get_attrib_text("GRID_BEARING") == "run ahead 30.0° from grid north"
    tables = plan_tables(METRIC)
    tables["pits"].loc[0, ["role", "behind_grid_deg"]] = ["insertion_behind", 50.0]
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    (back,) = blocks(ezdxf.readfile(tmp_path / "plan.dxf"), "LIN_PIT_INSERTION")
    assert back.dxf.rotation == pytest.approx(220.0)  # the run turns in the pit
    assert back.get_attrib_text("GRID_BEARING") == ("run behind 50.0°, ahead 30.0° from grid north")
    (last,) = blocks(drawn(METRIC), "LIN_PIT_RECEIVING")
    assert last.dxf.rotation == 0.0


def test_us_units_of_the_plan_show_in_the_texts(drawn: Any) -> None:
    doc = drawn(METRIC, units="us")
    (pit,) = blocks(doc, "LIN_PIT_RECEIVING")
    assert pit.get_attrib_text("CHAINAGE") == "at 13+12.3"  # as on the sheets
    (bend,) = blocks(doc, "LIN_BEND_STOP")
    assert bend.get_attrib_text("CHAINAGE") == "9+84.3"
    marks = {e.dxf.text for e in doc.modelspace().query("TEXT[layer=='LIN-CHAINAGE']")}
    assert marks and marks <= {f"{k}+00" for k in range(1, 14)}
    texts = {e.dxf.text for e in doc.modelspace().query("TEXT[layer=='LIN-PULL-TEXT']")}
    assert texts == {"R1-L1  1,312.3 ft  4,496 of 11,240 lbf"}
    (line,) = doc.modelspace().query("POLYLINE[layer=='LIN-PULL']")
    # levels of lines are metres here in the file and in the drawing, as x and y
    assert line.vertices[0].dxf.location.z == pytest.approx(95.0, abs=1e-9)


def test_a_pull_governed_by_a_bend_says_where_and_what_is_allowed_there(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    tables["pulls"] = tables["pulls"].assign(
        governed_by="bend", governing_chainage=299.0, governing_force=17e3, governing_limit=18e3
    )
    out = tmp_path / "plan.dxf"
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", out) == 0
    (text,) = ezdxf.readfile(out).modelspace().query("TEXT[layer=='LIN-PULL-TEXT']")
    assert text.dxf.text == (
        "R1-L1  400.0 m  20.0 of 50.0 kN at the head, 17.0 of 18.0 kN in the bend at 0+299.0, "
        "stop at 21.1 kN at the head at the end"
    )


def test_codes_in_texts_of_the_plan_stay_text(drawn: Any) -> None:
    (pit,) = blocks(drawn(METRIC), "LIN_PIT_INSERTION")
    read = pit.get_attrib("STREET")
    shown = ezdxf.tools.text.plain_text(read.dxf.text)
    assert shown == NASTY.replace("%%%%", "% % % %").replace("%%", "% %").replace("\\U+", "\\ U+")


@pytest.mark.parametrize("text", ["a\nb\tc", "%%%%u", "x^", "\x00\x1b", "%<\\AcVar x>%"])
def test_a_text_is_one_line_without_codes(text: str) -> None:
    made = plain(text)
    assert "%%" not in made and "%<" not in made
    assert made.isprintable()


def test_a_text_longer_than_a_drawing_takes_ends_in_dots() -> None:
    # DXF reference, group codes 0 to 9: 2,049 bytes (from memory; confirm against the reference)
    made = plain("\N{CJK UNIFIED IDEOGRAPH-6C34}" * 3_000)
    assert made.endswith("...") and 500 < len(made) < 2_049 and len(made.encode()) < 2_049


def test_a_footprint_is_hatched_inside_its_outline(drawn: Any) -> None:
    space = drawn(METRIC).modelspace()
    (hatch,) = space.query("HATCH[layer=='LIN-PIT-AREA']")
    ring = [tuple(v)[:2] for v in hatch.paths[0].vertices]
    due = plan_tables(METRIC)["pit_footprints"].geometry.iloc[0]
    assert shapely.Polygon(ring).equals(due)
    outlines = [e for e in space.query("LWPOLYLINE[layer=='LIN-PIT-AREA']") if e.closed]
    assert [shapely.Polygon(e.get_points("xy")).equals(due) for e in outlines] == [True]


def test_an_arrow_points_the_way_of_the_pull(tmp_path: Path) -> None:
    turned = {}
    for way in ("ahead", "behind"):
        tables = plan_tables(METRIC)
        tables["pulls"]["direction"] = way
        plan = write(tmp_path, METRIC, tables)
        assert run("drawing", plan, "-o", tmp_path / "plan.dxf", "--overwrite") == 0
        space = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
        arrow = next(iter(space.query("INSERT[name=='LIN_ARROW']")))
        turned[way] = arrow.dxf.rotation % 360.0
    assert turned == {"ahead": pytest.approx(0.0, abs=1e-6), "behind": pytest.approx(180.0)}


def test_the_cautions_stand_on_the_drawing(everywhere: Any) -> None:
    words = " ".join(e.dxf.text for e in everywhere.modelspace().query("TEXT"))
    assert "planning values only" in words
    assert "competent" in words
    assert "1:500" in words


def test_the_scale_is_written_as_on_the_sheets(
    drawn: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for units, scale, told in (("us", 480.0, "1 in = 40 ft"), ("us", 500.0, "1:500")):
        doc = drawn(METRIC, units=units, scale=scale)
        words = " ".join(e.dxf.text for e in doc.modelspace().query("TEXT[layer=='LIN-NOTE']"))
        assert f"print at {told}." in words
    plan = write(tmp_path, METRIC, plan_tables(METRIC), "us")
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf", "--scale", "480") == 0
    assert "layers, for 1 in = 40 ft" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("crs", "told"),
    [
        (METRIC, "Coordinates: EPSG:26917 (NAD83 / UTM zone 17N); "),
        (LOCAL, "Coordinates: Saltgrove grid; "),
    ],
)
def test_a_crs_is_named_once_where_it_has_no_code(crs: pyproj.CRS, told: str) -> None:
    place = drawing_place(crs, np.array([[500_000.0, 4_000_000.0]]), lambda: WorkingCRS(crs, ""))
    made = Drawn(ezdxf.new(), place, "si", 500.0)
    assert any(words.startswith(told) for words in _words(made, "plan.gpkg"))


def test_the_same_plan_gives_the_same_file(tmp_path: Path) -> None:
    plan = write(tmp_path, METRIC, plan_tables(METRIC))
    files = [tmp_path / f"{seed}.dxf" for seed in range(3)]
    for seed, file in enumerate(files):  # the order of a set of texts hangs on the seed
        command = [sys.executable, "-m", "geotools", "drawing", str(plan), "-o", str(file)]
        subprocess.run(command, check=True, env={**os.environ, "PYTHONHASHSEED": str(seed)})
    first, *others = (file.read_bytes() for file in files)
    assert all(other == first for other in others)


def test_an_existing_drawing_is_kept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = write(tmp_path, METRIC, plan_tables(METRIC))
    target = tmp_path / "plan.dxf"
    target.write_text("of last week")
    assert run("drawing", plan, "-o", target) == 2
    assert "--overwrite" in capsys.readouterr().err
    assert target.read_text() == "of last week"
    assert run("drawing", plan, "-o", target, "--overwrite") == 0
    assert ezdxf.readfile(target).audit().errors == []
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan.dxf", "plan.gpkg"]


@pytest.mark.parametrize("scale", ["0", "-5", "nan", "1e9"])
def test_a_scale_that_is_none_is_refused(
    tmp_path: Path, scale: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("drawing", tmp_path / "plan.gpkg", "-o", "plan.dxf", "--scale", scale) == 2
    assert "scale" in capsys.readouterr().err


def test_a_plan_without_pits_or_stations_is_drawn(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    bare = {name: tables[name].iloc[:0] for name in ("pits", "pulls")}
    plan = write(tmp_path, METRIC, {"runs": tables["runs"], **bare})
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    empty = write(tmp_path, METRIC, {"runs": tables["runs"].iloc[:0], **bare})
    assert run("drawing", empty, "-o", tmp_path / "empty.dxf") == 0
    assert ezdxf.readfile(tmp_path / "empty.dxf").audit().errors == []


def test_what_lies_around_is_drawn_if_the_plan_has_it(tmp_path: Path) -> None:
    x, y = ORIGIN[METRIC]
    street = shapely.LineString([(x, y - 8), (x + 300, y - 8)])
    shapes = {
        "mains": street,
        "streets": street,
        "avoid": shapely.box(x, y, x + 5, y + 5),
        "laterals": shapely.MultiLineString([[(x, y), (x, y + 9)]]),
        "fittings": shapely.Point(x + 10, y),
        "valves": shapely.MultiPoint([(x + 20, y)]),
        "hydrants": shapely.Point(x + 30, y),
    }
    buffer = {"avoid": 2.0}
    same = {"feature": "1", "kind": "tee", "name": "Mill Lane", "width": 10.0, "angle": np.pi / 8}
    rows = [{**same, "layer": name, "geometry": shape, "buffer": buffer.get(name, np.nan)}
            for name, shape in shapes.items()]  # fmt: skip
    vault, tap = shapely.Point(x + 60, y), shapely.Point(x + 70, y)
    rows += [
        {**same, "layer": "avoid", "kind": "gas regulator", "buffer": 10.0, "geometry": vault},
        {**same, "layer": "laterals", "feature": "S7", "kind": "", "geometry": tap},
    ]
    context = rows_of(OUTPUTS["context"], *rows)
    plan = write(tmp_path, METRIC, {**plan_tables(METRIC), "context": context})
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    doc = ezdxf.readfile(tmp_path / "plan.dxf")
    assert doc.audit().errors == []
    space = doc.modelspace()
    assert {e.dxf.layer for e in space} >= {n for n in LAYERS if n.startswith("LIN-REF")}
    (kerb,) = space.query("LWPOLYLINE[layer=='LIN-REF-KERB']")
    assert shapely.Polygon(kerb.get_points("xy")).area == pytest.approx(300.0 * 10.0, rel=1e-6)
    (fitting,) = blocks(doc, "LIN_FITTING")
    assert fitting.get_attrib_text("KIND") == "tee"
    assert fitting.get_attrib_text("ANGLE") == "22.5°"
    assert tuple(fitting.dxf.insert)[:2] == (x + 10, y)
    texts = [e.dxf.text for e in space.query("TEXT[layer=='LIN-REF-TEXT']")]
    assert texts == ["Mill Lane"]
    (point,), (service,) = blocks(doc, "LIN_AVOID"), blocks(doc, "LIN_LATERAL")
    assert point.get_attrib_text("KIND") == "gas regulator"
    assert tuple(point.dxf.insert)[:2] == (x + 60, y)
    assert service.get_attrib_text("FEATURE") == "S7"
    around = [
        shapely.Polygon(e.get_points("xy"))
        for e in space.query("LWPOLYLINE[layer=='LIN-REF-AVOID']")
        if len(e) > 4
    ]
    reach = sorted(area.exterior.distance(vault) for area in around)[0]
    assert reach == pytest.approx(10.0, rel=0.01)  # arcs of the buffer are drawn by their chords


def test_the_name_of_a_bent_closure_stands_at_it(tmp_path: Path) -> None:
    x, y = ORIGIN[METRIC]
    turn = np.linspace(0, np.pi, 40)
    arc = shapely.LineString(np.column_stack([x + 80 * np.cos(turn), y + 80 * np.sin(turn)]))
    tables = plan_tables(METRIC)
    closure = arc.buffer(3.5, cap_style="flat")
    tables["closures"] = tables["closures"].set_geometry([closure], crs=METRIC)
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    space = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
    (name,) = space.query("TEXT[layer=='LIN-CLOSURE-TEXT']")
    at = shapely.Point(name.dxf.align_point.x, name.dxf.align_point.y)
    # 1.2 mm off the edge and the height of its letters, at 1:500
    assert closure.distance(at) < 2.0


def test_the_title_lies_below_the_lowest_lettering(tmp_path: Path) -> None:
    plan = write(tmp_path, METRIC, plan_tables(METRIC))
    assert run("drawing", plan, "-o", tmp_path / "plan.dxf") == 0
    space = ezdxf.readfile(tmp_path / "plan.dxf").modelspace()
    notes = [e for e in space.query("TEXT MTEXT") if e.dxf.layer == "LIN-NOTE"]
    assert notes
    pits = [block for block in space.query("INSERT") if block.dxf.name.startswith("LIN_PIT")]
    words = [a for block in pits for a in block.attribs if a.dxf.text and not a.is_invisible]
    lowest = min(a.dxf.insert[1] for a in words)
    assert max(e.dxf.insert[1] for e in notes) < lowest


def test_the_drawing_opens_on_all_that_is_drawn(everywhere: Any) -> None:
    space = everywhere.modelspace()
    ends = [e.dxf.insert for e in space.query("INSERT TEXT")]
    low, high = (np.array(everywhere.header[name])[:2] for name in ("$EXTMIN", "$EXTMAX"))
    (view,) = everywhere.viewports.get("*Active")
    shown = np.array(view.dxf.center)[:2] - np.outer([1, -1], [view.dxf.height / 2] * 2)
    for x, y, *_ in ends:
        assert (low <= (x, y)).all() and ((x, y) <= high).all()
        assert shown[0, 1] <= y <= shown[1, 1]


def test_what_is_on_a_layer_of_the_plan_is_of_the_plan_and_the_key_on_that_of_notes(
    drawn: Any,
) -> None:
    space = drawn(METRIC).modelspace()
    tables = plan_tables(METRIC)
    dug = tables["local_digs"][~tables["local_digs"]["spared"].astype(bool)]
    for layer, rows in (
        ("LIN-PIT", tables["pits"]),
        ("LIN-BEND", tables["bends"]),
        ("LIN-DIG", dug),
    ):
        assert len(space.query(f"INSERT[layer=='{layer}']")) == len(rows), layer
    hosts = [e for e in space.query("*[layer=='LIN-HOST']") if e.dxftype() != "TEXT"]
    long = sum(shapely.LineString([tuple(p)[:2] for p in e.points()]).length for e in hosts)
    runs = tables["runs"]
    assert long == pytest.approx(runs[runs["status"] == "planned"].length.sum(), rel=1e-6)
    looks = {(e.dxf.color, e.dxf.linetype) for e in space.query("LWPOLYLINE[layer=='LIN-NOTE']")}
    for name in ("LIN-HOST", "LIN-STRING", "LIN-CLOSURE"):
        assert (LAYERS[name].colour, LAYERS[name].linetype) in looks


def test_labels_take_the_first_place_that_is_free() -> None:
    labels = Labels()
    labels.take((0.0, 0.0, 2.0, 2.0))
    assert labels.choose([(1.0, 1.0, 3.0, 3.0), (2.0, 2.0, 4.0, 4.0)]) == 1
    # both are taken now: the one that covers less
    assert labels.choose([(0.0, 0.0, 2.0, 2.0), (3.5, 3.5, 5.0, 5.0)]) == 1
    assert not labels.free((4.5, 4.5, 6.0, 6.0))


def grey(index: int) -> float:
    """How bright a colour index prints in grey on white paper; 7 prints black."""
    rgb = (0, 0, 0) if index == 7 else colors.int2rgb(colors.DXF_DEFAULT_COLORS[index])
    return float(np.dot(rgb, (0.299, 0.587, 0.114))) / 255


def test_lines_are_told_apart_in_a_grey_print() -> None:
    lines = [layer for layer in LAYERS.values() if layer.lines]
    alike = [
        (a.name, b.name)
        for a, b in itertools.combinations(lines, 2)
        if a.linetype == b.linetype
        and abs(a.width - b.width) < 10
        and abs(grey(a.colour) - grey(b.colour)) < 0.15
    ]
    assert alike == []
    assert all(grey(layer.colour) < 0.8 for layer in LAYERS.values()), "too pale for paper"
    assert {layer.linetype for layer in LAYERS.values()} <= {*LINETYPES, "CONTINUOUS"}


def test_the_drawing_can_be_rendered_and_shows_ink_at_every_pit(drawn: Any) -> None:
    import matplotlib.pyplot as plt
    from ezdxf.addons.drawing import Frontend, RenderContext
    from ezdxf.addons.drawing.config import BackgroundPolicy, Configuration
    from ezdxf.addons.drawing.matplotlib import MatplotlibBackend

    doc = drawn(METRIC)
    figure = plt.figure(figsize=(4, 4), dpi=40)
    axes = figure.add_axes((0, 0, 1, 1))
    config = Configuration(background_policy=BackgroundPolicy.WHITE)
    Frontend(RenderContext(doc), MatplotlibBackend(axes), config=config).draw_layout(
        doc.modelspace(), filter_func=lambda entity: entity.dxf.layer != "LIN-NOTE"
    )
    axes.set_aspect("equal", adjustable="box")
    inked = []
    for x, y in (*axis(METRIC)[[0, -1]], axis(METRIC)[0] + [100.0, 60.0]):
        axes.set(xlim=(x - 2, x + 2), ylim=(y - 2, y + 2))
        figure.canvas.draw()
        pixels = np.asarray(figure.canvas.buffer_rgba())[..., :3]  # type: ignore[attr-defined]
        inked.append(bool(((pixels[..., 0] > 200) & (pixels[..., 1:] < 90).all(axis=-1)).any()))
    plt.close(figure)
    assert inked == [True, True, False]


def test_valves_are_drawn_to_be_closed_for_work_that_is_planned_alone(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    tables["runs"] = tables["runs"].assign(status="no_plan")
    assert len(tables["shutdowns"])
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    assert not blocks(ezdxf.readfile(tmp_path / "plan.dxf"), "LIN_SHUT")


def test_only_the_runs_named_are_drawn_with_what_lies_near_them(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    for name, own in tables.items():
        other = own.set_geometry(own.geometry.translate(5000.0)).assign(run_id="R2")
        tables[name] = pd.concat([own.assign(run_id="R1"), other])
    here = shapely.Point(*axis(METRIC)[0])
    context = [
        {"layer": "valves", "feature": name, "kind": "gate", "geometry": place}
        for name, place in (("V1", here), ("V2", shapely.affinity.translate(here, 5000.0)))
    ]
    tables["context"] = rows_of(OUTPUTS["context"], *context).set_crs(METRIC, allow_override=True)
    plan = write(tmp_path, METRIC, tables)
    both, one = (
        geotools.drawing(plan, output=tmp_path / f"{k}.dxf", runs=runs)
        for k, runs in enumerate([("R1,R2",), ("R2",)])
    )
    assert (both.summary["runs"], one.summary["runs"]) == (2, 1)
    own = [name for name in both.summary["entities"] if name.startswith(("LIN-REF-VALVE", "LIN-P"))]
    assert "LIN-REF-VALVE" in own and "LIN-PIT-AREA" in own
    for name in (*own, "LIN-HOST", "LIN-SHUT", "LIN-STRING", "LIN-CLOSURE"):
        assert 2 * one.summary["entities"][name] == both.summary["entities"][name], name
    doc = ezdxf.readfile(tmp_path / "1.dxf")
    assert {b.get_attrib_text("FEATURE") for b in blocks(doc, "LIN_VALVE")} == {"V2"}
    with pytest.raises(LayerError, match="has no run R9; it has R1, R2"):
        geotools.drawing(plan, runs=("R9",))


def test_a_valve_to_close_is_one_block_for_all_its_runs(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    first, last = (shapely.Point(*axis(METRIC)[k]) for k in (0, -1))
    runs, both = tables["runs"], [("R1", "V1,V2"), ("R2", "V2"), ("R3", "V2")]
    tables["runs"] = pd.concat([runs.assign(run_id=name) for name, _ in both])
    rows = [{"run_id": name, "valves": valves} for name, valves in both]
    shapes = [shapely.MultiPoint([first, last]), *(shapely.MultiPoint([last]) for _ in range(2))]
    shut = rows_of(OUTPUTS["shutdowns"], *rows).set_geometry(shapes)
    tables["shutdowns"] = shut.set_crs(METRIC, allow_override=True)
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    told = {
        (round(b.dxf.insert.x), round(b.dxf.insert.y)): [
            b.get_attrib_text(tag) for tag in ("VALVE", "RUN_ID", "ALL_OF_RUN")
        ]
        for b in blocks(ezdxf.readfile(tmp_path / "plan.dxf"), "LIN_SHUT")
    }
    # which of the valves of R1 lies where is not on record; those of a run that has one are
    assert told == {
        (round(first.x), round(first.y)): ["", "R1", "V1,V2"],
        (round(last.x), round(last.y)): ["V2", "R1,R2,R3", "V1,V2; V2; V2"],
    }
    assert len(blocks(ezdxf.readfile(tmp_path / "plan.dxf"), "LIN_SHUT")) == 2


@pytest.mark.parametrize(("in_order", "named"), [(True, ["V1", "V2"]), (None, ["", ""])])
def test_valves_to_close_far_from_the_runs_are_told_apart_by_the_order_of_their_names(
    in_order: bool | None, named: list[str], tmp_path: Path
) -> None:
    tables = plan_tables(METRIC)
    shut = tables["shutdowns"].assign(valves="V1,V2", valves_in_order=in_order)
    tables["shutdowns"] = shut
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    told = {
        round(b.dxf.insert.x): b.get_attrib_text("VALVE")
        for b in blocks(ezdxf.readfile(tmp_path / "plan.dxf"), "LIN_SHUT")
    }
    assert told == {round(axis(METRIC)[k][0]): name for k, name in zip((0, -1), named, strict=True)}


def test_strings_closures_and_valves_to_close_bear_their_names(tmp_path: Path) -> None:
    tables = plan_tables(METRIC)
    first, last = (shapely.Point(*axis(METRIC)[k]) for k in (0, -1))
    tables["shutdowns"] = tables["shutdowns"].assign(valves="V1,V2")
    tables["closures"] = tables["closures"].assign(first_day=0.0, last_day=4.26)
    context = rows_of(
        OUTPUTS["context"],
        {"layer": "valves", "feature": "V2", "kind": "gate", "geometry": first},
        {"layer": "valves", "feature": "V9", "kind": "gate", "geometry": last},
    )
    tables["context"] = context.set_crs(METRIC, allow_override=True)
    assert run("drawing", write(tmp_path, METRIC, tables), "-o", tmp_path / "plan.dxf") == 0
    doc = ezdxf.readfile(tmp_path / "plan.dxf")
    told = {(round(b.dxf.insert.x), b.get_attrib_text("VALVE")) for b in blocks(doc, "LIN_SHUT")}
    # a name is told where a valve of that name is on record, and of no other valve
    assert told == {(round(first.x), "V2"), (round(last.x), "")}
    assert {b.get_attrib_text("ALL_OF_RUN") for b in blocks(doc, "LIN_SHUT")} == {"V1,V2"}
    words = {
        layer: {e.dxf.text for e in doc.modelspace().query(f"TEXT[layer=='{layer}']")}
        for layer in ("LIN-STRING-TEXT", "LIN-CLOSURE-TEXT")
    }
    assert words == {
        "LIN-STRING-TEXT": {"R1-L1-S1"},
        "LIN-CLOSURE-TEXT": {"R1-P1-T1  working day 0.0 to 4.3"},
    }
