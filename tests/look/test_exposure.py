"""The blur of a scene's frames: what the lens is set to, and where the camera is while the shutter is open."""

import numpy as np
import pytest

from previz.look.blur import blur_of, exposure_frames
from previz.scene.model import Scene
from previz.scene.move import move_of


def scene(**changes):
    given = {
        "title": "t",
        "scale": "1:20",
        "wall": {"kind": "slate"},
        "camera": {"position": (0.0, 0.16, 1.25), "lens": 0.035, "stop": 8.0, "focus": 0.7},
        "rail": {"travel": 0.12, "frames": 101, "ease": 0.0, "hold": (1001, 1040), "station": 1051},
    }
    return Scene.model_validate(given).edited(**changes)


def test_the_exposure_is_centred_on_the_frames_time():
    move = move_of(scene(camera__shutter=1 / 50))
    assert exposure_frames(move) == pytest.approx(0.5)
    blur = blur_of(move, 1051, 960, 540)
    first, middle, last = (moment.position for moment in blur.moments)
    assert middle == pytest.approx(move.camera(1051).position)
    # 1.2 mm of rail a frame, half of it while the shutter is open
    assert last - first == pytest.approx([0.0006, 0.0, 0.0], abs=1e-12)
    assert blur.px_pitch == pytest.approx(0.0359 / 960)
    assert (blur.focal, blur.stop, blur.focus) == (0.035, 8.0, 0.7)
    # half the time unless given, and the rate that is shot counts
    assert exposure_frames(move_of(scene())) == 0.5
    assert exposure_frames(move_of(scene(camera__shutter=1 / 50, camera__rate=6.25))) == pytest.approx(0.125)


def test_before_the_move_the_camera_stands_still():
    blur = blur_of(move_of(scene()), 1001, 960, 540)
    first, middle, last = (moment.position[0] for moment in blur.moments)
    assert first == middle
    assert last - middle == pytest.approx(0.0003, abs=1e-12)


def test_where_there_is_nothing_to_blur():
    still = scene(rail__frames=1, rail__hold=(1001, 1001), rail__station=1001)
    assert blur_of(move_of(still), 1001).moments == ()
    assert blur_of(move_of(still.edited(camera__focus=None)), 1001) is None
    moving = blur_of(move_of(scene(camera__focus=None)), 1051)
    assert moving.disc_px(0.5) == moving.diffraction_px() == 0.0
    assert np.ptp(moving.path_px(0.5)[:, 0]) > 0.5
    with pytest.raises(ValueError, match="focal length"):
        blur_of(move_of(scene(camera__focus=0.03)), 1051)


def test_a_frame_is_blurred_alike_at_any_size():
    move = move_of(scene())
    small, large = blur_of(move, 1051, 480, 270), blur_of(move, 1051, 1920, 1080)
    assert 4.0 * np.array(small.spread_px(1.2)) == pytest.approx(large.spread_px(1.2), rel=1e-6)
