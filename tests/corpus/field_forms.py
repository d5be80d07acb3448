"""Field measurements: the form that crews fill in."""

from __future__ import annotations

from tests.corpus import Project, bad

_HEAD = "hydrant_id,date,clearance,flange_elevation,outlet_height,length_fitted,note"
_UNITS = ",,in,ft,in,in,"
_GOOD = "H-1,2026-05-11,3.5,,,,"


def _form(place: Project, *rows: str, head: str = _HEAD, units: str | None = _UNITS, **stated: object) -> None:
    """A filled-in form that the plan names."""
    lines = [head, *([units] if units is not None else []), *rows]
    place.raw("measured.csv", "\n".join(lines) + "\n")
    place.section("measurements", path="measured.csv", **stated)


@bad("measurements")
def form_ambiguous_date(place: Project) -> None:
    """A date may be two days."""
    _form(place, "H-1,03/04/2026,3.5,,,,", _GOOD.replace("H-1", "H-2"))


@bad("measurements")
def form_impossible_date(place: Project) -> None:
    """A date is the 30th of February."""
    _form(place, "H-1,2026-02-30,3.5,,,,")


@bad("measurements")
def form_date_as_serial(place: Project) -> None:
    """A date is the number of days that a spreadsheet counts."""
    _form(place, "H-1,46153,3.5,,,,")


@bad("measurements")
def form_date_in_words(place: Project) -> None:
    """A date is a word."""
    _form(place, "H-1,yesterday,3.5,,,,")


@bad("measurements")
def form_date_to_come(place: Project) -> None:
    """A date lies in the future by a slip of the pen."""
    _form(place, "H-1,2072-05-11,3.5,,,,")


@bad("measurements")
def form_without_dates(place: Project) -> None:
    """Rows have no date, and two of them contradict one another."""
    _form(place, "H-1,,3.5,,,,", "H-1,,9.5,,,,")


@bad("measurements")
def form_newer_contradicts_older(place: Project) -> None:
    """A newer row contradicts an older one."""
    _form(place, "H-1,2026-05-11,3.5,,,,", "H-1,2026-04-11,9.5,,,,")


@bad("measurements")
def form_same_day_twice(place: Project) -> None:
    """Two rows of one day contradict one another."""
    _form(place, "H-1,2026-05-11,3.5,,,,", "H-1,2026-05-11,9.5,,,,")


@bad("measurements")
def form_contradicts_layer(place: Project) -> None:
    """A row contradicts what the layer says."""
    _form(place, "H-1,2026-05-11,9.5,,,,")


@bad("measurements")
def form_unknown_id(place: Project) -> None:
    """A row names a hydrant that is not in the layer."""
    _form(place, _GOOD, "H-99,2026-05-11,3.5,,,,")


@bad("measurements")
def form_all_ids_unknown(place: Project) -> None:
    """No row names a hydrant of the layer."""
    _form(place, "Q/1,2026-05-11,3.5,,,,")


@bad("measurements")
def form_id_in_other_case(place: Project) -> None:
    """A row writes an id in small letters."""
    _form(place, "h-1,2026-05-11,3.5,,,,")


@bad("measurements")
def form_row_without_id(place: Project) -> None:
    """A row has values and no id."""
    _form(place, _GOOD, ",2026-05-11,3.5,,,,see sketch")


@bad("measurements")
def form_without_units(place: Project) -> None:
    """The row of units was deleted, and the plan says none."""
    _form(place, _GOOD, units=None)


@bad("measurements")
def form_units_twice(place: Project) -> None:
    """Two rows of units contradict one another."""
    _form(place, _GOOD, ",,mm,ft,in,in,")


@bad("measurements")
def form_unknown_unit(place: Project) -> None:
    """The row of units names one that is none."""
    _form(place, _GOOD, units=",,in,chains,in,in,")


@bad("measurements")
def form_unit_contradicts_plan(place: Project) -> None:
    """The plan says another unit than the form."""
    _form(place, _GOOD, unit="mm")


@bad("measurements")
def form_value_of_other_unit(place: Project) -> None:
    """A clearance is in millimetres under a heading of inches."""
    _form(place, "H-1,2026-05-11,350,,,,")


@bad("measurements")
def form_words_for_values(place: Project) -> None:
    """A clearance is "about 4"."""
    _form(place, "H-1,2026-05-11,about 4,,,,")


@bad("measurements")
def form_nan_and_inf(place: Project) -> None:
    """Values are nan and inf."""
    _form(place, "H-1,2026-05-11,nan,inf,,,")


@bad("measurements")
def form_formula(place: Project) -> None:
    """A clearance is a formula."""
    _form(place, "H-1,2026-05-11,=2+2,,,,")


@bad("measurements")
def form_decimal_commas(place: Project) -> None:
    """A form has semicolons and decimal commas."""
    _form(place, "H-1;2026-05-11;3,5;;;;", head=_HEAD.replace(",", ";"), units=_UNITS.replace(",", ";"))


@bad("measurements")
def form_all_blank(place: Project) -> None:
    """Nothing was filled in."""
    _form(place, "H-1,,,,,,", "H-2,,,,,,")


@bad("measurements")
def form_empty(place: Project) -> None:
    """The form has no bytes."""
    place.raw("measured.csv", "")
    place.section("measurements", path="measured.csv")


@bad("measurements")
def form_without_id_column(place: Project) -> None:
    """The heading of the ids was changed."""
    _form(place, _GOOD, head=_HEAD.replace("hydrant_id", "hydrant"))


@bad("measurements")
def form_doubled_heading(place: Project) -> None:
    """A heading stands over two columns."""
    _form(place, _GOOD, head=_HEAD.replace("outlet_height", "clearance"))


@bad("measurements")
def form_open_quote(place: Project) -> None:
    """A quotation mark in a note is not closed."""
    _form(place, 'H-1,2026-05-11,3.5,,,,"see sketch', *[f"H-{i},2026-05-11,3.5,,,," for i in (2, 3)])


@bad("measurements")
def form_cp1252(place: Project) -> None:
    """A form is in cp1252."""
    text = f"{_HEAD}\n{_UNITS}\nH-1,2026-05-11,3.5,,,,válvula\n"
    place.raw("measured.csv", text.encode("cp1252"))
    place.section("measurements", path="measured.csv")


@bad("measurements")
def form_utf16(place: Project) -> None:
    """A form is in UTF-16."""
    place.raw("measured.csv", f"{_HEAD}\n{_UNITS}\n{_GOOD}\n".encode("utf-16"))
    place.section("measurements", path="measured.csv")


@bad("measurements")
def form_with_nul(place: Project) -> None:
    """A form has NUL bytes."""
    _form(place, "H-1,2026-05-11,3.5\0,,,,")


@bad("measurements")
def form_is_not_there(place: Project) -> None:
    """The form is not there."""
    place.section("measurements", path="measurd.csv")


@bad("measurements")
def form_is_a_folder(place: Project) -> None:
    """The form is a folder."""
    (place.folder / "measured.csv").mkdir()
    place.section("measurements", path="measured.csv")


@bad("measurements")
def form_yes_no_unclear(place: Project) -> None:
    """The drain is "maybe"."""
    _form(place, "H-1,2026-05-11,3.5,maybe", head="hydrant_id,date,clearance,drain_ok", units=",,in,")


@bad("measurements")
def form_huge_cell(place: Project) -> None:
    """A note has a million letters."""
    _form(place, f"H-1,2026-05-11,3.5,,,,{'x' * 1_000_000}")
