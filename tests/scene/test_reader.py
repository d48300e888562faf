"""Scene files as people get them wrong: one clear line for each fault, at its place, and never a traceback."""

import hashlib
import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from previz.errors import Fault, SceneError
from previz.scene import source
from previz.scene.faults import key_text, shown, tables
from previz.scene.limits import FAULTS_LISTED, SCENE_BYTES
from previz.scene.reader import read_scene, scene_sha256
from tests.scene.example import EXAMPLE, changed, written


def faults_of(folder: Path, text: str) -> tuple[Fault, ...]:
    """The faults of a scene file with this text."""
    with pytest.raises(SceneError) as caught:
        read_scene(written(folder, text))
    return caught.value.faults


def place_of(text: str, piece: str) -> tuple[int, int]:
    """Line and column of the only such piece of a text."""
    assert text.count(piece) == 1
    before = text[: text.index(piece)]
    return before.count("\n") + 1, len(before) - before.rfind("\n")


def test_the_scene_that_the_design_prints_is_read(tmp_path: Path) -> None:
    scene = read_scene(written(tmp_path, EXAMPLE))
    assert scene.scale == 20.0
    assert scene.delivery.frame == (1920, 1080)
    assert scene.camera.position == (0.0, 0.16, 1.25)
    assert scene.camera.tilt == pytest.approx(-0.13962634015954636)  # 8 / 180 * pi
    assert scene.rail.ease == 0.1
    assert scene.lamps[0].name == "key"
    assert scene.plate is not None
    assert scene.plate.camera is not None
    assert scene.plate.camera.distance == 9.0
    assert scene.path(Path("figure.png")).exists()


# what is written instead of what, the text the fault points at, its key path, what it says
WRONG = [
    ('"850 mm"', "850", "850", "bridge.length", 'a length with its unit like "62 mm", found 850 (write "850 mm")'),
    ('"850 mm"', '"850"', '"850"', "bridge.length", 'found "850" (write "850 mm")'),
    ('"850 mm"', '"0,85 m"', '"0,85 m"', "bridge.length", "decimal point"),
    ('"850 mm"', '"1e9 mm"', '"1e9 mm"', "bridge.length", "expected a length with its unit from 0.1 mm to 100 m"),
    ('"850 mm"', '"-850 mm"', '"-850 mm"', "bridge.length", "from 0.1 mm to 100 m"),
    ('"850 mm"', '"0 mm"', '"0 mm"', "bridge.length", "from 0.1 mm to 100 m"),
    ('"850 mm"', "nan", "nan", "bridge.length", "found nan"),
    ('"850 mm"', "-inf", "-inf", "bridge.length", "found -inf"),
    ('"850 mm"', "true", "true", "bridge.length", "found true"),
    ('"850 mm"', "[1, 2]", "[1, 2]", "bridge.length", "found [1, 2]"),
    ('"850 mm"', "{ a = 1 }", "{ a = 1 }", "bridge.length", "found a table"),
    ('"850 mm"', "1979-05-27", "1979-05-27", "bridge.length", "found a date"),
    ('"40 mm"', '"-1 mm"', '"-1 mm"', "wall.relief", "from 0 mm to 100 m"),
    ('["0 mm", "160 mm", "1250 mm"]', '["0 mm", 161, "1250 mm"]', "161", "camera.position[2]", 'write "161 mm"'),
    ('["0 mm", "160 mm", "1250 mm"]', '["0 mm", "160 mm"]', '["0 mm", "160 mm"]', "camera.position", "three lengths"),
    ('["0 mm", "160 mm", "1250 mm"]', '"1250 mm"', '"1250 mm"', "camera.position", "three lengths"),
    ('tilt     = "-8 deg"', "tilt     = -8", "-8", "camera.tilt", 'write "-8 deg"'),
    ('tilt     = "-8 deg"', 'tilt     = "-98 deg"', '"-98 deg"', "camera.tilt", "from -90 to 90 deg"),
    ('"f/22"', "22", "22\n", "camera.stop", 'expected a stop like "f/22", found 22'),
    ('"f/22"', '"f/0"', '"f/0"', "camera.stop", "from f/0.5 to f/1000"),
    ('"35.9 x 24.0 mm"', '"35.9 mm"', '"35.9 mm"', "camera.sensor", 'like "35.9 x 24.0 mm"'),
    ('"35.9 x 24.0 mm"', '"0 x 24 mm"', '"0 x 24 mm"', "camera.sensor", "from 1 mm to 1000 mm"),
    ('"35.9 x 24.0 mm"', "[35.9, 24.0]", "[35.9, 24.0]", "camera.sensor", "a size, width x height"),
    ('"10%"', "0.1", "0.1", "rail.ease", 'expected a percentage like "10%"'),
    ('"10%"', "10", "10\n", "rail.ease", 'write "10%"'),
    ('"10%"', '"60%"', '"60%"', "rail.ease", "from 0% to 50%"),
    ("frames = 100", 'frames = "100"', '"100"', "rail.frames", 'expected a whole number, found "100"'),
    ("frames = 100", "frames = 100.0", "100.0", "rail.frames", "whole number"),
    ("frames = 100", "frames = true", "true", "rail.frames", "whole number"),
    ("frames = 100", "frames = 0", "0\nease", "rail.frames", "a number of at least 1"),
    ("frames = 100", "frames = " + "9" * 400, "9" * 400, "rail.frames", "a number of about 400 digits"),
    ("[1, 0, 0]", '"arch"', '"arch"', "rail.along", "(a curved rail is \"arc\" with a radius)"),
    ("[1, 0, 0]", "[0, 0, 0]", "[0, 0, 0]", "rail.along", "cannot be zero"),
    ("[1, 0, 0]", "[1, nan, 0]", "[1, nan, 0]", "rail.along", "a direction"),
    ("[1, 0, 0]", '["1 mm", 0, 0]', '["1 mm", 0, 0]', "rail.along", "a direction"),
    ("reveal = 1090", "aim = 5", "5\n\n[[", "rail.aim", '"parallel", "track", or a point'),
    ("reveal = 1090", 'aim = ["0 mm", 1, "0 mm"]', '["0 mm", 1, "0 mm"]', "rail.aim", 'write "1 mm"'),
    ("[1001, 1040]", "[1001]", "[1001]", "rail.hold", "two frame numbers like [1001, 1040]"),
    ("[1001, 1040]", '[1001, "1040"]', '"1040"', "rail.hold[2]", "a whole number"),
    ('"slate"             #', '"slat"             #', '"slat"', "wall.kind", 'did you mean "slate"?'),
    ('"solved"         #', "7         #", "7         #", "bridge.paint", '"bare", "wash", "projected" or "solved"'),
    ('"1:20"', '"20:1"', '"20:1"', "scale", 'expected a scale like "1:20"'),
    ('"1:20"', '"1:0.5"', '"1:0.5"', "scale", "from 1:1 to 1:1000"),
    ("rate  = 25", 'rate = "24000/0"', '"24000/0"', "delivery.rate", "frames per second"),
    ("rate  = 25", "rate = 1e9", "1e9", "delivery.rate", "from 1 to 1000"),
    ("rate  = 25", "rate = nan", "nan", "delivery.rate", "frames per second"),
    ("[1920, 1080]", "[1920, 8]", "8]", "delivery.frame[2]", "a number of at least 16"),
    ("[1920, 1080]", "1920", "1920", "delivery.frame", "[width, height] in pixels"),
    ("2.39 ", "0.1 ", "0.1 ", "delivery.bars", "a number above 0.2"),
    ("seed   = 7", "seed = -7", "-7", "wall.seed", "at least 0"),
    ('"Quarry walk"', '""', '""', "title", "a line of text"),
    ('"Quarry walk"', "3", "3\nscale", "title", "text in quotes, found 3"),
    ('"Quarry walk"', '"a\\nb"', '"a\\nb"', "title", "a line of text"),
    ('name = "key"', "name = []", "[]", "lamp[1].name", "text in quotes, found []"),
    ('figure   = "figure.png"', "figure = 3", "3      # cut", "plate.figure", "the name of a file"),
    ('figure   = "figure.png"', 'figure = "a\\u0000b"', '"a\\u0000b"', "plate.figure", "the name of a file"),
    ('height   = "1.75 m"', 'date = "x"\nheight = "1.75 m"', "date", "plate.date", "it belongs to the top of the file"),
    ("taper     = 1.0", "taper = inf", "inf", "bridge.taper", "finite number"),
    ("taper     = 1.0", 'colour = "red"', '"red"', "bridge.colour", 'a colour like "#c8b08a"'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "at", "key", "says"), WRONG)
def test_a_wrong_value_gives_one_fault_at_its_place(
    tmp_path: Path, old: str, new: str, at: str, key: str, says: str
) -> None:
    pytest.importorskip("toml_rs")
    text = changed((old, new))
    (fault,) = faults_of(tmp_path, text)
    assert fault.key == key
    assert says in str(fault)
    # the piece that was written, found from where the old one was
    start = text.index(new)
    before = text[: text.index(at, start)]
    assert (fault.line, fault.column) == (before.count("\n") + 1, len(before) - before.rfind("\n"))
    assert str(fault).startswith(f"{tmp_path / 'walk.toml'}:{fault.line}:{fault.column}: {key}: expected ")
    assert "\n" not in str(fault)
    assert len(str(fault)) < 420


@pytest.mark.parametrize(("old", "new", "at", "key", "says"), WRONG)
def test_without_the_other_reader_the_line_is_still_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, old: str, new: str, at: str, key: str, says: str
) -> None:
    monkeypatch.setattr(source, "load_with_metadata", None)
    text = changed((old, new))
    (fault,) = faults_of(tmp_path, text)
    assert fault.line == text[: text.index(at, text.index(new))].count("\n") + 1
    assert (fault.key, says in str(fault)) == (key, True)


UNKNOWN = [
    ('length    = "850 mm"', 'lenght    = "850 mm"', "bridge.lenght", 'did you mean "length"?'),
    ('tilt     = "-8 deg"', 'bars = 2.39\ntilt = "-8 deg"', "camera.bars", "it belongs to [delivery]"),
    ("[[lamp]]", "[lights]\n[[lamp]]", "lights", 'did you mean "light"?'),
    ("[[lamp]]", "[zzz]\n[[lamp]]", "zzz", "known are title, scale"),
    ('name = "key"', 'name = "key"\nlumen = 3', "lamp[1].lumen", "a key of [[lamp]]"),
    ('width = "60 mm", height', 'widht = 3, width = "60 mm", height', "wall.doorway.widht", 'did you mean "width"?'),
    ('title = "Quarry walk"', 'title = "Quarry walk"\nfolder = "x"', "folder", "unknown key"),
    ("[[lamp]]", '[[lamps]]\nname = "a"\n[[lamp]]', "lamps", 'did you mean "lamp"?'),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "key", "says"), UNKNOWN)
def test_an_unknown_key_is_named_with_what_was_meant(tmp_path: Path, old: str, new: str, key: str, says: str) -> None:
    text = changed((old, new))
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == [key]
    assert says in str(faults[0])
    name = key.split(".")[-1]
    line, column = faults[0].line, faults[0].column
    assert text.split("\n")[line - 1][column - 1 :].lstrip("[").startswith(name)


MISSING = [
    ('scale = "1:20"\n', "", "scale", 'scale = "1:20"'),
    ('position = ["0 mm", "160 mm", "1250 mm"]\n', "", "camera.position", "the place of the lens"),
    ("hold   = [1001, 1040]\n", "", "rail.hold", "hold = [1001, 1040]"),
    ('name = "key"\n', "", "lamp[1].name", 'name = "key"'),
    (', height = "110 mm"', "", "wall.doorway.height", 'height = "110 mm"'),
    (', distance = "9 m"', "", "plate.camera.distance", 'distance = "9 m"'),
    ('kind   = "slate" ', "#", "wall", 'exactly one of "kind", "mesh" and "photo"'),
]


@pytest.mark.parametrize(("old", "new", "key", "says"), MISSING)
def test_a_missing_key_says_what_to_write(tmp_path: Path, old: str, new: str, key: str, says: str) -> None:
    text = changed((old, new))
    (fault,) = faults_of(tmp_path, text)
    assert (fault.key, says in str(fault)) == (key, True)
    table = key.split(".")[0].split("[")[0]
    if table != "scale":  # the fault stands at the table that lacks it
        assert table in text.split("\n")[fault.line - 1] or table in "".join(text.split("\n")[: fault.line])


def test_a_wall_made_two_ways_is_refused(tmp_path: Path) -> None:
    (tmp_path / "painted.jpg").write_bytes(b"x")
    (fault,) = faults_of(tmp_path, changed(("seed   = 7", 'photo = "painted.jpg"')))
    assert (fault.key, fault.found) == ("wall", "kind and photo")


@pytest.mark.parametrize("instead", ["[lamp]", "[wall.lamp]", "[[wall.lamp]]"])
def test_lamps_with_single_brackets_are_told_plainly(tmp_path: Path, instead: str) -> None:
    (fault,) = faults_of(tmp_path, changed(("[[lamp]]", instead)))
    assert "[[lamp]]" in str(fault)
    assert fault.line == place_of(EXAMPLE, "[[lamp]]")[0]


@pytest.mark.parametrize(("text", "key"), [("wall = 5", "wall"), ("camera = []", "camera"), ('rail = "x"', "rail")])
def test_a_value_where_a_table_belongs(tmp_path: Path, text: str, key: str) -> None:
    faults = faults_of(tmp_path, f'title = "x"\nscale = "1:20"\n{text}\n')
    fault = next(fault for fault in faults if fault.key == key)
    assert f"a table like [{key}]" in str(fault)
    assert fault.line == 3


def test_all_faults_come_at_once_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = changed(
        ('"1:20"', '"20"'),
        ("rate  = 25", "rate = 0"),
        ('"solved"', '"solvd"'),
        ("seed   = 7", "sed = 7"),
        ('lens     = "35 mm"', "lens = 35"),
        ('figure   = "figure.png"', 'figure = "figur.png"'),
        ("hold   = [1001, 1040]", "hold = [1040, 1001]"),
    )
    faults = faults_of(tmp_path, text)
    assert [fault.key for fault in faults] == [
        "scale",
        "delivery.rate",
        "wall.sed",
        "bridge.paint",
        "camera.lens",
        "rail.hold",
        "plate.figure",
    ]
    assert [fault.line for fault in faults] == sorted(fault.line for fault in faults)


def test_a_broken_table_does_not_raise_false_alarm_in_others(tmp_path: Path) -> None:
    # the bridge reaches the lens, but where the lens is cannot be read
    text = changed(('"850 mm"', '"2 m"'), ('["0 mm", "160 mm", "1250 mm"]', "1250"))
    assert [fault.key for fault in faults_of(tmp_path, text)] == ["camera.position"]


def test_a_flood_of_faults_is_cut_short(tmp_path: Path) -> None:
    text = EXAMPLE + "".join(f"k{i} = 1\n" for i in range(5000))
    faults = faults_of(tmp_path, text)
    assert len(faults) == FAULTS_LISTED + 1
    assert "more" in str(faults[-1])


RAW = [
    (b"", "an empty file"),
    (b" \n\t\r\n", "an empty file"),
    (b"\xef\xbb\xbf", "an empty file"),
    (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "binary data"),
    (b'title = "x"\n\0', "binary data"),
    (b'title = "x"\nscale = "\xe9"', "0xe9"),
    ('title = "x"'.encode("utf-16"), "UTF-16"),
    (b"# nothing but a comment", "nothing"),
    (b'title = "a"\ntitle = "b"', 'a second "title"'),
    (b"a = " + b"[" * 100_000, "deeper nesting"),
    (b'title = "' + b"x" * 10_000_000 + b'"', "10.0 MB"),
    (b"#" * (SCENE_BYTES + 1), "MB"),
]  # fmt: skip


@pytest.mark.parametrize(("raw", "says"), RAW, ids=range(len(RAW)))
def test_what_is_no_scene_at_all(tmp_path: Path, raw: bytes, says: str) -> None:
    path = tmp_path / "walk.toml"
    path.write_bytes(raw)
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    assert says in str(caught.value)
    assert all(len(str(fault)) < 300 for fault in caught.value.faults)


def test_a_place_in_text_that_is_not_utf8(tmp_path: Path) -> None:
    path = tmp_path / "walk.toml"
    path.write_bytes('title = "é"\nscale = "é'.encode() + b"\xff")
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    assert (caught.value.faults[0].line, caught.value.faults[0].column) == (2, 11)


@pytest.mark.parametrize("newline", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_byte_order_mark_change_nothing(tmp_path: Path, newline: str, mark: str) -> None:
    good = read_scene(written(tmp_path, mark + EXAMPLE.replace("\n", newline)))
    assert good == read_scene(written(tmp_path, EXAMPLE))
    text = changed(('lens     = "35 mm"', "lens = 35"))
    (fault,) = faults_of(tmp_path, mark + text.replace("\n", newline))
    assert (fault.line, fault.column) == place_of(text, "35\n")


def test_files_that_are_not_there(tmp_path: Path) -> None:
    written(tmp_path, EXAMPLE)
    with pytest.raises(SceneError, match=r'no such file \(did you mean "walk.toml"\?\)'):
        read_scene(tmp_path / "wlak.toml")
    with pytest.raises(SceneError, match="found a folder"):
        read_scene(tmp_path)
    with pytest.raises(SceneError, match="no such file"):
        read_scene(tmp_path / "no" / "walk.toml")
    with pytest.raises(SceneError):
        read_scene(tmp_path / ("x" * 5000))
    with pytest.raises(SceneError):
        read_scene(Path("a\0b"))


@pytest.mark.skipif(sys.platform == "win32", reason="no named pipes in folders")
def test_a_pipe_is_no_scene_file(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "walk.toml")
    with pytest.raises(SceneError, match="not a plain file"):
        read_scene(tmp_path / "walk.toml")


def test_the_hash_is_of_the_bytes(tmp_path: Path) -> None:
    path = written(tmp_path, EXAMPLE)
    assert scene_sha256(path) == hashlib.sha256(EXAMPLE.encode()).hexdigest()
    with pytest.raises(SceneError):
        scene_sha256(tmp_path / "none.toml")


def test_every_table_is_known_by_its_name() -> None:
    assert set(tables()) == {
        "", "delivery", "wall", "wall.doorway", "wall.mesh", "wall.photo", "wall.photo.points",
        "wall.photo.sheets", "wall.photo.grey", "wall.relief", "bridge", "bridge.mesh", "camera", "rail",
        "rail.pauses", "lamp", "at_hand", "card", "light", "plate", "plate.camera", "plate.foot_mark", "plate.marks",
        "plate.marks.poles", "plate.patches", "plate.steps", "search",
        "search.lamp", "search.card", "knock", "paint", "markers", "markers.left", "markers.right", "markers.floor",
        "markers.card",
    }  # fmt: skip
    assert "folder" not in tables()[""]


def test_key_paths_count_from_one() -> None:
    assert key_text(("lamp", 1, "position", 2)) == "lamp[2].position[3]"


def test_values_are_quoted_short_and_harmless() -> None:
    assert shown("a\x1b[31m\n" + "x" * 100) == '"a\ufffd[31m\ufffd' + "x" * 43 + '..."'
    assert shown([1, "a", True, 2.5]) == '[1, "a", true, 2.5]'
    assert shown([1] * 5) == "a list of 5 values"
    assert shown(-(9 * 10**30)) == "a number of about 31 digits"


VALUES = st.sampled_from(
    ["nan", "inf", "1e9", '"1e9 mm"', '""', "true", "[]", "{}", "[[1]]", "1979-05-27", "-1", "0", "[0, 0, 0]", '"arc"',
     '"1 m"', '["1 m", "1 m", "1 m"]', "99999999999999999999", '"\\u0000"', '"f/0"', '"1 x 1 mm"', "[1040, 1001]", "x"]
)  # fmt: skip
LINES = EXAMPLE.split("\n")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.integers(0, len(LINES) - 1), st.one_of(VALUES, st.none())), min_size=1, max_size=5))
def test_a_mangled_scene_raises_nothing_but_a_scene_error(
    tmp_path: Path, changes: list[tuple[int, str | None]]
) -> None:
    lines = list(LINES)
    for i, value in changes:
        key = lines[i].split("=")[0]
        lines[i] = "" if value is None else f"{key} = {value}"
    faults: tuple[Fault, ...] = ()
    try:
        read_scene(written(tmp_path, "\n".join(lines)))
    except SceneError as error:
        faults = error.faults
    assert all("\n" not in str(fault) and fault.expected and fault.found for fault in faults)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(st.binary(max_size=200), st.text(alphabet="[]{}=.\"'#\n \\ab1-_é,", max_size=120).map(str.encode)))
def test_noise_raises_nothing_but_a_scene_error(tmp_path: Path, raw: bytes) -> None:
    path = tmp_path / "walk.toml"
    path.write_bytes(raw)
    with pytest.raises(SceneError) as caught:
        read_scene(path)
    assert all("\n" not in str(fault) for fault in caught.value.faults)
