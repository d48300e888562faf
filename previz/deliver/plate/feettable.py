"""``feet.csv``: the figure's layer in every delivered frame, for whoever puts the two pictures together by hand.

How to read it:

- x_px, y_px: where the figure's foot lies in the frame as shot, before drift and bars, as mattes and camera track have
  it; x right, y down, the middle of the top left pixel is 0.5, 0.5.
- foot_in_layer_x_px, foot_in_layer_y_px: the foot in the layer's own picture, counted alike; scale and turn are
  about it.
- scale: delivered pixels for one of the layer's; turn_deg: degrees, clockwise as seen.
- Order: move the foot in the layer to the origin, scale, turn, move to x_px, y_px.
- residual: where the layer shows a foot less where its place on the bridge is; left and right are the camera's.
- slide_px: how far the worse foot moves against the bridge from the frame before; corners_slide_px: the same when the
  layer is laid by its corners.
- corner: the layer's four corners (the outer ones of its corner pixels) in the frame as shot, before drift and
  bars, to use instead of place, scale and turn.
- drift_up_px: how far the finished picture then goes up behind the bars (plate.drift_px).
- foot_mark_mm: where a performer who walks is on the bridge, from its sill; planted: the foot that bears the weight,
  left or right in the picture, and planted_x_px, planted_y_px its place on the bridge in the frame as shot. A foot that
  is not planted has no residual.
- An empty field: not before the lens, no frame before, or a performer who stands.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from previz.geometry import Array
from previz.plate.feet import FootTrack
from previz.plate.walk.contacts import FEET
from previz.plate.walk.walk import WalkTrack
from previz.run.output import OutputFolder
from previz.run.table import csv_text

_CORNERS = ("top_left", "top_right", "bottom_right", "bottom_left")

FEET_HEADER = (
    "frame",
    "x_px",
    "y_px",
    "scale",
    "turn_deg",
    "foot_in_layer_x_px",
    "foot_in_layer_y_px",
    "left_x_residual_px",
    "left_y_residual_px",
    "right_x_residual_px",
    "right_y_residual_px",
    "slide_px",
    "corners_slide_px",
    *(f"corner_{corner}_{axis}_px" for corner in _CORNERS for axis in "xy"),
    "drift_up_px",
    "foot_mark_mm",
    "planted",
    "planted_x_px",
    "planted_y_px",
)


def feet_csv(track: FootTrack, up_px: Array) -> str:
    """The text of ``feet.csv``: a row a frame, four decimals. ``up_px`` (N,) is how far the picture drifts up."""
    return csv_text(FEET_HEADER, _rows(track, up_px), decimals=4)


def write_feet(folder: OutputFolder, track: FootTrack, up_px: Array) -> Path:
    """Write ``feet.csv``; gives its place."""
    return folder.write_text("feet.csv", feet_csv(track, up_px))


def _rows(track: FootTrack, up_px: Array) -> Iterator[tuple[object, ...]]:
    for i, frame in enumerate(track.frames):
        numbers = np.concatenate(
            [
                track.foot_px[i],
                [track.scale[i], np.degrees(track.turn[i])],
                track.layer_foot_px[i],
                track.residual_px[i].ravel(),
                [track.slide_px[i], track.corners_slide_px[i]],
                track.corners_px[i].ravel(),
                [up_px[i]],
            ]
        )
        walk: tuple[object, ...] = (math.nan, "", math.nan, math.nan)
        if isinstance(track, WalkTrack):
            foot = FEET[track.planted[i]] if track.planted[i] >= 0 else ""
            walk = (1e3 * float(track.marks[i]), foot, *(float(each) for each in track.planted_px[i]))
        yield (frame, *(float(number) for number in numbers), *walk)
