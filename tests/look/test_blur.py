"""Blur by focus, diffraction and movement: against closed forms, and against looking from many places."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.special import j0, j1

from previz import optics
from previz.geometry import rigid
from previz.look import spreading
from previz.look.blur import LensBlur, blur_of, camera_during
from previz.look.kernels import airy_sigma, disc_kernel, gaussian_kernel, joined, moments, path_kernel
from previz.look.soft import soft_frame
from previz.look.view import View
from previz.scene.reader import read_scene
from previz.stage.prepare import BRIDGE as BRIDGE_NAME
from previz.stage.prepare import CLEAN_WALL, WALL, WITH_BRIDGE, prepare
from previz.workshop.surface import BRIDGE
from tests.look.blurred import alike, averaged, blur_for, layered, with_diffraction
from tests.look.lensaverage import averaged_frame, pupil_diameter, seen_from, sunflower
from tests.look.sets import blotches, box, bumpy_wall, difference, flat_code, lens, mirrored

SCENES = Path(__file__).resolve().parents[2] / "scenes"

MOVING = {"shift": (0.006, 0.001, -0.004), "turn": 0.012}


def straight(width_px=160, height_px=90, **changes):
    """A lens looking square at the wall from 1.25 m."""
    given = {"position": (0.0, 0.0, 1.25), "pan": 0.0, "tilt": 0.0, "roll": 0.0, "shift_right": 0.0, "shift_up": 0.0}
    return lens(width_px, height_px, **(given | changes))


def slab():
    return box((-0.06, -0.03, 0.0), (0.06, 0.0, 0.8), code=blotches(52, 37, 8))


# kernels against closed forms


@pytest.mark.parametrize("diameter", [0.05, 0.3, 1.0, 2.7, 8.0, 31.0])
def test_moments_of_a_disc(diameter):
    kernel = disc_kernel(diameter)
    mean, spread = moments(kernel)
    assert kernel.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.abs(mean).max() < 1e-12
    # a disc evenly filled: variance d^2 / 16 along each axis
    assert np.allclose(spread, np.eye(2) * diameter**2 / 16.0, rtol=1e-6, atol=1e-12)


@pytest.mark.parametrize("path", [[(-0.1, 0.0), (0.1, 0.0)], [(-2.0, 1.0), (3.0, -1.5)], [(7.3, 0.2), (-11.0, 4.0)]])
def test_moments_of_a_straight_path(path):
    a, b = np.array(path)
    mean, spread = moments(path_kernel(np.array(path)))
    assert np.allclose(mean, 0.5 * (a + b), atol=1e-12)
    # a line of length L: L^2 / 12 along itself
    assert np.allclose(spread, np.outer(b - a, b - a) / 12.0, atol=1e-9)


def test_a_path_with_a_halt():
    """Half of the time at rest, then 6 px on: mean 1.5, mean square (0 + 36 / 3) / 2."""
    mean, spread = moments(path_kernel(np.array([(0.0, 0.0), (0.0, 0.0), (6.0, 0.0)])))
    assert mean == pytest.approx([1.5, 0.0], abs=1e-12)
    assert spread[0, 0] == pytest.approx(6.0 - 1.5**2, abs=1e-9)


@pytest.mark.parametrize("sigma", [0.05, 0.28, 1.0, 4.0])
def test_moments_of_a_gaussian(sigma):
    mean, spread = moments(gaussian_kernel(sigma))
    assert np.abs(mean).max() < 1e-12
    assert np.allclose(spread, np.eye(2) * sigma**2, rtol=1e-6, atol=1e-12)


def test_moments_add_up():
    kernel = joined([disc_kernel(3.0), gaussian_kernel(0.4), path_kernel(np.array([(-2.0, 0.0), (2.0, 1.0)]))])
    mean, spread = moments(kernel)
    wanted = np.eye(2) * (9.0 / 16.0 + 0.16) + np.outer((4.0, 1.0), (4.0, 1.0)) / 12.0
    assert kernel.sum() == pytest.approx(1.0, abs=1e-12)
    assert np.allclose(mean, (0.0, 0.5), atol=1e-3)
    assert np.allclose(spread, wanted, atol=2e-3)


def test_a_disc_is_a_disc():
    """Inside as bright as its area says, outside dark: within a pixel of the rim neither is asked for."""
    kernel = disc_kernel(20.0)
    half = len(kernel) // 2
    x, y = np.meshgrid(np.arange(-half, half + 1), np.arange(-half, half + 1))
    radius = np.hypot(x, y)
    assert np.allclose(kernel[radius < 8.0], 1.0 / (np.pi * 100.0), rtol=0.03)
    assert np.abs(kernel[radius > 12.5]).max() < 1e-6 / 314.0


def test_diffraction_is_the_gaussian_of_the_airy_patterns_peak():
    """Light within a small circle, and within any: Rayleigh's 1 - J0^2 - J1^2 (Born and Wolf, 8.5.2 (18))."""
    stop, wavelength = 22.0, 550e-9
    sigma = airy_sigma(stop, wavelength)
    assert sigma == pytest.approx(0.450 * wavelength * stop, rel=1e-3)
    radius = np.array([0.05, 0.3, 0.6, 1.22, 2.0]) * wavelength * stop
    v = np.pi * radius / (wavelength * stop)
    airy = 1.0 - j0(v) ** 2 - j1(v) ** 2
    gauss = 1.0 - np.exp(-(radius**2) / (2.0 * sigma**2))
    assert gauss[0] == pytest.approx(airy[0], rel=0.01)
    # the rings, a sixth of the light, are left out of the Gaussian
    assert np.all(gauss - airy >= -0.01)
    assert np.all(gauss - airy < 0.17)


# the blur of a point


def test_sizes_are_those_of_optics():
    blur = with_diffraction(blur_for(straight(1920, 1080), 5.6, 0.9, shift=(0.004, 0.0, 0.0)))
    pitch = 0.0359 / 1920
    for depth in (0.5, 0.9, 1.7):
        assert blur.disc_px(depth) == pytest.approx(float(optics.blur_diameter(0.035, 5.6, 0.9, depth)) / pitch)
        # 4 mm past a point: f / z of it on the sensor, and the picture runs against the camera
        assert np.ptp(blur.path_px(depth)[:, 0]) == pytest.approx(0.004 * 0.035 / depth / pitch, rel=1e-6)
        assert blur.path_px(depth)[0, 0] > blur.path_px(depth)[-1, 0]
        mean, spread = moments(blur.kernel(depth))
        assert np.abs(mean).max() < 1e-3
        assert blur.spread_px(depth) == pytest.approx(np.sqrt(np.diag(spread)), abs=2e-3)
    # working stop N (1 + f / (s - f))
    wanted = airy_sigma(5.6 * (1.0 + 0.035 / (0.9 - 0.035)), 550e-9) / pitch
    assert blur.diffraction_px() == pytest.approx(wanted)
    still = replace(blur, focus=None)
    assert still.disc_px(0.5) == still.diffraction_px() == 0.0
    with pytest.raises(ValueError, match="focal length"):
        replace(blur, focus=0.03).disc_px(1.0)


@pytest.mark.parametrize(("stop", "focus"), [(0.7, 0.7), (0.35, 0.9), (0.15, 1.6)])
def test_a_points_blur_the_layered_and_the_long_way(stop, focus, pictures):
    """A small square's light spreads by d^2 / 16 along each axis, d of optics."""
    camera = straight().resized(40, 30, factor=1.0)
    half = 0.02
    pictures.load([box((-half, -half, -1e-4), (half, half, 0.0), code=flat_code(255, 255, 255))])
    blur = blur_for(camera, stop, focus)
    spread = float(optics.blur_diameter(0.035, stop, focus, 1.25)) / (0.0359 / 160)
    assert spread > 5.0
    # a square's variance along a side, w^2 / 12, and a pixel's own, 1 / 12
    wanted = ((2.0 * half / 1.25 * camera.focal_px) ** 2 + 1.0) / 12.0 + spread**2 / 16.0
    kept = pictures.draw(camera, ["bridge"], samples=8, depth=True, keep=BRIDGE)
    light, cover = spreading.blurred_bridge(blur, kept, (0, 0))
    long_way = averaged(pictures, blur, ["bridge"], looks=400, samples=2)
    for got in (light[..., 0], cover, long_way[..., 0]):
        assert got.sum() == pytest.approx((2.0 * half / 1.25 * camera.focal_px) ** 2, rel=0.03)
        for axis in (0, 1):
            assert variance(got, axis) == pytest.approx(wanted, rel=0.03)


def variance(picture, axis):
    profile = picture.astype(np.float64).sum(axis=1 - axis)
    at = np.arange(len(profile)) + 0.5
    mean = (profile * at).sum() / profile.sum()
    return (profile * (at - mean) ** 2).sum() / profile.sum()


def test_the_edge_of_a_near_bar_over_a_sharp_wall(pictures):
    """A straight edge under a disc: t radii beyond it, the disc's segment has (acos t - t sqrt(1 - t^2)) / pi."""
    camera = straight(240, 60)
    wall = box((-1.0, -1.0, -0.1), (1.0, 1.0, 0.0), "wall", 1, flat_code(255, 255, 255))
    bar = box((-0.5, -0.5, 0.6), (0.0, 0.5, 0.6001), code=flat_code(0, 0, 0))
    pictures.load([wall, bar])
    blur = blur_for(camera, 0.8, 1.25)
    radius = 0.5 * float(optics.blur_diameter(0.035, 0.8, 1.25, 0.6499)) / (0.0359 / 240)
    assert radius > 3.0
    frame = layered(pictures, blur, [wall, bar], samples=4)
    # pixel areas by ten places each
    t = np.clip((np.arange(2400) * 0.1 + 0.05 - 120.0) / radius, -1.0, 1.0)
    wanted = ((np.arccos(t) - t * np.sqrt(1.0 - t * t)) / np.pi).reshape(240, 10).mean(axis=1)
    cover = frame.with_bridge().cover(BRIDGE)[30]
    assert np.abs(cover - wanted).max() < 0.01
    assert np.abs(frame.with_bridge().colour[30, :, 1] - (1.0 - wanted)).max() < 0.01
    assert np.abs(frame.clean - 1.0).max() < 1e-5
    long_way = averaged(pictures, blur, looks=400, samples=2)[30, :, 1]
    assert np.abs(long_way - (1.0 - wanted)).max() < 0.03


def test_parts_of_the_exposure_make_up_the_whole():
    blur = blur_for(straight(640, 360), 4.0, 0.9, shift=(0.008, 0.002, -0.003), turn=0.01)
    parts = blur.parts(0.6)
    assert len(parts) == 4
    at = (500.0, 80.0)
    means, spreads = zip(*(moments(part.kernel(0.7, at)) for part in parts), strict=True)
    mean, spread = moments(blur.kernel(0.7, at))
    assert np.allclose(np.mean(means, axis=0), mean, atol=2e-3)
    # variance of the whole: mean of the parts' variances and the variance of their means
    between = np.mean([np.outer(m, m) for m in means], axis=0) - np.outer(mean, mean)
    assert np.allclose(np.mean(spreads, axis=0) + between, spread, atol=0.02)
    assert blur_for(straight(640, 360), 4.0, 0.9, shift=(1e-4, 0.0, 0.0)).parts(0.6)[0].opened == (0.0, 1.0)


def test_a_part_of_the_frame_is_blurred_as_the_whole():
    blur = blur_for(straight(640, 360), 4.0, 0.9, **MOVING)
    part = blur.cut(100, -40, 200, 300)
    assert part.path_px(0.7, (30.0, 90.0)) == pytest.approx(blur.path_px(0.7, (130.0, 50.0)), abs=1e-9)


# what must hold of any blur

@pytest.mark.parametrize("stop", [22.0, 2.0])
def test_an_even_picture_stays_even(stop, engine):
    even = flat_code(150, 150, 150)
    things = [bumpy_wall(steps=20, code=even), box((-0.06, -0.03, 0.0), (0.06, 0.0, 0.8), code=even)]
    engine.load(things)
    blur = blur_for(lens(), stop, 0.9, **MOVING)
    nodes = blur.nodes(0.45, 1.5)
    assert len(nodes.disparity) > 2
    assert len(nodes.x_px) > 1
    frame = layered(engine, with_diffraction(blur), things)
    grey = engine.draw(lens(), ["wall"]).colour[90, 160]
    assert np.abs(frame.clean - grey).max() < 1e-5
    assert np.abs(frame.with_bridge().colour - grey).max() < 1e-5


def test_light_is_kept():
    """Spread over the frame, none of it is lost or added."""
    rng = np.random.default_rng(3)
    camera = straight(120, 90)
    blur = blur_for(camera, 2.0, 0.9, shift=(0.01, 0.0, 0.002))
    layer = np.zeros((90, 120), dtype=np.uint8)
    layer[35:55, 40:80] = BRIDGE
    depth = np.where(layer == BRIDGE, np.linspace(0.5, 1.2, 120, dtype=np.float32), np.float32(0.0))
    colour = rng.uniform(0.0, 1.0, (90, 120, 3)).astype(np.float32) * (layer == BRIDGE)[..., None]
    light, cover = spreading.blurred_bridge(blur, View(colour, layer, depth, 1), (0, 0))
    # what is cut off below zero and above one is less than a thousandth
    assert light.sum() == pytest.approx(colour.sum(), rel=2e-3)
    assert cover.sum() == pytest.approx((layer == BRIDGE).sum(), rel=2e-3)


def test_a_mirrored_set_gives_the_mirrored_picture(engine):
    things = [bumpy_wall(steps=40), slab()]
    engine.load(things)
    plain = layered(engine, blur_for(lens(), 2.8, 0.9, shift=(0.004, 0.0, -0.002)), things)
    turned_things = [mirrored(thing) for thing in things]
    engine.load(turned_things)
    turned = layered(engine, blur_for(lens(side=-1.0), 2.8, 0.9, shift=(-0.004, 0.0, -0.002)), turned_things)
    for one, other in ((plain.with_bridge().colour, turned.with_bridge().colour), (plain.clean, turned.clean)):
        assert alike(one, other[:, ::-1], 0.5) > 0.999
    assert np.abs(plain.cover - turned.cover[:, ::-1]).max() < 0.05


def test_engines_agree_on_a_blurred_frame(pictures, sight):
    things = [bumpy_wall(steps=60), slab()]
    frames = []
    for engine in (pictures, sight):
        engine.load(things)
        frames.append(layered(engine, blur_for(lens(), 2.8, 0.9, **MOVING), things).with_bridge())
    assert difference(*frames).agrees()
    assert alike(frames[0].colour, frames[1].colour, 0.5) > 0.999
    assert np.abs(frames[0].cover(BRIDGE) - frames[1].cover(BRIDGE)).max() < 0.05


def test_layers_and_depths_stay_sharp(engine):
    things = [bumpy_wall(steps=40), slab()]
    engine.load(things)
    frame = layered(engine, blur_for(lens(), 2.8, 0.9), things)
    sharp = engine.draw(lens(), ["wall", "bridge"], depth=True)
    # the same samples, but for rounding in the wider frame
    assert np.mean(frame.with_bridge().layer != sharp.layer) < 1e-4
    assert np.mean(np.abs(frame.with_bridge().depth - sharp.depth) > 1e-4) < 1e-3
    assert frame.with_bridge().colour.shape == sharp.colour.shape


def test_a_bridge_out_of_the_frame_and_a_lens_inside_its_box(engine):
    away = box((3.0, 3.0, 0.0), (3.1, 3.1, 0.5))
    things = [bumpy_wall(steps=20), away]
    engine.load(things)
    frame = layered(engine, blur_for(straight(), 2.8, 0.9), things)
    assert not frame.cover.any()
    assert np.array_equal(frame.with_bridge().colour, frame.clean)
    things = [bumpy_wall(steps=20), box((-0.06, -0.3, 0.0), (0.06, -0.1, 1.4))]
    engine.load(things)
    frame = layered(engine, blur_for(straight(), 2.8, 0.9), things)
    assert 0.05 < frame.cover.mean() < 0.5


def test_what_is_sharp_is_left_alone(engine):
    things = [bumpy_wall(steps=10), slab()]
    engine.load(things)
    assert layered(engine, blur_for(lens(), 22.0, None), things) is None
    assert layered(engine, blur_for(lens(), 22.0, None, shift=(1e-5, 0.0, 0.0)), things) is None
    assert layered(engine, blur_for(lens(), 22.0, None, shift=(1e-3, 0.0, 0.0)), things) is not None
    assert layered(engine, blur_for(lens(), 22.0, 0.9), things) is not None


def test_large_blurs_by_fourier_transform_are_the_same(monkeypatch, sight):
    things = [bumpy_wall(steps=20), slab()]
    sight.load(things)
    blur = blur_for(lens(), 2.0, 0.6, **MOVING)
    direct = layered(sight, blur, things)
    monkeypatch.setattr(spreading, "_DIRECT_TAPS", 0)
    transformed = layered(sight, blur, things)
    assert np.abs(direct.with_bridge().colour - transformed.with_bridge().colour).max() < 1e-5


def test_shadows_of_the_bridge_come_and_go(engine):
    wall = bumpy_wall(steps=20, code=flat_code(200, 200, 200))
    shaded = replace(wall, name="shaded", code=flat_code(100, 100, 100))
    things = [shaded, wall, slab()]
    engine.load(things)
    frame = layered(engine, blur_for(lens(), 2.8, 0.9), things, ("shaded", "wall", "bridge"))
    far = (0, 0)
    assert frame.clean[far] == pytest.approx(engine.draw(lens(), ["wall"]).colour[far], abs=1e-5)
    assert frame.without_shadow().colour[far] == pytest.approx(frame.clean[far], abs=1e-5)
    assert frame.with_bridge().colour[far] == pytest.approx(engine.draw(lens(), ["shaded"]).colour[far], abs=1e-5)


# the layered frame against the long way

SEEN = {
    "as focused": (5.6, 0.9, {}),
    "wide open": (2.0, 0.9, {}),
    "on the wall": (2.8, 1.25, {}),
    "past the set": (2.8, 2.5, {}),
    "moving": (8.0, 0.9, {"shift": (0.004, 0.0, 0.0)}),
    "pushing in and panning": (4.0, 1.0, MOVING),
}


@pytest.mark.parametrize("seen", SEEN)
def test_layers_agree_with_looking_from_many_places(seen, pictures):
    stop, focus, movement = SEEN[seen]
    things = [bumpy_wall(steps=60), slab()]
    pictures.load(things)
    blur = blur_for(lens(), stop, focus, **movement)
    # the average of many looks has many samples a pixel; four by four come closer to that than two by two
    frame = layered(pictures, blur, things, samples=4)
    wanted = averaged(pictures, blur, looks=100, **movement)
    assert alike(frame.with_bridge().colour, wanted) > 0.99
    wanted = averaged(pictures, blur, ["wall"], looks=100, **movement)
    assert alike(frame.clean, wanted) > 0.995
    # and it is not the sharp frame that agrees
    assert alike(pictures.draw(lens(), ["wall", "bridge"]).colour, wanted) < 0.95


def test_layers_agree_on_a_demonstration_set(pictures):
    scene = read_scene(SCENES / "quarry.toml").edited(
        wall__triangles=4000, wall__texture_px=512, lamps=[], camera__stop=2.8, bridge__paint="bare"
    )
    ready = prepare(scene, 320)
    pictures.load(ready.lit)
    frame = ready.move.station_frame + 55
    blur = blur_of(ready.move, frame, 320, 180)
    assert np.ptp(blur.path_px(1.2)[:, 0]) > 0.4
    corners = [surface.corners for surface in (ready.built.wall, ready.built.bridge.surface)]
    got = soft_frame(pictures, blur, (WALL, CLEAN_WALL, BRIDGE_NAME), *corners, samples=4).with_bridge().colour
    wanted = averaged_frame(
        pictures,
        lambda share: camera_during(ready.move, frame, share, 320, 180),
        WITH_BRIDGE,
        pupil_diameter(blur.focal, blur.stop, blur.focus),
        blur.focus,
        looks=60,
    )
    assert alike(got, wanted) > 0.99
    assert alike(pictures.draw(blur.camera, WITH_BRIDGE).colour, wanted) < 0.95


def test_the_comparison_can_fail(pictures):
    things = [bumpy_wall(steps=60), slab()]
    pictures.load(things)
    blur = blur_for(lens(), 2.8, 0.9)
    wanted = averaged(pictures, blur, looks=100)
    for wrong in (replace(blur, stop=4.0), replace(blur, focus=1.25)):
        assert alike(layered(pictures, wrong, things).with_bridge().colour, wanted) < 0.98


def test_looking_from_beside_keeps_the_plane_of_focus():
    camera = lens()
    aside = seen_from(camera, 0.01, -0.02, 0.8)
    m = camera.world_from_cam
    on_plane = m[:3, 3] + 0.8 * camera.forward + 0.1 * m[:3, 0] + 0.05 * m[:3, 1]
    assert np.allclose(aside.project(on_plane), camera.project(on_plane), atol=1e-9)
    nearer = m[:3, 3] + 0.4 * camera.forward
    # similar triangles: 10 mm aside moves a point at half the distance by f (1 / 0.4 - 1 / 0.8) 10 mm
    moved = camera.focal_px * 0.01 * (1.0 / 0.4 - 1.0 / 0.8)
    assert aside.project(nearer)[0] - camera.project(nearer)[0] == pytest.approx(-moved, abs=1e-9)


def test_places_on_the_pupil():
    places = sunflower(500)
    assert np.hypot(*places.T).max() < 1.0
    assert np.abs(places.mean(axis=0)).max() < 0.01
    assert np.allclose(np.cov(places.T), np.eye(2) / 4.0, atol=0.005)
    assert pupil_diameter(0.035, 2.0, 1.0) == pytest.approx(0.0175 / 0.965)
    with pytest.raises(ValueError, match="focal length"):
        pupil_diameter(0.035, 2.0, 0.03)


def test_an_average_needs_a_look(sight):
    sight.load([slab()])
    with pytest.raises(ValueError, match="look"):
        averaged_frame(sight, lambda share: lens(), ["bridge"], looks=0)


# what it is given


def test_a_view_must_be_the_frame_with_a_margin():
    blur = blur_for(straight(20, 10), 2.0, 0.9)
    view = View(np.zeros((12, 24, 3), np.float32), np.zeros((12, 24), np.uint8), np.zeros((12, 24), np.float32), 1)
    with pytest.raises(ValueError, match="margin"):
        spreading.blurred_wall(blur, view, [view.colour])
    with pytest.raises(ValueError, match="depth"):
        spreading.blurred_bridge(blur, replace(view, depth=None), (0, 0))


def test_without_a_margin_the_rim_is_not_darkened():
    blur = blur_for(straight(20, 10), 0.2, 0.6)
    even = np.full((10, 20, 3), 0.4, dtype=np.float32)
    view = View(even, np.ones((10, 20), np.uint8), np.full((10, 20), 1.25, np.float32), 1)
    (out,) = spreading.blurred_wall(blur, view, [even])
    assert np.abs(out - 0.4).max() < 1e-6
    assert len(blur.kernel(1.25)) > 5


def test_turned_cameras_give_turned_paths():
    """A camera rolled by a quarter sees a move to the right as one down or up the frame."""
    camera = straight()
    m = camera.world_from_cam
    rolled = replace(camera, world_from_cam=rigid(m[:3, :3] @ np.array([[0, 1, 0], [-1, 0, 0], [0, 0, 1.0]]), m[:3, 3]))
    plain = LensBlur(camera, 1e-5, 0.035, 8.0, None, moments=tuple(camera.moved((x, 0, 0)) for x in (-0.01, 0.01)))
    turned = LensBlur(rolled, 1e-5, 0.035, 8.0, None, moments=tuple(rolled.moved((x, 0, 0)) for x in (-0.01, 0.01)))
    assert np.ptp(plain.path_px(1.0), axis=0) == pytest.approx(np.ptp(turned.path_px(1.0), axis=0)[::-1], abs=1e-9)
    assert plain.spread_px(1.0) == pytest.approx(turned.spread_px(1.0)[::-1], abs=1e-9)
