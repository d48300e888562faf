"""The figure's shadow against closed forms: length, direction, penumbra, edges, hidden parts; OpenCV for the matte."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from skimage.measure import points_in_poly

from previz.camera import Camera, camera_for
from previz.geometry import cv_from_world, unit
from previz.look.sight import SightLines
from previz.plate.cardcast import StandingCard
from previz.plate.shadow import (
    ShadowMap,
    cast_shadow,
    face_of,
    key_lamp,
    key_share,
    shadow_matte,
)
from previz.plate.top import Top
from previz.scene.foreign import RawMesh
from previz.scene.model import Bridge, Lamp, Light
from previz.scene.modelled import Modelled
from previz.scene.shape import Slab, slab_of
from previz.workshop.bridge import slab
from previz.workshop.surface import Surface

FOOT = np.array([0.0, 0.0, 0.5])


def flat(length: float, width: float) -> Top:
    """The top of a plain slab."""
    return Top(Slab(length, width, 0.012, 1.0, 0.0, 0.0))


WIDE = flat(1.0, 1.0)
SMALL = flat(0.6, 0.3)
TEXEL = 0.0005
HEIGHT = 0.09


def bar(facing: np.ndarray, width_px: int = 10, height: float = HEIGHT, depth: float = 0.0) -> StandingCard:
    """An opaque bar 400 px high, ``width_px`` wide, in a picture with room around it."""
    alpha = np.zeros((440, width_px + 40), dtype=np.float32)
    alpha[20:420, 20 : 20 + width_px] = 1.0
    return StandingCard(alpha, (20.0 + 0.5 * width_px, 420.0), 400.0, FOOT, height, np.asarray(facing, float), depth)


def half_wall() -> StandingCard:
    """An upright wall 0.3 m high to the left of the foot mark, its edge above the mark."""
    alpha = np.zeros((300, 1000), dtype=np.float32)
    alpha[:, :500] = 1.0
    return StandingCard(alpha, (500.0, 300.0), 300.0, FOOT, 0.3, np.array([0.0, 0.0, 1.0]))


def lens(x: float = 0.0, y: float = 0.45, z: float = 1.6) -> Camera:
    return camera_for([x, y, z], 0.0, -0.3, 0.0, 0.05, 0.0359, 640, 360)


def opencv_px(view: Camera, points: np.ndarray) -> np.ndarray:
    world = cv_from_world(view.world_from_cam)
    turn, _ = cv2.Rodrigues(world[:3, :3])
    inner = np.array([[view.focal_px, 0, view.centre_x_px], [0, view.focal_px, view.centre_y_px], [0, 0, 1.0]])
    return cv2.projectPoints(points.astype(np.float64), turn, world[:3, 3], inner, None)[0].reshape(-1, 2)


def painted(outline_px: np.ndarray, fine: int = 16) -> np.ndarray:
    """A polygon (N, 2) px in a 640 x 360 picture by scikit-image, each pixel the mean of 16 x 16 places."""
    (x0, y0), (x1, y1) = np.floor(outline_px.min(axis=0)), np.ceil(outline_px.max(axis=0))
    x0, y0, x1, y1 = max(int(x0), 0), max(int(y0), 0), min(int(x1), 640), min(int(y1), 360)
    x, y = x0 + (np.arange((x1 - x0) * fine) + 0.5) / fine, y0 + (np.arange((y1 - y0) * fine) + 0.5) / fine
    inside = points_in_poly(np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2), outline_px)
    out = np.zeros((360, 640))
    out[y0:y1, x0:x1] = inside.reshape(y1 - y0, fine, x1 - x0, fine).mean(axis=(1, 3))
    return out


@pytest.mark.parametrize(("elevation", "azimuth"), [(30.0, 0.0), (45.0, 40.0), (60.0, -130.0)])
def test_a_bar_throws_a_shadow_of_its_height_over_the_tangent(elevation: float, azimuth: float) -> None:
    """From a far point lamp: h / tan(elevation) long, straight away from the lamp."""
    up, round_ = math.radians(elevation), math.radians(azimuth)
    level = np.array([math.sin(round_), 0.0, math.cos(round_)])
    lamp = Lamp(name="key", position=tuple(FOOT + 90.0 * (math.cos(up) * level + [0.0, math.sin(up), 0.0])))
    shadow = cast_shadow(bar(level), face_of(lamp), WIDE, TEXEL)
    rows, columns = np.nonzero(shadow.share > 0.5)
    x = shadow.left + (columns + 0.5) * shadow.texel
    z = shadow.back + (rows + 0.5) * shadow.texel
    away = np.stack([x, z], axis=1) - FOOT[[0, 2]]
    along, beside = away @ -level[[0, 2]], away @ [level[2], -level[0]]
    wanted = HEIGHT / math.tan(up)
    assert along.max() == pytest.approx(wanted, abs=1.5 * TEXEL)
    assert along.min() == pytest.approx(0.0, abs=1.5 * TEXEL)
    # a bar of 10 of 400 pixels' height
    assert np.abs(beside).max() == pytest.approx(0.5 * HEIGHT * 10 / 400, abs=1.5 * TEXEL)


def test_a_near_lamp_makes_the_shadow_longer() -> None:
    """By similar triangles a lamp H high, D before a bar h high throws h D / (H - h)."""
    lamp = Lamp(name="key", position=(0.0, 0.3, 0.5 + 0.4))
    shadow = cast_shadow(bar(np.array([0.0, 0.0, 1.0])), face_of(lamp), WIDE, TEXEL)
    rows = np.flatnonzero((shadow.share > 0.5).any(axis=1))
    end = shadow.back + rows[0] * shadow.texel
    assert 0.5 - end == pytest.approx(HEIGHT * 0.4 / (0.3 - HEIGHT), abs=1.5 * TEXEL)


@pytest.mark.parametrize("behind", [0.05, 0.15, 0.3])
def test_penumbra_is_the_lamps_width_times_the_distances(behind: float) -> None:
    """Behind an upright edge the light grows from none to all over w d / D, by similar triangles."""
    card = half_wall()
    before, width, high = 1.5, 0.3, 0.6
    # its face level with itself, so parallel to the card
    lamp = Lamp(name="key", position=(0.0, high, 0.5 + before), aim=(0.0, high, 0.0), size=(width, 0.02))
    shadow = cast_shadow(card, face_of(lamp), SMALL, 0.002, points=200)
    row = shadow.share[int((0.5 - behind - shadow.back) / shadow.texel)]
    x = shadow.left + (np.arange(len(row)) + 0.5) * shadow.texel
    assert row[x < -0.1][0] == pytest.approx(1.0, abs=1e-4)
    assert np.all(np.diff(row) <= 1e-6)
    # from 10 % to 90 %, eight tenths of the whole ramp
    at = np.interp([0.1, 0.9], row[::-1], x[::-1])
    wanted = 0.8 * width * behind / before
    assert at[0] - at[1] == pytest.approx(wanted, rel=0.03, abs=0.0005)


def test_a_discs_half_shadow_lies_on_the_edge() -> None:
    """Seen from straight behind an upright edge that halves the disc, half of its light is missing."""
    lamp = Lamp(name="key", position=(0.0, 0.6, 2.0), aim=(0.0, 0.0, 0.5), size=0.4)
    shadow = cast_shadow(half_wall(), face_of(lamp), SMALL, 0.002)
    row = shadow.share[int((0.3 - shadow.back) / shadow.texel)]
    x = shadow.left + (np.arange(len(row)) + 0.5) * shadow.texel
    assert np.interp(0.0, x, row) == pytest.approx(0.5, abs=0.02)


def test_the_matte_is_the_shadow_as_opencv_projects_it() -> None:
    """A hard shadow is a quadrangle on the floor: projected by OpenCV and filled, it covers the same pixels."""
    lamp = Lamp(name="key", position=(0.5, 0.5, 1.2))
    source = np.array(lamp.position)
    # turned to the lens; 60 of 400 pixels wide
    card = bar(np.array([0.0, 0.0, 1.0]), 60)
    half = 0.5 * HEIGHT * 60 / 400
    top = FOOT + np.array([[half, HEIGHT, 0.0], [-half, HEIGHT, 0.0]])
    thrown = source + (top - source) * (source[1] / (source[1] - HEIGHT))
    outline = np.concatenate([FOOT + [[-half, 0.0, 0.0], [half, 0.0, 0.0]], thrown])
    view = lens()
    wanted = painted(opencv_px(view, outline))
    got = shadow_matte(cast_shadow(card, face_of(lamp), WIDE, 0.0002), view, samples=16)
    assert got.dtype == np.float32
    assert got.shape == (360, 640)
    assert got.sum() == pytest.approx(wanted.sum(), rel=0.01)
    y, x = np.indices(got.shape) + 0.5
    middles = [np.array([(x * m).sum(), (y * m).sum()]) / m.sum() for m in (got, wanted)]
    np.testing.assert_allclose(middles[0], middles[1], atol=0.05)
    assert np.abs(got - wanted).max() < 0.1
    assert np.abs(got - wanted).sum() / wanted.sum() < 0.01


def test_nothing_falls_past_the_edge() -> None:
    """On a narrow bridge the shadow is that of a wide one cut at its edge, where OpenCV has the bridge's outline."""
    lamp = Lamp(name="key", position=(0.7, 0.3, 1.1))
    card = bar(np.array([0.0, 0.0, 1.0]), 60)
    narrow = Top(Slab(1.0, 0.06, 0.012, 1.5, 0.0, 0.0))
    view = lens(0.2)
    whole = shadow_matte(cast_shadow(card, face_of(lamp), WIDE, 0.0003), view)
    cut = shadow_matte(cast_shadow(card, face_of(lamp), narrow, 0.0003), view)
    corners = np.array([[-0.03, 0.0, 0.0], [0.03, 0.0, 0.0], [0.045, 0.0, 1.0], [-0.045, 0.0, 1.0]])
    inside = painted(opencv_px(view, corners))
    assert cut[inside == 0.0].max() == 0.0
    np.testing.assert_allclose(cut[inside == 1.0], whole[inside == 1.0], atol=0.05)
    # it does reach the edge, and would have gone on
    assert cut.sum() < 0.6 * whole.sum()
    assert cut[(inside > 0.3) & (inside < 0.7)].max() > 0.2


def test_the_matte_of_an_arched_bent_bridge_is_where_sight_lines_meet_it() -> None:
    """A map that is 1 all over shows the top: the formula's cover against Embree's on the built slab."""
    bridge = Bridge(length=0.85, width=0.07, taper=1.3, camber=0.03, bend=0.12, thickness=0.012)
    top = Top(slab_of(bridge))
    full = ShadowMap(np.ones((500, 500), dtype=np.float32), -0.5, -0.2, 0.0025, top)
    view = lens(-0.1, 0.3, 1.6)
    got = shadow_matte(full, view, samples=3)
    built = slab(bridge, 0.05, 0.002).surface
    sight = SightLines([built])
    px = (np.stack(np.meshgrid(np.arange(640 * 3), np.arange(360 * 3)), axis=-1).reshape(-1, 2) + 0.5) / 3
    hits = sight.first_hits(*view.rays(px))
    level = top.on_top(0.0, np.nan_to_num(hits.point[:, 2]))[:, 1]
    on_top = (hits.surface == 0) & (np.abs(hits.point[:, 1] - level) < 2e-4) & (hits.point[:, 2] >= 0.0)
    wanted = on_top.reshape(360, 3, 640, 3).mean(axis=(1, 3))
    assert wanted.sum() > 3000
    assert np.abs(got - wanted).mean() / wanted.mean() < 0.01
    hidden = shadow_matte(full, view, 3, sight, [built.name])
    assert np.abs(hidden - wanted).mean() / wanted.mean() < 0.01


def box(low: list[float], high: list[float], name: str) -> Surface:
    x, y, z = np.meshgrid(*zip(low, high, strict=True), indexing="ij")
    vertices = np.stack([x, y, z], axis=-1).reshape(-1, 3)
    quads = [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]]
    faces = np.array([f for a, b, c, d in quads for f in ([a, b, c], [a, c, d])], dtype=np.int32)
    return Surface(name, 1, vertices, faces, np.zeros((8, 2), np.float32), np.ones((2, 2, 3), np.float32))


def test_what_a_rock_hides_is_left_out() -> None:
    lamp = Lamp(name="key", position=(0.5, 0.5, 1.2))
    shadow = cast_shadow(bar(np.array([0.0, 0.0, 1.0]), 60), face_of(lamp), WIDE, TEXEL)
    view = lens()
    plain = shadow_matte(shadow, view)
    aside = shadow_matte(shadow, view, sight=SightLines([box([-0.9, 0.0, 0.6], [-0.6, 0.2, 0.7], "rock")]))
    np.testing.assert_array_equal(aside, plain)
    before = SightLines([box([-0.2, 0.01, 0.7], [-0.02, 0.2, 0.75], "rock")])
    hidden = shadow_matte(shadow, view, sight=before)
    corners = opencv_px(view, before.surfaces[0].vertices)
    outline = cv2.convexHull(corners.astype(np.float32)).reshape(-1, 2).astype(np.float64)
    behind = painted(outline)
    assert plain[behind == 1.0].max() > 0.9
    assert hidden[behind == 1.0].max() == 0.0
    np.testing.assert_array_equal(hidden[behind == 0.0], plain[behind == 0.0])


def modelled(*parts: Surface) -> tuple[Top, SightLines]:
    """A bridge of boxes: its top as a mesh has it, and sight lines that meet it."""
    count = 0
    faces = []
    for part in parts:
        faces.append(part.faces + count)
        count += len(part.vertices)
    raw = RawMesh(np.concatenate([p.vertices for p in parts]), np.concatenate(faces).astype(np.int64), None, None, None)
    whole = replace(parts[0], vertices=raw.vertices, faces=raw.faces.astype(np.int32),
                    uv=np.zeros((count, 2), np.float32))  # fmt: skip
    return Top(Modelled(raw)), SightLines([whole])


def test_a_modelled_bridge_ends_where_sight_lines_say() -> None:
    lamp = Lamp(name="key", position=(0.7, 0.3, 1.1))
    top, board = modelled(box([-0.05, -0.02, 0.0], [0.05, 0.0, 1.0], "bridge"))
    card = bar(np.array([0.0, 0.0, 1.0]), 60)
    got = shadow_matte(cast_shadow(card, face_of(lamp), top, TEXEL), lens(), sight=board, names=["bridge"])
    wanted = shadow_matte(cast_shadow(card, face_of(lamp), flat(1.0, 0.1), TEXEL), lens())
    assert wanted.sum() > 50.0
    assert np.abs(got - wanted).sum() / wanted.sum() < 0.02


def test_a_shadow_falls_on_the_tread_that_the_feet_stand_on() -> None:
    """On a tread 27 mm lower the shadow is that of a flat top there: of the whole scene let down by as much."""
    down = np.array([0.0, 0.027, 0.0])
    upper, tread = ([-0.05, -0.06, 0.0], [0.05, 0.0, 0.2]), ([-0.05, -0.06, 0.2], [0.05, -0.027, 1.0])
    top, stairs = modelled(box(*upper, "bridge"), box(*tread, "bridge"))
    lamp = Lamp(name="key", position=(0.7, 0.3, 1.1))
    card = bar(np.array([0.0, 0.0, 1.0]), 60)
    low = replace(card, foot=card.foot - down)
    got = shadow_matte(cast_shadow(low, face_of(lamp), top, TEXEL), lens(), sight=stairs, names=["bridge"])
    raised = Lamp(name="key", position=tuple(np.array(lamp.position) + down))
    view = lens()
    lifted = np.array(view.world_from_cam)
    lifted[:3, 3] += down
    flat_matte = shadow_matte(
        cast_shadow(card, face_of(raised), flat(1.0, 0.1), TEXEL), replace(view, world_from_cam=lifted)
    )
    assert flat_matte.sum() > 50.0
    assert np.abs(got - flat_matte).sum() / flat_matte.sum() < 0.02
    # on the level plane through the sill, where it once was, most of it lies elsewhere
    once = shadow_matte(cast_shadow(card, face_of(lamp), flat(1.0, 0.1), TEXEL), lens())
    assert np.abs(once - flat_matte).sum() / flat_matte.sum() > 0.5


def test_a_lamp_from_the_side_needs_a_body() -> None:
    """A flat card edge on throws nothing; a round one throws a shadow as long as the bar's."""
    lamp = Lamp(name="key", position=tuple(FOOT + [60.0, 60.0, 0.0]))
    facing = np.array([0.0, 0.0, 1.0])
    flat = cast_shadow(bar(facing, 40), face_of(lamp), WIDE, TEXEL)
    # no wider than rounding makes the card
    assert float(flat.share.sum()) * TEXEL**2 < 1e-4 * HEIGHT
    round_ = cast_shadow(bar(facing, 40, depth=0.02), face_of(lamp), WIDE, TEXEL)
    rows, columns = np.nonzero(round_.share > 0.5)
    x = round_.left + (columns + 0.5) * TEXEL
    assert -x.min() == pytest.approx(HEIGHT + 0.5 * HEIGHT * 40 / 400, abs=4 * TEXEL)
    # half as deep as wide each way, so as deep as wide: 40 of 400 pixels
    assert np.ptp(rows) * TEXEL == pytest.approx(HEIGHT * 40 / 400, abs=4 * TEXEL)


def test_half_transparent_lets_half_through() -> None:
    card = bar(np.array([0.0, 0.0, 1.0]), 60)
    veil = StandingCard(0.5 * card.alpha, card.foot_px, 400.0, FOOT, HEIGHT, card.facing)
    lamp = Lamp(name="key", position=(0.0, 0.5, 1.2))
    full, half = (cast_shadow(c, face_of(lamp), WIDE, TEXEL).share for c in (card, veil))
    np.testing.assert_allclose(half, 0.5 * full, atol=1e-5)


def test_a_lamp_below_the_top_throws_none() -> None:
    lamp = Lamp(name="key", position=(0.0, -0.2, 1.2))
    shadow = cast_shadow(bar(np.array([0.0, 0.0, 1.0])), face_of(lamp), WIDE, 0.002)
    assert not shadow.share.any()
    assert not shadow_matte(shadow, lens()).any()
    assert key_lamp([lamp], Light(), FOOT) is None
    assert key_lamp([], Light(), FOOT) is None


def test_the_key_is_the_lamp_of_that_name_or_the_brightest_there() -> None:
    weak = Lamp(name="Key", position=(0.0, 1.0, 0.5), lux=50.0, aim=(0.0, 0.0, 0.5))
    strong = Lamp(name="window", position=(-1.0, 1.0, 1.0), lux=900.0)
    other = Lamp(name="side", position=(1.0, 0.4, 1.0), lux=300.0)
    assert key_lamp([other, strong, weak], Light(), FOOT) is weak
    assert key_lamp([other, strong], Light(), FOOT) is strong


def test_how_dark_the_shadow_is() -> None:
    """A point lamp straight above its aim gives its lux there: 300 of 300 + 100 from all around is three quarters."""
    lamp = Lamp(name="key", position=(0.0, 1.0, 0.5), aim=tuple(FOOT), lux=300.0, kelvin=5600.0)
    share = key_share(lamp, [lamp], Light(ambient=100.0, white_balance=5600.0), FOOT)
    np.testing.assert_allclose(share, 0.75, atol=0.002)
    # at 60 degrees from the upright half as much arrives (Lambert)
    leaning = Lamp(name="key", position=tuple(FOOT + unit([math.sqrt(3.0), 1.0, 0.0])), aim=tuple(FOOT), lux=300.0)
    both = key_share(leaning, [leaning, lamp], Light(), FOOT)
    np.testing.assert_allclose(both, 150.0 / 450.0, atol=0.002)


def test_texels_have_a_size() -> None:
    with pytest.raises(ValueError, match="texels have a size"):
        cast_shadow(bar(np.array([0.0, 0.0, 1.0])), face_of(Lamp(name="key")), WIDE, 0.0)
