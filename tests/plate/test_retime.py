"""The retime composed with its take, by scipy and by formulas known by hand; its pieces against linear programming."""

from __future__ import annotations

from fractions import Fraction
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq, linprog

from previz.errors import PlateError
from previz.geometry import Array
from previz.plate.pieces import constant_speed_pieces
from previz.plate.retime import needed_rate, out_and_back, retimed, source_frames
from previz.plate.take import take_from_marks, take_of
from previz.rail import eased
from tests.plate.pushes import KINDS, pushed

MM = 1e-3
PAL, FIFTY = Fraction(25), Fraction(50)
ALLOWED = 0.05 * MM


def eased_move(frames: int = 100, travel: float = 120 * MM, ease: float = 0.1) -> Array:
    return travel * eased(np.linspace(0.0, 1.0, frames), ease)


def even_take(speed: float = 1.0 * MM, count: int = 200, start: float = -5 * MM):
    return take_of(np.arange(1, count + 1), start + speed * np.arange(count), FIFTY, "even.csv")


def test_an_even_push_gives_the_frames_of_a_ruler() -> None:
    # position = -5 + 1 x (frame - 1) mm, so frame = position + 6
    wanted = eased_move()
    table = retimed(even_take(), wanted, PAL, reveal_frame=1090)
    np.testing.assert_allclose(table.source, wanted / MM + 6.0, atol=1e-6)
    np.testing.assert_allclose(table.speed[:-1], np.diff(wanted) / MM, atol=1e-6)
    assert table.frames[0] == 1001
    assert table.frames[-1] == 1100
    assert set(table.direction) == {1}


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from(KINDS),
    st.integers(0, 10_000),
    st.floats(0.0, 0.3),
    st.booleans(),
    st.booleans(),
    st.sampled_from([0.0, 0.1, 0.5]),
)
def test_composing_the_table_with_the_take_gives_the_wanted_position(
    kind: str, seed: int, noise_mm: float, down: bool, mirrored: bool, ease: float
) -> None:
    true = pushed(kind, seed)
    measured = true + np.random.default_rng(seed).normal(0.0, noise_mm * MM, len(true))
    take = take_of(np.arange(1, 201), measured[::-1] if down else measured, FIFTY)
    wanted = eased_move(ease=ease)
    wanted = out_and_back(wanted) if mirrored else wanted
    table = retimed(take, wanted, PAL)
    # scipy's own interpolator, not the take's method
    composed = PchipInterpolator(take.frames, take.rail)(table.source)
    assert np.abs(composed - wanted).max() < ALLOWED
    assert np.abs(table.error).max() < ALLOWED
    assert (table.source >= 1.0).all()
    assert (table.source <= 200.0).all()
    # one way only: going on along the rail never goes back in the take
    order = np.argsort(wanted, kind="stable")
    steps = np.diff(table.source[order]) * (-1 if down else 1)
    assert (steps >= -1e-9).all()


@settings(max_examples=25, deadline=None)
@given(st.sampled_from(["even", "uneven"]), st.integers(0, 10_000), st.floats(1 * MM, 119 * MM))
def test_source_frames_are_scipys_roots(kind: str, seed: int, position: float) -> None:
    take = take_of(np.arange(1, 201), pushed(kind, seed), FIFTY, smooth=False)
    course = PchipInterpolator(take.frames, take.rail)
    root = brentq(lambda frame: float(course(frame)) - position, 10.0, 190.0, xtol=1e-12)
    assert float(source_frames(take, position)) == pytest.approx(root, abs=1e-6)


@pytest.mark.parametrize("held", [0, 12])
def test_the_way_back_plays_the_same_frames_mirrored(held: int) -> None:
    out = eased_move()
    take = take_of(np.arange(1, 201), pushed("uneven", 4), FIFTY)
    there = retimed(take, out, PAL)
    table = retimed(take, out_and_back(out, held), PAL)
    assert len(table.frames) == 199 + held
    np.testing.assert_array_equal(table.source[:100], there.source)
    np.testing.assert_array_equal(table.source[-100:], there.source[::-1])
    assert table.direction[50] == 1
    assert table.direction[-50] == -1
    assert [table.direction.count(way) for way in (1, 0, -1)] == [99, held, 100]
    text = " ".join(table.sentences)
    assert "play the take backwards" in text
    if held:
        assert "Frames 1100 to 1111 are held." in table.sentences
    else:
        assert "turns" in table.notes[99]


def test_a_standing_start_leaves_at_the_last_frame_of_standing() -> None:
    rail = np.concatenate([np.zeros(30), np.arange(1, 131) * MM])
    take = take_of(np.arange(1, 161), rail, FIFTY, smooth=False)
    assert source_frames(take, [0.0, 1 * MM]).tolist() == [30.0, 31.0]


def test_a_pause_is_left_at_its_last_frame() -> None:
    # 0 to 10 mm in frames 1 to 11, standing there to frame 31, then on
    rail = np.concatenate([np.arange(11), np.full(20, 10), np.arange(11, 60)]) * MM
    take = take_of(np.arange(1, 81), rail, FIFTY, smooth=False)
    assert source_frames(take, np.array([9, 10, 11]) * MM).tolist() == [10.0, 31.0, 32.0]


def test_a_pull_back_is_passed_over_and_told() -> None:
    speed = np.ones(160)
    speed[60:70] = -0.5
    rail = -5 * MM + np.concatenate([[0.0], np.cumsum(speed)[:-1]]) * MM
    take = take_of(np.arange(1, 161), rail, FIFTY, smooth=False)
    table = retimed(take, eased_move(travel=100 * MM), PAL)
    passed = [note for note in table.notes if "pulled back" in note]
    assert len(passed) == 1
    assert "passes over shot frames 61 to 76" in passed[0]
    # frame 61 is at 55 mm, and so is frame 76: nothing of the take between them is used
    assert not ((table.source > 61.0 + 1e-6) & (table.source < 76.0 - 1e-6)).any()


def test_slowing_beyond_the_shooting_rate_is_listed_with_how_much() -> None:
    # 0.4 mm a delivered frame of a 1 mm a shot frame push: 0.4 of normal, 1.5 in-betweens to a shot frame
    table = retimed(even_take(), np.concatenate([np.arange(10) * 0.4, 3.6 + np.arange(1, 11) * 2.0]) * MM, PAL)
    np.testing.assert_allclose(table.made_up[:9], 1.5, atol=1e-6)
    assert (table.made_up[9:] == 0.0).all()
    assert table.notes[0] == "slowed to 0.40 of normal, 1.5 in-between frames to a shot one"
    assert table.notes[12] == ""
    said = next(said for said in table.sentences if said.startswith("Frames 1001 to 1009 are slowed to 0.40"))
    assert "shooting at 125 frames a second, or pushing 2.5 times slower there, does without" in said


def test_nearest_frames_miss_by_at_most_half_a_step() -> None:
    table = retimed(even_take(), eased_move(), PAL)
    assert 0.3 * MM < np.abs(table.nearest_error).max() <= 0.5 * MM + 1e-9


@pytest.mark.parametrize(
    ("travel", "start", "said"),
    [
        (200.0, 0.0, ["never reaches the reveal", "mm short", "does not reach the end of the move at 200.00 mm"]),
        (195.0, 0.0, ["does not reach the end of the move at 195.00 mm (frame 1100): 1.00 mm short"]),
        (120.0, -9.0, ["does not cover the start of the move at -9.00 mm (frame 1001): 4.00 mm short"]),
        (220.0, -9.0, ["start of the move at -9.00 mm", "end of the move at 211.00 mm (frame 1100): 17.00 mm short"]),
    ],
)
def test_a_take_that_falls_short_is_refused_with_the_shortfall(travel: float, start: float, said: list[str]) -> None:
    # the even take covers -5 to 194 mm
    wanted = start * MM + eased_move(travel=travel * MM)
    with pytest.raises(PlateError) as caught:
        # where it reaches the reveal it is held beyond it; without one the end is what counts
        retimed(even_take(), wanted, PAL, reveal_frame=1097 if travel != 195.0 else None)
    text = str(caught.value)
    assert text.startswith("even.csv: the take covers -5.00 mm to 194.00 mm of the rail; ")
    for part in said:
        assert part in text
    if travel == 195.0:
        assert "reveal" not in text
    assert "\n" not in text
    back = out_and_back(wanted)
    with pytest.raises(PlateError) as caught:
        retimed(even_take(), back, PAL)
    # the end come back to is the start: told once
    assert str(caught.value).count("mm short") == (2 if travel == 220.0 else 1)


def test_a_take_that_ends_beyond_the_reveal_is_held_there_and_told() -> None:
    """The even take covers up to 194 mm at 1 mm a shot frame: 3 mm short of the move's end, past the reveal."""
    wanted = eased_move(travel=197.0 * MM)
    table = retimed(even_take(), wanted, PAL, reveal_frame=1090)
    held = wanted > 194.0 * MM
    np.testing.assert_allclose(table.take.position(table.source[held]), 194.0 * MM, atol=1e-9)
    np.testing.assert_allclose(table.take.position(table.source[~held]), wanted[~held], atol=ALLOWED)
    assert "ends 3.000 mm before this position" in table.notes[-1]
    said = " ".join(table.sentences)
    assert f"At {held.sum()} frames the take's end is held, up to 3.000 mm before" in said
    step = float(np.diff(wanted)[np.flatnonzero(held)[0] - 1])
    assert f"stops dead there where the move still goes at {step * 25 / MM:.1f} mm/s: push again 3.0 mm" in said
    # short of the reveal it is refused still
    with pytest.raises(PlateError, match="never reaches the reveal"):
        retimed(even_take(), wanted, PAL, reveal_frame=1100)
    # out and back the same places are held
    back = retimed(even_take(), out_and_back(wanted), PAL, reveal_frame=1090)
    np.testing.assert_allclose(back.source[:100], table.source)


def test_pieces_keep_within_a_tenth_of_a_millimetre() -> None:
    for kind in ("uneven", "pausing"):
        take = take_of(np.arange(1, 201), pushed(kind, 3), FIFTY)
        table = retimed(take, eased_move(), PAL)
        pieces = table.pieces()
        shown = np.concatenate([piece.source() for piece in pieces])
        apart = np.abs(PchipInterpolator(take.frames, take.rail)(shown) - table.wanted)
        assert apart.max() < 0.1 * MM + ALLOWED
        assert table.pieces_error(pieces) <= 0.1 * MM + 1e-9
        assert len(pieces) < len(table.frames)


def test_a_hair_short_is_held_and_told() -> None:
    wanted = eased_move(travel=194.04 * MM)
    table = retimed(even_take(), wanted, PAL)
    assert np.abs(table.error).max() < ALLOWED
    assert "ends 0.040 mm before this position" in table.notes[-1]
    with pytest.raises(PlateError, match=r"0\.04 mm short"):
        retimed(even_take(), wanted, PAL, allowed=0.01 * MM)


def test_from_stop_to_stop_with_a_noisy_gauge_is_no_shortfall() -> None:
    deviation = 0.1 * MM
    for seed in range(20):
        true = pushed("uneven", seed, start=0.0, end=120 * MM)
        take = take_of(np.arange(1, 201), true + np.random.default_rng(seed).normal(0.0, deviation, 200), FIFTY)
        table = retimed(take, out_and_back(eased_move()), PAL)
        # held at the stops, where the true position is the wanted one
        ends = PchipInterpolator(np.arange(1, 201), true)(table.source[[0, 99, 198]])
        assert np.abs(ends - table.wanted[[0, 99, 198]]).max() < 4.0 * deviation
        inside = (table.wanted >= take.rail.min()) & (table.wanted <= take.rail.max())
        assert np.abs(table.error[inside]).max() < ALLOWED
        assert np.abs(table.error).max() <= 3.0 * take.noise


def test_one_delivered_frame() -> None:
    table = retimed(even_take(), [10.5 * MM], PAL)
    assert table.source[0] == pytest.approx(16.5)
    assert table.speed.tolist() == [0.0]
    assert table.direction == (0,)
    assert table.notes == ("",)
    assert "One delivered frame: shot frame 16.50, shown as a still." in table.sentences
    assert len(table.pieces()) == 1


def test_a_camera_that_stands_where_it_is_wanted() -> None:
    still = take_of([1, 2, 3], [0.01, 0.01, 0.01], FIFTY)
    table = retimed(still, [0.01, 0.01], PAL)
    assert table.direction == (0, 0)
    assert table.notes == ("held", "held")
    with pytest.raises(PlateError, match=r"10\.00 mm short"):
        retimed(still, [0.01, 0.02], PAL)


def test_marks_retime_too() -> None:
    take = take_from_marks([0.0, 0.05, 0.12], [0.0, 1.0, 3.0], FIFTY)
    table = retimed(take, eased_move(), PAL)
    assert np.abs(PchipInterpolator([1.0, 51.0, 151.0], [0.0, 0.05, 0.12])(table.source) - table.wanted).max() < 1e-9


@pytest.mark.parametrize("wanted", [[], [0.0, np.nan], [[0.0, 0.1]]])
def test_no_wanted_positions_are_refused(wanted: list[float]) -> None:
    with pytest.raises(PlateError, match="position for every delivered frame"):
        retimed(even_take(), wanted, PAL)


def test_other_wrong_questions_are_refused() -> None:
    with pytest.raises(PlateError, match="the reveal, frame 1200, is no frame of the move, 1001 to 1100"):
        retimed(even_take(), eased_move(), PAL, reveal_frame=1200)
    with pytest.raises(PlateError, match="not a delivered rate"):
        retimed(even_take(), eased_move(), Fraction(0))


def test_rates_that_do_not_divide_change_nothing() -> None:
    film = Fraction(24000, 1001)
    a, b = retimed(even_take(), eased_move(), PAL), retimed(even_take(), eased_move(), film)
    np.testing.assert_array_equal(a.source, b.source)
    np.testing.assert_array_equal(a.speed, b.speed)


def test_the_needed_rate() -> None:
    # 0.5 mm a delivered frame, pushed at 100 mm/s: 200 shot frames a second hold one for each
    even = needed_rate(np.arange(50) * 0.5 * MM, PAL, 0.1)
    assert even.rate == pytest.approx(200.0)
    assert even.slower == 0
    assert "Pushed at 100 mm/s, the slide needs 200 frames a second or more" in even.sentence
    # a take pushed at that speed and shot at that rate needs no in-between
    take = take_of(np.arange(100), np.arange(100) * 0.1 / 200, Fraction(200), smooth=False)
    assert (retimed(take, np.arange(50) * 0.5 * MM, PAL).made_up == 0.0).all()
    assert (retimed(take, np.arange(50) * 0.4 * MM, PAL).made_up > 0.0).any()
    slow = needed_rate(eased_move(), PAL, 0.1)
    assert slow.slower > 0
    assert "are slower still" in slow.sentence
    assert needed_rate([0.1, 0.1], PAL, 0.1).rate == 0.0
    with pytest.raises(PlateError, match="does not move the slide"):
        needed_rate(eased_move(), PAL, 0.0)


@settings(max_examples=30, deadline=None)
@given(
    st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=10),
    st.sampled_from([0.05, 0.25, 1.0]),
)
def test_pieces_are_the_fewest_by_linear_programming(steps: list[float], tolerance: float) -> None:
    curve = np.cumsum(steps)
    lowest, highest = float(curve.min()), float(curve.max())
    pieces = constant_speed_pieces(curve, tolerance, lowest, highest)
    shown = np.concatenate([piece.source() for piece in pieces])
    assert [piece.first for piece in pieces] == np.cumsum([0] + [piece.count for piece in pieces[:-1]]).tolist()
    # start and speed are kept to a billionth of a frame, over at most ten frames
    assert np.abs(shown - curve).max() <= tolerance + 1e-8
    assert shown.min() >= lowest - 1e-8
    assert shown.max() <= highest + 1e-8

    @cache
    def fits(a: int, b: int) -> bool:
        at = np.arange(b - a, dtype=float)
        above, below = np.minimum(curve[a:b] + tolerance, highest), np.maximum(curve[a:b] - tolerance, lowest)
        line = np.column_stack([np.ones(b - a), at])
        # a hair wider, so that the solver's own tolerance does not decide
        got = linprog(
            [0.0, 0.0],
            A_ub=np.vstack([line, -line]),
            b_ub=np.concatenate([above, -below]) + 1e-7,
            bounds=[(None, None)] * 2,
        )
        return bool(got.status == 0)

    fewest = [0] + [len(curve)] * len(curve)
    for b in range(1, len(curve) + 1):
        fewest[b] = min(fewest[a] + 1 for a in range(b) if fits(a, b))
    assert len(pieces) >= fewest[-1]
    # the hair may save the solver a piece where a curve just touches the limit; without it there is none to save
    if len(pieces) > fewest[-1]:
        assert len(constant_speed_pieces(curve, tolerance + 2e-7, lowest - 2e-7, highest + 2e-7)) <= fewest[-1]


def test_a_piece_of_an_even_curve_has_its_speed() -> None:
    # from the first frame of the take on, where the line may not go lower
    (piece,) = constant_speed_pieces(1.0 + 2.0 * np.arange(60), 0.25, 1.0, 200.0)
    assert (piece.start, piece.speed) == (1.0, 2.0)


def test_pieces_of_an_even_move_out_and_back() -> None:
    # two straight lines: two pieces, the turn in either
    curve = np.concatenate([np.arange(50), 48.0 - np.arange(49)]) * 1.3 + 10.0
    pieces = constant_speed_pieces(curve, 0.25)
    assert [round(piece.speed, 2) for piece in pieces] == [1.3, -1.3]
    with pytest.raises(ValueError, match="tolerance"):
        constant_speed_pieces(curve, 0.0)
