"""PNG frames: the signature, the chunks and the pixels of the file."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

from previz.errors import OutputError
from previz.run.frames import frame_name, png_bytes, read_frame, read_png, write_png
from previz.run.output import OutputFolder
from tests.deliver.made_up import noise


def chunks(data: bytes) -> dict[bytes, bytes]:
    """Chunks of a PNG file, read by hand (PNG specification, third edition, section 5)."""
    assert data[:8] == bytes([0x89, 0x50, 0x4E, 0x47, 0x0D, 0x0A, 0x1A, 0x0A])
    out: dict[bytes, bytes] = {}
    at = 8
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind, body = data[at + 4 : at + 8], data[at + 8 : at + 8 + length]
        assert struct.unpack(">I", data[at + 8 + length : at + 12 + length])[0] == zlib.crc32(kind + body)
        out[kind] = out.get(kind, b"") + body
        at += 12 + length
    return out


def test_the_file_says_what_it_is() -> None:
    found = chunks(png_bytes(noise(5, 7)))
    width, height, depth, colour = struct.unpack(">IIBB", found[b"IHDR"][:10])
    assert (width, height, depth, colour) == (7, 5, 8, 2)
    assert found[b"sRGB"] == b"\x00"
    assert b"tIME" not in found
    order = list(found)
    assert order.index(b"sRGB") < order.index(b"IDAT")


@pytest.mark.parametrize("channels", [3, 4])
def test_pixels_come_back(tmp_path: Path, channels: int) -> None:
    picture = np.random.default_rng(2).integers(0, 256, (9, 16, channels), dtype=np.uint8)
    folder = OutputFolder(tmp_path)
    place = write_png(folder, f"lens/{frame_name(1001)}", picture)
    assert place == tmp_path / "lens" / "1001.png"
    np.testing.assert_array_equal(iio.imread(place), picture)
    np.testing.assert_array_equal(read_frame(folder, "lens", 1001), picture)
    first = place.read_bytes()
    write_png(folder, f"lens/{frame_name(1001)}", picture)
    assert place.read_bytes() == first


def test_a_grey_picture_comes_back_in_colour(tmp_path: Path) -> None:
    grey = noise(4, 6)[..., 0]
    (tmp_path / "g.png").write_bytes(png_bytes(grey))
    np.testing.assert_array_equal(read_png(tmp_path / "g.png"), np.repeat(grey[..., None], 3, axis=2))


def test_names() -> None:
    assert frame_name(1001) == "1001.png"
    assert frame_name(12345) == "12345.png"


@pytest.mark.parametrize("shape", [(0, 4, 3), (4, 4, 2), (4, 4, 5), (4,)])
def test_what_is_no_picture_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="a picture"):
        png_bytes(np.zeros(shape, dtype=np.uint8))
    with pytest.raises(ValueError, match="uint8"):
        png_bytes(np.zeros((4, 4, 3), dtype=np.float32))  # type: ignore[arg-type]


def test_broken_and_missing_files_say_what_to_do(tmp_path: Path) -> None:
    whole = png_bytes(noise(40, 60))
    for cut in (3, 60, len(whole) // 2):
        (tmp_path / "half.png").write_bytes(whole[:cut])
        with pytest.raises(OutputError, match="is not a whole picture"):
            read_png(tmp_path / "half.png")
    with pytest.raises(OutputError, match="is not there"):
        read_png(tmp_path / "none.png")
