"""How well the colour match does; part of ``python -m tests.benchmarks.plate``."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from statistics import median

import numpy as np
import PyOpenColorIO
from scipy.optimize import least_squares, minimize
from skimage import data
from skimage.color import deltaE_ciede2000, rgb2lab

from previz import colour
from previz.plate.cdl import Cdl, applied
from previz.plate.match import MOST_DECLINED, colour_match
from previz.plate.matchfit import cdl_of
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


PAIRS = range(50)
QUICK_PAIRS = (0, 3)


def apart(a: Picture, b: Picture) -> float:
    """Mean CIEDE2000 pixel by pixel, by scikit-image."""
    labs = [rgb2lab(colour.encoded(np.clip(v, 0.0, 1.0)).astype(np.float64)) for v in (a, b)]
    return float(deltaE_ciede2000(labs[0], labs[1]).mean())


def photographs() -> list[Picture]:
    """scikit-image's own colour photographs and six crops of each, 8-bit codes decoded to linear light."""
    whole = [
        data.astronaut(), data.chelsea(), data.coffee(), data.rocket(), data.retina(), data.hubble_deep_field(),
        data.immunohistochemistry(), data.stereo_motorcycle()[0],
    ]  # fmt: skip
    found = []
    for codes in whole:
        h, w = codes.shape[:2]
        found.append(codes[..., :3])
        for down, right in ((0.0, 0.0), (0.0, 0.4), (0.4, 0.0), (0.4, 0.4), (0.2, 0.2), (0.1, 0.3)):
            corner = round(down * h), round(right * w)
            found.append(codes[corner[0] : corner[0] + round(0.6 * h), corner[1] : corner[1] + round(0.6 * w), :3])
    return [colour.decoded8(np.ascontiguousarray(codes)) for codes in found]


def graded_pair(number: int) -> tuple[Picture, Picture, Space]:
    """A photograph, its copy after a seeded list with slopes from 0.5 to 2, and the space that is matched in.

    The list works in linear light or, every other pair, in the log space, where a slope of so much is nothing that a
    grader does: it is a quarter as far from 1 there. The copy is written as 8-bit codes.
    """
    random = np.random.default_rng(1000 + number)
    photos = photographs()
    photo = photos[(number * 7) % len(photos)]
    slope = np.exp(random.uniform(np.log(0.5), np.log(2.0), 3))
    offset, power = random.uniform(-0.03, 0.03, 3), random.uniform(0.8, 1.25, 3)
    space: Space = "linear" if number % 2 == 0 else "log"
    if space == "log":
        slope = 1.0 + 0.25 * (slope - 1.0)
    look = Cdl(tuple(slope), tuple(offset), tuple(power), float(random.uniform(0.6, 1.4)))
    # half of either kind is matched in the other space, where no list is the right one
    matched: Space = space if number % 4 < 2 else ("log" if space == "linear" else "linear")
    return photo, colour.decoded8(colour.encoded8(graded(photo, look, space))), matched


def best_left(source: Picture, target: Picture, space: Space, start: Cdl) -> float:
    """The least mean dE00 that SciPy's optimisers find for any list, on the true pairs of pixels (N, 3)."""
    wanted = rgb2lab(colour.encoded(target).astype(np.float64)[None])

    def left(numbers: Picture) -> float:
        after = np.clip(graded(source, cdl_of(numbers), space), 0.0, 1.0)
        return float(deltaE_ciede2000(rgb2lab(colour.encoded(after)[None]), wanted).mean())

    def rows(numbers: Picture) -> Picture:
        after = np.clip(graded(source, cdl_of(numbers), space), 0.0, 1.0)
        return np.asarray((rgb2lab(colour.encoded(after)[None]) - wanted).ravel())

    ours = np.array([*np.log(start.slope), *start.offset, *np.log(start.power), np.log(max(start.saturation, 1e-3))])
    found = []
    # from nothing, and from what was found, so that the best is never worse than ours for want of a start
    for first in (np.zeros(10), ours):
        there = least_squares(rows, first, loss="soft_l1", max_nfev=40).x
        better = minimize(left, min((there, first), key=left), method="Powell", options={"maxiter": 2, "ftol": 1e-3})
        found.append(float(better.fun))
    return min(found)


def graded_photographs(numbers: Sequence[int]) -> list[Figure]:
    """How far above the best list the match of a photograph to its graded copy is; as it lies, and mirrored."""
    over, over_mirrored, declined = [], [], 0
    for number in numbers:
        photo, plate, space = graded_pair(number)
        step = max(1, photo.shape[0] * photo.shape[1] // 3000)
        some, wanted = photo.reshape(-1, 3)[::step].astype(np.float64), plate.reshape(-1, 3)[::step].astype(np.float64)
        match = colour_match(photo, plate, space)
        # the same tones, no place the same: what stills of different views would get at best
        other = colour_match(photo, plate[:, ::-1], space, doubted=False)
        left = [apart(graded(some, each.cdl, space)[None], wanted[None]) for each in (match, other)]
        best = best_left(some, wanted, space, match.found)
        over.append(left[0] - best)
        over_mirrored.append(left[1] - best)
        differ = apart(some[None], wanted[None]) > MOST_DECLINED
        declined += differ and not match.asked
        declined += differ and not other.asked
    many = f"{len(numbers)} graded photographs"
    return [
        at_most(f"match: {many}, left over above the best list, worst", max(over), "dE00", 0.3),
        at_most(f"match: {many}, declined although more than 2 dE00 apart", declined, "", 0),
        Figure(f"match: {many}, mirrored so that tones alone tell, above the best, median",
               float(np.median(over_mirrored)), "dE00"),
        Figure(f"match: {many}, mirrored, above the best, worst", max(over_mirrored), "dE00"),
    ]  # fmt: skip


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
    walls = [colour_match(rock_face(20 + 2 * n), rock_face(21 + 2 * n)) for n in range(pairs)]
    alike = [not found.asked for found in walls if found.before.mean_de00 <= MOST_DECLINED]
    found += [
        at_least(f"match: nothing asked of walls of one stone within 2 dE00, {len(alike)} of {pairs} pairs",
                 float(np.mean(alike or [True])) * 100, "%", 85),
        *graded_photographs(QUICK_PAIRS if quick else PAIRS),
    ]  # fmt: skip
    frame = np.random.default_rng(2).uniform(size=(720, 1280, 3)).astype(np.float32)
    grade = Grade(LOOKS[1][1], "log")
    found.append(Figure("match applied to a 1280 x 720 frame", _seconds(lambda: grade(frame), 3) * 1e3, "ms"))
    rock = rock_face(1)
    plate = np.clip(graded(rock, LOOKS[0][1], "linear"), 0.0, 1.0)
    found.append(Figure("match of two stills", _seconds(lambda: colour_match(rock, plate), 1), "s"))
    return found
