"""Files appear whole or not at all, under names that stay in their folder."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from roofplat.errors import DistrictFileError
from roofplat.publish import area_files, whole_file
from roofplat.publish.files import write_whole


def test_a_failed_write_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    write_whole(path, "old")

    def fail_half_way() -> None:
        with whole_file(path) as beside:
            beside.write_text("half of the new")
            raise RuntimeError

    with pytest.raises(RuntimeError):
        fail_half_way()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_nothing_shows_before_all_is_written(tmp_path: Path) -> None:
    path = tmp_path / "new" / "list.csv"
    with whole_file(path) as beside:
        beside.write_text("all")
        assert not path.exists()
        assert beside.suffix == path.suffix
    assert path.read_text() == "all"


def test_a_folder_that_is_a_file_is_named(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(DistrictFileError), whole_file(tmp_path / "taken" / "list.csv"):
        pass


@given(st.sets(st.text(max_size=80)))
def test_every_name_gets_its_own_harmless_file(names: set[str]) -> None:
    stems = area_files(names)
    assert set(stems) == names
    assert len(set(stems.values())) == len(names)
    for stem in stems.values():
        assert stem
        assert set(stem) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")


@pytest.mark.parametrize("name", ["../../x", "CON", "a/b", "", ".", "x" * 300])
def test_names_that_would_do_harm(name: str, tmp_path: Path) -> None:
    path = tmp_path / f"{area_files([name])[name]}.html"
    assert path.resolve().parent == tmp_path.resolve()
    assert path.stem.lower() != "con"
    write_whole(path, "fits")


def test_suffixes_do_not_meet_names_that_have_them() -> None:
    stems = area_files(["a", "A", "a-2", "á"])
    assert sorted(stems.values()) == ["a", "a-2", "a-2-2", "a-3"]
