"""Break on made pictures: what must be true of it by DEVELOPERS.md, "What the score says"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.errors import JudgeError
from previz.judge.breaks import Break, break_of
from previz.judge.ordinary import Ordinary, ordinary_of
from previz.judge.outline import outline_of
from previz.judge.viewer import Viewer
from tests.judge.pictures import HEIGHT_PX, cover, laid_over, wall

VIEWER = Viewer(HEIGHT_PX)
PERCENT = 1.0


@pytest.fixture(scope="module")
def rough() -> np.ndarray:
    return wall(1)


@pytest.fixture(scope="module")
def ordinary(rough: np.ndarray) -> Ordinary:
    return ordinary_of(rough, VIEWER)


def judged(ground: np.ndarray, layer: np.ndarray, ordinary: Ordinary, share: np.ndarray | None = None) -> Break:
    share = cover() if share is None else share
    return break_of(laid_over(ground, layer, share), ground, outline_of(share, VIEWER), ordinary, VIEWER)


def test_perfect_paint_is_not_found(rough: np.ndarray, ordinary: Ordinary) -> None:
    assert judged(rough, rough, ordinary).percent <= 2.0 * PERCENT


def test_bare_contrasting_bridge_is_found(rough: np.ndarray, ordinary: Ordinary) -> None:
    pine = np.broadcast_to([0.55, 0.45, 0.25], rough.shape)
    assert judged(rough, pine, ordinary).percent > 90.0 * PERCENT


def test_one_colour_for_everything_is_found_by_its_grain(rough: np.ndarray, ordinary: Ordinary) -> None:
    found = judged(rough, np.broadcast_to(rough.mean(axis=(0, 1)), rough.shape), ordinary)
    assert found.percent > 30.0 * PERCENT
    assert (found.kind[found.broken] == 1).mean() > 0.3


@pytest.mark.slow
def test_break_rises_with_slip_on_the_mean_of_walls() -> None:
    # single walls fluctuate once pattern and wall have nothing in common any more; the mean of many does not
    shares = cover()
    outline = outline_of(shares, VIEWER)
    rows = []
    for seed in range(6):
        ground = wall(seed)
        limits = ordinary_of(ground, VIEWER)
        slipped = [laid_over(ground, np.roll(ground, px, axis=1), shares) for px in (0, 1, 2, 4, 8, 16, 24)]
        rows.append([break_of(picture, ground, outline, limits, VIEWER).percent for picture in slipped])
    mean = np.mean(rows, axis=0)
    assert np.all(np.diff(mean) > -3.0 * PERCENT), mean
    assert mean[-1] > 15.0 * PERCENT


@pytest.mark.slow
def test_clean_wall_scores_nothing_wherever_the_outline_is_laid() -> None:
    # the bridge "painted" with the clean wall of another place, so that nothing is its doing but the line: here the
    # third rule is set aside by judging against a grey frame, and chance alone remains
    shares = cover()
    outline = outline_of(shares, VIEWER)
    grey = np.full((*shares.shape, 3), 0.9, dtype=np.float32)
    found = []
    for seed in range(16):
        ground = wall(100 + seed)
        limits = ordinary_of(ground, VIEWER)
        for aside in (-240.0, -120.0, 0.0, 120.0, 240.0):
            moved = replace(outline, xy=outline.xy + [aside, 0.0])
            found.append(break_of(ground, grey, moved, limits, VIEWER))
    percents = np.array([f.by_seat for f in found])
    # on the mean over placings, for each of the three viewers
    assert percents.mean(axis=0).max() <= 2.0 * PERCENT, percents.mean(axis=0)


def test_mirrored_scene_scores_the_same(rough: np.ndarray, ordinary: Ordinary) -> None:
    shares = cover()
    slipped = np.roll(rough, 12, axis=1)
    one = judged(rough, slipped, ordinary, shares)
    mirrored = np.ascontiguousarray(rough[:, ::-1])
    other = judged(
        mirrored,
        np.ascontiguousarray(slipped[:, ::-1]),
        ordinary_of(mirrored, VIEWER),
        np.ascontiguousarray(shares[:, ::-1]),
    )
    assert one.percent == pytest.approx(other.percent, abs=1.0 * PERCENT)


@pytest.mark.sweep
@pytest.mark.parametrize("paint", ["slip", "mean"])
def test_doubling_the_pixels_changes_little(paint: str) -> None:
    large_wall = wall(3, 1920, 1080)
    small_wall = large_wall.reshape(540, 2, 960, 2, 3).mean(axis=(1, 3)).astype(np.float32)
    scores = []
    for ground, viewer, width in ((small_wall, Viewer(540), 960), (large_wall, Viewer(1080), 1920)):
        shares = cover(width, viewer.height_px)
        if paint == "slip":
            layer = np.roll(ground, 14 * width // 960, axis=1)
        else:
            layer = np.broadcast_to(ground.mean(axis=(0, 1)), ground.shape)
        picture = laid_over(ground, layer, shares)
        scores.append(
            break_of(picture, ground, outline_of(shares, viewer), ordinary_of(ground, viewer), viewer).percent
        )
    assert scores[0] == pytest.approx(scores[1], abs=3.0 * PERCENT)


@pytest.mark.slow
def test_busy_wall_hides_more_than_a_plain_one() -> None:
    tint = np.array([1.06, 1.0, 0.95])
    plain = 0.25 + 0.1 * (wall(5) - 0.25)
    busy = wall(5)
    assert judged(plain, plain * tint, ordinary_of(plain, VIEWER)).percent > 30.0 * PERCENT + (
        judged(busy, busy * tint, ordinary_of(busy, VIEWER)).percent
    )


def test_no_outline_is_told() -> None:
    nothing = np.zeros((HEIGHT_PX, 960), dtype=np.float32)
    ground = wall(1)
    with pytest.raises(JudgeError, match="outline"):
        break_of(ground, ground, outline_of(nothing, VIEWER), ordinary_of(ground, VIEWER), VIEWER)


def test_too_little_wall_is_told() -> None:
    with pytest.raises(JudgeError, match="too little clean wall"):
        ordinary_of(wall(1)[:50, :50], VIEWER)
