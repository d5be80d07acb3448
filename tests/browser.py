"""Debian's Chromium, headless, driven by playwright: opened pages, what they asked for, what they complained of."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rasterio.io import MemoryFile

QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--no-first-run",
)  # fmt: skip
AXE = "axe.min.js"
ROOT = Path(__file__).resolve().parents[1]


@dataclass
class Opened:
    """A page in the browser. asked: addresses that were asked for; told: complaints of the console, and dialogs."""

    page: Any
    asked: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)

    @property
    def strays(self) -> list[str]:
        """What was asked for beyond the file itself and what stands in it."""
        return [a for a in self.asked if not a.startswith(("file:", "data:"))]

    def text(self, selector: str) -> str:
        return " ".join(self.page.locator(selector).inner_text().split())

    def ids(self) -> list[str]:
        """Ids in the table as it stands."""
        return self.page.eval_on_selector_all("#table .pick", "all => all.map(b => b.textContent)")

    def settle(self, milliseconds: int = 0) -> None:
        """Until what was asked for is drawn, two frames on; with time for what waits for a timer."""
        if milliseconds:
            self.page.wait_for_timeout(milliseconds)
        self.page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")

    def canvas(self) -> np.ndarray:
        """The map as seen, (h, w, 3), in CSS pixels."""
        self.settle()
        picture = self.page.locator("#canvas").screenshot()
        with MemoryFile(picture) as memory, memory.open() as file:
            return np.moveaxis(file.read()[:3], 0, 2)


class Browser:
    """One browser for a module; every page in a context of its own."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    @contextmanager
    def open(self, path: Path, width: int = 1280, height: int = 900, **context: Any) -> Iterator[Opened]:
        """A page that is ready, and closed after; without motion, so that nobody waits for it."""
        made = self.driver.new_context(
            viewport={"width": width, "height": height}, **{"reduced_motion": "reduce"} | context
        )
        made.set_default_timeout(8000)
        opened = Opened(made.new_page())
        on = opened.page.on
        on("request", lambda r: opened.asked.append(r.url))
        on("console", lambda m: opened.told.append(m.text) if m.type in ("error", "warning") else None)
        on("pageerror", lambda e: opened.told.append(str(e)))
        on("dialog", lambda d: (opened.told.append(f"dialog {d.message}"), d.dismiss()))
        opened.page.goto(path.as_uri())
        opened.page.wait_for_selector("html[data-ready=true]", state="attached")
        try:
            yield opened
        finally:
            made.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Skips where there is no Chromium or no playwright."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("no chromium on the path (Debian's package)")
    with api.sync_playwright() as play:
        driver = play.chromium.launch(executable_path=found, args=list(QUIET))
        yield Browser(driver)
        driver.close()


def axe_source() -> str:
    """axe-core where `.ci/run` puts it; skips where it is not."""
    path = ROOT / ".ci" / "node_modules" / "axe-core" / AXE
    if not path.is_file():
        pytest.skip(f"no axe-core: .ci/run puts it into {path.parent.relative_to(ROOT)}")
    return path.read_text(encoding="utf-8")
