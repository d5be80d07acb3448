"""The look of the layers: one table of marks, written as SLD and as the QML of `layer_styles`; labels with them.

Colours are told apart by colour-blind readers (checked by simulation in the tests) and the shapes alone tell
the actions apart in grey print.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from gradecheck.decision import Action

LABEL_SCALE = 2500
"""Denominator of the smallest map scale at which hydrants are labelled: 1 cm on the map is 25 m."""


@dataclass(frozen=True, slots=True)
class Mark:
    """How one action is drawn: fill colour #rrggbb, shape, turn in degrees, size in millimetres, label.

    action: None stands for every row that no other mark is for.
    """

    action: Action | None
    fill: str
    shape: str
    turn: int
    size: float
    label: str

    @property
    def value(self) -> str:
        """What stands in the column `action`; empty for all the others."""
        return "" if self.action is None else self.action.name


MARKS = (
    Mark(Action.extend, "#0b5fa5", "triangle", 0, 4.0, "extend"),
    Mark(Action.shorten, "#8e3b8a", "triangle", 180, 4.0, "shorten"),
    Mark(Action.too_high, "#c8430a", "star", 0, 4.6, "too high"),
    Mark(Action.between_lengths, "#e08a1e", "square", 45, 3.6, "between lengths"),
    Mark(Action.measure, "#f4d35e", "square", 0, 3.4, "measure first"),
    Mark(Action.on_site, "#12808a", "circle", 0, 3.8, "set on site"),
    Mark(Action.relocate, "#d81e5b", "cross", 0, 4.2, "relocate"),
    Mark(Action.no_elevation, "#1a1a1a", "x", 0, 3.4, "no elevation"),
    Mark(Action.keep, "#6f9e6a", "circle", 0, 2.4, "keep"),
    Mark(Action.outside, "#c9c9c9", "circle", 0, 1.4, "outside the plan"),
)
REVIEWED = Mark(None, "#ffffff", "square", 45, 4.2, "by review")
REJECTED = Mark(None, "#7a7a7a", "x", 0, 3.0, "rejected row")
STABLE = Mark(None, "#24797f", "circle", 0, 1.6, "looked at on stable ground")


@dataclass(frozen=True, slots=True)
class Sketch:
    """How a layer that lies under the hydrants is drawn: line colour, width in millimetres, dashed; fill or None."""

    line: str
    width: float
    dashed: bool
    fill: str | None


_LIMITS = Sketch("#5a5a5a", 0.5, True, None)
SKETCHES: Mapping[str, Sketch] = {
    "limits": _LIMITS,
    "limits_lines": _LIMITS,
    "pavement": Sketch("#8c8c8c", 0.2, False, "#ececec"),
    "roads": Sketch("#8c8c8c", 0.4, False, None),
    "measuring_walks": Sketch("#b07d00", 0.7, False, None),
}

# Where labels are in one another's way, those of hydrants that nothing is done at give way.
_PRIORITY = f"""<dd_properties><Option type="Map">
<Option type="QString" name="name" value=""/><Option type="QString" name="type" value="collection"/>
<Option type="Map" name="properties"><Option type="Map" name="Priority">
<Option type="bool" name="active" value="true"/><Option type="int" name="type" value="3"/>
<Option type="QString" name="expression" value="if(action IN ('{Action.keep.name}', '{Action.outside.name}'), 1, 9)"/>
</Option></Option></Option></dd_properties>"""
_OUTLINE = "#202020"
_QML_SHAPE = {"triangle": "triangle", "cross": "cross_fill", "x": "cross2"}
_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"
_PIXEL = 0.28
"""Millimetres of an SLD pixel (OGC 02-070, clause 10.2)."""
_FONT_POINTS = 8
_FONT_PIXELS = round(_FONT_POINTS * 25.4 / 72 / _PIXEL)


def mark_of(action: Action) -> Mark:
    """How an action is drawn."""
    return next(m for m in MARKS if m.action == action)


def qml(
    marks: Sequence[Mark] = MARKS,
    unit: str | None = None,
    more: Sequence[ET.Element] = (),
    *,
    read_only: bool = False,
) -> str:
    """Marks by action as the style document that desktop GIS read from `layer_styles`.

    unit: of the column names, for labels; None for no labels. more: further parts, such as the form.
    read_only: editing cannot be switched on.
    """
    root = _qml_root("categorizedSymbol", attr="action")
    renderer = root[0]
    categories = ET.SubElement(renderer, "categories")
    symbols = ET.SubElement(renderer, "symbols")
    for i, mark in enumerate(marks):
        settings = {"value": mark.value, "symbol": str(i), "label": mark.label, "render": "true", "type": "string"}
        ET.SubElement(categories, "category", settings)
        _qml_symbol(symbols, "marker", "SimpleMarker", _marker(mark), name=str(i))
    if unit is not None:
        root.set("labelsEnabled", "1")
        root.append(_qml_labels(unit))
    if read_only:
        _lock(root)
    root.extend(more)
    return ET.tostring(root, encoding="unicode")


def sketch_qml(sketch: Sketch, more: Sequence[ET.Element] = (), *, lines: bool) -> str:
    """A layer under the hydrants, of lines or of areas, as QML; editing cannot be switched on. more: further parts."""
    root = _qml_root("singleSymbol")
    symbols = ET.SubElement(root[0], "symbols")
    kind = "dash" if sketch.dashed else "solid"
    if lines:
        line = {"line_color": _rgba(sketch.line), "line_width": str(sketch.width), "line_style": kind}
        _qml_symbol(symbols, "line", "SimpleLine", line | {"line_width_unit": "MM"})
    else:
        area = {"color": _rgba(sketch.fill or "#ffffff"), "style": "solid" if sketch.fill else "no"}
        area |= {"outline_color": _rgba(sketch.line), "outline_width": str(sketch.width), "outline_style": kind}
        _qml_symbol(symbols, "fill", "SimpleFill", area | {"outline_width_unit": "MM"})
    _lock(root)
    root.extend(more)
    return ET.tostring(root, encoding="unicode")


def _qml_root(kind: str, **settings: str) -> ET.Element:
    root = ET.Element("qgis", version="3.22", styleCategories="Symbology|Labeling|Fields|Forms")
    ET.SubElement(
        root, "renderer-v2", {"type": kind, "forceraster": "0", "symbollevels": "0", "enableorderby": "0"} | settings
    )
    return root


def _lock(root: ET.Element) -> None:
    """Editing cannot be switched on."""
    root.set("readOnly", "1")
    root.set("styleCategories", root.attrib["styleCategories"] + "|LayerConfiguration")


def _qml_symbol(parent: ET.Element, kind: str, layer: str, settings: Mapping[str, str], name: str = "0") -> None:
    symbol = ET.SubElement(parent, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1")
    drawn = ET.SubElement(symbol, "layer", {"class": layer, "enabled": "1", "locked": "0", "pass": "0"})
    options = ET.SubElement(drawn, "Option", type="Map")
    for key, value in settings.items():
        ET.SubElement(options, "Option", type="QString", name=key, value=value)


def _marker(mark: Mark) -> dict[str, str]:
    thin = mark.shape == "x"
    return {
        "name": _QML_SHAPE.get(mark.shape, mark.shape),
        "color": _rgba(mark.fill),
        "outline_color": _rgba(mark.fill if thin else _OUTLINE),
        "outline_style": "solid",
        "outline_width": "0.6" if thin else "0.25",
        "outline_width_unit": "MM",
        "size": str(mark.size),
        "size_unit": "MM",
        "angle": str(mark.turn),
    }


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def _qml_labels(unit: str) -> ET.Element:
    labels = ET.Element("labeling", type="simple")
    settings = ET.SubElement(labels, "settings")
    text = {"fieldName": _label(unit), "isExpression": "1", "fontSize": str(_FONT_POINTS), "fontSizeUnit": "Point"}
    text |= {"fontWeight": "57", "textColor": _rgba(_OUTLINE), "textOpacity": "1", "multilineHeight": "1"}
    style = ET.SubElement(settings, "text-style", text)
    halo = {"bufferDraw": "1", "bufferSize": "1.2", "bufferSizeUnits": "MM", "bufferColor": _rgba("#ffffff")}
    ET.SubElement(style, "text-buffer", halo | {"bufferOpacity": "1", "bufferNoFill": "0"})
    ET.SubElement(settings, "text-format", multilineAlign="0")
    beside = {"placement": "6", "predefinedPositionOrder": "R,L,TR,BR,TL,BL,TSR,BSR", "offsetType": "1"}
    ET.SubElement(settings, "placement", beside | {"dist": "0.8", "distUnits": "MM", "priority": "5"})
    scale = {"scaleVisibility": "1", "scaleMin": "0", "scaleMax": str(LABEL_SCALE)}
    ET.SubElement(
        settings, "rendering", scale | {"drawLabels": "1", "obstacle": "1", "obstacleFactor": "2", "displayAll": "0"}
    )
    settings.append(ET.fromstring(_PRIORITY))
    return labels


def _label(unit: str) -> str:
    """The label as a desktop GIS expression: the id; below it the parts, and what a reviewer wrote."""
    extend, shorten = Action.extend.name, Action.shorten.name
    parts = (
        f"CASE WHEN \"action\" IN ('{extend}', '{shorten}') AND \"extension_parts\" <> ''"
        f" THEN '\\n' || \"extension_parts\" || ' {unit}'"
        f" WHEN \"action\" = '{shorten}' THEN '\\ntake out' ELSE '' END"
    )
    length = f'"review_extension_{unit}"'
    review = (
        f"if(coalesce(\"review_action\", '') <> '' OR {length} IS NOT NULL,"
        f" '\\nreview: ' || trim(concat(\"review_action\", ' ' || {length} || ' {unit}')), '')"
    )
    return f'"hydrant_id" || {parts} || {review}'


def sld(layer: str = "hydrants", marks: Sequence[Mark] = MARKS, unit: str | None = None) -> str:
    """Marks by action as an OGC Styled Layer Descriptor 1.0; unit: of the lengths in labels, None for no labels."""
    root, rules = _sld_root(layer)
    for mark in marks:
        rule = _rule(rules, mark.value or "other", mark.label)
        if mark.action is None:
            _leaf(rule, "ElseFilter")
        else:
            _equal(_ogc(rule, "Filter"), mark.value)
        _sld_point(rule, mark)
    if unit is not None:
        _sld_labels(_leaf(root[0][1], "FeatureTypeStyle"), unit)
    return ET.tostring(root, encoding="unicode", xml_declaration=True)


def sketch_sld(layer: str, sketch: Sketch, *, lines: bool) -> str:
    """A layer under the hydrants, of lines or of areas, as SLD."""
    root, rules = _sld_root(layer)
    drawn = _leaf(_rule(rules, layer, layer), "LineSymbolizer" if lines else "PolygonSymbolizer")
    if sketch.fill and not lines:
        _parameter(_leaf(drawn, "Fill"), "fill", sketch.fill)
    stroke = _leaf(drawn, "Stroke")
    _parameter(stroke, "stroke", sketch.line)
    _parameter(stroke, "stroke-width", f"{sketch.width / _PIXEL:.1f}")
    if sketch.dashed:
        _parameter(stroke, "stroke-dasharray", "8 4")
    return ET.tostring(root, encoding="unicode", xml_declaration=True)


def _sld_root(layer: str) -> tuple[ET.Element, ET.Element]:
    """The document, and its first set of rules."""
    ET.register_namespace("sld", _SLD)
    ET.register_namespace("ogc", _OGC)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.0.0")
    named = _leaf(root, "NamedLayer")
    _leaf(named, "Name", layer)
    style = _leaf(named, "UserStyle")
    _leaf(style, "Name", "actions" if layer not in SKETCHES else layer)
    return root, _leaf(style, "FeatureTypeStyle")


def _sld_point(rule: ET.Element, mark: Mark) -> None:
    graphic = _leaf(_leaf(rule, "PointSymbolizer"), "Graphic")
    drawn = _leaf(graphic, "Mark")
    _leaf(drawn, "WellKnownName", mark.shape)
    _parameter(_leaf(drawn, "Fill"), "fill", mark.fill)
    stroke = _leaf(drawn, "Stroke")
    _parameter(stroke, "stroke", mark.fill if mark.shape == "x" else _OUTLINE)
    _parameter(stroke, "stroke-width", "2" if mark.shape == "x" else "0.7")
    _leaf(graphic, "Size", f"{mark.size / _PIXEL:.0f}")
    _leaf(graphic, "Rotation", str(mark.turn))


def _sld_labels(rules: ET.Element, unit: str) -> None:
    """Two rules, as SLD has no conditions within a label: with parts, and without."""
    rule = _rule(rules, "parts", "id and parts")
    _with_parts(_ogc(rule, "Filter"))
    _sld_text(rule, ": ", f" {unit}")
    rule = _rule(rules, "id", "id")
    _with_parts(_ogc(_ogc(rule, "Filter"), "Not"))
    _sld_text(rule)


def _with_parts(parent: ET.Element) -> None:
    both = _ogc(parent, "And")
    either = _ogc(both, "Or")
    for action in (Action.extend, Action.shorten):
        _equal(either, action.name)
    _ogc(_ogc(_ogc(both, "Not"), "PropertyIsNull"), "PropertyName", "extension_parts")


def _sld_text(rule: ET.Element, *around_parts: str) -> None:
    _leaf(rule, "MaxScaleDenominator", str(LABEL_SCALE))
    drawn = _leaf(rule, "TextSymbolizer")
    label = _leaf(drawn, "Label")
    name = _ogc(label, "PropertyName", "hydrant_id")
    if around_parts:
        name.tail = around_parts[0]
        _ogc(label, "PropertyName", "extension_parts").tail = around_parts[1]
    _parameter(_leaf(drawn, "Font"), "font-size", f"{_FONT_PIXELS}")
    off = _leaf(_leaf(_leaf(drawn, "LabelPlacement"), "PointPlacement"), "Displacement")
    # Clear of the mark, whether a reader puts the text there by its left side, as the standard has it, or its middle.
    _leaf(off, "DisplacementX", "0")
    _leaf(off, "DisplacementY", "14")
    halo = _leaf(drawn, "Halo")
    _leaf(halo, "Radius", "2")
    _parameter(_leaf(halo, "Fill"), "fill", "#ffffff")
    _parameter(_leaf(drawn, "Fill"), "fill", _OUTLINE)


def _rule(rules: ET.Element, name: str, title: str) -> ET.Element:
    rule = _leaf(rules, "Rule")
    _leaf(rule, "Name", name)
    _leaf(rule, "Title", title)
    return rule


def _equal(parent: ET.Element, action: str) -> None:
    test = _ogc(parent, "PropertyIsEqualTo")
    _ogc(test, "PropertyName", "action")
    _ogc(test, "Literal", action)


def _ogc(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    return _leaf(parent, name, text, _OGC)


def _leaf(parent: ET.Element, name: str, text: str | None = None, space: str = _SLD) -> ET.Element:
    element = ET.SubElement(parent, f"{{{space}}}{name}")
    element.text = text
    return element


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    ET.SubElement(parent, f"{{{_SLD}}}CssParameter", name=name).text = value
