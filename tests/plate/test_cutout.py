"""A cut-out keeps its light, its edges and its place when it is shrunk into a frame."""

from __future__ import annotations

import math
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from skimage.transform import rotate

from previz.colour import decoded8
from previz.errors import PrevizError
from previz.plate.cutout import figure_of, opaque_box, place_cutout, standing_of

FIGURES = Path(__file__).resolve().parents[2] / "scenes" / "figures"
BLACK = np.zeros((120, 160, 3), dtype=np.float32)


def figure(height: int = 300, width: int = 140, margin: int = 12) -> np.ndarray:
    """A noisy figure with soft edges, feet on the bottom of its opaque box, (h, w, 4) uint8."""
    rng = np.random.default_rng(5)
    picture = rng.integers(0, 256, (height, width, 4), dtype=np.uint8)
    y, x = np.mgrid[:height, :width]
    alpha = np.clip(200.0 - 6.0 * np.abs(x - width / 2), 0.0, 1.0) * 255.0
    alpha[:margin] = alpha[-margin:] = 0.0
    alpha[:, :margin] = alpha[:, -margin:] = 0.0
    alpha[margin : margin + 3] *= 0.3
    picture[..., 3] = alpha.astype(np.uint8)
    assert y.shape == x.shape
    return picture


def test_box() -> None:
    # the top three rows are soft: alpha 76 is edge, not figure
    assert opaque_box(figure()) == (37, 15, 104, 288)


@pytest.mark.parametrize(("height_px", "foot"), [(60.0, (80.0, 100.0)), (37.3, (63.21, 77.77)), (8.9, (20.5, 60.1))])
def test_light_is_kept(height_px: float, foot: tuple[float, float]) -> None:
    """On black, the sum of light is that of the cut-out times the change of area (conservation of energy)."""
    cutout = figure()
    scale = height_px / (288 - 15)
    light = decoded8(cutout[..., :3]).astype(np.float64) * (cutout[..., 3:] / 255.0)
    got = place_cutout(BLACK, cutout, foot, height_px).sum(axis=(0, 1), dtype=np.float64)
    np.testing.assert_allclose(got, light.sum(axis=(0, 1)) * scale**2, rtol=1e-4)


def test_whole_factor_is_the_mean_of_blocks() -> None:
    """Shrunk four times on whole pixels, every pixel is the plain mean of its 4 x 4 block of premultiplied light."""
    rng = np.random.default_rng(6)
    cutout = rng.integers(0, 256, (64, 48, 4), dtype=np.uint8)
    cutout[[0, -1], :, 3] = 255
    cutout[:, [0, -1], 3] = 255
    cutout[30, 20, 3] = 0
    ground = rng.random((40, 40, 3)).astype(np.float32)
    alpha = cutout[..., 3:].astype(np.float64) / 255.0
    both = np.concatenate([decoded8(cutout[..., :3]) * alpha, alpha], axis=2).reshape(16, 4, 12, 4, 4).mean((1, 3))
    wanted = ground.astype(np.float64)
    wanted[10:26, 8:20] = wanted[10:26, 8:20] * (1.0 - both[..., 3:]) + both[..., :3]
    np.testing.assert_allclose(place_cutout(ground, cutout, (14.0, 26.0), 16.0), wanted, atol=1e-5)


def test_stands_between_pixels() -> None:
    """A shift by a part of a pixel moves the middle of the light by just that."""
    cutout = figure()
    x = np.arange(160) + 0.5
    y = np.arange(120) + 0.5

    def middle(foot: tuple[float, float]) -> np.ndarray:
        light = place_cutout(BLACK, cutout, foot, 50.0).sum(axis=2, dtype=np.float64)
        return np.array([(light.sum(0) * x).sum(), (light.sum(1) * y).sum()]) / light.sum()

    start = middle((80.0, 100.0))
    for shift in ((0.25, 0.0), (0.0, 0.4), (0.37, -0.61)):
        moved = middle((80.0 + shift[0], 100.0 + shift[1])) - start
        # tenths of a hundredth of a pixel: area weights spread light within a pixel evenly
        np.testing.assert_allclose(moved, shift, atol=0.02)


def test_foot_and_height() -> None:
    cutout = np.zeros((200, 100, 4), dtype=np.uint8)
    cutout[40:180, 30:70] = 255
    got = place_cutout(BLACK, cutout, (80.0, 100.0), 70.0)[..., 0]
    rows, columns = np.flatnonzero(got.max(axis=1) > 0.5), np.flatnonzero(got.max(axis=0) > 0.5)
    assert (rows[0], rows[-1] + 1) == (30, 100)
    assert (columns[0], columns[-1] + 1) == (70, 90)


def test_edges_show_no_fringe() -> None:
    """A white figure whose transparent pixels hide black comes out white, not grey-rimmed, on white."""
    cutout = np.zeros((90, 70, 4), dtype=np.uint8)
    cutout[10:80, 20:50] = 255
    cutout[10:80, 18:20] = cutout[10:80, 50:52] = (255, 255, 255, 100)
    white = np.ones((60, 60, 3), dtype=np.float32)
    np.testing.assert_allclose(place_cutout(white, cutout, (30.3, 50.2), 23.7), 1.0, atol=1e-5)


def test_enlarged_keeps_its_light() -> None:
    cutout = figure(30, 24, 3)
    left, top, right, bottom = opaque_box(cutout)
    scale = 80.0 / (bottom - top)
    light = decoded8(cutout[..., :3]).astype(np.float64) * (cutout[..., 3:] / 255.0)
    got = place_cutout(BLACK, cutout, (80.0, 100.0), 80.0).sum(axis=(0, 1), dtype=np.float64)
    assert right > left
    np.testing.assert_allclose(got, light.sum(axis=(0, 1)) * scale**2, rtol=1e-3)


def test_cut_off_at_the_frame() -> None:
    """What is placed past an edge is the same picture, cut."""
    cutout = figure()
    wide = np.zeros((220, 260, 3), dtype=np.float32)
    whole = place_cutout(wide, cutout, (50.0 + 3.3, 50.0 + 110.4), 90.0)
    cut = place_cutout(BLACK, cutout, (3.3, 110.4), 90.0)
    np.testing.assert_allclose(cut, whole[50:170, 50:210], atol=1e-6)
    assert cut.max() > 0.0
    for foot in ((-500.0, 50.0), (50.0, 5000.0)):
        np.testing.assert_array_equal(place_cutout(BLACK, cutout, foot, 40.0), BLACK)
        np.testing.assert_array_equal(place_cutout(BLACK, cutout, foot, 40.0, 0.2), BLACK)


def test_leaning_turns_clockwise_about_the_foot() -> None:
    """Against scikit-image's rotation of the upright placing (which turns anticlockwise for positive degrees)."""
    cutout = np.zeros((200, 100, 4), dtype=np.uint8)
    cutout[20:190, 30:70] = (255, 255, 255, 255)
    cutout[20:60, 60:90] = (255, 60, 20, 255)
    foot = (80.0, 90.0)
    upright = place_cutout(BLACK, cutout, foot, 60.0)
    leaning = place_cutout(BLACK, cutout, foot, 60.0, math.radians(14.0))
    turned = np.stack(
        [rotate(upright[..., c], -14.0, center=(foot[0] - 0.5, foot[1] - 0.5), order=1) for c in range(3)], -1
    )
    assert np.abs(leaning - turned).mean() < 0.004
    wrong = place_cutout(BLACK, cutout, foot, 60.0, math.radians(-14.0))
    assert np.abs(wrong - turned).mean() > 0.02
    assert leaning.sum() == pytest.approx(upright.sum(), rel=0.005)


def test_made_ready_once_gives_the_same() -> None:
    ready = figure_of(figure())
    np.testing.assert_array_equal(
        place_cutout(BLACK, ready, (70.2, 90.1), 44.0, 0.1), place_cutout(BLACK, figure(), (70.2, 90.1), 44.0, 0.1)
    )
    assert BLACK.max() == 0.0, "the frame itself was drawn on"


@pytest.mark.parametrize(
    ("picture", "words"),
    [
        (np.zeros((8, 8, 3), np.uint8), "3 channels and no alpha"),
        (np.zeros((8, 8), np.uint8), "1 channels and no alpha"),
        (np.full((8, 8, 4), 255, np.uint8), "opaque all over"),
        (np.zeros((8, 8, 4), np.uint8), "transparent all over"),
    ],
)
def test_a_figure_that_is_no_cutout_is_refused(picture: np.ndarray, words: str) -> None:
    with pytest.raises(PrevizError, match=words) as caught:
        place_cutout(BLACK, picture, (10.0, 10.0), 5.0)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("height_px", [0.0, -3.0, math.nan, math.inf])
def test_heights_that_are_none(height_px: float) -> None:
    with pytest.raises(ValueError, match="height above 0 px"):
        place_cutout(BLACK, figure(), (10.0, 10.0), height_px)


def person(staff: tuple[int, int, int, int] | None = None) -> np.ndarray:
    """A body 600 px tall, crown at row 50, soles at 650, feet from column 160 to 260; a staff as a box of its own."""
    alpha = np.zeros((760, 420), dtype=np.uint8)
    cv2.ellipse(alpha, (210, 95), (35, 45), 0, 0, 360, 255, -1)
    cv2.rectangle(alpha, (155, 135), (264, 360), 255, -1)
    cv2.rectangle(alpha, (120, 140), (150, 380), 255, -1)
    cv2.rectangle(alpha, (148, 150), (158, 200), 255, -1)
    cv2.rectangle(alpha, (160, 355), (199, 649), 255, -1)
    cv2.rectangle(alpha, (220, 355), (259, 649), 255, -1)
    if staff is not None:
        left, top, right, bottom = staff
        cv2.rectangle(alpha, (left, top), (right - 1, bottom - 1), 255, -1)
        # the arm that holds it
        cv2.rectangle(alpha, (260, 240), (left + 6, 270), 255, -1)
    return np.dstack([np.full((760, 420, 3), 90, dtype=np.uint8), alpha])


@pytest.mark.parametrize("staff", [None, (330, 10, 342, 690), (330, 100, 342, 640), (330, 300, 336, 755)])
def test_a_staff_is_no_foot_and_no_head(staff: tuple[int, int, int, int] | None) -> None:
    """12 px of a body of 600 is 3.5 cm of a person: a staff, longer or shorter than its bearer, or level with the
    soles."""
    found = standing_of(person(staff))
    assert found.foot == pytest.approx((210.0, 650.0), abs=1.5)
    assert found.top == pytest.approx(50.0, abs=2.0)
    assert found.left_out is (staff is not None)
    # mirrored it stands mirrored
    assert standing_of(person(staff)[:, ::-1]).foot == pytest.approx((210.0, 650.0), abs=1.5)


def test_the_surveyor_stands_on_two_feet() -> None:
    """The demonstration's own figure, read off the picture: boots from column 102 to 239, soles to row 758."""
    pixels = np.asarray(Image.open(FIGURES / "surveyor.png").convert("RGBA"))
    found = standing_of(pixels)
    assert found.foot == pytest.approx((170.5, 758.0), abs=2.0)
    # the levelling staff beside the boots reaches two rows lower and 97 columns further
    assert opaque_box(pixels)[2:] == (338, 760)
    assert found.left_out


def test_what_is_thin_all_over_stands_as_a_whole() -> None:
    alpha = np.zeros((300, 60), dtype=np.uint8)
    alpha[20:280, 28:31] = 255
    found = standing_of(np.dstack([np.zeros((300, 60, 3), dtype=np.uint8), alpha]))
    assert (found.foot, found.top) == ((29.5, 280.0), 20.0)
