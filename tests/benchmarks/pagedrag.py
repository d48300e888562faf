"""The live bench in Chromium: how many pictures it shows a second while a real pointer drags the camera."""

from __future__ import annotations

import math
import tempfile
import time
from pathlib import Path
from typing import Any

from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.page.driver import browser, rested, served

ROOT = Path(__file__).resolve().parents[2]
QUARRY = ROOT / "scenes" / "quarry.toml"

# s between two moves of the pointer, about a display's rate
_PACE = 0.016

# px (about 100 mm of the set) that the hand leads the camera out and up, and s for one round
_REACH_PX, _ROUND = 15.0, 4.0

# what the page has shown so far
_SHOWN = "(d => [+d.coarse, +(d.breaks || 0), +(d.holds || 0)])(document.body.dataset)"
_HANDLE = "document.querySelector('#side .d-camera-hit').getBoundingClientRect().toJSON()"


def _dragged(page: Any, seconds: float) -> list[float]:
    """What was shown a second, by kind, while the camera is led in circles by the pointer."""
    box = page.evaluate(_HANDLE)
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    before = page.evaluate(_SHOWN)
    start = time.monotonic()
    while (now := time.monotonic() - start) < seconds:
        turn = 2.0 * math.pi * now / _ROUND
        page.mouse.move(x + _REACH_PX * math.sin(turn), y - _REACH_PX * (1.0 - math.cos(turn)))
        time.sleep(_PACE)
    took = time.monotonic() - start
    after = page.evaluate(_SHOWN)
    page.mouse.up()
    return [(b - a) / took for a, b in zip(before, after, strict=True)]


def figures(seconds: float = 12.0) -> list[Figure]:
    """Measured on the quarry at 1280 x 1000, the browser on the same machine as the server."""
    said: list[str] = []
    with tempfile.TemporaryDirectory() as place:
        scene = Path(place) / "quarry.toml"
        scene.write_text(QUARRY.read_text(encoding="utf-8").partition("[plate]")[0], encoding="utf-8")
        with served(scene, Path(place)) as address, browser() as found:
            pictures, breaks, holds = _looked_at(found, address, seconds, said)
    return [
        at_least("pictures shown in the browser while the camera is dragged, 640 x 360", pictures, "1/s", 10.0),
        Figure("breaks shown while the camera is dragged", breaks, "1/s"),
        Figure("holds shown while the camera is dragged", holds, "1/s"),
        at_most("words on the console of the bench", len(said), "", 0),
    ]


def _looked_at(found: Any, address: str, seconds: float, said: list[str]) -> list[float]:
    page = found.new_page(viewport={"width": 1280, "height": 1000})
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.goto(address)
    rested(page)
    page.locator("#side").scroll_into_view_if_needed()
    shown = _dragged(page, seconds)
    rested(page)
    return shown


if __name__ == "__main__":
    wanted = options(__doc__ or "")
    report("page", figures(4.0 if wanted.quick else 12.0), json=wanted.json)
