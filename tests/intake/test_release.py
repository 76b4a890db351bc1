"""A layer is named by what is in its file."""

from __future__ import annotations

from pathlib import Path

from roofplat.intake.release import release_name


def test_a_release_is_named_by_what_is_in_the_file(tmp_path: Path) -> None:
    one, two = tmp_path / "roofs.gpkg", tmp_path / "other" / "roofs.gpkg"
    two.parent.mkdir()
    one.write_bytes(b"roofs")
    two.write_bytes(b"roofs")
    # What `printf roofs | sha256sum` says.
    assert release_name(one) == release_name(two) == "roofs.gpkg e7eeb3f96913"
    two.write_bytes(b"roofs of May")
    assert release_name(one) != release_name(two)
    assert release_name(one, "houses").split() == ["roofs.gpkg", "houses", release_name(one).split()[1]]


def test_the_table_beside_a_shapefile_counts_too(tmp_path: Path) -> None:
    file = tmp_path / "roofs.shp"
    file.write_bytes(b"shapes")
    file.with_suffix(".dbf").write_bytes(b"ids")
    before = release_name(file)
    file.with_suffix(".dbf").write_bytes(b"other ids")
    assert release_name(file) != before
    folder = tmp_path / "roofs.gdb"
    folder.mkdir()
    (folder / "a").write_bytes(b"1")
    before = release_name(folder)
    (folder / "a").write_bytes(b"2")
    assert release_name(folder) != before
