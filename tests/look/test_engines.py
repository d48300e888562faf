"""What both engines must draw: against closed forms, and against each other.

The engines share the cameras and the arithmetic of a pixel, nothing else: one rasterises with OpenGL, the
other casts rays.
"""

import numpy as np
import pytest

from previz.camera import Camera
from previz.colour import decoded8
from previz.geometry import inverse_rigid
from previz.look.blocks import BLOCK, boxes_of, runs_in_view
from previz.look.blur import cut
from previz.look.clip import clip_from_cam
from previz.look.sight import SightEngine
from previz.workshop.surface import BRIDGE, NOTHING, SUPPORT, WALL
from tests.look.conftest import pictures_or_skip
from tests.look.sets import (
    MM,
    VIEWS,
    ball,
    blotches,
    box,
    bumpy_wall,
    difference,
    facing,
    flat_code,
    lens,
    mirrored,
    quad_corner,
)


def slab():
    return box((-0.06, -0.03, 0.0), (0.06, 0.0, 0.8), code=blotches(52, 37, 8))


# the two against each other


@pytest.fixture
def wall_and_slab():
    return [bumpy_wall(steps=100), slab()]


@pytest.mark.parametrize("view", VIEWS)
def test_engines_agree(view, wall_and_slab, pictures, sight):
    pictures.load(wall_and_slab)
    sight.load(wall_and_slab)
    names = ["wall", "bridge"]
    found = difference(
        sight.draw(VIEWS[view], names, depth=True), pictures.draw(VIEWS[view], names, depth=True)
    )
    assert found.agrees(), found
    assert found.smooth_share > 0.5


@pytest.mark.parametrize("view", VIEWS)
def test_the_comparison_can_fail(view, wall_and_slab, pictures, sight):
    """A camera one pixel aside is found out, by the outline, the depth and the colour."""
    pictures.load(wall_and_slab)
    sight.load(wall_and_slab)
    names = ["wall", "bridge"]
    camera = VIEWS[view]
    if isinstance(camera, Camera):
        aside = lens(shift_right=0.0015 + 0.0359 / camera.width_px)
    else:
        turn = camera.world_from_cam.copy()
        turn[:3, 3] += turn[:3, 0] / camera.px_per_m
        aside = type(camera)(turn, camera.px_per_m, camera.width_px, camera.height_px)
    found = difference(sight.draw(camera, names, depth=True), pictures.draw(aside, names, depth=True))
    assert found.layer_share > 1e-3
    assert found.depth > 0.5 * MM
    assert found.de00 > 1.0


def test_engines_agree_on_a_ball(pictures, sight):
    camera = lens(160, 90, focal=0.2, pan=-0.05, tilt=-0.12, shift_right=0.0, shift_up=0.0)
    for engine in (pictures, sight):
        engine.load([ball(0.1, 128)])
    found = difference(sight.draw(camera, ["ball"], depth=True), pictures.draw(camera, ["ball"], depth=True))
    assert found.agrees(), found


# closed forms


def test_depth_is_measured_along_the_axis(engine):
    """A board square to the axis is as deep in the corner of the frame as in the middle."""
    engine.load([box((-2.0, -2.0, -0.1), (2.0, 2.0, 0.0))])
    camera = lens(64, 36, position=(0.0, 0.0, 1.25), pan=0.0, tilt=0.0)
    depth = engine.draw(camera, ["bridge"], depth=True).depth
    assert depth.dtype == np.float32
    assert np.abs(depth - 1.25).max() < 1e-6
    depth = engine.draw(facing(10.0, 64, 36), ["bridge"], depth=True).depth
    board = np.abs(depth[36]) > 0.0
    # 4 m at 10 px/m and two samples to the pixel
    assert board.sum() == 80
    assert np.abs(depth[36][board] - 2.0).max() < 1e-6
    assert np.all(depth[36][~board] == 0.0)


def test_depth_of_a_sphere(engine):
    radius, segments = 0.1, 256
    engine.load([ball(radius, segments)])
    camera = lens(120, 68, focal=0.25, position=(0.0, 0.0, 1.25), pan=0.0, tilt=0.0, shift_right=0.0, shift_up=0.0)
    view = engine.draw(camera, ["ball"], samples=1, depth=True)
    _, directions = camera.rays(np.stack(np.meshgrid(np.arange(120) + 0.5, np.arange(68) + 0.5), axis=-1))
    # |o + t d|^2 = r^2 with o = (0, 0, 1.25), then along the axis
    b = 1.25 * directions[..., 2]
    root = b * b - 1.25**2 + radius**2
    met = root > (0.02**2)
    wanted = (-b - np.sqrt(np.maximum(root, 0.0))) * -directions[..., 2]
    assert np.all(view.layer[met] == BRIDGE)
    assert np.all(view.layer[root < 0.0] == NOTHING)
    # the ball's faces lie at most this far inside it, seen at a slant
    sag = radius * (1.0 - np.cos(np.pi / segments) ** 2) * radius / 0.02
    wrong = view.depth[met] - wanted[met]
    assert wrong.min() > -1e-6
    assert wrong.max() < 1.1 * sag


@pytest.mark.parametrize("view", VIEWS)
def test_a_corner_lands_where_the_camera_projects_it(view, engine):
    camera = VIEWS[view]
    # a sheet of card: its left top corner is near the middle of the frame, the others outside it
    engine.load([box((0.0, -2.9, -1e-5), (3.0, 0.1, 0.0))])
    wanted = camera.project((0.0, 0.1, 0.0))
    assert np.all(np.abs(wanted - (160, 90)) < 60)
    cover = engine.draw(camera, ["bridge"], samples=4).cover(BRIDGE).astype(np.float64)
    row, column = np.floor(wanted).astype(int)[::-1]
    found = quad_corner(cover, (row + 6, row + 36), (column + 6, column + 46))
    assert np.abs(found - wanted).max() < 0.05


def test_samples_lie_on_a_regular_grid(engine):
    """A board ends at 10.3 px: of four sample columns (.125, .375, .625, .875) it covers one."""
    engine.load([box((-1.0, -1.0, -0.1), (0.003, 1.0, 0.0))])
    view = engine.draw(facing(100.0, 20, 4), ["bridge"], samples=4)
    assert view.layer.shape == (16, 80)
    assert view.cover(BRIDGE)[2, 9:12].tolist() == [1.0, 0.25, 0.0]
    assert engine.draw(facing(100.0, 20, 4), ["bridge"], samples=1).cover(BRIDGE)[2, 9:12].tolist() == [1, 0, 0]


def test_colours_mix_in_linear_light(engine):
    engine.load(
        [
            box((-1.0, -1.0, -0.1), (0.0, 1.0, 0.0), "left", WALL, flat_code(0, 0, 0)),
            box((0.0, -1.0, -0.1), (1.0, 1.0, 0.0), "right", BRIDGE, flat_code(255, 255, 255)),
        ]
    )
    colour = engine.draw(facing(10.0, 3, 3), ["left", "right"], samples=2).colour
    assert colour.dtype == np.float32
    assert np.allclose(colour[1, :, 0], [0.0, 0.5, 1.0], atol=1e-6)


def test_background_is_kept_as_given(engine):
    engine.load([slab()])
    view = engine.draw(facing(100.0, 40, 30), ["bridge"], background=(0.123456, 0.5, 0.00789))
    assert np.allclose(view.colour[0, 0], (0.123456, 0.5, 0.00789), atol=1e-7)
    assert view.layer[0, 0] == NOTHING
    assert view.depth is None
    empty = engine.draw(facing(100.0, 40, 30), [], depth=True)
    assert not empty.layer.any()
    assert not empty.depth.any()


def test_a_set_behind_the_camera_is_not_seen(engine):
    engine.load([slab()])
    for camera in (lens(40, 30, position=(0.0, 0.0, -1.0)), facing(100.0, 40, 30, away=-1.0)):
        assert not engine.draw(camera, ["bridge"]).layer.any()


@pytest.mark.parametrize("size", [(23, 37), (16, 24), (1, 5)])
def test_a_texture_comes_back_texel_by_texel(engine, size):
    """A board drawn so that each pixel is one texel; widths that are no multiple of four too."""
    height, width = size
    rng = np.random.default_rng(9)
    code = rng.integers(0, 256, (height, width, 3), dtype=np.uint8)
    engine.load([box((-width / 200, -height / 200, -0.1), (width / 200, height / 200, 0.0), code=code)])
    view = engine.draw(facing(100.0, width, height), ["bridge"], samples=1)
    assert np.all(view.layer == BRIDGE)
    # a card's filter works to 1/256 of a texel: at a texel's centre it may take as much from the next one
    assert np.abs(view.colour - decoded8(code)).max() < 0.02
    assert np.mean(np.abs(view.colour - decoded8(code)) < 1e-6) > 0.9


def test_which_way_up(engine):
    """The first texel of the first row is red: it shows at the left top of a face seen from in front."""
    code = flat_code(0, 0, 255, 6, 8)
    code[0, 0] = (255, 0, 0)
    code[0, -1] = (0, 255, 0)
    engine.load([box((-0.4, -0.3, -0.1), (0.4, 0.3, 0.0), code=code)])
    colour = engine.draw(facing(100.0, 80, 60), ["bridge"], samples=1).colour
    assert colour[2, 2].tolist() == [1.0, 0.0, 0.0]
    assert colour[2, -3].tolist() == [0.0, 1.0, 0.0]
    assert colour[-3, 2].tolist() == colour[-3, -3].tolist() == [0.0, 0.0, 1.0]


def test_layer_numbers_come_back_unchanged(engine):
    layers = (WALL, BRIDGE, SUPPORT, 77, 128, 254, 255)
    boards = [box((i, -1, -0.1), (i + 1, 1, 0.0), f"board {n}", n) for i, n in enumerate(layers)]
    engine.load(boards)
    camera = facing(10.0, 140, 20)
    row = engine.draw(camera, [b.name for b in boards], samples=1).layer[10]
    assert row.dtype == np.uint8
    assert row.tolist() == [0] * 70 + [n for n in layers for _ in range(10)]


def test_only_named_surfaces_are_drawn(engine):
    engine.load([bumpy_wall(steps=20), slab()])
    assert set(np.unique(engine.draw(lens(), ["wall"]).layer)) == {WALL}
    assert set(np.unique(engine.draw(lens(), ["bridge"]).layer)) == {NOTHING, BRIDGE}
    with pytest.raises(KeyError):
        engine.draw(lens(), ["support"])


def test_a_mirrored_set_gives_the_mirrored_picture(engine):
    names = ["wall", "bridge"]
    things = [bumpy_wall(steps=40), slab()]
    engine.load(things)
    plain = engine.draw(lens(), names, depth=True)
    engine.load([mirrored(thing) for thing in things])
    turned = engine.draw(lens(side=-1.0), names, depth=True)
    turned = type(turned)(turned.colour[:, ::-1], turned.layer[:, ::-1], turned.depth[:, ::-1], turned.samples)
    found = difference(plain, turned)
    assert found.agrees(), found


def test_the_same_bytes_twice(engine):
    names = ["wall", "bridge"]
    things = [bumpy_wall(steps=40), slab()]
    drawn = []
    for _ in range(2):
        engine.load(things)
        view = engine.draw(lens(), names, depth=True)
        drawn.append((view.colour.tobytes(), view.layer.tobytes(), view.depth.tobytes()))
    assert drawn[0] == drawn[1]
    assert engine.draw(lens(), names).colour.tobytes() == drawn[0][0]


def test_repaint(engine):
    engine.load([bumpy_wall(steps=20), slab()])
    before = engine.draw(lens(), ["wall", "bridge"], samples=1)
    engine.repaint("bridge", flat_code(10, 200, 30, 52, 37))
    after = engine.draw(lens(), ["wall", "bridge"], samples=1)
    bridge = before.layer == BRIDGE
    assert np.array_equal(before.layer, after.layer)
    assert np.allclose(after.colour[bridge], decoded8(np.array([10, 200, 30], dtype=np.uint8)), atol=1e-6)
    assert np.array_equal(before.colour[~bridge], after.colour[~bridge])
    with pytest.raises(ValueError, match="painted"):
        engine.repaint("bridge", flat_code(0, 0, 0, 52, 38))
    with pytest.raises(KeyError):
        engine.repaint("support", flat_code(0, 0, 0))


def test_surfaces_of_one_geometry_keep_their_own_pictures(engine):
    wall = bumpy_wall(steps=20, code=flat_code(255, 255, 255))
    shaded = type(wall)("wall in shadow", wall.surface, flat_code(0, 0, 0))
    engine.load([wall, shaded])
    assert engine.draw(lens(), ["wall"]).colour.min() == 1.0
    assert engine.draw(lens(), ["wall in shadow"]).colour.max() == 0.0
    with pytest.raises(ValueError, match="name"):
        engine.load([wall, wall])


def test_a_second_picture_at_the_same_time_is_as_drawn_by_itself(engine):
    wall = bumpy_wall(steps=40)
    shaded = type(wall)("wall in shadow", wall.surface, blotches(*wall.code.shape[:2], seed=5))
    engine.load([wall, shaded, slab()])
    for camera in VIEWS.values():
        one, two = engine.draw(camera, ["wall"], depth=True), engine.draw(camera, ["wall in shadow"])
        both = engine.draw(camera, ["wall"], depth=True, other="wall in shadow")
        assert both.other is not None
        assert one.other is None
        assert np.array_equal(both.colour, one.colour)
        assert np.array_equal(both.other, two.colour)
        assert np.array_equal(both.layer, one.layer)
        assert np.array_equal(both.depth, one.depth)
    for names, other in ((["wall"], "bridge"), (["wall", "bridge"], "wall in shadow")):
        with pytest.raises(ValueError, match="mesh"):
            engine.draw(lens(), names, other=other)


# what OpenGL alone can get wrong


@pytest.mark.parametrize("view", VIEWS)
def test_blocks_out_of_view_are_none_that_show(view):
    """Every block of triangles that is left out has all its corners, pixel by pixel, outside the frame."""
    wall = bumpy_wall(steps=120)
    camera = cut(VIEWS[view], 20, 10, 60, 40) if isinstance(VIEWS[view], Camera) else VIEWS[view]
    mesh = wall.surface
    boxes = boxes_of(mesh.vertices, mesh.faces)
    assert boxes.shape == (-(-len(mesh.faces) // BLOCK), 8, 3)
    tile = (0, 0, camera.width_px, camera.height_px)
    clip = clip_from_cam(camera, tile, camera.depth(mesh.vertices)) @ inverse_rigid(camera.world_from_cam)
    first, count = runs_in_view(boxes, len(mesh.faces), clip)
    drawn = np.zeros(len(mesh.faces), dtype=bool)
    for start, many in zip(first, count, strict=True):
        drawn[start : start + many] = True
    # by the camera's own projection: all of a triangle on one side of the frame
    x, y = np.moveaxis(camera.project(mesh.vertices[mesh.faces]), -1, 0)
    front = (camera.depth(mesh.vertices[mesh.faces]) > 0.0).all(axis=1)
    inside = front & (x.max(axis=1) > 0) & (x.min(axis=1) < camera.width_px)
    inside &= (y.max(axis=1) > 0) & (y.min(axis=1) < camera.height_px)
    assert not (inside & ~drawn).any()
    if isinstance(VIEWS[view], Camera):
        assert 0 < drawn.sum() < 0.6 * len(drawn)


def test_tiles_join_without_a_seam(pictures):
    pictures.load([bumpy_wall(steps=60), slab()])
    names = ["wall", "bridge"]
    for camera in VIEWS.values():
        pictures.tile_px = 8192
        whole = pictures.draw(camera, names, depth=True)
        pictures.tile_px = 150
        tiles = pictures.draw(camera, names, depth=True)
        assert np.mean(whole.layer != tiles.layer) < 1e-4
        assert difference(whole, tiles).agrees()


def test_a_frame_wider_than_a_card_can_draw(pictures, sight):
    names = ["bridge"]
    camera = lens(4250, 3, roll=0.0, tilt=-0.18)
    for engine in (pictures, sight):
        engine.load([slab()])
    found = difference(sight.draw(camera, names, depth=True), pictures.draw(camera, names, depth=True))
    assert found.agrees(), found


def test_engines_share_a_process_and_come_and_go():
    names = ["bridge"]
    first = pictures_or_skip()
    first.load([slab()])
    wanted = first.draw(lens(), names).colour.tobytes()
    for size in ((40, 30), (700, 500), (320, 180)):
        other = pictures_or_skip()
        other.load([box((-1, -1, -1), (1, 1, 0))])
        other.draw(lens(*size), names)
        other.close()
        assert first.draw(lens(), names).colour.tobytes() == wanted
    first.close()
    first.close()
    with pytest.raises(KeyError):
        first.draw(lens(), names)


def test_which_driver_drew_the_frames(pictures):
    assert pictures.name == "pictures"
    assert pictures.driver.strip()
    assert (SightEngine.name, SightEngine.driver) == ("sight lines", "numba")
