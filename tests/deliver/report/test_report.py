"""The report as a file: whole, escaped, true to the plan, small, asking nothing of a network."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal

import geopandas as gpd
import html5lib
import numpy as np
import pandas as pd
import pyogrio
import pyproj
import pytest
import shapely

import geotools
from geotools.cautions import CAUTIONS
from geotools.deliver.read_plan import read_plan
from geotools.deliver.report.columns import SHOWN, packed_table
from geotools.deliver.report.content import gather
from geotools.deliver.report.facts import _dry, _ranked
from geotools.deliver.report.html_file import page_of
from geotools.deliver.report.shapes import QUANTUM, encode_shapes
from geotools.errors import LayerError, OutputError
from geotools.schema import OUTPUTS

sys.path.insert(0, str(Path(__file__).parent))
from district import CRS, write_district

HOSTILE = (
    "<script>window.hit=1</script>",
    "</script><img src=x onerror='window.hit=1'>",
    "\"quoted\" & 'so' <b>bold</b> <!-- ]]>",
    "\U0001f6a7 \u2028 \u2029 \u202e {{7*7}} $title ${x} \\u003c",
)
HTML = "{http://www.w3.org/1999/xhtml}"


def spoil(tables: dict[str, pd.DataFrame]) -> None:
    """Put hostile text wherever a plan holds text of its input, and let there be a planned run."""
    for column, text in zip(
        ("main_ids", "reason", "carrier", "host_material"), HOSTILE, strict=True
    ):
        tables["runs"].loc[0, column] = text
    tables["runs"].loc[0, "status"] = "planned"
    for row, text in enumerate(HOSTILE):
        tables["findings"].loc[row, ["text", "feature"]] = text
        tables["pits"].loc[row, "street_name"] = text
        tables["schedule"].loc[row, ["task", "ref", "crew"]] = text


@pytest.fixture(scope="module")
def plan(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_district(tmp_path_factory.mktemp("district") / "plan.gpkg", 6, edit=spoil)


@pytest.fixture(scope="module")
def content(plan: Path) -> dict[str, Any]:
    return gather(read_plan(plan, needs=()))


@pytest.fixture(scope="module")
def page(content: dict[str, Any]) -> str:
    return page_of({**content, "title": HOSTILE[1]})


@pytest.fixture(scope="module")
def tree(page: str) -> Any:
    """The page as an independent parser of HTML reads it, at its strictest."""
    return html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)


def embedded(page: str) -> dict[str, Any]:
    """The data of a page, up to the end of its script element."""
    kind, text = re.search(r'<script type="([^"]+)" id="content">([^<]*)</script>', page).groups()
    if kind == "application/json":
        return json.loads(text)
    return json.loads(gzip.decompress(base64.b64decode(text)))


def column(table: dict[str, Any], key: str) -> list[Any]:
    (found,) = [c for c in table["columns"] if c["key"] == key]
    return [found["words"][k] for k in found["at"]] if "words" in found else found["values"]


def test_strict_html_parser_finds_no_fault(tree: Any) -> None:
    assert tree.find("head/title").text == HOSTILE[1]
    assert tree.find("body/header/h1").text == HOSTILE[1]


def test_hostile_text_comes_back_as_it_was_and_makes_no_element(
    page: str, tree: Any, content: dict[str, Any]
) -> None:
    assert embedded(page)["tables"] == json.loads(json.dumps(content["tables"]))
    assert column(content["tables"]["findings"], "text")[: len(HOSTILE)] == list(HOSTILE)
    assert [s.get("type") for s in tree.iter("script")] == ["application/json", None, None]
    assert list(tree.iter("img")) == list(tree.iter("b")) == []
    handlers = [name for node in tree.iter() for name in node.attrib if str(name).startswith("on")]
    assert handlers == []


def test_json_in_the_page_holds_no_character_that_html_knows(page: str) -> None:
    inside = page.partition('id="content">')[2].partition("</script>")[0]
    assert len(inside) > 1000
    assert not set(inside) & set("<>&\u2028\u2029")


def test_policy_lets_these_scripts_and_styles_run_and_nothing_else(tree: Any) -> None:
    (policy,) = [
        m.get("content")
        for m in tree.iter("meta")
        if m.get("http-equiv") == "Content-Security-Policy"
    ]
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    assert "connect-src" not in rules  # falls back to none
    assert "unsafe" not in policy and "http" not in policy and "*" not in policy
    for name, nodes in (
        ("script-src", [s for s in tree.iter("script") if s.get("type") is None]),
        ("style-src", list(tree.iter("style"))),
    ):
        made = {base64.b64encode(hashlib.sha256(n.text.encode()).digest()).decode() for n in nodes}
        assert set(re.findall(r"sha256-([^']+)", rules[name])) == made


def test_policy_stands_before_anything_it_must_hold(tree: Any) -> None:
    names = [node.tag if isinstance(node.tag, str) else "comment" for node in tree.find("head")]
    assert names[:2] == ["meta", "meta"]
    assert tree.find("head")[1].get("http-equiv") == "Content-Security-Policy"


def test_no_address_leads_out_of_the_page(tree: Any) -> None:
    for node in tree.iter():
        for name in ("src", "href", "action", "data", "poster", "srcset", "background"):
            value = node.get(name)
            assert value is None or value.startswith(("#", "data:")), (node.tag, name, value)
    for style in tree.iter("style"):
        assert "url(" not in style.text and "@import" not in style.text
    scripts = [s.text for s in tree.iter("script") if s.get("type") is None]
    assert not [s for s in scripts if "sourceMappingURL" in s]


def test_page_has_landmarks_one_title_and_headings_in_order(tree: Any) -> None:
    for landmark in ("header", "nav", "main", "footer"):
        assert len(list(tree.iter(landmark))) == 1
    assert len(list(tree.iter("h1"))) == 1
    assert tree.get("lang") == "en"
    for section in tree.iter("section"):
        head = section.get("aria-labelledby")
        assert section.find(f"*[@id='{head}']").tag == "h2"


def test_scripts_never_turn_text_into_markup() -> None:
    folder = Path(geotools.__file__).parent / "deliver" / "report" / "page"
    own = "".join(path.read_text() for path in sorted(folder.glob("*.js")))
    for way in (
        "innerHTML",
        "outerHTML",
        "insertAdjacentHTML",
        "document.write",
        "eval(",
        "new Function",
        "bindPopup",
        "bindTooltip",
        "fetch(",
        "XMLHttpRequest",
        "srcdoc",
    ):
        assert way not in own, way  # fmt: skip


def test_map_library_comes_with_name_version_and_licence(page: str) -> None:
    folder = Path(geotools.__file__).parent / "deliver" / "report" / "page" / "leaflet"
    about = (folder / "README.md").read_text()
    version = re.search(r"Leaflet (\d+\.\d+\.\d+)", (folder / "leaflet.js").read_text())[1]
    assert f"| {version} |" in about
    assert f"Leaflet {version}" in page
    assert "Redistribution and use in source and binary forms" in page
    assert "BSD 2-Clause" in (folder / "LICENSE").read_text()


@pytest.mark.parametrize("layer", sorted(set(SHOWN) & set(OUTPUTS)))
def test_columns_shown_first_are_fields_of_the_contract(layer: str) -> None:
    assert set(SHOWN[layer]) <= {field.name for field in OUTPUTS[layer].fields}


def points(steps: list[int], x: float, y: float) -> Any:
    return np.cumsum(np.array(steps).reshape(-1, 2), axis=0) * (x, y)


@pytest.fixture(scope="module", params=["si", "us"])
def measured(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A plan in each system of units, and what the report makes of it."""
    path = tmp_path_factory.mktemp("units") / "plan.gpkg"
    file = read_plan(write_district(path, 2, units=request.param))
    return file, gather(file)


def test_charts_lie_on_the_values_of_the_plan(measured: Any) -> None:
    file, made = measured
    units = file.units
    foot = 0.3048 if units == "us" else 1.0
    pound = 4.4482216152605 if units == "us" else 1000.0
    stations, forces = file.table("stations"), file.table("forces")
    for run, chart in made["profiles"].items():
        own = stations[stations["run_id"] == run]
        for name, field in (("ground", "ground_z"), ("axis", "axis_z")):
            (line,) = chart[name]
            x, y = points(line, 0.1, 0.01).T
            told = np.interp(own["chainage"] / foot, x, y)
            # 3 cm of thinning, and the rounding of place and level
            slope = np.abs(np.diff(own[field]) / np.diff(own["chainage"])).max()
            assert np.abs(told - own[field] / foot).max() <= (0.03 / foot + 0.005 + 0.05 * slope)
            assert len(x) < len(own)
    step = made["forces"]["step"]
    for pull, chart in made["forces"]["pulls"].items():
        own = forces[forces["pull_id"] == pull]
        x, y = points(chart["force"][0], 0.1, step).T
        told = np.interp(own["pulled"] / foot, x, y)
        most = own["head_force_high"].max() / pound
        slope = most / (own["pulled"].max() / foot)
        assert np.abs(told - own["head_force"] / pound).max() <= most / 300 + step + 0.1 * slope


# degrees, web maps, and a state plane in US survey feet
@pytest.mark.parametrize(
    ("zone", "crs"), [(32633, 32633), (32633, 4326), (32633, 3857), (32618, 2260)]
)
def test_map_is_in_metres_whatever_the_crs(tmp_path: Path, zone: int, crs: int) -> None:
    path = write_district(tmp_path / "plan.gpkg", 1, zone=pyproj.CRS(zone), crs=pyproj.CRS(crs))
    made = gather(read_plan(path))
    lengths = np.array(column(made["tables"]["runs"], "length"), dtype=float)
    for parts, length in zip(made["tables"]["runs"]["shapes"]["parts"], lengths, strict=True):
        xy = points(parts[0], QUANTUM, QUANTUM)
        drawn = np.hypot(*np.diff(xy, axis=0).T).sum()
        assert drawn == pytest.approx(length, rel=2e-3)


def test_a_layer_of_the_users_own_lies_where_it_does_whatever_its_crs(tmp_path: Path) -> None:
    """What has no place that could be shown is named, and the map does not move for it."""
    path = write_district(tmp_path / "plan.gpkg", 2)
    plain = gather(read_plan(path))
    assert plain["unplaced"] == []
    runs = gpd.read_file(path, layer="runs")[["run_id", "geometry"]]
    there = runs.to_crs(3857)
    nowhere = runs.to_crs(4326).set_geometry([shapely.Point(15, 46), shapely.Point(15, 95)])
    loose = pd.DataFrame(runs).assign(geometry=runs.geometry.translate(1e6).to_numpy())
    for name, frame in (
        ("walked", there),
        ("looked_at", nowhere),
        ("sketch", gpd.GeoDataFrame(loose, crs=None)),
    ):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # of a layer written without a CRS
            pyogrio.write_dataframe(frame, path, layer=name, append=True)
    made = gather(read_plan(path))
    own, walked = (made["tables"][name]["shapes"]["parts"] for name in ("runs", "walked"))
    for one, other in zip(own, walked, strict=True):
        lines = [shapely.LineString(points(parts[0], QUANTUM, QUANTUM)) for parts in (one, other)]
        assert lines[0].hausdorff_distance(lines[1]) < 2 * QUANTUM + made["tolerance"]
    assert made["tables"]["looked_at"]["shapes"]["kinds"] == [0, -1]
    assert "shapes" not in made["tables"]["sketch"]
    sketch, looked_at = made["unplaced"]
    assert sketch == "layer sketch: has no CRS"
    assert looked_at == (
        "layer looked_at: 1 of 2 features, whose places cannot be moved to EPSG:32633"
    )
    told = geotools.report(path, output=tmp_path / "report.html")
    assert told.summary["unplaced"] == made["unplaced"]
    assert f"left out  of the map: {looked_at}" in told.text


def test_shapes_lie_within_the_tolerance_of_the_true_ones() -> None:
    rng = np.random.default_rng(1)
    line = shapely.LineString(np.cumsum(rng.normal(5, 2, (200, 2)), axis=0))
    shapes = np.array(
        [
            line,
            line.buffer(20),
            shapely.Point(3, 4),
            None,
            shapely.MultiLineString([line, shapely.LineString([(0, 0), (9, 0)])]),
            shapely.GeometryCollection([shapely.Point(0, 0), shapely.LineString([(0, 0), (5, 5)])]),
            shapely.Polygon([(0, 0), (90, 0), (90, 90), (0, 90)], [[(9, 9), (9, 20), (20, 9)]]),
        ],
        dtype=object,
    )
    origin = shapely.bounds(line)[:2]
    coded = encode_shapes(shapes, origin, tolerance=0.3)
    assert coded["kinds"] == [1, 2, 0, -1, 1, 1, 2]
    assert [len(parts) for parts in coded["parts"]] == [1, 1, 1, 0, 2, 1, 2]
    again = shapely.LineString(points(coded["parts"][0][0], QUANTUM, QUANTUM) + origin)
    assert again.hausdorff_distance(line) < 0.3 + QUANTUM
    ring = shapely.LineString(points(coded["parts"][1][0], QUANTUM, QUANTUM) + origin)
    assert ring.hausdorff_distance(line.buffer(20).exterior) < 0.3 + QUANTUM


def test_interrupted_levels_stay_interrupted(tmp_path: Path) -> None:
    def edit(tables: dict[str, pd.DataFrame]) -> None:
        tables["stations"].loc[50:60, ["ground_z", "axis_z"]] = np.nan
        second = tables["stations"]["run_id"] == "R0002"
        tables["stations"].loc[second, ["ground_z", "axis_z"]] = np.nan

    made = gather(read_plan(write_district(tmp_path / "plan.gpkg", 2, edit=edit)))
    first, second = made["profiles"]["R0001"], made["profiles"]["R0002"]
    ends = [points(line, 0.1, 0.01)[[0, -1], 0] for line in first["ground"]]
    assert np.allclose(ends, [[0, 49 * 9], [61 * 9, 142 * 9]])
    # no ground level at all: drawn by depth below a level ground
    assert (first["sunk"], second["sunk"]) == (False, True)
    assert set(points(second["ground"][0], 1, 1)[:, 1]) == {0}
    assert points(second["axis"][0], 0.1, 0.01)[:, 1].max() < 0


def test_levels_of_the_host_are_shown_without_those_of_the_ground(tmp_path: Path) -> None:
    def edit(tables: dict[str, pd.DataFrame]) -> None:
        tables["stations"]["ground_z"] = np.nan
        second = tables["stations"]["run_id"] == "R0002"
        tables["stations"].loc[second, "depth_source"] = "assumed"
        due["axis"] = tables["stations"].loc[~second, "axis_z"].to_numpy(dtype=float)

    due: dict[str, Any] = {}
    made = gather(read_plan(write_district(tmp_path / "plan.gpkg", 2, edit=edit)))
    first, second = made["profiles"]["R0001"], made["profiles"]["R0002"]
    assert (first["sunk"], first["assumed"], first["ground"]) == (False, False, [])
    assert second["assumed"]
    levels = points(first["axis"][0], 0.1, 0.01)[:, 1]
    assert (levels[0], levels[-1]) == pytest.approx((due["axis"][0], due["axis"][-1]), abs=0.05)


def test_units_of_columns_are_those_of_the_file(measured: Any) -> None:
    file, made = measured
    length, force = {"si": ("m", "kN"), "us": ("ft", "lbf")}[file.units]
    pulls = made["tables"]["pulls"]
    told = {c["key"]: c["unit"] for c in pulls["columns"]}
    assert (told["length"], told["head_force"], told["cost"]) == (length, force, "")
    raw = pyogrio.read_dataframe(file.path, layer="pulls", read_geometry=False)
    assert column(pulls, "length") == pytest.approx(raw[f"length_{length}"], abs=0.05)


def test_a_plan_with_few_layers_is_reported_all_the_same(
    write_plan: Callable[..., Path], tmp_path: Path
) -> None:
    made = gather(read_plan(write_plan()))
    assert made["profiles"] == made["forces"] == {}
    assert "findings" not in made["tables"]
    assert made["cautions"] == list(CAUTIONS.values())
    html5lib.HTMLParser(strict=True).parse(page_of(made))


def test_a_screening_is_shown_with_whatever_columns_it_has(tmp_path: Path) -> None:
    path = write_district(tmp_path / "screen.gpkg", 4, edit=only_findings)

    shapes = [
        shapely.LineString([(450_000, 5_000_000), (450_900, 5_000_100 + k)]) for k in range(3)
    ]
    ranking = gpd.GeoDataFrame(
        {"rank": [1, 2, 3], "run_id": ["A", "B", "C"], "verdict": ["good", "good", HOSTILE[0]],
         "length_m": [900.0, 800.5, 700.25], "benefit_per_cost": [3.0, 2.0, np.nan],
         "cost_verdict": "not known"},
        geometry=shapes, crs=CRS,
    )  # fmt: skip
    pyogrio.write_dataframe(ranking, path, layer="ranking", append=True)
    made = gather(read_plan(path, needs=()))
    table = made["tables"]["ranking"]
    assert [c["key"] for c in table["columns"]] == [
        *("rank", "run_id", "verdict", "length", "cost_verdict", "benefit_per_cost")
    ]
    assert column(table, "benefit_per_cost") == [3, 2, None]
    assert table["shapes"]["kinds"] == [1, 1, 1]
    assert {f["label"]: f["value"] for f in made["facts"]}["good"] == "2"


def only_findings(tables: dict[str, pd.DataFrame]) -> None:
    for name in set(tables) - {"findings", "settings"}:
        del tables[name]


def test_numbers_too_large_or_missing_are_json() -> None:
    frame = pd.DataFrame({"a_m": [1e300, np.inf, np.nan], "b": [True, False, True]})
    made = packed_table("other", frame)
    assert json.loads(json.dumps(made, allow_nan=False)) == made
    assert made["columns"][0]["values"][1:] == [None, None]


def test_a_report_of_three_thousand_runs_stays_under_15_mb(tmp_path: Path) -> None:
    # extrapolated from 300 runs with the rows a run of the sample district has;
    # tests/bench/report_size.py writes all 3,000
    page = page_of(gather(read_plan(write_district(tmp_path / "plan.gpkg", 300))))
    assert len(embedded(page)["profiles"]) == 300
    bare = len(page_of({"title": ""}).encode())
    assert bare + (len(page.encode()) - bare) * 10 < 15e6


def test_the_tool_writes_the_same_bytes_and_keeps_what_is_there(plan: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "a.html", tmp_path / "b.html"
    done = geotools.report(plan, output=first, title="Süd <1>")
    assert done.summary["bytes"] == first.stat().st_size
    geotools.report(plan, output=second, title="Süd <1>")
    assert first.read_bytes() == second.read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        geotools.report(plan, output=first)
    with pytest.raises(OutputError, match=r"ending in \.html"):
        geotools.report(plan, output=tmp_path / "a.txt")
    with pytest.raises(LayerError, match="no such file"):
        geotools.report(tmp_path / "none.gpkg", output=tmp_path / "c.html")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.html", "b.html"]


def test_verdicts_of_a_screening_are_told_from_suitable_down() -> None:
    told = _ranked(pd.DataFrame({"verdict": ["doubtful", "doubtful", "not suitable", "suitable"]}))
    assert [(fact["value"], fact["label"]) for fact in told[1:]] == [
        ("1", "suitable"),
        ("2", "doubtful"),
        ("1", "not suitable"),
    ]


def test_the_headline_of_customers_dry_is_of_work_that_is_planned() -> None:
    runs = pd.DataFrame({"run_id": ["R1", "R2"], "status": ["planned", "no_plan"]})
    shut = pd.DataFrame({"run_id": ["R1", "R2"], "customers": [12, 400], "cut_off_nodes": [0, 0]})
    (fact,) = _dry(shut, runs)
    assert (fact["value"], fact["note"]) == ("12", "shutdown of run R1")
    assert _dry(shut[1:], runs) == []


def test_the_total_of_the_quantities_is_of_costs_that_nobody_rounded(tmp_path: Path) -> None:
    """Items of 0.4 each are shown as 0; ten of them are 4."""

    def pennies(tables: dict[str, pd.DataFrame]) -> None:
        tables["quantities"] = tables["quantities"].head(10).assign(cost=0.4)

    plan = write_district(tmp_path / "plan.gpkg", 1, edit=pennies)
    table = gather(read_plan(plan, needs=()))["tables"]["quantities"]
    assert table["whole"] == pytest.approx(4.0)


def summary_facts(path: Path, *, units: Literal["si", "us"] = "si", **columns: Any) -> Any:
    """The head of the report of a batch: one district done, one failed, two runs of none."""
    unit, factor = {"si": ("m", 1.0), "us": ("ft", 1 / 0.3048)}[units]
    x, y = 450_000, 5_000_000
    districts = gpd.GeoDataFrame(
        {"district": ["North", "South"], "status": ["done", "failed"], "runs_planned": [1, 0],
         "runs_without_plan": [1, 0], "runs_not_suitable": [0, 0], "pits": [2, 0], "pulls": [1, 0],
         f"length_{unit}": [400.0, 0.0], "cost": [9000.0, 0.0], **columns},
        geometry=[shapely.box(x, y, x + 500, y + 300), shapely.box(x, y - 300, x + 500, y)],
        crs=CRS,
    )  # fmt: skip
    far = [shapely.LineString([(x, y), (x + d, y)]) for d in (1_200, 800, 5_000, 5_000)]
    findings = gpd.GeoDataFrame(
        {"severity": ["warning", "warning", "error", "warning"], "layer": "runs", "text": "so",
         "rule": ["outside-districts", "outside-districts", "district-failed", "zero-length"],
         "feature": list("abcd")},
        geometry=far, crs=CRS,
    )  # fmt: skip

    def only_settings(tables: dict[str, pd.DataFrame]) -> None:
        for name in set(tables) - {"settings"}:
            del tables[name]

    write_district(path, 1, units=units, edit=only_settings)
    for name, frame in (("district_results", districts), ("findings", findings)):
        pyogrio.write_dataframe(frame, path, layer=name, append=True)
    facts = gather(read_plan(path, needs=()))["facts"]
    return {fact["label"]: fact for fact in facts}, factor


@pytest.mark.parametrize("units", ["si", "us"])
def test_the_head_of_a_batch_says_what_nobody_planned(
    tmp_path: Path, units: Literal["si", "us"]
) -> None:
    unit = {"si": "m", "us": "ft"}[units]
    lost = {"runs_failed": [0, 3], f"length_failed_{unit}": [0.0, 1_500.0]}
    facts, factor = summary_facts(tmp_path / "summary.gpkg", units=units, **lost)
    assert facts["runs planned"]["note"] == (
        "1 without a plan, 0 not suitable, 3 of districts that failed, 2 outside all districts"
    )
    assert facts["of main to be lined"]["note"] == (
        f"not planned: 1,500 {unit} of districts that failed, "
        f"{2_000 * factor:,.0f} {unit} outside all districts"
    )


def test_the_head_of_a_batch_says_that_its_districts_have_findings_of_their_own(
    tmp_path: Path,
) -> None:
    counts = {"plan_errors": [2, 0], "plan_warnings": [1_500, 0]}
    facts, _ = summary_facts(tmp_path / "summary.gpkg", **counts)
    assert (facts["warnings to read"]["value"], facts["warnings to read"]["note"]) == (
        "3",
        "1 errors, 0 notes; beside these 1,500 warnings and 2 errors in the files of the districts",
    )
    facts, _ = summary_facts(tmp_path / "older.gpkg")  # made before they were counted there
    assert facts["warnings to read"]["note"] == (
        "1 errors, 0 notes; findings of the districts lie in their own files"
    )
    assert facts["runs planned"]["note"].endswith("0 not suitable, 2 outside all districts")
