"""The camera's move as open data: OpenTrackIO, one JSON sample a frame.

OpenTrackIO is the sample format of the SMPTE RIS on-set metadata group, version 1.0.0; its parameters, units and axes
are published at https://www.opentrackio.org and with the group's own library, whose schema these names are
from. Its axes are right-handed with Z up; a camera that is not turned looks along +Y with X to its right, and turns
by pan about Z, then tilt about X, then roll about Y, each about the axes as turned so far. Ours have Y up and a camera
that looks along -Z, so

    x = X, y = -Z, z = Y      pan is positive to the left there, tilt positive up, roll positive clockwise as in ours.

Places are metres and angles degrees, focal length and sensor millimetres. All of it is the miniature's own size:
multiply by the scale for full size. The place written is the entrance pupil's, so the pupil's offset from it is 0.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

from previz.camera import Camera
from previz.geometry import Array
from previz.run.output import OutputFolder, json_text

PROTOCOL = "OpenTrackIO"
VERSION = (1, 0, 0)

# theirs from ours, for points and for a camera's own axes alike (right, ahead, up from right, up, behind)
THEIRS_FROM_OURS = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])

# names of takes and frames are made from this one, so that the same scene has the same names
_NAMES = uuid.UUID("5f0b6f0e-8f5c-4c1b-9a53-2d6f0d1c7e11")

_NANO = 1_000_000_000


@dataclass(frozen=True)
class Body:
    """What stays the same: ``sensor_width`` m, ``focal`` m as engraved, ``stop`` f-number, ``focus`` m or None.

    ``iso`` sensitivity; ``shutter_angle`` rad of the exposure, None if unknown; ``rate`` frames a second.
    """

    sensor_width: float
    focal: float
    stop: float
    rate: Fraction
    focus: float | None = None
    iso: float | None = None
    shutter_angle: float | None = None


def samples(
    title: str, frames: Sequence[int], cameras: Sequence[Camera], body: Body, notes: str = ""
) -> list[dict[str, object]]:
    """One sample a frame: ``cameras`` at ``frames`` (as many; numbers of 0 and more), times counted from the first.

    ``title`` names the shot; ``notes`` go into every sample.
    """
    if len(frames) != len(cameras) or not frames:
        raise ValueError(f"{len(frames)} frames need as many cameras, not {len(cameras)}")
    source = uuid.uuid5(_NAMES, title)
    first = frames[0]
    return [
        {
            "protocol": {"name": PROTOCOL, "version": list(VERSION)},
            "sampleId": uuid.uuid5(source, str(frame)).urn,
            "sourceId": source.urn,
            "sourceNumber": 0,
            "static": _static(title, len(frames), camera, body),
            "tracker": {"notes": notes or "Computed, not tracked; miniature size."},
            "timing": {
                "mode": "internal",
                "sampleRate": _ratio(body.rate),
                "sampleTimestamp": _timestamp((frame - first) / body.rate),
                "sequenceNumber": frame,
            },
            "lens": _lens(camera, body),
            "transforms": [{"id": "Camera", **pose(camera)}],
        }
        for frame, camera in zip(frames, cameras, strict=True)
    ]


def sample_text(sample: Mapping[str, object]) -> str:
    """The JSON text of a sample, nine decimals."""
    return json_text(sample, decimals=9, sort_keys=False)


def write_track(folder: OutputFolder, all_samples: Sequence[Mapping[str, object]], frames: Sequence[int]) -> list[Path]:
    """Write ``track/1001.json`` and so on, a sample a file; gives their places."""
    pairs = zip(frames, all_samples, strict=True)
    return [folder.write_text(f"track/{frame:04d}.json", sample_text(sample)) for frame, sample in pairs]


def pose(camera: Camera) -> dict[str, dict[str, float]]:
    """Translation (m) and rotation (degrees) of a camera in OpenTrackIO's axes."""
    x, y, z = (float(value) for value in THEIRS_FROM_OURS @ camera.position)
    pan, tilt, roll = (math.degrees(value) for value in _turns(camera.world_from_cam[:3, :3]))
    return {"translation": {"x": x, "y": y, "z": z}, "rotation": {"pan": pan, "tilt": tilt, "roll": roll}}


def _turns(world_from_cam: Array) -> tuple[float, float, float]:
    """Pan, tilt, roll (rad) of a rotation (3, 3) of ours: R = Rz(pan) Rx(tilt) Ry(roll) in their axes.

    The third row of that product is (-cos t sin r, sin t, cos t cos r), its second column (-sin p cos t, cos p cos t,
    sin t). Straight up or down pan and roll turn about the same axis: it is all counted as pan.
    """
    r = THEIRS_FROM_OURS @ world_from_cam @ THEIRS_FROM_OURS.T
    level = math.hypot(r[0, 1], r[1, 1])
    tilt = math.atan2(r[2, 1], level)
    if level < 1e-9:
        return math.atan2(r[1, 0], r[0, 0]), tilt, 0.0
    return math.atan2(-r[0, 1], r[1, 1]), tilt, math.atan2(-r[2, 0], r[2, 2])


def _lens(camera: Camera, body: Body) -> dict[str, object]:
    mm = 1e3 * body.sensor_width / camera.width_px
    lens: dict[str, object] = {
        "pinholeFocalLength": camera.focal_px * mm,
        "fStop": body.stop,
        "entrancePupilOffset": 0.0,
        # from the middle of the picture to the principal point, x right and y down, as the standard's own note on
        # calibration data has it
        "projectionOffset": {
            "x": (camera.centre_x_px - 0.5 * camera.width_px) * mm,
            "y": (camera.centre_y_px - 0.5 * camera.height_px) * mm,
        },
    }
    if body.focus is not None:
        lens["focusDistance"] = body.focus
    return lens


def _static(title: str, count: int, camera: Camera, body: Body) -> dict[str, object]:
    # the picture takes the sensor's full width and as much of its height as its shape needs
    size = {
        "width": 1e3 * body.sensor_width,
        "height": 1e3 * body.sensor_width * camera.height_px / camera.width_px,
    }
    about: dict[str, object] = {
        "label": title,
        "captureFrameRate": _ratio(body.rate),
        "activeSensorPhysicalDimensions": size,
        "activeSensorResolution": {"width": camera.width_px, "height": camera.height_px},
        "anamorphicSqueeze": _ratio(Fraction(1)),
    }
    if body.iso is not None:
        about["isoSpeed"] = max(round(body.iso), 1)
    if body.shutter_angle is not None:
        about["shutterAngle"] = min(math.degrees(body.shutter_angle), 360.0)
    return {
        "duration": _ratio(count / body.rate),
        "camera": about,
        "lens": {"nominalFocalLength": 1e3 * body.focal},
    }


def _ratio(value: Fraction) -> dict[str, int]:
    return {"num": value.numerator, "denom": value.denominator}


def _timestamp(time: Fraction) -> dict[str, int]:
    seconds, nanoseconds = divmod(round(time * _NANO), _NANO)
    return {"seconds": seconds, "nanoseconds": nanoseconds}
