"""The film: parallax by similar triangles, what is seen of it by published thresholds, and chances that add up."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from previz.camera import Camera
from previz.geometry import rigid
from previz.judge.film.drift import drift_of, least_speed, pattern_beside, slide_of, visible_speed
from previz.judge.film.found import TIME_CONSTANT_S, film_of, if_it_stood, summary_of_film, with_parallax
from previz.judge.film.pattern import AREA_DEG2
from previz.judge.finders import share_found
from previz.judge.hold import FrameScore, summarised
from previz.judge.outline import Outline
from previz.judge.viewer import Viewer
from tests.search.flatset import HALF, NEAR, FlatSet, flat_set

WIDTH, HEIGHT = 960, 540
VIEWER = Viewer(HEIGHT)
PX_PER_DEG = VIEWER.px_per_deg


@pytest.fixture(scope="module")
def flat() -> FlatSet:
    return flat_set([], camera={"position": (0.0, 0.1, 1.5), "lens": 0.035, "tilt": 0.0}, texture_px=16)


def near_end(camera: Camera, count: int = 40) -> Outline:
    """The upper edge of the slab's near end as an outline, the slab below it."""
    ends = np.stack([np.linspace(-0.9 * HALF, 0.9 * HALF, count), np.zeros(count), np.full(count, NEAR)], axis=1)
    xy = camera.project(ends)
    return Outline(xy, np.tile([0.0, -1.0], (count, 1)), np.zeros(count, np.int64), (False,), 1.0)


def slid(camera: Camera, metres: float) -> Camera:
    return replace(camera, world_from_cam=rigid(camera.world_from_cam[:3, :3], camera.position + [metres, 0.0, 0.0]))


def test_parallax_is_that_of_similar_triangles(flat: FlatSet) -> None:
    """A slab at height z over the wall and the wall behind it part by f b (1 / (D - z) - 1 / D) (check_values.md, "Rail
    parallax")."""
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    cameras = slid(camera, -0.001), camera, slid(camera, 0.001)
    slide = slide_of(near_end(camera), cameras, 2.0 / 25.0, flat.sight, NEAR)
    depth = float(camera.position[2])
    per_second = 0.025 * camera.focal_px / PX_PER_DEG
    assert slide.relative[:, 0] == pytest.approx(-per_second * (1.0 / (depth - NEAR) - 1.0 / depth), rel=0.01)
    assert slide.ground[:, 0] == pytest.approx(-per_second / depth, rel=0.01)
    assert np.abs(slide.relative[:, 1]).max() < 1e-3
    # a flat wall has no relief
    assert slide.ordinary < 1e-6
    # played backwards it goes the other way, as fast
    back = slide_of(near_end(camera), cameras[::-1], 2.0 / 25.0, flat.sight, NEAR)
    assert back.relative == pytest.approx(-slide.relative)


def test_a_pan_about_the_entrance_pupil_and_a_camera_at_rest_have_none(flat: FlatSet) -> None:
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    # ten degrees a second
    turned = [camera.moved(pan=math.radians(angle)) for angle in (-0.4, 0.4)]
    slide = slide_of(near_end(camera), (turned[0], camera, turned[1]), 2.0 / 25.0, flat.sight, NEAR)
    assert np.linalg.norm(slide.ground, axis=1).min() > 5.0
    assert np.abs(slide.relative).max() < 0.002
    still = slide_of(near_end(camera), (camera, camera, camera), 2.0 / 25.0, flat.sight, NEAR)
    assert np.abs(still.relative).max() == 0.0
    drift = drift_of(still, near_end(camera), np.full((HEIGHT, WIDTH, 3), 0.2, np.float32), VIEWER)
    assert (drift.median_deg_s, max(times for _, times, _ in drift.by_length())) == (0.0, 0.0)


def bands(angle: float) -> np.ndarray:
    """A picture of bands a fifth of a degree wide that run at ``angle``."""
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    across = -x * math.sin(angle) + y * math.cos(angle)
    grey = 0.2 + 0.1 * np.sin(2.0 * np.pi * across / (0.4 * PX_PER_DEG))
    return np.repeat(grey[..., None], 3, axis=2).astype(np.float32)


def test_bands_along_the_slide_show_none_of_it_and_bands_across_it_all(flat: FlatSet) -> None:
    camera = flat.move.camera(1005, WIDTH, HEIGHT)
    outline = near_end(camera)
    slide = slide_of(outline, (slid(camera, -0.001), camera, slid(camera, 0.001)), 0.08, flat.sight, NEAR)
    speed = np.linalg.norm(slide.relative, axis=1)
    along, across = (drift_of(slide, outline, bands(angle), VIEWER).seen for angle in (0.0, 0.5 * math.pi))
    assert across == pytest.approx(speed, rel=0.02)
    assert across.min() > 20.0 * along.max()


def test_a_pattern_without_direction_shows_a_movement_whole() -> None:
    # a structure tensor t (x^2 + y^2) / 2: energy t v^2 / 2 whatever the direction
    tensor = np.array([[3.0, 0.0, 3.0]] * 4)
    ways = np.array([[1.0, 0.0], [0.0, 1.0], [0.6, 0.8], [-0.8, 0.6]])
    assert visible_speed(ways, tensor) == pytest.approx(np.ones(4))
    # bands across x: cos of the angle between movement and gradient, times root 2, no more than all
    one_way = np.array([[6.0, 0.0, 0.0]] * 4)
    assert visible_speed(ways, one_way) == pytest.approx(np.minimum(1.0, math.sqrt(2.0) * np.abs(ways[:, 0])))


def test_a_pattern_at_a_slope_shows_what_lies_across_it() -> None:
    # bands whose gradient points along (1, 1): movement along them shows nothing, across them all
    tensor = np.array([[1.0, 1.0, 1.0]] * 2)
    ways = np.array([[1.0, -1.0], [1.0, 1.0]])
    assert visible_speed(ways, tensor) == pytest.approx([0.0, math.sqrt(2.0)])


def test_least_speeds_are_the_published_ones() -> None:
    clean, masked = np.array([50.0]), np.array([0.02])
    # 0.05 deg/s of random dots on a still ground (Pasternak and Merigan 1980)
    assert least_speed(np.zeros(1), clean)[0] == pytest.approx(0.05, rel=0.01)
    # 7 % of the ground's speed (De Bruyn and Orban 1988), at 4 to 64 deg/s
    for speed in (4.0, 16.0, 64.0):
        assert least_speed(np.array([speed]), clean)[0] == pytest.approx(0.07 * speed, rel=0.05)
    # hard to tell below half of the common velocity where noise masks the patterns
    share = least_speed(np.array([1e6]), masked)[0] / 1e6
    assert share == pytest.approx(0.5, rel=0.01)
    # a pattern just noticeable: half way between in share, twice the least speed
    assert least_speed(np.zeros(1), np.ones(1))[0] == pytest.approx(0.1)
    assert least_speed(np.array([100.0]), np.ones(1))[0] == pytest.approx(28.5, rel=0.01)


def test_patterns_are_looked_at_over_the_published_area() -> None:
    """A spot of noise in a plain picture weighs as a Gaussian window of 0.16 square degrees does (4 pi s^2)."""
    sigma = math.sqrt(AREA_DEG2 / (4.0 * math.pi)) * PX_PER_DEG
    assert pytest.approx(0.16) == AREA_DEG2
    rng = np.random.default_rng(2)
    picture = np.full((HEIGHT, WIDTH, 3), 0.2, dtype=np.float32)
    picture[:, 300:] += rng.choice([-0.05, 0.05], (HEIGHT, WIDTH - 300, 1)).astype(np.float32)
    y = np.arange(100.0, 400.0)

    def contrast(x: float) -> float:
        # both sides of the outline lie 1.5 s from it
        line = Outline(np.column_stack([np.full(300, x), y]), np.tile([0.0, 1.0], (300, 1)), np.zeros(300, np.int64),
                       (False,), 1.0)  # fmt: skip
        return float(np.mean(pattern_beside(line, picture, VIEWER)[1] ** 2))

    # the share of a Gaussian that lies beyond a straight edge one s away is 0.159, half on it
    full = contrast(600.0)
    assert contrast(300.5) / full == pytest.approx(0.5, abs=0.06)
    assert contrast(300.5 - sigma) / full == pytest.approx(0.159, abs=0.05)


def score(frame: int, times: float = 0.0, break_pct: float = 0.0) -> FrameScore:
    drift = ((3, times, 1.0),) if times else ()
    one = FrameScore(frame, 0.001 * (frame - 1001), break_pct, 1.0, 0.0, trace_pct=0.0)
    return replace(one, drift_deg_s=times, drift=drift)


def test_movement_adds_up_over_750_ms() -> None:
    """A leaky sum of a constant twice the least speed reaches the least speed after tau ln 2 (Regan and Beverley 1984:
    tau 750 ms), where one half is found."""
    rate = 200.0
    film = film_of([score(1001 + k, 2.0) for k in range(400)], rate)
    reached = next(k for k, one in enumerate(film) if one.drift_pct >= 50.0)
    assert (reached + 1) / rate == pytest.approx(0.75 * math.log(2.0), rel=0.02)
    assert TIME_CONSTANT_S == 0.75
    # and is forgotten as slowly
    film = film_of([*(score(1001 + k, 2.0) for k in range(2000)), *(score(3001 + k) for k in range(200))], rate)
    assert film[-1].drift_pct == 0.0


def test_what_slides_is_told_by_lengths_of_the_bridge() -> None:
    """One half is found at the limit itself (Quick 1974): from then on a length slides, by itself and while in view."""
    rate = 200.0
    drift = ((3, 2.0, 0.5), (7, 0.9, 0.25), (30, 4.0, 0.25))
    scores = [replace(score(1001 + k), drift=drift if k < 300 else drift[:2]) for k in range(400)]
    film = film_of(scores, rate)
    # a leaky sum of m times the least speed reaches it after tau ln (m / (m - 1)); of 0.9 never
    for length, times in ((3, 2.0), (30, 4.0)):
        first = next(k for k, one in enumerate(film) if length in one.slides)
        assert (first + 1) / rate == pytest.approx(0.75 * math.log(times / (times - 1.0)), rel=0.03)
    assert film[0].slides == ()
    assert film[299].slides == (3, 30)
    assert film[300].slides == (3,), "what is out of view"


def test_a_still_frame_is_found_as_the_study_says() -> None:
    rate = 25.0
    film = film_of([score(1001 + k, break_pct=20.0) for k in range(int(60 * rate))], rate)
    wanted = share_found(20.0, 60.0)
    assert film[-1].found_pct == pytest.approx(100.0 * float(wanted.value), rel=1e-3)
    assert film[-1].found_low_pct == pytest.approx(100.0 * float(wanted.low), rel=1e-3)
    # what has been found stays found
    assert np.all(np.diff([one.found_pct for one in film]) > 0.0)


def test_the_films_hold_ends_where_it_is_found() -> None:
    # stands for a second, then slides at five times what can be seen
    scores = [score(1001 + k, 0.0 if k < 25 else 5.0) for k in range(75)]
    film = film_of(scores, 25.0)
    order = with_parallax(scores, film)
    still = summarised(order, (1001, 1040), 1001, None)
    told = summary_of_film(still, order, film, (1001, 1040))
    assert (still.hold_frames, still.hidden) == (75, True)
    assert told.film is not None
    assert (told.film.still_frames, told.hidden) == (75, False)
    last = next(one.frame for one in film if one.found_pct > 5.0) - 1
    assert (told.hold_first, told.hold_last, told.hold_frames) == (1001, last, last - 1000)
    assert 1026 < last < 1040
    assert told.film.parallax_from == next(one.frame for one in film if one.drift_pct > 5.0)
    assert order[-1].tells[0] == "parallax"
    # slower by four, the rail that it holds for is no shorter
    slow = [replace(score(1001 + k, 0.0 if k < 25 else 1.25), rail=0.25 * scores[k].rail) for k in range(75)]
    film = film_of(slow, 25.0)
    calm = summary_of_film(summarised(slow, (1001, 1040), 1001, None), slow, film, (1001, 1040))
    assert calm.hold_frames > 2 * told.hold_frames - 25


def test_standing_first_puts_off_when_it_is_found_by_as_long() -> None:
    """A clean picture that stands adds nothing: the frames stood are all that the shot gains."""
    scores = [score(1001 + k, 5.0) for k in range(60)]
    now, then = if_it_stood(scores, 25.0, 40)
    assert 3 < now < 30
    assert then == now + 40
    # a bridge that shows while it stands is found standing
    assert if_it_stood([score(1001 + k, break_pct=60.0) for k in range(60)], 25.0, 100)[1] < 100
