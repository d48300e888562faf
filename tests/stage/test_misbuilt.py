"""A bridge hung off its place: corners projected by hand against the outline that is judged, and paint that turns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.geometry import inverse_rigid
from previz.stage.misbuilt import hung_from_meant
from previz.stage.misprint import Misprinted
from tests.judge.test_fast import HEIGHT, WIDTH, judge_of
from tests.search.flatset import FAR, HALF, NEAR, THICK, flat_set

MM, DEG = 1e-3, np.pi / 180.0
PIXEL = 1.0


def about(axis: int, angle: float) -> np.ndarray:
    """Rodrigues's rotation (3, 3) about one of the world's axes."""
    k = np.zeros((3, 3))
    k[(axis + 2) % 3, (axis + 1) % 3], k[(axis + 1) % 3, (axis + 2) % 3] = 1.0, -1.0
    return np.eye(3) + np.sin(angle) * k + (1.0 - np.cos(angle)) * k @ k


@pytest.mark.parametrize(
    ("number", "axis", "turn", "moves"),
    [(3, 1, 1.0, (0.01, 0.0)), (4, 0, -1.0, (0.0, 0.01)), (5, 2, -1.0, (0.0, 0.0))],
    ids=["yaw", "pitch", "roll"],
)
def test_turns_are_about_the_joint_and_go_where_words_say(number, axis, turn, moves) -> None:
    """The near end 1 m out goes 10 mm to the right and up for 0.01 rad; a roll takes the right edge down."""
    hung = np.zeros(6)
    hung[number] = 0.01
    matrix = hung_from_meant(hung)
    assert matrix[:3, :3] == pytest.approx(about(axis, turn * 0.01), abs=1e-12)
    assert matrix[:3, 3] == pytest.approx(np.zeros(3), abs=1e-15)
    end = matrix[:3, :3] @ [0.0, 0.0, 1.0]
    assert end[:2] == pytest.approx(moves, abs=1e-5)
    if axis == 2:
        assert (matrix[:3, :3] @ [1.0, 0.0, 0.0])[1] == pytest.approx(-0.01, abs=1e-5)


@pytest.mark.parametrize(
    "hung",
    [
        (12 * MM, 0.0, 0.0, 0.0, 0.0, 0.0),
        (0.0, 10 * MM, 0.0, 0.0, 0.0, 0.0),
        (0.0, 0.0, 25 * MM, 0.0, 0.0, 0.0),
        (0.0, 0.0, 0.0, 2.0 * DEG, 0.0, 0.0),
        (0.0, 0.0, 0.0, 0.0, 2.0 * DEG, 0.0),
        (0.0, 0.0, 0.0, 0.0, 0.0, 8.0 * DEG),
        (5 * MM, -4 * MM, 8 * MM, 1.0 * DEG, -1.0 * DEG, 3.0 * DEG),
    ],
)
def test_the_outline_is_that_of_the_corners_where_they_hang(hung) -> None:
    s = flat_set([], texture_px=16)
    camera = s.move.camera(1005, WIDTH, HEIGHT)
    matrix = hung_from_meant(np.array(hung))
    meant = np.array([[x, y, z] for x in (-HALF, HALF) for y in (-THICK, 0.0) for z in (FAR, NEAR)])
    at = camera.project(meant @ matrix[:3, :3].T + matrix[:3, 3])
    inverse = inverse_rigid(matrix)
    judge = judge_of(s, 0.3)
    off = replace(judge, bridge_camera=lambda c: replace(c, world_from_cam=inverse @ c.world_from_cam))
    for outline, corners in ((judge.outline(camera)[0], camera.project(meant)), (off.outline(camera)[0], at)):
        assert outline.xy.min(axis=0) == pytest.approx(corners.min(axis=0), abs=0.75 * PIXEL)
        assert outline.xy.max(axis=0) == pytest.approx(corners.max(axis=0), abs=0.75 * PIXEL)
    assert np.abs(at - camera.project(meant)).max() > 2.0 * PIXEL


def test_paint_turned_about_its_middle() -> None:
    """What was meant for the near end, 100 mm from the middle, lies 100 mm times the angle to the right."""
    seen = []

    class Told:
        def at(self, points, camera, depth, near):
            seen.append(points)

    middle = np.array([0.0, 0.0, 0.4])
    meant = np.array([0.0, 0.0, 0.5])
    shown_at = middle + about(1, 0.02) @ (meant - middle)
    assert shown_at[0] == pytest.approx(2.0 * MM, abs=0.01 * MM)
    paint = Misprinted(Told(), np.array([0.0, 0.0, 3 * MM]), 0.02, middle)  # type: ignore[arg-type]
    paint.at((shown_at + [0.0, 0.0, 3 * MM])[None, None], None, None, None)  # type: ignore[arg-type]
    assert seen[0][0, 0] == pytest.approx(meant, abs=1e-12)
