"""What the paint solver promises, on frames and textures so small that the answer is known by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from previz import colour
from previz.command.paint.solving import (
    SolvedPaint,
    frames_between,
    reflectance_of,
    solved_frames,
    solved_size_px,
    solved_views,
    with_paint,
)
from previz.judge.breaks import decided, sides_of
from previz.judge.outline import outline_of
from previz.judge.viewer import MIDDLE_SEAT, SEATS, Viewer, chance_found
from previz.paint.baselines import WallViews, greedy
from previz.paint.bound import least_break
from previz.paint.brush import brushed
from previz.paint.framemodel import BilinearSamples, FrameModel, LensLooks
from previz.paint.freewall import FreeWall, LayingBoth, WallPart
from previz.paint.laying import Laying, wall_mixing
from previz.paint.palette import palette_of
from previz.paint.sensitivity import BreakGradient, FrameBreak
from previz.paint.solver import Descent
from previz.stage.freewall import shade_of
from previz.stage.prepare import LitWall, ReadySet
from previz.workshop.charts import Chart
from previz.workshop.surface import LitSurface
from tests.judge.pictures import wall
from tests.judge.walls import NEVER, wall_of
from tests.paint.walls import grain_error, rock
from tests.search.flatset import flat_set

EDGE_GAIN = 0.8663855974622838  # erf(1.5 / sqrt 2): what a straight edge reads of its height


@dataclass(frozen=True)
class Made:
    """A frame whose share found and break are functions of the texture's mean code."""

    share: object
    slope: object
    percent: object

    def at(self, codes: np.ndarray, judged: bool = True) -> BreakGradient:
        c = float(codes[0].mean())
        return BreakGradient(self.share(c), self.percent(c), np.full((1, 1, 3), self.slope(c), np.float32), None)

    @property
    def model(self) -> Made:
        return self

    # the frame's slope for the codes: the first texel's in full, the others' a thousandth
    def add(self, slope: np.ndarray, clean: object, codes: np.ndarray, out: np.ndarray) -> None:
        out[0] += slope[0, 0]
        out[1:] += 1e-3 * slope[0, 0]


class _Model:
    def __init__(self, made: Made) -> None:
        self.slope = made.add


def frame(share, slope, percent=None):
    made = Made(share, slope, percent or (lambda c: 100.0 * share(c)))
    return SimpleNamespace(at=made.at, model=_Model(made))


def begun(frames, start: float, steps: int = 80, low: float = 0.0, high: float = 1.0, texels: int = 1) -> Descent:
    codes = np.full((texels, 3), start, dtype=np.float32)
    bounds = (np.full_like(codes, low), np.full_like(codes, high))
    return Descent(frames, codes, *bounds, lambda changes: changes, steps, threads=1)


def descended(*given, **options) -> Descent:
    descent = begun(*given, **options)
    while descent.go(4):
        pass
    return descent


def test_the_worst_frame_decides_not_the_sum() -> None:
    """c^2 and 3 (1 - c)^2: their sum is least at 3/4, where the worse is 0.56; the worse is least, 0.40, where they
    are alike; a power mean of 8 lies at c / (1 - c) = 3^(8/15) by its derivative: 0.413."""
    frames = [
        frame(lambda c: c * c, lambda c: 2.0 * c),
        frame(lambda c: 3.0 * (1.0 - c) ** 2, lambda c: -6.0 * (1.0 - c)),
    ]
    c = 3.0 ** (8.0 / 15.0) / (1.0 + 3.0 ** (8.0 / 15.0))
    descent = descended(frames, 0.95)
    assert descent.worst == pytest.approx(max(c * c, 3.0 * (1.0 - c) ** 2), abs=0.01)


def test_the_best_on_the_way_is_kept() -> None:
    """What is followed falls on and on, but the judge's break is least at 0.8, on the way."""
    found = descended([frame(lambda c: c, lambda c: 1.0, lambda c: 100.0 * abs(c - 0.8))], 0.95).solution
    assert float(found.codes.mean()) == pytest.approx(0.8, abs=0.01)
    assert found.after_pct.max() < 1.0
    assert found.steps == 80


def test_where_the_judge_cannot_tell_the_softened_share_decides() -> None:
    found = descended([frame(lambda c: c, lambda c: 1.0, lambda c: 0.0)], 0.9).solution
    assert float(found.codes.mean()) < 0.6


def test_paint_stays_within_what_paint_can_do() -> None:
    found = descended([frame(lambda c: c, lambda c: 1.0)], 0.7, low=0.6, high=0.8).solution
    assert float(found.codes.mean()) == pytest.approx(0.6, abs=1e-6)
    # and what is begun with is brought there
    outside = descended([frame(lambda c: c, lambda c: 1.0)], 0.2, steps=0, low=0.6, high=0.8).solution
    assert float(outside.codes.mean()) == pytest.approx(0.6, abs=1e-6)


def test_a_step_is_two_hundredths_of_the_range_at_first_and_two_thousandths_at_last() -> None:
    descent = begun([frame(lambda c: c, lambda c: 1.0)], 1.0)
    path = [1.0]
    for _ in range(20):
        descent.go(4)
        path.append(float(descent.solution.codes.mean()))
    steps = -np.diff(path) / 4.0
    # a slope that never changes: Adam's step is the whole of it, less what the quiet share keeps back, 1 / 1.3; the
    # mean of four steps, each 0.1^(1/79) of the one before
    assert steps[0] == pytest.approx(0.02 * 0.1 ** (1.5 / 79.0) / 1.3, rel=0.02)
    assert steps[-1] == pytest.approx(0.002 * 0.1 ** (-1.5 / 79.0) / 1.3, rel=0.05)


def test_what_is_hardly_ever_outline_stays_as_it_was() -> None:
    """Texels with a thousandth of the others' slope move little; Adam alone would move them as far."""
    codes = descended([frame(lambda c: c, lambda c: 1.0)], 0.9, steps=20, texels=2).solution.codes
    assert 0.9 - codes[0].mean() > 0.1
    assert 0.9 - codes[1].mean() < 0.02


def held(beside: float, limit: float, place: float = 0.0):
    """A frame whose one piece of outline lies at ``place`` (m) and has wall of so much L* beside it."""
    clean = np.zeros((3, 3, 1, 4), dtype=np.float32)
    clean[0, ..., 0] = beside
    judged = SimpleNamespace(clean=clean, limit=np.full((1, 3, 3), limit))
    return SimpleNamespace(place=np.array([[place, 0.0, 0.0]]), judged=judged)


@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0])
def test_the_bound_of_two_frames_is_the_best_that_one_colour_does(apart: float) -> None:
    """The wall beside a place differs by ``apart`` times what may be: one colour is right for one frame and that far
    off in the other, or half as far in both."""
    limit = 4.0
    frames = [held(50.0, limit), held(50.0 + apart * limit * EDGE_GAIN, limit)]
    one, both = float(chance_found(np.array(apart))), 2.0 * float(chance_found(np.array(0.5 * apart)))
    assert least_break(frames) == pytest.approx(min(one, both) / 2.0, rel=1e-3)


def test_the_bound_lets_every_place_have_its_own_colour() -> None:
    assert least_break([held(50.0, 4.0), held(90.0, 4.0, place=0.05)]) == 0.0
    assert least_break([held(50.0, 4.0), held(90.0, 4.0, place=0.001)]) > 0.4


def test_the_bound_counts_the_worst_scale() -> None:
    """A place is found by whichever scale tells most."""
    other = held(50.0, 4.0)
    other.judged.clean[0, 2, 0, 0] = 50.0 + 2.0 * 4.0 * EDGE_GAIN
    assert least_break([held(50.0, 4.0), other]) == pytest.approx(float(chance_found(np.array(2.0))) / 2.0, rel=1e-2)


VIEWER = Viewer(540)


class Frame:
    """A small picture of a wall with a square of bridge in it, and its break with a slope.

    What is ``wrong`` with the bridge: its "colour", its "grain" (it has none), or a "rim" along its edge.
    """

    def __init__(self, limit: float = 4.0, tint: float = 1.2, wrong: str = "colour", running: float = NEVER) -> None:
        self.clean = wall(4, 120, 110)
        cover = np.zeros((110, 120), dtype=np.float32)
        cover[35:75, 40:80] = 1.0
        changed, painted = cover.copy(), np.clip(self.clean * tint, 0.0, 1.0)
        if wrong == "rim":
            changed[34:76, 39:81] = 1.0
            changed[36:74, 41:79] = 0.0
        elif wrong == "grain":
            painted = gaussian_filter(self.clean, (6.0, 6.0, 0.0))
        self.seen = np.where(changed[..., None] > 0, painted, self.clean).astype(np.float32)
        self.outline = outline_of(cover, VIEWER)
        grain = 1.0 if wrong == "grain" else 0.3
        self.ordinary = wall_of((limit, grain, limit), running)
        self.sides = sides_of(self.seen, self.clean, self.outline, VIEWER)
        self.judged = FrameBreak(self.outline, self.sides, self.ordinary, VIEWER, (120, 110), (0, 0))


@pytest.mark.parametrize(("limit", "tint"), [(4.0, 1.2), (9.0, 1.2), (9.0, 1.35), (6.0, 0.75)])
def test_the_solvers_judge_is_the_judge(limit: float, tint: float) -> None:
    made = Frame(limit, tint)
    wanted = decided(made.sides, made.outline, made.ordinary, VIEWER)
    got = made.judged.at(made.seen)
    assert got.percent == pytest.approx(wanted.percent, abs=0.5)
    # softened, it lies near the judge's own share
    assert got.share == pytest.approx(0.01 * wanted.by_seat[SEATS.index(MIDDLE_SEAT)], abs=0.12)


@pytest.mark.parametrize(("limit", "tint", "wrong"), [(9.0, 1.2, "colour"), (60.0, 1.0, "grain"), (3.0, 1.3, "rim")])
def test_its_slope_is_that_of_small_differences(limit: float, tint: float, wrong: str) -> None:
    made = Frame(limit, tint, wrong)
    slope = made.judged.at(made.seen).slope
    assert np.abs(slope).sum() > 0.1
    rng = np.random.default_rng(3)
    for _ in range(3):
        way = (rng.uniform(0.5, 1.0, made.seen.shape) * np.sign(slope)).astype(np.float32)
        near = [made.judged.at(made.seen + np.float32(step) * way).share for step in (-3e-4, 3e-4)]
        assert (near[1] - near[0]) / 6e-4 == pytest.approx(float((slope * way).sum()), rel=0.01)


def slope_by_differences(of: Callable[[np.ndarray], float], at: np.ndarray, slope: np.ndarray) -> float:
    """Largest error of a slope along three ways, as a share of what small differences say."""
    rng, step = np.random.default_rng(5), np.float32(3e-4)
    off = []
    for _ in range(3):
        way = (rng.uniform(0.5, 1.0, at.shape) * np.sign(slope)).astype(np.float32)
        wanted = (of(at + step * way) - of(at - step * way)) / (2.0 * float(step))
        off.append(abs(float((slope * way).sum()) / wanted - 1.0))
    return max(off)


@pytest.mark.parametrize(("running", "tint"), [(2.0, 1.2), (6.0, 1.3)])
def test_the_slope_of_an_edge_that_runs_on_is_that_of_small_differences(running: float, tint: float) -> None:
    """With own limits that nothing comes near, so that what runs on alone is followed."""
    made = Frame(1000.0, tint, "colour", running)
    found = made.judged.at(made.seen, made.clean)
    assert found.share > 0.02
    assert found.slope_clean is not None
    assert slope_by_differences(lambda seen: made.judged.at(seen, made.clean).share, made.seen, found.slope) < 0.02
    if running < 3.0:
        # where the step that is the bridge's is the lesser, the wall's paint has a slope of its own
        assert np.abs(found.slope_clean).sum() > 0.1
        wall = slope_by_differences(lambda clean: made.judged.at(made.seen, clean).share, made.clean, found.slope_clean)
        assert wall < 0.03


def test_the_slope_of_sharpness_is_that_of_small_differences() -> None:
    made = Frame(1000.0, 1.0, "grain", 0.2)
    for limit in made.judged._edge_limits:
        limit[...] = 1e6
    found = made.judged.at(made.seen)
    assert found.share > 0.1
    # a picture goes on beyond its rim as its last pixel, which slopes there leave out: no paint lies so near to it
    slope = np.zeros_like(found.slope)
    slope[20:-20, 20:-20] = found.slope[20:-20, 20:-20]
    assert slope_by_differences(lambda seen: made.judged.at(seen).share, made.seen, slope) < 0.02


def test_its_slope_for_the_wall_is_that_of_small_differences() -> None:
    # a wall whose own steps are large, so that what counts is how far the frame has changed
    made = Frame(1.0, 1.05)
    slope = made.judged.at(made.seen, made.clean).slope_clean
    assert slope is not None
    assert np.abs(slope).sum() > 0.1
    way = np.sign(slope).astype(np.float32)
    near = [made.judged.at(made.seen, made.clean + np.float32(step) * way).share for step in (-1e-4, 1e-4)]
    assert (near[1] - near[0]) / 2e-4 == pytest.approx(float((slope * way).sum()), rel=0.01)


def looks(texel: int, share: float = 1.0) -> BilinearSamples:
    one = np.full((1, 4), texel, dtype=np.int32)
    return BilinearSamples(np.zeros(1, np.int32), one, np.zeros((1, 2), np.float32), share, np.ones((1, 3), np.float32))


def test_a_free_wall_lies_in_the_bridges_shadow() -> None:
    """A texel of code 0.5 under a shadow that leaves a quarter of the light."""
    shade = np.ones((2, 2, 3), dtype=np.float32)
    shade[1, 1] = 0.25
    free = FreeWall(np.full((2, 2, 3), 128, np.uint8), shade, 0.1)
    assert free.size_px == (2, 2)
    codes = np.full((4, 3), 0.5, dtype=np.float32)
    seen = (LensLooks(free.shaded(looks(3))),)
    model = FrameModel((0, 0), np.zeros((1, 1, 3), np.float32), seen, LensLooks(looks(3)))
    # sRGB 0.5 is 0.2140 of linear light (IEC 61966-2-1)
    assert model.picture(codes)[0, 0] == pytest.approx([0.25 * 0.2140] * 3, abs=1e-4)
    assert model.clean(codes)[0, 0] == pytest.approx([0.2140] * 3, abs=1e-4)
    assert free.shaded(looks(0)).light == pytest.approx(np.ones((1, 3)))
    unshaded = FreeWall(free.code, None, 0.1).shaded(looks(3))
    assert unshaded.light == pytest.approx(np.ones((1, 3)))


def impulse(laying, size: int) -> np.ndarray:
    changes = np.zeros((size * size, 3), dtype=np.float32)
    changes[(size // 2) * size + size // 2] = 1.0
    return laying(changes)


def brush_of(texels: float, size: int = 61) -> Laying:
    chart = Chart("top", 4, 4, size - 8, size - 8, (1.0, 1.0), np.zeros((4, 2)), "right", "down")
    return Laying(size, size, (chart,), texels, np.eye(3, dtype=np.float32))


def widths(laid: np.ndarray, size: int) -> float:
    row = laid.reshape(size, size, 3)[..., 0].sum(axis=0)
    x = np.arange(size) - size // 2
    return float(np.sqrt((row * x**2).sum() / row.sum()))


@pytest.mark.parametrize("texels", [4.0, 8.0, 12.0])
def test_a_stroke_fades_over_half_the_brush(texels: float) -> None:
    # cut off at two and a half deviations, a Gaussian is narrower by as much as SciPy's is
    row = np.zeros(61)
    row[30] = 1.0
    cut = gaussian_filter1d(row, 0.5 * texels, truncate=2.5)
    wanted = float(np.sqrt((cut * (np.arange(61) - 30.0) ** 2).sum()))
    assert widths(impulse(brush_of(texels), 61), 61) == pytest.approx(wanted, rel=0.02)
    # and on the wall, whose texels are of another size
    part = WallPart(slice(10, 71), slice(0, 61), 61 * 61)
    changes = np.zeros((2 * 61 * 61, 3), dtype=np.float32)
    changes[61 * 61 + 30 * 61 + 30] = 1.0
    laid = LayingBoth(brush_of(20.0), part, texels)(changes)
    assert not laid[: part.first].any()
    assert widths(laid[part.first :], 61) == pytest.approx(wanted, rel=0.02)


def test_a_wall_of_two_colours_lends_what_they_have_in_common() -> None:
    """Codes along one line of colour: a change keeps its part along that line and loses what is across."""
    way = np.array([0.8, 0.5, 0.33166248])
    codes = 128.0 + np.random.default_rng(3).uniform(-90.0, 90.0, (80, 80, 1)) * way
    mixing = wall_mixing(np.rint(codes).astype(np.uint8))
    assert mixing == pytest.approx(np.outer(way, way) / (way @ way), abs=0.01)


def solving_scene(**changes):
    return flat_set([], rail={"travel": 0.1, "frames": 60, "hold": (1001, 1041)}, texture_px=16, **changes)


def test_frames_that_paint_is_solved_for_are_spread_over_the_hold() -> None:
    s = solving_scene()
    solved, between = solved_frames(s.scene), frames_between(s.scene)
    assert len(solved) == 20
    assert (solved[0], solved[-1]) == (1001, 1041)
    assert np.diff(solved).max() <= 3
    # what is said of the paint is judged on the others
    assert sorted(solved + between) == list(range(1001, 1042))
    short = s.scene.edited(rail__hold=(1001, 1004))
    assert solved_frames(short) == [1001, 1002, 1004]
    assert solved_size_px(short) == (960, 540)
    assert solved_size_px(short.edited(delivery__frame=(1920, 804))) == (960, 402)
    assert solved_size_px(short.edited(delivery__frame=(480, 270))) == (480, 270)


def test_every_other_frame_is_solved_for_as_knocked_as_the_rig_is_untrue() -> None:
    s = solving_scene(knock={"shift": 0.004, "turn": 0.0})
    views = solved_views(s.scene, s.move, 480, 270)
    frames = solved_frames(s.scene)
    assert [view.frame for view in views] == sorted(frames + frames[1::2])
    off = []
    for view in views:
        camera = s.move.camera(view.frame, 480, 270)
        off.append(float(np.abs(view.camera.position - camera.position).max()))
        # lens and shutter go with the camera
        if view.blur is not None:
            assert (view.blur.camera.world_from_cam == view.camera.world_from_cam).all()
            begin, end = view.blur.moments[0].position, view.blur.moments[-1].position
            assert 0.5 * (begin + end) == pytest.approx(view.camera.position, abs=2e-5)
    knocked = [o for o in off if o > 0.0]
    assert len(knocked) == 10
    # drawn evenly from -4 to 4 mm on each axis: the largest of three is 3 mm on the mean
    assert max(knocked) <= 0.004 + 1e-9
    assert float(np.mean(knocked)) == pytest.approx(0.003, abs=0.0008)


def ready_of(clean: np.ndarray, shadowed: np.ndarray, shadows: bool = True) -> ReadySet:
    """As much of a ready set as laying a paint on it needs."""
    s = flat_set([], texture_px=16)
    lit_wall = LitWall(
        s.lighting, LitSurface("clean wall", s.wall, clean), LitSurface("wall", s.wall, shadowed if shadows else clean),
        None, s.bridge,
    )  # type: ignore[arg-type]  # fmt: skip
    built = SimpleNamespace(bridge=SimpleNamespace(surface=s.bridge))
    bridge = LitSurface("bridge", s.bridge, np.zeros((2, 2, 3), np.uint8))
    return ReadySet(s.scene, built, lit_wall, bridge, np.zeros(3), None, 0.0)  # type: ignore[arg-type]


def test_a_painted_wall_is_as_dark_in_the_bridges_shadow_as_the_wall_was() -> None:
    """Half of the light is left: linear 0.4 shows 0.2, and the new paint of 0.6 must show 0.3."""
    codes = {level: int(colour.encoded8(np.float32(level))) for level in (0.2, 0.3, 0.4, 0.6)}
    clean = np.full((1, 3, 3), codes[0.4], np.uint8)
    shadowed = clean.copy()
    shadowed[0, 1:] = codes[0.2]
    ready = ready_of(clean, shadowed)
    assert shade_of(ready.wall)[0, :, 1] == pytest.approx([1.0, 0.5, 0.5], abs=0.01)
    painted = clean.copy()
    painted[0, :2] = codes[0.6]
    bridge = np.full((2, 2, 3), 7, np.uint8)
    laid = with_paint(ready, SolvedPaint(bridge, painted))
    assert laid.wall.clean.code is painted
    assert laid.wall.shadowed.code[0, :, 1] == pytest.approx([codes[0.6], codes[0.3], codes[0.2]], abs=1)
    assert laid.bridge.code is bridge
    assert with_paint(ready, SolvedPaint(bridge, None)).wall is ready.wall


def test_paint_to_mix_is_what_it_shows_over_its_light_within_what_paint_can_do() -> None:
    code = np.full((1, 4, 3), colour.encoded8(np.float32(0.3)), np.uint8)
    light = np.repeat(np.array([[[1.0], [0.5], [0.1], [20.0]]], dtype=np.float32), 3, axis=2)
    # black paint sends 3 %, white 90 % (usual practice)
    assert reflectance_of(code, light)[0, :, 0] == pytest.approx([0.3, 0.6, 0.9, 0.03], rel=0.02)


def test_greedy_takes_no_view_steeper_than_seventy_degrees_first() -> None:
    """Owens et al. 2014: a view that covers most fills nothing that it sees at more than 70 degrees from the normal
    while another sees it at less."""
    facing = np.cos(np.radians(np.array([[[75.0, 10.0, 10.0]], [[65.0, 95.0, 95.0]]], dtype=np.float32)))
    seen = np.array([[[True, True, True]], [[True, False, False]]])
    colours = np.array([0.2, 0.6], dtype=np.float32)[:, None, None, None] * np.ones((2, 1, 3, 3), np.float32)
    made = greedy(WallViews(colours, seen, seen, facing, np.zeros_like(seen), np.ones((1, 3), dtype=bool)))
    assert made.view[0].tolist() == [1, 0, 0]
    assert made.target[0, :, 0] == pytest.approx([0.6, 0.2, 0.2])


def test_paints_a_just_noticeable_step_apart_are_told_apart() -> None:
    # greys of L* 40, 42.3, 44.6 ... (2.3: Mahy et al. 1994), each as common as the others
    levels = ((40.0 + 2.3 * np.arange(6) + 16.0) / 116.0) ** 3
    picture = np.repeat(np.tile(levels, (6, 4))[..., None], 3, axis=2).astype(np.float32)
    found = palette_of(picture, np.ones(picture.shape[:2], np.float32), 6)
    assert found.lab[:, 0] == pytest.approx(40.0 + 2.3 * np.arange(6), abs=0.3)


def test_strokes_give_the_grain_back_to_a_third_of_what_is_noticed() -> None:
    # contrast over four brushes; a quarter more is about the smallest change seen (Legge and Foley 1980, from memory)
    picture, on = rock(120, 130, 2), np.ones((120, 130), dtype=bool)
    assert abs(grain_error(picture, brushed(picture, on, 10.0), 10.0).mean()) < np.log(1.25) / 3.0
