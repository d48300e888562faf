"""Files that a scene names: missing, misspelt, empty, folders, of the wrong kind."""

import os
from pathlib import Path

import pytest

from previz.errors import SceneError
from previz.scene.reader import read_scene
from tests.scene.example import changed, modelled, written

FIGURE = 'figure   = "figure.png"'


def fault_text(folder: Path, *changes: tuple[str, str]) -> str:
    """The one fault of the example with changes."""
    with pytest.raises(SceneError) as caught:
        read_scene(written(folder, changed(*changes)))
    (fault,) = caught.value.faults
    return str(fault)


def test_a_misspelt_file_is_named_with_the_nearest(tmp_path: Path) -> None:
    text = fault_text(tmp_path, (FIGURE, 'figure   = "figrue.png"'))
    assert "plate.figure: expected a picture file or a folder of numbered pictures" in text
    assert 'found no such file ("figrue.png")' in text
    assert 'did you mean "figure.png"?' in text


def test_another_ending_of_the_same_name_comes_first(tmp_path: Path) -> None:
    for name in ("walk2.glb", "wall.obj", "notes.txt"):
        (tmp_path / name).write_bytes(b"x")
    text = fault_text(tmp_path, ('kind   = "slate" ', 'mesh = "wall.glb" '))
    assert 'wall.mesh: expected a mesh file, found no such file ("wall.glb") (did you mean "wall.obj"?)' in text


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    text = fault_text(tmp_path, (FIGURE, 'figure = "plates/figure.png"'))
    assert 'there is no folder "plates" there' in text


def test_nothing_like_it(tmp_path: Path) -> None:
    text = fault_text(tmp_path, *modelled("qqqqqqq.glb"))
    assert "names are relative to the scene file" in text


def test_a_folder_where_a_file_is_needed(tmp_path: Path) -> None:
    (tmp_path / "paint").mkdir()
    assert 'bridge.image: expected a picture file, found a folder ("paint")' in fault_text(
        tmp_path, ("taper     = 1.0", 'image = "paint"')
    )


def test_a_folder_of_numbered_pictures_is_a_figure(tmp_path: Path) -> None:
    (tmp_path / "walk").mkdir()
    change = (FIGURE, 'figure = "walk"')
    assert "a folder without numbered pictures" in fault_text(tmp_path, change)
    (tmp_path / "walk" / "readme.txt").write_bytes(b"1")
    (tmp_path / "walk" / "cover.png").write_bytes(b"1")
    assert "a folder without numbered pictures" in fault_text(tmp_path, change)
    (tmp_path / "walk" / "walk.1001.png").write_bytes(b"1")
    scene = read_scene(written(tmp_path, changed(change)))
    assert scene.plate is not None
    assert scene.plate.figure == Path("walk")


def test_an_empty_file(tmp_path: Path) -> None:
    (tmp_path / "wall.glb").write_bytes(b"")
    assert "found an empty file" in fault_text(tmp_path, ('kind   = "slate" ', 'mesh = "wall.glb" '))


def test_a_file_of_another_kind(tmp_path: Path) -> None:
    (tmp_path / "wall.docx").write_bytes(b"x")
    text = fault_text(tmp_path, ('kind   = "slate" ', 'mesh = "wall.docx" '))
    assert 'found a file that ends in ".docx"' in text
    assert ".glb" in text


def test_a_name_too_long_for_any_folder(tmp_path: Path) -> None:
    assert "plate.figure" in fault_text(tmp_path, (FIGURE, f'figure = "{"x" * 400}.png"'))
    assert "the name of a file" in fault_text(tmp_path, (FIGURE, f'figure = "{"x" * 4000}.png"'))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_that_may_not_be_read(tmp_path: Path) -> None:
    (tmp_path / "shut.png").write_bytes(b"x")
    (tmp_path / "shut.png").chmod(0)
    assert "cannot be read" in fault_text(tmp_path, (FIGURE, 'figure = "shut.png"'))


def test_files_are_looked_for_beside_the_scene_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "set").mkdir()
    path = written(tmp_path / "set", changed())
    monkeypatch.chdir(tmp_path)
    scene = read_scene(Path("set/walk.toml"))
    assert scene.path(Path("figure.png")).samefile(path.parent / "figure.png")
