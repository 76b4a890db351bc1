"""The district file: what it takes, and one clear sentence for each thing it does not.

In: good and bad files in a temporary folder.
Out: a `District` with absolute paths, or a `DistrictFileError`.
"""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from pydantic import ValidationError

from roofplat.district import Crew, District, read_district
from roofplat.errors import DistrictFileError
from roofplat.rules import load_rulebook

DAY = datetime.date(2026, 4, 11)
LEAST = """
[district]
name = "Sedge Flats"

[footprints]
file = "footprints.gpkg"
"""


def _write(folder: Path, text: str) -> Path:
    path = folder / "district.toml"
    path.write_text(text, "utf-8")
    return path


def _refusal(path: Path) -> str:
    with pytest.raises(DistrictFileError) as caught:
        read_district(path)
    assert caught.value.exit_code == 2
    sentence = str(caught.value)
    assert "\n" not in sentence
    assert str(path) in sentence
    return sentence


def test_the_least_file_needs_a_name_and_footprints(tmp_path: Path) -> None:
    district = read_district(_write(tmp_path, LEAST))
    assert isinstance(district, District)
    assert district.name == "Sedge Flats"
    assert district.folder == tmp_path.resolve()
    assert district.footprints.file == tmp_path.resolve() / "footprints.gpkg"
    assert district.footprints.basis == "recorded"
    assert district.attributes == ()
    assert district.rules == {}


def test_relative_paths_start_at_the_file_and_absolute_ones_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    folder = tmp_path / "district"
    folder.mkdir()
    text = (
        LEAST
        + f"""
[[attributes]]
name = "assessor"
file = "{elsewhere}/roll.csv"
how = "key"

[[attributes]]
name = "survey"
file = "survey/points.geojson"
how = "points"
basis = "surveyed"

[scenario.fires]
file = "fires.geojson"
"""
    )
    _write(folder, text)
    monkeypatch.chdir(elsewhere)
    district = read_district(Path("..") / "district" / "district.toml", allow_outside=True)
    assert [source.file for source in district.attributes] == [
        elsewhere / "roll.csv",
        folder.resolve() / "survey" / "points.geojson",
    ]
    assert district.scenario.fires is not None
    assert district.scenario.fires.file == folder.resolve() / "fires.geojson"


@pytest.mark.parametrize(
    ("more", "setting"),
    [
        ("[streets]\nfile = '../streets.gpkg'\n", "streets.file"),
        ("[streets]\nfile = '/etc/passwd'\n", "streets.file"),
        ("[[attributes]]\nname = 'a'\nfile = 'x/../../a.csv'\nhow = 'key'\n", "attributes.0.file"),
        ("[scenario.fires]\nfile = 'link.geojson'\n", "scenario.fires.file"),
        ("[[ground]]\nfile = 'folder/ponds.gpkg'\n", "ground.0.file"),
        ("[areas]\nfile = 'parts.shp'\n", "areas.file"),
        ("[stations]\nfile = 'journal.gpkg'\n", "stations.file"),
        ("[service]\ntoken_file = '../token'\n", "service.token_file"),
    ],
)
def test_it_names_nothing_outside_of_its_folder(tmp_path: Path, more: str, setting: str) -> None:
    outside, folder = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    folder.mkdir()
    (folder / "link.geojson").symlink_to(outside / "fires.geojson")
    (folder / "folder").symlink_to(outside)
    for name in ("parts.shp", "journal.gpkg"):
        (folder / name).touch()
    (folder / "parts.dbf").symlink_to(outside / "other.dbf")
    (folder / "journal.gpkg-wal").symlink_to(outside / "journal")
    path = _write(folder, LEAST + more)
    sentence = _refusal(path)
    assert repr(setting) in sentence
    assert "--allow-outside" in sentence
    assert read_district(path, allow_outside=True).name == "Sedge Flats"


@pytest.mark.parametrize(
    "inside", ["maps", "maps/.tiles", "maps/sheets", "maps/sheets/areas", "maps/survey/x"]
)
def test_a_build_writes_nothing_outside_of_its_folder(tmp_path: Path, inside: str) -> None:
    outside, folder = tmp_path / "outside", tmp_path / "inside"
    outside.mkdir()
    link = folder / inside
    link.parent.mkdir(parents=True)
    path = _write(folder, LEAST.replace("[district]", "[district]\nout = 'maps'"))
    read_district(path)
    link.symlink_to(outside)
    assert "'out' leads out of the folder" in _refusal(path)


def test_the_record_beside_it_is_no_link_out_of_the_folder(tmp_path: Path) -> None:
    folder = tmp_path / "inside"
    folder.mkdir()
    path = _write(folder, LEAST)
    (folder / "inventory.gpkg").symlink_to(tmp_path / "elsewhere.gpkg")
    assert "'record' leads out of the folder" in _refusal(path)


def test_it_cannot_grant_itself_to_look_outside(tmp_path: Path) -> None:
    for words in ("allow_outside = true\n", "[district]\nallow_outside = true\n"):
        text = LEAST.replace("[district]\n", words) if words.startswith("[") else words + LEAST
        assert "allow_outside" in _refusal(_write(tmp_path, text))


def test_links_within_the_folder_and_the_folder_itself_may_be_links(tmp_path: Path) -> None:
    folder = tmp_path / "inside"
    folder.mkdir()
    (folder / "footprints.gpkg").symlink_to(folder / "2026.gpkg")
    (folder / "circle.gpkg").symlink_to(folder / "circle.gpkg")
    _write(folder, LEAST + "[streets]\nfile = 'circle.gpkg'\n[areas]\nfile = 'x/../areas.gpkg'\n")
    (tmp_path / "other").symlink_to(folder)
    assert read_district(tmp_path / "other" / "district.toml").folder == folder


def test_a_file_with_a_null_character_in_its_name_is_refused(tmp_path: Path) -> None:
    path = _write(tmp_path, LEAST + '[streets]\nfile = "a\\u0000b.gpkg"\n')
    assert "'streets.file' names cannot be a file, with" in _refusal(path)
    with pytest.raises(DistrictFileError, match="null character"):
        read_district(path, allow_outside=True)


def test_rules_read_the_same_dotted_and_nested(tmp_path: Path) -> None:
    dotted = read_district(_write(tmp_path, LEAST + '[rules]\n"ladder.step_ft" = 4.0\n'))
    nested = read_district(_write(tmp_path, LEAST + "[rules.ladder]\nstep_ft = 4.0\n"))
    assert dotted.rules == nested.rules == {"ladder.step_ft": 4.0}


def test_a_district_cannot_be_changed(tmp_path: Path) -> None:
    district = read_district(_write(tmp_path, LEAST))
    with pytest.raises(ValidationError):
        district.name = "Other"  # type: ignore[misc]


def test_a_missing_file_points_to_start(tmp_path: Path) -> None:
    assert "roofplat start" in _refusal(tmp_path / "district.toml")


def test_a_folder_is_not_a_district_file(tmp_path: Path) -> None:
    assert "is a folder" in _refusal(tmp_path)


def test_a_binary_file_is_not_a_district_file(tmp_path: Path) -> None:
    path = tmp_path / "district.toml"
    path.write_bytes(bytes(range(256)))
    assert "UTF-8" in _refusal(path)


def test_a_file_that_is_not_toml_names_the_line(tmp_path: Path) -> None:
    path = _write(tmp_path, "[district]\nname = Sedge Flats\n")
    sentence = _refusal(path)
    assert "not valid TOML" in sentence
    assert "line 2" in sentence


def test_an_empty_file_misses_both_things(tmp_path: Path) -> None:
    sentence = _refusal(_write(tmp_path, ""))
    assert "'name' is missing" in sentence
    assert "'footprints' is missing" in sentence


@pytest.mark.parametrize(
    ("setting", "near"),
    [
        ("[scenario]\nwind_from = 270.0\n", "wind_from_deg"),
        ("[street]\nfile = 'streets.gpkg'\n", "streets"),
        ("[expansion_joint]\nfile = 'joints.gpkg'\n", "expansion_joints"),
        ("[[ground]]\nfile = 'ponds.gpkg'\nkimd = 'water'\n", "kind"),
        ("[[attributes]]\nname = 'a'\nfile = 'a.csv'\nhow = 'key'\nbassis = 'surveyed'\n", "basis"),
    ],
)
def test_an_unknown_setting_is_named_with_the_nearest_one(tmp_path: Path, setting: str, near: str) -> None:
    sentence = _refusal(_write(tmp_path, LEAST + setting))
    assert "there is no setting" in sentence
    assert f"did you mean {near!r}?" in sentence


def test_a_setting_that_is_like_no_other_gets_no_advice(tmp_path: Path) -> None:
    sentence = _refusal(_write(tmp_path, LEAST + "[zzzz]\n"))
    assert "there is no setting 'zzzz'" in sentence
    assert "did you mean" not in sentence


@pytest.mark.parametrize(
    ("setting", "where"),
    [
        ("[scenario]\nwind_from_deg = 400.0\n", "scenario.wind_from_deg"),
        ("[scenario]\nwind_from_deg = 'west'\n", "scenario.wind_from_deg"),
        ("[[attributes]]\nname = 'a'\nfile = 'a.csv'\nhow = 'magic'\n", "attributes.0.how"),
        ("[[obstacles]]\nfile = 'units.gpkg'\nbasis = 'certain'\n", "obstacles.0.basis"),
        ("[streets]\nfile = 7\n", "streets.file"),
        ("[[obstacles]]\nfile = 'p.gpkg'\nunits = { height_ft = 'yd' }\n", "obstacles.0.units.height_ft"),
        ("[ground]\nfile = 'ponds.gpkg'\n", "ground"),
        ("[streets]\nlayer = 'roads'\n", "streets.file"),
    ],
)
def test_a_value_of_the_wrong_kind_names_its_setting(tmp_path: Path, setting: str, where: str) -> None:
    assert repr(where) in _refusal(_write(tmp_path, LEAST + setting))


def test_what_divides_roofs_and_what_lies_around_them(tmp_path: Path) -> None:
    text = """
[expansion_joints]
file = "joints.geojson"

[[obstacles]]
file = "parapets.geojson"
kind = "parapet"
units = { height_ft = "m" }

[[ground]]
file = "ponds.geojson"
kind = "water"

[[ground]]
file = "yards.geojson"
basis = "drawn"

[families.our_sheds]
like = "sawn_joist_flat"
label = "Sheds"
"""
    district = read_district(_write(tmp_path, LEAST + text))
    assert district.expansion_joints is not None
    assert district.expansion_joints.file == tmp_path.resolve() / "joints.geojson"
    assert [source.file.name for source in district.ground] == ["ponds.geojson", "yards.geojson"]
    assert district.ground[1].file.is_absolute()
    assert [(source.kind, source.basis) for source in district.ground] == [
        ("water", "recorded"),
        (None, "drawn"),
    ]
    assert district.obstacles[0].units == {"height_ft": "m"}
    assert district.families == {"our_sheds": {"like": "sawn_joist_flat", "label": "Sheds"}}


def test_a_district_that_is_no_table_is_explained(tmp_path: Path) -> None:
    assert "[district]" in _refusal(_write(tmp_path, 'district = "Sedge Flats"\n'))


def test_rules_that_are_no_table_are_refused(tmp_path: Path) -> None:
    """They used to become a rule without a name."""
    sentence = _refusal(_write(tmp_path, "rules = 4\n" + LEAST))
    assert "[rules]" in sentence


def test_all_faults_come_in_one_message(tmp_path: Path) -> None:
    text = "[district]\nnane = 'Sedge Flats'\n[footprints]\nfile = 'f.gpkg'\nbasis = 'certain'\n"
    sentence = _refusal(_write(tmp_path, text))
    assert "'nane'" in sentence
    assert "did you mean 'name'?" in sentence
    assert "'name' is missing" in sentence
    assert "'footprints.basis'" in sentence


def test_days_of_inspection_have_their_settings(tmp_path: Path) -> None:
    plain = read_district(_write(tmp_path, LEAST)).inspect
    assert (plain.inspectors, plain.hours, plain.start, plain.must) == (1, None, None, ())
    text = '[inspect]\ninspectors = 3\nhours = 6.5\nstart = [-118.9, 40.9]\nmust = ["MB-0001", "MB-0002"]\n'
    stated = read_district(_write(tmp_path, LEAST + text)).inspect
    assert (stated.inspectors, stated.hours) == (3, 6.5)
    assert stated.start == (-118.9, 40.9)
    assert stated.must == ("MB-0001", "MB-0002")


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("inspectors = 0", "inspect.inspectors"),
        ("inspectors = 1.5", "inspect.inspectors"),
        ("hours = 0", "inspect.hours"),
        ("hours = -8", "inspect.hours"),
        ("hours = 25", "inspect.hours"),
        ("start = [40.9, -118.9]", "inspect.start"),
        ("start = [-118.9]", "inspect.start"),
        ('must = "MB-0001"', "inspect.must"),
        ("inspector = 2", "did you mean 'inspectors'"),
    ],
)
def test_a_setting_of_inspection_days_that_cannot_be_is_named(tmp_path: Path, line: str, names: str) -> None:
    assert names in _refusal(_write(tmp_path, f"{LEAST}\n[inspect]\n{line}\n"))


def test_a_crew_takes_the_place_of_rules(tmp_path: Path) -> None:
    text = (
        "[crew]\nsaws = 3\ncut_ft_per_min = 7\nmeasured_on = 2026-04-11\n\n[rules.opening]\ncrew_limit = 2\n"
    )
    district = read_district(_write(tmp_path, f"{LEAST}\n{text}"))
    assert district.rules == {
        "opening.crew_limit": 2,
        "work.saws": 3,
        "work.cut_ft_per_min": 7.0,
        "work.measured_on": "2026-04-11",
    }
    rules = load_rulebook(district.rules)
    assert rules["work.saws"].overridden
    assert not rules["work.walk_ft_per_min"].overridden
    assert set(Crew(**dict.fromkeys(Crew.model_fields)).rules()) == set()
    every = Crew(saws=1, cut_ft_per_min=1, parts_per_min=1, walk_ft_per_min=1, spell_min=1, measured_on=DAY)
    assert set(every.rules()) == {name for name in rules.rules if name.startswith("work.")}


def test_what_a_crew_does_is_said_once(tmp_path: Path) -> None:
    text = '[crew]\nsaws = 3\n\n[rules]\n"work.saws" = 2\n'
    assert "work.saws is stated in [crew] and in [rules]; keep one of them" in _refusal(
        _write(tmp_path, f"{LEAST}\n{text}")
    )


@pytest.mark.parametrize(
    ("line", "names"),
    [
        ("saws = 0", "crew.saws"),
        ("saws = 1.5", "crew.saws"),
        ("cut_ft_per_min = 0", "crew.cut_ft_per_min"),
        ("parts_per_min = -1", "crew.parts_per_min"),
        ("walk_ft_per_min = inf", "crew.walk_ft_per_min"),
        ("spell_min = nan", "crew.spell_min"),
        ('measured_on = "last spring"', "crew.measured_on"),
        ("cut_m_per_min = 3", "crew.cut_m_per_min"),
    ],
)
def test_a_setting_of_the_crew_that_cannot_be_is_named(tmp_path: Path, line: str, names: str) -> None:
    assert names in _refusal(_write(tmp_path, f"{LEAST}\n[crew]\n{line}\n"))
