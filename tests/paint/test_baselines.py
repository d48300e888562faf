"""Published paints on sets whose right paint is known by hand.

The wall is the plane z = 0, the bridge a slab in front of it with its face parallel to the wall at z = GAP. From a lens
at height z = AWAY the point (x, y, GAP) of the face hides the wall point lens + (point - lens) * AWAY / (AWAY - GAP):
similar triangles (Thales). The wall's picture is a ramp, so what is hidden there is known without any ray.
"""

from __future__ import annotations

import numpy as np
import pytest

from previz import colour
from previz.camera import camera_for
from previz.look.sight import SightLines
from previz.paint.baselines import (
    BASELINES,
    ManyViewPaint,
    WallViews,
    faces,
    greedy,
    labelling,
    mean,
    random,
    single,
    uniform,
    unseen,
    wall_views,
)
from previz.stage.projected import hidden_wall, painted
from previz.workshop.surface import BRIDGE, WALL, LitSurface, Surface
from previz.workshop.texels import texel_points

MM = 1e-3
CODE_VALUE = 1.0 / 255.0
WALL_SIDE, FACE_SIDE, GAP, AWAY = 2.0, 0.2, 0.3, 1.5
FACE_PX = 40


def flat_wall() -> LitSurface:
    """The plane z = 0 showing a ramp: code value 40 + 170 (x / WALL_SIDE + 1/2) in red, the same of y in green."""
    n = 512
    ramp = 40.0 + 170.0 * (np.arange(n) + 0.5) / n
    code = np.zeros((n, n, 3), dtype=np.uint8)
    code[..., 0] = np.rint(ramp)[None, :]
    code[..., 1] = np.rint(ramp)[::-1, None]
    code[..., 2] = 128
    s = WALL_SIDE / 2
    vertices = np.array([[-s, -s, 0], [s, -s, 0], [s, s, 0], [-s, s, 0]], dtype=np.float64)
    uv = np.array([[0, 1], [1, 1], [1, 0], [0, 0]], dtype=np.float32)
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    surface = Surface("wall", WALL, vertices, faces, uv, np.zeros((1, 1, 3), np.float32))
    return LitSurface("clean wall", surface, code)


def box_bridge() -> Surface:
    """A cube before the wall, its front face at z = GAP; six charts of FACE_PX texels with four free ones between."""
    s, near, far = FACE_SIDE / 2, GAP, GAP - FACE_SIDE
    corner = {
        (i, j, k): np.array([x, y, z])
        for i, x in enumerate((-s, s))
        for j, y in enumerate((-s, s))
        for k, z in enumerate((far, near))
    }
    # each face's corners from its chart's top left, going round as seen from outside: down, right, up
    rings = [
        [(0, 1, 1), (0, 0, 1), (1, 0, 1), (1, 1, 1)],  # front
        [(0, 1, 0), (0, 1, 1), (1, 1, 1), (1, 1, 0)],  # top
        [(0, 0, 1), (0, 0, 0), (1, 0, 0), (1, 0, 1)],  # underside
        [(0, 1, 0), (0, 0, 0), (0, 0, 1), (0, 1, 1)],  # left
        [(1, 1, 1), (1, 0, 1), (1, 0, 0), (1, 1, 0)],  # right
        [(1, 1, 0), (1, 0, 0), (0, 0, 0), (0, 1, 0)],  # back
    ]
    cell = FACE_PX + 8
    width, height = 6 * cell, cell
    vertices, uv, faces = [], [], []
    for n, ring in enumerate(rings):
        left, top = n * cell + 4, 4
        at = [(left, top), (left, top + FACE_PX), (left + FACE_PX, top + FACE_PX), (left + FACE_PX, top)]
        first = len(vertices)
        vertices += [corner[key] for key in ring]
        uv += [(x / width, y / height) for x, y in at]
        faces += [[first, first + 1, first + 2], [first, first + 2, first + 3]]
    return Surface(
        "bridge",
        BRIDGE,
        np.array(vertices),
        np.array(faces, dtype=np.int32),
        np.array(uv, dtype=np.float32),
        np.zeros((height, width, 3), dtype=np.float32),
    )


def chart(number: int) -> tuple[slice, slice]:
    """The texels of a face: 0 front, 1 top, 2 underside, 3 left, 4 right, 5 back."""
    left = number * (FACE_PX + 8) + 4
    return np.s_[4 : 4 + FACE_PX, left : left + FACE_PX]


def lens(x: float, y: float = 0.0, wide: float = 0.035):
    """A lens at (x, y, AWAY) that looks straight at the wall."""
    return camera_for([x, y, AWAY], 0.0, 0.0, 0.0, wide, 0.0359, 960, 540)


@pytest.fixture(scope="module")
def set_of_box():
    wall, bridge = flat_wall(), box_bridge()
    texels = texel_points(bridge, bridge.reflectance.shape[1], bridge.reflectance.shape[0])
    lit = LitSurface("bridge", bridge, np.zeros((1, 1, 3), np.uint8))
    return texels, SightLines([wall, lit]), wall.code


def seen_from(set_of_box, *cameras) -> WallViews:
    texels, sight, code = set_of_box
    return wall_views(texels, cameras, sight, "clean wall", "bridge", code)


def ramp_at(x: np.ndarray) -> np.ndarray:
    return (40.0 + 170.0 * (x / WALL_SIDE + 0.5)) / 255.0


def test_front_face_takes_the_wall_that_similar_triangles_say(set_of_box) -> None:
    texels, _, _ = set_of_box
    views = seen_from(set_of_box, lens(0.1))
    face = chart(0)
    x = 0.1 + (texels.points[face][..., 0] - 0.1) * AWAY / (AWAY - GAP)
    got = colour.encoded(views.wall[0][face])[..., 0]
    assert np.abs(got - ramp_at(x)).max() <= 1.0 * CODE_VALUE
    assert views.seen[0][face].all()


def test_what_is_seen_is_what_geometry_says(set_of_box) -> None:
    # the lens stands level with the middle of the cube and 0.3 m to the right: front and right face, nothing else
    views = seen_from(set_of_box, lens(0.3))
    shares = [float(views.seen[0][chart(n)].mean()) for n in range(6)]
    assert shares == [1.0, 0.0, 0.0, 0.0, 1.0, 0.0]


def test_facing_is_the_cosine_to_the_normal(set_of_box) -> None:
    texels, _, _ = set_of_box
    views = seen_from(set_of_box, lens(0.3))
    point = texels.points[chart(4)].astype(np.float64)
    towards = np.array([0.3, 0.0, AWAY]) - point
    wanted = towards[..., 0] / np.linalg.norm(towards, axis=-1)
    assert views.facing[0][chart(4)] == pytest.approx(wanted, abs=1e-5)


def test_out_of_frame_is_not_seen(set_of_box) -> None:
    # 200 mm lens: the frame is 1.2 m * 35.9 / 200 = 215 mm wide at the face, moved 100 mm aside it shows its right half
    texels, _, _ = set_of_box
    views = seen_from(set_of_box, lens(0.1, wide=0.2))
    x = texels.points[chart(0)][..., 0]
    left_edge = 0.1 - 0.5 * (AWAY - GAP) * 35.9 / 200.0
    y_edge = 0.5 * (AWAY - GAP) * 35.9 / 200.0 * 540 / 960
    inside = (x > left_edge + 6 * MM) & (np.abs(texels.points[chart(0)][..., 1]) < y_edge - 6 * MM)
    outside = x < left_edge - 6 * MM
    assert outside.any()
    assert views.seen[0][chart(0)][inside].all()
    assert not views.seen[0][chart(0)][outside].any()


def test_what_stands_in_front_hides(set_of_box) -> None:
    texels, _, code = set_of_box
    wall, bridge = flat_wall(), box_bridge()
    board = LitSurface(
        "board",
        Surface(
            "board",
            WALL,
            np.array([[-1.0, -1, 0.6], [0, -1, 0.6], [0, 1, 0.6], [-1, 1, 0.6]]),
            np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32),
            np.zeros((4, 2), np.float32),
            np.zeros((1, 1, 3), np.float32),
        ),
        np.zeros((1, 1, 3), np.uint8),
    )
    # a wall that is its own obstacle: the board and the plane as one mesh named "clean wall"
    v = np.concatenate([wall.surface.vertices, board.surface.vertices])
    f = np.concatenate([wall.surface.faces, board.surface.faces + 4])
    uv = np.concatenate([wall.surface.uv, board.surface.uv])
    both = LitSurface("clean wall", Surface("wall", WALL, v, f, uv, np.zeros((1, 1, 3), np.float32)), code)
    sight = SightLines([both, LitSurface("bridge", bridge, np.zeros((1, 1, 3), np.uint8))])
    views = wall_views(texels, [lens(0.0)], sight, "clean wall", "bridge", code)
    x = texels.points[chart(0)][..., 0]
    assert not views.seen[0][chart(0)][x < -6 * MM].any()
    assert views.seen[0][chart(0)][x > 6 * MM].all()


@pytest.mark.parametrize("paint", [mean, random, greedy])
def test_from_one_view_it_is_projected_paint(set_of_box, paint) -> None:
    texels, sight, code = set_of_box
    camera = lens(0.15, 0.2)
    views = seen_from(set_of_box, camera)
    made = paint(views)
    target, _ = hidden_wall(texels, camera.position, sight, "clean wall", code)
    assert np.array_equal(made.wanted, views.seen[0])
    assert np.array_equal(made.target[made.wanted], target[made.wanted])


def test_single_is_projected_paint_everywhere(set_of_box) -> None:
    texels, sight, code = set_of_box
    front, corner = lens(0.0), lens(0.3, 0.3)
    views = seen_from(set_of_box, front, corner)
    made = single(views)
    target, found = hidden_wall(texels, corner.position, sight, "clean wall", code)
    # the corner view sees three faces, the other one
    assert np.array_equal(made.wanted, found)
    assert np.array_equal(made.target[found], target[found])
    assert set(np.unique(made.view[found])) == {1}


def test_mean_of_two_views_is_half_their_sum(set_of_box) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.3))
    made = mean(views)
    front, left, right = chart(0), chart(3), chart(4)
    assert made.target[front] == pytest.approx(0.5 * (views.wall[0][front] + views.wall[1][front]), abs=1e-6)
    # what one view alone sees is that view's
    assert np.array_equal(made.target[left], views.wall[0][left])
    assert np.array_equal(made.target[right], views.wall[1][right])
    assert (made.view == -1).all()


def test_mean_has_less_contrast_than_either_view() -> None:
    # independent pictures: the variance of the mean of n is 1/n of theirs (textbook); 4 % is three standard errors
    rng = np.random.default_rng(5)
    count = 6
    wall = rng.normal(0.5, 0.1, (count, 100, 100, 3)).astype(np.float32)
    everywhere = np.ones((count, 100, 100), dtype=bool)
    views = WallViews(wall, everywhere, everywhere, everywhere.astype(np.float32), everywhere, everywhere[0])
    assert mean(views).target.std() == pytest.approx(0.1 / np.sqrt(count), rel=0.04)
    assert random(views, 3).target.std() == pytest.approx(0.1, rel=0.04)


def test_uniform_is_one_colour_and_the_mean_of_all_that_is_seen(set_of_box) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.3))
    made = uniform(views)
    assert np.ptp(made.target.reshape(-1, 3), axis=0).max() == 0.0
    assert made.target[0, 0] == pytest.approx(views.wall[views.seen].mean(axis=0, dtype=np.float64), abs=1e-6)
    assert np.array_equal(made.wanted, views.on_bridge)


def test_random_order_is_the_seeds_and_the_first_view_keeps_all_it_sees(set_of_box) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.0), lens(0.3))
    firsts = set()
    for seed in range(12):
        made = random(views, seed)
        assert np.array_equal(made.view, random(views, seed).view)
        first = int(made.view[chart(0)][20, 20])
        firsts.add(first)
        assert (made.view[views.seen[first]] == first).all()
    assert firsts == {0, 1, 2}


def test_greedy_begins_with_the_view_that_covers_most(set_of_box) -> None:
    # straight on: one face. From the upper right: front, top and right face, the last two seen within 70 degrees
    steep, front = lens(0.9, 0.9, wide=0.012), lens(0.0)
    views = seen_from(set_of_box, front, steep)
    least = float(np.cos(np.radians(70.0)))
    assert (views.facing[1][chart(1)] > least).all()
    made = greedy(views)
    for face in (0, 1, 4):
        assert (made.view[chart(face)] == 1).all()


def test_greedy_refuses_what_is_seen_too_steeply_until_nothing_else_is_left(set_of_box) -> None:
    # 0.3 m aside the right face is seen at 81 to 84 degrees from its normal: no view may fill it in the first round
    views = seen_from(set_of_box, lens(0.3), lens(0.9, 0.0, wide=0.012))
    side = chart(4)
    assert (views.facing[0][side] < np.cos(np.radians(70.0))).all()
    assert (views.facing[1][side] > np.cos(np.radians(70.0))).all()
    assert (greedy(views).view[side] == 1).all()
    alone = seen_from(set_of_box, lens(0.3))
    assert (greedy(alone).view[side] == 0).all()


def test_texels_that_no_view_sees_are_told_and_left_bare(set_of_box) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.3))
    missing = unseen(views)
    for face in (0, 3, 4):
        assert not missing[chart(face)].any()
    for face in (1, 2, 5):
        assert missing[chart(face)].all()
    assert not missing[~views.on_bridge].any()
    for paint in (mean, random, greedy):
        assert not paint(views).wanted[missing].any()


def test_beside_the_outline_lies_what_is_within_the_band(set_of_box) -> None:
    # level with the cube's middle and straight before it only the front face is seen: its outline is the silhouette
    texels, _, _ = set_of_box
    views = seen_from(set_of_box, lens(0.0))
    point = texels.points[chart(0)]
    inwards = FACE_SIDE / 2 - np.abs(point[..., :2]).max(axis=-1)
    # a pixel at the face is this many metres (similar triangles)
    pixel = (AWAY - GAP) * 0.0359 / (0.035 * 960)
    band = 4.0 * pixel
    on = views.on_outline[0][chart(0)]
    assert on[inwards < band - pixel].all()
    assert not on[inwards > band + pixel].any()
    assert not views.on_outline[0][chart(4)].any()


def test_an_edge_between_two_faces_that_are_seen_is_no_outline(set_of_box) -> None:
    # from the right the front and the right face are seen; the edge between them lies inside the silhouette
    texels, _, _ = set_of_box
    views = seen_from(set_of_box, lens(0.5, wide=0.02))
    point = texels.points[chart(0)]
    middle = np.abs(point[..., 1]) < 0.5 * FACE_SIDE / 2
    right, left = point[..., 0] > FACE_SIDE / 2 - 6 * MM, point[..., 0] < -FACE_SIDE / 2 + 6 * MM
    assert not views.on_outline[0][chart(0)][middle & right].any()
    assert views.on_outline[0][chart(0)][middle & left].all()


def outline_error(views: WallViews, made: ManyViewPaint, face: tuple[slice, slice]) -> float:
    """Mean difference, on the outlines of all views, between a painted face and what each should see there."""
    got = colour.encoded(made.target[face])
    differences = [
        np.abs(got - colour.encoded(views.wall[v][face]))[views.on_outline[v][face]] for v in range(len(views))
    ]
    return float(np.concatenate(differences).mean())


def test_every_face_takes_the_one_view_that_shows_least_on_the_outline(set_of_box) -> None:
    # an odd number of views: on a ramp the middle one errs least, and of an even number two would do equally well
    views = seen_from(set_of_box, lens(-0.3), lens(-0.1), lens(0.05), lens(0.3), lens(0.4))
    made = faces(views)
    for face in (0, 3, 4):
        number = np.unique(made.view[chart(face)])
        assert len(number) == 1
        seen = [v for v in range(5) if views.seen[v][chart(face)].all()]
        # by trying them all
        errors = {}
        for v in seen:
            alone = ManyViewPaint(views.wall[v], views.behind[v], made.view)
            errors[v] = outline_error(views, alone, chart(face))
        assert int(number[0]) == min(errors, key=lambda v: errors[v])
    for face in (1, 2, 5):
        assert not made.wanted[chart(face)].any()


def test_labels_by_texel_take_a_view_that_sees_them(set_of_box) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.05), lens(0.3))
    made = labelling(views)
    on = views.seen.any(axis=0)
    assert np.array_equal(made.view >= 0, on)
    row, column = np.nonzero(on)
    assert views.seen[made.view[on], row, column].all()
    # without seams and outline every texel has the view that it faces most
    nearest = labelling(views, seams=0.0, outline=0.0)
    assert np.array_equal(nearest.view[on], np.where(views.seen, views.facing, -1.0).argmax(axis=0)[on])


# the larger map is first labelled in blocks
@pytest.mark.parametrize("side", [40, 200])
def test_a_seam_lies_where_two_views_look_alike(side) -> None:
    # left of the middle the first view faces the texels better, right of it the second; the two differ everywhere but
    # in two columns a little to the right, where a seam costs nothing: there it lies, straight, and nowhere else
    alike = side // 2 + 3
    column = np.arange(side)
    rng = np.random.default_rng(2)
    picture = rng.uniform(0.2, 0.4, (side, side, 3))
    other = np.where(np.isin(column, (alike, alike + 1))[None, :, None], picture, picture + 0.3)
    better = 0.002 * (column - (side - 1) / 2)
    facing = np.stack([np.broadcast_to(0.8 - way * better, (side, side)) for way in (1.0, -1.0)])
    seen = np.ones((2, side, side), dtype=bool)
    views = WallViews(
        np.stack([picture, other]).astype(np.float32), seen, seen, facing.astype(np.float32), ~seen, seen[0]
    )
    made = labelling(views)
    assert np.array_equal(made.view, np.broadcast_to(column > alike, (side, side)))
    assert np.array_equal(labelling(views, seams=0.0).view, np.broadcast_to(column >= side // 2, (side, side)))


def test_the_outline_is_weighed_against_the_angle() -> None:
    # one row of texels that three views see. The first faces all of them best, but on the outline of the other two,
    # at the right end, it shows what neither of them should
    count = 12
    level = np.array([0.1, 0.5, 0.52], dtype=np.float32)
    seen = np.ones((3, 1, count), dtype=bool)
    facing = np.broadcast_to(np.array([0.9, 0.85, 0.85], dtype=np.float32)[:, None, None], seen.shape)
    outline = np.zeros_like(seen)
    outline[1:, :, 9:] = True
    wall = np.broadcast_to(level[:, None, None, None], (3, 1, count, 3))
    views = WallViews(wall, seen, seen, facing, outline, seen[0])
    assert (faces(views).view != 0).all()
    assert (labelling(views, seams=0.0, outline=0.0).view == 0).all()
    weighed = labelling(views, seams=0.0).view[0]
    assert (weighed[:9] == 0).all()
    assert (weighed[9:] != 0).all()


@pytest.mark.parametrize("name", sorted(BASELINES))
def test_every_paint_can_be_painted(set_of_box, name) -> None:
    views = seen_from(set_of_box, lens(-0.3), lens(0.3))
    made = BASELINES[name](views)
    assert made.target.shape == (*views.on_bridge.shape, 3)
    assert made.target.dtype == np.float32
    assert np.isfinite(made.target).all()
    light = np.ones_like(made.target)
    result = painted(made.target, made.wanted, light, np.array([0.2, 0.3, 0.4], dtype=np.float32))
    front = chart(0)
    # under flat light, within what paint can do, the bridge sends what was wanted
    assert result.radiance[front] == pytest.approx(made.target[front], abs=1e-6)
    assert result.reflectance[~made.wanted] == pytest.approx(
        np.broadcast_to([0.2, 0.3, 0.4], result.reflectance[~made.wanted].shape)
    )


def test_no_views_are_refused(set_of_box) -> None:
    with pytest.raises(ValueError, match="no views"):
        seen_from(set_of_box)
