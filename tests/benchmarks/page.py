"""Figures of the pages: ``python -m tests.benchmarks.page [--quick] [--json]``.

The report of a shoot, looked at in Chromium: its size, how it scrubs, what shifts; in the hand, at 300 frames, and
before scripted viewers of its blind test (``pagehand``); then the live bench under a moving hand, at the server
(``pagebench``) and in the browser (``pagedrag``), at rest against ``score`` (``pagetruth``), and after random acts
(``pageacts``). Whole runs shoot the quarry (132 frames, and 300, 960 x 540); quick ones a small set of twelve frames.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.benchmarks import pageacts, pagebench, pagedrag, pagehand, pagetruth
from tests.benchmarks.figures import Figure, at_least, at_most, options, report
from tests.command.scenes import laid
from tests.page.driver import AXE, Opened, browser, chromium, opened

ROOT = Path(__file__).resolve().parents[2]
QUARRY = ROOT / "scenes" / "quarry.toml"
LEFT_OUT = (
    "report of the quarry, 132 frames 960 x 540: size, scrubbing, layout shift, axe-core, memory",
    "report of the quarry in 300 frames: size, width, memory",
    "blind test: 40 viewers who see it, 100 who guess",
    "bench: hands on the lens, the stop and the bridge; another bridge lit",
    "bench: 20 states at rest against score, in six frames with a lamp; 1000 random acts",
    "bench in the browser: pictures shown while the camera is dragged",
)

# a display's rate: what the page's own frames keep of it while every one of them asks for another frame of the move
_SCRUB = """async (count) => {
  const slider = document.getElementById('frame'), lens = document.getElementById('lens');
  const next = () => new Promise((r) => requestAnimationFrame(r));
  const first = Number(slider.min), frames = Number(slider.max) - first + 1;
  const rate = async (each) => { await next(); const began = performance.now();
    for (let i = 0; i < count; i++) { each(i); await next(); } return 1000 * count / (performance.now() - began); };
  const idle = await rate(() => {});
  let missed = 0;
  const scrubbed = await rate((i) => {
    if (i > 1 && Number(lens.dataset.frame) < first + ((i - 1) % frames) - 1) missed++;
    slider.value = first + (i % frames); slider.dispatchEvent(new Event('input')); });
  return { idle, scrubbed, missed };
}"""
_SHIFTS = """() => { window.shifts = 0; new PerformanceObserver((l) => {
  for (const e of l.getEntries()) window.shifts += e.value; }).observe({ type: 'layout-shift' }); }"""


def _shot(scene: Path, folder: Path, width_px: int) -> Path:
    command = [sys.executable, "-m", "previz.cli", "shoot", str(scene), "--out", str(folder), "--json",
               "--width", str(width_px), "--workers", "2"]  # fmt: skip
    there = {**os.environ, "PYTHONPATH": str(ROOT)}
    subprocess.run(command, cwd=ROOT, env=there, check=True, stdout=subprocess.DEVNULL)
    return folder / "report.html"


def looked_at(name: str, file: Path, count: int) -> list[Figure]:
    """Figures of one report in the browser; ``count`` frames are scrubbed through."""
    with browser() as chromium_:
        found: Opened = opened(chromium_, file)
        page = found.page
        page.evaluate(_SHIFTS)
        # the best of three: what else the machine does must not count
        speed = max((page.evaluate(_SCRUB, count) for _ in range(3)), key=lambda s: s["scrubbed"] / s["idle"])
        page.wait_for_timeout(100)
        shifted = float(page.evaluate("shifts"))
        own = file.resolve().as_uri()
        strange = [url for url in found.asked if url != own and not url.startswith("data:")]
    kept = speed["scrubbed"] / speed["idle"]
    return [
        Figure(f"{name}: the display's rate at rest", speed["idle"], "frames/s"),
        Figure(f"{name}: the same while scrubbing", speed["scrubbed"], "frames/s"),
        at_least(f"{name}: rate while scrubbing against rest, best of three", kept, "", 0.95),
        at_most(f"{name}: pictures that came late, of {count}", speed["missed"], "", 0),
        at_most(f"{name}: layout shift while scrubbing", shifted, "", 0.0),
        at_most(f"{name}: console errors", len(found.errors), "", 0),
        at_most(f"{name}: requests to anywhere", len(strange), "", 0),
    ]


def _long(folder: Path) -> Path:
    """The quarry in 300 frames, beside its figures."""
    folder.mkdir()
    shutil.copytree(QUARRY.parent / "figures", folder / "figures")
    text = QUARRY.read_text(encoding="utf-8")
    for old, new in (("frames = 132", "frames = 300"), ("reveal = 1122", "reveal = 1280")):
        if text.count(old) != 1:
            raise RuntimeError(f"{old!r} has to stand once in {QUARRY}")
        text = text.replace(old, new)
    scene = folder / "quarry.toml"
    scene.write_text(text, encoding="utf-8")
    return scene


def figures(quick: bool) -> list[Figure]:
    """All figures of the report."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        # its bridge is yellow: a scripted viewer sees it
        scene = laid(folder / "set", ("frames = 4", "frames = 12"), ("reveal = 1004", "reveal = 1010"),
                     ('paint = "projected"', 'paint = "bare"\ncolour = "#f0c800"'))  # fmt: skip
        small, name = _shot(scene, folder / "out", 320), "small report, 12 frames 320 x 180"
        if quick:
            held = [*pagehand.in_the_hand(name, small), *pagehand.blind(name, small, 4, 10)]
            return [*looked_at(name, small, 60), *held]
        found = pagehand.blind(name, small, 40, 100)
        file, name = _shot(QUARRY, folder / "quarry", 960), "report of the quarry, 132 frames 960 x 540"
        found += [*looked_at(name, file, 200), *pagehand.in_the_hand(name, file), *pagehand.film_held(name, file)]
        long = _shot(_long(folder / "long"), folder / "300", 960)
        return [*found, *pagehand.film_held("report of the quarry, 300 frames 960 x 540", long)]


def main() -> None:
    """Measure and print."""
    asked = options(__doc__ or "")
    if chromium() is None or AXE is None:
        sys.exit("no Chromium, playwright or axe-playwright-python on this machine: pages cannot be looked at")
    found = figures(asked.quick)
    found += pagebench.figures(asked.quick)
    found += pagetruth.figures(asked.quick)
    found += pageacts.figures(asked.quick)
    if not asked.quick:
        found += pagedrag.figures()
    report("page", found, asked.json, LEFT_OUT if asked.quick else ())


if __name__ == "__main__":
    main()
