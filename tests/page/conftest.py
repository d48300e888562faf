"""A real browser, and the report of a small shoot for it."""

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from previz.command.shoot.shoot import shoot
from previz.deliver.paint.paintstrip import PaintRow, paint_strip
from previz.deliver.sheet.sheet import ContactCell, ContactSheet, Fact, write_contact_sheet
from previz.draw.paper import TitleBlock
from previz.run.frames import write_png
from previz.run.output import OutputFolder
from previz.run.progress import Progress
from previz.run.results import say_scene
from previz.scene.reader import read_scene, scene_sha256
from tests.command.scenes import laid
from tests.conftest import made_once
from tests.page import driver
from tests.page.driver import Opened, chromium, opened

TITLE = TitleBlock("Small quarry", "1:20", "2025-03-14", "contact sheet")
# a title that breaks a page made carelessly
ODD_TITLE = '</script><script>window.stranger = 1</script> "Kreidebruch" & Söhne {{ data }} ' + "Steinbruchbesitzer" * 2
# the candidates of the made-up contact sheet: hold, mm, and worst break, %
CANDIDATES = ((44.0, 3.0), (30.0, 9.0), (52.0, 21.0), (0.0, 64.0))

# what the encoder of the frames may change, mean difference in codes of 255
ENCODED = 6.0


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium, driven by playwright."""
    if chromium() is None:
        pytest.skip("no browser: Chromium or playwright is not installed, so pages are not looked at")
    with driver.browser() as found:
        yield found


@dataclass(frozen=True)
class Shoot:
    """A finished shoot: its folder and the rows of its ``hold.csv``."""

    folder: Path
    rows: list[dict[str, str]]

    @property
    def report(self) -> Path:
        return self.folder / "report.html"


def on_disk(shoot: Shoot, frame: int) -> NDArray[np.float64]:
    """A frame of the shoot as it was written, (H, W, 3) codes."""
    with Image.open(shoot.folder / "lens" / f"{frame}.png") as image:
        return np.asarray(image.convert("RGB"), dtype=np.float64)


@pytest.fixture(scope="session")
def small(tmp_path_factory: pytest.TempPathFactory) -> Shoot:
    """A yellow bridge before a slate wall in twelve frames, with a contact sheet and a paint comparison beside it."""
    return _read(made_once(tmp_path_factory, "report", _small) / "out")


def _small(folder: Path) -> None:
    scene = laid(
        folder / "set",
        ('paint = "projected"', 'paint = "bare"\ncolour = "#f0c800"'),
        ("frames = 4", "frames = 12"),
        ("reveal = 1004", "reveal = 1010"),
    )
    out = OutputFolder(folder / "out")
    cells = tuple(
        ContactCell(
            rank,
            (Fact("height", f"{100 + 10 * rank} mm", "height_mm", 100.0 + 10.0 * rank),),
            np.full((90, 160, 3), (20 * rank, 90, 200), dtype=np.uint8),
            hold=1e-3 * hold,
            hold_s=0.04 * hold,
            hold_still=1.2e-3 * hold,
            found_hold_pct=0.25 * worst,
            break_mean_pct=0.5 * worst,
            break_worst_pct=worst,
            break_reveal_pct=80.0,
        )
        for rank, (hold, worst) in enumerate(CANDIDATES, start=1)
    )
    write_contact_sheet(out, ContactSheet(TITLE, cells))
    strip = [PaintRow(name, np.full((90, 160, 3), 90, np.uint8), 1.0, 2.0) for name in ("bare board", "solved")]
    write_png(out, "compare.png", paint_strip(TITLE, strip))
    out.write_text("compare.csv", "paint,break_mean_pct,break_worst_pct,frames\nbare board,88.000,91.000,3\n")
    # the sheet is of this scene; nothing says so of the comparison
    say_scene(out, "sheet.json", read_scene(scene), scene_sha256(scene))
    shoot(scene, out.path, 320, False, 1, None, Progress(quiet=True))


def _read(folder: Path) -> Shoot:
    with (folder / "hold.csv").open(encoding="utf-8", newline="") as file:
        return Shoot(folder, list(csv.DictReader(file)))


@pytest.fixture(scope="session")
def unseen(tmp_path_factory: pytest.TempPathFactory) -> Shoot:
    """A camera that looks past the bridge, under a title that breaks a page made carelessly."""
    return _read(made_once(tmp_path_factory, "unseen", _unseen) / "out")


def _unseen(folder: Path) -> None:
    scene = laid(
        folder / "set",
        ('title = "Small quarry"', f"title = '{ODD_TITLE}'"),
        ('tilt = "-8 deg"', 'tilt = "-8 deg"\npan = "60 deg"'),
    )
    shoot(scene, folder / "out", 320, False, 1, None, Progress(quiet=True))


@pytest.fixture(scope="session")
def report(browser: Any, small: Shoot) -> Iterator[Opened]:
    """The report of ``small`` in one window that the tests share; each leaves it at any frame."""
    found = opened(browser, small.report)
    yield found
    found.page.context.close()
