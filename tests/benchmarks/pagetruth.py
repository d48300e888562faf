"""The live bench at rest against ``score`` of the scene written: ``python -m tests.benchmarks.pagetruth [--quick]
[--small N]``: N states of the quick ones' small set, two frames in flat light.

Random states are set by hand in the page, in Chromium; when the full judge is through, what the page shows and what it
was told is written down, the bench is written as a new file, and ``previz score`` judges that file.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from previz.command.shoot.shoot import score
from previz.command.shoot.verdict import USUAL_WIDTH
from previz.run.progress import Progress
from tests.benchmarks.figures import Figure, at_most, options, report
from tests.command.scenes import laid
from tests.page.driver import FULL, browser, served

LAMP = """[[lamp]]
name = "key"
position = ["-600 mm", "900 mm", "1400 mm"]
aim = ["0 mm", "0 mm", "0 mm"]
size = "120 mm"
lux = 800
"""
# quick states have two frames in flat light
QUICK = ("frames = 4", "frames = 2"), ("reveal = 1004\n", "")
SCENE = (('[plate]\nfigure = "figure.png"\nfoot_mark = "400 mm"\n', LAMP), ('triangles = 2000', "triangles = 20000"),
         ("texture_px = 256", "texture_px = 512"), ("frames = 4", "frames = 6"), ("reveal = 1004", "reveal = 1006"),
         ("hold = [1001, 1002]", "hold = [1001, 1004]"))  # fmt: skip

# knobs with what a random state may set them to: low, high, and how it is typed
FREE = {"right": (-40.0, 40.0, "{:.0f}"), "up": (120.0, 230.0, "{:.1f} mm"), "out": (1100.0, 1500.0, "{:.0f}"),
        "tilt": (-11.0, -6.0, "{:.2f}"), "lens": (30.0, 45.0, "{:.0f} mm"), "stop": (8.0, 22.0, "f/{:.0f}"),
        "focus": (700.0, 1300.0, "{:.0f}"), "travel": (20.0, 90.0, "{:.0f}")}  # fmt: skip

# what only ``score`` takes the time to try, and what names the file
OWN = ("scene_sha256", "helps")

PATIENCE = 600.0


def _set(page: Any, chance: random.Random) -> None:
    for name in chance.sample(list(FREE), chance.randint(2, 5)):
        low, high, how = FREE[name]
        page.fill(f"#knob-{name}", how.format(chance.uniform(low, high)))
        page.press(f"#knob-{name}", "Enter")
    if chance.random() < 0.2:
        page.select_option("#knob-paint", chance.choice(("projected", "wash")))


def _until(page: Any, so: str) -> None:
    """Wait until something is so. (The page's policy forbids waiting inside it.)"""
    end = time.monotonic() + PATIENCE
    while not page.evaluate(so):
        if time.monotonic() > end:
            raise RuntimeError(f"it never came to {so}")
        page.wait_for_timeout(50)


def _through(page: Any) -> None:
    """Wait until the full judge is through with what the page has asked for."""
    page.wait_for_timeout(300)
    _until(page, f"{FULL} && document.body.dataset.waiting === '0'")


def _other(page: Any, told: dict[str, Any], summary: dict[str, Any], rows: list[dict[str, str]]) -> list[str]:
    """Everything in which the page and ``score`` differ."""
    out = [f"{k}: {told['summary'].get(k)} {v}" for k, v in summary.items()
           if k not in OWN and told["summary"].get(k) != v]  # fmt: skip
    out += [] if told["cautions"] == summary["cautions"] else ["cautions"]
    for own, row in zip(told["rows"], rows, strict=True):
        for name in ("rail_mm", "break_pct", "trace_pct", "found_pct", "slip_px"):
            text = "" if own[name] is None else f"{own[name]:.3f}"
            if text != row[name]:
                out.append(f"frame {row['frame']}, {name}: {text} {row[name]}")
        if "; ".join(own["tells"]) != row["tells"]:
            out.append(f"frame {row['frame']}: {own['tells']} {row['tells']}")
    # what stands on the page itself
    frame = page.inner_text("#frame-number")
    row = next(one for one in rows if one["frame"] == frame)
    shown = max(float(row["break_pct"]), float(row["trace_pct"] or 0.0))
    words = page.inner_text("#verdict")
    for text in (f"break {float(row['break_pct']):.1f} %", f"{'holds' if shown <= 5.0 else 'breaks'} at frame {frame}"):
        if text not in words:
            out.append(f"page: {text!r} is not in {words!r}")
    facts, hold = page.inner_text("#facts"), page.inner_text("#hold")
    if shown > 5.0 and row["tells"] and row["tells"].replace("; ", ", ") not in facts:
        out.append(f"page: {row['tells']} is not in {facts!r}")
    hidden = "hidden as long" if summary["hidden"] else "not hidden as long"
    if not hold.startswith(hidden) or (summary["hold_frames"] and f"{summary['hold_mm']:.1f} mm of rail" not in hold):
        out.append(f"page: {hold!r}")
    if page.inner_text("#kind") != f"{USUAL_WIDTH} px, full judge, all {summary['frames']} frames":
        out.append(f"page: {page.inner_text('#kind')!r}")
    cautions = page.locator("#cautions li").all_inner_texts()
    return out if cautions == summary["cautions"] else [*out, "cautions on the page"]


def figures(quick: bool, count: int = 20, seed: int = 20, small: int = 0) -> list[Figure]:
    """Two states where it is to be quick, ``count`` otherwise; or ``small`` of those that are quick."""
    small = small or (2 if quick else 0)
    count, chance, other, rest = small or count, random.Random(seed), [], []
    told: dict[str, Any] = {}

    def heard(text: str | bytes) -> None:
        if isinstance(text, str) and '"is": "full"' in text:
            told.update(json.loads(text))

    with tempfile.TemporaryDirectory() as place:
        path = laid(Path(place), *(QUICK if small else SCENE))
        with served(path, Path(place)) as address, browser() as found:
            page = found.new_page(viewport={"width": 1280, "height": 1000})
            page.on("websocket", lambda line: line.on("framereceived", heard))
            page.goto(address)
            page.wait_for_selector("#knob-up")
            for number in range(count):
                start = time.monotonic()
                _set(page, chance)
                _through(page)
                rest.append(time.monotonic() - start)
                page.click("#write-as")
                page.fill("#new-name", f"state-{number}")
                page.keyboard.press("Enter")
                _until(page, "!document.querySelector('#naming').open")
                # in the same folder, where the light is that the bench has baked
                written, out = path.with_name(f"state-{number}.toml"), Path(place) / "out"
                score(written, out, USUAL_WIDTH, 1, None, Progress(quiet=True))
                summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
                with (out / "hold.csv").open(encoding="utf-8", newline="") as file:
                    words = _other(page, told, summary, list(csv.DictReader(file)))
                for word in words:
                    print(f"state {number}: {word}", file=sys.stderr)
                other.append(bool(words))
    return [
        Figure("random states of the bench at rest, each against score of the scene written", count, ""),
        at_most(f"of {count} states: those in which a number, a tell or a caution differs", sum(other), "", 0),
        Figure(f"{2 if small else 6} frames judged to their end, in the middle", sorted(rest)[len(rest) // 2], "s"),
    ]


if __name__ == "__main__":
    own = argparse.ArgumentParser(add_help=False)
    own.add_argument("--small", type=int, default=0)
    asked, others = own.parse_known_args()
    wanted = options(__doc__ or "", others)
    report("page", figures(wanted.quick, small=asked.small), json=wanted.json)
