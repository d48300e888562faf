"""A real browser for the pages: where it is, how it is started, an open page with all that it says, a served bench."""

import base64
import importlib.util
import io
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

ROOT = Path(__file__).resolve().parents[2]

# where systems keep it, by name; Debian's is the first
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
# drawing in software has to be asked for by name in recent versions (from memory)
OPTIONS = ("--no-sandbox", "--enable-unsafe-swiftshader")

# s after which a page is taken to have come to a standstill; nothing is expected to be quick
PATIENCE = 300.0


def _axe() -> Path | None:
    found = importlib.util.find_spec("axe_playwright_python")
    return None if found is None or found.origin is None else Path(found.origin).parent / "axe.min.js"


# axe-core (Deque) as its PyPI package carries it; None where it is not installed
AXE = _axe()


def chromium() -> str | None:
    """The browser's program; None where there is none."""
    if importlib.util.find_spec("playwright") is None:
        return None
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


@contextmanager
def browser() -> Iterator[Any]:
    """Chromium, meanwhile. It must be there (:func:`chromium`)."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=chromium(), args=list(OPTIONS))
        yield found
        found.close()


@dataclass
class Opened:
    """An open page, and what it has said and asked for since."""

    page: Any
    errors: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def opened(browser: Any, file: Path, width: int = 1280, height: int = 800, before: str = "", **context: Any) -> Opened:
    """The page in ``file`` in a window of its own; the script ``before`` runs before any of its own."""
    page = browser.new_context(viewport={"width": width, "height": height}, **context).new_page()
    page.set_default_timeout(1e3 * PATIENCE)
    out = Opened(page)
    page.on("console", lambda said: out.errors.append(said.text) if said.type == "error" else None)
    page.on("pageerror", lambda error: out.errors.append(str(error)))
    page.on("request", lambda request: out.asked.append(request.url))
    if before:
        page.add_init_script(before)
    page.goto(file.resolve().as_uri())
    page.wait_for_selector("html[data-warm=yes]")
    return out


def at(page: Any, frame: int) -> None:
    """Wait until the page shows a frame."""
    page.wait_for_selector(f"html[data-frame='{frame}']")
    page.wait_for_selector(f"#lens[data-frame='{frame}']")


def go(page: Any, frame: int) -> None:
    page.locator("#frame").fill(str(frame))
    at(page, frame)


def picture(page: Any, selector: str = "#lens") -> NDArray[np.float64]:
    """What a canvas shows, (H, W, 3) codes."""
    text = page.eval_on_selector(selector, "c => c.toDataURL('image/png').split(',')[1]")
    with Image.open(io.BytesIO(base64.b64decode(text))) as image:
        return np.asarray(image.convert("RGB"), dtype=np.float64)


def until(page: Any, so: Callable[[], bool]) -> None:
    """Let the page go on until something is so; after minutes it is given up."""
    end = time.monotonic() + PATIENCE
    while not so():
        if time.monotonic() > end:
            raise TimeoutError("it never came to that")
        page.wait_for_timeout(20)


# of the bench's page: all that is wanted has been drawn and judged
REST = "(d => d.set === 'ready' && d.rest === d.order)(document.body.dataset)"

# and the full judge is through with it
FULL = "(d => d.full === d.order)(document.body.dataset)"


@contextmanager
def served(scene: Path, folder: Path) -> Iterator[str]:
    """The bench of a scene in a process of its own, meanwhile; gives its address."""
    process = subprocess.Popen(
        [sys.executable, "-m", "previz.cli", "bench", str(scene), "--no-open", "--out", str(folder / "out")],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    try:
        assert process.stdout is not None
        found = re.search(r"http://\S+", process.stdout.readline())
        if found is None:
            raise RuntimeError("the bench did not tell its address")
        yield found.group()
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE)


def rested(page: Any, limit: float = 180.0) -> None:
    """Wait until the bench has drawn and judged all that is wanted."""
    page.wait_for_timeout(120)
    end = time.monotonic() + limit
    while not page.evaluate(REST):
        if time.monotonic() > end:
            raise RuntimeError("the bench never came to rest")
        page.wait_for_timeout(50)
