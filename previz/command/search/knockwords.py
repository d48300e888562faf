"""What a knock has found, in sentences for people: one truth for the screen, the plot and the rig card."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from previz.judge.telltable import TELL_TABLE
from previz.judge.viewer import HOLDS_BELOW_PCT
from previz.scene.model import Scene
from previz.search.builds import AsItIs
from previz.search.knock import SIZE, Drift, Slack, costliest, slacks_of, smaller

# parts of a build, as they are named where their limits are listed
_PARTS = {
    "camera": "camera",
    "paint": "paint on the bridge",
    "bridge": "bridge",
    "hand": "hand",
    "lamp": "brightest lamp",
}

# above this share of builds nothing needs to be made truer
_SURE = 0.95

# what mends what gives the bridge away in a still (common practice, no source)
_MEANINGS = {tell.word: tell.meaning for tell in TELL_TABLE}


def amount(value: float | None, slack: Slack) -> str:
    """A drift for people: ``0.8 mm``, ``dE 2.1``, ``more than 5 deg``."""
    size = SIZE[slack.unit]
    if value is None:
        return f"more than {_with_unit(f'{slack.limit / size:g}', slack)}"
    shown = value / size
    return _with_unit(f"{shown:.2f}" if shown < 1.0 else f"{shown:.1f}", slack)


def _with_unit(number: str, slack: Slack) -> str:
    return f"dE {number}" if slack.unit == "dE" else f"{number} {slack.unit}"


def knock_rows(summary: dict[str, Any], folder: str) -> list[tuple[str, str]]:
    """Rows (label, words) of a knock's summary: the sentences, then where the rest is."""
    first, *rest = summary["sentences"]
    return [("knock", first), *(("", sentence) for sentence in rest), ("written to", f"{folder}: knock.csv, knock.png")]


def knock_sentences(
    scene: Scene, drifts: Sequence[Drift], as_is: AsItIs, frames: Sequence[int], summary: dict[str, Any]
) -> list[str]:
    """What a knock does to the shot, in plain words, what matters most first. ``frames`` are those of the hold."""
    helps = [f"what would change that: {words}" for words in summary["helps"]]
    if not summary["frames"]:
        return [_shows(as_is, summary["station_frame"], scene), *helps]
    out = []
    by_strain = sorted(drifts, key=lambda d: -d.strain(d.slack.stated(scene.knock)))
    least = smaller(by_strain[0].hold)
    if least is None:
        out.append("nothing that was tried alone breaks the hold")
    else:
        out.append(f"{by_strain[0].slack.lock}: {amount(least, by_strain[0].slack)} is all you have")
    worst = costliest(drifts, scene.knock)
    if worst:
        out.append("what costs most: " + "; ".join(_within(d, scene) for d in worst))
    out += _limits(drifts)
    if not as_is.holds(frames):
        out.append(_film_as_is(as_is, frames))
        out += helps
    out.append(_odds(scene, summary))
    out.append(_film_odds(summary))
    halved = summary["costliest_halved"]
    if halved is not None:
        names = ", ".join(summary["costliest"])
        out.append(
            f"with {names} half as far off the film holds in {100 * halved['probability']:.0f} of 100 builds "
            f"({halved['builds']} tried)"
        )
    lost = list(summary["frames_lost_unknocked"])
    if lost:
        which = f"frame {lost[0]}" if len(lost) == 1 else f"frames {', '.join(lost)}"
        out.append(f"left out, since not held even without a knock: {which} of the hold asked for")
    return out


def _within(drift: Drift, scene: Scene) -> str:
    """How true one error must be, alone."""
    slack, least = drift.slack, smaller(drift.hold)
    if least is not None:
        return slack.within.format(amount(least, slack))
    stated = amount(slack.stated(scene.knock), slack)
    return f"{slack.within.format(stated)}, which adds {drift.added or 0.0:.1f} points of break"


def _limits(drifts: Sequence[Drift]) -> list[str]:
    """What each may be off by alone, a line for each part of the build."""
    out = []
    for part, name in _PARTS.items():
        of_part = [d for d in drifts if d.slack.part == part]
        told = [f"{_short(d.slack)} {amount(smaller(d.hold), d.slack)}" for d in of_part if smaller(d.hold) is not None]
        free = [d.slack for d in of_part if smaller(d.hold) is None]
        if free:
            told.append("no worry: " + ", ".join(f"{_short(slack)} ({amount(None, slack)})" for slack in free))
        if told:
            out.append(f"{name}, each alone: " + "; ".join(told))
    return out


def _short(slack: Slack) -> str:
    """The name of an error beside the name of its part."""
    return slack.name.removeprefix(f"{slack.part} ")


def _shows(as_is: AsItIs, station_frame: int, scene: Scene) -> str:
    score = as_is.scores[station_frame]
    begins = f"the bridge shows at the station frame {station_frame} without any error"
    if score.break_pct is None:
        return f"{begins}: {score.reason}"
    told = ", and ".join(_MEANINGS[word] for word in score.tells[:2])
    return (
        f"{begins}: break {score.break_pct:.1f} % where at most {HOLDS_BELOW_PCT:g} % holds, found by "
        f"{as_is.found.found_pct:.0f} of 100 by frame {scene.rail.hold[1]}"
        f"{'; what gives it away: ' + told if told else ''}"
    )


def _film_as_is(as_is: AsItIs, frames: Sequence[int]) -> str:
    """By how much the film misses its hold without any error."""
    worst = as_is.worst(frames)
    shows = f"{worst.reason} in frame {worst.frame}"
    if worst.break_pct is not None:
        shows = f"break up to {worst.break_pct:.1f} % and trace {worst.trace_pct or 0.0:.1f} % (frame {worst.frame})"
    return (
        f"without any error the film does not hold: found by {as_is.found.found_pct:.0f} of 100 by frame "
        f"{as_is.found.frame}, {shows}; at most {HOLDS_BELOW_PCT:g} of each holds"
    )


def _odds(scene: Scene, summary: dict[str, Any]) -> str:
    knock, parts = scene.knock, {slack.part for slack in slacks_of(scene)}
    names = {slack.name for slack in slacks_of(scene)}
    built = [f"+-{1e3 * knock.shift:g} mm, +-{math.degrees(knock.turn):g} deg, focal length +-{100 * knock.focal:g} %"]
    if "paint" in parts:
        built.append(f"paint +-{1e3 * knock.paint:g} mm, +-{math.degrees(knock.paint_turn):g} deg")
    built.append(f"bridge +-{1e3 * knock.hung:g} mm, +-{math.degrees(knock.hung_turn):g} deg")
    if "colour" in names:
        built.append(f"colours within dE {knock.colour:g}")
    if "brush" in names:
        built.append(f"a brush of {1e3 * knock.brush:g} mm")
    if "lamp" in parts:
        built.append(f"lamps +-{1e3 * knock.lamp:g} mm, +-{100 * knock.lamp_level:g} %")
    hold = summary["joint"]["hold"]
    low, high = hold["interval_95"]
    return (
        f"built to {', '.join(built)} the shot holds in {100 * hold['probability']:.0f} of 100 builds "
        f"(95 % sure: {100 * low:.0f} to {100 * high:.0f}; {summary['builds']} tried)"
    )


def _film_odds(summary: dict[str, Any]) -> str:
    film, middle = summary["joint"]["film"], summary["middle_build"]
    low, high = film["interval_95"]
    return (
        f"the film holds in {100 * film['probability']:.0f} of 100 builds (95 % sure: {100 * low:.0f} to "
        f"{100 * high:.0f}); the middle one is found by {middle['found_pct']:.1f} of 100 by the hold's end and shows "
        f"{middle['shown_pct']:.1f} % at most"
    )


def needs_truer(probability: float | None) -> bool:
    """Whether so few builds hold that it is worth saying what would help."""
    return probability is not None and probability < _SURE
