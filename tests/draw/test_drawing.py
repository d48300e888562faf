"""Side elevation and plan: where things lie on the sheet, and what changes from frame to frame."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from previz.draw.drawing import SideSheet, sheet_cameras, side_sheet
from previz.draw.drawnset import DrawnView, lens_mark
from previz.draw.panel import MARGIN_PX, Panel
from previz.draw.railrule import RailRule
from previz.draw.style import CHALK, INK, PAPER, SIGNAL
from tests.deliver.made_up import LENGTH, lens_at, near, side_frame, side_static


def test_views_share_scale_and_line() -> None:
    points = np.array([[-0.2, -0.1, 0.0], [0.3, 0.4, 1.3]])
    side, plan = sheet_cameras(points)
    assert side.px_per_m == plan.px_per_m
    assert side.height_px + plan.height_px == 720 - 3 * MARGIN_PX
    world = np.random.default_rng(1).uniform(points[0], points[1], (50, 3))
    a, b = side.project(world), plan.project(world)
    # as far from the wall in one view as in the other, the wall at the right
    np.testing.assert_allclose(a[:, 0], b[:, 0], atol=1e-9)
    assert np.all(np.diff(a[np.argsort(world[:, 2]), 0]) <= 0.0)
    # up is up; camera right is at the bottom of the plan, as the camera looks to the sheet's right
    assert side.project([0.0, 0.2, 0.5])[1] < side.project([0.0, 0.1, 0.5])[1]
    assert plan.project([0.1, 0.0, 0.5])[1] > plan.project([0.0, 0.0, 0.5])[1]
    for camera in (side, plan):
        xy = camera.project(world)
        assert np.all((xy > 0.0) & (xy < [camera.width_px, camera.height_px]))
        assert np.all(camera.depth(world) > 0.0)


@pytest.mark.parametrize("reach", [(0.4, 1.1, 1.9), (3.0, 0.2, 1.0), (0.1, 4.0, 0.5), (0.001, 0.001, 2.0)])
def test_windows_share_the_sheet_as_the_set_needs_it(reach: tuple[float, float, float]) -> None:
    side, plan = sheet_cameras([[0, 0, 0], reach])
    corners = np.array([[x, y, z] for x in (0, reach[0]) for y in (0, reach[1]) for z in (0, reach[2])])
    for camera in (side, plan):
        xy = camera.project(corners)
        assert xy.min() >= 40.0
        assert np.all(xy <= [camera.width_px - 60.0, camera.height_px - 40.0])


def test_field_directions_are_those_of_the_frame_edges() -> None:
    camera = lens_at(0.0)
    directions = lens_mark(camera).field
    px = camera.project(camera.position + directions)
    np.testing.assert_allclose(px, [[0, 540], [1920, 540], [960, 0], [960, 1080]], atol=1e-6)


def test_lines_are_cut_at_the_window() -> None:
    panel = Panel("x", sheet_cameras([[-1, -1, -1], [1, 1, 1]], 300, 400)[0], 10, 20)
    assert panel.cut((0.0, 100.0), (400.0, 100.0)) == ((10.0, 100.0), (310.0, 100.0))
    assert panel.cut((50.0, 50.0), (60.0, 60.0)) == ((50.0, 50.0), (60.0, 60.0))
    assert panel.cut((0.0, 0.0), (400.0, 5.0)) is None
    assert panel.cut((5.0, 0.0), (5.0, 300.0)) is None
    with pytest.raises(ValueError, match="picture"):
        panel.paste(None, np.zeros((5, 5, 3), np.uint8))  # type: ignore[arg-type]


def test_the_camera_stands_where_the_lens_is() -> None:
    static = side_static()
    sheet = SideSheet(static)
    frames = [side_frame(1001, 0.0, 1.0), side_frame(1100, 0.12, 1.0)]
    offset = np.array([MARGIN_PX, MARGIN_PX + static.side.height_px + MARGIN_PX])
    for frame in frames:
        picture = sheet.frame(frame)
        x, y = np.rint(static.plan.project(frame.lens.position) + offset - 0.5).astype(int)
        # the cross at the entrance pupil
        assert near(picture[y - 4 : y + 5, x - 1 : x + 2], INK, 60).any(axis=1).all()
        assert near(picture[y - 1 : y + 2, x - 4 : x + 5], INK, 60).any(axis=0).all()
    moved = static.plan.project(frames[1].lens.position) - static.plan.project(frames[0].lens.position)
    assert moved[1] == pytest.approx(0.12 * static.plan.px_per_m)


def test_what_shows_is_red_and_dashed() -> None:
    sheet = SideSheet(side_static())
    holds, breaks = sheet.frame(side_frame(1020, 0.02, 1.0)), sheet.frame(side_frame(1090, 0.11, 90.0))
    key_rows = slice(510, 534)
    assert not near(holds[:500], SIGNAL).any()
    assert near(breaks[:500, :940], SIGNAL).sum() > 100
    # the verdict's rim: dashed for what breaks, whole for what holds
    rim = near(breaks[78:83, 970:1260], SIGNAL).any(axis=0)
    assert 0.5 < rim.mean() < 0.8
    assert near(holds[79:82, 970:1260], CHALK).any(axis=0).all()
    # the key shows the red line on every sheet
    assert near(holds[key_rows, 960:1010], SIGNAL).any()


def test_nothing_is_drawn_past_the_windows() -> None:
    static = side_static()
    picture = side_sheet(static, side_frame(1090, 0.11, 50.0))
    edge = MARGIN_PX + static.side.width_px
    low = MARGIN_PX + static.side.height_px
    for strip in (picture[:14], picture[:, :14], picture[low + 3 : low + 13, : edge + 3], picture[-13:, : edge + 3]):
        assert np.all(strip == PAPER)
    assert np.all(picture[:, edge + 3 : edge + 10] == PAPER)


def test_same_bytes_and_a_frame_does_not_stain_the_next() -> None:
    sheet = SideSheet(side_static())
    first = sheet.frame(side_frame(1001, 0.0, 1.0))
    sheet.frame(side_frame(1090, 0.11, 90.0))
    np.testing.assert_array_equal(sheet.frame(side_frame(1001, 0.0, 1.0)), first)
    np.testing.assert_array_equal(side_sheet(side_static(), side_frame(1001, 0.0, 1.0)), first)
    assert first.shape == (720, 1280, 3)


def test_a_dimension_says_what_a_ruler_finds() -> None:
    static = side_static()
    lengths = {}
    for dimension in static.dimensions:
        camera = static.side if dimension.view == "side" else static.plan
        run = camera.project(dimension.b) - camera.project(dimension.a)
        lengths[dimension.view, dimension.offset_px] = np.hypot(*run) / camera.px_per_m
    assert sorted(round(float(v), 6) for v in lengths.values()) == [0.12, 0.16, LENGTH, 1.25, 1.25]


def test_bare_sets_are_drawn_too() -> None:
    static = side_static()
    still = lens_at(0.0).position
    drawn = static.drawn
    bare = replace(
        drawn,
        elevation=DrawnView((), drawn.elevation.bridge),
        plan=DrawnView((), drawn.plan.bridge),
        stands=(),
        rail=RailRule(0.0, (), (0.0, 0.0)),
        rail_line=np.array([still, still]),
    )
    picture = side_sheet(replace(static, side_picture=None, drawn=bare, dimensions=()), side_frame(1001, 0.0, None))
    assert near(picture[:350, :940], CHALK).sum() > 300
    backwards = replace(static, drawn=replace(drawn, rail=replace(drawn.rail, travel=-0.12)))
    assert side_sheet(backwards, side_frame(1001, -0.01, 3.0)).shape == (720, 1280, 3)
