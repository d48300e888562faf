"""Outline, windows and steps against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from previz import colour
from previz.judge.fields import fields_of, window_px
from previz.judge.ordinary import DIRECTIONS, in_direction
from previz.judge.outline import long_runs_only, outline_of, smoothed
from previz.judge.steps import KINDS, Along, Floats, across, joined, own_steps, steps_across
from previz.judge.viewer import MIDDLE_SEAT, WINDOW_DEG, Viewer, chance_found
from tests.judge.pictures import cover

VIEWER = Viewer(540)


def added_up(differences: Floats, along: Along) -> Floats:
    """A piece's own steps for the middle viewer."""
    return own_steps(joined(differences, along), differences, along, MIDDLE_SEAT)


def test_one_line_of_1080_is_about_one_minute_of_arc() -> None:
    # ITU-R BT.2022 design viewing distance of 1080-line pictures, 3.2 heights (from memory)
    assert 60.0 / Viewer(1080).px_per_deg == pytest.approx(1.0, abs=0.02)


def test_windows_span_half_periods_up_to_the_peak_of_contrast_sensitivity() -> None:
    # Mannos and Sakrison 1974: A(f) peaks at 7.89 cycles a degree; check_values
    f = np.linspace(0.5, 30.0, 20_000)
    peak = f[np.argmax(2.6 * (0.0192 + 0.114 * f) * np.exp(-((0.114 * f) ** 1.1)))]
    assert 1.0 / (4.0 * WINDOW_DEG[0]) == pytest.approx(peak, rel=0.02)


def test_step_of_a_straight_edge_reads_its_height() -> None:
    picture = np.full((120, 160, 3), 0.2, dtype=np.float32)
    picture[:, 80:] = 0.3
    height = float(colour.de76(colour.lab([0.3] * 3), colour.lab([0.2] * 3)))
    fields = fields_of(picture, VIEWER)
    for scale, sigma in enumerate(window_px(VIEWER)):
        seen = across(fields, scale, np.array([[80.0, 60.0]]), np.array([[1.0, 0.0]]), sigma)
        differences = np.repeat(steps_across(seen)[None], len(WINDOW_DEG), axis=0)
        step = added_up(differences, lambda values, _: values)[0, scale, 0]
        # the finest window is less than a pixel wide, so that it is the coarsest cut
        assert step == pytest.approx(height, rel=0.06 if scale == 0 else 0.02)


def test_rim_of_a_bar_reads_its_height_and_an_edge_has_none() -> None:
    # the gain is of a bar two standard deviations wide, here at 1080 x 4 lines so that pixels do not matter
    viewer = Viewer(4320)
    rim = KINDS.index("rim")
    for scale, sigma in enumerate(window_px(viewer)):
        x = np.arange(int(60 * sigma)) + 0.5
        middle = float(np.rint(30 * sigma))
        height = float(colour.de76(colour.lab([0.3] * 3), colour.lab([0.2] * 3)))
        for what, wanted in ((np.abs(x - middle) < sigma, height), (x > middle, 0.0)):
            picture = np.broadcast_to(np.where(what, 0.3, 0.2)[None, :, None], (40, len(x), 3)).astype(np.float32)
            seen = across(fields_of(picture, viewer), scale, np.array([[middle, 20.0]]), np.array([[1.0, 0.0]]), sigma)
            differences = np.repeat(steps_across(seen)[None], len(WINDOW_DEG), axis=0)
            found = added_up(differences, lambda values, _: values)[0, scale, rim]
            assert found == pytest.approx(wanted, rel=0.08, abs=0.3)


def test_grain_step_reads_the_ratio_of_contrasts() -> None:
    # two halves of white noise, one with twice the contrast of the other: natural log of 2, far above the floor
    rng = np.random.default_rng(2)
    lightness = 50.0 + rng.normal(size=(400, 400)) * np.where(np.arange(400) < 200, 6.0, 12.0)
    linear = np.where(lightness > 8.0, ((lightness + 16.0) / 116.0) ** 3, lightness / 903.3)
    fields = fields_of(np.repeat(linear[..., None], 3, axis=2).astype(np.float32), VIEWER)
    values = fields.values[1, 40:-40, :, 3]
    assert values[:, 260:360].mean() - values[:, 40:140].mean() == pytest.approx(np.log(2.0), abs=0.05)


def test_outline_of_a_disc_has_its_length_and_normals() -> None:
    y, x = np.mgrid[0:2160, 0:2160] / 4.0 + 0.125
    disc = ((x - 270.0) ** 2 + (y - 270.0) ** 2 < 100.0**2).reshape(540, 4, 540, 4).mean(axis=(1, 3))
    outline = outline_of(disc.astype(np.float32), VIEWER)
    assert outline.closed == (True,)
    assert len(outline) * outline.spacing_px == pytest.approx(2.0 * np.pi * 100.0, rel=0.01)
    radial = (outline.xy - 270.0) / np.linalg.norm(outline.xy - 270.0, axis=1, keepdims=True)
    assert np.abs(np.linalg.norm(outline.xy - 270.0, axis=1) - 100.0).max() < 0.3
    assert (radial * outline.normal).sum(axis=1).min() > np.cos(np.radians(8.0))


def test_frame_edge_is_not_outline() -> None:
    outline = outline_of(cover(), VIEWER)
    assert outline.closed == (False,)
    assert outline.xy[:, 1].max() <= 539.5
    # two long sides of 290 px and the far end of 38 px
    assert len(outline) * outline.spacing_px == pytest.approx(291.0 + 287.0 + 38.0, rel=0.02)


def test_short_runs_are_levelled_and_a_ring_has_no_seam() -> None:
    flags = np.array([1, 1, 0, 0, 1, 0, 1, 1, 1, 0, 0, 1], dtype=float)
    assert long_runs_only(flags, 3.0, closed=False).tolist() == [0.0] * 6 + [1.0] * 3 + [0.0] * 3
    assert long_runs_only(flags, 3.0, closed=True)[[0, 1, 11]].all()
    assert long_runs_only(flags, 1.0, closed=False).tolist() == flags.tolist()


@pytest.mark.parametrize("need", [2, 3, 4, 5])
@pytest.mark.parametrize("closed", [False, True])
def test_levelled_at_every_height_as_flags_would_be(need: int, closed: bool) -> None:
    # what is above any limit afterwards are the runs of at least so many pieces that were above it before
    values = np.random.default_rng(need).uniform(0.0, 1.0, 60)
    levelled = long_runs_only(values, need, closed)
    for limit in (0.1, 0.3, 0.5, 0.7):
        flags = np.tile(values > limit, 3) if closed else values > limit
        kept, start = np.zeros(len(flags), dtype=bool), 0
        for at in range(len(flags) + 1):
            if at == len(flags) or not flags[at]:
                kept[start:at] = at - start >= need
                start = at + 1
        assert ((levelled > limit) == (kept[60:120] if closed else kept)).all()


@pytest.mark.parametrize("sigma", [2.0, 15.0, 30.0])
@pytest.mark.parametrize("closed", [False, True])
def test_averages_along_a_line_are_those_of_scipy(sigma: float, closed: bool) -> None:
    # scipy.ndimage.gaussian_filter1d, cut off at three standard deviations
    values = np.random.default_rng(3).normal(0.0, 1.0, (70, 2, 3)).astype(np.float32)
    wanted = gaussian_filter1d(values, sigma, axis=0, mode="wrap" if closed else "reflect", truncate=3.0)
    assert smoothed(values, sigma, closed) == pytest.approx(wanted, abs=1e-5)


def test_half_of_the_steps_at_the_limit_are_found() -> None:
    # Weibull psychometric function in base 2, slope 3.5 (Quick 1974; from memory): its values from the formula
    found = chance_found(np.array([0.0, 0.5, 1.0, 2.0]))
    assert found == pytest.approx([0.0, 0.0594, 0.5, 0.99961], abs=5e-4)


def test_directions_are_interpolated_and_opposite_ones_are_one() -> None:
    table = np.arange(DIRECTIONS, dtype=float)
    # a line along image x has its normal along y
    normals = np.array([[0.0, 1.0], [0.0, -1.0], [-1.0, 0.0], [1.0, 0.0]])
    assert in_direction(table, normals).tolist() == [0.0, 0.0, DIRECTIONS / 2, DIRECTIONS / 2]
    a = np.pi * 0.5 / DIRECTIONS
    assert in_direction(table, np.array([[-np.sin(a), np.cos(a)]]))[0] == pytest.approx(0.5)


def test_grain_that_changes_sides_adds_up_to_none() -> None:
    # now coarser within, now coarser without, every half degree: no eye follows that as a line
    x = np.arange(300)
    steps = np.zeros((3, 300, 7), dtype=np.float32)
    steps[..., 3] = np.where(x // 15 % 2 == 0, 1.0, -1.0)
    grain = added_up(steps, lambda values, deg: gaussian_filter1d(values, 30.0 * deg, axis=0).astype(np.float32))
    assert grain[100:200, :, KINDS.index("grain")].max() < 0.02
