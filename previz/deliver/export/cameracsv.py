"""``camera.csv``: the camera of every frame as numbers for people and programs.

Places are of the entrance pupil, in the set's axes (X to camera right along the wall, Y up from the bridge's top, Z out
of the wall). Columns that start with ``full_`` are the same places at full size, in metres; all others are the
miniature's own size, in millimetres. The shift is the lens's, against the sensor's middle.
"""

from __future__ import annotations

from pathlib import Path
from typing import Final

import numpy as np

from previz.deliver.export.interchange import Travel, turns
from previz.run.output import OutputFolder
from previz.run.table import csv_text

HEADER: Final = (
    "frame", "time_s", "rail_mm", "x_mm", "y_mm", "z_mm", "pan_deg", "tilt_deg", "roll_deg", "focal_mm", "focus_mm",
    "stop", "sensor_width_mm", "shift_right_mm", "shift_up_mm", "scale", "full_rail_m", "full_x_m", "full_y_m",
    "full_z_m",
)  # fmt: skip


def camera_csv(travel: Travel) -> str:
    """The text of ``camera.csv``, six decimals: a row a frame."""
    rows = []
    focus = None if travel.focus is None else 1e3 * travel.focus
    for frame, camera, rail in zip(travel.frames, travel.cameras, travel.rail, strict=True):
        place = [float(v) for v in camera.position]
        angles = [float(np.degrees(v)) for v in turns(camera)]
        focal = camera.focal_px * travel.sensor_width / camera.width_px
        rows.append(
            [
                frame, travel.seconds(frame), 1e3 * float(rail), *(1e3 * v for v in place), *angles, 1e3 * focal, focus,
                travel.stop, 1e3 * travel.sensor_width, *(1e3 * v for v in travel.shift), f"1:{travel.scale:g}",
                travel.scale * float(rail), *(travel.scale * v for v in place),
            ]
        )  # fmt: skip
    return csv_text(HEADER, rows, decimals=6)


def write_camera(folder: OutputFolder, travel: Travel) -> Path:
    """Write ``camera.csv``; gives its place."""
    return folder.write_text("camera.csv", camera_csv(travel))
