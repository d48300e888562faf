"""Knock in words: by how much a film misses its hold without any error, and what would change that."""

from __future__ import annotations

from pathlib import Path

from previz.command.search.knockwords import knock_sentences
from previz.judge.film.found import FilmFrame
from previz.judge.hold import FrameScore
from previz.search.builds import AsItIs
from previz.search.knock import SLACKS, Drift
from previz.stage.mends import mends_of
from tests.search.example import small_scene

CHANCE = {"holds": 0, "probability": 0.0, "interval_95": [0.0, 0.16]}
SUMMARY = {
    "station_frame": 1004,
    "frames": [1004, 1005],
    "helps": ["slide 50% of the way in the same time: found at 2.1 s, not at 1.4"],
    "joint": {"hold": {"holds": 20, "probability": 1.0, "interval_95": [0.84, 1.0]}, "film": CHANCE},
    "middle_build": {"found_pct": 35.2, "shown_pct": 4.0},
    "builds": 20,
    "costliest": ["bridge pitch"],
    "costliest_halved": None,
    "frames_lost_unknocked": {},
}


def as_is(found_pct: float, *scores: FrameScore) -> AsItIs:
    return AsItIs({s.frame: s for s in scores}, scores, FilmFrame(scores[-1].frame, 0.0, found_pct, 20.0, 50.0))


def test_a_film_that_does_not_hold_says_by_how_much(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    shot = as_is(
        34.2,
        FrameScore(1004, 0.0, 1.0, None, 0.0, trace_pct=0.0),
        FrameScore(1005, 0.01, 4.0, None, 0.0, trace_pct=2.5),
    )
    pitch = next(slack for slack in SLACKS if slack.name == "bridge pitch")
    drifts = [
        Drift(SLACKS[0], (None, None), (0.01, None), 0.1),
        Drift(pitch, (None, None), (None, pitch.limit / 50.0), 3.0),
    ]
    told = knock_sentences(scene, drifts, shot, (1004, 1005), SUMMARY)
    assert told[0] == "hang the bridge level along its length: 0.10 deg is all you have"
    assert told[1] == "what costs most: hang the bridge within 0.10 deg in pitch; the lens within 10.0 mm sideways"
    assert (
        "without any error the film does not hold: found by 34 of 100 by frame 1005, break up to 4.0 % and trace 2.5 % "
        "(frame 1005); at most 5 of each holds"
    ) in told
    assert f"what would change that: {SUMMARY['helps'][0]}" in told
    assert told[-1].startswith("the film holds in 0 of 100 builds (95 % sure: 0 to 16); the middle one is found by 35")


def test_what_shows_is_told_with_what_mends_it(tmp_path: Path) -> None:
    scene = small_scene(tmp_path)
    shown = FrameScore(1004, 0.0, 12.0, None, 0.0, ("slip", "grain"), trace_pct=0.0)
    mends = mends_of(scene, shown)
    assert mends == ["a shorter hold, or paint solved for the whole of it"]
    assert mends_of(scene, FrameScore(1004, 0.0, 3.0, None, 0.0, ("slip",), trace_pct=0.0)) == []
    told = knock_sentences(scene, [], as_is(34.2, shown), (1004,), SUMMARY | {"frames": [], "helps": mends})
    assert told == [
        "the bridge shows at the station frame 1004 without any error: break 12.0 % where at most 5 % holds, found by "
        "34 of 100 by frame 1008; what gives it away: the paint has drifted from the wall that it continues, and "
        "rougher or smoother than the wall beside it",
        "what would change that: a shorter hold, or paint solved for the whole of it",
    ]
