"""Frames as PNG files: 8-bit sRGB, one file a frame, the same bytes for the same picture."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from previz.errors import OutputError
from previz.run.output import OutputFolder

Pixels8 = NDArray[np.uint8]

_DEPTHS: Final = (2, 3, 4)

_SIGNATURE: Final = b"\x89PNG\r\n\x1a\n"

# colour types of pictures of so many channels (PNG specification, third edition, table 12); 2 stands for grey
_COLOUR_TYPE: Final = {2: 0, 3: 2, 4: 6}


def _chunk(kind: bytes, body: bytes) -> bytes:
    """A chunk as it lies in a file (PNG specification, third edition, 5.3)."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


_SRGB: Final = _chunk(b"sRGB", b"\x00")


def frame_name(frame: int) -> str:
    """File name of a frame: ``1001.png``."""
    return f"{frame:04d}.png"


def png_bytes(picture: Pixels8) -> bytes:
    """A PNG file of sRGB codes: (H, W) grey, (H, W, 3) colour or (H, W, 4) with straight alpha, uint8.

    The file says that it is sRGB (chunk ``sRGB``, perceptual intent; PNG specification, third edition, 11.3.2.5).
    """
    if picture.dtype != np.uint8 or picture.ndim not in (2, 3) or picture.shape[-1] == 0 or picture.shape[0] == 0:
        raise ValueError(f"a picture is (H, W), (H, W, 3) or (H, W, 4) uint8, not {picture.shape} {picture.dtype}")
    depth = 2 if picture.ndim == 2 else picture.shape[2]
    if depth not in _DEPTHS or (picture.ndim == 3 and depth == 2):
        raise ValueError(f"a picture has 3 or 4 channels, not {depth}")
    h, w = picture.shape[:2]
    codes = picture.reshape(h, w, -1)
    # each row as differences from the left (filter 1), and of those run lengths alone: half the time of looking for
    # what repeats, and on painted rock nothing does
    rows = np.empty((h, 1 + codes[0].size), dtype=np.uint8)
    rows[:, 0] = 1
    steps = rows[:, 1:].reshape(codes.shape)
    steps[:, 0] = codes[:, 0]
    np.subtract(codes[:, 1:], codes[:, :-1], out=steps[:, 1:])
    packing = zlib.compressobj(1, strategy=zlib.Z_RLE)
    packed = packing.compress(rows.data) + packing.flush()
    header = struct.pack(">IIBBBBB", w, h, 8, _COLOUR_TYPE[depth], 0, 0, 0)
    chunks = _chunk(b"IHDR", header), _SRGB, _chunk(b"IDAT", packed), _chunk(b"IEND", b"")
    return _SIGNATURE + b"".join(chunks)


def write_png(folder: OutputFolder, name: str, picture: Pixels8) -> Path:
    """Write a picture as PNG (see :func:`png_bytes`); gives its place."""
    return folder.write_bytes(name, png_bytes(picture))


def read_png(path: Path) -> Pixels8:
    """Read a picture back: (H, W, 3) uint8, or (H, W, 4) where the file has alpha.

    Raises :class:`OutputError` if the file is not there or is broken.
    """
    try:
        with Image.open(path) as image:
            mode = "RGBA" if image.has_transparency_data else "RGB"
            return np.asarray(image.convert(mode))
    except FileNotFoundError as error:
        raise OutputError(f"{path} is not there; run the command again to make it") from error
    # Pillow reports broken data as OSError, SyntaxError or ValueError, according to where it breaks
    except (OSError, SyntaxError, ValueError) as error:
        raise OutputError(f"{path} is not a whole picture ({error}); delete it and run the command again") from error


def read_frame(folder: OutputFolder, series: str, frame: int) -> Pixels8:
    """Read a frame of a series back (see :func:`read_png`)."""
    return read_png(folder.place(f"{series}/{frame_name(frame)}"))
