"""Catalogues from TOML and CSV, judged against one another and against the columns that the format states."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from gradecheck import Catalog, PlanError, read_catalog
from gradecheck.catalog import GENERIC

# The same catalogue twice; defaults left out in TOML stand blank in CSV.
TOML = """
currency = "USD"
[[extension]]
family = "A"
length = "12 in"
part_number = "0012"
supplier = "yard, stock"
unit_cost = 310.5
on_hand = 3
lead_days = 42
pack_size = 2
[[extension]]
family = "A"
length = "0.5 ft"
part_number = "1E5"
description = "short one"
[[extension]]
family = "B"
length = "150 mm"
part_number = "=1+1"
unit_cost = 0
[[item]]
family = "A"
part_number = "Q-G1"
description = "barrel gasket"
quantity = 2
per = "piece"
pack_size = 10
[[item]]
family = "B"
part_number = "-3"
description = "grease"
per = "visit"
lead_days = 0
[[check_value]]
family = "A"
name = "flange bolts"
value = "80 ft·lb"
source = "common practice; the maker's value governs"
"""

CSV = """\
family,length,part_number,description,supplier,unit_cost,on_hand,lead_days,pack_size,quantity,per,name,value,source,currency
A,12 in,0012,,"yard, stock",310.5,3,42,2,,,,,,USD
A,0.5 ft,1E5,short one,,,,,,,,,,,USD
B,150 mm,=1+1,,,0,,,,,,,,,USD
A,,Q-G1,barrel gasket,,,,,10,2,piece,,,,USD
B,,-3,grease,,,,0,,,visit,,,,USD
A,,,,,,,,,,,flange bolts,80 ft·lb,common practice; the maker's value governs,USD
"""

ONE = '[[extension]]\nfamily = "A"\nlength = "12 in"\npart_number = "Q-12"\n'


def read(folder: Path, text: str, name: str = "parts.toml") -> Catalog:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return read_catalog(path, name)


def findings(folder: Path, text: str, name: str = "parts.toml") -> list[tuple[str, str]]:
    with pytest.raises(PlanError) as caught:
        read(folder, text, name)
    return [(f.where, f"{f.what} {f.mend}") for f in caught.value.findings]


def extension(**changed: str) -> str:
    """One extension as TOML, keys replaced or added as they are to stand in the file."""
    keys = {"family": '"A"', "length": '"12 in"', "part_number": '"Q-12"'} | changed
    return "[[extension]]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())


def item(**changed: str) -> str:
    keys = {"family": '"A"', "part_number": '"Q-G1"', "description": '"gasket"', "per": '"piece"'} | changed
    return ONE + "[[item]]\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())


def test_the_same_catalogue_comes_out_of_toml_and_csv(tmp_path: Path) -> None:
    assert read(tmp_path, TOML) == read(tmp_path, CSV, "parts.csv")


def test_what_is_written_is_what_is_read(tmp_path: Path) -> None:
    got = read(tmp_path, TOML)
    first, second = got.extensions("A")
    assert (first.part_number, first.length.metres, first.description) == ("1E5", 0.1524, "short one")
    assert (first.unit_cost, first.on_hand, first.lead_days, first.pack_size) == (None, 0, None, 1)
    assert (second.unit_cost, second.on_hand, second.lead_days, second.pack_size) == (310.5, 3, 42, 2)
    assert (got.extensions("B")[0].part_number, got.extensions("B")[0].unit_cost) == ("=1+1", 0.0)
    assert [(i.part_number, i.quantity, i.per) for i in got.item] == [("Q-G1", 2, "piece"), ("-3", 1, "visit")]
    assert (got.currency, got.families, got.generic) == ("USD", ("A", "B"), False)
    assert got.check_value[0].value == "80 ft·lb"


def test_a_csv_may_say_the_kind_of_each_row_and_start_with_a_byte_order_mark(tmp_path: Path) -> None:
    lines = CSV.splitlines()
    kinds = ["kind", *["extension"] * 3, *["item"] * 2, "check_value"]
    text = "\ufeff" + "\n".join(f"{kind},{line}" for kind, line in zip(kinds, lines, strict=True))
    assert read(tmp_path, text, "parts.csv") == read(tmp_path, TOML)


def test_the_generic_catalogue_is_6_to_60_in_by_6_and_not_for_order() -> None:
    assert [e.length.to("in") for e in GENERIC.extensions("generic")] == [6, 12, 18, 24, 30, 36, 42, 48, 54, 60]
    assert GENERIC.generic
    assert GENERIC.item == ()


BAD = [
    (extension(unit_cost="-0.01"), "extension[1].unit_cost", "at least 0"),
    (extension(unit_cost="nan"), "extension[1].unit_cost", "number"),
    (extension(unit_cost='"dear"'), "extension[1].unit_cost", "a number"),
    (extension(on_hand="-1"), "extension[1].on_hand", "at least 0"),
    (extension(on_hand="1.5"), "extension[1].on_hand", "a whole number"),
    (extension(lead_days="-3"), "extension[1].lead_days", "at least 0"),
    (extension(pack_size="0"), "extension[1].pack_size", "at least 1"),
    (extension(length="12"), "extension[1].length", '"2 in"'),
    (extension(length='"0 in"'), "extension[1].length", "above 0"),
    (extension(length='"12 furlong"'), "extension[1].length", "unknown unit 'furlong'"),
    (extension(lenght='"12 in"'), "extension[1].lenght", "did you mean 'length'?"),
    (extension(family='""'), "extension[1].family", ""),
    (item(per='"job"'), "item[1].per", "'job' is not one of 'piece', 'visit'"),
    (item(quantity="0"), "item[1].quantity", "at least 1"),
    (ONE + '[[check_value]]\nfamily = "A"\nname = "n"\nvalue = "v"\n', "check_value[1].source", "needed"),
    (ONE + '[[extention]]\nfamily = "A"\n', "extention", "did you mean 'extension'?"),
    ("generic = true\n" + ONE, "generic", "unknown key"),
    ('currency = "USD"\n', "extension", "needed"),
    ("extension = 3\n", "extension", "a list"),
]


@pytest.mark.parametrize(("text", "key", "words"), BAD, ids=[f"{b[1]} {b[2]}" for b in BAD])
def test_a_bad_catalogue_is_told_with_file_key_and_plain_words(tmp_path: Path, text: str, key: str, words: str) -> None:
    found = dict(findings(tmp_path, text))
    assert words in found[f"parts.toml.{key}"]


@pytest.mark.parametrize(("text", "key"), [b[:2] for b in BAD], ids=[f"{b[1]} {b[2]}" for b in BAD])
def test_one_mistake_in_a_catalogue_is_one_message_in_our_own_words(tmp_path: Path, text: str, key: str) -> None:
    found = findings(tmp_path, text)
    assert [where for where, _ in found] == [f"parts.toml.{key}"]
    assert not re.search(r"tuple|input should|validation|pydantic|\{'", str(found[0][1]), re.IGNORECASE)


CONFLICTS = [
    (ONE + ONE, "length 12 in stands twice in family 'A'"),
    (ONE + extension(length='"1 ft"', part_number='"Q-13"'), "length 1 ft stands twice in family 'A'"),
    (item(family='"B"'), "family 'B'"),
    (ONE + extension(length='"6 in"', on_hand="3"), "part_number 'Q-12' stands twice with different on_hand"),
    (ONE + extension(family='"B"', unit_cost="3"), "part_number 'Q-12' stands twice with different unit_cost"),
    (item(part_number='"Q-12"', pack_size="5"), "part_number 'Q-12' stands twice with different pack_size"),
]


@pytest.mark.parametrize(("text", "words"), CONFLICTS, ids=[c[1] for c in CONFLICTS])
def test_a_catalogue_that_contradicts_itself_is_refused(tmp_path: Path, text: str, words: str) -> None:
    assert words in str(findings(tmp_path, text))


def test_the_same_length_in_two_families_is_no_contradiction(tmp_path: Path) -> None:
    both = read(tmp_path, ONE + extension(family='"B"', part_number='"Q-13"'))
    assert both.families == ("A", "B")


def test_mistakes_in_several_parts_are_told_at_once(tmp_path: Path) -> None:
    text = extension(unit_cost="-1", pack_size="0") + extension(length='"7"') + item(per='"job"').removeprefix(ONE)
    keys = {where.removeprefix("parts.toml.") for where, _ in findings(tmp_path, text)}
    assert keys >= {"extension[1].unit_cost", "extension[1].pack_size", "extension[2].length", "item[1].per"}


HEAD = "family,length,part_number,unit_cost,on_hand,per,quantity,description,kind\n"

BAD_ROWS = [
    ("A,12 in,Q,-5,,,,,", "unit_cost"),
    ("A,12 in,Q,dear,,,,,", "unit_cost"),
    ('A,12 in,Q,"1,000.5",,,,,', "unit_cost"),
    ("A,12 in,Q,nan,,,,,", "unit_cost"),
    ("A,12 in,Q,,1.5,,,,", "on_hand"),
    ("A,12,Q,,,,,,", "length"),
    ("A,12 furlong,Q,,,,,,", "furlong"),
    ("A,12 in,,,,,,,", "part_number"),
    ("A,12 in,Q,,,visit,,,", "per"),
    ("A,,Q,,,job,,gasket,", "per"),
    ("A,12 in,Q,,,,,,bolt", "bolt"),
]


@pytest.mark.parametrize(("row", "word"), BAD_ROWS, ids=[b[0] for b in BAD_ROWS])
def test_a_bad_row_of_a_csv_is_told_by_its_line(tmp_path: Path, row: str, word: str) -> None:
    found = findings(tmp_path, HEAD + "A,6 in,R,1,0,,,,\n" + row + "\n", "parts.csv")
    assert any("line 3" in where and word in f"{where} {what}" for where, what in found)


def test_bad_numbers_and_bad_units_of_a_csv_are_told_at_once(tmp_path: Path) -> None:
    found = str(findings(tmp_path, HEAD + "A,6 in,R,dear,,,,,\nA,9 furlong,T,,,,,,\n", "parts.csv"))
    assert "dear" in found
    assert "furlong" in found


def test_a_cell_too_many_is_not_dropped_without_a_word(tmp_path: Path) -> None:
    # An unquoted comma in a description shifts what follows; nothing of it may be lost in silence.
    text = "family,length,part_number,description\nA,12 in,Q,gasket, barrel\n"
    assert "line 2" in str(findings(tmp_path, text, "parts.csv"))


def test_unknown_columns_and_other_separators_are_told_with_the_known_ones(tmp_path: Path) -> None:
    for text in ("family;length;part_number\nA;12 in;Q\n", "family,lenght,part_number\nA,12 in,Q\n"):
        ((_, what), *_) = findings(tmp_path, text, "parts.csv")
        assert "part_number" in what
        assert ("unknown column" in what) == (";" not in text)


def test_two_currencies_are_refused(tmp_path: Path) -> None:
    text = "family,length,part_number,currency\nA,12 in,Q,USD\nA,6 in,R,CAD\n"
    assert "CAD, USD" in str(findings(tmp_path, text, "parts.csv"))


@pytest.mark.parametrize("text", ["", "family,length,part_number\n"], ids=["empty", "header only"])
def test_a_csv_without_rows_is_told_in_plain_words(tmp_path: Path, text: str) -> None:
    ((_, what),) = findings(tmp_path, text, "parts.csv")
    assert not re.search(r"tuple|validation", what)


def test_files_that_are_no_catalogue_are_told(tmp_path: Path) -> None:
    (tmp_path / "latin.csv").write_bytes(b"family,length,part_number\nA,12 in,Q\xe9\n")
    for path, words in (
        (tmp_path / "none.toml", "cannot be read"),
        (tmp_path, "cannot be read"),
        (tmp_path / "latin.csv", "not UTF-8"),
    ):
        with pytest.raises(PlanError, match=words):
            read_catalog(path, path.name)
    assert "is not TOML" in findings(tmp_path, "[[extension")[0][1]


def test_a_length_that_no_hydrant_has_is_a_slip_of_a_unit() -> None:
    with pytest.raises(PlanError, match="longer than any hydrant: is its unit right"):
        Catalog.parse({"currency": "USD", "extension": [{"part_number": "Q", "family": "A", "length": "60 m"}]})
    assert Catalog.parse({"currency": "USD", "extension": [{"part_number": "Q", "family": "A", "length": "60 in"}]})
