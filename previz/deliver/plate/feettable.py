"""``feet.csv``: the figure's layer in every delivered frame, for whoever puts the two pictures together by hand.

How to read it:

- x_px, y_px: where the layer's anchor (the figure's foot) lies in the delivered picture; x right, y down, the
  middle of the top left pixel is 0.5, 0.5.
- anchor_x_px, anchor_y_px: the foot in the layer's own picture, counted alike; scale and turn are about it.
- scale: delivered pixels for one of the layer's; turn_deg: degrees, clockwise as seen.
- Order: move the anchor to the origin, scale, turn, move to x_px, y_px.
- residual: where the layer shows a foot less where its place on the bridge is; left and right are the camera's.
- slide_px: how far the worse foot moves against the bridge from the frame before; pin_slide_px: the same when the
  layer is laid by the pin.
- pin: the layer's four corners (the outer ones of its corner pixels) in the delivered picture, to use instead of
  place, scale and turn.
- An empty field: not before the lens, or no frame before.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from previz.plate.feet import FootTrack
from previz.run.output import OutputFolder
from previz.run.table import csv_text

_CORNERS = ("top_left", "top_right", "bottom_right", "bottom_left")

FEET_HEADER = (
    "frame",
    "x_px",
    "y_px",
    "scale",
    "turn_deg",
    "anchor_x_px",
    "anchor_y_px",
    "left_x_residual_px",
    "left_y_residual_px",
    "right_x_residual_px",
    "right_y_residual_px",
    "slide_px",
    "pin_slide_px",
    *(f"pin_{corner}_{axis}_px" for corner in _CORNERS for axis in "xy"),
)


def feet_csv(track: FootTrack) -> str:
    """The text of ``feet.csv``: a row a frame, four decimals."""
    return csv_text(FEET_HEADER, _rows(track), decimals=4)


def write_feet(folder: OutputFolder, track: FootTrack) -> Path:
    """Write ``feet.csv``; gives its place."""
    return folder.write_text("feet.csv", feet_csv(track))


def _rows(track: FootTrack) -> Iterator[tuple[object, ...]]:
    for i, frame in enumerate(track.frames):
        numbers = np.concatenate(
            [
                track.foot_px[i],
                [track.scale[i], np.degrees(track.turn[i])],
                track.anchor_px[i],
                track.residual_px[i].ravel(),
                [track.slide_px[i], track.pin_slide_px[i]],
                track.pin_px[i].ravel(),
            ]
        )
        yield (frame, *(float(number) for number in numbers))
