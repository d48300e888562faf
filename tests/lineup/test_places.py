"""Where a built bridge and a wall are taken to be, against OpenCV: what a picture hardly tells stays as drawn."""

from dataclasses import replace

import numpy as np
import pytest

from previz.lineup.asbuilt import offset_of, places_of
from previz.lineup.solve import CameraFit, Points, Priors, solved_camera
from tests.lineup.test_solve import TRUTH, plain, spread_points
from tests.lineup.trials import SIZE, expected

# how true a bridge hangs, m and rad
HUNG, TURN = 5e-4, np.radians(0.1)
BRIDGE = np.array([(x, 0.0, 0.6 * part) for part in (0.1, 0.3, 0.5, 0.7, 0.85, 1.0) for x in (-0.031, 0.031)])
DOOR = np.array([(x, y, 0.0) for x in (-0.036, 0.036) for y in (0.0, 0.116)])


def camera() -> CameraFit:
    world = spread_points(np.random.default_rng(4), 40)
    return solved_camera(plain(world, TRUTH.px(world)), [expected(*SIZE)], Priors())


def measured(bridge: np.ndarray, wall: np.ndarray, seed: int, noise_px: float = 0.4) -> Points:
    """Corners of both where they really are, as a hand measures them."""
    px = TRUTH.px(np.concatenate([BRIDGE + bridge, DOOR + wall]))
    px = px + np.random.default_rng(seed).normal(0.0, noise_px, px.shape)
    names = tuple(f"{piece} {k}" for piece, part in (("bridge", BRIDGE), ("wall", DOOR)) for k in range(len(part)))
    return plain(np.concatenate([BRIDGE, DOOR]), px, names)


def test_a_doorway_is_no_farther_off_than_the_picture_tells() -> None:
    """Four corners in one plane, 0.4 px: how far off they are is off by millimetres, and the joint must not be."""
    seen_by, nowhere = camera(), np.zeros(3)
    free, taken = [], []
    for seed in range(30):
        points = measured(nowhere, nowhere, seed)
        free.append(offset_of("wall", points.only(np.arange(16) >= 12), seen_by).shift[2])
        places = places_of(points, seen_by, HUNG, TURN)
        sill = np.linalg.inv(places["bridge"]) @ places["wall"]
        taken.append(sill[:3, 3])
    assert np.std(free) > 1.5e-3
    # once in a hundred a picture contradicts by chance what the scene says, along each of six axes
    assert np.quantile(np.abs(taken).max(axis=1), 0.9) < 8e-4


def test_a_wall_that_is_really_off_is_found() -> None:
    off = np.array([0.006, 0.004, 0.0])
    places = places_of(measured(np.zeros(3), off, 1), camera(), HUNG, TURN)
    between = (np.linalg.inv(places["bridge"]) @ places["wall"])[:3, 3]
    np.testing.assert_allclose(between[:2], off[:2], atol=1.2e-3)


def test_the_bridge_is_where_this_cameras_picture_shows_it() -> None:
    """A camera that is taken for another, as far as its own doubt goes: the bridge moves along with it."""
    right = camera()
    other = replace(right, camera=right.camera.moved(np.array([2e-3, -1e-3, 2e-3]), tilt=np.radians(0.1)))
    places = places_of(measured(np.zeros(3), np.zeros(3), 2, noise_px=0.1), other, HUNG, TURN)
    at = places["bridge"]
    apart = other.project(BRIDGE @ at[:3, :3].T + at[:3, 3]) - TRUTH.px(BRIDGE)
    assert np.sqrt((apart**2).sum(axis=1).mean()) < 0.6
    drawn = other.project(BRIDGE) - TRUTH.px(BRIDGE)
    assert np.sqrt((drawn**2).sum(axis=1).mean()) > 3.0


def test_pieces_that_were_not_measured_are_not_placed() -> None:
    points = measured(np.zeros(3), np.zeros(3), 3)
    assert set(places_of(points.only(np.arange(16) < 12), camera(), HUNG, TURN)) == {"bridge"}
    # one point tells no place
    assert set(places_of(points.only(np.arange(16) > 14), camera(), HUNG, TURN)) == set()
    assert places_of(points, camera(), 0.0, 0.0)["wall"] == pytest.approx(
        places_of(points, camera(), 0.0, 0.0)["bridge"], abs=1e-6
    )
