"""Patches: a soft shadow is found where nothing in it is as light as what is around it, and lost on a blotched wall."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import norm
from skimage.measure import block_reduce

from previz.judge.breaks import Break
from previz.judge.ordinary import Ordinary, ordinary_of
from previz.judge.outline import outline_of
from previz.judge.steps import KINDS, stretch_sigma
from previz.judge.tells import trace_tells
from previz.judge.telltable import TELLS
from previz.judge.trace.patches import Lit, Patches, _sizes, _summed, patches_of
from previz.judge.trace.traces import trace_of, trace_percents, with_patches
from previz.judge.viewer import JND_LIGHT, MIDDLE_SEAT, SEATS, STRETCH_DEG, Viewer, chance_found
from tests.judge.test_traces import HEIGHT, PX_PER_DEG, VIEWER, WIDTH, Picture, board, cover, shade, strata, wall

SOFT = shade(0.72, 1.6 * PX_PER_DEG)


def blotched(rng: np.random.Generator) -> Picture:
    """Rock of light and dark in patches two and three degrees large."""
    tone = sum(
        gaussian_filter(rng.standard_normal((HEIGHT, WIDTH)), width * PX_PER_DEG) * width * PX_PER_DEG
        for width in (0.7, 1.0)
    )
    return np.clip(0.25 * np.exp(1.2 * tone), 0.02, 0.8)


def found(seen: Picture, clean: Picture, ordinary: Ordinary, bridge: Picture | None = None) -> float:
    there = cover() if bridge is None else bridge
    trace = trace_of(seen, clean, there, ordinary, VIEWER)
    return max(trace_percents(None if trace is None else trace.found, outline_of(there, VIEWER)))


@pytest.mark.parametrize("kind", [board, strata])
def test_a_soft_band_of_shade_is_found_where_rock_is_even(kind: object) -> None:
    """A quarter darker, four degrees wide, its edges as soft as that: plain on both (seen, not published)."""
    clean = wall(kind, 3)  # type: ignore[arg-type]
    ordinary = ordinary_of(clean, VIEWER)
    assert found(clean * SOFT, clean, ordinary) > 50.0
    # so is as much more light
    assert found(np.clip(clean / SOFT, 0.0, 1.0), clean, ordinary) > 50.0


def test_blotches_of_the_rock_hide_it() -> None:
    """On strata as light on the mean it is found three times as well, and more."""
    blotches, even = wall(blotched, 3), wall(strata, 3)
    on_blotches, on_strata = (found(clean * SOFT, clean, ordinary_of(clean, VIEWER)) for clean in (blotches, even))
    assert 3.0 * on_blotches < on_strata


def test_what_no_eye_can_tell_is_no_patch() -> None:
    clean = wall(board, 3)
    faint = clean * shade(float(np.exp(-0.9 * JND_LIGHT)), 1.6 * PX_PER_DEG)
    assert patches_of(faint, clean, cover(), [np.zeros((3, 2))] * 3, VIEWER) is None
    assert found(clean.copy(), clean, ordinary_of(clean, VIEWER)) == 0.0
    # however even the wall, a patch has to be noticeable
    even, noticed = (
        patches_of(clean * SOFT, clean, cover(), [np.full((3, 2), limit)] * 3, VIEWER) for limit in (0.0, JND_LIGHT)
    )
    assert even is not None
    assert noticed is not None
    assert even.size == pytest.approx(noticed.size)


def test_how_light_it_is_beside_a_straight_edge() -> None:
    """Closed form: the fourth power of luminance seen through a Gaussian window is the normal integral across an
    edge (SciPy's); far from it the picture is as light as it is."""
    x = np.tile(np.arange(WIDTH), (HEIGHT, 1))
    step = np.where(x < WIDTH // 2, 0.6, 0.2)[..., None].astype(np.float32) * np.ones(3, np.float32)
    lit = Lit.of(step, np.ones((HEIGHT, WIDTH), np.float32), VIEWER)
    for shades, length in zip(lit.shades(MIDDLE_SEAT, VIEWER), STRETCH_DEG, strict=True):
        sigma = stretch_sigma(length) * PX_PER_DEG
        at = (np.arange(shades.here.shape[1]) + 0.5) * shades.factor - WIDTH // 2
        within = norm.cdf(-at / sigma)
        light = 0.25 * np.log(0.603**4 * within + 0.203**4 * (1.0 - within))
        middle = shades.here[shades.here.shape[0] // 2]
        # a window is cut off at three widths, which shows on the dark side
        near = (np.abs(at) < 1.5 * sigma) | (at < 0.0)
        assert middle[near] == pytest.approx(light[near], abs=0.03)
        wide = norm.cdf(-at / (3.0 * sigma))
        around = 0.25 * np.log(0.603**4 * wide + 0.203**4 * (1.0 - wide))
        close = np.abs(at) < 1.5 * sigma
        assert shades.beyond[shades.here.shape[0] // 2][close] == pytest.approx((light - around)[close], abs=0.03)


def test_the_lightest_tells_more_of_the_light_than_a_mean_would() -> None:
    """Rock of which dark bands cover now more, now less: its lightest is everywhere alike, its mean is not."""
    rng = np.random.default_rng(4)
    share = np.clip(0.5 + 6.0 * gaussian_filter(rng.standard_normal((HEIGHT, WIDTH)), 30.0) * 6.0, 0.1, 0.9)
    rock = np.where(rng.random((HEIGHT, WIDTH)) < share, 0.08, 0.45)[..., None].astype(np.float32) * np.ones(3)
    counted = np.ones((HEIGHT, WIDTH), np.float32)
    shades = next(Lit.of(rock.astype(np.float32), counted, VIEWER).shades(MIDDLE_SEAT, VIEWER))
    mean = np.log(gaussian_filter(rock[..., 0], stretch_sigma(STRETCH_DEG[0]) * PX_PER_DEG))
    assert shades.here.std() < 0.7 * mean.std()


def test_the_bridge_itself_is_no_patch() -> None:
    clean = wall(board, 3)
    ordinary = ordinary_of(clean, VIEWER)
    white = clean.copy()
    white[cover() > 0.0] = 1.0
    assert patches_of(white, clean, cover(), [seat.shade for seat in ordinary.seats], VIEWER) is None
    both = white * SOFT
    limits = [seat.shade for seat in ordinary.seats]
    one, other = (patches_of(seen, clean, cover(), limits, VIEWER) for seen in (both, clean * SOFT))
    assert one is not None
    assert other is not None
    assert one.size == pytest.approx(other.size)


def test_a_line_goes_round_it_where_half_of_it_is_left() -> None:
    clean = wall(board, 3)
    deep = np.asarray(shade(0.3, 1.6 * PX_PER_DEG))
    patches = patches_of(clean * deep, clean, cover(), [np.full((3, 2), 0.1)] * 3, VIEWER)
    assert patches is not None
    away = np.abs((patches.lines.xy[:, 0] - 420.5) + 0.45 * (patches.lines.xy[:, 1] - 270.5)) / np.hypot(1.0, 0.45)
    dark = np.log(deep[270, :, 0])
    half = np.flatnonzero(dark <= 0.5 * dark.min())
    wide = 0.5 * (half.max() - half.min()) / np.hypot(1.0, 0.45)
    # the line is of the change as a window one degree wide sees it
    assert np.median(away) == pytest.approx(wide, rel=0.12)
    # two edges from top to bottom of the picture
    assert len(patches.lines) * patches.lines.spacing_px == pytest.approx(2.0 * HEIGHT * np.hypot(1.0, 0.45), rel=0.1)


def test_size_is_told_in_limits_for_each_viewer() -> None:
    clean = wall(board, 3)
    sizes = []
    for limit in (0.15, 0.3):
        patches = patches_of(clean * SOFT, clean, cover(), [np.full((3, 2), limit)] * 3, VIEWER)
        assert patches is not None
        sizes.append(patches.size.max(axis=1))
    assert sizes[0] == pytest.approx(2.0 * sizes[1])
    # half of what is taken away of the light at most, ln 0.72, as the widest windows see light around it
    assert (sizes[0] < -np.log(0.72) / 0.15).all()
    assert (sizes[0] > 0.15 * -np.log(0.72) / 0.15).all()


def test_a_patch_beside_a_found_contour_counts_once() -> None:
    lines = outline_of(cover(), VIEWER)
    count = len(lines)
    size = np.ones((len(SEATS), count))
    size[1] = 3.0
    alone = with_patches(None, Patches(lines, size), VIEWER)
    assert alone is not None
    assert alone.by_seat == pytest.approx((50.0, 100.0 * float(chance_found(np.array([3.0]))[0]), 50.0))
    assert (alone.seat, alone.broken.all()) == (MIDDLE_SEAT, True)
    assert set(alone.kind) == {KINDS.index("light")}
    every = np.ones(count)
    contour = Break(
        100.0, lines, every, every > 0.0, np.zeros(count, np.int8), every, MIDDLE_SEAT, (100.0, 100.0, 100.0)
    )  # fmt: skip
    both = with_patches(contour, Patches(lines, size), VIEWER)
    assert both is not None
    assert trace_percents(both, lines) == pytest.approx((100.0, 100.0, 100.0))
    assert both.by_seat == pytest.approx((50.0, 50.0, 50.0))
    assert with_patches(contour, None, VIEWER) is contour
    far = replace(lines, xy=lines.xy + [300.0, 0.0])
    apart = with_patches(contour, Patches(far, size), VIEWER)
    assert apart is not None
    assert apart.by_seat[0] == pytest.approx(75.0)


def test_it_is_told_as_shadow_bounce_or_mirror_image() -> None:
    clean = wall(board, 3)
    ordinary = ordinary_of(clean, VIEWER)
    deep = np.asarray(SOFT) ** 3
    for light, word in ((deep, "shadow"), (1.0 / deep, "bounce")):
        trace = trace_of(clean * light, clean, cover(), ordinary, VIEWER)
        assert trace is not None
        found = trace.found.broken & trace.patch
        assert found.any()
        told = trace_tells(trace, None, ordinary, VIEWER)
        assert set(told[found]) == {TELLS.index(word)}
        # without the gloss it is gone
        mirrored = trace_tells(trace, (clean, clean), ordinary, VIEWER)
        assert set(mirrored[found]) == {TELLS.index("mirror")}
        same = trace_tells(trace, (clean * light, clean), ordinary, VIEWER)
        assert set(same[found]) == {TELLS.index(word)}


def test_so_wide_a_picture_as_is_judged_sees_the_same_at_any_size() -> None:
    """Degrees, not pixels: half as large a picture shows a patch as many times its limit, within a twentieth."""
    clean = wall(board, 3)
    small = clean.reshape(HEIGHT // 2, 2, WIDTH // 2, 2, 3).mean(axis=(1, 3))
    limits = [np.full((3, 2), 0.2)] * 3
    half_soft = np.asarray(SOFT)[::2, ::2]
    one = patches_of(clean * SOFT, clean, cover(), limits, VIEWER)
    other = patches_of(small * half_soft, small, cover()[::2, ::2], limits, Viewer(HEIGHT // 2))
    assert one is not None
    assert other is not None
    assert other.size.max(axis=1) == pytest.approx(one.size.max(axis=1), rel=0.05)


def test_a_patch_between_the_places_looked_at_has_no_size() -> None:
    """A patch of one pixel was not counted, and the next one took its number."""
    clean = wall(board, 3)
    counted = np.ones((HEIGHT, WIDTH), dtype=np.float32)
    number = np.ones((HEIGHT, WIDTH), dtype=np.int32)
    number[101, 101] = 2
    part = (slice(0, HEIGHT), slice(0, WIDTH))
    size = _sizes(clean * SOFT, clean, counted, number, part, [np.full((3, 2), 0.1)] * 3, VIEWER)
    assert size.shape == (3, 2)
    assert (size[:, 0] > 0.0).all()
    assert (size[:, 1] == 0.0).all()


@pytest.mark.parametrize("factor", [1, 2, 3, 7])
@pytest.mark.parametrize("size", [(12, 21), (13, 20), (1, 5)])
def test_squares_are_added_up_as_scikit_image_adds_them(factor: int, size: tuple[int, int]) -> None:
    field = np.random.default_rng(3).random(size).astype(np.float32)
    whole = np.pad(field, [(0, -n % factor) for n in size], mode="edge")
    assert _summed(field, factor) == pytest.approx(block_reduce(whole, factor, np.sum), rel=1e-5)
