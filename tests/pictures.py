"""The pictures of the README, made anew from the sample project: `python -m tests.pictures`, with Debian's chromium."""

from __future__ import annotations

import shutil
import tempfile
from datetime import date
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

from gradecheck import Plan, run, write_starter

FOLDER = Path(__file__).resolve().parents[1] / ".readme"
WIDE, TALL = 1200, 900


def main() -> None:
    """Write map.png and section.png."""
    with tempfile.TemporaryDirectory() as name, sync_playwright() as driver:
        plan = Plan.load(write_starter(Path(name) / "sample"))
        run(plan, today=date(2026, 11, 25))
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDE, "height": TALL}, color_scheme="light")
        page.goto((plan.resolve(plan.output.dir) / "report.html").as_uri())
        page.wait_for_selector("html[data-ready=true]")
        page.get_by_role("button", name="QH-0026").click()
        page.locator(".pair").scroll_into_view_if_needed()
        page.wait_for_timeout(500)
        page.locator(".pair").screenshot(path=FOLDER / "map.png")
        figure = page.locator("figure.section").first
        figure.scroll_into_view_if_needed()
        page.wait_for_timeout(500)
        figure.screenshot(path=FOLDER / "section.png")
        browser.close()
    for name in ("map.png", "section.png"):  # a palette: small enough to be kept beside the text
        Image.open(FOLDER / name).convert("RGB").quantize(200, Image.Quantize.MAXCOVERAGE).save(
            FOLDER / name, optimize=True
        )


if __name__ == "__main__":
    main()
