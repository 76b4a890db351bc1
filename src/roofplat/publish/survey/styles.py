"""How the layers of a survey are drawn, and which boxes a form on the screen has.

In: the questions, the columns of each layer.
Out: `Style`s as QML and SLD texts, for the GIS programs that read one or the other.

The colours are our own; what nobody has looked at stands out on white and in grey print alike.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from roofplat.publish.survey.questions import Question
from roofplat.publish.survey.rows import LOOKED

__all__ = ["Style", "survey_styles"]

# By `rows.LOOKED`: fill and edge, each red, green, blue.
_LOOKS: Mapping[str, tuple[str, str]] = {
    "nobody": ("#e8a33d", "#5a3a06"),
    "again": ("#d9603b", "#4a1505"),
    "reported": ("#f3e3b3", "#5a4a1c"),
    "surveyed": ("#c9d6d3", "#31504a"),
}
_WALL, _SECTION, _INK = "#1c2a3a", "#6a2c70", "#000000"
_EDGE_MM, _WALL_MM = 0.4, 0.7
# A pixel of the styled layer descriptor is 0.28 mm (OGC 05-078r4).
_PIXEL_MM = 0.28
_SLD = "http://www.opengis.net/sld"
_OGC = "http://www.opengis.net/ogc"


@dataclass(frozen=True, slots=True)
class Style:
    """One style in the two ways that GIS programs read."""

    qml: str
    sld: str


def survey_styles(questions: Sequence[Question], help_: Mapping[str, str]) -> dict[str, Style]:
    """Make the style of each layer of a survey.

    Parameters
    ----------
    questions
        From `survey_questions`: what has a list of values gets a list to choose from.
    help_
        Column to what it means, for `buildings`.

    Returns
    -------
    dict
        `buildings`, `sections`, `walls`.

    Examples
    --------
    >>> made = survey_styles([], {})
    >>> sorted(made), made["walls"].qml.startswith("<!DOCTYPE qgis")
    (['buildings', 'sections', 'walls'], True)
    """
    return {
        "buildings": Style(_buildings_qml(questions, help_), _buildings_sld()),
        "sections": Style(_plain_qml("fill", _SECTION, "section_id", questions, help_), _section_sld()),
        "walls": Style(_plain_qml("line", _WALL, "side", [], {}), _wall_sld()),
    }


def _buildings_qml(questions: Sequence[Question], help_: Mapping[str, str]) -> str:
    root = ET.Element("qgis", version="3.28.0", styleCategories="Symbology|Labeling|Fields|Forms")
    renderer = ET.SubElement(
        root, "renderer-v2", type="categorizedSymbol", attr="looked", symbollevels="0", enableorderby="0"
    )
    categories = ET.SubElement(renderer, "categories")
    symbols = ET.SubElement(renderer, "symbols")
    for number, (value, words) in enumerate(LOOKED.items()):
        ET.SubElement(
            categories, "category", value=value, symbol=str(number), label=words, render="true", type="string"
        )
        fill, edge = _LOOKS[value]
        _qml_symbol(symbols, str(number), "fill", fill, edge)
    _qml_label(root, "order")
    _qml_fields(root, questions, help_)
    return _qml_text(root)


def _plain_qml(
    kind: str, colour: str, label: str, questions: Sequence[Question], help_: Mapping[str, str]
) -> str:
    root = ET.Element("qgis", version="3.28.0", styleCategories="Symbology|Labeling|Fields|Forms")
    renderer = ET.SubElement(root, "renderer-v2", type="singleSymbol", symbollevels="0", enableorderby="0")
    symbols = ET.SubElement(renderer, "symbols")
    _qml_symbol(symbols, "0", kind, None, colour)
    _qml_label(root, label)
    if questions:
        _qml_fields(root, questions, help_)
    return _qml_text(root)


def _qml_symbol(symbols: ET.Element, name: str, kind: str, fill: str | None, edge: str) -> None:
    symbol = ET.SubElement(symbols, "symbol", name=name, type=kind, alpha="1", clip_to_extent="1")
    layer = ET.SubElement(
        symbol,
        "layer",
        {
            "class": "SimpleFill" if kind == "fill" else "SimpleLine",
            "enabled": "1",
            "pass": "0",
            "locked": "0",
        },
    )
    options = ET.SubElement(layer, "Option", type="Map")
    if kind == "fill":
        settings = {
            "color": _rgba(fill or "#ffffff"),
            "style": "no" if fill is None else "solid",
            "outline_color": _rgba(edge),
            "outline_style": "dash" if fill is None else "solid",
            "outline_width": f"{_EDGE_MM}",
            "outline_width_unit": "MM",
        }
    else:
        settings = {"line_color": _rgba(edge), "line_width": f"{_WALL_MM}", "line_width_unit": "MM"}
    for key, value in settings.items():
        ET.SubElement(options, "Option", name=key, type="QString", value=value)


def _qml_label(root: ET.Element, column: str) -> None:
    root.set("labelsEnabled", "1")
    labeling = ET.SubElement(root, "labeling", type="simple")
    settings = ET.SubElement(labeling, "settings", calloutType="simple")
    style = ET.SubElement(
        settings,
        "text-style",
        fieldName=column,
        isExpression="0",
        fontSize="9",
        fontSizeUnit="Point",
        textColor=_rgba(_INK),
    )
    ET.SubElement(
        style,
        "text-buffer",
        bufferDraw="1",
        bufferSize="0.8",
        bufferSizeUnits="MM",
        bufferColor=_rgba("#ffffff"),
    )


def _qml_fields(root: ET.Element, questions: Sequence[Question], help_: Mapping[str, str]) -> None:
    """Boxes of the form on the screen: lists where there are lists, ours locked, a name and a hint each."""
    answers = {answer.field: answer for question in questions for answer in question.answers}
    fields = ET.SubElement(root, "fieldConfiguration")
    for column in help_:
        configuration = ET.SubElement(fields, "field", name=column)
        allowed = answers[column].allowed if column in answers else {}
        widget = ET.SubElement(configuration, "editWidget", type="ValueMap" if allowed else "TextEdit")
        config = ET.SubElement(widget, "config")
        options = ET.SubElement(config, "Option", type="Map")
        if allowed:
            # An empty answer is one that was not given; it must stay possible.
            values = ET.SubElement(options, "Option", name="map", type="List")
            empty = "{2839923C-8B7D-419E-B84B-CA2FE9B80EC7}"
            for code, words in {empty: "not answered", **allowed}.items():
                entry = ET.SubElement(values, "Option", type="Map")
                ET.SubElement(entry, "Option", name=words, type="QString", value=code)
    aliases = ET.SubElement(root, "aliases")
    for number, column in enumerate(help_):
        ET.SubElement(aliases, "alias", field=column, name=column.replace("_", " "), index=str(number))
    editable = ET.SubElement(root, "editable")
    for column, meaning in help_.items():
        ET.SubElement(editable, "field", name=column, editable="0" if "Not read back" in meaning else "1")


def _qml_text(root: ET.Element) -> str:
    # Attributes keep the order in which they were given: the same text every time.
    ET.indent(root)
    return "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>\n" + ET.tostring(
        root, encoding="unicode"
    )


def _rgba(colour: str) -> str:
    return ",".join(str(int(colour[at : at + 2], 16)) for at in (1, 3, 5)) + ",255"


def _buildings_sld() -> str:
    root, style = _sld_start("buildings")
    for value, words in LOOKED.items():
        rule = _sld(style, "Rule")
        _sld(rule, "Name", words)
        equal = ET.SubElement(ET.SubElement(rule, f"{{{_OGC}}}Filter"), f"{{{_OGC}}}PropertyIsEqualTo")
        ET.SubElement(equal, f"{{{_OGC}}}PropertyName").text = "looked"
        ET.SubElement(equal, f"{{{_OGC}}}Literal").text = value
        fill, edge = _LOOKS[value]
        polygon = _sld(rule, "PolygonSymbolizer")
        _css(_sld(polygon, "Fill"), {"fill": fill})
        _css(_sld(polygon, "Stroke"), {"stroke": edge, "stroke-width": _pixels(_EDGE_MM)})
        _sld_label(rule, "order")
    return _sld_text(root)


def _section_sld() -> str:
    root, style = _sld_start("sections")
    rule = _sld(style, "Rule")
    stroke = _sld(_sld(rule, "PolygonSymbolizer"), "Stroke")
    _css(stroke, {"stroke": _SECTION, "stroke-width": _pixels(_EDGE_MM), "stroke-dasharray": "6 3"})
    _sld_label(rule, "section_id")
    return _sld_text(root)


def _wall_sld() -> str:
    root, style = _sld_start("walls")
    rule = _sld(style, "Rule")
    stroke = _sld(_sld(rule, "LineSymbolizer"), "Stroke")
    _css(stroke, {"stroke": _WALL, "stroke-width": _pixels(_WALL_MM)})
    _sld_label(rule, "side")
    return _sld_text(root)


def _sld_start(layer: str) -> tuple[ET.Element, ET.Element]:
    root = ET.Element(f"{{{_SLD}}}StyledLayerDescriptor", version="1.0.0")
    named = _sld(root, "NamedLayer")
    _sld(named, "Name", layer)
    style = _sld(named, "UserStyle")
    _sld(style, "Name", f"survey {layer}")
    return root, _sld(style, "FeatureTypeStyle")


def _sld(parent: ET.Element, name: str, text: str | None = None) -> ET.Element:
    made = ET.SubElement(parent, f"{{{_SLD}}}{name}")
    made.text = text
    return made


def _css(parent: ET.Element, parameters: Mapping[str, str]) -> None:
    for name, value in parameters.items():
        made = _sld(parent, "CssParameter", value)
        made.set("name", name)


def _sld_label(rule: ET.Element, column: str) -> None:
    text = _sld(rule, "TextSymbolizer")
    label = _sld(text, "Label")
    ET.SubElement(label, f"{{{_OGC}}}PropertyName").text = column
    _css(_sld(text, "Font"), {"font-size": "12"})
    halo = _sld(text, "Halo")
    _sld(halo, "Radius", "2")
    _css(_sld(halo, "Fill"), {"fill": "#ffffff"})
    _css(_sld(text, "Fill"), {"fill": _INK})


def _pixels(millimetres: float) -> str:
    return f"{millimetres / _PIXEL_MM:.2f}"


def _sld_text(root: ET.Element) -> str:
    ET.register_namespace("sld", _SLD)
    ET.register_namespace("ogc", _OGC)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode", xml_declaration=False)
