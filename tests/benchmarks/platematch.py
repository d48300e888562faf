"""How well the colour match does; part of ``python -m tests.benchmarks.plate``."""

from __future__ import annotations

import time
from collections.abc import Callable
from statistics import median

import numpy as np
import PyOpenColorIO
from skimage.color import deltaE_ciede2000, rgb2lab

from previz import colour
from previz.plate.cdl import Cdl, applied
from previz.plate.match import colour_match
from previz.plate.space import Grade, Space, graded
from tests.benchmarks.figures import Figure, at_least, at_most
from tests.plate.stills import Picture, by_statistics, rock_face

# a published way to compare with matches means and deviations only; ours must not be worse
LOOKS: tuple[tuple[Space, Cdl], ...] = (
    ("linear", Cdl((1.25, 1.0, 0.85), (0.008, -0.004, 0.010), (1.10, 1.15, 0.95), 0.80)),
    ("log", Cdl((1.10, 1.05, 0.95), (-0.030, 0.0, 0.020), (1.05, 1.10, 0.97), 0.85)),
    ("linear", Cdl((0.70, 0.75, 0.90))),
    ("linear", Cdl((1.0, 1.05, 1.2), (-0.01, -0.005, 0.0), (0.8, 0.9, 1.0), 1.25)),
)


def apart(a: Picture, b: Picture) -> float:
    """Mean CIEDE2000 pixel by pixel, by scikit-image."""
    labs = [rgb2lab(colour.encoded(np.clip(v, 0.0, 1.0)).astype(np.float64)) for v in (a, b)]
    return float(deltaE_ciede2000(labs[0], labs[1]).mean())


def against_opencolorio(lists: int = 200) -> float:
    """Largest difference of random decision lists on random values."""
    random = np.random.default_rng(11)
    worst = 0.0
    for _ in range(lists):
        r = random.uniform(size=(3, 3))
        cdl = Cdl(tuple(2.0 * r[0]), tuple(0.8 * r[1] - 0.4), tuple(0.3 + 2.0 * r[2]), float(random.uniform(0.0, 2.0)))
        change = PyOpenColorIO.CDLTransform(slope=cdl.slope, offset=cdl.offset, power=cdl.power, sat=cdl.saturation)
        change.setStyle(PyOpenColorIO.CDL_ASC)
        processor = PyOpenColorIO.Config.CreateRaw().getProcessor(change)
        values = random.uniform(-0.3, 1.4, (500, 3)).astype(np.float32)
        theirs = values.copy()
        processor.getOptimizedCPUProcessor(PyOpenColorIO.OPTIMIZATION_LOSSLESS).applyRGB(theirs)
        worst = max(worst, float(np.abs(applied(values, cdl) - theirs).max()))
    return worst


def _seconds(work: Callable[[], object], times: int) -> float:
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return median(taken)


def figures(quick: bool) -> list[Figure]:
    """The match's figures; a quick run takes one change and two pairs of walls instead of four and eight."""
    lists = 50 if quick else 200
    found = [at_most("CDL against OpenColorIO, largest difference", against_opencolorio(lists), "", 1e-5)]
    looks = LOOKS[:1] if quick else LOOKS
    same, other, rival, rival_other, figure = [], [], [], [], []
    for space, look in looks:
        rock, elsewhere = rock_face(1), rock_face(2)
        plate = np.clip(graded(rock, look, space), 0.0, 1.0)
        other_plate = np.clip(graded(elsewhere, look, space), 0.0, 1.0)
        same.append(apart(graded(rock, colour_match(rock, plate, space).cdl, space), plate))
        rival.append(apart(by_statistics(rock, plate), plate))
        other.append(apart(graded(rock, colour_match(rock, other_plate, space).cdl, space), plate))
        rival_other.append(apart(by_statistics(rock, other_plate), plate))
        peopled = plate.copy()
        peopled[30:170, 100:140] = (0.5, 0.08, 0.05)
        figure.append(apart(graded(rock, colour_match(rock, peopled, space).cdl, space), plate))
    found += [
        at_most("match: same wall, known change, left over, worst", max(same), "dE00", 0.3),
        at_most("match: a figure on a tenth of one picture, left over, worst", max(figure), "dE00", 0.5),
        at_most(
            "match: same wall, share of what Reinhard 2001 leaves, mean", float(np.mean(same) / np.mean(rival)), "", 1.0
        ),
        Figure("match: other wall of the same stone, left over, mean", float(np.mean(other)), "dE00"),
        at_most(
            "match: other wall, share of what Reinhard 2001 leaves, mean",
            float(np.mean(other) / np.mean(rival_other)),
            "",
            1.0,
        ),
    ]
    pairs = 2 if quick else 8
    quiet = sum(not colour_match(rock_face(20 + 2 * n), rock_face(21 + 2 * n)).asked for n in range(pairs))
    found.append(at_least(f"match: nothing asked of walls of one stone, {pairs} pairs", quiet / pairs * 100, "%", 85))
    frame = np.random.default_rng(2).uniform(size=(720, 1280, 3)).astype(np.float32)
    grade = Grade(LOOKS[1][1], "log")
    found.append(Figure("match applied to a 1280 x 720 frame", _seconds(lambda: grade(frame), 3) * 1e3, "ms"))
    rock = rock_face(1)
    plate = np.clip(graded(rock, LOOKS[0][1], "linear"), 0.0, 1.0)
    found.append(Figure("match of two stills", _seconds(lambda: colour_match(rock, plate), 1), "s"))
    return found
