"""How a take was pushed, told in plain sentences: rests, pauses, pulls back, unevenness, readings that stand apart."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from previz.geometry import Array
from previz.plate.rates import rate_text
from previz.plate.take import Take
from previz.units import mm_text

# a push slower than this share of its typical speed is a pause (judgement, no source)
PAUSE_SHARE = 0.1
# a pause that a viewer of the take could notice: an eighth of a second (judgement, no source)
_SHORTEST_PAUSE = 0.125
# a pull back smaller than this is the gauge, not the hand
_SMALLEST_PULL = 0.1e-3


@dataclass(frozen=True)
class Span:
    """Shot frames ``first`` to ``last``; ``depth`` m is how far the camera was pulled back meanwhile, 0 for a pause."""

    first: float
    last: float
    depth: float = 0.0


@dataclass(frozen=True)
class Push:
    """How a take was pushed.

    ``direction`` is 1 up the rail, -1 down it; ``first`` and ``last`` the shot frames between which it travels
    furthest, ``start`` and ``end`` m its positions there; ``speed`` m/s the speed at which half of that way is behind
    (slower before, faster after); ``pauses`` and ``pulls`` what broke the way; ``jitter`` m the unevenness: root mean
    square of second differences at consecutive shot frames, less their mean over half a second; ``sentences`` all of it
    in words.
    """

    direction: int
    first: float
    last: float
    start: float
    end: float
    speed: float
    pauses: tuple[Span, ...]
    pulls: tuple[Span, ...]
    jitter: float
    sentences: tuple[str, ...]


def judged(take: Take, pause_share: float = PAUSE_SHARE) -> Push:
    """How a take was pushed; a pause is slower than ``pause_share`` (0 to 1) of the typical speed."""
    first, last, direction = take.stretch()
    begins, ends = float(take.frames[first]), float(take.frames[last])
    # whole frames, and the ends themselves where marks lie between frames
    at = np.unique(np.concatenate([[begins], np.arange(np.ceil(begins), np.floor(ends) + 1.0), [ends]]))
    rail = take.position(at)
    rate = float(take.rate)
    paces = direction * np.diff(rail) / np.diff(at) * rate if len(at) > 1 else np.zeros(0)
    speed = _typical(np.abs(paces), np.abs(np.diff(rail)))
    near = max(_SMALLEST_PULL, 3.0 * take.noise)
    pulls = _pulls(at, direction * rail, near)
    pauses = tuple(
        span
        for span in _spans(at, np.abs(paces) < pause_share * speed)
        if span.last - span.first >= _SHORTEST_PAUSE * rate
        and not any(_within(span, pull) for pull in pulls)
        # standing at either end is no pause of the push
        and min(abs(float(take.position(span.last)) - rail[0]), abs(float(take.position(span.first)) - rail[-1])) > near
    )
    push = Push(
        direction=direction,
        first=begins,
        last=ends,
        start=float(take.rail[first]),
        end=float(take.rail[last]),
        speed=speed,
        pauses=pauses,
        pulls=pulls,
        # between marks there is nothing of the hand to see
        jitter=0.0 if take.from_marks else _jitter(rail, round(0.5 * rate)),
        sentences=(),
    )
    return replace(push, sentences=tuple(_sentences(take, push)))


def _typical(paces: Array, ways: Array) -> float:
    if not len(paces) or ways.sum() <= 0.0:
        return 0.0
    order = np.argsort(paces, kind="stable")
    done = np.cumsum(ways[order])
    return float(paces[order][np.searchsorted(done, 0.5 * done[-1])])


def _spans(at: Array, chosen: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> list[Span]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], chosen.astype(np.int8), [0]])))
    spans: list[Span] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        # a frame or two that noise has lifted do not make two pauses
        if spans and at[a] - spans[-1].last <= 2.0:
            spans[-1] = Span(spans[-1].first, float(at[b]))
        else:
            spans.append(Span(float(at[a]), float(at[b])))
    return spans


def _within(span: Span, other: Span) -> bool:
    return span.first >= other.first and span.last <= other.last


def _pulls(at: Array, forward: Array, smallest: float) -> tuple[Span, ...]:
    furthest = np.maximum.accumulate(forward)
    behind = forward < furthest
    edges = np.flatnonzero(np.diff(np.concatenate([[0], behind.astype(np.int8), [0]])))
    found = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        depth = float((furthest[a:b] - forward[a:b]).max())
        if depth >= smallest:
            found.append(Span(float(at[a - 1]), float(at[min(b, len(at) - 1)]), depth))
    return tuple(found)


def _jitter(rail: Array, window: int) -> float:
    bends = np.diff(rail, 2)
    if len(bends) < 3:
        return 0.0
    width = max(3, min(window, len(bends)))
    kernel = np.ones(width)
    # a mean over fewer frames at the ends, not over zeros
    mean = np.convolve(bends, kernel, "same") / np.convolve(np.ones(len(bends)), kernel, "same")
    return float(np.sqrt(np.mean((bends - mean) ** 2)))


def _sentences(take: Take, push: Push) -> list[str]:
    rate = float(take.rate)
    count = push.last - push.first
    if count == 0.0:
        return [f"{take.name}: the camera stands at {mm_text(push.start)} throughout."]
    said = [
        f"{take.name}: {mm_text(push.start)} to {mm_text(push.end)} in shot frames {push.first:.6g} to "
        f"{push.last:.6g}, {count / rate:.2f} s at {rate_text(take.rate)} frames a second; "
        f"typical speed {push.speed * 1e3:.0f} mm/s."
    ]
    before, after = push.first - float(take.frames[0]), float(take.frames[-1]) - push.last
    if max(before, after) >= _SHORTEST_PAUSE * rate:
        said.append(f"{before:.0f} shot frames before that stretch and {after:.0f} after it are not needed.")
    if take.from_marks:
        gap = float(np.abs(np.diff(take.rail)).max())
        said.append(
            f"Known at {len(take.frames)} marks only, up to {mm_text(gap)} apart: between them an even push is assumed."
        )
    else:
        said.append(f"Measurement noise {mm_text(take.noise, 3)} (one standard deviation), smoothed away.")
    if take.filled:
        said.append(f"{len(take.filled)} shot frames were not measured and are filled in: {_listed(take.filled)}.")
    for pause in push.pauses:
        said.append(
            f"The push pauses at shot frames {pause.first:.6g} to {pause.last:.6g} "
            f"({(pause.last - pause.first) / rate:.2f} s) at {mm_text(float(take.position(pause.first)))}."
        )
    for pull in push.pulls:
        said.append(
            f"The camera is pulled back by {mm_text(pull.depth)} at shot frames {pull.first:.6g} to {pull.last:.6g}; "
            "the retime passes over them."
        )
    if push.jitter > 0.0:
        said.append(
            f"Unevenness of the push {mm_text(push.jitter, 3)} (root mean square of second differences from shot frame "
            "to shot frame)."
        )
    if take.apart:
        said.append(
            f"{len(take.apart)} readings jump further from their neighbours than a hand can move and are left out; "
            f"check shot frames {_listed(take.apart)}."
        )
    return said


def _listed(numbers: tuple[int, ...], most: int = 8) -> str:
    shown = ", ".join(str(number) for number in numbers[:most])
    return shown if len(numbers) <= most else f"{shown} and {len(numbers) - most} more"
