"""Bars, the room behind them, and a drift that never shows the edge."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from previz.errors import PlateError
from previz.plate.framing import ReframeRoom, bars_of, drift_curve, fastest_drift, framed, room_in, spare_lines


def test_scope_inside_high_definition() -> None:
    # check values, optics: 2.39 inside 1920 x 1080 leaves 803 or 804 lines, 138 px above and below
    bars = bars_of(1920, 1080, 2.39)
    assert bars.size_px == (1920, 804)
    room = room_in(bars)
    assert (room.up_px, room.down_px) == (138, 138)
    assert room.text == "the picture can be reframed 138 px up and 138 px down inside the bars"


@pytest.mark.parametrize(("frame", "aspect"), [((4096, 2160), 2.387), ((4096, 2160), 1.85), ((1920, 1080), 1.33)])
def test_known_containers(frame: tuple[int, int], aspect: float) -> None:
    # check values, optics: 4096 x 1716 is 2.387, 3996 x 2160 is 1.850
    expected = {2.387: (4096, 1716), 1.85: (3996, 2160), 1.33: (1436, 1080)}[aspect]
    assert bars_of(*frame, aspect).size_px == expected


@given(width=st.integers(16, 4096), height=st.integers(16, 4096), aspect=st.floats(0.3, 4.0))
@settings(max_examples=100, deadline=None)
def test_bars_are_alike_on_both_sides_and_the_aspect_is_met_to_a_pixel(width: int, height: int, aspect: float) -> None:
    bars = bars_of(width, height, aspect)
    wide, high = bars.size_px
    assert bars.left == width - bars.right
    assert bars.top == height - bars.bottom
    assert bars.left == 0 or bars.top == 0
    assert abs(wide - min(width, height * aspect)) <= 1.0 + 1e-9
    assert abs(high - min(height, width / aspect)) <= 1.0 + 1e-9


def test_no_bars_leave_no_room() -> None:
    room = room_in(bars_of(1280, 720, None))
    assert (room.up_px, room.down_px) == (0, 0)
    with pytest.raises(PlateError, match="no room above or below"):
        drift_curve(100, 5.0, room)


def test_bars_thinner_than_a_pixel_are_refused() -> None:
    with pytest.raises(PlateError, match="leave no picture"):
        bars_of(16, 1080, 200.0)


def test_what_the_whole_sensor_gives_besides() -> None:
    # 35.9 x 24.0 mm at 1920 wide is 1283.6 lines: 203.6 more than the frame, half of them on either side
    spare = spare_lines((0.0359, 0.0240), 1920, 1080)
    assert spare.up_px == pytest.approx(0.5 * (24.0 / 35.9 * 1920 - 1080))
    assert room_in(bars_of(1920, 1080, 2.39), spare.up_px, spare.down_px).up_px == pytest.approx(239.8, abs=0.05)
    assert spare_lines((0.0359, 0.0100), 1920, 1080).up_px == 0.0


def test_a_drift_starts_and_ends_at_rest() -> None:
    room = ReframeRoom(138, 138)
    curve = drift_curve(100, 40.0, room)
    assert (curve[0], curve[-1]) == (0.0, 40.0)
    assert (np.diff(curve) > 0.0).all()
    # ease 50 %: half the way at half the time, the top speed twice the mean
    assert np.interp(49.5, np.arange(100), curve) == pytest.approx(20.0)
    assert fastest_drift(curve) == pytest.approx(2.0 * 40.0 / 99.0, rel=0.02)
    # a steady pull: the speed changes by the same amount in every frame of the first half
    assert np.diff(curve[:49], n=2) == pytest.approx(np.full(47, 4.0 * 40.0 / 99.0**2))


@given(
    frames=st.integers(1, 200), drift=st.floats(-120, 120), start=st.floats(-60, 60),
    up=st.integers(0, 150), down=st.integers(0, 150), ease=st.floats(0.01, 0.5),
)  # fmt: skip
@settings(max_examples=200, deadline=None)
def test_the_edge_is_never_shown(frames: int, drift: float, start: float, up: int, down: int, ease: float) -> None:
    if not all(-down - 1e-9 <= place <= up + 1e-9 for place in (start, start + drift)):
        with pytest.raises(PlateError) as told:
            drift_curve(frames, drift, ReframeRoom(up, down), start, ease)
        assert "\n" not in str(told.value)
        return
    curve = drift_curve(frames, drift, ReframeRoom(up, down), start, ease)
    assert len(curve) == frames
    assert curve.max() <= up + 1e-6
    assert curve.min() >= -down - 1e-6


def test_a_drift_too_long_is_refused_with_what_is_possible() -> None:
    room = room_in(bars_of(1920, 1080, 2.39))
    with pytest.raises(PlateError, match="at most 138 px up, and 276 px if it starts 138 px below"):
        drift_curve(100, 200.0, room)
    with pytest.raises(PlateError, match="at most 108 px down, and 276 px if it starts 138 px above"):
        drift_curve(100, -109.0, room, start_px=-30.0)
    with pytest.raises(PlateError, match="start between -138 and 138"):
        drift_curve(100, 1.0, room, start_px=150.0)
    assert drift_curve(100, 276.0, room, start_px=-138.0)[-1] == pytest.approx(138.0)
    with pytest.raises(PlateError, match="at most 136 px up"):
        drift_curve(100, 137.0, room, margin_px=2.0)


@pytest.mark.parametrize("above", [-10.0, -3.25, 0.0, 0.5, 9.75, 10.0])
def test_a_framed_picture_is_the_same_lines_moved_between_black_bars(above: float) -> None:
    # rows of a ramp: blending two lines of a straight ramp is exact
    bars = bars_of(64, 56, 64 / 36)
    rows = np.arange(56, dtype=np.float32) + 1.0
    picture = np.repeat(np.repeat(rows[:, None, None], 64, axis=1), 3, axis=2)
    out = framed(picture, bars, above)
    assert out.dtype == np.float32
    assert not out[: bars.top].any()
    assert not out[bars.bottom :].any()
    assert out[bars.top : bars.bottom, 5, 1] == pytest.approx(rows[bars.top : bars.bottom] + above, abs=1e-5)


def test_lines_shot_besides_are_used() -> None:
    bars = bars_of(40, 20, None)
    tall = np.repeat(np.arange(30, dtype=np.float32)[:, None, None], 40, axis=1)
    assert framed(tall, bars, -5.0)[:, 0, 0] == pytest.approx(np.arange(20))
    assert framed(tall, bars, 5.0)[:, 0, 0] == pytest.approx(np.arange(10, 30))
    with pytest.raises(ValueError, match="shows the edge"):
        framed(tall, bars, 5.5)
    with pytest.raises(ValueError, match="does not fit"):
        framed(tall[:, :30], bars)


def test_pillars_are_black_too() -> None:
    bars = bars_of(160, 90, 4 / 3)
    out = framed(np.ones((90, 160, 3), dtype=np.float32), bars)
    assert bars.size_px == (120, 90)
    assert out[:, :20].max() == 0.0
    assert out[:, 140:].max() == 0.0
    assert out[:, 20:140].min() == 1.0
