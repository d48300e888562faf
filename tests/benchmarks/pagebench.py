"""The live bench, measured: pictures a second under a moving hand, and how soon an edit of the file is told."""

from __future__ import annotations

import asyncio
import itertools
import json
import math
import statistics
import tempfile
import time
from pathlib import Path

from previz.bench.drawing import Drawing
from previz.bench.order import Answer
from previz.bench.protocol import read_request
from previz.bench.server import Bench
from previz.bench.session import Session
from tests.benchmarks.figures import Figure, at_least, at_most, options, report

QUARRY = Path(__file__).resolve().parents[2] / "scenes" / "quarry.toml"

# s between what a page asks while the camera is dragged (bench.js, PACE)
_PACE = 0.04


async def _dragged(folder: Path, seconds: float) -> list[Figure]:
    """The quarry's camera led around in a circle of 60 mm, as fast as the page asks."""
    path = folder / "quarry.toml"
    text = QUARRY.read_text(encoding="utf-8").partition("[plate]")[0]
    path.write_text(text, encoding="utf-8")
    bench = Bench(Session(path))
    heard: list[tuple[float, Answer]] = []
    rest = asyncio.Event()

    def take(answer: Answer) -> None:
        heard.append((time.monotonic(), answer))
        bench.heard(answer)
        if answer.what == "rest":
            rest.set()

    drawing = Drawing(None, folder, take)
    bench.drawer = drawing
    watch = asyncio.create_task(bench.watch())
    try:
        start = time.monotonic()
        bench.look()
        await asyncio.wait_for(rest.wait(), 300.0)
        first = time.monotonic() - start
        base = bench.session.scene.camera.position
        asked: dict[int, float] = {}
        heard.clear()
        start = time.monotonic()
        while (now := time.monotonic()) < start + seconds:
            turn = 2.0 * math.pi * (now - start) / 6.0
            values = {"right": base[0] + 0.06 * math.sin(turn), "up": base[1] + 0.06 * (1.0 - math.cos(turn))}
            bench.do(read_request(json.dumps({"do": "turn", "values": values, "still": False})))
            asked[bench.number] = now
            await asyncio.sleep(_PACE)
        moving = list(heard)
        rest.clear()
        last = time.monotonic()
        bench.do(read_request(json.dumps({"do": "turn", "values": {"right": base[0], "up": base[1]}})))
        await asyncio.wait_for(rest.wait(), 120.0)
        pictures = [(at, a) for at, a in moving if a.what == "coarse"]
        delays = [at - asked[a.number] for at, a in pictures if a.number in asked]
        times = [at for at, _ in pictures]
        gap = max(later - sooner for sooner, later in itertools.pairwise(times))
        breaks = sum(a.what == "break" for _, a in moving)
        fine = next(at for at, a in heard if a.what == "fine" and at > last) - last
        edits = [await _edit_told(bench, path, text, k) for k in range(5)]
    finally:
        watch.cancel()
        await drawing.close()
    return [
        at_least("pictures while the camera is dragged, shown 640 x 360", len(pictures) / seconds, "1/s", 10.0),
        Figure("median delay of a picture behind the hand", 1e3 * statistics.median(delays), "ms"),
        Figure("longest wait between two pictures", 1e3 * gap, "ms"),
        Figure("breaks told while the camera is dragged", breaks / seconds, "1/s"),
        Figure("finished picture after the hand rests", fine, "s"),
        Figure("first picture, break and hold of a new scene, nothing kept", first, "s"),
        at_most("edit of the file told after, longest of 5", max(edits), "s", 0.3),
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
        return asyncio.run(_dragged(Path(folder), 4.0 if quick else 12.0))


if __name__ == "__main__":
    wanted = options(__doc__ or "")
    report("page", figures(wanted.quick), json=wanted.json)
