"""The painter's hand: fields that reach as far as is said, colours as wrong, and strokes against strokes laid."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz.judge.fields import fields_of, window_px
from previz.judge.viewer import Viewer
from previz.paint.brush import brushed
from previz.scene.model import Scene
from previz.stage.hand import PALM, STROKE_REACH, Mixed, MixingError, RandomField, Stroked, left_by_strokes
from previz.workshop.set import build_set
from tests.search.flatset import flat_set

MM = 1e-3


class Even:
    """A paint that is one grey, L* 50, with a grain of 4 L* units."""

    def at(self, points, camera, depth, near):
        return self._shown(points)

    def _shown(self, points):
        class Shown:
            def colour(self, aside_px=None, finer=False):
                return np.broadcast_to(np.array([50.0, 0.0, 0.0], np.float32), points.shape)

            def grain(self, aside_px=None):
                return np.full(points.shape[:2], np.log(4.0), np.float32)

            def pattern(self):
                return np.zeros((points.shape[1], 5))

        return Shown()


def test_a_field_reaches_a_palm() -> None:
    """Gaussian correlation exp(-(r / reach)^2), closed form: 0.78 at half a palm, 1 / e at a palm, 0.018 at two."""
    pairs = np.zeros((4, 3))
    pairs[1:, 2] = np.array([0.5, 1.0, 2.0]) * PALM
    values = np.array([
        RandomField.drawn(np.random.default_rng([5, k]), PALM, 1).at(pairs)[:, 0] for k in range(3000)
    ])  # fmt: skip
    assert values.mean(axis=0) == pytest.approx(np.zeros(4), abs=0.06)
    assert values.var(axis=0) == pytest.approx(np.ones(4), abs=0.09)
    correlation = (values[:, :1] * values[:, 1:]).mean(axis=0) / values.var()
    assert correlation == pytest.approx(np.exp(-np.array([0.25, 1.0, 4.0])), abs=0.05)
    # hands are 75 to 95 mm broad
    assert 75 * MM <= PALM <= 95 * MM


def test_the_largest_error_of_a_colour_is_what_is_stated() -> None:
    rng = np.random.default_rng(1)
    bridge = rng.uniform([-0.03, -0.012, 0.0], [0.03, 0.0, 0.85], (4000, 3))
    error = MixingError.drawn((1, 2), 2.0, bridge)
    de = np.linalg.norm(error.at(bridge), axis=1)
    assert de.max() == pytest.approx(2.0)
    assert 0.5 < np.sqrt((de**2).mean()) < 1.6
    opposite = MixingError.drawn((1, 2), -2.0, bridge)
    assert opposite.at(bridge) == pytest.approx(-error.at(bridge))
    assert not np.allclose(MixingError.drawn((1, 3), 2.0, bridge).at(bridge), error.at(bridge))


def test_a_wrong_mixture_is_added_to_what_is_seen() -> None:
    s = flat_set([], texture_px=16)
    camera = s.move.camera(1005, 480, 270)
    points = np.tile(np.linspace([0.0, 0.0, 0.2], [0.0, 0.0, 0.5], 40)[None], (3, 1, 1))
    error = MixingError.drawn((1, 2), 3.0, points[0])
    shown = Mixed(Even(), error).at(points, camera, camera.depth(points), None)  # type: ignore[arg-type]
    off = shown.colour() - np.array([50.0, 0.0, 0.0])
    assert np.linalg.norm(off, axis=2).max() == pytest.approx(3.0, abs=1e-4)
    assert off[2] == pytest.approx(error.at(points[0]), abs=1e-4)
    assert shown.grain() == pytest.approx(np.log(4.0))


def test_strokes_err_by_a_share_of_the_contrast_that_windows_lose() -> None:
    """A brush as wide as the finest window's standard deviation leaves about an eighth of a contrast of 4 L*."""
    s = flat_set([], texture_px=16)
    camera = s.move.camera(1005, 480, 270)
    points = np.tile(np.linspace([-0.05, 0.0, 0.5], [0.05, 0.0, 0.5], 600)[None], (3, 1, 1))
    depth = camera.depth(points)
    window = window_px(Viewer(270))[0]
    brush = window * float(depth.mean()) / camera.focal_px
    errors = []
    for k in range(12):
        field = RandomField.drawn(np.random.default_rng(k), STROKE_REACH * brush, 1)
        shown = Stroked(Even(), brush, field).at(points, camera, depth, None)  # type: ignore[arg-type]
        errors.append(shown.colour()[..., 0] - 50.0)
    rms = np.sqrt((np.array(errors) ** 2).mean(axis=(0, 2)))
    assert rms[0] == pytest.approx(4.0 * 0.12, rel=0.15)
    assert rms[1] / rms[0] == pytest.approx(2.0**-1.7, rel=0.02)


@pytest.mark.parametrize("kind", ["slate", "basalt", "ice"])
def test_what_strokes_leave_is_what_laid_strokes_leave(kind: str) -> None:
    """Against the strokes that the tool lays itself on a wall (paint/brush.py), as a picture of the set shows it."""
    wall = {"kind": kind, "width": 1.2, "height": 0.8, "top": 0.3, "texture_px": 1024, "triangles": 2000}
    data = {"title": "wall", "scale": "1:20", "wall": wall, "bridge": {"length": 0.4},
            "camera": {"position": (0.0, 0.2, 1.2)}, "rail": {"frames": 1, "hold": (1001, 1001)}}  # fmt: skip
    picture = build_set(Scene.model_validate(data), 0.002).wall.reflectance[300:520, 300:520]
    picture = gaussian_filter(picture, (0.6, 0.6, 0.0)).astype(np.float32)
    viewer, inside = Viewer(540), (slice(30, -30), slice(30, -30))
    before = fields_of(picture, viewer).values
    for brush_px in (2.5, 4.0):
        after = fields_of(brushed(picture, np.ones(picture.shape[:2], bool), brush_px), viewer).values
        # the middle scale: its contrast is told by more than a pixel or two
        change = (after[1, ..., 0] - before[1, ..., 0])[inside]
        contrast = np.exp(before[1, ..., 3])[inside]
        left = np.sqrt((change**2).mean() / (contrast**2).mean())
        wanted = float(left_by_strokes(np.array(brush_px / window_px(viewer)[1])))
        assert wanted == pytest.approx(left, rel=0.45)
