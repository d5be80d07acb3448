"""What makes the GeoPackage handy in a desktop GIS: aliases, a pick list, views, styles, the form to review in.

All of it is laid over a finished GeoPackage, and may be again: what is there of it is replaced.
Schema extension: OGC 12-128r19, GeoPackage Encoding Standard 1.4, annex F.9.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from gradecheck import cautions
from gradecheck.decision import Action
from gradecheck.outputs import columns, style, supports
from gradecheck.review import ALSO_CALLED

LAYER = "hydrants"
PICK_LIST = "gradecheck_action"
"""The name of the constraint on `review_action`."""

REVIEW_WORDS: dict[Action, str] = {
    Action.keep: "leave as it is",
    Action.extend: "put in an extension: its length in review_extension",
    Action.shorten: "take out what is fitted, or exchange it for the length in review_extension",
    Action.too_high: "too high: an engineer decides",
    Action.between_lengths: "too low, no length fits: an engineer decides",
    Action.measure: "measure the clearance first",
    Action.on_site: "decide when the final grade is staked",
    Action.relocate: "in the way: relocate",
    Action.outside: "no job reaches it",
    Action.no_elevation: "a ground elevation is missing",
}
"""What each action means to a reviewer who picks it."""

_NULL = "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
"""How a value map of the style document writes NULL."""


@dataclass(frozen=True, slots=True)
class View:
    """A question that is often asked of the hydrants, as a layer: its name, title, what it holds, by action.

    cautions: codes that bring a hydrant in as well, as long as nobody has reviewed it.
    """

    name: str
    title: str
    holds: str
    actions: tuple[Action, ...]
    cautions: tuple[str, ...] = ()


VIEWS = (
    View("to_extend", "To extend or shorten", "put in, take out or exchange", (Action.extend, Action.shorten)),
    View("to_measure_first", "To measure first", "measure the clearance before it is decided", (Action.measure,)),
    View(
        "for_the_engineer",
        "For the engineer",
        "nothing to order decides it (too high, between lengths, to relocate, no elevation, on site), or a caution "
        "asks for an engineer's word",
        (Action.too_high, Action.between_lengths, Action.relocate, Action.no_elevation, Action.on_site),
        cautions.TO_REVIEW,
    ),
)


def dress(db: sqlite3.Connection, unit: str) -> None:
    """All of it. db: an open GeoPackage with the layer `hydrants`, its schema tables and `layer_styles`.

    unit: of the column names. Raises sqlite3.Error; commits nothing.
    """
    aliases(db, unit)
    pick_lists(db)
    views(db, unit)
    styles(db, unit)


def alias(name: str, column: str) -> str:
    """A column's name for people, its unit in brackets.

    >>> alias("grade_change_{u}", "grade_change_in"), alias("job", "job")
    ('grade change (in)', 'job')
    """
    stem, _, _ = name.partition("_{")
    words = stem.replace("_", " ")
    return f"{words} ({column[len(stem) + 1 :]})" if stem != name else words


def aliases(db: sqlite3.Connection, unit: str) -> None:
    """What the columns of ours mean, and names for people beside theirs, where the standard has them."""
    for layer in (LAYER, *supports.MEANING):
        there = {row[1] for row in db.execute(f"PRAGMA table_info({layer})")}
        for column, (words, meaning) in _described(layer, unit).items():
            if column in there:
                db.execute("DELETE FROM gpkg_data_columns WHERE table_name = ? AND column_name = ?", (layer, column))
                db.execute(
                    "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description)"
                    " VALUES (?, ?, ?, ?, ?)",
                    (layer, column, words, words, meaning),
                )


def _described(layer: str, unit: str) -> dict[str, tuple[str, str]]:
    """Columns of ours in a layer: the name for people, and the meaning."""
    names = columns.MEANING if layer == LAYER else supports.MEANING[layer]
    meanings = columns.meanings(unit) if layer == LAYER else supports.meanings(layer, unit)
    return {c: (alias(name, c), text) for name, (c, text) in zip(names, meanings.items(), strict=True)}


def pick_lists(db: sqlite3.Connection) -> None:
    """`review_action` takes one of the actions: an enumeration of the Schema extension."""
    db.execute("DELETE FROM gpkg_data_column_constraints WHERE constraint_name = ?", (PICK_LIST,))
    db.executemany(
        "INSERT INTO gpkg_data_column_constraints (constraint_name, constraint_type, value, description)"
        " VALUES (?, 'enum', ?, ?)",
        [(PICK_LIST, action.name, REVIEW_WORDS[action]) for action in Action],
    )
    db.execute(
        "UPDATE gpkg_data_columns SET constraint_name = ? WHERE table_name = ? AND column_name = 'review_action'",
        (PICK_LIST, LAYER),
    )


def views(db: sqlite3.Connection, unit: str) -> None:
    """`VIEWS` as layers. A review counts: a hydrant stands under the action that a reviewer wrote, if any."""
    counts = _counting(unit)
    for view in VIEWS:
        actions = ", ".join(f"'{a.name}'" for a in view.actions)
        db.execute(f"DROP VIEW IF EXISTS {view.name}")
        # All columns, not a list: a column of the layer that a view names can no longer be deleted in a GIS.
        held = "".join(f" OR ({_unreviewed(unit)} AND cautions LIKE '%{code}%')" for code in view.cautions)
        db.execute(f"CREATE VIEW {view.name} AS SELECT * FROM {LAYER} WHERE {counts} IN ({actions}){held}")
        _register(db, view)


def _counting(unit: str) -> str:
    """The action that counts, as SQL: the reviewer's, however it is spelt, else the computed one."""
    known = ", ".join(f"'{a.name}'" for a in Action)
    word = "replace(replace(lower(trim(review_action)), ' ', '_'), '-', '_')"
    also = " ".join(f"WHEN '{label}' THEN '{name}'" for label, name in ALSO_CALLED.items())
    word = f"CASE {word} {also} ELSE {word} END"
    only_length = f"trim(coalesce(review_action, '')) = '' AND \"review_extension_{unit}\" > 0"
    return f"CASE WHEN ({word}) IN ({known}) THEN {word} WHEN {only_length} THEN '{Action.extend.name}' ELSE action END"


def _unreviewed(unit: str) -> str:
    """Nobody has written an action or a length, as SQL."""
    return f"trim(coalesce(review_action, '')) = '' AND \"review_extension_{unit}\" IS NULL"


def _register(db: sqlite3.Connection, view: View) -> None:
    """List a view among the layers. No extent: it moves with every review, and readers work it out."""
    for table in ("gpkg_data_columns", "gpkg_geometry_columns", "gpkg_contents"):
        db.execute(f"DELETE FROM {table} WHERE table_name = ?", (view.name,))
    db.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id)"
        " SELECT ?, 'features', ?, ?, srs_id FROM gpkg_contents WHERE table_name = ?",
        (view.name, view.title, f"{view.holds}; reviews count. Read only in most GIS: edit {LAYER}", LAYER),
    )
    db.execute(
        "INSERT INTO gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id, z, m)"
        " SELECT ?, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns WHERE table_name = ?",
        (view.name, LAYER),
    )
    db.execute(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description, constraint_name)"
        " SELECT ?, column_name, name, title, description, constraint_name FROM gpkg_data_columns WHERE table_name = ?",
        (view.name, LAYER),
    )


def styles(db: sqlite3.Connection, unit: str) -> None:
    """A default style in `layer_styles` for every layer that is there and has one."""
    there = {
        name: (column, kind)
        for name, column, kind in db.execute(
            "SELECT table_name, column_name, geometry_type_name FROM gpkg_geometry_columns"
        )
    }
    ours = {*columns.meanings(unit), "fid", there[LAYER][0] if LAYER in there else ""}
    present = [row[1] for row in db.execute(f"PRAGMA table_info({LAYER})")]
    own = [name for name in present if name not in ours]
    for layer, title, qml, sld in _looks(unit, {name: kind for name, (_, kind) in there.items()}, own, present):
        if layer in there:
            db.execute("DELETE FROM layer_styles WHERE f_table_name = ? AND owner = ''", (layer,))
            db.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, styleName,"
                " styleQML, styleSLD, useAsDefault, description, owner) VALUES ('','',?,?,?,?,?,1,?,'')",
                (layer, there[layer][0], "actions" if layer == LAYER else layer, qml, sld, title),
            )


def _looks(unit: str, kinds: dict[str, str], own: list[str], present: list[str]) -> Iterator[tuple[str, str, str, str]]:
    """Layer, what the style shows, QML, SLD. present: the columns of the layer; own: those that are not ours."""
    fields = [*_alias_elements(LAYER, unit), _named_by_id()]
    yield (
        LAYER,
        "Actions by shape and colour, labels, and the form to review in",
        style.qml(unit=unit, more=[*fields, *_form(unit), *_layout(unit, own, present)]),
        style.sld(unit=unit),
    )
    for view in VIEWS:
        marks = (*(m for m in style.MARKS if m.action in view.actions), style.REVIEWED)
        qml = style.qml(marks, unit, fields, read_only=True)
        yield view.name, "Actions by shape and colour, labels", qml, style.sld(view.name, marks, unit)
    stable = style.qml((style.STABLE,), more=_alias_elements("stable_points", unit), read_only=True)
    yield "stable_points", supports.TITLES["stable_points"], stable, style.sld("stable_points", (style.STABLE,))
    yield "rejected", "One mark", style.qml((style.REJECTED,)), style.sld("rejected", (style.REJECTED,))
    for layer, sketch in style.SKETCHES.items():
        lines = kinds.get(layer, "").endswith(("LINESTRING", "CURVE"))
        qml = style.sketch_qml(sketch, _alias_elements(layer, unit), lines=lines)
        yield layer, supports.TITLES[layer], qml, style.sketch_sld(layer, sketch, lines=lines)


def _alias_elements(layer: str, unit: str) -> list[ET.Element]:
    root = ET.Element("aliases")
    for column, (words, _) in _described(layer, unit).items():
        ET.SubElement(root, "alias", field=column, name=words)
    return [root]


def _form(unit: str) -> list[ET.Element]:
    """The form: a pick list, a length, a note of several lines; what is computed cannot be edited there."""
    length = f"review_extension_{unit}"
    widgets = ET.Element("fieldConfiguration")
    pairs = ET.SubElement(_widget(widgets, "review_action", "ValueMap"), "Option", type="List", name="map")
    for shown, value in (("as computed", _NULL), *((f"{a.name}: {REVIEW_WORDS[a]}", a.name) for a in Action)):
        pair = ET.SubElement(pairs, "Option", type="Map")
        ET.SubElement(pair, "Option", type="QString", name=shown, value=value)
    # A text field, not a spin box, whose wheel changes a length by accident.
    _switch(_widget(widgets, length, "TextEdit"), IsMultiline=False)
    _switch(_widget(widgets, "review_note", "TextEdit"), IsMultiline=True, UseHtml=False)
    editable = ET.Element("editable")
    for column in columns.meanings(unit):
        open_to_edits = column in ("review_action", length, "review_note")
        ET.SubElement(editable, "field", name=column, editable="1" if open_to_edits else "0")
    strength, rule = ET.Element("constraints"), ET.Element("constraintExpressions")
    settings = {"constraints": "4", "exp_strength": "2", "unique_strength": "0", "notnull_strength": "0"}
    ET.SubElement(strength, "constraint", {"field": length} | settings)
    test = f'"{length}" IS NULL OR "{length}" >= 0'
    ET.SubElement(rule, "constraint", field=length, exp=test, desc=f"0 or more, {unit}; empty where nothing is said")
    return [widgets, editable, strength, rule]


def _widget(parent: ET.Element, column: str, kind: str) -> ET.Element:
    """The settings of the editor of a column."""
    editor = ET.SubElement(ET.SubElement(parent, "field", name=column), "editWidget", type=kind)
    return ET.SubElement(ET.SubElement(editor, "config"), "Option", type="Map")


def _switch(settings: ET.Element, **switches: bool) -> None:
    for name, on in switches.items():
        ET.SubElement(settings, "Option", type="bool", name=name, value=str(on).lower())


def _named_by_id() -> ET.Element:
    """Lists of hydrants show their ids."""
    made = ET.Element("previewExpression")
    made.text = '"hydrant_id"'
    return made


def _layout(unit: str, own: list[str], present: list[str]) -> list[ET.Element]:
    """The form in four pages: what a reviewer writes first, then the decision, the heights, the layer's own columns."""
    tabs, form = ET.Element("editorlayout"), ET.Element("attributeEditorForm")
    tabs.text = "tablayout"
    ours = [c for c in columns.meanings(unit) if c in present]
    decided = (
        "hydrant_id",
        "job",
        "action",
        "reason",
        "cautions",
        "extension_parts",
        "runner_up",
        "confidence",
        "firm",
    )
    reviewed = [c for c in ours if c.startswith("review_")]
    pages = {
        "Review": ["hydrant_id", "action", "reason", *reviewed],
        "Decision": list(decided),
        "Heights and lengths": [c for c in ours if c not in decided and c not in reviewed],
        "From the layer": own,
    }
    for title, names in pages.items():
        page = ET.SubElement(form, "attributeEditorContainer", name=title, groupBox="0", columnCount="1", showLabel="1")
        for name in names:
            ET.SubElement(page, "attributeEditorField", name=name, index="-1", showLabel="1")
    return [tabs, form]
