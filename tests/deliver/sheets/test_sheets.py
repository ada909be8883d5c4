"""The tool sheets: options, what is missing, files kept, the same file every time."""

from __future__ import annotations

import math
import sqlite3
import warnings
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd
import pdfplumber
import pypdf
import pyproj
import pytest
import shapely

import geotools
from geotools.cautions import CAUTIONS
from geotools.deliver.drawing import read_drawn
from geotools.deliver.read_plan import read_plan
from geotools.deliver.sheets.lettering import text_width
from geotools.deliver.sheets.model import load_plan
from geotools.deliver.sheets.profile import fitting_size
from geotools.deliver.sheets.schedules import (
    quantities_of_all,
    quantity_text,
    run_tables,
    runs_drawn,
)
from geotools.errors import LayerError, OlderPlanWarning, OutputError
from geotools.tool import ToolError
from tests.deliver.sheets.conftest import at, frame, place


def _table(plan: Any, heading: str) -> Any:
    (table,) = (t for t in run_tables(plan, "R1") if t.heading.startswith(heading))
    return table


def text_of(path: Path) -> str:
    pages = pypdf.PdfReader(path).pages
    return " ".join("\n".join(page.extract_text() for page in pages).split())


def test_the_same_plan_gives_the_same_file(plain: Path, draw: Callable[..., Path]) -> None:
    assert draw().read_bytes() == plain.read_bytes()


def test_a_file_that_exists_is_kept_unless_told(plain_plan: Path, tmp_path: Path) -> None:
    target = tmp_path / "sheets.pdf"
    target.write_bytes(b"old")
    with pytest.raises(OutputError, match="exists already"):
        geotools.sheets(plain_plan, output=target, runs=("R2",))
    assert target.read_bytes() == b"old"
    geotools.sheets(plain_plan, output=target, runs=("R2",), overwrite=True)
    assert target.read_bytes().startswith(b"%PDF")
    assert [path.name for path in tmp_path.iterdir()] == ["sheets.pdf"]


def test_title_block_takes_the_texts_of_the_brief_and_those_given_in_any_script(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    settings = {"sheets.client": "Wexlow Water", "sheets.revision": "A", "sheets.note": "Ask first"}
    given = ("revision=C", "drawn_by=A. Quill", "project=Водоканал Ελλάδα Łódź")
    text = text_of(draw(write_sheet_plan(settings=settings), field=given, runs=("R2",)))
    for words in ("Wexlow Water", "A. Quill", "Ask first", "Водоканал Ελλάδα Łódź", "rev. C"):
        assert words in text


def test_the_note_of_the_plan_gives_way_to_the_one_given_and_to_none(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    plan = write_sheet_plan(settings={"sheets.note": "Ask first"})
    text = text_of(draw(plan, field=("note=Shut valve 7 = last",), runs=("R2",)))
    assert "Shut valve 7 = last" in text
    assert "Ask first" not in text
    assert "Ask first" not in text_of(draw(plan, field=("note=",), runs=("R2",)))


def test_letters_of_every_plane_can_be_read_out_of_the_file(draw: Callable[..., Path]) -> None:
    far = "\N{GRINNING FACE} and \N{MATHEMATICAL DOUBLE-STRUCK CAPITAL A}"
    assert all(ord(letter) > 0xFFFF for letter in (far[0], far[-1]))
    target = draw(field=(f"project=Wexlow {far}",), runs=("R2",))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert f"Wexlow {far}" in text_of(target)
    with pdfplumber.open(target) as pdf:
        assert f"Wexlow {far}" in pdf.pages[0].extract_text()


def test_a_text_the_title_block_does_not_have_is_refused(draw: Callable[..., Path]) -> None:
    with pytest.raises(ToolError, match="field: 'colour=red' is not NAME=TEXT"):
        draw(field=("colour=red",))


def test_texts_given_are_no_longer_than_those_of_the_brief(draw: Callable[..., Path]) -> None:
    draw(field=(f"revision={'R' * 20}",), runs=("R2",))
    with pytest.raises(ToolError) as caught:
        draw(field=(f"revision={'R' * 21}", f"title={'T' * 121}", "colour=red"))
    told = sorted(caught.value.faults)
    assert [fault.split(":")[1].split()[0] for fault in told] == [
        "'colour=red'",
        "revision",
        "title",
    ]
    assert "20" in told[1]
    assert "120" in told[2]


def test_a_run_that_the_plan_does_not_have_is_refused(draw: Callable[..., Path]) -> None:
    with pytest.raises(LayerError, match="has no run R9; it has R1, R2"):
        draw(runs=("R1,R9",))


def test_a_scale_out_of_range_is_refused(draw: Callable[..., Path]) -> None:
    with pytest.raises(ToolError, match="scale: 5 is out of range"):
        draw(scale=5)


def test_a_scale_given_is_kept_and_layers_that_are_missing_are_told(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    path = draw(write_sheet_plan(without=("stations", "sections", "bends", "context")), scale=2500)
    text = text_of(path)
    assert "Scale 1:2500" in text
    assert "Streets, fittings, valves and laterals are not drawn" in text
    assert "Not shown, for the plan has no layers: stations, bends, sections" in text
    assert "no profile: the levels of ground and host are not known here" in text
    assert "L1, 342.0 m, behind, 50.0 kN at the head" in text  # the band is drawn all the same


@pytest.mark.parametrize(("count", "words"), [(1, "branch valve"), (2, "2 branch valves")])
def test_what_is_dug_up_is_named_in_words(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path], count: int, words: str
) -> None:
    def valves(tables: dict[str, Any]) -> None:
        digs = tables["local_digs"].assign(kind="branch_valve")
        tables["local_digs"] = pd.concat([digs] * count, ignore_index=True)

    text = text_of(draw(write_sheet_plan(edit=valves)))
    assert f"{words} 0+120.0" in text
    assert "L1 branch valve" in text  # the list of digs
    assert "branch_valve" not in text


def test_services_of_one_place_share_a_label(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def both_sides(tables: dict[str, Any]) -> None:
        digs = tables["local_digs"]
        other = digs.assign(dig_id="R1-D2")
        tables["local_digs"] = pd.concat([digs, other], ignore_index=True)

    text = text_of(draw(write_sheet_plan(edit=both_sides)))
    assert "2 laterals 0+120.0" in text
    assert " lateral 0+120.0" not in text


def test_letters_the_font_lacks_are_marked_and_the_mark_is_explained(
    plain: Path, draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def renamed(tables: dict[str, Any]) -> None:
        tables["context"]["name"] = tables["context"]["name"].replace("Tarnhollow Way", "環状道路")

    note = "stands for a letter the lettering lacks"
    assert note in text_of(draw(write_sheet_plan(edit=renamed)))
    assert note not in text_of(plain)


def test_runs_without_a_plan_have_no_sheets_but_are_told(plain: Path) -> None:
    text = text_of(plain)
    assert "Run R1, plan and profile" in text
    assert "Run R2, plan and profile" not in text
    assert "no plan: the pit at 40 m lies in a river" in text


def test_a_plan_without_any_planned_run_gives_a_cover(draw: Callable[..., Path]) -> None:
    path = draw(runs=("R2",))
    assert len(pypdf.PdfReader(path).pages) == 1
    text = text_of(path)
    assert "the pit at 40 m lies in a river" in text
    assert "Run R1" not in text  # but it is on the key map
    assert "R1" in text


@pytest.mark.parametrize(
    ("quantity", "unit", "text"),
    [(4.0, "each", "4"), (819.0, "each", "819"), (4.0, "m3", "4.0"), (float("nan"), "each", "-")],
)
def test_what_is_counted_stands_in_whole_numbers(quantity: float, unit: str, text: str) -> None:
    assert quantity_text(quantity, unit) == text


def assume(tables: dict[str, Any]) -> None:
    """Let the depths of the plan rest on an assumed cover, and findings tell of it."""
    for name in ("stations", "pits"):
        tables[name]["depth_source"] = "assumed"
    rows = [
        ("info", "assumed-cover", "R2,R1", "a cover of 1.30 m was assumed for both"),
        ("info", "assumed-cover", "R2", "a cover of 1.40 m was assumed elsewhere"),
        ("info", "pits-shared", "R1-P1", "two pits share ground"),
        ("warning", "no-dem", "", "no elevation raster was given"),
    ]
    names = ("severity", "rule", "feature", "text")
    made = [tables["findings"].iloc[0].to_dict() | dict(zip(names, row, strict=True))
            for row in rows]  # fmt: skip
    tables["findings"] = type(tables["findings"])(made, crs=tables["findings"].crs)


def test_what_is_assumed_is_marked_where_it_is_shown_and_told_of_its_run(
    plain: Path, draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    text = text_of(draw(write_sheet_plan(edit=assume)))
    assert "invert 2.25 m deep, assumed" in text and "2.25*" in text
    assert "97.75*" in text  # the invert, ground less the depth
    assert "103.50*" not in text and "103.50" in text  # the ground is on record
    assert "marked * or assumed, which rest on an assumed cover or ground" in text
    assert "a cover of 1.30 m was assumed for both" in text
    assert "no elevation raster was given" in text
    assert "elsewhere" not in text and "share ground" not in text
    bare = text_of(plain)
    assert "assumed" not in bare and "2.25*" not in bare
    assert "Levels, depths and positions are those of the source layers." in bare


def test_pits_are_shown_to_their_bottom_with_their_ramps(
    plain: Path, draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    text = text_of(plain)
    assert "8.00 x 1.35 m, dug 2.40 m deep" in text and "invert 2.25 m deep, dug 2.40 m" in text
    assert "P2 500000.00 4000350.00" in text and "P1 500000.00 4000000.00" in text
    assert "x and y of the pits in NAD83 / UTM zone 17N, EPSG:26917, in m; north is grid" in text

    older = write_sheet_plan()
    with closing(sqlite3.connect(older)) as base:
        for column in ("dig_depth_m", "depth_source"):
            base.execute(f"ALTER TABLE pits DROP COLUMN {column}")
    with pytest.warns(OlderPlanWarning, match="layer pits .* no depth_source, dig_depth"):
        old = text_of(draw(older))
    assert "8.00 x 1.35 m invert 2.25 m deep" in old and "dug 2" not in old


def test_pits_are_set_out_by_coordinates_levels_bearing_and_the_corners_of_their_ground(
    write_sheet_plan: Callable[..., Path],
) -> None:
    """Of more than twelve corners they are not listed; a vertex in line is none."""

    def edit(tables: dict[str, Any]) -> None:
        x, y = 500_000.0, 4_000_000.0
        tables["pits"].loc[2, ["ground_z", "axis_z", "bottom_z"]] = math.nan
        box = [(x, y), (x + 2, y), (x + 4, y + 0.001), (x + 4, y + 1), (x, y + 1)]
        tables["pit_footprints"].geometry = [
            shapely.Polygon(box), shapely.Point(x, y).buffer(3.0), shapely.box(x, y, x + 1, y + 1)
        ]  # fmt: skip

    plan = load_plan(read_plan(write_sheet_plan(edit=edit)))
    tables = {table.heading.split(";")[0].split(",")[0]: table for table in run_tables(plan, "R1")}
    out = tables["Setting out of pits at their stations"]
    assert out.columns[3:8] == ("ground, m", "host axis", "bottom", "before it, °", "past it, °")
    assert out.rows[1][3:8] == ("103.50", "101.50", "101.10", "15.0", "15.0")
    assert out.rows[2][3:8] == ("-", "-", "-", "15.0", "15.0")
    corners = tables["Corners of pits at street level"].rows
    first = {row[2:] for row in corners if row[0] == "P1"}
    assert first == {("500000.00", "4000000.00"), ("500004.00", "4000000.00"),
                     ("500004.00", "4000001.00"), ("500000.00", "4000001.00")}  # fmt: skip
    assert [row[1] for row in corners if row[0] == "P1"] == ["1", "2", "3", "4"]
    assert [row[1] for row in corners if row[0] == "P2"] == ["see layer pit_footprints"]


def test_strings_are_told_from_the_end_at_the_pit_to_the_far_one(
    write_sheet_plan: Callable[..., Path],
) -> None:
    """Round a bend as well; of one drawn as a hull the ends are not known."""
    x, y = 500_000.0, 4_000_000.0

    def edit(tables: dict[str, Any]) -> None:
        bent = [(0, -0.2), (60.2, -0.2), (60.2, 40), (59.8, 40), (59.8, 0.2), (0, 0.2)]
        shapes = [
            shapely.Polygon([(x + east, y + north) for east, north in bent]),
            shapely.box(x, y, x + 50, y + 50),
        ]
        tables["strings"] = frame("strings", [
            {"string_id": f"R1-L1-S{k}", "pull_id": "R1-L1", "run_id": "R1", "number": k,
             "length": 100.0, "joints": 8, "geometry": shapely.MultiPolygon([shape])}
            for k, shape in enumerate(shapes, 1)
        ])  # fmt: skip

    plan = load_plan(read_plan(write_sheet_plan(edit=edit)))
    (table,) = (t for t in run_tables(plan, "R1") if t.heading.startswith("Strings laid out"))
    assert table.columns[4:8] == ("from x, m", "from y", "to x", "to y")
    assert table.rows[0][4:8] == ("500000.00", "4000000.00", "500060.00", "4000040.00")
    assert table.rows[1][4:8] == ("-", "-", "-", "-")


def test_of_a_pit_that_inserts_both_ways_both_ramps_are_set_out(
    plain_plan: Path, write_sheet_plan: Callable[..., Path]
) -> None:
    def ramps_of(plan: Path) -> list[list[str]]:
        tables = run_tables(load_plan(read_plan(plan)), "R1")
        (table,) = (t for t in tables if t.heading.startswith("Setting out of ramps"))
        return [list(row) for row in table.rows]

    assert ramps_of(plain_plan) == [
        ["P2", "L2, ahead", "6.25", "beside the run", "195.0", "2.50", "+1.00", "-0.50"],
        ["P2", "L1, behind", "6.25", "beside the run", "15.0", "1.50", "-1.00", "+0.50"],
    ]  # the insertion pit alone has any; a ramp lies straight on from the host it serves

    def long(tables: dict[str, Any]) -> None:
        tables["pits"]["length"] = 10.0  # before and after: both ramps are along the run

    tops = [ramp[3] for ramp in ramps_of(write_sheet_plan(edit=long))]
    assert tops == ["0+346.9", "0+353.1"]  # feet half a ramp past 350
    older = write_sheet_plan()
    with closing(sqlite3.connect(older)) as base:
        for way in ("ahead", "behind"):
            for column in (f"ramp_{way}_m", f"drop_{way}_m", f"host_slope_{way}",
                           f"rest_slope_{way}"):  # fmt: skip
                base.execute(f"ALTER TABLE pits DROP COLUMN {column}")
    with pytest.warns(OlderPlanWarning, match="layer pits .* no ramp_ahead"):
        old = ramps_of(older)
    assert old == [["P2", "the longer of both", "6.25", "-", "-", "2.50", "+1.00", "-0.50"]]


def test_a_bend_is_told_to_lie_in_the_pit_that_holds_it(
    plain: Path, draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def passing(at: float, span: float) -> Callable[[dict[str, Any]], None]:
        def edit(tables: dict[str, Any]) -> None:
            start = at - span / 2
            moved = {"passes": True, "chainage": at, "start": start, "span": span}
            tables["bends"] = tables["bends"].assign(**moved)

        return edit

    def told(at: float, span: float) -> str:
        return text_of(draw(write_sheet_plan(edit=passing(at, span))))

    assert text_of(plain).count("in pit P2") == 2  # schedule and profile
    assert told(353.0, 2.0).count("in pit P2") == 2 and "pulled through" not in told(353.0, 2.0)
    assert "pulled through, in part in pit P2" in told(355.0, 2.0)
    away = told(400.0, 2.0)
    assert "pulled through" in away and "in pit" not in away


@pytest.mark.parametrize(
    ("code", "digits", "words"),
    [
        (3435, 2, "NAD83 / Illinois East (ftUS), EPSG:3435, in US survey ft; north is grid north."),
        (4326, 7, "WGS 84, EPSG:4326, in degrees; north is grid north of EPSG:326"),
    ],
)
def test_pits_have_their_coordinates_in_the_crs_of_the_file(
    draw: Callable[..., Path],
    write_sheet_plan: Callable[..., Path],
    code: int,
    digits: int,
    words: str,
) -> None:
    def moved(tables: dict[str, Any]) -> None:
        for name, table in tables.items():
            if hasattr(table, "to_crs"):
                tables[name] = table.to_crs(code)
        places.extend(tables["pits"].geometry)

    places: list[Any] = []
    text = text_of(draw(write_sheet_plan(edit=moved, crs=pyproj.CRS(code), units="us")))
    assert words in text
    assert f"P2 {places[1].x:.{digits}f} {places[1].y:.{digits}f} " in text


def test_pulls_that_a_bend_governs_stand_with_place_and_limit_in_the_schedules(
    plain_plan: Path,
) -> None:
    plan = load_plan(read_plan(plain_plan))
    heading = "Pulls that a bend governs: the force with the head at the bend"
    assert heading not in [table.heading for table in run_tables(plan, "R1")]
    pulls = plan.tables["pulls"].assign(
        governed_by=["bend", "pipe"], governing_chainage=[120.0, 697.0],
        governing_force=[38.47e3, 50e3], governing_limit=[38.56e3, 100e3],
        utilisation=[0.9977, 0.5],
    )  # fmt: skip
    there = {"pull_id": "R1-L1", "run_id": "R1", "chainage": 120.0, "head_force_high": 54.2e3}
    forces = frame("forces", [{**there, "chainage": 100.0, "head_force_high": 9e3}, there])
    bent = replace(plan, tables={**plan.tables, "pulls": pulls, "forces": forces})
    (table,) = (table for table in run_tables(bent, "R1") if table.heading == heading)
    assert table.rows == (("L1", "0+120.0", "38.5", "54.2", "38.5", "100"),)


def test_the_force_to_stop_at_is_that_which_brings_the_nearest_place_to_its_limit(
    plain_plan: Path,
) -> None:
    """Planned 50 kN at the head; where 40 of 44 kN are used in a bend, 55 kN are its limit."""
    plan = load_plan(read_plan(plain_plan))
    pulls = plan.tables["pulls"].assign(
        governed_by=["bend", "pipe"], governing_chainage=[120.0, 697.0], pipe_strength=200e3,
        governing_force=[40e3, 50e3], governing_limit=[44e3, 100e3],
    )  # fmt: skip
    plan = replace(plan, tables={**plan.tables, "pulls": pulls})
    table = _table(plan, "Pulls; stop at")
    rows = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
    assert [row["stop at"] for row in rows] == ["55.0", "100.0"]
    assert [row["of pipe's, %"] for row in rows] == ["28", "50"]


def test_every_caution_stands_whole_on_every_sheet(plain: Path) -> None:
    for page in pypdf.PdfReader(plain).pages:
        text = " ".join(page.extract_text().split())
        assert all(words in text for words in CAUTIONS.values())


def test_the_pits_and_digs_of_a_pull_in_which_nobody_is_stand_beside_it(plain_plan: Path) -> None:
    plan = load_plan(read_plan(plain_plan))
    digs = plan.tables["local_digs"]
    more = pd.concat([digs, digs.assign(dig_id="R1-D2", spared=True)], ignore_index=True)
    told = dict(_table(replace(plan, tables={**plan.tables, "local_digs": more}), "While p").rows)
    assert told["L1"] == "while it moves nobody in P2, P1, D1"  # D2 is in a pit
    assert told["L2"] == "while it moves nobody in P2, P3"
    assert "winch slacked from outside; nobody enters" in told["each"]


def test_the_log_of_a_pull_has_its_ends_every_25_m_and_every_bend_with_the_force_to_stop_at(
    plain_plan: Path,
) -> None:
    plan = load_plan(read_plan(plain_plan))
    row = {"run_id": "R1", "pull_id": "R1-L1"}
    along = [0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 55.0]
    head = [5e3, 10e3, 15e3, 20e3, 20e3, 20e3, 22e3, 24e3]  # past the bend 33/20 of it
    forces = frame("forces", [
        {**row, "chainage": 345.0 - c, "pulled": c, "bend_limit": 33e3 if c == 40.0 else math.nan,
         "head_force": force}
        for c, force in zip(along, head, strict=True)
    ])  # fmt: skip
    table = _table(replace(plan, tables={**plan.tables, "forces": forces}), "Log of pulls")
    told = [dict(zip(table.columns, row, strict=True)) for row in table.rows]
    assert [row["pulled in, m"] for row in told] == ["0.0", "25.0", "40.0", "50.0", "55.0"]
    assert [row["stop"] for row in told] == ["100.0", "100.0", "33.0", "36.3", "39.6"]
    assert [row["in a bend"] for row in told] == ["", "", "bend", "", ""]


def test_a_run_tested_as_one_says_where_to_fill_and_what_gauges_at_its_ends_read(
    plain_plan: Path,
) -> None:
    """Ends at 98 and 105 m, the lowest point at 97 m: 9.8 kPa less a metre of water."""
    plan = load_plan(read_plan(plain_plan))
    sections = plan.tables["sections"].assign(low_z=97.0, low_chainage=20.0, fill_hours=0.5)
    plan = replace(plan, tables={**plan.tables, "sections": sections})
    told = dict(_table(plan, "While filling").rows)
    assert told["fill"].startswith("from P1, the lower end, 0.5 h at least; vent at P3")
    assert told["gauge"].startswith("1,200 kPa at the lowest point of the pulls, 0+020.0; at the")
    assert "in P1 1,190, P3 1,122;" in told["gauge"]
    assert told["passes"].startswith("within 5% over 1 h, no water added")


def test_a_plan_that_does_not_tell_the_ends_of_a_pull_apart_leaves_half_at_each(
    plain_plan: Path,
) -> None:
    """As the joint schedule of such a plan does."""
    plan = load_plan(read_plan(plain_plan))
    for head, due in ((math.nan, ("1.50", "1.50")), (2.0, ("2.00", "1.00"))):
        sections = plan.tables["sections"].assign(leave=3.0, leave_head=head)
        table = _table(replace(plan, tables={**plan.tables, "sections": sections}), "Test ")
        assert table.rows[0][1:3] == due


def test_the_thrust_on_the_ends_of_a_test_stands_in_the_test_section(plain_plan: Path) -> None:
    plan = load_plan(read_plan(plain_plan))
    sections = plan.tables["sections"].assign(end_thrust=133.2e3)
    plan = replace(plan, tables={**plan.tables, "sections": sections})
    assert (
        "(133.2 kN at the low point of the pulls)"
        in dict(_table(plan, "While filling").rows)["ends"]
    )
    table = _table(plan, "Test plan")
    assert dict(zip(table.columns, table.rows[0], strict=True))["thrust on a cap, kN"] == "133.2"


def test_digs_stand_in_the_schedules_with_the_depth_of_the_host_and_their_own(
    plain_plan: Path,
) -> None:
    plan = load_plan(read_plan(plain_plan))
    said = {"depth": 1.85, "depth_source": "assumed", "dig_depth": 2.0, "spared": False}
    digs = plan.tables["local_digs"].assign(**said)
    deep = replace(plan, tables={**plan.tables, "local_digs": digs})
    (table,) = (t for t in run_tables(deep, "R1") if t.heading.startswith("Local digs"))
    columns = dict(zip(table.columns, table.rows[0], strict=True))
    assert columns["depth, m"] == "1.85" and columns["dug"] == "2.00"
    assert columns["depth from"] == "assumed"


@pytest.mark.parametrize(
    ("stages", "words"),
    [(3.0, "3"), (0.0, "not grouted"), (float("nan"), "see warning")],
)
def test_the_stages_of_a_grout_limit_that_is_warned_of_stand_in_words_beside_it(
    plain_plan: Path, stages: float, words: str
) -> None:
    plan = load_plan(read_plan(plain_plan))
    sections = plan.tables["sections"].assign(
        grout_limit=0.0, grout_lifts=float("nan"), grout_stages=stages
    )
    warning = {"severity": "warning", "rule": "grout-beyond-limit", "feature": "R1-L1"}
    told = plan.tables["findings"].iloc[:1].assign(**warning)

    def grout(findings: Any) -> dict[str, str]:
        tables = {**plan.tables, "sections": sections, "findings": findings}
        every = run_tables(replace(plan, tables=tables, settings=grouted), "R1")
        (table,) = (table for table in every if table.heading.startswith("Test and grout plan"))
        return dict(zip(table.columns, table.rows[0], strict=True))

    grouted = {**plan.settings, "pulls.grouted": "true"}

    plain = grout(plan.tables["findings"])
    assert plain["grout limit, kPa"] == "0" and "stages" not in plain
    cells = grout(told)
    assert (cells["grout limit, kPa"], cells["stages"], cells["lifts"]) == ("0", words, "none")


def test_pits_with_leaning_sides_say_how_they_lean_and_that_their_size_is_that_of_the_bottom(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    """Their ground is drawn as wide as it is opened, and the size beside it is less."""

    def leaning(tables: dict[str, Any]) -> None:
        pits = tables["pits"]
        size.extend(pits.loc[1, ["length", "width"]])
        pits["side_slope"] = [0.0, 1.5, math.nan]

    size: list[float] = []
    path = write_sheet_plan(edit=leaning)
    text = text_of(draw(path))
    words = f"{size[0]:.2f} x {size[1]:.2f} m"
    assert f"{words} at the bottom" in text and text.count("at the bottom") == 1
    tables = run_tables(load_plan(read_plan(path)), "R1")
    (table,) = (t for t in tables if t.heading.startswith("Setting out of pits"))
    at = table.columns.index("sides")
    assert [row[at] for row in table.rows] == ["upright", "1.50", "-"]


def test_a_row_of_findings_names_what_of_the_run_it_is_of(plain_plan: Path) -> None:
    """ "This one", or "the pull", says nothing without it; of several runs those of this one."""
    plan = load_plan(read_plan(plain_plan))
    mains = str(plan.run("R1")["main_ids"]).split(",")
    cases = {
        "R1": "run",
        "R1-L1": "L1",
        mains[0]: mains[0],
        "R0,R1,R10": "run",
        "R0-L1,R1-L1,R1-L2,R10-L1": "L1, L2",
        "R1-L1,R1-L2,R1-P1,R1-P2": "L1, L2, P1 and 1 more",
    }
    first = plan.tables["findings"].iloc[0].to_dict()
    made = [
        {**first, "severity": "warning", "rule": "r", "feature": f, "text": "run R1: t"}
        for f in (*cases, "fid 5")
    ]
    told = replace(plan, tables={**plan.tables, "findings": pd.DataFrame(made)})
    (table,) = (t for t in run_tables(told, "R1") if t.heading.startswith("Warnings"))
    assert table.columns == ("rule", "of", "what was found")
    assert [row[1] for row in table.rows] == [*cases.values(), "fid 5"]


def test_costs_bear_the_currency_of_the_plan_on_the_cover_and_in_the_schedules(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    path = write_sheet_plan(settings={"rates.currency": "KRM"})
    plan = load_plan(read_plan(path))
    tables = [runs_drawn(plan), quantities_of_all(plan), *run_tables(plan, "R1")]
    costs = [name for table in tables for name in table.columns if "cost" in name]
    ours = "cost in KRM at the rates under settings"
    assert costs == ["cost in KRM", ours, ours]
    assert text_of(draw(path)).count("cost in KRM") == 3
    bare = replace(plan, settings={})
    assert "cost" in runs_drawn(bare).columns
    assert "cost at the rates under settings" in quantities_of_all(bare).columns


@pytest.mark.parametrize("grouted", [True, False])
def test_grout_is_told_of_only_where_annuli_are_grouted(plain_plan: Path, grouted: bool) -> None:
    plan = load_plan(read_plan(plain_plan))
    settings = {**plan.settings, "pulls.grouted": str(grouted).lower()}
    every = run_tables(replace(plan, settings=settings), "R1")
    (table,) = (table for table in every if table.heading.startswith("Test "))
    assert ("grout" in table.heading) == grouted
    assert any("grout" in name or name == "lifts" for name in table.columns) == grouted


def works(tables: dict[str, Any]) -> None:
    """Add strings and closures, of which some are small and some off all sheets, and a shutdown."""
    strings = [
        {"string_id": "R1-L1-S1", "pull_id": "R1-L1", "run_id": "R1", "number": 1,
         "length": 342.0, "joints": 28, "street": "Tarnhollow Way", "geometry": place(10, 200)},
        {"string_id": "R1-L2-S1", "pull_id": "R1-L2", "run_id": "R1", "number": 1,
         "length": 171.0, "joints": 13, "street": "Elsewhere", "geometry": place(4000, 200)},
    ]  # fmt: skip
    closure = {"run_id": "R1", "lanes_closed": 1, "lanes_left": 0, "first_day": 1.25,
               "last_day": 3.5, "days": 2.0, "geometry": place(-6, 300)}  # fmt: skip
    closures = [
        {**closure, "closure_id": "R1-P1-T1"},
        {**closure, "closure_id": "R1-P2-T1", "geometry": place(0, -4000)},
    ]
    for name, rows in (("strings", strings), ("closures", closures)):
        areas = [{**row, "geometry": row["geometry"].buffer(4)} for row in rows]
        tables[name] = frame(name, areas)
    near, far = at(60), place(3000, 60)
    tables["shutdowns"] = frame("shutdowns", [{
        "run_id": "R1", "valves": "V1,V2", "valve_count": 2,
        "geometry": shapely.MultiPoint([far, near])}])  # fmt: skip


def test_strings_are_told_as_they_are_fused_with_the_tails_and_the_joints_in_the_pit(
    write_sheet_plan: Callable[..., Path],
) -> None:
    """171 m are 15 pieces of 12 m; with 10 m of tails 181 m, and 16."""

    def edit(tables: dict[str, Any]) -> None:
        works(tables)
        strings = tables["strings"]
        strings["pull_id"], strings["number"] = "R1-L1", [1, 2]
        tables["sections"]["leave"] = 10.0
        tables["pulls"]["lanes_taken"] = 0
        task = {"run_id": "R1", "ref": "R1-L1"}
        tables["schedule"] = frame("schedule", [
            {**task, "task": "fuse the strings", "start_day": 1.5, "days": 2.0},
            {**task, "task": "pull the carrier in", "start_day": 4.0, "days": 0.5}])  # fmt: skip

    plan = load_plan(read_plan(write_sheet_plan(edit=edit)))
    plan = replace(plan, settings={**plan.settings, "pulls.piece_length": "12 m"})
    rows = _table(plan, "Strings as fused").rows
    assert rows[0][:4] == ("L1-S1", "342.0", "28", "0")
    assert rows[1][:6] == ("L2-S1", "181.0", "15", "1", "1.5", "4.5")
    assert rows[1][6].startswith("none; doors and footways")


def test_who_is_without_water_stands_in_the_shutdown_with_hydrants_and_days(
    write_sheet_plan: Callable[..., Path],
) -> None:
    def edit(tables: dict[str, Any]) -> None:
        works(tables)
        told = {"cut_off_length": 5121.0, "critical": 1, "services": 6, "hydrants": 43}
        tables["shutdowns"] = tables["shutdowns"].assign(**told)
        tables["schedule"] = frame("schedule", [
            {"run_id": "R1", "ref": "R1-L1", "task": task, "start_day": start, "days": 1.0}
            for task, start in (("clean and inspect the host", 2.0), ("tie in at the pit", 9.0))
        ])  # fmt: skip

    told = dict(_table(load_plan(read_plan(write_sheet_plan(edit=edit))), "Shutdown").rows)
    assert told["cut off besides"] == "5,121 m of mains beyond it"
    assert told["critical among them"].startswith("1:")
    assert told["hydrants without water"] == "43: tell the fire service"
    assert told["out of service"] == "8.0 working days, by the programme"


def test_valves_to_close_stand_with_their_place_as_the_file_has_it(
    write_sheet_plan: Callable[..., Path],
) -> None:
    def edit(tables: dict[str, Any]) -> None:
        works(tables)
        tables["shutdowns"]["valves_in_order"] = True

    plan = load_plan(read_plan(write_sheet_plan(edit=edit)))
    far, near = place(3000, 60), at(60)
    assert _table(plan, "Valves to close").rows == tuple(
        (name, f"{point.x:.2f}", f"{point.y:.2f}") for name, point in (("V1", far), ("V2", near))
    )


@pytest.mark.parametrize(("rule", "words"), [("PE", "none in it"), ("PVC", "may be added")])
def test_water_added_is_named_by_whether_the_test_allows_any(
    plain_plan: Path, rule: str, words: str
) -> None:
    plan = load_plan(read_plan(plain_plan))
    sections = plan.tables["sections"].assign(test_rule=rule)
    table = _table(replace(plan, tables={**plan.tables, "sections": sections}), "Test plan")
    assert words in table.columns[-1]


def test_a_shutdown_without_a_valve_to_close_says_that_there_is_none(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def edit(tables: dict[str, Any]) -> None:
        works(tables)
        tables["shutdowns"]["valves"] = ""

    text = text_of(draw(write_sheet_plan(edit=edit)))
    assert "valves to close none" in text
    assert "1 run drawn on" in text


def test_strings_closures_and_valves_to_close_are_named(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    path = draw(write_sheet_plan(edit=works), scale=500)
    text = text_of(path)
    assert "string L1-S1, 342.0 m" in text and "L1-S1 L1 342.0 28 - - - - Tarnhollow Way" in text
    assert "L2-S1 L2 171.0 13 - - - - Elsewhere" in text
    assert "closure P1-T1: 1 lane shut, none open that way 2.0 days within working" in text
    assert "working day 1.2 to 3.5, plated between" in text
    assert "P1-T1 1 0" in text
    assert "close V1" in text  # the valve on the strip; the other is far off
    assert "V2" in text and "close V2" not in text
    pages = [" ".join(p.extract_text().split()) for p in pypdf.PdfReader(path).pages]
    told = [k for k, page in enumerate(pages) if "in whole or part on no other" in page]
    assert told == [k for k, page in enumerate(pages) if "string L2-S1;" in page
                    or "closure P2-T1" in page]  # fmt: skip
    assert any("closure P2-T1" in pages[k] for k in told)
    assert not any("string L1-S1;" in pages[k] or "closure P1-T1;" in pages[k] for k in told)


def test_areas_too_small_for_words_are_counted(
    draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    text = text_of(draw(write_sheet_plan(edit=works), scale=5000))
    assert "string L1-S1, 342.0 m" not in text
    assert "left out for want of room; the schedules list all pits, pulls, bends" in text


@pytest.mark.parametrize("word", ["0+00.0", "131+42.9", "1234+56.7"])
def test_long_numbers_of_the_band_keep_within_their_row(word: str) -> None:
    size = fitting_size(word, 2.0, 8.0)
    assert text_width(word, size) <= 8.0 + 1e-9
    assert size == 2.0 or text_width(word, size) == pytest.approx(8.0)
    assert fitting_size("0+00.0", 2.0, 8.0) == 2.0


def test_the_programme_of_a_run_is_told_task_by_task_and_goes_on_over_the_page(
    plain: Path, draw: Callable[..., Path], write_sheet_plan: Callable[..., Path]
) -> None:
    def with_tasks(tables: dict[str, Any]) -> None:
        rows = [
            {"run_id": "R1", "task": f"task {k} <b>&</b>", "ref": "R1-P2", "crew": "digging",
             "start_day": k / 2, "days": 1.25, "critical": k == 3}
            for k in reversed(range(150))
        ]  # fmt: skip
        tables["schedule"] = frame("schedule", rows)

    plan = load_plan(read_plan(write_sheet_plan(edit=with_tasks)), runs=[])
    (table,) = [t for t in run_tables(plan, "R1") if t.heading.startswith("Programme")]
    assert table.rows[3] == ("1.5", "2.8", "1.2", "task 3 <b>&</b>", "P2", "digging", "yes")
    assert [row[3] for row in table.rows] == [f"task {k} <b>&</b>" for k in range(150)]
    text = text_of(draw(write_sheet_plan(edit=with_tasks)))
    assert "task 0 <b>&</b>" in text and "task 149 <b>&</b>" in text
    assert "Programme" in text and "(continued)" in text
    assert "Programme" not in text_of(plain)


def test_digs_that_are_not_told_as_spared_or_dug_are_neither_drawn_nor_lettered(
    write_sheet_plan: Callable[..., Path],
) -> None:
    def edit(tables: dict[str, Any]) -> None:
        digs = tables["local_digs"]
        tables["local_digs"] = digs.assign(spared=pd.array([None] * len(digs), dtype="boolean"))

    file = read_plan(write_sheet_plan(edit=edit))
    for read in (load_plan, read_drawn):
        with pytest.raises(LayerError, match="field spared: feature 1 is empty"):
            read(file)
