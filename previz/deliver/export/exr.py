"""``exr/1001.exr`` and so on: frames in linear light with depth and ids, as OpenEXR files.

ASWF, *Technical Introduction to OpenEXR* and *OpenEXR File Layout*. Rec.709 primaries, which a file without
chromaticities has. Channels:

    R G B                    half, the whole frame, every pixel a mean in linear light
    bridge.R .G .B .A        half, the bridge by itself: its share of the pixel in A, colour multiplied by it
    Z                        float, metres along the optical axis (not along the ray) from the entrance pupil at the
                             pixel's centre, infinity where nothing is
    id                       unsigned integer at the pixel's centre: 0 nothing, 1 wall, 2 bridge
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from previz.errors import OutputError, missing
from previz.run.output import OutputFolder
from previz.workshop.surface import Picture


@dataclass(frozen=True, eq=False)
class DeepFrame:
    """One frame: ``colour`` and ``bridge`` (H, W, 3) float32 linear, ``bridge`` multiplied by ``cover`` (H, W).

    ``depth`` (H, W) float32 m, 0 where nothing is; ``layer`` (H, W) the layer numbers at the pixels' centres.
    """

    colour: Picture
    bridge: Picture
    cover: NDArray[np.float32]
    depth: NDArray[np.float32]
    layer: NDArray[np.uint8]


def exr_there() -> bool:
    """Whether the library is installed."""
    try:
        import OpenEXR  # noqa: F401
    except ImportError:
        return False
    return True


def channels_of(frame: DeepFrame) -> dict[str, NDArray[Any]]:
    """Every channel (H, W) by its name in the file, in the type that it has there."""

    def half(values: Picture) -> NDArray[np.float16]:
        return np.ascontiguousarray(values, dtype=np.float16)

    out: dict[str, NDArray[Any]] = {}
    for axis, name in enumerate("RGB"):
        out[name] = half(frame.colour[..., axis])
        out[f"bridge.{name}"] = half(frame.bridge[..., axis])
    out["bridge.A"] = half(frame.cover)
    out["Z"] = np.where(frame.depth > 0.0, frame.depth, np.inf).astype(np.float32)
    out["id"] = np.ascontiguousarray(frame.layer, dtype=np.uint32)
    return out


def write_exr(folder: OutputFolder, number: int, frame: DeepFrame, rate: Fraction, comments: str) -> str:
    """Write ``exr/NUMBER.exr``; gives its name.

    Raises :class:`previz.errors.OutputError` where the library is not installed.
    """
    try:
        import OpenEXR
    except ImportError as error:
        raise missing("exr/", "exr", error) from error
    header = {
        "compression": OpenEXR.ZIP_COMPRESSION,
        "type": OpenEXR.scanlineimage,
        "comments": comments,
        "imageCounter": number,
        "framesPerSecond": rate,
    }
    name = f"exr/{number:04d}.exr"
    with folder.replacing(name) as temporary, OpenEXR.File(header, channels_of(frame)) as file:
        try:
            file.write(str(temporary))
        except RuntimeError as error:
            # its own kind of error, whatever the disk says
            raise OutputError(f"cannot write {folder.place(name)}: {error}") from error
    return name
