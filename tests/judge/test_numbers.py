"""Numbers of the judge that users read, each against its definition, a closed form or a published value.

What the windows see is made up here, so that one rule at a time decides.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from previz import colour
from previz.judge.breaks import Break, Sides, decided, sides_of
from previz.judge.fields import fields_of, window_px
from previz.judge.frame import kinds_named
from previz.judge.hold import FrameScore, summarised
from previz.judge.mismatch import mismatch_of, seen_lab
from previz.judge.ordinary import Ordinary, limit_of
from previz.judge.outline import Outline, outline_of
from previz.judge.slip import slip_of
from previz.judge.steps import KINDS, across, joined, own_steps, running_steps
from previz.judge.tells import TELLS, Mended, named, tells_of
from previz.judge.viewer import MIDDLE_SEAT, SEATS, WINDOW_DEG, Seat, Viewer
from tests.judge.walls import runs_on, wall_of
from tests.search.flatset import NEAR, flat_set

VIEWER = Viewer(540)

# just noticeable: dE*ab 2.3 (Mahy et al. 1994, carried by colour-science); a quarter more contrast (Legge and Foley
# 1980, from memory)
JND, JND_GRAIN = 2.3, math.log(1.25)

# what a straight edge reads of its height through two windows a standard deviation and a half away from it
EDGE_GAIN = math.erf(1.5 / math.sqrt(2.0))
PIECE_DEG = 1.0 / 30.0


def line(count: int = 120) -> Outline:
    """A straight open line of pieces, the bridge to its left."""
    spacing = PIECE_DEG * VIEWER.px_per_deg
    xy = np.stack([np.full(count, 50.0), 20.0 + spacing * np.arange(count)], axis=1)
    return Outline(xy, np.tile([1.0, 0.0], (count, 1)), np.zeros(count, np.int64), (False,), spacing)


def plain(limit: float = 1e-6) -> Ordinary:
    """A wall on which a step of ``limit`` is the largest ordinary one."""
    return wall_of(limit, limit)


def windows(count: int = 120, outside: float = 50.0, inside: float = 50.0, grain: tuple[float, float] = (0.0, 0.0)):
    """What windows see of plain L* on either side of a line, and on it the mean of both."""
    seen = np.zeros((3, 3, count, 4), dtype=np.float32)
    seen[0, ..., 0], seen[1, ..., 0], seen[2, ..., 0] = outside, inside, 0.5 * (outside + inside)
    seen[0, ..., 3], seen[1, ..., 3] = grain
    return seen


def counted(seen: np.ndarray, clean: np.ndarray, ordinary: Ordinary | None = None) -> Break:
    return decided(Sides(seen, clean), line(seen.shape[2]), ordinary or plain(), VIEWER, only=MIDDLE_SEAT)


def test_windows_are_two_octaves_apart_in_all() -> None:
    # half a period of 8, 4 and 2 cycles a degree
    assert [1.0 / (4.0 * width) for width in WINDOW_DEG] == pytest.approx([8.0, 4.0, 2.0])


def test_of_a_step_that_is_just_noticeable_half_is_found() -> None:
    found = counted(windows(inside=50.0 + EDGE_GAIN * JND), windows())
    assert found.percent == pytest.approx(50.0, abs=0.2)
    # a quarter more contrast of grain, nothing else
    found = counted(windows(grain=(0.0, JND_GRAIN)), windows())
    assert found.percent == pytest.approx(50.0, abs=0.2)


def test_below_just_noticeable_a_step_is_none_however_plain_the_wall() -> None:
    # both sides much darker than in the clean frame, half a just noticeable step between them
    found = counted(windows(outside=40.0, inside=40.0 + 0.5 * EDGE_GAIN * JND), windows())
    # Weibull: 1 - 2^-(0.5^3.5)
    assert found.found == pytest.approx(np.zeros(120), abs=1.0 - 2.0 ** -(0.5**3.5))
    assert not found.broken.any()


def test_a_step_that_the_wall_has_itself_is_no_break() -> None:
    assert counted(windows(inside=80.0), windows(inside=80.0)).percent == 0.0


def test_a_change_on_one_side_alone_is_the_bridges_doing() -> None:
    # the paint is the clean frame's, the wall outside it lies in shadow
    assert counted(windows(outside=30.0), windows()).percent > 95.0
    assert counted(windows(inside=30.0), windows()).percent > 95.0


def test_a_busy_walls_limit_rules_where_it_is_larger() -> None:
    found = counted(windows(inside=50.0 + EDGE_GAIN * 10.0), windows(), plain(10.0))
    assert found.percent == pytest.approx(50.0, abs=0.2)


def test_chance_is_no_hiding_place() -> None:
    # a wall that shows 20 runs of two degrees on 100 degrees of line: two on these ten would be there anyway (a fifth
    # of a degree is spread over more by the window along the line)
    wall = wall_of(1e-6, runs=runs_on(100.0, *[2.0] * 20))
    scattered, in_one = windows(300), windows(300)
    for first in (20, 120):
        scattered[1, :, first : first + 6, 0] = 60.0
    in_one[1, :, 150:186, 0] = 60.0
    # only a piece's own steps, which no window along the line carries beyond the run
    assert counted(scattered, windows(300), wall).percent < 1.0
    assert counted(in_one, windows(300), wall).percent > 10.0
    # where the wall shows none, two are two
    assert counted(scattered, windows(300), wall_of(1e-6)).percent > 2.0


def test_a_line_of_a_fifth_of_a_degree_is_seen_and_one_below_a_tenth_is_not() -> None:
    for count, seen in ((6, True), (2, False)):
        found = counted(windows(count, inside=80.0), windows(count))
        assert bool(found.broken.all()) is seen, count


@pytest.mark.parametrize(("around_deg", "seen"), [(0.2, True), (0.08, False)])
def test_a_thing_too_small_to_see_has_no_outline(around_deg: float, seen: bool) -> None:
    viewer = Viewer(2160)
    radius = around_deg * viewer.px_per_deg / (2.0 * np.pi)
    y, x = (np.mgrid[0:320, 0:320] + 0.5) / 8.0 - 20.0
    # drawn finely enough that smoothing by half a piece leaves its length
    disc = (np.hypot(x, y) < radius).astype(np.float32).reshape(40, 8, 40, 8).mean(axis=(1, 3)).astype(np.float32)
    assert (len(outline_of(disc, viewer)) > 0) is seen


def along_pieces(values: np.ndarray, sigma_deg: float) -> np.ndarray:
    return gaussian_filter1d(values, sigma_deg / PIECE_DEG, axis=0, mode="nearest").astype(np.float32)


def test_colour_adds_up_over_half_a_degree_by_squares_and_grain_over_one_with_its_sign() -> None:
    # a step on one half of a long line: what a Gaussian window sees of it from beside is its tail
    half = np.zeros((3, 600, 7), dtype=np.float32)
    half[:, 300:, 0], half[:, 300:, 3] = 4.0, 1.0
    sizes = own_steps(joined(half, along_pieces), half, along_pieces, MIDDLE_SEAT)
    at = 300 - round(0.5 / PIECE_DEG)
    # the finest window's own width, twice 1/32 degree along the line, adds a little
    wanted = 4.0 / EDGE_GAIN * np.sqrt(ndtr(-0.5 / 0.5))
    assert sizes[at, 0, 0] == pytest.approx(wanted, rel=0.03)
    assert sizes[300 - round(1.0 / PIECE_DEG), 0, 1] == pytest.approx(ndtr(-1.0), rel=0.03)


def test_windows_are_twice_as_long_along_the_line_as_across() -> None:
    # a colour step that goes as a cosine along the line fades in a Gaussian window by exp(-(2 pi s / p)^2 / 2)
    x = np.arange(900) * PIECE_DEG
    period = 1.0
    steps = np.zeros((3, 900, 7), dtype=np.float32)
    steps[..., 0] = 10.0 * np.cos(2.0 * np.pi * x / period)
    sizes = own_steps(joined(steps, along_pieces), steps, along_pieces, MIDDLE_SEAT)[450]
    for scale, width in enumerate(WINDOW_DEG):
        wanted = 10.0 / math.sqrt(2.0) * math.exp(-0.5 * (2.0 * np.pi * 2.0 * width / period) ** 2) / EDGE_GAIN
        assert sizes[scale, 0] == pytest.approx(wanted, rel=0.03)


@pytest.mark.parametrize(("distance", "seat"), list(zip((1.5, 3.2, 6.0), SEATS, strict=True)))
def test_each_viewer_adds_up_over_as_many_of_their_own_degrees(distance: float, seat: Seat) -> None:
    # design viewing distances of 3840 x 2160 and 1920 x 1080 pictures (ITU-R BT.2022, from memory), and across a room;
    # half a degree of a farther viewer is as much longer in the picture, by similar triangles
    half = np.zeros((3, 1200, 8), dtype=np.float32)
    half[:, 600:, 0] = 4.0
    own = own_steps(joined(half, along_pieces), half, along_pieces, seat)
    away = round(0.5 * distance / 3.2 / PIECE_DEG)
    assert own[600 - away, 0, 0] == pytest.approx(4.0 / EDGE_GAIN * np.sqrt(ndtr(-1.0)), rel=0.05)


def test_what_runs_on_is_averaged_with_its_sign_and_a_ratio_is_weighed_by_its_scatter() -> None:
    rng = np.random.default_rng(4)
    steps = np.zeros((3, 3000, 8), dtype=np.float32)
    # a ratio of light of a fifth across patches that differ by as much themselves, either way
    own = np.repeat(rng.choice([-0.2, 0.2], 300), 10)
    steps[..., 7] = 0.2 + own
    steps[..., 0] = np.repeat(rng.choice([-5.0, 5.0], 300), 10)
    sizes = running_steps(steps, along_pieces, MIDDLE_SEAT)[:, 0].mean(axis=0)
    names = list(zip(("sharpness", *["edge"] * 3, *["light"] * 3, *["ratio"] * 3), sizes, strict=True))
    edges, lights, ratios = (np.array([v for k, v in names if k == kind]) for kind in ("edge", "light", "ratio"))
    # patches a third of a degree long average out as the root of their number; what is constant stays
    assert edges[2] < 0.6 * edges[0] < 0.6 * 5.0 / EDGE_GAIN
    assert lights[2] == pytest.approx(0.2 / EDGE_GAIN, rel=0.1)
    # 0.2 against its scatter of 0.2 and a just noticeable ratio (2.3 L* of L* 50)
    noticeable = 3.0 * math.log(1.0 + 2.3 / 66.0)
    # (scatter within a stretch is a little less than that of the whole line)
    assert ratios[2] == pytest.approx(0.2 / EDGE_GAIN / math.hypot(0.2 / EDGE_GAIN, noticeable), rel=0.2)


def test_softer_on_one_side_is_less_sharp() -> None:
    # log grain of the narrowest windows' less the widest's: a factor of two of fine grain alone
    steps = np.zeros((3, 600, 8), dtype=np.float32)
    steps[0, :, 3] = math.log(2.0)
    assert running_steps(steps, along_pieces, MIDDLE_SEAT)[300, 0, 0] == pytest.approx(math.log(2.0), rel=1e-3)
    # as much of all grain is no other sharpness
    steps[..., 3] = math.log(2.0)
    assert running_steps(steps, along_pieces, MIDDLE_SEAT)[300, 0, 0] == pytest.approx(0.0, abs=1e-6)


def test_of_a_hundred_pieces_laid_elsewhere_ninety_five_stay_below_the_limit() -> None:
    # all scales and kinds counted together, whatever their sizes: a quantile of the pieces themselves
    steps = np.random.default_rng(8).gamma(2.0, 1.0, (20_000, 3, 3)) * np.array([1.0, 0.1, 4.0])
    limit = limit_of(steps)
    assert (steps < limit).all(axis=(1, 2)).mean() == pytest.approx(0.95, abs=0.001)
    # and no kind is let through at another's cost
    assert np.ptp((steps < limit).mean(axis=0)) < 0.01


def test_grain_of_one_unit_reads_half_the_log_of_two() -> None:
    # a chequerboard of L* 50 +- 1: windows average all of it away, and what counts as none is one L* too
    y, x = np.mgrid[:64, :64]
    lightness = 50.0 + np.where((x + y) % 2 == 0, 1.0, -1.0)
    linear = ((lightness + 16.0) / 116.0) ** 3
    fields = fields_of(np.repeat(linear[..., None], 3, axis=2).astype(np.float32), Viewer(1080))
    assert fields.values[2, 32, 32, 3] == pytest.approx(0.5 * math.log(2.0), abs=0.01)


def test_grain_windows_hardly_see_the_outlines_own_step() -> None:
    # the step is no grain: two plain greys
    picture = np.full((400, 400, 3), 0.2, dtype=np.float32)
    picture[:, 200:] = 0.3
    for scale, sigma in enumerate(window_px(VIEWER)):
        seen = across(fields_of(picture, VIEWER), scale, np.array([[200.0, 200.0]]), np.array([[1.0, 0.0]]), sigma)
        # far below a just noticeable step of grain
        assert np.abs(seen[:2, 0, 3]).max() < 0.3 * JND_GRAIN


def frames(*breaks: float | None, rail: float = 0.001) -> list[FrameScore]:
    return [FrameScore(1001 + k, rail * k, value, 1.0, 0.0, (f"tell {k}",)) for k, value in enumerate(breaks)]


@pytest.mark.parametrize("rail", [0.002, -0.002])
def test_hold_is_a_length_whichever_way_the_camera_goes(rail: float) -> None:
    found = summarised(frames(9.0, 5.0, 0.0, 4.0, 5.1, 0.0, rail=rail), (1001, 1005), 1003, 1005)
    # 5 % holds, more does not; what holds again later does not count
    assert (found.hold_first, found.hold_last, found.hold_frames) == (1002, 1004, 3)
    assert found.hold == pytest.approx(0.004)
    assert found.break_mean_pct == pytest.approx((9.0 + 5.0 + 0.0 + 4.0 + 5.1) / 5.0)
    assert (found.break_worst_pct, found.worst_frame, found.worst_tells) == (9.0, 1001, ("tell 0",))
    assert (found.break_station_pct, found.break_reveal_pct) == (0.0, 5.1)


def test_the_first_of_equally_bad_frames_is_the_worst_and_a_broken_station_holds_nothing() -> None:
    found = summarised(frames(7.0, 12.0, 12.0, None), (1001, 1004), 1001, None)
    assert (found.worst_frame, found.hold_first, found.hold_frames, found.hold) == (1002, None, 0, 0.0)
    assert found.break_mean_pct == pytest.approx(31.0 / 3.0)


def broken_as(*tells: int, kind: int = 0) -> tuple[Break, np.ndarray]:
    count = len(tells)
    flags = np.ones(count, dtype=bool)
    found = Break(20.0, line(count), np.full(count, 2.0), flags, np.full(count, kind, np.int8), np.ones(count))
    return found, np.array(tells, dtype=np.int8)


def test_a_tell_of_a_tenth_of_the_broken_pieces_is_named_and_a_rarer_one_is_not() -> None:
    shadow, slip, grain = (TELLS.index(name) for name in ("shadow", "slip", "grain"))
    assert named(broken_as(*[shadow] * 6, *[slip] * 3, grain)) == ("shadow", "slip", "grain")
    assert named(broken_as(*[shadow] * 18, grain)) == ("shadow",)


def test_steps_without_a_cause_are_named_by_their_kind() -> None:
    # a rim is of another colour, and so is what runs on; sharpness is grain's
    told = {kind: kinds_named(broken_as(0, 0, kind=k)[0]) for k, kind in enumerate(KINDS)}
    assert told == {kind: ("grain",) if kind in ("grain", "sharpness") else ("colour",) for kind in KINDS}


def told(seen: np.ndarray, right: np.ndarray, slip_px: float, without: dict[str, np.ndarray]) -> tuple[str, ...]:
    clean = windows()
    sides = Sides(seen, clean)
    found = decided(sides, line(), plain(), VIEWER)
    mended = Mended(Sides(right, clean), {name: Sides(other, clean) for name, other in without.items()})
    return named((found, tells_of(found, sides, mended, plain(), VIEWER, True, slip_px)))


def test_the_first_cause_that_mends_is_the_tell() -> None:
    dark = windows(inside=30.0)
    # what matt paint would mend is the coat's doing, although lamps without shadows would mend it as well
    order = ("shine", "shadow", "focus")
    mends_all = dict.fromkeys(order, windows())
    for name in order:
        assert told(dark, windows(), 9.0, mends_all) == (name,)
        mends_all[name] = dark
    # what can be mended on the floor comes before paint, where a pattern lies before its colour
    assert told(dark, windows(), 9.0, mends_all) == ("slip",)
    assert told(dark, windows(), 0.0, mends_all) == ("colour",)
    assert told(windows(grain=(0.0, 2.0)), windows(), 0.0, mends_all) == ("grain",)


def test_paint_has_slipped_from_a_delivered_pixel_on() -> None:
    assert told(windows(inside=30.0), windows(), 1.1, {}) == ("slip",)
    assert told(windows(inside=30.0), windows(), 0.9, {}) == ("colour",)


def test_slip_is_that_of_similar_triangles() -> None:
    """A point at height z over the wall and what it hides part by f b z / (D (D - z)) when the camera goes aside by b;
    the slab's near end is farthest from the wall."""
    s = flat_set([], camera={"position": (0.0, 0.35, 1.5), "lens": 0.035, "tilt": 0.0}, texture_px=16)
    camera = s.move.camera(1020, 480, 270)
    far = camera.position - [0.08, 0.0, 0.0]
    # the near end's upper edge as an outline, the bridge below it
    xy = camera.project(np.stack([np.linspace(-0.04, 0.04, 20), np.zeros(20), np.full(20, NEAR)], axis=1))
    outline = Outline(xy, np.tile([0.0, -1.0], (20, 1)), np.zeros(20, np.int64), (False,), 1.0)
    wanted = camera.focal_px * 0.08 * NEAR / (1.5 * (1.5 - NEAR))
    assert slip_of(outline, camera, far, s.sight, 480) == pytest.approx(wanted, rel=0.01)
    # in delivered pixels
    assert slip_of(outline, camera, far, s.sight, 1920) == pytest.approx(4.0 * wanted, rel=0.01)
    # the largest along the outline: the slab's far end slips less
    deep = camera.project(np.stack([np.linspace(-0.03, 0.03, 20), np.zeros(20), np.full(20, 0.21)], axis=1))
    both = Outline(np.concatenate([xy, deep]), np.tile([0.0, -1.0], (40, 1)), np.zeros(40, np.int64), (False,), 1.0)
    assert slip_of(both, camera, far, s.sight, 480) == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("cycles", [2.0, 6.0, 10.0])
def test_mismatch_sees_a_grating_as_its_filter_says(cycles: float) -> None:
    # FLIP's achromatic filter, a Gaussian whose transform is exp(-0.0047 f^2) (Andersson et al. 2020; from memory)
    viewer = Viewer(2160)
    x = (np.arange(1200) + 0.5) / viewer.px_per_deg
    grating = 0.3 * (1.0 + 0.02 * np.cos(2.0 * np.pi * cycles * x))
    picture = np.broadcast_to(grating[None, :, None], (8, 1200, 3)).astype(np.float32)
    # so faint a grating goes through L* as through a straight line
    slope = 116.0 / 3.0 * 0.3 ** (1.0 / 3.0)
    amplitude = 0.5 * float(np.ptp(seen_lab(picture, viewer)[4, 300:900, 0]))
    assert amplitude == pytest.approx(slope * 0.02 * math.exp(-0.0047 * cycles**2), rel=0.03)


def test_mismatch_is_the_largest_inside_the_silhouette() -> None:
    clean = np.full((120, 160, 3), 0.3, dtype=np.float32)
    seen = clean.copy()
    seen[30:60, 30:60] = 0.4
    # outside the silhouette, where all is much brighter, nothing is asked
    seen[:, 120:] = 0.9
    cover = np.zeros((120, 160), dtype=np.float32)
    cover[20:110, 20:90] = 1.0
    wanted = float(colour.de00(colour.lab(np.full(3, 0.4)), colour.lab(np.full(3, 0.3))))
    # pixels as large as the filter ring a little at the edge
    assert mismatch_of(seen, clean, cover, VIEWER) == pytest.approx(wanted, rel=0.03)


def test_windows_look_outside_first() -> None:
    """A picture bright to the right of a line, the bridge to its left."""
    picture = np.full((80, 100, 3), 0.2, dtype=np.float32)
    picture[:, 50:] = 0.4
    sides = sides_of(picture, picture, line(8), VIEWER)
    assert sides.seen[0, ..., 0].min() > sides.seen[2, ..., 0].mean() > sides.seen[1, ..., 0].max()
