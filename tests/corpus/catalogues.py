"""Catalogues of lengths that can be bought."""

from __future__ import annotations

from tests.corpus import Project, bad


def _toml(place: Project, text: str | bytes, name: str = "parts.toml") -> None:
    place.raw(name, text)
    place.section("catalog", path=name)


def _extension(**changed: str | None) -> str:
    """One length in TOML, keys changed or left out."""
    keys = {"family": '"quince"', "length": '"6 in"', "part_number": '"Q-6"', "unit_cost": "410.5"} | changed
    return "[[extension]]\n" + "".join(f"{key} = {value}\n" for key, value in keys.items() if value is not None)


def _csv(place: Project, *rows: str, head: str = "family,length,part_number,unit_cost") -> None:
    _toml(place, "\n".join([head, *rows]) + "\n", "parts.csv")


@bad("catalogue")
def catalogue_negative_length(place: Project) -> None:
    """A length is below zero."""
    _toml(place, _extension(length='"-6 in"'))


@bad("catalogue")
def catalogue_zero_length(place: Project) -> None:
    """A length is zero."""
    _toml(place, _extension(length='"0 in"'))


@bad("catalogue")
def catalogue_length_without_unit(place: Project) -> None:
    """A length is a bare number."""
    _toml(place, _extension(length="6"))


@bad("catalogue")
def catalogue_unknown_unit(place: Project) -> None:
    """A length has a unit that is none."""
    _toml(place, _extension(length='"6 hands"'))


@bad("catalogue")
def catalogue_wrong_unit(place: Project) -> None:
    """A length of six inches is called feet."""
    _toml(place, _extension(length='"6 ft"'))


@bad("catalogue")
def catalogue_kilometres_of_length(place: Project) -> None:
    """A length is longer than any hydrant."""
    _toml(place, _extension(length='"6000 m"'))


@bad("catalogue")
def catalogue_same_length_twice(place: Project) -> None:
    """A length stands twice in a family, in two units."""
    _toml(place, _extension() + _extension(length='"0.5 ft"', part_number='"Q-6b"'))


@bad("catalogue")
def catalogue_same_number_other_price(place: Project) -> None:
    """A part number has two prices."""
    _toml(place, _extension() + _extension(length='"12 in"', unit_cost="500"))


@bad("catalogue")
def catalogue_without_lengths(place: Project) -> None:
    """The catalogue has no lengths."""
    _toml(place, 'currency = "USD"\n')


@bad("catalogue")
def catalogue_empty_file(place: Project) -> None:
    """The catalogue has no bytes."""
    _toml(place, "")


@bad("catalogue")
def catalogue_without_family(place: Project) -> None:
    """A length has no family."""
    _toml(place, _extension(family=None))


@bad("catalogue")
def catalogue_blank_family(place: Project) -> None:
    """The family of a length is blank."""
    _toml(place, _extension(family='""'))


@bad("catalogue")
def catalogue_item_of_no_family(place: Project) -> None:
    """A kit belongs to a family that has no lengths."""
    item = '[[item]]\nfamily = "quinse"\npart_number = "K"\ndescription = "kit"\nper = "visit"\n'
    _toml(place, _extension() + item)


@bad("catalogue")
def catalogue_nan_cost(place: Project) -> None:
    """A cost is nan."""
    _toml(place, _extension(unit_cost="nan"))


@bad("catalogue")
def catalogue_infinite_cost(place: Project) -> None:
    """A cost is inf."""
    _toml(place, _extension(unit_cost="inf"))


@bad("catalogue")
def catalogue_negative_cost(place: Project) -> None:
    """A cost is below zero."""
    _toml(place, _extension(unit_cost="-3"))


@bad("catalogue")
def catalogue_cost_in_words(place: Project) -> None:
    """A cost is "on request"."""
    _toml(place, _extension(unit_cost='"on request"'))


@bad("catalogue")
def catalogue_unknown_key(place: Project) -> None:
    """A key has a slip of the pen."""
    _toml(place, _extension() + 'suplier = "x"\n')


@bad("catalogue")
def catalogue_bad_pack(place: Project) -> None:
    """Pieces come in packs of none."""
    _toml(place, _extension() + "pack_size = 0\n")


@bad("catalogue")
def catalogue_huge_stock(place: Project) -> None:
    """The stock is a number of thirty digits."""
    _toml(place, _extension() + f"on_hand = {10**30}\n")


@bad("catalogue")
def catalogue_lead_of_ages(place: Project) -> None:
    """A part takes ten million days to come."""
    _toml(place, _extension() + "lead_days = 10000000\n")


@bad("catalogue")
def catalogue_fraction_of_stock(place: Project) -> None:
    """Two and a half pieces are in stock."""
    _toml(place, _extension() + "on_hand = 2.5\n")


@bad("catalogue")
def catalogue_cp1252(place: Project) -> None:
    """The catalogue is in cp1252."""
    _toml(place, (_extension() + 'supplier = "Peña"\n').encode("cp1252"))


@bad("catalogue")
def catalogue_not_toml(place: Project) -> None:
    """The catalogue is prose."""
    _toml(place, "six inches, twelve inches, ask Quince\n")


@bad("catalogue")
def catalogue_is_not_there(place: Project) -> None:
    """The catalogue is not there."""
    place.section("catalog", path="part.toml")


@bad("catalogue")
def catalogue_is_a_folder(place: Project) -> None:
    """The catalogue is a folder."""
    (place.folder / "parts").mkdir()
    place.section("catalog", path="parts")


@bad("catalogue")
def catalogue_csv_words_for_cost(place: Project) -> None:
    """A cost in a CSV has a currency sign."""
    _csv(place, "quince,6 in,Q-6,$410.50")


@bad("catalogue")
def catalogue_csv_nan_cost(place: Project) -> None:
    """A cost in a CSV is nan."""
    _csv(place, "quince,6 in,Q-6,nan")


@bad("catalogue")
def catalogue_csv_unknown_column(place: Project) -> None:
    """A CSV has a column that is no key."""
    _csv(place, "quince,6 in,Q-6,3", head="family,length,part_no,unit_cost")


@bad("catalogue")
def catalogue_csv_ragged(place: Project) -> None:
    """A row of a CSV has a comma too many."""
    _csv(place, "quince,6 in,Q-6,1,200.00")


@bad("catalogue")
def catalogue_csv_semicolons(place: Project) -> None:
    """A CSV has semicolons."""
    _csv(place, "quince;6 in;Q-6;410,5", head="family;length;part_number;unit_cost")


@bad("catalogue")
def catalogue_csv_doubled_heading(place: Project) -> None:
    """A CSV has one heading over two columns."""
    _csv(place, "quince,6 in,Q-6,8 in", head="family,length,part_number,length")


@bad("catalogue")
def catalogue_csv_two_currencies(place: Project) -> None:
    """Rows of a CSV have two currencies."""
    _csv(place, "quince,6 in,Q-6,1,USD", "quince,12 in,Q-12,1,CAD", head="family,length,part_number,unit_cost,currency")


@bad("catalogue")
def catalogue_csv_header_only(place: Project) -> None:
    """A CSV has headings and no rows."""
    _csv(place)


@bad("catalogue")
def catalogue_csv_huge_cell(place: Project) -> None:
    """A cell of a CSV has a million letters."""
    _csv(place, f"quince,6 in,{'Q' * 1_000_000},1")
