"""A shot that stands shows one frame again and again: it is drawn once, and says what each of them would."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from previz.look.choose import choose_engine
from previz.scene.move import move_of
from previz.scene.reader import read_scene
from previz.stage import standing
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import prepare
from previz.stage.standing import alike, for_all
from tests.search.example import small

STANDING = ("frames = 24", "frames = 24\nstand = 5")


def test_frames_are_alike_while_the_camera_stands(tmp_path: Path) -> None:
    move = move_of(read_scene(small(tmp_path, STANDING)))
    # the rail stands at nought for frames 1001 to 1006; the last of them has a neighbour that has moved on
    assert np.flatnonzero(move.rail == 0.0).tolist() == [0, 1, 2, 3, 4, 5]
    groups = alike(move, move.frames)
    assert groups[0] == (1001, 1002, 1003, 1004, 1005)
    assert [len(group) for group in groups[1:]] == [1] * 19
    assert [frame for group in groups for frame in group] == list(move.frames)
    # of what is left of a run, too
    assert alike(move, (1004, 1005, 1010)) == [(1004, 1005), (1010,)]


def test_a_move_that_never_stands_has_no_frames_alike(tmp_path: Path) -> None:
    move = move_of(read_scene(small(tmp_path)))
    assert alike(move, move.frames) == [(frame,) for frame in move.frames]


def test_a_frame_whose_neighbour_has_moved_on_is_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # what slides is told from the frames beside it, whatever the shutter sees
    move = move_of(read_scene(small(tmp_path, STANDING)))
    monkeypatch.setattr(standing, "moves_during", lambda *_: False)
    assert alike(move, (1004, 1005, 1006)) == [(1004, 1005), (1006,)]


def test_each_of_them_is_as_it_would_be_by_itself(tmp_path: Path) -> None:
    scene = read_scene(small(tmp_path, STANDING))
    choice = choose_engine(None)
    looker = Looker(choice.engine)
    try:
        looker.load(prepare(scene, 320))
        first, other = (looker.look(FrameJob(frame, 320, 180)) for frame in (1001, 1004))
    finally:
        choice.engine.close()
    told, again = for_all([first], [(1001, 1004)])
    assert told.judged.score == first.judged.score
    assert again.judged.score == other.judged.score
    assert again.code is not None
    assert other.code is not None
    assert np.array_equal(again.code, other.code)
    assert again.judged.score == replace(first.judged.score, frame=1004)
