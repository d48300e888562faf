"""A kind's pattern turned on its wall, against the turned pattern in closed form and SciPy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.spatial.transform import Rotation

from previz.scene.checks import impossible
from previz.workshop.set import RULES, build_wall
from previz.workshop.walls.sheet import Ground
from previz.workshop.walls.turned import turned
from tests.workshop.sets import scene

GROUND = Ground(0.4, 0.3, 0.1, 1)
X = np.linspace(-0.2, 0.2, 201)
Y = np.linspace(0.1, -0.2, 181)


def waves(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """A pattern without any symmetry, much coarser than the lines."""
    return np.sin(30.0 * x + 12.0 * y) * np.cos(21.0 * y) + 2.0 * x


RULE = (
    lambda ground, x, y: waves(x[None, :], y[:, None]).astype(np.float32),
    lambda ground, x, y: np.stack([waves(x[None, :] + k, y[:, None]) for k in range(3)], axis=-1).astype(np.float32),
)


@pytest.mark.parametrize("angle", [0.35, -1.2, 0.5 * np.pi, 3.0])
@pytest.mark.parametrize("lines", [(X, Y), (X, Y[::-1])])
def test_a_pattern_is_turned_clockwise_about_the_origin(angle: float, lines: tuple[np.ndarray, np.ndarray]) -> None:
    """A turn about the axis out of the wall is counter-clockwise for who looks at it; the lens does."""
    x, y = lines
    carve, painted = turned(RULE, angle)
    places = np.stack([*np.meshgrid(x, y), np.zeros((len(y), len(x)))], axis=-1).reshape(-1, 3)
    own = Rotation.from_euler("z", angle).apply(places).reshape(len(y), len(x), 3)
    wanted = waves(own[..., 0], own[..., 1])
    # straight between lines 2 mm apart: at most step^2 / 8 of the curvature, about 1500
    np.testing.assert_allclose(carve(GROUND, x, y), wanted, atol=1.5e-3)
    picture = painted(GROUND, x, y)
    for k in range(3):
        np.testing.assert_allclose(picture[..., k], waves(own[..., 0] + k, own[..., 1]), atol=2e-4)


def test_beds_that_fall_to_the_right_fall_more_steeply() -> None:
    """Slate's dip 27 degrees to camera right (structure tensor of the paint's grey, its direction in closed form)."""

    def dip(turn: float) -> float:
        wall, _ = build_wall(scene({"kind": "slate", "turn": turn, "texture_px": 512}))
        # bristles and grain smaller than the beds left out
        down, right = np.gradient(gaussian_filter(wall.reflectance.mean(axis=-1), 3.0))
        # picture rows run down: what falls to the right runs along (1, tan dip)
        across = 0.5 * np.arctan2(2.0 * (right * down).mean(), (right**2 - down**2).mean())
        return float(np.degrees(across) + 90.0) % 180.0

    assert (dip(np.radians(20.0)) - dip(0.0)) % 180.0 == pytest.approx(20.0, abs=4.0)


def test_no_turn_is_the_rule_itself() -> None:
    for rule in RULES.values():
        assert turned(rule, 0.0) is rule


def test_only_a_kind_has_a_pattern_to_turn() -> None:
    (fault,) = impossible(scene({"kind": None, "photo": "wall.png", "turn": 0.2}))
    assert fault.key == "wall.turn"
    assert "made by kind" in fault.expected
    assert impossible(scene({"kind": "basalt", "turn": 0.2})) == []
