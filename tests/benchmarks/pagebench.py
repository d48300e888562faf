"""The live bench, measured: pictures a second under a moving hand, and how soon an edit of the file is told."""

from __future__ import annotations

import asyncio
import itertools
import json
import math
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from previz.bench.drawing import Drawing
from previz.bench.order import Answer
from previz.bench.protocol import read_request
from previz.bench.server import Bench
from previz.bench.session import Session
from tests.benchmarks.figures import Figure, at_least, at_most, options, report

QUARRY = Path(__file__).resolve().parents[2] / "scenes" / "quarry.toml"

# s between what a page asks while the camera is dragged (bench.js, PACE)
_PACE = 0.04


class _Hand:
    """A bench of the quarry, and all that it has been told, with the time."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "quarry.toml"
        self.text = QUARRY.read_text(encoding="utf-8").partition("[plate]")[0]
        self.path.write_text(self.text, encoding="utf-8")
        self.bench = Bench(Session(self.path))
        self.heard: list[tuple[float, Answer]] = []
        self._rest = asyncio.Event()
        self.full: Answer | None = None
        self.drawing = Drawing(None, folder, self._take)
        self.bench.drawer = self.drawing

    def _take(self, answer: Answer) -> None:
        self.heard.append((time.monotonic(), answer))
        self.bench.heard(answer)
        if answer.what == "rest":
            self._rest.set()
        if answer.what == "full" and answer.number == self.bench.number:
            self.full = answer

    async def judged(self, all_frames: bool) -> None:
        """Wait until the full judge has the frame in hand, or all frames, of what rests now."""
        end = time.monotonic() + 600.0
        while True:
            full = self.full
            if full and full.number == self.bench.number and full.values["summary" if all_frames else "own"]:
                return
            if time.monotonic() > end:
                raise RuntimeError("the full judge never came to an end")
            await asyncio.sleep(0.02)

    async def rested(self, turn: dict[str, Any] | None) -> float:
        """Turn to values, or look for the first time; s until everything has been told."""
        self._rest.clear()
        start = time.monotonic()
        if turn is None:
            self.bench.look()
        else:
            self.bench.do(read_request(json.dumps({"do": "turn", "values": turn})))
        await asyncio.wait_for(self._rest.wait(), 300.0)
        return time.monotonic() - start

    async def led(self, seconds: float, turn: Callable[[float], dict[str, Any]]) -> list[tuple[float, Answer]]:
        """Turn to other values all the time, as fast as the page asks: ``turn`` of the s gone by; what was told."""
        asked: dict[int, float] = {}
        self.heard.clear()
        start = time.monotonic()
        while (now := time.monotonic()) < start + seconds:
            self.bench.do(read_request(json.dumps({"do": "turn", "values": turn(now - start), "still": False})))
            asked[self.bench.number] = now
            await asyncio.sleep(_PACE)
        self.asked = asked
        return list(self.heard)


def _circle(base: tuple[float, float, float]) -> Callable[[float], dict[str, Any]]:
    """A circle of 60 mm about a camera's place, once in 6 s."""

    def turn(now: float) -> dict[str, Any]:
        angle = 2.0 * math.pi * now / 6.0
        return {"right": base[0] + 0.06 * math.sin(angle), "up": base[1] + 0.06 * (1.0 - math.cos(angle))}

    return turn


def _swing(name: str, middle: float) -> Callable[[float], dict[str, Any]]:
    """A value to and fro by a quarter of itself, once in 6 s."""
    return lambda now: {name: middle * (1.0 + 0.25 * math.sin(2.0 * math.pi * now / 6.0))}


async def _dragged(folder: Path, seconds: float, quick: bool) -> list[Figure]:
    hand = _Hand(folder)
    watch = asyncio.create_task(hand.bench.watch())
    scene = hand.bench.session.scene
    place = scene.camera.position
    turns = {
        "camera": (_circle(place), {"right": place[0], "up": place[1]}),
        "lens": (_swing("lens", scene.camera.lens), {"lens": scene.camera.lens}),
        "stop": (_swing("stop", scene.camera.stop), {"stop": scene.camera.stop}),
        "bridge's width": (_swing("width", scene.bridge.width), {"width": scene.bridge.width}),
    }
    if quick:
        turns = {"camera": turns["camera"]}
    found = []
    try:
        start = time.monotonic()
        first = await hand.rested(None)
        exact = []
        if not quick:
            for all_frames in (False, True):
                await hand.judged(all_frames)
                exact.append(time.monotonic() - start)
        for what, (turn, back) in turns.items():
            told = await hand.led(seconds, turn)
            found += _figures_of(what, told, hand.asked, seconds)
            start = time.monotonic()
            hand.heard.clear()
            await hand.rested(back)
            fine = next(at for at, answer in hand.heard if answer.what == "fine" and at > start) - start
            found.append(Figure(f"{what}: finished picture after the hand rests", fine, "s"))
        wider = None if quick else await hand.rested({"width": 1.3 * scene.bridge.width})
        edits = [await _edit_told(hand.bench, hand.path, hand.text, k) for k in range(5)]
    finally:
        watch.cancel()
        await hand.drawing.close()
    for frames, took in zip(("the frame in hand", "all 100 frames"), exact, strict=False):
        found.append(Figure(f"full judge through with {frames} of a new scene, nothing kept", took, "s"))
    if wider is not None:
        found.append(Figure("another bridge, lit, drawn and judged along the move", wider, "s"))
    return [
        *found,
        Figure("first picture, break and hold of a new scene, nothing kept", first, "s"),
        at_most("edit of the file told after, longest of 5", max(edits), "s", 0.3),
    ]


def _figures_of(
    what: str, told: list[tuple[float, Answer]], asked: dict[int, float], seconds: float
) -> list[Figure]:
    pictures = [(at, answer) for at, answer in told if answer.what == "coarse"]
    delays = [at - asked[answer.number] for at, answer in pictures if answer.number in asked]
    gap = max(later - sooner for (sooner, _), (later, _) in itertools.pairwise(pictures))
    breaks, holds = (sum(answer.what == name for _, answer in told) for name in ("break", "hold"))
    return [
        at_least(f"{what}: pictures while it is dragged, shown 640 x 360", len(pictures) / seconds, "1/s", 10.0),
        Figure(f"{what}: median delay of a picture behind the hand", 1e3 * statistics.median(delays), "ms"),
        Figure(f"{what}: longest wait between two pictures", 1e3 * gap, "ms"),
        Figure(f"{what}: breaks told while it is dragged", breaks / seconds, "1/s"),
        Figure(f"{what}: holds told while it is dragged", holds / seconds, "1/s"),
    ]


async def _edit_told(bench: Bench, path: Path, text: str, k: int) -> float:
    title = f"Edited {k}"
    start = time.monotonic()
    path.write_text(text.replace("Quarry walk", title), encoding="utf-8")
    while bench.session.scene.title != title:
        if time.monotonic() - start > 10.0:
            raise RuntimeError("an edit was never noticed")
        await asyncio.sleep(0.005)
    took = time.monotonic() - start
    await asyncio.sleep(0.037 * k)
    return took


def figures(quick: bool) -> list[Figure]:
    """Measured on the quarry, with whatever draws on this machine."""
    with tempfile.TemporaryDirectory() as folder:
        return asyncio.run(_dragged(Path(folder), 3.0 if quick else 12.0, quick))


if __name__ == "__main__":
    wanted = options(__doc__ or "")
    report("page", figures(wanted.quick), json=wanted.json)
