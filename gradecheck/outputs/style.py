"""The default look of the `hydrants` layer: one table of marks, written as SLD and as the QML of `layer_styles`.

Colours are told apart by colour-blind readers (checked by simulation in the tests) and the shapes alone tell
the actions apart in grey print.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree import ElementTree as ET

from gradecheck.decision import Action


@dataclass(frozen=True, slots=True)
class Mark:
    """How one action is drawn: fill colour #rrggbb, shape, turn in degrees, size in millimetres, label."""

    action: Action
    fill: str
    shape: str
    turn: int
    size: float
    label: str


MARKS = (
    Mark(Action.extend, "#0b5fa5", "triangle", 0, 4.0, "extend"),
    Mark(Action.shorten, "#8e3b8a", "triangle", 180, 4.0, "shorten"),
    Mark(Action.too_high, "#c8430a", "star", 0, 4.6, "too high"),
    Mark(Action.between_lengths, "#e08a1e", "square", 45, 3.6, "between lengths"),
    Mark(Action.measure, "#f4d35e", "square", 0, 3.4, "measure first"),
    Mark(Action.on_site, "#12808a", "circle", 0, 3.8, "decide on site"),
    Mark(Action.relocate, "#d81e5b", "cross", 0, 4.2, "relocate"),
    Mark(Action.no_elevation, "#1a1a1a", "x", 0, 3.4, "no elevation"),
    Mark(Action.keep, "#6f9e6a", "circle", 0, 2.4, "keep"),
    Mark(Action.outside, "#c9c9c9", "circle", 0, 1.4, "outside the plan"),
)

_OUTLINE = "#202020"
_QML_SHAPE = {"triangle": "triangle", "cross": "cross_fill", "x": "cross2"}
_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"


def qml() -> str:
    """The marks as the style document that desktop GIS read from `layer_styles`."""
    root = ET.Element("qgis", version="3.22", styleCategories="Symbology")
    renderer = ET.SubElement(
        root,
        "renderer-v2",
        type="categorizedSymbol",
        attr="action",
        forceraster="0",
        symbollevels="0",
        enableorderby="0",
    )
    categories = ET.SubElement(renderer, "categories")
    symbols = ET.SubElement(renderer, "symbols")
    for i, mark in enumerate(MARKS):
        ET.SubElement(
            categories,
            "category",
            value=mark.action.name,
            symbol=str(i),
            label=mark.label,
            render="true",
            type="string",
        )
        symbol = ET.SubElement(symbols, "symbol", type="marker", name=str(i), alpha="1", clip_to_extent="1")
        layer = ET.SubElement(symbol, "layer", attrib={"class": "SimpleMarker"}, enabled="1", locked="0")
        layer.set("pass", "0")
        options = ET.SubElement(layer, "Option", type="Map")
        settings = {
            "name": _QML_SHAPE.get(mark.shape, mark.shape),
            "color": _rgba(mark.fill),
            "outline_color": _rgba(mark.fill if mark.shape == "x" else _OUTLINE),
            "outline_style": "solid",
            "outline_width": "0.6" if mark.shape == "x" else "0.25",
            "outline_width_unit": "MM",
            "size": str(mark.size),
            "size_unit": "MM",
            "angle": str(mark.turn),
        }
        for name, value in settings.items():
            ET.SubElement(options, "Option", type="QString", name=name, value=value)
    return ET.tostring(root, encoding="unicode")


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5)) + ",255"


def sld() -> str:
    """The marks as an OGC Styled Layer Descriptor 1.0."""
    ET.register_namespace("sld", _SLD)
    ET.register_namespace("ogc", _OGC)
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.0.0")
    layer = ET.SubElement(root, f"{{{_SLD}}}NamedLayer")
    _leaf(layer, "Name", "hydrants")
    style = ET.SubElement(layer, f"{{{_SLD}}}UserStyle")
    _leaf(style, "Name", "actions")
    rules = ET.SubElement(style, f"{{{_SLD}}}FeatureTypeStyle")
    for mark in MARKS:
        rule = ET.SubElement(rules, f"{{{_SLD}}}Rule")
        _leaf(rule, "Name", mark.action.name)
        _leaf(rule, "Title", mark.label)
        test = ET.SubElement(ET.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}PropertyIsEqualTo")
        ET.SubElement(test, f"{{{_OGC}}}PropertyName").text = "action"
        ET.SubElement(test, f"{{{_OGC}}}Literal").text = mark.action.name
        graphic = ET.SubElement(ET.SubElement(rule, f"{{{_SLD}}}PointSymbolizer"), f"{{{_SLD}}}Graphic")
        drawn = ET.SubElement(graphic, f"{{{_SLD}}}Mark")
        _leaf(drawn, "WellKnownName", mark.shape)
        _parameter(ET.SubElement(drawn, f"{{{_SLD}}}Fill"), "fill", mark.fill)
        stroke = ET.SubElement(drawn, f"{{{_SLD}}}Stroke")
        _parameter(stroke, "stroke", mark.fill if mark.shape == "x" else _OUTLINE)
        _parameter(stroke, "stroke-width", "2" if mark.shape == "x" else "0.7")
        _leaf(graphic, "Size", f"{mark.size / 0.28:.0f}")  # SLD pixels are 0.28 mm
        _leaf(graphic, "Rotation", str(mark.turn))
    return ET.tostring(root, encoding="unicode", xml_declaration=True)


def _leaf(parent: ET.Element, name: str, text: str) -> None:
    ET.SubElement(parent, f"{{{_SLD}}}{name}").text = text


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    ET.SubElement(parent, f"{{{_SLD}}}CssParameter", name=name).text = value
