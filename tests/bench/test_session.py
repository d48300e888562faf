"""The bench's state: set by hand, undone, rebased on an edited file, kept, written back with every other letter."""

import json
import os
import tomllib
import unicodedata
from pathlib import Path

import pytest

from previz.bench.protocol import RequestError, read_request
from previz.bench.session import Session
from previz.bench.store import BenchStore
from previz.errors import SceneError
from tests.command.scenes import box_mesh, changed, laid

COMMENTED = [('tilt = "-8 deg"\n', 'tilt = "-8 deg"      # a little down\n\n# the rail of the workshop\n')]


@pytest.fixture
def scene_file(tmp_path: Path) -> Path:
    return laid(tmp_path, *COMMENTED)


def test_what_is_turned_is_in_the_scene_and_not_yet_in_the_file(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2, "tilt": "-10 deg"})
    assert session.scene.camera.position == (0.0, 0.2, 1.25)
    assert session.scene.camera.tilt == pytest.approx(-10 * 3.141592653589793 / 180)
    assert session.unwritten
    assert scene_file.read_text(encoding="utf-8") == changed(*COMMENTED)


def test_writing_back_changes_the_values_and_no_other_letter(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2005, "lens": 0.05})
    session.write()
    wanted = changed(*COMMENTED).replace('"160 mm"', '"200.5 mm"').replace('lens = "35 mm"', 'lens = "50 mm"')
    assert scene_file.read_text(encoding="utf-8") == wanted
    assert not session.unwritten
    assert [p.name for p in scene_file.parent.iterdir() if p.name.startswith(".")] == []


def test_line_ends_byte_order_mark_and_mode_stay(scene_file: Path) -> None:
    scene_file.write_bytes(b"\xef\xbb\xbf" + changed(*COMMENTED).replace("\n", "\r\n").encode())
    scene_file.chmod(0o640)
    session = Session(scene_file)
    session.turn({"lens": 0.05})
    session.write()
    wanted = changed(*COMMENTED).replace('lens = "35 mm"', 'lens = "50 mm"').replace("\n", "\r\n")
    assert scene_file.read_bytes() == b"\xef\xbb\xbf" + wanted.encode()
    if os.name == "posix":
        assert scene_file.stat().st_mode & 0o777 == 0o640


def test_a_gesture_is_one_step_of_undoing(scene_file: Path) -> None:
    session = Session(scene_file)
    for height in (0.17, 0.18, 0.19):
        session.turn({"up": height}, still=False)
    session.turn({"up": 0.2}, still=True)
    session.turn({"lens": 0.05})
    session.undo()
    assert (session.scene.camera.lens, session.scene.camera.position[1]) == (0.035, 0.2)
    session.undo()
    assert session.scene.camera.position[1] == 0.16
    assert not session.unwritten
    session.redo()
    assert session.scene.camera.position[1] == 0.2
    session.redo()
    assert session.scene.camera.lens == 0.05
    with pytest.raises(RequestError, match="nothing"):
        session.redo()


def test_undo_goes_back_past_writing(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    session.write()
    session.undo()
    assert session.scene.camera.position[1] == 0.16
    session.write()
    assert scene_file.read_text(encoding="utf-8") == changed(*COMMENTED)


def test_an_edit_of_the_file_wins_over_the_hand_where_both_meet(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    session.turn({"lens": 0.05})
    edits = [('lens = "35 mm"', 'lens = "28 mm"'), ('length = "700 mm"', 'length = "650 mm"')]
    laid(scene_file.parent, *COMMENTED, *edits)
    assert session.reread()
    assert (session.scene.camera.lens, session.scene.bridge.length) == (0.028, 0.65)
    assert session.scene.camera.position[1] == 0.2
    assert not session.reread()


def test_where_file_and_hand_meet_both_values_are_offered_and_neither_is_lost(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"lens": "40"})
    session.turn({"tilt": "-10"})
    edits = [('lens = "35 mm"', 'lens = "28 mm"'), ('tilt = "-8 deg" ', 'tilt = "-10 deg" ')]
    laid(scene_file.parent, *COMMENTED, *edits)
    assert session.reread()
    knobs = session.state()["knobs"]
    assert (knobs["lens"]["shown"], knobs["lens"]["aside"]) == ("28 mm", {"mine": "40 mm", "file": "28 mm"})
    # what the file has put in its place is a step of its own
    assert session.state()["undo"] == 3
    # both say the same
    assert (knobs["tilt"]["shown"], knobs["tilt"]["aside"]) == ("-10 deg", None)
    session.undo()
    assert session.scene.camera.lens == 0.04
    session.redo()
    assert session.scene.camera.lens == 0.028
    session.choose("lens", mine=True)
    assert (session.scene.camera.lens, session.state()["knobs"]["lens"]["aside"]) == (0.04, None)
    session.undo()
    assert session.scene.camera.lens == 0.028
    with pytest.raises(RequestError, match="nothing to choose"):
        session.choose("lens", mine=False)
    session.redo()
    laid(scene_file.parent, *COMMENTED, ('lens = "35 mm"', 'lens = "50 mm"'))
    assert session.reread()
    session.choose("lens", mine=False)
    assert (session.scene.camera.lens, session.unwritten) == (0.05, False)


def test_what_fits_the_changed_file_no_more_is_put_aside(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"hold_last": 1003})
    laid(scene_file.parent, *COMMENTED, ("frames = 4", "frames = 3"), ("reveal = 1004", "reveal = 1003"))
    assert session.reread()
    assert not session.faulty
    assert session.state()["knobs"]["hold_last"]["aside"] == {"mine": "1003", "file": "1002"}
    with pytest.raises(RequestError, match="is left out"):
        session.undo()
    with pytest.raises(RequestError):
        session.choose("hold_last", mine=True)
    assert session.state()["knobs"]["hold_last"]["aside"] is not None


def _left(path: Path, store: Path) -> Session:
    """A bench that takes up what another one left."""
    return Session(path, BenchStore(store))


def test_what_is_unwritten_and_the_shelf_are_taken_up_by_the_next_bench(scene_file: Path, tmp_path: Path) -> None:
    store = tmp_path / "out"
    session = _left(scene_file, store)
    assert not session.taken_up
    session.turn({"up": 0.2, "stop": 8})
    session.turn({"lens": "40"})
    session.undo()
    session.keep("Grösse", {"break": {"break_pct": 3.25}}, b"picture")
    session.go(1003)
    session.keep_hand()
    # nothing is closed in good order: as a kill leaves it
    other = _left(scene_file, store)
    assert other.taken_up
    states = [one.state() | {"taken_up": None} for one in (session, other)]
    assert states[0] == states[1]
    assert [(c.name, c.picture, c.values) for c in other.shelf] == [
        (c.name, c.picture, {k: tuple(v) for k, v in c.values.items()}) for c in session.shelf
    ]
    other.redo()
    assert other.scene.camera.lens == 0.04
    other.keep("second", {}, b"other")
    assert [c.number for c in other.shelf] == [1, 2]
    other.drop(1)
    other.leave()
    other.write()
    other.keep_hand()
    last = _left(scene_file, store)
    assert ([c.number for c in last.shelf], last.unwritten, last.taken_up) == ([2], False, False)
    assert sorted(p.name for p in (store / "bench").iterdir()) == ["hand.json", "kept-000002.jpg", "shelf.json"]


def test_a_file_changed_while_no_bench_ran_is_met_like_any_other_change(scene_file: Path, tmp_path: Path) -> None:
    session = _left(scene_file, tmp_path / "out")
    session.turn({"up": 0.2, "lens": "40"})
    session.keep_hand()
    laid(scene_file.parent, *COMMENTED, ('lens = "35 mm"', 'lens = "28 mm"'))
    other = _left(scene_file, tmp_path / "out")
    assert (other.scene.camera.lens, other.scene.camera.position[1]) == (0.028, 0.2)
    assert other.state()["knobs"]["lens"]["aside"] == {"mine": "40 mm", "file": "28 mm"}


@pytest.mark.parametrize("text", ["", "{", "[]", '{"text": 3}', '{"changes": {"nothing": 1}}'])
def test_what_cannot_be_read_on_disk_was_never_kept(scene_file: Path, tmp_path: Path, text: str) -> None:
    for name in ("hand", "shelf"):
        place = tmp_path / "out" / "bench" / f"{name}.json"
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_text(text, encoding="utf-8")
    session = _left(scene_file, tmp_path / "out")
    assert (session.unwritten, session.shelf) == (False, [])


def test_a_faulty_file_is_shown_with_line_and_caret_and_the_last_good_scene_stays(scene_file: Path) -> None:
    session = Session(scene_file)
    good = session.scene
    laid(scene_file.parent, *COMMENTED, ('lens = "35 mm"', 'lens = "35 bananas"'))
    assert session.reread()
    (fault,) = session.state()["faults"]
    line = scene_file.read_text(encoding="utf-8").split("\n")[fault["line"] - 1]
    assert fault["source"] == line == 'lens = "35 bananas"'
    assert fault["source"][fault["caret"] :].startswith('"35 bananas"')
    assert "35 bananas" in fault["text"]
    assert session.scene is good
    with pytest.raises(RequestError, match="faults"):
        session.turn({"up": 0.3})
    with pytest.raises(RequestError, match="faults"):
        session.write()
    laid(scene_file.parent, *COMMENTED)
    assert session.reread()
    assert session.state()["faults"] == []


@pytest.mark.parametrize("name", ["Grösse", "Größe 2", "Größe", "CON.toml", "con", "Lpt1.x", "Nul .toml"])
def test_names_in_any_language_but_none_that_a_system_keeps(scene_file: Path, name: str) -> None:
    session = Session(scene_file)
    if name.startswith("G"):
        place = session.write_as(read_request(json.dumps({"do": "write as", "name": name})).name)
        assert place.is_file()
        assert place.name == f"{unicodedata.normalize('NFC', name)}.toml"
    else:
        with pytest.raises(RequestError, match="device"):
            session.write_as(name)
        assert sorted(p.suffix for p in scene_file.parent.iterdir()) == [".png", ".toml"]


@pytest.mark.parametrize("text", ["[wall", "", "title = ", "\0", "a = 1\na = 2"])
def test_a_broken_file_and_a_mended_one(scene_file: Path, text: str) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    scene_file.write_text(text, encoding="utf-8")
    assert session.reread()
    assert session.faulty
    laid(scene_file.parent, *COMMENTED)
    assert session.reread()
    assert not session.faulty
    assert session.scene.camera.position[1] == 0.2


def test_a_file_that_is_gone_is_a_fault(scene_file: Path) -> None:
    session = Session(scene_file)
    scene_file.unlink()
    assert session.reread()
    assert "no such file" in session.state()["faults"][0]["text"]


def test_a_value_that_cannot_be_is_refused_in_one_line_and_the_one_before_stays(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    refusals: tuple[tuple[dict[str, float | int | str], str], ...] = (
        ({"lens": "two mm"}, '"two mm" is not set: expected a length'),
        ({"out": 0.1}, '"100 mm" is not set'),
        ({"hold_last": 2000}, '"2000" is not set'),
        ({"up": 0.3, "lens": "two mm"}, '"300 mm" and "two mm" are not set: camera.lens: expected a length'),
    )
    for values, words in refusals:
        with pytest.raises(RequestError) as refused:
            session.turn(values)
        assert str(refused.value).startswith(words)
        assert "\n" not in str(refused.value)
        assert refused.value.knobs == (("lens",) if "lens" in values else tuple(values))
    assert not session.faulty
    camera = session.scene.camera
    assert (camera.lens, camera.position) == (0.035, (0.0, 0.2, 1.25))
    assert session.state()["knobs"]["lens"]["shown"] == "35 mm"
    session.undo()
    assert not session.unwritten


def test_a_gesture_that_ends_where_nothing_can_be_stays_where_it_was_last(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"out": 1.2}, still=False)
    for still in (False, True):
        with pytest.raises(RequestError):
            session.turn({"out": 0.1}, still=still)
    assert session.scene.camera.position[2] == 1.2
    session.turn({"out": 1.1})
    session.undo()
    assert session.scene.camera.position[2] == 1.2
    session.undo()
    assert session.scene.camera.position[2] == 1.25


@pytest.mark.parametrize(
    ("name", "typed", "shown"),
    [("out", "1300", "1300 mm"), ("tilt", "-13", "-13 deg"), ("tilt", "\u221213", "-13 deg"), ("stop", "16", "f/16"),
     ("lens", "40.5", "40.5 mm"), ("up", " .5 ", "0.5 mm"), ("out", "1.3 m", "1300 mm"), ("pan", "+2", "2 deg"),
     ("up", "160.25", "160.25 mm"), ("tilt", "-8.25", "-8.25 deg")],
)  # fmt: skip
def test_a_bare_number_is_in_the_unit_that_is_shown(scene_file: Path, name: str, typed: str, shown: str) -> None:
    session = Session(scene_file)
    session.turn({name: typed})
    assert session.state()["knobs"][name]["shown"] == shown


def test_what_the_scene_has_already_is_no_step(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"lens": "35 mm"})
    session.turn({"up": "160"})
    assert session.state()["undo"] == 0
    session.turn({"lens": "40"})
    session.turn({"lens": "40 mm"})
    session.turn({"lens": "35"})
    assert (session.state()["undo"], session.state()["changed"], session.unwritten) == (2, [], False)


def test_a_file_changed_meanwhile_is_not_written_over(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    other = changed(*COMMENTED).replace("Small quarry", "Another quarry")
    scene_file.write_text(other, encoding="utf-8")
    with pytest.raises(RequestError, match="changed meanwhile"):
        session.write()
    assert scene_file.read_text(encoding="utf-8") == other


def test_a_write_that_fails_leaves_the_file_whole(scene_file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})

    def full(number: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(RequestError, match="full"):
        session.write()
    assert scene_file.read_text(encoding="utf-8") == changed(*COMMENTED)
    assert sorted(p.name for p in scene_file.parent.iterdir()) == ["figure.png", "small.toml"]
    assert session.unwritten


def test_a_new_file_beside_it(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2})
    place = session.write_as("higher")
    assert place == scene_file.with_name("higher.toml")
    assert place.read_text(encoding="utf-8") == changed(*COMMENTED).replace('"160 mm"', '"200 mm"')
    assert scene_file.read_text(encoding="utf-8") == changed(*COMMENTED)
    with pytest.raises(RequestError, match="there already"):
        session.write_as("higher")


def test_a_key_that_was_not_there_is_added(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"focus": 1.1, "pan": 0.0349})
    session.write()
    camera = tomllib.loads(scene_file.read_text(encoding="utf-8"))["camera"]
    assert (camera["focus"], camera["pan"]) == ("1100 mm", "2 deg")
    assert "# the rail of the workshop" in scene_file.read_text(encoding="utf-8")


def test_the_shelf_gives_back_what_was_kept(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"up": 0.2, "lens": "50 mm"})
    kept = session.keep("high", {}, b"picture")
    session.turn({"up": 0.3, "width": 0.06})
    session.take(kept.number)
    camera = session.scene.camera
    assert (camera.position[1], camera.lens, session.scene.bridge.width) == (0.2, 0.05, 0.05)
    session.undo()
    assert (session.scene.camera.position[1], session.scene.bridge.width) == (0.3, 0.06)
    session.drop(kept.number)
    with pytest.raises(RequestError, match="no candidate"):
        session.take(kept.number)


def test_marks_of_the_rail(scene_file: Path) -> None:
    session = Session(scene_file)
    session.turn({"hold_first": 1002, "hold_last": "1003", "station": 1002})
    assert session.scene.rail.hold == (1002, 1003)
    assert session.state()["move"]["station"] == 1002
    with pytest.raises(RequestError, match="2000"):
        session.turn({"station": 2000})


def test_only_another_set_needs_to_be_built(scene_file: Path) -> None:
    session = Session(scene_file)
    key = session.set_key()
    session.turn({"up": 0.2, "lens": 0.05, "stop": 8, "travel": 0.1, "hold_last": 1003})
    assert session.set_key() == key
    session.turn({"width": 0.06})
    assert session.set_key() != key
    session.undo()
    session.turn({"paint": "wash"})
    assert session.set_key() != key


def test_a_scene_with_faults_is_refused_to_begin_with(tmp_path: Path) -> None:
    with pytest.raises(SceneError, match="bananas"):
        Session(laid(tmp_path, ('lens = "35 mm"', 'lens = "35 bananas"')))


def test_a_modelled_bridge_has_no_measures_to_turn(tmp_path: Path) -> None:
    """The mesh says them: their fields stay empty, and one that is turned all the same is refused with a word."""
    by_mesh = ('length = "700 mm"\nwidth = "50 mm"\n', 'mesh = "walk.glb"\n')
    scene_file = laid(tmp_path, by_mesh)
    box_mesh(tmp_path / "walk.glb")
    session = Session(scene_file)
    knobs = session.state()["knobs"]
    for name in ("length", "width", "thickness", "taper"):
        assert knobs[name]["value"] is None
        assert knobs[name]["shown"] == ""
    with pytest.raises(RequestError, match="length"):
        session.turn({"length": 0.5})
    assert session.state()["faults"] == []
