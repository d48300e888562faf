"""What a take, its push and its retime are said to be, at the numbers where the answer turns.

The limits themselves are judgement or common practice without a source, as the code says beside them: each is held
from both sides by a push whose course is known by construction.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.pieces import constant_speed_pieces
from previz.plate.push import Push, judged
from previz.plate.retime import needed_rate, retimed
from previz.plate.take import Take, noise_of, smoothed, take_of

MM = 1e-3
FIFTY, PAL = Fraction(50), Fraction(25)


def course(speed_mm: Array) -> Array:
    """Positions (N,) m of a push of ``speed_mm`` (N - 1,) mm from each frame to the next."""
    return np.concatenate([[0.0], np.cumsum(speed_mm)]) * MM


def pushed(speed_mm: Array) -> Push:
    """Such a push, shot at 50 a second and measured without noise."""
    rail = course(speed_mm)
    return judged(take_of(np.arange(len(rail)), rail, FIFTY, smooth=False))


def as_measured(rail: Array, noise: float) -> Take:
    """A take that is said to have so much noise."""
    return Take("take", FIFTY, np.arange(1.0, len(rail) + 1.0), rail, rail, noise)


def test_a_reading_stands_apart_beyond_ten_times_the_noise_and_three_steps() -> None:
    # a step of 0.5 mm and a deviation of 0.1 mm: 10 x 0.1 + 3 x 0.5 = 2.5 mm
    rail = np.arange(200) * 0.5 * MM + np.random.default_rng(2).normal(0.0, 0.1 * MM, 200)
    for off, found in ((1.5, ()), (4.0, (120,))):
        spoilt = rail.copy()
        spoilt[120] += off * MM
        assert take_of(np.arange(200), spoilt, FIFTY).apart == found


def test_the_weight_of_smoothing_is_the_one_of_least_cp() -> None:
    # Mallows' Cp (Technometrics 15, 1973, from memory) by whole matrices: residual sum + 2 sigma^2 trace of the hat
    sigma, count = 0.1 * MM, 120
    true = 0.06 * np.sin(np.linspace(0.0, 5.0, count))
    noisy = true + np.random.default_rng(6).normal(0.0, sigma, count)
    differences = np.diff(np.eye(count), 3, axis=0)
    risks, curves = [], []
    for penalty in np.geomspace(1e-3, (2.0 * np.sin(np.pi / 50.0)) ** -6.0, 41):
        hat = np.linalg.inv(np.eye(count) + penalty * differences.T @ differences)
        curves.append(hat @ noisy)
        risks.append(float(((noisy - curves[-1]) ** 2).sum()) + 2.0 * sigma**2 * float(np.trace(hat)))
    best = int(np.argmin(risks))
    assert 5 < best < 40
    # next to the least one at most: the trace is taken from the frequencies, not from the matrix
    near = [float(np.abs(smoothed(noisy, sigma, 50.0) - curve).max()) for curve in curves[best - 1 : best + 2]]
    assert min(near) < 1e-6 * MM


def test_what_a_hand_does_within_a_second_is_left_alone() -> None:
    # at the strongest penalty, 1 / (2 sin(w / 2))^6 at one second, half of a sine of that period is left (Whittaker's
    # smoother passes 1 / (1 + penalty (2 sin(w / 2))^6)), and 64 of 65 parts of one of two seconds
    at = np.arange(1000)
    for period, left in ((50, 0.5), (100, 64.0 / 65.0)):
        sine = MM * np.sin(2.0 * np.pi * at / period)
        kept = smoothed(sine, 1000.0 * MM, 50.0)[300:700]
        assert float(np.std(kept) / np.std(sine[300:700])) == pytest.approx(left, abs=0.005)


def test_noise_is_the_deviation_of_normal_noise() -> None:
    # 0.1 mm drawn; the median of 3000 third differences is sure to 2 %
    rail = np.arange(3000) * 0.5 * MM + np.random.default_rng(1).normal(0.0, 0.1 * MM, 3000)
    assert noise_of(rail) == pytest.approx(0.1 * MM, rel=0.06)


def test_a_pause_is_slower_than_a_tenth_for_an_eighth_of_a_second() -> None:
    def with_slow(share: float, frames: int) -> int:
        speed = np.ones(200)
        speed[80 : 80 + frames] = share
        return len(pushed(speed).pauses)

    assert [with_slow(share, 40) for share in (0.05, 0.15, 0.25)] == [1, 0, 0]
    # at 50 a second an eighth of a second is 6.25 frames
    assert [with_slow(0.0, frames) for frames in (5, 9)] == [0, 1]


def test_the_typical_speed_is_that_at_which_half_of_the_way_is_behind() -> None:
    # 100 mm at 50 mm/s, then 150 mm at 150 mm/s: 125 of 250 mm lie in the second part
    assert pushed(np.repeat([1.0, 3.0], [100, 50])).speed == pytest.approx(150.0 * MM)
    assert pushed(np.repeat([1.0, 3.0], [160, 50])).speed == pytest.approx(50.0 * MM)


def test_a_pull_back_of_a_tenth_of_a_millimetre_is_told() -> None:
    for depth, told in ((0.05, 0), (0.2, 1)):
        speed = np.ones(100)
        speed[50] = -depth
        assert len(pushed(speed).pulls) == told


def test_a_take_may_fall_a_twentieth_of_a_millimetre_short() -> None:
    rail = course(np.ones(100))
    retimed(as_measured(rail, 0.0), np.array([0.0, 50.0, 100.04]) * MM, PAL)
    with pytest.raises(PlateError, match=r"0\.20 mm short"):
        retimed(as_measured(rail, 0.0), np.array([0.0, 50.0, 100.2]) * MM, PAL)


def test_a_noisy_take_may_fall_three_deviations_short() -> None:
    rail = course(np.ones(100))
    retimed(as_measured(rail, 0.1 * MM), np.array([0.0, 50.0, 100.28]) * MM, PAL)
    with pytest.raises(PlateError, match=r"0\.40 mm short"):
        retimed(as_measured(rail, 0.1 * MM), np.array([0.0, 50.0, 100.4]) * MM, PAL)


def test_the_needed_rate_counts_steps_from_a_tenth_of_the_longest() -> None:
    # steps of 1.5, 10 and 0.5 mm: 1 mm is a tenth, so 1.5 mm is the slowest counted; 150 mm/s / 1.5 mm = 100 a second
    needed = needed_rate(np.array([0.0, 1.5, 11.5, 12.0]) * MM, PAL, 150.0 * MM)
    assert needed.rate == pytest.approx(100.0)
    assert needed.slower == 1


def test_how_many_frames_are_made_up_and_what_mends_it() -> None:
    # 1 mm a shot frame; wanted 0.25 mm a delivered frame: three frames in between to each shot one
    take = as_measured(course(np.ones(100)), 0.0)
    table = retimed(take, 10.0 * MM + np.arange(20) * 0.25 * MM, PAL)
    assert table.made_up == pytest.approx(np.full(20, 3.0), abs=1e-6)
    assert "shooting at 200 frames a second" in " ".join(table.sentences)
    # a twentieth of normal is a start or stop that no rate mends
    slow = retimed(take, 10.0 * MM + np.arange(20) * 0.05 * MM, PAL)
    assert "no rate is enough" in " ".join(slow.sentences)


def test_pieces_of_constant_speed_stay_within_a_quarter_of_a_frame() -> None:
    curve = 0.01 * np.arange(100.0) ** 2
    pieces = constant_speed_pieces(curve)
    off = np.concatenate([piece.source() for piece in pieces]) - curve
    assert np.abs(off).max() < 0.25 + 1e-6
    assert np.abs(off).max() > 0.2
