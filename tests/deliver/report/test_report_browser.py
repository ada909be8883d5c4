"""The report in a real browser: drawn, quiet, switched, filtered, read aloud, printed."""

from __future__ import annotations

import importlib.util
import shutil
import sys
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyogrio
import pytest
import shapely

import geotools
from geotools.cautions import CAUTIONS

sys.path.insert(0, str(Path(__file__).parent))
from district import CRS, write_district
from test_report import HOSTILE, spoil

BROWSER = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
pytestmark = [
    pytest.mark.skipif(BROWSER is None, reason="no chromium on the path"),
    pytest.mark.skipif(importlib.util.find_spec("playwright") is None, reason="no playwright"),
]


@dataclass
class Opened:
    """A page and what it did while it was open."""

    page: Any
    address: str
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=BROWSER, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    plan = write_district(folder / "plan.gpkg", 6, edit=spoil)
    backdrop(plan)
    geotools.report(plan, output=folder / "report.html", title=HOSTILE[0])
    return folder / "report.html"


def backdrop(plan: Path) -> None:
    """Add surroundings of every kind of geometry, and a layer nobody knows."""
    x, y = 450_000, 5_000_000
    shapes = {
        "streets": shapely.LineString([(x - 50, y), (x + 900, y + 60)]),
        "avoid": shapely.box(x + 100, y + 100, x + 200, y + 180),
        "hydrants": shapely.Point(x + 20, y + 30),
    }
    frame = gpd.GeoDataFrame(
        {"layer": list(shapes), "feature": list("123"), "name": HOSTILE[:3]},
        geometry=list(shapes.values()),
        crs=CRS,
    )
    frame["rank"], frame["verdict"] = [1, 2, 10], ["suitable", "doubtful", "suitable"]
    frame["run_id"] = ["X10", "X9", HOSTILE[3]]
    frame["lanes"], frame["oneway"] = 2, ""
    for name in ("context", "unheard_of"):
        pyogrio.write_dataframe(frame, plan, layer=name, geometry_type="Unknown", append=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of a layer written without a CRS
        bare = frame.set_crs(None, allow_override=True)
        pyogrio.write_dataframe(bare, plan, layer="sketch", append=True)
    ranked = frame.set_geometry([shapes["streets"]] * len(frame), crs=CRS)
    pyogrio.write_dataframe(ranked, plan, layer="ranking", append=True)


def short(tables: Any) -> None:
    """Leave few rows in every list: what looks at every element takes its time."""
    spoil(tables)
    for name in ("alternatives", "quantities", "findings"):
        tables[name] = tables[name].head(6)
    tables["settings"] = tables["settings"].tail(12)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    plan = write_district(folder / "plan.gpkg", 1, edit=short)
    geotools.report(plan, output=folder / "report.html")
    return folder / "report.html"


@pytest.fixture(scope="module")
def open_page(chromium: Any) -> Callable[..., Opened]:
    def opening(path: Path, width: int = 1280) -> Opened:
        page = chromium.new_page(viewport={"width": width, "height": 900}, reduced_motion="reduce")
        opened = Opened(page, path.as_uri())
        page.on("console", lambda m: opened.told.append(f"{m.type}: {m.text}"))
        page.on("pageerror", lambda e: opened.told.append(f"error: {e}"))
        page.on("request", lambda r: opened.asked.append(r.url))
        page.goto(opened.address)
        page.wait_for_selector("body[data-ready]", timeout=60_000)
        return opened

    return opening


@pytest.fixture
def opened(open_page: Callable[..., Opened], report: Path) -> Iterator[Opened]:
    """A fresh page; whatever a test does, nothing may be logged, asked for or run."""
    one = open_page(report)
    yield one
    assert one.told == []
    assert [url for url in one.asked if not url.startswith("data:")] == [one.address]
    assert one.page.evaluate("window.hit") is None
    one.page.close()


# Until what was asked for before is drawn.
TWO_FRAMES = "() => new Promise((go) => requestAnimationFrame(() => requestAnimationFrame(go)))"

INKED = """() => {
  const c = document.querySelector('#map canvas');
  const o = new OffscreenCanvas(c.width, c.height).getContext('2d', { willReadFrequently: true });
  o.drawImage(c, 0, 0);
  const d = o.getImageData(0, 0, c.width, c.height).data;
  let n = 0;
  for (let i = 3; i < d.length; i += 4) n += d[i] > 0;
  return n;
}"""
FRAMES = "() => new Promise((f) => requestAnimationFrame(() => requestAnimationFrame(() => f())))"


def inked(page: Any) -> int:
    """Count the pixels of the map that are drawn on."""
    page.evaluate(FRAMES)
    return int(page.evaluate(INKED))


def test_hostile_text_is_shown_as_text(opened: Opened) -> None:
    page = opened.page
    assert page.title() == page.locator("h1").inner_text() == HOSTILE[0]
    page.locator("#findings select[data-filter=severity]").select_option(index=0)
    shown = page.locator("#findings tbody tr").all_text_contents()
    for text in HOSTILE:
        assert any(text in row for row in shown), text
    assert page.locator("main img, main script, main b").count() == 0
    assert HOSTILE[2] in page.locator("#run").text_content()


def test_nothing_missing_is_spelt_out(opened: Opened) -> None:
    words = opened.page.evaluate(
        """() => { const found = [];
          const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
          while (walk.nextNode()) {
            const n = walk.currentNode;
            if (n.parentElement.closest('script, style')) continue;
            if (/null|undefined|NaN|\\[object/.test(n.data)) found.push(n.data.slice(0, 60));
          }
          return found; }"""
    )
    assert words == []


def test_map_is_drawn_and_its_layers_switch(opened: Opened) -> None:
    page = opened.page
    before = inked(page)
    assert before > 2000
    page.locator("input[data-layer=pits]").uncheck()
    without = inked(page)
    assert without < before
    page.locator("input[data-layer=pits]").check()
    assert inked(page) == before
    for layer in ("local_digs", "unheard_of"):
        more = inked(page)
        page.locator(f"input[data-layer={layer}]").check()
        assert inked(page) > more
    page.locator("input[data-layer=context]").uncheck()
    assert inked(page) > before


def test_what_has_no_place_on_the_map_is_named_below_it(opened: Opened) -> None:
    said = opened.page.locator("#map-section .map-main").inner_text()
    assert "Not on the map: layer sketch: has no CRS." in said


def test_a_click_on_the_map_tells_about_the_feature(opened: Opened) -> None:
    page = opened.page
    page.locator("#pulls a, #pulls button").get_by_text("R0002-P3", exact=True).click()
    told = "() => document.querySelector('#details').innerText.includes('R0002-P3')"
    page.wait_for_function(told)
    page.evaluate(TWO_FRAMES)
    page.locator("#details").evaluate("(node) => node.replaceChildren()")
    box = page.locator("#map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_function(told)
    assert "Street" in page.locator("#details").inner_text()


def test_the_map_pans_and_zooms_by_keys_and_buttons(opened: Opened) -> None:
    page = opened.page
    place = "() => document.querySelector('.leaflet-map-pane').style.transform"
    scale = page.locator(".leaflet-control-scale").inner_text()
    page.locator("#map").focus()
    first = page.evaluate(place)
    page.keyboard.press("ArrowRight")
    page.wait_for_function(f"(first) => ({place})() !== first", arg=first)
    for _ in range(4):
        page.keyboard.press("+")
        page.evaluate(TWO_FRAMES)
    shown = "document.querySelector('.leaflet-control-scale').innerText"
    page.wait_for_function(f"(scale) => {shown} !== scale", arg=scale)
    page.get_by_role("button", name="Show everything").click()
    page.wait_for_function(f"(scale) => {shown} === scale", arg=scale)


def test_tables_filter_search_and_sort(opened: Opened) -> None:
    page = opened.page
    block = page.locator("#pulls .table-block").nth(1)
    rows = block.locator("tbody tr")
    assert rows.count() == 24
    head = block.get_by_role("button", name="Utilisation")
    for order, sign in (("ascending", 1), ("descending", -1)):
        head.click()
        assert block.locator("th[aria-sort]").get_attribute("aria-sort") == order
        place = block.locator("th[aria-sort]").evaluate("(node) => node.cellIndex")
        values = [float(t) for t in block.locator(f"td:nth-child({place + 1})").all_inner_texts()]
        assert values == sorted(values, key=lambda v: sign * v)
        assert len(set(values)) > 5
    block.locator("input[type=search]").fill("r0003-l2")
    assert rows.count() == 1
    assert block.locator(".count").inner_text() == "1 of 24 rows"

    ranking = page.locator("#ranking")
    ranking.get_by_role("button", name="Rank", exact=True).click()
    ranking.get_by_role("button", name="Rank", exact=True).click()
    place = ranking.locator("th[aria-sort]").evaluate("(node) => node.cellIndex")
    assert ranking.locator(f"td:nth-child({place + 1})").all_inner_texts() == ["10", "2", "1"]
    ranking.locator("input[type=search]").fill("x9")
    assert ranking.locator("tbody tr").count() == 1

    findings = page.locator("#findings")
    findings.locator("select[data-filter=severity]").select_option(label="warning (6)")
    assert findings.locator("tbody tr").count() == 6
    assert set(findings.locator("tbody .badge").all_inner_texts()) == {"warning"}


def test_long_tables_show_a_part_until_asked_for_all(opened: Opened) -> None:
    block = opened.page.locator("#alternatives")
    assert block.locator("tbody tr").count() == 25
    assert "Shown: 25 of 264 rows" in block.locator("caption").inner_text()
    block.get_by_role("button", name="Show all 264").click()
    assert block.locator("tbody tr").count() == 264


def test_each_run_has_profile_forces_and_tables(opened: Opened) -> None:
    page = opened.page
    page.locator("#run-select").select_option(label="R0004")
    run = page.locator("#run")
    assert run.locator("h3").first.inner_text() == "Run R0004"
    assert run.locator("svg.chart[role=img]").count() == 1 + 4 + 1
    assert run.locator("svg[role=img] .ground").get_attribute("d").count("L") > 20
    assert run.locator("svg[role=img] rect.pit").count() >= 5
    told = run.locator(".forces figcaption p").all_inner_texts()
    assert ["allowed there" in text for text in told] == [True, False, False, False]
    slider = run.locator("input[type=range]")
    slider.focus()
    page.keyboard.press("ArrowRight")
    assert "depth to invert" in run.locator("output").inner_text()


def test_each_run_has_a_programme_whose_bars_lie_on_the_days_of_its_tasks(opened: Opened) -> None:
    """Bars against the tasks of the plan: 44 of a day each, the first on day 0, to day 22.5."""
    page = opened.page
    page.locator("#run-select").select_option(label="R0004")
    figure = page.locator("#run figure", has=page.get_by_role("heading", name="Programme"))
    bars = figure.locator("svg[role=img] rect.task")
    assert bars.count() == 44
    assert figure.locator("svg[role=img] rect.task.critical").count() == 15  # every third
    spans = bars.evaluate_all(
        "all => all.map((b) => [b.querySelector('title').textContent, "
        "b.x.baseVal.value, b.width.baseVal.value])"
    )
    low = min(x for _, x, _ in spans)
    day = (max(x + w for _, x, w in spans) - low) / 22.5
    starts = sorted((x - low) / day for _, x, _ in spans)
    assert starts == pytest.approx([k / 2 for k in range(44)], abs=1e-3)
    assert all(w == pytest.approx(day, rel=1e-3) for _, _, w in spans)
    assert "dig the pit, R0004-P1, day 0.0 to 1.0" in [text for text, _, _ in spans]
    # five closures of four days, each a day and a half after the other, one lane each
    lanes = figure.locator("rect.lanes title").all_text_contents()
    assert [int(text.split()[0]) for text in lanes] == [1, 2, 3, 2, 3, 2, 3, 2, 1]
    assert "22.5 working days" in figure.locator("figcaption p").inner_text()
    assert page.get_by_text("Tasks of run R0004, in working days").count() == 1


def of_two_crews(tables: Any) -> None:
    """Let the pulling of a run take who fuses too."""
    table = tables["schedule"]
    pulled = (table["run_id"] == "R0004") & (table["task"] == "pull")
    table.loc[pulled, "crew"] = "pulling and fusing"


def test_a_task_of_two_crews_is_a_bar_in_the_row_of_either(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    """44 tasks of four crews in turn: 11 of each, and 11 more in the row of who fuses."""
    plan = write_district(tmp_path / "plan.gpkg", 5, edit=of_two_crews)
    geotools.report(plan, output=tmp_path / "report.html")
    page = open_page(tmp_path / "report.html").page
    page.locator("#run-select").select_option(label="R0004")
    figure = page.locator("#run figure", has=page.get_by_role("heading", name="Programme"))
    rows = figure.locator("svg[role=img] rect.task").evaluate_all(
        "all => all.map((bar) => bar.y.baseVal.value)"
    )
    assert sorted(rows.count(row) for row in set(rows)) == [11, 11, 11, 22]


def in_a_few_days(tables: Any) -> None:
    """Let the longest run be done in four and a half working days."""
    for name, fields in (
        ("schedule", ["start_day", "days"]),
        ("closures", ["first_day", "last_day"]),
    ):
        tables[name][fields] /= 5


def test_ticks_of_a_programme_are_labelled_with_the_day_they_stand_at(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    plan = write_district(tmp_path / "plan.gpkg", 5, edit=in_a_few_days)
    geotools.report(plan, output=tmp_path / "report.html")
    page = open_page(tmp_path / "report.html").page
    page.locator("#run-select").select_option(label="R0004")
    figure = page.locator("#run figure", has=page.get_by_role("heading", name="Programme"))
    marks = figure.locator("svg[role=img] line.grid + text").evaluate_all(
        "all => all.map((t) => [t.x.baseVal[0].value, t.textContent])"
    )
    (low, first), (high, last) = marks[0], marks[-1]
    assert (first, last, len(marks)) == ("0.0", "4.5", 10)
    day = (high - low) / 4.5
    assert [float(text) for _, text in marks] == pytest.approx([(x - low) / day for x, _ in marks])


def test_every_control_is_reached_by_tab_and_shows_that_it_is(
    open_page: Callable[..., Opened], small: Path
) -> None:
    page = open_page(small).page
    expected = page.evaluate(
        """() => [...document.querySelectorAll(
          'a[href], button, input, select, summary, [tabindex="0"]')]
          .filter((n) => n.checkVisibility() && !n.disabled)
          .map((n, i) => { n.dataset.n = i; return i; })"""
    )
    seen, unclear = set(), []
    for _ in range(len(expected) + 5):
        page.keyboard.press("Tab")
        number, ringed, what = page.evaluate(
            """() => {
              const n = document.activeElement;
              const s = getComputedStyle(n);
              return [n.dataset.n, s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2,
                n.outerHTML.slice(0, 90)];
            }"""
        )
        if number is not None:
            seen.add(int(number))
            if not ringed:
                unclear.append(what)
    assert unclear == []
    assert sorted(seen) == expected
    page.close()


# Independent of this code: the rules of axe-core, among them contrast, names, roles, headings.
def test_accessibility_rules_of_wcag_aa_hold(chromium: Any, small: Path) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="no axe")
    context = chromium.new_context(bypass_csp=True, viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.goto(small.as_uri())
    page.wait_for_selector("body[data-ready]")
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
    wanted = {"runOnly": rules, "resultTypes": ["violations"]}
    found = axe.Axe().run(page, options=wanted).response
    context.close()
    assert len(found["passes"]) > 15
    faults = [(v["id"], [n["html"][:120] for n in v["nodes"][:3]]) for v in found["violations"]]
    assert faults == []


# WCAG 2.1, 1.4.3 and 1.4.11: 4.5 for text, 3 for what must be told apart in a drawing.
CONTRAST = """() => {
  const rgb = (t) => t.match(/[\\d.]+/g).map(Number);
  const lum = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => (v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ratio = (a, b) => (Math.max(lum(a), lum(b)) + 0.05) / (Math.min(lum(a), lum(b)) + 0.05);
  const white = [255, 255, 255];
  const of = (query, part) => [...document.querySelectorAll(query)].map((n) => [
    n.getAttribute('class') || n.tagName, ratio(rgb(getComputedStyle(n)[part]), white)]);
  return { text: of('.chart text', 'fill'),
    marks: [...of('.chart .ground, .chart .host-axis, .chart .force, .chart .limit, .chart .depth,'
      + '.chart .pit, .chart .bend, .chart .pull', 'stroke'), ...of('.chart .arrow', 'fill')] };
}"""


def test_charts_have_contrast(opened: Opened) -> None:
    found = opened.page.evaluate(CONTRAST)
    assert len(found["text"]) > 20 and len(found["marks"]) > 20
    assert [one for one in found["text"] if one[1] < 4.5] == []
    assert [one for one in found["marks"] if one[1] < 3] == []


@pytest.mark.parametrize("width", [1280, 390])
def test_page_is_no_wider_than_the_window(
    open_page: Callable[..., Opened], report: Path, width: int
) -> None:
    one = open_page(report, width)
    assert one.page.evaluate("document.documentElement.scrollWidth") == width
    sizes = one.page.locator("#run svg.chart[role=img]").evaluate_all(
        "(nodes) => nodes.map((n) => n.getBoundingClientRect().width)"
    )
    assert max(sizes) <= width and min(sizes) >= 250
    one.page.close()


def test_printed_it_holds_every_run_the_map_and_the_cautions(opened: Opened) -> None:
    page = opened.page
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    planned = page.locator("#run-select option:not(:text('no plan'))").all_text_contents()
    heads = page.locator("#print-runs h3:text-matches('^Run ')").all_inner_texts()
    assert heads == [f"Run {name}" for name in planned]
    assert page.locator("#map-print path").count() > 20
    assert page.locator("#cautions li").all_inner_texts() == list(CAUTIONS.values())
    assert page.locator("#settings tbody tr").count() > 100
    assert not page.locator(".controls").first.is_visible()
    page.set_viewport_size({"width": 703, "height": 900})  # A4 less its margins
    wide = page.evaluate(
        """() => [...document.querySelectorAll('main table, main svg')].filter((n) =>
          n.checkVisibility() && n.getBoundingClientRect().right > innerWidth + 1)
          .map((n) => n.outerHTML.slice(0, 80))"""
    )
    assert wide == []
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert page.locator("#print-runs *").count() == 0


def test_a_packed_report_opens_too(
    open_page: Callable[..., Opened], small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("geotools.deliver.report.html_file._PACK_ABOVE", 1000)
    geotools.report(small.with_name("plan.gpkg"), output=tmp_path / "report.html")
    one = open_page(tmp_path / "report.html")
    assert one.page.locator("#content").get_attribute("type") == "application/gzip"
    assert HOSTILE[0] in one.page.locator("#findings").text_content()
    assert one.told == []
    assert len(one.asked) == 1
    one.page.close()


def test_a_summary_of_districts_is_shown_with_its_tables_and_its_map(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    plan = write_district(tmp_path / "summary.gpkg", 2, edit=only_settings)
    x, y = 450_000, 5_000_000
    districts = gpd.GeoDataFrame(
        {
            "district": [HOSTILE[0], "South"], "status": ["done", "failed"],
            "error": ["", "no ground"], "file": ["north.gpkg", ""], "runs_planned": [1, 0],
            "runs_without_plan": [1, 0], "runs_not_suitable": [0, 0], "pits": [2, 0],
            "pulls": [1, 0], "length_m": [400.0, 0.0], "cost": [9000.0, 0.0],
        },
        geometry=[shapely.box(x, y, x + 500, y + 300), shapely.box(x, y - 300, x + 500, y)],
        crs=CRS,
    )  # fmt: skip
    runs = gpd.GeoDataFrame(
        {"rank": [1, 2], "district": HOSTILE[0], "run_id": ["R1", "R2"],
         "status": ["planned", "no_plan"], "length_m": [400.0, 90.0], "cost": [9000.0, None]},
        geometry=[shapely.LineString([(x, y + d), (x + 400, y + d)]) for d in (50, 150)],
        crs=CRS,
    )  # fmt: skip
    for name, frame in (("district_results", districts), ("district_runs", runs)):
        pyogrio.write_dataframe(frame, plan, layer=name, append=True)
    done = geotools.report(plan, output=tmp_path / "summary.html")
    assert "2 districts" in done.text
    shown = open_page(tmp_path / "summary.html")
    page = shown.page
    assert page.locator("#kicker").inner_text().startswith("Plans of districts")
    told = page.locator("#facts dd.value").all_inner_texts()
    assert told[:6] == ["1 of 2", "1", "400 m", "9,000", "2", "1"]
    assert page.locator("#districts-section table").count() >= 2
    assert page.locator("input[data-layer=district_runs]").is_checked()
    keys = page.locator(".layer:has(input[data-layer=district_results]) .keys .key")
    assert keys.all_inner_texts() == ["done", "failed"]
    looks = keys.locator("svg").evaluate_all("all => all.map((one) => one.innerHTML)")
    assert len(set(looks)) == 2
    page.evaluate(FRAMES)
    assert page.evaluate(INKED) > 100
    assert shown.told == []
    assert page.evaluate("window.hit") is None
    page.close()


def only_settings(tables: Any) -> None:
    for name in set(tables) - {"settings"}:
        del tables[name]


def test_a_comparison_of_plans_is_shown_with_its_tables_and_its_map(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    one, two = (write_district(tmp_path / f"{name}.gpkg", 2) for name in ("near", "far"))
    geotools.compare([one, two], output=tmp_path / "compared.gpkg")
    geotools.report(tmp_path / "compared.gpkg", output=tmp_path / "compared.html")
    shown = open_page(tmp_path / "compared.html")
    page = shown.page
    assert page.locator("#kicker").inner_text().startswith("Comparison of plans")
    assert page.locator("#facts dd.value").all_inner_texts()[:2] == ["2", "2"]
    tables = page.locator("#comparison-section table")
    assert tables.count() >= 2
    assert {"near", "far"} <= set(tables.nth(0).locator("tbody td:first-child").all_inner_texts())
    page.evaluate(FRAMES)
    assert page.evaluate(INKED) > 100
    assert shown.told == []
    page.close()


def pennies(tables: Any) -> None:
    """One item of 3.5 and ten that are shown as nothing: 4 together."""
    short(tables)
    tables["quantities"] = tables["quantities"].head(1).assign(cost=3.5)
    more = [tables["quantities"].assign(item=f"more {k}", cost=0.05) for k in range(10)]
    tables["quantities"] = pd.concat([tables["quantities"], *more], ignore_index=True)


def lane_days(tables: Any) -> None:
    """Hours and lane-days of fractions beside tonnes: each is shown as it is priced."""
    row = tables["quantities"].head(1).assign(run_id="R0004", scope="run", ref="R0004", cost=9.0)
    said = (("lane closed for a day", "lane-days", 25.46), ("pulling", "h", 0.262),
            ("pits", "pits", 3.0), ("pipe", "kg", 12_345.64))  # fmt: skip
    tables["quantities"] = pd.concat(
        [row.assign(item=item, unit=unit, quantity=q) for item, unit, q in said], ignore_index=True
    )


def test_quantities_of_a_run_are_shown_to_the_tenth_and_lane_days_are_one_number(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    plan = write_district(tmp_path / "plan.gpkg", 5, edit=lane_days)
    geotools.report(plan, output=tmp_path / "report.html")
    page = open_page(tmp_path / "report.html").page
    page.locator("#run-select").select_option(label="R0004")
    figure = page.locator("#run figure", has=page.get_by_role("heading", name="Programme"))
    assert "25.5 lane-days, as priced" in figure.locator("figcaption p").inner_text()
    items = page.locator("#run table", has_text="Quantities of run R0004").locator("tbody tr")
    shown = sorted(row.split("\t")[1:-1] for row in items.all_inner_texts())
    said = [["h", "0.3"], ["kg", "12,345.6"], ["lane-days", "25.5"], ["pits", "3"]]
    assert shown == said


def test_the_total_of_the_quantities_is_that_of_the_file(
    tmp_path: Path, open_page: Callable[..., Opened]
) -> None:
    plan = write_district(tmp_path / "plan.gpkg", 1, edit=pennies)
    geotools.report(plan, output=tmp_path / "report.html")
    shown = open_page(tmp_path / "report.html")
    assert ", 4 in all." in shown.page.locator("#quantities-section").inner_text()
    assert shown.told == []
    shown.page.close()
