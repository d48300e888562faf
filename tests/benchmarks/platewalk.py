"""A performer who walks down a modelled causeway's stairs: how far a planted foot moves against its tread in the frames
of the animatic (``tests.plate.walkset`` says how that is measured), and when feet are found to be down."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

from previz.plate.walk.soles import downs, followed, runs, soles_of
from tests.benchmarks.figures import Figure, at_most
from tests.plate import walker
from tests.plate.cameras import FullSize
from tests.plate.walker import Gait
from tests.plate.walkset import LAMP, even_marks, on_its_tread, walk_drawn, walk_scene

LONGEST_PX = 0.5


def _found(lens: FullSize) -> list[Figure]:
    """When feet are down in drawn cut-outs, against the drawing: held in place, and walked through."""
    figures = []
    for words, gait in (("held in place", Gait(0.6, 14)), ("walking through the picture", Gait(0.25, 14, False))):
        count, tall = 43, 0.8 * lens.height_px
        soles = followed((soles_of(walker.picture(gait, lens, float(t))) for t in range(count)), tall)
        down = downs(soles, tall, 25.0)
        got = sorted((a, b, side) for side in (0, 1) for a, b in runs(down[:, side]))
        wanted = gait.contacts(count)
        off = max(abs(a - c) for one, other in zip(got, wanted, strict=False) for a, c in zip(one, other, strict=True))
        if len(got) != len(wanted):
            off = count
        drawn = [soles[t, side] - walker.sole(gait, lens, side, float(t)) for first, last, side in wanted
                 for t in range(first, last + 1)]  # fmt: skip
        figures += [
            at_most(f"feet found down, {words}: frames off", float(off), "frames", 1.0),
            at_most(f"soles found, {words}: px of the cut-out off", float(np.nanmax(np.abs(drawn))), "px", 1.0),
        ]
    return figures


def figures(quick: bool) -> list[Figure]:
    """Every figure; ``quick`` draws a short walk in small frames."""
    gait, count, width = (Gait(0.48, 10), 21, 480) if quick else (Gait(0.48, 12), 61, 1280)
    lens = walker.camera(210, 320) if quick else walker.camera()
    with tempfile.TemporaryDirectory() as place:
        scene = walk_scene(Path(place), gait, lens, count, even_marks(gait, count), width, "" if quick else LAMP)
        walked = walk_drawn(scene, gait, lens)
    planted = walked.planted
    where = f"{len(planted)} contacts down the stairs, {count} frames {width} px wide"
    off = sum(not on_its_tread(each) for each in planted)
    return [
        *_found(lens),
        at_most(f"planted foot against its tread, {where}", max(p.moves_px for p in planted), "px", LONGEST_PX),
        at_most(f"contacts that are not on a tread's top, {where}", float(off), "contacts", 0.0),
        at_most(f"tread under the foot against what was asked, along, {where}",
                1e3 * max(abs(p.off_along) for p in planted), "mm", 1.2),
    ]  # fmt: skip
