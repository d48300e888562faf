"""What a shot's summary says of it in words."""

from __future__ import annotations

from typing import Any

import pytest

from previz.command.shoot.words import shot_rows, verdict
from previz.draw.style import verdict as word_of

SUMMARY: dict[str, Any] = {
    "hold_wanted": [1010, 1020], "hold_first": 1008, "hold_last": 1022, "hold_frames": 15, "hold_mm": 25.4,
    "hold_s": 0.6,
    "break_station_pct": 0.0, "break_mean_pct": 1.25, "break_worst_pct": 4.0, "break_reveal_pct": 61.0,
    "trace_worst_pct": 1.5,
    "worst_frame": 1019, "worst_tells": ["slip", "grain"], "station_frame": 1015, "reveal_frame": 1090,
    "found_hold_pct": 3.2, "found_hold_low_pct": 0.9, "found_hold_high_pct": 9.4, "parallax_from": 1019,
    "hold_still_frames": 44, "hold_still_mm": 50.25, "helps": [],
    "engine": "pictures", "driver": "software",
}  # fmt: skip


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "yes, over all of the hold asked for"),
        ({"hold_first": 1010, "hold_last": 1020}, "yes, over all of the hold asked for"),
        ({"hold_first": 1011}, "not over all of the hold asked for"),
        ({"hold_last": 1019}, "not over all of the hold asked for"),
        ({"hold_first": None, "hold_last": None}, "no: the bridge shows already at the station frame 1015"),
        ({"break_station_pct": None}, "cannot be told: the station frame 1015 cannot be judged"),
    ],
)
def test_verdict(changes: dict[str, Any], said: str) -> None:
    assert verdict(SUMMARY | changes) == said


def test_rows() -> None:
    rows = dict(shot_rows(SUMMARY, "out"))
    # 25.4 mm are an inch by definition
    assert rows["holds (to 5 %)"] == "frames 1008 to 1022, 25.4 mm (1\") of rail, 0.60 s"
    assert rows["worst in the hold"] == "4.0 % at frame 1019, told by slip, grain"
    assert rows["traces in the hold"] == "1.5 % at worst"
    assert rows["break at station"] == "0.0 % at frame 1015"
    assert rows["break in the hold"] == "1.2 % in the mean"
    assert rows["break at the reveal"] == "61.0 % at frame 1090"
    assert rows["found in the film"] == "by 3 (1 to 9) of 100 at frame 1020; parallax from 1019"
    assert rows["holds as stills"] == "44 frames, 50.2 mm of rail"
    # what slides only after the hold gives nothing away in it
    calm = dict(shot_rows(SUMMARY | {"parallax_from": 1021, "helps": ["stand"]}, "out"))
    assert calm["found in the film"] == "by 3 (1 to 9) of 100 at frame 1020"
    assert calm["what helps"] == "stand"
    assert dict(shot_rows(SUMMARY | {"hold_frames": 0}, "out"))["holds (to 5 %)"] == "not at all"
    assert "break at the reveal" not in dict(shot_rows(SUMMARY | {"reveal_frame": None}, "out"))


def test_a_frame_of_five_percent_holds() -> None:
    assert [word_of(value) for value in (5.0, 5.01, None)] == ["holds", "breaks", "not judged"]
