"""Lens formulas against handbooks, makers' tables and closed forms."""

import numpy as np
import pytest

from previz import optics

MM = 1e-3
UM = 1e-6
INCH = 0.0254
FOOT = 0.3048
DEG = np.pi / 180.0


@pytest.mark.parametrize(
    ("gate_mm", "lens_mm", "degrees"),
    [  # gates as printed by camera makers; angles 2 atan(w / 2f) computed independently, two decimals
        (24.89, 25, 52.93),
        (24.89, 35, 39.15),
        (24.89, 50, 27.95),
        (36.0, 25, 71.51),
        (36.0, 35, 54.43),
        (36.0, 50, 39.60),
    ],
)
def test_angle_of_view_is_the_handbook_table(gate_mm: float, lens_mm: float, degrees: float) -> None:
    angle = optics.angle_of_view(lens_mm * MM, gate_mm * MM)
    assert angle / DEG == pytest.approx(degrees, abs=0.005)


def test_hyperfocal_of_the_encyclopedia_example() -> None:
    # 50 mm, f/8, c 0.03 mm: H 10 467 mm, sharp from 5 233 mm when focused there
    h = optics.hyperfocal(50 * MM, 8, 0.03 * MM)
    near, far = optics.depth_of_field(50 * MM, 8, 0.03 * MM, h)
    assert h == pytest.approx(10.467, abs=0.5 * MM)
    assert near == pytest.approx(5.233, abs=0.5 * MM)
    assert np.isinf(far)


def test_hyperfocal_of_the_army_course() -> None:
    # US Army subcourse SS0507: 2 in, f/8, c 0.002 in -> 20.8 ft (drops "+ f", which is 2 in here)
    h = optics.hyperfocal(2 * INCH, 8, 0.002 * INCH)
    assert (h - 2 * INCH) / FOOT == pytest.approx(20.8, abs=0.05)


@pytest.mark.parametrize(
    ("lens_mm", "stop", "c_mm", "focus_mm", "near_mm", "far_mm"),
    [  # computed from s(H-f)/(H+s-2f) and s(H-f)/(H-s) outside this project, to 0.1 mm
        (35, 5.6, 0.025, 1500, 1284.9, 1801.6),
        (35, 11, 0.025, 1500, 1128.8, 2235.1),
        (35, 5.6, 0.025, 800, 735.7, 876.6),
        (50, 8, 0.03, 3000, 2337.9, 4185.3),
    ],
)
def test_depth_of_field_examples(
    lens_mm: float, stop: float, c_mm: float, focus_mm: float, near_mm: float, far_mm: float
) -> None:
    near, far = optics.depth_of_field(lens_mm * MM, stop, c_mm * MM, focus_mm * MM)
    assert near == pytest.approx(near_mm * MM, abs=0.06 * MM)
    assert far == pytest.approx(far_mm * MM, abs=0.06 * MM)


def test_depth_of_field_ends_where_the_blur_reaches_its_limit() -> None:
    # two independent thin-lens formulas must meet: similar triangles, and the handbook's near and far
    near, far = optics.depth_of_field(35 * MM, 11, 0.025 * MM, 1.5)
    blur = optics.blur_diameter(35 * MM, 11, 1.5, [near, 1.5, far])
    np.testing.assert_allclose(blur, [0.025 * MM, 0.0, 0.025 * MM], atol=1e-6 * MM)


def test_blur_is_the_thin_lens_picture_of_the_aperture() -> None:
    # trace both edges of the aperture by the lens equation 1/f = 1/u + 1/v and measure on the sensor
    f, stop, s, z = 35 * MM, 2.8, 0.7, 1.6
    image_of = 1.0 / (1.0 / f - 1.0 / np.array([s, z]))
    sensor, crossing = image_of
    spread = f / stop * abs(sensor - crossing) / crossing
    assert optics.blur_diameter(f, stop, s, z) == pytest.approx(spread, rel=1e-12)


def test_blur_of_a_point_at_infinity_is_aperture_times_magnification() -> None:
    blur = optics.blur_diameter(50 * MM, 2, 1.0, [1e9, np.inf])
    np.testing.assert_allclose(blur, 25 * MM * 50 / 950, rtol=1e-8)
    assert np.isnan(optics.blur_diameter(50 * MM, 2, 1.0, -0.5))


def test_close_up_depth_meets_depth_of_field() -> None:
    # at m = 0.25 and a small blur limit the two published formulas describe the same depth
    f, m, stop, c = 60 * MM, 0.25, 8.0, 0.005 * MM
    near, far = optics.depth_of_field(f, stop, c, f * (1 + 1 / m))
    assert far - near == pytest.approx(2.0 * stop * c * (1.0 + m) / m**2, rel=1e-4)
    assert optics.magnification(f, f * (1 + 1 / m)) == pytest.approx(m, rel=1e-12)


@pytest.mark.parametrize(
    ("m", "factor"),
    [(0.5, 2.25), (1.0, 4.0), (0.1, 1.21)],  # close-up tables; the last computed
)
def test_exposure_factor(m: float, factor: float) -> None:
    assert optics.exposure_factor(m) == pytest.approx(factor, rel=1e-12)
    assert optics.working_stop(8.0, m) == pytest.approx(8.0 * np.sqrt(factor), rel=1e-12)


def test_life_size_costs_two_stops_and_pupil_ratio_changes_it() -> None:
    assert 2.0 * np.log2(optics.working_stop(8.0, 1.0) / 8.0) == pytest.approx(2.0, abs=1e-12)
    # a telephoto (P 0.5) loses more, a retrofocus lens (P 2) less
    assert optics.exposure_factor(1.0, 0.5) == pytest.approx(9.0)
    assert optics.exposure_factor(1.0, 2.0) == pytest.approx(2.25)


def test_airy_disc() -> None:
    # 2.44 lambda N at 550 nm, computed outside this project
    disc = optics.airy_diameter([8, 11, 16, 22])
    np.testing.assert_allclose(disc, np.array([10.74, 14.76, 21.47, 29.52]) * UM, atol=0.005 * UM)


def test_stop_series_is_the_engraved_one() -> None:
    # engraved 1.4 to 22 (ISO 517: that number is from memory); rounded by less than a tenth of a stop
    exact = np.sqrt(2.0) ** np.arange(1, len(optics.ENGRAVED_STOPS) + 1)
    off = 2.0 * np.log2(np.array(optics.ENGRAVED_STOPS) / exact)
    assert optics.ENGRAVED_STOPS[:9] == (1.4, 2.0, 2.8, 4.0, 5.6, 8.0, 11.0, 16.0, 22.0)
    assert np.all(np.abs(off) < 0.09)


def test_exposure_values() -> None:
    # EV = log2(N^2 / t): f/16 at 1/125 -> 14.966, at 1/128 -> 15
    assert optics.exposure_value(16, 1 / 125) == pytest.approx(14.966, abs=0.0005)
    assert optics.exposure_value(16, 1 / 128) == pytest.approx(15.0, abs=1e-12)
    # a meter manual prints EV 10 for both of these, engraved numbers
    assert optics.exposure_value([5.6, 11], [1 / 30, 1 / 8]) == pytest.approx([10.0, 10.0], abs=0.15)


def test_light_for_a_stop() -> None:
    # T4, ISO 800, 1/48 s: 22.3 foot-candles with C 250; a posted table asks 25, the rule of 25 says 24.0
    lux = optics.light_for_stop(4, 800, 1 / 48)
    assert round(optics.LUX_PER_FOOT_CANDLE, 3) == 10.764
    assert lux / optics.LUX_PER_FOOT_CANDLE == pytest.approx(22.3, abs=0.05)
    assert abs(np.log2(lux / optics.LUX_PER_FOOT_CANDLE / 25.0)) < 1 / 6
    # E = C 2^EV / S
    assert lux == pytest.approx(250.0 * 2.0 ** float(optics.exposure_value(4, 1 / 48)) / 800)


def test_doubling_the_rate_costs_one_stop() -> None:
    slow, fast = optics.light_for_stop(8, 800, [1 / 50, 1 / 100])
    assert np.log2(fast / slow) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("scale", "rate"),
    [(4, 48.0), (16, 96.0), (24, 117.6)],  # VES Handbook, appendix A; the last computed
)
def test_rate_for_things_that_fall(scale: float, rate: float) -> None:
    assert optics.rate_for_scale(24.0, scale) == pytest.approx(rate, abs=0.05)


def test_focus_between_two_distances_blurs_both_alike() -> None:
    focus = optics.focus_between(0.4, 1.25)
    near, far = optics.blur_diameter(35 * MM, 22, focus, [0.4, 1.25])
    assert near == pytest.approx(float(far), rel=1e-12)
    assert optics.focus_between(0.4, np.inf) == pytest.approx(0.8, rel=1e-12)
    # and no other focus keeps the worse of the two smaller
    others = np.linspace(0.3, 1.3, 401)
    worst = optics.blur_diameter(35 * MM, 22, others[:, None], [0.4, 1.25]).max(axis=1)
    assert np.all(worst >= near * (1 - 1e-9))


def test_stop_for_depth_is_just_enough() -> None:
    focus = optics.focus_between(0.4, 1.25)
    stop = optics.stop_for_depth(35 * MM, 0.025 * MM, 0.4, 1.25)
    near, far = optics.depth_of_field(35 * MM, stop, 0.025 * MM, focus)
    assert near == pytest.approx(0.4, abs=0.001 * MM)
    assert far == pytest.approx(1.25, abs=0.001 * MM)


def test_a_focus_inside_the_focal_length_is_refused() -> None:
    with pytest.raises(ValueError, match="focal length"):
        optics.magnification(50 * MM, 40 * MM)


def test_arrays_broadcast() -> None:
    h = optics.hyperfocal(np.array([[35.0], [50.0]]) * MM, [5.6, 8.0, 11.0], 0.025 * MM)
    assert h.shape == (2, 3)
    assert h[1, 2] == optics.hyperfocal(50 * MM, 11.0, 0.025 * MM)
