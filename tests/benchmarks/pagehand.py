"""Figures of the report in the hand and before viewers, for ``tests.benchmarks.page``.

A phone's one screen, axe-core in both schemes, a film of 300 frames in size and memory, the blind test with scripted
viewers. Memory is what the page's own process holds for itself (anonymous and shared-memory pages of ``/proc``, Linux),
after the film has been played through and sought; what it shares with all other programs as files does not count.
"""

from __future__ import annotations

import json
import os
import re
import tempfile
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from scipy import stats
from shapely import Polygon

from previz.deliver.shoot.page import LARGEST
from previz.run.blindtest import blind_test
from tests.benchmarks.figures import Figure, at_least, at_most
from tests.page.blinddriver import saved, take
from tests.page.driver import AXE, at, browser, opened

PHONE = (390, 844)
# must be seen at once in the hand
AT_ONCE = ("#stage", "#frame", "#now-verdict")


def in_the_hand(name: str, file: Path) -> list[Figure]:
    """One screen of a phone, and every finding of axe-core on the desk and in the hand, light and dark."""
    out, findings = [], 0
    with browser() as chromium:
        for scheme in ("light", "dark"):
            for size in ((1280, 800), PHONE):
                found = opened(chromium, file, *size, color_scheme=scheme, has_touch=size == PHONE)
                page = found.page
                if AXE is not None:
                    page.evaluate(AXE.read_text(encoding="utf-8"))
                    findings += len(page.evaluate("axe.run()")["violations"])
                if size == PHONE and scheme == "light":
                    boxes = [page.locator(place).bounding_box() for place in AT_ONCE]
                    below = max(box["y"] + box["height"] for box in boxes)
                    out.append(at_most(f"{name}: picture, slider and verdict end at, of 844", below, "px", PHONE[1]))
                    wide = page.evaluate("document.documentElement.scrollWidth")
                    out.append(at_most(f"{name}: width of the page on a phone", wide, "px", PHONE[0]))
                page.context.close()
    out.append(at_most(f"{name}: findings of axe-core, two sizes, two schemes", findings, "", 0))
    return out


def _is_ours(place: Path) -> bool:
    """Whether a process, by its folder in ``/proc``, comes from this one: other browsers may run."""
    while (parent := re.search(r"^PPid:\s+(\d+)", (place / "status").read_text(), re.MULTILINE)) is not None:
        if int(parent[1]) in (0, os.getpid()):
            return int(parent[1]) != 0
        place = Path("/proc") / parent[1]
    return False


def _busy_s() -> float:
    """Seconds of processor time that the pages and the drawing of this browser have taken so far."""
    ticks = 0
    for place in Path("/proc").glob("[0-9]*"):
        try:
            kind = re.search(r"--type=(renderer|gpu-process)", (place / "cmdline").read_text(errors="replace"))
            if kind is None or not _is_ours(place):
                continue
            # user and system time, behind the program's name in brackets (proc(5))
            told = (place / "stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        ticks += int(told[11]) + int(told[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def _own_mb() -> float:
    """What the largest page process of the browser holds for itself, MB."""
    best = 0.0
    for place in Path("/proc").glob("[0-9]*"):
        try:
            if "--type=renderer" not in (place / "cmdline").read_text(errors="replace") or not _is_ours(place):
                continue
            status = (place / "status").read_text()
        except OSError:
            continue
        own = sum(int(kb) for kb in re.findall(r"(?:RssAnon|RssShmem|VmSwap):\s+(\d+) kB", status))
        best = max(best, own / 1e3)
    return best


# ms from a jump to the picture, at places that lie far from one another
_JUMPS = """async (count) => {
  const out = [], slider = document.getElementById('frame'), lens = document.getElementById('lens');
  const first = Number(slider.min), frames = Number(slider.max) - first + 1;
  for (let k = 1; k <= count; k++) {
    const frame = first + ((k * 97) % frames), began = performance.now();
    slider.value = frame; slider.dispatchEvent(new Event('input'));
    while (Number(lens.dataset.frame) !== frame) await new Promise((r) => setTimeout(r, 1));
    out.push(performance.now() - began); }
  return out; }"""


def film_held(name: str, file: Path) -> list[Figure]:
    """Size, width and memory of a report, how long a jump takes, and what came late at the true rate."""
    text = file.read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="pictures">(.*?)</script>', text, re.DOTALL)
    assert found is not None
    film = json.loads(found[1])["film"]
    with browser() as chromium:
        page = opened(chromium, file, 1280, 800).page
        page.keyboard.press("Home")
        at(page, int(page.get_attribute("#frame", "min")))
        page.keyboard.press("Space")
        page.wait_for_selector("#run[aria-pressed=true]")
        held, busy = [_own_mb()], _busy_s()
        while page.get_attribute("#run", "aria-pressed") == "true":
            page.wait_for_timeout(250)
            held.append(_own_mb())
        played = 1e3 * (_busy_s() - busy) / (len(film["sizes"]) / 2)
        late = re.search(r"\d+", page.inner_text("#late-word"))
        jumps = page.evaluate(_JUMPS, 40)
        held.append(_own_mb())
        page.context.close()
    return [
        at_most(f"{name}: size", file.stat().st_size / 1e6, "MB", LARGEST / 1e6),
        at_least(f"{name}: width of the film", film["width"], "px", 640),
        at_most(f"{name}: memory of the page while played and sought, at most", max(held), "MB", 300.0),
        Figure(f"{name}: frames that came late at the true rate", int(late[0]) if late else 0, ""),
        # two processors have 80 ms for a frame at 25 a second
        at_most(f"{name}: processor time a frame while played, page and drawing", played, "ms", 20.0),
        Figure(f"{name}: a jump to any frame, median", float(np.median(jumps)), "ms"),
        at_most(f"{name}: a jump to any frame, 95 of 100", float(np.percentile(jumps, 95)), "ms", 150.0),
    ]


def blind(name: str, file: Path, seeing: int, guessing: int) -> list[Figure]:
    """The blind test of a report whose bridge is yellow: ``seeing`` viewers who see it, ``guessing`` who do not."""
    rng = np.random.default_rng(20)
    with browser() as chromium, tempfile.TemporaryDirectory() as place:
        page = opened(chromium, file).page
        looks: list[dict[str, Any]] = []
        for k in range(seeing):
            looks += take(page, f"sees {k}")
        for k in range(guessing):
            looks += take(page, f"guesses {k}", list(rng.random(18)))
        table = saved(page, Path(place))
        test, size = page.evaluate("""() => { const d = JSON.parse(document.getElementById('data').textContent);
            return [d.blind, d.size_px]; }""")
        told = blind_test(Path(place), test["scene"] + "0" * 48)
        lines = [line.split(",") for line in table.read_text(encoding="utf-8").splitlines()[1:]]
        page.context.close()
    assert told is not None
    truth = [line[3] == "with" for line in lines]
    right = [line[6] == "yes" for line in lines]
    saw = right[: 6 * seeing]
    share = Polygon(np.array(test["places"][0]).reshape(-1, 2)).buffer(test["tolerance_px"]).area / (size[0] * size[1])
    outside = 0
    for has, chance in ((False, 0.5), (True, 0.5 * share)):
        guessed = [r for r, t in zip(right[6 * seeing :], truth[6 * seeing :], strict=True) if t is has]
        low, high = stats.binom.interval(0.99, len(guessed), chance)
        outside += not low <= sum(guessed) <= high
    # a clip of a few frames may be over before it could be timed
    timed = [(look["first"], t) for look, t in zip(looks, truth, strict=True) if look["first"] is not None]
    times = [[ms for ms, t in timed if t is has] for has in (True, False)]
    marks = [{look["markup"] for look, t in zip(looks, truth, strict=True) if t is has and look["markup"]}
             for has in (True, False)]  # fmt: skip
    coins = stats.binomtest(sum(truth), len(truth)).pvalue
    runs = [a == b for a, b in pairwise(truth)]
    return [
        at_least(f"{name}: right, of {len(saw)} clips, who sees it", 100.0 * sum(saw) / len(saw), "%", 100.0),
        at_most(f"{name}: kinds of clip whose guesses lie outside chance's interval (99 %)", outside, "", 0),
        at_least(f"{name}: chance of an order as uneven as this one", coins, "", 0.001),
        at_least(f"{name}: the same of what follows on what", stats.binomtest(sum(runs), len(runs)).pvalue, "", 0.001),
        at_least(f"{name}: the same of the times to the first picture, with against without",
                 stats.mannwhitneyu(*times).pvalue, "", 0.001),
        at_most(f"{name}: markup that differs between the kinds", len(marks[0] ^ marks[1]), "", 0),
        Figure(f"{name}: viewers counted by summary.json", told["viewers"], ""),
    ]  # fmt: skip
