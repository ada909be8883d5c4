"""A batch gone on with: plans kept are those a batch begun anew would make, layer by layer.

Three districts: West and Middle lie side by side and share a run, Far lies six kilometres off and
is fed from Middle by a small main of its own. Its shutdown closes a valve in Middle.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from rasterio import Affine

CRS = "EPSG:32633"
X0, Y0 = 500_000.0, 5_200_000.0
CELL = 10.0  # m, of the DEM
Run = Callable[..., Any]
Frames = dict[str, gpd.GeoDataFrame]
ALL = {"West", "Middle", "Far"}


def line(*points: tuple[float, float]) -> shapely.LineString:
    return shapely.LineString([(X0 + x, Y0 + y) for x, y in points])


def point(x: float, y: float) -> shapely.Point:
    return shapely.Point(X0 + x, Y0 + y)


def box(*sides: float) -> shapely.Polygon:
    return shapely.box(X0 + sides[0], Y0 + sides[1], X0 + sides[2], Y0 + sides[3])


def frame(geometry: list[Any], **columns: Any) -> gpd.GeoDataFrame:
    table = pd.DataFrame(columns, index=range(len(geometry)))
    return gpd.GeoDataFrame(table, geometry=geometry, crs=CRS)


MAINS = {  # Far's identifier comes first: runs are numbered by it
    "A1": (400.0, line((6000, 0), (6300, 20))),
    "L1": (150.0, line((640, 10), (6000, 0))),
    "M1": (500.0, line((640, 200), (900, 210))),
    "W1": (400.0, line((0, 0), (330, 10))),
    "W2": (400.0, line((330, 10), (640, 10))),  # W1 and W2 are one run, over the border
    "W3": (400.0, line((50, 300), (300, 320))),
}


def drawn() -> Frames:
    return {
        "mains": frame(
            [shape for _, shape in MAINS.values()],
            main_id=list(MAINS),
            diameter_mm=[size for size, _ in MAINS.values()],
            material="cast iron",
            cover_m=1.4,
        ),
        "districts": frame(
            [box(-50, -50, 500, 900), box(500, -50, 1500, 900), box(5900, -50, 6400, 900)],
            name=["West", "Middle", "Far"],
        ),
        "valves": frame([point(40, 1.2), point(700, 9.9), point(650, 200.4), point(60, 300.8)]),
        "laterals": frame([point(200, 7), point(6150, 11), point(800, 207)], customers=[3, 2, 4]),
        "hydrants": frame([point(250, 8), point(6200, 13)]),
        "sources": frame([point(0, 0)]),
        "streets": frame(
            [
                line((-20, 5), (660, 15)),
                line((50, 305), (300, 325)),
                line((640, 205), (900, 215)),
                line((5980, 5), (6320, 25)),
            ],
            **{"class": "local", "lanes": 2, "width_m": 8.0},
        ),
        "avoid": frame([box(150, -1, 160, 3)], reason="tree", hard=True),
    }


def write(folder: Path, layers: Frames, settings: str = "", *, dem: str = "") -> Path:
    """Write the layers and the brief; pulls are short, so that a district sees 620 m far.

    One carrier is tried, for it is not the plans that are looked at.
    """
    carrier = "[carrier]\ntries = 1\n"
    settings = (
        settings.replace("[carrier]\n", carrier)
        if "[carrier]" in settings
        else (f"{carrier}{settings}")
    )
    file = folder / "net.gpkg"
    file.unlink(missing_ok=True)
    for name, layer in layers.items():
        layer.to_file(file, layer=name)
    sources = "\n".join(f'{name} = "net.gpkg:{name}"' for name in layers)
    brief = folder / "brief.toml"
    brief.write_text(
        f'[inputs]\n{sources}\n[inputs.dem]\nsource = ["far.tif", "dem.tif"]\n{dem}\n'
        f'[pulls]\nmax_length = "120 m"\n{settings}\n',
        encoding="utf-8",
    )
    return brief


def write_dem(folder: Path, *, raised: tuple[float, float] | None = None) -> None:
    """Write sloping ground; of what is raised west and east are given, by 2 m.

    A raster of finer cells that is named before it lies elsewhere.
    """
    x = np.arange(-1000, 7400, CELL) + CELL / 2
    level = np.repeat((50 + x / 200)[None], 260, axis=0)
    if raised is not None:
        level[:, (x > raised[0]) & (x < raised[1])] += 2.0
    profile = {
        "driver": "GTiff",
        "width": len(x),
        "height": 260,
        "count": 1,
        "dtype": "float32",
        "crs": CRS,
        "transform": Affine(CELL, 0, X0 - 1000, 0, -CELL, Y0 + 1600),
        "nodata": -9999.0,
    }
    with rasterio.open(folder / "dem.tif", "w", **profile) as dataset:
        dataset.write(level.astype("float32"), 1)
    far = Affine(1, 0, X0 + 2e4, 0, -1, Y0)
    small = profile | {"width": 9, "height": 9, "transform": far}
    with rasterio.open(folder / "far.tif", "w", **small) as dataset:
        dataset.write(np.full((9, 9), 50.0, dtype="float32"), 1)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory, command: Run) -> Path:
    """Return a folder with inputs and, in ``out``, the batch of them."""
    folder = tmp_path_factory.mktemp("begun")
    write_dem(folder)
    assert command("batch", write(folder, drawn()), "-o", folder / "out", "--quiet") == 0
    return folder


def files_of(out: Path) -> dict[str, Path]:
    content = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    return {n: out / e["file"] for n, e in content["districts"].items() if e["file"]}


def layers_of(plan: Path) -> dict[str, pd.DataFrame]:
    """Return all layers of a plan, geometries as WKB."""
    out = {}
    for name, kind in pyogrio.list_layers(plan):
        table = pyogrio.read_dataframe(plan, layer=name, read_geometry=kind is not None)
        if kind is not None:
            shapes = table.geometry.to_numpy()
            table = pd.DataFrame(table.drop(columns="geometry"))
            table["geometry"] = shapely.to_wkb(shapes)
        out[str(name)] = table
    return out


def differing(one: Path, other: Path) -> set[str]:
    """Return the layers in which two plans differ."""
    mine, theirs = layers_of(one), layers_of(other)
    assert mine.keys() == theirs.keys()
    return {name for name, table in mine.items() if not table.equals(theirs[name])}


def check(begun: Path, brief: Path, slipmain: Run, *, redone: set[str]) -> dict[str, Any]:
    """Go on with the batch; hold it to a batch begun anew, and to what is to be redone.

    Returns what the first said, and as ``altered`` the districts whose plan is another now.
    """
    out, anew = brief.parent / "out", brief.parent / "anew"
    shutil.copytree(begun / "out", out)
    call = slipmain("batch", brief, "-o", out, "--resume", "--json")
    assert call.code == 0
    assert slipmain("batch", brief, "-o", anew, "--quiet").code == 0
    resumed, fresh, old = files_of(out), files_of(anew), files_of(begun / "out")
    assert resumed.keys() == fresh.keys()
    for name, plan in fresh.items():
        assert differing(resumed[name], plan) == set(), name
    altered = {n for n, p in fresh.items() if differing(old[n], p) - {"inputs", "settings"}}
    assert altered <= redone
    told: dict[str, Any] = json.loads(call.out)
    assert {*told["planned"]} == redone
    assert {*told["kept"]} == {*fresh} - redone
    return told | {"altered": altered}


def move_a_valve(layers: Frames) -> None:
    layers["valves"].loc[0, "geometry"] = point(20, 0.6)


def change_a_diameter_at_the_border(layers: Frames) -> None:
    layers["mains"].loc[layers["mains"]["main_id"] == "W2", "diameter_mm"] = 600.0


def change_a_street(layers: Frames) -> None:
    layers["streets"].loc[1, "class"] = "arterial"


def add_a_lateral(layers: Frames) -> None:
    more = frame([point(100, 306)], customers=[5])
    layers["laterals"] = pd.concat([layers["laterals"], more], ignore_index=True)


def move_the_valve_far_away_that_shuts_far_in(layers: Frames) -> None:
    layers["valves"].loc[1, "geometry"] = point(1900, 7.6)  # out of sight of Middle, and of Far


def add_a_place_to_avoid(layers: Frames) -> None:
    more = frame([box(6100, 4, 6112, 12)], reason="tree", hard=True)
    layers["avoid"] = pd.concat([layers["avoid"], more], ignore_index=True)


def add_a_run_that_comes_first(layers: Frames) -> None:
    more = frame([line((50, 500), (250, 500))], main_id="A0", diameter_mm=400.0, cover_m=1.4)
    layers["mains"] = pd.concat([layers["mains"], more], ignore_index=True)


# What is changed, which districts are planned again and whose plan is another then. West and
# Middle see one another.
CHANGES: list[tuple[Callable[[Frames], None], set[str], set[str]]] = [
    (change_a_diameter_at_the_border, {"West", "Middle"}, {"West"}),
    (move_the_valve_far_away_that_shuts_far_in, ALL, {"West", "Far"}),
    (add_a_place_to_avoid, {"Far"}, {"Far"}),
    (add_a_run_that_comes_first, ALL, ALL),
]


@pytest.mark.parametrize(
    ("change", "redone", "altered"), CHANGES, ids=[c.__name__ for c, _, _ in CHANGES]
)
def test_every_district_whose_plan_a_change_alters_is_redone_and_those_far_away_are_kept(
    begun: Path,
    tmp_path: Path,
    slipmain: Run,
    change: Callable[[Frames], None],
    redone: set[str],
    altered: set[str],
) -> None:
    layers = drawn()
    change(layers)
    write_dem(tmp_path)
    told = check(begun, write(tmp_path, layers), slipmain, redone=redone)
    assert altered <= told["altered"]
    assert all(fate["why"] == "changed" for fate in told["planned"].values())


@pytest.mark.parametrize("change", [move_a_valve, change_a_street, add_a_lateral])
def test_a_change_in_any_layer_has_those_redone_who_see_it(
    begun: Path, tmp_path: Path, slipmain: Run, change: Callable[[Frames], None]
) -> None:
    layers, out = drawn(), tmp_path / "out"
    change(layers)
    write_dem(tmp_path)
    shutil.copytree(begun / "out", out)
    call = slipmain("batch", write(tmp_path, layers), "-o", out, "--resume", "--json")
    told, old, new = json.loads(call.out), files_of(begun / "out"), files_of(out)
    assert {*told["planned"]} == {"West", "Middle"}
    assert told["kept"] == ["Far"]
    assert differing(old["West"], new["West"]) - {"inputs", "settings"}


def test_a_district_is_told_nothing_of_rasters_that_lie_elsewhere(begun: Path) -> None:
    for plan in files_of(begun / "out").values():
        rules = set(pyogrio.read_dataframe(plan, layer="findings", read_geometry=False)["rule"])
        assert "dem-unit-assumed" in rules
        assert "dem-off-mains" not in rules


def test_a_dem_changed_in_one_corner_has_those_redone_who_read_it_there(
    begun: Path, tmp_path: Path, slipmain: Run
) -> None:
    write_dem(tmp_path, raised=(5990, 6150))
    told = check(begun, write(tmp_path, drawn()), slipmain, redone={"Far"})
    assert told["altered"] == {"Far"}
    assert told["planned"] == {"Far": {"why": "changed", "changed": ["dem"]}}
    assert told["renewed"] == ["Middle", "West"]  # the hash of the file is another


def test_the_unit_the_brief_gives_levels_has_all_redone(
    begun: Path, tmp_path: Path, slipmain: Run
) -> None:
    write_dem(tmp_path)
    brief = write(tmp_path, drawn(), dem='vertical_unit = "ft"')
    told = check(begun, brief, slipmain, redone=ALL)
    assert told["altered"] == ALL


def test_other_runs_chosen_are_told_as_such_and_plans_of_no_chosen_run_stay_known(
    begun: Path, tmp_path: Path, slipmain: Run
) -> None:
    out = tmp_path / "out"
    shutil.copytree(begun / "out", out)
    call = ("batch", begun / "brief.toml", "-o", out, "--resume", "--json")
    told = json.loads(slipmain(*call, "--only", "W3").out)
    assert told["planned"] == {"West": {"why": "changed", "changed": ["network.only"]}}
    assert told["spared"] == ["Far", "Middle"]
    assert told["stale_plans"] == []
    assert told["runs"] == 1  # of three mains chained to two runs in the west
    told = json.loads(slipmain(*call).out)
    assert told["planned"] == {"West": {"why": "changed", "changed": ["network.only"]}}
    assert told["kept"] == ["Far", "Middle"]
    assert told["spared"] == []


# Settings, who is planned again, and what of those is said to have changed.
SETTINGS = [
    ('[sheets]\ntitle = "Northern trunk"\n[screening]\nage_weight = 5', set(), []),
    ('[carrier]\nfixed = ["A1 = 10 in IPS DR 21 PE4710"]', {"Far"}, ["carrier.fixed"]),
]


@pytest.mark.parametrize(("settings", "redone", "changed"), SETTINGS)
def test_settings_have_those_redone_whose_plan_hangs_on_them(
    begun: Path,
    tmp_path: Path,
    slipmain: Run,
    settings: str,
    redone: set[str],
    changed: list[str],
) -> None:
    write_dem(tmp_path)
    told = check(begun, write(tmp_path, drawn(), settings), slipmain, redone=redone)
    assert {*told["renewed"]} == ALL - redone  # as all plans tell all settings
    assert all(fate["changed"] == changed for fate in told["planned"].values())
