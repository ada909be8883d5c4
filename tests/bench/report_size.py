"""Size of the report of a large district, and how long it takes to write and to open.

``python tests/bench/report_size.py [RUNS]``; without Chromium and playwright it is not opened.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

from geotools.deliver.read_plan import read_plan
from geotools.deliver.report.html_file import write_report

sys.path.insert(0, str(Path(__file__).parents[1] / "deliver" / "report"))
from district import write_district


def main(runs: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        plan, target = Path(folder) / "plan.gpkg", Path(folder) / "report.html"
        write_district(plan, runs)
        print(f"plan      {runs:,} runs, {plan.stat().st_size / 1e6:.0f} MB")
        begun = time.perf_counter()
        write_report(target, read_plan(plan))
        size = target.stat().st_size
        print(f"report    {size / 1e6:.1f} MB, {size / runs:,.0f} bytes a run")
        print(f"written   in {time.perf_counter() - begun:.1f} s")
        open_it(target)


def open_it(target: Path) -> None:
    """Open the report in Chromium, and switch on the largest layer."""
    browser = shutil.which("chromium")
    if browser is None:
        print("opened    not tried: no chromium on the path")
        return
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        chromium = play.chromium.launch(executable_path=browser, args=["--no-sandbox"])
        page = chromium.new_page(viewport={"width": 1280, "height": 900})
        begun = time.perf_counter()
        page.goto(target.as_uri())
        page.wait_for_selector("body[data-ready]", timeout=120_000)
        print(f"opened    in {time.perf_counter() - begun:.1f} s")
        begun = time.perf_counter()
        page.locator("input[data-layer=local_digs]").check()
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => done()))")
        print(f"layer on  in {time.perf_counter() - begun:.1f} s")
        begun = time.perf_counter()
        page.locator("#findings input[type=search]").fill("R2999")
        page.evaluate("() => new Promise((done) => requestAnimationFrame(() => done()))")
        print(f"searched  in {time.perf_counter() - begun:.1f} s")
        chromium.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 3000)
