"""The tool's frame and the traced one side by side, as pictures for the README."""

from __future__ import annotations

import pickle
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from tests.benchmarks.reality.choice import HOLD, STANDS
from tests.benchmarks.reality.frames import whole
from tests.workshop.wallphotos import encoded

# the part of both frames that is shown is as large as this, so many times enlarged
_QUALITY, _ENLARGED, _STRIP_PX, _GAP_PX = 85, 2, 30, 8


def write_pair(folder: Path, name: str, out: Path, frame: int | None = None) -> Path:
    """``reality-NAME.jpg``: the box of a frame that was traced, by the tool on the left and traced on the right."""
    with (folder / "ready.pickle").open("rb") as file:
        _, plan, _ = pickle.load(file)
    there = [f for f in plan.frames if (folder / "traced" / f"{f}.npz").exists()]
    # the last of the hold asked for, where the camera moves and the bridge must not be seen yet
    chosen = [f for f in there if plan.frames[f] in (STANDS, HOLD)][-1] if frame is None else frame
    left, top, width, height = plan.boxes[chosen]
    with np.load(folder / "own.npz") as own, np.load(folder / "traced" / f"{chosen}.npz") as traced:
        mine = np.asarray(own[f"{chosen}/seen"], dtype=np.float32)
        theirs = whole(traced["seen"], mine, plan.boxes[chosen])
        samples = int(traced["samples"])
    parts = []
    for picture in (mine, theirs):
        code = np.rint(255.0 * encoded(picture[top : top + height, left : left + width])).astype(np.uint8)
        image = Image.fromarray(code)
        parts.append(image.resize((width * _ENLARGED, height * _ENLARGED), Image.Resampling.BICUBIC))
    wide, high = parts[0].size
    sheet = Image.new("RGB", (2 * wide + _GAP_PX, high + _STRIP_PX), (250, 247, 240))
    draw, font = ImageDraw.Draw(sheet), ImageFont.load_default(15)
    for k, (part, word) in enumerate(zip(parts, ("the tool", f"path traced, {samples} paths a pixel"), strict=True)):
        x = k * (wide + _GAP_PX)
        sheet.paste(part, (x, 0))
        draw.text((x + 8, high + 6), f"{word}, frame {chosen}", fill=(30, 30, 40), font=font)
    out.mkdir(parents=True, exist_ok=True)
    path = out / f"reality-{name}.jpg"
    sheet.save(path, quality=_QUALITY)
    return path
