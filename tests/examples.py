"""The pictures that the README shows, made anew: ``python -m tests.examples`` (a few minutes)."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import av
import numpy as np
import pypdfium2 as pdfium
from PIL import Image

from previz.camera import camera_for
from previz.command.lineup.lineup import LineupWishes, lineup
from previz.command.paint.paint import paint
from previz.command.plate.plate import PlateWishes, plate
from previz.command.rig.rig import rig
from previz.command.sheet.sheet import sheet
from previz.command.shoot.shoot import shoot
from previz.draw.paper import LEADING
from previz.draw.paper import Paper as Sheet
from previz.draw.style import INK, SOFT, Colour, fitted, text_width
from previz.lineup.markers import board_of
from previz.look.choose import choose_engine
from previz.plate.figure import standing_figure
from previz.run.progress import Progress
from previz.scene.reader import read_scene
from previz.stage.looking import FrameJob, Looker
from previz.stage.prepare import WITH_BRIDGE, prepare
from tests.command.test_lineup import truth_of
from tests.lineup.photographs import Paper, Spoils, photograph
from tests.page.driver import browser, opened, rested, served
from tests.walk import steps

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "renders" / "examples"
_QUALITY = 88


def lens_strip(picture: np.ndarray, caption: str, note: str = "", note_colour: Colour = INK) -> np.ndarray:
    """The picture (H, W, 3) uint8 with a strip of paper under it, captioned; the height of the whole is even.

    ``note`` stands at the right end of the strip, in bold.
    """
    height, width = picture.shape[:2]
    size = max(11.0, round(width / 48.0))
    strip = round(size * LEADING * 1.5)
    strip += (height + strip) % 2
    paper = Sheet(width, height + strip, 2)
    paper.paste(picture, (0, 0))
    middle = height + strip / 2.0
    paper.line([(0, height + 0.5), (width, height + 0.5)], SOFT, 1.0)
    room = width - 2.0 * size
    if note:
        paper.text((width - size, middle), note, size, note_colour, "rm", bold=True)
        room -= text_width(note, size, True) + size
    paper.text((size, middle), fitted(caption, size, room), size, INK, "lm")
    return paper.picture()


def _save(name: str, picture: np.ndarray, width: int | None = None) -> None:
    image = Image.fromarray(picture)
    if width is not None:
        image = image.resize((width, round(image.height * width / image.width)), Image.Resampling.LANCZOS)
    image.save(EXAMPLES / name, quality=_QUALITY, optimize=True)


def station_and_reveal(name: str) -> None:
    """The lens view at the station point and at the end of the move, the performer standing on the walkway."""
    scene = read_scene(ROOT / "scenes" / f"{name}.toml")
    ready = prepare(scene)
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    figure = standing_figure(scene)
    strips = []
    for frame, words in ((ready.move.station_frame, "station point"), (ready.move.frames[-1], "end of the move")):
        result = looker.look(FrameJob(frame, 960, 540))
        assert result.code is not None
        picture = result.code
        if figure is not None:
            picture = figure.stood_in(picture, ready.move.camera(frame, 960, 540))
        percent = result.judged.score.break_pct
        note = "cannot be judged" if percent is None else f"break {percent:.0f} %"
        strips.append(lens_strip(picture, f"frame {frame}, {words}", note))
    looker.engine.close()
    _save(f"{name}-station-and-reveal.jpg", np.concatenate(strips, axis=1), 1600)


def paints(folder: Path) -> None:
    """The quarry in the paints of ``previz paint --compare``, asked to hold longer than projected paint does."""
    shutil.copytree(ROOT / "scenes", folder / "scenes")
    scene = folder / "scenes" / "quarry.toml"
    text = scene.read_text(encoding="utf-8")
    assert text.count("hold = [1001, 1036]") == 1
    scene.write_text(text.replace("hold = [1001, 1036]", "hold = [1001, 1060]"), encoding="utf-8")
    with Progress() as progress:
        paint(scene, True, "a4", None, False, folder / "paints", None, None, progress)
    _save("quarry-paints.jpg", np.asarray(Image.open(folder / "paints" / "compare.png").convert("RGB")), 1600)


def rig_card(folder: Path) -> None:
    """The first sheets of the card and the elevation of the quarry's ``rig.pdf``, side by side."""
    with Progress() as progress:
        rig(ROOT / "scenes" / "quarry.toml", "a4", folder, progress)
    with pdfium.PdfDocument((folder / "rig.pdf").read_bytes()) as file:
        heads = [file[page].get_textpage().get_text_range() for page in range(len(file))]
        elevation = next(page for page, head in enumerate(heads) if head.startswith("Elevation"))
        pages = [np.asarray(file[page].render(scale=1.6).to_pil().convert("RGB")) for page in (0, 1, elevation)]
    _save("quarry-rig.png", np.concatenate(pages, axis=1), 1600)


def animatic(folder: Path) -> None:
    """Three frames of the quarry's animatic with its burn-in, one above the other."""
    wishes = PlateWishes(burn_in=True)
    with Progress() as progress:
        plate(ROOT / "scenes" / "quarry.toml", folder, 960, wishes, None, None, progress)
    with av.open(str(folder / "animatic.mp4")) as film:
        frames = [frame.to_ndarray(format="rgb24") for frame in film.decode(video=0)]
    _save("quarry-animatic.jpg", np.concatenate([frames[k] for k in (14, 60, 99)], axis=1), 1600)


def report_page(page: Path) -> None:
    """The head of the quarry's report, as a browser shows it."""
    with browser() as found:
        opening = opened(found, page, 1280, 1330)
        opening.page.screenshot(path=str(page.with_name("report.png")))
    _save("quarry-report.jpg", np.asarray(Image.open(page.with_name("report.png")).convert("RGB")), 1100)


def bench_page(folder: Path) -> None:
    """The bench of the quarry, its camera raised by hand."""
    scene = folder / "bench.toml"
    text = (ROOT / "scenes" / "quarry.toml").read_text(encoding="utf-8")
    scene.write_text(text.partition("[plate]")[0], encoding="utf-8")
    with served(scene, folder) as address, browser() as found:
        page = found.new_page(viewport={"width": 1280, "height": 1330})
        page.goto(address)
        rested(page)
        page.fill("#knob-up", "455 mm")
        page.press("#knob-up", "Enter")
        rested(page)
        page.screenshot(path=str(folder / "bench.png"))
    _save("quarry-bench.jpg", np.asarray(Image.open(folder / "bench.png").convert("RGB")), 1100)


def line_up(folder: Path) -> None:
    """The quarry's marker sheets before its own picture, photographed by a camera that has been knocked."""
    path = ROOT / "scenes" / "quarry.toml"
    scene = read_scene(path)
    ready = prepare(scene)
    looker = Looker(choose_engine().engine)
    looker.load(ready)
    right = truth_of(path)
    papers = [Paper(s.numbers, s.at, s.side, s.world_from_sheet) for s in board_of(scene).sheets]
    luminance = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)
    for name, truth in (("right", right), ("knocked", right.knocked((7e-3, -5e-3, 4e-3), (0.008, -0.004, 0.006)))):
        body = scene.camera
        camera = camera_for(truth.place, *truth.angles, body.lens, body.sensor[0], *truth.size_px)
        behind = looker.engine.draw(camera, WITH_BRIDGE).colour @ luminance
        (folder / f"{name}.jpg").write_bytes(photograph(truth, papers, Spoils(uneven=0.1), behind))
    looker.engine.close()
    wishes = LineupWishes(against=folder / "right.jpg")
    with Progress() as progress:
        lineup(path, folder / "knocked.jpg", wishes, folder / "lineup", None, None, progress)
    _save("quarry-lineup.jpg", np.asarray(Image.open(folder / "lineup" / "lineup.png").convert("RGB")), 1100)


def walk(folder: Path) -> None:
    """The pictures of the walk from idea to shooting day: its commands are run in ``folder``, in their order."""
    shutil.copytree(ROOT / "scenes", folder / "scenes", dirs_exist_ok=True)
    for step in steps():
        for words in step.commands:
            subprocess.run([sys.executable, "-m", "previz", *words[1:]], cwd=folder, check=True)
    walk_pictures(folder / "renders" / "seastack")


def walk_pictures(left: Path) -> None:
    """The pictures of the walk from what its commands have left."""

    def pages(name: str, *numbers: int) -> np.ndarray:
        with pdfium.PdfDocument((left / name).read_bytes()) as file:
            return np.concatenate(
                [np.asarray(file[k].render(scale=1.5).to_pil().convert("RGB")) for k in numbers], axis=1
            )

    for name, width in (("sheet", 1200), ("lineup", 1100), ("knock", 1100)):
        _save(f"seastack-{name}.jpg", np.asarray(Image.open(left / f"{name}.png").convert("RGB")), width)
    _save("seastack-guide.jpg", pages("guide.pdf", 0, 2), 1200)
    _save("seastack-rig.jpg", pages("rig.pdf", 0, 4), 1200)
    with av.open(str(left / "animatic.mp4")) as film:
        frames = [frame.to_ndarray(format="rgb24") for frame in film.decode(video=0)]
    _save("seastack-animatic.jpg", np.concatenate([frames[k] for k in (14, 90, 149)], axis=1), 1600)


def main() -> None:
    """Make every picture."""
    EXAMPLES.mkdir(parents=True, exist_ok=True)
    for name in ("quarry", "seastack", "crevasse"):
        station_and_reveal(name)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        scene = ROOT / "scenes" / "quarry.toml"
        with Progress() as progress:
            shoot(scene, out, 960, False, None, None, progress)
            ranges = {"height": "330..530 mm x 3", "distance": "1.65..1.85 m x 3"}
            sheet(scene, ranges, out, 480, None, None, progress)
        for source, name in (("hold.png", "quarry-hold.png"), ("side/1090.png", "quarry-side.png")):
            shutil.copy(out / source, EXAMPLES / name)
        report_page(out / "report.html")
        bench_page(out)
        line_up(out)
        rig_card(out)
        animatic(out)
        paints(out)
        walk(out / "walk")
        _save("quarry-sheet.jpg", np.asarray(Image.open(out / "sheet.png").convert("RGB")), 1600)


if __name__ == "__main__":
    main()
