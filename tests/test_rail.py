"""The track and the easing, against closed forms, quadrature and the published parallax formula."""

import numpy as np
import pytest
from scipy.integrate import quad

from previz.camera import camera_for
from previz.geometry import turned
from previz.rail import Track, eased

MM = 1e-3


@pytest.mark.parametrize("ease", [0.0, 0.05, 0.1, 0.25, 0.5])
def test_easing_is_the_integral_of_a_trapezium_of_speed(ease: float) -> None:
    top = 1.0 / (1.0 - ease)

    def speed(t: float) -> float:
        ramp = 1.0 if ease == 0.0 else min(1.0, t / ease, (1.0 - t) / ease)
        return top * ramp

    for t in (0.0, 0.03, 0.1, 0.3, 0.5, 0.77, 0.95, 1.0):
        wanted, _ = quad(speed, 0.0, t, points=[ease, 1.0 - ease], limit=200)
        assert float(eased(t, ease)) == pytest.approx(wanted, abs=1e-9)


def test_easing_never_turns_back_and_is_the_same_both_ways() -> None:
    t = np.linspace(0.0, 1.0, 1001)
    for ease in (0.0, 0.1, 0.3, 0.5):
        s = eased(t, ease)
        assert s[0] == 0.0
        assert s[-1] == 1.0
        assert np.all(np.diff(s) >= 0.0)
        np.testing.assert_allclose(s + s[::-1], 1.0, atol=1e-12)


def test_easing_is_held_outside_the_move_and_refuses_nonsense() -> None:
    np.testing.assert_array_equal(eased([-1.0, 2.0], 0.1), [0.0, 1.0])
    with pytest.raises(ValueError, match="between 0 and"):
        eased(0.5, 0.6)


def test_rail_parallax_is_the_published_formula() -> None:
    # f b (1/z1 - 1/z2): 35 mm on 24.89 mm at 4096 px, 1.0 and 1.5 m away: 1.920 px a mm of rail
    track = Track(np.array([0.0, 0.0, 1.5]), np.array([1.0, 0.0, 0.0]))
    near_and_far = np.array([[0.0, 0.0, 0.5], [0.0, 0.0, 0.0]])

    def apart(distance: float) -> float:
        camera = camera_for(track.position(distance), 0, 0, 0, 0.035, 0.02489, 4096, 2160)
        px = camera.project(near_and_far)
        return float(px[1, 0] - px[0, 0])

    assert apart(0.0) == pytest.approx(0.0, abs=1e-9)
    assert apart(1 * MM) == pytest.approx(1.920, abs=0.0005)
    assert apart(-25 * MM) == pytest.approx(-25 * 1.920, abs=0.0125)


def test_a_straight_track() -> None:
    track = Track(np.array([0.1, 0.2, 1.0]), np.array([0.6, 0.0, 0.8]))
    np.testing.assert_allclose(track.position([0.0, 0.5]), [[0.1, 0.2, 1.0], [0.4, 0.2, 1.4]], atol=1e-12)
    np.testing.assert_array_equal(track.heading([0.0, 0.5]), [0.0, 0.0])


@pytest.mark.parametrize("radius", [1.25, -2.0])
def test_an_arc_keeps_its_distance_from_its_centre_and_its_length(radius: float) -> None:
    through = np.array([0.1, 0.16, 1.25])
    track = Track(through, np.array([1.0, 0.0, 0.0]), radius)
    # positive radius: the centre lies on the side of the wall, radius ahead of the lens
    centre = through - np.array([0.0, 0.0, radius])
    s = np.linspace(-0.4, 0.6, 2001)
    places = track.position(s)
    np.testing.assert_allclose(np.linalg.norm(places - centre, axis=-1), abs(radius), rtol=1e-12)
    np.testing.assert_allclose(places[:, 1], 0.16)
    chords = np.linalg.norm(np.diff(places, axis=0), axis=-1)
    assert chords.sum() == pytest.approx(1.0, abs=1e-7)
    assert track.position(0.1)[0] > through[0], "it still sets off to camera right"


@pytest.mark.parametrize("radius", [1.25, -2.0])
def test_a_camera_that_turns_with_the_arc_keeps_the_centre_in_the_middle(radius: float) -> None:
    through = np.array([0.1, 0.16, 1.25])
    track = Track(through, np.array([1.0, 0.0, 0.0]), radius)
    centre = through - np.array([0.0, 0.0, radius])
    for s in (-0.3, 0.0, 0.2, 0.5):
        ahead = turned(float(track.heading(s)), 0.0, 0.0) @ [0.0, 0.0, -1.0]
        to_centre = (centre - track.position(s)) / radius
        np.testing.assert_allclose(ahead, to_centre, atol=1e-12)


def test_a_very_long_radius_is_a_straight_track() -> None:
    straight = Track(np.zeros(3), np.array([1.0, 0.0, 0.0]))
    arc = Track(np.zeros(3), np.array([1.0, 0.0, 0.0]), 1e6)
    # the sagitta s^2 / 2R of half a metre is 0.000125 mm
    np.testing.assert_allclose(arc.position(0.5), straight.position(0.5), atol=0.001 * MM)
