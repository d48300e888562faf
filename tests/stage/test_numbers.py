"""What a set made ready shows and is compared with, rule by rule, without drawing a set."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from previz import colour
from previz.camera import camera_for
from previz.geometry import rigid
from previz.judge.frame import Looks
from previz.look.blur import LensBlur
from previz.scene.move import Move
from previz.stage.delivering import _looks, as_moving, at_rest, seen_in
from previz.stage.looking import beside_doorway
from previz.stage.prepare import (
    Rectangle,
    bridge_texel,
    continues_wall,
    lighting_of,
    lit_wall,
    square_on,
    wall_in_light,
    wall_in_view,
)
from previz.stage.projected import facing, painted, wash_colour
from previz.workshop.light.bake import flat_light
from tests.search.flatset import GREY, NEAR, FlatSet, flat_set

MM = 1e-3


@pytest.fixture(scope="module")
def flat() -> FlatSet:
    return flat_set([], texture_px=16)


def soft(**changes) -> SimpleNamespace:
    """Blurred layers of one pixel: wall 0.4 in the bridge's shadow, 0.5 without, 0.3 of bridge covering 0.6 of it."""
    parts = {"wall": 0.4, "clean": 0.5, "bridge": 0.3} | changes
    layers = {name: np.full((1, 1, 3), value, np.float32) for name, value in parts.items()}
    return SimpleNamespace(cover=np.full((1, 1), 0.6, np.float32), **layers)


def test_a_blurred_frame_is_its_layers_one_over_the_other() -> None:
    """Light of the bridge is before black: 0.4 x (1 - 0.6) + 0.3. With right paint it shows the clean wall instead:
    0.4 x 0.4 + 0.5 x 0.6."""
    assert seen_in(soft()) == pytest.approx(np.full((1, 1, 3), 0.46))
    looks = _looks(soft())
    assert looks.seen == pytest.approx(np.full((1, 1, 3), 0.46))
    assert looks.clean == pytest.approx(np.full((1, 1, 3), 0.5))
    assert looks.right_paint == pytest.approx(np.full((1, 1, 3), 0.46))
    assert _looks(soft(bridge=0.9)).right_paint == pytest.approx(np.full((1, 1, 3), 0.46))
    assert seen_in(soft(bridge=0.9)) == pytest.approx(np.ones((1, 1, 3)))


def test_a_sharp_frame_with_right_paint_shows_what_it_hides() -> None:
    seen, clean = np.full((1, 2, 3), 0.2, np.float32), np.full((1, 2, 3), 1.4, np.float32)
    looks = Looks.sharp(seen, clean, np.array([[0.25, 0.0]], dtype=np.float32))
    # light beyond white is white
    assert looks.right_paint[0, :, 0] == pytest.approx([0.2 * 0.75 + 0.25, 0.2])


def blur(along_px: float, depth: float = 2.0, focus: float | None = None) -> LensBlur:
    """A camera that a point at ``depth`` runs so many px across while the shutter is open."""
    middle = camera_for([0.0, 0.0, depth], 0.0, 0.0, 0.0, 0.035, 0.035, 960, 540)
    step = along_px * depth / middle.focal_px
    moments = tuple(
        replace(middle, world_from_cam=rigid(np.eye(3), [s * step, 0.0, depth])) for s in (-0.5, 0.0, 0.5)
    )
    return LensBlur(middle, 0.035 / middle.focal_px, 0.035, 4.0, focus, 1.0, moments)


@pytest.mark.parametrize(("along_px", "steps"), [(0.9, 0), (1.2, 1), (4.5, 2), (7.2, 4)])
def test_frames_are_alike_whose_wall_moves_alike_to_two_pixels(along_px: float, steps: int) -> None:
    assert as_moving(blur(along_px), 2.0) == (steps, 0)
    assert as_moving(None, 2.0) == (0, 0)


def test_at_rest_focus_is_left_and_nothing_without_one() -> None:
    assert at_rest(blur(3.0)) is None
    still = at_rest(blur(3.0, focus=1.0))
    assert still is not None
    assert still.moments == ()
    assert still.focus == 1.0


def test_paint_stays_within_what_paint_can_do_and_says_how_much_does_not() -> None:
    """Under light 0.5 paint sends 0.015 to 0.45 (3 and 90 %): of four wanted levels two are out of its range."""
    target = np.repeat(np.array([[[0.2], [0.4], [0.6], [0.002]]], dtype=np.float32), 3, axis=2)
    light, wanted = np.full_like(target, 0.5), np.ones((1, 4), dtype=bool)
    made = painted(target, wanted, light, np.full(3, 0.1, np.float32))
    assert made.reflectance[0, :, 0] == pytest.approx([0.4, 0.8, 0.9, 0.03], abs=1e-6)
    assert made.radiance[0, :, 0] == pytest.approx([0.2, 0.4, 0.45, 0.015], abs=1e-6)
    assert made.out_of_range == pytest.approx(0.5)
    # of those that are counted, and where nothing is wanted the fallback
    some = np.array([[True, True, True, False]])
    assert painted(target, wanted, light, np.full(3, 0.1), some).out_of_range == pytest.approx(1.0 / 3.0)
    assert painted(target, some, light, np.full(3, 0.1)).reflectance[0, 3] == pytest.approx([0.1] * 3)
    # off by no more than one code value is right
    code = int(colour.encoded8(np.float32(0.45)))
    near = np.full((1, 1, 3), colour.decoded((code + 1.0) / 255.0), np.float32)
    assert painted(near, wanted[:, :1], light[:, :1], np.full(3, 0.1)).out_of_range == 0.0


def test_what_faces_the_station_point() -> None:
    texels = SimpleNamespace(
        points=np.zeros((1, 3, 3), np.float32),
        normals=np.array([[[0, 0, 1], [0, 0, -1], [0, 0, 1]]], dtype=np.float32),
        valid=np.array([[True, True, False]]),
    )
    assert facing(texels, np.array([0.3, 0.1, 1.0])).tolist() == [[True, False, False]]  # type: ignore[arg-type]


def test_a_wash_is_the_walls_mean_in_linear_light() -> None:
    picture = np.zeros((2, 2, 3), dtype=np.float32)
    picture[0] = (0.8, 0.4, 0.2)
    assert wash_colour(picture) == pytest.approx([0.4, 0.2, 0.1])


@pytest.mark.parametrize(
    ("paint", "image", "continues"),
    [("projected", None, True), ("solved", None, True), ("wash", None, False), ("bare", None, False),
     ("projected", "bridge.png", False)],
)  # fmt: skip
def test_which_paint_can_slip(flat: FlatSet, paint: str, image: str | None, continues: bool) -> None:
    bridge = flat.scene.bridge.model_copy(update={"paint": paint, "image": image})
    assert continues_wall(flat.scene.model_copy(update={"bridge": bridge})) is continues


def test_texels_of_the_bridge_are_two_thirds_of_a_pixel_at_its_near_end(flat: FlatSet) -> None:
    camera = flat.move.camera(flat.move.station_frame, 960)
    near = float(camera.depth(np.array([0.0, 0.0, NEAR])))
    assert bridge_texel(flat.scene, flat.move, 960) == pytest.approx(near / camera.focal_px * 2.0 / 3.0)
    assert bridge_texel(flat.scene, flat.move, 480) == pytest.approx(2.0 * near / camera.focal_px * 2.0 / 3.0)


def test_the_wall_looked_at_is_what_the_lens_sees_over_the_move() -> None:
    """A level camera at 1.5 m that travels 0.4 m: half a frame to either side of its two ends, by similar triangles,
    and no nearer to the wall's edges than a fiftieth of it."""
    rail = {"travel": 0.4, "frames": 20, "hold": (1001, 1010)}
    s = flat_set(
        [], camera={"position": (0.0, -0.2, 1.5), "lens": 0.08, "tilt": 0.0}, rail=rail, texture_px=16
    )
    first, last = (s.move.camera(frame) for frame in (s.move.frames[0], s.move.frames[-1]))
    half = 0.5 * first.width_px / first.focal_px * 1.5
    part = wall_in_view(s.move, s.wall)
    assert part.left == pytest.approx(min(first.position[0], last.position[0]) - half, abs=MM)
    assert part.right == pytest.approx(max(first.position[0], last.position[0]) + half, abs=MM)
    high = 0.5 * first.height_px / first.focal_px * 1.5
    assert (part.bottom, part.top) == pytest.approx((-0.2 - high, -0.2 + high), abs=MM)
    wide = flat_set([], camera={"position": (0.0, 0.35, 1.5), "lens": 0.01, "tilt": 0.0}, texture_px=16)
    part = wall_in_view(wide.move, wide.wall)
    assert (part.left, part.right, part.bottom, part.top) == pytest.approx((-0.96, 0.96, -0.968, 0.568))


def test_the_wall_square_on_is_as_large_as_asked_up_to_three_million_pixels() -> None:
    part = Rectangle(-0.5, -0.2, 0.7, 0.4)
    view = square_on(part, 500.0)
    assert (view.width_px, view.height_px, view.px_per_m) == (600, 300, 500.0)
    assert view.world_from_cam[:2, 3] == pytest.approx([0.1, 0.1])
    large = square_on(part, 5000.0)
    assert large.px_per_m == 5000.0
    assert large.width_px * large.height_px == pytest.approx(3e6, rel=1e-3)
    assert large.width_px / large.height_px == pytest.approx(2.0, rel=1e-2)


def test_nothing_in_the_doorway_counts_wherever_its_wall_stands() -> None:
    """100 pixels a metre, the part's upper left corner at (-0.5, 0.4) m."""
    wall = {"kind": "board", "sideways": 0.1, "doorway": {"width": 0.06, "height": 0.2, "sill": 0.05}}
    made = flat_set([], texture_px=16, wall=wall).scene.wall
    view = square_on(Rectangle(-0.5, -0.2, 0.7, 0.4), 100.0)
    cover = np.ones((view.height_px, view.width_px), np.float32)
    left = beside_doorway(cover, view, made.opening)
    rows, columns = np.nonzero(left == 0.0)
    # from 0.25 to 0.05 m up, from 0.07 to 0.13 m across
    assert (rows.min(), rows.max()) in {(14, 35), (15, 35), (15, 34), (14, 34)}
    assert (columns.min(), columns.max()) in {(56, 63), (57, 63), (57, 62), (56, 62)}
    assert beside_doorway(cover, view, None) is cover


def test_white_is_what_a_card_sends_in_all_lamps_and_ambient_light() -> None:
    lamp = {"name": "key", "position": (0.0, 1.0, 1.0), "aim": (0.0, 0.0, 0.0), "lux": 700.0}
    s = flat_set([lamp, lamp | {"name": "fill", "lux": 100.0}], ambient=200.0, texture_px=16)
    assert lighting_of(s.scene).reference == 1000.0


def test_a_wall_in_half_the_light_shows_half_its_reflectance(flat: FlatSet) -> None:
    s = flat_set([], ambient=0.0, texture_px=16)
    built = SimpleNamespace(wall=s.wall)
    light = replace(flat_light(s.lighting), wall=np.full((1, 1, 3), 0.5, np.float32))
    made = wall_in_light(s.lighting, built.wall, light, s.bridge)
    assert int(made.clean.code[3, 3, 0]) == int(colour.encoded8(np.float32(GREY)))
    assert int(made.shadowed.code[3, 3, 0]) == int(colour.encoded8(np.float32(0.5 * GREY)))
    assert made.shadows
    assert isinstance(s.move, Move)


def test_a_set_that_nothing_lights_has_no_shadow() -> None:
    from previz.workshop.set import build_set
    from tests.workshop.sets import scene

    made = scene({"kind": "board", "triangles": 2000, "texture_px": 64})
    built = build_set(made, 0.004)
    wall = lit_wall(made, built, None)  # type: ignore[arg-type]
    assert not wall.shadows
    assert wall.clean.code is wall.shadowed.code
