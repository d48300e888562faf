"""Derived numbers against the check values of the handbook and against plain arithmetic."""

import math
from pathlib import Path

import numpy as np
import pytest

from previz.scene.checks import derived
from previz.scene.derived import largest_slip_px, slip_px, slip_px_per_mm
from previz.scene.model import Scene
from previz.scene.move import move_of
from tests.scene.example import scene_of


@pytest.fixture
def example(tmp_path: Path) -> Scene:
    """The scene that the design prints."""
    return scene_of(tmp_path)


def row(scene: Scene, label: str) -> str:
    """The value of a row."""
    return dict(derived(scene))[label]


# check values, Optics: horizontal angle of view, computed there from the gates that a handbook prints
ANGLES = [
    ("24.89 x 18.66 mm", "25 mm", 52.93),
    ("24.89 x 18.66 mm", "35 mm", 39.15),
    ("24.89 x 18.66 mm", "50 mm", 27.95),
    ("36 x 24 mm", "25 mm", 71.51),
    ("36 x 24 mm", "35 mm", 54.43),
    ("36 x 24 mm", "50 mm", 39.60),
]


@pytest.mark.parametrize(("sensor", "lens", "wanted_deg"), ANGLES)
def test_horizontal_angle_of_view(example: Scene, sensor: str, lens: str, wanted_deg: float) -> None:
    scene = example.edited(camera__sensor=sensor, camera__lens=lens)
    assert row(scene, "angle of view, horizontal") == f"{wanted_deg:.2f} deg"


def test_vertical_angle_of_view_of_the_frame_not_of_the_sensor(example: Scene) -> None:
    wanted = math.degrees(2.0 * math.atan(0.5 * 35.9 * 1080 / 1920 / 35.0))
    assert row(example, "angle of view, vertical") == f"{wanted:.2f} deg"


def test_slip_against_the_published_parallax(example: Scene) -> None:
    # check values, Geometry: 35 mm on 24.89 mm at 4096 px, depths 1.0 and 1.5 m, 1 mm of rail -> 1.920 px
    scene = example.edited(
        camera__sensor="24.89 x 18.66 mm",
        delivery__frame=(4096, 2160),
        camera__position=(0.0, 0.1, 1.5),
        camera__tilt=0.0,
        bridge__length=0.5,
    )
    assert slip_px_per_mm(scene, move_of(scene)) == pytest.approx(1.920, abs=0.0005)
    assert row(scene, "slip at the near end") == "1.920 px for a millimetre of rail"


def test_slip_is_nothing_at_the_station_and_grows_with_the_way_gone(example: Scene) -> None:
    move = move_of(example)
    assert np.abs(slip_px(example, move, move.camera(move.station_frame))).max() < 1e-9
    first, last = example.rail.hold
    gone = max(abs(move.rail[f - 1001] - move.station_rail) for f in (first, last))
    slip, frame = largest_slip_px(example, move)
    assert frame == last
    # across the line of sight the slip is proportional to the way gone
    assert slip == pytest.approx(slip_px_per_mm(example, move) * gone * 1e3, rel=0.001)


def test_a_near_end_that_falls_behind_the_lens_is_said(example: Scene) -> None:
    scene = example.edited(rail__along=(1.0, 0.0, -0.5), rail__travel=1.2, rail__hold=(1001, 1100), rail__station=1001,
                           rail__reveal=None)  # fmt: skip
    assert "behind the lens" in row(scene, "largest slip in the hold")


def test_sizes_in_space(example: Scene) -> None:
    near = math.hypot(160.0, 400.0)
    assert row(example, "lens to the wall") == "1250.0 mm (4'-1 3/16\")"
    assert row(example, "lens to the near end of the bridge").startswith(f"{near:.1f} mm")
    assert row(example, "lens above the bridge, full size") == "3.20 m at 1:20"
    # 1.75 m at 1:20
    assert row(example, "figure at miniature size") == '87.5 mm (3 7/16")'


def test_frame_and_pixel_at_a_distance(example: Scene) -> None:
    level = example.edited(camera__tilt=0.0)
    # similar triangles: sensor / focal length = frame / distance
    assert row(level, "frame at the wall") == f"{35.9 * 1250 / 35:.1f} x {35.9 * 1250 / 35 * 9 / 16:.1f} mm"
    assert row(level, "frame at the near end").startswith(f"{35.9 * 400 / 35:.1f} x ")
    assert row(level, "a pixel at the wall") == f"{35.9 * 1250 / 35 / 1920:.3f} mm"
    assert row(level, "a pixel at the near end") == f"{35.9 * 400 / 35 / 1920:.3f} mm"
    assert row(level, "figure in the picture") == f"{87.5 / (35.9 * 850 / 35 / 1920):.0f} px at the foot mark"


def test_times_and_ways(example: Scene) -> None:
    assert row(example, "move") == "100 frames, 4.00 s, 120.0 mm"
    # a trapezium of speed with a tenth for either ramp: top speed is the mean over 1 - 0.1
    top = 120.0 / 99 / 0.9
    assert row(example, "fastest rail speed") == f"{top:.3f} mm a frame, {top * 25:.1f} mm/s"
    assert row(example, "station frame") == "1020"
    # after the ramp, the way gone at a share t of the frames is (t - 0.05) / 0.9 of the travel
    assert row(example, "hold") == f"1001 to 1040, {120.0 * (39 / 99 - 0.05) / 0.9:.1f} mm of rail"


def test_a_still_and_a_scene_without_a_figure(example: Scene) -> None:
    still = example.edited(rail__frames=1, rail__hold=(1001, 1001), rail__reveal=None, rail__travel=0.0, plate=None)
    rows = dict(derived(still))
    assert rows["fastest rail speed"] == "0.000 mm a frame, 0.0 mm/s"
    assert rows["largest slip in the hold"] == "0.0 px at frame 1001"
    assert not any("figure" in label for label in rows)


def test_no_label_twice(example: Scene) -> None:
    labels = [label for label, _ in derived(example)]
    assert len(labels) == len(set(labels))
