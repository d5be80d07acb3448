"""report.html as its readers use it: in Debian's Chromium, by mouse, keyboard and printer, without a network."""

from __future__ import annotations

import io
import re
import unicodedata
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from pypdf import PdfReader

from gradecheck import Plan
from tests.browser import Browser, Opened, axe_source
from tests.browser import browser as browser  # a fixture
from tests.conftest import Sample
from tests.projects import three, tiny_plan
from tests.report_pages import HOSTILE, KINDS, Page, hostile_plan, made, many
from tests.report_pages import page as page  # a fixture

pytestmark = pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")  # pictures have no place

MINUS = "\u2212"
FOCUS = (11, 95, 165)  # --focus of style.css in light
COLUMNS = {
    "Hydrant": "id", "Street": "street", "Job": "job", "What to do": "label", "Choice": "choice", "Ground": "change",
    "±": "change_sd", "Flange today": "now", "if left": "undone", "then": "final", "Sure": "sure",
    "Cautions": "cautions",
}  # fmt: skip
NUMERIC = {"change", "change_sd", "now", "undone", "final", "sure"}


@pytest.fixture(scope="module")
def path(sample: Sample) -> Path:
    return sample.out / "report.html"


@pytest.fixture
def opened(browser: Browser, path: Path) -> Iterator[Opened]:
    """The sample's page; whatever a test does to it, it asks for nothing and complains of nothing."""
    with browser.open(path) as found:
        yield found
        assert found.told == []
        assert found.strays == []


def written(found: Page, folder: Path) -> Path:
    path = folder / "page.html"
    path.write_text(found.text, encoding="utf-8")
    return path


def hydrant_rows(page: Page) -> list[dict[str, Any]]:
    """What the table shows, from the embedded numbers."""
    h, data = page.hydrants, page.data
    choice, street = page.coded("choice", h["choices"]), page.coded("street", h["streets"])
    codes = [" ".join(data["cautions"][k][0] for k in c or []) for c in page.column("cautions")]
    columns = {name: page.column(name) for name in (*NUMERIC, "firm", "reviewed")}
    return [
        {
            "id": h["id"][k],
            "street": street[k],
            "job": "" if h["job"][k] < 0 else data["jobs"][h["job"][k]],
            "action": data["actions"][h["action"][k]][0],
            "label": data["actions"][h["action"][k]][1]["label"],
            "choice": choice[k] + ("?" if choice[k] and page.actions[k] in ("measure", "on_site") else ""),
            "cautions": codes[k],
            "x": h["x"][k],
            "y": h["y"][k],
            "reason": h["reasons"][h["reason"][k]],
            **{name: values[k] for name, values in columns.items()},
        }
        for k in range(len(h["id"]))
    ]


ALL_PAGES = """() => {
  const found = [], first = document.getElementById('earlier'), later = document.getElementById('later');
  while (!first.disabled) first.click();
  for (;;) {
    found.push(...Array.from(document.querySelectorAll('#table .pick'), (b) => b.textContent));
    if (later.disabled) return found;
    later.click();
  }
}"""


def listed(opened: Opened) -> list[str]:
    """Ids of all rows of the table, page after page."""
    return opened.page.evaluate(ALL_PAGES)


def choose(opened: Opened, hydrant: str) -> None:
    opened.page.locator("#table .pick", has_text=re.compile(f"^{re.escape(hydrant)}$")).focus()
    opened.settle()


def current(opened: Opened) -> str:
    return opened.page.locator("#table tr[aria-current=true] .pick").inner_text()


def changed(before: np.ndarray, after: np.ndarray) -> int:
    """How many pixels differ plainly."""
    return int((np.abs(before.astype(int) - after.astype(int)).max(axis=2) > 40).sum())


# --- filters ------------------------------------------------------------------------------------------------------


def pick_chip(opened: Opened) -> None:
    opened.page.locator(".chip[data-action=extend]").click()


FILTERS = {
    "an action switched off": (pick_chip, lambda r: r["action"] != "extend"),
    "a street": (lambda o: o.page.locator("#find").fill("taNSy"), lambda r: r["street"] == "Tansy Lane"),
    "an id": (lambda o: o.page.locator("#find").fill("h-004"), lambda r: "H-004" in r["id"]),
    "a job": (lambda o: o.page.locator("#job").select_option(label="Q-102"), lambda r: r["job"] == "Q-102"),
    "firm ones": (lambda o: o.page.locator("#which").select_option("firm"), lambda r: r["firm"]),
    "open ones": (lambda o: o.page.locator("#which").select_option("open"), lambda r: r["job"] and not r["firm"]),
    "cautions": (lambda o: o.page.locator("#which").select_option("caution"), lambda r: r["cautions"]),
    "nothing": (lambda o: o.page.locator("#find").fill("no such hydrant"), lambda r: False),
}


@pytest.mark.parametrize("name", FILTERS)
def test_a_filter_holds_for_status_table_and_map_alike(name: str, opened: Opened, page: Page) -> None:
    do, holds = FILTERS[name]
    before = opened.canvas()
    do(opened)
    wanted = {r["id"] for r in hydrant_rows(page) if holds(r)}
    total = len(page.hydrants["id"])
    assert 0 <= len(wanted) < total
    assert opened.text("#shown").startswith(f"{len(wanted)} of {total} ")
    found = listed(opened)
    assert (len(found), set(found)) == (len(wanted), wanted)
    assert changed(before, opened.canvas()) > 150
    opened.page.locator("#reset").click()
    opened.settle(20)
    assert len(listed(opened)) == total
    assert changed(before, opened.canvas()) == 0


def test_what_is_switched_off_says_so_to_all_readers(opened: Opened) -> None:
    chip = opened.page.locator(".chip[data-action=extend]")
    assert chip.get_attribute("aria-pressed") == "true"
    chip.click()
    assert chip.get_attribute("aria-pressed") == "false"
    assert chip.evaluate("e => getComputedStyle(e).borderTopStyle") == "dashed"


def test_only_what_the_map_shows_follows_the_map(opened: Opened, page: Page) -> None:
    total = len(page.hydrants["id"])
    opened.page.locator("#in-view").check()
    opened.page.locator("#fit-all").click()
    opened.settle(200)
    assert opened.text("#shown").startswith(f"{total} of {total} ")
    counts = []
    for _ in range(4):
        opened.page.locator("#closer").click()
        opened.settle(200)
        counts.append(int(opened.text("#shown").split()[0]))
        assert len(listed(opened)) == counts[-1]
    assert total > counts[0] > counts[1] >= counts[2] >= counts[3]
    opened.page.locator("#in-view").uncheck()
    assert len(listed(opened)) == total


# --- one hydrant --------------------------------------------------------------------------------------------------


def lonely(page: Page) -> list[dict[str, Any]]:
    """Hydrants of jobs, from the middle of the map, none beside another."""
    rows = hydrant_rows(page)
    at = np.array([(r["x"], r["y"]) for r in rows])
    jobs = np.array([bool(r["job"]) for r in rows])
    low, high = at[jobs].min(axis=0), at[jobs].max(axis=0)
    within = ((at > low + 0.12 * (high - low)) & (at < high - 0.12 * (high - low))).all(axis=1) & jobs
    apart = np.array([np.sort(np.hypot(*(at - p).T))[1] for p in at])
    best = sorted(np.flatnonzero(within), key=lambda k: -apart[k])
    return [rows[k] for k in best]


def ring_at(before: np.ndarray, after: np.ndarray) -> tuple[float, float]:
    """The middle of the ring about the hydrant chosen: of what has come to have its colour."""
    near = lambda image: np.abs(image.astype(int) - FOCUS).max(axis=2) < 20  # noqa: E731
    y, x = np.nonzero(near(after) & ~near(before))
    assert len(x) > 40
    return float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2


def test_a_click_on_a_mark_chooses_the_row_and_shows_its_reason(opened: Opened, page: Page) -> None:
    first, other = lonely(page)[:2]
    opened.page.locator("#fit").click()
    before = opened.canvas()
    choose(opened, first["id"])
    x, y = ring_at(before, opened.canvas())
    choose(opened, other["id"])
    assert current(opened) == other["id"]
    opened.page.locator("#canvas").click(position={"x": x, "y": y})
    opened.settle()
    assert current(opened) == first["id"]
    assert first["reason"] in opened.text("#detail")
    assert opened.page.locator("#table tr[aria-current=true]").count() == 1


def test_rings_of_hydrants_stand_apart_as_the_hydrants_do_north_up(opened: Opened, page: Page) -> None:
    chosen: list[dict[str, Any]] = []
    for row in lonely(page):
        if all(np.hypot(row["x"] - r["x"], row["y"] - r["y"]) > 90 for r in chosen):
            chosen.append(row)
    opened.page.locator("#fit").click()
    seen = []
    for row in chosen[:5]:
        opened.page.locator("#find").fill("no such hydrant")
        before = opened.canvas()
        opened.page.locator("#find").fill(row["id"])
        choose(opened, row["id"])
        opened.page.locator("#find").fill("no such hydrant")  # the ring alone is left
        seen.append(ring_at(before, opened.canvas()))
    assert len(seen) == 5
    screen, ground = np.array(seen), np.array([(r["x"], r["y"]) for r in chosen[:5]])
    d, moved = ground[1:] - ground[0], screen[1:] - screen[0]
    scale = np.hypot(*moved[0]) / np.hypot(*d[0])
    assert moved[:, 0] == pytest.approx(scale * d[:, 0], abs=3)
    assert moved[:, 1] == pytest.approx(-scale * d[:, 1], abs=3)


def test_choosing_a_hydrant_in_sight_does_not_move_the_map(opened: Opened, page: Page) -> None:
    opened.page.locator("#fit").click()
    rows = [r for r in hydrant_rows(page) if r["job"]]
    for row in (min(rows, key=lambda r: r["x"]), max(rows, key=lambda r: r["x"]), min(rows, key=lambda r: r["y"])):
        before = opened.canvas()
        opened.page.locator("#find").fill(row["id"])
        choose(opened, row["id"])
        opened.page.locator("#find").fill("")
        assert changed(before, opened.canvas()) < 1500, row["id"]  # two rings


def test_focus_on_a_row_shows_the_hydrants_numbers_and_reason(opened: Opened, page: Page) -> None:
    first = set(opened.ids())
    rows = {r["action"]: r for r in hydrant_rows(page) if r["id"] in first}
    for row in rows.values():
        choose(opened, row["id"])
        told = opened.text("#detail")
        assert opened.page.locator("#detail h3").inner_text().strip() == row["id"]
        assert row["reason"] in told
        assert row["street"] in told
        assert all(code in told for code in row["cautions"].split())
        if row["now"] is not None:
            assert f"Flange today {row['now']:.1f} in" in told
            assert f"Flange if nothing is done {row['undone']:.1f} ±".replace("-", MINUS) in told
        assert row["id"] in opened.page.locator("#told").text_content()
    assert len(rows) > 3


def test_the_heights_of_a_hydrant_are_drawn_to_one_scale(opened: Opened, page: Page) -> None:
    first = set(opened.ids())
    row = next(r for r in hydrant_rows(page) if r["action"] == "extend" and r["id"] in first)
    choose(opened, row["id"])
    ys = "(all) => all.map(e => Number(e.getAttribute('y1')))"
    ground = opened.page.eval_on_selector_all("#detail .levels line.new", ys)
    flange = opened.page.eval_on_selector_all("#detail .levels line.outlet", ys)
    heights = [g - f for g, f in zip(ground, flange, strict=True)]
    inch = heights[0] / row["now"]
    assert inch > 1
    assert heights == pytest.approx([inch * row[k] for k in ("now", "undone", "final")], abs=0.1)
    assert ground[0] - ground[1] == pytest.approx(inch * row["change"], abs=0.1)
    assert ground[1] == ground[2]


# --- the table ----------------------------------------------------------------------------------------------------


def natural(text: str) -> list[Any]:
    """Digits as numbers, as people sort."""
    return [int(t) if t.isdigit() else t.casefold() for t in re.split(r"(\d+)", text)]


@pytest.mark.parametrize("down", [False, True])
def test_every_column_sorts_both_ways_blanks_last(down: bool, opened: Opened, page: Page) -> None:
    rows = hydrant_rows(page)
    head = opened.page.locator("#table thead")
    assert {" ".join(t.split()) for t in head.locator("th").all_inner_texts()} == set(COLUMNS)
    for heading, name in COLUMNS.items():
        button = head.get_by_role("button", name=heading, exact=True)
        cell = head.locator("th", has=opened.page.get_by_role("button", name=heading, exact=True))
        button.click()
        if (cell.get_attribute("aria-sort") == "descending") != down:
            button.click()
        assert cell.get_attribute("aria-sort") == ("descending" if down else "ascending")
        assert head.locator("th[aria-sort]").count() == 1
        given = [r[name] for r in rows if r[name] not in (None, "")]
        wanted = sorted(given, key=None if name in NUMERIC else natural, reverse=down)
        found = listed(opened)
        by_id = {r["id"]: r for r in rows}
        assert [by_id[i][name] for i in found[: len(wanted)]] == wanted, heading
        assert all(by_id[i][name] in (None, "") for i in found[len(wanted) :])
        assert len(found) == len(rows)


def test_cells_say_what_the_data_says(opened: Opened, page: Page) -> None:
    heads = [" ".join(t.split()) for t in opened.page.locator("#table thead th").all_inner_texts()]
    by_id = {r["id"]: r for r in hydrant_rows(page)}
    lines = opened.page.eval_on_selector_all(
        "#table tbody tr", "all => all.map(tr => Array.from(tr.cells, c => c.innerText.trim()))"
    )
    assert len(lines) == 50
    for line in lines:
        cells = dict(zip(heads, line, strict=True))
        row = by_id[cells["Hydrant"]]
        for heading, name in COLUMNS.items():
            if name in NUMERIC:
                shown = cells[heading].replace(MINUS, "-")
                assert (float(shown) if shown else None) == pytest.approx(
                    row[name], abs=0.0051 if name == "sure" else 0.06
                )
            else:
                assert cells[heading].split() == str(row[name]).split()


def test_arrow_keys_go_from_row_to_row_and_over_the_pages_end(opened: Opened) -> None:
    ids = opened.ids()
    keyboard = opened.page.keyboard
    focused = "document.activeElement.textContent"
    choose(opened, ids[0])
    keyboard.press("ArrowDown")
    assert opened.page.evaluate(focused) == current(opened) == ids[1]
    keyboard.press("ArrowUp")
    keyboard.press("ArrowUp")  # there is nothing above the first
    assert opened.page.evaluate(focused) == ids[0]
    choose(opened, ids[-1])
    keyboard.press("ArrowDown")
    after = opened.ids()
    assert set(after).isdisjoint(ids)
    assert opened.page.evaluate(focused) == current(opened) == after[0]
    assert "51 to 100" in opened.text("#page-of")
    keyboard.press("ArrowUp")
    assert opened.page.evaluate(focused) == current(opened) == ids[-1]


def test_the_tab_key_goes_to_the_skip_link_first_and_it_can_be_seen(opened: Opened) -> None:
    opened.page.keyboard.press("Tab")
    box = opened.page.evaluate("(r => [r.left, r.top, r.right])(document.activeElement.getBoundingClientRect())")
    assert opened.page.evaluate("document.activeElement.className") == "skip"
    assert box[0] >= 0
    assert box[1] >= 0
    opened.page.keyboard.press("Enter")
    assert opened.page.url.endswith("#answer")


# --- the map ------------------------------------------------------------------------------------------------------


def test_keys_and_buttons_zoom_the_map(opened: Opened) -> None:
    opened.page.locator("#canvas").focus()
    at = [opened.canvas()]
    for key in ("+", "+", "-", "0"):
        opened.page.keyboard.press(key)
        at.append(opened.canvas())
        assert changed(at[-2], at[-1]) > 300, key
    assert changed(at[1], at[3]) < 60  # there and back
    opened.page.locator("#fit-all").click()
    assert changed(at[-1], opened.canvas()) == 0  # the same as 0
    opened.page.locator("#fit").click()
    assert changed(at[0], opened.canvas()) == 0  # as it was at first
    opened.page.locator("#closer").click()
    opened.page.locator("#wider").click()
    assert changed(at[0], opened.canvas()) < 60


def test_dragging_moves_the_map_with_the_hand(opened: Opened) -> None:
    before = opened.canvas()
    box = opened.page.locator("#canvas").bounding_box()
    mouse = opened.page.mouse
    mouse.move(box["x"] + 300, box["y"] + 200)
    mouse.down()
    mouse.move(box["x"] + 340, box["y"] + 230, steps=4)
    mouse.up()
    after = opened.canvas()
    assert changed(before, after) > 300
    inner = np.s_[60:-80, 60:-140]  # away from buttons and scale
    assert changed(np.roll(before, (30, 40), axis=(0, 1))[inner], after[inner]) < 0.1 * changed(before, after)


def test_the_wheel_scrolls_the_page_until_the_map_has_the_focus(opened: Opened) -> None:
    box = opened.page.locator("#canvas").bounding_box()
    opened.page.locator("#canvas").scroll_into_view_if_needed()
    before, scrolled = opened.canvas(), opened.page.evaluate("scrollY")
    box = opened.page.locator("#canvas").bounding_box()
    opened.page.mouse.move(box["x"] + 200, box["y"] + 150)
    opened.page.mouse.wheel(0, -120)
    opened.settle()
    assert opened.page.evaluate("scrollY") != scrolled
    assert changed(before, opened.canvas()) == 0
    opened.page.locator("#canvas").focus()
    box = opened.page.locator("#canvas").bounding_box()
    opened.page.mouse.move(box["x"] + 200, box["y"] + 150)
    opened.page.mouse.wheel(0, -240)
    assert changed(before, opened.canvas()) > 300


@pytest.mark.parametrize(("key", "dx", "dy"), [("Left", -1, 0), ("Right", 1, 0), ("Up", 0, 1), ("Down", 0, -1)])
def test_arrows_on_the_map_go_to_the_nearest_hydrant_that_way(
    key: str, dx: int, dy: int, opened: Opened, page: Page
) -> None:
    rows = hydrant_rows(page)
    start = next(r for r in rows if r["id"] == "QH-0045")
    choose(opened, start["id"])
    opened.page.locator("#canvas").focus()
    opened.page.keyboard.press(f"Arrow{key}")
    opened.settle()

    def away(r: dict[str, Any]) -> float:
        along = (r["x"] - start["x"]) * dx + (r["y"] - start["y"]) * dy
        aside = abs((r["x"] - start["x"]) * dy) + abs((r["y"] - start["y"]) * dx)
        return along + aside if along > 0 and aside <= along else np.inf

    assert opened.page.locator("#detail h3").inner_text().strip() == min(rows, key=away)["id"]


def test_with_less_motion_wanted_the_map_is_there_at_once(browser: Browser, path: Path) -> None:
    with browser.open(path, reduced_motion="reduce") as opened:
        opened.page.locator("#fit-all").click()
        opened.page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        at_once = opened.page.evaluate("document.getElementById('canvas').toDataURL()")
        opened.settle()
        assert opened.page.evaluate("document.getElementById('canvas').toDataURL()") == at_once
        running = "document.getAnimations().length"
        assert opened.page.evaluate(running) == 0


# --- long sections ------------------------------------------------------------------------------------------------


def figure(opened: Opened, k: int) -> Any:
    found = opened.page.locator("figure.section").nth(k)
    found.scroll_into_view_if_needed()
    found.locator("svg").wait_for()
    return found


def points(d: str) -> np.ndarray:
    return np.array([[float(v) for v in p.split()] for p in re.split("[ML]", d)[1:]])


@pytest.mark.parametrize("width", [360, 1280])
def test_a_section_is_drawn_to_scale_with_the_exaggeration_that_it_states(
    width: int, browser: Browser, path: Path, page: Page
) -> None:
    with browser.open(path, width) as opened:
        for k, s in enumerate(page.data["sections"]):
            found = figure(opened, k)
            times = int(re.search(r"drawn out (\d+) times", found.locator("svg").text_content())[1])
            line = points(found.locator("path.old").get_attribute("d"))
            assert len(line) == len(s["before"])
            along = (line[-1, 0] - line[0, 0]) / s["length"]
            up = np.polyfit(s["before"], line[:, 1], 1)[0]
            assert -up == pytest.approx(times * along, rel=0.01)
            x = np.linspace(line[0, 0], line[-1, 0], len(line))
            assert line[:, 0] == pytest.approx(x, abs=0.11)


def test_marks_of_a_section_stand_at_their_place_and_height_about_the_window(opened: Opened, page: Page) -> None:
    by_row = hydrant_rows(page)
    low, _, high = page.data["window"]
    for k, s in enumerate(page.data["sections"]):
        found = figure(opened, k)
        stands = found.locator(".stand")
        assert stands.count() == len(s["rows"])
        titles = stands.locator("title").all_text_contents()
        assert [t.split(":")[0] for t in titles] == [by_row[row]["id"] for row in s["rows"]]
        read = "all => all.map(c => [c.parentNode.dataset.row, c.getAttribute('cx'), c.getAttribute('cy')].map(Number))"
        circles = {int(row): (x, y) for row, x, y in found.locator("circle.undone").evaluate_all(read)}
        assert set(circles) == {row for row in s["rows"] if by_row[row]["undone"] is not None}
        heights = np.array([by_row[row]["undone"] for row in circles])
        x, y = np.array(list(circles.values())).T
        slope, zero = np.polyfit(heights, y, 1)
        assert y == pytest.approx(zero + slope * heights, abs=0.6)
        at = dict(zip(s["rows"], s["at"], strict=True))
        line = points(found.locator("path.old").get_attribute("d"))
        along = (line[-1, 0] - line[0, 0]) / s["length"]
        assert x == pytest.approx([line[0, 0] + along * at[row] for row in circles], abs=0.2)
        band = found.locator("rect.band").evaluate("r => [r.y.baseVal.value, r.height.baseVal.value]")
        assert band[0] == pytest.approx(zero + slope * high, abs=0.6)
        assert band[0] + band[1] == pytest.approx(zero + slope * low, abs=0.6)


def test_a_mark_of_a_section_chooses_its_row(opened: Opened, page: Page) -> None:
    stand = figure(opened, 1).locator(".stand").nth(4)
    wanted = page.hydrants["id"][int(stand.get_attribute("data-row"))]
    stand.locator("path.done").click()
    assert current(opened) == wanted
    assert "chosen" in stand.get_attribute("class")
    assert opened.page.locator(".stand.chosen").count() == 1


# --- looks --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("width", [320, 360, 768, 1920])
def test_the_page_is_never_wider_than_its_window(width: int, browser: Browser, path: Path) -> None:
    with browser.open(path, width) as opened:
        choose(opened, "QH-0017")
        for k in range(opened.page.locator("figure.section").count()):
            figure(opened, k)
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
        box = opened.page.locator("#canvas").bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert (opened.told, opened.strays) == ([], [])


def test_the_map_follows_a_change_from_light_to_dark(opened: Opened) -> None:
    light = opened.canvas()
    opened.page.emulate_media(color_scheme="dark")
    dark = opened.canvas()
    assert light[5, 5].min() > 200
    assert dark[5, 5].max() < 80
    opened.page.emulate_media(color_scheme="light")
    assert changed(light, opened.canvas()) == 0


def middle(image: np.ndarray) -> np.ndarray:
    """What lies about the middle of a map, in blocks of 10 pixels: half a pixel of a shift makes no difference."""
    y, x = image.shape[0] // 2, image.shape[1] // 2
    return image[y - 120 : y + 120, x - 200 : x + 200].reshape(24, 10, 40, 10, 3).mean(axis=(1, 3))


def test_the_map_keeps_its_middle_when_the_window_changes(opened: Opened) -> None:
    first = opened.canvas()
    opened.page.locator("#closer").click()
    box = opened.page.locator("#canvas").bounding_box()
    opened.page.mouse.move(box["x"] + 300, box["y"] + 200)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + 380, box["y"] + 260, steps=4)
    opened.page.mouse.up()
    shown = opened.canvas()
    assert changed(middle(first), middle(shown)) > 100  # so that going back to the start would be seen
    opened.page.set_viewport_size({"width": 700, "height": 900})
    opened.settle()
    narrow = opened.canvas()
    assert narrow.shape[1] < shown.shape[1] - 50
    assert changed(middle(shown), middle(narrow)) < 10
    opened.page.set_viewport_size({"width": 1280, "height": 900})
    opened.settle()
    assert changed(shown, opened.canvas()) < 60


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1920])
def test_axe_finds_nothing_serious(width: int, scheme: str, browser: Browser, path: Path) -> None:
    source = axe_source()
    with browser.open(path, width, color_scheme=scheme, bypass_csp=True) as opened:
        choose(opened, "QH-0017")
        opened.page.locator(".chip[data-action=extend]").click()
        for k in range(opened.page.locator("figure.section").count()):
            figure(opened, k)
        opened.page.add_script_tag(content=source)
        rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "best-practice"]
        found = opened.page.evaluate("rules => axe.run(document, { runOnly: rules })", rules)
        told = [
            f"{v['impact']} {v['id']}: {n['html'][:120]} {n['failureSummary'][:200]}"
            for v in found["violations"]
            for n in v["nodes"]
        ]
        assert told == []
        assert len(found["passes"]) > 25


# --- paper --------------------------------------------------------------------------------------------------------


def printed(opened: Opened, **paper: Any) -> list[str]:
    """The text of every page of paper, blanks run together."""
    content = opened.page.pdf(**({"format": "Letter"} | paper))
    return [" ".join(p.extract_text().split()) for p in PdfReader(io.BytesIO(content)).pages]


def tight(*texts: str) -> str:
    """Without blanks, which readers of PDF put in and leave out, and without ligatures."""
    return re.sub(r"\s", "", unicodedata.normalize("NFKC", "".join(texts)))


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_paper_has_the_answer_first_every_hydrant_of_the_jobs_and_no_blank_page(
    paper: str, opened: Opened, page: Page
) -> None:
    sheets = printed(opened, format=paper)
    assert tight(page.words('//p[@class="headline"]')) in tight(sheets[0])
    assert all(len(text) > 40 for text in sheets)
    reached = [r["id"] for r in hydrant_rows(page) if r["job"]]
    assert [i for i in reached if i not in tight(*sheets)] == []
    assert "54thatnojobreaches" in tight(*sheets)
    assert len(sheets) <= 15
    assert len(opened.ids()) == 50  # the screen is as before


def test_every_sheet_of_the_table_has_its_head(opened: Opened) -> None:
    sheets = [text for text in printed(opened) if len(re.findall(r"QH-\d{4}", text)) > 12 and "valve_box" in text]
    assert len(sheets) >= 2
    assert all("What to do" in text and "Flange today" in text for text in sheets)


def test_paper_shows_what_the_screen_shows(opened: Opened, page: Page) -> None:
    opened.page.locator("#job").select_option(label="Q-102")
    whole = tight(*printed(opened))
    table = whole[whole.index("hydrantsshown") : whole.rindex("Longsections")]
    rows = hydrant_rows(page)
    assert all(r["id"] in table for r in rows if r["job"] == "Q-102")
    assert not [r["id"] for r in rows if r["job"] == "Q-103" and r["id"] in table]


def test_dark_screens_print_on_white(browser: Browser, path: Path) -> None:
    with browser.open(path, color_scheme="dark") as opened:
        opened.page.emulate_media(media="print", color_scheme="dark")
        colours = "[document.body, document.querySelector('h1')].map(e => getComputedStyle(e))"
        assert opened.page.evaluate(f"{colours}[0].backgroundColor") == "rgb(255, 255, 255)"
        assert opened.page.evaluate(f"{colours}[1].color") == "rgb(0, 0, 0)"


# --- pages of every kind ------------------------------------------------------------------------------------------


def seen_through(opened: Opened, ids: list[str]) -> None:
    """A reader's way through a page: every row, one hydrant, every section."""
    assert sorted(listed(opened)) == sorted(ids)
    opened.page.locator("#table .pick").first.focus()
    for k in range(opened.page.locator("figure.section").count()):
        figure(opened, k)
    drawn = opened.page.evaluate("Array.from(document.querySelectorAll('svg'), e => e.outerHTML).join('')")
    assert not re.search("NaN|Infinity|undefined", drawn)
    assert not re.search("NaN|Infinity|undefined|null", opened.page.locator("main").inner_text())
    assert opened.canvas().std() > 0
    assert opened.told == []


@pytest.mark.parametrize("kind", [k for k in KINDS if "basemap" not in k])
def test_a_page_of_any_kind_opens_without_complaint(kind: str, browser: Browser, tmp_path: Path) -> None:
    page = made(KINDS[kind](tmp_path))
    with browser.open(written(page, tmp_path)) as opened:
        seen_through(opened, page.hydrants["id"])
        assert opened.strays == []


@pytest.mark.parametrize("name", ["bramble", "yarrow"])
def test_pages_of_roads_open_without_complaint(name: str, browser: Browser, sample: Sample, tmp_path: Path) -> None:
    page = made(Plan.load(sample.folder / f"{name}.toml"))
    with browser.open(written(page, tmp_path)) as opened:
        seen_through(opened, page.hydrants["id"])
        assert opened.strays == []


def test_a_basemap_asks_its_host_and_nobody_else(browser: Browser, tmp_path: Path) -> None:
    page = made(KINDS["in degrees under a basemap"](tmp_path))
    with browser.open(written(page, tmp_path), offline=True) as opened:
        opened.settle()
        assert opened.strays
        assert all(re.fullmatch(r"https://tiles\.example\.org/\d+/\d+/\d+\.png", a) for a in opened.strays)
        assert all("tiles.example.org" in t or "ERR_INTERNET" in t for t in opened.told)
        asked = {tuple(int(v) for v in re.findall(r"\d+", urlsplit(a).path)) for a in opened.strays}
        (z,) = {z for z, _, _ in asked}
        # The tile of each hydrant by the usual formula of web maps, from its place in degrees.
        for place in three().to_crs(4326).geometry:
            x = (place.x + 180) / 360 * 2**z
            y = (1 - np.arcsinh(np.tan(np.radians(place.y))) / np.pi) / 2 * 2**z
            assert (z, int(x), int(y)) in asked
        assert len(asked) < 60  # what the map shows, and not a country


def test_hostile_texts_are_shown_and_never_run(browser: Browser, tmp_path: Path) -> None:
    page = made(hostile_plan(tmp_path))
    with browser.open(written(page, tmp_path)) as opened:
        assert opened.page.evaluate("[document.images.length, document.scripts.length]") == [0, 2]
        assert sorted(opened.ids()) == sorted(page.hydrants["id"])
        picks = opened.page.locator("#table .pick")
        for k in range(picks.count()):
            picks.nth(k).focus()
            shown = opened.page.locator("#detail h3").text_content()
            assert shown.strip() == picks.nth(k).text_content().strip()
        for k in range(opened.page.locator("figure.section").count()):
            figure(opened, k)
        assert set(opened.page.locator("#job option").all_text_contents()) >= set(HOSTILE[:3])
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= 1280
        assert opened.page.evaluate("document.querySelectorAll('img, iframe, i, u, s, [onerror]').length") == 0
        assert (opened.told, opened.strays) == ([], [])


def test_hostile_texts_do_not_widen_a_narrow_page(browser: Browser, tmp_path: Path) -> None:
    page = made(hostile_plan(tmp_path))
    with browser.open(written(page, tmp_path), 360) as opened:
        opened.page.locator("#find").fill("L" * 30)
        opened.page.locator("#table .pick").first.focus()
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= 360
        assert opened.page.locator("#detail h3").bounding_box()["width"] <= 360


def test_five_thousand_hydrants_open_filter_and_move(browser: Browser, tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, many(5000), hydrants={"street": "street"})
    page = made(plan)
    with browser.open(written(page, tmp_path)) as opened:
        assert opened.text("#shown").startswith("5000 of 5000 ")
        opened.page.locator("#find").fill("HYD-004321")
        assert opened.ids() == ["HYD-004321"]
        opened.page.locator("#find").fill("")
        before = opened.canvas()
        opened.page.locator("#closer").click()
        assert changed(before, opened.canvas()) > 1000
        assert opened.told == []
