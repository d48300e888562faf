"""``feet.csv``: read back, it lays the layer where the track says."""

import csv
import io

import numpy as np

from previz.deliver.plate import feettable
from previz.deliver.plate.feettable import FEET_HEADER, feet_csv, write_feet
from previz.plate.feet import FootTrack
from previz.run.output import OutputFolder

UP = np.array([0.0, 2.5, 4.0])


def made_up() -> FootTrack:
    rng = np.random.default_rng(3)
    residual = rng.normal(0.0, 0.3, (3, 2, 2))
    corners = rng.uniform(0.0, 900.0, (3, 4, 2))
    foot = np.array([[640.25, 400.5], [641.0, 400.25], [np.nan, np.nan]])
    return FootTrack(
        frames=(1001, 1002, 1003),
        layer_foot_px=np.array([[50.0, 300.0]] * 3),
        foot_px=foot,
        scale=np.array([0.5, 0.51, np.nan]),
        turn=np.radians([1.5, -2.0, np.nan]),
        residual_px=residual,
        corners_px=corners,
        corners_residual_px=0.5 * residual,
    )


def test_a_row_a_frame_with_a_plain_header() -> None:
    track = made_up()
    rows = list(csv.DictReader(io.StringIO(feet_csv(track, UP))))
    assert [row["frame"] for row in rows] == ["1001", "1002", "1003"]
    assert tuple(rows[0]) == FEET_HEADER
    assert float(rows[0]["x_px"]) == 640.25
    assert float(rows[1]["turn_deg"]) == -2.0
    assert float(rows[1]["scale"]) == 0.51
    assert rows[0]["slide_px"] == ""
    assert [float(row["drift_up_px"]) for row in rows] == [0.0, 2.5, 4.0]
    assert rows[2]["x_px"] == rows[2]["scale"] == ""
    step = np.linalg.norm(track.residual_px[1] - track.residual_px[0], axis=1).max()
    assert abs(float(rows[1]["slide_px"]) - step) < 1e-4
    assert abs(float(rows[1]["corners_slide_px"]) - 0.5 * step) < 1e-4
    assert abs(float(rows[2]["right_y_residual_px"]) - track.residual_px[2, 1, 1]) < 1e-4
    assert abs(float(rows[0]["corner_bottom_left_y_px"]) - track.corners_px[0, 3, 1]) < 1e-4
    assert abs(float(rows[0]["corner_top_right_x_px"]) - track.corners_px[0, 1, 0]) < 1e-4


def test_the_conventions_name_every_column(tmp_path) -> None:
    words = feettable.__doc__ or ""
    names = ("x_px", "y_px", "foot_in_layer_x_px", "scale", "turn_deg", "residual", "slide_px", "corner", "drift_up_px")
    for column in names:
        assert column in words
    place = write_feet(OutputFolder(tmp_path), made_up(), UP)
    assert place.read_bytes() == feet_csv(made_up(), UP).encode()
