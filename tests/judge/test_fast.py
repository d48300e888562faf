"""The judge without a picture against the judge of pictures: a slab before a wall, sharp and out of focus."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz.judge.breaks import Break, break_of
from previz.judge.fast import ContinuedWall, FastJudge, Near, OwnPaint
from previz.judge.layerfields import LayerFields
from previz.judge.ordinary import Ordinary
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from previz.stage.misprint import Misprinted
from tests.judge.walls import wall_of
from tests.search.flatset import FlatSet, flat_set

WIDTH, HEIGHT = 480, 270
VIEWER = Viewer(HEIGHT)
PERCENT = 1.0
GROUND = 0.2

# a wall on which a step of so many dE*ab is the largest ordinary one
LIMIT = 6.0


class _Known:
    """Stands for the wall's ordinary steps."""

    def at(self, px_per_m: float) -> Ordinary:
        assert px_per_m > 0.0
        return wall_of(LIMIT, LIMIT)


def even(level: float):
    """Draws a layer that is one grey all over."""
    return lambda camera: np.full((camera.height_px, camera.width_px, 3), level, dtype=np.float32)


@pytest.fixture(scope="module")
def flat() -> FlatSet:
    return flat_set([], texture_px=16)


def judge_of(s: FlatSet, level: float, shadowed: float = GROUND, blur_px: float = 0.0) -> FastJudge:
    camera = s.move.camera(1005, WIDTH, HEIGHT)
    clean, dark, bridge = (LayerFields(camera, even(grey), VIEWER) for grey in (GROUND, shadowed, level))
    near = Near(clean, clean if shadowed == GROUND else dark, bridge)
    spread = (lambda depth: np.full_like(depth, blur_px)) if blur_px else None
    return FastJudge(
        lambda position: near, s.sight, _Known(), s.bridge.vertices, s.bridge.faces, 0.01, spread_px=spread
    )  # type: ignore[arg-type]


def by_picture(s: FlatSet, level: float, shadowed: float = GROUND, blur_px: float = 0.0) -> Break:
    """The same by pictures: the silhouette filled, and blurred by a Gaussian."""
    camera = s.move.camera(1005, WIDTH, HEIGHT)
    _, part, (x, y) = judge_of(s, level).outline(camera)
    cover = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    cover[y : y + part.shape[0], x : x + part.shape[1]] = part
    share = gaussian_filter(cover, blur_px) if blur_px else cover
    clean = np.full((HEIGHT, WIDTH, 3), GROUND, dtype=np.float32)
    seen = shadowed / GROUND * clean * (1.0 - share[..., None]) + level * share[..., None]
    return break_of(seen.astype(np.float32), clean, outline_of(cover, VIEWER), _Known().at(1.0), VIEWER)


@pytest.mark.parametrize(
    ("level", "shadowed", "blur_px"),
    [(0.235, GROUND, 0.0), (0.16, GROUND, 0.0), (0.3, GROUND, 6.0), (0.2, 0.16, 0.0), (0.235, GROUND, 0.5)],
    ids=["lighter", "darker", "out of focus", "shadow", "a little soft"],
)
def test_it_finds_what_pictures_show(flat: FlatSet, level: float, shadowed: float, blur_px: float) -> None:
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    fast = judge_of(flat, level, shadowed, blur_px).judge(camera, OwnPaint())
    wanted = by_picture(flat, level, shadowed, blur_px)
    assert fast.percent == pytest.approx(wanted.percent, abs=5.0 * PERCENT)
    assert 5.0 * PERCENT < wanted.percent < 97.0 * PERCENT


def test_blur_hides(flat: FlatSet) -> None:
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    sharp, soft = (judge_of(flat, 0.24, blur_px=px).judge(camera, OwnPaint()).percent for px in (0.0, 8.0))
    assert soft < sharp - 20.0 * PERCENT


def ramp(camera_of_picture) -> np.ndarray:
    """A wall that grows brighter to the right, as a camera sees its plane z = 0."""
    camera = camera_of_picture
    x, y = np.meshgrid(np.arange(camera.width_px) + 0.5, np.arange(camera.height_px) + 0.5)
    origins, directions = camera.rays(np.stack([x, y], axis=-1).reshape(-1, 2))
    at = origins[:, 0] - directions[:, 0] * origins[:, 2] / directions[:, 2]
    level = np.clip(0.2 + 0.5 * at, 0.02, 0.9).reshape(x.shape)
    return np.repeat(level[..., None], 3, axis=2).astype(np.float32)


def test_projected_paint_shows_what_it_hides_and_a_misprint_what_lies_beside(flat: FlatSet) -> None:
    """From the station point the bridge shows the wall behind it; moved by 20 mm, the wall that lies 20 mm times
    D / (D - z) beside (similar triangles)."""
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    fields = LayerFields(camera, ramp, VIEWER)
    near = Near(fields, fields, fields)
    points = np.tile(np.array([[[0.0, 0.0, 0.5]]]), (3, 1, 1))
    depth = camera.depth(points)
    paint = ContinuedWall(camera, flat.sight, "wall", fields)
    shown = paint.at(points, camera, depth, near).colour()[2, 0, 0]
    off = np.array([0.02, 0.0, 0.0])
    moved = Misprinted(paint, off).at(points, camera, depth, near).colour()[2, 0, 0]
    eye = camera.position

    def lightness(place: np.ndarray) -> float:
        x = eye[0] + (place[0] - eye[0]) * eye[2] / (eye[2] - place[2])
        return 116.0 * (0.2 + 0.5 * x) ** (1.0 / 3.0) - 16.0

    assert shown == pytest.approx(lightness(points[2, 0]), abs=0.15)
    assert moved == pytest.approx(lightness(points[2, 0] - off), abs=0.15)
    assert lightness(points[2, 0]) - lightness(points[2, 0] - off) > 1.0
