"""A take read, cleaned and judged, against pushes whose true course is known and against numpy and scipy."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from previz.errors import PlateError
from previz.plate.push import judged
from previz.plate.rates import rate_text, rates_sentence, slowing_sentence
from previz.plate.take import (
    _third_difference_bands,
    noise_of,
    read_take,
    read_wanted,
    smoothed,
    take_from_marks,
    take_of,
)
from tests.plate.pushes import KINDS, pushed

MM = 1e-3
FIFTY = Fraction(50)
PAL = Fraction(25)
NTSC_FILM = Fraction(24000, 1001)


def written(tmp_path: Path, text: str, name: str = "take.csv", encoding: str = "utf-8") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode(encoding))
    return path


def test_frames_and_positions_are_read(tmp_path: Path) -> None:
    take = read_take(written(tmp_path, "frame,rail_mm\n101,0.5\n102,1.25\n\n103,-2\n"), FIFTY)
    assert take.frames.tolist() == [101.0, 102.0, 103.0]
    np.testing.assert_allclose(take.measured, np.array([0.5, 1.25, -2.0]) * MM, atol=1e-9 * MM)
    assert take.name == "take.csv"
    assert take.noise == 0.0


def test_a_spreadsheet_of_another_country_is_read(tmp_path: Path) -> None:
    text = "note;rail_mm;Frame\r\nfirst;0,5;1\r\n;1,25;2\r\n"
    take = read_take(written(tmp_path, text, encoding="utf-8-sig"), FIFTY)
    np.testing.assert_allclose(take.measured, np.array([0.5, 1.25]) * MM, atol=1e-9 * MM)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "take.csv is empty; its first line must read"),
        ("1,0.5\n2,0.7\n", "take.csv, line 1: the first line must name the columns"),
        ("frame,rail_cm\n1,2\n", 'line 1: found the column "rail_cm", expected "rail_mm"'),
        ("frame,rail\n1,2\n", 'found the column "rail", expected "rail_mm"'),
        ("frame,rail_mm,rail_mm\n1,2,2\n", 'the column "rail_mm" is there twice'),
        ("frame,rail_mm\n", "has a header and no rows"),
        ("frame,rail_mm\n1,0\n2,abc\n", 'line 3: rail_mm must be a number like 12.5, found "abc"'),
        ("frame,rail_mm\n1,0\n2\n", "line 3: rail_mm must be a number like 12.5, found nothing"),
        ("frame,rail_mm\n1,0\n2,1e999\n", "line 3: rail_mm must be a number"),
        ("frame,rail_mm\n1,0\n2,1_0\n", "line 3: rail_mm must be a number"),
        ("frame,rail_mm\n1,0\n2.5,1\n", "line 3: frame 2.5 is not a whole number"),
        ("frame,rail_mm\n1,0\n\n1,1\n", "line 4: frame 1 comes after 1"),
        ("frame,rail_mm\n1,0\n", "has one row; a take needs at least two"),
        ("frame,rail_mm\n1,0\n99999999,2\n", "are too few; check the frame numbers"),
        ("rail_mm,time_s\n0,1\n5,1\n", "line 3: time_s 1 comes after 1; times must rise"),
    ],
)
def test_what_cannot_be_read_is_told_with_its_line(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(PlateError) as caught:
        read_take(written(tmp_path, text), FIFTY)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_no_file_or_no_text_is_told(tmp_path: Path) -> None:
    with pytest.raises(PlateError, match="cannot read"):
        read_take(tmp_path / "none.csv", FIFTY)
    with pytest.raises(PlateError, match="not plain text in UTF-8"):
        read_take(written(tmp_path, "frame,rail_mm\n1,0\n", encoding="utf-16"), FIFTY)


def test_wanted_positions_are_read_without_gaps(tmp_path: Path) -> None:
    first, rail = read_wanted(written(tmp_path, "frame,rail_mm\n1001,0\n1002,1.5\n"))
    assert first == 1001
    np.testing.assert_allclose(rail, [0.0, 1.5 * MM], atol=1e-9 * MM)
    with pytest.raises(PlateError, match="line 3: frame 1002 is missing"):
        read_wanted(written(tmp_path, "frame,rail_mm\n1001,0\n1003,1.5\n"))


def test_marks_pass_through_their_times_and_never_overshoot(tmp_path: Path) -> None:
    take = read_take(written(tmp_path, "rail_mm,time_s\n0,0.1\n10,0.5\n20,0.7\n30,2.0\n"), FIFTY, first_frame=1001)
    # frame = first frame + time x rate: 1001 + 0.1 x 50
    np.testing.assert_allclose(take.position([1006.0, 1026.0, 1036.0, 1101.0]), np.array([0, 10, 20, 30]) * MM)
    fine = np.linspace(1006.0, 1101.0, 2000)
    assert (np.diff(take.position(fine)) >= 0.0).all()
    assert "marks only, up to 10.0 mm apart" in " ".join(judged(take).sentences)


def test_missing_frames_are_filled_and_told() -> None:
    true = pushed("even", 0)
    kept = np.delete(np.arange(200), [60, 61, 90])
    take = take_of(kept + 1, true[kept], FIFTY)
    assert take.filled == (61, 62, 91)
    assert np.abs(take.rail - true).max() < 0.05 * MM
    assert any("3 shot frames were not measured" in said and "61, 62, 91" in said for said in judged(take).sentences)


def test_third_differences_are_numpys() -> None:
    # the banded matrix against D'D from numpy.diff of the unit matrix
    differences = np.diff(np.eye(15), 3, axis=0)
    full = differences.T @ differences
    bands = _third_difference_bands(15)
    for apart in range(4):
        np.testing.assert_allclose(bands[3 - apart, apart:], np.diag(full, apart), atol=1e-12)
    assert np.abs(np.triu(full, 4)).max() < 1e-12


@pytest.mark.parametrize("deviation", [0.03 * MM, 0.1 * MM, 0.3 * MM])
def test_the_noise_is_found(deviation: float) -> None:
    found = [
        noise_of(pushed(kind, seed) + np.random.default_rng(seed).normal(0.0, deviation, 200))
        for kind in KINDS
        for seed in range(10)
    ]
    assert np.mean(found) == pytest.approx(deviation, rel=0.1)
    # the median of 150 numbers that depend on one another: some 10 % from one take to the next
    assert np.std(found) < 0.2 * deviation


@pytest.mark.parametrize("kind", KINDS)
def test_a_clean_take_is_left_alone(kind: str) -> None:
    true = pushed(kind, 3)
    assert np.abs(take_of(np.arange(200), true, FIFTY).rail - true).max() < 0.02 * MM


@pytest.mark.parametrize("kind", KINDS)
def test_smoothing_lessens_the_noise(kind: str) -> None:
    deviation = 0.1 * MM
    errors = []
    for seed in range(8):
        true = pushed(kind, seed)
        noisy = true + np.random.default_rng(100 + seed).normal(0.0, deviation, 200)
        errors.append(take_of(np.arange(200), noisy, FIFTY).rail - true)
    assert np.sqrt(np.mean(np.square(errors))) < 0.65 * deviation


def test_an_accelerated_push_keeps_its_ends() -> None:
    # a parabola has no third difference: whatever the noise is said to be, nothing may move, least of all the ends
    parabola = 0.02 + 0.1 * np.linspace(0.0, 1.0, 120) ** 2
    np.testing.assert_allclose(smoothed(parabola, 0.2 * MM, 50.0), parabola, atol=1e-6 * MM)
    noisy = [parabola + np.random.default_rng(seed).normal(0.0, 0.2 * MM, 120) for seed in range(200)]
    ends = np.array([smoothed(take, 0.2 * MM, 50.0)[[0, -1]] for take in noisy]) - parabola[[0, -1]]
    # no bias: three standard errors of the mean of 200
    assert np.abs(ends.mean(axis=0)).max() < 3.0 * 0.2 * MM / np.sqrt(200)
    assert ends.std() < 0.2 * MM
    # a running mean of nine, for comparison, draws the far end in by more than the noise
    running = np.convolve(parabola, np.ones(9) / 9, "valid")
    assert parabola[-1] - running[-1] > 3.0 * MM


def test_pauses_and_pulls_are_told_where_they_are() -> None:
    speed = np.ones(200)
    speed[60:90] = 0.0
    speed[130:140] = -0.5
    true = np.concatenate([[0.0], np.cumsum(speed)[:-1]]) * MM
    noisy = true + np.random.default_rng(5).normal(0.0, 0.03 * MM, 200)
    for take in (take_of(np.arange(1, 201), true, FIFTY), take_of(np.arange(1, 201), noisy, FIFTY)):
        push = judged(take)
        assert push.direction == 1
        assert push.speed == pytest.approx(50 * MM, rel=0.05)
        assert len(push.pauses) == 1
        assert push.pauses[0].first == pytest.approx(61, abs=3)
        assert push.pauses[0].last == pytest.approx(91, abs=3)
        assert len(push.pulls) == 1
        assert push.pulls[0].depth == pytest.approx(5.0 * MM, abs=0.4 * MM)
        assert push.pulls[0].first == pytest.approx(131, abs=2)
        # pulled back 5 mm at half pace, then 5 frames to make them good
        assert push.pulls[0].last == pytest.approx(146, abs=2)
        text = " ".join(push.sentences)
        assert "pauses at shot frames" in text
        assert "pulled back by" in text


def test_standing_while_pulled_back_is_no_pause_of_its_own() -> None:
    speed = np.ones(200)
    speed[60:66] = -1.0
    speed[66:86] = 0.0
    push = judged(take_of(np.arange(1, 201), np.concatenate([[0.0], np.cumsum(speed)[:-1]]) * MM, FIFTY, smooth=False))
    assert push.pauses == ()
    assert [(pull.first, pull.last) for pull in push.pulls] == [(61.0, 93.0)]


def test_a_push_down_the_rail_and_a_standing_camera() -> None:
    down = judged(take_of(np.arange(200), pushed("even", 0)[::-1], FIFTY))
    assert down.direction == -1
    assert down.start > down.end
    still = judged(take_of([1, 2, 3], [0.01, 0.01, 0.01], FIFTY))
    assert still.sentences == ("take: the camera stands at 10.0 mm throughout.",)


def test_jitter_is_the_second_difference_of_the_shaking() -> None:
    even = np.linspace(0.0, 0.4, 400)
    # two periods in the half second that is taken as the slow course
    shaken = even + 0.2 * MM * np.sin(np.arange(400) * 2 * np.pi / 12.5)
    assert judged(take_of(np.arange(400), even, FIFTY, smooth=False)).jitter < 1e-6 * MM
    # second difference of a sine: amplitude x (2 sin(w / 2))^2, over root two
    expected = 0.2 * MM * (2 * np.sin(np.pi / 12.5)) ** 2 / np.sqrt(2)
    assert judged(take_of(np.arange(400), shaken, FIFTY, smooth=False)).jitter == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("wrong", [[80], [80, 81], [100, 101, 102]])
def test_mistyped_readings_are_left_out_and_told(wrong: list[int]) -> None:
    true = pushed("uneven", 1)
    rail = true.copy()
    rail[wrong] += 20 * MM
    take = take_of(np.arange(1, 201), rail, FIFTY)
    assert take.apart == tuple(frame + 1 for frame in wrong)
    assert np.abs(take.rail - true).max() < 0.1 * MM
    assert f"check shot frames {wrong[0] + 1}" in " ".join(judged(take).sentences)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("deviation", [0.0, 0.1 * MM])
def test_a_hand_is_not_called_mistyped(kind: str, deviation: float) -> None:
    for seed in range(10):
        rail = pushed(kind, seed) + np.random.default_rng(seed).normal(0.0, deviation, 200)
        assert take_of(np.arange(200), rail, FIFTY).apart == ()


def test_rates_that_divide_and_rates_that_do_not() -> None:
    assert rate_text(PAL) == "25"
    assert rate_text(NTSC_FILM) == "23.976 (24000/1001)"
    assert rates_sentence(PAL, PAL) == ""
    assert "every 2nd plate frame" in rates_sentence(FIFTY, PAL)
    assert "every plate frame is shown 2 times" in rates_sentence(Fraction(25, 2), PAL)
    said = rates_sentence(NTSC_FILM, PAL)
    assert "the rates do not divide" in said
    # 25 / (24000 / 1001) = 1.04271
    assert "4.3% faster" in said
    assert "can be slowed 2 times" in slowing_sentence(FIFTY, PAL)
    assert "no frames to spare" in slowing_sentence(NTSC_FILM, PAL)
    for wrong in (rates_sentence, slowing_sentence):
        with pytest.raises(PlateError, match="is not a rate"):
            wrong(Fraction(0), PAL)


def test_what_is_no_take_is_refused() -> None:
    with pytest.raises(PlateError, match="at least two"):
        take_of([1], [0.0], FIFTY)
    with pytest.raises(PlateError, match="not a number"):
        take_of([1, 2], [0.0, np.nan], FIFTY)
    with pytest.raises(PlateError, match="must rise"):
        take_from_marks([0.0, 0.1], [1.0, 1.0], FIFTY)
    with pytest.raises(PlateError, match="must be whole"):
        take_of([1.5, 2.5], [0.0, 0.1], FIFTY)
    with pytest.raises(PlateError, match="not a shooting rate"):
        take_of([1, 2], [0.0, 0.1], Fraction(0))
