"""The solver: its picture against the engine's, its slope against differences, and what must be true of its answer."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz import colour
from previz.command.paint.solving import PaintBench, codes_of, held_surfaces
from previz.judge.breaks import decided, sides_of
from previz.judge.outline import outline_of
from previz.judge.viewer import MIDDLE_SEAT, Viewer
from previz.paint.bound import least_break
from previz.paint.holdframes import HeldView, held_frames
from previz.paint.laying import Laying, wall_mixing
from previz.paint.solver import Descent, HeldFrame, worst_of
from previz.stage.looking import Looker
from previz.stage.prepare import BRIDGE, CLEAN, WITH_BRIDGE, prepare
from previz.workshop.pigment import BRIGHTEST_PAINT, DARKEST_PAINT
from previz.workshop.surface import BRIDGE as BRIDGE_LAYER
from tests.engine import open_engine
from tests.judge.walls import own_alone
from tests.search.example import small_scene

WIDTH, HEIGHT = 480, 270
JND_DE00 = 1.0


class Set:
    """A small set and some frames of its hold, far enough apart that projected paint comes apart."""

    def __init__(self, folder: Path) -> None:
        scene = small_scene(folder).edited(rail__hold=(1001, 1012))
        self.ready = prepare(scene, WIDTH)
        self.looker = Looker(open_engine())
        self.looker.load(self.ready)
        move = self.ready.move
        self.cameras = [(f, move.camera(f, WIDTH, HEIGHT)) for f in (1001, 1005, 1009, 1012)]
        self.frames: list[HeldFrame] = held_frames(
            [HeldView(*each) for each in self.cameras], self.looker.engine, self.looker.sight,
            lambda blur: self.looker.ordinary(HEIGHT, blur), held_surfaces(self.ready),
        )  # fmt: skip
        self.code = self.ready.bridge.code
        bridge = self.ready.built.bridge
        self.laying = Laying(
            bridge.size_px[1], bridge.size_px[0], bridge.charts, 4.0, wall_mixing(self.ready.wall.clean.code)
        )
        light = PaintBench(self.looker).light
        self.lowest, self.highest = (
            colour.encoded(paint * light).reshape(-1, 3).astype(np.float32)
            for paint in (DARKEST_PAINT, BRIGHTEST_PAINT)
        )

    def descent(self, steps: int = 24, threads: int = 2) -> Descent:
        return Descent(self.frames, codes_of(self.code), self.lowest, self.highest, self.laying, steps, threads)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Set:
    return Set(tmp_path_factory.mktemp("small"))


def test_pictures_are_those_of_the_engine(small: Set) -> None:
    # OpenGL's picture of the same frame; colour difference CIEDE2000
    small.looker.engine.repaint(BRIDGE, small.code)
    for held, (_, camera) in zip(small.frames, small.cameras, strict=True):
        drawn = small.looker.engine.draw(camera, WITH_BRIDGE).colour
        made = held.model.picture(codes_of(small.code))
        x, y = held.model.origin
        part = drawn[y : y + made.shape[0], x : x + made.shape[1]]
        off = colour.de00(colour.lab(made), colour.lab(np.clip(part, 0.0, 1.0)))
        assert np.quantile(off, 0.999) < 0.5 * JND_DE00


def test_slope_is_that_of_small_differences(small: Set) -> None:
    held = small.frames[-1]
    codes = codes_of(small.code)
    slope = np.zeros_like(codes)
    held.model.slope(held.at(codes).slope, None, codes, slope)
    rng = np.random.default_rng(1)
    for _ in range(3):
        way = (rng.uniform(0.0, 1.0, codes.shape) * np.sign(slope)).astype(np.float32)
        near = [held.at(codes + np.float32(step) * way).share for step in (-1e-3, 1e-3)]
        assert (near[1] - near[0]) / 2e-3 == pytest.approx(float((slope * way).sum()), rel=0.06)


def test_softened_share_follows_the_judge(small: Set) -> None:
    # the judge's own share counted, from drawn frames: the soft one lies near it, and in the same order
    soft, hard = [], []
    bare = np.full_like(small.code, 230)
    for code in (small.code, np.roll(small.code, 6, axis=0), bare):
        small.looker.engine.repaint(BRIDGE, code)
        for held, (_, camera) in zip(small.frames, small.cameras, strict=True):
            seen = small.looker.engine.draw(camera, WITH_BRIDGE)
            clean = np.clip(small.looker.engine.draw(camera, CLEAN).colour, 0.0, 1.0)
            outline = outline_of(seen.cover(BRIDGE_LAYER), Viewer(HEIGHT))
            limits = small.looker.ordinary(HEIGHT).at(
                camera.focal_px / float(np.median(camera.depth(np.zeros((1, 3)))))
            )
            sides = sides_of(np.clip(seen.colour, 0.0, 1.0), clean, outline, Viewer(HEIGHT))
            judged = decided(sides, outline, limits, Viewer(HEIGHT))
            found = held.at(codes_of(code))
            own = decided(sides, outline, own_alone(limits), Viewer(HEIGHT), only=MIDDLE_SEAT)
            hard.append(0.01 * own.percent)
            soft.append(found.share)
            # and the judge's own number, from the solver's picture
            assert found.percent == pytest.approx(judged.percent, abs=1.5)
    assert np.corrcoef(soft, hard)[0, 1] > 0.98
    assert np.abs(np.array(soft) - hard).max() < 0.12


def test_the_worst_frame_gets_better_and_never_worse(small: Set) -> None:
    descent = small.descent()
    first, worst = worst_of(small.frames, np.clip(codes_of(small.code), small.lowest, small.highest)), []
    more = True
    while more:
        worst.append((float(descent.solution.after_pct.max()), descent.worst))
        more = descent.go(1)
    worst.append((float(descent.solution.after_pct.max()), descent.worst))
    # the judge's worst frame, then the softened one, step by step from the paint that it was begun with
    assert worst[0] == pytest.approx(first, abs=1e-4)
    assert worst == sorted(worst, reverse=True)
    assert worst[-1][0] < 0.5 * worst[0][0]
    assert worst[-1][1] < 0.7 * worst[0][1]
    solution = descent.solution
    percent, share = worst_of(small.frames, solution.codes)
    assert share == pytest.approx(worst[-1][1], abs=1e-6)
    assert percent == pytest.approx(solution.after_pct.max(), abs=1e-4)
    assert np.all(solution.codes >= small.lowest - 1e-6)
    assert np.all(solution.codes <= small.highest + 1e-6)


def test_no_steps_leave_the_paint_as_it_was(small: Set) -> None:
    descent = small.descent(steps=0)
    assert not descent.go(10)
    assert descent.solution.codes == pytest.approx(np.clip(codes_of(small.code), small.lowest, small.highest))


def test_threads_change_nothing(small: Set) -> None:
    one, two = small.descent(steps=6, threads=1), small.descent(steps=6, threads=3)
    one.go(6)
    two.go(6)
    assert np.array_equal(one.solution.codes, two.solution.codes)


def test_changes_are_no_finer_than_the_brush(small: Set) -> None:
    # what a Gaussian of half the brush has laid is hardly changed by one of a tenth of it
    descent = small.descent(steps=10)
    descent.go(10)
    height, width = small.code.shape[:2]
    change = (descent.solution.codes - np.clip(codes_of(small.code), small.lowest, small.highest)).reshape(
        height, width, 3
    )
    chart = small.ready.built.bridge.charts[0]
    part = change[chart.top_px : chart.top_px + chart.height_px, chart.left_px : chart.left_px + chart.width_px]
    assert np.abs(part).max() > 0.01
    fine = part - gaussian_filter(part, 0.4, axes=(0, 1), mode="nearest")
    assert np.sqrt((fine**2).mean()) < 0.1 * np.sqrt((part**2).mean())


def test_the_brush_is_its_own_way_back(small: Set) -> None:
    # <u, L v> = <L u, v>: what the slope needs
    rng = np.random.default_rng(5)
    height, width = small.code.shape[:2]
    u, v = (rng.normal(0.0, 1.0, (height * width, 3)).astype(np.float32) for _ in range(2))
    one, other = float((u * small.laying(v)).sum()), float((small.laying(u) * v).sum())
    assert one == pytest.approx(other, abs=0.02 * float(np.linalg.norm(u)))


def test_a_grey_wall_lends_no_colour() -> None:
    # variance along grey only: a change towards red comes out grey
    grey = np.repeat(np.random.default_rng(2).integers(40, 200, (64, 64, 1)), 3, axis=2).astype(np.uint8)
    mixing = wall_mixing(grey)
    assert np.array([1.0, 0.0, 0.0]) @ mixing == pytest.approx([1 / 3] * 3, abs=1e-3)
    assert np.array([1.0, 1.0, 1.0]) @ mixing == pytest.approx([1.0] * 3, abs=1e-3)


def test_no_paint_can_beat_the_bound(small: Set) -> None:
    # a bound on the mean over frames. Chance is left in on both sides: less chance the bound of so short a hold is 0,
    # which everything beats
    descent = small.descent(steps=24)
    descent.go(24)
    as_counted = [
        SimpleNamespace(
            place=held.place, judged=SimpleNamespace(clean=held.judged.clean, limit=held.judged.limit, chance=0.0)
        )
        for held in small.frames
    ]
    bound = least_break(as_counted)  # type: ignore[arg-type]
    assert 0.05 < bound < float(descent.before.mean())
    assert bound <= float(descent.after.mean()) + 0.03


def test_the_bound_of_one_frame_is_nothing(small: Set) -> None:
    # one frame can be painted exactly
    assert least_break(small.frames[:1]) < 0.02
