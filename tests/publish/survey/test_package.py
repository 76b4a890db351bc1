"""The GeoPackage of a survey, opened by GDAL: layers, domains, styles; and read back by the import.

In: the forms of the demo district.
Out: the domains that GDAL reads are the rules; what they allow is what an import understands.
"""

from __future__ import annotations

import shutil
import sqlite3
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest

from roofplat.intake.forms import read_forms
from roofplat.intake.values import limits
from roofplat.publish.files import CAUTION
from roofplat.publish.survey.questions import survey_questions
from roofplat.publish.survey.rows import ENDS, LOOKED
from roofplat.record.answers import check_answers
from roofplat.tables import ATTRIBUTES, empty

from .conftest import AS_OF, Forms
from .gdal import Fields, read_fields, run_sql

SLD = "{http://www.opengis.net/sld}"
OGC = "{http://www.opengis.net/ogc}"
FREE = {"sounding_walk_deg", "deck"}


@pytest.fixture(scope="module")
def package(forms: Forms) -> Path:
    return forms.folder / "survey.gpkg"


@pytest.fixture(scope="module")
def fields(package: Path) -> Fields:
    return read_fields(package)


def answer_columns(forms: Forms) -> list[str]:
    return [name for question in survey_questions(forms.rules, AS_OF) for name in question.fields]


def test_gdal_opens_every_layer(forms: Forms, package: Path) -> None:
    kinds = dict(pyogrio.list_layers(package))
    assert kinds == {
        "buildings": "MultiPolygon",
        "sections": "MultiPolygon",
        "walls": "MultiLineString",
        "layer_styles": None,
    }
    buildings = gpd.read_file(package, layer="buildings")
    assert buildings["building_id"].tolist() == forms.ids
    known = forms.tables["buildings"].set_index("building_id")
    for name, shape in zip(forms.ids, buildings.geometry, strict=True):
        assert shape.equals(known.loc[name, "geometry"]), name
    assert buildings.crs == forms.tables["buildings"].crs
    walls = gpd.read_file(package, layer="walls")
    own = forms.tables["walls"]
    own = own[own["building_id"].isin(forms.ids) & own["side"].notna()]
    assert len(walls) == len(own)
    assert walls["side"].tolist() == own["side"].tolist()
    for layer in ("buildings", "sections", "walls"):
        assert pyogrio.read_info(package, layer=layer)["layer_metadata"]["caution"] == CAUTION


def test_gdal_reads_the_lists_of_allowed_values(forms: Forms, fields: Fields) -> None:
    families = {name: entry.label for name, entry in forms.rules.families.items() if name != "unknown"}
    assert fields.codes["roof_family"] == families
    assert set(fields.codes["roof_shape"]) == set(ATTRIBUTES["roof_shape"].allowed)
    assert set(fields.codes["panel_type"]) == set(ATTRIBUTES["panel_type"].allowed)
    assert fields.codes["yes_no"] == {"yes": "yes", "no": "no"}
    assert set(fields.codes["bearing_walls"]) >= {"all", "A", "B", "C", "D", "AC", "BD"}
    assert {"A", "M", "R", "R-3", "S"} <= set(fields.codes["occupancy"])


def test_gdal_reads_the_ranges_of_the_rules(forms: Forms, fields: Fields) -> None:
    for name, (low, high, least, most) in fields.ranges.items():
        ranges = [limits(name, forms.rules)]
        if (rule := f"record.plausible.{name}") in forms.rules.rules:
            ranges.append(tuple(forms.rules.numbers(rule)))
        wanted = [max(own[0] for own in ranges), min(own[1] for own in ranges)]
        if name == "year_built":
            wanted[1] = AS_OF.year + 1
        assert [low, high] == wanted, name
        assert least, name
        assert most, name
    assert fields.ranges["sounding_spacing_ft"][:2] == (0.5, 60.0)
    assert set(fields.ranges) == {
        answer.field
        for question in survey_questions(forms.rules, AS_OF)
        for answer in question.answers
        if answer.number and answer.field != "sounding_walk_deg"
    }


@pytest.mark.parametrize("layer", ["buildings", "sections"])
def test_every_answer_has_a_domain_and_every_column_its_help(
    forms: Forms, fields: Fields, layer: str
) -> None:
    answers = set(answer_columns(forms))
    columns = fields.columns[layer]
    assert answers & set(columns)
    for name, (domain, comment) in columns.items():
        assert comment, name
        if name in answers - FREE:
            assert domain in fields.codes or domain in fields.ranges, name
        else:
            assert not domain, name
    if layer == "buildings":
        assert answers <= set(columns)
        assert set(ENDS) <= set(columns)


def test_nothing_that_is_read_back_is_filled_in(forms: Forms, package: Path) -> None:
    """A copy of what is known would come back as seen: the forms ask, and answer nothing themselves."""
    found = read_forms([package, forms.folder / "survey.csv"], forms.rules)
    assert found.answers.empty
    assert not found.problems["severity"].isin(["error", "warning"]).any()
    # GeoPackage and list hold the same rows.
    rows = pd.DataFrame(pyogrio.read_dataframe(package, layer="buildings", read_geometry=False))
    listed = pd.read_csv(forms.folder / "survey.csv", dtype="str")
    assert list(rows.columns) == list(listed.columns)
    for name in ("order", "building_id", "title", "known", "odds", "why", "asked", "looked"):
        assert rows[name].astype("str").fillna("").tolist() == listed[name].fillna("").tolist(), name


def save_again(package: Path, path: Path, answers: dict[str, list[Any]]) -> Path:
    """What a GIS does: the layer with answers in it, saved as another file."""
    frame = gpd.read_file(package, layer="buildings")
    count = len(next(iter(answers.values())))
    assert count <= len(frame)
    edited = frame.head(count).copy()
    for name, values in answers.items():
        edited[name] = values
    edited.to_file(path, layer="buildings", driver="GPKG")
    return path


def test_every_value_of_a_list_is_understood_when_it_comes_back(
    forms: Forms, package: Path, fields: Fields, tmp_path: Path
) -> None:
    for name, (domain, _) in fields.columns["buildings"].items():
        if domain not in fields.codes:
            continue
        codes = list(fields.codes[domain])
        path = save_again(package, tmp_path / f"{name}.gpkg", {name: codes})
        found = read_forms([path], forms.rules).answers
        assert found["refused"].isna().all(), (name, found["refused"].dropna().tolist())
        assert found["field"].eq(name).all()
        words = {"yes": "true", "no": "false"}
        assert found["value"].tolist() == [words.get(code, code) for code in codes], name


def test_a_range_ends_where_an_import_refuses(
    forms: Forms, package: Path, fields: Fields, tmp_path: Path
) -> None:
    sections = forms.tables["sections"].assign(part=1)
    # Of a roof that nobody knows, no family makes an odd figure likely.
    roofs = sections[["building_id", "section_id", "part"]].assign(roof_family="unknown")
    known = pd.DataFrame(columns=["building_id", "section_id", "field", "value", "basis", "date"])
    for name, (low, high, _, _) in fields.ranges.items():
        values = [low, high, low - 1, high + 1]
        path = save_again(package, tmp_path / f"{name}.gpkg", {name: values})
        found = read_forms([path], forms.rules)
        log = empty("observations")
        checked = check_answers(found, roofs, known.astype("str").assign(date=pd.NaT), log, forms.rules)
        outcomes = checked.rows["outcome"].eq("refused").tolist()
        # The year's own end is next year as the clock has it; ours is that of the forms.
        late = name == "year_built" and high + 1 <= pd.Timestamp.now().year + 1
        # Half of a sounding note says nothing, whatever its figure.
        half = name == "sounding_spacing_ft"
        assert outcomes == [half, half, True, not late], (name, checked.rows["reason"].tolist())
        if half:
            assert found.answers["refused"].isna().tolist() == [True, True, False, False]


def test_a_gis_may_save_its_edits_in_place(forms: Forms, package: Path, tmp_path: Path) -> None:
    """GDAL changes cells of both layers in the package itself, and the import finds these and no others."""
    path = tmp_path / "survey.gpkg"
    shutil.copy(package, path)
    first = forms.ids[0]
    run_sql(
        path,
        f"UPDATE buildings SET roof_family = 'lamella', seen_on = '2026-01-05' WHERE building_id = '{first}'",
    )
    sections = gpd.read_file(path, layer="sections")
    section, owner = sections.loc[0, ["section_id", "building_id"]]
    run_sql(
        path,
        f"UPDATE sections SET framing_axis_deg = 12.5, who = 'Inspector 1' WHERE section_id = '{section}'",
    )
    found = read_forms([path], forms.rules).answers
    rows = found[["building_id", "section_id", "field", "value", "who"]].astype("str").fillna("")
    assert rows.values.tolist() == [
        [first, "", "roof_family", "lamella", ""],
        [owner, section, "framing_axis_deg", "12.5", "Inspector 1"],
    ]
    assert found["seen_on"].dt.strftime("%Y-%m-%d").fillna("").tolist() == ["2026-01-05", ""]


def test_a_letter_stands_for_the_wall_that_was_walked(forms: Forms, package: Path, tmp_path: Path) -> None:
    path = save_again(package, tmp_path / "walked.gpkg", {"sounding_walk_deg": ["A", "side C", "90"]})
    found = read_forms([path], forms.rules).answers
    assert found["side"].fillna("").tolist() == ["A", "C", ""]
    assert found["value"].fillna("").tolist() == ["", "", "90"]


def test_the_schema_tables_are_those_of_the_standard(package: Path) -> None:
    """OGC 12-128r19, annex F.9: names of columns, one entry each in the extensions, no loose constraint."""
    with sqlite3.connect(package) as connection:
        names = [row[1] for row in connection.execute("PRAGMA table_info(gpkg_data_columns)")]
        assert names == [
            "table_name", "column_name", "name", "title", "description", "mime_type", "constraint_name",
        ]  # fmt: skip
        names = [row[1] for row in connection.execute("PRAGMA table_info(gpkg_data_column_constraints)")]
        assert names == [
            "constraint_name", "constraint_type", "value", "min", "min_is_inclusive", "max",
            "max_is_inclusive", "description",
        ]  # fmt: skip
        extensions = connection.execute(
            "SELECT table_name, column_name, scope FROM gpkg_extensions WHERE extension_name = 'gpkg_schema'"
        ).fetchall()
        assert sorted(extensions) == [
            ("gpkg_data_column_constraints", None, "read-write"),
            ("gpkg_data_columns", None, "read-write"),
        ]
        loose = connection.execute(
            "SELECT constraint_name FROM gpkg_data_columns WHERE constraint_name IS NOT NULL "
            "EXCEPT SELECT constraint_name FROM gpkg_data_column_constraints"
        ).fetchall()
        assert loose == []
        unused = connection.execute(
            "SELECT constraint_name FROM gpkg_data_column_constraints "
            "EXCEPT SELECT constraint_name FROM gpkg_data_columns"
        ).fetchall()
        assert unused == []
        # A range has no value, a list no ends; names of kinds are in lower case.
        odd = connection.execute(
            "SELECT * FROM gpkg_data_column_constraints WHERE NOT ("
            "(constraint_type = 'enum' AND value IS NOT NULL AND min IS NULL AND max IS NULL) OR "
            "(constraint_type = 'range' AND value IS NULL AND min <= max))"
        ).fetchall()
        assert odd == []
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    connection.close()


def test_gdal_reads_the_styles(package: Path, fields: Fields) -> None:
    styles = pyogrio.read_dataframe(package, layer="layer_styles").set_index("f_table_name")
    assert set(styles.index) == {"buildings", "sections", "walls"}
    assert styles["useAsDefault"].astype(bool).all()
    for layer, style in styles.iterrows():
        geometry = pyogrio.read_info(package, layer=str(layer))["geometry_name"]
        assert style["f_geometry_column"] == geometry
        qml, sld = ET.fromstring(style["styleQML"]), ET.fromstring(style["styleSLD"])
        assert qml.tag == "qgis"
        assert sld.findtext(f"{SLD}NamedLayer/{SLD}Name") == layer
        # What is labelled and looked at is a column of the layer.
        named = {element.text for element in sld.iter(f"{OGC}PropertyName")}
        named |= {element.attrib["fieldName"] for element in qml.iter("text-style")}
        assert named <= set(fields.columns[str(layer)])
        categories = [element.attrib["value"] for element in qml.iter("category")]
        literals = [element.text for element in sld.iter(f"{OGC}Literal")]
        assert categories == literals == (list(LOOKED) if layer == "buildings" else [])
        for element in qml.iter("category"):
            assert qml.find(f"renderer-v2/symbols/symbol[@name='{element.attrib['symbol']}']") is not None
    # The same colours in both.
    style = styles.loc["buildings"]
    fills = [
        element.text for element in ET.fromstring(style["styleSLD"]).iter(f"{SLD}CssParameter")
        if element.attrib["name"] == "fill"
    ]  # fmt: skip
    colours = [
        element.attrib["value"] for element in ET.fromstring(style["styleQML"]).iter("Option")
        if element.attrib.get("name") == "color"
    ]  # fmt: skip
    for colour in colours:
        red, green, blue, _ = map(int, colour.split(","))
        assert f"#{red:02x}{green:02x}{blue:02x}" in fills


def test_lists_on_the_screen_are_the_domains_and_may_stay_empty(package: Path, fields: Fields) -> None:
    styles = pyogrio.read_dataframe(package, layer="layer_styles").set_index("f_table_name")
    qml = ET.fromstring(styles.loc["buildings", "styleQML"])
    widgets = {element.attrib["name"]: element for element in qml.iterfind("fieldConfiguration/field")}
    assert set(widgets) >= set(fields.columns["buildings"])
    for name, (domain, _) in fields.columns["buildings"].items():
        entries = [
            entry.attrib["value"] for entry in widgets[name].iterfind(".//Option[@name='map']/Option/Option")
        ]
        if domain in fields.codes:
            assert set(entries[1:]) == set(fields.codes[domain]), name
            assert entries[0].startswith("{"), "the word for no value comes first"
        else:
            assert entries == [], name
    editable = {element.attrib["field"]: element.attrib["editable"] for element in qml.iter("nothing")}
    assert editable == {}
    locked = {
        element.attrib["name"]
        for element in qml.iterfind("editable/field")
        if element.attrib["editable"] == "0"
    }
    assert locked >= {"order", "title", "rank", "looked", "known", "odds", "why", "asked"}
    assert not locked & {"building_id", "section_id", "roof_family", "seen_on", "who", "note"}


def test_sections_are_those_of_roofs_in_several(forms: Forms, package: Path) -> None:
    sections = gpd.read_file(package, layer="sections")
    known = forms.tables["sections"]
    known = known[known["building_id"].isin(forms.ids)]
    several = known[known["building_id"].duplicated(keep=False)]
    assert set(sections["section_id"]) == set(several["section_id"])
    assert len(sections) == len(several) > 0
    places = {name: place for place, name in enumerate(forms.ids)}
    order = sections["building_id"].map(places).to_numpy()
    assert (np.diff(order) >= 0).all()
    shapes = several.set_index("section_id")["geometry"]
    for row in sections.itertuples():
        assert row.geometry.symmetric_difference(shapes[row.section_id]).area < 1e-6
