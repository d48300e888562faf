"""Tells on made pictures with one known cause each."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from previz.judge.breaks import Sides, decided, sides_of
from previz.judge.ordinary import ordinary_of
from previz.judge.outline import outline_of
from previz.judge.tells import TELLS, Mended, named, tells_of
from previz.judge.viewer import Viewer
from tests.judge.pictures import HEIGHT_PX, cover, laid_over, wall

VIEWER = Viewer(HEIGHT_PX)
GROUND = wall(1)


def told(
    layer: np.ndarray, continues_wall: bool = False, slip_px: float = 0.0, around: float = 1.0, cause: str = "shadow"
) -> tuple[str, ...]:
    """Tells of a bridge painted with ``layer``; the wall close around it is ``around`` times as bright for a ``cause``.
    """
    shares = cover()
    outline = outline_of(shares, VIEWER)
    halo = np.clip(gaussian_filter(shares, 6.0) * 4.0, 0.0, 1.0)[..., None]
    picture = laid_over((GROUND * (1.0 + (around - 1.0) * halo)).astype(np.float32), layer, shares)
    sides = sides_of(picture, GROUND, outline, VIEWER)
    ordinary = ordinary_of(GROUND, VIEWER)
    found = decided(sides, outline, ordinary, VIEWER)
    mended = Mended(
        right_paint=sides_of(laid_over(picture, GROUND, shares), GROUND, outline, VIEWER),
        without={cause: sides_of(laid_over(GROUND, layer, shares), GROUND, outline, VIEWER)},
    )
    return named((found, tells_of(found, sides, mended, ordinary, VIEWER, continues_wall, slip_px)))


@pytest.mark.parametrize(
    ("cause", "layer", "continues_wall", "slip_px", "around"),
    [
        ("shadow", GROUND, True, 0.0, 0.35),
        ("slip", np.roll(GROUND, 30, axis=1), True, 60.0, 1.0),
        ("colour", GROUND * [2.0, 1.3, 0.6], False, 0.0, 1.0),
        ("grain", gaussian_filter(GROUND, (5, 5, 0)), False, 0.0, 1.0),
    ],
)
def test_the_one_cause_there_is_is_named_first(
    cause: str, layer: np.ndarray, continues_wall: bool, slip_px: float, around: float
) -> None:
    assert told(layer, continues_wall, slip_px, around)[0] == cause


@pytest.mark.parametrize("cause", ["shadow", "shine", "focus"])
def test_what_mends_a_frame_when_taken_away_is_its_tell(cause: str) -> None:
    assert told(GROUND, True, 0.0, 0.35, cause)[0] == cause


def test_nothing_is_named_where_nothing_shows() -> None:
    assert told(GROUND) == ()


def test_paint_that_lines_up_with_nothing_cannot_slip() -> None:
    assert "slip" not in told(np.roll(GROUND, 30, axis=1), continues_wall=False, slip_px=60.0)


def test_where_no_paint_is_bright_enough_that_is_the_tell() -> None:
    """The bridge is to look as the wall does, and its light allows half of that in the left half of the frame."""
    shares = cover()
    outline = outline_of(shares, VIEWER)
    layer = np.array(GROUND)
    layer[:, : layer.shape[1] // 2] *= 0.5
    picture = laid_over(GROUND, layer, shares)
    sides = sides_of(picture, GROUND, outline, VIEWER)
    right = sides_of(laid_over(picture, GROUND, shares), GROUND, outline, VIEWER)
    ordinary = ordinary_of(GROUND, VIEWER)
    found = decided(sides, outline, ordinary, VIEWER)
    left = outline.xy[:, 0] < layer.shape[1] / 2 - 5.0
    assert found.broken[left].mean() > 0.5

    def tells(best: Sides | None) -> np.ndarray:
        mended = Mended(right, {}, lambda: best)
        return tells_of(found, sides, mended, ordinary, VIEWER, True, 0.0)

    # as it is, is the best that can be had
    assert set(tells(sides)[found.broken & left]) == {TELLS.index("range")}
    # with paint for all of it, it is another colour; so it is where nobody says what paint there is
    assert set(tells(right)[found.broken & left]) == {TELLS.index("colour")}
    assert set(tells(None)[found.broken & left]) == {TELLS.index("colour")}
