"""Work sheets, notices and the measurement form: read back from the files by other programs, counted, and walked."""

from __future__ import annotations

import csv
import re
from dataclasses import replace
from datetime import date
from importlib.resources import as_file, files
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest
import shapely
from matplotlib.ft2font import FT2Font
from pypdf import PageObject, PdfReader
from pypdf.generic import BooleanObject, DictionaryObject
from reportlab.pdfbase.pdfmetrics import stringWidth

from gradecheck import cautions, run
from gradecheck.assessment import Assessment
from gradecheck.catalog import Catalog
from gradecheck.decision import Action
from gradecheck.formats.field_rows import COLUMNS
from gradecheck.paving import Jobs
from gradecheck.review import Edit, Review, counted
from gradecheck.setback import Pavement
from gradecheck.walk import length, neighbours, route, walk
from gradecheck.worksheets import typeface, words
from gradecheck.worksheets.files import write_measurements, write_notices, write_worksheets
from gradecheck.worksheets.picks import Pick, site_rule
from gradecheck.worksheets.sheets import Book, book
from tests.cases import IN, Site, assessed, exact_plan, possible, right
from tests.projects import tiny_plan

NAN = float("nan")
CATALOG = Catalog.parse(
    {
        "extension": [{"family": "A", "length": f"{n} in", "part_number": f"PA-{n:02d}"} for n in (6, 12, 18, 24)],
        "item": [
            {"family": "A", "part_number": "PA-G", "description": "barrel gasket", "quantity": 2, "per": "piece"},
            {"family": "A", "part_number": "PA-L", "description": "lubricant", "quantity": 1, "per": "visit"},
        ],
        "check_value": [{"family": "A", "name": "flange bolts", "value": "71 units", "source": "sheet 9 of a manual"}],
    }
)
# One hydrant a line; window 2 to 6 in about 4, dressing 1 in, exact surfaces: each answer can be worked by head.
SITES = {
    "extend": Site(change=8.0, measured=4.0, family="A"),
    "exchange up": Site(change=6.0, measured=4.0, fitted=12.0, family="A"),
    "shorten": Site(change=-6.0, measured=4.0, fitted=18.0, family="A"),
    "take out": Site(change=-12.0, measured=4.0, fitted=12.0, family="A"),
    "dress": Site(change=2.5, measured=4.0, family="A"),
    "keep": Site(change=2.0, measured=4.0, family="A"),
    "too_high": Site(change=-6.0, measured=4.0, family="A"),
    "no_elevation": Site(change=None, measured=4.0, family="A"),
    "measure": Site(change=7.0, measured=None, family="A"),
}


@pytest.fixture(scope="module")
def small() -> Assessment:
    """The hydrants of `SITES` as H1, H2, ..."""
    return assessed(list(SITES.values()), catalog=CATALOG)


def number_of(name: str) -> str:
    """The id of a site of `SITES`."""
    return f"H{list(SITES).index(name) + 1}"


def texts(path: Path) -> list[str]:
    """The text of every page, blanks and line ends as one blank."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(path).pages]


def pages(a: Assessment, path: Path, paper: str | None = None) -> dict[int, str]:
    """The text of each sheet's page by its number."""
    write_worksheets(book(a), path, paper)
    found = {}
    for text in texts(path):
        match = re.search(r"sheet (\d+) of (\d+)", text)
        if match:
            assert int(match[1]) not in found, "a sheet runs over two pages"
            found[int(match[1])] = text
    assert sorted(found) == list(range(1, len(book(a).sheets) + 1))
    return found


def page_of(a: Assessment, path: Path, hydrant: str) -> str:
    """The text of one hydrant's page."""
    sheet = next(s for s in book(a).sheets if s.hydrant_id == hydrant)
    return pages(a, path)[sheet.number]


def with_ids(a: Assessment, ids: list[str], **columns: tuple[str | None, ...]) -> Assessment:
    """The same hydrants under other names."""
    return replace(a, inputs=replace(a.inputs, hydrants=replace(a.inputs.hydrants, id=tuple(ids), **columns)))


def reviewed(a: Assessment, row: int, action: str, inches: float = NAN, note: str | None = None) -> Assessment:
    """An analyst's word at one hydrant."""
    at: list[Edit | None] = [None] * len(a)
    at[row] = Edit(a.inputs.hydrants.id[row], True, 0.0, 0.0, action, inches * IN, note, ("keep", 0.0))
    review = Review(tuple(at))
    taken = counted(review, a.cases, a.decision, a.inputs.plan.policy, "in")
    assert taken.reviewed[row], taken.refused
    return replace(a, review=review, counted=taken)


# --- who gets a sheet -------------------------------------------------------------------------------------------


def test_every_hydrant_of_the_sample_is_on_a_sheet_on_the_list_or_counted_as_neither(sample) -> None:
    a = sample.result.assessment
    made = book(a)
    actions = [Action(k).name for k in a.decision.action.tolist()]
    dressed = sum(
        x == "keep" and "dress" in str(c).split(";")
        for x, c in zip(actions, sample.result.hydrants.cautions, strict=True)
    )
    crew = sum(actions.count(k) for k in ("extend", "shorten", "measure", "on_site")) + dressed
    engineer = sum(actions.count(k) for k in ("too_high", "between_lengths", "relocate", "no_elevation"))
    assert (len(made.sheets), len(made.questions)) == (crew, engineer)
    assert len(made.sheets) + len(made.questions) + made.others == len(a)
    assert len({s.row for s in made.sheets} | {q.row for q in made.questions}) == crew + engineer


def test_sites_worked_by_head_get_the_sheets_that_they_should(small: Assessment) -> None:
    made = book(small)
    kinds = {s.hydrant_id: s.kind for s in made.sheets}
    want = {"extend": "extend", "exchange up": "extend", "shorten": "shorten", "take out": "shorten", "dress": "dress"}
    assert {n: kinds[number_of(n)] for n in want} == want
    assert kinds[number_of("measure")] in ("measure", "on_site")
    assert number_of("keep") not in kinds
    assert {(q.hydrant_id, q.action) for q in made.questions} == {
        (number_of("too_high"), "too_high"),
        (number_of("no_elevation"), "no_elevation"),
    }
    assert made.others == 1


# --- what stands on them ----------------------------------------------------------------------------------------


def test_an_extension_is_said_drawn_and_taken_from_the_store(small: Assessment, tmp_path: Path) -> None:
    text = page_of(small, tmp_path / "w.pdf", number_of("extend"))
    # Measured 4 in, ground up 8 in: 4 in below; 6 in of extension end 2 in above.
    for words_ in (
        "EXTEND", "Add 6 in; the flange then stands 2 in above the finished ground.", "flange 4 in above the ground",
        "1 x extension 6 in, PA-06", "2 x barrel gasket, PA-G", "1 x lubricant, PA-L", "Take out: nothing.",
        "Before the fill is placed", "flange bolts: 71 units (sheet 9 of a manual)",
    ):  # fmt: skip
        assert words_ in text


def test_an_exchange_says_what_goes_in_and_what_comes_out(small: Assessment, tmp_path: Path) -> None:
    text = page_of(small, tmp_path / "w.pdf", number_of("exchange up"))
    assert "Exchange 12 in for 18 in; the flange then stands 4 in above the finished ground." in text
    assert "1 x extension 18 in, PA-18" in text
    assert "Take out: the fitted extension, 12 in." in text


def test_a_cut_is_done_after_the_cut_and_before_the_final_surface(small: Assessment, tmp_path: Path) -> None:
    text = page_of(small, tmp_path / "w.pdf", number_of("take out"))
    assert "Take out 12 in; the flange then stands 4 in above the finished ground." in text
    assert "After the cut or the curb, before the final surface." in text
    assert "x extension" not in text


def test_a_dressed_hydrant_says_how_far_it_is_off_and_takes_nothing(small: Assessment, tmp_path: Path) -> None:
    text = page_of(small, tmp_path / "w.pdf", number_of("dress"))
    # 4 in less 2.5 in of fill is 1.5 in, half an inch under the window.
    assert "the flange ends ½ in too low" in text
    assert "DRESS GROUND" in text
    assert "71 units" not in text
    assert "x extension" not in text


def test_a_measure_sheet_asks_for_the_measurement_alone(sample, tmp_path: Path) -> None:
    a = sample.result.assessment
    found = pages(a, tmp_path / "w.pdf")
    asked = [s for s in book(a).sheets if s.kind == "measure"]
    assert asked
    for sheet in asked:
        text = found[sheet.number]
        assert "Measure the flange height and write it down. Open nothing." in text
        assert "Out of service" not in text
        assert "barrel gasket" not in text
        assert not sheet.load


def test_a_hydrant_set_on_site_carries_both_choices_and_the_rule_between_them(sample, tmp_path: Path) -> None:
    a = sample.result.assessment
    found = pages(a, tmp_path / "w.pdf")
    frame = sample.result.hydrants.set_index("hydrant_id")
    asked = [s for s in book(a).sheets if s.kind == "on_site"]
    assert asked
    for sheet in asked:
        runner_up = frame.runner_up[sheet.hydrant_id]
        assert (runner_up if runner_up != "no length fits" else "else stop and call") in found[sheet.number]
        lengths = {round(p.length / IN) for p in sheet.load if p.length}
        named = {int(n) for text, _ in sheet.levels.finals for n in re.findall(r"(?:add|for) (\d+)", text)}
        assert lengths == named
        assert "stop and call the engineer" in found[sheet.number]


@pytest.mark.parametrize("target", [2.0, 4.0, 5.5])
def test_the_rule_on_site_is_the_one_that_enumeration_gives(target: float) -> None:
    from gradecheck.choices import choices

    for fitted, low, high, pair in [
        (0.0, 1, 7, (1, 0)),
        (12.0, 1, 7, (1, 2)),
        (0.0, 3, 5, (0, 1)),
        (0.0, 1, 7, (2, 1)),
    ]:
        table = choices([n * IN for n in (6, 12, 18)], fitted * IN, 1)
        aim = min(max(target, low), high)
        lines = site_rule(Pick(table, pair), (low * IN, high * IN), target * IN, "in")[:-1]
        options = [
            o for o in possible([6, 12, 18], fitted, 1) if round(o.rise) in {round(table.rise[k] / IN) for k in pair}
        ]
        spans = [re.fullmatch(r"(-?\S+) in to (-?\S+) in: (.*)", line) for line in lines]
        bounds = [(_inches(m[1]), _inches(m[2]), m[3]) for m in spans if m]
        assert len(bounds) == 2
        for c in np.arange(-30, 30, 0.25):
            hits = {text for a, b, text in bounds if a < c < b}
            if any(abs(c - edge) < 1e-9 for a, b, _ in bounds for edge in (a, b)):
                continue
            want = right(float(c), options, low, high, aim)
            assert len(hits) == (want is not None)
            if want is not None:
                inch = sum(want.pieces)
                assert (f"{inch:g} in" in next(iter(hits))) or (
                    inch == 0 and re.match("nothing|take out", next(iter(hits)))
                )


def _inches(text: str) -> float:
    """A printed height in inches, quarters as fractions."""
    parts = {"¼": 0.25, "½": 0.5, "¾": 0.75}
    sign = -1 if text.startswith("-") else 1
    text = text.lstrip("-")
    part = parts.get(text[-1], 0.0)
    whole = text[:-1] if part else text
    return sign * (float(whole or 0) + part)


def test_a_large_fill_waits_for_the_engineer_on_its_sheet_and_on_the_list(tmp_path: Path) -> None:
    sites = [Site(change=26.0, measured=4.0, family="A"), SITES["extend"]]
    a = assessed(sites, exact_plan({"max_extensions": 2}), catalog=CATALOG)
    made = book(a)
    assert [(s.hydrant_id, s.held) for s in sorted(made.sheets, key=lambda s: s.hydrant_id)] == [
        ("H1", True),
        ("H2", False),
    ]
    (waiting,) = made.held
    assert (waiting.hydrant_id, waiting.decide) == ("H1", words.HELD["fill_over_review"])
    write_worksheets(book(a), tmp_path / "w.pdf")
    *sheets, last = texts(tmp_path / "w.pdf")
    assert "1 hydrant: on hold: the crew starts only once this is agreed and signed here." in last
    assert "H1 (sheet" in last
    assert sum("HOLD: start only once the engineer has agreed" in text for text in sheets) == 1
    assert "On hold until the engineer has agreed (last pages): sheets" in sheets[0]


def test_without_check_values_a_blank_is_left_and_nothing_is_made_up(tmp_path: Path) -> None:
    a = assessed([Site(change=8.0, measured=4.0, family="unknown")], catalog=CATALOG)
    text = next(iter(pages(a, tmp_path / "w.pdf").values()))
    assert "None in the catalogue: from the maker's manual, flange bolts: ____" in text
    assert "71 units" not in text
    assert "(no part number)" in text
    assert not re.search(r"ft.lb|N.m\b", text)


def test_the_standing_cautions_are_whole_on_every_page(sample, tmp_path: Path) -> None:
    for paper in ("letter", "a4"):
        for text in pages(sample.result.assessment, tmp_path / f"{paper}.pdf", paper).values():
            for caution in words.STANDING:
                assert caution in text


def test_the_rows_own_cautions_are_explained(small: Assessment, tmp_path: Path) -> None:
    text = page_of(small, tmp_path / "w.pdf", number_of("extend"))
    assert "The branch valve's box moves with the ground too: adjust it." in text


def test_the_engineers_list_says_what_must_be_decided(small: Assessment, tmp_path: Path) -> None:
    write_worksheets(book(small), tmp_path / "w.pdf")
    last = texts(tmp_path / "w.pdf")[-1]
    assert "engineer's list" in last
    assert number_of("too_high") in last
    assert number_of("no_elevation") in last
    assert "no length mends it" in last
    assert "Where the missing ground elevation comes from" in last


def test_the_first_page_adds_up_the_parts_of_its_sheets(small: Assessment, tmp_path: Path) -> None:
    write_worksheets(book(small), tmp_path / "w.pdf")
    first = texts(tmp_path / "w.pdf")[0]
    made = book(small)
    for name, number in (("extension 6 in", "PA-06"), ("extension 18 in", "PA-18"), ("barrel gasket", "PA-G")):
        count = sum(p.quantity for s in made.sheets for p in s.load if p.number == number)
        assert f"{count} x {name}, {number}" in first
    for sheet in made.sheets:
        assert sheet.hydrant_id in first


def test_sheets_speak_of_flange_heights_and_of_no_clearance(sample, tmp_path: Path) -> None:
    write_worksheets(book(sample.result.assessment), tmp_path / "w.pdf")
    for text in texts(tmp_path / "w.pdf"):
        assert "clearance" not in text.lower()


def test_every_caution_can_be_told_to_a_crew() -> None:
    assert set(words.FOR_THE_CREW) <= set(cautions.MEANING)
    for code, meaning in cautions.MEANING.items():
        assert "clearance" not in words.FOR_THE_CREW.get(code, meaning).lower()


# --- review -----------------------------------------------------------------------------------------------------


def test_a_reviewed_choice_stands_on_the_sheet_in_place_of_the_computed_one(small: Assessment, tmp_path: Path) -> None:
    row = list(SITES).index("extend")
    changed = reviewed(small, row, "extend", 12.0, "agreed with the street's engineer")
    text = page_of(changed, tmp_path / "w.pdf", number_of("extend"))
    # 4 in below ground and 12 in of extension: 8 in above, 2 in over the window.
    assert (
        "Add 12 in; the flange then stands 8 in above the finished ground, 2 in too high: dressing does not mend it."
        in text
    )
    assert "1 x extension 12 in, PA-12" in text
    assert "PA-06" not in text
    assert "By review, not as computed. agreed with the street's engineer" in text


def test_a_hydrant_set_on_site_by_review_gets_the_likeliest_choice(small: Assessment) -> None:
    row = list(SITES).index("extend")
    sheet = next(s for s in book(reviewed(small, row, "on_site")).sheets if s.row == row)
    assert sheet.kind == "on_site"
    assert sheet.levels.finals[0][0] == "add 6 in"


def test_a_reviewed_keep_has_no_sheet_unless_the_ground_must_be_dressed(small: Assessment) -> None:
    # 10 in, 4 in over the window: farther than dressing reaches, so the reviewer has taken it as it is.
    for name in ("shorten", "keep"):
        row = list(SITES).index(name)
        assert row not in {s.row for s in book(reviewed(small, row, "keep")).sheets}
    row = list(SITES).index("dress")
    assert row in {s.row for s in book(reviewed(small, row, "keep")).sheets}


def test_parts_at_a_hydrant_that_no_job_reaches_are_refused_and_make_no_sheet(sample) -> None:
    a = sample.result.assessment
    known = np.isfinite(a.clearance.after)
    row = int(np.flatnonzero((a.decision.action == Action.outside) & ~np.isin(a.job, range(9)) & known)[0])
    with pytest.raises(AssertionError, match="no job reaches it"):
        reviewed(a, row, "extend", 12.0)
    assert row not in {s.row for s in book(a).sheets}


def test_what_a_reviewer_wants_relocated_goes_to_the_engineer(small: Assessment) -> None:
    row = list(SITES).index("extend")
    made = book(reviewed(small, row, "relocate"))
    assert row not in {s.row for s in made.sheets}
    assert next(q for q in made.questions if q.row == row).reason.startswith("By review.")


# --- rounding, papers, bytes, odd texts --------------------------------------------------------------------------


def test_heights_are_the_nearest_quarter_inch_or_five_millimetres() -> None:
    rng = np.random.default_rng(7)
    for inches in [*rng.uniform(-20, 20, 300).tolist(), 0.125, 0.375, -0.125]:
        text = words.height(inches * IN, True)
        assert abs(_inches(text.removesuffix(" in")) - inches) <= 0.125 + 1e-9, text
    for millimetres in rng.uniform(-600, 600, 300).tolist():
        shown = int(words.height(millimetres / 1000, False).removesuffix(" mm"))
        assert shown % 5 == 0
        assert abs(shown - millimetres) <= 2.5 + 1e-9
    assert words.height(30.75 * IN, True) == "2 ft 6¾ in"


def test_paper_goes_by_the_unit_unless_it_is_named(small: Assessment, tmp_path: Path) -> None:
    metric = assessed(list(SITES.values()), exact_plan(output__unit="mm"), catalog=CATALOG)
    sizes = {}
    for name, a, paper in (("us", small, None), ("si", metric, None), ("us4", small, "a4")):
        write_worksheets(book(a), tmp_path / name, paper)
        sizes[name] = {tuple(round(float(v)) for v in page.mediabox[2:]) for page in PdfReader(tmp_path / name).pages}
    # Letter is 8.5 x 11 in of 72 points; A4 is 210 x 297 mm (ISO 216).
    assert sizes == {"us": {(612, 792)}, "si": {(595, 842)}, "us4": {(595, 842)}}
    with pytest.raises(ValueError, match="known: letter, a4"):
        write_worksheets(book(small), tmp_path / "x", "legal")


def test_a_metric_plan_shows_millimetres_and_no_inch_of_its_own(tmp_path: Path) -> None:
    a = assessed([SITES["extend"]], exact_plan(output__unit="m"), catalog=CATALOG)
    text = next(iter(pages(a, tmp_path / "w.pdf").values()))
    assert "Add 152.4 mm; the flange then stands 50 mm above the finished ground." in text
    assert "Flange height, mm" in text


def test_the_same_assessment_gives_the_same_bytes(small: Assessment, tmp_path: Path) -> None:
    write_worksheets(book(small), tmp_path / "one.pdf")
    write_worksheets(book(small), tmp_path / "two.pdf")
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    assert date.today().strftime("%Y%m%d").encode() not in (tmp_path / "one.pdf").read_bytes()


def test_odd_ids_keep_to_one_page_and_stay_distinct(tmp_path: Path) -> None:
    ids = ["H \U0001f525", "הידרנט 7", 'say "hi" (\\) <b>&amp;', "long" * 80, "=1+1", "é½", "a\nb"]
    a = assessed([SITES["extend"]] * len(ids), catalog=CATALOG)
    street = ("A very long street name " * 12, *[None] * (len(ids) - 1))
    found = pages(with_ids(a, ids, street=street), tmp_path / "w.pdf")
    joined = " ".join(found.values())
    assert len(found) == len(ids)
    for shown in ("H <U+1F525>", "<U+05D4><U+05D9>", 'say "hi" (\\) <b>&amp;', "[...]", "=1+1", "é½", "a b"):
        assert shown in joined
    assert "shown by their code" in joined
    assert len({typeface.printable(i) for i in ids}) == len(ids)


@pytest.mark.parametrize(
    "street",
    [
        "ulica Świętego Łukasza", "Náměstí Míru", "Đường Nguyễn Huệ", "İstiklal Caddesi", "Þórsgata",
        "улица Щёлковская", "вулиця Їжакевича", "Οδός Ερμού, Θεσσαλονίκη", "½ → ≤ 5′",
    ],
)  # fmt: skip
def test_a_street_in_latin_greek_or_cyrillic_letters_is_extracted_as_itself(street: str, tmp_path: Path) -> None:
    a = with_ids(assessed([SITES["extend"]], catalog=CATALOG), ["H1"], street=(street,))
    (text,) = pages(a, tmp_path / "w.pdf").values()
    assert street.replace("′", "'") in text
    assert "shown by their code" not in text


def fonts(page: PageObject) -> dict[str, DictionaryObject]:
    """The fonts that a page names, by their own names."""
    found = [entry.get_object() for entry in page["/Resources"]["/Font"].values()]
    return {str(font["/BaseFont"]): font for font in found}


def test_every_font_of_every_page_is_embedded_with_the_glyphs_in_use_only(sample, tmp_path: Path) -> None:
    write_worksheets(book(sample.result.assessment), tmp_path / "w.pdf")
    for page in PdfReader(tmp_path / "w.pdf").pages:
        named = fonts(page)
        assert {name.partition("+")[2] for name in named} == {"DejaVuSansCondensed", "DejaVuSansCondensed-Bold"}
        for font in named.values():
            embedded = font["/FontDescriptor"]["/FontFile2"].get_data()
            # TrueType by its first four bytes (the OpenType specification, "Organization of an OpenType font").
            assert embedded[:4] == b"\x00\x01\x00\x00"
            assert len(embedded) < 60_000
            assert "/ToUnicode" in font


def test_the_file_says_its_title_and_its_language(small: Assessment, tmp_path: Path) -> None:
    a = replace(small, inputs=replace(small.inputs, plan=small.inputs.plan.model_copy(deep=True)))
    a.inputs.plan.project.__dict__["name"] = "Ulica Żółta"
    write_worksheets(book(a), tmp_path / "w.pdf")
    reader = PdfReader(tmp_path / "w.pdf")
    assert reader.metadata.title == "Ulica Żółta: work sheets, 2027-01-11"
    root = reader.trailer["/Root"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"] == BooleanObject(True)


def test_long_ids_in_the_sketch_are_told_apart_by_their_ends(tmp_path: Path) -> None:
    ids = [f"Northern District/Hydrant/{k:04d}" for k in (11, 12)]
    a = with_ids(assessed([SITES["extend"]] * 2, catalog=CATALOG), ids)
    for number, text in pages(a, tmp_path / "w.pdf").items():
        assert re.search(rf"…\S*/{10 + number:04d}", text), text


def test_bookmarks_say_what_a_page_can_only_show_by_its_codes(tmp_path: Path) -> None:
    a = with_ids(assessed([SITES["extend"]], catalog=CATALOG), ["הידרנט 7"])
    write_worksheets(book(a), tmp_path / "w.pdf")
    titles = [entry.title for entry in PdfReader(tmp_path / "w.pdf").outline[1]]
    assert titles == ["1 הידרנט 7: EXTEND"]


def test_both_faces_have_the_same_characters_and_say_their_licence() -> None:
    folder = files("gradecheck.worksheets") / "fonts"
    licence = "".join((folder / "LICENSE.txt").read_text(encoding="utf-8").split())
    known = {}
    for name in (typeface.PLAIN, typeface.BOLD):
        with as_file(folder / f"{name}.ttf") as path:
            font = FT2Font(str(path))
        known[name] = {chr(code) for code in font.get_charmap()}
        assert font.postscript_name == name
        assert font.get_sfnt_table("OS/2")["fsType"] == 0, "installable embedding"
        within = "".join(font.get_sfnt()[3, 1, 0x409, 13].decode("utf-16-be").split())
        # The name table has "Tavmjung" for "Tavmjong" once, upstream too.
        assert licence.startswith(within.replace("Tavmjung", "Tavmjong"))
    assert known[typeface.PLAIN] == known[typeface.BOLD]
    assert typeface.load() == {c for c in known[typeface.PLAIN] if c.isprintable()}


def test_every_character_of_the_western_code_page_and_of_three_alphabets_can_be_shown() -> None:
    western = {bytes([b]).decode("cp1252", "ignore") for b in range(256)}
    wanted = {c for c in western if c and c.isprintable() and not c.isspace()}
    for first, last in ((0x0100, 0x024F), (0x0391, 0x03A1), (0x03A3, 0x03CE), (0x0400, 0x045F), (0x0490, 0x0491)):
        wanted |= {chr(c) for c in range(first, last + 1)}
    assert wanted <= typeface.load()


def test_a_foreign_letter_in_a_latin_word_is_told_from_the_one_it_looks_like() -> None:
    assert typeface.printable("H-7\u041d") == "H-7\u041d"  # a word of its own after the digit
    assert typeface.printable("\u0421orn St") == "<U+0421>orn St"
    assert typeface.printable("Crossing of ulica Żółta, улица Мира") == "Crossing of ulica Żółta, улица Мира"


def test_no_text_runs_off_the_paper(sample, tmp_path: Path) -> None:
    write_worksheets(book(sample.result.assessment), tmp_path / "w.pdf")
    for page in PdfReader(tmp_path / "w.pdf").pages:
        places: list[tuple[float, float, float]] = []

        def note(text, _cm, tm, font, size, places=places) -> None:
            if text.strip():
                long = stringWidth(text.strip(), font["/BaseFont"].partition("+")[2], size)
                places.append((tm[4], tm[4] + tm[0] * long, tm[5]))

        page.extract_text(visitor_text=note)
        assert places
        # Letter is 612 x 792 points; printers keep off some 20 of them on every side.
        assert all(left >= 20 and right <= 592 and 20 <= y <= 772 for left, right, y in places)


# --- the order of a walk ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_a_walk_is_hardly_longer_than_the_shortest_of_all(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(3, 8))
    x, y = rng.uniform(0, 300, n), rng.uniform(0, 90, n)
    shortest = min(sum(np.hypot(x[a] - x[b], y[a] - y[b]) for a, b in pairwise(p)) for p in permutations(range(n)))
    order = walk(x, y)
    assert sorted(order.tolist()) == list(range(n))
    assert length(x, y, order) <= 1.05 * shortest + 1e-9


def test_hydrants_along_a_street_are_walked_from_its_western_end_to_the_other() -> None:
    rng = np.random.default_rng(3)
    station = rng.permutation(np.arange(60) * 30.0)
    order = walk(station * 0.8, station * 0.6)
    assert np.all(np.diff(station[order]) > 0)


def test_a_thousand_hydrants_are_all_walked_and_not_to_and_fro() -> None:
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 5000, 1000), rng.uniform(0, 3000, 1000)
    order = walk(x, y)
    assert sorted(order.tolist()) == list(range(1000))
    # A random uniform tour has about 0.7124 sqrt(n A) (Beardwood, Halton and Hammersley 1959); allow a third more.
    assert length(x, y, order) < 1.34 * 0.7124 * np.sqrt(1000 * 5000 * 3000)


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_points_are_walked_too(n: int) -> None:
    assert walk(np.arange(n, dtype=float)[::-1], np.zeros(n)).tolist() == list(range(n))[::-1]


def test_equal_places_are_walked_once_each() -> None:
    assert sorted(walk(np.zeros(9), np.zeros(9)).tolist()) == list(range(9))


def test_jobs_come_one_after_another_and_streets_in_one_piece() -> None:
    rng = np.random.default_rng(11)
    x, y = rng.uniform(0, 1000, 90), rng.uniform(0, 1000, 90)
    job = rng.integers(0, 3, 90)
    street = [("Ash", "Elm", None)[k] for k in rng.integers(0, 3, 90).tolist()]
    order = route(x, y, job, street)
    assert sorted(order.tolist()) == list(range(90))
    assert np.all(np.diff(job[order]) >= 0)
    turns = [(int(job[i]), street[i]) for i in order.tolist()]
    assert len([1 for a, b in pairwise(turns) if a != b]) == len(set(turns)) - 1


def test_neighbours_are_the_nearest_others_and_never_oneself() -> None:
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 100, 40), rng.uniform(0, 100, 40)
    x[7], y[7] = x[3], y[3]  # two in one place
    found, there = neighbours(x, y, np.arange(40), 3)
    assert there.all()
    for i in range(40):
        away = np.hypot(x - x[i], y - y[i])
        away[i] = np.inf
        assert np.allclose(away[found[i]], np.sort(away)[:3])


def test_a_lone_hydrant_has_no_neighbour(tmp_path: Path) -> None:
    a = assessed([SITES["extend"]], catalog=CATALOG)
    assert "Neighbours, not out together: none in the layer" in next(iter(pages(a, tmp_path / "w.pdf").values()))


# --- notices and the form ---------------------------------------------------------------------------------------


def rows(path: Path) -> list[list[str]]:
    """A CSV as it stands."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.reader(file))


def test_the_form_has_the_columns_that_are_read_back_and_a_row_for_every_sheet(
    small: Assessment, tmp_path: Path
) -> None:
    write_measurements(book(small), tmp_path / "m.csv")
    head, units, *body = rows(tmp_path / "m.csv")
    assert ",".join(head) == (
        "hydrant_id,date,clearance,flange_elevation,outlet_height,length_fitted,length_taken_out,part_number,"
        "drain_ok,leak_ok,out_at,back_at,note"
    )
    assert dict(zip(head, units, strict=True))["clearance"] == "in"
    assert dict(zip(head, units, strict=True))["flange_elevation"] == "ft"
    assert [r[0] for r in body] == [s.hydrant_id for s in book(small).sheets]
    assert all(len(r) == len(COLUMNS) and not any(r[1:]) for r in body)


def test_notices_name_every_hydrant_that_goes_out_of_service_with_its_place(sample, tmp_path: Path) -> None:
    a = sample.result.assessment
    write_notices(book(a), tmp_path / "n.csv")
    head, *body = rows(tmp_path / "n.csv")
    found = [dict(zip(head, r, strict=True)) for r in body]
    out = a.inputs.hydrants
    opened = {
        out.id[i]
        for i, k in enumerate(a.decision.action.tolist())
        if Action(k).name in ("extend", "shorten", "on_site")
    }
    assert {r["hydrant_id"] for r in found} == opened
    frame = sample.result.hydrants.set_index("hydrant_id").to_crs("EPSG:4326")
    for r in found:
        assert float(r["latitude"]) == pytest.approx(frame.geometry[r["hydrant_id"]].y, abs=1e-6)
        assert float(r["longitude"]) == pytest.approx(frame.geometry[r["hydrant_id"]].x, abs=1e-6)
        assert r["job_starts"] == {"Q-101": "2027-05-03", "Q-102": "2027-06-14", "Q-103": "2027-08-02"}[r["job"]]


def test_no_cell_is_taken_for_a_formula(tmp_path: Path) -> None:
    ids = ["=1+1", "@SUM(A1)", "+cmd|x", "-3", "0012", "1E5"]
    a = with_ids(assessed([SITES["extend"]] * len(ids), catalog=CATALOG), ids)
    write_measurements(book(a), tmp_path / "m.csv")
    write_notices(book(a), tmp_path / "n.csv")
    for path in (tmp_path / "m.csv", tmp_path / "n.csv"):
        cells = [c for r in rows(path) for c in r]
        for cell in cells:
            assert not re.match(r"[=+@\t\r]", cell)
            assert not cell.startswith("-") or float(cell) < 0
        assert {"-3", "0012", "1E5", "'=1+1"} <= set(cells)


def test_books_of_one_assessment_are_alike(small: Assessment) -> None:
    one, two = book(small), book(small)
    assert isinstance(one, Book)
    assert [(s.number, s.hydrant_id, s.do) for s in one.sheets] == [(s.number, s.hydrant_id, s.do) for s in two.sheets]


def test_where_nothing_is_to_be_done_the_file_says_so(tmp_path: Path) -> None:
    write_worksheets(book(assessed([SITES["keep"]], catalog=CATALOG)), tmp_path / "w.pdf")
    (only,) = texts(tmp_path / "w.pdf")
    assert "No hydrant needs a work sheet; 1 need nothing." in only
    assert "Nothing waits for an engineer." in only


def test_a_reviewed_extension_without_any_elevation_is_still_a_page(small: Assessment, tmp_path: Path) -> None:
    row = list(SITES).index("no_elevation")
    text = page_of(reviewed(small, row, "extend", 6.0), tmp_path / "w.pdf", number_of("no_elevation"))
    assert "Add 6 in." in text
    assert "nan" not in text.lower()


def test_the_edge_of_the_new_pavement_is_in_the_sketch() -> None:
    # A square of pavement 4 m to the east: its western side stands 4 m from the hydrant.
    square = shapely.box(4, -50, 30, 50)
    a = assessed([SITES["extend"]], catalog=CATALOG, pavement=Pavement(square, shapely.MultiLineString()))
    (sheet,) = book(a).sheets
    assert min(float(line[:, 0].min()) for line in sheet.sketch.pavement) == pytest.approx(4.0)


def test_a_job_without_a_start_says_so(tmp_path: Path) -> None:
    a = assessed([SITES["extend"]], catalog=CATALOG, jobs=Jobs(("late",), {"late": None}, np.inf))
    assert "start of work not known" in next(iter(pages(a, tmp_path / "w.pdf").values()))


def test_what_crews_filled_into_the_form_is_never_written_over(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"})
    run(plan)
    form = tmp_path / "out" / "measurements.csv"
    head, units, *rows = list(csv.reader(form.open(encoding="utf-8")))
    ids = [row[0] for row in rows]
    filled = [["H-1", "2027-03-01", "3.25", *[""] * 9, "seen; in ink"], ["H-9", "2027-03-02", "4", *[""] * 10]]
    with form.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, units, *filled])
    run(plan)
    again = list(csv.reader(form.open(encoding="utf-8")))
    assert again[:2] == [head, units]
    assert [row for row in again[2:] if any(row[1:])] == filled  # of H-9, which has no sheet, too
    assert {row[0] for row in again[2:]} == {*ids, "H-9"}


def test_a_form_that_a_spreadsheet_laid_out_otherwise_is_kept_whole_beside_the_new_one(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"})
    run(plan)
    form = tmp_path / "out" / "measurements.csv"
    saved = form.read_text(encoding="utf-8").replace(",", ";") + "H-1;01.03.2027;3,25;;;;;;;;;;\n"
    form.write_text(saved, encoding="utf-8")
    run(plan)
    assert (tmp_path / "out" / "measurements_former.csv").read_text(encoding="utf-8") == saved
    assert ";" not in form.read_text(encoding="utf-8")
    run(plan)  # and nothing more piles up
    assert sorted(p.name for p in (tmp_path / "out").glob("measurements*")) == [
        "measurements.csv",
        "measurements_former.csv",
    ]


def test_times_filled_into_the_notices_stay(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, hydrants={"extension_fitted": "0 in"})
    run(plan)
    notices = tmp_path / "out" / "notices.csv"
    text = notices.read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    rows[0] |= {"out_at": "2027-05-03 08:00", "told_by": "desk"}
    with notices.open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, list(rows[0]))
        out.writeheader()
        out.writerows(rows)
    run(plan)
    assert list(csv.DictReader(notices.read_text(encoding="utf-8").splitlines())) == rows
